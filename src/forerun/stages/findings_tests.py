"""The questions a known change may ask of a survey and its sanitised copy. Pure."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from fnmatch import fnmatchcase
from typing import Any

from forerun.distro.debian_sources import find_doubled_sources
from forerun.model import known_change as known
from forerun.model.survey import ArchiveSource, Package
from forerun.stages.findings_facts import (
    NO,
    Answer,
    Clue,
    Facts,
    answer,
    cut,
    matches,
    matches_any,
    say_unknown,
    walk_lines,
)
from forerun.stages.foretell_losses import is_edited

MOST_SEARCHED = 10_000  # letters of a line
_SYSTEM = ("system", "files")  # one probe; its part that shows files may end early
_DEPENDING = ("Depends", "Pre-Depends")
_NAMED_BY = {
    "onboard": "ID_NET_NAME_ONBOARD",
    "slot": "ID_NET_NAME_SLOT",
    "path": "ID_NET_NAME_PATH",
    "mac": "ID_NET_NAME_MAC",
}


def _unread(facts: Facts, *names: str) -> list[str]:
    """Why the facts of these readings are not whole."""
    return [f"{name}: {facts.not_read[name]}" for name in names if name in facts.not_read]


def ask_package(test: known.PackageIs, facts: Facts) -> Answer:
    """Of every installed package with that name; removed ones only by their state."""
    found: list[Clue] = []
    why: list[str] = []
    for package in facts.survey.packages:
        here = package.state.startswith(("i", "h")) or bool(test.state_like)
        if not here or not fnmatchcase(package.name, test.name):
            continue
        fits = _fits_package(test, package, facts)
        if fits:
            found.append(Clue(fits, f"package:{package.name}"))
    if test.offered is not None or test.outdated is not None or test.origin_like:
        why = _unread(facts, "archives")
        if why and not test.outdated:  # without an index every package looks like a stray
            return say_unknown(*why)
    return answer(found, why)


def _fits_package(test: known.PackageIs, package: Package, facts: Facts) -> str:
    """The line of evidence, or "" where it is not such a package."""
    version, compare = package.version, facts.compare
    newer = bool(package.candidate) and compare(package.candidate, version) > 0
    fits = (
        (not test.below or compare(version, test.below) < 0)
        and (not test.at_least or compare(version, test.at_least) >= 0)
        and matches(test.version_like, version)
        and (not test.origin_like or (package.origin and matches(test.origin_like, package.origin)))
        and matches(test.state_like, package.state)
        and test.held in (None, package.held)
        and test.offered in (None, bool(package.candidate or package.origin))
        and test.outdated in (None, newer)
    )
    if not fits:
        return ""
    needed = _find_dependency(test.depends_like, package) if test.depends_like else ""
    if test.depends_like and not needed:
        return ""
    said = [f"package {package.name} {version}"]
    said += [f"depends on {needed}"] if needed else []
    said += ["held"] if test.held else []
    said += [f"the archive has {package.candidate}"] if test.outdated else []
    said += [f"from {package.origin}"] if test.origin_like else []
    said += ["no archive offers it"] if test.offered is False else []
    said += [f"state {package.state}"] if test.state_like else []
    return cut(": ".join((said[0], ", ".join(said[1:])))) if said[1:] else said[0]


def _find_dependency(pattern: str, package: Package) -> str:
    fields = dict(package.relations)
    if package.stanza:
        lines = re.findall(r"^(Pre-Depends|Depends): *(.*(?:\n[ \t].*)*)", package.stanza, re.M)
        fields |= dict(lines)
    for name in _DEPENDING:
        for one in fields.get(name, "").split(","):
            if one.strip() and re.search(pattern, one):
                return cut(one)
    return ""


def ask_unit(test: known.UnitIs, facts: Facts) -> Answer:
    """Of every unit with that name."""
    return answer(
        (
            Clue(f"unit {u.name}: {u.active} ({u.sub}), {u.enabled or 'no unit file'}", u.name)
            for u in facts.survey.units
            if fnmatchcase(u.name, test.name) and test.state in (u.active, u.enabled)
        ),
        _unread(facts, "units"),
    )


def ask_file(test: known.FileHas, facts: Facts) -> Answer:
    """Of every file of the copy under these paths. One that was withheld, or lies where no
    survey reads, leaves the question open."""
    survey = facts.survey
    why = [
        f"{path}: no survey reads there"
        for path in test.paths
        if not any(path.startswith((f"{root}/", root)) for root in facts.roots)
    ]
    held = [
        f"{row.path}: {row.reason}"
        for row in (*survey.withheld, *survey.not_readable)
        if matches_any(test.paths, row.path)
    ]
    paths = [e.path for e in survey.entries if e.kind == "file" and matches_any(test.paths, e.path)]
    if test.edited:
        edited = _list_edited(facts)
        paths = [path for path in paths if path in edited]
    if not test.line_like:
        there = [Clue(f"{path} exists", f"file:{path}") for path in paths]
        there += [Clue(f"{row.partition(': ')[0]} exists") for row in held if not test.edited]
        return answer(there, why)
    if facts.files is None and paths:
        return say_unknown("the sanitised copy is not there any more", *why)
    clues = list(_walk_clues(test, paths, facts))
    long = [] if clues else list(_walk_long(paths, facts))
    return answer(clues, (*why, *held, *long))


def _walk_clues(test: known.FileHas, paths: Iterable[str], facts: Facts) -> Iterator[Clue]:
    sought = re.compile(test.line_like)
    for path in paths:
        text = (facts.files or {}).get(path, "")
        for number, line in walk_lines(text, comments=test.comments):
            if sought.search(line, 0, MOST_SEARCHED):
                yield Clue(f"{path}:{number}: {cut(line)}", f"file:{path}")


def _walk_long(paths: Iterable[str], facts: Facts) -> Iterator[str]:
    """Lines that were not searched to their end: a server may have any, and a pattern's time
    may grow faster than they do."""
    for path in paths:
        text = (facts.files or {}).get(path, "")
        if len(text) > MOST_SEARCHED:
            for number, line in walk_lines(text, comments=False):
                if len(line) > MOST_SEARCHED:
                    yield f"{path}:{number}: longer than {MOST_SEARCHED} letters"


def _list_edited(facts: Facts) -> set[str]:
    """Packaged files that are not as they were shipped. Files that no package knows are
    not among them: a survey cannot tell them from untouched ones."""
    survey = facts.survey
    edited = {row.path for row in survey.conffiles if row.state == "changed" or is_edited(row)}
    return edited | {row.path for row in survey.system.managed if row.state == "changed"}


def ask_link(test: known.LinkLeads, facts: Facts) -> Answer:
    """Of a symbolic link of the copy."""
    survey = facts.survey
    found = (
        Clue(f"{entry.path} leads to {entry.link}", f"file:{entry.path}")
        for entry in survey.entries
        if entry.kind == "symlink"
        and fnmatchcase(entry.path, test.path)
        and re.search(test.to_like, entry.link)
    )
    held = (*survey.withheld, *survey.not_readable)
    return answer(
        found, (f"{row.path}: {row.reason}" for row in held if fnmatchcase(row.path, test.path))
    )


def ask_setting(test: known.SettingIs, facts: Facts) -> Answer:
    """Of a kernel setting that a file sets."""
    found = []
    for where, value in facts.survey.settings:
        path, _, key = where.rpartition(" ")
        if path.startswith("/") and fnmatchcase(key, test.name) and matches(test.value_like, value):
            found.append(Clue(cut(f"{path}: {key} = {value}"), f"setting:{key}"))
    return answer(found, _unread(facts, "settings"))


def ask_mount(test: known.MountIs, facts: Facts) -> Answer:
    """Of a mounted or listed file system."""
    found = []
    for mount in facts.survey.mounts:
        asked = test.smaller_than or test.free_below
        small = (test.smaller_than and mount.size_bytes < test.smaller_than) or (
            test.free_below and mount.free_bytes < test.free_below
        )
        if (
            fnmatchcase(mount.target, test.target)
            and matches(test.source_like, mount.fstab_spec or mount.source)
            and matches(test.fstype_like, mount.fstype)
            and test.listed in (None, mount.in_fstab)
            and (not asked or (mount.size_bytes > 0 and small))
        ):
            line = f"{mount.target}: {mount.fstype} on {mount.fstab_spec or mount.source}"
            sizes = f", {mount.size_bytes} bytes, {mount.free_bytes} free" if asked else ""
            found.append(Clue(line + sizes, f"mount:{mount.target}"))
    return answer(found, _unread(facts, "mounts"))


def ask_machine(test: known.MachineIs, facts: Facts) -> Answer:
    """Of the machine: everything that is asked must fit."""
    machine = facts.survey.machine
    if test.memory_below and machine.memory_bytes <= 0:
        return say_unknown("the survey does not say how much memory there is")
    arch, words, memory = machine.architecture, machine.command_line, machine.memory_bytes
    asked = (
        (test.boot, machine.boot_mode == test.boot, f"boots by {machine.boot_mode}"),
        (test.architecture_like, matches(test.architecture_like, arch), f"architecture {arch}"),
        (test.command_line_like, matches(test.command_line_like, words), f"started with {words}"),
        (test.memory_below, memory < test.memory_below, f"memory {memory} bytes"),
    )
    wanted = [(fits, line) for asks, fits, line in asked if asks]
    if not all(fits for fits, _ in wanted):
        return NO
    return answer(Clue(cut(line)) for _, line in wanted)


def ask_interface(test: known.InterfaceIs, facts: Facts) -> Answer:
    """Of an interface with hardware: what named it, and which files go by its name."""
    found: list[Clue] = []
    why = _unread(facts, *_SYSTEM)
    for interface in facts.survey.system.interfaces:
        names = dict(interface.names)
        by_name = not test.named_by or names.get(_NAMED_BY[test.named_by]) == interface.name
        if interface.bus and test.named_by and not names:
            why.append(f"interface {interface.name}: what named it is not known")
        if not interface.bus or not by_name or not matches(test.driver_like, interface.driver):
            continue
        clue = Clue(
            f"interface {interface.name}, driver {interface.driver or 'not known'}"
            + (f", named by its {test.named_by}" if test.named_by else ""),
            f"interface:{interface.name}",
        )
        if not test.used_in:
            found.append(clue)
            continue
        pattern = rf"(?<![A-Za-z0-9_.-]){re.escape(interface.name)}(?![A-Za-z0-9_-])"
        used = ask_file(known.FileHas(test.used_in, pattern), facts)
        found += (clue, *used.clues) if used.clues else ()
        why += used.why
    return answer(found, why)


def ask_source(test: known.SourceIs, facts: Facts) -> Answer:
    """Of every archive entry that is switched on."""
    entries = [entry for entry in facts.survey.sources if entry.enabled and "deb" in entry.types]
    doubled = _find_doubled(entries) if test.doubled is not None else {}
    found = []
    for entry in entries:
        suites = [suite for suite in entry.suites if matches(test.suite_like, suite)]
        others = doubled.get(f"{entry.file}:{entry.line}", "")
        if (
            suites
            and any(matches(test.uri_like, uri) for uri in entry.uris)
            and (not test.component_like or any(
                re.search(test.component_like, part) for part in entry.components))
            and test.doubled in (None, bool(others))
            and test.signed in (None, bool(entry.signed_by))
        ):  # fmt: skip
            line = f"{entry.file}:{entry.line}: {' '.join(entry.uris)} {' '.join(suites)}"
            tail = f", also in {others}" if others else ""
            found.append(Clue(cut(line + tail), f"source:{entry.file}:{entry.line}"))
    return answer(found, _unread(facts, "sources"))


def _find_doubled(sources: Iterable[ArchiveSource]) -> dict[str, str]:
    """The place of each doubled entry to the places of the others, for a person."""
    found: dict[str, set[str]] = {}
    for one in find_doubled_sources(sources):
        for place in one.places:
            found.setdefault(place, set()).update(set(one.places) - {place})
    return {place: ", ".join(sorted(others)) for place, others in found.items() if others}


def ask_key_file(test: known.KeyFileIs, facts: Facts) -> Answer:
    """Of the files archive keys are taken from, read or not."""
    paths = {key.file for key in facts.survey.archive_keys}
    paths |= {entry.path for entry in facts.survey.entries if entry.kind == "file"}
    paths |= {row.path for row in facts.survey.withheld}
    return answer(
        (Clue(f"{path} exists", f"file:{path}") for path in sorted(paths)
         if re.search(test.path_like, path)),
        _unread(facts, "archive-keys"),
    )  # fmt: skip


def ask_pin(test: known.PinIs, facts: Facts) -> Answer:
    """Of the records of apt_preferences(5)."""
    return answer(
        (
            Clue(cut(f"{p.file}:{p.line}: {p.packages}: {p.what}, priority {p.priority}"), "pin:")
            for p in facts.survey.system.pins
            if re.search(test.what_like, p.what)
        ),
        _unread(facts, *_SYSTEM),
    )


def ask_diversion(test: known.DiversionIs, facts: Facts) -> Answer:
    """Of diverted paths."""
    return answer(
        (
            Clue(f"{d.path} is diverted to {d.to} by {d.package.replace(':', 'a person')}")
            for d in facts.survey.system.diversions
            if (d.package == ":") is test.local and re.search(test.path_like, d.path)
        ),
        _unread(facts, *_SYSTEM),
    )


def ask_loader(test: known.LoaderIs, facts: Facts) -> Answer:
    """Of the devices recorded for the boot loader."""
    loader = facts.survey.system.loader
    if loader is None or not fnmatchcase(loader.package, test.package):
        return answer((), _unread(facts, "settings", *_SYSTEM))
    said = f"{loader.package} is recorded for {', '.join(loader.targets) or 'no device'}"
    gone = len(loader.resolved) < len(loader.targets)
    fits = {
        "none": not loader.targets,
        "gone": bool(loader.targets) and gone,
        "single": len(loader.targets) == 1,
    }[test.recorded]
    tail = f", of which {len(loader.resolved)} exist" if test.recorded == "gone" else ""
    return answer([Clue(said + tail, "loader:")] if fits else [])


def ask_block(test: known.BlockIs, facts: Facts) -> Answer:
    """Of block devices; so many of them must fit."""
    found = [
        Clue(f"{b.name}: {b.kind}, {b.fstype or 'no file system'}, {b.size_bytes} bytes")
        for b in facts.survey.system.blocks
        if matches(test.kind_like, b.kind)
        and matches(test.fstype_like, b.fstype)
        and test.partition_type.lower() in ("", b.partition_type.lower())
    ]
    return answer(found if len(found) >= test.at_least else [], _unread(facts, "disks"))


def ask_module(test: known.ModuleIs, facts: Facts) -> Answer:
    """Of modules of dkms(8)."""
    return answer(
        (
            Clue(f"module {m.name} {m.version}: {m.state}", f"module:{m.name}")
            for m in facts.survey.system.modules
            if fnmatchcase(m.name, test.name)
        ),
        _unread(facts, *_SYSTEM),
    )


def ask_unseen(test: known.Unseen, _facts: Facts) -> Answer:
    """Nobody can say."""
    return say_unknown(test.why)


SURVEY_ASKS: dict[type[Any], Callable[[Any, Facts], Answer]] = {
    known.PackageIs: ask_package,
    known.UnitIs: ask_unit,
    known.FileHas: ask_file,
    known.LinkLeads: ask_link,
    known.SettingIs: ask_setting,
    known.MountIs: ask_mount,
    known.MachineIs: ask_machine,
    known.InterfaceIs: ask_interface,
    known.SourceIs: ask_source,
    known.KeyFileIs: ask_key_file,
    known.PinIs: ask_pin,
    known.DiversionIs: ask_diversion,
    known.LoaderIs: ask_loader,
    known.BlockIs: ask_block,
    known.ModuleIs: ask_module,
    known.Unseen: ask_unseen,
}
