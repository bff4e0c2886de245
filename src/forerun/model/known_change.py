"""What a release is known to change, each with its test against one server's facts.

A test is data: one question about the survey, its sanitised copy or a run's record, or
questions joined by `AllOf`, `AnyOf`, `Not`. Names and paths are globs (`*` also stands for
slashes); `..._like` are regular expressions, searched. A field left at its default asks
nothing. Sizes in bytes.
"""

from __future__ import annotations

from dataclasses import dataclass

from forerun.model.finding import Finding, Severity

KNOWN_CHANGES_SCHEMA = "forerun.known-changes/1"


@dataclass(frozen=True, slots=True)
class AllOf:
    """Every one holds."""

    tests: tuple[Test, ...]


@dataclass(frozen=True, slots=True)
class AnyOf:
    """At least one holds."""

    tests: tuple[Test, ...]


@dataclass(frozen=True, slots=True)
class Not:
    """It does not hold."""

    test: Test


@dataclass(frozen=True, slots=True)
class Unseen:
    """What no survey can see: the answer is always "not known", for this reason."""

    why: str


@dataclass(frozen=True, slots=True)
class PackageIs:
    """An installed package. `state` as in `Package`; `offered` is False where no archive has
    it in any version, `outdated` True where one has a newer version of the same release;
    `depends_like` is searched in each of its dependencies."""

    name: str
    below: str = ""
    at_least: str = ""
    version_like: str = ""
    origin_like: str = ""
    depends_like: str = ""
    state_like: str = ""
    held: bool | None = None
    offered: bool | None = None
    outdated: bool | None = None


@dataclass(frozen=True, slots=True)
class UnitIs:
    """A unit; `state` is what it is: "active", "failed", "enabled", "masked"."""

    name: str
    state: str


@dataclass(frozen=True, slots=True)
class FileHas:
    """A file of the sanitised copy: it exists, or one of its lines matches `line_like`.
    Comments (a line that begins with # or ;) do not count unless `comments`; with `edited`
    only files that are not as they were shipped."""

    paths: tuple[str, ...]
    line_like: str = ""
    edited: bool = False
    comments: bool = False


@dataclass(frozen=True, slots=True)
class LinkLeads:
    """A symbolic link of the copy, and where it leads."""

    path: str
    to_like: str


@dataclass(frozen=True, slots=True)
class SettingIs:
    """A kernel setting in a file of sysctl.d(5)."""

    name: str
    value_like: str = ""


@dataclass(frozen=True, slots=True)
class MountIs:
    """A mounted or listed file system; `listed` says whether fstab(5) has it; the sizes are
    asked of mounted ones only."""

    target: str
    source_like: str = ""
    fstype_like: str = ""
    listed: bool | None = None
    smaller_than: int = 0
    free_below: int = 0


@dataclass(frozen=True, slots=True)
class MachineIs:
    """The machine: how it boots ("bios", "uefi"), its architecture, its memory, the
    kernel's command line."""

    boot: str = ""
    architecture_like: str = ""
    command_line_like: str = ""
    memory_below: int = 0


@dataclass(frozen=True, slots=True)
class InterfaceIs:
    """A network interface of hardware. `named_by` is what gave it its name: "onboard",
    "slot", "path", "mac"; `used_in` are files one of whose lines must name it."""

    named_by: str = ""
    driver_like: str = ""
    used_in: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class SourceIs:
    """An archive that is switched on. `doubled`: another entry names it too; `signed`:
    whether it names its keyring."""

    suite_like: str = ""
    uri_like: str = ""
    component_like: str = ""
    doubled: bool | None = None
    signed: bool | None = None


@dataclass(frozen=True, slots=True)
class KeyFileIs:
    """A file the package manager takes keys from."""

    path_like: str


@dataclass(frozen=True, slots=True)
class PinIs:
    """A record of apt_preferences(5)."""

    what_like: str


@dataclass(frozen=True, slots=True)
class DiversionIs:
    """A diverted path; `local` ones were made by a person."""

    path_like: str
    local: bool = True


@dataclass(frozen=True, slots=True)
class LoaderIs:
    """The boot loader's recorded devices: "none" is recorded, one is "gone", or there is a
    "single" one."""

    package: str
    recorded: str


@dataclass(frozen=True, slots=True)
class BlockIs:
    """Block devices, at least so many of them."""

    kind_like: str = ""
    fstype_like: str = ""
    partition_type: str = ""
    at_least: int = 1


@dataclass(frozen=True, slots=True)
class ModuleIs:
    """A kernel module that is built on the server."""

    name: str


@dataclass(frozen=True, slots=True)
class CheckEnded:
    """A check of the rehearsal: it "broke" (passed before, fails after), or "failed" at
    either moment; `says_like` is searched in its output."""

    name: str
    ended: str
    says_like: str = ""


@dataclass(frozen=True, slots=True)
class FileKept:
    """A file the upgrade left beside the one in use."""

    path: str


@dataclass(frozen=True, slots=True)
class PackageWent:
    """A package's way through the upgrade: "removed", "upgraded", "installed",
    "kept-back"."""

    name: str
    kind: str
    old_like: str = ""
    new_like: str = ""


@dataclass(frozen=True, slots=True)
class TextSeen:
    """A line of the rehearsal: of its "steps", "prompts", "checks" or the "journal" after
    the upgrade; of any where `place` is ""."""

    line_like: str
    place: str = ""


@dataclass(frozen=True, slots=True)
class UnitLost:
    """A unit that ran before the upgrade and did not afterwards."""

    name: str


@dataclass(frozen=True, slots=True)
class InterfaceLost:
    """An interface whose name was gone afterwards."""

    name: str


@dataclass(frozen=True, slots=True)
class SettingChanged:
    """A kernel setting with another value afterwards."""

    name: str


SurveyTest = (
    Unseen | PackageIs | UnitIs | FileHas | LinkLeads | SettingIs | MountIs | MachineIs
    | InterfaceIs | SourceIs | KeyFileIs | PinIs | DiversionIs | LoaderIs | BlockIs | ModuleIs
)  # fmt: skip
RunTest = CheckEnded | FileKept | PackageWent | TextSeen | UnitLost | InterfaceLost | SettingChanged
Test = AllOf | AnyOf | Not | SurveyTest | RunTest


@dataclass(frozen=True, slots=True)
class KnownChange:
    """One change of a release: its test against a survey and, where a rehearsal shows it,
    against a run. `about` is the finding's subject; `settled_by` names the procedure's step
    that takes care of it; `source` the published text."""

    name: str
    about: str
    title: str
    severity: Severity
    changes: str
    advice: str
    source: str
    survey: Test | None = None
    rehearsal: Test | None = None
    settled_by: str = ""


@dataclass(frozen=True, slots=True)
class KnownChanges:
    """What one release changes. `renamed_units` are (old name, its name afterwards), globs.
    `digest` is SHA-256 of the file."""

    profile: str
    changes: tuple[KnownChange, ...]
    renamed_units: tuple[tuple[str, str], ...] = ()
    digest: str = ""
    path: str = ""


@dataclass(frozen=True, slots=True)
class NotKnown:
    """A known change of which forerun cannot say whether it concerns the server, and why.
    `answered` is what a person found out, "" while nobody has looked."""

    name: str
    severity: Severity
    title: str
    why: tuple[str, ...]
    advice: str = ""
    answered: str = ""


@dataclass(frozen=True, slots=True)
class FindingSet:
    """All that was found of one server, the gravest first, and what is not known."""

    findings: tuple[Finding, ...] = ()
    not_known: tuple[NotKnown, ...] = ()
