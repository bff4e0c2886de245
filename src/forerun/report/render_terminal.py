"""The report as a short summary for a terminal, the most important first."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TextIO

from tabulate import tabulate

from forerun.model.observation import WayEnd
from forerun.report.figures import count_of, say_bytes, say_figure, say_seconds, say_share
from forerun.report.forecast import has_figures
from forerun.report.foretold import LOSSES, say_foretelling
from forerun.report.outage import say_outage
from forerun.report.plain import one_line
from forerun.report.plan import say_turn
from forerun.report.sections import QUIET_CHANGES, Report
from forerun.report.sheet import find_mark, make_sheet
from forerun.report.trials import say_fault, say_way_back

_BOLD = "1"
_RED = "31"
_YELLOW = "33"
_GREEN = "32"

# A screenful is what is read; every list is cut and says how much the report has.
_MOST = 5
_SCREENFUL = 60


def colour_allowed(stream: TextIO, environ: Mapping[str, str]) -> bool:
    """Colour only on a terminal that can show it, and never where NO_COLOR is set to
    anything but "" (the convention of no-color.org)."""
    if environ.get("NO_COLOR") or environ.get("TERM") == "dumb":
        return False
    return stream.isatty()


def render_terminal(
    report: Report, *, width: int = 80, colour: bool = False, folder: str = ""
) -> str:
    """At most about 60 lines of text no wider than `width` (at least 40 columns).

    `folder` is where the whole report lies; it is named in the last line.
    """
    lines: list[str] = []
    for most in range(_MOST, 0, -1):
        page = _Page(report, max(width, 40), colour=colour, most=most)
        lines = list(page.compose(folder))
        if len(lines) <= _SCREENFUL:
            break
    return "\n".join(lines) + "\n"


class _Page:
    def __init__(self, report: Report, width: int, *, colour: bool, most: int) -> None:
        self._most = most
        self._report = report
        self._width = width
        self._colour = colour

    def compose(self, folder: str) -> Iterator[str]:
        report = self._report
        mark = _GREEN if report.verdict.clean else _RED
        head = f"Rehearsal {report.record.id} of {report.record.host}"
        yield self._paint(one_line(head, longest=self._width), _BOLD)
        yield from (self._paint(line, mark) for line in self._wrap(report.verdict.headline, 4))
        for reason in report.verdict.reasons[: max(self._most, 3)]:
            yield from self._wrap(reason, 2, indent="  - ")
        yield from self._decision()
        yield ""
        yield from self._figures()
        yield from self._section("Outage, seen from outside", self._outages(), len(report.outages))
        yield from self._findings()
        yield from self._checks()
        yield from self._prompts()
        yield from self._foretold()
        yield from self._trials()
        yield from self._counts()
        yield from self._objections()
        yield ""
        yield from self._wrap(
            "A rehearsal on an approximate clone is evidence, not proof, and a clone is no backup. "
            "Use only where you are authorised, follow local change control, and have a person "
            "review the copy. Times can be exceeded."
        )
        if folder:
            yield self._paint("Whole report:", _BOLD) + f" {one_line(folder)}"

    def _paint(self, text: str, code: str) -> str:
        return f"\x1b[{code}m{text}\x1b[0m" if self._colour and text else text

    def _wrap(self, text: str, most: int = 3, indent: str = "") -> list[str]:
        if indent and self._most == 1:
            most = 1  # the last try to fit a screen: every list item is one line
        return textwrap.wrap(
            one_line(text),
            self._width,
            initial_indent=indent,
            subsequent_indent=" " * len(indent),
            max_lines=most,
            placeholder=" …",
        )

    def _section(self, title: str, lines: Iterable[str], count: int) -> Iterator[str]:
        body = list(lines)
        if not body:
            return
        yield ""
        yield self._paint(title, _BOLD)
        yield from body
        if count > self._most:
            yield f"  and {count - self._most} more in the report"

    def _decision(self) -> Iterator[str]:
        look = self._report.outlook
        if look.decision is None and not has_figures(look.forecast):
            yield "Decision: not ruled, and no estimate for production"[: self._width]
            return
        sheet = make_sheet(self._report)
        mark = {"good": _GREEN, "warn": _YELLOW, "bad": _RED}.get(find_mark(sheet.ruling), "")
        for line in self._wrap(f"Decision: {sheet.ruling.upper()}. {sheet.rule}", 3):
            yield self._paint(line, mark) if mark else line
        yield from self._wrap(sheet.outage, 4)
        most = max(self._most, 3)
        for condition in sheet.conditions[:most]:
            yield from self._wrap(condition, 2, indent="  [ ] ")
        if len(sheet.conditions) + sheet.more > most:
            yield "  and more conditions or reasons in the report"
        if look.plan is not None:
            yield from self._wrap(f"Latest moment to begin going back: {say_turn(look.plan)}", 2)

    def _figures(self) -> Iterator[str]:
        rows = []
        for figure in self._report.summary:
            if figure.key in ("window", "procedure", "reboot"):
                spread = figure.spread
                note = (
                    f"{say_seconds(spread.low)} to {say_seconds(spread.high)} in {spread.runs} runs"
                    if spread
                    else figure.provenance.value
                )
                rows.append((figure.name, say_figure(figure), note))
        yield from self._table(rows)

    def _table(self, rows: Sequence[Sequence[str]]) -> Iterator[str]:
        text = tabulate(rows, tablefmt="plain", disable_numparse=True)
        yield from (line.rstrip()[: self._width] for line in text.splitlines())

    def _outages(self) -> Iterator[str]:
        if not self._report.outages:
            yield "  No service was watched."
            return
        for row in self._report.outages[: self._most]:
            yield from self._wrap(f"{row.service}: {say_outage(row)}", 2, indent="  - ")

    def _findings(self) -> Iterator[str]:
        found = self._report.found
        lines: list[str] = []
        for seen in found[: self._most]:
            lines += self._wrap(f"{seen.severity}: {seen.title}", 2, indent="  ! ")
        yield from self._section("Findings", lines, len(found))

    def _checks(self) -> Iterator[str]:
        again = [check for check in self._report.checks if check.after != "not run"]
        if self._report.checks and not again:
            yield ""
            yield self._paint("Checks: the run ended before they were run again", _BOLD)
            return
        changed = [c for c in self._report.checks if c.change not in QUIET_CHANGES]
        passing = sum(c.after == "pass" for c in again)
        lines: list[str] = []
        for check in changed[: self._most]:
            weight = "must" if check.severity == "must" else "note"
            reason = f": {check.reason}" if check.reason else ""
            text = f"{check.change} ({weight}) {check.title}{reason}"
            lines += self._wrap(text, 2, indent="  - ")
        title = f"Checks: {passing} of {len(again)} pass afterwards"
        if lines:
            yield from self._section(title, lines, len(changed))
        elif self._report.checks:
            yield ""
            yield self._paint(title, _BOLD)

    def _prompts(self) -> Iterator[str]:
        prompts = self._report.prompts
        odd = [p for p in prompts if not p.declared]
        lines: list[str] = []
        for prompt in odd[: self._most]:
            typed = repr(prompt.answer) if prompt.answer else "a bare Enter"
            told = f"answered {typed} by {prompt.answered_by}"
            if prompt.answered_by == "nobody":
                told = "not answered"
            text = one_line(prompt.text, longest=120)
            lines += self._wrap(f"{text} ({told})", 2, indent="  ? ")
        if lines:
            title = f"Prompts nobody declared: {len(odd)} of {len(prompts)}"
            yield from self._section(title, lines, len(odd))

    def _foretold(self) -> Iterator[str]:
        account = self._report.foretold
        if not account:
            return
        yield ""
        yield from self._wrap(f"{say_foretelling(account)}.", 3)
        sure = [row.told for row in account.losses if row.told.sure]
        lines: list[str] = []
        for told in sure[: self._most]:
            lines += self._wrap(f"{told.subject}: {LOSSES[told.kind]}", 2, indent="  ! ")
        yield from self._section("Edits lost without a question", lines, len(sure))

    def _trials(self) -> Iterator[str]:
        run = self._report.record
        ways = (line for one in run.back_outs for line in self._wrap(say_way_back(one), 2, "  "))
        yield from self._section("Back-out", ways, 0)
        faults = [say_fault(one) for one in run.faults]
        lines = (line for text in faults[: self._most] for line in self._wrap(text, 2, "  "))
        yield from self._section("Faults tried", lines, len(faults))

    def _counts(self) -> Iterator[str]:
        yield ""
        rows = [
            ("Packages", self._say_packages()),
            ("Prompts", self._say_prompts()),
            ("Download", self._say_download()),
            *(("Disk peak", text) for text in self._say_disks()),
            ("Ways out", self._say_ways()),
            ("Left on the lab host", self._say_left()),
        ]
        yield from self._table(rows)

    def _say_packages(self) -> str:
        p = self._report.packages
        return (
            f"{p.upgraded} upgraded, {p.installed} installed, {p.removed} removed, "
            f"{p.kept_back} kept back"
        )

    def _say_prompts(self) -> str:
        prompts = self._report.prompts
        if not prompts:
            return "none"
        odd = sum(not p.declared for p in prompts)
        waited = say_seconds(sum(p.waited_s for p in prompts))
        return f"{len(prompts)} met, {odd} of them undeclared, {waited} of waiting"

    def _say_download(self) -> str:
        account = self._report.download
        if account is None:
            return "not measured"
        amounts = {count.key: count.amount for count in account.counts}
        worst = [c for c in account.comparisons if c.agrees is False]
        said = f"{say_bytes(amounts['fetched'])} fetched, {say_bytes(amounts['wire'])} on the wire"
        return said + (f"; {count_of(len(worst), 'count')} disagree" if worst else "")

    def _say_disks(self) -> Iterator[str]:
        for peak in self._report.disk[:1]:
            share = say_share(peak.peak_used / peak.size) if peak.size else "share unknown"
            yield f"{peak.target} {say_bytes(peak.peak_used)} of {say_bytes(peak.size)} ({share})"

    def _say_ways(self) -> str:
        ends = [way.result for way in self._report.record.ways_tried]
        tried = len(ends) - ends.count(WayEnd.NOT_TRIED)
        return f"{tried} tried from inside, {ends.count(WayEnd.OPEN)} open" if ends else "not tried"

    def _say_left(self) -> str:
        left = self._report.record.teardown.left
        return one_line(", ".join(left)) if left else "nothing"

    def _objections(self) -> Iterator[str]:
        found = self._report.objections
        lines: list[str] = []
        for objection in found[: self._most]:
            lines += self._wrap(objection, 2, indent="  * ")
        painted = (self._paint(line, _YELLOW) for line in lines)
        yield from self._section("What speaks against the figures", painted, len(found))
