"""Judgements on what a rehearsal saw. Pure, but for the text of one command and the reader
that `compare_kept` is given."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import replace
from difflib import unified_diff

from forerun.model.observation import KeptFile, Seen

MOST_COMPARED = 100  # files
MOST_COMPARED_BYTES = 256 << 10
MOST_DIFF_LINES = 200
MOST_DIFF_LETTERS = 16_000
# What dpkg and ucf put aside is the older of the two; the rest is the package's new file.
_OLDER = (".dpkg-old", ".dpkg-bak", ".ucf-old")

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


def compare_kept(
    kept: Iterable[KeptFile], read: Callable[[str], bytes | None]
) -> tuple[KeptFile, ...]:
    """The files with their differences. `read` gives a file of the clone, None where it is
    not there: the clone has sanitised content only. Bounded in files, size and lines."""
    compared = []
    for number, one in enumerate(kept):
        fits = number < MOST_COMPARED and one.size_bytes <= MOST_COMPARED_BYTES
        compared.append(replace(one, diff=_diff(one, read)) if fits else one)
    return tuple(compared)


def _diff(kept: KeptFile, read: Callable[[str], bytes | None]) -> str:
    aside, used = read(kept.path), read(kept.beside)
    if aside is None or b"\0" in aside + (used or b""):
        return ""
    pair = [(kept.path, aside), (kept.beside, used or b"")]
    if not kept.path.endswith(_OLDER):
        pair.reverse()
    (old, was), (new, now) = pair
    lines = list(
        unified_diff(
            was.decode("utf-8", "replace").splitlines(),
            now.decode("utf-8", "replace").splitlines(),
            old,
            new,
            lineterm="",
        )
    )
    more = len(lines) - MOST_DIFF_LINES
    shown = lines[:MOST_DIFF_LINES] + ([f"({more} more lines)"] if more > 0 else [])
    text = "\n".join(shown)
    cut = len(text) > MOST_DIFF_LETTERS
    return text[:MOST_DIFF_LETTERS] + ("\n(cut here)" if cut else "")
