"""What no wrist can do is not told as if one had: active range of motion is some 76/75 deg in flexion and extension and
22/36 deg in radial and ulnar deviation (Boone & Azen 1979, J Bone Joint Surg 61A:756-759)."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from imu.measured import Value
from imu.swing_values import _no_wrist, _twist_there, _within_reach

T = np.arange(0.0, 1.5, 0.005)


def trace(flexion_deg: np.ndarray, deviation_deg: np.ndarray, u95_deg: float = 3.0):
    value = {"wrist_flexion": np.radians(flexion_deg), "wrist_deviation": np.radians(deviation_deg)}
    sd = {k: np.full(len(T), np.radians(u95_deg) / 1.96) for k in value}
    return SimpleNamespace(value=value, t_s=T), sd


def test_the_whole_range_of_a_supple_wrist_is_believed():
    assert not _no_wrist(*trace(85 * np.sin(7 * T), 45 * np.cos(5 * T)))


@pytest.mark.parametrize(("flexion", "deviation"), [(0.0, 120.0), (0.0, -100.0), (130.0, 0.0), (-140.0, 0.0)])
def test_a_lost_turn_is_not(flexion, deviation):
    lost = np.where(T > 0.9, 1.0, 0.0)
    assert _no_wrist(*trace(flexion * lost, deviation * lost))


def test_doubt_is_allowed_for_and_a_spike_is_no_turn():
    assert not _no_wrist(*trace(0 * T, 100 + 0 * T, u95_deg=45.0))
    assert not _no_wrist(*trace(0 * T, np.where(np.abs(T - 1) < 0.006, 120.0, 0.0)))


@pytest.mark.parametrize(
    ("angle", "value", "told"), [("wrist_deviation", 60.0, True), ("wrist_deviation", -90.0, False)]
)
def test_values_beyond_are_null_with_a_reason(angle, value, told):
    out = _within_reach(angle, Value(value, 4.0))
    assert (out.value_deg == value) == told
    assert (out.reason is None) == told


def test_a_moment_at_which_hand_and_forearm_are_twisted_is_doubted_there_and_not_elsewhere():
    """Axial residuals of a swing as the fit leaves them: 0.1 deg throughout, but 12 deg where a guess was wrong."""
    t = np.arange(1.0, 2.0, 0.02)
    axial = np.full(len(t), np.radians(0.1))
    axial[np.abs(t - 1.6) < 0.03] = np.radians(-12.0)
    problem = SimpleNamespace(windows=[SimpleNamespace(wrist_s=t)], axial_sd=np.radians(0.2))
    solution = SimpleNamespace(series=[{"axial": axial}], problem=problem)
    assert np.degrees(_twist_there(solution, 0, 1.62)) == pytest.approx(12.0)
    assert _twist_there(solution, 0, 1.3) == 0.0
    problem.axial_sd = np.radians(4.0)  # a wrist that plays by as much everywhere
    assert _twist_there(solution, 0, 1.62) == 0.0
