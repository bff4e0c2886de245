"""The leak scan of images, with QEMU's own tools and no guest."""

from __future__ import annotations

from pathlib import Path

import pytest

from forerun.ports.command import LocalCommand
from forerun.ports.disks import Disks
from forerun.stages.leak_machine import scan_machine
from forerun.stages.leakscan import LeakScanner
from forerun.stages.sanitise_vault import Vault

pytestmark = pytest.mark.tools

MIB = 1 << 20
PUBLIC = b"Copperfield-Lantern-31"
ORIGINAL = b"Tanglewood-4471-marzipan"


@pytest.fixture
def command() -> LocalCommand:
    command = LocalCommand()
    if not command.find("qemu-img") or not command.find("qemu-io"):
        pytest.skip("qemu-img and qemu-io are not installed")
    return command


@pytest.fixture
def scanner() -> LeakScanner:
    vault = Vault()
    for word in (PUBLIC, ORIGINAL):
        vault.note(word, rule="planted", sweep=True)
    return LeakScanner(vault)


@pytest.fixture
def system(tmp_path: Path, command: LocalCommand) -> Path:
    """A clone's disk on a template that holds PUBLIC; the clone wrote beside that word, so
    the cluster with it was copied."""
    raw = tmp_path / "base.raw"
    with raw.open("wb") as stream:
        stream.truncate(8 * MIB)
        stream.seek(MIB)
        stream.write(PUBLIC)
    base = tmp_path / "base.qcow2"
    disks = Disks(command)
    disks.convert(raw, base)
    path = tmp_path / "system.qcow2"
    disks.make_overlay(base, path, size_bytes=8 * MIB)
    write(command, path, MIB + 512, b"z" * 64)
    return path


def write(command: LocalCommand, image: Path, at: int, content: bytes) -> None:
    """Write into a qcow2 image as a machine would."""
    source = image.with_name("content")
    source.write_bytes(content)
    step = f"write -s {source} {at} {len(content)}"
    command.run(["qemu-io", "-f", "qcow2", "-c", step, str(image)], timeout_s=60)


def test_a_word_of_the_template_is_no_leak(
    command: LocalCommand, scanner: LeakScanner, system: Path
) -> None:
    """Also where the clone's own cluster holds it now, and the template's is hidden."""
    assert scan_machine(scanner, command, system=system, others=[]) == ()


def test_an_original_is_a_leak_on_every_disk(
    command: LocalCommand, scanner: LeakScanner, system: Path, tmp_path: Path
) -> None:
    """On the system disk, in a data disk and in a seed; the template's word is not told."""
    write(command, system, 3 * MIB, ORIGINAL)
    data = tmp_path / "data.raw"
    data.write_bytes(bytes(MIB) + ORIGINAL + bytes(MIB))
    hits = scan_machine(scanner, command, system=system, others=[data])
    assert [(Path(hit.place).name, hit.form) for hit in hits] == [
        ("data.raw", "plain"),
        ("system.qcow2", "plain"),
    ]
