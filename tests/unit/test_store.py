"""The state folder: whole or not at all, records that come back, damage that is named."""

from __future__ import annotations

import json
import os
from dataclasses import fields, replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from forerun.errors import NoRoom, NotFound, RecordDamaged
from forerun.model.blueprint import TemplateInfo
from forerun.model.observation import (
    RUN_SCHEMA,
    Outcome,
    PromptMet,
    RunRecord,
    StepEnd,
    WayEnd,
    WayTried,
)
from forerun.model.survey import (
    CleanSurvey,
    Machine,
    Mount,
    Package,
    Release,
    SurveyCost,
)
from forerun.ports.held import PART
from forerun.ports.records import dump_record, load_record
from forerun.ports.store import Store, choose_state_folder, make_id, write_durably

RUN = Path(__file__).parent.parent / "data" / "run-record-shelf01.json"

TEMPLATE = TemplateInfo(
    id="0123456789abcdef",
    title="debian bookworm plain",
    codename="bookworm",
    boot_mode="bios",
    size_bytes=10 << 30,
    disk_bytes=1 << 29,
    digest="0" * 64,
    built_at="2026-01-31T22:00:00Z",
    build_seconds=12.5,
    root_uuid="919108f7-52d1-4320-9bac-f847db4148a8",
    packages=(("bash", "5.2.15-2+b8"),),
)

SURVEY = CleanSurvey(
    id="survey-1",
    taken_at="2026-01-31T22:00:00Z",
    host="shelf01.records.example",
    release=Release("debian", "12", "bookworm", "Debian GNU/Linux 12 (bookworm)", "12.11"),
    machine=Machine("bios", "6.1.0-37-cloud-amd64", "amd64", 2, 1 << 30),
    packages=(Package("bash", "5.2.15-2+b8", "amd64"),),
    sources=(),
    units=(),
    sockets=(),
    disks=(),
    mounts=(Mount("/dev/vda1", "/", "ext4", in_fstab=True),),
    conffiles=(),
    entries=(),
    withheld=(),
    replacements=(),
    not_readable=(),
    cost=SurveyCost(1.0, 0.5, 1000),
)


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "state")


def keep_run(store: Store, run_id: str, **changes: object) -> RunRecord:
    record = replace(load_record(RunRecord, RUN), id=run_id, **changes)  # type: ignore[arg-type]
    with store.new_folder(store.runs, run_id) as folder:
        write_durably(folder / "record.json", dump_record(record))
    return record


# -- where the state lies


@pytest.mark.parametrize(
    ("environment", "uid", "wanted"),
    [
        ({"FORERUN_HOME": "/x/fr"}, 0, "/x/fr"),
        ({"FORERUN_HOME": "/x/fr", "XDG_STATE_HOME": "/y"}, 1000, "/x/fr"),
        ({"XDG_STATE_HOME": "/y"}, 0, "/var/lib/forerun"),
        ({"XDG_STATE_HOME": "/y"}, 1000, "/y/forerun"),
        ({"FORERUN_HOME": ""}, 0, "/var/lib/forerun"),
    ],
)
def test_the_state_folder_is_where_the_standards_say(
    environment: dict[str, str], uid: int, wanted: str
) -> None:
    """FORERUN_HOME wins; root's is /var/lib (FHS 3.0, 5.8), others' XDG_STATE_HOME (XDG Base
    Directory Specification 0.8)."""
    assert choose_state_folder(environment, uid=uid) == Path(wanted)


def test_without_xdg_the_state_is_under_the_home(monkeypatch: pytest.MonkeyPatch) -> None:
    """XDG Base Directory Specification 0.8: the default is $HOME/.local/state."""
    monkeypatch.setenv("HOME", "/home/operator")
    assert choose_state_folder({}, uid=1000) == Path("/home/operator/.local/state/forerun")


def test_surveys_are_closed_to_others(store: Store) -> None:
    """The hypervisor's user passes through the state folder; nobody else reads surveys."""
    assert store.surveys.stat().st_mode & 0o777 == 0o700
    assert store.root.stat().st_mode & 0o066 == 0


def test_ids_sort_by_time_and_never_meet() -> None:
    """An id is prefix, instant and a random end."""
    moment = datetime(2026, 1, 31, 22, 0, tzinfo=UTC)
    ids = {make_id("run", moment) for _ in range(200)}
    assert len(ids) > 190
    assert all(one.startswith("run-20260131-220000-") for one in ids)


# -- records come back as they were


def test_a_run_comes_back_as_it_was(store: Store) -> None:
    """Written and read again, a record of every part is equal to itself."""
    record = keep_run(store, "run-20260131-220000-aaaa")
    assert store.load_run("run-20260131-220000-aaaa") == record
    assert isinstance(record.outcome, Outcome)
    assert all(isinstance(step.end, StepEnd) for step in record.steps)


def test_survey_and_template_come_back_as_they_were(tmp_path: Path) -> None:
    """The other two kinds of record keep every field too, unusual characters included."""
    survey = replace(SURVEY, packages=(Package("grün", "1:2~ü-3", "amd64", stanza="a\n b\tc"),))
    write_durably(tmp_path / "survey.json", dump_record(survey))
    write_durably(tmp_path / "template.json", dump_record(TEMPLATE))
    assert load_record(CleanSurvey, tmp_path / "survey.json") == survey
    assert load_record(TemplateInfo, tmp_path / "template.json") == TEMPLATE


def test_a_record_of_an_older_version_is_still_read(tmp_path: Path) -> None:
    """A field that was added since has its default: old files stay readable."""
    data = json.loads(RUN.read_text(encoding="utf-8"))
    defaulted = [f.name for f in fields(RunRecord) if f.name in ("seen", "rate_limit_bits")]
    for name in defaulted:
        data.pop(name, None)
    (tmp_path / "record.json").write_text(json.dumps(data), encoding="utf-8")
    record = load_record(RunRecord, tmp_path / "record.json")
    assert (record.seen, record.rate_limit_bits) == ((), 0)


def test_a_run_of_the_first_version_keeps_its_ways_out(tmp_path: Path) -> None:
    """They were texts, and none was open: each becomes one that was tried and is closed; a
    text of another form keeps its words. The record is one of today's then."""
    data = json.loads(RUN.read_text(encoding="utf-8"))
    assert data["schema"] == "forerun.run/1"
    data["ways_tried"] = [
        "the lab host (10.0.2.2, tcp 3128)",
        "the lab host's name service (10.0.2.3, udp 53)",
        "an outside address (2001:db8::1, tcp 443)",
        "a way (of another kind)",
    ]
    path = tmp_path / "record.json"
    path.write_text(json.dumps(data), encoding="utf-8")
    record = load_record(RunRecord, path)
    assert [way.label() for way in record.ways_tried[:3]] == data["ways_tried"][:3]
    assert record.ways_tried[3].name == "a way (of another kind)"
    assert {way.result for way in record.ways_tried} == {WayEnd.CLOSED}
    assert record.schema == RUN_SCHEMA
    path.write_bytes(dump_record(record))
    assert load_record(RunRecord, path) == record


def test_a_run_of_the_second_version_is_read() -> None:
    """Recorded before steps had counters and clones readings of their speed: both are empty,
    all else is as it was, and the record is one of today's."""
    path = RUN.with_name("run-record-version-2.json")
    data = json.loads(path.read_text(encoding="utf-8"))
    assert data["schema"] == "forerun.run/2"
    record = load_record(RunRecord, path)
    assert record.schema == RUN_SCHEMA
    assert record.speeds == ()
    assert {step.counters for step in record.steps} == {None}
    written = json.loads(dump_record(record))
    assert written["ways_tried"] == data["ways_tried"]
    assert [step["wall_s"] for step in written["steps"]] == [s["wall_s"] for s in data["steps"]]


def test_a_way_out_comes_back_as_it_was(store: Store) -> None:
    """Each field, the result as one of the closed set."""
    ways = tuple(WayTried("a way", "203.0.113.1", "icmp", 0, end, "why") for end in WayEnd)
    record = keep_run(store, "run-20260131-220000-bbbb", ways_tried=ways)
    assert store.load_run("run-20260131-220000-bbbb") == record


# -- damage is refused, with its place


@pytest.mark.parametrize("share", [0.0, 0.1, 0.5, 0.9, 0.999])
def test_a_file_cut_short_is_refused(tmp_path: Path, share: float) -> None:
    """Wherever it was cut, the file is named and nothing is guessed."""
    whole = RUN.read_bytes().rstrip()
    path = tmp_path / "record.json"
    path.write_bytes(whole[: int(len(whole) * share)])
    with pytest.raises(RecordDamaged) as caught:
        load_record(RunRecord, path)
    assert caught.value.where == str(path)
    assert caught.value.found
    assert caught.value.hint


@pytest.mark.parametrize(
    ("edit", "place"),
    [
        (lambda d: d.pop("outcome"), "outcome"),
        (lambda d: d.update(outcome="splendid"), "outcome"),
        (lambda d: d["steps"][2].update(wall_s="long"), "steps.2.wall_s"),
        (lambda d: d["steps"][0].pop("end"), "steps.0.end"),
        (lambda d: d.update(clone_cpus="two"), "clone_cpus"),
        (lambda d: d.update(steps={"a": 1}), "steps"),
        (lambda d: d["lab"].update(cpus=None), "lab.cpus"),
        (lambda d: d.update(ways_tried="none"), "ways_tried"),
        (lambda d: d.update(ways_tried=[{"name": "x"}]), "ways_tried.0.address"),
    ],
    ids=[
        "missing",
        "closed-set",
        "number",
        "nested-missing",
        "integer",
        "shape",
        "null",
        "ways-shape",
        "way-missing",
    ],
)
def test_an_edited_file_is_refused_with_the_place(tmp_path: Path, edit: object, place: str) -> None:
    """The message leads to the very field."""
    data = json.loads(RUN.read_text(encoding="utf-8"))
    edit(data)  # type: ignore[operator]
    path = tmp_path / "record.json"
    path.write_text(json.dumps(data), encoding="utf-8")
    with pytest.raises(RecordDamaged) as caught:
        load_record(RunRecord, path)
    assert caught.value.found.startswith(f"{place}: ")


@pytest.mark.parametrize("content", [b"\x00" * 300, b"[]", b"null", b"\xff\xfe{}", b"{} {}"])
def test_a_file_of_another_kind_is_refused(tmp_path: Path, content: bytes) -> None:
    """Zeros after a power cut, other JSON, bytes that are no UTF-8."""
    path = tmp_path / "record.json"
    path.write_bytes(content)
    with pytest.raises(RecordDamaged):
        load_record(RunRecord, path)


def test_a_message_never_repeats_the_content(tmp_path: Path) -> None:
    """What stands in a damaged file is not copied to the terminal."""
    data = json.loads(RUN.read_text(encoding="utf-8"))
    data["clone_cpus"] = "hunter2\x1b[31m"
    path = tmp_path / "record.json"
    path.write_text(json.dumps(data), encoding="utf-8")
    with pytest.raises(RecordDamaged) as caught:
        load_record(RunRecord, path)
    assert "hunter2" not in str(caught.value)


# -- whole or not at all


def test_a_folder_appears_whole(store: Store) -> None:
    """Under its name only when the block ends well; until then it is found as unfinished."""
    with store.new_folder(store.runs, "run-1") as folder:
        (folder / "record.json").write_text("{}")
        assert not (store.runs / "run-1").exists()
        assert store.find_unfinished() == (folder,)
        assert folder.name == f"run-1{PART}"
        assert store.find_runs() == ()
    assert (store.runs / "run-1" / "record.json").read_text() == "{}"
    assert store.find_unfinished() == ()
    assert store.find_runs() == ("run-1",)


@pytest.mark.parametrize("problem", [ValueError, KeyboardInterrupt, SystemExit])
def test_a_folder_whose_making_failed_never_was(store: Store, problem: type[BaseException]) -> None:
    """After any exception nothing is left under either name."""
    with pytest.raises(problem), store.new_folder(store.surveys, "survey-1") as folder:
        (folder / "copy.tar").write_bytes(b"half")
        raise problem
    assert list(store.surveys.iterdir()) == []


def test_an_existing_folder_is_not_replaced(store: Store) -> None:
    """rename(2) refuses a target folder with content: the first one stays."""
    for content in ("first", "second"):
        try:
            with store.new_folder(store.runs, "run-1") as folder:
                (folder / "record.json").write_text(content)
        except OSError:
            assert content == "second"
    assert (store.runs / "run-1" / "record.json").read_text() == "first"


def test_a_file_is_replaced_whole(tmp_path: Path) -> None:
    """The new content is there with the asked permission bits and no file beside it."""
    path = tmp_path / "a.json"
    write_durably(path, b"one")
    write_durably(path, b"two", mode=0o644)
    assert path.read_bytes() == b"two"
    assert [entry.name for entry in tmp_path.iterdir()] == ["a.json"]


def test_a_disk_that_is_full_leaves_the_old_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """When flushing fails the file under the name is still the old one, and it is NoRoom."""
    path = tmp_path / "a.json"
    write_durably(path, b"one")

    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(NoRoom) as caught:
        write_durably(path, b"two")
    assert path.read_bytes() == b"one"
    assert "No space left" in caught.value.found


def test_unfinished_things_are_listed_wherever_they_are(store: Store) -> None:
    """Templates, surveys, runs and files of the root; whole ones are not among them."""
    parts = [
        store.templates / f"aa{PART}",
        store.runs / f"run-2{PART}",
        store.surveys / f"survey-2{PART}",
        store.root / f"accelerator.json{PART}",
    ]
    for part in parts:
        part.mkdir()
    (store.runs / "run-1").mkdir()
    assert store.find_unfinished() == tuple(sorted(parts))


# -- finding


def test_the_last_run_is_the_newest(store: Store) -> None:
    """Ids sort by time; `last` names the newest finished one."""
    for run_id in ("run-20260201-000000-aaaa", "run-20260131-000000-bbbb"):
        keep_run(store, run_id)
    assert store.load_run("last").id == "run-20260201-000000-aaaa"


def test_an_unknown_id_lists_the_known_ones(store: Store) -> None:
    """NotFound helps; with no run at all, `last` is not found either."""
    with pytest.raises(NotFound) as nothing:
        store.load_run("last")
    assert "none" in nothing.value.found
    keep_run(store, "run-1")
    with pytest.raises(NotFound) as caught:
        store.load_run("run-2")
    assert "run-1" in caught.value.found
    for crooked in ("../surveys/x", "", ".", "run-1/../run-1"):
        with pytest.raises(NotFound):
            store.load_run(crooked)


def test_a_template_is_found_once_whole(store: Store) -> None:
    """A folder without its record is no template."""
    (store.templates / "half").mkdir()
    assert store.find_templates() == ()
    with store.new_folder(store.templates, TEMPLATE.id) as folder:
        write_durably(folder / "template.json", dump_record(TEMPLATE))
    assert store.find_templates() == (TEMPLATE,)
    assert store.template_disk(TEMPLATE.id).parent == store.templates / TEMPLATE.id


def test_a_prompt_text_from_a_clone_survives_the_file(tmp_path: Path) -> None:
    """Text of a guest may hold anything; the file keeps it and stays valid JSON."""
    record = load_record(RunRecord, RUN)
    text = "Proceed? \u2028 \x1b[0m \U0001f4e6 \\ \" ' </script>"
    met = PromptMet("s", 1.0, text, "sh", False, "", "", "policy", 1.0)
    write_durably(tmp_path / "r.json", dump_record(replace(record, prompts=(met,))))
    assert load_record(RunRecord, tmp_path / "r.json").prompts[0].text == text


def test_surveys_of_one_server_find_each_other(store: Store) -> None:
    """The newest survey with the server's mark is found; another server's is not, and a
    damaged one does not hide the ones before it."""
    mark = store.mark_origin("root@shelf01.records.example:22")
    for survey_id, origin in (
        ("survey-20260130-220000-aaaa", mark),
        ("survey-20260131-220000-bbbb", mark),
        ("survey-20260201-220000-cccc", store.mark_origin("root@shelf02.records.example:22")),
        ("survey-20260202-220000-dddd", mark),
    ):
        with store.new_folder(store.surveys, survey_id) as folder:
            record = replace(SURVEY, id=survey_id, origin=origin)
            (folder / "survey.json").write_bytes(dump_record(record))
    (store.surveys / "survey-20260202-220000-dddd" / "survey.json").write_text("{")
    found = store.find_last_survey(mark)
    assert found is not None
    assert found.id == "survey-20260131-220000-bbbb"
    assert store.find_last_survey("") is None


def test_a_mark_lasts_and_tells_nothing(store: Store, tmp_path: Path) -> None:
    """The same on this lab host for ever, another one on another lab host; the key is
    closed to others."""
    mark = store.mark_origin("root@shelf01.records.example:22")
    assert mark == Store(store.root).mark_origin("root@SHELF01.records.example:22")
    assert mark != Store(tmp_path / "other").mark_origin("root@shelf01.records.example:22")
    assert (store.root / "origin.key").stat().st_mode & 0o077 == 0
