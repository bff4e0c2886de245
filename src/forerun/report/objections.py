"""What speaks against the figures, and the cautions every report carries."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from forerun.model.estimate import Forecast
from forerun.model.observation import Outcome, RunRecord, StepEnd
from forerun.report.figures import count_of, say_seconds, times_of
from forerun.report.likeness import account_likeness, say_score
from forerun.report.sections import Contention, DownloadAccount, RebootAccount

CAUTIONS = (
    "This is a rehearsal on an approximate clone. It is evidence, not proof: see what the "
    "clone did not match.",
    "A clone is not a backup. Before the real work, prove a backup by restoring from it.",
    "Read and copy only systems that you are authorised to read and copy.",
    "Local change control comes first: approval, window, notices and the separation of duties "
    "are yours. Nothing here is a permission.",
    "Any time or estimate here can be exceeded in production.",
    "The copy may still hold personal or confidential data, and what stands for names can be "
    "personal data in law. A person must review it, keep access small, and have it deleted on "
    "its date.",
    "Licences may not cover a clone, and a regulated system has rules of its own for copies and "
    "tests: ask who answers for it.",
    "Clones run unpatched or broken on purpose: keep them sealed, use them for nothing else, "
    "destroy them.",
    "Keep a second way in (a console) and a second person when the real work is done. No warranty.",
)

NO_ESTIMATE = (
    "No estimate for production has been made from this run: what is shown was measured on "
    "the clone.",
    "Production's disks, line, firmware and people take other times than the lab's.",
)


def list_estimate_objections(forecast: Forecast | None) -> tuple[str, ...]:
    """What speaks against the forecast, or why there is none."""
    if forecast is None:
        return NO_ESTIMATE
    if forecast.refused:
        return (forecast.refused, NO_ESTIMATE[1], *forecast.objections)
    return forecast.objections


SHORT_CAUTIONS = (
    "Evidence from an approximate clone, not proof; times can be exceeded.",
    "Advice, not a permission: local change control and authorised staff decide.",
    "Before the work, prove a backup by restoring from it; a clone is no backup.",
    "Have a console, a second person, and the way back ready.",
    "Read and copy only what you may; the copy may hold personal data: keep it small, delete it "
    "on its date.",
    "Regulated systems, vendors' licences and works agreements have rules of their own.",
    "Clones run unpatched: keep them sealed, destroy them. No warranty.",
)


def find_objections(
    record: RunRecord,
    comparable: Sequence[RunRecord],
    contention: Sequence[Contention],
    download: DownloadAccount | None,
    reboots: Sequence[RebootAccount],
) -> tuple[str, ...]:
    """Everything that limits what the figures mean, the weightiest first."""
    return (
        *_about_runs(record, comparable),
        *_about_lab(record, contention),
        *_about_course(record),
        *_about_counts(download, reboots),
        *_about_fidelity(record),
    )


def _about_runs(record: RunRecord, comparable: Sequence[RunRecord]) -> Iterator[str]:
    runs = (record, *comparable)
    if len(runs) == 1:
        yield "One run only: no spread. The next run may differ by more than it seems."
        return
    bad = sum(run.outcome is not Outcome.COMPLETED for run in runs)
    if bad:
        yield f"{bad} of {len(runs)} comparable runs did not complete."
    if len(runs) < 5:
        yield (
            f"{len(runs)} comparable runs: the chance that the next one beats the slowest so far "
            f"is 1 in {len(runs) + 1}."
        )


def _about_lab(record: RunRecord, contention: Sequence[Contention]) -> Iterator[str]:
    if record.lab.accelerator == "emulation":
        yield (
            "Emulated CPU: computing takes many times longer than on real hardware, waiting for "
            "disks may take less. Wall time does not carry over by one factor."
        )
    busy = [note for note in contention if note.reasons]
    if busy:
        steps = ", ".join(note.step for note in busy)
        yield (
            f"Busy lab host during {count_of(len(busy), 'step')} ({steps}): the time measured "
            f"there is longer than on a quiet one."
        )
    unwatched = sum(s.load is None and s.end is not StepEnd.SKIPPED for s in record.steps)
    if unwatched:
        yield f"The lab host's load was not recorded for {count_of(unwatched, 'step')}."
    if record.rate_limit_bits:
        yield f"The download was held to {record.rate_limit_bits / 1e6:g} Mbit/s on purpose."


def _about_course(record: RunRecord) -> Iterator[str]:
    by_policy = sum(p.answered_by == "policy" for p in record.prompts)
    if by_policy:
        prompts = count_of(by_policy, "prompt")
        yield f"{prompts} answered by policy, not by a rule or a person: the answer may be wrong."
    by_person = sum(p.waited_s for p in record.prompts if p.answered_by == "person")
    if by_person > 0:
        yield f"{say_seconds(by_person)} went by while a person thought about an answer."
    overran = [step.title or step.name for step in record.steps if step.end is StepEnd.OVERRAN]
    if overran:
        yield f"Overran the time allowed: {', '.join(overran)}. The true length is not known."
    lost = sum(step.reattached for step in record.steps)
    if lost:
        yield f"The operator's session was lost and taken up again {times_of(lost)}."


def _about_counts(
    download: DownloadAccount | None, reboots: Sequence[RebootAccount]
) -> Iterator[str]:
    for comparison in download.comparisons if download else ():
        if comparison.agrees is False:
            yield f"Download counts disagree by more than 1 %: {comparison.name.lower()}."
    for reboot in reboots:
        if reboot.sums is False:
            yield f"The parts of reboot {reboot.number} do not add up to the whole within 1 s."
        if reboot.own_agrees is False:
            yield (
                f"Console and service manager disagree by more than 1 s about reboot "
                f"{reboot.number}."
            )


_NAMED = 6


def _about_fidelity(record: RunRecord) -> Iterator[str]:
    account = account_likeness(record)
    if account is not None and account.score != 1:
        yield say_score(account)
    open_rows = [row for row in record.fidelity if row.state != "matched"]
    if open_rows:
        named = ", ".join(row.subject for row in open_rows[:_NAMED])
        rest = len(open_rows) - _NAMED
        yield (
            f"The clone differs from production in {count_of(len(open_rows), 'known way')} "
            f"({named}{f' and {rest} more' if rest > 0 else ''}): the fidelity statement has all."
        )
    elif not record.fidelity:
        yield "No fidelity statement was recorded: how far the clone matched is not known."
