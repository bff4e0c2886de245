"""What every Production keeps to: the fake, and the SSH adapter over a local shell.

The tools tier runs the very commands of a survey on the lab host itself, as they would
run on a server. They only read; the last test here proves that."""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from forerun.distro.debian import Debian
from forerun.distro.registry import DISTROS
from forerun.errors import SurveyFailed
from forerun.ports.clock import SystemClock
from forerun.ports.command import LocalCommand
from forerun.ports.production import Budget, CopyScope, ProbeName, SshProduction
from forerun.ports.ssh import ExecResult
from forerun.stages.leakscan import LeakScanner
from forerun.stages.sanitise_vault import Vault
from forerun.stages.survey import open_production, take_survey
from forerun.testing import FakeEntry, FakeProduction, check_production

SCOPE = Debian().scope()


class ShellLink:
    """An SSH link's shape over this machine's own shell."""

    def __init__(self) -> None:
        self._command = LocalCommand()

    def exec(self, command: str, *, timeout_s: float) -> ExecResult:
        done = self._command.run(["sh", "-c", command], timeout_s=timeout_s, check=False)
        return ExecResult(done.exit_code, done.stdout, done.stderr)

    @contextmanager
    def stream(self, command: str, *, timeout_s: float) -> Iterator[Iterator[bytes]]:
        out = self.exec(command, timeout_s=timeout_s).stdout
        yield (out[at : at + 65536] for at in range(0, len(out), 65536))


def need_debian() -> None:
    release = Path("/etc/os-release")
    if not release.exists() or "ID=debian" not in release.read_text().splitlines():
        pytest.skip("the lab host is not a Debian system")
    if not LocalCommand().find("dpkg-query"):
        pytest.skip("dpkg is not installed on this lab host")


def test_the_fake_keeps_the_contract() -> None:
    """The fake that the hermetic tests rely on behaves as a Production must."""
    production = FakeProduction(
        {ProbeName.OS_RELEASE: b"ID=debian\n"},
        {
            "/etc/a": b"1",
            "/etc/.git/x": b"2",
            "/home/x": b"3",
            "/etc/l": FakeEntry(b"4" * 2_000_000),
        },
    )
    check_production(production, SCOPE)


def test_the_fakes_budget_is_a_failed_survey() -> None:
    """Like the real one, the fake stops at its budget."""
    production = FakeProduction({ProbeName.OS_RELEASE: b"x" * 11}, budget=Budget(read_bytes=10))
    with pytest.raises(SurveyFailed):
        production.read(ProbeName.OS_RELEASE)


@pytest.mark.tools
def test_the_adapter_keeps_the_contract() -> None:
    """The real commands, run by this machine's shell, keep the same contract."""
    need_debian()
    production, distro = open_production(ShellLink())
    assert distro is DISTROS["debian"]
    check_production(production, SCOPE)


@pytest.mark.tools
def test_a_survey_of_this_machine() -> None:
    """A whole survey by the real commands: facts agree with dpkg, the copy is clean."""
    need_debian()
    production, distro = open_production(ShellLink())
    copy, vault = io.BytesIO(), Vault()
    record = take_survey(
        production, distro=distro, clock=SystemClock(), host="lab.example", survey_id="s",
        copy_to=copy, vault=vault,
    )  # fmt: skip
    installed = LocalCommand().run(
        ["dpkg-query", "--show", "--showformat=${db:Status-Abbrev}\\n"], timeout_s=60
    )
    wanted = sum(line.startswith("ii") for line in installed.text().splitlines())
    assert sum(package.state == "ii" for package in record.packages) == wanted
    assert record.machine.memory_bytes > 1 << 28
    assert any(entry.path == "/etc/passwd" for entry in record.entries)
    assert record.cost.cpu_seconds > 0
    assert list(LeakScanner(vault).scan_stream("copy", [copy.getvalue()])) == []


@pytest.mark.tools
def test_reading_leaves_the_package_managers_files_untouched() -> None:
    """Reading as root must not even refresh a cache: sizes and times stay as they were."""
    need_debian()
    watched = [Path("/var/cache/apt"), Path("/var/lib/dpkg"), Path("/var/lib/apt"), Path("/etc")]

    def look() -> dict[str, tuple[int, int]]:
        return {
            str(path): (path.lstat().st_size, path.lstat().st_mtime_ns)
            for top in watched
            for path in [top, *top.rglob("*")]
        }

    before = look()
    production, distro = open_production(ShellLink())
    for probe in distro.probes():
        production.read(probe)
    with production.files(CopyScope(("/etc",))) as chunks:
        assert sum(map(len, chunks)) > 0
    assert look() == before


@pytest.mark.tools
def test_a_shell_that_fails_is_a_failed_survey() -> None:
    """A probe's exit code reaches us through nice, env and sh."""
    production = SshProduction(
        ShellLink(), {ProbeName.OS_RELEASE: "cat /no/such/file"}, "nice -n 19"
    )
    with pytest.raises(SurveyFailed) as caught:
        production.read(ProbeName.OS_RELEASE)
    assert "No such file" in caught.value.found
