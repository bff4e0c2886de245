"""A domain's XML, written from a plan. Pure; libvirt's own schema accepts the result.

The link is sealed: QEMU's user network with `restrict=on` drops whatever the guest
sends outwards, and only the listed loopback ports lead in. libvirt has no element for
that on the versions in use, so it goes through QEMU's own command line, at a fixed
high PCI address that libvirt's numbering does not reach.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET

from forerun.model.blueprint import DomainDisk, DomainPlan

QEMU_NAMESPACE = "http://libvirt.org/schemas/domain/qemu/1.0"
OWN_NAMESPACE = "urn:forerun:domain:1"
LINK_ADDRESS = "0x10"
GUEST_ADDRESS = "10.0.2.15"
UEFI_CODE = "/usr/share/OVMF/OVMF_CODE_4M.fd"
UEFI_VARS = "/usr/share/OVMF/OVMF_VARS_4M.fd"


def write_domain_xml(plan: DomainPlan) -> str:
    """The domain as XML text."""
    ET.register_namespace("qemu", QEMU_NAMESPACE)
    ET.register_namespace("forerun", OWN_NAMESPACE)
    domain = ET.Element("domain", {"type": "kvm" if plan.accelerator == "kvm" else "qemu"})
    _text(domain, "name", plan.name)
    _text(domain, "uuid", plan.uuid)
    metadata = ET.SubElement(domain, "metadata")
    mark = {"by": "forerun", "for": plan.owner, "state": plan.state}
    ET.SubElement(metadata, f"{{{OWN_NAMESPACE}}}made", mark)
    _text(domain, "memory", str(plan.memory_bytes // 1024), unit="KiB")
    _text(domain, "vcpu", str(plan.cpus))
    _add_boot(domain, plan)
    features = ET.SubElement(domain, "features")
    ET.SubElement(features, "acpi")
    ET.SubElement(features, "apic")
    if plan.accelerator == "kvm":
        ET.SubElement(domain, "cpu", {"mode": "host-model"})
    ET.SubElement(domain, "clock", {"offset": "utc"})
    _text(domain, "on_poweroff", "destroy")
    _text(domain, "on_reboot", "restart")
    _text(domain, "on_crash", "destroy")
    devices = ET.SubElement(domain, "devices")
    for position, disk in enumerate(plan.disks):
        order = position + 1 if _has_order(plan) and (disk.loads or not position) else 0
        _add_disk(devices, position, disk, order)
    ET.SubElement(devices, "controller", {"type": "usb", "model": "none"})
    serial = ET.SubElement(devices, "serial", {"type": "pty"})
    ET.SubElement(serial, "log", {"file": plan.console_log, "append": "on"})
    ET.SubElement(serial, "target", {"port": "0"})
    console = ET.SubElement(devices, "console", {"type": "pty"})
    ET.SubElement(console, "target", {"type": "serial", "port": "0"})
    ET.SubElement(devices, "memballoon", {"model": "none"})
    source = ET.SubElement(devices, "rng", {"model": "virtio"})
    _text(source, "backend", "/dev/urandom", model="random")
    if not plan.no_link:
        _add_sealed_link(domain, plan)
    return ET.tostring(domain, encoding="unicode")


def _text(parent: ET.Element, tag: str, text: str, **attributes: str) -> ET.Element:
    element = ET.SubElement(parent, tag, attributes)
    element.text = text
    return element


def _add_boot(domain: ET.Element, plan: DomainPlan) -> None:
    boot = ET.SubElement(domain, "os")
    _text(boot, "type", "hvm", arch="x86_64", machine="pc")
    if plan.boot_mode == "uefi" and not plan.kernel:
        _text(boot, "loader", UEFI_CODE, readonly="yes", type="pflash")
        _text(boot, "nvram", plan.nvram, template=UEFI_VARS)
    if plan.kernel:
        _text(boot, "kernel", plan.kernel)
        _text(boot, "initrd", plan.initrd)
        _text(boot, "cmdline", plan.command_line)
    if not _has_order(plan):
        ET.SubElement(boot, "boot", {"dev": "hd"})


def _has_order(plan: DomainPlan) -> bool:
    """Whether more than the first disk is named to the firmware. libvirt starts QEMU with
    `-boot strict=on`, and then SeaBIOS passes over disks without a place in the order."""
    return any(disk.loads for disk in plan.disks)


def _add_disk(devices: ET.Element, position: int, disk: DomainDisk, order: int) -> None:
    element = ET.SubElement(devices, "disk", {"type": "file", "device": "disk"})
    ET.SubElement(
        element,
        "driver",
        {"name": "qemu", "type": disk.format, "cache": disk.cache, "discard": "unmap"},
    )
    ET.SubElement(element, "source", {"file": disk.path})
    ET.SubElement(element, "target", {"dev": f"vd{chr(ord('a') + position)}", "bus": "virtio"})
    if disk.read_only:
        ET.SubElement(element, "readonly")
    if order:
        ET.SubElement(element, "boot", {"order": str(order)})
    _text(element, "serial", disk.serial)


def _add_sealed_link(domain: ET.Element, plan: DomainPlan) -> None:
    forwards = "".join(
        f",hostfwd=tcp:127.0.0.1:{port.host_port}-{GUEST_ADDRESS}:{port.guest_port}"
        for port in plan.ports
    )
    command_line = ET.SubElement(domain, f"{{{QEMU_NAMESPACE}}}commandline")
    for value in (
        "-netdev",
        f"user,id=sealed,restrict=on,ipv6=off{forwards}",
        "-device",
        f"virtio-net-pci,netdev=sealed,mac={plan.mac},bus=pci.0,addr={LINK_ADDRESS}",
    ):
        ET.SubElement(command_line, f"{{{QEMU_NAMESPACE}}}arg", {"value": value})
