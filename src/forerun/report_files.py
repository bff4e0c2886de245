"""Draws a run's reports into its folder. Sits beside the command line."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from forerun.model.observation import RunRecord
from forerun.model.profile import Procedure, Profile, Site
from forerun.report.compare import Comparison
from forerun.report.compare_render import (
    render_comparison_html,
    render_comparison_json,
    render_comparison_markdown,
)
from forerun.report.outline import outline
from forerun.report.plain import strip_controls
from forerun.report.render_html import render_html
from forerun.report.render_json import render_json
from forerun.report.render_markdown import render_markdown
from forerun.report.runbook import write_runbook
from forerun.report.runbook_html import render_runbook
from forerun.report.sections import Outlook, Report, Transcript

FORMATS = ("terminal", "json", "markdown", "html")
RUNBOOK_FORMATS = ("markdown", "html")
TRANSCRIPT_NAME = "terminal.log"
_TRANSCRIPT_BYTES = 1 << 16
_TRANSCRIPT_LINES = 120


def draw_report(report: Report, form: str) -> str:
    """The report as text in "json", "markdown" or "html"."""
    renderers = {"json": render_json, "markdown": render_markdown, "html": render_html}
    return renderers[form](report)


def draw_comparison(comparison: Comparison, form: str) -> str:
    """The comparison as text in "json", "markdown" or "html"."""
    renderers = {
        "json": render_comparison_json,
        "markdown": render_comparison_markdown,
        "html": render_comparison_html,
    }
    return renderers[form](comparison)


def draw_runbook(procedure: Procedure, record: RunRecord, outlook: Outlook, form: str) -> str:
    """The runbook as text in "markdown" or "html"; ValueError when it is not that run's."""
    renderers = {"markdown": write_runbook, "html": render_runbook}
    return renderers[form](procedure.profile, procedure.site, record, outlook)


def gather_outlook(folder: Path) -> Outlook:
    """What is known beyond the run's record, from its folder."""
    return Outlook(transcript=read_transcript(folder))


def read_transcript(folder: Path) -> Transcript | None:
    """The end of the run's terminal log; None where there is none."""
    path = folder / TRANSCRIPT_NAME
    if not path.is_file() or path.is_symlink():
        return None
    with path.open("rb") as stream:
        size = stream.seek(0, os.SEEK_END)
        stream.seek(max(size - _TRANSCRIPT_BYTES, 0))
        text = stream.read(_TRANSCRIPT_BYTES).decode("utf-8", "replace")
    lines = [line.rstrip() for line in strip_controls(text).split("\n")]
    kept = [line for line in lines if line][-_TRANSCRIPT_LINES:]
    if not kept:
        return None
    cut = size > _TRANSCRIPT_BYTES or len(kept) == _TRANSCRIPT_LINES
    return Transcript(TRANSCRIPT_NAME, tuple(kept), cut)


def write_reports(
    record: RunRecord,
    folder: Path,
    earlier: Sequence[RunRecord],
    profile: Profile,
    site: Site,
    *,
    outlook: Outlook | None = None,
) -> None:
    """report.html, report.md, report.json, runbook.md and runbook.html into the run's folder.

    `profile` and `site` are those that were run; ValueError when they are not. Without an
    outlook it is gathered from the folder."""
    look = outlook or gather_outlook(folder)
    report = outline(record, earlier=earlier, outlook=look)
    for form, name in (("html", "report.html"), ("markdown", "report.md"), ("json", "report.json")):
        (folder / name).write_text(draw_report(report, form), encoding="utf-8")
    procedure = Procedure(profile, site)
    for form, name in (("markdown", "runbook.md"), ("html", "runbook.html")):
        text = draw_runbook(procedure, record, look, form)
        (folder / name).write_text(text, encoding="utf-8")
