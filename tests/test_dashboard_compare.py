"""Compare, progress and letter: drawings as functions of what was compared, and the pages in a
browser at both widths."""

from __future__ import annotations

import re
import shutil
import stat
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import parse_qs, urlsplit
from xml.etree import ElementTree

import numpy as np
import pytest

from dashboard import ridges
from dashboard.pages import compare as compare_page
from dashboard.pages import letter as letter_page
from dashboard.pages import progress as progress_page
from dashboard.service import Ready, Service
from dashboard.sets import clubs, lessons, offer, set_of
from imu.compare import CHANGED, Pair, SwingSet, compare
from imu.contrast import NOT_YET
from imu.curves import compare_curves
from imu.errors import CupbowError
from imu.library import Library, filing, finding
from imu.measured import Measurement
from tests.lessons import BANDS, lesson
from tests.library_case import recording_folder

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
AXE = Path(__file__).parent / "vendor" / "axe.min.js"
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
SIZES = {"desktop": {"width": 1280, "height": 900}, "phone": {"width": 390, "height": 844}}

# folder -> day, club, swings, how far the wrist has come, how far the shaft
PLAN = {
    "april": ("2026-04-12", "7-iron", 18, 0.0, 0.0),
    "may-3": ("2026-05-03", "7-iron", 12, 6.0, -3.0),
    "may-24": ("2026-05-24", "7-iron", 21, 14.0, -1.0),
    "driver-april": ("2026-04-12", "driver", 9, -3.0, 0.0),
    "driver-may": ("2026-05-24", "driver", 4, 5.0, 0.0),
}


def measure(path: Path, *, progress) -> Measurement:
    """Stands in for measuring, by the recording's name."""
    progress(0.5, "fitting")
    if path.name == "broken":
        raise CupbowError("broken/hand.csv, line 12: the column gx is missing; name it in recording.toml")
    _, club, n, wrist, shaft = PLAN[path.name]
    r = np.random.default_rng(sum(map(ord, path.name)))
    others = {"shaft_past_level@top": shaft, "face_to_forearm@top": 0.3 * shaft}
    return lesson(r, n=n, wrist=wrist, zero_sd=1.0, club=club, traces=True, others=others)


def folder(root: Path, name: str, day: str, club: str) -> None:
    (root / name).mkdir()
    text = f'handedness = "right"\nclub = "{club}"\nrecorded_at = {day}T10:00:00+02:00\n# {name}\n'
    (root / name / "recording.toml").write_text(text, encoding="utf-8")


@pytest.fixture(scope="module")
def service(tmp_path_factory) -> Iterator[Service]:
    root = tmp_path_factory.mktemp("recordings")
    for name, (day, club, *_) in PLAN.items():
        folder(root, name, day, club)
    kept = tmp_path_factory.mktemp("kept")
    found = Service(root, cache_dir=kept / "cache", data_dir=kept / "data", measurer=measure, library=kept / "library")
    students(kept / "library")
    rows = [
        {"angle": k.split("@")[0], "event": k.split("@")[1], "low": low, "high": high}
        for k, (low, high) in BANDS.items()
    ]
    found.save_bands("Edda, irons", rows)
    for entry in found.recordings():
        wait(found, entry.key)
    yield found
    found.close()


def students(place: Path) -> None:
    """Juno in the library: two lessons, two practice days whose first tries were not shown, ball flights."""
    r = np.random.default_rng(8)
    with Library.open(place) as library:
        juno = filing.add_student(library, name="Juno Abara", handedness="right")
        filing.add_student(library, name="Ilse Brandt", handedness="right")
        # day, kind, how far the wrist has come
        for i, (day, kind, wrist) in enumerate(
            [(3, "lesson", 0.0), (10, "practice", 6.0), (17, "practice", 9.0), (24, "lesson", 14.0)]
        ):
            source = recording_folder(place.parent / f"r{i}", seed=i, handedness="right", day=day)
            added = filing.add_recording(library, source, student_id=juno.id, kind=kind)
            m = lesson(r, n=9, wrist=wrist, zero_sd=0.5, bands=True)
            filing.store_measurement(library, added.recording.id, m, code="test")
            filed = finding.measured_swings(library, finding.Wanted(lesson_ids=(added.lesson.id,)))
            if kind == "lesson":
                for k, f in enumerate(filed):
                    filing.set_outcome(
                        library, f.line.id, filing.Outcome(start="left" if k % 3 else "right", curve="none")
                    )
                continue
            top = float(np.mean([f.measured.angles["wrist_flexion"]["top"].value_deg for f in filed]))
            for k in range(8):
                filing.note_try(
                    library,
                    added.lesson.id,
                    drill="Hold at the top",
                    number=k + 1,
                    held=k % 2 == 0,
                    shown=k >= 4,
                    angle="wrist_flexion",
                    event="top",
                    value_deg=top - 4.0 if k < 4 else top,
                    at=datetime(2026, 5, day, 10, k, tzinfo=UTC),
                )


def wait(service: Service, key: str) -> None:
    pause = threading.Event()
    for _ in range(400):
        entry = service.entry(key)
        assert entry is not None
        if isinstance(service.open(entry), Ready):
            return
        pause.wait(0.05)
    raise AssertionError(f"{key} was not measured")


@pytest.fixture(scope="module")
def pair() -> Pair:
    r = np.random.default_rng(4)
    a, b = (lesson(r, n=n, bands=True, zero_sd=0.8, wrist=w, traces=True) for n, w in ((9, 0.0), (14, 13.0)))
    return compare([SwingSet.of('1 <April> & "x"', a), SwingSet.of("3 May", b)]).pairs[0]


def svg(text: str) -> ElementTree.Element:
    return ElementTree.fromstring(text)


def of_class(root: ElementTree.Element, name: str) -> list[ElementTree.Element]:
    return [e for e in root.iter() if name in (e.get("class") or "").split()]


# -- drawings -------------------------------------------------------------------------------------
def test_ridges_show_every_swing_and_both_means(pair: Pair) -> None:
    row = pair.row("wrist_flexion@top")
    root = svg(ridges.ridge_svg(row, (pair.a.label, pair.b.label)))
    for name, values in (("then", row.values_a), ("now", row.values_b)):
        (ticks,) = of_class(root, f"swing-{name}")
        drawn = sorted(float(x) for x in re.findall(r"M([-\d.]+) ", ticks.get("d") or ""))
        assert len(drawn) == len(values)
        # The place of a swing is a straight function of its reading: cup left, bow right.
        fit = np.polyfit(sorted(v for _, v in values), drawn, 1)
        assert fit[0] > 0
        assert np.polyval(fit, sorted(v for _, v in values)) == pytest.approx(drawn, abs=0.2)
    before, after = (float(of_class(root, f"middle-{n}")[0].get("cx") or 0) for n in ("then", "now"))
    assert before < after
    assert '1 <April> & "x"' in (root.get("aria-label") or "")  # escaped, and so whole again when parsed


def test_density_integrates_to_one_and_follows_scipy() -> None:
    from scipy.stats import gaussian_kde

    y = np.random.default_rng(3).normal(-20, 4, 25)
    grid = np.linspace(-60, 20, 2001)
    found = ridges.density(y, grid)
    assert np.trapezoid(found, grid) == pytest.approx(1.0, abs=1e-3)
    assert found == pytest.approx(gaussian_kde(y)(grid), abs=1e-6)


def test_pill_is_striped_within_the_fog_and_solid_beyond(pair: Pair) -> None:
    for row in pair.targets:
        root = svg(ridges.pill_svg(row, ridges.reach(pair.targets)))
        assert bool(of_class(root, "pill-stripe")) == (row.verdict == NOT_YET)
        edges = [float(x) for x in re.findall(r"M([-\d.]+) ", of_class(root, "fog-edge")[0].get("d") or "")]
        pill = of_class(root, "pill")[0]
        assert float(pill.get("width") or 0) == pytest.approx(edges[1] - edges[0], abs=0.3)
        middle = float(re.findall(r"M([-\d.]+) ", of_class(root, "pill-middle")[0].get("d") or "")[0])
        assert (not edges[0] < middle < edges[1]) == (row.verdict == CHANGED)
        marks = [t.text for t in of_class(root, "tick")]
        assert "0" in marks
        assert any((m or "").startswith("+") for m in marks)
    assert {r.verdict for r in pair.targets} == {CHANGED, NOT_YET}


def test_brackets_stand_where_the_curves_differ(pair: Pair) -> None:
    c = compare_curves(pair.a, pair.b, "wrist_flexion")
    assert c.spans
    for narrow in (False, True):
        root = svg(ridges.curves_svg(c, (pair.a.label, pair.b.label), narrow=narrow))
        assert len(of_class(root, "bracket")) == len(c.spans)
        assert len(of_class(root, "event-line")) == len(c.events)
    bare = svg(ridges.curves_svg(replace(c, spans=()), ("a", "b")))
    assert not of_class(bare, "bracket")
    assert "nowhere known to differ" in (bare.get("aria-label") or "")


@pytest.mark.parametrize(("low", "high", "most"), [(-31.0, 12.0, 5), (15.2, 17.9, 5), (0.24, 0.27, 4), (-10, 10, 4)])
def test_ticks_are_round_few_and_within(low: float, high: float, most: int) -> None:
    found = ridges.ticks(low, high, most)
    assert 2 <= len(found) <= most + 1
    assert low <= found[0] <= found[-1] <= high
    steps = np.diff(found)
    assert steps == pytest.approx(np.full(len(steps), steps[0]))


# -- sets -----------------------------------------------------------------------------------------
def test_lessons_are_grouped_by_day_and_club(service: Service) -> None:
    found = lessons(service)
    assert [(o.title, o.club) for o in found] == [
        ("12 April", "7-iron"), ("12 April", "driver"), ("3 May", "7-iron"), ("24 May", "7-iron"), ("24 May", "driver"),
    ]  # fmt: skip
    assert [o.key for o in clubs(service)] == ["club:7-iron", "club:driver"]
    assert len(offer(service, "club:7-iron").entries) == 3  # type: ignore[union-attr]
    assert offer(service, "../../etc") is None


def test_swings_left_out_by_the_coach_are_out_and_said(service: Service) -> None:
    entry = service.entry("april")
    assert entry is not None
    service.leave_out(entry, 3, "stumbled")
    try:
        text = str(compare_page.view(service, compare_page.Choice(a="april", b="may-24")).body)
        assert "1 swing (3) of 12 April: stumbled." in text
        assert "n = 17" in text
    finally:
        service.take_back(entry, 3)


def test_own_best_says_that_it_was_chosen(service: Service) -> None:
    choice = compare_page.Choice(a="best:7-iron", b="april", by="best")
    assert "no swing yet that no band calls out" in str(compare_page.view(service, choice).body)
    before = service.bands().key
    service.save_bands("wide", [{"angle": "wrist_flexion", "event": "top", "low": -15.0, "high": 10.0}])
    try:
        assert "by luck alone" in str(compare_page.view(service, choice).body)
        part = set_of(service, offer(service, "best:7-iron")).parts[-1]  # type: ignore[arg-type,union-attr]
        values = [s.angles["wrist_flexion"]["top"].value_deg for s in part.chosen]
        assert values
        assert min(values) > -15.0 - 6.5  # none whose whole interval lies below
    finally:
        service.choose_bands(before)


@pytest.mark.parametrize(
    ("choice", "words"),
    [
        (compare_page.Choice(a="april", b="april"), "Both sides are the same set"),
        (compare_page.Choice(a="april", b="nowhere"), "no such set"),
        (compare_page.Choice(a="april", b="may-24", kind="slow"), "no slow swing"),
    ],
)
def test_what_cannot_be_compared_is_said_and_the_choosers_stay(
    service: Service, choice: compare_page.Choice, words: str
) -> None:
    text = str(compare_page.view(service, choice).body)
    assert words in text
    assert "chooser-a" in text


def test_one_lesson_or_a_broken_one_leaves_the_pages_standing(tmp_path: Path) -> None:
    root = tmp_path / "r"
    root.mkdir()
    folder(root, "april", "2026-04-12", "7-iron")
    s = Service(root, cache_dir=tmp_path / "c", data_dir=tmp_path / "d", measurer=measure, library=tmp_path / "l")
    try:
        wait(s, "april")
        assert "Two lessons are needed" in str(compare_page.view(s, compare_page.Choice()).body)
        assert "12 April" in str(progress_page.view(s, None).body)
        assert "Two lessons are needed" in str(letter_page.view(s, compare_page.Choice()).body)
        folder(root, "broken", "2026-04-19", "7-iron")
        for _ in range(100):
            found = progress_page.view(s, None)
            if not found.waiting:
                break
            threading.Event().wait(0.05)
        assert "19 April, 7-iron: could not be read" in str(found.body)
        again = compare_page.view(s, compare_page.Choice(a="april", b="broken"))
        assert "the column gx is missing" in str(again.body)
    finally:
        s.close()


def juno(service: Service) -> str:
    library = service.library()
    assert library is not None
    with library:
        return finding.student_named(library, "Juno").id


def test_a_student_of_the_library_is_followed_with_practice_and_ball_flight(service: Service) -> None:
    body = progress_page.view(service, None, student=juno(service)).body
    text = str(body)
    # The first four tries of each day were 4 degrees more cupped than its swings; later ones were shown.
    assert (
        "Wrist, top: the first of a day, before any was shown, are 4° (± 3) more cupped than the rest (2 days)." in text
    )
    assert "6 of 9 started left, 3 right" in text
    assert "Hold at the top, 4 of 8 held" in text
    drawing = next(d for d in found(body, "Drawing") if "10 May 2026, practice" in d.wide)
    root = svg(drawing.wide)
    assert len(of_class(root, "day")) == 2
    assert len(of_class(root, "practice")) == 2
    assert len(of_class(root, "untold")) == 2
    assert "no such student" in str(progress_page.view(service, None, student="0" * 32).body)


def found(tree, kind: str) -> list:
    """Components of a type, anywhere below."""
    if isinstance(tree, (list, tuple)):
        return [x for part in tree for x in found(part, kind)]
    here = [tree] if type(tree).__name__ == kind else []
    return here + (found(tree.children, kind) if getattr(tree, "children", None) is not None else [])


def test_lessons_of_the_library_are_compared_by_link(service: Service) -> None:
    body = progress_page.view(service, None, student=juno(service)).body
    link = next(a.href for a in found(body, "A") if str(a.href).startswith("/compare"))
    choice = compare_page.Choice.of(urlsplit(link).query)
    assert (choice.a or "").startswith("lesson:")
    text = str(compare_page.view(service, choice).body)
    assert "wrist at the top is flatter" in text
    assert "3 May 2026" in text
    assert "Juno" not in link


def test_link_says_what_is_shown_and_comes_back() -> None:
    choice = compare_page.Choice("a/1", "b&2", "clubs", "full", ("wrist_flexion@top",), "face_to_forearm", True)
    assert compare_page.Choice.of("?" + urlsplit(choice.link).query) == choice
    assert compare_page.Choice.of("?by=x&kind=y&angle=z") == compare_page.Choice()


# -- in a browser ---------------------------------------------------------------------------------
needs_browser = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")


@dataclass
class Site:
    address: str
    foreign: list[str] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)


@pytest.fixture(scope="module")
def site(service: Service) -> Iterator[Site]:
    import socket

    import uvicorn

    from dashboard.app import create_app

    listening = socket.socket()
    listening.bind(("127.0.0.1", 0))
    listening.listen()  # whoever calls before the server runs waits
    server = uvicorn.Server(uvicorn.Config(create_app(service).server, log_level="warning", lifespan="off"))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
    thread.start()
    yield Site(f"http://127.0.0.1:{listening.getsockname()[1]}")
    server.should_exit = True
    thread.join(20)


@pytest.fixture(scope="module")
def browser() -> Iterator:
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    with playwright.sync_playwright() as started:
        opened = started.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield opened
        opened.close()


@pytest.fixture(params=["desktop", "phone"])
def page(browser, site: Site, request) -> Iterator:
    context = browser.new_context(viewport=SIZES[request.param], has_touch=request.param == "phone")
    context.set_default_timeout(30_000)
    site.foreign.clear()
    site.errors.clear()

    def local_only(route) -> None:
        if route.request.url.startswith((site.address, "data:", "blob:", "about:")):
            route.continue_()
        else:
            site.foreign.append(route.request.url)
            route.abort()

    context.route("**/*", local_only)
    opened = context.new_page()
    opened.on("pageerror", lambda e: site.errors.append(str(e)))
    opened.on("console", lambda m: site.errors.append(m.text) if m.type == "error" else None)
    yield opened
    context.close()
    assert not site.foreign
    assert not site.errors


def sound(page) -> None:
    """Nothing sticks out sideways, and axe finds nothing wrong."""
    assert page.evaluate("document.documentElement.scrollWidth") <= page.viewport_size["width"]
    if AXE.exists():
        page.evaluate(AXE.read_text(encoding="utf-8"))
        found = page.evaluate("axe.run(document, {iframes: false, resultTypes: ['violations']})")
        worst = [v for v in found["violations"] if v["impact"] in ("serious", "critical")]
        assert [(v["id"], v["nodes"][0]["html"][:200]) for v in worst] == []


@needs_browser
def test_compare_page(page, site: Site) -> None:
    page.goto(f"{site.address}/compare")
    page.wait_for_selector(".difference")
    assert "wrist at the top is flatter" in page.inner_text("h1.say")
    row = page.locator('.difference[data-measure="wrist_flexion@top"]')
    assert row.get_attribute("data-verdict") == CHANGED
    assert "flatter" in row.inner_text()
    assert "Not yet distinguishable" in page.inner_text(".shelves")
    assert "Before you conclude" in page.inner_text(".conclude")
    assert "differ" in page.inner_text("#compare-curves-said")
    sound(page)
    # Choosing another set is a link that can be kept.
    page.click(".chooser-a > summary")
    page.click(".chooser-a a:has-text('3 May')")
    page.wait_for_selector(".chooser-a > summary:has-text('3 May')")
    asked = parse_qs(urlsplit(page.url).query)
    assert asked["a"] == ["may-3"]
    assert asked["b"] == ["may-24"]
    kept = page.inner_text("h1.say")
    page.goto(page.url)
    page.wait_for_selector(".difference")
    assert page.inner_text("h1.say") == kept


@needs_browser
def test_fewer_targets_make_less_fog(page, site: Site) -> None:
    page.goto(f"{site.address}/compare?a=april&b=may-24")
    page.wait_for_selector(".difference")

    def fog() -> float:
        label = page.get_attribute('.difference[data-measure="face_to_forearm@top"] .pill-drawing', "aria-label")
        return float(re.search(r"told ([\d.]+)", label)[1])  # type: ignore[index]

    before = fog()
    page.click("summary:has-text('What is judged')")
    page.click(".chips a[aria-current]:has-text('wrist, top')")
    page.wait_for_selector('.difference[data-measure="wrist_flexion@top"]', state="detached")
    assert "targets=" in page.url
    assert fog() < before


@needs_browser
def test_progress_page(page, site: Site) -> None:
    page.goto(f"{site.address}/progress")
    page.wait_for_selector(".follow")
    assert page.locator(".follow").count() == len(BANDS)
    shown = page.locator('.follow[data-measure="wrist_flexion@top"] svg:visible')
    assert shown.locator("rect.day").count() == 3
    assert shown.locator("circle.swing-dot").count() == 18 + 12 + 21
    assert "Since 12 April" in page.inner_text(".side")
    assert "Spread from swing to swing" in page.inner_text(".side")
    sound(page)
    page.click(".segments a:has-text('driver')")
    page.wait_for_selector(".segments a[aria-current]:has-text('driver')")
    assert page.url.endswith("club=driver")
    page.click("text=Compare in full")
    page.wait_for_selector(".difference")
    assert "a=driver-april" in page.url


@needs_browser
def test_letter_page_keeps_the_coachs_words(page, site: Site, service: Service, tmp_path: Path) -> None:
    phone = page.viewport_size["width"] < 500
    link = f"{site.address}/letter?a=april&b={'may-3' if phone else 'may-24'}"
    page.goto(link)
    page.wait_for_selector("#letter-preview")
    frame = page.frame_locator("#letter-preview")
    assert "What has changed." in frame.locator(".say").inner_text()
    sound(page)
    page.fill("#letter-student", "Juno Abara")
    page.fill("#letter-coach", "Edda Quill")
    page.fill("#letter-thought", "Flat as <b>April</b>.")
    page.click("#letter-keep")
    frame.locator(".greeting:has-text('Juno Abara')").wait_for()
    page.goto(link)
    page.wait_for_selector("#letter-preview")
    assert frame.locator("h1").inner_text() == "Flat as <b>April</b>."
    assert frame.locator(".greeting").inner_text() == "Dear Juno Abara,"  # a draft goes with the name
    assert frame.locator(".bye em").inner_text() == "Edda"
    assert page.input_value("#letter-student") == "Juno Abara"
    assert "Juno" not in page.url
    with page.expect_download() as download:
        page.click("text=PDF, US Letter")
    download.value.save_as(tmp_path / "l.pdf")
    assert (tmp_path / "l.pdf").read_bytes().startswith(b"%PDF-")
    for file in service.letter_file("x").parent.iterdir():
        assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert stat.S_IMODE(service.letter_file("x").parent.stat().st_mode) == 0o700
