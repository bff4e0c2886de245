"""What a stored record cannot hold, whoever wrote it. Pure.

A number that is none, or one beyond any measurement, would break sums, drawings and
comparisons far from the place where it was put in; so records are looked through as they
are read, and a record of what a server or a clone said is mended before it is written:
neither may make a record that cannot be read again.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator
from typing import Any, TypeVar

# A second and a byte are the smallest units in a record: 30 million years, 8 EiB.
T = TypeVar("T")
LARGEST_FLOAT = 1e15
LARGEST_WHOLE = (1 << 63) - 1


def find_implausible(value: object, place: str = "") -> Iterator[str]:
    """`place: what is wrong` of each number in a record that can be no measurement, at any
    depth, and of a `schema` that is not the record's own."""
    if isinstance(value, int | float):
        reason = _judge_number(value)
        if reason:
            yield f"{place}: {reason}"
    elif isinstance(value, tuple):
        for number, one in enumerate(value):
            yield from find_implausible(one, f"{place}.{number}")
    elif dataclasses.is_dataclass(value):
        for field in dataclasses.fields(value):
            found = getattr(value, field.name)
            if field.name == "schema" and found != field.default:
                yield f"schema: {found!r:.60} is not {field.default!r}"
            yield from find_implausible(found, f"{place}.{field.name}".lstrip("."))


def _judge_number(value: float) -> str:
    if isinstance(value, int):
        beyond = abs(value) > LARGEST_WHOLE
        return f"a whole number of {value.bit_length()} bits is no measurement" if beyond else ""
    if math.isfinite(value) and abs(value) <= LARGEST_FLOAT:
        return ""
    return f"{value:g} is no measurement"


def mend_record(record: T, *, unknown: int) -> T:
    """The same record, with `unknown` for every number that can be no measurement and
    escapes (`\\udcff`) for what is no character: JSON has neither."""
    mended: T = _mend(record, unknown)
    return mended


def _mend(value: Any, unknown: int) -> Any:
    if isinstance(value, bool):
        return value
    if isinstance(value, int | float):
        return type(value)(unknown) if _judge_number(value) else value
    if isinstance(value, str):
        return value.encode("utf-8", "backslashreplace").decode("utf-8")
    if isinstance(value, tuple):
        return tuple(_mend(one, unknown) for one in value)
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        parts = {f.name: _mend(getattr(value, f.name), unknown) for f in dataclasses.fields(value)}
        return dataclasses.replace(value, **parts)
    return value
