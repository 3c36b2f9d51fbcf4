"""Right to a degree: recordings of MuJoCo swings with known truth and consumer sensors' errors (first ten
of twenty; the others stand in test_accuracy_others.py, so that two processes share them)."""

from dataclasses import replace

from tests.accuracy import check, measured, short


def test_ten_seeded_recordings():
    check(measured(range(1, 11), short()))


def test_nothing_is_invented_among_walking_waggles_and_picking_up():
    scores = measured([31], replace(short(), minutes=2.0, idle=True))
    (row,) = scores.recordings
    assert (row["swings"], row["missed"], row["false"]) == (2, 0, 0)
