"""What a path holds as the readers understand it, with doubts, and a manifest to correct.

inspection = inspect("export.zip")
inspection.to_json(); inspection.manifest(); inspection.needs
save(inspection, "lessons/monday", handed="left", roles={"DOT-1": "forearm", "DOT-2": "hand"})
"""

from __future__ import annotations

import itertools
import json
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from imu.errors import CupbowError, UsageError
from imu.readers import units
from imu.readers.files import MANIFEST, open_store, safe
from imu.readers.folders import Understood, understand
from imu.readers.hints import Hints
from imu.recording import ROLES, Array, Handedness, Pose, Role

if TYPE_CHECKING:
    from imu.readers.delimited import Progress
    from imu.readers.sensors import Sensor

SWING_DPS = 300.0
"""A rate that only a swing, not handling, gives; below it nothing tells which sensor is where."""

_GYRO_RANGES = tuple(r * np.pi / 180 for r in (245.0, 250.0, 500.0, 1000.0, 2000.0, 2293.8, 4000.0, 4587.0))
_ACCEL_RANGES = tuple(g * units.GRAVITY for g in (2, 4, 8, 16, 32))
"""Full scales that sensors usually have, in rad/s and m/s^2."""


@dataclass(frozen=True, eq=False)
class StreamReport:
    """One sensor: what was understood (SI), why, and what is doubtful."""

    label: str
    role: Role | None
    looks_like: Role | None  # by its motion, where the motion tells
    source: str
    rate_hz: float
    samples: int
    seconds: float
    dropped_rows: int
    reordered_rows: int
    gaps: int
    longest_gap_s: float
    accel_unit: str
    gyro_unit: str
    time_unit: str
    gravity_still_m_s2: float | None
    has_gravity: bool
    clipped_gyro: int
    clipped_accel: int
    peak_gyro_dps: float
    notes: tuple[str, ...]
    doubts: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        still = self.gravity_still_m_s2
        return {
            "role": self.role,
            "looks_like": self.looks_like,
            "label": self.label,
            "source": self.source,
            "rate_hz": round(self.rate_hz, 3),
            "samples": self.samples,
            "dropped_rows": self.dropped_rows,
            "reordered_rows": self.reordered_rows,
            "gaps": self.gaps,
            "longest_gap_s": round(self.longest_gap_s, 4),
            "accel_unit": self.accel_unit,
            "gyro_unit": self.gyro_unit,
            "time_unit": self.time_unit,
            "gravity_still_m_s2": None if still is None else round(still, 4),
            "has_gravity": self.has_gravity,
            "clipped_gyro": self.clipped_gyro,
            "clipped_accel": self.clipped_accel,
            "peak_gyro_dps": round(self.peak_gyro_dps, 1),
            "notes": [*self.notes, *(f"doubtful: {d}" for d in self.doubts)],
        }


@dataclass(frozen=True, eq=False)
class Inspection:
    """`needs` has a line for each hint without which the numbers cannot be read; `to_measure` for
    what no file says of itself: where a sensor was worn, and the golfer's handedness."""

    path: Path
    streams: tuple[StreamReport, ...]
    needs: tuple[str, ...]
    to_measure: tuple[str, ...]
    warnings: tuple[str, ...]
    understood: Understood
    several: frozenset[tuple[str, ...]] = frozenset()  # files that hold more than one sensor

    def to_json(self) -> dict[str, Any]:
        return {
            "streams": [s.to_json() for s in self.streams],
            "needs": list(self.needs),
            "to_measure": list(self.to_measure),
            "warnings": list(self.warnings),
        }

    def preview(self, index: int, points: int = 2000) -> tuple[Array, Array, Array]:
        """Samples of one stream for plotting, at most about `points`: seconds from the start (m,),
        acceleration in m/s^2 (m, 3), rate in deg/s (m, 3). Of every stretch the sample that turns
        fastest is shown, so that no peak is lost."""
        s = self.understood.sensors[index]
        n = len(s.t_s)
        stretch = max(1, -(-n // points))
        full = n // stretch * stretch
        fast = np.linalg.norm(s.gyro[:full], axis=1).reshape(-1, stretch).argmax(axis=1)
        pick = fast + np.arange(len(fast)) * stretch
        return s.t_s[pick] - s.t_s[0], s.accel[pick], np.degrees(s.gyro[pick])

    def corrected(
        self,
        *,
        roles: Mapping[int, Role | None] | None = None,
        handed: Handedness | None = None,
        club: str | None = None,
        poses: Sequence[Pose] = (),
    ) -> Inspection:
        """The same with the user's word on what no file says; nothing is read again. `roles` are by
        the place among the streams, None for a sensor that is to be left out; `poses` serve where
        the files mark none."""
        said = dict(roles or {})
        if unknown := [r for r in said.values() if r is not None and r not in ROLES]:
            raise UsageError(f"role {unknown[0]!r} is not known; use forearm, hand or club")
        if handed not in (None, "right", "left"):
            raise UsageError(f"handed must be right or left, not {handed!r}")
        kept = [
            (replace(sensor, role=said.get(i, sensor.role)), report.looks_like)
            for i, (sensor, report) in enumerate(zip(self.understood.sensors, self.streams, strict=True))
            if i not in said or said[i] is not None
        ]
        u = replace(
            self.understood,
            sensors=[sensor for sensor, _ in kept],
            handedness=handed or self.understood.handedness,
            club=club or self.understood.club,
            poses=self.understood.poses or tuple(poses),
        )
        return _inspection(u, tuple(_report(sensor, looks_like) for sensor, looks_like in kept), self.several)

    def manifest(self, *, handed: Handedness | None = None, roles: Mapping[str, Role] | None = None) -> str:
        """A `recording.toml` that says what was understood. What is not known is written as a
        comment to fill in."""
        return _manifest(self, handed, roles or {})


def inspect(
    path: Path | str,
    *,
    hints: Hints | None = None,
    hints_of: Mapping[str, Hints] | None = None,
    roles: Role | Mapping[str, Role] | None = None,
    handed: Handedness | None = None,
    progress: Progress | None = None,
) -> Inspection:
    """Look at a path as `imu.readers.read` would, without asking for what it does not say.

    `hints_of` a file, by its name inside the path, go before `hints`, which are for all of them.
    """
    u = understand(path, hints=hints, hints_of=hints_of, roles=roles, handed=handed, progress=progress)
    likely = _likely_roles(u.sensors)
    streams = tuple(_report(s, likely.get(id(s))) for s in u.sensors)
    files = [s.files for s in u.sensors]
    return _inspection(u, streams, frozenset(f for f in files if files.count(f) > 1))


def _inspection(u: Understood, streams: tuple[StreamReport, ...], several: frozenset[tuple[str, ...]]) -> Inspection:
    needs = (*u.needs, *(n for s in u.sensors for n in s.needs))
    return Inspection(u.path, streams, needs, (*u.role_needs(), *u.handed_needs()), u.warnings, u, several)


def _report(s: Sensor, looks_like: Role | None) -> StreamReport:
    rate, gaps, longest = cadence(s.t_s)
    known = not s.needs
    still = units.still_magnitude(s.accel[:200_000], s.gyro[:200_000]) if s.has_gravity and known else None
    doubts = list(s.doubts)
    if still is not None and not 0.96 < still / units.GRAVITY < 1.04:
        doubts.append(
            f"{still:.2f} m/s^2 while still is {abs(still / units.GRAVITY - 1):.0%} off gravity: badly calibrated"
        )
    if still is None and known and s.has_gravity:
        doubts.append("nothing is still long enough to show gravity")
    if not s.has_gravity:
        doubts.append("without gravity neither attitude nor wrist angles can be found: record raw acceleration")
    if s.role and looks_like and s.role != looks_like:
        doubts.append(f"named {s.role}, but it moves like the {looks_like}")
    if rate < 80:
        doubts.append(f"{rate:.0f} Hz is slow for a swing: record at 100 Hz or more")
    held = _held(s.gyro)
    if held > 0.25:
        doubts.append(
            f"{100 * held:.0f} % of the rows repeat the gyroscope's last numbers: its own rate is below {rate:.0f} Hz"
        )
    mirrored = units.mirrored(s.t_s[:40_000], s.accel[:40_000], s.gyro[:40_000]) if known and s.has_gravity else None
    if mirrored:
        doubts.append(mirrored)
    return StreamReport(
        label=s.label,
        role=s.role,
        looks_like=looks_like,
        source=s.source,
        rate_hz=rate,
        samples=len(s.t_s),
        seconds=float(s.t_s[-1] - s.t_s[0]),
        dropped_rows=s.dropped_rows,
        reordered_rows=s.reordered_rows,
        gaps=gaps,
        longest_gap_s=longest,
        accel_unit=s.accel_unit,
        gyro_unit=s.gyro_unit,
        time_unit=s.time_unit,
        gravity_still_m_s2=still,
        has_gravity=s.has_gravity,
        clipped_gyro=clipped(s.gyro, s.gyro_range, _GYRO_RANGES) if known else 0,
        clipped_accel=clipped(s.accel, s.accel_range, _ACCEL_RANGES) if known else 0,
        peak_gyro_dps=float(np.degrees(np.linalg.norm(s.gyro, axis=1).max())) if known else 0.0,
        notes=tuple(s.notes),
        doubts=tuple(dict.fromkeys(doubts)),
    )


def cadence(t_s: Array) -> tuple[float, int, float]:
    """Samples per second while they came, the number of gaps, and the longest (s)."""
    steps = np.diff(t_s)
    if not len(steps) or t_s[-1] <= t_s[0]:
        return 0.0, 0, 0.0
    positive = steps[steps > 0]
    # Batches share a stamp: what follows one another are then the batches.
    limit = 2.5 * max(float(np.median(positive)), float(np.mean(steps[steps <= 20 * np.median(positive)])))
    gap = steps > limit
    rate = float((len(steps) - gap.sum()) / max(steps[~gap].sum(), 1e-12))
    return rate, int(gap.sum()), float(steps.max()) if gap.any() else 0.0


def clipped(vectors: Array, full_scale: float | None, usual: tuple[float, ...]) -> int:
    """Samples in which an axis is at full scale: the stated one, else a usual one at which the
    largest numbers stay."""
    size = np.abs(vectors)
    if full_scale is not None:
        return int((size >= 0.997 * full_scale).any(axis=1).sum())
    top = size.max(axis=0)
    at_top = (size >= top * (1 - 1e-6)) & (top > 0)
    near = [any(abs(t / u - 1) < 0.012 for u in usual) for t in top]
    full = at_top & np.array(near) & (at_top.sum(axis=0) >= 3)
    return int(full.any(axis=1).sum())


def _held(gyro: Array) -> float:
    """Share of rows in motion whose rate is the same as in the row before, on all axes."""
    moving = np.linalg.norm(gyro[1:], axis=1) > 0.2
    if moving.sum() < 50:
        return 0.0
    return float((gyro[1:] == gyro[:-1]).all(axis=1)[moving].mean())


def _likely_roles(sensors: list[Sensor]) -> dict[int, Role]:
    """Which sensor is where, by how they move in swings.

    Hand and club are one body while the club is held, so their rates agree best; of the two the
    club's sensor is farther from the wrist and feels more acceleration. The forearm turns least.
    """
    usable = [s for s in sensors if not s.needs and len(s.t_s) > 50]
    peaks = {id(s): float(np.quantile(np.linalg.norm(s.gyro, axis=1), 0.999)) for s in usable}
    if len(usable) < 2 or len(usable) > 6 or min(peaks.values()) < np.radians(SWING_DPS) / 3:
        return {}
    if max(peaks.values()) < np.radians(SWING_DPS):
        return {}
    agreement = {(id(a), id(b)): _agreement(a, b) for a, b in itertools.combinations(usable, 2)}
    by_id = {id(s): s for s in usable}
    (a, b), best = max(agreement.items(), key=lambda item: item[1])
    out: dict[int, Role] = {}
    if len(usable) == 3 and best > 0.9:
        felt = {i: float(np.quantile(np.linalg.norm(by_id[i].accel, axis=1), 0.999)) for i in (a, b)}
        club = max(felt, key=lambda i: felt[i])
        hand = b if club == a else a
        rest = next(i for i in by_id if i not in (a, b))
        if peaks[rest] < 0.9 * peaks[hand]:
            out[rest] = "forearm"
            if felt[club] > 1.15 * felt[hand]:
                out |= {hand: "hand", club: "club"}
    elif len(usable) == 2 and best < 0.97:
        low = min(by_id, key=lambda i: peaks[i])
        if peaks[low] < 0.8 * max(peaks.values()):
            out[low] = "forearm"
    return out


def _agreement(a: Sensor, b: Sensor) -> float:
    """Largest correlation of the two rates over shifts up to 3 s, at 50 Hz."""
    from scipy.signal import correlate

    rates = []
    start = max(a.t_s[0], b.t_s[0]) if a.clock == b.clock else None
    end = min(a.t_s[-1], b.t_s[-1]) if start is not None else None
    for s in (a, b):
        first = s.t_s[0] if start is None or end is None or end - start < 1 else start
        last = s.t_s[-1] if start is None or end is None or end - start < 1 else end
        grid = np.arange(first, min(last, first + 600), 0.02)
        rates.append(np.interp(grid, s.t_s, np.linalg.norm(s.gyro, axis=1)))
    n = min(len(r) for r in rates)
    if n < 50:
        return 0.0
    x, y = (r[:n] - r[:n].mean() for r in rates)
    full = correlate(x, y, method="fft")[n - 1 - min(150, n - 1) : n + min(150, n - 1)]
    return float(full.max() / max(np.sqrt((x @ x) * (y @ y)), 1e-12))


def _manifest(inspection: Inspection, handed: Handedness | None, roles: Mapping[str, Role]) -> str:
    u = inspection.understood
    handedness = handed or u.handedness
    lines = []
    if handedness:
        lines.append(f'handedness = "{handedness}"')
    else:
        lines.append('# handedness = "right"   # the golfer\'s: right or left')
    if u.club:
        lines.append(f"club = {_quoted(u.club)}")
    started = u.recorded_at or u.started_at()
    if started:
        lines.append(f"recorded_at = {started.isoformat()}")
    for s, report in zip(u.sensors, inspection.streams, strict=True):
        lines += ["", "[[sensor]]"]
        role = roles.get(s.label) or s.role
        if role:
            lines.append(f'role = "{role}"')
        elif report.looks_like:
            lines.append(f'role = "{report.looks_like}"   # by its motion: check')
        else:
            lines.append(f'# role = ""   # forearm, hand or club: where {safe(s.label)} was worn')
        names = [_quoted(f) for f in s.files]
        lines.append(f"file = {names[0]}" if len(names) == 1 else f"file = [{', '.join(names)}]")
        if s.device and s.files in inspection.several:
            lines.append(f"device = {_quoted(s.device)}")
        elif s.columns:
            inside = ", ".join(f"{k} = {v if isinstance(v, int) else _quoted(v)}" for k, v in s.columns.items())
            lines.append(f"columns = {{{inside}}}")
        for key, unit, sensitivity in (
            ("accel", s.accel_unit, s.accel_sensitivity),
            ("gyro", s.gyro_unit, s.gyro_sensitivity),
        ):
            if sensitivity and unit == units.COUNTS:
                lines.append(
                    f"{key}_sensitivity = {sensitivity:.6g}   # counts per {'g' if key == 'accel' else 'deg/s'}"
                )
            elif unit in (*units.ACCEL_UNITS, *units.GYRO_UNITS):
                lines.append(f'{key}_unit = "{unit}"')
            else:
                lines.append(f'# {key}_unit = ""   # could not be told')
        if s.rate_hz:
            lines.append(f"rate = {s.rate_hz:g}")
        elif s.time_unit in (*units.TIME_UNITS, "iso"):
            lines.append(f'time_unit = "{s.time_unit}"')
        for key, value, unit, table in (
            ("accel_range", s.accel_range, s.accel_unit, units.ACCEL_UNITS),
            ("gyro_range", s.gyro_range, s.gyro_unit, units.GYRO_UNITS),
        ):
            if value is not None and unit in table:
                lines.append(f"{key} = {value / table[unit]:.6g}")
        lines += [f"# {' '.join(note.split())}" for note in (*report.notes, *(f"doubtful: {d}" for d in report.doubts))]
    for pose in u.poses:
        lines += ["", "[[pose]]", f'name = "{pose.name}"', f"start = {pose.start_s:g}", f"end = {pose.end_s:g}"]
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    """A TOML basic string; JSON's is one, once DEL is escaped too."""
    return json.dumps(text, ensure_ascii=True).replace("\x7f", "\\u007f")


def save(
    inspection: Inspection,
    folder: Path | str,
    *,
    handed: Handedness | None = None,
    roles: Mapping[str, Role] | None = None,
    club: str | None = None,
) -> Path:
    """Make a recording folder of what was inspected: the data files as they are, and a manifest.

    The folder appears whole or not at all, and must not be there yet. What is written is read back
    first, so that what was saved can be measured.
    """
    from imu import readers

    folder = Path(folder)
    if folder.exists():
        raise UsageError(f"{safe(folder)}: is there already; choose another name")
    for role in (roles or {}).values():
        if role not in ROLES:
            raise UsageError(f"role {role!r} is not known; use forearm, hand or club")
    u = inspection.understood
    sensors = [replace(s, role=(roles or {}).get(s.label) or s.role) for s in u.sensors]
    u = replace(u, sensors=sensors, handedness=handed or u.handedness, club=club or u.club)
    u.recording()  # says what is missing, before anything is written
    store = open_store(inspection.path)
    wanted = {f for s in u.sensors for f in s.files}
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        work = Path(tempfile.mkdtemp(dir=folder.parent, prefix=f".{folder.name}."))
    except OSError as error:
        raise CupbowError(f"{safe(folder)}: cannot be made ({error.strerror}); choose another place") from None
    try:
        names: dict[str, str] = {}
        for entry in store.entries:
            if entry.name in wanted:
                names[entry.name] = free_name(safe_name(entry.name), set(names.values()))
                with entry.open() as source, open(work / names[entry.name], "xb") as target:
                    shutil.copyfileobj(source, target, 1 << 20)
        renamed = replace(u, sensors=[replace(s, files=tuple(names[f] for f in s.files)) for s in u.sensors])
        several = frozenset(tuple(names.get(f, f) for f in files) for files in inspection.several)
        text = replace(inspection, understood=renamed, several=several).manifest()
        (work / MANIFEST).write_text(text, encoding="utf-8")
        readers.read(work)
        work.replace(folder)
    except OSError as error:
        raise CupbowError(
            f"{safe(folder)}: cannot be written ({error.strerror}); make room or choose another place"
        ) from None
    finally:
        shutil.rmtree(work, ignore_errors=True)
    return folder


def safe_name(name: str) -> str:
    """A file name without folders, control characters, or what another system forbids."""
    last = name.replace("\\", "/").rstrip("/").rsplit("/", 1)[-1]
    kept = "".join(c if c.isalnum() or c in " ._-()+" else "_" for c in last).strip(" .")[-100:].lstrip(" .")
    stem = kept.split(".")[0].lower()
    if not kept or stem in {
        "con",
        "prn",
        "aux",
        "nul",
        *(f"com{i}" for i in range(10)),
        *(f"lpt{i}" for i in range(10)),
    }:
        kept = f"data_{kept or 'file.csv'}"
    return kept if kept.lower() != MANIFEST else f"data_{kept}"


def free_name(name: str, taken: set[str]) -> str:
    """The name, numbered where it is taken (upper and lower case being the same name to some systems)."""
    stem, dot, ending = name.partition(".")
    for i in itertools.count(2):
        if name.lower() not in {t.lower() for t in taken}:
            break
        name = f"{stem}-{i}{dot}{ending}"
    return name
