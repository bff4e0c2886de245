"""The sheet of a procedure that was not rehearsed: it can be worked by all the same."""

from __future__ import annotations

import re

from markdown_it import MarkdownIt

from forerun.model.profile import PromptRule, Site
from forerun.profiles import find_profile, load_profile
from forerun.report.drill_sheet import write_sheet

PROFILE = load_profile(find_profile("debian-12-to-13"))
SITE = Site(prompts=(PromptRule("ours", r"^Shall we\? \[y/N\]\s*$", "y", "We shall."),))


def read_rows(text: str) -> list[list[str]]:
    """The cells of all tables, row by row (reference: markdown-it, GFM tables)."""
    rows: list[list[str]] = []
    cell = False
    for token in MarkdownIt("commonmark").enable("table").parse(text):
        if token.type == "tr_open":
            rows.append([])
        cell = token.type in ("td_open", "th_open") or (cell and token.type == "inline")
        if cell and token.type == "inline":
            rows[-1].append("".join(one.content for one in token.children or []))
    return rows


def test_every_agreed_answer_stands_in_it() -> None:
    """Those of the site first, then the profile's, each with what is typed and why."""
    heads, *rows = read_rows(write_sheet(PROFILE, SITE))
    assert heads == ["Rule", "Asked", "Answer", "Why"]
    assert [row[0] for row in rows] == [one.name for one in (*SITE.prompts, *PROFILE.prompts)]
    assert rows[0] == ["ours", "Shall we? [y/N]", "y, then Enter", "We shall."]
    by_name = {row[0]: row for row in rows}
    assert by_name["dpkg-conffile"][2] == "N, then Enter"
    assert by_name["pager"][2] == "q, without Enter"
    assert by_name["needrestart"][2] == "Enter alone"


def test_it_claims_no_rehearsal() -> None:
    """It says once that there was none, and no step says that it was not reached in one."""
    text = write_sheet(PROFILE, SITE)
    assert "was not rehearsed" in text
    assert "In the rehearsal" not in text
    assert len(re.findall(r"^### Step ", text, re.MULTILINE)) == len(PROFILE.steps)
