"""apt's configuration language against apt itself, and hostile configuration on this host.

Outside source: Debian's apt, by `apt-config dump` and `apt-get`."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from forerun.distro.debian_apt_conf import order_files
from forerun.distro.debian_plan import pick_settings
from forerun.distro.debian_sources import parse_sources
from forerun.model.profile import SourcePlan
from forerun.ports.command import LocalCommand
from forerun.stages.plan import PlanInputs, Planner

pytestmark = pytest.mark.tools
COMMAND = LocalCommand()

SERVERS = """
// usual on servers
APT::Install-Recommends "false";
APT { Get { Fix-Missing "true"; }; NeverAutoRemove { "^firmware-.*"; "^linux-image.*"; };
      Never-MarkAuto-Sections { "metapackages"; "universe/metapackages"; }; };
# a comment; with "quotes"
/* APT::Install-Suggests "true"; */
APT::Default-Release "stable"; pkgProblemResolver { Scores { Required "7"; } }
APT::Get::AutomaticRemove
  "true";
Unattended-Upgrade::Mail "root"; DPkg::Post-Invoke { "true"; };
APT::Protect-Kernels "0"
;
"""


@pytest.fixture(autouse=True)
def apt_is_there() -> None:
    if not COMMAND.find("apt-config"):
        pytest.skip("not installed: apt")


def test_settings_are_those_that_apt_reads(tmp_path: Path) -> None:
    """Every setting of a plan that `apt-config dump` shows beyond its own defaults, with its
    value, and no other."""

    def dump(text: str) -> set[tuple[str, str]]:
        config = tmp_path / "apt.conf"
        config.write_text(
            'Dir::Etc "none"; Dir::Etc::parts "none"; Dir::Etc::main "none";\n' + text
        )
        shown = COMMAND.run(["apt-config", "dump"], timeout_s=60, env={"APT_CONFIG": str(config)})
        return set(pick_settings(shown.text()))

    own = set(pick_settings(SERVERS))
    assert own - dump("") == dump(SERVERS) - dump("")
    assert len(own) == 10


def test_this_hosts_own_settings_are_read_alike(tmp_path: Path) -> None:
    """The files of a real system; apt reads the same ones in the same order."""
    folder = Path("/etc/apt")
    files = {
        str(path): path.read_bytes()
        for path in (folder / "apt.conf", *folder.glob("apt.conf.d/*"))
        if path.is_file()
    }
    own = [one for _, text in order_files(files) for one in pick_settings(text.decode())]
    shown = COMMAND.run(["apt-config", "dump"], timeout_s=60)
    # apt writes a name as it met it first, and tells names apart without regard to case.
    known = {(name.lower(), value) for name, value in pick_settings(shown.text())}
    assert {(name.lower(), value) for name, value in own} <= known


HOSTILE = (
    b'AptCli::Hooks::Upgrade {"touch @MARK@";}; AptCli::Hooks::Install {"touch @MARK@";};',
    b'Dir::Bin::dpkg "/bin/sh"; DPkg::Options {"-c"; "touch @MARK@";};',
    b'APT::Update::Pre-Invoke {"touch @MARK@";}; DPkg::Pre-Invoke {"touch @MARK@";};',
    b'APT::Solver "../../../../../..@SOLVER@";',
)


@pytest.fixture
def open_folder(places_alone: None) -> Iterator[Path]:
    """A folder that apt's own user may write to: it starts solvers as that."""
    with tempfile.TemporaryDirectory(dir="/var/tmp") as name:
        Path(name).chmod(0o777)
        yield Path(name)


@pytest.mark.parametrize("text", HOSTILE)
def test_a_servers_configuration_starts_nothing_here(
    text: bytes, tmp_path: Path, open_folder: Path
) -> None:
    """apt is really asked; neither by a file of the server's nor by a name of an architecture
    is a program of theirs started. (Given to apt unfiltered, each of these leaves its mark.)"""
    mark = open_folder / "mark"
    solver = open_folder / "solver"
    solver.write_text(f"#!/bin/sh\ntouch {mark}\n")
    solver.chmod(0o755)
    text = text.replace(b"@MARK@", bytes(mark)).replace(b"@SOLVER@", bytes(solver))
    inputs = PlanInputs(
        "Package: a\nStatus: install ok installed\nVersion: 1\nArchitecture: amd64\n",
        "",
        parse_sources({"/etc/apt/sources.list": "deb http://127.0.0.1:1/d first main\n"}),
        ("amd64", f'x"; {text.decode()} Y "'),
        {"/etc/apt/apt.conf.d/99": text},
    )
    plan = Planner(tmp_path / "work", COMMAND).plan_upgrade(
        inputs, SourcePlan((("first", "second"),), "/k.gpg", ())
    )
    assert plan.manager, "apt was asked"
    assert not mark.exists()
