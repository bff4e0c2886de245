"""Where profiles and drills lie, and how one is found by its name or its path.

In a folder of profiles each profile has a folder of its own; the drills lie together in the
folder `drills`, one file each.
"""

from __future__ import annotations

import contextlib
import re
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path

from forerun.errors import NotFound
from forerun.profile_mistakes import near_miss, show

PROFILE_FILE = "profile.yaml"
DRILLS_FOLDER = "drills"

_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,99}")


def shipped_folders() -> tuple[Path, ...]:
    """Where shipped profiles may lie: the checkout this module runs from, and the
    shared data of the Python installation."""
    checkout = Path(__file__).resolve().parents[2] / "profiles"
    installed = Path(sys.prefix) / "share" / "forerun" / "profiles"
    return (checkout, installed)


def find_profile(name_or_path: str, search: Sequence[Path] = ()) -> Path:
    """The file of a profile, given its name or a path to the file or its folder.

    A name is looked for in the folders of `search`, then among the shipped ones. Raises
    NotFound with the profiles that exist and the nearest name.
    """
    folders = (*search, *shipped_folders())
    given = Path(name_or_path)
    named: list[Path] = []
    # The drills' folder is no profile's, even where a drill is called `profile`.
    if _NAME.fullmatch(name_or_path) and name_or_path != DRILLS_FOLDER:
        named = [folder / name_or_path / PROFILE_FILE for folder in folders]
    found = _first_file((*named, given / PROFILE_FILE, given))
    if found is not None:
        return found
    known = {path.parent.name for folder in folders for path in folder.glob(f"*/{PROFILE_FILE}")}
    raise _not_found("profile", name_or_path, folders, known - {DRILLS_FOLDER})


def find_drill(name_or_path: str, search: Sequence[Path] = ()) -> Path:
    """The file of a drill, given its name or its path.

    A name is looked for in the folder `drills` of the folders of `search`, then of the
    shipped ones. Raises NotFound with the drills that exist and the nearest name.
    """
    folders = [folder / DRILLS_FOLDER for folder in (*search, *shipped_folders())]
    named: list[Path] = []
    if _NAME.fullmatch(name_or_path):
        named = [folder / f"{name_or_path}.yaml" for folder in folders]
    found = _first_file((*named, Path(name_or_path)))
    if found is not None:
        return found
    known = {path.stem for path in list_drills(search)}
    raise _not_found("drill", name_or_path, folders, known)


def list_drills(search: Sequence[Path] = ()) -> tuple[Path, ...]:
    """The files of all drills that can be named, in the order of their names; of two with
    the same name, the one that `find_drill` finds."""
    found: dict[str, Path] = {}
    for folder in (*search, *shipped_folders()):
        for path in (folder / DRILLS_FOLDER).glob("*.yaml"):
            if _NAME.fullmatch(path.stem) and path.is_file():
                found.setdefault(path.stem, path)
    return tuple(found[name] for name in sorted(found))


def _first_file(candidates: Iterable[Path]) -> Path | None:
    for candidate in candidates:
        with contextlib.suppress(OSError):  # a name longer than any file's
            if candidate.is_file():
                return candidate
    return None


def _not_found(kind: str, wrong: str, folders: Sequence[Path], known: Iterable[str]) -> NotFound:
    names = sorted(known)
    guess = near_miss(Path(wrong).name, names)
    return NotFound(
        f"There is no {kind} {show(wrong)!r}.",
        where=", ".join(str(folder) for folder in folders),
        wanted=f"the name of a {kind}, or the path to its file",
        found=f"these {kind}s: {', '.join(names)}" if names else f"no {kind}s",
        hint=guess[:1].upper() + guess[1:] if guess else "Name one of these, or give a path.",
    )
