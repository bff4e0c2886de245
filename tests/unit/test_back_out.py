"""What a way back is proved by: checks, packages and files, then and now."""

from __future__ import annotations

import hashlib

from forerun.model.observation import CheckResult
from forerun.stages.back_out import OldState, compare_checks, compare_states, read_state
from forerun.testing import FakeClock, FakeGuest


def digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def test_a_state_is_read_from_the_clones_own_tools() -> None:
    """dpkg-query(1) and sha256sum(1); files that the system writes by itself do not count."""
    guest = FakeGuest(
        FakeClock(),
        answers={
            "dpkg-query": f"nano 7.2-1 ii \nrsync 3.2.7-1 hi \n--- files ---\n"
            f"{digest('a')}  etc/a b\n{digest('x')}  etc/adjtime\n"
        },
    )
    state = read_state(guest)
    assert state.packages == {"nano 7.2-1 ii ", "rsync 3.2.7-1 hi "}
    assert state.files == {("etc/a b", digest("a"))}


def test_differences_are_named() -> None:
    before = OldState(frozenset({"nano 7.2-1 ii"}), frozenset({("etc/a", "1"), ("etc/b", "2")}))
    files = {("etc/a", "9"), ("etc/c", "3"), ("etc/own/k", "4")}
    now = OldState(frozenset({"nano 8.4-1 ii"}), frozenset(files))
    assert compare_states(before, before) == ()
    assert compare_states(before, now, without=("etc/own/",)) == (
        "package now: nano 8.4-1 ii",
        "package then: nano 7.2-1 ii",
        "file differs: /etc/a",
        "file gone: /etc/b",
        "file new: /etc/c",
    )


def result(name: str, ended: str) -> CheckResult:
    return CheckResult(name, name, "before", ended, "", "must")


def test_a_check_that_ends_otherwise_is_named() -> None:
    """Also one that failed before and passes now: it is not the old state."""
    before = [result("a", "pass"), result("b", "fail"), result("c", "skipped")]
    now = [result("a", "fail"), result("b", "pass"), result("c", "skipped"), result("d", "pass")]
    assert compare_checks(before, now) == (
        "check a: pass then, fail now",
        "check b: fail then, pass now",
        "check d: not run then, pass now",
    )
