"""Base64 that holds text: where it stands, what it says, and how it is written again.

Sources: RFC 4648 (base64, base64url), RFC 3629 (UTF-8).
"""

from __future__ import annotations

import base64
import re
import string
from collections.abc import Callable

from forerun.stages.sanitise_prefilter import LinePattern
from forerun.stages.sanitise_vault import encode

# The character or characters that write each value of 6 bits, in both alphabets.
_DIGITS = (*string.ascii_uppercase, *string.ascii_lowercase, *string.digits, "+-", "/_")


def _pick(allowed: Callable[[int], bool]) -> str:
    """A class of those characters whose value is allowed."""
    return f"[{re.escape(''.join(c for n, c in enumerate(_DIGITS) if allowed(n)))}]"


def _write_quad() -> str:
    """Four characters, three bytes, that may stand within printable text.

    Of each byte its leading bits are looked at (RFC 3629, 3): A is ASCII, without the
    control characters other than tab and line ends; L begins a longer character, C goes
    on with one. C never follows A, and after L comes nothing else."""
    first = {
        "A": _pick(lambda n: n in {2, 3} or 8 <= n < 32),
        "C": _pick(lambda n: 32 <= n < 48),
        "L": _pick(lambda n: 48 <= n < 62),
    }
    second = {
        "A": _pick(lambda n: n % 16 in {0, 2, 3, 4, 5, 6, 7}),
        "C": _pick(lambda n: 8 <= n % 16 < 12),
        "L": _pick(lambda n: n % 16 >= 12),
    }
    third = {
        "A": _pick(lambda n: n % 4 < 2),
        "C": _pick(lambda n: n % 4 == 2),
        "L": _pick(lambda n: n % 4 == 3),
    }
    rows = (
        first[a] + second[b] + third[c]
        for a in "ACL"
        for b in "ACL"
        for c in "ACL"
        if not {"AC", "LA", "LL"} & {a + b, b + c}
    )
    return f"(?:{'|'.join(rows)})[A-Za-z0-9+/_-]"


# A token that is long enough; what stands before the rule.
CODED = re.compile(r"(?<![A-Za-z0-9+/=_-])[A-Za-z0-9+/_-]{16,}={0,2}(?![A-Za-z0-9+/=_-])")
# Every token of 16 characters and more that `read_base64_text` reads, and a few others:
# of random ones one in 30, of words far fewer.
CODED_TEXT = re.compile(
    rf"(?<![A-Za-z0-9+/=_-])(?:{_write_quad()}){{4,}}+(?:[A-Za-z0-9+/_-]{{2,3}})?={{0,2}}"
    r"(?![A-Za-z0-9+/=_-])"
)
CODED_LINES = LinePattern(CODED_TEXT)
_TOKEN = re.compile(r"[A-Za-z0-9+/_-]{8,}={0,2}")


def read_base64_text(token: str, least: int = 6) -> str:
    """The printable text that a base64 or base64url token holds, or ""."""
    bare = token.rstrip("=")
    if len(bare) % 4 == 1 or not _TOKEN.fullmatch(token):
        return ""
    standard = bare.replace("-", "+").replace("_", "/") + "=" * (-len(bare) % 4)
    try:
        plain = base64.b64decode(standard, validate=True).decode()
    except ValueError:
        return ""
    shown = plain.replace("\n", " ").replace("\t", " ").replace("\r", " ")
    return plain if len(plain) >= least and shown.isprintable() else ""


def write_base64_like(plain: str, like: str) -> str:
    """Base64 of the text, in the token's own alphabet and with its own padding."""
    urlsafe = "-" in like or "_" in like
    made = (base64.urlsafe_b64encode if urlsafe else base64.b64encode)(encode(plain)).decode()
    unpadded = len(like) % 4 != 0 and not like.endswith("=")
    return made.rstrip("=") if unpadded else made
