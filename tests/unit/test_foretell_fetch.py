"""Which packages are fetched before a rehearsal, and what becomes of those that fail."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path

from tests.practice.bare_survey import make_survey
from tests.practice.deb_file import build_deb

from forerun.model.likeness import NotLookedAt, PlannedPackage
from forerun.model.survey import Conffile
from forerun.model.system import ManagedFile, Question, SystemFacts
from forerun.stages.foretell_fetch import (
    Choice,
    choose_packages,
    fetch_contents,
    foretell_upgrade,
    list_wanted,
)

SURVEY = make_survey(
    *("edited=1", "kept=1", "asked=1", "plain=1", "shelf-15=1"),
    conffiles=(Conffile("/etc/a", "edited", "changed"),),
    system=SystemFacts(
        managed=(
            ManagedFile("/etc/b", "kept", "changed"),
            ManagedFile("/etc/c", "plain", ""),
        ),
        questions=(Question("asked/a", ("asked",), "boolean", True),),
    ),
)


def planned(name: str, size: int = 10, **more: tuple[str, ...]) -> PlannedPackage:
    return PlannedPackage(name, "all", "2", f"http://archive.test/{name}", "", size, **more)


def test_owners_come_first_then_successors_then_the_small() -> None:
    """Installed packages without edits and questions are not fetched at all."""
    plan = [
        *(planned("large", 90), planned("small", 5), planned("plain"), planned("shelf-17", 80)),
        *(planned("taker", 70, replaces=("edited",)), planned("asked"), planned("kept", 2)),
        planned("edited", 60),
    ]
    choice = choose_packages(SURVEY, plan)
    names = [one.name for one in choice.packages]
    assert names == ["kept", "asked", "edited", "taker", "shelf-17", "small", "large"]
    assert choice.left_out == ()


def test_the_budget_is_kept_and_what_is_left_out_is_named() -> None:
    """A package that does not fit is named with the reason; a smaller one may follow."""
    plan = [planned("edited", 60), planned("huge", 50), planned("small", 5)]
    choice = choose_packages(SURVEY, plan, budget_bytes=70)
    assert [one.name for one in choice.packages] == ["edited", "small"]
    (left,) = choice.left_out
    assert left.package == "huge" and "70 bytes" in left.why


def test_a_second_architecture_is_fetched_once() -> None:
    """Packages of Multi-Arch: same bring the same files."""
    assert len(choose_packages(SURVEY, [planned("small"), planned("small")]).packages) == 1


def test_only_files_that_are_not_as_shipped_are_wanted() -> None:
    """Conffiles of the survey and ucf's edited ones."""
    assert list_wanted(SURVEY) == {"/etc/a", "/etc/b"}


def serve(body: bytes, status: int = 200) -> Callable[..., tuple[int, str]]:
    def fetch(port: int, url: str, write: Callable[[bytes], object], most: int) -> tuple[int, str]:
        assert (port, most) == (3128, len(body) or 10)
        for start in range(0, len(body), 100):
            write(body[start : start + 100])
        return status, "" if status == 200 else "not here"

    return fetch


def test_a_package_with_the_right_digest_is_read(tmp_path: Path) -> None:
    """Its conffiles' digests are there, and nothing stays on the disk."""
    body = build_deb("edited", "2", files={"/etc/a": b"x\n"}, conffiles=["/etc/a"])
    one = PlannedPackage(
        "edited", "all", "2", "u", f"SHA256:{hashlib.sha256(body).hexdigest()}", len(body)
    )
    contents, left_out = fetch_contents(
        3128, Choice((one,)), frozenset({"/etc/a"}), folder=tmp_path, fetch=serve(body)
    )
    assert [(c.name, bool(c.conffiles[0].md5)) for c in contents] == [("edited", True)]
    assert left_out == () and list(tmp_path.iterdir()) == []


def test_what_cannot_be_had_or_read_is_named_and_the_rest_goes_on(tmp_path: Path) -> None:
    """A wrong digest, an answer that is no package, an archive that refuses."""
    before = NotLookedAt("huge", "too large")
    body = build_deb("edited", "2")
    other = f"SHA256:{hashlib.sha256(b'other').hexdigest()}"
    good = f"SHA256:{hashlib.sha256(b'no package at all').hexdigest()}"
    cases = (
        (PlannedPackage("edited", "all", "2", "u", other, len(body)), serve(body), "SHA-256"),
        (PlannedPackage("edited", "all", "2", "u", good, 17), serve(b"no package at all"), "whole"),
        (PlannedPackage("edited", "all", "2", "u", other, 10), serve(b"", 404), "404 not here"),
        (PlannedPackage("edited", "all", "2", "u", other, 10), serve(b"", 0), "no answer"),
    )
    for one, fetch, said in cases:
        contents, left_out = fetch_contents(
            3128, Choice((one,), (before,)), frozenset(), folder=tmp_path, fetch=fetch
        )
        assert contents == ()
        assert left_out[0] == before and said in left_out[1].why


def test_a_plan_becomes_a_foretelling(tmp_path: Path) -> None:
    """From the plan's lines to what is foretold, with the contents for the comparison
    and the packages that were not had."""
    old, new, own = (hashlib.md5(c, usedforsecurity=False).hexdigest() for c in (b"1", b"2", b"3"))
    body = build_deb("edited", "2", files={"/etc/a": b"2"}, conffiles=["/etc/a"])
    survey = make_survey("edited=1", conffiles=(Conffile("/etc/a", "edited", "changed", old, own),))
    plan = [
        PlannedPackage(
            "edited", "all", "2", "u", f"SHA256:{hashlib.sha256(body).hexdigest()}", len(body)
        ),
        PlannedPackage(
            "new", "all", "2", "u", f"SHA256:{hashlib.sha256(b'').hexdigest()}", len(body)
        ),
    ]
    found = foretell_upgrade(3128, survey, plan, folder=tmp_path, fetch=serve(body))
    assert [(row.kind, row.subject, row.sure) for row in found.foretold] == [
        ("conffile", "/etc/a", True)
    ]
    assert [one.name for one in found.contents] == ["edited"]
    assert found.contents[0].conffiles[0].md5 == new
    assert [one.package for one in found.not_looked_at] == ["new"]
