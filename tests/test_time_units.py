"""Units of time where single steps or the size of stamps mislead: packets unpacked row by row, clocks since power-up."""

from __future__ import annotations

import numpy as np
import pytest

from imu import readers
from imu.errors import RecordingError
from imu.readers import stamps


def recording(folder, t, unit):
    """A still sensor at 200 Hz, as a folder with a manifest that states the unit of time."""
    folder.mkdir()
    rows = np.column_stack([t, np.tile([0.0, 0.0, 9.80665, 0.01, 0.0, 0.0], (len(t), 1))])
    rows[:, 1] += np.random.default_rng(0).normal(0, 0.02, len(t))
    np.savetxt(folder / "hand.csv", rows, delimiter=",", header="t,ax,ay,az,gx,gy,gz", comments="", fmt="%.6f")
    (folder / "recording.toml").write_text(
        'handedness = "right"\n[[sensor]]\nrole = "hand"\nfile = "hand.csv"\naccel_unit = "m/s^2"\n'
        f'gyro_unit = "rad/s"\ntime_unit = "{unit}"\n'
    )
    return folder


def unpacked(seconds=30.0, size=5):
    """Stamps in s of rows that a host stamps while it unpacks packets: 0.1 ms from one to the next in a packet."""
    n = int(seconds * 200) // size * size
    return (np.arange(n) // size + 1) * size / 200 + 1e-4 * (np.arange(n) % size)


@pytest.mark.parametrize(("unit", "scale"), [("s", 1.0), ("ms", 1e3), ("us", 1e6)])
def test_rows_of_a_packet_that_follow_each_other_closely_keep_the_stated_unit(tmp_path, unit, scale):
    stream = readers.read(recording(tmp_path / "r", unpacked() * scale, unit)).streams["hand"]
    assert np.ptp(stream.t_s) == pytest.approx(30.0, abs=0.1)
    assert stamps.guess_time_unit(unpacked() * scale).unit == unit


@pytest.mark.parametrize("up_s", [1000.0, 1500.0, 4000.0])
def test_microseconds_since_power_up_are_no_date(tmp_path, up_s):
    """1.5e9 is a day of 2017 in s, and 25 minutes in us; rows 5000 apart are no seconds."""
    t = (up_s + np.arange(6000) / 200) * 1e6
    stream = readers.read(recording(tmp_path / "r", t, "us")).streams["hand"]
    assert np.ptp(stream.t_s) == pytest.approx(30.0, abs=0.1)
    assert stamps.guess_time_unit(t).unit == "us"


def test_seconds_since_1970_still_are(tmp_path):
    t = 1_500_000_000.0 + np.arange(6000) / 200
    assert stamps.guess_time_unit(t).unit == "s"
    with pytest.raises(RecordingError, match="time_unit 'us' does not fit"):
        readers.read(recording(tmp_path / "r", t, "us"))
