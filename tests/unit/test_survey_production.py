"""The SSH adapter of production: what it sends, how it counts, when it gives up."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime

import pytest

from forerun.errors import LinkLost, LoginRefused, ProductionUnreachable, SurveyFailed
from forerun.ports.production import (
    Budget,
    CopyScope,
    ProbeName,
    SshProduction,
    find_root,
    list_probes,
    parse_tar_complaints,
    sum_times,
)
from forerun.ports.ssh import ExecResult
from forerun.stages.survey import open_production

TIMES = b"0m0.01s 0m0.02s\n0m1.50s 0m0.25s\n"
SCOPE = CopyScope(("/etc",), (".git",))


class FakeLink:
    """A link that answers every command alike."""

    def __init__(
        self, out: bytes = b"", err: bytes = b"", code: int = 0, chunks: tuple[bytes, ...] = ()
    ) -> None:
        self._answer = ExecResult(code, out, err)
        trailer = b"\nforerun-end-feed %d\n" % code + err
        self._chunks: Iterable[bytes] = chunks or (b"forerun-end-feed\n" + out + trailer,)
        self.lost = False
        self.commands: list[str] = []

    def exec(self, command: str, *, timeout_s: float) -> ExecResult:
        self.commands.append(command)
        if self.lost:
            raise LinkLost("The SSH connection was lost.", where="server", found="reset")
        return self._answer

    @contextmanager
    def stream(self, command: str, *, timeout_s: float) -> Iterator[Iterator[bytes]]:
        self.commands.append(command)
        if self.lost:
            raise LinkLost("The SSH connection was lost.", where="server", found="reset")
        yield iter(self._chunks)


class FakeClock:
    def __init__(self, step: float = 0.0) -> None:
        self._at, self._step = 0.0, step

    def now(self) -> datetime:
        return datetime(2026, 1, 31, tzinfo=UTC)

    def monotonic(self) -> float:
        self._at += self._step
        return self._at

    def sleep(self, seconds: float) -> None:
        raise AssertionError("reading does not sleep")


def make(link: FakeLink, **budget: float) -> SshProduction:
    return SshProduction(
        link,
        {ProbeName.OS_RELEASE: "cat /etc/os-release"},
        "sudo -n nice -n 19",
        budget=Budget(**budget),  # type: ignore[arg-type]
        clock=FakeClock(),
        make_mark=lambda: "feed",
    )


@pytest.mark.parametrize(
    ("out", "wanted"),
    [
        (b"0\n/usr/bin/ionice\n", "ionice -c 3 nice -n 19"),
        (b"0\n-\n", "nice -n 19"),
        (b"1000\n/usr/bin/ionice\n0\n", "sudo -n ionice -c 3 nice -n 19"),
        (b"1000\n-\n0\n", "sudo -n nice -n 19"),
    ],
)
def test_root_or_sudo_is_found(out: bytes, wanted: str) -> None:
    """As root no sudo is used; otherwise sudo must answer as root without a password."""
    assert find_root(FakeLink(out)) == wanted


def test_neither_root_nor_sudo_is_refused_with_a_hint() -> None:
    """The hint says what to allow; the server's own words are in `found`."""
    with pytest.raises(LoginRefused) as caught:
        find_root(FakeLink(b"1000\n-\n", b"sudo: a password is required\n"))
    assert "NOPASSWD" in caught.value.hint
    assert "password is required" in caught.value.found


def test_an_odd_shell_is_a_failed_survey() -> None:
    """A banner or a menu instead of a shell is told as such, without control characters."""
    with pytest.raises(SurveyFailed) as caught:
        find_root(FakeLink(b"\x1b[2JWelcome to the menu\n"))
    assert "\x1b" not in caught.value.found


def test_a_probe_is_quoted_whole_and_runs_low() -> None:
    """One quoted script, in the C locale, behind sudo and nice; its CPU time is summed."""
    link = FakeLink(b"ID=debian\n", TIMES)
    production = make(link)
    assert production.read(ProbeName.OS_RELEASE) == b"ID=debian\n"
    assert link.commands[0].startswith("sudo -n nice -n 19 env LC_ALL=C PATH=")
    script = link.commands[0].partition(" sh -c ")[2]
    assert script.startswith("'ulimit -t 31 ") and "{ cat /etc/os-release\n}" in script
    assert production.spent().read_bytes == 10
    assert production.spent().cpu_seconds == pytest.approx(1.78)


def test_a_probe_that_is_not_in_the_table_cannot_be_asked() -> None:
    """The table is the whole interface."""
    link = FakeLink()
    with pytest.raises(SurveyFailed):
        make(link).read(ProbeName.PACKAGES)
    assert link.commands == []


def test_a_failing_probe_tells_its_last_words() -> None:
    """Exit code and error text, on one printable line."""
    with pytest.raises(SurveyFailed) as caught:
        make(FakeLink(b"", b"cat: \x1b[1mno\n", 1)).read(ProbeName.OS_RELEASE)
    assert "exit code 1" in caught.value.found and caught.value.found.isprintable()


def test_a_lost_link_is_an_unreachable_production() -> None:
    """The port maps the link's error to production's own."""
    link = FakeLink()
    link.lost = True
    with pytest.raises(ProductionUnreachable):
        make(link).read(ProbeName.OS_RELEASE)


def test_the_byte_budget() -> None:
    """One byte too many stops it."""
    with pytest.raises(SurveyFailed) as caught:
        make(FakeLink(b"x" * 11), read_bytes=10).read(ProbeName.OS_RELEASE)
    assert caught.value.found == "11 bytes"


def test_the_time_budget() -> None:
    """Wall time past the budget stops it."""
    production = SshProduction(
        FakeLink(b"x"), {ProbeName.OS_RELEASE: "true"}, "", budget=Budget(seconds=10),
        clock=FakeClock(step=6.0),
    )  # fmt: skip
    with pytest.raises(SurveyFailed) as caught:
        production.read(ProbeName.OS_RELEASE)
    assert caught.value.wanted == "at most 10 s"


def test_the_cpu_budget() -> None:
    """CPU time of all programs together is counted; the message names the probe, what is
    allowed, what was used, and what to do."""
    link = FakeLink(b"x", TIMES)
    production = make(link, cpu_seconds=3)
    production.read(ProbeName.OS_RELEASE)
    assert "ulimit -t 4 " in link.commands[0]
    with pytest.raises(SurveyFailed) as caught:
        production.read(ProbeName.OS_RELEASE)
    problem = caught.value
    assert (problem.where, problem.wanted) == ("os-release", "at most 3 s")
    assert problem.found.startswith("3.6 s") and "budget" in problem.hint
    assert "ulimit -t 3 " in link.commands[1]


def test_the_cpu_time_of_the_file_stream_counts() -> None:
    """A tree that is too much work for the server stops the survey too."""
    link = FakeLink(chunks=(b"tar", end()))
    with pytest.raises(SurveyFailed) as caught, make(link, cpu_seconds=1).files(SCOPE) as chunks:
        list(chunks)
    assert caught.value.where == "files" and "at most 1 s" in caught.value.wanted
    assert "'ulimit -t 2 " in link.commands[0]


def test_a_budget_of_thirty_seconds_is_the_default() -> None:
    """For all programs of a survey together."""
    assert Budget().cpu_seconds == 30.0


def test_noise_around_an_answer_is_no_answer() -> None:
    """What sudo or a login shell prints before the first mark is left out; a mark of
    another survey in the answer is content."""
    answer = b"ID=debian\n\nforerun-end-beef 0\n"
    whole = b"sudo: unable to resolve host\nforerun-end-feed\n" + answer + end()
    assert make(FakeLink(chunks=(whole,))).read(ProbeName.OS_RELEASE) == answer


@pytest.mark.parametrize(
    ("got", "found"),
    [
        (b"", "nothing"),
        (b"sudo: a password is required\n", "sudo: a password is required"),
        (b"forerun-end-feed\nID=deb", "ID=deb"),
        (b"\x1b[1mno\x07 such command", "[1mno  such command"),
    ],
)
def test_a_probe_that_was_cut_short(got: bytes, found: str) -> None:
    """No half answer passes for a whole one; the last words are shown as plain text."""
    with pytest.raises(SurveyFailed, match="cut short") as caught:
        make(FakeLink(chunks=(got,) if got else (b"",))).read(ProbeName.OS_RELEASE)
    assert caught.value.found == found and caught.value.where == "os-release"


def test_an_end_without_mark_on_a_lost_link_is_the_links() -> None:
    """Then asking who is logged in fails too, and nothing else is asked."""
    link = FakeLink(chunks=(b"forerun-end-feed\nID=deb",))
    production = make(link)

    def refuse(command: str, *, timeout_s: float) -> ExecResult:
        link.commands.append(command)
        raise LinkLost("The SSH connection was lost.", where="server", found="reset")

    link.exec = refuse  # type: ignore[method-assign]
    with pytest.raises(ProductionUnreachable):
        production.read(ProbeName.OS_RELEASE)
    assert link.commands[1:] == [list_probes({})[0][1]]
    with pytest.raises(ProductionUnreachable), production.files(SCOPE) as chunks:
        list(chunks)


def test_a_server_that_never_stops_talking_is_cut_off() -> None:
    """The bytes are counted as they come: the memory of the lab host is not at its mercy."""
    taken = 0

    def talk() -> Iterator[bytes]:
        nonlocal taken
        while True:
            taken += 1
            yield b"x" * 100_000

    link = FakeLink()
    link._chunks = talk()
    with pytest.raises(SurveyFailed, match="budget"):
        make(link, read_bytes=1_000_000).read(ProbeName.OS_RELEASE)
    assert taken < 20


def test_a_server_that_hangs_is_told_from_a_lost_link() -> None:
    """When the wait was as long as allowed, the probe is named, not the connection."""
    link = FakeLink()
    link.lost = True
    production = SshProduction(
        link, {ProbeName.OS_RELEASE: "true"}, "", budget=Budget(seconds=10_000),
        clock=FakeClock(step=70.0),
    )  # fmt: skip
    with pytest.raises(SurveyFailed, match="did not end in time") as caught:
        production.read(ProbeName.OS_RELEASE, timeout_s=60)
    assert caught.value.where == "os-release" and caught.value.wanted == "an end within 60 s"


def test_a_server_that_trickles_is_stopped() -> None:
    """Each piece comes in time, but the whole takes longer than a probe may."""
    production = SshProduction(
        FakeLink(chunks=tuple(b"x" for _ in range(1000))), {ProbeName.OS_RELEASE: "true"}, "",
        budget=Budget(seconds=10_000), clock=FakeClock(step=10.0),
    )  # fmt: skip
    with pytest.raises(SurveyFailed, match="did not end in time"):
        production.read(ProbeName.OS_RELEASE, timeout_s=60)


def end(code: int = 0, said: bytes = b"") -> bytes:
    return b"\nforerun-end-feed %d\n" % code + TIMES + said + b"\n"


@pytest.mark.parametrize("chunk", [1, 7, 1000, 1 << 20])
def test_the_stream_is_given_out_without_its_trailer(chunk: int) -> None:
    """Whatever the chunks, the archive's bytes come out whole, the trailer is understood."""
    packed = bytes(range(256)) * 30
    raw = packed + end(2, b"tar: etc/x: Cannot open: Permission denied")
    link = FakeLink(chunks=tuple(raw[n : n + chunk] for n in range(0, len(raw), chunk)))
    production = make(link)
    with production.files(SCOPE) as chunks:
        assert b"".join(chunks) == packed
    assert production.unreadable() == (("/etc/x", "Cannot open: Permission denied"),)
    assert production.spent().cpu_seconds == pytest.approx(1.78)


def test_a_long_stream_is_not_held_back() -> None:
    """Only the last part waits for the end mark."""
    link = FakeLink(chunks=(b"a" * 500_000, b"b" * 500_000, end()))
    with make(link).files(SCOPE) as chunks:
        assert len(next(chunks)) > 400_000
        assert sum(map(len, chunks)) < 600_000


def test_a_stream_without_end_mark_was_cut() -> None:
    """An SSH stream has no exit code of its own: the mark is the proof of the end."""
    with (
        pytest.raises(SurveyFailed, match="cut short"),
        make(FakeLink(chunks=(b"abc",))).files(SCOPE) as chunks,
    ):
        list(chunks)


def test_a_file_that_holds_an_old_mark_does_not_end_the_stream() -> None:
    """The mark has an unguessable word; one of another survey is just content."""
    packed = b"x\nforerun-end-beef 0\n" + b"y" * 100
    with make(FakeLink(chunks=(packed + end(),))).files(SCOPE) as chunks:
        assert b"".join(chunks) == packed


def test_sum_times() -> None:
    """POSIX `times`: minutes and seconds of the shell and its children; other lines and
    text that only looks alike do not count."""
    assert sum_times("0m0.010s 0m0.020s\n1m2.500s 0m0.250s\n") == pytest.approx(62.78)
    assert sum_times("took 0m5.0s 0m1.0s here\n") == 0.0


def test_complaints() -> None:
    """find and tar in the C locale; the closing summary is no file."""
    text = (
        "find: 'etc/x': Permission denied\n"
        "tar: etc/run.sock: socket ignored\n"
        "tar: Exiting with failure status due to previous errors\n"
    )
    assert parse_tar_complaints(text) == (
        ("/etc/x", "Permission denied"),
        ("/etc/run.sock", "socket ignored"),
    )


class ServerLink(FakeLink):
    """Root on a Debian server, which gives every probe its os-release."""

    def exec(self, command: str, *, timeout_s: float) -> ExecResult:
        return ExecResult(0, b"0\n-\n", b"")

    @contextmanager
    def stream(self, command: str, *, timeout_s: float) -> Iterator[Iterator[bytes]]:
        self.commands.append(command)
        mark = re.search(r"forerun-end-[0-9a-f]+", command)
        assert mark is not None
        yield iter((f"{mark[0]}\nID=debian\nVERSION_ID=12\n\n{mark[0]} 0\n".encode(),))


@pytest.mark.parametrize(("calibrate", "allowed"), [(False, 31), (True, 56)])
def test_timed_work_has_its_own_share_of_the_cpu_budget(calibrate: bool, allowed: int) -> None:
    """What the kit may use comes on top of a survey's 30 s, where it was asked for; its probes
    are in the table only then."""
    link = ServerLink()
    production, distro = open_production(link, clock=FakeClock(), calibrate=calibrate)
    assert distro.family == "debian"
    assert f"ulimit -t {allowed} " in link.commands[0]
    if calibrate:
        production.read(ProbeName.CALIBRATION)
    else:
        with pytest.raises(SurveyFailed):
            production.read(ProbeName.CALIBRATION)
