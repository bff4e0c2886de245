"""The files of a survey: which are taken, and the copy that is written of them."""

from __future__ import annotations

import hashlib
import tarfile
from collections.abc import Iterable
from dataclasses import dataclass
from sys import intern
from typing import BinaryIO

from forerun.model.survey import ConfigEntry, Replacement, Withheld
from forerun.ports.production import CopyScope
from forerun.stages.sanitise import Sanitiser
from forerun.stages.sanitise_people import is_person
from forerun.stages.survey_tar import BLOCK, TarStream

_CLOSED_REASON = "a version history: it holds what was removed"
_ZEROS = bytes(tarfile.RECORDSIZE)


@dataclass(slots=True)
class Outside:
    """A member's outside, until its content is sanitised."""

    path: str
    kind: str
    mode: int
    uid: int
    gid: int
    owner: str
    group: str
    mtime: int
    link: str = ""


_TYPES = {"file": tarfile.REGTYPE, "folder": tarfile.DIRTYPE, "symlink": tarfile.SYMTYPE}


def _read_outside(info: tarfile.TarInfo, path: str) -> Outside:
    kind = "folder" if info.isdir() else "symlink" if info.issym() else "file"
    return Outside(
        path,
        kind,
        info.mode & 0o7777,
        info.uid,
        info.gid,
        intern(info.uname),
        intern(info.gname),
        int(info.mtime),
        info.linkname if kind == "symlink" else "",
    )


class CopyWriter:
    """An uncompressed tar (POSIX 2001) of what is sanitised; it keeps nothing of it."""

    def __init__(self, out: BinaryIO) -> None:
        self._out = out
        self._written = 0

    def add(self, outside: Outside, path: str, content: bytes = b"", link: str = "") -> ConfigEntry:
        """Write one entry under its sanitised path and return what is recorded of it."""
        made = tarfile.TarInfo(path.lstrip("/"))
        made.mode, made.mtime, made.type = outside.mode, outside.mtime, _TYPES[outside.kind]
        made.uid, made.gid, made.uname, made.gname = (
            outside.uid, outside.gid, outside.owner, outside.group,
        )  # fmt: skip
        made.linkname, made.size = link, len(content)
        self._write(made.tobuf(tarfile.PAX_FORMAT, "utf-8", "surrogateescape"))
        if content:
            self._write(content)
            self._write(_ZEROS[: -len(content) % BLOCK])
        is_file = outside.kind == "file"
        return ConfigEntry(
            path=path,
            kind=outside.kind,
            mode=outside.mode,
            owner=outside.owner or str(outside.uid),
            group=outside.group or str(outside.gid),
            size_bytes=len(content),
            digest=hashlib.sha256(content).hexdigest() if is_file else "",
            link=link,
        )

    def _write(self, data: bytes) -> None:
        self._out.write(data)
        self._written += len(data)

    def close(self) -> None:
        """Write the end mark: two blocks of zeros, filled up to a whole record."""
        end = 2 * BLOCK
        self._write(_ZEROS[:end])
        self._write(_ZEROS[: -self._written % tarfile.RECORDSIZE])


class FileTaker:
    """Takes production's files into the sanitiser, and gives the copy what comes out.

    `withheld` names what was not taken and why."""

    def __init__(self, scope: CopyScope, sanitiser: Sanitiser, copy: CopyWriter) -> None:
        self._scope = scope
        self._sanitiser = sanitiser
        self._copy = copy
        self._entries: list[ConfigEntry | Outside] = []
        self._seen: set[str] = set()
        self._folders: set[str] = set()
        self._links: set[str] = set()
        self.withheld: list[Withheld] = []

    def take_all(self, chunks: Iterable[bytes]) -> None:
        """Take the whole stream. Raises SurveyFailed when it is damaged."""
        stream = TarStream(chunks)
        for info in stream:
            path = "/" + info.name.strip("/")
            reason = _find_reason(info, path, self._scope) or self._find_clash(info, path)
            if not reason:
                reason = self._take(info, path, stream)
            if reason:
                self.withheld.append(Withheld(escape_path(path), reason))

    def _take(self, info: tarfile.TarInfo, path: str, stream: TarStream) -> str:
        outside = _read_outside(info, path)
        if outside.kind == "file":
            content = stream.read()
            if self._sanitiser.is_shipped(path, content) and not is_person(str(outside.uid)):
                self._entries.append(self._copy.add(outside, path, content))
                return ""
            reason = self._sanitiser.take(path, content)
            if reason:
                return reason
        self._entries.append(outside)
        return ""

    def _find_clash(self, info: tarfile.TarInfo, path: str) -> str:
        """Why an entry does not go with those before it. A link and what lies below it
        would lead an unpacker elsewhere."""
        parent = path.rpartition("/")[0]
        if parent not in self._folders:
            above = parent
            while above and above not in self._folders:
                if above in self._links:
                    return "below a symbolic link"
                above = above.rpartition("/")[0]
            above = parent
            while above and above not in self._folders:
                self._folders.add(above)
                above = above.rpartition("/")[0]
        if path in self._seen or (path in self._folders and not info.isdir()):
            return "a second entry of this name"
        self._seen.add(path)
        if info.issym():
            self._links.add(path)
        return ""

    def write_rest(self) -> tuple[tuple[ConfigEntry, ...], list[Replacement]]:
        """Write all that was held back, once the sanitiser is closed."""
        files = self._sanitiser.finish()
        done: list[ConfigEntry] = []
        replacements: list[Replacement] = []
        for entry in self._entries:
            if isinstance(entry, ConfigEntry):
                done.append(entry)
                continue
            entry.owner = self._sanitiser.clean_owner(entry.owner)
            entry.group = self._sanitiser.clean_owner(entry.group)
            if entry.kind != "file":
                link = self._sanitiser.clean_path(entry.link) if entry.link else ""
                path = self._sanitiser.clean_path(entry.path)
                done.append(self._copy.add(entry, path, link=link))
            else:
                clean = next(files)
                if isinstance(clean, tuple):
                    self.withheld.append(Withheld(*clean))
                    continue
                replacements += clean.replacements
                done.append(self._copy.add(entry, clean.path, clean.content))
        return tuple(done), replacements


def _find_reason(info: tarfile.TarInfo, path: str, scope: CopyScope) -> str:
    """Why an entry is not taken, by its outside alone; empty when it is."""
    parts = path.split("/")
    if not path.isprintable():
        return "a name that is not plain text"
    if info.name.startswith("/") or not {"", ".", ".."}.isdisjoint(parts[1:]):
        return "a name that is absolute or leads elsewhere"
    if not any(path == root or path.startswith(root + "/") for root in scope.roots):
        return "outside of what was asked for"
    if any(part in scope.closed for part in parts):
        return _CLOSED_REASON
    if not (info.isreg() or info.isdir() or info.issym()):
        return "neither a file, a folder nor a symbolic link"
    if info.size > scope.file_limit:
        return f"larger than {scope.file_limit} bytes: {info.size}"
    if info.issym() and not info.linkname.isprintable():
        return "a link to a name that is not plain text"
    return ""


def escape_path(path: str) -> str:
    """A path with control characters and undecodable bytes written as \\xNN."""
    if path.isprintable():
        return path
    shown = []
    for character in path:
        if character.isprintable():
            shown.append(character)
        else:
            raw = character.encode("utf-8", "surrogateescape")
            shown.append("".join(f"\\x{byte:02x}" for byte in raw))
    return "".join(shown)
