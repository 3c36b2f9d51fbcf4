"""Synthetic swings: what a player does, what sensors on the arm and club make of it, and the demo.

Three parts, each usable alone:

* `Script` → `Motion`: a player's joints through time. Every joint runs through knots joined by
  quintic pieces (minimum jerk where both ends rest: Flash & Hogan 1985, J Neurosci 5:1688), so
  that rates and accelerations are smooth; frames and points of the body follow from them.
* `SensorErrors` → `sense`: accelerometer and gyro samples at a point of a moving segment, by
  kinematics, then made as imperfect as consumer devices are.
* `Session` → `simulate`: poses, slow motions and swings, as a `Recording` in memory (for virtual
  sensors: `imu.readers.virtual` plays it) or a folder on disk (`write`).

`python -m imu.simulate FOLDER --seed N` writes the demo recordings. Everything is drawn from the
seed. These swings are invented and make no claim about how people swing; the ranges they keep to
are published and are named beside their checks in the tests.

The chain is that of a right-handed golfer's left arm; a left-handed golfer is its mirror image,
made in one place (`_mirrored`). World: x to the target, z up. Degrees in plans, radians inside.
"""

from __future__ import annotations

import gzip
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import optimize
from scipy.interpolate import BPoly

from imu.recording import GRAVITY, Array, Handedness, Pose, Recording, Role, Stream

DEG = np.pi / 180

JOINTS = ("swing", "tilt", "roll", "flexion", "deviation", "x", "y", "z", "reach")
"""swing: turn of the arm in its plane, back +; tilt: plane from the vertical, forward +; roll:
pronation +; flexion and deviation of the wrist (bowed +, ulnar +); x, y, z: where the arm turns
about, m; reach: from there to the wrist, m."""

Posture = Mapping[str, float]
SEGMENTS: tuple[Role, ...] = ("forearm", "hand", "club")

CLUBS: Mapping[str, tuple[float, float]] = {"driver": (57.0, 1.12), "7-iron": (62.5, 0.92)}
"""Club -> (lie in degrees, grip to head in m); usual values, common practice, no source."""

POINTS: Mapping[Role, tuple[float, float, float]] = {
    "forearm": (-0.028, 0.065, 0.004),  # from the wrist, forearm coordinates: dorsal, above the wrist
    "hand": (-0.022, -0.050, 0.002),  # from the wrist, hand coordinates: back of the hand
    "club": (0.200, 0.012, 0.003),  # from the grip, club coordinates: below the grip
}
GRIP = np.array([0.030, -0.085, 0.0])  # from the wrist, hand coordinates


# -- motion ----------------------------------------------------------------------------------------
@dataclass(frozen=True, kw_only=True)
class Player:
    """A golfer's body and hold of the club."""

    handedness: Handedness = "left"
    arm_m: float = 0.58  # shoulder to wrist
    forearm_m: float = 0.25  # elbow to wrist
    shaft_angle_deg: float = 135.0  # forearm to shaft with a straight wrist: how the club lies in the hand
    address_roll_deg: float = 8.0  # with it the club is gripped
    address_flexion_deg: float = -12.0
    pose_error_deg: float = 1.5  # standard deviation of how a pose is held


@dataclass(frozen=True, kw_only=True)
class SwingPlan:
    """How one swing is meant. Angles in degrees, times in seconds."""

    kind: str = "full"  # full | partial | slow
    ball: bool = True
    flexion_top: float = -12.0
    flexion_shaft_level: float = -10.0  # about when the shaft is level on the way down
    flexion_impact: float = -4.0
    deviation_top: float = -16.0
    swing_top: float = 176.0
    tilt_top: float = 40.0
    roll_top: float = 92.0
    face_impact: float = 0.0  # since address, open +
    backswing_s: float = 0.86
    downswing_s: float = 0.27
    still_s: float = 0.8
    waggles: int = 1
    speed: float = 1.0  # of the rates at impact


@dataclass(frozen=True)
class Held:
    """A pose as it was held: true seconds."""

    name: str
    start_s: float
    end_s: float


@dataclass(frozen=True)
class Swung:
    """A swing as it was planned: true seconds of takeaway, top, impact and finish."""

    plan: SwingPlan
    takeaway_s: float
    top_s: float
    impact_s: float
    finish_s: float


@dataclass(frozen=True, eq=False)
class State:
    """Where everything is at n times: segment -> (n, 3, 3) columns X, Y, Z (club: s, n, s × n) in
    the world, and points -> (n, 3) in m."""

    frames: Mapping[Role, Array]
    points: Mapping[str, Array]


@dataclass(frozen=True, eq=False)
class Motion:
    """A player's motion, as functions of true time."""

    player: Player
    club: str
    grip: Array  # (3, 3) club coordinates to hand coordinates
    curves: Mapping[str, BPoly]
    sway: Mapping[str, Array]  # joint -> (k, 3) amplitude, rad/s, phase
    blows: tuple[tuple[float, float, Array], ...]  # time, strength, phases
    poses: tuple[Held, ...]
    swings: tuple[Swung, ...]
    end_s: float

    def joints(self, t_s: Array) -> dict[str, Array]:
        """Joint -> (n,) values, rad or m."""
        t = np.clip(t_s, 0.0, self.end_s)
        out = {j: np.asarray(self.curves[j](t), float) for j in JOINTS}
        for joint, waves in self.sway.items():
            for amplitude, rate, phase in waves:
                out[joint] = out[joint] + amplitude * np.sin(rate * t_s + phase)
        for start, strength, phases in self.blows:
            lo, hi = np.searchsorted(t_s, [start, start + 0.5])
            if hi > lo:
                u = t_s[lo:hi] - start
                for k, (joint, step, ring, decay, hertz) in enumerate(_BLOW):
                    out[joint][lo:hi] += strength * _blow(u, step, ring, decay, 2 * np.pi * hertz * phases[k])
        return out

    def at(self, t_s: Array) -> State:
        return _mirrored(_chain(self.joints(t_s), self.grip), left_handed=self.player.handedness == "left")


_BLOW = (
    # joint, rate lost (rad/s), ringing (rad/s), time constant (s), frequency (Hz)
    ("deviation", 4.0, 1.5, 0.020, 36.0),
    ("flexion", 0.6, 0.9, 0.020, 31.0),
    ("roll", 0.8, 1.8, 0.020, 47.0),
    ("swing", 0.6, 0.4, 0.025, 24.0),
)
"""What first contact does to the hands: the head loses a fifth of its speed within half a
millisecond; the hands feel it through the shaft, and all rings and dies away. Orders of magnitude."""


_SEQUENCE = {"x": 0.045, "y": 0.04, "z": 0.035, "tilt": 0.03, "swing": 0.02, "flexion": 0.01, "roll": -0.01}
"""Seconds by which a joint passes the ball's place before the wrist uncocks, where there is no ball:
from the body out. With a ball all are there at once, so that the planned face meets it."""


def _blow(u: Array, step: float, ring: float, decay: float, rate: float) -> Array:
    """An angle whose rate drops by `step` within a millisecond and comes back, with a dying ring."""
    onset = np.clip(u / 0.001, 0, 1) ** 2 * (3 - 2 * np.clip(u / 0.001, 0, 1))
    return onset * np.exp(-u / decay) * (-step * u + ring / rate * np.sin(rate * u))


def _about(axis: int, angle: Array) -> Array:
    """(n, 3, 3) rotations about a coordinate axis."""
    c, s = np.cos(angle), np.sin(angle)
    out = np.zeros((len(angle), 3, 3))
    i, j = (axis + 1) % 3, (axis + 2) % 3
    out[:, axis, axis] = 1.0
    out[:, i, i] = out[:, j, j] = c
    out[:, j, i], out[:, i, j] = s, -s
    return out


_HANGING = np.array([[-1.0, 0, 0], [0, 0, 1], [0, 1, 0]])
"""Left forearm hanging, thumb forward (a right-handed golfer looks along -y): X palmar to -x,
Y proximal up, Z ulnar to +y."""


def _chain(q: Mapping[str, Array], grip: Array) -> State:
    """Frames and points of a right-handed golfer's left arm, hand and club."""
    turned = _about(0, -q["tilt"]) @ _about(1, q["swing"]) @ _HANGING
    forearm = turned @ _about(1, -q["roll"])  # pronation of a left arm is a negative turn about Y
    hand = forearm @ _about(2, q["flexion"]) @ _about(0, -q["deviation"])
    club = hand @ grip
    pivot = np.stack([q["x"], q["y"], q["z"]], axis=1)
    wrist = pivot - q["reach"][:, None] * forearm[:, :, 1]
    grip_point = wrist + hand @ GRIP
    points = {
        "wrist": wrist,
        "grip": grip_point,
        "forearm": wrist + forearm @ np.array(POINTS["forearm"]),
        "hand": wrist + hand @ np.array(POINTS["hand"]),
        "club": grip_point + club @ np.array(POINTS["club"]),
    }
    return State({"forearm": forearm, "hand": hand, "club": club}, points)


def _mirrored(state: State, *, left_handed: bool) -> State:
    """The mirror image across the plane of target line and vertical. Directions that have a meaning
    (palmar, proximal, shaft, face) are mirrored; the third axis follows from them."""
    if not left_handed:
        return state
    across, third = np.array([1.0, -1.0, 1.0]), np.array([1.0, 1.0, -1.0])
    frames = {k: across[:, None] * f * third for k, f in state.frames.items()}
    return State(frames, {k: p * across for k, p in state.points.items()})


def _curve(knots: Sequence[tuple[float, float, float, float]], soft: set[float]) -> BPoly:
    """Curve through (time, value, rate, acceleration). At knots whose time is in `soft` the jerk
    doesn't jump either: where there is no ball, a jump would feel like one."""
    times = [k[0] for k in knots]
    rows: list[list[float]] = [list(k[1:]) for k in knots]
    jerk = BPoly.from_derivatives(times, rows).derivative(3)
    for time, row in zip(times, rows, strict=True):
        if time in soft:
            row.append(float(jerk(time - 1e-9) + jerk(time + 1e-9)) / 2)
    return BPoly.from_derivatives(times, rows)


class Script:
    """Writes a motion from its start to its end: postures, holds, swings."""

    def __init__(self, player: Player, club: str, rng: np.random.Generator) -> None:
        if club not in CLUBS:
            raise ValueError(f"club {club!r} is not known; one of {', '.join(CLUBS)}")
        self.player, self.club, self.rng = player, club, rng
        self.now = 0.0
        self.knots: dict[str, list[tuple[float, float, float, float]]] = {}
        self.poses: list[Held] = []
        self.swings: list[Swung] = []
        self.blows: list[tuple[float, float, Array]] = []
        self.soft: set[float] = set()
        lie, _ = CLUBS[club]
        angle = player.shaft_angle_deg * DEG
        along = np.array([0.0, np.cos(angle), -np.sin(angle)])  # shaft leaves the fist on the thumb's side
        self.grip = np.column_stack([along, [1.0, 0, 0], np.cross(along, [1.0, 0, 0])])
        self.address = self._soled(lie * DEG, lean=4.0 * DEG, roll=player.address_roll_deg * DEG)
        # the club is gripped so that its face is square at that address
        frames = _chain({j: np.array([x]) for j, x in self.address.items()}, self.grip).frames
        hand, s = frames["hand"][0], frames["club"][0][:, 0]
        n = np.array([1.0, 0, 0]) - s[0] * s
        n /= np.linalg.norm(n)
        self.grip = hand.T @ np.column_stack([s, n, np.cross(s, n)])
        self.rest: Posture = {**self.address, "swing": 0.05, "tilt": 4 * DEG, "deviation": 10 * DEG}
        for joint in JOINTS:
            self.knots[joint] = [(0.0, self.rest[joint], 0.0, 0.0)]

    def _soled(self, lie: float, *, lean: float, roll: float) -> dict[str, float]:
        """Posture with the club at its lie, the shaft leaning to the target by `lean`."""
        base = {
            "roll": roll,
            "flexion": self.player.address_flexion_deg * DEG,
            "tilt": 5 * DEG,
            "x": 0.0,
            "y": 0.0,
            "z": 1.35,
            "reach": self.player.arm_m,
        }

        def off(v: Array) -> Array:
            q = {**base, "swing": v[0], "deviation": v[1]}
            s = _chain({j: np.array([x]) for j, x in q.items()}, self.grip).frames["club"][0][:, 0]
            return np.array([np.arcsin(-s[2]) - lie, np.arctan2(-s[0], -s[2]) - lean])

        found = optimize.least_squares(off, [0.0, 0.3])
        return {**base, "swing": float(found.x[0]), "deviation": float(found.x[1])}

    def _square(self) -> dict[str, float]:
        """Posture of the pose club_square: at its lie, no lean, face square."""
        lie = CLUBS[self.club][0] * DEG

        def off(v: Array) -> Array:
            q = {**self.address, "swing": v[0], "deviation": v[1], "roll": v[2]}
            f = _chain({j: np.array([x]) for j, x in q.items()}, self.grip).frames["club"][0]
            return np.array([np.arcsin(-f[2, 0]) - lie, np.arctan2(-f[0, 0], -f[2, 0]), np.arctan2(f[1, 1], f[0, 1])])

        start = [self.address[j] for j in ("swing", "deviation", "roll")]
        found = optimize.least_squares(off, start)
        return {**self.address, **dict(zip(("swing", "deviation", "roll"), map(float, found.x), strict=True))}

    def _hanging(self) -> dict[str, float]:
        """Posture of the pose club_hang: the shaft straight down."""

        def off(v: Array) -> Array:
            q = {**self.address, "flexion": 0.0, "swing": v[0], "tilt": v[1], "deviation": 25 * DEG}
            s = _chain({j: np.array([x]) for j, x in q.items()}, self.grip).frames["club"][0][:, 0]
            return s[:2]

        found = optimize.least_squares(off, [0.0, -20 * DEG])
        return {
            **self.address,
            "flexion": 0.0,
            "swing": float(found.x[0]),
            "tilt": float(found.x[1]),
            "deviation": 25 * DEG,
        }

    # -- the small steps
    def knot(self, joint: str, t: float, x: float, v: float = 0.0) -> None:
        self.knots[joint].append((t, float(x), float(v), 0.0))

    def move(self, posture: Posture, seconds: float) -> None:
        """Go to a posture and come to rest; joints that are not named stay."""
        for joint, x in posture.items():
            last = self.knots[joint][-1]
            if x != last[1]:
                if last[0] < self.now:
                    self.knot(joint, self.now, last[1])
                self.knot(joint, self.now + seconds, x)
        self.now += seconds

    def hold(self, seconds: float) -> None:
        self.now += seconds

    def posture(self) -> dict[str, float]:
        return {j: self.knots[j][-1][1] for j in JOINTS}

    def pose(
        self, name: str, posture: Posture, *, seconds: float = 2.4, error: Mapping[str, float] | None = None
    ) -> None:
        """Hold a pose, off by what `error` says for a joint (in units of the player's pose error)."""
        off = self.player.pose_error_deg * DEG
        wrong = {j: posture[j] + size * off * self.rng.standard_normal() for j, size in (error or {}).items()}
        self.move({**posture, **wrong}, 1.1)
        start = self.now + 0.15
        self.hold(seconds + 0.3)
        self.poses.append(Held(name, start, start + seconds))

    def shaft_elevation(self, posture: Posture) -> float:
        """Of a posture: rad, + head above hands."""
        s = _chain({j: np.array([x]) for j, x in posture.items()}, self.grip).frames["club"][0][:, 0]
        return float(np.arcsin(s[2]))

    # -- the larger ones
    def calibrate(self) -> None:
        """The calibration part of a recording: poses, three slow wrist bends, three slow rolls."""
        level = {
            **self.address,
            "swing": 0.0,
            "tilt": 90 * DEG,
            "roll": 0.0,
            "flexion": 0.0,
            "deviation": 0.0,
            "reach": self.player.forearm_m,
            "z": 1.1,
        }
        wrist = {"flexion": 1.0, "deviation": 1.0, "tilt": 1.0, "roll": 1.0}
        hang = {**self.address, "swing": 0.0, "tilt": 0.0, "roll": 0.0, "flexion": 0.0, "deviation": 0.0}
        self.hold(0.6)
        self.pose("hang", hang, error={"flexion": 2.0, "deviation": 2.0, "tilt": 1.0, "swing": 1.0, "roll": 2.0})
        self.pose("handshake", level, error=wrist)
        self.move(self.rest, 1.0)
        self.pose("handshake", level, error=wrist)
        self.pose("club_square", self._square(), error={"tilt": 0.3, "swing": 0.3})
        self.pose("club_hang", self._hanging(), error={"tilt": 0.4, "swing": 0.4})
        self.pose("grip_flat", level, error=wrist)
        self.move(level, 0.6)
        self.hold(0.3)
        for _ in range(3):
            for x in (32.0, -38.0, 0.0):
                self.move({"flexion": (x + 3 * self.rng.standard_normal()) * DEG if x else 0.0}, 0.62 if x else 0.5)
        self.hold(0.5)
        for _ in range(3):
            for x in (48.0, -46.0, 0.0):
                self.move({"roll": (x + 4 * self.rng.standard_normal()) * DEG if x else 0.0}, 0.7 if x else 0.55)
        self.hold(0.5)
        self.move(self.rest, 1.2)

    def swing(self, plan: SwingPlan) -> None:
        """Step to the ball, waggle, stand still, swing, come to rest, lower the club."""
        rng = self.rng
        step = {"x": self.knots["x"][-1][1] + 0.02 * rng.standard_normal(), "y": 0.02 * rng.standard_normal()}
        at = {**self.address, **step, "deviation": self.address["deviation"] + 1.0 * DEG * rng.standard_normal()}
        self.move(at, 1.3)
        for _ in range(plan.waggles):
            sway = rng.uniform(0.7, 1.2, 3)
            self.move(
                {"deviation": at["deviation"] - 7 * DEG * sway[0], "flexion": at["flexion"] - 6 * DEG * sway[1]}, 0.3
            )
            self.move({"deviation": at["deviation"], "flexion": at["flexion"]}, 0.32)
        self.hold(plan.still_s)
        self._through(plan, at)
        self.hold(1.0)
        self.move({**self.rest, **step}, 1.3)
        self.hold(0.3)

    def _through(self, plan: SwingPlan, at: Mapping[str, float]) -> None:
        slow = plan.backswing_s / 0.86 if plan.kind == "slow" else 1.0
        size = (plan.swing_top - at["swing"] / DEG) / 176.0
        t0, top = self.now, self.now + plan.backswing_s
        impact = top + plan.downswing_s
        finish = impact + 0.75 * slow
        release = impact - 0.36 * plan.downswing_s
        rate = plan.speed * 0.27 / plan.downswing_s  # of all joints at impact
        hit = self._impact(plan, at)

        def run(joint: str, *knots: tuple[float, float, float]) -> None:
            self.knot(joint, t0, at[joint])
            for t, x, v in knots:
                if not plan.ball and t not in (top, impact, finish) and abs(t - top) > 0.1 * plan.backswing_s:
                    continue  # nothing is met: one sweep through to the finish
                early_by = _SEQUENCE.get(joint, 0.0) * slow if t == impact and not plan.ball else 0.0
                self.knot(joint, t - early_by, x, v)
                if t == impact and v and not plan.ball:
                    self.soft.add(t - early_by)

        for joint in JOINTS:  # standing still until t0: the first knot of `run` ends the hold
            if self.knots[joint][-1][0] >= t0:
                raise ValueError("a swing begins from a hold")
        run("swing", (top, plan.swing_top * DEG, 0), (impact, hit["swing"], -820 * DEG * rate * size**0.5),
            (finish, -150 * DEG * size, 0))  # fmt: skip
        # the plane flattens and the arm rolls early in the backswing, so that the club stays near its plane
        early, lean = t0 + 0.42 * plan.backswing_s, plan.tilt_top * DEG
        run("tilt", (early, 0.72 * lean, 0.5 * lean / plan.backswing_s), (top, lean, 0),
            (release, 0.78 * lean, -lean / plan.downswing_s), (impact, hit["tilt"], 0),
            (finish, 38 * DEG, 0))  # fmt: skip
        turn = plan.roll_top * DEG
        run("roll", (early, 0.72 * turn, 0.8 * turn / plan.backswing_s), (top, turn, 0),
            (release, 0.86 * turn, -330 * DEG * rate), (impact, hit["roll"], -950 * DEG * rate),
            (impact + 0.12 * slow, hit["roll"] - 62 * DEG * size**0.5, -250 * DEG * rate),
            (finish, -75 * DEG, 0))  # fmt: skip
        low = plan.deviation_top * DEG
        run("deviation", (top + 0.02 * slow, low, 0), (release, low + 3 * DEG, 130 * DEG * rate),
            (impact, hit["deviation"], (360 if plan.ball else 0) * DEG * rate), (impact + 0.11 * slow, 24 * DEG, -120 * DEG * rate),
            (finish, -2 * DEG, 0))  # fmt: skip
        level = impact - 0.27 * plan.downswing_s
        run("flexion", (top, plan.flexion_top * DEG, 0), (level, plan.flexion_shaft_level * DEG, 0),
            (impact, hit["flexion"], 90 * DEG * rate), (finish, -20 * DEG, 0))  # fmt: skip
        body = {"x": (-0.05, 0.05, 0.12), "y": (-0.07, 0.0, -0.08), "z": (-0.03, 0.02, 0.06)}
        for joint, (a, b, c) in body.items():
            run(joint, (top, at[joint] + a * size, 0), (impact, at[joint] + b * size, 0.3 * (c - a) * rate),
                (finish, at[joint] + c * size, 0))  # fmt: skip
        self.swings.append(Swung(plan, t0, top, impact, finish))
        if plan.ball:
            self.blows.append((impact, rate, self.rng.uniform(0.8, 1.2, len(_BLOW))))
        self.now = finish

    def _impact(self, plan: SwingPlan, at: Mapping[str, float]) -> dict[str, float]:
        """Posture at impact: hands ahead, wrist as planned, and the roll that gives the face planned."""
        rng = self.rng
        hit = {
            **at,
            "swing": at["swing"] - 5 * DEG + 1.0 * DEG * rng.standard_normal(),
            "tilt": at["tilt"] + 3 * DEG,
            "flexion": plan.flexion_impact * DEG,
            "deviation": at["deviation"] + 1 * DEG,
        }

        def heading(posture: Posture) -> float:
            n = _chain({j: np.array([x]) for j, x in posture.items()}, self.grip).frames["club"][0][:, 1]
            return float(np.arctan2(-n[1], n[0]))  # right-handed: open is to -y

        wanted = heading(at) + plan.face_impact * DEG

        def face(roll: float) -> float:
            return heading({**hit, "roll": roll}) - wanted

        roll = optimize.brentq(face, at["roll"] - 70 * DEG, at["roll"] + 70 * DEG)
        return {**hit, "roll": float(roll)}

    def motion(self) -> Motion:
        """The motion written so far, with the sway and tremor that nobody is without."""
        sway = {}
        for joint in ("swing", "tilt", "roll", "flexion", "deviation", "x", "y"):
            unit = 0.002 if joint in "xy" else 0.10 * DEG
            hertz = np.array([self.rng.uniform(0.15, 0.4), self.rng.uniform(0.6, 1.4), self.rng.uniform(7, 10)])
            size = unit * np.array([1.0, 0.25, 0.0 if joint in "xy" else 0.03]) * self.rng.uniform(0.5, 1.2, 3)
            sway[joint] = np.column_stack([size, 2 * np.pi * hertz, self.rng.uniform(0, 6.28, 3)])
        curves = {}
        for joint, knots in self.knots.items():
            rows = [*knots, (self.now + 1.0, knots[-1][1], 0.0, 0.0)] if knots[-1][0] < self.now + 1.0 else knots
            curves[joint] = _curve(rows, self.soft)
        return Motion(
            player=self.player,
            club=self.club,
            grip=self.grip,
            curves=curves,
            sway=sway,
            blows=tuple(self.blows),
            poses=tuple(self.poses),
            swings=tuple(self.swings),
            end_s=self.now + 0.5,
        )


# -- sensors ---------------------------------------------------------------------------------------
@dataclass(frozen=True, kw_only=True)
class SensorErrors:
    """Bounds of what a consumer device gets wrong; each sensor draws within them. Zero: perfect."""

    rate_hz: float = 200.0
    start_s: float = 0.06  # sensors start up to so long after the first
    drift_ppm: float = 30.0
    gyro_bias_dps: float = 1.5
    gyro_scale: float = 0.005
    gyro_cross: float = 0.003
    gyro_noise_dps: float = 0.07  # standard deviation of a sample
    gyro_range_dps: float = 2000.0
    accel_bias_mg: float = 25.0
    accel_scale: float = 0.004
    accel_noise_mg: float = 2.0
    accel_range_g: float = 16.0
    loss: float = 0.004  # share of samples lost, in bursts
    skin_slip: float = 0.06  # part of the pronation that the forearm sensor does not follow

    @classmethod
    def none(cls) -> SensorErrors:
        return cls(
            start_s=0, drift_ppm=0, gyro_bias_dps=0, gyro_scale=0, gyro_cross=0, gyro_noise_dps=0, gyro_range_dps=1e9,
            accel_bias_mg=0, accel_scale=0, accel_noise_mg=0, accel_range_g=1e9, loss=0, skin_slip=0,
        )  # fmt: skip


@dataclass(frozen=True, eq=False)
class Sensed:
    """What one sensor wrote, and the truth about it: own clock t = (true - start_s) / pace."""

    stream: Stream
    start_s: float
    pace: float  # true seconds in a second of its clock
    mounting: Array  # (3, 3) segment to sensor coordinates


SUBSTEPS = 8
"""A sample is the mean over its period, as devices filter: of so many steps."""


def sense(motion: Motion, role: Role, errors: SensorErrors, rng: np.random.Generator, *, first: bool = False) -> Sensed:
    """Samples of a sensor on a segment, mounted anyhow."""
    period = 1 / errors.rate_hz
    start = 0.1 + (0.0 if first else rng.uniform(0, errors.start_s))
    pace = 1 + rng.uniform(-1, 1) * errors.drift_ppm * 1e-6
    n = int((motion.end_s - start - 0.1) / (period * pace))
    h = period * pace / SUBSTEPS
    fine: Array = start + (np.arange(-1, n * SUBSTEPS + 2, dtype=np.float64) - SUBSTEPS / 2) * h
    state = motion.at(fine)
    frame, point = state.frames[role], state.points[role]
    if role == "forearm" and errors.skin_slip:
        lag = motion.joints(fine)["roll"] * errors.skin_slip * (1 if motion.player.handedness == "right" else -1)
        frame = frame @ _about(1, lag)  # the strap turns back about the long axis
    force = (point[2:] - 2 * point[1:-1] + point[:-2]) / h**2
    force[:, 2] += GRAVITY
    accel = np.einsum("nji,nj->ni", frame[1:-1], force)[: n * SUBSTEPS]
    step = np.swapaxes(frame[1 : n * SUBSTEPS + 1], 1, 2) @ frame[2 : n * SUBSTEPS + 2]
    gyro = _rate(step, h)
    mean = [x.reshape(n, SUBSTEPS, 3).mean(axis=1) for x in (accel, gyro)]

    mounting = _random_rotation(rng)
    accel, gyro = (x @ mounting.T for x in mean)

    def matrix(scale: float, cross: float) -> Array:
        return np.eye(3) + np.diag(rng.uniform(-1, 1, 3) * scale) + rng.uniform(-1, 1, (3, 3)) * cross

    mg, dps = GRAVITY / 1000, DEG
    accel = accel @ matrix(errors.accel_scale, errors.accel_scale / 2).T
    accel += (
        rng.uniform(-1, 1, 3) * errors.accel_bias_mg * mg + rng.standard_normal((n, 3)) * errors.accel_noise_mg * mg
    )
    gyro = gyro @ matrix(errors.gyro_scale, errors.gyro_cross).T
    gyro += (
        rng.uniform(-1, 1, 3) * errors.gyro_bias_dps * dps + rng.standard_normal((n, 3)) * errors.gyro_noise_dps * dps
    )
    accel_range, gyro_range = errors.accel_range_g * GRAVITY, errors.gyro_range_dps * dps
    kept = ~_lost(n, errors.loss, rng)
    stream = Stream(
        role=role,
        t_s=(np.arange(n, dtype=np.float64) * period)[kept],
        accel=np.clip(accel, -accel_range, accel_range)[kept],
        gyro=np.clip(gyro, -gyro_range, gyro_range)[kept],
        source=f"simulated {role}",
        accel_range=accel_range if errors.accel_range_g < 1e6 else None,
        gyro_range=gyro_range if errors.gyro_range_dps < 1e6 else None,
    )
    return Sensed(stream, start, pace, mounting)


def _rate(step: Array, h: float) -> Array:
    """Rate of turn from small rotations (n, 3, 3) that took h seconds."""
    vector = np.stack([step[:, 2, 1] - step[:, 1, 2], step[:, 0, 2] - step[:, 2, 0], step[:, 1, 0] - step[:, 0, 1]], 1)
    sine = np.linalg.norm(vector, axis=1) / 2
    angle = np.arcsin(np.clip(sine, 0, 1))
    return vector * (np.where(sine > 1e-12, angle / np.maximum(sine, 1e-12), 1.0) / (2 * h))[:, None]


def _random_rotation(rng: np.random.Generator) -> Array:
    w, x, y, z = (q := rng.standard_normal(4)) / np.linalg.norm(q)
    return np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y)],
            [2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)],
            [2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)],
        ]
    )


def _lost(n: int, share: float, rng: np.random.Generator) -> NDArray[np.bool_]:
    """Which samples are lost: packets of five, now and then."""
    lost = np.zeros(n, bool)
    for start in rng.integers(5, max(n, 6), int(share * n / 5)):
        lost[start : start + 5] = True
    return lost


# -- recordings ------------------------------------------------------------------------------------
@dataclass(frozen=True, kw_only=True)
class Session:
    """A recording to be made: calibration, then these swings."""

    player: Player = field(default_factory=Player)
    club: str = "7-iron"
    swings: tuple[SwingPlan, ...] = (SwingPlan(),)
    calibrated: bool = True
    recorded_at: datetime | None = None
    errors: SensorErrors = field(default_factory=SensorErrors)
    roles: tuple[Role, ...] = SEGMENTS


@dataclass(frozen=True, eq=False)
class Simulated:
    """A recording with the truth about it."""

    recording: Recording
    motion: Motion
    sensed: Mapping[Role, Sensed]

    def true_time(self, t_s: Array) -> Array:
        """True seconds from seconds since the first sample of the first sensor, on its clock."""
        first = next(iter(self.sensed.values()))
        return first.start_s + np.asarray(t_s) * first.pace


def simulate(session: Session, *, seed: int | Sequence[int]) -> Simulated:
    """A recording in memory; the same seed gives the same samples."""
    rng = np.random.default_rng(seed)
    script = Script(session.player, session.club, rng)
    if session.calibrated:
        script.calibrate()
    for plan in session.swings:
        script.swing(plan)
    motion = script.motion()
    sensed = {r: sense(motion, r, session.errors, rng, first=i == 0) for i, r in enumerate(session.roles)}
    first = sensed[session.roles[0]]
    poses = tuple(
        Pose(p.name, (p.start_s - first.start_s) / first.pace, (p.end_s - first.start_s) / first.pace)
        for p in motion.poses
    )
    recording = Recording(
        streams={r: s.stream for r, s in sensed.items()},
        handedness=session.player.handedness,
        club=session.club,
        recorded_at=session.recorded_at,
        poses=poses,
    )
    return Simulated(recording, motion, sensed)


def write(recording: Recording, folder: Path | str, *, heading: str = "") -> None:
    """A recording as a folder: `recording.toml` and one gzipped CSV a sensor (ms, mg, deg/s)."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    lines = [f"# {heading}"] if heading else []
    lines += [f'handedness = "{recording.handedness}"', f'club = "{recording.club}"']
    if recording.recorded_at:
        lines.append(f"recorded_at = {recording.recorded_at.isoformat()}")
    for role, stream in recording.streams.items():
        name = f"{role}.csv.gz"
        lines += ["", "[[sensor]]", f'role = "{role}"', f'file = "{name}"', 'time_unit = "ms"', 'accel_unit = "mg"']
        if stream.accel_range:
            lines.append(f"accel_range = {stream.accel_range / GRAVITY * 1000:.0f}")
        lines.append('gyro_unit = "deg/s"')
        if stream.gyro_range:
            lines.append(f"gyro_range = {np.degrees(stream.gyro_range):.0f}")
        _write_csv(stream, folder / name)
    for pose in recording.poses:
        lines += ["", "[[pose]]", f'name = "{pose.name}"', f"start = {pose.start_s:.2f}", f"end = {pose.end_s:.2f}"]
    (folder / "recording.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")


def _write_csv(stream: Stream, path: Path) -> None:
    text = io.StringIO()
    text.write("t_ms,ax_mg,ay_mg,az_mg,gx_dps,gy_dps,gz_dps\n")
    whole = np.round(np.column_stack([stream.t_s * 1000, stream.accel / GRAVITY * 1000]))
    table = np.column_stack([whole, np.round(np.degrees(stream.gyro), 2)]) + 0.0  # no minus before a zero
    np.savetxt(text, table, fmt="%.0f,%.0f,%.0f,%.0f,%.2f,%.2f,%.2f")
    packed = io.BytesIO()
    with gzip.GzipFile(filename="", mode="wb", fileobj=packed, mtime=0, compresslevel=9) as file:  # no date: same bytes
        file.write(text.getvalue().encode("ascii"))
    path.write_bytes(packed.getvalue())


# -- the demo --------------------------------------------------------------------------------------
JUNO = Player(handedness="left", arm_m=0.56, forearm_m=0.24, address_roll_deg=8.0, address_flexion_deg=-13.0)
"""The invented student of the demo."""

DEMO_SEED = 20260412


@dataclass(frozen=True, kw_only=True)
class DemoSet:
    """A recording of the demo: wrist at the top, at shaft level on the way down, and how far the
    arm goes, as means over its swings (degrees)."""

    name: str
    club: str
    recorded_at: str
    flexion_top: float
    flexion_shaft_level: float
    swing_top: float
    face_impact: float
    extra: tuple[SwingPlan, ...] = ()


_REHEARSAL = SwingPlan(kind="slow", ball=False, backswing_s=2.4, downswing_s=1.1, waggles=0)
_CHIP = SwingPlan(kind="partial", swing_top=95.0, roll_top=55.0, deviation_top=-6.0, tilt_top=24.0, backswing_s=0.66)
_NO_BALL = SwingPlan(ball=False)

DEMO = (
    # Too cupped at the top, with an arm that runs on; each lesson flatter. What is won at the top is
    # carried down slowly at best, and at driver speed the old cup comes back.
    DemoSet(name="2026-04-12_7-iron", club="7-iron", recorded_at="2026-04-12T10:05:00+02:00",
            flexion_top=-24, flexion_shaft_level=-17, swing_top=187, face_impact=4, extra=(_REHEARSAL,)),
    DemoSet(name="2026-04-12_driver", club="driver", recorded_at="2026-04-12T10:40:00+02:00",
            flexion_top=-27, flexion_shaft_level=-19, swing_top=192, face_impact=5),
    DemoSet(name="2026-05-03_7-iron", club="7-iron", recorded_at="2026-05-03T10:12:00+02:00",
            flexion_top=-16, flexion_shaft_level=-15, swing_top=182, face_impact=3, extra=(_CHIP,)),
    DemoSet(name="2026-05-03_driver", club="driver", recorded_at="2026-05-03T10:44:00+02:00",
            flexion_top=-22, flexion_shaft_level=-18, swing_top=187, face_impact=4),
    DemoSet(name="2026-05-24_7-iron", club="7-iron", recorded_at="2026-05-24T10:08:00+02:00",
            flexion_top=-8, flexion_shaft_level=-12, swing_top=176, face_impact=1, extra=(_REHEARSAL, _NO_BALL)),
    DemoSet(name="2026-05-24_driver", club="driver", recorded_at="2026-05-24T10:41:00+02:00",
            flexion_top=-15, flexion_shaft_level=-18, swing_top=181, face_impact=3),
)  # fmt: skip


def demo_session(demo: DemoSet, rng: np.random.Generator, *, swings: int = 5) -> Session:
    """The session of a demo recording: its swings vary about its means."""

    def vary(plan: SwingPlan) -> SwingPlan:
        d = rng.standard_normal(10)
        small = plan.kind != "full"
        top = demo.flexion_top * (0.6 if plan.kind == "partial" else 1.0) + 2.6 * d[0]
        fast = 1.06 if demo.club == "driver" else 0.97
        return replace(
            plan,
            flexion_top=top + (4.0 if plan.kind == "slow" else 0.0),
            flexion_shaft_level=demo.flexion_shaft_level + 0.5 * (top - demo.flexion_top) + 2.0 * d[1],
            flexion_impact=-3.0 + 1.6 * d[2],
            deviation_top=plan.deviation_top + 1.5 * d[3],
            swing_top=(plan.swing_top if small else demo.swing_top) + 2.5 * d[4],
            roll_top=plan.roll_top + 3.0 * d[5],
            face_impact=demo.face_impact + 2.0 * d[6],
            backswing_s=plan.backswing_s * (1 + 0.03 * d[7]),
            downswing_s=plan.downswing_s * (1 + 0.02 * d[8]) / (fast if plan.kind != "slow" else 1.0),
            still_s=float(np.clip(0.85 + 0.12 * d[9], 0.62, 1.3)),
            waggles=int(rng.integers(0, 3)) if plan.kind != "slow" else 0,
        )

    plans = [vary(SwingPlan()) for _ in range(swings)] + [vary(p) for p in demo.extra]
    return Session(
        player=JUNO, club=demo.club, swings=tuple(plans), recorded_at=datetime.fromisoformat(demo.recorded_at)
    )


def demo_recordings(*, seed: int = DEMO_SEED) -> dict[str, Simulated]:
    """Name -> recording of the demo, with its truth."""
    out = {}
    for number, demo in enumerate(DEMO):
        rng = np.random.default_rng([seed, number])
        out[demo.name] = simulate(demo_session(demo, rng), seed=[seed, number, 1])
    return out


def main() -> int:
    import argparse

    parser = argparse.ArgumentParser(prog="python -m imu.simulate", description="Write the demo recordings.")
    parser.add_argument("folder", type=Path, help="where the recordings go, one folder each")
    parser.add_argument("--seed", type=int, default=DEMO_SEED)
    args = parser.parse_args()
    for name, simulated in demo_recordings(seed=args.seed).items():
        lesson = simulated.recording.recorded_at
        heading = f"Juno Abara with Edda at Sandlark Heath, {lesson:%d %B %Y}. Invented: see ../README.md."
        write(simulated.recording, args.folder / name, heading=heading)
    return 0


if __name__ == "__main__":
    import sys

    sys.exit(main())
