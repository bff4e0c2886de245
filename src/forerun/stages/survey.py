"""Taking a survey: read production, sanitise in memory, write only what is left."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from typing import BinaryIO

from forerun.distro.base import BASE_PROBES, Distro
from forerun.distro.registry import DISTROS, detect_distro
from forerun.distro.speed_kit import KIT_CPU_S
from forerun.events import Discard, Notice, Sink
from forerun.model.raw import RawSurvey
from forerun.model.survey import CleanSurvey, SurveyCost, Withheld
from forerun.ports.clock import Clock, SystemClock, format_instant
from forerun.ports.production import (
    Budget,
    ProbeName,
    Production,
    Shell,
    SshProduction,
    find_root,
)
from forerun.ports.production import list_probes as list_commands
from forerun.stages.sanitise import Sanitiser
from forerun.stages.sanitise_facts import FactCleaner
from forerun.stages.sanitise_vault import Vault
from forerun.stages.survey_copy import CopyWriter, FileTaker, escape_path

__all__ = ["escape_path", "list_probes", "open_production", "take_survey"]


def list_probes(family: str = "debian", *, calibrate: bool = False) -> tuple[tuple[str, str], ...]:
    """(name, command) of all that a survey of that family runs on production."""
    distro = DISTROS[family]
    return list_commands(distro.probes(calibrate=calibrate), distro.scope())


def open_production(
    link: Shell,
    *,
    budget: Budget | None = None,
    clock: Clock | None = None,
    calibrate: bool = False,
) -> tuple[SshProduction, Distro]:
    """Production behind a link, and the distro it belongs to; `calibrate` adds the probes
    that tell how fast it is, and what they may use of its processor to the budget.

    Raises LoginRefused when the login cannot read as root, UnknownRelease when no distro
    module knows the system."""
    as_root = find_root(link)
    allowed = budget or Budget()
    if calibrate:
        allowed = replace(allowed, cpu_seconds=allowed.cpu_seconds + KIT_CPU_S)
    first = SshProduction(link, BASE_PROBES, as_root, budget=allowed, clock=clock or SystemClock())
    text = first.read(ProbeName.OS_RELEASE).decode("utf-8", "replace")
    distro = detect_distro(text)
    return first.with_probes(distro.probes(calibrate=calibrate)), distro


def _choose_name(host: str, node: str) -> str:
    """The name the server was called by, unless that was a bare address: its own then."""
    bare = re.fullmatch(r"[0-9.]+|.*:.*|localhost", host) is not None
    return node if bare and node else host


def take_survey(
    production: Production,
    *,
    distro: Distro,
    clock: Clock,
    host: str,
    survey_id: str,
    copy_to: BinaryIO,
    vault: Vault | None = None,
    sink: Sink | None = None,
    calibrate: bool = False,
    origin: str = "",
    salt: bytes = b"",
) -> CleanSurvey:
    """Read production and return the sanitised survey; the sanitised files are written to
    `copy_to` as an uncompressed tar, names relative to `/`: unchanged packaged files as
    they arrive, all others once every secret is known.

    `calibrate` as in `open_production`; `origin` is the lab host's mark of the server,
    `salt` that of its last survey, so that sealed digests can be compared.
    The caller keeps `vault` for the leak scan and drops it afterwards. Raises
    SurveyFailed (a probe failed, the stream was cut, the budget used up),
    ProductionUnreachable, UnknownRelease."""
    sink = sink or Discard()
    vault = vault or Vault()
    taken_at = format_instant(clock.now())
    raw = _read_facts(production, distro, calibrate=calibrate)
    sanitiser = Sanitiser(
        vault,
        raw.names,
        host=host,
        shipped=raw.shipped,
        vocabulary=_list_words(raw),
        accounts=raw.system.accounts,
    )
    scope = distro.scope()
    copy = CopyWriter(copy_to)
    taker = FileTaker(scope, sanitiser, copy)
    with production.files(scope) as chunks:
        taker.take_all(chunks)
    sanitiser.close()
    # Facts teach the vault more (a disk's serial number, a token on the kernel command
    # line): cleaned once to learn, then again, and the files after them.
    FactCleaner(sanitiser, vault, salt=salt).clean(raw)
    sanitiser.close()
    facts = FactCleaner(sanitiser, vault, salt=salt).clean(raw)
    entries, replacements = taker.write_rest()
    copy.close()
    withheld = taker.withheld + [
        Withheld(path, f"larger than {scope.file_limit} bytes: {size}") for path, size in raw.large
    ]
    unread = [Withheld(path, reason) for path, reason in production.unreadable()]
    for row in facts.not_readable:
        sink.emit(Notice(clock.monotonic(), "caution", f"Not read: {row.path}: {row.reason}"))
    spent = production.spent()
    return CleanSurvey(
        id=survey_id,
        taken_at=taken_at,
        host=sanitiser.clean_name(_choose_name(host, raw.names.node)),
        release=raw.release,
        machine=facts.machine,
        packages=facts.packages,
        sources=facts.sources,
        units=facts.units,
        sockets=facts.sockets,
        disks=facts.disks,
        mounts=facts.mounts,
        conffiles=facts.conffiles,
        entries=entries,
        withheld=_clean_withheld(withheld, sanitiser),
        replacements=(*replacements, *facts.replacements),
        not_readable=(*facts.not_readable, *_clean_withheld(unread, sanitiser)),
        cost=SurveyCost(spent.wall_seconds, spent.cpu_seconds, spent.read_bytes),
        settings=facts.settings,
        archive_keys=facts.archive_keys,
        system=facts.system,
        origin=origin,
    )


def _read_facts(production: Production, distro: Distro, *, calibrate: bool) -> RawSurvey:
    answers = {probe: production.read(probe) for probe in distro.probes(calibrate=calibrate)}
    return distro.read_facts(answers)


def _list_words(raw: RawSurvey) -> Iterator[str]:
    """Words of the system itself, that are no names of this server."""
    for package in raw.packages:
        yield package.name
        yield from package.name.split("-")
    for unit in raw.units:
        yield unit.name.partition(".")[0].partition("@")[0]
    for socket in raw.sockets:
        yield socket.process


def _clean_withheld(rows: list[Withheld], sanitiser: Sanitiser) -> tuple[Withheld, ...]:
    return tuple(Withheld(escape_path(sanitiser.clean_path(row.path)), row.reason) for row in rows)
