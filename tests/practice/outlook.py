"""An invented but plausible outlook on an invented server: forecast, timetable, findings.

The figures are made up; only their order is right (half no more than four in five, and so
on), so that nothing here can be taken for a measurement.
"""

from __future__ import annotations

import dataclasses
import random
from collections.abc import Sequence
from datetime import datetime, timedelta

from forerun.model.counters import Part, PartTime, StepParts
from forerun.model.estimate import (
    Assumption,
    BackOutForecast,
    Basis,
    Contributor,
    Forecast,
    Histogram,
    Quantiles,
    ServiceForecast,
    StepForecast,
    Wish,
)
from forerun.model.finding import Decision, Finding, Ruling, Severity, Witness
from forerun.model.observation import RunRecord
from forerun.model.profile import Profile
from forerun.model.speed import Speed, SpeedReading, Work
from forerun.model.trial import BackOutTried, FaultTried, HoldKept
from forerun.model.window import Notice, PlanLine, WindowPlan
from forerun.report.sections import Outlook, Transcript

BEGINS = "2026-03-21T22:00:00+01:00"
WINDOW_S = 5400.0
Course = Sequence[tuple[str, str, str, float, bool, bool]]


def course_of_run(run: RunRecord) -> Course:
    """(step, title, stage, seconds, hold point, point of no return) of a run's steps."""
    return [
        (s.name, s.title, s.stage, max(s.wall_s, 5.0), s.action == "reboot", "full" in s.name)
        for s in run.steps
    ]


def course_of_profile(profile: Profile) -> Course:
    """The same of a profile's steps, with times that grow."""
    return [
        (s.name, s.title, s.stage.value, 20.0 + 9 * n, s.hold_point, s.point_of_no_return)
        for n, s in enumerate(profile.steps)
    ]


def quantiles(middle: float) -> Quantiles:
    return Quantiles(middle, middle * 1.35, middle * 1.9)


def make_plan(course: Course) -> WindowPlan:
    """Steps before the window end when it begins; the others follow each other."""
    begins = datetime.fromisoformat(BEGINS)
    before = sum(one[3] for one in course if one[2] == "prepare")
    early = begins - timedelta(seconds=before)
    late = early
    lines = []
    for step, title, stage, seconds, hold, no_return in course:
        middle, long = timedelta(seconds=seconds), timedelta(seconds=seconds * 1.7)
        ends = (early + middle, late + long)
        times = [at.isoformat(timespec="seconds") for at in (early, late, *ends)]
        lines.append(
            PlanLine(step, title, stage, times[0], times[1], times[2], times[3], hold, no_return)
        )
        early, late = ends
    marked = next((line for line in lines if line.point_of_no_return), lines[0])
    return WindowPlan(
        BEGINS,
        (begins + timedelta(seconds=WINDOW_S)).isoformat(),
        tuple(lines),
        marked.step,
        marked.begins_p50,
        marked.begins_p95,
        (begins + timedelta(minutes=67)).isoformat(),
        "return to the hold point",
        (
            Notice("2026-03-18T09:00:00+01:00", "all users", "work is announced", "notice"),
            Notice("2026-03-21T21:45:00+01:00", "all users", "work begins", "start"),
            Notice("2026-03-21T23:30:00+01:00", "all users", "services are back", "end"),
            Notice("2026-03-21T23:07:00+01:00", "service owners", "it takes longer", "overrun"),
        ),
        ("The way back was timed once: its spread is assumed.",),
    )


def make_forecast(course: Course) -> Forecast:
    draw = random.Random(7)
    window = sum(one[3] for one in course if one[2] in ("window", "confirm")) * 1.6
    lengths = [window * draw.lognormvariate(0.0, 0.33) for _ in range(5000)]
    low, high = min(lengths), max(lengths)
    edges = [low + (high - low) * n / 24 for n in range(25)]
    counts = [0] * 24
    for length in lengths:
        counts[min(int((length - low) / (high - low) * 24), 23)] += 1
    ordered = sorted(lengths)
    whole = Quantiles(ordered[2500], ordered[4000], ordered[4750])
    return Forecast(
        runs=("run-20260314-220312-a7d0", "run-20260312-180044-19fe", "run-20260311-091500-77c1"),
        draws=5000,
        seed=20260314,
        wishes=(Wish("link", "20M", "the line at 20 Mbit/s"),),
        window=whole,
        outage=Quantiles(210.0, 340.0, 610.0),
        steps=tuple(
            StepForecast(
                s[0], s[1], s[2], quantiles(s[3]), (("download", s[3] / 2), ("people", 3.0))
            )
            for s in course
        ),
        services=(
            ServiceForecast(
                "web listing",
                Quantiles(190.0, 300.0, 540.0),
                Quantiles(170.0, 260.0, 480.0),
                1800.0,
                0.997,
            ),
            ServiceForecast(
                "file sync",
                Quantiles(205.0, 330.0, 600.0),
                Quantiles(180.0, 280.0, 520.0),
                3600.0,
                0.9999,
            ),
            ServiceForecast(
                "SSH push of scans",
                Quantiles(900.0, 1500.0, 3600.0),
                Quantiles(900.0, 1500.0, 3600.0),
                600.0,
                0.02,
                returns=False,
            ),
            ServiceForecast(
                "catalogue", Quantiles(60.0, 80.0, 120.0), Quantiles(60.0, 80.0, 120.0), 0.0, None
            ),
        ),
        back_outs=(
            BackOutForecast(
                "hold point", "Return to the snapshot", "quiesce", Quantiles(420.0, 600.0, 960.0)
            ),
            BackOutForecast(
                "rebuild", "Restore the backup", "quiesce", Quantiles(1500.0, 1900.0, 2600.0)
            ),
        ),
        window_s=WINDOW_S,
        fits=0.968,
        fits_with_back_out=0.931,
        contributors=(
            Contributor("Waiting for storage", 0.46, 1, 640.0),
            Contributor("Speed of the line", 0.31, -1, 410.0),
            Contributor("Answers of a person at night", 0.14, 1, 180.0),
            Contributor("Firmware of the server", 0.09, 1, 140.0),
        ),
        assumptions=(
            Assumption(
                "Starting a program",
                0.0021,
                0.0019,
                0.0024,
                "s",
                Basis.MEASURED,
                "timed on production, 9 times, survey of 14 March",
            ),
            Assumption(
                "Synchronous write",
                0.0078,
                0.0049,
                0.0125,
                "s",
                Basis.MEASURED,
                "timed on production, 9 times",
                "the disks were idle then",
            ),
            Assumption(
                "Firmware and loader",
                152.0,
                131.0,
                210.0,
                "s",
                Basis.HISTORY,
                "production's last 6 boots",
            ),
            Assumption(
                "The line", 20.0, 14.0, 21.0, "Mbit/s", Basis.DECLARED, "what-if of the operator"
            ),
            Assumption(
                "A person's answer",
                25.0,
                8.0,
                90.0,
                "s",
                Basis.ASSUMED,
                "common practice",
                "nobody was timed at night",
            ),
        ),
        objections=(
            "Three runs: the chance that the night is slower than the slowest of them is 1 in 4.",
            "Measured idle: production's own load at 22:00 is not in it.",
        ),
        histogram=Histogram(tuple(edges), tuple(counts)),
    )


def make_findings() -> tuple[Finding, ...]:
    return (
        Finding(
            "ssh-key-types",
            Severity.LOSES_ACCESS,
            "The SSH service will not start: a drop-in names a retired key type",
            "/etc/ssh/sshd_config.d/scanner.conf",
            (
                "line 3: PubkeyAcceptedAlgorithms +ssh-dss",
                "clone: Bad key types '+ssh-dss'.",
            ),
            "Take the line out before the window, and buy the scanner a new key.",
            "release notes for Debian 13, section on DSA keys",
            Witness.BOTH,
        ),
        Finding(
            "sysctl-conf",
            Severity.DATA_AT_RISK,
            "Settings in /etc/sysctl.conf are read no more",
            "/etc/sysctl.conf",
            ("fs.inotify.max_user_watches=1048576 becomes 8192",),
            "Move them to a file in /etc/sysctl.d.",
            "release notes for Debian 13",
            Witness.BOTH,
            settled="step kept-files moves them",
        ),
        Finding(
            "removed-modules",
            Severity.SERVICE_DOWN,
            "The report job imports a module that is gone",
            "/usr/local/bin/shelf-report",
            ("line 2: import telnetlib",),
            "Write it anew without it.",
            "What's New In Python 3.13",
            Witness.SURVEY,
        ),
    )


def make_parts(course: Course) -> tuple[StepParts, ...]:
    shares = (0.14, 0.16, 0.12, 0.06, 0.2, 0.22, 0.02, 0.04, 0.0, 0.04)
    return tuple(
        StepParts(
            step,
            seconds,
            tuple(
                PartTime(part, seconds * share, how="invented")
                for part, share in zip(Part, shares, strict=True)
            ),
        )
        for step, _, _, seconds, _, _ in course
    )


def make_reading() -> SpeedReading:
    return SpeedReading(
        "2026-03-14T21:40:00Z",
        (Speed(Work.SPAWN, "process", (0.002, 0.0021, 0.0022)),),
        12.5,
        left_out=(("link", "no archive answered"),),
    )


def make_outlook(course: Course) -> Outlook:
    """Everything that can be said beyond a run's record."""
    return Outlook(
        forecast=make_forecast(course),
        plan=make_plan(course),
        findings=make_findings(),
        overlooked=(
            ("licence-daemon", "its configuration was not readable as an ordinary user"),
            ("raid-firmware", "a clone has no such controller"),
        ),
        decision=Decision(
            Ruling.CONDITIONS,
            "A finding that loses access is open, and the way back is proven: go once it is met.",
            (
                "It fits the window with 97 % and leaves time to go back with 93 %.",
                "The way back led back: all checks as before.",
                "One of four services does not come back by itself.",
            ),
            (
                "Take ssh-dss out of /etc/ssh/sshd_config.d/scanner.conf, and rehearse once more.",
                "Write the report job anew without telnetlib.",
                "Ask the vendor for a shelf-agent that fits Python 3.13, or agree to do without.",
            ),
        ),
        parts=make_parts(course),
        production_speeds=(make_reading(),),
        clone_speeds=(make_reading(),),
        transcript=Transcript(
            "terminal.log",
            tuple(f"Setting up package-{n} (1.{n}-1+deb13u1) ..." for n in range(60)),
            cut=True,
        ),
    )


def with_trials(run: RunRecord, step: str) -> RunRecord:
    """The run as if hold points, a way back and a fault had been tried at `step`."""
    return dataclasses.replace(
        run,
        holds=(HoldKept(step, 104.0, 4.2, 512_000_000, 180_000_000),),
        back_outs=(
            BackOutTried(
                "hold point",
                "Return to the hold point",
                step,
                14.2,
                (("power off", 1.1), ("restore", 10.1), ("checks", 3.0)),
                9,
                9,
            ),
        ),
        faults=(
            FaultTried(
                "power-cut-unpack",
                "The power fails while packages are unpacked",
                step,
                "package 40 of 204",
                "unreachable",
                ("dpkg: error: dpkg was interrupted",),
                "yes",
                "yes",
                (),
                "finish-packages",
                True,
                75.0,
                131.0,
                "Start it, look at the console, then finish the packages.",
            ),
        ),
    )
