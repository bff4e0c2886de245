"""The shapes of the YAML files, as pydantic models, and their turn into records.

Keys are those of `model/profile.py` with hyphens; single values have their parsers in
`profile_values`.
"""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from forerun.model.finding import Cared
from forerun.model.profile import (
    Action,
    Check,
    Contact,
    OnFailure,
    Profile,
    PromptRule,
    Recovery,
    ReleaseMark,
    SampleContent,
    ServiceProbe,
    Site,
    SourcePlan,
    Stage,
    Step,
    UnknownPrompt,
)
from forerun.profile_values import (
    AbsolutePath,
    Count,
    Duration,
    EnvironmentName,
    ExitCode,
    FileCount,
    Fingerprint,
    Flag,
    Line,
    Name,
    Pattern,
    Port,
    Script,
    Size,
    SomeTime,
    Text,
    UnitName,
    WebPath,
)


def _hyphened(name: str) -> str:
    return name.rstrip("_").replace("_", "-")


class Shape(BaseModel):
    """A mapping that knows all of its keys."""

    model_config = ConfigDict(extra="forbid", frozen=True, alias_generator=_hyphened)


class MarkShape(Shape):
    """A release as the profile names it."""

    family: Name
    version: Line
    codename: Name

    def record(self) -> ReleaseMark:
        """The frozen record."""
        return ReleaseMark(self.family, self.version, self.codename)


class SourcesShape(Shape):
    """How the archive sources are switched."""

    suites: dict[Line, Line] = Field(min_length=1)
    keyring: AbsolutePath
    fingerprints: list[Fingerprint] = Field(min_length=1)
    cites: Line = ""

    def record(self) -> SourcePlan:
        """The frozen record."""
        return SourcePlan(
            suites=tuple(self.suites.items()),
            keyring=self.keyring,
            fingerprints=tuple(self.fingerprints),
            cites=self.cites,
        )


class TerminalShape(Shape):
    """How the clone's terminal is set up and watched."""

    unknown_prompt: UnknownPrompt = UnknownPrompt.STOP
    quiet: SomeTime = 4.0
    environment: dict[EnvironmentName, Text] = {}


class StepShape(Shape):
    """One step; its stage is the list it stands in."""

    step: Name
    title: Line
    action: Action = Action.COMMANDS
    script: Script = ""
    exits: list[ExitCode] = Field(default=[0], min_length=1)
    time_allowed: SomeTime
    on_failure: OnFailure = OnFailure.STOP
    downloads: Flag = False
    changes_packages: Flag = False
    point_of_no_return: Flag = False
    hold_point: Flag = False
    back_out: Text = ""
    expected: Text = ""
    checks: Literal["", "before", "after"] = ""
    cites: Line = ""

    def record(self, stage: Stage) -> Step:
        """The frozen record."""
        return Step(
            name=self.step,
            title=self.title,
            stage=stage,
            action=self.action,
            time_allowed_s=self.time_allowed,
            script=self.script,
            exits=tuple(self.exits),
            on_failure=self.on_failure,
            downloads=self.downloads,
            changes_packages=self.changes_packages,
            point_of_no_return=self.point_of_no_return,
            hold_point=self.hold_point,
            back_out=self.back_out.strip(),
            expected=self.expected.strip(),
            checks=self.checks,
            cites=self.cites,
        )


class StagesShape(Shape):
    """The procedure, stage by stage."""

    prepare: list[StepShape] = []
    window: list[StepShape] = Field(min_length=1)
    confirm: list[StepShape] = []
    tidy: list[StepShape] = []

    def records(self) -> tuple[Step, ...]:
        """All steps in their order."""
        lists = {
            Stage.PREPARE: self.prepare,
            Stage.WINDOW: self.window,
            Stage.CONFIRM: self.confirm,
            Stage.TIDY: self.tidy,
        }
        return tuple(step.record(stage) for stage in Stage for step in lists[stage])


class CheckShape(Shape):
    """One machine check."""

    check: Name
    title: Line
    script: Script
    exits: list[ExitCode] = Field(default=[0], min_length=1)
    shows: Text = ""
    shows_not: Text = ""
    before: Flag = True
    after: Flag = True
    severity: Literal["must", "note"] = "must"
    time_allowed: SomeTime = 120.0
    advice: Text = ""
    cites: Line = ""

    def record(self) -> Check:
        """The frozen record."""
        return Check(
            name=self.check,
            title=self.title,
            script=self.script,
            exits=tuple(self.exits),
            shows=self.shows,
            shows_not=self.shows_not,
            before=self.before,
            after=self.after,
            severity=self.severity,
            time_allowed_s=self.time_allowed,
            advice=self.advice.strip(),
            cites=self.cites,
        )


class PromptShape(Shape):
    """One declared question with its answer; `answer: ""` is a bare Enter."""

    prompt: Name
    asks: Pattern
    answer: Text
    why: Line
    most: Count = 20
    dialect: Text = ""
    cites: Line = ""
    raw: Flag = False

    def record(self) -> PromptRule:
        """The frozen record."""
        return PromptRule(
            name=self.prompt,
            asks=self.asks,
            answer=self.answer,
            why=self.why,
            most=self.most,
            dialect=self.dialect,
            cites=self.cites,
            raw=self.raw,
        )


class RecoveryShape(Shape):
    """What mends a clone after a fault."""

    recovery: Name
    title: Line
    mends: list[Name] = Field(min_length=1)
    script: Script
    time_allowed: SomeTime
    why: Line = ""
    cites: Line = ""

    def record(self) -> Recovery:
        """The frozen record."""
        return Recovery(
            name=self.recovery,
            title=self.title,
            mends=tuple(self.mends),
            script=self.script,
            time_allowed_s=self.time_allowed,
            why=self.why,
            cites=self.cites,
        )


class ServiceShape(Shape):
    """A service to watch from outside."""

    service: Name
    port: Port
    speaks: Literal["banner", "http", "tcp"]
    expect: Text = ""
    path: WebPath = "/"
    slow_after: SomeTime = 5.0
    tolerable: Duration = 0.0
    units: list[UnitName] = []

    def record(self) -> ServiceProbe:
        """The frozen record."""
        return ServiceProbe(
            name=self.service,
            port=self.port,
            speaks=self.speaks,
            expect=self.expect,
            path=self.path,
            slow_after_s=self.slow_after,
            tolerable_s=self.tolerable,
            units=tuple(self.units),
        )


class ProfileShape(Shape):
    """A whole profile file."""

    schema_: Literal["forerun.profile/1"] = Field(alias="schema")
    name: Name
    title: Line
    origin: MarkShape
    target: MarkShape
    sources: SourcesShape
    terminal: TerminalShape = TerminalShape()
    rest_units: list[UnitName] = []
    stages: StagesShape
    checks: list[CheckShape] = []
    prompts: list[PromptShape] = []
    recoveries: list[RecoveryShape] = []

    def record(self, *, digest: str, path: str) -> Profile:
        """The frozen record; `digest` is SHA-256 of the file."""
        return Profile(
            name=self.name,
            title=self.title,
            origin=self.origin.record(),
            target=self.target.record(),
            steps=self.stages.records(),
            prompts=tuple(prompt.record() for prompt in self.prompts),
            checks=tuple(check.record() for check in self.checks),
            sources=self.sources.record(),
            unknown_prompt=self.terminal.unknown_prompt,
            quiet_s=self.terminal.quiet,
            environment=tuple(self.terminal.environment.items()),
            rest_units=tuple(self.rest_units),
            digest=digest,
            path=path,
            recoveries=tuple(recovery.record() for recovery in self.recoveries),
        )


class SizeShape(Shape):
    """A size of made-up files, and how often it occurs beside the others."""

    bytes: Size
    share: Count = 1


class SampleShape(Shape):
    """Made-up files for one data folder of the clone."""

    folder: AbsolutePath
    files: FileCount
    sizes: list[SizeShape] = Field(min_length=1)

    def record(self) -> SampleContent:
        """The frozen record."""
        return SampleContent(
            self.folder, self.files, tuple((size.bytes, size.share) for size in self.sizes)
        )


class ByHandShape(Shape):
    """A finding that a person takes care of."""

    finding: Name
    subject: Line = ""
    does: Line
    by: Line

    def record(self) -> Cared:
        """The frozen record."""
        return Cared(self.finding, self.does, self.by, self.subject)


class ContactShape(Shape):
    """Whom to call on the night."""

    role: Line
    name: Line = ""
    reach: Line = ""

    def record(self) -> Contact:
        """The frozen record."""
        return Contact(self.role, self.name, self.reach)


class SiteShape(Shape):
    """A whole site file."""

    schema_: Literal["forerun.site/1"] = Field(alias="schema")
    name: Name = ""
    services: list[ServiceShape] = []
    checks: list[CheckShape] = []
    prompts: list[PromptShape] = []
    rest_units: list[UnitName] = []
    window: SomeTime = 0.0
    sample_content: list[SampleShape] = []
    by_hand: list[ByHandShape] = []
    contacts: list[ContactShape] = []

    def record(self, *, digest: str) -> Site:
        """The frozen record; `digest` is SHA-256 of the file."""
        return Site(
            name=self.name,
            services=tuple(service.record() for service in self.services),
            checks=tuple(check.record() for check in self.checks),
            prompts=tuple(prompt.record() for prompt in self.prompts),
            rest_units=tuple(self.rest_units),
            window_s=self.window,
            digest=digest,
            sample_content=tuple(sample.record() for sample in self.sample_content),
            by_hand=tuple(one.record() for one in self.by_hand),
            contacts=tuple(contact.record() for contact in self.contacts),
        )
