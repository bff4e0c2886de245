"""The real gateway from start to end (list, rate, certificates, proxies, closing), and
check_archive."""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from ipaddress import ip_address
from pathlib import Path
from ssl import PROTOCOL_TLS_SERVER, SSLContext

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from forerun.errors import ArchiveUnreachable, LabUnfit, NoRoom
from forerun.model.blueprint import AllowedArchive
from forerun.ports.gateway import ArchiveGateway, check_archive
from tests.sockets import list_listening

from .loopback_archive import (
    DEB,
    INDEX,
    PATIENCE_S,
    RELEASE,
    Archive,
    Got,
    ask,
    content,
    request_bytes,
)

pytestmark = [pytest.mark.tools, pytest.mark.timeout(60)]


def test_an_entry_can_be_lent_while_the_gateway_runs(
    gateway: ArchiveGateway, archive: Archive
) -> None:
    """It counts for the next request, and no longer than the block runs, however that ends;
    an equal entry that was there before stays."""
    archive.put("/extra/a.deb", b"extra")
    archive.put(DEB, b"good")
    url = archive.url("/extra/a.deb")
    assert ask(gateway.port, url).status == 403
    with gateway.lend(archive.entry("/extra")), gateway.lend(archive.entry()):
        assert ask(gateway.port, url).body == b"extra"
    assert ask(gateway.port, url).status == 403
    assert ask(gateway.port, archive.url(DEB)).body == b"good"
    with pytest.raises(RuntimeError), gateway.lend(archive.entry("/extra")):
        raise RuntimeError
    assert ask(gateway.port, url).status == 403


def test_it_listens_on_loopback_only(gateway: ArchiveGateway) -> None:
    """As the kernel has it (proc(5), net/tcp): one socket, 127.0.0.1."""
    own = {one for one in list_listening() if one[2] == gateway.port}
    assert own == {("tcp", "127.0.0.1", gateway.port)}


def test_leaving_ends_open_transfers_and_leaves_nothing(tmp_path: Path, archive: Archive) -> None:
    """With a stalled archive, a client that does not read, one that waits for a header
    and one that says nothing, leaving takes seconds, not minutes."""
    archive.put(DEB, content(20_000_000))
    archive.put(INDEX, content(500_000), hold_after=65_536)
    archive.put(RELEASE, content(10), hold_after=0)
    links = []
    with ArchiveGateway(tmp_path, [archive.entry()]) as gateway:
        for path in (DEB, INDEX, RELEASE, ""):
            link = socket.create_connection(("127.0.0.1", gateway.port), timeout=PATIENCE_S)
            links.append(link)
            if path:
                link.sendall(request_bytes(archive.url(path)))
                deadline = time.monotonic() + PATIENCE_S
                while not archive.count(path) and time.monotonic() < deadline:
                    time.sleep(0.01)
        port = gateway.port
        began = time.monotonic()
    assert time.monotonic() - began < 5
    for link in links:
        link.close()
    assert list((tmp_path / "partial").iterdir()) == []
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", port), timeout=1)
    assert not [one for one in threading.enumerate() if one.name == "forerun-gateway"]
    assert gateway.reading().requests == 3


def test_a_taken_port_and_a_bad_folder_are_named(tmp_path: Path, archive: Archive) -> None:
    """LabUnfit and NoRoom, each with the place and a hint."""
    with ArchiveGateway(tmp_path / "a", [archive.entry()]) as gateway:
        with (
            pytest.raises(LabUnfit) as taken,
            ArchiveGateway(tmp_path / "b", [], port=gateway.port),
        ):
            pass
        assert str(gateway.port) in taken.value.where and taken.value.hint
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(NoRoom) as folder, ArchiveGateway(tmp_path / "file", []):
        pass
    assert folder.value.hint


def test_a_rate_is_kept_over_all_clients(tmp_path: Path, archive: Archive) -> None:
    """Two transfers of 100 kB at 2 Mbit/s take 0.8 s together, on the real clock; that they
    were under way at once does not count twice in the gateway's seconds of fetching."""
    body = content(100_000)
    archive.put(DEB, body)
    with ArchiveGateway(tmp_path, [archive.entry()], rate_limit_bits=2_000_000) as gateway:
        got: list[Got] = []
        threads = [
            threading.Thread(target=lambda: got.append(ask(gateway.port, archive.url(DEB))))
            for _ in range(2)
        ]
        began = time.monotonic()
        for one in threads:
            one.start()
        for one in threads:
            one.join()
        took = time.monotonic() - began
        time.sleep(0.3)
        fetching_s = gateway.reading().fetching_s
    assert [one.body for one in got] == [body, body]
    assert took >= 8 * 200_000 / 2_000_000 - 0.11
    assert 8 * 200_000 / 2_000_000 - 0.2 <= fetching_s <= took


def test_no_file_stays_open(gateway: ArchiveGateway, archive: Archive) -> None:
    """After many transfers, whole and broken off, no cache file is held open."""
    for number in range(12):
        path = f"/debian/pool/{number}_1_all.deb"
        archive.put(path, content(70_000), cut_after=65_536 if number % 3 == 0 else None)
        for _ in range(2):
            ask(gateway.port, archive.url(path))
    deadline = time.monotonic() + PATIENCE_S
    while (left := open_files("archive")) and time.monotonic() < deadline:
        time.sleep(0.02)
    assert left == []


def open_files(word: str) -> list[str]:
    """The paths of this process's open files that have `word` as a folder."""
    found = []
    for one in Path("/proc/self/fd").iterdir():
        with contextlib.suppress(OSError):
            found.append(str(one.readlink()))
    return [one for one in found if f"/{word}/" in one]


def test_the_environment_s_proxy_is_the_way_out(
    tmp_path: Path, archive: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With http_proxy set, the archive is asked for in absolute form at the proxy."""
    url = "http://archive.test" + DEB
    archive.put(url, b"by proxy")
    monkeypatch.setenv("http_proxy", f"http://127.0.0.1:{archive.port}")
    allowed = [AllowedArchive("http", "archive.test", 80, "/debian")]
    with ArchiveGateway(tmp_path, allowed) as gateway:
        assert ask(gateway.port, url).body == b"by proxy"
    assert archive.count(url) == 1


# -- https ----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A key and self-signed certificate for 127.0.0.1 in one PEM file."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "archive.test")])
    now = datetime.now(UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=1))
        .add_extension(
            x509.SubjectAlternativeName([x509.IPAddress(ip_address("127.0.0.1"))]), critical=False
        )
        .sign(key, hashes.SHA256())
    )
    pem = serialization.Encoding.PEM
    text = key.private_bytes(
        pem, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    ) + made.public_bytes(pem)
    path = tmp_path_factory.mktemp("tls") / "archive.pem"
    path.write_bytes(text)
    return path


@pytest.fixture
def tls_archive(certificate: Path, no_proxies: None) -> Iterator[Archive]:
    tls = SSLContext(PROTOCOL_TLS_SERVER)
    tls.load_cert_chain(certificate)
    one = Archive(tls)
    yield one
    one.close()


def test_an_https_archive_is_asked_by_https(
    tmp_path: Path, tls_archive: Archive, certificate: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The client says http://, the gateway https; trust comes from `ca_file` or from
    SSL_CERT_FILE, and without trust nothing is served."""
    tls_archive.put(DEB, b"over tls")
    allowed = [tls_archive.entry(scheme="https")]
    url = tls_archive.url(DEB)
    with ArchiveGateway(tmp_path / "a", allowed) as gateway:
        assert ask(gateway.port, url).status == 503
        assert any("certificate" in one for one in gateway.faults())
    with ArchiveGateway(tmp_path / "b", allowed, ca_file=str(certificate)) as gateway:
        assert ask(gateway.port, url).body == b"over tls"
    monkeypatch.setenv("SSL_CERT_FILE", str(certificate))
    with ArchiveGateway(tmp_path / "c", allowed) as gateway:
        assert ask(gateway.port, url).body == b"over tls"


# -- check_archive --------------------------------------------------------------------


def test_an_archive_with_its_release_files_passes(archive: Archive) -> None:
    """InRelease or, failing that, Release; dists and flat archives."""
    archive.put("/debian/dists/x/InRelease", b"-----BEGIN PGP SIGNED MESSAGE-----\n")
    archive.put("/debian/dists/y/updates/Release", b"Origin: Example\n")
    archive.put("/debian/flat/InRelease", b"-----BEGIN PGP SIGNED MESSAGE-----\n")
    check_archive(archive.entry(), timeout_s=5, suites=["x", "y/updates", "flat/"])
    assert archive.count("/debian/dists/x/Release") == 0


def test_what_is_wrong_with_an_archive_is_named(archive: Archive) -> None:
    """A missing suite, a login page, a redirect elsewhere, silence, nobody there: each
    raises ArchiveUnreachable with the address and a hint."""
    archive.put("/debian/dists/page/InRelease", b"<!doctype html><title>\x1bLog in</title>")
    archive.put(
        "/debian/dists/away/InRelease", b"", status=302, fields={"Location": "http://e.test/"}
    )
    archive.put("/debian/dists/slow/InRelease", b"Origin: x\n" * 9_999, hold_after=0)
    archive.put("/debian/dists/sick/InRelease", b"", status=500)
    found = {}
    for suite in ("none", "page", "away", "slow", "sick", "../../etc"):
        with pytest.raises(ArchiveUnreachable) as problem:
            check_archive(archive.entry(), timeout_s=0.5, suites=[suite])
        found[suite] = problem.value
        assert problem.value.where and problem.value.hint
        assert str(problem.value).replace("\n", "").isprintable()
    assert "404" in found["none"].found
    assert "doctype" in found["page"].found
    assert "e.test" in found["away"].what
    assert "in time" in found["slow"].what
    assert "500" in found["sick"].found
    archive.close()
    with pytest.raises(ArchiveUnreachable) as problem:
        check_archive(archive.entry(), timeout_s=2, suites=["x"])
    assert "cannot be reached" in problem.value.what


def test_an_archive_that_is_made_bad_on_purpose(gateway: ArchiveGateway, archive: Archive) -> None:
    """Gone: 503, and nothing is asked outside. Altered: as long, one byte other, also from
    the cache, and never an index. Lifted: as it was."""
    good = archive.put(DEB, content(100_000)) or content(100_000)
    archive.put(INDEX, content(2_000))
    assert ask(gateway.port, archive.url(DEB)).body == content(100_000)
    gateway.trouble.kind = "gone"
    assert ask(gateway.port, archive.url(DEB)).status == 503
    gateway.trouble.kind = "altered"
    bad = ask(gateway.port, archive.url(DEB)).body
    assert len(bad) == len(content(100_000))
    assert sum(a != b for a, b in zip(bad, content(100_000), strict=True)) == 1
    assert ask(gateway.port, archive.url(INDEX)).body == content(2_000)
    gateway.trouble.kind = ""
    assert ask(gateway.port, archive.url(DEB)).body == content(100_000)
    assert good


def test_a_slow_archive_sends_its_bytes_slowly(gateway: ArchiveGateway, archive: Archive) -> None:
    """Whole in the end; 16 kB take about two seconds at 8 kB a second."""
    archive.put(DEB, content(16_000))
    gateway.trouble.kind = "slow"
    began = time.monotonic()
    assert ask(gateway.port, archive.url(DEB)).body == content(16_000)
    assert time.monotonic() - began > 1.5
