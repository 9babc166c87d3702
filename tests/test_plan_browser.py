"""The run sheet on paper: A4, front and back, the strip in its size and whole."""

from __future__ import annotations

import re
import shutil
from typing import TYPE_CHECKING

import pytest

from cda.plan import PlannedPosition, load_protocol, make_plan, run_sheet_html

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser

pytestmark = pytest.mark.browser
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
LABELS = (
    "Head up, eyes on the horizon",
    "Chin down, shoulders rounded",
    "Elbows 4 cm closer, hands as before",
    "Hands high in front of the chin, helmet tail on the back",
)
MM = 96.0 / 25.4  # CSS pixels


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


@pytest.mark.parametrize(
    ("protocol", "n", "runs"),
    [("out-and-back", 2, 6), ("out-and-back", 4, 4), ("closed-loop", 3, 3), ("indoor-track", 2, 5)],
)
def test_a_morning_fits_one_sheet_front_and_back(
    browser: Browser, tmp_path: Path, protocol: str, n: int, runs: int
) -> None:
    positions = [PlannedPosition(id=f"p{k}", label=LABELS[k]) for k in range(n)]
    page = browser.new_page()
    page.set_content(run_sheet_html(make_plan(load_protocol(protocol), positions, runs=runs)))
    page.emulate_media(media="print")
    printed = page.pdf(prefer_css_page_size=True)
    assert len(re.findall(rb"/Type\s*/Page\b(?!s)", printed)) == 2
    assert b"/MediaBox [0 0 594.95996 841.91998]" in printed  # A4 [pt]
    strip = page.locator(".strip").bounding_box()
    assert strip is not None
    assert strip["width"] == pytest.approx(200.0 * MM, abs=1.0)
    assert strip["height"] == pytest.approx(40.0 * MM, abs=1.0)
    inside = page.locator(".strip").evaluate("e => e.scrollHeight <= e.clientHeight + 1")
    assert inside  # nothing of the strip is cut off
    page.close()
