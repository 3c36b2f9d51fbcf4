"""Integration against scipy's Rotation and closed forms; library filters on real recordings."""

from __future__ import annotations

import itertools
from functools import lru_cache

import numpy as np
import pytest
from scipy.integrate import cumulative_simpson
from scipy.spatial.transform import Rotation, RotationSpline

from imu.orientation import FILTERS, Track, chain, filtered, increments, level_start, strapdown, tilt
from imu.recording import GRAVITY
from tests.bench import real


def degrees_between(attitude, true: Rotation) -> np.ndarray:
    return np.degrees((Rotation.from_matrix(attitude).inv() * true).magnitude())


# -- integration -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("dps", [0.5, 300.0, 2000.0])
def test_a_constant_rate_turns_as_scipy_says(dps):
    axis = np.array([2.0, -1.0, 0.5]) / np.linalg.norm([2.0, -1.0, 0.5])
    rate = np.radians(dps) * axis
    attitude = strapdown(np.tile(rate, (1000, 1)), 0.005)
    true = Rotation.from_rotvec(rate * 0.005 * np.arange(1001)[:, None])
    assert degrees_between(attitude, true).max() < 1e-6


def test_products_in_blocks_are_products_one_by_one():
    steps = Rotation.random(137, rng=np.random.default_rng(3))
    one = [Rotation.identity()]
    for step in steps:
        one.append(one[-1] * step)
    assert degrees_between(chain(steps.as_matrix()), Rotation.concatenate(one)).max() < 1e-6
    assert chain(np.empty((0, 3, 3))).shape == (1, 3, 3)


def coning(cone: float, speed: float, period: float, n: int) -> tuple[np.ndarray, Rotation]:
    """Mean rates over n samples and attitudes at their borders of an axis that runs round a cone of half
    angle `cone` at `speed` (rad/s): the attitude turns by `cone` about (cos speed t, sin speed t, 0)."""
    phase = speed * period * np.arange(n + 1)
    true = Rotation.from_rotvec(cone * np.column_stack([np.cos(phase), np.sin(phase), 0 * phase]))
    # rate in the body: (-w sin c sin wt, w sin c cos wt, -2 w sin^2(c / 2)), integrated over each sample
    turned = np.column_stack(
        [np.sin(cone) * np.cos(phase), np.sin(cone) * np.sin(phase), -2 * np.sin(cone / 2) ** 2 * phase]
    )
    return np.diff(turned, axis=0) / period, true[0].inv() * true


def drift_about_axis(attitude: np.ndarray, true: Rotation) -> float:
    """Rad about z that the last attitude lacks or has too much."""
    return float((true[-1].inv() * Rotation.from_matrix(attitude[-1])).as_rotvec()[2])


def test_coning_drifts_by_the_closed_form_where_uncorrected_and_hardly_where_corrected():
    """Without correction the drift is (w c^2 / 2)(1 - sin(wT)/(wT)) (Savage 1998, J Guid Control Dyn
    21:19-28); theta_k x (theta_k+1 - theta_k-1) / 24 leaves its fourth order in wT."""
    cone, speed, period, n = np.radians(2.0), 2 * np.pi * 8.0, 0.005, 4000
    rates, true = coning(cone, speed, period, n)
    x = speed * period
    expected = 0.5 * speed * cone**2 * (1 - np.sin(x) / x) * n * period
    plain = chain(Rotation.from_rotvec(rates * period).as_matrix())
    assert abs(drift_about_axis(plain, true)) == pytest.approx(expected, rel=0.02)
    assert np.degrees(expected) > 0.3  # something to correct
    assert abs(drift_about_axis(strapdown(rates, period), true)) < 0.03 * expected


def test_a_swing_like_motion_is_followed_through_two_seconds():
    """A smooth random motion to 1500 deg/s (scipy's RotationSpline), sampled as means over 5 ms."""
    rng = np.random.default_rng(8)
    knots = np.linspace(0, 2, 17)
    steps = Rotation.from_rotvec(rng.normal(0, 0.8, (17, 3)))
    poses = [Rotation.identity()]
    for step in steps[1:]:
        poses.append(poses[-1] * step)
    spline = RotationSpline(knots, Rotation.concatenate(poses))
    fine = np.linspace(0, 2, 400 * 20 + 1)
    # the rate in the body, from the attitudes alone
    rate = (spline(fine[:-1]).inv() * spline(fine[1:])).as_rotvec() / np.diff(fine)[:, None]
    assert 900 < np.degrees(np.linalg.norm(rate, axis=1).max()) < 2500
    means = rate.reshape(400, 20, 3).mean(axis=1)
    true = spline(np.linspace(0, 2, 401))
    assert degrees_between(strapdown(means, 0.005), true).max() < 0.05

    track = Track.of(means, 0.0, 0.005, bias=np.zeros(3), matrix=np.zeros((3, 3)), first=np.eye(3))
    between = rng.uniform(0.05, 1.95, 200)
    assert degrees_between(track.at(between), spline(between)).max() < 0.05
    here = (spline(between - 5e-5).inv() * spline(between + 5e-5)).as_rotvec() / 1e-4
    assert np.degrees(np.abs(track.rate(between) - here)).max() < 25.0  # of 1500 deg/s


def test_bias_and_scale_act_as_their_sensitivities_say():
    """Track's first-order sensitivities against integrating again with the changed parameter."""
    rng = np.random.default_rng(5)
    gyro = np.cumsum(rng.normal(0, 0.15, (400, 3)), axis=0)
    zero, none = np.zeros(3), np.zeros((3, 3))
    base = Track.of(gyro, 0.0, 0.005, bias=zero, matrix=none, first=np.eye(3))
    t = np.array([0.5, 1.2, 1.99])
    by_bias, by_matrix = base.sensitivities(t)
    bias, matrix = rng.normal(0, 1e-4, 3), rng.normal(0, 1e-4, (3, 3))
    moved = Track.of(gyro, 0.0, 0.005, bias=bias, matrix=matrix, first=np.eye(3))
    turned = (Rotation.from_matrix(moved.at(t)) * Rotation.from_matrix(base.at(t)).inv()).as_rotvec()
    expected = -by_bias @ bias + np.einsum("nijk,jk->ni", by_matrix, matrix)
    assert np.abs(turned - expected).max() < 0.02 * np.abs(expected).max()


def test_increments_of_a_linearly_growing_rate():
    """Magnus expansion to second order against integration in 2000 steps by scipy."""
    a, b, period = np.array([3.0, -1.0, 2.0]), np.array([100.0, 250.0, -80.0]), 0.005
    edges = period * np.arange(4)
    means = [a + b * (lo + period / 2) for lo in edges[:-1]]
    t = np.linspace(edges[1], edges[2], 2001)
    path = Rotation.identity()
    for lo, hi in itertools.pairwise(t):
        path = path * Rotation.from_rotvec((a + b * (lo + hi) / 2) * (hi - lo))
    assert np.allclose(increments(np.array(means), period)[1], path.as_rotvec(), atol=2e-7)
    whole = cumulative_simpson(a + b * t[:, None], x=t, axis=0)[-1]  # without the second term it misses by more
    assert np.abs(whole - path.as_rotvec()).max() > 2e-6


@pytest.mark.parametrize("up", [(0, 0, 1), (0, 0, -1), (1, 2, -0.5), (-3, 0.1, 0)])
def test_tilt_brings_up_to_the_vertical_by_the_shortest_way(up):
    up = np.array(up, float)
    r = tilt(up)
    assert np.allclose(r @ up, [0, 0, np.linalg.norm(up)], atol=1e-9)
    assert np.allclose(r @ r.T, np.eye(3))
    assert np.linalg.det(r) == pytest.approx(1)
    angle = np.arccos(up[2] / np.linalg.norm(up))
    assert Rotation.from_matrix(r).magnitude() == pytest.approx(angle, abs=1e-6)


def test_a_start_needs_gravity():
    assert np.allclose(level_start([0.0, GRAVITY, 0.0]) @ [0, 1, 0], [0, 0, 1])
    with pytest.raises(ValueError, match="gravity"):
        level_start([0.0, 0.1, 0.0])


# -- library filters -------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", FILTERS)
def test_filters_know_which_way_is_up(name):
    """A sensor at rest in any attitude: its reading, turned by the filter, is up."""
    for turn in Rotation.random(4, rng=np.random.default_rng(1)):
        accel = np.tile(turn.inv().apply([0, 0, GRAVITY]), (400, 1))
        first = Rotation.from_matrix(level_start(accel)).as_quat(scalar_first=True)
        q = filtered(name, np.full((400, 3), 1e-6), accel, 0.01, first)
        up = Rotation.from_quat(q[-1], scalar_first=True).apply(accel[-1])
        assert np.allclose(up, [0, 0, GRAVITY], atol=0.02 * GRAVITY)


def test_an_unknown_filter_is_named():
    with pytest.raises(ValueError, match=r"'kalman'.*madgwick"):
        filtered("kalman", np.zeros((9, 3)), np.ones((9, 3)), 0.01)


def here(load):
    try:
        return load()
    except FileNotFoundError as error:
        pytest.skip(f"real recording {error.filename} is not here (set CUPBOW_DATA to its folder)")


@lru_cache
def by_way(name: str) -> tuple[real.Truthful, Rotation]:
    seen = here(real.optical)
    return seen, real.estimated(real.estimates()[name], seen)


# What the libraries themselves reach on this cut, as the README beside the data has it: vqf 6D 1.14 / 0.85 deg,
# ahrs Madgwick with default gain 3.23 / 1.40 deg (total / inclination, one constant heading removed).
def test_filters_reach_what_is_known_of_them_against_optical_truth():
    seen = here(real.optical)
    ways = real.estimates()
    vqf = real.errors(real.estimated(ways["vqf"], seen, bias=False), seen)
    assert (vqf["total"], vqf["inclination"]) == (pytest.approx(1.14, abs=0.02), pytest.approx(0.85, abs=0.02))
    madgwick = real.errors(real.estimated(ways["madgwick"], seen, bias=False), seen)
    assert (madgwick["total"], madgwick["inclination"]) == (
        pytest.approx(3.23, abs=0.02),
        pytest.approx(1.40, abs=0.02),
    )


@pytest.mark.parametrize(
    ("name", "limit_deg"),
    [("strapdown", 1.5), ("madgwick", 1.6), ("mahony", 1.9), ("ekf", 2.4), ("vqf", 1.3), ("offline_vqf", 1.3)],
)
def test_every_way_to_an_attitude_against_optical_truth(name, limit_deg):
    """Bias of the first rest removed, as a measurement does. The limits are those measured (docs/accuracy.md)
    and a seventh; a frame or a sign taken wrongly costs tens of degrees."""
    seen, attitude = by_way(name)
    got = real.errors(attitude, seen)
    assert got["total"] < limit_deg
    assert abs(got["drift_per_min"]) < 2.0


@pytest.mark.parametrize(("name", "limit_deg"), [("madgwick", 2.2), ("mahony", 2.2), ("ekf", 2.2), ("vqf", 1.6)])
def test_wrist_rotation_agrees_with_the_device(name, limit_deg):
    """Hand in forearm, against the fusion of the device that recorded it; from the README beside the data:
    0.6 to 1.3 deg for a good filter pair, after one constant relative heading."""
    arm = here(real.wrist)
    pair = [real.estimated(real.estimates()[name], s) for s in arm]
    assert real.between(*pair, arm) < limit_deg


@pytest.mark.parametrize("name", ["madgwick", "vqf", "offline_vqf"])
def test_inclination_agrees_with_a_logger_that_has_a_magnetometer(name):
    """An export that comes with a package (tests/data/loggers), 19 s of walking pace motion at 50 Hz: within
    2.5 deg of the device's own orientation."""
    logger = real.logger()
    assert real.errors(real.estimated(real.estimates()[name], logger), logger)["inclination"] < 2.5


def test_filters_agree_with_each_other_on_real_data():
    """Inclination of every filter within 2 deg rms of vqf's, whose error is below 1 deg."""
    seen, vqf = by_way("vqf")
    for name in ("strapdown", "madgwick", "mahony", "ekf", "offline_vqf"):
        apart = real.inclination_of(by_way(name)[1] * vqf.inv())[seen.use]
        assert np.degrees(np.sqrt(np.mean(apart**2))) < 2.0, name
