"""Block devices, from lsblk(8).

Sources: lsblk(8) (columns; a device below two others is listed under each),
dmsetup(8) and lvm(8) (the mapped name is VOLUMEGROUP-VOLUME, hyphens doubled; other
characters as \\xNN).
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace

from forerun.distro.base import escape_value
from forerun.model.survey import Disk
from forerun.model.system import Block


@dataclass(frozen=True, slots=True)
class FilesystemPlace:
    """A device that holds a file system."""

    device: str
    fstype: str
    uuid: str
    label: str
    mountpoint: str


def parse_blocks(text: str) -> tuple[Block, ...]:
    """Every block device once, parents before children; empty on any other answer.

    Empty drives and memory disks without size are left out."""
    found: dict[str, Block] = {}
    for row, parent in _walk_devices(_load(text), ""):
        block = _read_block(row, parent)
        known = found.get(block.name)
        if known is not None:
            parents = tuple(dict.fromkeys((*known.parents, *block.parents)))
            found[block.name] = replace(known, parents=parents)
        elif block.name and block.size_bytes > 0:
            found[block.name] = block
    return tuple(found.values())


def parse_lsblk(text: str) -> tuple[tuple[Disk, ...], tuple[FilesystemPlace, ...]]:
    """Whole disks, and devices with a file system, from `lsblk --json --bytes`."""
    disks: list[Disk] = []
    places: list[FilesystemPlace] = []
    for row, _ in _walk_devices(_load(text), ""):
        size = _read_size(row.get("size"))
        name = escape_value(row.get("kname") or row.get("name"))
        if row.get("type") == "disk" and size > 0 and not name.startswith(("zram", "ram")):
            disks.append(Disk(name, size, escape_value(row.get("serial")).strip()))
        if row.get("fstype"):
            places.append(
                FilesystemPlace(
                    f"/dev/{name}",
                    escape_value(row["fstype"]),
                    escape_value(row.get("uuid")),
                    escape_value(row.get("label")),
                    escape_value(row.get("mountpoint")),
                )
            )
    return tuple(dict.fromkeys(disks)), tuple(dict.fromkeys(places))


def split_mapped_name(name: str) -> tuple[str, str]:
    """(volume group, volume) of a device mapper's name of LVM: "vg0-my--data" is the
    volume "my-data" in the group "vg0". Both empty where it is no such name."""
    parts = re.split(r"(?<!-)-(?!-)", name)
    if len(parts) < 2 or not all(parts[:2]):
        return "", ""
    group, volume = (_unmangle(part.replace("--", "-")) for part in parts[:2])
    return group, volume


def _unmangle(text: str) -> str:
    def read(match: re.Match[str]) -> str:
        character = chr(int(match[1], 16))
        return character if character.isprintable() else match[0]

    return re.sub(r"\\x([0-7][0-9a-f])", read, text)


# lsblk nests a device some few levels deep; an answer that nests on is none of its.
_DEEPEST = 20


def _load(text: str) -> object:
    try:
        parsed = json.loads(text, strict=False) if text.strip() else {}
    except (ValueError, RecursionError):
        return []
    return parsed.get("blockdevices") if isinstance(parsed, dict) else []


def _walk_devices(
    rows: object, parent: str, depth: int = 0
) -> Iterator[tuple[dict[str, object], str]]:
    for row in rows if isinstance(rows, list) and depth < _DEEPEST else ():
        if isinstance(row, dict):
            yield row, parent
            name = escape_value(row.get("kname") or row.get("name"))
            yield from _walk_devices(row.get("children"), name, depth + 1)


def _read_size(value: object) -> int:
    text = str(value)
    return int(text) if re.fullmatch(r"\d{1,19}", text, re.ASCII) else 0


def _read_flag(value: object) -> bool | None:
    """util-linux 2.33 and later write true and false, older ones "1" and "0"."""
    return {"True": True, "1": True, "False": False, "0": False}.get(str(value))


def _read_block(row: dict[str, object], parent: str) -> Block:
    def cell(key: str) -> str:
        return escape_value(row.get(key)).strip()

    name = cell("kname") or cell("name")
    mapped = cell("name") if name.startswith("dm-") else ""
    is_volume = cell("type") == "lvm"
    group, volume = split_mapped_name(mapped) if is_volume else ("", "")
    parents = (parent, cell("pkname"))
    return Block(
        name=name,
        kind=cell("type"),
        size_bytes=_read_size(row.get("size")),
        parents=tuple(dict.fromkeys(item for item in parents if item)),
        fstype=cell("fstype"),
        uuid=cell("uuid"),
        label=cell("label"),
        mapped=mapped,
        volume_group=group,
        volume=volume,
        # lsblk repeats the disk's table on its partitions.
        table=cell("pttype") if cell("type") != "part" else "",
        partition_type=cell("parttype"),
        partition_uuid=cell("partuuid"),
        serial=cell("serial"),
        model=cell("model"),
        rotates=_read_flag(row.get("rota")),
    )
