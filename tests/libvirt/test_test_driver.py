"""The real adapter on libvirt's built-in test driver: the real API, no hypervisor.

The driver takes domains of type `test` only, so that one word of the XML is exchanged;
everything else is what a clone is started with."""

from __future__ import annotations

import uuid
from collections.abc import Iterator

import libvirt
import pytest

from forerun.errors import HypervisorFailed
from forerun.model.blueprint import DomainDisk, DomainPlan, PortMap
from forerun.ports.domain_xml import write_domain_xml
from forerun.ports.hypervisor import LibvirtHypervisor, OwnedDomain
from forerun.testing import check_hypervisor

pytestmark = pytest.mark.libvirt

URI = "test:///default"
FOREIGN = "test"  # the driver comes with one domain of that name, which is nobody's of ours


def write_xml(name: str, owner: str) -> str:
    plan = DomainPlan(
        name=name,
        uuid=str(uuid.uuid4()),
        mac="52:54:00:12:34:56",
        cpus=1,
        memory_bytes=64 << 20,
        boot_mode="bios",
        accelerator="emulation",
        disks=(DomainDisk("/nowhere/system.qcow2", "qcow2", "forerun-system"),),
        console_log="/nowhere/console.log",
        ports=(PortMap(40022, 20022, "access"),),
        owner=owner,
        state="state-contract",
    )
    return write_domain_xml(plan).replace('type="qemu"', 'type="test"', 1)


@pytest.fixture
def hypervisor() -> Iterator[LibvirtHypervisor]:
    one = LibvirtHypervisor(URI)
    yield one
    one.close()


@pytest.fixture
def direct() -> Iterator[libvirt.virConnect]:
    """libvirt without us in between, to look at the same domains."""
    connection = libvirt.open(URI)
    yield connection
    connection.close()


def test_the_adapter_keeps_the_contract(hypervisor: LibvirtHypervisor) -> None:
    """libvirt's own answers fit what the fake promises."""
    check_hypervisor(hypervisor, write_xml)


def test_the_version_is_libvirts_own(
    hypervisor: LibvirtHypervisor, direct: libvirt.virConnect
) -> None:
    """virConnectGetVersion packs major * 1000000 + minor * 1000 + release."""
    kind, version = hypervisor.describe().split()
    major, minor, release = map(int, version.split("."))
    assert kind == "TEST"
    assert major * 1_000_000 + minor * 1000 + release == direct.getVersion()


def test_a_foreign_domain_is_never_found_nor_ended_by_its_mark(
    hypervisor: LibvirtHypervisor, direct: libvirt.virConnect
) -> None:
    """Domains without our metadata are invisible, also with a name like ours."""
    namesake = write_xml("forerun-namesake", "run-1").replace("urn:forerun:", "urn:example:")
    stranger = direct.createXML(namesake, 0)
    try:
        hypervisor.start(write_xml("forerun-run-1", "run-1"))
        assert hypervisor.find_owned() == (
            OwnedDomain("forerun-run-1", "run-1", True, "state-contract"),
        )
    finally:
        hypervisor.end("forerun-run-1")
        stranger.destroy()
    assert [domain.name() for domain in direct.listAllDomains()] == [FOREIGN]


def test_an_ended_domain_leaves_no_definition(
    hypervisor: LibvirtHypervisor, direct: libvirt.virConnect
) -> None:
    """Clones are transient: after the end libvirt knows nothing of them."""
    hypervisor.start(write_xml("forerun-run-1", "run-1"))
    hypervisor.end("forerun-run-1")
    assert [domain.name() for domain in direct.listAllDomains()] == [FOREIGN]
    hypervisor.end("forerun-run-1")  # a second time is no trouble


def test_bad_xml_is_refused_with_libvirts_words(hypervisor: LibvirtHypervisor) -> None:
    """Nothing is started, and what libvirt says reaches the message."""
    with pytest.raises(HypervisorFailed) as caught:
        hypervisor.start("<domain type='test'><name>forerun-x</name></domain>")
    assert "memory" in caught.value.found or "os" in caught.value.found
    assert caught.value.where == URI
    assert hypervisor.find_owned() == ()


@pytest.mark.parametrize(
    "uri", ["qemu+unix:///system?socket=/nowhere/libvirt-sock", "nosuchdriver:///"]
)
def test_an_unreachable_hypervisor_says_what_to_do(
    uri: str, capfd: pytest.CaptureFixture[str]
) -> None:
    """HypervisorFailed with a hint; libvirt's own lines on standard error are kept quiet."""
    with pytest.raises(HypervisorFailed) as caught:
        LibvirtHypervisor(uri)
    assert caught.value.where == uri
    assert "libvirtd" in caught.value.hint
    assert caught.value.found
    assert capfd.readouterr().err == ""


def test_a_closed_connection_shows_no_raw_error(hypervisor: LibvirtHypervisor) -> None:
    """After `close` a request is HypervisorFailed like any other trouble of libvirt."""
    hypervisor.close()
    with pytest.raises(HypervisorFailed) as caught:
        hypervisor.describe()
    assert caught.value.hint
