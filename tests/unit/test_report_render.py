"""How a run is said: terminal, JSON, Markdown, the table of runs."""

import dataclasses
import io
import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from markdown_it import MarkdownIt
from pydantic import TypeAdapter

from forerun.model.likeness import ForetellingCheck, Foretold, NotLookedAt
from forerun.model.observation import (
    Outage,
    Outcome,
    PromptMet,
    RunRecord,
    Seen,
    WayEnd,
    WayTried,
)
from forerun.report.list_runs import list_runs_table
from forerun.report.outline import outline
from forerun.report.render_html import render_html
from forerun.report.render_json import build_document, render_json
from forerun.report.render_markdown import render_markdown
from forerun.report.render_terminal import colour_allowed, render_terminal
from forerun.report.schema import report_schema

DATA = Path(__file__).parents[1] / "data" / "run-record-shelf01.json"

HOSTILE = (
    "<script>alert(1)</script> ![i](http://198.51.100.9/x.png) [l](http://198.51.100.9/) "
    "http://198.51.100.9/ www.records.example a@records.example `c` **b** | x \x1b[31mred\x1b[0m "
    "\u202eright\u202c \x00 &copy; ```\n```\n# heading\n1. one\n- item\n<!-- c -->"
)


@pytest.fixture(scope="module")
def shelf01() -> RunRecord:
    """A completed run with trouble, of an invented organisation's server."""
    return TypeAdapter(RunRecord).validate_json(DATA.read_bytes())


def make_empty(run: RunRecord) -> RunRecord:
    """The same run, had it failed before its first step."""
    fresh: dict[str, Any] = {
        f.name: f.default for f in dataclasses.fields(run) if isinstance(f.default, tuple)
    }
    return dataclasses.replace(
        run,
        **fresh,
        outcome=Outcome.FAILED,
        why="the clone never answered",
        teardown=type(run.teardown)(),
    )


def make_hostile(run: RunRecord) -> RunRecord:
    """The same run with every text of a guest or server replaced by a hostile one."""
    return dataclasses.replace(
        run,
        host=HOSTILE,
        steps=tuple(dataclasses.replace(s, title=HOSTILE, message=HOSTILE) for s in run.steps),
        prompts=tuple(
            dataclasses.replace(p, text=HOSTILE, process=HOSTILE, answer=HOSTILE)
            for p in run.prompts
        ),
        checks=tuple(
            dataclasses.replace(c, title=HOSTILE, reason=HOSTILE, output=HOSTILE)
            for c in run.checks
        ),
        packages=tuple(dataclasses.replace(p, name=HOSTILE) for p in run.packages),
        outages=tuple(dataclasses.replace(o, service=HOSTILE, cause=HOSTILE) for o in run.outages),
        seen=tuple(dataclasses.replace(s, title=HOSTILE, evidence=HOSTILE) for s in run.seen),
        kept_files=tuple(dataclasses.replace(k, path=HOSTILE) for k in run.kept_files),
        fidelity=tuple(dataclasses.replace(g, note=HOSTILE) for g in run.fidelity),
        foretold=(Foretold("ucf", HOSTILE, HOSTILE, HOSTILE), Foretold("moved", "/a", "b", "c")),
        foretelling=(ForetellingCheck("other", HOSTILE, HOSTILE, "not foretold", HOSTILE),),
        not_looked_at=(NotLookedAt(HOSTILE, HOSTILE),),
    )


def find_undescribed(document: Any, schema: dict[str, Any], path: str = "$") -> list[str]:
    """Paths of keys that are written but that the schema does not name."""
    for choice in schema.get("anyOf", ()):
        if choice.get("type") != "null":
            schema = choice
    if isinstance(document, list):
        found = [find_undescribed(item, schema["items"], f"{path}[]") for item in document]
        return sorted({name for names in found for name in names})
    if not isinstance(document, dict):
        return []
    known = schema["properties"]
    names = [f"{path}.{key}" for key in document if key not in known]
    for key in document.keys() & known.keys():
        names += find_undescribed(document[key], known[key], f"{path}.{key}")
    return names


# --- JSON


@pytest.mark.parametrize("make", [lambda run: run, make_empty, make_hostile])
def test_json_fits_its_schema(shelf01: RunRecord, make: Any) -> None:
    """A full, an empty and a hostile run validate (reference: the jsonschema library)."""
    schema = report_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    document = json.loads(render_json(outline(make(shelf01))))
    jsonschema.Draft202012Validator(schema).validate(document)


def test_every_written_key_is_described(shelf01: RunRecord) -> None:
    """The schema forbids no key, so this looks for one it forgot to name."""
    assert find_undescribed(build_document(outline(shelf01)), report_schema()) == []


def test_the_schema_refuses_a_missing_key_and_a_wrong_kind(shelf01: RunRecord) -> None:
    """The schema is not so loose that anything passes."""
    validator = jsonschema.Draft202012Validator(report_schema())
    spoilers: tuple[Callable[[Any], object], ...] = (
        lambda d: d["run"].pop("id"),
        lambda d: d["measured"]["steps"][0].update(wall_seconds="48 s"),
        lambda d: d["measured"]["steps"][0].update(wall_seconds=-1),
        lambda d: d["run"].update(outcome="done"),
        lambda d: d["measured"].pop("reboot"),
    )
    for spoil in spoilers:
        document = build_document(outline(shelf01))
        spoil(document)
        assert not validator.is_valid(document)


def test_json_states_units_in_its_keys(shelf01: RunRecord) -> None:
    """Every number is a count or has its unit in its key (or beside it, for a figure)."""
    bare = set()

    def walk(value: Any, key: str) -> None:
        if isinstance(value, dict):
            for name, part in value.items():
                walk(part, name)
        elif isinstance(value, list):
            for part in value:
                walk(part, key)
        elif isinstance(value, float) and not re.search(r"(seconds|bytes|share)$", key):
            bare.add(key)

    walk(build_document(outline(shelf01)), "")
    assert bare <= {"value", "run_queue"}


def test_json_holds_the_record_unrounded(shelf01: RunRecord) -> None:
    """Figures are those of the record; what was not measured is null, not -1."""
    document = build_document(outline(shelf01))
    steps = {step["name"]: step for step in document["measured"]["steps"]}
    assert steps["upgrade-full"]["wall_seconds"] == 656.3
    assert steps["reboot"]["guest_cpu_seconds"] is None
    assert document["measured"]["reboot"]["firmware_seconds"] == 4.4
    assert document["measured"]["reboot"]["to_ssh_seconds"] == 34.8
    assert document["measured"]["download"]["fetched_bytes"] == 165_465_348
    assert document["estimate"]["available"] is False
    assert document["teardown"]["left"] == []


def test_json_is_ascii_even_for_hostile_text(shelf01: RunRecord) -> None:
    """The file can be shown on any terminal: no control character but the newline."""
    text = render_json(outline(make_hostile(shelf01)))
    assert all(char == "\n" or " " <= char <= "~" for char in text)


# --- terminal


@pytest.mark.parametrize("width", [60, 80, 120])
@pytest.mark.parametrize("make", [lambda run: run, make_empty, make_hostile])
def test_the_summary_fits_the_terminal(shelf01: RunRecord, make: Any, width: int) -> None:
    """At most 60 lines, none wider than the terminal, no control character in any."""
    text = render_terminal(outline(make(shelf01)), width=width, folder="")
    lines = text.splitlines()
    assert len(lines) <= 60
    assert max(map(len, lines)) <= width
    assert all(line.isprintable() for line in lines)


def test_the_summary_says_the_most_important_first(shelf01: RunRecord) -> None:
    """Verdict, window, outage, findings, checks, prompts, counts, in that order."""
    text = render_terminal(outline(shelf01), folder="runs/run-1/report.html")
    marks = (
        "Completed with trouble",
        "SSH push of scans never came back",
        "Maintenance window  19 min 09 s",
        "never came back; 2 outages, at least 2 min 12 s in all",
        "loses access: New SSH logins are refused",
        "broke (must) The SSH server accepts its configuration",
        "Prompts nobody declared: 1 of 3",
        "11 upgraded, 2 installed, 2 removed, 1 kept back",
        "165 MB fetched, 192 MB on the wire",
        "Left on the lab host  nothing",
        "One run only: no spread.",
        "evidence, not proof",
        "Whole report: runs/run-1/report.html",
    )
    places = [text.find(mark) for mark in marks]
    assert -1 not in places
    assert places == sorted(places)


def test_the_summary_of_an_empty_run_says_what_is_missing(shelf01: RunRecord) -> None:
    """A run without steps prints "not measured" rather than a zero."""
    text = render_terminal(outline(make_empty(shelf01)))
    assert "Failed before the first step: the clone never answered" in text
    assert "Maintenance window  not measured" in text
    assert re.search(r"Download\s+not measured", text)
    assert "No service was watched." in text


def test_colour_adds_sequences_and_nothing_else(shelf01: RunRecord) -> None:
    """Without colour no escape; with it, the same words once the escapes are gone."""
    report = outline(shelf01)
    plain = render_terminal(report, colour=False)
    coloured = render_terminal(report, colour=True)
    assert "\x1b" not in plain
    assert "\x1b[31m" in coloured
    assert re.sub(r"\x1b\[\d+m", "", coloured) == plain


class Terminal(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(
    ("stream", "environ", "allowed"),
    [
        (Terminal(), {}, True),
        (Terminal(), {"NO_COLOR": ""}, True),
        (Terminal(), {"NO_COLOR": "1"}, False),
        (Terminal(), {"TERM": "dumb"}, False),
        (io.StringIO(), {}, False),
    ],
)
def test_colour_follows_the_convention(
    stream: io.StringIO, environ: dict[str, str], allowed: bool
) -> None:
    """no-color.org: NO_COLOR, when present and not empty, prevents colour."""
    assert colour_allowed(stream, environ) is allowed


# --- Markdown


def test_markdown_has_every_section(shelf01: RunRecord) -> None:
    """The headings are those of the HTML page, one first-level heading above them."""
    text = render_markdown(outline(shelf01))
    titles = re.findall(r"^(#+) (.+)$", text, re.MULTILINE)
    assert titles[0] == ("#", "Rehearsal of shelf01.records.example")
    assert {level for level, _ in titles[1:]} == {"##"}
    names = [name for _, name in titles[1:]]
    assert names[0] == "Decision"
    assert "Findings" in names
    assert names[-1] == "Cautions"
    assert len(names) == 25


WAYS = (
    WayTried("the name service", "10.0.2.3", "udp", 53, WayEnd.CLOSED, "no answer in 4 s"),
    WayTried("an outside address", "203.0.113.1", "icmp", 0, WayEnd.CLOSED, "no answer in 4 s"),
    WayTried("a CONNECT", "203.0.113.1", "http", 25, WayEnd.REFUSED, "403: refused: | it <is> off"),
    WayTried("another clone", "10.0.2.2", "tcp", 0, WayEnd.NOT_TRIED, "no other clone is there"),
)


def test_every_form_says_whether_the_clone_was_sealed(shelf01: RunRecord) -> None:
    """With every attempt and its result; a run that tried nothing does not pass for a sealed
    one, and a way that could not be tried does not pass for a closed one."""
    tried = dataclasses.replace(shelf01, ways_tried=WAYS)
    untried = dataclasses.replace(shelf01, ways_tried=())
    for render in (render_markdown, render_html):
        text = re.sub(r"\s+", " ", render(outline(tried)))
        assert "3 ways out of the clone were tried from inside before the first step" in text
        assert "0 open, 2 closed, 1 refused by the archive gateway; 1 more could not be" in text
        for word in ("10.0.2.3 udp 53", "203.0.113.1 icmp", "no answer in 4 s", "no other clone"):
            assert word in text
        assert "were not tried" in render(outline(untried))
    assert "3 tried from inside, 0 open" in render_terminal(outline(tried))
    assert re.search(r"Ways out +not tried", render_terminal(outline(untried)))


def test_an_open_way_stands_out(shelf01: RunRecord) -> None:
    """The record of a run that was stopped for it says so in every form."""
    leak = WayTried("a service", "10.0.2.2", "tcp", 40404, WayEnd.OPEN, "connected")
    report = outline(dataclasses.replace(shelf01, ways_tried=(*WAYS, leak)))
    assert "1 open, 2 closed" in re.sub(r"\s+", " ", render_markdown(report))
    assert '<span class="word bad">open</span>' in render_html(report)
    assert "4 tried from inside, 1 open" in render_terminal(report)


def test_the_data_has_every_attempt(shelf01: RunRecord) -> None:
    """Field by field, as the schema has it; `ways_tried` stays the list of texts that it was,
    of those that were really tried. Reference: the jsonschema library."""
    document = build_document(outline(dataclasses.replace(shelf01, ways_tried=WAYS)))
    jsonschema.Draft202012Validator(report_schema()).validate(document)
    assert document["lab"]["ways_out"] == [
        {
            "name": way.name,
            "address": way.address,
            "protocol": way.protocol,
            "port": way.port or None,
            "result": way.result.value,
            "detail": way.detail,
        }
        for way in WAYS
    ]
    assert document["lab"]["ways_tried"] == [way.label() for way in WAYS[:3]]


def test_markdown_tables_are_whole(shelf01: RunRecord) -> None:
    """Every row of a table has as many cells as its heading (reference: markdown-it)."""
    tokens = MarkdownIt("commonmark").enable("table").parse(render_markdown(outline(shelf01)))
    rows: list[int] = []
    width = 0
    for token in tokens:
        if token.type == "tr_open":
            rows.append(0)
        elif token.type in ("th_open", "td_open"):
            rows[-1] += 1
        elif token.type == "thead_close":
            width = rows[-1]
        elif token.type == "tbody_close":
            assert set(rows) == {width}
            rows = []
        elif token.type == "thead_open":
            rows = []
    assert width


@pytest.mark.parametrize("make", [make_empty, make_hostile])
def test_hostile_markdown_stays_text(shelf01: RunRecord, make: Any) -> None:
    """What a guest said forms no link, image, raw HTML, heading or nested list item
    (reference: markdown-it, CommonMark with tables)."""
    text = render_markdown(outline(make(shelf01)))
    tokens = MarkdownIt("commonmark").enable(["table", "strikethrough"]).parse(text)
    kinds = {token.type for token in tokens}
    inline = {child.type for token in tokens for child in token.children or ()}
    assert "html_block" not in kinds
    assert "ordered_list_open" not in kinds
    assert not inline & {"link_open", "image", "code_inline", "html_inline", "em_open"}
    headings = [t for t in tokens if t.type == "heading_open"]
    assert len(headings) == 26
    assert all(char == "\n" or char.isprintable() for char in text)


def test_bare_addresses_are_broken_up(shelf01: RunRecord) -> None:
    """Common extensions make links of bare addresses: outside code none is left whole
    (common practice of renderers; not part of CommonMark)."""
    text = render_markdown(outline(make_hostile(shelf01)))
    prose = re.sub(r"^(`{3,})text\n.*?^\1$", "", text, flags=re.MULTILINE | re.DOTALL)
    assert "http://" not in prose
    assert "www.records" not in prose
    assert not re.search(r"(?<!\\)@", prose)


def test_a_fence_outlasts_the_backticks_in_it(shelf01: RunRecord) -> None:
    """A prompt full of backticks cannot end its own code block."""
    prompt = PromptMet("s", 0, "````\n# out", "p", False, "", "y", "policy", 1.0)
    text = render_markdown(outline(dataclasses.replace(shelf01, prompts=(prompt,))))
    tokens = MarkdownIt("commonmark").parse(text)
    (fence,) = [t for t in tokens if t.type == "fence"]
    assert fence.content == "````\n# out\n"


# --- table of runs


def test_runs_are_listed_newest_first(shelf01: RunRecord) -> None:
    """One line a run with its outcome and window; the newest at the top."""
    old = dataclasses.replace(
        make_empty(shelf01), id="run-old", started_at="2026-03-01T22:00:00Z", why="x" * 300
    )
    lines = list_runs_table([old, shelf01], width=150).splitlines()
    assert len(lines) == 4
    assert lines[2].startswith(shelf01.id)
    assert "completed  19 min 09 s" in lines[2]
    assert "failed     not measured" in lines[3]
    assert max(map(len, lines)) <= 150
    assert lines[3].endswith("…")


def test_no_runs_are_said_in_words() -> None:
    """An empty list gives a sentence, not an empty table."""
    assert list_runs_table([]) == "No rehearsal has been run yet.\n"


def test_a_hostile_run_cannot_break_the_table(shelf01: RunRecord) -> None:
    """A server name with line ends and escapes stays one plain line."""
    text = list_runs_table([dataclasses.replace(shelf01, host="a\nb\x1b[2J", why="c\rd")])
    assert len(text.splitlines()) == 3
    assert text.replace("\n", "").isprintable()


def test_many_services_and_findings_are_cut_with_a_count(shelf01: RunRecord) -> None:
    """A long list is cut in the terminal summary, which says how much is left out."""
    run = dataclasses.replace(
        shelf01,
        outages=tuple(Outage(f"service {n}", 1, 3, True, "", "s", 1.0) for n in range(40)),
        probes=(),
        seen=tuple(Seen("cosmetic", f"finding {n}", "") for n in range(40)),
    )
    text = render_terminal(outline(run))
    assert len(text.splitlines()) <= 60
    shown = len(re.findall(r"  - service \d+:", text))
    assert f"and {40 - shown} more in the report" in text
