"""The plan of kills that the tests with guests follow."""

from __future__ import annotations

from collections import Counter

import pytest
from tests.vm.kills import POINTS, TOTAL, choose_kills, plan_kills, read_wish


@pytest.mark.parametrize("seed", range(20))
def test_a_plan_covers_the_whole_life(seed: int) -> None:
    """A hundred kills, each point as often as it says, each soon after it is seen."""
    plan = plan_kills(seed)
    assert [kill.number for kill in plan] == list(range(1, TOTAL + 1))
    counted = Counter(kill.point.name for kill in plan)
    assert counted == {point.name: point.share for point in POINTS}
    for kill in plan:
        assert kill.point.after_s <= kill.wait_s <= kill.point.within_s


@pytest.mark.parametrize("seed", range(20))
def test_the_short_form_costs_two_minutes_and_meets_three_kinds(seed: int) -> None:
    """Nothing noted or a survey, a clone being made, a guest that runs: none that comes only
    after minutes."""
    first = [kill.point.name for kill in plan_kills(seed)[:3]]
    assert first[0] in ("start", "survey", "foretell")
    assert first[1:] == ["clone start", "boot"]


def test_a_seed_gives_one_plan_and_another_gives_another() -> None:
    assert plan_kills(7) == plan_kills(7)
    assert plan_kills(7) != plan_kills(8)


def test_pieces_of_a_plan_make_up_the_whole() -> None:
    """Fifteen minutes here, fifteen there: each kill of the plan once."""
    whole = plan_kills(7)
    pieces = ["1-20", "21-40", "41-60", "61-80", "81-100"]
    parts = [
        choose_kills({"FORERUN_TESTS_KILLS": piece, "FORERUN_TESTS_KILL_SEED": "7"})[1]
        for piece in pieces
    ]
    assert sum(parts, ()) == whole
    assert choose_kills({"FORERUN_TESTS_KILLS": "100", "FORERUN_TESTS_KILL_SEED": "7"}) == (
        7,
        whole,
    )
    assert choose_kills({"FORERUN_TESTS_KILL_SEED": "7"}) == (7, whole[:3])


@pytest.mark.parametrize("text", ["0", "101", "5-3", "0-4", "90-101", "x", "-", "3-x"])
def test_a_wish_that_cannot_be_is_refused(text: str) -> None:
    with pytest.raises(ValueError):
        read_wish(text)
