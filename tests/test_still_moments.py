"""Still moments and the poses that they were: judged by MuJoCo's swings, and on the page that takes files in."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

import imu.readers
from dashboard.service import Service
from imu.measuring import measure_recording
from imu.recording import Recording
from imu.still_moments import NO_POSE, Still, named, still_moments
from tests.bench import Poses, Session, make_recording
from tests.synthetic_measurement import measurement
from tests.test_dashboard_page import CHROMIUM, Site, at_both, browser, page, served

assert browser
assert page  # fixtures
playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")


@pytest.fixture(scope="module")
def held(tmp_path_factory: pytest.TempPathFactory):
    """A recording in which poses were held, though nothing marks them nor gives them away, and the truth."""
    poses = Poses(marked=False, functional=False)
    session = Session(n_swings=2, poses=poses, handedness="left", club="7-iron")
    made = make_recording(seed=4, session=session)
    folder = made.write(tmp_path_factory.mktemp("held") / "lesson", truth=False)
    return made, folder, imu.readers.read(folder)


def true_names(made, moments: tuple[Still, ...]) -> dict[str, str]:
    """What each moment was, by the truth."""
    said = {}
    for pose in made.truth.data["poses"]:
        middle = (pose["start"] + pose["end"]) / 2
        said |= {one.key: pose["name"] for one in moments if one.start_s <= middle <= one.end_s}
    return said


def wrist_at_top(recording: Recording) -> list:
    return [swing.angles["wrist_flexion"]["top"] for swing in measure_recording(recording).swings]


def test_every_pose_is_among_the_moments_and_naming_them_gives_the_wrist_its_zero(held) -> None:
    from dataclasses import replace

    made, _, recording = held
    moments = still_moments(recording)
    assert all(one.pose is None for one in moments), "without slow rolls the motion alone does not tell"
    said = true_names(made, moments)
    assert sorted(said.values()) == sorted(pose["name"] for pose in made.truth.data["poses"])
    for one in moments:
        assert one.end_s - one.start_s >= 0.8

    before = wrist_at_top(recording)
    assert all("zero_guessed" in value.marks for value in before)
    after = wrist_at_top(replace(recording, poses=named(moments, said)))
    truths = [swing["angles_deg"]["wrist_flexion"]["top"] for swing in made.truth.data["swings"]]
    for value, true, guessed in zip(after, truths, before, strict=True):
        assert "zero_guessed" not in value.marks
        assert value.value_deg == pytest.approx(true, abs=1.5)
        assert value.u95_deg < guessed.u95_deg / 2


def test_what_the_motion_shows_stays_unless_it_is_denied() -> None:
    moments = (Still(1.0, 3.0, "hang"), Still(5.0, 7.0, "handshake"), Still(9.0, 10.0))
    assert named(moments, {}) == (), "nothing said: measuring looks for itself"
    assert [p.name for p in named(moments, {"9.00": "club_hang"})] == ["hang", "handshake", "club_hang"]
    assert [p.name for p in named(moments, {"1.00": NO_POSE})] == ["handshake"]
    assert [p.name for p in named(moments, {"5.00": "grip_flat", "7.77": "hang"})] == ["hang", "grip_flat"]


def test_what_the_motion_shows_is_what_was_held(tmp_path: Path) -> None:
    made = make_recording(
        seed=4, session=Session(n_swings=1, poses=Poses(marked=False), handedness="left", club="7-iron")
    )
    moments = still_moments(imu.readers.read(made.write(tmp_path, truth=False)))
    said = true_names(made, moments)
    shown = {one.key: one.pose for one in moments if one.pose}
    assert sorted(shown.values()) == ["handshake", "handshake", "hang"]
    assert shown.items() <= said.items()


# -- on the page -----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    places = tmp_path_factory.mktemp("kept")
    service = Service(
        tmp_path_factory.mktemp("recordings"),
        cache_dir=places / "c",
        data_dir=places / "d",
        measurer=lambda path, progress, **_: measurement(3, handedness="left"),
    )
    for found in served(service):
        found.irons = service.bands().key
        yield found


@pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")
@at_both
def test_a_coach_names_the_moments_and_the_recording_is_saved_with_its_poses(page, site: Site, held) -> None:
    from tests.test_dashboard_students import checked

    made, folder, recording = held
    page.goto(f"{site.address}/add")
    page.wait_for_selector(".drop")
    files = [folder / f"{role}.csv" for role in ("forearm", "hand", "club")]
    page.set_input_files("input[type=file]", [str(file) for file in files])
    page.wait_for_selector('h1:has-text("Still needed: the golfer’s handedness.")')
    assert page.locator(".poses").count() == 0, "first what the files do not say"
    page.get_by_role("button", name="Left-handed").click()
    page.wait_for_selector(".moments")
    moments = still_moments(recording)
    menus = page.locator(".moments select")
    assert menus.count() == len(moments)
    assert page.locator(".plot").first.locator("rect.moment").count() == len(moments)
    titles = {"hang": "Hang", "handshake": "Handshake", "club_square": "Club square", "club_hang": "Club hang",
              "grip_flat": "Grip, wrist flat"}  # fmt: skip
    said = true_names(made, moments)
    for k, one in enumerate(moments):
        if one.key in said:
            menus.nth(k).select_option(label=titles[said[one.key]])
    until_true(lambda: page.locator(".manifest").text_content().count("[[pose]]") == len(said))
    page.reload()
    page.wait_for_selector(".moments")
    playwright.expect(page.locator(".plot").first.locator("rect.posed")).to_have_count(len(said))  # nothing is lost
    checked(page, "poses")
    name = f"lesson {page.viewport_size['width']}"
    page.get_by_label("Name").fill(name)
    page.get_by_role("button", name="Save and open").click()
    page.wait_for_url("**/swings/**")
    saved = site.service.root / name
    for file in files:
        assert (saved / file.name).read_bytes() == file.read_bytes(), "the samples are as they came"
    poses = imu.readers.read(saved).poses
    assert [(p.name, p.start_s, p.end_s) for p in poses] == [
        (p.name, pytest.approx(p.start_s, abs=0.01), pytest.approx(p.end_s, abs=0.01)) for p in named(moments, said)
    ]


def test_a_page_that_asks_again_while_it_is_saved_hears_where_it_went(tmp_path: Path, held) -> None:
    """While moments are looked for the page asks again and again; an answer to that takes the place of the
    answer to saving."""
    from dashboard.pages.add import answer

    _, folder, _ = held
    (tmp_path / "recordings").mkdir()
    service = Service(tmp_path / "recordings", cache_dir=tmp_path / "c", data_dir=tmp_path / "d")
    key = service.uploads.new()
    for role in ("forearm", "hand", "club"):
        service.uploads.add(key, f"{role}.csv", [(folder / f"{role}.csv").read_bytes()])
    said = {"handed": "left"}
    until_true(lambda: not answer(service, {"look": key, "said": said})["busy"])
    saved = answer(service, {"save": key, "said": said, "name": "lesson"})
    assert saved["saved"] == "/swings/lesson"
    assert answer(service, {"look": key})["saved"] == "/swings/lesson"
    assert answer(service, {"save": key, "said": said, "name": "lesson"})["saved"] == "/swings/lesson"
    service.close()


def until_true(true, seconds: float = 20.0) -> None:
    until = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < until, "it did not come"
        time.sleep(0.05)


def test_what_was_said_later_holds_whichever_came_first(tmp_path: Path) -> None:
    """Answers of a page are sent at once, each of its own: the network may turn them round."""
    service = Service(tmp_path, cache_dir=tmp_path / "c", data_dir=tmp_path / "d")
    key = service.uploads.new()
    service.uploads.look(key, {"club": "driver"}, at=2.0)
    service.uploads.look(key, {"club": "dri"}, at=1.0)
    assert service.uploads.look(key).said == {"club": "driver"}
    service.uploads.look(key, {"club": "7-iron"}, at=3.0)
    assert service.uploads.look(key).said == {"club": "7-iron"}
    service.close()
