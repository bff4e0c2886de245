"""Event sinks: the terminal and the file of JSON lines."""

import errno
import io
import json
from pathlib import Path

import pytest

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
from forerun.progress import JsonLinesSink, TerminalSink, describe, open_terminal

EVENTS: tuple[Event, ...] = (
    PhaseStarted(0.0, "clone", "overlay and seed"),
    PhaseFinished(41.6, "clone", 41.6),
    StepStarted(42.0, "window", "upgrade-full", "Upgrade in full", 8, 14, 650.0),
    StepOutput(43.0, "upgrade-full", "Reading package lists..."),
    PromptSeen(60.0, "upgrade-full", "Restart services?", True, "yes"),
    PromptSeen(61.0, "upgrade-full", "Licence server away.\nGo on?", False, ""),
    StepFinished(700.0, "upgrade-full", "done", 658.0),
    Notice(701.0, "caution", "the lab host is busy"),
)


class Terminal(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self) -> bool:
        return True


def write_plain(*events: Event) -> list[str]:
    stream = io.StringIO()
    sink = TerminalSink(stream, colour=False, live=False)
    for event in events:
        sink.emit(event)
    sink.close()
    return stream.getvalue().splitlines()


def test_plain_mode_writes_one_line_an_event_with_its_time() -> None:
    """Every event but output is one line that starts with the time since the start."""
    assert write_plain(*EVENTS) == [
        "0:00:00  clone begins: overlay and seed",
        "0:00:42  clone done in 42 s",
        "0:00:42  window, step 8 of 14: Upgrade in full begins: about 10 min 50 s before",
        "0:01:00  declared prompt in upgrade-full, answered 'yes': Restart services?",
        "0:01:01  undeclared prompt in upgrade-full, waits for an answer: Licence server away. "
        "Go on?",
        "0:11:40  upgrade-full done after 10 min 58 s",
        "0:11:41  caution: the lab host is busy",
    ]


def test_a_talking_step_gives_a_sign_of_life_once_a_minute() -> None:
    """Ten minutes of output every second give a line a minute with the last thing said."""
    lines = write_plain(
        EVENTS[2], *(StepOutput(42.0 + n, "upgrade-full", f"line {n}") for n in range(601))
    )[1:]
    assert len(lines) == 10
    assert lines[0] == "0:01:42  upgrade-full still runs: line 60"
    assert lines[-1] == "0:10:42  upgrade-full still runs: line 600"


def test_a_fault_brings_the_last_lines_of_output() -> None:
    """A step that ends badly shows the last ten lines it said, and no more."""
    lines = write_plain(
        EVENTS[2],
        *(StepOutput(43.0, "upgrade-full", f"line {n}") for n in range(30)),
        StepFinished(50.0, "upgrade-full", "failed", 8.0, "exit code 100"),
    )
    assert lines[1] == "0:00:50  upgrade-full failed after 8.0 s: exit code 100"
    assert lines[2:] == [f"0:00:50    | line {n}" for n in range(20, 30)]


def test_output_of_an_earlier_step_is_not_shown_for_a_later_fault() -> None:
    """What the step before said does not explain this step's fault."""
    lines = write_plain(
        EVENTS[2],
        StepOutput(43.0, "upgrade-full", "old"),
        StepStarted(50.0, "window", "reboot", "Restart", 9, 14),
        StepFinished(60.0, "reboot", "overran", 10.0),
    )
    assert lines[-1] == "0:01:00  reboot overran after 10 s"


@pytest.mark.parametrize("live", [False, True])
def test_hostile_output_does_not_reach_the_terminal(live: bool) -> None:
    """Sequences, line ends and bidirectional controls of a guest are taken out, whatever
    the event they come in."""
    evil = "a\x1b[2Jb\x1b]0;t\x07c\rd\ne\u202ef\x00\x9bm[bold]g"
    stream = Terminal()
    sink = TerminalSink(stream, colour=False, live=live)
    for event in (
        PhaseStarted(0.0, evil, evil),
        StepStarted(0.0, evil, evil, evil, 1, 1),
        StepOutput(70.0, evil, evil),
        PromptSeen(71.0, evil, evil, False, evil),
        Notice(72.0, "fault", evil),
        StepFinished(73.0, evil, "failed", 1.0, evil),
    ):
        sink.emit(event)
    sink.close()
    text = stream.getvalue()
    for part in ("\x1b[2J", "\x1b]0", "\u202e", "\x00", "\x9b"):
        assert part not in text
    assert "abc d ef[bold]g" in text


def test_plain_mode_writes_no_escape() -> None:
    """Without colour and without live drawing the stream gets plain text only."""
    assert all("\x1b" not in line for line in write_plain(*EVENTS))


def test_live_mode_shows_stage_step_and_last_line() -> None:
    """On a terminal the running step's stage, number and title and the last line of
    output are drawn, with the time left where earlier runs tell it."""
    stream = Terminal()
    sink = TerminalSink(stream, colour=False, live=True)
    for event in EVENTS[2:4]:
        sink.emit(event)
    sink.emit(Notice(44.0, "note", "still here"))
    sink.close()
    text = stream.getvalue()
    assert "window 8/14" in text
    assert "Upgrade in full" in text
    assert "Reading package lists..." in text
    assert "left if as before" in text


def test_live_mode_draws_no_time_left_that_nobody_knows() -> None:
    """Without an expected duration there is elapsed time and no forecast."""
    stream = Terminal()
    sink = TerminalSink(stream, colour=False, live=True)
    sink.emit(StepStarted(1.0, "window", "upgrade", "Upgrade", 1, 2))
    sink.emit(Notice(2.0, "note", "drawn again"))
    sink.close()
    assert "Upgrade" in stream.getvalue()
    assert "as before" not in stream.getvalue()


@pytest.mark.parametrize(
    ("stream", "environ", "colour", "live"),
    [
        (Terminal(), {"TERM": "xterm"}, True, True),
        (Terminal(), {"TERM": "xterm", "NO_COLOR": "1"}, False, True),
        (Terminal(), {"TERM": "dumb"}, False, False),
        (io.StringIO(), {"TERM": "xterm"}, False, False),
    ],
)
def test_the_display_follows_the_stream_and_no_color(
    stream: io.StringIO, environ: dict[str, str], colour: bool, live: bool
) -> None:
    """A terminal is drawn live; NO_COLOR takes the colour, a pipe takes both."""
    sink = open_terminal(stream, environ)
    sink.emit(StepFinished(1.0, "upgrade", "failed", 1.0))
    sink.close()
    text = stream.getvalue()
    assert ("\x1b[31m" in text) is colour
    assert ("\x1b[?25l" in text) is live  # the cursor is hidden while a status is drawn


class Broken(io.StringIO):
    """A stream whose reader has gone."""

    def write(self, text: str) -> int:
        raise BrokenPipeError(errno.EPIPE, "Broken pipe")


@pytest.mark.parametrize("live", [False, True])
def test_a_vanished_terminal_does_not_stop_the_run(live: bool) -> None:
    """Writing fails: no event raises, and nothing is tried again."""
    good = Terminal()
    sink = TerminalSink(good, colour=False, live=live)
    sink.emit(EVENTS[0])
    good.write = Broken().write  # type: ignore[method-assign]
    for event in EVENTS:
        sink.emit(event)
    sink.close()


def test_a_closed_stream_does_not_stop_the_run() -> None:
    """A stream closed under the sink raises ValueError inside, nothing outside."""
    stream = io.StringIO()
    sink = TerminalSink(stream, colour=False, live=False)
    stream.close()
    for event in EVENTS:
        sink.emit(event)
    sink.close()


def test_a_poor_encoding_loses_letters_and_nothing_else() -> None:
    """On an ASCII stream a letter it lacks becomes a question mark."""
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding="ascii")
    sink = TerminalSink(stream, colour=False, live=False)
    sink.emit(Notice(1.0, "note", "Brücke"))
    stream.flush()
    assert raw.getvalue() == b"0:00:01  note: Br?cke\n"


@pytest.mark.parametrize("event", [EVENTS[3], Notice(0.0, "note", "x" * 1000)])
def test_every_event_is_described_in_one_line(event: Event) -> None:
    """Descriptions are one line and not endless."""
    _, text = describe(event)
    assert "\n" not in text
    assert 0 < len(text) <= 400


# --- JSON lines


def test_each_event_is_one_json_object(tmp_path: Path) -> None:
    """Every line parses alone and says its kind and its fields, output included."""
    path = tmp_path / "events.jsonl"
    sink = JsonLinesSink(path)
    for event in EVENTS:
        sink.emit(event)
    sink.close()
    lines = [json.loads(line) for line in path.read_text(encoding="ascii").splitlines()]
    assert [line["kind"] for line in lines] == [
        "phase-started",
        "phase-finished",
        "step-started",
        "step-output",
        "prompt-seen",
        "prompt-seen",
        "step-finished",
        "notice",
    ]
    assert lines[2] == {
        "kind": "step-started",
        "at_s": 42.0,
        "stage": "window",
        "step": "upgrade-full",
        "title": "Upgrade in full",
        "number": 8,
        "of": 14,
        "expected_s": 650.0,
    }


def test_a_line_is_on_disk_before_the_next_event(tmp_path: Path) -> None:
    """After each event its line can be read: a crash loses nothing that was emitted."""
    path = tmp_path / "events.jsonl"
    sink = JsonLinesSink(path)
    for number, event in enumerate(EVENTS, start=1):
        sink.emit(event)
        assert path.read_text(encoding="ascii").count("\n") == number
    sink.close()


def test_lines_are_appended_to_what_is_there(tmp_path: Path) -> None:
    """A resumed run goes on in the same file."""
    path = tmp_path / "events.jsonl"
    for event in EVENTS[:2]:
        sink = JsonLinesSink(path)
        sink.emit(event)
        sink.close()
    assert len(path.read_text(encoding="ascii").splitlines()) == 2


def test_hostile_output_stays_one_line_of_ascii(tmp_path: Path) -> None:
    """Line ends, controls and lone surrogates in output are escaped by JSON itself."""
    path = tmp_path / "events.jsonl"
    sink = JsonLinesSink(path)
    text = "a\nb\r\x1b[31m\u2028\ud800é"
    sink.emit(StepOutput(1.0, "s", text))
    sink.close()
    raw = path.read_bytes()
    assert raw.count(b"\n") == 1
    assert all(0x20 <= byte < 0x7F for byte in raw.rstrip(b"\n"))
    assert json.loads(raw)["line"] == text


def test_a_full_disk_stops_the_file_and_is_told_once() -> None:
    """The real error of a full disk (Linux gives ENOSPC for every write to /dev/full,
    full(4)): no event raises, and the trouble is told exactly once."""
    told: list[str] = []
    sink = JsonLinesSink(Path("/dev/full"), on_trouble=told.append)
    for event in EVENTS:
        sink.emit(event)
    sink.close()
    assert len(told) == 1
    assert "No space left on device" in told[0]
    assert sink.trouble == told[0]


def test_a_folder_that_does_not_exist_is_trouble_not_an_error(tmp_path: Path) -> None:
    """A file that cannot be opened is noted like one that cannot be written."""
    sink = JsonLinesSink(tmp_path / "gone" / "events.jsonl")
    sink.emit(EVENTS[0])
    sink.close()
    assert "No such file or directory" in sink.trouble
