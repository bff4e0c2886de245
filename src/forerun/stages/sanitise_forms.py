"""Replacements that keep the form of what they replace: password hashes and tokens.

Sources: crypt(5) of libxcrypt (prefixes, lengths), Apache's password formats (apr1),
RFC 2307 and OpenLDAP's scheme prefixes, GRUB's PBKDF2 form, RFC 7519 (JWT), RFC 8259.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Callable, Iterator

from forerun.stages.sanitise_edit import Edit
from forerun.stages.sanitise_pairs import draw_salt, note_hash, note_user
from forerun.stages.sanitise_vault import DIGITS, LOWER, UPPER, Stream, Vault, random_base64

CRYPT_ALPHABET = "./" + DIGITS + UPPER + LOWER
_BASE64 = UPPER + LOWER + DIGITS

CRYPT_HASH = re.compile(
    r"\$(?:1|5|6|7|y|gy|apr1|sha1|2[abxy]?|argon2(?:id|i|d))\$[./A-Za-z0-9$=,+-]{20,}"
    r"|\$3\$\$[0-9a-f]{32}"
)
_PARAMETER = re.compile(r"rounds=\d+|v=\d+|m=\d+,t=\d+,p=\d+")


def draw_crypt_hash(original: str, stream: Stream) -> str:
    """A hash of the same scheme, cost and lengths, over the scheme's alphabet."""
    scheme, *fields = original[1:].split("$")
    if scheme == "3":
        return "$3$$" + stream.text("0123456789abcdef", 32)
    alphabet = _BASE64 + "+/" if scheme.startswith("argon2") else CRYPT_ALPHABET
    drawn = ["", scheme]
    for number, part in enumerate(fields):
        first_is_cost = scheme in {"y", "gy", "sha1", "2", "2a", "2b", "2x", "2y"}
        if _PARAMETER.fullmatch(part) or (number == 0 and first_is_cost):
            drawn.append(part)
        elif scheme == "7" and number == 0:  # 11 characters of cost, then the salt
            drawn.append(part[:11] + stream.text(alphabet, max(0, len(part) - 11)))
        else:
            drawn.append(stream.text(alphabet, len(part)))
    if scheme in {"y", "gy"} and len(fields) == 3:  # a salt is whole bytes
        drawn[3] = draw_salt("$y$", drawn[3], drawn[3])
    return "$".join(drawn)


_LDAP_HASH = re.compile(
    r"\{(?:S?SHA\d*|S?MD5|SSHA\d*|PBKDF2[\w-]*|CRAM-MD5|SCRAM[\w-]*|NTLM|LANMAN|SHA\d+[.\w-]*)\}"
    r"([A-Za-z0-9+/=$.,:-]{8,})",
    re.IGNORECASE,
)
_LDAP_PLAIN = re.compile(r"\{(?:PLAIN|CLEARTEXT|CLEAR)\}([^\s:\"']+)", re.IGNORECASE)
_GRUB_HASH = re.compile(r"grub\.pbkdf2\.sha512\.\d+\.([0-9A-Fa-f]+\.[0-9A-Fa-f]+)")
_SCRAM_HASH = re.compile(
    r"SCRAM-SHA-(?:1|256)\$\d+:([A-Za-z0-9+/=]+\$[A-Za-z0-9+/=]+:[A-Za-z0-9+/=]+)"
)
_POSTGRES_MD5 = re.compile(r"(?<![\w])md5([0-9a-f]{32})(?![\w])")
_MYSQL_HASH = re.compile(r"(?<![\w*])\*([0-9A-F]{40})(?![\w])")
# Who a PostgreSQL digest may belong to: the role before it, or in a database's address.
_DIGEST_USER = re.compile(
    r"[\"']?([\w.-]{1,63})[\"']?[\s:,]+[\"']?md5[0-9a-f]{32}|postgres\w*://([\w.-]+):"
)

_HASHES = (
    ("ldap-hash", "password hash", _LDAP_HASH),
    ("ldap-plain", "password", _LDAP_PLAIN),
    ("grub-hash", "password hash", _GRUB_HASH),
    ("scram-hash", "password hash", _SCRAM_HASH),
    ("postgres-hash", "password hash", _POSTGRES_MD5),
    ("mysql-hash", "password hash", _MYSQL_HASH),
)


def find_hashes(text: str, vault: Vault) -> Iterator[Edit]:
    """Password hashes, wherever they stand."""
    if "$" in text:
        for match in CRYPT_HASH.finditer(text):
            hashed = match[0]
            new = swap_crypt_hash(hashed, vault)
            yield Edit(match.start(), match.end(), new, "crypt-hash", "password hash")
    for user in _DIGEST_USER.finditer(text):
        note_user(user[1] or user[2], vault)
    for rule, kind, pattern in _HASHES:
        for match in pattern.finditer(text):
            note_hash(match[0], vault)
            new = vault.swap(match[1], rule=rule, make=_drawer_like(match[1]))
            yield Edit(match.start(1), match.end(1), new, rule, kind)


_BASE64_PART = re.compile(r"(?:[A-Za-z0-9+/]{4})*(?:[A-Za-z0-9+/]{2}==|[A-Za-z0-9+/]{3}=|)")


def _drawer_like(hashed: str) -> Callable[[Stream], str] | None:
    """For fields of whole base64, drawn bytes in base64; None: character by character."""
    parts = re.split(r"([$:])", hashed)
    fields = [part for part in parts if part not in {"$", ":"}]
    hexadecimal = re.fullmatch(r"[0-9A-Fa-f.]+", hashed)
    if hexadecimal or not all(part and _BASE64_PART.fullmatch(part) for part in fields):
        return None
    return lambda stream: "".join(
        part if part in {"$", ":"} else random_base64(stream, len(base64.b64decode(part)))
        for part in parts
    )


def swap_crypt_hash(hashed: str, vault: Vault) -> str:
    """The replacement of one crypt(5) hash."""
    note_hash(hashed, vault)
    return vault.swap(
        hashed, rule="crypt-hash", make=lambda stream: draw_crypt_hash(hashed, stream)
    )


_JWT = re.compile(r"\beyJ[A-Za-z0-9_-]{8,}\.eyJ[A-Za-z0-9_-]{4,}\.[A-Za-z0-9_-]*")
# Published token prefixes of widely used services; the rest is random.
_PREFIXED = re.compile(
    r"(?<![\w])(?:AKIA|ASIA|gh[pousr]_|github_pat_|glpat-|xox[abprs]-|sk_live_|rk_live_|"
    r"SG\.|AIza|hvs\.|dop_v1_|npm_|pypi-)([A-Za-z0-9_.-]{16,})"
)


def find_service_tokens(text: str, vault: Vault) -> Iterator[Edit]:
    """JSON Web Tokens, and tokens whose prefix says what they are (the prefix stays)."""
    if "eyJ" in text:
        for match in _JWT.finditer(text):
            new = vault.swap(match[0], rule="jwt", make=draw_jwt)
            yield Edit(match.start(), match.end(), new, "jwt", "token")
    for match in _PREFIXED.finditer(text):
        new = vault.swap(match[1], rule="service-token")
        yield Edit(match.start(1), match.end(1), new, "service-token", "token")


def draw_jwt(stream: Stream) -> str:
    """A well-formed unsigned-by-anyone token: the header and claims are JSON."""
    parts = [b'{"alg":"HS256","typ":"JWT"}', b'{"sub":"' + stream.take(6).hex().encode() + b'"}']
    coded = [base64.urlsafe_b64encode(part).rstrip(b"=").decode() for part in parts]
    return ".".join([*coded, stream.text(_BASE64, 43)])
