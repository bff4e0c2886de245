"""Further facts of a server: what a clone is made like, and what an upgrade may meet.

All of it is data read once; a field that could not be read stays empty, and the survey's
`not_readable` says why. Sizes in bytes, times in seconds, instants as the server wrote
them in UTC (`2026-01-31T22:00:00Z`).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from forerun.model.speed import SpeedReading


@dataclass(frozen=True, slots=True)
class Account:
    """A user of passwd(5); `number` and `group` are its uid and gid."""

    name: str
    number: int
    group: int
    home: str = ""
    shell: str = ""


@dataclass(frozen=True, slots=True)
class Group:
    """A group of group(5)."""

    name: str
    number: int
    members: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Block:
    """A block device: a disk, a partition, a logical volume, an array, a crypt mapping.

    `kind` is "disk", "part", "lvm", "crypt", "raid1" and so on, as lsblk(8) types them;
    `parents` are names of the devices underneath; `mapped` is the device mapper's name
    ("vg0-archive"); `volume_group` and `volume` are LVM's own names; `table` is "gpt" or
    "dos" on a disk with partitions; `rotates` is None where unknown.
    """

    name: str
    kind: str
    size_bytes: int
    parents: tuple[str, ...] = ()
    fstype: str = ""
    uuid: str = ""
    label: str = ""
    mapped: str = ""
    volume_group: str = ""
    volume: str = ""
    table: str = ""
    partition_type: str = ""
    partition_uuid: str = ""
    serial: str = ""
    model: str = ""
    rotates: bool | None = None


@dataclass(frozen=True, slots=True)
class Interface:
    """A network interface. `bus` is "pci", "virtio", "usb" or "" for a virtual one;
    `names` are (scheme entry, name), as udev computes them (ID_NET_NAME_PATH, ...);
    `addresses` as ADDRESS/PREFIX, stored without link-local ones."""

    name: str
    mac: str
    driver: str = ""
    bus: str = ""
    addresses: tuple[str, ...] = ()
    names: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Diversion:
    """A path of dpkg-divert(1); `package` is ":" for a local one."""

    path: str
    to: str
    package: str


@dataclass(frozen=True, slots=True)
class Override:
    """An entry of dpkg-statoverride(1); `mode` are permission bits."""

    path: str
    owner: str
    group: str
    mode: int


@dataclass(frozen=True, slots=True)
class Alternative:
    """A link group of update-alternatives(1); `mode` is "auto" or "manual"."""

    name: str
    link: str
    mode: str
    target: str


@dataclass(frozen=True, slots=True)
class Pin:
    """A record of apt_preferences(5): `what` is its Pin field."""

    file: str
    line: int
    packages: str
    what: str
    priority: int


@dataclass(frozen=True, slots=True)
class ManagedFile:
    """A configuration file that ucf(1) keeps: `state` as in `Conffile`, "unchanged", or
    empty where its digest is not known; "obsolete" when its package is gone. `recorded` is
    the MD5 of the packaged version it was last offered, sealed where that version is no
    packaged file; `disk` as in `Conffile`, empty for an unchanged one when stored."""

    path: str
    package: str
    state: str
    recorded: str = ""
    disk: str = ""


@dataclass(frozen=True, slots=True)
class Question:
    """A debconf question in the server's own database: `seen` when it was put to a
    person; its value is not kept."""

    name: str
    owners: tuple[str, ...]
    kind: str
    seen: bool


@dataclass(frozen=True, slots=True)
class Boot:
    """One start of the server: first and last entry of its journal. `seconds` are the
    start-up's own parts, (name, seconds), where the service manager tells them."""

    began: str
    ended: str
    seconds: tuple[tuple[str, float], ...] = ()

    def measure_gap(self, before: Boot) -> float:
        """Seconds from the last entry of the start before to this one's first; -1 where an
        instant cannot be read."""
        try:
            gap = datetime.fromisoformat(self.began) - datetime.fromisoformat(before.ended)
        except (ValueError, TypeError):
            return -1.0
        return gap.total_seconds()


@dataclass(frozen=True, slots=True)
class Transaction:
    """A past run of the package manager. `seconds` is -1 when it did not end."""

    began: str
    seconds: float
    upgraded: int
    installed: int
    removed: int
    command: str = ""


@dataclass(frozen=True, slots=True)
class DataStore:
    """A folder of a service's data, and how much lies in it; never what."""

    path: str
    size_bytes: int


@dataclass(frozen=True, slots=True)
class Loader:
    """Where the boot loader is installed to. `targets` are the devices recorded for it,
    in production's words; `resolved` are what they point to (empty: gone)."""

    package: str
    targets: tuple[str, ...] = ()
    resolved: tuple[str, ...] = ()
    secure_boot: bool | None = None


@dataclass(frozen=True, slots=True)
class Module:
    """A kernel module of dkms(8). `state` is "installed" (built for the running kernel and
    in its tree), "built" or "added"."""

    name: str
    version: str
    state: str


@dataclass(frozen=True, slots=True)
class Processor:
    """The processor: `model` as the kernel names it, `flags` its feature words."""

    model: str = ""
    mhz: float = 0.0
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class SystemFacts:
    """All further facts of one server. `speed` is there only when it was asked for, with
    the server's own load meanwhile."""

    accounts: tuple[Account, ...] = ()
    groups: tuple[Group, ...] = ()
    blocks: tuple[Block, ...] = ()
    interfaces: tuple[Interface, ...] = ()
    diversions: tuple[Diversion, ...] = ()
    overrides: tuple[Override, ...] = ()
    alternatives: tuple[Alternative, ...] = ()
    pins: tuple[Pin, ...] = ()
    managed: tuple[ManagedFile, ...] = ()
    questions: tuple[Question, ...] = ()
    boots: tuple[Boot, ...] = ()
    transactions: tuple[Transaction, ...] = ()
    loader: Loader | None = None
    modules: tuple[Module, ...] = ()
    processor: Processor = Processor()
    time_sync: str = ""
    naming_scheme: str = ""
    reboot_pending: tuple[str, ...] = ()
    speed: SpeedReading | None = None
    data: tuple[DataStore, ...] = ()
