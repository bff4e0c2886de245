"""A real upgrade of a 578-package Debian 12.15 tree to 13.8, and the findings it must give.

Outside source: the package manager's own logs and the terminal of that upgrade (apt's
history.log, dpkg.log, term.log, the recorded stops in tests/data). What came of it was
observed there: RabbitMQ went from 3.10 to 4.0 without a question, PostgreSQL's old packages
stayed and 17 was installed beside them, PHP 8.2 was removed, dovecot's configuration was
kept, sysctl.conf was moved aside, 46 folders could not be deleted, 40 packages were removed.
"""

from __future__ import annotations

import gzip
from functools import cache
from pathlib import Path

import pytest
from tests.practice.bare_survey import make_entry, make_survey
from tests.practice.known_host import make_run, source
from tests.practice.recorded_stops import DPKG_ASKED, UCF_ASKED

from forerun.distro.debian_logs import list_changes, parse_dpkg_log, parse_history_log
from forerun.model.finding import Finding, Severity, Witness
from forerun.model.known_change import FindingSet
from forerun.model.observation import KeptFile, StepEnd, StepRecord
from forerun.model.survey import Conffile, Package
from forerun.profiles import find_known_changes, find_profile, load_profile
from forerun.stages.findings import Matter, find_findings

DATA = Path(__file__).parents[1] / "data" / "recorded"
EDITED = (*DPKG_ASKED, *UCF_ASKED)


def read(name: str) -> str:
    return gzip.decompress((DATA / name).read_bytes()).decode("utf-8")


@cache
def look() -> FindingSet:
    """The recorded tree as a survey, its upgrade as a run."""
    changes = list_changes(parse_dpkg_log(read("dpkg-upgrade.log.gz")))
    first, *_ = parse_history_log(read("apt-history.log.gz"))
    named = set(first.command.split())
    history = {
        change.name: change
        for entry in parse_history_log(read("apt-history.log.gz"))
        for change in entry.changes
        if change.old
    }
    packages = tuple(
        Package(
            name, change.old, change.architecture, origin="Debian", candidate=change.old,
            automatic=name not in named,
        )
        for name, change in sorted(history.items())
    )  # fmt: skip
    lines = (DATA / "term-lines.txt").read_text(encoding="utf-8").splitlines()
    step = StepRecord(
        "full-upgrade", "", "window", "commands", 0.0, 220.0, 0.0, 0.0, StepEnd.DONE, 0, "",
        tuple(lines),
    )  # fmt: skip
    aside = [line.split()[2] for line in lines if line.startswith("Saving as")]
    run = make_run(
        packages=changes,
        steps=(step,),
        kept_files=tuple(KeptFile(path, path.rpartition(".")[0], 1) for path in aside),
    )
    files = {"/etc/sysctl.conf": b"net.ipv4.ip_forward=1\n"}
    survey = make_survey(
        packages=packages,
        sources=(source("bookworm"),),
        conffiles=tuple(Conffile(path, "some", "changed") for path in EDITED),
        entries=tuple(make_entry(path) for path in (*EDITED, *files)),
    )
    profile = load_profile(find_profile("debian-12-to-13"))
    texts = {**dict.fromkeys(EDITED, b""), **files}
    return find_findings(Matter(survey, texts, find_known_changes(profile), profile, run))


def find(name: str, subject: str = "") -> Finding:
    (one,) = (f for f in look().findings if f.name == name and subject in ("", f.subject))
    return one


@pytest.mark.parametrize(
    ("name", "witness", "line"),
    [
        ("rabbitmq-jump", Witness.BOTH, "rabbitmq-server was upgraded: 3.10.8-1.1+deb12u1 to 4.0"),
        ("sysctl-conf", Witness.BOTH, "/etc/sysctl.conf.dpkg-bak was left by the upgrade"),
        ("mariadb-clean-stop", Witness.SURVEY, "package mariadb-server 1:10.11"),
        ("php-version", Witness.SURVEY, "package php8.2-common 8.2"),
        ("dovecot-24", Witness.SURVEY, "/etc/dovecot/conf.d/10-mail.conf exists"),
        ("old-directories", Witness.REHEARSAL, "unable to delete old directory"),
        ("packages-give-way", Witness.REHEARSAL, "libssl3"),
    ],
)
def test_what_that_upgrade_had(name: str, witness: Witness, line: str) -> None:
    """Each is found, by whom it can be, with the line of that very tree."""
    found = find(name)
    assert found.witness is witness
    assert any(line in one for one in found.evidence), found.evidence


def test_forty_packages_were_removed() -> None:
    """apt's history names 40 (`Remove:`); none of them had been asked for by name."""
    second = parse_history_log(read("apt-history.log.gz"))[-1]
    removed = {change.name for change in second.changes if change.kind == "remove"}
    assert len(removed) == 40
    found = find("packages-give-way")
    assert found.title.startswith("40 packages")
    assert not [f for f in look().findings if f.name == "package-removed"]


def test_nothing_grave_is_invented() -> None:
    """That tree ran a good OpenSSH, had no DSA keys, no encrypted volumes: nothing that
    stops the boot or loses access is said of it."""
    grave = [f.name for f in look().findings if f.severity in tuple(Severity)[:2]]
    assert grave == []


def test_nothing_is_told_twice() -> None:
    """Each name and subject once; the file a known change explains is not told again."""
    keys = [(f.name, f.subject) for f in look().findings]
    assert len(keys) == len(set(keys))
    assert "file-put-aside" not in {name for name, _ in keys}
