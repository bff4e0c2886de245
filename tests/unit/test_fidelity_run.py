"""Comparing a running clone: what is asked of it, and that the planner's folder goes."""

from __future__ import annotations

from pathlib import Path

import pytest
from tests.unit.test_fidelity import (
    ANSWERS,
    answer_probes,
    make_blueprint,
    make_survey,
    step,
)

from forerun.distro.debian import Debian
from forerun.errors import CloneUnreachable
from forerun.model.likeness import UpgradePlan
from forerun.model.profile import SourcePlan
from forerun.ports.command import LocalCommand
from forerun.ports.store import Store
from forerun.stages.fidelity_run import (
    PlannedProduction,
    judge_clone,
    judge_plan,
    open_planner,
    plan_production,
)
from forerun.testing import FakeClock, FakeGuest

SOURCES = SourcePlan((("s", "t"),), "/k.gpg", ())


def test_the_planners_folder_is_noted_and_goes(tmp_path: Path) -> None:
    """In the ledger while it is there; gone from both after an error, too."""
    store = Store(tmp_path)
    with pytest.raises(RuntimeError), open_planner(store, "run-1", LocalCommand(), 1) as planner:
        (planner.folder / "lists").mkdir()
        [entry] = store.ledger.find("run-1")
        assert entry.label() == f"folder:{planner.folder}"
        assert planner.folder.stat().st_mode & 0o777 == 0o711
        raise RuntimeError
    assert not planner.folder.exists()
    assert store.ledger.find("run-1") == ()


def test_a_survey_without_relations_has_no_plan(tmp_path: Path) -> None:
    """An old survey is not planned from, and no program is started for it."""
    with open_planner(Store(tmp_path), "run-1", LocalCommand(), 1) as planner:
        made = plan_production(planner, make_survey(), tmp_path / "copy.tar", SOURCES)
        assert "take it again" in made.plan.reason
        assert made.manager == "2.6.1"
        guest = FakeGuest(FakeClock())
        rows = judge_plan(guest, planner, made, SOURCES)
    assert [row.total for row in rows] == [0, 0]
    assert all("take it again" in row.rule for row in rows)
    assert guest.ran == []


def test_a_clone_that_cannot_say_its_packages_has_no_plan(tmp_path: Path) -> None:
    """Nothing is planned from an empty answer."""
    production = PlannedProduction(UpgradePlan((step("a"),)), "2.6.1")
    with open_planner(Store(tmp_path), "run-1", LocalCommand(), 1) as planner:
        rows = judge_plan(FakeGuest(FakeClock()), planner, production, SOURCES)
    assert all("could not be read" in row.rule and row.total == 0 for row in rows)


def test_a_clone_is_judged_in_every_subject() -> None:
    """Facts and files are read; a clone with one of two packages is unlike in that."""
    guest = FakeGuest(FakeClock(), answers={"--": lambda script: answer_probes(script, ANSWERS)})
    rows = {
        row.subject: row for row in judge_clone(guest, Debian(), make_survey(), make_blueprint())
    }
    assert (rows["packages"].alike, rows["packages"].total) == (1, 2)
    assert rows["package versions"].alike == rows["package versions"].total == 1
    assert len(guest.ran) == 2


def test_a_clone_without_answers_is_said_and_a_lost_one_raised() -> None:
    """No record without a word about it, and no guess about a clone that is gone."""
    guest = FakeGuest(FakeClock(), answers={"--": lambda script: answer_probes(script, {})})
    [row] = judge_clone(guest, Debian(), make_survey(), make_blueprint())
    assert row.total == 0
    assert "no answer to a probe" in row.rule
    guest.lost = True
    with pytest.raises(CloneUnreachable):
        judge_clone(guest, Debian(), make_survey(), make_blueprint())
