"""An invented, clean Debian 12 server, and what a test puts on it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from forerun.model.inventory import Inventory
from forerun.model.observation import CheckResult, LabFacts, Outcome, RunRecord
from forerun.model.survey import (
    ArchiveSource,
    CleanSurvey,
    Conffile,
    ConfigEntry,
    Machine,
    Mount,
    Package,
    Unit,
    Withheld,
)
from forerun.model.system import Interface, Loader, SystemFacts
from tests.practice.bare_survey import make_entry, make_survey

GIB = 1 << 30
KEYRING = "/usr/share/keyrings/debian-archive-keyring.gpg"
BIOS_BOOT = "21686148-6449-6e6f-744e-656564454649"
ESP = "c12a7328-f81f-11d2-ba4b-00a0c93ec93b"


def deb(name: str, version: str, **more: Any) -> Package:
    """A package of Debian's own, up to date."""
    whole = {"origin": "Debian", "candidate": version, "automatic": True, **more}
    return Package(name, version, "amd64", **whole)


def source(suite: str, **more: Any) -> ArchiveSource:
    """An entry of the clean server's one deb822 file."""
    whole: dict[str, Any] = {
        "file": "/etc/apt/sources.list.d/debian.sources",
        "line": 1,
        "types": ("deb",),
        "uris": ("http://archive.example/debian",),
        "suites": (suite,),
        "components": ("main",),
        "signed_by": KEYRING,
    }
    return ArchiveSource(**{**whole, **more})


PACKAGES = (
    deb("apt", "2.6.1"),
    deb("grub-pc", "2.06-13+deb12u2"),
    deb("libc6", "2.36-9+deb12u14"),
    deb("linux-image-6.1.0-40-amd64", "6.1.153-1"),
    deb("linux-image-amd64", "6.1.153-1", automatic=False),
    deb("nginx-light", "1.22.1-9+deb12u3", automatic=False),
    deb("openssh-server", "1:9.2p1-2+deb12u10", automatic=False),
    deb("python3", "3.11.2-1+b1"),
    deb("systemd", "252.39-1~deb12u2"),
)
FILES = {
    "/etc/crontab": "# m h dom mon dow user command\n25 6 * * * root run-parts /etc/cron.daily\n",
    "/etc/fstab": "# / was on /dev/sda1 before\nUUID=919108f7-52d1 / ext4 defaults 0 1\n",
    "/etc/crypttab": "# <target name> <source device> <key file> <options>\n",
    "/etc/sysctl.conf": "# net.ipv4.ip_forward=1\n\n#fs.inotify.max_user_watches=8192\n",
    "/etc/sysctl.d/90-local.conf": "vm.swappiness = 10\n",
    "/etc/ssh/sshd_config": "Include /etc/ssh/sshd_config.d/*.conf\n"
    "#HostKey /etc/ssh/ssh_host_ecdsa_key\nHostKey /etc/ssh/ssh_host_ed25519_key\nUsePAM yes\n",
    "/etc/nginx/nginx.conf": "worker_processes auto;\n",
    "/etc/security/limits.conf": "#*               soft    core            0\n# End of file\n",
    "/etc/timezone": "Europe/Vienna\n",
    "/etc/apt/apt.conf.d/70debconf": 'DPkg::Pre-Install-Pkgs {"/usr/sbin/dpkg-preconfigure";};\n',
    "/etc/systemd/network/office.network": "[Match]\nMACAddress=52:54:00:00:00:01\n",
    "/usr/local/sbin/rota": "#!/bin/sh\n# The last one out turns off the lights.\n"
    "work=$(mktemp -d /var/tmp/rota.XXXX)\necho at last\n",
    "/usr/local/bin/count": "#!/usr/bin/python3\nimport json\nimport pipelib\n",
}
UNITS = (
    Unit("ssh.service", "active", "running", "enabled"),
    Unit("nginx.service", "active", "running", "enabled"),
    Unit("apt-daily.timer", "active", "waiting", "enabled"),
    Unit("tmp.mount", "inactive", "dead", "disabled"),
)
SYSTEM = SystemFacts(
    interfaces=(
        Interface(
            "enp1s0",
            "52:54:00:00:00:01",
            "e1000e",
            "pci",
            names=(("ID_NET_NAME_PATH", "enp1s0"), ("ID_NET_NAME_MAC", "enx525400000001")),
        ),
    ),
    loader=Loader("grub-pc", ("/dev/disk/by-id/ata-A",), ("/dev/sda",)),
)
MOUNTS = (Mount("/dev/sda1", "/", "ext4", size_bytes=30 * GIB, free_bytes=20 * GIB, in_fstab=True),)

MACHINE = Machine("bios", "6.1.0-40-amd64", "amd64", 2, 2 * GIB, "quiet")


@dataclass(frozen=True, slots=True)
class Host:
    """What is put on the clean server. `packages` replace those of the same name; `files`
    are content by path, `edited` names packaged ones that differ; `run` is a rehearsal."""

    packages: Sequence[Package] = ()
    without: Sequence[str] = ()
    files: Mapping[str, str] = field(default_factory=dict)
    edited: Sequence[str] = ()
    links: Mapping[str, str] = field(default_factory=dict)
    units: Sequence[Unit] = ()
    sources: Sequence[ArchiveSource] = ()
    mounts: Sequence[Mount] = ()
    settings: Sequence[tuple[str, str]] = ()
    withheld: Sequence[Withheld] = ()
    machine: Machine = MACHINE
    system: Mapping[str, Any] = field(default_factory=dict)
    parts: Mapping[str, Any] = field(default_factory=dict)
    run: RunRecord | None = None


def build(host: Host) -> tuple[CleanSurvey, dict[str, bytes]]:
    """The survey and the files of its sanitised copy."""
    files = {**FILES, **host.files}
    named = {package.name for package in host.packages} | set(host.without)
    kept = tuple(package for package in PACKAGES if package.name not in named)
    units = {unit.name: unit for unit in (*UNITS, *host.units)}
    mounts = {mount.target: mount for mount in (*MOUNTS, *host.mounts)}
    links = {"/etc/localtime": "/usr/share/zoneinfo/Europe/Vienna", **host.links}
    survey = make_survey(
        packages=(*kept, *host.packages),
        machine=host.machine,
        sources=(
            source("bookworm"),
            source("bookworm-updates"),
            source("bookworm-security", uris=("http://archive.example/debian-security",)),
            *host.sources,
        ),
        units=tuple(units.values()),
        mounts=tuple(mounts.values()),
        settings=(("/etc/sysctl.d/90-local.conf vm.swappiness", "10"), *host.settings),
        entries=(
            *(make_entry(path) for path in files),
            *(ConfigEntry(p, "symlink", 0o777, "root", "root", link=t) for p, t in links.items()),
        ),
        conffiles=tuple(Conffile(path, "some", "changed") for path in host.edited),
        withheld=tuple(host.withheld),
        system=replace(SYSTEM, **host.system),
        **host.parts,
    )
    return survey, {path: text.encode("utf-8") for path, text in files.items()}


def make_run(**parts: Any) -> RunRecord:
    """A completed rehearsal in which nothing happened but what `parts` say."""
    whole: dict[str, Any] = {
        "id": "run-1",
        "started_at": "2026-01-31T22:00:00Z",
        "finished_at": "2026-01-31T23:00:00Z",
        "host": "shelf01.records.example",
        "survey_id": "survey-1",
        "profile": "debian-12-to-13",
        "profile_digest": "0" * 64,
        "site_digest": "",
        "outcome": Outcome.COMPLETED,
        "why": "",
        "template_id": "template-1",
        "release_before": "Debian 12",
        "release_after": "Debian 13",
        "lab": LabFacts("kvm", "", 2, 8 * GIB, "fake"),
        "clone_cpus": 2,
        "clone_memory_bytes": 2 * GIB,
    }
    return RunRecord(**{**whole, **parts})


def check(
    name: str, before: str, after: str, output: str = "", severity: str = "note"
) -> RunRecord:
    """A rehearsal in which one check ended like this at its two moments."""
    results = [
        CheckResult(name, name, moment, result, output.partition("\n")[0], severity, output)
        for moment, result in (("before", before), ("after", after))
        if result
    ]
    return make_run(checks=tuple(results))


def readings(before: Mapping[str, Any], after: Mapping[str, Any]) -> RunRecord:
    """A rehearsal whose clone had these things before and after."""
    return make_run(
        inventories=(Inventory("before", 1.0, **before), Inventory("after", 900.0, **after))
    )
