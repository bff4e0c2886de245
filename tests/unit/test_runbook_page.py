"""The runbook by the clock and as a page: nothing of the Markdown is lost, nothing added."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path
from typing import Any

import pytest
from lxml import html
from markdown_it import MarkdownIt
from pydantic import TypeAdapter
from tests.practice.outlook import course_of_profile, make_outlook, with_trials
from tests.unit.test_report_html import HOSTILE, spoil
from tests.unit.test_report_outlook import check_page
from tests.unit.test_runbook import find_section, make_run, read_steps

from forerun.errors import InvalidFile
from forerun.model.observation import RunRecord
from forerun.model.profile import Contact, Profile, Site, Step
from forerun.profiles import find_profile, load_profile, load_site
from forerun.report.markdown_html import name_place, read_sheet
from forerun.report.outline import outline
from forerun.report.papers import TEXT_NAMES, list_papers
from forerun.report.runbook import write_runbook
from forerun.report.runbook_html import render_runbook
from forerun.report.runbook_night import NOT_PROVIDED, ROLES
from forerun.report.sections import Outlook

TESTS = Path(__file__).parents[1]
CONTACTS = (
    Contact("operator", "A. Reed", "desk 12"),
    Contact("Console", "", "serial server, port 7"),
    Contact("user desk", "Front desk", "desk@records.example"),
    Contact("scanner's vendor", "", "by contract 7"),
)


@pytest.fixture(scope="module")
def profile() -> Profile:
    """The shipped profile."""
    return load_profile(find_profile("debian-12-to-13"))


@pytest.fixture(scope="module")
def site() -> Site:
    """The demonstration's site file, with people."""
    read = load_site(TESTS.parent / "demo" / "site.yaml")
    return dataclasses.replace(read, contacts=CONTACTS)


@pytest.fixture(scope="module")
def run(profile: Profile, site: Site) -> RunRecord:
    data = TESTS / "data" / "run-record-shelf01.json"
    base = TypeAdapter(RunRecord).validate_json(data.read_bytes())
    return with_trials(make_run(base, profile, site), "minimal-upgrade")


@pytest.fixture(scope="module")
def look(profile: Profile) -> Outlook:
    return make_outlook(course_of_profile(profile))


@pytest.fixture(scope="module")
def text(profile: Profile, site: Site, run: RunRecord, look: Outlook) -> str:
    return write_runbook(profile, site, run, look)


@pytest.fixture(scope="module")
def page(profile: Profile, site: Site, run: RunRecord, look: Outlook) -> str:
    return render_runbook(profile, site, run, look)


# --- the page


def test_the_page_is_whole_and_harmless(page: str) -> None:
    """As the report: nothing is loaded, ids and references resolve, headings in order, every
    table with caption and scopes."""
    tree = html.document_fromstring(page)
    check_page(page, tree)
    for table in tree.xpath("//table"):
        assert table.xpath("string(caption)").strip()
        assert all(th.get("scope") for th in table.iter("th"))
        columns = len(table.xpath("thead/tr/th"))
        assert all(len(row) == columns for row in table.xpath("tbody/tr"))


def test_no_word_of_the_markdown_is_lost(page: str, text: str) -> None:
    """Every paragraph, cell and script of the Markdown stands on the page (reference:
    markdown-it); the night's table stands there as the report draws it."""
    tree = html.document_fromstring(page)
    shown = " ".join(tree.text_content().split())
    tokens = MarkdownIt("commonmark").enable("table").parse(text)
    inside = ""
    for before, token in zip([None, *tokens], tokens, strict=False):
        if before is not None and before.type == "heading_open":
            inside = token.content if before.tag == "h2" else inside
        if token.type == "fence":
            assert " ".join(token.content.split()) in shown
        elif token.type == "inline" and inside != "The night by the clock":
            words = "".join(
                " " if c.type == "softbreak" else c.content for c in token.children or ()
            )
            words = " ".join(words.removeprefix("[ ] ").split())
            assert words.removeprefix("Runbook: ") in shown
    scripts = [pre.text for pre in tree.xpath('//pre[@class="typed"]')]
    fences = [t.content for t in tokens if t.type == "fence" and t.info == "bash"]
    assert scripts == fences


def test_what_is_ticked_is_a_box(page: str, text: str) -> None:
    """As many boxes as the Markdown has to tick; holds and the point of no return stand out."""
    tree = html.document_fromstring(page)
    assert len(tree.xpath('//li[@class="tick"]')) == text.count("- [ ] ")
    assert len(tree.xpath('//li//span[@class="box"]')) == text.count("- [ ] ")
    gates = [p.text_content() for p in tree.xpath('//p[@class="gate"]')]
    assert len(gates) == text.count("**HOLD: ") + text.count("**POINT OF NO RETURN: ")
    assert gates


def test_hostile_words_are_words(
    profile: Profile, site: Site, run: RunRecord, look: Outlook
) -> None:
    """With every text hostile the page has the elements that it has otherwise."""
    bad_profile = dataclasses.replace(
        spoil(profile),
        digest=run.profile_digest,
        steps=tuple(_spoil_step(step) for step in profile.steps),
    )
    bad_site = dataclasses.replace(spoil(site), digest=run.site_digest)
    bad_run = dataclasses.replace(
        spoil(run),
        profile_digest=run.profile_digest,
        site_digest=run.site_digest,
        steps=tuple(dataclasses.replace(s, title=HOSTILE, message=HOSTILE) for s in run.steps),
    )
    hostile = render_runbook(bad_profile, bad_site, bad_run, spoil(look))
    tree = html.document_fromstring(hostile)
    check_page(hostile, tree)
    plain = html.document_fromstring(render_runbook(profile, site, run, look))
    assert {e.tag for e in tree.iter("*")} <= {e.tag for e in plain.iter("*")}
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in hostile


def _spoil_step(step: Step) -> Step:
    return dataclasses.replace(step, title=HOSTILE, script=HOSTILE, expected=HOSTILE)


def test_the_reader_takes_only_what_it_knows() -> None:
    """Links, images, raw HTML and references stay words; a construct that a sheet never has
    is refused instead of dropped."""
    words = "<b>x</b> [l](http://a.example) ![i](x.png) <http://a.example>"
    (part,) = read_sheet(f"# T\n\n{words}\n").parts
    assert html.fromstring(part.html).text_content().strip() == words
    with pytest.raises(ValueError, match="hr"):
        read_sheet("# T\n\n---\n")


def test_places_are_unique_and_plain() -> None:
    """Two headings of the same words get two ids of letters, digits and hyphens."""
    sheet = read_sheet("# T\n\n## Ways back!\n\nx\n\n## Ways back\n\ny\n")
    assert [part.place for part in sheet.parts] == ["ways-back", "ways-back-2"]
    assert name_place("<>") == "part"


# --- by the clock


def test_each_step_has_its_clock_time_and_place(text: str, profile: Profile, look: Outlook) -> None:
    """Begin and end of the middle and of the late night, from the timetable; a script says
    where it is typed."""
    assert look.plan is not None
    for section, line in zip(read_steps(text).values(), look.plan.lines, strict=True):
        times = [
            at[11:16] for at in (line.begins_p50, line.ends_p50, line.begins_p95, line.ends_p95)
        ]
        wanted = "By the clock: {} to {}; in a late night {} to {}.".format(*times)
        assert wanted in section.text
    assert text.count("**Typed:** on shelf01.records.example, as root") == sum(
        bool(step.script) for step in profile.steps
    )


def test_without_a_timetable_it_says_so(profile: Profile, site: Site, run: RunRecord) -> None:
    """No clock times, and no latest moment that nobody computed."""
    bare = write_runbook(profile, site, run)
    assert "By the clock:" not in bare
    assert "No timetable by the clock was drawn" in bare
    assert "not known: no timetable by the clock" in find_section(bare, "Ways back").text


# --- people, preconditions, ways


def test_people_are_those_of_the_site_file(text: str) -> None:
    """Each usual role in its order, whatever letters the site file writes it in, then the
    site's own; who is missing is not provided."""
    rows = {row[0]: row[2:] for row in find_section(text, "Roles and contacts").rows()[1:]}
    assert list(rows)[: len(ROLES)] == [role for role, _ in ROLES]
    assert rows["operator"] == ["A. Reed", "desk 12"]
    assert rows["console"] == [NOT_PROVIDED, "serial server, port 7"]
    assert rows["system owner"] == [NOT_PROVIDED, NOT_PROVIDED]
    assert rows["scanner's vendor"] == [NOT_PROVIDED, "by contract 7"]
    assert "serial server, port 7" in find_section(text, "The second way in").text


def test_contacts_are_read_from_a_site_file(tmp_path: Path) -> None:
    """Role, name and how to reach; a contact without a role is a mistake with its place."""
    path = tmp_path / "site.yaml"
    path.write_text("schema: forerun.site/1\ncontacts:\n  - {role: operator, name: A. Reed}\n")
    assert load_site(path).contacts == (Contact("operator", "A. Reed"),)
    path.write_text("schema: forerun.site/1\ncontacts:\n  - {name: A. Reed}\n")
    with pytest.raises(InvalidFile, match="role"):
        load_site(path)


def test_preconditions_hold_conditions_and_open_findings(text: str, look: Outlook) -> None:
    """All conditions of the decision and every finding that nothing settles, to be ticked;
    settled and cosmetic ones are not asked about."""
    section = find_section(text, "Preconditions").text
    assert look.decision is not None
    for condition in look.decision.conditions:
        assert condition in section
    assert "Settled or accepted: The report job imports a module that is gone" in section
    assert "sysctl.conf are read no more" not in section
    assert "left beside" not in section
    assert "/ has more than" in section
    assert "restored somewhere" in section


def test_ways_back_say_when_who_how_and_what_is_lost(text: str) -> None:
    """Trigger, decider, measured and forecast time, latest moment, loss, and how to go on at
    each stage."""
    section = find_section(text, "Ways back")
    for words in (
        "The system owner decides",
        "Return to the hold point: 14 s; all as before",
        "Return to the snapshot, to before quiesce: 7 min 00 s in half of cases, 16 min 00 s",
        "Latest moment to begin: 23:07 by way of return to the hold point",
        "Lost by going back: whatever is written",
    ):
        assert words in section.text
    assert len(section.rows()) == 5


def test_recoveries_stand_with_their_script(text: str, profile: Profile) -> None:
    """Each recovery of the profile, to the letter, and whether the rehearsal tried it."""
    assert profile.recoveries
    for recovery in profile.recoveries:
        section = find_section(text, f"Recovery {recovery.name}: {recovery.title}")
        assert [block.content for block in section.blocks] == [recovery.script]
        assert "tried in" in section.text.lower()
    assert (
        "The power fails while packages are unpacked"
        in find_section(text, "If something goes wrong").text
    )


def test_what_may_wait_is_not_of_tonight(text: str, profile: Profile) -> None:
    """The steps that tidy up, the checks that are notes, and cosmetic findings."""
    section = find_section(text, "What may be left till morning").text
    for step in profile.steps:
        assert (f"Step: {step.title}" in section) == (step.stage.value == "tidy")
    assert "Finding: Three configuration files were left beside those in use" in section


# --- papers and texts


def test_every_paper_has_every_field(
    profile: Profile, site: Site, run: RunRecord, look: Outlook
) -> None:
    """Change request, back-out plan, communication and the record afterwards: each with
    number, version, date, author's role, digest and approvals, and no empty field; with
    nothing known the same fields stand there."""
    told = list_papers(profile, site, outline(run, outlook=look))
    bare = list_papers(profile, Site(), outline(run))
    assert [paper.title for paper in told] == [
        "Change request",
        "Back-out plan",
        "Communication with users",
        "Record afterwards",
    ]
    for paper, other in zip(told, bare, strict=True):
        labels = [label for label, _ in paper.fields]
        assert labels == [label for label, _ in other.fields]
        assert labels[:5] == [
            "Number",
            "Version",
            "Date",
            "Author's role",
            "Digest of the evidence",
        ]
        assert labels[-1] == "Approvals"
        assert all(value for _, value in (*paper.fields, *other.fields))
    fields = dict(told[0].fields)
    assert run.profile_digest in fields["Digest of the evidence"]
    assert fields["Review on"] == NOT_PROVIDED
    assert fields["Ruling"].startswith("go with conditions: ")
    assert dict(bare[0].fields)["Ruling"] == "not ruled"
    assert dict(told[2].fields)["How long, upper figure"].startswith("11 minutes")


@pytest.mark.parametrize("name", TEXT_NAMES)
def test_the_texts_for_users_name_services_and_contact(text: str, site: Site, name: str) -> None:
    """Four texts to be copied, with their time to be sent; the time that the notice promises
    is the upper figure."""
    section = find_section(text, f"Text: {name}")
    (block,) = section.blocks
    for service in site.services:
        assert service.name in block.content
    assert "Front desk desk@records.example" in block.content
    assert re.search(r"Send: \w+day \d+ March 2026, \d\d:\d\d .* to ", section.text)
    if name == "notice":
        assert "11 minutes in all" in block.content


def test_a_text_keeps_its_lines(profile: Profile, site: Site, run: RunRecord) -> None:
    """A service's name with line ends and controls cannot write lines of its own."""
    odd: Any = dataclasses.replace(site.services[0], name="a\nb\x1b[31m`\u202e")
    given = dataclasses.replace(site, services=(odd,))
    section = find_section(write_runbook(profile, given, run), "Text: start")
    (block,) = section.blocks
    assert "a b`:" in block.content
    assert len(block.content.splitlines()) == 2
