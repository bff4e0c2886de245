"""`forerun template`: build, list, verify, remove, import."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Annotated

import typer
from tabulate import tabulate

from forerun.cli_common import (
    DEFAULT_URI,
    ArchiveOption,
    UriOption,
    find_recipe_sources,
    open_here,
    open_to_make,
    parse_size,
    say,
)
from forerun.errors import TemplateDamaged, UsageError
from forerun.model.blueprint import TemplateRecipe
from forerun.pipeline_bench import make_template, open_gateway
from forerun.progress import open_terminal
from forerun.stages.template import (
    find_template,
    remove_template,
    verify_template,
)
from forerun.stages.template_import import import_template

app = typer.Typer(no_args_is_help=True, add_completion=False)

BOOT_MODES = ("bios", "uefi")
BootOption = Annotated[str, typer.Option("--boot", help="bios | uefi")]


def _check_boot(boot: str) -> None:
    if boot not in BOOT_MODES:
        raise UsageError("There is no such boot mode.", found=boot, wanted=", ".join(BOOT_MODES))


@app.command()
def build(
    release: Annotated[str, typer.Argument(help="codename of the release")] = "bookworm",
    boot: BootOption = "bios",
    size: Annotated[str, typer.Option(help="virtual disk size")] = "10GiB",
    archive: ArchiveOption = None,
    connect: UriOption = DEFAULT_URI,
) -> None:
    """Build a plain template of a Debian release, or show the one there is."""
    _check_boot(boot)
    recipe = TemplateRecipe(
        "debian",
        release,
        "amd64",
        boot,
        parse_size(size),
        find_recipe_sources(archive, release),
    )
    bench = open_to_make(connect)
    sink = open_terminal(sys.stderr, dict(os.environ))
    try:
        with open_gateway(bench, recipe, index_age_s=3600) as gateway:
            info = make_template(recipe, gateway, bench, sink)
    finally:
        sink.close()
    say(f"template: {info.id}")


@app.command(name="list")
def list_all(connect: UriOption = DEFAULT_URI) -> None:
    """List the templates."""
    rows = [
        (t.id, t.title, t.boot_mode, f"{t.disk_bytes / 1e6:.0f} MB", len(t.packages), t.built_at)
        for t in open_here(connect).store.find_templates()
    ]
    headers = ("template", "what", "boot", "on disk", "packages", "built")
    say(tabulate(rows, headers=headers) if rows else "no templates yet")


@app.command()
def verify(
    template: Annotated[str, typer.Argument(help="template id; all when left out")] = "",
    connect: UriOption = DEFAULT_URI,
) -> None:
    """Compare templates with their recorded digests."""
    bench = open_here(connect)
    found = bench.store.find_templates()
    chosen = (find_template(bench.store, template),) if template else found
    damaged: list[TemplateDamaged] = []
    for info in chosen:
        try:
            verify_template(bench.store, info, bench.disks)
            say(f"good     {info.id}  {info.title}")
        except TemplateDamaged as problem:
            say(f"damaged  {info.id}  {info.title}")
            damaged.append(problem)
    if damaged:
        raise damaged[0]


@app.command()
def remove(
    template: Annotated[str, typer.Argument(help="template id")], connect: UriOption = DEFAULT_URI
) -> None:
    """Remove a template that no clone leans on."""
    store = open_here(connect).store
    info = find_template(store, template)
    remove_template(store, info)
    say(f"removed {info.id}")


@app.command(name="import")
def import_disk(
    disk: Annotated[Path, typer.Argument(help="a qcow2 file with cloud-init inside")],
    release: Annotated[str, typer.Option(help="codename of the release in it")] = "bookworm",
    boot: BootOption = "bios",
    connect: UriOption = DEFAULT_URI,
) -> None:
    """Take over an existing disk image as a template."""
    _check_boot(boot)
    bench = open_to_make(connect)
    info = import_template(
        disk, bench.store, bench.disks, bench.clock, codename=release, boot_mode=boot
    )
    say(f"template: {info.id}")
