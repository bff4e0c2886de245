"""The report as one self-contained HTML page: no script, no request, no other file."""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from forerun.report.changes import GRAVE
from forerun.report.figures import (
    count_of,
    known,
    list_ways,
    say_bytes,
    say_clock,
    say_figure,
    say_instant,
    say_seal,
    say_seconds,
    say_share,
    say_spread,
    say_tenths,
)
from forerun.report.foretold import LOSSES, QUESTIONS, SOURCE, list_rest, say_foretelling
from forerun.report.likeness import SHOWN, say_difference, say_likeness, say_score
from forerun.report.sections import QUIET_CHANGES, Report
from forerun.report.timetable import draw_outages, draw_steps, find_start, group_by_stage
from forerun.report.trials import (
    BACK_OUT_CAVEAT,
    NOT_TRIED_BACK_OUT,
    NOT_TRIED_FAULTS,
    say_outcome,
    say_parts,
    say_start,
    say_state,
)

_HERE = Path(__file__).parent

# The only thing the page may use is its own style sheet, named by its hash: a script,
# a style attribute or an address that slipped in would still do nothing.
_POLICY = "default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"


def render_html(report: Report) -> str:
    """The page. Every text of the report is escaped by the template."""
    css = (_HERE / "report.css").read_text(encoding="utf-8")
    return (
        _environment()
        .get_template("report.html.j2")
        .render(
            report=report,
            run=report.record,
            css=css,
            policy=_POLICY.format(digest=_digest(css)),
            steps_drawn=draw_steps(report),
            outages_drawn=draw_outages(report),
            start_s=find_start(report),
            steps_by_stage=group_by_stage(report),
            grave=GRAVE,
        )
    )


def _digest(css: str) -> str:
    return base64.b64encode(hashlib.sha256(css.encode()).digest()).decode("ascii")


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=FileSystemLoader(_HERE),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters.update(
        seconds=say_seconds,
        clock=say_clock,
        size=say_bytes,
        share=say_share,
        spread=say_spread,
        figure=say_figure,
        known=known,
        tenths=say_tenths,
        instant=say_instant,
    )
    environment.filters["likeness"] = say_likeness
    environment.filters["difference"] = say_difference
    environment.globals["say_score"] = say_score
    environment.globals["differences_shown"] = SHOWN
    environment.globals["count_of"] = count_of
    environment.globals.update(say_seal=say_seal, list_ways=list_ways)
    environment.globals.update(
        losses=LOSSES,
        questions=QUESTIONS,
        foretold_source=SOURCE,
        list_rest=list_rest,
        say_foretelling=say_foretelling,
    )
    environment.globals.update(
        say_state=say_state,
        say_parts=say_parts,
        say_start=say_start,
        say_outcome=say_outcome,
        not_tried_back_out=NOT_TRIED_BACK_OUT,
        not_tried_faults=NOT_TRIED_FAULTS,
        back_out_caveat=BACK_OUT_CAVEAT,
    )
    environment.globals["quiet_changes"] = QUIET_CHANGES
    return environment
