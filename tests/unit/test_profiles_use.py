"""Finding, fitting, judging and matching: what is done with a profile."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from forerun.errors import NotFound, ProfileMismatch
from forerun.model.profile import Profile, PromptRule, Stage
from forerun.model.survey import Release
from forerun.profiles import (
    find_profile,
    fit_profile,
    lint_profile,
    load_profile,
    match_prompt,
    shipped_folders,
)

SMALL = Path(__file__).parents[1] / "data" / "profiles" / "small-profile.yaml"


def rule(name: str, asks: str, answer: str = "y") -> PromptRule:
    return PromptRule(name, asks, answer, "because")


GO_ON = rule("go-on", r"^Do you want to continue\? \[Y/n\]\s*$")
FILE = rule("file", r"^\*\*\* .+ \[default=N\] \?\s*$", "N")
ANY = rule("any", r"\?\s*$")


def name_of(found: PromptRule | None) -> str:
    return found.name if found else ""


@pytest.fixture
def profile() -> Profile:
    """The small profile of the reading tests."""
    return load_profile(SMALL)


def test_a_shipped_profile_is_found_by_name() -> None:
    """The profile of the checkout is found with no folder named."""
    found = find_profile("debian-12-to-13")
    assert found == shipped_folders()[0] / "debian-12-to-13" / "profile.yaml"


def test_folders_that_are_named_come_first(tmp_path: Path) -> None:
    """One's own profile hides a shipped one of the same name."""
    own = tmp_path / "debian-12-to-13"
    own.mkdir()
    (own / "profile.yaml").write_bytes(SMALL.read_bytes())
    assert find_profile("debian-12-to-13", [tmp_path]) == own / "profile.yaml"


def test_a_path_is_taken_as_it_is(tmp_path: Path) -> None:
    """A file, or the folder of a file called profile.yaml, needs no search."""
    (tmp_path / "profile.yaml").write_bytes(SMALL.read_bytes())
    assert find_profile(str(tmp_path)) == tmp_path / "profile.yaml"
    assert find_profile(str(tmp_path / "profile.yaml")) == tmp_path / "profile.yaml"


def test_an_unknown_name_is_told_with_what_exists() -> None:
    """The error lists the profiles there are and guesses what was meant."""
    with pytest.raises(NotFound) as caught:
        find_profile("debian-12-to-31")
    assert "debian-12-to-13" in caught.value.found
    assert caught.value.hint == "Did you mean 'debian-12-to-13'?"


def test_a_name_never_leads_out_of_the_folders(tmp_path: Path) -> None:
    """`..` in a name is no way to a file beside the folders that are searched."""
    (tmp_path / "profile.yaml").write_bytes(SMALL.read_bytes())
    inner = tmp_path / "inner"
    inner.mkdir()
    with pytest.raises(NotFound):
        find_profile("..", [inner])


def test_a_profile_fits_the_release_it_starts_at(profile: Profile) -> None:
    """Family, version and codename agree: nothing is raised."""
    fit_profile(profile, Release("debian", "1", "one", "Example 1", point="1.4"))


@pytest.mark.parametrize(
    ("release", "hint"),
    [
        (Release("debian", "2", "two", ""), "already runs"),
        (Release("debian", "0", "zero", ""), "Choose a profile"),
        (Release("other", "1", "one", ""), "Choose a profile"),
        (Release("debian", "1", "uno", ""), "Choose a profile"),
    ],
)
def test_a_profile_for_another_release_is_refused(
    profile: Profile, release: Release, hint: str
) -> None:
    """The error says what was wanted, what was found and what to do."""
    with pytest.raises(ProfileMismatch) as caught:
        fit_profile(profile, release)
    assert caught.value.wanted == "debian 1 (one)"
    assert caught.value.found == f"{release.family} {release.version} ({release.codename})"
    assert hint in caught.value.hint


def test_the_question_at_the_end_is_matched() -> None:
    """The rule of the last line is found, whatever stands above."""
    text = "Reading...\nDo you want to continue? [Y/n] y\nUnpacking\n*** x (Y/I) [default=N] ? "
    assert name_of(match_prompt([GO_ON, FILE], text)) == "file"


def test_an_answered_question_is_not_matched_again() -> None:
    """With other output below it, a question is over."""
    assert match_prompt([GO_ON], "Do you want to continue? [Y/n] \nGet:1 example\n") is None
    assert match_prompt([GO_ON], "Do you want to continue? [Y/n] y\n") is None


def test_an_unknown_question_below_a_known_one_is_unknown() -> None:
    """The last question counts, even when no rule knows it."""
    text = "Do you want to continue? [Y/n] \nDelete all data? [yes/no] "
    assert match_prompt([GO_ON], text) is None


def test_blank_lines_and_blanks_below_a_question_do_not_hide_it() -> None:
    """A terminal may have moved on without saying anything."""
    assert name_of(match_prompt([GO_ON], "Do you want to continue? [Y/n] \r\n\r\n  ")) == "go-on"


def test_the_longer_match_wins_then_the_first_rule() -> None:
    """Of two rules that end together, the more exact one; of two equals, the first."""
    text = "Do you want to continue? [Y/n] "
    assert name_of(match_prompt([rule("short", r"\[Y/n\]\s*$"), GO_ON], text)) == "go-on"
    twin = dataclasses.replace(GO_ON, name="twin")
    assert name_of(match_prompt([twin, GO_ON], text)) == "twin"
    assert name_of(match_prompt([GO_ON, twin], text)) == "go-on"


def test_lines_written_over_are_read_as_a_terminal_shows_them() -> None:
    """Progress that ends in a carriage return is not part of the question."""
    text = "Reading 5%\rReading 100%\rDo you want to continue? [Y/n] "
    assert name_of(match_prompt([GO_ON], text)) == "go-on"


def test_only_the_tail_of_a_long_text_counts() -> None:
    """A megabyte of output costs no more than a screen, and hides no question."""
    text = "x" * 80 + "\n"
    assert name_of(match_prompt([GO_ON], text * 12000 + "Do you want to continue? [Y/n] ")) == (
        "go-on"
    )


def test_no_rules_and_no_text_match_nothing() -> None:
    """Nothing comes of nothing."""
    assert match_prompt([], "Go on?") is None
    assert match_prompt([ANY], "") is None


def test_a_reviewer_is_told_what_is_weak(profile: Profile) -> None:
    """A step in the window without back-out, and silent or unproven steps, are named."""
    warnings = lint_profile(profile)
    assert "step again: no back-out, and it lies in the window" in warnings
    assert "step again: says not what is expected" in warnings
    assert "step again: cites no source" in warnings
    assert not [line for line in warnings if line.startswith("step go: ")]
    assert "step look: no back-out, and it lies in the window" not in warnings
    assert "procedure: no step switches the sources" in warnings
    assert "procedure: the configuration is not kept before packages change" in warnings
    assert "procedure: no step runs the checks of the moment `after`" in warnings


def test_the_order_of_a_procedure_is_judged() -> None:
    """Taking away what makes the shipped procedure safe brings a warning each."""
    shipped = load_profile(find_profile("debian-12-to-13"))
    assert lint_profile(shipped) == ()

    def without(*names: str) -> str:
        steps = tuple(step for step in shipped.steps if step.name not in names)
        return "\n".join(lint_profile(dataclasses.replace(shipped, steps=steps)))

    assert "no reboot" in without("reboot")
    assert "no step switches the sources" in without("switch-sources")
    assert "not kept before packages change" in without("keep-configuration")
    assert "never started again" in without("resume")
    assert "the moment `before`" in without("readiness")
    late = tuple(
        dataclasses.replace(step, point_of_no_return=step.name == "full-upgrade")
        for step in shipped.steps
    )
    assert lint_profile(dataclasses.replace(shipped, steps=late)) == (
        "step minimal-upgrade: changes packages of the new release before the point of no return",
    )
    assert [step.stage for step in shipped.steps] == sorted(
        (step.stage for step in shipped.steps), key=list(Stage).index
    )
