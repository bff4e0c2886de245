"""The answer to a joined test, and what a question does when it cannot be answered."""

from __future__ import annotations

import hypothesis.strategies as st
import pytest
from hypothesis import given
from tests.practice.known_host import Host, build, make_run

from forerun.distro.debian import Debian, compare_versions
from forerun.model import known_change as known
from forerun.model.survey import Package, Withheld
from forerun.model.system import Interface
from forerun.stages.findings import ask
from forerun.stages.findings_facts import (
    MOST_CLUES,
    Answer,
    Clue,
    Facts,
    Holds,
    answer,
    join_all,
    join_any,
    turn,
)
from forerun.stages.findings_tests import MOST_SEARCHED

YES, NO, OPEN = Holds.YES, Holds.NO, Holds.NOT_KNOWN
ANSWERS = st.sampled_from(
    [Answer(YES, (Clue("line"),)), Answer(NO), Answer(OPEN, why=("unreadable",))]
)
RANK = {NO: 0, OPEN: 1, YES: 2}


def gather(host: Host, *, gone: bool = False) -> Facts:
    survey, files = build(host)
    texts = None if gone else {path: text.decode() for path, text in files.items()}
    unread = {row.path: row.reason for row in survey.not_readable}
    return Facts(survey, texts, compare_versions, Debian().scope().roots, host.run, unread)


@given(st.lists(ANSWERS, min_size=1, max_size=6))
def test_joined_as_kleene_joins(answers: list[Answer]) -> None:
    """All of is the least and any of the greatest in the order no, not known, yes: the
    strong tables of S. C. Kleene, Introduction to Metamathematics (1952), section 64."""
    ranks = [RANK[one.holds] for one in answers]
    assert RANK[join_all(answers).holds] == min(ranks)
    assert RANK[join_any(answers).holds] == max(ranks)


@given(st.lists(ANSWERS, min_size=1, max_size=6))
def test_turning_exchanges_all_and_any(answers: list[Answer]) -> None:
    """De Morgan's law holds for them too, and turning twice changes no answer."""
    turned = [turn(one) for one in answers]
    assert turn(join_all(answers)).holds is join_any(turned).holds
    assert [turn(one).holds for one in turned] == [one.holds for one in answers]


@given(st.lists(ANSWERS, max_size=6))
def test_an_open_answer_says_why_and_no_other_does(answers: list[Answer]) -> None:
    """Reasons stand with "not known" alone."""
    for one in (join_all(answers), join_any(answers)):
        assert bool(one.why) is (one.holds is OPEN)


QUESTIONS: st.SearchStrategy[known.Test] = st.sampled_from(
    [
        known.PackageIs("openssh-server"),
        known.PackageIs("*", below="0"),
        known.FileHas(("/home/*/.profile",), "x"),
        known.FileHas(("/etc/ssh/*",), "UsePAM"),
        known.UnitIs("*", "failed"),
        known.CheckEnded("*", "broke"),
        known.Unseen("nobody looked"),
    ]
)


def join_tests(below: st.SearchStrategy[known.Test]) -> st.SearchStrategy[known.Test]:
    several = st.lists(below, min_size=1, max_size=4).map(tuple)
    return (
        st.builds(known.AllOf, several)
        | st.builds(known.AnyOf, several)
        | st.builds(known.Not, below)
    )


TESTS: st.SearchStrategy[known.Test] = st.recursive(QUESTIONS, join_tests, max_leaves=12)
FACTS = gather(Host())


@given(TESTS)
def test_any_test_has_one_of_three_answers(test: known.Test) -> None:
    """Whatever is joined: an answer, the same one each time, bounded in its evidence; and
    learning more (a run in which nothing happened) turns no yes and no no round."""
    first = ask(test, FACTS)
    assert first == ask(test, FACTS)
    assert len(first.clues) <= 4 * 12 * (MOST_CLUES + 1)
    later = ask(test, gather(Host(run=make_run())))
    assert first.holds is OPEN or later.holds is first.holds


def test_evidence_is_cut() -> None:
    """A pattern that matches every line of a file does not fill a report."""
    found = answer(Clue(f"line {number}") for number in range(1000))
    assert len(found.clues) == MOST_CLUES + 1
    assert found.clues[-1].line == f"and {1000 - MOST_CLUES} more"


def test_a_withheld_file_leaves_the_question_open() -> None:
    """Its reason is told; another file that answers it does all the same."""
    test = known.FileHas(("/etc/ssh/sshd_config.d/*",), "ssh-dss")
    held = [Withheld("/etc/ssh/sshd_config.d/own.conf", "a private key")]
    found = ask(test, gather(Host(withheld=held)))
    assert found == Answer(OPEN, why=("/etc/ssh/sshd_config.d/own.conf: a private key",))
    there = Host(withheld=held, files={"/etc/ssh/sshd_config.d/old.conf": "HostKeys ssh-dss\n"})
    assert ask(test, gather(there)).holds is YES


def test_a_copy_that_is_gone_leaves_questions_of_lines_open() -> None:
    """Not those of whether a file exists, which the survey itself knows."""
    facts = gather(Host(), gone=True)
    assert ask(known.FileHas(("/etc/crontab",), "root"), facts).holds is OPEN
    assert ask(known.FileHas(("/etc/crontab",)), facts).holds is YES
    assert ask(known.FileHas(("/etc/nothing",), "root"), facts).holds is NO


def test_places_no_survey_reads_are_said() -> None:
    """A home is never copied, so that nothing there can be a no."""
    found = ask(known.FileHas(("/home/*/.ssh/authorized_keys",), "ssh-dss"), gather(Host()))
    assert found.why == ("/home/*/.ssh/authorized_keys: no survey reads there",)


@pytest.mark.parametrize(
    ("test", "reading"),
    [
        (known.UnitIs("*", "failed"), "units"),
        (known.SourceIs(suite_like="x"), "sources"),
        (known.MountIs("/boot", listed=True), "mounts"),
        (known.SettingIs("vm.none"), "settings"),
        (known.PinIs("x"), "system"),
        (known.DiversionIs("x"), "system"),
        (known.ModuleIs("*"), "system"),
        (known.PinIs("x"), "files"),
        (known.LinkLeads("/etc/localtime", "US/"), "/etc/localtime"),
        (known.KeyFileIs(r"\.gpg$"), "archive-keys"),
        (known.BlockIs(kind_like="crypt"), "disks"),
        (known.PackageIs("*", offered=False), "archives"),
        (known.PackageIs("*", outdated=True), "archives"),
    ],
)
def test_a_reading_that_failed_is_no_no(test: known.Test, reading: str) -> None:
    """What the server did not answer is not known, with its reason."""
    assert ask(test, gather(Host())).holds is NO
    parts = {"not_readable": (Withheld(reading, "it did not answer"),)}
    found = ask(test, gather(Host(parts=parts)))
    assert found == Answer(OPEN, why=(f"{reading}: it did not answer",))


def test_without_an_index_no_package_is_a_stray() -> None:
    """A server that has no package index offers nothing at all: nobody can say which of its
    packages is local."""
    parts = {"not_readable": (Withheld("archives", "no package index"),)}
    host = Host(packages=[Package("agent", "1", "all")], parts=parts)
    assert ask(known.PackageIs("*", offered=False), gather(host)).holds is OPEN


def test_comments_count_only_where_asked() -> None:
    """A line that begins with # or ; says nothing, but for the first line of a script."""
    host = Host(files={"/usr/local/bin/a": "#!/usr/bin/python3.11\n; python3.11\n"})
    paths = ("/usr/local/bin/a",)
    assert ask(known.FileHas(paths, r"python3\.11"), gather(host)).holds is NO
    found = ask(known.FileHas(paths, r"python3\.11", comments=True), gather(host))
    assert [clue.line for clue in found.clues] == [
        "/usr/local/bin/a:1: #!/usr/bin/python3.11",
        "/usr/local/bin/a:2: ; python3.11",
    ]


def test_a_line_without_end_is_not_searched_to_it() -> None:
    """What stands behind the limit is not known; what stands before it is found."""
    paths, pattern = ("/etc/long",), "ssh-dss"
    behind = Host(files={"/etc/long": "x" * MOST_SEARCHED + " ssh-dss\n"})
    found = ask(known.FileHas(paths, pattern), gather(behind))
    assert found == Answer(OPEN, why=("/etc/long:1: longer than 10000 letters",))
    before = Host(files={"/etc/long": "ssh-dss " + "x" * MOST_SEARCHED + "\n"})
    (clue,) = ask(known.FileHas(paths, pattern), gather(before)).clues
    assert len(clue.line) < 250


def test_an_interface_whose_names_are_not_known() -> None:
    """Without udev's words nobody can say what named it; one without hardware is not asked."""
    test = known.InterfaceIs(named_by="slot")
    bare = Interface("ens3", "52:54:00:00:00:01", "e1000e", "pci")
    found = ask(test, gather(Host(system={"interfaces": (bare,)})))
    assert found == Answer(OPEN, why=("interface ens3: what named it is not known",))
    bridge = Interface("br0", "52:54:00:00:00:01")
    assert ask(test, gather(Host(system={"interfaces": (bridge,)}))).holds is NO
