"""What is kept beside a finished run: what was forecast from it, and what the night took.

Both come after the run's folder was published, so their digests join its list by
themselves; the run's own files stay as they were listed.
"""

from __future__ import annotations

import hashlib
from typing import TypeVar

from forerun.errors import NotFound, RecordDamaged
from forerun.model.estimate import TOLD_LEVELS, Actual, Prediction
from forerun.model.plausible import mend_record
from forerun.ports.digest_list import DIGESTS_NAME, add_digest, check_digest, read_digests
from forerun.ports.records import dump_record, load_record
from forerun.ports.store import Store, write_durably

PREDICTION_NAME = "prediction.json"
ACTUAL_NAME = "actual.json"

_Beside = TypeVar("_Beside", Prediction, Actual)
_NAMES: dict[type[Prediction] | type[Actual], str] = {
    Prediction: PREDICTION_NAME,
    Actual: ACTUAL_NAME,
}


def save_beside(store: Store, record: Prediction | Actual) -> None:
    """Write it into the run's folder, its digest first: a file that is not listed would be
    taken for an altered one. Raises NoRoom, RecordDamaged."""
    folder = store.runs / record.run
    # A note or a file's name may hold what is no character; JSON has none of those.
    name, content = _NAMES[type(record)], dump_record(mend_record(record, unknown=-1))
    with store.locked("beside"):
        if read_digests(folder):  # a folder older than the list stays without one
            listing = folder / DIGESTS_NAME
            write_durably(listing, add_digest(listing.read_bytes(), name, content))
        write_durably(folder / name, content)


def load_beside(store: Store, kind: type[_Beside], run_id: str) -> _Beside | None:
    """What is kept beside that run; None where there is none. Raises RecordDamaged."""
    path = store.runs / run_id / _NAMES[kind]
    try:
        record = load_record(kind, path)
    except NotFound:
        return None
    check_digest(path, hashlib.sha256(path.read_bytes()).hexdigest())
    wrong = _find_wrong(record, run_id)
    if wrong:
        raise RecordDamaged(
            "What is kept beside a run is damaged.",
            where=str(path),
            found=wrong,
            hint="Remove the file; the forecast can be told again, the night entered again.",
        )
    return record


def _find_wrong(record: Prediction | Actual, run_id: str) -> str:
    if record.run != run_id:
        return f"it is of {record.run!r:.80}"
    if isinstance(record, Prediction):
        for told in record.figures:
            if len(told.curve) != len(TOLD_LEVELS) or list(told.curve) != sorted(told.curve):
                return f"{told.name!r:.80} is no law: {len(told.curve)} quantiles"
    return ""


def find_nights(store: Store, *, without: str = "") -> tuple[tuple[Prediction, Actual], ...]:
    """Every run whose forecast was told and whose night was entered, oldest first."""
    found = []
    for run_id in store.find_runs():
        if run_id == without or not (store.runs / run_id / ACTUAL_NAME).is_file():
            continue
        told = load_beside(store, Prediction, run_id)
        came = load_beside(store, Actual, run_id)
        if told is not None and came is not None:
            found.append((told, came))
    return tuple(found)
