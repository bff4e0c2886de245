"""The walk through a procedure: which step comes next, and when it ends."""

from __future__ import annotations

import pytest

from forerun.model.observation import Outcome, StepEnd, StepRecord
from forerun.model.profile import (
    Action,
    OnFailure,
    Profile,
    ReleaseMark,
    SourcePlan,
    Stage,
    Step,
    UnknownPrompt,
)
from forerun.stages.upgrade import WalkEnd, walk


def make_profile(*failures: OnFailure) -> Profile:
    """Steps a, b, c, ... with these rules for failure."""
    mark = ReleaseMark("debian", "1", "one")
    steps = tuple(
        Step(chr(97 + n), "", Stage.WINDOW, Action.COMMANDS, 60.0, on_failure=rule)
        for n, rule in enumerate(failures)
    )
    return Profile(
        "p", "", mark, mark, steps, (), (), SourcePlan((), "", ()), UnknownPrompt.STOP, 4.0, (), (),
        "", "",
    )  # fmt: skip


def drive(profile: Profile, ends: dict[str, StepEnd]) -> tuple[list[str], WalkEnd]:
    """The names of the steps yielded, each ended as told (done if not), and the end."""
    names: list[str] = []
    steps = walk(profile)
    step = next(steps)
    while True:
        names.append(step.name)
        end = ends.get(step.name, StepEnd.DONE)
        record = StepRecord(step.name, "", "window", "commands", 0, 1, 0, 0, end, 0, "said")
        try:
            step = steps.send(record)
        except StopIteration as stop:
            return names, stop.value


STOP, GO_ON = OnFailure.STOP, OnFailure.GO_ON


def test_every_step_in_its_order() -> None:
    """All well: completed."""
    names, end = drive(make_profile(STOP, STOP, STOP), {"b": StepEnd.SKIPPED})
    assert names == ["a", "b", "c"]
    assert end == WalkEnd(Outcome.COMPLETED, "every step ended as expected")


@pytest.mark.parametrize("bad", [StepEnd.FAILED, StepEnd.OVERRAN, StepEnd.UNREACHABLE])
def test_a_bad_step_ends_the_procedure(bad: StepEnd) -> None:
    """Failed, with the step, how it ended and its message; nothing runs after it."""
    names, end = drive(make_profile(STOP, STOP, STOP), {"b": bad})
    assert names == ["a", "b"]
    assert end == WalkEnd(Outcome.FAILED, f"b {bad.value}: said")


@pytest.mark.parametrize("bad", [StepEnd.FAILED, StepEnd.OVERRAN])
def test_go_on_goes_on(bad: StepEnd) -> None:
    """Completed, and the reason names the steps that failed and may."""
    names, end = drive(make_profile(STOP, GO_ON, GO_ON, STOP), {"b": bad, "c": bad})
    assert names == ["a", "b", "c", "d"]
    assert end.outcome is Outcome.COMPLETED
    assert end.why.endswith("b, c")


def test_an_unreachable_clone_ends_even_a_go_on_step() -> None:
    """There is nothing to go on with."""
    names, end = drive(make_profile(STOP, GO_ON, STOP), {"b": StepEnd.UNREACHABLE})
    assert names == ["a", "b"]
    assert end.outcome is Outcome.FAILED


@pytest.mark.parametrize("rule", [STOP, GO_ON])
def test_a_stopped_step_abandons(rule: OnFailure) -> None:
    """A person or a policy has the last word, also over go-on."""
    names, end = drive(make_profile(rule, STOP), {"a": StepEnd.STOPPED})
    assert names == ["a"]
    assert end == WalkEnd(Outcome.ABANDONED, "a: said")


def test_a_tolerated_failure_does_not_hide_a_later_one() -> None:
    """Failed is failed."""
    _, end = drive(make_profile(GO_ON, STOP), {"a": StepEnd.FAILED, "b": StepEnd.FAILED})
    assert (end.outcome, end.why) == (Outcome.FAILED, "b failed: said")
