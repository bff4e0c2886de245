"""What the rehearsal itself saw, as findings: no known change is needed for them. Pure.

`marks` are the things that known changes have explained already: they are not told again.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from forerun.model.finding import Finding, Severity
from forerun.model.inventory import Inventory
from forerun.model.observation import KeptFile, RunRecord, Seen
from forerun.model.survey import Socket, Unit
from forerun.stages.findings_run import find_readings, list_lost_units, pair_results
from forerun.stages.findings_scene import Scene, list_some, make_seen
from forerun.stages.findings_system import (
    tell_accounts,
    tell_boot_mode,
    tell_interfaces,
    tell_journal,
    tell_kernel,
    tell_mounts,
    tell_room,
    tell_settings,
)

_ACCESS_UNITS = re.compile(r"^(ssh|sshd|ssh@.*)\.(service|socket)$")
_ACCESS_PORT = 22
_MEND_UNIT = "Read `journalctl -b -u {}` on the clone; mend the cause before the window."
_OWN_PORT = 20022  # forerun's own way into a clone
_FIRST_PASSING_PORT = 32768  # from here on the kernel gives ports for a while (ip(7))


def tell_seen(scene: Scene) -> tuple[Finding, ...]:
    """Everything, in no order; the same finding may come twice."""
    found: list[Finding] = [convert_seen(seen) for seen in scene.run.seen]
    found += tell_outages(scene.run)
    found += tell_checks(scene)
    found += tell_kept(scene)
    found += tell_packages(scene)
    found += tell_kernel(scene.run)
    found += tell_room(scene.run)
    readings = find_readings(scene.run)
    if readings is not None:
        for tell in (_tell_units, tell_settings):
            found += tell(scene, *readings)
        for compare in (_tell_sockets, tell_mounts, tell_interfaces, tell_accounts):
            found += compare(*readings)
        found += tell_journal(readings[0].journal, readings[1].journal, scene.marks)
        found += _tell_obsolete(readings[1])
        found += tell_boot_mode(scene.survey, readings[1])
    return tuple(one for one in found if _mark(one) not in scene.marks)


_MARKED = {
    "unit-not-back": "unit",
    "unit-failed": "unit",
    "check-broke": "check",
    "file-left": "kept",
    "file-put-aside": "kept",
    "package-removed": "went",
    "setting-lost": "setting",
    "interface-renamed": "interface",
}


def _mark(one: Finding) -> str:
    return f"{_MARKED[one.name]}:{one.subject}" if one.name in _MARKED else ""


# --- the older record of what was seen

_SEEN_TITLES = (
    (re.compile(r"^The upgrade removes the package (\S+)\.$"), "package-removed"),
    (re.compile(r"^The unit (\S+) has failed\.$"), "unit-failed"),
    (re.compile(r"^The upgrade removes (\d+) packages"), "packages-give-way"),
)


def convert_seen(seen: Seen) -> Finding:
    """A `Seen` of a run's record as a finding, with the name that today's rules give the
    same thing, so that both are told once. An unknown severity counts as service down."""
    known = {severity.value: severity for severity in Severity}
    severity = known.get(seen.severity, Severity.SERVICE_DOWN)
    name, subject = "seen", seen.title.rstrip(".")
    for pattern, title in _SEEN_TITLES:
        match = pattern.match(seen.title)
        if match is not None:
            name, subject = title, "packages" if title == "packages-give-way" else match[1]
            break
    if name == "unit-failed" and _ACCESS_UNITS.match(subject):
        severity = Severity.LOSES_ACCESS
    return make_seen(
        name, severity, seen.title, subject, [seen.evidence], advice=seen.advice, source=seen.source
    )


# --- services


def _grade_unit(name: str) -> Severity:
    return Severity.LOSES_ACCESS if _ACCESS_UNITS.match(name) else Severity.SERVICE_DOWN


def _grade_lost(unit: Unit) -> Severity:
    """A static socket is part of the service manager's own wiring, which nobody switched on
    (systemctl(1), is-enabled): another release is wired otherwise."""
    grade = _grade_unit(unit.name)
    wiring = unit.enabled == "static" and unit.name.endswith(".socket")
    return Severity.COSMETIC if wiring and grade is Severity.SERVICE_DOWN else grade


def _tell_units(scene: Scene, before: Inventory, after: Inventory) -> Iterator[Finding]:
    for unit, said in list_lost_units(before, after, scene.renamed):
        yield make_seen(
            "unit-not-back",
            _grade_lost(unit),
            f"{unit.name} ran before the upgrade and does not run after it.",
            unit.name,
            [f"before: {unit.active} ({unit.sub}), {unit.enabled}", f"after: {said}"],
            advice=_MEND_UNIT.format(unit.name),
        )
    was = {unit.name for unit in before.units if unit.active == "failed"}
    for unit in after.units:
        if unit.active == "failed":
            old = unit.name in was
            yield make_seen(
                "unit-failed",
                Severity.COSMETIC if old else _grade_unit(unit.name),
                f"The unit {unit.name} {'fails as before' if old else 'has failed'}.",
                unit.name,
                [f"{unit.name}: {unit.active} ({unit.sub}) after the upgrade"],
                advice=_MEND_UNIT.format(unit.name),
            )


def tell_outages(run: RunRecord) -> Iterator[Finding]:
    """Watched services that never answered again."""
    for outage in run.outages:
        if not outage.ended:
            access = "ssh" in outage.service.lower()
            yield make_seen(
                "service-never-back",
                Severity.LOSES_ACCESS if access else Severity.SERVICE_DOWN,
                f"{outage.service} never answered again.",
                outage.service,
                [f"from {outage.start_s:.0f} s on, in step {outage.step}: {outage.cause}"],
                advice="Find out why on the clone, and mend it in the procedure.",
                source="watched from outside the clone",
            )


def _key(socket: Socket) -> str:
    return f"{socket.protocol}/{socket.port}"


def _tell_sockets(before: Inventory, after: Inventory) -> Iterator[Finding]:
    if not before.sockets or not after.sockets:
        return  # one of the readings failed: everything would seem to have come or gone
    was = {_key(s): s for s in before.sockets if _is_lasting(s)}
    now = {_key(s): s for s in after.sockets if _is_lasting(s)}
    for key in sorted(was.keys() - now.keys()):
        socket = was[key]
        access = (socket.protocol, socket.port) == ("tcp", _ACCESS_PORT)
        yield make_seen(
            "socket-gone",
            Severity.LOSES_ACCESS if access else Severity.SERVICE_DOWN,
            f"Nothing listens on {key} any more.",
            key,
            [f"before: {socket.process or 'a process'} on {socket.address}"],
            advice="See which service had it, and whether its clients need it.",
        )
    for key in sorted(now.keys() - was.keys()):
        socket = now[key]
        yield make_seen(
            "socket-new",
            Severity.COSMETIC,
            f"Something listens on {key} that did not before.",
            key,
            [f"after: {socket.process or 'a process'} on {socket.address}"],
            advice="See whether it shall be reachable; close it in the firewall or switch it off.",
        )


def _is_lasting(socket: Socket) -> bool:
    return socket.port < _FIRST_PASSING_PORT and socket.port != _OWN_PORT


# --- checks


def tell_checks(scene: Scene) -> Iterator[Finding]:
    """Checks that passed before and fail afterwards. What must pass is a service's own
    test; a note is for a person to read."""
    for name, (before, after) in pair_results(scene.run).items():
        if before is None or after is None or (before.result, after.result) != ("pass", "fail"):
            continue
        must = after.severity == "must"
        yield make_seen(
            "check-broke",
            Severity.SERVICE_DOWN if must else Severity.COSMETIC,
            f"A check no longer passes: {after.title or name}.",
            name,
            [f"passed before; after: {after.reason or after.output}"],
            advice=after.advice,
            source=after.cites or "the check itself",
        )


# --- files and packages


def tell_kept(scene: Scene) -> Iterator[Finding]:
    """Configuration files the upgrade left for a person to decide on, with the difference."""
    for kept in scene.run.kept_files:
        aside = kept.path.endswith((".dpkg-bak", ".dpkg-old", ".ucf-old"))
        title = "is not used any more" if aside else "has a new version beside it"
        yield make_seen(
            "file-put-aside" if aside else "file-left",
            Severity.SERVICE_DOWN if aside else Severity.COSMETIC,
            f"{kept.beside} {title}.",
            kept.path,
            [f"{kept.path}, {kept.size_bytes} bytes", *_show_diff(kept)],
            advice="See what of it is still needed, and move it to where it is read."
            if aside
            else "Compare the two, merge what is new, and keep the result for the window.",
            source="package dpkg, dpkg(1); package ucf, ucf(1)",
        )


def _show_diff(kept: KeptFile) -> list[str]:
    return [kept.diff] if kept.diff else []


def tell_packages(scene: Scene) -> Iterator[Finding]:
    """Packages that were removed: those somebody chose, one by one; the others in one line."""
    chosen = {p.name for p in scene.survey.packages if not p.automatic or not p.candidate}
    came = {p.name for p in scene.run.packages if p.kind in ("installed", "upgraded")}
    gone = [p for p in scene.run.packages if p.kind == "removed"]
    missed = [p for p in gone if p.name in chosen and f"{p.name}t64" not in came]
    for package in missed:
        yield make_seen(
            "package-removed",
            Severity.SERVICE_DOWN,
            f"The upgrade removes the package {package.name}.",
            package.name,
            [f"package {package.name} {package.old} was removed; it was installed on purpose"],
            advice="Decide before the window whether it may go, and what replaces it.",
            source="dpkg's log on the clone",
        )
    others = [package.name for package in gone if package not in missed]
    if others:
        yield make_seen(
            "packages-give-way",
            Severity.COSMETIC,
            f"{len(others)} packages that came as dependencies are removed.",
            "packages",
            [list_some(others)],
            advice="Read the list once; libraries renamed by the new release are usual.",
            source="dpkg's log on the clone",
        )
    kept = [package.name for package in scene.run.packages if package.kind == "kept-back"]
    for name in kept:
        yield make_seen(
            "package-kept-back",
            Severity.DATA_AT_RISK,
            f"The package {name} stays at its old version.",
            name,
            [f"package {name} was kept back"],
            advice="Find out what holds it; it gets no security updates any more.",
            source="dpkg's log on the clone",
        )


def _tell_obsolete(after: Inventory) -> Iterator[Finding]:
    if after.obsolete:
        yield make_seen(
            "packages-obsolete",
            Severity.COSMETIC,
            f"{len(after.obsolete)} packages are offered by no archive any more.",
            "packages",
            [list_some(after.obsolete)],
            advice="Remove what nothing needs: nobody mends its security faults.",
            source="release notes 4.8 (number from memory); package apt, apt-patterns(7)",
        )
