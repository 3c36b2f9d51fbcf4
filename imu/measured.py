"""What measuring a recording gives: values with uncertainty, events, traces, and their files.

The JSON written here is `cupbow.measure/1`; the traces table holds every sample of every swing
on one clock. `Measurement.load` reads both back, so that results can be kept beside a recording's
identity and shown again without measuring.
"""

from __future__ import annotations

import json
import math
import os
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from imu.errors import CupbowError
from imu.recording import ANGLES, Array

if TYPE_CHECKING:
    import pandas as pd

SCHEMA = "cupbow.measure/1"


@dataclass(frozen=True)
class Value:
    """A reported angle in degrees with its expanded uncertainty (95 % coverage, JCGM 100), or none
    with the reason.

    `zero_u95_deg` is the part of `u95_deg` that all swings of one calibration share (the pose's
    zero, alignment, scale): more swings of that calibration don't shrink it. None: not split.
    """

    value_deg: float | None
    u95_deg: float | None = None
    reason: str | None = None
    marks: tuple[str, ...] = ()
    zero_u95_deg: float | None = None

    @property
    def known(self) -> bool:
        return self.value_deg is not None

    def to_json(self) -> dict[str, Any]:
        out: dict[str, Any] = {"value": _rounded(self.value_deg), "u95": _rounded(self.u95_deg)}
        if self.zero_u95_deg is not None:
            out["u95_zero"] = _rounded(self.zero_u95_deg)
        if self.reason:
            out["reason"] = self.reason
        if self.marks:
            out["marks"] = list(self.marks)
        return out

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Value:
        return cls(data["value"], data["u95"], data.get("reason"), tuple(data.get("marks", ())), data.get("u95_zero"))


@dataclass(frozen=True)
class Event:
    """An event of a swing: seconds from the first sample of the first sensor, on its clock made
    uniform; `None` with a reason where it was not reached."""

    t_s: float | None
    reason: str | None = None
    marks: tuple[str, ...] = ()

    def to_json(self) -> dict[str, Any]:
        out: dict[str, Any] = {"t": _rounded(self.t_s, 5), "marks": list(self.marks)}
        if self.reason:
            out["reason"] = self.reason
        return out

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Event:
        return cls(data["t"], data.get("reason"), tuple(data.get("marks", ())))


@dataclass(frozen=True)
class Verdict:
    """A target band for one angle at one event, and where the reading lies: `below`, `inside`,
    `above`, or `unsure` where the 95 % interval straddles an edge (or nothing was read)."""

    low_deg: float
    high_deg: float
    source: str
    verdict: str

    def to_json(self) -> dict[str, Any]:
        return {"low": self.low_deg, "high": self.high_deg, "source": self.source, "verdict": self.verdict}

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Verdict:
        return cls(data["low"], data["high"], data["source"], data["verdict"])


@dataclass(frozen=True)
class SensorReport:
    """What one sensor delivered, and what the fit says of its clock and bias."""

    role: str
    rate_hz: float
    samples: int
    lost: int
    clipped_gyro: int
    clipped_accel: int
    clock_offset_s: float | None
    clock_drift_ppm: float | None
    gyro_bias_dps: tuple[float, float, float] | None
    units_inferred: bool

    def to_json(self) -> dict[str, Any]:
        return {
            "role": self.role,
            "rate_hz": _rounded(self.rate_hz),
            "samples": self.samples,
            "lost": self.lost,
            "clipped_gyro": self.clipped_gyro,
            "clipped_accel": self.clipped_accel,
            "clock_offset_s": _rounded(self.clock_offset_s, 6),
            "clock_drift_ppm": _rounded(self.clock_drift_ppm, 2),
            "gyro_bias_dps": None if self.gyro_bias_dps is None else [_rounded(b) for b in self.gyro_bias_dps],
            "units_inferred": self.units_inferred,
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> SensorReport:
        bias = data["gyro_bias_dps"]
        return cls(**{**data, "gyro_bias_dps": None if bias is None else tuple(bias)})


@dataclass(frozen=True, eq=False)
class SwingTrace:
    """Every sample of one swing on the clock of the first sensor.

    `angles_deg` and `u95_deg` map each angle to an (n,) array, NaN where nothing can be said.
    `q_to_target` maps each segment that wears a sensor to (n, 4) quaternions, scalar first, that
    turn segment coordinates into the target frame (x to the target, z up); forearm and hand
    coordinates are X palmar, Y proximal; the club's are x = s (grip to head), y = n (face).
    """

    t_s: Array
    angles_deg: Mapping[str, Array]
    u95_deg: Mapping[str, Array]
    q_to_target: Mapping[str, Array] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Stance:
    """Where the segments point at one event, and how surely.

    `q_to_target` maps each segment (and `club_at_address`) to a (4,) quaternion as in `SwingTrace`;
    `covariance` is (3 k, 3 k) in rad^2: of small turns of these k segments, in their order, about
    the axes of the target frame. From it the doubt of whatever is computed from attitudes follows.
    """

    q_to_target: Mapping[str, Array]
    covariance: Array

    def to_json(self) -> dict[str, Any]:
        # The factor L of the covariance L L': few digits of it lose less than of the covariance itself.
        n = len(self.covariance)
        size, axes = np.linalg.eigh(self.covariance)
        factor = np.degrees(np.linalg.cholesky((axes * np.maximum(size, 1e-9)) @ axes.T))
        return {
            "q_to_target": {k: [round(float(x), 6) for x in q] for k, q in self.q_to_target.items()},
            "factor_deg": [round(float(x), 2) for x in factor[np.tril_indices(n)]],  # row by row
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Stance:
        q = {k: np.array(v) / np.linalg.norm(v) for k, v in data["q_to_target"].items()}
        factor = np.zeros((3 * len(q), 3 * len(q)))
        factor[np.tril_indices(3 * len(q))] = np.radians(data["factor_deg"])
        return cls(q, factor @ factor.T)


@dataclass(frozen=True, eq=False)
class Swing:
    index: int  # counts from 1
    kind: str  # full | partial | slow
    ball: bool | None
    grade: str  # good | fair | poor
    reasons: tuple[str, ...]  # why the grade is not better
    events: Mapping[str, Event]
    angles: Mapping[str, Mapping[str, Value]]  # angle -> event -> value
    changes: Mapping[str, Mapping[str, Value]]  # angle -> "event..event" -> value
    tempo: Mapping[str, float | None]  # backswing_s, downswing_s, ratio
    bands: Mapping[str, Verdict]  # "angle@event" -> verdict
    trace: SwingTrace | None = None
    stances: Mapping[str, Stance] = field(default_factory=dict)  # event -> attitudes, where it was reached

    def to_json(self) -> dict[str, Any]:
        return {
            "index": self.index,
            "kind": self.kind,
            "ball": self.ball,
            "quality": {"grade": self.grade, "reasons": list(self.reasons)},
            "events": {name: event.to_json() for name, event in self.events.items()},
            "angles": {a: {e: v.to_json() for e, v in per.items()} for a, per in self.angles.items()},
            "changes": {a: {e: v.to_json() for e, v in per.items()} for a, per in self.changes.items()},
            "tempo": {k: _rounded(v, 4) for k, v in self.tempo.items()},
            "bands": {key: verdict.to_json() for key, verdict in self.bands.items()},
        } | ({"stances": {e: s.to_json() for e, s in self.stances.items()}} if self.stances else {})

    @classmethod
    def from_json(cls, data: Mapping[str, Any], trace: SwingTrace | None = None) -> Swing:
        def values(table: Mapping[str, Any]) -> dict[str, dict[str, Value]]:
            return {a: {e: Value.from_json(v) for e, v in per.items()} for a, per in table.items()}

        return cls(
            index=data["index"],
            kind=data["kind"],
            ball=data["ball"],
            grade=data["quality"]["grade"],
            reasons=tuple(data["quality"]["reasons"]),
            events={k: Event.from_json(v) for k, v in data["events"].items()},
            angles=values(data["angles"]),
            changes=values(data["changes"]),
            tempo=data["tempo"],
            bands={k: Verdict.from_json(v) for k, v in data["bands"].items()},
            trace=trace,
            stances={k: Stance.from_json(v) for k, v in data.get("stances", {}).items()},
        )


@dataclass(frozen=True, eq=False)
class Measurement:
    """A measured recording: the one result that commands, pages, live view and library share."""

    handedness: str
    club: str | None
    sensors: tuple[SensorReport, ...]
    warnings: tuple[str, ...]
    swings: tuple[Swing, ...]

    # -- as data -------------------------------------------------------------------------------
    def to_json(self) -> dict[str, Any]:
        return {
            "schema": SCHEMA,
            "recording": {
                "handedness": self.handedness,
                "club": self.club,
                "sensors": [s.to_json() for s in self.sensors],
                "warnings": list(self.warnings),
            },
            "swings": [s.to_json() for s in self.swings],
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any], traces: Mapping[int, SwingTrace] | None = None) -> Measurement:
        if data.get("schema") != SCHEMA:
            raise CupbowError(
                f"measured results have schema {data.get('schema')!r}, this version reads {SCHEMA!r}: measure again"
            )
        rec = data["recording"]
        return cls(
            handedness=rec["handedness"],
            club=rec["club"],
            sensors=tuple(SensorReport.from_json(s) for s in rec["sensors"]),
            warnings=tuple(rec["warnings"]),
            swings=tuple(Swing.from_json(s, (traces or {}).get(s["index"])) for s in data["swings"]),
        )

    # -- as tables -----------------------------------------------------------------------------
    def table(self) -> pd.DataFrame:
        """One row a swing, angle and event: swing, kind, grade, angle, event, t_s, value_deg,
        u95_deg, verdict, reason."""
        import pandas as pd

        rows = [
            {
                "swing": s.index,
                "kind": s.kind,
                "grade": s.grade,
                "angle": angle,
                "event": event,
                "t_s": s.events[event].t_s,
                "value_deg": v.value_deg,
                "u95_deg": v.u95_deg,
                "verdict": s.bands[f"{angle}@{event}"].verdict if f"{angle}@{event}" in s.bands else None,
                "reason": v.reason,
            }
            for s in self.swings
            for angle, per in s.angles.items()
            for event, v in per.items()
        ]
        columns = ["swing", "kind", "grade", "angle", "event", "t_s", "value_deg", "u95_deg", "verdict", "reason"]
        return pd.DataFrame(rows, columns=columns)

    def traces(self) -> pd.DataFrame:
        """Every sample of every swing: swing, t, `<angle>_deg`, `<angle>_u95_deg`, and
        `<segment>_qw…qz` (segment to target frame, scalar first)."""
        import pandas as pd

        frames = []
        for s in self.swings:
            if s.trace is None:
                continue
            columns: dict[str, Any] = {"swing": np.full(len(s.trace.t_s), s.index), "t": s.trace.t_s}
            for angle in ANGLES:
                if angle in s.trace.angles_deg:
                    columns[f"{angle}_deg"] = s.trace.angles_deg[angle]
                    columns[f"{angle}_u95_deg"] = s.trace.u95_deg[angle]
            for segment, q in s.trace.q_to_target.items():
                columns |= {f"{segment}_q{c}": q[:, i] for i, c in enumerate("wxyz")}
            frames.append(pd.DataFrame(columns))
        if not frames:
            return pd.DataFrame({"swing": np.array([], dtype=int), "t": np.array([], dtype=float)})
        return pd.concat(frames, ignore_index=True)

    # -- as files ------------------------------------------------------------------------------
    def write_json(self, path: Path | str) -> None:
        text = json.dumps(self.to_json(), indent=1, allow_nan=False)
        write_whole(path, lambda tmp: tmp.write_text(text + "\n", encoding="utf-8"))

    def write_traces(self, path: Path | str) -> None:
        """Parquet or CSV by the name's ending."""
        path = Path(path)
        table = self.traces()
        if path.suffix == ".parquet":
            write_whole(path, lambda tmp: table.to_parquet(tmp, index=False))
        elif path.suffix == ".csv":
            write_whole(path, lambda tmp: table.to_csv(tmp, index=False, float_format="%.6g"))
        else:
            raise CupbowError(f"{path}: traces are written as .parquet or .csv; choose one of these endings")

    @classmethod
    def load(cls, json_path: Path | str, traces_path: Path | str | None = None) -> Measurement:
        data = json.loads(Path(json_path).read_text(encoding="utf-8"))
        return cls.from_json(data, _load_traces(Path(traces_path)) if traces_path else None)


def _load_traces(path: Path) -> dict[int, SwingTrace]:
    import pandas as pd

    table = pd.read_parquet(path) if path.suffix == ".parquet" else pd.read_csv(path)
    out = {}
    for _, part in table.groupby("swing", sort=False):
        angles = [a for a in ANGLES if f"{a}_deg" in part]
        segments = [c[: -len("_qw")] for c in part.columns if c.endswith("_qw")]
        q = {seg: part[[f"{seg}_q{c}" for c in "wxyz"]].to_numpy(float) for seg in segments}
        out[int(part["swing"].iloc[0])] = SwingTrace(
            t_s=part["t"].to_numpy(float),
            angles_deg={a: part[f"{a}_deg"].to_numpy(float) for a in angles},
            u95_deg={a: part[f"{a}_u95_deg"].to_numpy(float) for a in angles},
            q_to_target={seg: v for seg, v in q.items() if np.isfinite(v).any()},
        )
    return out


def write_whole(path: Path | str, write: Callable[[Path], object]) -> None:
    """Write a file so that it appears whole or not at all.

    `write` fills a temporary neighbour that then takes the place of `path` in one step.
    """
    path = Path(path)
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=path.suffix)
    except OSError as error:
        raise CupbowError(f"{path}: cannot be written ({error.strerror}); choose another place") from None
    os.close(handle)
    tmp = Path(name)
    try:
        write(tmp)
        umask = os.umask(0)
        os.umask(umask)
        tmp.chmod(0o666 & ~umask)
        with open(tmp, "rb") as written:
            os.fsync(written.fileno())
        tmp.replace(path)
    except OSError as error:
        raise CupbowError(f"{path}: cannot be written ({error.strerror}); make room or choose another place") from None
    finally:
        tmp.unlink(missing_ok=True)


def _rounded(x: float | None, digits: int = 3) -> float | None:
    return None if x is None or not math.isfinite(x) else round(float(x), digits)
