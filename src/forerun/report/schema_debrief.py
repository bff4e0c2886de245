"""The JSON Schema (draft 2020-12) of `forerun.debrief/1`.

Every key that is written is named and required here; readers must accept keys that
a later forerun adds.
"""

from __future__ import annotations

from forerun.model.drill import DrillState
from forerun.report.debrief import Mended
from forerun.report.debrief_data import DEBRIEF_SCHEMA
from forerun.report.schema_shapes import (
    BOOL,
    COUNT,
    MAYBE_BOOL,
    MAYBE_DAY,
    MAYBE_NUMBER,
    MAYBE_SECONDS,
    MAYBE_TEXT,
    TEXT,
    TEXTS,
    WHOLE,
    Json,
    list_of,
    maybe,
    object_of,
)

_STATE: Json = {"enum": [state.value for state in DrillState]}
_EVENT = object_of(
    {
        **dict.fromkeys(("at", "kind", "name", "text"), TEXT),
        "at_seconds": MAYBE_SECONDS,
        "attempt": WHOLE,
    }
)


def debrief_schema() -> Json:
    """The whole schema of a debrief as plain dictionaries."""
    events = list_of(_EVENT)
    drill = {
        **dict.fromkeys(("name", "title", "level", "situation", "digest"), TEXT),
        **dict.fromkeys(("key_points", "debrief", "read"), TEXTS),
    }
    verdict = {
        "sentence": TEXT,
        "passed": MAYBE_BOOL,
        "judged": TEXT,
        **dict.fromkeys(("reasons", "went_well", "objections"), TEXTS),
    }
    points = {"left": WHOLE, "most": WHOLE, "hints_cost": WHOLE, "share_wanted": MAYBE_NUMBER}
    time = ("spent", "allowed", "window", "rehearsal", "cold_start")
    reset = dict.fromkeys(("at_seconds", "took_seconds"), MAYBE_SECONDS)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": DEBRIEF_SCHEMA,
        "description": "One drill. Seconds as the keys say; null = not known.",
        **object_of(
            {
                "schema": {"const": DEBRIEF_SCHEMA},
                "record": _record(),
                "drill": object_of(drill),
                "verdict": object_of(verdict),
                "points": object_of(points),
                "time": object_of({f"{name}_seconds": MAYBE_SECONDS for name in time}),
                "objectives": list_of(_objective()),
                "injects": list_of(_inject()),
                "injects_not_drawn": COUNT,
                **dict.fromkeys(("wrong_turns", "calls", "notes", "events"), events),
                "resets": list_of(object_of(reset)),
                "casts": TEXTS,
                "next": _next(),
                "to_fill_in": _to_fill_in(),
                "cautions": {**TEXTS, "minItems": 1},
            }
        ),
    }


def _record() -> Json:
    texts = (
        "id", "person", "made_at", "host", "survey", "profile", "profile_digest",
        "forerun_version",
    )  # fmt: skip
    return object_of(
        {
            **dict.fromkeys(texts, TEXT),
            "state": _STATE,
            **dict.fromkeys(("began_at", "finished_at", "run"), MAYBE_TEXT),
            "attempts": WHOLE,
            "seed": WHOLE,
            "drawn": TEXTS,
        }
    )


def _objective() -> Json:
    hint = object_of({"text": TEXT, "cost": WHOLE})
    return object_of(
        {
            **dict.fromkeys(("name", "title", "check", "evidence", "why", "read"), TEXT),
            "critical": BOOL,
            "standing": {"enum": ["met", "not yet", "not met", "lost"]},
            "decided_at_seconds": MAYBE_SECONDS,
            "points": WHOLE,
            "most_points": WHOLE,
            "hints": list_of(hint),
        }
    )


def _inject() -> Json:
    texts = ("name", "kind", "title", "detection", "mended_by", "cue", "right", "lesson", "read")
    seconds = ("struck_at", "mended_at", "took", "limit", "first_act_after")
    return object_of(
        {
            **dict.fromkeys(texts, TEXT),
            "outcome": {"enum": [mended.value for mended in Mended]},
            **{f"{name}_seconds": MAYBE_SECONDS for name in seconds},
            "first_act": maybe(_EVENT),
            "why_not_made": MAYBE_TEXT,
        }
    )


def _next() -> Json:
    return object_of(
        {
            "refresher_due": MAYBE_DAY,
            "before_change_weeks": COUNT,
            **dict.fromkeys(("refresher", "basis", "drill"), TEXT),
        }
    )


def _to_fill_in() -> Json:
    two = {"type": "array", "items": MAYBE_TEXT, "minItems": 2, "maxItems": 2}
    return object_of({"remark": MAYBE_TEXT, "keep": two, "change": two})
