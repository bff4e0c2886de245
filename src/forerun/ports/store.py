"""The one door to the state folder: surveys, templates, runs, the gateway's cache.

A folder appears whole or not at all: it is noted in the ledger, written under a name that
ends in `.part`, flushed, and renamed.
"""

from __future__ import annotations

import contextlib
import errno
import hmac
import os
import re
import secrets
import stat
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from datetime import datetime, timedelta
from functools import cached_property
from pathlib import Path

from forerun.errors import LabUnfit, NoRoom, NotFound, RecordDamaged
from forerun.model.blueprint import TemplateInfo
from forerun.model.observation import RunRecord
from forerun.model.profile import Procedure
from forerun.model.request import RunRequest
from forerun.model.survey import CleanSurvey
from forerun.ports.digest_list import DIGESTS_NAME, write_digests
from forerun.ports.held import PART, locked, name_aside, open_held
from forerun.ports.ledger import Ledger
from forerun.ports.records import load_listed, load_own, load_record
from forerun.ports.removal import remove_tree

REQUEST_NAME = "request.json"
PROCEDURE_NAME = "procedure.json"
SYSTEM_STATE = Path("/var/lib/forerun")
# What a file system says that takes no more: full, quota used up, larger than allowed.
FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
_STAMP = "%Y%m%d-%H%M%S"
_ID = re.compile(r"[a-z]+-(\d{8}-\d{6})-[0-9a-f]+(?:\.part)?")


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
    """A readable, unique id: prefix-20260131-220000-a1b2c3d4. Two of one second, also of two
    state folders that share a hypervisor, differ in all but one of 4e9 cases."""
    return f"{prefix}-{moment:{_STAMP}}-{secrets.token_hex(4)}"


@contextmanager
def reporting_room(place: Path) -> Iterator[None]:
    """A full disk inside the block is NoRoom; every other OSError stays what it is."""
    try:
        yield
    except OSError as problem:
        if problem.errno in FULL:
            raise say_no_room(problem, place) from problem
        raise


def say_no_room(problem: OSError, place: Path) -> NoRoom:
    """NoRoom for what could not be written there."""
    return NoRoom(
        "A file of the state folder could not be written.",
        where=str(problem.filename or place),
        found=str(problem),
        hint="Free some room, then run `forerun sweep`.",
    )


def write_durably(path: Path, content: bytes, *, mode: int = 0o600) -> None:
    """Write aside, flush to the disk, rename into place. Two processes may do so at once:
    each writes a file of its own, and the last one counts."""
    aside = name_aside(path)
    try:
        with os.fdopen(open_held(aside, mode=mode), "wb") as out:
            out.write(content)
            out.flush()
            os.fsync(out.fileno())
            aside.rename(path)
        flush_folder(path.parent)
    except OSError as problem:
        with contextlib.suppress(OSError):
            aside.unlink()
        raise say_no_room(problem, path) from problem


def flush_file(path: Path) -> None:
    """Make a file's content durable, before it is renamed."""
    with path.open("rb") as stream:
        os.fsync(stream.fileno())


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
                self.drills,
                self.machines,
                self.archive,
            ):
                folder.mkdir(mode=0o711, parents=True, exist_ok=True)
            self.surveys.chmod(0o700)
            self.drills.chmod(0o700)
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
    def drills(self) -> Path:
        """Folder of the drills, those that are going on among them."""
        return self.root / "drills"

    @property
    def machines(self) -> Path:
        """Disks, seeds and keys of the clones that exist now; not part of any record."""
        return self.root / "machines"

    @property
    def archive(self) -> Path:
        """The gateway's cache."""
        return self.root / "archive"

    @cached_property
    def mark(self) -> str:
        """What domains made for this state folder carry, 16 hexadecimal digits: two state
        folders on one hypervisor tell their domains apart by it, also when one is a copy
        of the other."""
        return self._sign(f"state folder\0{self.root.resolve()}")

    def draw_id(self, prefix: str, moment: datetime, folder: Path) -> str:
        """An id for a new folder in `folder`, later than those of its kind there are: they
        sort by when they were made although the clock was set back."""
        stamps = [_ID.fullmatch(one.name) for one in folder.glob(f"{prefix}-*")]
        latest = max((found[1] for found in stamps if found), default="")
        if latest >= f"{moment:{_STAMP}}":
            with contextlib.suppress(ValueError, OverflowError):  # no such day
                moment = datetime.strptime(latest, _STAMP) + timedelta(seconds=1)
        return make_id(prefix, moment)

    @contextmanager
    def new_folder(self, parent: Path, name: str, *, run: str = "") -> Iterator[Path]:
        """A folder that is renamed to `name` when the block ends well; after an error it is
        removed. What a dead process left under that name is removed first. The ledger has
        it under `run`, or under its own name.

        Raises NoRoom when the disk is full, LabUnfit when another process makes it now."""
        aside = parent / f"{name}{PART}"
        entry = self.ledger.note(run or name, "folder", str(aside))
        ours = False
        try:
            with reporting_room(aside):
                self._clear(aside, entry)
                ours = True
                aside.mkdir(mode=0o700)
                yield aside
                self.publish(aside, parent / name)
        except BaseException:
            if ours:
                remove_tree(aside)
            raise
        finally:
            if not (ours and aside.exists()):
                self.ledger.strike(entry)

    def _clear(self, aside: Path, own: int) -> None:
        claims = [one for one in self.ledger.find() if one.name == str(aside) and one.id != own]
        if any(one.is_living() for one in claims):
            raise LabUnfit(
                "Another forerun process makes this very folder.",
                where=str(aside),
                found=f"process {claims[-1].pid}",
                hint="Wait for it, or look what it does.",
            )
        remove_tree(aside)

    def publish(self, aside: Path, final: Path) -> None:
        """Flush a finished folder and rename it into place, with the digests of its files; a
        template's disk has its own in its record."""
        if final.parent != self.templates:
            write_durably(aside / DIGESTS_NAME, write_digests(aside))
        for path in aside.rglob("*"):
            if path.is_file() and not path.is_symlink():
                flush_file(path)
            elif path.is_dir():
                flush_folder(path)
        flush_folder(aside)
        aside.rename(final)
        flush_folder(final.parent)

    def withdraw(self, folder: Path) -> None:
        """Remove a finished folder: it stops being one before anything in it goes."""
        aside = folder.with_name(f"{folder.name}{PART}")
        entry = self.ledger.note(folder.name, "folder", str(aside))
        self._clear(aside, entry)
        folder.rename(aside)
        flush_folder(folder.parent)
        if remove_tree(aside):
            self.ledger.strike(entry)

    def locked(
        self, name: str, *, wait: bool = True, on_wait: Callable[[], object] | None = None
    ) -> AbstractContextManager[bool]:
        """Only one process at a time is inside for one name; see `held.locked`."""
        return locked(self.root / f"{name}.lock", wait=wait, on_wait=on_wait)

    def find_surveys(self) -> tuple[str, ...]:
        """Ids of the whole surveys, oldest first."""
        return _find_whole(self.surveys, "survey.json")

    def mark_origin(self, server: str) -> str:
        """A lasting name for a server on this lab host, 16 hexadecimal digits: surveys of
        one server find each other although each of them names it by another stand-in.

        Keyed with a key that never leaves the state folder, so that the mark alone tells
        nothing about the server's name."""
        return self._sign(server.lower())

    def _sign(self, text: str) -> str:
        path = self.root / "origin.key"
        try:
            if not path.is_file():
                with self.locked("origin"):
                    if not path.is_file():
                        write_durably(path, secrets.token_bytes(32))
        except OSError as problem:
            raise say_no_room(problem, path) from problem
        digest = hmac.new(path.read_bytes(), text.encode("utf-8", "surrogateescape"), "sha256")
        return digest.hexdigest()[:16]

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
        return load_own(CleanSurvey, self.surveys / survey_id / "survey.json")

    def find_runs(self) -> tuple[str, ...]:
        """Ids of the finished runs, oldest first."""
        return _find_whole(self.runs, "record.json")

    def load_run(self, run_id: str) -> RunRecord:
        """One run by its id; "last" is the newest."""
        runs = self.find_runs()
        if run_id == "last" and runs:
            run_id = runs[-1]
        _check_known(run_id, runs, "run")
        return load_own(RunRecord, self.runs / run_id / "record.json")

    def load_procedure(self, run_id: str) -> Procedure:
        """Profile and site file as that run had them; NotFound where they were not kept."""
        path = self.runs / run_id / PROCEDURE_NAME
        if not path.is_file():
            raise NotFound(
                "The procedure of this run is gone from its folder.",
                where=str(path),
                hint="Bring the file back, or rehearse again.",
            )
        return load_listed(Procedure, path)

    def load_request(self, run_id: str) -> RunRequest:
        """What a run was asked for, of a whole run or of one that was cut short; NotFound
        when it did not come so far as to write it down."""
        folders = (self.runs / run_id, self.runs / f"{run_id}{PART}")
        paths = [folder / REQUEST_NAME for folder in folders if folder.parent == self.runs]
        for path in paths:
            if path.is_file():
                return load_record(RunRequest, path)
        known = sorted({path.parent.name.removesuffix(PART) for path in self._list_requests()})
        raise NotFound(
            f"No request of a run {run_id!r} is stored.",
            found=f"known: {', '.join(known[-8:]) or 'none'}",
            hint="`forerun runs` lists the runs. What `forerun sweep` removed is gone.",
        )

    def _list_requests(self) -> Iterator[Path]:
        return self.runs.glob(f"run-*/{REQUEST_NAME}")

    def find_cut_short(self) -> tuple[str, ...]:
        """Ids of the runs that were never finished and whose request is stored, oldest
        first; they may be going on."""
        names = (path.parent.name for path in self._list_requests())
        return tuple(sorted(name.removesuffix(PART) for name in names if name.endswith(PART)))

    def find_templates(self) -> tuple[TemplateInfo, ...]:
        """The templates that are whole."""
        names = _find_whole(self.templates, "template.json")
        return tuple(
            load_own(TemplateInfo, self.templates / name / "template.json") for name in names
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
