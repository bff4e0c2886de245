"""The one door to disk images: partition tables, file systems, overlays, the seed."""

from __future__ import annotations

import hashlib
import io
import json
import os
import re
import shutil
from collections.abc import Mapping, Sequence
from pathlib import Path

import pycdlib

from forerun.errors import NoRoom, TemplateDamaged
from forerun.ports.command import Command

SECTOR = 512
MIB = 1024 * 1024
BIOS_ROOT_START = 1 * MIB
UEFI_ESP_START = 1 * MIB
UEFI_ESP_SIZE = 128 * MIB
SEED_LABEL = "CIDATA"


def digest_file(path: Path) -> str:
    """SHA-256 of a file, hexadecimal."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


_GPT_ID = re.compile(r"[0-9a-fA-F]{8}(?:-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12}")
_DOS_ID = re.compile(r"([0-9a-f]{8})-01")
_DOS_PART = re.compile(r"([0-9a-f]{8})-[0-9a-f]{2}$")
_PART_TYPE = re.compile(rf"{_GPT_ID.pattern}|(?:0x)?[0-9a-fA-F]{{1,2}}")


class Disks:
    """Makes and checks disk images through the lab host's own tools."""

    def __init__(self, command: Command) -> None:
        self._command = command

    def make_overlay(self, base: Path, path: Path, *, size_bytes: int = 0) -> None:
        """A qcow2 overlay on a read-only qcow2 base, readable by its owner only."""
        argv = [
            "qemu-img",
            "create",
            "-q",
            "-f",
            "qcow2",
            "-F",
            "qcow2",
            "-b",
            str(base),
            str(path),
        ]
        if size_bytes:
            argv.append(str(size_bytes))
        _make_thin(path, 0)  # qemu-img writes into the file that is there
        self._command.run(argv, timeout_s=60)

    def copy(self, source: Path, target: Path) -> int:
        """A copy of an image that nothing writes to now, as thin as the source where the
        file system can; returns the bytes it takes on the lab host's disk (cp(1))."""
        self._command.run(
            ["cp", "--reflink=auto", "--sparse=always", "--preserve=mode,ownership",
             str(source), str(target)],
            timeout_s=1800,
        )  # fmt: skip
        return target.stat().st_blocks * SECTOR

    def virtual_size(self, path: Path) -> int:
        """The size in bytes that a guest sees; TemplateDamaged if it is no image."""
        done = self._command.run(
            ["qemu-img", "info", "--output=json", str(path)], timeout_s=60, check=False
        )
        try:
            facts = json.loads(done.stdout)
            if facts["format"] not in ("qcow2", "raw"):
                raise ValueError(facts["format"])
            return int(facts["virtual-size"])
        except (ValueError, KeyError) as problem:
            raise TemplateDamaged(
                "This is not a disk image that forerun can use.",
                where=str(path),
                wanted="qcow2",
                found=str(problem) or done.stderr.decode("utf-8", "replace")[:200],
            ) from problem

    def image_format(self, path: Path) -> str:
        """The image format as its own header says."""
        done = self._command.run(
            ["qemu-img", "info", "--output=json", str(path)], timeout_s=60, check=False
        )
        facts = json.loads(done.stdout or b"{}")
        return str(facts.get("format", ""))

    def find_other_file(self, path: Path) -> str:
        """The file that the image keeps its data in or leans on, "" if it is whole: QEMU
        would read any file of the lab host that an image names (qemu-img(1), data_file)."""
        done = self._command.run(["qemu-img", "info", "--output=json", str(path)], timeout_s=60)
        facts = json.loads(done.stdout)
        own = facts.get("format-specific", {}).get("data", {})
        return str(facts.get("backing-filename") or own.get("data-file") or "")

    def check_image(self, path: Path) -> None:
        """Ask the image format's own checker; TemplateDamaged when it finds errors."""
        done = self._command.run(["qemu-img", "check", "-q", str(path)], timeout_s=600, check=False)
        if done.exit_code not in (0, 3):  # 3: leaked clusters only, no damage
            raise TemplateDamaged(
                "The disk image is damaged.",
                where=str(path),
                found=done.stderr.decode("utf-8", "replace")[:300],
                hint="Remove the template and build it again.",
            )

    def convert(self, source: Path, target: Path) -> None:
        """Any image to a sparse qcow2."""
        self._command.run(
            ["qemu-img", "convert", "-q", "-O", "qcow2", str(source), str(target)], timeout_s=1800
        )

    def partition(
        self, disk: Path, size_bytes: int, boot_mode: str, *, root_partition: str = ""
    ) -> int:
        """Make a sparse raw disk with a partition table; returns the root partition's
        offset in bytes. BIOS: one DOS partition. UEFI: GPT, a system partition, root.

        `root_partition` is the PARTUUID that the root is to have, where the table can
        give it: a UUID in a GPT, `DISK-01` in a DOS table."""
        _make_thin(disk, size_bytes)
        if boot_mode == "uefi":
            script = (
                f"label: gpt\nstart={UEFI_ESP_START // SECTOR}, size={UEFI_ESP_SIZE // SECTOR},"
                " type=uefi\n"
                f"start={(UEFI_ESP_START + UEFI_ESP_SIZE) // SECTOR}, type=linux"
                + (f", uuid={root_partition}\n" if _GPT_ID.fullmatch(root_partition) else "\n")
            )
            offset = UEFI_ESP_START + UEFI_ESP_SIZE
        else:
            known = _DOS_ID.fullmatch(root_partition)
            script = "label: dos\n" + (f"label-id: 0x{known[1]}\n" if known else "")
            script += f"start={BIOS_ROOT_START // SECTOR}, type=83, bootable\n"
            offset = BIOS_ROOT_START
        self._command.run(
            ["sfdisk", "--quiet", str(disk)], timeout_s=60, stdin=script.encode("ascii")
        )
        return offset

    def make_boot_partition(self, disk: Path, label: str) -> None:
        """A FAT file system in the UEFI system partition of a raw disk."""
        part = disk.with_suffix(".esp")
        _make_thin(part, UEFI_ESP_SIZE)
        self._command.run(
            ["mkfs.vfat", "-F", "32", "-i", label, "-n", "ESP", str(part)], timeout_s=60
        )
        with part.open("rb") as source, disk.open("r+b") as target:
            target.seek(UEFI_ESP_START)
            shutil.copyfileobj(source, target, MIB)
        part.unlink()

    def make_empty_disk(self, path: Path, size_bytes: int) -> None:
        """A thin raw disk without content, readable by its owner only."""
        _make_thin(path, size_bytes)

    def write_table(
        self, disk: Path, table: str, parts: Sequence[tuple[int, int, str, str]]
    ) -> None:
        """A partition table of the kind "gpt" or "dos"; each part is (number, bytes, type,
        UUID), the last two "" where not known. A part's UUID in a dos table is the disk's
        own number and the part's (sfdisk(8), blkid(8))."""
        lines = [f"label: {table}"]
        owner = next((known[1] for *_, uuid in parts if (known := _DOS_PART.match(uuid))), "")
        if table == "dos" and owner:
            lines.append(f"label-id: 0x{owner}")
        for number, size, kind, uuid in parts:
            fields = [f"size={size // SECTOR}"]
            if _PART_TYPE.fullmatch(kind):
                fields.append(f"type={kind.removeprefix('0x')}")
            if _GPT_ID.fullmatch(uuid) and table == "gpt":
                fields.append(f"uuid={uuid}")
            lines.append(f"{number} : {', '.join(fields)}")
        self._command.run(
            ["sfdisk", "--quiet", str(disk)],
            timeout_s=60,
            stdin="".join(f"{line}\n" for line in lines).encode("ascii"),
        )

    def make_data_disk(
        self, path: Path, *, fstype: str, size_bytes: int, uuid: str, label: str
    ) -> None:
        """A thin raw disk that holds one empty ext2/3/4 file system or swap area."""
        _make_thin(path, size_bytes)
        if fstype == "swap":
            argv = ["mkswap", "-q", "-U", uuid, "-L", label, str(path)]
        else:
            argv = ["mke2fs", "-q", "-F", "-t", fstype, "-U", uuid, "-L", label, str(path)]
        self._command.run(argv, timeout_s=120)


def _make_thin(path: Path, size_bytes: int) -> None:
    """A sparse file that was never readable by anybody else, whatever the umask says: the
    folder of a clone lets the hypervisor's own user through, and others with it. NoRoom
    where there can be none of that size."""
    flags = os.O_WRONLY | os.O_CREAT | os.O_TRUNC
    try:
        with os.fdopen(os.open(path, flags, 0o600), "wb") as stream:
            os.fchmod(stream.fileno(), 0o600)
            stream.truncate(size_bytes)
    except OSError as problem:
        raise NoRoom(
            "A disk image of that size cannot be made.",
            where=str(path),
            found=f"{size_bytes} bytes: {problem.strerror}",
            hint="Set FORERUN_HOME to a file system that takes larger files; is the size that "
            "the survey has for this disk credible?",
        ) from problem


def make_seed_image(path: Path, files: Mapping[str, bytes]) -> None:
    """A NoCloud seed: ISO 9660 with Joliet and Rock Ridge, volume CIDATA, the given
    files in its root. Plain ISO names would be cut, so readers need an extension."""
    image = pycdlib.PyCdlib()
    image.new(interchange_level=1, joliet=3, rock_ridge="1.09", vol_ident=SEED_LABEL)
    streams: list[io.BytesIO] = []
    for number, (name, content) in enumerate(sorted(files.items())):
        stream = io.BytesIO(content)
        streams.append(stream)
        image.add_fp(
            stream, len(content), f"/F{number:07d}.;1", rr_name=name, joliet_path=f"/{name}"
        )
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as out:
        image.write_fp(out)
    image.close()
