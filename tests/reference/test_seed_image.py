"""The seed image as other readers see it: ECMA-119 by offsets, isoinfo, xorriso, blkid; and
its text as cloud-init's own schemas judge it.

Offsets: ECMA-119, 4th edition, 8.4 (primary), 8.5 (supplementary volume descriptor), 8.3
(terminator), 0-based inside the 2048-byte sector here (the standard counts from 1). The
Joliet escape sequences are those of the Joliet specification; Rock Ridge fields those of
SUSP/RRIP 1.09."""

from __future__ import annotations

import json
import struct
from collections.abc import Iterator
from pathlib import Path

import jsonschema
import pytest
import yaml

from forerun.errors import CommandFailed
from forerun.model.blueprint import Blueprint, StandInDisk, TemplateRecipe
from forerun.ports.command import LocalCommand
from forerun.ports.disks import make_seed_image
from forerun.stages.first_boot import READER, SEED_SCRIPT
from forerun.stages.seed import make_keys, write_seed_files

pytestmark = pytest.mark.tools

SECTOR = 2048
UUID = "6f1c1f0a-7c39-4d6e-9d6b-0f5d3e1a2b3c"
BLUEPRINT = Blueprint(
    run_id="run-1",
    survey_id="survey-1",
    hostname="shelf01",
    recipe=TemplateRecipe("debian", "bookworm", "amd64", "bios", 10 << 30, ()),
    cpus=1,
    memory_bytes=1 << 29,
    stand_ins=(StandInDisk("/srv/a", "ext4", UUID, "a", 1 << 30, f"UUID={UUID} /srv/a ext4"),),
    guest_ports=((20022, "access"),),
    allowed=(),
    copy_paths=(),
    held_back_paths=(),
    enable_units=(),
    gaps=(),
)
COMMAND = LocalCommand()


@pytest.fixture(scope="module")
def files() -> dict[str, bytes]:
    copy = bytes(range(256)) * 5000  # 1.28 MB, larger than any buffer on the way
    return write_seed_files(
        BLUEPRINT, make_keys(), instance="run-1", mac="52:54:00:12:34:56", copy=copy
    )


@pytest.fixture(scope="module")
def image(files: dict[str, bytes], tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("seed") / "seed.iso"
    make_seed_image(path, files)
    return path


def need(program: str) -> None:
    if not COMMAND.find(program):
        pytest.skip(f"{program} is not installed")


# -- the bytes


def list_descriptors(content: bytes) -> Iterator[bytes]:
    at = 16 * SECTOR  # ECMA-119, 6.2.1: the system area is sectors 0 to 15
    while True:
        descriptor = content[at : at + SECTOR]
        yield descriptor
        if descriptor[0] == 255:
            return
        at += SECTOR


def test_the_volume_descriptors_are_as_ecma_119_says(image: Path) -> None:
    """Identifier, version, volume name, both-endian block size and counts, root record."""
    content = image.read_bytes()
    assert len(content) % SECTOR == 0
    descriptors = {d[0]: d for d in list_descriptors(content)}
    assert set(descriptors) == {1, 2, 255}
    for descriptor in descriptors.values():
        assert descriptor[1:7] == b"CD001\x01"
    primary = descriptors[1]
    assert primary[7] == 0
    assert primary[40:72] == b"CIDATA".ljust(32)
    little, big = struct.unpack_from("<I", primary, 80) + struct.unpack_from(">I", primary, 84)
    assert little == big == len(content) // SECTOR
    assert primary[88:120] == bytes(32)
    assert primary[120:132] == b"\x01\x00\x00\x01\x01\x00\x00\x01\x00\x08\x08\x00"
    assert primary[156] == 34
    assert primary[881] == 1
    assert primary[1395:] == bytes(SECTOR - 1395)


def test_long_names_are_there_twice(image: Path) -> None:
    """Plain ISO names would be cut, and cloud-init asks for `user-data`: the supplementary
    descriptor carries Joliet level 3 (25 2F 45), the root's own record Rock Ridge (SP)."""
    content = image.read_bytes()
    descriptors = {d[0]: d for d in list_descriptors(content)}
    assert descriptors[2][88:91] == b"\x25\x2f\x45"
    (root,) = struct.unpack_from("<I", descriptors[1], 156 + 2)
    record = content[root * SECTOR : root * SECTOR + content[root * SECTOR]]
    name_length = record[32]
    system_use = record[33 + name_length + (1 - name_length % 2) :]
    assert system_use[:7] == b"SP\x07\x01\xbe\xef\x00"
    assert b"RRIP_1991A" in content
    assert "user-data".encode("utf-16-be") in content


def test_the_image_is_for_its_owner_only(image: Path, files: dict[str, bytes]) -> None:
    """It holds the clone's host key; and an existing file is never overwritten."""
    assert image.stat().st_mode & 0o777 == 0o600
    with pytest.raises(FileExistsError):
        make_seed_image(image, files)


# -- other readers


@pytest.mark.parametrize("flag", ["-R", "-J"], ids=["Rock Ridge", "Joliet"])
def test_isoinfo_reads_the_same_files(image: Path, files: dict[str, bytes], flag: str) -> None:
    """genisoimage's reader: volume id, names and content, by either extension."""
    need("isoinfo")
    facts = COMMAND.run(["isoinfo", "-d", "-i", str(image)], timeout_s=60).text()
    assert "Volume id: CIDATA" in facts.splitlines()
    listed = COMMAND.run(["isoinfo", flag, "-f", "-i", str(image)], timeout_s=60).text()
    assert set(listed.split()) == {f"/{name}" for name in files}
    for name, content in files.items():
        read = COMMAND.run(["isoinfo", flag, "-i", str(image), "-x", f"/{name}"], timeout_s=60)
        assert read.stdout == content


def test_xorriso_reads_the_same_files(image: Path, files: dict[str, bytes], tmp_path: Path) -> None:
    """libisofs' reader, another code base: volume id and the content of every file."""
    need("xorriso")
    out = tmp_path / "out"
    done = COMMAND.run(
        ["xorriso", "-osirrox", "on", "-indev", str(image), "-pvd_info", "-extract", "/", str(out)],
        timeout_s=60,
    )
    assert "Volume Id    : CIDATA" in (done.stdout + done.stderr).decode()
    assert {path.name: path.read_bytes() for path in out.iterdir()} == files


def test_blkid_names_it_as_cloud_init_looks_for_it(image: Path) -> None:
    """NoCloud looks for the label in blkid's answer (cloud-init documentation, NoCloud:
    label cidata or CIDATA, iso9660 or vfat)."""
    need("blkid")
    done = COMMAND.run(["blkid", "-p", "-o", "export", str(image)], timeout_s=60)
    facts = dict(line.split("=", 1) for line in done.text().splitlines() if "=" in line)
    assert (facts["LABEL"], facts["TYPE"]) == ("CIDATA", "iso9660")


# -- cloud-init's own schemas


@pytest.fixture(scope="module")
def cloud_init(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The unpacked Debian package: read, not installed."""
    need("dpkg-deb")
    folder = tmp_path_factory.mktemp("cloud-init")
    folder.chmod(0o755)  # apt fetches as a user of its own
    try:
        COMMAND.run(["apt-get", "-q", "download", "cloud-init"], timeout_s=120, cwd=folder)
    except CommandFailed as problem:
        pytest.skip(f"the package cloud-init cannot be had: {problem.found[-200:]}")
    (package,) = folder.glob("cloud-init_*.deb")
    COMMAND.run(["dpkg-deb", "-x", str(package), str(folder / "tree")], timeout_s=60)
    return folder / "tree" / "usr/lib/python3/dist-packages/cloudinit"


def read_schema(cloud_init: Path, name: str) -> dict[str, object]:
    found = sorted((cloud_init / "config/schemas").glob(name))
    if not found:
        pytest.skip(f"this cloud-init brings no {name}")
    schema = json.loads(found[-1].read_text(encoding="utf-8"))
    assert isinstance(schema, dict)
    return schema


def judge(schema: dict[str, object], data: object) -> list[str]:
    validator = jsonschema.validators.validator_for(schema)(schema)
    return [error.message for error in validator.iter_errors(data)]


def test_user_data_is_accepted_by_cloud_inits_schema(
    cloud_init: Path, files: dict[str, bytes]
) -> None:
    """The cloud-config schema that Debian's cloud-init brings finds nothing."""
    schema = read_schema(cloud_init, "schema-cloud-config-v1.json")
    assert judge(schema, yaml.safe_load(files["user-data"])) == []


@pytest.mark.parametrize(
    "wrong",
    [
        {"bootcmd": "true"},
        {"runcmd": 7},
        {"write_files": [{"content": "x"}]},
        {"ssh_deletekeys": "perhaps"},
        {"manage_etc_hosts": 3},
    ],
    ids=lambda wrong: next(iter(wrong)),
)
def test_cloud_inits_schema_refuses_what_is_wrong(
    cloud_init: Path, files: dict[str, bytes], wrong: dict[str, object]
) -> None:
    """The check can fail: each key that the seed uses is really judged."""
    schema = read_schema(cloud_init, "schema-cloud-config-v1.json")
    assert judge(schema, {**yaml.safe_load(files["user-data"]), **wrong})


def test_network_config_is_accepted_where_a_schema_exists(
    cloud_init: Path, files: dict[str, bytes]
) -> None:
    """Newer versions bring a schema of network configuration version 2."""
    schema = read_schema(cloud_init, "schema-network-config-v2.json")
    assert judge(schema, {"network": yaml.safe_load(files["network-config"])}) == []


# -- its script


@pytest.mark.parametrize("shell", ["sh", "bash"])
def test_shells_read_the_scripts_without_a_complaint(
    tmp_path: Path, files: dict[str, bytes], shell: str
) -> None:
    """`-n` of dash and of bash: the seed's script and the reader that starts it; a broken
    one is refused."""
    for name, text, code in (
        (SEED_SCRIPT, files[SEED_SCRIPT].decode(), 0),
        ("reader", READER, 0),
        ("broken", f"{READER}if", 2),
    ):
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        done = COMMAND.run([shell, "-n", str(path)], timeout_s=20, check=False)
        assert done.exit_code == code, done.stderr
