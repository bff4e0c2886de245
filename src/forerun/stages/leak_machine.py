"""The leak scan of a clone: its seed image and its disks, as the machine itself sees them.

The system disk leans on a template. What stands in the template came from package
archives and from the survey's record, which was scanned when it was stored: an original
that is found there is a word that everybody has. So only the clone's own part is searched,
and what is found in it counts unless the template has it, too.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from forerun.ports.command import Command
from forerun.ports.raw_disk import list_chain, map_image, read_extents
from forerun.stages.leakscan import Hit, LeakScanner


def scan_machine(
    scanner: LeakScanner, command: Command, *, system: Path, others: Sequence[Path]
) -> tuple[Hit, ...]:
    """Hits on a clone: `system` is its qcow2 system disk, `others` are raw images (data
    disks, the seed). The machine may run; let it flush its disks first. Raises what
    `map_image` raises."""
    hits = [hit for path in others for hit in _scan_image(scanner, command, path, "raw")]
    extents = map_image(command, system, "qcow2")
    own = list(scanner.scan_stream(str(system), read_extents(extents, depth=0)))
    if own:
        common = _find_common(scanner, command, system)
        hits += [hit for hit in own if hit.number not in common]
    return tuple(hits)


def _scan_image(
    scanner: LeakScanner, command: Command, path: Path, image_format: str
) -> Iterator[Hit]:
    yield from scanner.scan_stream(str(path), read_extents(map_image(command, path, image_format)))


def _find_common(scanner: LeakScanner, command: Command, system: Path) -> frozenset[int]:
    """What the template has, read from its own file: where the clone wrote beside a word of
    the template's, the whole cluster with that word is the clone's own now."""
    return frozenset(
        hit.number
        for path in list_chain(command, system, "qcow2")[1:]
        for hit in _scan_image(scanner, command, path, "qcow2")
    )
