"""Where the time went: stages, steps, spread over comparable runs, lab contention."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from forerun.model.observation import RunRecord, StepEnd, StepRecord
from forerun.model.speed import LabLoad
from forerun.report.figures import known, say_share
from forerun.report.sections import Contention, Spread, StageTime, StepLine

STAGES = ("prepare", "window", "confirm", "tidy")

# Above these a step's wall time is not the clone's alone. The tenth for stolen time
# and pressure is common practice for timing runs; waiting for disks is what a package
# manager does anyway, so that limit is wider.
BUSY_STEAL = 0.10
BUSY_PRESSURE = 0.10
BUSY_DISK_PRESSURE = 0.25


def find_comparable(record: RunRecord, earlier: Iterable[RunRecord]) -> tuple[RunRecord, ...]:
    """Earlier runs that may be set beside this one: same server, same profile content,
    same accelerator, same number of the clone's CPUs."""

    def circumstances(run: RunRecord) -> tuple[object, ...]:
        return (run.host, run.profile_digest, run.lab.accelerator, run.clone_cpus)

    return tuple(
        run
        for run in earlier
        if run.id != record.id and circumstances(run) == circumstances(record)
    )


def spread_of(
    record: RunRecord,
    comparable: Sequence[RunRecord],
    measure: Callable[[RunRecord], float | None],
) -> Spread | None:
    """Smallest and largest of one figure over this and the comparable runs that have
    it; None with fewer than two, or where this run has none."""
    own = measure(record)
    if own is None:
        return None
    return join_spread(own, [v for v in map(measure, comparable) if v is not None])


def join_spread(own: float, others: Sequence[float]) -> Spread | None:
    """Smallest and largest of this run's figure and the others'; None without others."""
    if not others:
        return None
    return Spread(min(own, *others), max(own, *others), 1 + len(others))


def find_ran(record: RunRecord) -> tuple[StepRecord, ...]:
    """The steps that ran, in order."""
    return tuple(step for step in record.steps if step.end is not StepEnd.SKIPPED)


def measure_stage(record: RunRecord, stage: str) -> float | None:
    """Seconds from the start of a stage's first step to the end of its last, pauses
    included; None where no step of it ran."""
    steps = [step for step in find_ran(record) if step.stage == stage]
    if not steps:
        return None
    return max(s.started_s + s.wall_s for s in steps) - min(s.started_s for s in steps)


def measure_window(record: RunRecord) -> float | None:
    """The length of the maintenance window as it was rehearsed, in seconds."""
    return measure_stage(record, "window")


def measure_procedure(record: RunRecord) -> float | None:
    """All steps together, without the pauses between them; None where none ran."""
    ran = find_ran(record)
    return sum(step.wall_s for step in ran) if ran else None


def measure_whole_window(record: RunRecord) -> float | None:
    """The window's length where the run completed: a window cut short is no
    measurement to set beside others."""
    return measure_window(record) if record.outcome.value == "completed" else None


def total_stages(record: RunRecord) -> tuple[StageTime, ...]:
    """Time by stage, in the procedure's order; stages without a step that ran are left
    out, stages with unknown names come last."""
    ran = find_ran(record)
    names = [*STAGES, *dict.fromkeys(step.stage for step in ran if step.stage not in STAGES)]
    totals = []
    for name in names:
        elapsed = measure_stage(record, name)
        if elapsed is not None:
            steps = [step for step in ran if step.stage == name]
            totals.append(StageTime(name, len(steps), sum(s.wall_s for s in steps), elapsed))
    return tuple(totals)


def list_steps(record: RunRecord, comparable: Sequence[RunRecord]) -> tuple[StepLine, ...]:
    """Every step in order, with its share of all step time and its spread."""
    whole = sum(step.wall_s for step in find_ran(record))
    lines = []
    for number, step in enumerate(record.steps, start=1):

        def done_in(run: RunRecord, name: str = step.name) -> float | None:
            for other in run.steps:
                if other.name == name and other.end is StepEnd.DONE:
                    return other.wall_s
            return None

        share = step.wall_s / whole if whole > 0 and step.end is not StepEnd.SKIPPED else 0.0
        lines.append(StepLine(number, step, share, spread_of(record, comparable, done_in)))
    return tuple(lines)


def pick_slowest(lines: Sequence[StepLine], most: int = 5) -> tuple[StepLine, ...]:
    """The steps that took longest, longest first."""
    ran = [line for line in lines if line.step.end is not StepEnd.SKIPPED]
    return tuple(sorted(ran, key=lambda line: -line.step.wall_s)[:most])


def judge_contention(record: RunRecord) -> tuple[Contention, ...]:
    """What the lab host did beside each step whose load was recorded."""
    return tuple(
        Contention(
            step=step.name,
            steal=known(step.load.steal),
            run_queue=known(step.load.run_queue),
            psi_cpu=known(step.load.psi_cpu),
            psi_io=known(step.load.psi_io),
            psi_memory=known(step.load.psi_memory),
            reasons=_find_busy(step.load, record.lab.cpus),
        )
        for step in record.steps
        if step.load is not None
    )


def _find_busy(load: LabLoad, cpus: int) -> tuple[str, ...]:
    limits = (
        ("CPU time stolen or busy elsewhere", load.steal, BUSY_STEAL),
        ("pressure on CPU", load.psi_cpu, BUSY_PRESSURE),
        ("pressure on memory", load.psi_memory, BUSY_PRESSURE),
        ("pressure on disks", load.psi_io, BUSY_DISK_PRESSURE),
    )
    reasons = [
        f"{name} {say_share(value)} (limit {say_share(limit)})"
        for name, value, limit in limits
        if value > limit
    ]
    if cpus and load.run_queue > cpus:
        reasons.append(f"run queue {load.run_queue:.1f} for {cpus} CPUs")
    return tuple(reasons)
