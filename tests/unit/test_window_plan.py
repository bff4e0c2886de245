"""The night by the clock: times from the same draws, the latest moment to go back."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from tests.practice.night import make_night, make_step

from forerun.model.profile import Profile
from forerun.model.window import WindowPlan
from forerun.profiles import find_profile, load_profile
from forerun.stages.forecast import Foreseen, foresee
from forerun.stages.forecast_inputs import ForecastInputs, Priors, WayBack
from forerun.stages.window_plan import plan_window

BEGIN = datetime(2026, 12, 5, 22, 0, tzinfo=timezone(timedelta(hours=1)))
WAY = WayBack("hold point", "back to the hold point", "minimal-upgrade", (("return", 120.0),))


@pytest.fixture(scope="module")
def profile() -> Profile:
    return load_profile(find_profile("debian-12-to-13"))


def make_inputs(*, window_s: float = 5400.0, ways: tuple[WayBack, ...] = (WAY,)) -> ForecastInputs:
    night = make_night(
        make_step("readiness", 0.0, stage="prepare", compute=60.0),
        make_step("minimal-upgrade", 60.0, unpack=600.0),
        make_step("full-upgrade", 670.0, pause_s=10.0, unpack=1200.0),
        make_step("confirmation", 1870.0, stage="confirm", compute=120.0),
        outages=[("web", 700.0, 760.0)],
        priors=Priors(),
    )
    runs = (replace(night.newest, ways_back=ways),)
    return replace(night, runs=runs, window_s=window_s, firmware_s=(20.0, 21.0, 22.0))


def foresee_here(inputs: ForecastInputs) -> Foreseen:
    return foresee(inputs, draws=4000)


def plan(inputs: ForecastInputs, profile: Profile | None, begin: datetime = BEGIN) -> WindowPlan:
    seen = foresee_here(inputs)
    assert seen.draws is not None
    return plan_window(seen.told, seen.draws, profile, begin)


def read(text: str) -> datetime:
    return datetime.fromisoformat(text)


def test_steps_by_the_clock(profile: Profile) -> None:
    """Begins and ends go upwards, in the place's own offset; what precedes the window is not
    in it; hold points and the point of no return are the profile's."""
    made = plan(make_inputs(), profile)
    assert (made.begins, made.ends) == ("2026-12-05T22:00:00+01:00", "2026-12-05T23:30:00+01:00")
    assert [line.step for line in made.lines] == [
        "minimal-upgrade", "full-upgrade", "confirmation",
    ]  # fmt: skip
    for line in made.lines:
        assert read(line.begins_p50) <= read(line.begins_p95) <= read(line.ends_p95)
        assert read(line.ends_p50) <= read(line.ends_p95)
    assert made.no_return_step == "minimal-upgrade"
    assert made.no_return_p50 == made.begins
    assert made.lines[0].hold_point


def test_times_are_quantiles_of_sums_and_not_sums_of_quantiles(profile: Profile) -> None:
    """The end of the last step is the 95 % quantile of the draws' sums. With inputs of their
    own (people in one step, firmware in the other) it is earlier than the sum of both steps'
    95 % quantiles."""
    night = make_night(
        make_step("asks", 0.0, prompts=[(1.0, 1.0)], people=2.0),
        make_step("boots", 2.0, firmware_at=3.0, compute=1.0, firmware=4.0),
        priors=Priors(),
    )
    seen = foresee_here(night)
    assert seen.draws is not None
    made = plan_window(seen.told, seen.draws, profile, BEGIN)
    last = (read(made.lines[-1].ends_p95) - BEGIN).total_seconds()
    assert last == pytest.approx(float(np.quantile(seen.draws.window, 0.95)), abs=1)
    assert last < sum(step.takes.p95 for step in seen.told.steps) - 10


def test_the_latest_moment_to_go_back(profile: Profile) -> None:
    """The window's end less 95 % of the way back less 95 % of the verification, down to the
    minute; it moves with the window."""
    inputs = make_inputs()
    seen = foresee_here(inputs)
    assert seen.draws is not None
    made = plan(inputs, profile)
    wanted = 5400 - seen.told.back_outs[0].takes.p95 - float(np.quantile(seen.draws.verify, 0.95))
    by = (read(made.back_out_by) - BEGIN).total_seconds()
    assert by == wanted // 60 * 60
    assert made.back_out_way == "back to the hold point"
    later = plan(replace(inputs, window_s=7200.0), profile)
    assert read(later.back_out_by) - read(made.back_out_by) == timedelta(minutes=30)


def test_what_a_plan_lacks_is_said(profile: Profile) -> None:
    """No way back, no window, no profile, no time to go back: each in words, no time made up."""
    assert plan(make_inputs(ways=()), profile).back_out_by == ""
    assert any("No way back" in text for text in plan(make_inputs(ways=()), profile).objections)
    assert any("No window" in text for text in plan(make_inputs(window_s=0), profile).objections)
    assert any("profile was not found" in text for text in plan(make_inputs(), None).objections)
    short = plan(make_inputs(window_s=120.0), profile)
    assert any("no way back fits" in text for text in short.objections)
    tight = plan(make_inputs(window_s=1900.0), profile)
    assert any("the night can only go on" in text for text in tight.objections)


def test_a_night_of_changed_clocks_is_as_long_as_it_is(profile: Profile) -> None:
    """In Europe/Berlin the clocks go back at 03:00 on 2026-10-25: a window of two hours from
    01:30 ends at 02:30 by the new time."""
    begin = datetime(2026, 10, 25, 1, 30, tzinfo=ZoneInfo("Europe/Berlin"))
    made = plan(make_inputs(window_s=7200.0), profile, begin)
    assert (made.begins, made.ends) == ("2026-10-25T01:30:00+02:00", "2026-10-25T02:30:00+01:00")


def test_who_is_told_what_and_when(profile: Profile) -> None:
    """Users before, at the begin and at the end; the deciders at go, no return, back-out."""
    made = plan(make_inputs(), profile)
    by_name = {notice.name: notice for notice in made.notices}
    assert list(by_name) == [
        "notice", "drift", "go", "start", "no-return", "back-out", "check", "end",
    ]  # fmt: skip
    assert by_name["notice"].at == "2026-11-30T22:00:00+01:00"
    assert by_name["back-out"].at == made.back_out_by
    assert by_name["end"].at == made.ends
    assert "web" in by_name["notice"].what
    assert sorted(n.at for n in made.notices) == [
        n.at for n in sorted(made.notices, key=lambda n: n.at)
    ]
