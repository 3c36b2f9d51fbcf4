"""Real exports, against what their documentation says of rate, units and gravity."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from imu.errors import UsageError
from imu.inspection import inspect
from imu.readers import read

LOGGERS = Path(__file__).parent / "data" / "loggers"
DATA = Path(os.environ.get("CUPBOW_DATA", Path(__file__).parents[2] / "shared" / "data"))


def shared(name: str) -> Path:
    if not (DATA / name).exists():
        pytest.skip(f"real recording {name} is not here (set CUPBOW_DATA to its folder)")
    return DATA / name


# Published with the package that carries them, see data/loggers/README.md: what the header or the
# package's own reader states. Gravity within 3 % of 9.80665 m/s^2 (consumer sensors, uncalibrated).
@pytest.mark.parametrize(
    ("name", "rate_hz", "rows", "accel_unit", "gyro_unit", "time_unit"),
    [
        ("data_ngimu_sensors.csv.gz", 50.0, 499, "g", "deg/s", "s"),
        ("data_xio3_Inertial.csv.gz", 50.0, 500, "g", "deg/s", "us"),
        ("data_xsens.txt.gz", 50.0, 953, "m/s^2", "rad/s", "samples"),
        ("data_xsens2.txt.gz", 120.0, 1495, "m/s^2", "rad/s", "samples"),
        ("data_yei.txt.gz", 110.0, 1499, "g", "rad/s", "us"),
        ("data_polulu.txt.gz", 149.6, 3653, "counts", "counts", "ms"),
    ],
)
def test_exports_of_general_loggers_are_read_without_a_hint(
    name: str, rate_hz: float, rows: int, accel_unit: str, gyro_unit: str, time_unit: str
) -> None:
    found = inspect(LOGGERS / name)
    assert found.needs == ()
    (stream,) = found.streams
    assert (stream.accel_unit, stream.gyro_unit, stream.time_unit) == (accel_unit, gyro_unit, time_unit)
    assert stream.samples == rows
    assert stream.rate_hz == pytest.approx(rate_hz, rel=0.01)
    assert stream.gravity_still_m_s2 == pytest.approx(9.80665, rel=0.03)
    assert stream.has_gravity


def test_a_file_of_raw_counts_lasts_as_long_as_its_reader_says() -> None:
    """Without header, time of the inertial columns in the tenth, some 25 s (the package's reader). The board's
    gyroscope has 8.75 mdps a count at its range of 245 deg/s (data sheet of L3GD20H, from memory)."""
    found = inspect(LOGGERS / "data_polulu.txt.gz")
    (sensor,) = found.understood.sensors
    assert found.streams[0].seconds == pytest.approx(25.0, abs=1.0)
    assert sensor.columns == {"t": 10, "ax": 1, "ay": 2, "az": 3, "gx": 4, "gy": 5, "gz": 6}
    assert sensor.gyro_sensitivity == pytest.approx(1000 / 8.75, rel=1e-4)
    assert any("raw counts" in d for d in found.streams[0].doubts)


def test_a_packet_number_is_not_time() -> None:
    """One hint is needed, and named in one line: the rate."""
    found = inspect(LOGGERS / "data_xio_00033_CalInertialAndMag.csv.gz")
    assert len(found.needs) == 1
    assert "--rate" in found.needs[0]
    assert "Packet number" in found.needs[0]
    with pytest.raises(UsageError, match="--rate"):
        read(LOGGERS / "data_xio_00033_CalInertialAndMag.csv.gz", roles="hand", handed="right")
    recording = read(LOGGERS / "data_xio_00033_CalInertialAndMag.csv.gz", roles="hand", handed="right", rate=256.0)
    stream = recording.streams["hand"]
    assert (stream.accel_unit, stream.gyro_unit) == ("g", "deg/s")
    # Lost packets stay lost: the counter has gaps, and the stamps have them too.
    assert np.isclose(np.diff(stream.t_s).min(), 1 / 256.0)
    assert np.diff(stream.t_s).max() > 1.5 / 256.0


def test_optical_benchmark_recording() -> None:
    """BROAD (doi:10.3390/data6070072): 285.714 Hz, 17143 rows, first 10 s still, specific force."""
    recording = read(shared("broad_trial09_60s.csv"), roles="hand", handed="right")
    s = recording.streams["hand"]
    assert len(s) == 17143
    assert (len(s) - 1) / (s.t_s[-1] - s.t_s[0]) == pytest.approx(285.714, rel=1e-4)
    assert not s.units_inferred
    still = s.accel[s.t_s < 10].mean(axis=0)
    assert np.linalg.norm(still) == pytest.approx(9.80665, rel=0.02)
    assert s.gyro[s.t_s < 10].std() < 0.02


def test_two_sensors_across_a_wrist() -> None:
    """Facts of the data's README: 100 Hz, |a| at rest 9.96 and 10.04, fastest 8.0 rad/s; no units
    are in the file, so all are found from the numbers."""
    recording = read(shared("wrist_forearm_hand_60s.csv"), handed="right")
    assert list(recording.streams) == ["forearm", "hand"]
    for role, gravity in (("forearm", 9.96), ("hand", 10.04)):
        s = recording.streams[role]  # type: ignore[index]
        assert s.units_inferred
        assert (s.accel_unit, s.gyro_unit) == ("m/s^2", "rad/s")
        assert np.linalg.norm(s.accel[(s.t_s > 17) & (s.t_s < 38)], axis=1).mean() == pytest.approx(gravity, abs=0.02)
        assert np.linalg.norm(s.gyro, axis=1).max() <= 8.1
    fastest = max(np.linalg.norm(s.gyro, axis=1).max() for s in recording.streams.values())
    assert fastest == pytest.approx(8.0, abs=0.1)


def test_irregular_logger_with_units_in_its_header() -> None:
    """Facts of the data's README: dt 7.6 to 30.2 ms, |a| 0.9933 g in the first 2 s."""
    recording = read(shared("xio_sensor_data_20s.csv"), roles="forearm", handed="left")
    s = recording.streams["forearm"]
    assert len(s) == 2000
    dt = np.diff(s.t_s)
    assert (dt.min(), dt.max()) == (pytest.approx(0.0076, abs=1e-4), pytest.approx(0.0302, abs=1e-4))
    still = np.linalg.norm(s.accel[s.t_s < 2], axis=1).mean()
    assert still == pytest.approx(0.9933 * 9.80665, rel=1e-3)


@pytest.mark.parametrize("hidden", [False, True])
def test_units_are_found_where_the_header_does_not_say(tmp_path: Path, hidden: bool) -> None:
    """The real recording with the units taken out of its header, and its numbers as they are."""
    source = shared("xio_sensor_data_20s.csv").read_text()
    header, _, body = source.partition("\n")
    if hidden:
        header = ",".join(n.split(" (")[0] for n in header.split(","))
    (tmp_path / "log.csv").write_text(f"{header}\n{body}")
    s = read(tmp_path / "log.csv", roles="club", handed="right").streams["club"]
    assert (s.accel_unit, s.gyro_unit, s.units_inferred) == ("g", "deg/s", hidden)
