"""Fetching a package through the running gateway, block by block."""

from __future__ import annotations

import hashlib

import pytest

from forerun.model.likeness import PlannedPackage
from forerun.ports.gateway import ArchiveGateway
from forerun.ports.gateway_client import stream_from_gateway
from forerun.stages.foretell_fetch import Choice, fetch_contents
from tests.practice.deb_file import build_deb

from .loopback_archive import DEB, Archive, content

pytestmark = [pytest.mark.tools, pytest.mark.timeout(60)]


def fetch(gateway: ArchiveGateway, url: str, most: int) -> tuple[int, str, bytes]:
    blocks: list[bytes] = []
    status, why = stream_from_gateway(
        gateway.port, url, blocks.append, most_bytes=most, timeout_s=10
    )
    return status, why, b"".join(blocks)


def test_a_file_comes_whole_and_is_kept(gateway: ArchiveGateway, archive: Archive) -> None:
    """Twice asked for, once fetched: the rehearsal's own download costs nothing more."""
    body = content(300_000)
    archive.put(DEB, body)
    for _ in range(2):
        assert fetch(gateway, archive.url(DEB), len(body)) == (200, "", body)
    assert archive.count(DEB) == 1


def test_what_is_too_long_missing_or_cut_is_told(gateway: ArchiveGateway, archive: Archive) -> None:
    """Never an exception: a status or 0, and the reason."""
    body = content(300_000)
    archive.put(DEB, body)
    status, why, got = fetch(gateway, archive.url(DEB), 100_000)
    assert status == 0 and "longer" in why and len(got) <= 100_000
    assert fetch(gateway, archive.url("/debian/pool/none.deb"), 10)[0] == 404
    assert fetch(gateway, archive.url("/elsewhere/none.deb"), 10)[0] == 403
    cut = "/debian/pool/main/c/cut/cut_1_all.deb"
    archive.put(cut, body, cut_after=131_072)
    status, why, _ = fetch(gateway, archive.url(cut), len(body))
    assert status != 200 and why


def test_a_planned_package_is_read_through_the_gateway(
    gateway: ArchiveGateway, archive: Archive
) -> None:
    """From the plan's line to the conffile's digest; a wrong one is not looked into."""
    body = build_deb("tool", "1.0", files={"/etc/tool": b"x\n"}, conffiles=["/etc/tool"])
    archive.put(DEB, body)
    digest = hashlib.sha256(body).hexdigest()
    for told in (f"SHA256:{digest}", f"SHA256:{digest[::-1]}"):
        one = PlannedPackage("tool", "all", "1.0", archive.url(DEB), told, len(body))
        contents, left_out = fetch_contents(gateway.port, Choice((one,)), frozenset({"/etc/tool"}))
        assert (len(contents), len(left_out)) == ((1, 0) if told.endswith(digest) else (0, 1))
