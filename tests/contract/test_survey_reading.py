"""What reading does to a server, seen from outside: nothing is changed, little is spent,
and odd tools lead to a clear word. The commands are run on this machine by its own shell.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from forerun.distro.debian import Debian
from forerun.errors import SurveyFailed
from forerun.ports.production import Budget, CopyScope, ProbeName, Spent, SshProduction, find_root
from forerun.ports.production import list_probes as list_commands
from forerun.ports.ssh import ExecResult
from tests.contract.test_production import need_debian

# Without the one that would ask this machine's own archives: tests/contract/test_speed_kit.py
# runs it against one on the loopback.
PROBES: dict[ProbeName, str] = {
    probe: command
    for probe, command in Debian().probes(calibrate=True).items()
    if probe is not ProbeName.LINK_RATE
}
WATCHED = ("/etc", "/var/lib/dpkg", "/var/lib/apt", "/var/cache/apt", "/var/cache/debconf",
           "/var/lib/ucf", "/var/log/apt", "/var/lib/dkms")  # fmt: skip
pytestmark = [pytest.mark.tools, pytest.mark.usefixtures("places_alone")]
_SYSTEM_PATH = "PATH=/usr/sbin:/usr/bin:/sbin:/bin"


class PipedLink:
    """An SSH link's shape over this machine's shell, with output handed out as it comes.
    `root` stands for `/` where a command goes there, `path` for the system's PATH."""

    def __init__(self, root: Path | None = None, path: str = "") -> None:
        self._root, self._path = root, path
        self.commands: list[str] = []

    def _change(self, command: str) -> str:
        self.commands.append(command)
        if self._root:
            command = command.replace("cd / ", f"cd {self._root} ")
        return command.replace(_SYSTEM_PATH, f"PATH={self._path}") if self._path else command

    def exec(self, command: str, *, timeout_s: float) -> ExecResult:
        argv = ["/bin/sh", "-c", self._change(command)]
        done = subprocess.run(argv, capture_output=True, timeout=timeout_s, check=False)
        return ExecResult(done.returncode, done.stdout, done.stderr)

    @contextmanager
    def stream(self, command: str, *, timeout_s: float) -> Iterator[Iterator[bytes]]:
        argv = ["/bin/sh", "-c", self._change(command)]
        with subprocess.Popen(argv, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL) as process:
            assert process.stdout is not None
            out = process.stdout.fileno()
            yield iter(lambda: os.read(out, 1 << 17), b"")
            process.stdout.close()
            process.terminate()


def look(folders: tuple[str, ...]) -> dict[str, tuple[object, ...]]:
    """Path to size, times of content and of inode, mode, and digest."""
    found: dict[str, tuple[object, ...]] = {}
    for top in map(Path, folders):
        for path in [top, *top.rglob("*")] if top.exists() else []:
            facts = path.lstat()
            digest = ""
            if path.is_symlink():
                digest = str(path.readlink())
            elif path.is_file():
                with path.open("rb") as stream:
                    digest = hashlib.file_digest(stream, "sha256").hexdigest()
            found[str(path)] = (
                facts.st_size, facts.st_mtime_ns, facts.st_ctime_ns, facts.st_mode, digest,
            )  # fmt: skip
    return found


def test_reading_leaves_the_tree_identical() -> None:
    """Every probe, the timed work too, and the stream of files: afterwards each path has
    the size, times, mode and content it had before, and no new one lies where that writes."""
    need_debian()
    before = look(WATCHED)
    assert len(before) > 500
    beside = [sorted(Path(place).iterdir()) for place in ("/var/tmp", "/var/cache")]
    link = PipedLink()
    production = SshProduction(link, PROBES, find_root(link))
    for probe in PROBES:
        production.read(probe)
    with production.files(Debian().scope()) as chunks:
        assert sum(map(len, chunks)) > 100_000
    assert look(WATCHED) == before
    assert beside == [sorted(Path(place).iterdir()) for place in ("/var/tmp", "/var/cache")]


def test_everything_that_is_run_is_printed_beforehand() -> None:
    """Each command sent is one of the list, inside its fixed wrapping."""
    need_debian()
    link = PipedLink()
    production = SshProduction(link, PROBES, find_root(link), make_mark=lambda: "feed")
    for probe in PROBES:
        production.read(probe)
    with production.files(Debian().scope()) as chunks:
        next(chunks)
    listed = list_commands(PROBES, Debian().scope())
    assert len(link.commands) == len(listed)
    for command, (name, shown) in zip(link.commands, listed, strict=True):
        plain = command.replace("'\"'\"'", "'").replace("forerun-end-feed", "forerun-end")
        assert shown in plain, name


def test_the_further_facts_cost_few_processes(tmp_path: Path) -> None:
    """Starting a process costs 35 ms on an emulated server: the two probes for the further
    facts start no more than a dozen programs."""
    need_debian()
    names = ("awk", "find", "ip", "od", "timeout", "journalctl", "systemd-analyze", "gzip", "cat")
    tally = tmp_path / "tally"
    tools = tmp_path / "tools"
    tools.mkdir()
    for name in names:
        real = shutil.which(name) or shutil.which(name, path="/usr/sbin:/sbin")
        if real:
            script = tools / name
            script.write_text(f'#!/bin/sh\necho {name} >>{tally}\nexec {real} "$@"\n')
            script.chmod(0o755)
    link = PipedLink(path=f"{tools}:/usr/sbin:/usr/bin:/sbin:/bin")
    production = SshProduction(link, PROBES, "")
    production.read(ProbeName.SYSTEM)
    production.read(ProbeName.HISTORY)
    started = tally.read_text().split()
    assert {"awk", "find"} <= set(started) and len(started) <= 12, started


# -- a large tree ----------------------------------------------------------------------------

FILES = 200_000


@pytest.fixture(scope="module")
def large_tree(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Hard links: making and removing as many files of their own takes minutes on a busy
    disk. A file system may allow 65,000 links to one file (ext4), so there are several."""
    root = tmp_path_factory.mktemp("large")
    for number in range(FILES // 1000):
        folder = root / "etc" / f"site-{number:03d}"
        folder.mkdir(parents=True)
        if number % 50 == 0:
            (root / "one").unlink(missing_ok=True)
            (root / "one").write_bytes(b"a = 1\n")
        for name in range(1000):
            os.link(root / "one", folder / f"{name:03d}.conf")
    yield root
    shutil.rmtree(root)


def spend(root: Path, budget: Budget) -> tuple[Spent, SurveyFailed | None]:
    link = PipedLink(root)
    production = SshProduction(link, PROBES, find_root(link), budget=budget)
    try:
        production.read(ProbeName.LARGE_FILES)
        with production.files(CopyScope(("/etc",))) as chunks:
            for _ in chunks:
                pass
    except SurveyFailed as problem:
        return production.spent(), problem
    return production.spent(), None


def test_a_large_tree_stops_at_the_byte_budget(large_tree: Path) -> None:
    """200,000 small files are more than 200 MB as an archive: the survey stops with the
    figures, shortly past the budget, and within the CPU budget."""
    spent, problem = spend(large_tree, Budget())
    assert problem is not None and problem.where == "files"
    assert problem.wanted == "at most 200000000 bytes"
    assert 200_000_000 < spent.read_bytes < 201_000_000
    assert spent.cpu_seconds <= 30.0


def test_a_large_tree_stops_at_the_cpu_budget(large_tree: Path) -> None:
    """With room for the bytes but not for the work, the CPU budget stops it by name."""
    spent, problem = spend(large_tree, Budget(read_bytes=10**9, cpu_seconds=0.2))
    assert problem is not None and problem.wanted == "at most 0 s"
    assert "CPU" in str(problem) and spent.cpu_seconds < 20


def test_a_large_tree_is_read_whole_where_the_budget_allows(large_tree: Path) -> None:
    """The same tree with a larger byte budget ends well, and its cost is told."""
    spent, problem = spend(large_tree, Budget(read_bytes=10**9))
    assert problem is None
    assert spent.read_bytes > FILES * 1024 and 0 < spent.cpu_seconds <= 30.0


# -- odd tools -------------------------------------------------------------------------------


def make_tools(folder: Path, scripts: dict[str, str], *, without: tuple[str, ...] = ()) -> str:
    """A PATH with links to this machine's tools but for some, and with scripts of one's own."""
    folder.mkdir()
    for place in ("/bin", "/usr/bin", "/sbin", "/usr/sbin"):
        for real in Path(place).iterdir():
            if real.name not in (*without, *scripts) and not (folder / real.name).is_symlink():
                (folder / real.name).symlink_to(real)
    for name, text in scripts.items():
        (folder / name).write_text(f"#!/bin/sh\n{text}\n")
        (folder / name).chmod(0o755)
    return str(folder)


def read_all(path: str) -> dict[ProbeName, bytes]:
    production = SshProduction(PipedLink(path=path), PROBES, "")
    return {probe: production.read(probe) for probe in Debian().probes()}


def test_a_server_without_half_of_its_tools(tmp_path: Path) -> None:
    """No lsblk, ip, timeout, journal, gzip, od, ss, systemctl: a whole reading with empty
    facts, and a row for each with its reason."""
    need_debian()
    gone = (
        "lsblk",
        "ip",
        "timeout",
        "journalctl",
        "systemd-analyze",
        "gzip",
        "od",
        "ss",
        "systemctl",
    )
    raw = Debian().read_facts(read_all(make_tools(tmp_path / "t", {}, without=gone)))
    reasons = {row.path: row.reason for row in raw.not_readable}
    assert reasons["disks"] == "lsblk did not answer"
    assert reasons["addresses"] == "there is no ip program"
    assert reasons["boots"] == "the journal did not answer"
    assert reasons["units"] == "the service manager did not answer"
    assert raw.packages and raw.system.accounts and raw.system.alternatives


def test_a_server_whose_tools_lie(tmp_path: Path) -> None:
    """Garbage with escape codes and a success: empty facts, plain text, no traceback."""
    need_debian()
    lie = r"printf '\033[2J{\377\n#file /etc/passwd\n\troot::\n'"
    liars = dict.fromkeys(("lsblk", "ip", "journalctl", "systemd-analyze", "ss", "systemctl"), lie)
    raw = Debian().read_facts(read_all(make_tools(tmp_path / "t", liars)))
    assert raw.system.blocks == () and not raw.system.boots
    assert ("disks", "lsblk gave an answer of another shape") in [
        (row.path, row.reason) for row in raw.not_readable
    ]
    assert "\x1b" not in repr(raw.system)


def test_a_server_whose_tools_hang(tmp_path: Path) -> None:
    """`timeout` on the server ends what hangs; the rest is read (here after 1 s, not 25)."""
    need_debian()
    real = shutil.which("timeout")
    if not real:
        pytest.skip("this lab host has no timeout program")
    scripts = dict.fromkeys(("lsblk", "journalctl", "systemctl", "df"), "exec sleep 600")
    scripts["timeout"] = f'shift; exec {real} 1 "$@"'
    raw = Debian().read_facts(read_all(make_tools(tmp_path / "t", scripts)))
    reasons = {row.path: row.reason for row in raw.not_readable}
    assert reasons["disks"] == "lsblk did not answer"
    assert reasons["boots"] == "the journal did not answer"
    assert raw.system.accounts


def test_an_endless_program_is_ended_by_its_cpu_time(tmp_path: Path) -> None:
    """The kernel ends it on the server; the budget's error names the probe."""
    path = make_tools(tmp_path / "t", {"awk": "while :; do :; done"})
    production = SshProduction(PipedLink(path=path), PROBES, "", budget=Budget(cpu_seconds=0.5))
    with pytest.raises(SurveyFailed) as caught:
        production.read(ProbeName.SYSTEM)
    assert caught.value.where == "system" and "CPU" in str(caught.value)


def test_a_busybox_server_is_no_traceback(tmp_path: Path) -> None:
    """Where busybox gives awk, find, md5sum and the shell's tools, files are still read;
    what its find cannot print is missing, no more."""
    need_debian()
    busybox = shutil.which("busybox") or os.environ.get("FORERUN_TEST_BUSYBOX", "")
    if not busybox:
        pytest.skip("busybox is not installed on this lab host")
    names = (
        "awk", "find", "md5sum", "sed", "sort", "tr", "xargs", "cat", "grep", "df", "od",
        "timeout", "gzip", "base64", "uname", "head",
    )  # fmt: skip
    scripts = {name: f'exec {busybox} {name} "$@"' for name in names}
    raw = Debian().read_facts(read_all(make_tools(tmp_path / "t", scripts)))
    assert raw.packages and raw.system.accounts and raw.system.groups
    assert raw.system.questions or not Path("/var/cache/debconf/config.dat").exists()
