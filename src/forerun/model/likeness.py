"""How like production a clone was, and which questions were foretold: records of a run."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Difference:
    """One thing that is not alike. `hides` says what may go unseen because of it, or,
    with `explained`, why it hides nothing."""

    name: str
    production: str
    clone: str
    hides: str = ""
    explained: bool = False


@dataclass(frozen=True, slots=True)
class Agreement:
    """One subject compared: `alike` of `total` things agree. `rule` says what counts as
    alike; a subject that could not be compared has a total of 0 and says why in `rule`."""

    subject: str
    alike: int
    total: int
    rule: str
    differences: tuple[Difference, ...] = ()


@dataclass(frozen=True, slots=True)
class Foretold:
    """A question, or a loss without a question, that the survey alone foretells.

    `kind` is "conffile", "ucf", "debconf" (questions) or "moved", "obsolete",
    "versioned" (edits that are lost without a question); `subject` is the path or the
    question's name; `why` is the rule with its evidence; `sure` is False where the new
    package's own script decides.
    """

    kind: str
    subject: str
    package: str
    why: str
    sure: bool = True


@dataclass(frozen=True, slots=True)
class ForetellingCheck:
    """One foretold question against what was met: `result` is "met", "not met" or
    "not foretold"; `why` explains a difference where a rule can."""

    kind: str
    subject: str
    package: str
    result: str
    why: str = ""


@dataclass(frozen=True, slots=True)
class PlannedPackage:
    """One package that the upgrade will unpack, as the package manager's own plan has it.

    `url` is where the archive offers it, `digest` its SHA-256 in hexadecimal (from the
    signed index), `replaces` the names in its Replaces field where they are known.
    """

    name: str
    architecture: str
    version: str
    url: str
    digest: str
    size_bytes: int
    replaces: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class NotLookedAt:
    """A package of the plan whose content was not read before the rehearsal, and why: of
    its questions nothing was foretold."""

    package: str
    why: str
