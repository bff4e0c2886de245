"""The sections of a report: frozen records, derived from a run record, never stored.

`None` stands for "not measured". Seconds and bytes throughout; shares are 0..1.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum

from forerun.model.counters import StepParts
from forerun.model.estimate import Forecast
from forerun.model.finding import Decision, Finding
from forerun.model.likeness import Difference, ForetellingCheck, Foretold, NotLookedAt
from forerun.model.observation import Outage, Outcome, PromptMet, RunRecord, Seen, StepRecord
from forerun.model.speed import SpeedReading
from forerun.model.window import WindowPlan


class Provenance(Enum):
    """Where a figure comes from."""

    MEASURED = "measured"
    ESTIMATED = "estimated"
    ASSUMED = "assumed"


@dataclass(frozen=True, slots=True)
class Spread:
    """Smallest and largest of `runs` comparable runs, this one among them."""

    low: float
    high: float
    runs: int


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure with all that belongs to it. `unit` is "s", "bytes" or "count"."""

    key: str
    name: str
    value: float | None
    unit: str
    provenance: Provenance = Provenance.MEASURED
    spread: Spread | None = None
    resolution_s: float | None = None
    objections: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Verdict:
    """What is said first: `headline`, or one `sentence` with the `reasons` in it.

    `clean` is True when the run completed, every check that must pass does, every
    watched service came back and nothing grave was seen; `reasons` is what stands
    against that.
    """

    outcome: Outcome
    clean: bool
    headline: str
    sentence: str
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class StepLine:
    """A step in the timetable. `share` is its part of all step time."""

    number: int
    step: StepRecord
    share: float
    spread: Spread | None


@dataclass(frozen=True, slots=True)
class StageTime:
    """All steps of one stage: `wall_s` is their sum, `elapsed_s` runs from the first
    step's start to the last step's end, pauses between steps included."""

    stage: str
    steps: int
    wall_s: float
    elapsed_s: float


@dataclass(frozen=True, slots=True)
class Contention:
    """The lab host during one step; `reasons` is empty when it was quiet."""

    step: str
    steal: float | None
    run_queue: float | None
    psi_cpu: float | None
    psi_io: float | None
    psi_memory: float | None
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ServiceOutage:
    """One watched service. `total_s` and `longest_s` are lower bounds while `ended` is
    False. `looks` counts outside looks, `unknown_looks` those that told nothing."""

    service: str
    count: int
    total_s: float
    longest_s: float
    resolution_s: float | None
    ended: bool
    causes: tuple[str, ...]
    spans: tuple[Outage, ...]
    looks: int
    unknown_looks: int


@dataclass(frozen=True, slots=True)
class ByteCount:
    """One count of the same download. `who` counted it; `missing` names the steps for
    which this count was not taken."""

    key: str
    name: str
    amount: int | None
    who: str
    provenance: Provenance = Provenance.MEASURED
    missing: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two counts that ought to agree, over the steps that have both. `share` is the
    difference over `right`; `agrees` is None when nothing could be compared."""

    name: str
    left: int | None
    right: int | None
    difference: int | None
    share: float | None
    limit: float
    agrees: bool | None
    assumption: str


@dataclass(frozen=True, slots=True)
class DownloadAccount:
    """The download, counted several ways and reconciled."""

    counts: tuple[ByteCount, ...]
    overheads: tuple[ByteCount, ...]
    comparisons: tuple[Comparison, ...]
    requests: int
    rate_limit_bits: int


@dataclass(frozen=True, slots=True)
class RebootPart:
    """One part of a reboot; `own_s` is the service manager's own figure for it."""

    key: str
    name: str
    seconds: float | None
    own_s: float | None = None


@dataclass(frozen=True, slots=True)
class RebootAccount:
    """One reboot. `sum_s` adds the parts (None when one is missing); `sums` says
    whether it meets `total_s` within a second; `own_agrees` whether console and
    service manager agree within a second, None where that cannot be told."""

    number: int
    parts: tuple[RebootPart, ...]
    sum_s: float | None
    total_s: float | None
    sums: bool | None
    own_agrees: bool | None
    to_ssh_s: float | None
    to_ready_s: float | None
    kernel_before: str
    kernel_after: str
    note: str
    main: bool


@dataclass(frozen=True, slots=True)
class PackageTime:
    """One package's own time: unpacking and configuring; `seconds` is their sum."""

    name: str
    kind: str
    old: str
    new: str
    unpack_s: float | None
    configure_s: float | None
    seconds: float


@dataclass(frozen=True, slots=True)
class PackageAccount:
    """Package counts, and the slowest with their share of all package time known."""

    upgraded: int
    installed: int
    removed: int
    kept_back: int
    slowest: tuple[PackageTime, ...]
    slowest_share: float | None
    removed_names: tuple[str, ...]
    kept_back_names: tuple[str, ...]


QUIET_CHANGES = ("same", "passes", "skipped", "passed before")  # nothing to do about these


@dataclass(frozen=True, slots=True)
class CheckPair:
    """One check before and after ("pass", "fail", "skipped" or "not run"). `change`
    is "broke", "fails", "still fails", "not run after", "mended", "passes" (no result
    before), "skipped" or "same"; of a check that is for the old release only, "failed
    before" or "passed before"."""

    name: str
    title: str
    severity: str
    before: str
    after: str
    change: str
    reason: str
    output: str
    advice: str
    cites: str


@dataclass(frozen=True, slots=True)
class DiskPeak:
    """The use of one file system. `every_s` is the usual distance of two samples."""

    target: str
    first_used: int
    peak_used: int
    peak_at_s: float
    last_used: int
    size: int
    every_s: float | None


@dataclass(frozen=True, slots=True)
class ForetoldLine:
    """One foretold thing. `result` is "met", "not met", or empty where nothing could be
    compared; `difference` explains the result."""

    told: Foretold
    result: str
    difference: str

    @property
    def expected(self) -> str:
        """How sure it was: "will" or "may"."""
        return "will" if self.told.sure else "may"


@dataclass(frozen=True, slots=True)
class ForetoldAccount:
    """All that was foretold and how it came: the sure ones first. `unforeseen` are
    questions that were met and not foretold. `compared` is False before a run or where
    it ended before anything was compared."""

    questions: tuple[ForetoldLine, ...]
    losses: tuple[ForetoldLine, ...]
    unforeseen: tuple[ForetellingCheck, ...]
    not_looked_at: tuple[NotLookedAt, ...]
    compared: bool

    def __bool__(self) -> bool:
        return bool(self.questions or self.losses or self.unforeseen or self.not_looked_at)


@dataclass(frozen=True, slots=True)
class SubjectLikeness:
    """One subject in which clone and production were compared. `share` is None where it
    was not; `rule` then says why. `differences` begin with those that may hide something."""

    subject: str
    rule: str
    alike: int
    total: int
    share: float | None
    explained: int
    unexplained: int
    differences: tuple[Difference, ...]


@dataclass(frozen=True, slots=True)
class LikenessAccount:
    """How like production the clone was. `score` (0..1) follows from `subjects` by
    `rule`; None when no subject could be compared. `compared` counts subjects."""

    score: float | None
    rule: str
    compared: int
    subjects: tuple[SubjectLikeness, ...]


@dataclass(frozen=True, slots=True)
class Transcript:
    """The end of what the operator would have seen. `path` is where all of it lies, beside
    the report; `lines` are its last ones, `cut` whether there are more before them."""

    path: str
    lines: tuple[str, ...]
    cut: bool = False


@dataclass(frozen=True, slots=True)
class Outlook:
    """What is said beyond the run's own record; each may be missing, and then the report
    says so. `findings` None means that nobody looked for any; `overlooked` are (known change,
    why it was not looked at)."""

    forecast: Forecast | None = None
    plan: WindowPlan | None = None
    findings: tuple[Finding, ...] | None = None
    overlooked: tuple[tuple[str, str], ...] = ()
    decision: Decision | None = None
    parts: tuple[StepParts, ...] = ()
    production_speeds: tuple[SpeedReading, ...] = ()
    clone_speeds: tuple[SpeedReading, ...] = ()
    transcript: Transcript | None = None


@dataclass(frozen=True, slots=True)
class FoundLine:
    """One finding as it is drawn. `name` and `settled` are empty where nobody said; `severity`
    and `witness` are the words of `Severity` and `Witness`."""

    name: str
    severity: str
    title: str
    subject: str
    evidence: tuple[str, ...]
    advice: str
    source: str
    witness: str
    settled: str


@dataclass(frozen=True, slots=True)
class Report:
    """All that is said of a run. `record` is the run with every text made harmless."""

    record: RunRecord
    verdict: Verdict
    summary: tuple[Figure, ...]
    stages: tuple[StageTime, ...]
    steps: tuple[StepLine, ...]
    slowest_steps: tuple[StepLine, ...]
    contention: tuple[Contention, ...]
    outages: tuple[ServiceOutage, ...]
    download: DownloadAccount | None
    reboots: tuple[RebootAccount, ...]
    packages: PackageAccount
    prompts: tuple[PromptMet, ...]
    foretold: ForetoldAccount
    checks: tuple[CheckPair, ...]
    disk: tuple[DiskPeak, ...]
    findings: tuple[Seen, ...]
    runs_compared: int
    runs_left_out: int
    objections: tuple[str, ...]
    estimate_objections: tuple[str, ...]
    cautions: tuple[str, ...]
    likeness: LikenessAccount | None = None
    outlook: Outlook = field(default_factory=Outlook)
    found: tuple[FoundLine, ...] = ()
