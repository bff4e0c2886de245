"""Bad servers, end to end: the `forerun` command against a real OpenSSH server on a
loopback port. Each case has its exit code and its message, and leaves nothing behind."""

from __future__ import annotations

import contextlib
import re
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ed25519

from forerun.ports.labhost import find_free_port
from forerun.ports.ssh import make_key_pair

from .bad_input import Told, assert_nothing_left, run_forerun
from .loopback_sshd import run_sshd, write_key

pytestmark = pytest.mark.tools

UNKNOWN_RELEASE = 'ID=plan\nPRETTY_NAME="Plan \x1b[31m2\x1b[0m"\nVERSION_ID=2\n'
# Notes each command, then runs it with another os-release in place of this machine's.
FORCED = """#!/bin/sh
printf '%s\\0' "$SSH_ORIGINAL_COMMAND" >> {folder}/commands
{extra}
exec sh -c "$(printf %s "$SSH_ORIGINAL_COMMAND" | sed 's#/etc/os-release#{folder}/os-release#g')"
"""


@dataclass
class Server:
    """A throwaway OpenSSH server, its files and a client's files for it."""

    folder: Path
    port: int
    host_public: str

    def commands(self) -> list[str]:
        """Every command line that a client sent; empty when none was."""
        log = self.folder / "commands"
        return log.read_text().split("\0")[:-1] if log.exists() else []

    def log(self) -> str:
        return (self.folder / "sshd.log").read_text()

    def know(self, public: str) -> None:
        (self.folder / "known_hosts").write_text(f"[127.0.0.1]:{self.port} {public}\n")

    def force(self, extra: str) -> None:
        script = self.folder / "forced"
        script.write_text(FORCED.format(folder=self.folder, extra=extra))
        script.chmod(0o755)

    def survey(
        self,
        home: Path,
        *more: str,
        identity: str = "identity",
        interrupt_when: Callable[[], bool] | None = None,
    ) -> Told:
        return run_forerun(
            home,
            "survey",
            "root@127.0.0.1",
            "--port",
            str(self.port),
            "--identity",
            str(self.folder / identity),
            "--known-hosts",
            str(self.folder / "known_hosts"),
            *more,
            interrupt_when=interrupt_when,
        )


@pytest.fixture
def home(tmp_path: Path) -> Path:
    return tmp_path / "state"


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Server]:
    folder = tmp_path / "server"
    folder.mkdir()
    (folder / "os-release").write_text(UNKNOWN_RELEASE)
    with run_sshd(folder, f"ForceCommand {folder}/forced") as sshd:
        one = Server(folder, sshd.port, sshd.host_public)
        one.force("")
        yield one


def fingerprint(public: str, folder: Path) -> str:
    """As ssh-keygen prints it: the outside source for ours."""
    (folder / "shown.pub").write_text(public + "\n")
    done = subprocess.run(
        ["ssh-keygen", "-l", "-f", str(folder / "shown.pub")],
        capture_output=True,
        text=True,
        check=True,
    )
    return done.stdout.split()[1]


def test_an_unknown_host_key_is_refused_before_any_login(server: Server, home: Path) -> None:
    """The fingerprint shown is ssh-keygen's; no login was tried, no command was sent."""
    told = server.survey(home)
    told.assert_told(20, "not known", "--accept-new-host-key")
    assert fingerprint(server.host_public, server.folder) in told.err
    assert server.commands() == []
    assert "Accepted" not in server.log()
    assert not (server.folder / "known_hosts").exists()
    assert_nothing_left(home)


@pytest.mark.parametrize("more", [(), ("--accept-new-host-key",)])
def test_a_changed_host_key_is_refused_always(
    server: Server, home: Path, more: tuple[str, ...]
) -> None:
    """Both fingerprints are shown; `--accept-new-host-key` does not help; the record of
    known keys stays as it was; nothing was sent."""
    other = make_key_pair()[1]
    server.know(other)
    before = (server.folder / "known_hosts").read_text()
    told = server.survey(home, *more)
    told.assert_told(20, "differs", "Nothing was sent")
    assert re.search(rf"wanted: .*{re.escape(fingerprint(other, server.folder))}", told.err)
    shown = fingerprint(server.host_public, server.folder)
    assert re.search(rf"found: .*{re.escape(shown)}", told.err)
    assert (server.folder / "known_hosts").read_text() == before
    assert server.commands() == []
    assert "Accepted" not in server.log()
    assert_nothing_left(home)


def test_a_refused_login(server: Server, home: Path) -> None:
    """Another key than the authorised one: no command, and no question for a password."""
    server.know(server.host_public)
    told = server.survey(home, identity="other")
    told.assert_told(21, "refused the login", "--identity")
    assert server.commands() == []
    assert_nothing_left(home)


def test_a_key_with_a_passphrase(server: Server, home: Path) -> None:
    """Never asked for: the message says to load it into an agent."""
    locked = ed25519.Ed25519PrivateKey.generate().private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.OpenSSH,
        serialization.BestAvailableEncryption(b"not-a-secret"),
    )
    write_key(server.folder / "locked", locked.decode())
    server.know(server.host_public)
    server.survey(home, identity="locked").assert_told(21, "passphrase", "agent")
    assert server.commands() == []
    assert_nothing_left(home)


def test_an_identity_that_is_not_there(server: Server, home: Path) -> None:
    """A key file that is missing is not the server's fault, and says its own name."""
    server.know(server.host_public)
    told = server.survey(home, identity="missing")
    told.assert_told(21, "missing", "--identity")
    assert server.commands() == []


def test_an_unknown_release(server: Server, home: Path) -> None:
    """Accepted once, the key is recorded; the system is named without its escape codes and
    nothing but who-am-I and os-release was asked."""
    told = server.survey(home, "--accept-new-host-key")
    told.assert_told(12, "No module", "Plan", "debian")
    assert "\x1b" not in told.err
    recorded = (server.folder / "known_hosts").read_text()
    assert server.host_public.split()[1] in recorded
    asked = server.commands()
    assert len(asked) == 2
    assert "dpkg" not in " ".join(asked)
    assert_nothing_left(home)


def test_a_server_that_goes_away_while_it_is_read(server: Server, home: Path) -> None:
    """Half a survey is no survey: an error of the server's, and no folder is left."""
    server.know(server.host_public)
    (server.folder / "os-release").write_bytes(Path("/etc/os-release").read_bytes())
    if "ID=debian" not in (server.folder / "os-release").read_text().splitlines():
        pytest.skip("the lab host is not a Debian system")
    server.force(f'[ "$(tr -dc "\\0" < {server.folder}/commands | wc -c)" -lt 6 ] || kill -9 $PPID')
    told = server.survey(home)
    told.assert_told(22, "127.0.0.1")
    assert len(server.commands()) >= 6
    assert_nothing_left(home)


def test_a_login_that_is_no_shell(server: Server, home: Path) -> None:
    """An appliance that answers with a menu is not read by force."""
    server.know(server.host_public)
    server.force("echo 'Welcome. 1) status 2) quit'; exit 0")
    server.survey(home).assert_told(23, "shell", "Welcome")
    assert_nothing_left(home)


def test_a_server_that_does_not_answer(home: Path, tmp_path: Path) -> None:
    """A closed port: the message names it and the command that checks it."""
    port = find_free_port()
    key = tmp_path / "key"
    write_key(key, make_key_pair()[0])
    told = run_forerun(
        home, "survey", "root@127.0.0.1", "--port", str(port), "--identity", str(key)
    )
    told.assert_told(22, "no SSH answer", f"ssh -p {port}")
    assert_nothing_left(home)


def test_a_server_that_speaks_something_else(home: Path, tmp_path: Path) -> None:
    """A web server on that port is no SSH answer; its control characters are dropped."""
    key = tmp_path / "key"
    write_key(key, make_key_pair()[0])
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def serve() -> None:
            with contextlib.suppress(OSError):
                link, _ = listener.accept()
                with link:
                    link.sendall(b"HTTP/1.1 400 Bad \x1b]0;owned\x07 Request\r\n\r\n")

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        port = str(listener.getsockname()[1])
        told = run_forerun(home, "survey", "root@127.0.0.1", "--port", port, "--identity", str(key))
    thread.join(timeout=5)
    told.assert_told(22, "no SSH answer")
    assert "\x1b" not in told.err
    assert_nothing_left(home)


def test_an_interrupted_survey_leaves_nothing(server: Server, home: Path) -> None:
    """Ctrl-C while a slow server is read: 130, at once, and no half survey."""
    server.know(server.host_public)
    server.force("sleep 45")  # longer than the bound below, and soon over by itself
    began = time.monotonic()
    told = server.survey(home, interrupt_when=lambda: bool(server.commands()))
    told.assert_told(128 + signal.SIGINT, "SIGINT")
    assert time.monotonic() - began < 30
    assert_nothing_left(home)
