"""What if only the wrist or the forearm's roll were otherwise: against rigid-body computations made
here (MuJoCo's joints; floating axes of Grood & Suntay 1983, J Biomech Eng 105:136-144, by scipy's
Rotation), finite differences, Monte Carlo, mirrors, and the facts of the trade."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from imu import whatif
from imu.errors import UsageError
from imu.measured import Event, Measurement, Stance, Swing, Value
from imu.measuring import measure
from imu.recording import EVENTS
from tests.bench import Session, make_recording
from tests.bench.causes import FULL
from tests.bench.player import Chain, draw_player

GOLFERS = ("right", "left")
TURN_TO_JOINT = {"wrist_flexion": "flexion", "wrist_deviation": "deviation", "forearm_roll": "pronation"}
SPACE = ("shaft_off_plane", "shaft_elevation", "face_since_address")


# -- a swing of one posture ----------------------------------------------------------------------------


def quaternion(matrix: np.ndarray) -> np.ndarray:
    return Rotation.from_matrix(matrix).as_quat(scalar_first=True)


def posed(frames: dict[str, np.ndarray], *, spread_deg: float = 2.0, seed: int = 0, **changes: object) -> Swing:
    """A swing whose segments stand as `frames` (3x3 to the target frame) at every event."""
    q = {k: quaternion(m) for k, m in frames.items()}
    factor = np.random.default_rng(seed).normal(size=(3 * len(q), 3 * len(q)))
    covariance = factor @ factor.T
    covariance *= np.radians(spread_deg) ** 2 / np.mean(np.diag(covariance))
    known = {e: Value(5.0, 2.0) for e in EVENTS}
    angles = {a: dict(known) for a in (*whatif.TURNS, *whatif.OUTCOMES)}
    events = {e: Event(float(i)) for i, e in enumerate(EVENTS)}
    stances = {e: Stance(q, covariance) for e in EVENTS}
    swing = Swing(1, "full", True, "good", (), events, angles, {}, {}, {}, None, stances)
    return replace(swing, **changes)  # type: ignore[arg-type]


def measurement(handed: str, *swings: Swing) -> Measurement:
    return Measurement(handed, "7-iron", (), (), swings)


def per_10(handed: str, swing: Swing, event: str = "impact") -> dict[tuple[str, str], Value]:
    return {(e.turn, e.angle): e.per_10_deg for e in whatif.effects(measurement(handed, swing), swing, event)}


# -- the same, computed otherwise ----------------------------------------------------------------------


def dihedral(a: np.ndarray, about: np.ndarray, b: np.ndarray) -> float:
    """Angle about a direction from the half-plane of `a` to that of `b`, rad."""
    return float(np.arctan2(np.dot(np.cross(a, b), about), np.dot(a, b) - np.dot(a, about) * np.dot(b, about)))


def floating_axes(forearm: np.ndarray, hand: np.ndarray, handed: str) -> dict[str, np.ndarray]:
    """Axes of the three turns in space: forearm's long axis, hand's palmar axis, and the line that is
    square to both (Grood & Suntay's floating axis)."""
    left_arm = -1 if handed == "right" else 1
    flexion = np.cross(hand[:, 0], forearm[:, 1])
    return {
        "wrist_flexion": flexion / np.linalg.norm(flexion),
        "wrist_deviation": left_arm * hand[:, 0],
        "forearm_roll": left_arm * forearm[:, 1],
    }


def outcomes(frames: dict[str, np.ndarray], handed: str) -> dict[str, float]:
    """Angles of face and shaft in deg, from body frames (docs/signs.md)."""
    opening = 1 if handed == "right" else -1
    s, n = frames["club"][:, 0], frames["club"][:, 1]
    s0, n0 = frames["club_at_address"][:, 0], frames["club_at_address"][:, 1]
    up = np.cross([n0[0], n0[1], 0], s0)
    up *= np.sign(up[2]) / np.linalg.norm(up)
    dorsal = np.cross(
        floating_axes(frames["forearm"], frames["hand"], handed)["wrist_flexion"], frames["forearm"][:, 1]
    )
    heading = np.arctan2(n0[0] * n[1] - n0[1] * n[0], n0[0] * n[0] + n0[1] * n[1])
    return {
        "face_to_forearm": opening * np.degrees(dihedral(dorsal, s, n)),
        "face_since_address": -opening * np.degrees(heading),
        "shaft_off_plane": np.degrees(np.arcsin(s @ up)),
        "shaft_elevation": np.degrees(np.arcsin(s[2])),
    }


def wrapped(deg: float) -> float:
    return (deg + 180) % 360 - 180


def turned_rigidly(frames: dict[str, np.ndarray], handed: str, turn: str, deg: float) -> dict[str, float]:
    """Changes in deg: the club carried about the turn's axis in space."""
    axis = floating_axes(frames["forearm"], frames["hand"], handed)[turn]
    by = Rotation.from_rotvec(np.radians(deg) * axis).as_matrix()
    new = dict(frames, club=by @ frames["club"])
    if turn == "forearm_roll":
        new |= {"forearm": by @ frames["forearm"], "hand": by @ frames["hand"]}
    elif turn == "wrist_flexion":
        new["hand"] = by @ frames["hand"]
    before, after = outcomes(frames, handed), outcomes(new, handed)
    opening = 1 if handed == "right" else -1
    out = {k: wrapped(after[k] - before[k]) for k in before}
    return out | {"face_roll": opening * deg * float(axis @ frames["club"][:, 0])}


def body(rng: np.random.Generator, handed: str) -> dict[str, np.ndarray]:
    """Any posture: forearm anywhere, wrist bent, the club held somehow."""
    side = 1 if handed == "left" else -1
    forearm = Rotation.random(random_state=rng).as_matrix()
    slip, flexion, deviation = np.radians(rng.uniform([-8, -50, -30], [8, 50, 30]))
    hand = forearm @ Rotation.from_euler("YZX", [slip, flexion, side * deviation]).as_matrix()
    club = hand @ Rotation.random(random_state=rng).as_matrix()
    tilt = np.radians(rng.uniform(48, 64))
    s0 = np.array([0.05, side * np.cos(tilt), -np.sin(tilt)])
    n0 = np.array([1.0, 0, 0]) - s0[0] / (s0 @ s0) * s0
    at = np.column_stack(
        [s0 / np.linalg.norm(s0), n0 / np.linalg.norm(n0), np.cross(s0, n0) / np.linalg.norm(np.cross(s0, n0))]
    )
    return {"forearm": forearm, "hand": hand, "club": club, "club_at_address": at}


@pytest.mark.parametrize("handed", GOLFERS)
@pytest.mark.parametrize("turn", whatif.TURNS)
def test_turns_of_any_size_agree_with_rigid_rotation_about_floating_axes(handed: str, turn: str) -> None:
    rng = np.random.default_rng(3)
    for _ in range(12):
        frames = body(rng, handed)
        swing, deg = posed(frames), float(rng.uniform(-35, 35))
        found = whatif.turned(measurement(handed, swing), swing, "impact", **{f"{turn}_deg": deg})
        for angle, expected in turned_rigidly(frames, handed, turn, deg).items():
            assert found.change[angle].value_deg == pytest.approx(expected, abs=1e-6), angle
        assert found.change[turn].value_deg == deg
        small = turned_rigidly(frames, handed, turn, 0.02), turned_rigidly(frames, handed, turn, -0.02)
        slopes = per_10(handed, swing)
        for angle in small[0]:
            finite = (small[0][angle] - small[1][angle]) / 0.04 * 10
            assert slopes[turn, angle].value_deg == pytest.approx(finite, abs=2e-3), angle


@pytest.mark.parametrize("handed", GOLFERS)
def test_all_three_turns_at_once_agree_with_mujoco(handed: str) -> None:
    """MuJoCo's chain of hinges (tests/bench/player.py) with pronation, flexion and deviation moved."""
    rng = np.random.default_rng(17)
    player = draw_player(rng, handedness=handed, club="7-iron")
    chain = Chain(player)
    deg = np.pi / 180
    at = chain.pose({"tilt": 0.3, "deviation": player.address_deviation})
    for _ in range(10):
        joints = {
            "tilt": rng.uniform(0.1, 0.8), "swing": rng.uniform(-2.2, 1.0), "elbow": rng.uniform(0, 0.3),
            "pronation": rng.uniform(-1.2, 1.2), "flexion": rng.uniform(-0.7, 0.4), "deviation": rng.uniform(-0.5, 0.4),
        }  # fmt: skip
        turns = dict(zip(whatif.TURNS, rng.uniform(-25, 25, 3), strict=True))
        moved = joints | {TURN_TO_JOINT[k]: joints[TURN_TO_JOINT[k]] + v * deg for k, v in turns.items()}
        before, after = chain.pose(joints), chain.pose(moved)
        frames = {k: before[k] for k in ("forearm", "hand", "club")} | {"club_at_address": at["club"]}
        swing = posed(frames)
        found = whatif.turned(measurement(handed, swing), swing, "impact", **{f"{k}_deg": v for k, v in turns.items()})
        for segment in ("forearm", "hand", "club"):
            new = Rotation.from_quat(found.q_to_target[segment], scalar_first=True).as_matrix()
            np.testing.assert_allclose(new, after[segment], atol=1e-9)
        old_angles = outcomes(frames, handed)
        new_angles = outcomes({**after, "club_at_address": at["club"]}, handed)
        for angle in old_angles:
            expected = wrapped(new_angles[angle] - old_angles[angle])
            assert found.change[angle].value_deg == pytest.approx(expected, abs=1e-6), angle
        assert found.change["shaft_past_level"].known is False  # only at the top
    top = whatif.turned(measurement(handed, swing), swing, "top", wrist_flexion_deg=8)
    assert top.change["shaft_past_level"].value_deg == pytest.approx(-top.change["shaft_elevation"].value_deg)
    after_value = top.after["shaft_past_level"]
    assert after_value.value_deg == pytest.approx(5.0 + top.change["shaft_past_level"].value_deg)
    assert after_value.u95_deg == pytest.approx(2.0 + top.change["shaft_past_level"].u95_deg)


def test_doubt_is_the_spread_over_bodies_drawn_from_the_covariance() -> None:
    """Monte Carlo after JCGM 101: 95 % of the effects on bodies that may as well be the student's lie
    within u95 of the one that is reported."""
    rng = np.random.default_rng(5)
    frames = body(rng, "right")
    swing = posed(frames, spread_deg=1.5)
    stance = swing.stances["impact"]
    draws = rng.multivariate_normal(np.zeros(12), stance.covariance, size=600)
    names = list(stance.q_to_target)
    found = per_10("right", swing)
    spread: dict[tuple[str, str], list[float]] = {}
    for draw in draws:
        drawn = {k: Rotation.from_rotvec(draw[3 * i : 3 * i + 3]).as_matrix() @ frames[k] for i, k in enumerate(names)}
        for turn in whatif.TURNS:
            small = turned_rigidly(drawn, "right", turn, 0.5), turned_rigidly(drawn, "right", turn, -0.5)
            for angle in small[0]:
                spread.setdefault((turn, angle), []).append((small[0][angle] - small[1][angle]) * 10)
    for key, values in spread.items():
        if key == ("forearm_roll", "face_to_forearm"):  # both turn together: nothing to be unsure of
            assert found[key].value_deg == pytest.approx(0, abs=1e-9)
            assert found[key].u95_deg == pytest.approx(0, abs=1e-6)
            continue
        assert found[key].u95_deg == pytest.approx(1.96 * np.std(values), rel=0.12, abs=0.02), key


def test_doubt_grows_with_the_turn_and_with_the_geometry() -> None:
    frames = body(np.random.default_rng(8), "right")
    sure, unsure = posed(frames, spread_deg=1.0), posed(frames, spread_deg=3.0)
    for key, value in per_10("right", sure).items():
        if value.known and value.u95_deg > 1e-6:
            assert per_10("right", unsure)[key].u95_deg == pytest.approx(3 * value.u95_deg, rel=1e-6)
    m = measurement("right", sure)
    one, two = (whatif.turned(m, sure, "impact", wrist_flexion_deg=d).change["shaft_off_plane"] for d in (0.1, 0.2))
    assert two.u95_deg == pytest.approx(2 * one.u95_deg, rel=0.02)
    effect = next(e for e in whatif.effects(m, sure, "impact") if e.angle == "shaft_off_plane")
    assert effect.of(0.1).value_deg == pytest.approx(one.value_deg, rel=0.02)
    assert effect.of(-0.2).u95_deg == pytest.approx(two.u95_deg, rel=0.02)


def test_a_left_hander_is_the_mirror_image_of_a_right_hander() -> None:
    """Mirror in the plane of target and up: a frame R becomes M R D, and a small turn, an axial vector,
    -M of itself. All angles keep their values."""
    rng = np.random.default_rng(21)
    mirror, flip = np.diag([1.0, -1, 1]), np.diag([1.0, 1, -1])
    frames = body(rng, "right")
    right = posed(frames)
    other = {k: mirror @ m @ flip for k, m in frames.items()}
    turn = np.kron(np.eye(4), -mirror)
    cov = turn @ right.stances["top"].covariance @ turn.T
    left = replace(right, stances={e: Stance({k: quaternion(m) for k, m in other.items()}, cov) for e in EVENTS})
    for event in ("top", "impact"):
        a, b = per_10("right", right, event), per_10("left", left, event)
        assert any(v.known for v in a.values())
        for key in a:
            assert a[key].reason == b[key].reason
            if a[key].known:
                assert b[key].value_deg == pytest.approx(a[key].value_deg, abs=1e-7), key
                assert b[key].u95_deg == pytest.approx(a[key].u95_deg, abs=1e-4), key
    arm = whatif.forearm_shaft(right, "top"), whatif.forearm_shaft(left, "top")
    assert arm[0].value_deg == pytest.approx(arm[1].value_deg)


@pytest.mark.parametrize("handed", GOLFERS)
@pytest.mark.parametrize("turn", whatif.TURNS)
def test_paths_are_the_turns_one_by_one_and_their_axis_carries_the_club(handed: str, turn: str) -> None:
    frames = body(np.random.default_rng(13), handed)
    swing = posed(frames)
    m = measurement(handed, swing)
    degs = np.array([-30.0, -15.0, 15.0, 30.0])
    for event, path in whatif.paths(m, swing, turn, degs, degs).items():
        assert isinstance(path, whatif.Path)
        for i, deg in enumerate(degs):
            one = whatif.turned(m, swing, event, **{f"{turn}_deg": deg})
            assert set(path.change_deg) == {k for k in whatif.OUTCOMES if one.change[k].known}
            for k in path.change_deg:
                assert path.change_deg[k][i] == pytest.approx(one.change[k].value_deg, abs=1e-9)
                assert path.u95_deg[k][i] == pytest.approx(one.change[k].u95_deg, abs=1e-9)
            about = Rotation.from_rotvec(np.radians(deg) * path.axis).as_matrix()
            new = Rotation.from_quat(one.q_to_target["club"], scalar_first=True).as_matrix()
            np.testing.assert_allclose(about @ frames["club"], new, atol=1e-9)
    poor = replace(swing, grade="poor", reasons=("the forearm sensor clipped",))
    assert all("clipped" in str(why) for why in whatif.paths(m, poor, turn, degs, degs).values())


# -- facts of the trade --------------------------------------------------------------------------------


def in_plane(handed: str, shaft_deg: float, *, dorsal_up: bool = True, arm_deg: float = -30.0) -> dict[str, np.ndarray]:
    """A lead arm in the plane of the swing, back of the hand on the plane's upper side (as half-way down), flat wrist,
    the shaft in the plane too, `shaft_deg` from the elbow's side."""
    side = 1 if handed == "left" else -1
    tilt = np.radians(58)
    down = np.array([0, side * np.cos(tilt), -np.sin(tilt)])  # in the plane, towards the ball
    along = np.array([1.0, 0, 0])
    up = np.cross(along, down)
    up *= np.sign(up[2])
    a = np.radians(arm_deg)
    proximal = np.cos(a) * along - np.sin(a) * down
    palmar = -up if dorsal_up else up
    forearm = np.column_stack([palmar, proximal, np.cross(palmar, proximal)])
    radial = side * forearm[:, 2]
    r = np.radians(shaft_deg)
    s = np.cos(r) * proximal + np.sin(r) * radial
    n = -palmar
    club = np.column_stack([s, n, np.cross(s, n)])
    at = np.column_stack([down, along, np.cross(down, along)])
    return {"forearm": forearm, "hand": forearm, "club": club, "club_at_address": at}


@pytest.mark.parametrize("handed", GOLFERS)
@pytest.mark.parametrize("shaft_deg", [65, 80, 100, 120, 150])
def test_bowing_closes_the_face_and_shallows_while_the_angle_is_more_than_90(handed: str, shaft_deg: float) -> None:
    """Facts of the trade (common practice, no source): extension opens and flexion closes the face;
    extension steepens and flexion shallows while forearm and shaft make more than 90 deg, and the
    reverse below. How much, near a flat wrist in the plane, is geometry: sine and cosine of that angle."""
    swing = posed(in_plane(handed, shaft_deg), spread_deg=0.5)
    found = per_10(handed, swing)
    a = np.radians(shaft_deg)
    assert found["wrist_flexion", "face_to_forearm"].value_deg == pytest.approx(-10 * np.sin(a), abs=1e-3)
    assert found["wrist_flexion", "shaft_off_plane"].value_deg == pytest.approx(10 * np.cos(a), abs=1e-3)
    effects = {(e.turn, e.angle): e for e in whatif.effects(measurement(handed, swing), swing, "impact")}
    assert effects["wrist_flexion", "face_to_forearm"].agrees is True
    assert effects["wrist_flexion", "shaft_off_plane"].agrees is (shaft_deg > 90)
    arm = whatif.forearm_shaft(swing, "impact")
    assert arm.value_deg == pytest.approx(shaft_deg)
    assert 0 < arm.u95_deg < 3


@pytest.mark.parametrize("handed", GOLFERS)
def test_supination_closes_and_the_longer_hinge_lengthens(handed: str) -> None:
    """Facts of the trade (common practice, no source). With the club in line with the forearm a roll goes
    wholly about the shaft, square to it not at all: the cosine between the two."""
    for shaft_deg in (95, 130, 170):
        found = per_10(handed, posed(in_plane(handed, shaft_deg)))
        assert found["forearm_roll", "face_roll"].value_deg == pytest.approx(-10 * np.cos(np.radians(shaft_deg)))
        assert found["forearm_roll", "face_to_forearm"].value_deg == pytest.approx(0, abs=1e-9)
    # at the top the arm is up: more hinge (radial) lowers the head behind the player
    swing = posed(in_plane(handed, 100, arm_deg=-45))
    effects = {(e.turn, e.angle): e for e in whatif.effects(measurement(handed, swing), swing, "top")}
    hinge = effects["wrist_deviation", "shaft_past_level"]
    assert hinge.per_10_deg.value_deg < 0
    assert hinge.agrees is True


def test_an_unsure_sign_neither_agrees_nor_contradicts() -> None:
    swing = posed(in_plane("right", 91), spread_deg=3.0)
    effects = {(e.turn, e.angle): e for e in whatif.effects(measurement("right", swing), swing, "impact")}
    near = effects["wrist_flexion", "shaft_off_plane"]
    assert abs(near.per_10_deg.value_deg) < near.per_10_deg.u95_deg
    assert near.agrees is None
    assert near.sign == 0
    assert effects["wrist_deviation", "shaft_elevation"].agrees is None  # nothing is commonly said of it


# -- what can't be said --------------------------------------------------------------------------------


def without(swing: Swing, *segments: str) -> Swing:
    old = next(iter(swing.stances.values()))
    kept = [k for k in old.q_to_target if k not in segments]
    rows = np.concatenate([np.arange(3) + 3 * i for i, k in enumerate(old.q_to_target) if k in kept])
    stance = Stance({k: old.q_to_target[k] for k in kept}, old.covariance[np.ix_(rows, rows)])
    return replace(swing, stances=dict.fromkeys(EVENTS, stance))


def test_without_a_hand_only_the_roll_is_told() -> None:
    frames = body(np.random.default_rng(2), "right")
    whole = posed(frames)
    lost = {
        "wrist_flexion": Value(None, None, "no hand sensor"),
        "wrist_deviation": Value(None, None, "no hand sensor"),
    }
    angles = dict(whole.angles) | {k: dict.fromkeys(EVENTS, v) for k, v in lost.items()}
    part = replace(without(whole, "hand"), angles=angles)
    found = per_10("right", part)
    for angle in whatif.OUTCOMES:
        assert found["wrist_flexion", angle].reason == "no hand sensor"
    slopes = per_10("right", whole)
    for angle in SPACE:
        assert found["forearm_roll", angle].value_deg == pytest.approx(slopes["forearm_roll", angle].value_deg)
    asked = whatif.turned(measurement("right", part), part, "impact", wrist_flexion_deg=5, forearm_roll_deg=5)
    assert asked.reason == "no hand sensor"
    assert not any(v.known for v in asked.change.values())
    assert asked.q_to_target == {}


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"grade": "poor", "reasons": ("the forearm sensor clipped",)}, "the forearm sensor clipped"),
        ({"stances": {}}, "measure the recording again"),
        ({"events": {"impact": Event(None, "the recording ends before")}}, "the recording ends before"),
    ],
)
def test_poor_unreached_or_old_results_give_no_conclusion(change: dict, why: str) -> None:
    swing = posed(body(np.random.default_rng(2), "right"), **change)
    for effect in whatif.effects(measurement("right", swing), swing, "impact"):
        assert not effect.per_10_deg.known
        assert why in effect.per_10_deg.reason
        assert effect.agrees is None
    asked = whatif.turned(measurement("right", swing), swing, "impact", wrist_flexion_deg=5)
    assert why in asked.reason
    json.dumps(asked.to_json(), allow_nan=False)


@pytest.mark.parametrize("missing", [("club",), ("forearm",), ("forearm", "hand"), ("hand", "club")])
def test_subsets_of_sensors_say_what_is_missing(missing: tuple[str, ...]) -> None:
    swing = without(posed(body(np.random.default_rng(2), "right")), *missing)
    for effect in whatif.effects(measurement("right", swing), swing, "impact"):
        if effect.turn != "forearm_roll" or set(missing) & {"forearm", "club"}:
            assert not effect.per_10_deg.known
            assert any(m in effect.per_10_deg.reason for m in missing)


def test_a_null_angle_stays_null_and_the_others_are_told() -> None:
    swing = posed(body(np.random.default_rng(2), "right"))
    angles = dict(swing.angles) | {"shaft_off_plane": dict.fromkeys(EVENTS, Value(None, None, "no club_square pose"))}
    found = per_10("right", replace(swing, angles=angles))
    assert found["wrist_flexion", "shaft_off_plane"].reason == "no club_square pose"
    assert found["wrist_flexion", "face_to_forearm"].known


def test_a_wrist_read_through_the_grip_is_marked() -> None:
    swing = posed(body(np.random.default_rng(2), "right"))
    seen = {"wrist_flexion": dict.fromkeys(EVENTS, Value(5.0, 2.0, None, ("via_grip",)))}
    swing = replace(swing, angles=dict(swing.angles) | seen)
    found = per_10("right", swing)
    assert found["wrist_flexion", "shaft_off_plane"].marks == ("via_grip",)
    assert found["forearm_roll", "shaft_off_plane"].marks == ()
    both = whatif.turned(measurement("right", swing), swing, "top", wrist_flexion_deg=3, forearm_roll_deg=3)
    assert both.change["shaft_off_plane"].marks == ("via_grip",)


def test_wrong_use_is_told() -> None:
    swing = posed(body(np.random.default_rng(2), "right"))
    m = measurement("right", swing)
    with pytest.raises(UsageError, match="not an event"):
        whatif.effects(m, swing, "halfway")
    with pytest.raises(UsageError, match="at most 90"):
        whatif.turned(m, swing, "top", wrist_flexion_deg=120)
    with pytest.raises(UsageError, match="at most 90"):
        whatif.turned(m, swing, "top", wrist_flexion_deg=float("nan"))


# -- whole measurements --------------------------------------------------------------------------------


@pytest.fixture(scope="module", params=GOLFERS)
def bench(request, tmp_path_factory):
    session = Session(n_swings=2, handedness=request.param, club="7-iron")
    recording = make_recording(seed=31, errors=FULL, session=session)
    return recording, measure(recording.write(tmp_path_factory.mktemp("bench") / "lesson"))


def true_frames(recording, swing: int, event: str) -> dict[str, np.ndarray]:
    """Body frames of the bench at a true event, x to the target."""
    truth, rendered = recording.truth.swings[swing], recording.truth.motion.rendered

    def at(t: float) -> dict[str, np.ndarray]:
        i = int(np.searchsorted(rendered.t, t)) - 1
        return {
            k: Rotation.from_quat(rendered.q[k][i], scalar_first=True).as_matrix() for k in ("forearm", "hand", "club")
        }

    club = at(truth.events["address"])["club"]
    heading = np.arctan2(club[1, 1], club[0, 1])
    yaw = Rotation.from_euler("z", -heading).as_matrix()
    return {k: yaw @ m for k, m in (at(truth.events[event]) | {"club_at_address": club}).items()}


def test_measured_sensitivities_hold_the_truth(bench) -> None:
    """Swings of MuJoCo with every sensor error: the true sensitivity, computed on true body frames, lies
    within the reported interval, as often as 95 % lets expect of readings that share one calibration."""
    recording, lesson = bench
    ratios = []
    for swing in lesson.swings:
        for event in ("shaft_level_back", "top", "arm_level_down", "shaft_level_down", "impact"):
            frames = true_frames(recording, swing.index - 1, event)
            for effect in whatif.effects(lesson, swing, event):
                v = effect.per_10_deg
                if effect.angle == "shaft_past_level" or not v.known or v.u95_deg < 1e-6:
                    continue
                a, b = (turned_rigidly(frames, lesson.handedness, effect.turn, d)[effect.angle] for d in (0.5, -0.5))
                ratios.append(abs(v.value_deg - 10 * (a - b)) / np.hypot(v.u95_deg, 0.05))
    assert len(ratios) > 100
    assert np.mean(np.array(ratios) < 1) > 0.85
    assert max(ratios) < 2.5


def test_stances_outlive_json(bench) -> None:
    _, lesson = bench
    again = Measurement.from_json(json.loads(json.dumps(lesson.to_json(), allow_nan=False)))
    a, b = (per_10(lesson.handedness, m.swings[0], "top") for m in (lesson, again))
    assert any(v.known for v in a.values())
    for key, value in a.items():
        if value.known:
            assert b[key].value_deg == pytest.approx(value.value_deg, abs=2e-3)
            assert b[key].u95_deg == pytest.approx(value.u95_deg, abs=0.02)


def test_a_covariance_that_rounding_made_indefinite_is_still_written() -> None:
    swing = posed(body(np.random.default_rng(2), "right"))
    old = swing.stances["top"]
    flat = old.covariance.copy()
    flat[:, 0] = flat[0] = 0.0
    flat[0, 0] = -1e-12
    again = Stance.from_json(json.loads(json.dumps(Stance(old.q_to_target, flat).to_json(), allow_nan=False)))
    np.testing.assert_allclose(np.degrees(np.degrees(again.covariance)), np.degrees(np.degrees(flat)), atol=0.15)


def test_the_measured_stance_gives_the_measured_angles(bench) -> None:
    _, lesson = bench
    for swing in lesson.swings:
        for event in ("address", "top", "impact"):
            q = swing.stances[event].q_to_target
            frames = {k: Rotation.from_quat(v, scalar_first=True).as_matrix() for k, v in q.items()}
            angles = outcomes(frames, lesson.handedness)
            for name in ("shaft_elevation", "shaft_off_plane", "face_since_address"):
                value = swing.angles[name][event]
                if value.known:
                    assert angles[name] == pytest.approx(value.value_deg, abs=1e-6), (event, name)
