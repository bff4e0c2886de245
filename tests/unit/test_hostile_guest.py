"""A clone that lies: whoever is root there can say anything to any question. Whatever is said,
a rehearsal ends with a result, its record can be stored and drawn, and neither the lab host's
memory nor its disk is filled by talking."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path
from random import Random

import pytest
from tests.practice.mutation import HOSTILE, spoil_bytes
from tests.practice.watch import no_hang
from tests.unit.test_guest import SESSION, Machine, connect
from tests.unit.test_hostile_records import draw_all
from tests.unit.test_rehearse import (
    DPKG_LOG,
    Stage1,
    make_backup,
    make_profile,
    make_step,
    make_whole_profile,
)

from forerun.distro.debian import Debian
from forerun.errors import CloneUnreachable, ForerunError
from forerun.model.observation import RunRecord, StepEnd
from forerun.model.plausible import mend_record
from forerun.model.profile import Action, OnFailure, Profile, Site
from forerun.model.survey import ConfigEntry
from forerun.ports import ssh
from forerun.ports.prober import _judge_http
from forerun.ports.records import dump_record, load_record
from forerun.ports.ssh import ExecResult
from forerun.profiles import load_profile, load_site
from forerun.stages import package_log, rehearse, session
from forerun.stages.actions import count_stored, keep_configuration
from forerun.stages.fidelity_read import read_files, survey_clone
from forerun.stages.plan import read_clone_inputs
from forerun.stages.reboot import have_given_up, read_boot_account
from forerun.stages.seal import try_ways
from forerun.stages.seal_ways import list_ways
from forerun.testing import FakeCanary, FakeClock, FakeGuest, FakeTurn

ROOT = Path(__file__).parents[2]
RUN = ROOT / "tests" / "data" / "run-record-shelf01.json"
GARBAGE = (
    b"", b"\0", b"\xff" * 40, b"\n" * 9, b" ", b"-1", b"9" * 5000, b"1e999\n", b"nan", b"0x",
    "\u00b2\u0663".encode(), b"a b c d e f g h i j k l\n" * 3, b"=\n=\n", b"\x1b[2J\x1b]0;t\x07\n",
    *(text.encode("utf-8", "surrogatepass") for text in HOSTILE),
)  # fmt: skip
TRUE = {
    "forerun-checks": b"--x-- 0 0\nwell\n",
    "sha256sum": b"0" * 64 + b"  x\n10240\n",
    "systemctl stop": b"stopped cron.service\n",
    "systemctl start": b"active cron.service\n",
    "date '+": b"2026-01-31 22:00:00\n",
    "-printf '%s %p": b"120 /etc/ssh/sshd_config.dpkg-dist\n",
    "/etc/os-release": b"Two 2.1\n",
    "systemctl --failed": b"quota.service loaded failed failed Quotas\n",
    "archives -maxdepth": b"12345",
    "dist-upgrade": b"Inst a [1] (2 A:x [all])\nRemv b [1]\n-- addresses --\n'http://a' a_1 9 x\n",
    "sources.list": b"/etc/apt/sources.list\n",
    "Timestamp": b"UserspaceTimestampMonotonic=2\nFinishTimestampMonotonic=9\n6.1.0\n",
    "grep -lixF": b"/sys/class/net/ens3/address\n",
}


class Liar:
    """Answers instead of a fake clone: the truth, a spoilt truth, garbage, or nothing."""

    def __init__(self, seed: int, guest: FakeGuest) -> None:
        self.random = Random(seed)
        self.guest = guest
        self.files = dict(guest.files)
        guest.run = self.run  # type: ignore[method-assign]
        guest.read_file = self.read_file  # type: ignore[method-assign]

    def lie(self, truth: bytes) -> bytes:
        kind = self.random.random()
        if kind < 0.2:
            return truth
        return spoil_bytes(truth, self.random) if kind < 0.6 else self.random.choice(GARBAGE)

    def run(self, script: str, *, timeout_s: float) -> ExecResult:
        truth = next((told for part, told in TRUE.items() if part in script), b"")
        code = self.random.choice((0, 0, 0, 1, 77, -1))
        return ExecResult(code, self.lie(truth), self.random.choice(GARBAGE))

    def read_file(self, path: str, *, offset: int = 0, limit: int = 1 << 20) -> bytes:
        if path in self.guest.files and path not in self.files:  # written by forerun just now
            self.files[path] = self.guest.files[path]
        if self.random.random() < 0.1:
            raise FileNotFoundError(path)
        return b"" if offset else self.lie(self.files.get(path, b""))[:limit]


def add_files(guest: FakeGuest) -> None:
    guest.files |= {
        "/var/tmp/forerun-configuration.tar": make_backup(),
        "/var/log/dpkg.log": DPKG_LOG,
        "/etc/apt/sources.list": b"deb http://archive.example/debian one main\n",
        "/k.gpg": b"\x99\x01\x0d",
        "/proc/uptime": b"12.5 20.0\n",
        "/proc/sys/kernel/random/boot_id": b"a-b-c\n",
    }


def make_all_actions() -> Profile:
    """Every built-in action but the restart, each whatever became of the one before."""
    more = [make_step("switch", Action.SWITCH_SOURCES), make_step("ask", Action.SIMULATE)]
    whole = make_whole_profile()
    steps = (*whole.steps[:3], *more, *whole.steps[3:])
    go_on = OnFailure.GO_ON
    return dataclasses.replace(
        whole, steps=tuple(dataclasses.replace(step, on_failure=go_on) for step in steps)
    )


@pytest.fixture(scope="module")
def files() -> tuple[Profile, Site]:
    profile = load_profile(ROOT / "profiles" / "debian-12-to-13" / "profile.yaml")
    return profile, load_site(ROOT / "demo" / "site.yaml")


def keep_record(scene: Stage1, folder: Path, files: tuple[Profile, Site]) -> None:
    """The record of what was observed is stored, read again and drawn in every form."""
    seen = scene.rehearsal.observed
    record = dataclasses.replace(
        load_record(RunRecord, RUN),
        steps=tuple(seen.steps), prompts=tuple(seen.prompts), checks=tuple(seen.checks),
        packages=seen.packages, kept_files=seen.kept_files, seen=tuple(seen.seen),
        release_after=seen.release_after, disk=tuple(scene.disk.samples),
    )  # fmt: skip
    file = folder / "record.json"
    file.write_bytes(dump_record(mend_record(record, unknown=-1)))
    draw_all(load_record(RunRecord, file), *files)


def test_a_lying_clone_is_a_result(tmp_path: Path, files: tuple[Profile, Site]) -> None:
    """150 rehearsals on which every answer may be a lie: each walks to an end."""
    ends: set[StepEnd] = set()
    for seed in range(150):
        scene = Stage1(tmp_path, make_all_actions(), Site(rest_units=("web.service",)))
        scene.guest.sessions["go"] = (
            FakeTurn("\x1b[2J\u202eGo on? [y/n] ", waits="apt-get"),
            FakeTurn("Need to get 9e99 TB of archives.\n" * 3, after_s=30.0, exit_code=seed % 3),
        )
        add_files(scene.guest)
        Liar(seed, scene.guest)
        with no_hang():
            scene.rehearsal.note_log_start()
            scene.run()
            if seed % 5 == 0:
                keep_record(scene, tmp_path, files)
        ends |= {end for _, end in scene.ends}
    assert {StepEnd.DONE, StepEnd.FAILED, StepEnd.UNREACHABLE} <= ends


def test_a_lying_clone_restarts(tmp_path: Path) -> None:
    """A restart whose clone says nonsense of its boots ends in the time allowed."""
    for seed in range(60):
        scene = Stage1(tmp_path, make_profile([make_step("again", Action.REBOOT)]))
        add_files(scene.guest)
        Liar(seed, scene.guest)
        with no_hang():
            scene.run()
        assert scene.ends[0][1] in (StepEnd.DONE, StepEnd.OVERRAN, StepEnd.UNREACHABLE)


READERS: dict[str, Callable[[FakeGuest], object]] = {
    "boot": lambda guest: read_boot_account(guest, FakeClock()),
    "fetched": count_stored,
    "files": lambda guest: read_files(guest, [ConfigEntry("/etc/a", "file", 0o644, "r", "r")]),
    "facts": lambda guest: survey_clone(guest, Debian()),
    "plan": read_clone_inputs,
    "seal": lambda guest: try_ways(
        guest, list_ways(FakeCanary(), gateway_port=1, clone_ports=()), FakeCanary()
    ),
    "rest": lambda guest: have_given_up(guest, ()),
}


@pytest.mark.parametrize("name", READERS)
def test_garbage_in_one_answer(name: str) -> None:
    """Each reader of a clone, on each kind of garbage and on 60 spoilt truths."""
    for seed, garbage in enumerate((*GARBAGE, *(None for _ in range(60)))):
        guest = FakeGuest(FakeClock())
        add_files(guest)
        liar = Liar(seed, guest)
        if garbage is not None:
            liar.lie = lambda _truth, told=garbage: told  # type: ignore[misc, method-assign]
        with no_hang():
            try:
                READERS[name](guest)
            except (ForerunError, FileNotFoundError) as problem:
                assert str(problem)


@pytest.mark.parametrize("garbage", [b"x", b"9" * 400, b"\xff", "\u0663\u00b2".encode(), b"1 2"])
@pytest.mark.parametrize("place", ["exit", "leader", "children", "syscall"])
def test_numbers_that_are_none(place: str, garbage: bytes) -> None:
    """What stands for pids, descriptors and exit codes is no number: the clone counts as one
    that cannot be reached, which is a result."""
    machine = Machine()
    machine.add_process(100, "sh", "1 0x2")
    machine.files[f"{SESSION}/leader"] = b"100"
    machine.files |= {
        "exit": {f"{SESSION}/exit": garbage},
        "leader": {f"{SESSION}/leader": garbage},
        "children": {"/proc/100/task/100/children": garbage},
        "syscall": {"/proc/100/syscall": b"0 " + garbage},
    }[place]
    guest = connect(machine)
    if place == "syscall" and garbage in (b"1 2",):
        assert guest.find_waiting("upgrade") is None
        return
    if place == "children" and garbage == b"1 2":
        assert guest.find_waiting("upgrade") is None
        return
    with no_hang(), pytest.raises(CloneUnreachable):
        if place == "exit":
            guest.read_session("upgrade", 0)
        else:
            guest.find_waiting("upgrade")


def test_processes_in_a_circle_are_walked_once() -> None:
    """A clone whose /proc says that each is the other's child."""
    machine = Machine()
    machine.add_process(100, "sh", "1 0x2", 101)
    machine.add_process(101, "sh", "1 0x2", 100, 101)
    machine.files[f"{SESSION}/leader"] = b"100"
    with no_hang():
        assert connect(machine).find_waiting("upgrade") is None


ZEROS = b"0" * 64 + b"  x\n"


@pytest.mark.parametrize(
    "answer", [b"", b"x", ZEROS + b"-5\n", ZEROS + b"99999999999999\n", b"z" * 64 + b"  x\n5"]
)
def test_a_backup_of_no_credible_size_is_not_fetched(answer: bytes, tmp_path: Path) -> None:
    """The clone says how much there is to fetch: a lie must not fill the lab host's disk."""
    guest = FakeGuest(FakeClock(), answers={"sha256sum": ExecResult(0, answer, b"")})
    guest.files["/var/tmp/forerun-configuration.tar"] = b"x" * 4096
    done = keep_configuration(guest, tmp_path, allowed_s=10)
    assert done.end is StepEnd.FAILED
    assert list(tmp_path.iterdir()) == []


def test_no_more_is_fetched_than_was_said(tmp_path: Path) -> None:
    """A file that grows while it is read ends where its size said."""
    guest = FakeGuest(
        FakeClock(), answers={"sha256sum": ExecResult(0, b"0" * 64 + b"  x\n1000\n", b"")}
    )
    guest.files["/var/tmp/forerun-configuration.tar"] = b"x" * (5 << 20)
    asked: list[int] = []
    read = guest.read_file
    guest.read_file = lambda path, *, offset=0, limit=1 << 20: (  # type: ignore[method-assign]
        asked.append(limit) or read(path, offset=offset, limit=limit)  # type: ignore[func-returns-value]
    )
    assert keep_configuration(guest, tmp_path, allowed_s=10).end is StepEnd.FAILED
    assert sum(asked) == 1000


def test_talking_without_end_fills_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a step's text the last part is kept in memory, of a run's transcript the first part
    on disk, with a word where it was cut; the package log is read to a limit."""
    monkeypatch.setattr(session, "MOST_TEXT", 5000)
    monkeypatch.setattr(session, "MOST_QUESTION", 2000)
    monkeypatch.setattr(rehearse, "MOST_TRANSCRIPT", 3000)
    monkeypatch.setattr(package_log, "MOST_LOG", 4 << 20)
    scene = Stage1(tmp_path, make_profile([make_step("go")]))
    scene.guest.sessions["go"] = (*[FakeTurn("y\n" * 900, after_s=1.0)] * 9, FakeTurn(exit_code=0))
    asked: list[int] = []

    def endless(path: str, *, offset: int = 0, limit: int = 1 << 20) -> bytes:
        if path != "/var/log/dpkg.log":
            raise FileNotFoundError(path)
        asked.append(limit)
        return b"\0" * limit

    scene.guest.read_file = endless  # type: ignore[method-assign]
    with no_hang():
        scene.run()
    transcript = (tmp_path / "terminal.log").read_bytes()
    assert len(transcript) < 3100 and transcript.endswith(b"(cut here)\n")
    assert sum(asked) == 4 << 20
    (record,) = scene.rehearsal.observed.steps
    assert record.end is StepEnd.DONE and record.last_lines[-1] == "y"


class EndlessChannel:
    """A command of the clone that never stops answering."""

    def __init__(self) -> None:
        self.closed = False

    def shutdown_write(self) -> None:
        """Nothing more is typed."""

    def recv(self, size: int) -> bytes:
        return bytes(size)

    def recv_stderr(self, _size: int) -> bytes:
        return b""

    def close(self) -> None:
        self.closed = True


def test_an_answer_without_end_is_cut(monkeypatch: pytest.MonkeyPatch) -> None:
    """An answer is held in memory: past the limit the connection counts as lost."""
    monkeypatch.setattr(ssh, "_MOST_ANSWER", 1 << 20)
    channel = EndlessChannel()
    with no_hang(), pytest.raises(OSError, match="more than 1048576 bytes"):
        ssh._collect(channel, b"", 10)  # type: ignore[arg-type]
    assert channel.closed


@pytest.mark.parametrize(
    "status", [b"9" * 5000, b"2", b"-200", b"+200", "\u0662\u0660\u0660".encode(), b"099", b"1000"]
)
def test_a_status_that_is_none_is_a_wrong_answer(status: bytes) -> None:
    """RFC 9112, 4: three digits. The watching thread must not die of it."""
    assert _judge_http(b"HTTP/1.1 " + status + b" OK\r\n\r\nwell", "well") == "wrong answer"
    assert _judge_http(b"HTTP/1.1 204 OK\r\n\r\nwell", "well") == ""


def test_what_cannot_be_stored_is_mended() -> None:
    """Numbers beyond any measurement count as not measured; what is no character is written
    as an escape; the rest stays as it was."""
    record = load_record(RunRecord, RUN)
    assert mend_record(record, unknown=-1) == record
    bad = dataclasses.replace(
        record, host="a\udcffb", rate_limit_bits=1 << 70, preparation=(("x", float("inf")),)
    )
    mended = mend_record(bad, unknown=-1)
    assert (mended.host, mended.rate_limit_bits) == ("a\\udcffb", -1)
    assert mended.preparation == (("x", -1.0),)
