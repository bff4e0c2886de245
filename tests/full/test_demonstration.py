"""The demonstration as a visitor runs it: a whole Debian 12 server, upgraded to Debian 13.

The package counts are those of apt itself in that run; the faults that must be found are
the ones planted on the server (demo/README.md)."""

from __future__ import annotations

import json
import re
from typing import Any

import pytest

from tests.full.demonstrated import ROOT, play
from tests.full.foretold import assert_foretold, assert_like_production

pytestmark = [pytest.mark.full, pytest.mark.timeout(3600)]

OUT = ROOT / "demo" / "out"


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Run it; its report."""
    return play(tmp_path_factory.mktemp("demo"))


def test_debian_13_is_reached(report: dict[str, Any]) -> None:
    """The upgrade itself ended well, on a system that then started its new kernel."""
    ends = {step["name"]: step["end"] for step in report["measured"]["steps"]}
    for step in ("minimal-upgrade", "full-upgrade", "package-audit", "boot-files", "reboot"):
        assert ends[step] == "done", step
    assert report["schema"] == "forerun.report/1"
    assert re.search(r"\b13\b", report["run"]["release_after"])
    reboot = report["measured"]["reboot"]
    assert reboot["kernel_before"].startswith("6.1.")
    assert reboot["kernel_after"].startswith("6.12.")
    assert reboot["sum_agrees"] is True


def test_the_packages_changed_as_apt_had_planned(report: dict[str, Any]) -> None:
    """apt's own plan, made before the first change, against what dpkg's log and database say
    afterwards. A package that was upgraded or new and then tidied away counts as removed or
    not at all, hence the bounds."""
    (said,) = (s["message"] for s in report["measured"]["steps"] if s["name"] == "simulate")
    upgrades, new, removals = (
        int(re.search(rf"(\d+) {words}", said)[1])  # type: ignore[index]
        for words in ("to upgrade", "new", "to remove")
    )
    assert upgrades > 100
    packages = report["measured"]["packages"]
    tidied = packages["removed"] - removals
    assert tidied >= 0
    assert upgrades - tidied <= packages["upgraded"] <= upgrades
    assert new - tidied <= packages["installed"] <= new
    assert packages["kept_back"] == 0


def test_the_figures_agree_with_each_other(report: dict[str, Any]) -> None:
    """Every comparison of the download within its limit; nothing over the disk's size."""
    comparisons = report["measured"]["download"]["comparisons"]
    assert comparisons
    assert [one["name"] for one in comparisons if one["agrees"] is not True] == []
    disks = {disk["target"]: disk for disk in report["measured"]["disk"]}
    assert {"/", "/srv/archive"} <= set(disks)
    for disk in disks.values():
        used = (disk["first_used_bytes"], disk["last_used_bytes"])
        assert max(used) <= disk["peak_used_bytes"] <= disk["size_bytes"]
    # A file system in memory, as /tmp is afterwards, may well be empty; one on a disk is not.
    assert all(disks[target]["peak_used_bytes"] > 0 for target in ("/", "/srv/archive"))


def test_the_planted_faults_are_found(report: dict[str, Any]) -> None:
    """What the administrators did by hand shows: somewhere in findings, checks, prompts or
    kept files each fault is named."""
    told = json.dumps(
        [report["findings"], report["measured"]["checks"], report["measured"]["kept_files"],
         report["measured"]["prompts"]]
    )  # fmt: skip
    for fault in ("ssh", "sysctl", "telnetlib", "shelf-agent", "rsync", ".dpkg-dist"):
        assert fault in told, fault
    assert report["run"]["clean"] is False


def test_no_question_was_a_surprise(report: dict[str, Any]) -> None:
    """The shipped profile declares every question that this server's packages ask."""
    prompts = report["measured"]["prompts"]
    assert [prompt["text"] for prompt in prompts if not prompt["declared"]] == []
    assert len(prompts) > 3


def test_the_clone_was_sealed_and_the_runbook_is_of_this_run(report: dict[str, Any]) -> None:
    """Every way out was tried before the first step; the sheet for the night names the run and
    the profile's digest, and has a section for each step."""
    ends = [way["result"] for way in report["lab"]["ways_out"]]
    assert len(ends) > 45
    assert "open" not in ends
    assert ends.count("not tried") < 5, report["lab"]["ways_out"]
    sheet = (OUT / "runbook.md").read_text(encoding="utf-8")
    assert report["run"]["id"] in sheet
    assert report["run"]["profile_digest"] in sheet
    for step in report["measured"]["steps"]:
        assert step["title"] in sheet


def test_the_clone_is_like_production(report: dict[str, Any]) -> None:
    """Read by the same probes before the first step."""
    assert_like_production(report)


def test_the_questions_were_foretold(report: dict[str, Any]) -> None:
    """Four packaged files were edited there, and their new versions differ."""
    assert_foretold(
        report,
        {"/etc/issue", "/etc/nginx/nginx.conf", "/etc/smartd.conf", "/etc/ssh/sshd_config"},
    )


def test_nothing_is_left_and_nothing_leaked(report: dict[str, Any]) -> None:
    """Neither the run nor the demonstration leaves a machine, and no planted secret is found
    in what was stored."""
    summary = (OUT / "summary.txt").read_text(encoding="utf-8")
    assert report["teardown"]["left"] == []
    assert "found afterwards: none" in summary
    assert "still there and should not be:\n  none" in summary
