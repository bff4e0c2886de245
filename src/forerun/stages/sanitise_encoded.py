"""Secrets in another form: encoded, escaped, or as a plain digest.

Two ways. `derive_forms` writes each known secret and its replacement in every form that
can be computed from it, so that the sweep finds those too. `find_encoded` opens base64
that holds text, has the text cleaned, and closes it again: a secret inside stands at any
of three alignments there, so no form can be computed for it.

Sources: RFC 4648 (base64, base64url, hexadecimal), RFC 3986 2.1 (percent-encoding),
RFC 8259 7 (JSON), HTML 4.01 24.4 (character references), POSIX shell 2.2 (quoting),
RFC 7617 (Basic), MySQL's and PostgreSQL's documentation of their password digests.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import html
import json
import re
from collections.abc import Callable, Iterable, Iterator
from urllib.parse import quote, quote_plus, unquote

from forerun.stages.sanitise_edit import Edit
from forerun.stages.sanitise_vault import Vault, encode

Coder = Callable[[str], str]

# A shorter form is found by chance in unrelated text.
_LEAST_FORM = 8
_LONGEST = 4096
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


def _walk_digests(text: str, users: Iterable[str]) -> Iterator[str]:
    """Digests of a secret, always in the same order for the same users."""
    data = encode(text)
    for name in _DIGESTS:
        for whole in (data, data + b"\n"):
            made = _digest(name, whole)
            yield made.hex()
            yield made.hex().upper()
            yield base64.b64encode(made).decode()
    yield _digest("sha1", _digest("sha1", data)).hex().upper()  # MySQL's, after a `*`
    for user in users:
        yield _digest("md5", data + encode(user)).hex()  # PostgreSQL's, after `md5`


def _walk_raw(text: str, new: str) -> Iterator[tuple[str, str]]:
    """The bytes that a base64 or hexadecimal secret stands for, written the other way."""
    old_raw, new_raw = _read_raw(text), _read_raw(new)
    if old_raw and new_raw:
        yield old_raw.hex(), new_raw.hex()
        yield old_raw.hex().upper(), new_raw.hex().upper()
        yield base64.b64encode(old_raw).decode(), base64.b64encode(new_raw).decode()
        shown = (base64.urlsafe_b64encode(raw).decode() for raw in (old_raw, new_raw))
        yield next(shown), next(shown)


def _read_raw(text: str) -> bytes:
    if _HEX.fullmatch(text):
        return bytes.fromhex(text)
    if len(text) % 4 == 0 and _KEY_TEXT.fullmatch(text):
        try:
            return base64.b64decode(text, validate=True)
        except (ValueError, binascii.Error):
            return b""
    return b""


def derive_forms(vault: Vault, users: Iterable[str] = ()) -> None:
    """Give the vault each swept secret's other forms. `users` are the login names that a
    digest may be salted with."""
    logins = tuple(users)
    done: set[str] = vault.keep_object("derived", b"", set)
    for text, new in vault.sweepable(derived=False):
        if len(text) <= _LONGEST and text not in done:
            done.add(text)
            for old_form, new_form in _walk_forms(text, new, logins):
                _derive(vault, text, old_form, new_form)


def _walk_forms(text: str, new: str, logins: tuple[str, ...]) -> Iterator[tuple[str, str]]:
    for code in _TEXT_CODERS:
        try:
            yield code(text), code(new)
        except UnicodeEncodeError:  # an undecodable byte: such a form cannot be written
            continue
    yield from _walk_raw(text, new)
    yield from zip(_walk_digests(text, logins), _walk_digests(new, logins), strict=True)


def _derive(vault: Vault, text: str, old: str, new: str) -> None:
    if old in (text, new) or len(old) < _LEAST_FORM:
        return
    drawn = vault.find(old)
    if drawn is not None and drawn not in {new, old}:
        # It was taken for a token of its own: the copy holds what was drawn for it.
        vault.derive(drawn, new)
    vault.derive(old, new)


# -- values as they are written --------------------------------------------------------------

CODED = re.compile(r"(?<![A-Za-z0-9+/=_-])[A-Za-z0-9+/_-]{16,}={0,2}(?![A-Za-z0-9+/=_-])")
_TOKEN = re.compile(r"[A-Za-z0-9+/_-]{8,}={0,2}")


def read_base64_text(token: str, least: int = 6) -> str:
    """The printable text that a base64 or base64url token holds, or ""."""
    bare = token.rstrip("=")
    if len(bare) % 4 == 1 or not _TOKEN.fullmatch(token):
        return ""
    standard = bare.replace("-", "+").replace("_", "/") + "=" * (-len(bare) % 4)
    try:
        plain = base64.b64decode(standard, validate=True).decode()
    except (ValueError, binascii.Error):
        return ""
    shown = plain.replace("\n", " ").replace("\t", " ").replace("\r", " ")
    return plain if len(plain) >= least and shown.isprintable() else ""


def write_base64_like(plain: str, like: str) -> str:
    """Base64 of the text, in the token's own alphabet and with its own padding."""
    urlsafe = "-" in like or "_" in like
    made = (base64.urlsafe_b64encode if urlsafe else base64.b64encode)(encode(plain)).decode()
    unpadded = len(like) % 4 != 0 and not like.endswith("=")
    return made.rstrip("=") if unpadded else made


def find_encoded(text: str, clean: Callable[[str], str], rule: str) -> Iterator[Edit]:
    """Base64 of text in which `clean` changes something."""
    for match in CODED.finditer(text):
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
