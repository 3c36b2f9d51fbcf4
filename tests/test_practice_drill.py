"""Drills as data: what a file may say, each fault in one line, and what no drill asks of a wrist."""

from __future__ import annotations

import pytest

from imu.live_angles import LIVE_ANGLES
from imu.practice import drill as drills
from imu.practice.drill import DrillError, check, comfort, end_bands, load, shipped, to_toml, within_comfort


def test_the_shipped_drills_are_one_of_each_kind_in_both_languages():
    assert {d.kind for d in shipped()} == set(drills.KINDS)
    for one in shipped():
        assert set(one.title) == set(one.do) == set(drills.LANGUAGES)
        assert one.kind == "ends" or (one.band and one.source)


def test_only_what_is_known_now_can_be_alerted_to():
    assert drills.NOW_ANGLES == LIVE_ANGLES


def test_written_and_read_again_it_is_the_same(tmp_path):
    file = tmp_path / "drills.toml"
    file.write_text(to_toml(shipped()))
    assert load(file) == shipped()


GOOD = """format = "cupbow.drills/1"
[[drill]]
name = "hold"
kind = "hold"
angle = "wrist_flexion"
event = "top"
title = "Hold"
do = "Hold it."
low = -10
high = 10
"""


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('name = "hold"', 'name = "Hold it!"', "name"),
        ('kind = "hold"', 'kind = "juggle"', "'juggle'"),
        ('kind = "hold"', 'kind = "carry"', "needs a change"),
        ('kind = "hold"', 'kind = "slow"', "stops"),
        ('angle = "wrist_flexion"', 'angle = "elbow"', "'elbow'"),
        ('angle = "wrist_flexion"', 'angle = "forearm_roll"', "only after a swing"),
        ('event = "top"', 'event = "teatime"', "'teatime'"),
        ('event = "top"', 'event = "top..shaft_level_down"', "needs one event"),
        ('title = "Hold"\n', "", "title is to be a text"),
        ('do = "Hold it."', 'do = {fr = "Tenir"}', "do.fr"),
        ("low = -10", "low = 20", "not below"),
        ("low = -10\n", "", "belong together"),
        ("low = -10", 'low = "ten"', "low is to be a number"),
        ("low = -10", "low = -70", "70%"),
        ("high = 10", "high = 10\nhold = 0.1", "hold"),
        ("high = 10", "high = 10\nhold = 9\nwithin = 10", "within"),
        ("high = 10", "high = 10\ntries = 0", "tries"),
        ("high = 10", "high = 10\ntries = 2.5", "whole number"),
        ("high = 10", "high = 10\nshare = 0.9", "share"),
        ("high = 10", 'high = 10\nstops = ["top"]', "stops belong"),
        ("high = 10", 'high = 10\nfeedback = "often"', "feedback is to be a table"),
        ("high = 10", 'high = 10\nfeedback = {schedule = "often"}', "'often'"),
        ("high = 10", "high = 10\nfeedback = {last = 99}", "feedback.last"),
        ("high = 10", 'high = 10\nfeedback = {ask = "yes"}', "feedback.ask"),
        ("high = 10", 'high = 10\nalerts = ["siren"]', "'siren'"),
        ("high = 10", "high = 10\nvolume = 11", "'volume'"),
        ('format = "cupbow.drills/1"', 'format = "cupbow.drills/9"', "this version reads"),
        ("[[drill]]", "[drill]", "list of tables"),
        ('name = "hold"', 'name = "hold', "not valid TOML"),
    ],
)
def test_each_fault_is_one_line_that_names_file_and_field(tmp_path, old, new, said):
    file = tmp_path / "mine.toml"
    assert old in GOOD
    file.write_text(GOOD.replace(old, new))
    with pytest.raises(DrillError) as fault:
        load(file)
    text = str(fault.value)
    assert "\n" not in text
    assert str(file) in text
    assert said in text


def test_a_good_file_has_no_fault_and_two_of_a_name_have(tmp_path):
    file = tmp_path / "mine.toml"
    file.write_text(GOOD)
    assert load(file)[0].band == (-10.0, 10.0)
    file.write_text(GOOD + GOOD.partition("\n")[2])
    with pytest.raises(DrillError, match="two of this name"):
        load(file)


# -- range of motion -------------------------------------------------------------------------------
# Boone & Azen 1979 (J Bone Joint Surg 61A:756): flexion 76, extension 75, radial 22, ulnar 36; American Academy of
# Orthopaedic Surgeons: 80, 70, 20, 30 (both read second-hand). The wider of each.
PUBLISHED = {"wrist_flexion": (-75.0, 80.0), "wrist_deviation": (-22.0, 36.0)}


@pytest.mark.parametrize("angle", PUBLISHED)
def test_comfort_is_seventy_percent_and_never_past_the_published_range(angle):
    low, high = PUBLISHED[angle]
    assert comfort(angle) == pytest.approx((0.7 * low, 0.7 * high))
    assert comfort(angle, (low / 2, high / 2)) == pytest.approx((0.35 * low, 0.35 * high))
    assert comfort(angle, (3 * low, 3 * high)) == pytest.approx((0.7 * low, 0.7 * high))  # no one's own range is more
    assert comfort("face_to_forearm") is None


def test_a_band_is_cut_to_comfort_or_refused():
    assert within_comfort("wrist_flexion", (-60, -20), (-50, 50)) == (-35.0, -20)
    assert within_comfort("wrist_flexion", (-60, -40), (-50, 50)) is None
    assert within_comfort("face_to_forearm", (-60, 60)) == (-60, 60)
    far = next(d for d in shipped() if d.kind == "hold").with_band(-30, -10)
    check(far)
    with pytest.raises(DrillError, match="own range"):
        check(far, own=(-40, 40))


@pytest.mark.parametrize("own", [(-60, 55), (-20, 18), (-75, 80), (-90, 95)])
def test_ends_are_felt_inside_seventy_percent_of_the_own_range(own):
    low, high = end_bands("wrist_flexion", own, share=0.7)
    assert 0.7 * own[0] - 1e-9 <= low[0] < low[1] < 0 < high[0] < high[1] <= 0.7 * own[1] + 1e-9
    assert low[0] >= -52.5
    assert high[1] <= 56.0


def test_a_range_too_small_to_feel_is_said():
    with pytest.raises(DrillError, match="too small"):
        end_bands("wrist_flexion", (-6, 5))
    with pytest.raises(DrillError, match="no ends"):
        end_bands("shaft_elevation", (-60, 60))
