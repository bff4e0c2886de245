"""Digests that can be compared with a file but not guessed from.

The MD5 of a small configuration file gives its content away to anyone who tries likely
contents. Stored is therefore a slow, salted digest of that MD5 (scrypt, RFC 7914), in the
form `scrypt:N:SALT:HASH` with r = 8, p = 1, salt and hash in hexadecimal: 32 bytes of hash.
"""

from __future__ import annotations

import hashlib
import hmac
import re

# 8 MiB and 25 ms a digest on a 2-core lab host: some dozens are sealed in a survey.
_COST = 1 << 13
_BLOCK = 8
_MOST_COST = 1 << 17
_SEALED = re.compile(r"scrypt:(\d{1,7}):((?:[0-9a-f]{2}){8,64}):([0-9a-f]{64})", re.ASCII)


def seal_digest(md5: str, salt: bytes) -> str:
    """The slow digest of an MD5 in hexadecimal (either case). Raises ValueError on a salt
    that is not 8 to 64 bytes long."""
    if not 8 <= len(salt) <= 64:
        raise ValueError(f"a salt of 8 to 64 bytes is wanted, not {len(salt)}")
    return f"scrypt:{_COST}:{salt.hex()}:{_run(md5, salt, _COST)}"


def matches_digest(md5: str, sealed: str) -> bool:
    """Whether a sealed digest is that of this MD5; False for any other text, and for a
    cost that this code would not spend."""
    match = _SEALED.fullmatch(sealed)
    cost = int(match[1]) if match else 0
    if match is None or cost < 2 or cost > _MOST_COST or cost & (cost - 1):
        return False
    return hmac.compare_digest(_run(md5, bytes.fromhex(match[2]), cost), match[3])


def read_salt(sealed: str) -> bytes:
    """The salt of a sealed digest, empty for any other text. Digests of one salt can be
    compared with each other."""
    match = _SEALED.fullmatch(sealed)
    return bytes.fromhex(match[2]) if match else b""


def _run(md5: str, salt: bytes, cost: int) -> str:
    sealed = hashlib.scrypt(
        md5.lower().encode(),
        salt=salt,
        n=cost,
        r=_BLOCK,
        p=1,
        maxmem=128 * _BLOCK * cost + (1 << 20),
        dklen=32,
    )
    return sealed.hex()
