"""Public fakes of the ports, and the contract checks that fakes and real adapters pass."""

from __future__ import annotations

import io
import tarfile
import tempfile
import xml.etree.ElementTree as ET
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, fields
from pathlib import Path

from forerun.errors import HypervisorFailed, SurveyFailed
from forerun.ports.canary import Canary
from forerun.ports.hypervisor import (
    BlockCounts,
    Hypervisor,
    OwnedDomain,
    read_owner,
    read_state,
)
from forerun.ports.production import Budget, CopyScope, ProbeName, Production, Spent
from forerun.testing_guest import FakeCanary, FakeClock, FakeGuest, FakeTurn
from forerun.testing_terminal import (
    FakeTerminal,
    check_left_terminal,
    check_lost_terminal,
    check_terminal,
)

__all__ = [
    "FakeCanary",
    "FakeClock",
    "FakeEntry",
    "FakeGuest",
    "FakeHypervisor",
    "FakeProduction",
    "FakeTerminal",
    "FakeTurn",
    "check_canary",
    "check_hypervisor",
    "check_left_terminal",
    "check_lost_terminal",
    "check_production",
    "check_terminal",
]


@dataclass(frozen=True, slots=True)
class FakeEntry:
    """One entry of a fake server's tree. `kind` is a tar type (`tarfile.REGTYPE`, ...);
    a name may hold any bytes, written with surrogate escapes."""

    content: bytes = b""
    kind: bytes = tarfile.REGTYPE
    link: str = ""
    mode: int = 0o644
    owner: str = "root"


class FakeProduction:
    """A server that exists as a table of answers and a tree of files.

    `tree` maps absolute paths to contents or entries; like the real adapter it gives out
    only what lies in the scope's roots and is not larger than its limit, and lists closed
    folders without entering them. `cut_at` ends the file stream after that many bytes,
    `broken` names probes that fail."""

    def __init__(
        self,
        answers: Mapping[ProbeName, bytes],
        tree: Mapping[str, bytes | FakeEntry] | None = None,
        *,
        chunk: int = 1 << 16,
        cut_at: int | None = None,
        broken: frozenset[ProbeName] = frozenset(),
        budget: Budget | None = None,
        unreadable: tuple[tuple[str, str], ...] = (),
    ) -> None:
        self._answers = dict(answers)
        self._tree = dict(tree or {})
        self._chunk = chunk
        self._cut_at = cut_at
        self._broken = broken
        self._budget = budget or Budget()
        self._unreadable = unreadable
        self._read_bytes = 0
        self.asked: list[ProbeName] = []

    def read(self, probe: ProbeName, *, timeout_s: float = 120.0) -> bytes:
        """The answer in the table; no answer is an empty one."""
        self.asked.append(probe)
        if probe in self._broken:
            raise SurveyFailed(
                f"The probe {probe.value} failed on the server.",
                where=probe.value,
                wanted="exit code 0",
                found="exit code 1",
            )
        answer = self._answers.get(probe, b"")
        self._count(len(answer))
        return answer

    def _count(self, size: int) -> None:
        self._read_bytes += size
        if self._read_bytes > self._budget.read_bytes:
            raise SurveyFailed(
                "The survey read more than its budget allows and was stopped.",
                wanted=f"at most {self._budget.read_bytes} bytes",
                found=f"{self._read_bytes} bytes",
            )

    @contextmanager
    def files(self, scope: CopyScope, *, timeout_s: float = 120.0) -> Iterator[Iterator[bytes]]:
        """The tree as a tar stream."""
        yield self._walk_chunks(self._pack(scope))

    def _pack(self, scope: CopyScope) -> bytes:
        packed = io.BytesIO()
        with tarfile.open(
            fileobj=packed, mode="w", format=tarfile.GNU_FORMAT, errors="surrogateescape"
        ) as tar:
            for path, given in sorted(self._tree.items()):
                entry = given if isinstance(given, FakeEntry) else FakeEntry(given)
                if _is_in_scope(path, scope) and len(entry.content) <= scope.file_limit:
                    info = tarfile.TarInfo(path.lstrip("/"))
                    info.type, info.linkname, info.mode = entry.kind, entry.link, entry.mode
                    info.uname = info.gname = entry.owner
                    info.size = len(entry.content)
                    tar.addfile(info, io.BytesIO(entry.content))
        return packed.getvalue()

    def _walk_chunks(self, packed: bytes) -> Iterator[bytes]:
        whole = packed[: self._cut_at]
        for at in range(0, len(whole), self._chunk):
            part = whole[at : at + self._chunk]
            self._count(len(part))
            yield part
        if self._cut_at is not None:
            raise SurveyFailed("The stream of files was cut short.", where="files")

    def unreadable(self) -> tuple[tuple[str, str], ...]:
        """What the fake was told it cannot read."""
        return self._unreadable

    def spent(self) -> Spent:
        """Bytes as counted; a fake costs no time."""
        return Spent(self._read_bytes, 0.0, 0.0)


def _is_in_scope(path: str, scope: CopyScope) -> bool:
    inside = any(path == root or path.startswith(root + "/") for root in scope.roots)
    parents = path.split("/")[:-1]
    return inside and not any(parent in scope.closed for parent in parents)


def check_production(production: Production, scope: CopyScope) -> None:
    """What every Production keeps to; raises AssertionError naming the broken promise.

    The server behind it must have an os-release and at least one file in the scope."""
    before = production.spent()
    release = production.read(ProbeName.OS_RELEASE)
    assert b"ID=" in release, "os-release is read"  # noqa: S101
    after = production.spent()
    grown = after.read_bytes - before.read_bytes
    assert grown == len(release), "every byte read is counted"  # noqa: S101
    with production.files(scope) as chunks:
        packed = b"".join(chunks)
    assert production.spent().read_bytes >= after.read_bytes + len(packed)  # noqa: S101
    seen = 0
    with tarfile.open(fileobj=io.BytesIO(packed), errors="surrogateescape") as tar:
        for member in tar:
            path = "/" + member.name.strip("/")
            assert _is_in_scope(path, scope), f"{path!r} is outside the roots"  # noqa: S101
            assert member.size <= scope.file_limit, f"{path!r} is too large"  # noqa: S101
            seen += 1
    assert seen, "the scope has files"  # noqa: S101
    with production.files(scope) as chunks:
        next(chunks)  # leaving early must not raise


def check_canary(canary: Canary) -> None:
    """What every Canary that nobody has met keeps to; raises AssertionError naming the
    broken promise."""
    entry = canary.entry()
    assert 1 <= canary.port <= 65535, "it has a port"  # noqa: S101
    assert (entry.scheme, entry.host, entry.port) == ("http", "127.0.0.1", canary.port)  # noqa: S101
    assert entry.path_prefix == f"/open-{canary.nonce}", "its open part is told"  # noqa: S101
    assert len(canary.nonce) >= 16, "its paths cannot be guessed"  # noqa: S101
    assert canary.word not in entry.path_prefix, "its answer stands in no request"  # noqa: S101
    assert canary.reached() == frozenset(), "nobody has reached it"  # noqa: S101


class FakeHypervisor:
    """A hypervisor that keeps its domains in a table: name to the XML they were started
    with. `foreign` are domains that somebody else runs; `broken` makes every request fail;
    `starved` names domains that stand still for want of room; `blocks` says what disks did."""

    uri = "fake:///lab"

    def __init__(self, foreign: Mapping[str, str] | None = None, *, broken: bool = False) -> None:
        self.domains = dict(foreign or {})
        self.broken = broken
        self.starved: set[str] = set()
        self.blocks: dict[str, BlockCounts] = {}
        self.resets: list[str] = []
        self.closed = False

    def _ask(self) -> None:
        if self.broken or self.closed:
            raise HypervisorFailed("libvirt cannot be reached.", where="fake", hint="Start it.")

    def describe(self) -> str:
        """A name and a version."""
        self._ask()
        return "FAKE 1.0.0"

    def start(self, xml: str) -> None:
        """Keep the domain; a name that is there already is refused."""
        self._ask()
        name = ET.fromstring(xml).findtext("name") or ""  # noqa: S314 - written by ourselves
        if name in self.domains:
            raise HypervisorFailed("libvirt could not start the clone.", found=f"{name} exists")
        self.domains[name] = xml

    def is_running(self, name: str) -> bool:
        """Whether it is in the table."""
        self._ask()
        return name in self.domains

    def end(self, name: str) -> None:
        """Take it off the table."""
        self._ask()
        self.domains.pop(name, None)

    def cpu_seconds(self, name: str) -> float:
        """A fake costs no time; a domain in the table has used a second."""
        self._ask()
        return 1.0 if name in self.domains else 0.0

    def block_counts(self, name: str) -> BlockCounts:
        """What the fake was told of its disks, nothing of others."""
        self._ask()
        return self.blocks.get(name, BlockCounts()) if name in self.domains else BlockCounts()

    def save(self, name: str, path: str) -> None:
        """Write its XML to the file and take it off the table."""
        self._ask()
        if name not in self.domains:
            raise HypervisorFailed(f"libvirt could not save {name}.", found="no such domain")
        Path(path).write_text(self.domains.pop(name), encoding="utf-8")

    def restore(self, path: str) -> None:
        """Put the domain of that file back on the table."""
        self._ask()
        try:
            xml = Path(path).read_text(encoding="utf-8")
        except FileNotFoundError as problem:
            raise HypervisorFailed(
                "libvirt could not bring the clone back.", found=str(problem)
            ) from problem
        self.start(xml)

    def is_starved(self, name: str) -> bool:
        """Whether it was said to be, and is in the table."""
        self._ask()
        return name in self.domains and name in self.starved

    def reset(self, name: str) -> None:
        """Note the press of the button."""
        self._ask()
        if name in self.domains:
            self.resets.append(name)

    def find_owned(self) -> tuple[OwnedDomain, ...]:
        """Those with forerun's mark."""
        self._ask()
        found = ((name, read_owner(xml), read_state(xml)) for name, xml in self.domains.items())
        return tuple(
            OwnedDomain(name, owner, running=True, state=state)
            for name, owner, state in found
            if owner is not None
        )

    def close(self) -> None:
        """Nothing can be asked any more."""
        self.closed = True


def check_hypervisor(hypervisor: Hypervisor, write_xml: Callable[[str, str], str]) -> None:
    """What every Hypervisor keeps to; raises AssertionError naming the broken promise.

    `write_xml` gives the XML of a small domain from its name and its owner; its state is
    "state-contract". Domains that are there before stay as they are."""
    assert ":" in hypervisor.uri, "it says where it is"  # noqa: S101
    assert hypervisor.describe().strip(), "it says what it is"  # noqa: S101
    before = hypervisor.find_owned()
    name = "forerun-contract-check"
    _check_missing(hypervisor, name)
    hypervisor.start(write_xml(name, "run-contract"))
    try:
        assert hypervisor.is_running(name), "a started domain runs"  # noqa: S101
        found = set(hypervisor.find_owned()) - set(before)
        wanted = {OwnedDomain(name, "run-contract", running=True, state="state-contract")}
        assert found == wanted, f"it is found by its mark, with its owner: {found}"  # noqa: S101
        assert hypervisor.cpu_seconds(name) >= 0.0, "its CPU time is told"  # noqa: S101
        blocks = hypervisor.block_counts(name)
        told = [getattr(blocks, one.name) for one in fields(blocks)]
        assert all(one == -1 or one >= 0 for one in told), "its disks are told, or not"  # noqa: S101
        assert not hypervisor.is_starved(name), "it has room"  # noqa: S101
        hypervisor.reset(name)
        assert hypervisor.is_running(name), "a reset domain runs on"  # noqa: S101
        _check_save(hypervisor, name)
        try:
            hypervisor.start(write_xml(name, "run-other"))
        except HypervisorFailed:
            pass
        else:
            raise AssertionError("a name that is taken is refused")
    finally:
        hypervisor.end(name)
    _check_missing(hypervisor, name)
    assert hypervisor.find_owned() == before, "nothing is left, nothing else is touched"  # noqa: S101


def _check_save(hypervisor: Hypervisor, name: str) -> None:
    """A saved domain is gone and comes back as it was; a missing one is no domain to save."""
    with tempfile.TemporaryDirectory() as folder:
        path = str(Path(folder) / "memory")
        hypervisor.save(name, path)
        assert not hypervisor.is_running(name), "a saved domain stands still"  # noqa: S101
        try:
            hypervisor.save(name, f"{path}-again")
        except HypervisorFailed:
            pass
        else:
            raise AssertionError("a domain that is not there cannot be saved")
        try:
            hypervisor.restore(f"{path}-missing")
        except HypervisorFailed:
            pass
        else:
            raise AssertionError("from no file nothing can be restored")
        hypervisor.restore(path)
    assert hypervisor.is_running(name), "a restored domain runs on"  # noqa: S101


def _check_missing(hypervisor: Hypervisor, name: str) -> None:
    """Asking after a domain that is not there is no trouble."""
    assert not hypervisor.is_running(name), "a missing domain does not run"  # noqa: S101
    assert hypervisor.cpu_seconds(name) == 0.0, "a missing domain used no time"  # noqa: S101
    assert hypervisor.block_counts(name) == BlockCounts(), "nothing of its disks"  # noqa: S101
    assert not hypervisor.is_starved(name), "a missing domain wants nothing"  # noqa: S101
    hypervisor.reset(name)
    hypervisor.end(name)
    assert name not in {domain.name for domain in hypervisor.find_owned()}  # noqa: S101
