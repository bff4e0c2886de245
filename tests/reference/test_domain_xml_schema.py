"""Domain XML against libvirt's own schema (package libvirt0, /usr/share/libvirt/schemas).

The schema is libvirt's published grammar; where `virt-xml-validate` and `xmllint` are
installed, libvirt's own checker must agree with lxml's reading of it."""

from __future__ import annotations

import uuid
from dataclasses import replace
from pathlib import Path

import pytest
from lxml import etree

from forerun.model.blueprint import DomainDisk, DomainPlan, PortMap
from forerun.ports.command import LocalCommand
from forerun.ports.domain_xml import write_domain_xml

pytestmark = pytest.mark.tools

SCHEMA = Path("/usr/share/libvirt/schemas/domain.rng")
SMALL = DomainPlan(
    name="forerun-run-20260131-220000-a1b2",
    uuid=str(uuid.UUID("919108f7-52d1-4320-9bac-f847db4148a8")),
    mac="52:54:00:12:34:56",
    cpus=1,
    memory_bytes=512 << 20,
    boot_mode="bios",
    accelerator="emulation",
    disks=(
        DomainDisk("/state/machines/run/system.qcow2", "qcow2", "forerun-system"),
        DomainDisk("/state/machines/run/seed.iso", "raw", "forerun-seed", read_only=True),
    ),
    console_log="/state/machines/run/console.log",
    ports=(PortMap(40022, 20022, "access"), PortMap(40080, 80, "web")),
    owner="run-20260131-220000-a1b2",
    state="0123456789abcdef",
)
PLANS = {
    "bios, emulated": SMALL,
    "kvm": replace(SMALL, accelerator="kvm", cpus=8, memory_bytes=16 << 30),
    "uefi": replace(SMALL, boot_mode="uefi", nvram="/state/machines/run/nvram.fd"),
    "given kernel": replace(
        SMALL, kernel="/s/vmlinuz", initrd="/s/initrd", command_line="root=UUID=x rw", no_link=True
    ),
    "many disks": replace(
        SMALL,
        disks=tuple(
            DomainDisk(f"/s/data {n}.raw", "raw", f"forerun-data{n}", cache="unsafe")
            for n in range(20)
        ),
    ),
    "boot partition elsewhere": replace(
        SMALL,
        boot_mode="uefi",
        nvram="/state/machines/run/nvram.fd",
        disks=(
            *SMALL.disks,
            DomainDisk("/s/data0.raw", "raw", "forerun-data0", loads=True),
        ),
    ),
    "no link": replace(SMALL, no_link=True, mac=""),
    "markup in an owner": replace(SMALL, owner='<&"x'),
}


@pytest.fixture(scope="module")
def schema() -> etree.RelaxNG:
    if not SCHEMA.exists():
        pytest.skip(f"libvirt's schema is not installed ({SCHEMA})")
    return etree.RelaxNG(etree.parse(str(SCHEMA)))


@pytest.mark.parametrize("name", PLANS)
def test_libvirts_schema_accepts_what_is_written(schema: etree.RelaxNG, name: str) -> None:
    """Every kind of plan gives a document of libvirt's grammar, with QEMU's namespace and
    our own metadata in it."""
    document = etree.fromstring(write_domain_xml(PLANS[name]).encode())
    assert schema.validate(document), schema.error_log


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("52:54:00:12:34:56", "53:54:00:12:34:56"),  # only QEMU's argument: see below
        ('unit="KiB"', 'unit="kebibytes"'),
        ("<vcpu>", "<vcpus>"),
        ('type="qcow2"', 'type="qcow7"'),
        ('bus="virtio"', 'bus="virtual"'),
        ("<on_crash>destroy", "<on_crash>weep"),
        ("919108f7-52d1-4320-9bac-f847db4148a8", "not-a-uuid"),
        ("<name>forerun-run-20260131-220000-a1b2</name>", "<name></name>"),
    ],
)  # fmt: skip
def test_libvirts_schema_refuses_what_is_wrong(schema: etree.RelaxNG, old: str, new: str) -> None:
    """The check can fail: one wrong word anywhere is refused. The hardware address goes
    through QEMU's own command line, which the schema does not look into."""
    text = write_domain_xml(SMALL)
    assert old in text
    broken = text.replace(old, new).replace("</vcpu>", "</vcpus>" if "vcpus" in new else "</vcpu>")
    assert schema.validate(etree.fromstring(broken.encode())) is ("53:54" in new)


@pytest.mark.parametrize("name", PLANS)
def test_libvirts_own_checker_agrees(tmp_path: Path, name: str) -> None:
    """virt-xml-validate(1): exit code 0 is valid; a misspelt element gives 3."""
    command = LocalCommand()
    for program in ("virt-xml-validate", "xmllint"):
        if not command.find(program):
            pytest.skip(f"{program} is not installed")
    document = tmp_path / "domain.xml"
    document.write_text(write_domain_xml(PLANS[name]), encoding="utf-8")
    command.run(["virt-xml-validate", str(document), "domain"], timeout_s=60)
    document.write_text(write_domain_xml(PLANS[name]).replace("memballoon", "memballon"))
    done = command.run(["virt-xml-validate", str(document), "domain"], timeout_s=60, check=False)
    assert done.exit_code == 3
