"""Stamps given on arrival: what came before a loss keeps its place, however long the loss seemed."""

from __future__ import annotations

import numpy as np
import pytest

from imu.recording import Stream
from imu.timebase import uniform


def arrivals(seed: int, rate_hz: float = 400.0, seconds: float = 40.0) -> tuple[np.ndarray, np.ndarray]:
    """Stamps and true numbers of samples sent one by one: each waits for the radio some 3 ms, one in a hundred
    30 ms more, none overtakes, and bursts of some ten are lost. The first burst is early."""
    rng = np.random.default_rng(seed)
    n = int(rate_hz * seconds)
    kept = np.ones(n, bool)
    at = int(rng.integers(100, 400))
    while at < n:
        run = int(rng.geometric(0.1))
        kept[at : at + run] = False
        at += run + int(rng.geometric(0.005))
    number = np.flatnonzero(kept)
    late = rng.exponential(0.003, len(number)) + np.where(
        rng.random(len(number)) < 0.01, rng.exponential(0.03, len(number)), 0.0
    )
    return np.maximum.accumulate(number / rate_hz + late), number


@pytest.mark.parametrize("first", [0, 20, 40])
def test_the_first_samples_are_not_put_too_early(first):
    """The clock's zero is the first sample: the line through all stamps meets it within two samples."""
    for seed in range(first, first + 20):
        stamps, number = arrivals(seed)
        still = np.zeros((len(stamps), 3))
        samples = uniform(Stream("club", stamps, still + np.array([0.0, 0.0, 9.81]), still, source="club.csv"))
        placed = np.flatnonzero(samples.present)
        assert len(placed) == len(number)
        off = placed - number
        usual = np.bincount(off - off.min()).argmax() + off.min()
        assert abs(off[0] - usual) <= 2, seed
        assert np.mean(off == usual) > 0.8, seed
        assert abs(samples.start_s + samples.period_s * (usual - off[0])) < 0.006, seed


def test_the_clock_keeps_to_the_samples_for_an_hour():
    """In an hour hundreds of samples are numbered one too high and so seem early; the line follows the rest. A true
    clock that runs 40 ppm fast is the line; the radio's shortest waits are all that may stay between."""
    stamps, number = arrivals(1, seconds=3600.0)
    stamps = stamps * (1 + 40e-6)
    still = np.zeros((len(stamps), 3))
    samples = uniform(Stream("club", stamps, still + np.array([0.0, 0.0, 9.81]), still, source="club.csv"))
    placed = np.flatnonzero(samples.present)
    first = number[0] / 400.0 * (1 + 40e-6)
    off = samples.start_s + samples.period_s * (placed[[0, len(placed) // 2]] - placed[0]) - first
    true = (number[[0, len(number) // 2]] - number[0]) / 400.0 * (1 + 40e-6)
    assert np.abs(off - true - np.round((off - true) * 400) / 400).max() < 2e-4
    assert samples.period_s == pytest.approx((1 + 40e-6) / 400.0, rel=3e-8)
