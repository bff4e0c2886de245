"""Secrets in another form: encoded, escaped, or as a plain digest.

Two ways. `list_forms` writes a secret in every form that can be computed from it, so that
the sweep (`sanitise_known`) finds those too. `find_encoded` opens base64
that holds text, has the text cleaned, and closes it again: a secret inside stands at any
of three alignments there, so no form can be computed for it.

Sources: RFC 4648 (base64, base64url, hexadecimal), RFC 3986 2.1 (percent-encoding),
RFC 8259 7 (JSON), HTML 4.01 24.4 (character references), POSIX shell 2.2 (quoting),
RFC 7617 (Basic), MySQL's and PostgreSQL's documentation of their password digests.
"""

from __future__ import annotations

import base64
import hashlib
import html
import json
import re
from collections.abc import Callable, Iterable, Iterator
from urllib.parse import quote, quote_plus, unquote

from forerun.stages.sanitise_base64 import CODED_LINES, read_base64_text, write_base64_like
from forerun.stages.sanitise_edit import Edit
from forerun.stages.sanitise_vault import Vault, encode

Coder = Callable[[str], str]

# A shorter form is found by chance in unrelated text.
_LEAST_FORM = 8
_DIGESTS = ("md5", "sha1", "sha224", "sha256", "sha384", "sha512")


_HEX = re.compile(r"(?:[0-9a-f]{2}){8,}|(?:[0-9A-F]{2}){8,}")


def _lower_escapes(text: str) -> str:
    return re.sub("%[0-9A-F]{2}", lambda match: match[0].lower(), quote(text, safe=""))


def _quote(text: str) -> str:
    return quote(encode(text), safe="")


def _to_json(text: str) -> str:
    return json.dumps(text)[1:-1]


def _to_html(text: str) -> str:
    return html.escape(text)


def _to_shell(text: str) -> str:
    return re.sub(r"([^\w@%+=:,./-])", r"\\\1", text)


_TEXT_CODERS: tuple[Coder, ...] = (
    _quote,
    _lower_escapes,
    lambda text: quote(encode(text)),
    lambda text: quote_plus(encode(text)),
    _to_json,
    lambda text: json.dumps(text, ensure_ascii=False)[1:-1],
    lambda text: _to_json(text).replace("/", "\\/"),
    _to_html,
    lambda text: html.escape(text, quote=False),
    lambda text: _to_html(text).replace("&#x27;", "&#39;"),
    lambda text: _to_html(text).replace("&#x27;", "&apos;"),
    lambda text: text.replace("'", "'\\''"),
    lambda text: text.replace("'", "'\"'\"'"),
    lambda text: text.replace("'", "''"),
    lambda text: text.replace("\\", "\\\\").replace('"', '\\"').replace("$", "\\$"),
    lambda text: text.replace("\\", "\\\\").replace(":", "\\:"),
    lambda text: text.replace("%", "%%"),
    _to_shell,
    lambda text: encode(text).hex(),
    lambda text: encode(text).hex().upper(),
    lambda text: encode(text).hex(":"),
    lambda text: "".join(f"\\x{byte:02x}" for byte in encode(text)),
    lambda text: base64.b64encode(encode(text)).decode(),
    lambda text: base64.b64encode(encode(text)).decode().rstrip("="),
    lambda text: base64.urlsafe_b64encode(encode(text)).decode().rstrip("="),
    lambda text: text.upper() if _HEX.fullmatch(text) else text,
    lambda text: text.lower() if _HEX.fullmatch(text) else text,
)
_KEY_TEXT = re.compile(r"[A-Za-z0-9+/]{16,}={0,2}")


def _digest(name: str, data: bytes) -> bytes:
    return hashlib.new(name, data, usedforsecurity=False).digest()


def _list_digests(text: str, logins: Iterable[str]) -> Iterator[str]:
    """Digests of a secret, always in the same order for the same logins."""
    data = encode(text)
    for name in _DIGESTS:
        for whole in (data, data + b"\n"):
            made = _digest(name, whole)
            yield made.hex()
            yield made.hex().upper()
            yield base64.b64encode(made).decode()
    yield _digest("sha1", _digest("sha1", data)).hex().upper()  # MySQL's, after a `*`
    for login in logins:
        yield _digest("md5", data + encode(login)).hex()  # PostgreSQL's, after `md5`


def _list_raw(text: str) -> tuple[str, ...]:
    """The bytes that a base64 or hexadecimal secret stands for, written the other way."""
    raw = _read_raw(text)
    if not raw:
        return ("",) * 4
    coded = (base64.b64encode(raw).decode(), base64.urlsafe_b64encode(raw).decode())
    return raw.hex(), raw.hex().upper(), *coded


def _read_raw(text: str) -> bytes:
    if _HEX.fullmatch(text):
        return bytes.fromhex(text)
    if len(text) % 4 == 0 and _KEY_TEXT.fullmatch(text):
        try:
            return base64.b64decode(text, validate=True)
        except ValueError:
            return b""
    return b""


def list_forms(text: str, logins: Iterable[str]) -> Iterator[str]:
    """All forms of a secret, as many and in the same order for the same logins; "" stands
    for one that it has not, or that is so short that it is found by chance."""
    for form in _walk_forms(text, logins):
        yield form if len(form) >= _LEAST_FORM else ""


def _walk_forms(text: str, logins: Iterable[str]) -> Iterator[str]:
    for code in _TEXT_CODERS:
        try:
            yield code(text)
        except UnicodeEncodeError:  # an undecodable byte: such a form cannot be written
            yield ""
    yield from _list_raw(text)
    yield from _list_digests(text, logins)


def pair_forms(text: str, new: str, logins: Iterable[str]) -> Iterator[tuple[str, str]]:
    """(form, what stands for it) of a secret and its replacement; not the secret itself."""
    for old_form, new_form in zip(list_forms(text, logins), _walk_forms(new, logins), strict=True):
        if old_form and new_form and old_form not in {text, new}:
            yield old_form, new_form


# -- values as they are written --------------------------------------------------------------


def find_encoded(text: str, clean: Callable[[str], str], rule: str) -> Iterator[Edit]:
    """Base64 of text in which `clean` changes something."""
    for match in CODED_LINES.finditer(text):
        token = match[0]
        plain = read_base64_text(token)
        if not plain:
            continue
        new = clean(plain)
        if new != plain:
            shown = write_base64_like(new, token)
            yield Edit(match.start(), match.end(), shown, rule, "encoded text")


_PERCENT = re.compile(r"%[0-9A-Fa-f]{2}")


def swap_written(raw: str, vault: Vault, rule: str, *, quoted: bool = False) -> str:
    """The replacement of a secret as it is written in a file: escapes, character
    references, percent-encoding and base64 of text are undone first, so that the vault
    knows the secret itself, and done again after."""
    for decode, code in _list_writings(raw, quoted):
        plain = decode(raw)
        if plain and plain != raw:
            new = _swap_login(plain, vault, rule)
            return vault.settle(raw, code(new), rule=rule, sweep=len(raw) >= _LEAST_FORM)
    return vault.swap(raw, rule=rule)


_LOGIN = re.compile(r"(\{[\w.-]+\}|[\w.@+-]{1,64}:(?!:))([^\s:]+)(\n?)|([^\n]+)(\n)")


def _swap_login(plain: str, vault: Vault, rule: str) -> str:
    """`user:password` keeps its user (RFC 7617), a hash its scheme, a line its end."""
    match = _LOGIN.fullmatch(plain)
    if match is None:
        return vault.swap(plain, rule=rule)
    if match[4]:
        return vault.swap(match[4], rule=rule) + match[5]
    return match[1] + vault.swap(match[2], rule=rule) + match[3]


def _list_writings(raw: str, quoted: bool) -> Iterator[tuple[Coder, Coder]]:
    if quoted and "\\" in raw:
        yield _from_json, _to_json
        yield lambda text: re.sub(r"\\(.)", r"\1", text), _to_shell
    if "&" in raw and ";" in raw:
        yield html.unescape, _to_html
    if _PERCENT.search(raw) and "%%" not in raw:
        yield _from_quoted, _quote
    yield read_base64_text, lambda text: write_base64_like(text, raw)


def _from_json(text: str) -> str:
    try:
        plain = json.loads(f'"{text}"')
    except ValueError:
        return ""
    return plain if isinstance(plain, str) else ""


def _from_quoted(text: str) -> str:
    plain = unquote(text)
    return plain if plain.isprintable() else ""
