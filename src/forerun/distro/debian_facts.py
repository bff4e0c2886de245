"""Parsers for what dpkg, apt and ucf say. Text in, records out; no I/O."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from forerun.distro.base import Sections, split_sections
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


_VERSION_LINE = re.compile(r"^ (?:\*\*\*|   ) (\S+)(?: -?\d+)?$")
_SOURCE_LINE = re.compile(r"^ +-?\d+ (.+)$")
_STATUS = "/var/lib/dpkg/status"


def _read_labels(releases: Sections) -> dict[str, str]:
    """Name of apt's list file, without its last part, to the archive's label."""
    labels: dict[str, str] = {}
    for path, lines in releases.lines.items():
        fields = dict(line.split(": ", 1) for line in lines if ": " in line)
        name = path.rpartition("/")[2].removesuffix("InRelease").removesuffix("Release")
        labels[name.lstrip("_")] = fields.get("Label") or fields.get("Origin") or ""
    return labels


def name_list(source: str) -> str:
    """How apt names the list files of an archive that its policy shows as
    `URI SUITE/COMPONENT ARCHITECTURE Packages`, up to the last part.

    Source: apt-pkg/contrib/strutl.cc, URItoFileName: neither scheme nor credentials, some
    characters as %xx, and `_` for `/`; below it `dists` and the suite, but in a flat
    archive, whose suite ends in `/`, the suite alone."""
    uri, _, rest = source.partition(" ")
    place = rest.split(" ", 1)[0]
    address = re.sub(r"^[a-z][a-z0-9+.-]*:/*", "", uri)
    host, slash, path = address.partition("/")
    address = host.rpartition("@")[2] + slash + path.strip("/")
    suite = place.rpartition("/")[0]
    inner = suite.strip("./") if place.endswith("/") else f"dists/{suite}"
    whole = "/".join(part for part in (address.rstrip("/"), inner) if part) + "/"
    quoted = re.sub(r"[\\|{}\[\]<>\"^~_=!@#$%^&*]", lambda m: f"%{ord(m[0]):02x}", whole)
    return quoted.replace("/", "_")


def parse_policy(text: str) -> Offers:
    """What `apt-cache policy NAME...` says, then after `#releases` the labels in the
    archives' Release files, in sections.

    An archive without a label counts under its own address. Source: apt-cache(8) and
    output of apt 2.6."""
    body, _, releases = text.partition("#releases\n")
    labels = _read_labels(split_sections(releases))
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
            label = labels.get(name_list(source[1])) or source[1].split()[0]
            offers.labels.setdefault((package, version), label)
            offers.candidates.setdefault(package, version)
    return offers if labels or not offers.labels else replace(offers, has_archives=True)


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
                relations=_read_relations(stanza.text) if stanza else (),
            )
        )
    return tuple(packages)


_RELATIONS = frozenset({
    "Pre-Depends", "Depends", "Recommends", "Conflicts", "Breaks", "Replaces", "Provides",
    "Essential", "Protected", "Important", "Multi-Arch", "Source", "Section", "Priority",
    "Installed-Size",
})  # fmt: skip
_FIELD = re.compile(r"^([A-Za-z-]+):[ \t]*(.*(?:\n[ \t].*)*)", re.MULTILINE)


def _read_relations(stanza: str) -> tuple[tuple[str, str], ...]:
    """The fields that a plan needs; folded ones on one line."""
    return tuple(
        (name, " ".join(value.split()))
        for name, value in _FIELD.findall(stanza)
        if name in _RELATIONS
    )


_DROPPED = re.compile(r"^(?:Status|Conffiles|Config-Version):.*(?:\n[ \t].*)*\n?", re.MULTILINE)


def _trim_stanza(text: str) -> str:
    return _DROPPED.sub("", text + "\n").strip("\n")


def parse_conffiles(control: Mapping[str, Stanza]) -> tuple[ShippedConffile, ...]:
    """The conffiles of all installed packages."""
    rows = [c for s in control.values() if s.installed for c in s.conffiles]
    return tuple(dict.fromkeys(rows))


_MD5_LINE = re.compile(r"^(\\?)([0-9a-f]{32})  (.+)$")
# GNU coreutils, and busybox.
_MD5_MISSING = re.compile(r"^md5sum: (?:can't open )?'?(.+?)'?: No such file or directory$")


def parse_sums(text: str) -> tuple[dict[str, str], frozenset[str]]:
    """(path to MD5, missing paths) from what md5sum prints and complains of."""
    on_disk: dict[str, str] = {}
    missing: set[str] = set()
    for line in text.splitlines():
        match, gone = _MD5_LINE.match(line), _MD5_MISSING.match(line)
        if match:
            on_disk[match[3]] = match[2]
        elif gone:
            missing.add(gone[1])
    return on_disk, frozenset(missing)


def judge_conffiles(shipped: Iterable[ShippedConffile], sums: str) -> tuple[Conffile, ...]:
    """The conffiles that differ from what was shipped, given `md5sum` output (with its
    complaints) for their paths. `disk` is the MD5 of the file itself."""
    on_disk, missing = parse_sums(sums)
    rows: list[Conffile] = []
    for entry in shipped:
        path, disk = entry.path, on_disk.get(entry.path, "")
        if entry.obsolete:
            if disk:
                rows.append(Conffile(path, entry.package, "obsolete", entry.md5, disk))
        elif path in missing:
            rows.append(Conffile(path, entry.package, "missing", entry.md5))
        elif disk and disk != entry.md5:
            rows.append(Conffile(path, entry.package, "changed", entry.md5, disk))
    return tuple(sorted(rows, key=lambda row: row.path))


def find_shipped(
    conffiles: Iterable[ShippedConffile], packages: Iterable[Package], managed: str
) -> dict[str, frozenset[str]]:
    """Path to MD5 of contents that anyone can get from an archive.

    Conffiles of packages that an archive offers, and of ucf's list (`md5  path`) those
    whose digest a packaged file has (`#public md5`): ucf also keeps files that were made
    on the server, with passwords in them. A package that no archive offers may ship the
    site's secrets."""
    public = {package.name for package in packages if package.origin or package.candidate}
    found: dict[str, set[str]] = {}
    for entry in conffiles:
        if entry.package in public:
            found.setdefault(entry.path, set()).add(entry.md5)
    lines = managed.splitlines()
    packaged = {line.removeprefix("#public ") for line in lines if line.startswith("#public ")}
    for line in lines:
        match = _MD5_LINE.match(line)
        if match and match[2] in packaged:
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
