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
class PlannedStep:
    """What the package manager would do with one package. `name` is as it writes it, with
    `:ARCHITECTURE` for a foreign one; `action` is "install", "upgrade", "downgrade",
    "reinstall" or "remove"; `old` or `new` is empty for an install or a removal.
    `architecture` is empty for a removal of the native one."""

    name: str
    architecture: str
    action: str
    old: str = ""
    new: str = ""


@dataclass(frozen=True, slots=True)
class PlannedPackage:
    """A package file that an upgrade would fetch. `digest` is "SHA256:HEX" as the
    archive's index has it; `version` is with its epoch; `replaces` are the names in its
    Replaces field where they are known."""

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


@dataclass(frozen=True, slots=True)
class UpgradePlan:
    """The package manager's plan for the target release, from one state of packages.

    `installs` and `removes` are the whole upgrade, `kept` the packages it keeps back;
    `first_part` is the upgrade that brings no new package and removes none. `manager`
    is the version of the package manager that planned. `problems` are its own warnings
    and errors (an index without its key among them). A plan that could not be made is
    empty and says why in `reason`.
    """

    installs: tuple[PlannedStep, ...] = ()
    removes: tuple[PlannedStep, ...] = ()
    kept: tuple[str, ...] = ()
    first_part: tuple[PlannedStep, ...] = ()
    uris: tuple[PlannedPackage, ...] = ()
    manager: str = ""
    problems: tuple[str, ...] = ()
    reason: str = ""

    @property
    def download_bytes(self) -> int:
        """The sum of the files' sizes."""
        return sum(package.size_bytes for package in self.uris)

    @property
    def steps(self) -> tuple[PlannedStep, ...]:
        """Every step of the whole upgrade."""
        return self.installs + self.removes
