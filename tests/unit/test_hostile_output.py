"""What commands and the progress display print, when every text they print is hostile: no
control character but the newline and forerun's own colours reaches a terminal."""

from __future__ import annotations

import dataclasses
import io
import json
import re
import tarfile
import tempfile
import unicodedata
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from markdown_it import MarkdownIt
from tests.practice.bare_survey import make_survey
from tests.practice.mutation import HOSTILE
from tests.unit.test_hostile_records import assert_plain, surveyed
from tests.unit.test_store import TEMPLATE

from forerun import cli, cli_common
from forerun.cli_shown import show_survey
from forerun.events import (
    Event,
    Notice,
    PhaseFinished,
    PhaseStarted,
    PromptSeen,
    StepFinished,
    StepOutput,
    StepStarted,
)
from forerun.model.observation import RunRecord
from forerun.model.survey import CleanSurvey
from forerun.ports.records import dump_record, load_record
from forerun.ports.store import Store
from forerun.progress import JsonLinesSink, TerminalSink, describe
from forerun.report.markdown import escape
from forerun.report.outline import outline
from forerun.report.plain import one_line
from forerun.report.render_terminal import render_terminal
from forerun.testing import FakeHypervisor

__all__ = ["surveyed"]  # a fixture
RUN = Path(__file__).parents[1] / "data" / "run-record-shelf01.json"
TEXT = "".join(text[:40] for text in HOSTILE).replace("\ud800", "") + "x" * 3000 + "\x1b[2J\r\0"
KEPT = frozenset({"id", "schema", "keep_until", "taken_at", "digest", "boot_mode", "at"})


def make_small_run() -> RunRecord:
    """The stored run with a few rows of each kind."""
    record = load_record(RunRecord, RUN)
    few = {
        field.name: value[:3]
        for field in dataclasses.fields(record)
        if isinstance(value := getattr(record, field.name), tuple)
    }
    return dataclasses.replace(record, **few)  # type: ignore[arg-type]


def spoil(value: Any, text: str) -> Any:
    """The same record with `text` for every text, but for what it must have to be found."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        parts = {
            f.name: spoil(getattr(value, f.name), text)
            for f in dataclasses.fields(value)
            if f.name not in KEPT
        }
        return dataclasses.replace(value, **parts)
    if isinstance(value, tuple):
        return tuple(spoil(one, text) for one in value)
    return text if isinstance(value, str) else value


@pytest.fixture
def store(tmp_path: Path, surveyed: CleanSurvey) -> Iterator[Store]:
    """A state folder in which every record is hostile."""
    store = Store(tmp_path / "state")
    run = spoil(make_small_run(), TEXT)
    survey = replace(spoil(surveyed, TEXT), keep_until="2999-01-01T00:00:00Z")
    template = spoil(TEMPLATE, TEXT)
    for folder, name, record in (
        (store.runs / run.id, "record.json", run),
        (store.surveys / survey.id, "survey.json", survey),
        (store.templates / template.id, "template.json", template),
    ):
        folder.mkdir()
        (folder / name).write_bytes(dump_record(record))
    with tarfile.open(store.surveys / survey.id / "copy.tar", "w") as tar:
        content = TEXT.encode() + b"\xff\xfe\x80\n" + b"\x1b[2J"
        info = tarfile.TarInfo("etc/motd")
        info.size = len(content)
        tar.addfile(info, io.BytesIO(content))
    store.ledger.note("run-x", "path", str(store.root / "machines" / TEXT[:40]))
    yield store


def run(words: list[str], store: Store, monkeypatch: pytest.MonkeyPatch) -> int:
    """As `main` runs it."""
    monkeypatch.setenv("FORERUN_HOME", str(store.root))
    return cli.run_guarded(lambda: cli.app(words, standalone_mode=True), store.root)


COMMANDS = (
    ("runs",),
    ("surveys",),
    ("review", "survey-1"),
    ("review", "survey-1", "--file", "/etc/motd"),
    ("review", "survey-1", "--file", TEXT.replace("\0", "")),
    ("approve", "survey-1", "--by", "keeper", "--note", TEXT.replace("\0", "")),
    ("report", "last"),
    ("report", "last", "--format", "markdown"),
    ("report", "last", "--format", "html"),
    ("report", "last", "--format", "json"),
    ("report", "last", "--format", TEXT.replace("\0", "")),
    ("report", TEXT.replace("\0", "")),
    ("estimate", "last"),
    ("estimate", "last", "--format", "json"),
    ("estimate", "last", "--if", "cpu=20x", "--if", "skip=" + TEXT.replace("\0", "")),
    ("estimate", "last", "--site", TEXT[:200].replace("\0", "")),
    ("plan", "last", "--from", "2026-12-05T22:00+01:00", "--window", "1h"),
    ("plan", "last", "--from", TEXT.replace("\0", "")),
    ("plan", "last", "--from", "2026-12-05T22:00", "--zone", TEXT[:200].replace("\0", "")),
    ("actual", "last", "--from", TEXT[:200].replace("\0", "")),
    (
        *("actual", "last", "--window-began", "2026-12-05T22:00"),
        *("--window-ended", "2026-12-05T23:00", "--note", TEXT.replace("\0", "")),
    ),
    ("template", "list"),
    ("template", "verify", TEXT.replace("\0", "")),
    ("profile", "check", TEXT.replace("\0", "")),
    ("profile", "check", "--site", TEXT[:200].replace("\0", "")),
    ("survey", TEXT.replace("\0", "")),
    ("rehearse", "--survey", TEXT.replace("\0", "")),
    ("rehearse", "--survey", "survey-1", "--memory", TEXT.replace("\0", "")),
    ("rehearse", "--survey", "survey-1", "--memory", "9" * 5000 + "GiB"),
    ("rehearse", "--survey", "survey-1", "--rate-limit", "9" * 5000 + "Gbit/s"),
    ("sweep",),
    ("version",),
)


@pytest.mark.parametrize("words", COMMANDS, ids=lambda words: " ".join(words)[:34].strip())
def test_no_command_prints_a_control_character(
    words: tuple[str, ...],
    store: Store,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Every command that shows stored things, with hostile ones and with hostile arguments:
    an exit code of a class, no traceback, and nothing that moves a cursor or turns a line."""
    monkeypatch.setattr("forerun.pipeline_bench.LibvirtHypervisor", lambda _uri: FakeHypervisor())
    code = run(list(words), store, monkeypatch)
    out, err = capsys.readouterr()
    assert code in (0, 2, 3, 10, 11, 33, 50, 51, 61)
    assert not (store.root / "bug.log").exists(), (store.root / "bug.log").read_text()
    assert_plain(out)
    assert_plain(err)
    assert out or err


def test_a_listing_says_what_was_hostile(
    store: Store, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Cleaned is not hidden: the words between the sequences are still there."""
    assert run(["review", "survey-1", "--file", "/etc/motd"], store, monkeypatch) == 0
    assert "<script>alert(1)</script>" in capsys.readouterr().out


@given(st.text() | st.sampled_from(HOSTILE))
def test_what_is_said_is_plain(text: str) -> None:
    """`say` and `warn` are the two ways to a terminal for what others wrote."""
    told: list[str] = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("typer.echo", lambda line, **_: told.append(line))
        cli_common.say(text)
        cli_common.warn(text)
    assert_plain("".join(told))
    assert "\n" not in told[1]


texts = st.text(max_size=60) | st.sampled_from(HOSTILE)
seconds = st.floats(0, 1e6)
events = st.one_of(
    st.builds(PhaseStarted, seconds, texts, texts),
    st.builds(PhaseFinished, seconds, texts, seconds, texts),
    st.builds(StepStarted, seconds, texts, texts, texts, st.just(1), st.just(9), seconds),
    st.builds(StepOutput, seconds, texts, texts),
    st.builds(StepFinished, seconds, texts, texts, seconds, texts),
    st.builds(PromptSeen, seconds, texts, texts, st.booleans(), texts),
    st.builds(Notice, seconds, st.sampled_from(("note", "caution", "fault")) | texts, texts),
)
OWN_COLOURS = re.compile(r"\x1b\[[0-9;]*m")


@given(st.lists(events, min_size=1, max_size=6))
def test_progress_shows_no_control_character(told: list[Event]) -> None:
    """Any text in any event: plain lines, coloured lines and JSON lines."""
    for event in told:
        _style, line = describe(event)
        assert_plain(line)
        assert "\n" not in line and len(line) <= 400
    for colour in (False, True):
        stream = io.StringIO()
        sink = TerminalSink(stream, colour=colour, live=False)
        for event in told:
            sink.emit(event)
        sink.close()
        shown = stream.getvalue()
        assert_plain(OWN_COLOURS.sub("", shown) if colour else shown)


@settings(max_examples=20)
@given(st.lists(events, min_size=1, max_size=6))
def test_a_live_display_shows_rich_and_no_one_else(told: list[Event]) -> None:
    """The redrawn status has cursor movements of its own library; none comes with a text, so
    what an event brought cannot be told from what a clean event of that shape brings."""

    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    stream = Terminal()
    sink = TerminalSink(stream, colour=True, live=True)
    for event in told:
        sink.emit(event)
    sink.close()
    own = re.compile(r"\x1b\[(?:[0-9;]*m|\?25[lh]|[0-9]*A|2K|[0-9]*G|[0-9]*K)|\r")
    assert_plain(own.sub("", stream.getvalue()))


@given(st.lists(events, min_size=1, max_size=4))
def test_json_lines_are_ascii_and_one_each(told: list[Event]) -> None:
    """The events' file is read by programs: one object a line, whatever was said."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "events.jsonl"
        sink = JsonLinesSink(path)
        for event in told:
            sink.emit(event)
        sink.close()
        lines = path.read_bytes().split(b"\n")
    assert lines.pop() == b"" and len(lines) == len(told)
    for line in lines:
        assert all(0x20 <= byte < 0x7F for byte in line)
        json.loads(line)


@settings(max_examples=300)
@given(
    st.text(alphabet="\\\\`*_{}[]()<>#+-.!|&;~@:/= \nwhtpsx1\"'$^%", max_size=40)
    | st.sampled_from(HOSTILE)
    | st.text(max_size=40)
)
def test_any_text_is_text_in_markdown(text: str) -> None:
    """CommonMark and GFM tables, as markdown-it (a parser of its own) reads them: in a list, in
    a cell and as a paragraph, an escaped text is shown letter by letter and is nothing else."""
    plain = one_line(text)
    for before, after in (("- ", ""), ("| ", " | b |\n| --- | --- |\n| c | d |"), ("x ", "")):
        tokens = MarkdownIt("commonmark").enable("table").parse(f"{before}{escape(text)}{after}\n")
        first = next((token for token in tokens if token.type == "inline"), None)
        children = first.children or [] if first else []
        assert {child.type for child in children} <= {"text", "text_special"}
        shown = "".join(child.content for child in children)
        assert (shown[1:] if before == "x " else shown).split() == plain.split()


def test_forerun_s_own_colours_are_the_only_ones() -> None:
    """With colour the summary has those sequences and no other, whatever the record says."""
    report = outline(spoil(make_small_run(), TEXT))
    shown = render_terminal(report, width=80, colour=True, folder=TEXT)
    assert {code for code in OWN_COLOURS.findall(shown)} <= {
        f"\x1b[{number}m" for number in (0, 1, 31, 32, 33)
    }
    assert_plain(OWN_COLOURS.sub("", shown))
    assert all(unicodedata.category(c) != "Cf" for c in shown)


def test_a_survey_of_a_hostile_server_is_told_plainly(capsys: pytest.CaptureFixture[str]) -> None:
    """The lines after a survey, with every text of the server's own."""
    show_survey(spoil(make_survey("a=1"), TEXT))
    assert_plain(capsys.readouterr().out)
