"""Bodies of the commands about production's night.

Apart from `cli_estimate.py`, since what they need (numpy) costs every command's start a
fifth of a second and only these commands use it.
"""

from __future__ import annotations

import json
import os
import sys
from datetime import datetime
from pathlib import Path

import typer

from forerun import __version__
from forerun.cli_common import say, say_as_is, say_document, warn
from forerun.cli_shown import caution_unlisted, find_width
from forerun.errors import EXIT_RESULT_NOT_GOOD, NoRoom
from forerun.pipeline_bench import Bench
from forerun.pipeline_estimate import (
    Estimated,
    EstimateRequest,
    Night,
    enter_actual,
    estimate,
)
from forerun.report.calendar import write_calendar
from forerun.report.forecast import document_alone
from forerun.report.forecast_lines import render_forecast, render_plan, render_scores
from forerun.report.plain import clean_record
from forerun.report.render_terminal import colour_allowed
from forerun.stages.window_plan import plan_window


def show_estimate(bench: Bench, request: EstimateRequest, *, as_json: bool) -> None:
    """Forecast, print, and say what was kept."""
    done = _estimate(bench, request)
    told = done.foreseen.told
    if as_json:
        facts = document_alone(clean_record(told))
        say_document(json.dumps(facts, indent=1, ensure_ascii=False) + "\n")
    else:
        colour = colour_allowed(sys.stdout, os.environ)
        say_as_is(render_forecast(told, width=find_width(), colour=colour))
        _say_told(done)
    if told.refused:
        raise typer.Exit(EXIT_RESULT_NOT_GOOD)


def _estimate(bench: Bench, request: EstimateRequest) -> Estimated:
    done = estimate(bench.store, request, bench.clock.now())
    caution_unlisted(bench.store.runs / done.record.id)
    for note in done.notes:
        warn(f"note: {note}")
    return done


def _say_told(done: Estimated) -> None:
    if done.first_told:
        say(
            f"Kept as what was told for {done.record.id}. After the night: forerun actual "
            f"{done.record.id} --from history.log"
        )
    elif done.told is not None:
        say(f"Told for {done.record.id} on {done.told.made_at}: that is what will be scored.")


def show_plan(
    bench: Bench, request: EstimateRequest, start: datetime, calendar: Path | None
) -> None:
    """Put the forecast on the clock, print it, and write a calendar file where asked."""
    done = _estimate(bench, request)
    if done.foreseen.draws is None:
        say_as_is(render_forecast(done.foreseen.told, width=find_width()))
        raise typer.Exit(EXIT_RESULT_NOT_GOOD)
    profile = bench.store.load_procedure(done.record.id).profile
    made = plan_window(done.foreseen.told, done.foreseen.draws, profile, start)
    colour = colour_allowed(sys.stdout, os.environ)
    say_as_is(render_plan(made, width=find_width(), colour=colour))
    _say_told(done)
    if calendar is not None:
        text = write_calendar(
            made,
            run=done.record.id,
            host=done.record.host,
            version=__version__,
            stamp=bench.clock.now(),
        )
        _write(calendar, text)
        say(f"calendar: {calendar}")


def _write(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="utf-8", newline="")
    except OSError as problem:
        raise NoRoom(
            "The calendar file cannot be written.",
            where=str(path),
            found=str(problem),
            hint="Name a file in a folder that you may write.",
        ) from problem


def show_actual(bench: Bench, run: str, night: Night) -> None:
    """Enter a night, print what was found and how the forecast held."""
    done = enter_actual(bench.store, run, night, bench.clock.now())
    for line in done.notes:
        warn(f"note: {line}")
    for one in done.belonging:
        length = f"{one.seconds:.0f} s" if one.seconds >= 0 else "no end on record"
        step = one.step or "no step of the rehearsal"
        say(f"{one.entry.started}  {length}, {one.alike} packages as rehearsed: {step}")
    colour = colour_allowed(sys.stdout, os.environ)
    say_as_is(render_scores(done.scores, done.past, width=find_width(), colour=colour))
    say(f"kept beside {done.actual.run}")
