"""The report as Markdown, for a change request or a merge request."""

from __future__ import annotations

from collections.abc import Iterator

from forerun.report.answers import mark_down_answers
from forerun.report.figures import (
    count_of,
    known,
    list_ways,
    say_bytes,
    say_clock,
    say_figure,
    say_seal,
    say_seconds,
    say_share,
    say_spread,
    say_tenths,
)
from forerun.report.forecast import mark_down_forecast
from forerun.report.foretold import mark_down_foretold
from forerun.report.found import mark_down_found, mark_down_overlooked
from forerun.report.likeness import write_likeness
from forerun.report.markdown import escape, fence, listed, table
from forerun.report.outage import say_outage
from forerun.report.parts import mark_down_parts, titles_of
from forerun.report.plan import mark_down_plan
from forerun.report.sections import RebootAccount, Report
from forerun.report.sheet import NO_TRANSCRIPT, mark_down_sheet, name_steps, say_transcript
from forerun.report.timetable import find_start
from forerun.report.trials import write_trials


def render_markdown(report: Report) -> str:
    """The whole report, sections in the order of the HTML page."""
    sections = (
        _head(report),
        mark_down_sheet(report),
        mark_down_answers(report),
        mark_down_found(report),
        mark_down_overlooked(report),
        listed("What speaks against the figures", report.objections),
        mark_down_forecast(report),
        mark_down_plan(report.outlook.plan),
        _outages(report),
        _steps(report),
        mark_down_parts(report.outlook.parts, titles_of(name_steps(report))),
        _checks(report),
        _prompts(report),
        mark_down_foretold(report.foretold),
        _reboots(report),
        _download(report),
        _packages(report),
        _disk(report),
        _kept(report),
        write_trials(report.record),
        _fidelity(report),
        _lab(report),
        _transcript(report),
        _teardown(report),
        listed("Cautions", report.cautions),
    )
    return "\n".join("\n".join(section) + "\n" for section in map(tuple, sections))


def _head(report: Report) -> Iterator[str]:
    run = report.record
    yield f"# Rehearsal of {escape(run.host)}"
    yield ""
    yield f"**{escape(report.verdict.headline)}.**"
    yield ""
    if report.verdict.reasons:
        yield from (f"- {escape(reason)}" for reason in report.verdict.reasons)
        yield ""
    yield (
        f"Run {escape(run.id)}, profile {escape(run.profile)}, {escape(run.started_at)} to "
        f"{escape(run.finished_at)}, accelerator {escape(run.lab.accelerator)}."
    )
    yield ""
    yield from table(
        ("Figure", "Value", "Spread", "Provenance", "But"),
        (
            (
                figure.name,
                say_figure(figure),
                say_spread(figure.spread) if figure.spread else "none",
                figure.provenance.value if figure.value is not None else "",
                " ".join(figure.objections),
            )
            for figure in report.summary
        ),
    )


def _outages(report: Report) -> Iterator[str]:
    yield "## Outage"
    yield ""
    if not report.outages:
        yield "No service was watched: outage was not measured."
    for row in report.outages:
        yield f"- {escape(row.service)}: {escape(say_outage(row))}"
        for span in row.spans:
            start = find_start(report)
            end = say_clock(span.end_s - start) if span.ended else "the end of the run"
            yield (
                f"  - {say_clock(span.start_s - start)} to {end} during {escape(span.step)}"
                f"{f' ({escape(span.cause)})' if span.cause else ''}"
            )


def _steps(report: Report) -> Iterator[str]:
    start = find_start(report)
    yield "## Timetable"
    yield ""
    if not report.steps:
        yield "No step was reached."
        return
    yield from table(
        ("Stage", "Steps", "Steps together", "Elapsed"),
        (
            (s.stage, str(s.steps), say_seconds(s.wall_s), say_seconds(s.elapsed_s))
            for s in report.stages
        ),
    )
    yield ""
    yield from table(
        ("No.", "Stage", "Step", "Takes", "Begins", "CPU of clone", "Spread", "End"),
        (
            (
                str(line.number),
                line.step.stage,
                line.step.title or line.step.name,
                say_seconds(line.step.wall_s),
                say_clock(line.step.started_s - start),
                say_seconds(known(line.step.guest_cpu_s)),
                say_spread(line.spread) if line.spread else "none",
                f"{line.step.end.value} {line.step.message}",
            )
            for line in report.steps
        ),
    )


def _checks(report: Report) -> Iterator[str]:
    yield "## Checks"
    yield ""
    if not report.checks:
        yield "No check was run."
        return
    yield from table(
        ("Check", "Weight", "Before", "After", "Change", "Why", "Advice"),
        (
            (c.title, c.severity, c.before, c.after, c.change, c.reason, c.advice)
            for c in report.checks
        ),
    )


def _prompts(report: Report) -> Iterator[str]:
    yield "## Prompts"
    yield ""
    if not report.prompts:
        yield "No prompt was met."
    for prompt in report.prompts:
        kind = "Declared" if prompt.declared else "**Undeclared**"
        yield (
            f"{kind}, step {escape(prompt.step)}, asked by {escape(prompt.process)}. Answer: "
            f"{escape(prompt.answer) or 'Enter alone'} from {escape(prompt.answered_by)} after "
            f"{say_seconds(prompt.waited_s)}. {escape(prompt.why)}"
        )
        yield ""
        yield from fence(prompt.text)
        yield ""


def _reboots(report: Report) -> Iterator[str]:
    yield "## Reboot"
    yield ""
    if not report.reboots:
        yield "The clone was not rebooted."
    for reboot in report.reboots:
        yield from _reboot(reboot)


def _reboot(reboot: RebootAccount) -> Iterator[str]:
    words = {None: "cannot be told", True: "agrees", False: "disagrees"}
    yield (
        f"Reboot {reboot.number}, {escape(reboot.kernel_before)} to {escape(reboot.kernel_after)}"
    )
    yield ""
    rows = [
        (part.name, say_tenths(part.seconds), say_tenths(part.own_s) if part.own_s else "")
        for part in reboot.parts
    ]
    rows.append(("All parts together", say_tenths(reboot.sum_s), ""))
    rows.append(("Measured as a whole", say_tenths(reboot.total_s), ""))
    yield from table(("Part", "Seen on the console", "Service manager's own figure"), rows)
    yield ""
    yield (
        f"Parts against the whole: {words[reboot.sums]}. Console against service manager: "
        f"{words[reboot.own_agrees]}. SSH after {say_seconds(reboot.to_ssh_s)}, every watched "
        f"service after {say_seconds(reboot.to_ready_s)}. {escape(reboot.note)}"
    )


def _download(report: Report) -> Iterator[str]:
    yield "## Download"
    yield ""
    account = report.download
    if account is None:
        yield "No download was counted."
        return
    yield from table(
        ("Count", "Size", "Bytes", "Counted by", "Provenance"),
        (
            (c.name, say_bytes(c.amount), str(c.amount or ""), c.who, c.provenance.value)
            for c in account.counts + account.overheads
        ),
    )
    yield ""
    words = {None: "cannot be told", True: "agrees", False: "disagrees"}
    yield from table(
        ("Comparison", "Difference", "Share", "Within 1 %", "Assumption"),
        (
            (c.name, say_bytes(c.difference), say_share(c.share), words[c.agrees], c.assumption)
            for c in account.comparisons
        ),
    )


def _packages(report: Report) -> Iterator[str]:
    account = report.packages
    yield "## Packages"
    yield ""
    yield (
        f"{account.upgraded} upgraded, {account.installed} installed, {account.removed} removed, "
        f"{account.kept_back} kept back."
    )
    for word, names in (
        ("Removed", account.removed_names),
        ("Kept back", account.kept_back_names),
    ):
        if names:
            yield ""
            yield f"{word}: {escape(', '.join(names))}."
    if account.slowest:
        yield ""
        yield from table(
            ("Slowest package", "Kind", "Unpack", "Configure", "Together"),
            (
                (
                    p.name,
                    p.kind,
                    say_seconds(p.unpack_s),
                    say_seconds(p.configure_s),
                    say_seconds(p.seconds),
                )
                for p in account.slowest
            ),
        )


def _disk(report: Report) -> Iterator[str]:
    yield "## Disk"
    yield ""
    if not report.disk:
        yield "Disk use was not measured."
        return
    yield from table(
        ("File system", "At first", "Peak", "At last", "Size", "Sampled every"),
        (
            (
                p.target,
                say_bytes(p.first_used),
                say_bytes(p.peak_used),
                say_bytes(p.last_used),
                say_bytes(p.size),
                say_seconds(p.every_s),
            )
            for p in report.disk
        ),
    )


def _kept(report: Report) -> Iterator[str]:
    kept = report.record.kept_files
    items = [f"{k.path} beside {k.beside}, {say_bytes(k.size_bytes)}" for k in kept]
    yield from listed("Files left beside", items or ("None was found.",))


def _fidelity(report: Report) -> Iterator[str]:
    yield "## Fidelity of the clone"
    yield ""
    yield from write_likeness(report.likeness)
    yield ""
    if not report.record.fidelity:
        yield "No fidelity statement was recorded."
        return
    yield from table(
        ("Subject", "State", "What it may hide"),
        ((gap.subject, gap.state, gap.note) for gap in report.record.fidelity),
    )


def _lab(report: Report) -> Iterator[str]:
    lab = report.record.lab
    busy = [f"{n.step}: {'; '.join(n.reasons)}" for n in report.contention if n.reasons]
    items = [
        f"{lab.hypervisor}; {count_of(lab.cpus, 'CPU')}, {say_bytes(lab.memory_bytes)}",
        f"Accelerator {lab.accelerator} ({lab.why})",
        *(f"{name}: {say_seconds(seconds)}" for name, seconds in report.record.preparation),
        *(f"Busy during {text}" for text in busy),
        say_seal(report.record),
    ]
    if not report.contention:
        items.append("The load of the lab host was not recorded.")
    yield from listed("Lab host", items)
    if report.record.ways_tried:
        yield ""
        yield from table(
            ("Way out of the clone", "Where", "Result", "Seen"), list_ways(report.record)
        )


def _transcript(report: Report) -> Iterator[str]:
    yield "## Transcript"
    yield ""
    kept = report.outlook.transcript
    if kept is None:
        yield NO_TRANSCRIPT
        return
    yield escape(say_transcript(kept))
    yield ""
    yield from fence("\n".join(kept.lines))


def _teardown(report: Report) -> Iterator[str]:
    teardown = report.record.teardown
    items = [
        f"Left on the lab host: {', '.join(teardown.left) or 'nothing'}",
        f"Created: {', '.join(teardown.created) or 'nothing'}",
    ]
    if teardown.kept:
        items.append(f"Kept on request: {', '.join(teardown.kept)}")
    yield from listed("Teardown", items)
