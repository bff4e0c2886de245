"""The HTML page: self-contained, harmless, well built."""

import base64
import dataclasses
import hashlib
import re
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from lxml import html
from pydantic import TypeAdapter

from forerun.model.observation import Outcome, RunRecord, Seen
from forerun.report.outline import outline
from forerun.report.render_html import render_html
from forerun.report.timetable import draw_outages, draw_steps

DATA = Path(__file__).parents[1] / "data" / "run-record-shelf01.json"
CSS = Path(render_html.__code__.co_filename).parent / "report.css"

HOSTILE = (
    "<script>alert(1)</script>\"'><img src=http://198.51.100.9/x onerror=alert(1)> "
    "{{ 7*7 }} {% raw %} \x1b[31mred\x1b[0m \x1b]8;;http://198.51.100.9/\x07l\x1b]8;;\x07 "
    "\u202eright\u202c \u2066iso\u2069 nul\x00 \x9b2J </style></pre><svg onload=alert(1)>"
)


@pytest.fixture(scope="module")
def shelf01() -> RunRecord:
    """A completed run with trouble, of an invented organisation's server."""
    return TypeAdapter(RunRecord).validate_json(DATA.read_bytes())


def spoil(value: Any) -> Any:
    """Every text anywhere in the record replaced by the hostile one, but for the words
    that have a fixed set."""
    fixed = {"stage", "action", "moment", "result", "severity", "state", "kind", "schema"}
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        parts = {
            f.name: spoil(getattr(value, f.name))
            for f in dataclasses.fields(value)
            if f.name not in fixed
        }
        return dataclasses.replace(value, **parts)
    if isinstance(value, tuple):
        return tuple(spoil(item) for item in value)
    return HOSTILE + value if isinstance(value, str) else value


def make_empty(run: RunRecord) -> RunRecord:
    """The same run, had it failed before its first step."""
    fresh: dict[str, Any] = {
        f.name: f.default for f in dataclasses.fields(run) if isinstance(f.default, tuple)
    }
    return dataclasses.replace(
        run, **fresh, outcome=Outcome.FAILED, why="no answer", teardown=type(run.teardown)()
    )


MAKERS = [lambda run: run, make_empty, spoil]


@pytest.mark.parametrize("make", MAKERS)
def test_the_page_refers_to_nothing_outside(shelf01: RunRecord, make: Any) -> None:
    """No element loads, links or sends anywhere; the only addresses are places in the
    page itself, and the style sheet asks for nothing."""
    page = render_html(outline(make(shelf01)))
    tree = html.document_fromstring(page)
    targets = [(e.tag, n, v) for e in tree.iter("*") for n, v in e.attrib.items() if n in LOADING]
    assert all(value.startswith("#") for _, _, value in targets)
    assert not tree.xpath("//script|//link|//img|//iframe|//object|//embed|//form|//base|//image")
    assert not re.search(r"url\(|@import|expression\(", tree.findtext(".//style"))


LOADING = {"src", "href", "srcset", "action", "formaction", "data", "poster", "background", "ping"}


def test_hostile_text_is_shown_and_does_nothing(shelf01: RunRecord) -> None:
    """With every text of the record hostile, the page has the elements it has otherwise,
    no event handler, no style attribute, and no control or invisible character."""
    hostile = render_html(outline(spoil(shelf01)))
    tree = html.document_fromstring(hostile)
    names = {n for e in tree.iter("*") for n in e.attrib}
    assert not {n for n in names if n.startswith("on")} | (names & {"style"})
    plain = {e.tag for e in html.document_fromstring(render_html(outline(shelf01))).iter("*")}
    assert {e.tag for e in tree.iter("*")} <= plain | {"code"}
    assert len(tree.xpath("//style")) == 1
    assert all(c == "\n" or c.isprintable() or c == "\u00a0" for c in hostile)
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in hostile
    assert "{{ 7*7 }}" in hostile


def test_the_policy_allows_only_its_own_style_sheet(shelf01: RunRecord) -> None:
    """Everything is forbidden but the style sheet with this SHA-256 (CSP level 3: the hash
    is of the element's content, in base64)."""
    page = render_html(outline(shelf01))
    tree = html.document_fromstring(page)
    (policy,) = tree.xpath('//meta[@http-equiv="Content-Security-Policy"]/@content')
    between = page.split("<style>")[1].split("</style>")[0]
    digest = base64.b64encode(hashlib.sha256(between.encode()).digest()).decode()
    assert "default-src 'none'" in policy
    assert re.findall(r"style-src ([^;]+)", policy) == [f"'sha256-{digest}'"]
    assert "unsafe" not in policy
    assert page.index("Content-Security-Policy") < page.index("<style>")


@pytest.mark.parametrize("make", MAKERS)
def test_headings_are_in_order(shelf01: RunRecord, make: Any) -> None:
    """One h1, and no level is skipped on the way down (WCAG 2.2 technique G141)."""
    tree = html.document_fromstring(render_html(outline(make(shelf01))))
    levels = [int(e.tag[1]) for e in tree.iter("h1", "h2", "h3", "h4", "h5", "h6")]
    assert levels.count(1) == 1
    assert levels[0] == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))


def test_tables_have_captions_and_scopes(shelf01: RunRecord) -> None:
    """Every table has a caption, every th a scope (WCAG 2.2 techniques H39, H63), and
    every row as many cells as there are columns."""
    tree = html.document_fromstring(render_html(outline(shelf01)))
    tables = tree.xpath("//table")
    assert len(tables) > 10
    for table in tables:
        assert table.xpath("string(caption)").strip()
        assert all(th.get("scope") for th in table.iter("th"))
        columns = len(table.xpath("thead/tr/th"))
        for row in table.xpath("tbody/tr"):
            assert sum(int(c.get("colspan", 1)) for c in row) == columns


@pytest.mark.parametrize("make", MAKERS)
def test_names_and_targets_resolve(shelf01: RunRecord, make: Any) -> None:
    """Ids are unique; each local link and aria-labelledby meets one."""
    tree = html.document_fromstring(render_html(outline(make(shelf01))))
    ids = tree.xpath("//@id")
    assert len(ids) == len(set(ids))
    wanted = {href[1:] for href in tree.xpath("//a/@href")}
    for names in tree.xpath("//@aria-labelledby"):
        wanted |= set(names.split())
    assert wanted <= set(ids)


def test_the_page_can_be_walked_by_keyboard(shelf01: RunRecord) -> None:
    """The first link skips to the main part; what scrolls can be focused and has a name."""
    tree = html.document_fromstring(render_html(outline(shelf01)))
    first = tree.xpath("//a")[0]
    assert first.get("href") == "#content"
    assert tree.xpath('//main[@id="content"]')
    for box in tree.xpath('//div[@class="scroll"]'):
        assert (box.get("role"), box.get("tabindex")) == ("region", "0")
        assert box.get("aria-label")
    for drawing in tree.xpath('//svg[not(@aria-hidden="true")]'):
        assert drawing.get("role") == "img"
    assert tree.get("lang") == "en"


def test_an_empty_run_says_what_is_missing(shelf01: RunRecord) -> None:
    """Sections without content say so in words."""
    text = html.document_fromstring(render_html(outline(make_empty(shelf01)))).text_content()
    for words in (
        "Failed before the first step: no answer",
        "No step was reached.",
        "No service was watched: outage was not measured.",
        "The clone was not rebooted.",
        "No download was counted.",
        "No prompt was met.",
        "Disk use was not measured.",
        "not measured",
    ):
        assert words in text


def test_a_figure_of_minus_one_is_called_not_measured(shelf01: RunRecord) -> None:
    """The reboot step has no CPU figure: the page says so and prints no -1."""
    tree = html.document_fromstring(render_html(outline(shelf01)))
    (row,) = tree.xpath('//tr[th[starts-with(normalize-space(), "Restart into the new kernel")]]')
    cells = [cell.text_content() for cell in row]
    assert "not measured" in cells
    assert not any("-1" in cell for cell in cells)


def test_a_word_stands_beside_every_colour(shelf01: RunRecord) -> None:
    """No coloured mark is the only carrier of its meaning (WCAG 2.2, 1.4.1)."""
    tree = html.document_fromstring(render_html(outline(shelf01)))
    marks = tree.xpath('//span[contains(@class, "word")]')
    assert marks
    assert all(mark.text_content().strip() for mark in marks)
    for item in tree.xpath('//ul[@class="key"]/li'):
        assert item.text_content().strip()


def read_palette(css: str) -> tuple[dict[str, str], dict[str, str]]:
    light = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", css.partition("@media")[0]))
    dark_part = css.partition("prefers-color-scheme: dark")[2].partition("\n}\n")[0]
    return light, {**light, **dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", dark_part))}


def contrast(one: str, other: str) -> float:
    """The contrast ratio of WCAG 2.2 (definition "contrast ratio", "relative luminance")."""

    def luminance(colour: str) -> float:
        parts = [int(colour[n : n + 2], 16) / 255 for n in (1, 3, 5)]
        linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_letters_have_contrast_in_both_schemes() -> None:
    """Ink and faint ink reach 4.5 to 1 on paper and on bands, light and dark (WCAG 2.2,
    1.4.3); black on white is 21 to 1 by definition."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    for palette in read_palette(CSS.read_text(encoding="utf-8")):
        for ink in ("ink", "faint"):
            for ground in ("paper", "band"):
                assert contrast(palette[ink], palette[ground]) >= 4.5


def test_colours_are_those_of_okabe_and_ito() -> None:
    """Orange, sky blue, bluish green, yellow, blue, vermilion and reddish purple as Okabe
    and Ito published them ("Color Universal Design", 2008), in both schemes."""
    for palette in read_palette(CSS.read_text(encoding="utf-8")):
        assert {n: palette[n] for n in ("orange", "sky", "green", "yellow")} == {
            "orange": "#e69f00",
            "sky": "#56b4e9",
            "green": "#009e73",
            "yellow": "#f0e442",
        }
        assert (palette["blue"], palette["vermilion"]) == ("#0072b2", "#d55e00")
        assert palette["purple"] == "#cc79a7"


def test_bars_lie_where_the_steps_ran(shelf01: RunRecord) -> None:
    """On the axis a bar's place and width are the step's share of the time drawn, and no
    bar leaves the drawing."""
    report = outline(shelf01)
    drawing = draw_steps(report)
    assert drawing is not None
    steps = [line.step for line in report.steps if line.step.end.value != "skipped"]
    ends = [s.started_s + s.wall_s for s in steps] + [o.end_s for o in shelf01.outages]
    length = max(ends) - steps[0].started_s
    for row, step in zip(drawing.rows, steps, strict=True):
        (bar,) = row.bars
        assert bar.left == pytest.approx((step.started_s / length) * 100, abs=0.01)
        assert bar.width == pytest.approx((step.wall_s / length) * 100, abs=0.01)
        assert 0 <= bar.left <= bar.left + bar.width <= 100.001


def test_outage_bars_share_the_axis_of_the_steps(shelf01: RunRecord) -> None:
    """Both drawings have the same ticks and the same window, so they can be compared."""
    report = outline(shelf01)
    steps, outages = draw_steps(report), draw_outages(report)
    assert steps is not None
    assert outages is not None
    assert steps.ticks == outages.ticks
    assert steps.window == outages.window
    assert [row.word for row in outages.rows] == ["never came back", "44 s", "41 s", "none seen"]


@pytest.mark.parametrize("length_s", [0.5, 7, 59, 61, 3000, 40_000, 400_000])
def test_the_axis_has_few_ticks_at_any_length(shelf01: RunRecord, length_s: float) -> None:
    """From half a second to days there are between one and six ticks, so that their
    labels do not meet on a phone."""
    step = dataclasses.replace(shelf01.steps[0], started_s=100.0, wall_s=length_s)
    drawing = draw_steps(outline(dataclasses.replace(shelf01, steps=(step,), outages=())))
    assert drawing is not None
    assert 1 <= len(drawing.ticks) <= 6
    assert drawing.ticks[0].label == "0:00:00"


def test_a_clean_run_is_marked_clean(shelf01: RunRecord) -> None:
    """The verdict's rule is green only for a clean run."""
    clean = dataclasses.replace(
        shelf01, checks=(), outages=(), seen=(Seen("cosmetic", "t", ""),), steps=shelf01.steps[:5]
    )
    marked = 'class="verdict clean"'
    assert marked in render_html(outline(clean))
    assert marked not in render_html(outline(shelf01))
