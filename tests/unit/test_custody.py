"""The copy in custody: approval of exactly this copy, and its end."""

from __future__ import annotations

import hashlib
import io
import tarfile
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from tests.practice.bare_survey import make_survey

from forerun.errors import CopyExpired, NotApproved, NotFound, UsageError
from forerun.model.survey import CleanSurvey, Replacement
from forerun.ports.records import dump_record
from forerun.ports.store import Store
from forerun.stages.custody import (
    KEEP_DAYS,
    approve_copy,
    check_usable,
    delete_expired,
    find_approval,
    find_end,
    list_reviews,
    set_end,
    wait_for_approval,
)
from forerun.testing import FakeClock

TAKEN = datetime(2026, 1, 31, 22, 0, tzinfo=UTC)


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "state")


def keep(store: Store, survey: CleanSurvey, content: bytes = b"hosts") -> CleanSurvey:
    folder = store.surveys / survey.id
    folder.mkdir()
    (folder / "survey.json").write_bytes(dump_record(survey))
    with tarfile.open(folder / "copy.tar", "w") as tar:
        info = tarfile.TarInfo("etc/hosts")
        info.size = len(content)
        tar.addfile(info, io.BytesIO(content))
    return survey


def stored(store: Store, days: int = 30) -> CleanSurvey:
    return keep(store, replace(make_survey(), keep_until=set_end(TAKEN, days)))


def test_two_commands_delete_a_copy_once(store: Store) -> None:
    """Both find it expired at once: one deletes and logs, none fails."""
    survey = stored(store, days=2)
    after = TAKEN + timedelta(days=3)
    with ThreadPoolExecutor(8) as pool:
        gone = list(pool.map(lambda _: delete_expired(store, after), range(8)))
    assert sum(len(one) for one in gone) == 1
    assert len((store.root / "deletions.log").read_text().splitlines()) == 1
    assert not (store.surveys / survey.id / "copy.tar").exists()
    assert list(store.root.glob("*.lock")) == []


def test_an_approval_is_of_this_copy_only(store: Store) -> None:
    """By SHA-256 of the file, as `sha256sum` gives it."""
    survey = stored(store)
    copy = store.surveys / survey.id / "copy.tar"
    with pytest.raises(NotApproved, match="Nobody"):
        check_usable(store, survey, TAKEN)
    made = approve_copy(store, survey, by=" keeper ", note="with care", at=TAKEN)
    assert made.by == "keeper"
    assert made.copy_sha256 == hashlib.sha256(copy.read_bytes()).hexdigest()
    assert check_usable(store, survey, TAKEN) == made == find_approval(store, survey.id)
    copy.write_bytes(copy.read_bytes() + b"\0")
    with pytest.raises(NotApproved, match="another one"):
        check_usable(store, survey, TAKEN)


@pytest.mark.parametrize("name", ["", "  ", "a\x1bb"])
def test_somebody_must_approve(store: Store, name: str) -> None:
    with pytest.raises(UsageError, match="name or role"):
        approve_copy(store, stored(store), by=name, note="", at=TAKEN)


def test_after_its_end_a_copy_is_neither_used_nor_approved(store: Store) -> None:
    survey = stored(store, days=2)
    approve_copy(store, survey, by="keeper", note="", at=TAKEN)
    end = TAKEN + timedelta(days=2)
    check_usable(store, survey, end - timedelta(seconds=1))
    with pytest.raises(CopyExpired):
        check_usable(store, survey, end)
    with pytest.raises(CopyExpired):
        approve_copy(store, survey, by="keeper", note="", at=end)


def test_an_expired_copy_is_deleted_with_a_line(store: Store) -> None:
    """The map of what stood for what goes with it; facts and approval stay for the record."""
    survey = stored(store, days=2)
    folder = store.surveys / survey.id
    (folder / "map.cms").write_bytes(b"sealed")
    digest = hashlib.sha256((folder / "copy.tar").read_bytes()).hexdigest()
    assert delete_expired(store, TAKEN) == ()
    (gone,) = delete_expired(store, TAKEN + timedelta(days=2))
    assert gone.files == ("copy.tar", "map.cms")
    assert [file.name for file in folder.iterdir()] == ["survey.json"]
    log = (store.root / "deletions.log").read_text()
    assert log == (
        f"2026-02-02T22:00:00Z {survey.id} kept until 2026-02-02T22:00:00Z "
        f"sha256 {digest} deleted copy.tar,map.cms\n"
    )
    assert delete_expired(store, TAKEN + timedelta(days=3)) == ()
    assert (store.root / "deletions.log").read_text() == log
    assert store.load_survey(survey.id) == survey
    with pytest.raises(NotFound, match="no copy"):
        check_usable(store, survey, TAKEN)


def test_a_damaged_record_does_not_keep_others(store: Store) -> None:
    survey = stored(store, days=1)
    other = store.surveys / "survey-0"
    other.mkdir()
    (other / "survey.json").write_bytes(b"{")
    assert [one.survey_id for one in delete_expired(store, TAKEN + timedelta(days=9))] == [
        survey.id
    ]


def test_a_survey_without_an_end_has_the_usual_one(store: Store) -> None:
    survey = make_survey()
    assert find_end(survey) - datetime.fromisoformat(survey.taken_at) == timedelta(days=KEEP_DAYS)
    for days in (0, -1, 4000):
        with pytest.raises(UsageError):
            set_end(TAKEN, days)


def test_waiting_ends_with_the_approval_or_the_limit(store: Store) -> None:
    survey = stored(store)
    clock = FakeClock()
    with pytest.raises(NotApproved):
        wait_for_approval(store, survey, clock, 5.0)
    assert 5.0 <= clock.monotonic() <= 7.0
    approve_copy(store, survey, by="keeper", note="", at=TAKEN)
    wait_for_approval(store, survey, clock, 0.0)


def test_a_review_counts_by_file_and_rule() -> None:
    rows = (
        Replacement("/etc/b", 1, "address", "IPv4 address"),
        Replacement("/etc/a", 1, "shadow", "password hash"),
        Replacement("/etc/b", 9, "address", "IPv4 address"),
        Replacement("/etc/b", 2, "tsig", "key"),
    )
    found = list_reviews(replace(make_survey(), replacements=rows))
    assert [(one.path, one.rules) for one in found] == [
        ("/etc/a", (("shadow", 1),)),
        ("/etc/b", (("address", 2), ("tsig", 1))),
    ]
