"""Stand-ins for data disks, volume groups and swap, and the rest of the mount table. Pure.

Whatever a clone has no device for keeps its line of the mount table, with `noauto,nofail`
(fstab(5), systemd.mount(5)): it can be looked at, and no boot waits for it.
"""

from __future__ import annotations

import re
import uuid
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from pathlib import PurePosixPath

from forerun.model.blueprint import Gap, StandInDisk, StandInPart, StandInVolume
from forerun.model.survey import CleanSurvey, Mount
from forerun.model.system import Block
from forerun.stages.mount_table import escape_field, make_harmless

MIB = 1024**2
GIB = 1024**3
MAX_STAND_IN_BYTES = 4 * GIB
# Folders that an upgrade writes to: their room counts, so it is production's (thin).
MAX_SYSTEM_BYTES = 64 * GIB
# The clone's machine type has so many free slots for disks besides system and seed.
MAX_DISKS = 10
SWAP_FILE_BYTES = 256 * MIB

SYSTEM_TARGETS = ("/", "/boot", "/boot/efi", "/efi", "/usr")
NETWORK_TYPES = (
    "nfs", "nfs4", "cifs", "smb3", "smbfs", "glusterfs", "ceph", "fuse.sshfs", "9p", "afs",
    "ocfs2", "gfs2",
)  # fmt: skip
MEMORY_TYPES = ("tmpfs", "ramfs")
KERNEL_TYPES = ("proc", "sysfs", "devpts", "cgroup", "cgroup2", "debugfs", "securityfs", "overlay")
# The package that can make a file system of the type inside the clone; "" is always there.
MAKERS = {
    "ext2": "", "ext3": "", "ext4": "", "swap": "",
    "xfs": "xfsprogs", "btrfs": "btrfs-progs", "vfat": "dosfstools",
}  # fmt: skip
_DATA_NOTE = (
    "empty stand-in with the same type, label and UUID; its data and size are not rehearsed"
)
_BOOT_NOTE = (
    "stand-in with the same type, label, UUID and size, and the clone starts from it; files in "
    "it that no package brought take up no room"
)
_LEAST = {"xfs": 320 * MIB, "btrfs": 256 * MIB}
_ROOT_OPTIONS = ("noatime", "relatime", "nodiratime", "strictatime", "lazytime", "discard",
                 "errors=continue", "errors=remount-ro", "errors=panic")  # fmt: skip
_MAPPED = re.compile(r"/dev/mapper/((?:[^-]|--)+)-((?:[^-]|--)+)")
_VOLUME_PATH = re.compile(r"/dev/([A-Za-z0-9_.+-]+)/([A-Za-z0-9_.+-]+)")
_NO_GROUPS = ("mapper", "disk", "md", "block", "fd", "shm")


@dataclass(frozen=True, slots=True)
class DiskPlan:
    """All that stands in for production's disks."""

    stand_ins: tuple[StandInDisk, ...]
    volumes: tuple[StandInVolume, ...]
    table_lines: tuple[str, ...]
    swap_files: tuple[str, ...]
    root_options: str
    gaps: tuple[Gap, ...]


@dataclass(frozen=True, slots=True)
class _Space:
    """What one device of the clone will hold."""

    target: str
    fstype: str
    uuid: str
    label: str
    size_bytes: int
    line: str


@dataclass(slots=True)
class _Drawing:
    blocks: tuple[Block, ...]
    packages: frozenset[str]
    whole: list[_Space] = field(default_factory=list)
    parts: dict[str, list[tuple[Block, _Space]]] = field(default_factory=dict)
    groups: dict[str, list[tuple[str, _Space]]] = field(default_factory=dict)
    lines: list[str] = field(default_factory=list)
    swap_files: list[str] = field(default_factory=list)
    gaps: list[Gap] = field(default_factory=list)
    seen: set[str] = field(default_factory=set)

    def parent(self, block: Block) -> Block | None:
        """The first device underneath."""
        return next((b for b in self.blocks for p in block.parents if b.name == p), None)

    def beneath(self, block: Block) -> Iterable[Block]:
        """Every device underneath, the nearest first."""
        names, seen = list(block.parents), set[str]()
        while names:
            name = names.pop(0)
            for found in self.blocks:
                if found.name == name and name not in seen:
                    seen.add(name)
                    names += found.parents
                    yield found


def design_disks(survey: CleanSurvey) -> DiskPlan:
    """Thin disks for what the mount table names, and harmless lines for the rest."""
    installed = frozenset(p.name for p in survey.packages if p.state.startswith(("i", "h")))
    drawing = _Drawing(survey.system.blocks, installed)
    root_options = ""
    for mount in survey.mounts:
        if not mount.in_fstab:
            continue
        if mount.target in SYSTEM_TARGETS and not has_own_boot(mount):
            if mount.target == "/":
                root_options = _choose_root_options(mount)
            _note_system(drawing, mount)
        else:
            _place(drawing, mount)
    stand_ins, volumes = _lay_out(drawing)
    return DiskPlan(
        stand_ins, volumes, tuple(drawing.lines), tuple(drawing.swap_files), root_options,
        tuple(drawing.gaps),
    )  # fmt: skip


def has_own_boot(mount: Mount) -> bool:
    """Whether it is a boot partition that the clone's loader can be put on: GRUB writes to
    ext2 to ext4, which Debian's installer makes it."""
    return mount.target == "/boot" and mount.fstype in ("ext2", "ext3", "ext4")


def name_place(target: str) -> str:
    """The row of the fidelity statement for the file system at that place."""
    return f"file system {target}" if target == "/boot" else f"data disk {target}"


def _choose_root_options(mount: Mount) -> str:
    if not mount.fstype.startswith("ext"):
        return ""
    return ",".join(option for option in mount.options.split(",") if option in _ROOT_OPTIONS)


def _note_system(drawing: _Drawing, mount: Mount) -> None:
    if mount.target in ("/boot", "/usr"):
        drawing.gaps.append(
            Gap(
                f"file system {mount.target}", "absent",
                "part of the clone's root: a lack of room in it does not show",
            )
        )  # fmt: skip
    block = _find_block(drawing.blocks, mount)
    layers = [b.kind for b in (block, *drawing.beneath(block)) if b.kind not in ("disk", "part")] \
        if block else []  # fmt: skip
    if mount.target == "/" and (layers or mount.source.startswith("/dev/mapper/")):
        drawing.gaps.append(
            Gap(
                "layers under the root", "absent",
                f"{', '.join(layers) or 'device mapper'}: the clone's root lies on a plain "
                "partition; assembling or unlocking it at the start is not rehearsed",
            )
        )  # fmt: skip


def _find_block(blocks: tuple[Block, ...], mount: Mount) -> Block | None:
    name = mount.source.rpartition("/")[2]
    for block in blocks:
        if mount.uuid and block.uuid == mount.uuid:
            return block
    for block in blocks:
        spec = mount.fstab_spec
        if spec and block.partition_uuid and spec.lower() == f"partuuid={block.partition_uuid}":
            return block
    return next((b for b in blocks if name and name in (b.name, b.mapped)), None)


def _place(drawing: _Drawing, mount: Mount) -> None:
    if mount.fstype in KERNEL_TYPES:
        return
    if mount.fstype in MEMORY_TYPES:
        drawing.lines.append(_write_line(mount, mount.fstab_spec or mount.source, mount.options))
    elif mount.fstype in NETWORK_TYPES:
        _leave_out(drawing, mount, f"network share {mount.target}",
                   "nothing answers on the sealed link; its line has noauto,nofail")  # fmt: skip
    elif _is_bind(mount):
        options = ",".join([*(o for o in mount.options.split(",") if o != "nofail"), "nofail"])
        drawing.lines.append(_write_line(mount, mount.fstab_spec or mount.source, options))
    elif mount.fstype == "swap" and _is_file(mount):
        path = mount.fstab_spec or mount.source
        drawing.swap_files.append(path)
        drawing.lines.append(_write_line(mount, path, mount.options or "sw"))
        note = f"{SWAP_FILE_BYTES // MIB} MiB, whatever production's size"
        drawing.gaps.append(Gap(f"swap file {path}", "approximated", note))
    else:
        _place_device(drawing, mount)


def _is_bind(mount: Mount) -> bool:
    return bool({"bind", "rbind"} & set(mount.options.split(",")))


def _is_file(mount: Mount) -> bool:
    spec = mount.fstab_spec or mount.source
    return spec.startswith("/") and not spec.startswith("/dev/")


def _name(mount: Mount) -> str:
    return "swap" if mount.fstype == "swap" else name_place(mount.target)


def _leave_out(drawing: _Drawing, mount: Mount, subject: str, why: str) -> None:
    drawing.lines.append(
        _write_line(mount, mount.fstab_spec or mount.source, make_harmless(mount.options))
    )
    drawing.gaps.append(Gap(subject, "absent", why))


def _write_line(mount: Mount, spec: str, options: str, passes: str = "0 0") -> str:
    target = "none" if mount.fstype == "swap" else mount.target
    fields = (spec, target, mount.fstype, options or "defaults")
    return " ".join((*map(escape_field, fields), passes))


def _place_device(drawing: _Drawing, mount: Mount) -> None:
    maker = MAKERS.get(mount.fstype)
    if maker is None or (maker and maker not in drawing.packages):
        why = f"no stand-in for {mount.fstype}"
        why += f" without {maker}" if maker else " can be made"
        _leave_out(drawing, mount, _name(mount), why)
        return
    if mount.uuid and mount.fstype != "swap":
        if mount.uuid in drawing.seen:
            why = "a further part of a file system that has a stand-in already"
            _leave_out(drawing, mount, _name(mount), why)
            return
        drawing.seen.add(mount.uuid)
    notes: list[str] = []
    if "subvol" in mount.options:
        kept = (o for o in mount.options.split(",") if not o.startswith("subvol"))
        mount = replace(mount, options=",".join(kept))
        notes.append("its top level, not the subvolume")
    block = _find_block(drawing.blocks, mount)
    group, volume = _find_volume(block, mount)
    if group and "lvm2" not in drawing.packages:
        group = volume = ""
    space = _draw_space(drawing, mount, block, in_group=bool(group), notes=notes)
    if group:
        drawing.groups.setdefault(group, []).append((volume, space))
    else:
        _put(drawing, block, space, notes)
    subject = f"swap {space.line.split()[0]}" if mount.fstype == "swap" else _name(mount)
    note = _BOOT_NOTE if has_own_boot(mount) else _DATA_NOTE
    drawing.gaps.append(Gap(subject, "approximated", "; ".join((note, *notes))))


def _draw_space(
    drawing: _Drawing, mount: Mount, block: Block | None, *, in_group: bool, notes: list[str]
) -> _Space:
    spec = mount.fstab_spec
    number = mount.uuid or (block.uuid if block else "")
    if not number:
        number = str(uuid.uuid5(uuid.NAMESPACE_URL, f"urn:forerun:{mount.target}"))
        notes.append("production's UUID is not known")
    keeps = spec.startswith(("UUID=", "LABEL="))
    if in_group and spec.startswith("/dev/"):
        keeps = _split_volume(spec) is not None
    elif spec.startswith("PARTUUID="):
        keeps = _can_partition(drawing, block)
    if not keeps and spec:
        notes.append(f"named by its UUID in the mount table, where production says {spec}")
    line = _write_line(
        mount, spec if keeps else f"UUID={number}", mount.options, _choose_passes(mount)
    )
    label = mount.label or (block.label if block else "")
    if spec.startswith("LABEL=") and not label:
        label = spec[6:].strip('"')
    return _Space(mount.target, mount.fstype, number, label, _choose_size(mount, block), line)


def _choose_passes(mount: Mount) -> str:
    """`dump` and `pass` of fstab(5) unless the table itself is at hand when seeding."""
    return "0 2" if mount.fstype.startswith("ext") else "0 0"


def _choose_size(mount: Mount, block: Block | None) -> int:
    size = mount.size_bytes or (block.size_bytes if block else 0) or GIB
    top = PurePosixPath(mount.target).parts[1:2]
    own = top[0] if top else ""
    kept = own in ("boot", "var", "opt", "home", "tmp", "root")
    cap = MAX_SYSTEM_BYTES if kept else MAX_STAND_IN_BYTES
    return -(-max(min(size, cap), _LEAST.get(mount.fstype, 16 * MIB)) // MIB) * MIB


def _find_volume(block: Block | None, mount: Mount) -> tuple[str, str]:
    """(volume group, logical volume), empty where it lies on none."""
    if block is not None:
        return (block.volume_group, block.volume) if block.kind == "lvm" else ("", "")
    for path in (mount.source, mount.fstab_spec):
        if found := _split_volume(path):
            return found
    return "", ""


def _split_volume(path: str) -> tuple[str, str] | None:
    """lvm(8): in /dev/mapper a hyphen inside a name is written twice."""
    if match := _MAPPED.fullmatch(path):
        return match[1].replace("--", "-"), match[2].replace("--", "-")
    match = _VOLUME_PATH.fullmatch(path)
    return (match[1], match[2]) if match and match[1] not in _NO_GROUPS else None


def _can_partition(drawing: _Drawing, block: Block | None) -> bool:
    """Primary partitions of a disk whose table is known."""
    disk = drawing.parent(block) if block else None
    if block is None or disk is None or disk.table not in ("gpt", "dos"):
        return False
    number = _part_number(block)
    return number > 0 and (disk.table == "gpt" or number <= 4)


def _part_number(block: Block) -> int:
    match = re.search(r"(\d+)$", block.name)
    return int(match[1]) if match else 0


def _put(drawing: _Drawing, block: Block | None, space: _Space, notes: list[str]) -> None:
    if block is not None and block.kind == "part" and _can_partition(drawing, block):
        disk = drawing.parent(block)
        drawing.parts.setdefault(disk.name if disk else "", []).append((block, space))
        return
    if block is not None and block.kind not in ("disk", "part"):
        layers = [b.kind for b in (block, *drawing.beneath(block))]
        shown = ", ".join(kind for kind in layers if kind not in ("disk", "part"))
        notes.append(f"the layers underneath ({shown}) are absent")
    drawing.whole.append(space)


def _lay_out(
    drawing: _Drawing,
) -> tuple[tuple[StandInDisk, ...], tuple[StandInVolume, ...]]:
    disks = [
        StandInDisk(s.target, s.fstype, s.uuid, s.label, s.size_bytes, s.line)
        for s in drawing.whole
    ]
    for name, parts in drawing.parts.items():
        table = next(b.table for b in drawing.blocks if b.name == name)
        made = tuple(
            StandInPart(
                _part_number(block), block.partition_type, block.partition_uuid,
                s.target, s.fstype, s.uuid, s.label, s.size_bytes, s.line,
            )
            for block, s in sorted(parts, key=lambda pair: _part_number(pair[0]))
        )  # fmt: skip
        size = sum(part.size_bytes for part in made) + 8 * MIB
        disks.append(StandInDisk("", "", "", "", size, "", table=table, parts=made))
    volumes: list[StandInVolume] = []
    for group, members in drawing.groups.items():
        size = sum(s.size_bytes for _, s in members) + 64 * MIB
        disks.append(StandInDisk("", "", _find_physical(drawing, group), "", size, "", group=group))
        volumes += [
            StandInVolume(group, name, s.target, s.fstype, s.uuid, s.label, s.size_bytes, s.line)
            for name, s in members
        ]
        drawing.gaps.append(
            Gap(
                f"volume group {group}", "approximated",
                "one physical volume, linear volumes; production's may be striped, mirrored, "
                "thin or spread over disks",
            )
        )  # fmt: skip
    return _limit(drawing, disks), tuple(volumes)


def _find_physical(drawing: _Drawing, group: str) -> str:
    """The UUID of the first physical volume of the group, where it is known."""
    for block in drawing.blocks:
        if block.volume_group == group and block.kind == "lvm":
            for below in drawing.beneath(block):
                if below.fstype == "LVM2_member" and below.uuid:
                    return below.uuid
    return ""


def _limit(drawing: _Drawing, disks: list[StandInDisk]) -> tuple[StandInDisk, ...]:
    """At most as many as the clone has slots for; volume groups and tables go first, since
    more hangs on them."""
    ordered = sorted(disks, key=lambda disk: not (disk.group or disk.parts))
    kept = ordered[:MAX_DISKS]
    for disk in ordered[MAX_DISKS:]:
        spec, target, fstype, options, *_ = disk.fstab_line.split()
        drawing.lines.append(" ".join((spec, target, fstype, make_harmless(options), "0 0")))
        drawing.gaps.append(
            Gap(f"data disk {disk.target}", "absent", f"a clone has {MAX_DISKS} data disks")
        )
    return tuple(disk for disk in disks if disk in kept)
