"""What a clone's disks look like to others of the lab host, by the lab host's own tools."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from forerun.ports.command import LocalCommand
from forerun.ports.disks import Disks, make_seed_image

pytestmark = [pytest.mark.tools, pytest.mark.timeout(60)]

MIB = 1 << 20
UUID = "919108f7-52d1-4320-9bac-f847db4148a8"


@pytest.fixture
def open_umask() -> Iterator[None]:
    """A umask that takes nothing away (umask(2))."""
    before = os.umask(0)
    yield
    os.umask(before)


class Watched(LocalCommand):
    """The real tools; notes the mode of the disk just before each of them starts."""

    def __init__(self, disk: Path) -> None:
        super().__init__()
        self.disk = disk
        self.modes: list[int] = []

    def run(self, argv, **more):  # type: ignore[no-untyped-def]
        self.modes.append(self.disk.stat().st_mode & 0o777)
        return super().run(argv, **more)


@pytest.mark.parametrize("kind", ["overlay", "ext4", "swap", "empty", "table", "seed"])
def test_a_disk_is_its_owners_alone_from_its_first_moment(
    kind: str, tmp_path: Path, open_umask: None
) -> None:
    """Before a tool writes into it as well as afterwards; the tools keep the mode."""
    disk, base = tmp_path / "disk", tmp_path / "base.qcow2"
    LocalCommand().run(["qemu-img", "create", "-q", "-f", "qcow2", str(base), "8M"], timeout_s=30)
    command = Watched(disk)
    disks = Disks(command)
    if kind == "overlay":
        disks.make_overlay(base, disk, size_bytes=16 * MIB)
        assert disks.virtual_size(disk) == 16 * MIB
        assert disks.find_other_file(disk) == str(base)
    elif kind in ("ext4", "swap"):
        disks.make_data_disk(disk, fstype=kind, size_bytes=16 * MIB, uuid=UUID, label="x")
    elif kind == "seed":
        make_seed_image(disk, {"user-data": b"#cloud-config\n"})
    else:
        disks.make_empty_disk(disk, 16 * MIB)
    if kind == "table":
        disks.write_table(disk, "gpt", ((1, 8 * MIB, "", ""),))
    assert disk.stat().st_mode & 0o777 == 0o600
    assert set(command.modes) <= {0o600}
    assert disk.stat().st_size > 0
