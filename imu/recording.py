"""The vocabulary of the project, and a recording as it came from the sensors.

Everything inside the code is SI: seconds, metres, m/s^2, radians, rad/s. Degrees exist only at
the edges (files, screens, commands), where a name that carries degrees ends in `_deg`.
Quaternions are arrays (..., 4), scalar first (w, x, y, z), unit length; `q_a_to_b` turns the
coordinates of a vector in frame a into its coordinates in frame b.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

GRAVITY = 9.80665
"""Standard acceleration of gravity in m/s^2 (CGPM 1901)."""

ROLES = ("forearm", "hand", "club")
"""Where a sensor is worn: lead forearm just above the wrist, back of the lead hand, shaft below the grip."""

Role = Literal["forearm", "hand", "club"]
Handedness = Literal["right", "left"]

POSES = ("hang", "handshake", "club_square", "club_hang", "grip_flat")
"""Calibration poses that a manifest may mark; `docs/` and the guide say how each is held."""

EVENTS = (
    "address",
    "takeaway",
    "shaft_level_back",
    "arm_level_back",
    "top",
    "arm_level_down",
    "shaft_level_down",
    "impact",
    "shaft_level_through",
    "finish",
)
"""Events of a swing, in order."""

ANGLES = (
    "wrist_flexion",
    "wrist_deviation",
    "forearm_roll",
    "face_to_forearm",
    "face_since_address",
    "face_roll",
    "shaft_elevation",
    "shaft_past_level",
    "shaft_off_plane",
)
"""Angles that are reported, in the order of reports. Signs: `SIGNS`."""

SIGNS: Mapping[str, tuple[str, str]] = {
    "wrist_flexion": ("bowed", "cupped"),
    "wrist_deviation": ("ulnar", "radial"),
    "forearm_roll": ("pronation", "supination"),
    "face_to_forearm": ("open", "closed"),
    "face_since_address": ("open", "closed"),
    "face_roll": ("opening", "closing"),
    "shaft_elevation": ("head above hands", "head below hands"),
    "shaft_past_level": ("past level", "short of level"),
    "shaft_off_plane": ("steep", "shallow"),
}
"""Angle -> (what a positive value means, what a negative value means); the same on either arm."""

TEMPO = ("backswing_s", "downswing_s", "ratio")
"""Times of a swing, and how they go together; measures are named `tempo@ratio`."""

KINDS = ("full", "partial", "slow")


@dataclass(frozen=True, eq=False)
class Stream:
    """Samples of one sensor, in SI, in the order they were taken.

    `t_s` are the stamps as the file has them, converted to seconds; whether they are device ticks,
    batched, or arrival times is the business of `imu.timebase`. Rows that carry no usable sample
    are left out here and counted in `dropped_rows`.
    """

    role: Role
    t_s: Array  # (n,) seconds, non-decreasing
    accel: Array  # (n, 3) specific force, m/s^2 (+g up at rest)
    gyro: Array  # (n, 3) rad/s
    source: str  # file name, or device name, for messages
    accel_range: float | None = None  # m/s^2, full scale
    gyro_range: float | None = None  # rad/s, full scale
    accel_unit: str = "m/s^2"  # as understood in the file
    gyro_unit: str = "rad/s"
    time_unit: str = "s"
    units_inferred: bool = False
    has_gravity: bool = True
    dropped_rows: int = 0  # rows without a usable sample: NaN, duplicates, cut lines
    reordered_rows: int = 0
    notes: tuple[str, ...] = ()  # what was understood and why, one line each

    def __len__(self) -> int:
        return len(self.t_s)


@dataclass(frozen=True)
class Pose:
    """A calibration pose held from `start_s` to `end_s`, seconds from the first sample of the
    first sensor, on its clock."""

    name: str
    start_s: float
    end_s: float


@dataclass(frozen=True, eq=False)
class Recording:
    """What a folder or file of sensor data holds, before any interpretation.

    `streams` is in the order of the manifest: its first entry owns the clock on which poses and
    events are given.
    """

    streams: Mapping[Role, Stream]
    handedness: Handedness
    club: str | None = None
    recorded_at: datetime | None = None
    poses: tuple[Pose, ...] = ()
    path: Path | None = None
    warnings: tuple[str, ...] = ()
    extra: Mapping[str, object] = field(default_factory=dict)  # manifest fields of no meaning to measuring

    @property
    def first_role(self) -> Role:
        return next(iter(self.streams))

    def with_warnings(self, *lines: str) -> Recording:
        return replace(self, warnings=(*self.warnings, *lines))
