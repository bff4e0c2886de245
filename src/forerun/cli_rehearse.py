"""`forerun rehearse`: a new rehearsal, or one that was cut short asked for again."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

from forerun.cli_common import (
    DEFAULT_URI,
    UriOption,
    open_to_make,
    parse_age,
    parse_limit,
    parse_size,
    say,
    split_target,
)
from forerun.cli_custody import await_approval
from forerun.cli_faults import read_wanted
from forerun.cli_shown import show_run
from forerun.errors import EXIT_RESULT_NOT_GOOD, UsageError
from forerun.events import Sink
from forerun.model.observation import Outcome, RunRecord
from forerun.model.profile import Procedure, Site, UnknownPrompt
from forerun.pipeline import SurveyRequest, find_comparable, survey_production
from forerun.pipeline import rehearse as run_rehearsal
from forerun.pipeline_bench import Bench
from forerun.pipeline_request import RehearsalRequest, list_finished, read_request
from forerun.ports.ssh import SshTarget
from forerun.profiles import find_profile, load_profile, load_site
from forerun.progress import JsonLinesSink, open_terminal
from forerun.report.plain import one_line
from forerun.report_files import write_reports
from forerun.stages.sanitise_vault import Vault
from forerun.stages.session import AskPerson

_WITH_RESUME = ("resume", "connect")  # the rest is as it was


def rehearse(
    context: typer.Context,
    target: Annotated[str, typer.Argument(help="user@host: survey it first")] = "",
    survey: Annotated[str, typer.Option(help="an earlier survey's id instead of a host")] = "",
    resume: Annotated[
        str, typer.Option(help="a run that was cut short: the same request once more")
    ] = "",
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
    if [bool(target), bool(survey), bool(resume)].count(True) != 1:
        raise UsageError(
            "Name either a server or an earlier survey, or a run that was cut short.",
            hint="forerun rehearse user@host ..., or forerun rehearse --survey ID ..., or "
            "forerun rehearse --resume RUN",
        )
    if resume:
        _refuse_others(context)
        bench = open_to_make(connect)
        _rehearse(bench, lambda _: _read_again(bench, resume))
        return
    chosen = load_profile(find_profile(profile))
    own = load_site(site) if site else Site()
    wanted = read_wanted(fault or [], chosen, back_out=back_out, keep=keep)
    bench = open_to_make(connect)

    def ask_for(sink: Sink) -> RehearsalRequest:
        originals: Vault | None = None
        if target:
            user, host = split_target(target)
            where = SshTarget(
                host, port, user, identity, known_hosts, accept_new=accept_new_host_key
            )
            originals = Vault()
            surveyed = survey_production(SurveyRequest(where, originals), bench, sink)
            await_approval(surveyed, bench, approval_wait)
        else:
            surveyed = bench.store.load_survey(survey)
        return RehearsalRequest(
            surveyed,
            chosen,
            own,
            cpus,
            parse_size(memory),
            parse_limit(rate_limit),
            parse_age(index_age),
            unknown_prompt,
            _find_person(),
            keep,
            template,
            originals,
            site_path=str(site or ""),
            wanted=wanted,
        )

    _rehearse(bench, ask_for)


def _refuse_others(context: typer.Context) -> None:
    """Options beside --resume would make it another rehearsal."""
    given = [
        f"--{name.replace('_', '-')}"
        for name in context.params
        if name not in _WITH_RESUME
        and (source := context.get_parameter_source(name)) is not None
        and source.name != "DEFAULT"
    ]
    if given:
        raise UsageError(
            "A run that was cut short is repeated with the options it had.",
            wanted="--resume RUN, and --connect if libvirt is elsewhere",
            found=", ".join(given),
            hint="Leave them out, or start a new rehearsal with --survey.",
        )


def _read_again(bench: Bench, run: str) -> RehearsalRequest:
    request = read_request(bench, run, ask=_find_person())
    finished = ", ".join(list_finished(bench.store, run)) or "nothing"
    say(
        f"{run} had finished: {finished}\n"
        f"used again: survey {request.survey.id} and its approved copy, finished templates or "
        "their parts, fetched packages\n"
        "done anew, as a new run: everything else, for its clone is gone"
    )
    return request


def _find_person() -> AskPerson | None:
    return _ask_person if sys.stdin.isatty() else None


def _ask_person(question: str, process: str) -> str | None:
    """Put a question of the clone to the person at the terminal; None stops the run."""
    say(f"\n{question}\n({one_line(process)} waits; Ctrl-D stops the rehearsal)")
    try:
        return input("answer> ")
    except EOFError:
        return None


def _rehearse(bench: Bench, ask_for: Callable[[Sink], RehearsalRequest]) -> None:
    from forerun.pipeline_outlook import Look, look_out  # noqa: PLC0415 - numpy

    looks: list[Look] = []
    sink = open_terminal(sys.stderr, dict(os.environ))
    try:
        request = ask_for(sink)

        def draw(record: RunRecord, folder: Path) -> None:
            earlier = find_comparable(bench.store, record)
            procedure = Procedure(request.profile, request.site)
            looks.append(look_out(bench.store, record, procedure, folder))
            write_reports(record, folder, earlier, procedure, looks[-1].outlook)

        done = run_rehearsal(
            request,
            bench,
            sink,
            run_sink=lambda folder: JsonLinesSink(folder / "events.jsonl"),
            draw=draw,
        )
    finally:
        sink.close()
    (look,) = looks
    look.keep(bench.store, done.record, bench.clock.now())
    earlier = find_comparable(bench.store, done.record)
    show_run(done.record, done.folder, earlier, look.outlook)
    if done.reach_hint:
        say(
            "\nThe clone was kept. It runs unpatched on purpose and is no backup: use it for "
            f"nothing else. Reach it, then remove it:\n{done.reach_hint}"
        )
    say(f"fetched from outside: {done.outside_bytes} bytes")
    say(f"run: {done.record.id}")
    if done.record.outcome is not Outcome.COMPLETED:
        raise typer.Exit(EXIT_RESULT_NOT_GOOD)
