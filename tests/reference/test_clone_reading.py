"""A clone is read by a shell and Debian's own programs as its scripts expect.

Outside source: coreutils' stat and sha256sum, dpkg and sh of this host, against what
Python's `os` and `hashlib` and dpkg-query itself say."""

from __future__ import annotations

import dataclasses
import grp
import hashlib
import io
import pwd
import tarfile
from pathlib import Path

import pytest

from forerun.distro.debian import Debian
from forerun.model.survey import ConfigEntry
from forerun.ports.command import LocalCommand
from forerun.ports.ssh import ExecResult
from forerun.stages.fidelity_read import read_files, survey_clone
from forerun.stages.plan import read_clone_inputs
from forerun.testing import FakeClock, FakeGuest

pytestmark = pytest.mark.tools
COMMAND = LocalCommand()


class ShellGuest(FakeGuest):
    """Scripts run in this host's shell; what they would find under /run lies in a folder."""

    def __init__(self, folder: Path) -> None:
        super().__init__(FakeClock())
        self.folder = folder

    def run(self, script: str, *, timeout_s: float) -> ExecResult:
        moved = script.replace("/run/forerun", f"{self.folder}/forerun")
        done = COMMAND.run(["sh", "-c", moved], timeout_s=timeout_s, check=False)
        return ExecResult(done.exit_code, done.stdout, done.stderr)

    def write_file(self, path: str, content: bytes, *, mode: int = 0o600) -> None:
        (self.folder / Path(path).name).write_bytes(content)


def test_files_are_read_as_python_reads_them(tmp_path: Path) -> None:
    """Modes with special bits, owner, size, digest, names with blanks, quotes and arrows,
    links that lead nowhere; a file that is not there is left out."""
    home = tmp_path / "a copy"
    home.mkdir(mode=0o751)
    names = ("plain", 'it\'s "quoted"', "ünïcode -> arrow", "-dash", "back\\slash")
    for number, name in enumerate(names):
        (home / name).write_bytes(b"x" * number)
        (home / name).chmod(0o600 + number)
    (home / "plain").chmod(0o4750)
    (home / "link").symlink_to("no where -> at all")
    found = [home, *home.iterdir()]
    wanted = [
        ConfigEntry(
            path=str(path),
            kind="symlink" if path.is_symlink() else "folder" if path.is_dir() else "file",
            mode=path.lstat().st_mode & 0o7777,
            owner=pwd.getpwuid(path.lstat().st_uid).pw_name,
            group=grp.getgrgid(path.lstat().st_gid).gr_name,
            size_bytes=path.lstat().st_size if path.is_file() else 0,
            digest=hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else "",
            link=str(path.readlink()) if path.is_symlink() else "",
        )
        for path in found
    ]
    gone = dataclasses.replace(wanted[-1], path=str(home / "gone"), kind="file")
    guest = ShellGuest(tmp_path)
    assert sorted(read_files(guest, (*wanted, gone)), key=lambda e: e.path) == sorted(
        wanted, key=lambda e: e.path
    )
    assert not list(tmp_path.glob("forerun*"))


@pytest.mark.skipif(not COMMAND.find("dpkg-query"), reason="not installed: dpkg")
def test_this_host_is_read_by_the_probes(tmp_path: Path) -> None:
    """In one script: as many packages as dpkg-query lists, and no probe lost its answer."""
    raw = survey_clone(ShellGuest(tmp_path), Debian())
    listed = COMMAND.run(["dpkg-query", "--show", "--showformat=.\n"], timeout_s=60).text()
    assert len(raw.packages) == listed.count(".")
    assert raw.mounts
    assert not any("cut short" in row.reason for row in raw.not_readable)


@pytest.mark.skipif(not COMMAND.find("dpkg-query"), reason="not installed: dpkg")
def test_this_host_s_plan_inputs_are_read_without_secrets(tmp_path: Path) -> None:
    """The status file as it is, the version of apt that dpkg-query names, sources; and no
    login to an archive."""
    inputs = read_clone_inputs(ShellGuest(tmp_path))
    assert inputs.reason == ""
    assert inputs.status.encode("utf-8", "replace") == (
        Path("/var/lib/dpkg/status").read_bytes().decode("utf-8", "replace").encode()
    )
    apt = COMMAND.run(["dpkg-query", "-W", "-f=${Version}", "apt"], timeout_s=60, check=False)
    assert inputs.manager == apt.text()
    native = COMMAND.run(["dpkg", "--print-architecture"], timeout_s=60).text().strip()
    assert inputs.architectures[0] == native
    assert not [path for path in inputs.files if "auth.conf" in path]
    assert all(path.startswith(("/etc/apt/", "/usr/share/keyrings/")) for path in inputs.files)


def test_a_stream_cut_short_is_no_package_database(tmp_path: Path) -> None:
    """Half a tar archive gives a reason, not half a plan; also when the status is whole."""
    target = tmp_path / "clone.tar"
    with tarfile.open(target, "w") as tar:
        for name in ("var/lib/dpkg/status", "var/lib/apt/extended_states"):
            info = tarfile.TarInfo(name)
            info.size = 4000
            tar.addfile(info, io.BytesIO(b"Package: dpkg\nArchitecture: amd64\n".ljust(4000)))
    cut = target.read_bytes()[:6000]
    guest = FakeGuest(FakeClock(), answers={"tar -chf -": ExecResult(0, cut, b"")})
    assert "could not be read" in read_clone_inputs(guest).reason
