"""kill -9 at random moments of writing: the ledger, folders, surveys, files, locks.

Real processes, real SQLite, real files. The moments come from seeds, which are in the
tests' names and in their output."""

from __future__ import annotations

from pathlib import Path

import pytest

from forerun.ports.digest_list import DIGESTS_NAME
from forerun.ports.held import PART
from forerun.ports.store import Store
from forerun.stages.sweep import sweep
from forerun.testing import FakeHypervisor
from tests.contract.kill_child import kill_at_random, start

pytestmark = [pytest.mark.tools, pytest.mark.timeout(180)]


def assert_swept_clean(store: Store) -> None:
    """After one sweep nothing unfinished, no lock, no open entry; after another the same."""
    swept = sweep(store, FakeHypervisor())
    assert swept.left == ()
    assert store.find_unfinished() == ()
    assert list(store.root.rglob("*.lock")) == []
    assert store.ledger.find() == ()
    assert sweep(store, FakeHypervisor()).removed == ()


@pytest.mark.parametrize("seed", range(8))
def test_the_ledger_has_all_that_was_noted(tmp_path: Path, seed: int) -> None:
    """Every entry whose number was told is there, and at most one more; it can be read and
    written on, and all of it is an orphan's."""
    told = kill_at_random("notes", tmp_path / "state", seed=seed, longest_s=0.5)
    store = Store(tmp_path / "state")
    entries = store.ledger.find(with_gone=True)
    noted = [line.split()[1] for line in told]
    assert [entry.name for entry in entries][: len(noted)] == noted
    assert len(entries) <= len(noted) + 1
    assert {entry.name for entry in store.ledger.find_orphans()} == {
        entry.name for entry in entries if not entry.gone
    }
    assert_swept_clean(store)


@pytest.mark.parametrize("seed", range(8))
def test_a_folder_is_whole_or_visibly_unfinished(tmp_path: Path, seed: int) -> None:
    """What is under its name has every file in full; at most one is not, and that one is in
    the ledger and goes with a sweep."""
    told = kill_at_random("folders", tmp_path / "state", seed=seed, longest_s=0.4)
    store = Store(tmp_path / "state")
    whole = [one for one in store.runs.iterdir() if not one.name.endswith(PART)]
    assert {one.name for one in whole} >= {line.split()[1] for line in told}
    for folder in whole:
        sizes = {file.name: file.stat().st_size for file in folder.iterdir()}
        listed = (folder / DIGESTS_NAME).read_text(encoding="utf-8").splitlines()
        assert len(listed) == 3, "the digests of all others"
        assert sizes.pop(DIGESTS_NAME) > 0
        assert sizes == {"events.jsonl": 50_000, "terminal.log": 50_000, "record.json": 2}
    unfinished = [one for one in store.runs.iterdir() if one.name.endswith(PART)]
    assert len(unfinished) <= 1
    noted = {entry.name for entry in store.ledger.find_orphans()}
    assert {str(one) for one in unfinished} <= noted
    assert_swept_clean(store)
    assert len(store.find_runs()) == len(whole), "what was whole stays"


@pytest.mark.parametrize("seed", range(4))
def test_a_survey_is_whole_or_not_there(tmp_path: Path, seed: int) -> None:
    """Also when its server's files were just coming in: no half copy is ever in custody."""
    told = kill_at_random("surveys", tmp_path / "state", seed=seed, longest_s=1.5)
    store = Store(tmp_path / "state")
    assert set(store.find_surveys()) >= {line.split()[1] for line in told}
    for survey_id in store.find_surveys():
        survey = store.load_survey(survey_id)
        assert survey.id == survey_id
        assert (store.surveys / survey_id / "copy.tar").stat().st_size > 1000
    assert_swept_clean(store)


@pytest.mark.parametrize("seed", range(8))
def test_a_file_is_the_old_one_or_the_new_one(tmp_path: Path, seed: int) -> None:
    """And neither the file beside it nor the lock is in anybody's way."""
    told = kill_at_random("files", tmp_path / "state", seed=seed, longest_s=0.3)
    store = Store(tmp_path / "state")
    last = int(told[-1].split()[1]) if told else -1
    path = store.root / "accelerator.json"
    if path.exists():
        content = path.read_bytes()
        assert content == b"x" * len(content)
        assert len(content) in (last + 1, last + 2)
    else:
        assert last == -1
    with store.locked("template-0123456789abcdef", wait=False) as had:
        assert had
    assert_swept_clean(store)


def test_a_lock_excludes_processes_and_its_file_goes(tmp_path: Path) -> None:
    """Four at once, 200 times each, one of them killed in the middle: no addition is lost
    but the killed one's own, and no lock file stays."""
    root = tmp_path / "state"
    store = Store(root)
    (root / "number").write_text("0")
    children = [start("count", root) for _ in range(4)]
    with store.locked("number"):  # all of them wait here
        children[0].kill()
        children[0].communicate(timeout=60)
    for child in children[1:]:
        child.communicate(timeout=120)
        assert child.returncode == 0
    counted = int((root / "number").read_text())
    assert 600 <= counted <= 800
    assert list(root.glob("*.lock")) == []
