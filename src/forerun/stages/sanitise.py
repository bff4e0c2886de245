"""Sanitising: production's files and facts in, a copy without secrets or names out.

A file is treated twice, both times in memory. When it arrives, every rule that finds a
secret replaces it (`take`). When all have arrived, public keys, certificates, names and
addresses are replaced, and so is each secret learned anywhere, wherever else it stands
(`finish`). Only what `finish` gives out may be written.

A file that is still exactly what a package from an archive delivered is left alone: it
holds nothing that is not public, and changing it would make the package manager ask
about it in the rehearsal where production would not be asked.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from forerun.model.raw import ServerNames
from forerun.model.survey import Replacement
from forerun.stages.sanitise_addresses import AddressMap, find_hardware_addresses
from forerun.stages.sanitise_binary import Parcel, is_binary, open_parcel
from forerun.stages.sanitise_certs import find_certificates
from forerun.stages.sanitise_detect import (
    find_credentials,
    find_named_values,
    find_random_tokens,
)
from forerun.stages.sanitise_edit import Edit, Sheet
from forerun.stages.sanitise_encoded import derive_forms, find_encoded
from forerun.stages.sanitise_forms import find_hashes, find_service_tokens
from forerun.stages.sanitise_keys import (
    find_private_keys,
    find_public_keys,
    find_wireguard_keys,
)
from forerun.stages.sanitise_names import NameMap
from forerun.stages.sanitise_pairs import list_users, pair_hashes
from forerun.stages.sanitise_places import find_by_place
from forerun.stages.sanitise_vault import Vault, encode

_KEYRING_PLACE = re.compile(r"/etc/apt/(?:trusted\.gpg(?:\.d/[^/]+)?|keyrings/[^/]+)")
_ARCHIVE_PLACE = re.compile(r"/etc/apt/sources\.list(?:\.d/[^/]+)?|sources:.*")


@dataclass(frozen=True, slots=True)
class CleanFile:
    """A sanitised file: its path (also sanitised) and content."""

    path: str
    content: bytes = field(repr=False)
    replacements: tuple[Replacement, ...] = ()


@dataclass(slots=True)
class _Pending:
    path: str
    text: str = field(repr=False)
    replacements: tuple[Replacement, ...] = ()
    public: bool = False
    content: bytes = field(default=b"", repr=False)
    parcel: Parcel | None = None
    inner: tuple[str, ...] = field(default=(), repr=False)


class Sanitiser:
    """One survey's sanitising. `shipped` maps paths to MD5 digests of public contents."""

    def __init__(
        self,
        vault: Vault,
        names: ServerNames,
        *,
        host: str = "",
        shipped: Mapping[str, frozenset[str]] | None = None,
        vocabulary: Iterable[str] = (),
    ) -> None:
        self._vault = vault
        self._names = NameMap(vault)
        self._names.learn(names, host)
        self._addresses = AddressMap(vault)
        self._shipped = shipped or {}
        self._vocabulary = set(vocabulary)
        self._pending: list[_Pending] = []
        self._swept: tuple[tuple[str, str], ...] = ()
        self._closed = False

    def __repr__(self) -> str:
        return f"<Sanitiser with {len(self._pending)} files>"

    def take(self, path: str, content: bytes) -> str:
        """Take a file as it arrives. Returns why it must be withheld, or "".

        Kept as they are: unchanged packaged files, and public archive keys."""
        if self._is_shipped(path, content):
            self._names.people.learn_public(content)
            self._pending.append(_Pending(path, "", public=True, content=content))
            return ""
        if is_binary(content):
            if not (_KEYRING_PLACE.fullmatch(path) and is_public_keyring(content)):
                return self._take_parcel(path, content)
            self._pending.append(_Pending(path, "", public=True, content=content))
            return ""
        text = content.decode("utf-8", "surrogateescape")
        if path in {"/etc/passwd", "/etc/group"}:
            self._vocabulary.update(line.partition(":")[0] for line in text.splitlines())
            self._names.people.learn_accounts(text)
        clean, replacements = self._remove_secrets(path, text)
        self._pending.append(_Pending(path, clean, replacements))
        return ""

    def _take_parcel(self, path: str, content: bytes) -> str:
        """A file that is not plain text: opened, or the reason to withhold it."""
        parcel = open_parcel(content)
        if isinstance(parcel, str):
            return parcel
        done = [self._remove_secrets(path, text) for text in parcel.texts]
        rows = tuple(row for _, found in done for row in found)
        inner = tuple(text for text, _ in done)
        self._pending.append(_Pending(path, "", rows, parcel=parcel, inner=inner))
        return ""

    def _is_shipped(self, path: str, content: bytes) -> bool:
        sums = self._shipped.get(path)
        if not sums:
            return False
        return hashlib.md5(content, usedforsecurity=False).hexdigest() in sums

    def _remove_secrets(
        self, path: str, text: str, *, opened: bool = False
    ) -> tuple[str, tuple[Replacement, ...]]:
        vault = self._vault
        sheet = Sheet(text)
        sheet.accept(find_private_keys(sheet.rest, vault))
        sheet.accept(find_wireguard_keys(sheet.rest, vault, public=False))
        sheet.accept(find_by_place(path, sheet.rest, vault))
        # Blocks that the second treatment sees whole must not be nibbled at by the first.
        sheet.accept(_keep_whole(sheet.rest))
        sheet.accept(find_hashes(sheet.rest, vault))
        sheet.accept(find_credentials(sheet.rest, vault))
        sheet.accept(find_service_tokens(sheet.rest, vault))
        sheet.accept(find_named_values(path, sheet.rest, vault))
        if not opened:  # base64 in base64 is a token like any other
            sheet.accept(find_encoded(sheet.rest, self._clean_opened, "encoded-secret"))
        sheet.accept(find_random_tokens(path, sheet.rest, vault))
        return sheet.apply(path)

    def _remove_names(self, path: str, text: str) -> tuple[str, tuple[Replacement, ...]]:
        vault = self._vault
        sheet = Sheet(text)
        if _ARCHIVE_PLACE.fullmatch(path):
            sheet.accept(_keep_uris(sheet.rest))
        sheet.accept(find_certificates(sheet.rest, vault, self._map_plain, self._names.mentions))
        sheet.accept(find_public_keys(sheet.rest, vault))
        sheet.accept(find_wireguard_keys(sheet.rest, vault, public=True))
        sheet.accept(self._find_known(sheet.rest))
        sheet.accept(find_encoded(sheet.rest, self.clean_path, "encoded-name"))
        sheet.accept(self._names.find(path, sheet.rest))
        sheet.accept(self._addresses.find(sheet.rest))
        sheet.accept(find_hardware_addresses(sheet.rest, vault))
        return sheet.apply(path)

    def _clean_opened(self, text: str) -> str:
        return self._remove_secrets("", text, opened=True)[0]

    def _map_plain(self, text: str) -> str:
        """Names and addresses of a short text, for certificates and paths."""
        sheet = Sheet(text)
        sheet.accept(self._names.find("", sheet.rest))
        sheet.accept(self._addresses.find(sheet.rest))
        return sheet.apply("")[0]

    def _find_known(self, text: str) -> Iterator[Edit]:
        """Secrets learned elsewhere. One shorter than 8 characters must stand alone."""
        for original, new in self._swept:
            at = text.find(original)
            while at >= 0:
                end = at + len(original)
                if len(original) >= 8 or _stands_alone(text, at, end):
                    yield Edit(at, end, new, "known-secret", "secret")
                at = text.find(original, end)

    def close(self) -> None:
        """No more files will come: fix the names and the list of known secrets."""
        self._names.close(self._vocabulary)
        for pending in self._pending:
            if pending.parcel is not None:
                pending.parcel.learn(self._vault)
        pair_hashes(self._vault)
        derive_forms(self._vault, self._names.people.accounts | list_users(self._vault))
        self._swept = tuple(self._vault.sweepable())
        self._closed = True

    def finish(self) -> Iterator[CleanFile | tuple[str, str]]:
        """The sanitised files in the order they came; (path, reason) for one that must
        be withheld after all."""
        if not self._closed:
            self.close()
        for pending in self._pending:
            path = self.clean_path(pending.path)
            if pending.public:
                yield CleanFile(path, pending.content)
                continue
            try:
                content, replacements = self._finish_one(pending)
            except ValueError as problem:
                yield path, str(problem)
                continue
            rows = [*pending.replacements, *replacements]
            yield CleanFile(
                path,
                content,
                tuple(Replacement(path, row.line, row.rule, row.kind) for row in rows),
            )
            pending.text = ""

    def _finish_one(self, pending: _Pending) -> tuple[bytes, tuple[Replacement, ...]]:
        """The content to be given out. Raises ValueError for a file to be withheld."""
        if pending.parcel is None:
            text, rows = self._remove_names(pending.path, pending.text)
            return encode(text), rows
        done = [self._remove_names(pending.path, text) for text in pending.inner]
        rows = tuple(row for _, found in done for row in found)
        made = pending.parcel.close(
            tuple(text for text, _ in done), self._vault, self._map_plain, self._names.mentions
        )
        if not pending.inner:
            rows = (Replacement(pending.path, 0, "binary-keys", "key"),)
        return made, rows

    def clean_path(self, path: str) -> str:
        """A path without the server's names, addresses and known secrets."""
        sheet = Sheet(path)
        sheet.accept(self._find_known(path))
        sheet.accept(self._names.find("", sheet.rest))
        sheet.accept(self._addresses.find(sheet.rest))
        return sheet.apply("")[0]

    def clean_text(self, place: str, text: str) -> tuple[str, tuple[Replacement, ...]]:
        """A fact's text, by all rules. `place` stands where a path would
        ("fact:machine", "sources:...", "name:...")."""
        if not text:
            return text, ()
        first, before = self._remove_secrets(place, text)
        second, after = self._remove_names(place, first)
        return second, (*before, *after)

    def clean_name(self, name: str) -> str:
        """A host name or address."""
        return self.clean_text("name:host", name)[0]


_BLOCK = re.compile(
    r"-----BEGIN ([A-Z0-9 ]*(?:CERTIFICATE|PUBLIC KEY|CRL|PARAMETERS|PGP[A-Z ]*|PKCS7|CMS))-----"
    r".*?-----END \1-----"
    r"|(?:sk-)?(?:ssh-|ecdsa-)[\w@.-]+[ \t]+AAAA[A-Za-z0-9+/=]+",
    re.DOTALL,
)


def _keep_whole(text: str) -> Iterator[Edit]:
    if "-----BEGIN " in text or "AAAA" in text:
        for match in _BLOCK.finditer(text):
            yield Edit(match.start(), match.end(), match[0], "", "")


_URI = re.compile(r"\b[a-z][a-z0-9+.-]*:/+[^\s\"']+")


def _keep_uris(text: str) -> Iterator[Edit]:
    """The archive gateway needs the archives' own addresses."""
    for match in _URI.finditer(text):
        yield Edit(match.start(), match.end(), match[0], "", "")


def _stands_alone(text: str, start: int, end: int) -> bool:
    before, after = text[start - 1 : start], text[end : end + 1]
    return not (before.isalnum() or after.isalnum())


def is_public_keyring(content: bytes) -> bool:
    """Whether a binary OpenPGP keyring starts with a public-key packet (RFC 4880 4.2:
    tag 6; tag 5 is a secret key)."""
    first = content[:1]
    return first in {b"\x98", b"\x99", b"\x9a", b"\xc6"} and b"PRIVATE" not in content
