"""An invented drill on a clone of an invented server, as two invented people played it.

The figures are made up so that each can be told from every other in what is drawn of them.
"""

from __future__ import annotations

import dataclasses
from typing import Any

from forerun.model.drill import (
    DrillEvent,
    DrillFile,
    DrillRecord,
    DrillState,
    Hint,
    Inject,
    InjectCourse,
    Judged,
    Moment,
    Objective,
    Passing,
    Standing,
)

HOSTILE = (
    "<script>alert(1)</script>\"'><img src=http://198.51.100.9/x onerror=alert(1)> "
    "{{ 7*7 }} {% raw %} \x1b[31mred\x1b[0m \x1b]8;;http://198.51.100.9/\x07l\x1b]8;;\x07 "
    "\u202eright\u202c nul\x00 \x9b2J </style></pre><svg onload=alert(1)>\n\n# head\n- item\n"
    "1. one\n| a | b |\n---\n![i](http://198.51.100.9) [l](http://198.51.100.9) `c` *e* www.x.test "
    "a@b.test "
)

DRILL = DrillFile(
    name="night-with-trouble",
    title="A night with trouble",
    level="assessed",
    situation="Saturday, 22:00. shelf01 is to be upgraded; the web listing must be back by 23:30.",
    objectives=(
        Objective(
            "whole",
            "Every package is whole",
            "packages-whole",
            points=20,
            why="A package half configured fails at its next start.",
            read="Runbook, section Checks",
            hints=(Hint("Look at what is half done.", 2), Hint("Audit the packages.", 5)),
        ),
        Objective(
            "one-at-a-time",
            "Never two package managers at once",
            "one-package-manager",
            points=15,
            why="Two of them spoil the list of what is installed.",
            hints=(Hint("Who holds the lock?", 3),),
        ),
        Objective(
            "kernel",
            "The new kernel runs",
            "new-kernel-running",
            points=15,
            why="No reboot, no mend.",
        ),
        Objective(
            "note",
            "The decision is written down",
            "decision-noted",
            critical=False,
            points=10,
            why="The morning shift reads it.",
            read="Local rule 7",
        ),
    ),
    injects=(
        Inject(
            "line-cut",
            "session-lost",
            "The connection is lost",
            when=Moment.UNPACKING,
            cue="The terminal freezes.",
            right="Log in again and find the running job.",
            lesson="Work in a session that outlives its line.",
            read="Runbook, section Mishaps",
            limit_s=300.0,
            always=True,
        ),
        Inject(
            "boot-full",
            "boot-full",
            "The file system of /boot is full",
            when=Moment.CONFIGURING,
            cue="No space left on device.",
            right="Remove an old kernel that does not run.",
            lesson="Look at /boot before the window.",
            limit_s=600.0,
        ),
        Inject("slow", "archive-slow", "The archive is slow", at_s=900.0, cue="It takes long."),
        Inject("key-old", "signing-key-expired", "SURPRISE LEFT", when=Moment.SWITCHED),
    ),
    time_allowed_s=2700.0,
    window_s=5400.0,
    draw=2,
    passing=Passing(points_share=0.7),
    key_points=("Two windows, one job.",),
    debrief=("What told you that the job still ran?",),
    read=("Runbook, all of it",),
    digest="d1" * 32,
    path="/home/somebody/drills/night.yaml",
)


def event(at_s: float, kind: str, name: str, text: str = "", attempt: int = 1) -> DrillEvent:
    """One line of the event line; the time of day goes with the seconds."""
    minutes, seconds = divmod(int(at_s), 60)
    return DrillEvent(
        f"2026-03-14T21:{minutes:02d}:{seconds:02d}Z", at_s, attempt, kind, name, text
    )


def make_passed() -> DrillRecord:
    """Passed in time with one hint; an inject mended in time, another that never came."""
    return DrillRecord(
        id="drill-20260314-210000",
        drill=DRILL,
        person="trainee-blue",
        state=DrillState.FINISHED,
        made_at="2026-03-14T20:40:00Z",
        host="shelf01.records.example",
        survey_id="survey-1",
        profile="debian-12-to-13",
        profile_digest="p1" * 32,
        run_id="run-7",
        seed=41,
        drawn=("line-cut", "slow"),
        began_at="2026-03-14T21:00:00Z",
        finished_at="2026-03-14T21:31:00Z",
        spent_s=1860.0,
        reference_s=1240.0,
        cold_start_s=250.0,
        events=(
            event(0, "state", "running"),
            event(400, "inject", "line-cut", "both connections cut"),
            event(452, "shell", "second", "opened"),
            event(500, "mended", "line-cut", "the job was found again"),
            event(1500, "hint", "whole", "1"),
            event(1700, "note", "", "stayed on the new release"),
            event(1860, "state", "finished"),
        ),
        judged=(
            Judged("whole", Standing.MET, "audit printed nothing", 1800.0),
            Judged("one-at-a-time", Standing.MET, "one process tree throughout", 1860.0),
            Judged("kernel", Standing.MET, "6.12 runs", 1650.0),
            Judged("note", Standing.MET, "a note of 25 characters", 1700.0),
        ),
        injects=(InjectCourse("line-cut", 400.0, 500.0, "a new login took up the session"),),
        hints=(("whole", 1),),
        casts=("terminal-1.cast", "terminal-2.cast"),
        points=58,
        most_points=60,
        passed=True,
        verdict="All critical objectives met.",
        forerun_version="0.0",
    )


def make_failed() -> DrillRecord:
    """Not passed: a critical objective lost, another never met, too late, two resets, every
    hint, an inject mended too late, one never mended, one that could not be made."""
    return dataclasses.replace(
        make_passed(),
        id="drill-20260601-210000",
        person="trainee-green",
        drawn=("line-cut", "boot-full", "slow"),
        finished_at="2026-06-01T22:00:30Z",
        attempt=3,
        spent_s=3630.0,
        resets=((700.0, 9.0), (1900.0, 11.0)),
        events=(
            event(0, "state", "running"),
            event(400, "inject", "line-cut", "both connections cut"),
            event(640, "wrong", "lock-deleted", "the lock was deleted under a running job"),
            event(700, "reset", "rest", "back at the hold point", 1),
            event(1000, "inject", "line-cut", "both connections cut", 2),
            event(1030, "call", "", "I ask the second person", 2),
            event(1450, "mended", "line-cut", "the job was found again", 2),
            event(2000, "inject", "boot-full", "400 MB written", 3),
            event(1900, "reset", "rest", "back at the hold point", 2),
            event(3000, "call", "back-out", "the window is too short", 3),
            event(3630, "state", "finished", "", 3),
        ),
        judged=(
            Judged("whole", Standing.NOT_YET, "2 packages half configured", 3630.0),
            Judged("one-at-a-time", Standing.LOST, "two at 0:10:40", 640.0),
            Judged("kernel", Standing.MET, "6.12 runs", 3100.0),
            Judged("note", Standing.NOT_YET, "no note"),
        ),
        injects=(
            InjectCourse("slow", why="the gateway had every package already"),
            InjectCourse("boot-full", 2000.0, -1.0, "/boot 100 %"),
            InjectCourse("line-cut", 1000.0, 1450.0, "a new login took up the session"),
        ),
        hints=(("whole", 2), ("one-at-a-time", 1)),
        points=5,
        passed=False,
        verdict="Two critical objectives are not met.",
    )


# Words with a fixed set: an event's kind says in which section it stands.
_FIXED = {"schema"}


def spoil(value: Any, keep: frozenset[str] = frozenset({"kind"})) -> Any:
    """Every text anywhere in the record with the hostile one before it; but for the fields
    named in `keep`."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        parts = {
            field.name: spoil(getattr(value, field.name), keep)
            for field in dataclasses.fields(value)
            if field.name not in keep | _FIXED
        }
        return dataclasses.replace(value, **parts)
    if isinstance(value, tuple):
        return tuple(spoil(item, keep) for item in value)
    return HOSTILE + value if isinstance(value, str) else value


def make_empty() -> DrillRecord:
    """A drill that nobody could play: no text but its names, no figure."""
    return DrillRecord(
        id="drill-empty",
        drill=DrillFile("bare", "", "", "", (), (), 0.0, 0.0),
        person="",
        state=DrillState.FAILED,
        made_at="",
        host="",
        survey_id="",
        profile="",
        profile_digest="",
    )
