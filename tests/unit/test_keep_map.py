"""The owner's map: sealed for a certificate, and openable without any tool of ours."""

from __future__ import annotations

import json
import subprocess
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    PublicFormat,
    pkcs7,
)
from cryptography.x509.oid import NameOID

from forerun.errors import UsageError
from forerun.model.raw import ServerNames
from forerun.stages.keep_map import read_owners, seal_map
from forerun.stages.sanitise import CleanFile, Sanitiser
from forerun.stages.sanitise_vault import Vault

Key = rsa.RSAPrivateKey | ec.EllipticCurvePrivateKey


def make_certificate(key: Key, *, encipherment: bool | None = None) -> bytes:
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "map owner")])
    builder = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(7)
        .not_valid_before(datetime(2026, 1, 1, tzinfo=UTC))
        .not_valid_after(datetime(2036, 1, 1, tzinfo=UTC))
    )
    if encipherment is not None:
        builder = builder.add_extension(
            x509.KeyUsage(not encipherment, False, encipherment, False, False, False, False,
                          False, False),
            critical=True,
        )  # fmt: skip
    return builder.sign(key, hashes.SHA256()).public_bytes(Encoding.PEM)


@cache
def owner_key() -> rsa.RSAPrivateKey:
    return rsa.generate_private_key(public_exponent=65537, key_size=2048)


def write_key(key: Key) -> bytes:
    return key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())


def sanitised_vault() -> tuple[Vault, str]:
    vault = Vault(keep_map=True)
    sanitiser = Sanitiser(vault, ServerNames(node="atlas7.corp.example"))
    text = (
        b"password = Secr3t-tangerine\nhost www.corp.example 10.1.2.3 00:16:3e:4a:5b:6c\n"
        b"mail robin@corp.example\npassword2 = geh\xe9im99\n"
    )
    assert sanitiser.take("/etc/atlas7.conf", text) == ""
    (clean,) = sanitiser.finish()
    assert isinstance(clean, CleanFile)
    return vault, clean.path + "\n" + clean.content.decode("utf-8", "surrogateescape")


def check_table(opened: bytes, clean: str) -> None:
    table = json.loads(opened)
    assert (table["format"], table["version"]) == ("forerun-map", 1)
    rows = {original: (new, rule) for original, new, rule in table["rows"]}
    expected = {
        "Secr3t-tangerine": "named-value",
        "www.corp.example": "domain-name",
        "10.1.2.3": "address",
        "00:16:3e:4a:5b:6c": "hardware-address",
        "robin@corp.example": "mail-address",
        "atlas7": "host-name",
        "geh\udce9im99": "named-value",
    }
    for original, rule in expected.items():
        new, found = rows[original]
        assert found == rule and new != original and new in clean


def test_the_owner_opens_the_map_with_the_private_key() -> None:
    """RFC 5652 by the library's own reader: every original with what stands for it."""
    vault, clean = sanitised_vault()
    pem = make_certificate(owner_key(), encipherment=True)
    sealed = seal_map(vault, pem)
    owner = x509.load_pem_x509_certificate(pem)
    opened = pkcs7.pkcs7_decrypt_der(sealed, owner, owner_key(), [])
    check_table(opened, clean)


@pytest.mark.tools
def test_openssl_opens_the_map(tmp_path: Path) -> None:
    """`openssl cms -decrypt` (openssl-cms(1)) opens it with the key alone, for each of two
    owners, and not with a stranger's key."""
    vault, clean = sanitised_vault()
    second = rsa.generate_private_key(public_exponent=65537, key_size=3072)
    both = make_certificate(owner_key()) + make_certificate(second)
    (tmp_path / "map.sealed").write_bytes(seal_map(vault, both))
    stranger = rsa.generate_private_key(public_exponent=65537, key_size=2048)
    for key, opens in ((owner_key(), True), (second, True), (stranger, False)):
        (tmp_path / "key.pem").write_bytes(write_key(key))
        done = subprocess.run(
            ["openssl", "cms", "-decrypt", "-inform", "DER", "-in", "map.sealed",
             "-inkey", "key.pem"],
            cwd=tmp_path, capture_output=True, check=False,
        )  # fmt: skip
        if opens:
            assert done.returncode == 0, done.stderr.decode()
            check_table(done.stdout, clean)
        else:
            assert b"forerun-map" not in done.stdout


def test_the_sealed_map_shows_nothing() -> None:
    """No original and no replacement stands in clear in the sealed bytes."""
    vault, _ = sanitised_vault()
    sealed = seal_map(vault, make_certificate(owner_key()))
    for original, new, _ in vault.list_pairs():
        for value in (original, new):
            assert value.encode("utf-8", "surrogateescape") not in sealed


def test_without_being_asked_no_map_is_kept() -> None:
    """A vault keeps pairs only when made to; its repr shows counts either way."""
    vault = Vault()
    vault.swap("Secr3t-tangerine", rule="x")
    vault.keep_pair("10.1.2.3", "10.9.9.3", "address")
    with pytest.raises(ValueError, match="not asked"):
        seal_map(vault, make_certificate(owner_key()))
    kept, _ = sanitised_vault()
    assert "tangerine" not in repr(kept) and "10.1.2.3" not in repr(kept)


SSH = owner_key().public_key().public_bytes(Encoding.OpenSSH, PublicFormat.OpenSSH)


@pytest.mark.parametrize(
    ("given", "found"),
    [
        (b"", "an empty file"),
        (b"hello\n", "no certificate"),
        (b"\x30\x82\x01\xff", "no PEM"),
        (SSH, "an SSH public key"),
        (write_key(owner_key()), "a private key"),
        (b"-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n", "no certificate"),
        (make_certificate(ec.generate_private_key(ec.SECP256R1())), "type"),
        (make_certificate(owner_key(), encipherment=False), "not meant for encryption"),
    ],
    ids=["empty", "text", "der", "ssh", "private", "broken", "curve", "signing"],
)
def test_a_bad_certificate_is_refused_with_what_it_is(given: bytes, found: str) -> None:
    """Each says what was found, what is wanted, and how to make one."""
    with pytest.raises(UsageError) as caught:
        read_owners(given)
    assert found in caught.value.found
    assert "RSA" in caught.value.wanted and "openssl req -x509" in caught.value.hint
