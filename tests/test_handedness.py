"""A golfer said to be of the other hand: every number would come out with the wrong sign, and looks as good.

Seen from above a right-handed golfer's downswing turns counter-clockwise, towards a target on the left (common practice,
no source); the swings are rendered by MuJoCo (tests/bench).
"""

from __future__ import annotations

from dataclasses import replace

import pytest

import imu.readers
from imu.measuring import measure_recording
from imu.words import retold
from tests.bench import Session, make_recording


@pytest.mark.parametrize(("hand", "other"), [("right", "left"), ("left", "right")])
def test_a_wrong_hand_is_said_and_nothing_is_graded_good(tmp_path, hand, other):
    made = make_recording(seed=11, session=Session(n_swings=2, handedness=hand, club="7-iron"))
    recording = imu.readers.read(made.write(tmp_path))
    told = measure_recording(recording)
    assert not any("-handed golfer" in w for w in told.warnings)
    assert {s.grade for s in told.swings} == {"good"}

    wrong = measure_recording(replace(recording, handedness=other))
    said = [w for w in wrong.warnings if f"as a {hand}-handed golfer's do" in w]
    assert len(said) == 1
    assert {s.grade for s in wrong.swings} == {"poor"}
    assert all(said[0] in s.reasons for s in wrong.swings)
    assert "Händigkeit" in retold(said[0], "de")


def test_accelerometers_of_the_other_sign_show_in_the_same_way(tmp_path):
    """Gravity upside down is the mirror of everything."""
    made = make_recording(seed=11, session=Session(n_swings=2, handedness="right", club="7-iron"))
    recording = imu.readers.read(made.write(tmp_path))
    streams = {r: replace(s, accel=-s.accel) for r, s in recording.streams.items()}
    told = measure_recording(replace(recording, streams=streams))
    assert any("accelerometers show +1 g" in w for w in told.warnings)
