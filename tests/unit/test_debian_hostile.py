"""A server whose tools lie, hang or are missing: clear errors or empty facts, never a
traceback, and nothing that turns a terminal upside down."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.unit.test_debian_state import read_answers

from forerun.distro.base import ABSENT, escape_odd, escape_value
from forerun.distro.debian import Debian
from forerun.errors import ForerunError
from forerun.model.raw import RawSurvey
from forerun.ports.production import ProbeName

GARBAGE = (
    b"",
    b"\0",
    b"\xff\xfe\xfd",
    b"{",
    b'{"blockdevices": [{"kname": "\xe9\x1b[31m", "size": "1e9", "type": ["disk"]}]}',
    b"#file \n#file /etc/passwd\n\t:::::::\n\ta:\xb2:\xb2:x:y\n",
    b"#absent everything is gone\n",
    b"#links\n/etc/alternatives/x\t\0\0\t\0",
    b"1 2 3 4 5 6 7 8 9 10 11 12\n" * 50,
    b"a: b\n c\n\n" * 50,
    b"\t\t\t\t\n" * 20,
    b"9" * 5000 + b"\n",
    "\u0663\u0664 \u00b2\n".encode() * 20,
    b"\x1b[2J\x1b]0;title\x07\n" * 10,
)


@pytest.mark.parametrize("probe", list(ProbeName), ids=lambda probe: probe.value)
@pytest.mark.parametrize("garbage", GARBAGE)
def test_garbage_in_one_answer(probe: ProbeName, garbage: bytes) -> None:
    """Whatever one tool says, reading ends with facts or with a named error."""
    answers = {**read_answers(), probe: garbage}
    try:
        raw = Debian().read_facts(answers)
    except ForerunError as problem:
        assert problem.where
        return
    assert all(text_is_plain(text) for text in walk_texts(raw))


@pytest.mark.parametrize("garbage", GARBAGE)
def test_garbage_in_every_optional_answer(garbage: bytes) -> None:
    """All tools but those a survey needs lie at once."""
    needed = (ProbeName.OS_RELEASE, ProbeName.MACHINE, ProbeName.PACKAGES, ProbeName.CONTROL)
    answers = {
        probe: answer if probe in needed else garbage for probe, answer in read_answers().items()
    }
    raw = Debian().read_facts(answers)
    assert raw.packages
    assert all(text_is_plain(text) for text in walk_texts(raw))


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(list(ProbeName)), st.data())
def test_an_answer_with_a_piece_changed(probe: ProbeName, data: st.DataObject) -> None:
    """A recorded answer in which some bytes were replaced."""
    answers = read_answers()
    content = answers[probe][:4000]
    at = data.draw(st.integers(0, len(content)))
    piece = data.draw(st.binary(max_size=12) | st.sampled_from(GARBAGE))
    answers[probe] = content[:at] + piece + content[at + len(piece) :]
    try:
        raw = Debian().read_facts(answers)
    except ForerunError:
        return
    assert all(text_is_plain(text) for text in walk_texts(raw))


def walk_texts(value: object) -> Iterator[str]:
    """Every text in the facts that may be shown to a person."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, RawSurvey):
        for name in RawSurvey.__slots__:
            if name != "names":
                yield from walk_texts(getattr(value, name))
    elif dataclasses.is_dataclass(value):
        for field in dataclasses.fields(value):
            yield from walk_texts(getattr(value, field.name))
    elif isinstance(value, dict):
        yield from walk_texts(tuple(value))
    elif isinstance(value, tuple | list | frozenset):
        for item in value:
            yield from walk_texts(item)


def text_is_plain(text: str) -> bool:
    text.encode("utf-8")
    return not any((ord(c) < 32 and c not in "\n\t\r\0") or ord(c) == 127 for c in text)


def test_a_missing_tool_is_an_empty_fact_with_a_reason() -> None:
    """As on a server without lsblk, ip, journal and udev's database."""
    answers = read_answers()
    answers[ProbeName.DISKS] = ABSENT + b"lsblk did not answer\n"
    answers[ProbeName.SYSTEM] = (
        b"#file addresses\n#absent addresses there is no ip program\n#links\n"
    )
    answers[ProbeName.HISTORY] = (
        b"#file boots\n#absent boots the journal did not answer\n#file startup\n"
        b"#absent startup the service manager did not answer\n#file transactions\n"
    )
    raw = Debian().read_facts(answers)
    assert not (raw.system.blocks or raw.system.boots or raw.system.interfaces)
    reasons = {row.path: row.reason for row in raw.not_readable}
    assert reasons["disks"] == "lsblk did not answer"
    assert reasons["addresses"] == "there is no ip program"
    assert reasons["boots"] == "the journal did not answer"
    assert "passwd" in reasons["accounts"] and "features" in reasons["processor"]


def test_json_that_is_none_is_told() -> None:
    """Not the same as a server without disks."""
    answers = {**read_answers(), ProbeName.DISKS: b"sda disk 10G\n"}
    raw = Debian().read_facts(answers)
    assert ("disks", "lsblk gave an answer of another shape") in [
        (row.path, row.reason) for row in raw.not_readable
    ]


def test_a_disk_with_odd_bytes_in_its_label_keeps_the_others() -> None:
    """One label that is no UTF-8 must not spoil the whole answer."""
    answers = read_answers()
    answers[ProbeName.DISKS] = answers[ProbeName.DISKS].replace(b'"data"', b'"da\xe9ta\\u001b[1m"')
    raw = Debian().read_facts(answers)
    labels = {block.name: block.label for block in raw.system.blocks}
    assert labels["sdb"] == r"da\xe9ta\x1b[1m"


def test_escapes() -> None:
    """Control characters, line ends and direction marks are written out; other text stays."""
    assert escape_odd("a\tb\nc\0\u00fc") == "a\tb\nc\0\u00fc"
    assert escape_odd("\x1b[2J\u202e\u2028") == r"\x1b[2J\xe2\x80\xae\xe2\x80\xa8"
    assert escape_value("a\nb\t\udce9") == r"a\x0ab\x09\xe9"
    assert escape_value(None) == "" and escape_value(7) == "7"
