"""The further facts in a stored survey: nothing that names the owner's hardware, network
or files, and still the facts that a clone is made from."""

from __future__ import annotations

import io
import tarfile
from dataclasses import dataclass

import pytest
from tests.unit.test_debian_state import read_answers
from tests.unit.test_survey import FixedClock

from forerun.distro.debian import Debian
from forerun.model.digest import matches_digest, read_salt
from forerun.model.survey import CleanSurvey
from forerun.model.system import ManagedFile, SystemFacts
from forerun.ports.production import ProbeName
from forerun.ports.records import dump_record
from forerun.stages.leakscan import LeakScanner
from forerun.stages.sanitise_system import MOST_SEALED, Sealer
from forerun.stages.sanitise_vault import Vault
from forerun.stages.survey import take_survey
from forerun.testing import FakeEntry, FakeProduction

# What the recorded answers hold and no stored record may.
PLANTED = (
    "S1K4NX0M700321",
    "S1K4NX0M700322",
    "5000c50012345678",
    "52:54:00:00:53:10",
    "52:54:00:00:53:11",
    "525400005310",
    "525400005311",
    "10.20.30.40",
    "fe80::200:5eff:fe00:5310",
    "Vienna-Hoarfrost-71",
    "corp.example",
    "0123456789abcdef0123456789abcdef",
    "fedcba9876543210fedcba9876543210",
)
INTERFACES = b"auto enx525400005311\niface enx525400005311 inet dhcp\n"


@dataclass
class Taken:
    record: CleanSurvey
    stored: str
    copy: bytes
    vault: Vault


def read_telling_answers() -> dict[ProbeName, bytes]:
    """The recorded answers, but for their hardware addresses: those are documentation ones
    (RFC 9542), which are kept as they are."""
    return {
        probe: answer.replace(b"00:00:5e:00:53", b"52:54:00:00:53").replace(
            b"00005e0053", b"5254000053"
        )
        for probe, answer in read_answers().items()
    }


@pytest.fixture(scope="module")
def taken() -> Taken:
    answers = read_telling_answers()
    answers[ProbeName.MACHINE] = answers[ProbeName.MACHINE].replace(b"uefi", b"bios")
    answers[ProbeName.PACKAGES] += b"grub-pc\t2.06\tamd64\tii \n"
    answers[ProbeName.SETTINGS] = answers[ProbeName.SETTINGS].replace(
        b"_S1K4NX0M700321", b"_S1K4NX0M700321, /dev/disk/by-id/wwn-0x5000c50012345678"
    )
    tree: dict[str, bytes | FakeEntry] = {
        "/etc": FakeEntry(kind=tarfile.DIRTYPE, mode=0o755),
        "/etc/network/interfaces": INTERFACES,
        "/etc/default/grub-disk": b"DISK=/dev/disk/by-id/wwn-0x5000c50012345678\n",
    }
    copy, vault = io.BytesIO(), Vault()
    record = take_survey(
        FakeProduction(answers, tree), distro=Debian(), clock=FixedClock(),
        host="atlas7.corp.example", survey_id="s-1", copy_to=copy, vault=vault,
    )  # fmt: skip
    return Taken(record, dump_record(record).decode(), copy.getvalue(), vault)


@pytest.mark.parametrize("planted", PLANTED)
def test_nothing_planted_is_stored(taken: Taken, planted: str) -> None:
    """Neither in the record nor in the copy, in either case."""
    assert planted.lower() not in taken.stored.lower()
    assert planted.lower().encode() not in taken.copy.lower()


def test_the_answers_did_hold_what_was_planted() -> None:
    """The test above means something only while they do."""
    whole = b"".join(read_telling_answers().values()).decode("utf-8", "replace").lower()
    whole += INTERFACES.decode()
    assert [word for word in PLANTED if word.lower() not in whole] == []


def test_the_leak_scan_agrees(taken: Taken) -> None:
    """It shares no code with sanitising."""
    scanner = LeakScanner(taken.vault)
    assert list(scanner.scan_stream("copy", [taken.copy])) == []
    assert list(scanner.scan_stream("record", [taken.stored.encode()])) == []


def test_one_piece_of_hardware_has_one_name(taken: Taken) -> None:
    """Disk and block, interface name and address, loader and setting still agree."""
    record = taken.record
    serials = {block.name: block.serial for block in record.system.blocks}
    assert {disk.name: disk.serial for disk in record.disks}.items() <= serials.items()
    usb = next(one for one in record.system.interfaces if one.bus == "usb")
    assert usb.name == f"enx{usb.mac.replace(':', '')}"
    assert ("ID_NET_NAME_MAC", usb.name) in usb.names
    with tarfile.open(fileobj=io.BytesIO(taken.copy)) as tar:
        member = tar.extractfile("etc/network/interfaces")
        assert member is not None and f"iface {usb.name} inet dhcp" in member.read().decode()
    loader = record.system.loader
    assert loader is not None and loader.package == "grub-pc"
    settings = dict(record.settings)
    assert ", ".join(loader.targets) == settings["debconf grub-pc/install_devices"]
    assert loader.resolved == ("/dev/sda", "/dev/sdb")


def test_what_a_clone_needs_is_kept(taken: Taken) -> None:
    """Kinds, sizes, UUIDs, tables, drivers, numbers, pins and history."""
    system = taken.record.system
    root = next(block for block in system.blocks if block.name == "sda2")
    assert (root.fstype, root.uuid) == ("ext4", "919108f7-52d1-4320-9bac-f847db4148a8")
    assert [(account.name, account.number) for account in system.accounts][-1] == ("deploy", 1000)
    assert system.pins[0].what == "version 1.4*" and system.questions and system.boots
    assert system.transactions[0].command == "apt-get -y full-upgrade"
    assert system.naming_scheme == "v252" and system.modules and system.processor.flags


def test_digests_are_sealed(taken: Taken) -> None:
    """A changed conffile's own MD5 is stored sealed, the public one of what was shipped as
    it is; the file can still be recognised."""
    row = next(row for row in taken.record.conffiles if row.path == "/etc/bash.bashrc")
    raw = Debian().read_facts(read_answers())
    md5 = next(entry.disk for entry in raw.conffiles if entry.path == row.path)
    assert len(md5) == 32 and md5 not in taken.stored
    assert matches_digest(md5, row.disk) and not matches_digest(row.shipped, row.disk)
    assert row.shipped == "89269e1298235f1b12b4c16e4065ad0d"


def test_what_no_archive_ships_is_sealed_too() -> None:
    """The digest of a local package's conffile, or of one that ucf was offered by a script
    on the server, may be that of a secret."""
    sealer = Sealer(Vault(), {"/etc/public": frozenset({"a" * 32})})
    row = ManagedFile("/etc/public", "p", "changed", "a" * 32, "b" * 32)
    assert sealer.close_managed(row, row).recorded == "a" * 32
    made = ManagedFile("/etc/made", "p", "unchanged", "c" * 32, "c" * 32)
    closed = sealer.close_managed(made, made)
    assert matches_digest("c" * 32, closed.recorded) and closed.disk == ""


def test_one_salt_a_survey_unless_one_is_given() -> None:
    """Two surveys cannot be linked by a digest, but with an earlier salt compared."""
    first, second = (Sealer(Vault(), {}).seal("a" * 32) for _ in range(2))
    assert first != second
    assert Sealer(Vault(), {}, salt=read_salt(first)).seal("a" * 32) == first


def test_sealing_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    """Beyond the limit a file has no digest; those before keep theirs."""
    made: list[str] = []

    def seal(md5: str, salt: bytes) -> str:
        made.append(md5)
        return "x"

    monkeypatch.setattr("forerun.stages.sanitise_system.seal_digest", seal)
    sealer = Sealer(Vault(), {})
    sealed = [sealer.seal(f"{number:032x}") for number in range(MOST_SEALED + 5)]
    assert sealed == ["x"] * MOST_SEALED + [""] * 5
    assert sealer.seal(f"{0:032x}") == "x" and len(made) == MOST_SEALED
    assert sealer.seal("no digest") == ""


def test_older_records_have_no_system_facts() -> None:
    """Every field has a default."""
    assert SystemFacts().blocks == () and SystemFacts().loader is None
