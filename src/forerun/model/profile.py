"""A profile: the procedure for one upgrade path, its answers and its checks.

Durations are seconds. `cites` names the published source of a rule, or says that it
is common practice.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from forerun.model.finding import Cared

PROFILE_SCHEMA = "forerun.profile/1"
SITE_SCHEMA = "forerun.site/1"
PROCEDURE_SCHEMA = "forerun.procedure/1"


class Stage(Enum):
    """The four stages of a procedure, in their order."""

    PREPARE = "prepare"
    WINDOW = "window"
    CONFIRM = "confirm"
    TIDY = "tidy"


class Action(Enum):
    """What a step does.

    COMMANDS runs the step's script on the clone; REBOOT restarts the clone and times
    it; CHECKS runs the readiness checks; KEEP_CONFIGURATION takes a configuration
    backup off the clone and verifies it; QUIESCE and RESUME stop and start the
    services that must rest; SWITCH_SOURCES points the archive sources at the new
    release; SIMULATE asks the package manager for its plan.
    """

    COMMANDS = "commands"
    REBOOT = "reboot"
    CHECKS = "checks"
    KEEP_CONFIGURATION = "keep-configuration"
    QUIESCE = "quiesce"
    RESUME = "resume"
    SWITCH_SOURCES = "switch-sources"
    SIMULATE = "simulate"


# What can be let happen on a clone in a step (`stages/faults.py` says how).
FAULT_NAMES = (
    "session-lost",
    "session-lost-asking",
    "power-cut-unpack",
    "power-cut-configure",
    "power-cut-kernel",
    "archive-gone",
    "archive-slow",
    "archive-altered",
    "signing-key-missing",
    "signing-key-expired",
    "root-full",
    "boot-full",
    "memory-short",
    "script-fails",
    "script-hangs",
    "clock-wrong",
    "no-restart",
)


class UnknownPrompt(Enum):
    """What to do at a prompt that no rule declares."""

    DEFAULT = "default"
    STOP = "stop"
    ASK = "ask"


class OnFailure(Enum):
    """What a failed step means for the run."""

    STOP = "stop"
    GO_ON = "go-on"


@dataclass(frozen=True, slots=True)
class PromptRule:
    """A declared prompt: `asks` is a regular expression searched in the text on the
    terminal since the last answer; `answer` is typed, followed by Enter unless
    `raw`; `most` caps how often one step may meet this rule with the same text."""

    name: str
    asks: str
    answer: str
    why: str
    most: int = 20
    dialect: str = ""
    cites: str = ""
    raw: bool = False


@dataclass(frozen=True, slots=True)
class Check:
    """A machine check on the clone. It passes when the script's exit code is one of
    `exits` and, where given, `shows` is found in (or `shows_not` is absent from) its
    output. Exit code 77 means skipped; the output's first line is the reason.
    `severity` is "must" or "note": a failed note never stops a run."""

    name: str
    title: str
    script: str
    exits: tuple[int, ...] = (0,)
    shows: str = ""
    shows_not: str = ""
    before: bool = True
    after: bool = True
    severity: str = "must"
    time_allowed_s: float = 120.0
    advice: str = ""
    cites: str = ""


@dataclass(frozen=True, slots=True)
class Recovery:
    """What mends a clone after a fault, before the step it struck is run again. `mends`
    names the faults it is for."""

    name: str
    title: str
    mends: tuple[str, ...]
    script: str
    time_allowed_s: float
    why: str = ""
    cites: str = ""


@dataclass(frozen=True, slots=True)
class ServiceProbe:
    """A service watched from outside the clone once a second.

    `speaks` is "banner" (the server speaks first; `expect` is what it must start
    with), "http" (GET `path`; `expect` is found in the body, status below 400) or
    "tcp" (the connection stays open). `slow_after_s` is the limit past which an
    answer counts as down. `tolerable_s` is the owner's tolerable outage, 0 = not set.
    """

    name: str
    port: int
    speaks: str
    expect: str = ""
    path: str = "/"
    slow_after_s: float = 5.0
    tolerable_s: float = 0.0
    units: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the procedure."""

    name: str
    title: str
    stage: Stage
    action: Action
    time_allowed_s: float
    script: str = ""
    exits: tuple[int, ...] = (0,)
    on_failure: OnFailure = OnFailure.STOP
    downloads: bool = False
    changes_packages: bool = False
    point_of_no_return: bool = False
    hold_point: bool = False
    back_out: str = ""
    expected: str = ""
    checks: str = ""
    cites: str = ""


@dataclass(frozen=True, slots=True)
class ReleaseMark:
    """A release as a profile names it."""

    family: str
    version: str
    codename: str


@dataclass(frozen=True, slots=True)
class SourcePlan:
    """How archive sources are switched: suites renamed, keyring used and its key
    fingerprints (hexadecimal, no blanks), one of which must be in the keyring."""

    suites: tuple[tuple[str, str], ...]
    keyring: str
    fingerprints: tuple[str, ...]
    cites: str = ""


@dataclass(frozen=True, slots=True)
class Profile:
    """One upgrade path, ready to be walked. `digest` is SHA-256 of the file."""

    name: str
    title: str
    origin: ReleaseMark
    target: ReleaseMark
    steps: tuple[Step, ...]
    prompts: tuple[PromptRule, ...]
    checks: tuple[Check, ...]
    sources: SourcePlan
    unknown_prompt: UnknownPrompt
    quiet_s: float
    environment: tuple[tuple[str, str], ...]
    rest_units: tuple[str, ...]
    digest: str
    path: str
    recoveries: tuple[Recovery, ...] = ()


@dataclass(frozen=True, slots=True)
class SampleContent:
    """Made-up files for a clone's data folder, never production's: how many, and
    (bytes, share) of their sizes; shares are relative to their sum."""

    folder: str
    files: int
    sizes: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class Contact:
    """Whom to call: the role in the change, who has it, and how to reach them. Empty where
    the site file does not say."""

    role: str
    name: str = ""
    reach: str = ""


@dataclass(frozen=True, slots=True)
class Site:
    """What belongs to one server rather than to the upgrade path: the services to
    watch, its own functional checks and prompt answers, its window, what its data
    folders hold on a clone, whom to call, which findings a person
    takes care of by hand."""

    name: str = ""
    services: tuple[ServiceProbe, ...] = ()
    checks: tuple[Check, ...] = ()
    prompts: tuple[PromptRule, ...] = ()
    rest_units: tuple[str, ...] = ()
    window_s: float = 0.0
    digest: str = ""
    sample_content: tuple[SampleContent, ...] = ()
    by_hand: tuple[Cared, ...] = ()
    contacts: tuple[Contact, ...] = ()


@dataclass(frozen=True, slots=True)
class Procedure:
    """What a run was made from, kept with it: its runbook can be drawn again when the files
    have changed since."""

    profile: Profile
    site: Site
    schema: str = PROCEDURE_SCHEMA
