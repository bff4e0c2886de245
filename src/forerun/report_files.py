"""Draws a run's reports into its folder. Sits beside the command line."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from forerun.model.observation import RunRecord
from forerun.model.profile import Procedure
from forerun.report.compare import Comparison
from forerun.report.compare_render import (
    render_comparison_html,
    render_comparison_json,
    render_comparison_markdown,
)
from forerun.report.outline import outline
from forerun.report.render_html import render_html
from forerun.report.render_json import render_json
from forerun.report.render_markdown import render_markdown
from forerun.report.runbook import write_runbook
from forerun.report.runbook_html import render_runbook
from forerun.report.sections import Outlook, Report

FORMATS = ("terminal", "json", "markdown", "html")
RUNBOOK_FORMATS = ("markdown", "html")


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


def write_reports(
    record: RunRecord,
    folder: Path,
    earlier: Sequence[RunRecord],
    procedure: Procedure,
    outlook: Outlook,
) -> None:
    """report.html, report.md, report.json, runbook.md and runbook.html into the run's folder.

    `procedure` is what was run; ValueError when it is not."""
    report = outline(record, earlier=earlier, outlook=outlook)
    for form, name in (("html", "report.html"), ("markdown", "report.md"), ("json", "report.json")):
        (folder / name).write_text(draw_report(report, form), encoding="utf-8")
    for form, name in (("markdown", "runbook.md"), ("html", "runbook.html")):
        text = draw_runbook(procedure, record, outlook, form)
        (folder / name).write_text(text, encoding="utf-8")
