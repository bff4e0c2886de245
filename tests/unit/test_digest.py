"""Sealed digests: equality can be tested, the MD5 cannot be read off."""

from __future__ import annotations

import hashlib

import pytest

from forerun.model.digest import matches_digest, read_salt, seal_digest

SALT = bytes(range(16))
MD5 = hashlib.md5(b"PermitRootLogin no\n", usedforsecurity=False).hexdigest()


def test_a_published_value_of_scrypt() -> None:
    """RFC 7914, section 12: N = 16384, r = 8, p = 1; the first 32 bytes do not depend on
    how many are asked for (PBKDF2 works in blocks of 32)."""
    wanted = "7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2"
    assert matches_digest("pleaseletmein", f"scrypt:16384:{b'SodiumChloride'.hex()}:{wanted}")
    assert not matches_digest("pleaseletmeim", f"scrypt:16384:{b'SodiumChloride'.hex()}:{wanted}")


def test_only_the_same_md5_matches() -> None:
    """Case makes no difference, one other digit does."""
    sealed = seal_digest(MD5, SALT)
    assert matches_digest(MD5, sealed) and matches_digest(MD5.upper(), sealed)
    other = MD5[:-1] + ("0" if MD5[-1] != "0" else "1")
    assert not matches_digest(other, sealed)
    assert MD5 not in sealed and read_salt(sealed) == SALT


def test_the_salt_makes_a_difference() -> None:
    """Equal files on two servers cannot be told to be equal."""
    assert seal_digest(MD5, SALT) != seal_digest(MD5, SALT[::-1])


@pytest.mark.parametrize(
    "text",
    [
        "",
        MD5,
        "scrypt:8192:00:00",
        f"scrypt:1048576:{SALT.hex()}:{'0' * 64}",
        f"scrypt:8191:{SALT.hex()}:{'0' * 64}",
        f"scrypt:0:{SALT.hex()}:{'0' * 64}",
        f"scrypt:8192:{SALT.hex()}:{'0' * 63}g",
    ],
)
def test_another_text_matches_nothing_and_costs_nothing(text: str) -> None:
    """A damaged or a costly record is no match, and raises nothing."""
    assert not matches_digest(MD5, text)


def test_a_short_salt_is_refused() -> None:
    """It would be guessed along."""
    with pytest.raises(ValueError, match="salt"):
        seal_digest(MD5, b"short")
