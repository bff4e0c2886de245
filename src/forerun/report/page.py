"""The shell of every HTML page: one file, no script, no request."""

from __future__ import annotations

import base64
import hashlib
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from forerun.model.window import WindowPlan
from forerun.report.night import draw_night
from forerun.report.plan import EXPLAINED, HEADS, NO_PLAN, list_moments, list_rows, say_turn
from forerun.report.wall_clock import say_day, say_time

_HERE = Path(__file__).parent

# The only thing a page may use is its own style sheet, named by its hash: a script,
# a style attribute or an address that slipped in would still do nothing.
_POLICY = "default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"


def make_environment() -> Environment:
    """Templates in which every text is escaped and nothing may be missing."""
    environment = Environment(
        loader=FileSystemLoader(_HERE),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["day"] = say_day
    environment.globals.update(
        night_heads=HEADS, night_explained=EXPLAINED, no_plan=NO_PLAN, say_turn=say_turn
    )
    return environment


def draw_page(
    environment: Environment, template: str, *, title: str, kind: str, footer: str, **parts: Any
) -> str:
    """A page from its template; `kind` becomes the body's class."""
    css = (_HERE / "report.css").read_text(encoding="utf-8")
    return environment.get_template(template).render(
        title=title,
        page_kind=kind,
        footer=footer,
        css=css,
        policy=_POLICY.format(digest=_digest(css)),
        **parts,
    )


def gather_night(plan: WindowPlan | None) -> dict[str, Any]:
    """What the night's timetable is drawn from."""
    moments = list_moments(plan) if plan else ()
    since = plan.begins if plan else ""
    return {
        "night_drawn": draw_night(plan),
        "night_moments": [(m.letter, f"{say_time(m.at, since=since)} {m.words}") for m in moments],
        "night_rows": tuple(list_rows(plan)) if plan else (),
    }


def _digest(css: str) -> str:
    return base64.b64encode(hashlib.sha256(css.encode()).digest()).decode("ascii")
