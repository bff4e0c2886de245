"""A terminal through SSH against a real OpenSSH server on a loopback port: the contract, its
environment, every way it can end, and what must not be run at all."""

from __future__ import annotations

import contextlib
import os
import select
import signal
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from forerun.drills.relay import How, RelayEnd, relay
from forerun.errors import CloneUnreachable, HostKeyMismatch, LinkLost, LoginRefused
from forerun.ports import ssh_terminal
from forerun.ports.clock import SystemClock
from forerun.ports.labhost import find_free_port
from forerun.ports.ssh import SshTarget, make_key_pair
from forerun.ports.ssh_terminal import open_ssh_terminal
from forerun.ports.terminal import Terminal
from forerun.testing import check_left_terminal, check_lost_terminal, check_terminal
from forerun.testing_terminal import CONTRACT_EXIT, CONTRACT_PROGRAM

from .loopback_sshd import Sshd, run_sshd

pytestmark = [pytest.mark.tools, pytest.mark.timeout(120)]

SFTP = "Subsystem sftp internal-sftp"
Open = Callable[..., Terminal]


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Sshd]:
    folder = tmp_path / "server"
    folder.mkdir()
    with run_sshd(folder, SFTP, "PrintMotd no", "PrintLastLog no") as one:
        (folder / "guard").write_text("a clone\n")
        yield one


def target_of(server: Sshd, **more: Any) -> SshTarget:
    whole = {
        "host": "127.0.0.1", "port": server.port, "key_file": server.folder / "identity",
        "host_key": server.host_public, **more,
    }  # fmt: skip
    return SshTarget(**whole)


def open_on(server: Sshd, command: str, target: SshTarget | None = None, **more: Any) -> Terminal:
    whole = {
        "columns": 80, "rows": 24, "term": "vt220", "timeout_s": 15.0,
        "guard_file": str(server.folder / "guard"), **more,
    }  # fmt: skip
    return open_ssh_terminal(target or target_of(server), command, **whole)


def read_to_end(terminal: Terminal) -> bytes:
    said = b""
    limit = time.monotonic() + 60
    while (part := terminal.read(0.5)) is not None:
        said += part
        assert time.monotonic() < limit, said[-200:]
    return said


def list_servers_of(pid: int) -> list[int]:
    """The processes of sshd below that one: its sessions."""
    found: list[int] = []
    for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split():
        with contextlib.suppress(OSError):
            if Path(f"/proc/{child}/comm").read_text().startswith("sshd"):
                found += [*list_servers_of(int(child)), int(child)]
    return found


def cut(server: Sshd) -> None:
    """The server's side of every connection goes without a word."""
    sessions = list_servers_of(server.pid)
    assert sessions
    for pid in sessions[::-1]:
        os.kill(pid, signal.SIGKILL)


def test_it_keeps_the_contract(server: Sshd) -> None:
    """A real shell in a real terminal, both ways, to its exit code."""
    check_terminal(open_on(server, CONTRACT_PROGRAM), exit_code=CONTRACT_EXIT)


def test_a_cut_one_keeps_the_contract(server: Sshd) -> None:
    """The server's processes are killed: LinkLost, and no exit code."""
    check_lost_terminal(open_on(server, CONTRACT_PROGRAM), lambda: cut(server))


def test_one_that_is_left_keeps_the_contract(server: Sshd) -> None:
    """Hung up while the shell waits."""
    check_left_terminal(open_on(server, CONTRACT_PROGRAM))


def test_the_terminal_is_one_of_that_kind_and_size(server: Sshd) -> None:
    """TERM and the first size arrive, and so does a later one, as tty(1) and stty(1) see it."""
    terminal = open_on(
        server, "tty; echo $TERM; stty size; read -r line; stty size", columns=132, rows=43
    )
    said = b""
    while b"43 132\r\n" not in said:
        part = terminal.read(5.0)
        assert part, said
        said += part
    assert said.startswith(b"/dev/pts/")
    assert b"\r\nvt220\r\n" in said
    terminal.resize(100, 30)
    terminal.write(b"\r")
    assert b"30 100\r\n" in read_to_end(terminal)
    terminal.close()


def test_without_a_kind_it_is_a_dumb_one(server: Sshd) -> None:
    """An empty TERM would be no terminal for anybody."""
    terminal = open_on(server, "echo $TERM", term="")
    assert read_to_end(terminal) == b"dumb\r\n"
    terminal.close()


def test_errors_are_shown_like_everything_else(server: Sshd) -> None:
    """Standard error is the same terminal, and its exit code is not 0."""
    terminal = open_on(server, "echo out; echo err >&2; exit 4")
    assert read_to_end(terminal) == b"out\r\nerr\r\n"
    assert terminal.exit_code == 4
    terminal.close()


def test_what_a_signal_ended_has_closed_without_a_code(server: Sshd) -> None:
    """RFC 4254, 6.10: an exit signal stands in the place of an exit status. The line is whole."""
    terminal = open_on(server, "echo before; kill -KILL $$")
    assert read_to_end(terminal) == b"before\r\n"
    assert terminal.exit_code is None
    terminal.close()


def test_much_output_comes_whole_while_keys_are_taken(server: Sshd) -> None:
    """5 MB, more than a channel's window, with keys typed meanwhile by another thread."""
    terminal = open_on(
        server, "stty -echo; head -c 5000000 /dev/zero | tr '\\0' x; read -r line; echo \"<$line>\""
    )

    def type_along() -> None:
        for key in b"k" * 200 + b"\r":
            terminal.write(bytes([key]))

    writer = threading.Thread(target=type_along)
    writer.start()
    said = read_to_end(terminal)
    writer.join(10)
    assert said.count(b"x") == 5_000_000
    assert said.endswith(b"<" + b"k" * 200 + b">\r\n")
    terminal.close()


def test_a_wait_is_as_long_as_asked(server: Sshd) -> None:
    """Nothing is said: b"" after the time, not before and not much later."""
    terminal = open_on(server, "stty -echo; sleep 30")
    terminal.read(1.0)
    for wait_s in (0.0, 0.3):
        began = time.monotonic()
        assert terminal.read(wait_s) == b""
        assert wait_s <= time.monotonic() - began < wait_s + 2.0
    terminal.close()


def test_keys_that_nobody_takes_are_given_up(server: Sshd, monkeypatch: pytest.MonkeyPatch) -> None:
    """A program that never reads: the terminal's, the server's and the channel's buffers fill
    (2 MiB and more), and then it is LinkLost after a time, not a wait without end."""
    monkeypatch.setattr(ssh_terminal, "TAKE_S", 1.0)
    terminal = open_on(server, "stty raw -echo; sleep 60")
    began = time.monotonic()
    with pytest.raises(LinkLost) as caught:
        terminal.write(b"x" * (8 << 20))
    assert "taken" in caught.value.found
    assert time.monotonic() - began < 12  # less than the time-out of the making
    terminal.close()


def test_what_runs_there_is_told_of_the_hang_up(server: Sshd) -> None:
    """SIGHUP, as from any terminal that goes away: no shell of a trainee is left behind."""
    marker = server.folder / "hung-up"
    terminal = open_on(
        server, f"trap 'touch {marker}; exit' HUP; echo ready; while :; do sleep 0.1; done"
    )
    while b"ready" not in (terminal.read(5.0) or b""):
        pass
    terminal.close()
    limit = time.monotonic() + 20
    while not marker.exists():
        assert time.monotonic() < limit
        time.sleep(0.05)


# -- what is refused


def test_on_a_machine_that_is_no_clone_nothing_is_run(server: Sshd) -> None:
    """No guard file: refused, and the command was not begun."""
    (server.folder / "guard").unlink()
    marker = server.folder / "ran"
    with pytest.raises(CloneUnreachable) as caught:
        open_on(server, f"touch {marker}")
    assert "not a clone" in caught.value.what
    time.sleep(0.5)
    assert not marker.exists()
    assert not list_servers_of(server.pid), "the connection was given back"


@pytest.mark.parametrize(
    ("more", "wanted"),
    [
        ({"host_key": make_key_pair()[1]}, HostKeyMismatch),
        ({"key_file": "other"}, LoginRefused),
        ({"port": 0}, CloneUnreachable),
    ],
)
def test_a_login_that_fails_is_told(
    server: Sshd, more: dict[str, Any], wanted: type[Exception]
) -> None:
    """Another host key, another login key, nobody there: each its own error, and nobody says
    "production" of a clone."""
    if "key_file" in more:
        more = {"key_file": server.folder / "other"}
    if "port" in more:
        more = {"port": find_free_port()}
    with pytest.raises(wanted) as caught:
        open_on(server, "true", target_of(server, **more))
    assert type(caught.value) is wanted


def test_a_server_that_gives_no_terminal(tmp_path: Path) -> None:
    """PermitTTY no: told, and the connection is given back."""
    folder = tmp_path / "server"
    folder.mkdir()
    with run_sshd(folder, SFTP, "PermitTTY no") as server:
        (folder / "guard").write_text("a clone\n")
        with pytest.raises(CloneUnreachable) as caught:
            open_on(server, "true")
        assert not isinstance(caught.value, LinkLost)
        assert "terminal" in caught.value.what


# -- joined to a script


def drive(terminal: Terminal, keys: bytes) -> tuple[RelayEnd, bytes]:
    """The relay with that input and a pipe for its screen."""
    keys_out, keys_in = os.pipe()
    screen_out, screen_in = os.pipe()
    os.write(keys_in, keys)
    os.close(keys_in)
    try:
        end = relay(
            terminal, recorder=None, keyboard_fd=keys_out, screen_fd=screen_in,
            find_size=lambda: (80, 24), clock=SystemClock(), after_input_s=30.0,
        )  # fmt: skip
        poll = select.poll()
        poll.register(screen_out, select.POLLIN)
        return end, os.read(screen_out, 1 << 16) if poll.poll(0) else b""
    finally:
        for handle in (keys_out, screen_out, screen_in):
            os.close(handle)
        terminal.close()


@pytest.mark.parametrize("shell", ["sh", "bash --norc"])
def test_a_script_drives_a_real_shell(server: Sshd, shell: str) -> None:
    """Its lines are run there, and its exit code comes back."""
    end, said = drive(open_on(server, shell), b"echo one-$((1 + 1))\nexit 3\n")
    assert end == RelayEnd(How.CLOSED, exit_code=3)
    assert b"one-2" in said


@pytest.mark.parametrize("shell", ["sh", "bash --norc"])
def test_the_end_of_a_scripts_input_ends_a_real_shell(server: Sshd, shell: str) -> None:
    """Also where it comes before the shell has set up its terminal, and where a program of
    its own reads in between."""
    for keys in (b"", b"true\n", b"cat > /dev/null\n"):
        end, _ = drive(open_on(server, shell), keys)
        assert end == RelayEnd(How.CLOSED, exit_code=0), keys
