"""What the real night took, from production's own logs. Pure.

apt notes a transaction's begin when it has fetched all and starts to unpack, and its end
when the last package is configured, so its length is set beside a step's work without its
download. Times of the logs are local and without an offset: only differences are used.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from forerun.distro.debian_logs import HistoryChange, HistoryEntry, parse_history_log
from forerun.errors import UsageError
from forerun.model.estimate import Actual
from forerun.model.observation import PackageChange, RunRecord
from forerun.model.profile import Profile

_VERBS = ("full-upgrade", "dist-upgrade", "upgrade", "autoremove", "purge", "install", "remove")
_SAME = {"dist-upgrade": "full-upgrade"}
_APT_LINE = re.compile(r"^\s*(?:xargs\b.*)?\bapt(?:-get)?\b(?!.*\s-s\b)(.*)$", re.MULTILINE)
_LOG_LINE = re.compile(r"^(\d{4}-\d\d-\d\d \d\d:\d\d:\d\d) (?:startup|status|install|upgrade) ")
# Transactions further apart are not of one night.
_ONE_NIGHT_S = 24 * 3600.0
_LEAST_ALIKE = 0.5


@dataclass(frozen=True, slots=True)
class Logs:
    """Texts of apt's history logs and of dpkg's logs."""

    history: tuple[str, ...]
    dpkg: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Belongs:
    """A transaction of the upgrade: the step it is taken for ("" for none), its seconds (-1
    when neither log has its end) and how many of its packages the rehearsal changed too."""

    entry: HistoryEntry
    step: str
    seconds: float
    alike: int


def sort_logs(texts: Sequence[tuple[str, str]]) -> Logs:
    """(name of a file, its text) by what they are. Raises UsageError for one that is
    neither, and when apt's own log is not among them."""
    history, dpkg = [], []
    for name, text in texts:
        if re.search(r"^Start-Date: ", text, re.MULTILINE):
            history.append(text)
        elif any(_LOG_LINE.match(line) for line in text.split("\n", 20)[:20]):
            dpkg.append(text)
        else:
            raise UsageError(
                "That is no log of a package manager.",
                where=name,
                wanted="apt's history.log or dpkg.log, packed with gzip or not",
                hint="They lie in /var/log/apt and /var/log on the server.",
            )
    if not history:
        raise UsageError(
            "apt's history log is missing: it alone says which command a time belongs to.",
            found=f"{len(dpkg)} of dpkg's logs",
            wanted="/var/log/apt/history.log",
        )
    return Logs(tuple(history), tuple(dpkg))


def find_verb(command: str) -> str:
    """What an apt command line does: "full-upgrade" also for its older name; "" where it is
    none of those that change packages."""
    for word in command.split():
        if word in _VERBS:
            return _SAME.get(word, word)
    return ""


def list_verbs(profile: Profile) -> tuple[tuple[str, str, str], ...]:
    """(step, stage, what its apt command does) of the steps that change packages by apt."""
    found = []
    for step in profile.steps:
        verbs = [find_verb(line) for line in _APT_LINE.findall(step.script)]
        verb = next((one for one in verbs if one), "")
        if step.changes_packages and verb:
            found.append((step.name, step.stage.value, verb))
    return tuple(found)


def find_belonging(record: RunRecord, profile: Profile, logs: Logs) -> tuple[Belongs, ...]:
    """The upgrade's transactions, in order: those of the night with the most packages that
    the rehearsal changed in the same way."""
    changed = {change.name: change for change in record.packages}
    entries = sorted(
        (entry for text in logs.history for entry in parse_history_log(text)),
        key=lambda entry: entry.started,
    )
    alike = [(entry, _count_alike(entry, changed)) for entry in entries]
    wanted = [
        (entry, count)
        for entry, count in alike
        if count and count >= _LEAST_ALIKE * len(entry.changes)
    ]
    if not wanted:
        return ()
    night = max(_split_nights(wanted), key=lambda group: sum(count for _, count in group))
    stamps = sorted(stamp for text in logs.dpkg for stamp in _list_stamps(text))
    starts = [entry.started for entry in entries]
    verbs = list_verbs(profile)
    found: list[Belongs] = []
    for entry, count in night:
        step = _match_step(entry, changed, verbs, [one.step for one in found])
        following = next((start for start in starts if start > entry.started), "9999")
        found.append(Belongs(entry, step, _measure(entry, following, stamps), count))
    return tuple(found)


def _count_alike(entry: HistoryEntry, changed: dict[str, PackageChange]) -> int:
    return sum(_is_alike(change, changed.get(change.name)) for change in entry.changes)


def _is_alike(change: HistoryChange, known: PackageChange | None) -> bool:
    """From the same version or to the same: on the night a newer one may have come out."""
    if known is None:
        return False
    same_old = bool(change.old) and change.old == known.old
    return same_old or (bool(change.new) and change.new == known.new)


def _split_nights(
    entries: Sequence[tuple[HistoryEntry, int]],
) -> list[list[tuple[HistoryEntry, int]]]:
    nights: list[list[tuple[HistoryEntry, int]]] = []
    for one in entries:
        last = nights[-1][-1][0].started if nights else ""
        if last and _between(last, one[0].started) <= _ONE_NIGHT_S:
            nights[-1].append(one)
        else:
            nights.append([one])
    return nights


def _between(began: str, ended: str) -> float:
    return (datetime.fromisoformat(ended) - datetime.fromisoformat(began)).total_seconds()


def _list_stamps(text: str) -> Iterator[str]:
    for line in text.splitlines():
        found = _LOG_LINE.match(line)
        if found:
            yield found[1]


def _measure(entry: HistoryEntry, following: str, stamps: Sequence[str]) -> float:
    """apt's own end; for one that was cut off, dpkg's last line before the next one."""
    ended = entry.ended or max(
        (stamp for stamp in stamps if entry.started <= stamp < following), default=""
    )
    return max(0.0, _between(entry.started, ended)) if ended else -1.0


def _match_step(
    entry: HistoryEntry,
    changed: dict[str, PackageChange],
    verbs: Sequence[tuple[str, str, str]],
    before: Sequence[str],
) -> str:
    """The step whose apt command this is. Of several with the same command, one of the
    stage before the window when most packages did not yet reach the version they end at."""
    verb = find_verb(entry.command)
    own = [(step, stage) for step, stage, what in verbs if what == verb]
    reached = sum(
        known is not None and (change.new == known.new or not change.new)
        for change in entry.changes
        for known in (changed.get(change.name),)
    )
    early = reached < _LEAST_ALIKE * len(entry.changes)
    fitting = [step for step, stage in own if (stage == "prepare") == early]
    names = [step for step, _, _ in verbs]
    latest = max((names.index(step) for step in before if step), default=0)
    later = [step for step in fitting if names.index(step) >= latest]
    return later[0] if later else ""


def make_actual(
    record: RunRecord,
    belonging: Sequence[Belongs],
    sources: Sequence[str],
    *,
    entered_at: str,
    window_s: float = -1.0,
    note: str = "",
) -> Actual:
    """The night's figures. A step that apt needed several goes for has their sum. Raises
    UsageError when nothing is known of the night."""
    seconds: dict[str, float] = {}
    unknown = [one for one in belonging if one.seconds < 0]
    for one in belonging:
        if one.step and one.seconds >= 0:
            name = f"work {one.step}"
            seconds[name] = seconds.get(name, 0.0) + one.seconds
    if window_s >= 0:
        seconds = {"window": window_s, **seconds}
    if not seconds:
        raise UsageError(
            "Nothing in these logs belongs to the upgrade that was rehearsed.",
            where=record.id,
            wanted="transactions that change packages as the rehearsal did",
            found=f"{len(belonging)} that do, none of a step" if belonging else "none",
            hint="Take the logs of the night; rotated ones end in .1 or .gz. With "
            "--window-began and --window-ended the window alone can be entered.",
        )
    cut = f"{len(unknown)} transactions have no end in the logs" if unknown else ""
    return Actual(
        record.id,
        entered_at,
        tuple(seconds.items()),
        tuple(sources),
        "; ".join(text for text in (note, cut) if text),
    )
