"""The bench calibration of one device: laid on its six faces and turned by whole turns on a table.

Gravity on six faces tells the accelerometer's bias and scale; the turns from face to face and the whole
turns tell the gyro's scale and cross-axis and, by gravity before and after each, how its axes lie to the
accelerometer's. All of it is one least squares (`imu.fit`, for one sensor that nobody wears). The result
belongs to the device wherever it is worn, and is kept in a file of its own.

Calibration without instruments from gravity and turns: Tedaldi, Pretto & Menegatti 2014, ICRA, 3042-3049.
"""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from imu import calibration as cal
from imu.errors import CupbowError, RecordingError
from imu.fit import DEG, SENSOR_UNKNOWNS, UP, Beliefs, Jump, Problem, Rest, State, Window, log
from imu.measured import write_whole
from imu.recording import GRAVITY, Array, Recording, Role, Stream
from imu.repair import repair
from imu.timebase import Samples, uniform

if TYPE_CHECKING:
    from imu.saved_calibration import Calibration

SCHEMA = "cupbow.sensor/1"
FOLDER_VARIABLE = "CUPBOW_SENSORS"

FACES = ("+x", "-x", "+y", "-y", "+z", "-z")
"""Which of the device's axes points up."""

HOLD_S = 2.0
"""A face lies still for at least so long."""

_REST_S = 0.4  # shorter rests are none
_REST_ACCEL = 0.006  # m/s^2: on a table nothing sways
_REST_TURN = 0.05 * DEG
_TURN_SD = 1.0 * DEG  # how well an edge is met again by hand
_WIDEST_SCALE = 0.06  # of any sensor's that works

_SIZES = {"matrix": (3, 3), "accel_bias": (3,), "accel_matrix": (3, 3), "bias": (3,)}
_UNKNOWNS = {"matrix": 9, "accel_bias": 3, "accel_matrix": 6, "bias": 3}


@dataclass(frozen=True, eq=False)
class SensorCalibration:
    """What is known of one device. Corrected rate = (I + gyro_matrix) rate - gyro_bias; the
    accelerometer reads (I + accel_matrix) f + accel_bias, accel_matrix lower triangular: its axes are the
    device's, and the gyro's are told in them.

    `covariance` (21, 21), SI: of gyro_matrix (row by row), accel_bias, accel_matrix (xx, yy, zz, yx, zx,
    zy), gyro_bias.
    """

    device: str
    made_at: str
    gyro_bias: Array  # (3,) rad/s
    gyro_matrix: Array  # (3, 3)
    accel_bias: Array  # (3,) m/s^2
    accel_matrix: Array  # (3, 3)
    covariance: Array
    worn: Role | None = None  # where, in the recording that it was made from

    @property
    def sd(self) -> dict[str, Array]:
        """Standard deviations of the four, in their shapes (accel_matrix: its six)."""
        sd, out, at = np.sqrt(np.diag(self.covariance)), {}, 0
        for name, size in _UNKNOWNS.items():
            part = sd[at : at + size]
            out[name] = part.reshape(3, 3) if name == "matrix" else part
            at += size
        return {
            "gyro_matrix": out["matrix"],
            "accel_bias": out["accel_bias"],
            "accel_matrix": out["accel_matrix"],
            "gyro_bias": out["bias"],
        }

    def values(self) -> dict[str, Array]:
        """By the fit's names of these unknowns."""
        return {
            "matrix": self.gyro_matrix,
            "accel_bias": self.accel_bias,
            "accel_matrix": self.accel_matrix,
            "bias": self.gyro_bias,
        }

    def save(self, path: Path | None = None) -> Path:
        """Writes the file whole; without a path, to the device's own in the user's folder."""
        path = path or folder() / f"{_slug(self.device)}.toml"
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, lambda part: part.write_text(self._toml(), encoding="utf-8"))
        return path

    def _toml(self) -> str:
        import json

        def rows(x: Array) -> str:
            return "[" + ", ".join(rows(r) if np.ndim(r) else repr(float(r)) for r in x) + "]"

        lines = [
            f'schema = "{SCHEMA}"',
            f"device = {json.dumps(self.device)}",
            f'made_at = "{self.made_at}"',
            *([f'worn = "{self.worn}"'] if self.worn else []),
            "# corrected rate = (1 + gyro_matrix) rate - gyro_bias;  reading = (1 + accel_matrix) force + accel_bias",
            f"gyro_bias_rad_s = {rows(self.gyro_bias)}",
            f"gyro_matrix = {rows(self.gyro_matrix)}",
            f"accel_bias_m_s2 = {rows(self.accel_bias)}",
            f"accel_matrix = {rows(self.accel_matrix)}",
            "# of gyro_matrix by rows, accel_bias, accel_matrix (xx yy zz yx zx zy), gyro_bias",
            f"covariance = {rows(self.covariance)}",
        ]
        return "\n".join(lines) + "\n"


def folder() -> Path:
    """`$CUPBOW_SENSORS`, else `sensors` in the user's data folder."""
    from platformdirs import user_data_path

    given = os.environ.get(FOLDER_VARIABLE)
    return Path(given) if given else user_data_path("cupbow", appauthor=False) / "sensors"


def _slug(device: str) -> str:
    return re.sub(r"[^A-Za-z0-9]+", "-", device).strip("-").lower()[:80] or "sensor"


def load_sensor(path: Path | str) -> SensorCalibration:
    """Reads one device's file. Raises CupbowError, in one line, for what is not one."""
    path = Path(path)
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise CupbowError(f"{path}: no such file; cupbow calibrate makes one") from None
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise CupbowError(f"{path}: cannot be read as a sensor's calibration ({error})") from None
    if data.get("schema") != SCHEMA:
        raise CupbowError(
            f"{path}: is no sensor's calibration (its schema is not {SCHEMA}); cupbow calibrate makes one"
        )

    def numbers(name: str, shape: tuple[int, ...]) -> Array:
        try:
            value = np.asarray(data.get(name), float)
        except (TypeError, ValueError):
            value = np.empty(0)
        if value.shape != shape or not np.isfinite(value).all():
            size = " by ".join(map(str, shape))
            raise CupbowError(f"{path}: {name} is not {size} numbers; calibrate the sensor again")
        return value

    device, worn = data.get("device"), data.get("worn")
    if not isinstance(device, str) or not device:
        raise CupbowError(f"{path}: device is missing; calibrate the sensor again")
    covariance = numbers("covariance", (21, 21))
    if np.any(np.diag(covariance) <= 0):
        raise CupbowError(f"{path}: covariance has no positive diagonal; calibrate the sensor again")
    return SensorCalibration(
        device=device,
        made_at=str(data.get("made_at", "")),
        gyro_bias=numbers("gyro_bias_rad_s", (3,)),
        gyro_matrix=numbers("gyro_matrix", (3, 3)),
        accel_bias=numbers("accel_bias_m_s2", (3,)),
        accel_matrix=numbers("accel_matrix", (3, 3)),
        covariance=covariance,
        worn=worn if worn in ("forearm", "hand", "club") else None,
    )


# ------------------------------------------------------------------------------ use in a recording
def for_recording(path: Path | str, recording: Recording) -> Calibration:
    """The sensors' part of a calibration, from one device's file or a folder of them.

    A file serves the sensor whose device the recording names; where it names none, the sensor worn where
    the device was worn when it was calibrated, or the only one. Raises CupbowError where none fits.
    """
    from imu.saved_calibration import Calibration

    path = Path(path)
    files = sorted(path.glob("*.toml")) if path.is_dir() else [path]
    if not files:
        raise CupbowError(f"{path}: holds no sensor's calibration; cupbow calibrate makes one")
    known = [load_sensor(f) for f in files]
    chosen: dict[Role, SensorCalibration] = {}
    for role in recording.streams:
        name = named(recording, role)
        fit = [c for c in known if c.device == name]
        if name is None:
            fit = [c for c in known if c.worn == role] or (known if len(recording.streams) == len(known) == 1 else [])
        if fit:
            chosen[role] = max(fit, key=lambda c: c.made_at)
    if not chosen:
        devices = ", ".join(c.device for c in known)
        raise CupbowError(
            f"{path}: is of {devices}, which this recording does not name; calibrate with --role, saying where it is worn"
        )
    names = tuple((f"{kind}:{role}", _UNKNOWNS[kind]) for role in chosen for kind in SENSOR_UNKNOWNS)
    size = sum(_UNKNOWNS.values())
    covariance = np.zeros((size * len(chosen), size * len(chosen)))
    values: dict[str, Array] = {}
    for i, (role, one) in enumerate(chosen.items()):
        covariance[size * i : size * (i + 1), size * i : size * (i + 1)] = one.covariance
        values |= {f"{kind}:{role}": value for kind, value in one.values().items()}
    return Calibration(
        handedness=recording.handedness,
        roles=tuple(chosen),
        names=names,
        values=values,
        covariance=covariance,
        made_at=min(c.made_at for c in chosen.values()),
    )


def named(recording: Recording, role: Role) -> str | None:
    """What a recording calls the device worn there: its address, else its name; None where it was not
    recorded live."""
    live = recording.extra.get("live")
    about = live.get(role) if isinstance(live, dict) else None
    if not isinstance(about, str) or not about:
        return None
    parts = about.split(", ")  # name, what it is, address: see imu.recorder
    return parts[-1] if len(parts) >= 3 else parts[0]


# ------------------------------------------------------------------------------------ what was done
@dataclass(frozen=True)
class Lying:
    """The device lay on a face: its rests with that face up, one after the other, and by how much it had
    turned about the vertical at each since the first (rad, by the gyro as it is)."""

    face: str
    rests: tuple[tuple[float, float], ...]
    turned: tuple[float, ...]

    @property
    def longest_s(self) -> float:
        return max(end - start for start, end in self.rests)

    @property
    def whole(self) -> tuple[int, int, int] | None:
        """Turns, and the numbers of the rests before and after: the most whole turns between two rests
        that came back to where they started, as far as a gyro out of the box can tell."""
        best: tuple[int, float, int, int] | None = None
        for i in range(len(self.rests)):
            for j in range(i + 1, len(self.rests)):
                angle = abs(self.turned[j] - self.turned[i])
                turns = round(angle / (2 * np.pi))
                off = abs(angle - 2 * np.pi * turns)
                if turns and off < 5 * DEG + 0.02 * angle and (best is None or (turns, -off) > best[:2]):
                    best = (turns, -off, i, j)
        return None if best is None else (best[0], best[2], best[3])

    @property
    def most_turned(self) -> float:
        """Rad, between any two of its rests."""
        return max(self.turned) - min(self.turned)


@dataclass(frozen=True, eq=False)
class Seen:
    """What of a bench calibration a stretch of samples shows."""

    lying: tuple[Lying, ...]
    moved: frozenset[str] = field(default_factory=frozenset)  # faces that were up, but not for long enough

    @property
    def faces(self) -> set[str]:
        return {x.face for x in self.lying if x.longest_s >= HOLD_S}

    @property
    def turned_axes(self) -> set[str]:
        return {x.face[1] for x in self.lying if x.whole}

    @property
    def untipped_axes(self) -> list[str]:
        """Axes about which it was not tipped from face to face three times: what is cross-axis about
        them stays as the data sheet has it."""
        counts = dict.fromkeys("xyz", 0)
        for before, after in zip(self.lying[:-1], self.lying[1:], strict=True):
            level = set("xyz") - {before.face[1], after.face[1]}
            if len(level) == 1:
                counts[level.pop()] += 1
        return [axis for axis, n in counts.items() if n < 3]

    def faults(self, turns: int | None = None) -> list[str]:
        """What is missing or was done wrongly, one line each. `turns`: how many each was to be."""
        out = []
        for face in FACES:
            if face in self.faces:
                continue
            how = f"with {face} up it was moved" if face in self.moved else f"it never lay with {face} up"
            out.append(f"{how}; lay it down so and leave it for {HOLD_S:.0f} s")
        for axis in "xyz":
            mine = [x for x in self.lying if x.face[1] == axis]
            made = [x.whole[0] for x in mine if x.whole]
            if made and (turns is None or turns in made):
                continue
            if made:
                out.append(f"about {axis} it was turned {max(made)} times, not {turns}; turn it again")
                continue
            most = max(mine, key=lambda x: x.most_turned, default=None)
            if most is not None and most.most_turned > 60 * DEG:
                out.append(
                    f"with {most.face} up it was turned by {np.degrees(most.most_turned):.0f}°; turn it by whole "
                    "turns, back to the edge where it started, and leave it still before and after"
                )
            else:
                out.append(f"it was not turned about {axis}; with +{axis} up turn it, and back to its edge")
        return out


def seen(samples: Samples, calm: cal.Quiet | None = None) -> Seen:
    """Faces and turns in a stretch of one sensor's samples (without gaps, see `imu.repair`)."""
    calm = calm or cal.quiet(samples)
    period = samples.period_s
    mean_rate = samples.gyro - calm.bias
    lying: list[Lying] = []
    for a, b in cal.runs(calm.still, max(3, round(_REST_S / period))):
        accel = samples.accel[a:b].mean(axis=0)
        face = _face(accel)
        if face is None:
            continue
        rest = (samples.start_s + a * period, samples.start_s + (b - 1) * period)
        if lying and lying[-1].face == face:
            last = lying[-1]
            rates = mean_rate[samples.index(last.rests[-1][1]) : a]
            turned = last.turned[-1] + float(np.sum(rates @ accel)) * period / float(np.linalg.norm(accel))
            lying[-1] = Lying(face, (*last.rests, rest), (*last.turned, turned))
        else:
            lying.append(Lying(face, (rest,), (0.0,)))
    moved = set()
    faces = [_face(a) for a in samples.accel[:: max(1, round(0.05 / period))]]
    for face in FACES:
        if faces.count(face) * 0.05 > 1.0:
            moved.add(face)
    return Seen(tuple(lying), frozenset(moved))


def _face(accel: Array) -> str | None:
    size = np.linalg.norm(accel)
    if not 0.7 * GRAVITY < size < 1.3 * GRAVITY:
        return None
    k = int(np.argmax(np.abs(accel)))
    if abs(accel[k]) < np.cos(25 * DEG) * size:
        return None
    return ("+" if accel[k] > 0 else "-") + "xyz"[k]


def mended(stream: Stream) -> tuple[Samples, tuple[Jump, ...]]:
    """One sensor's samples on a uniform clock, gaps filled, and where a turn had to be guessed."""
    repaired = repair({stream.role: uniform(stream)})
    return repaired.sensors[stream.role], repaired.jumps


# ---------------------------------------------------------------------------------------- estimate
class _OnTable(Problem):
    """The fit of one sensor, which also knows that a device came back to its edge."""

    def __init__(self, *args: Any, edges: Sequence[tuple[float, float] | None], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.edges = edges

    def rows(self, state: State, w: int) -> tuple[Array, Array, dict[str, Array]]:
        residual, jacobian, series = super().rows(state, w)
        edge = self.edges[w]
        if edge is None:
            return residual, jacobian, series
        role, own, lasting = self.roles[0], self.passing[w], self.lasting
        track, t = self.track(state, w, role), np.array(edge)
        attitude = track.at(t)
        by_bias, by_matrix = (UP @ (x[1] - x[0]).reshape(3, -1) for x in track.sensitivities(t))
        sd = _TURN_SD * np.sqrt(2)
        row = np.zeros(jacobian.shape[1])
        row[own[f"bias:{role}"]] = -by_bias
        row[own.size :][lasting[f"bias:{role}"]] = -by_bias
        row[own.size :][lasting[f"matrix:{role}"]] = by_matrix
        for i, jump in enumerate(self.windows[w].jumps):
            if t[0] < jump.t_s < t[1]:
                row[own["jumps"]][3 * i : 3 * i + 3] = UP
        turned = UP @ log(attitude[1] @ attitude[0].T)
        return np.append(residual, turned / sd), np.vstack([jacobian, row / sd]), series


def calibrate_sensor(
    stream: Stream, *, device: str, turns: int | None = None, worn: Role | None = None
) -> SensorCalibration:
    """What the six faces and the turns in a stream tell of its device.

    `turns`: how many whole turns each was to be; None: as many as were made. Raises RecordingError, in
    one line, for a face or a turn that is missing, was moved or is wrong.
    """
    samples, jumps = mended(stream)
    calm = cal.quiet(samples)
    done = seen(samples, calm)
    faults = done.faults(turns)
    if faults:
        more = f" (and {len(faults) - 1} more to mend)" if len(faults) > 1 else ""
        raise RecordingError(f"{stream.source}: {faults[0]}{more}")
    _plausible(samples, done, stream)
    role = samples.role
    windows: list[Window] = []
    edges: list[tuple[float, float] | None] = []
    rests = {x: _rests(samples, calm, *x) for lying in done.lying for x in lying.rests}
    for lying in done.lying:
        if lying.whole:
            _, i, j = lying.whole
            windows.append(_window(samples, lying.rests[i : j + 1], rests, jumps))
            edges.append((float(np.mean(lying.rests[i])), float(np.mean(lying.rests[j]))))
    for before, after in zip(done.lying[:-1], done.lying[1:], strict=True):
        windows.append(_window(samples, (before.rests[-1], after.rests[0]), rests, jumps))
        edges.append(None)
    nothing = np.zeros(3)
    firsts = []
    for window in windows:
        rest = window.rests[0]
        start = cal.level(samples, calm, rest.t_s - 0.2, rest.t_s + 0.2)[0]
        firsts.append({role: start})
    state = State(
        matrix={role: np.zeros((3, 3))},
        accel_bias={role: nothing},
        accel_matrix={role: np.zeros((3, 3))},
        bias={role: calm.bias},
        clock={},
        mount={},
        grip=np.eye(3),
        slip=0.0,
        coupling=np.zeros(5),
        lag=0.0,
        slipped=np.zeros((0, 3)),
        first=tuple(firsts),
        bias_change=tuple({role: nothing} for _ in windows),
        regrip=tuple(nothing for _ in windows),
        jumps=tuple(np.zeros((len(w.jumps), 3)) for w in windows),
    )
    problem = _OnTable(
        {role: samples}, windows, state, side=1, beliefs=Beliefs(bias_change=0.02 * DEG), clocks={}, edges=edges
    )
    solution = problem.solve()
    where = np.concatenate([np.arange(problem.lasting.size)[problem.lasting[f"{k}:{role}"]] for k in _UNKNOWNS])
    covariance = solution.parts.covariance[np.ix_(where, where)]
    found = solution.state
    return SensorCalibration(
        device=device,
        made_at=datetime.now(UTC).isoformat(timespec="seconds"),
        gyro_bias=found.bias[role],
        gyro_matrix=found.matrix[role],
        accel_bias=found.accel_bias[role],
        accel_matrix=found.accel_matrix[role],
        covariance=0.5 * (covariance + covariance.T),
        worn=worn,
    )


def _plausible(samples: Samples, done: Seen, stream: Stream) -> None:
    """Raises where opposite faces read what no working accelerometer does."""
    for k, axis in enumerate("xyz"):
        up, down = (
            np.mean(
                [samples.accel[samples.index(a) : samples.index(b)][:, k].mean() for x in done.lying for a, b in x.rests
                 if x.face == sign + axis]
            )
            for sign in "+-"
        )  # fmt: skip
        scale = (up - down) / (2 * GRAVITY)
        if abs(scale - 1) > _WIDEST_SCALE:
            raise RecordingError(
                f"{stream.source}: axis {axis} reads {scale:.2f} g on its faces; check the accelerometer's unit, "
                "or have the sensor looked at"
            )


def _rests(samples: Samples, calm: cal.Quiet, start_s: float, end_s: float) -> list[Rest]:
    trim = min(0.15, 0.2 * (end_s - start_s))
    found = cal.rests(samples, calm, start_s + trim, end_s - trim)
    return [
        replace(r, accel_sd=_REST_ACCEL, turn_sd=_REST_TURN / max(r.length_s, 0.2))
        for r in found
        if r.turn_sd is not None
    ]


def _window(
    samples: Samples,
    stretches: Sequence[tuple[float, float]],
    rests: dict[tuple[float, float], list[Rest]],
    jumps: Sequence[Jump],
) -> Window:
    start, end = max(samples.start_s, stretches[0][0]), min(samples.end_s, stretches[-1][1])
    mine = [r for s in stretches for r in rests[s]]
    return Window(start, end, rests=tuple(mine), jumps=tuple(j for j in jumps if start < j.t_s < end))
