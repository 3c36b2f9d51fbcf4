"""Parts of files joined to sensors, in SI.

A sensor needs accelerometer and gyroscope. Where they were stored apart at times of their own, the
accelerometer is put onto the gyroscope's stamps, since the rate of turn is what is integrated.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import PurePosixPath

import numpy as np

from imu.errors import RecordingError
from imu.readers import channels, units
from imu.readers.files import safe
from imu.readers.tables import Part
from imu.recording import GRAVITY, Array, Role, Stream


@dataclass
class Sensor:
    """One sensor as understood, whether or not its role is known."""

    label: str  # how the file names it
    source: str
    role: Role | None
    t_s: Array
    accel: Array
    gyro: Array
    origin_s: float
    clock: str
    accel_unit: str
    gyro_unit: str
    time_unit: str
    units_inferred: bool
    has_gravity: bool
    dropped_rows: int
    reordered_rows: int
    accel_range: float | None = None
    gyro_range: float | None = None
    notes: list[str] = field(default_factory=list)
    doubts: list[str] = field(default_factory=list)
    needs: list[str] = field(default_factory=list)
    columns: dict[str, str | int] = field(default_factory=dict)
    files: tuple[str, ...] = ()
    device: str = ""
    rate_hz: float | None = None
    accel_sensitivity: float | None = None
    gyro_sensitivity: float | None = None

    def stream(self, role: Role, t_s: Array) -> Stream:
        return Stream(
            role=role,
            t_s=t_s,
            accel=self.accel,
            gyro=self.gyro,
            source=self.source,
            accel_range=self.accel_range,
            gyro_range=self.gyro_range,
            accel_unit=self.accel_unit,
            gyro_unit=self.gyro_unit,
            time_unit=self.time_unit,
            units_inferred=self.units_inferred,
            has_gravity=self.has_gravity,
            dropped_rows=self.dropped_rows,
            reordered_rows=self.reordered_rows,
            notes=(*self.notes, *(f"doubtful: {d}" for d in self.doubts)),
        )


def join(parts: Sequence[Part], needs: list[str]) -> list[Sensor]:
    """Sensors out of the parts of one recording, in the order in which they were found.

    The parts are used up: their numbers are converted in place, to hold long recordings once.
    """
    complete = [p for p in parts if p.accel is not None and p.gyro is not None]
    gravities = [p for p in parts if p.gravity_only]
    accels = [p for p in parts if p.gyro is None and not p.gravity_only]
    gyros = [p for p in parts if p.accel is None]
    out: list[Sensor] = []
    for p in complete:
        out.append(_sensor(p, p))
    used: set[int] = set()
    for g in gyros:
        best = _partner(g, [a for a in accels if id(a) not in used], single=len(gyros) == 1)
        if best is None:
            if not complete:
                needs.append(f"{safe(g.source)}: holds a gyroscope only; give the accelerometer's file beside it")
            continue
        used.add(id(best))
        best = _with_gravity(best, gravities)
        out.append(_sensor(best, g))
    if accels and not gyros and not complete:
        needs.append(f"{safe(accels[0].source)}: holds an accelerometer only; give the gyroscope's file beside it")
    _units_of_siblings(out)
    return out


def _units_of_siblings(sensors: list[Sensor]) -> None:
    """A sensor that hardly turned does not show the unit of its gyroscope; others of the same file
    are by the same logger, and do."""
    for s in sensors:
        if s.gyro_unit != "unknown":
            continue
        same = {o.gyro_unit for o in sensors if o is not s and o.files == s.files and o.gyro_unit in units.GYRO_UNITS}
        if len(same) == 1:
            s.gyro_unit = same.pop()
            s.gyro = s.gyro * units.GYRO_UNITS[s.gyro_unit]
            s.needs = [n for n in s.needs if "gyroscope" not in n]
            s.notes.append(f"gyroscope in {s.gyro_unit}, as the other sensors of this file")


def _partner(gyro: Part, accels: list[Part], *, single: bool) -> Part | None:
    """The accelerometer that belongs to a gyroscope: of the same name, the full one before the one
    without gravity."""
    key = _key(gyro)
    same = [a for a in accels if _key(a) == key] or (accels if single else [])
    return min(same, key=lambda a: (a.linear, "total" not in a.source.lower(), -len(a.t_s)), default=None)


def _with_gravity(part: Part, gravities: list[Part]) -> Part:
    """Linear acceleration and gravity, kept apart in two files, put together again."""
    assert part.accel is not None
    if not gravities or not (part.linear or units.looks_linear(part.accel[:40_000], part.accel_unit)):
        return part
    gravity = min(gravities, key=lambda g: (_key(g) != _key(part), abs(len(g.t_s) - len(part.t_s))))
    at, keep, _, lost = _onto(gravity, part)
    note = f"acceleration is the sum of {safe(part.source)} and {safe(gravity.source)}"
    tally = replace(part.tally, missing=part.tally.missing + lost)
    return replace(
        part,
        t_s=part.t_s[keep],
        accel=part.accel[keep] + at,
        linear=False,
        accel_unit=part.accel_unit or gravity.accel_unit,
        tally=tally,
        notes=[*part.notes, note],
    )


_QUANTITY_WORDS = re.compile(
    r"linear|total|user|acceleration|accelerometer|accelero|accel|acc|gravity|gyroscope|gyro|gyr|angular|velocity|rate|"
    r"rotation|raw|uncalibrated|calibrated|without|with"
)


def _key(part: Part) -> tuple[str, str]:
    """What the files of one sensor share in their names: all but the words for the quantity."""
    path = PurePosixPath(part.source)
    return f"{path.parent}/{_stem(path)}", part.device


def _stem(path: PurePosixPath) -> str:
    words = _QUANTITY_WORDS.sub(" ", path.name.split(".")[0].lower())
    return " ".join(re.findall(r"[a-z]+|\d+", words))


def _sensor(a: Part, g: Part) -> Sensor:
    notes = list(dict.fromkeys([*a.notes, *g.notes]))
    doubts = list(dict.fromkeys([*a.doubts, *g.doubts]))
    dropped = a.tally.dropped + (g.tally.dropped if g is not a else 0)
    reordered = a.tally.reordered + (g.tally.reordered if g is not a else 0)
    assert a.accel is not None
    assert g.gyro is not None
    t, accel, gyro = g.t_s, a.accel, g.gyro
    if g is not a:
        accel, keep, note, lost = _onto(a, g)
        if not keep.all():
            t, gyro = t[keep], gyro[keep]
            dropped += lost
        notes.append(note)
        if len(t) < 2:
            raise RecordingError(
                f"{safe(a.source)} and {safe(g.source)}: accelerometer and gyroscope were never on together"
            )
    label = a.device or g.device
    files = tuple(dict.fromkeys([a.source, g.source]))
    role = channels.role_in(label) or channels.role_in(PurePosixPath(files[0]).stem) or channels.role_in(files[0])
    name = " and ".join(files) if len(files) > 1 else files[0]
    if label:
        name = f"{name} ({label})"
    sensor = Sensor(
        label=label
        or (
            PurePosixPath(files[0]).name.split(".")[0]
            if len(files) == 1
            else _stem(PurePosixPath(files[0])) or "sensor"
        ),
        source=safe(name),
        role=role,
        t_s=t,
        accel=accel,
        gyro=gyro,
        origin_s=g.origin_s,
        clock=g.clock,
        accel_unit="",
        gyro_unit="",
        time_unit=g.time_unit,
        units_inferred=a.inferred or g.inferred,
        has_gravity=not a.linear,
        dropped_rows=dropped,
        reordered_rows=reordered,
        notes=notes,
        doubts=doubts,
        columns={**a.columns, **g.columns} if g is a else {},
        files=files,
        device=label,
        rate_hz=g.rate_hz,
        accel_sensitivity=a.accel_sensitivity,
        gyro_sensitivity=g.gyro_sensitivity,
    )
    _to_si(sensor, a.accel_unit, g.gyro_unit)
    return sensor


def _onto(a: Part, g: Part) -> tuple[Array, Array, str, int]:
    """The accelerometer at the gyroscope's stamps: straight lines between neighbours, nothing
    across gaps. Returns also which stamps were kept."""
    assert a.accel is not None
    ta = a.t_s + (a.origin_s - g.origin_s if a.clock == g.clock else 0.0)
    tg = g.t_s
    ta, first = np.unique(ta, return_index=True)
    accel = a.accel[first]
    if len(ta) < 2:
        return np.empty((0, 3)), np.zeros(len(tg), bool), "", len(tg)
    right = np.clip(np.searchsorted(ta, tg), 1, len(ta) - 1)
    width = ta[right] - ta[right - 1]
    usual = float(np.median(np.diff(ta)))
    keep = (tg >= ta[0] - 1e-9) & (tg <= ta[-1] + 1e-9) & ((width <= 3.5 * usual) | np.isin(tg, ta))
    part = np.clip((tg - ta[right - 1]) / np.maximum(width, 1e-12), 0.0, 1.0)[:, None]
    out = accel[right - 1] * (1 - part) + accel[right] * part
    lost = int(len(keep) - keep.sum())
    note = f"accelerometer ({safe(a.source)}, {1 / usual:.4g} Hz) put onto the gyroscope's stamps by straight lines"
    if lost:
        note += f"; {lost} stamps outside it or in its gaps left out"
    return out[keep], keep, note, lost


def _to_si(s: Sensor, accel_unit: str | None, gyro_unit: str | None) -> None:
    """Convert, in place, by the stated unit, else by what the numbers show."""
    part = _for_guessing(s)
    t, accel, gyro = s.t_s[part], s.accel[part], s.gyro[part]
    still = units.still_magnitude(accel, gyro) if s.has_gravity else None
    stated = units.ACCEL_UNITS.get(accel_unit or "")
    as_stated = still is not None and stated is not None and 0.4 < still * stated / GRAVITY < 2.5
    other = units.guess_accel(accel, gyro)
    if not s.has_gravity and other.sure and other.unit in (accel_unit, None, "m/s^2", "g") and other.unit is not None:
        s.has_gravity = True
        s.notes.append(f"named as linear acceleration, but gravity is in it: {other.why}")
    wrong_unit = other.sure and other.unit is not None  # gravity is there, in another unit than stated
    if s.has_gravity and not as_stated and not wrong_unit and units.looks_linear(accel, accel_unit):
        s.has_gravity = False
        s.notes.append("acceleration without gravity: still, nothing of it is left")
    scale = _accel_scale(s, accel_unit, accel, gyro, still)
    if scale is not None and scale != 1.0:
        s.accel *= scale
    scale = _gyro_scale(s, gyro_unit, t, accel, gyro)
    if scale is not None and scale != 1.0:
        s.gyro *= scale


def _for_guessing(s: Sensor) -> slice:
    """Two minutes or so are enough to tell units, and start at the beginning, which is calm."""
    return slice(0, 40_000)


def _accel_scale(s: Sensor, unit: str | None, accel: Array, gyro: Array, still: float | None) -> float | None:
    where = s.source
    if s.accel_sensitivity:
        s.accel_unit = units.COUNTS
        return GRAVITY / s.accel_sensitivity
    if unit in units.ACCEL_UNITS:
        s.accel_unit = unit
        scale = units.ACCEL_UNITS[unit]
        if still is not None and s.has_gravity and not 0.4 < still * scale / GRAVITY < 2.5:
            guess = units.guess_accel(accel, gyro)
            fits = f", which would be right in {guess.unit}" if guess.unit and guess.unit != unit else ""
            raise RecordingError(
                f"{where}: accel_unit {unit!r} gives {still * scale / GRAVITY:.3g} g while still{fits}; "
                "correct accel_unit, or leave it out to have it inferred"
            )
        return scale
    if not s.has_gravity:
        norms = np.linalg.norm(accel, axis=1)
        strong = float(np.quantile(norms, 0.999)) if len(norms) else 0.0
        s.accel_unit = "m/s^2" if strong > 6 else "g"
        s.units_inferred = True
        s.doubts.append(
            f"acceleration taken in {s.accel_unit} by its size alone (up to {strong:.3g}), without gravity to show it"
        )
        return units.ACCEL_UNITS[s.accel_unit]
    guess = units.guess_accel(accel, gyro)
    s.units_inferred = True
    if guess.unit is None or (unit == units.COUNTS and guess.unit != units.COUNTS):
        s.accel_unit = units.COUNTS if unit == units.COUNTS or units.whole_numbers(accel) else "unknown"
        hint = "--accel-sensitivity, counts per g" if s.accel_unit == units.COUNTS else "--accel-unit g"
        s.needs.append(f"{where}: the unit of the accelerometer cannot be told ({guess.why}); give it ({hint})")
        return None
    s.accel_unit = guess.unit
    s.notes.append(f"accelerometer in {guess.unit}: {guess.why}")
    if guess.unit == units.COUNTS:
        s.accel_sensitivity = GRAVITY / guess.scale
        s.doubts.append(f"accelerometer in raw counts, {s.accel_sensitivity:.0f} counts/g assumed")
    elif not guess.sure:
        s.doubts.append(f"accelerometer unit {guess.unit}: {guess.why}")
    return guess.scale


def _gyro_scale(s: Sensor, unit: str | None, t: Array, accel: Array, gyro: Array) -> float | None:
    where = s.source
    if s.gyro_sensitivity:
        s.gyro_unit = units.COUNTS
        return math.pi / 180.0 / s.gyro_sensitivity
    if unit in units.GYRO_UNITS:
        s.gyro_unit = unit
        scale = units.GYRO_UNITS[unit]
        _gyro_unit_fits(s, unit, t, accel, gyro)
        return scale
    guess = units.guess_gyro(t, accel if s.has_gravity else accel[:0], gyro)
    s.units_inferred = True
    if guess.unit is None or (unit == units.COUNTS and guess.unit != units.COUNTS):
        raw = unit == units.COUNTS or units.whole_numbers(gyro)
        s.gyro_unit = units.COUNTS if raw else "unknown"
        hint = "--gyro-sensitivity, counts per deg/s" if raw else "--gyro-unit deg/s"
        s.needs.append(f"{where}: the unit of the gyroscope cannot be told ({guess.why}); give it ({hint})")
        return None
    s.gyro_unit = guess.unit
    s.notes.append(f"gyroscope in {guess.unit}: {guess.why}")
    if guess.unit == units.COUNTS:
        s.gyro_sensitivity = math.pi / 180.0 / guess.scale
        s.doubts.append(f"gyroscope in raw counts, {s.gyro_sensitivity:.1f} counts per deg/s assumed")
    elif not guess.sure:
        s.doubts.append(f"gyroscope unit {guess.unit}: {guess.why}")
    return guess.scale


def _gyro_unit_fits(s: Sensor, unit: str, t: Array, accel: Array, gyro: Array) -> None:
    """Refuse a stated unit that the numbers contradict; looked into only where they are odd for it."""
    strong = max(float(s.gyro.max(initial=0.0)), -float(s.gyro.min(initial=0.0)))
    usual = {"rad/s": strong < 60, "deg/s": strong > 60, "mdeg/s": strong > 10_000}[unit]
    if usual:
        return
    guess = units.guess_gyro(t, accel if s.has_gravity else accel[:0], gyro)
    if guess.unit in units.GYRO_UNITS and guess.unit != unit and guess.sure:
        raise RecordingError(
            f"{s.source}: gyro_unit {unit!r} does not fit, {guess.unit!r} does: {guess.why}; "
            "correct gyro_unit, or leave it out to have it inferred"
        )
