"""Stand-ins inside a real clone: they are there, have production's identity, and nothing
waits for what is not there."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import replace

import pytest

from forerun.model.blueprint import Blueprint, TemplateRecipe
from forerun.model.profile import SampleContent, Site
from forerun.model.survey import Mount
from forerun.model.system import Block, Interface, Loader, SystemFacts
from forerun.pipeline_bench import Bench
from forerun.ports.clock import SystemClock
from forerun.ports.gateway import ArchiveGateway
from forerun.ports.store import make_id
from forerun.profiles import load_profile, shipped_folders
from forerun.stages.build import Clone, Yard, open_clone
from forerun.stages.copy_tar import filter_copy
from forerun.stages.design import design_clone
from forerun.stages.seal import check_sealed
from forerun.stages.seed import list_taken, write_settle_script
from tests.vm import lab, made_up
from tests.vm.made_up import File

pytestmark = pytest.mark.vm

GIB = 1 << 30
DATA = "5d3c2b1a-0000-4000-8000-00000000da7a"
ARCHIVE = "5d3c2b1a-0000-4000-8000-0000000a4c41"
POOL = "5d3c2b1a-0000-4000-8000-000000009001"
SWAP = "5d3c2b1a-0000-4000-8000-0000000005a9"
PART = "5d3c2b1a-0000-4000-8000-00000000f001"
BOOT = "5d3c2b1a-0000-4000-8000-00000000b007"
VAR = "5d3c2b1a-0000-4000-8000-00000000fa12"
PHYSICAL = "aBcDeF-1234-5678-90aB-cDeF-1234-567890"
LINUX = "0fc63daf-8483-4772-8e79-3d69d8477de4"
LOST = "5d3c2b1a-dead-4000-8000-00000000dead"
ATA = "/dev/disk/by-id/ata-EXAMPLE_DISK_0042"
# A start that waits for a device waits 90 s (systemd-system.conf(5),
# DefaultDeviceTimeoutSec); all of the local file systems came in well under that.
WAITED_S = 60

FSTAB = f"""UUID=5d3c2b1a-0000-4000-8000-000000000001 / ext4 noatime,errors=remount-ro 0 1
UUID={DATA} /srv/data ext4 noatime,nosuid 1 2
/dev/mapper/vg--x-archive /srv/archive ext4 defaults,nodev 0 2
PARTUUID={PART} /srv/pool xfs defaults 0 0
UUID={VAR} /var ext4 defaults 0 2
UUID={BOOT} /boot ext4 defaults 0 2
UUID={SWAP} none swap sw 0 0
UUID={LOST} /srv/lost zfs defaults 0 0
files.example:/home /srv/share nfs4 rw,_netdev 0 0
tmpfs /srv/memory tmpfs size=8m 0 0
"""
BLOCKS = (
    Block("sda", "disk", 8 * GIB, table="dos"),
    Block("sda1", "part", 8 * GIB, ("sda",), "ext4"),
    Block("sdb", "disk", GIB, fstype="ext4", uuid=DATA, label="data"),
    Block("sdc", "disk", 2 * GIB, fstype="LVM2_member", uuid=PHYSICAL),
    Block("dm-0", "lvm", GIB, ("sdc",), "ext4", ARCHIVE, "archive", "vg--x-archive", "vg-x",
          "archive"),
    Block("sdd", "disk", 2 * GIB, table="gpt"),
    Block("sdd2", "part", GIB, ("sdd",), "xfs", POOL, "pool", partition_type=LINUX,
          partition_uuid=PART),
    Block("sde", "disk", GIB, fstype="swap", uuid=SWAP),
    Block("sdf", "disk", 4 * GIB, fstype="ext4", uuid=VAR),
    Block("sdg", "disk", GIB, table="dos"),
    Block("sdg1", "part", 256 << 20, ("sdg",), "ext4", BOOT),
)  # fmt: skip


def mount(device: str, target: str, fstype: str, options: str, uuid: str, spec: str) -> Mount:
    return Mount(device, target, fstype, options, uuid, in_fstab=True, fstab_spec=spec)


MOUNTS = (
    mount("/dev/sda1", "/", "ext4", "noatime,errors=remount-ro", "", "UUID=root"),
    mount("/dev/sdb", "/srv/data", "ext4", "noatime,nosuid", DATA, f"UUID={DATA}"),
    mount("/dev/dm-0", "/srv/archive", "ext4", "defaults,nodev", ARCHIVE,
          "/dev/mapper/vg--x-archive"),
    mount("/dev/sdd2", "/srv/pool", "xfs", "defaults", POOL, f"PARTUUID={PART}"),
    mount("/dev/sdf", "/var", "ext4", "defaults", VAR, f"UUID={VAR}"),
    mount("/dev/sdg1", "/boot", "ext4", "defaults", BOOT, f"UUID={BOOT}"),
    mount("/dev/sde", "none", "swap", "sw", SWAP, f"UUID={SWAP}"),
    mount(f"UUID={LOST}", "/srv/lost", "zfs", "defaults", LOST, f"UUID={LOST}"),
    mount("files.example:/home", "/srv/share", "nfs4", "rw,_netdev", "", "files.example:/home"),
    mount("tmpfs", "/srv/memory", "tmpfs", "size=8m", "", "tmpfs"),
)  # fmt: skip
SYSTEM = SystemFacts(
    blocks=BLOCKS,
    interfaces=(
        Interface("enp1s0", "02:00:00:00:00:07", "igb", "pci",
                  ("192.0.2.10/24", "2001:db8:7::10/64")),
    ),
    loader=Loader("grub-pc", (ATA,), ("/dev/sda",)),
)  # fmt: skip
FILES = {
    "/etc/fstab": File(FSTAB),
    "/etc/crypttab": File("vault UUID=5d3c2b1a-dead-4000-8000-00000000beef none luks\n"),
}


def write_recipe() -> TemplateRecipe:
    """A plain Debian 12 with the tools that production has for its disks."""
    plain = lab.write_recipe("bios")
    names = ("lvm2", "xfsprogs")
    extra = tuple(replace(plain.packages[0], name=name) for name in names)
    return replace(plain, packages=(*plain.packages, *extra), variant="tests-disks")


@pytest.fixture(scope="module")
def blueprint(tmp_path_factory: pytest.TempPathFactory) -> tuple[Blueprint, bytes]:
    made = made_up.make(
        tmp_path_factory.mktemp("made-up"), FILES, packages=("lvm2", "xfsprogs"), mounts=MOUNTS,
        system=SYSTEM,
    )  # fmt: skip
    site = Site(sample_content=(SampleContent("/srv/archive", 60, ((4096, 3), (100_000, 1))),))
    profile = load_profile(shipped_folders()[0] / "debian-12-to-13" / "profile.yaml")
    planned = design_clone(
        made.survey, profile, site, run_id=make_id("test", SystemClock().now()), cpus=1,
        memory_bytes=lab.MEMORY, emulated=True,
    )  # fmt: skip
    planned = replace(planned, recipe=write_recipe())
    return planned, filter_copy(made.copy, list_taken(planned))


@pytest.fixture(scope="module")
def clone(blueprint: tuple[Blueprint, bytes], bench: Bench, yard: Yard) -> Iterator[Clone]:
    planned, copy = blueprint
    template = lab.build_recipe(bench, planned.recipe)
    with open_clone(planned, template, copy, yard) as one:
        lab.wait_until_up(one)
        yield one


def find_mounts(clone: Clone) -> dict[str, dict[str, str]]:
    shown = clone.guest.run(
        "findmnt --json --list --output TARGET,FSTYPE,UUID,LABEL,OPTIONS,SOURCE", timeout_s=60
    ).text()
    return {row["target"]: row for row in json.loads(shown)["filesystems"]}


def check_all(clone: Clone) -> None:
    """All stand-ins are in use with production's identity and options; nothing failed."""
    told = clone.guest.run("cat /run/forerun-not-made 2>/dev/null; true", timeout_s=60).text()
    assert told == ""
    mounts = find_mounts(clone)
    for target, fstype, uuid, label in (
        ("/srv/data", "ext4", DATA, "data"),
        ("/srv/archive", "ext4", ARCHIVE, "archive"),
        ("/srv/pool", "xfs", POOL, "pool"),
        ("/var", "ext4", VAR, None),
        ("/boot", "ext4", BOOT, None),
    ):
        row = mounts[target]
        assert (row["fstype"], row["uuid"], row["label"]) == (fstype, uuid, label), target
    assert {"noatime", "nosuid"} <= set(mounts["/srv/data"]["options"].split(","))
    assert "nodev" in mounts["/srv/archive"]["options"]
    assert "noatime" in mounts["/"]["options"]
    assert mounts["/srv/archive"]["source"] == "/dev/mapper/vg--x-archive"
    assert mounts["/srv/memory"]["fstype"] == "tmpfs"
    swaps = clone.guest.run("swapon --noheadings --show=UUID", timeout_s=60).text().split()
    assert swaps == [SWAP], clone.guest.run(
        "systemctl status --no-pager --all '*.swap' swap.target; systemctl list-jobs; "
        "journalctl --boot --no-pager -o short-monotonic | grep -iE 'swap|seed|reload'; "
        "cat /run/systemd/generator/swap.target.*/* /run/systemd/generator/*.swap",
        timeout_s=60,
    ).text()
    failed = clone.guest.run("systemctl --failed --plain --no-legend", timeout_s=60).text()
    assert failed == ""
    jobs = clone.guest.run("systemctl list-jobs --no-legend", timeout_s=60).text()
    assert "running" not in jobs
    waited = clone.guest.run(
        "journalctl --boot --quiet --no-pager --grep 'Timed out waiting for device'; true",
        timeout_s=60,
    ).text()
    assert waited == ""


def read_local_s(clone: Clone) -> float:
    """Seconds from the end of the seed's reader to all local file systems."""
    shown = clone.guest.run(
        "systemctl show local-fs.target -p ActiveEnterTimestampMonotonic;"
        "systemctl show first-boot-seed.service -p ExecMainExitTimestampMonotonic",
        timeout_s=60,
    ).text()
    at = {key: int(value) / 1e6 for key, value in re.findall(r"(\w+)=(\d+)", shown)}
    return at["ActiveEnterTimestampMonotonic"] - at["ExecMainExitTimestampMonotonic"]


def test_all_stand_ins_are_there_at_the_first_start(clone: Clone) -> None:
    """Two disks, a volume, a partition, a covered system folder and swap: in use, and with
    production's UUIDs, labels, names and options; no device was waited for."""
    check_all(clone)
    assert read_local_s(clone) < WAITED_S


def test_lines_without_a_device_stay_and_wait_for_nothing(clone: Clone) -> None:
    """A lost disk, a share and a mapping are in the tables, and not part of any start;
    production's last fields stay (fstab(5), crypttab(5))."""
    table = clone.guest.read_file("/etc/fstab").decode()
    lines = {line.split()[1]: line.split() for line in table.splitlines() if line[:1] != "#"}
    assert lines["/srv/lost"][3].endswith("noauto,nofail")
    assert lines["/srv/share"][3].endswith("noauto,nofail")
    assert lines["/srv/data"][3:] == ["noatime,nosuid", "1", "2"]
    assert lines["/srv/pool"][4:] == ["0", "0"]
    assert clone.guest.read_file("/etc/crypttab").split()[3] == b"luks,noauto,nofail"


def test_the_physical_volume_and_the_partition_are_productions(clone: Clone) -> None:
    """pvs(8) and blkid(8) see the same UUIDs as on production."""
    seen = clone.guest.run(
        "pvs --noheadings -o pv_uuid,vg_name; blkid --match-token PARTUUID=" + PART,
        timeout_s=60,
    ).text()
    assert seen.split()[:2] == [PHYSICAL, "vg-x"]
    assert POOL in seen
    assert re.search(r"/dev/vd[a-z]2:", seen)


def test_a_covered_folder_has_its_content(clone: Clone) -> None:
    """/var lies on its own disk and holds the package database; made-up files are there."""
    shown = clone.guest.run(
        "dpkg-query -W -f='${Version}' lvm2; echo; find /srv/archive -type f | wc -l;"
        "find /srv/archive -type f -size -5k | wc -l",
        timeout_s=60,
    ).text()
    version, files, small = shown.split()
    assert version
    assert int(files) == 60
    assert 20 < int(small) < 60


def test_the_clone_starts_from_its_boot_partition(clone: Clone) -> None:
    """As large as production's, with kernel and menu; after a restart the loader names the
    kernel by its path on that file system, without /boot before it."""
    shown = clone.guest.run(
        "stat -f -c '%b %S' /boot; ls /boot/grub/grub.cfg; ls /boot/vmlinuz-* | wc -l",
        timeout_s=60,
    ).text()
    blocks, size, menu, kernels = shown.split()
    assert 0.8 * (256 << 20) < int(blocks) * int(size) <= 256 << 20
    assert (menu, kernels) == ("/boot/grub/grub.cfg", "1")
    lab.restart(clone)
    line = clone.guest.read_file("/proc/cmdline").decode()
    assert re.match(r"BOOT_IMAGE=/vmlinuz-", line), line


def test_production_s_addresses_are_there_and_lead_nowhere(
    clone: Clone, gateway: ArchiveGateway
) -> None:
    """On the named link, with their masks; no default route, no route to neighbours; and
    every way out is still shut."""
    shown = clone.guest.run(
        "ip -brief address show dev enp1s0; ip route; ip -6 route; "
        "ip route get 192.0.2.11 2>&1; true",
        timeout_s=60,
    ).text()
    assert "192.0.2.10/24" in shown
    assert "2001:db8:7::10/64" in shown
    assert "default" not in shown
    assert "192.0.2.0/24 dev" not in shown
    assert "unreachable" in shown
    check_sealed(lab.try_seal(clone, gateway))


def test_the_boot_loader_s_answer_is_production_s_and_its_path_is_there(clone: Clone) -> None:
    """debconf has production's words, and they lead to the clone's first disk."""
    shown = clone.guest.run(
        f"readlink -f {ATA}; readlink -f {ATA}-part1; "
        "echo get grub-pc/install_devices | debconf-communicate 2>/dev/null",
        timeout_s=60,
    ).text()
    assert shown.split() == ["/dev/vda", "/dev/vda1", "0", ATA]


def test_all_is_there_again_after_a_restart(
    clone: Clone, blueprint: tuple[Blueprint, bytes]
) -> None:
    """The seed has done its work: the tables alone bring everything up; settling finds
    nothing to say."""
    lab.restart(clone)
    check_all(clone)
    settled = clone.guest.run(write_settle_script(blueprint[0]), timeout_s=400).text()
    assert settled == ""
