"""The JSON Schema of what was tried beside the procedure."""

from __future__ import annotations

from forerun.report.schema_shapes import (
    BOOL,
    BYTES,
    COUNT,
    SECONDS,
    TEXT,
    TEXTS,
    Json,
    list_of,
    object_of,
)


def trials_schema() -> Json:
    """Hold points, faults and ways back."""
    hold = object_of(
        {
            "step": TEXT,
            **dict.fromkeys(("at_seconds", "took_seconds"), SECONDS),
            **dict.fromkeys(("memory_bytes", "disk_bytes"), BYTES),
        }
    )
    texts = ("fault", "title", "step", "moment", "end", "recovery", "rule", "why")
    answer = {"enum": ["yes", "no", "not tried"]}
    fault = object_of(
        {
            **dict.fromkeys(texts, TEXT),
            **dict.fromkeys(("boots", "reachable"), answer),
            **dict.fromkeys(("seen", "silent"), TEXTS),
            "recovered": BOOL,
            **dict.fromkeys(("recovery_seconds", "wall_seconds"), SECONDS),
        }
    )
    back_out = object_of(
        {
            **dict.fromkeys(("title", "from_step", "why"), TEXT),
            "way": {"enum": ["hold point", "rebuild"]},
            "wall_seconds": SECONDS,
            "parts": list_of(object_of({"name": TEXT, "seconds": SECONDS})),
            **dict.fromkeys(("checks", "alike"), COUNT),
            "differences": TEXTS,
        }
    )
    return object_of(
        {"holds": list_of(hold), "faults": list_of(fault), "back_out": list_of(back_out)}
    )
