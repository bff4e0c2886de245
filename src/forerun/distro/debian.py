"""Debian: the probes, and where their answers are understood.

Every command reads; none writes, not even a cache: `apt-cache` is told to keep its cache
in memory, and nothing is redirected to a file. (One that is run only when asked for does.)
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

from debian.debian_support import Version

from forerun.distro import debian_facts, debian_keys, debian_sources, debian_system, linux_facts
from forerun.distro.base import (
    ABSENT,
    DoubledSource,
    SwitchedSources,
    decode_answer,
    escape_value,
    parse_os_release,
    split_files,
)
from forerun.distro.debian_probes import CALIBRATION, PROBES, SCOPE
from forerun.distro.linux_blocks import parse_lsblk
from forerun.errors import SurveyFailed, UnknownRelease
from forerun.model.profile import SourcePlan
from forerun.model.raw import RawSurvey, ServerNames
from forerun.model.survey import ArchiveSource, Machine, Release, Withheld
from forerun.ports.production import CopyScope, ProbeName

_NEEDED = (ProbeName.OS_RELEASE, ProbeName.MACHINE, ProbeName.PACKAGES, ProbeName.CONTROL)


class Debian:
    """Debian 11 and later; other systems built on Debian are not of this family."""

    family = "debian"

    def recognises(self, os_release: Mapping[str, str]) -> bool:
        """Whether os-release says ID=debian."""
        return os_release.get("ID") == "debian"

    def probes(self, *, calibrate: bool = False) -> Mapping[ProbeName, str]:
        """The shell command of each probe; see `Distro.probes`."""
        return {**PROBES, **CALIBRATION} if calibrate else PROBES

    def scope(self) -> CopyScope:
        """The files that may be copied."""
        return SCOPE

    def read_facts(self, answers: Mapping[ProbeName, bytes]) -> RawSurvey:
        """The facts in the probes' answers; see `Distro.read_facts`."""
        for probe in _NEEDED:
            if not answers.get(probe, b"").strip():
                raise SurveyFailed("The server gave no answer to a probe.", where=probe.value)
        text = {probe: decode_answer(answers, probe) for probe in ProbeName}
        # Inside JSON an escape that JSON does not know would spoil the whole answer.
        disks_answer = answers.get(ProbeName.DISKS, b"")
        if text[ProbeName.DISKS]:
            text[ProbeName.DISKS] = disks_answer.decode("utf-8", "surrogateescape")
        machine = parse_machine(text[ProbeName.MACHINE])
        control = debian_facts.parse_control(text[ProbeName.CONTROL])
        offers = debian_facts.parse_policy(text[ProbeName.ARCHIVES])
        packages = debian_facts.merge_packages(
            text[ProbeName.PACKAGES],
            automatic=debian_facts.parse_extended_states(text[ProbeName.AUTOMATIC]),
            offers=offers,
            control=control,
            native=machine.architecture,
        )
        conffiles = debian_facts.parse_conffiles(control)
        units = linux_facts.parse_units(text[ProbeName.UNITS])
        settings = debian_facts.parse_settings(split_files(text[ProbeName.SETTINGS]))
        disks, places = parse_lsblk(text[ProbeName.DISKS])
        mounts = split_files(text[ProbeName.MOUNTS])
        system, unread = debian_system.read_system(
            text, machine=machine, packages=packages, units=units, settings=settings
        )
        return RawSurvey(
            release=parse_release(text[ProbeName.OS_RELEASE], text[ProbeName.POINT_RELEASE]),
            machine=machine,
            names=parse_names(text[ProbeName.NAMES]),
            packages=packages,
            sources=debian_sources.parse_sources(split_files(text[ProbeName.SOURCES])),
            archive_keys=debian_keys.parse_keyrings(split_files(text[ProbeName.ARCHIVE_KEYS])),
            units=units,
            sockets=linux_facts.parse_sockets(text[ProbeName.SOCKETS]),
            disks=disks,
            mounts=linux_facts.merge_mounts(
                mounts.get("mounts", ""), mounts.get("room", ""), mounts.get("fstab", ""), places
            ),
            conffiles=debian_facts.judge_conffiles(conffiles, text[ProbeName.CONFFILE_SUMS]),
            settings=settings,
            shipped=debian_facts.find_shipped(conffiles, packages, text[ProbeName.MANAGED_SUMS]),
            large=linux_facts.parse_large_files(text[ProbeName.LARGE_FILES]),
            not_readable=(
                *_list_absent(answers, has_archives=offers.has_archives),
                *unread,
            ),
            system=system,
        )

    def compare_versions(self, first: str, second: str) -> int:
        """Negative, zero or positive as `first` is older, equal or newer."""
        return compare_versions(first, second)

    def plan_sources(self, sources: Iterable[ArchiveSource], plan: SourcePlan) -> SwitchedSources:
        """The archive configuration of the target release."""
        return debian_sources.plan_sources(sources, plan)

    def find_doubled_sources(self, sources: Iterable[ArchiveSource]) -> tuple[DoubledSource, ...]:
        """Archives that are configured more than once."""
        return debian_sources.find_doubled_sources(sources)


def compare_versions(first: str, second: str) -> int:
    """-1, 0 or 1 in the order of Debian Policy 5.6.12; ValueError on a bad version."""
    a, b = Version(first), Version(second)
    return (a > b) - (a < b)


def parse_release(os_release: str, point: str) -> Release:
    """The release, with the point release of /etc/debian_version ("12.11").

    Raises UnknownRelease where os-release names no version (testing, unstable)."""
    facts = parse_os_release(os_release)
    version = facts.get("VERSION_ID", "")
    if not version:
        raise UnknownRelease(
            "The server runs a Debian that has no release number.",
            where="/etc/os-release",
            wanted="VERSION_ID, as every stable release has",
            found=facts.get("PRETTY_NAME", "")[:120],
            hint="Rehearsals start from a stable release.",
        )
    return Release(
        family="debian",
        version=version,
        codename=facts.get("VERSION_CODENAME", ""),
        title=facts.get("PRETTY_NAME", ""),
        point=point.strip(),
    )


def parse_machine(text: str) -> Machine:
    """Kernel release, architecture, CPUs, boot mode, memory and kernel command line, one
    a line in this order. Raises SurveyFailed when lines are missing."""
    lines = text.splitlines()
    if len(lines) < 6:
        raise SurveyFailed(
            "The probe of the machine gave an answer of another shape.",
            where=ProbeName.MACHINE.value,
            wanted="six lines",
            found=f"{len(lines)} lines",
        )
    kibibytes = [*lines[4].split(), "", ""][1]
    if not (re.fullmatch(r"[0-9]{1,5}", lines[2].strip()) and re.fullmatch(r"[0-9]+", kibibytes)):
        raise SurveyFailed(
            "The probe of the machine gave an answer of another shape.",
            where=ProbeName.MACHINE.value,
            wanted="a number of processors in line 3, of kibibytes in line 5",
            found=f"{lines[2][:40]!r} and {lines[4][:40]!r}",
        )
    return Machine(
        boot_mode=lines[3].strip(),
        kernel=lines[0].strip(),
        architecture=lines[1].strip(),
        cpus=int(lines[2]),
        memory_bytes=int(kibibytes) * 1024,
        command_line=lines[5].strip(),
    )


def parse_names(text: str) -> ServerNames:
    """The server's names from `#file` sections."""
    files = split_files(text)
    node = files.get("/etc/hostname", "").strip() or files.get("node", "").strip()
    return ServerNames(
        node=node,
        mail_name=files.get("/etc/mailname", "").strip(),
        hosts=files.get("/etc/hosts", ""),
        resolver=files.get("/etc/resolv.conf", ""),
    )


def _read_reason(answer: bytes) -> str:
    first = answer[len(ABSENT) :].partition(b"\n")[0]
    return escape_value(first.decode("utf-8", "surrogateescape")).strip()


def _list_absent(answers: Mapping[ProbeName, bytes], *, has_archives: bool) -> tuple[Withheld, ...]:
    rows = [
        Withheld(probe.value, _read_reason(answer))
        for probe, answer in answers.items()
        if answer.startswith(ABSENT)
    ]
    if not has_archives and not answers.get(ProbeName.ARCHIVES, b"").startswith(ABSENT):
        rows.append(
            Withheld(
                ProbeName.ARCHIVES.value, "the server has no package index: no origin is known"
            )
        )
    return tuple(rows)
