"""The wrist's axes from swings alone: judged by a joint made with scipy's rotations, and by MuJoCo's swings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

import imu.readers
from imu.fitting import _as_likely, fit_recording
from imu.measured import Value
from imu.measuring import measure_recording
from imu.preparing import prepare
from imu.self_calibration import Motion, palmar, wrist_mountings
from imu.swing_values import _known_to_deg, measured_swing
from tests.bench import Poses, Session, make_recording
from tests.bench.causes import CAUSES

HANGING = Rotation.from_matrix(np.array([[-1.0, 0, 0], [0, 0, 1], [0, 1, 0]]))
"""An arm straight down, either one: back of the hand to the target (x), elbow up; the columns are ISB's axes."""


def made_up(
    rng: np.random.Generator,
    side: int,
    forearm: Rotation,
    hand: Rotation,
    *,
    late_s: float = 0.0,
    bends: float = 1.0,
    loop: bool = False,
) -> Motion:
    """A swing of a two-axis wrist, back to the target at address, as both sensors see it: the hand's heading unknown
    and its clock late. `loop`: the arm goes towards the target first."""
    n, whole_s = 120, 1.4

    def posed(u: np.ndarray) -> tuple[Rotation, Rotation]:
        flexion = bends * np.radians(-10 - 25 * np.sin(np.pi * u) + 8 * np.sin(5 * u))
        deviation = np.radians(20 - bends * (45 * np.sin(np.pi * u) ** 2 + 5 * np.cos(7 * u)))
        # up and away from the target until level and beyond, thumb up there, while the body turns
        lift = np.where(loop & (u < 1 / 3), -80 * np.sin(3 * np.pi * u), 5 + 95 * np.sin(np.pi * u))
        up = Rotation.from_euler("Y", np.radians(lift)[:, None])
        roll = Rotation.from_euler("Y", side * np.radians(-5 + 85 * np.sin(np.pi * u))[:, None])
        arm = Rotation.from_euler("Z", np.radians(20 * np.sin(np.pi * u))[:, None]) * up * HANGING * roll
        wrist = Rotation.from_euler("ZX", np.column_stack([flexion, side * deviation]))
        return arm * forearm.inv(), arm * wrist * hand.inv()

    u = np.linspace(0, 1, n)
    f, _ = posed(u)
    earlier = u - late_s / whole_s
    h, after = posed(earlier)[1], posed(earlier + 1e-4)[1]
    rate = (h.inv() * after).as_rotvec() / (1e-4 * whole_s)
    turned = np.cumsum(np.concatenate([np.zeros((1, 3)), (f[:-1].inv() * f[1:]).as_rotvec()]), axis=0)
    h = Rotation.from_euler("Z", rng.uniform(-3, 3)) * h
    return Motion(
        f.as_matrix(),
        h.as_matrix(),
        turned - np.median(turned, axis=0),
        rate,
        0,
        n // 3 - 1 if loop else n // 2,
        n - 10,
    )


@pytest.mark.parametrize("side", [1, -1])
def test_axes_of_a_made_joint_are_found_at_any_mounting(side):
    rng = np.random.default_rng(3)
    forearm, hand = Rotation.random(rng=rng), Rotation.random(rng=rng)
    motions = [made_up(rng, side, forearm, hand, late_s=0.004) for _ in range(3)]
    found = wrist_mountings(motions, side=side, clock_sd_s=0.005)
    assert len(found) == 1
    # flexion's axis is fixed in the forearm, deviation's in the hand; their sense is part of the answer, and near
    # enough for the fit to start from
    assert found[0].forearm[:, 2] @ forearm.as_matrix()[:, 2] > np.cos(np.radians(20.0))
    assert found[0].hand[:, 0] @ hand.as_matrix()[:, 0] > np.cos(np.radians(20.0))
    assert found[0].late_s == pytest.approx(0.004, abs=0.002)


def test_what_small_bends_leave_open_the_stance_tells():
    """A wrist that hardly bends does so about any two axes across the arm; the right ones are not those exchanged."""
    rng = np.random.default_rng(4)
    forearm, hand = Rotation.random(rng=rng), Rotation.random(rng=rng)
    found = wrist_mountings([made_up(rng, -1, forearm, hand, bends=0.1) for _ in range(2)], side=-1)
    for worn in found:
        assert worn.forearm[:, 2] @ forearm.as_matrix()[:, 2] > np.cos(np.radians(25.0))
        assert worn.hand[:, 0] @ hand.as_matrix()[:, 0] > np.cos(np.radians(25.0))


def test_the_palm_looks_from_the_target_at_address():
    rng = np.random.default_rng(5)
    forearm, hand = Rotation.random(rng=rng), Rotation.random(rng=rng)
    straight = [made_up(rng, 1, forearm, hand) for _ in range(2)]
    looped = made_up(rng, 1, forearm, hand, loop=True)
    for motions in (straight, [looped], [*straight, looped]):
        found = palmar(motions)
        assert found["forearm"] @ forearm.as_matrix()[:, 0] > np.cos(np.radians(25.0))
    assert palmar(straight)["hand"] @ hand.as_matrix()[:, 0] > np.cos(np.radians(30.0))


def test_motion_that_does_not_tell_is_refused():
    still = np.broadcast_to(np.eye(3), (20, 3, 3))
    assert wrist_mountings([Motion(still, still, np.zeros((20, 3)), np.zeros((20, 3)), 0, 10, 18)], side=1) == []
    assert wrist_mountings([], side=1) == []


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
        assert change.u95_deg < 9  # the axes of a wrist may lie some degrees off those of its anatomy
        top = swing.angles["wrist_flexion"]["top"]
        assert "zero_guessed" in top.marks
        assert top.u95_deg > 15
        assert not any(key.startswith("wrist_") for key in swing.bands if swing.bands[key].verdict != "unsure")
        assert swing.grade == "fair"
        assert swing.angles["face_to_forearm"]["top"].value_deg is None


@pytest.mark.parametrize("seed", [42, 1008])
def test_axes_are_those_of_the_wrist_with_every_sensor_error(tmp_path, seed):
    """Where other axes stay at right angles as well as the wrist's own (42), and where a line through the lags
    between forearm and hand has their clocks apart by 800 ppm (1008)."""
    cause = CAUSES["no_poses"]
    made = make_recording(seed=seed, errors=cause.errors, session=cause.session)
    measured = measure_recording(imu.readers.read(made.write(tmp_path, truth=False)))
    for swing, truth in zip(measured.swings, made.truth.data["swings"], strict=True):
        for angle in ("wrist_flexion", "wrist_deviation"):
            true = truth["angles_deg"][angle]
            change = swing.changes[angle]["address..top"].value_deg
            assert change == pytest.approx(true["top"] - true["address"], abs=2.0)
    for sensor in measured.sensors[1:]:
        truth = made.truth.data["sensors"]
        apart = truth[sensor.role]["clock_drift_ppm"] - truth[measured.sensors[0].role]["clock_drift_ppm"]
        assert sensor.clock_drift_ppm == pytest.approx(apart, abs=150)


def test_what_the_swings_do_not_tell_is_no_value(tmp_path):
    made = make_recording(seed=2, session=Session(n_swings=1, poses=Poses.named("none"), club="7-iron"))
    fitted = fit_recording(prepare(imu.readers.read(made.write(tmp_path, truth=False))))
    w, rough = fitted.swing_windows[0], fitted.prepared.rough[0]
    assert measured_swing(fitted, w, rough, 1).angles["wrist_flexion"]["top"].value_deg is not None

    def refused(otherwise):
        swing = measured_swing(otherwise, w, rough, 1)
        values = [v for name in ("wrist_flexion", "wrist_deviation") for v in swing.angles[name].values()]
        values += [v for name in ("wrist_flexion", "wrist_deviation") for v in swing.changes[name].values()]
        assert all(v.value_deg is None for v in values)
        assert swing.grade == "poor"
        return {v.reason for v in values}

    assert refused(replace(fitted, undecided="which way is open")) == {"which way is open"}
    solution = fitted.solution
    series = list(solution.series)
    series[w] = series[w] | {"axial": np.radians(np.linspace(-20, 20, 50))}
    assert "as no wrist lets them" in refused(replace(fitted, solution=replace(solution, series=series))).pop()

    # two answers that place the axes otherwise: one as likely as the other leaves it open, a worse one does not
    turn = Rotation.from_euler("Y", 70, degrees=True).as_matrix()
    mount = {k: m @ turn for k, m in solution.state.mount.items()}
    other = replace(solution, state=replace(solution.state, mount=mount))
    assert _as_likely(solution, other)
    assert not _as_likely(solution, solution)
    assert not _as_likely(solution, replace(other, cost=other.cost + 40))


def test_a_guessed_zero_does_not_hide_what_a_swing_tells():
    told = Value(-12.0, 21.0, None, ("zero_guessed",), 20.0)
    assert _known_to_deg(told) == pytest.approx(6.4, abs=0.1)
    assert _known_to_deg(replace(told, marks=())) == 21.0
