"""What-ifs: how they are read, and that they are changes of inputs and nothing else."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.practice.night import make_night, make_reading, make_step

from forerun.errors import UsageError
from forerun.model.estimate import WISH_FORMS, Forecast
from forerun.model.rates import parse_rate
from forerun.stages.forecast import foresee
from forerun.stages.forecast_inputs import ForecastInputs, Priors, RunInput, Span, StepInput
from forerun.stages.what_if import (
    READERS,
    apply_wishes,
    parse_guess,
    parse_times,
)

FEW = 2000
PREPARE = make_step("prepare", 0.0, stage="prepare", compute=5.0)
MINIMAL = make_step("minimal", 5.0, download=10.0, download_bytes=20e6, unpack=30.0)
FULL = make_step("full", 45.0, download=20.0, download_bytes=50e6, unpack=60.0, sync=10.0)
REBOOT = make_step("reboot", 135.0, firmware_at=138.0, compute=20.0, firmware=4.0)
# Both lie in work: in unpacking, and around the firmware.
OUTAGES = (("web", 70.0, 80.0), ("web", 136.0, 150.0))


def make_inputs() -> ForecastInputs:
    inputs = make_night(PREPARE, MINIMAL, FULL, REBOOT, outages=OUTAGES, priors=Priors())
    return replace(inputs, production=(make_reading([1.0, 1.1, 0.9], link=[0.4, 0.5, 0.45]),))


def tell(inputs: ForecastInputs, *wishes: str) -> Forecast:
    changed, told = apply_wishes(inputs, wishes)
    return foresee(changed, wishes=told, draws=FEW).told


@pytest.mark.parametrize(
    ("text", "bits"),
    [
        ("20Mbit/s", 20e6),
        ("20 Mbit/s", 20e6),
        ("1.5Gbit/s", 1.5e9),
        ("64kbit/s", 64e3),
        ("2.5MB/s", 20e6),
        ("1MiB/s", 8 * 1024**2),
        ("1Kibit/s", 1024.0),
        ("100000bit/s", 1e5),
    ],
)
def test_rates(text: str, bits: float) -> None:
    """Bits and bytes, powers of 1000 and of 1024 (IEC 80000-13)."""
    assert parse_rate(text) == bits


@pytest.mark.parametrize(
    ("text", "hint"),
    [
        ("20", "20bit/s"),
        ("20M", "20Mbit/s for bits or 20MB/s for bytes"),
        ("20Mbps", "20Mbit/s for bits or 20MB/s for bytes"),
        ("20MBps", None),
        ("20mb/s", "20Mbit/s"),
        ("20Kbit/s", None),
        ("20kiB/s", None),
        ("-5Mbit/s", None),
        ("0Mbit/s", None),
        ("1e9bit/s", None),
        ("nanbit/s", None),
        ("", None),
        ("5bit/s", "unit"),
        ("20Mbit/s\n; rm", None),
    ],
)
def test_a_rate_without_a_clear_unit_is_refused(text: str, hint: str | None) -> None:
    """One that could be read in two ways is read in none, and the two are named."""
    with pytest.raises(UsageError) as caught:
        parse_rate(text)
    assert caught.value.found
    assert hint is None or hint in caught.value.hint


@given(st.integers(1, 999), st.sampled_from(["k", "M", "G", "Ki", "Mi", "Gi"]))
def test_a_byte_is_eight_bits_in_every_prefix(number: int, prefix: str) -> None:
    """The same number in B/s is eight times that in bit/s."""
    bits = parse_rate(f"{number}{prefix}bit/s")
    assert parse_rate(f"{number}{prefix}B/s") == pytest.approx(8 * bits, rel=1e-12)


@given(st.text(max_size=12))
def test_any_text_is_read_or_refused(text: str) -> None:
    """No text breaks a reader: it gives a sound value or a UsageError."""
    for parse, sound in (
        (parse_rate, lambda bits: 1e3 <= bits <= 1e13),
        (parse_times, lambda times: 1e-3 <= times <= 1e3),
        (parse_guess, lambda guess: 0 <= guess.least <= guess.likely <= guess.most),
    ):
        try:
            assert sound(parse(text))  # type: ignore[no-untyped-call]
        except UsageError as problem:
            assert problem.what


@given(st.sampled_from(sorted(READERS)), st.text(max_size=12))
def test_any_wish_is_done_or_refused(key: str, value: str) -> None:
    """The same for whole wishes; a wish that is done is told in words."""
    try:
        _, told = apply_wishes(make_inputs(), [f"{key}={value}"])
    except UsageError as problem:
        assert problem.found
    else:
        assert told[0].change


def test_the_forms_told_are_the_forms_read() -> None:
    """Each example of the help is read, and there is one for every word."""
    assert [re.split("=", form)[0] for form in WISH_FORMS] == list(READERS)
    for form in WISH_FORMS:
        apply_wishes(make_inputs(), [form.replace("STEP", "full")])


@pytest.mark.parametrize("text", ["2", "x", "0x", "-1x", "2X", "1e3x", "99999x", "0.0001x", ""])
def test_a_factor_is_a_number_and_an_x(text: str) -> None:
    """Bounds and form."""
    with pytest.raises(UsageError):
        parse_times(text)


def test_guesses() -> None:
    """One duration, or three that go upwards."""
    assert parse_guess("2min,4min,10min").likely == 240
    assert parse_guess("1min30s").most == 90
    for text in ("4min,2min,10min", "1min,2min", "5", "1min,2min,3min,4min", "m"):
        with pytest.raises(UsageError):
            parse_guess(text)


def test_an_unknown_wish_names_the_nearest() -> None:
    """A slip of the key or of a step's name is told with what was meant."""
    with pytest.raises(UsageError, match="no such what-if") as caught:
        apply_wishes(make_inputs(), ["lnk=20Mbit/s"])
    assert "link" in caught.value.hint
    with pytest.raises(UsageError, match="did not run") as caught:
        apply_wishes(make_inputs(), ["skip=minimum"])
    assert "minimal" in caught.value.hint


def rehearse_with_fetch_step() -> ForecastInputs:
    """The same server rehearsed with a profile that fetches in the stage before: what such a
    run's record says."""
    fetch = make_step("download-first", 5.0, stage="prepare", download=30.0, download_bytes=70e6)
    minimal = make_step("minimal", 35.0, unpack=30.0)
    full = make_step("full", 65.0, unpack=60.0, sync=10.0)
    reboot = make_step("reboot", 135.0, firmware_at=138.0, compute=20.0, firmware=4.0)
    again = make_night(
        PREPARE, fetch, minimal, full, reboot,
        outages=OUTAGES,
        priors=Priors(),
    )  # fmt: skip
    return replace(again, production=make_inputs().production)


def test_downloading_first_is_what_a_rehearsal_that_does_so_gives() -> None:
    """Window, fetch step and steps equal those of a run whose profile has the fetch in the
    stage before: to the last digit but for rounding."""
    wished, rerun = tell(make_inputs(), "download-first"), tell(rehearse_with_fetch_step())
    assert wished.window is not None
    assert rerun.window is not None
    for ours, theirs in zip(wished.steps, rerun.steps, strict=True):
        assert (ours.step, ours.stage) == (theirs.step, theirs.stage)
        assert ours.takes.p95 == pytest.approx(theirs.takes.p95, rel=1e-12)
    assert wished.window.p50 == pytest.approx(rerun.window.p50, rel=1e-12)
    assert wished.window.p95 == pytest.approx(rerun.window.p95, rel=1e-12)
    assert wished.outage is not None
    assert rerun.outage is not None
    assert wished.outage.p95 == pytest.approx(rerun.outage.p95, rel=1e-12)


def test_moving_the_download_keeps_the_whole() -> None:
    """Every night is as long as before, only its window is shorter; no outage changes."""
    inputs = make_inputs()
    moved, _ = apply_wishes(inputs, ["download-first"])
    before, after = foresee(inputs, draws=FEW), foresee(moved, draws=FEW)
    assert before.draws is not None
    assert after.draws is not None
    wholes = [
        sum(seconds for lengths in drawn.lengths for seconds in lengths.values())
        for drawn in (before.draws, after.draws)
    ]
    assert wholes[0] == pytest.approx(wholes[1], rel=1e-12)
    assert (after.draws.window < before.draws.window).all()
    assert after.draws.outage == pytest.approx(before.draws.outage, rel=1e-12)


def test_nothing_to_download_changes_nothing() -> None:
    """A window without downloads stays as it is."""
    inputs = make_night(make_step("upgrade", 0.0, unpack=10.0))
    assert apply_wishes(inputs, ["download-first"])[0] == inputs


def test_a_skipped_step_takes_no_time_and_no_outage() -> None:
    """Neither its own length nor what was away in it."""
    told = tell(make_inputs(), "skip=reboot")
    assert "reboot" not in [one.step for one in told.steps]
    before = tell(make_inputs())
    assert told.outage is not None
    assert before.outage is not None
    assert told.outage.p95 < before.outage.p20
    assert not any(one.name.startswith("firmware") for one in told.assumptions)


def test_twice_as_fast_is_half_the_time() -> None:
    """cpu=2x halves unpacking, disk=2x waiting for storage; wishes add up."""
    both = tell(make_inputs(), "cpu=2x", "disk=2x", "link=1Tbit/s", "skip=reboot")
    plain = tell(make_inputs(), "link=1Tbit/s", "skip=reboot")
    assert both.window is not None
    assert plain.window is not None
    assert both.window.p50 == pytest.approx(plain.window.p50 / 2, rel=1e-3)
    twice, _ = apply_wishes(make_inputs(), ["cpu=2x", "cpu=3x"])
    assert dict(twice.declared.faster).popitem()[1] == 6.0


def test_data_beyond_ten_times_never_passes_unmarked() -> None:
    """Within ten times it is named, beyond it is called no forecast."""
    near, far = (tell(make_inputs(), f"data=full:{n}x", "link=1Tbit/s") for n in (4, 20))
    assert any("4 times what was rehearsed" in text for text in near.objections)
    assert any("no forecast: rehearse with more" in text for text in far.objections)
    full = [next(one for one in told.steps if one.step == "full") for told in (near, far)]
    assert full[1].takes.p80 == pytest.approx(5 * full[0].takes.p80, rel=1e-3)


def test_a_wish_leaves_the_inputs_it_was_given_alone() -> None:
    """Inputs are changed in a copy."""
    inputs = make_inputs()
    apply_wishes(inputs, [form.replace("STEP", "full") for form in WISH_FORMS])
    assert inputs == make_inputs()


def test_wishes_of_several_runs_are_done_to_each() -> None:
    """The fetch step is there in every run, so that runs stay alike."""
    run = make_inputs().newest
    inputs = replace(make_inputs(), runs=(replace(run, id="run-0"), run))
    moved, _ = apply_wishes(inputs, ["download-first"])
    assert [_names(one) for one in moved.runs] == [_names(moved.newest)] * 2
    at: StepInput = moved.newest.steps[1]
    assert at.span == Span(5.0, 5.0)


def _names(run: RunInput) -> list[str]:
    return [step.name for step in run.steps]
