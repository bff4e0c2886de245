"""The seed's own programs, run by the real tools on folders and disks of the test's own."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from forerun.errors import CommandFailed
from forerun.model.blueprint import (
    Blueprint,
    LoaderPlan,
    SampleFiles,
    StandInDisk,
    StandInPart,
    StandInVolume,
    TemplateRecipe,
)
from forerun.ports.command import LocalCommand
from forerun.ports.disks import Disks
from forerun.stages.account_numbers import IDS_ONLY, NUMBER_ACCOUNTS
from forerun.stages.seed import make_keys, write_seed_files
from forerun.stages.seed_disks import SAMPLES_PROGRAM, write_stand_ins

pytestmark = pytest.mark.tools

MIB = 1 << 20
COMMAND = LocalCommand()
A = "11111111-0000-4000-8000-000000000001"
B = "22222222-0000-4000-8000-000000000002"
PART = "44444444-0000-4000-8000-000000000004"
LINUX = "0fc63daf-8483-4772-8e79-3d69d8477de4"  # UEFI partition type "Linux filesystem data"

BLUEPRINT = Blueprint(
    run_id="run-1",
    survey_id="survey-1",
    hostname="shelf01",
    recipe=TemplateRecipe("debian", "bookworm", "amd64", "bios", 10 << 30, ()),
    cpus=1,
    memory_bytes=1 << 29,
    stand_ins=(
        StandInDisk("/srv/it's", "ext4", A, "a'b", 64 * MIB,
                    f"UUID={A} /srv/it's ext4 noatime 0 2"),
        StandInDisk("", "", "", "", 80 * MIB, "", table="gpt", parts=(
            StandInPart(2, LINUX, PART, "/srv/p", "ext4", B, "p", 64 * MIB,
                        f"PARTUUID={PART} /srv/p ext4 defaults 0 2"),)),
        StandInDisk("", "", "", "", 128 * MIB, "", group="vg0"),
    ),
    guest_ports=((20022, "access"),),
    allowed=(),
    copy_paths=(),
    held_back_paths=(),
    enable_units=("a'b.service",),
    gaps=(),
    volumes=(StandInVolume("vg0", "log", "/srv/log", "ext4", B, "", 64 * MIB,
                           "/dev/mapper/vg0-log /srv/log ext4 defaults 0 2"),),
    table_lines=("files.example:/h /h nfs4 rw,noauto,nofail 0 0",),
    swap_files=("/swap file",),
    root_options="noatime",
    disable_units=("a'b.service",),
    stop_units=("c.service",),
    loader=LoaderPlan("", ("sda",), (("grub-pc", "grub-pc/install_devices", "/dev/sda"),)),
    samples=(SampleFiles("/srv/it's", 10, ((4096, 3), (0, 1))),),
)  # fmt: skip


def run(*argv: str, stdin: str = "") -> str:
    return COMMAND.run(list(argv), timeout_s=60, stdin=stdin.encode()).text()


@pytest.mark.parametrize("shell", ["sh", "bash"])
def test_the_scripts_are_right_shell(shell: str, tmp_path: Path) -> None:
    """sh(1), -n: read, not run; names with quotes and blanks are among the words."""
    made = write_seed_files(BLUEPRINT, make_keys(), instance="i", mac="52:54:00:0:0:1", copy=b"")
    for name in ("seed.sh", "stand-ins.sh"):
        script = tmp_path / name
        script.write_bytes(made[name])
        run(shell, "-n", str(script))
    with pytest.raises(CommandFailed):
        (tmp_path / "wrong.sh").write_text("if true; then\n")
        run(shell, "-n", str(tmp_path / "wrong.sh"))


# -- the mount table


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Path]:
    """A folder with programs that only say what they were asked."""
    programs = tmp_path / "bin"
    programs.mkdir()
    for name in ("systemctl", "udevadm", "mount", "umount", "blkid", "vgs", "lvs", "pvcreate",
                 "vgcreate", "lvcreate", "mkswap", "mke2fs", "swapon"):  # fmt: skip
        (programs / name).write_text(f'#!/bin/sh\necho {name} "$@" >> {tmp_path}/said\nexit 1\n')
        (programs / name).chmod(0o755)
    yield tmp_path


def make_table(bench: Path, table: str) -> list[str]:
    """Run the part of the script that writes the mount table, on a root of its own."""
    merge = bench / "merge"
    (merge / "etc").mkdir(parents=True, exist_ok=True)
    (merge / "etc/fstab").write_text(table)
    root = bench / "root"
    (root / "etc").mkdir(parents=True, exist_ok=True)
    (root / "etc/fstab").write_text("LABEL=root / ext4 errors=remount-ro 0 1\n")
    text = write_stand_ins(BLUEPRINT).partition("tree=/run/forerun-tree")[0]
    for name in ("/etc/fstab", "/etc/crypttab", "/run/", "/etc/initramfs", "/swap file"):
        text = text.replace(f'"$merge{name}"', f'"$kept{name}"').replace(name, f"{root}{name}")
        text = text.replace(f'"$kept{root}{name}"', f'"$merge{name}"')
    text = text.replace('mkdir -p "$3"', ":").replace("mkdir -p '/h';", ":;")
    (root / "run").mkdir(exist_ok=True)
    path = f"{bench / 'bin'}:{os.environ['PATH']}"
    done = subprocess.run(
        ["sh", "-c", text, "x", str(merge)], env={"PATH": path}, capture_output=True, timeout=60,
        check=False,
    )  # fmt: skip
    assert b"rror" not in done.stderr, done.stderr
    return (root / "etc/fstab").read_text().splitlines()


def test_what_could_not_be_made_is_not_waited_for(bench: Path) -> None:
    """No device answers here: every stand-in's line has noauto,nofail and is told; the
    last two fields are production's own; the root's options are; a second run adds none."""
    table = f"# x\nUUID={A} /srv/it's ext4 noatime 1 3\nPARTUUID={PART} /srv/p ext4 defaults 0 0\n"
    first = make_table(bench, table)
    assert first[0] == "LABEL=root / ext4 noatime 0 1"
    lines = {line.split()[1]: line.split() for line in first[1:]}
    for target in ("/srv/it's", "/srv/p", "/srv/log", "/h"):
        assert lines[target][3].endswith("noauto,nofail"), target
    assert lines["/srv/it's"][4:] == ["1", "3"]
    assert lines["/srv/p"][4:] == ["0", "0"]
    told = (bench / "root/run/forerun-not-made").read_text()
    assert {"not made: /srv/it's", "not made: /srv/p", "not made: /srv/log"} <= set(
        told.splitlines()
    )


# -- partition tables, read back by sfdisk(8)


@pytest.mark.parametrize(
    ("table", "kind", "uuid"), [("gpt", LINUX, PART), ("dos", "0x83", "1a2b3c4d-02")]
)
def test_a_table_is_written_as_production_has_it(
    tmp_path: Path, table: str, kind: str, uuid: str
) -> None:
    """Number, size, type and UUID; sfdisk's own dump is the judge."""
    disk = tmp_path / "disk.raw"
    disks = Disks(COMMAND)
    disks.make_empty_disk(disk, 80 * MIB)
    disks.write_table(disk, table, [(2, 64 * MIB, kind, uuid)])
    dump = json.loads(run("sfdisk", "--json", str(disk)))["partitiontable"]
    (part,) = dump["partitions"]
    assert dump["label"] == table
    assert part["node"].endswith("disk.raw2")
    assert part["size"] * dump.get("sectorsize", 512) == 64 * MIB
    assert part["type"].lower() == kind.removeprefix("0x")
    if table == "gpt":
        assert part["uuid"].lower() == uuid
    else:  # blkid(8): a dos partition's UUID is the disk's number and the part's
        assert f"{dump['id'].removeprefix('0x')}-{2:02x}" == uuid


# -- made-up files


def test_made_up_files_are_the_same_on_every_clone(tmp_path: Path) -> None:
    """As many as asked, of the sizes asked, byte for byte the same, and not all alike."""
    seen = []
    for name in ("first", "second"):
        folder = tmp_path / name
        folder.mkdir()
        for _ in range(2):  # again: nothing changes
            run("perl", "-e", SAMPLES_PROGRAM, str(folder), "200", "4096:3", "70000:1", "2:1")
        files = sorted(path for path in folder.rglob("*") if path.is_file())
        assert len(files) == 200
        assert {path.stat().st_size for path in files} == {4096, 70000, 2}
        seen.append([hashlib.sha256(path.read_bytes()).hexdigest() for path in files])
    assert seen[0] == seen[1]
    large = [n for n, path in enumerate(files) if path.stat().st_size > 2]
    assert len({seen[0][n] for n in large}) == len(large)


# -- numbers of accounts


class Root:
    """A small system's tree with accounts and files."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "root"
        self.wanted = folder / "wanted"
        (self.path / "etc").mkdir(parents=True)
        self.wanted.mkdir()
        self.write(
            "passwd",
            "root:x:0:0:root:/root:/bin/sh\nsshd:x:100:65534::/run/sshd:/bin/false\n"
            "postgres:x:101:103:PG:/var/lib/pg:/bin/sh\nown:x:102:104::/:/bin/false\n",
        )
        self.write("group", "root:x:0:\nssl-cert:x:102:postgres\npostgres:x:103:\nown:x:104:\n")
        self.write("shadow", "root:*:1::::::\nsshd:!:1::::::\npostgres:!:1::::::\nown:!:1::::::\n")
        self.write("gshadow", "root:*::\nssl-cert:!::postgres\npostgres:!::\nown:!::\n")
        (self.path / "bin").mkdir()
        (self.path / "bin/sh").write_text("")
        (self.path / "bin/sh").chmod(0o755)

    def write(self, name: str, text: str) -> None:
        (self.path / "etc" / name).write_text(text)

    def want(self, name: str, text: str) -> None:
        (self.wanted / name).write_text(text)

    def lay(self, name: str, uid: int, gid: int, mode: int = 0o644) -> Path:
        path = self.path / name
        path.write_text("x")
        os.chown(path, uid, gid)
        path.chmod(mode)
        return path

    def number(self, *mode: str) -> str:
        return run("perl", "-e", NUMBER_ACCOUNTS, str(self.wanted), str(self.path), *mode)

    def read(self, name: str) -> dict[str, list[str]]:
        lines = (self.path / "etc" / name).read_text().splitlines()
        assert len({line.split(":")[0] for line in lines}) == len(lines), "a name twice"
        return {line.split(":")[0]: line.split(":") for line in lines}


@pytest.fixture
def root(tmp_path: Path) -> Root:
    if os.geteuid():
        pytest.skip("files of other owners need root")
    return Root(tmp_path)


def owner(path: Path) -> tuple[int, int]:
    facts = path.lstat()
    return facts.st_uid, facts.st_gid


def test_a_template_gets_productions_numbers(root: Root) -> None:
    """Swapped numbers end where production has them, files follow, in one pass; an own
    account in the way moves; set-user-id bits and links stay; nobody is added."""
    root.want("passwd", "postgres:x:100:102:::\nsshd:x:101:65534:::\nabsent:x:102:1:::\n")
    root.want("group", "postgres:x:102:\nssl-cert:x:103:\n")
    data = root.lay("data", 101, 103)
    keys = root.lay("keys", 0, 102, 0o640)
    run_file = root.lay("tool", 100, 103, 0o4755)
    link = root.path / "link"
    link.symlink_to("nowhere")
    os.lchown(link, 101, 103)
    kept = root.lay("kept", 102, 104)
    root.number(IDS_ONLY)
    users, groups = root.read("passwd"), root.read("group")
    assert (users["postgres"][2:4], users["sshd"][2]) == (["100", "102"], "101")
    assert (groups["postgres"][2], groups["ssl-cert"][2:]) == ("102", ["103", "postgres"])
    assert "absent" not in users
    assert users["own"][2:4] == ["102", "104"]
    assert owner(data) == (100, 102)
    assert owner(keys) == (0, 103)
    assert owner(run_file) == (101, 102)
    assert run_file.stat().st_mode & 0o7777 == 0o4755
    assert owner(link) == (100, 102)
    assert owner(kept) == (102, 104)


def test_a_clone_takes_over_productions_accounts(root: Root) -> None:
    """People come with number, home and shell; an account of the clone's packages that
    production has not stays, with another number where that is taken; passwords are the
    copy's; a second run changes nothing."""
    root.want(
        "passwd",
        "root:x:0:0:r:/root:/bin/nosuch\n"
        "maria:x:1000:1000:Person 1a2b3c,,,:/home/maria:/bin/sh\n"
        "postgres:x:102:103:PG:/var/lib/pg:/bin/sh\nsshd:x:100:65534::/run/sshd:/bin/false\n",
    )
    root.want(
        "group",
        "root:x:0:\nmaria:x:1000:\nstaff:x:50:maria\npostgres:x:103:\nssl-cert:x:102:\n",
    )
    root.want(
        "shadow",
        "root:$y$a:1::::::\nmaria:$y$b:1::::::\npostgres:!:1::::::\nsshd:!:1::::::\n",
    )
    root.want("gshadow", "root:*::\nmaria:!::\nstaff:!::maria\npostgres:!::\nssl-cert:!::\n")
    own, data = root.lay("own-file", 102, 104), root.lay("data", 101, 103)
    root.number()
    users, groups = root.read("passwd"), root.read("group")
    assert users["maria"][2:] == ["1000", "1000", "Person 1a2b3c,,,", "/home/maria", "/bin/sh"]
    assert users["root"][6] == "/bin/sh"  # the clone has no such shell
    assert users["postgres"][2] == "102"
    moved = int(users["own"][2])
    assert moved not in (100, 101, 102)
    assert 100 <= moved <= 999
    assert groups["staff"][3] == "maria"
    assert (owner(own), owner(data)) == ((moved, 104), (102, 103))
    assert root.read("shadow")["maria"][1] == "$y$b"
    assert "own" in root.read("shadow")
    before = (users, groups)
    root.number()
    assert (root.read("passwd"), root.read("group")) == before
    assert owner(own) == (moved, 104)
