"""A template's build, part by part: the lab host's own disk tools work on a small tree.

Two things are played: the package tool, by a program of that name which copies a tree
made here, and the one boot that writes the loader, by a hypervisor without machines.
What these two really do is seen by the tests with guests.
"""

from __future__ import annotations

import io
import json
import os
import re
import sqlite3
import subprocess
import tarfile
import tempfile
import threading
import time
import xml.etree.ElementTree as ET
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from forerun.errors import HypervisorFailed, TemplateDamaged, TemplateFailed
from forerun.events import Event
from forerun.model.blueprint import (
    DomainPlan,
    PinnedPackage,
    RecipeSource,
    TemplateInfo,
    TemplateRecipe,
)
from forerun.ports.command import LocalCommand
from forerun.ports.disks import MIB, Disks, digest_file
from forerun.ports.domain_xml import write_domain_xml
from forerun.ports.held import PART
from forerun.ports.ledger import Ledger
from forerun.ports.store import Store
from forerun.stages.sweep import sweep
from forerun.stages.template import LOADER_TIME_S, Workshop, build_template, digest_recipe
from forerun.stages.template_check import verify_template
from forerun.stages.template_import import import_template
from forerun.stages.template_scripts import EMULATED_WORDS, LOADER_MARK
from forerun.stages.template_shelf import remove_template
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
echo "$TMPDIR" > "$PLAYED/tmpdir"; mkdir "$TMPDIR/mmdebstrap.left"
if [ -e "$PLAYED/mounts" ]; then
  mkdir "$TMPDIR/proc" && mount -t proc proc "$TMPDIR/proc" && touch "$PLAYED/mounted"
  exit 25
fi
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

    def build(
        self,
        hypervisor: FakeHypervisor,
        *,
        accelerator: str = "emulation",
        sink: Sink | None = None,
    ) -> TemplateInfo:
        """Build the recipe's template."""
        command = LocalCommand()
        shop = Workshop(
            self.store,
            command,
            Disks(command),
            hypervisor,
            self.clock,
            sink or Sink(),
            accelerator,
            9,
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
    assert list(scene.store.root.glob("*.lock")) == []


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


# -- what a build leaves, and what it finds


def test_every_work_tree_lies_in_the_noted_folder(scene: Scene) -> None:
    """The package tool's own as well, by TMPDIR (mmdebstrap(1)): it goes with ours if the
    tool is killed, and it is gone after a build that ended well."""
    seen: list[str] = []

    class Looking(LoaderBoot):
        def start(self, xml: str) -> None:
            seen.extend(entry.label() for entry in scene.store.ledger.find())
            super().start(xml)

    info = scene.build(Looking())
    aside = scene.store.templates / f"{info.id}{PART}"
    assert Path((scene.played / "tmpdir").read_text().strip()).parent == aside
    assert f"folder:{aside}" in seen
    (domain,) = [label for label in seen if label.startswith("domain:")]
    assert re.fullmatch(rf"domain:forerun-template-{info.id}-[0-9a-f]{{8}}", domain)
    assert not list(scene.store.root.rglob("mmdebstrap.*"))
    assert not list(scene.store.root.rglob("forerun-tree.*"))


@pytest.mark.parametrize("fails", [False, True])
def test_who_is_not_root_works_in_a_noted_folder_outside(
    scene: Scene, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fails: bool
) -> None:
    """Under user numbers of his own, which may not enter his folders: in the folder for
    temporary files, by a name that the ledger had first; gone however the build ends."""
    helper = ["mmdebstrap", "--unshare-helper"]
    for module in ("scratch", "template"):
        monkeypatch.setattr(f"forerun.stages.{module}.as_owner", lambda: helper)
    public = tmp_path / "tmp"
    public.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(public))
    noted: list[str] = []
    note = scene.store.ledger.note

    def watch(run: str, kind: str, name: str, **more: str) -> int:
        if kind == "scratch":
            assert not Path(name).exists(), "noted before it is made"
            noted.append(name)
        return note(run, kind, name, **more)

    monkeypatch.setattr(scene.store.ledger, "note", watch)
    if fails:
        (scene.played / "fails").touch()
        with pytest.raises(TemplateFailed):
            scene.build(LoaderBoot())
    else:
        scene.build(LoaderBoot())
    (name,) = noted
    assert re.fullmatch(rf"{public}/forerun-tree\.[0-9a-f]{{16}}", name)
    assert (scene.played / "tmpdir").read_text().strip() == name
    assert list(public.iterdir()) == []
    assert scene.store.ledger.find() == ()


@pytest.mark.skipif(os.geteuid() != 0, reason="mounting needs root")
def test_what_the_package_tool_mounts_is_nobody_elses(scene: Scene) -> None:
    """It ends without unmounting, as one that is killed does: the lab host's /proc would stay
    mounted in the work tree, and nothing could remove that (seen with mmdebstrap 1.3)."""
    (scene.played / "mounts").touch()
    with pytest.raises(TemplateFailed):
        scene.build(LoaderBoot())
    if not (scene.played / "mounted").exists():
        pytest.skip("nothing can be mounted here")
    assert str(scene.store.root) not in Path("/proc/self/mountinfo").read_text()
    (aside,) = scene.store.templates.iterdir()
    assert not (aside / "scratch").exists()
    assert sweep(scene.store, FakeHypervisor()).left == ()
    assert list(scene.store.templates.iterdir()) == []


def test_an_old_work_tree_that_cannot_go_is_told(
    scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its place and what to look for, instead of a clash further on."""
    aside = scene.store.templates / f"{digest_recipe(RECIPE)}{PART}"
    (aside / "scratch" / "proc").mkdir(parents=True)
    monkeypatch.setattr("forerun.ports.removal.has_mounts", lambda folder: True)
    with pytest.raises(TemplateFailed, match="cannot be removed") as caught:
        scene.build(LoaderBoot())
    assert caught.value.where.endswith("scratch")
    assert "mounted" in caught.value.hint


def test_what_a_killed_builder_left_goes_before_its_parts_are_used(scene: Scene) -> None:
    """We waited for its lock, it was killed: its guest would write on the disk that we take
    for our own, and its work tree fill ours."""
    template_id = digest_recipe(RECIPE)
    run, name = f"template-{template_id}", f"forerun-template-{template_id}-0a1b2c3d"
    dead = Ledger(scene.store.root / "ledger.sqlite", pid=2**22 + 1)  # proc(5), pid_max
    dead.note(run, "domain", name)
    aside = scene.store.templates / f"{template_id}{PART}"
    (aside / "scratch" / "mmdebstrap.old").mkdir(parents=True)
    dead.note(run, "folder", str(aside))
    ended: list[str] = []

    class Watched(LoaderBoot):
        def end(self, name: str) -> None:
            ended.append(name)
            super().end(name)

    hypervisor = Watched()
    hypervisor.domains[name] = write_domain_xml(
        DomainPlan(
            name=name, uuid="919108f7-52d1-4320-9bac-f847db4148a8", mac="", cpus=1,
            memory_bytes=64 * MIB, boot_mode="bios", accelerator="emulation", disks=(),
            console_log="/nowhere", owner=run, state=scene.store.mark,
        )
    )  # fmt: skip
    scene.build(hypervisor)
    assert ended[0] == name
    assert sweep(scene.store, hypervisor).removed == (), "the parts were used"
    assert scene.store.ledger.find() == ()
    assert len(scene.store.find_templates()) == 1


def test_two_builders_of_one_template_take_turns(scene: Scene) -> None:
    """The second waits, says so once, and takes the first one's template."""
    sinks = [Sink(), Sink()]
    begun, built, problems = threading.Event(), [], []

    class Slow(LoaderBoot):
        def start(self, xml: str) -> None:
            begun.set()
            time.sleep(0.5)
            super().start(xml)

    def build(sink: Sink, hypervisor: LoaderBoot) -> None:
        try:
            built.append(scene.build(hypervisor, sink=sink))
        except BaseException as problem:
            problems.append(problem)

    first = threading.Thread(target=build, args=(sinks[0], Slow()))
    first.start()
    assert begun.wait(60)
    build(sinks[1], LoaderBoot())
    first.join(60)
    assert problems == []
    assert built[0] == built[1]
    assert scene.count_runs() == 1
    waits = [[e for e in sink.told if "waiting" in getattr(e, "text", "")] for sink in sinks]
    assert [len(told) for told in waits] == [0, 1]


def make_image(folder: Path) -> Path:
    image = folder / "disk.qcow2"
    subprocess.run(["qemu-img", "create", "-q", "-f", "qcow2", str(image), "16M"], check=True)
    return image


def take_over(store: Store, image: Path) -> TemplateInfo:
    disks = Disks(LocalCommand())
    return import_template(image, store, disks, FakeClock(), codename="bookworm", boot_mode="bios")


def test_an_import_goes_over_what_a_killed_one_left(tmp_path: Path) -> None:
    """Its half folder is in nobody's way."""
    store, image = Store(tmp_path / "home"), make_image(tmp_path)
    template_id = digest_file(image)[:16]
    half = store.templates / f"{template_id}{PART}"
    half.mkdir()
    (half / "disk.qcow2").write_bytes(b"half")
    assert take_over(store, image).id == template_id
    assert [one.name for one in store.templates.iterdir()] == [template_id]
    assert store.ledger.find() == ()


def test_two_imports_of_one_image_make_one_template(tmp_path: Path) -> None:
    store, image = Store(tmp_path / "home"), make_image(tmp_path)
    with ThreadPoolExecutor(4) as pool:
        made = set(pool.map(lambda _: take_over(store, image), range(4)))
    assert len(made) == 1
    assert len(store.find_templates()) == 1
    assert list(store.root.glob("*.lock")) == []


def test_a_removal_that_is_killed_leaves_no_half_template(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It stops being a template before the first of its files goes."""
    store = Store(tmp_path / "home")
    info = take_over(store, make_image(tmp_path))

    class Killed(BaseException):
        pass

    def die(folder: Path) -> bool:
        if folder.exists():
            raise Killed
        return True

    monkeypatch.setattr("forerun.ports.store.remove_tree", die)
    with pytest.raises(Killed):
        remove_template(store, info)
    monkeypatch.undo()
    assert store.find_templates() == ()
    (left,) = store.templates.iterdir()
    assert left.name == f"{info.id}{PART}"
    dead = Store(store.root)  # another process
    with sqlite3.connect(store.root / "ledger.sqlite") as database:
        database.execute("update things set pid_began = '1'")
    assert f"folder:{left}" in sweep(dead, FakeHypervisor()).removed
    assert list(store.templates.iterdir()) == []


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
