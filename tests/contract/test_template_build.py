"""A template's build, part by part: the lab host's own disk tools work on a small tree.

Two things are played: the package tool, by a program of that name which copies a tree
made here, and the one boot that writes the loader, by a hypervisor without machines.
What these two really do is seen by the tests with guests.
"""

from __future__ import annotations

import io
import json
import os
import subprocess
import tarfile
import xml.etree.ElementTree as ET
from collections.abc import Callable
from pathlib import Path

import pytest

from forerun.errors import HypervisorFailed, TemplateDamaged, TemplateFailed
from forerun.events import Event
from forerun.model.blueprint import PinnedPackage, RecipeSource, TemplateRecipe
from forerun.ports.command import LocalCommand
from forerun.ports.disks import MIB, Disks
from forerun.ports.store import PART, Store
from forerun.stages.template import LOADER_TIME_S, Workshop, build_template, digest_recipe
from forerun.stages.template_check import verify_template
from forerun.stages.template_scripts import EMULATED_WORDS, LOADER_MARK
from forerun.testing import FakeClock, FakeHypervisor

pytestmark = pytest.mark.tools

STATUS = (
    "Package: libc6\nStatus: install ok installed\nVersion: 2.36-9\n\n"
    "Package: gone\nStatus: deinstall ok config-files\nVersion: 1\n"
)
TREE = {
    "./boot/vmlinuz-6.1.0-9": b"old kernel",
    "./boot/vmlinuz-6.1.0-10": b"kernel",
    "./boot/initrd.img-6.1.0-10": b"initrd",
    "./var/lib/dpkg/status": STATUS.encode("ascii"),
}
RECIPE = TemplateRecipe(
    family="debian",
    codename="bookworm",
    architecture="amd64",
    boot_mode="bios",
    size_bytes=64 * MIB,
    sources=(RecipeSource("http://archive.example/debian", "bookworm", ("main",)),),
    packages=(PinnedPackage("libc6", "2.36-9", "amd64"),),
)
# Stands in for the package tool: the tree comes from a file, faults from the environment.
PACKAGE_TOOL = """#!/bin/sh
if [ "$1" = --unshare-helper ]; then shift; exec "$@"; fi
echo run >> "$PLAYED/runs"
if [ -e "$PLAYED/fails" ]; then echo "I: working" >&2; echo "E: no such package" >&2; exit 25; fi
for word in "$@"; do case $word in *.part) cp "$PLAYED/tree.tar" "$word" ;; esac; done
"""


class Sink:
    """Keeps what it is told."""

    def __init__(self) -> None:
        self.told: list[Event] = []

    def emit(self, event: Event) -> None:
        self.told.append(event)

    def close(self) -> None:
        """Nothing is open."""


class LoaderBoot(FakeHypervisor):
    """Plays the boot that writes the loader: says `says` on its console and, unless
    `stays`, powers off at once."""

    def __init__(self, says: str = LOADER_MARK, *, stays: bool = False) -> None:
        super().__init__()
        self.says, self.stays = says, stays
        self.started: list[str] = []

    def start(self, xml: str) -> None:
        super().start(xml)
        self.started.append(xml)
        domain = ET.fromstring(xml)
        console = domain.find("./devices/serial/log")
        assert console is not None
        Path(console.attrib["file"]).write_text(f"booting\n{self.says}\n", encoding="utf-8")
        if not self.stays:
            self.domains.clear()


class Scene:
    """A store, a played package tool, and builds in it."""

    def __init__(self, folder: Path) -> None:
        self.played = folder / "played"
        self.store = Store(folder / "home")
        self.clock = FakeClock()
        self.write_tree(TREE)

    def write_tree(self, files: dict[str, bytes]) -> None:
        """The tree that the package tool makes."""
        with tarfile.open(self.played / "tree.tar", "w") as tar:
            for name, content in files.items():
                info = tarfile.TarInfo(name)
                info.size, info.mode = len(content), 0o644
                info.uid, info.gid = os.getuid(), os.getgid()
                tar.addfile(info, io.BytesIO(content))

    def build(self, hypervisor: FakeHypervisor, *, accelerator: str = "emulation"):  # type: ignore[no-untyped-def]
        """Build the recipe's template."""
        command = LocalCommand()
        shop = Workshop(
            self.store, command, Disks(command), hypervisor, self.clock, Sink(), accelerator, 9
        )
        return build_template(RECIPE, shop)

    def count_runs(self) -> int:
        """How often the package tool ran."""
        runs = self.played / "runs"
        return len(runs.read_text(encoding="utf-8").splitlines()) if runs.exists() else 0

    def assert_unpublished(self) -> None:
        """No template, no noted thing that is still there, no machine."""
        assert self.store.find_templates() == ()
        assert self.store.ledger.find() == ()


@pytest.fixture
def scene(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Scene:
    programs, played = tmp_path / "bin", tmp_path / "played"
    programs.mkdir()
    played.mkdir()
    tool = programs / "mmdebstrap"
    tool.write_text(PACKAGE_TOOL, encoding="ascii")
    tool.chmod(0o755)
    monkeypatch.setenv("PATH", f"{programs}:{os.environ['PATH']}")
    monkeypatch.setenv("PLAYED", str(played))
    return Scene(tmp_path)


def read_back(disk: Path, name: str, folder: Path) -> bytes:
    """A file of the template's root file system, by e2fsprogs' own reader (debugfs(8))."""
    raw = folder / "root.raw"
    subprocess.run(["qemu-img", "convert", "-O", "raw", str(disk), str(raw)], check=True)
    image = folder / "root.ext4"
    image.write_bytes(raw.read_bytes()[MIB:])
    shown = subprocess.run(
        ["debugfs", "-R", f"cat {name}", str(image)], check=True, capture_output=True
    )
    return shown.stdout


def test_a_whole_build_is_published(scene: Scene, tmp_path: Path) -> None:
    """The tree's files are on a read-only disk of the recipe's size, its packages are on
    record, and no part of the work is left behind."""
    info = scene.build(LoaderBoot())
    folder = scene.store.templates / info.id
    assert info.id == digest_recipe(RECIPE)
    assert info.packages == (("libc6", "2.36-9"),)
    disk = folder / "disk.qcow2"
    assert disk.stat().st_mode & 0o777 == 0o444
    assert Disks(LocalCommand()).virtual_size(disk) == RECIPE.size_bytes
    assert read_back(disk, "/boot/vmlinuz-6.1.0-10", tmp_path) == b"kernel"
    left = {entry.name for entry in folder.iterdir()}
    assert left == {
        "build.log", "customise.sh", "disk.qcow2", "preferences", "stand-ins", "template.json",
    }  # fmt: skip
    assert json.loads((folder / "template.json").read_text())["root_uuid"] == info.root_uuid
    assert scene.store.ledger.find() == ()


def test_a_template_is_built_once(scene: Scene) -> None:
    """The same recipe again: the same template, without the package tool or a boot."""
    first = scene.build(LoaderBoot())
    hypervisor = LoaderBoot()
    assert scene.build(hypervisor) == first
    assert (scene.count_runs(), hypervisor.started) == (1, [])


def test_an_altered_template_is_not_used(scene: Scene) -> None:
    """One changed byte of the disk, and it is refused instead of built upon."""
    info = scene.build(LoaderBoot())
    disk = scene.store.template_disk(info.id)
    disk.chmod(0o644)
    with disk.open("r+b") as stream:
        stream.seek(disk.stat().st_size // 2)
        byte = stream.read(1)
        stream.seek(-1, os.SEEK_CUR)
        stream.write(bytes([byte[0] ^ 1]))
    with pytest.raises(TemplateDamaged):
        scene.build(LoaderBoot())


def test_the_newest_kernel_starts_the_one_boot(scene: Scene) -> None:
    """Direct start of the tree's newest kernel with its initial RAM disk; the root is
    named by the template's own id."""
    seen: dict[str, bytes] = {}

    class Looking(LoaderBoot):
        def start(self, xml: str) -> None:
            domain = ET.fromstring(xml)
            for part in ("kernel", "initrd"):
                seen[part] = Path(domain.findtext(f"./os/{part}") or "").read_bytes()
            super().start(xml)

    hypervisor = Looking()
    info = scene.build(hypervisor)
    assert seen == {"kernel": b"kernel", "initrd": b"initrd"}
    words = ET.fromstring(hypervisor.started[0]).findtext("./os/cmdline") or ""
    assert words.startswith(f"root=UUID={info.root_uuid} ")


@pytest.mark.parametrize(("accelerator", "expected"), [("emulation", True), ("kvm", False)])
def test_only_an_emulated_boot_has_words_for_its_kernel(
    scene: Scene, accelerator: str, expected: bool
) -> None:
    """They make emulation quicker and would only weaken a real processor."""
    hypervisor = LoaderBoot()
    scene.build(hypervisor, accelerator=accelerator)
    words = ET.fromstring(hypervisor.started[0]).findtext("./os/cmdline") or ""
    assert words.endswith(f" {EMULATED_WORDS}") is expected


def test_a_package_tool_that_fails_is_said_in_its_own_words(scene: Scene) -> None:
    """Its error line and the log's place are told; nothing is published."""
    (scene.played / "fails").touch()
    with pytest.raises(TemplateFailed) as caught:
        scene.build(LoaderBoot())
    assert caught.value.found == "E: no such package"
    assert Path(caught.value.where).is_file()
    scene.assert_unpublished()


def test_a_tree_larger_than_its_disk_is_no_template(scene: Scene) -> None:
    """mke2fs(8) says what is lacking; nothing is published, and the unpacked tree is gone."""
    scene.write_tree({**TREE, "./large": os.urandom(RECIPE.size_bytes)})
    with pytest.raises(TemplateFailed, match="could not be put on a disk"):
        scene.build(LoaderBoot())
    scene.assert_unpublished()
    assert list(scene.store.templates.glob("*/forerun-tree.*")) == []


def test_a_tree_without_a_kernel_is_no_template(scene: Scene) -> None:
    """The missing file is named, and what to add."""
    scene.write_tree({name: body for name, body in TREE.items() if "vmlinuz" not in name})
    with pytest.raises(TemplateFailed, match="vmlinuz") as caught:
        scene.build(LoaderBoot())
    assert "linux-image" in caught.value.hint
    scene.assert_unpublished()


@pytest.mark.parametrize(
    "make",
    [
        lambda: LoaderBoot("grub-install: error: disk not found"),
        lambda: LoaderBoot(stays=True),
    ],
    ids=["without its mark", "without an end"],
)
def test_a_loader_that_was_not_written_is_no_template(
    scene: Scene, make: Callable[[], LoaderBoot]
) -> None:
    """A boot that does not say that it wrote the loader, or does not end in time: nothing
    is published and no machine stays; the next build boots again."""
    hypervisor = make()
    with pytest.raises(TemplateFailed):
        scene.build(hypervisor)
    assert hypervisor.domains == {}
    assert scene.clock.at_s < LOADER_TIME_S + 2
    scene.assert_unpublished()
    again = LoaderBoot()
    scene.build(again)
    assert len(again.started) == 1


def test_what_the_boot_said_is_told(scene: Scene) -> None:
    """The console's last words are in the error."""
    with pytest.raises(TemplateFailed) as caught:
        scene.build(LoaderBoot("grub-install: error: disk not found"))
    assert "disk not found" in caught.value.found


def test_a_stopped_build_goes_on(scene: Scene) -> None:
    """The tree that is whole is not made again; a half part is."""
    with pytest.raises(HypervisorFailed):
        scene.build(FakeHypervisor(broken=True))
    aside = scene.store.templates / f"{digest_recipe(RECIPE)}{PART}"
    assert (aside / "tree.tar").is_file()
    assert not (aside / "disk.raw").exists()
    assert scene.store.find_templates() == ()
    scene.build(LoaderBoot())
    assert scene.count_runs() == 1
    assert not aside.exists()


class CountingDisks(Disks):
    """Counts how often the image's own checker was asked."""

    checked = 0

    def check_image(self, path: Path) -> None:
        """Count and ask."""
        self.checked += 1
        super().check_image(path)


def test_an_unwritten_disk_is_read_once(scene: Scene) -> None:
    """The whole content is compared the first time and then no more, which is what makes a
    second fit cheap."""
    info = scene.build(LoaderBoot())
    disks = CountingDisks(LocalCommand())
    for _ in range(3):
        verify_template(scene.store, info, disks)
    assert disks.checked == 1


def test_a_write_shows_even_with_the_old_time_of_modification(scene: Scene) -> None:
    """utimensat(2) sets the times of access and modification; the time of change it sets
    to now, as a write does."""
    info = scene.build(LoaderBoot())
    disks = Disks(LocalCommand())
    verify_template(scene.store, info, disks)
    disk = scene.store.template_disk(info.id)
    before = disk.stat()
    disk.chmod(0o644)
    with disk.open("r+b") as stream:
        stream.seek(before.st_size // 2)
        byte = stream.read(1)
        stream.seek(-1, os.SEEK_CUR)
        stream.write(bytes([byte[0] ^ 1]))
    disk.chmod(before.st_mode & 0o777)
    os.utime(disk, ns=(before.st_atime_ns, before.st_mtime_ns))
    with pytest.raises(TemplateDamaged):
        verify_template(scene.store, info, disks)


@pytest.mark.parametrize(
    ("boot_mode", "part"),
    [("bios", "8953b397-01"), ("uefi", "919108f7-52d1-4320-9bac-f847db4148a8")],
)
def test_the_root_partition_has_the_id_asked_for(tmp_path: Path, boot_mode: str, part: str) -> None:
    """As sfdisk(8) reads the table: in a DOS table PARTUUID is the disk's own number and the
    partition's, in a GPT the partition's own."""
    command = LocalCommand()
    disk = tmp_path / "disk"
    Disks(command).partition(disk, 2 << 30, boot_mode, root_partition=part)
    table = json.loads(command.run(["sfdisk", "--json", str(disk)], timeout_s=60).stdout)
    table = table["partitiontable"]
    if boot_mode == "bios":
        assert table["id"] == "0x8953b397"
    else:
        assert table["partitions"][-1]["uuid"].lower() == part
