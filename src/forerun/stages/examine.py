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
    removals: Sequence[tuple[str, str]], chosen: Collection[str], planned: Collection[str]
) -> tuple[Seen, ...]:
    """What the planned removals mean; `planned` names what the plan installs.

    Rule: a package that somebody chose to install, or that no archive offers, is missed.
    One that came as a dependency, and a library whose renamed successor the same plan
    installs (NAMEt64, the 64-bit time_t transition of Debian 13), give way as usual."""
    missed = [
        (name, version)
        for name, version in removals
        if name in chosen and f"{name}t64" not in planned
    ]
    found = [
        Seen(
            "service down",
            f"The upgrade removes the package {name}.",
            f"apt's plan: remove {name} {version}; it was installed on purpose",
            "Decide before the window whether it may go, and what replaces it.",
            "apt-get(8), simulation on the clone",
        )
        for name, version in missed
    ]
    others = [name for name, version in removals if (name, version) not in missed]
    if others:
        found.append(
            Seen(
                "cosmetic",
                f"The upgrade removes {len(others)} packages that came as dependencies"
                " or have a successor.",
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
