"""How a conditional or partial request is answered from one representation. Pure.

Source: RFC 9110 sections 13 (preconditions, order in 13.2.2), 14 (ranges), 5.6.7 (dates),
8.8.3.2 (comparison of entity tags).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime

_TAG = re.compile(r'(?:W/)?"[\x21\x23-\x7e\x80-\xff]*"')
_TAG_LIST = re.compile(rf"\s*,*\s*{_TAG.pattern}(?:\s*,\s*(?:{_TAG.pattern})?)*\s*")
_RANGE = re.compile(r"bytes\s*=\s*(\d*)\s*-\s*(\d*)", re.IGNORECASE)
_TYPE = re.compile(r"[\x20-\x7e]{1,150}")


@dataclass(frozen=True, slots=True)
class Representation:
    """One version of a file. `length` in bytes, None = not known yet; `etag` and
    `last_modified` as the archive sent them, or ""; `age_s` seconds in the cache."""

    length: int | None
    etag: str = ""
    last_modified: str = ""
    content_type: str = ""
    content_encoding: str = ""
    age_s: int | None = None


@dataclass(frozen=True, slots=True)
class Answer:
    """`status` 200, 206, 304, 412 or 416; the body is `count` bytes from `start`
    (None = up to the end, whose place is not known yet)."""

    status: int
    start: int = 0
    count: int | None = 0


def decide_answer(have: Representation, method: str, fields: Mapping[str, str]) -> Answer:
    """The answer to a GET or HEAD for `have`; `fields` are looked up case-insensitively."""
    failed = _check_preconditions(have, fields)
    if failed:
        return Answer(failed)
    wanted = fields.get("Range")
    if method != "GET" or wanted is None or have.length is None or not _if_range(have, fields):
        return Answer(200, 0, have.length)
    return _cut_range(wanted, have.length)


def answer_fields(have: Representation, answer: Answer) -> dict[str, str]:
    """The header fields of an answer (RFC 9110 section 15.4.5 for 304)."""
    fields = {"Accept-Ranges": "bytes"} if have.length is not None else {}
    if answer.status in (412, 416):
        fields["Content-Length"] = "0"
        if answer.status == 416:
            fields["Content-Range"] = f"bytes */{have.length}"
        return fields
    if have.etag:
        fields["ETag"] = have.etag
    if have.last_modified:
        fields["Last-Modified"] = have.last_modified
    if have.age_s is not None:
        fields["Age"] = str(have.age_s)
    if answer.status == 304:
        return fields
    fields["Content-Type"] = have.content_type or "application/octet-stream"
    if have.content_encoding:
        fields["Content-Encoding"] = have.content_encoding
    if answer.count is not None:
        fields["Content-Length"] = str(answer.count)
    if answer.status == 206:
        last = answer.start + (answer.count or 0) - 1
        fields["Content-Range"] = f"bytes {answer.start}-{last}/{have.length}"
    return fields


def parse_instant(text: str) -> datetime | None:
    """An HTTP date in any of its three forms, or None."""
    try:
        moment = parsedate_to_datetime(text)
    except (ValueError, TypeError, IndexError, OverflowError):
        return None
    return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)


def clean_tag(text: str) -> str:
    """An entity tag fit to be stored and sent on, or ""."""
    return text if len(text) <= 300 and _TAG.fullmatch(text) and text.isascii() else ""


def clean_date(text: str) -> str:
    """A date fit to be stored and sent on, or ""."""
    return text if text.isascii() and text.isprintable() and parse_instant(text) else ""


def clean_type(text: str) -> str:
    """A content type or encoding fit to be stored and sent on, or ""."""
    return text if _TYPE.fullmatch(text) else ""


def _check_preconditions(have: Representation, fields: Mapping[str, str]) -> int:
    """412 or 304 when a precondition fails, else 0; in the order of section 13.2.2."""
    changed = parse_instant(have.last_modified) if have.last_modified else None
    match = fields.get("If-Match")
    if match is not None:
        if not _names(match, have.etag, weak=False):
            return 412
    else:
        limit = parse_instant(fields.get("If-Unmodified-Since", ""))
        if changed and limit and changed > limit:
            return 412
    none_match = fields.get("If-None-Match")
    if none_match is not None:
        return 304 if _names(none_match, have.etag, weak=True) else 0
    since = parse_instant(fields.get("If-Modified-Since", ""))
    # Without a date of the archive's own there is nothing to compare: send it whole.
    return 304 if changed and since and changed <= since else 0


def _names(field: str, etag: str, *, weak: bool) -> bool:
    if field.strip() == "*":
        return True
    if not etag or not _TAG_LIST.fullmatch(field):
        return False
    if not weak:
        return not etag.startswith("W/") and etag in _TAG.findall(field)
    return etag.removeprefix("W/") in {one.removeprefix("W/") for one in _TAG.findall(field)}


def _if_range(have: Representation, fields: Mapping[str, str]) -> bool:
    """Whether a Range applies: the validator of If-Range is exactly ours (13.1.5)."""
    field = fields.get("If-Range")
    if field is None:
        return True
    if _TAG.fullmatch(field.strip()):
        return _names(field.strip(), have.etag, weak=False)
    ours = parse_instant(have.last_modified) if have.last_modified else None
    return ours is not None and parse_instant(field) == ours


def _cut_range(field: str, length: int) -> Answer:
    """One byte range; several, or one that cannot be read, give the whole (14.2)."""
    parts = _RANGE.fullmatch(field.strip())
    whole = Answer(200, 0, length)
    if parts is None or len(field) > 60 or not (parts[1] or parts[2]):
        return whole
    if not parts[1]:
        tail = min(int(parts[2]), length)
        return Answer(206, length - tail, tail) if tail else Answer(416)
    first = int(parts[1])
    last = int(parts[2]) if parts[2] else length - 1
    if parts[2] and last < first:
        return whole
    if first >= length:
        return Answer(416)
    return Answer(206, first, min(last, length - 1) - first + 1)
