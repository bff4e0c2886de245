"""Findings: what to know or do before the night, and the decision they lead to."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

# How `Finding.settled` begins where no step of the procedure does it, but a person.
BY_HAND = "by hand: "


class Severity(Enum):
    """What a finding can do, worst first."""

    STOPS_BOOT = "stops boot"
    LOSES_ACCESS = "loses access"
    SERVICE_DOWN = "service down"
    DATA_AT_RISK = "data at risk"
    COSMETIC = "cosmetic"


class Witness(Enum):
    """What a finding rests on."""

    SURVEY = "survey"
    REHEARSAL = "rehearsal"
    BOTH = "survey and rehearsal"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing to know or do. `name` is the known change's, or that of the rule that found
    it; the same name and `subject` are the same finding. `evidence` are lines of this very
    host; `settled` says what in the procedure takes care of it, "" when nothing does."""

    name: str
    severity: Severity
    title: str
    subject: str
    evidence: tuple[str, ...]
    advice: str
    source: str
    witness: Witness
    settled: str = ""


@dataclass(frozen=True, slots=True)
class Cared:
    """A finding that a person takes care of by hand, or an open question that a person has
    answered: which, what is done or was found, and by whom. An empty `subject` means every
    subject of that name."""

    name: str
    does: str
    by: str
    subject: str = ""


class Ruling(Enum):
    """The advice to whoever signs."""

    GO = "go"
    CONDITIONS = "go with conditions"
    NO_GO = "no-go"


@dataclass(frozen=True, slots=True)
class Decision:
    """The ruling, the `rule` that decided it in words, the `reasons` for it, and the
    `conditions` to be met before the night (both in words)."""

    ruling: Ruling
    rule: str
    reasons: tuple[str, ...] = ()
    conditions: tuple[str, ...] = ()
