"""A wall clock that is set while forerun is used: ids, order, retention, index age."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from tests.unit.test_store import keep_run

from forerun.pipeline import find_comparable
from forerun.ports.held import PART
from forerun.ports.labhost import LabHost
from forerun.ports.store import Store
from forerun.stages.clock_watch import (
    DOUBT_S,
    JUMP_S,
    ClockMark,
    judge_clock,
    watch_clock,
)

DAY_S = 86400.0
KEPT = ClockMark("boot-1", 1000.0, 1_770_000_000.0)
NOW = datetime(2026, 1, 31, 22, 0, tzinfo=UTC)


def later(seconds: float, *, moved_s: float = 0.0, boot: str = "boot-1") -> ClockMark:
    return ClockMark(boot, KEPT.uptime_s + seconds, KEPT.wall_s + seconds + moved_s)


@pytest.mark.parametrize("seconds", [0.0, 60.0, 40 * DAY_S])
def test_a_clock_that_runs_is_believed(seconds: float) -> None:
    """However long nobody asked; the mark moves on, so that slow drift never adds up."""
    now = later(seconds, moved_s=JUMP_S / 2)
    finding = judge_clock(KEPT, now)
    assert (finding.moved_s, finding.mark) == (0.0, now)


@pytest.mark.parametrize("moved_s", [9 * DAY_S, -9 * DAY_S, JUMP_S + 1])
def test_a_clock_that_was_set_is_doubted(moved_s: float) -> None:
    """Forth or back; the old mark is kept, with when the doubt began."""
    finding = judge_clock(KEPT, later(60.0, moved_s=moved_s))
    assert finding.moved_s == pytest.approx(moved_s)
    assert finding.mark == replace(KEPT, doubted_at_s=1060.0)
    again = judge_clock(finding.mark, later(3600.0, moved_s=moved_s))
    assert again.moved_s == pytest.approx(moved_s)
    assert again.mark.doubted_at_s == 1060.0


def test_a_clock_that_is_set_right_is_believed_at_once() -> None:
    doubted = judge_clock(KEPT, later(60.0, moved_s=9 * DAY_S)).mark
    finding = judge_clock(doubted, later(120.0))
    assert (finding.moved_s, finding.mark.doubted_at_s) == (0.0, -1.0)


def test_a_clock_that_stays_set_is_believed_after_a_day() -> None:
    doubted = judge_clock(KEPT, later(60.0, moved_s=9 * DAY_S)).mark
    assert judge_clock(doubted, later(60.0 + DOUBT_S - 1, moved_s=9 * DAY_S)).moved_s
    assert judge_clock(doubted, later(60.0 + DOUBT_S, moved_s=9 * DAY_S)).moved_s == 0.0


@pytest.mark.parametrize("kept", [None, replace(KEPT, boot="boot-0")])
def test_nothing_is_known_across_boots(kept: ClockMark | None) -> None:
    now = later(60.0, moved_s=9 * DAY_S)
    assert judge_clock(kept, now).mark == now
    assert judge_clock(kept, now).moved_s == 0.0


def test_the_watch_is_kept_between_commands(tmp_path: Path) -> None:
    """On this machine's own uptime (proc(5)): the second command sees the jump, a third one
    at the right time does not; a damaged file keeps nothing."""
    store, lab = Store(tmp_path / "state"), LabHost()
    assert watch_clock(store, lab, NOW) == 0.0
    assert watch_clock(store, lab, NOW + timedelta(days=40)) == pytest.approx(40 * DAY_S, abs=60)
    assert watch_clock(store, lab, NOW) == 0.0
    for damage in (b"", b"[]", b"{}", b'{"boot": 1}', b"\xff"):
        (store.root / "clock.json").write_bytes(damage)
        assert watch_clock(store, lab, NOW) == 0.0
    assert store.find_unfinished() == ()


# -- ids


def test_ids_sort_by_when_they_were_made_though_the_clock_goes_back(tmp_path: Path) -> None:
    """Five runs, the clock set back by nine days after the second and forth again after the
    fourth: the order of ids is the order of making, and none is twice there."""
    store = Store(tmp_path / "state")
    moments = [0.0, 60.0, -9 * DAY_S, -9 * DAY_S + 60, 120.0]
    made = []
    for seconds in moments:
        run_id = store.draw_id("run", NOW + timedelta(seconds=seconds), store.runs)
        (store.runs / run_id).mkdir()
        made.append(run_id)
    assert made == sorted(made)
    assert len(set(made)) == 5
    assert made[0].startswith("run-20260131-220000-")
    assert made[2].startswith("run-20260131-220101-"), "a second after the latest there is"
    assert made[4].startswith("run-20260131-220200-"), "the clock again, once it is ahead"


def test_ids_of_one_second_sort_too(tmp_path: Path) -> None:
    """Also against one that is still being made."""
    store = Store(tmp_path / "state")
    made = []
    for _ in range(3):
        run_id = store.draw_id("run", NOW, store.runs)
        (store.runs / f"{run_id}{PART}").mkdir()
        made.append(run_id)
    assert made == sorted(made)


@pytest.mark.parametrize("name", ["run-99999999-999999-aaaa", "run-99991231-235959-aaaa", "run-x"])
def test_a_crooked_name_among_them_is_no_trouble(tmp_path: Path, name: str) -> None:
    store = Store(tmp_path / "state")
    (store.runs / name).mkdir()
    assert store.draw_id("run", NOW, store.runs).startswith("run-20260131-220000-")


def test_what_came_before_goes_by_the_ids(tmp_path: Path) -> None:
    """A run made after the clock was set back still has the earlier ones to compare with;
    `last` is the one made last."""
    store = Store(tmp_path / "state")
    first = keep_run(store, "run-20260131-220000-aaaa", started_at="2026-01-31T22:00:00Z")
    last = keep_run(store, "run-20260131-220001-bbbb", started_at="2026-01-22T22:00:00Z")
    assert find_comparable(store, last) == (first,)
    assert find_comparable(store, first) == ()
    assert store.load_run("last") == last
