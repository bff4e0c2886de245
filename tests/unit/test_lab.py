"""Is the lab host fit: the accelerator's proof, and findings that come with what mends them."""

from __future__ import annotations

import json
import re
import subprocess
import time
from collections.abc import Mapping, Sequence
from pathlib import Path

import pytest

from forerun.errors import ArchiveUnreachable, HypervisorFailed
from forerun.model.blueprint import AllowedArchive
from forerun.ports.command import Completed
from forerun.ports.labhost import LabHost
from forerun.ports.store import Store
from forerun.stages import lab as lab_stage
from forerun.stages.lab import (
    PROGRAMS,
    PROOF_LIMIT_S,
    LabCheck,
    LabFinding,
    inspect_lab,
    prove_accelerator,
)
from forerun.stages.proof_disk import PROOF_TEXT, write_proof_disk
from forerun.testing import FakeClock, FakeHypervisor


class ProofHypervisor(FakeHypervisor):
    """Boots the proof on the accelerators named; others hang, or cannot start at all."""

    def __init__(self, *boots: str, refuses: tuple[str, ...] = (), ends: bool = False) -> None:
        super().__init__({"mail-server": "<domain><name>mail-server</name></domain>"})
        self.boots = boots
        self.refuses = refuses
        self.ends = ends
        self.tried: list[str] = []

    def start(self, xml: str) -> None:
        kind = "kvm" if 'type="kvm"' in xml.split(">", 1)[0] else "emulation"
        self.tried.append(kind)
        if kind in self.refuses:
            raise HypervisorFailed("libvirt could not start the clone.", found=f"no {kind}")
        super().start(xml)
        console = re.findall(r'log file="([^"]+)"', xml)[0]
        if kind in self.boots:
            Path(console).write_bytes(b"\x1b[2JSeaBIOS\r\n" + PROOF_TEXT + b"\r\n")
        if self.ends:
            self.domains.pop(re.findall(r"<name>([^<]+)", xml)[0])


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "state")


def set_kvm(monkeypatch: pytest.MonkeyPatch, present: bool) -> None:
    real = Path.exists

    def exists(self: Path, *arguments: object) -> bool:
        return present if str(self) == "/dev/kvm" else real(self)

    monkeypatch.setattr(Path, "exists", exists)


def assert_nothing_left(store: Store, hypervisor: FakeHypervisor) -> None:
    assert list(hypervisor.domains) == ["mail-server"]
    assert store.ledger.find() == ()
    assert list(store.machines.iterdir()) == []


@pytest.mark.tools
def test_the_proof_disk_runs_as_written(tmp_path: Path) -> None:
    """0x55 0xAA ends the first sector (BIOS Boot Specification 1.01); QEMU's own emulation of
    a processor reaches its last line, and an old processor without the exchange does, too."""
    disk = write_proof_disk()
    assert (len(disk), disk[510:512]) == (1024 * 1024, b"\x55\xaa")
    image = tmp_path / "proof.raw"
    image.write_bytes(disk)
    for cpu in ("max", "qemu64,-cx16"):
        assert boot_proof(image, cpu, tmp_path / "console") == PROOF_TEXT + b"\r\n", cpu


@pytest.mark.tools
def test_a_processor_that_cannot_exchange_sixteen_bytes_is_no_proof(tmp_path: Path) -> None:
    """The exchange written as an opcode that no processor has (ud2, Intel SDM volume 2): no
    line is written, so what comes before it is not proof enough."""
    disk = write_proof_disk().replace(bytes.fromhex("f0480fc70f"), bytes.fromhex("0f0b909090"))
    image = tmp_path / "proof.raw"
    image.write_bytes(disk)
    assert boot_proof(image, "max", tmp_path / "console") == b""


def boot_proof(image: Path, cpu: str, console: Path) -> bytes:
    """What an emulated machine writes to its serial port, at most in 20 s."""
    argv = [
        "qemu-system-x86_64", "-accel", "tcg", "-cpu", cpu, "-m", "64", "-nodefaults",
        "-display", "none", "-no-reboot", "-drive", f"file={image},format=raw,snapshot=on",
        "-serial", f"file:{console}",
    ]  # fmt: skip
    console.unlink(missing_ok=True)
    with subprocess.Popen(argv, stdin=subprocess.DEVNULL) as machine:
        limit = time.monotonic() + 20
        try:
            while time.monotonic() < limit and machine.poll() is None:
                if console.exists() and console.read_bytes().endswith(b"\n"):
                    break
                time.sleep(0.1)
        finally:
            machine.kill()
    return console.read_bytes()


def test_hardware_virtualisation_that_boots_is_used(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One boot is proof enough; the second time the answer comes from its cache."""
    set_kvm(monkeypatch, True)
    hypervisor = ProofHypervisor("kvm")
    found = prove_accelerator(store, hypervisor, LabHost(), FakeClock())
    assert (found.name, hypervisor.tried) == ("kvm", ["kvm"])
    assert prove_accelerator(store, hypervisor, LabHost(), FakeClock()) == found
    assert hypervisor.tried == ["kvm"]
    assert_nothing_left(store, hypervisor)


def test_a_kvm_that_hangs_is_not_used(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """The device is there and starts a guest that never lives: emulation, after the limit."""
    set_kvm(monkeypatch, True)
    hypervisor, clock = ProofHypervisor("emulation"), FakeClock()
    found = prove_accelerator(store, hypervisor, LabHost(), clock)
    assert found.name == "emulation"
    assert "no sign of life" in found.why
    assert PROOF_LIMIT_S <= clock.at_s < PROOF_LIMIT_S + 1
    assert hypervisor.tried == ["kvm", "emulation"]
    assert_nothing_left(store, hypervisor)


def test_a_kvm_that_is_refused_is_not_used(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """libvirt's own words are the reason."""
    set_kvm(monkeypatch, True)
    hypervisor = ProofHypervisor("emulation", refuses=("kvm",))
    found = prove_accelerator(store, hypervisor, LabHost(), FakeClock())
    assert (found.name, "no kvm" in found.why) == ("emulation", True)
    assert_nothing_left(store, hypervisor)


def test_without_the_device_it_is_not_tried(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """No /dev/kvm, no attempt."""
    set_kvm(monkeypatch, False)
    hypervisor = ProofHypervisor("emulation")
    assert prove_accelerator(store, hypervisor, LabHost(), FakeClock()).name == "emulation"
    assert hypervisor.tried == ["emulation"]


@pytest.mark.parametrize(
    ("hypervisor", "word"),
    [
        (ProofHypervisor(refuses=("emulation",)), "could not be started"),
        (ProofHypervisor(), "no sign of life"),
        (ProofHypervisor(ends=True), "ended at once"),
    ],
)
def test_a_lab_host_that_boots_nothing_is_an_error(
    store: Store, monkeypatch: pytest.MonkeyPatch, hypervisor: ProofHypervisor, word: str
) -> None:
    """The error says how it went wrong; nothing is left and nothing is cached."""
    set_kvm(monkeypatch, False)
    with pytest.raises(HypervisorFailed) as caught:
        prove_accelerator(store, hypervisor, LabHost(), FakeClock())
    assert word in caught.value.found
    assert caught.value.hint
    assert not (store.root / "accelerator.json").exists()
    assert_nothing_left(store, hypervisor)


def test_the_answer_is_for_one_boot_and_one_hypervisor(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After a reboot of the lab host, or with `fresh`, it is proved anew."""
    set_kvm(monkeypatch, False)
    hypervisor = ProofHypervisor("emulation")
    prove_accelerator(store, hypervisor, LabHost(), FakeClock())
    prove_accelerator(store, hypervisor, LabHost(), FakeClock(), fresh=True)
    assert len(hypervisor.tried) == 2
    cache = store.root / "accelerator.json"
    kept = json.loads(cache.read_text())
    cache.write_text(json.dumps({**kept, "key": "another boot"}))
    prove_accelerator(store, hypervisor, LabHost(), FakeClock())
    assert len(hypervisor.tried) == 3


@pytest.mark.parametrize("text", ["", "{", "[]", '{"key": 1}', "\xff"])
def test_a_damaged_cache_is_proved_anew(
    store: Store, monkeypatch: pytest.MonkeyPatch, text: str
) -> None:
    """A cache is no record: what cannot be read is measured again."""
    set_kvm(monkeypatch, False)
    (store.root / "accelerator.json").write_bytes(text.encode("latin-1"))
    hypervisor = ProofHypervisor("emulation")
    assert prove_accelerator(store, hypervisor, LabHost(), FakeClock()).name == "emulation"
    assert hypervisor.tried == ["emulation"]


# -- the inspection


class FakePrograms:
    """A lab host's programs: those named are installed."""

    def __init__(self, *installed: str) -> None:
        self.installed = installed

    def run(
        self,
        argv: Sequence[str],
        *,
        timeout_s: float,
        stdin: bytes = b"",
        env: Mapping[str, str] | None = None,
        cwd: Path | None = None,
        log: Path | None = None,
        check: bool = True,
    ) -> Completed:
        raise AssertionError("an inspection runs no program")

    def find(self, program: str) -> str:
        return f"/usr/bin/{program}" if program in self.installed else ""


class SmallLab(LabHost):
    """A lab host with that much memory and disk left."""

    def __init__(self, memory: int, disk: int, numbers: int | None = None) -> None:
        super().__init__()
        self._memory, self._disk, self._numbers = memory, disk, numbers

    def is_root(self) -> bool:
        return self._numbers is None

    def subordinate_ids(self, file: Path = Path("/etc/subuid")) -> int:
        return self._numbers or 0

    def memory_bytes(self) -> tuple[int, int]:
        return self._memory, self._memory

    def free_bytes(self, folder: Path) -> int:
        return self._disk


GB = 10**9
ALL_PROGRAMS = [program for program, _ in PROGRAMS]
ARCHIVE = AllowedArchive("http", "archive.example", 80, "/debian")


def inspect(
    store: Store,
    monkeypatch: pytest.MonkeyPatch,
    *,
    programs: Sequence[str] = ALL_PROGRAMS,
    hypervisor: FakeHypervisor | None = None,
    memory: int = 8 * GB,
    disk: int = 80 * GB,
    archive: Exception | None = None,
    numbers: int | None = None,
) -> dict[str, LabFinding]:
    chosen = hypervisor or ProofHypervisor("emulation")

    def open_libvirt(uri: str) -> FakeHypervisor:
        if uri != "qemu:///system":
            raise HypervisorFailed("libvirt cannot be reached.", found="no socket", hint="Start.")
        chosen._ask()
        return chosen

    def check(allowed: AllowedArchive, *, timeout_s: float, suites: Sequence[str]) -> None:
        if archive:
            raise archive

    set_kvm(monkeypatch, False)
    monkeypatch.setattr(lab_stage, "LibvirtHypervisor", open_libvirt)
    monkeypatch.setattr(lab_stage, "check_archive", check)
    findings = inspect_lab(
        LabCheck(
            store,
            FakePrograms(*programs),
            SmallLab(memory, disk, numbers),
            FakeClock(),
            "qemu:///system",
            ((ARCHIVE, ("one",)),),
        )
    )
    assert all(f.hint for f in findings if f.result == "lack"), "every lack names what mends it"
    return {finding.subject: finding for finding in findings}


def test_a_fit_lab_host_lacks_nothing(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """Notes may remain (emulation, no UEFI firmware, no session libvirt); no lack."""
    found = inspect(store, monkeypatch)
    assert [f for f in found.values() if f.result == "lack"] == []
    assert found["accelerator"].result == "note"
    assert found["leftovers"].found == "none"


def test_each_missing_program_names_its_package(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One row a program, with the Debian package that brings it."""
    found = inspect(store, monkeypatch, programs=())
    for program, package in PROGRAMS:
        assert (found[program].result, found[program].hint) == (
            "lack",
            f"apt-get install {package}",
        )


def test_who_is_not_root_needs_numbers_to_hand_out(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The program that maps them and a whole range of them (subuid(5)); root needs none."""
    fit = inspect(store, monkeypatch, programs=[*ALL_PROGRAMS, "newuidmap"], numbers=65536)
    assert fit["newuidmap"].result == fit["user numbers to hand out"].result == "good"
    unfit = inspect(store, monkeypatch, numbers=0)
    assert unfit["newuidmap"].hint == "apt-get install uidmap"
    assert unfit["user numbers to hand out"].result == "lack"
    assert "newuidmap" not in inspect(store, monkeypatch)


def test_too_little_memory_and_disk_are_lacks(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Found and wanted are both in the row."""
    found = inspect(store, monkeypatch, memory=GB // 2, disk=GB)
    assert found["memory available"].result == "lack"
    assert "0.5 GB, wanted" in found["memory available"].found
    row = found[f"disk free for {store.root}"]
    assert (row.result, "1.0 GB, wanted" in row.found) == ("lack", True)
    assert "FORERUN_HOME" in row.hint


def test_a_libvirt_that_is_away_is_a_lack_only_where_it_is_wanted(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The chosen connection must answer; the other one is a note."""
    found = inspect(store, monkeypatch, hypervisor=FakeHypervisor(broken=True))
    assert found["libvirt qemu:///system"].result == "lack"
    assert found["libvirt qemu:///session"].result == "note"
    assert "accelerator" not in found


def test_an_archive_that_does_not_answer_is_a_lack(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With the archive's name and what the gateway said."""
    problem = ArchiveUnreachable("No answer.", found="connection refused", hint="Check it.")
    found = inspect(store, monkeypatch, archive=problem)
    row = found["archive archive.example/debian"]
    assert (row.result, row.found) == ("lack", "connection refused")


def test_leftovers_are_counted(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """What a killed run left is a note that names the sweep."""
    (store.runs / "run-1.part").mkdir()
    row = inspect(store, monkeypatch)["leftovers"]
    assert (row.result, row.hint) == ("note", "forerun sweep")
    assert "1 unfinished" in row.found
