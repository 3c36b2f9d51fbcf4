"""Picking up, stretching and tapping a shoe turn the club out and back as slowly as a rehearsal, but do not come back
to where they began."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from imu import calibration, swing
from imu.recording import GRAVITY, Stream
from imu.timebase import uniform

RATE_HZ = 200.0
DOWN = Rotation.from_euler("x", -135, degrees=True)  # the sensor's z points down and forward, as a shaft does


def minimum_jerk(u: np.ndarray) -> np.ndarray:
    """From 0 to 1 (Flash & Hogan 1985, J Neurosci 5:1688-1703)."""
    u = np.clip(u, 0, 1)
    return u**3 * (10 - 15 * u + 6 * u**2)


def club(turns: list[tuple[str, float, float, float]], seconds: float = 12.0):
    """A club sensor that turns about level axes, each (axis, degrees, start s, duration s), the later ones on top of the
    earlier; rests of several seconds before and after."""
    t = np.arange(int(seconds * RATE_HZ) + 1) / RATE_HZ
    attitude = Rotation.identity(len(t))
    for axis, degrees, start, duration in turns:
        vector = np.radians(degrees) * np.eye(3)["xyz".index(axis)]
        attitude = Rotation.from_rotvec(np.outer(minimum_jerk((t - start) / duration), vector)) * attitude
    attitude = attitude * DOWN
    gyro = (attitude[:-1].inv() * attitude[1:]).as_rotvec() * RATE_HZ
    accel = attitude[:-1].inv().apply([0.0, 0.0, GRAVITY])
    noise = np.random.default_rng(0).normal(0, 1, (len(gyro), 6)) * [1e-3] * 6
    samples = uniform(Stream("club", t[:-1], accel + 10 * noise[:, 3:], gyro + noise[:, :3], source="club.csv"))
    return swing.find(samples, calibration.quiet(samples))


@pytest.mark.parametrize("astray", [0.0, 25.0])
def test_a_slow_rehearsal_is_found(astray):
    """Back by 130 degrees in 1.3 s and through; it may come back with the face turned."""
    found = club([("x", 130, 4.0, 1.3), ("x", -260, 5.3, 1.6), ("z", astray, 5.3, 1.2)])
    assert len(found) == 1
    assert found[0].top_s == pytest.approx(5.3, abs=0.1)


def test_what_comes_back_elsewhere_is_none():
    assert club([("x", 130, 4.0, 1.3), ("x", -260, 5.3, 1.6), ("z", 80, 5.3, 1.2)]) == []


def test_a_fast_one_is_kept_however_it_comes_back():
    """Where a clipped gyro loses a turn the attitude is not to be believed."""
    found = club([("x", 180, 4.0, 0.9), ("x", -300, 4.9, 0.6), ("z", 80, 4.9, 0.3)])
    assert len(found) == 1


@pytest.mark.parametrize(("through", "found"), [(22.0, 1), (8.0, 0)])
def test_a_punched_shot_is_found_though_it_is_held_off_soon_after_contact(through, found):
    assert len(club([("x", 120, 4.0, 0.8), ("x", -120 - through, 4.8, 0.35)])) == found
