"""The sanitised copy in custody: who approved it, and how long it is kept.

A scanner finds the kinds of secrets it knows. So a person looks the copy over and says so
before it is laid over any clone; what is approved is that copy, by its digest. And a copy
is kept no longer than was said when it was made: then its files are deleted, with a line in
the deletion log, while the facts of the survey stay for comparison.
"""

from __future__ import annotations

import hashlib
import os
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from forerun.errors import (
    CopyExpired,
    ForerunError,
    NotApproved,
    NotFound,
    RecordDamaged,
    UsageError,
)
from forerun.model.survey import Approval, CleanSurvey
from forerun.ports.clock import Clock, format_instant
from forerun.ports.digest_list import DIGESTS_NAME, check_digest
from forerun.ports.records import dump_record, load_record
from forerun.ports.store import Store, write_durably

KEEP_DAYS = 30
LONGEST_DAYS = 3650
LOG_NAME = "deletions.log"
_APPROVAL = "approval.json"
# What is deleted when a copy's time is over: the files, and the map of what stood for what.
_KEPT_FILES = frozenset({"survey.json", _APPROVAL, DIGESTS_NAME})


@dataclass(frozen=True, slots=True)
class Deletion:
    """A copy that was deleted: `files` are names within the survey's folder."""

    survey_id: str
    keep_until: str
    digest: str
    files: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FileReview:
    """One file of a copy in which something was replaced: how often by which rule."""

    path: str
    digest: str
    rules: tuple[tuple[str, int], ...]


def find_end(survey: CleanSurvey) -> datetime:
    """When the copy's time is over. Raises RecordDamaged for a time that is none."""
    written = survey.keep_until or survey.taken_at
    usual = timedelta(0) if survey.keep_until else timedelta(days=KEEP_DAYS)
    try:
        moment = datetime.fromisoformat(written)
        if moment.tzinfo is None:
            raise ValueError("it names no time zone")
        return (moment + usual).astimezone(UTC)
    except (ValueError, OverflowError) as problem:
        raise RecordDamaged(
            "A survey does not say how long its copy may be kept.",
            where=survey.id,
            wanted="an instant as RFC 3339 writes it",
            found=f"{written[:40]!r}: {problem}",
            hint="Remove its folder, and survey the server again.",
        ) from problem


def set_end(now: datetime, days: int) -> str:
    """The end of that many days from now, RFC 3339. Raises UsageError."""
    if not 1 <= days <= LONGEST_DAYS:
        raise UsageError(
            "A copy cannot be kept that long.",
            wanted=f"1 to {LONGEST_DAYS} days",
            found=str(days),
        )
    return format_instant(now + timedelta(days=days))


def find_copy(store: Store, survey_id: str) -> Path:
    """The file of a survey's copy. Raises NotFound."""
    path = store.surveys / survey_id / "copy.tar"
    if not path.is_file():
        raise NotFound(
            "This survey has no copy any more.",
            where=str(path),
            hint=f"Look into {store.root / LOG_NAME}, and survey the server again.",
        )
    return path


def digest_copy(store: Store, survey_id: str) -> str:
    """SHA-256 of the copy as it is now, hexadecimal. Raises RecordDamaged when the survey
    left another copy."""
    copy = find_copy(store, survey_id)
    found = _digest(copy)
    check_digest(copy, found)
    return found


def _digest(file: Path) -> str:
    with file.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def find_approval(store: Store, survey_id: str) -> Approval | None:
    """The recorded approval, whether or not it is of the copy as it is now."""
    path = store.surveys / survey_id / _APPROVAL
    return load_record(Approval, path) if path.is_file() else None


def approve_copy(
    store: Store, survey: CleanSurvey, *, by: str, note: str, at: datetime
) -> Approval:
    """Record that a person looked the copy over. Raises UsageError, CopyExpired, NotFound."""
    if not by.strip() or not by.isprintable():
        raise UsageError(
            "An approval needs the name or role of who approves.",
            found=repr(by),
            hint='For example: forerun approve ID --by "data protection officer"',
        )
    _check_age(survey, at)
    made = Approval(survey.id, by.strip(), format_instant(at), digest_copy(store, survey.id), note)
    write_durably(store.surveys / survey.id / _APPROVAL, dump_record(made))
    return made


def check_usable(store: Store, survey: CleanSurvey, now: datetime) -> Approval:
    """The approval of exactly this copy. Raises CopyExpired, NotFound, NotApproved."""
    _check_age(survey, now)
    digest = digest_copy(store, survey.id)
    approval = find_approval(store, survey.id)
    hint = f"Look it over: forerun review {survey.id}; then: forerun approve {survey.id} --by NAME"
    if approval is None:
        raise NotApproved(
            "Nobody has approved this copy yet.",
            where=survey.id,
            wanted="a person's approval of the copy",
            found="none",
            hint=hint,
        )
    if approval.copy_sha256 != digest:
        raise NotApproved(
            "The copy is another one than was approved.",
            where=survey.id,
            wanted=f"SHA-256 {approval.copy_sha256}",
            found=digest,
            hint=hint,
        )
    return approval


def _check_age(survey: CleanSurvey, now: datetime) -> None:
    end = find_end(survey)
    if now >= end:
        raise CopyExpired(
            "The copy's time is over; it may not be used any more.",
            where=survey.id,
            wanted=f"use before {format_instant(end)}",
            found=format_instant(now),
            hint="Survey the server again.",
        )


def wait_for_approval(store: Store, survey: CleanSurvey, clock: Clock, limit_s: float) -> None:
    """Wait until somebody approves, at another terminal; at the limit raises NotApproved."""
    end = clock.monotonic() + limit_s
    while True:
        try:
            check_usable(store, survey, clock.now())
        except NotApproved:
            if clock.monotonic() >= end:
                raise
            clock.sleep(1.0)
        else:
            return


def delete_expired(
    store: Store, now: datetime, *, tell: Callable[[str, ForerunError], object] = lambda *_: None
) -> tuple[Deletion, ...]:
    """Delete the copies whose time is over, each with a line in the deletion log.

    A damaged record says nothing of its age: its copy stays, refused for any use, and
    `tell` is given the survey's id and what is wrong, so that a person may remove it."""
    gone: list[Deletion] = []
    for survey_id in store.find_surveys():
        try:
            survey = store.load_survey(survey_id)
            end = find_end(survey)
        except ForerunError as problem:
            if (store.surveys / survey_id / "copy.tar").is_file():
                tell(survey_id, problem)
            continue
        if now >= end and _list_files(store, survey):
            with store.locked(f"copy-{survey.id}"):  # another command may be at it
                found = _delete(store, survey, end, now)
            gone += [found] if found else []
    return tuple(gone)


def _list_files(store: Store, survey: CleanSurvey) -> list[Path]:
    folder = store.surveys / survey.id
    return sorted(f for f in folder.iterdir() if f.is_file() and f.name not in _KEPT_FILES)


def _delete(store: Store, survey: CleanSurvey, end: datetime, now: datetime) -> Deletion | None:
    folder, files = store.surveys / survey.id, _list_files(store, survey)
    if not files:
        return None
    until = format_instant(end)
    digest = _digest(folder / "copy.tar") if (folder / "copy.tar").is_file() else "-"
    for file in files:
        file.unlink()
    made = Deletion(survey.id, until, digest, tuple(file.name for file in files))
    _log(store, made, now)
    return made


def _log(store: Store, made: Deletion, now: datetime) -> None:
    line = (
        f"{format_instant(now)} {made.survey_id} kept until {made.keep_until} "
        f"sha256 {made.digest} deleted {','.join(made.files)}\n"
    )
    handle = os.open(store.root / LOG_NAME, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    try:
        os.write(handle, line.encode("utf-8"))
        os.fsync(handle)
    finally:
        os.close(handle)


def list_reviews(survey: CleanSurvey) -> tuple[FileReview, ...]:
    """The files in which something was replaced, by path. Never a value."""
    counts: dict[str, Counter[str]] = {}
    for row in survey.replacements:
        counts.setdefault(row.path, Counter())[row.rule] += 1
    digests = {entry.path: entry.digest for entry in survey.entries}
    return tuple(
        FileReview(path, digests.get(path, ""), tuple(sorted(rules.items())))
        for path, rules in sorted(counts.items())
    )
