"""Hostile files end to end through the `forerun` command: an exit code of its class, a message
of our own, no traceback, no hang, nothing written outside of the state folder."""

from __future__ import annotations

import json
import os
import subprocess
import tarfile
import unicodedata
from pathlib import Path
from random import Random

import pytest

from forerun.model.observation import RunRecord
from forerun.ports.digest_list import DIGESTS_NAME
from forerun.ports.records import dump_record, load_record
from forerun.ports.store import Store, write_durably
from tests.practice.bare_survey import make_survey
from tests.practice.bent_tar import make_member, pack, spoil_tar
from tests.practice.mutation import HOSTILE, nudge_value, spoil_bytes, spoil_value
from tests.practice.watch import look_around, make_surroundings

from .bad_input import Told, assert_nothing_left, run_forerun

pytestmark = pytest.mark.tools

ROOT = Path(__file__).parents[2]
RUN = ROOT / "tests" / "data" / "run-record-shelf01.json"
SITE = ROOT / "demo" / "site.yaml"
PROFILE = ROOT / "tests" / "data" / "profiles" / "small-profile.yaml"
FORMATS = ("terminal", "json", "markdown", "html")


@pytest.fixture
def home(tmp_path: Path) -> Path:
    home = tmp_path / "state"
    (tmp_path / "user").mkdir()
    make_surroundings(home)
    return home


def run(home: Path, *words: str, codes: tuple[int, ...]) -> Told:
    """The command, and all that must hold whatever it was given."""
    before = look_around(home)
    told = run_forerun(home, *words, timeout_s=120)
    assert look_around(home) == before
    assert told.code in codes, told.err
    assert "Traceback" not in told.err
    for text in (told.out, told.err):
        assert not [c for c in text if c != "\n" and unicodedata.category(c)[0] == "C"]
    if told.code not in (0, 3):
        told.assert_told(told.code)
    assert_nothing_left(home)
    return told


def spoil(data: object, seed: int) -> bytes:
    """A third by bytes, a third by parts, a third that still loads."""
    random = Random(seed)
    if seed % 3 == 0:
        return spoil_bytes(json.dumps(data).encode(), random)
    keep = frozenset({"schema", "id", "outcome", "end", "keep_until"})
    other = spoil_value(data, random) if seed % 3 == 1 else nudge_value(data, random, keep=keep)
    return json.dumps(other).encode("utf-8", "surrogatepass")


@pytest.mark.parametrize("seed", range(12))
def test_a_spoilt_run(seed: int, home: Path) -> None:
    """Drawn, or refused as damaged (50); the list is shown in any case."""
    data = json.loads(RUN.read_text())
    folder = Store(home).runs / data["id"]
    folder.mkdir()
    (folder / "record.json").write_bytes(spoil(data, seed))
    told = run(home, "report", data["id"], "--format", FORMATS[seed % 4], codes=(0, 50))
    listed = run(home, "runs", codes=(told.code,))
    assert (data["id"] in listed.out) is (told.code == 0)


@pytest.mark.parametrize("seed", range(9))
def test_a_spoilt_survey(seed: int, home: Path) -> None:
    """Listed and shown, or refused as damaged (50)."""
    survey = make_survey("nano=7.2-1", keep_until="2999-01-01T00:00:00Z")
    folder = Store(home).surveys / survey.id
    folder.mkdir()
    (folder / "survey.json").write_bytes(spoil(json.loads(dump_record(survey)), seed))
    with tarfile.open(folder / "copy.tar", "w"):
        pass
    told = run(home, "review", survey.id, codes=(0, 50))
    run(home, "surveys", codes=(told.code,))


@pytest.mark.parametrize("seed", range(6))
def test_a_spoilt_copy(seed: int, home: Path) -> None:
    """One file of it is shown, or it has no such file (51), or it is damaged (50)."""
    survey = make_survey(keep_until="2999-01-01T00:00:00Z")
    folder = Store(home).surveys / survey.id
    folder.mkdir()
    (folder / "survey.json").write_bytes(dump_record(survey))
    copy = pack(make_member("etc/hosts", b"127.0.0.1 x\n"), make_member("etc/b", b"y" * 600))
    (folder / "copy.tar").write_bytes(spoil_tar(copy, Random(seed)))
    run(home, "review", survey.id, "--file", "/etc/hosts", codes=(0, 50, 51))


@pytest.mark.parametrize("name", ["/etc/passwd", "../../etc/passwd", "etc/../../etc/passwd", ".."])
def test_only_members_of_the_copy_are_shown(name: str, home: Path) -> None:
    """A path of the lab host is no path of the copy."""
    survey = make_survey(keep_until="2999-01-01T00:00:00Z")
    folder = Store(home).surveys / survey.id
    folder.mkdir()
    (folder / "survey.json").write_bytes(dump_record(survey))
    (folder / "copy.tar").write_bytes(pack(make_member("etc/hosts", b"x")))
    told = run(home, "review", survey.id, "--file", name, codes=(51,))
    assert "root:" not in told.out


@pytest.mark.parametrize("seed", range(12))
def test_a_spoilt_profile_or_site_file(seed: int, home: Path, tmp_path: Path) -> None:
    """Good, or every mistake with its line (10)."""
    source = SITE if seed % 2 else PROFILE
    file = tmp_path / "etc" / "file.yaml"
    file.write_bytes(spoil_bytes(source.read_bytes(), Random(seed)))
    run(home, "profile", "check", *(["--site"] if seed % 2 else []), str(file), codes=(0, 10))


@pytest.mark.parametrize("number", range(0, len(HOSTILE), 6))
def test_hostile_arguments(number: int, home: Path) -> None:
    """Names, ids and formats that are sequences, paths or endless: not found, or no such
    thing; none of them is printed as it is."""
    odd = HOSTILE[number].replace("\0", "").replace("\ud800", "") or "none"
    odd = odd if not odd.startswith("-") else f"x{odd}"
    run(home, "report", odd, codes=(51,))
    run(home, "review", odd, codes=(51,))
    run(home, "profile", "check", odd, codes=(10, 51))


def test_a_terminal_of_few_letters(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What the terminal's alphabet lacks becomes a question mark, and no error; a document is
    UTF-8 all the same, as its own first lines say."""
    record = load_record(RunRecord, RUN)
    store = Store(home)
    with store.new_folder(store.runs, record.id) as folder:
        write_durably(folder / "record.json", dump_record(record))
    monkeypatch.setenv("PYTHONIOENCODING", "ascii")
    assert "?" in run(home, "report", "last", codes=(0,)).out
    assert "<meta charset" in run(home, "report", "last", "--format", "html", codes=(0,)).out


def test_the_digests_are_those_of_sha256sum(home: Path) -> None:
    """Outside source: sha256sum(1) of the GNU core utilities checks the list as it lies
    there, and finds an edited record as forerun does (50)."""
    record = load_record(RunRecord, RUN)
    store = Store(home)
    with store.new_folder(store.runs, record.id) as folder:
        write_durably(folder / "record.json", dump_record(record))
        (folder / "terminal.log").write_bytes(b"x\n")
    check = ["sha256sum", "--check", "--strict", DIGESTS_NAME]
    folder = store.runs / record.id

    def count_good() -> tuple[int, int]:
        done = subprocess.run(
            check, cwd=folder, capture_output=True, text=True, check=False,
            env={**os.environ, "LC_ALL": "C"},
        )  # fmt: skip
        return done.returncode, done.stdout.count(": OK")

    assert count_good() == (0, 2)
    file = folder / "record.json"
    file.write_text(file.read_text().replace('"outcome": "completed"', '"outcome": "failed"'))
    assert count_good() == (1, 1)
    run(home, "report", "last", codes=(50,)).assert_told(50, str(file), "SHA-256")
