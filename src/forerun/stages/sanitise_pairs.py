"""Password hashes whose plain text is known stay a pair with it.

A hash is replaced by a drawn one when it is found. When every file has been read, each is
tried with the plain secrets that were found; where one fits, the hash becomes that of the
secret's replacement: same scheme, same cost, a salt of the same length.

Sources: crypt(3) of the C library's libcrypt, Apache's documentation of `apr1`, RFC 2307
and OpenLDAP's salted schemes, RFC 5802 and RFC 7677 (SCRAM), PostgreSQL's pg_authid.
"""

from __future__ import annotations

import base64
import binascii
import ctypes
import hashlib
import hmac
import re
from collections.abc import Iterable, Iterator
from functools import cache

from forerun.stages.sanitise_edit import Edit
from forerun.stages.sanitise_vault import COMMON_VALUES, DIGITS, LOWER, UPPER, Vault, encode

# Trying all plain secrets against all hashes would take hours with today's schemes: this
# is what may be spent, in units of about a millisecond of one core. Secrets near which the
# hash's login name stands are tried first, then those found close to it.
BUDGET = 8_000
_ALPHABET = "./" + DIGITS + UPPER + LOWER
_HASH_SHAPE = re.compile(r"\$[\w-]+\$.{20,}|SCRAM-SHA-|\{[\w-]+\}|-----BEGIN")


def note_hash(hashed: str, vault: Vault) -> None:
    """Remember a hash as it stands, scheme included, to be paired when all is known."""
    list_hashes(vault).setdefault(hashed, len(vault.swaps()))


def list_hashes(vault: Vault) -> dict[str, int]:
    """Hashes by where in the order of finding they came."""
    return vault.keep_object("hashes", b"", dict)


def note_user(name: str, vault: Vault) -> None:
    """Remember a login name of a service: digests are salted with those."""
    list_users(vault).add(name)


def list_users(vault: Vault) -> set[str]:
    """The login names that were noted."""
    return vault.keep_object("digest-users", b"", set)


_WORD = re.compile(r"[A-Za-z_][\w.-]{1,62}")
_NO_USERS = COMMON_VALUES | {"user", "pass", "passwd", "login", "name", "md5", "scram-sha-256"}


_NEIGHBOURS = "neighbours"


def note_neighbours(text: str, edits: Iterable[Edit], vault: Vault) -> None:
    """Remember the text around what was found: a login name that stands before a hash
    and beside a password says that the two belong together."""
    places: dict[str, set[str]] = vault.keep_object(_NEIGHBOURS, b"", dict)
    for edit in edits:
        original = text[edit.start : edit.end]
        if edit.rule and len(original) <= 200:
            before = text[max(0, edit.start - 100) : edit.start]
            after = text[edit.end : edit.end + 60]
            places.setdefault(original, set()).add(f"{before}{_HERE}{after}")


# Between what stands before an original and what stands after it: no word has it.
_HERE = "\n\0\n"


def _list_near(places: Iterable[str]) -> set[str]:
    """The words around an original."""
    found = {word.lower() for place in places for word in _WORD.findall(place)}
    return found - _NO_USERS


def _list_before(places: Iterable[str]) -> set[str]:
    """The words before an original in its line."""
    lines = (place.partition(_HERE)[0].rpartition("\n")[2] for place in places)
    return {word.lower() for line in lines for word in _WORD.findall(line)} - _NO_USERS


def pair_hashes(vault: Vault) -> int:
    """Give the vault a fitting hash for each whose plain text is known; returns how many.

    A hash shares the budget with the others; a plain text is any original of at most 72
    characters (bcrypt reads no more) that is no hash itself."""
    hashes = list_hashes(vault)
    tried: set[str] = vault.keep_object("tried-hashes", b"", set)
    if tried.issuperset(hashes):
        return 0
    rows = vault.swaps()
    share = BUDGET / max(1, len(hashes))
    paired = 0
    places: dict[str, set[str]] = vault.keep_object(_NEIGHBOURS, b"", dict)
    near = {text: _list_near(around) for text, around in places.items()}
    for hashed, place in hashes.items():
        if hashed in tried:
            continue
        tried.add(hashed)
        most = max(8, int(share / estimate_cost(hashed)))
        users = _list_before(places.get(hashed, ())) or _list_before(places.get(_strip(hashed), ()))
        kin = {text for text, words in near.items() if words & users}
        for plain, new in _walk_candidates(rows, place, most, kin):
            again = _hash_again(hashed, plain, new, vault)
            if again:
                _settle(hashed, again, vault)
                paired += 1
                break
    return paired


def _walk_candidates(
    rows: tuple[tuple[str, str, str], ...], place: int, most: int, kin: set[str]
) -> Iterator[tuple[str, str]]:
    near = sorted(
        range(len(rows)), key=lambda number: (rows[number][0] not in kin, abs(number - place))
    )
    usable = (
        rows[number][:2]
        for number in near
        if 1 <= len(rows[number][0]) <= 72
        and rows[number][2] not in _NO_PASSWORDS
        and not _HASH_SHAPE.match(rows[number][0])
    )
    for _, row in zip(range(most), usable, strict=False):
        yield row


_NO_PASSWORDS = frozenset({
    "crypt-hash", "shadow", "machine-id", "full-name", "ssh-public-key", "key-comment",
    "certificate", "certificate-name", "maintainer", "disk-serial", "wireguard-key",
})  # fmt: skip


def _settle(hashed: str, again: str, vault: Vault) -> None:
    """The new hash wherever the old one or the one first drawn for it stands: whole, or
    the part behind the scheme that its rule replaced."""
    for old, new in ((hashed, again), (_strip(hashed), _strip(again))):
        drawn = vault.find(old)
        if drawn is not None:
            vault.derive(drawn, new)
            vault.derive(old, new)


def _strip(hashed: str) -> str:
    scheme = re.match(r"\{[\w.-]+\}|SCRAM-SHA-\d+\$\d+:", hashed)
    return hashed[scheme.end() :] if scheme else hashed


def estimate_cost(hashed: str) -> float:
    """Milliseconds that one trial takes, roughly: measured with libcrypt 4.4 on the lab host."""
    bcrypt = re.match(r"\$2[abxy]?\$(\d\d)\$", hashed)
    if bcrypt:
        return float(0.06 * 2 ** int(bcrypt[1]))
    rounds = re.match(r"\$[56]\$rounds=(\d+)", hashed)
    if rounds:
        return int(rounds[1]) / 1500
    if hashed.startswith(("$y$", "$gy$", "$7$")):
        return 45.0
    if hashed.startswith("{"):
        return 0.02
    return 3.2 if hashed.startswith(("$5$", "$6$", "SCRAM")) else 1.5


def _hash_again(hashed: str, plain: str, new: str, vault: Vault) -> str:
    """The hash of `new` if `plain` fits `hashed`, else ""."""
    stream = vault.stream("salt", hashed)
    if hashed.startswith("$"):
        setting = _find_setting(hashed)
        if not setting or hash_crypt(plain, hashed) != hashed:
            return ""
        prefix, salt = setting
        return hash_crypt(new, prefix + draw_salt(prefix, salt, stream.text(_ALPHABET, 64)))
    if hashed.startswith("{"):
        return _ldap_again(hashed, plain, new, stream.take(32))
    if hashed.startswith("SCRAM"):
        return _scram_again(hashed, plain, new, stream.take(64))
    return ""


def _find_setting(hashed: str) -> tuple[str, str] | None:
    """(scheme with its cost, salt) of a crypt hash."""
    match = re.match(
        r"(\$(?:1|apr1)\$|\$[56]\$(?:rounds=\d+\$)?|\$2[abxy]\$\d\d\$|\$g?y\$[^$]+\$)", hashed
    )
    if not match:
        return None
    if hashed.startswith("$2"):
        return match[0], hashed[match.end() : match.end() + 22]
    return match[0], hashed[match.end() :].partition("$")[0]


def draw_salt(prefix: str, salt: str, drawn: str) -> str:
    """As many characters of `drawn` as the salt has, such as the scheme can read."""
    if prefix.startswith("$2"):  # 128 bits in 22 characters: the last one has 2 bits only
        return drawn[: len(salt) - 1] + ".Oeu"[ord(drawn[-1]) % 4]
    if prefix.startswith(("$y$", "$gy$")) and len(salt) % 4:
        # Groups of 4 characters; the last one's unused high bits must be zero.
        return drawn[: len(salt) - 1] + "."
    return drawn[: len(salt)]


@cache
def _load_libcrypt() -> ctypes.CDLL | None:
    try:
        library = ctypes.CDLL("libcrypt.so.1")
        library.crypt.restype = ctypes.c_char_p
        library.crypt.argtypes = (ctypes.c_char_p, ctypes.c_char_p)
    except (OSError, AttributeError):
        return None
    return library


def hash_crypt(plain: str, setting: str) -> str:
    """crypt(3), with Apache's `apr1` besides; "" where the scheme is not known here."""
    data = encode(plain)
    if b"\0" in data:
        return ""
    if setting.startswith("$apr1$"):
        return hash_apr1(data, setting[6:].partition("$")[0])
    library = _load_libcrypt()
    made = library.crypt(data, setting.encode("utf-8", "replace")) if library else None
    text = made.decode("ascii", "replace") if made else ""
    return "" if text.startswith("*") else text


def hash_apr1(data: bytes, salt: str) -> str:
    """Apache's variant of MD5-crypt: 1000 rounds, salt of at most 8 characters."""
    mark = salt[:8].encode()
    inner = _md5(data + mark + data)
    first = data + b"$apr1$" + mark
    first += (inner * (len(data) // 16 + 1))[: len(data)]
    bits = len(data)
    while bits:
        first += b"\0" if bits & 1 else data[:1]
        bits >>= 1
    made = _md5(first)
    for number in range(1000):
        step = data if number & 1 else made
        step += mark if number % 3 else b""
        step += data if number % 7 else b""
        made = _md5(step + (made if number & 1 else data))
    order = ((0, 6, 12), (1, 7, 13), (2, 8, 14), (3, 9, 15), (4, 10, 5))
    text = "".join(_to_64(made[a] << 16 | made[b] << 8 | made[c], 4) for a, b, c in order)
    return f"$apr1${salt[:8]}${text}{_to_64(made[11], 2)}"


def _md5(data: bytes) -> bytes:
    return hashlib.md5(data, usedforsecurity=False).digest()


def _to_64(value: int, size: int) -> str:
    return "".join(_ALPHABET[value >> (6 * at) & 63] for at in range(size))


_LDAP = re.compile(r"\{(S?)(SHA|MD5|SHA256|SHA384|SHA512)\}([A-Za-z0-9+/=]+)", re.IGNORECASE)


def _ldap_again(hashed: str, plain: str, new: str, drawn: bytes) -> str:
    match = _LDAP.fullmatch(hashed)
    if not match:
        return ""
    try:
        raw = base64.b64decode(match[3], validate=True)
    except (ValueError, binascii.Error):
        return ""
    name = match[2].lower() if len(match[2]) > 3 or match[2].upper() == "MD5" else "sha1"
    size = hashlib.new(name, usedforsecurity=False).digest_size
    salt = raw[size:]
    if hashlib.new(name, encode(plain) + salt, usedforsecurity=False).digest() != raw[:size]:
        return ""
    salt = drawn[: len(salt)]
    made = hashlib.new(name, encode(new) + salt, usedforsecurity=False).digest() + salt
    return hashed[: match.start(3)] + base64.b64encode(made).decode()


_SCRAM = re.compile(r"SCRAM-SHA-(1|256)\$(\d+):([A-Za-z0-9+/=]+)\$([A-Za-z0-9+/=]+):(\S+)")


def _scram_again(hashed: str, plain: str, new: str, drawn: bytes) -> str:
    match = _SCRAM.fullmatch(hashed)
    if not match or int(match[2]) > 200_000:
        return ""
    name = "sha1" if match[1] == "1" else "sha256"
    try:
        salt = base64.b64decode(match[3], validate=True)
    except (ValueError, binascii.Error):
        return ""
    if write_scram(name, int(match[2]), salt, plain) != hashed:
        return ""
    return write_scram(name, int(match[2]), drawn[: len(salt)], new)


def write_scram(name: str, rounds: int, salt: bytes, plain: str) -> str:
    """A verifier as PostgreSQL stores it: salt, stored key and server key in base64."""
    salted = hashlib.pbkdf2_hmac(name, encode(plain), salt, rounds)
    client = hmac.digest(salted, b"Client Key", name)
    stored = hashlib.new(name, client, usedforsecurity=False).digest()
    server = hmac.digest(salted, b"Server Key", name)
    shown = [base64.b64encode(part).decode() for part in (salt, stored, server)]
    return f"SCRAM-SHA-{'1' if name == 'sha1' else '256'}${rounds}:{shown[0]}${shown[1]}:{shown[2]}"
