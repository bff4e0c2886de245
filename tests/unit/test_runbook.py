"""The runbook: the procedure that was rehearsed, whole, in order and unbroken.

Structure is read by markdown-it, a general parser of Markdown (CommonMark with GFM tables).
"""

from __future__ import annotations

import dataclasses
import re
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from markdown_it import MarkdownIt
from markdown_it.token import Token
from pydantic import TypeAdapter

from forerun.model.observation import Outcome, PromptMet, RunRecord, StepEnd, StepRecord
from forerun.model.profile import (
    Action,
    Check,
    OnFailure,
    Procedure,
    Profile,
    PromptRule,
    ServiceProbe,
    Site,
    Step,
)
from forerun.profiles import find_profile, load_profile, load_site
from forerun.report.figures import say_seconds
from forerun.report.objections import CAUTIONS
from forerun.report.runbook import write_runbook
from forerun.report.sections import Outlook
from forerun.report_files import write_reports
from forerun.stages.actions import BACKUP_PATHS, REQUIRED_MEMBERS

TESTS = Path(__file__).parents[1]
HOSTILE = (
    "<script>alert(1)</script> ![i](http://198.51.100.9/x.png) [l](http://198.51.100.9/) `c` **b** "
    "| x \x1b[31mred\x1b[0m \u202eright\u202c \x00 ```\n```\n# heading\n1. one\n- item\n<!-- c -->"
)


@pytest.fixture(scope="module")
def shelf01() -> RunRecord:
    """A completed run with trouble, of an invented organisation's server."""
    data = TESTS / "data" / "run-record-shelf01.json"
    return TypeAdapter(RunRecord).validate_json(data.read_bytes())


@pytest.fixture(scope="module")
def profile() -> Profile:
    """The shipped profile."""
    return load_profile(find_profile("debian-12-to-13"))


@pytest.fixture(scope="module")
def site() -> Site:
    """The demonstration's site file."""
    return load_site(TESTS.parent / "demo" / "site.yaml")


@pytest.fixture
def run(shelf01: RunRecord, profile: Profile, site: Site) -> RunRecord:
    return make_run(shelf01, profile, site)


def make_run(base: RunRecord, profile: Profile, site: Site, **other: Any) -> RunRecord:
    """`base` as a run of `profile` and `site`, every step done, the n-th in 60 + n s."""
    fields: dict[str, Any] = {
        "profile_digest": profile.digest,
        "site_digest": site.digest,
        "steps": tuple(make_step(step, 60.0 + n) for n, step in enumerate(profile.steps, 1)),
        "prompts": (),
        **other,
    }
    return dataclasses.replace(base, **fields)


def make_step(step: Step, wall_s: float, **other: Any) -> StepRecord:
    fields: dict[str, Any] = {"end": StepEnd.DONE, "exit_code": 0, "message": "", **other}
    return StepRecord(
        step.name, step.title, step.stage.value, step.action.value, 0.0, wall_s, -1, -1, **fields
    )


def make_prompt(step: str, **other: Any) -> PromptMet:
    fields: dict[str, Any] = {
        "text": "*** daemon.conf (Y/I/N/O/D/Z) [default=N] ?",
        "process": "dpkg",
        "declared": True,
        "rule": "dpkg-conffile",
        "answer": "N",
        "answered_by": "profile",
        "why": "Keep the edited file.",
        **other,
    }
    return PromptMet(step=step, at_s=1.0, waited_s=2.0, **fields)


def only(profile: Profile, **step: Any) -> Profile:
    """The profile with one step that runs commands, changed as said, and no check."""
    chosen = next(s for s in profile.steps if s.action is Action.COMMANDS)
    return dataclasses.replace(profile, steps=(dataclasses.replace(chosen, **step),), checks=())


# --- reading the sheet


def parse(text: str) -> list[Token]:
    return MarkdownIt("commonmark").enable(["table", "strikethrough"]).parse(text)


def plain(token: Token) -> str:
    """What a reader sees of an inline token."""
    return "".join(
        "\n" if child.type == "softbreak" else child.content for child in token.children or ()
    )


@dataclass
class Section:
    """What stands under one heading, down to the next."""

    level: str
    title: str
    tokens: list[Token]

    @property
    def text(self) -> str:
        return "\n".join(plain(t) for t in self.tokens if t.type == "inline")

    @property
    def blocks(self) -> list[Token]:
        return [t for t in self.tokens if t.type == "fence"]

    def rows(self) -> list[list[str]]:
        rows: list[list[str]] = []
        for before, token in pairwise(self.tokens):
            if before.type == "tr_open":
                rows.append([])
            if before.type in ("th_open", "td_open"):
                rows[-1].append(plain(token))
        return rows


def read_sections(text: str) -> list[Section]:
    sections: list[Section] = []
    tokens = iter(parse(text))
    for token in tokens:
        if token.type == "heading_open":
            sections.append(Section(token.tag, plain(next(tokens)), []))
            next(tokens)
        else:
            sections[-1].tokens.append(token)
    return sections


def read_steps(text: str) -> dict[int, Section]:
    """The sections of the steps by their number."""
    found = [
        section
        for section in read_sections(text)
        if section.level == "h3" and section.title.startswith("Step ")
    ]
    return {int(section.title.split()[1]): section for section in found}


def find_section(text: str, title: str) -> Section:
    (found,) = [section for section in read_sections(text) if section.title == title]
    return found


def words_of(text: str) -> str:
    """As one line: how the sheet shows a text that may be folded in its source."""
    return " ".join(text.split())


# --- the whole


def test_every_step_stands_in_order_with_its_exact_script(
    run: RunRecord, profile: Profile, site: Site
) -> None:
    """All steps of the shipped profile, under their stages, each script to the letter
    (reference: markdown-it, CommonMark 0.31.2, 4.5 fenced code blocks)."""
    sections = read_sections(write_runbook(profile, site, run))
    total = len(profile.steps)
    assert [s.title for s in sections if s.title.startswith("Step ")] == [
        f"Step {n} of {total}: {step.title}" for n, step in enumerate(profile.steps, 1)
    ]
    stage = ""
    steps = iter(profile.steps)
    for section in sections:
        if section.title.startswith("Stage: "):
            stage = section.title.removeprefix("Stage: ")
        if section.title.startswith("Step "):
            step = next(steps)
            assert stage == step.stage.value
            scripts = [block.content for block in section.blocks if block.info == "bash"]
            if step.action is Action.COMMANDS:
                assert scripts == [step.script]
            else:
                assert bool(scripts) is (step.action not in (Action.CHECKS, Action.REBOOT))
    assert sum(step.action is Action.COMMANDS for step in profile.steps) > 10


def test_the_sections_have_their_order(run: RunRecord, profile: Profile, site: Site) -> None:
    """What must be known first stands first; what is for others stands last."""
    sections = read_sections(write_runbook(profile, site, run))
    assert [s.title for s in sections if s.level != "h3"] == [
        f"Runbook: {profile.title}, shelf01.records.example",
        "Cautions",
        "Roles and contacts",
        "Preconditions",
        "The night by the clock",
        "Steps",
        "Services watched",
        "Units that rest",
        "The second way in",
        "How the scripts were run",
        "Stage: prepare",
        "Stage: window",
        "Stage: confirm",
        "Stage: tidy",
        "If something goes wrong",
        "Ways back",
        "Checks",
        "What may be left till morning",
        "Texts for users",
        "Papers for change control",
    ]


def test_the_head_says_what_it_was_made_from(run: RunRecord, profile: Profile, site: Site) -> None:
    """Run, date, both digests whole, releases, window and outcome."""
    head = read_sections(write_runbook(profile, site, run))[0].text
    assert len(profile.digest) == 64
    for text in (run.id, run.started_at, profile.name, profile.digest, site.digest):
        assert text in head
    assert "Release before: Debian 12.11. After: Debian 13.1." in head
    assert "1 h 30 min 00 s" in head
    assert "Outcome of that run: Completed with trouble" in head


def test_the_cautions_are_the_reports_and_more(
    run: RunRecord, profile: Profile, site: Site
) -> None:
    """Evidence, no proof; the lab host's times, no estimate; change control and staff."""
    text = find_section(write_runbook(profile, site, run), "Cautions").text
    for caution in CAUTIONS:
        assert caution in text
    assert "The times are those of the lab host in that run (accelerator emulation)" in text
    assert "No estimate for production has been made" in text
    assert "Authorised staff decide" in text


@pytest.mark.parametrize("which", ["profile", "site"])
def test_another_file_than_the_one_run_is_refused(
    run: RunRecord, profile: Profile, site: Site, which: str
) -> None:
    """A changed profile or site file gives no runbook: nobody rehearsed it."""
    if which == "profile":
        profile = dataclasses.replace(profile, digest="0" * 64)
    else:
        site = dataclasses.replace(site, digest="0" * 64)
    with pytest.raises(ValueError, match=f"not the {which}.*{run.id}.*0000"):
        write_runbook(profile, site, run)


def test_it_lies_beside_the_reports(
    run: RunRecord, profile: Profile, site: Site, tmp_path: Path
) -> None:
    """One call draws the reports and the runbook into the run's folder."""
    write_reports(run, tmp_path, (), Procedure(profile, site), Outlook())
    names = {path.name for path in tmp_path.iterdir()}
    assert names == {"report.html", "report.md", "report.json", "runbook.md", "runbook.html"}
    text = (tmp_path / "runbook.md").read_text(encoding="utf-8")
    assert text == write_runbook(profile, site, run)


# --- tables


def test_the_contents_list_every_step(run: RunRecord, profile: Profile, site: Site) -> None:
    """Number, stage, title, time allowed, time taken and marks, one row a step."""
    head, *rows = find_section(write_runbook(profile, site, run), "Steps").rows()
    assert head == ["No.", "Stage", "Step", "Time allowed", "In the rehearsal", "Marks"]
    marks = {
        (False, False): "",
        (True, False): "hold point",
        (False, True): "point of no return",
        (True, True): "hold point, point of no return",
    }
    assert rows == [
        [
            str(n),
            step.stage.value,
            step.title,
            say_seconds(step.time_allowed_s),
            say_seconds(60.0 + n),
            marks[step.hold_point, step.point_of_no_return],
        ]
        for n, step in enumerate(profile.steps, 1)
    ]
    assert {row[-1] for row in rows} >= {"", "hold point", "hold point, point of no return"}


def test_services_show_what_their_owner_tolerates(
    run: RunRecord, profile: Profile, site: Site
) -> None:
    """Each watched service with its limit; one without a limit says so."""
    free = ServiceProbe("free", 8080, "tcp")
    site = dataclasses.replace(site, services=(*site.services, free))
    rows = find_section(write_runbook(profile, site, run), "Services watched").rows()[1:]
    assert [(row[0], row[3]) for row in rows] == [
        ("web-listing", "30 min 00 s"),
        ("file-sync", "1 h 00 min 00 s"),
        ("ssh-logins", "10 min 00 s"),
        ("free", "not set by its owner"),
    ]


def test_units_that_rest_come_from_both_files(run: RunRecord, profile: Profile, site: Site) -> None:
    """The profile's units and then the site's, each with who named it."""
    rows = find_section(write_runbook(profile, site, run), "Units that rest").rows()[1:]
    assert rows == [
        *([unit, "profile"] for unit in profile.rest_units),
        *([unit, "site file"] for unit in site.rest_units),
    ]
    assert ["cron.service", "site file"] in rows


def test_the_checks_close_the_sheet(run: RunRecord, profile: Profile, site: Site) -> None:
    """Every check of both files: title, moment, weight and advice."""
    rows = find_section(write_runbook(profile, site, run), "Checks").rows()[1:]
    moments = {
        (True, True): "before and after",
        (True, False): "before",
        (False, True): "after",
    }
    assert rows == [
        [c.name, c.title, moments[c.before, c.after], c.severity, words_of(c.advice) or "none"]
        for c in (*profile.checks, *site.checks)
    ]
    assert {row[2] for row in rows} == set(moments.values())


def test_the_circumstances_of_the_scripts_are_told(
    run: RunRecord, profile: Profile, site: Site
) -> None:
    """The variables under which the questions were asked, ready for a shell."""
    section = find_section(write_runbook(profile, site, run), "How the scripts were run")
    (block,) = section.blocks
    for name, value in profile.environment:
        assert f"export {name}={value}\n" in block.content
    assert "bash -eu" in section.text


# --- before a step


def test_gates_stand_right_before_their_steps(run: RunRecord, profile: Profile, site: Site) -> None:
    """A hold point and the point of no return are read before the step's own heading and
    after the step before it, the hold first; no other step has such a line."""
    text = write_runbook(profile, site, run)
    total = len(profile.steps)
    found = []
    for n, step in enumerate(profile.steps, 1):
        begin = text.index(f"\n### Step {n - 1} of {total}:") if n > 1 else 0
        between = text[begin : text.index(f"\n### Step {n} of {total}:")]
        hold = between.rfind(f"**HOLD: two people agree to go on** with step {n},")
        mark = between.rfind("**POINT OF NO RETURN: after this only a restore leads back.**")
        assert (hold >= 0) is step.hold_point
        assert (mark >= 0) is step.point_of_no_return
        if step.point_of_no_return:
            assert hold < mark
            assert f"Two people call it aloud before step {n}," in between
            found.append(step.name)
    assert found == ["minimal-upgrade"]
    holds = sum(step.hold_point for step in profile.steps)
    assert text.count("**HOLD: ") == holds
    assert holds == 3


# --- a step


def test_a_step_says_what_to_expect_and_what_to_do_else(
    run: RunRecord, profile: Profile, site: Site
) -> None:
    """Expected result, exit code, times, the rule for a failure, back-out and source; from
    the point of no return on, that only a restore leads back."""
    sections = read_steps(write_runbook(profile, site, run))
    behind = False
    for n, step in enumerate(profile.steps, 1):
        text = sections[n].text
        assert f"Expected: {words_of(step.expected)}" in text
        assert ("Exit code wanted: 0." in text) is (step.action is Action.COMMANDS)
        assert f"Time allowed: {say_seconds(step.time_allowed_s)}." in text
        assert f"In the rehearsal: {say_seconds(60.0 + n)}, done." in text
        stops = step.on_failure is OnFailure.STOP
        assert ("Stop the procedure." in text) is stops
        assert ("go on with the next step" in text) is not stops
        assert f"Back-out: {words_of(step.back_out) or 'The profile names none.'}" in text
        assert f"Source: {step.cites}. Name in the profile: {step.name}." in text
        behind = behind or step.point_of_no_return
        assert ("The point of no return is passed" in text) is behind
        assert "[ ] Begun at" in text
    assert behind


def test_other_exit_codes_are_named(shelf01: RunRecord, profile: Profile) -> None:
    """A step that may end in several ways names them all."""
    given = only(profile, exits=(0, 100))
    text = write_runbook(given, Site(), make_run(shelf01, given, Site()))
    assert "Exit code wanted: 0, 100." in read_steps(text)[1].text


def test_a_step_that_was_not_reached_says_so(
    shelf01: RunRecord, profile: Profile, site: Site
) -> None:
    """A run that failed at step 5: the rest has no time, in the table and in the sections,
    and the head says that the procedure is not known to work."""
    steps = [make_step(step, 60.0) for step in profile.steps[:4]]
    bad = make_step(
        profile.steps[4],
        7.0,
        end=StepEnd.FAILED,
        exit_code=1,
        message="exit code 1",
        last_lines=("still held: nano",),
    )
    run = make_run(
        shelf01,
        profile,
        site,
        steps=(*steps, bad),
        outcome=Outcome.FAILED,
        why="release-holds failed",
        release_after="",
    )
    text = write_runbook(profile, site, run)
    column = [row[4] for row in find_section(text, "Steps").rows()[1:]]
    missing = len(profile.steps) - 5
    assert column == ["1 min 00 s"] * 4 + ["7.0 s, failed"] + ["not reached"] * missing
    sections = read_steps(text)
    for n, section in sections.items():
        assert ("In the rehearsal: not reached." in section.text) is (n > 5)
    assert "In the rehearsal: 7.0 s, failed (exit code 1)." in sections[5].text
    assert [b.content for b in sections[5].blocks if b.info == "text"] == ["still held: nano\n"]
    head = read_sections(text)[0].text
    assert f"{missing} steps were not reached: 6, 7," in head
    assert "The run did not complete" in head
    assert "After: not reached; the profile leads to debian 13 (trixie)." in head
    assert "Outcome of that run: Failed at step 5" in head


@pytest.mark.parametrize(
    ("end", "words"),
    [
        (StepEnd.OVERRAN, "ran over the time allowed"),
        (StepEnd.STOPPED, "stopped"),
        (StepEnd.UNREACHABLE, "the clone could not be reached any more"),
        (StepEnd.SKIPPED, "skipped"),
    ],
)
def test_every_way_to_end_has_its_words(
    shelf01: RunRecord, profile: Profile, end: StepEnd, words: str
) -> None:
    """How the step ended stands beside its time, in the table and in its section."""
    given = only(profile)
    steps = (make_step(given.steps[0], 30.0, end=end),)
    text = write_runbook(given, Site(), make_run(shelf01, given, Site(), steps=steps))
    assert find_section(text, "Steps").rows()[1][4] == f"30 s, {words}"
    assert f"In the rehearsal: 30 s, {words}." in read_steps(text)[1].text


# --- built-in actions


def find_numbers(profile: Profile, action: Action) -> Iterator[int]:
    return (n for n, step in enumerate(profile.steps, 1) if step.action is action)


def test_checks_of_a_step_are_named_one_by_one(
    run: RunRecord, profile: Profile, site: Site
) -> None:
    """The step lists the checks of its moment from both files, and no other."""
    sections = read_steps(write_runbook(profile, site, run))
    seen = set()
    for n in find_numbers(profile, Action.CHECKS):
        moment = profile.steps[n - 1].checks
        seen.add(moment)
        listed = re.findall(r"^\[ \] (.+)$", sections[n].text, re.MULTILINE)[1:]
        assert listed == [
            f"{c.name}: {c.title} ({c.severity})"
            for c in (*profile.checks, *site.checks)
            if (c.before if moment == "before" else c.after)
        ]
    assert seen == {"before", "after"}


@pytest.mark.parametrize("action", [Action.QUIESCE, Action.RESUME])
def test_units_are_named_where_they_stop_and_start(
    run: RunRecord, profile: Profile, site: Site, action: Action
) -> None:
    """Every unit that rests has its own box to tick, in the rehearsal's order."""
    sections = read_steps(write_runbook(profile, site, run))
    (n,) = find_numbers(profile, action)
    boxes = re.findall(r"^\[ \] (.+)$", sections[n].text, re.MULTILINE)[1:]
    assert boxes == [*profile.rest_units, *site.rest_units]


def test_the_configuration_to_keep_is_what_a_rehearsal_keeps(
    run: RunRecord, profile: Profile, site: Site
) -> None:
    """Every path that is taken, and every member looked for, is named (source: the
    action's own constants)."""
    sections = read_steps(write_runbook(profile, site, run))
    (n,) = find_numbers(profile, Action.KEEP_CONFIGURATION)
    first, _, _ = sections[n].text.partition("Expected:")
    for path in BACKUP_PATHS:
        assert f"/{path}" in first
    take, verify = (block.content for block in sections[n].blocks if block.info == "bash")
    for path in BACKUP_PATHS:
        assert path in take
    for member in REQUIRED_MEMBERS:
        assert member in verify
    assert "dpkg --get-selections '*'" in take


def test_what_rests_is_noted_and_only_that_is_started_again(
    run: RunRecord, profile: Profile, site: Site
) -> None:
    """Both steps name the same list, which outlives the restart."""
    sections = read_steps(write_runbook(profile, site, run))
    (stop,) = find_numbers(profile, Action.QUIESCE)
    (start,) = find_numbers(profile, Action.RESUME)
    stopped = sections[stop].blocks[0].content
    for unit in (*profile.rest_units, *site.rest_units):
        assert unit in stopped
    (noted,) = set(re.findall(r">> (\S+);", stopped))
    assert noted.startswith("/root/") and noted in sections[start].blocks[0].content


@pytest.mark.tools
def test_what_is_typed_is_a_script(run: RunRecord, profile: Profile, site: Site) -> None:
    """bash(1), -n: every block to be typed can be read as one."""
    if not shutil.which("bash"):
        pytest.skip("bash is not installed on this lab host")
    scripts = [
        block.content
        for section in read_steps(write_runbook(profile, site, run)).values()
        for block in section.blocks
        if block.info == "bash"
    ]
    assert len(scripts) > 15
    for script in scripts:
        done = subprocess.run(
            ["bash", "-n"], input=script.encode(), capture_output=True, check=False
        )
        assert (done.returncode, done.stderr) == (0, b""), script


def test_switching_the_sources_is_told_in_full(
    run: RunRecord, profile: Profile, site: Site
) -> None:
    """Keyring, every key and every suite's new name; what the clone got is shown too."""
    written = ("Types: deb", "Suites: trixie")
    steps = tuple(dataclasses.replace(s, last_lines=written, message="written") for s in run.steps)
    sections = read_steps(write_runbook(profile, site, dataclasses.replace(run, steps=steps)))
    (n,) = find_numbers(profile, Action.SWITCH_SOURCES)
    text = sections[n].text
    assert profile.sources.keyring in text
    for key in profile.sources.fingerprints:
        assert key in text
    for old, new in profile.sources.suites:
        assert f"{old} becomes {new}" in text
    looked, typed, shown = sections[n].blocks
    assert (looked.info, typed.info, shown.info) == ("bash", "bash", "text")
    assert profile.sources.keyring in looked.content
    assert "mv " not in looked.content and "before-upgrade" in typed.content
    assert shown.content == "Types: deb\nSuites: trixie\n"


def test_plan_and_restart_are_told_in_words(run: RunRecord, profile: Profile, site: Site) -> None:
    """The dry run names its command; the restart names when the server is back."""
    sections = read_steps(write_runbook(profile, site, run))
    (plan,) = find_numbers(profile, Action.SIMULATE)
    (restart,) = find_numbers(profile, Action.REBOOT)
    assert sections[plan].blocks[0].content == "apt-get -s -q dist-upgrade\n"
    assert "(web-listing, file-sync, ssh-logins)" in sections[restart].text


# --- questions


def test_questions_stand_in_their_step_with_the_agreed_answer(
    run: RunRecord, profile: Profile, site: Site
) -> None:
    """Text, answer, rule, whose rule it is and why, in the order met, in no other step."""
    text = "Geographic area:"
    prompts = (
        make_prompt("full-upgrade"),
        make_prompt("full-upgrade", text=text, rule="time", answered_by="site", answer="Etc"),
        make_prompt("full-upgrade", rule="restart-services", answer="", why="None here."),
        make_prompt("autoremove", rule="pager", answer="q"),
    )
    rule = PromptRule("time", "Geographic area", "Etc", "why")
    site = dataclasses.replace(site, prompts=(rule,))
    run = dataclasses.replace(run, prompts=prompts)
    sections = {
        profile.steps[n - 1].name: section
        for n, section in read_steps(write_runbook(profile, site, run)).items()
    }
    full = sections["full-upgrade"]
    asked = [b.content for b in full.blocks if b.info == "text"]
    assert asked == [f"{prompts[0].text}\n", f"{text}\n", f"{prompts[2].text}\n"]
    assert re.findall(r"^Agreed answer: (.+)$", full.text, re.MULTILINE) == [
        "N, then Enter. Rule dpkg-conffile of the profile. Why: Keep the edited file.",
        "Etc, then Enter. Rule time of the site file. Why: Keep the edited file.",
        "Enter alone. Rule restart-services of the profile. Why: None here.",
    ]
    assert "Agreed answer: q, typed without Enter. Rule pager" in sections["autoremove"].text
    assert "Questions in the rehearsal: none." in sections["package-audit"].text
    assert sum("Agreed answer" in section.text for section in sections.values()) == 2


@pytest.mark.parametrize(
    ("by", "answer", "words"),
    [
        ("policy", "", "In the rehearsal it was answered by policy: Enter alone."),
        ("person", "keep", "In the rehearsal it was answered by a person: keep."),
        ("nobody", "", "In the rehearsal nobody answered it, and the run stopped."),
    ],
)
def test_an_undeclared_question_is_marked(
    run: RunRecord, profile: Profile, site: Site, by: str, answer: str, words: str
) -> None:
    """What nobody declared has no agreed answer, says how the rehearsal got past it, and
    is counted in the head."""
    asked = make_prompt("full-upgrade", declared=False, rule="", answer=answer, answered_by=by)
    run = dataclasses.replace(run, prompts=(asked, make_prompt("full-upgrade")))
    text = write_runbook(profile, site, run)
    (number,) = (n for n, s in enumerate(profile.steps, 1) if s.name == "full-upgrade")
    section = read_steps(text)[number].text
    assert section.count("UNDECLARED: there is no agreed answer.") == 1
    assert words in section
    assert section.count("Agreed answer: ") == 1
    head = read_sections(text)[0].text
    assert f"Step {number} met 1 question without a good answer." in head


def test_a_question_that_came_back_is_not_called_settled(
    run: RunRecord, profile: Profile, site: Site
) -> None:
    """A declared question asked again for ever shows no agreed answer."""
    asked = make_prompt("full-upgrade", answer="", answered_by="nobody")
    text = write_runbook(profile, site, dataclasses.replace(run, prompts=(asked,)))
    assert "NOT SETTLED" in text
    assert "Agreed answer" not in text


def test_keys_that_cannot_be_seen_are_shown_as_escapes(run: RunRecord, profile: Profile) -> None:
    """An answer of control characters is taken from its rule and spelt out."""
    rule = PromptRule("menu", "x", "\x1b[B\t", "why", raw=True)
    site = Site(prompts=(rule,))
    asked = make_prompt("full-upgrade", rule="menu", answered_by="site", answer="\x1b[B\t")
    run = dataclasses.replace(run, prompts=(asked,), site_digest="")
    found = MarkdownIt("commonmark").render(write_runbook(profile, site, run))
    assert r"<strong>\x1b[B\t</strong>, typed without Enter" in found


# --- unbroken


@given(script=st.text(alphabet="`~\n\t #-|a1.<>", min_size=1))
@settings(max_examples=100, deadline=None)
def test_no_script_leaves_its_block(shelf01: RunRecord, profile: Profile, script: str) -> None:
    """Whatever backticks, tildes and line ends it holds, a script is read back to the letter
    (reference: markdown-it, CommonMark 0.31.2, 4.5 fenced code blocks: a fence closes by at
    least as many marks as opened it)."""
    given_profile = only(profile, script=script)
    text = write_runbook(given_profile, Site(), make_run(shelf01, given_profile, Site()))
    block = read_steps(text)[1].blocks[0]
    assert block.content == (script if script.endswith("\n") else f"{script}\n")
    assert read_sections(text)[-1].title == "Record afterwards"


def test_a_script_with_a_fence_stays_one_block(shelf01: RunRecord, profile: Profile) -> None:
    """A script that writes Markdown itself cannot end its own block."""
    script = "cat > /root/note <<'END'\n````\n```sh\n# out\n```\nEND\n"
    given_profile = only(profile, script=script)
    text = write_runbook(given_profile, Site(), make_run(shelf01, given_profile, Site()))
    assert [b.content for b in read_steps(text)[1].blocks] == [script]
    assert "out" not in [section.title for section in read_sections(text)]


def test_a_script_with_unseen_characters_sends_to_the_file(
    shelf01: RunRecord, profile: Profile
) -> None:
    """Escape sequences, reversed text and odd line ends are shown and warned of; none
    reaches the file. A harmless script has no such warning."""
    given_profile = only(profile, script="echo \x1b[2J\u202e\r\u2028\x9b;\n\tls\n")
    text = write_runbook(given_profile, Site(), make_run(shelf01, given_profile, Site()))
    section = read_steps(text)[1]
    assert [b.content for b in section.blocks] == ["echo \\x1b[2J\\u202e\\r\\u2028\\x9b;\n\tls\n"]
    assert "Take this script from the profile's file" in section.text
    harmless = only(profile)
    text = write_runbook(harmless, Site(), make_run(shelf01, harmless, Site()))
    assert "Take this script from the profile's file" not in text


def test_texts_of_several_lines_keep_them(shelf01: RunRecord, profile: Profile) -> None:
    """A back-out of several commands stays on several lines, in a block of its own."""
    given_profile = only(profile, back_out="mv a b\n```\nls", expected="One\nTwo")
    text = write_runbook(given_profile, Site(), make_run(shelf01, given_profile, Site()))
    blocks = [b.content for b in read_steps(text)[1].blocks if b.info == "text"]
    assert blocks == ["One\nTwo\n", "mv a b\n```\nls\n"]


def spoil(value: Any) -> Any:
    """Every text at any depth replaced by the hostile one, but for digests, moments,
    weights and the names of steps, by which a run finds them."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        parts = {
            f.name: spoil(getattr(value, f.name))
            for f in dataclasses.fields(value)
            if not f.name.endswith("digest")
            and f.name not in ("checks", "severity")
            and not (f.name == "name" and isinstance(value, Step))
        }
        return dataclasses.replace(value, **parts)
    if isinstance(value, tuple):
        return tuple(spoil(item) for item in value)
    return HOSTILE if isinstance(value, str) else value


def test_hostile_texts_stay_text(shelf01: RunRecord, profile: Profile, site: Site) -> None:
    """Titles, checks, services and questions with bars, escape codes and Markdown form no
    heading, link, image, HTML or list, and leave every table whole (reference: markdown-it;
    CommonMark 0.31.2, 2.4 backslash escapes; GFM, tables extension: rows have the head's
    cells, a bar in a cell is escaped)."""
    bad_check = Check(HOSTILE, HOSTILE, "true", advice=HOSTILE)
    bad_profile = dataclasses.replace(spoil(profile), checks=(bad_check,))
    bad_site = dataclasses.replace(spoil(site), checks=(bad_check,))
    run = make_run(shelf01, bad_profile, bad_site)
    asked = tuple(
        make_prompt(step.name, text=HOSTILE, process=HOSTILE, rule=HOSTILE, why=HOSTILE, **other)
        for step in profile.steps
        for other in ({}, {"declared": False, "answer": HOSTILE, "answered_by": "person"})
    )
    steps = tuple(dataclasses.replace(s, message=HOSTILE, last_lines=(HOSTILE,)) for s in run.steps)
    run = dataclasses.replace(
        run, host=HOSTILE, id=HOSTILE, started_at=HOSTILE, steps=steps, prompts=asked
    )
    text = write_runbook(bad_profile, bad_site, run)
    assert "not reached" not in text
    tokens = parse(text)
    kinds = {token.type for token in tokens}
    inline = {child.type for token in tokens for child in token.children or ()}
    assert not kinds & {"html_block", "ordered_list_open", "code_block", "blockquote_open", "hr"}
    assert not inline & {"link_open", "image", "code_inline", "html_inline", "em_open", "s_open"}
    headings = [token for token in tokens if token.type == "heading_open"]
    assert len(headings) == 20 + 8 + len(profile.recoveries) + len(profile.steps)
    for section in read_sections(text):
        assert len({len(row) for row in section.rows()}) <= 1
    assert len(find_section(text, "Steps").rows()) == 1 + len(profile.steps)
    assert all(char == "\n" or char.isprintable() for char in text)


def test_bars_and_escape_codes_in_a_title_stay_in_their_cell(
    shelf01: RunRecord, profile: Profile
) -> None:
    """The table's row and the heading show the title without the codes, bar and all (GFM,
    tables extension)."""
    given_profile = only(profile, title="Read a | b \x1b[31mnow\x1b[0m")
    text = write_runbook(given_profile, Site(), make_run(shelf01, given_profile, Site()))
    assert find_section(text, "Steps").rows()[1][2] == "Read a | b now"
    assert read_steps(text)[1].title == "Step 1 of 1: Read a | b now"


def test_a_sheet_without_site_file_says_what_is_missing(
    shelf01: RunRecord, profile: Profile
) -> None:
    """No services, no units, no checks: each is said in words, none left out."""
    given_profile = dataclasses.replace(profile, rest_units=(), checks=(), environment=())
    text = write_runbook(given_profile, Site(), make_run(shelf01, given_profile, Site()))
    assert "No site file was used." in read_sections(text)[0].text
    assert "measured no outage" in find_section(text, "Services watched").text
    assert find_section(text, "Units that rest").text == "None."
    assert find_section(text, "Checks").text == "There is none."
    sections = read_steps(text)
    for action, words in (
        (Action.CHECKS, "There is none."),
        (Action.QUIESCE, "No unit is named."),
        (Action.REBOOT, "none is named"),
    ):
        for n in find_numbers(profile, action):
            assert words in sections[n].text
