"""The chain and the one change in a browser at both widths: seen, picked, put into words, dropped, undone; thoughts
compared; the letter that follows the pick."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from dashboard import one_change
from dashboard.one_change import level_svg
from dashboard.service import FILED, Service
from imu.library import Library, filing, finding, picks
from imu.library.outlook import outlook
from imu.practice.plan import parse
from tests.chain_case import file_lessons, group, taught
from tests.library_case import NAME
from tests.synthetic_measurement import measurement as whole_measurement
from tests.test_dashboard_page import CHROMIUM, FLAGS, PHONE, WIDE, Site, served
from tests.test_dashboard_students import checked

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")

TOP = "wrist_flexion@top"


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    place = tmp_path_factory.mktemp("change")
    with Library.open(place / "library") as library:
        juno = filing.add_student(library, name=NAME, handedness="right", clubs=["7-iron", "driver"]).id
        file_lessons(library, place, juno)
    (place / "none").mkdir()
    service = Service(
        place / "none",
        cache_dir=place / "cache",
        data_dir=place / "data",
        library=place / "library",
        measurer=lambda path, progress, **_: whole_measurement(5),
    )
    yield from served(service)


@pytest.fixture(scope="module")
def browser() -> Iterator[object]:
    with playwright.sync_playwright() as p:
        running = p.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield running
        running.close()


@pytest.fixture(params=[WIDE, PHONE], ids=["1280", "390"])
def page(request, browser, shelf):
    context = browser.new_context(viewport=request.param)
    page = context.new_page()
    shelf.foreign.clear()
    shelf.errors.clear()

    def only_here(route, asked):
        if asked.url.startswith((shelf.address, "data:", "blob:")):
            route.continue_()
        else:
            shelf.foreign.append(asked.url)
            route.abort()

    page.route("**/*", only_here)
    page.on("pageerror", lambda e: shelf.errors.append(str(e)))
    page.on("console", lambda m: shelf.errors.append(m.text) if m.type == "error" else None)
    yield page
    context.close()
    assert shelf.foreign == []
    assert shelf.errors == []


@pytest.fixture
def juno(shelf):
    """The student, with no change picked before and after."""
    library = shelf.service.open_library()
    assert library is not None
    with library:
        student = finding.student_named(library, NAME)
        lessons = finding.lessons(library, student_id=student.id)
        yield student.id, lessons[0].lesson.id, library
        if picks.current(library, student_id=student.id):
            picks.drop(library, student.id)


def test_the_lessons_page_tells_the_chain_with_its_evidence_and_takes_the_pick(page, shelf, juno):
    student, lesson, library = juno
    page.goto(f"{shelf.address}/students/lesson/{lesson}")
    page.wait_for_selector("#students-change .change-chain")
    found = outlook(library, student, lesson_id=lesson)
    said = page.inner_text(".change-say")
    assert said == found.account.to_json()["says"]
    assert said.startswith("The wrist at the top is 9° past its band on the cupped side.")
    assert "(28 balls)" in said
    page.click(".change-chain summary >> nth=0")
    assert page.locator(".change-links >> nth=0").locator("li").count() == len(found.account.links) + len(
        found.account.balls
    )
    assert "Common practice, no source." in page.inner_text(".change-links >> nth=0")
    assert "28 swings" in page.inner_text(".change-links >> nth=0")
    first = page.locator(".change-one").first
    for name in ("Would give", "Costs", "Overdone", "Rests on"):
        assert name in first.inner_text()
    assert first.locator("svg.change-level[aria-label*='cupped']").is_visible()
    checked(page, "chain")

    first.get_by_role("button", name="Make it the one change").click()
    page.wait_for_selector(".change-said:has-text('Picked')")
    standing = picks.current(library, student_id=student)
    assert standing.key == TOP
    page.wait_for_selector(".change-card")
    page.get_by_label("The one thought, in your words").fill("At the top, the ruler still touches.")
    page.get_by_label("From (°)").fill("-12")
    page.get_by_label("To (°)").fill("2")
    page.get_by_role("button", name="Keep words and band").click()
    page.wait_for_selector(".change-thought:has-text('ruler still touches')")
    now = picks.current(library, student_id=student)
    assert (now.low_deg, now.high_deg) == (-12.0, 2.0)
    page.get_by_role("group").or_(page.locator(".change-card summary")).last.click()
    checked(page, "picked")
    entry = shelf.service.entry(FILED + outlook(library, student).today.filed[0].line.recording_id)
    assert shelf.service.bands(entry).bands.for_club("7-iron")[TOP].low_deg == -12.0, "the swing page judges by it too"
    assert shelf.service.bands().bands.for_club("7-iron")[TOP].low_deg == -10.0
    answer = page.request.get(f"{shelf.address}/plan-file?pick={now.id}")
    assert parse(answer.text()).pick.low_deg == -12.0

    page.get_by_label("To (°)").fill("95")
    page.get_by_role("button", name="Keep words and band").click()
    page.wait_for_selector("[role=alert].change-said:has-text('outer limit')")
    assert picks.current(library, student_id=student).high_deg == 2.0
    page.get_by_role("button", name="Drop it").click()
    page.wait_for_selector(".change-said:has-text('Dropped')")
    assert picks.current(library, student_id=student) is None


def test_the_progress_page_has_the_card_and_the_pick_made_there(page, shelf, juno):
    student, _, library = juno
    page.goto(f"{shelf.address}/progress?student={student}")
    page.wait_for_selector("#progress-change .change-facts")
    assert page.locator(".side > .change-place").count() == 1
    assert "Would give" in page.inner_text(".change-card")
    checked(page, "one-change")
    page.click(".change-card button.strong")
    page.wait_for_selector(".change-said:has-text('Picked')")
    assert picks.current(library, student_id=student) is not None
    page.wait_for_selector(".change-card:has-text('Picked on')")
    assert student not in page.inner_text("body")
    page.click(".change-card a:has-text('What leads to what')")
    page.wait_for_selector("#students-change .change-chain")


@pytest.mark.parametrize("page", [PHONE], ids=["390"], indirect=True)
def test_a_thought_noted_from_a_swing_on_can_be_compared_before_and_after(page, shelf, juno):
    _, lesson, library = juno
    page.goto(f"{shelf.address}/students/lesson/{lesson}")
    page.wait_for_selector("#students-lesson table")
    wrong = page.locator("#students-lesson .wrong").first
    wrong.locator("summary").click()
    wrong.get_by_label("Since swing").fill("9")
    wrong.get_by_label("New thought given").fill("let it turn")
    wrong.get_by_role("button", name="Note the thought").click()
    page.click("a:has-text('Before and after the thought')")
    page.wait_for_selector("#compare-body h1.say")
    assert "by=thoughts" in page.url
    assert "let" not in page.url, "what was typed stays out of the address"
    head = page.inner_text("#compare-body .sets")
    assert "Before “let it turn”" in head
    assert "After “let it turn”" in head
    assert "the zero is shared and cancels" in page.inner_text("#compare-body")
    assert page.locator(".segments a[aria-current]:has-text('Thoughts')").count() == 1
    page.click(".segments a:has-text('Own best')")
    page.wait_for_selector("#compare-body .say-under:has-text('Own best, 7-iron')")
    page.click(".segments a:has-text('Lessons')")
    page.wait_for_selector("#compare-body .say-under:has-text('3 May 2026, 7-iron')")
    library.undo()


@pytest.mark.parametrize("page", [WIDE], ids=["1280"], indirect=True)
def test_the_letter_page_follows_the_pick(page, shelf, juno):
    student, lesson, library = juno
    found = outlook(library, student)
    picks.pick(library, student, found.candidates.ranked[0], club="7-iron", thought="Keep the ruler on.")
    first = finding.lessons(library, student_id=student)[-1].lesson.id
    page.goto(f"{shelf.address}/letter?a=lesson:{first}:7-iron&b=lesson:{lesson}:7-iron")
    page.wait_for_selector("#letter-thought")
    assert page.input_value("#letter-thought") == "Keep the ruler on."
    assert page.input_value("#letter-steps").startswith("Feel both ends. ")
    assert page.input_value("#letter-times_a_week") == "5"


def test_the_level_shows_today_the_band_and_where_it_is_to_go():
    drawn = level_svg(TOP, -22.0, 2.0, (-10.0, 10.0), -8.0)
    assert drawn.count('class="mark"') == 2
    assert "change-ghost" in drawn
    assert 'class="change-today"' in drawn
    assert "22° cupped, plus or minus 2" in drawn
    assert "change-today unsure" in level_svg(TOP, -10.0, 3.0, (-10.0, 10.0), None)


def test_recordings_in_no_library_get_the_card_without_a_pick():
    rng = np.random.default_rng(3)
    sets = [group(day, taught(rng, n=14, zero=0.5, attitudes=True)) for day in ("3 May", "17 May")]
    shown = str(one_change.of_folder(sets, "full").to_plotly_json())
    assert "more bowed at the top" in shown
    assert "cupbow add" in shown
    assert "Button(" not in shown
    inside = [group("3 May", taught(rng, n=14, bands={TOP: (-60.0, 60.0)}, attitudes=True))]
    assert "Nothing is surely outside its band" in str(one_change.of_folder(inside, "full").to_plotly_json())
