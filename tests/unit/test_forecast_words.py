"""A forecast in sentences: rounded away from hope, never surer than the draws."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forerun.model.estimate import (
    Assumption,
    BackOutForecast,
    Basis,
    Contributor,
    Forecast,
    Quantiles,
    ServiceForecast,
    StepForecast,
    TrackRecord,
)
from forerun.report.forecast_lines import render_forecast
from forerun.report.forecast_words import (
    say_about,
    say_chance,
    say_headline,
    say_in_nights,
    say_past,
    say_range,
)

_UNITS = {"second": 1, "seconds": 1, "minute": 60, "minutes": 60}


def read(text: str) -> float:
    hours = re.fullmatch(r"(\d+) h (\d\d) min", text)
    if hours:
        return int(hours[1]) * 3600 + int(hours[2]) * 60
    amount, unit = text.split(" ")
    return int(amount) * _UNITS[unit]


@pytest.mark.parametrize(
    ("seconds", "down", "up"),
    [
        (0.0, "0 seconds", "0 seconds"),
        (3.2, "3 seconds", "4 seconds"),
        (42.0, "40 seconds", "45 seconds"),
        (89.0, "85 seconds", "2 minutes"),
        (250.0, "4 minutes", "5 minutes"),
        (3600.0, "1 h 00 min", "1 h 00 min"),
        (7500.0, "2 h 05 min", "2 h 05 min"),
        (7510.0, "2 h 05 min", "2 h 10 min"),
    ],
)
def test_durations_in_words(seconds: float, down: str, up: str) -> None:
    """Coarse, and rounded the way that is asked for."""
    assert say_about(seconds, up=False) == down
    assert say_about(seconds, up=True) == up


@given(st.floats(0, 1e6))
def test_rounded_up_is_never_less(seconds: float) -> None:
    """What is told as an upper figure is one; what is told as a lower one is not above."""
    assert read(say_about(seconds, up=True)) >= seconds - 1e-6
    assert read(say_about(seconds, up=False)) <= seconds + 1e-6


def test_ranges() -> None:
    """One unit is said once, two are both said, two alike are "about"."""
    assert say_range(Quantiles(300, 530, 700, 250)) == "4 to 9 minutes"
    assert say_range(Quantiles(60, 200, 300, 42)) == "40 seconds to 4 minutes"
    assert say_range(Quantiles(5000, 6000, 7000, 3000)) == "50 minutes to 1 h 40 min"
    assert say_range(Quantiles(240, 240, 240, 240)) == "about 4 minutes"
    assert say_range(Quantiles(300, 530, 700)) == "5 to 9 minutes"


def test_no_chance_is_all_or_none() -> None:
    """Draws prove neither."""
    assert say_in_nights(1.0) == "more than 99 of 100 nights"
    assert say_in_nights(0.0) == "less than 1 of 100 nights"
    assert say_in_nights(0.97) == "97 of 100 nights"
    assert say_in_nights(0.005) == "less than 1 of 100 nights"
    assert [say_chance(one) for one in (None, -1.0, 0.0, 0.005, 0.5, 0.995, 1.0)] == [
        "not known",
        "not known",
        "less than 1 %",
        "less than 1 %",
        "50 %",
        "more than 99 %",
        "more than 99 %",
    ]


def make_forecast(**parts: object) -> Forecast:
    takes = Quantiles(300.0, 530.0, 700.0, 250.0)
    whole: dict[str, object] = {
        "runs": ("run-1",),
        "draws": 1000,
        "seed": 1,
        "window": takes,
        "outage": takes,
        "window_s": 5400.0,
        "fits": 0.97,
        "services": (ServiceForecast("web listing", takes, takes, 1800.0, 0.9),),
        **parts,
    }
    return Forecast(**whole)  # type: ignore[arg-type]


def test_the_sentences_a_manager_hears() -> None:
    """The service that is away longest, the window, the chances; the missing way back said."""
    assert say_headline(make_forecast()) == (
        "Expect the web listing to be away for 4 to 9 minutes; nineteen nights in twenty stay "
        "under 12 minutes, and 90 of 100 nights within the 30 minutes that its owner agreed to.",
        "The work in the window takes 4 to 9 minutes; nineteen nights in twenty are done within "
        "12 minutes.",
        "It fits the window of 1 h 30 min in 97 of 100 nights; whether there is then time to go "
        "back is not known.",
    )


def test_what_does_not_come_back_is_not_told_as_an_outage() -> None:
    """Its length is nobody's to forecast."""
    takes = Quantiles(300.0, 530.0, 700.0, 250.0)
    gone = ServiceForecast("ssh logins", takes, takes, 0.0, None, returns=False)
    said = say_headline(make_forecast(services=(gone,)))
    assert said[0] == "By itself ssh logins did not come back: somebody must mend it."


def test_a_refusal_has_no_figure() -> None:
    """The reason, and no table."""
    refused = make_forecast(refused="Because.", window=None, services=())
    assert say_headline(refused) == ("No forecast: Because.",)
    assert "The night" not in render_forecast(refused)


def test_earlier_forecasts() -> None:
    """Hits of nights, the lean, and what it did to the spread."""
    assert say_past(None) == "No earlier forecast has met its night yet."
    said = say_past(TrackRecord(3, 5, 0.182, 0.5, 1.25))
    assert "3 of 5 nights" in said
    assert "longer by a factor of 1.20" in said
    assert "multiplied by 1.25" in said


HOSTILE = "x\x1b[31m\u202e \n| y " + "long " * 60


@pytest.mark.parametrize("width", [40, 60, 80, 100, 140])
def test_no_line_is_wider_than_the_terminal(width: int) -> None:
    """Whatever the titles hold: no control character; from 80 columns on every line fits."""
    takes = Quantiles(300.0, 530.0, 70000.0, 250.0)
    told = make_forecast(
        steps=(StepForecast("s", HOSTILE, "window", takes, ((HOSTILE, 1.0),)),),
        services=(ServiceForecast(HOSTILE, takes, takes, 1.0, 0.5),),
        back_outs=(BackOutForecast("w", HOSTILE, "s", takes),),
        contributors=(Contributor(HOSTILE, 0.5, 1, 3.0),),
        assumptions=(Assumption(HOSTILE, 1.0, 0.5, 2.0, "s", Basis.ASSUMED, "x"),),
        objections=(HOSTILE,),
    )
    text = render_forecast(told, width=width)
    assert "\x1b" not in text
    assert "\u202e" not in text
    if width >= 80:
        assert max(map(len, text.splitlines())) <= width
