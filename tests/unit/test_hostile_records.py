"""Stored records that somebody edited, cut or made up: a good load or RecordDamaged, and
whatever loads is drawn, listed, compared and designed with; no traceback, no hang, no write
outside of the state folder."""

from __future__ import annotations

import json
import os
import sqlite3
import unicodedata
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from random import Random
from typing import Any

import pytest
from lxml import html
from tests.practice.bare_survey import make_survey
from tests.practice.mutation import nudge_value, spoil_bytes, spoil_value
from tests.practice.watch import make_surroundings, no_hang, writes_stay_in
from tests.unit.test_drift import take

from forerun import cli, cli_common
from forerun.errors import ForerunError, NotFound, RecordDamaged
from forerun.model.observation import RunRecord
from forerun.model.profile import Profile, Site
from forerun.model.survey import CleanSurvey
from forerun.pipeline import find_comparable, find_drift, find_stale_runs
from forerun.ports.records import dump_record, load_record
from forerun.ports.store import Store
from forerun.profiles import load_profile, load_site
from forerun.report.list_runs import list_runs_table
from forerun.report.outline import outline
from forerun.report.render_terminal import render_terminal
from forerun.report.runbook import write_runbook
from forerun.report_files import draw_report
from forerun.stages.custody import (
    approve_copy,
    check_usable,
    delete_expired,
    find_end,
    list_reviews,
)
from forerun.stages.design import design_clone
from forerun.stages.drift import compare_surveys, find_salt
from forerun.stages.lab import _read_kept
from forerun.stages.seed_disks import write_stand_ins
from forerun.stages.sweep import sweep
from forerun.testing import FakeHypervisor

ROOT = Path(__file__).parents[2]
RUN = ROOT / "tests" / "data" / "run-record-shelf01.json"
NOW = datetime(2026, 2, 1, 12, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def profile() -> Profile:
    return load_profile(ROOT / "profiles" / "debian-12-to-13" / "profile.yaml")


@pytest.fixture(scope="module")
def site() -> Site:
    return load_site(ROOT / "demo" / "site.yaml")


@pytest.fixture
def store(tmp_path: Path) -> Store:
    make_surroundings(tmp_path / "state")
    return Store(tmp_path / "state")


def shorten(value: Any, most: int) -> Any:
    """The same data with at most so many rows in each list, so that examples are quick."""
    if isinstance(value, dict):
        return {key: shorten(part, most) for key, part in value.items()}
    if isinstance(value, list):
        return [shorten(part, most) for part in value[: max(2, most)]]
    return value


def spoil_record(content: bytes, data: Any, random: Random, keep: frozenset[str]) -> bytes:
    """Half of them of the kind that still loads."""
    kind = random.random()
    if kind < 0.2:
        return spoil_bytes(content, random)
    spoilt = spoil_value(data, random) if kind < 0.5 else nudge_value(data, random, keep=keep)
    return json.dumps(spoilt, ensure_ascii=random.random() < 0.5).encode("utf-8", "surrogatepass")


def assert_plain(text: str) -> None:
    """No control or invisible character but the newline (Unicode's category C)."""
    odd = [c for c in text if c != "\n" and unicodedata.category(c).startswith("C")]
    assert odd == []


def refuse_constant(name: str) -> None:
    raise AssertionError(f"{name} is no JSON (RFC 8259, 6)")


def draw_all(record: RunRecord, profile: Profile, site: Site) -> None:
    """Every format, each checked for what it must never hold."""
    report = outline(record, earlier=(record,))
    for width in (40, 120):
        assert_plain(render_terminal(report, width=width, folder="/x"))
    assert_plain(list_runs_table([record, record], width=60))
    json.loads(draw_report(report, "json"), parse_constant=refuse_constant)
    assert_plain(draw_report(report, "markdown"))
    page = draw_report(report, "html")
    assert_plain(page)
    tree = html.document_fromstring(page)
    assert not tree.xpath("//script|//link|//img|//iframe|//object|//embed|//form|//base")
    assert not [n for e in tree.iter("*") for n in e.attrib if n.startswith("on") or n == "style"]
    links = [value for e in tree.iter("*") for n, value in e.attrib.items() if n in ("href", "src")]
    assert all(value.startswith("#") for value in links)
    run = replace(record, profile_digest=profile.digest, site_digest=site.digest)
    assert_plain(write_runbook(profile, site, run).replace("\t", " "))


def test_spoilt_runs(store: Store, profile: Profile, site: Site) -> None:
    """500 records of runs, each loaded as `forerun report` does; what loads is drawn as text,
    JSON, Markdown, HTML and runbook, and compared with a sound one."""
    data = shorten(json.loads(RUN.read_text()), 2)
    run_id = data["id"]
    keep = frozenset({"schema", "id", "outcome", "end"})
    sound = replace(load_record(RunRecord, RUN), id="run-sound")
    for folder in (run_id, sound.id):
        (store.runs / folder).mkdir()
    (store.runs / sound.id / "record.json").write_bytes(dump_record(sound))
    content = json.dumps(data).encode()
    drawn = 0
    with writes_stay_in(store.root):
        for seed in range(500):
            spoilt = spoil_record(content, data, Random(seed), keep)
            (store.runs / run_id / "record.json").write_bytes(spoilt)
            with no_hang():
                try:
                    record = store.load_run(run_id)
                except RecordDamaged as problem:
                    assert str(store.runs / run_id) in problem.where
                    assert problem.found and problem.hint
                    continue
                draw_all(record, profile, site)
                find_comparable(store, record)
                drawn += 1
    assert drawn > 200, "most of the gentle half loads, or nothing is tested"


@pytest.fixture(scope="module")
def surveyed() -> CleanSurvey:
    """What the probes of a whole server give, sanitised."""
    return replace(take(), id="survey-1", origin="ab", keep_until="2026-03-01T00:00:00Z")


def use_survey(store: Store, survey: CleanSurvey, other: CleanSurvey, profile: Profile) -> None:
    """All that commands do with a stored survey short of starting a clone."""
    for pair in ((survey, other), (other, survey)):
        compare_surveys(*pair)
    find_salt(survey)
    find_drift(store, survey)
    find_stale_runs(store, survey)
    list_reviews(survey)
    find_end(survey)
    approve_copy(store, survey, by="tester", note="", at=NOW)
    check_usable(store, survey, NOW)
    blueprint = design_clone(
        survey, profile, Site(), run_id="run-1", cpus=1, memory_bytes=1 << 30, emulated=True
    )
    write_stand_ins(blueprint)


def test_spoilt_surveys(store: Store, surveyed: CleanSurvey, profile: Profile) -> None:
    """500 records of surveys: reviewed, approved, compared, designed with, expired."""
    data = shorten(json.loads(dump_record(surveyed)), 5)
    content = json.dumps(data).encode()
    keep = frozenset({"schema", "id", "keep_until"})
    folder = store.surveys / surveyed.id
    folder.mkdir()
    other = replace(surveyed, id="survey-2", taken_at="2026-04-01T00:00:00Z")
    used = 0
    with writes_stay_in(store.root):
        for seed in range(500):
            spoilt = spoil_record(content, data, Random(seed), keep)
            (folder / "survey.json").write_bytes(spoilt)
            (folder / "copy.tar").write_bytes(bytes(10240))
            with no_hang():
                delete_expired(store, NOW)
                try:
                    use_survey(store, store.load_survey(surveyed.id), other, profile)
                    used += 1
                except ForerunError as problem:
                    assert problem.where and problem.what
    assert used > 200


# -- what records may not say


def write_run(store: Store, **changes: Any) -> Path:
    data = json.loads(RUN.read_text())
    folder = store.runs / str(data["id"])
    folder.mkdir(exist_ok=True)
    file = folder / "record.json"
    file.write_text(json.dumps({**data, **changes}))
    return file


@pytest.mark.parametrize(
    ("changes", "place"),
    [
        ({"clone_memory_bytes": 2**64}, "clone_memory_bytes"),
        ({"rate_limit_bits": -(2**70)}, "rate_limit_bits"),
        ({"preparation": [["x", float("nan")]]}, "preparation.0.1"),
        ({"preparation": [["x", float("inf")]]}, "preparation.0.1"),
        ({"preparation": [["x", 1e16]]}, "preparation.0.1"),
        ({"schema": "forerun.run/9"}, "schema"),
        ({"schema": "forerun.survey/1"}, "schema"),
        ({"id": "../../etc"}, "id"),
        ({"id": "run-of-another-folder"}, "id"),
    ],
)
def test_what_no_record_can_hold(store: Store, changes: dict[str, Any], place: str) -> None:
    """Numbers that are no measurement, another version's schema, an id that is not the
    folder's: refused with file and place."""
    file = write_run(store, **changes)
    with pytest.raises(RecordDamaged) as caught:
        store.load_run(file.parent.name)
    assert caught.value.where == str(file)
    assert place in caught.value.found


def test_a_survey_that_names_another_folder_deletes_nothing_there(store: Store) -> None:
    """Paths are made of a record's id: one that leads elsewhere is refused before its copy's
    end is even looked at."""
    victim = store.root.parent / "etc"
    folder = store.surveys / "survey-1"
    folder.mkdir()
    survey = make_survey(id=f"../../{victim.name}", keep_until="2020-01-01T00:00:00Z")
    (folder / "survey.json").write_bytes(dump_record(survey))
    told: list[str] = []
    (folder / "copy.tar").write_bytes(b"x")
    with writes_stay_in(store.root):
        assert delete_expired(store, NOW, tell=lambda one, _: told.append(one)) == ()
    assert told == ["survey-1"]
    assert {file.name for file in victim.iterdir()} == {"passwd", "hosts"}


@pytest.mark.parametrize(
    "moment",
    ["", "soon", "2026-02-30T00:00:00Z", "2026-03-01T00:00:00", "0001-01-01T00:00:00+23:59",
     "9999-12-31T23:59:59-23:59"],
)  # fmt: skip
def test_a_time_that_is_none_stops_no_command(store: Store, moment: str) -> None:
    """Every command looks for copies whose time is over: a damaged one is told and stays, and
    the others go all the same."""
    for name, until in (("survey-1", moment), ("survey-2", "2026-01-01T00:00:00Z")):
        folder = store.surveys / name
        folder.mkdir()
        survey = make_survey(id=name, keep_until=until, taken_at=moment)
        (folder / "survey.json").write_bytes(dump_record(survey))
        (folder / "copy.tar").write_bytes(b"x")
    told: list[tuple[str, ForerunError]] = []
    gone = delete_expired(store, NOW, tell=lambda *one: told.append(one))
    assert [one.survey_id for one in gone] == ["survey-2"]
    assert [(one, type(problem)) for one, problem in told] == [("survey-1", RecordDamaged)]
    assert (store.surveys / "survey-1" / "copy.tar").exists()


def test_an_enormous_record_is_not_read_whole(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("forerun.ports.records.MOST_RECORD_BYTES", 1000)
    file = write_run(store)
    with pytest.raises(RecordDamaged, match="cannot be read") as caught:
        store.load_run(file.parent.name)
    assert "more than 1000 bytes" in caught.value.found


def test_a_survey_of_an_unknown_boot_mode_builds_nothing(profile: Profile) -> None:
    survey = make_survey()
    survey = replace(survey, machine=replace(survey.machine, boot_mode="punched cards"))
    with pytest.raises(RecordDamaged, match="boot mode"):
        design_clone(
            survey, profile, Site(), run_id="run-1", cpus=1, memory_bytes=1 << 30, emulated=True
        )


# -- the ledger


@pytest.mark.parametrize("kind", ["path", "folder", "nonsense"])
def test_a_ledger_that_names_odd_things(store: Store, kind: str) -> None:
    """Nothing outside of the state folder is removed for what an entry says, nothing ends in
    a traceback, and what cannot be removed is told as left."""
    (store.root / "machines" / "a-folder").mkdir()
    names = ["", ".", "/", "..", "/etc", "a\0b", "x" * 5000, f"{store.root}/../etc/passwd",
             f"{store.root}/machines/../../neighbour.txt", str(store.root), "machines",
             f"{store.root}/machines/a-folder"]  # fmt: skip
    with sqlite3.connect(store.root / "ledger.sqlite") as database:
        for name in (*names, b"bytes \xff", 17):
            database.execute(
                "insert into things (run, kind, name, noted_at, pid, pid_began)"
                " values ('run-1', ?, ?, '', 0, 'x')",
                (kind, name),
            )
    database.close()
    with writes_stay_in(store.root):
        swept = sweep(store, FakeHypervisor())
    told = {label.partition(":")[2] for label in (*swept.removed, *swept.left)}
    there = {name for name in names if "\0" not in name and os.path.lexists(name)}
    assert told >= there, "what is there is removed or told as left"
    assert len(store.ledger.find()) == len(swept.left), "what is nowhere is struck out"
    assert store.runs.is_dir() and store.surveys.is_dir()


@pytest.mark.parametrize(
    "content",
    [b"", b"\0", b"[" * 99_999, b"[]", b'"kvm"', b'{"key": "k", "name": "kvm", "why": 7}',
     b'{"key": "k", "name": "hyper", "why": ""}', b'{"name": ["kvm"]}', b"\xff"],
)  # fmt: skip
def test_a_proof_that_is_none_is_made_again(content: bytes, tmp_path: Path) -> None:
    """What is kept of how clones run here goes into every record: only the two known words."""
    kept = tmp_path / "accelerator.json"
    kept.write_bytes(content)
    assert _read_kept(kept) == {}
    kept.write_text('{"key": "k", "name": "kvm", "why": "it booted"}')
    assert _read_kept(kept)["name"] == "kvm"


# -- lists


def run_command(
    words: list[str], store: Store, monkeypatch: pytest.MonkeyPatch
) -> int:  # as `main` runs it
    monkeypatch.setenv("FORERUN_HOME", str(store.root))
    return cli.run_guarded(lambda: cli.app(words, standalone_mode=True), store.root)


@pytest.fixture
def damaged(store: Store) -> Iterator[Store]:
    """A sound run and a sound survey, each beside a damaged one."""
    write_run(store)
    for folder in (store.runs / "run-x", store.surveys / "survey-1", store.surveys / "survey-x"):
        folder.mkdir()
    (store.runs / "run-x" / "record.json").write_bytes(b"{")
    (store.surveys / "survey-x" / "survey.json").write_bytes(b"{")
    (store.surveys / "survey-x" / "copy.tar").write_bytes(b"x")
    (store.surveys / "survey-1" / "survey.json").write_bytes(dump_record(make_survey()))
    yield store


@pytest.mark.parametrize(
    ("command", "sound", "bad"),
    [("runs", "run-20260314", "run-x"), ("surveys", "survey-1", "survey-x")],
)
def test_one_damaged_record_does_not_hide_the_others(
    command: str,
    sound: str,
    bad: str,
    damaged: Store,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The table has the sound ones; then the damaged one is named, with exit code 50. A copy
    that cannot be deleted on its date is told at every command."""
    assert run_command([command], damaged, monkeypatch) == 50
    out, err = capsys.readouterr()
    assert sound in out and bad not in out
    assert bad in err and "Traceback" not in err
    assert "caution: the copy of survey-x is not deleted by itself" in err


def test_errors_of_loading_are_collected() -> None:
    """Only errors of ours are: a bug is not passed over."""

    def load(name: str) -> int:
        if not name:
            raise NotFound("No.")
        return int(name)

    good, bad = cli_common.load_each(["1", "", "3"], load)
    assert good == [1, 3] and [type(one) for one in bad] == [NotFound]
    with pytest.raises(ValueError, match="invalid literal"):
        cli_common.load_each(["x"], load)
