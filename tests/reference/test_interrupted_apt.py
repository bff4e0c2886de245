"""apt itself is asked whether a recovery mends a package that lost its power.

Reference: the lab host's apt-get, with folders of its own, told to simulate. A package is as
dpkg leaves it when the power goes while it is unpacked: half-installed, to be installed again
(dpkg(1), PACKAGE STATES and FLAGS), of a version that the archive no longer has. The index may
be gone, too: what was fetched in the seconds before was not yet on the disk (seen on a clone)."""

from __future__ import annotations

import shlex
import subprocess
from pathlib import Path

import pytest

from forerun.profiles import load_profile

pytestmark = pytest.mark.tools

STATUS = """Package: shelf
Status: install reinstreq half-installed
Maintainer: Practice Archive <archive@practice.example>
Architecture: all
Version: 1.0
Description: practice package

"""
INDEX = """Package: shelf
Version: 2.0
Architecture: all
Maintainer: Practice Archive <archive@practice.example>
Filename: ./shelf_2.0_all.deb
Size: 100
SHA256: 0000000000000000000000000000000000000000000000000000000000000000
Description: practice package

"""
PROFILES = sorted((Path(__file__).parents[2] / "profiles").glob("*/profile.yaml"))


class Apt:
    """apt-get with all its folders below one of its own, and what it is told there."""

    def __init__(self, folder: Path) -> None:
        for part in ("lists/partial", "cache/archives/partial", "etc", "log", "repo"):
            (folder / part).mkdir(parents=True)
        (folder / "status").write_text(STATUS, encoding="utf-8")
        (folder / "repo" / "Packages").write_text(INDEX, encoding="utf-8")
        sources = f"deb [trusted=yes] file:{folder}/repo ./\n"
        (folder / "etc" / "sources.list").write_text(sources, encoding="utf-8")
        places = {
            "State": "", "State::lists": "lists", "State::status": "status", "Cache": "cache",
            "Etc": "etc", "Log": "log",
        }  # fmt: skip
        self._own = [f"-oDir::{key}={folder / part}" for key, part in places.items()]

    def ask(self, *words: str) -> subprocess.CompletedProcess[str]:
        """Run it; what would change packages is simulated."""
        simulated = [] if "update" in words else ["--simulate"]
        return subprocess.run(
            ["apt-get", *self._own, *simulated, *words],
            capture_output=True, text=True, timeout=60, check=False,
            env={"PATH": "/usr/sbin:/usr/bin:/sbin:/bin", "LC_ALL": "C.UTF-8"},
        )  # fmt: skip


@pytest.fixture
def apt(tmp_path: Path) -> Apt:
    return Apt(tmp_path)


def test_without_its_index_nothing_is_mended(apt: Apt) -> None:
    """The ground of what follows: apt has no archive for it then."""
    told = apt.ask("--fix-broken", "install")
    assert told.returncode == 100
    assert "shelf needs to be reinstalled, but I can't find an archive for it" in told.stderr


@pytest.mark.parametrize("path", PROFILES, ids=lambda path: path.parent.name)
def test_recoveries_mend_a_package_whose_index_is_gone(path: Path, apt: Apt) -> None:
    """What each recovery tells apt, in its order: the package would be unpacked again."""
    (recovery,) = [one for one in load_profile(path).recoveries if "power-cut-unpack" in one.mends]
    lines = [shlex.split(line.removesuffix(" || true")) for line in recovery.script.splitlines()]
    told = [apt.ask(*words[1:]) for words in lines if words and words[0] == "apt-get"]
    assert [one.returncode for one in told] == [0] * len(told), [one.stderr for one in told]
    assert "Inst shelf [1.0] (2.0" in told[-1].stdout
