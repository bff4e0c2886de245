"""What DEVELOPERS.md promises has tests, and they are there under the names it gives."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SECTION = "## What forerun trusts and what it does not"


def read_rows() -> dict[str, list[str]]:
    """Promise to its tests, as `path::name`."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = text.partition(f"{SECTION}\n")[2].partition("\n## ")[0]
    table = section.partition("| promise | tests |\n| --- | --- |\n")[2]
    rows: dict[str, list[str]] = {}
    for line in table.splitlines():
        if not line.startswith("|"):
            break
        promise, tests = (cell.strip() for cell in line.strip("|").split("|"))
        rows[promise] = re.findall(r"`([^`]+)`", tests)
    return rows


ROWS = read_rows()


def test_there_are_promises_and_each_has_a_test() -> None:
    assert len(ROWS) >= 20
    assert all(ROWS.values()), [promise for promise, tests in ROWS.items() if not tests]


@pytest.mark.parametrize("named", sorted({name for names in ROWS.values() for name in names}))
def test_a_named_test_exists_and_asserts(named: str) -> None:
    """The function is in that file, pytest collects it, and it can fail: somewhere in it, or
    in what it calls in its file, something is asserted or expected to raise."""
    path, _, name = named.partition("::")
    tree = ast.parse((ROOT / path).read_text(encoding="utf-8"))
    functions = {node.name: node for node in tree.body if isinstance(node, ast.FunctionDef)}
    assert name.startswith("test_") and name in functions, f"{named} is not there"
    assert asserts(functions[name], functions, set()), f"{named} asserts nothing"


def asserts(node: ast.FunctionDef, functions: dict[str, ast.FunctionDef], seen: set[str]) -> bool:
    seen.add(node.name)
    for part in ast.walk(node):
        if isinstance(part, ast.Assert):
            return True
        if isinstance(part, ast.Call):
            called = ast.unparse(part.func)
            if called.endswith(("raises", "assert_told", "fail")):
                return True
            known = called in functions and called not in seen
            if known and asserts(functions[called], functions, seen):
                return True
    return False


def test_the_actors_are_named() -> None:
    """Those that the promises are made against, and what is not defended."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = text.partition(f"{SECTION}\n")[2].partition("\n## ")[0]
    for actor in (
        "production server", "archive", "the clone", "other users", "reads a report",
        "edits records", "the network", "Not defended:", "escape", "own root",
    ):  # fmt: skip
        assert actor in section, actor
