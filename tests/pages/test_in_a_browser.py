"""The pages in a real browser: what they ask for, and who can use them.

Chromium draws them; axe-core (Deque Systems, the engine as packed by axe-playwright-python)
judges them by its rules for WCAG 2.0, 2.1 and 2.2, levels A and AA, and its best practices.
Tier `browser`: skipped with the reason where either is missing. `.ci/set-up dev` installs both.
"""

from __future__ import annotations

import dataclasses
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pydantic import TypeAdapter

from forerun.model.observation import RunRecord
from forerun.profiles import find_profile, load_profile, load_site
from forerun.report.compare import compare_runs
from forerun.report.compare_render import render_comparison_html
from forerun.report.debrief import outline_debrief
from forerun.report.outline import outline
from forerun.report.render_debrief import render_debrief_html
from forerun.report.render_html import render_html
from forerun.report.runbook_html import render_runbook
from tests.practice.drills import make_failed
from tests.practice.outlook import (
    course_of_profile,
    course_of_run,
    make_outlook,
    with_trials,
)
from tests.unit.test_runbook import make_run

pytestmark = pytest.mark.browser

TESTS = Path(__file__).parents[1]
BROWSER = shutil.which("chromium") or ""
NAMES = ("report", "bare", "runbook", "comparison", "debrief")
FLAGS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip
# A4 less the page's margins, in CSS pixels (CSS Values 4: 96 to the inch).
A4_WIDTH = round((210 - 2 * 14) / 25.4 * 96)


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Each page as a file: a full report, one without any outlook, one with far too
    many conditions, runbook, comparison, a drill's debrief."""
    data = TESTS / "data" / "run-record-shelf01.json"
    read = TypeAdapter(RunRecord).validate_json(data.read_bytes())
    run = with_trials(read, "quiesce")
    full = outline(run, outlook=make_outlook(course_of_run(run)))
    profile = load_profile(find_profile("debian-12-to-13"))
    site = load_site(TESTS.parent / "demo" / "site.yaml")
    ran = with_trials(make_run(read, profile, site), "minimal-upgrade")
    other = outline(dataclasses.replace(read, id="run-2", packages=read.packages[2:]))
    look = make_outlook(course_of_run(run))
    assert look.decision is not None
    conditions = tuple(f"{n}: {'before the night somebody must ' * 3}do it." for n in range(20))
    decision = dataclasses.replace(look.decision, conditions=conditions)
    crowded = dataclasses.replace(look, decision=decision)
    drawn = {
        "crowded": render_html(outline(run, outlook=crowded)),
        "report": render_html(full),
        "bare": render_html(outline(read)),
        "runbook": render_runbook(profile, site, ran, make_outlook(course_of_profile(profile))),
        "comparison": render_comparison_html(compare_runs(full, other)),
        "debrief": render_debrief_html(outline_debrief(make_failed())),
    }
    folder = tmp_path_factory.mktemp("pages")
    for name, text in drawn.items():
        (folder / f"{name}.html").write_text(text, encoding="utf-8")
    return {name: folder / f"{name}.html" for name in drawn}


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """Chromium without a window."""
    if not BROWSER:
        pytest.skip("there is no program chromium (Debian package chromium)")
    driver = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    with driver.sync_playwright() as playing:
        one = playing.chromium.launch(executable_path=BROWSER, args=list(FLAGS))
        yield one
        one.close()


@pytest.fixture(params=NAMES)
def page_path(request: pytest.FixtureRequest, pages: dict[str, Path]) -> Path:
    return pages[request.param]


def open_page(browser: Any, path: Path, **context: Any) -> Iterator[Any]:
    """The page in a context of its own, with what it asked for in `asked`; the policy is lifted
    for what the test itself runs in it, never for what the page could ask for."""
    scene = browser.new_context(**context)
    page = scene.new_page()
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(path.as_uri())
    page.asked = asked
    yield page
    scene.close()


@pytest.mark.parametrize("script", [True, False])
def test_a_page_asks_for_nothing(browser: Any, page_path: Path, script: bool) -> None:
    """One request: the file itself; also with every part opened and scrolled to."""
    for page in open_page(browser, page_path, java_script_enabled=script):
        page.keyboard.press("End")
        for part in page.locator("summary").all():
            part.click()
        page.wait_for_timeout(300)
        assert page.asked == [page_path.as_uri()]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1280, 360])
def test_axe_finds_nothing(browser: Any, page_path: Path, scheme: str, width: int) -> None:
    """No violation of axe-core's rules, on a desk and on a phone, light and dark."""
    packed = pytest.importorskip("axe_playwright_python.base", reason="axe-core is not installed")
    engine = (Path(packed.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
    size = {"width": width, "height": 900}
    for page in open_page(browser, page_path, viewport=size, color_scheme=scheme, bypass_csp=True):
        page.evaluate(engine)
        found = page.evaluate("axe.run(document, {resultTypes: ['violations', 'passes']})")
        assert len(found["passes"]) > 20
        told = [
            (one["id"], one["help"], [node["target"] for node in one["nodes"][:3]])
            for one in found["violations"]
        ]
        assert told == []


@pytest.mark.parametrize("width", [360, 768, 1280])
def test_nothing_is_wider_than_the_screen(browser: Any, page_path: Path, width: int) -> None:
    """The page itself never scrolls sideways (WCAG 2.2, 1.4.10); wide tables scroll in their
    own box, and the letters of no drawing lie outside it."""
    size = {"width": width, "height": 800}
    for page in open_page(browser, page_path, viewport=size):
        across = page.evaluate(
            "[document.documentElement.scrollWidth, document.documentElement.clientWidth]"
        )
        assert across[0] <= across[1]
        outside = page.evaluate(
            """[...document.querySelectorAll('svg[role=img] text')].filter(e => {
                 const t = e.getBoundingClientRect();
                 const s = e.closest('svg').getBoundingClientRect();
                 return t.width > 0 && (t.left < s.left - 1 || t.right > s.right + 1);
               }).map(e => e.textContent)"""
        )
        assert outside == []


def test_the_keyboard_reaches_everything(browser: Any, page_path: Path) -> None:
    """The first stop is the skip link, which then shows; each stop has a visible ring."""
    for page in open_page(browser, page_path, viewport={"width": 1280, "height": 800}):
        page.keyboard.press("Tab")
        first = page.evaluate(
            "(e => [e.className, e.getBoundingClientRect().left])(document.activeElement)"
        )
        assert first[0] == "skip"
        assert first[1] >= 0
        stops = 0
        for _ in range(6):
            page.keyboard.press("Tab")
            if page.evaluate("document.activeElement === document.body"):
                break  # a short page has fewer stops
            stops += 1
            ring = page.evaluate(
                "(s => [s.outlineStyle, parseFloat(s.outlineWidth)])"
                "(getComputedStyle(document.activeElement))"
            )
            assert ring[0] == "solid"
            assert ring[1] >= 2
        assert stops >= 2


def test_nothing_is_wider_than_the_paper(browser: Any, page_path: Path) -> None:
    """On A4 no table or drawing leaves its page: a browser would shrink all of it to fit."""
    size = {"width": A4_WIDTH, "height": 900}
    for page in open_page(browser, page_path, viewport=size):
        page.emulate_media(media="print")
        wide = page.evaluate(
            """[...document.querySelectorAll('main *')].filter(
                 e => e.getBoundingClientRect().right > document.documentElement.clientWidth + 1
               ).slice(0, 5).map(e => e.tagName + ' ' + e.textContent.slice(0, 40))"""
        )
        assert wide == []


@pytest.mark.parametrize("name", ["report", "bare", "crowded"])
def test_the_sheet_is_one_printed_page(browser: Any, pages: dict[str, Path], name: str) -> None:
    """Cover and sheet together are no higher than A4 less its margins, and what comes after
    begins on a new page (CSS Fragmentation 3, break-after)."""
    size = {"width": A4_WIDTH, "height": 900}
    for page in open_page(browser, pages[name], viewport=size):
        page.emulate_media(media="print")
        bottom, after = page.evaluate(
            """(s => [s.getBoundingClientRect().bottom + scrollY,
                      getComputedStyle(s).breakAfter])(document.querySelector('.sheet'))"""
        )
        assert after == "page"
        assert bottom <= (297 - 2 * 16) / 25.4 * 96
