"""Taking a survey: read production, sanitise in memory, write only what is left."""

from __future__ import annotations

import hashlib
import io
import re
import tarfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import BinaryIO

from forerun.distro.base import BASE_PROBES, Distro
from forerun.distro.registry import DISTROS, detect_distro
from forerun.errors import SurveyFailed
from forerun.events import Discard, Notice, Sink
from forerun.model.raw import RawSurvey
from forerun.model.survey import CleanSurvey, ConfigEntry, Replacement, SurveyCost, Withheld
from forerun.ports.clock import Clock, SystemClock, format_instant
from forerun.ports.production import (
    Budget,
    CopyScope,
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

_CLOSED_REASON = "a version history: it holds what was removed"


def list_probes(family: str = "debian") -> tuple[tuple[str, str], ...]:
    """(name, command) of all that a survey of that family runs on production."""
    distro = DISTROS[family]
    return list_commands(distro.probes(), distro.scope())


def open_production(
    link: Shell, *, budget: Budget | None = None, clock: Clock | None = None
) -> tuple[SshProduction, Distro]:
    """Production behind a link, and the distro it belongs to.

    Raises LoginRefused when the login cannot read as root, UnknownRelease when no distro
    module knows the system."""
    as_root = find_root(link)
    first = SshProduction(link, BASE_PROBES, as_root, budget=budget, clock=clock or SystemClock())
    text = first.read(ProbeName.OS_RELEASE).decode("utf-8", "replace")
    distro = detect_distro(text)
    return first.with_probes(distro.probes()), distro


def _choose_name(host: str, node: str) -> str:
    """The name the server was called by, unless that was a bare address: its own then."""
    bare = re.fullmatch(r"[0-9.]+|.*:.*|localhost", host) is not None
    return node if bare and node else host


@dataclass(slots=True)
class _Entry:
    """A tar member's outside, until its content is sanitised."""

    info: tarfile.TarInfo
    path: str


@dataclass(slots=True)
class _Copy:
    entries: list[_Entry] = field(default_factory=list)
    withheld: list[Withheld] = field(default_factory=list)


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
) -> CleanSurvey:
    """Read production and return the sanitised survey; the sanitised files are written to
    `copy_to` as an uncompressed tar, names relative to `/`.

    The caller keeps `vault` for the leak scan and drops it afterwards. Raises
    SurveyFailed (a probe failed, the stream was cut, the budget used up),
    ProductionUnreachable, UnknownRelease."""
    sink = sink or Discard()
    vault = vault or Vault()
    taken_at = format_instant(clock.now())
    raw = _read_facts(production, distro)
    sanitiser = Sanitiser(
        vault,
        raw.names,
        host=host,
        shipped=raw.shipped,
        vocabulary=_list_words(raw),
    )
    copy = _take_files(production, distro, sanitiser)
    sanitiser.close()
    # Facts teach the vault more (a disk's serial number, a token on the kernel command
    # line): cleaned once to learn, then again, and the files after them.
    FactCleaner(sanitiser, vault).clean(raw)
    sanitiser.close()
    facts = FactCleaner(sanitiser, vault).clean(raw)
    entries, replacements, late = _write_copy(copy, sanitiser, copy_to)
    withheld = [*copy.withheld, *late]
    withheld += [
        Withheld(path, f"larger than {distro.scope().file_limit} bytes: {size}")
        for path, size in raw.large
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
    )


def _read_facts(production: Production, distro: Distro) -> RawSurvey:
    answers = {probe: production.read(probe) for probe in distro.probes()}
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


class _Pipe(io.RawIOBase):
    """Chunks as a readable stream for tarfile."""

    def __init__(self, chunks: Iterator[bytes]) -> None:
        self._chunks = chunks
        self._held = b""

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: object) -> int:
        view = memoryview(buffer)  # type: ignore[arg-type]
        while not self._held:
            chunk = next(self._chunks, None)
            if chunk is None:
                return 0
            self._held = chunk
        size = min(len(view), len(self._held))
        view[:size] = self._held[:size]
        self._held = self._held[size:]
        return size

    def drain(self) -> None:
        """Read what is left, so that the end mark is seen."""
        self._held = b""
        for _ in self._chunks:
            pass


def _take_files(production: Production, distro: Distro, sanitiser: Sanitiser) -> _Copy:
    scope = distro.scope()
    copy = _Copy()
    with production.files(scope) as chunks:
        pipe = _Pipe(iter(chunks))
        try:
            with tarfile.open(
                fileobj=io.BufferedReader(pipe, 1 << 16),
                mode="r|",
                encoding="utf-8",
                errors="surrogateescape",
            ) as tar:
                for member in tar:
                    _take_member(tar, member, copy, sanitiser, scope)
        except (tarfile.TarError, EOFError) as problem:
            pipe.drain()
            raise SurveyFailed(
                "The stream of configuration files is damaged.",
                where="files",
                wanted="a whole tar archive",
                found=str(problem),
                hint="Survey again; if it repeats, look at the server's tar and disk.",
            ) from problem
        pipe.drain()
    return copy


def _take_member(
    tar: tarfile.TarFile,
    member: tarfile.TarInfo,
    copy: _Copy,
    sanitiser: Sanitiser,
    scope: CopyScope,
) -> None:
    path = "/" + member.name.strip("/")
    reason = _find_reason(member, path, scope)
    if not reason and member.isreg():
        content = tar.extractfile(member)
        reason = sanitiser.take(path, content.read() if content else b"")
    if reason:
        copy.withheld.append(Withheld(escape_path(path), reason))
    else:
        copy.entries.append(_Entry(member, path))


def _find_reason(member: tarfile.TarInfo, path: str, scope: CopyScope) -> str:
    """Why an entry is not taken, by its outside alone; empty when it is."""
    if escape_path(path) != path or ".." in path.split("/"):
        return "a name that is not plain text"
    if any(part in scope.closed for part in path.split("/")):
        return _CLOSED_REASON
    if not (member.isreg() or member.isdir() or member.issym()):
        return "neither a file, a folder nor a symbolic link"
    if member.size > scope.file_limit:
        return f"larger than {scope.file_limit} bytes: {member.size}"
    if member.issym() and escape_path(member.linkname) != member.linkname:
        return "a link to a name that is not plain text"
    return ""


def escape_path(path: str) -> str:
    """A path with control characters and undecodable bytes written as \\xNN."""
    shown = []
    for character in path:
        if character.isprintable():
            shown.append(character)
        else:
            raw = character.encode("utf-8", "surrogateescape")
            shown.append("".join(f"\\x{byte:02x}" for byte in raw))
    return "".join(shown)


def _write_copy(
    copy: _Copy, sanitiser: Sanitiser, copy_to: BinaryIO
) -> tuple[tuple[ConfigEntry, ...], list[Replacement], list[Withheld]]:
    entries: list[ConfigEntry] = []
    replacements: list[Replacement] = []
    withheld: list[Withheld] = []
    files = sanitiser.finish()
    with tarfile.open(fileobj=copy_to, mode="w|", format=tarfile.PAX_FORMAT) as tar:
        for entry in copy.entries:
            if not entry.info.isreg():
                entries.append(_add_other(tar, entry, sanitiser))
                continue
            clean = next(files)
            if isinstance(clean, tuple):
                withheld.append(Withheld(*clean))
                continue
            replacements += clean.replacements
            entries.append(_add_file(tar, entry.info, clean.path, clean.content))
    return tuple(entries), replacements, withheld


def _make_header(old: tarfile.TarInfo, path: str) -> tarfile.TarInfo:
    made = tarfile.TarInfo(path.lstrip("/"))
    made.mode = old.mode & 0o7777
    made.uid, made.gid, made.uname, made.gname = old.uid, old.gid, old.uname, old.gname
    made.mtime = int(old.mtime)
    made.type = old.type if not old.isreg() else tarfile.REGTYPE
    return made


def _add_file(tar: tarfile.TarFile, old: tarfile.TarInfo, path: str, content: bytes) -> ConfigEntry:
    made = _make_header(old, path)
    made.size = len(content)
    tar.addfile(made, io.BytesIO(content))
    return ConfigEntry(
        path=path,
        kind="file",
        mode=made.mode,
        owner=old.uname or str(old.uid),
        group=old.gname or str(old.gid),
        size_bytes=len(content),
        digest=hashlib.sha256(content).hexdigest(),
    )


def _add_other(tar: tarfile.TarFile, entry: _Entry, sanitiser: Sanitiser) -> ConfigEntry:
    """A folder or a symbolic link; a link is recorded and never followed."""
    old = entry.info
    path = sanitiser.clean_path(entry.path)
    made = _make_header(old, path)
    link = sanitiser.clean_path(old.linkname) if old.issym() else ""
    made.linkname = link
    tar.addfile(made)
    return ConfigEntry(
        path=path,
        kind="symlink" if old.issym() else "folder",
        mode=made.mode,
        owner=old.uname or str(old.uid),
        group=old.gname or str(old.gid),
        link=link,
    )


def _clean_withheld(rows: list[Withheld], sanitiser: Sanitiser) -> tuple[Withheld, ...]:
    return tuple(Withheld(escape_path(sanitiser.clean_path(row.path)), row.reason) for row in rows)
