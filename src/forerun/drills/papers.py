"""The debrief of a drill as text, and as files in its folder."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from forerun.errors import UsageError
from forerun.model.drill import DrillRecord
from forerun.ports.store import write_durably
from forerun.report.debrief import Debrief, outline_debrief
from forerun.report.debrief_data import render_debrief_json
from forerun.report.debrief_terminal import render_debrief_terminal
from forerun.report.render_debrief import render_debrief_html, render_debrief_markdown

FORMS = ("terminal", "markdown", "html", "json")
_FILES = {"markdown": "debrief.md", "html": "debrief.html", "json": "debrief.json"}


def draw_debrief(record: DrillRecord, form: str, width: int = 80) -> str:
    """The debrief as text. Raises UsageError for an unknown form."""
    outline = outline_debrief(record)
    if form == "terminal":
        return render_debrief_terminal(outline, width=width)
    renderers: dict[str, Callable[[Debrief], str]] = {
        "markdown": render_debrief_markdown,
        "html": render_debrief_html,
        "json": render_debrief_json,
    }
    if form not in renderers:
        raise UsageError("There is no such format.", found=form, wanted=", ".join(FORMS))
    return renderers[form](outline)


def write_debriefs(record: DrillRecord, folder: Path) -> None:
    """debrief.md, debrief.html and debrief.json into the drill's folder. Raises NoRoom."""
    for form, name in _FILES.items():
        write_durably(folder / name, draw_debrief(record, form).encode("utf-8"))
