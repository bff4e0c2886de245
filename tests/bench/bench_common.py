"""What both benchmarks set up: a state folder, a plain template, one clone."""

from __future__ import annotations

import statistics
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

from forerun.cli_common import find_recipe_sources
from forerun.events import Discard
from forerun.model.blueprint import Blueprint, TemplateInfo, TemplateRecipe
from forerun.pipeline_bench import Bench, find_accelerator, make_template, open_bench, open_gateway
from forerun.ports.gateway import ArchiveGateway
from forerun.ports.store import make_id
from forerun.stages.build import Yard
from forerun.stages.design import ACCESS_PORT, list_recipe_archives
from forerun.stages.template_scripts import EMULATED_WORDS

STATE = Path("/var/tmp/forerun-bench")
MIB = 1024 * 1024


@dataclass(frozen=True)
class Ground:
    """Everything a benchmark needs."""

    bench: Bench
    template: TemplateInfo
    recipe: TemplateRecipe
    yard: Yard
    gateway: ArchiveGateway


@contextmanager
def open_ground() -> Iterator[Ground]:
    """A plain Debian 12 template and a gateway to its archives."""
    bench = open_bench(STATE, "qemu:///system")
    sources = find_recipe_sources(None, "bookworm")
    with ExitStack() as stack:
        hypervisor = bench.open_hypervisor()
        stack.callback(hypervisor.close)
        accelerator = find_accelerator(bench, hypervisor)
        recipe = TemplateRecipe(
            "debian", "bookworm", "amd64", "bios", 10 * 1024 * MIB, sources,
            kernel_words="" if accelerator.name == "kvm" else EMULATED_WORDS,
        )  # fmt: skip
        with open_gateway(bench, recipe, index_age_s=7 * 86400) as builder:
            template = make_template(recipe, builder, bench, Discard())
        gateway = stack.enter_context(
            ArchiveGateway(bench.store.archive, list_recipe_archives(recipe), index_age_s=7 * 86400)
        )
        yard = Yard(
            bench.store,
            bench.disks,
            hypervisor,
            bench.lab,
            bench.clock,
            Discard(),
            accelerator.name,
            gateway.port,
        )
        yield Ground(bench, template, recipe, yard, gateway)


def make_blueprint(ground: Ground) -> Blueprint:
    """A clone of nothing in particular: 2 processors, 1 GiB."""
    return Blueprint(
        run_id=make_id("bench", ground.bench.clock.now()),
        survey_id="",
        hostname="bench",
        recipe=ground.recipe,
        cpus=2,
        memory_bytes=1024 * MIB,
        stand_ins=(),
        guest_ports=((ACCESS_PORT, "forerun's own access"),),
        allowed=(),
        copy_paths=(),
        held_back_paths=(),
        enable_units=(),
        gaps=(),
    )


def empty_tar() -> bytes:
    """A tar archive with no members (two zero blocks)."""
    return bytes(10240)


def say_pairs(title: str, first: str, second: str, pairs: Sequence[tuple[float, float]]) -> None:
    """A table of paired seconds with the ratio's median and range."""
    print(f"\n{title} (n = {len(pairs)} pairs)")
    print(f"  {first:>24}  {second:>24}  ratio")
    for one, other in pairs:
        print(f"  {one:>22.2f} s  {other:>22.2f} s  {one / other:.3f}")
    ratios = [one / other for one, other in pairs]
    print(f"  median ratio {statistics.median(ratios):.3f}, {min(ratios):.3f} to {max(ratios):.3f}")
