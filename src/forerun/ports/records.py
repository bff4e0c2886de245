"""Stored records: written as JSON, read strictly, refused with the place of what is wrong."""

from __future__ import annotations

import hashlib
import json
import re
from dataclasses import asdict
from itertools import islice
from pathlib import Path
from typing import Any, TypeVar

from pydantic import TypeAdapter, ValidationError

from forerun.errors import NotFound, RecordDamaged
from forerun.model.blueprint import TemplateInfo
from forerun.model.estimate import Actual, Prediction
from forerun.model.observation import RUN_SCHEMA, RunRecord, WayEnd, WayTried
from forerun.model.plausible import find_implausible
from forerun.model.profile import Procedure
from forerun.model.request import RunRequest
from forerun.model.survey import Approval, CleanSurvey
from forerun.ports.digest_list import check_digest

MOST_RECORD_BYTES = 256 << 20  # a survey of 3000 packages and 2000 files has 3 MB
_Own = TypeVar("_Own", CleanSurvey, RunRecord, TemplateInfo)
Record = (
    Actual | Approval | CleanSurvey | Prediction | Procedure | RunRecord | RunRequest | TemplateInfo
)
_T = TypeVar(
    "_T", Actual, Approval, CleanSurvey, Prediction, Procedure, RunRecord, RunRequest, TemplateInfo
)

_adapters: dict[type[Any], TypeAdapter[Any]] = {}


def _adapt(kind: Any) -> TypeAdapter[Any]:
    """Made once for each kind: that takes 80 ms, reading a record with it 1 ms."""
    if kind not in _adapters:
        _adapters[kind] = TypeAdapter(kind)
    return _adapters[kind]


def dump_record(record: Record) -> bytes:
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
    """A run's record of an earlier version as one of today's. The first had the ways out that
    were tried as texts, none of them open; neither it nor the second had counters of steps
    or readings of speed, which stay empty. Anything else stays as it is."""
    try:
        facts = json.loads(content)
    except (ValueError, RecursionError):  # told as damage by whoever reads it next
        return content
    if not isinstance(facts, dict) or facts.get("schema") not in _OLD_RUNS:
        return content
    ways = facts.get("ways_tried", [])
    if facts["schema"] == _OLD_RUNS[0] and isinstance(ways, list):
        facts["ways_tried"] = [_renew_way(way) if isinstance(way, str) else way for way in ways]
    facts["schema"] = RUN_SCHEMA
    return json.dumps(facts).encode("utf-8")


_OLD_RUNS = ("forerun.run/1", "forerun.run/2")


def _renew_way(label: str) -> dict[str, object]:
    known = _OLD_WAY.fullmatch(label)
    name, address, protocol, port = known.groups() if known else (label, "", "", "0")
    way = WayTried(name, address, protocol, int(port), WayEnd.CLOSED)
    return {**asdict(way), "result": way.result.value}


# "the lab host (10.0.2.2, tcp 3128)"
_OLD_WAY = re.compile(r"(.+) \(([0-9a-f.:]+), (tcp|udp) (\d+)\)")


def load_listed(kind: type[_T], path: Path) -> _T:
    """A record that lies beside a folder's own one: unaltered, by the folder's digests."""
    content = _read_record(path)
    record = _parse_record(kind, path, content)
    check_digest(path, hashlib.sha256(content).hexdigest())
    return record


def load_own(kind: type[_Own], path: Path) -> _Own:
    """The record of a folder: it has the folder's name, since paths are made of its id, and
    the digest that was listed when the folder was published."""
    content = _read_record(path)
    record = _parse_record(kind, path, content)
    if record.id != path.parent.name:
        raise _refuse_record(path, f"id: {record.id!r:.80} is not its folder's name")
    check_digest(path, hashlib.sha256(content).hexdigest())
    return record
