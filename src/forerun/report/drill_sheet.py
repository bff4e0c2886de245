"""The procedure as a sheet to work from, where no rehearsal has shown how it goes."""

from __future__ import annotations

import re
from collections.abc import Iterator

from forerun.model.profile import Profile, PromptRule, Site
from forerun.report.markdown import escape, fence, table
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
    yield from _answers(profile, site)
    steps = profile.steps
    behind = False
    for number, step in enumerate(steps, start=1):
        sheet = StepSheet(number, len(steps), step, None, (), behind, rehearsed=False)
        yield from write_step(sheet, profile, site)
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


def _answers(profile: Profile, site: Site) -> Iterator[str]:
    """What to answer to the questions that are known, the site's own rules first."""
    rules = (*site.prompts, *profile.prompts)
    if not rules:
        return
    yield "## Questions that have an agreed answer"
    yield ""
    yield "What is asked stands here as a pattern; any other question is for authorised people."
    yield ""
    rows = [(rule.name, _read_pattern(rule.asks), _say_answer(rule), rule.why) for rule in rules]
    yield from table(("Rule", "Asked", "Answer", "Why"), rows)
    yield ""


def _say_answer(rule: PromptRule) -> str:
    if not rule.answer:
        return "Enter alone"
    return f"{rule.answer}, {'without Enter' if rule.raw else 'then Enter'}"


def _read_pattern(pattern: str) -> str:
    """A pattern without what only the machine needs of it."""
    text = show_controls(pattern).removeprefix("^").removesuffix("$").removesuffix(r"\s*")
    return re.sub(r"\\([^\w\s])", r"\1", text)
