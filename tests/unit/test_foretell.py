"""The rules by which questions and losses are foretold, one by one. (What dpkg, ucf and
debconf themselves do is asked in tests/reference/test_foretell_*.py.)"""

from __future__ import annotations

import hashlib
import io
from collections.abc import Mapping, Sequence
from typing import Any

import pytest
from tests.practice.bare_survey import make_entry, make_survey
from tests.practice.deb_file import build_deb

from forerun.distro.debian_packages import PackageContents, read_package
from forerun.model.digest import seal_digest
from forerun.model.likeness import Foretold, PlannedPackage
from forerun.model.survey import CleanSurvey, Conffile
from forerun.model.system import Diversion, ManagedFile, Question, SystemFacts
from forerun.stages.foretell import foretell
from forerun.stages.foretell_fetch import list_wanted
from forerun.stages.foretell_losses import holds_version

OLD, NEW, OWN = b"rows = 10\n", b"rows = 12\n", b"rows = 99\n"


def digest(content: bytes) -> str:
    return hashlib.md5(content, usedforsecurity=False).hexdigest()


def plan(*contents: PackageContents, more: Sequence[str] = ()) -> list[PlannedPackage]:
    names = [(c.name, c.version) for c in contents] + [(name, "1") for name in more]
    return [PlannedPackage(name, "all", version, "", "", 0) for name, version in names]


def ask(survey: CleanSurvey, *packages: bytes, **options: Any) -> tuple[Foretold, ...]:
    contents = [read_package(io.BytesIO(one), list_wanted(survey)) for one in packages]
    more = options.pop("more", ())
    return foretell(survey, plan(*contents, more=more), contents, **options)


def edited(path: str, disk: bytes | None = OWN, **more: Any) -> Conffile:
    return Conffile(
        path,
        **{
            "package": "shelf",
            "state": "changed" if disk is not None else "missing",
            "shipped": digest(OLD),
            "disk": digest(disk) if disk else "",
            **more,
        },
    )


def shelf(files: Mapping[str, bytes], *lines: str, **more: Any) -> bytes:
    return build_deb("shelf", "2.0", files=files, conffiles=lines or list(files), **more)


# --- conffiles


def test_an_edited_file_with_a_new_version_brings_a_question() -> None:
    """With production's file known by a sealed digest only; the rule is in the reason."""
    sealed = seal_digest(digest(OWN), b"0123456789abcdef")
    row = Conffile("/etc/a", "shelf", "changed", digest(OLD), sealed)
    (told,) = ask(make_survey("shelf=1.0", conffiles=(row,)), shelf({"/etc/a": NEW}))
    assert (told.kind, told.subject, told.package, told.sure) == (
        "conffile",
        "/etc/a",
        "shelf",
        True,
    )
    assert "2.0 brings another version" in told.why


def test_an_edit_of_unknown_content_may_bring_a_question() -> None:
    """A file that could not be read on production may equal the new one."""
    row = Conffile("/etc/a", "shelf", "changed", digest(OLD))
    (told,) = ask(make_survey("shelf=1.0", conffiles=(row,)), shelf({"/etc/a": NEW}))
    assert not told.sure and "not known" in told.why


def test_a_diverted_file_may_bring_a_question() -> None:
    """dpkg compares the file that a diversion leads to (dpkg-divert(1)), which the
    survey did not; the owner's own diversion does not lead it away."""
    for owner, sure in ((":", False), ("shelf", True)):
        facts = SystemFacts(diversions=(Diversion("/etc/a", "/etc/a.real", owner),))
        survey = make_survey("shelf=1.0", conffiles=(edited("/etc/a"),), system=facts)
        (told,) = ask(survey, shelf({"/etc/a": NEW}))
        assert told.sure is sure


def test_nothing_is_said_of_packages_that_were_not_read() -> None:
    """Neither a question nor a loss."""
    survey = make_survey("shelf=1.0", conffiles=(edited("/etc/a"),))
    assert ask(survey, more=["shelf"]) == ()


def test_a_strangers_file_is_no_strangers_where_an_installed_package_is_replaced() -> None:
    """Package stand takes over the files of shelf: their record comes along."""
    survey = make_survey("shelf=1.0", entries=(make_entry("/etc/a"),))
    files = {"/etc/a": NEW}
    taker = build_deb(
        "stand", "1.0", files=files, conffiles=list(files), fields={"Replaces": "shelf"}
    )
    loner = build_deb("stand", "1.0", files=files, conffiles=list(files))
    assert ask(survey, taker) == ()
    assert [(t.kind, t.sure) for t in ask(survey, loner)] == [("conffile", False)]


# --- losses


def test_a_file_that_is_no_longer_packaged_is_a_loss() -> None:
    """It stays in place and nothing may read it; an obsolete one of before is no news."""
    rows = (edited("/etc/a"), edited("/etc/b", state="obsolete"))
    (told,) = ask(make_survey("shelf=1.0", conffiles=rows), build_deb("shelf", "2.0"))
    assert (told.kind, told.subject, told.sure) == ("obsolete", "/etc/a", True)


def test_an_unedited_file_is_no_loss() -> None:
    """A deleted file cannot be lost either."""
    rows = (edited("/etc/a", disk=None),)
    assert ask(make_survey("shelf=1.0", conffiles=rows), build_deb("shelf", "2.0")) == ()


def test_edits_of_removed_packages_are_losses() -> None:
    """The plan removes the owner: nothing may read its file."""
    survey = make_survey("shelf=1.0", conffiles=(edited("/etc/a"),))
    (told,) = ask(survey, removed=("shelf",))
    assert (told.kind, told.subject) == ("obsolete", "/etc/a")
    assert "removes shelf" in told.why


def test_edits_in_an_old_versions_folder_are_losses() -> None:
    """php8.2 to php8.4 (Debian 12 to 13): the edited php.ini of 8.2 stays behind; where
    the new package is known to bring its own, that is sure."""
    row = ManagedFile("/etc/php/8.2/fpm/php.ini", "php8.2-fpm", "changed", digest(OLD))
    survey = make_survey("php8.2-fpm=8.2.1", system=SystemFacts(managed=(row,)))
    new = build_deb(
        "php8.4-fpm",
        "8.4.1",
        files={"/usr/lib/php/8.4/php.ini-production": NEW},
        scripts={
            "postinst": "#!/bin/sh\n"
            "ucf /usr/lib/php/8.4/php.ini-production /etc/php/8.4/fpm/php.ini\n"
        },
    )
    (told,) = ask(survey, new)
    assert (told.kind, told.subject, told.package, told.sure) == (
        "versioned",
        "/etc/php/8.2/fpm/php.ini",
        "php8.2-fpm",
        True,
    )
    assert "/etc/php/8.4/fpm/php.ini" in told.why
    (unread,) = ask(survey, more=["php8.4-fpm"])
    assert not unread.sure


def test_a_folder_written_on_the_server_is_named_as_a_whole() -> None:
    """postgresql-15 to 17: the cluster's configuration is no package's."""
    entries = (make_entry("/etc/postgresql/15/main/postgresql.conf"),)
    survey = make_survey("postgresql-15=15.9", entries=entries)
    (told,) = ask(survey, build_deb("postgresql-17", "17.2"))
    assert (told.kind, told.subject, told.sure) == ("versioned", "/etc/postgresql/15", False)


def test_an_older_or_the_same_version_follows_nothing() -> None:
    """Only a higher number in the name, and only one, makes a successor."""
    row = edited("/etc/php/8.2/a", package="php8.2-fpm")
    survey = make_survey("php8.2-fpm=8.2.1", conffiles=(row,))
    for other in ("php8.1-fpm", "php8.4-cgi", "php8.2-fpm"):
        assert ask(survey, more=[other]) == ()


@pytest.mark.parametrize(
    ("path", "version", "holds"),
    [
        ("/etc/php/8.2/fpm/php.ini", "8.2", True),
        ("/etc/python3.11/sitecustomize.py", "3.11", True),
        ("/etc/postgresql/15/main/a", "15", True),
        ("/etc/postgresql/115/main/a", "15", False),
        ("/etc/php/18.2/a", "8.2", False),
        ("/etc/php/8.2", "8.2", False),
        ("/etc/php/8.25/a", "8.2", False),
    ],
)
def test_versioned_folders_are_told_by_whole_numbers(path: str, version: str, holds: bool) -> None:
    """A number inside another one, or the file's own name, is no folder's version."""
    assert holds_version(path, version) is holds


# --- ucf


def managed(**more: str) -> CleanSurvey:
    whole = {"state": "changed", "recorded": digest(OLD), "disk": digest(OWN), **more}
    row = ManagedFile("/etc/ssh/sshd_config", "openssh-server", **whole)
    return make_survey("openssh-server=9.2", system=SystemFacts(managed=(row,)))


def server(postinst: str, **more: Any) -> bytes:
    scripts = {"postinst": f"#!/bin/sh\nset -e\n{postinst}\n"}
    return build_deb("openssh-server", "10.0", scripts=scripts, **more)


def test_a_template_that_the_script_writes_itself_may_bring_a_question() -> None:
    """openssh-server hands ucf a temporary file (observed: /tmp/tmp.pZRw68iks3)."""
    text = 'new="$(mktemp)"\nucf --three-way --debconf-ok "$new" /etc/ssh/sshd_config'
    (told,) = ask(managed(), server(text))
    assert (told.kind, told.sure) == ("ucf", False)
    assert "postinst itself" in told.why


def test_a_script_that_names_no_file_may_bring_a_question() -> None:
    """All names are variables: nothing tells which files it is about."""
    (told,) = ask(managed(), server('offer() { ucf "$1" "$2"; }\noffer $A $B'))
    assert (told.kind, told.sure) == ("ucf", False)


def test_a_file_that_ucf_is_not_asked_about_brings_no_question() -> None:
    """The new version's script does not call ucf at all: that is a loss of upkeep, and
    nothing to answer."""
    assert [t.kind for t in ask(managed(), server(":"))] == ["obsolete"]


def test_ucf_is_silent_when_the_environment_decides() -> None:
    """UCF_FORCE_CONFFOLD (ucf(1)) or a front end that shows nothing (debconf(7))."""
    package = server(
        "ucf /usr/share/sshd_config /etc/ssh/sshd_config", files={"/usr/share/sshd_config": NEW}
    )
    assert [t.sure for t in ask(managed(), package)] == [True]
    for environment in ({"UCF_FORCE_CONFFOLD": "1"}, {"DEBIAN_FRONTEND": "noninteractive"}):
        assert ask(managed(), package, environment=environment) == ()


def test_a_conffile_that_ucf_adopts_may_bring_a_question() -> None:
    """Without a record, ucf asks unless the file is in its list of earlier versions."""
    survey = make_survey("shelf=1.0", conffiles=(edited("/etc/a"),))
    call = "#!/bin/sh\nucf /usr/share/a /etc/a\n"

    def package(*earlier: bytes) -> bytes:
        sums = "".join(f"{digest(one)}  x\n" for one in earlier)
        files = {"/usr/share/a": NEW, "/usr/share/a.md5sum": sums.encode()}
        return build_deb("shelf", "2.0", files=files, scripts={"postinst": call})

    assert [(t.kind, t.sure) for t in ask(survey, package(OLD))] == [("ucf", False)]
    assert ask(survey, package(OLD, OWN)) == ()


# --- debconf


def questions(**seen: bool) -> SystemFacts:
    return SystemFacts(
        questions=tuple(Question(f"shelf/{n}", ("shelf",), "boolean", s) for n, s in seen.items())
    )


def asking(config: str, *, kind: str = "boolean", script: str = "config") -> bytes:
    templates = f"Template: shelf/a\nType: {kind}\nDescription: Is a wanted?\n"
    return build_deb(
        "shelf", "2.0", scripts={script: f"#!/bin/sh\n{config}\n"}, templates=templates
    )


def test_a_new_question_is_told_with_its_text_and_time() -> None:
    """From the config script before unpacking, from others later (debconf-devel(7))."""
    survey = make_survey("shelf=1.0", system=questions(other=True))
    (told,) = ask(survey, asking("db_input high shelf/a"))
    assert told.sure and told.kind == "debconf"
    assert "before unpacking" in told.why and "“Is a wanted?”" in told.why
    (late,) = ask(survey, asking("db_input high shelf/a", script="postinst"))
    assert "by its postinst" in late.why


def test_without_the_servers_database_no_question_is_sure() -> None:
    """What was seen is not known."""
    (told,) = ask(make_survey("shelf=1.0"), asking("db_input high shelf/a"))
    assert not told.sure


@pytest.mark.parametrize("kind", ["title", "text"])
def test_templates_that_ask_nothing_are_left_out(kind: str) -> None:
    """debconf-devel(7): these types are for texts and titles."""
    survey = make_survey("shelf=1.0", system=questions(other=True))
    assert ask(survey, asking("db_input high shelf/a", kind=kind)) == ()


def test_an_error_that_may_never_come_is_not_foretold() -> None:
    """A message of type error under a condition is what failed, not what will be asked."""
    survey = make_survey("shelf=1.0", system=questions(other=True))
    text = "if ! start; then db_input critical shelf/a; fi"
    assert ask(survey, asking(text, kind="error")) == ()
    assert [t.sure for t in ask(survey, asking(text))] == [False]


def test_a_subject_is_told_once_and_the_sure_line_wins() -> None:
    """Two scripts put the same question, one of them under a condition."""
    survey = make_survey("shelf=1.0", system=questions(other=True))
    text = "if [ -e /x ]; then db_input high shelf/a; fi\ndb_input high shelf/a"
    assert [t.sure for t in ask(survey, asking(text))] == [True]


def test_a_file_that_another_package_takes_over_is_asked_about_and_not_lost() -> None:
    """The old owner's script takes away only what its package still owns, dpkg-maintscript-
    helper(1): with the file in another new package the question is likely and not sure."""
    remove = 'dpkg-maintscript-helper rm_conffile /etc/a 2.0~ shelf -- "$@"\n'
    old = build_deb("shelf", "2.0", scripts={"preinst": f"#!/bin/sh\n{remove}"})
    taker = build_deb("shelf-settings", "2.0", files={"/etc/a": NEW}, conffiles=["/etc/a"])
    survey = make_survey("shelf=1.0", conffiles=(edited("/etc/a"),))
    (told,) = ask(survey, old, taker)
    assert (told.kind, told.package, told.sure) == ("conffile", "shelf-settings", False)
    assert "shelf runs first" in told.why
    (lost,) = ask(survey, old)
    assert (lost.kind, lost.subject) == ("obsolete", "/etc/a")
