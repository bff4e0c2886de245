"""The drill's folder, who keeps it, and the socket between commands and keeper."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from forerun.drills import talk
from forerun.drills.chronicle import Chronicle
from forerun.drills.folder import (
    LOCK_NAME,
    DrillFolder,
    draw_pseudonym,
    find_drill,
    find_drills,
)
from forerun.drills.keeper import holding
from forerun.errors import LabUnfit, NotFound, RecordDamaged, UsageError
from forerun.model.drill import DrillFile, DrillRecord, DrillState, Inject, Moment, Objective
from forerun.pipeline_bench import Bench
from forerun.ports.command import LocalCommand
from forerun.ports.disks import Disks
from forerun.ports.labhost import LabHost
from forerun.ports.store import Store
from forerun.testing import FakeClock

pytestmark = pytest.mark.tools


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    command = LocalCommand()
    store = Store(tmp_path / "state")
    return Bench(store, command, Disks(command), LabHost(), FakeClock(), "test:///default")


def make_drill(
    bench: Bench, name: str = "drill-20260131-220000-a1", state: DrillState = DrillState.READY
) -> DrillFolder:
    objective = Objective("o", "t", "packages-whole")
    inject = Inject("i", "held-package", "Held", when=Moment.START)
    drill = DrillFile("d", "t", "alone", "x", (objective,), (inject,), 3600.0, 0.0)
    folder = DrillFolder(bench.store.drills / name)
    folder.path.mkdir()
    folder.save(
        DrillRecord(
            name, drill, "p", state, "2026-01-31T22:00:00Z", "h", "s", "p", "0" * 64, drawn=("i",)
        )
    )
    return folder


@contextmanager
def keeping(folder: DrillFolder) -> Iterator[list[Mapping[str, Any]]]:
    """A keeper that answers "begin" and refuses the rest."""
    asked: list[Mapping[str, Any]] = []

    def act(question: Mapping[str, Any]) -> dict[str, Any]:
        asked.append(question)
        if question["do"] == "begin":
            return {"now_s": 1.5}
        if question["do"] == "file":
            raise FileNotFoundError
        raise UsageError("No.", where="here", found="x", wanted="y", hint="z")

    with holding(folder), talk.listen(folder) as server:

        def serve() -> None:
            while True:
                try:
                    link, _ = server.accept()
                except OSError:
                    return
                talk.answer(link, act)

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        yield asked


def test_a_question_is_answered(bench: Bench) -> None:
    """One line each way; what the keeper raises is raised here, with all its parts."""
    folder = make_drill(bench)
    with keeping(folder) as asked:
        assert talk.ask(folder, bench, "begin", more="x") == {"now_s": 1.5}
        assert {"do": "begin", "more": "x"} in asked
        with pytest.raises(UsageError) as caught:
            talk.ask(folder, bench, "other")
        assert (caught.value.what, caught.value.hint) == ("No.", "z")
        with pytest.raises(UsageError, match="no such file"):
            talk.ask(folder, bench, "file")


def test_a_deep_state_folder_is_no_obstacle(tmp_path: Path) -> None:
    """unix(7) allows a path of 107 letters; this one is longer."""
    command = LocalCommand()
    store = Store(tmp_path / ("deep" * 20) / ("deeper" * 10))
    bench = Bench(store, command, Disks(command), LabHost(), FakeClock(), "test:///default")
    folder = make_drill(bench)
    assert len(str(folder.path)) > 120
    with keeping(folder):
        assert talk.ask(folder, bench, "begin") == {"now_s": 1.5}


def test_only_its_owner_may_ask(bench: Bench) -> None:
    """The socket is the owner's, as the folder of all drills is."""
    folder = make_drill(bench)
    with keeping(folder):
        assert (folder.path / "keeper").stat().st_mode & 0o777 == 0o600
    assert bench.store.drills.stat().st_mode & 0o777 == 0o700


def test_one_drill_has_one_keeper(bench: Bench) -> None:
    """A second one is refused while the first lives, whatever file is left."""
    folder = make_drill(bench)
    assert not folder.is_kept()
    with holding(folder):
        assert folder.is_kept()
        with pytest.raises(LabUnfit, match="keeper already"), holding(folder):
            pass
    assert not folder.is_kept()
    (folder.path / LOCK_NAME).touch()  # as a killed one leaves it
    with holding(folder):
        assert folder.is_kept()


@pytest.mark.parametrize("state", [DrillState.FINISHED, DrillState.LEFT, DrillState.FAILED])
def test_a_drill_that_ended_answers_no_more(bench: Bench, state: DrillState) -> None:
    """It is said so, and nothing is started for it."""
    with pytest.raises(UsageError, match="has ended"):
        talk.ask(make_drill(bench, state=state), bench, "check")


def test_a_clone_that_was_never_finished_is_said(bench: Bench) -> None:
    """Its making was cut short: there is nothing to go on with."""
    with pytest.raises(UsageError, match="never finished"):
        talk.ask(make_drill(bench, state=DrillState.PREPARING), bench, "check")


def test_drills_are_found(bench: Bench) -> None:
    """The newest that is going on comes first to mind; an unknown one is named."""
    with pytest.raises(NotFound, match="no drill yet"):
        find_drill(bench.store, "")
    old = make_drill(bench, "drill-20260131-220000-a1")
    make_drill(bench, "drill-20260131-230000-a2", DrillState.FINISHED)
    assert find_drills(bench.store)[0].id == old.id
    assert find_drill(bench.store, "").id == old.id
    assert find_drill(bench.store, "drill-20260131-230000-a2").id == "drill-20260131-230000-a2"
    with pytest.raises(NotFound, match="no such drill"):
        find_drill(bench.store, "drill-x")


def test_a_spoilt_record_is_told(bench: Bench) -> None:
    """With its place, not as a mistake of forerun's own."""
    folder = make_drill(bench)
    (folder.path / "drill.json").write_text("{}")
    with pytest.raises(RecordDamaged):
        folder.load()


def test_a_pseudonym_lasts_and_leads_nowhere(bench: Bench, tmp_path: Path) -> None:
    """The same for one user of one state folder, another elsewhere, and no login name."""
    own = draw_pseudonym(bench.store, 1000)
    assert own == draw_pseudonym(bench.store, 1000) != draw_pseudonym(bench.store, 1001)
    assert own != draw_pseudonym(Store(tmp_path / "other"), 1000)
    assert os.environ.get("USER", "nobody-at-all") not in own


def test_the_clock_begins_once_and_anew_with_a_reset(bench: Bench) -> None:
    """Seconds go on by the wall clock, also over a keeper's death; a reset begins anew and
    keeps its seconds, and forgets what was judged."""
    folder = make_drill(bench)
    clock = FakeClock()
    chronicle = Chronicle(folder, clock)
    chronicle.begin({"i": ""})
    clock.sleep(60)
    chronicle.begin({"i": ""})
    assert Chronicle(folder, clock).now_s() == 60
    chronicle.begin_again({"i": "no package"}, 60.0, 2.5)
    record = folder.load()
    assert (record.attempt, record.resets) == (2, ((60.0, 2.5),))
    assert chronicle.now_s() == 0
    assert record.injects[0].why == "no package"
    assert [one.kind for one in record.events] == ["state", "reset"]


def test_terminals_opened_at_once_have_names_of_their_own(bench: Bench) -> None:
    """Also after a reset and by the next keeper: no recording takes another one's place."""
    folder = make_drill(bench)
    chronicle = Chronicle(folder, FakeClock())
    chronicle.begin({})
    with ThreadPoolExecutor(4) as pool:
        names = list(pool.map(chronicle.note_shell, ["opened over SSH"] * 8))
    chronicle.begin_again({}, 60.0, 2.5)
    names.append(Chronicle(folder, FakeClock()).note_shell("opened over SSH"))
    assert sorted(names) == [f"terminal-{number:02d}.cast" for number in range(1, 10)]
    assert [one.name for one in folder.load().events if one.kind == "shell"][-1] == names[-1]
