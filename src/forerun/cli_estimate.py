"""The commands about production's night: what to expect, its plan, what it really took."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated
from zoneinfo import ZoneInfo

import typer

from forerun.cli_common import DEFAULT_URI, UriOption, open_here, parse_age
from forerun.errors import UsageError
from forerun.model.estimate import WISH_FORMS
from forerun.ports.log_files import read_log

if TYPE_CHECKING:
    from forerun.pipeline_estimate import EstimateRequest

# Imports inside commands: numpy costs the start of every command a fifth of a second.

FORMATS = ("terminal", "json")

RunsArgument = Annotated[
    list[str],
    typer.Argument(help="a run's id, or `last`; several are put together if they are alike"),
]
WishOption = Annotated[
    list[str] | None, typer.Option("--if", help=f"what if: {' | '.join(WISH_FORMS)}")
]
WindowOption = Annotated[
    str, typer.Option("--window", help="length of the window, as 1h30min; default: the site file's")
]
SiteOption = Annotated[
    Path | None, typer.Option(help="site file; default: the one that was rehearsed with")
]
SeedOption = Annotated[
    int, typer.Option(min=0, max=2**32 - 1, help="another one draws other nights")
]


def estimate(
    runs: RunsArgument,
    wish: WishOption = None,
    window: WindowOption = "",
    site: SiteOption = None,
    form: Annotated[str, typer.Option("--format", help=" | ".join(FORMATS))] = "terminal",
    seed: SeedOption = 1,
    connect: UriOption = DEFAULT_URI,
) -> None:
    """Forecast production's night from rehearsals; ask what would change it."""
    from forerun.cli_night import show_estimate  # noqa: PLC0415

    if form not in FORMATS:
        raise UsageError("There is no such format.", found=form, wanted=", ".join(FORMATS))
    request = _request(runs, wish, window, site, seed)
    show_estimate(open_here(connect), request, as_json=form == "json")


def _request(
    runs: Sequence[str], wish: Sequence[str] | None, window: str, site: Path | None, seed: int
) -> EstimateRequest:
    from forerun.pipeline_estimate import EstimateRequest  # noqa: PLC0415

    window_s = parse_age(window) if window else 0.0
    return EstimateRequest(tuple(runs), tuple(wish or ()), window_s, site, seed)


def plan(
    runs: RunsArgument,
    begins: Annotated[
        str, typer.Option("--from", help="begin of the window, as 2026-12-05T22:00+01:00")
    ],
    zone: Annotated[str, typer.Option(help="time zone of the place, as Europe/Berlin")] = "",
    window: WindowOption = "",
    wish: WishOption = None,
    site: SiteOption = None,
    calendar: Annotated[
        Path | None, typer.Option(help="also write the night to this calendar file")
    ] = None,
    seed: SeedOption = 1,
    connect: UriOption = DEFAULT_URI,
) -> None:
    """Put the forecast on the clock: steps, hold points, the latest moment to go back."""
    from forerun.cli_night import show_plan  # noqa: PLC0415

    start = read_moment(begins, zone)
    request = _request(runs, wish, window, site, seed)
    show_plan(open_here(connect), request, start, calendar)


def read_moment(text: str, zone: str = "") -> datetime:
    """An instant from RFC 3339 text with an offset, or without one and the name of a time
    zone. Raises UsageError."""
    try:
        moment = datetime.fromisoformat(text)
        place = ZoneInfo(zone) if zone else None
        if not 2000 <= moment.year < 2200:
            raise ValueError(f"the year {moment.year} is not of our time")
    except (ValueError, OSError, KeyError) as problem:  # ZoneInfoNotFoundError is a KeyError
        raise UsageError(
            "That is no moment.",
            found=f"{text} {zone}".strip(),
            wanted="for example 2026-12-05T22:00+01:00, or 2026-12-05T22:00 with --zone "
            "Europe/Berlin",
            hint=str(problem),
        ) from problem
    if (moment.tzinfo is None) == (place is None):
        raise UsageError(
            "A moment needs an offset or a time zone, one of the two.",
            found=f"{text} {zone}".strip(),
            wanted="for example 2026-12-05T22:00+01:00",
        )
    return moment if moment.tzinfo else moment.replace(tzinfo=place)


def actual(
    run: Annotated[str, typer.Argument(help="the run whose forecast the night is set beside")],
    files: Annotated[
        list[Path] | None,
        typer.Option("--from", help="apt's history.log and dpkg.log of the server, also .gz"),
    ] = None,
    window_began: Annotated[str, typer.Option(help="when the window's work began")] = "",
    window_ended: Annotated[str, typer.Option(help="when it was done")] = "",
    note: Annotated[str, typer.Option(help="a word about the night")] = "",
    connect: UriOption = DEFAULT_URI,
) -> None:
    """Enter what the real night took, and see how the forecast held."""
    from forerun.cli_night import show_actual  # noqa: PLC0415
    from forerun.pipeline_estimate import Night  # noqa: PLC0415

    logs = tuple((str(path), read_log(path)) for path in files or ())
    if not logs and not (window_began and window_ended):
        raise UsageError(
            "Nothing tells of the night.",
            wanted="--from history.log, or --window-began and --window-ended",
        )
    night = Night(
        logs,
        _read_local(window_began) if window_began else None,
        _read_local(window_ended) if window_ended else None,
        note,
    )
    show_actual(open_here(connect), run, night)


def _read_local(text: str) -> datetime:
    """An instant; without an offset it is the server's own time, as its logs have it."""
    try:
        return datetime.fromisoformat(text)
    except ValueError as problem:
        raise UsageError(
            "That is no moment.",
            found=text,
            wanted="for example 2026-12-05T22:00 or 2026-12-05T22:00+01:00",
        ) from problem
