"""`recording.toml`: what lies in a recording folder, checked field by field.

Every fault is one line that names the field and what it should be.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time
from typing import Any, TypeGuard, cast

from imu.errors import RecordingError, UsageError
from imu.readers import units
from imu.readers.files import MANIFEST, safe
from imu.readers.hints import COLUMNS, Hints
from imu.recording import POSES, ROLES, Handedness, Pose, Role

_TOP = ("handedness", "club", "recorded_at", "sensor", "pose")
_SENSOR = (
    "role", "file", "columns", "accel_unit", "gyro_unit", "time_unit", "accel_range", "gyro_range",
    "accel_sensitivity", "gyro_sensitivity", "rate", "device",
)  # fmt: skip


@dataclass(frozen=True)
class SensorEntry:
    """One [[sensor]]. `files` has more than one name where quantities are stored apart; `device`
    says which of several sensors in one file is meant."""

    role: Role
    files: tuple[str, ...]
    hints: Hints
    accel_range: float | None = None  # in accel_unit
    gyro_range: float | None = None
    device: str | None = None


@dataclass(frozen=True)
class Manifest:
    sensors: tuple[SensorEntry, ...]
    handedness: Handedness | None
    club: str | None = None
    recorded_at: datetime | None = None
    poses: tuple[Pose, ...] = ()
    extra: Mapping[str, Any] = field(default_factory=dict)


def parse(text: str) -> Manifest:
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise RecordingError(f"{MANIFEST}: is not valid TOML: {error}") from None
    except RecursionError:
        raise RecordingError(f"{MANIFEST}: is nested too deeply") from None
    handedness = data.get("handedness")
    if handedness is not None and handedness not in ("right", "left"):
        raise _fault("handedness", handedness, '"right" or "left"')
    club = _get(data, "club", str, "a text")
    recorded_at = data.get("recorded_at")
    if isinstance(recorded_at, date) and not isinstance(recorded_at, datetime):
        recorded_at = datetime.combine(recorded_at, time())
    if recorded_at is not None and not isinstance(recorded_at, datetime):
        raise _fault("recorded_at", recorded_at, "a date and time such as 2026-05-03T10:12:00+01:00, without quotes")
    sensors = data.get("sensor")
    if not isinstance(sensors, list) or not sensors or not all(isinstance(s, dict) for s in sensors):
        raise RecordingError(f"{MANIFEST}: has no [[sensor]] tables; add one for each sensor, with its role and file")
    entries = tuple(_sensor(s, i) for i, s in enumerate(sensors, 1))
    roles = [e.role for e in entries]
    for role in roles:
        if roles.count(role) > 1:
            raise RecordingError(
                f"{MANIFEST}: role {role!r} is given {roles.count(role)} times; each role is worn by one sensor"
            )
    poses = data.get("pose", [])
    if not isinstance(poses, list) or not all(isinstance(p, dict) for p in poses):
        raise RecordingError(f"{MANIFEST}: poses are given as [[pose]] tables with name, start and end")
    return Manifest(
        sensors=entries,
        handedness=cast("Handedness | None", handedness),
        club=club,
        recorded_at=recorded_at,
        poses=tuple(_pose(p, i) for i, p in enumerate(poses, 1)),
        extra={k: v for k, v in data.items() if k not in _TOP},
    )


def _sensor(data: Mapping[str, Any], number: int) -> SensorEntry:
    where = f"sensor {number}"
    role = data.get("role")
    if role not in ROLES or not isinstance(role, str):
        raise _fault(f"{where}: role", role, " or ".join(f'"{r}"' for r in ROLES))
    where = f"sensor {number} ({role})"
    for key in data:
        if key not in _SENSOR:
            raise RecordingError(f"{MANIFEST}, {where}: field {safe(key)!r} is not known; use {', '.join(_SENSOR)}")
    file = data.get("file")
    files = [file] if isinstance(file, str) else file
    if not isinstance(files, list) or not files or not all(isinstance(f, str) and f for f in files):
        raise _fault(f"{where}: file", file, "a file name, or a list of them")
    for name in files:
        parts = name.replace("\\", "/").split("/")
        if name.startswith(("/", "\\")) or ".." in parts or ":" in name:
            raise RecordingError(
                f"{MANIFEST}, {where}: file {safe(name)!r} leads out of the recording; name a file inside it"
            )
    columns = data.get("columns", {})
    if not isinstance(columns, dict) or not all(
        isinstance(v, str) or (isinstance(v, int) and not isinstance(v, bool)) for v in columns.values()
    ):
        raise _fault(f"{where}: columns", columns, 'a table such as {t = "time", ax = "acc_x"}')
    for key in columns:
        if key not in COLUMNS:
            raise RecordingError(f"{MANIFEST}, {where}: columns.{safe(key)} is not known; use {', '.join(COLUMNS)}")
    known = {
        "accel_unit": (*units.ACCEL_UNITS, units.COUNTS),
        "gyro_unit": (*units.GYRO_UNITS, units.COUNTS),
        "time_unit": (*units.TIME_UNITS, "iso"),
    }
    for key, allowed in known.items():
        value = data.get(key)
        if value is not None and (not isinstance(value, str) or value not in allowed):
            raise _fault(f"{where}: {key}", value, " or ".join(f'"{u}"' for u in allowed))
    numbers = {
        key: _positive(data, key, where)
        for key in ("accel_range", "gyro_range", "accel_sensitivity", "gyro_sensitivity", "rate")
    }
    try:
        hints = Hints(
            columns=columns,
            accel_unit=data.get("accel_unit"),
            gyro_unit=data.get("gyro_unit"),
            time_unit=data.get("time_unit"),
            rate_hz=numbers["rate"],
            accel_sensitivity=numbers["accel_sensitivity"],
            gyro_sensitivity=numbers["gyro_sensitivity"],
        )
    except UsageError as error:
        raise RecordingError(f"{MANIFEST}, {where}: {error}") from None
    device = _get(data, "device", str, "a text", where)
    return SensorEntry(cast(Role, role), tuple(files), hints, numbers["accel_range"], numbers["gyro_range"], device)


def _pose(data: Mapping[str, Any], number: int) -> Pose:
    where = f"pose {number}"
    name = data.get("name")
    if name not in POSES or not isinstance(name, str):
        raise _fault(f"{where}: name", name, " or ".join(f'"{p}"' for p in POSES))
    times = []
    for key in ("start", "end"):
        value = data.get(key)
        if not _is_number(value) or not 0 <= value < 1e7:
            raise _fault(f"{where} ({name}): {key}", value, "seconds from the first sample of the first sensor")
        times.append(float(value))
    if times[1] <= times[0]:
        raise RecordingError(
            f"{MANIFEST}, {where} ({name}): ends at {times[1]:g} s, not after its start at {times[0]:g} s"
        )
    return Pose(name, times[0], times[1])


def _is_number(value: object) -> TypeGuard[int | float]:
    return isinstance(value, int | float) and not isinstance(value, bool) and value == value


def _positive(data: Mapping[str, Any], key: str, where: str) -> float | None:
    value = data.get(key)
    if value is None:
        return None
    if not _is_number(value) or not 0 < value < 1e9:
        raise _fault(f"{where}: {key}", value, "a positive number")
    return float(value)


def _get(data: Mapping[str, Any], key: str, kind: type, what: str, where: str = "") -> Any:
    value = data.get(key)
    if value is not None and not isinstance(value, kind):
        raise _fault(f"{where}: {key}" if where else key, value, what)
    return value


def _fault(field_name: str, value: object, expected: str) -> RecordingError:
    given = "is missing" if value is None else f"is {safe(repr(value))}"
    return RecordingError(f"{MANIFEST}, {field_name}: {given}; it should be {expected}")
