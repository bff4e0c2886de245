"""What single keys cannot show in a drill file: mistakes between its parts, and between it
and the profile it is played on."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Collection, Sequence

from forerun.model.profile import Stage
from forerun.profile_drill_shapes import USUAL_COST, USUAL_POINTS, WAYS_TO_HAPPEN
from forerun.profile_mistakes import Loc, near_miss, show
from forerun.profile_rules import Entry, find_doubled_names, list_entries
from forerun.profile_values import parse_duration
from forerun.profile_yaml import Written

_NUMBER = re.compile(r"[0-9]{1,9}")
_CHECK_OF_THE_WINDOW = "back-out-called-in-time"
_Data = dict[str, object]


def find_drill_mistakes(written: Written, *, steps: Collection[str] | None = None) -> None:
    """Add the mistakes between the parts. With `steps`, the names that the profile has, also
    those that it has not; a drill may begin with a stage, too."""
    data = written.data if isinstance(written.data, dict) else {}
    objectives = list(list_entries(data, "objectives"))
    injects = list(list_entries(data, "injects"))
    find_doubled_names(written, objectives, "objective")
    find_doubled_names(written, injects, "inject")
    _critical(written, data, objectives)
    for loc, objective in objectives:
        _hints(written, loc, objective)
        if objective.get("check") == _CHECK_OF_THE_WINDOW and "window" not in data:
            text = "needs the key `window`: from its end the latest moment for it is counted"
            written.add((*loc, "check"), text)
    for loc, inject in injects:
        _one_way_to_happen(written, loc, inject)
        _in_time(written, (*loc, "at"), inject.get("at"), data.get("time-allowed"))
    _draw(written, data)
    if steps is not None:
        stages = {stage.value for stage in Stage}
        _step(written, ("begins-before",), data.get("begins-before"), {*steps, *stages})
        for loc, inject in injects:
            _step(written, (*loc, "step"), inject.get("step"), steps)


def _critical(written: Written, data: _Data, objectives: Sequence[Entry]) -> None:
    if objectives and all(entry.get("critical") == "false" for _, entry in objectives):
        text = "no objective is critical; mark what the drill is about with `critical: true`"
        written.add(("objectives",), text)


def _hints(written: Written, loc: Loc, objective: _Data) -> None:
    points = _whole(objective.get("points"), USUAL_POINTS, "points" in objective)
    costs = sum(
        # One that cannot be read is told by its shape; the others cost as much at least.
        _whole(hint.get("costs"), USUAL_COST, "costs" in hint) or 0
        for _, hint in list_entries(objective, "hints")
    )
    if points is not None and costs > points:
        text = f"cost {costs} points together, and the objective is worth {points}"
        written.add((*loc, "hints"), text)


def _whole(value: object, usual: int, said: bool) -> int | None:
    """A number as it counts here; None where it cannot be read, which the shapes tell."""
    if not said:
        return usual
    return int(value) if isinstance(value, str) and _NUMBER.fullmatch(value) else None


def _one_way_to_happen(written: Written, loc: Loc, inject: _Data) -> None:
    found = [way for way in WAYS_TO_HAPPEN if way in inject]
    if len(found) != 1:
        text = (
            "exactly one of `when`, `step` and `at` says when it happens "
            f"(found: {', '.join(found) or 'none'})"
        )
        written.add(loc, text)


def _in_time(written: Written, loc: Loc, at: object, allowed: object) -> None:
    at_s, allowed_s = _seconds(at), _seconds(allowed)
    if at_s is not None and allowed_s is not None and at_s >= allowed_s:
        text = f"{show(at)!r} is not below `time-allowed`, {show(allowed)!r}"
        written.add(loc, text)


def _seconds(value: object) -> float | None:
    if isinstance(value, str):
        with contextlib.suppress(ValueError):  # the shapes tell it
            return parse_duration(value)
    return None


def _draw(written: Written, data: _Data) -> None:
    injects = data.get("injects", [])
    draw = _whole(data.get("draw"), 0, "draw" in data)
    if draw is None or not isinstance(injects, list):
        return
    # Entries of a wrong kind count as well: what they were meant to be is not known.
    free = sum(not isinstance(one, dict) or one.get("always") != "true" for one in injects)
    if draw > free:
        text = f"{draw} is more than the injects that are left to the draw, {free}"
        written.add(("draw",), text)


def _step(written: Written, loc: Loc, step: object, steps: Collection[str]) -> None:
    if isinstance(step, str) and step not in steps:
        guess = near_miss(step, steps)
        text = f"the profile has no step {show(step)!r}{'; ' + guess if guess else ''}"
        written.add(loc, text)
