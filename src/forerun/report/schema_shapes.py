"""The shapes that the report's JSON Schema is made of."""

from __future__ import annotations

from typing import Any

Json = dict[str, Any]

TEXT: Json = {"type": "string"}
MAYBE_TEXT: Json = {"type": ["string", "null"]}
TEXTS: Json = {"type": "array", "items": TEXT}
BOOL: Json = {"type": "boolean"}
MAYBE_BOOL: Json = {"type": ["boolean", "null"]}
COUNT: Json = {"type": "integer", "minimum": 0}
WHOLE: Json = {"type": "integer"}
SECONDS: Json = {"type": "number", "minimum": 0}
MAYBE_SECONDS: Json = {"type": ["number", "null"], "minimum": 0}
BYTES: Json = {"type": "integer", "minimum": 0}
MAYBE_BYTES: Json = {"type": ["integer", "null"], "minimum": 0}
MAYBE_NUMBER: Json = {"type": ["number", "null"]}
DAY: Json = {"type": "string", "pattern": r"^\d{4}-\d\d-\d\d$"}
MAYBE_DAY: Json = {**DAY, "type": ["string", "null"]}
PROVENANCE: Json = {"enum": ["measured", "estimated", "assumed"]}


def object_of(keys: Json) -> Json:
    """An object with these keys, all of them required."""
    return {"type": "object", "properties": keys, "required": list(keys)}


def list_of(items: Json) -> Json:
    """A list of such items."""
    return {"type": "array", "items": items}


def maybe(schema: Json) -> Json:
    """That, or null where it was not measured."""
    return {"anyOf": [schema, {"type": "null"}]}
