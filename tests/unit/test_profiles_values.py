"""Durations as people write them."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forerun.profiles import parse_duration


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("30 s", 30.0),
        ("10 min", 600.0),
        ("1 h 30 min", 5400.0),
        ("1h30min", 5400.0),
        ("2 d", 172800.0),
        ("500 ms", 0.5),
        ("1.5 h", 5400.0),
        ("0 s", 0.0),
        (" 4 s ", 4.0),
        ("7 d", 604800.0),
    ],
)
def test_durations_are_read(text: str, seconds: float) -> None:
    """A duration is its seconds."""
    assert parse_duration(text) == pytest.approx(seconds)


@pytest.mark.parametrize(
    ("text", "hint"),
    [
        ("30", "write `30 s` or `30 min`"),
        ("0", "write `0 s`"),
        ("", "a duration is missing"),
        ("soon", "is not a duration"),
        ("-5 s", "is not a duration"),
        ("5 s later", "is not a duration"),
        ("10 m", "did you mean 'min'?"),
        ("10 minutes", "did you mean 'min'?"),
        ("10 secs", "did you mean 's'?"),
        ("1 fortnight", "is not a unit of time"),
        ("30 min 1 h", "from large to small"),
        ("1 s 1 s", "from large to small"),
        ("8 d", "longer than 7 d"),
    ],
)
def test_what_is_no_duration_says_what_would_be(text: str, hint: str) -> None:
    """A refusal names what is wrong or what was meant."""
    with pytest.raises(ValueError, match=re.escape(hint)):
        parse_duration(text)


@given(st.integers(0, 6), st.integers(0, 23), st.integers(0, 59), st.integers(0, 59))
def test_parts_add_up(days: int, hours: int, minutes: int, seconds: int) -> None:
    """Days, hours, minutes and seconds together are their sum."""
    text = f"{days} d {hours} h {minutes} min {seconds} s"
    assert parse_duration(text) == ((days * 24 + hours) * 60 + minutes) * 60 + seconds
