"""A rehearsal that is killed or interrupted: what is left, what a sweep removes, and what it
must not touch."""

from __future__ import annotations

import os
import signal
import socket
import uuid
from collections.abc import Iterator
from pathlib import Path

import libvirt
import pytest

from forerun.model.blueprint import TemplateInfo
from forerun.pipeline_bench import Bench
from forerun.ports.hypervisor import NAME_PREFIX
from forerun.stages.build import Yard
from tests.practice.archive import HERE, PracticeArchive
from tests.vm import lab
from tests.vm.program import Program, wait_for_text

pytestmark = pytest.mark.vm


@pytest.fixture
def decoy(yard: Yard) -> Iterator[str]:
    """Somebody else's domain with a name like ours and without our mark."""
    name = f"{NAME_PREFIX}decoy-{uuid.uuid4().hex[:8]}"
    kind = "kvm" if yard.accelerator == "kvm" else "qemu"
    xml = (
        f"<domain type='{kind}'><name>{name}</name><memory unit='MiB'>16</memory><vcpu>1</vcpu>"
        "<os><type arch='x86_64' machine='pc'>hvm</type></os></domain>"
    )
    connection = libvirt.open(lab.URI)
    domain = connection.createXML(xml, libvirt.VIR_DOMAIN_START_PAUSED)
    yield name
    if domain.isActive():
        domain.destroy()
    connection.close()


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


def test_a_killed_rehearsal_is_swept(
    program: Program, command: tuple[str, ...], bench: Bench, decoy: str, server: lab.Server
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
    output = program.run("sweep")
    assert f"removed domain:{clone}" in output
    assert "0 left" in output
    names = list_domains()
    assert clone not in names
    assert {decoy, server.name} <= names
    assert bench.store.ledger.find(run) == ()
    assert not part.exists()
    assert not (bench.store.machines / run).exists()
    for port in ports:
        with pytest.raises(ConnectionRefusedError):
            socket.create_connection(("127.0.0.1", port), 2).close()
    assert program.run("sweep").splitlines()[-1] == "0 removed, 0 left"
    assert run not in program.run("runs")


def test_an_interrupted_rehearsal_tears_down_by_itself(
    program: Program, command: tuple[str, ...], bench: Bench, decoy: str
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
    assert decoy in list_domains()
    assert bench.store.ledger.find(run) == ()
    assert not part.exists()
    assert list(bench.store.machines.glob(f"{run}*")) == []
