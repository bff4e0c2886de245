"""The one door to libvirt."""

from __future__ import annotations

import contextlib
import xml.etree.ElementTree as ET
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol, TypeVar

import libvirt

from forerun.errors import HypervisorFailed
from forerun.ports.domain_xml import OWN_NAMESPACE

NAME_PREFIX = "forerun-"
_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class OwnedDomain:
    """A domain that carries forerun's own metadata."""

    name: str
    owner: str
    running: bool


class Hypervisor(Protocol):
    """What forerun asks of a hypervisor. Every method raises HypervisorFailed."""

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

    def save(self, name: str, path: str) -> None:
        """Write the domain's memory and devices to a file and end it; its disks are left
        as they are at that moment."""
        ...

    def restore(self, path: str) -> None:
        """Let a saved domain run on, where it stopped. Its disks must be those of then."""
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
    """libvirt at a connection URI such as qemu:///system; reconnects when libvirtd was
    restarted, once for each call."""

    def __init__(self, uri: str) -> None:
        self.uri = uri
        libvirt.registerErrorHandler(_quiet, None)
        self._connection: Any = self._open()

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

    def _ask(self, what: str, question: Callable[[Any], _T]) -> _T:
        try:
            if not self._connection.isAlive():
                self._connection = self._open()
            return question(self._connection)
        except libvirt.libvirtError as problem:
            raise HypervisorFailed(
                f"libvirt could not {what}.",
                where=self.uri,
                found=str(problem),
                hint="See the log of libvirtd, and `forerun lab`.",
            ) from problem

    def describe(self) -> str:
        """Name and version, for a report."""

        def question(connection: Any) -> str:
            number = int(connection.getVersion())
            version = f"{number // 1_000_000}.{number // 1000 % 1000}.{number % 1000}"
            return f"{connection.getType()} {version}"

        return self._ask("tell its version", question)

    def start(self, xml: str) -> None:
        """Start a transient domain."""
        self._ask("start the clone", lambda connection: connection.createXML(xml, 0))

    def _ask_domain(
        self, name: str, what: str, question: Callable[[Any], _T], *, missing: _T
    ) -> _T:
        """Ask one domain; `missing` when it is not there, or ends while it is asked."""

        def whole(connection: Any) -> _T:
            try:
                return question(connection.lookupByName(name))
            except libvirt.libvirtError as problem:
                if problem.get_error_code() == libvirt.VIR_ERR_NO_DOMAIN:
                    return missing
                raise

        return self._ask(what, whole)

    def is_running(self, name: str) -> bool:
        """Whether that domain runs now."""
        return self._ask_domain(
            name, f"ask after {name}", lambda domain: bool(domain.isActive()), missing=False
        )

    def end(self, name: str) -> None:
        """Power the domain off at once and forget it."""

        def question(domain: Any) -> None:
            with contextlib.suppress(libvirt.libvirtError):  # it may end by itself meanwhile
                domain.destroy()
            with contextlib.suppress(libvirt.libvirtError):  # transient ones are gone already
                domain.undefineFlags(libvirt.VIR_DOMAIN_UNDEFINE_NVRAM)

        self._ask_domain(name, f"end {name}", question, missing=None)

    def cpu_seconds(self, name: str) -> float:
        """Host CPU seconds used since the start."""
        return self._ask_domain(
            name, f"measure {name}", lambda domain: float(domain.info()[4]) / 1e9, missing=0.0
        )

    def save(self, name: str, path: str) -> None:
        """Write memory and devices to a file and end the domain."""
        self._ask(f"save {name}", lambda connection: connection.lookupByName(name).save(path))

    def restore(self, path: str) -> None:
        """Let a saved domain run on."""
        self._ask("bring the clone back", lambda connection: connection.restore(path))

    def reset(self, name: str) -> None:
        """Press the reset button."""
        self._ask_domain(name, f"reset {name}", lambda domain: domain.reset(0), missing=None)

    def find_owned(self) -> tuple[OwnedDomain, ...]:
        """Domains made by forerun, by their metadata and by nothing else."""

        def question(connection: Any) -> list[OwnedDomain]:
            found: list[OwnedDomain] = []
            for domain in connection.listAllDomains():
                with contextlib.suppress(libvirt.libvirtError):  # ended while we looked
                    owner = read_owner(domain.XMLDesc())
                    if owner is not None:
                        found.append(OwnedDomain(domain.name(), owner, bool(domain.isActive())))
            return found

        return tuple(self._ask("list the domains", question))

    def close(self) -> None:
        """Let go of the connection."""
        with contextlib.suppress(libvirt.libvirtError):
            self._connection.close()


def read_owner(xml: str) -> str | None:
    """The run a domain was made for, or None when forerun did not make it."""
    made = ET.fromstring(xml).find(  # noqa: S314 - libvirt wrote it, not a guest
        f"metadata/{{{OWN_NAMESPACE}}}made"
    )
    if made is None or made.get("by") != "forerun":
        return None
    return made.get("for", "")
