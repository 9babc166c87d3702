"""The page in a real browser: no request, no error, narrow, dark, on paper, without script."""

from __future__ import annotations

import re
import shutil
from typing import TYPE_CHECKING

import pytest

from tests.results_factory import eight_page, hostile_results

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.browser
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    playwright = pytest.importorskip("playwright.sync_api")
    if CHROMIUM is None:
        pytest.skip("no Chromium on this machine")
    with playwright.sync_playwright() as p:
        launched = p.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"]
        )
        yield launched
        launched.close()


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("page") / "report.html"
    path.write_text(eight_page(), encoding="utf-8")
    return path


def opened(browser: Browser, file: Path, width: int, **context: object) -> tuple[Page, list[str]]:
    """Open the page; return it with every request and console message that was not its own."""
    page = browser.new_context(
        viewport={"width": width, "height": 900},
        **context,  # type: ignore[arg-type]
    ).new_page()
    seen: list[str] = []
    page.on("console", lambda message: seen.append(f"console: {message.text}"))
    page.on("pageerror", lambda error: seen.append(f"error: {error}"))
    page.on("dialog", lambda dialog: seen.append(f"dialog: {dialog.message}"))
    page.on(
        "request",
        lambda r: seen.append(r.url) if r.url != file.as_uri() and r.url[:5] != "data:" else None,
    )
    page.goto(file.as_uri())
    return page, seen


@pytest.mark.parametrize("width", [320, 390, 1280])
def test_no_request_no_console_message_no_sideways_scroll(
    browser: Browser, file: Path, width: int
) -> None:
    page, seen = opened(browser, file, width)
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    sticking_out = page.evaluate(
        """width => [...document.querySelectorAll('main *')].filter(e =>
            !e.closest('.scroll') && !e.closest('svg') &&
            e.getBoundingClientRect().right > width + 1).map(e => e.outerHTML.slice(0, 80))""",
        width,
    )
    assert sticking_out == []
    assert seen == []


@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (320, "dark")])
def test_axe_core_finds_no_violation(browser: Browser, file: Path, width: int, scheme: str) -> None:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    page, _ = opened(browser, file, width, color_scheme=scheme)
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    # The pictures' letters are looked at once: every one of them costs milliseconds.
    context = {"exclude": [["svg"]]} if scheme == "dark" else None
    found = axe.run(page, context=context, options={"resultTypes": ["violations"]}).response
    assert len(found["passes"]) > 10  # it looked at something
    assert [(v["id"], v["nodes"][0]["html"][:100]) for v in found["violations"]] == []


def test_dark_mode_turns_page_and_pictures(browser: Browser, file: Path) -> None:
    inks = []
    for scheme in ("light", "dark"):
        page, _ = opened(browser, file, 390, color_scheme=scheme)
        page_ink = page.evaluate("getComputedStyle(document.body).color")
        drawn = page.evaluate("getComputedStyle(document.querySelector('.plot svg text')).fill")
        ground = page.evaluate("getComputedStyle(document.documentElement).backgroundColor")
        assert drawn == page_ink
        assert ground != page_ink
        inks.append(page_ink)
    light, dark = (sum(map(int, re.findall(r"\d+", ink))) for ink in inks)
    assert light < 150 < 600 < dark


def test_everything_is_there_without_script(browser: Browser, file: Path) -> None:
    page, seen = opened(browser, file, 390, java_script_enabled=False)
    page.get_by_text("Glossary", exact=True).click()
    assert page.get_by_text("Drag area: drag coefficient times").is_visible()
    assert seen == []


def test_keyboard_reaches_folds_and_wide_tables(browser: Browser, file: Path) -> None:
    page, _ = opened(browser, file, 390)
    reached = set()
    for _ in range(40):
        page.keyboard.press("Tab")
        reached.add(page.evaluate("document.activeElement.tagName"))
    assert {"A", "SUMMARY", "DIV"} <= reached


def test_it_prints_to_a4_with_the_folded_parts_open(browser: Browser, file: Path) -> None:
    page, _ = opened(browser, file, 1280)
    page.emulate_media(media="print")
    heights = page.evaluate(
        """[...document.querySelectorAll('details')].map(
            d => d.lastElementChild.getBoundingClientRect().height)"""
    )
    assert heights
    assert min(heights) > 0
    page.set_viewport_size({"width": 680, "height": 900})  # A4 less its margins, 180 mm
    assert page.evaluate("document.documentElement.scrollWidth") <= 680
    pdf = page.pdf(prefer_css_page_size=True, print_background=True)
    sizes = {
        tuple(round(float(x)) for x in box.split())
        for box in re.findall(r"/MediaBox \[([^\]]+)\]", pdf.decode("latin-1"))
    }
    assert sizes == {(0, 0, 595, 842)}  # A4 is 210 mm by 297 mm: 595.3 by 841.9 points


def test_names_and_roles_reach_a_screen_reader(browser: Browser, file: Path) -> None:
    page, _ = opened(browser, file, 320)
    assert page.get_by_role("heading", level=1).count() == 1
    table = page.get_by_role("table", name="Positions in order")
    assert table.get_by_role("columnheader").count() == 7
    assert table.get_by_role("row").count() == 9
    images = page.get_by_role("img")
    assert images.count() >= 18
    assert all(images.nth(k).get_attribute("aria-label") for k in range(images.count()))


def test_hostile_names_stay_quiet_and_narrow(browser: Browser, tmp_path: Path) -> None:
    from cda.report import build_report

    path = tmp_path / "hostile.html"
    path.write_text(build_report(*hostile_results()), encoding="utf-8")
    page, seen = opened(browser, path, 320)
    assert seen == []
    assert page.evaluate("document.documentElement.scrollWidth") <= 320
