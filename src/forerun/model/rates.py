"""Rates of a line as a person writes them."""

from __future__ import annotations

import re

from forerun.errors import UsageError

_RATE = re.compile(r"(\d{1,9}(?:\.\d{1,6})?) ?(k|[KMGT]i|[MGT])?(bit/s|B/s)")
_POWERS = {"": 0, "k": 1, "K": 1, "M": 2, "G": 3, "T": 4}
_MEANT = re.compile(r"(\d+(?:\.\d+)?) ?([kKMGTmgt]i?)?(bps|b/s|bits?|bit/sec|bits/s|Bps|bytes?/s)?")
_LEAST_RATE = 1000.0  # bit/s: less is a slip of the unit
_MOST_RATE = 1e13


def parse_rate(text: str) -> float:
    """Bits per second from "20Mbit/s", "2.5MB/s", "1.5MiB/s".

    A bit is an eighth of a byte; k, M, G, T are powers of 1000, Ki, Mi, Gi, Ti of 1024
    (IEC 80000-13). Both must be said: "20M" is eight times more or less, as one likes.
    Raises UsageError."""
    found = _RATE.fullmatch(text.strip())
    if found is None:
        raise _refuse_rate(text)
    prefix = found[2] or ""
    base = 1024.0 if prefix.endswith("i") else 1000.0
    rate = float(found[1]) * base ** _POWERS[prefix[:1]] * (8 if found[3] == "B/s" else 1)
    if not _LEAST_RATE <= rate <= _MOST_RATE:
        raise UsageError(
            "That is no rate of a line.",
            found=text,
            wanted="from 1kbit/s to 10Tbit/s",
            hint="Look at the unit.",
        )
    return rate


def _refuse_rate(text: str) -> UsageError:
    meant = _MEANT.fullmatch(text.strip())
    hint = "A rate is a number, a prefix (k, M, G or Ki, Mi, Gi) and bit/s or B/s."
    if meant:
        letter = (meant[2] or "").upper().replace("K", "k").replace("I", "i")
        letter = letter.replace("ki", "Ki")
        hint = (
            f"Write {meant[1]}{letter}bit/s for bits or {meant[1]}{letter}B/s for bytes: one is "
            "eight times the other."
        )
    return UsageError(
        "That is no rate.", found=text or "nothing", wanted="for example 20Mbit/s or 2.5MB/s",
        hint=hint,
    )  # fmt: skip
