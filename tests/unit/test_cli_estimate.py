"""The commands about production's night, on a stored run: output, exit codes, what is kept."""

from __future__ import annotations

import gzip
import json
from dataclasses import replace
from pathlib import Path

import pytest
from tests.practice.bare_survey import make_survey
from tests.practice.night import make_reading

from forerun import cli
from forerun.distro.debian_logs import list_changes, parse_dpkg_log
from forerun.errors import EXIT_RESULT_NOT_GOOD, NotComparable, NotFound, RecordDamaged, UsageError
from forerun.model.estimate import Actual, Prediction
from forerun.model.observation import Outcome, RunRecord
from forerun.model.profile import Procedure
from forerun.model.system import SystemFacts
from forerun.pipeline import find_comparable
from forerun.pipeline_estimate import find_speeds
from forerun.ports.beside import load_beside, save_beside
from forerun.ports.digest_list import DIGESTS_NAME, read_digests
from forerun.ports.log_files import read_log
from forerun.ports.records import dump_record, load_record
from forerun.ports.store import PROCEDURE_NAME, Store
from forerun.profiles import find_profile, load_profile, load_site

DATA = Path(__file__).parents[1] / "data"
RUN = "run-20260314-220312-a7d0"
DPKG = DATA / "recorded" / "dpkg-upgrade.log.gz"
HISTORY = DATA / "recorded" / "apt-history.log.gz"
SITE = Path(__file__).parents[2] / "demo" / "site.yaml"
# The steps of the fixture by the names of the shipped profile.
NAMES = {"upgrade-minimal": "minimal-upgrade", "upgrade-full": "full-upgrade"}


def make_run(**changes: object) -> RunRecord:
    """The fixture's run on hardware virtualisation, of the shipped profile."""
    run = load_record(RunRecord, DATA / "run-record-shelf01.json")
    steps = tuple(replace(s, name=NAMES.get(s.name, s.name)) for s in run.steps)
    whole = {
        "steps": steps,
        "lab": replace(run.lab, accelerator="kvm"),
        "packages": list_changes(parse_dpkg_log(read_log(DPKG))),
        "profile_digest": load_profile(find_profile("debian-12-to-13")).digest,
        **changes,
    }
    return replace(run, **whole)  # type: ignore[arg-type]


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "state")


def keep(store: Store, run: RunRecord) -> RunRecord:
    with store.new_folder(store.runs, run.id) as folder:
        (folder / "record.json").write_bytes(dump_record(run))
        procedure = Procedure(load_profile(find_profile("debian-12-to-13")), load_site(SITE))
        (folder / PROCEDURE_NAME).write_bytes(dump_record(procedure))
    return run


@pytest.fixture
def run(store: Store) -> RunRecord:
    return keep(store, make_run())


def call(store: Store, monkeypatch: pytest.MonkeyPatch, *words: str) -> int:
    monkeypatch.setenv("FORERUN_HOME", str(store.root))
    return cli.run_guarded(lambda: cli.app(list(words), standalone_mode=True), store.root)


def test_a_sentence_first_then_tables(
    store: Store,
    run: RunRecord,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A sentence that can be read aloud, the tables, what speaks against it, the caution."""
    assert call(store, monkeypatch, "estimate", run.id, "--site", str(SITE)) == 0
    said = capsys.readouterr().out
    first = " ".join(said.split("\n\n")[0].split())
    assert first.startswith("Expect the ")
    assert "nineteen nights in twenty stay under" in first
    assert "It fits the window of 1 h 30 min in" in first
    for title in ("The night", "Away, seen from outside", "Steps", "What the forecast rests on"):
        assert f"\n{title}\n" in said
    assert "One rehearsal only" in said
    assert "evidence, not proof" in said
    assert max(len(line) for line in said.split("\nKept as")[0].splitlines()) <= 100


def test_the_first_forecast_is_kept_and_no_later_one(
    store: Store,
    run: RunRecord,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Kept once, with its digest in the run's list; a what-if, another seed or a later call
    changes nothing of it."""
    assert call(store, monkeypatch, "estimate", run.id, "--if", "cpu=2x") == 0
    assert load_beside(store, Prediction, run.id) is None
    assert call(store, monkeypatch, "estimate", run.id) == 0
    assert "Kept as what was told" in capsys.readouterr().out
    told = load_beside(store, Prediction, run.id)
    assert told is not None
    assert {"window", "outage", "step full-upgrade", "work full-upgrade"} <= {
        one.name for one in told.figures
    }
    assert call(store, monkeypatch, "estimate", run.id, "--seed", "9") == 0
    assert "that is what will be scored" in capsys.readouterr().out
    assert load_beside(store, Prediction, run.id) == told
    listed = read_digests(store.runs / run.id)
    assert set(listed) == {"record.json", "procedure.json", "prediction.json"}


def test_an_edited_prediction_is_refused(
    store: Store, run: RunRecord, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its digest is listed; and adding it blessed no other file."""
    assert call(store, monkeypatch, "estimate", run.id) == 0
    path = store.runs / run.id / "prediction.json"
    path.write_text(path.read_text().replace("window", "windows"))
    assert call(store, monkeypatch, "estimate", run.id) == RecordDamaged.exit_code
    record = store.runs / run.id / "record.json"
    before = (store.runs / run.id / DIGESTS_NAME).read_bytes()
    record.write_bytes(record.read_bytes() + b"\n")
    save_beside(store, Prediction(run.id, "2026-01-31T22:00:00Z", (), "0"))
    assert call(store, monkeypatch, "estimate", run.id) == RecordDamaged.exit_code
    after = (store.runs / run.id / DIGESTS_NAME).read_bytes()
    assert [line for line in before.splitlines() if b"record" in line] == [
        line for line in after.splitlines() if b"record" in line
    ]


def test_as_json(
    store: Store,
    run: RunRecord,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """One document of schema forerun.estimate/1; the same again for the same seed."""
    words = ("estimate", run.id, "--format", "json", "--window", "1h", "--if", "download-first")
    assert call(store, monkeypatch, *words) == 0
    first = capsys.readouterr().out
    facts = json.loads(first)
    assert facts["schema"] == "forerun.estimate/1"
    told = facts["forecast"]
    assert told["window_seconds"]["p50"] <= told["window_seconds"]["p95"]
    assert told["what_if"] == [
        {"key": "download-first", "value": "", "change": "everything downloaded before the window"}
    ]
    assert all(one["basis"] for one in told["assumptions"])
    assert 0 <= told["fits_share"] <= 1
    assert call(store, monkeypatch, *words) == 0
    assert capsys.readouterr().out == first


def test_what_cannot_be_forecast_is_said_and_is_not_good(
    store: Store, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """An emulated processor without timed work, a run that failed: exit code 3, no figures."""
    run = make_run()
    keep(store, replace(run, lab=replace(run.lab, accelerator="emulation")))
    assert call(store, monkeypatch, "estimate", RUN) == EXIT_RESULT_NOT_GOOD
    said = capsys.readouterr().out
    assert said.startswith("No forecast:")
    assert "survey --calibrate" in " ".join(said.split())
    assert load_beside(store, Prediction, RUN) is None
    failed = keep(store, make_run(id="run-20260315-220312-a7d1", outcome=Outcome.FAILED))
    assert call(store, monkeypatch, "estimate", failed.id) == EXIT_RESULT_NOT_GOOD


def test_comparable_runs_are_put_together_and_others_refused(
    store: Store,
    run: RunRecord,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Earlier alike runs come along by themselves, failed ones as odds; named ones that
    differ end with exit code 53 and what differs."""
    later = keep(store, make_run(id="run-20260320-220312-a7d2"))
    keep(store, make_run(id="run-20260318-220312-a7d3", outcome=Outcome.FAILED))
    other = keep(store, make_run(id="run-20260319-220312-a7d4", clone_cpus=8))
    assert call(store, monkeypatch, "estimate", later.id) == 0
    said = capsys.readouterr().out
    assert f"from {run.id}, {later.id}." in " ".join(said.split())
    assert "1 of 3 runs" in said
    assert call(store, monkeypatch, "estimate", run.id, other.id) == NotComparable.exit_code
    assert "processors of the clone" in capsys.readouterr().err


@pytest.mark.parametrize(
    "words",
    [
        ("--if", "link=20Mbps"),
        ("--if", "warp=9x"),
        ("--if", "skip=nothing"),
        ("--if", "firmware=10min,1min,2min"),
        ("--if", "data=full-upgrade"),
        ("--if", "download-first=yes"),
        ("--window", "20"),
        ("--window", "1h30m"),
        ("--format", "xml"),
    ],
)
def test_bad_input_is_refused_in_words(
    store: Store,
    run: RunRecord,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    words: tuple[str, ...],
) -> None:
    """Exit code 2, what was found, no traceback, nothing kept."""
    assert call(store, monkeypatch, "estimate", run.id, *words) == UsageError.exit_code
    err = capsys.readouterr().err
    assert "found:" in err
    assert "Traceback" not in err
    assert load_beside(store, Prediction, run.id) is None


def test_an_unknown_run(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """Exit code 51 in each of the commands."""
    assert call(store, monkeypatch, "estimate", "run-9") == NotFound.exit_code
    begin = ("--from", "2026-12-05T22:00+01:00")
    assert call(store, monkeypatch, "plan", "run-9", *begin) == NotFound.exit_code
    assert call(store, monkeypatch, "actual", "run-9", "--from", str(HISTORY)) == 51


def test_a_real_night_is_scored(
    store: Store,
    run: RunRecord,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The recorded logs: both steps found, scored against what was told, kept beside the
    run, and the next forecast knows of it."""
    assert call(store, monkeypatch, "estimate", run.id) == 0
    capsys.readouterr()
    words = (
        "actual", run.id, "--from", str(HISTORY), "--from", str(DPKG),
        "--window-began", "2026-11-25T09:38", "--window-ended", "2026-11-25T09:58",
    )  # fmt: skip
    assert call(store, monkeypatch, *words) == 0
    said = capsys.readouterr().out
    assert "104 s" in said
    assert "minimal-upgrade" in said
    assert "1 of 1 nights" in said or "0 of 1 nights" in said
    kept = load_beside(store, Actual, run.id)
    assert kept is not None
    assert kept.figures[0] == ("window", 1200.0)
    assert dict(kept.figures)["work full-upgrade"] == 220.0
    assert all("SHA-256" in source for source in kept.sources)
    later = keep(store, make_run(id="run-20260320-220312-a7d2"))
    assert call(store, monkeypatch, "estimate", later.id) == 0
    assert "of 1 nights lay inside" in " ".join(capsys.readouterr().out.split())


def test_a_night_far_off_widens_the_next_forecast(
    store: Store,
    run: RunRecord,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Five times as long as told: the next forecast's spread is multiplied, and says so."""
    assert call(store, monkeypatch, "estimate", run.id) == 0
    words = ("--window-began", "2026-11-25T20:00", "--window-ended", "2026-11-25T23:30")
    assert call(store, monkeypatch, "actual", run.id, *words) == 0
    later = keep(store, make_run(id="run-20260320-220312-a7d2", profile_digest="f" * 64))
    assert call(store, monkeypatch, "estimate", later.id, "--format", "json") == 0
    text = capsys.readouterr().out
    facts = json.loads(text[text.index("\n{") :])
    assert facts["forecast"]["past"]["hits"] == 0
    assert facts["forecast"]["past"]["widened"] > 1.3
    assert any("were too sure" in text for text in facts["objections"])


@pytest.mark.parametrize(
    "words",
    [
        (),
        ("--from", "/nowhere/history.log"),
        ("--from", __file__),
        ("--window-began", "2026-11-25T20:00"),
        ("--window-began", "2026-11-25T20:00", "--window-ended", "2026-11-25T19:00"),
        ("--window-began", "2026-11-25T20:00", "--window-ended", "2026-11-25T21:00Z"),
        ("--window-began", "ten", "--window-ended", "eleven"),
    ],
)
def test_a_night_that_is_none(
    store: Store, run: RunRecord, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...]
) -> None:
    """Exit code 2, and nothing is kept."""
    assert call(store, monkeypatch, "actual", run.id, *words) == UsageError.exit_code
    assert load_beside(store, Actual, run.id) is None


def test_logs_of_another_server(
    store: Store, run: RunRecord, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A log in which nothing is of the upgrade is refused."""
    other = tmp_path / "history.log.gz"
    with gzip.open(other, "wt") as out:
        out.write("\nStart-Date: 2026-11-25  09:00:00\nCommandline: apt upgrade\n"
                  "Upgrade: made-up:amd64 (1, 2)\nEnd-Date: 2026-11-25  09:01:00\n")  # fmt: skip
    assert call(store, monkeypatch, "actual", run.id, "--from", str(other)) == 2


def test_the_plan_and_its_calendar(
    store: Store,
    run: RunRecord,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
) -> None:
    """By the clock on the terminal; the calendar file where it was asked for."""
    file = tmp_path / "night.ics"
    words = ("plan", run.id, "--from", "2026-12-05T22:00", "--zone", "Europe/Berlin")
    more = ("--window", "1h30min", "--calendar", str(file))
    assert call(store, monkeypatch, *words, *more) == 0
    said = capsys.readouterr().out
    assert said.startswith("From 22:00 to 23:30.")
    assert "NO RETURN" in said
    assert file.read_bytes().startswith(b"BEGIN:VCALENDAR\r\n")
    assert b"DTSTART:20261205T210000Z\r\n" in file.read_bytes()


@pytest.mark.parametrize(
    "words",
    [
        ("--from", "tomorrow"),
        ("--from", "2026-12-05T22:00"),
        ("--from", "2026-12-05T22:00+01:00", "--zone", "Europe/Berlin"),
        ("--from", "2026-12-05T22:00", "--zone", "Mars/Olympus"),
        ("--from", "2026-12-05T22:00", "--zone", "../../etc/passwd"),
        ("--from", "9999-12-31T23:59+01:00"),
    ],
)
def test_a_begin_that_is_none(
    store: Store, run: RunRecord, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...]
) -> None:
    """A moment without a place's time, or with two, is refused with exit code 2."""
    assert call(store, monkeypatch, "plan", run.id, *words) == UsageError.exit_code


def test_production_may_be_timed_after_the_rehearsal(
    store: Store, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """An emulated clone that was timed, surveyed without timing: a later survey of the same
    server that has it makes the forecast, one of another server does not."""
    emulated = replace(make_run().lab, accelerator="emulation")
    run = keep(store, make_run(lab=emulated, speeds=(make_reading([1.0, 1.1, 0.9]),)))
    timed = SystemFacts(speed=make_reading([0.05, 0.05, 0.06]))
    surveys = (
        make_survey(id=run.survey_id, origin="aa"),
        make_survey(id="survey-20260401-000000-aaaa", origin="bb", system=timed),
        make_survey(id="survey-20260402-000000-aaaa", origin="aa", system=timed),
    )
    for survey, code in zip(surveys, (3, 3, 0), strict=True):
        with store.new_folder(store.surveys, survey.id) as folder:
            (folder / "survey.json").write_bytes(dump_record(survey))
        assert call(store, monkeypatch, "estimate", run.id) == code
    said = capsys.readouterr().out
    assert "computing: production's time" in said


def test_every_timing_of_the_same_machine_counts(store: Store) -> None:
    """Newest first, of surveys before and after the run's own: those of another server, or of
    the same one with more processors or memory, are left out."""
    now = make_survey(
        id="survey-20260302-000000-aaaa", origin="aa", taken_at="2026-03-02T00:00:00Z"
    )
    grown = replace(now.machine, cpus=now.machine.cpus + 1)
    more = replace(now.machine, memory_bytes=now.machine.memory_bytes * 2)
    near = replace(now.machine, memory_bytes=now.machine.memory_bytes - 4096)
    surveys = (
        (make_survey(id="survey-20260301-000000-aaaa", machine=near), "aa", 1.0),
        (now, "aa", 2.0),
        (make_survey(id="survey-20260303-000000-aaaa"), "bb", 3.0),
        (make_survey(id="survey-20260304-000000-aaaa", machine=grown), "aa", 4.0),
        (make_survey(id="survey-20260305-000000-aaaa", machine=more), "aa", 5.0),
        (make_survey(id="survey-20260306-000000-aaaa"), "aa", 0.0),
        (make_survey(id="survey-20260307-000000-aaaa"), "aa", 7.0),
    )
    for number, (survey, origin, seconds) in enumerate(surveys, start=1):
        speed = make_reading([seconds]) if seconds else None
        made = replace(
            survey, origin=origin, system=SystemFacts(speed=speed),
            taken_at=f"2026-03-0{number}T00:00:00Z",
        )  # fmt: skip
        with store.new_folder(store.surveys, made.id) as folder:
            (folder / "survey.json").write_bytes(dump_record(made))
    found = find_speeds(store, store.load_survey(now.id))
    assert [one.speeds[0].seconds for one in found] == [(7.0,), (2.0,), (1.0,)]
    assert find_speeds(store, None) == ()


def test_another_server_of_the_same_name_is_not_put_together(store: Store) -> None:
    """By its mark, which its surveys have: two servers may be called alike."""
    runs = []
    for number, origin in enumerate(("a" * 16, "b" * 16, "a" * 16), start=1):
        survey_id = f"survey-2026030{number}-220000-a{number}"
        made = replace(make_survey("bash=1"), id=survey_id, origin=origin, keep_until="2099-01-01")
        with store.new_folder(store.surveys, survey_id) as folder:
            (folder / "survey.json").write_bytes(dump_record(made))
        runs.append(
            keep(store, make_run(id=f"run-2026031{number}-220312-a7d{number}", survey_id=survey_id))
        )
    first, other, last = runs
    assert find_comparable(store, last) == (first,)
    assert find_comparable(store, other) == ()
