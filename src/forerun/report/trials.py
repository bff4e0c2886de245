"""What was tried beside the procedure: hold points, faults and ways back."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from forerun.model.observation import RunRecord
from forerun.model.trial import BackOutTried, FaultTried
from forerun.report.figures import count_of, say_bytes, say_seconds
from forerun.report.markdown import escape, table

NOT_TRIED_BACK_OUT = (
    "No way back was rehearsed (rehearse with --back-out). Until one was, nobody knows that it "
    "leads back, nor how long it takes."
)
NOT_TRIED_FAULTS = "No fault was tried (rehearse with --fault; the command faults lists them)."
BACK_OUT_CAVEAT = (
    "The times are those of the lab host's disks and of this clone. On production a snapshot's "
    "return and a restore take the time of its own storage and data; data written since is lost."
)


def say_state(one: BackOutTried) -> str:
    """How a way back ended: whether all was as before."""
    if one.why:
        return f"did not lead back: {one.why}"
    if one.alike == one.checks and not one.differences:
        return f"all as before: {count_of(one.checks, 'check')}, packages, files below /etc"
    return (
        f"{one.alike} of {count_of(one.checks, 'check')} as before, "
        f"{count_of(len(one.differences), 'difference')}"
    )


def say_parts(one: BackOutTried) -> str:
    """The parts of its time, in their order."""
    return ", ".join(f"{name} {say_seconds(seconds)}" for name, seconds in one.parts)


def say_way_back(one: BackOutTried) -> str:
    """A way back in one line."""
    return f"{one.title}: {say_seconds(one.wall_s)}; {say_state(one)}"


def say_outcome(fault: FaultTried) -> str:
    """What became of a fault: recovered and how long it took, or why not."""
    if fault.recovered:
        return f"recovered in {say_seconds(fault.recovery_s)}"
    return fault.why or "not recovered"


def say_start(fault: FaultTried) -> str:
    """Whether the clone would have started and been reachable before anything was mended."""
    if fault.boots == "not tried":
        return "not tried"
    text = f"starts: {fault.boots}, reachable: {fault.reachable}"
    return f"{text}, silent: {', '.join(fault.silent)}" if fault.silent else text


def say_fault(fault: FaultTried) -> str:
    """A fault in one line."""
    return f"{fault.fault} in {fault.step}: {say_outcome(fault)} ({say_start(fault)})"


def write_trials(record: RunRecord) -> Iterator[str]:
    """The Markdown of ways back, faults and hold points."""
    yield "## Back-out"
    yield ""
    if not record.back_outs:
        yield NOT_TRIED_BACK_OUT
    for one in record.back_outs:
        yield f"- **{escape(one.title)}**, from before step {escape(one.from_step)}: " + escape(
            f"{say_seconds(one.wall_s)} ({say_parts(one)}); {say_state(one)}"
        )
        yield from (f"  - {escape(text)}" for text in one.differences)
    if record.back_outs:
        yield ""
        yield BACK_OUT_CAVEAT
    yield ""
    yield "## Faults tried"
    yield ""
    if not record.faults:
        yield NOT_TRIED_FAULTS
    else:
        yield from table(
            ("Fault", "In", "Struck", "Step", "Then", "Recovery", "Became", "Took in all"),
            (
                (
                    f.title,
                    f.step,
                    f.moment,
                    f.end,
                    say_start(f),
                    f.recovery,
                    say_outcome(f),
                    say_seconds(f.wall_s),
                )
                for f in record.faults
            ),
        )
        for fault in record.faults:
            yield ""
            yield f"{escape(fault.title)} in {escape(fault.step)}. Rule: {escape(fault.rule)}"
            yield ""
            yield from (f"- {escape(line)}" for line in fault.seen)
    if record.holds:
        yield ""
        yield "Hold points:"
        yield ""
        yield from table(
            ("Before step", "Clone stood still", "Memory", "Disks"),
            (
                (h.step, say_seconds(h.took_s), say_bytes(h.memory_bytes), say_bytes(h.disk_bytes))
                for h in record.holds
            ),
        )


def build_trials(record: RunRecord) -> dict[str, Any]:
    """Hold points, faults and ways back as plain data."""
    return {
        "holds": [
            {
                "step": h.step,
                "at_seconds": h.at_s,
                "took_seconds": h.took_s,
                "memory_bytes": h.memory_bytes,
                "disk_bytes": h.disk_bytes,
            }
            for h in record.holds
        ],
        "faults": [
            {
                "fault": f.fault,
                "title": f.title,
                "step": f.step,
                "moment": f.moment,
                "end": f.end,
                "seen": list(f.seen),
                "boots": f.boots,
                "reachable": f.reachable,
                "silent": list(f.silent),
                "recovery": f.recovery,
                "recovered": f.recovered,
                "recovery_seconds": f.recovery_s,
                "wall_seconds": f.wall_s,
                "rule": f.rule,
                "why": f.why,
            }
            for f in record.faults
        ],
        "back_out": [
            {
                "way": b.way,
                "title": b.title,
                "from_step": b.from_step,
                "wall_seconds": b.wall_s,
                "parts": [{"name": name, "seconds": seconds} for name, seconds in b.parts],
                "checks": b.checks,
                "alike": b.alike,
                "differences": list(b.differences),
                "why": b.why,
            }
            for b in record.back_outs
        ],
    }
