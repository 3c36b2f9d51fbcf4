"""Stamps that a host counted back from a packet's arrival, one period a row: packets seem to overlap, rows are in order."""

from __future__ import annotations

import numpy as np
import pytest

from imu import readers
from imu.readers.stamps import Tally, counted_back
from imu.timebase import uniform


def packets(rate_hz: float, size: int, seed: int, seconds: float = 40.0, lost: float = 0.02):
    """Arrivals of packets of which some wait (exponentially, 4 ms), and the numbers of the rows that came."""
    rng = np.random.default_rng(seed)
    n = int(seconds * rate_hz) // size * size
    number = np.arange(n)
    came = np.repeat(rng.random(n // size) >= lost, size)
    ready = (np.arange(n // size) + 1) * size / rate_hz
    arrival = np.maximum.accumulate(ready + rng.exponential(0.004, n // size))
    return np.repeat(arrival, size)[came], number[came]


def back(rate_hz: float, size: int, seed: int, digits: int = 4):
    arrival, number = packets(rate_hz, size, seed)
    return np.round(arrival - (size - 1 - number % size) / rate_hz, digits), arrival, number


@pytest.mark.parametrize(("rate_hz", "size", "digits"), [(100, 5, 4), (200, 8, 3), (400, 4, 4), (400, 10, 6)])
def test_the_arrivals_come_back(rate_hz, size, digits):
    t, arrival, _ = back(rate_hz, size, 1, digits)
    found = counted_back(t, Tally())
    assert np.mean(np.abs(found - arrival) < 2 * 10.0**-digits) > 0.99


@pytest.mark.parametrize("rate_hz", [100, 400])
def test_rows_keep_their_order_and_their_place(tmp_path, rate_hz):
    """Read and placed on a clock, every row stands where it was taken, which its own acceleration tells."""
    t, _, number = back(rate_hz, 5, 2)
    assert (np.diff(t) < 0).any()
    mark = np.sin(number / rate_hz)
    rows = np.column_stack([t, mark, 0 * t, 9.8 + 0 * t, 0.1 * mark, 0 * t, 0 * t])
    np.savetxt(
        tmp_path / "hand.csv",
        rows,
        delimiter=",",
        header="t,ax,ay,az,gx,gy,gz",
        comments="",
        fmt=["%.4f"] + ["%.9f"] * 6,
    )
    (tmp_path / "recording.toml").write_text(
        'handedness = "right"\n[[sensor]]\nrole = "hand"\nfile = "hand.csv"\naccel_unit = "m/s^2"\ngyro_unit = "rad/s"\n'
        'time_unit = "s"\n'
    )
    stream = readers.read(tmp_path).streams["hand"]
    assert np.allclose(stream.accel[:, 0], mark, atol=1e-8)
    samples = uniform(stream)
    placed = np.flatnonzero(samples.present) + number[0]
    assert np.mean(placed == number) > 0.99


def test_a_clocks_own_stamps_stay():
    """Exact, in ticks of a millisecond, with packets lost, or shared by the rows of a packet."""
    arrival, number = packets(200, 5, 3)
    for own in (
        number / 200,
        np.floor(number / 0.208) / 1000,
        np.floor(number * 2.5) / 1000,
        number / 200 + 3e-5 * np.sin(number),
        arrival,
    ):
        tally = Tally()
        assert counted_back(own, tally) is own
        assert not tally.notes
