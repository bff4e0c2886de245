"""The JSON Schema of what a report says beyond the run's own record."""

from __future__ import annotations

from forerun.model.counters import Part
from forerun.model.estimate import Basis
from forerun.model.finding import Ruling
from forerun.model.speed import Work
from forerun.report.schema_shapes import (
    BOOL,
    COUNT,
    MAYBE_SECONDS,
    SECONDS,
    TEXT,
    TEXTS,
    WHOLE,
    Json,
    list_of,
    maybe,
    object_of,
)

_CHANCE: Json = {"type": ["number", "null"], "minimum": 0, "maximum": 1}
_NUMBER: Json = {"type": "number"}
_QUANTILES = object_of({"p20": maybe(SECONDS), **dict.fromkeys(("p50", "p80", "p95"), SECONDS)})


def outlook_schemas() -> Json:
    """The keys of the whole report that come with the outlook."""
    found = ("severity", "title", "evidence", "advice", "source", "name", "subject", "witness")
    finding = {**dict.fromkeys((*found, "settled"), TEXT), "evidence_lines": TEXTS}
    return {
        "estimate": object_of(
            {
                "available": BOOL,
                "objections": TEXTS,
                "refused": TEXT,
                "forecast": maybe(_forecast()),
            }
        ),
        "plan": maybe(_plan()),
        "decision": maybe(
            object_of(
                {
                    "ruling": {"enum": [ruling.value for ruling in Ruling]},
                    "rule": TEXT,
                    "reasons": TEXTS,
                    "conditions": TEXTS,
                }
            )
        ),
        "findings": list_of(object_of(finding)),
        "known_changes": object_of(
            {"looked_for": BOOL, "not_looked_at": list_of(object_of({"name": TEXT, "why": TEXT}))}
        ),
        "parts": list_of(_parts()),
        "speeds": object_of(dict.fromkeys(("production", "clone"), list_of(_speed()))),
        "questions": {**list_of(_answer()), "minItems": 20, "maxItems": 20},
    }


def _forecast() -> Json:
    step = {
        **dict.fromkeys(("step", "title", "stage"), TEXT),
        "takes_seconds": _QUANTILES,
        "parts": list_of(object_of({"part": TEXT, "seconds": SECONDS})),
    }
    service = {
        "service": TEXT,
        **dict.fromkeys(("total_seconds", "longest_seconds"), _QUANTILES),
        "tolerable_seconds": MAYBE_SECONDS,
        "within_share": _CHANCE,
        "returns": BOOL,
    }
    back_out = {**dict.fromkeys(("way", "title", "from_step"), TEXT), "takes_seconds": _QUANTILES}
    contributor = {
        "name": TEXT,
        "variance_share": {"type": "number", "minimum": 0, "maximum": 1},
        "sign": WHOLE,
        "seconds": _NUMBER,
    }
    assumption = {
        **dict.fromkeys(("name", "unit", "source", "objection"), TEXT),
        **dict.fromkeys(("value", "low", "high"), _NUMBER),
        "basis": {"enum": [basis.value for basis in Basis]},
    }
    hazard = {
        **dict.fromkeys(("name", "title"), TEXT),
        **dict.fromkeys(("seen", "of"), COUNT),
        **dict.fromkeys(("chance", "at_most", "fits_share"), _CHANCE),
        "window_seconds": maybe(_QUANTILES),
    }
    past = {
        **dict.fromkeys(("hits", "of"), COUNT),
        **dict.fromkeys(("bias", "worst", "widened"), _NUMBER),
    }
    return object_of(
        {
            "runs": TEXTS,
            "draws": COUNT,
            "seed": WHOLE,
            "what_if": list_of(object_of(dict.fromkeys(("key", "value", "change"), TEXT))),
            **dict.fromkeys(("window_seconds", "outage_seconds"), maybe(_QUANTILES)),
            "steps": list_of(object_of(step)),
            "services": list_of(object_of(service)),
            "back_outs": list_of(object_of(back_out)),
            "declared_window_seconds": MAYBE_SECONDS,
            **dict.fromkeys(("fits_share", "fits_with_back_out_share"), _CHANCE),
            "contributors": list_of(object_of(contributor)),
            "assumptions": list_of(object_of(assumption)),
            "hazards": list_of(object_of(hazard)),
            "past": maybe(object_of(past)),
            "histogram": maybe(
                object_of({"edges_seconds": list_of(_NUMBER), "counts": list_of(COUNT)})
            ),
        }
    )


def _plan() -> Json:
    times = ("begins_p50", "begins_p95", "ends_p50", "ends_p95")
    line = {
        **dict.fromkeys(("step", "title", "stage", *times), TEXT),
        **dict.fromkeys(("hold_point", "point_of_no_return"), BOOL),
    }
    texts = ("begins", "ends", "no_return_step", "no_return_p50", "no_return_p95")
    return object_of(
        {
            **dict.fromkeys((*texts, "back_out_by", "back_out_way"), TEXT),
            "lines": list_of(object_of(line)),
            "notices": list_of(object_of(dict.fromkeys(("at", "whom", "what", "name"), TEXT))),
            "objections": TEXTS,
        }
    )


def _parts() -> Json:
    part = {
        "part": {"enum": [part.value for part in Part]},
        "seconds": _NUMBER,
        "amount": {"type": ["number", "null"]},
        **dict.fromkeys(("unit", "how"), TEXT),
    }
    return object_of({"step": TEXT, "wall_seconds": SECONDS, "parts": list_of(object_of(part))})


def _speed() -> Json:
    speed = {
        "work": {"enum": [work.value for work in Work]},
        **dict.fromkeys(("unit", "subject"), TEXT),
        "seconds": list_of(_NUMBER),
    }
    return object_of(
        {
            "taken_at": TEXT,
            "wall_seconds": SECONDS,
            "granted_share": _NUMBER,
            "other_work_processors": {"type": ["number", "null"]},
            "speeds": list_of(object_of(speed)),
            "left_out": list_of(object_of(dict.fromkeys(("work", "why"), TEXT))),
        }
    )


def _answer() -> Json:
    return object_of(
        {
            "number": {"type": "integer", "minimum": 1, "maximum": 20},
            **dict.fromkeys(("question", "answer"), TEXT),
            **dict.fromkeys(("report_places", "runbook_places"), TEXTS),
        }
    )
