"""What an SSH connection is asked for and answers; the adapter is in `ports/ssh.py`."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ed25519

from forerun.errors import LoginRefused


@dataclass(frozen=True, slots=True)
class SshTarget:
    """Where to log in and how the host key is proved.

    `host_key` pins one public key ("ssh-ed25519 AAAA..."); without it the key must be
    in `known_hosts` (default: the user's and the system's files) unless `accept_new`,
    which records an unknown key there and still refuses a changed one. `key_text` is a
    private key held in memory only, in OpenSSH form.
    """

    host: str
    port: int = 22
    user: str = "root"
    key_file: Path | None = None
    known_hosts: Path | None = None
    accept_new: bool = False
    host_key: str = ""
    key_text: str = field(default="", repr=False)

    def check_key_file(self) -> None:
        """LoginRefused for a key file that cannot be read; no key file is no trouble."""
        try:
            if self.key_file is not None:
                self.key_file.open("rb").close()
        except OSError as problem:
            raise LoginRefused(
                "The private key file cannot be read.",
                where=str(self.key_file),
                found=problem.strerror or "",
                hint="Name a private key that you may read with --identity.",
            ) from problem


@dataclass(frozen=True, slots=True)
class ExecResult:
    """A finished remote command."""

    exit_code: int
    stdout: bytes
    stderr: bytes

    def text(self) -> str:
        """Standard output as text, undecodable bytes replaced."""
        return self.stdout.decode("utf-8", "replace")


@dataclass(frozen=True, slots=True)
class Room:
    """A file system's size and use in bytes; free is what root could still use."""

    size_bytes: int
    used_bytes: int
    free_bytes: int


class SshLink(Protocol):
    """One logged-in SSH connection. Every method raises LinkLost when it is gone."""

    def exec(self, command: str, *, timeout_s: float, stdin: bytes = b"") -> ExecResult:
        """Run a shell command line to its end; raises LinkLost on time-out too."""
        ...

    def stream(self, command: str, *, timeout_s: float) -> AbstractContextManager[Iterator[bytes]]:
        """Run a command and hand out its standard output in chunks. Leaving the
        context early ends the command. `timeout_s` bounds the wait for each chunk."""
        ...

    def read_file(self, path: str, *, offset: int = 0, limit: int = 1 << 20) -> bytes:
        """Bytes of a file from `offset`, at most `limit`, through the link's own file
        channel (no process is started there). A missing file raises FileNotFoundError."""
        ...

    def write_file(self, path: str, content: bytes, *, mode: int = 0o600) -> None:
        """Write a whole file."""
        ...

    def list_folder(self, path: str) -> tuple[str, ...]:
        """Names in a folder."""
        ...

    def read_link(self, path: str) -> str:
        """Where a symbolic link points; "" when it is gone."""
        ...

    def room(self, path: str) -> Room:
        """Size and use of the file system that holds `path`."""
        ...

    def forward_back(self, port: int, *, to_port: int) -> int:
        """Make 127.0.0.1:`port` of the far side lead to 127.0.0.1:`to_port` here."""
        ...

    def alive(self) -> bool:
        """Whether the connection still stands, as far as is known here."""
        ...

    def sent_bytes(self) -> int:
        """Bytes written to the connection so far, as TCP payload."""
        ...

    def close(self) -> None:
        """End the connection."""
        ...


class CountedSocket:
    """A connected socket that counts what is written to it."""

    def __init__(self, inner: socket.socket) -> None:
        self._inner = inner
        self.sent = 0

    def send(self, data: bytes, flags: int = 0) -> int:
        """As socket.send; what was taken is counted."""
        count = self._inner.send(data, flags)
        self.sent += count
        return count

    def __getattr__(self, name: str) -> object:
        return getattr(self._inner, name)


def make_key_pair() -> tuple[str, str]:
    """A new Ed25519 pair: (private key in OpenSSH form, public key line)."""
    key = ed25519.Ed25519PrivateKey.generate()
    private = key.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.OpenSSH,
        serialization.NoEncryption(),
    )
    public = key.public_key().public_bytes(
        serialization.Encoding.OpenSSH, serialization.PublicFormat.OpenSSH
    )
    return private.decode("ascii"), public.decode("ascii")
