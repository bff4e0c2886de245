"""`forerun profile`: check a file, print the schema for editors."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from forerun.cli_common import say
from forerun.errors import UsageError
from forerun.profiles import (
    DRILLS_FOLDER,
    KNOWN_CHANGES_FILE,
    PROFILE_FILE,
    drill_schema,
    find_drill,
    find_known_changes,
    find_profile,
    known_changes_schema,
    lint_profile,
    load_drill,
    load_known_changes,
    load_profile,
    load_site,
    profile_schema,
    site_schema,
)

app = typer.Typer(no_args_is_help=True, add_completion=False)


@app.command()
def check(
    file: Annotated[str, typer.Argument(help="profile name or file")],
    site: Annotated[bool, typer.Option(help="it is a site file")] = False,
    known_changes: Annotated[bool, typer.Option(help="it is a file of known changes")] = False,
    drill: Annotated[bool, typer.Option(help="it is a drill file, or a drill's name")] = False,
    profile: Annotated[
        str, typer.Option(help="the profile that a drill is played on, for the steps it names")
    ] = "",
) -> None:
    """Say everything that is wrong with a file, or what it holds."""
    # Files that are recognised are so by where they lie; an option comes first.
    plain = not (site or known_changes or drill)
    if drill or (plain and Path(file).parent.name == DRILLS_FOLDER):
        _check_drill(file, profile)
    elif profile:
        raise UsageError(
            "Only a drill is held against a profile.",
            found=f"--profile {profile}",
            hint="Add --drill if the file is one.",
        )
    elif site:
        own = load_site(Path(file))
        say(f"good: {len(own.services)} services, {len(own.checks)} checks")
    elif known_changes or Path(file).name == KNOWN_CHANGES_FILE:
        _check_known_changes(file)
    else:
        _check_profile(file)


def _check_drill(file: str, profile: str) -> None:
    beside = load_profile(find_profile(profile)) if profile else None
    drill = load_drill(find_drill(file), beside)
    names_steps = drill.begins_before or any(inject.step for inject in drill.injects)
    if names_steps and beside is None:
        say("caution: the steps it names were held against no profile; name it with --profile")
    say(
        f"good: {drill.title}: {len(drill.objectives)} objectives, {len(drill.injects)} injects, "
        f"{drill.time_allowed_s / 60:g} min"
    )


def _check_known_changes(file: str) -> None:
    own_profile = Path(file).parent / PROFILE_FILE
    beside = load_profile(own_profile) if own_profile.is_file() else None
    changes = load_known_changes(Path(file), beside).changes
    seen = sum(change.survey is not None for change in changes)
    say(f"good: {len(changes)} known changes, {seen} of them seen in a survey")


def _check_profile(file: str) -> None:
    profile = load_profile(find_profile(file))
    for warning in lint_profile(profile):
        say(f"caution: {warning}")
    known = find_known_changes(profile)
    say(
        f"good: {profile.title}: {len(profile.steps)} steps, {len(profile.checks)} checks, "
        f"{len(profile.prompts)} prompts, {len(known.changes)} known changes"
    )


@app.command()
def schema(
    site: Annotated[bool, typer.Option(help="of site files")] = False,
    known_changes: Annotated[bool, typer.Option(help="of files of known changes")] = False,
    drill: Annotated[bool, typer.Option(help="of drill files")] = False,
) -> None:
    """Print the JSON Schema, for editors."""
    made = site_schema() if site else profile_schema()
    if known_changes:
        made = known_changes_schema()
    say(json.dumps(drill_schema() if drill else made, indent=2))
