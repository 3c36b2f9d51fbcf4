"""Every row of the sign table (docs/signs.md), on either arm, against rigid-body geometry made here with
scipy's Rotation: first the pipeline's formulas, then whole measurements of either golfer."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from imu import simulate
from imu.kinematics import POSTURE_ANGLES, posture
from imu.measured import Measurement
from imu.measuring import measure_recording

GOLFERS = ("right", "left")
INDEX = {name: i for i, name in enumerate(POSTURE_ANGLES)}


def side(handed: str) -> int:
    """+1: the lead arm is the right one (a left-handed golfer's)."""
    return 1 if handed == "left" else -1


def ulnar(handed: str) -> np.ndarray:
    """Ulnar direction in forearm coordinates: Z is radial on a right arm, ulnar on a left one."""
    return np.array([0, 0, -side(handed)])


def bent(handed: str, *, flexion: float = 0.0, deviation: float = 0.0) -> np.ndarray:
    """Hand in forearm coordinates: ISB sequence (Wu et al. 2005), degrees, ulnar +."""
    return Rotation.from_euler("ZX", [flexion, deviation * side(handed)], degrees=True).as_matrix()


def held(handed: str, shaft_deg: float) -> np.ndarray:
    """Club in hand coordinates: the shaft leaves the fist on the thumb's side, in the hand's radial-ulnar
    plane, at this angle from proximal; the face looks where the back of the hand does."""
    a = np.radians(shaft_deg)
    s = np.array([0, np.cos(a), 0]) - np.sin(a) * ulnar(handed)
    n = np.array([-1.0, 0, 0])
    return np.column_stack([s, n, np.cross(s, n)])


def at(handed: str, name: str, forearm: np.ndarray, hand: np.ndarray, club: np.ndarray, address: np.ndarray) -> float:
    values = posture(forearm[None], hand[None], club[None], address[None], side=side(handed))
    return float(np.degrees(values[0, INDEX[name]]))


def hanging(handed: str) -> np.ndarray:
    """Lead forearm straight down, thumb to where the golfer looks, palm away from the target: columns
    X palmar, Y proximal, Z in the world (x to the target, z up)."""
    x, y = np.array([-1.0, 0, 0]), np.array([0, 0, 1.0])
    return np.column_stack([x, y, np.cross(x, y)])


@pytest.mark.parametrize("handed", GOLFERS)
def test_the_hanging_arm_is_as_described(handed: str) -> None:
    """A right-handed golfer looks along -y, a left-handed one along +y; the thumb is on the radial side."""
    thumb = hanging(handed) @ -ulnar(handed)
    np.testing.assert_allclose(thumb, [0, 1 if handed == "left" else -1, 0], atol=1e-12)


@pytest.mark.parametrize("handed", GOLFERS)
@pytest.mark.parametrize(("flexion", "deviation"), [(25, 0), (-40, 0), (0, 20), (0, -15), (-30, 18), (35, -12)])
def test_wrist(handed: str, flexion: float, deviation: float) -> None:
    """Worked example: fingers that lean to the palm are flexed (bowed), +; to the little finger's side
    ulnar, +. Angles from the ISB sequence come back as they went in."""
    forearm = hanging(handed)
    hand = forearm @ bent(handed, flexion=flexion, deviation=deviation)
    club = hand @ held(handed, 130)
    assert at(handed, "wrist_flexion", forearm, hand, club, club) == pytest.approx(flexion, abs=1e-9)
    assert at(handed, "wrist_deviation", forearm, hand, club, club) == pytest.approx(deviation, abs=1e-9)
    assert at(handed, "axial", forearm, hand, club, club) == pytest.approx(0, abs=1e-9)
    fingers = forearm.T @ hand @ [0, -1.0, 0]
    if flexion:
        assert np.sign(fingers[0]) == np.sign(flexion)
    if deviation:
        assert np.sign(fingers @ ulnar(handed)) == np.sign(deviation)


@pytest.mark.parametrize("handed", GOLFERS)
@pytest.mark.parametrize("shaft_deg", [90, 110, 135, 160])
def test_extending_opens_and_flexing_closes_the_face_to_the_forearm(handed: str, shaft_deg: float) -> None:
    """Fact of the trade (common practice, no source); how much is geometry: near a flat wrist the face
    turns about the shaft by sin(forearm-shaft angle) for each degree of the wrist."""
    forearm = hanging(handed)

    def face(flexion: float) -> float:
        hand = forearm @ bent(handed, flexion=flexion)
        club = hand @ held(handed, shaft_deg)
        return at(handed, "face_to_forearm", forearm, hand, club, club)

    assert face(-2) - face(0) == pytest.approx(2 * np.sin(np.radians(shaft_deg)), rel=0.02)
    assert face(2) - face(0) == pytest.approx(-2 * np.sin(np.radians(shaft_deg)), rel=0.02)
    assert face(-30) > face(0) > face(30)


@pytest.mark.parametrize("handed", GOLFERS)
@pytest.mark.parametrize("turn", [-12.0, 7.0])
def test_face_since_address(handed: str, turn: float) -> None:
    """An open face looks to the golfer's far side of the target: to -y for a right-handed golfer, to +y
    for a left-handed one."""
    forearm = hanging(handed)
    club = forearm @ held(handed, 140)
    opened = Rotation.from_euler("z", turn * side(handed), degrees=True).as_matrix() @ club
    assert at(handed, "face_since_address", forearm, forearm, opened, club) == pytest.approx(turn, abs=1e-9)
    looks = 1 if handed == "left" else -1  # y of where the golfer looks
    assert np.sign(opened[1, 1] * looks) == np.sign(turn)


@pytest.mark.parametrize("handed", GOLFERS)
def test_shaft_elevation(handed: str) -> None:
    forearm = hanging(handed)
    club = forearm @ held(handed, 140)
    assert at(handed, "shaft_elevation", forearm, forearm, club, club) == pytest.approx(-50)  # head below hands
    up = Rotation.from_euler("x", 180, degrees=True).as_matrix() @ club
    assert at(handed, "shaft_elevation", forearm, forearm, up, club) == pytest.approx(50)


@pytest.mark.parametrize("handed", GOLFERS)
@pytest.mark.parametrize("off", [-20.0, 15.0])
def test_shaft_off_plane(handed: str, off: float) -> None:
    """A shaft that leaves the plane of address shaft and target line towards the sky is steep, +."""
    forearm = hanging(handed)
    club = forearm @ held(handed, 140)
    s, target = club[:, 0], np.array([1.0, 0, 0])
    normal = np.cross(s, target)
    normal *= np.sign(normal[2]) / np.linalg.norm(normal)
    along = (0.6 * s - 0.8 * target) / np.linalg.norm(0.6 * s - 0.8 * target)  # somewhere in the plane
    leaning = np.cos(np.radians(off)) * along + np.sin(np.radians(off)) * normal
    third = np.cross(leaning, normal)
    third /= np.linalg.norm(third)
    moved = np.column_stack([leaning, third, np.cross(leaning, third)])
    assert at(handed, "shaft_off_plane", forearm, forearm, moved, club) == pytest.approx(off, abs=1e-9)


@pytest.mark.parametrize("handed", GOLFERS)
@pytest.mark.parametrize(("shaft_deg", "extension_steepens"), [(120, True), (140, True), (70, False), (50, False)])
def test_extension_steepens_only_above_a_right_angle(handed: str, shaft_deg: float, extension_steepens: bool) -> None:
    """With the forearm held, half-way down: arm level and pointing away from the target, the back of the
    hand to the golfer's front. Extending the wrist turns the shaft out of the plane upwards while forearm
    and shaft make more than 90 degrees; below, geometry reverses it."""
    looks = 1.0 if handed == "left" else -1.0
    lie = np.radians(60)
    # plane through the target line, rising from the ball towards the golfer
    inward = np.array([0, -looks * np.cos(lie), np.sin(lie)])
    normal = np.array([0, looks * np.sin(lie), np.cos(lie)])  # upward
    proximal = np.array([1.0, 0, 0])
    palmar = -normal  # the back of the hand lies in the upper side of the plane
    forearm = np.column_stack([palmar, proximal, np.cross(palmar, proximal)])
    radial = forearm @ -ulnar(handed)
    address_s = -inward
    address = np.column_stack([address_s, proximal, np.cross(address_s, proximal)])

    def off(flexion: float) -> float:
        hand = forearm @ bent(handed, flexion=flexion)
        return at(handed, "shaft_off_plane", forearm, hand, hand @ held(handed, shaft_deg), address)

    assert radial @ inward == pytest.approx(1.0)  # thumb up the plane: the shaft lies in it with a flat wrist
    assert off(0) == pytest.approx(0, abs=1e-9)
    steeper = off(-10) > 0
    assert steeper == extension_steepens
    assert np.sign(off(10)) == -np.sign(off(-10))


# -- whole measurements ----------------------------------------------------------------------------
@lru_cache(maxsize=2)
def lesson(handed: str) -> tuple[simulate.Simulated, Measurement]:
    """A long swing, well cupped, measured from perfect sensors and perfect poses."""
    plan = simulate.SwingPlan(flexion_top=-25.0, swing_top=225.0, face_impact=5.0)
    player = simulate.Player(handedness=handed, pose_error_deg=0.0)  # type: ignore[arg-type]
    session = simulate.Session(player=player, swings=(plan,), errors=simulate.SensorErrors.none())
    simulated = simulate.simulate(session, seed=4)
    return simulated, measure_recording(simulated.recording)


def turned_about(frames: np.ndarray, axis: int) -> float:
    """Integral of a body's rate about one of its own axes, in degrees."""
    steps = Rotation.from_matrix(np.swapaxes(frames[:-1], 1, 2) @ frames[1:]).as_rotvec()
    return float(np.degrees(steps[:, axis].sum()))


@pytest.mark.parametrize("handed", GOLFERS)
def test_rolls_are_integrals_about_the_long_axes(handed: str) -> None:
    """Pronation and opening are +: positive turns about Y proximal on a right arm and about s for a
    right-handed golfer, negative ones on the other side."""
    simulated, measurement = lesson(handed)
    swing = measurement.swings[0]
    for event in ("arm_level_back", "top", "shaft_level_down"):
        start, end = (simulated.true_time(np.array([swing.events[e].t_s]))[0] for e in ("address", event))
        frames = simulated.motion.at(np.linspace(start, end, 4000)).frames
        for name, true in (
            ("forearm_roll", side(handed) * turned_about(frames["forearm"], 1)),
            ("face_roll", -side(handed) * turned_about(frames["club"], 0)),
        ):
            value = swing.angles[name][event]
            assert value.value_deg == pytest.approx(true, abs=3.0), (name, event)
    roll = swing.angles["forearm_roll"]["top"].value_deg
    assert roll is not None
    assert roll > 60  # the back of the lead hand turns up and away in the backswing: pronation


@pytest.mark.parametrize("handed", GOLFERS)
def test_measured_angles_are_those_of_the_motion(handed: str) -> None:
    simulated, measurement = lesson(handed)
    assert [s.kind for s in measurement.swings] == ["full"]
    swing = measurement.swings[0]

    def true(event: str) -> tuple[dict[str, np.ndarray], dict[str, float]]:
        t = simulated.true_time(np.array([swing.events[event].t_s]))
        joints = {j: float(np.degrees(v[0])) for j, v in simulated.motion.joints(t).items()}
        return {k: f[0] for k, f in simulated.motion.at(t).frames.items()}, joints

    address = true("address")[0]["club"]
    for event in ("address", "arm_level_back", "top", "shaft_level_down", "impact"):
        frames, joints = true(event)
        angles = swing.angles
        assert angles["wrist_flexion"][event].value_deg == pytest.approx(joints["flexion"], abs=1.5)
        assert angles["wrist_deviation"][event].value_deg == pytest.approx(joints["deviation"], abs=1.5)
        elevation = np.degrees(np.arcsin(frames["club"][2, 0]))
        assert angles["shaft_elevation"][event].value_deg == pytest.approx(elevation, abs=2)
        normal = np.cross(address[:, 0], [1.0, 0, 0])
        normal *= np.sign(normal[2]) / np.linalg.norm(normal)
        off = np.degrees(np.arcsin(frames["club"][:, 0] @ normal))
        assert angles["shaft_off_plane"][event].value_deg == pytest.approx(off, abs=3)
    face = swing.angles["face_since_address"]["impact"]
    heading = [
        np.degrees(np.arctan2(true(e)[0]["club"][1, 1], true(e)[0]["club"][0, 1])) for e in ("address", "impact")
    ]
    assert face.value_deg == pytest.approx(side(handed) * (heading[1] - heading[0]), abs=1.0)
    assert face.u95_deg is not None
    assert face.value_deg == pytest.approx(5.0, abs=face.u95_deg)  # open, as planned: it closes by 1 deg in a ms
    past = swing.angles["shaft_past_level"]["top"].value_deg
    assert past == pytest.approx(-np.degrees(np.arcsin(true("top")[0]["club"][2, 0])), abs=2)
    assert past is not None
    assert past > 3  # a swing that goes too far is past level, +


def test_a_left_handers_mirrored_swing_gives_the_same_numbers() -> None:
    right, left = (lesson(h)[1].swings[0] for h in GOLFERS)
    for angle, per in right.angles.items():
        for event, value in per.items():
            other = left.angles[angle][event]
            assert (value.value_deg is None) == (other.value_deg is None), (angle, event)
            if value.value_deg is not None and event != "finish":
                assert value.value_deg == pytest.approx(other.value_deg, abs=2.0), (angle, event)
