"""What a distro module knows: how to read a system of its family and judge its parts."""

from __future__ import annotations

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

    def probes(self) -> Mapping[ProbeName, str]:
        """The read-only shell command of each probe."""
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


def decode_answer(answers: Mapping[ProbeName, bytes], probe: ProbeName) -> str:
    """A probe's answer as text, empty when it is missing or says it is absent. Bytes that
    are no UTF-8 are written as \\xNN, so that every fact can be stored."""
    answer = answers.get(probe, b"")
    return "" if answer.startswith(ABSENT) else answer.decode("utf-8", "backslashreplace")
