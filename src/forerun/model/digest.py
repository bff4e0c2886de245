"""Tells whether a file equals another one without telling what is in it.

An MD5 of a short file can be guessed: a password in an otherwise known file is found by
trying. A stored survey therefore holds a slow, salted digest of the MD5.
"""

from __future__ import annotations

import hashlib
import hmac

# RFC 7914, section 2: r = 8; N = 2**14 takes 16 MiB and some 50 ms a try.
_COST = 2**14
_BLOCK = 8
_LENGTH = 32


def seal_digest(md5: str, salt: bytes) -> str:
    """`scrypt:N:salt:hash`, salt and hash in hexadecimal, of an MD5 in hexadecimal."""
    return f"scrypt:{_COST}:{salt.hex()}:{_derive(md5, salt, _COST)}"


def matches_digest(md5: str, sealed: str) -> bool:
    """Whether `sealed` was made from this MD5. ValueError for what is no sealed digest."""
    kind, cost, salt, wanted = sealed.split(":")
    if kind != "scrypt":
        raise ValueError(f"a digest of an unknown kind: {kind}")
    return hmac.compare_digest(_derive(md5, bytes.fromhex(salt), int(cost)), wanted)


def _derive(md5: str, salt: bytes, cost: int) -> str:
    return hashlib.scrypt(
        md5.lower().encode("ascii"), salt=salt, n=cost, r=_BLOCK, p=1, dklen=_LENGTH
    ).hex()
