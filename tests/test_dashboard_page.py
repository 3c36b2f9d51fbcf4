"""The swing page in a browser: mouse, keyboard, both widths, and no request that leaves the machine."""

from __future__ import annotations

import json
import re
import shutil
import socket
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from dashboard.sentence import sentence
from dashboard.service import Ready, Service
from imu.errors import CupbowError
from imu.measured import Measurement
from tests.synthetic_measurement import measurement

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")

FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
WIDE, PHONE = {"width": 1280, "height": 900}, {"width": 390, "height": 844}
ARTEFACTS = Path(__file__).parents[1] / "artefacts"
AXE = Path(__file__).parent / "vendor" / "axe.min.js"
LESSON = "sandlark-heath/2026-05-24"


@dataclass
class Site:
    """A served dashboard, and what its pages asked for."""

    address: str
    service: Service
    irons: str = ""
    foreign: list[str] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)

    def url(self, key: str = LESSON, query: str = "") -> str:
        return f"{self.address}/swings/{key}{query}"

    def measured(self, key: str = LESSON) -> Measurement:
        entry = self.service.entry(key)
        assert entry is not None
        state = self.service.open(entry)
        assert isinstance(state, Ready)
        return state.measurement


def measure(path: Path, *, progress) -> Measurement:
    """Stands in for measuring, by the recording's name."""
    if path.name == "broken":
        raise CupbowError("broken/hand.csv, line 12: the column gx is missing; name it in recording.toml")
    if path.name == "no-swing":
        return Measurement("right", None, (), ("hand: the sensor never moved",), ())
    if path.name == "slow":
        for k in range(600):
            progress(k / 600, "fitting")
            time.sleep(0.05)
    if path.name == "no-hand":
        return measurement(3, handedness="right", without=("hand",))
    return measurement(22)


@pytest.fixture(scope="module")
def site(tmp_path_factory) -> Iterator[Site]:
    root = tmp_path_factory.mktemp("recordings")
    for name in (LESSON, "sandlark-heath/no-hand", "broken", "no-swing", "slow"):
        folder = root / name
        folder.mkdir(parents=True)
        text = f'handedness = "left"\nclub = "7-iron"\nrecorded_at = 2026-05-24T10:00:00+01:00\n# {name}\n'
        (folder / "recording.toml").write_text(text, encoding="utf-8")
    places = tmp_path_factory.mktemp("kept")
    service = Service(root, cache_dir=places / "cache", data_dir=places / "data", measurer=measure)
    low_high = {
        "wrist_flexion@shaft_level_back": (-20, 0),
        "wrist_flexion@arm_level_back": (-15, 3),
        "wrist_flexion@top": (-10, 4),
        "wrist_flexion@arm_level_down": (-8, 6),
        "wrist_flexion@shaft_level_down": (-6, 11),
        "face_to_forearm@top": (-5, 12),
    }
    rows = [
        {"angle": k.split("@")[0], "event": k.split("@")[1], "low": low, "high": high}
        for k, (low, high) in low_high.items()
    ]
    service.save_bands("Edda, irons", rows)
    for found in served(service):
        found.irons = service.bands().key
        yield found


def served(service: Service) -> Iterator[Site]:
    import uvicorn

    from dashboard.app import create_app

    listening = socket.socket()
    listening.bind(("127.0.0.1", 0))
    listening.listen()  # whoever calls before the server runs waits
    server = uvicorn.Server(uvicorn.Config(create_app(service).server, log_level="warning", lifespan="off"))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
    thread.start()
    yield Site(f"http://127.0.0.1:{listening.getsockname()[1]}", service)
    server.should_exit = True
    thread.join(20)
    service.close()


@pytest.fixture(scope="module")
def browser() -> Iterator:
    with playwright.sync_playwright() as started:
        opened = started.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield opened
        opened.close()


@pytest.fixture
def page(browser, site: Site, request) -> Iterator:
    """A page at 1280 px, or at the width that the test asks for; foreign requests are blocked and counted."""
    size = getattr(request, "param", WIDE)
    site.service.choose_bands(site.irons)
    context = browser.new_context(viewport=size, has_touch=size is PHONE, accept_downloads=True)
    context.set_default_timeout(30_000)  # a busy machine, not the page, is what takes long

    def local_only(route) -> None:
        if route.request.url.startswith((site.address, "data:", "blob:")):
            route.continue_()
        else:
            site.foreign.append(route.request.url)
            route.abort()

    context.route("**/*", local_only)
    tab = context.new_page()
    errors: list[str] = []
    tab.on("pageerror", lambda e: errors.append(str(e)))
    tab.on("console", lambda m: errors.append(m.text) if m.type == "error" else None)
    yield tab
    context.close()
    assert errors == []
    assert site.foreign == []


at_both = pytest.mark.parametrize("page", [WIDE, PHONE], indirect=True, ids=["1280", "390"])


def opened(page, site: Site, key: str = LESSON, query: str = "?swing=14") -> None:
    page.goto(site.url(key, query))
    page.wait_for_selector(".strip-slider, .table-view")


def number(text: str) -> float:
    found = re.search(r"[−-]?\d+", text)
    assert found, text
    return float(found[0].replace("−", "-"))


def keep(page, name: str) -> None:
    ARTEFACTS.mkdir(exist_ok=True)
    page.screenshot(path=ARTEFACTS / f"{name}.png", full_page=True)


def query(page) -> str:
    return page.evaluate("window.location.search")


# -- numbers ---------------------------------------------------------------------------------------


@at_both
def test_numbers_on_the_page_are_those_of_the_json(page, site: Site) -> None:
    opened(page, site)
    swing = site.measured().to_json()["swings"][13]
    cells = page.locator("table td[data-cell]")
    seen = set()
    for text, key in cells.evaluate_all("all => all.map(td => [td.textContent, td.dataset.cell])"):
        angle, event = key.split("@")
        value = swing["angles"][angle][event]
        seen.add(key)
        if value["value"] is None:
            assert text.startswith("—")
            assert value["reason"] in text  # the table is read aloud: its reason is there
        else:
            shown = re.match(r"(−?\d+) ±(\d+)", text)
            assert shown, text
            assert number(shown[1]) == pytest.approx(value["value"], abs=0.5)
            assert float(shown[2]) == pytest.approx(value["u95"], abs=0.5)
    assert len(seen) == 9 * 10
    top = page.locator('.strip-svg [data-cell="wrist_flexion@top"], .now-number[data-cell="wrist_flexion@top"]').first
    assert number(top.text_content()) == pytest.approx(swing["angles"]["wrist_flexion"]["top"]["value"], abs=0.5)
    assert page.locator("h1").inner_text() == (
        "Too cupped at the top, by 8° or more. In its band again when the shaft is level on the way down."
    )
    keep(page, f"swing-{page.viewport_size['width']}")


def test_verdicts_on_the_page_are_those_of_the_results(page, site: Site) -> None:
    opened(page, site)
    words = {"inside": "in", "unsure": "unsure", "below": "cup side", "above": "bow side"}
    for key, band in site.measured().swings[13].bands.items():
        if key.startswith("wrist"):
            cell = page.locator(f'table td[data-cell="{key}"] .word')
            assert cell.text_content().strip() == words[band.verdict]
    bubbles = page.locator('.numbers tr[data-angle="wrist_flexion"] svg.level')
    assert bubbles.get_attribute("aria-label") == "Wrist 21 degrees cupped, plus or minus 3: cup side of the band"


# -- mouse and keyboard ----------------------------------------------------------------------------


def test_swing_and_event_by_mouse(page, site: Site) -> None:
    opened(page, site)
    page.get_by_role("link", name=re.compile(r"^Swing 11\.")).click()
    page.wait_for_selector('h1:has-text("Face too open")')
    assert "swing=11" in query(page)
    svg = page.locator("svg.strip-svg")
    box = svg.bounding_box()
    column = (box["width"] - 104) / 10
    page.mouse.click(box["x"] + 94 + 7.5 * column, box["y"] + 60)  # the eighth column: impact
    page.wait_for_selector('.numbers h2:has-text("at impact")')
    assert "at=impact" in query(page)
    shown = page.locator('.numbers tr[data-angle="wrist_flexion"] .number').inner_text()
    value = site.measured().swings[10].angles["wrist_flexion"]["impact"].value_deg
    assert number(shown) == pytest.approx(value, abs=0.5)
    page.get_by_role("link", name="Next swing").click()
    page.wait_for_selector('.rail a[aria-current="page"]:has-text("12")')
    page.wait_for_selector('.numbers h2:has-text("at impact")')  # the place stays
    page.go_back()
    page.wait_for_selector('.rail a[aria-current="page"]:has-text("11")')


def test_swing_and_event_by_keyboard_alone(page, site: Site) -> None:
    opened(page, site)
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    for _ in range(40):
        page.keyboard.press("Tab")
        if page.evaluate(
            "document.activeElement.getAttribute('aria-current') === 'page' && !!document.activeElement.closest('.rail')"
        ):
            break
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Enter")
    page.wait_for_selector('.rail a[aria-current="page"]:has-text("15")')
    for _ in range(20):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.getAttribute('role')") == "slider":
            break
    slider = page.get_by_role("slider")
    assert slider.get_attribute("aria-valuetext").startswith("Top. Wrist")
    page.keyboard.press("ArrowRight")
    assert slider.get_attribute("aria-valuetext").startswith("Arm level down. Wrist")
    assert "at=arm_level_down" in query(page)
    page.keyboard.press("Shift+ArrowRight")
    assert re.match(r"1\.\d\d s\. Wrist", slider.get_attribute("aria-valuetext"))
    page.keyboard.press("End")
    assert slider.get_attribute("aria-valuetext").startswith("Finish")
    page.keyboard.press("Home")
    assert slider.get_attribute("aria-valuetext").startswith("Address")


@pytest.mark.parametrize("page", [PHONE], indirect=True, ids=["390"])
def test_the_phone_has_cards_tabs_and_one_trace(page, site: Site) -> None:
    opened(page, site)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    page.get_by_role("button", name="Impact").tap()
    page.wait_for_selector('.now-name:has-text("Impact")')
    page.locator(".segments button", has_text="Hinge").tap()
    shown = page.locator(".now-number")
    assert shown.get_attribute("data-cell") == "wrist_deviation@impact"
    assert number(shown.inner_text()) == 10
    assert "angle=wrist_deviation" in query(page)
    page.locator(".narrow [role=slider]").focus()
    page.keyboard.press("ArrowLeft")
    page.wait_for_selector('.now-name:has-text("Shaft level down")')
    small = page.locator("button:visible, .rail a:visible, .nav a:visible").evaluate_all(
        "all => all.map(e => [e.textContent, e.getBoundingClientRect().height]).filter(x => x[1] < 36)"
    )
    assert small == []


# -- links -----------------------------------------------------------------------------------------


def test_a_link_brings_back_what_was_seen(page, site: Site) -> None:
    opened(page, site, query="?swing=9&at=impact&view=table")
    assert page.locator(".table-view").is_visible()
    assert page.locator('.table-view th[aria-current="true"]').inner_text() == "Impact"
    page.get_by_role("button", name="Real time").click()
    assert "view=real" in query(page)
    page.reload()
    page.wait_for_selector('button[aria-pressed="true"]:has-text("Real time")')
    page.wait_for_selector('.rail a[aria-current="page"]:has-text("9")')
    assert page.locator("svg.strip-svg").is_visible()
    keep(page, "swing-real-time")


# -- what the user decides -------------------------------------------------------------------------


def test_leaving_a_swing_out_and_taking_it_back(page, site: Site) -> None:
    opened(page, site, query="?swing=12")
    assert page.locator(".means").inner_text().count("20 swings, 1 too poor to read") == 1
    page.get_by_role("button", name="Leave this swing out of means").click()
    page.wait_for_selector('.means:has-text("19 swings, 1 left out, 1 too poor to read")')
    assert site.service.left_out(site.service.entry(LESSON)) == {12: ""}
    assert page.locator('.rail a[aria-current="page"]').get_attribute("aria-label").endswith("left out")
    page.get_by_role("button", name="Take this swing back into means").click()
    page.wait_for_selector('.means:has-text("20 swings, 1 too poor to read")')
    assert site.service.left_out(site.service.entry(LESSON)) == {}


def test_bands_are_edited_with_the_least_width(page, site: Site) -> None:
    opened(page, site)
    page.locator("summary", has_text="Bands").click()
    low = page.get_by_label("From (°) Wrist, Top")
    high = page.get_by_label("To (°) Wrist, Top")
    low.fill("-23")
    high.fill("-19")
    assert (
        page.locator('.narrow-band [role="status"]')
        .inner_text()
        .endswith("At least 6° wide, and a swing in its middle is.")
    )
    page.get_by_role("button", name="Widen to 6°").click()
    assert (low.input_value(), high.input_value()) == ("-24", "-18")
    page.get_by_label("Name of this set").fill("Narrow")
    low.fill("5")
    page.get_by_role("button", name="Save and use").click()
    assert "must be below" in page.locator(".band-fault").inner_text()
    low.fill("-95")
    page.get_by_role("button", name="Save and use").click()
    page.wait_for_selector('.band-fault:has-text("outer limit")')
    assert site.service.bands().name == "Edda, irons"
    low.fill("-24")
    page.get_by_role("button", name="Save and use").click()
    page.wait_for_selector('.numbers tr[data-angle="wrist_flexion"] .word:text-is("in")')
    assert site.service.bands().name == "Narrow"
    assert site.measured().swings[13].bands["wrist_flexion@top"].verdict == "inside"
    page.get_by_label("Set of bands").select_option(label="no bands")
    page.wait_for_selector('h1:has-text("There is no band to hold it against")')
    page.get_by_label("Set of bands").select_option(label="Edda, irons")
    page.wait_for_selector('h1:has-text("Too cupped at the top, by 8")')


def test_what_is_typed_outlives_a_change_of_swing(page, site: Site) -> None:
    opened(page, site)
    page.locator("summary", has_text="Bands").click()
    page.get_by_label("Name of this set").fill("half way")
    page.get_by_role("link", name="Next swing").click()
    page.wait_for_selector('.rail a[aria-current="page"]:has-text("15")')
    assert page.get_by_label("Name of this set").input_value() == "half way"


# -- taking away -----------------------------------------------------------------------------------


def test_numbers_and_pictures_can_be_taken_away(page, site: Site, tmp_path: Path) -> None:
    opened(page, site)
    with page.expect_download() as got:
        page.get_by_role("link", name="Results (JSON)").click()
    got.value.save_as(tmp_path / "results.json")
    assert json.loads((tmp_path / "results.json").read_text()) == site.measured().to_json()
    with page.expect_download() as got:
        page.get_by_role("button", name="Picture of the strip (PNG)").click()
    got.value.save_as(tmp_path / "strip.png")
    body = (tmp_path / "strip.png").read_bytes()
    assert body[:8] == b"\x89PNG\r\n\x1a\n"
    assert len(body) > 20_000  # an empty sheet of this size is far smaller
    with page.expect_download() as got:
        page.get_by_role("button", name="Picture of the strip (SVG)").click()
    got.value.save_as(tmp_path / "strip.svg")
    text = (tmp_path / "strip.svg").read_text(encoding="utf-8")
    assert "Too cupped at the top" in text
    assert "http://127" not in text
    page.emulate_media(media="print")
    assert not page.locator(".rail").is_visible()
    assert page.locator("h1").is_visible()
    shutil.copy(tmp_path / "strip.png", ARTEFACTS / "strip-taken-away.png")


# -- states ----------------------------------------------------------------------------------------


def test_a_recording_that_cannot_be_read_shows_one_box(page, site: Site) -> None:
    page.goto(site.url("broken"))
    box = page.wait_for_selector(".fault")
    assert "line 12: the column gx is missing" in box.inner_text()
    page.locator(".chooser summary").click()
    page.locator(".chooser a", has_text="2026-05-24").click()
    page.wait_for_selector(".strip-slider")
    assert page.locator(".fault").count() == 0
    keep(page, "after-a-broken-one")


@at_both
def test_no_swing_unknown_links_and_missing_sensors(page, site: Site) -> None:
    page.goto(site.url("no-swing"))
    page.wait_for_selector('.fault:has-text("No swing was found")')
    assert "never moved" in page.locator(".warnings").inner_text()
    page.goto(site.url("nowhere/at-all"))
    page.wait_for_selector('.fault:has-text("no recording “nowhere/at-all”")')
    page.goto(site.url(query="?swing=99"))
    page.wait_for_selector('.fault:has-text("no swing 99")')
    page.goto(site.url("sandlark-heath/no-hand"))
    page.wait_for_selector('.unknown:has-text("No hand sensor: wrist and hinge cannot be read.")')
    assert page.locator('.numbers tr[data-angle="wrist_flexion"]').inner_text().endswith("no hand sensor")


def test_a_poor_swing_shows_why_and_no_number(page, site: Site) -> None:
    opened(page, site, query="?swing=8")
    assert (
        page.locator("h1").inner_text() == "This swing cannot be judged: the forearm sensor clipped in the downswing."
    )
    assert page.locator("svg.strip-svg .trace").evaluate_all("all => all.map(p => p.getAttribute('d')).join('')") == ""
    assert page.locator(".strip .vial.none").count() > 0


def test_measuring_shows_how_far_and_can_be_stopped(page, site: Site) -> None:
    page.goto(site.url("slow"))
    bar = page.get_by_role("progressbar")
    bar.wait_for()
    page.wait_for_selector('[role=progressbar]:not([aria-valuenow="0"])')
    page.get_by_role("button", name="Cancel").click()
    page.wait_for_selector('.fault:has-text("Measuring was stopped")')
    assert page.get_by_role("button", name="Measure again").is_visible()


def test_an_empty_folder_says_what_to_do(browser, tmp_path: Path) -> None:
    service = Service(tmp_path, cache_dir=tmp_path / ".c", data_dir=tmp_path / ".d", measurer=measure)
    for empty in served(service):
        tab = browser.new_page()
        tab.goto(empty.address)
        box = tab.wait_for_selector(".fault", timeout=30_000)
        assert "No swings yet" in box.inner_text()
        tab.close()


def test_a_demo_recording_from_files_to_page(browser, tmp_path: Path) -> None:
    """Nothing stands in here: sensor files are measured, and the page shows what the command writes."""
    demo = Path(__file__).parents[1] / "recordings" / "2026-05-24_7-iron"
    if not demo.is_dir():
        pytest.skip("the demo recordings are not here")
    service = Service(demo, cache_dir=tmp_path / "cache", data_dir=tmp_path / "data")
    for real in served(service):
        tab = browser.new_page(viewport=WIDE)
        tab.goto(real.url(demo.name, "?swing=2"))
        tab.wait_for_selector(".numbers tr", timeout=240_000)
        results = real.measured(demo.name).to_json()
        assert len(results["swings"]) == tab.locator(".rail li").count() > 1
        swing = results["swings"][1]
        for key in ("wrist_flexion@top", "face_to_forearm@top", "shaft_off_plane@impact", "forearm_roll@top"):
            angle, event = key.split("@")
            text = tab.locator(f'table td[data-cell="{key}"]').first.text_content()
            value = swing["angles"][angle][event]["value"]
            assert number(text) == pytest.approx(value, abs=0.5) if value is not None else text.startswith("—")
        assert tab.locator("h1").inner_text() == str(sentence(real.measured(demo.name).swings[1]).headline)
        keep(tab, "swing-demo")
        tab.close()


# -- access ----------------------------------------------------------------------------------------


@at_both
@pytest.mark.parametrize("link", [(LESSON, "?swing=14"), (LESSON, "?swing=8&view=table"), ("broken", ""), ("slow", "")])
def test_axe_finds_nothing_serious(page, site: Site, link: tuple[str, str]) -> None:
    page.goto(site.url(*link))
    page.wait_for_selector(".strip-slider, .table-view, .fault, [role=progressbar]")
    if page.locator("summary", has_text="Bands").is_visible():
        page.locator("summary", has_text="Bands").click()
        page.wait_for_selector(".band-editor")
    page.evaluate(AXE.read_text(encoding="utf-8"))
    found = page.evaluate("axe.run(document, {resultTypes: ['violations']})")
    serious = [
        (v["id"], [n["html"][:160] for n in v["nodes"][:3]])
        for v in found["violations"]
        if v["impact"] in ("serious", "critical")
    ]
    assert serious == []
    assert page.evaluate("document.documentElement.lang") == "en"


# -- who may ask -----------------------------------------------------------------------------------


def test_only_local_names_and_own_pages_are_answered(site: Site) -> None:
    import http.client

    def ask(**headers: str) -> int:
        host, port = site.address.removeprefix("http://").split(":")
        connection = http.client.HTTPConnection(host, int(port), timeout=20)
        connection.request("GET", "/_dash-layout", headers=headers)
        return connection.getresponse().status

    assert ask() == 200
    assert ask(Host="evil.example") == 403  # a foreign name that points here
    assert ask(Origin="https://evil.example") == 403  # a form of a foreign page
    assert ask(Origin=site.address) == 200


def test_the_browser_is_told_to_stay_here(site: Site) -> None:
    from urllib.request import urlopen

    with urlopen(site.url(), timeout=20) as answer:
        assert "default-src 'self'" in answer.headers["Content-Security-Policy"]
        assert "https://" not in answer.read().decode().replace("https://dash.plotly.com", "")
