"""From stored runs to a forecast: where each input is found, and what may be put together."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from random import Random

import pytest
from tests.practice.bare_survey import make_survey
from tests.practice.mutation import spoil_value
from tests.practice.night import NO_SPREAD, make_reading

from forerun.errors import ForerunError, NotComparable, RecordDamaged
from forerun.model.counters import Part, PartTime, StepCounters, StepParts
from forerun.model.observation import Outcome, RunRecord, StepEnd
from forerun.model.profile import ServiceProbe, Site
from forerun.model.system import Boot, DataStore, Processor, SystemFacts
from forerun.ports.records import load_record
from forerun.report.timing import measure_window
from forerun.stages.decompose import decompose_run
from forerun.stages.forecast import foresee
from forerun.stages.forecast_gather import (
    Production,
    Rehearsed,
    check_comparable,
    count_fetched,
    find_differences,
    gather_inputs,
)
from forerun.stages.forecast_inputs import VIRTUAL_FIRMWARE, Declared, Priors
from forerun.stages.what_if import apply_wishes

DATA = Path(__file__).parents[1] / "data" / "run-record-shelf01.json"


@pytest.fixture(scope="module")
def run() -> RunRecord:
    return load_record(RunRecord, DATA)


def rehearse(run: RunRecord) -> Rehearsed:
    return Rehearsed(run, decompose_run(run), (make_reading([1.0]),))


def test_a_stored_run_without_spread_gives_its_own_figures(run: RunRecord) -> None:
    """The record's window to the second, and each step's wall time, when production is as
    the clone, nothing is added for firmware and people, and its line is endless. Nothing was
    counted in this old record: all of it is carried over as one part."""
    inputs = gather_inputs([rehearse(run)], Production(speeds=(make_reading([1.0]),)))
    plain = replace(inputs, priors=NO_SPREAD, declared=Declared(link_bits_per_s=1e18))
    told = foresee(plain, draws=50).told
    assert told.window is not None
    assert told.window.p50 == pytest.approx(measure_window(run), abs=1e-6)
    walls = {one.name: one.wall_s for one in run.steps}
    for step in told.steps:
        assert step.takes.p95 == pytest.approx(walls[step.step], abs=1e-6)
    assert sum(one.prompts for one in inputs.newest.steps) == len(run.prompts)
    assert any("not explained" in text for text in told.objections)


def test_the_restarts_firmware_is_productions(run: RunRecord) -> None:
    """The loader's 4.4 s of the clone give way to production's own boots."""
    boots = tuple(
        Boot("a", "b", (("firmware", 30.0 + n), ("loader", 2.0), ("kernel", 9.0))) for n in range(3)
    )
    survey = make_survey(system=SystemFacts(boots=(*boots, Boot("a", "b", (("kernel", 3.0),)))))
    counted = tuple(replace(one, counters=StepCounters()) for one in run.steps)
    inputs = gather_inputs([rehearse(replace(run, steps=counted))], Production(survey))
    assert inputs.firmware_s == (32.0, 33.0, 34.0)
    [reboot] = [one for one in inputs.newest.steps if one.name == "reboot"]
    assert [p.seconds for p in reboot.parts if p.part is Part.FIRMWARE] == [4.4]
    assert reboot.laid_out[0].span.start_s == pytest.approx(1192.3 + 9.1)
    old = gather_inputs([rehearse(run)], Production(survey))
    assert [one.name for one in old.newest.steps for p in one.parts if p.part is Part.FIRMWARE] == [
        "reboot"
    ]


def test_a_virtual_server_is_not_taken_for_a_large_machine(run: RunRecord) -> None:
    """The processor's own flag of a hypervisor makes the assumed firmware short."""
    virtual = make_survey(system=SystemFacts(processor=Processor("x", 1.0, ("fpu", "hypervisor"))))
    assert gather_inputs([rehearse(run)], Production(virtual)).priors.firmware == VIRTUAL_FIRMWARE
    assert gather_inputs([rehearse(run)], Production(make_survey())).priors == Priors()


def test_bytes_fetched_are_the_packages_and_the_indexes(run: RunRecord) -> None:
    """Not what the gateway's time made of them; a step without a count says so."""
    step = run.steps[0]
    assert step.download is not None
    download = replace(step.download, fetched_bytes=1000, index_bytes=50, gateway_bytes=9)
    assert count_fetched(replace(step, download=download)) == 1050
    assert count_fetched(replace(step, download=replace(download, fetched_bytes=-1))) == 59
    assert count_fetched(replace(step, download=None)) == -1
    parts = (StepParts(step.name, 48.2, (PartTime(Part.DOWNLOAD, 48.2),)),)
    inputs = gather_inputs([Rehearsed(run, parts)], Production())
    assert inputs.newest.steps[0].parts[0].amount == count_fetched(step)


@pytest.mark.parametrize(
    ("busy_s", "waited_s", "share"),
    [(40.0, 20.0, 0.5), (40.0, 50.0, 1.0), (0.0, 0.0, 0.0), (40.0, -1.0, 0.0), (-1.0, 5.0, 0.0)],
)
def test_what_waited_for_a_processor_is_a_share_of_its_time(
    run: RunRecord, busy_s: float, waited_s: float, share: float
) -> None:
    """Of busy seconds, never more than all; none where one of the two was not counted."""
    counters = StepCounters(user_s=busy_s, system_s=0.0, cpu_some_s=waited_s)
    steps = tuple(replace(one, counters=counters) for one in run.steps)
    inputs = gather_inputs([rehearse(replace(run, steps=steps))], Production())
    assert {one.crowded for one in inputs.newest.steps} == {share}


def test_window_and_tolerable_outages_are_the_sites(run: RunRecord) -> None:
    """From the site file."""
    site = Site(
        services=(ServiceProbe("web listing", 80, "http", tolerable_s=1800.0),), window_s=5400.0
    )
    inputs = gather_inputs([rehearse(run)], Production(site=site))
    assert inputs.window_s == 5400.0
    assert inputs.watched[0].tolerable_s == 1800.0


@pytest.mark.parametrize("outcome", [Outcome.FAILED, Outcome.ABANDONED])
def test_a_run_cut_short_is_refused(run: RunRecord, outcome: Outcome) -> None:
    """Its window has no end: no figures, and the reason."""
    cut = replace(run, outcome=outcome, why="full-upgrade: stopped")
    told = foresee(gather_inputs([rehearse(cut)], Production())).told
    assert outcome.value in told.refused
    assert "full-upgrade: stopped" in told.refused
    assert told.window is None


def test_what_speaks_against_a_record_is_said(run: RunRecord) -> None:
    """An overrun, a busy lab host, gaps of the clone that touch time."""
    inputs = gather_inputs([rehearse(run)], Production())
    said = " ".join(inputs.objections)
    assert "Overran the time allowed" in said
    assert "Busy lab host" in said
    bad = replace(run.steps[0], end=StepEnd.FAILED)
    failed = replace(run, steps=(bad, *run.steps[1:]), fidelity=())
    said = " ".join(gather_inputs([rehearse(failed)], Production()).objections)
    assert "Ended badly" in said
    assert "No fidelity statement" in said


CHANGES: dict[str, Callable[[RunRecord], RunRecord]] = {
    "profile": lambda run: replace(run, profile_digest="0" * 64),
    "accelerator": lambda run: replace(run, lab=replace(run.lab, accelerator="kvm")),
    "processors of the clone": lambda run: replace(run, clone_cpus=4),
    "memory of the clone": lambda run: replace(run, clone_memory_bytes=1 << 30),
    "release before": lambda run: replace(run, release_before="Debian 12.9"),
    "limit of the line": lambda run: replace(run, rate_limit_bits=20_000_000),
    "site file": lambda run: replace(run, site_digest=""),
}


@pytest.mark.parametrize("what", CHANGES)
def test_unlike_runs_are_not_put_together(run: RunRecord, what: str) -> None:
    """Each circumstance that figures depend on is named with both its values."""
    other = replace(CHANGES[what](run), id="run-2")
    with pytest.raises(NotComparable) as caught:
        check_comparable([(run, "a"), (other, "a")])
    assert f"{what} of run-2" in caught.value.found
    assert [name for name, _, _ in find_differences(run, other)] == [what]


def test_runs_of_two_servers_are_not_put_together(run: RunRecord) -> None:
    """By the server's mark: its name is another stand-in in each survey."""
    named = replace(run, id="run-2", host="other.records.example")
    check_comparable([(run, "a"), (named, "a")])
    with pytest.raises(NotComparable, match="put together"):
        check_comparable([(run, "a"), (named, "b")])


def test_any_record_that_loads_is_forecast_or_refused(tmp_path: Path) -> None:
    """Three hundred spoilt records: those that load end in a forecast or a ForerunError."""
    rng = Random(11)
    facts = json.loads(DATA.read_text())
    facts["probes"] = facts["probes"][:2]
    facts["lab"]["accelerator"] = "kvm"
    path = tmp_path / "record.json"
    loaded = 0
    for _ in range(300):
        path.write_text(json.dumps(spoil_value(facts, rng)))
        try:
            run = load_record(RunRecord, path)
        except RecordDamaged:
            continue
        loaded += 1
        try:
            foresee(gather_inputs([rehearse(run)], Production()), draws=50)
        except ForerunError as problem:
            assert problem.what
    assert loaded > 20


def test_data_that_the_clone_lacks_is_named(run: RunRecord) -> None:
    """A database's package is objected to by name, a removed one and others are not."""
    survey = make_survey("mariadb-server=1", "bash=5", "slapd=2")
    gone = replace(survey.packages[2], state="rc")
    survey = replace(survey, packages=(*survey.packages[:2], gone))
    [said] = [
        text
        for text in gather_inputs([rehearse(run)], Production(survey)).objections
        if "is not on the clone" in text
    ]
    assert said.startswith("mariadb-server: ")
    stores = (DataStore("/var/lib/mysql", 400_000_000),)
    survey = replace(survey, system=replace(survey.system, data=stores))
    inputs = gather_inputs([rehearse(run)], Production(survey))
    assert any("(0.4 GB in /var/lib/mysql)" in text for text in inputs.objections)
    assert inputs.unscaled == ""


@pytest.mark.parametrize(
    ("package", "path", "refused"),
    [
        ("mariadb-server=1", "/var/lib/mysql", True),
        ("slapd=2", "/var/lib/ldap", True),
        ("postgresql-15=1", "/var/lib/postgresql", False),
        ("bash=5", "/var/lib/mysql", False),
    ],
)
def test_much_data_that_is_converted_in_place_allows_no_figure(
    run: RunRecord, package: str, path: str, refused: bool
) -> None:
    """Two gigabytes that the clone had nothing of: no forecast, until somebody says how many
    times longer the step takes. PostgreSQL's stay with the old version (postgresql-common)."""
    survey = make_survey(package, system=SystemFacts(data=(DataStore(path, 2_000_000_000),)))
    run = replace(run, lab=replace(run.lab, accelerator="kvm"))
    inputs = gather_inputs([rehearse(run)], Production(survey))
    told = foresee(inputs, draws=50).told
    assert ("nothing no time can be scaled" in told.refused) is refused
    assert (told.window is None) is refused
    for wish in ("data=upgrade-full:1x", "data=upgrade-full:4x"):
        changed, wishes = apply_wishes(inputs, [wish])
        again = foresee(changed, wishes=wishes, draws=50).told
        assert again.refused == ""
        assert again.window is not None


@pytest.mark.parametrize(
    ("boots", "gaps"),
    [
        (("02:00:00 03:00:00", "03:00:40 04:00:00", "04:00:50 05:00:00"), (40.0, 50.0)),
        (("02:00:00 03:00:00", "05:00:00 06:00:00"), ()),  # it was off
        (("02:00:00 03:00:00", "02:59:00 06:00:00"), ()),  # its clock was set meanwhile
        (("02:00:00 03:00:00",), ()),
    ],
)
def test_a_bios_firmwares_time_is_of_the_journals_gap(
    run: RunRecord, boots: tuple[str, ...], gaps: tuple[float, ...]
) -> None:
    """Between a boot's last entry and the next one's first, less the kernel's own time, where
    the service manager tells nothing of firmware; a gap too long or backwards is none."""
    rows = tuple(
        Boot(f"2026-01-31T{began}Z", f"2026-01-31T{ended}Z", (("kernel", 3.0),))
        for began, ended in (boot.split() for boot in boots)
    )
    survey = make_survey(system=SystemFacts(boots=rows))
    run = replace(run, reboots=())
    assert gather_inputs([rehearse(run)], Production(survey)).firmware_s == tuple(
        gap - 3.0 for gap in gaps
    )
    told = (*rows, Boot("2026-02-01T00:00:00Z", "b", (("firmware", 8.0), ("loader", 1.0))))
    survey = make_survey(system=SystemFacts(boots=told))
    assert gather_inputs([rehearse(run)], Production(survey)).firmware_s == (9.0,)


def test_what_else_lies_in_a_journals_gap_is_taken_off_as_on_the_clone(run: RunRecord) -> None:
    """The old system's last moments and the new one's first: 10 s of the clone's 20 s with
    a kernel of 6 s and a loader of 4 s; production's kernel takes 3 s, so half as long."""
    rows = (
        Boot("2026-01-31T02:00:00Z", "2026-01-31T03:00:00Z"),
        Boot("2026-01-31T03:00:40Z", "2026-01-31T04:00:00Z", (("kernel", 3.0),)),
    )
    survey = make_survey(system=SystemFacts(boots=rows))
    split = replace(run.reboots[-1], loader_s=4.0, kernel_s=6.0, journal_gap_s=20.0)
    found = gather_inputs([rehearse(replace(run, reboots=(split,)))], Production(survey))
    assert found.firmware_s == (40.0 - 3.0 - 5.0,)
    slow = replace(split, journal_gap_s=200.0)
    found = gather_inputs([rehearse(replace(run, reboots=(slow,)))], Production(survey))
    assert found.firmware_s == (1.0,)
