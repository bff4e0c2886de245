"""The owner's map: what stood for what, sealed so that only the owner can open it.

The container is enveloped data of the Cryptographic Message Syntax (RFC 5652, 6) for the
certificates the owner gives, so that no tool of ours is needed to open it:

    openssl cms -decrypt -inform DER -in map.sealed -inkey KEY.pem -out map.json

Inside is JSON: `{"format": "forerun-map", "version": 1, "rows": [[original, replacement,
rule], ...]}`, undecodable bytes of originals as lone surrogates (`\\udcNN`, PEP 383).
"""

from __future__ import annotations

import json

from cryptography import x509
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.hazmat.primitives.ciphers.algorithms import AES256
from cryptography.hazmat.primitives.serialization import Encoding
from cryptography.hazmat.primitives.serialization.pkcs7 import (
    PKCS7EnvelopeBuilder,
    PKCS7Options,
)

from forerun.errors import UsageError
from forerun.stages.sanitise_vault import Vault

MAP_NAME = "map.sealed"
_LEAST_BITS = 2048
_HINT = (
    "Make one with `openssl req -x509 -newkey rsa:3072 -keyout map-key.pem -out map-owner.pem "
    "-days 3650 -subj /CN=map` and give map-owner.pem."
)


def read_owners(certificate_pem: bytes) -> tuple[x509.Certificate, ...]:
    """The certificates a map may be sealed for: all of the text, RSA of 2048 bits or more.

    Raises UsageError naming what is wrong; to be called before a survey starts."""
    if b"PRIVATE KEY-----" in certificate_pem:
        raise _refuse("a private key", "The private key stays with the owner. " + _HINT)
    try:
        owners = tuple(x509.load_pem_x509_certificates(certificate_pem))
    except ValueError as problem:
        raise _refuse(_say_found(certificate_pem), _HINT) from problem
    for number, owner in enumerate(owners, 1):
        _check(owner, number)
    return owners


def _say_found(given: bytes) -> str:
    if not given.strip():
        return "an empty file"
    if given.startswith((b"ssh-", b"ecdsa-")):
        return "an SSH public key"
    return "a text that is no certificate" if given.isascii() else "bytes that are no PEM text"


def _check(owner: x509.Certificate, number: int) -> None:
    key = owner.public_key()
    if not isinstance(key, rsa.RSAPublicKey):
        kind = type(key).__name__.removesuffix("PublicKey").lstrip("_")
        raise _refuse(f"certificate {number} has a key of type {kind}", _HINT)
    if key.key_size < _LEAST_BITS:
        raise _refuse(f"certificate {number} has a key of {key.key_size} bits", _HINT)
    try:
        usage = owner.extensions.get_extension_for_class(x509.KeyUsage).value
    except (x509.ExtensionNotFound, ValueError):
        return
    if not usage.key_encipherment:
        raise _refuse(f"certificate {number} is not meant for encryption (key usage)", _HINT)


def _refuse(found: str, hint: str) -> UsageError:
    return UsageError(
        "The map cannot be sealed for this certificate.",
        where="the owner's certificate",
        wanted=f"an X.509 certificate in PEM with an RSA key of {_LEAST_BITS} bits or more",
        found=found,
        hint=hint,
    )


def seal_map(vault: Vault, certificate_pem: bytes) -> bytes:
    """The vault's table as DER, to be opened with the private key of any of the
    certificates (AES-256-CBC, the key in RSA PKCS #1 v1.5).

    Raises UsageError for a bad certificate, ValueError for a vault that keeps no map."""
    owners = read_owners(certificate_pem)
    rows = vault.list_pairs()
    table = json.dumps({"format": "forerun-map", "version": 1, "rows": rows}, indent=0)
    builder = PKCS7EnvelopeBuilder().set_data(table.encode("ascii"))
    builder = builder.set_content_encryption_algorithm(AES256)
    for owner in owners:
        builder = builder.add_recipient(owner)
    return builder.encrypt(Encoding.DER, [PKCS7Options.Binary])
