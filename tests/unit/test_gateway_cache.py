"""The gateway's cache on disk."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import pytest

from forerun.ports.gateway_address import FileKind, classify_file
from forerun.ports.gateway_cache import Cache, Entry, judge_entry
from forerun.ports.held import open_held

URL = "http://archive.test/debian/dists/x/InRelease"
INDEX = FileKind(index=True, immutable=False)
FIXED = FileKind(index=False, immutable=True)


def entry_for(body: bytes, url: str = URL, at: float = 1000.0, **more: str) -> Entry:
    digest = hashlib.sha256(body).hexdigest()
    return Entry(url, digest, len(body), checked_at=at, changed_at=at, **more)


def put(cache: Cache, body: bytes, url: str = URL, at: float = 1000.0, **more: str) -> Entry:
    partial = cache.new_partial()
    partial.write_bytes(body)
    return cache.store(partial, entry_for(body, url, at, **more))


def read(cache: Cache, url: str = URL) -> bytes | None:
    entry = cache.find(url)
    body = cache.open_body(entry) if entry else None
    if body is None:
        return None
    with body:
        return body.read()


def files(folder: Path, kind: str) -> list[Path]:
    return [one for one in (folder / kind).rglob("*") if one.is_file()]


def test_what_was_stored_is_found_by_another_process(tmp_path: Path) -> None:
    """A second Cache on the same folder, as another process would have, finds it."""
    kept = put(Cache(tmp_path), b"hello", etag='"1"', last_modified="x")
    other = Cache(tmp_path)
    assert other.find(URL) == kept
    assert read(other) == b"hello"
    assert files(tmp_path, "partial") == []


def test_an_unknown_url_is_not_found(tmp_path: Path) -> None:
    """No entry, no body."""
    assert Cache(tmp_path).find(URL) is None


@pytest.mark.parametrize("damage", [b"hell", b"hellO", b"", b"hello!"])
def test_a_damaged_body_is_as_good_as_absent_and_is_removed(tmp_path: Path, damage: bytes) -> None:
    """Length and digest both count; a new copy then takes its place."""
    put(Cache(tmp_path), b"hello")
    (body,) = files(tmp_path, "bodies")
    body.write_bytes(damage)
    cache = Cache(tmp_path)
    assert read(cache) is None
    assert not body.exists()
    put(cache, b"hello")
    assert read(cache) == b"hello"


def test_damage_after_the_first_reading_is_noticed(tmp_path: Path) -> None:
    """The digest is taken once per file, but a file that was written since is another."""
    cache = Cache(tmp_path)
    put(cache, b"hello")
    assert read(cache) == b"hello"
    (body,) = files(tmp_path, "bodies")
    body.write_bytes(b"hellO")
    os.utime(body, ns=(1, 1))
    assert read(cache) is None


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{",
        "[]",
        "null",
        '{"schema": "forerun.archive-entry/9"}',
        '{"schema": "forerun.archive-entry/1", "url": "http://other.test/"}',
    ],
)
def test_a_damaged_entry_is_as_good_as_absent(tmp_path: Path, text: str) -> None:
    """Half-written or foreign entries never raise."""
    cache = Cache(tmp_path)
    put(cache, b"hello")
    (entry,) = files(tmp_path, "entries")
    entry.write_text(text)
    assert cache.find(URL) is None


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('"length": 5', '"length": -5'),
        ('"length": 5', '"length": "5"'),
        ('"sha256": "', '"sha256": "../'),
        ('"checked_at": 1000.0', '"checked_at": "soon"'),
        ('"etag": ""', '"etag": "\\r\\nX-Evil: 1"'),
        ('"etag": ""', '"etag": 7'),
    ],
)
def test_an_entry_with_unsound_values_is_as_good_as_absent(
    tmp_path: Path, old: str, new: str
) -> None:
    """No path and no header field is made from an unchecked value."""
    cache = Cache(tmp_path)
    put(cache, b"hello")
    (entry,) = files(tmp_path, "entries")
    text = entry.read_text()
    assert old in text
    entry.write_text(text.replace(old, new))
    assert cache.find(URL) is None


def test_two_writers_never_pair_one_s_body_with_the_other_s_facts(tmp_path: Path) -> None:
    """The worst interleaving of two processes: both bodies are there, the last entry
    wins, and it has its own body."""
    one, two = Cache(tmp_path), Cache(tmp_path)
    kept = put(one, b"older release", at=1.0)
    put(two, b"newer release", at=2.0)
    one.write_entry(kept)
    assert read(two) == b"older release"
    two.write_entry(entry_for(b"newer release"))
    assert read(one) == b"newer release"


def test_equal_content_is_kept_once(tmp_path: Path) -> None:
    """The same index under two names takes the room of one; dropping one name leaves
    the other whole."""
    cache = Cache(tmp_path)
    put(cache, b"packages", URL)
    put(cache, b"packages", URL + "2")
    assert len(files(tmp_path, "bodies")) == 1
    cache.forget(URL)
    assert cache.find(URL) is None
    assert read(cache, URL + "2") == b"packages"


def test_the_time_of_change_survives_an_unchanged_fetch(tmp_path: Path) -> None:
    """Fetched again with the same content: checked later, not changed later."""
    cache = Cache(tmp_path)
    put(cache, b"a", at=10.0)
    again = put(cache, b"a", at=20.0)
    assert (again.changed_at, again.checked_at) == (10.0, 20.0)
    assert put(cache, b"b", at=30.0).changed_at == 30.0


def test_strays_are_removed_and_work_in_progress_is_not(tmp_path: Path) -> None:
    """What nobody holds is a killed process's, however young; what is being written is held,
    however old. No clock is asked."""
    cache = Cache(tmp_path)
    stray, going_on = cache.new_partial(), cache.new_partial()
    stray.write_bytes(b"x")
    handle = open_held(going_on)
    try:
        os.utime(going_on, (1_000, 1_000))
        assert cache.remove_strays() == (stray,)
        assert (stray.exists(), going_on.exists()) == (False, True)
    finally:
        os.close(handle)
    assert cache.remove_strays() == (going_on,)


def test_a_clock_that_was_ahead_leaves_no_mark_in_the_future(tmp_path: Path) -> None:
    """A release noted as changed next year would make every index look outdated until then:
    the next look at the same content sets it right."""
    cache = Cache(tmp_path)
    put(cache, b"a", at=9_000_000.0)
    assert put(cache, b"a", at=2_000.0).changed_at == 2_000.0


def judge(entry: Entry, kind: FileKind, now_s: float, **more: float) -> tuple[bool, str]:
    found = judge_entry(
        entry,
        kind,
        now_s=now_s,
        index_age_s=3600,
        release_changed_at=more.get("release", 0.0),
        no_cache=bool(more.get("no_cache")),
    )
    return found.reuse, found.rule


def test_what_never_changes_is_never_asked_for_again() -> None:
    """Only an express wish of the client overrides that."""
    entry = entry_for(b"x")
    assert judge(entry, FIXED, 1e12) == (True, "immutable")
    assert judge(entry, FIXED, 1e12, no_cache=1) == (False, "client asked")
    assert classify_file("/debian/pool/a_1_all.deb").immutable


@pytest.mark.parametrize(("etag", "last_modified"), [('"1"', ""), ("", "a date")])
def test_an_index_with_a_validator_is_always_checked(etag: str, last_modified: str) -> None:
    """RFC 9111 section 4.3: the check costs no body, so there is no reason to guess."""
    entry = entry_for(b"x", etag=etag, last_modified=last_modified)
    assert judge(entry, INDEX, 1000.0) == (False, "has a validator")


@pytest.mark.parametrize(
    ("now_s", "answer"),
    [
        (1000.0, (True, "young")),
        (4599.0, (True, "young")),
        (4600.0, (False, "too old")),
        (999.0, (False, "too old")),
    ],
)
def test_an_index_without_validator_lives_for_its_age(
    now_s: float, answer: tuple[bool, str]
) -> None:
    """RFC 9111 section 4.2.2; a clock that went back makes an entry old, not young."""
    assert judge(entry_for(b"x"), INDEX, now_s) == answer


def test_an_index_older_than_its_changed_release_is_not_reused() -> None:
    """Else apt would be given a release file and an index that do not fit together."""
    entry = entry_for(b"x", at=1000.0)
    assert judge(entry, INDEX, 1100.0, release=1050.0) == (False, "release changed")
    assert judge(entry, INDEX, 1100.0, release=1000.0) == (True, "young")
