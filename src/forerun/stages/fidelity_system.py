"""Subjects below the packages: machine, file systems, devices, users, dpkg's own state."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from forerun.model.system import Block
from forerun.stages.fidelity_ground import Facts, Ground, Judged, Subject, say


def list_machine_subjects(ground: Ground) -> Iterator[Subject]:
    """Boot mode, running kernel, mounts."""
    survey, clone = ground.survey, ground.clone
    for name, here, there, hides in (
        (
            "boot mode",
            survey.machine.boot_mode,
            clone.machine.boot_mode,
            "the boot loader's own part of the upgrade",
        ),
        (
            "running kernel",
            survey.machine.kernel,
            clone.machine.kernel,
            "which kernel is kept, and what depends on the one that runs",
        ),
    ):
        unread = "" if here and there else "one side did not say"
        rule = "one thing; alike when both sides say the same"
        yield Subject(name, rule, ("machine",), {name: here}, {name: there}, say(hides), unread)
    yield Subject(
        "mounts",
        "one thing is the type, UUID, label or options of a file system that is mounted or "
        "listed on either side; sizes are not compared",
        ("mounts",),
        _list_mounts(survey),
        _list_mounts(clone),
        say("what finds a file system by this, at the start and in scripts of packages"),
        "" if survey.mounts and clone.mounts else "one side has no list of mounts",
    )


def _list_mounts(facts: Facts) -> dict[str, str]:
    rows: dict[str, str] = {}
    for mount in facts.mounts:
        target = f"swap {mount.uuid}" if mount.fstype == "swap" else mount.target
        told = (
            ("type", mount.fstype),
            ("UUID", mount.uuid),
            ("label", mount.label),
            ("options", ",".join(sorted(mount.options.split(",")))),
        )
        rows.update({f"{target} {name}": value for name, value in told if value})
    return rows


def list_system_subjects(ground: Ground) -> Iterator[Subject]:
    """Devices, users, groups, and the package manager's own state."""
    here, there = ground.survey.system, ground.clone.system
    # Every system has accounts: without one, these facts were not read at all.
    unread = "" if here.accounts and there.accounts else "one side's survey does not hold it"
    both = (here, there)
    tables: tuple[tuple[str, str, Iterable[dict[str, str]], str], ...] = (
        (
            "block devices",
            "a UUID, partition UUID, label or volume with the kind of what has it; names "
            "and serial numbers are not compared, since they are the hardware's",
            ({n: t for block in s.blocks for n, t in _tell_block(block)} for s in both),
            "what finds a device by this: boot loader, start-up files, arrays and volumes",
        ),
        (
            "users",
            "a user on either side; alike with the same number, group, home and shell",
            (
                {a.name: f"{a.number}:{a.group} {a.home} {a.shell}" for a in s.accounts}
                for s in both
            ),
            "numbers that packages take or expect, and files that belong to nobody",
        ),
        (
            "groups",
            "a group on either side; alike with the same number and members",
            (
                {g.name: f"{g.number} {','.join(sorted(g.members))}".strip() for g in s.groups}
                for s in both
            ),
            "numbers that packages take or expect, and rights that come with membership",
        ),
        (
            "pins",
            "a record of the package manager's preferences",
            ({f"{p.packages}: {p.what}": str(p.priority) for p in s.pins} for s in both),
            "which version of a package is chosen",
        ),
        (
            "alternatives",
            "a link group; alike with the same mode and target",
            ({a.name: f"{a.mode} {a.target}" for a in s.alternatives} for s in both),
            "which program a name leads to, and whether the upgrade changes it",
        ),
        (
            "diversions",
            "a diverted path; alike with the same new path and package",
            ({d.path: f"{d.to} by {d.package}" for d in s.diversions} for s in both),
            "where a package's file lands, and whether two collide",
        ),
        (
            "overrides",
            "an override of owner and permissions",
            ({o.path: f"{o.owner}:{o.group} {o.mode:04o}" for o in s.overrides} for s in both),
            "which permissions a package's file gets",
        ),
    )
    for name, thing, pair, hides in tables:
        production, clone = pair
        rule = f"one thing is {thing}"
        of_blocks = name == "block devices"
        probes = ("disks",) if of_blocks else ("system",)
        judge = _judge_block(hides) if of_blocks else say(hides)
        yield Subject(name, rule, probes, production, clone, judge, unread)


def _judge_block(hides: str) -> Callable[[str, str, str], Judged]:
    def judge(name: str, production: str, clone: str) -> Judged:
        if "iso9660" in f"{production} {clone}".split():
            return Judged("a disc or its image, such as a seed: no part of the system", True)
        return Judged(hides)

    return judge


def _tell_block(block: Block) -> Iterator[tuple[str, str]]:
    """What a device can be found by, and what it is."""
    said = " ".join(filter(None, (block.kind, block.fstype)))
    for word, value in (
        ("UUID", block.uuid),
        ("partition UUID", block.partition_uuid),
        ("label", block.label),
        ("volume", "/".join(filter(None, (block.volume_group, block.volume)))),
    ):
        if value:
            yield f"{word} {value}", said
