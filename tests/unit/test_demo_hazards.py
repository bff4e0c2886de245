"""The demonstration's server with every hazard of demo/shelf01/hazards.yaml, as a survey
sees it: all that a survey can see is found, and nothing is invented on a clean server.
(tests/full/test_hazards.py does the same with real guests.)"""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest
from lindenholm import server
from lindenholm.hazards import read_hazards
from tests.practice.shelf01_survey import survey_shelf01

from forerun.model.known_change import FindingSet
from forerun.profiles import find_known_changes, find_profile, load_profile
from forerun.stages.findings import Matter, find_findings

HAZARDS, ALSO = read_hazards()


def look(*, hazards: bool) -> FindingSet:
    profile = load_profile(find_profile("debian-12-to-13"))
    survey, files = survey_shelf01(hazards=hazards)
    return find_findings(Matter(survey, files, find_known_changes(profile), profile))


def test_there_are_enough_hazards() -> None:
    """Twenty and more, of at least twelve kinds, each with what was done."""
    assert len(HAZARDS) >= 20
    assert len({one.finding for one in HAZARDS}) >= 12
    assert all(one.by in ("survey", "rehearsal", "both") and one.put for one in HAZARDS)
    assert max(Counter((one.finding, one.subject) for one in HAZARDS).values()) == 1


def test_what_a_survey_can_see_is_found_and_nothing_else() -> None:
    """Through the real readers and the real sanitiser: every hazard that a survey sees, at
    least twenty of them, and no known change besides."""
    wanted = {one.finding for one in HAZARDS if one.by in ("survey", "both")}
    found = look(hazards=True)
    assert len(wanted) >= 20
    assert {one.name for one in found.findings} == wanted
    assert all(one.evidence for one in found.findings)


def test_a_clean_server_has_none() -> None:
    """The same server without them."""
    assert [(one.name, one.evidence) for one in look(hazards=False).findings] == []


@pytest.mark.parametrize(
    ("finding", "line"),
    [
        ("ssh-dsa", "/etc/ssh/sshd_config.d/old-scanner.conf:2: PubkeyAcceptedAlgorithms +ssh-dss"),
        ("python-modules-gone", "/usr/local/bin/shelf-report:9: import telnetlib"),
        ("vendor-ceiling", "package shelf-agent 1.4: depends on python3 (<< 3.12)"),
        ("time-zone-names", "/etc/localtime leads to /usr/share/zoneinfo/US/Central"),
        ("release-file-diverted", "/etc/lsb-release is diverted to /etc/lsb-release.shelf"),
        ("trusted-keys", "/etc/apt/trusted.gpg.d/old+vendor.gpg exists"),
        ("core-dumps", "/etc/sysctl.d/60-cores.conf: kernel.core_pattern = /var/tmp/core.%e"),
        ("held-packages", "package rsync 3.2.7-1: held"),
        ("failed-before", "unit shelf-quota.service: failed (failed)"),
    ],
)
def test_evidence_is_of_this_very_server(finding: str, line: str) -> None:
    """File and line, package and version, as they stand there after sanitising."""
    (one,) = (f for f in look(hazards=True).findings if f.name == finding)
    assert any(line in text for text in one.evidence), one.evidence


def test_the_script_does_what_this_test_takes_for_done() -> None:
    """The effects that stand in the answers here are commands of the scripts."""
    text = (server.HERE / "hazards.sh").read_text(encoding="utf-8")
    for command in (
        "ln -sf /usr/share/zoneinfo/US/Central /etc/localtime",
        "> /etc/apt/sources.list.d/again.list",
        "'/etc/apt/trusted.gpg.d/old+vendor.gpg'",
        "--divert /etc/lsb-release.shelf --add /etc/lsb-release",
        "systemctl start shelf-quota.service",
    ):
        assert command in text
    assert "fs.inotify.max_user_watches=1048576" in (server.HERE / "set-up.sh").read_text("utf-8")
    assert 'rsync": "3.2.7-*"' in Path(server.__file__).read_text(encoding="utf-8")
