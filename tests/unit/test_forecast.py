"""The engine: what must hold of any forecast, whatever the figures are."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.practice.night import (
    ALL_WORK,
    NO_SPREAD,
    make_night,
    make_reading,
    make_step,
    with_runs,
)

from forerun.model.estimate import Basis, Forecast, Quantiles
from forerun.model.speed import Speed, SpeedReading, Work
from forerun.model.trial import FaultTried
from forerun.stages.forecast import foresee
from forerun.stages.forecast_inputs import (
    Declared,
    ForecastInputs,
    OutageInput,
    Priors,
    Span,
    Watched,
    WayBack,
)
from forerun.stages.forecast_laws import ThreePoint
from forerun.stages.what_if import apply_wishes

FEW = 2000


def tell(inputs: ForecastInputs, draws: int = FEW) -> Forecast:
    told = foresee(inputs, draws=draws).told
    assert not told.refused
    return told


def window_of(inputs: ForecastInputs, draws: int = FEW) -> Quantiles:
    window = tell(inputs, draws).window
    assert window is not None
    return window


# A night of every part: 30 s fetching, 40 + 20 + 10 + 5 s of work, 7 s fixed, a question of
# 8 s, and a restart of 3 + 12 + 25 s.
UPGRADE = make_step(
    "upgrade",
    100.0,
    prompts=[(190.0, 8.0)],
    download=30.0,
    download_bytes=60e6,
    compute=40.0,
    unpack=20.0,
    sync=10.0,
    write=5.0,
    fixed=7.0,
    people=8.0,
)
REBOOT = make_step("reboot", 225.0, firmware_at=228.0, pause_s=5.0, compute=28.0, firmware=12.0)
OUTAGES = (("web", 150.0, 160.0), ("web", 226.0, 260.0), ("files", 155.0, 170.0))
SAID = Declared(
    link_bits_per_s=16e6,
    firmware=ThreePoint(12.0, 12.0, 12.0),
    reaction=ThreePoint(8.0, 8.0, 8.0),
)


def make_whole() -> ForecastInputs:
    night = make_night(UPGRADE, REBOOT, outages=OUTAGES)
    return replace(night, declared=SAID, watched=(Watched("web", 60.0), Watched("files")))


def test_like_machines_without_spread_give_what_was_measured() -> None:
    """Ratio 1, no spread: every figure is the rehearsed one to 1e-9: the window with the
    pause in it, each step, each outage, their union."""
    told = tell(make_whole())
    measured = 120.0 + 5.0 + 40.0
    assert told.window is not None
    assert told.window.p50 == pytest.approx(measured, rel=1e-9)
    assert told.window.p95 == pytest.approx(measured, rel=1e-9)
    assert [step.takes.p95 for step in told.steps] == pytest.approx([120.0, 40.0], rel=1e-9)
    by_name = {one.service: one for one in told.services}
    assert by_name["web"].total.p50 == pytest.approx(44.0, rel=1e-9)
    assert by_name["web"].longest.p95 == pytest.approx(34.0, rel=1e-9)
    assert by_name["files"].total.p50 == pytest.approx(15.0, rel=1e-9)
    assert told.outage is not None
    assert told.outage.p50 == pytest.approx(20.0 + 34.0, rel=1e-9)
    assert by_name["web"].within == 1.0
    assert by_name["files"].within is None


def test_a_steps_parts_add_up_to_its_middle() -> None:
    """What a step is mostly spent on are parts of its own length."""
    told = tell(make_whole())
    for step in told.steps:
        assert sum(seconds for _, seconds in step.parts) == pytest.approx(step.takes.p50)


@pytest.mark.parametrize("times", [0.5, 2.0, 20.0])
def test_all_ratios_times_a_factor_are_the_work_times_it(times: float) -> None:
    """Production twice as slow in every kind of work: the work takes twice as long, while
    fetching, firmware, people and fixed waits stay."""
    slow = replace(make_whole(), production=(make_reading([times]),))
    work, rest = 75.0 + 28.0, 30.0 + 7.0 + 8.0 + 12.0 + 5.0
    assert window_of(slow).p50 == pytest.approx(work * times + rest, rel=1e-9)


@pytest.mark.parametrize("work", ALL_WORK)
def test_each_part_is_carried_over_by_its_own_kind_of_work(work: Work) -> None:
    """Only the part that a kind of work stands for grows with it."""
    kinds = {
        Work.SPAWN: "spawn", Work.COMPUTE: "compute", Work.UNPACK: "unpack",
        Work.SYNC: "sync", Work.WRITE: "write",
    }  # fmt: skip
    parts: dict[str, Any] = dict.fromkeys(kinds.values(), 10.0)
    step = make_step("upgrade", 0.0, **parts)
    speeds = tuple(Speed(one, "unit", (3.0 if one is work else 1.0,)) for one in ALL_WORK)
    inputs = make_night(step, production=SpeedReading("2026-01-31T22:00:00Z", speeds, 1.0))
    assert window_of(inputs).p50 == pytest.approx(50.0 + 20.0, rel=1e-9)


@pytest.mark.parametrize(
    ("seconds_a_byte", "slower", "wanted"),
    [(0.0, 1.0, 100.0), (0.1, 1.0, 100.0), (1.0, 1.0, 130.0), (1.0, 2.0, 210.0), (0.1, 2.0, 200.0)],
)
def test_fetching_and_what_is_done_with_it_run_side_by_side(
    seconds_a_byte: float, slower: float, wanted: float
) -> None:
    """Of 100 s of computing 20 ran while 50 bytes came in: whichever of the two takes longer
    is waited for, and the other 80 are work as before."""
    step = replace(
        make_step("upgrade", 0.0, compute=100.0, download=0.0, download_bytes=50.0), handling_s=20.0
    )
    night = make_night(step, production=make_reading([slower], link=[seconds_a_byte * 1e6 or 1e-9]))
    assert window_of(night).p50 == pytest.approx(wanted, rel=1e-6)
    moved, _ = apply_wishes(night, ["download-first"])
    assert window_of(moved).p50 == pytest.approx(80.0 * slower, rel=1e-9)


@pytest.mark.parametrize(("theirs", "wanted"), [(0.01, 140.0), (0.002, 100.0), (0.001, 100.0)])
def test_reads_of_a_slower_disk_are_waited_for(theirs: float, wanted: float) -> None:
    """5,000 reads that the clone's disk answered in 2 ms and its processor never waited for:
    8 ms more each on production are waited for; a disk no slower takes nothing off."""

    def read(seconds: float) -> SpeedReading:
        rows = (Speed(Work.COMPUTE, "round", (1.0,)), Speed(Work.READ, "read", (seconds,), "/"))
        return SpeedReading("2026-01-31T22:00:00Z", rows, 1.0)

    step = replace(make_step("reboot", 0.0, compute=100.0), reads=5000)
    night = make_night(step, production=read(theirs), clone=read(0.002))
    assert window_of(night).p50 == pytest.approx(wanted, rel=1e-9)
    assert window_of(replace(night, production=(make_reading([1.0]),))).p50 == pytest.approx(100.0)


@pytest.mark.parametrize(
    ("theirs", "waited", "wanted"),
    [
        # 500 writes of two flushes each, 40 ms longer each.
        (0.042, 0.2, 100.0 + 0.2 + 20.0),
        # The clone waited for its own 2 ms: both ways say the same.
        (0.042, 1.0, 100.0 + 21.0),
        # It waited for more than flushes: by the ratio.
        (0.042, 2.0, 100.0 + 42.0),
        # A disk that is quicker: by the ratio.
        (0.001, 1.0, 100.0 + 0.5),
    ],
)
def test_flushes_of_a_slower_disk_are_waited_for(
    theirs: float, waited: float, wanted: float
) -> None:
    """1,000 flushes, of which the clone, whose disk takes 2 ms for a synchronous write, waited
    for hardly any: its emulated processor had work meanwhile. By hand."""

    def read(seconds: float) -> SpeedReading:
        rows = (Speed(Work.COMPUTE, "", (1.0,)), Speed(Work.SYNC, "", (seconds,), "/"))
        return SpeedReading("2026-01-31T22:00:00Z", rows, 1.0)

    step = replace(make_step("upgrade", 0.0, compute=100.0, sync=waited), flushes=1000)
    night = make_night(step, production=read(theirs), clone=read(0.002))
    assert window_of(night).p50 == pytest.approx(wanted, rel=1e-9)


@pytest.mark.parametrize(
    ("others", "goes_on", "cpus", "times"),
    [
        # Alone the server is half as fast again as the timing says, which had 2/3 of it.
        (1 / 3, 1.0, 1, 1.0),
        (1 / 3, 0.5, 1, 0.8),
        (1 / 3, 0.0, 1, 2 / 3),
        # The upgrade shares evenly with what would take all.
        (1.0, 1.0, 1, 4 / 3),
        # A processor is free all the same.
        (1.0, 1.0, 2, 2 / 3),
        # What ran otherwise is not known: the timing is taken as it is.
        (-1.0, 1.0, 1, 1.0),
    ],
)
def test_other_work_on_production_counts_as_much_as_goes_on(
    others: float, goes_on: float, cpus: int, times: float
) -> None:
    """Timed at the lowest priority beside other work, which left two thirds of a processor.
    By hand: 100 s of computing at the timed pace are 66.7 s alone, of which other work in the
    night takes its share; fetching does not change."""
    step = make_step("upgrade", 0.0, compute=100.0, download=10.0, download_bytes=10.0)
    busy = replace(make_reading([1.0], link=[1e6]), granted=2 / 3, others=others)
    night = replace(make_night(step, production=busy), cpus=cpus)
    told, _ = apply_wishes(night, [f"other-work={goes_on}"])
    assert window_of(told).p50 == pytest.approx(100.0 * times + 10.0, rel=1e-6)


def test_how_much_other_work_goes_on_is_told_as_not_known() -> None:
    """It is an input of its own, with an objection, and the middle is half of it."""
    busy = replace(make_reading([1.0]), granted=0.6, others=0.4)
    night = make_night(make_step("upgrade", 0.0, compute=100.0), production=busy)
    night = replace(night, cpus=1, priors=replace(NO_SPREAD, other_work=ThreePoint(0, 0.5, 1)))
    told = tell(night)
    assert told.window is not None
    assert told.window.p50 == pytest.approx(100 * 0.6 / 0.8, rel=0.01)
    assert told.window.p95 > told.window.p50 * 1.1
    (about,) = [one for one in told.assumptions if "other work" in one.name]
    assert "--if other-work" in about.objection
    assert about.low < about.value < about.high


def test_kinds_of_computing_count_by_their_mean() -> None:
    """One kind says twice as slow, one half, one alike: on the whole alike (geometric mean).
    What only one side has timed does not count."""

    def read(*seconds: float) -> SpeedReading:
        subjects = ("", "sort", "sha256", "other")
        timed = zip(subjects, seconds, strict=False)
        rows = tuple(Speed(Work.COMPUTE, "round", (own,), subject) for subject, own in timed)
        return SpeedReading("2026-01-31T22:00:00Z", rows, 1.0)

    step = make_step("upgrade", 0.0, compute=100.0)
    night = make_night(step, production=read(2.0, 0.5, 3.0), clone=read(1.0, 1.0, 3.0, 9.0))
    assert window_of(night).p50 == pytest.approx(100.0, rel=1e-9)


def test_a_kind_that_ran_out_on_some_occasions_does_not_tilt_the_ratio() -> None:
    """Both machines are alike; on some occasions one kind of computing, whose rounds are a
    hundred times longer than another's, was not timed."""

    def read(**seconds: float) -> SpeedReading:
        rows = tuple(Speed(Work.COMPUTE, "round", (own,), kind) for kind, own in seconds.items())
        return SpeedReading("2026-01-31T22:00:00Z", rows, 1.0)

    whole, short, other = read(a=1.0, b=0.1, c=0.01), read(a=1.0, b=0.1), read(b=0.1, c=0.01)
    step = make_step("upgrade", 0.0, compute=100.0)
    for clone in ([short, other], [short, whole], [other, other, whole]):
        night = make_night(step, production=[whole, whole], clone=clone)
        assert window_of(night).p50 == pytest.approx(100.0, rel=1e-9)


@pytest.mark.parametrize(
    ("ours", "theirs", "times"), [(1, 2, 0.75), (2, 1, 1.5), (2, 8, 0.625), (2, 2, 1), (0, 4, 1)]
)
def test_a_start_has_more_of_more_processors(ours: int, theirs: int, times: float) -> None:
    """Half of its work side by side (Amdahl 1967, AFIPS spring joint computer conference): the
    restart's, not the upgrade's, and not the firmware's."""
    upgrade = make_step("upgrade", 0.0, compute=100.0)
    restart = replace(make_step("reboot", 100.0, compute=40.0, fixed=3.0, sync=5.0), restart=True)
    night = make_night(upgrade, restart)
    night = replace(night, runs=(replace(night.newest, cpus=ours),), cpus=theirs)
    assert window_of(night).p50 == pytest.approx(108.0 + 40.0 * times, rel=1e-9)
    told = [one.name for one in tell(night).assumptions]
    assert any("work side by side on" in name for name in told) is (times != 1)


@pytest.mark.parametrize(("crowded", "times"), [(0.0, 1.0), (0.6, 0.85), (1.0, 0.75)])
def test_what_waited_for_a_processor_may_run_beside(crowded: float, times: float) -> None:
    """On two for the clone's one, half of the time in which something waited is won (Amdahl
    1967): of the step's computing, and of nothing else of it."""
    step = make_step("upgrade", 0.0, compute=100.0, sync=7.0, fixed=3.0)
    night = make_night(replace(step, crowded=crowded))
    wider = replace(night, runs=(replace(night.newest, cpus=1),), cpus=2)
    assert window_of(wider).p50 == pytest.approx(10.0 + 100.0 * times, rel=1e-9)
    assert window_of(night).p50 == pytest.approx(110.0, rel=1e-9)


def test_what_is_not_explained_goes_with_computing_and_is_objected_to() -> None:
    """More than a tenth of the window not explained: carried over as computing, and said."""
    step = make_step("upgrade", 0.0, compute=85.0, unexplained=15.0)
    told = tell(make_night(step, production=make_reading([2.0])))
    assert told.window is not None
    assert told.window.p50 == pytest.approx(200.0, rel=1e-9)
    assert any("15% of the window" in text for text in told.objections)
    fine = tell(make_night(make_step("upgrade", 0.0, compute=95.0, unexplained=5.0)))
    assert not any("not explained" in text for text in fine.objections)


def test_an_outage_grows_with_what_it_lies_in() -> None:
    """Firmware of four minutes in production: the outage around it is 228 s longer, no more
    and no less, though the step grew to nearly seven times its length."""
    slow = replace(make_whole(), declared=replace(SAID, firmware=ThreePoint(240, 240, 240)))
    told = tell(slow)
    by_name = {one.service: one for one in told.services}
    assert by_name["web"].total.p50 == pytest.approx(44.0 + 228.0, rel=1e-9)
    assert by_name["files"].total.p50 == pytest.approx(15.0, rel=1e-9)


def test_a_faster_line_shortens_no_outage_that_lies_in_unpacking() -> None:
    """The download's length is not the outage's."""
    fast = replace(make_whole(), declared=replace(SAID, link_bits_per_s=1e9))
    before, after = tell(make_whole()), tell(fast)
    assert before.outage is not None
    assert after.outage is not None
    assert after.outage.p50 == pytest.approx(before.outage.p50, rel=1e-9)
    assert after.steps[0].takes.p50 < before.steps[0].takes.p50 - 25


def test_a_shared_factor_is_drawn_once_for_all_steps() -> None:
    """Ten equal steps under one uncertain ratio: the whole's spread in logarithms is one
    step's. Drawn anew for each it would be a third of it."""
    steps = [make_step(f"s{n}", 10.0 * n, compute=10.0) for n in range(10)]
    inputs = make_night(*steps, priors=replace(NO_SPREAD, carry_times=1.5))
    told = tell(inputs, 20_000)
    assert told.window is not None
    one = told.steps[0].takes
    assert told.window.p95 / told.window.p50 == pytest.approx(one.p95 / one.p50, rel=1e-9)
    assert one.p95 / one.p50 == pytest.approx(1.5 ** (1.644854 / 1.281552), rel=0.03)
    rng = np.random.default_rng(1)
    apart = np.exp(rng.normal(0, np.log(1.5) / 1.281552, (20_000, 10))).sum(axis=1)
    assert np.quantile(apart, 0.95) / np.median(apart) < told.window.p95 / told.window.p50 - 0.3


def test_the_same_seed_gives_the_same_night() -> None:
    """Every figure again; another seed draws others."""
    inputs = replace(make_whole(), priors=Priors(), declared=Declared())
    assert foresee(inputs, draws=FEW).told == foresee(inputs, draws=FEW).told
    other = foresee(inputs, draws=FEW, seed=2).told
    assert other.window != foresee(inputs, draws=FEW).told.window


def test_an_input_draws_the_same_whatever_others_there_are() -> None:
    """Declaring the firmware leaves the draws of all else as they were."""
    inputs = replace(make_whole(), priors=Priors(), declared=Declared())
    said = replace(inputs, declared=Declared(firmware=ThreePoint(1, 2, 3)))
    before, after = foresee(inputs, draws=FEW).draws, foresee(said, draws=FEW).draws
    assert before is not None
    assert after is not None
    for one, two in zip(before.lengths[0].values(), after.lengths[0].values(), strict=True):
        assert np.array_equal(one, two)


@given(
    compute=st.floats(0.1, 1e4),
    sync=st.floats(0.0, 1e4),
    fetched=st.floats(0, 1e9),
    ratio=st.floats(0.01, 100),
)
def test_quantiles_go_upwards(compute: float, sync: float, fetched: float, ratio: float) -> None:
    """P20 <= P50 <= P80 <= P95 in every figure, shares add up to 1, the histogram to all."""
    step = make_step(
        "upgrade", 0.0, compute=compute, sync=sync, download=5.0, download_bytes=fetched
    )
    inputs = make_night(
        step, outages=[("web", 0.0, 5.0 + compute / 2)], priors=Priors(),
        production=make_reading([ratio, ratio * 1.1]),
    )  # fmt: skip
    told = tell(inputs, 500)
    figures = [told.window, told.outage, *(one.takes for one in told.steps)]
    figures += [one for service in told.services for one in (service.total, service.longest)]
    for takes in figures:
        assert takes is not None
        assert 0 <= takes.p20 <= takes.p50 <= takes.p80 <= takes.p95
    assert sum(one.share for one in told.contributors) == pytest.approx(1.0, abs=0.03)
    assert told.histogram is not None
    assert sum(told.histogram.counts) == 500


def test_several_runs_have_their_geometric_mean_and_a_spread_of_their_own() -> None:
    """Runs of 100, 121 and 110 s: the middle is 110 s, and few runs reach far out by
    student's t: 2.920 * sqrt(4/3) deviations at 95 %."""
    step = make_step("upgrade", 0.0, compute=100.0)
    told = tell(with_runs(make_night(step), 1.0, 1.21, 1.1), 200_000)
    assert told.window is not None
    assert told.window.p50 == pytest.approx(110.0, rel=0.002)
    sd = np.std(np.log([100.0, 121.0, 110.0]), ddof=1)
    assert told.window.p95 == pytest.approx(110 * np.exp(2.920 * np.sqrt(4 / 3) * sd), rel=0.01)
    night = next(one for one in told.assumptions if one.name.startswith("one night"))
    assert night.basis is Basis.MEASURED
    assert any("1 in 4" in text for text in told.objections)


def test_two_runs_reach_as_far_as_two_runs_must() -> None:
    """Student's t of one degree of freedom: 6.314 * sqrt(1.5) deviations at 95 % (printed
    tables), and no draw beyond a factor of a thousand."""
    night = with_runs(make_night(make_step("upgrade", 0.0, compute=100.0)), 1.0, 1.1)
    seen = foresee(night, draws=200_000)
    assert seen.draws is not None
    assert seen.told.window is not None
    sd = np.log(1.1) / np.sqrt(2)
    wanted = 100 * np.sqrt(1.1) * np.exp(6.314 * np.sqrt(1.5) * sd)
    assert seen.told.window.p95 == pytest.approx(wanted, rel=0.02)
    assert seen.draws.window.max() <= 100 * np.sqrt(1.1) * 1000 * (1 + 1e-9)


def test_one_lucky_steady_step_is_not_believed() -> None:
    """A step that took the same in both runs has no less spread than the others together."""
    first = make_step("steady", 0.0, compute=100.0)
    second = make_step("lively", 100.0, compute=100.0)
    night = make_night(first, second)
    twice = with_runs(night, 1.0, 1.0)
    runs = list(twice.runs)
    longer = replace(second, parts=(replace(second.parts[0], seconds=120.0),))
    runs[0] = replace(runs[0], steps=(first, longer))
    told = tell(replace(twice, runs=tuple(runs)))
    spreads = [one.takes.p95 / one.takes.p50 for one in told.steps]
    assert spreads[0] == pytest.approx(spreads[1], rel=1e-9)
    assert spreads[0] > 1.3


def test_one_run_has_a_named_prior_instead_of_a_spread() -> None:
    """No interval at one run without saying that its spread is assumed."""
    told = tell(make_night(make_step("upgrade", 0.0, compute=100.0), priors=Priors()))
    night = next(one for one in told.assumptions if one.name.startswith("one night"))
    assert night.basis is Basis.ASSUMED
    assert "stated by forerun" in night.source
    assert told.objections[0].startswith("One rehearsal only")


def test_courses_of_outages_differ_from_night_to_night() -> None:
    """A service that was away in one of two runs: half of the nights have it."""
    night = with_runs(make_night(make_step("upgrade", 0.0, compute=100.0)), 1.0, 1.0)
    away = replace(night.runs[0], outages=(OutageInput("web", Span(10, 40), ended=True),))
    told = tell(replace(night, runs=(away, night.runs[1])), 10_000)
    assert told.outage is not None
    assert told.outage.p20 == 0
    assert told.outage.p80 == pytest.approx(30.0)


def test_what_never_came_back_is_inside_no_limit() -> None:
    """An outage without an end is no outage's length."""
    night = make_night(make_step("upgrade", 0.0, compute=100.0))
    gone = replace(night.newest, outages=(OutageInput("ssh", Span(90, 100), ended=False),))
    told = tell(replace(night, runs=(gone,), watched=(Watched("ssh", 600.0),)))
    assert not told.services[0].returns
    assert told.services[0].within == 0.0
    other = replace(gone, id="run-2", outages=(OutageInput("ssh", Span(90, 100), ended=True),))
    both = tell(replace(night, runs=(gone, other), watched=(Watched("ssh", 600.0),)))
    assert not both.services[0].returns
    assert both.services[0].within == pytest.approx(0.5, abs=0.05)


def test_an_emulated_processor_without_timed_work_is_refused() -> None:
    """A factor of twenty that nobody measured is no forecast; storage alone does not help."""
    night = replace(make_night(UPGRADE), emulated=True)
    assert not foresee(night, draws=FEW).told.refused
    for blind in ((), (make_reading([1.0], [Work.SYNC, Work.WRITE]),)):
        told = foresee(replace(night, production=blind), draws=FEW).told
        assert "survey --calibrate" in told.refused
        assert told.window is None
    assert not foresee(replace(night, emulated=False, production=()), draws=FEW).told.refused


def test_without_timed_work_the_assumption_is_said() -> None:
    """Hardware virtualisation, nothing timed: as fast within a stated factor, objected to."""
    told = tell(replace(make_night(UPGRADE, priors=Priors()), production=()))
    rows = {one.name: one for one in told.assumptions}
    row = next(value for name, value in rows.items() if name.startswith("processor"))
    assert row.basis is Basis.ASSUMED
    assert (row.low, row.high) == pytest.approx((1 / 1.5, 1.5), rel=0.05)
    assert any("survey --calibrate" in text for text in told.objections)


def test_every_input_says_what_it_rests_on() -> None:
    """No unlabelled number: each has a source, low <= value <= high, and is used."""
    told = tell(replace(make_whole(), priors=Priors(), declared=Declared()))
    assert len({one.name for one in told.assumptions}) == len(told.assumptions)
    for one in told.assumptions:
        assert one.source
        assert one.low <= one.value <= one.high
    assert any(one.name.startswith("production's line") for one in told.assumptions)


def test_firmware_is_productions_own_where_its_boots_tell() -> None:
    """Four boots of 60 to 70 s: measured in history, near their middle."""
    night = replace(make_night(REBOOT), firmware_s=(60.0, 70.0, 66.0, 64.0), priors=Priors())
    row = next(one for one in tell(night).assumptions if one.name.startswith("firmware"))
    assert row.basis is Basis.HISTORY
    assert row.value == pytest.approx(64.9, abs=0.1)
    assert row.high < 80


def test_two_restarts_on_record_make_no_night_of_hours() -> None:
    """Two alone have one degree of freedom: a spread of theirs alone reached half an hour for
    a firmware that was seen to take 2 and 6 s. What is assumed of it is told."""
    night = replace(make_night(REBOOT), firmware_s=(1.6, 5.6), priors=Priors())
    told = tell(night)
    row = next(one for one in told.assumptions if one.name.startswith("firmware"))
    assert row.value == pytest.approx(math.sqrt(1.6 * 5.6))
    assert 5.0 < row.high < 8.0
    assert any("few starts on record" in one for one in told.objections)


def test_fitting_and_fitting_with_the_way_back() -> None:
    """Both chances go up with the window; the second asks for the way back's 95 % and the
    verification, too, and is never the larger."""
    confirm = make_step("confirm", 500.0, stage="confirm", compute=60.0)
    night = make_night(make_step("upgrade", 0.0, compute=500.0), confirm, priors=Priors())
    way = WayBack("hold point", "back to the hold point", "upgrade", (("return", 100.0),))
    night = replace(night, runs=(replace(night.newest, ways_back=(way,)),), firmware_s=(5.0, 5.1))
    chances = []
    for window_s in (300.0, 600.0, 900.0, 2000.0):
        told = tell(replace(night, window_s=window_s))
        assert told.fits is not None
        assert told.fits_with_back_out is not None
        assert told.fits_with_back_out <= told.fits
        chances.append((told.fits, told.fits_with_back_out))
    assert chances == sorted(chances)
    assert chances[0][0] < 0.2
    assert chances[-1] > (0.99, 0.99)
    told = tell(replace(night, window_s=900.0))
    drawn = foresee(replace(night, window_s=900.0), draws=FEW).draws
    assert drawn is not None
    room = 900.0 - told.back_outs[0].takes.p95
    assert told.fits_with_back_out == float(np.mean(drawn.window + drawn.verify <= room))
    assert tell(night).fits is None


def test_contributors_name_what_the_spread_comes_from() -> None:
    """A wide firmware guess beside a steady processor: it leads, its sign is +, and its
    seconds are those between its own tenth and ninetieth part."""
    declared = Declared(firmware=ThreePoint(30, 120, 600), reaction=ThreePoint(5, 6, 7))
    told = tell(replace(make_night(UPGRADE, REBOOT), declared=declared), 20_000)
    leading = told.contributors[0]
    assert leading.name == "firmware and boot loader"
    assert leading.share > 0.9
    assert leading.sign == 1
    row = next(one for one in told.assumptions if one.name == leading.name)
    assert leading.seconds == pytest.approx(row.high - row.low, rel=1e-6)


def test_what_widened_means() -> None:
    """Spreads twice as wide: twice the distance of the logarithms from the middle."""
    inputs = make_night(
        make_step("upgrade", 0.0, compute=100.0), priors=replace(NO_SPREAD, carry_times=1.2)
    )
    once, twice = window_of(inputs), window_of(replace(inputs, widened=2.0))
    assert np.log(twice.p95 / twice.p50) == pytest.approx(2 * np.log(once.p95 / once.p50))


def test_odds_and_what_a_fault_would_cost() -> None:
    """None of three runs failed: 1 in 5, at most 63 % (1 - 0.05^(1/3)). A fault that was let
    happen and mended makes the window as much longer as its mending took."""
    night = with_runs(make_night(make_step("upgrade", 0.0, compute=100.0)), 1.0, 1.0, 1.0)
    fault = FaultTried(
        "power-cut-unpack", "the power goes", "upgrade", "m", "failed", (), "yes", "yes", (),
        "repair", recovered=True, recovery_s=50.0, wall_s=80.0, rule="r",
    )  # fmt: skip
    runs = (*night.runs[:2], replace(night.runs[2], faults=(fault,)))
    told = tell(replace(night, runs=runs, window_s=120.0))
    failing, cut = told.hazards
    assert (failing.seen, failing.of, failing.chance) == (0, 3, 0.2)
    assert failing.upper == pytest.approx(0.6316, abs=1e-4)
    assert cut.window is not None
    assert cut.window.p50 == pytest.approx(150.0)
    assert (told.fits, cut.fits) == (1.0, 0.0)
    assert tell(replace(night, failed=1)).hazards[0].chance == pytest.approx(2 / 6)


def test_nothing_to_forecast_is_said() -> None:
    """No window's step: refused, with the reason."""
    told = foresee(make_night(make_step("check", 0.0, stage="prepare", compute=1.0))).told
    assert "no window" in told.refused
