"""A whole survey of a fake server: what is taken, what is withheld, what goes wrong."""

from __future__ import annotations

import gzip
import hashlib
import io
import json
import re
import tarfile
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from forerun.distro.debian import Debian
from forerun.errors import SurveyFailed
from forerun.events import Event, Notice
from forerun.model.speed import Work
from forerun.model.survey import CleanSurvey
from forerun.ports.production import Budget, ProbeName
from forerun.ports.records import dump_record, load_record
from forerun.stages.survey import escape_path, list_probes, take_survey
from forerun.testing import FakeEntry, FakeProduction

DATA = Path(__file__).parent.parent / "data" / "debian12"


def read_answers() -> dict[ProbeName, bytes]:
    answers = {}
    for probe in ProbeName:
        plain, packed = DATA / probe.value, DATA / f"{probe.value}.gz"
        content = packed.read_bytes() if packed.exists() else plain.read_bytes()
        answers[probe] = gzip.decompress(content) if packed.exists() else content
    return answers


class FixedClock:
    def now(self) -> datetime:
        return datetime(2026, 1, 31, 22, 0, tzinfo=UTC)

    def monotonic(self) -> float:
        return 5.0

    def sleep(self, seconds: float) -> None:
        raise AssertionError("a survey does not sleep")


class Kept:
    def __init__(self) -> None:
        self.events: list[Event] = []

    def emit(self, event: Event) -> None:
        self.events.append(event)

    def close(self) -> None:
        pass


def survey(
    production: FakeProduction, sink: Kept | None = None, *, calibrate: bool = False
) -> tuple[CleanSurvey, bytes]:
    copy = io.BytesIO()
    record = take_survey(
        production,
        distro=Debian(),
        clock=FixedClock(),
        host="atlas7.corp.example",
        survey_id="survey-1",
        copy_to=copy,
        sink=sink,
        calibrate=calibrate,
    )
    return record, copy.getvalue()


TREE: dict[str, bytes | FakeEntry] = {
    "/etc": FakeEntry(kind=tarfile.DIRTYPE, mode=0o755),
    "/etc/app.conf": FakeEntry(b"workers = 4\n", mode=0o640, owner="app"),
    "/etc/alternatives/editor": FakeEntry(kind=tarfile.SYMTYPE, link="/usr/bin/vim.basic"),
    "/etc/.git": FakeEntry(kind=tarfile.DIRTYPE),
    "/etc/.git/objects": b"zlib of every secret there ever was",
    "/etc/big.bin": b"x" * 1_100_000,
    "/etc/cache.bin": b"ELF\0\1\2",
    "/etc/console": FakeEntry(kind=tarfile.CHRTYPE),
    "/etc/fifo": FakeEntry(kind=tarfile.FIFOTYPE),
    "/etc/new\nline.conf": b"a = 1\n",
    "/etc/caf\udce9.conf": b"a = 1\n",
    "/usr/local/bin/tool": FakeEntry(b"#!/bin/sh\nexit 0\n", mode=0o755),
    "/home/op/.bashrc": b"alias x=y\n",
    "/var/lib/mysql/ibdata1": b"rows",
    "/root/.ssh/id_rsa": b"key",
}


def test_what_is_taken() -> None:
    """Files, folders and links of the allowed roots, with mode, owner and digest."""
    record, copy = survey(FakeProduction(read_answers(), TREE))
    entries = {entry.path: entry for entry in record.entries}
    assert set(entries) == {
        "/etc",
        "/etc/app.conf",
        "/etc/alternatives/editor",
        "/usr/local/bin/tool",
    }
    app = entries["/etc/app.conf"]
    assert (app.kind, app.mode, app.owner, app.size_bytes) == ("file", 0o640, "app", 12)
    assert app.digest == hashlib.sha256(b"workers = 4\n").hexdigest()
    link = entries["/etc/alternatives/editor"]
    assert (link.kind, link.link) == ("symlink", "/usr/bin/vim.basic")
    with tarfile.open(fileobj=io.BytesIO(copy)) as tar:
        assert sorted(tar.getnames()) == sorted(path.lstrip("/") for path in entries)
        assert tar.getmember("usr/local/bin/tool").mode == 0o755
        assert tar.getmember("etc/alternatives/editor").linkname == "/usr/bin/vim.basic"


def test_what_is_withheld_is_named_with_its_reason() -> None:
    """Histories, binaries, devices, odd names and large files are named, not taken."""
    record, _ = survey(FakeProduction(read_answers(), TREE))
    reasons = {row.path: row.reason for row in record.withheld}
    assert reasons["/etc/.git"].startswith("a version history")
    assert reasons["/etc/cache.bin"] == "not text"
    assert reasons["/etc/console"] == reasons["/etc/fifo"]
    assert reasons["/etc/new\\x0aline.conf"] == "a name that is not plain text"
    assert reasons["/etc/caf\\xe9.conf"] == "a name that is not plain text"
    assert reasons["/etc/big.bin"] == "larger than 1048576 bytes: 2097153"


def test_nothing_outside_the_roots_is_asked_for() -> None:
    """Homes, mail and database content are out of reach by default."""
    roots = Debian().scope().roots
    assert all(
        root.startswith(("/etc", "/usr/local", "/var/spool/cron/crontabs")) for root in roots
    )


def test_the_record_is_complete_and_plain_text() -> None:
    """Facts of every probe are there, and no text holds control characters."""
    record, _ = survey(FakeProduction(read_answers(), TREE))
    assert record.taken_at == "2026-01-31T22:00:00Z"
    assert record.release.point == "12.15"
    assert record.packages and record.sources and record.units and record.sockets
    assert record.disks and record.mounts and record.conffiles and record.archive_keys
    assert all(row.path.isprintable() for row in record.withheld)
    assert record.cost.read_bytes > 20_000


def test_the_record_can_be_stored_and_read_back(tmp_path: Path) -> None:
    """Undecodable bytes in an answer do not keep a survey from being written."""
    answers = read_answers()
    answers[ProbeName.UNITS] = b"caf\xe9.service loaded active running x\n#files\n"
    record, _ = survey(FakeProduction(answers, TREE))
    (tmp_path / "survey.json").write_bytes(dump_record(record))
    assert load_record(CleanSurvey, tmp_path / "survey.json") == record
    assert record.units[0].name == "caf\\xe9.service"


def test_each_probe_is_asked_once() -> None:
    """A survey costs production each command once."""
    production = FakeProduction(read_answers(), TREE)
    survey(production)
    assert sorted(production.asked, key=str) == sorted(Debian().probes(), key=str)


@pytest.mark.parametrize("cut_at", [0, 100, 700, 5000])
def test_a_cut_stream_is_a_failed_survey(cut_at: int) -> None:
    """However early the stream ends, no short copy passes for a whole one."""
    with pytest.raises(SurveyFailed):
        survey(FakeProduction(read_answers(), TREE, cut_at=cut_at))


def test_a_failed_probe_is_a_failed_survey() -> None:
    """The probe is named."""
    broken = frozenset({ProbeName.PACKAGES})
    with pytest.raises(SurveyFailed) as caught:
        survey(FakeProduction(read_answers(), TREE, broken=broken))
    assert caught.value.where == "packages"


def test_the_byte_budget_stops_the_survey() -> None:
    """Past the budget nothing more is read."""
    with pytest.raises(SurveyFailed) as caught:
        survey(FakeProduction(read_answers(), TREE, budget=Budget(read_bytes=10_000)))
    assert "10000" in caught.value.wanted


def test_what_could_not_be_read_is_told() -> None:
    """tar's complaints and absent tools are in the record, and absent tools are events."""
    answers = read_answers()
    answers[ProbeName.UNITS] = b"#absent the service manager did not answer\n"
    sink = Kept()
    production = FakeProduction(
        answers, TREE, unreadable=(("/etc/locked", "Cannot open: Permission denied"),)
    )
    record, _ = survey(production, sink)
    rows = {row.path: row.reason for row in record.not_readable}
    assert rows["/etc/locked"] == "Cannot open: Permission denied"
    assert rows["units"] == "the service manager did not answer"
    assert any(isinstance(e, Notice) and "units" in e.text for e in sink.events)


def test_a_tiny_chunk_size_makes_no_difference() -> None:
    """The stream may arrive in any pieces."""
    whole, copy = survey(FakeProduction(read_answers(), TREE))
    pieces, again = survey(FakeProduction(read_answers(), TREE, chunk=97))
    assert copy == again
    assert replace(pieces, replacements=(), disks=(), host="", settings=()).entries == whole.entries


def test_the_command_list_is_complete() -> None:
    """`forerun survey --show-commands` prints the login check, every probe, and tar."""
    names = [name for name, _ in list_probes()]
    assert names[0] == "login" and names[-1] == "files"
    assert {probe.value for probe in Debian().probes()} <= set(names)
    assert any("find" in command and "tar --create" in command for _, command in list_probes())


def bare(command: str) -> str:
    """A command without redirections to nowhere and to open descriptors."""
    for harmless in ("2>/dev/null", "2>&1", ">&2", "3>&1", ">&3"):
        command = command.replace(harmless, "")
    return command


def test_no_command_redirects_into_a_file() -> None:
    """Read only: the only targets of a redirection are /dev/null and open descriptors. Of what
    a survey runs unasked, nothing is excepted."""
    commands = dict(list_probes())
    assert "calibration" not in commands and "link-rate" not in commands
    for name, command in commands.items():
        assert ">" not in bare(command), name


def test_what_is_asked_for_writes_only_where_it_says() -> None:
    """Of the two probes that `--calibrate` adds, one opens a connection and writes nothing;
    the other has dd write two files in a directory that it makes and removes, and none of its
    redirections leads to a file."""
    asked = dict(list_probes(calibrate=True))
    added = {name: asked[name] for name in asked.keys() - dict(list_probes()).keys()}
    assert set(added) == {"calibration", "link-rate"}
    link = bare(added["link-rate"]).replace('3<>"/dev/tcp/$host/$port"', "")
    assert not re.search(r">(?!/dev/null)", link.replace("3>&-", ""))
    kit = bare(added["calibration"])
    assert not re.search(r">(?!/dev/null)", kit)
    assert set(re.findall(r"of=(\S+)", kit)) == {'"$room/sync"', '"$room/write"', "/dev/null"}
    makers = re.findall(r"\b(?:mkdir|mktemp|tee|cp|mv|ln|install|touch|truncate)\b[^\n]*", kit)
    assert makers == ['mktemp -u "$top/forerun-speed.XXXXXXXX") && mkdir "$room"  && break']
    assert re.findall(r"\b(?:rm|rmdir)\b [^;]*", kit) == [
        'rm -f "$room/sync" "$room/write"', 'rmdir "$room"',
    ]  # fmt: skip
    assert kit.index("trap clean EXIT") < kit.index("mktemp -u")


def test_a_survey_with_the_figures_of_an_earlier_kit_is_read(tmp_path: Path) -> None:
    """They were of other work, so that nothing can be compared with them: the survey loads,
    and has no reading of speed."""
    record, _ = survey(FakeProduction(read_answers(), TREE))
    old = json.loads(dump_record(record))
    old["system"].pop("speed")
    old["system"]["calibration"] = [{"name": "compute-wall", "seconds": 0.0155, "runs": 20}]
    path = tmp_path / "survey.json"
    path.write_text(json.dumps(old), encoding="utf-8")
    read = load_record(CleanSurvey, path)
    assert read.system.speed is None
    assert read.packages == record.packages


def test_the_speed_is_stored_and_its_names_are_cleaned() -> None:
    """A survey that was asked for it has the reading; a mount point that tells the server's
    name is replaced as in the rest of the survey, an archive keeps its address as there."""
    answers = read_answers()
    node = answers[ProbeName.NAMES].split(b"\n")[1]
    answers[ProbeName.CALIBRATION] = answers[ProbeName.CALIBRATION].replace(
        b"on ext4 /\n", b"on ext4 /srv/%s\n" % node
    )
    record, _ = survey(FakeProduction(answers, TREE), calibrate=True)
    reading = record.system.speed
    assert reading is not None
    assert {speed.work for speed in reading.speeds} == set(Work)
    assert node.decode() not in repr(reading)
    (link,) = [speed for speed in reading.speeds if speed.work is Work.LINK]
    assert link.subject in {uri for source in record.sources for uri in source.uris}
    unasked, _ = survey(FakeProduction(answers, TREE))
    assert unasked.system.speed is None


def test_escape_path() -> None:
    """Control characters and undecodable bytes are written out, other text stays."""
    assert escape_path("/etc/a b/ü") == "/etc/a b/ü"
    assert escape_path("/a\x1b[2J\udcff") == "/a\\x1b[2J\\xff"
