"""The wrist's axes from swings alone: judged by a joint made with scipy's rotations, and by MuJoCo's swings."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

import imu.readers
from imu.measuring import measure_recording
from imu.self_calibration import Motion, wrist_mounting
from tests.bench import Poses, Session, make_recording
from tests.bench.causes import CAUSES


def made_up(rng: np.random.Generator, side: int, forearm: Rotation, hand: Rotation) -> tuple[Motion, np.ndarray]:
    """A swing of a two-axis wrist: attitudes of both sensors, the hand's heading unknown; and its angles (n, 2)."""
    n = 120
    u = np.linspace(0, 1, n)
    flexion = np.radians(-10 - 25 * np.sin(np.pi * u) + 8 * np.sin(5 * u))
    deviation = np.radians(20 - 45 * np.sin(np.pi * u) ** 2 + 5 * np.cos(7 * u))
    # from nearly hanging at address to level with the thumb up, while the body turns
    tip = np.radians(35 + 60 * np.sin(np.pi * u))
    none = np.zeros(n)
    proximal = np.column_stack([np.sin(tip), none, np.cos(tip)])
    radial = side * np.column_stack([-np.cos(tip), none, np.sin(tip)])
    frames = np.stack([np.cross(proximal, radial), proximal, radial], axis=-1)
    turn = Rotation.from_euler("Z", np.radians(80 * u)[:, None])
    arm = (
        turn
        * Rotation.from_matrix(frames)
        * Rotation.from_euler("Y", side * np.radians(25 * np.sin(np.pi * u))[:, None])
    )
    wrist = Rotation.from_euler("ZX", np.column_stack([flexion, side * deviation]))
    f = arm * forearm.inv()
    h = Rotation.from_euler("Z", rng.uniform(-3, 3)) * arm * wrist * hand.inv()
    return Motion(f.as_matrix(), h.as_matrix(), 0, n // 2), np.degrees(np.column_stack([flexion, deviation]))


@pytest.mark.parametrize("side", [1, -1])
def test_axes_of_a_made_joint_are_found_at_any_mounting(side):
    rng = np.random.default_rng(3)
    forearm, hand = Rotation.random(rng=rng), Rotation.random(rng=rng)
    parts = [made_up(rng, side, forearm, hand) for _ in range(3)]
    found = wrist_mounting([m for m, _ in parts], side=side)
    assert found is not None
    # flexion's axis is fixed in the forearm, deviation's in the hand; their sense is part of the answer
    assert found[0][:, 2] @ forearm.as_matrix()[:, 2] > np.cos(np.radians(1.0))
    assert found[1][:, 0] @ hand.as_matrix()[:, 0] > np.cos(np.radians(1.0))


def test_motion_that_does_not_tell_is_refused():
    still = np.broadcast_to(np.eye(3), (20, 3, 3))
    assert wrist_mounting([Motion(still, still, 0, 10)], side=1) is None
    assert wrist_mounting([], side=1) is None


@pytest.mark.parametrize(("seed", "hand"), [(2, "right"), (8, "left")])
def test_changes_within_a_swing_without_any_pose(tmp_path, seed, hand):
    session = Session(n_swings=2, poses=Poses.named("none"), handedness=hand, club="7-iron")
    made = make_recording(seed=seed, session=session)
    measured = measure_recording(imu.readers.read(made.write(tmp_path)))
    assert len(measured.swings) == 2
    assert any("its zero is a guess" in w for w in measured.warnings)
    for swing, truth in zip(measured.swings, made.truth.data["swings"], strict=True):
        true = truth["angles_deg"]["wrist_flexion"]
        change = swing.changes["wrist_flexion"]["address..top"]
        assert change.value_deg == pytest.approx(true["top"] - true["address"], abs=1.5)
        assert change.u95_deg < 6
        top = swing.angles["wrist_flexion"]["top"]
        assert "zero_guessed" in top.marks
        assert top.u95_deg > 15
        assert not any(key.startswith("wrist_") for key in swing.bands if swing.bands[key].verdict != "unsure")
        assert swing.grade == "fair"
        assert swing.angles["face_to_forearm"]["top"].value_deg is None


def test_rival_axes_are_told_apart_by_what_a_wrist_does(tmp_path):
    """In this recording other axes stay at right angles as well as the wrist's own; with them it would have bent by
    25 degrees more and twisted."""
    session = Session(n_swings=3, poses=Poses.named("none"))
    made = make_recording(seed=23, errors=CAUSES["full"].errors, session=session)
    measured = measure_recording(imu.readers.read(made.write(tmp_path)))
    for swing, truth in zip(measured.swings, made.truth.data["swings"], strict=True):
        for angle in ("wrist_flexion", "wrist_deviation"):
            true = truth["angles_deg"][angle]
            change = swing.changes[angle]["address..top"].value_deg
            assert change == pytest.approx(true["top"] - true["address"], abs=3.0)
