"""What the shell text that times a machine said (`speed_kit`), as a reading of its speed.

A server or a clone may say anything: what is no number of this shape is left out.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from statistics import median

from forerun.distro.base import escape_value
from forerun.distro.speed_kit import REPETITIONS
from forerun.model.speed import LabLoad, Speed, SpeedReading, Work
from forerun.ports.labhost import compare_loads, parse_load

_TIME = re.compile(
    r"time ([a-z]{2,8}) ([0-9]{1,7}) ([0-9]{1,7}) ([0-9]{1,6}) (-|[0-9]{1,4}(?:\.[0-9]{1,9})?"
    r"|[0-9](?:\.[0-9]{1,9})?e-[0-9]{1,2})(?: ([0-9]{1,7}))?"
)
_BEGAN = re.compile(r"began ([0-9]{1,12}) ([0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9:]{8}Z)")
_ENDED = re.compile(r"ended ([0-9]{1,12}) ([0-9]{1,12})")
_LEFT = re.compile(r"left (link [a-z+]{2,12}:\S{1,200}|[a-z]{2,8}) (.{1,200})")
_LINK = re.compile(r"link ([a-z]{4,5}://\S{1,200}) ([0-9]{1,9}) ([0-9]{1,9})((?: [0-9]{1,9}){3})")
_ON = re.compile(r"on (\S{0,32}) (/.{0,200})")
_OWN = re.compile(r"own ([0-9]{1,9})")
_HELD = 100  # hundredths of a second of /proc/uptime, and ticks in a second (USER_HZ), proc(5)
_ALL_GRANTED = 0.9  # reading clocks and passing a tick off: what no other work takes
_MOST_LINES = 400

# Name in the text: what it is, its unit, units of one count, subject.
_WORKS: dict[str, tuple[Work, str, str]] = {
    "spawn": (Work.SPAWN, "process", ""),
    "compute": (Work.COMPUTE, "round", ""),
    "sort": (Work.COMPUTE, "round", "sort"),
    "digest": (Work.COMPUTE, "round", "sha256"),
    "sync": (Work.SYNC, "synchronous write", ""),
    "write": (Work.WRITE, "MB", ""),
    "read": (Work.READ, "read", ""),
    "xz": (Work.UNPACK, "MB", "xz"),
    "zstd": (Work.UNPACK, "MB", "zstd"),
}


@dataclass(frozen=True, slots=True)
class _Timed:
    """One repetition: so many units, so many programs started for it besides, hundredths of
    a second by the kernel's clock, the program's own seconds where it tells them, and ticks
    that its processes ran (-1: not told)."""

    count: int
    programs: int
    hundredths: int
    own_s: float
    ticks: int = -1

    def unit_s(self, start_s: float) -> float:
        """Seconds of one unit. A repetition begins as a hundredth does and its end is read
        in whole ones: half of one is what that loses in the mean. The start of the programs
        that did it (`start_s` each) is taken off, but never more than half."""
        if self.own_s > 0:
            return self.own_s / self.count
        whole = (self.hundredths + 0.5) / _HELD
        return max(whole / 2, whole - self.programs * start_s) / self.count


def parse_speed(kit: str, link: str = "") -> SpeedReading | None:
    """The reading in what `speed_kit.KIT` said, with the rates of the archives in what
    `speed_kit.LINK` said; None where there is none. `load` is the machine's own."""
    lines = kit.splitlines()[:_MOST_LINES]
    began = _first(_BEGAN, lines)
    if began is None:
        return None
    ended = _first(_ENDED, lines)
    timed = list(_drop_short(list(_walk_times(lines))))
    starts = [one.unit_s(0.0) for name, one in timed if name == "spawn"]
    start_s = median(starts) if starts else 0.0
    on = _first(_ON, lines)
    place = escape_value(f"{on[2]} ({on[1]})" if on and on[1] else on[2] if on else "")
    speeds = []
    few = []
    for name, (work, unit, subject) in _WORKS.items():
        seconds = tuple(_round(one.unit_s(start_s)) for own, one in timed if own == name)
        if seconds:
            where = place if work in (Work.SYNC, Work.WRITE, Work.READ) else subject
            speeds.append(Speed(work, unit, seconds, where))
        if 0 < len(seconds) < REPETITIONS:
            few.append((name, f"{len(seconds)} of {REPETITIONS} repetitions, then time ran out"))
    links = link.splitlines()[:_MOST_LINES]
    rates = list(_walk_links(links))
    left = [*_walk_left(lines), *few, *_walk_left(links)]
    if ended is None:
        left.append(("all", "it was cut short"))
    if not speeds and not rates and not left:
        return None
    wall = (int(ended[1]) - int(began[1])) / _HELD if ended else 0.0
    load = _find_load(lines, wall)
    return SpeedReading(
        taken_at=began[2],
        speeds=(*speeds, *(speed for speed, _ in rates)),
        wall_s=round(max(0.0, wall), 2),
        written_bytes=int(ended[2]) if ended else -1,
        fetched_bytes=sum(fetched for _, fetched in rates),
        load=load,
        granted=_find_granted(timed, load.steal if load else 0.0),
        others=_find_others(lines, wall),
        left_out=tuple(left),
    )


def _first(pattern: re.Pattern[str], lines: Iterable[str]) -> re.Match[str] | None:
    return next((found for line in lines if (found := pattern.fullmatch(line))), None)


def _round(seconds: float) -> float:
    return float(f"{seconds:.6g}")


def _walk_times(lines: Iterable[str]) -> Iterator[tuple[str, _Timed]]:
    for line in lines:
        found = _TIME.fullmatch(line)
        if found is None or found[1] not in _WORKS or int(found[2]) == 0:
            continue
        own = 0.0 if found[5] == "-" else float(found[5])
        ticks = int(found[6]) if found[6] else -1
        yield found[1], _Timed(int(found[2]), int(found[3]), int(found[4]), own, ticks)


def _drop_short(timed: Sequence[tuple[str, _Timed]]) -> Iterator[tuple[str, _Timed]]:
    """Of each kind the repetitions of most units: the kit goes on to more where it finds that
    the first ones took long only because something held them up."""
    most: dict[str, int] = {}
    for name, one in timed:
        most[name] = max(one.count, most.get(name, 0))
    return ((name, one) for name, one in timed if one.count == most[name])


def _walk_left(lines: Iterable[str]) -> Iterator[tuple[str, str]]:
    for line in lines:
        found = _LEFT.fullmatch(line)
        if found is not None:
            yield escape_value(found[1]), escape_value(found[2])


def _walk_links(lines: Iterable[str]) -> Iterator[tuple[Speed, int]]:
    """Each archive's seconds for a megabyte, three times: those of the later parts of its
    largest transfer, once the line was going. With it, all bytes that were fetched for it."""
    found: dict[str, list[tuple[int, int, tuple[float, ...]]]] = {}
    for line in lines:
        match = _LINK.fullmatch(line)
        if match is not None and int(match[3]):
            took = tuple(int(us) / 1e6 for us in match[4].split())
            found.setdefault(match[1], []).append((int(match[2]), int(match[3]), took))
    for site, transfers in found.items():
        _, part, took = max(transfers)
        seconds = tuple(_round(one / part * 1e6) for one in took if one > 0)
        if seconds:
            yield (
                Speed(Work.LINK, "MB", seconds, escape_value(site)),
                sum(size for size, _, _ in transfers),
            )


def _find_granted(timed: Iterable[tuple[str, _Timed]], steal: float) -> float:
    """The share of a processor that computing had: a shell's loop alone, which wants one all
    the time and never two. What a hypervisor stole was nobody's on this machine."""
    loops = [one for name, one in timed if name == "compute" and one.ticks >= 0]
    wanted = sum(one.hundredths for one in loops) * (1 - steal)
    if wanted <= 0:
        return 1.0
    share = sum(one.ticks for one in loops) / wanted
    return 1.0 if share >= _ALL_GRANTED else max(0.01, round(share, 3))


def _find_others(lines: list[str], wall_s: float) -> float:
    """Processors that others' work took on the mean: what ran (proc(5), /proc/stat), less what
    was ours. -1 where that is not told."""
    parts = _split_states(lines)
    if parts is None or wall_s <= 0:
        return -1.0
    ran = []
    for part in parts:
        stat = next((line.split() for line in part if line.startswith("stat cpu ")), [])
        ours = _first(_OWN, part)
        if ours is None or len(stat) < 9 or not all(one.isdigit() for one in stat[2:9]):
            return -1.0
        user, nice, system, _idle, _wait, irq, softirq = map(int, stat[2:9])
        ran.append(user + nice + system + irq + softirq - int(ours[1]))
    return round(max(0.0, (ran[1] - ran[0]) / _HELD / wall_s), 3)


def _split_states(lines: list[str]) -> tuple[list[str], list[str]] | None:
    if "state before" not in lines or "state after" not in lines:
        return None
    at = lines.index("state after")
    return lines[lines.index("state before") : at], lines[at:]


def _find_load(lines: list[str], wall_s: float) -> LabLoad | None:
    """The machine's load while it was timed, the timing itself included."""
    parts = _split_states(lines)
    if parts is None or wall_s <= 0:
        return None
    before, after = (dict(line.split(" ", 1) for line in part if " " in line) for part in parts)
    try:
        load = compare_loads(parse_load(before, 0.0), parse_load(after, wall_s))
    except (ValueError, LookupError, ArithmeticError):
        return None
    return load if 0 <= load.steal <= 1 else None
