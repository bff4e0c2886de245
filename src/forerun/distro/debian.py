"""Debian: the probes, and where their answers are understood.

Every command reads; none writes, not even a cache: `apt-cache` is told to keep its cache
in memory, and nothing is redirected to a file.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterable, Mapping

from debian.debian_support import Version

from forerun.distro import debian_facts, debian_keys, debian_sources, linux_facts
from forerun.distro.base import (
    ABSENT,
    BASE_PROBES,
    DoubledSource,
    SwitchedSources,
    decode_answer,
    parse_os_release,
    split_files,
)
from forerun.errors import SurveyFailed, UnknownRelease
from forerun.model.profile import SourcePlan
from forerun.model.raw import RawSurvey, ServerNames
from forerun.model.survey import ArchiveSource, Machine, Release, Withheld
from forerun.ports.production import CopyScope, ProbeName

_SCOPE = CopyScope(
    roots=(
        "/etc",
        "/usr/local/bin",
        "/usr/local/sbin",
        "/usr/local/etc",
        "/usr/local/lib/systemd",
        "/var/spool/cron/crontabs",
    ),
    # Histories of a folder hold every secret that was ever in it.
    closed=(".git", ".hg", ".bzr", ".svn", "CVS"),
)

_SHOW = 'show() { for f; do [ -f "$f" ] && { echo "#file $f"; cat "$f"; echo; }; done; :; }; '
_NAMES = "dpkg-query --show --showformat='${binary:Package}\\n'"
_NO_CACHE = "-o Dir::Cache::pkgcache= -o Dir::Cache::srcpkgcache="


def _or_absent(command: str, reason: str) -> str:
    return f"{{ {command}; }} 2>/dev/null || echo '{ABSENT.decode()}{reason}'"


_PROBES: dict[ProbeName, str] = {
    **BASE_PROBES,
    ProbeName.POINT_RELEASE: "cat /etc/debian_version",
    ProbeName.NAMES: 'echo "#file node"; uname -n; '
    + _SHOW
    + "show /etc/hostname /etc/mailname /etc/hosts /etc/resolv.conf",
    ProbeName.MACHINE: "uname -r; dpkg --print-architecture; getconf _NPROCESSORS_ONLN; "
    "if [ -d /sys/firmware/efi ]; then echo uefi; else echo bios; fi; "
    "grep '^MemTotal:' /proc/meminfo; cat /proc/cmdline",
    ProbeName.PACKAGES: "dpkg-query --show --showformat="
    "'${binary:Package}\\t${Version}\\t${Architecture}\\t${db:Status-Abbrev}\\n'",
    ProbeName.AUTOMATIC: "cat /var/lib/apt/extended_states 2>/dev/null; :",
    ProbeName.ARCHIVES: _or_absent(
        f"apt-cache {_NO_CACHE} policy && echo '#packages' && "
        f"{_NAMES} | xargs apt-cache {_NO_CACHE} policy",
        "apt-cache could not read its package indexes",
    ),
    ProbeName.CONTROL: f"{_NAMES} | xargs dpkg-query --status",
    ProbeName.CONFFILE_SUMS: "dpkg-query --show --showformat='${Conffiles}\\n'"
    r" | sed -n 's|^ \(/.*\) [0-9a-f]\{32\}\( obsolete\)\{0,1\}$|\1|p' | sort -u"
    r" | tr '\n' '\0' | xargs -0 -r md5sum -- 2>&1; :",
    ProbeName.MANAGED_SUMS: "cat /var/lib/ucf/hashfile 2>/dev/null; :",
    ProbeName.SOURCES: _SHOW
    + "show /etc/apt/sources.list /etc/apt/sources.list.d/*.list /etc/apt/sources.list.d/*.sources",
    ProbeName.ARCHIVE_KEYS: "for f in /etc/apt/trusted.gpg /etc/apt/trusted.gpg.d/*"
    " /etc/apt/keyrings/* /usr/share/keyrings/*; do"
    ' [ -f "$f" ] && { echo "#file $f"; base64 "$f"; }; done; :',
    ProbeName.UNITS: _or_absent(
        "systemctl list-units --all --full --plain --no-legend --no-pager && echo '#files' && "
        "systemctl list-unit-files --full --plain --no-legend --no-pager",
        "the service manager did not answer",
    ),
    ProbeName.SOCKETS: _or_absent(
        "if command -v ss >&2; then ss -H -l -n -t -u -p; else for f in tcp tcp6 udp udp6; do"
        ' echo "#file $f"; cat "/proc/net/$f"; done; fi',
        "no list of listening sockets",
    ),
    ProbeName.DISKS: _or_absent(
        "lsblk --json --bytes --output KNAME,TYPE,SIZE,SERIAL,FSTYPE,UUID,LABEL,MOUNTPOINT",
        "lsblk did not answer",
    ),
    ProbeName.MOUNTS: 'echo "#file mounts"; cat /proc/self/mounts; echo "#file room"; '
    "timeout 20 df --local --all --block-size=1 --output=size,used,avail,target 2>/dev/null; "
    'echo "#file fstab"; cat /etc/fstab 2>/dev/null; :',
    ProbeName.SETTINGS: _SHOW + "show /etc/sysctl.d/*.conf /etc/sysctl.conf; echo '#file debconf'; "
    "awk '/^Name: grub-(pc|efi)\\/install_devices$/,/^$/' /var/cache/debconf/config.dat"
    " 2>/dev/null; :",
    ProbeName.LARGE_FILES: "cd / && for root in "
    + " ".join(shlex.quote(root.lstrip("/")) for root in _SCOPE.roots)
    + '; do [ -e "$root" ] && find "$root" -xdev -type d \\( '
    + " -o ".join(f"-name {shlex.quote(name)}" for name in _SCOPE.closed)
    + f" \\) -prune -o -type f -size +{_SCOPE.file_limit}c -printf '%s /%p\\0'; done; :",
}

_NEEDED = (ProbeName.OS_RELEASE, ProbeName.MACHINE, ProbeName.PACKAGES, ProbeName.CONTROL)


class Debian:
    """Debian 11 and later; other systems built on Debian are not of this family."""

    family = "debian"

    def recognises(self, os_release: Mapping[str, str]) -> bool:
        """Whether os-release says ID=debian."""
        return os_release.get("ID") == "debian"

    def probes(self) -> Mapping[ProbeName, str]:
        """The read-only shell command of each probe."""
        return _PROBES

    def scope(self) -> CopyScope:
        """The files that may be copied."""
        return _SCOPE

    def read_facts(self, answers: Mapping[ProbeName, bytes]) -> RawSurvey:
        """The facts in the probes' answers; see `Distro.read_facts`."""
        for probe in _NEEDED:
            if not answers.get(probe, b"").strip():
                raise SurveyFailed("The server gave no answer to a probe.", where=probe.value)
        text = {probe: decode_answer(answers, probe) for probe in ProbeName}
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
        disks, places = linux_facts.parse_lsblk(text[ProbeName.DISKS])
        mounts = split_files(text[ProbeName.MOUNTS])
        return RawSurvey(
            release=parse_release(text[ProbeName.OS_RELEASE], text[ProbeName.POINT_RELEASE]),
            machine=machine,
            names=parse_names(text[ProbeName.NAMES]),
            packages=packages,
            sources=debian_sources.parse_sources(split_files(text[ProbeName.SOURCES])),
            archive_keys=debian_keys.parse_keyrings(split_files(text[ProbeName.ARCHIVE_KEYS])),
            units=linux_facts.parse_units(text[ProbeName.UNITS]),
            sockets=linux_facts.parse_sockets(text[ProbeName.SOCKETS]),
            disks=disks,
            mounts=linux_facts.merge_mounts(
                mounts.get("mounts", ""), mounts.get("room", ""), mounts.get("fstab", ""), places
            ),
            conffiles=debian_facts.judge_conffiles(conffiles, text[ProbeName.CONFFILE_SUMS]),
            settings=debian_facts.parse_settings(split_files(text[ProbeName.SETTINGS])),
            shipped=debian_facts.find_shipped(conffiles, packages, text[ProbeName.MANAGED_SUMS]),
            large=linux_facts.parse_large_files(text[ProbeName.LARGE_FILES]),
            not_readable=_list_absent(answers, has_archives=offers.has_archives),
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
    if len(lines) < 6 or not lines[2].strip().isdigit():
        raise SurveyFailed(
            "The probe of the machine gave an answer of another shape.",
            where=ProbeName.MACHINE.value,
            wanted="six lines",
            found=f"{len(lines)} lines",
        )
    kibibytes = lines[4].split()
    return Machine(
        boot_mode=lines[3].strip(),
        kernel=lines[0].strip(),
        architecture=lines[1].strip(),
        cpus=int(lines[2]),
        memory_bytes=int(kibibytes[1]) * 1024,
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


def _list_absent(answers: Mapping[ProbeName, bytes], *, has_archives: bool) -> tuple[Withheld, ...]:
    rows = [
        Withheld(probe.value, answer[len(ABSENT) :].decode("utf-8", "replace").strip())
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
