"""Hold points, faults and ways back, on a real guest by the command a user types."""

from __future__ import annotations

import json
import os
import re
import shutil
from pathlib import Path
from typing import Any

import pytest

from forerun.model.blueprint import TemplateInfo
from forerun.pipeline_bench import Bench
from forerun.ports.command import LocalCommand
from forerun.ports.digest_list import DIGESTS_NAME, write_digests
from forerun.stages.build import Clone, Yard
from forerun.stages.hold import Holder
from tests.practice.archive import HERE, PracticeArchive
from tests.vm import lab
from tests.vm.program import Program, find_word

pytestmark = [pytest.mark.vm, pytest.mark.timeout(3600)]

# Each costs a minute or two of emulation: the rest is for the long form.
SHORT = ("power-cut-unpack@upgrade", "archive-altered@upgrade", "script-hangs@upgrade")
LONG = (
    "session-lost@upgrade", "session-lost-asking@upgrade", "power-cut-unpack@upgrade",
    "power-cut-configure@upgrade",
    "power-cut-kernel@upgrade", "archive-gone@upgrade", "archive-slow@upgrade",
    "archive-altered@upgrade", "signing-key-missing@new-index",
    "signing-key-expired@new-index", "root-full@upgrade", "boot-full@upgrade",
    "memory-short@upgrade", "script-fails@upgrade", "script-hangs@upgrade",
    "clock-wrong@new-index", "no-restart@restart",
)  # fmt: skip
IN_FULL = os.environ.get("FORERUN_ALL_FAULTS") == "1"


def test_a_hold_point_is_returned_to(template: TemplateInfo, yard: Yard, bench: Bench) -> None:
    """Memory, disk and clock: what changed since is gone, what ran then runs on, time is
    now's, and the same point can be returned to again."""
    with lab.plain_clone(template, yard) as clone:
        guest = clone.guest
        guest.run(
            "echo then > /root/mark; sync; echo kept > /dev/shm/kept; "
            "setsid sleep 100000 </dev/null >/dev/null 2>&1 &",
            timeout_s=60,
        )
        boot_id = guest.read_file("/proc/sys/kernel/random/boot_id")
        holder = Holder(clone, yard, bench.command)
        point = holder.take("test", memory_bytes=lab.MEMORY)
        assert point.memory_bytes > 1 << 20
        assert point.disk_bytes > 1 << 16
        for number in range(2):
            guest.run(f"echo later-{number} > /root/mark; rm -f /dev/shm/kept; pkill sleep",
                      timeout_s=60)  # fmt: skip
            took = holder.return_to(point)
            assert took < 120
            assert guest.read_file("/root/mark") == b"then\n"
            assert guest.read_file("/dev/shm/kept") == b"kept\n"
            assert guest.read_file("/proc/sys/kernel/random/boot_id") == boot_id
            assert guest.run("pgrep -c sleep", timeout_s=60).text().strip() != "0"
            clock = float(guest.run("date +%s", timeout_s=60).text())
            assert abs(clock - bench.clock.now().timestamp()) < 10
        _lose_power(clone, holder, boot_id)


def _lose_power(clone: Clone, holder: Holder, boot_id: bytes) -> None:
    """What was flushed is there after a power cut, and it is another boot."""
    clone.guest.run("echo flushed > /root/mark; sync", timeout_s=60)
    holder.cut_power()
    assert holder.switch_on() > 0
    assert clone.guest.read_file("/root/mark") == b"flushed\n"
    assert clone.guest.read_file("/proc/sys/kernel/random/boot_id") != boot_id


@pytest.fixture(scope="module")
def with_boot(survey_id: str, program: Program, bench: Bench) -> str:
    """The same survey of a server whose /boot is a partition of its own, 128 MiB."""
    name = survey_id[:-8] + "b007b007"
    folder: Path = bench.store.surveys / name
    shutil.copytree(bench.store.surveys / survey_id, folder)
    (folder / "approval.json").unlink()
    record = json.loads((folder / "survey.json").read_text(encoding="utf-8"))
    record["id"] = name
    (root,) = [mount for mount in record["mounts"] if mount["target"] == "/"]
    number = "5d3c2b1a-0000-4000-8000-00000000b007"
    record["mounts"].append(
        {
            **root,
            "source": "/dev/vdz1",
            "target": "/boot",
            "fstype": "ext4",
            "options": "defaults",
            "uuid": number,
            "label": "",
            "size_bytes": 128 << 20,
            "in_fstab": True,
            "fstab_spec": f"UUID={number}",
        }
    )
    (folder / "survey.json").write_text(json.dumps(record), encoding="utf-8")
    (folder / DIGESTS_NAME).unlink()
    (folder / DIGESTS_NAME).write_bytes(write_digests(folder))
    program.run("approve", name, "--by", "who tests")
    return name


@pytest.fixture(scope="module")
def chosen(request: pytest.FixtureRequest) -> str:
    """The survey to rehearse: in the long form the one with a boot partition."""
    found: str = request.getfixturevalue("with_boot" if IN_FULL else "survey_id")
    return found


@pytest.fixture(scope="module")
def report(
    program: Program, chosen: str, practised: TemplateInfo, practice: PracticeArchive,
    tmp_path_factory: pytest.TempPathFactory, bench: Bench,
) -> dict[str, Any]:  # fmt: skip
    """One rehearsal with faults and both ways back."""
    profile = practice.write_profile(tmp_path_factory.mktemp("trials") / "profile.yaml")
    faults = [part for fault in (LONG if IN_FULL else SHORT) for part in ("--fault", fault)]
    output = program.run(
        "rehearse", "--survey", chosen, "--profile", str(profile),
        "--site", str(HERE / "site.yaml"), "--cpus", "1", "--memory", "512MiB",
        "--template", practised.id, "--back-out", *faults, limit_s=3500,
    )  # fmt: skip
    run = find_word(output, "run")
    folder = bench.store.runs / run
    document: dict[str, Any] = json.loads((folder / "report.json").read_text(encoding="utf-8"))
    document["runbook"] = (folder / "runbook.md").read_text(encoding="utf-8")
    return document


def test_every_fault_has_its_line(report: dict[str, Any]) -> None:
    """Each struck, each was seen, and each either recovered or says why it cannot."""
    tried = {one["fault"]: one for one in report["trials"]["faults"]}
    wanted = [fault.partition("@")[0] for fault in (LONG if IN_FULL else SHORT)]
    assert sorted(tried) == sorted(wanted)
    for name, one in tried.items():
        assert one["moment"], one
        assert one["seen"] or one["end"], one
        assert one["boots"] in {"yes", "no"}, one
        assert one["recovered"] or one["why"], one
        assert one["rule"] in report["runbook"].replace("\\", ""), name
        assert one["wall_seconds"] > 0


def test_a_power_cut_is_recovered_from(report: dict[str, Any]) -> None:
    """In each phase: it starts again, is reached, and the interrupted work is finished."""
    cuts = [f for f in report["trials"]["faults"] if f["fault"].startswith("power-cut")]
    assert cuts
    for one in cuts:
        assert one["end"] == "cut off by the loss of power"
        assert (one["boots"], one["reachable"]) == ("yes", "yes"), one
        assert one["recovered"], one
        assert 0 < one["recovery_seconds"] < one["wall_seconds"]


def test_altered_packages_are_not_installed(report: dict[str, Any]) -> None:
    """The package manager refuses them by their checksum; with the right ones it goes on."""
    (one,) = [f for f in report["trials"]["faults"] if f["fault"] == "archive-altered"]
    assert any("Hash Sum mismatch" in line for line in one["seen"]), one["seen"]
    assert one["recovered"], one


@pytest.mark.skipif(not IN_FULL, reason="in the long form, FORERUN_ALL_FAULTS=1")
def test_keys_and_clocks_are_told_by_the_package_manager(report: dict[str, Any]) -> None:
    """An expired key by its own word (gpgv's EXPKEYSIG), a missing one as missing; a full
    root as no space left, a full /boot by its use: a shell says only "I/O error" there."""
    seen = {one["fault"]: " ".join(one["seen"]) for one in report["trials"]["faults"]}
    assert "EXPKEYSIG" in seen["signing-key-expired"]
    assert "NO_PUBKEY" in seen["signing-key-missing"] or "not signed" in seen["signing-key-missing"]
    assert re.search(r"/boot +100%", seen["boot-full"])
    assert "No space left" in seen["root-full"]


@pytest.mark.skipif(not IN_FULL, reason="in the long form, FORERUN_ALL_FAULTS=1")
def test_a_question_that_nobody_can_answer_holds_the_lock(report: dict[str, Any]) -> None:
    """The package manager waits on, its lock is held, and finishing what was interrupted
    mends it."""
    (one,) = [f for f in report["trials"]["faults"] if f["fault"] == "session-lost-asking"]
    assert any("waits for an answer" in line for line in one["seen"]), one["seen"]
    assert any("lock held by process" in line for line in one["seen"]), one["seen"]
    assert one["recovered"], one


def test_a_script_that_hangs_is_found(report: dict[str, Any]) -> None:
    """By its process, which is named."""
    (one,) = [f for f in report["trials"]["faults"] if f["fault"] == "script-hangs"]
    assert "hangs" in one["end"]
    assert any("sleep 1000000" in line for line in one["seen"]), one["seen"]
    assert one["recovered"], one


def test_both_ways_back_are_timed_and_proved(report: dict[str, Any]) -> None:
    """The hold point leads back to exactly what was; the rebuilt machine passes the same
    checks and has the same packages and configuration."""
    ways = {one["way"]: one for one in report["trials"]["back_out"]}
    assert set(ways) == {"hold point", "rebuild"}
    for one in ways.values():
        assert one["why"] == ""
        assert one["from_step"] == "upgrade"
        assert one["wall_seconds"] == pytest.approx(
            sum(part["seconds"] for part in one["parts"]), abs=1.0
        )
        assert one["checks"] > 0
        assert one["alike"] == one["checks"], one["differences"]
        assert one["differences"] == []
    (hold,) = [h for h in report["trials"]["holds"] if h["step"] == "upgrade"]
    assert hold["memory_bytes"] > 0
    assert hold["disk_bytes"] > 0


def test_what_is_tried_is_in_no_figure_of_the_procedure(report: dict[str, Any]) -> None:
    """The faults and the hold points took minutes; the steps and the services' outages
    know nothing of them."""
    assert report["run"]["outcome"] == "completed"
    steps = report["measured"]["steps"]
    tried = sum(one["wall_seconds"] for one in report["trials"]["faults"])
    last, first = steps[-1], steps[0]
    span = last["started_seconds"] + last["wall_seconds"] - first["started_seconds"]
    assert span == pytest.approx(sum(step["wall_seconds"] for step in steps), abs=30)
    assert tried > 30
    assert report["teardown"]["left"] == []


def test_nothing_is_left_of_it(report: dict[str, Any], bench: Bench) -> None:
    """No machine, disk, hold point or ledger entry, also none of the rebuilt machine's."""
    run = report["run"]["id"]
    for name in (run, f"{run}-rebuild"):
        assert not (bench.store.machines / name).exists()
        assert bench.store.ledger.find(name) == ()
    listed = LocalCommand().run(["virsh", "-c", lab.URI, "list", "--all", "--name"], timeout_s=60)
    assert run not in listed.text()
