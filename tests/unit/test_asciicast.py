"""Recorded terminals: what is written, what is read back, what is refused.

The format is held against its documentation, "asciicast v2" (its manual's page of that name);
that unknown attributes of a header are passed over is from memory."""

from __future__ import annotations

import json
import os
import resource
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forerun.errors import NoRoom, NotFound, RecordDamaged
from forerun.ports.asciicast import (
    MOST_BYTES,
    CastEvent,
    CastHeader,
    CastRecorder,
    read_cast,
    show_cast_text,
)
from forerun.testing import FakeClock

BEGAN = datetime(2026, 1, 31, 22, 0, tzinfo=UTC)
HEADER = '{"version": 2, "width": 80, "height": 24}\n'


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "shell.cast"


def begin(path: Path, clock: FakeClock | None = None, **more: Any) -> CastRecorder:
    whole = {"columns": 80, "rows": 24, "started_at": BEGAN, "title": "", **more}
    return CastRecorder(path, clock=clock or FakeClock(), **whole)


def read_lines(path: Path) -> list[Any]:
    return [json.loads(line) for line in path.read_text(encoding="ascii").splitlines()]


# -- what is written


def test_the_file_is_as_the_format_says(path: Path) -> None:
    """asciicast v2: the first line is an object with `version` 2 and integers `width` and
    `height`, `timestamp` an integer of Unix seconds, `title` and `env` optional; each line
    after it is an array [time, code, data], the time a number of seconds since the beginning,
    the code "o" for output, "r" for a resize with "COLSxROWS", "m" for a marker."""
    clock = FakeClock()
    with begin(path, clock, title="Night", term="xterm-256color") as recorder:
        clock.sleep(0.25)
        recorder.output(b"\x1b[1mhello\x1b[0m\r\n")
        clock.sleep(1.0)
        recorder.mark("inject")
        recorder.resize(100, 30)
        clock.sleep(0.5)
        recorder.output("gr\u00fcn".encode())
    header, *events = read_lines(path)
    assert header == {
        "version": 2,
        "width": 80,
        "height": 24,
        "timestamp": 1769896800,  # date -u -d "2026-01-31 22:00:00" +%s
        "title": "Night",
        "env": {"TERM": "xterm-256color"},
    }
    assert events == [
        [0.25, "o", "\x1b[1mhello\x1b[0m\r\n"],
        [1.25, "m", "inject"],
        [1.25, "r", "100x30"],
        [1.75, "o", "gr\u00fcn"],
    ]
    assert path.read_bytes().endswith(b"]\n")


def test_only_what_is_known_stands_in_the_header(path: Path) -> None:
    """Without a title and a TERM there is neither; a size that nobody knows is 80 by 24."""
    begin(path, columns=0, rows=0).close()
    assert read_lines(path) == [{"version": 2, "width": 80, "height": 24, "timestamp": 1769896800}]


def test_what_is_read_is_what_was_recorded(path: Path) -> None:
    """Header and events come back."""
    clock = FakeClock()
    with begin(path, clock, title="\u00dcbung", term="vt100") as recorder:
        clock.sleep(2.0)
        recorder.output(b"a")
        recorder.mark("")
    cast = read_cast(path)
    assert cast.header == CastHeader(80, 24, 1769896800, "\u00dcbung", "vt100")
    assert cast.events == (CastEvent(2.0, "o", "a"), CastEvent(2.0, "m", ""))
    assert not cast.cut_short


@given(parts=st.lists(st.one_of(st.binary(max_size=6), st.text(max_size=3).map(str.encode))))
def test_any_bytes_cut_anywhere_become_their_text(
    tmp_path_factory: pytest.TempPathFactory, parts: list[bytes]
) -> None:
    """UTF-8 with U+FFFD for what is none, as if all had come at once; and in the file there
    is no byte but printable ASCII and line ends."""
    path = tmp_path_factory.mktemp("cast") / "any.cast"
    with begin(path) as recorder:
        for part in parts:
            recorder.output(part)
    shown = "".join(event.text for event in read_cast(path).events)
    assert shown == b"".join(parts).decode("utf-8", "replace")
    assert all(0x20 <= byte <= 0x7E or byte == 0x0A for byte in path.read_bytes())


def test_half_a_letter_waits_for_the_other_half(path: Path) -> None:
    """No event for it alone, and it stands at the time it was whole."""
    clock = FakeClock()
    recorder = begin(path, clock)
    recorder.output("\u00fc".encode()[:1])
    assert len(read_lines(path)) == 1
    clock.sleep(1.0)
    recorder.output("\u00fc".encode()[1:])
    assert read_lines(path)[1:] == [[1.0, "o", "\u00fc"]]
    recorder.close()


def test_each_event_is_in_the_file_at_once(path: Path) -> None:
    """A process that is killed loses none: nothing waits for the end."""
    recorder = begin(path)
    assert len(read_lines(path)) == 1
    notes: list[Callable[[], None]] = [
        lambda: recorder.output(b"x"),
        lambda: recorder.resize(1, 1),
        lambda: recorder.mark("x"),
    ]
    for count, note in enumerate(notes, start=2):
        note()
        assert len(read_lines(path)) == count
    recorder.close()


def test_the_same_size_again_is_no_event(path: Path) -> None:
    """Nor is an unknown one."""
    with begin(path) as recorder:
        for size in ((80, 24), (0, 0), (90, 24), (90, 24), (80, 24)):
            recorder.resize(*size)
    assert [event.text for event in read_cast(path).events] == ["90x24", "80x24"]


def test_after_the_end_nothing_is_written(path: Path) -> None:
    """A second end, and what comes after it, is no trouble."""
    recorder = begin(path)
    recorder.close()
    before = path.read_bytes()
    recorder.output(b"x")
    recorder.mark("x")
    recorder.resize(1, 1)
    recorder.close()
    assert path.read_bytes() == before


def test_nobody_else_may_read_it(path: Path) -> None:
    """Mode 0600 whatever the umask: a terminal may have shown anything."""
    before = os.umask(0)
    try:
        begin(path).close()
    finally:
        os.umask(before)
    assert path.stat().st_mode & 0o777 == 0o600


def test_nothing_is_overwritten_nor_followed(path: Path, tmp_path: Path) -> None:
    """A file that is there, a link that leads elsewhere, a folder that is not: NoRoom, named."""
    path.write_text("mine")
    link = tmp_path / "link.cast"
    link.symlink_to(tmp_path / "elsewhere")
    for one in (path, link, tmp_path / "no" / "x.cast"):
        with pytest.raises(NoRoom) as caught:
            begin(one)
        assert caught.value.where == str(one)
    assert path.read_text() == "mine"
    assert not (tmp_path / "elsewhere").exists()


def test_at_its_limit_it_says_so_once_and_stops(path: Path) -> None:
    """The file never grows larger, its last event says why, and it can be read."""
    told: list[str] = []
    recorder = begin(path, most_bytes=3000, on_trouble=told.append)
    for _ in range(100):
        recorder.output(b"x" * 100)
    recorder.mark("later")
    recorder.close()
    assert 2500 < path.stat().st_size <= 3000
    *shown, last = read_cast(path).events
    assert {event.code for event in shown} == {"o"}
    assert last.code == "m" and "stops here" in last.text
    assert len(told) == 1 and str(path) in told[0]
    assert recorder.trouble == told[0]


def test_the_limit_is_64_mib() -> None:
    """What is written can be read: both ends go by one figure."""
    assert MOST_BYTES == 64 * 1024 * 1024


@contextmanager
def limited_files(size: int) -> Iterator[None]:
    """No file of this process grows beyond that: EFBIG, as setrlimit(2) says, once SIGXFSZ
    is ignored."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
        signal.signal(signal.SIGXFSZ, handler)


def test_a_file_that_takes_no_more_ends_the_recording_and_nothing_else(path: Path) -> None:
    """The terminal goes on; what was written until then can be read, its last line cut."""
    told: list[str] = []
    recorder = begin(path, on_trouble=told.append)
    recorder.output(b"before")
    with limited_files(path.stat().st_size + 10):
        recorder.output(b"y" * 50)
        recorder.output(b"after")
    recorder.close()
    assert len(told) == 1
    cast = read_cast(path)
    assert [event.text for event in cast.events] == ["before"]
    assert cast.cut_short


def test_no_room_for_the_first_line_is_told(path: Path) -> None:
    """NoRoom, and no recording with half a header is left."""
    with limited_files(5), pytest.raises(NoRoom):
        begin(path)
    assert not path.exists()


def test_half_characters_do_not_spoil_a_recording(path: Path) -> None:
    """Python gives a command line's undecodable bytes as lone surrogates: they are replaced."""
    with begin(path, title="a\udcffb") as recorder:
        recorder.mark("c\udcffd")
    cast = read_cast(path)
    assert (cast.header.title, cast.events[0].text) == ("a?b", "c?d")


# -- what is read


def test_a_minimal_file_and_one_with_everything(path: Path) -> None:
    """`version`, `width` and `height` suffice; other attributes of the format (duration,
    idle_time_limit, command, theme) and unknown ones change nothing; typed input of others'
    recordings is read; times may be whole numbers."""
    path.write_text(HEADER)
    assert read_cast(path).header == CastHeader(80, 24)
    rich = {
        "version": 2, "width": 132, "height": 43, "timestamp": 1700000000, "duration": 7.5,
        "idle_time_limit": 2, "command": "sh", "title": "T", "env": {"SHELL": "/bin/sh",
        "TERM": "vt100", "LANG": "C"}, "theme": {"fg": "#d0d0d0"}, "x": None,
    }  # fmt: skip
    events = [[0, "i", "ls\r"], [0.5, "o", "a"], [0.5, "m", ""], [3, "r", "80x24"]]
    path.write_text("".join(json.dumps(line) + "\n" for line in (rich, *events)))
    cast = read_cast(path)
    assert cast.header == CastHeader(132, 43, 1700000000, "T", "vt100", "/bin/sh")
    assert [[event.at_s, event.code, event.text] for event in cast.events] == events


def test_a_file_cut_anywhere_after_its_header_is_read_up_to_there(path: Path) -> None:
    """Each prefix gives the events whose lines are whole, and says whether one was cut."""
    with begin(path) as recorder:
        for text in ("one", 'a "quoted" [word]', "\u00fc\x1b[0m"):
            recorder.output(text.encode())
    content, events = path.read_bytes(), read_cast(path).events
    first = content.index(b"\n") + 1
    for end in range(first, len(content)):
        path.write_bytes(content[:end])
        cast = read_cast(path)
        lines = content[first:end].split(b"\n")
        whole = len(lines) - 1 + lines[-1].endswith(b"]") * (content[end : end + 1] == b"\n")
        assert cast.events == events[:whole], f"cut at {end}"
        assert cast.cut_short == (whole < len(lines) and lines[-1] != b""), f"cut at {end}"


@pytest.mark.parametrize(
    ("content", "line"),
    [
        ("", 1),
        ("\n", 1),
        ("{", 1),
        ('{"version": 2, "width": 80, "hei', 1),
        ("[]\n", 1),
        ("null\n", 1),
        ('{"version": 1, "width": 80, "height": 24}\n', 1),
        ('{"version": 3, "width": 80, "height": 24}\n', 1),
        ('{"version": "2", "width": 80, "height": 24}\n', 1),
        ('{"version": 2, "height": 24}\n', 1),
        ('{"version": 2, "width": 80, "height": 0}\n', 1),
        ('{"version": 2, "width": 8e1, "height": 24}\n', 1),
        ('{"version": 2, "width": true, "height": 24}\n', 1),
        ('{"version": 2, "width": 80, "height": 1000000}\n', 1),
        ('{"version": 2, "width": 80, "height": 24, "timestamp": "now"}\n', 1),
        ('{"version": 2, "width": 80, "height": 24, "title": 7}\n', 1),
        ('{"version": 2, "width": 80, "height": 24, "env": ["TERM"]}\n', 1),
        ('{"version": 2, "width": 80, "height": 24, "env": {"TERM": 7}}\n', 1),
        (HEADER + "\n", 2),
        (HEADER + "garbage\n", 2),
        (HEADER + "garbage", 2),
        (HEADER + '[0.1, "o", "cut\n[0.2, "o", "whole"]\n', 2),
        (HEADER + '[0.1, "o", "a"]\n{}\n', 3),
        (HEADER + '[0.1, "o"]\n', 2),
        (HEADER + '[0.1, "o"]', 2),
        (HEADER + '[0.1, "o", "a", 1]\n', 2),
        (HEADER + '["0.1", "o", "a"]\n', 2),
        (HEADER + '[true, "o", "a"]\n', 2),
        (HEADER + '[-0.1, "o", "a"]\n', 2),
        (HEADER + '[NaN, "o", "a"]\n', 2),
        (HEADER + '[Infinity, "o", "a"]\n', 2),
        (HEADER + f'[1{"0" * 400}, "o", "a"]\n', 2),
        (HEADER + f'[1{"0" * 9000}, "o", "a"]\n', 2),
        (HEADER + '[0.1, "", "a"]\n', 2),
        (HEADER + '[0.1, "oi", "a"]\n', 2),
        (HEADER + '[0.1, "x", "a"]\n', 2),
        (HEADER + '[0.1, ["o"], "a"]\n', 2),
        (HEADER + '[0.1, "o", null]\n', 2),
        (HEADER + '[0.1, "o", "\\ud800"]\n', 2),
        (HEADER + '[0.1, "r", "80 x 24"]\n', 2),
        (HEADER + '[0.1, "r", ""]\n', 2),
        (HEADER + '[0.2, "o", "a"]\n[0.1, "o", "b"]\n', 3),
        (HEADER + "[" * 100_000 + "\n", 2),
    ],
)
def test_everything_else_is_refused_with_its_line(path: Path, content: str, line: int) -> None:
    """RecordDamaged names file and line; a last line that is no beginning of an event was
    not cut, it is wrong."""
    path.write_text(content)
    with pytest.raises(RecordDamaged) as caught:
        read_cast(path)
    assert caught.value.where == f"{path}:{line}"
    assert len(caught.value.found) <= 300


def test_bytes_that_are_no_text_are_refused(path: Path) -> None:
    """JSON is UTF-8 (RFC 8259, 8.1)."""
    path.write_bytes(HEADER.encode() + b'[0.1, "o", "\xff"]\n')
    with pytest.raises(RecordDamaged):
        read_cast(path)


@given(data=st.data())
def test_a_spoilt_file_is_read_or_refused(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    """Any byte exchanged: a recording or RecordDamaged, and never another error."""
    content = bytearray(HEADER.encode() + b'[0.1, "o", "a\\u001b[0m"]\n[12.5, "r", "80x24"]\n')
    for _ in range(data.draw(st.integers(1, 3))):
        content[data.draw(st.integers(0, len(content) - 1))] = data.draw(st.integers(0, 255))
    path = tmp_path_factory.mktemp("cast") / "spoilt.cast"
    path.write_bytes(content)
    try:
        assert read_cast(path).header.columns >= 1
    except RecordDamaged as problem:
        assert problem.where.startswith(str(path))


def test_a_file_that_is_not_there_or_cannot_be_read(path: Path) -> None:
    """Absence is NotFound, a folder of that name is RecordDamaged."""
    with pytest.raises(NotFound):
        read_cast(path)
    path.mkdir()
    with pytest.raises(RecordDamaged):
        read_cast(path)


def test_a_file_larger_than_any_recording_is_not_taken_in(path: Path) -> None:
    """A sparse file of more than the limit is refused."""
    with path.open("wb") as stream:
        stream.truncate(MOST_BYTES + 1)
    with pytest.raises(RecordDamaged, match="cannot be read") as caught:
        read_cast(path)
    assert "64 MiB" in caught.value.found


# -- what it looked like


@pytest.mark.parametrize(
    ("said", "plain"),
    [
        (["a\x1b[3", "1mred\x1b[0m b"], "ared b"),
        (["10%\r50%", "\r100%\r\nend"], "100%\nend"),
        (["bell\x07", "\x1b]0;title\x07text"], "belltext"),
        ([], ""),
    ],
)
def test_what_was_shown_is_plain_text(said: list[str], plain: str) -> None:
    """Sequences that are cut between two events are put together; controls are gone; sizes,
    markers and typed input are no text that was shown."""
    others = [CastEvent(1.0, *one) for one in (("r", "80x24"), ("m", "mark"), ("i", "typed"))]
    events: list[CastEvent] = []
    for text in said:
        events += [CastEvent(1.0, "o", text), *others]
    assert show_cast_text(events) == plain
