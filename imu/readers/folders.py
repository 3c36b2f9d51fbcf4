"""A path to sensors: the manifest where there is one, else what the files themselves say."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import cast

import numpy as np

from imu.errors import CupbowError, RecordingError, UsageError
from imu.readers import channels, manifest, stamps, units
from imu.readers.delimited import Progress
from imu.readers.files import MANIFEST, Entry, Store, open_store, safe
from imu.readers.hints import Hints
from imu.readers.sensors import Sensor, join
from imu.readers.tables import Part, read_table
from imu.recording import ROLES, Handedness, Pose, Recording, Role

_DATA_ENDINGS = (".csv", ".txt", ".tsv", ".dat", ".log", ".parquet", ".pq", ".asc", ".lvm", ".tab", ".gz", ".data")


@dataclass
class Understood:
    """What a path holds, as far as it could be told, and what only the user can say (`needs`)."""

    path: Path
    sensors: list[Sensor]
    needs: list[str]
    handedness: Handedness | None
    club: str | None = None
    recorded_at: datetime | None = None
    poses: tuple[Pose, ...] = ()
    warnings: tuple[str, ...] = ()
    extra: Mapping[str, object] = field(default_factory=dict)
    from_manifest: bool = False

    def recording(self) -> Recording:
        """The recording, or one line that says what is needed first."""
        needs = [*self.needs, *(n for s in self.sensors for n in s.needs), *self.role_needs(), *self.handed_needs()]
        if not self.sensors and not needs:
            needs = [f"{safe(self.path)}: holds no sensor data that could be read"]
        if needs:
            raise UsageError(needs[0])
        assert self.handedness is not None
        return Recording(
            streams={
                cast(Role, s.role): s.stream(cast(Role, s.role), t)
                for s, t in zip(self.sensors, self.times(), strict=True)
            },
            handedness=self.handedness,
            club=self.club,
            recorded_at=self.recorded_at or self.started_at(),
            poses=self.poses,
            path=self.path,
            warnings=self.warnings,
            extra=self.extra,
        )

    def handed_needs(self) -> list[str]:
        if self.handedness is not None:
            return []
        return [
            f"{safe(self.path)}: does not say whether the golfer is right- or left-handed; give --handed right or left"
        ]

    def role_needs(self) -> list[str]:
        unknown = [s for s in self.sensors if s.role is None]
        if len(self.sensors) == 1 and unknown:
            return [f"{unknown[0].source}: does not say where the sensor was worn; give --role forearm, hand or club"]
        if unknown:
            named = " ".join(f"--role {_quoted(s.label)}=hand" for s in unknown)
            return [
                f"{safe(self.path)}: holds {len(self.sensors)} sensors and does not say where "
                f"{', '.join(repr(s.label) for s in unknown)} was worn; give {named} (forearm, hand or club each)"
            ]
        taken = [s.role for s in self.sensors]
        for role in ROLES:
            if sum(r == role for r in taken) > 1:
                twice = [s for s in self.sensors if s.role == role]
                named = " ".join(f"--role {_quoted(s.label)}={role}" for s in twice)
                return [f"{safe(self.path)}: {len(twice)} sensors look like the {role}; say which is which ({named})"]
        return []

    def times(self) -> list[np.ndarray]:
        """Stamps in seconds: absolute ones from the first sample of the first sensor on."""
        clocks = {s.clock for s in self.sensors}
        if len(clocks) != 1 or "own" in clocks:
            return [s.t_s for s in self.sensors]
        first = self.sensors[0].origin_s
        return [s.t_s + (s.origin_s - first) if s.origin_s != first else s.t_s for s in self.sensors]

    def started_at(self) -> datetime | None:
        """When the first sensor's first sample was taken, where its stamps are absolute."""
        return stamps.when(self.sensors[0].origin_s, self.sensors[0].clock) if self.sensors else None


@dataclass(frozen=True)
class _Said:
    """What the user says, of all files and of each by its name."""

    everywhere: Hints
    files: Mapping[str, Hints]

    def of(self, name: str, first: Hints | None = None) -> Hints:
        """The hints for a file; what is said here goes before `first`, of the file before all."""
        found = first or Hints()
        for hints in (self.everywhere, self.files.get(name)):
            if hints:
                found = replace(found, **{f.name: value for f in fields(hints) if (value := getattr(hints, f.name))})
        return found


def _quoted(label: str) -> str:
    return f'"{label}"' if " " in label else label


def understand(
    path: Path | str,
    *,
    hints: Hints | None = None,
    hints_of: Mapping[str, Hints] | None = None,
    roles: Role | Mapping[str, Role] | None = None,
    handed: Handedness | None = None,
    progress: Progress | None = None,
) -> Understood:
    """Everything that can be told about a path without asking. `hints_of` a file, by its name inside
    the recording, go before `hints`."""
    said = _Said(hints or Hints(), hints_of or {})
    if handed not in (None, "right", "left"):
        raise UsageError(f"handed must be right or left, not {handed!r}")
    for role in (roles,) if isinstance(roles, str) else (roles or {}).values():
        if role not in ROLES:
            raise UsageError(f"role {role!r} is not known; use forearm, hand or club")
    store = open_store(path)
    if store.manifest is not None:
        if roles:
            raise UsageError(f"{safe(store.path)}: {MANIFEST} says where the sensors were worn; correct it there")
        return _by_manifest(store, manifest.parse(store.manifest), said, handed, progress)
    return _by_content(store, said, roles, handed, progress)


def _by_manifest(
    store: Store, m: manifest.Manifest, said: _Said, handed: Handedness | None, progress: Progress | None
) -> Understood:
    sensors: list[Sensor] = []
    needs: list[str] = []
    entries: dict[str, Entry] = {}
    for spec in m.sensors:
        for name in spec.files:
            entry = store.entry(name)
            if entry is None:
                raise RecordingError(
                    f"{MANIFEST}: sensor {spec.role}: file {safe(name)!r} is not there; correct its name or add it"
                )
            entries[name] = entry
    cache: dict[tuple[tuple[str, ...], str], list[Sensor]] = {}
    for spec in m.sensors:
        hints = {name: said.of(name, spec.hints) for name in spec.files}
        key = (spec.files, repr(hints))
        if key not in cache:
            mine: list[str] = []
            parts = [p for name in spec.files for p in read_table(entries[name], hints[name], mine, progress)]
            cache[key] = join(parts, mine)
            if mine:
                raise UsageError(f"{mine[0]} or say it in {MANIFEST}")
        found = [s for s in cache[key] if spec.device is None or _same(s.device, spec.device)]
        sensor = replace(_pick(found, spec, cache[key]))
        if sensor.needs:
            raise UsageError(f"{sensor.needs[0]} or say it in {MANIFEST}")
        sensor.role = spec.role
        sensor.accel_range = _in_si(spec.accel_range, sensor.accel_unit, units.ACCEL_UNITS, "accel_range", sensor)
        sensor.gyro_range = _in_si(spec.gyro_range, sensor.gyro_unit, units.GYRO_UNITS, "gyro_range", sensor)
        sensors.append(sensor)
    warnings = tuple(
        f"{MANIFEST}: field {safe(k)!r} has no meaning here and was kept as it is"
        for k in m.extra
        if k in ("sensors", "poses", "handed")
    )
    return Understood(
        path=store.path,
        sensors=sensors,
        needs=needs,
        handedness=handed or m.handedness,
        club=m.club,
        recorded_at=m.recorded_at,
        poses=m.poses,
        warnings=warnings,
        extra=m.extra,
        from_manifest=True,
    )


def _same(a: str, b: str) -> bool:
    return " ".join(a.lower().replace("_", " ").split()) == " ".join(b.lower().replace("_", " ").split())


def _pick(found: list[Sensor], spec: manifest.SensorEntry, there: list[Sensor]) -> Sensor:
    named = ", ".join(safe(f) for f in spec.files)
    labels = ", ".join(repr(s.label) for s in there)
    if not found and there and spec.device is not None:
        raise RecordingError(f"{named}: holds no device {spec.device!r} for the {spec.role}; it has {labels}")
    if not found:
        raise RecordingError(
            f"{named}: holds no accelerometer and gyroscope for the {spec.role}; correct it in {MANIFEST}"
        )
    if len(found) == 1:
        return found[0]
    by_role = [s for s in found if channels.role_in(s.label) == spec.role]
    if len(by_role) == 1:
        return by_role[0]
    raise RecordingError(
        f'{named}: holds {len(found)} sensors ({labels}); add device = "…" to the {spec.role} in {MANIFEST}'
    )


def _in_si(value: float | None, unit: str, table: Mapping[str, float], name: str, sensor: Sensor) -> float | None:
    if value is None:
        return None
    if unit in table:
        return value * table[unit]
    sensor.notes.append(f"{name} is left aside: it is stated in {unit}")
    return None


def _by_content(
    store: Store,
    said: _Said,
    roles: Role | Mapping[str, Role] | None,
    handed: Handedness | None,
    progress: Progress | None,
) -> Understood:
    needs: list[str] = []
    parts: list[Part] = []
    faults: list[CupbowError] = []
    entries = [e for e in store.entries if store.single or PurePosixPath(e.name).suffix.lower() in _DATA_ENDINGS]
    if not entries:
        raise RecordingError(
            f"{safe(store.path)}: holds no data files (CSV, text or Parquet); give the folder that does"
        )
    for entry in entries:
        file_needs: list[str] = []
        try:
            parts += read_table(entry, said.of(entry.name), file_needs, progress)
        except UsageError:
            raise
        except CupbowError as error:
            if store.single:
                raise
            faults.append(error)
        needs += file_needs
    sensors = join(parts, needs) if parts else []
    if sensors and not store.single:
        needs = []  # other files that say nothing to us, settings and notes, are no obstacle
    if not sensors and not needs and faults:
        raise faults[0]
    if not sensors and not needs:
        raise RecordingError(f"{safe(store.path)}: holds no accelerometer and gyroscope")
    if isinstance(roles, str):
        if len(sensors) == 1:
            sensors[0].role = roles
        elif len(sensors) > 1:
            labels = ", ".join(repr(s.label) for s in sensors)
            raise UsageError(
                f"{safe(store.path)}: holds {len(sensors)} sensors ({labels}); give each its role (--role NAME={roles})"
            )
    elif roles:
        wanted = dict(roles)
        for s in sensors:
            for name, role in roles.items():
                if _same(name, s.label) or name in s.files or any(_same(name, PurePosixPath(f).stem) for f in s.files):
                    s.role = role
                    wanted.pop(name, None)
        if wanted:
            labels = ", ".join(repr(s.label) for s in sensors)
            raise UsageError(f"{safe(store.path)}: holds no sensor named {next(iter(wanted))!r}; it has {labels}")
    # Without a manifest the order of the roles says whose clock counts.
    sensors.sort(key=lambda s: ROLES.index(s.role) if s.role else len(ROLES))
    warnings = tuple(str(f) for f in faults)
    return Understood(path=store.path, sensors=sensors, needs=needs, handedness=handed, warnings=warnings)
