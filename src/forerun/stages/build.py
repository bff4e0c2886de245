"""From a blueprint to a running clone, and back to nothing.

Each thing is written into the ledger before it is made and struck out when it is gone;
leaving the context removes everything, however it is left.
"""

from __future__ import annotations

import contextlib
import secrets
import uuid
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from forerun.errors import ForerunError, HypervisorFailed, NoMemory, NoRoom
from forerun.events import Notice, Sink
from forerun.model.blueprint import (
    Blueprint,
    DomainDisk,
    DomainPlan,
    PortMap,
    StandInDisk,
    StandInPart,
    StandInVolume,
    TemplateInfo,
)
from forerun.ports.clock import Clock
from forerun.ports.disks import Disks, make_seed_image
from forerun.ports.domain_xml import write_domain_xml
from forerun.ports.guest import Guest, SshGuest
from forerun.ports.hypervisor import NAME_PREFIX, Hypervisor
from forerun.ports.labhost import LabHost, find_free_port
from forerun.ports.ledger import Ledger
from forerun.ports.removal import remove_tree
from forerun.ports.ssh import SshLink, SshTarget, connect
from forerun.ports.store import Store, reporting_room, write_durably
from forerun.stages.design import ACCESS_PORT
from forerun.stages.seed import (
    GATEWAY_PORT,
    SYSTEM_SERIAL,
    Keys,
    make_keys,
    write_seed_files,
)
from forerun.stages.seed_disks import SERIAL

MIB = 1024 * 1024
ROOM_NEEDED = 6 * 1024 * MIB
MEMORY_SPARE = 384 * MIB
FIRST_ANSWER_S = 420.0
START_TRIES = 3


def log_in(target: SshTarget, timeout_s: float) -> SshLink:
    """A logged-in connection to a clone; errors as `ports.ssh.connect` raises them."""
    return connect(target, timeout_s=timeout_s)


@dataclass(frozen=True, slots=True)
class Yard:
    """What clones are built with. `connect` logs in to a clone, with a time limit in
    seconds; `free_port` names a loopback port that nobody listens on."""

    store: Store
    disks: Disks
    hypervisor: Hypervisor
    lab: LabHost
    clock: Clock
    sink: Sink
    accelerator: str
    gateway_port: int
    connect: Callable[[SshTarget, float], SshLink] = log_in
    free_port: Callable[[], int] = find_free_port


@dataclass(slots=True)
class Clone:
    """A running clone. `folder` holds its disks; `console` its serial log; `xml` is what
    its domain is started from, `disks` are the files that it writes to."""

    name: str
    run_id: str
    folder: Path
    console: Path
    ports: tuple[PortMap, ...]
    guest: Guest
    keys: Keys
    mac: str
    answered_s: float
    xml: str = ""
    disks: tuple[Path, ...] = ()
    keep: bool = False

    def host_port(self, guest_port: int) -> int:
        """The loopback port of the lab host that leads to that port of the clone."""
        return next(p.host_port for p in self.ports if p.guest_port == guest_port)


def make_mac() -> str:
    """A locally administered unicast MAC under QEMU's customary 52:54:00 prefix."""
    return "52:54:00:" + ":".join(f"{byte:02x}" for byte in secrets.token_bytes(3))


def check_room(yard: Yard, memory_bytes: int) -> None:
    """NoRoom or NoMemory when the lab host cannot carry the clone."""
    free = yard.lab.free_bytes(yard.store.root)
    if free < ROOM_NEEDED:
        raise NoRoom(
            "The lab host has too little free disk for a clone.",
            where=str(yard.store.root),
            wanted=f"{ROOM_NEEDED / 1e9:.1f} GB free",
            found=f"{free / 1e9:.1f} GB free",
            hint="Free some room, remove old templates (`forerun template list`), or set "
            "FORERUN_HOME to a larger file system.",
        )
    _, available = yard.lab.memory_bytes()
    if available < memory_bytes + MEMORY_SPARE:
        raise NoMemory(
            "The lab host has too little free memory for the clone.",
            wanted=f"{(memory_bytes + MEMORY_SPARE) / 1e9:.2f} GB available",
            found=f"{available / 1e9:.2f} GB available",
            hint="Stop other machines, or give the clone less with --memory.",
        )


@contextmanager
def open_clone(
    blueprint: Blueprint, template: TemplateInfo, copy: bytes, yard: Yard
) -> Iterator[Clone]:
    """Build, start and reach a clone; tear it down when the block ends.

    Raises NoRoom, NoMemory, HypervisorFailed or CloneUnreachable, with nothing left.
    """
    check_room(yard, blueprint.memory_bytes)
    with ExitStack() as stack:
        site = _BuildingSite(blueprint, template, yard)
        site.make_folder(stack)
        with reporting_room(site.machine):
            disks = site.make_disks(copy)
        ports = site.start(disks, stack)
        alive = partial(check_alive, yard, site.name)
        guest = SshGuest(
            make_dial(ports, site.keys, yard.connect),
            gateway_port=yard.gateway_port,
            guest_gateway_port=GATEWAY_PORT,
            clock=yard.clock,
            alive=alive,
        )
        stack.callback(guest.close)
        began = yard.clock.monotonic()
        guest.connect(patience_s=FIRST_ANSWER_S, alive=alive)
        answered = round(yard.clock.monotonic() - began, 2)
        clone = Clone(
            site.name,
            blueprint.run_id,
            site.machine,
            site.console,
            ports,
            guest,
            site.keys,
            site.mac,
            answered,
            site.xml,
            site.list_written(),
        )
        yield clone
        if clone.keep:
            _keep(clone, yard.store.ledger)
            guest.close()
            stack.pop_all()


def check_alive(yard: Yard, name: str) -> bool:
    """Whether a clone that does not answer is running. Raises NoRoom when it stands still
    because the lab host's disk is full: waiting will not help."""
    if yard.hypervisor.is_starved(name):
        raise NoRoom(
            "The lab host's disk is full, and the clone was stopped in the middle of its work.",
            where=str(yard.store.machines),
            wanted="room for what the clone writes",
            found=f"{yard.lab.free_bytes(yard.store.root) / 1e9:.2f} GB free",
            hint="Free some room, then rehearse again.",
        )
    return yard.hypervisor.is_running(name)


class _BuildingSite:
    """The making of one clone, and its end: its keys, folder, disks and domain."""

    def __init__(self, blueprint: Blueprint, template: TemplateInfo, yard: Yard) -> None:
        self.blueprint = blueprint
        self.template = template
        self.machine = yard.store.machines / blueprint.run_id
        self.yard = yard
        self.name = f"{NAME_PREFIX}{blueprint.run_id}"
        self.console = self.machine / "console.log"
        self.keys = make_keys()
        self.mac = make_mac()
        self.xml = ""
        self._standing = False  # whether the domain may be there

    def list_written(self) -> tuple[Path, ...]:
        """The files in the machine's folder that the running domain writes to."""
        found = (*self.machine.glob("*.qcow2"), *self.machine.glob("*.raw"))
        return (*sorted(found), *self.machine.glob("nvram.fd"))

    def make_folder(self, stack: ExitStack) -> None:
        """A noted folder that goes with the stack. A callback, not a generator's `finally`:
        that would also run when a kept clone's stack is dropped, and remove its disks."""
        # Before the note: an interrupt may come between any two lines.
        stack.callback(self._remove_folder)
        self.yard.store.ledger.note(self.blueprint.run_id, "folder", str(self.machine))
        self.machine.mkdir(mode=0o711)

    def _remove_folder(self) -> None:
        if self._standing:  # never a disk under a running guest: a sweep ends that first
            return
        if remove_tree(self.machine):
            self._strike("domain", "port", str(self.machine))

    def _end_domain(self) -> None:
        yard = self.yard
        try:
            yard.hypervisor.end(self.name)
        except ForerunError as problem:  # the ledger keeps it for a sweep
            text = f"The clone {self.name} could not be ended: {problem.what} Run `forerun sweep`."
            yard.sink.emit(Notice(yard.clock.monotonic(), "fault", text))
            return
        self._standing = False
        with contextlib.suppress(NoRoom):  # there is some once the disks are gone
            self._strike("domain", "port")

    def _strike(self, *which: str) -> None:
        """Entries of a kind, or of a name, of this run."""
        ledger = self.yard.store.ledger
        for entry in ledger.find(self.blueprint.run_id):
            if entry.kind in which or entry.name in which:
                ledger.strike(entry.id)

    def make_disks(self, copy: bytes) -> tuple[DomainDisk, ...]:
        """Overlay, stand-in disks and seed image."""
        with self.yard.store.locked(f"template-{self.template.id}"):  # or it may be removed
            (self.machine / f"leans-on-{self.template.id}").touch(mode=0o600)
        system = self.machine / "system.qcow2"
        self.yard.disks.make_overlay(
            self.yard.store.template_disk(self.template.id),
            system,
            size_bytes=max(self.template.size_bytes, self.blueprint.recipe.size_bytes),
        )
        disks = [DomainDisk(str(system), "qcow2", self.blueprint.loader.serial or SYSTEM_SERIAL)]
        for number, stand_in in enumerate(self.blueprint.stand_ins):
            path = self.machine / f"data{number}.raw"
            self._make_stand_in(stand_in, path)
            loads = _holds_boot(stand_in, self.blueprint)
            disks.append(DomainDisk(str(path), "raw", f"{SERIAL}{number}", loads=loads))
        seed = self.machine / "seed.iso"
        instance = self.blueprint.run_id
        make_seed_image(
            seed,
            write_seed_files(self.blueprint, self.keys, instance=instance, mac=self.mac, copy=copy),
        )
        disks.append(DomainDisk(str(seed), "raw", "forerun-seed", read_only=True))
        return tuple(disks)

    def _make_stand_in(self, stand_in: StandInDisk, path: Path) -> None:
        """Plain file systems are made here, since that is quick; what needs partitions,
        volumes or other tools is made inside the clone (`stages/seed_disks.py`)."""
        if stand_in.parts:
            self.yard.disks.make_empty_disk(path, stand_in.size_bytes)
            self.yard.disks.write_table(path, stand_in.table, _list_partitions(stand_in))
            return
        if stand_in.group or stand_in.fstype not in ("ext2", "ext3", "ext4", "swap"):
            self.yard.disks.make_empty_disk(path, stand_in.size_bytes)
            return
        self.yard.disks.make_data_disk(
            path,
            fstype=stand_in.fstype,
            size_bytes=stand_in.size_bytes,
            uuid=stand_in.uuid,
            label=stand_in.label,
        )

    def start(self, disks: tuple[DomainDisk, ...], stack: ExitStack) -> tuple[PortMap, ...]:
        """Start the domain; a port that somebody took meanwhile is tried anew."""
        stack.callback(self._end_domain)  # before the first note, as the folder's
        for attempt in range(1, START_TRIES + 1):
            ports = tuple(
                PortMap(self.yard.free_port(), guest_port, purpose)
                for guest_port, purpose in self.blueprint.guest_ports
            )
            self._note(ports)
            self.xml = write_domain_xml(self._plan(disks, ports))
            self._standing = True
            try:
                self.yard.hypervisor.start(self.xml)
            except HypervisorFailed as problem:
                if "hostfwd" not in problem.found or attempt == START_TRIES:
                    raise
                self._end_domain()
                continue
            return ports
        raise HypervisorFailed("No free loopback port could be had.", where=self.name)

    def _note(self, ports: tuple[PortMap, ...]) -> None:
        ledger, run_id = self.yard.store.ledger, self.blueprint.run_id
        ledger.note(run_id, "domain", self.name, place=self.yard.hypervisor.uri)
        for port in ports:
            ledger.note(run_id, "port", str(port.host_port))

    def _plan(self, disks: tuple[DomainDisk, ...], ports: tuple[PortMap, ...]) -> DomainPlan:
        return DomainPlan(
            name=self.name,
            uuid=str(uuid.uuid4()),
            mac=self.mac,
            cpus=self.blueprint.cpus,
            memory_bytes=self.blueprint.memory_bytes,
            boot_mode=self.blueprint.recipe.boot_mode,
            accelerator=self.yard.accelerator,
            disks=disks,
            console_log=str(self.console),
            ports=ports,
            nvram=str(self.machine / "nvram.fd"),
            owner=self.blueprint.run_id,
            state=self.yard.store.mark,
        )


def _list_partitions(stand_in: StandInDisk) -> tuple[tuple[int, int, str, str], ...]:
    return tuple(
        (part.number, part.size_bytes, part.partition_type, part.partition_uuid)
        for part in stand_in.parts
    )


def make_dial(
    ports: tuple[PortMap, ...], keys: Keys, log_in_to: Callable[[SshTarget, float], SshLink]
) -> Callable[[], SshLink]:
    """What logs in to the clone with those ports and keys, each time it is called."""
    port = next(p.host_port for p in ports if p.guest_port == ACCESS_PORT)
    target = SshTarget(
        "127.0.0.1", port, "root", key_text=keys.login_private, host_key=keys.host_public
    )

    def dial() -> SshLink:
        return log_in_to(target, 20.0)

    return dial


def _keep(clone: Clone, ledger: Ledger) -> None:
    """Leave the clone running on purpose, with what is needed to reach it."""
    write_durably(clone.folder / "clone_key", clone.keys.login_private.encode("ascii"))
    port = clone.host_port(ACCESS_PORT)
    known = f"[127.0.0.1]:{port} {clone.keys.host_public}\n"
    write_durably(clone.folder / "clone_known_hosts", known.encode("ascii"))
    ledger.keep(clone.run_id)


def write_reach_hint(clone: Clone) -> str:
    """How to reach a kept clone, and how to remove it."""
    port = clone.host_port(ACCESS_PORT)
    return (
        f"ssh -p {port} -i {clone.folder}/clone_key "
        f"-o UserKnownHostsFile={clone.folder}/clone_known_hosts root@127.0.0.1\n"
        f"forerun sweep --run {clone.run_id}"
    )


def _holds_boot(disk: StandInDisk, blueprint: Blueprint) -> bool:
    spaces: list[StandInDisk | StandInPart | StandInVolume] = [disk, *disk.parts]
    spaces += [volume for volume in blueprint.volumes if volume.group == disk.group]
    return any(space.target == "/boot" for space in spaces)
