"""Address is the last still moment: not the rest before the waggles, where the pause after them is short."""

from __future__ import annotations

import numpy as np
import pytest

from imu.swing import last_still

DEG = np.pi / 180
T = np.arange(0.0, 6.0, 0.005)


def speed(*bumps: tuple[float, float, float]) -> np.ndarray:
    """Rate of turn in rad/s: tremor of 2 deg/s, and half sines (from s, to s, deg/s)."""
    out = np.full(len(T), 2.0)
    for lo, hi, height in bumps:
        out += np.where((lo < T) & (hi > T), height * np.sin(np.pi * (T - lo) / (hi - lo)), 0.0)
    return out * DEG


def test_a_short_pause_after_waggles_is_the_address():
    rate = speed((1.5, 2.2, 60.0), (2.2, 2.9, 60.0), (3.1, 5.0, 200.0))
    assert 2.88 <= last_still(T, rate, rest_s=1.5, takeaway_s=3.12) <= 3.12


@pytest.mark.parametrize("height", [8.0, 20.0])
def test_sway_is_no_waggle(height):
    assert last_still(T, speed((1.6, 2.9, height), (3.1, 5.0, 200.0)), rest_s=1.5, takeaway_s=3.12) == 1.5


def test_a_forward_press_belongs_to_the_swing():
    """A press of 0.4 s just before takeaway: the address is the rest before it."""
    assert last_still(T, speed((2.6, 3.0, 50.0), (3.1, 5.0, 200.0)), rest_s=2.6, takeaway_s=3.12) == 2.6
