"""The one door to SSH (paramiko)."""

from __future__ import annotations

import base64
import contextlib
import hashlib
import io
import logging
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import cast

import paramiko

from forerun.errors import (
    ForerunError,
    HostKeyMismatch,
    LinkLost,
    LoginRefused,
    ProductionUnreachable,
)
from forerun.ports.ssh_shapes import (
    CountedSocket,
    ExecResult,
    Room,
    SshLink,
    SshTarget,
    make_key_pair,
)

__all__ = [
    "ExecResult",
    "ParamikoLink",
    "Room",
    "SshLink",
    "SshTarget",
    "connect",
    "format_fingerprint",
    "make_key_pair",
]

# Failed attempts are expected while a clone boots; what matters reaches the caller as an error.
logging.getLogger("paramiko").addHandler(logging.NullHandler())


class ParamikoLink:
    """An SSH connection by paramiko; use `connect`."""

    def __init__(
        self, client: paramiko.SSHClient, name: str, meter: CountedSocket | None = None
    ) -> None:
        transport = client.get_transport()
        if transport is None:
            raise LinkLost(f"The SSH connection to {name} closed at once.", where=name)
        self._client = client
        self._transport = transport
        self._name = name
        self._meter = meter
        self._files: _FileChannel | None = None
        self._forwards: list[_BackForward] = []

    def _lost(self, why: object) -> LinkLost:
        return LinkLost(
            f"The SSH connection to {self._name} was lost.", where=self._name, found=str(why)
        )

    def open_channel(self, timeout_s: float) -> paramiko.Channel:
        """A new session channel, each of whose waits is bounded: for what is more than a
        command and its output (`ports/ssh_terminal.py`). Raises LinkLost."""
        try:
            channel = self._transport.open_session(timeout=min(timeout_s, 60))
        except (OSError, EOFError, paramiko.SSHException) as problem:
            raise self._lost(problem or type(problem).__name__) from problem
        channel.settimeout(timeout_s)
        return channel

    def exec(self, command: str, *, timeout_s: float, stdin: bytes = b"") -> ExecResult:
        """Run a shell command line to its end; see `SshLink.exec`."""
        try:
            channel = self.open_channel(timeout_s)
            channel.exec_command(command)
            done = _collect(channel, stdin, timeout_s)
            if done.exit_code == -1:  # ended by a signal, or the line was cut meanwhile
                self._transport.join(timeout=1.0)
                self._raise_unless_alive(OSError("cut before the command's end"))
            return done
        except (OSError, EOFError, paramiko.SSHException) as problem:
            raise self._lost(problem or type(problem).__name__) from problem

    @contextmanager
    def stream(self, command: str, *, timeout_s: float) -> Iterator[Iterator[bytes]]:
        """Run a command and hand out its output; see `SshLink.stream`."""
        try:
            channel = self.open_channel(timeout_s)
            channel.exec_command(command)
        except (OSError, EOFError, paramiko.SSHException) as problem:
            raise self._lost(problem or type(problem).__name__) from problem
        try:
            yield self._chunks(channel)
        finally:
            channel.close()

    def _chunks(self, channel: paramiko.Channel) -> Iterator[bytes]:
        while True:
            try:
                chunk = channel.recv(1 << 17)
            except (OSError, EOFError, paramiko.SSHException) as problem:
                raise self._lost(problem or "no data in time") from problem
            if not chunk:
                return
            yield chunk

    def _file_channel(self) -> _FileChannel:
        if self._files is None:
            made = _FileChannel.from_transport(self._transport)
            if made is None:
                raise self._lost("the file channel was refused")
            channel = made.get_channel()
            if channel is not None:
                channel.settimeout(60)
            self._files = made
        return self._files

    def read_file(self, path: str, *, offset: int = 0, limit: int = 1 << 20) -> bytes:
        """Bytes of a file; see `SshLink.read_file`."""
        try:
            with self._file_channel().open(path, "rb") as stream:
                if offset:
                    stream.seek(offset)
                return _read_up_to(stream, limit)
        except FileNotFoundError:
            raise
        except (OSError, EOFError, paramiko.SSHException) as problem:
            self._raise_unless_alive(problem)
            return b""

    def _raise_unless_alive(self, problem: Exception) -> None:
        """A vanished process gives EIO or ESRCH on its /proc files: that reads as empty."""
        if not self.alive() or isinstance(problem, TimeoutError | EOFError):
            raise self._lost(problem or type(problem).__name__) from problem

    def write_file(self, path: str, content: bytes, *, mode: int = 0o600) -> None:
        """Write a whole file; see `SshLink.write_file`."""
        try:
            files = self._file_channel()
            with files.open(path, "wb") as stream:
                stream.set_pipelined(True)
                stream.write(content)
            files.chmod(path, mode)
        except (OSError, EOFError, paramiko.SSHException) as problem:
            raise self._lost(problem or type(problem).__name__) from problem

    def list_folder(self, path: str) -> tuple[str, ...]:
        """Names in a folder."""
        try:
            return tuple(self._file_channel().listdir(path))
        except FileNotFoundError:
            raise
        except (OSError, EOFError, paramiko.SSHException) as problem:
            raise self._lost(problem or type(problem).__name__) from problem

    def read_link(self, path: str) -> str:
        """Where a symbolic link points; "" when it is gone."""
        try:
            return self._file_channel().readlink(path) or ""
        except FileNotFoundError:
            return ""
        except (OSError, EOFError, paramiko.SSHException) as problem:
            self._raise_unless_alive(problem)
            return ""

    def room(self, path: str) -> Room:
        """Size and use of the file system that holds `path`."""
        try:
            return self._file_channel().room(path)
        except (OSError, EOFError, paramiko.SSHException) as problem:
            raise self._lost(problem or type(problem).__name__) from problem

    def forward_back(self, port: int, *, to_port: int) -> int:
        """Make 127.0.0.1:`port` of the far side lead to 127.0.0.1:`to_port` here."""
        forward = _BackForward(to_port)
        try:
            given = self._transport.request_port_forward("127.0.0.1", port, forward.accept)
        except paramiko.SSHException as problem:
            raise LinkLost(
                "The clone refused to lend a port for the archive gateway.",
                where=self._name,
                wanted=f"127.0.0.1:{port} of the clone",
                found=str(problem),
            ) from problem
        self._forwards.append(forward)
        return given

    def alive(self) -> bool:
        """Whether the transport still believes in the connection."""
        return self._transport.is_active()

    def sent_bytes(self) -> int:
        """Bytes written to the connection so far, as TCP payload."""
        return self._meter.sent if self._meter else 0

    def close(self) -> None:
        """End the connection."""
        for forward in self._forwards:
            forward.close()
        self._client.close()


class _FileChannel(paramiko.SFTPClient):
    """The SSH file protocol with OpenSSH's statvfs extension (its PROTOCOL file, 4.4)."""

    def room(self, path: str) -> Room:
        kind, reply = self._request(  # type: ignore[attr-defined]
            _CMD_EXTENDED, "statvfs@openssh.com", path
        )
        if kind != _CMD_EXTENDED_REPLY:
            raise OSError(f"statvfs answered with message type {kind}")
        _block, fragment, blocks, free, _available = (reply.get_int64() for _ in range(5))
        return Room(blocks * fragment, (blocks - free) * fragment, free * fragment)


_CMD_EXTENDED = 200
_CMD_EXTENDED_REPLY = 201
_MOST_ANSWER = 1 << 28


class _BackForward:
    """Joins channels that arrive from the far side to a local TCP port."""

    def __init__(self, to_port: int) -> None:
        self._to_port = to_port
        self._open: set[paramiko.Channel] = set()
        self._lock = threading.Lock()

    def accept(
        self, channel: paramiko.Channel, _origin: tuple[str, int], _server: tuple[str, int]
    ) -> None:
        """Take one channel; called on paramiko's transport thread, so it only hands on."""
        threading.Thread(target=self._join, args=(channel,), daemon=True).start()

    def _join(self, channel: paramiko.Channel) -> None:
        with self._lock:
            self._open.add(channel)
        try:
            with socket.create_connection(("127.0.0.1", self._to_port), timeout=10) as local:
                local.settimeout(None)
                upward = threading.Thread(target=_pump_up, args=(channel, local), daemon=True)
                upward.start()
                while chunk := local.recv(1 << 17):
                    channel.sendall(chunk)
                channel.shutdown_write()
                upward.join(timeout=5)
        except (OSError, EOFError, paramiko.SSHException):
            pass  # either end went away: both are closed below
        finally:
            channel.close()
            with self._lock:
                self._open.discard(channel)

    def close(self) -> None:
        """Close every channel still open."""
        with self._lock:
            still_open = list(self._open)
        for channel in still_open:
            channel.close()


def _pump_up(channel: paramiko.Channel, local: socket.socket) -> None:
    try:
        while chunk := channel.recv(1 << 16):
            local.sendall(chunk)
        local.shutdown(socket.SHUT_WR)
    except OSError:
        return


def _read_up_to(stream: paramiko.SFTPFile, limit: int) -> bytes:
    parts: list[bytes] = []
    left = limit
    while left > 0:
        part = stream.read(min(left, 1 << 15))
        if not part:
            break
        parts.append(part)
        left -= len(part)
    return b"".join(parts)


def _collect(channel: paramiko.Channel, stdin: bytes, timeout_s: float) -> ExecResult:
    if stdin:
        channel.sendall(stdin)
    channel.shutdown_write()
    errors: list[bytes] = []
    reader = threading.Thread(target=_drain_errors, args=(channel, errors), daemon=True)
    reader.start()
    out = bytearray()
    try:
        while chunk := channel.recv(1 << 16):
            out += chunk
            if len(out) > _MOST_ANSWER:
                raise OSError(f"an answer of more than {_MOST_ANSWER} bytes")
        reader.join(timeout=timeout_s)
        if not channel.status_event.wait(timeout_s):
            raise TimeoutError(f"no end within {timeout_s:.0f} s")
        return ExecResult(channel.recv_exit_status(), bytes(out), b"".join(errors))
    finally:
        channel.close()


def _drain_errors(channel: paramiko.Channel, into: list[bytes]) -> None:
    with contextlib.suppress(OSError):
        while chunk := channel.recv_stderr(1 << 16):
            into += [chunk] if len(into) < 1024 else []


class _RefuseUnknown(paramiko.MissingHostKeyPolicy):
    """An unknown key ends the connection before any login is tried."""

    def missing_host_key(
        self, client: paramiko.SSHClient, hostname: str, key: paramiko.PKey
    ) -> None:
        raise HostKeyMismatch(
            "The server's host key is not known.",
            where=hostname,
            wanted="a key in known_hosts",
            found=f"{key.get_name()} {format_fingerprint(key)}",
            hint="Compare that fingerprint with the server's console, then add the key to "
            "known_hosts, or say --accept-new-host-key once.",
        )


class _AcceptNew(paramiko.MissingHostKeyPolicy):
    """An unknown key is recorded in the named file; a changed one is still refused."""

    def __init__(self, record: Path) -> None:
        self._record = record

    def missing_host_key(
        self, client: paramiko.SSHClient, hostname: str, key: paramiko.PKey
    ) -> None:
        self._record.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        with self._record.open("a", encoding="ascii") as stream:
            stream.write(f"{hostname} {key.get_name()} {key.get_base64()}\n")


def format_fingerprint(key: paramiko.PKey) -> str:
    """SHA256:... as OpenSSH prints it (43 base64 characters, no padding)."""
    digest = hashlib.sha256(key.asbytes()).digest()
    return "SHA256:" + base64.b64encode(digest).decode("ascii").rstrip("=")


def connect(target: SshTarget, *, timeout_s: float = 15.0) -> ParamikoLink:
    """Log in. Raises HostKeyMismatch, LoginRefused or ProductionUnreachable."""
    client = paramiko.SSHClient()
    name = f"{target.user}@{target.host}:{target.port}"
    try:
        target.check_key_file()
        _prepare_host_keys(client, target)
        meter = CountedSocket(socket.create_connection((target.host, target.port), timeout_s))
        client.connect(
            target.host,
            port=target.port,
            username=target.user,
            key_filename=str(target.key_file) if target.key_file else None,
            pkey=_read_key(target.key_text) if target.key_text else None,
            allow_agent=not (target.key_file or target.key_text),
            look_for_keys=not (target.key_file or target.key_text),
            sock=cast("socket.socket", meter),
            timeout=timeout_s,
            banner_timeout=timeout_s,
            auth_timeout=timeout_s,
        )
        transport = client.get_transport()
        if transport is not None:
            transport.set_keepalive(15)
        return ParamikoLink(client, name, meter)
    except (HostKeyMismatch, LoginRefused):
        client.close()
        raise
    except Exception as problem:
        client.close()
        raise _map_connect_error(problem, target, name) from problem


def _read_key(text: str) -> paramiko.PKey:
    return paramiko.Ed25519Key.from_private_key(io.StringIO(text))


def _map_connect_error(problem: Exception, target: SshTarget, name: str) -> ForerunError:
    if isinstance(problem, paramiko.BadHostKeyException):
        return HostKeyMismatch(
            "The server's host key differs from the known one.",
            where=name,
            wanted=format_fingerprint(problem.expected_key),
            found=format_fingerprint(problem.key),
            hint="Nothing was sent. Find out why the key changed before you go on; this can "
            "be an attack, or another machine on that address.",
        )
    if isinstance(problem, paramiko.PasswordRequiredException):
        return LoginRefused(
            "The private key is protected by a passphrase.",
            where=str(target.key_file or "your keys"),
            hint="Load it into an SSH agent first, or name another key with --identity.",
        )
    if isinstance(problem, paramiko.AuthenticationException):
        return LoginRefused(
            "The server refused the login.",
            where=name,
            found=str(problem),
            hint="Check the user name and the key (--identity); forerun never asks for passwords.",
        )
    if isinstance(problem, OSError | EOFError | paramiko.SSHException):
        return ProductionUnreachable(
            "There is no SSH answer.",
            where=name,
            found=str(problem) or type(problem).__name__,
            hint=f"Try: ssh -p {target.port} {target.user}@{target.host} true",
        )
    raise problem


def _prepare_host_keys(client: paramiko.SSHClient, target: SshTarget) -> None:
    if target.host_key:
        name, text = target.host_key.split()[:2]
        entry = target.host if target.port == 22 else f"[{target.host}]:{target.port}"
        key = paramiko.PKey.from_type_string(name, base64.b64decode(text))
        client.get_host_keys().add(entry, name, key)
        client.set_missing_host_key_policy(_RefuseUnknown())
        return
    own = target.known_hosts or Path.home() / ".ssh" / "known_hosts"
    for file in (Path("/etc/ssh/ssh_known_hosts"), own):
        if file.is_file():
            client.load_system_host_keys(str(file))
    policy = _AcceptNew(own) if target.accept_new else _RefuseUnknown()
    client.set_missing_host_key_policy(policy)
