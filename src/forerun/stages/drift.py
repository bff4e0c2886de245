"""What changed on production between two surveys, and whether a rehearsal still holds.

Pure: two records in, rows out. Two sanitised surveys cannot be compared word by word,
since what stands for a secret or a name is drawn anew for each:

- a file in which nothing was replaced has the digest of its own content: exact;
- a file with replacements is compared by size, owner, mode and what was replaced, with
  room for replacements whose length varies;
- a changed conffile has a sealed digest: exact where both surveys used one salt;
- names of other hosts, network and hardware addresses, serial numbers are not compared.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime

from forerun.model.digest import read_salt
from forerun.model.survey import CleanSurvey, Conffile, ConfigEntry
from forerun.stages.drift_tables import TABLES, Table

MATTERS = "matters"
NOTE = "note"
STALE_DAYS = 30


@dataclass(frozen=True, slots=True)
class DriftRow:
    """One change. `before` or `after` is empty where the thing is not there; `severity`
    is "matters" (a rehearsal of the old state may no longer hold) or "note"."""

    subject: str
    name: str
    before: str
    after: str
    severity: str
    why: str


@dataclass(frozen=True, slots=True)
class Drift:
    """All changes from one survey to the next. `unsure` are files of which it cannot be
    told whether they changed. `days` lie between the surveys, -1 where unknown."""

    old: str
    new: str
    rows: tuple[DriftRow, ...]
    unsure: tuple[str, ...] = ()
    days: float = -1.0

    def list_reasons(self) -> tuple[DriftRow, ...]:
        """The rows that make a rehearsal stale."""
        return tuple(row for row in self.rows if row.severity == MATTERS)


def is_stale(drift: Drift) -> bool:
    """Whether a rehearsal on the old survey should be repeated.

    The rule: any row that matters. That is a change of the release, the boot mode or the
    boot loader; of the set, version, hold or state of packages; of archives or pins; of
    configuration files; of what is started at boot; of mounts or block devices; or more
    than STALE_DAYS days, which is common practice and no standard."""
    return bool(drift.list_reasons())


def find_salt(survey: CleanSurvey) -> bytes:
    """The salt of that survey's sealed digests; a new survey with the same one can be
    compared with it exactly. Empty where nothing is sealed."""
    sealed = [row.disk for row in survey.conffiles] + [row.disk for row in survey.system.managed]
    return next((salt for row in sealed if (salt := read_salt(row))), b"")


def compare_surveys(old: CleanSurvey, new: CleanSurvey) -> Drift:
    """Every difference that can be told, in the order of subjects."""
    unsure: list[str] = []
    rows = [row for table in TABLES for row in _walk_table(table, old, new)]
    conffiles = tuple(_walk_conffiles(old, new, unsure))
    rows += conffiles
    rows += _walk_entries(old, new, unsure, frozenset(row.name for row in conffiles))
    days = _count_days(old.taken_at, new.taken_at)
    if days > STALE_DAYS:
        rows.append(
            DriftRow(
                "age", "survey", old.taken_at, new.taken_at, MATTERS,
                f"more than {STALE_DAYS} days lie between the surveys (common practice: package"
                " indexes and point releases move on)",
            )
        )  # fmt: skip
    return Drift(old.id, new.id, tuple(rows), tuple(dict.fromkeys(unsure)), days)


def _count_days(first: str, second: str) -> float:
    try:
        return (datetime.fromisoformat(second) - datetime.fromisoformat(first)).total_seconds() / (
            24 * 3600
        )
    except (ValueError, TypeError):
        return -1.0


def _walk_table(table: Table, old: CleanSurvey, new: CleanSurvey) -> Iterator[DriftRow]:
    before, after = table.read(old), table.read(new)
    for name in sorted({*before, *after}):
        was, now = before.get(name, ""), after.get(name, "")
        if was != now:
            severity = MATTERS if table.matters(was, now) else NOTE
            yield DriftRow(table.subject, name, was, now, severity, table.why)


# -- configuration files ---------------------------------------------------------------------

_AS_SHIPPED = "as shipped"


def _walk_conffiles(old: CleanSurvey, new: CleanSurvey, unsure: list[str]) -> Iterator[DriftRow]:
    before = {row.path: row for row in old.conffiles}
    after = {row.path: row for row in new.conffiles}
    why = "the upgrade may ask about a changed configuration file, or replace one"
    for path in sorted({*before, *after}):
        was, now = before.get(path), after.get(path)
        states = tuple(row.state if row else _AS_SHIPPED for row in (was, now))
        if states[0] != states[1]:
            yield DriftRow("conffile", path, states[0], states[1], MATTERS, why)
        elif was and now and was.disk != now.disk:
            if _share_salt(was, now):
                yield DriftRow("conffile", path, "changed", "changed otherwise", MATTERS, why)
            elif not _find_untouched(old, new, path):
                unsure.append(path)


def _share_salt(was: Conffile, now: Conffile) -> bool:
    salt = read_salt(was.disk)
    return salt != b"" and salt == read_salt(now.disk)


def _find_untouched(old: CleanSurvey, new: CleanSurvey, path: str) -> bool:
    """Whether the copies hold the file as it is, so that its digest tells the rest."""
    return all(
        any(entry.path == path and entry.digest for entry in survey.entries)
        and all(row.path != path for row in survey.replacements)
        for survey in (old, new)
    )


# Written by the system itself in everyday work.
_EVERYDAY = frozenset({
    "/etc/adjtime", "/etc/resolv.conf", "/etc/mtab", "/etc/motd", "/etc/machine-id",
    "/etc/.updated", "/etc/.pwd.lock", "/etc/passwd-", "/etc/group-", "/etc/shadow-",
    "/etc/gshadow-", "/etc/subuid-", "/etc/subgid-",
})  # fmt: skip


def _walk_entries(
    old: CleanSurvey, new: CleanSurvey, unsure: list[str], named: frozenset[str]
) -> Iterator[DriftRow]:
    before = {entry.path: entry for entry in old.entries}
    after = {entry.path: entry for entry in new.entries}
    marks = _count_marks(old), _count_marks(new)
    why = "the clone has the file as it was: an upgrade may read or replace it"
    for path in sorted({*before, *after}):
        was, now = before.get(path), after.get(path)
        severity = NOTE if path in _EVERYDAY else MATTERS
        if was is None or now is None:
            shown = was.kind if was else "", now.kind if now else ""
            if "folder" in shown:
                severity = NOTE
            yield DriftRow("file", path, *shown, severity, why)
            continue
        if _show_outside(was) != _show_outside(now):
            yield DriftRow(
                "file", path, _show_outside(was), _show_outside(now), NOTE, "owner or mode changed"
            )
        # A conffile that changed its state has been told.
        told = "" if path in named else _compare_content(was, now, *(m.get(path) for m in marks))
        if told == "unsure" and severity == MATTERS:
            unsure.append(path)
        elif told and told != "unsure":
            yield DriftRow(
                "file", path, f"{was.size_bytes} bytes", f"{now.size_bytes} bytes{told}",
                severity, why,
            )  # fmt: skip


def _show_outside(entry: ConfigEntry) -> str:
    """Links lead to names that may have been replaced; only kind, mode and owner count."""
    return f"{entry.kind} {entry.mode:04o} {entry.owner}:{entry.group}"


def _count_marks(survey: CleanSurvey) -> Mapping[str, Counter[str]]:
    """Path to how often each rule replaced something there."""
    marks: dict[str, Counter[str]] = {}
    for row in survey.replacements:
        marks.setdefault(row.path, Counter())[row.rule] += 1
    return marks


def _compare_content(
    was: ConfigEntry, now: ConfigEntry, before: Counter[str] | None, after: Counter[str] | None
) -> str:
    """How the content differs, in words to follow the new size; empty when it does not
    as far as can be told, "unsure" when that cannot be told."""
    before, after = before or Counter(), after or Counter()
    if was.digest == now.digest or was.kind != now.kind:
        return ""
    if not before and not after:
        return ", other content" if was.size_bytes == now.size_bytes else ", changed"
    if before != after:
        return ", other names or secrets in it"
    room = sum(_find_room(rule) * count for rule, count in before.items())
    if abs(was.size_bytes - now.size_bytes) > room:
        return ", changed"
    return "unsure"


def _find_room(rule: str) -> int:
    """By how many bytes two replacements by one rule can differ in length."""
    if rule == "address":
        return 30
    return 64 if any(word in rule for word in ("key", "cert")) else 0
