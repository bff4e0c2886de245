"""Findings: what the rehearsal itself saw, each thing once, and what is settled."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from tests.practice.known_host import Host, build, check, deb, make_run, readings

from forerun.model.finding import BY_HAND, Cared, Finding, Severity, Witness
from forerun.model.inventory import JournalLine, MountSeen
from forerun.model.known_change import (
    FindingSet,
    KnownChange,
    KnownChanges,
    PackageIs,
    TextSeen,
    Unseen,
)
from forerun.model.observation import (
    DiskSample,
    KeptFile,
    Outage,
    PackageChange,
    RebootSplit,
    RunRecord,
    Seen,
    StepEnd,
    StepRecord,
)
from forerun.model.profile import Profile, Site
from forerun.model.survey import Package, Socket, Unit
from forerun.pipeline_findings import decide
from forerun.pipeline_findings import find_findings as find_on_host
from forerun.ports.records import dump_record, load_record
from forerun.ports.store import Store
from forerun.profiles import find_profile, load_profile, load_site
from forerun.stages.findings import Matter, find_findings, merge_findings, order_findings

DATA = Path(__file__).parents[1] / "data"
DOWN, ACCESS = Severity.SERVICE_DOWN, Severity.LOSES_ACCESS


@cache
def shipped() -> Profile:
    return load_profile(find_profile("debian-12-to-13"))


def see(run: RunRecord, **host: Any) -> tuple[Finding, ...]:
    """What the rehearsal itself tells, without any known change."""
    survey, files = build(Host(**host))
    nothing = KnownChanges("debian-12-to-13", ())
    return find_findings(Matter(survey, files, nothing, shipped(), run)).findings


def only(run: RunRecord, **host: Any) -> Finding:
    (found,) = see(run, **host)
    assert found.witness is Witness.REHEARSAL
    assert found.evidence and found.advice and found.source
    return found


def unit(name: str, active: str = "active", sub: str = "running", on: str = "enabled") -> Unit:
    return Unit(name, active, sub, on)


# --- what the rehearsal saw


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        (unit("web.service"), unit("web.service", "inactive", "dead"), ("unit-not-back", DOWN)),
        (unit("web.service"), None, ("unit-not-back", DOWN)),
        (unit("ssh.service"), unit("ssh.service", "inactive", "dead"), ("unit-not-back", ACCESS)),
        (unit("a.timer", "active", "waiting"), None, ("unit-not-back", DOWN)),
        (unit("web.service"), unit("web.service"), None),
        (unit("once.service", "active", "exited"), None, None),
        (unit("user@0.service"), None, None),
        (unit("by-hand.service", on="disabled"), None, None),
        (unit("off.service", "inactive", "dead"), None, None),
    ],
)
def test_units_that_did_not_return(
    before: Unit, after: Unit | None, told: tuple[str, Severity] | None
) -> None:
    """Those that ran and would be started at boot; SSH's own costs the way in."""
    units = {"units": (after,) if after else ()}
    found = see(readings({"units": (before,)}, units))
    assert [(f.name, f.severity) for f in found] == ([told] if told else [])
    assert all(f.subject == before.name for f in found)


def test_a_unit_with_a_new_name_is_back() -> None:
    """As the known changes say; without that it is missed."""
    survey, files = build(Host())
    run = readings({"units": (unit("postfix@-.service"),)}, {"units": (unit("postfix.service"),)})
    names = (("postfix@-.service", "postfix.service"),)
    known = KnownChanges("debian-12-to-13", (), names)
    assert find_findings(Matter(survey, files, known, shipped(), run)).findings == ()
    assert only(run).name == "unit-not-back"


def test_units_that_failed() -> None:
    """A new failure takes a service down; one of before is told as that."""
    bad = unit("scan.service", "failed", "failed")
    assert only(readings({}, {"units": (bad,)})).severity is DOWN
    old = only(readings({"units": (bad,)}, {"units": (bad,)}))
    assert (old.name, old.severity) == ("unit-failed", Severity.COSMETIC)


def test_listening_sockets() -> None:
    """One that is gone and one that is new; forerun's own and passing ports are no news,
    and another address of the same port is none either."""
    before = (Socket("tcp", "0.0.0.0", 80, "nginx"), Socket("tcp", "0.0.0.0", 20022, "sshd"),
              Socket("udp", "0.0.0.0", 40123), Socket("tcp", "0.0.0.0", 22, "sshd"))  # fmt: skip
    after = (Socket("tcp", "::", 22, "sshd"), Socket("tcp", "0.0.0.0", 5432, "postgres"))
    found = see(readings({"sockets": before}, {"sockets": after}))
    assert [(f.name, f.subject, f.severity) for f in found] == [
        ("socket-gone", "tcp/80", DOWN),
        ("socket-new", "tcp/5432", Severity.COSMETIC),
    ]
    assert see(readings({"sockets": before}, {})) == (), "a reading that failed is no change"


def test_kernel_settings() -> None:
    """What a file of the server sets is missed; the kernel's own are one line, and what
    counts or is drawn is none."""
    before = {"settings": (("vm.swappiness", "10"), ("net.core.somaxconn", "4096"),
                           ("kernel.random.uuid", "a"), ("fs.file-nr", "1 0 9"))}  # fmt: skip
    after = {"settings": (("vm.swappiness", "60"), ("net.core.somaxconn", "8192"),
                          ("kernel.random.uuid", "b"), ("fs.file-nr", "2 0 9"))}  # fmt: skip
    lost, others = see(readings(before, after))
    assert (lost.name, lost.subject, lost.severity) == ("setting-lost", "vm.swappiness", DOWN)
    assert lost.evidence == ("/etc/sysctl.d/90-local.conf sets it; it was 10, is 60",)
    assert (others.name, others.evidence) == (
        "settings-changed",
        ("net.core.somaxconn: 4096 to 8192",),
    )


def test_mounts() -> None:
    """Gone, of another kind, new; the kernel's own views are none."""
    before = {"mounts": (MountSeen("/", "ext4", "/dev/vda1"), MountSeen("/srv", "xfs", "/dev/vdb"),
                         MountSeen("/proc", "proc", "proc"))}  # fmt: skip
    after = {"mounts": (MountSeen("/", "btrfs", "/dev/vda1"), MountSeen("/tmp", "tmpfs", "tmpfs"))}
    assert [(f.name, f.subject) for f in see(readings(before, after))] == [
        ("mount-gone", "/srv"),
        ("mount-changed", "/"),
        ("mounts-new", "mounts"),
    ]


def test_interfaces_accounts_boot() -> None:
    """A name that is gone, a number that changed, another way of booting."""
    run = readings(
        {"interfaces": ("ens3",), "accounts": ("user scan 998", "user old 997")},
        {"interfaces": ("enp0s3",), "accounts": ("user scan 996",), "boot_mode": "uefi"},
    )
    assert [(f.name, f.subject, f.severity) for f in see(run)] == [
        ("boot-mode-differs", "boot mode", Severity.STOPS_BOOT),
        ("interface-renamed", "ens3", ACCESS),
        ("account-changed", "user old", Severity.DATA_AT_RISK),
        ("account-changed", "user scan", Severity.DATA_AT_RISK),
    ]


def test_the_journal() -> None:
    """Errors by who wrote them and warnings in one, as far as they are new, with numbers
    left out of the comparison."""
    before = {"journal": (JournalLine("kernel", 4, "slow disk 12"), JournalLine("app", 3, "old"))}
    after = {
        "journal": (
            JournalLine("kernel", 4, "slow disk 99"),
            JournalLine("kernel", 4, "hot"),
            JournalLine("app", 3, "old"),
            JournalLine("app", 3, "no table 5", 7),
        )
    }
    errors, warnings = see(readings(before, after))
    assert (errors.name, errors.subject) == ("journal-errors", "app")
    assert errors.evidence == ("7 times: no table 5",)
    assert (warnings.name, warnings.evidence) == ("journal-warnings", ("kernel: hot",))


def test_packages() -> None:
    """One that somebody chose is missed; a library with a renamed successor gives way."""
    gone = [PackageChange(name, "removed", "1") for name in ("agent", "libssl3", "libx")]
    came = [PackageChange("libssl3t64", "installed", "", "2"), PackageChange("held", "kept-back")]
    host = {
        "packages": [
            Package("agent", "1", "all"),
            deb("libssl3", "1", automatic=False),
            deb("libx", "1"),
        ]
    }
    found = see(make_run(packages=(*gone, *came)), **host)
    assert [(f.name, f.subject) for f in found] == [
        ("package-removed", "agent"),
        ("package-kept-back", "held"),
        ("packages-give-way", "packages"),
    ]
    assert found[-1].evidence == ("libssl3, libx",)
    stray = only(readings({}, {"obsolete": ("libx 1",)}))
    assert (stray.name, stray.evidence) == ("packages-obsolete", ("libx 1",))


def test_files_left_for_a_decision() -> None:
    """With the difference, line by line; one that is not read any more is graver."""
    kept = (
        KeptFile("/etc/a.dpkg-dist", "/etc/a", 5, "--- /etc/a\n+++ /etc/a.dpkg-dist\n-x\n+y"),
        KeptFile("/etc/b.dpkg-bak", "/etc/b", 5),
    )
    aside, left = see(make_run(kept_files=kept))
    assert (aside.name, aside.severity) == ("file-put-aside", DOWN)
    assert (left.name, left.subject) == ("file-left", "/etc/a.dpkg-dist")
    assert "-x\n+y" in left.evidence[1]


@pytest.mark.parametrize(
    ("before", "after", "severity", "told"),
    [
        ("pass", "fail", "must", DOWN),
        ("pass", "fail", "note", Severity.COSMETIC),
        ("fail", "fail", "must", None),
        ("pass", "pass", "must", None),
        ("", "fail", "must", None),
    ],
)
def test_checks_that_changed(before: str, after: str, severity: str, told: Severity | None) -> None:
    """Passed before and fails afterwards; what must pass is somebody's service."""
    found = see(check("rows", before, after, "11 rows", severity))
    assert [f.severity for f in found] == ([told] if told else [])


def test_outages_room_and_kernel() -> None:
    """A service that never answered again, a full /boot, the kernel of before."""
    outages = (Outage("ssh-logins", 1.0, 9.0, False, "refused", "reboot", 1.0),
               Outage("web", 1.0, 9.0, True, "refused", "reboot", 1.0))  # fmt: skip
    disk = (DiskSample(1.0, "/boot", 95, 100), DiskSample(2.0, "/boot", 99, 100),
            DiskSample(1.0, "/", 50, 100), DiskSample(1.0, "/odd", 5, 0))  # fmt: skip
    reboot = RebootSplit(1, 1, 1, 1, 1, 1, 1, 1, 1, kernel_before="6.1", kernel_after="6.1")
    found = see(make_run(outages=outages, disk=disk, reboots=(reboot,)))
    assert [(f.name, f.subject, f.severity) for f in found] == [
        ("room-short", "/boot", Severity.STOPS_BOOT),
        ("service-never-back", "ssh-logins", ACCESS),
        ("old-kernel-runs", "kernel", Severity.DATA_AT_RISK),
    ]
    assert "99 of 100 bytes (99%)" in found[0].evidence[0]


def test_a_socket_that_nobody_switched_on_is_no_service_that_is_down() -> None:
    """The service manager's own sockets come and go with its version; one that somebody
    enabled, and one by which one logs in, are graver."""
    was = (
        replace(unit("wiring.socket", "active", "listening"), enabled="static"),
        replace(unit("print.socket", "active", "listening"), enabled="enabled"),
        replace(unit("ssh.socket", "active", "listening"), enabled="static"),
        replace(unit("worker.service", "active", "running"), enabled="static"),
    )
    found = {f.subject: f.severity for f in see(readings({"units": was}, {}))}
    assert found == {
        "wiring.socket": Severity.COSMETIC,
        "print.socket": DOWN,
        "ssh.socket": ACCESS,
        "worker.service": DOWN,
    }


def test_the_kernel_of_before_is_right_where_no_other_came() -> None:
    """An upgrade within a release that brought no kernel: the same one is no finding; with a
    kernel's package it is."""
    reboot = RebootSplit(1, 1, 1, 1, 1, 1, 1, 1, 1, kernel_before="6.1", kernel_after="6.1")
    same = {"release_before": "Debian 12", "release_after": "Debian 12", "reboots": (reboot,)}
    change = PackageChange("linux-image-6.1.0-12-amd64", "installed", "", "6.1.12")
    assert see(make_run(**same, packages=())) == ()
    assert [f.name for f in see(make_run(**same, packages=(change,)))] == ["old-kernel-runs"]


def test_what_was_seen_by_older_rules() -> None:
    """A record's `Seen` has the name that today's rules give the same thing, and is told
    once with it."""
    seen = (
        Seen("service down", "The unit web.service has failed.", "web.service failed"),
        Seen("service down", "The upgrade removes the package agent.", "apt's plan"),
        Seen("odd", "Something else.", "line"),
    )
    bad = unit("web.service", "failed", "failed")
    run = replace(readings({}, {"units": (bad,)}), seen=seen)
    found = {(f.name, f.subject): f for f in see(run)}
    assert set(found) == {
        ("unit-failed", "web.service"),
        ("package-removed", "agent"),
        ("seen", "Something else"),
    }
    assert len(found["unit-failed", "web.service"].evidence) == 2


def test_an_old_record_still_gives_findings(tmp_path: Path) -> None:
    """A record from before inventories were read loads, and tells what it can."""
    record = load_record(RunRecord, DATA / "run-record-shelf01.json")
    assert record.inventories == ()
    names = {f.name for f in see(record)}
    assert {"file-left", "file-put-aside", "check-broke", "seen"} <= names
    path = tmp_path / "record.json"
    new = replace(record, inventories=readings({}, {}).inventories)
    path.write_bytes(dump_record(new))
    assert load_record(RunRecord, path) == new


# --- once, settled, cared for


def make(**parts: Any) -> Finding:
    whole: dict[str, Any] = {
        "name": "a", "severity": DOWN, "title": "A", "subject": "s", "evidence": ("one",),
        "advice": "", "source": "", "witness": Witness.SURVEY,
    }  # fmt: skip
    return Finding(**{**whole, **parts})


def test_the_same_finding_is_one() -> None:
    """Evidence joined, the graver severity, both witnesses, settled only where each is."""
    second = make(
        severity=ACCESS, evidence=("one", "two"), witness=Witness.REHEARSAL, settled="step x"
    )
    (found,) = merge_findings([make(), second])
    assert found == replace(second, evidence=("one", "two"), witness=Witness.BOTH, settled="")
    assert len(merge_findings([make(), make(subject="t")])) == 2


def test_the_gravest_come_first() -> None:
    """Open ones before those that are settled."""
    rows = [make(severity=s, settled=t) for s in reversed(Severity) for t in ("step", "")]
    ordered = order_findings(rows)
    assert [f.severity for f in ordered[::2]] == list(Severity)
    assert [bool(f.settled) for f in ordered[:2]] == [False, True]


HELD = KnownChange(
    "held", "packages", "Held", DOWN, "It stays.", "Look.", "a page",
    PackageIs("rsync", held=True), TextSeen("kept back"), "release-holds",
)  # fmt: skip


def settle(run: RunRecord | None, *cared: Cared) -> str:
    survey, files = build(Host(packages=[deb("rsync", "1", held=True)]))
    known = KnownChanges("debian-12-to-13", (HELD,))
    found = find_findings(Matter(survey, files, known, shipped(), run, cared))
    return next(f for f in found.findings if f.name == "held").settled


def walked(end: StepEnd, *lines: str) -> RunRecord:
    step = StepRecord(
        "release-holds", "", "prepare", "commands", 0.0, 1.0, 0.0, 0.0, end, 0, "", lines
    )
    return make_run(steps=(step,))


def test_a_step_settles_what_it_took_care_of() -> None:
    """Named with its title; unproven before a rehearsal; not when the step failed, was not
    walked, or the rehearsal met the thing all the same."""
    said = "step release-holds: Record held packages and release them"
    assert settle(None) == f"{said} (not rehearsed yet)"
    assert settle(walked(StepEnd.DONE)) == said
    assert settle(walked(StepEnd.FAILED)) == ""
    assert settle(make_run()) == ""
    assert settle(walked(StepEnd.DONE, "rsync was kept back")) == ""


def test_a_person_settles_what_no_step_does() -> None:
    """As the site file says; where a step does it, the step is named."""
    cared = Cared("held", "talk to the vendor", "the operator")
    assert settle(make_run(), cared) == f"{BY_HAND}talk to the vendor (the operator)"
    assert settle(walked(StepEnd.DONE), cared).startswith("step ")
    assert settle(make_run(), replace(cared, subject="another")) == ""


def test_a_person_answers_what_no_survey_can() -> None:
    """The question stays on the list, with the answer and whose it is."""
    survey, files = build(Host())
    unseen = replace(HELD, survey=Unseen("nobody looked"), rehearsal=None)
    known = KnownChanges("debian-12-to-13", (unseen,))
    cared = (Cared("held", "none are used", "the operator"),)
    (row,) = find_findings(Matter(survey, files, known, shipped(), None, cared)).not_known
    assert (row.why, row.answered) == (("nobody looked",), "none are used (the operator)")


def test_a_site_file_names_what_is_done_by_hand(tmp_path: Path) -> None:
    """With the finding's name, what is done and by whom."""
    site = tmp_path / "site.yaml"
    site.write_text(
        "schema: forerun.site/1\nby-hand:\n"
        "  - {finding: held, subject: packages, does: talk to the vendor, by: the operator}\n",
        encoding="utf-8",
    )
    cared = Cared("held", "talk to the vendor", "the operator", "packages")
    assert load_site(site).by_hand == (cared,)


# --- through the pipeline


def test_a_stored_survey_gives_findings(tmp_path: Path) -> None:
    """A survey whose copy was deleted on its date: what lines of files would answer is not
    known, the rest is found; and the decision is no, for want of a rehearsal."""
    store = Store(tmp_path / "home")
    survey, _ = build(Host(packages=[deb("openssh-server", "1:9.2p1-2+deb12u1")]))
    found = find_on_host(store, survey, shipped(), site=Site())
    assert [f.name for f in found.findings] == ["ssh-midway"]
    gone = {row.name for row in found.not_known if "the sanitised copy is not there" in row.why[0]}
    assert {"sysctl-conf", "ssh-dsa", "pam-limits"} <= gone
    decision = decide(found, None)
    assert decision.rule.startswith("Nothing was rehearsed")


def test_the_pipeline_weighs_what_it_is_given() -> None:
    """Earlier completed runs count; a forecast below the agreed level decides."""
    run = make_run()
    both = decide(FindingSet(), run, earlier=[run], chance_to_fit=0.95)
    assert not any("Rehearse once more" in one for one in both.conditions)
    assert "below what was agreed" in decide(FindingSet(), run, chance_to_fit=0.5).rule
