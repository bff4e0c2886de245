"""A forecast in sentences that can be read aloud. Figures are rounded away from hope."""

from __future__ import annotations

import math

from forerun.model.estimate import Forecast, Quantiles, ServiceForecast, TrackRecord

_SECONDS_TOLD_BELOW = 90.0


def say_about(seconds: float, *, up: bool) -> str:
    """ "40 seconds", "4 minutes", "1 h 20 min": seconds in tens, minutes whole, from two
    hours on in fives; rounded up or down."""
    turn = math.ceil if up else math.floor
    if seconds < _SECONDS_TOLD_BELOW:
        step = 1 if seconds < 10 else 5
        whole = turn(seconds / step) * step
        if whole < _SECONDS_TOLD_BELOW:
            return f"{whole} second{'' if whole == 1 else 's'}"
        seconds = _SECONDS_TOLD_BELOW
    step = 5 if seconds >= 7200 else 1
    minutes = int(turn(seconds / 60 / step)) * step
    if minutes < 60:
        return f"{minutes} minute{'' if minutes == 1 else 's'}"
    return f"{minutes // 60} h {minutes % 60:02d} min"


def say_range(takes: Quantiles) -> str:
    """ "4 to 9 minutes": from where one night in five lies below to where one lies above."""
    low = say_about(takes.p20 if takes.p20 >= 0 else takes.p50, up=False)
    high = say_about(takes.p80, up=True)
    if low == high:
        return f"about {high}"
    amount, _, unit = low.partition(" ")
    _, _, unit_high = high.partition(" ")
    alike = unit.rstrip("s") == unit_high.rstrip("s")
    return f"{amount if alike and ' ' not in unit else low} to {high}"


def say_in_nights(chance: float) -> str:
    """ "97 of 100 nights"; never all and never none, since draws prove neither."""
    if chance > 0.99:
        return "more than 99 of 100 nights"
    if chance < 0.01:
        return "less than 1 of 100 nights"
    return f"{round(chance * 100)} of 100 nights"


def say_chance(chance: float | None) -> str:
    """ "97 %"; never 0 or 100, since draws prove neither."""
    if chance is None or chance < 0:
        return "not known"
    if chance > 0.99:
        return "more than 99 %"
    return "less than 1 %" if chance < 0.01 else f"{round(chance * 100)} %"


def say_headline(forecast: Forecast) -> tuple[str, ...]:
    """The sentences for whoever decides, the weightiest first."""
    if forecast.refused:
        return (f"No forecast: {forecast.refused}",)
    said: list[str] = []
    away = [one for one in forecast.services if one.returns and one.total.p95 > 0]
    if away:
        said.append(_say_away(max(away, key=lambda one: one.total.p95)))
    gone = [one.service for one in forecast.services if not one.returns]
    if gone:
        names = " and ".join(gone)
        said.append(f"By itself {names} did not come back: somebody must mend it.")
    if forecast.window is not None:
        said.append(
            f"The work in the window takes {say_range(forecast.window)}; nineteen nights in "
            f"twenty are done within {say_about(forecast.window.p95, up=True)}."
        )
    if forecast.fits is not None:
        said.append(
            f"It fits the window of {say_about(forecast.window_s, up=False)} in "
            f"{say_in_nights(forecast.fits)}"
            + (
                f", and in {say_in_nights(forecast.fits_with_back_out)} there is still time to go "
                "back."
                if forecast.fits_with_back_out is not None
                else "; whether there is then time to go back is not known."
            )
        )
    return tuple(said)


def _say_away(service: ServiceForecast) -> str:
    said = (
        f"Expect the {service.service} to be away for {say_range(service.total)}; nineteen "
        f"nights in twenty stay under {say_about(service.total.p95, up=True)}"
    )
    if service.within is not None:
        said += (
            f", and {say_in_nights(service.within)} within the "
            f"{say_about(service.tolerable_s, up=False)} that its owner agreed to"
        )
    return f"{said}."


def say_past(past: TrackRecord | None) -> str:
    """How earlier forecasts held."""
    if past is None or not past.of:
        return "No earlier forecast has met its night yet."
    lean = "longer" if past.bias > 0 else "shorter"
    said = (
        f"Earlier forecasts: {past.hits} of {past.of} nights lay inside the middle 80 % that was "
        f"told; on average they were {lean} by a factor of {math.exp(abs(past.bias)):.2f}"
    )
    if past.widened != 1:
        said += f"; every spread is multiplied by {past.widened:.2f} because of them"
    return f"{said}."
