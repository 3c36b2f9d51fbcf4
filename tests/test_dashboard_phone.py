"""What a phone's narrow page must hold, drawn in a browser at 390 px: one row of pages, names within their drawing."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from dashboard import ridges
from dashboard.app import ASSETS, PAGES
from dashboard.live import ASSETS as LIVE_ASSETS
from dashboard.live import page_text
from dashboard.words import catalogue
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


def drawn(page, place: Path, text: str, *styles: Path) -> None:
    """A page of files, so that the fonts are those of the style sheets."""
    links = "".join(f'<link rel="stylesheet" href="{style.resolve().as_uri()}">' for style in styles)
    (place / "page.html").write_text(f'<meta charset="utf-8">{links}{text}', encoding="utf-8")
    page.goto((place / "page.html").as_uri())
    page.evaluate("document.fonts.ready")
    assert page.evaluate("[...document.fonts].some((face) => face.status === 'loaded')")


def test_the_live_pages_navigation_is_one_row_that_can_be_touched(page, tmp_path) -> None:
    text = re.sub(r"<script.*?</script>", "", page_text([(p.label, p.path) for p in PAGES]), flags=re.DOTALL)
    text = re.sub(r"<link[^>]*>", "", text)
    drawn(page, tmp_path, text, ASSETS / "tokens.css", LIVE_ASSETS / "live.css")
    boxes = [link.bounding_box() for link in page.locator(".nav a").all()]
    assert len(boxes) == len(PAGES) + 1
    assert len({round(box["y"]) for box in boxes}) == 1
    assert all(box["height"] >= 44 for box in boxes)
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    assert boxes[-1]["x"] + boxes[-1]["width"] <= PHONE["width"], "all of them are seen"


@pytest.mark.parametrize("language", ["en", "de"])
def test_names_of_events_stay_within_the_curves(page, tmp_path, language, monkeypatch) -> None:
    monkeypatch.setattr(ridges, "say", lambda key, **fields: catalogue(language)[key].format(**fields))
    r = np.random.default_rng(3)
    a, b = (SwingSet.of(name, lesson(r, n=5, traces=True)) for name in ("A", "B"))
    svg = ridges.curves_svg(compare_curves(a, b, "wrist_flexion"), ("A", "B"), narrow=True)
    styles = (ASSETS / name for name in ("tokens.css", "page.css", "compare.css"))
    drawn(page, tmp_path, f'<main style="padding:33px">{svg}</main>', *styles)
    assert page.locator("svg text").count() > 8
    assert page.evaluate(INSIDE) == []
