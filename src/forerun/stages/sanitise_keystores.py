"""PKCS#12 stores, and keys and certificates in DER: made anew of the same kind.

A store can be read when its password is among the secrets that were found, or is one of
those that everybody uses; it is closed again with what stands for that password.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from cryptography import x509
from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    KeySerializationEncryption,
    NoEncryption,
    PrivateFormat,
    pkcs12,
)

from forerun.stages.sanitise_certs import is_ours, issue_again
from forerun.stages.sanitise_keys import PrivateKey, renew_key
from forerun.stages.sanitise_vault import Vault

MapText = Callable[[str], str]
IsOwn = Callable[[str], bool]

# Passwords that products' manuals give; a store closed with one stays closed with it.
_USUAL = ("", "changeit", "changeme", "password", "secret", "123456", "export", "test")
# A trial costs a few milliseconds: 2048 and more rounds of the key derivation.
_MOST_TRIALS = 400
_UNREADABLE = (ValueError, TypeError, UnsupportedAlgorithm)


def note_der(der: bytes, vault: Vault) -> None:
    """The bytes of a key are an original: the part that is not the same in every key."""
    vault.note(der[len(der) // 3 : 2 * len(der) // 3], rule="private-key")


class KeyStore:
    """A PKCS#12 store, closed until every secret is known."""

    texts: tuple[str, ...] = ()

    def __init__(self, content: bytes) -> None:
        self._content = content
        self._store: pkcs12.PKCS12KeyAndCertificates | None = None
        self._password = ""

    def __repr__(self) -> str:
        return "<KeyStore>"

    @staticmethod
    def open(content: bytes) -> KeyStore | None:
        """The store, if the content is one: version 3 and the type of the content (RFC
        7292 4) stand at the start."""
        is_store = (
            b"\x02\x01\x03" in content[:12]
            and b"\x2a\x86\x48\x86\xf7\x0d\x01\x07" in (content[:40])
        )
        return KeyStore(content) if is_store else None

    def learn(self, vault: Vault) -> None:
        """Try the passwords; on success the key inside gets its replacement."""
        for password in self._list_passwords(vault):
            try:
                self._store = pkcs12.load_pkcs12(self._content, password.encode() or None)
            except _UNREADABLE:
                continue
            self._password = password
            key = self._store.key
            if key is not None:
                note_der(_write_der(key), vault)
                renew_key(key, vault)
            return

    @staticmethod
    def _list_passwords(vault: Vault) -> Iterator[str]:
        yield from _USUAL
        found = [text for text, _, _ in vault.swaps() if len(text) <= 64 and text.isprintable()]
        yield from found[-_MOST_TRIALS:]

    def close(
        self, texts: tuple[str, ...], vault: Vault, map_text: MapText, is_own: IsOwn
    ) -> bytes:
        """The store with a new key and certificates. Raises ValueError (withhold it)."""
        store = self._store
        if store is None:
            raise ValueError("not text: a PKCS#12 store whose password is not known")
        try:
            key = renew_key(store.key, vault) if store.key is not None else None
            cert = self._renew(store.cert, vault, map_text, is_own) if store.cert else None
            others = [
                made
                for other in store.additional_certs
                if (made := self._renew(other, vault, map_text, is_own))
            ]
            name = cert.friendly_name if cert else None
            return pkcs12.serialize_key_and_certificates(
                name,
                key,  # type: ignore[arg-type]
                cert.certificate if cert else None,
                others or None,
                self._lock(vault),
            )
        except _UNREADABLE as problem:
            raise ValueError("not text: a PKCS#12 store that cannot be made again") from problem

    def _lock(self, vault: Vault) -> KeySerializationEncryption:
        if not self._password:
            return NoEncryption()
        new = vault.find(self._password) or self._password
        return BestAvailableEncryption(new.encode())

    @staticmethod
    def _renew(
        old: pkcs12.PKCS12Certificate, vault: Vault, map_text: MapText, is_own: IsOwn
    ) -> pkcs12.PKCS12Certificate:
        name = old.friendly_name
        shown = map_text(name.decode("utf-8", "replace")).encode() if name else None
        certificate = old.certificate
        if is_ours(certificate, vault, is_own):
            certificate = issue_again(certificate, vault, map_text)
        return pkcs12.PKCS12Certificate(certificate, shown)


def _write_der(key: object) -> bytes:
    made: bytes = key.private_bytes(  # type: ignore[attr-defined]
        Encoding.DER, PrivateFormat.PKCS8, NoEncryption()
    )
    return made


class DerFile:
    """A private key, public key or certificate in DER."""

    texts: tuple[str, ...] = ()

    def __init__(
        self,
        content: bytes,
        *,
        key: PrivateKey | None = None,
        certificate: x509.Certificate | None = None,
        traditional: bool = False,
    ) -> None:
        self._content = content
        self._key = key
        self._certificate = certificate
        self._traditional = traditional

    def __repr__(self) -> str:
        return "<DerFile>"

    @staticmethod
    def open(content: bytes) -> DerFile | None:
        """The key or certificate; None where it is neither."""
        try:
            return DerFile(content, certificate=x509.load_der_x509_certificate(content))
        except _UNREADABLE:
            pass
        try:
            key = serialization.load_der_private_key(content, password=None)
        except _UNREADABLE:
            return None
        # PKCS#8 has an algorithm identifier after the version, PKCS#1 and SEC1 have not.
        traditional = content != _write_der(key)
        return DerFile(content, key=key, traditional=traditional)  # type: ignore[arg-type]

    def learn(self, vault: Vault) -> None:
        """The key inside gets its replacement."""
        if self._key is not None:
            note_der(self._content, vault)
            renew_key(self._key, vault)

    def close(
        self, texts: tuple[str, ...], vault: Vault, map_text: MapText, is_own: IsOwn
    ) -> bytes:
        """The new key or certificate. Raises ValueError (withhold it)."""
        if self._certificate is not None:
            if not is_ours(self._certificate, vault, is_own):
                return self._content
            return issue_again(self._certificate, vault, map_text).public_bytes(Encoding.DER)
        new = renew_key(self._key, vault)
        if new is None:
            raise ValueError("not text: a private key of a kind that cannot be made")
        form = PrivateFormat.TraditionalOpenSSL if self._traditional else PrivateFormat.PKCS8
        return new.private_bytes(Encoding.DER, form, NoEncryption())
