"""A throwaway OpenSSH server on a loopback port. As root, on Debian."""

from __future__ import annotations

import contextlib
import os
import socket
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from forerun.ports.labhost import find_free_port
from forerun.ports.ssh import make_key_pair

PRIVILEGE_FOLDER = Path("/run/sshd")


@dataclass
class Sshd:
    """Its files, among them `identity`, whose key may log in, and `other`, whose may not."""

    folder: Path
    port: int
    host_public: str
    pid: int


def write_key(path: Path, text: str) -> None:
    path.write_text(text)
    path.chmod(0o600)


@contextmanager
def run_sshd(folder: Path, *more: str) -> Iterator[Sshd]:
    """In a new folder; `more` are lines of its configuration. Skips where it cannot be run."""
    sshd = Path("/usr/sbin/sshd")
    if not sshd.exists():
        pytest.skip("openssh-server is not installed on this lab host")
    if os.geteuid() != 0:
        pytest.skip("a throwaway sshd that takes a login needs root")
    host_private, host_public = make_key_pair()
    login_private, login_public = make_key_pair()
    write_key(folder / "host_key", host_private)
    write_key(folder / "identity", login_private)
    write_key(folder / "other", make_key_pair()[0])
    (folder / "authorized_keys").write_text(login_public + "\n")
    port = find_free_port()
    (folder / "config").write_text(
        f"Port {port}\nListenAddress 127.0.0.1\nHostKey {folder}/host_key\n"
        f"AuthorizedKeysFile {folder}/authorized_keys\nPidFile {folder}/pid\n"
        "PermitRootLogin prohibit-password\n"
        "PasswordAuthentication no\nKbdInteractiveAuthentication no\nUsePAM no\n"
        # What root's own shell does at its start may take a minute, and is no matter here.
        f"StrictModes no\nLogLevel VERBOSE\nSetEnv HOME={folder}\n"
        + "".join(f"{line}\n" for line in more)
    )
    made = not PRIVILEGE_FOLDER.exists()
    PRIVILEGE_FOLDER.mkdir(mode=0o755, exist_ok=True)
    process = subprocess.Popen(
        [str(sshd), "-D", "-f", str(folder / "config"), "-E", str(folder / "sshd.log")]
    )
    try:
        wait_for_port(port)
        yield Sshd(folder, port, host_public, process.pid)
    finally:
        process.terminate()
        process.wait(timeout=10)
        if made:
            with contextlib.suppress(OSError):
                PRIVILEGE_FOLDER.rmdir()


def wait_for_port(port: int) -> None:
    for _ in range(100):
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 1):
            return
        time.sleep(0.05)
    raise AssertionError("sshd did not start")
