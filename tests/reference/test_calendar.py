"""The calendar file against RFC 5545 and against a reader of its own (the icalendar package)."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forerun.model.window import Notice, PlanLine, WindowPlan
from forerun.report.calendar import write_calendar

icalendar = pytest.importorskip("icalendar", reason="the package icalendar is not installed")

STAMP = datetime(2026, 11, 20, 9, 30, 5, tzinfo=UTC)
TRICKY = 'Unpack; "all", back\\slash\nsecond line: ünïcödé 字' * 4
PLAN = WindowPlan(
    begins="2026-12-05T22:00:00+01:00",
    ends="2026-12-05T23:30:00+01:00",
    lines=(
        PlanLine(
            "full-upgrade", TRICKY, "window", "2026-12-05T22:05:00+01:00",
            "2026-12-05T22:09:00+01:00", "2026-12-05T22:30:00+01:00",
            "2026-12-05T22:44:00+01:00", point_of_no_return=True,
        ),
    ),
    no_return_step="full-upgrade",
    no_return_p50="2026-12-05T22:05:00+01:00",
    no_return_p95="2026-12-05T22:09:00+01:00",
    back_out_by="2026-12-05T23:10:00+01:00",
    back_out_way="back to the hold point",
    notices=(Notice("2026-11-30T22:00:00+01:00", "users", TRICKY, "notice"),),
    objections=("It may take longer.",),
)  # fmt: skip


def write(plan: WindowPlan = PLAN) -> str:
    return write_calendar(
        plan, run="run-1", host="shelf01.records.example", version="0.1.0", stamp=STAMP
    )


def test_lines_are_folded_at_75_octets_and_end_in_crlf() -> None:
    """RFC 5545, 3.1: CRLF after each line, none longer than 75 octets, no character cut."""
    content = write().encode("utf-8")
    assert content.endswith(b"\r\n")
    assert b"\n" not in content.replace(b"\r\n", b"")
    for line in content.split(b"\r\n"):
        assert len(line) <= 75
        line.decode("utf-8")


def test_another_reader_finds_what_was_meant() -> None:
    """icalendar reads three events, with the instants in UTC and the text as it was."""
    calendar = icalendar.Calendar.from_ical(write())
    events = calendar.walk("VEVENT")
    assert len(events) == 3
    window, step, notice = events
    assert window["DTSTART"].dt == datetime(2026, 12, 5, 21, 0, tzinfo=UTC)
    assert window["DTEND"].dt == datetime(2026, 12, 5, 22, 30, tzinfo=UTC)
    assert str(window["SUMMARY"]) == "Upgrade of shelf01.records.example"
    assert "2026-12-05T23:10:00+01:00" in str(window["DESCRIPTION"])
    assert str(step["SUMMARY"]) == f"shelf01.records.example: {TRICKY} (point of no return)"
    assert str(notice["DESCRIPTION"]) == TRICKY
    assert notice["DTEND"].dt - notice["DTSTART"].dt == timedelta(minutes=5)
    assert all(event["DTSTAMP"].dt == STAMP for event in events)


def test_what_the_standard_requires_is_there_once() -> None:
    """RFC 5545, 3.6 and 3.6.1: PRODID and VERSION of the calendar, UID and DTSTAMP of each
    event, each UID another, and none of them the clock's."""
    calendar = icalendar.Calendar.from_ical(write())
    assert calendar["VERSION"] == "2.0"
    assert calendar["PRODID"]
    uids = [str(event["UID"]) for event in calendar.walk("VEVENT")]
    assert len(set(uids)) == len(uids)
    again = icalendar.Calendar.from_ical(write())
    assert [str(event["UID"]) for event in again.walk("VEVENT")] == uids
    assert not calendar.errors


def test_a_night_without_a_window_is_as_long_as_its_work() -> None:
    """DTEND is later than DTSTART (RFC 5545, 3.6.1)."""
    plan = replace(PLAN, ends=PLAN.begins)
    window = icalendar.Calendar.from_ical(write(plan)).walk("VEVENT")[0]
    assert window["DTEND"].dt == datetime(2026, 12, 5, 21, 44, tzinfo=UTC)


@given(st.text(max_size=200))
def test_any_text_stays_one_property(text: str) -> None:
    """No title breaks out of its line: it comes back without its control characters."""
    plan = replace(PLAN, lines=(replace(PLAN.lines[0], title=text),), notices=())
    content = write(plan)
    names = {re.split("[:;]", line)[0] for line in content.replace("\r\n ", "").split("\r\n")}
    assert names <= {
        "BEGIN", "END", "VERSION", "PRODID", "CALSCALE", "UID", "DTSTAMP", "DTSTART", "DTEND",
        "SUMMARY", "DESCRIPTION", "",
    }  # fmt: skip
    assert len(icalendar.Calendar.from_ical(content).walk("VEVENT")) == 2
