"""ipcrypt-pfx against its published vectors.

Source: draft-denis-ipcrypt (Internet-Draft, work in progress), test vectors of repository
ipcrypt-std/draft-denis-ipcrypt at commit e5255669 (2026-03-15)."""

from __future__ import annotations

import ipaddress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forerun.stages.sanitise_prefix import PrefixPreserving

FIRST = "0123456789abcdeffedcba98765432101032547698badcfeefcdab8967452301"
SECOND = "2b7e151628aed2a6abf7158809cf4f3ca9f5ba40db214c3798f2e1c23456789a"
VECTORS = [
    (FIRST, "0.0.0.0", "151.82.155.134"),
    (FIRST, "255.255.255.255", "94.185.169.89"),
    (FIRST, "192.0.2.1", "100.115.72.131"),
    (FIRST, "2001:db8::1", "c180:5dd4:2587:3524:30ab:fa65:6ab6:f88"),
    (SECOND, "10.0.0.47", "19.214.210.244"),
    (SECOND, "10.0.0.129", "19.214.210.80"),
    (SECOND, "10.0.0.234", "19.214.210.30"),
    (SECOND, "172.16.5.193", "210.78.229.136"),
    (SECOND, "172.16.97.42", "210.78.179.241"),
    (SECOND, "172.16.248.177", "210.78.121.215"),
    (SECOND, "2001:db8::a5c9:4e2f:bb91:5a7d", "7cec:702c:1243:f70:1956:125:b9bd:1aba"),
    (SECOND, "2001:db8::7234:d8f1:3c6e:9a52", "7cec:702c:1243:f70:a3ef:c8e:95c1:cd0d"),
    (SECOND, "2001:db8::f1e0:937b:26d4:8c1a", "7cec:702c:1243:f70:443c:c8e:6a62:b64d"),
    (SECOND, "2001:db8:3a5c:0:e7d1:4b9f:2c8a:f673", "7cec:702c:3503:bef:e616:96bd:be33:a9b9"),
    (SECOND, "2001:db8:9f27:0:b4e2:7a3d:5f91:c8e6", "7cec:702c:a504:b74e:194a:3d90:b047:2d1a"),
    (SECOND, "2001:db8:d8b4:0:193c:a5e7:8b2f:46d1", "7cec:702c:f840:aa67:1b8:e84f:ac9d:77fb"),
]
keys = st.binary(min_size=32, max_size=32).filter(lambda key: key[:16] != key[16:])


@pytest.mark.parametrize(("key", "plain", "sealed"), VECTORS)
def test_published_vectors(key: str, plain: str, sealed: str) -> None:
    """All 16, in both directions."""
    scheme = PrefixPreserving(bytes.fromhex(key))
    old, new = ipaddress.ip_address(plain), ipaddress.ip_address(sealed)
    assert scheme.encrypt(old) == new
    assert scheme.decrypt(new) == old


@given(keys, st.ip_addresses(), st.data())
def test_shared_bits_stay_shared(
    key: bytes, first: ipaddress.IPv4Address, data: st.DataObject
) -> None:
    """The draft's definition: two addresses that share exactly n bits share exactly n
    afterwards; the family stays, and decryption gives the address back."""
    second = data.draw(st.ip_addresses(v=first.version))
    scheme = PrefixPreserving(key)
    a, b = scheme.encrypt(first), scheme.encrypt(second)
    assert a.version == b.version == first.version
    assert (int(a) ^ int(b)).bit_length() == (int(first) ^ int(second)).bit_length()
    assert scheme.decrypt(a) == first


@pytest.mark.parametrize("key", [b"k" * 32, b"short", bytes(33)])
def test_keys_that_the_scheme_forbids(key: bytes) -> None:
    """Equal halves cancel each other out, so the draft refuses them; so is a wrong size."""
    with pytest.raises(ValueError, match=r"halves|bytes"):
        PrefixPreserving(key)
