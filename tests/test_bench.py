"""The truth bench judged from outside: physics by scipy and finite differences, facts of the trade, and every
injected error recovered at its stated size."""

from __future__ import annotations

import json
import tomllib
from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from tests.bench import Beliefs, Errors, Poses, Session, make_faces, make_recording
from tests.bench.causes import CAUSES
from tests.bench.floor import floor
from tests.bench.motion import address
from tests.bench.player import BODIES, Chain, Rendered, draw_player
from tests.bench.recording import PRIOR_DEG
from tests.bench.score import Scores, angle_table, clock_table, event_table, goal_table, overall_coverage, score
from tests.bench.sensors import G, deliver
from tests.bench.truth import _face_to_dorsal

BARE = Session(n_swings=1, poses=Poses.named("none"), handedness="right", club="7-iron")
HANDS = ("right", "left")
ROLES = ("forearm", "hand", "club")


@pytest.fixture(scope="module", params=HANDS)
def swing(request):
    return make_recording(seed=11, session=replace(BARE, handedness=request.param))


@pytest.fixture(scope="module")
def calibrated():
    return make_recording(seed=12, session=replace(BARE, poses=Poses()))


def rotations(recording, body):
    return Rotation.from_quat(recording.truth.motion.rendered.q[body], scalar_first=True)


def chain(handedness, seed=5):
    return Chain(draw_player(np.random.default_rng(seed), handedness=handedness, club="7-iron"))


# -- physics -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("sensor", ["forearm", "hand", "club"])
def test_gyro_integrates_to_the_frames_of_the_body(swing, sensor):
    r = swing.truth.motion.rendered
    frames = rotations(swing, sensor)
    turn = 0.5 * (r.gyro[sensor][1:] + r.gyro[sensor][:-1]) * np.diff(r.t)[:, None]
    q = frames[0]
    worst = 0.0
    for i, step in enumerate(Rotation.from_rotvec(turn)):
        q = q * step
        if i % 500 == 499:
            worst = max(worst, np.rad2deg((q.inv() * frames[i + 1]).magnitude()))
    assert worst < 0.15  # deg, over the whole recording at 400 to 8000 Hz


def test_samples_are_means_over_their_period(swing):
    """Mean rate × period, summed, is the turn of the body even where the sensor is slow."""
    club = next(s for s in swing.sensors if s.role == "club")
    mount = Rotation.from_quat(club.facts["q_sensor_to_segment"], scalar_first=True)
    frames = rotations(swing, "club")
    t = swing.truth.motion.rendered.t
    event = swing.truth.swings[0].events
    lo, hi = np.searchsorted(club.true_t, [event["address"], event["top"]])
    q = Rotation.identity()
    for rate in club.gyro[lo:hi]:
        q = q * Rotation.from_rotvec(mount.apply(rate) * 0.005)
    start, end = club.true_t[lo] - 0.0025, club.true_t[hi - 1] + 0.0025
    a, b = frames[int(np.argmin(np.abs(t - start)))], frames[int(np.argmin(np.abs(t - end)))]
    assert np.rad2deg((q.inv() * (a.inv() * b)).magnitude()) < 0.4


def test_accelerometer_is_specific_force_of_the_sensor_place(swing):
    """At rest +g up; in the swing, the second difference of the place less gravity, in the sensor's axes."""
    r = swing.truth.motion.rendered
    event = swing.truth.swings[0].events
    frames = rotations(swing, "club")
    m = swing.truth.motion.player.mirror
    at = r.place["grip"] + frames.apply([0.15 + 0.03, 0.0, 0.015 * m])
    lo, hi = np.searchsorted(r.t, [event["takeaway"], event["impact"] - 0.005])
    t = r.t[lo:hi]
    dt = np.diff(t)
    v = np.diff(at[lo:hi], axis=0) / dt[:, None]
    a = np.diff(v, axis=0) / (0.5 * (dt[1:] + dt[:-1]))[:, None]
    expected = frames[lo + 1 : hi - 1].inv().apply(a + np.array([0, 0, G]))
    error = np.linalg.norm(expected - r.accel["club"][lo + 1 : hi - 1], axis=1)
    assert np.percentile(error, 95) < 0.5
    assert np.linalg.norm(r.accel["club"][lo:hi], axis=1).max() > 100  # or there was nothing to check
    still = slice(*np.searchsorted(r.t, swing.truth.motion.planned[0].still))
    for sensor in ("forearm", "hand", "club"):
        up = rotations(swing, sensor)[still].apply(r.accel[sensor][still])
        np.testing.assert_allclose(up.mean(0), [0, 0, G], atol=0.05)
        assert np.abs(up - [0, 0, G]).max() < 0.4  # tremor


# -- angles and signs ----------------------------------------------------------------------------------


def test_wrist_angles_by_matrix_elements(swing):
    """R = Ry(slip) Rz(flexion) Rx(± deviation): the middle row of R holds both angles."""
    truth = swing.truth.swings[0]
    r = swing.truth.motion.rendered
    lo = int(np.searchsorted(r.t, truth.t[0]))
    part = slice(lo, lo + len(truth.t))
    m = np.einsum(
        "nji,njk->nik",
        rotations(swing, "forearm")[part].as_matrix(),
        rotations(swing, "hand")[part].as_matrix(),
    )
    side = -1.0 if swing.handedness == "right" else 1.0  # lead arm left: minus
    flexion = np.rad2deg(np.arcsin(m[:, 1, 0]))
    deviation = side * np.rad2deg(np.arctan2(-m[:, 1, 2], m[:, 1, 1]))
    slip = np.rad2deg(np.arctan2(-m[:, 2, 0], m[:, 0, 0]))
    np.testing.assert_allclose(truth.traces["wrist_flexion"], flexion, atol=1e-6)
    np.testing.assert_allclose(truth.traces["wrist_deviation"], deviation, atol=1e-6)
    np.testing.assert_allclose(truth.traces["wrist_axial"], side * slip, atol=1e-6)
    np.testing.assert_allclose(slip, 0, atol=1e-6)


@pytest.mark.parametrize("handedness", HANDS)
def test_anatomy(handedness):
    """Lead arm hanging, thumb forward: bowing moves the fingers to the palm, ulnar deviation away from the thumb,
    pronation turns the palm back (facts of anatomy, no source)."""
    c = chain(handedness)
    look = np.array([0.0, -1.0 if handedness == "right" else 1.0, 0.0])  # where the player looks
    rest = c.pose({})
    palm = rest["hand"][:, 0]
    np.testing.assert_allclose(-rest["hand"][:, 1], [0, 0, -1], atol=1e-12)  # fingers down
    np.testing.assert_allclose(palm, [-1, 0, 0], atol=1e-12)  # the lead hand's palm faces away from the target
    fingers = -c.pose({"flexion": 0.3})["hand"][:, 1]
    assert fingers @ palm > 0.29
    fingers = -c.pose({"deviation": 0.3})["hand"][:, 1]
    assert fingers @ look < -0.29  # the thumb is in front
    back = c.pose({"pronation": 0.3})["hand"][:, 0] @ look
    assert back < -0.29
    elbow = -c.pose({"elbow": np.pi / 2})["forearm"][:, 1]
    np.testing.assert_allclose(elbow, look, atol=1e-12)
    pose = c.pose({"flexion": 0.21, "deviation": -0.12})
    side = -1.0 if handedness == "right" else 1.0
    expected = Rotation.from_euler("Z", 0.21) * Rotation.from_euler("X", side * -0.12)
    np.testing.assert_allclose(pose["forearm"].T @ pose["hand"], expected.as_matrix(), atol=1e-12)


@pytest.mark.parametrize("handedness", HANDS)
def test_extending_the_wrist_opens_the_face(handedness):
    """Forearm held, more than 90° between forearm and shaft (common practice, no source). The club is turned with the
    hand by scipy, apart from the chain."""
    c = chain(handedness)
    m = c.player.mirror
    frames = c.pose({"deviation": -0.1})
    before = _face_to_dorsal(frames["forearm"], frames["club"][:, 0], frames["club"][:, 1], m)
    for degrees, sign in ((-15, 1), (15, -1)):  # extension opens, flexion closes
        turn = Rotation.from_rotvec(np.deg2rad(degrees) * frames["forearm"][:, 2])
        s, n = turn.apply(frames["club"][:, 0]), turn.apply(frames["club"][:, 1])
        after = _face_to_dorsal(frames["forearm"], s, n, m)
        assert sign * (after - before) > np.deg2rad(5)
        assert c.pose({"deviation": -0.1, "flexion": np.deg2rad(degrees)})["club"][:, 1] @ n > np.cos(np.deg2rad(3))


@pytest.mark.parametrize("handedness", HANDS)
def test_extension_steepens_while_forearm_and_shaft_make_more_than_a_right_angle(handedness):
    """In mid-downswing, forearm held, extension lifts the head over the plane, flexion drops it (common practice, no
    source)."""
    c = chain(handedness)
    square = c.pose(address(c, np.random.default_rng(1), aim=0.0))["club"]
    assert abs(np.arctan2(square[1, 1], square[0, 1])) < 1e-6
    plane = np.cross([1.0, 0, 0], square[:, 0])
    plane *= np.sign(plane[2]) / np.linalg.norm(plane)
    down = {"tilt": 0.6, "swing": 1.3, "pronation": 0.8, "humerus": 0.6, "deviation": -0.3}
    held = c.pose(down)
    assert (
        held["club"][:, 0] @ held["forearm"][:, 1] < 0
    )  # less than 90° between shaft and arm's long axis to the hand …
    lifts = [c.pose({**down, "flexion": f})["club"][:, 0] @ plane for f in (-0.2, 0.0, 0.2)]
    assert lifts[0] > lifts[1] > lifts[2]


@pytest.mark.parametrize("handedness", HANDS)
def test_square_address(handedness):
    recording = make_recording(seed=3, session=replace(BARE, handedness=handedness))
    truth = recording.truth.swings[0]
    r = recording.truth.motion.rendered
    i = int(np.argmin(np.abs(r.t - truth.events["address"])))
    club = rotations(recording, "club")[i].as_matrix()
    assert club[2, 0] < -0.7  # head below the hands
    assert abs(club[2, 1]) < 0.45  # the face looks about level: hands ahead of the ball tip it down
    lie = np.rad2deg(np.arcsin(-club[2, 0]))
    assert lie == pytest.approx(np.rad2deg(recording.truth.motion.player.lie), abs=1.0)


def test_mirrored_player_has_the_same_numbers():
    """One player, right- and left-handed: same angles, same events, whatever is switched on."""
    beliefs = Beliefs(axial_play_deg=5, tilted_axes=True, grip_slip_deg=3, shaft_bend=1, skin_slip=0.3, strap_wobble=1)
    right, left = (
        make_recording(seed=21, session=Session(n_swings=1, handedness=h, club="driver", beliefs=beliefs))
        for h in HANDS
    )
    for name, values in right.truth.swings[0].traces.items():
        np.testing.assert_allclose(left.truth.swings[0].traces[name], values, atol=1e-5, err_msg=name)
    assert right.truth.swings[0].events == pytest.approx(left.truth.swings[0].events, abs=1e-9)
    y = right.truth.motion.rendered.place["head"] * [1, -1, 1]
    np.testing.assert_allclose(left.truth.motion.rendered.place["head"], y, atol=1e-9)
    # what the sensors feel is mirrored too: axial vectors by -D, others by D
    d = np.array([1, 1, -1])
    for sensor in ("forearm", "hand", "club"):
        a, b = right.truth.motion.rendered, left.truth.motion.rendered
        np.testing.assert_allclose(b.gyro[sensor], -d * a.gyro[sensor], atol=1e-7)
        np.testing.assert_allclose(b.accel[sensor], d * a.accel[sensor], atol=1e-5)


def test_club_angles_by_hand(swing):
    """Face, roll, elevation and plane from world vectors alone, by another road."""
    truth = swing.truth.swings[0]
    r = swing.truth.motion.rendered
    opening = 1.0 if swing.handedness == "right" else -1.0
    at = {k: int(np.argmin(np.abs(r.t - v))) for k, v in truth.events.items()}
    s, n = (rotations(swing, "club").as_matrix()[:, :, k] for k in (0, 1))
    a, i = at["address"], at["impact"]

    def horizontal(v):
        return np.array([v[0], v[1], 0.0]) / np.hypot(v[0], v[1])

    # opening is a positive turn about s for a right-hander; s points down, so clockwise seen from above
    down = np.array([0, 0, -1.0])
    h0, h1 = horizontal(n[a]), horizontal(n[i])
    face = opening * np.rad2deg(np.arctan2(np.cross(h0, h1) @ down, h0 @ h1))
    assert truth.angles["face_since_address"]["impact"] == pytest.approx(face, abs=0.3)
    plane = np.cross(horizontal(n[a]), s[a])
    plane *= np.sign(plane[2]) / np.linalg.norm(plane)
    for event in ("shaft_level_back", "top", "shaft_level_down"):
        k = at[event]
        assert truth.angles["shaft_off_plane"][event] == pytest.approx(np.rad2deg(np.arcsin(s[k] @ plane)), abs=0.6)
        assert truth.angles["shaft_elevation"][event] == pytest.approx(np.rad2deg(np.arcsin(s[k][2])), abs=0.6)
    # roll: turn about the axis itself, the axis carried along (scipy's alignment leaves no turn about s)
    for body, column, angle, sign in (("club", 0, "face_roll", opening), ("forearm", 1, "forearm_roll", -opening)):
        frames = rotations(swing, body).as_matrix()
        total, k = 0.0, at["address"]
        while k < at["top"]:
            j = min(k + 4, at["top"])
            carry = Rotation.align_vectors(frames[j][:, column], frames[k][:, column])[0]
            rest = Rotation.from_matrix(frames[j]) * (carry * Rotation.from_matrix(frames[k])).inv()
            total += rest.as_rotvec() @ frames[j][:, column]
            k = j
        assert truth.angles[angle]["top"] == pytest.approx(sign * np.rad2deg(total), abs=0.5)


def test_events_in_order_and_at_what_they_mean():
    for seed in range(30, 36):
        recording = make_recording(seed=seed, session=replace(BARE, handedness=HANDS[seed % 2], club=None))
        truth, r = recording.truth.swings[0], recording.truth.motion.rendered
        times = list(truth.events.values())
        assert all(t is not None for t in times)
        assert truth.angles["forearm_roll"]["top"] > 30  # the lead forearm pronates going back
        assert truth.angles["face_roll"]["impact"] - truth.angles["face_roll"]["shaft_level_through"] > 10  # and closes
        assert times == sorted(times)
        for event in ("shaft_level_back", "shaft_level_down", "shaft_level_through"):
            assert abs(truth.angles["shaft_elevation"][event]) < 0.2
        arm = rotations(recording, "forearm").as_matrix()[:, 2, 1]
        for event in ("arm_level_back", "arm_level_down"):
            assert abs(np.interp(truth.events[event], r.t, arm)) < 0.01
        rate = np.linalg.norm(r.gyro["club"], axis=1)
        top = np.interp(truth.events["top"], r.t, rate)
        assert top < 0.2 * rate[(r.t > truth.events["top"]) & (r.t < truth.events["impact"])].max()
        # the blow: nothing in the quarter second around it jolts the club harder
        near = np.abs(r.t - truth.events["impact"]) < 0.12
        jolt = np.abs(np.diff(np.linalg.norm(r.accel["club"][near], axis=1))) / np.diff(r.t[near])
        assert abs(r.t[near][np.argmax(jolt)] - truth.events["impact"]) < 0.002
        tempo = recording.truth.data["swings"][0]["tempo"]
        assert 0.6 < tempo["backswing_s"] < 1.25  # about 0.82 and 0.23 s: Cochran & Stobbs 1968, from memory
        assert 0.17 < tempo["downswing_s"] < 0.45
        assert 20 < truth.head_speed < 52  # m/s; tour driver 50.5, USGA/R&A distance report 2016


def test_wrist_stays_within_its_range():
    """Ranges of motion: Boone & Azen 1979 (flexion 76, extension 75, radial 22, ulnar 36), with room for athletes."""
    for seed in range(40, 46):
        truth = make_recording(seed=seed, session=replace(BARE, handedness=None, club=None)).truth.swings[0]
        assert np.abs(truth.traces["wrist_flexion"]).max() < 76
        assert truth.traces["wrist_deviation"].min() > -40
        assert truth.traces["wrist_deviation"].max() < 50


def test_ball_free_swing_has_no_shock_and_returns_to_its_address():
    recording = make_recording(seed=8, session=replace(BARE, ball=0.0))
    truth, r = recording.truth.swings[0], recording.truth.motion.rendered
    s = rotations(recording, "club").as_matrix()[:, :, 0]
    near = (r.t > truth.events["top"]) & (r.t < truth.events["impact"] + 0.1)
    s0 = s[int(np.argmin(np.abs(r.t - truth.events["address"])))]
    closest = r.t[near][np.argmax(s[near] @ s0)]
    assert truth.events["impact"] == pytest.approx(closest, abs=0.001)
    jolt = np.abs(np.diff(r.accel["club"][near], axis=0)).max()
    hit = make_recording(seed=8, session=BARE)
    near = np.abs(hit.truth.motion.rendered.t - hit.truth.swings[0].events["impact"]) < 0.1
    assert jolt < 0.2 * np.abs(np.diff(hit.truth.motion.rendered.accel["club"][near], axis=0)).max()


# -- beliefs -------------------------------------------------------------------------------------------


def test_beliefs_show_in_the_frames():
    def traces(**belief):
        return make_recording(seed=9, session=replace(BARE, beliefs=Beliefs(**belief))).truth

    plain = traces()
    play = traces(axial_play_deg=6.0).swings[0].traces["wrist_axial"]
    assert 1.0 < np.abs(play).max() < 6.5
    assert np.abs(plain.swings[0].traces["wrist_axial"]).max() < 1e-6
    tilted = traces(tilted_axes=True).swings[0].traces["wrist_axial"]
    assert np.abs(tilted).max() > 0.5  # axes that are tilted turn the hand about the forearm too

    def grip(truth):
        r = truth.motion.rendered
        hand, club = (Rotation.from_quat(r.q[b], scalar_first=True) for b in ("hand", "club"))
        held = (hand.inv() * club)[slice(*np.searchsorted(r.t, truth.motion.planned[0].window))]
        return np.rad2deg((held[0].inv() * held).magnitude().max())

    assert grip(plain) < 1e-4
    assert 0.5 < grip(traces(grip_slip_deg=3.0)) < 4.0

    def head(truth):
        r = truth.motion.rendered
        club, tip = (Rotation.from_quat(r.q[b], scalar_first=True) for b in ("club", "head"))
        return np.rad2deg((club.inv() * tip).magnitude().max())

    assert head(plain) < 1e-4
    assert 1.0 < head(traces(shaft_bend=1.0)) < 15.0

    def skin(truth):
        """Angle between the forearm's turn and the sensor's, about the long axis, address to top."""
        r, e = truth.motion.rendered, truth.swings[0].events
        bone = truth.swings[0].angles["forearm_roll"]["top"]
        lo, hi = np.searchsorted(r.t, [e["address"], e["top"]])
        felt = -truth.motion.player.mirror * np.trapezoid(r.gyro["forearm"][lo:hi, 1], r.t[lo:hi])
        return np.rad2deg(felt) - bone

    assert abs(skin(plain)) < 0.2
    assert -35 < skin(traces(skin_slip=0.3)) < -5
    moved = make_recording(seed=9, session=replace(BARE, n_swings=2, beliefs=Beliefs(strap_slips_deg=12.0)))
    r = moved.truth.motion.rendered
    up = [r.accel["forearm"][slice(*np.searchsorted(r.t, p.still))].mean(0) for p in moved.truth.motion.planned]
    frames = [
        rotations(moved, "forearm")[slice(*np.searchsorted(r.t, p.still))].mean() for p in moved.truth.motion.planned
    ]
    off = [
        np.rad2deg(np.arccos(f.inv().apply([0, 0, 1]) @ (u / np.linalg.norm(u))))
        for f, u in zip(frames, up, strict=True)
    ]
    assert off[0] < 0.2
    assert off[1] > 0.5  # the arm hangs: gravity shows little of a turn about it


# -- sensor errors, each at its size ---------------------------------------------------------------------


def lying(seconds):
    """Sensors at rest, level."""
    t = np.arange(0.0, seconds, 0.05)
    still, up = np.zeros((len(t), 3)), np.tile([0, 0, G], (len(t), 1))
    return Rendered(t, {}, dict.fromkeys(ROLES, still), dict.fromkeys(ROLES, up), {})


def pair(recording, role="club", seed=0, **errors):
    """One sensor without and with an error, all other draws alike."""
    rendered = recording if isinstance(recording, Rendered) else recording.truth.motion.rendered
    base = replace(Errors.none(), rates_hz=(200.0,))
    return tuple(deliver(rendered, role, e, np.random.default_rng(seed)) for e in (base, replace(base, **errors)))


@pytest.fixture(scope="module")
def one():
    return make_recording(seed=14, session=BARE)


def test_bias_and_drift_with_temperature(one):
    plain, wrong = pair(one, gyro_bias_dps=3.0, accel_bias_mg=40.0)
    gyro, accel = wrong.gyro - plain.gyro, wrong.accel - plain.accel
    assert np.ptp(gyro, axis=0).max() < 1e-9
    assert 0.2 < np.abs(np.rad2deg(gyro[0])).max() <= 3.0
    assert 5 < np.abs(accel[0]).max() / G * 1e3 <= 40
    np.testing.assert_allclose(np.rad2deg(gyro[0]), wrong.facts["gyro_bias_dps"], atol=1e-9)
    plain, wrong = pair(lying(600.0), gyro_drift_dps=1.5)
    drift = np.rad2deg(wrong.gyro - plain.gyro)
    assert 0.1 < np.abs(drift[-1]).max() <= 1.5
    assert np.abs(drift[0]).max() < 0.01


@pytest.mark.parametrize(
    ("name", "which", "size"),
    [
        ("gyro_scale", "gyro", 0.01),
        ("gyro_cross", "gyro", 0.005),
        ("accel_scale", "accel", 0.01),
        ("accel_cross", "accel", 0.005),
    ],
)
def test_scale_and_cross_axis(one, name, which, size):
    plain, wrong = pair(one, **{name: size})
    matrix = np.linalg.lstsq(getattr(plain, which), getattr(wrong, which), rcond=None)[0].T - np.eye(3)
    diagonal, off = np.abs(np.diag(matrix)), np.abs(matrix - np.diag(np.diag(matrix))).max()
    if name.endswith("scale"):
        assert 0.1 * size < diagonal.max() <= size
        assert off < 1e-9
    else:
        assert 0.1 * size < off <= size
        assert diagonal.max() < 1e-9
    np.testing.assert_allclose(matrix + np.eye(3), wrong.facts[f"{which}_matrix"], atol=1e-9)


def test_g_sensitivity(one):
    plain, wrong = pair(one, g_sensitivity_dps=0.1)
    matrix = np.linalg.lstsq(plain.accel / G, np.rad2deg(wrong.gyro - plain.gyro), rcond=None)[0]
    assert 0.02 < np.abs(matrix).max() <= 0.1


def test_noise_and_quantisation(one):
    plain, wrong = pair(one, gyro_noise_dps=0.007, accel_noise_mg=0.12)
    assert np.rad2deg((wrong.gyro - plain.gyro).std()) == pytest.approx(0.07, rel=0.05)  # sqrt(100 Hz) × 0.007
    assert (wrong.accel - plain.accel).std() / G * 1e3 == pytest.approx(1.2, rel=0.05)
    plain, wrong = pair(one, quantise=True, gyro_range_dps=2000.0, accel_range_g=16.0)
    step = np.deg2rad(2000.0) / 32768
    np.testing.assert_allclose(wrong.gyro / step, np.round(wrong.gyro / step), atol=1e-6)
    inside = np.abs(plain.gyro) < np.deg2rad(1999)
    assert np.abs(wrong.gyro - plain.gyro)[inside].max() <= 0.51 * step


def test_clipping(one):
    plain, wrong = pair(one, gyro_range_dps=500.0, accel_range_g=4.0)
    assert np.abs(wrong.gyro).max() == pytest.approx(np.deg2rad(500.0))
    assert np.abs(wrong.accel).max() == pytest.approx(4 * G)
    inside = np.abs(plain.gyro) < np.deg2rad(499)
    np.testing.assert_allclose(wrong.gyro[inside], plain.gyro[inside])
    assert wrong.facts["clipped_gyro"] == (np.abs(plain.gyro) >= np.deg2rad(500)).any(1).sum() > 5
    _, first = pair(one, gyro_range_dps=500.0, clip_first=True)
    assert np.abs(first.gyro).max() <= np.deg2rad(500.0) + 1e-9
    assert not np.allclose(first.gyro, wrong.gyro)


def test_points_are_not_averages(one):
    plain, points = pair(one, average=False)
    r = one.truth.motion.rendered
    mount = Rotation.from_quat(points.facts["q_sensor_to_segment"], scalar_first=True)
    slow = points.true_t < one.truth.swings[0].events["takeaway"]
    felt = np.array([np.interp(points.true_t[slow], r.t, x) for x in mount.inv().apply(r.gyro["club"]).T]).T
    np.testing.assert_allclose(points.gyro[slow], felt, atol=2e-3)
    assert np.abs(points.gyro - plain.gyro).max() > 0.5


def test_clocks(one):
    plain, wrong = pair(one, offset_s=0.15, drift_ppm=50.0)
    slope, offset = np.polyfit(wrong.true_t, wrong.t, 1)
    assert slope - 1 == pytest.approx(wrong.facts["drift_ppm"] * 1e-6, abs=1e-12)
    assert offset == pytest.approx(wrong.facts["offset_s"], abs=1e-9)
    assert 1e-6 < abs(slope - 1) <= 50e-6
    assert 1e-3 < abs(offset) <= 0.15
    np.testing.assert_allclose(np.diff(wrong.t), 0.005, atol=1e-12)  # even on the device's own clock
    np.testing.assert_array_equal(plain.t, plain.true_t)


def test_stamps(one):
    _, ticks = pair(one, stamps=("ticks",))
    np.testing.assert_allclose(ticks.t * 1e3, np.round(ticks.t * 1e3), atol=1e-6)
    assert np.abs(ticks.t - ticks.clock).max() <= 0.5e-3 + 1e-9
    _, arrival = pair(one, stamps=("arrival",))
    late = arrival.t - arrival.clock
    assert late.min() >= 0
    assert 0.001 < late.mean() < 0.02
    assert (np.diff(arrival.t) >= 0).all()
    _, batched = pair(one, stamps=("batched",))
    sizes = np.unique(batched.t, return_counts=True)[1]
    assert 4 <= np.median(sizes) <= 10
    assert (batched.t - batched.clock).min() >= 0
    last = np.append(np.flatnonzero(np.diff(batched.t)), len(batched.t) - 1)
    assert (batched.t - batched.clock)[last].mean() < 0.02


def test_loss_comes_in_bursts_and_stays_in_bounds():
    long = lying(180.0)
    shares, bursts = [], []
    for seed in range(12):
        plain, wrong = pair(long, seed=seed, loss=0.05)
        gap = np.round(np.diff(wrong.clock) / 0.005).astype(int) - 1
        assert gap.sum() == pytest.approx(wrong.facts["lost"], abs=40)  # the end may be lost too
        shares.append(wrong.facts["lost"] / len(plain.t))
        bursts += list(gap[gap > 0])
    assert 0.015 < np.mean(shares) < 0.055
    assert max(shares) < 0.09
    assert 5 < np.mean(bursts) < 20


def test_mounting_turns_both_sensors_alike(one):
    rendered = one.truth.motion.rendered
    straight = deliver(rendered, "hand", replace(Errors.none(), mounting=False), np.random.default_rng(4))
    turned = deliver(rendered, "hand", Errors.none(), np.random.default_rng(4))
    q = Rotation.from_quat(turned.facts["q_sensor_to_segment"], scalar_first=True)
    assert q.magnitude() > 0.1
    np.testing.assert_allclose(q.apply(turned.gyro), straight.gyro, atol=1e-9)
    np.testing.assert_allclose(q.apply(turned.accel), straight.accel, atol=1e-9)


def test_hand_dies_half_way(one):
    _, wrong = pair(one, role="hand", hand_dies=True)
    end = one.truth.motion.rendered.t[-1]
    assert wrong.true_t[-1] == pytest.approx(end / 2, abs=0.2)
    _, club = pair(one, hand_dies=True)
    assert club.true_t[-1] > end - 0.3


def test_mixed_rates_and_one_seed_one_motion():
    full = [make_recording(seed=s, session=BARE, errors=Errors.full()) for s in range(14, 20)]
    assert {s.facts["rate_hz"] for r in full for s in r.sensors} == {100.0, 200.0, 400.0}
    assert {s.facts["stamps"] for r in full for s in r.sensors} == {"exact", "ticks", "batched", "arrival"}
    again = make_recording(seed=14, session=BARE, errors=Errors.full())
    for a, b in zip(full[0].sensors, again.sensors, strict=True):
        np.testing.assert_array_equal(a.gyro, b.gyro)
        np.testing.assert_array_equal(a.t, b.t)
    clean = make_recording(seed=14, session=BARE)
    assert clean.truth.data["swings"][0]["angles_deg"] == again.truth.data["swings"][0]["angles_deg"]


# -- poses -----------------------------------------------------------------------------------------------


def pose_frames(recording, name):
    r = recording.truth.motion.rendered
    for pose, start, end, errors in recording.truth.motion.poses:
        if pose == name:
            i = slice(*np.searchsorted(r.t, [start, end]))
            yield {b: rotations(recording, b)[i].mean().as_matrix() for b in BODIES}, errors


def test_poses_are_held_as_described(calibrated):
    """Hang: arm down, wrist straight, thumb forward. Handshake, grip_flat: forearm level, thumb up, wrist flat.
    club_square: face along the line, no lean. club_hang: shaft plumb."""
    near = pytest.approx(0, abs=0.02)  # tremor
    names = [p[0] for p in calibrated.truth.motion.poses]
    assert names == ["hang", "handshake", "handshake", "grip_flat", "grip_flat", "club_square", "club_hang"]
    for f, _ in pose_frames(calibrated, "hang"):
        assert f["forearm"][2, 1] > 0.999
        np.testing.assert_allclose(f["hand"], f["forearm"], atol=0.02)
    for name in ("handshake", "grip_flat"):
        for f, _ in pose_frames(calibrated, name):
            assert f["forearm"][2, 1] == near
            radial = -calibrated.truth.motion.player.mirror * f["forearm"][:, 2]
            assert radial[2] > 0.999  # thumb up
            np.testing.assert_allclose(f["hand"], f["forearm"], atol=0.02)
    for f, _ in pose_frames(calibrated, "club_square"):
        assert f["club"][0, 0] == pytest.approx(0, abs=0.03)
        assert f["club"][0, 1] > 0.999
        assert -0.95 < f["club"][2, 0] < -0.6
    for f, _ in pose_frames(calibrated, "club_hang"):
        assert f["club"][2, 0] < -0.999


def test_club_may_stand_aside_until_it_is_gripped():
    """Still while the arm is calibrated, then carried to the hand without a jump; its gyro and accelerometer agree."""
    for handedness in HANDS:
        session = replace(BARE, handedness=handedness, n_swings=0, poses=Poses(club_aside=1.0))
        made = make_recording(seed=6, session=session)
        r = made.truth.motion.rendered
        first = next(start for name, start, _, _ in made.truth.motion.poses if name == "grip_flat")
        last = max(end for name, _, end, _ in made.truth.motion.poses if name == "handshake")
        before, after = r.t < last, (r.t > first) & (r.t < first + 1)
        assert np.abs(r.gyro["club"][before]).max() < 1e-9
        np.testing.assert_allclose(np.linalg.norm(r.accel["club"][before], axis=1), G, atol=1e-6)
        assert np.abs(r.gyro["hand"][before]).max() > 0.5
        grip = rotations(made, "hand")[after].inv() * rotations(made, "club")[after]
        assert np.rad2deg((grip[0].inv() * grip).magnitude().max()) < 1e-6
        # integrated rates carry it from the one to the other
        i, j = int(np.searchsorted(r.t, last)), int(np.searchsorted(r.t, first))
        q = rotations(made, "club")[i]
        turn = 0.5 * (r.gyro["club"][i : j - 1] + r.gyro["club"][i + 1 : j]) * np.diff(r.t[i:j])[:, None]
        for part in Rotation.from_rotvec(turn):
            q = q * part
        assert np.rad2deg((q.inv() * rotations(made, "club")[j - 1]).magnitude()) < 0.3
        jump = np.abs(np.diff(r.accel["club"][i:j], axis=0)).max()
        assert jump < 0.6


def test_pose_errors_are_drawn_from_the_prior():
    """The flexion and deviation held in the handshake and flat grip have standard deviation 3°, in the frames too."""
    drawn, held, tilt = [], [], []
    for seed in range(20):
        r = make_recording(seed=seed, session=Session(n_swings=0, poses=Poses(repeats=2, error=1.0, functional=False)))
        for f, e in [*pose_frames(r, "handshake"), *pose_frames(r, "grip_flat")]:
            m = f["forearm"].T @ f["hand"]
            held.append(np.rad2deg(np.arcsin(m[1, 0])))
            drawn.append(e["flexion"])
        tilt.append(r.truth.data["player"]["roll_tilt"])
    np.testing.assert_allclose(held, drawn, atol=0.35)
    assert 1.3 < np.std(np.degrees(tilt)) < 2.7
    assert 2.2 < np.std(held) < 3.8
    assert PRIOR_DEG["handshake"][0] == 3.0


@pytest.mark.parametrize("handedness", HANDS)
def test_forearm_rolls_about_an_axis_off_its_long_one(handedness):
    c = Chain(replace(chain(handedness).player, roll_tilt=(0.05, -0.03)))
    before, after = (c.pose({"elbow": 1.0, "pronation": p})["forearm"] for p in (0.0, 0.7))
    axis = Rotation.from_matrix(before.T @ after).as_rotvec()
    m = c.player.mirror
    np.testing.assert_allclose(axis / axis[1], [0.03, 1.0, m * 0.05], atol=1e-3)


def test_players_draw_their_own_share_of_what_is_not_shared():
    session = CAUSES["players"].session
    slips = [make_recording(seed=s, session=replace(session, n_swings=0)).truth.data["beliefs"] for s in (1, 1, 2)]
    assert slips[0] == slips[1] != slips[2]
    assert all(0 < b["skin_slip"] < 0.3 and 0 < b["axial_play_deg"] < 6.0 for b in slips)


def test_poses_can_be_left_out_or_unmarked():
    unmarked = make_recording(seed=1, session=replace(BARE, poses=Poses.named("unmarked")))
    assert not unmarked.poses
    assert len(unmarked.truth.motion.poses) == 7
    none = make_recording(seed=1, session=BARE)
    assert not none.truth.motion.poses


# -- sessions ---------------------------------------------------------------------------------------------


def test_idle_minutes_hold_no_full_swing():
    session = Session(n_swings=0, minutes=4.0, idle=True, poses=Poses.named("none"))
    recording = make_recording(seed=2, session=session)
    assert recording.truth.motion.rendered.t[-1] > 230
    assert {s["kind"] for s in recording.truth.data["swings"]} <= {"slow"}
    speed = np.linalg.norm(np.diff(recording.truth.motion.rendered.place["head"], axis=0), axis=1)
    speed /= np.diff(recording.truth.motion.rendered.t)
    assert 0.5 < speed.max() < 12  # m/s: something is done, nothing like a swing


def test_kinds_and_length():
    session = Session(n_swings=3, minutes=1.5, kinds=("slow", "partial"), poses=Poses.named("none"))
    recording = make_recording(seed=4, session=session)
    assert recording.truth.motion.rendered.t[-1] == pytest.approx(90, abs=12)
    for swing in recording.truth.data["swings"]:
        if swing["kind"] == "slow":
            assert swing["head_speed_m_s"] < 10
            assert swing["ball"] is False
            assert swing["tempo"]["backswing_s"] > 1.5
        else:
            assert swing["head_speed_m_s"] < 38


def test_files(tmp_path, one):
    recording = make_recording(seed=14, session=replace(BARE, poses=Poses()), errors=Errors.full())
    folder = recording.write(tmp_path / "r")
    manifest = tomllib.loads((folder / "recording.toml").read_text())
    assert [s["role"] for s in manifest["sensor"]] == ["forearm", "hand", "club"]
    assert [p["name"] for p in manifest["pose"]][:2] == ["hang", "handshake"]
    for sensor, made in zip(manifest["sensor"], recording.sensors, strict=True):
        table = np.genfromtxt(folder / sensor["file"], delimiter=",", names=True)
        np.testing.assert_allclose(table["t"], made.t, atol=1e-6)
        np.testing.assert_allclose(table["gz"], made.gyro[:, 2], atol=1e-6)
        np.testing.assert_allclose(table["ax"], made.accel[:, 0], atol=1e-6)
    truth = json.loads((folder / "truth.json").read_text())
    first = recording.sensors[0]
    impact = recording.truth.swings[0].events["impact"]
    on_clock = np.interp(impact, first.true_t, first.clock) - first.clock[0]
    assert truth["swings"][0]["events"]["impact"] == pytest.approx(on_clock, abs=1e-6)
    for sensor in recording.sensors:
        facts = truth["sensors"][sensor.role]
        apart = np.interp(impact, sensor.true_t, sensor.clock) - np.interp(impact, first.true_t, first.clock)
        near = 0.5e-3 if "ticks" in (sensor.facts["stamps"], first.facts["stamps"]) else 1e-6
        assert facts["clock_offset_s"] + facts["clock_drift_ppm"] * 1e-6 * on_clock == pytest.approx(apart, abs=near)


def test_six_faces_and_known_turns():
    """A face reads +g up on its axis, a turn sums to whole turns; with errors, it is the device of a session."""
    made = make_faces(seed=5, role="club", errors=Errors.none(), placed_deg=0.0)
    sensor = made.sensor
    since = sensor.clock - sensor.clock[0]
    assert [f for f, _, _ in made.holds] == ["+z", "+y", "-z", "-y", "-x", "+x"]
    for face, start, end in made.holds:
        inside = (since > start) & (since < end)
        expected = np.zeros(3)
        expected["xyz".index(face[1])] = G if face[0] == "+" else -G
        np.testing.assert_allclose(sensor.accel[inside], np.tile(expected, (inside.sum(), 1)), atol=1e-6)
    for axis, degrees, start, end in made.turns:
        inside = (since >= start - 0.01) & (since <= end + 0.01)
        turned = np.rad2deg(sensor.gyro[inside].sum(0) * 0.005)
        assert turned["xyz".index(axis)] == pytest.approx(degrees, abs=0.05)
    session = make_recording(seed=5, session=BARE, errors=Errors.full())
    worn = next(s for s in session.sensors if s.role == "club").facts
    bench = make_faces(seed=5, role="club", errors=Errors.full()).sensor.facts
    for key in ("gyro_bias_dps", "gyro_matrix", "accel_bias_m_s2", "accel_matrix", "rate_hz"):
        assert bench[key] == worn[key], key


def test_every_cause_differs_from_clean_or_full():
    seen = {}
    for name, cause in CAUSES.items():
        key = repr((cause.errors, cause.session, cause.roles))
        assert key not in seen, f"{name} is the same as {seen.get(key)}"
        seen[key] = name


# -- the scorer --------------------------------------------------------------------------------------------


def measured(truth, *, off=0.0, u95=1.0, late=0.0, clock=0.0, drop=0, extra=()):
    """What a tool would say that is wrong by just so much."""
    from imu.measured import Event, Measurement, SensorReport, Swing, Value

    swings = []
    for s in truth["swings"][drop:]:
        angles = {
            a: {e: Value(v + off, u95) for e, v in per.items() if v is not None}
            for a, per in s["angles_deg"].items()
            if a in ("wrist_flexion", "wrist_deviation", "shaft_elevation")
        }
        events = {e: Event(None if t is None else t + late) for e, t in s["events"].items()}
        flexion = s["angles_deg"]["wrist_flexion"]
        kept = Value(flexion["shaft_level_down"] - flexion["top"], 0.5)
        changes = {"wrist_flexion": {"top..shaft_level_down": kept}}
        swings.append(Swing(s["index"], s["kind"], True, "good", (), events, angles, changes, {}, {}))
    swings += [
        Swing(9, "full", None, "poor", (), {"impact": Event(t), "top": Event(t - 0.3)}, {}, {}, {}, {}) for t in extra
    ]
    sensors = []
    for role, f in truth["sensors"].items():
        offset, drift = f["clock_offset_s"] + clock, f["clock_drift_ppm"]
        sensors.append(SensorReport(role, f["rate_hz"], f["samples"], f["lost"], 0, 0, offset, drift, None, False))
    return Measurement(truth["handedness"], truth["club"], tuple(sensors), (), tuple(swings))


@pytest.fixture(scope="module")
def known():
    session = Session(n_swings=2, poses=Poses.named("none"))
    return [make_recording(seed=s, session=session, errors=Errors.full()).truth.data for s in (51, 52)]


def scored(known, **faults):
    total = Scores()
    for i, truth in enumerate(known):
        total.add(score(measured(truth, **faults), truth, recording=i, seconds=1.0))
    return total


def test_scorer_finds_nothing_wrong_with_the_truth(known):
    total = scored(known)
    table = angle_table(total)
    assert table["rmse"].max() < 1e-9
    assert overall_coverage(total)["cover"] == 100
    assert event_table(total)["rmse_ms"].max() < 1e-6
    assert clock_table(total)["max_ms"].max() < 1e-6
    assert {r["missed"] + r["false"] for r in total.recordings} == {0}
    assert {"wrist_flexion since address", "change of wrist_flexion"} <= set(table["angle"])


def test_scorer_reports_errors_at_their_size(known):
    total = scored(known, off=2.0, u95=1.5, late=0.004, clock=-0.0015)
    table = angle_table(total).set_index(["angle", "event"])
    assert table.loc[("wrist_flexion", "top"), "rmse"] == pytest.approx(2.0)
    assert table.loc[("wrist_flexion", "top"), "bias"] == pytest.approx(2.0)
    assert table.loc[("wrist_flexion", "top"), "cover"] == 0
    assert table.loc[("wrist_flexion", "top"), "n"] == 4
    assert table.loc[("wrist_flexion since address", "top"), "rmse"] == pytest.approx(0, abs=1e-9)  # the offset cancels
    assert event_table(total).set_index("event").loc["impact", "rmse_ms"] == pytest.approx(4.0)
    assert clock_table(total).set_index("clocks").loc["all", "median_ms"] == pytest.approx(1.5)
    goals = goal_table(total).set_index("goal")
    assert not goals.loc["wrist flexion, address to shaft level", "met"]
    assert not goals.loc["clocks, p95", "met"]
    assert not goals.loc["time of impact", "met"]
    assert goals.loc["time of top", "met"]


def test_scorer_judges_coverage_both_ways(known):
    """Intervals that never cover and intervals that always do both miss the goal; the worst cell is named."""
    for u95 in (0.1, 50.0):
        goals = goal_table(scored(known, off=1.0, u95=u95)).set_index("goal")
        assert not goals.loc["u95 covers 93 to 97 %", "met"]
    assert goals.loc["u95 covers, worst cell", "met"]
    goals = goal_table(scored(known, off=1.0, u95=0.1)).set_index("goal")
    assert not goals.loc["u95 covers, worst cell", "met"]


def test_floor_is_what_sampling_allows(one):
    """Perfect 400 Hz gyros integrate to a tenth of a degree; 100 Hz with gaps cannot."""
    good = make_recording(seed=14, session=BARE, errors=replace(Errors.none(), rates_hz=(400.0,)))
    bad = make_recording(seed=14, session=BARE, errors=Errors.hundred())
    errors = [np.abs([row["error"] for row in floor(made, recording=0)]).max() for made in (good, bad)]
    assert errors[0] < 0.3
    assert errors[1] > errors[0]
    rows = list(floor(good, recording=0))
    assert {"wrist_flexion", "wrist_deviation", "face_since_address", "shaft_off_plane"} == {r["angle"] for r in rows}


def test_scorer_counts_swings(known):
    total = scored(known, drop=1, extra=(1e4, 2e4))
    assert [r["missed"] for r in total.recordings] == [1, 1]
    assert [r["false"] for r in total.recordings] == [2, 2]


def test_scorer_handles_nothing_found(known):
    from imu.measured import Measurement

    total = score(Measurement("right", None, (), (), ()), known[0], recording=0)
    assert total.recordings[0]["missed"] == 2
    assert not goal_table(total).set_index("goal").loc["swings missed", "met"]
