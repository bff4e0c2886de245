"""The JSON Schema (draft 2020-12) of `forerun.training-record/1`."""

from __future__ import annotations

from forerun.model.drill import DrillState
from forerun.report.render_training import TRAINING_SCHEMA
from forerun.report.schema_shapes import (
    BOOL,
    COUNT,
    DAY,
    MAYBE_BOOL,
    MAYBE_DAY,
    MAYBE_SECONDS,
    MAYBE_TEXT,
    TEXT,
    TEXTS,
    WHOLE,
    Json,
    list_of,
    object_of,
)
from forerun.report.training_record import Training

_STATE: Json = {"enum": [state.value for state in DrillState]}


def training_record_schema() -> Json:
    """The whole schema of a training record as plain dictionaries."""
    row = {
        **dict.fromkeys(("id", "person", "drill", "title", "level", "profile", "digest"), TEXT),
        "day": MAYBE_DAY,
        "state": _STATE,
        "passed": BOOL,
        "points": WHOLE,
        "most_points": WHOLE,
        "spent_seconds": MAYBE_SECONDS,
        "hints": COUNT,
        "resets": COUNT,
        "refresher_due": MAYBE_DAY,
    }
    trained = {
        **dict.fromkeys(("person", "drill", "profile"), TEXT),
        "standing": {"enum": [training.value for training in Training]},
        **dict.fromkeys(("overdue", "failed_since", "other_file_since"), BOOL),
        **dict.fromkeys(("last_passed", "last_played", "refresher_due"), MAYBE_DAY),
        **dict.fromkeys(("record", "digest"), MAYBE_TEXT),
        "fresh_for_change": MAYBE_BOOL,
    }
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": TRAINING_SCHEMA,
        "description": "Drills of persons, as of a day. Seconds as the keys say; null = not known.",
        **object_of(
            {
                "schema": {"const": TRAINING_SCHEMA},
                "as_of": DAY,
                "change_on": MAYBE_DAY,
                **dict.fromkeys(("refresher_months", "before_change_weeks", "later_drills"), COUNT),
                "basis": TEXT,
                "trained": list_of(object_of(trained)),
                "drills": list_of(object_of(row)),
                "cautions": {**TEXTS, "minItems": 1},
            }
        ),
    }
