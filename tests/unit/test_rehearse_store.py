"""What a rehearsal leaves in the state folder, however it ends, and how one that was cut
short is asked for again."""

from __future__ import annotations

import errno
import html
import os
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from tests.practice.bare_survey import make_survey
from tests.unit.test_store import RUN
from tests.unit.test_sweep import GONE_PID

from forerun import pipeline
from forerun.errors import (
    CopyExpired,
    ForerunError,
    HypervisorFailed,
    Interrupted,
    LeakFound,
    NoRoom,
    NotApproved,
    NotFound,
    RecordDamaged,
    RequestChanged,
    UsageError,
)
from forerun.events import Discard
from forerun.model.observation import Outcome, RunRecord
from forerun.model.profile import Contact, Site, UnknownPrompt
from forerun.model.request import RunRequest
from forerun.pipeline import rehearse
from forerun.pipeline_bench import Bench
from forerun.pipeline_request import (
    RehearsalRequest,
    check_same,
    drop_cut_short,
    find_unfinished_runs,
    list_finished,
    read_request,
    write_request,
)
from forerun.ports.command import LocalCommand
from forerun.ports.digest_list import DIGESTS_NAME, write_digests
from forerun.ports.disks import Disks
from forerun.ports.held import PART
from forerun.ports.labhost import LabHost
from forerun.ports.ledger import Ledger
from forerun.ports.records import dump_record, load_record
from forerun.ports.store import Store, write_durably
from forerun.profiles import load_profile, load_site
from forerun.report.markdown import escape
from forerun.report.runbook import write_runbook
from forerun.stages.custody import approve_copy, set_end
from forerun.stages.rehearse import Observed
from forerun.stages.sweep import sweep
from forerun.testing import FakeClock, FakeHypervisor

DATA = Path(__file__).parents[1] / "data" / "profiles"
NOW = datetime(2026, 1, 31, 22, 0, tzinfo=UTC)
SURVEY = "survey-20260130-220000-a1b2c3d4"


class Scene:
    """A state folder with an approved survey, and files of the operator's own."""

    def __init__(self, folder: Path) -> None:
        self.store = Store(folder / "state")
        command = LocalCommand()
        self.bench = Bench(
            self.store, command, Disks(command), LabHost(), FakeClock(NOW), "fake:///lab"
        )
        self.profile = folder / "own-profile.yaml"
        self.profile.write_bytes((DATA / "small-profile.yaml").read_bytes())
        self.site = folder / "own-site.yaml"
        self.site.write_bytes((DATA / "small-site.yaml").read_bytes())
        survey = replace(make_survey(), id=SURVEY, keep_until=set_end(NOW, 30))
        with self.store.new_folder(self.store.surveys, SURVEY) as aside:
            (aside / "copy.tar").write_bytes(b"a copy")
            write_durably(aside / "survey.json", dump_record(survey))
        approve_copy(self.store, survey, by="keeper", note="", at=NOW)

    def ask(self, **more: object) -> RehearsalRequest:
        request = RehearsalRequest(
            self.store.load_survey(SURVEY),
            load_profile(self.profile),
            load_site(self.site),
            3,
            768 << 20,
            20_000_000,
            1800.0,
            UnknownPrompt.STOP,
            None,
            True,
            "0123456789abcdef",
            site_path=str(self.site),
        )
        return replace(request, **more)  # type: ignore[arg-type]

    def write_cut_short(self, run_id: str = "run-20260131-210000-a1b2c3d4", **more: object) -> str:
        """What a killed rehearsal left of its own folder, noted by a process that is gone."""
        dead = Ledger(self.store.root / "ledger.sqlite", pid=GONE_PID)
        folder = self.store.runs / f"{run_id}{PART}"
        dead.note(f"record-{run_id}", "folder", str(folder))
        folder.mkdir()
        asked = write_request(self.ask(), run_id, "2026-01-31T21:00:00Z", self.store)
        asked = replace(asked, **more)  # type: ignore[arg-type]
        write_durably(folder / "request.json", dump_record(asked))
        return run_id


@pytest.fixture
def scene(tmp_path: Path) -> Scene:
    return Scene(tmp_path)


class PlayedRun:
    """A rehearsal that does what the test says, in place of a real one."""

    act: Callable[[PlayedRun, Path], None] = staticmethod(lambda run, folder: None)

    def __init__(self, request: RehearsalRequest, bench: Bench, sink: object) -> None:
        self.request = request
        self.id = bench.store.draw_id("run", bench.clock.now(), bench.store.runs)
        self.started_at = "2026-01-31T22:00:00Z"
        self.origin_s = 0.0
        self.sink = sink
        self.template: object = "a template"
        self.observed = Observed()
        self.reach_hint, self.outside_bytes = "", 0

    def run(self, folder: Path) -> None:
        type(self).act(self, folder)

    def record(self, failure: BaseException | None) -> RunRecord:
        outcome = Outcome.ABANDONED if failure else Outcome.COMPLETED
        return replace(
            load_record(RunRecord, RUN),
            id=self.id,
            outcome=outcome,
            profile_digest=self.request.profile.digest,
            site_digest=self.request.site.digest,
        )


@pytest.fixture
def play(monkeypatch: pytest.MonkeyPatch) -> Callable[[Callable[[PlayedRun, Path], None]], None]:
    monkeypatch.setattr(pipeline, "RehearsalRun", PlayedRun)

    def use(act: Callable[[PlayedRun, Path], None]) -> None:
        monkeypatch.setattr(PlayedRun, "act", staticmethod(act))

    return use


Play = Callable[[Callable[[PlayedRun, Path], None]], None]


def draw(record: RunRecord, folder: Path) -> None:
    (folder / "report.md").write_text(record.id)


def go(scene: Scene, draw: Callable[[RunRecord, Path], None] = draw, **more: object) -> RunRecord:
    done = rehearse(
        scene.ask(**more), scene.bench, Discard(), run_sink=lambda folder: Discard(), draw=draw
    )
    return done.record


# -- what is left


def test_the_request_is_written_before_anything_is_made(scene: Scene, play: Play) -> None:
    """All that makes the rehearsal what it is: digests, sizes, options; and it stays in the
    finished folder."""
    seen: list[RunRequest] = []
    play(lambda run, folder: seen.append(load_record(RunRequest, folder / "request.json")))
    record = go(scene)
    (asked,) = seen
    assert asked.id == record.id
    assert (asked.survey_id, asked.cpus, asked.memory_bytes) == (SURVEY, 3, 768 << 20)
    assert (asked.rate_limit_bits, asked.index_age_s) == (20_000_000, 1800.0)
    assert (asked.unknown_prompt, asked.keep) == (UnknownPrompt.STOP, True)
    assert asked.template_id == "0123456789abcdef"
    assert (asked.profile, asked.site) == (str(scene.profile), str(scene.site))
    digests = [asked.survey_sha256, asked.copy_sha256, asked.profile_digest, asked.site_digest]
    assert all(len(digest) == 64 for digest in digests)
    folder = scene.store.runs / record.id
    assert {one.name for one in folder.iterdir()} == {
        "record.json", "request.json", "procedure.json", "report.md", DIGESTS_NAME,
    }  # fmt: skip
    assert scene.store.load_request(record.id) == asked
    assert scene.store.ledger.find() == ()


def test_a_run_that_never_began_leaves_nothing(scene: Scene, play: Play) -> None:
    def fail(run: PlayedRun, folder: Path) -> None:
        run.template = None
        raise NotApproved("Nobody.")

    play(fail)
    with pytest.raises(NotApproved):
        go(scene)
    assert list(scene.store.runs.iterdir()) == []
    assert scene.store.ledger.find() == ()


@pytest.mark.parametrize("problem", [HypervisorFailed("gone"), Interrupted("Ctrl-C")])
def test_a_run_that_was_cut_short_by_itself_is_whole(
    scene: Scene, play: Play, problem: BaseException
) -> None:
    """Its record says so; what cut it short is raised afterwards."""

    def fail(run: PlayedRun, folder: Path) -> None:
        raise problem

    play(fail)
    with pytest.raises(type(problem)):
        go(scene)
    (run_id,) = scene.store.find_runs()
    assert scene.store.load_run(run_id).outcome is Outcome.ABANDONED
    assert scene.store.find_unfinished() == ()


def full(path: Path) -> OSError:
    return OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(path))


def test_a_disk_that_fills_up_during_the_run(scene: Scene, play: Play) -> None:
    """NoRoom that names the file, and a record all the same: there is room again once the
    clone's disks are gone."""

    def fail(run: PlayedRun, folder: Path) -> None:
        raise full(folder / "terminal.log")

    play(fail)
    with pytest.raises(NoRoom) as caught:
        go(scene)
    assert "terminal.log" in caught.value.where
    assert len(scene.store.find_runs()) == 1


def test_a_disk_that_has_no_room_for_the_record(
    scene: Scene, play: Play, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing half is there under either name."""
    play(lambda run, folder: None)

    def no_room(path: Path, content: bytes, *, mode: int = 0o600) -> None:
        if path.name == "record.json":
            raise NoRoom("No.", where=str(path))
        write_durably(path, content, mode=mode)

    monkeypatch.setattr(pipeline, "write_durably", no_room)
    with pytest.raises(NoRoom):
        go(scene)
    assert list(scene.store.runs.iterdir()) == []
    assert scene.store.ledger.find() == ()


@pytest.mark.parametrize("problem", [full(Path("/x/report.html")), ZeroDivisionError("bug")])
def test_reports_are_drawn_all_or_none_and_the_record_stays(
    scene: Scene, play: Play, problem: Exception
) -> None:
    """A quarter of an hour's record is not lost to the drawing of it."""
    play(lambda run, folder: (folder / "events.jsonl").touch())

    def fail(record: RunRecord, folder: Path) -> None:
        (folder / "report.html").write_text("half")
        raise problem

    with pytest.raises((NoRoom, ZeroDivisionError)):
        go(scene, fail)
    (run_id,) = scene.store.find_runs()
    names = {one.name for one in (scene.store.runs / run_id).iterdir()}
    assert names == {
        "record.json",
        "request.json",
        "procedure.json",
        "events.jsonl",
        DIGESTS_NAME,
    }


def test_a_leak_takes_the_whole_folder(
    scene: Scene, play: Play, monkeypatch: pytest.MonkeyPatch
) -> None:
    play(lambda run, folder: None)

    def leak(scanner: object, folder: Path) -> None:
        raise LeakFound("An original.")

    class NoOriginals:
        def originals(self) -> tuple[()]:
            return ()

    monkeypatch.setattr(pipeline, "check_files", leak)
    with pytest.raises(LeakFound):
        go(scene, originals=NoOriginals())
    assert list(scene.store.runs.iterdir()) == []


def test_the_operators_file_names_are_no_leak(scene: Scene) -> None:
    """He called his site file by the server's name; that name is an original."""

    class Name:
        rule = "host name"

        def reveal(self) -> bytes:
            return b"own-site.yaml"

    class Originals:
        def originals(self) -> tuple[Name, ...]:
            return (Name(),)

    request = scene.ask()
    text = f'{{"site": "{request.site_path}"}}'.encode()
    file = scene.store.root / "request.json"
    file.write_bytes(text)
    assert list(request.make_scanner(Originals()).scan_path(file)) == []
    file.write_bytes(b'{"host": "own-site.yaml"}')
    assert list(request.make_scanner(Originals()).scan_path(file))


def test_the_operators_own_addresses_are_no_leak_in_any_form(scene: Scene) -> None:
    """He wrote the user desk's address into the site file; production's domain is an original.
    Markdown and HTML spell the address in their own way."""

    class Domain:
        rule = "host name"

        def reveal(self) -> bytes:
            return b"records.example"

    class Originals:
        def originals(self) -> tuple[Domain, ...]:
            return (Domain(),)

    reach = "desk@records.example & after"
    site = Site(name="own", contacts=(Contact("user desk", "", reach),))
    scanner = scene.ask(site=site).make_scanner(Originals())
    file = scene.store.root / "runbook"
    for spelled in (reach, escape(reach), html.escape(reach)):
        file.write_text(f"| {spelled} |")
        assert list(scanner.scan_path(file)) == []
    file.write_text("| other@records.example |")
    assert list(scanner.scan_path(file))


# -- asked for again


def test_the_same_request_comes_back(scene: Scene) -> None:
    """But for the originals, which died with their process."""
    run_id = scene.write_cut_short()
    request = read_request(scene.bench, run_id, ask=None)
    assert request == scene.ask(again_from=run_id)
    assert find_unfinished_runs(scene.store) == ((run_id, 0),)


def test_without_a_site_file_too(scene: Scene) -> None:
    run_id = scene.write_cut_short(site="", site_digest="")
    assert read_request(scene.bench, run_id, ask=None).site == Site()


def edit_profile(scene: Scene) -> None:
    scene.profile.write_text(scene.profile.read_text() + "# looked over\n")


def edit_site(scene: Scene) -> None:
    scene.site.write_text(scene.site.read_text() + "# looked over\n")


def seal(folder: Path) -> None:
    """Whoever changes a stored file and its digest, too, is not caught by the digest."""
    (folder / DIGESTS_NAME).write_bytes(write_digests(folder))


def edit_survey(scene: Scene) -> None:
    path = scene.store.surveys / SURVEY / "survey.json"
    path.write_text(path.read_text().replace('"cpus": 2', '"cpus": 4'))
    seal(path.parent)


def edit_copy(scene: Scene) -> None:
    """Another copy, approved again: still not the one that the run was asked with."""
    (scene.store.surveys / SURVEY / "copy.tar").write_bytes(b"another copy")
    seal(scene.store.surveys / SURVEY)
    survey = scene.store.load_survey(SURVEY)
    approve_copy(scene.store, survey, by="keeper", note="", at=NOW)


@pytest.mark.parametrize(
    ("edit", "what"),
    [
        (edit_profile, "profile"),
        (edit_site, "site file"),
        (edit_survey, "survey"),
        (edit_copy, "approved copy"),
    ],
)
def test_what_changed_makes_another_rehearsal(
    scene: Scene, edit: Callable[[Scene], None], what: str
) -> None:
    """Refused, with what it was and what it is; the old folder stays for a look."""
    run_id = scene.write_cut_short()
    edit(scene)
    with pytest.raises(RequestChanged) as caught:
        read_request(scene.bench, run_id, ask=None)
    assert f"{what} changed" in caught.value.what
    assert caught.value.wanted != caught.value.found
    assert caught.value.hint
    assert scene.store.find_cut_short() == (run_id,)


def remove_approval(scene: Scene) -> None:
    (scene.store.surveys / SURVEY / "approval.json").unlink()


def alter_copy(scene: Scene) -> None:
    (scene.store.surveys / SURVEY / "copy.tar").write_bytes(b"altered")
    seal(scene.store.surveys / SURVEY)


def pass_time(scene: Scene) -> None:
    scene.bench.clock.sleep(31 * 86400)


@pytest.mark.parametrize(
    ("change", "wanted"),
    [
        (remove_approval, NotApproved),
        (alter_copy, NotApproved),
        (pass_time, CopyExpired),
        (lambda scene: scene.profile.unlink(), NotFound),
    ],
)
def test_what_may_not_be_used_any_more_is_not(
    scene: Scene, change: Callable[[Scene], None], wanted: type[ForerunError]
) -> None:
    run_id = scene.write_cut_short()
    change(scene)
    with pytest.raises(wanted):
        read_request(scene.bench, run_id, ask=None)


def test_all_that_changed_is_told_at_once() -> None:
    with pytest.raises(RequestChanged, match="survey and profile changed"):
        check_same("run-1", ("survey", "a", "b"), ("profile", "c", ""), ("site file", "d", "d"))
    check_same("run-1", ("survey", "a", "a"))


def test_a_run_that_is_going_on_is_not_started_beside_itself(scene: Scene) -> None:
    run_id = scene.write_cut_short()
    scene.store.ledger.note(f"record-{run_id}", "folder", "x")
    with pytest.raises(UsageError, match="going on"):
        read_request(scene.bench, run_id, ask=None)
    assert find_unfinished_runs(scene.store) == ((run_id, os.getpid()),)


@pytest.mark.parametrize("outcome", list(Outcome))
def test_only_what_was_cut_short_is_repeated(scene: Scene, play: Play, outcome: Outcome) -> None:
    """A rehearsal that ended well or badly has its result; an abandoned one has none."""
    play(lambda run, folder: None)
    run_id = go(scene).id
    record = replace(scene.store.load_run(run_id), outcome=outcome)
    write_durably(scene.store.runs / run_id / "record.json", dump_record(record))
    seal(scene.store.runs / run_id)
    if outcome is Outcome.ABANDONED:
        assert read_request(scene.bench, run_id, ask=None).again_from == run_id
    else:
        with pytest.raises(UsageError, match="came to its end"):
            read_request(scene.bench, run_id, ask=None)


@pytest.mark.parametrize("name", ["run-x", "", ".", "..", "../surveys", "/etc", "run-x/.."])
def test_an_unknown_run_is_not_found(scene: Scene, name: str) -> None:
    known = scene.write_cut_short()
    with pytest.raises(NotFound) as caught:
        read_request(scene.bench, name, ask=None)
    assert known in caught.value.found


def test_the_stages_that_were_finished_are_read_from_its_progress(scene: Scene) -> None:
    """In order, once each; the last line may be cut, and others may be no events."""
    run_id = scene.write_cut_short()
    (scene.store.runs / f"{run_id}{PART}" / "events.jsonl").write_text(
        '{"kind": "phase-finished", "phase": "archives"}\n'
        '{"kind": "phase-started", "phase": "template"}\n'
        '{"kind": "phase-finished", "phase": "template"}\n'
        '{"kind": "step-finished", "step": "readiness"}\n'
        "[1]\n\n{}\n"
        '{"kind": "step-finished", "st'
    )
    assert list_finished(scene.store, run_id) == ("archives", "template", "readiness")
    assert list_finished(scene.store, "run-x") == ()


def test_the_old_folder_goes_once_the_new_one_is_whole(scene: Scene, play: Play) -> None:
    """And those that it repeated itself; a run that was stored stays."""
    first = scene.write_cut_short("run-20260131-200000-a1b2c3d4")
    second = scene.write_cut_short("run-20260131-210000-a1b2c3d4", again_from=first)
    there: list[bool] = []
    play(lambda run, folder: there.append((scene.store.runs / f"{second}{PART}").is_dir()))
    record = go(scene, again_from=second)
    assert there == [True]
    assert [one.name for one in scene.store.runs.iterdir()] == [record.id]
    assert scene.store.ledger.find() == ()
    assert scene.store.load_request(record.id).again_from == second
    drop_cut_short(scene.store, record.id)
    assert scene.store.find_runs() == (record.id,)


def test_a_repetition_that_never_began_can_be_tried_again(scene: Scene, play: Play) -> None:
    """libvirt was off: the request is still there."""
    run_id = scene.write_cut_short()

    def fail(run: PlayedRun, folder: Path) -> None:
        run.template = None
        raise HypervisorFailed("off")

    play(fail)
    with pytest.raises(HypervisorFailed):
        go(scene, again_from=run_id)
    assert scene.store.find_cut_short() == (run_id,)
    assert read_request(scene.bench, run_id, ask=None).again_from == run_id


def test_a_starting_command_keeps_the_request_and_a_sweep_does_not(scene: Scene) -> None:
    run_id = scene.write_cut_short()
    sweep(scene.store, FakeHypervisor(), thorough=False)
    assert read_request(scene.bench, run_id, ask=None).again_from == run_id
    sweep(scene.store, FakeHypervisor())
    with pytest.raises(NotFound, match="No request"):
        read_request(scene.bench, run_id, ask=None)


def test_a_stored_request_that_is_damaged_names_the_place(scene: Scene) -> None:
    run_id = scene.write_cut_short()
    path = scene.store.runs / f"{run_id}{PART}" / "request.json"
    path.write_text(path.read_text().replace('"cpus": 3', '"cpus": "three"'))
    with pytest.raises(ForerunError) as caught:
        read_request(scene.bench, run_id, ask=None)
    assert caught.value.found.startswith("cpus: ")


# --- the procedure that was run


def test_a_runbook_is_drawn_again_from_what_was_run(scene: Scene, play: Play) -> None:
    """Profile and site file are kept with the run: a runbook comes out as it did, though both
    files have changed since."""
    play(lambda run, folder: None)
    first: list[str] = []

    def draw(record: RunRecord, folder: Path) -> None:
        first.append(write_runbook(asked.profile, asked.site, record))

    asked = scene.ask()
    record = go(scene, draw)
    scene.profile.write_text("something else")
    scene.site.unlink()
    kept = scene.store.load_procedure(record.id)
    assert [write_runbook(kept.profile, kept.site, record)] == first


def test_a_kept_procedure_that_was_edited_is_refused(scene: Scene, play: Play) -> None:
    """The folder's digests cover it: an edited script must not look rehearsed."""
    play(lambda run, folder: None)
    record = go(scene)
    path = scene.store.runs / record.id / "procedure.json"
    path.write_bytes(path.read_bytes().replace(b"true", b"false", 1))
    with pytest.raises(RecordDamaged):
        scene.store.load_procedure(record.id)


def test_a_run_without_its_procedure_says_so(scene: Scene, play: Play) -> None:
    """The files named in its request are not taken instead: they may be others by now."""
    play(lambda run, folder: None)
    record = go(scene)
    (scene.store.runs / record.id / "procedure.json").unlink()
    with pytest.raises(NotFound, match=r"procedure of this run is gone"):
        scene.store.load_procedure(record.id)
