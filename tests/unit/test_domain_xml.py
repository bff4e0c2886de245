"""What a domain's XML says: its mark, its disks, its boot, and the sealed link."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import pytest

from forerun.model.blueprint import DomainDisk, DomainPlan, PortMap
from forerun.ports.domain_xml import (
    LINK_ADDRESS,
    OWN_NAMESPACE,
    QEMU_NAMESPACE,
    write_domain_xml,
)
from forerun.ports.hypervisor import read_owner, read_state

PLAN = DomainPlan(
    name="forerun-run-1",
    uuid="919108f7-52d1-4320-9bac-f847db4148a8",
    mac="52:54:00:12:34:56",
    cpus=2,
    memory_bytes=1 << 30,
    boot_mode="bios",
    accelerator="emulation",
    disks=(
        DomainDisk("/s/system.qcow2", "qcow2", "forerun-system"),
        DomainDisk("/s/data0.raw", "raw", "forerun-data0", cache="unsafe"),
        DomainDisk("/s/seed.iso", "raw", "forerun-seed", read_only=True),
    ),
    console_log="/s/console.log",
    ports=(PortMap(40022, 20022, "access"), PortMap(40080, 8080, "web")),
    owner="run-1",
    state="0123456789abcdef",
)


def parse(plan: DomainPlan) -> ET.Element:
    return ET.fromstring(write_domain_xml(plan))


def list_arguments(plan: DomainPlan) -> list[str]:
    return [arg.get("value", "") for arg in parse(plan).iter(f"{{{QEMU_NAMESPACE}}}arg")]


def test_the_firmware_sees_the_disk_that_the_loader_reads() -> None:
    """With a boot partition on a disk of its own the order names both disks and no other;
    without one the first disk is all there is (libvirt's domain format, "BIOS bootloader":
    an order by device excludes one by kind)."""
    assert [boot.attrib for boot in parse(PLAN).iter("boot")] == [{"dev": "hd"}]
    system, data, seed = PLAN.disks
    named = parse(replace(PLAN, disks=(system, replace(data, loads=True), seed)))
    assert [[boot.get("order") for boot in disk.iter("boot")] for disk in named.iter("disk")] == [
        ["1"],
        ["2"],
        [],
    ]
    assert [boot for boot in named.iter("boot") if boot.get("dev")] == []


def test_the_link_is_sealed() -> None:
    """One network device: QEMU's user network with restrict=on, IPv6 off, and the listed
    ports on loopback only (QEMU manual, "-netdev user": restrict isolates the guest, hostfwd
    is not affected by it)."""
    arguments = list_arguments(PLAN)
    assert arguments[0::2] == ["-netdev", "-device"]
    netdev = arguments[1].split(",")
    assert netdev[0] == "user"
    assert {"restrict=on", "ipv6=off"} <= set(netdev)
    forwards = [option for option in netdev if option.startswith("hostfwd=")]
    assert forwards == [
        "hostfwd=tcp:127.0.0.1:40022-10.0.2.15:20022",
        "hostfwd=tcp:127.0.0.1:40080-10.0.2.15:8080",
    ]
    assert not [option for option in netdev if "guestfwd" in option or "smb" in option]
    assert f"addr={LINK_ADDRESS}" in arguments[3].split(",")
    assert "mac=52:54:00:12:34:56" in arguments[3].split(",")


def test_there_is_no_other_way_out() -> None:
    """No libvirt network interface, channel, graphics or shared folder stands beside it."""
    devices = parse(PLAN).find("devices")
    assert devices is not None
    tags = {child.tag for child in devices}
    assert tags == {"disk", "controller", "serial", "console", "memballoon", "rng"}


def test_without_a_link_there_is_none_at_all() -> None:
    """A build that needs no network gets no network device."""
    assert list_arguments(replace(PLAN, no_link=True)) == []


def test_the_owner_can_be_read_back() -> None:
    """The mark that a sweep relies on: whose domain it is, and nobody else's counts."""
    text = write_domain_xml(PLAN)
    assert read_owner(text) == "run-1"
    assert read_state(text) == "0123456789abcdef"
    assert read_state("<domain><name>forerun-run-1</name></domain>") == ""
    assert read_owner("<domain><name>forerun-run-1</name></domain>") is None
    foreign = text.replace(OWN_NAMESPACE, "urn:example:other")
    assert read_owner(foreign) is None
    assert read_owner(text.replace('by="forerun"', 'by="somebody"')) is None


def test_memory_is_in_kibibytes() -> None:
    """libvirt's unit names: KiB is 1024 bytes (IEC 80000-13)."""
    memory = parse(PLAN).find("memory")
    assert memory is not None
    assert (memory.get("unit"), memory.text) == ("KiB", "1048576")


def test_disks_keep_their_order_and_their_flags() -> None:
    """vda, vdb, vdc by order; the seed read-only; flushes honoured unless told otherwise."""
    disks = parse(PLAN).findall("devices/disk")
    shown = [
        (
            disk.find("target").get("dev"),  # type: ignore[union-attr]
            disk.find("source").get("file"),  # type: ignore[union-attr]
            disk.find("driver").get("cache"),  # type: ignore[union-attr]
            disk.findtext("serial"),
            disk.find("readonly") is not None,
        )
        for disk in disks
    ]
    assert shown == [
        ("vda", "/s/system.qcow2", "writeback", "forerun-system", False),
        ("vdb", "/s/data0.raw", "unsafe", "forerun-data0", False),
        ("vdc", "/s/seed.iso", "writeback", "forerun-seed", True),
    ]


@pytest.mark.parametrize(
    ("accelerator", "kind", "cpu"), [("kvm", "kvm", "host-model"), ("emulation", "qemu", None)]
)
def test_the_accelerator_decides_the_kind(accelerator: str, kind: str, cpu: str | None) -> None:
    """kvm shows the lab host's processor; emulation takes QEMU's default one."""
    domain = parse(replace(PLAN, accelerator=accelerator))
    shown = domain.find("cpu")
    assert domain.get("type") == kind
    assert (shown.get("mode") if shown is not None else None) == cpu


def test_uefi_has_firmware_and_variables_of_its_own() -> None:
    """The code is read-only and shared, the variable store belongs to this clone."""
    domain = parse(replace(PLAN, boot_mode="uefi", nvram="/s/nvram.fd"))
    loader, nvram = domain.find("os/loader"), domain.find("os/nvram")
    assert loader is not None
    assert nvram is not None
    assert (loader.get("readonly"), loader.get("type")) == ("yes", "pflash")
    assert nvram.text == "/s/nvram.fd"
    assert parse(PLAN).find("os/loader") is None


def test_a_given_kernel_needs_no_firmware() -> None:
    """The one boot that writes a loader starts a kernel directly, in either mode."""
    plan = replace(PLAN, boot_mode="uefi", kernel="/s/k", initrd="/s/i", command_line="root=x rw")
    boot = parse(plan).find("os")
    assert boot is not None
    assert [boot.findtext(tag) for tag in ("kernel", "initrd", "cmdline")] == [
        "/s/k",
        "/s/i",
        "root=x rw",
    ]
    assert boot.find("loader") is None


@pytest.mark.parametrize("text", ["a&b", "<x>", '"quoted"', "a'b", "ü"])
def test_text_is_escaped(text: str) -> None:
    """A path or a name with markup in it stays text."""
    plan = replace(PLAN, owner=text, disks=(DomainDisk(f"/s/{text}", "raw", "s"),))
    domain = parse(plan)
    source = domain.find("devices/disk/source")
    assert source is not None
    assert source.get("file") == f"/s/{text}"
    assert read_owner(write_domain_xml(plan)) == text
    assert read_state(write_domain_xml(replace(plan, state=text))) == text


def test_a_power_off_leaves_nothing_and_a_restart_stays() -> None:
    """on_poweroff destroy makes a transient domain vanish; on_reboot restart is what a
    rehearsed reboot needs."""
    domain = parse(PLAN)
    assert domain.findtext("on_poweroff") == "destroy"
    assert domain.findtext("on_reboot") == "restart"
    assert re.fullmatch(r"[0-9a-f-]{36}", domain.findtext("uuid") or "")
