"""The subjects a clone is compared in: what counts as one thing, and what a difference
may hide. Pure."""

from __future__ import annotations

import fnmatch
from collections.abc import Callable, Iterator

from forerun.model.raw import RawSurvey
from forerun.model.survey import CleanSurvey, ConfigEntry, Package
from forerun.stages.design import ACCESS_PORT, find_held_back, through_gateway
from forerun.stages.fidelity_ground import ABSENT_WORD, Facts, Ground, Judged, Subject, say
from forerun.stages.fidelity_system import list_machine_subjects, list_system_subjects
from forerun.stages.seed import ACCESS_FOLDER, GATEWAY_PORT, PROXY_FILE


def list_subjects(ground: Ground) -> tuple[Subject, ...]:
    """All subjects, in the order of a report."""
    return (
        *_list_package_subjects(ground),
        *_list_configuration_subjects(ground),
        *_list_service_subjects(ground),
        *list_machine_subjects(ground),
        *list_system_subjects(ground),
    )


# ---------------------------------------------------------------------------- packages


def _installed(facts: Facts) -> dict[str, Package]:
    """`name:architecture` to package, for what is installed, wholly or in part."""
    return {
        f"{package.name}:{package.architecture}": package
        for package in facts.packages
        if package.state[1:2] not in {"n", "c", ""}
    }


def _list_package_subjects(ground: Ground) -> Iterator[Subject]:
    here, there = _installed(ground.survey), _installed(ground.clone)
    empty = "" if here and there else "one side has no list of packages"
    common = here.keys() & there.keys()

    def judge_presence(name: str, production: str, clone: str) -> Judged:
        if clone == ABSENT_WORD:
            return Judged("its upgrade, its questions and what depends on it are not rehearsed")
        if production == ABSENT_WORD:
            return Judged("it is upgraded too and may fulfil what production would have to fetch")
        return Judged("an unfinished installation may stop the upgrade on one side only")

    yield Subject(
        "packages",
        "one thing is a package with its architecture, installed on either side; alike when it "
        "is there on both in the same state",
        ("packages",),
        {name: _say_state(package) for name, package in here.items()},
        {name: _say_state(package) for name, package in there.items()},
        judge_presence,
        empty,
    )
    yield Subject(
        "package versions",
        "one thing is a package installed on both sides; alike when the version is the same",
        ("packages",),
        {name: here[name].version for name in common},
        {name: there[name].version for name in common},
        say("what the upgrade does from production's version: its scripts may take another way"),
        empty,
    )
    yield Subject(
        "package contents",
        "one thing is a package installed on both sides; alike when the clone's is the archive's "
        "own and no stand-in without content",
        ("packages",),
        dict.fromkeys(common, "its own files and scripts"),
        {name: _say_content(name, ground.hollow) for name in common},
        say("a stand-in without content: what it does and asks is not rehearsed"),
        empty,
    )
    yield Subject(
        "holds and automatic marks",
        "one thing is a package installed on both sides; alike when both or neither hold it, and "
        "both or neither have it marked as installed automatically",
        ("packages", "automatic"),
        {name: _say_marks(here[name]) for name in common},
        {name: _say_marks(there[name]) for name in common},
        say("what is kept back or removed as unused"),
        empty,
    )


def _say_content(name: str, hollow: frozenset[str]) -> str:
    return "none" if name.partition(":")[0] in hollow else "its own files and scripts"


def _say_state(package: Package) -> str:
    return "installed" if package.state[1:2] == "i" else f"state {package.state[1:]}"


def _say_marks(package: Package) -> str:
    return f"{'held' if package.held else 'free'}, " + (
        "automatic" if package.automatic else "manual"
    )


# ----------------------------------------------------------------------- configuration


def _list_configuration_subjects(ground: Ground) -> Iterator[Subject]:
    survey, clone = ground.survey, ground.clone
    yield Subject(
        "conffiles",
        "one thing is a packaged configuration file that is changed, missing or obsolete on "
        "either side; alike when it is the same on both",
        ("conffile-sums",),
        {row.path: row.state for row in survey.conffiles},
        {row.path: row.state for row in clone.conffiles},
        _judge_conffile,
    )
    copied = {entry.path: entry for entry in survey.entries}
    found = {entry.path: entry for entry in ground.facts.files if entry.path in copied}
    https = any(u.startswith("https:") for source in survey.sources for u in source.uris)
    reasons = dict(ground.blueprint.held_back_paths)

    def judge_file(path: str, production: str, clone: str) -> Judged:
        reason = reasons.get(path) or find_held_back(path)
        if reason:
            return Judged(reason, explained=True)
        if path in {"/etc/motd", PROXY_FILE} or path.startswith(f"{ACCESS_FOLDER}/"):
            return Judged("forerun's own: how the clone is reached", explained=True)
        if https and path.startswith("/etc/apt/sources.list"):
            text = "addresses begin with http: the gateway asks by https where production does"
            return Judged(text, explained=True)
        if clone == ABSENT_WORD:
            return Judged("whatever reads it runs without production's settings")
        return Judged("whatever reads it runs with other settings than production's")

    yield Subject(
        "configuration files",
        "one thing is an entry of the sanitised copy; alike when the clone has it with the same "
        "kind, permissions, owner, group, target of a link and SHA-256 of the content",
        ("files",),
        {path: _say_entry(entry) for path, entry in copied.items()},
        {path: _say_entry(entry) for path, entry in found.items()},
        judge_file,
        "" if copied and found else "one side has no list of files",
    )
    yield Subject(
        "archive sources",
        "one thing is an address with suite, component and type; alike when both sides have it, "
        "both in use or both not; http and https count as one, since the gateway sees to that",
        ("sources",),
        _list_sources(survey),
        _list_sources(clone),
        say("which packages the upgrade finds"),
    )


def _judge_conffile(path: str, production: str, clone: str) -> Judged:
    reason = find_held_back(path)
    if reason:
        return Judged(reason, explained=True)
    if clone == ABSENT_WORD:
        return Judged("the question about it, or the loss of its changes, is not met on the clone")
    return Judged("the clone meets a question about it that production does not")


def _say_entry(entry: ConfigEntry) -> str:
    end = f"-> {entry.link}" if entry.kind == "symlink" else entry.digest[:12]
    mode = "" if entry.kind == "symlink" else f"{entry.mode:04o} "
    return f"{entry.kind} {mode}{entry.owner}:{entry.group} {end}".strip()


def _list_sources(facts: Facts) -> dict[str, str]:
    return {
        f"{kind} {through_gateway(uri)} {suite} {component}".strip(): (
            "in use" if source.enabled else "not in use"
        )
        for source in facts.sources
        for kind in source.types
        for uri in source.uris
        for suite in source.suites
        for component in source.components or ("",)
    }


# ---------------------------------------------------------------------------- services

_WATCHED = (".service", ".timer", ".socket")
_OWN_UNITS = (
    ("forerun-*", "forerun's own"),
    ("cloud-*", "the clone's own seed"),
    ("serial-getty@*", "the clone's console"),
    ("user@*", "who is logged in at the moment"),
    ("user-runtime-dir@*", "who is logged in at the moment"),
    ("systemd-fsck@*", "a file system's check at the start-up"),
    ("systemd-fsckd.*", "a file system's check at the start-up"),
    ("networking*", "the clone has one sealed link of its own"),
    ("ifup@*", "the clone has one sealed link of its own"),
    ("systemd-networkd*", "the clone has one sealed link of its own"),
)
_OWN_PORTS = {
    f"tcp {ACCESS_PORT}": "forerun's own access",
    f"tcp {GATEWAY_PORT}": "the clone's end of the archive gateway",
}


def _list_service_subjects(ground: Ground) -> Iterator[Subject]:
    survey, clone = ground.survey, ground.clone
    empty = "" if survey.units and clone.units else "one side has no list of units"
    yield Subject(
        "units at start-up",
        "one thing is a service, timer or socket that is enabled or masked on either side; alike "
        "when both sides say the same",
        ("units",),
        *_pair_units(survey, clone, lambda unit: unit.enabled, _starts),
        _judge_unit("what starts after a restart, and what the upgrade restarts"),
        empty,
    )
    yield Subject(
        "running units",
        "one thing is a service, timer or socket that is active or failed on either side; alike "
        "when both sides say the same",
        ("units",),
        *_pair_units(survey, clone, lambda unit: f"{unit.active} ({unit.sub})", _runs),
        _judge_unit("its restart, its outage and its errors during the upgrade"),
        empty,
    )
    yield Subject(
        "listening sockets",
        "one thing is a protocol and port that is listened on, on either side; alike when the "
        "same process does; addresses are not compared, since they are replaced",
        ("sockets",),
        _list_sockets(survey),
        _list_sockets(clone),
        _judge_socket,
        "" if survey.sockets and clone.sockets else "one side has no list of sockets",
    )


def _starts(state: str) -> bool:
    return state.startswith(("enabled", "masked"))


def _runs(state: str) -> bool:
    return not state.startswith("inactive")


def _pair_units(
    survey: CleanSurvey,
    clone: RawSurvey,
    tell: Callable[..., str],
    counts: Callable[[str], bool],
) -> tuple[dict[str, str], dict[str, str]]:
    """Units that count on either side; one that a side has, but quietly, is told as it is."""
    tables = [
        {unit.name: tell(unit) for unit in facts.units if unit.name.endswith(_WATCHED)}
        for facts in (survey, clone)
    ]
    chosen = {name for table in tables for name, state in table.items() if counts(state)}
    here, there = ({n: s or "no state" for n, s in t.items() if n in chosen} for t in tables)
    return here, there


def _judge_unit(hides: str) -> Callable[[str, str, str], Judged]:
    def judge(name: str, production: str, clone: str) -> Judged:
        for pattern, why in _OWN_UNITS:
            if fnmatch.fnmatchcase(name, pattern):
                return Judged(why, explained=True)
        return Judged(hides)

    return judge


def _list_sockets(facts: Facts) -> dict[str, str]:
    owners: dict[str, set[str]] = {}
    for socket in facts.sockets:
        owners.setdefault(f"{socket.protocol} {socket.port}", set()).add(socket.process)
    return {
        name: ", ".join(sorted(filter(None, found))) or "unknown process"
        for name, found in owners.items()
    }


def _judge_socket(name: str, production: str, clone: str) -> Judged:
    if name in _OWN_PORTS and production == ABSENT_WORD:
        return Judged(_OWN_PORTS[name], explained=True)
    if clone == ABSENT_WORD:
        return Judged("the service behind it does not run on the clone: its outage is not seen")
    return Judged("the service behind it is not production's")
