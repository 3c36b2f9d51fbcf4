"""The one change: what is proposed, what it would give, cost and risk, and what is never proposed."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest

from imu.bands import Bands, shipped
from imu.causes import explain
from imu.compare import summarise
from imu.one_change import MOST_STEP_DEG, candidates
from imu.practice.drill import comfort
from imu.practice.plan import propose
from tests.chain_case import BANDS, FOREARM_SHAFT_DEG, SLOPES, geometry, group, taught

TOP, FACE = "wrist_flexion@top", "face_to_forearm@top"
LOST = "wrist_flexion@top..shaft_level_down"


def looked(seed=1, *, n=16, bands=BANDS, model=None, own_range=None, **settings):
    settings = {"zero": 0.5} | settings
    m = taught(np.random.default_rng(seed), n=n, bands=bands, **settings)
    today = group("today", m)
    return candidates(explain(today, geometry=model or geometry()), own_range=own_range), today


def test_a_wrist_outside_its_band_is_brought_just_inside_and_its_gain_is_the_geometrys():
    found, today = looked()
    first = found.ranked[0]
    mean = summarise(today, TOP)
    assert first.key == TOP
    # Surely inside: the low edge, and the doubt of today's mean.
    assert first.aim_deg == pytest.approx(-10.0 + mean.u95, abs=0.06)
    assert (first.low_deg, first.high_deg) == BANDS[TOP]
    gain = next(g for g in first.gains if g.effect == FACE)
    assert gain.deg == pytest.approx(-0.85 * first.deg, abs=0.05)  # aims are whole tenths
    assert gain.u95 == pytest.approx(0.1 * first.deg, abs=0.05)  # 1 degree for 10, as the model says
    assert gain.mends > 0
    assert first.spreads == pytest.approx(abs(first.deg) / mean.sd)
    assert re.fullmatch(r"Wrist 1\d° more bowed at the top", first.title)


def test_by_this_students_own_attitudes_the_face_turns_by_the_sine_of_the_angle_between_arm_and_shaft():
    """Geometry: face twist for each degree of flexion is sin(forearm-shaft angle): 1.0 at 90°, 0.71 at 135°."""
    m = taught(np.random.default_rng(1), zero=0.5, attitudes=True)
    first = candidates(explain(group("today", m))).ranked[0]
    gain = next(g for g in first.gains if g.effect == FACE)
    assert gain.deg / first.deg == pytest.approx(-math.sin(math.radians(FOREARM_SHAFT_DEG["top"])), abs=1e-3)


def test_a_movement_inside_its_band_is_asked_only_for_what_mends_the_face():
    bands = {TOP: (-40.0, 40.0), FACE: (-10.0, 10.0)}
    found, today = looked(bands=bands, shift={TOP: 10.0})
    first = found.ranked[0]
    face = summarise(today, FACE)
    # The face is to come from about 18 surely under 10 degrees open.
    assert first.key == TOP
    assert first.deg == pytest.approx((10.0 - face.u95 - face.mean) / -0.85, abs=0.06)
    assert first.high_deg - first.low_deg >= 6
    assert "leads to it" in first.why


def test_ranked_by_what_face_and_shaft_surely_gain_for_each_spread_of_cost():
    bands = {**BANDS, "shaft_past_level@top": (-60.0, 0.0)}
    found, _ = looked(bands=bands, slopes={**SLOPES, ("wrist_deviation@top", "shaft_past_level@top"): -0.9})
    worths = [c.worth for c in found.ranked]
    assert len(worths) >= 2
    assert worths == sorted(worths, reverse=True)
    for c in found.ranked:
        assert c.worth == pytest.approx(sum(g.surely_mends for g in c.gains) / c.spreads)


def test_overdoing_is_where_an_effect_leaves_its_band_on_the_other_side():
    found, today = looked()
    first = found.ranked[0]
    face = summarise(today, FACE)
    assert first.overdone_effect == FACE
    assert first.overdone_deg == pytest.approx(first.today.mean + (-10.0 - face.mean) / -0.85)
    assert "leaves its band: more closed" in first.to_json()["says"]["overdone"]


@pytest.mark.parametrize(("key", "low", "mean"), [(TOP, 55.0, 35.0), ("wrist_deviation@top", -22.0, -10.0)])
def test_nothing_leads_towards_the_end_of_range(key, low, mean):
    """Published ends of range (Boone & Azen 1979; AAOS), of which cues use 70 % at most."""
    angle = key.partition("@")[0]
    reach = comfort(angle)
    bands = {key: (low, low + 20.0) if low > 0 else (low, low + 4.0)}
    found, _ = looked(bands=bands, shift={key: mean - {TOP: -22.0}.get(key, -15.0)})
    for c in found.ranked:
        if c.angle == angle:
            assert reach[0] <= c.low_deg
            assert c.high_deg <= reach[1]
            assert reach[0] <= c.aim_deg <= reach[1]
    if key not in {c.key for c in found.ranked}:
        assert "end of the wrist's range" in found.passed_over[key]


def test_a_students_own_range_narrows_what_is_proposed():
    wide, _ = looked()
    own = {"wrist_flexion": (-25.0, 5.0)}
    narrow, _ = looked(own_range=own)
    assert wide.ranked[0].high_deg == 10.0
    assert narrow.ranked[0].high_deg <= 0.7 * 5.0
    assert any("end of the wrist's range" in note for note in narrow.ranked[0].notes)


def test_no_more_than_a_first_step_at_once():
    found, _ = looked(shift={TOP: -18.0})
    first = next(c for c in found.ranked if c.key == TOP)
    assert first.deg == pytest.approx(MOST_STEP_DEG, abs=0.06)
    assert first.low_deg <= first.aim_deg <= first.high_deg
    assert first.notes[0].startswith("a first step")


def test_nothing_out_means_nothing_to_change_and_says_so():
    found, _ = looked(bands={TOP: (-60.0, 60.0), FACE: (-60.0, 60.0)})
    assert found.ranked == ()
    assert "nothing is surely outside its band" in found.reason
    assert found.passed_over[LOST] == "it has no band, and nothing that it could mend is surely outside its own"


def test_one_swing_and_sensors_not_worn_give_no_candidate():
    alone, _ = looked(n=1)
    assert alone.ranked == ()
    assert alone.reason == "one swing leads to no conclusion"
    blank, _ = looked(without=("wrist_flexion", "wrist_deviation"), model=lambda *_: [])
    assert TOP not in {c.key for c in blank.ranked}
    assert "too few readings" in blank.passed_over[TOP]


def test_every_candidate_can_be_a_band_and_a_plan():
    bands = {**BANDS, "shaft_past_level@top": (-60.0, 0.0), "shaft_off_plane@shaft_level_down": (-5.0, 5.0)}
    for seed in range(6):
        found, _ = looked(seed, bands=bands)
        assert found.ranked
        for c in found.ranked:
            assert Bands((c.band("the coach's pick"),), shipped().limits).bands[0].key == c.key
            assert propose(c.pick, days=14).days
            json = c.to_json()
            assert json["evidence"]
            assert all(json["says"].values())
            assert "pain" not in str(json["says"])


def test_what_hardly_does_anything_is_no_way_to_mend_it_and_what_makes_it_worse_is_said():
    bands = {TOP: (-60.0, 60.0), "shaft_past_level@top": (-60.0, 0.0)}
    weak, _ = looked(bands=bands, model=geometry(0.3, {("wrist_flexion", "shaft_past_level"): -0.1}))
    assert TOP not in {c.key for c in weak.ranked}
    assert "nothing that it could mend" in weak.passed_over[TOP]
    closed = {TOP: (-10.0, 10.0), FACE: (25.0, 40.0)}  # the face is closed already, and bowing closes it more
    worse, _ = looked(bands=closed)
    first = next(c for c in worse.ranked if c.key == TOP)
    assert first.worth < 0
    assert any("further from their bands" in note for note in first.notes)
    assert "(worse)" in first.to_json()["says"]["gives"]
