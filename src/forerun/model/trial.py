"""What was tried beside the procedure: kept moments, ways back, faults. Seconds and bytes."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class HoldKept:
    """A moment of the clone that was kept before a step: how long the clone stood still for
    it, and what it took on the lab host's disk."""

    step: str
    at_s: float
    took_s: float
    memory_bytes: int
    disk_bytes: int


@dataclass(frozen=True, slots=True)
class BackOutTried:
    """A way back that was rehearsed after the procedure. `parts` are its seconds by name
    and add up to `wall_s`. `checks` of those from before ran again; `alike` ended as they
    did then; `differences` names what is not as it was. `why` says what kept it from being
    carried through; "" when it was."""

    way: str
    title: str
    from_step: str
    wall_s: float
    parts: tuple[tuple[str, float], ...] = ()
    checks: int = 0
    alike: int = 0
    differences: tuple[str, ...] = ()
    why: str = ""


@dataclass(frozen=True, slots=True)
class FaultTried:
    """A fault that was let happen on the clone in one step, and what became of it.

    `moment` is when it struck, "" when it never did; `seen` are lines an operator would
    have seen. `boots` and `reachable` are "yes", "no" or "not tried": whether the clone
    started and answered after its power was cut and given back, before anything was mended.
    `recovery` names what was tried then; `recovered` whether the step ended well after it.
    Seconds: `recovery_s` from the first mending to the step's good end, `wall_s` in all."""

    fault: str
    title: str
    step: str
    moment: str
    end: str
    seen: tuple[str, ...]
    boots: str
    reachable: str
    silent: tuple[str, ...]
    recovery: str
    recovered: bool
    recovery_s: float
    wall_s: float
    rule: str
    why: str = ""
