"""Brings the new packages that matter, through the archive gateway.

Production is not asked: the packages come from the archives, the same files that the
rehearsal will fetch, and the gateway keeps them for it.
"""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from forerun.distro.debian_packages import PackageContents, read_package
from forerun.model.likeness import Foretold, NotLookedAt, PlannedPackage
from forerun.model.survey import CleanSurvey
from forerun.ports.gateway_client import stream_from_gateway
from forerun.stages.foretell import foretell
from forerun.stages.foretell_losses import find_successors, list_owned

# A 578-package server's whole upgrade was 463 MB (observed); what is asked for here is
# a part of it, and all of that will be fetched by the rehearsal anyway.
BUDGET_BYTES = 1 << 30
_WAIT_S = 90.0

# port, url, write, most bytes -> (HTTP status or 0, reason)
FetchFile = Callable[[int, str, Callable[[bytes], object], int], tuple[int, str]]


@dataclass(frozen=True, slots=True)
class Choice:
    """Which packages of the plan to look into, the most telling first, and which not."""

    packages: tuple[PlannedPackage, ...]
    left_out: tuple[NotLookedAt, ...] = ()


def choose_packages(
    survey: CleanSurvey, planned: Sequence[PlannedPackage], *, budget_bytes: int = BUDGET_BYTES
) -> Choice:
    """The packages that can ask something, in this order until the budget is used up:
    owners of edited files and of questions, new packages that follow or replace
    installed ones, all other new packages, the smallest first.

    Other packages are left out without a word: nothing of theirs is edited and they
    never asked anything, so a question of theirs would be a new one."""
    owners = set(list_owned(survey).values())
    owners |= {owner for question in survey.system.questions for owner in question.owners}
    successors = find_successors(survey, planned)

    def rank(one: PlannedPackage) -> int:
        if one.name in owners:
            return 0
        if survey.find_package(one.name) is not None:
            return 3
        return 1 if one.name in successors or owners & set(one.replaces) else 2

    ranked = sorted((rank(one), one.size_bytes, one.name, one) for one in planned)
    taken: list[PlannedPackage] = []
    left_out: list[NotLookedAt] = []
    used = 0
    names: set[str] = set()
    for order, size, name, one in ranked:
        if order == 3 or name in names:  # a second architecture brings the same files
            continue
        names.add(name)
        if used + size > budget_bytes:
            why = f"{size} bytes more would pass the limit of {budget_bytes} bytes in all"
            left_out.append(NotLookedAt(name, why))
            continue
        used += size
        taken.append(one)
    return Choice(tuple(taken), tuple(left_out))


def list_wanted(survey: CleanSurvey) -> frozenset[str]:
    """The configuration files whose new version matters."""
    return frozenset(list_owned(survey))


def fetch_contents(
    port: int,
    choice: Choice,
    wanted: frozenset[str],
    *,
    folder: Path | None = None,
    fetch: FetchFile | None = None,
) -> tuple[tuple[PackageContents, ...], tuple[NotLookedAt, ...]]:
    """What the chosen packages hold, and which could not be looked into and why.

    `port` is that of a running archive gateway; `folder` is for one package at a time.
    Nothing is raised for a package that cannot be had or read: the rehearsal goes on."""
    contents: list[PackageContents] = []
    left_out = list(choice.left_out)
    for one in choice.packages:
        found = _fetch_one(port, one, wanted, folder, fetch or _fetch_file)
        if isinstance(found, str):
            left_out.append(NotLookedAt(one.name, found))
        else:
            contents.append(found)
    return tuple(contents), tuple(left_out)


def _fetch_file(
    port: int, url: str, write: Callable[[bytes], object], most_bytes: int
) -> tuple[int, str]:
    return stream_from_gateway(port, url, write, most_bytes=most_bytes, timeout_s=_WAIT_S)


def _fetch_one(
    port: int, one: PlannedPackage, wanted: frozenset[str], folder: Path | None, fetch: FetchFile
) -> PackageContents | str:
    digest = hashlib.sha256()
    with tempfile.TemporaryFile(dir=folder) as aside:

        def take(block: bytes) -> None:
            digest.update(block)
            aside.write(block)

        status, why = fetch(port, one.url, take, one.size_bytes)
        if status != 200:
            return f"the archive did not give it: {status or 'no answer'} {why}".strip()
        if f"SHA256:{digest.hexdigest()}" != one.digest:
            return "its SHA-256 is not the one in the archive's index"
        aside.seek(0)
        try:
            return read_package(aside, wanted)
        except ValueError as problem:
            return str(problem)


@dataclass(frozen=True, slots=True)
class Foretelling:
    """What was foretold, the package contents that told it (for comparing later), and
    the packages that could not be looked into."""

    foretold: tuple[Foretold, ...] = ()
    contents: tuple[PackageContents, ...] = ()
    not_looked_at: tuple[NotLookedAt, ...] = ()


def foretell_upgrade(
    port: int,
    survey: CleanSurvey,
    planned: Sequence[PlannedPackage],
    *,
    removed: Sequence[str] = (),
    environment: Mapping[str, str] | None = None,
    folder: Path | None = None,
    fetch: FetchFile | None = None,
) -> Foretelling:
    """Choose, fetch, read and foretell. The port is that of a running archive gateway
    that is allowed to ask the archives of the new release; options as in `foretell`."""
    choice = choose_packages(survey, planned)
    contents, left_out = fetch_contents(
        port, choice, list_wanted(survey), folder=folder, fetch=fetch
    )
    foretold = foretell(survey, planned, contents, removed=removed, environment=environment)
    return Foretelling(foretold, contents, left_out)
