"""What a distro module knows: how to read a system of its family and judge its parts."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Protocol

from forerun.model.profile import SourcePlan
from forerun.model.raw import RawSurvey
from forerun.model.survey import ArchiveSource
from forerun.ports.production import CopyScope, ProbeName

ABSENT = b"#absent "
FILE_MARK = "#file "

BASE_PROBES: Mapping[ProbeName, str] = {
    ProbeName.OS_RELEASE: "cat /etc/os-release 2>/dev/null || cat /usr/lib/os-release"
}


@dataclass(frozen=True, slots=True)
class SwitchedSources:
    """The archive configuration after the switch.

    `content` is a whole deb822 file to be written as `file`; `retire` are files whose
    entries it takes over and which must no longer be read; `disabled` are entries kept
    in it with `Enabled: no`, because no rule names their suite, as `file:line uri suite`.
    """

    file: str
    content: str
    retire: tuple[str, ...]
    disabled: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class DoubledSource:
    """One archive, suite and component that two or more entries name (`file:line`)."""

    uri: str
    suite: str
    component: str
    places: tuple[str, ...]


class Distro(Protocol):
    """One family of operating systems."""

    @property
    def family(self) -> str:
        """The family's name, as in `Release.family`."""
        ...

    def recognises(self, os_release: Mapping[str, str]) -> bool:
        """Whether the system with this os-release is of the family."""
        ...

    def probes(self, *, calibrate: bool = False) -> Mapping[ProbeName, str]:
        """The read-only shell command of each probe; with `calibrate` also those that tell
        how fast the server is: one writes into a directory of its own and removes it, one
        fetches pieces of the archives' indexes."""
        ...

    def scope(self) -> CopyScope:
        """The files that may be copied; all others are out of reach."""
        ...

    def read_facts(self, answers: Mapping[ProbeName, bytes]) -> RawSurvey:
        """The facts in the probes' answers. Raises SurveyFailed on a missing answer
        that a survey cannot do without."""
        ...

    def compare_versions(self, first: str, second: str) -> int:
        """Negative, zero or positive as `first` is older, equal or newer."""
        ...

    def plan_sources(self, sources: Iterable[ArchiveSource], plan: SourcePlan) -> SwitchedSources:
        """The archive configuration of the target release."""
        ...

    def find_doubled_sources(self, sources: Iterable[ArchiveSource]) -> tuple[DoubledSource, ...]:
        """Archives that are configured more than once."""
        ...


def parse_os_release(text: str) -> dict[str, str]:
    """Key and value of each assignment. Source: os-release(5): shell-like quoting."""
    found: dict[str, str] = {}
    for line in text.splitlines():
        key, equals, value = line.strip().partition("=")
        if not equals or key.startswith("#"):
            continue
        if len(value) >= 2 and value[0] == value[-1] and value[0] in "\"'":
            value = value[1:-1]
        for escaped in ('\\"', "\\'", "\\$", "\\`", "\\\\"):
            value = value.replace(escaped, escaped[1])
        found[key] = value
    return found


def split_files(text: str) -> dict[str, str]:
    """Path to content, from a probe that prints `#file PATH` before each file."""
    found: dict[str, list[str]] = {}
    lines: list[str] = []
    for line in text.split("\n"):
        if line.startswith(FILE_MARK):
            lines = found.setdefault(line[len(FILE_MARK) :], [])
        else:
            lines.append(line)
    return {path: "\n".join(lines) for path, lines in found.items()}


@dataclass(frozen=True, slots=True)
class Sections:
    """A probe's answer in sections: the lines under each `#file NAME`, without the tab
    that keeps content from passing for a mark; `absent` are (name, reason) of each
    `#absent NAME REASON`."""

    lines: dict[str, tuple[str, ...]]
    absent: tuple[tuple[str, str], ...] = ()

    def find(self, name: str) -> tuple[str, ...]:
        """The lines of one section, none when it is not there."""
        return self.lines.get(name, ())

    def below(self, folder: str) -> dict[str, tuple[str, ...]]:
        """File name to lines, of the sections right below a folder."""
        found = {}
        for path, lines in self.lines.items():
            parent, _, name = path.rpartition("/")
            if parent == folder and name:
                found[name] = lines
        return found


def split_sections(text: str) -> Sections:
    """The sections of a probe that prints each content line after a tab, or lines that
    cannot look like a mark as they are."""
    found: dict[str, list[str]] = {}
    absent: list[tuple[str, str]] = []
    lines: list[str] = []
    for line in text.removesuffix("\n").split("\n"):
        if line.startswith(FILE_MARK):
            lines = found.setdefault(line[len(FILE_MARK) :], [])
        elif line.startswith(ABSENT.decode()):
            name, _, reason = line[len(ABSENT) :].partition(" ")
            absent.append((name, reason))
        else:
            lines.append(line.removeprefix("\t"))
    return Sections({name: tuple(rows) for name, rows in found.items()}, tuple(absent))


# Control characters apart from tab, line feed, carriage return and NUL (which ends records),
# line ends of Unicode, and marks that turn the writing direction.
_ODD = re.compile(
    "[\x01-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ufeff]"
)


def _write_out(match: re.Match[str]) -> str:
    return "".join(f"\\x{byte:02x}" for byte in match[0].encode())


def escape_odd(text: str) -> str:
    """Text with control characters and the like written as \\xNN: what a server says is
    shown to people on terminals."""
    return _ODD.sub(_write_out, text)


def escape_value(value: object) -> str:
    """One field as a single line of plain text; nothing where it is None."""
    text = "" if value is None else str(value)
    # Bytes that were no UTF-8 come as surrogates; JSON can name others.
    text = re.sub("[\udc80-\udcff]", lambda match: f"\\x{ord(match[0]) - 0xDC00:02x}", text)
    text = text.encode("utf-8", "backslashreplace").decode()
    return escape_odd(re.sub("[\\r\\n\\t\\0]", lambda match: f"\\x{ord(match[0]):02x}", text))


def decode_answer(answers: Mapping[ProbeName, bytes], probe: ProbeName) -> str:
    """A probe's answer as text, empty when it is missing or says it is absent. Bytes that
    are no UTF-8 and control characters are written as \\xNN, so that every fact can be
    stored and shown."""
    answer = answers.get(probe, b"")
    if answer.startswith(ABSENT):
        return ""
    return escape_odd(answer.decode("utf-8", "backslashreplace"))
