"""What a report of the demonstration must say of likeness and of foretold questions."""

from __future__ import annotations

from typing import Any

# Questions about files: those of dpkg and of ucf.
ABOUT_FILES = ("conffile", "ucf")


def assert_like_production(report: dict[str, Any]) -> None:
    """Packages, versions, holds, marks and the upgrade's plan are production's; units are, or
    each difference is explained. The vendor's agent is a stand-in and is said to be one."""
    subjects = {one["subject"]: one for one in report["likeness"]["subjects"]}
    for subject in (
        "packages",
        "package versions",
        "holds and automatic marks",
        "archive sources",
        "users",
        "groups",
        "mounts",
        "running kernel",
        "upgrade plan",
        "upgrade plan without new packages",
    ):
        one = subjects[subject]
        assert one["total"] > 0, subject
        assert one["alike"] == one["total"], (subject, one["differences"])
    assert subjects["upgrade plan"]["total"] > 150
    for subject in ("units at start-up", "running units", "listening sockets", "block devices"):
        assert subjects[subject]["unexplained"] == 0, subjects[subject]["differences"]
    hollow = [one["name"] for one in subjects["package contents"]["differences"]]
    assert hollow == ["shelf-agent:all"]


def assert_foretold(report: dict[str, Any], files: set[str]) -> None:
    """Every question about a file that was met was foretold, and every one foretold for sure
    was met; they are about `files`. Nothing was met that was not foretold, and what was only
    possible says why it did not come."""
    told = report["foretold"]
    assert told["compared"] is True
    assert told["not_foretold"] == []
    for one in told["questions"]:
        if one["sure"]:
            assert one["result"] == "met", one
        else:
            assert one["result"] == "met" or one["difference"], one
    asked = {
        one["subject"]
        for one in told["questions"]
        if one["kind"] in ABOUT_FILES and one["result"] == "met"
    }
    assert asked == files
    losses = {one["subject"]: one["result"] for one in told["losses"]}
    assert losses["/etc/sysctl.conf"] == "met"
