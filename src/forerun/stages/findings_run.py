"""The questions a known change may ask of a rehearsal's record. Pure.

What differs between the two readings of a clone is found here once, for known changes and
for what the rehearsal tells by itself.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from fnmatch import fnmatchcase
from typing import Any

from forerun.model import known_change as known
from forerun.model.inventory import Inventory
from forerun.model.observation import CheckResult, RunRecord
from forerun.model.survey import Unit
from forerun.stages.findings_facts import (
    Answer,
    Clue,
    Facts,
    answer,
    cut,
    matches,
    say_unknown,
)

NOT_REHEARSED = "nothing has been rehearsed yet"
_KEPT_UNITS = (".service", ".socket", ".timer", ".path")
_ENABLED = ("enabled", "enabled-runtime", "generated", "static", "alias", "indirect")


def find_inventory(run: RunRecord, moment: str) -> Inventory | None:
    """The last reading of that moment, None where there was none."""
    return next((one for one in reversed(run.inventories) if one.moment == moment), None)


def find_readings(run: RunRecord) -> tuple[Inventory, Inventory] | None:
    """Both readings, None unless there are both."""
    before, after = find_inventory(run, "before"), find_inventory(run, "after")
    return (before, after) if before and after else None


def pair_results(run: RunRecord) -> dict[str, tuple[CheckResult | None, CheckResult | None]]:
    """Check name to its last result before and after."""
    last = {(c.name, c.moment): c for c in run.checks}
    names = dict.fromkeys(c.name for c in run.checks)
    return {name: (last.get((name, "before")), last.get((name, "after"))) for name in names}


def list_lost_units(
    before: Inventory, after: Inventory, renamed: Iterable[tuple[str, str]] = ()
) -> tuple[tuple[Unit, str], ...]:
    """Units that were active and would have been started again at boot, and what became of
    them. A unit with a new name is looked for under that; a one-shot service that ended and
    what belongs to one login or one console is not missed."""
    now = {unit.name: unit for unit in after.units}
    lost = []
    for unit in before.units:
        kept = unit.name.endswith(_KEPT_UNITS) and unit.enabled in _ENABLED
        runs = unit.active == "active" and unit.sub in ("running", "listening", "waiting")
        if not kept or not runs or unit.name.startswith(("user@", "user-runtime-dir@", "session-")):
            continue
        names = [unit.name, *(new for old, new in renamed if fnmatchcase(unit.name, old))]
        found = [now[name] for name in names if name in now]
        if not any(one.active in ("active", "activating", "reloading") for one in found):
            said = f"{found[0].active} ({found[0].sub})" if found else "not there any more"
            lost.append((unit, said))
    return tuple(lost)


def list_changed_settings(before: Inventory, after: Inventory) -> tuple[tuple[str, str, str], ...]:
    """(key, before, after) of kernel settings; "" where one is not there."""
    was, now = dict(before.settings), dict(after.settings)
    return tuple(
        (key, was.get(key, ""), now.get(key, ""))
        for key in sorted(was.keys() | now.keys())
        if was.get(key) != now.get(key)
    )


def list_lost_interfaces(before: Inventory, after: Inventory) -> tuple[str, ...]:
    """Interfaces whose name is gone. Nothing is said where the later reading has none."""
    there = after.interfaces
    return tuple(name for name in before.interfaces if there and name not in there)


def ask_check(test: known.CheckEnded, facts: Facts) -> Answer:
    """Of the checks with that name."""
    if facts.run is None:
        return say_unknown(NOT_REHEARSED)
    found = []
    for name, (before, after) in pair_results(facts.run).items():
        failed = [one for one in (before, after) if one is not None and one.result == "fail"]
        broke = after in failed and before is not None and before.result == "pass"
        told = (after,) if test.ended == "broke" and broke else failed
        if not fnmatchcase(name, test.name) or (test.ended == "broke" and not broke):
            continue
        found += [
            Clue(
                cut(f"check {name}, {one.moment} the upgrade: {one.reason or one.output}"),
                f"check:{name}",
            )
            for one in told
            if one is not None and matches(test.says_like, f"{one.reason}\n{one.output}")
        ]
    return answer(found)


def ask_kept(test: known.FileKept, facts: Facts) -> Answer:
    """Of the files left beside those in use."""
    if facts.run is None:
        return say_unknown(NOT_REHEARSED)
    return answer(
        Clue(f"{kept.path} was left by the upgrade, {kept.size_bytes} bytes", f"kept:{kept.path}")
        for kept in facts.run.kept_files
        if fnmatchcase(kept.path, test.path)
    )


def ask_went(test: known.PackageWent, facts: Facts) -> Answer:
    """Of what became of packages."""
    if facts.run is None:
        return say_unknown(NOT_REHEARSED)
    return answer(
        Clue(
            f"package {p.name} was {p.kind}: {p.old or 'none'} to {p.new or 'none'}",
            f"went:{p.name}",
        )
        for p in facts.run.packages
        if fnmatchcase(p.name, test.name)
        and p.kind == test.kind
        and matches(test.old_like, p.old)
        and matches(test.new_like, p.new)
    )


def ask_text(test: known.TextSeen, facts: Facts) -> Answer:
    """Of the lines a rehearsal kept."""
    if facts.run is None:
        return say_unknown(NOT_REHEARSED)
    sought = re.compile(test.line_like)
    return answer(
        Clue(cut(f"{where}: {line}"), mark)
        for place, where, line, mark in _walk_text(facts.run)
        if test.place in ("", place) and sought.search(line)
    )


def _walk_text(run: RunRecord) -> Iterator[tuple[str, str, str, str]]:
    """(kind, where, line, mark) of all text on record."""
    for step in run.steps:
        for line in (*step.last_lines, step.message):
            yield "steps", f"step {step.name}", line, ""
    for met in run.prompts:
        for line in met.text.splitlines():
            yield "prompts", f"question in step {met.step}", line, ""
    for check in run.checks:
        for line in check.output.splitlines():
            yield "checks", f"check {check.name}, {check.moment}", line, f"check:{check.name}"
    after = find_inventory(run, "after")
    for entry in after.journal if after else ():
        yield "journal", f"journal, {entry.identifier}", entry.text, _mark_journal(entry.text)


def _mark_journal(text: str) -> str:
    return f"journal:{text}"


def _need_readings(facts: Facts) -> tuple[Inventory, Inventory] | Answer:
    if facts.run is None:
        return say_unknown(NOT_REHEARSED)
    return find_readings(facts.run) or say_unknown("the rehearsal did not read the clone twice")


def ask_unit_lost(test: known.UnitLost, facts: Facts) -> Answer:
    """Of units that ran before and did not afterwards."""
    readings = _need_readings(facts)
    if isinstance(readings, Answer):
        return readings
    return answer(
        Clue(f"unit {unit.name} ran before the upgrade; after it {said}", f"unit:{unit.name}")
        for unit, said in list_lost_units(*readings)
        if fnmatchcase(unit.name, test.name)
    )


def ask_interface_lost(test: known.InterfaceLost, facts: Facts) -> Answer:
    """Of interfaces whose name was gone."""
    readings = _need_readings(facts)
    if isinstance(readings, Answer):
        return readings
    now = ", ".join(readings[1].interfaces)
    return answer(
        Clue(f"interface {name} was there before the upgrade; after it: {now}", f"interface:{name}")
        for name in list_lost_interfaces(*readings)
        if fnmatchcase(name, test.name)
    )


def ask_setting_changed(test: known.SettingChanged, facts: Facts) -> Answer:
    """Of kernel settings with another value."""
    readings = _need_readings(facts)
    if isinstance(readings, Answer):
        return readings
    return answer(
        Clue(cut(f"{key} was {was or 'not there'}, is {now or 'not there'}"), f"setting:{key}")
        for key, was, now in list_changed_settings(*readings)
        if fnmatchcase(key, test.name)
    )


RUN_ASKS: dict[type[Any], Callable[[Any, Facts], Answer]] = {
    known.CheckEnded: ask_check,
    known.FileKept: ask_kept,
    known.PackageWent: ask_went,
    known.TextSeen: ask_text,
    known.UnitLost: ask_unit_lost,
    known.InterfaceLost: ask_interface_lost,
    known.SettingChanged: ask_setting_changed,
}
