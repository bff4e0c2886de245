"""Commands for the copy in custody: list, look over, approve."""

from __future__ import annotations

import sys
from ipaddress import ip_address
from typing import Annotated

import typer
from tabulate import tabulate

from forerun.cli_common import DEFAULT_URI, UriOption, load_each, open_here, parse_age, say
from forerun.errors import NotFound
from forerun.model.survey import CleanSurvey
from forerun.pipeline_bench import Bench
from forerun.ports.clock import format_instant
from forerun.ports.store import Store
from forerun.report.plain import one_line
from forerun.stages.copy_tar import read_files
from forerun.stages.custody import (
    approve_copy,
    digest_copy,
    find_approval,
    find_copy,
    find_end,
    list_reviews,
    wait_for_approval,
)
from forerun.stages.design import list_allowed

IdArgument = Annotated[str, typer.Argument(help="a survey's id")]


def surveys(connect: UriOption = DEFAULT_URI) -> None:
    """List the stored surveys, and who approved their copies."""
    store = open_here(connect).store
    names = tuple(reversed(store.find_surveys()))
    rows, damaged = load_each(names, lambda one: _show_survey(store, store.load_survey(one)))
    headings = ("Survey", "Server", "Taken", "Kept until", "Copy", "Approved by")
    say(tabulate(rows, headers=headings, disable_numparse=True) if names else "no surveys yet")
    if damaged:
        raise damaged[0]


def _show_survey(store: Store, survey: CleanSurvey) -> tuple[str, ...]:
    approval = find_approval(store, survey.id)
    has_copy = (store.surveys / survey.id / "copy.tar").is_file()
    return (
        survey.id,
        one_line(survey.host),
        one_line(survey.taken_at),
        format_instant(find_end(survey)),
        "there" if has_copy else "deleted",
        one_line(approval.by, longest=30) if approval else "nobody yet",
    )


def review(
    survey: IdArgument,
    file: Annotated[str, typer.Option(help="show this file of the copy instead")] = "",
    connect: UriOption = DEFAULT_URI,
) -> None:
    """Show what was replaced in a survey's copy, file by file, and what was left out."""
    store = open_here(connect).store
    found = store.load_survey(survey)
    path = find_copy(store, found.id)
    if file:
        digest_copy(store, found.id)  # what is shown is what the survey left
        contents = read_files(path, {file})
        if file not in contents:
            raise NotFound(
                "The copy has no such file.",
                where=str(path),
                found=file,
                hint=f"`tar -tf {path}` lists what is in it; names begin with a / here.",
            )
        say(contents[file].decode("utf-8", "replace"))
        return
    say(f"{found.id}: {one_line(found.host)}, taken {one_line(found.taken_at)}")
    say(f"kept until {format_instant(find_end(found))}; {len(found.entries)} entries in {path}")
    say(f"SHA-256 {digest_copy(store, found.id)}\n")
    rows = [
        (one_line(one.path), one.digest[:12], ", ".join(f"{n} {rule}" for rule, n in one.rules))
        for one in list_reviews(found)
    ]
    say(tabulate(rows, headers=("Replaced in", "SHA-256", "By rule"), disable_numparse=True))
    archives = [
        (one_line(f"{one.scheme}://{one.host}:{one.port}{one.path_prefix}"), _place(one.host))
        for one in list_allowed(found.sources)
    ]
    headings = ("Archives the clone may ask", "Where")
    say("\n" + tabulate(archives, headers=headings, disable_numparse=True))
    for title, left in (("Withheld", found.withheld), ("Not readable", found.not_readable)):
        if left:
            told = [(one_line(one.path), one_line(one.reason)) for one in left]
            say("\n" + tabulate(told, headers=(title, "Why"), disable_numparse=True))
    say(
        "\nScripts of these archives' packages run on this lab host while a template is built: "
        "approve only archives that you trust.\n"
        "Known kinds of secrets are found. Look for what only your site knows to be secret:\n"
        f"  forerun review {found.id} --file PATH\n"
        f"Then, if you may decide this: forerun approve {found.id} --by NAME"
    )


def _place(host: str) -> str:
    """What an address alone tells (IANA's registries of special-purpose addresses): a server
    may name places that only the lab host can reach."""
    if host == "localhost" or host.endswith(".localhost"):
        return "this lab host itself"
    try:
        address = ip_address(host)
    except ValueError:
        return ""
    if address.is_loopback or address.is_unspecified:
        return "this lab host itself"
    return "" if address.is_global else "an address of a private network"


def approve(
    survey: IdArgument,
    by: Annotated[str, typer.Option(help="name or role of who looked the copy over")],
    note: Annotated[str, typer.Option(help="what else is to be on record")] = "",
    connect: UriOption = DEFAULT_URI,
) -> None:
    """Record that a person looked a survey's copy over: it may be laid over clones."""
    bench = open_here(connect)
    found = bench.store.load_survey(survey)
    made = approve_copy(bench.store, found, by=by, note=note, at=bench.clock.now())
    say(f"approved by {one_line(made.by)}: the copy of {found.id}, SHA-256 {made.copy_sha256}")


def await_approval(survey: CleanSurvey, bench: Bench, wait: str) -> None:
    """Somebody looks the copy over at another terminal, while the originals that are to be
    searched for on the clone stay in the memory of this process."""
    limit = parse_age(wait or ("1 h" if sys.stdin.isatty() else "0 s"))
    if limit:
        say(
            f"The copy waits for approval, {limit:.0f} s at most. At another terminal:\n"
            f"  forerun review {survey.id}\n  forerun approve {survey.id} --by NAME"
        )
    wait_for_approval(bench.store, survey, bench.clock, limit)
