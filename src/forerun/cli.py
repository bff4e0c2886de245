"""The command line: parse, one call down, map errors to exit codes. No decisions."""

from __future__ import annotations

import io
import os
import re
import signal
import sys
import traceback
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import Annotated

import typer
from tabulate import tabulate

from forerun import __version__, cli_custody, cli_faults, cli_profile, cli_template
from forerun.cli_common import (
    CAUTION,
    DEFAULT_URI,
    ArchiveOption,
    UriOption,
    find_archives,
    load_each,
    open_here,
    parse_age,
    parse_bits,
    parse_size,
    say,
    say_as_is,
    say_document,
    warn,
)
from forerun.cli_custody import await_approval
from forerun.cli_drift import show_drift
from forerun.cli_faults import read_wanted
from forerun.cli_shown import caution_unlisted, find_width, show_run, show_survey
from forerun.errors import (
    EXIT_BUG,
    EXIT_OK,
    EXIT_RESULT_NOT_GOOD,
    ForerunError,
    Interrupted,
    LabUnfit,
    UsageError,
)
from forerun.model.observation import Outcome, RunRecord
from forerun.model.profile import Site, UnknownPrompt
from forerun.pipeline import SurveyRequest, find_comparable, rehearse, survey_production
from forerun.pipeline_walk import RehearsalRequest
from forerun.ports.ssh import SshTarget
from forerun.ports.store import choose_state_folder
from forerun.profiles import find_profile, load_profile, load_site
from forerun.progress import JsonLinesSink, open_terminal
from forerun.report.list_runs import list_runs_table
from forerun.report.outline import outline
from forerun.report.plain import one_line, strip_controls
from forerun.report_files import FORMATS, draw_report, write_reports
from forerun.stages.custody import KEEP_DAYS, LONGEST_DAYS
from forerun.stages.lab import LabCheck, inspect_lab
from forerun.stages.sanitise_vault import Vault
from forerun.stages.survey import list_probes
from forerun.stages.sweep import sweep as sweep_leftovers

app = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    help="Rehearse a server's major operating-system upgrade on a throwaway clone and say "
    "what happened. Production is only ever read.",
)
app.command()(cli_custody.surveys)
app.command()(cli_custody.review)
app.command()(cli_custody.approve)
app.command()(cli_faults.faults)
app.add_typer(cli_template.app, name="template", help="Build, list, verify, remove, import.")
app.add_typer(cli_profile.app, name="profile", help="Check a profile, print its schema.")


@app.command()
def lab(archive: ArchiveOption = None, connect: UriOption = DEFAULT_URI) -> None:
    """Is this lab host fit for a rehearsal?"""
    bench = open_here(connect)
    archives = find_archives(archive, "bookworm")
    findings = inspect_lab(
        LabCheck(bench.store, bench.command, bench.lab, bench.clock, bench.uri, archives)
    )
    rows = [(f.result, f.subject, one_line(f.found, longest=90), f.hint) for f in findings]
    say(tabulate(rows, headers=("result", "subject", "found", "what mends it")))
    lacks = [finding.subject for finding in findings if finding.result == "lack"]
    if lacks:
        raise LabUnfit(
            "This lab host is not fit for a rehearsal yet.",
            found=f"lacking: {', '.join(lacks)}",
            hint="Mend what the last column names, then run `forerun lab` again.",
        )
    say("\nfit for a rehearsal")


@app.command()
def survey(
    target: Annotated[str, typer.Argument(help="user@host of the server to be read")] = "",
    port: Annotated[int, typer.Option(help="SSH port")] = 22,
    identity: Annotated[Path | None, typer.Option(help="private key file")] = None,
    known_hosts: Annotated[Path | None, typer.Option(help="file of known host keys")] = None,
    accept_new_host_key: Annotated[
        bool, typer.Option(help="record an unknown host key; a changed one is still refused")
    ] = False,
    show_commands: Annotated[
        bool, typer.Option(help="print every command a survey runs, and stop")
    ] = False,
    calibrate: Annotated[
        bool, typer.Option(help="also have the server do a fixed, small amount of work and time it")
    ] = False,
    keep_map: Annotated[
        Path | None,
        typer.Option(help="keep what stands for what, sealed for the owner of this certificate"),
    ] = None,
    keep_days: Annotated[
        int, typer.Option(min=1, max=LONGEST_DAYS, help="delete the copy after so many days")
    ] = KEEP_DAYS,
    connect: UriOption = DEFAULT_URI,
) -> None:
    """Read production over SSH and store a sanitised copy."""
    if show_commands:
        for name, command in list_probes(calibrate=calibrate):
            say_as_is(f"# {name}\n{command}\n\n")
        return
    user, host = _split_target(target)
    where = SshTarget(host, port, user, identity, known_hosts, accept_new=accept_new_host_key)
    owner = _read_certificate(keep_map) if keep_map else b""
    bench = open_here(connect)
    sink = open_terminal(sys.stderr, dict(os.environ))
    try:
        vault = Vault(keep_map=bool(owner))
        taken = survey_production(
            SurveyRequest(where, vault, calibrate, owner, keep_days), bench, sink
        )
    finally:
        sink.close()
    show_survey(taken)
    show_drift(bench.store, taken)
    say(
        f"The copy is kept until {taken.keep_until}. Known kinds of secrets are found; what "
        "stands for names can still be personal data in law. A person must look it over "
        f"before it is used:\n  forerun review {taken.id}\n"
        f"  forerun approve {taken.id} --by NAME"
    )
    say(f"survey: {taken.id}")


def _read_certificate(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as problem:
        raise UsageError(
            "The owner's certificate cannot be read.", where=str(path), found=str(problem)
        ) from problem


def _split_target(target: str) -> tuple[str, str]:
    match = re.fullmatch(r"([A-Za-z0-9_][A-Za-z0-9_.-]*)@([A-Za-z0-9.:_-]+)", target)
    if match is None:
        raise UsageError(
            "The server must be named as user@host.",
            found=repr(target),
            hint="For example: forerun survey root@shelf01.records.example",
        )
    return match[1], match[2]


@app.command(name="rehearse")
def rehearse_command(
    target: Annotated[str, typer.Argument(help="user@host: survey it first")] = "",
    survey: Annotated[str, typer.Option(help="an earlier survey's id instead of a host")] = "",
    profile: Annotated[str, typer.Option(help="profile name or file")] = "debian-12-to-13",
    site: Annotated[Path | None, typer.Option(help="the server's own YAML file")] = None,
    port: Annotated[int, typer.Option(help="SSH port of the server")] = 22,
    identity: Annotated[Path | None, typer.Option(help="private key file")] = None,
    known_hosts: Annotated[Path | None, typer.Option(help="file of known host keys")] = None,
    accept_new_host_key: Annotated[
        bool, typer.Option(help="record an unknown host key; a changed one is still refused")
    ] = False,
    cpus: Annotated[int, typer.Option(min=1, max=64, help="the clone's processors")] = 2,
    memory: Annotated[str, typer.Option(help="the clone's memory, as 1GiB")] = "1GiB",
    rate_limit: Annotated[str, typer.Option(help="archive link, as 20Mbit/s; 0 = none")] = "0",
    index_age: Annotated[str, typer.Option(help="reuse archive indexes this young")] = "1 h",
    unknown_prompt: Annotated[
        UnknownPrompt | None, typer.Option(help="at a question nobody declared")
    ] = None,
    template: Annotated[str, typer.Option(help="use this template instead of a fitted one")] = "",
    keep: Annotated[bool, typer.Option(help="keep the clone running on purpose")] = False,
    fault: Annotated[
        list[str] | None, typer.Option(help="let this happen in a step: NAME@STEP; may be repeated")
    ] = None,
    back_out: Annotated[
        bool, typer.Option("--back-out", help="afterwards rehearse and time the ways back")
    ] = False,
    approval_wait: Annotated[
        str, typer.Option(help="wait so long for the approval of a fresh copy, as 1h")
    ] = "",
    connect: UriOption = DEFAULT_URI,
) -> None:
    """Rehearse the upgrade of a surveyed server on a throwaway clone."""
    if bool(target) == bool(survey):
        raise UsageError(
            "Name either a server or an earlier survey.",
            hint="forerun rehearse user@host ..., or forerun rehearse --survey ID ...",
        )
    chosen = load_profile(find_profile(profile))
    own = load_site(site) if site else Site()
    wanted = read_wanted(fault or [], chosen, back_out=back_out, keep=keep)
    bench = open_here(connect)
    originals: Vault | None = None
    sink = open_terminal(sys.stderr, dict(os.environ))
    try:
        if target:
            user, host = _split_target(target)
            where = SshTarget(
                host, port, user, identity, known_hosts, accept_new=accept_new_host_key
            )
            originals = Vault()
            surveyed = survey_production(SurveyRequest(where, originals), bench, sink)
            await_approval(surveyed, bench, approval_wait)
        else:
            surveyed = bench.store.load_survey(survey)
        request = RehearsalRequest(
            surveyed,
            chosen,
            own,
            cpus,
            parse_size(memory),
            parse_bits(rate_limit),
            parse_age(index_age),
            unknown_prompt,
            _ask_person if sys.stdin.isatty() else None,
            keep,
            template,
            originals,
            wanted,
        )

        def draw(record: RunRecord, folder: Path) -> None:
            earlier = find_comparable(bench.store, record)
            write_reports(record, folder, earlier, request.profile, request.site)

        done = rehearse(
            request,
            bench,
            sink,
            run_sink=lambda folder: JsonLinesSink(folder / "events.jsonl"),
            draw=draw,
        )
    finally:
        sink.close()
    show_run(done.record, done.folder, find_comparable(bench.store, done.record))
    if done.reach_hint:
        say(
            "\nThe clone was kept. It runs unpatched on purpose and is no backup: use it for "
            f"nothing else. Reach it, then remove it:\n{done.reach_hint}"
        )
    say(f"fetched from outside: {done.outside_bytes} bytes")
    say(f"run: {done.record.id}")
    if done.record.outcome is not Outcome.COMPLETED:
        raise typer.Exit(EXIT_RESULT_NOT_GOOD)


def _ask_person(question: str, process: str) -> str | None:
    """Put a question of the clone to the person at the terminal; None stops the run."""
    say(f"\n{question}\n({one_line(process)} waits; Ctrl-D stops the rehearsal)")
    try:
        return input("answer> ")
    except EOFError:
        return None


@app.command()
def report(
    run: Annotated[str, typer.Argument(help="a run's id, or `last`")],
    form: Annotated[str, typer.Option("--format", help=" | ".join(FORMATS))] = "terminal",
    connect: UriOption = DEFAULT_URI,
) -> None:
    """Draw the report of a stored run again."""
    bench = open_here(connect)
    record = bench.store.load_run(run)
    caution_unlisted(bench.store.runs / record.id)
    earlier = find_comparable(bench.store, record)
    if form not in FORMATS:
        raise UsageError("There is no such format.", found=form, wanted=", ".join(FORMATS))
    if form == "terminal":
        show_run(record, bench.store.runs / record.id, earlier)
    else:
        say_document(draw_report(outline(record, earlier=earlier), form))


@app.command()
def runs(connect: UriOption = DEFAULT_URI) -> None:
    """List the stored runs."""
    store = open_here(connect).store
    names = store.find_runs()
    records, damaged = load_each(names, store.load_run)
    say(list_runs_table(records, width=find_width()) if records else "no runs yet")
    if damaged:
        raise damaged[0]


@app.command()
def sweep(
    run: Annotated[str, typer.Option(help="remove this run's clone, kept or not")] = "",
    connect: UriOption = DEFAULT_URI,
) -> None:
    """Remove what a killed rehearsal left; never anything forerun did not make."""
    bench = open_here(connect)
    hypervisor = bench.open_hypervisor()
    try:
        swept = sweep_leftovers(bench.store, hypervisor, run=run)
    finally:
        hypervisor.close()
    for thing in swept.removed:
        say(f"removed {thing}")
    for thing in swept.left:
        say(f"left    {thing}")
    say(f"{len(swept.removed)} removed, {len(swept.left)} left")
    warn("Surveys with their copies, runs and templates are not swept: they stay.")
    if swept.left:
        raise typer.Exit(EXIT_RESULT_NOT_GOOD)


@app.command()
def version() -> None:
    """Print the version and the cautions."""
    say(f"forerun {__version__}\n{CAUTION}")


def _raise_interrupted(number: int, _frame: FrameType | None) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the tear-down itself is not interrupted
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    raise Interrupted(
        f"Interrupted by {signal.Signals(number).name}; everything was torn down.",
        hint="`forerun runs` shows what was recorded; `forerun sweep` finds leftovers.",
    )


def run_guarded(call: Callable[[], object], state: Path) -> int:
    """Run a command and turn whatever it raises into an exit code and a message."""
    try:
        call()
        return EXIT_OK
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else EXIT_OK
    except (ForerunError, Interrupted) as problem:
        print(f"forerun: {strip_controls(str(problem))}", file=sys.stderr)  # noqa: T201
        if problem.hint:
            print(f"  next: {strip_controls(problem.hint)}", file=sys.stderr)  # noqa: T201
        return problem.exit_code
    except BrokenPipeError:
        return EXIT_OK
    except Exception as problem:
        return _report_bug(problem, state)


def _report_bug(problem: Exception, state: Path) -> int:
    """A bug leaves a log ready to attach; no traceback reaches the screen."""
    log = state / "bug.log"
    text = "".join(traceback.format_exception(problem))
    try:
        state.mkdir(mode=0o711, parents=True, exist_ok=True)
        handle = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_NOFOLLOW, 0o600)
        with os.fdopen(handle, "w", encoding="utf-8", errors="backslashreplace") as out:
            out.write(f"forerun {__version__}\n{sys.argv[1:]}\n{text}")
        place = str(log)
    except OSError:
        place = "(it could not be written)"
    print(  # noqa: T201
        f"forerun: a mistake in forerun itself ({type(problem).__name__}).\n  log: {place}\n"
        "  next: run `forerun sweep`; read the log, which may hold words of your server, then "
        "send it to the maintainers.",
        file=sys.stderr,
    )
    return EXIT_BUG


def main() -> None:
    """Entry point of the `forerun` command."""
    signal.signal(signal.SIGINT, _raise_interrupted)
    signal.signal(signal.SIGTERM, _raise_interrupted)
    for stream in (sys.stdout, sys.stderr):  # a letter the terminal lacks ends no command
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    state = choose_state_folder(dict(os.environ), uid=os.geteuid())
    sys.exit(run_guarded(lambda: app(standalone_mode=True), state))
