"""The other ten recordings, see test_accuracy.py; and the same with sensors missing."""

from tests.accuracy import check, measured, rows, short
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
