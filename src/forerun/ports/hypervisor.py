"""The one door to libvirt."""

from __future__ import annotations

import contextlib
import xml.etree.ElementTree as ET
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any, Protocol, TypeVar

import libvirt

from forerun.errors import HypervisorFailed
from forerun.ports.clock import Clock, SystemClock
from forerun.ports.domain_xml import OWN_NAMESPACE

NAME_PREFIX = "forerun-"
# A restart of libvirtd takes seconds; its domains run on meanwhile.
PATIENCE_S = 60.0
_T = TypeVar("_T")
# Stopped by QEMU itself for no cause that libvirt has a word for: seen after "KVM internal
# error", which no later call brings back to life.
_GIVEN_UP = (libvirt.VIR_DOMAIN_PAUSED, libvirt.VIR_DOMAIN_PAUSED_UNKNOWN)


@dataclass(frozen=True, slots=True)
class OwnedDomain:
    """A domain that carries forerun's own metadata: the run it was made for, and the mark
    of the state folder whose forerun made it."""

    name: str
    owner: str
    running: bool
    state: str = ""


@dataclass(frozen=True, slots=True)
class BlockCounts:
    """What a domain's disks did since it was started, all together: bytes read and written,
    flushes and reads asked for, and the seconds that requests of each kind took (those under way at
    once add up). -1 where the hypervisor does not tell."""

    read_bytes: int = -1
    written_bytes: int = -1
    flushes: int = -1
    read_s: float = -1.0
    write_s: float = -1.0
    flush_s: float = -1.0
    reads: int = -1


class Hypervisor(Protocol):
    """What forerun asks of a hypervisor. Every method raises HypervisorFailed."""

    uri: str

    def describe(self) -> str:
        """Name and version, for a report."""
        ...

    def start(self, xml: str) -> None:
        """Start a transient domain: it leaves no definition behind when it ends."""
        ...

    def is_running(self, name: str) -> bool:
        """Whether that domain runs now."""
        ...

    def end(self, name: str) -> None:
        """Power the domain off at once and forget it; nothing happens if it is gone."""
        ...

    def cpu_seconds(self, name: str) -> float:
        """Host CPU seconds the domain has used since it started."""
        ...

    def block_counts(self, name: str) -> BlockCounts:
        """What its disks did since it was started; nothing known of one that is not there."""
        ...

    def save(self, name: str, path: str) -> None:
        """Write the domain's memory and devices to a file and end it; its disks are left
        as they are at that moment."""
        ...

    def restore(self, path: str) -> None:
        """Let a saved domain run on, where it stopped. Its disks must be those of then."""
        ...

    def is_starved(self, name: str) -> bool:
        """Whether the domain stands still because a disk of the lab host takes no more."""
        ...

    def reset(self, name: str) -> None:
        """Press the reset button."""
        ...

    def find_owned(self) -> tuple[OwnedDomain, ...]:
        """Domains made by forerun, running or not."""
        ...

    def close(self) -> None:
        """Let go of the connection."""
        ...


def _quiet(_context: object, _error: object) -> None:
    """libvirt prints every error on standard error unless told not to."""


class LibvirtHypervisor:
    """libvirt at a connection URI such as qemu:///system.

    When libvirtd goes away it is waited for, `patience_s` seconds for each call, and asked
    again: domains outlive a restart of their daemon."""

    def __init__(
        self, uri: str, *, clock: Clock | None = None, patience_s: float = PATIENCE_S
    ) -> None:
        self.uri = uri
        self._clock: Clock = clock or SystemClock()
        self._patience_s = patience_s
        libvirt.registerErrorHandler(_quiet, None)
        self._connection: Any = self._open()
        self._closed = False

    def _open(self) -> Any:
        try:
            return libvirt.open(self.uri)
        except libvirt.libvirtError as problem:
            raise HypervisorFailed(
                "libvirt cannot be reached.",
                where=self.uri,
                found=str(problem),
                hint="Start the daemons: `virtlogd -d` and `libvirtd -d` (or their services), "
                "and see `forerun lab`.",
            ) from problem

    def _ask(
        self,
        what: str,
        question: Callable[[Any], _T],
        *,
        after_loss: Callable[[Any], _T] | None = None,
    ) -> _T:
        """Ask, and ask again over a new connection when the old one is lost meanwhile.

        Nobody knows then whether the question was heard: where asking twice does harm,
        `after_loss` is asked instead."""
        limit = self._clock.monotonic() + self._patience_s
        while True:
            try:
                return question(self._connection)
            except libvirt.libvirtError as problem:
                if not self._is_lost(problem) or self._clock.monotonic() >= limit:
                    raise HypervisorFailed(
                        f"libvirt could not {what}.",
                        where=self.uri,
                        found=str(problem),
                        hint="See the log of libvirtd, and `forerun lab`.",
                    ) from problem
            self._reconnect(limit)
            question = after_loss or question

    def _is_lost(self, problem: Any) -> bool:
        """Whether the connection is, rather than the question answered with an error."""
        if self._closed:
            return False
        if problem.get_error_domain() == libvirt.VIR_FROM_RPC:
            return True
        try:
            return not self._connection.isAlive()
        except libvirt.libvirtError:
            return True

    def _reconnect(self, limit_s: float) -> None:
        self._let_go()
        while True:
            try:
                self._connection = self._open()
                return
            except HypervisorFailed:
                if self._clock.monotonic() >= limit_s:
                    raise
            self._clock.sleep(1.0)

    def describe(self) -> str:
        """Name and version, for a report."""

        def question(connection: Any) -> str:
            number = int(connection.getVersion())
            version = f"{number // 1_000_000}.{number // 1000 % 1000}.{number % 1000}"
            return f"{connection.getType()} {version}"

        return self._ask("tell its version", question)

    def start(self, xml: str) -> None:
        """Start a transient domain; it is started once, also when the answer is lost."""
        uuid = ET.fromstring(xml).findtext("uuid") or ""  # noqa: S314 - written by ourselves

        def begin(connection: Any) -> None:
            connection.createXML(xml, 0)

        def begin_unless_begun(connection: Any) -> None:
            domain = _find(lambda: connection.lookupByUUIDString(uuid))
            if domain is not None:
                if domain.state()[0] == libvirt.VIR_DOMAIN_RUNNING:
                    return
                domain.destroy()  # libvirtd went while it was being started
            begin(connection)

        self._ask("start the clone", begin, after_loss=begin_unless_begun)

    def _ask_domain(
        self, name: str, what: str, question: Callable[[Any], _T], *, missing: _T
    ) -> _T:
        """Ask one domain; `missing` when it is not there, or ends while it is asked."""

        def whole(connection: Any) -> _T:
            found = _find(lambda: (question(connection.lookupByName(name)),))
            return missing if found is None else found[0]

        return self._ask(what, whole)

    def is_running(self, name: str) -> bool:
        """Whether that domain runs now. One that QEMU stopped because its processor could
        not go on (an internal error of /dev/kvm) is there, and does not."""
        return self._ask_domain(
            name,
            f"ask after {name}",
            lambda domain: bool(domain.isActive()) and tuple(domain.state()) not in _GIVEN_UP,
            missing=False,
        )

    def end(self, name: str) -> None:
        """Power the domain off at once and forget it."""

        def question(connection: Any) -> None:
            domain = _find(lambda: connection.lookupByName(name))
            if domain is None:
                return
            why = ""
            try:
                domain.destroy()
            except libvirt.libvirtError as problem:  # it may end by itself meanwhile
                why = str(problem)
            with contextlib.suppress(libvirt.libvirtError):  # transient ones are gone already
                domain.undefineFlags(libvirt.VIR_DOMAIN_UNDEFINE_NVRAM)
            left = _find(lambda: connection.lookupByName(name))
            if left is not None and left.isActive():
                raise HypervisorFailed(
                    f"The domain {name} did not end.",
                    where=self.uri,
                    found=why,
                    hint="Run `forerun sweep` again; see the log of libvirtd.",
                )

        self._ask(f"end {name}", question)

    def cpu_seconds(self, name: str) -> float:
        """Host CPU seconds used since the start."""
        return self._ask_domain(
            name, f"measure {name}", lambda domain: float(domain.info()[4]) / 1e9, missing=0.0
        )

    def block_counts(self, name: str) -> BlockCounts:
        """What its disks did since it was started (virDomainListGetStats, block statistics)."""

        def question(domain: Any) -> BlockCounts:
            found = domain.connect().domainListGetStats([domain], libvirt.VIR_DOMAIN_STATS_BLOCK)
            return sum_block_stats(found[0][1] if found else {})

        return self._ask_domain(
            name, f"measure the disks of {name}", question, missing=BlockCounts()
        )

    def save(self, name: str, path: str) -> None:
        """Write memory and devices to a file and end the domain."""
        self._ask(f"save {name}", lambda connection: connection.lookupByName(name).save(path))

    def restore(self, path: str) -> None:
        """Let a saved domain run on."""
        self._ask("bring the clone back", lambda connection: connection.restore(path))

    def is_starved(self, name: str) -> bool:
        """Whether QEMU stopped it for an error of a disk: it does so when there is no room
        (qemu(1), -drive werror=enospc, the default), and nothing else of forerun's does."""
        stopped = [libvirt.VIR_DOMAIN_PAUSED, libvirt.VIR_DOMAIN_PAUSED_IOERROR]
        return self._ask_domain(
            name, f"ask after {name}", lambda domain: domain.state() == stopped, missing=False
        )

    def reset(self, name: str) -> None:
        """Press the reset button."""
        self._ask_domain(name, f"reset {name}", lambda domain: domain.reset(0), missing=None)

    def find_owned(self) -> tuple[OwnedDomain, ...]:
        """Domains made by forerun, by their metadata and by nothing else."""

        def question(connection: Any) -> list[OwnedDomain]:
            listed = connection.listAllDomains()
            found = [_find(partial(_describe, domain)) for domain in listed]
            return [domain for domain in found if domain is not None]

        return tuple(self._ask("list the domains", question))

    def close(self) -> None:
        """Let go of the connection, for good."""
        self._closed = True
        self._let_go()

    def _let_go(self) -> None:
        with contextlib.suppress(libvirt.libvirtError):
            self._connection.close()


def _find(look: Callable[[], _T]) -> _T | None:
    """What a look at one domain gives; None when the domain is not there any more. Every
    other trouble is raised: a list cut short by a lost connection must not pass for whole."""
    try:
        return look()
    except libvirt.libvirtError as problem:
        if problem.get_error_code() == libvirt.VIR_ERR_NO_DOMAIN:
            return None
        raise


def _describe(domain: Any) -> OwnedDomain | None:
    xml = domain.XMLDesc()
    owner = read_owner(xml)
    if owner is None:
        return None
    return OwnedDomain(domain.name(), owner, bool(domain.isActive()), read_state(xml))


_BLOCK_KEYS = ("rd.bytes", "wr.bytes", "fl.reqs", "rd.times", "wr.times", "fl.times", "rd.reqs")


def sum_block_stats(stats: Mapping[str, object]) -> BlockCounts:
    """All disks of one domain together, from libvirt's typed parameters: `block.N.rd.bytes`
    and so on, times in nanoseconds. A figure that no disk tells is -1."""
    sums: list[int] = []
    for key in _BLOCK_KEYS:
        told = [
            value
            for name, value in stats.items()
            if name.startswith("block.") and name.endswith(f".{key}") and isinstance(value, int)
        ]
        sums.append(sum(told) if told else -1)
    read_s, write_s, flush_s = (value / 1e9 if value >= 0 else -1.0 for value in sums[3:6])
    return BlockCounts(sums[0], sums[1], sums[2], read_s, write_s, flush_s, sums[6])


def read_owner(xml: str) -> str | None:
    """The run a domain was made for, or None when forerun did not make it."""
    made = _find_mark(xml)
    return None if made is None else made.get("for", "")


def read_state(xml: str) -> str:
    """The mark of the state folder a domain was made for, or ""."""
    made = _find_mark(xml)
    return "" if made is None else made.get("state", "")


def _find_mark(xml: str) -> ET.Element | None:
    made = ET.fromstring(xml).find(  # noqa: S314 - libvirt wrote it, not a guest
        f"metadata/{{{OWN_NAMESPACE}}}made"
    )
    return made if made is not None and made.get("by") == "forerun" else None
