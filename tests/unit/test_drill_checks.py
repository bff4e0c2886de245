"""Objectives are judged by the clone's state, each with its evidence: right ways pass, short cuts
that leave the state wrong do not."""

from __future__ import annotations

import io
import tarfile
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pytest

from forerun.drills.baseline import Baseline
from forerun.drills.checks import CHECKS, Scene, judge
from forerun.drills.look import History, Look
from forerun.model.drill import CHECK_NAMES, DrillEvent, DrillState, Objective, Standing
from forerun.model.profile import Profile, Site
from forerun.ports.ssh import ExecResult
from forerun.profiles import find_profile, load_profile
from forerun.testing import FakeClock, FakeGuest

PROFILE: Profile = load_profile(find_profile("debian-12-to-13"))
UNITS = ("cron.service",)
BASE = Baseline(
    UNITS, ("old.service",), (), "one", "6.1.0", 5, (("/etc/x.conf", "a" * 64),),
    (("/etc/x.conf", "x"),), ("permitrootlogin no", "port 22"), ("bash 5.2 ii ",), (),
)  # fmt: skip
SWITCHED = (("/etc/apt/sources.list", "deb http://deb.example/debian trixie main\n"),)
OLD = (("/etc/apt/sources.list", "deb http://deb.example/debian bookworm main\n"),)
INDEX = ("deb.example_debian_dists_trixie_InRelease",)
DONE = History(
    changed_s=60.0, upgraded_s=60.0, simulated_s=30.0, rested_s=10.0, changes=5, boot_id="one"
)

# dpkg's lines as a clone's dpkg 1.21 gave them; apt's two are from memory.
AUDIT = """The following packages have been unpacked but not yet configured.
They must be configured using dpkg --configure or the configure
menu option in dselect for them to work:
 linux-image-shelf    practice package linux-image-shelf
 shelf-new            practice package shelf-new

W: a warning that is no finding
E: Unmet dependencies. Try 'apt --fix-broken install' with no packages (or specify a solution).
"""


def look(**parts: object) -> Look:
    whole: dict[str, object] = {
        "at_s": 100.0, "boot_id": "one", "kernel": "6.12.1", "newest_kernel": "6.12.1",
        "sources": SWITCHED, "indexed": INDEX, "changes": 40, **parts,
    }  # fmt: skip
    return Look(**whole)  # type: ignore[arg-type]


def scene(
    seen: History = DONE, now: Look | None = None, answers: Mapping[str, object] | None = None,
    **parts: object,
) -> Scene:  # fmt: skip
    guest = FakeGuest(FakeClock(), answers=dict(answers or {}))  # type: ignore[arg-type]
    whole: dict[str, object] = {
        "guest": guest, "look": now or look(), "seen": seen, "baseline": BASE, "profile": PROFILE,
        "site": Site(), "clock": FakeClock(), "state": DrillState.RUNNING, **parts,
    }  # fmt: skip
    return Scene(**whole)  # type: ignore[arg-type]


def stands(check: str, where: Scene) -> Standing:
    made = judge(Objective("o", "title", check), where)
    assert made.evidence, check
    return made.standing


def test_every_check_is_known_and_no_other() -> None:
    """The names a drill file may use are those that can be judged."""
    assert set(CHECKS) == set(CHECK_NAMES)


@pytest.mark.parametrize("check", CHECK_NAMES)
def test_on_a_clone_that_is_away_nothing_breaks(check: str) -> None:
    """A trainee's clone may be in any state."""
    guest = FakeGuest(FakeClock())
    guest.lost = True
    away = scene(now=Look(100.0, reachable=False))
    away.guest = guest
    judge(Objective("o", "title", check), away)


def pack(path: Path, *names: str) -> Path:
    with tarfile.open(path, "w:gz") as archive:
        for name in names:
            archive.addfile(tarfile.TarInfo(name), io.BytesIO())
    return path


WHOLE = ("etc/passwd", "var/lib/dpkg/status", "package-selections")


@pytest.mark.parametrize(
    ("names", "at_s", "wanted"),
    [
        (WHOLE, 20.0, Standing.MET),
        (tuple(f"./{name}" for name in WHOLE), 20.0, Standing.MET),
        ((*WHOLE[:2], "root/package-selections"), 20.0, Standing.MET),
        (WHOLE, 70.0, Standing.LOST),
        (WHOLE[:1], 20.0, Standing.LOST),
    ],
)
def test_a_backup_is_whole_and_off_before_anything_changes(
    tmp_path: Path, names: tuple[str, ...], at_s: float, wanted: Standing
) -> None:
    """After the first change, or without what a rebuild needs, it is none."""
    taken = ((pack(tmp_path / "c.tar.gz", *names), at_s),)
    assert stands("configuration-taken-off", scene(taken=taken)) is wanted


def test_a_backup_can_still_be_taken_while_nothing_changed(tmp_path: Path) -> None:
    """So can one that was no archive be taken again."""
    (tmp_path / "c.tar.gz").write_bytes(b"no tar")
    before = History(changes=5, boot_id="one")
    assert stands("configuration-taken-off", scene(before)) is Standing.NOT_YET
    spoilt = scene(before, taken=((tmp_path / "c.tar.gz", 5.0),))
    assert stands("configuration-taken-off", spoilt) is Standing.NOT_YET


@pytest.mark.parametrize(
    ("simulated_s", "shown_s", "upgraded_s", "wanted"),
    [
        (30.0, -1.0, 60.0, Standing.MET),
        (-1.0, 30.0, 60.0, Standing.MET),
        (-1.0, 70.0, 60.0, Standing.LOST),
        (-1.0, -1.0, -1.0, Standing.NOT_YET),
        (30.0, -1.0, -1.0, Standing.MET),
    ],
)
def test_a_plan_counts_before_the_change(
    simulated_s: float, shown_s: float, upgraded_s: float, wanted: Standing
) -> None:
    """Whichever way it was looked at."""
    seen = replace(DONE, simulated_s=simulated_s, changed_s=5.0, upgraded_s=upgraded_s)
    assert stands("plan-read", scene(seen, plan_shown_s=shown_s)) is wanted


def test_what_must_rest() -> None:
    """At rest when packages began to change; one seen running then cannot be made good."""
    assert stands("services-rested", scene()) is Standing.MET
    assert stands("services-rested", scene(replace(DONE, active=UNITS))) is Standing.LOST
    assert stands("services-rested", scene(History())) is Standing.NOT_YET
    # The old release was brought up to date, no more.
    assert stands("services-rested", scene(History(changed_s=5.0))) is Standing.NOT_YET
    assert stands("services-resumed", scene()) is Standing.MET
    assert stands("services-resumed", scene(now=look(resting=UNITS))) is Standing.NOT_YET


def test_sources() -> None:
    """Switched, verified, and nothing of the old release or without an index in force."""
    assert stands("sources-switched", scene()) is Standing.MET
    assert stands("sources-switched", scene(now=look(sources=OLD))) is Standing.NOT_YET
    assert stands("sources-switched", scene(now=look(indexed=()))) is Standing.NOT_YET
    assert stands("sources-switched", scene(now=look(insecure=("x",)))) is Standing.NOT_YET
    assert stands("old-sources-gone", scene()) is Standing.MET
    assert stands("old-sources-gone", scene(now=look(sources=OLD))) is Standing.NOT_YET
    vendor = (*SWITCHED, ("/etc/apt/sources.list.d/v.list", "deb http://v.example/d x main\n"))
    assert stands("old-sources-gone", scene(now=look(sources=vendor))) is Standing.NOT_YET


def test_what_cannot_be_made_good_is_lost() -> None:
    """Signatures switched off, two managers, locks taken away."""
    for check, part in (
        ("signatures-kept", "insecure"),
        ("one-package-manager", "two_managers"),
        ("one-package-manager", "locks_removed"),
    ):
        assert stands(check, scene()) is Standing.MET
        spoilt = scene(replace(DONE, **{part: "seen"}))  # type: ignore[arg-type]
        assert stands(check, spoilt) is Standing.LOST


def test_packages_are_whole_when_the_package_manager_says_so() -> None:
    """Nothing of dpkg --audit, nothing of apt-get check."""
    assert stands("packages-whole", scene()) is Standing.MET
    audit = {"dpkg --audit": "The following packages are half configured"}
    assert stands("packages-whole", scene(answers=audit)) is Standing.NOT_YET
    found = judge(
        Objective("o", "title", "packages-whole"), scene(answers={"dpkg --audit": AUDIT})
    ).evidence
    assert found == (
        "half way by dpkg --audit: linux-image-shelf, shelf-new; "
        "E: Unmet dependencies. Try 'apt --fix-broken install' with no packages (or specify a "
        "solution)."
    )


PLAN_LEFT = (
    "Inst bash [5.2] (5.3 Debian:13 [amd64])\n"
    "1 upgraded, 0 newly installed, 0 to remove and 0 not upgraded.\n"
)
KEPT = (
    "The following packages have been kept back:\n  bash\n"
    "0 upgraded, 0 newly installed, 0 to remove and 1 not upgraded.\n"
)


@pytest.mark.parametrize(
    ("said", "wanted"),
    [
        ("0 upgraded, 0 newly installed, 0 to remove and 0 not upgraded.\n", Standing.MET),
        (PLAN_LEFT, Standing.NOT_YET),
        (KEPT, Standing.NOT_YET),
        (ExecResult(100, b"", b"E: broken"), Standing.NOT_YET),
    ],
)
def test_all_is_upgraded_when_nothing_is_left_to_do(said: object, wanted: Standing) -> None:
    """What is kept back is not upgraded."""
    assert stands("all-upgraded", scene(answers={"full-upgrade": said})) is wanted


def test_what_is_half_way_is_not_upgraded() -> None:
    """Unpacked, with nothing more to fetch: the package manager's plan has no line for it."""
    nothing = {"full-upgrade": "0 upgraded, 0 newly installed, 0 to remove and 0 not upgraded.\n"}
    half = scene(now=look(half_way=3), answers=nothing)
    assert stands("all-upgraded", half) is Standing.NOT_YET


def test_the_newest_kernel_runs_after_a_restart() -> None:
    """Not before one, and not the old one."""
    restarted = replace(DONE, restarted_s=90.0)
    assert stands("new-kernel-running", scene()) is Standing.NOT_YET
    assert stands("new-kernel-running", scene(restarted, look(boot_id="two"))) is Standing.MET
    early = replace(DONE, restarted_s=20.0)
    assert stands("new-kernel-running", scene(early, look(boot_id="two"))) is Standing.NOT_YET
    old = look(boot_id="two", kernel="6.1.0")
    assert stands("new-kernel-running", scene(restarted, old)) is Standing.NOT_YET


def test_a_unit_that_had_failed_before_is_not_the_trainees() -> None:
    """Only new ones count."""
    assert stands("no-unit-failed", scene(now=look(failed=("old.service",)))) is Standing.MET
    assert stands("no-unit-failed", scene(now=look(failed=("new.service",)))) is Standing.NOT_YET


def test_edited_files_are_as_they_were() -> None:
    """By their digests."""
    same = {"sha256sum": f"{'a' * 64}  /etc/x.conf\n"}
    other = {"sha256sum": f"{'b' * 64}  /etc/x.conf\n"}
    assert stands("configuration-as-decided", scene(answers=same)) is Standing.MET
    assert stands("configuration-as-decided", scene(answers=other)) is Standing.NOT_YET


def test_the_way_in_is_as_it_was() -> None:
    """Who may log in, by the SSH server's own reading of its configuration."""
    same = {"sshd -T": "port 22\npermitrootlogin no\nx11forwarding no\n"}
    other = {"sshd -T": "port 22\npermitrootlogin yes\n"}
    broken = {"sshd -T": ExecResult(255, b"", b"bad")}
    assert stands("way-in-kept", scene(answers=same)) is Standing.MET
    assert stands("way-in-kept", scene(answers=other)) is Standing.NOT_YET
    assert stands("way-in-kept", scene(answers=broken)) is Standing.NOT_YET


def event(kind: str, at_s: float) -> DrillEvent:
    return DrillEvent("2026-01-31T22:00:00Z", at_s, 1, kind, kind, "the archive is gone")


@pytest.mark.parametrize(
    ("called_s", "now_s", "wanted"),
    [
        (800.0, 810.0, Standing.MET),
        (900.0, 901.0, Standing.MET),
        (901.0, 910.0, Standing.LOST),
        (-1.0, 899.0, Standing.NOT_YET),
        (-1.0, 901.0, Standing.LOST),
    ],
)
def test_the_back_out_has_a_latest_moment(called_s: float, now_s: float, wanted: Standing) -> None:
    """Called by then it counts; not called by then it is lost."""
    events = (event("call", called_s),) if called_s >= 0 else ()
    where = scene(now=look(at_s=now_s), events=events, latest_s=900.0)
    assert stands("back-out-called-in-time", where) is wanted


def test_back_where_it_was() -> None:
    """Only after the back-out was called: the same packages, files and services."""
    same = {"dpkg-query -W": "bash 5.2 ii \n--- files ---\n"}
    back = scene(answers=same, state=DrillState.BACKED_OUT)
    assert stands("state-as-before", back) is Standing.MET
    assert stands("state-as-before", scene(answers=same)) is Standing.NOT_YET
    other = {"dpkg-query -W": "bash 5.3 ii \n--- files ---\n"}
    changed = scene(answers=other, state=DrillState.BACKED_OUT)
    assert stands("state-as-before", changed) is Standing.NOT_YET


def test_a_note_counts_from_when_the_night_left_its_plan() -> None:
    """One made before is about something else."""
    assert stands("decision-noted", scene(events=(event("note", 50.0),))) is Standing.MET
    early = scene(events=(event("note", 50.0),), first_inject_s=60.0)
    assert stands("decision-noted", early) is Standing.NOT_YET
