"""Profiles, site files and drill files: read, judged and matched.

A profile is the procedure for one upgrade path; a site file is what belongs to one
server; a drill file is a training session on a clone. All are YAML; every mistake is told
with file, line and the path to the key, all at once. Where they lie is in
`profile_folders`, the reader in `profile_yaml`, the shapes in `profile_shapes`, the rules
between parts in `profile_rules`, the wording of mistakes in `profile_mistakes`; drills and
known changes have shapes and rules of their own.
"""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from forerun.errors import InvalidFile, NotFound, ProfileMismatch
from forerun.model.drill import DrillFile
from forerun.model.known_change import KnownChanges
from forerun.model.profile import Action, Profile, PromptRule, ReleaseMark, Site, Stage, Step
from forerun.model.survey import Release
from forerun.profile_drill import find_drill_mistakes
from forerun.profile_drill_shapes import DrillShape
from forerun.profile_folders import (
    DRILLS_FOLDER,
    PROFILE_FILE,
    find_drill,
    find_profile,
    list_drills,
    shipped_folders,
)
from forerun.profile_known import find_known_mistakes
from forerun.profile_known_shapes import KnownChangesShape
from forerun.profile_mistakes import (
    Loc,
    Mistake,
    explain,
    name_mistakes,
    show,
)
from forerun.profile_rules import find_profile_mistakes, find_site_mistakes
from forerun.profile_shapes import ProfileShape, Shape, SiteShape
from forerun.profile_values import parse_duration
from forerun.profile_yaml import MAX_BYTES, Written, read_yaml

__all__ = [
    "DRILLS_FOLDER",
    "PROFILE_FILE",
    "drill_schema",
    "find_drill",
    "find_known_changes",
    "find_profile",
    "fit_profile",
    "known_changes_schema",
    "lint_profile",
    "list_drills",
    "load_drill",
    "load_known_changes",
    "load_profile",
    "load_site",
    "match_prompt",
    "parse_duration",
    "profile_schema",
    "shipped_folders",
    "site_schema",
]

KNOWN_CHANGES_FILE = "known-changes.yaml"
TAIL_LENGTH = 3000

_DRAFT = "https://json-schema.org/draft/2020-12/schema"
_S = TypeVar("_S", bound=Shape)


def load_profile(path: Path) -> Profile:
    """Read a profile file.

    Raises InvalidFile with every mistake, one a line (`file:line: path: what`), and
    NotFound where there is no such file.
    """
    content = _read_bytes(path)
    shape = _read_shape(path, content, ProfileShape, find_profile_mistakes)
    return shape.record(digest=hashlib.sha256(content).hexdigest(), path=str(path))


def load_site(path: Path) -> Site:
    """Read a site file; errors as for `load_profile`."""
    content = _read_bytes(path)
    shape = _read_shape(path, content, SiteShape, find_site_mistakes)
    return shape.record(digest=hashlib.sha256(content).hexdigest())


def load_known_changes(path: Path, profile: Profile | None = None) -> KnownChanges:
    """Read a file of known changes; errors as for `load_profile`. With the profile it
    belongs to, steps and checks that it names must be the profile's."""
    content = _read_bytes(path)
    find_mistakes = find_known_mistakes
    if profile is not None:
        find_mistakes = partial(
            find_known_mistakes,
            steps=[step.name for step in profile.steps],
            checks=[check.name for check in profile.checks],
        )
    shape = _read_shape(path, content, KnownChangesShape, find_mistakes)
    return shape.record(digest=hashlib.sha256(content).hexdigest(), path=str(path))


def find_known_changes(profile: Profile) -> KnownChanges:
    """The known changes that lie beside a profile; none where there is no such file."""
    path = Path(profile.path).parent / KNOWN_CHANGES_FILE
    if not profile.path or not path.is_file():
        return KnownChanges(profile.name, ())
    return load_known_changes(path, profile)


def load_drill(path: Path, profile: Profile | None = None) -> DrillFile:
    """Read a drill file; errors as for `load_profile`. With the profile it is played on,
    steps that it names must be the profile's."""
    content = _read_bytes(path)
    steps = None if profile is None else [step.name for step in profile.steps]
    find_mistakes = partial(find_drill_mistakes, steps=steps)
    shape = _read_shape(path, content, DrillShape, find_mistakes)
    return shape.record(digest=hashlib.sha256(content).hexdigest(), path=str(path))


def _read_bytes(path: Path) -> bytes:
    try:
        with open(path, "rb", opener=_open_at_once) as stream:
            return stream.read(MAX_BYTES + 1)
    except FileNotFoundError as problem:
        raise NotFound(
            "There is no such file.",
            where=str(path),
            wanted="a YAML file",
            hint="Check the path; profiles and drills are named or given by path, others by path.",
        ) from problem
    except OSError as problem:
        raise InvalidFile(
            "The file cannot be read.",
            where=str(path),
            wanted="a readable YAML file",
            found=problem.strerror or type(problem).__name__,
            hint="Check what the path is and who may read it.",
        ) from problem


def _open_at_once(name: str, flags: int) -> int:
    """A pipe that nobody writes to reads as empty, instead of waiting for a writer."""
    handle = os.open(name, flags | os.O_NONBLOCK)
    os.set_blocking(handle, True)
    return handle


_KINDS: dict[type[Shape], str] = {
    ProfileShape: "profile",
    SiteShape: "site file",
    KnownChangesShape: "known-changes file",
    DrillShape: "drill file",
}


def _read_shape(
    path: Path, content: bytes, shape: type[_S], find_mistakes: Callable[[Written], None]
) -> _S:
    written = read_yaml(content)
    kind = _KINDS[shape]
    hint = f"The keys of a {kind}, with their meaning, are in its JSON schema."
    if not isinstance(written.data, dict):
        if not written.mistakes:
            written.add((), f"a {kind} is a mapping of keys to values")
        raise name_mistakes(path, written.mistakes, hint=hint)
    if written.cut:
        # What stands below the break is not known, so nothing is missing there.
        raise name_mistakes(path, written.mistakes, hint=hint)
    find_mistakes(written)
    made: _S | None = None
    try:
        made = shape.model_validate(written.data)
    except ValidationError as problem:
        written.mistakes.extend(_shape_mistakes(written, problem, shape))
    if made is None or written.mistakes:
        raise name_mistakes(path, written.mistakes, hint=hint)
    return made


def _shape_mistakes(
    written: Written, problem: ValidationError, shape: type[Shape]
) -> list[Mistake]:
    mistakes = []
    for error in problem.errors(include_url=False):
        loc: Loc = tuple(part for part in error["loc"] if part != "[key]")
        if any(loc[: len(refused)] == refused for refused in written.refused):
            continue
        mistakes.append(Mistake(written.spot(loc), loc, explain(error, shape)))
    return mistakes


def profile_schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a profile file, for editors."""
    return _schema(ProfileShape, "A forerun profile")


def site_schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a site file, for editors."""
    return _schema(SiteShape, "A forerun site file")


def known_changes_schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a file of known changes, for editors."""
    return _schema(KnownChangesShape, "Known changes of a release, for forerun")


def drill_schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a drill file, for editors."""
    return _schema(DrillShape, "A drill, for forerun")


def _schema(shape: type[Shape], title: str) -> dict[str, Any]:
    return {"$schema": _DRAFT, **shape.model_json_schema(by_alias=True), "title": title}


def fit_profile(profile: Profile, release: Release) -> None:
    """Raise ProfileMismatch unless the profile starts at the surveyed release."""
    if _is_release(profile.origin, release):
        return
    hint = "Choose a profile that starts at the release the server runs."
    if _is_release(profile.target, release):
        hint = "The server already runs the release this profile leads to."
    raise ProfileMismatch(
        f"The profile {profile.name} is not for this server.",
        where=profile.path,
        wanted=_name_release(profile.origin),
        found=_name_release(ReleaseMark(release.family, release.version, release.codename)),
        hint=hint,
    )


def _is_release(mark: ReleaseMark, release: Release) -> bool:
    return (mark.family, mark.version, mark.codename) == (
        release.family,
        release.version,
        release.codename,
    )


def _name_release(mark: ReleaseMark) -> str:
    return f"{show(mark.family)} {show(mark.version)} ({show(mark.codename)})"


def match_prompt(rules: Sequence[PromptRule], text: str) -> PromptRule | None:
    """The rule whose question stands at the end of `text`, or None.

    `text` is what appeared on the terminal since the last answer, without escape
    sequences; only its last 3000 characters count. A match must reach into the last
    line that is not blank, so that a question which was answered further up is never
    answered again. Of several, the one that ends last wins, then the longest, then the
    first in `rules`. Call it with the site's rules first where they should win.
    """
    tail = _settle_lines(text[-TAIL_LENGTH:]).rstrip()
    last_line = tail.rfind("\n") + 1
    best: tuple[tuple[int, int], PromptRule] | None = None
    for rule in rules:
        rank = _last_match(rule, tail, last_line)
        if rank is not None and (best is None or rank > best[0]):
            best = (rank, rule)
    return best[1] if best else None


def _last_match(rule: PromptRule, tail: str, last_line: int) -> tuple[int, int] | None:
    rank: tuple[int, int] | None = None
    for found in re.finditer(rule.asks, tail, re.MULTILINE):
        if found.end() > last_line:
            rank = max(rank or (0, 0), (found.end(), found.end() - found.start()))
    return rank


def _settle_lines(text: str) -> str:
    """What a terminal shows of lines that were written over with carriage returns."""
    settled = []
    for line in text.split("\n"):
        parts = [part for part in line.split("\r") if part.strip()]
        settled.append(parts[-1] if parts else "")
    return "\n".join(settled)


def lint_profile(profile: Profile) -> tuple[str, ...]:
    """What a reviewer should ask about: weaknesses that are no mistakes, in the
    procedure's order."""
    warnings: list[str] = []
    for step in profile.steps:
        warnings += _lint_step(step)
    for check in profile.checks:
        if not check.advice:
            warnings.append(f"check {check.name}: no advice for the day it fails")
        if not check.cites:
            warnings.append(f"check {check.name}: cites no source")
    warnings += _lint_order(profile.steps)
    return tuple(warnings)


def _lint_step(step: Step) -> list[str]:
    warnings = []
    if step.stage is Stage.WINDOW and not step.back_out:
        warnings.append(f"step {step.name}: no back-out, and it lies in the window")
    if not step.expected:
        warnings.append(f"step {step.name}: says not what is expected")
    if not step.cites:
        warnings.append(f"step {step.name}: cites no source")
    return warnings


def _lint_order(steps: Sequence[Step]) -> list[str]:
    warnings = []
    places = {
        action: [n for n, step in enumerate(steps) if step.action is action] for action in Action
    }
    changing = [n for n, step in enumerate(steps) if step.changes_packages]
    mark = next((n for n, step in enumerate(steps) if step.point_of_no_return), len(steps))
    if not places[Action.REBOOT]:
        warnings.append("procedure: no reboot, so the new kernel never runs")
    if not places[Action.SWITCH_SOURCES]:
        warnings.append("procedure: no step switches the sources")
    for switched in places[Action.SWITCH_SOURCES]:
        early = [n for n in changing if switched < n < mark]
        warnings += [
            f"step {steps[n].name}: changes packages of the new release before the point of "
            "no return"
            for n in early
        ]
    if not any(kept < n for kept in places[Action.KEEP_CONFIGURATION] for n in changing):
        warnings.append("procedure: the configuration is not kept before packages change")
    if places[Action.QUIESCE] and not places[Action.RESUME]:
        warnings.append("procedure: units are stopped to rest and never started again")
    moments = {step.checks for step in steps if step.action is Action.CHECKS}
    warnings += [
        f"procedure: no step runs the checks of the moment `{moment}`"
        for moment in ("before", "after")
        if moment not in moments
    ]
    return warnings
