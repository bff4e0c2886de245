"""The report as one self-contained HTML page: no script, no request, no other file."""

from __future__ import annotations

from functools import cache

from jinja2 import Environment

from forerun.report.answers import RUNBOOK_PLACES, list_answers
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
from forerun.report.forecast import (
    NONE_MADE,
    NOT_BACK,
    QUANTILE_WORDS,
    has_figures,
    list_quantiles,
    say_amount,
    say_basis,
    say_draws,
    say_fit,
    say_sign,
    say_tolerance,
)
from forerun.report.foretold import LOSSES, QUESTIONS, SOURCE, list_rest, say_foretelling
from forerun.report.found import NOT_LOOKED_FOR, NOT_SETTLED, NOTHING_FOUND
from forerun.report.likeness import SHOWN, say_difference, say_likeness, say_score
from forerun.report.night import draw_histogram, draw_parts, draw_services
from forerun.report.page import draw_page, gather_night, make_environment
from forerun.report.parts import (
    LETTERS,
    NO_PARTS,
    list_part_rows,
    list_parts_seen,
    titles_of,
)
from forerun.report.sections import QUIET_CHANGES, Report
from forerun.report.sheet import (
    NO_TRANSCRIPT,
    find_mark,
    make_sheet,
    name_steps,
    say_transcript,
)
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


def render_html(report: Report) -> str:
    """The page. Every text of the report is escaped by the template."""
    look = report.outlook
    titles = titles_of(name_steps(report))
    sheet = make_sheet(report)
    return draw_page(
        _environment(),
        "report.html.j2",
        title=f"Rehearsal of {report.record.host}: {report.record.outcome.value}",
        kind="report",
        footer=f"Drawn by forerun {report.record.forerun_version or '(version not recorded)'} from "
        f"run {report.record.id}.",
        report=report,
        run=report.record,
        contents=CONTENTS,
        sheet=sheet,
        ruling_mark=find_mark(sheet.ruling),
        answers=list_answers(report),
        runbook_places=RUNBOOK_PLACES,
        steps_drawn=draw_steps(report),
        outages_drawn=draw_outages(report),
        start_s=find_start(report),
        steps_by_stage=group_by_stage(report),
        grave=GRAVE,
        estimate_quantiles=list_quantiles(look.forecast) if look.forecast else (),
        services_drawn=draw_services(look.forecast),
        histogram_drawn=draw_histogram(look.forecast),
        parts_drawn=draw_parts(look.parts, titles),
        parts_seen=[(part, LETTERS[part]) for part in list_parts_seen(look.parts)],
        parts_rows=tuple(list_part_rows(look.parts, titles)),
        **gather_night(look.plan),
    )


CONTENTS = (
    ("decision", "Decision"),
    ("questions", "Twenty questions the night before"),
    ("verdict", "The rehearsal"),
    ("findings", "Findings"),
    ("overlooked", "Known changes not looked at"),
    ("objections", "What speaks against the figures"),
    ("estimate", "Estimate for production"),
    ("night", "The night by the clock"),
    ("outage", "Outage"),
    ("timetable", "Timetable"),
    ("parts", "Where the time went"),
    ("checks", "Checks"),
    ("prompts", "Prompts"),
    ("foretold", "Foretold questions and losses"),
    ("reboot", "Reboot"),
    ("download", "Download"),
    ("packages", "Packages"),
    ("disk", "Disk"),
    ("kept", "Files left beside"),
    ("back-out", "Back-out"),
    ("faults", "Faults tried"),
    ("fidelity", "Fidelity of the clone"),
    ("since", "Since the survey"),
    ("lab", "Lab host"),
    ("transcript", "Transcript"),
    ("teardown", "Teardown"),
    ("cautions", "Cautions"),
)


@cache
def _environment() -> Environment:
    environment = make_environment()
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
    environment.globals.update(
        quiet_changes=QUIET_CHANGES,
        nothing_found=NOTHING_FOUND,
        not_looked_for=NOT_LOOKED_FOR,
        not_settled=NOT_SETTLED,
        no_parts=NO_PARTS,
        no_transcript=NO_TRANSCRIPT,
        say_transcript=say_transcript,
        none_made=NONE_MADE,
        not_back=NOT_BACK,
        quantile_words=QUANTILE_WORDS,
        has_figures=has_figures,
        say_fit=say_fit,
        say_draws=say_draws,
        say_tolerance=say_tolerance,
        say_sign=say_sign,
        say_amount=say_amount,
        say_basis=say_basis,
    )
    return environment
