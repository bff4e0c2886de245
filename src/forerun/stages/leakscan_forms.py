"""The forms in which the leak scan searches for an original. Shares no code with sanitising."""

from __future__ import annotations

import base64
import hashlib
import html
import json
import re
import shlex
import urllib.parse
from collections.abc import Iterator

LEAST = 6
_LEAST_CODED = 8

COMMON = frozenset({
    b"access", b"administrator", b"changeme", b"community", b"database", b"debian", b"default",
    b"example", b"example.com", b"localhost", b"monitor", b"monitoring", b"network", b"password",
    b"password1", b"postgres", b"private", b"public", b"readonly", b"replication", b"secret",
    b"server", b"service", b"system", b"testing", b"username", b"welcome", b"www-data",
})  # fmt: skip


def is_worth_searching(value: bytes, common: frozenset[bytes] | set[bytes] = COMMON) -> bool:
    """Whether an original can be told from noise: see the docstring of `leakscan`."""
    if len(value) < LEAST or value.lower() in common:
        return False
    if value.isdigit():
        return len(value) >= 10
    return not (value.isalpha() and value.islower() and len(value) < 8)


def walk_forms(value: bytes) -> Iterator[tuple[str, bytes]]:
    """(name of the form, the value in it) for each form that the leak scan searches for."""
    yield "plain", value
    yield from _walk_base64(value)
    yield "hexadecimal", value.hex().encode()
    yield "hexadecimal", value.hex().upper().encode()
    quoted = urllib.parse.quote(value, safe="").encode()
    if quoted != value:
        yield "percent-encoded", quoted
        yield "percent-encoded", _lower_escapes(quoted)
        yield "percent-encoded", urllib.parse.quote(value).encode()
        yield "percent-encoded", urllib.parse.quote_plus(value).encode()
    yield from _walk_digests(value)
    try:
        text = value.decode()
    except UnicodeDecodeError:
        return
    yield "UTF-16", text.encode("utf-16-le")
    yield "UTF-16", text.encode("utf-16-be")
    for form, escaped in _walk_escapes(text):
        if escaped != text:
            yield form, escaped.encode()


def _walk_base64(value: bytes) -> Iterator[tuple[str, bytes]]:
    for shift in range(3):
        coded = base64.b64encode(b"\0" * shift + value)
        # Drop what also depends on the bytes before and after.
        first = (0, 2, 3)[shift]
        last = len(coded) if (shift + len(value)) % 3 == 0 else -(4 - (shift + len(value)) % 3)
        part = coded[first:last]
        if len(part) >= _LEAST_CODED:
            yield "base64", part
            if b"+" in part or b"/" in part:
                yield "base64url", part.replace(b"+", b"-").replace(b"/", b"_")


def _walk_digests(value: bytes) -> Iterator[tuple[str, bytes]]:
    """Digests of the value, and of a line with it (`echo VALUE | md5sum`)."""
    for name in ("md5", "sha1", "sha256", "sha512"):
        for data in (value, value + b"\n"):
            made = hashlib.new(name, data, usedforsecurity=False).digest()
            yield name, made.hex().encode()
            yield name, made.hex().upper().encode()
            yield name, base64.b64encode(made)


def _walk_escapes(text: str) -> Iterator[tuple[str, str]]:
    yield "JSON", json.dumps(text)[1:-1]
    yield "JSON", json.dumps(text, ensure_ascii=False)[1:-1]
    yield "JSON", json.dumps(text)[1:-1].replace("/", "\\/")
    inner = shlex.quote(text)
    yield "shell", inner[1:-1] if inner.startswith("'") else inner
    yield "shell", text.replace("'", "'\\''")
    yield "shell", re.sub(r"([^\w@%+=:,./-])", r"\\\1", text)
    yield "HTML", html.escape(text)
    yield "HTML", html.escape(text, quote=False)
    yield "HTML", html.escape(text).replace("&#x27;", "&#39;")
    yield "doubled", text.replace("'", "''")
    yield "doubled", text.replace("%", "%%")


def _lower_escapes(quoted: bytes) -> bytes:
    parts = quoted.split(b"%")
    return b"%".join([parts[0], *(part[:2].lower() + part[2:] for part in parts[1:])])
