"""The night's timetable: a forecast put on the clock. Pure.

Clock times are quantiles of the sum of all steps before, taken over the same draws. Adding
up the steps' own quantiles would give a later evening than nineteen in twenty.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from forerun.model.estimate import BackOutForecast, Forecast
from forerun.model.profile import Profile
from forerun.model.window import Notice, PlanLine, WindowPlan
from forerun.stages.forecast import CONFIRM, WINDOW, Draws
from forerun.stages.forecast_laws import Floats

# When people are told: common practice, no source.
_DAYS_BEFORE = 5
_GO_BEFORE = timedelta(minutes=30)
# An edited record may say anything; a calendar ends.
_LONGEST_S = 50 * 365.25 * 86400


@dataclass(frozen=True, slots=True)
class _Timed:
    line: PlanLine
    begin: Floats
    end: Floats


def plan_window(
    forecast: Forecast, drawn: Draws, profile: Profile | None, begins: datetime
) -> WindowPlan:
    """The plan of a night that begins then (`begins` has a time zone or offset, which all
    times are told in). `profile` says where hold points and the point of no return are."""
    clock = _Clock(begins)
    known = {step.name: step for step in profile.steps} if profile else {}
    timed: list[_Timed] = []
    for step, begin, end in drawn.walk((WINDOW, CONFIRM)):
        own = known.get(step.name)
        starts = [clock.at(float(q)) for q in np.quantile(begin, (0.5, 0.95))]
        stops = [clock.at(float(q)) for q in np.quantile(end, (0.5, 0.95))]
        line = PlanLine(
            step=step.name,
            title=step.title,
            stage=step.stage,
            begins_p50=starts[0],
            begins_p95=starts[1],
            ends_p50=stops[0],
            ends_p95=stops[1],
            hold_point=own.hold_point if own else False,
            point_of_no_return=own.point_of_no_return if own else False,
        )
        timed.append(_Timed(line, begin, end))
    turn = next((one for one in timed if one.line.point_of_no_return), None)
    way = max(forecast.back_outs, key=lambda one: one.takes.p95, default=None)
    by_s = _find_back_out_by(forecast, drawn, way)
    return WindowPlan(
        begins=clock.at(0.0),
        ends=clock.at(forecast.window_s),
        lines=tuple(one.line for one in timed),
        no_return_step=turn.line.step if turn else "",
        no_return_p50=turn.line.begins_p50 if turn else "",
        no_return_p95=turn.line.begins_p95 if turn else "",
        back_out_by="" if by_s is None else clock.at(by_s, whole_minute=True),
        back_out_way=way.title if way and by_s is not None else "",
        notices=tuple(_list_notices(clock, forecast, timed, turn, by_s)),
        objections=tuple(_find_objections(forecast, drawn, profile, turn, by_s)),
    )


class _Clock:
    """Seconds into the night as RFC 3339, in the place's own time; counted in UTC, so that
    a night in which the clocks are changed is as long as it is."""

    def __init__(self, begins: datetime) -> None:
        self._zone = begins.tzinfo
        self._zero = begins.astimezone(UTC)

    def at(self, seconds: float, *, whole_minute: bool = False) -> str:
        seconds = min(max(seconds, -_LONGEST_S), _LONGEST_S)
        moment = self._zero + timedelta(seconds=round(seconds))
        if whole_minute:
            moment = (self._zero + timedelta(seconds=seconds)).replace(second=0, microsecond=0)
        return moment.astimezone(self._zone).isoformat(timespec="seconds")


def _find_back_out_by(
    forecast: Forecast, drawn: Draws, way: BackOutForecast | None
) -> float | None:
    """The window's end less nineteen in twenty of the way back, and of the verification
    that the old state is there again."""
    if way is None or not forecast.window_s:
        return None
    return forecast.window_s - way.takes.p95 - float(np.quantile(drawn.verify, 0.95))


def _list_notices(
    clock: _Clock,
    forecast: Forecast,
    timed: Sequence[_Timed],
    turn: _Timed | None,
    by_s: float | None,
) -> Iterator[Notice]:
    away = max((one for one in forecast.services), key=lambda one: one.total.p95, default=None)
    longest = f", {away.service} for up to {_say(away.total.p95)}" if away else ""
    day = 86400.0
    yield Notice(
        clock.at(-_DAYS_BEFORE * day),
        "users",
        f"that services will be away{longest}, when, and whom to ask",
        "notice",
    )
    yield Notice(
        clock.at(-day), "operators", "survey again and compare: anything changed?", "drift"
    )
    yield Notice(
        clock.at(-_GO_BEFORE.total_seconds()),
        "whoever decides on the night",
        "go or no-go: backup verified by a restore, second way in tried, people here",
        "go",
    )
    yield Notice(clock.at(0.0), "users and service owners", "that the work begins", "start")
    if turn:
        yield Notice(
            turn.line.begins_p50,
            "whoever decides on the night",
            f"before “{turn.line.title}”: no way back in place from here; say it aloud, two people",
            "no-return",
        )
    if by_s is not None and by_s > 0:
        yield Notice(
            clock.at(by_s, whole_minute=True),
            "whoever decides on the night",
            "the latest moment to begin going back",
            "back-out",
        )
    last = [one for one in timed if one.line.stage == WINDOW]
    if last:
        yield Notice(
            last[-1].line.ends_p50,
            "service owners",
            "to check their services; a first answer is not yet service",
            "check",
        )
    if forecast.window_s:
        yield Notice(
            clock.at(forecast.window_s),
            "users",
            "that all is back, or that it takes longer, and when news will come",
            "end",
        )


def _say(seconds: float) -> str:
    minutes = -int(-seconds // 60)
    return f"{minutes} minute{'' if minutes == 1 else 's'}"


def _find_objections(
    forecast: Forecast,
    drawn: Draws,
    profile: Profile | None,
    turn: _Timed | None,
    by_s: float | None,
) -> Iterator[str]:
    if profile is None:
        yield "The profile was not found: hold points and the point of no return are not shown."
    elif turn is None:
        yield "The profile marks no point of no return in these steps."
    if not forecast.window_s:
        yield "No window was given, so neither its end nor the latest moment to go back is known."
        return
    if not forecast.back_outs:
        yield (
            "No way back was rehearsed and timed (rehearse --back-out): there is no latest moment "
            "to begin it."
        )
    if by_s is not None and by_s <= 0:
        yield "Going back and proving it takes longer than the whole window: no way back fits."
    elif by_s is not None and by_s < float(np.median(drawn.window)):
        yield (
            "The latest moment to begin going back comes before the work is done in half of the "
            "nights: past it the night can only go on."
        )
    if forecast.fits is not None and forecast.fits < 0.95:
        yield f"The work fits the window in {forecast.fits:.0%} of the nights only."
    yield "Local change control and authorised people decide; this is a timetable, no permission."
