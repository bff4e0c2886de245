"""Conditional and partial requests, by RFC 9110."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from multidict import CIMultiDict

from forerun.ports.gateway_answer import (
    Answer,
    Representation,
    answer_fields,
    clean_date,
    clean_tag,
    clean_type,
    decide_answer,
    parse_instant,
)

OLDER = "Sun, 06 Nov 1994 08:49:36 GMT"
DATE = "Sun, 06 Nov 1994 08:49:37 GMT"
NEWER = "Sun, 06 Nov 1994 08:49:38 GMT"
HAVE = Representation(10_000, etag='"xyzzy"', last_modified=DATE)
BARE = Representation(10_000)
WHOLE = Answer(200, 0, 10_000)


def ask(have: Representation, method: str = "GET", **fields: str) -> Answer:
    named = {name.replace("_", "-"): value for name, value in fields.items()}
    return decide_answer(have, method, CIMultiDict(named))


@pytest.mark.parametrize(
    "text",
    [DATE, "Sunday, 06-Nov-94 08:49:37 GMT", "Sun Nov  6 08:49:37 1994"],
)
def test_all_three_forms_of_a_date_are_read(text: str) -> None:
    """The three examples of RFC 9110 section 5.6.7 mean the same moment."""
    assert parse_instant(text) == datetime(1994, 11, 6, 8, 49, 37, tzinfo=UTC)


@pytest.mark.parametrize("text", ["", "yesterday", "0", "Sun, 99 Nov 1994 08:49:37 GMT"])
def test_what_is_no_date_is_no_date(text: str) -> None:
    """Unreadable dates are ignored, not guessed."""
    assert parse_instant(text) is None
    assert clean_date(text) == ""


@pytest.mark.parametrize(
    ("wanted", "answer"),
    [
        ("bytes=0-499", Answer(206, 0, 500)),
        ("bytes=500-999", Answer(206, 500, 500)),
        ("bytes=-500", Answer(206, 9_500, 500)),
        ("bytes=9500-", Answer(206, 9_500, 500)),
        ("bytes=9500-99999", Answer(206, 9_500, 500)),
        ("bytes=-99999", Answer(206, 0, 10_000)),
        ("bytes=0-0", Answer(206, 0, 1)),
        ("bytes=10000-", Answer(416)),
        ("bytes=-0", Answer(416)),
        ("bytes=0-0,-1", WHOLE),
        ("bytes=5-4", WHOLE),
        ("bytes=", WHOLE),
        ("bytes=-", WHOLE),
        ("bytes=a-b", WHOLE),
        ("lines=0-4", WHOLE),
        ("bytes=" + "9" * 80 + "-", WHOLE),
    ],
)
def test_a_range_is_cut_as_the_standard_says(wanted: str, answer: Answer) -> None:
    """First four: the examples of RFC 9110 section 14.1.2 for 10000 bytes. Several
    ranges and unreadable ones give the whole, which section 14.2 allows."""
    assert ask(HAVE, Range=wanted) == answer


def test_a_range_counts_only_for_get_and_for_a_known_length() -> None:
    """RFC 9110 section 14.2: Range is defined for GET."""
    assert ask(HAVE, "HEAD", Range="bytes=0-1") == WHOLE
    assert ask(Representation(None), Range="bytes=0-1") == Answer(200, 0, None)


@pytest.mark.parametrize(
    ("validator", "partial"),
    [
        (DATE, True),
        ('"xyzzy"', True),
        (OLDER, False),
        (NEWER, False),
        ('"other"', False),
        ('W/"xyzzy"', False),
        ("nonsense", False),
    ],
)
def test_if_range_needs_exactly_our_validator(validator: str, partial: bool) -> None:
    """RFC 9110 section 13.1.5: exact date or strong tag, else the whole file. This is
    what apt sends with the rest of a partial file."""
    found = ask(HAVE, Range="bytes=5-", If_Range=validator)
    assert found == (Answer(206, 5, 9_995) if partial else WHOLE)
    assert ask(BARE, Range="bytes=5-", If_Range=validator) == WHOLE


@pytest.mark.parametrize(
    ("fields", "status"),
    [
        ({"If_Modified_Since": DATE}, 304),
        ({"If_Modified_Since": NEWER}, 304),
        ({"If_Modified_Since": OLDER}, 200),
        ({"If_Modified_Since": "nonsense"}, 200),
        ({"If_None_Match": '"xyzzy"'}, 304),
        ({"If_None_Match": 'W/"xyzzy"'}, 304),
        ({"If_None_Match": '"a", "xyzzy", "c"'}, 304),
        ({"If_None_Match": "*"}, 304),
        ({"If_None_Match": '"a"'}, 200),
        ({"If_None_Match": '"a"', "If_Modified_Since": NEWER}, 200),
        ({"If_Match": '"xyzzy"'}, 200),
        ({"If_Match": '"a"'}, 412),
        ({"If_Match": 'W/"xyzzy"'}, 412),
        ({"If_Match": '"a"', "If_None_Match": '"xyzzy"'}, 412),
        ({"If_Unmodified_Since": OLDER}, 412),
        ({"If_Unmodified_Since": DATE}, 200),
        ({"If_Match": '"xyzzy"', "If_Unmodified_Since": OLDER}, 200),
        ({"If_Modified_Since": DATE, "Range": "bytes=0-1"}, 304),
    ],
)
def test_preconditions_are_taken_in_order(fields: dict[str, str], status: int) -> None:
    """RFC 9110 section 13.2.2: If-Match, If-Unmodified-Since, If-None-Match,
    If-Modified-Since, then the range."""
    assert ask(HAVE, **fields).status == status


def test_without_a_validator_there_is_nothing_to_compare() -> None:
    """An archive that sends no validators gets its file sent whole each time."""
    assert ask(BARE, If_Modified_Since=NEWER) == WHOLE
    assert ask(BARE, If_None_Match='"xyzzy"') == WHOLE


def test_the_fields_of_an_answer_are_those_of_its_status() -> None:
    """206 has Content-Range (15.3.7), 416 the length alone (15.5.17), 304 the validators
    and no length of its own (15.4.5)."""
    part = answer_fields(HAVE, Answer(206, 500, 500))
    assert part["Content-Range"] == "bytes 500-999/10000"
    assert part["Content-Length"] == "500"
    beyond = answer_fields(HAVE, Answer(416))
    assert beyond["Content-Range"] == "bytes */10000"
    assert beyond["Content-Length"] == "0"
    same = answer_fields(HAVE, Answer(304))
    assert (same["ETag"], same["Last-Modified"]) == ('"xyzzy"', DATE)
    assert "Content-Length" not in same
    assert "Content-Length" not in answer_fields(Representation(None), Answer(200, 0, None))


@pytest.mark.parametrize("text", ['"a\r\nX: 1"', "xyzzy", '"a"b"', '"\x1b"', '"' + "a" * 400 + '"'])
def test_a_tag_unfit_to_send_on_is_dropped(text: str) -> None:
    """RFC 9110 section 8.8.3 says what a tag is made of."""
    assert clean_tag(text) == ""


def test_fit_values_are_kept_and_injected_ones_dropped() -> None:
    """What an archive sends cannot add a field to what the client gets."""
    assert clean_tag('W/"a-1"') == 'W/"a-1"'
    assert clean_type("text/plain; charset=utf-8") == "text/plain; charset=utf-8"
    assert clean_type("text/plain\r\nX: 1") == ""
    assert clean_date(DATE + "\r\nX: 1") == ""
