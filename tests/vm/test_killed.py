"""A command that is killed or interrupted: what is left, what a sweep removes, and what it
must not touch."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import time
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import libvirt
import pytest

from forerun.model.blueprint import DomainPlan, TemplateInfo
from forerun.pipeline_bench import Bench
from forerun.ports.domain_xml import write_domain_xml
from forerun.ports.held import PART, is_held
from forerun.ports.hypervisor import NAME_PREFIX
from forerun.ports.ledger import Entry
from forerun.ports.store import Store
from forerun.ports.strays import find_strays
from forerun.stages.build import Yard
from forerun.stages.sweep import choose_entries, list_claims
from forerun.stages.sweep_look import list_paths
from tests.practice.archive import HERE, PracticeArchive
from tests.vm import lab
from tests.vm.kills import Kill, choose_kills
from tests.vm.program import Program, wait_for_text

pytestmark = pytest.mark.vm

SEED, KILLS = choose_kills()
SEEN_S = 600.0


@dataclass(frozen=True, slots=True)
class Decoys:
    """What is somebody else's, and looks as if it were not."""

    domains: tuple[str, ...]
    files: dict[Path, str]

    def assert_untouched(self) -> None:
        assert set(self.domains) <= list_domains()
        assert {file: file.read_text() for file in self.files} == self.files


@pytest.fixture
def decoys(yard: Yard, bench: Bench, tmp_path: Path) -> Iterator[Decoys]:
    """A domain with a name like ours and without our mark, one with our mark and another
    state folder's; files in the state folder that forerun did not make, and one outside
    whose name is like a build's."""
    kind = "kvm" if yard.accelerator == "kvm" else "qemu"
    plain, marked = (f"{NAME_PREFIX}decoy-{uuid.uuid4().hex[:8]}" for _ in range(2))
    other = Store(tmp_path / "other-state").mark
    plan = DomainPlan(
        name=marked, uuid=str(uuid.uuid4()), mac="", cpus=1, memory_bytes=16 << 20,
        boot_mode="bios", accelerator=yard.accelerator, disks=(),
        console_log=str(tmp_path / "decoy.log"), owner=marked.removeprefix(NAME_PREFIX),
        no_link=True, state=other,
    )  # fmt: skip
    texts = (
        f"<domain type='{kind}'><name>{plain}</name><memory unit='MiB'>16</memory><vcpu>1</vcpu>"
        "<os><type arch='x86_64' machine='pc'>hvm</type></os></domain>",
        write_domain_xml(plan),
    )
    files = {
        bench.store.machines / f"notes-{uuid.uuid4().hex}.txt": "mine",
        bench.store.runs / f"own-{uuid.uuid4().hex}.part": "mine too",
        tmp_path / "forerun-tree.0123456789abcdef" / "file": "not in the ledger",
    }
    connection = libvirt.open(lab.URI)
    domains = [connection.createXML(text, libvirt.VIR_DOMAIN_START_PAUSED) for text in texts]
    for file, content in files.items():
        file.parent.mkdir(exist_ok=True)
        file.write_text(content)
    yield Decoys((plain, marked), files)
    for domain in domains:
        if domain.isActive():
            domain.destroy()
    connection.close()
    for file in files:
        file.unlink(missing_ok=True)


@pytest.fixture
def command(
    survey_id: str, practised: TemplateInfo, practice: PracticeArchive, tmp_path: Path
) -> tuple[str, ...]:
    """A rehearsal of the practice profile."""
    profile = practice.write_profile(tmp_path / "profile.yaml")
    return (
        "rehearse", "--survey", survey_id, "--profile", str(profile),
        "--site", str(HERE / "site.yaml"), "--cpus", "1", "--memory", "512MiB",
        "--template", practised.id,
    )  # fmt: skip


def list_domains() -> set[str]:
    connection = libvirt.open(lab.URI)
    try:
        return {domain.name() for domain in connection.listAllDomains()}
    finally:
        connection.close()


def assert_closed(ports: list[int]) -> None:
    for port in ports:
        with pytest.raises(ConnectionRefusedError):
            socket.create_connection(("127.0.0.1", port), 2).close()


# -- many kills


def wait_for_point(kill: Kill, bench: Bench, process: subprocess.Popen[bytes]) -> None:
    """Until the point is seen, or the command has come to its end."""
    limit = time.monotonic() + SEEN_S
    while kill.point.seen and process.poll() is None:
        assert time.monotonic() < limit, f"{kill.point.name} was not seen in {SEEN_S} s"
        if _is_seen(kill, bench, process.pid):
            return
        time.sleep(0.05)


def _is_seen(kill: Kill, bench: Bench, pid: int) -> bool:
    """In the run that this very process makes: others may be at work beside it."""
    for entry in bench.store.ledger.find():
        if entry.pid == pid and entry.kind == "folder" and entry.name.endswith(PART):
            if kill.point.seen == "survey":
                return Path(entry.name).parent == bench.store.surveys
            events = Path(entry.name) / "events.jsonl"
            text = events.read_text("utf-8", "replace") if events.exists() else ""
            if re.search(kill.point.seen, text):
                return True
    return False


def list_noted(store: Store, pid: int) -> list[Entry]:
    return [entry for entry in store.ledger.find(with_gone=True) if entry.pid == pid]


def assert_nothing_of(pid: int, bench: Bench, noted: list[Entry]) -> None:
    """Nothing that this process noted, and nothing with forerun's mark that nobody claims:
    domains, disks, keys, folders, work trees, programs, ports, locks, half-written files."""
    store = bench.store
    assert [entry.label() for entry in store.ledger.find() if entry.pid == pid] == []
    for entry in noted:
        if entry.kind in ("folder", "path", "scratch"):
            assert not os.path.lexists(entry.name), entry.name
    assert_closed([int(entry.name) for entry in noted if entry.kind == "port"])
    domains = list_domains()
    assert not domains & {entry.name for entry in noted if entry.kind == "domain"}
    assert_no_stray_sockets()
    claims = list_claims(store.ledger.find(), choose_entries(store.ledger.find()))
    assert [path for path in list_paths(store) if str(path) not in claims] == []
    assert find_strays(store.mark) == ()
    held = [*store.root.glob("*.lock"), *store.archive.glob("partial/*")]
    held += list(store.root.glob("*.[0-9a-f]*.part"))
    assert [path for path in held if path.exists() and not is_held(path)] == []


def assert_no_stray_sockets() -> None:
    """libvirt's own folder of a domain (its monitor's socket, its key) goes with the domain;
    others' domains may be ending just now."""
    limit = time.monotonic() + 20
    while True:
        connection = libvirt.open(lab.URI)
        folders = {path.name for path in Path("/var/lib/libvirt/qemu").glob("domain-*-forerun-*")}
        there = [f"domain-{domain.ID()}-" for domain in connection.listAllDomains()]
        connection.close()
        left = [name for name in folders if not name.startswith(tuple(there))]
        if not left:
            return
        assert time.monotonic() < limit, left
        time.sleep(0.5)


def list_whole(store: Store, noted: list[Entry]) -> list[Path]:
    """Surveys and runs that the process finished, by their final names."""
    found = [Path(entry.name.removesuffix(PART)) for entry in noted if entry.name.endswith(PART)]
    return [path for path in found if path.parent in (store.surveys, store.runs) and path.is_dir()]


@pytest.mark.timeout(1200)
@pytest.mark.parametrize("kill", KILLS, ids=Kill.label)
def test_nothing_is_left_wherever_a_command_is_killed(
    kill: Kill,
    program: Program,
    command: tuple[str, ...],
    bench: Bench,
    decoys: Decoys,
    server: lab.Server,
) -> None:
    """kill -9, one sweep, and nothing of the command is there; what is others' is."""
    sys.stdout.write(f"seed {SEED}, kill {kill.number}: {kill.point.name}, {kill.wait_s:.2f} s\n")
    arguments = command
    if kill.point.name == "survey":
        arguments = (
            "survey", "root@127.0.0.1", "--port", str(server.ssh_port),
            "--identity", str(server.key_file), "--known-hosts", str(server.known_hosts),
        )  # fmt: skip
    with program.running(*arguments) as (process, log):
        wait_for_point(kill, bench, process)
        time.sleep(kill.wait_s)
        process.kill()
        process.wait(30)
    assert "Traceback" not in log.read_text(encoding="utf-8", errors="replace")
    noted = list_noted(bench.store, process.pid)
    output = program.run("sweep")
    assert any(line.endswith(" removed, 0 left") for line in output.splitlines())
    assert_nothing_of(process.pid, bench, noted)
    decoys.assert_untouched()
    assert server.name in list_domains()
    assert "0 removed, 0 left" in program.run("sweep").splitlines()
    for whole in list_whole(bench.store, noted):  # killed after its last word: it is whole
        if whole.parent == bench.store.runs:
            assert whole.name in program.run("report", whole.name)
        else:
            assert bench.store.load_survey(whole.name).id == whole.name
        bench.store.withdraw(whole)


# -- the middle of the upgrade, in detail


def test_a_killed_rehearsal_is_swept(
    program: Program, command: tuple[str, ...], bench: Bench, decoys: Decoys, server: lab.Server
) -> None:
    """kill -9 in the middle of the upgrade leaves a running clone, files and ledger entries;
    a sweep removes them all, once, and neither the decoy nor the server is touched."""
    with program.running(*command) as (process, _):
        part = wait_for_text(bench.store.runs, r'"step": "upgrade".*"line"', process)
        os.kill(process.pid, signal.SIGKILL)
        process.wait(30)
    run = part.name.removesuffix(".part")
    clone = f"{NAME_PREFIX}{run}"
    assert clone in list_domains()
    assert bench.store.ledger.find(run)
    ports = [int(e.name) for e in bench.store.ledger.find(run) if e.kind == "port"]
    assert f"{run}  cut short: forerun rehearse --resume {run}" in program.run("runs")
    output = program.run("sweep")
    assert f"removed domain:{clone}" in output
    assert "0 left" in output
    names = list_domains()
    assert clone not in names
    decoys.assert_untouched()
    assert server.name in names
    assert bench.store.ledger.find(run) == ()
    assert not part.exists()
    assert not (bench.store.machines / run).exists()
    assert_closed(ports)
    assert "0 removed, 0 left" in program.run("sweep").splitlines()
    assert run not in program.run("runs")


def test_an_interrupted_rehearsal_tears_down_by_itself(
    program: Program, command: tuple[str, ...], bench: Bench, decoys: Decoys
) -> None:
    """Ctrl-C while the clone boots: exit code 130, no clone, nothing on record that is left,
    no traceback."""
    with program.running(*command) as (process, log):
        part = wait_for_text(bench.store.runs, r'"phase": "clone"', process)
        process.send_signal(signal.SIGINT)
        assert process.wait(120) == 130
    run = part.name.removesuffix(".part")
    assert "Traceback" not in log.read_text(encoding="utf-8", errors="replace")
    assert f"{NAME_PREFIX}{run}" not in list_domains()
    decoys.assert_untouched()
    assert bench.store.ledger.find(run) == ()
    assert not part.exists()
    assert list(bench.store.machines.glob(f"{run}*")) == []
