"""Parsers for what apt and dpkg print and log while they plan and upgrade.

Sources: apt-get(8) (`-s`, `--print-uris`), dpkg(1) (the log's lines), apt's own source
for how it rounds sizes, and output recorded from real upgrades (tests/data).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime

from forerun.model.observation import PackageChange


@dataclass(frozen=True, slots=True)
class PlannedChange:
    """One line of a simulation: `old` or `new` is empty for an install or a removal."""

    name: str
    old: str = ""
    new: str = ""
    archive: str = ""
    architecture: str = ""


@dataclass(frozen=True, slots=True)
class Simulation:
    """apt's plan: what it would install, upgrade, remove, keep back and leave unused.

    The four counts are those of apt's own summary line, -1 when it printed none."""

    installs: tuple[PlannedChange, ...]
    upgrades: tuple[PlannedChange, ...]
    removals: tuple[PlannedChange, ...]
    configures: int
    kept_back: tuple[str, ...]
    unused: tuple[str, ...]
    upgraded: int = -1
    newly_installed: int = -1
    to_remove: int = -1
    not_upgraded: int = -1


_INST = re.compile(r"^Inst (\S+) (?:\[(\S+)\] )?\((\S+) (.+?) \[(\S+)\]\)")
_REMV = re.compile(r"^(?:Remv|Purg) (\S+) \[(\S+)\]")
_SUMMARY = re.compile(
    r"^(\d+) (?:upgraded|packages upgraded)[,.] (\d+) newly installed, "
    r"(?:\d+ downgraded, )?(\d+) to remove and (\d+) not upgraded\.",
    re.MULTILINE,
)


def parse_simulation(text: str) -> Simulation:
    """The plan in `apt-get -s` output (C locale), of apt 2.2 to 3.0."""
    installs: list[PlannedChange] = []
    upgrades: list[PlannedChange] = []
    removals: list[PlannedChange] = []
    configures = 0
    for line in text.splitlines():
        inst, remv = _INST.match(line), _REMV.match(line)
        if inst:
            name, old, new, archive, architecture = inst.groups(default="")
            change = PlannedChange(name, old, new, archive, architecture)
            (upgrades if old else installs).append(change)
        elif remv:
            removals.append(PlannedChange(remv[1], old=remv[2]))
        elif line.startswith("Conf "):
            configures += 1
    summary = _SUMMARY.search(text)
    counts = [int(count) for count in summary.groups()] if summary else [-1, -1, -1, -1]
    return Simulation(
        tuple(installs),
        tuple(upgrades),
        tuple(removals),
        configures,
        _find_listed(text, "have been kept back:"),
        _find_listed(text, "no longer required:"),
        *counts,
    )


def _find_listed(text: str, ending: str) -> tuple[str, ...]:
    """The names in the indented lines after the line that ends with `ending`."""
    names: list[str] = []
    inside = False
    for line in text.splitlines():
        if inside and line.startswith("  "):
            names += line.split()
        else:
            inside = line.rstrip().endswith(ending)
    return tuple(names)


@dataclass(frozen=True, slots=True)
class PlannedFile:
    """One file apt would download; `size_bytes` 0 for indexes."""

    uri: str
    file: str
    size_bytes: int
    digest: str


@dataclass(frozen=True, slots=True)
class PlannedDownload:
    """What apt would download."""

    files: tuple[PlannedFile, ...]

    @property
    def total_bytes(self) -> int:
        """The sum of the files' sizes."""
        return sum(entry.size_bytes for entry in self.files)


_URI_LINE = re.compile(r"^'([^']+)' (\S+) (\d+)(?: (\S+))?\s*$", re.MULTILINE)


def parse_print_uris(text: str) -> PlannedDownload:
    """The files in `apt-get --print-uris -qq` output: `'URI' FILE SIZE HASH:HEX`."""
    return PlannedDownload(
        tuple(PlannedFile(m[1], m[2], int(m[3]), m[4] or "") for m in _URI_LINE.finditer(text))
    )


@dataclass(frozen=True, slots=True)
class FetchedLine:
    """apt's `Fetched` line: it rounds, so the true size is within `within_bytes`."""

    size_bytes: int
    within_bytes: int
    seconds: float


_FETCHED = re.compile(
    r"^Fetched ([\d,.]+) ([kMGTPEZY]?)B in (?:(\d+)d )?(?:(\d+)h )?(?:(\d+)min )?(\d+)s",
    re.MULTILINE,
)


_NEED = re.compile(
    r"^Need to get ([\d,.]+) ([kMGTPEZY]?)B(?:/[\d,.]+ [kMGTPEZY]?B)? of", re.MULTILINE
)


def parse_need_to_get(text: str) -> int:
    """Bytes that apt said it needs to get, summed over the text; -1 where it said
    nothing. It rounds as `parse_apt_fetched` explains: by 0.5 % at most."""
    found = _NEED.findall(text)
    if not found:
        return -1
    return sum(
        round(float(number.replace(",", "")) * 1000 ** ("kMGTPEZY".index(unit) + 1 if unit else 0))
        for number, unit in found
    )


def parse_apt_fetched(text: str) -> tuple[FetchedLine, ...]:
    """Every `Fetched 156 MB in 1min 2s (2,500 kB/s)` line, in order.

    apt counts in powers of 1000 and shows one decimal below 100 of a unit, else none
    (SizeToStr in apt-pkg/contrib/strutl.cc), hence `within_bytes`. For exact sizes use
    `parse_print_uris` or the gateway's counters."""
    rows: list[FetchedLine] = []
    for match in _FETCHED.finditer(text):
        number, unit = match[1].replace(",", ""), match[2]
        scale = 1000 ** ("kMGTPEZY".index(unit) + 1) if unit else 1
        step = scale / 10 if "." in number else scale
        days, hours, minutes, seconds = (int(part or 0) for part in match.groups()[2:])
        rows.append(
            FetchedLine(
                round(float(number) * scale),
                round(step / 2) if unit else 0,
                float(((days * 24 + hours) * 60 + minutes) * 60 + seconds),
            )
        )
    return tuple(rows)


@dataclass(frozen=True, slots=True)
class PackageTimes:
    """One package's way through a dpkg log. Seconds have the log's resolution of one.

    `kind` is "upgraded", "installed", "removed" or "" (only triggers were processed).
    """

    name: str
    architecture: str
    kind: str
    old: str
    new: str
    unpack_s: float
    configure_s: float
    trigger_s: float
    first: str
    last: str


@dataclass(slots=True)
class _Progress:
    kind: str = ""
    old: str = ""
    new: str = ""
    seconds: dict[str, float] = field(default_factory=dict)
    first: str = ""
    last: str = ""


@dataclass(frozen=True, slots=True)
class _LogLine:
    stamp: str
    word: str
    package: str
    old: str
    new: str

    def at(self) -> datetime:
        return datetime.fromisoformat(self.stamp)


_LOG_LINE = re.compile(r"^(\d{4}-\d\d-\d\d \d\d:\d\d:\d\d) (\S+) (.*)$")
_PHASES = {
    "install": "unpack",
    "upgrade": "unpack",
    "remove": "remove",
    "purge": "remove",
    "disappear": "remove",
    "configure": "configure",
    "trigproc": "trigger",
}
_KINDS = {"install": "installed", "upgrade": "upgraded", "remove": "removed", "purge": "removed"}


def _walk_log(text: str) -> Iterator[_LogLine]:
    for line in text.splitlines():
        match = _LOG_LINE.match(line)
        cells = match[3].split() if match else []
        if not match or match[2] in {"startup", "conffile"}:
            continue
        if match[2] == "status" and len(cells) >= 3:
            yield _LogLine(match[1], "status", cells[1], "", cells[0])
        elif match[2] in _PHASES and len(cells) >= 3:
            yield _LogLine(match[1], match[2], cells[0], cells[1], cells[2])


def parse_dpkg_log(text: str, *, since: str = "") -> tuple[PackageTimes, ...]:
    """Per package: what happened to it and the seconds spent unpacking, configuring and
    processing triggers. Entries before `since` ("2026-01-31 22:00:00") are left out.

    A phase runs from the action's line to the package's own last status line before the
    next action of any package; dpkg works on one package at a time."""
    found: dict[str, _Progress] = {}
    active: _LogLine | None = None
    for entry in _walk_log(text):
        if entry.stamp < since:
            continue
        if entry.word != "status":
            active = entry
            _note_action(found.setdefault(entry.package, _Progress()), entry)
        elif active is not None and entry.package == active.package:
            _note_time(found[entry.package], active, entry)
            active = _LogLine(entry.stamp, active.word, active.package, active.old, active.new)
    return tuple(_close(package, progress) for package, progress in found.items())


def _close(package: str, progress: _Progress) -> PackageTimes:
    name, _, architecture = package.partition(":")
    return PackageTimes(
        name=name,
        architecture=architecture,
        kind=progress.kind,
        old=progress.old,
        new=progress.new,
        unpack_s=progress.seconds.get("unpack", 0.0),
        configure_s=progress.seconds.get("configure", 0.0),
        trigger_s=progress.seconds.get("trigger", 0.0),
        first=progress.first,
        last=progress.last,
    )


def _note_action(progress: _Progress, entry: _LogLine) -> None:
    progress.first = progress.first or entry.stamp
    progress.last = entry.stamp
    kind = _KINDS.get(entry.word)
    if not kind:
        return
    old, new = ("" if part == "<none>" else part for part in (entry.old, entry.new))
    if kind == "installed" and progress.kind == "removed":
        progress.kind = "upgraded"
    elif kind != "upgraded" or progress.kind != "installed":
        progress.kind = kind
    progress.old = progress.old or old
    progress.new = "" if kind == "removed" else new


def _note_time(progress: _Progress, active: _LogLine, entry: _LogLine) -> None:
    took = (entry.at() - active.at()).total_seconds()
    phase = _PHASES[active.word]
    progress.seconds[phase] = progress.seconds.get(phase, 0.0) + max(0.0, took)
    progress.last = entry.stamp


def list_changes(times: tuple[PackageTimes, ...]) -> tuple[PackageChange, ...]:
    """The changed packages as records. A removed package has neither time (-1); seconds
    of triggers, which are not one package's own, are left out."""
    return tuple(
        PackageChange(
            name=entry.name,
            kind=entry.kind,
            old=entry.old,
            new=entry.new,
            unpack_s=-1.0 if entry.kind == "removed" else entry.unpack_s,
            configure_s=-1.0 if entry.kind == "removed" else entry.configure_s,
        )
        for entry in times
        if entry.kind
    )


@dataclass(frozen=True, slots=True)
class HistoryEntry:
    """One block of apt's history log. `ended` is empty when apt was interrupted.

    Each change is (package, architecture, old, new, automatic)."""

    started: str
    ended: str
    command: str
    requested_by: str
    error: str
    changes: tuple[HistoryChange, ...]


@dataclass(frozen=True, slots=True)
class HistoryChange:
    """One package in a history block. `kind` is the field's name in lower case:
    install, upgrade, remove, purge, reinstall or downgrade."""

    kind: str
    name: str
    architecture: str
    old: str
    new: str
    automatic: bool


_HISTORY_ITEM = re.compile(r"(\S+?):(\S+) \(([^)]*)\)")
_CHANGE_FIELDS = ("Install", "Reinstall", "Upgrade", "Downgrade", "Remove", "Purge")


def parse_history_log(text: str) -> tuple[HistoryEntry, ...]:
    """The blocks of /var/log/apt/history.log, in order."""
    rows: list[HistoryEntry] = []
    for block in re.split(r"\n\n+", text.strip("\n")):
        fields = dict(re.findall(r"^([A-Z][A-Za-z-]+): (.*)$", block, re.MULTILINE))
        if "Start-Date" not in fields:
            continue
        rows.append(
            HistoryEntry(
                started=" ".join(fields["Start-Date"].split()),
                ended=" ".join(fields.get("End-Date", "").split()),
                command=fields.get("Commandline", ""),
                requested_by=fields.get("Requested-By", ""),
                error=fields.get("Error", ""),
                changes=tuple(
                    change
                    for name in _CHANGE_FIELDS
                    for change in _walk_history(name, fields.get(name, ""))
                ),
            )
        )
    return tuple(rows)


def _walk_history(name: str, text: str) -> Iterator[HistoryChange]:
    for package, architecture, inside in _HISTORY_ITEM.findall(text):
        parts = [part.strip() for part in inside.split(",")]
        automatic = parts[-1] == "automatic"
        versions = parts[:-1] if automatic else parts
        first = versions[0] if versions else ""
        second = versions[1] if len(versions) > 1 else ""
        removed = name in {"Remove", "Purge"}
        old = first if second or removed else ""
        new = "" if removed else (second or first)
        yield HistoryChange(name.lower(), package, architecture, old, new, automatic)
