"""What was read of production.

`RawSurvey` holds production's own words and lives in memory only; `CleanSurvey` is
what is left after sanitising, and the only one that reaches a disk or a clone. They
are unrelated types on purpose: the type checker keeps them apart.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from forerun.model.system import SystemFacts

SURVEY_SCHEMA = "forerun.survey/1"


@dataclass(frozen=True, slots=True)
class Release:
    """The operating system: `family` "debian", `version` "12", `codename` "bookworm"."""

    family: str
    version: str
    codename: str
    title: str
    point: str = ""


@dataclass(frozen=True, slots=True)
class Package:
    """One package as the package database has it.

    `state` is the two-letter abbreviation of the database ("ii", "rc", "iF");
    `stanza` is the control stanza, kept only for packages no archive offers.
    `origin` is the archive's own label, empty when no archive offers this version.
    `candidate` is the version an archive offers, empty when none offers any.
    `relations` are the fields of the control stanza that a plan needs (Depends,
    Pre-Depends, Conflicts, Breaks, Replaces, Provides, Recommends, Multi-Arch, Essential,
    Protected, Source and so on), in the stanza's order.
    """

    name: str
    version: str
    architecture: str
    state: str = "ii"
    held: bool = False
    automatic: bool = False
    origin: str = ""
    stanza: str = ""
    candidate: str = ""
    relations: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class ArchiveSource:
    """One archive entry of the package manager's configuration.

    `options` are the entry's further options, named as in deb822 ("Architectures").
    """

    file: str
    line: int
    types: tuple[str, ...]
    uris: tuple[str, ...]
    suites: tuple[str, ...]
    components: tuple[str, ...]
    signed_by: str = ""
    enabled: bool = True
    options: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class ArchiveKey:
    """A key that the package manager can verify archives with: the file it is in and
    its fingerprint (hexadecimal, upper case)."""

    file: str
    fingerprint: str


@dataclass(frozen=True, slots=True)
class Unit:
    """A service-manager unit: `active` "active"/"failed"/..., `enabled` "enabled"/..."""

    name: str
    active: str
    sub: str
    enabled: str


@dataclass(frozen=True, slots=True)
class Socket:
    """A listening socket; `process` is empty when the survey could not see the owner."""

    protocol: str
    address: str
    port: int
    process: str = ""


@dataclass(frozen=True, slots=True)
class Disk:
    """A whole disk, size in bytes."""

    name: str
    size_bytes: int
    serial: str = ""


@dataclass(frozen=True, slots=True)
class Mount:
    """A mounted or listed file system. Sizes in bytes, 0 where not mounted."""

    source: str
    target: str
    fstype: str
    options: str = ""
    uuid: str = ""
    label: str = ""
    size_bytes: int = 0
    used_bytes: int = 0
    free_bytes: int = 0
    in_fstab: bool = False
    fstab_spec: str = ""


@dataclass(frozen=True, slots=True)
class Conffile:
    """A packaged configuration file that differs from what was shipped.

    `state` is "changed", "missing" or "obsolete". `shipped` is the MD5 that the package
    database records, sealed too where no archive offers the package. `disk` tells whether
    the file equals another one without telling what is in it: while reading it is the MD5
    of the file, in a stored survey the slow salted digest of that MD5 (`seal_digest`).
    """

    path: str
    package: str
    state: str
    shipped: str = ""
    disk: str = ""


@dataclass(frozen=True, slots=True)
class ConfigEntry:
    """One entry of the sanitised copy: a regular file, a symlink or a directory.

    `mode` are the permission bits; `digest` is SHA-256 of the *sanitised* content.
    """

    path: str
    kind: str
    mode: int
    owner: str
    group: str
    size_bytes: int = 0
    digest: str = ""
    link: str = ""


@dataclass(frozen=True, slots=True)
class Withheld:
    """A path that was not taken into the copy, and why."""

    path: str
    reason: str


@dataclass(frozen=True, slots=True)
class Replacement:
    """One replacement made while sanitising: never the value."""

    path: str
    line: int
    rule: str
    kind: str


@dataclass(frozen=True, slots=True)
class Machine:
    """The hardware as far as a survey can see it."""

    boot_mode: str
    kernel: str
    architecture: str
    cpus: int
    memory_bytes: int
    command_line: str = ""


@dataclass(frozen=True, slots=True)
class SurveyCost:
    """What reading cost: seconds of wall time, CPU seconds on production, bytes read."""

    wall_seconds: float
    cpu_seconds: float
    read_bytes: int


@dataclass(frozen=True, slots=True)
class Approval:
    """A person's word that the copy with this digest may be used; `at` is RFC 3339."""

    survey_id: str
    by: str
    at: str
    copy_sha256: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class CleanSurvey:
    """A survey after sanitising: the only form that is stored or reaches a clone.

    `origin` is the lab host's own mark of the server (`Store.mark_origin`); the copy may be
    kept and used until `keep_until` (RFC 3339)."""

    id: str
    taken_at: str
    host: str
    release: Release
    machine: Machine
    packages: tuple[Package, ...]
    sources: tuple[ArchiveSource, ...]
    units: tuple[Unit, ...]
    sockets: tuple[Socket, ...]
    disks: tuple[Disk, ...]
    mounts: tuple[Mount, ...]
    conffiles: tuple[Conffile, ...]
    entries: tuple[ConfigEntry, ...]
    withheld: tuple[Withheld, ...]
    replacements: tuple[Replacement, ...]
    not_readable: tuple[Withheld, ...]
    cost: SurveyCost
    settings: tuple[tuple[str, str], ...] = field(default=())
    archive_keys: tuple[ArchiveKey, ...] = ()
    system: SystemFacts = field(default_factory=SystemFacts)
    origin: str = ""
    keep_until: str = ""
    schema: str = SURVEY_SCHEMA

    def find_package(self, name: str) -> Package | None:
        """The installed package of that name, or None."""
        for package in self.packages:
            if package.name == name and package.state.startswith(("i", "h")):
                return package
        return None
