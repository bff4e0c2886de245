"""What single keys cannot show: mistakes between the parts of a file.

These rules read the data as written, so that they speak beside the mistakes of single
keys and not only after those are mended. A part of the wrong kind is passed over here:
the shapes have told it already.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from forerun.model.profile import FAULT_NAMES, Action, Stage
from forerun.profile_mistakes import Loc, show
from forerun.profile_yaml import Written

_STAGES = tuple(stage.value for stage in Stage)
_ACTIONS = tuple(action.value for action in Action)
Entry = tuple[Loc, dict[str, object]]


def find_profile_mistakes(written: Written) -> None:
    """Add the mistakes between the parts of a profile."""
    data = written.data if isinstance(written.data, dict) else {}
    steps = list(_steps(data))
    find_doubled_names(written, steps, "step")
    find_doubled_names(written, list(list_entries(data, "checks")), "check")
    find_doubled_names(written, list(list_entries(data, "prompts")), "prompt")
    _recoveries(written, list(list_entries(data, "recoveries")))
    _stage_order(written, data)
    for loc, step in steps:
        _step_action(written, loc, step)
    _point_of_no_return(written, data, steps)
    _reboots(written, steps)
    _checks(written, data)
    _releases(written, data)
    _suites(written, data)


def find_site_mistakes(written: Written) -> None:
    """Add the mistakes between the parts of a site file."""
    data = written.data if isinstance(written.data, dict) else {}
    services = list(list_entries(data, "services"))
    find_doubled_names(written, services, "service")
    find_doubled_names(written, list(list_entries(data, "checks")), "check")
    find_doubled_names(written, list(list_entries(data, "prompts")), "prompt")
    _checks(written, data)
    for loc, service in services:
        _service(written, loc, service)


def list_entries(data: dict[str, object], key: str, above: Loc = ()) -> Iterator[Entry]:
    """The mappings in the list at `key`, each with its place."""
    found = data.get(key)
    if isinstance(found, list):
        for place, entry in enumerate(found):
            if isinstance(entry, dict):
                yield (*above, key, place), entry


def _steps(data: dict[str, object]) -> Iterator[Entry]:
    stages = data.get("stages")
    if isinstance(stages, dict):
        for stage in _STAGES:
            yield from list_entries(stages, stage, ("stages",))


def find_doubled_names(written: Written, entries: list[Entry], key: str) -> None:
    """Add each name, the value of `key`, that an entry further up has already."""
    seen: dict[str, int] = {}
    for loc, entry in entries:
        name = entry.get(key)
        if not isinstance(name, str):
            continue
        if name in seen:
            text = f"{show(name)!r} is the name of another {key}, on line {seen[name]}"
            written.add((*loc, key), text)
        else:
            seen[name] = written.spot((*loc, key)).line


def _recoveries(written: Written, recoveries: list[Entry]) -> None:
    find_doubled_names(written, recoveries, "recovery")
    mended: dict[str, int] = {}
    for loc, entry in recoveries:
        mends = entry.get("mends")
        for place, fault in enumerate(mends if isinstance(mends, list) else ()):
            spot = (*loc, "mends", place)
            if not isinstance(fault, str):
                continue
            if fault not in FAULT_NAMES:
                text = f"there is no fault {show(fault)!r} (known: {', '.join(FAULT_NAMES)})"
                written.add(spot, text)
            elif fault in mended:
                text = f"{show(fault)!r} is mended by another recovery, on line {mended[fault]}"
                written.add(spot, text)
            else:
                mended[fault] = written.spot(spot).line


def _stage_order(written: Written, data: dict[str, object]) -> None:
    stages = data.get("stages")
    if not isinstance(stages, dict):
        return
    known = [key for key in stages if key in _STAGES]
    if known != sorted(known, key=_STAGES.index):
        written.add(("stages",), f"the stages stand out of order (allowed: {', '.join(_STAGES)})")


def _step_action(written: Written, loc: Loc, step: dict[str, object]) -> None:
    action = step.get("action", Action.COMMANDS.value)
    if action not in _ACTIONS:
        return
    if action == Action.COMMANDS.value:
        if "script" not in step:
            text = "`script` is missing: a step with the action `commands` runs its script"
            written.add(loc, text)
    else:
        for key in ("script", "exits"):
            if key in step:
                written.add((*loc, key), f"has no meaning for the action `{action}`")
    if action == Action.CHECKS.value:
        if not step.get("checks"):
            written.add(loc, "`checks` is missing: which ones? (allowed: before, after)")
    elif "checks" in step:
        written.add((*loc, "checks"), f"has no meaning for the action `{show(action)}`")


def _point_of_no_return(written: Written, data: dict[str, object], steps: list[Entry]) -> None:
    marked = [loc for loc, step in steps if step.get("point-of-no-return") == "true"]
    if not marked and isinstance(data.get("stages"), dict):
        written.add(
            ("stages",),
            "no step is the point of no return; mark the first step after which only a "
            "restore leads back with `point-of-no-return: true`",
        )
    for loc in marked:
        if loc[1] != Stage.WINDOW.value:
            written.add((*loc, "point-of-no-return"), "must lie in the stage `window`")
    for loc in marked[1:]:
        first = written.spot((*marked[0], "point-of-no-return")).line
        text = f"only one step can be it; the first is marked on line {first}"
        written.add((*loc, "point-of-no-return"), text)


def _reboots(written: Written, steps: list[Entry]) -> None:
    reboots = [loc for loc, step in steps if step.get("action") == Action.REBOOT.value]
    for loc in reboots:
        if loc[1] != Stage.WINDOW.value:
            text = "a reboot is an outage, and outages lie in the stage `window`"
            written.add((*loc, "action"), text)
    for before, after in pairwise(reboots):
        if before[1] == after[1] and int(after[2]) == int(before[2]) + 1:
            text = "a second reboot directly after another shows nothing new"
            written.add((*after, "action"), text)


def _checks(written: Written, data: dict[str, object]) -> None:
    for loc, check in list_entries(data, "checks"):
        if check.get("before") == "false" and check.get("after") == "false":
            written.add(loc, "never runs: `before` and `after` are both false")
        exits = check.get("exits")
        if isinstance(exits, list) and "77" in exits:
            text = "77 means skipped, and cannot mean passed"
            written.add((*loc, "exits", exits.index("77")), text)


def _releases(written: Written, data: dict[str, object]) -> None:
    origin, target = data.get("origin"), data.get("target")
    if not isinstance(origin, dict) or not isinstance(target, dict):
        return
    if origin.get("family") != target.get("family"):
        written.add(("target", "family"), "must be the family of `origin`")
    for key in ("version", "codename"):
        if key in origin and origin.get(key) == target.get(key):
            written.add(("target", key), f"is that of `origin`, {show(origin.get(key))!r}")


def _suites(written: Written, data: dict[str, object]) -> None:
    sources = data.get("sources")
    suites = sources.get("suites") if isinstance(sources, dict) else None
    if not isinstance(suites, dict):
        return
    for old, new in suites.items():
        if old == new:
            written.add(("sources", "suites", old), "is not changed: old and new are the same")
        elif isinstance(new, str) and new in suites:
            text = f"leads to {show(new)!r}, which is renamed too"
            written.add(("sources", "suites", old), text)


def _service(written: Written, loc: Loc, service: dict[str, object]) -> None:
    speaks = service.get("speaks")
    if speaks == "banner" and not service.get("expect"):
        text = "`expect` is missing: what does the server say first? (SSH says `SSH-2.0-`)"
        written.add(loc, text)
    if speaks == "tcp" and "expect" in service:
        written.add((*loc, "expect"), "has no meaning for `speaks: tcp`")
    if speaks in ("tcp", "banner") and "path" in service:
        written.add((*loc, "path"), f"has no meaning for `speaks: {speaks}`")
