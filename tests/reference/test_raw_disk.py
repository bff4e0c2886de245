"""What is read of a disk image against QEMU's own reading of it (`qemu-img convert -O raw`)."""

from __future__ import annotations

from pathlib import Path

import pytest

from forerun.errors import TemplateDamaged
from forerun.ports.command import LocalCommand
from forerun.ports.disks import Disks
from forerun.ports.raw_disk import map_image, read_extents

pytestmark = pytest.mark.tools

KIB = 1024
MIB = 1024 * KIB
WORD = b"the word that lies across a border"
BORDER = 3 * 64 * KIB  # qcow2's clusters are 64 KiB by default


@pytest.fixture
def command() -> LocalCommand:
    command = LocalCommand()
    if not command.find("qemu-img") or not command.find("qemu-io"):
        pytest.skip("qemu-img and qemu-io are not installed")
    return command


@pytest.fixture
def overlay(tmp_path: Path, command: LocalCommand) -> Path:
    """A base with a word across the border of two clusters, under an overlay that was
    written to in two places, the second one before the first."""
    raw = tmp_path / "base.raw"
    with raw.open("wb") as stream:
        stream.truncate(16 * MIB)
        stream.seek(BORDER - 10)
        stream.write(WORD)
    base = tmp_path / "base.qcow2"
    disks = Disks(command)
    disks.convert(raw, base)
    path = tmp_path / "overlay.qcow2"
    disks.make_overlay(base, path, size_bytes=16 * MIB)
    for place in (8 * MIB, 4 * MIB + 65530):
        argv = ["qemu-io", "-f", "qcow2", "-c", f"write -P 0x5a {place} 16", str(path)]
        command.run(argv, timeout_s=60)
    return path


def test_all_extents_in_order_are_the_machines_own_view(
    tmp_path: Path, command: LocalCommand, overlay: Path
) -> None:
    """Every byte that is not zero is read, at the address where the machine has it."""
    whole = tmp_path / "whole.raw"
    command.run(
        ["qemu-img", "convert", "-f", "qcow2", "-O", "raw", str(overlay), str(whole)], timeout_s=60
    )
    wanted = whole.read_bytes()
    extents = map_image(command, overlay, "qcow2")
    built = bytearray(16 * MIB)
    for extent in extents:
        content = b"".join(read_extents((extent,)))
        if extent.offset >= 0:
            built[extent.start : extent.start + len(content)] = content
    assert bytes(built) == wanted
    assert wanted.count(b"\x5a") == 32


def test_a_word_across_a_border_stays_whole(command: LocalCommand, overlay: Path) -> None:
    """Neighbouring clusters are read as neighbours."""
    extents = map_image(command, overlay, "qcow2")
    assert WORD in b"".join(read_extents(extents))


def test_the_overlays_own_part_can_be_read_alone(command: LocalCommand, overlay: Path) -> None:
    """Depth 0 is what was written since the overlay was made; the base's word is not in it."""
    content = b"".join(read_extents(map_image(command, overlay, "qcow2"), depth=0))
    assert content.count(b"\x5a") == 32
    assert WORD not in content


def test_a_compressed_image_is_refused(
    tmp_path: Path, command: LocalCommand, overlay: Path
) -> None:
    """Compressed clusters would hide what is looked for: an error, not a clean result."""
    packed = tmp_path / "packed.qcow2"
    command.run(
        ["qemu-img", "convert", "-c", "-O", "qcow2", str(overlay), str(packed)], timeout_s=60
    )
    with pytest.raises(TemplateDamaged, match="cannot be read"):
        map_image(command, packed, "qcow2")
