"""Synthetic swings: physics, signs, published ranges, and the demo recordings that lie in `recordings/`."""

from __future__ import annotations

import gzip
import io
from dataclasses import replace
from functools import lru_cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import cumulative_trapezoid
from scipy.spatial.transform import Rotation

from imu import readers, simulate
from imu.recording import GRAVITY
from imu.simulate import DEMO, JUNO, Player, Script, SensorErrors, Session, SwingPlan

RECORDINGS = Path(__file__).parents[1] / "recordings"


@lru_cache(maxsize=1)
def demo() -> dict[str, simulate.Simulated]:
    return simulate.demo_recordings()


def swing_motion(handedness: str, *, seed: int = 3, **plan: float) -> simulate.Motion:
    script = Script(Player(handedness=handedness), "7-iron", np.random.default_rng(seed))  # type: ignore[arg-type]
    script.swing(SwingPlan(**plan))  # type: ignore[arg-type]
    return script.motion()


# -- physics ---------------------------------------------------------------------------------------
@pytest.mark.parametrize("role", simulate.SEGMENTS)
@pytest.mark.parametrize("handedness", ["right", "left"])
def test_a_perfect_sensor_integrates_back_to_the_motion(role: simulate.Role, handedness: str) -> None:
    """Strapdown integration with scipy's Rotation brings back orientation and path of the segment:
    signs, frames, gravity and lever arms all take part."""
    motion = swing_motion(handedness, ball=False)
    errors = replace(SensorErrors.none(), rate_hz=2000.0)
    sensed = simulate.sense(motion, role, errors, np.random.default_rng(1))
    s = sensed.stream
    true = sensed.start_s + s.t_s * sensed.pace
    lo, hi = np.searchsorted(true, [motion.swings[0].takeaway_s - 0.3, motion.swings[0].finish_s])
    state = motion.at(true)
    start = Rotation.from_matrix(state.frames[role][lo]) * Rotation.from_matrix(sensed.mounting).inv()
    # a sample is the mean over its period, centred on its stamp: half of it lies before, half after
    half = Rotation.from_rotvec(s.gyro[lo:hi] * 0.00025)
    turn = start
    at = [turn]
    for a, b in pairwise(half):
        turn = turn * a * b
        at.append(turn)
    orientation = Rotation.concatenate(at)
    truth = Rotation.from_matrix(state.frames[role][lo:hi]) * Rotation.from_matrix(sensed.mounting).inv()
    assert np.degrees((orientation.inv() * truth).magnitude()).max() < 0.2
    acceleration = truth.apply(s.accel[lo:hi]) - [0, 0, GRAVITY]
    t = true[lo:hi]
    point = state.points[role][lo:hi]
    velocity = np.gradient(point, t, axis=0)[0] + cumulative_trapezoid(acceleration, t, axis=0, initial=0)
    path = point[0] + cumulative_trapezoid(velocity, t, axis=0, initial=0)
    assert np.linalg.norm(path - point, axis=1).max() < 0.02  # m, of a path of several


def test_sensor_errors_are_of_the_size_that_they_say() -> None:
    session = Session(swings=(), calibrated=True)
    exact = simulate.simulate(Session(swings=(), errors=SensorErrors.none()), seed=5)
    found = simulate.simulate(session, seed=5)
    for role, sensed in found.sensed.items():
        pose = next(p for p in found.motion.poses if p.name == "hang")
        s = sensed.stream
        inside = (sensed.start_s + s.t_s > pose.start_s) & (sensed.start_s + s.t_s < pose.end_s)
        bias = np.degrees(s.gyro[inside].mean(axis=0))
        assert 0.05 < np.abs(bias).max() < 1.8
        assert abs(np.linalg.norm(s.accel[inside].mean(axis=0)) - GRAVITY) < 0.06 * GRAVITY
        assert (
            np.linalg.norm(
                exact.sensed[role].stream.gyro[inside[: len(exact.sensed[role].stream)].nonzero()[0]].mean(0)
            )
            < 0.02
        )


# -- signs -----------------------------------------------------------------------------------------
@pytest.mark.parametrize("handedness", ["right", "left"])
def test_wrist_angles_follow_the_isb_sequence(handedness: str) -> None:
    """Wu et al. 2005, J Biomech 38:981: hand to forearm, Z flexion first, then X deviation, and no
    axial part; on a left arm ulnar deviation is the negative turn about X."""
    motion = swing_motion(handedness)
    t = np.linspace(0.5, motion.end_s - 0.6, 200)
    frames, q = motion.at(t).frames, motion.joints(t)
    relative = Rotation.from_matrix(np.swapaxes(frames["forearm"], 1, 2) @ frames["hand"])
    z, x, y = relative.as_euler("ZXY").T
    lead_is_right = handedness == "left"
    np.testing.assert_allclose(z, q["flexion"], atol=1e-9)
    np.testing.assert_allclose(x, q["deviation"] * (1 if lead_is_right else -1), atol=1e-9)
    np.testing.assert_allclose(y, 0, atol=1e-9)
    for f in frames.values():
        np.testing.assert_allclose(np.linalg.det(f), 1.0)


@pytest.mark.parametrize("handedness", ["right", "left"])
def test_anatomy_at_address(handedness: str) -> None:
    """Facts of the trade (common practice, no source): at address the arm hangs, the palm faces away
    from the target, the face looks at it, the ball lies in front of the golfer."""
    motion = swing_motion(handedness)
    frames = motion.at(np.array([motion.swings[0].takeaway_s]))
    forearm, club = frames.frames["forearm"][0], frames.frames["club"][0]
    ahead = -1 if handedness == "right" else 1  # y of where the golfer looks
    assert forearm[2, 1] > 0.9  # proximal is up
    assert forearm[0, 0] < -0.9  # palmar is away from the target
    assert club[0, 1] > 0.99  # face to the target
    assert club[1, 0] * ahead > 0.3  # the head is out in front
    assert np.degrees(np.arcsin(-club[2, 0])) == pytest.approx(simulate.CLUBS["7-iron"][0], abs=1.5)


def test_a_left_handed_swing_is_the_mirror_image() -> None:
    right, left = swing_motion("right"), swing_motion("left")
    t = np.linspace(1.0, right.end_s - 1, 50)
    a, b = right.at(t), left.at(t)
    for name in a.points:
        np.testing.assert_allclose(b.points[name], a.points[name] * [1, -1, 1], atol=1e-12)
    for name in a.frames:
        np.testing.assert_allclose(b.frames[name][:, :, :2], a.frames[name][:, :, :2] * [[1], [-1], [1]], atol=1e-12)


# -- published ranges ------------------------------------------------------------------------------
def full_swings() -> list[tuple[simulate.Motion, simulate.Swung]]:
    return [(s.motion, w) for s in demo().values() for w in s.motion.swings if w.plan.kind == "full"]


def test_wrist_stays_within_published_range_of_motion() -> None:
    """Boone & Azen 1979, J Bone Joint Surg 61A:756 (read second-hand, a handbook's table): flexion 76,
    extension 75, radial 22, ulnar 36 degrees."""
    for simulated in demo().values():
        t = np.linspace(0, simulated.motion.end_s, 20000)
        q = {j: np.degrees(x) for j, x in simulated.motion.joints(t).items()}
        assert -75 < q["flexion"].min() < q["flexion"].max() < 76
        assert -22 < q["deviation"].min() < q["deviation"].max() < 36


def test_timing_is_near_the_published() -> None:
    """Cochran & Stobbs 1968, The Search for the Perfect Swing: backswing 0.82 s, downswing 0.23 s
    (from memory, unsure; of good players, so an amateur's may be a third longer)."""
    for _, swung in full_swings():
        assert 0.82 * 0.8 < swung.top_s - swung.takeaway_s < 0.82 * 1.35
        assert 0.23 * 0.8 < swung.impact_s - swung.top_s < 0.23 * 1.35


def test_rates_do_not_exceed_those_of_professionals() -> None:
    """Zheng et al. 2008, Int J Sports Med 29:487, 18 professionals: peak rate of the lead wrist
    1085 ± 338, of the shaft 2413 ± 442 deg/s (mean ± sd). An amateur stays below mean + 2 sd."""
    for motion, swung in full_swings():
        t = np.arange(swung.top_s, swung.impact_s - 0.003, 0.001)
        frames, q = motion.at(t).frames, motion.joints(t)
        turn = Rotation.from_matrix(np.swapaxes(frames["club"][:-1], 1, 2) @ frames["club"][1:]).magnitude()
        assert 1000 < np.degrees(turn.max() / 0.001) < 2413 + 2 * 442
        wrist = np.hypot(np.gradient(q["flexion"], t), np.gradient(q["deviation"], t))
        assert 200 < np.degrees(wrist.max()) < 1085 + 2 * 338


# -- what is planned happens -----------------------------------------------------------------------
def test_the_face_comes_to_impact_as_planned() -> None:
    for handedness in ("right", "left"):
        motion = swing_motion(handedness, face_impact=6.0)
        swung = motion.swings[0]
        n = motion.at(np.array([swung.takeaway_s, swung.impact_s])).frames["club"][:, :, 1]
        heading = np.degrees(np.arctan2(n[:, 1], n[:, 0]))
        opened = -1 if handedness == "right" else 1  # open: to the side where the golfer looks
        assert opened * (heading[1] - heading[0]) == pytest.approx(6.0, abs=0.5)


def test_standing_still_is_still() -> None:
    """At address and in poses nothing turns faster than sway and tremor do."""
    for simulated in demo().values():
        motion = simulated.motion
        spans = [(p.start_s, p.end_s) for p in motion.poses] + [
            (s.takeaway_s - s.plan.still_s + 0.05, s.takeaway_s - 0.02) for s in motion.swings
        ]
        for start, end in spans:
            assert end - start > 0.5
            t = np.arange(start, end, 0.01)
            for joint in ("swing", "tilt", "roll", "flexion", "deviation"):
                rate = np.gradient(motion.joints(t)[joint], t)
                assert np.degrees(np.abs(rate)).max() < 3.0


def test_the_story_of_the_demo() -> None:
    """Flatter at the top from lesson to lesson, with the driver more cupped than with the iron."""
    top = {
        name: np.mean([np.degrees(s.motion.joints(np.array([w.top_s]))["flexion"][0]) for w in s.motion.swings[:5]])
        for name, s in demo().items()
    }
    irons = [top[d.name] for d in DEMO if d.club == "7-iron"]
    drivers = [top[d.name] for d in DEMO if d.club == "driver"]
    assert irons == sorted(irons)
    assert drivers == sorted(drivers)
    assert all(d < i for d, i in zip(drivers, irons, strict=True))


# -- recordings ------------------------------------------------------------------------------------
def test_the_same_seed_gives_the_same_samples() -> None:
    session = Session(player=JUNO, calibrated=False)
    one, two, other = (simulate.simulate(session, seed=s).recording for s in (11, 11, 12))
    for role in one.streams:
        np.testing.assert_array_equal(one.streams[role].gyro, two.streams[role].gyro)
        assert not np.array_equal(one.streams[role].gyro[:100], other.streams[role].gyro[:100])


def test_demo_recordings_are_those_that_the_seed_gives(tmp_path: Path) -> None:
    """The files in `recordings/` are what the generator writes now: byte for byte, or, with another
    numpy, but for the last digit here and there."""
    name = DEMO[1].name
    simulate.write(demo()[name].recording, tmp_path)
    assert {p.name for p in tmp_path.iterdir()} == {p.name for p in (RECORDINGS / name).iterdir()}
    for new in tmp_path.glob("*.csv.gz"):
        texts = [gzip.decompress(p.read_bytes()) for p in (new, RECORDINGS / name / new.name)]
        if texts[0] != texts[1]:
            a, b = (np.loadtxt(io.BytesIO(t), delimiter=",", skiprows=1) for t in texts)
            np.testing.assert_allclose(a, b, atol=1.01, rtol=0)
            np.testing.assert_allclose(a[:, 4:], b[:, 4:], atol=0.0101, rtol=0)
            assert (a != b).mean() < 0.01


def test_demo_recordings_read_back_what_was_simulated() -> None:
    for name in (DEMO[0].name, DEMO[5].name):
        read, made = readers.read(RECORDINGS / name), demo()[name].recording
        assert read.handedness == "left"
        assert read.club == made.club
        assert read.recorded_at == made.recorded_at
        assert [p.name for p in read.poses] == [p.name for p in made.poses]
        for role, stream in made.streams.items():
            got = read.streams[role]
            assert len(got) == len(stream)
            np.testing.assert_allclose(got.t_s - got.t_s[0], stream.t_s - stream.t_s[0], atol=1e-6)
            np.testing.assert_allclose(got.gyro, stream.gyro, atol=np.radians(0.0051))
            np.testing.assert_allclose(got.accel, stream.accel, atol=0.51e-3 * GRAVITY)
            assert got.gyro_range == pytest.approx(np.radians(2000))


def test_demo_recordings_are_small_and_hold_no_truth() -> None:
    files = [p for p in RECORDINGS.rglob("*") if p.is_file()]
    assert sum(p.stat().st_size for p in files) < 6e6
    assert {p.name for p in files} == {"README.md", "recording.toml", *(f"{r}.csv.gz" for r in simulate.SEGMENTS)}
    assert {p.parent.name for p in files if p.name == "recording.toml"} == {d.name for d in DEMO}


def test_demo_recording_measures_to_its_truth() -> None:
    """The main job on a demo recording against the generator's joints: every swing found, none
    invented, and each wrist angle no further from the truth than its u95 (the poses were held wrong,
    so that a part of it is one draw for the whole recording)."""
    from imu.measuring import measure

    name = DEMO[5].name
    simulated = demo()[name]
    measurement = measure(RECORDINGS / name)
    swings = simulated.motion.swings
    assert [s.kind for s in measurement.swings] == [s.plan.kind for s in swings]
    for found, made in zip(measurement.swings, swings, strict=True):
        impact, top = (found.events[e].t_s for e in ("impact", "top"))
        assert impact is not None
        assert top is not None
        assert simulated.true_time(np.array([impact]))[0] == pytest.approx(made.impact_s, abs=0.010)
        true = simulated.motion.joints(simulated.true_time(np.array([top])))
        for angle, joint in (("wrist_flexion", "flexion"), ("wrist_deviation", "deviation")):
            value = found.angles[angle]["top"]
            assert value.value_deg is not None
            assert value.u95_deg is not None
            assert value.u95_deg < 8
            assert abs(value.value_deg - np.degrees(true[joint][0])) < value.u95_deg
