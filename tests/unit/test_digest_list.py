"""The digests beside a published folder: as sha256sum(1) has them, and what they notice."""

from __future__ import annotations

import hashlib
import json
import os
from pathlib import Path

import pytest
from tests.practice.bare_survey import make_survey
from tests.practice.watch import no_hang
from tests.unit.test_custody import TAKEN

from forerun import cli
from forerun.errors import RecordDamaged
from forerun.model.observation import RunRecord
from forerun.model.survey import CleanSurvey
from forerun.ports.digest_list import DIGESTS_NAME, check_digest, read_digests, write_digests
from forerun.ports.records import dump_record, load_record
from forerun.ports.store import Store, write_durably
from forerun.stages.custody import (
    approve_copy,
    check_usable,
    delete_expired,
    digest_copy,
    set_end,
)

RUN = Path(__file__).parents[1] / "data" / "run-record-shelf01.json"


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "state")


@pytest.fixture
def record() -> RunRecord:
    return load_record(RunRecord, RUN)


def publish_run(store: Store, record: RunRecord) -> Path:
    with store.new_folder(store.runs, record.id) as folder:
        write_durably(folder / "record.json", dump_record(record))
        (folder / "terminal.log").write_bytes(b"all that was said\n")
    return store.runs / record.id


def publish_survey(store: Store) -> CleanSurvey:
    survey = make_survey(keep_until=set_end(TAKEN, 30))
    with store.new_folder(store.surveys, survey.id) as folder:
        write_durably(folder / "survey.json", dump_record(survey))
        (folder / "copy.tar").write_bytes(b"a copy")
    return survey


def test_every_file_is_listed_in_the_standard_form(store: Store, record: RunRecord) -> None:
    """sha256sum(1): digest, two blanks (text mode), name; digests by hashlib."""
    folder = publish_run(store, record)
    lines = (folder / DIGESTS_NAME).read_text().splitlines()
    names = ("record.json", "terminal.log")
    assert lines == [
        f"{hashlib.sha256((folder / name).read_bytes()).hexdigest()}  {name}" for name in names
    ]
    assert store.load_run(record.id) == record


def test_folders_below_are_listed_and_links_are_not(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "a" / "b").write_bytes(b"1")
    (tmp_path / "link").symlink_to("/etc/passwd")
    assert write_digests(tmp_path).decode().split() == [hashlib.sha256(b"1").hexdigest(), "a/b"]


def test_an_edited_record_that_still_loads_is_refused(store: Store, record: RunRecord) -> None:
    """One figure made better by hand: the file is named, with both digests."""
    folder = publish_run(store, record)
    file = folder / "record.json"
    data = json.loads(file.read_text())
    data["outcome"], data["why"] = "completed", ""
    data["steps"][0]["wall_s"] = 1.0
    file.write_text(json.dumps(data))
    with pytest.raises(RecordDamaged) as caught:
        store.load_run(record.id)
    assert caught.value.where == str(file)
    assert hashlib.sha256(file.read_bytes()).hexdigest() in caught.value.found
    assert read_digests(folder)["record.json"] in caught.value.wanted


def test_an_edited_survey_is_refused(store: Store) -> None:
    """Somebody who lengthens the time for which a copy may be kept is noticed."""
    survey = publish_survey(store)
    file = store.surveys / survey.id / "survey.json"
    file.write_text(file.read_text().replace("2026-03-02", "2036-03-02"))
    with pytest.raises(RecordDamaged) as caught:
        store.load_survey(survey.id)
    assert caught.value.where == str(file)


def test_another_copy_is_neither_shown_nor_approved_nor_used(
    store: Store, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A copy that is not the one the survey left is refused by name, an approval given
    before notwithstanding; for its end it is deleted all the same."""
    survey = publish_survey(store)
    approve_copy(store, survey, by="keeper", note="", at=TAKEN)
    check_usable(store, survey, TAKEN)
    copy = store.surveys / survey.id / "copy.tar"
    copy.write_bytes(b"another copy")
    for use in (
        lambda: digest_copy(store, survey.id),
        lambda: approve_copy(store, survey, by="keeper", note="", at=TAKEN),
        lambda: check_usable(store, survey, TAKEN),
    ):
        with pytest.raises(RecordDamaged) as caught:
            use()
        assert caught.value.where == str(copy)
    monkeypatch.setenv("FORERUN_HOME", str(store.root))
    monkeypatch.setattr("forerun.cli_common.delete_expired", lambda *_, **__: ())
    for more in ([], ["--file", "/etc/hosts"]):
        command = ["review", survey.id, *more]
        assert cli.run_guarded(lambda words=command: cli.app(words), store.root) == 50  # type: ignore[misc]
        assert str(copy) in capsys.readouterr().err
    (gone,) = delete_expired(store, TAKEN.replace(year=2027))
    assert gone.digest == hashlib.sha256(b"another copy").hexdigest()
    assert not copy.exists()


def test_approval_and_deletion_do_not_break_the_list(store: Store) -> None:
    """An approval comes later and is not listed; when the copy's time is over, the list stays
    and the survey still loads."""
    survey = publish_survey(store)
    approve_copy(store, survey, by="keeper", note="", at=TAKEN)
    assert store.load_survey(survey.id) == survey
    delete_expired(store, TAKEN.replace(year=2027))
    folder = store.surveys / survey.id
    left = {file.name for file in folder.iterdir()}
    assert left == {"survey.json", "approval.json", DIGESTS_NAME}
    assert store.load_survey(survey.id) == survey


def test_an_older_folder_without_a_list_loads_with_a_caution(
    store: Store,
    record: RunRecord,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Where its report is drawn, standard error says that an edit would not be noticed; with
    a list it says nothing."""
    folder = publish_run(store, record)
    monkeypatch.setenv("FORERUN_HOME", str(store.root))
    command = ["report", record.id, "--format", "json"]
    assert cli.run_guarded(lambda: cli.app(command), store.root) == 0
    out, err = capsys.readouterr()
    assert json.loads(out)["run"]["id"] == record.id
    assert err == ""
    (folder / DIGESTS_NAME).unlink()
    assert store.load_run(record.id) == record
    assert cli.run_guarded(lambda: cli.app(command), store.root) == 0
    assert f"caution: {record.id} has no {DIGESTS_NAME}" in capsys.readouterr().err


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"\n",
        b"\0" * 99,
        b"0" * 64,
        b"0" * 64 + b"  record.json",
        b"z" * 64 + b"  record.json\n",
        b"0" * 63 + b"  record.json\n",
        b"\xff\xfe",
        b"0" * 64 + b"  other\n",
        b"0" * 64 + b"  ../record.json\n",
    ],
)
def test_a_list_that_is_none_is_no_list_to_pass(
    content: bytes, store: Store, record: RunRecord
) -> None:
    """An empty, cut or foreign list, and one that leaves the record out, count as damage: a
    list cannot be emptied to get an edited record through."""
    folder = publish_run(store, record)
    (folder / DIGESTS_NAME).write_bytes(content)
    with pytest.raises(RecordDamaged) as caught:
        store.load_run(record.id)
    assert str(folder) in caught.value.where


def test_a_list_that_cannot_be_read_is_damage(tmp_path: Path) -> None:
    """A folder, or a pipe that nobody writes to, in its place."""
    for make in (Path.mkdir, os.mkfifo):
        make(tmp_path / DIGESTS_NAME)
        with no_hang(), pytest.raises(RecordDamaged):
            check_digest(tmp_path / "record.json", "0" * 64)
        (tmp_path / DIGESTS_NAME).rename(tmp_path / f"aside-{make.__name__}")


def test_templates_have_their_digest_in_their_record(store: Store) -> None:
    """Their disks have gigabytes: `template verify` compares those (test_bad_input)."""
    with store.new_folder(store.templates, "0123456789abcdef") as folder:
        (folder / "disk.qcow2").write_bytes(b"x")
    assert not (store.templates / "0123456789abcdef" / DIGESTS_NAME).exists()
