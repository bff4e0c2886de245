"""A child that works on a state folder and is killed in the middle of it.

The work is a function of this module, named on the command line; the child says that it is
ready and is then killed by `kill -9` at a moment that a seeded generator draws."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from forerun.distro.debian import Debian
from forerun.ports.records import dump_record
from forerun.ports.store import Store, write_durably
from forerun.stages.sanitise_vault import Vault
from forerun.stages.survey import take_survey
from forerun.testing import FakeClock, FakeProduction
from tests.unit.test_survey import TREE, read_answers


def tell(line: str) -> None:
    """To who killed us, or will."""
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def be_ready() -> None:
    """Wait for the word to begin: what is told later must not be read with this line."""
    tell("ready")
    sys.stdin.readline()


def write_notes(root: Path) -> None:
    """Entries, each told once it is written; every second one is struck."""
    ledger = Store(root).ledger
    be_ready()
    for number in range(100_000):
        entry = ledger.note(f"run-{number}", "port", str(number))
        tell(f"noted {number}")
        if number % 2:
            ledger.strike(entry)


def make_folders(root: Path) -> None:
    """Runs of several files, one after the other."""
    store = Store(root)
    be_ready()
    for _ in range(100_000):
        run = store.draw_id("run", datetime.now(UTC), store.runs)
        with store.new_folder(store.runs, run) as folder:
            for name in ("events.jsonl", "terminal.log"):
                (folder / name).write_bytes(os.urandom(50_000))
            write_durably(folder / "record.json", b"{}")
        tell(f"stored {run}")


def take_surveys(root: Path) -> None:
    """Whole surveys of a fake server, as the command stores them."""
    store = Store(root)
    production = FakeProduction(read_answers(), TREE)
    be_ready()
    while True:
        survey_id = store.draw_id("survey", datetime.now(UTC), store.surveys)
        with store.new_folder(store.surveys, survey_id) as folder:
            with (folder / "copy.tar").open("wb") as out:
                survey = take_survey(
                    production,
                    distro=Debian(),
                    clock=FakeClock(),
                    host="atlas7.corp.example",
                    survey_id=survey_id,
                    copy_to=out,
                    vault=Vault(),
                )
            write_durably(folder / "survey.json", dump_record(survey))
        tell(f"stored {survey_id}")


def write_files(root: Path) -> None:
    """One file, written again and again with another length."""
    store = Store(root)
    be_ready()
    for number in range(100_000):
        write_durably(store.root / "accelerator.json", b"x" * (1 + number % 50_000))
        with store.locked("template-0123456789abcdef"):
            tell(f"stored {number}")


def count_up(root: Path) -> None:
    """Two hundred times: read a number, add one, write it, all under a lock."""
    store = Store(root)
    be_ready()
    for _ in range(200):
        with store.locked("number"):
            path = root / "number"
            path.write_text(str(int(path.read_text()) + 1))


def start(work: str, root: Path) -> subprocess.Popen[str]:
    """The child, at work."""
    child = subprocess.Popen(
        [sys.executable, "-m", "tests.contract.kill_child", work, str(root)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=Path(__file__).parents[2],
    )
    assert child.stdin is not None and child.stdout is not None
    assert child.stdout.readline() == "ready\n"
    child.stdin.write("go\n")
    child.stdin.flush()
    return child


def kill_at_random(work: str, root: Path, *, seed: int, longest_s: float) -> list[str]:
    """What the child had told when it was killed, whole lines."""
    wait_s = random.Random(seed).uniform(0.0, longest_s)
    child = start(work, root)
    time.sleep(wait_s)
    os.kill(child.pid, signal.SIGKILL)
    out, _ = child.communicate(timeout=60)
    tell(f"{work}: seed {seed}, killed after {wait_s:.3f} s")
    return list(_whole_lines(out))


def _whole_lines(out: str) -> Iterator[str]:
    yield from (line for line in out.splitlines(keepends=True) if line.endswith("\n"))


if __name__ == "__main__":
    {
        "notes": write_notes,
        "folders": make_folders,
        "surveys": take_surveys,
        "files": write_files,
        "count": count_up,
    }[sys.argv[1]](Path(sys.argv[2]))
