"""Recordings from disk: any logger's files, read to SI.

recording = read("lesson-folder")
recording = read("export.csv", handed="right", roles="forearm")
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from imu.recording import Handedness, Recording, Role

if TYPE_CHECKING:
    from imu.readers.delimited import Progress

__all__ = ["read"]


def read(
    path: Path | str,
    *,
    handed: Handedness | None = None,
    roles: Role | Mapping[str, Role] | None = None,
    columns: Mapping[str, str | int] | None = None,
    accel_unit: str | None = None,
    gyro_unit: str | None = None,
    time_unit: str | None = None,
    rate: float | None = None,
    accel_sensitivity: float | None = None,
    gyro_sensitivity: float | None = None,
    progress: Progress | None = None,
) -> Recording:
    """Read a recording: a folder (with or without `recording.toml`), a zip of one, or one data
    file (delimited text, gzipped or not, or Parquet) with one or several sensors.

    What the files do not say is worked out from the numbers and noted in each stream; where that
    cannot be done, a `UsageError` of one line says which hint is needed.

    handed: the golfer's, needed where no manifest says it.
    roles: "forearm", "hand" or "club" for a single sensor, else from the name that the file has
        for a sensor (file name, column prefix or device name) to its role.
    columns: t, ax, ay, az, gx, gy, gz to column names, or positions counted from 1.
    accel_unit: m/s^2, g, mg or counts. gyro_unit: rad/s, deg/s, mdeg/s or counts.
    time_unit: s, ms, us, ns or iso. rate: sampling rate in Hz, where no column gives time.
    accel_sensitivity, gyro_sensitivity: counts per g, counts per deg/s.
    progress: called with the number of bytes done since its last call.
    """
    from imu.readers import folders
    from imu.readers.hints import Hints

    hints = Hints(
        columns=columns or {},
        accel_unit=accel_unit,
        gyro_unit=gyro_unit,
        time_unit=time_unit,
        rate_hz=rate,
        accel_sensitivity=accel_sensitivity,
        gyro_sensitivity=gyro_sensitivity,
    )
    return folders.understand(path, hints=hints, roles=roles, handed=handed, progress=progress).recording()
