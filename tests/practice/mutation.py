"""Ways to spoil a file, drawn from a seed: the same number gives the same spoilt file.

`spoil_bytes` knows nothing of the format; `spoil_value` takes plain data (of JSON or YAML)
apart; `HOSTILE` are texts that a name, an id or an answer may turn out to be.
"""

from __future__ import annotations

import copy
from collections.abc import Callable
from random import Random
from typing import Any

# Terminal sequences of ECMA-48 (CSI, OSC, DCS, their one-byte C1 forms), direction marks of
# UAX 9, invisible characters, other alphabets' digits, markup, templates, paths.
HOSTILE = (
    "\x1b[2J\x1b[1;1H", "\x1b]0;title\x07", "\x1b]8;;http://192.0.2.1/\x1b\\link\x1b]8;;\x1b\\",
    "\x1b]52;c;Zm9yZXJ1bg==\x07", "\x9b31m", "\x90q\x9c", "\x9d0;t\x9c", "\x1b", "\x1bc",
    "\u202eevil\u202c", "\u2066iso\u2069", "\u200b\u200d\ufeff", "\u2028\u2029\x85", "\x00",
    "\x7f\x08\x08", "a\rb", "a\nb\tc", "\ud800", "\U000e0041", "e\u0301" * 40, "\u0663\u0664",
    "<script>alert(1)</script>", "\"'><img src=x onerror=alert(1)>", "</style></svg>", "&lt;&#0;",
    "javascript:alert(1)", "[x](http://192.0.2.1/)", "![x](http://192.0.2.1/x.png)",
    "`" * 9, "| a | b |\n| --- |", "# head\n---\n", "{{ 7*7 }}{% raw %}", "%s%n{0}{x!r}",
    "../../../etc/passwd", "..", ".", "/etc/shadow", "a/../../b", "-rf", "--", "~root", "",
    " ", "x" * 5000, "nul\x00.txt", "C:\\x", "\\\\host\\share", "2026-01-31T22:00:00",
    "9999-12-31T23:59:59Z", "0001-01-01T00:00:00+23:59", "not a time", "1e999", "NaN",
    "(a+)+$", "(" * 2000 + ")" * 2000, "x{9999999999999}", "[[:alpha:]", "(?P<a>x)(?P=b)",
)  # fmt: skip
NUMBERS: tuple[Any, ...] = (
    0, -1, 1, 2**31, 2**63, -(2**63) - 1, 2**64, 10**18, 10**40, 10**400, -0.0, 0.1, 1e300,
    -1e300, 1.7976931348623157e308, 5e-324, float("nan"), float("inf"), float("-inf"),
)  # fmt: skip
_PIECES = (
    b"", b"\0", b"\0" * 64, b"\xff\xfe", b"\xef\xbb\xbf", b"\xc3\x28", b"\xed\xa0\x80", b"\xf8\x88",
    b"\x1b[2J", b"\x9b2J", b"\x1b]0;t\x07", b"\r", b"\n", b"\t", b" ", b"'", b'"', b"{", b"}", b"[",
    b"]", b":", b"- ", b"? ", b"#", b"---\n", b"...\n", b"&a ", b"*a", b"!!python/object:x ",
    b"|\n", b"<<: *a\n", b"%YAML 9\n", b"%TAG ! x\n", b"9" * 400, b"-1", b"1e999", b"NaN",
    b"-Infinity", b"null", b"true", b"{}", b"[]", b"[" * 300, b'{"a":' * 300,
    b"../../..", b"/etc/passwd",
)  # fmt: skip


def spoil_bytes(content: bytes, random: Random) -> bytes:
    """One to four changes of the kinds below."""
    for _ in range(random.choice((1, 1, 2, 4))):
        content = random.choice(_BYTE_WAYS)(content, random)
    return content


def _pick_span(content: bytes, random: Random) -> tuple[int, int]:
    start = random.randint(0, len(content))
    longest = random.choice((1, 4, 40, 512, len(content)))
    return start, min(len(content), start + random.randint(0, longest))


def _flip(content: bytes, random: Random) -> bytes:
    spoilt = bytearray(content)
    for _ in range(random.choice((1, 1, 3, 30))):
        if spoilt:
            spoilt[random.randrange(len(spoilt))] ^= 1 << random.randrange(8)
    return bytes(spoilt)


def _cut(content: bytes, random: Random) -> bytes:
    return content[: random.randint(0, len(content))]


def _behead(content: bytes, random: Random) -> bytes:
    return content[random.randint(0, len(content)) :]


def _delete(content: bytes, random: Random) -> bytes:
    start, end = _pick_span(content, random)
    return content[:start] + content[end:]


def _double(content: bytes, random: Random) -> bytes:
    start, end = _pick_span(content, random)
    return content[:end] + content[start:end] * random.choice((1, 1, 2, 7)) + content[end:]


def _move(content: bytes, random: Random) -> bytes:
    start, end = _pick_span(content, random)
    rest = content[:start] + content[end:]
    place = random.randint(0, len(rest))
    return rest[:place] + content[start:end] + rest[place:]


def _insert(content: bytes, random: Random) -> bytes:
    start, end = _pick_span(content, random)
    text = random.choice(HOSTILE).encode("utf-8", "surrogatepass")
    piece = random.choice((random.choice(_PIECES), random.randbytes(9), text))
    return content[:start] + piece + content[random.choice((start, end)) :]


def _recode(content: bytes, random: Random) -> bytes:
    """The same text in another encoding: with a byte order mark, UTF-16, UTF-32, Latin-1."""
    text = content.decode("utf-8", "replace")
    code = random.choice(("utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32", "latin-1"))
    return text.encode(code, "replace")


_BYTE_WAYS: tuple[Callable[[bytes, Random], bytes], ...] = (
    _flip, _flip, _cut, _behead, _delete, _delete, _double, _move, _insert, _insert, _insert,
    _recode,
)  # fmt: skip


def spoil_value(value: Any, random: Random, *, most: int = 4) -> Any:
    """A copy of plain data with one to `most` places changed: another type, another text or
    number, a part gone, doubled or moved, a list in a list in a list."""
    spoilt = [copy.deepcopy(value)]
    for _ in range(random.randint(1, most)):
        box, key = _pick_place(spoilt, random)
        way = random.randrange(8)
        if way == 0 and box is not spoilt:
            del box[key]
        elif way == 1 and isinstance(box, list):
            box[key : key + 1] = [copy.deepcopy(box[key])] * random.choice((0, 2, 3, 50))
        elif way == 2 and isinstance(box, dict):
            box[random.choice(HOSTILE)] = box.pop(key)
        elif way == 3:
            other, place = _pick_place(spoilt, random)
            box[key] = copy.deepcopy(other[place])
        elif way == 4:
            box[key] = _nest(random)
        else:
            box[key] = _draw(box[key], random)
        if not spoilt:
            spoilt.append(None)
    return spoilt[0]


def nudge_value(value: Any, random: Random, *, keep: frozenset[str] = frozenset()) -> Any:
    """A copy of plain data of the same shape, of the kind that still loads: texts and numbers
    changed here and there, rows of lists gone or doubled; values of the keys in `keep` stay."""
    share = random.choice((0.01, 0.1, 0.5))

    def walk(one: Any) -> Any:
        if isinstance(one, dict):
            return {key: part if key in keep else walk(part) for key, part in one.items()}
        if isinstance(one, list):
            # A pair stays a pair: (name, seconds), (key, value), (bytes, share).
            rows = one if len(one) == 2 else [p for p in one for _ in range(_repeat(random))]
            return [walk(part) for part in rows]
        if random.random() > share:
            return one
        if isinstance(one, str):
            text = random.choice(HOSTILE).replace("\ud800", "")
            return random.choice((text, one + text, text + one, one[: len(one) // 2] + text))
        if isinstance(one, bool):
            return not one
        return random.choice(SOUND_NUMBERS) if isinstance(one, int | float) else one

    return walk(value)


def _repeat(random: Random) -> int:
    return random.choices((1, 0, 2, 9), (94, 3, 2, 1))[0]


SOUND_NUMBERS = (0, -1, 1, 2, 59, 60, 3600, 86401, 10**6, 2**31, 2**40, 10**15, -(10**15))


def _pick_place(whole: list[Any], random: Random) -> tuple[Any, Any]:
    """A container and a key in it; every level is as likely as the next."""
    box: Any = whole
    key: Any = 0
    while isinstance(box[key], dict | list) and box[key] and random.random() < 0.85:
        box = box[key]
        key = random.choice(list(box)) if isinstance(box, dict) else random.randrange(len(box))
    return box, key


def _draw(old: Any, random: Random) -> Any:
    if isinstance(old, str) and random.random() < 0.7:
        text = random.choice(HOSTILE)
        return random.choice((text, old + text, text + old, old[: len(old) // 2] + text))
    if isinstance(old, int | float) and not isinstance(old, bool) and random.random() < 0.7:
        return random.choice(NUMBERS)
    kinds: tuple[Any, ...] = (
        random.choice(HOSTILE),
        random.choice(NUMBERS),
        None,
        True,
        [],
        {},
        [None],
        {"": 1},
    )
    return random.choice(kinds)


def _nest(random: Random) -> Any:
    inner: Any = random.choice(HOSTILE)
    for _ in range(random.choice((3, 30, 150))):
        inner = [inner] if random.random() < 0.5 else {"a": inner}
    return inner
