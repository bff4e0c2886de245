"""A clone that goes on running while the process that drives it changes."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from pathlib import Path

from forerun.model.blueprint import PortMap
from forerun.ports.guest import SshGuest
from forerun.stages.build import Clone, Yard, check_alive, make_dial
from forerun.stages.seed import GATEWAY_PORT, Keys


@dataclass(frozen=True, slots=True)
class CloneFacts:
    """All that is needed to drive a running clone again: as `Clone`, without its link."""

    name: str
    run_id: str
    folder: Path
    console: Path
    ports: tuple[PortMap, ...]
    keys: Keys
    mac: str
    answered_s: float
    xml: str
    disks: tuple[Path, ...]


def note_clone(clone: Clone) -> CloneFacts:
    """What a later process needs of that clone. It holds the key to it."""
    return CloneFacts(
        clone.name,
        clone.run_id,
        clone.folder,
        clone.console,
        clone.ports,
        clone.keys,
        clone.mac,
        clone.answered_s,
        clone.xml,
        clone.disks,
    )


def adopt_clone(facts: CloneFacts, yard: Yard, *, patience_s: float) -> Clone:
    """The clone that those facts are of, not yet connected. Each question to it waits for
    `patience_s` seconds at most once its link is lost."""
    guest = SshGuest(
        make_dial(facts.ports, facts.keys, yard.connect),
        gateway_port=yard.gateway_port,
        guest_gateway_port=GATEWAY_PORT,
        patience_s=patience_s,
        clock=yard.clock,
        alive=partial(check_alive, yard, facts.name),
    )
    return Clone(
        facts.name,
        facts.run_id,
        facts.folder,
        facts.console,
        facts.ports,
        guest,
        facts.keys,
        facts.mac,
        facts.answered_s,
        facts.xml,
        facts.disks,
        keep=True,
    )
