"""A clone is timed by production's own text, and the lab host's load stands beside it."""

from __future__ import annotations

import shlex
from pathlib import Path

import pytest

from forerun.distro.debian import Debian
from forerun.distro.speed_kit import KIT
from forerun.errors import CloneUnreachable
from forerun.model.speed import Work
from forerun.ports.clock import format_instant
from forerun.ports.labhost import LabHost
from forerun.ports.production import ProbeName
from forerun.ports.ssh import ExecResult
from forerun.stages.clone_speed import read_clone_speed
from forerun.testing import FakeClock, FakeGuest

SAID = (Path(__file__).parents[1] / "data" / "debian12" / "calibration").read_text()


def test_the_text_is_productions() -> None:
    """The very probe of a survey, in the same wrapping of priority, language and path."""
    guest = FakeGuest(FakeClock(), answers={"forerun-speed": SAID})
    read_clone_speed(guest, LabHost(), FakeClock())
    (script,) = guest.ran
    assert Debian().probes(calibrate=True)[ProbeName.CALIBRATION] == KIT
    words = shlex.split(script)
    assert words[-3:] == ["sh", "-c", KIT]
    assert "nice -n 19" in script and "ionice -c 3" in script and "LC_ALL=C" in words


def test_a_reading_has_the_lab_hosts_load_and_no_link() -> None:
    """Figures of the clone, time and load of the lab host."""
    guest = FakeGuest(FakeClock(), answers={"forerun-speed": SAID})
    reading = read_clone_speed(guest, LabHost(), FakeClock())
    assert reading is not None
    assert reading.taken_at == "2026-01-31T22:00:00Z"
    assert {speed.work for speed in reading.speeds} == set(Work) - {Work.LINK}
    assert reading.load is not None
    assert reading.load.run_queue == pytest.approx(LabHost().mark_load(0).run_queue, abs=1)


def test_a_reading_is_of_when_it_began() -> None:
    """As production's is, not of when it ended."""
    clock = FakeClock()

    def time_late(_: str) -> ExecResult:
        clock.sleep(13)
        return ExecResult(0, SAID.encode(), b"")

    guest = FakeGuest(clock, answers={"forerun-speed": time_late})
    reading = read_clone_speed(guest, LabHost(), clock)
    assert reading is not None
    assert reading.taken_at == "2026-01-31T22:00:00Z"
    assert format_instant(clock.now()) == "2026-01-31T22:00:13Z"


def test_a_clone_without_an_answer_has_no_reading() -> None:
    """Garbage is none; one that is away says so."""
    guest = FakeGuest(FakeClock(), answers={"forerun-speed": "\x1b[2J no"})
    assert read_clone_speed(guest, LabHost(), FakeClock()) is None
    guest.lost = True
    with pytest.raises(CloneUnreachable):
        read_clone_speed(guest, LabHost(), FakeClock())
