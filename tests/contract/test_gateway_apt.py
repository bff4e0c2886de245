"""apt itself as the gateway's client."""

from __future__ import annotations

import hashlib
import os
from datetime import UTC, datetime
from pathlib import Path

import pytest

from forerun.ports.command import LocalCommand
from forerun.ports.gateway import ArchiveGateway

from .loopback_archive import (
    DATE,
    Archive,
    content,
)

pytestmark = [pytest.mark.tools, pytest.mark.timeout(60)]


class Apt:
    """apt-get with a configuration, state and cache of its own, through a gateway."""

    def __init__(self, folder: Path, gateway_port: int, source: str) -> None:
        self.folder = folder
        for one in ("state/lists/partial", "cache/archives/partial", "etc/apt.conf.d", "log"):
            (folder / one).mkdir(parents=True)
        (folder / "status").touch()
        (folder / "etc/sources.list").write_text(source)
        options = {
            "Dir::Etc": f"{folder}/etc",
            "Dir::Etc::sourcelist": f"{folder}/etc/sources.list",
            "Dir::Etc::sourceparts": "/dev/null",
            "Dir::Etc::parts": f"{folder}/etc/apt.conf.d",
            "Dir::State": f"{folder}/state",
            "Dir::State::status": f"{folder}/status",
            "Dir::Cache": f"{folder}/cache",
            "Dir::Log": f"{folder}/log",
            "APT::Architecture": "amd64",
            "APT::Architectures": "amd64",
            "APT::Sandbox::User": "root",
            "Acquire::http::Proxy": f"http://127.0.0.1:{gateway_port}",
            "Acquire::Languages": "none",
            "Acquire::Retries": "0",
        }
        # In a file, not on the command line: so nothing of this host's own is read.
        config = "".join(f'{name} "{value}";\n' for name, value in options.items())
        (folder / "apt.conf").write_text(config)
        self._env = {"APT_CONFIG": f"{folder}/apt.conf", "no_proxy": "", "NO_PROXY": ""}

    def run(self, *words: str) -> str:
        done = LocalCommand().run(["apt-get", *words], timeout_s=50, env=self._env, cwd=self.folder)
        return done.text()


def build_archive(archive: Archive, folder: Path, fields: dict[str, str]) -> dict[str, int]:
    """A tiny dists archive of one package; sizes in bytes by name."""
    (folder / "tree/DEBIAN").mkdir(parents=True)
    stanza = (
        "Package: tool\nVersion: 1:1.0+b1\nArchitecture: all\n"
        "Maintainer: Nobody <nobody@archive.test>\nDescription: a test\n"
    )
    (folder / "tree/DEBIAN/control").write_text(stanza)
    (folder / "tree/payload").write_bytes(content(50_000))
    LocalCommand().run(["dpkg-deb", "--build", "tree", "tool.deb"], timeout_s=30, cwd=folder)
    deb = (folder / "tool.deb").read_bytes()
    pool = "pool/main/t/tool/tool_1.0+b1_all.deb"
    packages = (
        f"{stanza}Filename: {pool}\nSize: {len(deb)}\nSHA256: {hashlib.sha256(deb).hexdigest()}\n"
    ).encode()
    release = (
        "Origin: Example\nSuite: x\nCodename: x\nArchitectures: amd64 all\nComponents: main\n"
        "Date: Sun, 01 Mar 2026 00:00:00 UTC\nSHA256:\n"
        f" {hashlib.sha256(packages).hexdigest()} {len(packages)} main/binary-amd64/Packages\n"
    ).encode()
    archive.put("/debian/dists/x/Release", release, fields=dict(fields))
    archive.put("/debian/dists/x/main/binary-amd64/Packages", packages, fields=dict(fields))
    # apt asks for "+" as %2b, and the gateway passes it on encoded.
    archive.put(f"/debian/{pool}".replace("+", "%2B"), deb, fields=dict(fields))
    return {"deb": len(deb), "indexes": len(release) + len(packages)}


@pytest.mark.skipif(
    not (LocalCommand().find("apt-get") and LocalCommand().find("dpkg-deb")),
    reason="apt-get and dpkg-deb are needed as clients; this host has no apt",
)
@pytest.mark.parametrize(
    "fields", [{}, {"ETag": '"1"'}, {"Last-Modified": DATE}], ids=["bare", "etag", "date"]
)
def test_apt_updates_and_downloads_through_the_gateway(
    fields: dict[str, str], tmp_path: Path, gateway: ArchiveGateway, archive: Archive
) -> None:
    """apt itself is content, the counters are the files' sizes, and a second clone's
    update and download cost nothing outside."""
    sizes = build_archive(archive, tmp_path / "build", fields)
    source = f"deb [trusted=yes] {archive.url('/debian')} x main\n"
    first = Apt(tmp_path / "first", gateway.port, source)
    first.run("update")
    reading = gateway.reading()
    assert (reading.indexes, reading.packages) == (sizes["indexes"], 0)
    assert reading.outside == sizes["indexes"]
    first.run("update")
    assert gateway.reading().outside == sizes["indexes"]
    first.run("download", "tool")
    reading = gateway.reading()
    assert (reading.packages, reading.outside) == (sizes["deb"], sizes["indexes"] + sizes["deb"])

    second = Apt(tmp_path / "second", gateway.port, source)
    second.run("update")
    second.run("download", "tool")
    after = gateway.reading()
    assert after.outside == reading.outside
    assert after.packages == 2 * sizes["deb"]
    assert after.cached == after.packages + after.indexes - after.outside
    assert (after.refused, gateway.faults()) == (0, ())
    downloaded = [next(one.folder.glob("tool_*.deb")).read_bytes() for one in (first, second)]
    assert downloaded == [(tmp_path / "build/tool.deb").read_bytes()] * 2


@pytest.mark.skipif(
    not (LocalCommand().find("apt-get") and LocalCommand().find("dpkg-deb")),
    reason="apt-get and dpkg-deb are needed as clients; this host has no apt",
)
def test_apt_resumes_a_partial_file_through_the_gateway(
    tmp_path: Path, gateway: ArchiveGateway, archive: Archive
) -> None:
    """With half a package in partial/, apt asks for the rest and the whole is right."""
    sizes = build_archive(archive, tmp_path / "build", {"Last-Modified": DATE})
    source = f"deb [trusted=yes] {archive.url('/debian')} x main\n"
    apt = Apt(tmp_path / "apt", gateway.port, source)
    apt.run("update")
    deb = (tmp_path / "build/tool.deb").read_bytes()
    half = apt.folder / "cache/archives/partial/tool_1%3a1.0+b1_all.deb"
    half.write_bytes(deb[: sizes["deb"] // 2])
    moment = datetime(1994, 11, 6, 8, 49, 37, tzinfo=UTC).timestamp()
    os.utime(half, (moment, moment))
    apt.run("install", "--download-only", "--yes", "tool")
    assert gateway.reading().packages == sizes["deb"] - sizes["deb"] // 2
    whole = apt.folder / "cache/archives/tool_1%3a1.0+b1_all.deb"
    assert whole.read_bytes() == deb
