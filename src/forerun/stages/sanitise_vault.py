"""The vault: what was secret, and what stands in its place. In memory only.

One original has one replacement everywhere. Replacements are drawn from a keyed stream,
so that nobody without the key can compute one from a guessed original; the key is made
when the vault is and dies with it.
"""

from __future__ import annotations

import base64
import hmac
import re
import secrets
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import NoReturn, TypeVar

_T = TypeVar("_T")

LOWER = "abcdefghijklmnopqrstuvwxyz"
UPPER = LOWER.upper()
DIGITS = "0123456789"


# Values so common that finding one elsewhere says nothing, and replacing it everywhere
# would break configuration that has nothing to do with a secret.
COMMON_VALUES = frozenset({
    "access", "account", "admin", "administrator", "apache", "backup", "bookworm", "changeme",
    "client", "cluster", "community", "config", "database", "debian", "default", "disabled",
    "domain", "dovecot", "enabled", "example", "gateway", "grafana", "internal", "ldapadmin",
    "letmein", "localhost", "master", "member", "monitor", "monitoring", "mysql", "network",
    "nobody", "openldap", "password", "password1", "pgsql", "postfix", "postgres", "postgresql",
    "primary", "private", "public", "rabbitmq", "readonly", "redis", "replica", "replication",
    "secret", "server", "service", "slave", "standard", "system", "testing", "tomcat", "trixie",
    "unknown", "username", "welcome", "www-data", "123456", "12345678", "123456789", "qwerty",
})  # fmt: skip


def is_telling(original: str) -> bool:
    """Whether an original is worth replacing wherever else it stands: at least 6
    characters, not one of COMMON_VALUES, and not a bare number or plain short word."""
    if len(original) < 6 or original.lower() in COMMON_VALUES:
        return False
    if original.isdigit():
        return len(original) >= 10
    return len(original) >= 8 or re.fullmatch(r"[a-z]+|[A-Z][a-z]+", original) is None


class Secret:
    """A value whose every printed form is masked; `reveal` is the only way to it."""

    __slots__ = ("_value",)

    def __init__(self, value: bytes) -> None:
        self._value = value

    def reveal(self) -> bytes:
        """The value itself."""
        return self._value

    def __repr__(self) -> str:
        return "<secret>"

    __str__ = __repr__

    def __format__(self, spec: str) -> str:
        return "<secret>"

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Secret) and hmac.compare_digest(self._value, other._value)

    def __hash__(self) -> int:
        return hash(self._value)

    def __reduce_ex__(self, protocol: object) -> NoReturn:
        raise TypeError("a secret cannot be serialised")


@dataclass(frozen=True, slots=True)
class Original:
    """One original with the rule that found it. `sweep` is True where every further
    occurrence in any file is to be replaced too."""

    secret: Secret
    rule: str
    sweep: bool

    def reveal(self) -> bytes:
        """The original itself, for the sweep and the leak scan."""
        return self.secret.reveal()


class Stream:
    """Unbiased draws from HMAC-SHA256 in counter mode."""

    def __init__(self, key: bytes, label: bytes) -> None:
        self._key = key
        self._label = label
        self._counter = 0
        self._pool = b""

    def take(self, size: int) -> bytes:
        """That many bytes."""
        while len(self._pool) < size:
            block = self._counter.to_bytes(8, "big") + self._label
            self._pool += hmac.digest(self._key, block, "sha256")
            self._counter += 1
        taken, self._pool = self._pool[:size], self._pool[size:]
        return taken

    def below(self, limit: int) -> int:
        """A number from 0 to limit - 1; limit is at most 256."""
        ceiling = 256 - 256 % limit
        while (number := self.take(1)[0]) >= ceiling:
            pass
        return number % limit

    def pick(self, alphabet: str) -> str:
        """One character of the alphabet."""
        return alphabet[self.below(len(alphabet))]

    def text(self, alphabet: str, length: int) -> str:
        """That many characters of the alphabet."""
        return "".join(self.pick(alphabet) for _ in range(length))

    def like(self, original: str) -> str:
        """Each letter and digit replaced by one of its own class, all else kept.

        Hexadecimal text stays hexadecimal."""
        letters = {c for c in original if c.isalpha()}
        if len(original) >= 8 and letters and letters <= set("abcdef"):
            low, up = "abcdef", UPPER
        elif len(original) >= 8 and letters and letters <= set("ABCDEF"):
            low, up = LOWER, "ABCDEF"
        else:
            low, up = LOWER, UPPER
        return "".join(self._like_one(c, low, up) for c in original)

    def _like_one(self, character: str, low: str, up: str) -> str:
        if character in LOWER:
            return self.pick(low)
        if character in UPPER:
            return self.pick(up)
        if character in DIGITS:
            return self.pick(DIGITS)
        return character if character.isascii() else self.pick(LOWER)


class Vault:
    """Originals and their replacements. Prints as counts, never as values.

    With `keep_map` it also remembers what stands for each name and address, so that the
    owner can be given the whole table, sealed (`list_pairs`)."""

    def __init__(self, *, key: bytes | None = None, keep_map: bool = False) -> None:
        self.keeps_map = keep_map
        self._pairs: dict[tuple[str, str], str] = {}
        self._key = key or secrets.token_bytes(32)
        self._swaps: dict[str, str] = {}
        self._derived: dict[str, str] = {}
        self._made: set[str] = set()
        self._originals: dict[bytes, Original] = {}
        self._objects: dict[tuple[str, bytes], object] = {}

    def __repr__(self) -> str:
        return f"<Vault of {len(self._originals)} originals>"

    def __reduce_ex__(self, protocol: object) -> NoReturn:
        raise TypeError("a vault cannot be serialised")

    def stream(self, kind: str, original: str | bytes) -> Stream:
        """A keyed stream that is the same for the same kind and original."""
        value = original if isinstance(original, bytes) else encode(original)
        return Stream(self._key, kind.encode() + b"\0" + value)

    def mark(self, original: str | bytes) -> str:
        """A keyed fingerprint, 16 hexadecimal digits: equal originals, equal marks."""
        return self.stream("mark", original).take(8).hex()

    def swap(
        self,
        original: str,
        *,
        rule: str,
        make: Callable[[Stream], str] | None = None,
        sweep: bool | None = None,
    ) -> str:
        """The original's replacement, made on first sight and remembered.

        `make` draws a replacement from a stream (default: the same form, character by
        character); it is asked again while it gives back the original. By default
        an original is swept for when it is telling (`is_telling`)."""
        known = self._swaps.get(original)
        if known is not None:
            return known
        if len(original) >= 8 and original in self._made:
            return original
        stream = self.stream("swap", original)
        draw = make or (lambda drawn: drawn.like(original))
        new = next((new for new in (draw(stream) for _ in range(20)) if new != original), "")
        if not new:  # a form that keeps nothing to draw, such as "!!!!"
            new = stream.text(LOWER, max(4, len(original)))
        self._swaps[original] = new
        self._made.add(new)
        self.note(original, rule=rule, sweep=is_telling(original) if sweep is None else sweep)
        return new

    def note(self, original: str | bytes, *, rule: str, sweep: bool = False) -> None:
        """Remember an original for the sweep and the leak scan."""
        value = original if isinstance(original, bytes) else encode(original)
        if value:
            self._originals.setdefault(value, Original(Secret(value), rule, sweep))

    def settle(self, original: str, replacement: str, *, rule: str, sweep: bool = False) -> str:
        """Fix a replacement that was computed elsewhere; the first one stays."""
        self.note(original, rule=rule, sweep=sweep)
        kept = self._swaps.setdefault(original, replacement)
        self._made.add(kept)
        return kept

    def find(self, original: str) -> str | None:
        """The replacement of a known original."""
        return self._swaps.get(original)

    def swaps(self) -> tuple[tuple[str, str, str], ...]:
        """(original, replacement, rule) of all, in the order they were found."""
        return tuple(
            (text, new, known.rule)
            for text, new in self._swaps.items()
            if (known := self._originals.get(encode(text)))
        )

    def derive(self, text: str, new: str) -> None:
        """A text to be swept for that is no original of its own: another form of one, or
        a replacement for which a better one is known by now. The last one given stays."""
        if text != new:
            self._derived[text] = new
            self._made.add(new)

    def is_made(self, text: str) -> bool:
        """Whether the text is one of the vault's own replacements."""
        return text in self._made

    def keep_object(self, kind: str, name: bytes, make: Callable[[], _T]) -> _T:
        """An object (a new key) made once for each kind and name."""
        place = (kind, name)
        if place not in self._objects:
            self._objects[place] = make()
        return self._objects[place]  # type: ignore[return-value]

    def find_object(self, kind: str, name: bytes) -> object | None:
        """The object made under that kind and name, if there is one."""
        return self._objects.get((kind, name))

    def originals(self) -> tuple[Original, ...]:
        """All originals, masked, for the leak scan."""
        return tuple(self._originals.values())

    def keep_pair(self, original: str, replacement: str, rule: str) -> None:
        """Remember that this stood for that, where a map is kept."""
        if self.keeps_map:
            self._pairs.setdefault((original, replacement), rule)

    def list_pairs(self) -> tuple[tuple[str, str, str], ...]:
        """(original, replacement, rule) of everything, sorted: for sealing the owner's map
        and for nothing else. Raises ValueError unless the vault was made to keep one."""
        if not self.keeps_map:
            raise ValueError("this vault was not asked to keep a map")
        pairs = dict(self._pairs)
        for original, new in self._swaps.items():
            known = self._originals.get(encode(original))
            pairs.setdefault((original, new), known.rule if known else "")
        return tuple(sorted((*pair, rule) for pair, rule in pairs.items()))

    def sweepable(self, *, derived: bool = True) -> Iterator[tuple[str, str]]:
        """(original, replacement) of all that is to be replaced wherever it stands,
        longest first so that no shorter one cuts a longer one; without `derived`, only
        what is an original of its own."""
        rows = [
            (text, new)
            for text, new in self._swaps.items()
            if (known := self._originals.get(encode(text))) and known.sweep
        ]
        if derived:
            rows = [row for row in rows if row[0] not in self._derived] + [*self._derived.items()]
        return iter(sorted(rows, key=lambda row: -len(row[0])))


def encode(text: str) -> bytes:
    """Text as it was in the file: undecodable bytes come back as they were."""
    return text.encode("utf-8", "surrogateescape")


def random_base64(stream: Stream, size: int) -> str:
    """Base64 of that many drawn bytes."""
    return base64.b64encode(stream.take(size)).decode()
