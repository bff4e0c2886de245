"""What was foretold against what a run met."""

from __future__ import annotations

from typing import Any

import pytest
from tests.practice.bare_survey import make_survey
from tests.practice.recorded_stops import DPKG_ASKED, UCF_ASKED, meet, read_stops

from forerun.distro.debian_packages import NewConffile, PackageContents, Template
from forerun.model.likeness import ForetellingCheck, Foretold
from forerun.model.observation import KeptFile, PackageChange, PromptMet
from forerun.model.survey import CleanSurvey, Conffile, Replacement, Withheld
from forerun.model.system import Question, SystemFacts
from forerun.stages.foretell_check import check_foretelling, read_prompt

POSTGRESQL = PackageContents(
    "postgresql",
    "17",
    "all",
    templates=(
        # The words around the values as on the recorded terminal; the names of the
        # values are from memory.
        Template("postgresql/auto_upgrade", "boolean", "Upgrade PostgreSQL cluster ${o} to ${n}?"),
        Template("postgresql/other", "boolean", "Upgrade PostgreSQL?"),
    ),
)


def dpkg_prompt(path: str) -> PromptMet:
    name = path.rpartition("/")[2]
    return meet(
        f"Configuration file '{path}'\n ==> Modified\n*** {name} (Y/I/N/O/D/Z) [default=N] ?",
        "dpkg",
    )


def check(
    *foretold: Foretold,
    met: tuple[PromptMet, ...] = (),
    survey: CleanSurvey | None = None,
    **more: Any,
) -> list[ForetellingCheck]:
    return list(check_foretelling(foretold, met, survey=survey or make_survey(), **more))


def told(subject: str, kind: str = "conffile", *, sure: bool = True) -> Foretold:
    return Foretold(kind, subject, "shelf", "why", sure)


def test_every_recorded_stop_is_told_apart() -> None:
    """21 stops of a real upgrade: the files are those that dpkg's status lines and
    debconf's debug lines named in the same run, in their order."""
    rows = [read_prompt(one, [POSTGRESQL]) for one in read_stops() if one.process != "apt"]
    assert [row.subject for row in rows if row.kind == "conffile"] == DPKG_ASKED
    assert [row.subject for row in rows if row.kind == "ucf"] == UCF_ASKED
    rest = [(row.kind, row.subject) for row in rows if row.kind not in ("conffile", "ucf")]
    assert rest == [("debconf", "postgresql/auto_upgrade")] * 2


def test_a_recorded_run_that_was_foretold_whole_has_no_other_result() -> None:
    """Foretold exactly, everything is met; apt's own questions do not count; what is
    asked twice counts once."""
    rows = [
        *(Foretold("conffile", path, "p", "w") for path in DPKG_ASKED),
        *(Foretold("ucf", path, "p", "w") for path in UCF_ASKED),
        Foretold("debconf", "postgresql/auto_upgrade", "postgresql", "w"),
    ]
    found = check(*rows, met=tuple(read_stops()), contents=[POSTGRESQL])
    assert len(found) == 18
    assert {one.result for one in found} == {"met"}


def test_a_prompt_whose_upper_part_is_cut_off_is_found_by_its_name() -> None:
    """Only 30 lines of a prompt are kept: the last line names the file's last part."""
    text = "*** jail.conf (Y/I/N/O/D/Z) [default=N] ?"
    assert check(told("/etc/shelf/jail.conf"), met=(meet(text, "dpkg"),))[0].result == "met"
    text = "What do you want to do about modified configuration file nfs.conf?"
    assert check(told("/etc/nfs.conf", "ucf"), met=(meet(text),))[0].result == "met"


def test_what_was_not_foretold_is_named() -> None:
    """With its kind, and with why: here the survey knew of no edit."""
    (found,) = check(met=(dpkg_prompt("/etc/a"),))
    assert (found.kind, found.subject, found.result) == ("conffile", "/etc/a", "not foretold")
    assert "no edit" in found.why


@pytest.mark.parametrize(
    ("parts", "said"),
    [
        ({"replacements": (Replacement("/etc/a", 3, "password", "secret"),)}, "replaced"),
        ({"conffiles": (Conffile("/etc/a", "shelf", "changed"),)}, "no package"),
    ],
)
def test_why_a_question_was_not_foretold(parts: dict[str, object], said: str) -> None:
    """A rule for each difference between production and the clone that is known."""
    (found,) = check(met=(dpkg_prompt("/etc/a"),), survey=make_survey(**parts))
    assert said in found.why


@pytest.mark.parametrize(
    ("row", "parts", "more", "said"),
    [
        (told("/etc/a"), {}, {"changes": (PackageChange("other", "upgraded"),)}, "not unpacked"),
        (told("/etc/a"), {"withheld": (Withheld("/etc/a", "a key"),)}, {}, "no copy"),
        (
            told("/etc/a"),
            {},
            {"kept_files": (KeptFile("/etc/a.dpkg-dist", "/etc/a", 1),)},
            "beside",
        ),
        (told("/etc/a"), {"replacements": (Replacement("/etc/a", 1, "r", "k"),)}, {}, "replaced"),
        (told("/etc/a", sure=False), {}, {}, "script decides"),
        (told("shelf/a", "debconf"), {}, {}, "set up anew"),
        (told("/etc/a"), {}, {}, ""),
    ],
)
def test_why_a_foretold_question_did_not_come(
    row: Foretold, parts: dict[str, Any], more: dict[str, Any], said: str
) -> None:
    """The first rule that explains it; without one the reason stays empty."""
    changes = more.get("changes", (PackageChange("shelf", "upgraded"),))
    (found,) = check(row, survey=make_survey(**parts), **{**more, "changes": changes})
    assert found.result == "not met"
    assert said in found.why and bool(said) == bool(found.why)


def test_a_debconf_question_seen_on_production_is_explained() -> None:
    """The clone's database has not seen it."""
    contents = [
        PackageContents("shelf", "2", "all", templates=(Template("shelf/a", "boolean", "Is it?"),))
    ]
    facts = SystemFacts(questions=(Question("shelf/a", ("shelf",), "boolean", True),))
    text = "Configuring shelf\n-----------------\n\nIs it? [yes/no]"
    (found,) = check(met=(meet(text),), contents=contents, survey=make_survey(system=facts))
    assert (found.kind, found.subject, found.package) == ("debconf", "shelf/a", "shelf")
    assert "seen on production" in found.why


def test_a_question_of_an_unread_package_keeps_its_words() -> None:
    """The package is the one that the heading names."""
    text = "Configuring stand\n-----------------\n\nStand straight? [yes/no]"
    (found,) = check(met=(meet(text, "dpkg-preconfigu"),))
    assert (found.kind, found.subject) == ("debconf", "Stand straight? [yes/no]")
    assert "stand was not looked into" in found.why


def test_what_a_program_asks_by_itself_is_another_kind() -> None:
    """A script that reads the terminal: no list in a package tells of that."""
    (found,) = check(met=(meet("Keep the notes? [Y/n]", "shelf-note.post"),))
    assert (found.kind, found.subject) == ("other", "Keep the notes? [Y/n]")
    assert "by itself" in found.why


def test_a_loss_is_met_where_a_file_lies_beside() -> None:
    """The others are not compared: nothing on the clone tells of them."""
    kept = (KeptFile("/etc/sysctl.conf.dpkg-bak", "/etc/sysctl.conf", 10),)
    rows = (told("/etc/sysctl.conf", "obsolete"), told("/etc/php/8.2/php.ini", "versioned"))
    (found,) = check(*rows, kept_files=kept)
    assert (found.subject, found.result) == ("/etc/sysctl.conf", "met")
    assert ".dpkg-bak" in found.why


def test_a_conffile_prompt_names_the_package_that_brings_it() -> None:
    """As far as its contents were read."""
    contents = [PackageContents("shelf", "2", "all", conffiles=(NewConffile("/etc/a"),))]
    (found,) = check(met=(dpkg_prompt("/etc/a"),), contents=contents)
    assert found.package == "shelf"
