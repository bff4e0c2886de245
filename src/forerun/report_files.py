"""Draws a run's reports into its folder. Sits beside the command line."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from forerun.model.observation import RunRecord
from forerun.model.profile import Profile, Site
from forerun.report.outline import outline
from forerun.report.render_html import render_html
from forerun.report.render_json import render_json
from forerun.report.render_markdown import render_markdown
from forerun.report.runbook import write_runbook
from forerun.report.sections import Report

FORMATS = ("terminal", "json", "markdown", "html")


def draw_report(report: Report, form: str) -> str:
    """The report as text in "json", "markdown" or "html"."""
    renderers = {"json": render_json, "markdown": render_markdown, "html": render_html}
    return renderers[form](report)


def write_reports(
    record: RunRecord, folder: Path, earlier: Sequence[RunRecord], profile: Profile, site: Site
) -> None:
    """report.html, report.md, report.json and runbook.md into the run's folder.

    `profile` and `site` are those that were run; ValueError when they are not."""
    report = outline(record, earlier=earlier)
    for form, name in (("html", "report.html"), ("markdown", "report.md"), ("json", "report.json")):
        (folder / name).write_text(draw_report(report, form), encoding="utf-8")
    (folder / "runbook.md").write_text(write_runbook(profile, site, record), encoding="utf-8")
