"""Injects: each kind is known, happens at its moment, and is seen to be mended by the state."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from forerun.drills.baseline import Baseline
from forerun.drills.chronicle import Chronicle
from forerun.drills.folder import DrillFolder
from forerun.drills.injector import Injector
from forerun.drills.injects import KINDS, VENDOR_HOST, Ground, find_moment, has_come
from forerun.drills.look import History, Look, Manager
from forerun.model.drill import (
    INJECT_NAMES,
    DrillFile,
    DrillRecord,
    DrillState,
    Inject,
    Moment,
    Objective,
)
from forerun.model.profile import ServiceProbe, Site
from forerun.ports.gateway import Trouble
from forerun.ports.ssh import ExecResult
from forerun.profiles import find_profile, load_drill, load_profile
from forerun.testing import FakeClock, FakeGuest

PROFILE = load_profile(find_profile("debian-12-to-13"))
SITE = Site(services=(ServiceProbe("web", 80, "http", units=("shelf-web.service",)),))
BASE = Baseline(
    ("cron.service",), (), (), "one", "6.1", 5, (("/etc/x.conf", "a" * 64),),
    (("/etc/x.conf", "x"),), ("port 22",), (), (),
)  # fmt: skip
DPKG = Manager(11, 10, "dpkg", "dpkg --unpack x.deb")


def make_ground(
    answers: dict[str, object] | None = None, cut: Callable[[], None] = lambda: None
) -> Ground:
    guest = FakeGuest(FakeClock(), answers=answers or {})  # type: ignore[arg-type]
    return Ground(guest, Trouble(), PROFILE, SITE, BASE, cut)


def ran(ground: Ground) -> str:
    guest = ground.guest
    assert isinstance(guest, FakeGuest)
    return "\n".join(guest.ran)


def test_every_kind_is_known_and_no_other() -> None:
    """The names a drill file may use are those that can be let happen."""
    assert set(KINDS) == set(INJECT_NAMES)


def test_every_kind_happens_on_a_real_guest() -> None:
    """The two nights that tests/vm/test_long_night.py plays leave none out."""
    data = Path(__file__).parents[1] / "data"
    nights = [load_drill(data / f"drill-{name}-night.yaml") for name in ("long", "other")]
    assert {one.kind for night in nights for one in night.injects} == set(INJECT_NAMES)


@pytest.mark.parametrize("name", INJECT_NAMES)
def test_a_clone_that_refuses_gives_a_reason(name: str) -> None:
    """An inject that cannot be laid says why, and breaks nothing: here every script fails."""
    ground = make_ground({"": ExecResult(1, b"there is no such thing\n", b"")})
    why = KINDS[name].lay(ground)
    if name not in ("power-cut", "archive-slow", "archive-gone"):
        assert isinstance(why, str)


@pytest.mark.parametrize("name", INJECT_NAMES)
def test_a_clone_that_is_away_is_not_mended(name: str) -> None:
    """No answer is no proof, but for the archive, which is not the clone's."""
    if name.startswith("archive"):
        return
    told = KINDS[name].judge(make_ground(), Look(9.0, reachable=False), History(restarted_s=5.0))
    assert not told.gone and told.text


def test_a_step_is_known_by_the_state_it_brings() -> None:
    """Its action says which; a step that leaves no trace cannot be waited for."""

    def moment(step: str) -> Moment | None:
        return find_moment(Inject("i", "power-cut", "t", step=step), PROFILE)

    by_action = {step.action.value: step.name for step in PROFILE.steps}
    assert moment(by_action["switch-sources"]) is Moment.SWITCHED
    assert moment(by_action["quiesce"]) is Moment.RESTING
    assert moment(by_action["reboot"]) is Moment.RESTARTED
    assert moment("full-upgrade") is Moment.UNPACKING
    with pytest.raises(ValueError, match="no state"):
        moment(by_action["simulate"])
    with pytest.raises(ValueError, match="no step"):
        moment("nowhere")
    assert find_moment(Inject("i", "power-cut", "t", at_s=60.0), PROFILE) is None


def test_moments_come_by_what_was_seen() -> None:
    """Those of dpkg's own work are told by dpkg, not by looks."""
    assert has_come(Moment.START, History())
    assert not has_come(Moment.SWITCHED, History())
    assert has_come(Moment.SWITCHED, History(switched_s=0.0))
    assert has_come(Moment.RESTARTED, History(restarted_s=3.0))
    assert not has_come(Moment.UNPACKING, History(changed_s=3.0))


VENDOR = (("/etc/apt/sources.list.d/v.list", f"deb http://{VENDOR_HOST}/agent x main\n"),)
OFF = (("/etc/apt/sources.list.d/v.list", f"# deb http://{VENDOR_HOST}/agent x main\n"),)


@pytest.mark.parametrize(
    ("name", "trouble", "mended"),
    [
        ("session-lost", Look(9.0, half_way=3), Look(9.0)),
        ("session-lost", Look(9.0, managers=(DPKG,)), Look(9.0)),
        ("vendor-without-suite", Look(9.0, sources=VENDOR), Look(9.0, sources=OFF)),
        ("held-package", Look(9.0, held=("shelf-web",)), Look(9.0)),
        ("interface-renamed", Look(9.0, reachable=False), Look(9.0)),
        ("script-hangs", Look(9.0, half_way=1), Look(9.0)),
    ],
)
def test_the_state_says_whether_it_is_mended(name: str, trouble: Look, mended: Look) -> None:
    """Each by what it left behind."""
    seen = History(changed_s=3.0, restarted_s=5.0)
    assert not KINDS[name].judge(make_ground(), trouble, seen).gone
    assert KINDS[name].judge(make_ground(), mended, seen).gone


def test_the_way_in_is_judged_when_the_upgrade_is_over() -> None:
    """Between two packages nothing is half way, and the question on the SSH daemon's file may
    still be to come."""
    ground = make_ground({"sshd -T": "port 22\n"})
    judge = KINDS["login-question"].judge
    assert not judge(ground, Look(9.0, changes=5), History()).gone
    assert not judge(ground, Look(9.0, changes=40, managers=(DPKG,)), History()).gone
    assert not judge(ground, Look(9.0, changes=40, half_way=1), History()).gone
    assert judge(ground, Look(9.0, changes=40), History()).gone
    other = make_ground({"sshd -T": "port 2222\n"})
    assert not judge(other, Look(9.0, changes=40), History()).gone


def test_a_service_that_stays_down_is_judged_after_the_restart() -> None:
    """Before it, it runs on as it did."""
    up = make_ground({"is-active": "active\n"})
    down = make_ground({"is-active": "failed\n"})
    after = History(restarted_s=5.0)
    assert not KINDS["service-stays-down"].judge(up, Look(9.0), History()).gone
    assert not KINDS["service-stays-down"].judge(down, Look(9.0), after).gone
    assert KINDS["service-stays-down"].judge(up, Look(9.0), after).gone


def make_injector(
    path: Path, ground: Ground, *injects: Inject, state: DrillState = DrillState.RUNNING
) -> tuple[Chronicle, Injector]:
    objective = Objective("o", "t", "packages-whole")
    drill = DrillFile("d", "t", "alone", "x", (objective,), injects, 3600.0, 0.0)
    record = DrillRecord(
        "drill-1", drill, "p", state, "2026-01-31T22:00:00Z", "h", "s", "p", "0" * 64,
        drawn=tuple(one.name for one in injects), began_at="2026-01-31T22:00:00Z",
    )  # fmt: skip
    folder = DrillFolder(path)
    folder.save(record)
    chronicle = Chronicle(folder, FakeClock())
    return chronicle, Injector(chronicle, ground)


def test_an_inject_happens_once_and_is_mended_once(tmp_path: Path) -> None:
    """At its moment, on the event line and on disk; not again when it has been mended."""
    ground = make_ground()
    inject = Inject("v", "vendor-without-suite", "A vendor has nothing", when=Moment.SWITCHED)
    chronicle, injector = make_injector(tmp_path, ground, inject)
    injector.go_on(Look(1.0), History())
    assert not chronicle.record.events
    switched = History(switched_s=1.0)
    injector.go_on(Look(2.0, sources=VENDOR), switched)
    injector.go_on(Look(3.0, sources=VENDOR), switched)
    injector.go_on(Look(4.0, sources=OFF), switched)
    injector.go_on(Look(5.0, sources=VENDOR), switched)
    assert [one.kind for one in chronicle.record.events] == ["inject", "mended"]
    assert ran(ground).count(VENDOR_HOST) == 1
    (course,) = DrillFolder(tmp_path).load().injects
    assert course.struck_s >= 0 and course.mended_s >= 0 and "switched off" in course.detection


def test_one_that_cannot_happen_says_why_and_is_left(tmp_path: Path) -> None:
    """On the event line, and not tried again and again."""
    ground = replace(make_ground(), site=Site())
    inject = Inject("s", "service-stays-down", "It stays down", at_s=0.0)
    chronicle, injector = make_injector(tmp_path, ground, inject)
    injector.go_on(Look(1.0), History())
    injector.go_on(Look(2.0), History())
    (course,) = chronicle.record.injects
    assert "no unit" in course.why and course.struck_s < 0
    assert len(chronicle.record.events) == 1


def test_dpkg_is_held_until_the_inject_is_done(tmp_path: Path) -> None:
    """The watcher is laid first, the effect follows its mark, then dpkg goes on."""
    cuts: list[str] = []
    guest_ground = make_ground(cut=lambda: cuts.append("cut"))
    inject = Inject("p", "power-cut", "Power is cut", when=Moment.CONFIGURING)
    chronicle, injector = make_injector(tmp_path, guest_ground, inject)
    injector.go_on(Look(1.0), History())
    injector.poll()
    assert cuts == []
    guest = guest_ground.guest
    assert isinstance(guest, FakeGuest)
    guest.files["/var/lib/forerun-fault/struck"] = b"status: x: half-configured\n"
    injector.poll()
    assert cuts == ["cut"]
    assert chronicle.record.injects[0].struck_s >= 0
    assert "pkill -CONT -x dpkg" in ran(guest_ground)


def test_the_archives_trouble_outlives_its_keeper(tmp_path: Path) -> None:
    """A keeper that takes over makes it wrong again; it ends with its limit."""
    ground = make_ground()
    inject = Inject("a", "archive-gone", "It is gone", at_s=0.0, limit_s=60.0)
    chronicle, injector = make_injector(tmp_path, ground, inject)
    injector.go_on(Look(1.0), History())
    assert ground.trouble.kind == "gone"
    other = make_ground()
    Injector(chronicle, other).restore_trouble()
    assert other.trouble.kind == "gone"
    clock = chronicle._clock
    assert isinstance(clock, FakeClock)
    clock.sleep(61)
    injector.go_on(Look(62.0), History())
    assert ground.trouble.kind == ""


@pytest.mark.parametrize(
    ("there", "changed"),
    [
        ({"/etc/x.conf": "a"}, ()),
        ({"/etc/x.conf": "b"}, ("/etc/x.conf",)),
        ({}, ("/etc/x.conf",)),
        ({"/etc/x.conf.dpkg-bak": "a"}, ()),
        ({"/etc/x.conf.dpkg-bak": "b"}, ("/etc/x.conf",)),
        ({"/etc/x.conf": "b", "/etc/x.conf.dpkg-bak": "a"}, ("/etc/x.conf",)),
    ],
)
def test_an_edited_file_that_its_package_gave_up_is_as_it_was(
    there: dict[str, str], changed: tuple[str, ...]
) -> None:
    """dpkg-maintscript-helper(1), rm_conffile: an edited one is kept with .dpkg-bak behind it, and
    nobody is asked. In its place nothing may lie but what was there."""
    said = "".join(f"{digest * 64}  {path}\n" for path, digest in there.items())
    guest = FakeGuest(FakeClock(), answers={"sha256sum": said})
    assert BASE.list_changed(guest) == changed
