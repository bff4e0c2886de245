"""What a clone's state says of a drill: looks parsed, and what their sequence shows."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forerun.drills.look import (
    History,
    Look,
    Manager,
    extend_history,
    find_changers,
    find_trees,
    has_switched,
    is_simulation,
    list_old,
    parse_look,
    take_look,
    write_look,
)
from forerun.model.profile import SourcePlan
from forerun.testing import FakeClock, FakeGuest

PLAN = SourcePlan((("bookworm", "trixie"), ("bookworm-security", "trixie-security")), "/k", ("A",))
UNITS = ("cron.service", "apt-daily.timer")
SAID = """@@ boot
11111111-2222-3333-4444-555555555555
6.1.0-9-amd64
@@ kernels
6.12.1-amd64
@@ units
active
inactive
@@ failed
shelf.service
@@ managers
812 700 apt-get apt-get -q full-upgrade
830 812 dpkg /usr/bin/dpkg --status-fd 20 --no-triggers --unpack --auto-deconfigure x.deb
@@ locks
/var/lib/dpkg/lock 4711
/var/lib/dpkg/lock-frontend 4712
@@ insecure
@@ status
41
2
@@ held
shelf-web
@@ indexed
deb.example_debian_dists_trixie_InRelease
@@ sources
@@ file /etc/apt/sources.list
deb http://deb.example/debian bookworm main

@@ file /etc/apt/sources.list.d/own.list
deb [trusted=yes] http://own.example/d trixie main
"""


def make_look(at_s: float, **parts: object) -> Look:
    whole: dict[str, object] = {"at_s": at_s, "boot_id": "one", "resting": UNITS, **parts}
    return Look(**whole)  # type: ignore[arg-type]


def test_a_look_has_what_was_said() -> None:
    """Every part of the answer, and what is unsigned by the sources' own options."""
    look = parse_look(SAID, UNITS, 7.0)
    assert (look.at_s, look.kernel, look.newest_kernel) == (7.0, "6.1.0-9-amd64", "6.12.1-amd64")
    assert look.resting == ("apt-daily.timer",)
    assert look.failed == ("shelf.service",)
    assert [one.name for one in look.managers] == ["apt-get", "dpkg"]
    assert dict(look.locks)["/var/lib/dpkg/lock"] == "4711"
    assert (look.changes, look.half_way, look.held) == (41, 2, ("shelf-web",))
    assert look.insecure == ("/etc/apt/sources.list.d/own.list: [trusted=yes",)
    assert look.indexed == ("deb.example_debian_dists_trixie_InRelease",)


@given(st.text(max_size=300) | st.lists(st.sampled_from(SAID.splitlines())).map("\n".join))
def test_any_answer_is_a_look(said: str) -> None:
    """A clone may say anything: what is no answer counts as nothing."""
    look = parse_look(said, UNITS, 1.0)
    assert look.changes >= 0 and look.half_way >= 0


def test_a_clone_that_is_away_gives_a_look_that_says_so() -> None:
    """That is a state, not an error."""
    guest = FakeGuest(FakeClock())
    guest.lost = True
    assert take_look(guest, UNITS, 3.0) == Look(3.0, reachable=False)


def test_the_script_writes_nothing() -> None:
    """It redirects to nowhere but /dev/null, and quotes what it is given."""
    script = write_look(("odd name'.service",))
    assert ">" not in script.replace("2>/dev/null", "")
    assert "'odd name'\"'\"'.service'" in script


@pytest.mark.parametrize(
    ("command", "simulates"),
    [
        ("apt-get -s full-upgrade", True),
        ("apt-get -qs dist-upgrade", True),
        ("apt-get --simulate full-upgrade", True),
        ("apt full-upgrade --dry-run", True),
        ("apt-get -q full-upgrade", False),
        ("apt-get --yes full-upgrade", False),
        ("apt-get install sl", False),
    ],
)
def test_who_only_asks_for_the_plan(command: str, simulates: bool) -> None:
    """apt-get(8): -s, --simulate, --just-print, --dry-run, --no-act, --recon."""
    assert is_simulation(Manager(1, 0, "apt-get", command)) is simulates


def test_a_switch_is_whole_or_none() -> None:
    """Old suites in force, switched off, or beside new ones."""
    old = make_look(0, sources=(("/etc/apt/a.list", "deb http://d.example/ bookworm main\n"),))
    both = make_look(0, sources=(
        ("/etc/apt/a.list", "deb http://d.example/ trixie main\n"),
        ("/etc/apt/b.list", "deb http://d.example/ bookworm-security main\n"),
    ))  # fmt: skip
    new = make_look(0, sources=(
        ("/etc/apt/a.list", "deb http://d.example/ trixie main\n"),
        ("/etc/apt/b.list", "# deb http://d.example/ bookworm-security main\n"),
    ))  # fmt: skip
    assert [has_switched(one, PLAN) for one in (old, both, new)] == [False, False, True]
    assert list_old(both, PLAN) == ("/etc/apt/b.list:1 bookworm-security",)
    assert list_old(new, PLAN) == ()


APT = Manager(10, 1, "apt-get", "apt-get -q full-upgrade")
DPKG = Manager(11, 10, "dpkg", "dpkg --unpack x.deb")
OTHER = Manager(20, 2, "apt-get", "apt-get -q install sl")
ASKS = Manager(21, 2, "dpkg", "dpkg --audit")


def test_one_tree_is_one_manager() -> None:
    """dpkg below apt-get is no second one, nor is one that only asks."""
    look = make_look(1, managers=(APT, DPKG, ASKS))
    assert find_trees(look) == (APT,)
    assert find_changers(look) == (DPKG,)
    assert find_trees(make_look(1, managers=(APT, DPKG, OTHER))) == (APT, OTHER)


def go(*looks: Look, seen: History | None = None) -> History:
    history = seen or History(changes=5, boot_id="one")
    for look in looks:
        history = extend_history(history, look, PLAN, UNITS)
    return history


def test_the_first_of_each_thing_is_kept() -> None:
    """When things first showed; a clone that is away adds nothing."""
    history = go(
        make_look(1, resting=()),
        make_look(2),
        make_look(3, managers=(Manager(9, 1, "apt-get", "apt-get -s full-upgrade"),)),
        Look(4, reachable=False),
        make_look(5, managers=(APT, DPKG), changes=6),
        make_look(6, managers=(APT, DPKG), changes=9),
        make_look(9, boot_id="two", changes=9),
    )
    assert (history.rested_s, history.simulated_s, history.changed_s) == (2, 3, 5)
    assert history.restarted_s == 9
    assert history.active == ()


NEW = (("/etc/apt/sources.list", "deb http://deb.example/debian trixie main\n"),)
OLD = (("/etc/apt/sources.list", "deb http://deb.example/debian bookworm main\n"),)


def test_a_unit_that_ran_when_it_began_is_noted() -> None:
    """Only one that dpkg found at work: packages start their own units again later on."""
    history = go(
        make_look(1, resting=("cron.service",), sources=NEW),
        make_look(2, resting=("cron.service",), managers=(APT, DPKG), sources=NEW),
        make_look(3, resting=(), managers=(APT, DPKG), sources=NEW),
    )
    assert history.active == ("apt-daily.timer",)
    assert (history.changed_s, history.upgraded_s) == (2, 2)
    rested = go(make_look(1, sources=NEW), make_look(2, resting=(), changes=9, sources=NEW))
    assert (rested.upgraded_s, rested.active) == (2, ())
    ran = go(make_look(1, resting=(), sources=NEW), make_look(2, changes=9, sources=NEW))
    assert (ran.upgraded_s, ran.active) == (2, ())
    running = make_look(1, resting=(), sources=NEW)
    never = go(running, replace(running, at_s=2.0, changes=9))
    assert never.active == UNITS


def test_what_is_done_to_the_old_release_is_not_the_upgrade() -> None:
    """Its last point release comes before anything has to rest; dpkg's log grew in that, too."""
    before = go(
        make_look(1, resting=(), sources=OLD),
        make_look(2, resting=(), managers=(APT, DPKG), sources=OLD),
        make_look(3, resting=(), changes=9, sources=OLD),
    )
    assert (before.changed_s, before.upgraded_s, before.active) == (2, -1, ())
    switched = go(make_look(4, changes=9, sources=NEW), seen=before)
    assert switched.upgraded_s == -1
    assert go(make_look(5, changes=12, sources=NEW), seen=switched).upgraded_s == 5


def test_a_source_of_the_old_release_left_beside_is_no_way_out() -> None:
    """Packages change towards the new release all the same."""
    both = (*NEW, ("/etc/apt/sources.list.d/own.list", OLD[0][1]))
    history = go(make_look(2, resting=(), managers=(APT, DPKG), sources=both))
    assert (history.switched_s, history.upgraded_s) == (-1, 2)
    assert history.active == UNITS


def test_changes_between_two_looks_are_seen_in_dpkgs_log() -> None:
    """A quick upgrade falls between two looks."""
    assert go(make_look(1, changes=5)).changed_s == -1
    assert go(make_look(4, changes=6)).changed_s == 4


def test_two_managers_count_when_both_stay() -> None:
    """A second one that ends at once, since the lock is held, has done nothing."""
    both = make_look(2, managers=(APT, DPKG, OTHER))
    assert go(make_look(1, managers=(APT,)), both, make_look(3)).two_managers == ""
    assert "process 20" in go(both, replace(both, at_s=3.0)).two_managers


def test_a_lock_that_goes_under_a_running_manager_is_noted() -> None:
    """Not after a restart, and not where nothing ran."""
    lock, gone = (("/var/lib/dpkg/lock", "7"),), (("/var/lib/dpkg/lock", "8"),)
    held = make_look(1, managers=(APT,), locks=lock)
    assert "/var/lib/dpkg/lock" in go(held, make_look(2, locks=gone)).locks_removed
    assert go(make_look(1, locks=lock), make_look(2, locks=gone)).locks_removed == ""
    assert go(held, make_look(2, locks=gone, boot_id="two")).locks_removed == ""


@pytest.mark.parametrize(
    "look",
    [
        make_look(1, insecure=("APT::Get::AllowUnauthenticated true;",)),
        make_look(1, managers=(Manager(3, 1, "apt-get", "apt-get --allow-unauthenticated x"),)),
    ],
)
def test_signatures_switched_off_are_noted(look: Look) -> None:
    """In a setting or on a command line; once is enough."""
    assert go(look, make_look(2)).insecure.startswith("1 s after the start")
