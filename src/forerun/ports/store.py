"""The one door to the state folder: surveys, templates, runs, the gateway's cache.

A folder appears whole or not at all: it is written under a name that ends in `.part`,
flushed, and renamed.
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import hmac
import json
import os
import re
import secrets
import shutil
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict
from datetime import datetime
from itertools import islice
from pathlib import Path
from typing import Any, TypeVar

from pydantic import TypeAdapter, ValidationError

from forerun.errors import LabUnfit, NoRoom, NotFound, RecordDamaged
from forerun.model.blueprint import TemplateInfo
from forerun.model.observation import RUN_SCHEMA, RunRecord, WayEnd, WayTried
from forerun.model.plausible import find_implausible
from forerun.model.survey import Approval, CleanSurvey
from forerun.ports.digest_list import DIGESTS_NAME, check_digest, write_digests
from forerun.ports.ledger import Ledger

PART = ".part"
SYSTEM_STATE = Path("/var/lib/forerun")
MOST_RECORD_BYTES = 256 << 20  # a survey of 3000 packages and 2000 files has 3 MB
_Own = TypeVar("_Own", CleanSurvey, RunRecord, TemplateInfo)
_T = TypeVar("_T", Approval, CleanSurvey, RunRecord, TemplateInfo)


def choose_state_folder(environment: dict[str, str], *, uid: int) -> Path:
    """FORERUN_HOME; else for root /var/lib/forerun (FHS 3.0, 5.8: the hypervisor's own
    user must be able to reach the disks, and root's home is closed to it); else the XDG
    state folder (XDG Base Directory Specification 0.8)."""
    if environment.get("FORERUN_HOME"):
        return Path(environment["FORERUN_HOME"]).absolute()
    if uid == 0:
        return SYSTEM_STATE
    base = environment.get("XDG_STATE_HOME") or str(Path.home() / ".local" / "state")
    return Path(base) / "forerun"


def make_id(prefix: str, moment: datetime) -> str:
    """A readable, unique id: prefix-20260131-220000-a1b2."""
    return f"{prefix}-{moment:%Y%m%d-%H%M%S}-{secrets.token_hex(2)}"


_adapters: dict[type[Any], TypeAdapter[Any]] = {}


def _adapt(kind: Any) -> TypeAdapter[Any]:
    """Made once for each kind: that takes 80 ms, reading a record with it 1 ms."""
    if kind not in _adapters:
        _adapters[kind] = TypeAdapter(kind)
    return _adapters[kind]


def dump_record(record: Approval | CleanSurvey | RunRecord | TemplateInfo) -> bytes:
    """A record as indented JSON."""
    return _adapt(type(record)).dump_json(record, indent=1) + b"\n"


def load_record(kind: type[_T], path: Path) -> _T:
    """A record from its file; RecordDamaged names the place of what is wrong."""
    return _parse_record(kind, path, _read_record(path))


def _read_record(path: Path) -> bytes:
    try:
        with path.open("rb") as stream:
            content = stream.read(MOST_RECORD_BYTES + 1)
    except FileNotFoundError as problem:
        raise NotFound("There is no such record.", where=str(path)) from problem
    except OSError as problem:
        raise _refuse_record(path, str(problem)) from problem
    if len(content) > MOST_RECORD_BYTES:
        raise _refuse_record(path, f"more than {MOST_RECORD_BYTES} bytes")
    return content


def _parse_record(kind: type[_T], path: Path, content: bytes) -> _T:
    try:
        known = _renew_run(content) if kind is RunRecord else content
        record: _T = _adapt(kind).validate_json(known)
    except ValidationError as problem:
        places = [
            f"{'.'.join(str(part) for part in error['loc']) or 'whole file'}: {error['msg']}"
            for error in problem.errors(include_input=False, include_url=False)[:_MOST_PLACES]
        ]
        raise _refuse_record(path, "; ".join(places)) from problem
    places = list(islice(find_implausible(record), _MOST_PLACES))
    if places:
        raise _refuse_record(path, "; ".join(places))
    return record


_MOST_PLACES = 5


def _refuse_record(path: Path, found: str) -> RecordDamaged:
    return RecordDamaged(
        "A stored record cannot be read.",
        where=str(path),
        found=found,
        hint="It was cut short, edited, or written by another version of forerun.",
    )


def _renew_run(content: bytes) -> bytes:
    """A run's record of the first version as one of today's: it had the ways out that were
    tried as texts, none of them open. Anything else stays as it is."""
    try:
        facts = json.loads(content)
    except (ValueError, RecursionError):  # told as damage by whoever reads it next
        return content
    if not isinstance(facts, dict) or facts.get("schema") != "forerun.run/1":
        return content
    ways = facts.get("ways_tried", [])
    if isinstance(ways, list):
        facts["ways_tried"] = [_renew_way(way) if isinstance(way, str) else way for way in ways]
    facts["schema"] = RUN_SCHEMA
    return json.dumps(facts).encode("utf-8")


def _renew_way(label: str) -> dict[str, object]:
    known = _OLD_WAY.fullmatch(label)
    name, address, protocol, port = known.groups() if known else (label, "", "", "0")
    way = WayTried(name, address, protocol, int(port), WayEnd.CLOSED)
    return {**asdict(way), "result": way.result.value}


# "the lab host (10.0.2.2, tcp 3128)"
_OLD_WAY = re.compile(r"(.+) \(([0-9a-f.:]+), (tcp|udp) (\d+)\)")


def write_durably(path: Path, content: bytes, *, mode: int = 0o600) -> None:
    """Write aside, flush to the disk, rename into place."""
    aside = path.with_name(path.name + PART)
    try:
        with os.fdopen(os.open(aside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, mode), "wb") as out:
            out.write(content)
            out.flush()
            os.fsync(out.fileno())
        aside.rename(path)
    except OSError as problem:
        raise NoRoom(
            "A file of the state folder could not be written.",
            where=str(path),
            found=str(problem),
            hint="Free some room, then run `forerun sweep`.",
        ) from problem
    flush_folder(path.parent)


def flush_folder(folder: Path) -> None:
    """Make a rename in this folder durable."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


class Store:
    """The state folder of one user on this lab host."""

    def __init__(self, root: Path) -> None:
        self.root = root
        try:
            for folder in (
                root,
                self.surveys,
                self.templates,
                self.runs,
                self.machines,
                self.archive,
            ):
                folder.mkdir(mode=0o711, parents=True, exist_ok=True)
            self.surveys.chmod(0o700)
        except OSError as problem:
            raise NoRoom(
                "The state folder cannot be made.",
                where=str(root),
                found=str(problem),
                hint="Set FORERUN_HOME to a folder that you may write.",
            ) from problem
        _check_own(root)
        self.ledger = Ledger(root / "ledger.sqlite")

    @property
    def surveys(self) -> Path:
        """Folder of the surveys."""
        return self.root / "surveys"

    @property
    def templates(self) -> Path:
        """Folder of the templates."""
        return self.root / "templates"

    @property
    def runs(self) -> Path:
        """Folder of the runs."""
        return self.root / "runs"

    @property
    def machines(self) -> Path:
        """Disks, seeds and keys of the clones that exist now; not part of any record."""
        return self.root / "machines"

    @property
    def archive(self) -> Path:
        """The gateway's cache."""
        return self.root / "archive"

    @contextmanager
    def new_folder(self, parent: Path, name: str) -> Iterator[Path]:
        """A folder that is renamed to `name` when the block ends well; after an error
        it is removed."""
        aside = parent / f"{name}{PART}"
        aside.mkdir(mode=0o700)
        try:
            yield aside
        except BaseException:
            shutil.rmtree(aside, ignore_errors=True)
            raise
        self.publish(aside, parent / name)

    def publish(self, aside: Path, final: Path) -> None:
        """Flush a finished folder and rename it into place, with the digests of its files; a
        template's disk has its own in its record."""
        if final.parent != self.templates:
            write_durably(aside / DIGESTS_NAME, write_digests(aside))
        for file in aside.iterdir():
            if file.is_file():
                with file.open("rb") as stream:
                    os.fsync(stream.fileno())
        flush_folder(aside)
        aside.rename(final)
        flush_folder(final.parent)

    @contextmanager
    def locked(self, name: str) -> Iterator[None]:
        """Only one process at a time is inside for one name."""
        path = self.root / f"{name}.lock"
        with path.open("w") as stream:
            fcntl.flock(stream, fcntl.LOCK_EX)
            yield

    def find_surveys(self) -> tuple[str, ...]:
        """Ids of the whole surveys, oldest first."""
        return _find_whole(self.surveys, "survey.json")

    def mark_origin(self, server: str) -> str:
        """A lasting name for a server on this lab host, 16 hexadecimal digits: surveys of
        one server find each other although each of them names it by another stand-in.

        Keyed with a key that never leaves the state folder, so that the mark alone tells
        nothing about the server's name."""
        path = self.root / "origin.key"
        with self.locked("origin"):
            if not path.is_file():
                write_durably(path, secrets.token_bytes(32))
            key = path.read_bytes()
        return hmac.new(key, server.lower().encode("utf-8"), hashlib.sha256).hexdigest()[:16]

    def find_last_survey(self, origin: str, *, before: str = "") -> CleanSurvey | None:
        """The newest whole survey of that server, or the newest one older than the survey
        `before`; one that cannot be read is no one's."""
        for survey_id in reversed(self.find_surveys()):
            if before and survey_id >= before:
                continue
            with contextlib.suppress(RecordDamaged):
                found = self.load_survey(survey_id)
                if origin and found.origin == origin:
                    return found
        return None

    def load_survey(self, survey_id: str) -> CleanSurvey:
        """One survey by its id."""
        _check_known(survey_id, self.find_surveys(), "survey")
        return _load_own(CleanSurvey, self.surveys / survey_id / "survey.json")

    def find_runs(self) -> tuple[str, ...]:
        """Ids of the finished runs, oldest first."""
        return _find_whole(self.runs, "record.json")

    def load_run(self, run_id: str) -> RunRecord:
        """One run by its id; "last" is the newest."""
        runs = self.find_runs()
        if run_id == "last" and runs:
            run_id = runs[-1]
        _check_known(run_id, runs, "run")
        return _load_own(RunRecord, self.runs / run_id / "record.json")

    def find_templates(self) -> tuple[TemplateInfo, ...]:
        """The templates that are whole."""
        names = _find_whole(self.templates, "template.json")
        return tuple(
            _load_own(TemplateInfo, self.templates / name / "template.json") for name in names
        )

    def template_disk(self, template_id: str) -> Path:
        """The disk file of a template."""
        return self.templates / template_id / "disk.qcow2"

    def find_unfinished(self) -> tuple[Path, ...]:
        """Folders and files that were being written when something stopped."""
        found: list[Path] = []
        for parent in (self.surveys, self.templates, self.runs, self.root):
            found.extend(entry for entry in parent.iterdir() if entry.name.endswith(PART))
        return tuple(sorted(found))


def _check_own(root: Path) -> None:
    """LabUnfit for a state folder that somebody else prepared or may write to: forerun acts
    on what lies there, often as root."""
    facts = root.stat()
    foreign = facts.st_uid not in (0, os.geteuid())
    if foreign or facts.st_mode & stat.S_IWOTH:
        raise LabUnfit(
            "Others may write to the state folder.",
            where=str(root),
            wanted=f"a folder of user {os.geteuid()} that not everybody may write to",
            found=f"one of user {facts.st_uid}, mode {stat.S_IMODE(facts.st_mode):04o}",
            hint="Set FORERUN_HOME to a folder of your own, or look into this one and give it "
            "the right owner and mode.",
        )


def _load_own(kind: type[_Own], path: Path) -> _Own:
    """The record of a folder: it has the folder's name, since paths are made of its id, and
    the digest that was listed when the folder was published."""
    content = _read_record(path)
    record = _parse_record(kind, path, content)
    if record.id != path.parent.name:
        raise _refuse_record(path, f"id: {record.id!r:.80} is not its folder's name")
    check_digest(path, hashlib.sha256(content).hexdigest())
    return record


def _find_whole(parent: Path, mark: str) -> tuple[str, ...]:
    return tuple(
        sorted(
            entry.name
            for entry in parent.iterdir()
            if not entry.name.endswith(PART) and (entry / mark).is_file()
        )
    )


def _check_known(wanted: str, known: tuple[str, ...], kind: str) -> None:
    if wanted in known:
        return
    listing = ", ".join(known[-8:]) or "none"
    raise NotFound(
        f"There is no {kind} {wanted!r}.", found=f"known: {listing}", hint="Ids are listed above."
    )
