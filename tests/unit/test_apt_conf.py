"""apt's configuration language, read without apt, and what of it may reach the lab host's."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.practice.watch import no_hang

from forerun.distro.debian_apt_conf import order_files, read_settings
from forerun.distro.debian_plan import order_architectures, pick_settings
from forerun.distro.debian_sources import parse_sources
from forerun.model.profile import SourcePlan
from forerun.ports.command import Completed, LocalCommand
from forerun.stages.plan import PlanInputs, Planner

TEXT = """
// a comment "x";
APT::Install-Recommends "false";   # another
/* APT::Install-Suggests "true";
*/
APT { Get { Fix-Missing "true"; };
  NeverAutoRemove { "^firmware-.*"; "^linux-firmware$"; };
  Default-Release stable;
};
#clear APT::Install-Recommends;
#include "/etc/shadow";
Acquire::http::Proxy "http://192.0.2.1:3128/"; // "in quotes no comment begins"
pkgProblemResolver::Scores::Required "9";
DPkg::Post-Invoke { "touch /x"; };
"""


def test_settings_are_read_as_the_manual_has_them() -> None:
    """apt.conf(5): scopes, lists, comments of three kinds, optional quotes; directives go."""
    assert list(read_settings(TEXT)) == [
        ("APT::Install-Recommends", "false"),
        ("APT::Get::Fix-Missing", "true"),
        ("APT::NeverAutoRemove::", "^firmware-.*"),
        ("APT::NeverAutoRemove::", "^linux-firmware$"),
        ("APT::Default-Release", "stable"),
        ("Acquire::http::Proxy", "http://192.0.2.1:3128/"),
        ("pkgProblemResolver::Scores::Required", "9"),
        ("DPkg::Post-Invoke::", "touch /x"),
    ]


def test_files_are_read_in_apts_order() -> None:
    """apt.conf(5): the parts by name, then the main file; other endings do not count."""
    names = ("apt.conf", "apt.conf.d/90b", "apt.conf.d/10a.conf", "apt.conf.d/x.dpkg-old",
             "apt.conf.d/sub/y", "apt.conf.d/z~", "preferences")  # fmt: skip
    files = {f"/etc/apt/{name}": b"" for name in names}
    assert [path for path, _ in order_files(files)] == [
        "/etc/apt/apt.conf.d/10a.conf",
        "/etc/apt/apt.conf.d/90b",
        "/etc/apt/apt.conf",
    ]


@given(st.text(alphabet='aA:{};"#/* \n\\inclde~', max_size=200))
def test_any_text_is_read(text: str) -> None:
    """No error, whatever stands there; nothing but settings of a plan gets out."""
    for name, value in pick_settings(text):
        assert name.lower().startswith(("apt::", "pkgproblemresolver"))
        assert value


@pytest.mark.parametrize("text", ["{" * 100_000, 'a { b "c"; ' * 5000, '"' * 99_999, "/*" * 9999])
def test_a_trap_is_no_hang(text: str) -> None:
    with no_hang():
        list(read_settings(text))


@pytest.mark.parametrize(
    ("value", "kept"), [("internal", True), ("dump", True), ("../../../../bin/sh", False)]
)
def test_a_solver_is_none_of_the_lab_hosts_other_programs(value: str, kept: bool) -> None:
    """apt starts the program of that name: a path would lead to any (observed, apt 2.6)."""
    assert bool(pick_settings(f'apt::solver "{value}";')) is kept


def test_an_architecture_is_a_name() -> None:
    """Debian Policy 11.1; anything else could end the line it is written into."""
    odd = ('x"; APT::Update::Pre-Invoke {"touch /x";}; Y "', "", "a b", "../x", "all", "I386")
    assert order_architectures("amd64", (*odd, "i386", "amd64")) == ("amd64", "i386")


class Recorder(LocalCommand):
    """Says that apt is there, and keeps what it would have read."""

    def __init__(self) -> None:
        self.read: dict[str, str] = {}
        self.asked: list[list[str]] = []

    def find(self, program: str) -> str:
        return f"/usr/bin/{program}"

    def run(self, argv: Sequence[str], *, cwd: Path | None = None, **_: object) -> Completed:
        self.asked.append(list(argv))
        folder = cwd or Path("/nonexistent")
        for path in sorted(folder.rglob("*")):
            if path.is_file():
                self.read[str(path.relative_to(folder))] = path.read_text(errors="replace")
        return Completed(tuple(argv), 0, b"", b"")


def plan(files: Mapping[str, bytes], sources: str, folder: Path, *architectures: str) -> Recorder:
    """What apt is given for a server with those files."""
    command = Recorder()
    inputs = PlanInputs(
        "Package: a\nStatus: install ok installed\nVersion: 1\nArchitecture: amd64\n",
        "",
        parse_sources({"/etc/apt/sources.list": sources}),
        ("amd64", *architectures),
        files,
    )
    Planner(folder, command).plan_upgrade(inputs, SourcePlan((("first", "second"),), "/k.gpg", ()))
    return command


HOSTILE = {
    "/etc/apt/apt.conf.d/01hooks": b'AptCli::Hooks::Upgrade {"touch /x";};',
    "/etc/apt/apt.conf.d/02dpkg": b'Dir::Bin::dpkg "/bin/sh"; DPkg::Options {"-c";"touch /x";};',
    "/etc/apt/apt.conf.d/03solver": b'APT::Solver "../../../../../bin/sh";',
    "/etc/apt/apt.conf.d/04methods": b'Dir::Bin::methods "/tmp"; Dir::Bin::solvers "/tmp";',
    "/etc/apt/apt.conf.d/05fine": b'APT::Install-Suggests "true";',
    "/etc/apt/apt.conf": b'#include "/etc/shadow";\nAPT::Get::Upgrade "x\\";};DPkg::Pre-Invoke"',
}


def test_no_command_of_a_server_reaches_apt(tmp_path: Path) -> None:
    """Hooks, programs, methods, options of dpkg, includes: apt gets none of them, and no
    program but the planning script is started, so that none can read them first."""
    hostile = 'x"; AptCli::Hooks::Upgrade {"touch /x";}; Y "'
    command = plan(HOSTILE, "deb http://a.test/d first main\n", tmp_path / "work", hostile)
    assert command.asked == [["sh", "-s"]]
    config = command.read["apt.conf"].splitlines()
    names = {line.partition(" ")[0] for line in config}
    assert names == {
        "Dir", "Dir::Etc", "Dir::Etc::parts", "Dir::Etc::main", "Dir::State",
        "Dir::State::status", "Dir::Cache", "Dir::Log", "APT::Architecture",
        "APT::Architectures::", "APT::Install-Suggests",
    }  # fmt: skip
    assert not [text for text in command.read.values() if "touch" in text or "shadow" in text]


def test_apt_is_asked_through_the_gateway_only(tmp_path: Path) -> None:
    """Addresses of another kind than the web's would go past it: a folder of the lab host,
    a command (ssh, rsh), a host that the gateway has no allow-list for (ftp)."""
    odd = "".join(
        f"deb {uri} first main\n"
        for uri in ("file:/etc", "copy:/etc", "ssh://h.test/", "ftp://h.test/", "mirror+file:/etc")
    )
    command = plan({}, f"{odd}deb http://a.test/d first main\n", tmp_path / "work")
    written = command.read["etc/sources.list.d/forerun.sources"]
    assert [line for line in written.splitlines() if line.startswith("URIs:")] == [
        "URIs: http://a.test/d"
    ]
