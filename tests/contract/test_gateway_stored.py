"""What the real gateway keeps, asks for again, and passes on while it comes in."""

from __future__ import annotations

import contextlib
import hashlib
import socket
import threading
import time
from pathlib import Path

import pytest

from forerun.ports.gateway import ArchiveGateway

from .loopback_archive import (
    DATE,
    DEB,
    INDEX,
    PATIENCE_S,
    RELEASE,
    Archive,
    Got,
    SetClock,
    ask,
    content,
    read_to_end,
    request_bytes,
    unchunk,
)

pytestmark = [pytest.mark.tools, pytest.mark.timeout(60)]


def test_what_never_changes_is_fetched_once(
    tmp_path: Path, archive: Archive, clock: SetClock
) -> None:
    """Packages and by-hash files: once, also for the next process and a year later."""
    body = content(4_000)
    by_hash = "/debian/dists/x/main/by-hash/SHA256/" + hashlib.sha256(body).hexdigest()
    for path in (DEB, by_hash):
        archive.put(path, body)
    for _ in range(2):
        with ArchiveGateway(tmp_path, [archive.entry()], clock=clock) as gateway:
            for path in (DEB, by_hash):
                assert ask(gateway.port, archive.url(path)).body == body
            reading = gateway.reading()
        clock.sleep(365 * 86_400)
    assert (archive.count(DEB), archive.count(by_hash)) == (1, 1)
    assert (reading.outside, reading.cached) == (0, 8_000)
    assert (reading.packages, reading.indexes) == (4_000, 4_000)


def test_a_by_hash_file_that_is_not_what_it_says_is_not_kept(
    gateway: ArchiveGateway, archive: Archive
) -> None:
    """The client sees and rejects it itself; the next request asks again."""
    path = "/debian/dists/x/main/by-hash/SHA256/" + "ab" * 32
    archive.put(path, b"something else")
    for _ in range(2):
        assert ask(gateway.port, archive.url(path)).body == b"something else"
    assert archive.count(path) == 2
    assert any("not what the name promises" in one for one in gateway.faults())


@pytest.mark.parametrize("fields", [{"ETag": '"1"'}, {"Last-Modified": DATE}])
def test_an_index_with_a_validator_is_checked_each_time(
    fields: dict[str, str], gateway: ArchiveGateway, archive: Archive
) -> None:
    """Unchanged: asked, no body outside. Changed: the new one at once."""
    archive.put(INDEX, b"old", fields=fields)
    for _ in range(2):
        assert ask(gateway.port, archive.url(INDEX)).body == b"old"
    assert archive.count(INDEX) == 2
    assert (gateway.reading().outside, gateway.reading().cached) == (3, 3)
    changed = {name: value.replace("1", "2") for name, value in fields.items()}
    archive.put(INDEX, b"newer", fields=changed)
    assert ask(gateway.port, archive.url(INDEX)).body == b"newer"


def test_an_index_without_validator_is_used_for_its_age(
    gateway: ArchiveGateway, archive: Archive, clock: SetClock
) -> None:
    """Not asked for again within the hour, asked for again after; no-cache asks now."""
    archive.put(INDEX, b"old")
    for _ in range(3):
        assert ask(gateway.port, archive.url(INDEX), Cache_Control="max-age=0").body == b"old"
    assert archive.count(INDEX) == 1
    archive.put(INDEX, b"new")
    clock.sleep(3_599)
    assert ask(gateway.port, archive.url(INDEX)).body == b"old"
    clock.sleep(2)
    assert ask(gateway.port, archive.url(INDEX)).body == b"new"
    archive.put(INDEX, b"newest")
    assert ask(gateway.port, archive.url(INDEX), Cache_Control="no-cache").body == b"newest"


def test_a_changed_release_takes_its_indexes_with_it(
    gateway: ArchiveGateway, archive: Archive, clock: SetClock
) -> None:
    """No index younger than its age, but older than the release, is served."""
    archive.put(RELEASE, b"release 1")
    ask(gateway.port, archive.url(RELEASE))
    clock.sleep(1_800)
    archive.put(INDEX, b"packages 1")
    ask(gateway.port, archive.url(INDEX))
    clock.sleep(1_801)
    archive.put(RELEASE, b"release 2")
    archive.put(INDEX, b"packages 2")
    assert ask(gateway.port, archive.url(RELEASE)).body == b"release 2"
    assert ask(gateway.port, archive.url(INDEX)).body == b"packages 2"


@pytest.mark.parametrize("how", ["gone", "broken"])
def test_a_stale_index_is_served_and_noted_when_the_archive_is_down(
    how: str, gateway: ArchiveGateway, archive: Archive, clock: SetClock
) -> None:
    """Served with its age, and never silently. What is not known gets 503 or the
    archive's own status."""
    archive.put(INDEX, b"old")
    ask(gateway.port, archive.url(INDEX))
    clock.sleep(7_200)
    if how == "gone":
        archive.close()
    else:
        for path in (INDEX, DEB):
            archive.put(path, b"", status=500)
    got = ask(gateway.port, archive.url(INDEX))
    assert (got.body, got.fields["age"]) == (b"old", "7200")
    assert any("older copy" in one and INDEX in one for one in gateway.faults())
    unknown = ask(gateway.port, archive.url(DEB))
    assert unknown.status == (503 if how == "gone" else 500)
    assert any(DEB in one for one in gateway.faults())


def test_a_damaged_cache_is_mended(tmp_path: Path, archive: Archive) -> None:
    """A body changed on disk is found by its digest, fetched again, and noted."""
    body = content(9_000)
    archive.put(DEB, body)
    for _ in range(2):
        with ArchiveGateway(tmp_path, [archive.entry()]) as gateway:
            assert ask(gateway.port, archive.url(DEB)).body == body
            faults = gateway.faults()
        (kept,) = (one for one in (tmp_path / "bodies").rglob("*") if one.is_file())
        kept.write_bytes(b"X" * 9_000)
    assert archive.count(DEB) == 2
    assert any("damaged" in one for one in faults)


def test_a_file_is_passed_on_while_it_comes_in_and_fetched_once_for_two(
    gateway: ArchiveGateway, archive: Archive
) -> None:
    """The first bytes arrive before the archive has sent the last, also for a second
    client and for one that wants a later part; one request goes outside."""
    body = content(2_000_000)
    reply = archive.put(DEB, body, hold_after=1_000_000)
    wants = [request_bytes(archive.url(DEB))] * 2
    wants.append(request_bytes(archive.url(DEB), Range="bytes=900000-"))
    with contextlib.ExitStack() as stack:
        links = []
        for raw in wants:
            link = socket.create_connection(("127.0.0.1", gateway.port), timeout=PATIENCE_S)
            links.append(stack.enter_context(link))
            link.sendall(raw)
        early = [link.recv(4_096) for link in links]
        assert all(early)
        assert not reply.go.is_set()
        reply.go.set()
        rest = [read_to_end(link, start) for link, start in zip(links, early, strict=True)]
    assert [one.status for one in rest] == [200, 200, 206]
    assert [one.body for one in rest] == [body, body, body[900_000:]]
    assert archive.count(DEB) == 1
    reading = gateway.reading()
    assert (reading.outside, reading.packages) == (2_000_000, 5_100_000)
    assert reading.cached == 3_100_000


def test_a_file_of_unknown_length_is_served_and_kept(
    gateway: ArchiveGateway, archive: Archive
) -> None:
    """Chunked from the archive: chunked to the client, with a length the second time."""
    body = content(200_000)
    archive.put(DEB, body, chunked=True)
    first = ask(gateway.port, archive.url(DEB))
    assert first.fields["transfer-encoding"] == "chunked"
    assert unchunk(first.body) == body
    second = ask(gateway.port, archive.url(DEB))
    assert (second.fields["content-length"], second.body) == ("200000", body)
    assert archive.count(DEB) == 1


def test_a_file_whose_end_cannot_be_known_is_not_kept_for_good(
    gateway: ArchiveGateway, archive: Archive
) -> None:
    """Without length or chunks a cut-off body looks whole (RFC 9112 section 6.3), so
    nothing immutable is made of it."""
    archive.put(DEB, b"whole?", unframed=True)
    for _ in range(2):
        assert unchunk(ask(gateway.port, archive.url(DEB)).body) == b"whole?"
    assert archive.count(DEB) == 2


@pytest.mark.parametrize("chunked", [False, True])
def test_a_cut_off_file_looks_cut_off_and_is_not_kept(
    chunked: bool, gateway: ArchiveGateway, archive: Archive
) -> None:
    """The client cannot take it for whole; the next request gets the whole."""
    body = content(400_000)
    archive.put(DEB, body, chunked=chunked, cut_after=131_072)
    got = ask(gateway.port, archive.url(DEB))
    assert got.status == 200
    assert len(got.body) < len(body)
    assert not got.body.endswith(b"0\r\n\r\n")
    assert any("broke off" in one for one in gateway.faults())
    archive.put(DEB, body)
    assert ask(gateway.port, archive.url(DEB)).body == body


def test_a_client_that_goes_away_does_not_stop_the_fetch(
    gateway: ArchiveGateway, archive: Archive
) -> None:
    """Its next attempt finds the file; bytes it never took are not counted as served."""
    body = content(3_000_000)
    reply = archive.put(DEB, body, hold_after=65_536)
    with socket.create_connection(("127.0.0.1", gateway.port), timeout=PATIENCE_S) as link:
        link.sendall(request_bytes(archive.url(DEB)))
        assert link.recv(100)
    reply.go.set()
    assert ask(gateway.port, archive.url(DEB)).body == body
    assert archive.count(DEB) == 1
    assert gateway.reading().outside == len(body)
    assert gateway.reading().packages < 2 * len(body)


def test_two_gateways_can_share_a_folder(tmp_path: Path, archive: Archive) -> None:
    """Both fetch at once, both serve whole files, and one copy is left."""
    body = content(500_000)
    reply = archive.put(DEB, body, hold_after=65_536)
    got: list[Got] = []
    with (
        ArchiveGateway(tmp_path, [archive.entry()]) as one,
        ArchiveGateway(tmp_path, [archive.entry()]) as two,
    ):
        threads = [
            threading.Thread(target=lambda port=port: got.append(ask(port, archive.url(DEB))))
            for port in (one.port, two.port)
        ]
        for thread in threads:
            thread.start()
        deadline = time.monotonic() + PATIENCE_S
        while archive.count(DEB) < 2 and time.monotonic() < deadline:
            time.sleep(0.01)
        reply.go.set()
        for thread in threads:
            thread.join()
        assert [each.body for each in got] == [body, body]
        assert ask(one.port, archive.url(DEB)).body == body
    assert archive.count(DEB) == 2
    assert sum(each.is_file() for each in (tmp_path / "bodies").rglob("*")) == 1
    assert list((tmp_path / "partial").iterdir()) == []
