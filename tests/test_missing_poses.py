"""Recordings that lack some of the poses: what the others and the motion tell is told, with the same signs.

The truth is rendered by MuJoCo (tests/bench), by no code of the measurement's.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import imu.readers
from imu.measuring import measure_recording
from tests.bench import Session, make_recording
from tests.bench.score import score


def wrist(made, recording) -> dict[str, float]:
    """Largest error in degrees of each wrist angle at the events up to the top, over all swings."""
    scores = score(measure_recording(recording), made.truth.data, recording=0)
    out = {}
    for angle in ("wrist_flexion", "wrist_deviation"):
        rows = [v for v in scores.values if v["angle"] == angle and v["event"] in ("address", "arm_level_back", "top")]
        assert len(rows) == 6
        assert all(v["error"] is not None for v in rows)
        out[angle] = max(abs(v["error"]) for v in rows)
    return out


def made_and_read(tmp_path, seed: int, hand: str):
    made = make_recording(seed=seed, session=Session(n_swings=2, handedness=hand, club="7-iron"))
    return made, imu.readers.read(made.write(tmp_path / "r", truth=False))


@pytest.mark.parametrize(("seed", "hand"), [(3, "right"), (4, "left"), (5, "right"), (6, "left")])
def test_forearm_rolls_stand_in_for_a_hang(tmp_path, seed, hand):
    """An axis of rolls may point up or down the arm: what is up at address is its elbow's end."""
    made, recording = made_and_read(tmp_path, seed, hand)
    told = wrist(made, replace(recording, poses=tuple(p for p in recording.poses if p.name != "hang")))
    assert told["wrist_flexion"] < 2.0
    assert told["wrist_deviation"] < 3.0


@pytest.mark.parametrize(("seed", "hand"), [(3, "right"), (4, "left")])
def test_a_hand_sensor_switched_on_after_the_first_poses_is_told_by_the_flat_grip(tmp_path, seed, hand):
    made, recording = made_and_read(tmp_path, seed, hand)
    stream = recording.streams["hand"]
    first = recording.streams[next(iter(recording.streams))]
    since = max(p.end_s for p in recording.poses if p.name in ("hang", "handshake")) + 1.0
    on = stream.t_s - first.t_s[0] > since
    assert 0.1 < np.mean(on) < 0.95
    streams = {
        r: replace(s, t_s=s.t_s[on], gyro=s.gyro[on], accel=s.accel[on]) if r == "hand" else s
        for r, s in recording.streams.items()
    }
    told = wrist(made, replace(recording, streams=streams))
    assert told["wrist_flexion"] < 2.0
    assert told["wrist_deviation"] < 3.0
