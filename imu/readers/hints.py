"""What the user says about a file that the file does not say itself."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from imu.errors import UsageError
from imu.readers import units

COLUMNS = ("t", "ax", "ay", "az", "gx", "gy", "gz")


@dataclass(frozen=True, kw_only=True)
class Hints:
    """Everything here goes before what the file says or what its numbers suggest.

    `columns` maps t, ax … gz to column names, or to positions counted from 1. Sensitivities are
    in counts per g and counts per deg/s; `rate_hz` gives the time where no column does.
    """

    columns: Mapping[str, str | int] = field(default_factory=dict)
    accel_unit: str | None = None
    gyro_unit: str | None = None
    time_unit: str | None = None
    rate_hz: float | None = None
    accel_sensitivity: float | None = None
    gyro_sensitivity: float | None = None

    def __post_init__(self) -> None:
        for name, value, known in (
            ("accel_unit", self.accel_unit, (*units.ACCEL_UNITS, units.COUNTS)),
            ("gyro_unit", self.gyro_unit, (*units.GYRO_UNITS, units.COUNTS)),
            ("time_unit", self.time_unit, (*units.TIME_UNITS, "iso")),
        ):
            if value is not None and value not in known:
                raise UsageError(f"{name} {value!r} is not known; use one of {', '.join(known)}")
        for name, number in (
            ("rate", self.rate_hz),
            ("accel_sensitivity", self.accel_sensitivity),
            ("gyro_sensitivity", self.gyro_sensitivity),
        ):
            if number is not None and not 0 < number < 1e9:
                raise UsageError(f"{name} must be a positive number, not {number!r}")
        for key in self.columns:
            if key not in COLUMNS:
                raise UsageError(f"columns: {key!r} is not known; use {', '.join(COLUMNS)}")
