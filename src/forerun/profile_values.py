"""The kinds of single values in the YAML files, each with its parser beside it.

A scalar arrives as the text that was written (see `profile_yaml`). A parser raises
ValueError with what is wrong and, where it can be guessed, what was meant.
"""

from __future__ import annotations

import re
from typing import Annotated, Any

from pydantic import BeforeValidator, WithJsonSchema

from forerun.profile_mistakes import find_control, near_miss, show

LONGEST_S = 7 * 86400.0
UNIT_SUFFIXES = ("service", "timer", "socket", "path", "mount", "target")

_UNITS = {"d": 86400.0, "h": 3600.0, "min": 60.0, "s": 1.0, "ms": 0.001}
_OTHER_UNITS = {"m": "min", "sec": "s", "second": "s", "minute": "min", "hour": "h", "day": "d"}
_PART = re.compile(r"\s*(\d+(?:\.\d+)?)\s*([A-Za-z]+)")
_DURATION_PATTERN = r"^\s*(\d+(\.\d+)?\s*(d|h|min|s|ms)\s*)+$"
_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,59}")
_UNIT = re.compile(rf"[A-Za-z0-9:_.@\\-]+\.({'|'.join(UNIT_SUFFIXES)})")
_ALL = "all"
_SHARE = re.compile(r"([0-9]{1,3}(\.[0-9]{1,2})?)\s*%")
_SCALAR = ["string", "number", "boolean"]


def parse_duration(text: str) -> float:
    """Seconds from `30 s`, `10 min`, `1 h 30 min`, `500 ms`, `2 d`.

    Units go from large to small, each at most once. A bare number is refused, because
    nobody can see whether it means seconds or minutes. Raises ValueError with a hint.
    """
    if re.fullmatch(r"\s*\d+(\.\d+)?\s*", text):
        number = text.strip()
        raise ValueError(f"{number!r} has no unit; write `{number} s` or `{number} min`")
    seconds, place, last = 0.0, 0, float("inf")
    while place < len(text.rstrip()):
        part = _PART.match(text, place)
        if part is None:
            raise ValueError(
                f"{show(text)!r} is not a duration; write `30 s`, `10 min` or `1 h 30 min`"
            )
        factor = _unit_factor(part.group(2))
        if factor >= last:
            raise ValueError(f"{show(text)!r}: units go from large to small, each once")
        seconds += float(part.group(1)) * factor
        place, last = part.end(), factor
    if not place:
        raise ValueError("a duration is missing; write `30 s`, `10 min` or `1 h 30 min`")
    if seconds > LONGEST_S:
        raise ValueError(f"{show(text)!r} is longer than 7 d")
    return seconds


def _unit_factor(unit: str) -> float:
    if unit in _UNITS:
        return _UNITS[unit]
    meant = _OTHER_UNITS.get(unit.lower().removesuffix("s") or unit)
    guess = f"; did you mean {meant!r}?" if meant else ""
    raise ValueError(f"{show(unit)!r} is not a unit of time (allowed: d, h, min, s, ms{guess})")


_SIZE = re.compile(r"\s*(\d{1,6})\s*(B|KiB|MiB|GiB)\s*")
_SIZE_UNITS = {"B": 1, "KiB": 1 << 10, "MiB": 1 << 20, "GiB": 1 << 30}


def parse_size(text: str) -> int:
    """Bytes from `512 B`, `64 KiB`, `3 MiB`, `1 GiB`. Raises ValueError with a hint."""
    part = _SIZE.fullmatch(text)
    if part is None:
        raise ValueError(f"{show(text)!r} is not a size; write `512 B`, `64 KiB` or `3 MiB`")
    return int(part[1]) * _SIZE_UNITS[part[2]]


def _need_size(value: object) -> int:
    return parse_size(_need_text(value))


def _need_file_count(value: object) -> int:
    count = _need_whole(value)
    if not 1 <= count <= 100_000:
        raise ValueError(f"{count} is not a number of files (allowed: 1 to 100000)")
    return count


def _need_text(value: object) -> str:
    if isinstance(value, str):
        return value
    if value is None:
        raise ValueError('nothing is written here (write "" where an empty text is meant)')
    raise ValueError("must be a text, not a list or a mapping")


def _need_filled(value: object) -> str:
    text = _need_text(value)
    if not text.strip():
        raise ValueError("must not be empty")
    return text


def _need_line(value: object) -> str:
    text = _need_filled(value).strip()
    if "\n" in text:
        raise ValueError("must be a single line")
    return _need_visible(text)


def _need_visible(text: str) -> str:
    odd = find_control(text.replace("\n", ""))
    if odd:
        raise ValueError(f"holds the control or invisible character U+{ord(odd):04X}")
    return text


def _need_prose(value: object) -> str:
    return _need_visible(_need_filled(value).strip())


def _need_name(value: object) -> str:
    text = _need_filled(value)
    if not _NAME.fullmatch(text):
        raise ValueError(f"{show(text)!r} is not a name (allowed: a-z, 0-9 and -, up to 60)")
    return text


def _need_flag(value: object) -> bool:
    text = _need_text(value)
    if text in ("true", "false"):
        return text == "true"
    guess = near_miss({"yes": "true", "on": "true"}.get(text.lower(), text), ("true", "false"))
    raise ValueError(f"{show(text)!r} must be true or false{'; ' + guess if guess else ''}")


def _need_whole(value: object) -> int:
    text = _need_text(value)
    if not re.fullmatch(r"-?[0-9]{1,9}", text):
        raise ValueError(f"{show(text)!r} must be a whole number")
    return int(text)


def _need_duration(value: object) -> float:
    return parse_duration(_need_text(value))


def _need_some_time(value: object) -> float:
    seconds = _need_duration(value)
    if seconds <= 0:
        raise ValueError("must be longer than 0 s")
    return seconds


def _need_exit(value: object) -> int:
    code = _need_whole(value)
    if not 0 <= code <= 255:
        raise ValueError(f"{code} is not an exit code (allowed: 0 to 255)")
    return code


def _need_port(value: object) -> int:
    port = _need_whole(value)
    if not 1 <= port <= 65535:
        raise ValueError(f"{port} is not a port (allowed: 1 to 65535)")
    return port


def _need_count(value: object) -> int:
    count = _need_whole(value)
    if not 1 <= count <= 1000:
        raise ValueError(f"{count} is not a count (allowed: 1 to 1000)")
    return count


def _need_points(value: object) -> int:
    points = _need_whole(value)
    if not 0 <= points <= 1000:
        raise ValueError(f"{points} is not a number of points (allowed: 0 to 1000)")
    return points


def _need_draw(value: object) -> int:
    """How many are drawn; -1 for `all`."""
    text = _need_text(value)
    if text == _ALL:
        return -1
    if not re.fullmatch(r"[0-9]{1,3}", text):
        guess = near_miss(text, (_ALL,))
        raise ValueError(
            f"{show(text)!r} is not a draw (allowed: all, 0 to 999{'; ' + guess if guess else ''})"
        )
    return int(text)


def parse_share(text: str) -> float:
    """A part of one, from `70 %` or `62.5 %`: above 0 and at most 1.

    A bare number is refused, because nobody can see whether 1 means all or a hundredth.
    Raises ValueError with a hint.
    """
    found = _SHARE.fullmatch(text.strip())
    if found is None:
        raise ValueError(f"{show(text)!r} is not a share; write it as `70 %`")
    share = float(found[1]) / 100
    if not 0 < share <= 1:
        raise ValueError(f"{show(text)!r} is not a share (allowed: above 0 % up to 100 %)")
    return share


def _need_share(value: object) -> float:
    return parse_share(_need_text(value))


def _need_pattern(value: object) -> str:
    text = _need_filled(value)
    try:
        pattern = re.compile(text, re.MULTILINE)
    except re.error as problem:
        place = "" if problem.pos is None else f" at character {problem.pos + 1}"
        raise ValueError(f"is not a regular expression: {problem.msg}{place}") from problem
    except (OverflowError, RecursionError) as problem:
        raise ValueError("is a regular expression too large or too deep to be read") from problem
    if pattern.search(""):
        raise ValueError("matches an empty text, and so every question")
    return text


def _need_unit(value: object) -> str:
    text = _need_line(value)
    if _UNIT.fullmatch(text):
        return text
    suffixes = ", ".join("." + suffix for suffix in UNIT_SUFFIXES)
    guess = "" if "." in text else f"; did you mean {show(text) + '.service'!r}?"
    raise ValueError(f"{show(text)!r} is not a unit (allowed: a name with {suffixes}{guess})")


def _need_path(value: object) -> str:
    text = _need_line(value)
    if not text.startswith("/"):
        raise ValueError(f"{show(text)!r} must be an absolute path")
    return text


def _need_web_path(value: object) -> str:
    text = _need_line(value)
    if not re.fullmatch(r"/[!-~]*", text):
        raise ValueError(f"{show(text)!r} must begin with / and hold no blanks")
    return text


def _need_fingerprint(value: object) -> str:
    text = re.sub(r"\s", "", _need_filled(value)).upper()
    if not re.fullmatch(r"[0-9A-F]{40}|[0-9A-F]{64}", text):
        raise ValueError("is not a key fingerprint (allowed: 40 or 64 hexadecimal digits)")
    return text


def _need_environment_name(value: object) -> str:
    text = _need_text(value)
    if not re.fullmatch(r"[A-Za-z_][A-Za-z0-9_]*", text):
        raise ValueError(f"{show(text)!r} is not the name of an environment variable")
    return text


def _text(**more: Any) -> WithJsonSchema:
    return WithJsonSchema({"type": _SCALAR, **more})


Text = Annotated[str, BeforeValidator(_need_text), _text()]
Script = Annotated[
    str, BeforeValidator(_need_filled), WithJsonSchema({"type": "string", "minLength": 1})
]
Line = Annotated[str, BeforeValidator(_need_line), _text(minLength=1)]
# Like a line, but it may have several and paragraphs: what is told to a person.
Prose = Annotated[str, BeforeValidator(_need_prose), _text(minLength=1)]
Name = Annotated[str, BeforeValidator(_need_name), _text(pattern=f"^{_NAME.pattern}$")]
Flag = Annotated[bool, BeforeValidator(_need_flag), WithJsonSchema({"type": "boolean"})]
ExitCode = Annotated[
    int,
    BeforeValidator(_need_exit),
    WithJsonSchema({"type": "integer", "minimum": 0, "maximum": 255}),
]
Port = Annotated[
    int,
    BeforeValidator(_need_port),
    WithJsonSchema({"type": "integer", "minimum": 1, "maximum": 65535}),
]
Count = Annotated[
    int,
    BeforeValidator(_need_count),
    WithJsonSchema({"type": "integer", "minimum": 1, "maximum": 1000}),
]
Points = Annotated[
    int,
    BeforeValidator(_need_points),
    WithJsonSchema({"type": "integer", "minimum": 0, "maximum": 1000}),
]
Draw = Annotated[
    int,
    BeforeValidator(_need_draw),
    WithJsonSchema({"anyOf": [{"type": "integer", "minimum": 0, "maximum": 999}, {"const": _ALL}]}),
]
Share = Annotated[
    float,
    BeforeValidator(_need_share),
    WithJsonSchema({"type": "string", "pattern": f"^{_SHARE.pattern}$"}),
]
FileCount = Annotated[
    int,
    BeforeValidator(_need_file_count),
    WithJsonSchema({"type": "integer", "minimum": 1, "maximum": 100_000}),
]
Size = Annotated[int, BeforeValidator(_need_size), _text(pattern=_SIZE.pattern)]
Duration = Annotated[
    float,
    BeforeValidator(_need_duration),
    WithJsonSchema({"type": "string", "pattern": _DURATION_PATTERN}),
]
SomeTime = Annotated[
    float,
    BeforeValidator(_need_some_time),
    WithJsonSchema({"type": "string", "pattern": _DURATION_PATTERN}),
]
Pattern = Annotated[
    str,
    BeforeValidator(_need_pattern),
    WithJsonSchema({"type": "string", "format": "regex", "minLength": 1}),
]
UnitName = Annotated[
    str,
    BeforeValidator(_need_unit),
    WithJsonSchema({"type": "string", "pattern": f"^{_UNIT.pattern}$"}),
]
AbsolutePath = Annotated[
    str, BeforeValidator(_need_path), WithJsonSchema({"type": "string", "pattern": "^/"})
]
WebPath = Annotated[
    str, BeforeValidator(_need_web_path), WithJsonSchema({"type": "string", "pattern": "^/"})
]
Fingerprint = Annotated[
    str,
    BeforeValidator(_need_fingerprint),
    WithJsonSchema({"type": "string", "pattern": r"^([0-9A-Fa-f]\s*){40,64}$"}),
]
EnvironmentName = Annotated[str, BeforeValidator(_need_environment_name)]
