"""The moment of contact on made swings whose truth is known: a rate that steps and rings, felt by sensors that
average over their periods, lose samples and clip."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from imu import contact as within
from imu.contact import Expected, contact
from imu.measuring import measure_recording
from imu.simulate import demo_recordings
from imu.timebase import Samples

STEP = np.array([3.0, -2.0, 1.5])  # rad/s
PLACE = np.array([0.05, -0.3, 0.1])  # m from the joint that it turns about


def struck(
    rate: float, contact_s: float, lag: float = 0.0, *, step: np.ndarray = STEP, hz: float = 35.0, phase: float = 0.8
) -> Samples:
    """A smooth swing whose rates step within half a millisecond at contact and ring; each sample is the mean over its
    period."""
    fine = np.arange(0, 1.2, 1e-4)
    smooth = np.column_stack([20 * np.exp(-(((fine - 0.65) / 0.2) ** 2)), 4 * np.sin(4 * fine), 3 * np.cos(3 * fine)])
    since = np.maximum(fine - contact_s, 0)[:, None]
    ring = np.minimum(since / 5e-4, 1.0) * np.exp(-since / 0.03) * np.sin(2 * np.pi * hz * since + phase) * step
    turn = smooth + ring
    force = np.cross(np.gradient(turn, 1e-4, axis=0), PLACE) + np.cross(turn, np.cross(turn, PLACE)) + [0, 0, 9.81]
    edges = np.arange(lag, 1.15, 1 / rate)
    total = np.concatenate([np.zeros((1, 6)), np.cumsum(np.hstack([turn, force]), axis=0)]) * 1e-4
    at = np.column_stack([np.interp(edges, np.append(fine, fine[-1] + 1e-4), total[:, k]) for k in range(6)])
    rng = np.random.default_rng(2)
    read = np.diff(at, axis=0) * rate + rng.standard_normal((len(edges) - 1, 6)) * ([0.01] * 3 + [0.1] * 3)
    n = len(read)
    return Samples(
        role="club",
        start_s=lag + 0.5 / rate,
        period_s=1 / rate,
        gyro=read[:, :3],
        accel=read[:, 3:],
        present=np.ones(n, bool),
        clipped_gyro=np.zeros((n, 3), bool),
        clipped_accel=np.zeros((n, 3), bool),
        stamps="device",
        stamp_sd_s=0.0,
        own_start_s=lag + 0.5 / rate,
        own_period_s=1 / rate,
    )


def found(sensors: list[Samples], expected_s: float = 0.66) -> tuple[float, float] | None:
    read = [clip(s, 35.0, 157.0) for s in sensors]  # 2000 deg/s, 16 g
    return contact([(s, 0.4) for s in read], 0.55, 0.75, Expected(expected_s, 0.02))


def lose(s: Samples, lo_s: float, hi_s: float) -> Samples:
    gone = (s.t_s > lo_s) & (s.t_s < hi_s)
    s.gyro[gone], s.accel[gone], s.present[gone] = np.nan, np.nan, False
    return s


def clip(s: Samples, rate: float, force: float) -> Samples:
    """A gyro and an accelerometer that read no further."""
    gyro, accel = np.clip(s.gyro, -rate, rate), np.clip(s.accel, -force, force)
    return replace(
        s,
        gyro=gyro,
        accel=accel,
        clipped_gyro=s.clipped_gyro | (np.abs(s.gyro) > rate),
        clipped_accel=s.clipped_accel | (np.abs(s.accel) > force),
    )


def test_contact_between_samples_of_ten_milliseconds_to_one_or_two_and_as_surely_as_said():
    """Three sensors at 100 Hz, each beginning whenever it does, after blows of any size, direction and ringing."""
    rng = np.random.default_rng(5)
    errors, doubts = [], []
    for _ in range(40):
        t = rng.uniform(0.64, 0.68)
        blows = [
            struck(100, t, rng.uniform(0, 0.01), step=rng.normal(0, 1.5, 3), hz=rng.uniform(15, 50),
                   phase=rng.uniform(0.5, 2.6)) for _ in range(3)
        ]  # fmt: skip
        got = found(blows)
        assert got is not None
        errors.append(got[0] - t)
        doubts.append(got[1])
    inside = np.abs(errors) < 1.96 * np.array(doubts)
    assert np.sqrt(np.mean(np.square(errors))) < 2.0e-3
    assert np.median(np.abs(errors)) < 1.0e-3
    assert np.median(doubts) < 2.0e-3
    assert np.mean(inside) > 0.85


@pytest.mark.parametrize("contact_s", [0.6503, 0.6537, 0.6571])
def test_a_fast_sensor_tells_contact_to_a_few_tenths(contact_s):
    got = found([struck(100, contact_s), struck(100, contact_s, 0.0034), struck(400, contact_s, 0.001)])
    assert got is not None
    assert got[0] == pytest.approx(contact_s, abs=0.0005)
    assert got[1] < 0.0008


def test_what_the_fast_sensor_lost_the_slow_ones_tell_and_say_that_they_know_less():
    t = 0.6537
    whole = [struck(100, t), struck(100, t, 0.0034), struck(400, t, 0.001)]
    surely = found(whole)
    got = found([*whole[:2], lose(whole[2], t - 0.008, t + 0.006)])
    assert got is not None
    assert surely is not None
    assert got[0] == pytest.approx(t, abs=0.002)
    assert abs(got[0] - t) < 1.96 * got[1]
    assert got[1] > 1.2 * surely[1]


def test_where_every_sensor_lost_the_moment_the_doubt_is_as_long_as_the_gap():
    t = 0.6537
    got = found([lose(struck(200, t, lag), t - 0.009, t + 0.009) for lag in (0.0, 0.002, 0.003)])
    assert got is not None
    assert got[0] == pytest.approx(t, abs=0.009)
    assert got[1] > 0.002


def test_clipped_gyros_leave_it_to_the_accelerometer():
    t = 0.6571
    railed = clip(struck(200, t), 10.0, 1e3)
    assert railed.clipped_gyro[railed.index(t)].any()
    got = found([railed, clip(struck(200, t, 0.002), 10.0, 1e3)])
    assert got is not None
    assert got[0] == pytest.approx(t, abs=0.001)


def test_one_packet_out_of_place_does_not_move_what_two_sensors_agree_on():
    """A sensor whose samples around the blow stand 10 ms late."""
    t = 0.66
    late = struck(200, t)
    late.gyro[112:160], late.accel[112:160] = late.gyro[110:158].copy(), late.accel[110:158].copy()
    got = found([late, struck(200, t, 0.001), struck(200, t, 0.002)])
    assert got is not None
    assert got[0] == pytest.approx(t, abs=0.001)


def test_a_step_in_one_sensor_long_before_the_blow_is_no_contact():
    t = 0.66
    false = struck(200, t)
    false.gyro[118:124] += 9.0
    got = found([false, struck(100, t), struck(200, t, 0.002)])
    assert got is not None
    assert got[0] == pytest.approx(t, abs=0.003)


def test_rougher_swings_than_the_bench_s_are_struck_when_they_are():
    # the accelerations of the demo's player turn by corners: taken for a blow, they made contact 10 ms early
    sims = demo_recordings()
    for name in ("2026-05-24_driver", "2026-05-03_7-iron"):
        sim = sims[name]
        pace = next(iter(sim.sensed.values())).pace
        struck_s = [(s.impact_s - sim.true_time(np.zeros(1))[0]) / pace for s in sim.motion.swings if s.plan.ball]
        swings = [s for s in measure_recording(sim.recording).swings if s.ball]
        assert len(swings) == len(struck_s)
        off = [s.events["impact"].t_s - t for s, t in zip(swings, struck_s, strict=True)]
        assert np.sqrt(np.mean(np.square(off))) < 0.001


@pytest.mark.parametrize("rates", [(200, 100), (100, 100, 400)])
def test_a_swing_that_strikes_nothing_has_no_contact(rates):
    assert found([struck(r, 5.0, 0.001 * i) for i, r in enumerate(rates)]) is None


def test_likelihood_is_that_of_the_reference_library():
    """One axis, one roughness and one kind of blow: scipy's multivariate normal over all samples, with a blow and without."""
    feel = replace(within._GYRO, roughness=(1e5,), blows=within._GYRO.blows[:1])
    t = np.arange(14) * 0.01
    known = np.zeros((14, 3), bool)
    known[:, 1] = True
    known[6, 1] = False  # a lost one
    values = np.random.default_rng(3).normal(0, 2.0, (14, 3)) + 30 * t[:, None]
    grid = np.array([0.081, 0.0865, 0.093])
    gyro = within._Instrument(feel, t, 0.01, values, known)
    use = known[:, 1]
    curve, bend = within._smooth(t[use], feel)
    smooth, y = curve + 1e5**2 * bend, values[use, 1]
    (blow,) = gyro._departures(grid, t[use], grid[0])
    calm = stats.multivariate_normal(cov=smooth).logpdf(y)
    want = [stats.multivariate_normal(cov=smooth + b).logpdf(y) - calm for b in blow]
    np.testing.assert_allclose(gyro.gain(grid, grid[0]), want, atol=1e-3)
    assert np.allclose(blow[1][:7], 0.0)  # samples that ended before show nothing of it


def test_smooth_motion_has_the_covariance_of_integrated_white_noise():
    """Against its own definition: the integral over u of (s - u)^2 (t - u)^2 / 4."""
    t = np.array([0.0, 0.013, 0.05])
    _, bend = within._smooth(t, within._GYRO)
    s = t - t[0] + 1e-3
    for i in range(3):
        for k in range(3):
            u = np.linspace(0, min(s[i], s[k]), 20001)
            want = np.trapezoid((s[i] - u) ** 2 * (s[k] - u) ** 2 / 4, u)
            assert bend[i, k] == pytest.approx(want, rel=1e-6)
