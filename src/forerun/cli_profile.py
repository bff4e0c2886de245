"""`forerun profile`: check a file, print the schema for editors."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from forerun.cli_common import say
from forerun.profiles import (
    KNOWN_CHANGES_FILE,
    PROFILE_FILE,
    find_known_changes,
    find_profile,
    known_changes_schema,
    lint_profile,
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
) -> None:
    """Say everything that is wrong with a file, or what it holds."""
    if site:
        own = load_site(Path(file))
        say(f"good: {len(own.services)} services, {len(own.checks)} checks")
        return
    if known_changes or Path(file).name == KNOWN_CHANGES_FILE:
        own_profile = Path(file).parent / PROFILE_FILE
        beside = load_profile(own_profile) if own_profile.is_file() else None
        changes = load_known_changes(Path(file), beside).changes
        seen = sum(change.survey is not None for change in changes)
        say(f"good: {len(changes)} known changes, {seen} of them seen in a survey")
        return
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
) -> None:
    """Print the JSON Schema, for editors."""
    made = site_schema() if site else profile_schema()
    say(json.dumps(known_changes_schema() if known_changes else made, indent=2))
