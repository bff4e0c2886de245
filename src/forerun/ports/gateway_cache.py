"""The gateway's cache on disk, safe for several processes at once.

    folder/entries/ab/<sha256 of the URL>.json   what is known of a URL
    folder/bodies/cd/<sha256 of the content>     the content, by its own digest
    folder/partial/...                           being written, held by who writes it

Both are written aside, flushed to the disk and renamed, the body first. As a body's
name is its digest, two writers of one URL can never pair one's body with the other's
facts; a damaged body is found by length and digest and is then as good as absent.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import secrets
import threading
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import BinaryIO

from forerun.ports.gateway_address import FileKind
from forerun.ports.held import open_held, remove_unheld

_SCHEMA = "forerun.archive-entry/1"
_BLOCK = 1_048_576


@dataclass(frozen=True, slots=True)
class Entry:
    """What is known of one URL. `sha256` and `length` (bytes) of its content; the
    validators as sent, or ""; times in seconds since 1970: `checked_at` the last time the
    archive confirmed or sent this content, `changed_at` when it first sent it."""

    url: str
    sha256: str
    length: int
    checked_at: float
    changed_at: float
    etag: str = ""
    last_modified: str = ""
    content_type: str = ""
    content_encoding: str = ""

    def has_validator(self) -> bool:
        """Whether the archive can be asked "changed since?"."""
        return bool(self.etag or self.last_modified)


@dataclass(frozen=True, slots=True)
class Reuse:
    """Whether an entry may be served without asking, and the rule that says so."""

    reuse: bool
    rule: str


def judge_entry(
    entry: Entry,
    kind: FileKind,
    *,
    now_s: float,
    index_age_s: float,
    release_changed_at: float,
    no_cache: bool,
) -> Reuse:
    """Whether an entry may be served without asking outside (RFC 9111 section 4.2).

    `release_changed_at` is when the release file that covers an index last changed, 0 =
    unknown: an index older than it no longer has the digest the release promises.
    `no_cache`: the client wants a fresh answer (RFC 9111 section 5.2.1.4).
    """
    if kind.immutable:
        return Reuse(not no_cache, "client asked" if no_cache else "immutable")
    if no_cache:
        return Reuse(False, "client asked")
    if entry.has_validator():
        return Reuse(False, "has a validator")
    age = now_s - entry.checked_at
    if not 0 <= age < index_age_s:
        return Reuse(False, "too old")
    if entry.checked_at < release_changed_at:
        return Reuse(False, "release changed")
    return Reuse(True, "young")


class Cache:
    """The cache below `folder`, which is made when missing. Raises OSError when the
    disk does not let it; blocking, so never call it on the event loop."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._partial = folder / "partial"
        for one in (folder / "entries", folder / "bodies", self._partial):
            one.mkdir(parents=True, exist_ok=True)
        self._known_good: set[tuple[str, int, int, int]] = set()
        self._lock = threading.Lock()

    def remove_strays(self) -> tuple[Path, ...]:
        """Remove what killed processes left half-written; returns what was removed."""
        return tuple(stray for stray in self._partial.iterdir() if remove_unheld(stray))

    def find(self, url: str) -> Entry | None:
        """The entry of a URL, None when there is none or it cannot be read."""
        try:
            facts = json.loads(self._entry_path(url).read_text("utf-8"))
            if facts.pop("schema") != _SCHEMA or facts["url"] != url:
                return None
            names = {one.name for one in fields(Entry)}
            entry = Entry(**{name: value for name, value in facts.items() if name in names})
        except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
            return None
        return entry if _is_sound(entry) else None

    def open_body(self, entry: Entry) -> BinaryIO | None:
        """The content of an entry, open for reading, or None when it is missing or
        damaged. The digest is taken once per process and file."""
        path = self._body_path(entry.sha256)
        try:
            body = path.open("rb", buffering=0)
        except OSError:
            return None
        try:
            if self._is_good(body.fileno(), entry):
                return body
        except OSError:
            pass
        body.close()
        with contextlib.suppress(OSError):
            path.unlink()
        return None

    def new_partial(self) -> Path:
        """A path of one's own to write a body to, with `held.open_held`."""
        return self._partial / f"{os.getpid()}-{secrets.token_hex(8)}"

    def store(self, partial: Path, entry: Entry) -> Entry:
        """Take a complete body into the cache; `partial` is moved. Returns the entry
        kept: `changed_at` is the earlier one when the content is what it was (the earlier
        of the two: one that a wrong clock set into the future does not last)."""
        before = self.find(entry.url)
        if before and before.sha256 == entry.sha256:
            entry = replace(entry, changed_at=min(before.changed_at, entry.changed_at))
        home = self._body_path(entry.sha256)
        home.parent.mkdir(exist_ok=True)
        _flush(partial)
        partial.replace(home)
        _flush(home.parent)
        self.write_entry(entry)
        return entry

    def write_entry(self, entry: Entry) -> None:
        """Write what is known of a URL."""
        home = self._entry_path(entry.url)
        home.parent.mkdir(exist_ok=True)
        aside = self.new_partial()
        facts = {"schema": _SCHEMA, **asdict(entry)}
        try:
            with os.fdopen(open_held(aside), "wb") as out:
                out.write(json.dumps(facts, indent=1).encode("utf-8") + b"\n")
                out.flush()
                os.fsync(out.fileno())
                aside.replace(home)
        except OSError:
            aside.unlink(missing_ok=True)
            raise
        _flush(home.parent)

    def forget(self, url: str) -> None:
        """Drop what is known of a URL; its body may serve another one."""
        self._entry_path(url).unlink(missing_ok=True)

    def _entry_path(self, url: str) -> Path:
        name = hashlib.sha256(url.encode()).hexdigest()
        return self._folder / "entries" / name[:2] / f"{name}.json"

    def _body_path(self, digest: str) -> Path:
        return self._folder / "bodies" / digest[:2] / digest

    def _is_good(self, handle: int, entry: Entry) -> bool:
        facts = os.fstat(handle)
        if facts.st_size != entry.length:
            return False
        mark = (entry.sha256, facts.st_ino, facts.st_size, facts.st_mtime_ns)
        with self._lock:
            if mark in self._known_good:
                return True
        if _digest(handle, entry.length) != entry.sha256:
            return False
        with self._lock:
            self._known_good.add(mark)
        return True


def _is_sound(entry: Entry) -> bool:
    texts = (entry.etag, entry.last_modified, entry.content_type, entry.content_encoding)
    return (
        isinstance(entry.sha256, str)
        and len(entry.sha256) == 64
        and set(entry.sha256) <= set("0123456789abcdef")
        and type(entry.length) is int
        and entry.length >= 0
        and all(isinstance(one, int | float) for one in (entry.checked_at, entry.changed_at))
        and all(isinstance(one, str) and one.isprintable() for one in texts)
    )


def _digest(handle: int, length: int) -> str:
    digest = hashlib.sha256()
    for offset in range(0, length, _BLOCK):
        digest.update(os.pread(handle, _BLOCK, offset))
    return digest.hexdigest()


def _flush(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
