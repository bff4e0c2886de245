"""The procedure as a sheet to work from, where no rehearsal has shown how it goes."""

from __future__ import annotations

from collections.abc import Iterator

from forerun.model.profile import Profile, Site
from forerun.report.markdown import escape, fence
from forerun.report.plain import show_controls
from forerun.report.runbook_steps import StepSheet, list_checks, write_step


def write_sheet(profile: Profile, site: Site) -> str:
    """The steps of a profile with their commands, in Markdown; times and questions are those
    that the profile declares, since none was measured."""
    return "\n".join(_write(profile, site)).rstrip("\n") + "\n"


def _write(profile: Profile, site: Site) -> Iterator[str]:
    yield f"# {escape(profile.title)}"
    yield ""
    yield (
        "This procedure was not rehearsed for this server: it has no measured time, and questions "
        "may come that are not here. Local change control and authorised people decide."
    )
    yield ""
    steps = profile.steps
    behind = False
    for number, step in enumerate(steps, start=1):
        yield from write_step(StepSheet(number, len(steps), step, None, (), behind), profile, site)
        behind = behind or step.point_of_no_return
    yield "## Checks"
    yield ""
    for check in list_checks(profile, site):
        yield f"### {escape(check.name)}: {escape(check.title)}"
        yield ""
        yield from fence(show_controls(check.script).removesuffix("\n"), "bash")
        yield ""
        if check.advice:
            yield escape(check.advice)
            yield ""
