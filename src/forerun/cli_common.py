"""What several commands share: options, sizes, the state folder."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Annotated, TypeVar

import typer

from forerun.distro.debian_sources import parse_sources
from forerun.errors import ForerunError, UsageError
from forerun.model.blueprint import AllowedArchive, RecipeSource
from forerun.model.rates import parse_rate
from forerun.model.survey import ArchiveSource
from forerun.pipeline_bench import Bench, clear_leftovers, open_bench
from forerun.ports.store import choose_state_folder
from forerun.profiles import parse_duration
from forerun.report.plain import one_line, strip_controls
from forerun.stages.clock_watch import watch_clock
from forerun.stages.custody import delete_expired
from forerun.stages.design import list_allowed, through_gateway

CAUTION = """\
A rehearsal on an approximate clone is no proof, and no backup.
Read and copy only systems you are authorised to. A copy can still hold personal data, also
where names are replaced: take the least, delete it on its date.
Your own change control and authorised staff decide. Keep an independent way in on the night."""

DEFAULT_URI = ""
UriOption = Annotated[
    str,
    typer.Option(
        "--connect", help="libvirt URI; default: qemu:///system for root, else qemu:///session"
    ),
]
ArchiveOption = Annotated[
    list[str] | None,
    typer.Option(help="archive URL and suites, as 'URL SUITE...'; default: this host's own"),
]

_T = TypeVar("_T")

_SIZE = re.compile(r"(\d{1,15}(?:\.\d{1,9})?)\s*([KMGT]i?)?B?", re.IGNORECASE)


def say(text: str) -> None:
    """Print to standard output, without the control characters that a server, a clone or an
    edited record may have put into it."""
    typer.echo(strip_controls(text))


def say_as_is(text: str) -> None:
    """Print what forerun made itself, colours and tabs included."""
    typer.echo(text, nl=False)


def say_document(text: str) -> None:
    """Print a document: UTF-8, whatever the terminal's alphabet is."""
    typer.echo(text.encode("utf-8"), nl=False)


def open_here(uri: str) -> Bench:
    """The bench on this user's state folder; copies whose time is over are deleted."""
    uid = os.geteuid()
    chosen = uri or ("qemu:///system" if uid == 0 else "qemu:///session")
    bench = open_bench(choose_state_folder(dict(os.environ), uid=uid), chosen)
    moved_s = watch_clock(bench.store, bench.lab, bench.clock.now())
    if moved_s:
        warn(
            f"this machine's clock was set by {moved_s / 86400:+.1f} days since an earlier "
            "command: no copy is deleted because of it for a day, or until it is set right"
        )
        return bench
    for gone in delete_expired(bench.store, bench.clock.now(), tell=_tell_damage):
        warn(f"deleted the copy of {gone.survey_id}: it was kept until {gone.keep_until}")
    return bench


def warn(text: str) -> None:
    """Print one line to standard error."""
    typer.echo(one_line(text), err=True)


def _tell_damage(survey_id: str, problem: ForerunError) -> None:
    warn(
        f"caution: the copy of {survey_id} is not deleted by itself, its record is damaged: "
        f"{problem.what} Remove its folder when its time is over: {problem.where}"
    )


def load_each(
    names: Iterable[str], load: Callable[[str], _T]
) -> tuple[list[_T], list[ForerunError]]:
    """The records that can be read, and what is wrong with the others: one damaged record
    does not hide the rest."""
    good: list[_T] = []
    bad: list[ForerunError] = []
    for name in names:
        try:
            good.append(load(name))
        except ForerunError as problem:
            bad.append(problem)
    return good, bad


def open_to_make(uri: str) -> Bench:
    """The bench of a command that makes something: what a killed forerun left goes first."""
    bench = open_here(uri)
    swept = clear_leftovers(bench)
    if swept.removed:
        warn(f"removed what a killed forerun left: {swept.summary()}")
    return bench


def split_target(target: str) -> tuple[str, str]:
    """(user, host) of "user@host". Raises UsageError."""
    match = re.fullmatch(r"([A-Za-z0-9_][A-Za-z0-9_.-]*)@([A-Za-z0-9.:_-]+)", target)
    if match is None:
        raise UsageError(
            "The server must be named as user@host.",
            found=repr(target),
            hint="For example: forerun survey root@shelf01.records.example",
        )
    return match[1], match[2]


def parse_size(text: str) -> int:
    """Bytes from "1GiB", "512 MiB", "2GB" (IEC 80000-13: Ki = 1024, k = 1000)."""
    match = _SIZE.fullmatch(text.strip())
    if match is None:
        raise UsageError("That is no size.", found=text, wanted="for example 1GiB or 512MiB")
    unit = (match[2] or "").lower()
    base = 1024 if unit.endswith("i") else 1000
    power = "kmgt".index(unit[0]) + 1 if unit else 0
    return int(float(match[1]) * base**power)


def parse_limit(text: str) -> int:
    """Bits per second that a line is held to, as `parse_rate` reads them; 0 is no limit."""
    return 0 if text.strip() == "0" else round(parse_rate(text))


def find_recipe_sources(given: list[str] | None, codename: str) -> tuple[RecipeSource, ...]:
    """Archives for a template: those given, or this host's own entries for that release."""
    if given:
        return tuple(
            RecipeSource(through_gateway(words[0]), suite, ("main",))
            for words in (text.split() for text in given)
            for suite in (words[1:] or [codename])
        )
    found = tuple(
        RecipeSource(through_gateway(uri), suite, source.components)
        for source in parse_sources(_read_own_sources())
        if source.enabled and "deb" in source.types
        for uri in source.uris
        for suite in source.suites
        if suite.split("-")[0] == codename and not suite.endswith(("-backports", "-updates"))
    )
    if not found:
        raise UsageError(
            "No archive is known for that release.",
            wanted=codename,
            hint="Name it: --archive 'URL SUITE...'",
        )
    return tuple(dict.fromkeys(found))


def find_archives(
    given: list[str] | None, codename: str
) -> tuple[tuple[AllowedArchive, tuple[str, ...]], ...]:
    """The same archives as allow-list entries, each with its suites."""
    try:
        sources = find_recipe_sources(given, codename)
    except UsageError:
        return ()
    grouped: dict[str, list[str]] = {}
    for source in sources:
        grouped.setdefault(source.uri, []).append(source.suite)
    return tuple(
        (allowed, tuple(suites))
        for uri, suites in grouped.items()
        for allowed in list_allowed_uri(uri)
    )


def list_allowed_uri(uri: str) -> tuple[AllowedArchive, ...]:
    """One URI as an allow-list."""
    return list_allowed((ArchiveSource("", 0, ("deb",), (uri,), (), ()),))


def _read_own_sources() -> dict[str, str]:
    folder = Path("/etc/apt")
    paths = [folder / "sources.list", *folder.glob("sources.list.d/*")]
    return {
        str(path): path.read_text(encoding="utf-8", errors="replace")
        for path in paths
        if path.is_file() and path.suffix in (".list", ".sources")
    }


def parse_age(text: str) -> float:
    """Seconds from "1 h", "90min", "7d". Raises UsageError."""
    try:
        return parse_duration(re.sub(r"(\d)([a-z])", r"\1 \2", text))
    except ValueError as problem:
        raise UsageError("That is no duration.", found=text, hint=str(problem)) from problem
