"""Meters around the steps of a rehearsal, and what is derived from raw samples."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from forerun.errors import ForerunError
from forerun.model.counters import StepCounters
from forerun.model.observation import DiskSample, DownloadCount, Outage, ProbeSample, StepRecord
from forerun.model.speed import LabLoad
from forerun.ports.clock import Clock
from forerun.ports.gateway import Gateway, GatewayReading
from forerun.ports.guest import Guest
from forerun.ports.hypervisor import BlockCounts
from forerun.ports.labhost import LabHost, LoadMark
from forerun.stages.guest_counters import GuestMark, compare_marks, read_guest_mark, subtract
from forerun.stages.package_log import PackageWork

DISK_PERIOD_S = 5.0
GOOD_LOOKS = 3
MEMORY_BACKED = "/tmp"  # noqa: S108 - watched in the clone, not used here


@dataclass(frozen=True, slots=True)
class StepMark:
    """All counters at one end of a step."""

    at_s: float
    guest: GuestMark
    host_cpu_s: float
    load: LoadMark
    gateway: GatewayReading
    wire_bytes: int
    wire_packets: int
    session_bytes: int = 0
    tunnel_bytes: int = 0
    blocks: BlockCounts = field(default_factory=BlockCounts)


class StepMeter:
    """Reads every counter before and after a step."""

    def __init__(
        self,
        guest: Guest,
        gateway: Gateway,
        lab: LabHost,
        clock: Clock,
        *,
        host_cpu: Callable[[], float],
        blocks: Callable[[], BlockCounts],
        sent: Callable[[], tuple[int, int]],
        mac: str,
    ) -> None:
        self._guest = guest
        self._gateway = gateway
        self._lab = lab
        self._clock = clock
        self._host_cpu = host_cpu
        self._blocks = blocks
        self._sent = sent
        self._mac = mac
        self._link_folder = ""

    def mark(self) -> StepMark:
        """The counters now; of an unreachable clone, or one that says no numbers, its own are
        not known and those of its link read as 0."""
        wire, packets = 0, 0
        guest = GuestMark()
        with contextlib.suppress(ForerunError, FileNotFoundError, ValueError):
            guest = read_guest_mark(self._guest)
            wire, packets = self._read_wire()
        now = self._clock.monotonic()
        session, tunnel = self._sent()
        return StepMark(
            now,
            guest,
            self._host_cpu(),
            self._lab.mark_load(now),
            self._gateway.reading(),
            wire,
            packets,
            session,
            tunnel,
            self._blocks(),
        )

    def _read_wire(self) -> tuple[int, int]:
        """Bytes and packets received on the sealed link since boot."""
        if not self._link_folder:
            found = self._guest.run(
                f"grep -lixF {self._mac} /sys/class/net/*/address", timeout_s=60
            )
            self._link_folder = found.text().split("\n")[0].rpartition("/")[0]
        base = f"{self._link_folder}/statistics"
        values = [
            int(self._guest.read_file(f"{base}/{name}").decode("ascii"))
            for name in ("rx_bytes", "rx_packets")
        ]
        return values[0], values[1]

    def forget_link(self) -> None:
        """The interface may have another name after a reboot."""
        self._link_folder = ""

    def load(self, before: StepMark, after: StepMark) -> LabLoad:
        """The lab host's load between two marks."""
        return self._lab.load_between(before.load, after.load)


def count_step(
    before: StepMark, after: StepMark, work: PackageWork, *, people_s: float
) -> StepCounters:
    """What was counted between two marks, with what the package manager did and how long
    somebody was waited for."""
    grown, booted = compare_marks(before.guest, after.guest)
    old, new = before.blocks, after.blocks
    return StepCounters(
        cpus=grown.cpus,
        user_s=grown.user_s,
        system_s=grown.system_s,
        idle_s=grown.idle_s,
        iowait_s=grown.iowait_s,
        steal_s=grown.steal_s,
        processes=grown.processes,
        io_some_s=grown.io_some_s,
        io_full_s=grown.io_full_s,
        cpu_some_s=grown.cpu_some_s,
        memory_full_s=grown.memory_full_s,
        read_bytes=int(subtract(new.read_bytes, old.read_bytes)),
        written_bytes=int(subtract(new.written_bytes, old.written_bytes)),
        flushes=int(subtract(new.flushes, old.flushes)),
        flush_s=subtract(new.flush_s, old.flush_s),
        read_s=subtract(new.read_s, old.read_s),
        write_s=subtract(new.write_s, old.write_s),
        fetching_s=subtract(after.gateway.fetching_s, before.gateway.fetching_s),
        packed_bytes=work.packed_bytes,
        unpacked_bytes=work.unpacked_bytes,
        unpacking_s=work.unpacking_s,
        configuring_s=work.configuring_s,
        triggers_s=work.triggers_s,
        people_s=round(people_s, 2),
        since_boot=booted,
        reads=int(subtract(new.reads, old.reads)),
    )


def count_download(
    before: StepMark, after: StepMark, *, planned: int, fetched: int
) -> DownloadCount | None:
    """One step's download; None when nothing was asked of the gateway."""
    requests = after.gateway.requests - before.gateway.requests
    if requests == 0:
        return None
    return DownloadCount(
        planned_bytes=planned,
        fetched_bytes=fetched,
        gateway_bytes=after.gateway.packages - before.gateway.packages,
        index_bytes=after.gateway.indexes - before.gateway.indexes,
        outside_bytes=after.gateway.outside - before.gateway.outside,
        cached_bytes=after.gateway.cached - before.gateway.cached,
        header_bytes=after.gateway.headers - before.gateway.headers,
        wire_bytes=max(-1, after.wire_bytes - before.wire_bytes),
        wire_packets=max(-1, after.wire_packets - before.wire_packets),
        requests=requests,
        tunnel_bytes=after.tunnel_bytes - before.tunnel_bytes,
        session_bytes=after.session_bytes - before.session_bytes,
    )


class DiskWatch:
    """Samples the clone's file systems at most every 5 s; costs it no process."""

    def __init__(self, guest: Guest, clock: Clock, *, origin_s: float) -> None:
        self._guest = guest
        self._clock = clock
        self._origin = origin_s
        self._last_s = -DISK_PERIOD_S
        self._targets: tuple[str, ...] = ()
        self.samples: list[DiskSample] = []

    def find_targets(self) -> None:
        """The mounted file systems on disks (and memory-backed /tmp)."""
        mounts = self._guest.read_file("/proc/mounts").decode("utf-8", "replace")
        self._targets = find_disk_targets(mounts)

    def sample(self, *, anyway: bool = False) -> None:
        """Take a sample if the last one is old enough, or `anyway`: where a step begins and
        ends, since one of a few seconds would have none. Trouble is left to others."""
        now = self._clock.monotonic()
        if now - self._last_s < DISK_PERIOD_S and not anyway:
            return
        self._last_s = now
        try:
            if not self._targets:
                self.find_targets()
            for target in self._targets:
                room = self._guest.room(target)
                self.samples.append(
                    DiskSample(
                        round(now - self._origin, 2), target, room.used_bytes, room.size_bytes
                    )
                )
        except (ForerunError, FileNotFoundError):
            return

    def forget_targets(self) -> None:
        """Mounts may differ after a reboot."""
        self._targets = ()


def find_disk_targets(mounts: str) -> tuple[str, ...]:
    """Mount points worth watching in the text of /proc/mounts."""
    found: dict[str, str] = {}
    for line in mounts.splitlines():
        fields = line.split()
        if len(fields) < 3:
            continue
        source, target, fstype = fields[0], fields[1].replace("\\040", " "), fields[2]
        in_memory = fstype == "tmpfs" and target == MEMORY_BACKED
        if in_memory or (source.startswith("/dev/") and source not in found):
            found[source] = target
    return tuple(found.values())


def find_outages(samples: Sequence[ProbeSample], steps: Sequence[StepRecord]) -> tuple[Outage, ...]:
    """Outages of each service. Rule: it begins at the last good look before the first
    bad one, and ends at the first of three good looks in a row; a service that was
    never good has no outage, only no answer at all."""
    outages: list[Outage] = []
    for service in sorted({sample.service for sample in samples}):
        own = [sample for sample in samples if sample.service == service]
        outages.extend(_find_own_outages(service, own, steps))
    return tuple(sorted(outages, key=lambda outage: outage.start_s))


def _find_own_outages(
    service: str, samples: list[ProbeSample], steps: Sequence[StepRecord]
) -> list[Outage]:
    found: list[Outage] = []
    last_good: float | None = None
    first_bad: ProbeSample | None = None
    start = 0.0
    good_run: list[float] = []
    for sample in samples:
        if sample.state == "up":
            good_run.append(sample.at_s)
            if first_bad is not None and len(good_run) >= GOOD_LOOKS:
                found.append(_outage(first_bad, start, good_run[0], steps, ended=True))
                first_bad = None
            if first_bad is None:
                last_good = sample.at_s
            continue
        good_run = []
        if first_bad is None and last_good is not None and sample.state != "unknown":
            first_bad, start = sample, last_good
    if first_bad is not None:
        found.append(_outage(first_bad, start, samples[-1].at_s, steps, ended=False))
    return found


def _outage(
    first_bad: ProbeSample,
    start: float,
    end: float,
    steps: Sequence[StepRecord],
    *,
    ended: bool,
) -> Outage:
    step = next(
        (s.name for s in steps if s.started_s <= first_bad.at_s <= s.started_s + s.wall_s), ""
    )
    return Outage(
        first_bad.service,
        round(start, 2),
        round(end, 2),
        ended,
        first_bad.cause,
        step,
        resolution_s=1.0,
    )
