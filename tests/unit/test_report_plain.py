"""Untrusted text made harmless."""

import dataclasses
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forerun.model.observation import Seen
from forerun.report.plain import clean_record, one_line, strip_controls


@pytest.mark.parametrize(
    ("raw", "plain"),
    [
        ("\x1b[31mred\x1b[0m", "red"),
        ("\x1b[2J\x1b[1;1Hcleared", "cleared"),
        ("\x1b]0;a title\x07after", "after"),
        ("\x1b]8;;http://host.example/\x1b\\link\x1b]8;;\x1b\\", "link"),
        ("\x1b]0;never ended\nnext line", "\nnext line"),
        ("\x1bPquery\x1b\\after", "after"),
        ("\x9b31mred", "red"),
        ("\x1b(Bcharset", "charset"),
        ("\x1bcreset", "reset"),
        ("a\x00b\x07c\x7fd", "abcd"),
    ],
)
def test_terminal_sequences_go(raw: str, plain: str) -> None:
    """Each kind of control sequence of ECMA-48 (5.4 CSI, 8.3 OSC, DCS) leaves nothing."""
    assert strip_controls(raw) == plain


@pytest.mark.parametrize("code", [*range(0x202A, 0x202F), *range(0x2066, 0x206A), 0x200F, 0x61C])
def test_bidirectional_controls_go(code: int) -> None:
    """Every character of Unicode's Bidi_Control property is dropped (UAX 9, 2)."""
    assert strip_controls(f"a{chr(code)}b") == "ab"


def test_line_ends_are_kept_as_newlines() -> None:
    """CR, CR LF, NEL and the Unicode separators end a line; none can overwrite one."""
    assert strip_controls("a\r\nb\rc\x85d\u2028e\u2029f") == "a\nb\nc\nd\ne\nf"


@given(st.text())
def test_nothing_invisible_is_left(text: str) -> None:
    """Whatever comes in, only newlines and characters outside category C come out."""
    for char in strip_controls(text):
        assert char == "\n" or not unicodedata.category(char).startswith("C")


@given(st.text())
def test_cleaning_twice_changes_nothing(text: str) -> None:
    """Removal cannot put a new sequence together that a second pass would find."""
    once = strip_controls(text)
    assert strip_controls(once) == once


@given(st.text(), st.integers(min_value=1, max_value=30))
def test_one_line_keeps_its_length(text: str, longest: int) -> None:
    """A cut line is never longer than asked for and never holds a line end."""
    line = one_line(text, longest=longest)
    assert len(line) <= longest
    assert "\n" not in line


def test_a_record_is_cleaned_at_any_depth() -> None:
    """Texts in nested records and tuples are cleaned; other values stay."""

    @dataclasses.dataclass(frozen=True)
    class Outer:
        seen: tuple[Seen, ...]
        pairs: tuple[tuple[str, float], ...]

    outer = Outer((Seen("cosmetic", "a\x1b[1mb", "c\x00d"),), (("e\x07f", 1.5),))
    assert clean_record(outer) == Outer((Seen("cosmetic", "ab", "cd"),), (("ef", 1.5),))


def test_a_huge_text_is_cut_and_says_so() -> None:
    """A guest cannot make a report huge with one text."""
    cleaned = clean_record(Seen("cosmetic", "t", "x" * 100_000))
    assert len(cleaned.evidence) < 4100
    assert cleaned.evidence.endswith("(cut here)")
