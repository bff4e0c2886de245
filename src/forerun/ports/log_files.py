"""Reading log files that an operator brought from a server: plain or packed, with a bound."""

from __future__ import annotations

import gzip
import zlib
from pathlib import Path

from forerun.errors import UsageError

MOST_BYTES = 64 << 20
_GZIP = b"\x1f\x8b"  # RFC 1952, 2.3.1


def read_log(path: Path) -> str:
    """The text of a log; one packed with gzip is told by its first bytes, not by its name.
    Raises UsageError for what cannot be read or is larger than 64 MiB unpacked."""
    try:
        with path.open("rb") as stream:
            packed = stream.read(2) == _GZIP
        with gzip.open(path, "rb") if packed else path.open("rb") as stream:
            content: bytes = stream.read(MOST_BYTES + 1)
    except (OSError, EOFError, zlib.error) as problem:
        raise UsageError("A log cannot be read.", where=str(path), found=str(problem)) from problem
    if len(content) > MOST_BYTES:
        raise UsageError(
            "A log is too large.",
            where=str(path),
            wanted=f"at most {MOST_BYTES >> 20} MiB unpacked",
            hint="Take the part of the night.",
        )
    return content.decode("utf-8", "replace")
