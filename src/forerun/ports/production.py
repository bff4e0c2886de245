"""The one door to production: fixed read-only probes and a stream of allowed files.

One probe writes: `calibration`, which runs only when it is asked for, into a directory of its
own that it removes again (`distro/speed_kit.py`).

There is no way to run a command of one's own through this port. What a probe runs is
fixed when the adapter is built, from the distro's table, and can be printed beforehand
with `list_probes`. Everything runs at the lowest CPU and disk priority.
"""

from __future__ import annotations

import re
import secrets
import shlex
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from enum import Enum
from typing import Protocol

from forerun.errors import LinkLost, LoginRefused, ProductionUnreachable, SurveyFailed
from forerun.ports.clock import Clock, SystemClock
from forerun.ports.production_meter import Budget, Meter, Spent, limit_cpu, sum_times
from forerun.ports.ssh import ExecResult

__all__ = [
    "Budget",
    "CopyScope",
    "Meter",
    "ProbeName",
    "Production",
    "Shell",
    "Spent",
    "SshProduction",
    "find_root",
    "list_probes",
    "parse_tar_complaints",
    "sum_times",
]


class ProbeName(Enum):
    """Everything that can be asked of production."""

    OS_RELEASE = "os-release"
    POINT_RELEASE = "point-release"
    NAMES = "names"
    MACHINE = "machine"
    PACKAGES = "packages"
    AUTOMATIC = "automatic"
    ARCHIVES = "archives"
    CONTROL = "control"
    CONFFILE_SUMS = "conffile-sums"
    MANAGED_SUMS = "managed-sums"
    SOURCES = "sources"
    ARCHIVE_KEYS = "archive-keys"
    UNITS = "units"
    SOCKETS = "sockets"
    DISKS = "disks"
    MOUNTS = "mounts"
    SETTINGS = "settings"
    LARGE_FILES = "large-files"
    SYSTEM = "system"
    HISTORY = "history"
    CALIBRATION = "calibration"
    LINK_RATE = "link-rate"


@dataclass(frozen=True, slots=True)
class CopyScope:
    """Which files may be copied: `roots` are absolute paths without a trailing slash;
    folders named in `closed` are listed but not entered; files above `file_limit` bytes
    are left out of the stream."""

    roots: tuple[str, ...]
    closed: tuple[str, ...] = ()
    file_limit: int = 1 << 20


class Shell(Protocol):
    """The part of an SSH link that reading needs: there is no writing in it."""

    def exec(self, command: str, *, timeout_s: float) -> ExecResult:
        """Run a shell command line to its end; raises LinkLost."""
        ...

    def stream(self, command: str, *, timeout_s: float) -> AbstractContextManager[Iterator[bytes]]:
        """Run a command and hand out its standard output in chunks; raises LinkLost."""
        ...


class Production(Protocol):
    """The server to be upgraded: it can be read, and asked how fast it is; nothing else."""

    def read(self, probe: ProbeName, *, timeout_s: float = 120.0) -> bytes:
        """The probe's output. Raises SurveyFailed when it fails or the budget is used
        up, ProductionUnreachable when the server goes away."""
        ...

    def files(
        self, scope: CopyScope, *, timeout_s: float = 120.0
    ) -> AbstractContextManager[Iterator[bytes]]:
        """An uncompressed GNU tar of the scope, in chunks, with names relative to `/`.
        `timeout_s` bounds the wait for each chunk. Raises SurveyFailed at the end of a
        stream that was cut short, or when the budget is used up."""
        ...

    def unreadable(self) -> tuple[tuple[str, str], ...]:
        """(path, reason) of what the last `files` could not read."""
        ...

    def spent(self) -> Spent:
        """The cost so far."""
        ...


_MARK = "forerun-end"
_HOLD = 1 << 16


def list_probes(
    probes: Mapping[ProbeName, str], scope: CopyScope | None = None
) -> tuple[tuple[str, str], ...]:
    """(name, shell command) of all that a survey would run, for a person to read first.

    Each is wrapped in `LC_ALL=C`, `nice -n 19`, `ionice -c 3` where present, in a limit
    of CPU time (`ulimit -t`), and in `sudo -n` when the login is not root."""
    rows = [("login", _WHO)]
    rows += [(probe.value, command) for probe, command in probes.items()]
    if scope is not None:
        rows.append(("files", _write_stream_command(scope)))
    return tuple(rows)


_WHO = 'id -u; command -v ionice || echo -; if [ "$(id -u)" != 0 ]; then sudo -n id -u; fi'


def find_root(link: Shell, *, timeout_s: float = 60.0) -> str:
    """The words to put before a command so that it reads as root at low priority.

    As root that is `nice` (and `ionice`); otherwise `sudo -n` before them. Raises
    LoginRefused when the login is neither root nor allowed `sudo` without a password.
    """
    try:
        answer = link.exec(_WHO, timeout_s=timeout_s)
    except LinkLost as problem:
        raise _gone(problem) from problem
    words = answer.text().split()
    if len(words) < 2 or not words[0].isdigit():
        raise SurveyFailed(
            "The server's login shell did not answer as a POSIX shell would.",
            wanted="a user number and a path",
            found=_plain(answer.text())[:200],
            hint="Log in as a user whose shell is sh, bash, dash or zsh.",
        )
    low = "nice -n 19" if words[1] == "-" else "ionice -c 3 nice -n 19"
    if words[0] == "0":
        return low
    if words[-1] == "0" and len(words) >= 3:
        return f"sudo -n {low}"
    raise LoginRefused(
        "The login is not root, and sudo asks for a password or is not there.",
        where=f"user number {words[0]}",
        wanted="root, or sudo without a password for the survey's commands",
        found=_plain(answer.stderr.decode("utf-8", "replace"))[:200],
        hint="Log in as root, or allow this user `sudo` with NOPASSWD; "
        "`forerun survey --show-commands` lists what is run.",
    )


class SshProduction:
    """Production over an SSH link.

    `as_root` are the words of `find_root`; `probes` is the distro's table. `make_mark`
    gives the unguessable word that ends a file stream.
    """

    def __init__(
        self,
        link: Shell,
        probes: Mapping[ProbeName, str],
        as_root: str,
        *,
        budget: Budget | None = None,
        clock: Clock | None = None,
        meter: Meter | None = None,
        make_mark: Callable[[], str] = lambda: secrets.token_hex(8),
    ) -> None:
        self._link = link
        self._probes = dict(probes)
        self._as_root = as_root
        self._meter = meter or Meter(budget or Budget(), clock or SystemClock())
        self._make_mark = make_mark
        self._unreadable: tuple[tuple[str, str], ...] = ()

    def with_probes(self, probes: Mapping[ProbeName, str]) -> SshProduction:
        """The same production and meter with another table of probes."""
        return SshProduction(
            self._link, probes, self._as_root, meter=self._meter, make_mark=self._make_mark
        )

    def read(self, probe: ProbeName, *, timeout_s: float = 120.0) -> bytes:
        """The probe's output; see `Production.read`."""
        command = self._probes.get(probe)
        if command is None:
            raise SurveyFailed("This survey has no such probe.", where=probe.value)
        mark = f"{_MARK}-{self._make_mark()}"
        script = self._wrap(_write_probe_script(command, mark, self._meter.left_cpu_s()))
        # What sudo or the shell itself has to say comes before the first mark.
        got = self._collect(f"{script} 2>&1", probe.value, timeout_s)
        if mark.encode() + b" " not in got:
            self._find_link()
        answer, trailer = _split_answer(got, mark.encode(), probe.value)
        code, _, errors = trailer.partition("\n")
        self._meter.charge(sum_times(errors), probe.value)
        self._meter.count(len(answer), probe.value)
        if code.strip() != "0":
            raise SurveyFailed(
                f"The probe {probe.value} failed on the server.",
                where=probe.value,
                wanted="exit code 0",
                found=f"exit code {_plain(code)}: {_plain(errors).strip()[-300:]}",
                hint="`forerun survey --show-commands` prints the command to try by hand.",
            )
        return answer

    def _collect(self, command: str, what: str, timeout_s: float) -> bytes:
        """All output, taken in pieces: a server that never stops talking, or says nothing
        at all, must not hold the survey beyond its budget."""
        wait_s = min(timeout_s, self._meter.left_s())
        started = self._meter.wall_seconds()
        got = bytearray()
        try:
            with self._link.stream(command, timeout_s=wait_s) as chunks:
                for chunk in chunks:
                    got += chunk
                    self._meter.check(max(0, len(got) - _HOLD), what)
                    if self._meter.wall_seconds() - started > wait_s:
                        raise _too_slow(what, wait_s)
        except LinkLost as problem:
            if self._meter.wall_seconds() - started >= wait_s:
                raise _too_slow(what, wait_s) from problem
            raise _gone(problem) from problem
        return bytes(got)

    def _find_link(self) -> None:
        """Whether an end without its mark was the link's: asking who is logged in tells."""
        try:
            self._link.exec(_WHO, timeout_s=min(30.0, self._meter.left_s()))
        except LinkLost as problem:
            raise _gone(problem) from problem

    @contextmanager
    def files(self, scope: CopyScope, *, timeout_s: float = 120.0) -> Iterator[Iterator[bytes]]:
        """The scope as a tar stream; see `Production.files`."""
        mark = f"{_MARK}-{self._make_mark()}"
        limit = limit_cpu(self._meter.left_cpu_s())
        command = self._wrap(limit + _write_stream_command(scope, mark))
        wait_s = min(timeout_s, self._meter.left_s())
        try:
            with self._link.stream(command, timeout_s=wait_s) as chunks:
                yield self._unwrap(chunks, mark.encode())
        except LinkLost as problem:
            raise _gone(problem) from problem

    def _unwrap(self, chunks: Iterator[bytes], mark: bytes) -> Iterator[bytes]:
        held = bytearray()
        for chunk in chunks:
            self._meter.count(len(chunk), "files")
            held += chunk
            if len(held) > 2 * _HOLD:
                yield bytes(held[:-_HOLD])
                del held[:-_HOLD]
        at = held.rfind(b"\n" + mark + b" ")
        if at < 0:
            self._find_link()
            raise SurveyFailed(
                "The stream of files was cut short.",
                where="files",
                wanted="the end mark after the last file",
                found=f"an end after {self._meter.read_bytes} bytes",
                hint="The connection or tar on the server ended early; survey again.",
            )
        self._finish(bytes(held[at + len(mark) + 2 :]).decode("utf-8", "replace"))
        yield bytes(held[:at])

    def _finish(self, trailer: str) -> None:
        first, _, rest = trailer.partition("\n")
        self._meter.charge(sum_times(rest), "files")
        self._unreadable = parse_tar_complaints(rest)
        # GNU tar: 0 fine, 1 a file changed or vanished meanwhile, 2 something unreadable.
        if first.strip() not in {"0", "1", "2"}:
            raise SurveyFailed(
                "Copying the configuration files failed on the server.",
                where="files",
                wanted="tar exit code 0, 1 or 2",
                found=_plain(trailer)[:300],
            )

    def unreadable(self) -> tuple[tuple[str, str], ...]:
        """(path, reason) of what the last `files` could not read."""
        return self._unreadable

    def spent(self) -> Spent:
        """The cost so far."""
        meter = self._meter
        return Spent(meter.read_bytes, meter.cpu_seconds, meter.wall_seconds())

    def _wrap(self, script: str) -> str:
        before = f"{self._as_root} " if self._as_root else ""
        return f"{before}env LC_ALL=C PATH={SEARCH_PATH} sh -c {shlex.quote(script)}"


SEARCH_PATH = "/usr/sbin:/usr/bin:/sbin:/bin"


def _write_probe_script(command: str, mark: str, cpu_s: int) -> str:
    """A mark, the command's output, and a trailer that says how it ended, what CPU time
    it took and what it said on its standard error. Nothing is written."""
    return (
        f"{limit_cpu(cpu_s)}exec 3>&1\nprintf '%s\\n' {mark}\n"
        f"said=$( {{ {command}\n}} 2>&1 >&3 )\n"
        f"printf '\\n%s %s\\n' {mark} $?\ntimes\nprintf '%.16000s\\n' \"$said\""
    )


def _split_answer(got: bytes, mark: bytes, what: str) -> tuple[bytes, str]:
    """The answer between the marks, and the trailer after the second one."""
    before, begun, rest = got.partition(mark + b"\n")
    end = rest.rfind(b"\n" + mark + b" ")
    if not begun or end < 0:
        said = _plain((rest if begun else before)[-300:].decode("utf-8", "replace")).strip()
        raise SurveyFailed(
            f"The probe {what} was cut short on the server.",
            where=what,
            wanted="the end mark after the answer",
            found=said or "nothing",
            hint="`forerun survey --show-commands` prints the command to try by hand.",
        )
    return rest[:end], rest[end + len(mark) + 2 :].decode("utf-8", "replace")


def _write_stream_command(scope: CopyScope, mark: str = _MARK) -> str:
    """One shell script: find lists, tar packs, and a trailer after the archive says how
    it ended, what could not be read and what CPU time it took. Nothing is written."""
    roots = " ".join(shlex.quote(root.lstrip("/")) for root in scope.roots)
    closed = " -o ".join(f"-name {shlex.quote(name)}" for name in scope.closed)
    prune = rf"-type d \( {closed} \) -prune -print0 -o " if closed else ""
    find = (
        f'find "$@" -xdev {prune}'
        rf"\( -type f -size +{scope.file_limit}c \) -o -print0"
    )
    tar = (
        "tar --create --file=- --format=gnu --hard-dereference --no-recursion --null"
        " --verbatim-files-from --ignore-failed-read --files-from=-"
    )
    return (
        "cd / || exit 9\nset --\n"
        f'for root in {roots}; do [ -e "$root" ] && set -- "$@" "$root"; done\n'
        f"exec 3>&1\nsaid=$( {{ {find} | {tar} >&3; }} 2>&1 )\n"
        f"printf '\\n%s %s\\n' {mark} $?\ntimes\nprintf '%.16000s\\n' \"$said\""
    )


_COMPLAINT = re.compile(r"^(?:tar|find): '?(.+?)'?: (?:Warning: )?(.+)$")


def parse_tar_complaints(text: str) -> tuple[tuple[str, str], ...]:
    """(path, reason) from what find and tar said in the C locale."""
    rows: list[tuple[str, str]] = []
    for line in text.splitlines():
        match = _COMPLAINT.match(line.strip())
        if match and "Exiting with failure" not in line:
            rows.append(("/" + match[1].lstrip("/"), _plain(match[2])))
    return tuple(dict.fromkeys(rows))


def _plain(text: str) -> str:
    return "".join(c if c.isprintable() else " " for c in text)


def _too_slow(what: str, wait_s: float) -> SurveyFailed:
    return SurveyFailed(
        f"The probe {what} did not end in time.",
        where=what,
        wanted=f"an end within {wait_s:.0f} s",
        found="no end",
        hint="Something on the server hangs or is very busy; `forerun survey --show-commands`"
        " prints the command to try by hand.",
    )


def _gone(problem: LinkLost) -> ProductionUnreachable:
    return ProductionUnreachable(
        "The connection to the server was lost during the survey.",
        where=problem.where,
        found=problem.found,
        hint="Nothing was changed there. Survey again when it answers.",
    )
