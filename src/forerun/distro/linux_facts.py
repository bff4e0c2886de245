"""Parsers for what the service manager, the kernel and util-linux say on any Linux."""

from __future__ import annotations

import re
from collections.abc import Iterator

from forerun.distro.base import split_files
from forerun.distro.linux_blocks import FilesystemPlace
from forerun.model.survey import Mount, Socket, Unit


def parse_units(text: str) -> tuple[Unit, ...]:
    """Units from `systemctl list-units`, then `#files`, then `list-unit-files`."""
    listed, _, files = text.partition("#files\n")
    enabled: dict[str, str] = {}
    for line in files.splitlines():
        cells = line.split()
        if len(cells) >= 2:
            enabled[cells[0]] = cells[1]
    units: dict[str, Unit] = {}
    for line in listed.splitlines():
        cells = line.replace("●", " ").replace("*", " ", 1).split(None, 4)
        if len(cells) >= 4 and "." in cells[0] and cells[1] != "not-found":
            name = cells[0]
            state = enabled.get(name) or enabled.get(_find_template(name), "")
            units[name] = Unit(name, cells[2], cells[3], state)
    for name, state in enabled.items():
        units.setdefault(name, Unit(name, "inactive", "dead", state))
    kept = (".service", ".socket", ".timer", ".mount", ".path", ".target")
    return tuple(units[name] for name in sorted(units) if name.endswith(kept))


def _find_template(name: str) -> str:
    before, at, after = name.partition("@")
    return f"{before}@.{after.rpartition('.')[2]}" if at else name


_OWNER = re.compile(r'\(\("([^"]*)"')


def parse_sockets(text: str) -> tuple[Socket, ...]:
    """Listening sockets from `ss -H -lntup`, or from the kernel's /proc/net tables."""
    if text.startswith("#file "):
        return tuple(_walk_kernel_sockets(split_files(text)))
    rows: list[Socket] = []
    for line in text.splitlines():
        cells = line.split(None, 6)
        if len(cells) < 6:
            continue
        address, _, port = cells[4].rpartition(":")
        owner = _OWNER.search(cells[6]) if len(cells) == 7 else None
        if re.fullmatch(r"[0-9]{1,5}", port):
            bare = address.partition("%")[0].strip("[]")
            rows.append(Socket(cells[0], bare, int(port), owner[1] if owner else ""))
    return tuple(dict.fromkeys(rows))


_KERNEL_SOCKET = re.compile(r"(?:[0-9A-F]{8}|[0-9A-F]{32}):[0-9A-F]{4}")


def _walk_kernel_sockets(files: dict[str, str]) -> Iterator[Socket]:
    for table, text in files.items():
        protocol = table.rstrip("6")
        wanted_state = "0A" if protocol == "tcp" else "07"
        for line in text.splitlines()[1:]:
            cells = line.split()
            if len(cells) > 3 and cells[3] == wanted_state and _KERNEL_SOCKET.fullmatch(cells[1]):
                address, _, port = cells[1].partition(":")
                yield Socket(protocol, _read_kernel_address(address), int(port, 16))


def _read_kernel_address(text: str) -> str:
    """Addresses in /proc/net are 32-bit words in the machine's (little-endian) order."""
    words = [bytes.fromhex(text[at : at + 8])[::-1] for at in range(0, len(text), 8)]
    packed = b"".join(words)
    if len(packed) == 4:
        return ".".join(str(octet) for octet in packed)
    groups = [packed[at : at + 2].hex() for at in range(0, len(packed), 2)]
    return "::" if not any(packed) else ":".join(group.lstrip("0") or "0" for group in groups)


_UNREAL = frozenset({
    "autofs", "binfmt_misc", "bpf", "cgroup", "cgroup2", "configfs", "debugfs", "devpts",
    "devtmpfs", "efivarfs", "fuse.lxcfs", "fusectl", "hugetlbfs", "mqueue", "nsfs", "overlay",
    "proc", "pstore", "ramfs", "rpc_pipefs", "securityfs", "squashfs", "sysfs", "tmpfs", "tracefs",
})  # fmt: skip


def _unescape(text: str) -> str:
    """Octal escapes of fstab(5) and /proc/mounts: \\040 is a blank."""
    return re.sub(r"\\([0-7]{3})", lambda match: chr(int(match[1], 8)), text)


def merge_mounts(
    mounted: str, room: str, fstab: str, places: tuple[FilesystemPlace, ...]
) -> tuple[Mount, ...]:
    """Real file systems, mounted or listed in fstab.

    `room` is `df --output=size,used,avail,target` in bytes. A listed one that is not
    mounted has sizes of 0. Swap is listed with the target "none"."""
    sizes = _parse_room(room)
    by_target = {place.mountpoint: place for place in places if place.mountpoint}
    listed = _parse_fstab(fstab)
    rows: dict[str, Mount] = {}
    for line in mounted.splitlines():
        cells = [_unescape(cell) for cell in line.split()]
        if len(cells) < 4 or (cells[2] in _UNREAL and cells[1] not in listed):
            continue
        source, target, fstype, options = cells[:4]
        place = by_target.get(target)
        size, used, free = sizes.get(target, (0, 0, 0))
        spec = listed[target][0] if target in listed else ""
        rows[target] = Mount(
            source=source,
            target=target,
            fstype=fstype,
            options=listed[target][2] if target in listed else options,
            uuid=place.uuid if place else "",
            label=place.label if place else "",
            size_bytes=size,
            used_bytes=used,
            free_bytes=free,
            in_fstab=target in listed,
            fstab_spec=spec,
        )
    for target, (spec, fstype, options) in listed.items():
        if target not in rows:
            rows[target] = _list_unmounted(spec, target, fstype, options, places)
    return tuple(rows.values())


def _list_unmounted(
    spec: str, target: str, fstype: str, options: str, places: tuple[FilesystemPlace, ...]
) -> Mount:
    key, _, value = spec.partition("=")
    found = next(
        (
            place
            for place in places
            if (key == "UUID" and place.uuid == value)
            or (key == "LABEL" and place.label == value)
            or place.device == spec
        ),
        None,
    )
    return Mount(
        source=found.device if found else spec,
        target="none" if fstype == "swap" else target,
        fstype=fstype,
        options=options,
        uuid=found.uuid if found else (value if key == "UUID" else ""),
        label=found.label if found else (value if key == "LABEL" else ""),
        in_fstab=True,
        fstab_spec=spec,
    )


def _parse_fstab(text: str) -> dict[str, tuple[str, str, str]]:
    """Target to (spec, type, options); swap entries are kept apart by their spec."""
    rows: dict[str, tuple[str, str, str]] = {}
    for line in text.splitlines():
        cells = [_unescape(cell) for cell in line.split()]
        if len(cells) < 3 or cells[0].startswith("#"):
            continue
        spec, target, fstype = cells[:3]
        options = cells[3] if len(cells) > 3 else "defaults"
        rows[f"none {spec}" if fstype == "swap" else target] = (spec, fstype, options)
    return rows


_SIZE = re.compile(r"[0-9]{1,19}")


def _parse_room(text: str) -> dict[str, tuple[int, int, int]]:
    rows: dict[str, tuple[int, int, int]] = {}
    for line in text.splitlines():
        cells = line.split(None, 3)
        if len(cells) == 4 and all(_SIZE.fullmatch(cell) for cell in cells[:3]):
            rows[cells[3]] = (int(cells[0]), int(cells[1]), int(cells[2]))
    return rows


def parse_large_files(text: str) -> tuple[tuple[str, int], ...]:
    """(path, bytes) from NUL-ended `SIZE PATH` records."""
    rows: list[tuple[str, int]] = []
    for record in text.split("\0"):
        size, blank, path = record.lstrip("\n").partition(" ")
        if blank and _SIZE.fullmatch(size):
            rows.append((path, int(size)))
    return tuple(rows)
