"""The pages with the language set to German, in a browser at both widths: no English left, nothing that sticks out.

The server is a process of its own (`tests.german_site`): the language is chosen when the program starts.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from urllib.request import urlopen

import pytest

from tests.test_dashboard_page import CHROMIUM, FLAGS, PHONE, WIDE

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")

ENGLISH = re.compile(r"\b(?:the|and|is|with|would|of|more|than|which|from|swings?|not|yet)\b", re.IGNORECASE)
POINT = re.compile(r"(?<![\d.])\d+\.\d+(?![\d.])")
"""A number with a decimal point; no date, which has two."""

# What is opened, what is waited for, and what is said there.
PAGES = {
    "/compare": (".conclude", "Drei Dinge haben sich geändert: Das Handgelenk oben"),
    "/compare?a=april&b=driver": (".conclude", "Verschiedene Schläger: Eisen 7 und Driver."),
    "/compare?a=april&b=mai&targets=tempo@ratio,face_to_forearm@impact": (
        ".conclude",
        "nicht zu sagen: nicht gemessen",
    ),
    "/progress": (".follow", "oben: gebeugt"),
    "/progress?student={student}": (".change-facts", "von heute aus"),
    "/students/lesson/{lesson}": (
        ".change-links",
        "Wer das Handgelenk oben 10° stärker beugt, macht das Blatt zum Arm",
    ),
    "/letter?a=april&b=ende-mai": ("#letter-preview", "Oben liegt das Lineal noch an."),
    "/swings/schwuenge?swing=14": (".unknown", "der Sensor am Schläger hat hier Messwerte verloren"),
    "/swings/schwuenge?swing=8": (".unknown", "das Handgelenk oben ist nur auf ±12° bekannt"),
}


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, str]]:
    place = tmp_path_factory.mktemp("deutsch")
    command = [sys.executable, "-m", "tests.german_site", str(place)]
    with subprocess.Popen(command, cwd=Path(__file__).parent.parent, stdout=subprocess.PIPE, text=True) as served:
        try:
            assert served.stdout is not None
            yield json.loads(served.stdout.readline())
        finally:
            served.terminate()


@pytest.fixture(scope="module")
def browser() -> Iterator[object]:
    with playwright.sync_playwright() as p:
        running = p.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield running
        running.close()


@pytest.fixture(scope="module", params=[WIDE, PHONE], ids=["1280", "390"])
def page(request, browser):
    context = browser.new_context(viewport=request.param)
    context.set_default_timeout(60_000)  # a busy machine, not the page, is what takes long
    yield context.new_page()
    context.close()


@pytest.mark.parametrize("link", PAGES)
def test_a_page_speaks_german(page, site, link):
    waited, said = PAGES[link]
    page.goto(site["address"] + link.format(**site))
    page.wait_for_selector(waited, state="attached")
    page.evaluate("document.querySelectorAll('details:not(.chooser)').forEach((d) => { d.open = true; })")
    text = page.inner_text("body")
    if link.startswith("/letter"):
        text += "\n" + page.frame_locator("#letter-preview").locator("body").inner_text()
    spoken = page.locator("svg[aria-label]").evaluate_all("all => all.map((x) => x.getAttribute('aria-label'))")
    lines = [line for line in [*text.split("\n"), *spoken] if ENGLISH.search(line)]
    assert lines == []
    assert [line for line in [*text.split("\n"), *spoken] if POINT.search(line)] == []
    assert said in re.sub(r"\s+", " ", text)
    assert page.evaluate("document.documentElement.lang") == "de"
    assert page.evaluate("document.documentElement.scrollWidth") <= page.viewport_size["width"]


def test_the_letter_that_is_taken_along_is_german(site):
    with urlopen(f"{site['address']}/letter-file?a=april&b=ende-mai&kept_as=html", timeout=60) as answer:
        html = answer.read().decode()
    assert '<html lang="de">' in html
    assert "Was wir noch nicht sagen können." in html
    assert ENGLISH.findall(re.sub(r"(?s)<style>.*?</style>|<[^>]+>", " ", html)) == []
