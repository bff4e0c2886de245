"""Parsers for what dpkg, apt and ucf say. Text in, records out; no I/O."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from forerun.model.survey import Conffile, Package


@dataclass(frozen=True, slots=True)
class ShippedConffile:
    """A conffile entry of the package database: MD5 of what was *shipped*."""

    path: str
    package: str
    md5: str
    obsolete: bool


@dataclass(frozen=True, slots=True)
class Offers:
    """What the archives offer: `labels` maps (package, version) to the archive's label,
    `candidates` a package to the version an archive offers."""

    labels: dict[tuple[str, str], str] = field(default_factory=dict)
    candidates: dict[str, str] = field(default_factory=dict)
    has_archives: bool = False


@dataclass(frozen=True, slots=True)
class Stanza:
    """One control stanza of the package database, with its text."""

    package: str
    installed: bool
    conffiles: tuple[ShippedConffile, ...]
    text: str


_CONFFILE = re.compile(r"^ (/.+) ([0-9a-f]{32})((?: obsolete| remove-on-upgrade)*)$")


def parse_control(text: str) -> dict[str, Stanza]:
    """`binary:Package`-like name to stanza, from `dpkg-query --status`.

    A foreign architecture's package is named `name:arch`, as dpkg does where a package
    of Multi-Arch: same needs it; both names lead to the stanza."""
    found: dict[str, Stanza] = {}
    for block in re.split(r"\n\n+", text.strip("\n")):
        fields = dict(re.findall(r"^([A-Za-z-]+): (.*)$", block, re.MULTILINE))
        name = fields.get("Package", "")
        if not name:
            continue
        stanza = Stanza(
            name,
            fields.get("Status", "").endswith(" installed"),
            _find_conffiles(name, block),
            block.strip("\n"),
        )
        found.setdefault(name, stanza)
        found[f"{name}:{fields.get('Architecture', '')}"] = stanza
    return found


def _find_conffiles(package: str, block: str) -> tuple[ShippedConffile, ...]:
    _, found, after = block.partition("\nConffiles:\n")
    rows: list[ShippedConffile] = []
    for line in after.split("\n") if found else ():
        if not line.startswith(" "):
            break
        match = _CONFFILE.match(line)
        if match:
            rows.append(ShippedConffile(match[1], package, match[2], "obsolete" in match[3]))
    return tuple(rows)


def parse_extended_states(text: str) -> frozenset[tuple[str, str]]:
    """(package, architecture) of all marked automatic in apt's extended_states."""
    found = set()
    for block in re.split(r"\n\n+", text.strip()):
        fields = dict(re.findall(r"^([A-Za-z-]+): (.*)$", block, re.MULTILINE))
        if fields.get("Auto-Installed") == "1":
            found.add((fields.get("Package", ""), fields.get("Architecture", "")))
    return frozenset(found)


_RELEASE_LINE = re.compile(r"^ {5}release (.*)$")
_VERSION_LINE = re.compile(r"^ (?:\*\*\*|   ) (\S+)(?: -?\d+)?$")
_SOURCE_LINE = re.compile(r"^ +-?\d+ (.+)$")
_STATUS = "/var/lib/dpkg/status"


def _parse_labels(text: str) -> dict[str, str]:
    """Package file ("URI suite/component arch Packages") to the label of its Release."""
    labels: dict[str, str] = {}
    current = ""
    for line in text.splitlines():
        release = _RELEASE_LINE.match(line)
        source = _SOURCE_LINE.match(line)
        if release and current and current != _STATUS:
            parts = dict(p.split("=", 1) for p in release[1].split(",") if "=" in p)
            labels[current] = parts.get("l") or parts.get("o") or ""
        elif source:
            current = source[1]
            if current != _STATUS:
                labels.setdefault(current, "")
    return labels


def parse_policy(text: str) -> Offers:
    """What `apt-cache policy`, then `#packages`, then `apt-cache policy NAME...` say.

    An archive without a label counts under its own address. Source: apt-cache(8) and
    output of apt 2.6."""
    head, _, body = text.partition("#packages\n")
    labels = _parse_labels(head.partition("Pinned packages:")[0])
    offers = Offers(has_archives=bool(labels))
    package = version = ""
    for line in body.splitlines():
        if line and not line.startswith(" "):
            package, version = line.rstrip(":"), ""
            continue
        marked = _VERSION_LINE.match(line)
        source = _SOURCE_LINE.match(line)
        if marked and not line.startswith("        "):
            version = marked[1]
        elif source and version and source[1] != _STATUS:
            label = labels.get(source[1]) or source[1].split()[0]
            offers.labels.setdefault((package, version), label)
            offers.candidates.setdefault(package, version)
    return offers


def merge_packages(
    listing: str,
    *,
    automatic: frozenset[tuple[str, str]],
    offers: Offers,
    control: Mapping[str, Stanza],
    native: str,
) -> tuple[Package, ...]:
    """The packages in dpkg-query's tab-separated listing, with what else is known.

    The control stanza is kept for installed packages that no archive offers in any
    version, and for none when the server has no package index at all."""
    packages: list[Package] = []
    for line in listing.splitlines():
        cells = line.split("\t")
        if len(cells) != 4:
            continue
        binary, version, architecture, state = (*cells[:3], cells[3].strip())
        name = binary.partition(":")[0]
        candidate = offers.candidates.get(binary) or offers.candidates.get(name, "")
        label = offers.labels.get((binary, version)) or offers.labels.get((name, version), "")
        keep_stanza = offers.has_archives and not candidate and state[1:2] == "i"
        stanza = control.get(f"{name}:{architecture}")
        packages.append(
            Package(
                name=name,
                version=version,
                architecture=architecture,
                state=state,
                held=state.startswith("h"),
                # apt files packages of architecture "all" under the native one.
                automatic=(name, native if architecture == "all" else architecture) in automatic,
                origin=label,
                stanza=_trim_stanza(stanza.text) if keep_stanza and stanza else "",
                candidate=candidate,
            )
        )
    return tuple(packages)


_DROPPED = re.compile(r"^(?:Status|Conffiles|Config-Version):.*(?:\n[ \t].*)*\n?", re.MULTILINE)


def _trim_stanza(text: str) -> str:
    return _DROPPED.sub("", text + "\n").strip("\n")


def parse_conffiles(control: Mapping[str, Stanza]) -> tuple[ShippedConffile, ...]:
    """The conffiles of all installed packages."""
    rows = [c for s in control.values() if s.installed for c in s.conffiles]
    return tuple(dict.fromkeys(rows))


_MD5_LINE = re.compile(r"^(\\?)([0-9a-f]{32})  (.+)$")
_MD5_MISSING = re.compile(r"^md5sum: '?(.+?)'?: No such file or directory$")


def judge_conffiles(shipped: Iterable[ShippedConffile], sums: str) -> tuple[Conffile, ...]:
    """The conffiles that differ from what was shipped, given `md5sum` output (with its
    complaints) for their paths."""
    on_disk: dict[str, str] = {}
    missing: set[str] = set()
    for line in sums.splitlines():
        match, gone = _MD5_LINE.match(line), _MD5_MISSING.match(line)
        if match:
            on_disk[match[3]] = match[2]
        elif gone:
            missing.add(gone[1])
    rows: list[Conffile] = []
    for entry in shipped:
        if entry.obsolete:
            if entry.path in on_disk:
                rows.append(Conffile(entry.path, entry.package, "obsolete"))
        elif entry.path in missing:
            rows.append(Conffile(entry.path, entry.package, "missing"))
        elif on_disk.get(entry.path, entry.md5) != entry.md5:
            rows.append(Conffile(entry.path, entry.package, "changed"))
    return tuple(sorted(rows, key=lambda row: row.path))


def find_shipped(
    conffiles: Iterable[ShippedConffile], packages: Iterable[Package], managed: str
) -> dict[str, frozenset[str]]:
    """Path to MD5 of contents that anyone can get from an archive.

    Conffiles of packages that an archive offers, and ucf's own list of delivered files
    (`md5  path`). A package that no archive offers may ship the site's secrets."""
    public = {package.name for package in packages if package.origin or package.candidate}
    found: dict[str, set[str]] = {}
    for entry in conffiles:
        if entry.package in public:
            found.setdefault(entry.path, set()).add(entry.md5)
    for line in managed.splitlines():
        match = _MD5_LINE.match(line)
        if match:
            found.setdefault(match[3], set()).add(match[2])
    return {path: frozenset(sums) for path, sums in found.items()}


def parse_settings(files: Mapping[str, str]) -> tuple[tuple[str, str], ...]:
    """Active kernel settings of sysctl files as `FILE key` and value, and the boot
    loader's recorded devices as `debconf NAME` and value.

    Source: sysctl.d(5) (`key = value`, a leading `-` allowed, `#` and `;` comment)."""
    rows: list[tuple[str, str]] = []
    for path, text in files.items():
        if path == "debconf":
            rows += _parse_debconf(text)
            continue
        for line in text.splitlines():
            key, equals, value = line.strip().partition("=")
            if equals and not key.startswith(("#", ";")):
                rows.append((f"{path} {key.strip().lstrip('-')}", value.strip()))
    return tuple(rows)


def _parse_debconf(text: str) -> list[tuple[str, str]]:
    rows: list[tuple[str, str]] = []
    for block in re.split(r"\n\n+", text.strip()):
        fields = dict(re.findall(r"^([A-Za-z]+): (.*)$", block, re.MULTILINE))
        if fields.get("Name"):
            rows.append((f"debconf {fields['Name']}", fields.get("Value", "")))
    return rows
