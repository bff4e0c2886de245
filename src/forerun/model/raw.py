"""Production's own words, for as long as they are in memory.

`RawSurvey` is unrelated to `CleanSurvey` on purpose: nothing that stores a record or
builds a clone accepts it. It shows nothing when printed and cannot be serialised.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NoReturn

from forerun.model.survey import (
    ArchiveKey,
    ArchiveSource,
    Conffile,
    Disk,
    Machine,
    Mount,
    Package,
    Release,
    Socket,
    Unit,
    Withheld,
)
from forerun.model.system import SystemFacts


@dataclass(frozen=True, slots=True)
class ServerNames:
    """How the server calls itself: node name, and text of the files that name it."""

    node: str = ""
    mail_name: str = ""
    hosts: str = ""
    resolver: str = ""


class RawSurvey:
    """The facts as read. `shipped` maps a path to the MD5 digests a file has when it is
    still as its package delivered it; `large` are (path, bytes) left out of the copy."""

    __slots__ = (
        "archive_keys",
        "conffiles",
        "disks",
        "large",
        "machine",
        "mounts",
        "names",
        "not_readable",
        "packages",
        "release",
        "settings",
        "shipped",
        "sockets",
        "sources",
        "system",
        "units",
    )

    def __init__(
        self,
        *,
        release: Release,
        machine: Machine,
        names: ServerNames,
        packages: tuple[Package, ...] = (),
        sources: tuple[ArchiveSource, ...] = (),
        archive_keys: tuple[ArchiveKey, ...] = (),
        units: tuple[Unit, ...] = (),
        sockets: tuple[Socket, ...] = (),
        disks: tuple[Disk, ...] = (),
        mounts: tuple[Mount, ...] = (),
        conffiles: tuple[Conffile, ...] = (),
        settings: tuple[tuple[str, str], ...] = (),
        shipped: dict[str, frozenset[str]] | None = None,
        large: tuple[tuple[str, int], ...] = (),
        not_readable: tuple[Withheld, ...] = (),
        system: SystemFacts | None = None,
    ) -> None:
        self.release = release
        self.machine = machine
        self.names = names
        self.packages = packages
        self.sources = sources
        self.archive_keys = archive_keys
        self.units = units
        self.sockets = sockets
        self.disks = disks
        self.mounts = mounts
        self.conffiles = conffiles
        self.settings = settings
        self.shipped = shipped or {}
        self.large = large
        self.not_readable = not_readable
        self.system = system or SystemFacts()

    def __repr__(self) -> str:
        return "<RawSurvey: in memory only>"

    def __reduce_ex__(self, protocol: object) -> NoReturn:
        raise TypeError("a RawSurvey cannot be serialised")
