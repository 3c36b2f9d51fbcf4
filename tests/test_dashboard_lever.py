"""The lever: its figure against `imu.whatif`, and in a browser at both widths by keyboard, mouse and touch."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from dashboard.lever import DOUBT_DEG, REACH_DEG, lever_figure
from dashboard.service import Service
from imu import whatif
from imu.measured import Measurement, Stance, Swing
from imu.recording import EVENTS
from tests.synthetic_measurement import measurement as synthetic
from tests.test_dashboard_page import AXE, PHONE, WIDE, Site, at_both, browser, keep, page, served  # noqa: F401

LESSON, NO_HAND = "lesson", "no-hand"


def standing(swing: Swing, seed: int = 0) -> Swing:
    """The swing with attitudes at its events: those of its trace, each known to about a degree."""
    trace = swing.trace
    assert trace is not None
    segments = [k for k in ("forearm", "hand", "club") if k in trace.q_to_target]
    size = 3 * (len(segments) + ("club" in segments))
    factor = np.random.default_rng(seed).normal(size=(size, size))
    covariance = np.radians(1.0) ** 2 * factor @ factor.T / size
    stances = {}
    for event, at in swing.events.items():
        if at.t_s is None:
            continue
        i, first = (int(np.argmin(np.abs(trace.t_s - t))) for t in (at.t_s, swing.events["address"].t_s))
        q = {k: trace.q_to_target[k][i] for k in segments}
        if "club" in segments:
            q["club_at_address"] = trace.q_to_target["club"][first]
        stances[event] = Stance(q, covariance)
    return replace(swing, stances=stances)


def lesson(*, without: tuple[str, ...] = (), n: int = 9) -> Measurement:
    made = synthetic(n, handedness="left", without=without)
    return replace(made, swings=tuple(standing(s) for s in made.swings))


# -- the figure ----------------------------------------------------------------------------------------


def test_the_figure_holds_what_turning_gives() -> None:
    made = lesson(n=2)
    swing = made.swings[1]
    figure = lever_figure(made, swing)
    json.dumps(figure, allow_nan=False)
    told = 0
    for event in ("address", "top", "impact"):
        for turn in whatif.TURNS:
            place = figure["events"][event][turn]
            assert place["why"] is None
            assert place["now"] == swing.angles[turn][event].value_deg
            for line in place["lines"]:
                for deg in (*DOUBT_DEG, 0.0):
                    one = whatif.turned(made, swing, event, **{f"{turn}_deg": deg}).change[line["angle"]]
                    i, j = figure["turn_deg"].index(deg), figure["doubt_deg"].index(deg)
                    assert line["change"][i] == pytest.approx(one.value_deg, abs=6e-3)
                    assert line["u95"][j] == pytest.approx(one.u95_deg, abs=6e-3)
                    told += 1
    assert told > 100
    angles = [line["angle"] for line in figure["events"]["top"]["forearm_roll"]["lines"]]
    assert angles == ["face_roll", "shaft_off_plane", "shaft_past_level"]
    angles = [line["angle"] for line in figure["events"]["impact"]["wrist_flexion"]["lines"]]
    assert angles == ["face_to_forearm", "face_since_address", "shaft_off_plane", "shaft_elevation"]


def test_what_cannot_be_told_is_not_offered_and_says_why() -> None:
    made = lesson(n=8)
    poor = lever_figure(made, made.swings[7])
    old = lever_figure(made, replace(made.swings[0], stances={}))
    for event in EVENTS:
        for turn in whatif.TURNS:
            assert "the forearm sensor clipped in the downswing" in poor["events"][event][turn]["why"]
            assert "measure the recording again" in old["events"][event][turn]["why"]
            assert set(poor["events"][event][turn]) == {"why"}
    part = lesson(n=1, without=("hand",))
    figure = lever_figure(part, part.swings[0])
    assert "no hand sensor" in figure["events"]["top"]["wrist_flexion"]["why"]
    assert figure["events"]["top"]["forearm_roll"]["why"] is None
    alone = lesson(n=1, without=("club",))
    figure = lever_figure(alone, alone.swings[0])
    assert all("no club sensor" in figure["events"]["top"][turn]["why"] for turn in whatif.TURNS)


# -- in a browser --------------------------------------------------------------------------------------


def measure(path: Path, *, progress) -> Measurement:
    return lesson(without=("hand",), n=2) if path.name == NO_HAND else lesson()


@pytest.fixture(scope="module")
def site(tmp_path_factory) -> Iterator[Site]:
    root = tmp_path_factory.mktemp("recordings")
    for name in (LESSON, NO_HAND):
        (root / name).mkdir()
        text = f'handedness = "left"\nclub = "7-iron"\n# {name}\n'
        (root / name / "recording.toml").write_text(text, encoding="utf-8")
    places = tmp_path_factory.mktemp("kept")
    service = Service(root, cache_dir=places / "cache", data_dir=places / "data", measurer=measure)
    for found in served(service):
        found.irons = service.bands().key
        yield found


def opened(tab, site: Site, key: str = LESSON, query: str = "?swing=2&at=top") -> None:
    tab.goto(site.url(key, query))
    tab.wait_for_selector(".lever input, .lever-why")


def lines(tab) -> dict[str, tuple[float, float]]:
    found = tab.locator(".lever li").evaluate_all(
        "all => all.map(e => [e.dataset.angle, +e.dataset.change, +e.dataset.u95])"
    )
    return {angle: (change, u95) for angle, change, u95 in found}


def expected(site: Site, event: str, turn: str, deg: float, number: int = 2) -> whatif.Turned:
    made = site.measured(LESSON)
    return whatif.turned(made, made.swings[number - 1], event, **{f"{turn}_deg": deg})


def pressed(tab, key: str, times: int) -> None:
    for _ in range(times):
        tab.keyboard.press(key)


@at_both
def test_the_lever_says_what_turning_gives(page, site: Site) -> None:  # noqa: F811
    opened(page, site)
    slider = page.locator(".lever input[type=range]")
    assert page.locator(".lever li").count() == 0
    assert page.locator(".picture .ghost").count() == 0
    slider.focus()
    pressed(page, "ArrowRight", 13)
    change = expected(site, "top", "wrist_flexion", 13).change
    shown = lines(page)
    assert list(shown) == ["face_to_forearm", "shaft_off_plane", "shaft_past_level"]
    for angle, (value, u95) in shown.items():
        assert value == pytest.approx(change[angle].value_deg, abs=0.1)
        assert u95 == pytest.approx(change[angle].u95_deg, rel=0.15, abs=0.05)
    now = round(site.measured(LESSON).swings[1].angles["wrist_flexion"]["top"].value_deg)
    assert slider.input_value() == str(now + 13)
    assert "13° more bowed" in slider.get_attribute("aria-valuetext")
    assert page.locator(".picture .ghost").count() == 1
    assert "Dashed: with the lever." in page.locator(".picture").inner_text()
    face = shown["face_to_forearm"][0]
    said = f"{'open' if face > 0 else 'close'} the face {abs(face):.0f}° ± "
    page.wait_for_function("text => document.querySelector('.lever [aria-live]').textContent.includes(text)", arg=said)
    assert said in page.locator(".lever li").first.inner_text()
    assert page.evaluate("document.documentElement.scrollWidth") <= page.viewport_size["width"]
    keep(page, f"lever-{page.viewport_size['width']}")

    pressed(page, "ArrowLeft", 25)  # to the other side of what was measured
    assert "12° more cupped" in page.locator(".lever-more").inner_text()
    page.get_by_role("button", name="Back to measured").click()
    assert page.locator(".lever li").count() == 0
    assert page.locator(".picture .ghost").count() == 0
    assert slider.input_value() == str(now)


@at_both
def test_hinge_and_roll_and_other_events(page, site: Site) -> None:  # noqa: F811
    opened(page, site, query="?swing=2&at=impact")
    for name, turn in (("Hinge", "wrist_deviation"), ("Roll", "forearm_roll")):
        page.locator(".lever .segments button", has_text=name).click()
        page.locator(".lever input").focus()
        pressed(page, "ArrowLeft", 9)
        change = expected(site, "impact", turn, -9).change
        shown = lines(page)
        assert "face_since_address" in shown
        assert ("face_roll" in shown) == (turn == "forearm_roll")
        for angle, (value, _) in shown.items():
            assert value == pytest.approx(change[angle].value_deg, abs=0.1)
    page.locator(".strip-slider").focus()
    page.keyboard.press("ArrowLeft")  # the event before: the lever stays where it is, its numbers are that event's
    page.wait_for_selector('.lever-more:has-text("when the shaft is level on the way down")')
    change = expected(site, "shaft_level_down", "forearm_roll", -9).change
    assert lines(page)["shaft_off_plane"][0] == pytest.approx(change["shaft_off_plane"].value_deg, abs=0.1)


def test_the_ghost_stands_where_the_turn_puts_the_club(page, site: Site) -> None:  # noqa: F811
    opened(page, site)
    made = site.measured(LESSON)
    for turn, deg in (("wrist_flexion", 21), ("wrist_deviation", -14), ("forearm_roll", 30)):
        script = (
            "([turn, deg]) => { dashboard.lever.set({turn, deg});"
            "const c = dashboard.cursor.get(); return dashboard.leverGhost(dashboard.lever.get(), c.figure, c); }"
        )
        ghost = page.evaluate(script, [turn, deg])
        new = expected(site, "top", turn, deg).q_to_target
        w, x, y, z = new["club"]
        s = np.array([1 - 2 * (y * y + z * z), 2 * (x * y + w * z), 2 * (x * z - w * y)])  # the club's x in space
        drawn = np.subtract(ghost["head"], ghost["knuckles"])
        # the drawing's sample is up to half a sample period from the event
        assert np.degrees(np.arccos(drawn @ s / np.linalg.norm(drawn))) < 2.0
        old = made.swings[1].stances["top"].q_to_target["club"]
        assert abs(abs(np.dot(old, new["club"])) - 1) > 1e-3  # or there was nothing to see


def test_numbers_between_are_those_of_turning(page, site: Site) -> None:  # noqa: F811
    """The lines drawn in the browser between what was computed, against the turn itself, over the whole reach."""
    opened(page, site)
    asked = [
        (event, turn, deg)
        for event in ("address", "top", "impact")
        for turn in whatif.TURNS
        for deg in (-REACH_DEG, -22, 1, 7, REACH_DEG)
    ]
    script = (
        "all => all.map(([event, turn, deg]) => dashboard.leverSays(dashboard.lever.get().figure, event, turn, deg)"
        ".lines.map(l => [l.angle, l.change, l.u95]))"
    )
    for (event, turn, deg), said in zip(asked, page.evaluate(script, asked), strict=True):
        change = expected(site, event, turn, deg).change
        assert said
        for angle, value, u95 in said:
            # where a shaft passes the vertical its height has a kink, and the doubt with it
            kink = angle == "shaft_elevation"
            assert value == pytest.approx(change[angle].value_deg, abs=0.4 if kink else 0.1), (event, turn, deg, angle)
            loose = 0.7 if kink else 0.15
            assert u95 == pytest.approx(change[angle].u95_deg, rel=0.2, abs=loose), (event, turn, deg, angle)


def test_it_says_when_the_geometry_contradicts_the_common_saying(page, site: Site) -> None:  # noqa: F811
    opened(page, site)
    made = site.measured(LESSON)
    seen = set()
    for event in ("address", "shaft_level_back", "top", "shaft_level_down", "impact"):
        page.evaluate("event => dashboard.cursor.toEvent(dashboard.cursor.get().figure, event)", event)
        page.evaluate("dashboard.lever.set({turn: 'wrist_flexion', deg: 6})")
        page.wait_for_selector(".lever li")
        change = expected(site, event, "wrist_flexion", 6).change
        contrary = [
            s.angle
            for s in whatif.SAYINGS
            if s.turn == "wrist_flexion"
            and (v := change[s.angle]).known
            and abs(v.value_deg) > max(v.u95_deg, 0.5)
            and np.sign(v.value_deg) != s.sign
            and s.angle in lines(page)
        ]
        shown = page.locator(".lever-contrary").count()
        assert shown == bool(contrary), event
        if contrary:
            arm = whatif.forearm_shaft(made.swings[1], event)
            assert f"Forearm and shaft make {arm.value_deg:.0f}° ± " in page.locator(".lever-contrary").inner_text()
        seen.add(bool(contrary))
    assert seen == {True, False}


@at_both
def test_a_poor_swing_or_a_missing_sensor_offers_nothing(page, site: Site) -> None:  # noqa: F811
    opened(page, site, query="?swing=8")
    assert page.locator(".lever input").count() == 0
    assert page.locator(".lever button").count() == 0
    assert "the forearm sensor clipped in the downswing" in page.locator(".lever-why").inner_text()
    opened(page, site, NO_HAND, "?swing=1&at=top")
    page.wait_for_selector(".lever input")  # the roll needs no hand
    assert page.locator('.lever button[aria-pressed="true"]').inner_text() == "Roll"
    page.locator(".lever .segments button", has_text="Bow or cup").click()
    assert page.locator(".lever input").count() == 0
    assert "no hand sensor" in page.locator(".lever-why").inner_text()


@pytest.mark.parametrize("page", [PHONE], indirect=True, ids=["390"])
def test_a_finger_moves_it_and_a_new_swing_stands_as_measured(page, site: Site) -> None:  # noqa: F811
    opened(page, site)
    slider = page.locator(".lever input")
    slider.scroll_into_view_if_needed()
    box = slider.bounding_box()
    assert box["height"] >= 48
    page.touchscreen.tap(box["x"] + box["width"] * 0.75, box["y"] + box["height"] / 2)
    assert lines(page)
    deg = page.evaluate("dashboard.lever.get().deg")
    assert 10 <= deg <= 22  # three quarters of the way from 30 one way to 30 the other
    page.get_by_role("link", name="Next swing").click()
    page.wait_for_selector('.rail a[aria-current="page"]:has-text("3")')
    page.wait_for_function("dashboard.lever.get().figure.swing === 3")
    assert page.evaluate("dashboard.lever.get().deg") == 0


@at_both
def test_axe_finds_nothing_serious(page, site: Site) -> None:  # noqa: F811
    opened(page, site)
    page.locator(".lever input").focus()
    pressed(page, "ArrowRight", 5)
    page.evaluate(AXE.read_text(encoding="utf-8"))
    found = page.evaluate("axe.run('.lever', {resultTypes: ['violations']})")
    assert [(v["id"], v["impact"]) for v in found["violations"] if v["impact"] in ("serious", "critical")] == []
    assert page.viewport_size in (WIDE, PHONE)
