"""Profiles, site files and drill files that nobody would write on purpose: a good load, or every
mistake with its place; no traceback, no hang, no write."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Callable, Iterator
from dataclasses import asdict
from pathlib import Path
from random import Random
from typing import Any

import pytest
import yaml
from tests.practice.mutation import HOSTILE, spoil_bytes, spoil_value
from tests.practice.watch import make_surroundings, no_hang, writes_stay_in

from forerun.errors import ForerunError, InvalidFile, NotFound
from forerun.profile_mistakes import find_control
from forerun.profile_yaml import MAX_BYTES, MAX_NODES
from forerun.profiles import (
    find_drill,
    find_profile,
    lint_profile,
    load_drill,
    load_profile,
    load_site,
)

ROOT = Path(__file__).parents[2]
PROFILES = (
    "tests/data/profiles/small-profile.yaml", "tests/practice/profile.yaml",
    "profiles/debian-12-to-13/profile.yaml",
)  # fmt: skip
SITES = ("demo/site.yaml", "tests/data/profiles/small-site.yaml", "tests/practice/site.yaml")
DRILLS = ("tests/data/drill-small.yaml",)
SMALL = (ROOT / PROFILES[0]).read_text()


def spoil_file(content: bytes, data: Any, random: Random) -> bytes:
    """As bytes, or as data written out again: as YAML, or as JSON, which is YAML too."""
    if random.random() < 0.5:
        return spoil_bytes(content, random)
    spoilt = spoil_value(data, random)
    if random.random() < 0.2:
        return json.dumps(spoilt).encode("utf-8", "surrogatepass")
    shown = random.random() < 0.5
    text: str = yaml.safe_dump(spoilt, sort_keys=False, allow_unicode=shown)
    return text.encode("utf-8", "surrogatepass")


def judge(path: Path, load: Callable[[Path], Any]) -> None:
    """A load, or an error of ours that names the file and hides nothing behind controls."""
    try:
        loaded = load(path)
    except ForerunError as problem:
        assert str(path) in problem.where
        lines = str(problem).splitlines()
        assert not [line for line in lines if find_control(line)], problem
        if isinstance(problem, InvalidFile):
            assert f"{path}:" in problem.found, "a mistake has a line"
        return
    if load is load_profile:
        assert not [line for line in lint_profile(loaded) if find_control(line)]
    if load is load_drill:
        assert not [text for text in list_texts(asdict(loaded)) if find_control(text)]


def list_texts(value: Any) -> Iterator[str]:
    """The lines of every text in a record, except for the file's own path."""
    if isinstance(value, dict):
        for key, part in value.items():
            yield from list_texts(part if key != "path" else "")
    elif isinstance(value, tuple):
        for part in value:
            yield from list_texts(part)
    elif isinstance(value, str):
        yield from value.split("\n")


@pytest.mark.parametrize(
    ("load", "names", "examples"),
    [(load_profile, PROFILES, 900), (load_site, SITES, 500), (load_drill, DRILLS, 500)],
    ids=["profiles", "site files", "drill files"],
)
def test_spoilt_files(
    load: Callable[[Path], Any], names: tuple[str, ...], examples: int, tmp_path: Path
) -> None:
    """Flipped, cut, doubled and moved parts, other types, huge numbers, deep nesting, other
    encodings, names that are paths or control sequences. The seed is in the failing name."""
    folder = tmp_path / "read"
    folder.mkdir()
    make_surroundings(folder)
    contents = [(ROOT / name).read_bytes() for name in names]
    parsed = [yaml.safe_load(content) for content in contents]
    with writes_stay_in(folder):
        for seed in range(examples):
            random = Random(seed)
            chosen = (
                random.choice((0, 0, 0, 1, 1, 2)) if load is load_profile else seed % len(names)
            )
            path = folder / f"{seed}.yaml"
            path.write_bytes(spoil_file(contents[chosen], parsed[chosen], random))
            with no_hang():
                judge(path, load)
            path.unlink()


BOMB = "a: &a [x, x, x, x, x, x, x, x, x]\n" + "".join(
    f"{chr(98 + n)}: &{chr(98 + n)} [{', '.join([f'*{chr(97 + n)}'] * 9)}]\n" for n in range(9)
)


@pytest.mark.parametrize("load", [load_profile, load_site, load_drill])
@pytest.mark.parametrize(
    ("content", "said"),
    [
        (BOMB.encode(), "alias"),
        (b"a: &x 1\n", "the anchor &x is not taken"),
        (b"a: !!python/object/apply:os.system ['true']\n", "tag"),
        (b"<<: {a: 1}\n", "<<"),
        (b"{" * 5000, "nesting depth"),
        (b"- " * 5000, "nested deeper"),
        (b"a: [" + b"x, " * (MAX_NODES + 9) + b"x]\n", "more than"),
        (b"#" * (MAX_BYTES + 1), "allowed: up to"),
        (b"", "empty"),
        (b"\0\1\2\3" * 100, "U+0000"),
        (b"\xff\xfea\0", "UTF-8"),
        (SMALL.encode("utf-16"), "UTF-8"),
        (SMALL.encode("utf-32-be"), "U+0000"),
        (b"\x7fELF\x02\x01\x01" + bytes(64), "control character"),
        (b"a: b\n---\na: c\n", "second document"),
        (b"a: b\ra: [\r", "not YAML"),
        (b"a: \xc2\x85b: [\xc2\x85", "not YAML"),
        (b"%YAML 9.9\n---\na: b\n", "YAML"),
    ],
)  # fmt: skip
def test_what_yaml_can_do_to_a_reader(
    content: bytes, said: str, load: Callable[[Path], Any], tmp_path: Path
) -> None:
    """Bombs of aliases, tags, depth, size, binary content, other encodings and line ends:
    told with their place, before anything is made of them."""
    path = tmp_path / "file.yaml"
    path.write_bytes(content)
    with no_hang(), pytest.raises(InvalidFile) as caught:
        load(path)
    assert said in caught.value.found
    assert f"{path}:" in caught.value.found


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("    asks: .*", r"    asks: 'x{99999999999999}'", "too large or too deep"),
        ("    asks: .*", "    asks: '" + "(" * 3000 + ")" * 3000 + "'", "too large or too deep"),
        ("^title: .*", r'title: "a\\e[2Jb"', "U+001B"),
        ("^title: .*", "title: a\u202eb", "U+202E"),
        ("^title: .*", "title: a\u200bb", "U+200B"),
    ],
)
def test_values_that_are_traps(old: str, new: str, said: str, tmp_path: Path) -> None:
    """Patterns that break the pattern compiler, titles that would turn a terminal around."""
    text, count = re.subn(old, new, SMALL, count=1, flags=re.MULTILINE)
    assert count == 1
    path = tmp_path / "file.yaml"
    path.write_text(text)
    with no_hang(), pytest.raises(InvalidFile) as caught:
        load_profile(path)
    assert said in caught.value.found


@pytest.mark.parametrize("wrong", [{"one": 1}, ["one"]], ids=["mapping", "list"])
def test_a_word_that_is_a_whole_part(wrong: object, tmp_path: Path) -> None:
    """A mapping or a list where a suite or an action is wanted is a mistake with a line."""
    for change in ({"suite": wrong}, {"action": wrong}):
        data = yaml.safe_load(SMALL)
        if "suite" in change:
            data["sources"]["suites"]["one"] = wrong
        else:
            next(iter(data["stages"].values()))[0]["action"] = wrong
        path = tmp_path / "file.yaml"
        path.write_text(yaml.safe_dump(data, sort_keys=False))
        with pytest.raises(InvalidFile) as caught:
            load_profile(path)
        assert f"{path}:" in caught.value.found


@pytest.mark.parametrize("name", HOSTILE)
def test_a_name_is_no_trap(name: str, tmp_path: Path) -> None:
    """Whatever is given as a name: not found, or a file that has mistakes."""
    folder = tmp_path / "profiles"
    folder.mkdir()
    with writes_stay_in(folder):
        with pytest.raises((NotFound, InvalidFile)):
            load_profile(find_profile(name, [folder]))
        with pytest.raises((NotFound, InvalidFile)):
            load_drill(find_drill(name, [folder]))


def test_what_is_no_file(tmp_path: Path) -> None:
    """Folders, pipes nobody writes to, devices without end, links to themselves."""
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    os.mkfifo(tmp_path / "pipe")
    for path in (tmp_path, tmp_path / "loop", tmp_path / "pipe", Path("/dev/zero")):
        for load in (load_site, load_drill):
            with no_hang(), pytest.raises((NotFound, InvalidFile)):
                load(path)
