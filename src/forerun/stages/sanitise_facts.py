"""Facts of a survey through the sanitiser: which fields are text that may tell something.

Kept on purpose: package names and versions, file-system UUIDs and labels, mount points,
sizes, and the archive addresses without their credentials. A clone is built from those.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from urllib.parse import urlsplit, urlunsplit

from forerun.model.raw import RawSurvey
from forerun.model.survey import (
    ArchiveKey,
    ArchiveSource,
    Conffile,
    Disk,
    Machine,
    Mount,
    Package,
    Replacement,
    Socket,
    Unit,
    Withheld,
)
from forerun.model.system import SystemFacts
from forerun.stages.sanitise import Sanitiser
from forerun.stages.sanitise_system import Sealer, SystemCleaner
from forerun.stages.sanitise_vault import Vault


@dataclass(slots=True)
class CleanFacts:
    """The sanitised facts, and what was replaced in them."""

    machine: Machine
    packages: tuple[Package, ...] = ()
    sources: tuple[ArchiveSource, ...] = ()
    archive_keys: tuple[ArchiveKey, ...] = ()
    units: tuple[Unit, ...] = ()
    sockets: tuple[Socket, ...] = ()
    disks: tuple[Disk, ...] = ()
    mounts: tuple[Mount, ...] = ()
    conffiles: tuple[Conffile, ...] = ()
    settings: tuple[tuple[str, str], ...] = ()
    not_readable: tuple[Withheld, ...] = ()
    system: SystemFacts = field(default_factory=SystemFacts)
    replacements: list[Replacement] = field(default_factory=list)


class FactCleaner:
    """Cleans one survey's facts with the sanitiser that cleaned its files. `salt` is that
    of an earlier survey of the server (`read_salt`), so that digests can be compared."""

    def __init__(self, sanitiser: Sanitiser, vault: Vault, *, salt: bytes = b"") -> None:
        self._sanitiser = sanitiser
        self._vault = vault
        self._salt = salt
        self._rows: list[Replacement] = []

    def clean(self, raw: RawSurvey) -> CleanFacts:
        """All facts that are stored."""
        text, path = self._text, self._sanitiser.clean_path
        seal = Sealer(self._vault, raw.shipped, salt=self._salt)
        system = SystemCleaner(self._vault, self._sanitiser, text).clean(raw.system, seal)
        return CleanFacts(
            machine=replace(
                raw.machine, command_line=text("fact:command-line", raw.machine.command_line)
            ),
            packages=tuple(self._clean_package(package) for package in raw.packages),
            sources=tuple(self._clean_source(source) for source in raw.sources),
            archive_keys=tuple(ArchiveKey(path(k.file), k.fingerprint) for k in raw.archive_keys),
            units=tuple(replace(unit, name=path(unit.name)) for unit in raw.units),
            sockets=tuple(
                replace(s, address=path(s.address), process=path(s.process)) for s in raw.sockets
            ),
            disks=tuple(self._clean_disk(disk) for disk in raw.disks),
            mounts=tuple(self._clean_mount(mount) for mount in raw.mounts),
            conffiles=seal.close_conffiles(raw.conffiles, path),
            settings=tuple(
                (path(key), text(f"fact:setting {key.rpartition(' ')[2]}", value))
                for key, value in raw.settings
            ),
            not_readable=tuple(
                Withheld(path(row.path), path(row.reason)) for row in raw.not_readable
            ),
            system=system,
            replacements=self._rows,
        )

    def _text(self, place: str, value: str) -> str:
        clean, rows = self._sanitiser.clean_text(place, value)
        self._rows += rows
        return clean

    def _clean_package(self, package: Package) -> Package:
        if not package.stanza:
            return package
        stanza = _PERSON.sub(self._swap_person, package.stanza)
        # Relations of a package from an archive are public, those of another one are not.
        path = self._sanitiser.clean_path
        return replace(
            package,
            stanza=self._text(f"fact:control {package.name}", stanza),
            relations=tuple((name, path(value)) for name, value in package.relations),
        )

    def _swap_person(self, match: re.Match[str]) -> str:
        name = self._vault.swap(
            match[2],
            rule="maintainer",
            make=lambda stream: f"Maintainer {stream.take(3).hex()}",
            sweep=False,
        )
        self._rows.append(Replacement("fact:control", 0, "maintainer", "personal data"))
        return match[1] + name + match[3]

    def _clean_source(self, source: ArchiveSource) -> ArchiveSource:
        uris = tuple(self._strip_credentials(uri, source) for uri in source.uris)
        return replace(
            source,
            file=self._sanitiser.clean_path(source.file),
            uris=uris,
            signed_by=self._sanitiser.clean_path(source.signed_by),
        )

    def _strip_credentials(self, uri: str, source: ArchiveSource) -> str:
        try:
            parts = urlsplit(uri)
        except ValueError:
            return self._text("sources:uri", uri)
        if "@" not in parts.netloc:
            return self._text("sources:uri", uri)
        user, _, host = parts.netloc.rpartition("@")
        password = user.partition(":")[2]
        if password:
            self._vault.swap(password, rule="archive-credentials")
        self._rows.append(Replacement(source.file, source.line, "archive-credentials", "password"))
        return self._text("sources:uri", urlunsplit(parts._replace(netloc=host)))

    def _clean_disk(self, disk: Disk) -> Disk:
        """A serial number names one piece of hardware of one owner."""
        if not disk.serial:
            return disk
        serial = self._vault.swap(disk.serial, rule="disk-serial")
        return replace(disk, serial=serial)

    def _clean_mount(self, mount: Mount) -> Mount:
        path = self._sanitiser.clean_path
        return replace(
            mount,
            source=self._text("fact:mount", mount.source),
            target=path(mount.target),
            options=self._text("fact:mount-options", mount.options),
            fstab_spec=self._text("fact:mount", mount.fstab_spec),
        )


_PERSON = re.compile(
    r"^((?:Maintainer|Original-Maintainer|XSBC-[\w-]*Maintainer): )([^<\n]+?)( <|$)", re.MULTILINE
)
