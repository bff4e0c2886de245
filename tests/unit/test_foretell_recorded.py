"""The recorded upgrade of a 578-package Debian 12.15 tree to Debian 13.8, foretold.

Outside sources: the digests and calls in the data file were read from the packages of both
releases in Debian's archive (bookworm and trixie, main, amd64; `read_package`; zeros stand
for two records of ucf that a script computes); what was
asked and what passed silently was recorded on the terminal of a real upgrade, in which all
these files had been edited."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import pytest
from pydantic import TypeAdapter
from tests.practice.bare_survey import make_survey
from tests.practice.recorded_stops import DPKG_ASKED, UCF_ASKED, read_stops

from forerun.distro.debian_packages import PackageContents
from forerun.model.likeness import Foretold, PlannedPackage
from forerun.model.survey import Conffile
from forerun.model.system import ManagedFile, SystemFacts
from forerun.stages.foretell import foretell
from forerun.stages.foretell_check import check_foretelling

DATA = Path(__file__).parents[1] / "data" / "foretold" / "debian-12-to-13.json"
# Asked in a further recording of the first stage, in which more files had been edited.
MORE_ASKED = [
    *("/etc/issue", "/etc/bash.bashrc", "/etc/vim/vimrc", "/etc/nanorc"),
    "/etc/needrestart/needrestart.conf",
]
# Edited as well, and passed without a question.
SILENT = [
    *("/etc/sudoers", "/etc/rsyslog.conf", "/etc/apache2/apache2.conf", "/etc/snmp/snmpd.conf"),
    *("/etc/samba/smb.conf", "/etc/logrotate.conf"),
]
OWN = hashlib.md5(b"edited", usedforsecurity=False).hexdigest()


@pytest.fixture(scope="module")
def facts() -> dict[str, Any]:
    """The data file."""
    found: dict[str, Any] = json.loads(DATA.read_text(encoding="utf-8"))
    return found


def read_contents(facts: dict[str, Any]) -> list[PackageContents]:
    return TypeAdapter(list[PackageContents]).validate_python(facts["contents"])


def foretell_all(facts: dict[str, Any], disk: str) -> tuple[Foretold, ...]:
    contents = read_contents(facts)
    survey = make_survey(
        *(f"{name}={version}" for name, version in facts["versions"].items()),
        conffiles=tuple(
            Conffile(path, package, "changed", shipped, disk)
            for path, package, shipped in facts["shipped"]
        ),
        system=SystemFacts(
            managed=tuple(
                ManagedFile(path, package, "changed", recorded, disk)
                for path, package, recorded in facts["recorded"]
            )
        ),
    )
    plan = [PlannedPackage(c.name, c.architecture, c.version, "", "", 0) for c in contents]
    return foretell(survey, plan, contents)


def test_every_recorded_question_about_a_file_was_to_be_foretold(facts: dict[str, Any]) -> None:
    """10 of dpkg's and 7 of ucf's; those of dpkg are sure, login.defs among them, which
    moves to a package of its own. The plain ucf calls are sure, too."""
    told = {(row.kind, row.subject): row.sure for row in foretell_all(facts, OWN)}
    assert [told.get(("conffile", path)) for path in DPKG_ASKED] == [True] * 10
    assert [("ucf", path) in told for path in UCF_ASKED] == [True] * 7
    assert [told[("ucf", path)] for path in UCF_ASKED[:3]] == [True] * 3
    assert [told.get(("conffile", path)) for path in MORE_ASKED] == [True] * 5


def test_edited_files_that_passed_silently_are_not_foretold(facts: dict[str, Any]) -> None:
    """Their packaged version is the same in both releases. (The data file holds their
    digests, so this does not pass for want of them.)"""
    known = {row[0] for row in (*facts["shipped"], *facts["recorded"])}
    assert set(SILENT) <= known
    asked = {row.subject for row in foretell_all(facts, OWN) if row.kind in ("conffile", "ucf")}
    assert not asked & set(SILENT)
    assert asked == {*DPKG_ASKED, *UCF_ASKED, *MORE_ASKED}


def test_the_recorded_silent_losses_are_foretold(facts: dict[str, Any]) -> None:
    """An edited /etc/sysctl.conf became .dpkg-bak; bind9's db.0 went, too."""
    told = {row.subject: row for row in foretell_all(facts, OWN) if row.kind == "obsolete"}
    assert told["/etc/sysctl.conf"].why.endswith("becomes /etc/sysctl.conf.dpkg-bak")
    assert "/etc/bind/db.0" in told and told["/etc/bind/db.0"].sure


def test_the_recorded_stops_are_all_met(facts: dict[str, Any]) -> None:
    """Compared with the terminal: nothing that dpkg or ucf asked was not foretold, and
    what did not come are the files of the other recording and what scripts decide."""
    told = foretell_all(facts, OWN)
    checks = check_foretelling(
        told, read_stops(), survey=make_survey(), contents=read_contents(facts)
    )
    by_result: dict[str, set[str]] = {}
    for check in checks:
        by_result.setdefault(check.result, set()).add(check.subject)
    assert {*DPKG_ASKED, *UCF_ASKED} <= by_result["met"]
    assert "postgresql/auto_upgrade" in by_result["met"]
    assert "not foretold" not in by_result
    assert by_result["not met"] == {*MORE_ASKED, "postgresql/auto_upgrade_failed"}


def test_files_as_the_new_release_has_them_bring_no_question(facts: dict[str, Any]) -> None:
    """The third condition: an edit that equals the new version is left alone."""
    contents = read_contents(facts)
    new = {c.path: c.md5 for one in contents for c in one.conffiles if c.md5}
    assert len(new) > 15
    for path in (*DPKG_ASKED, *MORE_ASKED):
        asked = [row for row in foretell_all(facts, new[path]) if row.subject == path]
        assert asked == []
