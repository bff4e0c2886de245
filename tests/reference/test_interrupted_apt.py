"""apt itself is asked whether a recovery mends a package that lost its power.

Reference: the lab host's apt-get, with folders of its own, told to simulate. A package is as
dpkg leaves it when the power goes while it is unpacked: half-installed, to be installed again
(dpkg(1), PACKAGE STATES and FLAGS), of a version that the archive no longer has. The index's
files may be empty: what was fetched in the seconds before was not yet on the disk (seen on a
clone; the kernel's documentation of ext4 calls it delayed allocation)."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.practice.archive import PracticeArchive, build_or_skip, serve_archive

from forerun.model.profile import Recovery
from forerun.ports.command import LocalCommand
from forerun.profiles import load_profile

pytestmark = pytest.mark.tools
COMMAND = LocalCommand()

STATUS = """Package: shelf-note
Status: install reinstreq half-installed
Maintainer: Practice Archive <archive@practice.example>
Architecture: all
Version: 1.0
Description: practice package

"""
NO_ARCHIVE = "shelf-note needs to be reinstalled, but I can't find an archive for it"
WOULD_UNPACK = "Inst shelf-note [1.0] (2.0"
REPAIR = "apt-get -q --fix-broken install"
SHIPPED = sorted((Path(__file__).parents[2] / "profiles").glob("*/profile.yaml"))


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> PracticeArchive:
    return build_or_skip(tmp_path_factory.mktemp("archive"), COMMAND)


class Apt:
    """apt-get with all its folders below one of its own. dpkg is not there: it would be the
    lab host's."""

    def __init__(self, folder: Path, archive: PracticeArchive, port: int) -> None:
        self.lists = folder / "state" / "lists"
        for part in (self.lists / "partial", folder / "cache/archives/partial", folder / "etc"):
            part.mkdir(parents=True)
        (folder / "state" / "status").write_text(STATUS, encoding="utf-8")
        key = folder / "etc" / "practice.gpg"
        key.write_bytes(archive.key)
        source = f"deb [signed-by={key}] http://127.0.0.1:{port} second main\n"
        (folder / "etc" / "sources.list").write_text(source, encoding="utf-8")
        settings = {
            "Dir::State": folder / "state",
            "Dir::State::status": folder / "state" / "status",
            "Dir::Cache": folder / "cache",
            "Dir::Etc": folder / "etc",
            "Dir::Log": folder / "log",
            "APT::Sandbox::User": "root",
            "APT::Architecture": "amd64",
        }
        lines = [f'{name} "{value}";\n' for name, value in settings.items()]
        self._settings = folder / "apt.conf"
        self._settings.write_text("".join(lines), encoding="utf-8")
        programs = folder / "bin"
        programs.mkdir()
        for name, does in (("dpkg", "exit 0"), ("apt-get", 'exec /usr/bin/apt-get "$@"')):
            line = 'case "$*" in *install*) set -- --simulate "$@" ;; esac\n'
            (programs / name).write_text(f"#!/bin/sh\n{line}{does}\n", encoding="utf-8")
            (programs / name).chmod(0o755)
        self._path = f"{programs}:{os.environ['PATH']}"

    def run(self, script: str) -> subprocess.CompletedProcess[str]:
        """Run a script as a step's is; what would change packages is simulated."""
        return subprocess.run(
            ["bash", "-euc", script.replace("/var/lib/apt/lists", str(self.lists))],
            capture_output=True, text=True, timeout=60, check=False,
            env={"PATH": self._path, "LC_ALL": "C.UTF-8", "APT_CONFIG": str(self._settings)},
        )  # fmt: skip

    def cut_short(self) -> None:
        """The index's files are there and empty, the signed list of them is whole."""
        for file in self.lists.glob("*Packages*"):
            os.truncate(file, 0)


@pytest.fixture
def apt(tmp_path: Path, archive: PracticeArchive) -> Iterator[Apt]:
    with serve_archive(archive) as port:
        one = Apt(tmp_path, archive, port)
        assert one.run("apt-get -q update").returncode == 0
        assert WOULD_UNPACK in one.run(REPAIR).stdout
        one.cut_short()
        yield one


def find_recovery(path: Path) -> Recovery:
    """Of a profile the one that mends a power cut."""
    (found,) = [one for one in load_profile(path).recoveries if "power-cut-unpack" in one.mends]
    return found


def test_an_index_cut_short_is_not_fetched_again(apt: Apt) -> None:
    """The ground of what follows: apt finds no archive, after an update neither."""
    for script in (REPAIR, f"apt-get -q update; {REPAIR}"):
        told = apt.run(script)
        assert told.returncode == 100
        assert NO_ARCHIVE in told.stderr


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.parent.name)
def test_recoveries_mend_a_package_whose_index_is_cut_short(path: Path, apt: Apt) -> None:
    """The package would be unpacked again."""
    told = apt.run(find_recovery(path).script)
    assert told.returncode == 0, told.stderr
    assert WOULD_UNPACK in told.stdout
    assert not apt.lists.with_name("lists.aside").exists()


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.parent.name)
def test_without_an_archive_the_index_stays(path: Path, tmp_path: Path, apt: Apt) -> None:
    """What was there is there again: packages that were fetched before can still be used."""
    before = sorted(file.name for file in apt.lists.iterdir())
    source = tmp_path / "etc" / "sources.list"
    source.write_text(source.read_text(encoding="utf-8").replace(" second ", " gone "))
    assert apt.run(find_recovery(path).script).returncode == 100
    assert sorted(file.name for file in apt.lists.iterdir()) == before
