"""Files that belong to a process while it lives, and removing a tree and no more."""

from __future__ import annotations

import fcntl
import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from forerun.ports.held import is_held, locked, name_aside, open_held, remove_unheld
from forerun.ports.removal import has_mounts, remove_tree


def test_a_lock_is_had_by_one_and_leaves_nothing(tmp_path: Path) -> None:
    """flock(2): locks of two open files exclude each other, also within one process."""
    path = tmp_path / "x.lock"
    with locked(path) as had, locked(path, wait=False) as had_too:
        assert (had, had_too) == (True, False)
        assert is_held(path)
    assert list(tmp_path.iterdir()) == []
    with locked(path, wait=False) as had:
        assert had
    assert list(tmp_path.iterdir()) == []


def test_a_lock_goes_whatever_ends_its_block(tmp_path: Path) -> None:
    path = tmp_path / "x.lock"
    with pytest.raises(KeyboardInterrupt), locked(path):
        raise KeyboardInterrupt
    assert list(tmp_path.iterdir()) == []


def test_a_dead_process_s_lock_file_is_in_nobodys_way(tmp_path: Path) -> None:
    """The kernel let go of it: it is taken over, and removed at the end."""
    path = tmp_path / "x.lock"
    path.touch()
    with locked(path, wait=False) as had:
        assert had
    assert not path.exists()


def interfere(monkeypatch: pytest.MonkeyPatch, once: Callable[[], object]) -> None:
    """Another process acts between opening a file and holding it."""
    flock, turns = fcntl.flock, iter([once])

    def slow(handle: int, flags: int) -> None:
        next(turns, lambda: None)()
        flock(handle, flags)

    monkeypatch.setattr(fcntl, "flock", slow)


def test_a_lock_whose_file_went_meanwhile_is_taken_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The one before removed the file after we had opened it: ours would be a lock on
    nothing, and a third process would get in beside us."""
    path = tmp_path / "x.lock"
    interfere(monkeypatch, path.unlink)
    with locked(path), locked(path, wait=False) as had_too:
        assert path.exists()
        assert not had_too


def test_a_file_that_a_sweep_took_for_a_stray_is_made_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Between making and holding it looked like nobody's."""
    path = tmp_path / "a.part"
    interfere(monkeypatch, path.unlink)
    handle = open_held(path)
    try:
        assert os.path.samestat(os.fstat(handle), path.stat())
        assert not remove_unheld(path)
        assert path.exists()
    finally:
        os.close(handle)
    assert remove_unheld(path)
    assert not path.exists()


def test_only_plain_files_that_nobody_holds_are_removed(tmp_path: Path) -> None:
    """Folders, links and what a link leads to stay; what is not there is no trouble."""
    folder, real, link = tmp_path / "folder", tmp_path / "real", tmp_path / "link"
    folder.mkdir()
    real.write_text("mine")
    link.symlink_to(real)
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    for path in (folder, link, pipe):
        assert not remove_unheld(path)
    assert not is_held(tmp_path / "absent")
    assert sorted(one.name for one in tmp_path.iterdir()) == ["folder", "link", "pipe", "real"]
    assert real.read_text() == "mine"


def test_two_writers_of_one_file_have_a_name_each(tmp_path: Path) -> None:
    path = tmp_path / "record.json"
    names = {name_aside(path).name for _ in range(50)}
    assert len(names) == 50
    assert all(name.startswith("record.json.") and name.endswith(".part") for name in names)


# Lines as proc(5) shows them; a blank in a name is \040 there.
MOUNTS = (
    "22 1 254:0 / / rw,relatime shared:1 - ext4 /dev/vda rw\n"
    "41 22 0:37 / {root}/machines/run-1/dev rw,nosuid shared:2 - devtmpfs udev rw\n"
    "42 22 0:38 / {root}/a\\040b rw - tmpfs tmpfs rw\n"
)


@pytest.mark.parametrize(
    ("name", "mounted"),
    [
        ("machines/run-1", True),
        ("machines/run-1/dev", True),
        ("machines", True),
        ("machines/run-10", False),
        ("machines/run-1/de", False),
        ("a b", True),
        ("a", False),
    ],
)
def test_what_is_mounted_below_a_folder_is_seen(tmp_path: Path, name: str, mounted: bool) -> None:
    table = tmp_path / "mountinfo"
    root = tmp_path.resolve()
    table.write_text(MOUNTS.format(root=str(root).replace(" ", "\\040")))
    assert has_mounts(root / name, table) is mounted


def test_a_tree_with_something_mounted_in_it_is_left(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A package tree may hold the lab host's own /dev: never reach through it."""
    (tmp_path / "tree" / "dev").mkdir(parents=True)
    (tmp_path / "tree" / "dev" / "sda").write_text("everything")
    monkeypatch.setattr("forerun.ports.removal.has_mounts", lambda folder: True)
    assert not remove_tree(tmp_path / "tree")
    assert (tmp_path / "tree" / "dev" / "sda").exists()


def test_a_tree_goes_and_what_its_links_lead_to_stays(tmp_path: Path) -> None:
    other, tree = tmp_path / "other", tmp_path / "tree"
    other.mkdir()
    (other / "file").write_text("mine")
    (tree / "deep").mkdir(parents=True)
    (tree / "deep" / "link").symlink_to(other)
    link = tmp_path / "link"
    link.symlink_to(other)
    assert remove_tree(tree)
    assert not remove_tree(link)
    assert remove_tree(tmp_path / "absent"), "what is not there is gone"
    assert (other / "file").read_text() == "mine"


def test_a_tree_that_grows_while_it_goes_is_gone_over_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A program that was just ended may have made one more file."""
    tree, real = tmp_path / "tree", shutil.rmtree
    tree.mkdir()
    turns = iter([True])

    def rmtree(path: Path, **more: Any) -> None:
        real(path, **more)
        if next(turns, False):
            tree.mkdir()
            (tree / "late").touch()

    monkeypatch.setattr("forerun.ports.removal.shutil.rmtree", rmtree)
    assert remove_tree(tree)
    assert not tree.exists()
