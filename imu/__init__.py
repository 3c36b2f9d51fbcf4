"""Wearable IMU recordings of golf swings, measured: wrist, forearm, face and shaft.

import imu
result = imu.measure("recordings/lesson-1")
result.table()
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from imu.measured import Measurement as Measurement
    from imu.measuring import calibrate as calibrate
    from imu.measuring import measure as measure

__all__ = ["Measurement", "calibrate", "measure"]


def __getattr__(name: str) -> Any:
    # Loaded when asked for: `cupbow --help` must not wait for numpy.
    if name in ("measure", "calibrate"):
        from imu import measuring

        return getattr(measuring, name)
    if name == "Measurement":
        from imu.measured import Measurement

        return Measurement
    raise AttributeError(f"module 'imu' has no attribute {name!r}")
