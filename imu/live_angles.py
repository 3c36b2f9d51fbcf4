"""Angles now: attitudes that follow the samples as they come, with the calibration of the fit.

The joint fit (`imu.measuring`) needs the motion before and after; a student on the range needs the
wrist now. What the fit found that outlasts it (gyro and accelerometer corrections, clocks, mounting,
grip, how well each is known) is a `Model`. `LiveAngles` carries each sensor's attitude on with a
library filter for tilt (VQF: Laidig & Seel 2023, Information Fusion 91:187–204) and keeps the
headings between the sensors from what the joints allow: a wrist has no axial part (the share that
skin lets slip aside), hand and club are one body while the club is held. Angles come out of the same
`kinematics.posture` as everywhere. After a swing its numbers come from `imu.measuring`, not from here.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy.spatial.transform import Rotation

from imu import kinematics
from imu.fit import DEG, wrist_angles
from imu.fitting import Fitted
from imu.readers.source import Chunk
from imu.recording import GRAVITY, Array, Role

LIVE_ANGLES = ("wrist_flexion", "wrist_deviation", "face_to_forearm", "shaft_elevation")
"""What can be said now; the rest needs an address or an impact."""

STALE_S = 0.25
_NEEDS: Mapping[str, tuple[str, ...]] = {
    "wrist_flexion": ("forearm", "hand"),
    "wrist_deviation": ("forearm", "hand"),
    "face_to_forearm": ("forearm", "club"),
    "shaft_elevation": ("club",),
}

_FRAME_S = 0.1  # spacing of the frames by which headings are kept
_MEMORY_S = 8.0
_HEADING_WALK = 0.05 * DEG  # rad per root second: how a corrected heading wanders
_AXIAL_SD = 2.5 * DEG  # axial play and slip, as one slow error
_AXIAL_FRAMES = 10  # frames that share one draw of it
_TILT_SD = 0.7 * DEG  # of a tilt in calm; see tests/test_live_angles.py
_TURN_SHARE = 0.006  # of what a sensor turns through: scale and axes left over
_TURN_SHARE_LATE = 0.02  # where stamps are arrivals, and losses show late
_LATE_S = 0.02  # how far such a stamp may be off now
_SLOW = 300 * DEG
_FAST = 400 * DEG
_CALM = 30 * DEG
_TAU_MOVING_S = 5.0
_TAU_CALM_S = 1.5


@dataclass(frozen=True, eq=False)
class Model:
    """What a fit found that outlasts it. Rotations are (3, 3); `mount` is segment to sensor."""

    side: int
    mount: Mapping[str, Array]
    grip: Array | None  # hand to club coordinates
    hand_role: Role | None  # the sensor that gives the hand: the club where there is no other
    bias: Mapping[Role, Array]
    matrix: Mapping[Role, Array]
    accel_bias: Mapping[Role, Array]
    accel_matrix: Mapping[Role, Array]
    period_s: Mapping[Role, float]  # on the sensor's own clock
    late: Mapping[Role, bool]  # stamped on arrival
    clock: Mapping[Role, tuple[float, float]]  # t_first = own + offset + drift * own, own since base_s
    base_s: float
    face_zero: float | None  # face about the shaft for a flat wrist in the own grip
    own_flat: bool
    sd: Mapping[str, float]  # rad, of each angle as the fit knows it
    missing: Mapping[str, str]

    @classmethod
    def of(cls, fitted: Fitted, *, base_s: float) -> Model | None:
        """None where the fit had nothing to stand on. `base_s`: first stamp of the first sensor."""
        solution, prepared = fitted.solution, fitted.prepared
        if solution is None:
            return None
        state = solution.state
        clock = {}
        for role in prepared.sensors:
            offset, drift = prepared.clocks[role].offset_s, prepared.clocks[role].drift
            more, extra = state.clock.get(role, (0.0, 0.0))
            clock[role] = (offset * (1 + extra) + more, (1 + drift) * (1 + extra) - 1)
        flat = kinematics.flat_face(solution)
        own_flat = fitted.own_flat and flat is not None
        return cls(
            side=prepared.side,
            mount=dict(state.mount),
            grip=state.grip if solution.problem.hand_role == "hand" and "club" in state.mount else None,
            hand_role=solution.problem.hand_role,
            bias={r: state.bias[r] + state.bias_change[-1][r] for r in state.bias},
            matrix=dict(state.matrix),
            accel_bias=dict(state.accel_bias),
            accel_matrix=dict(state.accel_matrix),
            period_s={r: x.own_period_s for r, x in prepared.sensors.items()},
            late={r: x.stamps == "arrival" for r, x in prepared.sensors.items()},
            clock=clock,
            base_s=base_s,
            face_zero=flat[0] if flat is not None and fitted.face_known else None,
            own_flat=own_flat,
            sd=_known_to(fitted),
            missing=dict(fitted.missing),
        )


def _known_to(fitted: Fitted) -> dict[str, float]:
    """How well the fit knows each angle where the body moves slowly: the median over its windows."""
    solution = fitted.solution
    assert solution is not None
    found: dict[str, list[float]] = {}
    for w, window in enumerate(solution.problem.windows):
        t = np.linspace(window.start_s + 0.05, window.end_s - 0.05, 12)
        angles = kinematics.angles_at(
            solution, w, t, float(t[0]), face_known=fitted.face_known, own_flat=fitted.own_flat
        )
        for name, jacobian in angles.jacobian.items():
            found.setdefault(name, []).extend(np.sqrt(np.maximum(solution.variance(w, jacobian), 0)))
    return {name: float(np.median(values)) for name, values in found.items()}


@dataclass(frozen=True)
class Now:
    """One angle now: degrees and their expanded uncertainty, or none and why."""

    value_deg: float | None
    u95_deg: float | None = None
    reason: str | None = None


@dataclass(frozen=True)
class Reading:
    """All angles at one instant. `t_s` is on the first sensor's clock, `arrival_s` on the session's:
    when the last sample that it needed arrived."""

    t_s: float
    arrival_s: float
    angles: Mapping[str, Now]
    speed_dps: float  # of the fastest sensor: still, slow or swinging


class _Clock:
    """Stamps as they come → times on the sensor's own clock, and how many samples are missing before
    each. The live sibling of `imu.timebase.uniform`, which sees the whole recording."""

    _WATCH_S = 0.4

    def __init__(self, *, period_s: float, late: bool) -> None:
        self.period_s, self.late = period_s, late
        self._last: float | None = None
        self._base = 0.0
        self._n = 0
        self._recent: deque[tuple[float, float]] = deque()  # stamp, lateness

    def place(self, stamps: Array, lost: int | None) -> tuple[Array, np.ndarray]:
        """Times (n,) and missing samples (n,) before each of them. `lost` is what the sensor itself
        counted before the first."""
        missing = np.zeros(len(stamps), int)
        if not self.late:
            if self._last is not None:
                steps = np.diff(np.concatenate([[self._last], stamps])) / self.period_s
                missing = np.maximum(np.round(steps).astype(int) - 1, 0)
            if lost:
                missing[0] = max(missing[0], lost)
            self._last = float(stamps[-1])
            return stamps, missing
        t = np.empty(len(stamps))
        for i, stamp in enumerate(stamps):
            if self._last is None:
                self._base = float(stamp)
            self._last = float(stamp)
            late = stamp - self._base - self._n * self.period_s
            if late < 0:  # earlier than ever: nothing arrives before it was taken
                self._base += late
                self._recent = deque((at, x - late) for at, x in self._recent)
                late = 0.0
            self._recent.append((float(stamp), float(late)))
            while stamp - self._recent[0][0] > self._WATCH_S:
                self._recent.popleft()
            # Lateness comes and goes; what never falls back for so long is a sample that is missing.
            if stamp - self._recent[0][0] > 0.8 * self._WATCH_S and len(self._recent) > 10:
                floor = min(x for _, x in self._recent)
                if floor > 0.7 * self.period_s:
                    gone = max(1, round(floor / self.period_s))
                    missing[i] = gone
                    self._n += gone
                    shift = gone * self.period_s
                    self._recent = deque((at, max(0.0, x - shift)) for at, x in self._recent)
                else:
                    self._base += 0.01 * floor
            t[i] = self._base + self._n * self.period_s
            self._n += 1
        return t, missing


@dataclass(eq=False)
class _Sensor:
    role: Role
    period_s: float
    clock: _Clock
    filter: object
    correct: Array
    bias: Array
    accel_bias: Array
    accel_correct: Array
    offset_s: float
    drift: float
    last_t_s: float = -math.inf
    last_arrival_s: float = -math.inf
    clipped_s: float = -math.inf
    limit: float = math.inf
    tau_s: float = 0.0
    tilt_sd: float = 5 * DEG  # how far gravity may be off: grows through motion, falls in calm
    history: deque[tuple[Array, Array, Array]] = field(default_factory=lambda: deque(maxlen=24))
    rate: Array = field(default_factory=lambda: np.zeros(3))


class LiveAngles:
    """Follows the sensors of a `Model`. Feed chunks in the order of arrival; ask `reading`."""

    def __init__(self, model: Model, *, gyro_ranges: Mapping[Role, float | None] | None = None) -> None:
        from vqf import VQF

        self.model = model
        self._sensors: dict[Role, _Sensor] = {}
        for role, period in model.period_s.items():
            offset, drift = model.clock[role]
            full = (gyro_ranges or {}).get(role)
            self._sensors[role] = _Sensor(
                role=role,
                period_s=period,
                clock=_Clock(period_s=period, late=model.late[role]),
                # The fit has found the bias already; what is left wanders slowly.
                filter=VQF(period, tauAcc=_TAU_MOVING_S, biasSigmaInit=0.1, biasClip=1.0),
                correct=np.asarray((np.eye(3) + model.matrix[role]).T),
                bias=model.bias[role],
                accel_bias=model.accel_bias[role],
                accel_correct=np.asarray(np.linalg.inv(np.eye(3) + model.accel_matrix[role]).T, float),
                offset_s=offset,
                drift=drift,
                limit=0.99 * full if full else math.inf,
                tau_s=_TAU_MOVING_S,
            )
        self._hand: Role | None = model.hand_role if model.hand_role in self._sensors else None
        self._heading: dict[str, float] = {}  # of hand and club sensors against the forearm's frame
        self._heading_sd: dict[str, float] = {}
        self._frames: deque[tuple[float, dict[Role, Array]]] = deque(maxlen=round(_MEMORY_S / _FRAME_S))
        self._framed_s = -math.inf
        self._settled_s = -math.inf

    # -- samples in
    def feed(self, chunk: Chunk) -> None:
        sensor = self._sensors.get(chunk.role)
        if sensor is None or len(chunk) == 0:
            return
        known = chunk.lost if chunk.device_time and chunk.seq is not None else None
        own, missing = sensor.clock.place(chunk.t_s - self.model.base_s, known)
        t = own + sensor.offset_s + sensor.drift * own
        gyro = chunk.gyro @ sensor.correct - sensor.bias
        accel = (chunk.accel - sensor.accel_bias) @ sensor.accel_correct
        parts, start = [], 0
        for i in (*np.flatnonzero(missing), len(own)):
            if i > start:
                parts.append(self._advance(sensor, gyro[start:i], accel[start:i]))
                sensor.rate = gyro[i - 1]
                self._wear(sensor, gyro[start:i])
            if i < len(own):
                self._bridge(sensor, int(missing[i]), gyro[i])
                start = int(i)
        sensor.history.append((t, np.concatenate(parts), gyro))
        sensor.last_t_s, sensor.last_arrival_s = float(t[-1]), chunk.arrival_s
        if np.abs(chunk.gyro).max() >= sensor.limit:
            sensor.clipped_s = float(t[-1])
            self._doubt(sensor, 0.1 * sensor.limit * len(chunk) * sensor.period_s, alone=True)

    def _wear(self, sensor: _Sensor, gyro: Array) -> None:
        """How sure tilt and heading are after these samples."""
        speed = float(np.linalg.norm(gyro, axis=1).mean())
        length = len(gyro) * sensor.period_s
        if speed < _CALM:
            keep = math.exp(-length / _TAU_CALM_S)
            sensor.tilt_sd = math.hypot(sensor.tilt_sd * keep, _TILT_SD * math.sqrt(1 - keep**2))
        else:
            self._doubt(sensor, (_TURN_SHARE_LATE if sensor.clock.late else _TURN_SHARE) * speed * length)

    def _doubt(self, sensor: _Sensor, turn: float, *, alone: bool = False) -> None:
        """A turn (rad) that was not seen well: tilt and heading may be off by so much more. Errors of
        scale add up through a swing; those that stand `alone`, like gaps, add in squares."""

        def more(sd: float) -> float:
            return min(math.hypot(sd, turn) if alone else sd + turn, math.pi)

        sensor.tilt_sd = more(sensor.tilt_sd)
        key = self._key(sensor.role)
        for name in tuple(self._heading_sd) if sensor.role == "forearm" else (key,):
            if name in self._heading_sd:
                self._heading_sd[name] = more(self._heading_sd[name])
        if turn > 3 * DEG:  # headings of before and after are no longer one
            self._frames.clear()

    def _bridge(self, sensor: _Sensor, missing: int, after: Array) -> None:
        """Over missing samples the mean of both sides stands in. The tilt mends itself; how far the
        heading may be off is remembered."""
        fill = (sensor.rate + after) / 2
        for _ in range(min(missing, round(0.3 / sensor.period_s))):
            sensor.filter.updateGyr(fill)  # type: ignore[attr-defined]
        gone = missing * sensor.period_s
        jerky = 0.25 * float(np.linalg.norm(after - sensor.rate)) + 0.05 * float(np.linalg.norm(fill))
        self._doubt(sensor, jerky * gone if gone < 0.3 else math.pi, alone=True)

    @staticmethod
    def _advance(sensor: _Sensor, gyro: Array, accel: Array) -> Array:
        """Attitudes (n, 4) after each sample. Gravity is believed where the body moves gently."""
        f: Any = sensor.filter
        speed = float(np.abs(gyro).max())
        odd = float(np.abs(np.linalg.norm(accel, axis=1) / GRAVITY - 1).max())
        if speed > _FAST or odd > 0.5:
            out = np.empty((len(gyro), 4))
            for i, g in enumerate(gyro):
                f.updateGyr(g)
                out[i] = f.getQuat6D()
            return out
        calm = speed < _CALM and odd < 0.1
        tau = _TAU_CALM_S if calm else _TAU_MOVING_S
        if tau != sensor.tau_s:
            f.setTauAcc(tau)
            sensor.tau_s = tau
        return np.asarray(f.updateBatch(np.ascontiguousarray(gyro), np.ascontiguousarray(accel))["quat6D"])

    def _key(self, role: Role) -> str:
        return "hand" if role == self._hand and role != "club" else role

    def settle(self) -> None:
        """As `reading`, for what came before: headings only."""
        there = [s for s in self._sensors.values() if s.history]
        if there and max(s.last_t_s for s in there) - self._framed_s >= _FRAME_S:
            at = min(s.last_t_s for s in there)
            speed = max(float(np.linalg.norm(s.rate)) for s in there)
            self._keep_headings(at, {s.role: _at(s, at) for s in there if at - s.last_t_s < STALE_S}, speed)

    # -- angles out
    def reading(self) -> Reading | None:
        """The newest instant that every sensor that is there has reached; None before any."""
        there = [s for s in self._sensors.values() if s.history]
        if not there:
            return None
        newest = max(s.last_t_s for s in there)
        newest_arrival = max(s.last_arrival_s for s in there)
        fresh = [s for s in there if newest - s.last_t_s <= STALE_S and newest_arrival - s.last_arrival_s <= STALE_S]
        at = min(s.last_t_s for s in fresh)
        attitude = {s.role: _at(s, at) for s in fresh}
        speed = max(float(np.linalg.norm(s.rate)) for s in fresh)
        self._keep_headings(at, attitude, speed)
        arrival = max(s.last_arrival_s for s in fresh)
        return Reading(at, arrival, self._angles(at, attitude), float(np.degrees(speed)))

    def _angles(self, at: float, attitude: Mapping[Role, Array]) -> dict[str, Now]:
        m = self.model
        segments: dict[str, Array] = {}
        for name, mount in m.mount.items():
            role: Any = self._hand if name == "hand" else name
            if role in attitude:
                turn = _yaw(self._heading.get(self._key(role), 0.0))
                segments[name] = (turn @ np.asarray(attitude[role]) @ mount)[None]
        out: dict[str, Now] = {}
        values = None
        if segments:
            values = kinematics.posture(
                segments.get("forearm"), segments.get("hand"), segments.get("club"), None, side=m.side
            )[0]
        for name in LIVE_ANGLES:
            reason = self._why_not(name, at, attitude, segments)
            if reason is not None or values is None:
                out[name] = Now(None, None, reason or "no sensor")
                continue
            value = float(values[kinematics.POSTURE_ANGLES.index(name)])
            if name == "face_to_forearm":
                value = float((value - (m.face_zero or 0.0) + np.pi) % (2 * np.pi) - np.pi)
            sd = self._sd(name, segments)
            if self.model.sd.get(name, 0.0) > 25 * DEG:
                out[name] = Now(None, None, "known after the first swing, which shows how the club is held")
                continue
            if not sd < 25 * DEG:
                out[name] = Now(None, None, "finding its bearings: hold still, then bend the wrist slowly")
                continue
            out[name] = Now(float(np.degrees(value)), float(np.degrees(1.96 * sd)))
        return out

    def _why_not(
        self, name: str, at: float, attitude: Mapping[Role, Array], segments: Mapping[str, Array]
    ) -> str | None:
        m = self.model
        for part in _NEEDS[name]:
            role = self._hand if part == "hand" else part
            if part in m.missing:
                return m.missing[part]
            if part not in m.mount or role is None:
                return f"no {part} sensor in the calibration"
            if role not in attitude:
                return f"{role} sensor lost"
            if at - self._sensors[role].clipped_s < 1.0:  # type: ignore[index]
                return f"{role} sensor clipped"
            if part not in segments:
                return f"no {part} sensor"
        if name == "face_to_forearm" and m.face_zero is None:
            return m.missing.get("face", "the face is not calibrated")
        return None

    def _sd(self, name: str, segments: Mapping[str, Array]) -> float:
        """What the fit knows, what tilt adds, and what a heading adds where the angle feels it."""
        base = self.model.sd.get(name, 5 * DEG)
        worn = {self._hand if part == "hand" else part for part in _NEEDS[name]}
        parts = [base, *(self._sensors[role].tilt_sd for role in worn)]  # type: ignore[index]
        for role in worn:
            sensor = self._sensors[role]  # type: ignore[index]
            if sensor.clock.late and len(worn) > 1:
                parts.append(float(np.linalg.norm(sensor.rate)) * _LATE_S)
        if len(_NEEDS[name]) == 2:
            moving = "club" if "club" in _NEEDS[name] else "hand"
            key = self._key(self._hand) if moving == "hand" and self._hand else moving
            sd = self._heading_sd.get(key, math.inf)
            if not math.isfinite(sd):
                return math.inf
            eps = 1e-4
            moved = {k: (_yaw(eps) @ v if k == moving else v) for k, v in segments.items()}
            i = kinematics.POSTURE_ANGLES.index(name)
            side = self.model.side
            a = kinematics.posture(
                segments.get("forearm"), segments.get("hand"), segments.get("club"), None, side=side
            )[0, i]
            b = kinematics.posture(moved.get("forearm"), moved.get("hand"), moved.get("club"), None, side=side)[0, i]
            parts.append(abs(float(b - a)) / eps * sd)
        return math.hypot(*parts)

    # -- headings between sensors
    def _keep_headings(self, at: float, attitude: dict[Role, Array], speed: float) -> None:
        if at - self._framed_s >= _FRAME_S and speed < _SLOW:
            self._framed_s = at
            self._frames.append((at, attitude))
        if at - self._settled_s < _FRAME_S or len(self._frames) < 5:
            return
        passed = min(at - self._settled_s, 60.0) if math.isfinite(self._settled_s) else 0.0
        self._settled_s = at
        for key in self._heading_sd:
            self._heading_sd[key] = math.hypot(self._heading_sd[key], _HEADING_WALK * math.sqrt(passed))
        if "forearm" in self.model.mount and self._hand and "hand" in self.model.mount:
            self._settle_wrist(self._hand)
        if self.model.grip is not None and {"hand", "club"} <= set(self.model.mount) and self._hand == "hand":
            self._settle_grip()

    def _pairs(self, a: Role, b: Role) -> tuple[Array, Array, Array]:
        rows = [(t, f[a], f[b]) for t, f in self._frames if a in f and b in f]
        if not rows:
            empty = np.empty((0, 3, 3))
            return np.empty(0), empty, empty
        t, x, y = zip(*rows, strict=True)
        return np.array(t), np.array(x), np.array(y)

    def _settle_wrist(self, role: Role) -> None:
        """The heading of the hand at which the wrist is least twisted over the last frames.

        A heading error is a turn about the vertical; it shows as twist as far as the forearm's long
        axis is vertical, and the frames of a second share one draw of the skin's play.
        """
        key = self._key(role)
        _, forearm, hand = self._pairs("forearm", role)
        if len(forearm) < 5:
            return
        f, h = forearm @ self.model.mount["forearm"], hand @ self.model.mount["hand"]
        side = self.model.side
        # The frames of a second share one draw of the skin's play, and old frames were seen before.
        age = np.arange(len(f))[::-1] * _FRAME_S
        weight = np.exp(-age / 4.0) / (_AXIAL_SD**2 * _AXIAL_FRAMES)
        if key not in self._heading:
            self._heading[key], self._heading_sd[key] = 0.0, np.pi
        now = self._heading[key]
        if self._heading_sd[key] < 8 * DEG:
            twist = float(np.sum(weight * np.abs(_axial(f, h, now, side)[0])) / np.sum(weight))
            if twist > 15 * DEG and len(f) > 15:  # no wrist is twisted so: it has lost its bearings
                self._heading_sd[key] = np.pi
        if self._heading_sd[key] >= 8 * DEG:  # too unsure to trust a slope: look about
            self._heading[key] = _coarse(f, h, side, now, self._heading_sd[key], weight)
        start, prior = self._heading[key], 1.0 / self._heading_sd[key] ** 2
        for _ in range(3):
            now = self._heading[key]
            a, slope = _axial(f, h, now, side)
            w = weight * np.where(np.abs(a) < 35 * DEG, 1.0 / (1.0 + (a / (2 * _AXIAL_SD)) ** 2), 0.0)
            info = float(np.sum(w * slope**2))
            step = (float(np.sum(-w * slope * a)) + prior * (start - now)) / (info + prior)
            self._heading[key] = now + float(np.clip(step, -5 * DEG, 5 * DEG))
            if abs(step) < 1e-4:
                break
        steady = 1.0 / math.sqrt(info + 1.0 / (25 * DEG) ** 2)
        gain = info / (info + prior)
        # A share of what is new each time; never surer than the play of the last seconds allows.
        self._heading_sd[key] = max(self._heading_sd[key] * math.sqrt(1 - 0.5 * gain), min(steady, 1.0 * DEG))

    def _settle_grip(self) -> None:
        """The heading of the club at which hand and club are one body, if they are."""
        assert self.model.grip is not None
        _, hand, club = self._pairs("hand", "club")
        if len(hand) < 5 or "hand" not in self._heading:
            return
        recent = slice(-10, None)
        want = _yaw(self._heading["hand"]) @ hand[recent] @ self.model.mount["hand"] @ self.model.grip.T
        have = club[recent] @ self.model.mount["club"]
        m = np.einsum("nij,nkj->ik", want, have)
        angle = math.atan2(m[1, 0] - m[0, 1], m[0, 0] + m[1, 1])
        off = Rotation.from_matrix(np.swapaxes(want, 1, 2) @ _yaw(angle) @ have).magnitude()
        if np.median(off) > 12 * DEG:  # not gripped as in the calibration
            if "club" in self._heading_sd:
                return
            self._heading_sd["club"] = 30 * DEG
            self._heading["club"] = angle
            return
        self._heading["club"] = angle
        self._heading_sd["club"] = math.hypot(self._heading_sd["hand"], 1.5 * DEG)


def _yaw(a: float) -> Array:
    c, s = math.cos(a), math.sin(a)
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])


def _axial(f: Array, h: Array, heading: float, side: int) -> tuple[Array, Array]:
    """Axial part (n,) of the wrist at a heading of the hand, and its slope."""
    eps = 1e-4
    a = wrist_angles(f, _yaw(heading) @ h, side)[:, 0]
    b = wrist_angles(f, _yaw(heading + eps) @ h, side)[:, 0]
    return a, ((b - a + np.pi) % (2 * np.pi) - np.pi) / eps


def _coarse(f: Array, h: Array, side: int, about: float, sd: float, weight: Array) -> float:
    """The likeliest heading, looked for three `sd` to both sides of `about`: little twist, within
    what a wrist can do, and not far from where it was without need."""
    reach = min(3 * sd, np.pi)
    best, least = about, math.inf
    for a in about + np.linspace(-reach, reach, max(9, 2 * math.ceil(reach / (4 * DEG)) + 1)):
        w = wrist_angles(f, _yaw(float(a)) @ h, side)
        # past its range of motion (AAOS: 80/70 and 30/20 deg) it is no wrist
        past = np.maximum(np.abs(w[:, 1]) - 75 * DEG, 0) + np.maximum(np.abs(w[:, 2]) - 45 * DEG, 0)
        cost = float(np.sum(weight * np.minimum(np.abs(w[:, 0]) + past, 40 * DEG) ** 2)) + ((a - about) / sd) ** 2
        if cost < least:
            best, least = float(a), cost
    return best


def _at(sensor: _Sensor, at: float) -> Array:
    """Attitude (3, 3) of a sensor at a time that its newest samples cover, or nearly."""
    for t, quats, gyro in reversed(sensor.history):
        if t[0] - sensor.period_s <= at:
            k = int(np.clip(np.searchsorted(t, at + 1e-9) - 1, 0, len(t) - 1))
            ahead = float(np.clip(at - t[k], -sensor.period_s, 2 * sensor.period_s))
            turned = Rotation.from_quat(quats[k], scalar_first=True) * Rotation.from_rotvec(gyro[k] * ahead)
            return turned.as_matrix()
    t, quats, _ = sensor.history[0]
    return Rotation.from_quat(quats[0], scalar_first=True).as_matrix()
