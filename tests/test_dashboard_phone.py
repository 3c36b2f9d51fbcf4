"""What a phone's narrow page must hold, drawn in a browser at 390 px: one row of pages, names within their drawing."""

from __future__ import annotations

import re
from collections.abc import Iterator

import numpy as np
import pytest

from dashboard.app import ASSETS, PAGES
from dashboard.live import ASSETS as LIVE_ASSETS
from dashboard.live import page_text
from dashboard.ridges import curves_svg
from imu.compare import SwingSet
from imu.curves import compare_curves
from tests.lessons import lesson
from tests.test_dashboard_page import CHROMIUM, FLAGS, PHONE

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")

INSIDE = """() => {
  const box = document.querySelector('svg').getBoundingClientRect();
  return [...document.querySelectorAll('svg text')].map((t) => [t.textContent, t.getBoundingClientRect()])
    .filter(([, r]) => r.left < box.left || r.right > box.right || r.bottom > box.bottom + 1).map(([text]) => text);
}"""


@pytest.fixture(scope="module")
def page() -> Iterator:
    with playwright.sync_playwright() as p:
        running = p.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield running.new_page(viewport=PHONE)
        running.close()


def styled(*names: str) -> str:
    return "".join(f"<style>{(ASSETS / name).read_text('utf-8')}</style>" for name in names)


def test_the_live_pages_navigation_is_one_row_that_can_be_touched(page) -> None:
    text = re.sub(r"<script.*?</script>", "", page_text([(p.label, p.path) for p in PAGES]), flags=re.DOTALL)
    page.set_content(text + styled("tokens.css") + f"<style>{(LIVE_ASSETS / 'live.css').read_text('utf-8')}</style>")
    boxes = [link.bounding_box() for link in page.locator(".nav a").all()]
    assert len(boxes) == len(PAGES) + 1
    assert len({round(box["y"]) for box in boxes}) == 1
    assert all(box["height"] >= 44 for box in boxes)
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    last = page.locator(".nav a").last
    last.scroll_into_view_if_needed()
    assert last.bounding_box()["x"] + last.bounding_box()["width"] <= PHONE["width"]


def test_names_of_events_stay_within_the_curves(page) -> None:
    r = np.random.default_rng(3)
    a, b = (SwingSet.of(name, lesson(r, n=5, traces=True)) for name in ("A", "B"))
    svg = curves_svg(compare_curves(a, b, "wrist_flexion"), ("A", "B"), narrow=True)
    page.set_content(styled("tokens.css", "page.css", "compare.css") + f'<main style="padding:33px">{svg}</main>')
    assert page.locator("svg text").count() > 8
    assert page.evaluate(INSIDE) == []
