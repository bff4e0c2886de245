"""Terminal output as plain text: what is left of it without the terminal."""

from __future__ import annotations

import re

_ESCAPES = re.compile(
    r"\x1b(?:\[[0-?]*[ -/]*[@-~]|\][^\x07\x1b]*(?:\x07|\x1b\\)|[()][0-9A-Za-z]|[=>78cDEHM])"
)
_CONTROLS = re.compile(r"[\x00-\x08\x0b-\x0c\x0e-\x1f\x7f-\x9f]")


def clean_terminal_text(text: str) -> str:
    """Terminal output as plain text: escape sequences and control characters dropped,
    carriage returns resolved to what stays visible on each line."""
    plain = _ESCAPES.sub("", text).replace("\r\n", "\n")
    lines = [line.rstrip("\r").rsplit("\r", 1)[-1] for line in plain.split("\n")]
    return _CONTROLS.sub("", "\n".join(lines))
