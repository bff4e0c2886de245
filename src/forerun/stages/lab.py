"""Is this lab host fit for a rehearsal? Every lack comes with what mends it."""

from __future__ import annotations

import hashlib
import json
import uuid
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from forerun.errors import ArchiveUnreachable, ForerunError, HypervisorFailed
from forerun.model.blueprint import AllowedArchive, DomainDisk, DomainPlan
from forerun.ports.clock import Clock
from forerun.ports.command import Command
from forerun.ports.domain_xml import UEFI_CODE, write_domain_xml
from forerun.ports.gateway import check_archive
from forerun.ports.hypervisor import NAME_PREFIX, Hypervisor, LibvirtHypervisor
from forerun.ports.labhost import LabHost
from forerun.ports.store import Store, make_id, reporting_room, write_durably
from forerun.stages.build import MEMORY_SPARE, ROOM_NEEDED
from forerun.stages.proof_disk import PROOF_TEXT, write_proof_disk

PROOF_LIMIT_S = 12.0
SUBORDINATE_IDS = 65536  # as useradd(8) gives out
CLONE_MEMORY = 1024 * 1024 * 1024
PROGRAMS = (
    ("qemu-system-x86_64", "qemu-system-x86"),
    ("qemu-img", "qemu-utils"),
    ("mmdebstrap", "mmdebstrap"),
    ("mke2fs", "e2fsprogs"),
    ("sfdisk", "fdisk"),
    ("dpkg-deb", "dpkg"),
    ("mkfs.vfat", "dosfstools"),
)


@dataclass(frozen=True, slots=True)
class LabFinding:
    """One look: `result` "good", "lack" or "note"; `hint` mends a lack."""

    subject: str
    result: str
    found: str
    hint: str = ""


@dataclass(frozen=True, slots=True)
class Accelerator:
    """What clones run on, and how that was decided."""

    name: str
    why: str


def prove_accelerator(
    store: Store, hypervisor: Hypervisor, lab: LabHost, clock: Clock, *, fresh: bool = False
) -> Accelerator:
    """Hardware virtualisation if a guest really runs on it, else emulation.

    /dev/kvm may exist, open and create a machine, and still hang or stop every guest; so
    the proof is a booted sector, with a time limit, kept until the lab host boots again.
    Raises HypervisorFailed when emulation cannot run a guest either.
    """
    cache = store.root / "accelerator.json"
    key = name_proof(lab, hypervisor)
    if not fresh:
        kept = _read_kept(cache)
        if kept.get("key") == key:
            return Accelerator(kept.get("name", "emulation"), kept.get("why", ""))
    if not Path("/dev/kvm").exists():
        chosen = Accelerator("emulation", "there is no /dev/kvm")
    else:
        trouble = _boot_proof(store, hypervisor, clock, "kvm")
        if trouble:
            chosen = Accelerator("emulation", f"/dev/kvm is there but {trouble}")
        else:
            chosen = Accelerator("kvm", "a guest booted on it")
    if chosen.name == "emulation":
        trouble = _boot_proof(store, hypervisor, clock, "emulation")
        if trouble:
            raise HypervisorFailed(
                "No guest could be booted at all.",
                found=f"emulated: {trouble}",
                hint="Install qemu-system-x86 and start virtlogd (`virtlogd -d`).",
            )
    text = json.dumps({"key": key, "name": chosen.name, "why": chosen.why})
    write_durably(cache, text.encode("utf-8"))
    return chosen


def name_proof(lab: LabHost, hypervisor: Hypervisor) -> str:
    """What a kept answer holds for: this start of the lab host, this hypervisor, and what was
    booted (an older proof proved less)."""
    proof = hashlib.sha256(write_proof_disk()).hexdigest()[:16]
    return f"{lab.boot_id()} {hypervisor.describe()} {proof}"


def _read_kept(cache: Path) -> dict[str, str]:
    """The kept answer; a cache that is absent or damaged keeps nothing."""
    try:
        kept = json.loads(cache.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}
    sound = isinstance(kept, dict) and all(isinstance(value, str) for value in kept.values())
    return kept if sound and kept.get("name") in ("kvm", "emulation") else {}


def _boot_proof(store: Store, hypervisor: Hypervisor, clock: Clock, accelerator: str) -> str:
    """What went wrong, or "" when the text appeared on the console in time."""
    run = make_id("proof", clock.now())
    disk, console = store.machines / f"{run}.raw", store.machines / f"{run}.log"
    name = f"{NAME_PREFIX}{run}"
    entries = [
        store.ledger.note(run, kind, thing, place=place)
        for kind, thing, place in (
            ("path", str(disk), ""),
            ("path", str(console), ""),
            ("domain", name, hypervisor.uri),
        )
    ]
    try:
        with reporting_room(disk):
            disk.write_bytes(write_proof_disk())
        plan = DomainPlan(
            name=name,
            uuid=str(uuid.uuid4()),
            mac="",
            cpus=1,
            memory_bytes=64 * 1024 * 1024,
            boot_mode="bios",
            accelerator=accelerator,
            disks=(DomainDisk(str(disk), "raw", "forerun-proof"),),
            console_log=str(console),
            owner=run,
            state=store.mark,
            no_link=True,
        )
        hypervisor.start(write_domain_xml(plan))
        return _wait_for_text(console, hypervisor, name, clock)
    except HypervisorFailed as problem:
        return f"a guest could not be started: {problem.found}"
    finally:
        hypervisor.end(name)
        disk.unlink(missing_ok=True)
        console.unlink(missing_ok=True)
        for entry in entries:
            store.ledger.strike(entry)


def _wait_for_text(console: Path, hypervisor: Hypervisor, name: str, clock: Clock) -> str:
    limit = clock.monotonic() + PROOF_LIMIT_S
    while clock.monotonic() < limit:
        if console.exists() and PROOF_TEXT in console.read_bytes():
            return ""
        if not hypervisor.is_running(name):
            return "a guest ended at once"
        clock.sleep(0.2)
    return f"a guest showed no sign of life in {PROOF_LIMIT_S:.0f} s"


@dataclass(frozen=True, slots=True)
class LabCheck:
    """What the inspection uses."""

    store: Store
    command: Command
    lab: LabHost
    clock: Clock
    uri: str
    archives: tuple[tuple[AllowedArchive, tuple[str, ...]], ...]


def inspect_lab(check: LabCheck) -> tuple[LabFinding, ...]:
    """Look at everything; each trouble is a finding, none an exception."""
    findings = [*_inspect_programs(check.command), *_inspect_ownership(check)]
    findings += _inspect_hypervisor(check)
    findings += [_inspect_memory(check.lab), _inspect_room(check)]
    findings += [_inspect_archive(archive, suites) for archive, suites in check.archives]
    if not check.archives:
        findings.append(LabFinding("archive", "note", "none named", "Name one with --archive URL."))
    findings.append(_inspect_leftovers(check.store))
    return tuple(findings)


def _inspect_programs(command: Command) -> list[LabFinding]:
    findings: list[LabFinding] = []
    for program, package in PROGRAMS:
        path = command.find(program)
        if path:
            findings.append(LabFinding(program, "good", path))
        else:
            findings.append(
                LabFinding(program, "lack", "not installed", f"apt-get install {package}")
            )
    if Path(UEFI_CODE).exists():
        findings.append(LabFinding("UEFI firmware", "good", UEFI_CODE))
    else:
        findings.append(
            LabFinding(
                "UEFI firmware",
                "note",
                "absent; only needed for servers that boot by UEFI",
                "apt-get install ovmf",
            )
        )
    return findings


def _inspect_ownership(check: LabCheck) -> list[LabFinding]:
    """Files of a template belong to several users; whoever is not root gives them
    numbers of his own (user_namespaces(7), subuid(5))."""
    if check.lab.is_root():
        return []
    findings: list[LabFinding] = []
    path = check.command.find("newuidmap")
    findings.append(
        LabFinding("newuidmap", "good", path)
        if path
        else LabFinding("newuidmap", "lack", "not installed", "apt-get install uidmap")
    )
    findings.append(
        _measure(
            "user numbers to hand out",
            check.lab.subordinate_ids(),
            SUBORDINATE_IDS,
            "As root: usermod --add-subuids 100000-165535 --add-subgids 100000-165535 USER "
            "(a range that nobody else has, see /etc/subuid).",
            str,
        )
    )
    return findings


def _inspect_hypervisor(check: LabCheck) -> list[LabFinding]:
    findings: list[LabFinding] = []
    chosen: LibvirtHypervisor | None = None
    for uri in dict.fromkeys((check.uri, "qemu:///system", "qemu:///session")):
        wanted = uri == check.uri
        try:
            hypervisor = LibvirtHypervisor(uri)
            findings.append(LabFinding(f"libvirt {uri}", "good", hypervisor.describe()))
        except ForerunError as problem:
            result = "lack" if wanted else "note"
            findings.append(LabFinding(f"libvirt {uri}", result, problem.found, problem.hint))
            continue
        if wanted:
            chosen = hypervisor
        else:
            hypervisor.close()
    if chosen is None:
        return findings
    try:
        accelerator = prove_accelerator(check.store, chosen, check.lab, check.clock, fresh=True)
        note = "good" if accelerator.name == "kvm" else "note"
        hint = "" if note == "good" else "Clones run, many times slower; figures say so."
        text = f"{accelerator.name}: {accelerator.why}"
        findings.append(LabFinding("accelerator", note, text, hint))
    except ForerunError as problem:
        findings.append(LabFinding("accelerator", "lack", problem.found, problem.hint))
    finally:
        chosen.close()
    return findings


def _measure(
    subject: str, found: int, wanted: int, hint: str, show: Callable[[int], str]
) -> LabFinding:
    text = f"{show(found)}, wanted {show(wanted)}"
    return LabFinding(
        subject, "good" if found >= wanted else "lack", text, "" if found >= wanted else hint
    )


def _gigabytes(count: int) -> str:
    return f"{count / 1e9:.1f} GB"


def _inspect_memory(lab: LabHost) -> LabFinding:
    _, available = lab.memory_bytes()
    return _measure(
        "memory available",
        available,
        CLONE_MEMORY + MEMORY_SPARE,
        "Stop other machines, or rehearse with --memory 512MiB.",
        _gigabytes,
    )


def _inspect_room(check: LabCheck) -> LabFinding:
    return _measure(
        f"disk free for {check.store.root}",
        check.lab.free_bytes(check.store.root),
        ROOM_NEEDED,
        "Free some room, or set FORERUN_HOME to a larger file system.",
        _gigabytes,
    )


def _inspect_archive(archive: AllowedArchive, suites: tuple[str, ...]) -> LabFinding:
    name = f"archive {archive.host}{archive.path_prefix}"
    try:
        check_archive(archive, timeout_s=20, suites=suites)
    except ArchiveUnreachable as problem:
        return LabFinding(name, "lack", problem.found or problem.what, problem.hint)
    return LabFinding(name, "good", ", ".join(suites))


def _inspect_leftovers(store: Store) -> LabFinding:
    orphans = store.ledger.find_orphans()
    unfinished = store.find_unfinished()
    if not orphans and not unfinished:
        return LabFinding("leftovers", "good", "none")
    text = f"{len(orphans)} ledger entries, {len(unfinished)} unfinished folders"
    return LabFinding("leftovers", "note", text, "forerun sweep")
