"""What single keys cannot show in a file of known changes: mistakes between its parts, and
between it and the profile it belongs to."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from fnmatch import fnmatchcase

from forerun.profile_known_shapes import JOINING, RUN_KINDS, SURVEY_KINDS
from forerun.profile_mistakes import Loc, near_miss, show
from forerun.profile_yaml import Written

_ASKS_NOTHING = {
    "machine": "what about it?",
    "block": "which ones?",
    "source": "which ones?",
    "mount": "what about it? (`target` alone asks whether it exists; say `listed`)",
}
_ENOUGH = {"mount": ("source-like", "fstype-like", "listed", "smaller-than", "free-below")}


def find_known_mistakes(
    written: Written, *, steps: Collection[str] | None = None, checks: Sequence[str] = ()
) -> None:
    """Add the mistakes between the parts. With `steps` and `checks`, the names that the
    profile has, also those names that it has not."""
    data = written.data if isinstance(written.data, dict) else {}
    changes = data.get("changes")
    named: dict[str, int] = {}
    for place, change in enumerate(changes if isinstance(changes, list) else ()):
        if not isinstance(change, dict):
            continue
        loc: Loc = ("changes", place)
        _doubled(written, loc, change.get("change"), named)
        if "survey" not in change and "rehearsal" not in change:
            text = "`survey` or `rehearsal` is missing: how is it seen on a server?"
            written.add(loc, text)
        for part, kinds in (("survey", SURVEY_KINDS), ("rehearsal", RUN_KINDS)):
            if part in change:
                _test(written, (*loc, part), change[part], kinds, part)
        if steps is not None:
            _settled(written, loc, change.get("settled-by"), steps)
            _check_names(written, (*loc, "rehearsal"), change.get("rehearsal"), checks)


def _doubled(written: Written, loc: Loc, name: object, named: dict[str, int]) -> None:
    if not isinstance(name, str):
        return
    spot = (*loc, "change")
    if name in named:
        text = f"{show(name)!r} is the name of another change, on line {named[name]}"
        written.add(spot, text)
    named.setdefault(name, written.spot(spot).line)


def _test(written: Written, loc: Loc, test: object, kinds: Collection[str], part: str) -> None:
    """One test and those below it: one key each, of the kinds that this part may ask."""
    if not isinstance(test, dict):
        return  # the shapes have told it
    known = [key for key in test if key in (*JOINING, *SURVEY_KINDS, *RUN_KINDS)]
    if len(known) != 1 and len(known) == len(test):
        found = ", ".join(known) or "none"
        text = f"a test is one question; join several with all-of or any-of (found: {found})"
        written.add(loc, text)
    for key in known:
        here = (*loc, key)
        if key == "not":
            _test(written, here, test[key], kinds, part)
        elif key in JOINING:
            below = test[key] if isinstance(test[key], list) else ()
            for place, one in enumerate(below):
                _test(written, (*here, place), one, kinds, part)
        elif key not in kinds:
            allowed = ", ".join((*JOINING, *kinds))
            written.add(here, f"cannot be asked under `{part}` (allowed: {allowed})")
        else:
            _question(written, here, key, test[key])


def _question(written: Written, loc: Loc, key: str, question: object) -> None:
    if key not in _ASKS_NOTHING or not isinstance(question, dict):
        return
    enough = _ENOUGH.get(key)
    if not question or (enough and not any(word in question for word in enough)):
        written.add(loc, f"asks nothing: {_ASKS_NOTHING[key]}")


def _settled(written: Written, loc: Loc, step: object, steps: Collection[str]) -> None:
    if isinstance(step, str) and step not in steps:
        guess = near_miss(step, steps)
        text = f"the profile has no step {show(step)!r}{'; ' + guess if guess else ''}"
        written.add((*loc, "settled-by"), text)


def _check_names(written: Written, loc: Loc, test: object, checks: Sequence[str]) -> None:
    for spot, name in _walk_checks(loc, test):
        if not any(fnmatchcase(check, name) for check in checks):
            guess = near_miss(name, checks)
            text = f"the profile has no check {show(name)!r}{'; ' + guess if guess else ''}"
            written.add(spot, text)


def _walk_checks(loc: Loc, test: object) -> Iterator[tuple[Loc, str]]:
    if isinstance(test, list):
        for place, one in enumerate(test):
            yield from _walk_checks((*loc, place), one)
    elif isinstance(test, dict):
        check = test.get("check")
        name = check.get("name") if isinstance(check, dict) else None
        if isinstance(name, str):
            yield (*loc, "check", "name"), name
        for key in JOINING:
            if key in test:
                yield from _walk_checks((*loc, key), test[key])
