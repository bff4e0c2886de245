"""The shapes of a known-changes file and their turn into records.

A test is a mapping with one key, the kind of its question; which of them may stand under
`survey` and which under `rehearsal` is a rule of `profile_known`.
"""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal, cast

from pydantic import BeforeValidator, Field, WithJsonSchema

from forerun.model import known_change as known
from forerun.model.finding import Severity
from forerun.profile_mistakes import show
from forerun.profile_shapes import Shape
from forerun.profile_values import AbsolutePath, Count, Flag, Line, Name, Pattern, Size, Text

_VERSION = re.compile(r"(\d+:)?\d[0-9A-Za-z.+~-]*")


def _need_version(value: object) -> str:
    """Debian Policy 5.6.12."""
    text = value.strip() if isinstance(value, str) else ""
    if not _VERSION.fullmatch(text):
        raise ValueError(f"{show(value)!r} is not a version, such as 1:9.2p1-2+deb12u7")
    return text


Version = Annotated[
    str,
    BeforeValidator(_need_version),
    WithJsonSchema({"type": ["string", "number"], "pattern": f"^{_VERSION.pattern}$"}),
]
_NONE: Any = Field(default=None)  # a key that is not written asks nothing


class AskShape(Shape):
    """One question: its keys are those of the record `asks`."""

    def record(self, asks: type[Any]) -> known.Test:
        """The frozen record."""
        given = {key: getattr(self, key) for key in self.model_fields_set}
        values = {k: tuple(v) if isinstance(v, list) else v for k, v in given.items()}
        return cast(known.Test, asks(**values))


class PackageShape(AskShape):
    """An installed package."""

    name: Line
    below: Version = ""
    at_least: Version = ""
    version_like: Pattern = ""
    origin_like: Pattern = ""
    depends_like: Pattern = ""
    state_like: Pattern = ""
    held: Flag = _NONE
    offered: Flag = _NONE
    outdated: Flag = _NONE


class UnitShape(AskShape):
    """A unit's state."""

    name: Line
    state: Literal["active", "failed", "enabled", "masked"]


class FileShape(AskShape):
    """A file of the copy, or a line of it."""

    paths: list[AbsolutePath] = Field(min_length=1)
    line_like: Pattern = ""
    edited: Flag = False
    comments: Flag = False


class LinkShape(AskShape):
    """A symbolic link."""

    path: AbsolutePath
    to_like: Pattern


class SettingShape(AskShape):
    """A kernel setting that is written down."""

    name: Line
    value_like: Pattern = ""


class MountShape(AskShape):
    """A file system."""

    target: AbsolutePath
    source_like: Pattern = ""
    fstype_like: Pattern = ""
    listed: Flag = _NONE
    smaller_than: Size = 0
    free_below: Size = 0


class MachineShape(AskShape):
    """The machine."""

    boot: Literal["bios", "uefi"] = _NONE
    architecture_like: Pattern = ""
    command_line_like: Pattern = ""
    memory_below: Size = 0


class InterfaceShape(AskShape):
    """A network interface."""

    named_by: Literal["onboard", "slot", "path", "mac"] = _NONE
    driver_like: Pattern = ""
    used_in: list[AbsolutePath] = Field(default=[])


class SourceShape(AskShape):
    """An archive source."""

    suite_like: Pattern = ""
    uri_like: Pattern = ""
    component_like: Pattern = ""
    doubled: Flag = _NONE
    signed: Flag = _NONE


class KeyFileShape(AskShape):
    """A file of archive keys."""

    path_like: Pattern


class PinShape(AskShape):
    """A pin."""

    what_like: Pattern


class DiversionShape(AskShape):
    """A diverted path."""

    path_like: Pattern
    local: Flag = True


class LoaderShape(AskShape):
    """The boot loader's devices."""

    package: Line
    recorded: Literal["none", "gone", "single"]


class BlockShape(AskShape):
    """Block devices."""

    kind_like: Pattern = ""
    fstype_like: Pattern = ""
    partition_type: Line = ""
    at_least: Count = 1


class ModuleShape(AskShape):
    """A module built on the server."""

    name: Line


class UnseenShape(AskShape):
    """What cannot be seen."""

    why: Line


class CheckShape(AskShape):
    """How a check ended."""

    name: Line
    ended: Literal["broke", "failed"]
    says_like: Pattern = ""


class KeptShape(AskShape):
    """A file left beside the one in use."""

    path: AbsolutePath


class WentShape(AskShape):
    """What became of a package."""

    name: Line
    kind: Literal["removed", "upgraded", "installed", "kept-back"]
    old_like: Pattern = ""
    new_like: Pattern = ""


class TextShape(AskShape):
    """A line the rehearsal saw."""

    line_like: Pattern
    place: Literal["steps", "prompts", "checks", "journal"] = _NONE


class NamedShape(AskShape):
    """Something by its name."""

    name: Line


SURVEY_KINDS: dict[str, type[Any]] = {
    "package": known.PackageIs,
    "unit": known.UnitIs,
    "file": known.FileHas,
    "link": known.LinkLeads,
    "setting": known.SettingIs,
    "mount": known.MountIs,
    "machine": known.MachineIs,
    "interface": known.InterfaceIs,
    "source": known.SourceIs,
    "key-file": known.KeyFileIs,
    "pin": known.PinIs,
    "diversion": known.DiversionIs,
    "boot-loader": known.LoaderIs,
    "block": known.BlockIs,
    "module": known.ModuleIs,
    "unseen": known.Unseen,
}
RUN_KINDS: dict[str, type[Any]] = {
    "check": known.CheckEnded,
    "kept-file": known.FileKept,
    "package-went": known.PackageWent,
    "text": known.TextSeen,
    "unit-lost": known.UnitLost,
    "interface-lost": known.InterfaceLost,
    "setting-changed": known.SettingChanged,
}
JOINING = ("all-of", "any-of", "not")


class TestShape(Shape):
    """One test: exactly one of these keys."""

    __test__ = False  # not one of pytest's

    all_of: list[TestShape] = Field(default=[], min_length=1)
    any_of: list[TestShape] = Field(default=[], min_length=1)
    not_: TestShape = _NONE
    package: PackageShape = _NONE
    unit: UnitShape = _NONE
    file: FileShape = _NONE
    link: LinkShape = _NONE
    setting: SettingShape = _NONE
    mount: MountShape = _NONE
    machine: MachineShape = _NONE
    interface: InterfaceShape = _NONE
    source: SourceShape = _NONE
    key_file: KeyFileShape = _NONE
    pin: PinShape = _NONE
    diversion: DiversionShape = _NONE
    boot_loader: LoaderShape = _NONE
    block: BlockShape = _NONE
    module: ModuleShape = _NONE
    unseen: UnseenShape = _NONE
    check: CheckShape = _NONE
    kept_file: KeptShape = _NONE
    package_went: WentShape = _NONE
    text: TextShape = _NONE
    unit_lost: NamedShape = _NONE
    interface_lost: NamedShape = _NONE
    setting_changed: NamedShape = _NONE

    def record(self) -> known.Test:
        """The frozen record; the rules have seen to it that there is one key."""
        if self.all_of:
            return known.AllOf(tuple(test.record() for test in self.all_of))
        if self.any_of:
            return known.AnyOf(tuple(test.record() for test in self.any_of))
        if self.not_ is not None:
            return known.Not(self.not_.record())
        (field,) = self.model_fields_set
        asks = {**SURVEY_KINDS, **RUN_KINDS}[field.replace("_", "-")]
        question: AskShape = getattr(self, field)
        return question.record(asks)


class ChangeShape(Shape):
    """One known change."""

    change: Name
    title: Line
    about: Line
    severity: Severity
    changes: Text
    advice: Text
    source: Line
    survey: TestShape = _NONE
    rehearsal: TestShape = _NONE
    settled_by: Name = ""

    def record(self) -> known.KnownChange:
        """The frozen record."""
        return known.KnownChange(
            name=self.change,
            about=self.about,
            title=self.title,
            severity=self.severity,
            changes=" ".join(self.changes.split()),
            advice=" ".join(self.advice.split()),
            source=self.source,
            survey=self.survey.record() if self.survey else None,
            rehearsal=self.rehearsal.record() if self.rehearsal else None,
            settled_by=self.settled_by,
        )


class KnownChangesShape(Shape):
    """A whole file of known changes."""

    schema_: Literal["forerun.known-changes/1"] = Field(alias="schema")
    profile: Name
    renamed_units: dict[Line, Line] = Field(default={})
    changes: list[ChangeShape] = Field(min_length=1)

    def record(self, *, digest: str, path: str) -> known.KnownChanges:
        """The frozen record; `digest` is SHA-256 of the file."""
        return known.KnownChanges(
            profile=self.profile,
            changes=tuple(change.record() for change in self.changes),
            renamed_units=tuple(self.renamed_units.items()),
            digest=digest,
            path=path,
        )
