"""A whole rehearsal by the command a user types: survey, clone, upgrade, reboot, report,
tear-down; on the practice archive, whose packages surprise in known ways."""

from __future__ import annotations

import json
import socket
from collections import Counter
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from forerun.model.blueprint import TemplateInfo
from forerun.model.counters import Part
from forerun.model.observation import Outcome, RunRecord, WayEnd
from forerun.model.speed import Work
from forerun.pipeline_bench import Bench
from forerun.ports.command import LocalCommand
from forerun.ports.ssh import connect
from forerun.stages.decompose import decompose_run
from tests.practice.archive import HERE, PracticeArchive
from tests.practice.packages import EDITED_CONFIGURATION, NOTE_QUESTION, PAYLOAD_BYTES
from tests.vm import lab
from tests.vm.program import Program, find_word

pytestmark = pytest.mark.vm


@dataclass(frozen=True, slots=True)
class Rehearsed:
    """What a rehearsal left: its output, its stored record, its report, its folder."""

    output: str
    record: RunRecord
    report: dict[str, Any]
    folder: Path


@pytest.fixture(scope="module")
def rehearsed(
    program: Program,
    survey_id: str,
    practised: TemplateInfo,
    practice: PracticeArchive,
    bench: Bench,
) -> Rehearsed:
    """One whole rehearsal for all tests here: it takes minutes."""
    profile = practice.write_profile(program.folder / "profile.yaml")
    output = program.run(
        "rehearse", "--survey", survey_id, "--profile", str(profile),
        "--site", str(HERE / "site.yaml"), "--cpus", "1", "--memory", "512MiB",
        "--template", practised.id,
    )  # fmt: skip
    run = find_word(output, "run")
    drawn = program.run("report", run, "--format", "json")
    report = json.loads(drawn)
    return Rehearsed(output, bench.store.load_run(run), report, bench.store.runs / run)


def test_it_completes_and_every_step_ends_well(rehearsed: Rehearsed) -> None:
    """Every step of the profile ran, in its order, and is done."""
    steps = [(step.name, step.end.value) for step in rehearsed.record.steps]
    assert [name for name, _ in steps] == [
        "readiness", "keep-configuration", "old-index", "quiesce", "switch-sources", "new-index",
        "simulate", "upgrade", "restart", "confirmation", "resume", "clean",
    ]  # fmt: skip
    assert {end for _, end in steps} == {"done"}
    assert rehearsed.record.outcome is Outcome.COMPLETED
    assert rehearsed.report["run"]["outcome"] == "completed"


def test_the_packages_changed_as_the_archive_says(rehearsed: Rehearsed) -> None:
    """Five upgraded, one new, the one it replaces removed."""
    changes = {change.name: (change.kind, change.old, change.new)
               for change in rehearsed.record.packages}  # fmt: skip
    for name in ("shelf-web", "shelf-note", "shelf-slow", "shelf-repeat", "linux-image-shelf"):
        assert changes[name] == ("upgraded", "1.0", "2.0")
    assert changes["shelf-new"][0] == "installed"
    assert changes["shelf-old"][0] == "removed"
    counts = rehearsed.report["measured"]["packages"]
    assert (counts["upgraded"], counts["installed"], counts["removed"]) == (5, 1, 1)


def test_a_removal_is_a_finding(rehearsed: Rehearsed) -> None:
    """What the plan takes away is named before the window."""
    assert any("shelf-old" in seen.title for seen in rehearsed.record.seen)


def test_declared_questions_are_answered_by_their_rule(rehearsed: Rehearsed) -> None:
    """apt's, dpkg's and a package's own question each met their rule, with its reason."""
    met = {prompt.rule: prompt for prompt in rehearsed.record.prompts if prompt.declared}
    assert set(met) == {"apt-continue", "dpkg-conffile", "shelf-repeat"}
    assert met["dpkg-conffile"].answer == "N"
    assert met["shelf-repeat"].answer == "yes"
    assert all(prompt.answered_by == "profile" for prompt in met.values())
    assert all(prompt.why and prompt.step == "upgrade" for prompt in met.values())
    assert "/etc/shelf-web.conf" in met["dpkg-conffile"].text


def test_an_undeclared_question_is_caught_recorded_and_listed(rehearsed: Rehearsed) -> None:
    """It did not hang the run: it was seen, answered by policy, and stands in record,
    report and terminal as undeclared."""
    (prompt,) = [one for one in rehearsed.record.prompts if not one.declared]
    assert NOTE_QUESTION.strip() in prompt.text
    assert (prompt.answered_by, prompt.answer, prompt.rule) == ("policy", "", "")
    assert 0 < prompt.waited_s < 60
    listed = [one for one in rehearsed.report["measured"]["prompts"] if not one["declared"]]
    assert [NOTE_QUESTION.strip() in one["text"] for one in listed] == [True]
    assert "Shelf note" in rehearsed.output
    assert rehearsed.report["run"]["clean"] is False


def test_silence_is_measured_and_is_no_question(rehearsed: Rehearsed) -> None:
    """shelf-slow says nothing for 15 s: nobody typed anything, the silence is on record."""
    (step,) = [one for one in rehearsed.record.steps if one.name == "upgrade"]
    assert step.quiet_longest_s >= 14
    assert not [one for one in rehearsed.record.prompts if "slow" in one.process]


def test_the_edited_file_stays_and_the_new_one_is_listed(rehearsed: Rehearsed) -> None:
    """Keeping one's own conffile leaves the new one beside it: that is on the list."""
    kept = [(one.path, one.beside) for one in rehearsed.record.kept_files]
    assert ("/etc/shelf-web.conf.dpkg-dist", "/etc/shelf-web.conf") in kept
    results = {(one.name, one.moment): one.result for one in rehearsed.record.checks}
    assert results["configuration-kept", "before"] == "pass"
    assert results["configuration-kept", "after"] == "pass"


def test_checks_pass_fail_and_are_skipped(rehearsed: Rehearsed) -> None:
    """Each result with its reason; a failed note stops nothing."""
    results = {(one.name, one.moment): (one.result, one.reason) for one in rehearsed.record.checks}
    assert results["web-is-new", "after"] == ("pass", "")
    assert ("web-is-new", "before") not in results
    assert results["no-colour", "after"] == ("fail", "plain is no colour")
    assert results["left-out", "after"] == ("skipped", "there is no second shelf")


def test_the_download_is_the_same_however_it_is_counted(rehearsed: Rehearsed) -> None:
    """Plan, fetch and gateway agree to the byte within 1 %, and so does the wire once the
    named overheads are added."""
    download = rehearsed.report["measured"]["download"]
    fetched = download["fetched_bytes"]
    assert fetched > 24_000_000
    assert download["planned_bytes"] == pytest.approx(fetched, rel=0.01)
    assert download["gateway_bytes"] == pytest.approx(fetched, rel=0.01)
    for comparison in download["comparisons"]:
        assert comparison["agrees"] is True, comparison


def test_the_reboots_parts_are_the_whole(rehearsed: Rehearsed) -> None:
    """Cut at five places, the parts sum to the total within a second; the system that came
    back is another boot with its services ready."""
    (split,) = rehearsed.record.reboots
    parts = (split.down_s, split.loader_s, split.kernel_s, split.userspace_s, split.settle_s)
    assert all(part >= 0 for part in parts)
    assert sum(parts) == pytest.approx(split.total_s, abs=1.0)
    assert split.down_s < split.ssh_s <= split.total_s
    assert 0 < split.ready_s <= split.total_s + 1
    assert rehearsed.report["measured"]["reboot"]["sum_agrees"] is True


def test_the_outages_are_where_they_were_made(rehearsed: Rehearsed) -> None:
    """The web service was away during the restart of the clone, and came back; each outage
    names the step it began in."""
    outages = [one for one in rehearsed.record.outages if one.service == "web"]
    (split,) = rehearsed.record.reboots
    during = [
        one for one in outages
        if one.start_s <= split.requested_s + split.total_s and one.end_s >= split.requested_s
    ]  # fmt: skip
    assert during
    assert all(one.ended for one in outages)
    assert {one.step for one in outages} <= {"upgrade", "restart", "confirmation"}
    assert sum(one.end_s - one.start_s for one in during) > split.down_s


def test_the_circumstances_are_recorded(rehearsed: Rehearsed) -> None:
    """Accelerator and why, the lab host's load beside each step, CPU beside wall seconds."""
    assert rehearsed.record.lab.accelerator in ("kvm", "emulation")
    assert rehearsed.record.lab.why
    assert all(step.load is not None for step in rehearsed.record.steps)
    (upgrade,) = [one for one in rehearsed.record.steps if one.name == "upgrade"]
    assert 0 < upgrade.guest_cpu_s <= upgrade.wall_s * 1.1
    assert upgrade.host_cpu_s > 0


def test_every_step_is_counted(rehearsed: Rehearsed) -> None:
    """The clone's processor, its disks and the gateway by step; what is known otherwise agrees:
    CPU seconds, the download's time, the prompts' waits, dpkg's own seconds."""
    steps = {step.name: step for step in rehearsed.record.steps}
    for step in steps.values():
        counters = step.counters
        assert counters is not None, step.name
        assert counters.cpus == 1
        assert counters.user_s + counters.system_s == pytest.approx(step.guest_cpu_s, abs=0.011)
        assert counters.processes > 0 and counters.flushes >= 0 and counters.flush_s >= 0
        assert counters.since_boot is (step.name == "restart")
        assert 0 <= counters.fetching_s <= step.wall_s + 0.5
        if not counters.since_boot:
            told = (counters.user_s, counters.system_s, counters.idle_s, counters.iowait_s)
            assert sum(told) + counters.steal_s == pytest.approx(step.wall_s, rel=0.1, abs=1.0)
        # The kernel of both releases tells its pressure.
        assert 0 <= counters.io_full_s <= counters.io_some_s <= step.wall_s + 1
    upgrade = steps["upgrade"].counters
    assert upgrade is not None
    waited = [one.waited_s for one in rehearsed.record.prompts if one.step == "upgrade"]
    assert upgrade.people_s == pytest.approx(sum(waited), abs=0.02)
    assert upgrade.fetching_s > 0 and upgrade.written_bytes > PAYLOAD_BYTES
    assert upgrade.flushes > 5
    assert upgrade.unpacking_s > 0 and upgrade.configuring_s >= 14  # shelf-slow sleeps for 15 s
    assert upgrade.packed_bytes == pytest.approx(
        rehearsed.report["measured"]["download"]["fetched_bytes"], rel=0.01
    )
    assert upgrade.unpacked_bytes >= upgrade.packed_bytes


def test_the_parts_of_each_step_add_up(rehearsed: Rehearsed) -> None:
    """By the clone's own speed: nothing negative, the sum is the step; a step that sleeps
    for 15 s has waits, the restart its firmware, and little is left unexplained."""
    parts = {one.step: one for one in decompose_run(rehearsed.record)}
    assert set(parts) == {step.name for step in rehearsed.record.steps}
    unexplained = 0.0
    for one in parts.values():
        assert all(part.seconds >= 0 for part in one.parts)
        assert sum(part.seconds for part in one.parts) == pytest.approx(one.wall_s, abs=1e-9)
        unexplained += sum(p.seconds for p in one.parts if p.part is Part.UNEXPLAINED)
    spent = {part.part: part.seconds for part in parts["upgrade"].parts}
    # Which wait an idle processor is booked on depends on what else went on; on a busy lab
    # host looking at the clone takes up some of the sleep (0 s of fixed waits were seen).
    waits = sum(spent.get(part, 0.0) for part in (Part.FIXED, Part.PEOPLE, Part.DOWNLOAD))
    assert waits > 10
    assert spent[Part.SPAWN] > 0 and spent[Part.PEOPLE] > 0
    (restart,) = rehearsed.record.reboots
    firmware = [p.seconds for p in parts["restart"].parts if p.part is Part.FIRMWARE]
    assert firmware == [pytest.approx(restart.loader_s)]
    whole = sum(one.wall_s for one in parts.values())
    assert unexplained - restart.down_s < 0.15 * whole


def test_the_clones_speed_is_read_before_and_after(rehearsed: Rehearsed) -> None:
    """Twice each, with the lab host's load, none of the link; in the time of no step."""
    record = rehearsed.record
    assert len(record.speeds) == 4
    for reading in record.speeds:
        speeds = {speed.work: speed for speed in reading.speeds}
        assert set(speeds) >= {Work.SPAWN, Work.COMPUTE, Work.SYNC, Work.WRITE}
        assert Work.LINK not in speeds
        assert all(one > 0 for speed in reading.speeds for one in speed.seconds)
        assert 0 < reading.wall_s <= 20
        assert 0 < reading.written_bytes <= 64_000_000
        assert reading.load is not None
    # The first reading began before the first step. By the run's own clock, which was stopped
    # meanwhile, neither took any time: the wall clock has at least both more.
    began, ended, first = (
        datetime.fromisoformat(text)
        for text in (record.started_at, record.finished_at, record.speeds[0].taken_at)
    )
    assert (first - began).total_seconds() < record.steps[0].started_s + 2
    last = record.steps[-1]
    left = (ended - began).total_seconds() - (last.started_s + last.wall_s)
    assert left > sum(reading.wall_s for reading in record.speeds) - 2


def test_the_seal_was_proved_before_anything_else(rehearsed: Rehearsed) -> None:
    """Every attempt with its result, none open, on record and in the report; before services
    were settled and before the clone was looked at."""
    tried = rehearsed.record.ways_tried
    ends = Counter(way.result for way in tried)
    assert ends[WayEnd.OPEN] == 0
    assert ends[WayEnd.CLOSED] > 10
    assert ends[WayEnd.REFUSED] > 30
    assert all(way.detail for way in tried)
    assert len(rehearsed.report["lab"]["ways_out"]) == len(tried)
    names = [name for name, _ in rehearsed.record.preparation]
    assert names.index("clone") < names.index("seal") < names.index("settle")
    took = dict(rehearsed.record.preparation)["seal"]
    assert took < 25, took


def test_the_disk_is_watched_while_it_fills(rehearsed: Rehearsed) -> None:
    """The payload lies on the disk twice while it is installed: fetched and unpacked. The
    report's peak is the largest sample."""
    (step,) = [one for one in rehearsed.record.steps if one.name == "upgrade"]
    used = [
        sample.used_bytes
        for sample in rehearsed.record.disk
        if sample.target == "/" and 0 <= sample.at_s - step.started_s <= step.wall_s
    ]
    assert max(used) - min(used) > 2 * PAYLOAD_BYTES * 0.98
    peaks = {one["target"]: one for one in rehearsed.report["measured"]["disk"]}
    whole = [one.used_bytes for one in rehearsed.record.disk if one.target == "/"]
    assert peaks["/"]["peak_used_bytes"] == max(whole)


def test_nothing_is_left(rehearsed: Rehearsed, server: lab.Server, bench: Bench) -> None:
    """libvirt knows no clone of the run, the ledger no open entry, no file and no port of it
    is there; the report says the same; the server still runs."""
    run = rehearsed.record.id
    shown = LocalCommand().run(
        ["virsh", "--connect", lab.URI, "list", "--all", "--name"], timeout_s=60
    )
    names = shown.text().split()
    assert f"forerun-{run}" not in names
    assert server.name in names
    assert bench.store.ledger.find(run) == ()
    created = bench.store.ledger.find(run, with_gone=True)
    assert {entry.kind for entry in created} == {"domain", "port", "folder"}
    for entry in created:
        if entry.kind == "port":
            with (
                pytest.raises(OSError),
                socket.create_connection(("127.0.0.1", int(entry.name)), 2),
            ):
                pass
        if entry.kind == "folder":
            assert not Path(entry.name).exists()
    teardown = rehearsed.report["teardown"]
    assert (teardown["left"], teardown["kept"]) == ([], [])
    assert set(teardown["created"]) == {entry.label() for entry in created}
    assert not [path for path in bench.store.find_unfinished() if run in path.name]


def test_the_server_was_only_read(rehearsed: Rehearsed, server: lab.Server) -> None:
    """Its packages and its edited file are as they were before."""
    link = connect(server.target())
    try:
        look = link.exec(
            "cat /etc/shelf-web.conf; dpkg-query -W -f='${Version} ' 'shelf-*'", timeout_s=60
        ).text()
    finally:
        link.close()
    assert look == EDITED_CONFIGURATION + "1.0 " * 6


def test_the_run_folder_is_whole(rehearsed: Rehearsed) -> None:
    """Record, reports, progress, terminal and console are there, each with its content."""
    names = {path.name for path in rehearsed.folder.iterdir()}
    assert names >= {
        "record.json", "events.jsonl", "terminal.log", "console.log", "report.html", "report.md",
        "runbook.md", "report.json", "configuration.tar.gz",
    }  # fmt: skip
    events = [json.loads(line) for line in (rehearsed.folder / "events.jsonl").open()]
    assert len(events) > 20
    terminal = (rehearsed.folder / "terminal.log").read_text(errors="replace")
    assert NOTE_QUESTION.strip() in terminal
    assert "shelf-slow is done" in terminal
    assert b"reboot: Restarting system" in (rehearsed.folder / "console.log").read_bytes()


@pytest.mark.parametrize("form", ["markdown", "html", "terminal"])
def test_an_old_run_is_drawn_again(program: Program, rehearsed: Rehearsed, form: str) -> None:
    """From the record alone, in every form, with the undeclared question in it."""
    drawn = program.run("report", rehearsed.record.id, "--format", form)
    assert "Shelf note" in drawn
    assert rehearsed.record.id in drawn


def test_the_run_is_listed(program: Program, rehearsed: Rehearsed) -> None:
    """`forerun runs` knows it."""
    assert rehearsed.record.id in program.run("runs")
