"""Drills on real guests, played at a real terminal by the reference player."""

from __future__ import annotations

import json
import os
import re
import signal
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from forerun.drills.folder import DrillFolder
from forerun.model.blueprint import TemplateInfo
from forerun.model.drill import DrillState, Standing
from forerun.pipeline_bench import Bench
from forerun.profiles import list_drills
from tests.practice.archive import HERE, PracticeArchive
from tests.practice.player import Player
from tests.practice.plays import PLAYS, Play, play_turn_back
from tests.vm import lab
from tests.vm.program import Program, find_word

pytestmark = [pytest.mark.vm, pytest.mark.timeout(3000)]


class Ground:
    """Starts drills of the practice server."""

    def __init__(
        self, program: Program, survey: str, template: TemplateInfo, archive: PracticeArchive,
        bench: Bench,
    ) -> None:  # fmt: skip
        self.program = program
        self.bench = bench
        self._survey = survey
        self._template = template
        self._profile = archive.write_profile(program.folder / "drill-profile.yaml")

    def start(self, drill: str, seed: int = 1) -> DrillFolder:
        """A started drill, ready to be played."""
        output = self.program.run(
            "drill", "start", drill, "--survey", self._survey, "--profile", str(self._profile),
            "--site", str(HERE / "site.yaml"), "--cpus", "1", "--memory", "512MiB",
            "--template", self._template.id, "--seed", str(seed),
        )  # fmt: skip
        return DrillFolder(self.bench.store.drills / find_word(output, "drill"))

    def player(self) -> Player:
        """Who plays it."""
        return Player(self.program.folder, {"FORERUN_HOME": str(lab.STATE)})


@pytest.fixture(scope="module")
def ground(
    program: Program,
    survey_id: str,
    practised: TemplateInfo,
    practice: PracticeArchive,
    bench: Bench,
) -> Ground:
    return Ground(program, survey_id, practised, practice, bench)


@pytest.fixture(scope="module")
def turned(ground: Ground) -> Iterator[DrillFolder]:
    """The drill that must be backed out, ready to be played."""
    folder = ground.start("turn-back")
    yield folder
    ground.program.run("sweep", "--run", folder.id)


def test_terminals_and_keeper_may_be_killed(turned: DrillFolder, ground: Ground) -> None:
    """A terminal that is killed loses nothing, nor does the keeper's own death: the next
    command goes on, the clone and its state are the same; a sweep leaves it alone."""
    player = ground.player()
    with player.shell() as shell:
        shell.do("echo here > /root/i-was-here", exits=0)
        os.kill(shell.child.pid, signal.SIGKILL)
        shell.child.close()
    began = turned.load().began_at
    ground.program.run("sweep")
    assert turned.is_kept()
    keepers = _find_keepers(turned)
    assert len(keepers) == 1
    os.kill(keepers[0], signal.SIGKILL)
    time.sleep(1)
    assert not turned.is_kept()
    with player.shell() as shell:
        assert "here" in shell.do("cat /root/i-was-here", exits=0)
    assert turned.load().began_at == began
    assert turned.load().state is DrillState.RUNNING
    assert len(turned.list_casts()) == 2


def test_a_reset_undoes_what_was_done(
    turned: DrillFolder, ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    """Back at the hold point; its time stands beside that of a cold start, and a new attempt
    begins."""
    player = ground.player()
    said = player.command("reset")
    record = turned.load()
    (_, took_s) = record.resets[-1]
    with capsys.disabled():
        sys.stdout.write(f"\nback in {took_s:.1f} s; cold start {record.cold_start_s:.1f} s\n")
    assert took_s > 0
    assert f"{took_s:.1f} s" in said
    assert record.attempt == 2
    with player.shell() as shell:
        shell.do("test ! -e /root/i-was-here", exits=0)


def test_turned_back_in_time_is_passed(turned: DrillFolder, ground: Ground) -> None:
    """Played by the runbook: passed, with the evidence of each objective, what became of the
    inject, and the lesson in every form of the debrief; nothing of the clone is left."""
    player = ground.player()
    play_turn_back(player)
    player.command("finish")
    record = turned.load()
    assert record.passed, record.verdict
    assert record.state is DrillState.FINISHED
    standing = {one.name: one.standing for one in record.judged}
    assert set(standing.values()) == {Standing.MET}, record.judged
    (course,) = record.injects
    assert course.struck_s > 0
    lesson = record.drill.injects[0].lesson.split(",")[0]
    for form in ("debrief.md", "debrief.html", "debrief.json"):
        text = re.sub(r"\s+", " ", (turned.path / form).read_text(encoding="utf-8"))
        assert lesson in text, form
    assert json.loads((turned.path / "debrief.json").read_text())["schema"] == "forerun.debrief/1"
    assert ground.bench.store.ledger.find(turned.id) == ()
    assert not (ground.bench.store.machines / turned.id).exists()
    assert not turned.is_kept()
    assert "turn-back" in player.command("list", "--progress")


@pytest.mark.full
@pytest.mark.parametrize("play", PLAYS, ids=lambda play: f"{play.drill}: {play.name}")
def test_right_ways_pass_and_wrong_ones_fail_where_they_are_wrong(
    ground: Ground, play: Play, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each shipped drill, played by the runbook and in every typical wrong way."""
    folder = ground.start(play.drill, play.seed)
    player = ground.player()
    began = time.monotonic()
    play.act(player)
    player.command("finish", exits=3 if play.fails else 0)
    with capsys.disabled():
        verdict, took_s = folder.load().verdict, time.monotonic() - began
        sys.stdout.write(f"\n{play.name}: {verdict} ({took_s:.0f} s)\n")
    _check_play(play, folder)


def test_each_shipped_drill_is_played_well_and_badly() -> None:
    """No drill is left out."""
    shipped = {path.stem for path in list_drills()}
    assert {play.drill for play in PLAYS if not play.fails} == shipped
    assert {play.drill for play in PLAYS if play.fails} == shipped


def _check_play(play: Play, folder: DrillFolder) -> None:
    record = folder.load()
    failed = {one.name for one in record.judged if one.standing is not Standing.MET}
    critical = {one.name for one in record.drill.objectives if one.critical}
    assert set(play.fails) <= failed, (play.name, record.judged)
    assert failed & critical <= set(play.fails), (play.name, record.judged)
    assert record.passed is not bool(play.fails), (play.name, record.verdict)


def _find_keepers(folder: DrillFolder) -> list[int]:
    found = []
    for path in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            words = path.read_bytes().split(b"\0")
        except OSError:
            continue
        if b"keep" in words and folder.id.encode() in words:
            found.append(int(path.parent.name))
    return found
