"""`forerun profile`: check a file, print the schema for editors."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from forerun.cli_common import say
from forerun.profiles import (
    find_profile,
    lint_profile,
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
) -> None:
    """Say everything that is wrong with a file, or what it holds."""
    if site:
        own = load_site(Path(file))
        say(f"good: {len(own.services)} services, {len(own.checks)} checks")
        return
    profile = load_profile(find_profile(file))
    for warning in lint_profile(profile):
        say(f"caution: {warning}")
    say(
        f"good: {profile.title}: {len(profile.steps)} steps, {len(profile.checks)} checks, "
        f"{len(profile.prompts)} prompts"
    )


@app.command()
def schema(site: Annotated[bool, typer.Option(help="of site files")] = False) -> None:
    """Print the JSON Schema, for editors."""
    say(json.dumps(site_schema() if site else profile_schema(), indent=2))
