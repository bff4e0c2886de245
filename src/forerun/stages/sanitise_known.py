"""Known secrets wherever else they stand: as they are, and in each of their other forms.

A secret has some fifty other forms (`sanitise_encoded.list_forms`), most of which stand
nowhere. So a form is not kept but looked for by its first 16 characters, and computed
again, with what stands for it, where those occur. Two searches:

- A form that begins with 16 letters, digits, `+` and `/` (base64, hexadecimal, digests,
  most secrets) can only stand in a run of such characters. Those runs are found by one
  pass (Hyperscan), and each 16 characters of them are looked up in a table.
- All others are searched for literally (`KnownWords`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from forerun.stages.sanitise_encoded import list_forms, pair_forms
from forerun.stages.sanitise_prefilter import RUN_LENGTH, KnownWords, find_runs, is_run
from forerun.stages.sanitise_vault import Vault, encode

# A longer secret (a whole key file) has no form that anybody writes.
_LONGEST = 4096
_Owners = tuple[str, ...]


class KnownTexts:
    """The secrets of a vault that are replaced wherever they stand.

    `learn` takes what the vault knows by now; `find` says what stands in a content."""

    def __init__(self, vault: Vault) -> None:
        self._vault = vault
        self._logins: tuple[str, ...] = ()
        self._rows: dict[str, str] = {}
        self._formed: set[str] = set()
        # First bytes of a form, those of a run in small letters, to the secrets which have a
        # form that begins so.
        self._runs: dict[bytes, str | _Owners] = {}
        self._literals: dict[bytes, str | _Owners] = {}
        self._words = KnownWords(())
        self._starts: list[bytes] = []

    def __repr__(self) -> str:
        return f"<KnownTexts of {len(self._rows)} secrets>"

    def learn(self, logins: Iterable[str]) -> None:
        """Take the vault's secrets. `logins` are names that a digest may be salted with."""
        wanted = tuple(sorted(set(logins)))
        if wanted != self._logins:
            self._logins = wanted
            self._formed.clear()
        for text, _ in self._vault.sweepable(derived=False):
            if len(text) <= _LONGEST and text not in self._formed:
                self._formed.add(text)
                for form in list_forms(text, self._logins):
                    if form and form != text:
                        self._note(form, text)
        self._rows = dict(self._vault.sweepable())
        self._settle_drawn()
        self._rows = dict(self._vault.sweepable())
        for text in self._rows:
            self._note(text, text)
        starts = list(self._literals)
        if starts != self._starts:
            self._starts, self._words = starts, KnownWords(starts)

    def _note(self, form: str, owner: str) -> None:
        start = encode(form)[:RUN_LENGTH]
        table = self._literals
        if is_run(start):  # in small letters: hexadecimal digits are the same in both
            table, start = self._runs, start.lower()
        before = table.get(start)
        if before is None:
            table[start] = owner
        elif isinstance(before, str):
            if before != owner:
                table[start] = (before, owner)
        elif owner not in before:
            table[start] = (*before, owner)

    def _settle_drawn(self) -> None:
        """A form that was taken for a token of its own: the copy holds what was drawn for
        it, and gets the form of what stands for the secret instead."""
        for text, drawn, _ in self._vault.swaps():
            start = encode(text)[:RUN_LENGTH]
            owners = self._list_owners(start.lower() if is_run(start) else start)
            pairs = (pair for o in owners if o != text for pair in self._pair_forms(o))
            for old, new in pairs:
                if old == text:
                    if drawn not in {old, new}:
                        self._vault.derive(drawn, new)
                    self._vault.derive(old, new)

    def _list_owners(self, start: bytes) -> _Owners:
        found = self._runs.get(start) or self._literals.get(start) or ()
        return (found,) if isinstance(found, str) else found

    def _pair_forms(self, owner: str) -> Iterator[tuple[str, str]]:
        if owner in self._formed and owner in self._rows:
            yield from pair_forms(owner, self._rows[owner], self._logins)

    def find(self, content: bytes) -> list[tuple[str, str]]:
        """(known text, what stands for it) of those in the content, longest first, so
        that no shorter one cuts a longer one."""
        owners: set[str] = set()
        runs = self._runs
        if runs:
            for whole in find_runs(content):
                run = whole.lower()
                for at in range(len(run) - RUN_LENGTH + 1):
                    start = run[at : at + RUN_LENGTH]
                    if start in runs:
                        owners.update(self._list_owners(start))
        for number in self._words.find(content):
            owners.update(self._list_owners(self._starts[number]))
        return self.list_rows(owners, content) if owners else []

    def list_rows(self, owners: Iterable[str], content: bytes) -> list[tuple[str, str]]:
        """Of these secrets all that stands in the content, in any form."""
        found: dict[str, str] = {}
        for owner in owners:
            if owner in self._rows and encode(owner) in content:
                found[owner] = self._rows[owner]
            for old, new in self._pair_forms(owner):
                if encode(old) in content:
                    # Not to be taken for a secret where this copy's text is read again.
                    self._vault.derive(old, new)
                    found[old] = new
        return sorted(found.items(), key=lambda row: (-len(row[0]), row[0]))

    def list_all(self, content: bytes) -> list[tuple[str, str]]:
        """What `find` gives, by asking about every secret."""
        return self.list_rows(self._rows, content)
