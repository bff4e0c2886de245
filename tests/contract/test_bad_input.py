"""Bad input without a server, end to end through the `forerun` command: profiles, records,
templates, archives, a lab host that is too small or has no libvirt."""

from __future__ import annotations

import contextlib
import json
import re
import subprocess
import tarfile
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from forerun.model.survey import (
    ArchiveSource,
    CleanSurvey,
    Machine,
    Mount,
    Package,
    Release,
    SurveyCost,
)
from forerun.ports.clock import format_instant
from forerun.ports.hypervisor import LibvirtHypervisor
from forerun.ports.labhost import LabHost, find_free_port
from forerun.ports.records import dump_record
from forerun.ports.store import Store
from forerun.stages.custody import approve_copy
from forerun.stages.lab import name_proof

from .bad_input import Told, assert_nothing_left, run_forerun, small_disk

pytestmark = pytest.mark.tools

DATA = Path(__file__).parents[1] / "data"
TEST_DRIVER = "test:///default"
SURVEY_ID = "survey-20260131-220000-a1b2"


@pytest.fixture
def home(tmp_path: Path) -> Path:
    return tmp_path / "state"


def make_survey(uri: str = "http://archive.example/debian") -> CleanSurvey:
    """A small Debian 12 server, as a survey would store it."""
    return CleanSurvey(
        id=SURVEY_ID,
        taken_at=format_instant(datetime.now(UTC)),
        host="shelf01.records.example",
        release=Release("debian", "12", "bookworm", "Debian GNU/Linux 12 (bookworm)", "12.9"),
        machine=Machine("bios", "6.1.0-30-amd64", "x86_64", 2, 2 << 30),
        packages=(Package("nano", "7.2-1", "amd64", origin="Debian", candidate="7.2-1"),),
        sources=(
            ArchiveSource("/etc/apt/sources.list", 1, ("deb",), (uri,), ("bookworm",), ("main",)),
        ),
        units=(),
        sockets=(),
        disks=(),
        mounts=(Mount("/dev/vda1", "/", "ext4", size_bytes=8 << 30, used_bytes=2 << 30),),
        conffiles=(),
        entries=(),
        withheld=(),
        replacements=(),
        not_readable=(),
        cost=SurveyCost(1.0, 0.5, 1000),
    )


def store_survey(home: Path, survey: CleanSurvey) -> Store:
    store = Store(home)
    folder = store.surveys / survey.id
    folder.mkdir()
    (folder / "survey.json").write_bytes(dump_record(survey))
    with tarfile.open(folder / "copy.tar", "w"):
        pass
    approve_copy(store, survey, by="tester", note="", at=datetime.fromisoformat(survey.taken_at))
    return store


def prove_emulation(store: Store) -> None:
    """The lab host's own proof, already made: the test driver cannot boot anything."""
    hypervisor = LibvirtHypervisor(TEST_DRIVER)
    key = name_proof(LabHost(), hypervisor)
    hypervisor.close()
    kept = {"key": key, "name": "emulation", "why": "kept"}
    (store.root / "accelerator.json").write_text(json.dumps(kept))


def rehearse(home: Path, *more: str, connect: str = TEST_DRIVER) -> Told:
    return run_forerun(home, "rehearse", "--survey", SURVEY_ID, "--connect", connect, *more)


def assert_no_run(home: Path) -> None:
    """Nothing was rehearsed, so that there is no record and no folder of a run."""
    assert list((home / "runs").iterdir()) == []
    assert_nothing_left(home)


# -- a copy that may not be used


def test_a_copy_that_nobody_approved(home: Path) -> None:
    """Nothing is built from it; the message says how it is looked over and approved."""
    store = store_survey(home, make_survey())
    (store.surveys / SURVEY_ID / "approval.json").unlink()
    told = rehearse(home, connect="test+unix:///nonexistent")
    told.assert_told(61, "Nobody has approved", f"forerun approve {SURVEY_ID} --by NAME")
    assert_no_run(home)
    reviewed = run_forerun(home, "review", SURVEY_ID)
    assert reviewed.code == 0
    assert run_forerun(home, "approve", SURVEY_ID, "--by", "a person").code == 0
    told = rehearse(home, connect="test+unix:///nonexistent")
    told.assert_told(33, "test+unix:///nonexistent")


def test_a_copy_that_is_another_one_than_was_approved(home: Path) -> None:
    """One byte more, and the approval does not hold."""
    store = store_survey(home, make_survey())
    with (store.surveys / SURVEY_ID / "copy.tar").open("ab") as copy:
        copy.write(b"\0")
    told = rehearse(home, connect="test+unix:///nonexistent")
    told.assert_told(61, "another one than was approved", "SHA-256")
    assert_no_run(home)


def test_a_copy_whose_time_is_over_is_deleted(home: Path) -> None:
    """By whichever command comes next; with a line in the log, and no use after that."""
    survey = make_survey()
    store = store_survey(home, survey)
    folder = store.surveys / SURVEY_ID
    (folder / "survey.json").write_bytes(
        dump_record(replace(survey, keep_until="2026-02-01T00:00:00Z"))
    )
    listed = run_forerun(home, "surveys")
    assert listed.code == 0
    assert "deleted" in listed.out
    assert not (folder / "copy.tar").exists()
    line = (home / "deletions.log").read_text(encoding="utf-8")
    assert re.fullmatch(
        rf"\S+Z {SURVEY_ID} kept until 2026-02-01T00:00:00Z sha256 [0-9a-f]{{64}} "
        r"deleted copy\.tar\n",
        line,
    )
    rehearse(home, connect="test+unix:///nonexistent").assert_told(62, "time is over")
    assert_no_run(home)


# -- profile and survey


@pytest.mark.parametrize(
    ("release", "said"),
    [
        (Release("debian", "11", "bullseye", "Debian GNU/Linux 11"), "bullseye"),
        (Release("debian", "13", "trixie", "Debian GNU/Linux 13"), "already runs"),
    ],
)
def test_a_profile_that_does_not_fit(home: Path, release: Release, said: str) -> None:
    """Wanted and found release are both named; libvirt is not even asked."""
    store_survey(home, replace(make_survey(), release=release))
    told = rehearse(home, connect="test+unix:///nonexistent")
    told.assert_told(11, "wanted: debian 12 (bookworm)", said)
    assert_no_run(home)


BROKEN = """\
schema: forerun.profile/1
name: Bad Name!
titel: Typo
origin: {family: debian, version: 1, codename: one}
target: {family: debian, version: 2}
sources:
  suites: {one: two}
  keyring: relative.gpg
  fingerprints: [12]
stages:
  window:
    - step: go
      title: Go
      script: "true"
      time-allowed: ages
    - step: go
      title: Again
      action: dance
      time-allowed: 5 min
prompts:
  - prompt: bad
    asks: '(unclosed'
    answer: y
    why: w
"""


def test_every_mistake_of_a_profile_at_once(home: Path, tmp_path: Path) -> None:
    """Each with file and line, in one go: unknown key, missing key, bad duration, unknown
    action, broken expression."""
    file = tmp_path / "broken.yaml"
    file.write_text(BROKEN)
    told = run_forerun(home, "profile", "check", str(file))
    told.assert_told(10, "titel", "title", "codename", "dance", "ages")
    lines = {int(n) for n in re.findall(rf"{file.name}:(\d+)", told.err)}
    assert {3, 5, 15, 18, 22} <= lines, told.err


def test_yaml_that_breaks_off(home: Path, tmp_path: Path) -> None:
    """What is no YAML at all has its line too."""
    file = tmp_path / "cut.yaml"
    file.write_text("schema: forerun.site/1\nservices:\n  - service: [web\n")
    told = run_forerun(home, "profile", "check", "--site", str(file))
    told.assert_told(10, "cut.yaml:")


def test_a_broken_site_file_stops_a_rehearsal_first(home: Path, tmp_path: Path) -> None:
    """Before libvirt, archives or any folder."""
    store_survey(home, make_survey())
    file = tmp_path / "site.yaml"
    file.write_text("schema: forerun.site/1\nservices:\n  - service: web\n    port: 99999999\n")
    told = rehearse(home, "--site", str(file), connect="test+unix:///nonexistent")
    told.assert_told(10, "site.yaml:4")
    assert_no_run(home)


def test_a_damaged_survey(home: Path) -> None:
    """A record that was edited names the place."""
    store = store_survey(home, make_survey())
    file = store.surveys / SURVEY_ID / "survey.json"
    file.write_text(file.read_text().replace('"cpus": 2', '"cpus": "two"'))
    told = rehearse(home)
    told.assert_told(50, "machine.cpus", str(file))
    assert_no_run(home)


# -- the lab host


@pytest.mark.libvirt
def test_an_archive_that_does_not_answer(home: Path) -> None:
    """Found out before a template or a clone is made; the release file's address is told."""
    port = find_free_port()
    store = store_survey(home, make_survey(f"http://127.0.0.1:{port}/debian"))
    prove_emulation(store)
    told = rehearse(home, "--memory", "512MiB")
    told.assert_told(40, f"127.0.0.1:{port}/debian/dists/bookworm/InRelease")
    assert list(store.templates.iterdir()) == []
    assert_no_run(home)


@pytest.mark.libvirt
def test_too_little_memory(home: Path) -> None:
    """More than this machine has: wanted and found, and how to ask for less."""
    prove_emulation(store_survey(home, make_survey()))
    told = rehearse(home, "--memory", "512TiB")
    told.assert_told(32, "wanted: ", "found: ", "--memory")
    assert_no_run(home)


@pytest.mark.libvirt
def test_too_little_disk(tmp_path: Path) -> None:
    """A state folder on a small file system: told before anything is built."""
    with small_disk(tmp_path / "small", "16m") as disk:
        home = disk / "state"
        prove_emulation(store_survey(home, make_survey()))
        told = rehearse(home)
        told.assert_told(31, "wanted: 6.4 GB free", "FORERUN_HOME")
        assert_no_run(home)


def test_a_full_disk(tmp_path: Path) -> None:
    """Not a byte left: an error of ours that names the folder, not a bug."""
    with small_disk(tmp_path / "full", "64k") as disk:
        (disk / "ballast").write_bytes(b"")
        with contextlib.suppress(OSError), (disk / "ballast").open("wb") as stream:
            while stream.write(b"x" * 4096):
                stream.flush()
        told = run_forerun(disk / "state", "runs")
        assert told.code in (31, 50)
        told.assert_told(told.code, str(disk / "state"))


def test_a_state_folder_that_cannot_be_made(tmp_path: Path) -> None:
    """A file in the way: no room, and which setting names another place."""
    (tmp_path / "file").write_text("in the way")
    told = run_forerun(tmp_path / "file" / "state", "runs")
    told.assert_told(31, "FORERUN_HOME")


@pytest.mark.parametrize(
    "uri", ["test+unix:///nonexistent", "qemu+unix:///system?socket=/nonexistent/socket"]
)
def test_libvirt_that_cannot_be_reached(home: Path, uri: str) -> None:
    """The connection is named, with how to start it; the same for a sweep."""
    store_survey(home, make_survey())
    told = rehearse(home, connect=uri)
    told.assert_told(33, uri, "libvirtd")
    assert_no_run(home)
    run_forerun(home, "sweep", "--connect", uri).assert_told(33, uri)
    assert_nothing_left(home)


@pytest.mark.libvirt
def test_a_sweep_with_nothing_to_do(home: Path) -> None:
    """The test driver's own domain is nobody's of ours."""
    told = run_forerun(home, "sweep", "--connect", TEST_DRIVER)
    assert (told.code, told.out) == (0, "0 removed, 0 left\n")


# -- templates


def make_image(path: Path) -> None:
    """A small qcow2 with something in it."""
    raw = path.with_suffix(".raw")
    raw.write_bytes(b"forerun test disk\n" * 60_000)
    subprocess.run(
        ["qemu-img", "convert", "-q", "-f", "raw", "-O", "qcow2", str(raw), str(path)], check=True
    )


def test_a_template_that_was_altered(home: Path, tmp_path: Path) -> None:
    """One flipped bit: verify says which template, both digests and what to do; before, it
    is good, and no other command removes it on its own."""
    image = tmp_path / "disk.qcow2"
    make_image(image)
    told = run_forerun(home, "template", "import", str(image))
    assert told.code == 0, told.err
    template = told.out.split()[-1]
    assert run_forerun(home, "template", "verify").out.startswith(f"good     {template}")
    disk = home / "templates" / template / "disk.qcow2"
    disk.chmod(0o644)
    content = bytearray(disk.read_bytes())
    content[-70_000] ^= 0x10
    disk.write_bytes(content)
    told = run_forerun(home, "template", "verify", template)
    told.assert_told(34, template, "wanted: sha256", "found: sha256", "template remove")
    assert told.out.startswith(f"damaged  {template}")
    assert disk.exists()
    assert_nothing_left(home)


def test_a_template_whose_disk_is_gone(home: Path, tmp_path: Path) -> None:
    """A missing disk is damage as well."""
    image = tmp_path / "disk.qcow2"
    make_image(image)
    template = run_forerun(home, "template", "import", str(image)).out.split()[-1]
    (home / "templates" / template / "disk.qcow2").unlink()
    run_forerun(home, "template", "verify").assert_told(34, "missing")


@pytest.mark.parametrize("content", [b"", b"no image at all" * 1000], ids=["empty", "text"])
def test_what_is_no_image_is_not_imported(home: Path, tmp_path: Path, content: bytes) -> None:
    """A file that is no qcow2 is refused, and no template appears."""
    image = tmp_path / "disk.qcow2"
    image.write_bytes(content)
    told = run_forerun(home, "template", "import", str(image))
    told.assert_told(34, str(image))
    assert list((home / "templates").iterdir()) == []
    assert_nothing_left(home)


def test_an_image_that_leans_on_another_is_not_imported(home: Path, tmp_path: Path) -> None:
    """Its base may be anywhere: it has to be flattened first."""
    base, image = tmp_path / "base.qcow2", tmp_path / "disk.qcow2"
    make_image(base)
    subprocess.run(
        ["qemu-img", "create", "-q", "-f", "qcow2", "-F", "qcow2", "-b", str(base), str(image)],
        check=True,
    )
    told = run_forerun(home, "template", "import", str(image))
    told.assert_told(35, "leans on another", str(base), "qemu-img convert")
    assert_nothing_left(home)


def test_an_image_whose_data_lies_elsewhere_is_not_imported(home: Path, tmp_path: Path) -> None:
    """An image may name any file of the lab host as its data file: none is read."""
    image = tmp_path / "disk.qcow2"
    argv = ["qemu-img", "create", "-q", "-f", "qcow2", "-o", "data_file=data.raw"]
    subprocess.run([*argv, str(image), "10M"], check=True, cwd=tmp_path)
    told = run_forerun(home, "template", "import", str(image))
    told.assert_told(35, "leans on another", "data.raw")
    assert list((home / "templates").iterdir()) == []
    assert_nothing_left(home)


# -- records


@pytest.fixture
def run_id(home: Path) -> str:
    """A stored run, whole."""
    content = (DATA / "run-record-shelf01.json").read_bytes()
    run = str(json.loads(content)["id"])
    folder = Store(home).runs / run
    folder.mkdir()
    (folder / "record.json").write_bytes(content)
    return run


@pytest.mark.parametrize("form", ["json", "markdown", "html", "terminal"])
def test_a_whole_record_is_drawn(home: Path, run_id: str, form: str) -> None:
    """The ground for the next tests: unaltered, every format works without libvirt."""
    told = run_forerun(home, "report", run_id, "--format", form)
    assert told.code == 0, told.err
    assert len(told.out) > 500


def test_a_record_that_was_edited_names_the_place(home: Path, run_id: str) -> None:
    """The path into the record, its file, and nothing drawn."""
    file = home / "runs" / run_id / "record.json"
    record = json.loads(file.read_text())
    record["steps"][1]["wall_s"] = "long"
    record["outcome"] = "splendid"
    file.write_text(json.dumps(record))
    told = run_forerun(home, "report", run_id)
    told.assert_told(50, "steps.1.wall_s", "outcome", str(file))
    assert told.out == ""
    assert_nothing_left(home)


@pytest.mark.parametrize("size", [0, 1, 1000])
def test_a_record_that_was_cut_short(home: Path, run_id: str, size: int) -> None:
    """A file that ends early is damaged, wherever it ends."""
    file = home / "runs" / run_id / "record.json"
    file.write_bytes(file.read_bytes()[:size])
    run_forerun(home, "report", run_id).assert_told(50, str(file))


def test_an_unknown_run(home: Path, run_id: str) -> None:
    """The known ones are listed."""
    run_forerun(home, "report", "run-x").assert_told(51, "run-x", run_id)


@pytest.mark.parametrize("name", ["../../etc", "..", "/etc", "run\x1b[2J"])
def test_a_runs_name_is_no_path(home: Path, run_id: str, name: str) -> None:
    """Whatever is given as an id never leaves the runs' folder."""
    told = run_forerun(home, "report", name)
    told.assert_told(51)
    assert "\x1b" not in told.err


def test_a_ledger_that_is_no_database(home: Path) -> None:
    """Named, with what to do; the file is left as it is."""
    Store(home)
    (home / "ledger.sqlite").write_bytes(b"not a database" * 500)
    told = run_forerun(home, "runs")
    told.assert_told(50, "ledger.sqlite", "aside")
    assert (home / "ledger.sqlite").read_bytes() == b"not a database" * 500
