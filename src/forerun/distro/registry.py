"""The known distros, as an explicit table, and which of them a system belongs to."""

from __future__ import annotations

from forerun.distro.base import Distro, parse_os_release
from forerun.distro.debian import Debian
from forerun.errors import UnknownRelease

DISTROS: dict[str, Distro] = {"debian": Debian()}


def detect_distro(os_release: str) -> Distro:
    """The distro module for a system with this os-release text.

    Raises UnknownRelease when none knows it."""
    facts = parse_os_release(os_release)
    for distro in DISTROS.values():
        if distro.recognises(facts):
            return distro
    title = facts.get("PRETTY_NAME") or facts.get("ID") or "nothing"
    raise UnknownRelease(
        "No module of forerun knows this operating system.",
        where="/etc/os-release",
        wanted=f"one of: {', '.join(sorted(DISTROS))}",
        found="".join(c for c in title if c.isprintable())[:120],
        hint=f"Known families: {', '.join(sorted(DISTROS))}. Other systems are not supported yet.",
    )
