"""The JSON Schema (draft 2020-12) of `forerun.comparison/1`."""

from __future__ import annotations

from forerun.report.compare import Judged
from forerun.report.compare_render import COMPARISON_SCHEMA
from forerun.report.schema_shapes import COUNT, MAYBE_NUMBER, TEXT, TEXTS, Json, list_of, object_of


def comparison_schema() -> Json:
    """The whole schema as plain dictionaries."""
    figure = {
        **dict.fromkeys(("key", "name"), TEXT),
        "unit": {"enum": ["s", "bytes", "count"]},
        **dict.fromkeys(
            ("old", "new", "difference", "expected_low", "expected_high"), MAYBE_NUMBER
        ),
        "judged": {"enum": [judged.value for judged in Judged]},
        "runs": COUNT,
    }
    change = dict.fromkeys(("kind", "what", "before", "after", "why"), TEXT)
    group = {
        "title": TEXT,
        "unchanged": {"type": ["integer", "null"], "minimum": 0},
        "changes": list_of(object_of(change)),
    }
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": COMPARISON_SCHEMA,
        "description": "Two runs or two surveys. Seconds and bytes as `unit` says.",
        **object_of(
            {
                "schema": {"const": COMPARISON_SCHEMA},
                "kind": {"enum": ["runs", "surveys"]},
                **dict.fromkeys(("host", "old", "new", "summary"), TEXT),
                "circumstances": list_of(object_of(dict.fromkeys(("what", "old", "new"), TEXT))),
                "figures": list_of(object_of(figure)),
                "groups": list_of(object_of(group)),
                "notes": TEXTS,
                "cautions": {**TEXTS, "minItems": 1},
            }
        ),
    }
