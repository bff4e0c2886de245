"""The ports, wired for one lab host, and what several commands do with them."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from forerun.errors import ArchiveUnreachable, HypervisorFailed
from forerun.events import PhaseFinished, PhaseStarted, Sink
from forerun.model.blueprint import Blueprint, TemplateInfo, TemplateRecipe
from forerun.model.profile import Profile
from forerun.ports.clock import Clock, SystemClock
from forerun.ports.command import Command, LocalCommand
from forerun.ports.disks import Disks
from forerun.ports.gateway import ArchiveGateway
from forerun.ports.gateway_client import ask_gateway
from forerun.ports.hypervisor import Hypervisor, LibvirtHypervisor
from forerun.ports.labhost import LabHost
from forerun.ports.store import Store
from forerun.ports.strays import name_caller
from forerun.stages.design import list_recipe_archives
from forerun.stages.lab import Accelerator, prove_accelerator
from forerun.stages.sweep import Swept, needs_hypervisor, sweep
from forerun.stages.template import (
    Workshop,
    build_template,
)


@dataclass(frozen=True, slots=True)
class Bench:
    """The ports, wired for this lab host."""

    store: Store
    command: Command
    disks: Disks
    lab: LabHost
    clock: Clock
    uri: str

    def open_hypervisor(self) -> LibvirtHypervisor:
        """libvirt at the chosen URI; the caller closes it."""
        return LibvirtHypervisor(self.uri)


def open_bench(state: Path, uri: str) -> Bench:
    """The real ports on that state folder."""
    store = Store(state)
    command = LocalCommand(lambda: name_caller(store.mark))
    return Bench(store, command, Disks(command), LabHost(), SystemClock(), uri)


def clear_leftovers(bench: Bench) -> Swept:
    """Remove what a killed forerun left, before anything new is made. What a later command
    can go on from stays; without libvirt, so does what needs it. Raises RecordDamaged."""
    hypervisor: LibvirtHypervisor | None = None
    if needs_hypervisor(bench.store):
        with contextlib.suppress(HypervisorFailed):  # the command itself says so if it needs it
            hypervisor = bench.open_hypervisor()
    try:
        return sweep(bench.store, hypervisor, bench.command, thorough=False)
    except HypervisorFailed:
        return sweep(bench.store, None, bench.command, thorough=False)
    finally:
        if hypervisor is not None:
            hypervisor.close()


class Phase:
    """Emits the start and the end of a phase and keeps how long it took."""

    def __init__(
        self, sink: Sink, clock: Clock, name: str, detail: str = "", *, origin_s: float
    ) -> None:
        self._origin = origin_s
        self._sink = sink
        self._clock = clock
        self._name = name
        self._detail = detail
        self.took_s = 0.0

    def __enter__(self) -> Phase:
        self._began = self._clock.monotonic()
        self._sink.emit(PhaseStarted(self._began - self._origin, self._name, self._detail))
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        now = self._clock.monotonic()
        self.took_s = round(now - self._began, 2)
        if kind is None:
            self._sink.emit(
                PhaseFinished(now - self._origin, self._name, self.took_s, self._detail)
            )


def find_accelerator(bench: Bench, hypervisor: Hypervisor) -> Accelerator:
    """What clones run on here; proved once for each boot of the lab host."""
    return prove_accelerator(bench.store, hypervisor, bench.lab, bench.clock)


def make_template(
    recipe: TemplateRecipe,
    gateway: ArchiveGateway,
    bench: Bench,
    sink: Sink,
    *,
    origin_s: float | None = None,
) -> TemplateInfo:
    """The template of a recipe, built through the gateway when there is none yet."""
    hypervisor = bench.open_hypervisor()
    try:
        accelerator = find_accelerator(bench, hypervisor)
        shop = Workshop(
            bench.store,
            bench.command,
            bench.disks,
            hypervisor,
            bench.clock,
            sink,
            accelerator.name,
            gateway.port,
            bench.clock.monotonic() if origin_s is None else origin_s,
        )
        return build_template(recipe, shop)
    finally:
        hypervisor.close()


def check_archives(blueprint: Blueprint, profile: Profile, gateway: ArchiveGateway) -> None:
    """ArchiveUnreachable before anything is built, when the old or the new release
    cannot be had; asked through the gateway, so that what is cached costs nothing."""
    renamed = dict(profile.sources.suites)
    for source in blueprint.recipe.sources:
        for suite in (source.suite, renamed.get(source.suite, source.suite)):
            url = f"{source.uri}/dists/{suite}/InRelease"
            status, why = ask_gateway(gateway.port, url, timeout_s=90)
            if status != 200:
                faults = gateway.faults()
                raise ArchiveUnreachable(
                    "A package archive does not give its release file.",
                    where=url,
                    wanted="200",
                    found=f"{status or 'no answer'} {why or (faults[-1] if faults else '')}",
                    hint="Check the lab host's own way out, and the survey's archive sources.",
                )


@contextmanager
def open_gateway(
    bench: Bench, recipe: TemplateRecipe, *, index_age_s: float
) -> Iterator[ArchiveGateway]:
    """A gateway for building one recipe's template, with just its archives."""
    gateway = ArchiveGateway(
        bench.store.archive, list_recipe_archives(recipe), index_age_s=index_age_s
    )
    with gateway:
        yield gateway
