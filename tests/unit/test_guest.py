"""The door to a clone: proof that it is one, reconnecting, sessions, who waits for an answer."""

from __future__ import annotations

import shlex
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from datetime import UTC, datetime

import pytest

from forerun.errors import (
    CloneUnreachable,
    ForerunError,
    HostKeyMismatch,
    LinkLost,
    LoginRefused,
    NoRoom,
    ProductionUnreachable,
)
from forerun.ports.guard import GUARD_FILE
from forerun.ports.guest import SshGuest, Waiting
from forerun.ports.ssh import ExecResult, Room

SESSION = "/run/forerun/upgrade"


class StepClock:
    """A clock that moves by sleeping only."""

    def __init__(self) -> None:
        self.at = 0.0

    def now(self) -> datetime:
        return datetime(2026, 1, 31, 22, 0, tzinfo=UTC)

    def monotonic(self) -> float:
        return self.at

    def sleep(self, seconds: float) -> None:
        self.at += seconds


class Machine:
    """A machine that links lead to: files, symbolic links, what was run on it."""

    def __init__(self) -> None:
        self.files: dict[str, bytes] = {GUARD_FILE: b"clone of run-1\n"}
        self.links: dict[str, str] = {}
        self.ran: list[str] = []
        self.forwards: list[tuple[int, int]] = []
        self.dialled = 0

    def add_process(self, pid: int, name: str, call: str, *children: int, fd0: str = "") -> None:
        self.files[f"/proc/{pid}/comm"] = f"{name}\n".encode()
        self.files[f"/proc/{pid}/syscall"] = f"{call}\n".encode()
        listed = " ".join(map(str, children))
        self.files[f"/proc/{pid}/task/{pid}/children"] = f"{listed} ".encode()
        self.links[f"/proc/{pid}/fd/0"] = fd0


class FakeLink:
    """An SSH connection to a `Machine`, which can be cut."""

    def __init__(self, machine: Machine, *, answers: int = 1_000_000) -> None:
        self.machine = machine
        self.answers = answers  # requests until the line fails
        self.open = True

    def _use(self) -> None:
        if not self.open or self.answers <= 0:
            self.open = False
            raise LinkLost("The SSH connection was lost.")
        self.answers -= 1

    def sent_bytes(self) -> int:
        return 0

    def exec(self, command: str, *, timeout_s: float, stdin: bytes = b"") -> ExecResult:
        self._use()
        self.machine.ran.append(command)
        return ExecResult(0, b"", b"")

    def stream(self, command: str, *, timeout_s: float) -> AbstractContextManager[Iterator[bytes]]:
        raise NotImplementedError

    def read_file(self, path: str, *, offset: int = 0, limit: int = 1 << 20) -> bytes:
        self._use()
        if path not in self.machine.files:
            raise FileNotFoundError(path)
        return self.machine.files[path][offset : offset + limit]

    def write_file(self, path: str, content: bytes, *, mode: int = 0o600) -> None:
        self._use()
        self.machine.files[path] = content

    def list_folder(self, path: str) -> tuple[str, ...]:
        raise NotImplementedError

    def read_link(self, path: str) -> str:
        self._use()
        return self.machine.links.get(path, "")

    def room(self, path: str) -> Room:
        self._use()
        return Room(100, 60, 40)

    def forward_back(self, port: int, *, to_port: int) -> int:
        self._use()
        self.machine.forwards.append((port, to_port))
        return port

    def alive(self) -> bool:
        return self.open

    def close(self) -> None:
        self.open = False


class Dialler:
    """Gives out links; `plan` holds what each attempt does before links are given freely."""

    def __init__(self, machine: Machine, plan: list[ForerunError | FakeLink] | None = None) -> None:
        self.machine = machine
        self.plan = plan or []
        self.given: list[FakeLink] = []

    def __call__(self) -> FakeLink:
        self.machine.dialled += 1
        step = self.plan.pop(0) if self.plan else FakeLink(self.machine)
        if isinstance(step, ForerunError):
            raise step
        self.given.append(step)
        return step


def make(
    machine: Machine,
    plan: list[ForerunError | FakeLink] | None = None,
    clock: StepClock | None = None,
) -> tuple[SshGuest, Dialler]:
    dial = Dialler(machine, plan)
    guest = SshGuest(dial, gateway_port=40080, guest_gateway_port=29480, clock=clock or StepClock())
    return guest, dial


def connect(machine: Machine, plan: list[ForerunError | FakeLink] | None = None) -> SshGuest:
    guest, _ = make(machine, plan)
    guest.connect(patience_s=10)
    return guest


# -- connecting


def test_a_machine_without_the_guard_file_is_refused() -> None:
    """Nothing is run on it, no port of it is borrowed, and the connection is closed."""
    machine = Machine()
    del machine.files[GUARD_FILE]
    guest, dial = make(machine)
    with pytest.raises(CloneUnreachable) as caught:
        guest.connect(patience_s=10)
    assert GUARD_FILE in caught.value.wanted
    assert (machine.ran, machine.forwards) == ([], [])
    assert [link.open for link in dial.given] == [False]


def test_a_booting_clone_is_dialled_until_it_answers() -> None:
    """Refusals are what a boot looks like; the gateway then has a line of its own."""
    machine, clock = Machine(), StepClock()
    refusals: list[ForerunError | FakeLink] = [ProductionUnreachable("no") for _ in range(7)]
    guest, dial = make(machine, refusals, clock)
    guest.connect(patience_s=60)
    assert clock.at == pytest.approx(3.5)
    assert len(dial.given) == 2
    assert machine.forwards == [(29480, 40080)]


def test_patience_ends() -> None:
    """A clone that never answers is unreachable after the time given, with the last word."""
    machine, clock = Machine(), StepClock()
    endless: list[ForerunError | FakeLink] = [
        ProductionUnreachable("no", found="Connection reset") for _ in range(500)
    ]
    guest, _ = make(machine, endless, clock)
    with pytest.raises(CloneUnreachable) as caught:
        guest.connect(patience_s=20)
    assert 20 <= clock.at <= 21
    assert caught.value.found == "Connection reset"


def test_a_clone_that_powered_off_is_not_waited_for() -> None:
    """When the hypervisor says it is gone, waiting ends at once."""
    machine, clock = Machine(), StepClock()
    guest, _ = make(machine, [ProductionUnreachable("no"), ProductionUnreachable("no")], clock)
    with pytest.raises(CloneUnreachable, match="powered off"):
        guest.connect(patience_s=600, alive=lambda: False)
    assert clock.at == 0.0


@pytest.mark.parametrize("problem", [HostKeyMismatch("other"), LoginRefused("no")])
def test_somebody_else_on_that_port_is_not_dialled_again(problem: ForerunError) -> None:
    """Another host key or a refused login means another machine."""
    machine = Machine()
    guest, _ = make(machine, [problem])
    with pytest.raises(type(problem)):
        guest.connect(patience_s=600)
    assert machine.dialled == 1


# -- reconnecting


def test_a_lost_link_is_dialled_again_and_the_question_asked_again() -> None:
    """The caller sees the answer only; the loss is counted."""
    machine = Machine()
    machine.files["/etc/issue"] = b"Debian"
    guest = connect(machine, [FakeLink(machine, answers=1)])
    assert guest.reattached == 0
    assert guest.read_file("/etc/issue") == b"Debian"
    assert guest.reattached == 1
    guest.drop_link()
    assert guest.room("/").free_bytes == 40
    assert guest.reattached == 2


def test_a_link_lost_twice_in_a_row_is_told() -> None:
    """One new try, then the loss reaches the caller."""
    machine = Machine()
    guest = connect(
        machine, [FakeLink(machine, answers=1), FakeLink(machine), FakeLink(machine, answers=0)]
    )
    with pytest.raises(LinkLost):
        guest.run("true", timeout_s=1)


def test_a_clone_that_went_down_meanwhile_is_not_dialled_for_minutes() -> None:
    """In the middle of a step: the hypervisor says at once that dialling will not help, or
    what stands in the way."""
    machine, clock = Machine(), StepClock()
    refusals = [ProductionUnreachable("no") for _ in range(500)]
    plan: list[ForerunError | FakeLink] = [
        FakeLink(machine, answers=1), FakeLink(machine), *refusals
    ]  # fmt: skip
    states: list[bool | ForerunError] = [True, True, False]

    def alive() -> bool:
        state = states.pop(0)
        if isinstance(state, ForerunError):
            raise state
        return state

    guest = SshGuest(
        Dialler(machine, plan), gateway_port=1, guest_gateway_port=2, clock=clock, alive=alive
    )
    guest.connect(patience_s=10)
    with pytest.raises(CloneUnreachable, match="powered off"):
        guest.run("true", timeout_s=1)
    assert clock.at == 1.0
    states.append(NoRoom("The disk is full."))
    with pytest.raises(NoRoom):
        guest.run("true", timeout_s=1)


def test_cutting_the_operators_line_does_not_cut_the_gateways() -> None:
    """Two connections: a download goes on while the operator is away."""
    machine = Machine()
    guest, dial = make(machine)
    guest.connect(patience_s=1)
    guest.drop_link()
    operator, gateway = dial.given
    assert (operator.open, gateway.open) == (False, True)
    guest.ensure_gateway()
    assert machine.forwards == [(29480, 40080)]


def test_the_gateways_line_is_mended() -> None:
    """A dead one is opened again; a refusal is tried later, not an error."""
    machine = Machine()
    guest, dial = make(machine)
    guest.connect(patience_s=1)
    dial.given[1].close()
    dial.plan = [ProductionUnreachable("sshd restarts")]
    guest.ensure_gateway()
    assert machine.forwards == [(29480, 40080)]
    guest.ensure_gateway()
    assert machine.forwards == [(29480, 40080)] * 2


def test_closing_ends_both_lines() -> None:
    """Nothing stays open, and closing twice is no trouble."""
    machine = Machine()
    guest, dial = make(machine)
    guest.connect(patience_s=1)
    guest.close()
    guest.close()
    assert [link.open for link in dial.given] == [False, False]


# -- sessions


def test_a_session_runs_detached_with_its_environment() -> None:
    """Script and launcher are written first; `setsid` frees it from the connection; values
    are quoted for the shell."""
    machine = Machine()
    guest = connect(machine)
    guest.start_session("upgrade", "apt-get update", {"LC_ALL": "C", "NOTE": "it's $HOME"})
    script = machine.files[f"{SESSION}/script"].decode()
    assert shlex.split(script.splitlines()[2]) == ["export", "NOTE=it's $HOME"]
    assert script.endswith("apt-get update\n")
    assert f"{SESSION}/launch" in machine.files
    assert "setsid -f" in machine.ran[-1]


@pytest.mark.parametrize("name", ["", "../x", "a b", "A", "x;rm", "-x", "x" * 62, "x/y", "x\n"])
def test_a_crooked_session_name_is_refused(name: str) -> None:
    """Names become paths and words of a shell."""
    machine = Machine()
    guest = connect(machine)
    with pytest.raises(ValueError, match="session name"):
        guest.start_session(name, "true", {})
    assert machine.ran == []


def test_reading_goes_on_where_it_stopped() -> None:
    """Each look gives what was written since, byte for byte, and the end once it is there."""
    machine = Machine()
    guest = connect(machine)
    news = guest.read_session("upgrade", 0)
    assert (news.text, news.offset, news.exit_code) == (b"", 0, None)
    machine.files[f"{SESSION}/terminal"] = "Größe".encode()
    first = guest.read_session("upgrade", 0)
    machine.files[f"{SESSION}/terminal"] += b" done\r\n"
    machine.files[f"{SESSION}/exit"] = b"100\n"
    second = guest.read_session("upgrade", first.offset)
    assert (first.offset, first.exit_code) == (7, None)
    assert (second.text, second.exit_code) == (b" done\r\n", 100)
    assert guest.read_session("upgrade", second.offset).text == b""


def test_the_end_is_read_before_the_text() -> None:
    """A session that writes and ends between two reads loses nothing: once the exit code
    is seen, the text read after it is whole."""
    machine = Machine()
    guest = connect(machine)
    order: list[str] = []

    class Watched(dict[str, bytes]):
        def __contains__(self, key: object) -> bool:
            order.append(str(key).rsplit("/", 1)[-1])
            return super().__contains__(key)

    machine.files = Watched(machine.files)
    guest.read_session("upgrade", 0)
    assert order == ["exit", "terminal"]


def test_keys_are_typed_as_they_are() -> None:
    """Quotes, dollars and line ends reach the terminal unchanged (printf %s)."""
    machine = Machine()
    guest = connect(machine)
    guest.type_keys("upgrade", "it's $5\n")
    (outer,) = machine.ran
    inner = shlex.split(outer)[-1]
    assert shlex.split(inner) == ["printf", "%s", "it's $5\n", ">", f"{SESSION}/keys"]


def test_ending_a_session_ends_the_whole_family() -> None:
    """Every descendant of the leader is told, and then made, to end."""
    machine = Machine()
    machine.files[f"{SESSION}/leader"] = b"50\n"
    machine.add_process(50, "sh", "61", 51)
    machine.add_process(51, "apt-get", "7", 52, 53)
    machine.add_process(52, "dpkg", "61")
    machine.add_process(53, "sh", "61")
    guest = connect(machine)
    guest.end_session("upgrade")
    (command,) = machine.ran
    assert {"50", "51", "52", "53"} <= set(command.replace(";", " ").split())
    assert command.index("-TERM") < command.index("-KILL")


def test_what_runs_in_a_session_is_listed() -> None:
    """ps(1) is asked for the whole family and nothing else; without a leader nobody is."""
    machine = Machine()
    guest = connect(machine)
    assert guest.list_processes("upgrade") == ()
    assert machine.ran == []
    machine.files[f"{SESSION}/leader"] = b"50\n"
    machine.add_process(50, "sh", "61", 51)
    machine.add_process(51, "apt-get", "7")
    guest.list_processes("upgrade")
    (command,) = machine.ran
    inner = shlex.split(command)[-1]
    assert inner.startswith("ps ")
    assert set(inner.rpartition(" ")[2].split(",")) == {"50", "51"}


def test_ending_a_session_that_never_began_does_nothing() -> None:
    """No leader, no command."""
    machine = Machine()
    guest = connect(machine)
    guest.end_session("upgrade")
    assert machine.ran == []


# -- who waits for an answer (proc_pid_syscall(5); numbers of x86-64: read 0, poll 7, select 23,
#    wait4 61, pselect6 270, ppoll 271)

READ_TTY = "0 0x0 0x55d0c0ffee00 0x1 0x0 0x0 0x0 0x7ffc1 0x7f1"


def build_session(machine: Machine, leaf: Callable[[Machine], None]) -> SshGuest:
    machine.files[f"{SESSION}/leader"] = b"50\n"
    machine.add_process(50, "sh", "61 0xffffffffffffffff 0x7ffd", 51)
    machine.add_process(51, "script", "7 0x7ffc 0x3", 52)
    machine.add_process(52, "bash", "61 0xffffffffffffffff 0x7ffd", 60)
    leaf(machine)
    return connect(machine)


def test_a_read_on_the_terminal_is_a_wait() -> None:
    """A maintainer script's `read`: the process is named."""
    guest = build_session(
        Machine(), lambda m: m.add_process(60, "postinst", READ_TTY, fd0="/dev/pts/0")
    )
    assert guest.find_waiting("upgrade") == Waiting(60, "postinst")


@pytest.mark.parametrize(
    ("name", "call", "target"),
    [
        ("cat", READ_TTY, "pipe:[1234]"),
        ("tee", READ_TTY, "/var/log/x"),
        ("dpkg", "running", "/dev/pts/0"),
        ("sleep", "230 0x0 0x0", "/dev/pts/0"),
        ("apt-get", "270 0x8 0x7ffd", "/dev/pts/0"),
        ("apt-get", "7 0x7ffd 0x1", "/dev/pts/0"),
        ("zombie", "-1 0x0 0x0", ""),
        ("gone", "", ""),
        ("cat", READ_TTY, "/dev/pts/0 (deleted)"),
    ],
)
def test_work_is_not_a_wait(name: str, call: str, target: str) -> None:
    """Reading a pipe or a file, computing, sleeping, and apt that waits for dpkg."""
    guest = build_session(Machine(), lambda m: m.add_process(60, name, call, fd0=target))
    assert guest.find_waiting("upgrade") is None


@pytest.mark.parametrize("call", ["23 0x1 0x7ffd", "270 0x1 0x7ffd", "7 0x7ffd 0x1", "271 0x7 0x1"])
def test_a_full_screen_dialogue_is_a_wait(call: str) -> None:
    """whiptail waits in select or poll, not in read: it is known by its name."""
    guest = build_session(
        Machine(), lambda m: m.add_process(60, "whiptail", call, fd0="/dev/pts/0")
    )
    assert guest.find_waiting("upgrade") == Waiting(60, "whiptail")


def test_another_descriptor_can_be_the_terminal() -> None:
    """debconf's scripts keep the terminal on another descriptor: the one that is read is
    looked at."""

    def leaf(machine: Machine) -> None:
        machine.add_process(60, "read", "0 0x7 0x55d0 0x1", fd0="pipe:[1]")
        machine.links["/proc/60/fd/7"] = "/dev/pts/3"

    assert build_session(Machine(), leaf).find_waiting("upgrade") == Waiting(60, "read")


def test_a_descriptor_that_becomes_the_terminal_meanwhile_is_no_wait() -> None:
    """A process reads a pipe, closes it and opens the terminal under the same number, all
    between two looks: the read that was seen was never the terminal's."""

    class Busy(Machine):
        """Its process goes on to another call as soon as a link of it is read."""

        def __init__(self) -> None:
            super().__init__()
            self.links = Links(self)

    class Links(dict[str, str]):
        def __init__(self, machine: Machine) -> None:
            self.machine = machine

        def get(self, path: str, default: str = "") -> str:  # type: ignore[override]
            self.machine.files["/proc/60/syscall"] = b"0 0x8 0x55d0 0x2000\n"
            return super().get(path, default)

    def leaf(machine: Machine) -> None:
        machine.add_process(60, "frontend", "0 0x3 0x55d0 0x2000")
        machine.links["/proc/60/fd/3"] = "/dev/tty"

    assert build_session(Busy(), leaf).find_waiting("upgrade") is None
    assert build_session(Machine(), leaf).find_waiting("upgrade") == Waiting(60, "frontend")


def test_a_process_that_ends_while_it_is_looked_at_is_no_trouble() -> None:
    """Its files are gone: it does not wait."""
    guest = build_session(Machine(), lambda m: None)
    assert guest.find_waiting("upgrade") is None


def test_without_a_leader_nobody_waits() -> None:
    """The session has not begun yet."""
    assert connect(Machine()).find_waiting("upgrade") is None
