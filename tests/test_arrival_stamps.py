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


def packets(
    seed: int, *, spread_s: float = 0.0, grid_s: float = 0.0, rate_hz: float = 200.0, size: int = 6, ppm: float = 0.0
):
    """Stamps and true numbers of samples sent in packets: the rows of one stand `spread_s` apart, as a host unpacks them;
    radios may send on a grid of connection events only."""
    rng = np.random.default_rng(seed)
    n = int(60.0 * rate_hz) // size * size
    ready = (np.arange(n // size) + 1) * size / rate_hz
    arrival = np.maximum.accumulate(ready + rng.exponential(0.004, len(ready)))
    if grid_s:
        events = np.ceil(ready * (1 + ppm * 1e-6) / grid_s + rng.uniform(0, 1, len(ready))) * grid_s
        arrival = np.maximum.accumulate(events + rng.uniform(0, 0.0015 if ppm else 0.0, len(ready)))
    lost = rng.random(len(ready)) < 0.03
    lost[[0, -1]] = False
    number = np.arange(n)
    stamps = arrival[number // size] + spread_s * (number % size)
    kept = ~lost[number // size]
    return np.maximum.accumulate(stamps)[kept], number[kept]


@pytest.mark.parametrize("seed", range(4))
def test_rows_that_a_host_unpacks_one_by_one_are_one_packet(seed):
    stamps, number = packets(seed, spread_s=1e-4)
    still = np.zeros((len(stamps), 3))
    samples = uniform(Stream("hand", stamps, still + np.array([0.0, 0.0, 9.81]), still, source="hand.csv"))
    off = np.flatnonzero(samples.present) - number
    assert np.mean(off == np.bincount(off - off.min()).argmax() + off.min()) > 0.97
    assert samples.period_s == pytest.approx(1 / 200.0, rel=1e-5)


@pytest.mark.parametrize("size", [4, 6])
def test_radios_that_send_on_a_grid_are_read(size):
    stamps, number = packets(1, grid_s=0.015, rate_hz=100.0, size=size)
    still = np.zeros((len(stamps), 3))
    samples = uniform(Stream("hand", stamps, still + np.array([0.0, 0.0, 9.81]), still, source="hand.csv"))
    off = np.flatnonzero(samples.present) - number
    assert np.mean(off == np.bincount(off - off.min()).argmax() + off.min()) > 0.97
    assert samples.period_s == pytest.approx(1 / 100.0, rel=1e-4)


@pytest.mark.parametrize(("rate_hz", "size"), [(200.0, 4), (400.0, 8)])
@pytest.mark.parametrize("seed", range(4))
def test_a_grid_does_not_round_the_period_away(rate_hz, size, seed):
    """Four packets take 80 ms, which a grid of 15 ms shows as 75."""
    stamps, _ = packets(seed, grid_s=0.015, rate_hz=rate_hz, size=size, ppm=40.0)
    still = np.zeros((len(stamps), 3))
    samples = uniform(Stream("hand", stamps, still + np.array([0.0, 0.0, 9.81]), still, source="hand.csv"))
    assert samples.period_s == pytest.approx(1 / rate_hz, rel=3e-3)
