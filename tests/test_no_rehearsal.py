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


def begun(*swings: tuple[float, float, float]) -> list[swing.Rough]:
    """What is kept of swings, each by its peak rate in deg/s, its downswing in s and how far the sensor's vertical at
    takeaway is from address in degrees."""
    t = np.arange(int(10 * len(swings) * RATE_HZ)) / RATE_HZ
    up = np.array([swings[int(i)][2] for i in t // 10.0])
    accel = GRAVITY * np.column_stack([np.sin(np.radians(up)), 0 * up, np.cos(np.radians(up))])
    samples = uniform(Stream("club", t, accel, np.full_like(accel, 0.01), source="club.csv"))
    rough = [
        swing.Rough(10.0 * i + 4, 10.0 * i + 5, 10.0 * i + 5 + down, 10.0 * i + 8, 2.0, np.radians(peak))
        for i, (peak, down, _) in enumerate(swings)
    ]
    kept = swing.begun_alike(rough, [samples])
    return [r for r in rough if r in kept]


def test_who_rehearses_stands_as_for_the_others():
    kept = begun((1500, 0.3, 0.0), (350, 0.8, 6.0), (350, 0.8, 30.0), (1400, 0.3, 4.0), (1300, 3.0, 50.0))
    assert [round(r.takeaway_s) for r in kept] == [4, 14, 34]


def test_rehearsals_alone_and_all_at_speed_are_kept():
    assert len(begun((350, 0.8, 0.0), (350, 0.8, 30.0))) == 2
    assert len(begun((1500, 0.3, 0.0), (1500, 0.3, 40.0), (900, 0.3, 25.0))) == 3
