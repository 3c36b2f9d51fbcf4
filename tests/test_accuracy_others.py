"""The other ten recordings, see test_accuracy.py; and the same with sensors missing."""

import numpy as np

from tests.accuracy import check, measured, rms, rows, short
from tests.bench.causes import CAUSES


def test_ten_other_seeded_recordings():
    check(measured(range(11, 21), short()))


def test_without_a_hand_sensor_the_wrist_is_read_through_the_grip():
    scores = measured([41, 42], short(), CAUSES["forearm+club"])
    top = rows(scores, "wrist_flexion", "top")
    assert len(top) == 4
    assert all("via_grip" in v["marks"] for v in top)
    assert all(abs(v["error"]) <= v["u95"] for v in top)
    # one of the two lost the club during its only flat grip: it is known to ±8 deg, and says so
    assert sorted(abs(v["error"]) for v in top)[1] <= 1.0
    assert all(v["u95"] < 10.0 for v in top)


def test_skin_that_follows_the_arm_late_is_not_taken_for_a_clock():
    # a forearm's skin that loses 30 % of the pronation: as clocks, that was 5 ms, and 6 deg of flexion at impact
    scores = measured([1002, 1004], short(), CAUSES["full+skin_slip"])
    assert rms([1e3 * c["error_s"] for c in scores.clocks]) <= 1.5
    changes = [v for v in rows(scores, "change of wrist_flexion", "address..impact") if v["error"] is not None]
    assert len(changes) >= 3
    assert all(abs(v["error"]) <= v["u95"] <= 8.0 for v in changes)


def test_what_is_read_at_a_level_knows_that_the_moment_moves_with_the_elevation():
    scores = measured([1003], short())
    level = ("shaft_level_back", "shaft_level_down", "shaft_level_through")
    shaft = rows(scores, "shaft_elevation", *level)
    assert len(shaft) == 6
    assert all(v["u95"] <= 0.5 for v in shaft)  # of what is level, the elevation is known
    assert np.median([v["u95"] for v in rows(scores, "shaft_elevation", "top")]) > 0.5


def test_a_wrist_that_bends_and_plays_as_none_does_is_told_nowhere():
    # without a hand sensor, the club's lost between the two flat grips and in the swings: 45 deg off at ±7, it was
    cause = CAUSES["forearm+club"]
    scores = measured([3007], cause.session, cause)
    wrist = [v for name in ("wrist_flexion", "wrist_deviation", "face_to_forearm") for v in rows(scores, name, "top")]
    assert len(wrist) == 9
    assert all(v["value"] is None and v["grade"] == "poor" and v["reason"] for v in wrist)
