"""The overlay's own header against the published qcow2 format.

Source: QEMU, docs/interop/qcow2.txt ("Header", "Header extensions"): all fields are
big-endian. The file is read here byte by byte, not by QEMU's own tools."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest

from forerun.errors import TemplateDamaged
from forerun.ports.command import LocalCommand
from forerun.ports.disks import Disks, digest_file

pytestmark = pytest.mark.tools

GIB = 1024**3
END, BACKING_FORMAT = 0x00000000, 0xE2792ACA


@pytest.fixture
def disks() -> Disks:
    command = LocalCommand()
    if not command.find("qemu-img"):
        pytest.skip("qemu-img is not installed")
    return Disks(command)


@pytest.fixture
def base(tmp_path: Path, disks: Disks) -> Path:
    raw = tmp_path / "raw"
    with raw.open("wb") as stream:
        stream.truncate(GIB)
    path = tmp_path / "base.qcow2"
    disks.convert(raw, path)
    return path


def read_extensions(head: bytes, start: int) -> dict[int, bytes]:
    """Type, length, data, padded to 8 bytes; type 0 ends the list."""
    found: dict[int, bytes] = {}
    at = start
    while True:
        kind, length = struct.unpack_from(">II", head, at)
        if kind == END:
            return found
        found[kind] = head[at + 8 : at + 8 + length]
        at += 8 + (length + 7) // 8 * 8


def test_an_overlay_leans_on_its_base(tmp_path: Path, disks: Disks, base: Path) -> None:
    """Magic, version, the base's name and format, and the virtual size asked for; no dirty
    or corrupt bit."""
    overlay = tmp_path / "system.qcow2"
    disks.make_overlay(base, overlay, size_bytes=10 * GIB)
    head = overlay.read_bytes()[:65536]
    assert head[:4] == b"QFI\xfb"
    version, name_at, name_length = struct.unpack_from(">IQI", head, 4)
    cluster_bits, size, crypt = struct.unpack_from(">IQI", head, 20)
    assert version in (2, 3)
    assert head[name_at : name_at + name_length].decode() == str(base)
    assert name_length <= 1023
    assert cluster_bits >= 9
    assert size == 10 * GIB
    assert crypt == 0
    (incompatible,) = struct.unpack_from(">Q", head, 72)
    refcount_order, header_length = struct.unpack_from(">II", head, 96)
    assert incompatible & 0b11 == 0
    assert refcount_order <= 6
    assert header_length >= 104
    assert header_length % 8 == 0
    assert read_extensions(head, header_length)[BACKING_FORMAT] == b"qcow2"
    assert overlay.stat().st_mode & 0o777 == 0o600
    assert disks.find_other_file(overlay) == str(base)
    assert disks.find_other_file(base) == ""


def test_an_overlay_is_thin(tmp_path: Path, disks: Disks, base: Path) -> None:
    """Ten GiB of overlay cost less than a MiB of the lab host's disk."""
    overlay = tmp_path / "system.qcow2"
    disks.make_overlay(base, overlay, size_bytes=10 * GIB)
    assert overlay.stat().st_blocks * 512 < 1 << 20
    assert disks.virtual_size(overlay) == 10 * GIB
    assert disks.image_format(overlay) == "qcow2"


def test_making_an_overlay_leaves_the_base_as_it_was(
    tmp_path: Path, disks: Disks, base: Path
) -> None:
    """Templates are read-only: their digest stays."""
    base.chmod(0o444)
    before = digest_file(base)
    disks.make_overlay(base, tmp_path / "system.qcow2")
    assert digest_file(base) == before
    assert disks.virtual_size(tmp_path / "system.qcow2") == GIB


def test_damage_is_found(tmp_path: Path, disks: Disks, base: Path) -> None:
    """A whole image passes; one whose tables are overwritten, an image of another format
    and a missing file are TemplateDamaged."""
    disks.check_image(base)
    damaged = tmp_path / "damaged.qcow2"
    content = bytearray(base.read_bytes())
    (l1_at,) = struct.unpack_from(">Q", content, 40)  # offset of the L1 table
    content[l1_at : l1_at + 8] = b"\x80\x00\x00\xff\xff\xff\x00\x01"
    damaged.write_bytes(content)
    with pytest.raises(TemplateDamaged):
        disks.check_image(damaged)
    other = tmp_path / "other.vmdk"
    LocalCommand().run(["qemu-img", "create", "-q", "-f", "vmdk", str(other), "1M"], timeout_s=60)
    for path in (other, tmp_path / "absent.qcow2"):
        with pytest.raises(TemplateDamaged):
            disks.virtual_size(path)
