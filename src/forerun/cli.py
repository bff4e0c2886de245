"""The command line: parse, one call down, map errors to exit codes. No decisions."""

from __future__ import annotations

import io
import os
import signal
import sys
import traceback
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import Annotated

import typer
from tabulate import tabulate

from forerun import (
    __version__,
    cli_custody,
    cli_drill,
    cli_estimate,
    cli_faults,
    cli_profile,
    cli_rehearse,
    cli_report,
    cli_template,
)
from forerun.cli_common import (
    CAUTION,
    DEFAULT_URI,
    ArchiveOption,
    UriOption,
    find_archives,
    load_each,
    open_here,
    open_to_make,
    say,
    say_as_is,
    split_target,
    warn,
)
from forerun.cli_drift import show_drift
from forerun.cli_shown import find_width, show_survey
from forerun.drills.start import give_up_abandoned
from forerun.errors import (
    EXIT_BUG,
    EXIT_OK,
    EXIT_RESULT_NOT_GOOD,
    ForerunError,
    Interrupted,
    LabUnfit,
    UsageError,
)
from forerun.pipeline import SurveyRequest, survey_production
from forerun.pipeline_request import find_unfinished_runs
from forerun.ports.ssh import SshTarget
from forerun.ports.store import FULL, choose_state_folder, say_no_room
from forerun.progress import open_terminal
from forerun.report.list_runs import list_runs_table
from forerun.report.plain import one_line, strip_controls
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
app.command()(cli_rehearse.rehearse)
app.command()(cli_estimate.estimate)
app.command()(cli_estimate.plan)
app.command()(cli_estimate.actual)
app.command()(cli_report.report)
app.command()(cli_report.runbook)
app.add_typer(cli_template.app, name="template", help="Build, list, verify, remove, import.")
app.add_typer(cli_drill.app, name="drill", help="Practise an upgrade night on a clone.")
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
        bool,
        typer.Option(
            help="also time the server at work, some 10 s: this is the one thing that WRITES "
            "there, up to 50 MB into a directory of its own below /var, removed again; it also "
            "fetches up to 8 MB from the server's own archives. See --show-commands"
        ),
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
    user, host = split_target(target)
    where = SshTarget(host, port, user, identity, known_hosts, accept_new=accept_new_host_key)
    owner = _read_certificate(keep_map) if keep_map else b""
    bench = open_to_make(connect)
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


@app.command()
def runs(connect: UriOption = DEFAULT_URI) -> None:
    """List the stored runs."""
    store = open_here(connect).store
    names = store.find_runs()
    records, damaged = load_each(names, store.load_run)
    say(list_runs_table(records, width=find_width()) if records else "no runs yet")
    for run, process in find_unfinished_runs(store):
        again = f"cut short: forerun rehearse --resume {run}"
        say(f"{run}  {f'going on, process {process}' if process else again}")
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
        swept = sweep_leftovers(bench.store, hypervisor, bench.command, run=run)
        given_up = give_up_abandoned(bench, hypervisor, only=run)
    finally:
        hypervisor.close()
    for drill in given_up:
        say(f"removed the clone of {drill}, which nobody kept; its record stays")
    for thing in swept.removed:
        say(f"removed {thing}")
    for thing in swept.left:
        say(f"left    {thing}")
    for note in swept.notes:
        say(f"note    {one_line(note, longest=300)}")
    say(f"{len(swept.removed)} removed, {len(swept.left)} left")
    warn("Surveys with their copies, runs and templates are not swept: they stay.")
    if swept.left:
        raise typer.Exit(EXIT_RESULT_NOT_GOOD)


@app.command()
def version() -> None:
    """Print the version and the cautions."""
    say(f"forerun {__version__}\n{CAUTION}")


# A terminal that goes away (SIGHUP) is no reason to leave anything behind.
_ENDING = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


def _raise_interrupted(number: int, _frame: FrameType | None) -> None:
    for one in _ENDING:
        signal.signal(one, signal.SIG_IGN)  # the tear-down itself is not interrupted
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
        return _tell(problem)
    except BrokenPipeError:
        return EXIT_OK
    except Exception as problem:
        if isinstance(problem, OSError) and problem.errno in FULL:
            return _tell(say_no_room(problem, state))
        return _report_bug(problem, state)


def _tell(problem: ForerunError | Interrupted) -> int:
    print(f"forerun: {strip_controls(str(problem))}", file=sys.stderr)  # noqa: T201
    if problem.hint:
        print(f"  next: {strip_controls(problem.hint)}", file=sys.stderr)  # noqa: T201
    return problem.exit_code


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
    for one in _ENDING:
        if one is not signal.SIGHUP or signal.getsignal(one) is not signal.SIG_IGN:  # nohup(1)
            signal.signal(one, _raise_interrupted)
    for stream in (sys.stdout, sys.stderr):  # a letter the terminal lacks ends no command
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    state = choose_state_folder(dict(os.environ), uid=os.geteuid())
    sys.exit(run_guarded(lambda: app(standalone_mode=True), state))
