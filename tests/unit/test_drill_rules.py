"""The drawing of injects, the points, and when a drill is passed."""

from __future__ import annotations

from dataclasses import replace

import pytest

from forerun.drills.draw import draw_injects, list_drawn
from forerun.drills.scoring import conclude, count_points
from forerun.model.drill import (
    DrillFile,
    DrillRecord,
    DrillState,
    Hint,
    Inject,
    Judged,
    Moment,
    Objective,
    Passing,
    Standing,
)

OBJECTIVES = (
    Objective("whole", "No package is half way", "packages-whole", points=20,
              hints=(Hint("look", 5), Hint("dpkg --audit", 30))),
    Objective("noted", "It is noted", "decision-noted", critical=False, points=10),
)  # fmt: skip
INJECTS = (
    Inject("cut", "session-lost", "The line is cut", when=Moment.UNPACKING, always=True),
    *(Inject(f"other-{n}", "held-package", "Held", when=Moment.START) for n in range(6)),
)


def make_record(*standings: Standing, **parts: object) -> DrillRecord:
    drill = DrillFile("d", "A drill", "alone", "x", OBJECTIVES, INJECTS, 3600.0, 0.0, draw=2)
    record = DrillRecord(
        "drill-1", drill, "trainee-1", DrillState.RUNNING, "2026-01-31T22:00:00Z", "shelf01",
        "survey-1", "p", "0" * 64,
        judged=tuple(
            Judged(one.name, how, "seen")
            for one, how in zip(OBJECTIVES, standings, strict=False)
        ),
    )  # fmt: skip
    return replace(record, **parts)  # type: ignore[arg-type]


def test_one_seed_is_one_night() -> None:
    """The same for the same seed, in the file's order; what always happens is among them."""
    drill = make_record().drill
    assert draw_injects(drill, 7) == draw_injects(drill, 7)
    assert {len(draw_injects(drill, seed)) for seed in range(20)} == {3}
    assert all(draw_injects(drill, seed)[0] == "cut" for seed in range(20))
    assert len({draw_injects(drill, seed) for seed in range(20)}) > 5


def test_all_or_none_can_be_drawn() -> None:
    """-1 is all of them, 0 those that always happen."""
    drill = make_record().drill
    assert len(draw_injects(replace(drill, draw=-1), 1)) == 7
    assert draw_injects(replace(drill, draw=0), 1) == ("cut",)
    record = make_record(drawn=("other-2", "cut"))
    assert [one.name for one in list_drawn(record)] == ["cut", "other-2"]


@pytest.mark.parametrize(
    ("standings", "hints", "points"),
    [
        ((Standing.MET, Standing.MET), (), 30),
        ((Standing.MET, Standing.NOT_YET), (), 20),
        ((Standing.MET, Standing.LOST), (("whole", 1),), 15),
        ((Standing.MET, Standing.MET), (("whole", 2),), 10),
        ((Standing.NOT_YET, Standing.MET), (("whole", 1),), 10),
    ],
)
def test_points_are_of_what_is_met_less_its_hints(
    standings: tuple[Standing, ...], hints: tuple[tuple[str, int], ...], points: int
) -> None:
    """Never below nought for one objective; a hint for what is not met costs nothing more."""
    assert count_points(make_record(*standings, hints=hints)) == (points, 30)


def test_a_critical_objective_decides() -> None:
    """Whatever else was done well; the rule is said."""
    made = conclude(make_record(Standing.LOST, Standing.MET))
    assert not made.passed
    assert "No package is half way" in made.verdict


def test_enough_points_in_time_is_passed() -> None:
    """And too few, or too late where time counts, is not."""
    good = make_record(Standing.MET, Standing.MET, spent_s=4000.0)
    assert conclude(good).passed
    late = replace(good, drill=replace(good.drill, passing=Passing(0.5, within_time=True)))
    assert "over the time allowed" in conclude(late).verdict
    few = replace(
        make_record(Standing.MET, Standing.NOT_YET), drill=replace(good.drill, passing=Passing(0.9))
    )
    assert "20 of 30 points" in conclude(few).verdict and not conclude(few).passed
