"""Certificates that name the server or belong to a replaced key are issued again.

Subject, issuer and alternative names are mapped, the validity and the usual extensions
stay. The signature is by a new key that stands for the issuer's, so the chain holds among
what was issued again; a client that trusts the old issuer will not trust it. Public
certificates that name nothing of the server's stay as they are.
"""

from __future__ import annotations

import ipaddress
import re
import warnings
from collections.abc import Callable, Iterator

from cryptography import x509
from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, ed448, ed25519
from cryptography.x509.oid import NameOID

from forerun.stages.sanitise_edit import Edit
from forerun.stages.sanitise_keys import PrivateKey, maker_like, spki
from forerun.stages.sanitise_vault import Vault

_CERTIFICATE = re.compile(
    r"-----BEGIN ((?:TRUSTED |X509 )?CERTIFICATE)-----(.*?)-----END \1-----",
    re.DOTALL,
)
_PERSONAL = frozenset({
    NameOID.ORGANIZATION_NAME, NameOID.ORGANIZATIONAL_UNIT_NAME, NameOID.LOCALITY_NAME,
    NameOID.STATE_OR_PROVINCE_NAME, NameOID.STREET_ADDRESS, NameOID.POSTAL_CODE,
    NameOID.GIVEN_NAME, NameOID.SURNAME, NameOID.SERIAL_NUMBER,
})  # fmt: skip
_COPIED = (x509.BasicConstraints, x509.KeyUsage, x509.ExtendedKeyUsage, x509.TLSFeature)
MapText = Callable[[str], str]
IsOwn = Callable[[str], bool]


def find_certificates(text: str, vault: Vault, map_text: MapText, is_own: IsOwn) -> Iterator[Edit]:
    """Certificates to be issued again: their key is one that was replaced, or `is_own`
    says of their text that it names the server's. To be asked after all private keys."""
    if "CERTIFICATE-----" not in text:
        return
    for match in _CERTIFICATE.finditer(text):
        try:
            old = _load(match[0])
            if not is_ours(old, vault, is_own):
                continue
            new = issue_again(old, vault, map_text)
        except (ValueError, TypeError, UnsupportedAlgorithm, x509.UnsupportedGeneralNameType):
            continue
        for line in match[2].split()[1:]:
            if len(line) >= 24:
                vault.note(line, rule="certificate")
        pem = new.public_bytes(serialization.Encoding.PEM).decode().strip("\n")
        yield Edit(match.start(), match.end(), pem, "certificate", "certificate")


def _load(pem: str) -> x509.Certificate:
    with warnings.catch_warnings():
        # Old public authorities have serial numbers that RFC 5280 no longer allows.
        warnings.simplefilter("ignore")
        return x509.load_pem_x509_certificate(pem.encode("ascii", "replace"))


def is_ours(old: x509.Certificate, vault: Vault, is_own: IsOwn) -> bool:
    """Whether the certificate's key was replaced, or it names the server's."""
    if vault.find_object("key", spki(old.public_key())) is not None:
        return True
    # Names stand in the DER as they are, so no name needs to be taken apart for this.
    visible = "\n".join(re.findall(r"[ -~]{4,}", old.public_bytes(
        serialization.Encoding.DER).decode("latin-1")))  # fmt: skip
    return is_own(visible)


def issue_again(old: x509.Certificate, vault: Vault, map_text: MapText) -> x509.Certificate:
    """The same certificate for the new key and the new names.

    Raises ValueError for key types that cannot be made or cannot sign."""
    key = _find_key(old, vault)
    subject = _map_name(old.subject, vault, map_text)
    own = old.issuer == old.subject
    signer = key if own else _find_signer(old.issuer, vault)
    builder = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject if own else _map_name(old.issuer, vault, map_text))
        .public_key(key.public_key())
        .serial_number(
            int.from_bytes(vault.stream("serial", spki(old.public_key())).take(15), "big") | 1
        )
        .not_valid_before(old.not_valid_before_utc)
        .not_valid_after(old.not_valid_after_utc)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
    )
    for extension in old.extensions:
        if isinstance(extension.value, _COPIED):
            builder = builder.add_extension(extension.value, extension.critical)
        elif isinstance(extension.value, x509.SubjectAlternativeName):
            names = [_map_general(name, map_text) for name in extension.value]
            builder = builder.add_extension(x509.SubjectAlternativeName(names), extension.critical)
    if isinstance(signer, ed25519.Ed25519PrivateKey | ed448.Ed448PrivateKey):
        return builder.sign(signer, None)
    return builder.sign(signer, hashes.SHA256())  # type: ignore[arg-type]


def _find_key(old: x509.Certificate, vault: Vault) -> PrivateKey:
    """The key that stands for the certificate's: the server's own where it had the
    private half; an authority's is the one its name signs with."""
    public = old.public_key()
    make = maker_like(public)
    if make is None:
        raise ValueError("a key type that cannot be made")
    name = spki(public)
    if vault.find_object("key", name) is None and _is_authority(old):
        return vault.keep_object("issuer", old.subject.public_bytes(), make)
    key = vault.keep_object("key", name, make)
    if _is_authority(old):
        vault.keep_object("issuer", old.subject.public_bytes(), lambda: key)
    return key


def _is_authority(old: x509.Certificate) -> bool:
    try:
        return old.extensions.get_extension_for_class(x509.BasicConstraints).value.ca
    except (x509.ExtensionNotFound, ValueError):
        return False


def _find_signer(issuer: x509.Name, vault: Vault) -> PrivateKey:
    return vault.keep_object(
        "issuer", issuer.public_bytes(), lambda: ec.generate_private_key(ec.SECP256R1())
    )


def _map_name(name: x509.Name, vault: Vault, map_text: MapText) -> x509.Name:
    parts = []
    for part in name:
        value = part.value
        if isinstance(value, str) and part.oid in _PERSONAL:
            value = vault.swap(
                value,
                rule="certificate-name",
                make=lambda s: f"Place {s.take(3).hex()}",
                sweep=False,
            )
        elif isinstance(value, str) and part.oid != NameOID.COUNTRY_NAME:
            value = map_text(value)
        parts.append(x509.NameAttribute(part.oid, value, _validate=False))
    return x509.Name(parts)


def _map_general(name: x509.GeneralName, map_text: MapText) -> x509.GeneralName:
    if isinstance(name, x509.DNSName | x509.RFC822Name | x509.UniformResourceIdentifier):
        return type(name)(map_text(name.value))
    if isinstance(name, x509.IPAddress) and "/" not in str(name.value):
        return x509.IPAddress(ipaddress.ip_address(map_text(str(name.value))))
    return name
