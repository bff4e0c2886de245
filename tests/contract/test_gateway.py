"""What every archive gateway does, checked over loopback sockets.

The `check_` functions take any running gateway whose allow-list holds `/debian` of the
archive they are given; `CHECKS` lists them. Then: what the real gateway lets through.
"""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest

from forerun.ports.gateway import ArchiveGateway, Gateway

from .loopback_archive import (
    DATE,
    DEB,
    INDEX,
    Archive,
    ask,
    content,
    request_bytes,
    send,
)

pytestmark = [pytest.mark.tools, pytest.mark.timeout(60)]


def check_a_file_arrives_whole_and_is_metered(gateway: Gateway, archive: Archive) -> None:
    """The body is the archive's, and the counters are its size."""
    deb, packages = content(300_001), content(70_007)
    archive.put(DEB, deb)
    archive.put(INDEX, packages)
    assert ask(gateway.port, archive.url(DEB)).body == deb
    assert ask(gateway.port, archive.url(INDEX)).body == packages
    reading = gateway.reading()
    assert (reading.packages, reading.indexes) == (len(deb), len(packages))
    assert reading.outside == len(deb) + len(packages)
    assert (reading.requests, reading.refused) == (2, 0)
    rows = {row.url: row for row in gateway.meters()}
    row = rows[archive.url(DEB)]
    assert (row.requests, row.served_bytes, row.outside_bytes) == (1, len(deb), len(deb))


def check_headers_are_counted_to_the_byte(gateway: Gateway, archive: Archive) -> None:
    """`headers` is what came before each body on the wire: answers of all kinds."""
    archive.put(DEB, content(1_000), fields={"ETag": '"1"', "Last-Modified": DATE})
    port, url = gateway.port, archive.url(DEB)
    seen = [
        ask(port, url),
        ask(port, url, "HEAD"),
        ask(port, url, Range="bytes=10-"),
        ask(port, url, If_None_Match='"1"'),
        ask(port, archive.url("/debian/none")),
        ask(port, "http://evil.test/"),
        send(port, b"NONSENSE\r\n\r\n"),
        send(port, f"GET {url} HTTP/1.0\r\n\r\n".encode()),
    ]
    assert [one.status for one in seen] == [200, 200, 206, 304, 404, 403, 400, 200]
    assert gateway.reading().headers == sum(len(one.head) for one in seen)


def check_what_is_off_the_list_never_leaves(gateway: Gateway, archive: Archive) -> None:
    """Refused requests reach no archive, say why in one line, and are counted."""
    archive.put("/etc/passwd", b"secret")
    requests = {
        "GET http://evil.test/ HTTP/1.1": request_bytes("http://evil.test/"),
        "path": request_bytes(archive.url("/etc/passwd")),
        "method": request_bytes(archive.url(DEB), "DELETE"),
        "connect": request_bytes(f"127.0.0.1:{archive.port}", "CONNECT"),
    }
    for raw in requests.values():
        got = send(gateway.port, raw)
        assert got.status == 403
        assert got.fields["content-type"].startswith("text/plain")
        assert got.body.count(b"\n") == 1 and got.body.endswith(b"\n")
    assert archive.asked == []
    assert gateway.reading().refused == len(requests)
    refused = [row for row in gateway.meters() if row.refused]
    assert any("http://evil.test/" in row.url for row in refused)
    assert sum(row.refused for row in refused) == len(requests)


def check_a_missing_file_is_missing_each_time(gateway: Gateway, archive: Archive) -> None:
    """404 passes through and is never remembered."""
    assert ask(gateway.port, archive.url(DEB)).status == 404
    archive.put(DEB, b"here now")
    assert ask(gateway.port, archive.url(DEB)).body == b"here now"


def check_partial_and_conditional_requests_are_answered(gateway: Gateway, archive: Archive) -> None:
    """206, 304, 412 and 416 as RFC 9110 has them; served bytes count, sizes do not."""
    body = content(100_000)
    archive.put(DEB, body, fields={"Last-Modified": DATE})
    port, url = gateway.port, archive.url(DEB)
    part = ask(port, url, Range="bytes=99000-", If_Range=DATE)
    assert (part.status, part.body) == (206, body[99_000:])
    assert part.fields["content-range"] == "bytes 99000-99999/100000"
    assert gateway.reading().packages == 1_000
    assert ask(port, url, If_Modified_Since=DATE).status == 304
    assert ask(port, url, If_Unmodified_Since="Sun, 06 Nov 1994 08:49:36 GMT").status == 412
    beyond = ask(port, url, Range="bytes=100000-")
    assert (beyond.status, beyond.fields["content-range"]) == (416, "bytes */100000")
    assert gateway.reading().packages == 1_000


def check_head_sends_no_body(gateway: Gateway, archive: Archive) -> None:
    """HEAD gives the length and no body, before and after the file is known."""
    archive.put(DEB, content(5_000))
    first = ask(gateway.port, archive.url(DEB), "HEAD")
    ask(gateway.port, archive.url(DEB))
    second = ask(gateway.port, archive.url(DEB), "HEAD")
    for got in (first, second):
        assert (got.status, got.body, got.fields["content-length"]) == (200, b"", "5000")
    assert gateway.reading().packages == 5_000


CHECKS: tuple[Callable[[Gateway, Archive], None], ...] = (
    check_a_file_arrives_whole_and_is_metered,
    check_headers_are_counted_to_the_byte,
    check_what_is_off_the_list_never_leaves,
    check_a_missing_file_is_missing_each_time,
    check_partial_and_conditional_requests_are_answered,
    check_head_sends_no_body,
)


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
def test_the_real_gateway_keeps_the_contract(
    check: Callable[[Gateway, Archive], None], gateway: ArchiveGateway, archive: Archive
) -> None:
    """Each check of the contract holds for ArchiveGateway."""
    check(gateway, archive)


def hostile_requests(good: str, port: int) -> dict[str, tuple[bytes, set[int]]]:
    """Requests that try to get past the list, and the statuses that are fine. For all
    of them the archive must not have been asked for anything off the list."""
    inside = b"GET http://127.0.0.1:%d/etc/passwd HTTP/1.1\r\nHost: x\r\n\r\n" % port
    start = f"GET {good} HTTP/1.1\r\nHost: x\r\n".encode()
    return {
        # RFC 9112 section 6.1: both framings at once may be an attempt to smuggle.
        "length and chunked": (
            start + b"Content-Length: 4\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n" + inside,
            {400},
        ),
        "two lengths": (
            start + b"Content-Length: 0\r\nContent-Length: 50\r\n\r\n" + inside,
            {400},
        ),
        "signed length": (start + b"Content-Length: +4\r\n\r\nabcd", {400}),
        "odd transfer coding": (start + b"Transfer-Encoding: xchunked\r\n\r\n" + inside, {400}),
        "space before colon": (start + b"Content-Length : 50\r\n\r\n" + inside, {400}),
        "folded field": (start + b"X: a\r\n b\r\n\r\n", {200, 400}),
        "bare CR in a field": (start + b"X: a\rHost: evil.test\r\n\r\n", {400}),
        "body on GET": (start + b"Content-Length: 4\r\n\r\nabcd", {403}),
        # RFC 9112 section 3.2: 400 for no Host field or more than one.
        "two hosts": (start + b"Host: evil.test\r\n\r\n", {400}),
        "no host": (f"GET {good} HTTP/1.1\r\n\r\n".encode(), {400}),
        "connect": (b"CONNECT 127.0.0.1:%d HTTP/1.1\r\nHost: x\r\n\r\n" % port + inside, {403}),
        "upgrade": (
            b"GET http://evil.test/ HTTP/1.1\r\nHost: x\r\nConnection: upgrade\r\n"
            b"Upgrade: h2c\r\n\r\n",
            {403},
        ),
        "HTTP/2 preface": (b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n", {400, 403, 505}),
        "TLS hello": (b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03\r\n\r\n", {400}),
        "endless line": (b"GET http://127.0.0.1/" + b"a" * 70_000 + b" HTTP/1.1\r\n\r\n", {400}),
        "injected field": (
            b"GET http://127.0.0.1:%d/debian/a%%0d%%0aX-Evil:1 HTTP/1.1\r\nHost: x\r\n\r\n" % port,
            {403},
        ),
    }


HOSTILE = tuple(hostile_requests("", 0))


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_request_gets_nothing(
    name: str, gateway: ArchiveGateway, archive: Archive
) -> None:
    """Smuggled, malformed and disguised requests: one answer, no second one, no request
    off the list, counted as refused, no injected field, and the gateway still serves."""
    archive.put(DEB, b"good")
    archive.put("/etc/passwd", b"secret")
    raw, statuses = hostile_requests(archive.url(DEB), archive.port)[name]
    got = send(gateway.port, raw)
    assert got.status in statuses, got
    assert b"secret" not in got.body
    assert not re.search(rb"HTTP/1\.\d \d{3}", got.body), "a second answer"
    assert "x-evil" not in got.fields
    assert archive.count("/etc/passwd") == 0
    if got.status != 200:
        assert archive.asked == []
        assert gateway.reading().refused == 1
    assert ask(gateway.port, archive.url(DEB)).body == b"good"


@pytest.mark.parametrize(
    "path",
    [
        "/debian/../etc/passwd",
        "/debian/../../etc/passwd",
        "/debian/%2e%2e/etc/passwd",
        "/debian/%252e%252e/etc/passwd",
        "/debian/..%2fetc/passwd",
        "/debian//../etc/passwd",
        "/debianetc/passwd",
    ],
)
def test_no_path_leads_out_of_the_prefix(
    path: str, gateway: ArchiveGateway, archive: Archive
) -> None:
    """Plain, encoded and twice encoded dot segments end at the gateway."""
    assert ask(gateway.port, archive.url(path)).status == 403
    assert archive.asked == []


@pytest.mark.parametrize(
    "authority",
    ["[::1]:{}", "[::ffff:127.0.0.1]:{}", "localhost:{}", "0x7f.1:{}", "x@127.0.0.1:{}"],
)
def test_another_name_of_a_listed_host_is_another_host(
    authority: str, gateway: ArchiveGateway, archive: Archive
) -> None:
    """The list is of names, not of what they lead to."""
    url = f"http://{authority.format(archive.port)}{DEB}"
    assert ask(gateway.port, url).status == 403
    assert archive.asked == []


def test_the_absolute_form_wins_over_host(gateway: ArchiveGateway, archive: Archive) -> None:
    """RFC 9112 section 3.2.2, both ways round."""
    archive.put(DEB, b"good")
    assert ask(gateway.port, archive.url(DEB), Host="evil.test").body == b"good"
    assert archive.asked[0][2]["host"] == f"127.0.0.1:{archive.port}"
    listed = f"127.0.0.1:{archive.port}"
    assert ask(gateway.port, "http://evil.test" + DEB, Host=listed).status == 403


def test_a_bare_path_is_served_for_a_listed_host_only(
    gateway: ArchiveGateway, archive: Archive
) -> None:
    """A client that takes the gateway for the archive itself gets what is on the list."""
    archive.put(DEB, b"good")
    assert ask(gateway.port, DEB, Host=f"127.0.0.1:{archive.port}").body == b"good"
    assert ask(gateway.port, DEB, Host=f"127.0.0.1:{gateway.port}").status == 403


def test_nothing_of_the_client_goes_outside(gateway: ArchiveGateway, archive: Archive) -> None:
    """Credentials, cookies and the client's own fields stay in; no cookie comes back."""
    archive.put(DEB, b"good", fields={"Set-Cookie": "a=b", "X-Other": "c"})
    got = ask(gateway.port, archive.url(DEB), Authorization="Basic x", Cookie="k=v", X_Name="host")
    asked = archive.asked[0][2]
    assert asked["accept-encoding"] == "identity"
    assert not {"authorization", "cookie", "x-name"} & set(asked)
    assert not {"set-cookie", "x-other"} & set(got.fields)


def test_redirects_are_followed_on_the_list_only(gateway: ArchiveGateway, archive: Archive) -> None:
    """On the list: the file under the name asked for. Off it: 502, counted, not asked."""
    archive.put("/debian/a.deb", b"", status=302, fields={"Location": archive.url("/debian/b")})
    archive.put("/debian/b", b"moved")
    archive.put("/debian/c", b"", status=301, fields={"Location": "/etc/passwd"})
    archive.put("/etc/passwd", b"secret")
    assert ask(gateway.port, archive.url("/debian/a.deb")).body == b"moved"
    got = ask(gateway.port, archive.url("/debian/c"))
    assert (got.status, archive.count("/etc/passwd")) == (502, 0)
    assert gateway.reading().refused == 1
    assert {row.url for row in gateway.meters() if row.refused} == {archive.url("/debian/c")}
    assert any("redirects" in one for one in gateway.faults())


def test_a_circle_of_redirects_ends(gateway: ArchiveGateway, archive: Archive) -> None:
    """After five redirects the gateway gives up."""
    archive.put("/debian/a", b"", status=302, fields={"Location": "/debian/a"})
    assert ask(gateway.port, archive.url("/debian/a")).status == 502
    assert archive.count("/debian/a") == 6
