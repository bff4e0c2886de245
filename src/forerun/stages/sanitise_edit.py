"""Edits to a text, and how several rules' edits are laid over each other."""

from __future__ import annotations

import bisect
from collections.abc import Iterable, Iterator
from typing import NamedTuple

from forerun.model.survey import Replacement


class Edit(NamedTuple):
    """`text[start:end]` becomes `new`; `rule` found it and it is of that `kind`.

    A tuple, because a file may need a hundred thousand: a frozen dataclass takes four
    times as long to make."""

    start: int
    end: int
    new: str
    rule: str
    kind: str

    def __repr__(self) -> str:
        return f"<Edit of {self.start} to {self.end} by {self.rule}>"


class Sheet:
    """One text and the edits accepted so far: an edit that touches an earlier accepted
    one is dropped, so rules are asked in the order of how much they know.

    Rules read `rest`, where accepted places are line ends: a rule must not even learn
    from what another one has already dealt with."""

    def __init__(self, text: str) -> None:
        self.text = text
        self._rest: str | None = text
        self._edits: list[Edit] = []
        self._starts: list[int] = []

    def __repr__(self) -> str:
        return f"<Sheet with {len(self._edits)} edits>"

    def accept(self, edits: Iterable[Edit]) -> None:
        """Take each edit that changes something and overlaps none before it."""
        before = len(self._edits)
        for edit in edits:
            if edit.end <= edit.start:
                continue
            if not self._edits or edit.start >= self._edits[-1].end:  # in order, as most are
                self._edits.append(edit)
                self._starts.append(edit.start)
                continue
            at = bisect.bisect_right(self._starts, edit.start)
            clear_before = at == 0 or self._edits[at - 1].end <= edit.start
            clear_after = at == len(self._edits) or self._edits[at].start >= edit.end
            if clear_before and clear_after:
                self._edits.insert(at, edit)
                self._starts.insert(at, edit.start)
        if len(self._edits) != before:
            self._rest = None

    @property
    def rest(self) -> str:
        """The text with line ends where edits were accepted."""
        if self._rest is None:
            self._rest = self._blank()
        return self._rest

    def _blank(self) -> str:
        parts: list[str] = []
        at = 0
        for edit in self._edits:
            parts += [self.text[at : edit.start], "\n" * (edit.end - edit.start)]
            at = edit.end
        return "".join([*parts, self.text[at:]])

    def list_edits(self) -> tuple[Edit, ...]:
        """The accepted edits, by place."""
        return tuple(self._edits)

    def list_changes(self) -> Iterator[tuple[str, str, str]]:
        """(original, replacement, rule) of each accepted edit that changes something."""
        for edit in self._edits:
            original = self.text[edit.start : edit.end]
            if edit.new != original:
                yield original, edit.new, edit.rule

    def apply(self, path: str) -> tuple[str, tuple[Replacement, ...]]:
        """The edited text, and the list of what was replaced, by line of this text."""
        if not self._edits:
            return self.text, ()
        parts: list[str] = []
        rows: list[Replacement] = []
        at, line = 0, 1
        for edit in self._edits:
            between = self.text[at : edit.start]
            line += between.count("\n")
            parts += [between, edit.new]
            if edit.new != self.text[edit.start : edit.end]:
                rows.append(Replacement(path, line, edit.rule, edit.kind))
            line += self.text.count("\n", edit.start, edit.end)
            at = edit.end
        parts.append(self.text[at:])
        return "".join(parts), tuple(rows)
