"""Reading a clone as production was read: the same probes, the same parsers.

Only what a comparison needs is asked, since each process costs an emulated clone about
35 ms; nothing is written but a list of paths in /run, which is removed again.
"""

from __future__ import annotations

import re
import secrets
import shlex
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from forerun.distro.base import ABSENT, Distro
from forerun.model.raw import RawSurvey
from forerun.model.survey import ConfigEntry
from forerun.ports.guest import Guest
from forerun.ports.production import ProbeName

# What a clone has of its own in any case, or what would cost it seconds and is compared
# elsewhere: the offers of the archives are a plan's matter.
NOT_ASKED = frozenset({"archives", "archive-keys", "large-files", "history"})
_LIST_FILE = "/run/forerun-paths"


@dataclass(frozen=True, slots=True)
class CloneFacts:
    """What was read of a clone: its facts, and the outside and digest of each path that
    production's sanitised copy has (a path that is not there is left out)."""

    survey: RawSurvey
    files: tuple[ConfigEntry, ...]


def read_clone(guest: Guest, distro: Distro, entries: Iterable[ConfigEntry]) -> CloneFacts:
    """Facts and files of a running clone. Raises CloneUnreachable, or SurveyFailed when
    a probe that nothing can be said without gave no answer."""
    return CloneFacts(survey_clone(guest, distro), read_files(guest, entries))


def survey_clone(guest: Guest, distro: Distro, *, timeout_s: float = 600.0) -> RawSurvey:
    """The clone's facts by the distro's own probes, all in one go."""
    asked = {
        probe: script for probe, script in distro.probes().items() if probe.value not in NOT_ASKED
    }
    mark = f"--{secrets.token_hex(12)}--"
    script = "".join(
        f"printf '%s%s\\n' {mark} {probe.value}; "
        f"timeout 120 sh -c {shlex.quote(command)} 2>/dev/null </dev/null; "
        f"printf '%s %s\\n' {mark} $?\n"
        for probe, command in asked.items()
    )
    answer = guest.run(script, timeout_s=timeout_s)
    answers = split_answers(answer.stdout, mark.encode("ascii"))
    not_asked = ABSENT + b"not asked of a clone"
    return distro.read_facts(
        {
            probe: answers.get(probe.value, not_asked) if probe in asked else not_asked
            for probe in ProbeName
        }
    )


def split_answers(output: bytes, mark: bytes) -> dict[str, bytes]:
    """Probe to its answer; that of a probe which failed or was cut short is the reason."""
    found: dict[str, bytes] = {}
    name, body = "", b""
    for part in output.split(mark)[1:]:
        if part.startswith(b" "):
            code = part.split(b"\n", 1)[0].strip().decode("ascii", "replace")
            found[name] = body if code == "0" else ABSENT + f"it ended with {code}".encode()
        else:
            head, _, body = part.partition(b"\n")
            name = head.decode("ascii", "replace")
            found[name] = ABSENT + b"its answer was cut short"
    return found


def read_files(
    guest: Guest, entries: Iterable[ConfigEntry], *, timeout_s: float = 300.0
) -> tuple[ConfigEntry, ...]:
    """Of the paths of a copy: kind, permission bits, owner, group, size, target of a link
    and, for regular files, the SHA-256 of their content. Links are not followed."""
    wanted = {entry.path: entry for entry in entries}
    if not wanted:
        return ()
    files = [path for path, entry in wanted.items() if entry.kind == "file"]
    guest.write_file(_LIST_FILE, _list(wanted))
    guest.write_file(f"{_LIST_FILE}-files", _list(files))
    mark = f"--{secrets.token_hex(12)}--"
    answer = guest.run(
        # stat(1) of coreutils: %N is NAME -> TARGET of a link in the literal style.
        f"QUOTING_STYLE=literal xargs -0 stat --printf='%n\\t%f\\t%U\\t%G\\t%s\\t%N\\0'"
        f" < {_LIST_FILE} 2>/dev/null; printf %s {mark}; "
        f"xargs -0 -r sha256sum --zero -- < {_LIST_FILE}-files 2>/dev/null; "
        f"rm -f {_LIST_FILE} {_LIST_FILE}-files",
        timeout_s=timeout_s,
    )
    outside, _, sums = answer.stdout.decode("utf-8", "surrogateescape").partition(mark)
    digests = dict(_walk_sums(sums))
    return tuple(
        replace(entry, digest=digests.get(entry.path, "")) if entry.kind == "file" else entry
        for entry in parse_outsides(outside)
        if entry.path in wanted
    )


def _list(paths: Iterable[str]) -> bytes:
    return "".join(f"{path}\0" for path in paths).encode("utf-8", "surrogateescape")


def _walk_sums(text: str) -> Iterable[tuple[str, str]]:
    for row in text.split("\0"):
        digest, gap, path = row.partition("  ")
        if gap and len(digest) == 64:
            yield path, digest


_MODE = re.compile(r"[0-9a-f]{1,8}")
_SIZE = re.compile(r"[0-9]{1,18}")
_KINDS: Mapping[int, str] = {0o100000: "file", 0o120000: "symlink", 0o040000: "folder"}


def parse_outsides(text: str) -> tuple[ConfigEntry, ...]:
    """Entries from NUL-ended `NAME MODE OWNER GROUP SIZE QUOTED` records, tabs between;
    MODE is stat(2)'s st_mode in hexadecimal."""
    rows: list[ConfigEntry] = []
    for record in text.split("\0"):
        cells = record.split("\t")
        if len(cells) != 6 or not _MODE.fullmatch(cells[1]) or not _SIZE.fullmatch(cells[4]):
            continue
        name = cells[0]  # no tabs in it: a survey takes no name that is not plain text
        mode = int(cells[1], 16)
        kind = _KINDS.get(mode & 0o170000, "other")
        rows.append(
            ConfigEntry(
                path=name,
                kind=kind,
                mode=mode & 0o7777,
                owner=cells[2],
                group=cells[3],
                size_bytes=int(cells[4]) if kind == "file" else 0,
                link=cells[5][len(name) + len(" -> ") :] if kind == "symlink" else "",
            )
        )
    return tuple(rows)
