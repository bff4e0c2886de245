"""What stands in for production's disks, and the rest of the mount table."""

from __future__ import annotations

from dataclasses import replace

import pytest
from tests.unit.test_design import SURVEY

from forerun.model.survey import CleanSurvey, Mount, Package
from forerun.model.system import Block, SystemFacts
from forerun.stages.design_disks import (
    GIB,
    MAX_DISKS,
    MAX_STAND_IN_BYTES,
    MAX_SYSTEM_BYTES,
    SYSTEM_TARGETS,
    DiskPlan,
    design_disks,
)
from forerun.stages.mount_table import escape_field, make_harmless

A = "11111111-0000-4000-8000-000000000001"
B = "22222222-0000-4000-8000-000000000002"
C = "33333333-0000-4000-8000-000000000003"
PART = "44444444-0000-4000-8000-000000000004"
LINUX = "0fc63daf-8483-4772-8e79-3d69d8477de4"
PHYSICAL = "abcdef-1234-5678-90ab-cdef-1234-567890"
ROOT = Mount("/dev/sda1", "/", "ext4", "noatime,errors=remount-ro,usrquota", "r", in_fstab=True)
BLOCKS = (
    Block("sda", "disk", 20 * GIB, table="gpt"),
    Block("sda1", "part", 19 * GIB, ("sda",), "ext4", "r"),
    Block("sdb", "disk", 2 * GIB, table="gpt"),
    Block("sdb2", "part", GIB, ("sdb",), "ext4", A, "data", partition_type=LINUX,
          partition_uuid=PART),
    Block("sdc", "disk", 8 * GIB, fstype="LVM2_member", uuid=PHYSICAL),
    Block("dm-0", "lvm", 3 * GIB, ("sdc",), "ext4", B, mapped="vg--x-ar--ch",
          volume_group="vg-x", volume="ar-ch"),
    Block("md0", "raid1", GIB, ("sdd", "sde"), "ext4", C),
    Block("sdd", "disk", GIB), Block("sde", "disk", GIB),
)  # fmt: skip


def plan(
    *mounts: Mount, packages: tuple[str, ...] = (), blocks: tuple[Block, ...] = ()
) -> DiskPlan:
    survey: CleanSurvey = replace(
        SURVEY,
        mounts=mounts,
        packages=tuple(Package(name, "1", "amd64") for name in packages),
        system=SystemFacts(blocks=blocks),
    )
    return design_disks(survey)


def fs(target: str, fstype: str = "ext4", uuid: str = A, spec: str = "", **more: object) -> Mount:
    base = Mount("/dev/none", target, fstype, "defaults", uuid, in_fstab=True,
                 fstab_spec=spec or f"UUID={uuid}")  # fmt: skip
    return replace(base, **more)  # type: ignore[arg-type]


def gaps(made: DiskPlan) -> dict[str, tuple[str, str]]:
    return {gap.subject: (gap.state, gap.note) for gap in made.gaps}


def test_a_partition_keeps_its_place_and_its_uuids() -> None:
    """Number, type and both UUIDs as on production, so that PARTUUID= finds it as well."""
    made = plan(fs("/srv/data", spec=f"PARTUUID={PART}", uuid=""), blocks=BLOCKS)
    (disk,) = made.stand_ins
    (part,) = disk.parts
    assert (disk.table, part.number, part.partition_uuid, part.uuid, part.label) == (
        "gpt", 2, PART, A, "data",
    )  # fmt: skip
    assert part.fstab_line == f"PARTUUID={PART} /srv/data ext4 defaults 0 2"
    assert disk.size_bytes > part.size_bytes


def test_a_logical_volume_keeps_group_name_and_physical_uuid() -> None:
    """LVM's own names come from the block tree; the volume group gets one thin disk."""
    made = plan(
        fs("/srv/archive", uuid=B, spec="/dev/mapper/vg--x-ar--ch"),
        packages=("lvm2",),
        blocks=BLOCKS,
    )
    (disk,), (volume,) = made.stand_ins, made.volumes
    assert (disk.group, disk.uuid, disk.fstype) == ("vg-x", PHYSICAL, "")
    assert (volume.group, volume.name, volume.uuid) == ("vg-x", "ar-ch", B)
    assert volume.fstab_line.startswith("/dev/mapper/vg--x-ar--ch /srv/archive ext4 ")
    assert disk.size_bytes > volume.size_bytes == 3 * GIB
    assert gaps(made)["volume group vg-x"][0] == "approximated"


@pytest.mark.parametrize(
    ("path", "names"),
    [("/dev/mapper/vg0-log", ("vg0", "log")), ("/dev/vg0/log", ("vg0", "log")),
     ("/dev/mapper/a--b-c--d", ("a-b", "c-d"))],
)  # fmt: skip
def test_an_older_survey_tells_volumes_by_their_paths(path: str, names: tuple[str, str]) -> None:
    """lvm(8): hyphens inside names are doubled in /dev/mapper."""
    made = plan(fs("/srv/log", spec=path, source=path), packages=("lvm2",))
    assert [(v.group, v.name) for v in made.volumes] == [names]


def test_without_lvm_a_volume_is_a_plain_disk_named_by_uuid() -> None:
    """The mount table of the clone names what is there; the gap says how it was named."""
    made = plan(fs("/srv/log", spec="/dev/vg0/log", source="/dev/vg0/log"))
    (disk,) = made.stand_ins
    assert (made.volumes, disk.fstab_line.split()[0]) == ((), f"UUID={A}")
    assert "/dev/vg0/log" in gaps(made)["data disk /srv/log"][1]


def test_an_array_is_a_plain_disk_and_says_so() -> None:
    """The file system is there, the layer is not."""
    made = plan(fs("/srv/safe", uuid=C, spec="/dev/md0", source="/dev/md0"), blocks=BLOCKS)
    assert [d.uuid for d in made.stand_ins] == [C]
    assert "raid1" in gaps(made)["data disk /srv/safe"][1]


def test_layers_under_the_root_are_named() -> None:
    """A root on a logical volume or an array starts otherwise than the clone's."""
    root = replace(ROOT, source="/dev/dm-0", uuid=B)
    assert gaps(plan(root, blocks=BLOCKS))["layers under the root"][0] == "absent"
    assert "layers under the root" not in gaps(plan(ROOT, blocks=BLOCKS))


@pytest.mark.parametrize("target", [t for t in SYSTEM_TARGETS if t not in ("/", "/boot")])
def test_parts_of_the_system_get_no_empty_disk(target: str) -> None:
    """An empty disk over /usr or the EFI partition would hide what the packages brought."""
    made = plan(ROOT, fs(target))
    assert (made.stand_ins, made.table_lines) == ((), ())


def test_a_boot_partition_has_its_own_size() -> None:
    """Too little room for a new kernel is what it fails by, so its size is production's; one
    that the loader could not be put on stays part of the root and is told as such."""
    made = plan(ROOT, fs("/boot", uuid=A, size_bytes=488 << 20))
    assert [(d.target, d.size_bytes) for d in made.stand_ins] == [("/boot", 488 << 20)]
    assert gaps(made)["file system /boot"][0] == "approximated"
    other = plan(ROOT, fs("/boot", "xfs", uuid=A))
    assert other.stand_ins == ()
    assert gaps(other)["file system /boot"][0] == "absent"


def test_only_harmless_options_of_the_root_are_taken_over() -> None:
    """Options that need preparation (quota) would fail a clone's remount."""
    assert plan(ROOT).root_options == "noatime,errors=remount-ro"
    assert plan(replace(ROOT, fstype="xfs")).root_options == ""


def test_a_share_is_named_and_never_waited_for() -> None:
    """fstab(5), systemd.mount(5): `noauto` keeps it out of the start, `nofail` out of its
    dependencies; an automount would bring the wait back with the first look."""
    made = plan(fs("/home", "nfs4", "", "files.example:/home",
                   options="rw,auto,x-systemd.automount,_netdev"))  # fmt: skip
    assert made.table_lines == ("files.example:/home /home nfs4 rw,_netdev,noauto,nofail 0 0",)
    assert gaps(made)["network share /home"][0] == "absent"


def test_what_cannot_be_made_is_named_and_never_waited_for() -> None:
    """An unknown type, or one whose maker production lacks."""
    made = plan(fs("/srv/z", "zfs"), fs("/srv/x", "xfs", B), fs("/srv/f", "btrfs", C))
    assert made.stand_ins == ()
    assert all(line.split()[3].endswith("noauto,nofail") for line in made.table_lines)
    assert {subject for subject, (state, _) in gaps(made).items() if state == "absent"} == {
        "data disk /srv/z", "data disk /srv/x", "data disk /srv/f",
    }  # fmt: skip


def test_other_types_are_made_where_production_has_their_tools() -> None:
    """mkfs.xfs(8) and mkfs.btrfs(8) refuse very small devices."""
    made = plan(fs("/srv/x", "xfs", A, size_bytes=1 << 20), fs("/srv/b", "btrfs", B),
                packages=("xfsprogs", "btrfs-progs"))  # fmt: skip
    assert [(d.fstype, d.size_bytes >= 256 << 20) for d in made.stand_ins] == [
        ("xfs", True), ("btrfs", True),
    ]  # fmt: skip


def test_a_further_subvolume_is_no_second_disk_with_the_same_uuid() -> None:
    """Two disks of one UUID would be mounted one for the other."""
    made = plan(
        fs("/srv/a", "btrfs", A, options="subvol=@a,noatime"),
        fs("/srv/b", "btrfs", A, options="subvol=@b"),
        packages=("btrfs-progs",),
    )
    assert [d.fstab_line.split()[3] for d in made.stand_ins] == ["noatime"]
    assert made.table_lines[0].split()[3] == "subvol=@b,noauto,nofail"


def test_memory_and_binds_stay_and_swap_files_are_made() -> None:
    """A bind whose source is missing must not stop the start."""
    made = plan(
        fs("/tmp", "tmpfs", "", "tmpfs", options="size=1g"),
        fs("/srv/in", "none", "", "/srv/out", options="bind"),
        fs("none", "swap", "", "/swapfile", options="sw"),
    )
    assert made.table_lines == (
        "tmpfs /tmp tmpfs size=1g 0 0",
        "/srv/out /srv/in none bind,nofail 0 0",
        "/swapfile none swap sw 0 0",
    )
    assert made.swap_files == ("/swapfile",)
    assert made.stand_ins == ()


def test_room_counts_where_an_upgrade_writes() -> None:
    """/var has production's size, other data a capped one; all are thin."""
    made = plan(fs("/var", uuid=A, size_bytes=900 * GIB), fs("/srv", uuid=B, size_bytes=900 * GIB))
    assert [d.size_bytes for d in made.stand_ins] == [MAX_SYSTEM_BYTES, MAX_STAND_IN_BYTES]


def test_more_disks_than_slots_are_said() -> None:
    """The machine type has so many slots; the rest is named and not waited for."""
    mounts = [fs(f"/srv/{n:02d}", uuid=A[:-2] + f"{n:02d}") for n in range(MAX_DISKS + 2)]
    made = plan(*mounts)
    assert len(made.stand_ins) == MAX_DISKS
    assert len(made.table_lines) == 2
    assert all("noauto,nofail" in line for line in made.table_lines)
    assert sum(state == "absent" for state, _ in gaps(made).values()) == 2


def test_production_options_of_a_stand_in_stay() -> None:
    """x-systemd options and nofail belong to what is rehearsed."""
    options = "noatime,nofail,x-systemd.device-timeout=10s"
    (disk,) = plan(fs("/srv/a", options=options)).stand_ins
    assert disk.fstab_line.split()[3] == options


def test_fields_are_escaped_as_the_table_wants() -> None:
    """fstab(5): blanks are \\040, tabs \\011."""
    assert escape_field("/srv/my files") == "/srv/my\\040files"
    assert make_harmless("") == "defaults,noauto,nofail"
