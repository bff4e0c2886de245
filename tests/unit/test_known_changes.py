"""The shipped known changes of Debian 12 to 13: each found where it is, and only there."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest
from tests.practice.change_cases import OPEN, REHEARSED, SURVEYED
from tests.practice.known_host import Host, build, readings

from forerun.model.finding import Finding, Witness
from forerun.model.known_change import FindingSet, KnownChanges
from forerun.model.profile import Profile
from forerun.profiles import find_known_changes, find_profile, load_profile
from forerun.stages.findings import Matter, find_findings, list_asked_files

# What no survey of any server can answer, for want of homes, logs and databases.
NEVER_KNOWN = {"ssh-dsa-logins", "ssh-old-clients", "ssh-user-environment"}
# What only running the upgrade shows.
UNTIL_REHEARSED = {"immediate-configuration", "old-directories", "tainted-message"}


@cache
def shipped() -> tuple[Profile, KnownChanges]:
    profile = load_profile(find_profile("debian-12-to-13"))
    return profile, find_known_changes(profile)


def look(host: Host) -> FindingSet:
    """The findings on that server; only files that some test asks for are handed over."""
    survey, files = build(host)
    profile, known = shipped()
    asked = list_asked_files(survey, known)
    return find_findings(
        Matter(survey, {path: files[path] for path in asked}, known, profile, host.run)
    )


def pick(found: FindingSet, name: str) -> Finding | None:
    return next((one for one in found.findings if one.name == name), None)


def test_every_known_change_has_its_cases() -> None:
    """One that could not be shown to be found, and to be spared, may not be shipped."""
    _, known = shipped()
    surveyed = {change.name for change in known.changes if change.survey is not None}
    rehearsed = {change.name for change in known.changes if change.rehearsal is not None}
    assert surveyed <= set(SURVEYED) | set(OPEN) | {"ssh-user-environment"}
    assert rehearsed == set(REHEARSED)
    assert set(SURVEYED) <= surveyed


@pytest.mark.parametrize("name", sorted(SURVEYED))
def test_a_survey_shows_it(name: str) -> None:
    """Found from the survey alone, with lines of this very server, its advice and source;
    not on the near miss."""
    there, spared = SURVEYED[name]
    found = pick(look(there), name)
    assert found is not None
    assert found.witness is Witness.SURVEY
    assert found.evidence and all(found.evidence)
    assert found.advice and found.source and found.subject
    assert pick(look(spared), name) is None


@pytest.mark.parametrize("name", sorted(REHEARSED))
def test_a_rehearsal_shows_it(name: str) -> None:
    """Found from the run's record on a server whose survey shows nothing, and then not taken
    for settled; not on the near miss."""
    there, spared = REHEARSED[name]
    found = pick(look(there), name)
    assert found is not None
    assert found.witness is Witness.REHEARSAL
    assert found.evidence and not found.settled
    assert pick(look(spared), name) is None


@pytest.mark.parametrize("name", sorted(OPEN))
def test_what_cannot_be_seen_is_said(name: str) -> None:
    """Not known, with its reason, where it may concern the server; not told of elsewhere."""
    open_one, spared = OPEN[name]
    (row,) = (one for one in look(open_one).not_known if one.name == name)
    assert row.why and row.advice
    assert pick(look(open_one), name) is None
    assert name not in {one.name for one in look(spared).not_known}


def test_a_clean_server_has_no_findings() -> None:
    """Nothing is invented, and what no survey can know is said every time."""
    for run, unknown in ((None, NEVER_KNOWN | UNTIL_REHEARSED), (readings({}, {}), NEVER_KNOWN)):
        found = look(Host(run=run))
        assert found.findings == ()
        assert {one.name for one in found.not_known} == unknown
        assert all(one.why for one in found.not_known)


def test_sources_are_named() -> None:
    """Each cites the release notes, a package, a bug, or says what else it rests on."""
    _, known = shipped()
    words = (
        "release notes", "package ", "Debian bug", "Debian Policy", "common practice", "observed",
        "reported by operators", "Python 3.1",
    )  # fmt: skip
    for change in known.changes:
        assert any(word in change.source for word in words), change.name


def test_it_is_installed_beside_its_profile() -> None:
    """The wheel carries both files."""
    root = Path(__file__).parents[2]
    assert "known-changes.yaml" in (root / "pyproject.toml").read_text(encoding="utf-8")
