"""The exception tree: exit codes, its drawing, and how ports map foreign errors."""

from __future__ import annotations

import errno
import re
import socket
import sqlite3
import subprocess
from collections import defaultdict
from pathlib import Path
from typing import Any

import libvirt
import paramiko
import pytest

import forerun.errors as tree
from forerun.errors import (
    CommandFailed,
    ForerunError,
    HostKeyMismatch,
    HypervisorFailed,
    LoginRefused,
    NoRoom,
    NotFound,
    ProductionUnreachable,
    RecordDamaged,
)
from forerun.model.observation import RunRecord
from forerun.ports import command, hypervisor, ssh
from forerun.ports.ledger import Ledger
from forerun.ports.records import load_record
from forerun.ports.store import Store, write_durably

TARGET = ssh.SshTarget("shelf01.example", 2222)


def list_classes(kind: type[ForerunError] = ForerunError) -> list[type[ForerunError]]:
    found = []
    for child in kind.__subclasses__():
        found += [child, *list_classes(child)]
    return [cls for cls in found if cls.__module__ == "forerun.errors"]


def read_drawing() -> dict[str, int]:
    """The tree as drawn at the top of the module: class name to exit code."""
    drawn = re.findall(r"^[ |]*[|`]- (\w+)\s+(\d+)", tree.__doc__ or "", re.MULTILINE)
    return {name: int(code) for name, code in drawn}


def test_the_drawn_tree_is_the_tree() -> None:
    """Every class stands in the drawing with its own exit code, and nothing else does."""
    assert read_drawing() == {cls.__name__: cls.exit_code for cls in list_classes()}


def test_each_kind_of_failure_has_its_own_exit_code() -> None:
    """Scripts can tell failures apart; a lost link is an unreachable clone by design."""
    by_code = defaultdict(set)
    for cls in list_classes():
        by_code[cls.exit_code].add(cls.__name__)
    shared = {code: names for code, names in by_code.items() if len(names) > 1}
    assert shared == {36: {"CloneUnreachable", "LinkLost"}}


def test_exit_codes_keep_clear_of_the_shells_own() -> None:
    """0 is success, 1 a bug, 3 a result that is not good; 126 to 129 and those above 130
    belong to shells (POSIX.1-2017, XCU 2.8.2: 126, 127 and above 128 for signals; 130 is
    what SIGINT gives)."""
    codes = {cls.exit_code for cls in list_classes()}
    reserved = {tree.EXIT_OK, tree.EXIT_BUG, tree.EXIT_RESULT_NOT_GOOD}
    assert not codes & reserved
    assert all(code < 126 or code == 130 for code in codes)


def test_a_message_keeps_its_parts_apart() -> None:
    """What, where, wanted and found are lines of their own; the hint is a field."""
    problem = NotFound("No such run.", where="runs", wanted="an id", found="x", hint="List them.")
    assert str(problem).splitlines() == [
        "No such run.",
        "  where: runs",
        "  wanted: an id",
        "  found: x",
    ]
    assert problem.hint == "List them."
    assert str(NotFound("No such run.")) == "No such run."


def make_key() -> paramiko.PKey:
    return ssh._read_key(ssh.make_key_pair()[0])


@pytest.mark.parametrize(
    ("foreign", "wanted"),
    [
        (paramiko.BadHostKeyException("shelf01.example", make_key(), make_key()), HostKeyMismatch),
        (paramiko.AuthenticationException("no"), LoginRefused),
        (paramiko.BadAuthenticationType("no", ["password"]), LoginRefused),
        (paramiko.PasswordRequiredException("locked"), LoginRefused),
        (paramiko.ssh_exception.PartialAuthentication(["otp"]), LoginRefused),
        (paramiko.SSHException("banner"), ProductionUnreachable),
        (paramiko.ChannelException(1, "no"), ProductionUnreachable),
        (paramiko.ssh_exception.NoValidConnectionsError({("::1", 1): OSError()}),
         ProductionUnreachable),
        (paramiko.ssh_exception.IncompatiblePeer("old"), ProductionUnreachable),
        (paramiko.ssh_exception.ProxyCommandFailure("c", "e"), ProductionUnreachable),
        (socket.gaierror(-2, "unknown"), ProductionUnreachable),
        (TimeoutError(), ProductionUnreachable),
        (ConnectionRefusedError(errno.ECONNREFUSED, "refused"), ProductionUnreachable),
        (ConnectionResetError(), ProductionUnreachable),
        (EOFError(), ProductionUnreachable),
    ],
    ids=lambda value: getattr(value, "__name__", type(value).__name__),
)  # fmt: skip
def test_every_trouble_of_logging_in_is_mapped(
    foreign: Exception, wanted: type[ForerunError]
) -> None:
    """What paramiko and the socket layer raise becomes one of three errors, with a hint."""
    mapped = ssh._map_connect_error(foreign, TARGET, "root@shelf01.example:2222")
    assert type(mapped) is wanted
    assert mapped.hint
    assert mapped.where


def test_all_of_paramikos_own_exceptions_are_covered() -> None:
    """Each exception class that this paramiko exports maps to an error of ours: a new one
    in a later version shows here."""
    exported = [
        value
        for value in vars(paramiko.ssh_exception).values()
        if isinstance(value, type) and issubclass(value, Exception)
        and value.__module__ == "paramiko.ssh_exception"
    ]  # fmt: skip
    assert len(exported) > 8
    for kind in exported:
        foreign = kind.__new__(kind)
        if kind is paramiko.BadHostKeyException:
            foreign = kind("h", make_key(), make_key())
        else:
            Exception.__init__(foreign, "why")
            foreign.__dict__.update(explanation="why", allowed_types=[], errors={}, command="c",
                                    error="e", code=1, text="t")  # fmt: skip
        assert isinstance(ssh._map_connect_error(foreign, TARGET, "name"), ForerunError)


def test_a_bug_is_not_dressed_up_as_a_network_trouble() -> None:
    """What is no error of the network passes through unmapped."""
    with pytest.raises(ZeroDivisionError):
        ssh._map_connect_error(ZeroDivisionError(), TARGET, "name")


def test_a_refused_libvirt_is_mapped(monkeypatch: pytest.MonkeyPatch) -> None:
    """libvirt's own exception becomes HypervisorFailed that says how to start it."""

    refusal = libvirt.libvirtError("failed to connect to the hypervisor")

    def refuse(uri: str) -> Any:
        raise refusal

    monkeypatch.setattr(libvirt, "open", refuse)
    with pytest.raises(HypervisorFailed) as caught:
        hypervisor.LibvirtHypervisor("qemu:///system")
    assert caught.value.where == "qemu:///system"
    assert "libvirtd" in caught.value.hint
    assert caught.value.found == str(refusal)  # libvirt's last error, whatever came before


@pytest.mark.parametrize(
    "foreign",
    [FileNotFoundError(), subprocess.TimeoutExpired("x", 3)],
    ids=["missing", "time-out"],
)
def test_a_program_that_cannot_run_is_mapped(
    foreign: Exception, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A missing program and one that never ends are CommandFailed, whatever `check` says."""

    def start(*_: object, **__: object) -> Any:
        raise foreign

    monkeypatch.setattr(subprocess, "Popen", start)
    with pytest.raises(CommandFailed) as caught:
        command.LocalCommand().run(["no-such-program"], timeout_s=3, check=False)
    assert "no-such-program" in caught.value.what


def test_a_file_that_cannot_be_written_is_mapped(tmp_path: Path) -> None:
    """A state folder that cannot be made, or a file that cannot be written, is NoRoom."""
    blocked = tmp_path / "file"
    blocked.write_text("in the way")
    with pytest.raises(NoRoom) as caught:
        Store(blocked)
    assert "FORERUN_HOME" in caught.value.hint
    with pytest.raises(NoRoom):
        write_durably(tmp_path / "absent" / "record.json", b"{}")


def test_a_damaged_ledger_is_mapped(tmp_path: Path) -> None:
    """A ledger that is no database is RecordDamaged and is named."""
    path = tmp_path / "ledger.sqlite"
    path.write_bytes(b"this is not a database, and long enough to be looked at" * 20)
    with pytest.raises(RecordDamaged) as caught:
        Ledger(path)
    assert caught.value.where == str(path)
    assert isinstance(caught.value.__cause__, sqlite3.DatabaseError)


def test_a_missing_record_is_not_a_damaged_one(tmp_path: Path) -> None:
    """Absence is NotFound."""
    with pytest.raises(NotFound):
        load_record(RunRecord, tmp_path / "record.json")
