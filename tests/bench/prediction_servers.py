"""Servers for the benchmark of predictions, and an operator who upgrades them for real."""

from __future__ import annotations

import http.server
import statistics
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from functools import partial

import libvirt

from forerun.errors import ForerunError
from forerun.model.profile import Action, Profile, ServiceProbe, Site
from forerun.ports.clock import SystemClock
from forerun.ports.prober import Prober, look_at
from forerun.ports.ssh import ParamikoLink
from forerun.stages.build import Yard
from forerun.stages.measure import find_outages
from tests.practice.archive import PracticeArchive
from tests.vm import lab

PIECE = 16 * 1024
BOOT_ID = "/proc/sys/kernel/random/boot_id"


@dataclass(frozen=True, slots=True)
class Variant:
    """A production server: processors, writes and reads a second (0: as the disk can), bits a
    second to the archive, share of a processor that other work takes, packages by kind."""

    name: str
    cpus: int
    iops: int
    link_bits: int
    busy: float
    packages: dict[str, int] = field(default_factory=dict)


VARIANTS = (
    Variant("even", 1, 0, 100_000_000, 0.0,
            {"files": 2, "pack": 2, "fork": 2, "count": 2, "sync": 2, "wait": 1}),
    Variant("two-cpus", 2, 0, 20_000_000, 0.0,
            {"files": 3, "pack": 3, "fork": 3, "count": 3, "sync": 1, "wait": 2}),
    Variant("slow-disk", 1, 150, 50_000_000, 0.0, {"files": 4, "pack": 1, "fork": 1, "sync": 2}),
    Variant("slower-disk", 1, 60, 10_000_000, 0.0,
            {"files": 1, "pack": 2, "count": 2, "sync": 2, "wait": 1}),
    Variant("slow-link", 2, 200, 5_000_000, 0.0, {"files": 2, "pack": 5, "fork": 1, "count": 1}),
    Variant("busy", 1, 0, 30_000_000, 0.4, {"files": 2, "pack": 1, "fork": 5, "count": 3}),
)  # fmt: skip


class SlowArchive:
    """The archive on loopback, at a rate that can be changed; 0 bits a second is no limit."""

    def __init__(self, archive: PracticeArchive) -> None:
        self.bits = 0
        self._ready_s = 0.0
        self._lock = threading.Lock()
        handler = partial(_Handler, self, directory=str(archive.folder))
        self._server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), handler)
        self.port: int = self._server.server_address[1]
        self._thread = threading.Thread(target=self._server.serve_forever, daemon=True)

    def __enter__(self) -> SlowArchive:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()

    def wait_for(self, size: int) -> None:
        """Until so many bytes may leave: one line for all who ask."""
        with self._lock:
            if not self.bits:
                return
            now = time.monotonic()
            self._ready_s = max(now, self._ready_s) + size * 8 / self.bits
            pause = self._ready_s - now
        time.sleep(pause)


class _Handler(http.server.SimpleHTTPRequestHandler):
    protocol_version = "HTTP/1.1"

    def __init__(self, archive: SlowArchive, *args: object, directory: str) -> None:
        self._archive = archive
        super().__init__(*args, directory=directory)  # type: ignore[arg-type]

    def copyfile(self, source: object, outputfile: object) -> None:
        with suppress(ConnectionError):  # whoever times the line takes what is enough
            while piece := source.read(PIECE):  # type: ignore[attr-defined]
                self._archive.wait_for(len(piece))
                outputfile.write(piece)  # type: ignore[attr-defined]

    def log_message(self, *_: object) -> None:
        """Nothing on the terminal."""


@contextmanager
def throttled(server: lab.Server, variant: Variant, archive: SlowArchive) -> Iterator[None]:
    """The server's disk and line are as slow as the variant says."""
    connection = libvirt.open(lab.URI)
    domain = connection.lookupByName(server.name)
    try:
        _limit(domain, variant.iops)
        archive.bits = variant.link_bits
        yield
    finally:
        archive.bits = 0
        if domain.isActive():
            _limit(domain, 0)
        connection.close()


def _limit(domain: libvirt.virDomain, iops: int) -> None:
    domain.setBlockIoTune("vda", {"total_iops_sec": iops}, libvirt.VIR_DOMAIN_AFFECT_LIVE)


def keep_busy(link: ParamikoLink, share: float) -> None:
    """Other work on the server, for good: so much of one processor, in turns of 0.1 s."""
    if share <= 0:
        return
    # A shell's empty loop between two pauses; the pauses are what is fixed.
    busy, rest = share / 5, (1 - share) / 5
    link.exec(
        "nohup setsid perl -MTime::HiRes=time,sleep -e "
        f"'while (1) {{ my $t = time + {busy}; 1 while time < $t; sleep {rest} }}' "
        "</dev/null >/dev/null 2>&1 &",
        timeout_s=30,
    )


class HostPace:
    """Times a fixed loop of the lab host's own once a second, on whichever processor it gets:
    what the lab host itself varies by, which neither stolen time nor pressure tells."""

    def __init__(self) -> None:
        self._found: dict[str, list[float]] = {}
        self._phase = ""
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> HostPace:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()

    def begin(self, phase: str) -> None:
        """What is timed from now on."""
        self._phase = phase

    def tell(self) -> str:
        """Each phase's mean in milliseconds."""
        return ", ".join(
            f"{phase} {statistics.fmean(found):.2f} ms" for phase, found in self._found.items()
        )

    def _run(self) -> None:
        while not self._over.wait(1.0):
            began, total = time.thread_time(), 0
            for number in range(30_000):
                total += number
            took = (time.thread_time() - began) * 1e3
            if self._phase:
                self._found.setdefault(self._phase, []).append(took)


@dataclass(frozen=True, slots=True)
class Night:
    """What the real upgrade took: seconds of each step, of the whole window, and of each
    service's outages in all."""

    steps: dict[str, float]
    window_s: float
    outages: dict[str, float]


def upgrade_for_real(server: lab.Server, yard: Yard, profile: Profile, site: Site) -> Night:
    """Do by hand, over SSH, what the profile's window says, with the services looked at from
    outside. The archive is reached as the server reached it before. Raises AssertionError for
    a step that fails."""
    clock = SystemClock()
    began = clock.monotonic()
    ports = {8080: server.web_port, 22: server.ssh_port}
    watched = tuple((probe, ports[probe.port]) for probe in site.services)
    steps: dict[str, float] = {}
    with Prober(watched, clock=clock, origin_s=began) as prober:
        time.sleep(5)
        at = clock.monotonic()
        for step in profile.steps:
            if step.stage.value != "window":
                continue
            if step.action is Action.REBOOT:
                restart(server, yard, watched)
            else:
                _run(server, yard, step.script, dict(profile.environment))
            now = clock.monotonic()
            steps[step.name], at = now - at, now
        time.sleep(5)
        samples = prober.samples()
    outages: dict[str, float] = {probe.name: 0.0 for probe in site.services}
    for outage in find_outages(samples, ()):
        outages[outage.service] += outage.end_s - outage.start_s
    return Night(steps, sum(steps.values()), outages)


def _run(server: lab.Server, yard: Yard, script: str, environment: dict[str, str]) -> None:
    link = lab.log_in(server, yard)
    try:
        words = " ".join(f"{name}={value}" for name, value in environment.items())
        link_script = f"env {words} bash -eu -s </dev/stdin"
        done = link.exec(link_script, timeout_s=3600, stdin=script.encode())
    finally:
        link.close()
    assert done.exit_code == 0, (done.stdout + done.stderr).decode("utf-8", "replace")[-1500:]


def restart(
    server: lab.Server, yard: Yard, watched: tuple[tuple[ServiceProbe, int], ...] = ()
) -> None:
    """Restart the server and wait until a restart has ended as the runbook says: it answers with
    the new boot, its services answer, and the service manager has finished the start. Raises
    AssertionError."""
    link = lab.log_in(server, yard)
    before = link.read_file(BOOT_ID)
    link.exec("systemctl --no-block reboot", timeout_s=30)
    link.close()
    limit = time.monotonic() + lab.BOOT_LIMIT_S
    while time.monotonic() < limit:
        time.sleep(1)
        try:
            link = lab.log_in(server, yard)
        except ForerunError:
            continue
        back = link.read_file(BOOT_ID) != before and _has_finished(link)
        link.close()
        if back and _all_up(watched):
            return
    raise AssertionError(f"{server.name} did not come back")


def _has_finished(link: ParamikoLink) -> bool:
    """org.freedesktop.systemd1(5): the instant is 0 until the start is finished."""
    said = link.exec("systemctl show -P FinishTimestampMonotonic", timeout_s=60)
    return said.stdout.strip() not in (b"", b"0")


def _all_up(watched: tuple[tuple[ServiceProbe, int], ...]) -> bool:
    clock = SystemClock()
    return all(look_at(probe, port, clock).state == "up" for probe, port in watched)
