"""The YAML reader: places, refusals, limits."""

from __future__ import annotations

import time

import pytest

from forerun.profile_mistakes import Spot
from forerun.profile_yaml import MAX_BYTES, MAX_DEPTH, read_yaml


def told(content: bytes) -> list[tuple[int, int, str]]:
    return [
        (mistake.spot.line, mistake.spot.column, mistake.text)
        for mistake in read_yaml(content).mistakes
    ]


def test_every_key_and_item_keeps_its_place() -> None:
    """Lines and columns count from 1, for keys, list items and flow style alike."""
    written = read_yaml(b"a: 1\nb:\n  - x\n  - {c: 2, d: [3]}\n")
    assert written.data == {"a": "1", "b": ["x", {"c": "2", "d": ["3"]}]}
    assert written.spots[("a",)] == Spot(1, 1)
    assert written.spots[("b", 1)] == Spot(4, 5)
    assert written.spots[("b", 1, "d")] == Spot(4, 12)
    assert written.spot(("b", 1, "missing")) == Spot(4, 5)


@pytest.mark.parametrize("word", ["no", "yes", "on", "12", "0x1f", "1.0", "2026-01-31", "="])
def test_plain_words_stay_text(word: str) -> None:
    """Nothing is guessed from a plain word, whatever YAML 1.1 would make of it."""
    assert read_yaml(f"a: {word}\n".encode()).data == {"a": word}


@pytest.mark.parametrize("text", ["a:\n", "a: ~\n", "a: null\n"])
def test_nothing_is_none(text: str) -> None:
    """A value that is not written is None, so that a field can tell it from ""."""
    assert read_yaml(text.encode()).data == {"a": None}


def test_a_quoted_nothing_is_text() -> None:
    """ "" and "null" in quotes are texts."""
    assert read_yaml(b"a: \"\"\nb: 'null'\n").data == {"a": "", "b": "null"}


def test_a_doubled_key_is_refused_with_both_lines() -> None:
    """The second of two keys is a mistake, and the message leads to the first."""
    assert told(b"a: 1\nb: 2\na: 3\n") == [(3, 1, "written twice; the first is on line 1")]


def test_growth_by_aliases_is_refused_at_once() -> None:
    """The billion-laughs file is refused in no time: nothing is expanded."""
    levels = ["l0: &l0 [lol]"] + [
        f"l{n}: &l{n} [{', '.join([f'*l{n - 1}'] * 9)}]" for n in range(1, 12)
    ]
    started = time.process_time()
    mistakes = told("\n".join(levels).encode())
    assert time.process_time() - started < 1.0
    assert mistakes[0] == (1, 5, "the anchor &l0 is not taken")
    assert (2, 10, "the alias *l0 is not taken") in mistakes


def test_tags_are_refused() -> None:
    """A tag is never acted on, not even a harmless one."""
    mistakes = told(b"a: !!python/object/apply:os.system [id]\nb: !!str x\n")
    assert [(line, text.startswith("the tag ")) for line, _, text in mistakes] == [
        (1, True),
        (2, True),
    ]


def test_a_merge_key_is_only_a_key() -> None:
    """`<<` merges nothing."""
    assert read_yaml(b"<<: {a: 1}\n").data == {"<<": {"a": "1"}}


@pytest.mark.parametrize("shape", ["[", "{a: ", "- "])
def test_depth_is_bounded(shape: str) -> None:
    """A file nested deeper than the limit is refused."""
    ((_, _, text),) = told(shape.encode() * (MAX_DEPTH + 1))
    assert text == f"nested deeper than {MAX_DEPTH} levels"


@pytest.mark.parametrize("shape", ["[", "{a: ", "- "])
def test_a_bottomless_file_is_refused_without_recursion(shape: str) -> None:
    """A hundred thousand levels are one mistake (libyaml has a limit of its own for [ and {)."""
    ((_, _, text),) = told(shape.encode() * 100_000)
    assert "nest" in text


def test_size_is_bounded() -> None:
    """A file above 1 MiB is refused unread; one of exactly 1 MiB is read."""
    line = b"# " + b"x" * 61 + b"\n"
    full = b"a: 1\n" + line * ((MAX_BYTES - 5) // 64)
    full += b"#" * (MAX_BYTES - len(full))
    assert read_yaml(full).data == {"a": "1"}
    assert told(full + b"#") == [
        (1, 1, f"the file has {MAX_BYTES + 1} bytes (allowed: up to {MAX_BYTES})")
    ]


def test_the_number_of_values_is_bounded() -> None:
    """A flat list of more values than any profile needs is refused."""
    assert told(b"[" + b"a," * 60_000 + b"]")[0][2] == "more than 50000 values in one file"


def test_other_encodings_are_refused_with_the_place() -> None:
    """A byte that is not UTF-8 is told with line and column."""
    assert told(b"a: 1\nb: gr\xfcn\n") == [
        (2, 6, "byte 0xfc is not UTF-8 text (allowed: UTF-8 only)")
    ]


def test_control_characters_are_refused_with_the_place() -> None:
    """YAML 1.1, section 5.1: control characters are not printable."""
    assert told(b"a: 1\nb: x\x07y\n") == [
        (2, 5, "the control character U+0007 cannot stand in YAML")
    ]


def test_a_tab_as_indentation_is_told_in_words() -> None:
    """The commonest invisible mistake is named."""
    ((line, column, text),) = told(b"a:\n\tb: 1\n")
    assert (line, column) == (2, 1)
    assert text.endswith("indent with blanks, not with tabs")


def test_broken_yaml_is_told_with_line_and_column() -> None:
    """A syntax error has its place, and mistakes found before it are kept."""
    mistakes = told(b"a: 1\na: 2\nb: [1, 2\nc: 3\n")
    assert mistakes[0] == (2, 1, "written twice; the first is on line 1")
    assert mistakes[1][0] == 4
    assert mistakes[1][2].startswith("not YAML: ")


@pytest.mark.parametrize(
    ("content", "text"),
    [
        (b"", "the file is empty"),
        (b"# only words\n", "the file is empty"),
        (b"a: 1\n---\nb: 2\n", "a second document begins (allowed: one)"),
        (b"? [a, b]\n: 1\n", "a key must be a plain word"),
    ],
)
def test_odd_documents_are_refused(content: bytes, text: str) -> None:
    """One document, with plain words as keys."""
    assert told(content)[0][2] == text


def test_a_byte_order_mark_is_passed_over() -> None:
    """Some editors write one; it is no part of the first key."""
    assert read_yaml(b"\xef\xbb\xbfa: 1\n").data == {"a": "1"}
