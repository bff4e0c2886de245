"""The digests of a finished folder, written beside its files when it is published.

The list is in the format of sha256sum(1) of the GNU core utilities, so that
`sha256sum --check digests.sha256` reads it without forerun. It shows that a file was
altered or cut by accident or by somebody who did not think of the list; it is no
signature: who may write to the folder may write the list, too.
"""

from __future__ import annotations

import hashlib
import re
from pathlib import Path

from forerun.errors import RecordDamaged

DIGESTS_NAME = "digests.sha256"
_LINE = re.compile(r"([0-9a-f]{64}) [ *](.+)")
_MOST_BYTES = 1 << 20


def write_digests(folder: Path) -> bytes:
    """The list of all regular files below the folder, by name; not of the list itself."""
    files = sorted(
        file
        for file in folder.rglob("*")
        if file.is_file() and not file.is_symlink() and file != folder / DIGESTS_NAME
    )
    lines = [f"{_digest(file)}  {file.relative_to(folder).as_posix()}\n" for file in files]
    return "".join(lines).encode("utf-8", "surrogateescape")


def _digest(file: Path) -> str:
    with file.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def add_digest(listing: bytes, name: str, content: bytes) -> bytes:
    """The list with that file's digest in it, in the place of an older one. No other line is
    made anew: what was altered since it was listed must not pass because a file was added."""
    named = name.encode("utf-8", "surrogateescape")
    lines = {line[66:]: line for line in listing.split(b"\n") if line and line[66:] != named}
    lines[named] = hashlib.sha256(content).hexdigest().encode("ascii") + b"  " + named
    return b"".join(lines[key] + b"\n" for key in sorted(lines))


def read_digests(folder: Path) -> dict[str, str]:
    """Name to SHA-256, hexadecimal; empty where the folder has no list (it is older than
    the list). Raises RecordDamaged for a list that is none."""
    path = folder / DIGESTS_NAME
    if not path.exists():
        return {}
    if not path.is_file():
        raise _refuse(path, "a list of digests", "no plain file")
    try:
        with path.open("rb") as stream:
            text = stream.read(_MOST_BYTES).decode("utf-8", "surrogateescape")
    except OSError as problem:
        raise _refuse(path, "a list of digests", str(problem)) from problem
    digests: dict[str, str] = {}
    for number, line in enumerate(text.split("\n")[:-1], 1):
        match = _LINE.fullmatch(line)
        if match is None:
            raise _refuse(path, "lines as sha256sum writes them", f"line {number}: {line[:80]}")
        digests[match[2]] = match[1]
    if not digests:
        raise _refuse(path, "lines as sha256sum writes them", "none")
    return digests


def check_digest(file: Path, found: str) -> None:
    """RecordDamaged when the list beside the file has another SHA-256 for it, or none."""
    digests = read_digests(file.parent)
    wanted = digests.get(file.name, "none")
    if digests and found != wanted:
        raise _refuse(file, f"SHA-256 {wanted} ({DIGESTS_NAME} beside it)", f"SHA-256 {found}")


def _refuse(where: Path, wanted: str, found: str) -> RecordDamaged:
    return RecordDamaged(
        "A stored file is not what was written.",
        where=str(where),
        wanted=wanted,
        found=found,
        hint="It was altered or cut. Take it from a backup, or remove its folder and do the "
        "survey or the rehearsal again.",
    )
