"""A disk image as the machine sees it, read while that machine may be running.

The image is never opened for writing and no copy of it is made: `qemu-img map` says where
each extent lies, and the extents are read in the order of the machine's own addresses,
so that what crosses a cluster's border stays whole.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from forerun.errors import TemplateDamaged
from forerun.ports.command import Command

CHUNK = 1 << 20


@dataclass(frozen=True, slots=True)
class Extent:
    """`size` bytes at the machine's address `start` lie at `offset` of `file`; `depth` 0
    is the image itself, 1 the one it leans on, and so on. A hole has no offset (-1)."""

    start: int
    size: int
    offset: int
    file: str
    depth: int


def list_chain(command: Command, path: Path, image_format: str) -> tuple[Path, ...]:
    """The image, the one it leans on, and so on down to the one that leans on none."""
    argv = ["qemu-img", "info", "--backing-chain", *_read_beside(path, image_format)]
    done = command.run(argv, timeout_s=60)
    return tuple(Path(row["filename"]) for row in json.loads(done.stdout))


def _read_beside(path: Path, image_format: str) -> list[str]:
    return ["--force-share", "--output=json", "-f", image_format, str(path)]


def map_image(command: Command, path: Path, image_format: str) -> tuple[Extent, ...]:
    """The extents of an image, in the machine's order; qemu-img(1), `map`.

    `--force-share` reads beside a running machine: what that one has not written yet is
    not seen, so let it flush first. Raises CommandFailed, and TemplateDamaged where a
    part is compressed or encrypted and has no place in a file."""
    files = list_chain(command, path, image_format)
    done = command.run(["qemu-img", "map", *_read_beside(path, image_format)], timeout_s=300)
    extents: list[Extent] = []
    for row in json.loads(done.stdout):
        holds_data = bool(row["data"])
        if holds_data and "offset" not in row:
            raise TemplateDamaged(
                "A part of the disk image cannot be read as it lies in the file.",
                where=str(path),
                wanted="extents that are neither compressed nor encrypted",
                found=f"one of {row['length']} bytes at {row['start']}",
                hint="`qemu-img convert` the image that the template was imported from.",
            )
        offset = int(row["offset"]) if holds_data else -1
        extents.append(
            Extent(
                int(row["start"]),
                int(row["length"]),
                offset,
                str(files[int(row["depth"])]),
                int(row["depth"]),
            )
        )
    return tuple(extents)


def read_extents(extents: tuple[Extent, ...], *, depth: int | None = None) -> Iterator[bytes]:
    """The content of the extents, or of those of one depth, in chunks. A hole, or an
    extent that is left out, is one zero byte: what lies on both sides is not joined."""
    for extent in extents:
        if extent.offset < 0 or (depth is not None and extent.depth != depth):
            yield b"\0"
            continue
        with Path(extent.file).open("rb") as stream:
            stream.seek(extent.offset)
            left = extent.size
            while left > 0:
                chunk = stream.read(min(CHUNK, left))
                if not chunk:  # a sparse file's end: the rest reads as zeros
                    break
                left -= len(chunk)
                yield chunk
