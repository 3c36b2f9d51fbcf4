"""Curve, strike and carry by a tap on the lesson's page, at both widths, in metres and in yards."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from dashboard.pages.students import corrected
from dashboard.service import Service
from imu.library import Library, filing, finding
from imu.library.filing import Outcome
from imu.library.finding import Wanted
from tests.library_case import NAME
from tests.synthetic_measurement import measurement as whole_measurement
from tests.test_dashboard_page import CHROMIUM, Site, served
from tests.test_dashboard_students import browser, checked, filed, lesson_of, opened, page  # noqa: F401

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
in_browser = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    place = tmp_path_factory.mktemp("shelf")
    with Library.open(place / "library") as library:
        juno = filing.add_student(library, name=NAME, handedness="left").id
        filed(library, place, juno, seed=1, swings=4)
    (place / "none").mkdir()
    service = Service(
        place / "none",
        cache_dir=place / "cache",
        data_dir=place / "data",
        library=place / "library",
        measurer=lambda path, progress, **_: whole_measurement(5),
    )
    yield from served(service)


def flight(shelf: Site, number: int) -> Outcome:
    with opened(shelf) as library:
        (line,) = [s for s in finding.swings(library, Wanted()) if s.number == number]
    return Outcome(line.start, line.curve, line.strike, line.carry_m)


@in_browser
def test_curve_strike_and_carry_are_taps(page, shelf):  # noqa: F811
    playwright.expect.set_options(timeout=30_000)  # other tests may have the machine
    with opened(shelf) as library:
        for line in finding.swings(library, Wanted()):
            filing.set_outcome(library, line.id, Outcome())
    page.goto(f"{shelf.address}/students/lesson/{lesson_of(shelf)}")
    page.wait_for_selector("#students-lesson tr[data-swing]")
    rows = page.locator("#students-lesson tr[data-swing]")
    rows.nth(0).locator(".more-ball").click()
    group = page.locator(".flight-row")
    tap = group.get_by_role("group", name="Curve, Swing 1").get_by_role("button", name="right")
    tap.click()
    playwright.expect(tap).to_have_attribute("aria-pressed", "true")
    group.get_by_role("group", name="Strike, Swing 1").get_by_role("button", name="toe").click()
    playwright.expect(group.locator("button[aria-pressed=true]")).to_have_count(2)
    group.locator("input[type=number]").fill("128")
    group.get_by_role("button", name="Keep").click()
    playwright.expect(group.locator(".number")).to_have_text("128 m")
    group.get_by_role("button", name="5 more").click()
    playwright.expect(group.locator(".number")).to_have_text("133 m")
    assert flight(shelf, 1) == Outcome(None, "right", "toe", 133.0)
    rows.nth(0).get_by_role("button", name="left").click()  # the start keeps the rest
    page.wait_for_selector("tr[data-swing] button[aria-pressed=true]:has-text('left')")
    assert flight(shelf, 1) == Outcome("left", "right", "toe", 133.0)

    rows.nth(1).locator(".more-ball").click()
    second = page.locator(".flight-row").nth(1)
    second.get_by_role("button", name="133 m again").click()  # as the swing before
    playwright.expect(second.locator(".number")).to_have_text("133 m")
    checked(page, "lesson-flight")
    second.get_by_role("button", name="Clear").click()
    playwright.expect(second.locator(".number")).to_have_count(0)
    assert flight(shelf, 2) == Outcome()
    tap.click()  # a second tap takes it away
    playwright.expect(tap).to_have_attribute("aria-pressed", "false")
    rows.nth(0).locator(".more-ball").click()
    playwright.expect(rows.nth(0).locator(".more-ball")).to_have_text("toe, 133 m")
    assert flight(shelf, 1) == Outcome("left", None, "toe", 133.0)


def test_carry_is_in_the_unit_of_the_settings_and_what_is_no_shot_is_refused(tmp_path: Path, monkeypatch):
    """A yard is 0.9144 m exactly (international yard and pound agreement, 1959)."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    from imu.settings import Settings, save_settings

    save_settings(Settings(length="yd"))
    with Library.open(tmp_path / "library") as library:
        juno = filing.add_student(library, name=NAME, handedness="left").id
        added = filed(library, tmp_path, juno, seed=1, swings=2)
        one = finding.swings(library, Wanted())[0].id
        shown = str(corrected(library, added.lesson.id, {"ball": one, "carry": 150}, 1))
        assert finding.swings(library, Wanted())[0].carry_m == pytest.approx(150 * 0.9144, abs=1e-9)
        assert "'carry': 150" in shown
        assert "150 yd" in shown
        for wrong in ({"carry": 900}, {"carry": -5}, {"carry": "far"}, {"strike": "hosel"}, {"curve": "up"}):
            said = str(corrected(library, added.lesson.id, {"ball": one, **wrong}, 1))
            assert "'wrong': True" in said, wrong
        assert finding.swings(library, Wanted())[0].carry_m == pytest.approx(137.16)
