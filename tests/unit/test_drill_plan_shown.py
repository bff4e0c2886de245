"""A plan that a recorded terminal showed counts from when the trainee's clock began."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from forerun.drills.plan_shown import find_plan_shown
from forerun.ports.asciicast import CastRecorder
from forerun.testing import FakeClock

BEGAN = "2026-01-31T22:00:00Z"
PLAN = "Inst bash [5.2] (5.3 Debian:13 [amd64])\r\n"
ASKED = "3 upgraded, 1 newly installed, 0 to remove and 0 not upgraded.\r\n"


def record(path: Path, *shown: tuple[float, str]) -> Path:
    clock = FakeClock()
    began = datetime(2026, 1, 31, 22, 0, 10, tzinfo=UTC)
    with CastRecorder(
        path, columns=80, rows=24, started_at=began, title="t", clock=clock
    ) as recorder:
        for at_s, text in shown:
            clock.sleep(at_s - clock.monotonic())
            recorder.output(text.encode())
    return path


@pytest.mark.parametrize("text", [PLAN, ASKED, PLAN[:9]])
def test_a_plan_counts_from_the_clocks_beginning(tmp_path: Path, text: str) -> None:
    """By the terminal's own beginning and its events, whole lines or in pieces."""
    rest = (PLAN[9:],) if text == PLAN[:9] else ()
    path = record(tmp_path / "a.cast", (1.0, "$ \r\n"), (5.0, text), *((6.0, one) for one in rest))
    assert find_plan_shown([path], BEGAN) == (16.0 if rest else 15.0)


def test_what_was_shown_before_does_not_count(tmp_path: Path) -> None:
    """A reset begins the clock anew; nor does a line that only looks like one."""
    path = record(tmp_path / "a.cast", (5.0, PLAN), (9.0, "apt says: Inst nothing\r\n"))
    assert find_plan_shown([path], "2026-01-31T22:00:17Z") == -1.0
    assert find_plan_shown([path], "") == -1.0


def test_a_spoilt_recording_showed_none(tmp_path: Path) -> None:
    """It stands in nobody's way, and hides no other."""
    bad = tmp_path / "a.cast"
    bad.write_text("no recording")
    good = record(tmp_path / "b.cast", (5.0, PLAN))
    assert find_plan_shown([bad, good], BEGAN) == 15.0
    assert find_plan_shown([bad, tmp_path / "none.cast"], BEGAN) == -1.0
