"""The runbook as a page to be printed: the Markdown's own text, and the night drawn."""

from __future__ import annotations

from functools import cache

from jinja2 import Environment
from markupsafe import Markup

from forerun.model.observation import RunRecord
from forerun.model.profile import Profile, Site
from forerun.report.markdown_html import name_place, read_sheet
from forerun.report.page import draw_page, gather_night, make_environment
from forerun.report.plain import clean_record
from forerun.report.plan import NIGHT_HEADING
from forerun.report.runbook import write_runbook
from forerun.report.sections import Outlook


def render_runbook(
    profile: Profile, site: Site, record: RunRecord, outlook: Outlook | None = None
) -> str:
    """The page; raises ValueError as `write_runbook` does."""
    sheet = read_sheet(write_runbook(profile, site, record, outlook))
    run, look = clean_record(record), clean_record(outlook or Outlook())
    return draw_page(
        _environment(),
        "runbook.html.j2",
        title=sheet.title,
        kind="runbook",
        footer=f"Drawn by forerun from run {run.id}, profile {profile.digest[:16]}.",
        heading=sheet.title.removeprefix("Runbook: "),
        run=run,
        parts=[(part.place, part.title, Markup(part.html)) for part in sheet.parts],  # noqa: S704 - escaped by its writer
        night_place=name_place(NIGHT_HEADING),
        plan=look.plan,
        **gather_night(look.plan),
    )


@cache
def _environment() -> Environment:
    return make_environment()
