"""`forerun drill`: practise an upgrade night where nothing can break."""

from __future__ import annotations

import secrets
from pathlib import Path
from typing import Annotated

import typer

from forerun.cli_common import (
    DEFAULT_URI,
    UriOption,
    open_here,
    open_to_make,
    parse_limit,
    parse_size,
    say,
    say_as_is,
    say_document,
)
from forerun.cli_drill_told import (
    CAUTION,
    say_brief,
    say_standing,
    tell_list,
    tell_progress,
)
from forerun.cli_shown import find_width
from forerun.drills.folder import (
    LOG_NAME,
    PROGRESS_NAME,
    DrillFolder,
    DrillOrder,
    draw_pseudonym,
    find_drill,
    find_drills,
)
from forerun.drills.papers import draw_debrief
from forerun.drills.start import Wish, start_drill
from forerun.drills.talk import STARTING_S, ask
from forerun.errors import EXIT_RESULT_NOT_GOOD, ForerunError, LabUnfit, UsageError
from forerun.model.drill import DrillRecord, DrillState
from forerun.model.observation import RunRecord
from forerun.model.profile import Procedure, Site
from forerun.pipeline_bench import Bench
from forerun.ports.clock import Clock
from forerun.profiles import find_drill as find_drill_file
from forerun.profiles import find_profile, load_drill, load_profile, load_site
from forerun.report.figures import say_seconds
from forerun.report.plain import one_line

app = typer.Typer(no_args_is_help=True, add_completion=False)

DrillOption = Annotated[str, typer.Option("--drill", help="a drill's id; the newest otherwise")]
_MOST_NOTE = 2000


@app.command()
def start(
    drill: Annotated[str, typer.Argument(help="a drill's name or file; `drill list` names them")],
    run: Annotated[str, typer.Option(help="a rehearsal: its server, procedure and times")] = "",
    survey: Annotated[str, typer.Option(help="a survey instead of a rehearsal")] = "",
    profile: Annotated[str, typer.Option(help="profile name or file")] = "debian-12-to-13",
    site: Annotated[Path | None, typer.Option(help="the server's own YAML file")] = None,
    person: Annotated[str, typer.Option("--as", help="who plays; a pseudonym otherwise")] = "",
    seed: Annotated[
        int, typer.Option(help="draws what happens: one seed, one night; drawn itself otherwise")
    ] = -1,
    cpus: Annotated[
        int, typer.Option(min=0, max=64, help="the clone's processors; 0: as rehearsed, else 2")
    ] = 0,
    memory: Annotated[
        str, typer.Option(help="the clone's memory, as 1GiB; as rehearsed otherwise")
    ] = "",
    rate_limit: Annotated[str, typer.Option(help="archive link, as 20Mbit/s; 0 = none")] = "0",
    template: Annotated[str, typer.Option(help="use this template instead of a fitted one")] = "",
    connect: UriOption = DEFAULT_URI,
) -> None:
    """Make a clone for a drill, and brief who plays it."""
    chosen = load_drill(find_drill_file(drill))
    if run and survey:
        raise UsageError("Name either a rehearsal or a survey.", found="--run and --survey")
    bench = open_to_make(connect)
    record = None
    if survey:
        own = load_site(site) if site else Site()
        procedure = Procedure(load_profile(find_profile(profile)), own)
        surveyed = bench.store.load_survey(survey)
    else:
        record = _find_run(bench, run)
        procedure = bench.store.load_procedure(record.id)
        surveyed = bench.store.load_survey(record.survey_id)
    order = DrillOrder(
        cpus or (record.clone_cpus if record else 2),
        parse_size(memory) if memory else (record.clone_memory_bytes if record else 1 << 30),
        parse_limit(rate_limit),
        template_id=template or _find_template(bench, record),
    )
    wish = Wish(
        chosen,
        surveyed,
        procedure,
        record,
        one_line(person)[:60] or draw_pseudonym(bench.store),
        secrets.randbelow(10**6) if seed < 0 else seed,
        order,
    )
    folder = start_drill(wish, bench)
    say(f"drill: {folder.id}")
    _follow(folder, bench.clock)
    say_brief(folder, bench.clock, find_width())


def _find_run(bench: Bench, run: str) -> RunRecord:
    if not run and not bench.store.find_runs():
        raise UsageError(
            "A drill needs a server to be about, and nothing was rehearsed yet.",
            hint="Rehearse one first (`forerun rehearse`), or name a survey with --survey ID.",
        )
    return bench.store.load_run(run or "last")


def _find_template(bench: Bench, record: RunRecord | None) -> str:
    """The rehearsal's own template, while it is there; else one is fitted again."""
    known = {info.id for info in bench.store.find_templates()}
    return record.template_id if record and record.template_id in known else ""


def _follow(folder: DrillFolder, clock: Clock) -> None:
    """Show the making of the clone. Whoever leaves here loses nothing: it goes on."""
    path, offset, began = folder.path / PROGRESS_NAME, 0, clock.monotonic()
    while True:
        record = folder.load()
        if path.is_file():
            with path.open(encoding="utf-8", errors="replace") as stream:
                stream.seek(offset)
                say_as_is(stream.read())
                offset = stream.tell()
        if record.state is DrillState.FAILED:
            raise LabUnfit(
                "The drill's clone could not be made.",
                where=folder.id,
                found=record.verdict,
                hint="Mend that, then start the drill again.",
            )
        if record.state is not DrillState.PREPARING:
            return
        if not folder.is_kept() and clock.monotonic() - began > STARTING_S:
            if folder.load().state is not DrillState.PREPARING:
                continue
            raise LabUnfit(
                "The making of the drill's clone was cut short.",
                where=str(folder.path / LOG_NAME),
                hint="Read that file, run `forerun sweep`, then start the drill again.",
            )
        clock.sleep(0.3)


@app.command(hidden=True)
def keep(
    drill: Annotated[str, typer.Argument(help="a drill's id")],
    connect: UriOption = DEFAULT_URI,
) -> None:
    """Be the keeper of a drill: started by the other commands, never by hand."""
    from forerun.drills.serve import keep as keep_drill  # noqa: PLC0415 - the pipeline

    bench = open_here(connect)
    keep_drill(find_drill(bench.store, drill), bench)


@app.command()
def brief(drill: DrillOption = "", connect: UriOption = DEFAULT_URI) -> None:
    """Say again what the drill is about, what is wanted and how much time is left."""
    folder, bench = _open(drill, connect)
    say_brief(folder, bench.clock, find_width())


@app.command()
def shell(
    drill: DrillOption = "",
    console: Annotated[
        bool, typer.Option("--console", help="the serial console, for when SSH is gone")
    ] = False,
    connect: UriOption = DEFAULT_URI,
) -> None:
    """Work on the clone. The clock begins with the first shell; what is shown is recorded."""
    from forerun.cli_drill_shell import open_shell  # noqa: PLC0415 - terminal and console

    folder, bench = _open(drill, connect)
    code = open_shell(folder, bench, console=console)
    if code:
        raise typer.Exit(code)


@app.command()
def check(drill: DrillOption = "", connect: UriOption = DEFAULT_URI) -> None:
    """How each objective stands now, by the state of the clone."""
    folder, bench = _open(drill, connect)
    ask(folder, bench, "check")
    say_standing(folder.load(), find_width())


@app.command()
def hint(
    objective: Annotated[str, typer.Argument(help="for this objective")] = "",
    drill: DrillOption = "",
    connect: UriOption = DEFAULT_URI,
) -> None:
    """The next hint, for the first objective that is not met or the one named. It costs points."""
    folder, bench = _open(drill, connect)
    told = ask(folder, bench, "hint", objective=objective)
    say(f"{told['objective']}: {told['text']}")
    say(f"(it cost {told['cost']} points; {told['left']} more for this objective)")


@app.command()
def note(
    text: Annotated[str, typer.Argument(help="what was decided and why, in a sentence")],
    drill: DrillOption = "",
    connect: UriOption = DEFAULT_URI,
) -> None:
    """Write into the night's log: decisions belong there when they are made."""
    folder, bench = _open(drill, connect)
    told = ask(folder, bench, "note", text=one_line(text, longest=_MOST_NOTE))
    say(f"noted after {say_seconds(float(told['now_s']))}")


@app.command()
def fetch(
    path: Annotated[str, typer.Argument(help="a file on the clone")],
    drill: DrillOption = "",
    connect: UriOption = DEFAULT_URI,
) -> None:
    """Take a file off the clone, as a backup must be off its server."""
    folder, bench = _open(drill, connect)
    say(f"taken off: {ask(folder, bench, 'fetch', path=path)['path']}")


@app.command("back-out")
def back_out(
    why: Annotated[str, typer.Option(help="the reason, as it is told to who decides")],
    drill: DrillOption = "",
    connect: UriOption = DEFAULT_URI,
) -> None:
    """Call the back-out: the server is brought back to where the drill began."""
    folder, bench = _open(drill, connect)
    took = float(ask(folder, bench, "back-out", why=one_line(why, longest=_MOST_NOTE))["took_s"])
    say(
        f"The server is as it was before, after {say_seconds(took)}. Prove it, then "
        "`forerun drill finish`."
    )


@app.command()
def reset(drill: DrillOption = "", connect: UriOption = DEFAULT_URI) -> None:
    """Back to where the drill began; a new attempt, with the clock at nought."""
    folder, bench = _open(drill, connect)
    took = float(ask(folder, bench, "reset")["took_s"])
    cold = folder.load().cold_start_s
    say(f"back at the hold point in {took:.1f} s (a cold start of this clone: {cold:.1f} s)")


@app.command()
def finish(drill: DrillOption = "", connect: UriOption = DEFAULT_URI) -> None:
    """Have the drill judged for good, and its clone taken away."""
    folder, bench = _open(drill, connect)
    ask(folder, bench, "finish")
    record = folder.load()
    say_standing(record, find_width())
    say(f"\n{record.verdict}")
    say(f"debrief: {folder.path}/debrief.html (and .md, .json); {CAUTION}")
    if not record.passed:
        raise typer.Exit(EXIT_RESULT_NOT_GOOD)


@app.command()
def debrief(
    drill: Annotated[str, typer.Argument(help="a drill's id; the newest otherwise")] = "",
    form: Annotated[
        str, typer.Option("--format", help="terminal | markdown | html | json")
    ] = "terminal",
    connect: UriOption = DEFAULT_URI,
) -> None:
    """What came of a drill, objective by objective, with its evidence."""
    store = open_here(connect).store
    ended = [one for one in find_drills(store) if not one.load().state.is_open]
    folder = ended[-1] if not drill and ended else find_drill(store, drill)
    record = folder.load()
    if record.state.is_open:
        raise UsageError(
            "This drill is going on.",
            where=record.id,
            hint="`forerun drill check` says how it stands, `forerun drill finish` ends it.",
        )
    say_document(draw_debrief(record, form, find_width()))


@app.command("list")
def list_all(
    person: Annotated[str, typer.Option("--as", help="only this person's")] = "",
    progress: Annotated[
        bool, typer.Option("--progress", help="who is trained for what, and since when")
    ] = False,
    form: Annotated[str, typer.Option("--format", help="terminal | markdown | json")] = "terminal",
    connect: UriOption = DEFAULT_URI,
) -> None:
    """The drills there are, those that go on, and those that were played."""
    bench = open_here(connect)
    records: list[DrillRecord] = []
    damaged: list[ForerunError] = []
    for folder in find_drills(bench.store):
        try:
            record = folder.load()
        except ForerunError as problem:
            damaged.append(problem)
            continue
        if person in ("", record.person):
            records.append(record)
    if progress:
        say_document(tell_progress(records, bench.clock.now(), form, find_width()))
    else:
        tell_list(records, find_width())
    if damaged:
        raise damaged[0]


def _open(drill: str, connect: str) -> tuple[DrillFolder, Bench]:
    bench = open_here(connect)
    return find_drill(bench.store, drill), bench
