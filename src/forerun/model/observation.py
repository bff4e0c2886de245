"""Raw observations of one rehearsal. Times in seconds, sizes in bytes.

Statistics are derived when a report is drawn and never stored here. Instants are
seconds since the run's start (`at`), read from the lab host's monotonic clock.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum

from forerun.model.counters import StepCounters
from forerun.model.inventory import Inventory
from forerun.model.likeness import Agreement, ForetellingCheck, Foretold, NotLookedAt
from forerun.model.speed import LabLoad, SpeedReading
from forerun.model.trial import BackOutTried, FaultTried, HoldKept

RUN_SCHEMA = "forerun.run/3"


class Outcome(Enum):
    """How a rehearsal ended."""

    COMPLETED = "completed"
    FAILED = "failed"
    ABANDONED = "abandoned"


class StepEnd(Enum):
    """How a step ended."""

    DONE = "done"
    FAILED = "failed"
    OVERRAN = "overran"
    STOPPED = "stopped"
    UNREACHABLE = "unreachable"
    SKIPPED = "skipped"


@dataclass(frozen=True, slots=True)
class PromptMet:
    """A prompt that a step met. `declared` is False for one no rule knew.

    `rule` is the declared rule's name or "". `waited_s` runs from the moment the
    process began to wait (as far as was seen) to the answer. `answered_by` is
    "profile", "site", "policy", "person" or "nobody".
    """

    step: str
    at_s: float
    text: str
    process: str
    declared: bool
    rule: str
    answer: str
    answered_by: str
    waited_s: float
    why: str = ""


@dataclass(frozen=True, slots=True)
class DownloadCount:
    """One step's download, counted in five ways (bytes; -1 where not known).

    planned: the package manager's own plan; fetched: what it reports fetched;
    gateway: body bytes the gateway served for packages; index: body bytes served for
    indexes; outside: body bytes the gateway fetched from outside; cached: served
    from its cache; headers: HTTP header bytes sent; wire: bytes received on the
    clone's network interface; wire_packets: packets received there; tunnel: bytes sent
    to the clone on the gateway's own SSH connection; session: bytes sent to it on
    forerun's other connection (looking, keys typed).
    """

    planned_bytes: int = -1
    fetched_bytes: int = -1
    gateway_bytes: int = -1
    index_bytes: int = -1
    outside_bytes: int = -1
    cached_bytes: int = -1
    header_bytes: int = -1
    wire_bytes: int = -1
    wire_packets: int = -1
    requests: int = 0
    tunnel_bytes: int = -1
    session_bytes: int = -1


@dataclass(frozen=True, slots=True)
class PackageChange:
    """One package's way through the upgrade. `kind`: upgraded, installed, removed,
    kept-back. `seconds`: unpacking and configuring, from dpkg's own log."""

    name: str
    kind: str
    old: str = ""
    new: str = ""
    unpack_s: float = -1.0
    configure_s: float = -1.0


@dataclass(frozen=True, slots=True)
class StepRecord:
    """One step as it ran."""

    name: str
    title: str
    stage: str
    action: str
    started_s: float
    wall_s: float
    guest_cpu_s: float
    host_cpu_s: float
    end: StepEnd
    exit_code: int
    message: str
    last_lines: tuple[str, ...] = ()
    quiet_longest_s: float = 0.0
    reattached: int = 0
    load: LabLoad | None = None
    download: DownloadCount | None = None
    counters: StepCounters | None = None


@dataclass(frozen=True, slots=True)
class DiskSample:
    """Used bytes of one file system of the clone at one moment."""

    at_s: float
    target: str
    used_bytes: int
    size_bytes: int


@dataclass(frozen=True, slots=True)
class CheckResult:
    """One check at one time. `moment` is "before" or "after"; `result` is "pass",
    "fail" or "skipped"; `reason` says why for the last two. `again` says whether the
    check is meant to run after the upgrade too."""

    name: str
    title: str
    moment: str
    result: str
    reason: str
    severity: str
    output: str = ""
    advice: str = ""
    cites: str = ""
    again: bool = True


@dataclass(frozen=True, slots=True)
class ProbeSample:
    """One outside look at a service: `state` is "up", "down", "slow" or "unknown";
    `cause` is "refused", "timeout", "wrong answer", "reset" or ""."""

    service: str
    at_s: float
    state: str
    cause: str = ""
    took_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Outage:
    """A service that worked before did not answer, from the last good look before to
    the first of three good looks after. `ended` is False when it never came back."""

    service: str
    start_s: float
    end_s: float
    ended: bool
    cause: str
    step: str
    resolution_s: float


@dataclass(frozen=True, slots=True)
class RebootSplit:
    """One reboot, cut where console and clone say so (seconds; -1 where unseen).

    down: request to the first line of the loader or kernel; loader: firmware and
    boot loader; kernel: kernel to its start of user space; userspace: to the
    service manager's own "finished"; total: request to all watched services ready.
    `ssh_s` and `ready_s` count from the request. `own_account` holds the service
    manager's own kernel and user-space figures for the cross-check. `journal_gap_s` lies
    between the last entry of the old start's journal and the first of the new one's.
    """

    requested_s: float
    down_s: float
    loader_s: float
    kernel_s: float
    userspace_s: float
    settle_s: float
    ssh_s: float
    ready_s: float
    total_s: float
    own_kernel_s: float = -1.0
    own_userspace_s: float = -1.0
    kernel_before: str = ""
    kernel_after: str = ""
    note: str = ""
    journal_gap_s: float = -1.0


@dataclass(frozen=True, slots=True)
class LabFacts:
    """The lab host as used: `accelerator` is "kvm" or "emulation"; `why` says how
    that was decided."""

    accelerator: str
    why: str
    cpus: int
    memory_bytes: int
    hypervisor: str


@dataclass(frozen=True, slots=True)
class KeptFile:
    """A configuration file left beside the one in use (.dpkg-dist, .ucf-dist, ...). `diff`
    leads from the older of the two to the newer: unified, cut, "" where not recorded."""

    path: str
    beside: str
    size_bytes: int
    diff: str = ""


@dataclass(frozen=True, slots=True)
class Teardown:
    """What the run created and what is left of it, as `kind:name` strings."""

    created: tuple[str, ...] = ()
    left: tuple[str, ...] = ()
    kept: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class GapSeen:
    """One row of the fidelity statement as it was for this run."""

    subject: str
    state: str
    note: str


@dataclass(frozen=True, slots=True)
class Seen:
    """Something the rehearsal itself saw and an operator should know. `severity` is one
    of "stops boot", "loses access", "service down", "data at risk", "cosmetic"."""

    severity: str
    title: str
    evidence: str
    advice: str = ""
    source: str = ""


class WayEnd(Enum):
    """What came of trying a way out of the clone. Nothing is rehearsed after OPEN."""

    CLOSED = "closed"
    REFUSED = "refused by the gateway"
    NOT_TRIED = "not tried"
    OPEN = "open"


@dataclass(frozen=True, slots=True)
class WayTried:
    """A way out of the clone that was tried from inside. `protocol` is "tcp", "udp",
    "icmp" or "http", the last through the archive gateway; `port` is 0 where there is
    none. `detail` says what was seen, or why it could not be tried."""

    name: str
    address: str
    protocol: str
    port: int
    result: WayEnd = WayEnd.NOT_TRIED
    detail: str = ""

    def label(self) -> str:
        """For a person: "the lab host (10.0.2.2, tcp 3128)"."""
        port = f" {self.port}" if self.port else ""
        through = ", through the gateway" if self.protocol == "http" else ""
        return f"{self.name} ({self.address}, {self.protocol}{port}{through})"


@dataclass(frozen=True, slots=True)
class RunRecord:
    """Everything observed in one rehearsal, with its circumstances. `ways_tried` are the
    ways out of the clone that were tried from inside before the first step.
    `copy_approved_by` names who looked production's sanitised copy over. `speeds` are of
    the clone, in order: right before its first step, and after its last."""

    id: str
    started_at: str
    finished_at: str
    host: str
    survey_id: str
    profile: str
    profile_digest: str
    site_digest: str
    outcome: Outcome
    why: str
    template_id: str
    release_before: str
    release_after: str
    lab: LabFacts
    clone_cpus: int
    clone_memory_bytes: int
    preparation: tuple[tuple[str, float], ...] = ()
    steps: tuple[StepRecord, ...] = ()
    prompts: tuple[PromptMet, ...] = ()
    checks: tuple[CheckResult, ...] = ()
    packages: tuple[PackageChange, ...] = ()
    disk: tuple[DiskSample, ...] = ()
    probes: tuple[ProbeSample, ...] = ()
    outages: tuple[Outage, ...] = ()
    reboots: tuple[RebootSplit, ...] = ()
    kept_files: tuple[KeptFile, ...] = ()
    fidelity: tuple[GapSeen, ...] = ()
    agreements: tuple[Agreement, ...] = ()
    foretold: tuple[Foretold, ...] = ()
    foretelling: tuple[ForetellingCheck, ...] = ()
    not_looked_at: tuple[NotLookedAt, ...] = ()
    seen: tuple[Seen, ...] = ()
    ways_tried: tuple[WayTried, ...] = ()
    rate_limit_bits: int = 0
    copy_approved_by: str = ""
    holds: tuple[HoldKept, ...] = ()
    back_outs: tuple[BackOutTried, ...] = ()
    faults: tuple[FaultTried, ...] = ()
    speeds: tuple[SpeedReading, ...] = ()
    teardown: Teardown = field(default_factory=Teardown)
    inventories: tuple[Inventory, ...] = ()
    forerun_version: str = ""
    schema: str = RUN_SCHEMA
