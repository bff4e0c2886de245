"""Block devices from lsblk's JSON, as lsblk(8) documents its columns.

tests/data/blocks-lvm-md.json was written by hand in that form: two disks, one partition
each, an array over both, a volume group on it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from forerun.distro.linux_blocks import parse_blocks, parse_lsblk, split_mapped_name

DATA = Path(__file__).parent.parent / "data"
LVM_MD = (DATA / "blocks-lvm-md.json").read_text()


def test_an_array_below_two_disks_is_one_device() -> None:
    """lsblk lists it under each; it is kept once, with both as parents."""
    blocks = {block.name: block for block in parse_blocks(LVM_MD)}
    assert list(blocks) == ["sda", "sda1", "md0", "dm-0", "dm-1", "sdb", "sdb1"]
    assert blocks["md0"].kind == "raid1"
    assert blocks["md0"].parents == ("sda1", "sdb1")
    assert blocks["sda"].table == "gpt" and blocks["sda1"].table == ""
    assert blocks["sda1"].partition_uuid.endswith("555551")
    assert blocks["sda"].rotates is True


def test_volumes_have_their_own_names() -> None:
    """The mapped name joins group and volume, hyphens inside them doubled."""
    blocks = {block.name: block for block in parse_blocks(LVM_MD)}
    data = blocks["dm-0"]
    assert (data.mapped, data.volume_group, data.volume) == ("vg0-my--data", "vg0", "my-data")
    assert data.fstype == "ext4" and data.parents == ("md0",)
    assert blocks["dm-1"].fstype == "swap"


@pytest.mark.parametrize(
    ("mapped", "wanted"),
    [
        ("vg0-root", ("vg0", "root")),
        ("my--vg-my--lv", ("my-vg", "my-lv")),
        ("a----b-c", ("a--b", "c")),
        ("vg0-root-real", ("vg0", "root")),
        (r"vg0-a\x2fb", ("vg0", "a/b")),
        (r"vg0-a\x1bb", ("vg0", r"a\x1bb")),
        ("luks", ("", "")),
        ("-x", ("", "")),
    ],
)
def test_mapped_names(mapped: str, wanted: tuple[str, str]) -> None:
    """dmsetup(8): \\xNN for other characters (a control character stays written out);
    lvm(8): VG-LV with doubled hyphens, and a third part for hidden layers."""
    assert split_mapped_name(mapped) == wanted


def test_old_spellings_of_true_and_a_missing_column() -> None:
    """util-linux before 2.33 quotes numbers and flags; a column it lacks is no error."""
    text = '{"blockdevices": [{"kname":"sda","type":"disk","size":"1024","rota":"1"}]}'
    (block,) = parse_blocks(text)
    assert (block.size_bytes, block.rotates, block.serial) == (1024, True, "")
    assert parse_lsblk(text)[0][0].size_bytes == 1024


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{",
        "[]",
        "null",
        '{"blockdevices": 7}',
        '{"blockdevices": [7, null, [], {"children": "x"}]}',
        '{"blockdevices": [{"kname": "sda", "type": "disk", "size": "a lot"}]}',
        '{"blockdevices": [{"kname": "sda", "type": "disk", "size": -5}]}',
        "NAME SIZE\nsda 10G\n",
        "[" * 100_000,
    ],
)
def test_an_answer_of_another_shape_gives_no_device(text: str) -> None:
    """Whatever a tool of that name says, there is no traceback."""
    assert parse_blocks(text) == ()
    assert parse_lsblk(text) == ((), ())


def test_a_device_that_is_nested_without_end_ends() -> None:
    """Twenty levels are walked; real servers have five."""
    row: dict[str, object] = {"kname": "sda0", "type": "disk", "size": 1}
    for number in range(1, 300):
        row = {"kname": f"sda{number}", "type": "disk", "size": 1, "children": [row]}
    assert len(parse_blocks(json.dumps({"blockdevices": [row]}))) == 20


def test_control_characters_are_written_out() -> None:
    """A label or a serial number may hold anything; what is kept is one plain line."""
    row = {
        "kname": "sda", "type": "disk", "size": 9, "serial": "a\x1b[2Jb\nc",
        "label": "x\ud800\u202ey",
    }  # fmt: skip
    (block,) = parse_blocks(json.dumps({"blockdevices": [row]}))
    assert block.serial == r"a\x1b[2Jb\x0ac"
    assert block.label.isprintable() and block.label.startswith("x")
