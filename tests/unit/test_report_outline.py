"""What is said of a run: derivation from the record."""

import dataclasses
from pathlib import Path
from typing import Any

import pytest
from pydantic import TypeAdapter

from forerun.model.observation import (
    CheckResult,
    DiskSample,
    DownloadCount,
    GapSeen,
    LabFacts,
    Outage,
    Outcome,
    PackageChange,
    ProbeSample,
    PromptMet,
    RebootSplit,
    RunRecord,
    Seen,
    StepEnd,
    StepRecord,
    Teardown,
)
from forerun.model.speed import LabLoad
from forerun.report.download import frame_bytes, tunnel_bytes
from forerun.report.figures import say_bytes, say_clock, say_seconds, say_spread
from forerun.report.outline import outline
from forerun.report.sections import DownloadAccount, Spread

DATA = Path(__file__).parents[1] / "data" / "run-record-shelf01.json"


@pytest.fixture(scope="module")
def shelf01() -> RunRecord:
    """A completed run with trouble, of an invented organisation's server."""
    return TypeAdapter(RunRecord).validate_json(DATA.read_bytes())


def make_step(name: str = "upgrade", wall_s: float = 60.0, **other: Any) -> StepRecord:
    fields: dict[str, Any] = {
        "title": name.capitalize(),
        "stage": "window",
        "action": "commands",
        "started_s": 0.0,
        "guest_cpu_s": -1.0,
        "host_cpu_s": -1.0,
        "end": StepEnd.DONE,
        "exit_code": 0,
        "message": "",
        **other,
    }
    return StepRecord(name=name, wall_s=wall_s, **fields)


def make_run(run_id: str = "run-1", **other: Any) -> RunRecord:
    fields: dict[str, Any] = {
        "host": "shelf01.records.example",
        "survey_id": "survey-1",
        "profile": "debian-12-to-13",
        "profile_digest": "d1",
        "site_digest": "",
        "outcome": Outcome.COMPLETED,
        "why": "",
        "template_id": "t1",
        "release_before": "Debian 12",
        "release_after": "Debian 13",
        "started_at": "2026-03-14T22:00:00Z",
        "finished_at": "2026-03-14T22:30:00Z",
        "lab": LabFacts("kvm", "a tiny guest answered", 2, 1 << 33, "libvirt 9.0.0"),
        "clone_cpus": 2,
        "clone_memory_bytes": 1 << 31,
        **other,
    }
    return RunRecord(id=run_id, **fields)


# --- verdict


def test_a_clean_run_is_called_completed() -> None:
    """A run with nothing against it is clean and its sentence gives the window."""
    verdict = outline(make_run(steps=(make_step(wall_s=75.0),))).verdict
    assert verdict.clean
    assert verdict.sentence.startswith(
        "Completed: Debian 12 to Debian 13 in a window of 1 min 15 s; every check"
    )


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (
            {"checks": (CheckResult("c", "Web answers", "after", "fail", "no", "must"),)},
            "1 check that must pass does not (Web answers)",
        ),
        (
            {"checks": (CheckResult("c", "Web answers", "before", "pass", "", "must"),)},
            "1 check that must pass does not (Web answers)",
        ),
        (
            {"outages": (Outage("web", 1, 9, False, "refused", "reboot", 1.0),)},
            "web never came back",
        ),
        ({"seen": (Seen("stops boot", "No loader", ""),)}, "1 grave finding (worst: stops boot"),
        ({"teardown": Teardown(left=("domain:x",))}, "1 thing left behind on the lab host"),
        ({"steps": (make_step(end=StepEnd.FAILED),)}, "1 step did not end well (Upgrade)"),
    ],
)
def test_each_trouble_alone_spoils_a_completed_run(change: dict[str, Any], reason: str) -> None:
    """A must check that fails or was not run again, a lost service, a grave finding, a
    thing left behind and a step that ended badly each deny a clean verdict."""
    verdict = outline(make_run(**change)).verdict
    assert not verdict.clean
    assert verdict.sentence.startswith("Completed with trouble")
    assert reason in verdict.sentence


def test_a_failed_note_does_not_spoil_a_run() -> None:
    """A check that is only noted, and a cosmetic finding, leave the run clean."""
    run = make_run(
        checks=(CheckResult("c", "Tuning kept", "after", "fail", "gone", "note"),),
        seen=(Seen("cosmetic", "A file was left beside", ""),),
    )
    assert outline(run).verdict.clean


def test_a_failed_run_names_the_step_and_the_reason() -> None:
    """The sentence of a failed run says where in the procedure, and why."""
    run = make_run(
        outcome=Outcome.FAILED,
        why="exit code 100.",
        steps=(make_step("fetch"), make_step("upgrade", end=StepEnd.FAILED), make_step("later")),
    )
    assert outline(run).verdict.sentence == "Failed at step 2 of 3, “Upgrade”: exit code 100."


def test_a_run_that_failed_before_any_step_can_be_outlined() -> None:
    """An empty record gives a whole report whose figures say that nothing was measured."""
    report = outline(make_run(outcome=Outcome.FAILED, why="the clone never answered"))
    assert report.verdict.sentence == "Failed before the first step: the clone never answered."
    values = {figure.key: figure.value for figure in report.summary}
    assert values["window"] is None
    assert values["procedure"] is None
    assert values["outage"] is None
    assert values["download"] is None
    assert report.steps == ()
    assert report.reboots == ()
    assert report.download is None


def test_an_abandoned_run_says_so() -> None:
    """A run stopped by a person is abandoned, neither failed nor completed."""
    report = outline(make_run(outcome=Outcome.ABANDONED, why="stopped by a person"))
    assert report.verdict.sentence == "Abandoned before the first step: stopped by a person."


# --- time


def test_stage_times_add_up_and_include_pauses(shelf01: RunRecord) -> None:
    """Stages together hold every second of every step; elapsed adds the pauses only."""
    report = outline(shelf01)
    whole = sum(step.wall_s for step in shelf01.steps)
    assert sum(stage.wall_s for stage in report.stages) == pytest.approx(whole)
    window = next(stage for stage in report.stages if stage.stage == "window")
    # Six steps with five pauses of 1.5 s; their starts are rounded to 0.1 s.
    assert window.elapsed_s - window.wall_s == pytest.approx(5 * 1.5, abs=0.2)
    assert [stage.stage for stage in report.stages] == ["prepare", "window", "confirm", "tidy"]


def test_a_skipped_step_takes_no_time() -> None:
    """A skipped step stays in the list but in no sum and no share."""
    run = make_run(
        steps=(make_step("one", 30.0), make_step("two", 99.0, end=StepEnd.SKIPPED)),
    )
    report = outline(run)
    assert [line.share for line in report.steps] == [1.0, 0.0]
    assert report.stages[0].wall_s == 30.0
    assert [line.step.name for line in report.slowest_steps] == ["one"]


def test_slowest_steps_come_longest_first(shelf01: RunRecord) -> None:
    """The slowest list is in falling order and starts with the longest step."""
    times = [line.step.wall_s for line in outline(shelf01).slowest_steps]
    assert times == sorted(times, reverse=True)
    assert times[0] == max(step.wall_s for step in shelf01.steps)


# --- several runs


def test_spread_is_the_smallest_and_largest_of_comparable_runs() -> None:
    """Three comparable runs give min, max and n for a step and for the window."""
    runs = [make_run(f"run-{n}", steps=(make_step(wall_s=w),)) for n, w in enumerate((60, 50, 80))]
    report = outline(runs[0], earlier=runs[1:])
    assert report.steps[0].spread == Spread(50, 80, 3)
    assert report.summary[0].spread == Spread(50, 80, 3)
    assert report.runs_compared == 3


@pytest.mark.parametrize(
    "other",
    [
        {"host": "desk01.records.example"},
        {"profile_digest": "d2"},
        {"clone_cpus": 4},
        {"lab": LabFacts("emulation", "", 2, 1 << 33, "")},
    ],
)
def test_runs_of_other_circumstances_are_left_out(other: dict[str, Any]) -> None:
    """Another server, profile, CPU count or accelerator: no spread, and it is said."""
    run = make_run(steps=(make_step(),))
    report = outline(run, earlier=[make_run("run-2", steps=(make_step(wall_s=1.0),), **other)])
    assert report.steps[0].spread is None
    assert report.runs_left_out == 1
    assert any("One run only: no spread" in text for text in report.objections)
    assert say_spread(report.steps[0].spread) == "one run only: no spread"


def test_the_run_itself_among_the_earlier_ones_counts_once() -> None:
    """Handing over the whole list of runs does not make a spread of one run."""
    run = make_run(steps=(make_step(),))
    report = outline(run, earlier=[run])
    assert report.runs_compared == 1
    assert report.runs_left_out == 0
    assert report.steps[0].spread is None


def test_failed_runs_are_counted_but_lend_no_window() -> None:
    """A failed comparable run is named in the objections, and its window, cut short, is
    not set beside whole ones."""
    run = make_run(steps=(make_step(wall_s=60.0),))
    failed = make_run(
        "run-2", outcome=Outcome.FAILED, steps=(make_step(wall_s=5.0, end=StepEnd.FAILED),)
    )
    report = outline(run, earlier=[failed])
    assert report.summary[0].spread is None
    assert "1 of 2 comparable runs did not complete." in report.objections


# --- outage


def test_outage_is_counted_per_service(shelf01: RunRecord) -> None:
    """Count, total, longest and resolution of each service; unended ones come first."""
    rows = outline(shelf01).outages
    assert rows[0].service == "SSH push of scans"
    assert not rows[0].ended
    web = next(row for row in rows if row.service == "web listing")
    assert (web.count, web.ended, web.resolution_s) == (2, True, 1.0)
    assert web.total_s == pytest.approx(41.0)
    assert web.longest_s == pytest.approx(40.0)


def test_a_watched_service_without_outage_is_listed() -> None:
    """A service that never failed has a row with zero and the usual distance of looks."""
    looks = tuple(ProbeSample("web", at, "up") for at in (0.0, 1.0, 2.0, 3.1))
    (row,) = outline(make_run(probes=looks)).outages
    assert (row.count, row.total_s, row.looks, row.resolution_s) == (0, 0.0, 4, 1.0)


def test_a_look_that_told_nothing_is_counted_apart() -> None:
    """A failed prober is "unknown", never "up"."""
    looks = (ProbeSample("web", 0.0, "up"), ProbeSample("web", 1.0, "unknown"))
    (row,) = outline(make_run(probes=looks)).outages
    assert (row.looks, row.unknown_looks) == (2, 1)


# --- download


def make_download(**other: int) -> DownloadCount:
    count = DownloadCount(
        planned_bytes=10_000_000,
        fetched_bytes=10_000_000,
        gateway_bytes=10_000_000,
        index_bytes=0,
        outside_bytes=8_000_000,
        cached_bytes=2_000_000,
        header_bytes=5_000,
        wire_bytes=0,
        wire_packets=7_000,
        requests=20,
    )
    carried = 10_005_000
    explained = carried + tunnel_bytes(carried) + frame_bytes(7_000)
    return dataclasses.replace(count, wire_bytes=explained, **other)


def account(*counts: DownloadCount) -> DownloadAccount:
    steps = tuple(make_step(f"s{n}", download=count) for n, count in enumerate(counts))
    found = outline(make_run(steps=steps)).download
    assert found is not None
    return found


def test_header_bytes_match_a_full_ethernet_frame() -> None:
    """A TCP segment of 1460 bytes in an MTU of 1500 comes as 1514 bytes without the frame
    check sequence (RFC 9293, 3.7.1: MSS = MTU - 40; IEEE 802.3: 14-byte header); with
    timestamps 1448 bytes fit (RFC 7323, appendix A: 12 bytes an option)."""
    assert frame_bytes(1) == 1514 - 1460
    assert frame_bytes(1, timestamps=True) == 1514 - 1448


def test_tunnel_framing_grows_by_the_message() -> None:
    """One message for each started 32 704 bytes."""
    assert tunnel_bytes(0) == 0
    assert tunnel_bytes(1) == 64
    assert tunnel_bytes(32_704) == 64
    assert tunnel_bytes(32_705) == 128


def test_counts_that_agree_leave_no_residual() -> None:
    """With every overhead named and nothing else sent, all four comparisons agree to 0."""
    comparisons = account(make_download()).comparisons
    assert [c.difference for c in comparisons] == [0, 0, 0, 0]
    assert all(c.agrees for c in comparisons)


@pytest.mark.parametrize(
    ("change", "broken"),
    [
        ({"planned_bytes": 9_880_000}, 0),
        ({"gateway_bytes": 10_120_000}, 1),
        ({"cached_bytes": 1_000_000}, 2),
        ({"wire_packets": 12_000}, 3),
    ],
)
def test_a_difference_above_one_percent_is_told(change: dict[str, int], broken: int) -> None:
    """Each comparison on its own notices more than 1 % and becomes an objection."""
    count = make_download(**change)
    assert account(count).comparisons[broken].agrees is False
    report = outline(make_run(steps=(make_step(download=count),)))
    name = account(count).comparisons[broken].name.lower()
    assert f"Download counts disagree by more than 1 %: {name}." in report.objections


def test_a_difference_of_just_one_percent_still_agrees() -> None:
    """The limit belongs to agreement: 1.00 % agrees, a byte more does not."""
    just = account(make_download(planned_bytes=10_100_000)).comparisons[0]
    more = account(make_download(planned_bytes=10_100_001)).comparisons[0]
    assert (just.agrees, more.agrees) == (True, False)


def test_steps_without_a_count_are_left_out_of_that_comparison() -> None:
    """An index refresh has no plan: the plan is compared over the other steps only, and
    the total says which step it does not cover."""
    refresh = DownloadCount(fetched_bytes=0, gateway_bytes=0, index_bytes=900, requests=2)
    found = account(refresh, make_download())
    assert found.comparisons[0].difference == 0
    planned = found.counts[0]
    assert (planned.amount, planned.missing) == (10_000_000, ("S0",))
    assert found.requests == 22


def test_nothing_counted_cannot_be_compared() -> None:
    """Counts of -1 stay "not measured"; nothing is made up from them."""
    found = account(DownloadCount())
    assert all(count.amount is None for count in found.counts)
    assert all(c.agrees is None and c.difference is None for c in found.comparisons)
    assert found.overheads == ()


def test_a_download_of_nothing_agrees_with_nothing() -> None:
    """Zero against zero agrees; zero fetched against a plan does not."""
    zero = dataclasses.replace(make_download(), fetched_bytes=0, planned_bytes=0)
    assert account(zero).comparisons[0].agrees is True
    planned = dataclasses.replace(make_download(), fetched_bytes=0)
    assert account(planned).comparisons[0].agrees is False


# --- reboot


def make_reboot(**other: Any) -> RebootSplit:
    fields: dict[str, Any] = {
        "requested_s": 10.0,
        "down_s": 9.0,
        "loader_s": 4.0,
        "kernel_s": 8.0,
        "userspace_s": 24.0,
        "settle_s": 6.0,
        "ssh_s": 34.0,
        "ready_s": 51.0,
        "total_s": 51.0,
        **other,
    }
    return RebootSplit(**fields)


@pytest.mark.parametrize(
    ("total_s", "sums"), [(51.0, True), (52.0, True), (50.0, True), (52.1, False), (49.9, False)]
)
def test_reboot_parts_are_held_against_the_whole(total_s: float, sums: bool) -> None:
    """Parts and whole agree within one second, both ways, and not beyond."""
    (reboot,) = outline(make_run(reboots=(make_reboot(total_s=total_s),))).reboots
    assert reboot.sum_s == 51.0
    assert reboot.sums is sums


def test_a_reboot_part_that_was_not_seen_makes_no_sum() -> None:
    """With a part at -1 the sum is not measured, and nothing is judged."""
    (reboot,) = outline(make_run(reboots=(make_reboot(loader_s=-1.0),))).reboots
    assert reboot.parts[1].seconds is None
    assert reboot.sum_s is None
    assert reboot.sums is None


@pytest.mark.parametrize(
    ("kernel", "user", "agrees"),
    [(8.9, 24.9, True), (9.1, 24.9, False), (8.0, -1.0, True), (-1.0, -1.0, None)],
)
def test_console_is_held_against_the_service_manager(
    kernel: float, user: float, agrees: bool | None
) -> None:
    """Every figure that both have must agree within a second; none: cannot be told."""
    split = make_reboot(own_kernel_s=kernel, own_userspace_s=user)
    (reboot,) = outline(make_run(reboots=(split,))).reboots
    assert reboot.own_agrees is agrees


@pytest.mark.parametrize(
    ("ready_s", "name"), [(51.0, "Reboot until ready"), (-1.0, "Reboot until start-up ended")]
)
def test_a_reboot_that_never_was_ready_says_what_it_shows(ready_s: float, name: str) -> None:
    """A service that stays away makes no figure disappear: the whole of the parts is
    shown under another name, and the objection says why."""
    report = outline(make_run(reboots=(make_reboot(ready_s=ready_s),)))
    (figure,) = [figure for figure in report.summary if figure.key == "reboot"]
    assert (figure.name, figure.value) == (name, 51.0)
    assert any("never came back" in text for text in figure.objections) is (ready_s < 0)


def test_the_main_reboot_is_the_one_into_another_kernel() -> None:
    """Of several reboots the first that changes the kernel counts, else the last."""
    same = make_reboot(kernel_before="6.1", kernel_after="6.1")
    new = make_reboot(kernel_before="6.1", kernel_after="6.12", ready_s=70.0)
    report = outline(make_run(reboots=(same, new, same)))
    assert [reboot.main for reboot in report.reboots] == [False, True, False]
    assert next(f.value for f in report.summary if f.key == "reboot") == 70.0
    assert [r.main for r in outline(make_run(reboots=(same, same))).reboots] == [False, True]


# --- checks, prompts, packages, disk, findings


@pytest.mark.parametrize(
    ("before", "after", "again", "change"),
    [
        ("pass", "fail", True, "broke"),
        ("fail", "fail", True, "still fails"),
        ("skipped", "fail", True, "fails"),
        ("", "fail", True, "fails"),
        ("fail", "pass", True, "mended"),
        ("pass", "pass", True, "same"),
        ("", "pass", True, "passes"),
        ("pass", "skipped", True, "skipped"),
        ("pass", "", True, "not run after"),
        ("pass", "", False, "passed before"),
        ("fail", "", False, "failed before"),
        ("skipped", "", False, "skipped"),
    ],
)
def test_a_check_is_judged_by_both_its_results(
    before: str, after: str, again: bool, change: str
) -> None:
    """The word for a check follows from its result before and after, and from whether it
    was to run afterwards at all."""
    results = tuple(
        CheckResult("c", "C", moment, result, "", "must", again=again)
        for moment, result in (("before", before), ("after", after))
        if result
    )
    (pair,) = outline(make_run(checks=results)).checks
    assert pair.change == change


def test_changed_checks_come_first(shelf01: RunRecord) -> None:
    """What broke stands at the top, must before note, what stayed the same at the end."""
    changes = [(c.change, c.severity) for c in outline(shelf01).checks]
    assert changes[:3] == [("broke", "must"), ("broke", "must"), ("broke", "note")]
    assert changes[-1][0] == "same"


def test_the_last_result_of_a_moment_counts() -> None:
    """A check that was run again after a repair is judged by its last run."""
    first = CheckResult("c", "C", "after", "fail", "", "must")
    again = CheckResult("c", "C", "after", "pass", "", "must")
    (pair,) = outline(make_run(checks=(first, again))).checks
    assert pair.after == "pass"


def make_prompt(at_s: float, *, declared: bool, by: str, waited_s: float = 1.0) -> PromptMet:
    return PromptMet("upgrade", at_s, "Go on?", "dpkg", declared, "", "y", by, waited_s)


def test_undeclared_prompts_come_first_and_are_counted() -> None:
    """What nobody declared is read first, and the summary counts it."""
    prompts = (
        make_prompt(1.0, declared=True, by="profile"),
        make_prompt(2.0, declared=False, by="policy"),
    )
    report = outline(make_run(prompts=prompts))
    assert [p.declared for p in report.prompts] == [False, True]
    assert report.summary[-1].value == 1
    assert any("answered by policy" in text for text in report.objections)


def test_packages_are_counted_by_kind_and_timed() -> None:
    """Counts by kind, the slowest first, and their share of the time that is known."""
    changes = (
        PackageChange("slow", "upgraded", "1", "2", 1.0, 9.0),
        PackageChange("fast", "installed", "", "1", 0.5, -1.0),
        PackageChange("untimed", "upgraded", "1", "2"),
        PackageChange("gone", "removed", "1"),
        PackageChange("held", "kept-back", "1"),
    )
    found = outline(make_run(packages=changes)).packages
    assert (found.upgraded, found.installed, found.removed, found.kept_back) == (2, 1, 1, 1)
    assert [(p.name, p.seconds) for p in found.slowest] == [("slow", 10.0), ("fast", 0.5)]
    assert found.slowest[1].configure_s is None
    assert found.slowest_share == 1.0
    assert (found.removed_names, found.kept_back_names) == (("gone",), ("held",))


def test_disk_peaks_are_found_per_file_system() -> None:
    """First, peak with its moment, last and usual distance, the fullest first."""
    samples = (
        DiskSample(0.0, "/", 100, 1000),
        DiskSample(5.0, "/", 400, 1000),
        DiskSample(10.0, "/", 200, 1000),
        DiskSample(0.0, "/boot", 50, 100),
    )
    boot, root = outline(make_run(disk=samples)).disk
    assert boot.target == "/boot"
    assert (root.first_used, root.peak_used, root.peak_at_s, root.last_used) == (100, 400, 5, 200)
    assert root.every_s == 5.0
    assert boot.every_s is None


def test_findings_are_ordered_by_gravity() -> None:
    """Stops boot before loses access before cosmetic, an unknown word last."""
    words = ("cosmetic", "loses access", "odd", "stops boot")
    report = outline(make_run(seen=tuple(Seen(word, "t", "") for word in words)))
    assert [s.severity for s in report.findings] == [
        "stops boot",
        "loses access",
        "cosmetic",
        "odd",
    ]


# --- objections and cautions


@pytest.mark.parametrize(
    ("load", "word"),
    [
        (LabLoad(0.11, 1, 0, 0, 0), "CPU time stolen"),
        (LabLoad(0, 2.1, 0, 0, 0), "run queue 2.1 for 2 CPUs"),
        (LabLoad(0, 1, 0.11, 0, 0), "pressure on CPU"),
        (LabLoad(0, 1, 0, 0.26, 0), "pressure on disks"),
        (LabLoad(0, 1, 0, 0, 0.11), "pressure on memory"),
    ],
)
def test_a_busy_lab_host_is_told(load: LabLoad, word: str) -> None:
    """Each limit alone marks the step, and the objections name it."""
    report = outline(make_run(steps=(make_step(load=load),)))
    assert any(word in reason for reason in report.contention[0].reasons)
    assert any("Busy lab host during 1 step (upgrade)" in text for text in report.objections)


def test_a_quiet_lab_host_is_not_called_busy() -> None:
    """At the limits themselves, and where pressure is unknown (-1), nothing is said."""
    load = LabLoad(0.10, 2.0, -1.0, 0.25, -1.0)
    report = outline(make_run(steps=(make_step(load=load),)))
    assert report.contention[0].reasons == ()
    assert report.contention[0].psi_cpu is None
    assert not any("Busy" in text for text in report.objections)


def test_emulation_overrun_gaps_and_lost_sessions_are_objections(shelf01: RunRecord) -> None:
    """The example run has one of each, and each is told in words."""
    told = "\n".join(outline(shelf01).objections)
    for words in (
        "One run only",
        "Emulated CPU",
        "Overran the time allowed: Remove packages no longer needed",
        "5 known ways",
        "taken up again once",
    ):
        assert words in told


def test_a_full_fidelity_statement_without_gaps_is_no_objection() -> None:
    """Rows that all match raise nothing; a missing statement does."""
    matched = outline(make_run(fidelity=(GapSeen("Boot mode", "matched", ""),)))
    assert not any("fidelity" in t or "differs" in t for t in matched.objections)
    assert any("No fidelity statement" in t for t in outline(make_run()).objections)


def test_cautions_and_the_missing_estimate_are_always_there() -> None:
    """Every report carries the cautions and says that there is no estimate."""
    report = outline(make_run(outcome=Outcome.FAILED))
    told = " ".join(report.cautions)
    for words in (
        "not proof",
        "not a backup",
        "authorised",
        "change control",
        "exceeded",
        "review",
    ):
        assert words in told
    assert report.estimate_objections


def test_hostile_texts_are_harmless_in_the_outline() -> None:
    """Terminal sequences in any text of the record do not reach the report."""
    run = make_run(why="\x1b[2Jgone\x00", outcome=Outcome.FAILED, host="shelf\u202e01")
    report = outline(run)
    assert report.verdict.sentence == "Failed before the first step: gone."
    assert report.record.host == "shelf01"


# --- figures in words


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (None, "not measured"),
        (0.0, "0.0 s"),
        (9.94, "9.9 s"),
        (9.96, "10 s"),
        (59.4, "59 s"),
        (59.6, "1 min 00 s"),
        (656.3, "10 min 56 s"),
        (3599.7, "1 h 00 min 00 s"),
        (-3.0, "-3.0 s"),
    ],
)
def test_seconds_in_words(seconds: float | None, said: str) -> None:
    """Rounding never prints 60 seconds or 60 minutes."""
    assert say_seconds(seconds) == said


@pytest.mark.parametrize(
    ("size", "said"),
    [
        (None, "not measured"),
        (0, "0 B"),
        (999, "999 B"),
        (1000, "1.0 kB"),
        (203_400_000, "203 MB"),
        (-863_526, "-864 kB"),
        (8_000_000_000, "8.0 GB"),
    ],
)
def test_sizes_in_words(size: int | None, said: str) -> None:
    """Decimal prefixes, three figures (ISO/IEC 80000-13)."""
    assert say_bytes(size) == said


def test_clock_rolls_over() -> None:
    """Rounding carries into minutes and hours."""
    assert [say_clock(s) for s in (0.0, 59.6, 3599.9)] == ["0:00:00", "0:01:00", "1:00:00"]
