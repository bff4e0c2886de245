"""What a clone had at one moment: before the upgrade, and after it. Raw, as it was read."""

from __future__ import annotations

from dataclasses import dataclass

from forerun.model.survey import Socket, Unit


@dataclass(frozen=True, slots=True)
class MountSeen:
    """A mounted file system; `options` as the kernel has them."""

    target: str
    fstype: str
    source: str
    options: str = ""


@dataclass(frozen=True, slots=True)
class JournalLine:
    """Entries of the journal since the last boot that differ in nothing but their numbers.
    `priority` is syslog's, 4 a warning, less is worse; `text` is the first of them."""

    identifier: str
    priority: int
    text: str
    count: int = 1


@dataclass(frozen=True, slots=True)
class Inventory:
    """One reading: `moment` is "before" or "after"; timers are among the units; `accounts`
    are "user NAME UID" and "group NAME GID"; `interfaces` those with hardware; `obsolete`
    packages that no archive offers, with their version. `not_read` are (what, why)."""

    moment: str
    at_s: float
    boot_mode: str = ""
    kernel: str = ""
    units: tuple[Unit, ...] = ()
    sockets: tuple[Socket, ...] = ()
    settings: tuple[tuple[str, str], ...] = ()
    mounts: tuple[MountSeen, ...] = ()
    interfaces: tuple[str, ...] = ()
    accounts: tuple[str, ...] = ()
    journal: tuple[JournalLine, ...] = ()
    obsolete: tuple[str, ...] = ()
    not_read: tuple[tuple[str, str], ...] = ()
