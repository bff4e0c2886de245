"""What is said of a run: pure derivation from the record, before any rendering."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from forerun.model.observation import Outcome, RunRecord, StepEnd
from forerun.report.changes import (
    GRAVE,
    account_packages,
    find_peaks,
    order_findings,
    order_prompts,
    pair_checks,
)
from forerun.report.download import account_download
from forerun.report.figures import count_of, say_seconds
from forerun.report.foretold import account_foretold
from forerun.report.found import account_findings
from forerun.report.likeness import account_likeness
from forerun.report.objections import CAUTIONS, find_objections, list_estimate_objections
from forerun.report.outage import account_outages
from forerun.report.plain import clean_record
from forerun.report.reboot import account_reboots
from forerun.report.sections import (
    CheckPair,
    DownloadAccount,
    Figure,
    Outlook,
    PackageAccount,
    RebootAccount,
    Report,
    ServiceOutage,
    Verdict,
)
from forerun.report.timing import (
    find_comparable,
    find_ran,
    join_spread,
    judge_contention,
    list_steps,
    measure_procedure,
    measure_whole_window,
    measure_window,
    pick_slowest,
    spread_of,
    total_stages,
)

_BROKEN = ("broke", "fails", "still fails", "not run after")


def outline(
    record: RunRecord, *, earlier: Sequence[RunRecord] = (), outlook: Outlook | None = None
) -> Report:
    """All that is said of `record`, with spread over the comparable ones of `earlier` and
    whatever `outlook` has.

    Every text in the result has been stripped of control characters. Nothing is
    estimated here: a forecast comes with the outlook or is missing.
    """
    run = clean_record(record)
    beyond = clean_record(outlook or Outlook())
    comparable = find_comparable(record, earlier)
    steps = list_steps(run, comparable)
    contention = judge_contention(run)
    outages = account_outages(run)
    download = account_download(run)
    reboots = account_reboots(run)
    packages = account_packages(run)
    checks = pair_checks(run)
    return Report(
        record=run,
        verdict=reach_verdict(run, checks, outages),
        summary=_summarise(
            run,
            comparable,
            outages=outages,
            download=download,
            reboots=reboots,
            packages=packages,
        ),
        stages=total_stages(run),
        steps=steps,
        slowest_steps=pick_slowest(steps),
        contention=contention,
        outages=outages,
        download=download,
        reboots=reboots,
        packages=packages,
        prompts=order_prompts(run),
        foretold=account_foretold(run),
        checks=checks,
        disk=find_peaks(run),
        findings=order_findings(run),
        runs_compared=1 + len(comparable),
        runs_left_out=sum(other.id != run.id for other in earlier) - len(comparable),
        objections=find_objections(run, comparable, contention, download, reboots),
        estimate_objections=list_estimate_objections(beyond.forecast),
        cautions=CAUTIONS,
        likeness=account_likeness(run),
        outlook=beyond,
        found=account_findings(run, beyond.findings),
    )


def reach_verdict(
    run: RunRecord, checks: Sequence[CheckPair], outages: Sequence[ServiceOutage]
) -> Verdict:
    """The first sentence, and whether the run may be called clean."""
    reasons = tuple(_find_reasons(run, checks, outages))
    headline = _say_headline(run, trouble=bool(reasons))
    clean = run.outcome is Outcome.COMPLETED and not reasons
    if clean:
        rest = "every check that must pass does, and every watched service came back"
    else:
        rest = "; ".join(reasons)
    sentence = f"{headline}; {rest}." if rest else f"{headline}."
    return Verdict(run.outcome, clean, headline, sentence, reasons)


def _say_headline(run: RunRecord, *, trouble: bool) -> str:
    if run.outcome is not Outcome.COMPLETED:
        why = f": {run.why.rstrip('.')}" if run.why else ""
        return f"{run.outcome.value.capitalize()} {_say_where(run)}{why}"
    length = measure_window(run)
    took = f" in a window of {say_seconds(length)}" if length is not None else ""
    word = "Completed with trouble" if trouble else "Completed"
    before = run.release_before or "the old release"
    return f"{word}: {before} to {run.release_after or 'the new release'}{took}"


def _say_where(run: RunRecord) -> str:
    ran = find_ran(run)
    if not ran:
        return "before the first step"
    bad = [step for step in ran if step.end is not StepEnd.DONE]
    last = (bad or list(ran))[-1]
    number = run.steps.index(last) + 1
    return f"at step {number} of {len(run.steps)}, “{last.title or last.name}”"


def _find_reasons(
    run: RunRecord, checks: Sequence[CheckPair], outages: Sequence[ServiceOutage]
) -> Iterator[str]:
    broken = _BROKEN if run.outcome is Outcome.COMPLETED else _BROKEN[:3]
    bad = [c.title for c in checks if c.severity == "must" and c.change in broken]
    if bad:
        verb = "does" if len(bad) == 1 else "do"
        yield f"{count_of(len(bad), 'check')} that must pass {verb} not ({', '.join(bad)})"
    gone = [o.service for o in outages if not o.ended]
    if gone:
        yield f"{', '.join(gone)} never came back"
    grave = [s for s in run.seen if s.severity in GRAVE]
    if grave:
        worst = min(grave, key=lambda s: GRAVE.index(s.severity))
        yield f"{count_of(len(grave), 'grave finding')} (worst: {worst.severity}, {worst.title})"
    odd = [s.title or s.name for s in run.steps if s.end not in (StepEnd.DONE, StepEnd.SKIPPED)]
    if odd and run.outcome is Outcome.COMPLETED:
        yield f"{count_of(len(odd), 'step')} did not end well ({', '.join(odd)})"
    if run.teardown.left:
        yield f"{count_of(len(run.teardown.left), 'thing')} left behind on the lab host"


def _summarise(
    run: RunRecord,
    comparable: Sequence[RunRecord],
    *,
    outages: Sequence[ServiceOutage],
    download: DownloadAccount | None,
    reboots: Sequence[RebootAccount],
    packages: PackageAccount,
) -> tuple[Figure, ...]:
    return tuple(
        [
            _window_figure(run, comparable),
            _procedure_figure(run, comparable),
            *_outage_figures(outages, comparable),
            *_reboot_figures(reboots, comparable),
            *_download_figures(download),
            Figure(
                "packages",
                "Packages changed",
                packages.upgraded + packages.installed + packages.removed,
                "count",
            ),
            Figure(
                "undeclared_prompts",
                "Prompts nobody declared",
                sum(not p.declared for p in run.prompts),
                "count",
            ),
        ]
    )


def _window_figure(run: RunRecord, comparable: Sequence[RunRecord]) -> Figure:
    objections = []
    if run.outcome is not Outcome.COMPLETED and measure_window(run) is not None:
        objections.append("The run did not complete: the window was cut short.")
    if run.lab.accelerator == "emulation":
        objections.append("Emulated CPU.")
    spread = spread_of(run, comparable, measure_whole_window)
    if spread is None:
        objections.append("One run only: no spread.")
    return Figure(
        "window",
        "Maintenance window",
        measure_window(run),
        "s",
        spread=spread,
        objections=tuple(objections),
    )


def _procedure_figure(run: RunRecord, comparable: Sequence[RunRecord]) -> Figure:
    def whole(record: RunRecord) -> float | None:
        return measure_procedure(record) if record.outcome is Outcome.COMPLETED else None

    return Figure(
        "procedure",
        "All steps together",
        measure_procedure(run),
        "s",
        spread=spread_of(run, comparable, whole),
    )


def _outage_figures(
    outages: Sequence[ServiceOutage], comparable: Sequence[RunRecord]
) -> Iterator[Figure]:
    if not outages:
        yield Figure("outage", "Outage", None, "s", objections=("No service was watched.",))
        return
    worst = outages[0]
    objections = () if worst.ended else ("It never came back: this is a lower bound.",)
    same = [row for run in comparable for row in account_outages(run) if row.ended]
    totals = [row.total_s for row in same if row.service == worst.service]
    yield Figure(
        "outage",
        f"Worst outage in all ({worst.service})",
        worst.total_s,
        "s",
        spread=join_spread(worst.total_s, totals) if worst.ended else None,
        resolution_s=worst.resolution_s,
        objections=objections,
    )


def _reboot_figures(
    reboots: Sequence[RebootAccount], comparable: Sequence[RunRecord]
) -> Iterator[Figure]:
    others = [other for run in comparable for other in account_reboots(run) if other.main]
    for reboot in reboots:
        if reboot.main:
            note = "Firmware of a virtual machine: real hardware may take minutes longer."
            ready = reboot.to_ready_s is not None
            value = reboot.to_ready_s if ready else reboot.total_s
            times = [other.to_ready_s for other in others if other.to_ready_s is not None]
            never = "A watched service never came back: the server was not ready at all."
            yield Figure(
                "reboot",
                "Reboot until ready" if ready else "Reboot until start-up ended",
                value,
                "s",
                spread=join_spread(value, times) if ready and value is not None else None,
                objections=(note,) if ready else (note, never),
            )


def _download_figures(download: DownloadAccount | None) -> Iterator[Figure]:
    amount = None
    objections: tuple[str, ...] = ()
    if download is not None:
        fetched = next(count for count in download.counts if count.key == "fetched")
        amount = fetched.amount
        if any(comparison.agrees is False for comparison in download.comparisons):
            objections = ("The counts disagree by more than 1 %.",)
    yield Figure("download", "Packages fetched", amount, "bytes", objections=objections)
