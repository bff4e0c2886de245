"""Fields of the mount table, fstab(5). Pure."""

from __future__ import annotations


def escape_field(text: str) -> str:
    """A field of fstab(5): blanks and the like as octal escapes."""
    return "".join(f"\\{ord(c):03o}" if c in " \t\n\\#" else c for c in text)


def make_harmless(options: str) -> str:
    """The options with `noauto,nofail`; an automount would bring the wait back."""
    kept = [
        option
        for option in (options or "defaults").split(",")
        if option not in ("auto", "noauto", "nofail", "x-systemd.automount")
    ]
    return ",".join([*kept, "noauto", "nofail"])
