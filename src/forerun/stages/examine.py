"""Judgements on what a rehearsal saw. Pure, but for the text of one command."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from forerun.model.observation import KeptFile, Seen

FIND_KEPT = (
    "find /etc -xdev -type f \\( -name '*.dpkg-dist' -o -name '*.dpkg-new' -o -name '*.dpkg-old' "
    "-o -name '*.dpkg-bak' -o -name '*.ucf-dist' -o -name '*.ucf-old' -o -name '*.ucf-new' \\) "
    "-printf '%s %p\\n'"
)


def judge_removals(
    removals: Sequence[tuple[str, str]], chosen: Collection[str]
) -> tuple[Seen, ...]:
    """What the planned removals mean. Rule: a package that somebody chose to install, or
    that no archive offers, is missed; one that came as a dependency usually gives way to
    a renamed successor."""
    found = [
        Seen(
            "service down",
            f"The upgrade removes the package {name}.",
            f"apt's plan: remove {name} {version}; it was installed on purpose",
            "Decide before the window whether it may go, and what replaces it.",
            "apt-get(8), simulation on the clone",
        )
        for name, version in removals
        if name in chosen
    ]
    others = [name for name, _ in removals if name not in chosen]
    if others:
        found.append(
            Seen(
                "cosmetic",
                f"The upgrade removes {len(others)} packages that came as dependencies.",
                ", ".join(others),
                "Read the list once; libraries renamed by the new release are usual.",
                "apt-get(8), simulation on the clone",
            )
        )
    return tuple(found)


def find_kept_files(listing: str) -> tuple[KeptFile, ...]:
    """Leftover configuration files from `SIZE PATH` lines."""
    found: list[KeptFile] = []
    for line in listing.splitlines():
        size, _, path = line.partition(" ")
        if size.isdigit() and path:
            found.append(KeptFile(path, path.rsplit(".", 1)[0], int(size)))
    return tuple(sorted(found, key=lambda kept: kept.path))
