"""Sanitising: production's files and facts in, a copy without secrets or names out.

A file is treated twice, both times in memory. When it arrives, every rule that finds a
secret replaces it (`take`). When all have arrived, public keys, certificates, names and
addresses are replaced, and so is each secret learned anywhere, wherever else it stands
(`finish`). Only what `finish` gives out may be written.

In between the files are held packed (zstd), up to a limit; one that no longer fits is
withheld, and what it taught is still replaced everywhere. Reading it from production once
more instead would not do: what it teaches then may stand in files already written.

A file that is still exactly what a package from an archive delivered is left alone: it
holds nothing that is not public, and changing it would make the package manager ask
about it in the rehearsal where production would not be asked.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from forerun.model.raw import ServerNames
from forerun.model.survey import Replacement
from forerun.model.system import Account
from forerun.stages.sanitise_addresses import AddressMap, HardwareMap
from forerun.stages.sanitise_binary import Parcel, is_binary, open_parcel
from forerun.stages.sanitise_certs import find_certificates
from forerun.stages.sanitise_detect import (
    find_credentials,
    find_named_values,
    find_random_tokens,
)
from forerun.stages.sanitise_edit import Edit, Sheet
from forerun.stages.sanitise_encoded import find_encoded
from forerun.stages.sanitise_forms import find_hashes, find_service_tokens
from forerun.stages.sanitise_guards import (
    BLOCK,
    first_filter,
    has_place_rule,
    make_name_filter,
    second_filter,
)
from forerun.stages.sanitise_hold import Hold
from forerun.stages.sanitise_keys import (
    find_private_keys,
    find_public_keys,
    find_wireguard_keys,
    keep_wireguard_public,
)
from forerun.stages.sanitise_known import KnownTexts
from forerun.stages.sanitise_names import NameMap
from forerun.stages.sanitise_pairs import list_users, note_neighbours, pair_hashes
from forerun.stages.sanitise_places import find_by_place
from forerun.stages.sanitise_vault import Vault, encode

_KEYRING_PLACE = re.compile(r"/etc/apt/(?:trusted\.gpg(?:\.d/[^/]+)?|keyrings/[^/]+)")
# Between the texts of one packed file: no text has a NUL.
_TEXT_END = b"\0"
_ARCHIVE_PLACE = re.compile(r"/etc/apt/sources\.list(?:\.d/[^/]+)?|sources:.*")


@dataclass(frozen=True, slots=True)
class CleanFile:
    """A sanitised file: its path (also sanitised) and content."""

    path: str
    content: bytes = field(repr=False)
    replacements: tuple[Replacement, ...] = ()


# Packed bytes; with the survey's other parts it keeps a whole survey below 300 MB.
HOLD_LIMIT = 128 << 20


@dataclass(slots=True)
class _Pending:
    path: str
    size: int
    replacements: tuple[Replacement, ...] = ()
    public: bool = False
    parcel: Parcel | None = None


class Sanitiser:
    """One survey's sanitising. `shipped` maps paths to MD5 digests of public contents;
    `accounts` are those known before the files; `hold_limit` bounds the packed bytes held
    between the two treatments."""

    def __init__(
        self,
        vault: Vault,
        names: ServerNames,
        *,
        host: str = "",
        shipped: Mapping[str, frozenset[str]] | None = None,
        vocabulary: Iterable[str] = (),
        accounts: Iterable[Account] = (),
        hold_limit: int = HOLD_LIMIT,
    ) -> None:
        self._vault = vault
        self._names = NameMap(vault)
        self._names.learn(names, host)
        self._addresses = AddressMap(vault)
        self._hardware = HardwareMap(vault)
        self._shipped = shipped or {}
        self._vocabulary = set(vocabulary)
        for account in accounts:
            self._names.people.learn_account(account.name, str(account.number))
        self._pending: list[_Pending] = []
        self._known = KnownTexts(vault)
        self._owners: dict[str, str] = {}
        self._first = first_filter()
        self._second = second_filter()
        self._named = make_name_filter(self._names.list_words())
        self._closed = False
        self._held = Hold(hold_limit)

    def __repr__(self) -> str:
        return f"<Sanitiser with {len(self._pending)} files>"

    @property
    def held_bytes(self) -> int:
        """Packed bytes taken so far, of what `hold_limit` allows."""
        return self._held.packed_bytes

    def is_public(self, path: str, content: bytes) -> bool:
        """Whether a file stays as it is: an unchanged packaged one, or a keyring of public
        archive keys."""
        return self.is_shipped(path, content) or (
            _KEYRING_PLACE.fullmatch(path) is not None
            and b"\0" in content
            and is_public_keyring(content)
        )

    def take(self, path: str, content: bytes) -> str:
        """Take a file as it arrives. Returns why it must be withheld, or ""."""
        if self.is_public(path, content):
            return self._hold(path, content, (), public=True)
        if is_binary(content):
            return self._take_parcel(path, content)
        if path in {"/etc/passwd", "/etc/group"}:
            text = content.decode("utf-8", "surrogateescape")
            self._vocabulary.update(line.partition(":")[0] for line in text.splitlines())
            self._names.people.learn_accounts(text)
        replacements: tuple[Replacement, ...] = ()
        asked = self._first.scan(content)
        if asked or has_place_rule(path):
            text = content.decode("utf-8", "surrogateescape")
            text, replacements = self._remove_secrets(path, text, asked)
            content = encode(text)
        return self._hold(path, content, replacements)

    def _take_parcel(self, path: str, content: bytes) -> str:
        """A file that is not plain text: opened, or the reason to withhold it."""
        parcel = open_parcel(content)
        if isinstance(parcel, str):
            return parcel
        done = [
            self._remove_secrets(path, text, self._first.scan(encode(text)))
            for text in parcel.texts
        ]
        parcel.texts = ()
        rows = tuple(row for _, found in done for row in found)
        inner = _TEXT_END.join(encode(text) for text, _ in done)
        return self._hold(path, inner, rows, parcel=parcel)

    def _hold(
        self,
        path: str,
        content: bytes,
        replacements: tuple[Replacement, ...],
        *,
        public: bool = False,
        parcel: Parcel | None = None,
    ) -> str:
        if not self._held.put(content):
            return f"the copy fills the {self._held.limit >> 20} MiB of memory it may take"
        self._pending.append(_Pending(path, len(content), replacements, public, parcel))
        return ""

    def is_shipped(self, path: str, content: bytes) -> bool:
        """Whether this is, by path and content, what a package from an archive delivered:
        all of it is public, and it may be written at once."""
        sums = self._shipped.get(path)
        if not sums or hashlib.md5(content, usedforsecurity=False).hexdigest() not in sums:
            return False
        self._names.people.learn_public(content)
        return True

    def _remove_secrets(
        self, path: str, text: str, asked: frozenset[str]
    ) -> tuple[str, tuple[Replacement, ...]]:
        """`asked` are the rules that may find something, by the first filter."""
        vault = self._vault
        sheet = Sheet(text)
        rules: tuple[tuple[str, Callable[[str], Iterator[Edit]]], ...] = (
            ("private-keys", lambda rest: find_private_keys(rest, vault)),
            ("wireguard", lambda rest: find_wireguard_keys(rest, vault, public=False)),
            ("", lambda rest: find_by_place(path, rest, vault)),
            # What the second treatment sees whole must not be nibbled at by the first.
            ("blocks", _keep_whole),
            ("wireguard", keep_wireguard_public),
            ("hashes", lambda rest: find_hashes(rest, vault)),
            ("credentials", lambda rest: find_credentials(rest, vault)),
            ("service-tokens", lambda rest: find_service_tokens(rest, vault)),
            ("named-values", lambda rest: find_named_values(path, rest, vault)),
            ("encoded", lambda rest: find_encoded(rest, self._clean_opened, "encoded-secret")),
            ("random-tokens", lambda rest: find_random_tokens(path, rest, vault)),
        )
        for name, find in rules:
            if not name or name in asked:
                sheet.accept(find(sheet.rest))
        note_neighbours(text, sheet.list_edits(), vault)
        return self._apply(sheet, path)

    def _remove_names(
        self, path: str, text: str, asked: frozenset[str]
    ) -> tuple[str, tuple[Replacement, ...]]:
        """`asked` are the rules that may find something, by the second filter."""
        vault = self._vault
        sheet = Sheet(text)
        if _ARCHIVE_PLACE.fullmatch(path):
            sheet.accept(_keep_uris(sheet.rest))
        names, addresses = self._names, self._addresses
        rules: tuple[tuple[str, Callable[[str], Iterator[Edit]]], ...] = (
            (
                "certificates",
                lambda rest: find_certificates(rest, vault, self._map_plain, names.mentions),
            ),
            ("public-keys", lambda rest: find_public_keys(rest, vault)),
            ("wireguard", lambda rest: find_wireguard_keys(rest, vault, public=True)),
            ("", self._find_known),
            ("encoded", lambda rest: find_encoded(rest, self.clean_path, "encoded-text")),
            ("names", lambda rest: names.find(path, rest)),
            ("addresses", addresses.find),
            ("hardware", self._hardware.find),
        )
        for name, find in rules:
            if not name or name in asked:
                sheet.accept(find(sheet.rest))
        return self._apply(sheet, path)

    def _apply(self, sheet: Sheet, path: str) -> tuple[str, tuple[Replacement, ...]]:
        if self._vault.keeps_map:
            for original, new, rule in sheet.list_changes():
                self._vault.keep_pair(original, new, rule)
        return sheet.apply(path)

    def _clean_opened(self, text: str) -> str:
        """What stood in base64. Base64 in it is a token like any other."""
        asked = self._first.scan(encode(text)) - {"encoded"}
        return self._remove_secrets("", text, asked)[0]

    def _map_plain(self, text: str) -> str:
        """Names and addresses of a short text, for certificates and paths."""
        sheet = Sheet(text)
        sheet.accept(self._names.find("", sheet.rest))
        sheet.accept(self._addresses.find(sheet.rest))
        return self._apply(sheet, "")[0]

    def _find_known(self, text: str) -> Iterator[Edit]:
        """Secrets learned elsewhere. One shorter than 8 characters must stand alone."""
        for original, new in self._known.find(encode(text)):
            at = text.find(original)
            while at >= 0:
                end = at + len(original)
                if len(original) >= 8 or _stands_alone(text, at, end):
                    yield Edit(at, end, new, "known-secret", "secret")
                at = text.find(original, end)

    def close(self) -> None:
        """No more files will come: fix the names and the list of known secrets."""
        self._names.close(self._vocabulary)
        self._named = make_name_filter(self._names.list_words())
        for pending in self._pending:
            if pending.parcel is not None:
                pending.parcel.learn(self._vault)
        pair_hashes(self._vault)
        self._known.learn(self._names.people.accounts | list_users(self._vault))
        self._owners.clear()
        self._closed = True

    def finish(self) -> Iterator[CleanFile | tuple[str, str]]:
        """The sanitised files in the order they came; (path, reason) for one that must
        be withheld after all."""
        if not self._closed:
            self.close()
        for pending in self._pending:
            path = self.clean_path(pending.path)
            content = self._held.get(pending.size)
            if pending.public:
                yield CleanFile(path, content)
                continue
            try:
                content, found = self._finish_one(pending, content)
            except ValueError as problem:
                yield path, str(problem)
                continue
            rows = (*pending.replacements, *found)
            if path != pending.path:
                rows = tuple(Replacement(path, row.line, row.rule, row.kind) for row in rows)
            yield CleanFile(path, content, rows)

    def _finish_one(
        self, pending: _Pending, content: bytes
    ) -> tuple[bytes, tuple[Replacement, ...]]:
        """The content to be given out. Raises ValueError for a file to be withheld."""
        if pending.parcel is None:
            return self._finish_text(pending.path, content)
        done = [self._finish_text(pending.path, part) for part in content.split(_TEXT_END)]
        texts = tuple(part.decode("utf-8", "surrogateescape") for part, _ in done)
        made = pending.parcel.close(texts, self._vault, self._map_plain, self._names.mentions)
        if not content:  # keys: there are no lines to name
            return made, (Replacement(pending.path, 0, "binary-keys", "key"),)
        return made, tuple(row for _, found in done for row in found)

    def _finish_text(self, path: str, content: bytes) -> tuple[bytes, tuple[Replacement, ...]]:
        asked = self._second.scan(content) | self._named.scan(content)
        if not asked and not self._known.find(content):
            return content, ()
        text = content.decode("utf-8", "surrogateescape")
        text, rows = self._remove_names(path, text, asked)
        return encode(text), rows

    def clean_owner(self, name: str) -> str:
        """The name of a file's owner or group."""
        if name not in self._owners:
            clean = self.clean_text("name:login", name)[0]
            if not self._closed:
                return clean
            self._owners[name] = clean
        return self._owners[name]

    def clean_path(self, path: str) -> str:
        """A path without the server's names, addresses and known secrets."""
        sheet = Sheet(path)
        sheet.accept(self._find_known(path))
        sheet.accept(self._names.find("", sheet.rest))
        sheet.accept(self._addresses.find(sheet.rest))
        return self._apply(sheet, "")[0]

    def clean_text(self, place: str, text: str) -> tuple[str, tuple[Replacement, ...]]:
        """A fact's text, by all rules. `place` stands where a path would
        ("fact:machine", "sources:...", "name:...")."""
        if not text:
            return text, ()
        first, before = self._remove_secrets(place, text, self._first.scan(encode(text)))
        clean = encode(first)
        asked = self._second.scan(clean) | self._named.scan(clean)
        second, after = self._remove_names(place, first, asked)
        return second, (*before, *after)

    def swap_hardware(self, address: str) -> str:
        """What stands for an Ethernet address, as in the files."""
        return next((edit.new for edit in self._hardware.find(address)), address)

    def clean_name(self, name: str) -> str:
        """A host name or address."""
        return self.clean_text("name:host", name)[0]


def _keep_whole(text: str) -> Iterator[Edit]:
    if "-----BEGIN " in text or "AAAA" in text:
        for match in BLOCK.finditer(text):
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
