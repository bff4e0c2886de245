"""apt's archive configuration: reading both formats, switching it, finding doubles.

Source: sources.list(5) of apt 2.6 (one-line style and deb822 style, options and their
deb822 names) and apt-secure(8) for Signed-By.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from urllib.parse import urlsplit

from debian.deb822 import Deb822

from forerun.distro.base import DoubledSource, SwitchedSources
from forerun.model.profile import SourcePlan
from forerun.model.survey import ArchiveSource

SWITCHED_FILE = "/etc/apt/sources.list.d/debian.sources"

# One-line option to deb822 field, sources.list(5), "THE DEB AND DEB-SRC TYPES: OPTIONS".
_OPTIONS = {
    "arch": "Architectures",
    "lang": "Languages",
    "target": "Targets",
    "pdiffs": "PDiffs",
    "by-hash": "By-Hash",
    "allow-insecure": "Allow-Insecure",
    "allow-weak": "Allow-Weak",
    "allow-downgrade-to-insecure": "Allow-Downgrade-To-Insecure",
    "trusted": "Trusted",
    "signed-by": "Signed-By",
    "check-valid-until": "Check-Valid-Until",
    "valid-until-min": "Valid-Until-Min",
    "valid-until-max": "Valid-Until-Max",
    "check-date": "Check-Date",
    "date-max-future": "Date-Max-Future",
    "inrelease-path": "InRelease-Path",
    "snapshot": "Snapshot",
}
_CORE = frozenset({"types", "uris", "suites", "components", "signed-by", "enabled"})
_LISTS = frozenset({"Architectures", "Languages", "Targets"})
EMBEDDED_KEY = "embedded"


def parse_sources(files: Mapping[str, str]) -> tuple[ArchiveSource, ...]:
    """All entries of `*.list` and `*.sources` files, with their line numbers.

    Entries that are commented out are not entries. Lines that apt could not read either
    are left out."""
    rows: list[ArchiveSource] = []
    for path, text in files.items():
        rows += _walk_stanzas(path, text) if path.endswith(".sources") else _walk_lines(path, text)
    return tuple(rows)


_ONE_LINE = re.compile(r"^(deb|deb-src)\s+(?:\[([^\]]*)\]\s+)?(\S+)\s+(\S+)((?:\s+\S+)*)\s*$")
_CDROM = re.compile(r"^(deb|deb-src)\s+(cdrom:\[[^\]]*\]\S*)\s+(\S+)((?:\s+\S+)*)\s*$")


def _walk_lines(path: str, text: str) -> Iterator[ArchiveSource]:
    for number, line in enumerate(text.splitlines(), 1):
        bare = line.partition(" #")[0].strip()
        disc = _CDROM.match(bare)
        match = _ONE_LINE.match(bare)
        if disc:
            kind, options_text, (uri, suite, components) = disc[1], "", disc.groups()[1:]
        elif match:
            kind, options_text, uri, suite, components = match.groups(default="")
        else:
            continue
        options = dict(_walk_options(options_text))
        yield ArchiveSource(
            file=path,
            line=number,
            types=(kind,),
            uris=(uri,),
            suites=(suite,),
            components=tuple(components.split()),
            signed_by=options.pop("Signed-By", ""),
            options=tuple(sorted(options.items())),
        )


def _walk_options(text: str) -> Iterator[tuple[str, str]]:
    for name, sign, value in re.findall(r"([A-Za-z-]+)([-+]?=)(\S+)", text):
        field = _OPTIONS.get(name.lower(), name.title())
        suffix = {"+=": "-Add", "-=": "-Remove"}.get(sign, "")
        yield field + suffix, value.replace(",", " ") if field in _LISTS else value


def _walk_stanzas(path: str, text: str) -> Iterator[ArchiveSource]:
    for line, block in _split_stanzas(text):
        stanza = Deb822(block)
        names = {name.lower(): name for name in stanza}
        if not {"types", "uris", "suites"} <= names.keys():
            continue

        def take(name: str, stanza: Deb822 = stanza) -> tuple[str, ...]:
            return tuple(str(stanza.get(name, "")).split())

        key = str(stanza.get("Signed-By", "")).strip()
        yield ArchiveSource(
            file=path,
            line=line,
            types=take("Types"),
            uris=take("URIs"),
            suites=take("Suites"),
            components=take("Components"),
            signed_by=EMBEDDED_KEY if "BEGIN PGP" in key else key,
            enabled=str(stanza.get("Enabled", "yes")).strip().lower() not in _OFF,
            options=tuple(
                sorted(
                    (name, " ".join(str(stanza[name]).split()))
                    for low, name in names.items()
                    if low not in _CORE and not low.startswith("x-")
                )
            ),
        )


_OFF = frozenset({"no", "false", "0", "off", "without", "disable"})


def _split_stanzas(text: str) -> Iterator[tuple[int, str]]:
    """(number of the first line, text without comments) of each stanza."""
    block: list[str] = []
    start = 0
    for number, line in enumerate([*text.splitlines(), ""], 1):
        if line.strip() and not line.startswith("#"):
            start = start or number
            block.append(line)
        elif not line.strip() and block:
            yield start, "\n".join(block)
            block, start = [], 0


@dataclass(frozen=True, slots=True)
class _Stanza:
    """One deb822 stanza to be written, without its suites."""

    types: tuple[str, ...]
    uris: tuple[str, ...]
    components: tuple[str, ...]
    signed_by: str
    enabled: bool
    options: tuple[tuple[str, str], ...]


def plan_sources(sources: Iterable[ArchiveSource], plan: SourcePlan) -> SwitchedSources:
    """One deb822 file for the target release, in place of all files there are.

    A suite that the plan names is renamed; an entry none of whose suites it names is
    kept with `Enabled: no` and reported. URIs, components, deb-src and options stay.
    Signed-By is added where an entry that is switched had none. Entries alike in all but
    suite and type share a stanza; a suite that is there twice is written once. An entry with
    an embedded key stays in its own file, since the key itself is not in the survey.
    """
    renamed = dict(plan.suites)
    stanzas: dict[_Stanza, list[str]] = {}
    retire: dict[str, None] = {}
    kept: set[str] = set()
    disabled: list[str] = []
    for source in sources:
        if source.signed_by == EMBEDDED_KEY:
            kept.add(source.file)
            disabled += _name_disabled(source)
            continue
        retire[source.file] = None
        known = [suite for suite in source.suites if suite.rstrip("/") in renamed]
        unknown = tuple(suite for suite in source.suites if suite not in known)
        targets = [(tuple(renamed[s.rstrip("/")] for s in known), source.enabled)] if known else []
        if unknown:
            targets.append((unknown, False))
            disabled += _name_disabled(source, unknown) if source.enabled else []
        for suites, enabled in targets:
            stanza = _Stanza(
                source.types,
                source.uris,
                source.components,
                source.signed_by or (plan.keyring if suites is not unknown else ""),
                enabled,
                source.options,
            )
            listed = stanzas.setdefault(stanza, [])
            listed += [suite for suite in suites if suite not in listed]
    return SwitchedSources(
        file=SWITCHED_FILE,
        content="\n".join(_write_stanza(stanza, suites) for stanza, suites in _join(stanzas)),
        retire=tuple(path for path in retire if path not in kept and path != SWITCHED_FILE),
        disabled=tuple(disabled),
    )


def _name_disabled(source: ArchiveSource, suites: tuple[str, ...] = ()) -> list[str]:
    return [
        f"{source.file}:{source.line} {uri} {suite}"
        for uri in source.uris
        for suite in suites or source.suites
    ]


def _join(stanzas: Mapping[_Stanza, list[str]]) -> list[tuple[_Stanza, list[str]]]:
    """Joins a `deb` and a `deb-src` entry that are alike in everything else."""
    joined: dict[tuple[object, ...], tuple[_Stanza, list[str]]] = {}
    for stanza, suites in stanzas.items():
        key = (
            stanza.uris, stanza.components, stanza.signed_by, stanza.enabled, stanza.options,
            tuple(suites),
        )  # fmt: skip
        before = joined.get(key)
        types = tuple(dict.fromkeys((before[0].types if before else ()) + stanza.types))
        joined[key] = (
            _Stanza(
                types, stanza.uris, stanza.components, stanza.signed_by, stanza.enabled,
                stanza.options,
            ),
            suites,
        )  # fmt: skip
    return list(joined.values())


def _write_stanza(stanza: _Stanza, suites: list[str]) -> str:
    fields = [
        ("Enabled", "" if stanza.enabled else "no"),
        ("Types", " ".join(stanza.types)),
        ("URIs", " ".join(stanza.uris)),
        ("Suites", " ".join(suites)),
        ("Components", " ".join(stanza.components)),
        ("Signed-By", stanza.signed_by),
        *stanza.options,
    ]
    return "".join(f"{name}: {value}\n" for name, value in fields if value)


def find_doubled_sources(sources: Iterable[ArchiveSource]) -> tuple[DoubledSource, ...]:
    """Enabled binary archives that two or more entries name, as apt itself would warn
    ("configured multiple times")."""
    places: dict[tuple[str, str, str], list[str]] = {}
    for source in sources:
        if not source.enabled or "deb" not in source.types:
            continue
        place = f"{source.file}:{source.line}"
        for uri in source.uris:
            for suite in source.suites:
                for component in source.components or ("",):
                    key = (_normalise(uri), suite.rstrip("/"), component)
                    places.setdefault(key, []).append(place)
    return tuple(
        DoubledSource(*key, tuple(found)) for key, found in places.items() if len(found) > 1
    )


def _normalise(uri: str) -> str:
    """An archive's address without what does not change which archive it is."""
    try:
        parts = urlsplit(uri)
        host = (parts.hostname or "").lower() + (f":{parts.port}" if parts.port else "")
    except ValueError:  # an open bracket, a port that is no number
        return uri.rstrip("/")
    return f"{parts.scheme}://{host}{parts.path.rstrip('/')}" if host else uri.rstrip("/")
