"""The joint fit: one least-squares problem over all that a recording knows about its sensors.

Unknown are, for every sensor, its rate matrix (scale, cross-axis), accelerometer error and clock, and
how it is strapped on; the grip; how much the skin slips; how far the wrist's axes are from those of the
joint rotation (what axial turn comes with its bends); and, for every window of motion (a swing
with the rests around it, the calibration), where each sensor pointed at the start and its gyro bias
then. Known are gravity at rest, that a wrist hardly turns about the forearm's axis, that hand and
club are one body while the club is gripped, the poses, and the sensors' data sheets. Between windows
nothing is carried over but the unknowns that last, so the error does not grow with the minutes.

The problem is solved by Gauss-Newton with the windows' own unknowns eliminated first (Schur
complement), so that an hour costs sixty times a minute and no more. Attitudes are integrated once an
iteration; their dependence on bias, rate matrix and clock comes out of the same integration.

Sources: joint constraints in place of a magnetometer, Laidig & Seel (2019, 2023), Olsson & Seel
(2020); joint rotation Y-Z-X of the wrist after Wu et al. 2005, J Biomech 38:981-992.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from scipy import linalg
from scipy.spatial.transform import Rotation

from imu.orientation import Track, chain
from imu.posture import wrist_angles
from imu.recording import GRAVITY, Array, Role
from imu.timebase import ClockFit, Samples

DEG = np.pi / 180.0
UP = np.array([0.0, 0.0, 1.0])
EX, EY, EZ = np.eye(3)


@dataclass(frozen=True)
class Beliefs:
    """Standard deviations (SI) of what is believed before the motion is looked at.

    Sensor figures are those of consumer inertial sensors' data sheets; pose figures are the prior
    of the design (a wrist held flat against a ruler errs by about 3 deg, a hanging arm by about 5).
    """

    gyro_bias: float = 5.0 * DEG
    bias_change: float = 0.10 * DEG  # between windows of one recording; grows with its length
    gyro_scale: float = 0.010
    gyro_cross: float = 0.006
    accel_bias: float = 0.35
    accel_scale: float = 0.010
    accel_cross: float = 0.006
    slip: float = 0.15  # share of the roll that the forearm's skin loses
    coupling: float = 0.06  # axial turn of the hand per flexion and per deviation: axes that are tilted
    bent_coupling: float = 0.1  # rad of it per rad^2 of the two
    mounting: float = np.pi
    flat_wrist: float = 3.0 * DEG  # per pose, in flexion and in deviation
    at_address: float = 20.0 * DEG  # where the wrist is at address, when no pose says it
    address_deviation: float = 15.0 * DEG
    arm_lean: float = 12.0 * DEG  # of the forearm towards the target or away from it there
    forearm_palm: float = 20.0 * DEG  # by which the back of the forearm may face elsewhere than the target at address
    hand_palm: float = 30.0 * DEG  # and that of the hand
    hang: float = 5.0 * DEG
    level_forearm: float = 3.0 * DEG
    thumb_up: float = 3.0 * DEG
    club_square: float = 1.5 * DEG
    club_hang: float = 1.0 * DEG
    roll_axis: float = 2.0 * DEG
    bend_axis: float = 6.0 * DEG
    regrip: float = 1.5 * DEG
    rest_accel: float = 0.05
    rest_turn: float = 0.5 * DEG
    axial: float = 1.2 * DEG
    play_counted: float = 1.0  # times the play that the motion shows: what it is made of may be alike in every swing
    axial_time: float = 0.4
    grip: float = 0.5 * DEG
    grip_time: float = 0.4
    white: float = 0.05 * DEG


@dataclass(frozen=True)
class Rest:
    """A sensor at rest: its mean readings, over `length_s` around `t_s`."""

    role: Role
    t_s: float
    length_s: float
    accel: Array  # (3,)
    gyro: Array  # (3,)
    accel_sd: float  # m/s^2, of the mean as a reading of gravity
    turn_sd: float | None  # rad/s, of the mean rate as a reading of the bias; None while moving slowly


@dataclass(frozen=True)
class Hold:
    """A calibration pose: when, and which."""

    name: str
    t_s: float
    accel: Mapping[Role, Array]  # mean specific force of each sensor over the pose
    sd: float = 1.0  # widens the belief in this pose
    palm: Mapping[str, Array] = field(default_factory=dict)  # segment -> where its palmar side looks, sensor axes


@dataclass(frozen=True)
class Axis:
    """A slow functional motion: the axis (sensor coordinates) about which the forearm turned, or
    the hand on the forearm bent."""

    kind: str  # "roll": of the forearm sensor
    t_s: float
    role: Role
    direction: Array  # (3,) unit
    sd: float


@dataclass(frozen=True)
class Jump:
    """A lost or clipped stretch whose rotation had to be guessed: an unknown small turn."""

    role: Role
    t_s: float
    sd: float  # rad


@dataclass(frozen=True, eq=False)
class Slip:
    """A sensor that sits otherwise on its segment from a moment on: how it turned since the poses, and how well that
    is known before the motion is looked at (rotation vector and standard deviations (3,), segment coordinates, rad)."""

    role: Role
    t_s: float
    turn: Array
    sd: Array


@dataclass(frozen=True, eq=False)
class Window:
    """A stretch of the recording that is integrated in one go."""

    start_s: float
    end_s: float
    rests: tuple[Rest, ...] = ()
    holds: tuple[Hold, ...] = ()
    axes: tuple[Axis, ...] = ()
    jumps: tuple[Jump, ...] = ()
    wrist_s: Array = field(default_factory=lambda: np.empty(0))  # where the wrist has no axial part
    grip_s: Array = field(default_factory=lambda: np.empty(0))  # where hand and club are one body


@dataclass(frozen=True, eq=False)
class State:
    """The unknowns of the fit at their present values."""

    matrix: Mapping[Role, Array]
    accel_bias: Mapping[Role, Array]
    accel_matrix: Mapping[Role, Array]
    bias: Mapping[Role, Array]
    clock: Mapping[Role, Array]  # (offset_s, drift) added to the given clock
    mount: Mapping[str, Array]  # segment -> (3, 3) segment to sensor coordinates
    grip: Array  # (3, 3) hand to club coordinates
    slip: float
    coupling: Array  # (5,) axial turn of the hand per flexion, deviation, flexion^2, flexion * deviation, deviation^2
    lag: float  # s by which what the axial part shows of the clocks is late
    slipped: Array  # (n, 3): rotation vector, sensor coordinates, of each slip since the poses
    first: tuple[Mapping[Role, Array], ...]  # per window, role -> (3, 3)
    bias_change: tuple[Mapping[Role, Array], ...]
    regrip: tuple[Array, ...]  # per window, rotation vector (3,), club coordinates
    jumps: tuple[Array, ...]  # per window, (n_jumps, 3)

    def lasting(self) -> dict[str, Array]:
        """The unknowns that outlast the recording, by name; clocks do not."""
        out: dict[str, Array] = {}
        for role in self.matrix:
            out[f"matrix:{role}"] = self.matrix[role]
            out[f"accel_bias:{role}"] = self.accel_bias[role]
            out[f"accel_matrix:{role}"] = self.accel_matrix[role]
            out[f"bias:{role}"] = self.bias[role]
        out |= {f"mount:{segment}": m for segment, m in self.mount.items()}
        return out | {"grip": self.grip, "slip": np.array([self.slip]), "coupling": self.coupling}

    def with_lasting(self, known: Mapping[str, Array]) -> State:
        """This state with some of them set."""
        parts: dict[str, Any] = {
            "matrix": dict(self.matrix),
            "accel_bias": dict(self.accel_bias),
            "accel_matrix": dict(self.accel_matrix),
            "bias": dict(self.bias),
            "mount": dict(self.mount),
        }
        for name, value in known.items():
            kind, _, part = name.partition(":")
            if kind in parts:
                parts[kind][part] = value
        slip = float(known["slip"][0]) if "slip" in known else self.slip
        coupling = known.get("coupling", self.coupling)
        return replace(self, grip=known.get("grip", self.grip), slip=slip, coupling=coupling, **parts)


def exp(v: Array) -> Array:
    return Rotation.from_rotvec(v).as_matrix()


def log(r: Array) -> Array:
    return Rotation.from_matrix(r).as_rotvec()


def cross_matrix(v: Array) -> Array:
    """[v]x for (..., 3) -> (..., 3, 3)."""
    out = np.zeros((*v.shape[:-1], 3, 3))
    out[..., 0, 1], out[..., 0, 2], out[..., 1, 2] = -v[..., 2], v[..., 1], -v[..., 0]
    out[..., 1, 0], out[..., 2, 0], out[..., 2, 1] = v[..., 2], -v[..., 1], v[..., 0]
    return out


def wrist_jacobian(angles: Array, side: int) -> Array:
    """(n, 3, 3): change of (axial, flexion, deviation) per left rotation vector of the hand on the
    forearm, in forearm coordinates."""
    y, z = angles[..., 0], angles[..., 1]
    a1 = np.broadcast_to(EY, (*y.shape, 3))
    a2 = np.stack([np.sin(y), np.zeros_like(y), np.cos(y)], axis=-1)  # Ry ez
    a3 = np.stack([np.cos(y) * np.cos(z), np.sin(z), -np.sin(y) * np.cos(z)], axis=-1)  # Ry Rz ex
    return np.linalg.inv(np.stack([a1, a2, side * a3], axis=-1))


_FAR = 20 * DEG
"""The furthest that a mounting is turned in one step."""

_UNLIKE = 3.0
"""How many times more than usual a window may disagree with itself before it is believed less."""

LOST_TURN = 30 * DEG
"""From so wide a guess on, a sensor lost a turn wholly."""

_BROKEN = 0.2
"""By how much a window counts less in which a sensor lost a turn wholly."""


_ROLLING = 10.0
"""rad/s at which a forearm rolls in a swing, until it is seen."""

_GUESSED = 8 * DEG
_HEARSAY = 0.1
"""A swing with a turn that was guessed as badly as that teaches the lasting unknowns little, where others teach them:
they would be bent to whatever was guessed, and agree with it."""

ALIKE = 10
"""From this many swings on, more of them teach the lasting unknowns nothing more. A player repeats the motion, and
with it what the model leaves out: taken as independent, sixty swings outvoted the poses by 1.5 deg in flexion and
4 deg in roll (`python -m tests.bench --cause minutes_60`), ten do not."""


def _is_swing(window: Window) -> bool:
    return all(h.name == "address" for h in window.holds) and not window.axes


def _broken(window: Window) -> bool:
    return _is_swing(window) and any(j.sd > LOST_TURN for j in window.jumps)


# Lower triangle of the accelerometer's matrix: its axes are named by the gyro's, so that the rest of
# the difference between the two lies in the gyro's matrix.
_TRIANGLE = ((0, 0), (1, 1), (2, 2), (1, 0), (2, 0), (2, 1))


class Layout:
    """Where each unknown stands in the vector of increments."""

    def __init__(self) -> None:
        self.place: dict[str, slice] = {}
        self.size = 0

    def add(self, name: str, size: int) -> None:
        self.place[name] = slice(self.size, self.size + size)
        self.size += size

    def __getitem__(self, name: str) -> slice:
        return self.place[name]

    def __contains__(self, name: str) -> bool:
        return name in self.place


SENSOR_UNKNOWNS = ("matrix", "accel_bias", "accel_matrix", "bias")
"""The lasting unknowns that belong to a sensor, wherever it is worn."""


_PATIENCE = (10.0, 3.0, 1.0, 1.0, 1.0)
"""How many times further than usual disagreement is listened to, iteration by iteration from a start that may be far."""

_SETTLED = 0.15
"""Standard deviations by which no lasting unknown may have moved in the last step. The next one moves a third of it."""


_NEAR, _NEAR_S = 0.5 * DEG, 1e-3
"""By how much an integrated attitude may be turned to first order, and how far moved in time (s) to second: what is left
out is under 0.003 deg. Far from the answer, where the fit is patient, it may be more."""


@dataclass(frozen=True, eq=False)
class Leg:
    """A sensor's way through a window, integrated from the identity with some bias, rate matrix and clock: where it
    was at the nodes and how that changes with the three. So the fit need not integrate thousands of samples each
    time a parameter moves by little (preintegration: Forster et al. 2017, IEEE T-RO 33:1-21)."""

    t_s: Array  # (m,)
    bias: Array
    matrix: Array
    clock: Array
    attitude: Array  # (m, 3, 3)
    turning: Array  # (m, 3) rad/s in the frame of the attitude
    quickening: Array  # (m, 3) rad/s^2
    by_bias: Array  # (m, 3, 3)
    by_matrix: Array  # (m, 3, 9)
    turned: Array  # (m, 3) integral of the rates as read since the window's middle posture
    since: Array  # (m,) s since then

    def turn(self, bias: Array, matrix: Array, clock: Array, patience: float) -> Array | None:
        """Left rotation vectors (m, 3) by which other values turn the attitudes; None where they are too far for
        that."""
        offset, drift = clock - self.clock
        later = offset + drift * self.t_s
        turn = self.by_matrix @ (matrix - self.matrix).ravel() - self.by_bias @ (bias - self.bias)
        far = np.sqrt(np.max(np.einsum("mi,mi->m", turn, turn), initial=0.0)) > patience * _NEAR
        if far or np.max(np.abs(later), initial=0.0) > _NEAR_S:
            return None
        later = later[:, None]
        return np.asarray(turn - (self.turning - 0.5 * later * self.quickening) * later)

    def roll(self, axis: Array, bias: Array, matrix: Array) -> Array:
        """Turn (m,) about an axis of the sensor since the window's middle posture."""
        return np.asarray(self.turned @ (axis + matrix.T @ axis) - self.since * float(bias @ axis))


@dataclass(frozen=True, eq=False)
class Bearing:
    """Where a sensor points at some times, and how that hangs on the unknowns."""

    attitude: Array  # (m, 3, 3)
    by_unknowns: Array  # (m, 3, 17 + 3 k): left rotation vector per first attitude, bias, matrix, clock and k jumps
    jumps: list[int]  # which of the window's

    @classmethod
    def of(
        cls,
        t_s: Array,
        attitude: Array,
        turning: Array,
        by_bias: Array,
        by_matrix: Array,
        turned: Array,
        last: np.ndarray,
        jumps: list[int],
    ) -> Bearing:
        """`turned` (k + 1, 3, 3): what none, one, two … jumps make together; `last` (m,): how many there were."""
        here = turned[last]
        clock = np.stack([-turning, -turning * t_s[:, None]], axis=-1)
        blocks = [here, -by_bias, by_matrix, clock]
        if jumps:  # of each jump, what those after it make of it
            after = (turned[:, None] @ np.swapaxes(turned[1:], 1, 2)[None])[last]
            after[last[:, None] < np.arange(1, len(turned))] = 0.0
            blocks.append(np.swapaxes(after, 1, 2).reshape(len(t_s), 3, -1))
        return cls(attitude, np.concatenate(blocks, axis=2), jumps)


@dataclass(frozen=True, eq=False)
class Nodes:
    """The instants of a window at which the fit asks for attitudes: those that all sensors share, then each one's
    rests; and where among them stand those of the wrist, of the grip and of the poses."""

    times: Mapping[Role, Array]
    shared: int
    wrist: np.ndarray
    grip: np.ndarray
    holds: np.ndarray
    still: Mapping[Role, Still]
    jump_sd: Array  # (3 n,)
    free: Array  # (passing, passing): what keeps in place that nothing knows

    @classmethod
    def of(cls, window: Window, passing: Layout, roles: Sequence[Role]) -> Nodes:
        parts = [window.wrist_s, window.grip_s, np.array([h.t_s for h in window.holds], float)]
        shared, where = np.unique(np.concatenate(parts), return_inverse=True)
        wrist, grip, holds = np.split(where, np.cumsum([len(x) for x in parts])[:-1])
        still = {r: Still.of([x for x in window.rests if x.role == r]) for r in roles}
        times = {r: np.concatenate([shared, still[r].t_s]) for r in roles}
        jump_sd = np.repeat([max(j.sd, 1e-4) for j in window.jumps], 3)
        # Nothing tells a window's heading. Held by no more than rounding it turns by tens of degrees a step, and takes
        # tilts with it that are meant for where it was; what is measured hangs on no heading.
        free = 1e-6 * np.eye(passing.size)
        headings = [passing[f"first:{r}"].stop - 1 for r in roles]
        free[np.ix_(headings, headings)] += 1.0 / DEG**2
        return cls(times, len(shared), wrist, grip, holds, still, jump_sd, free)


@dataclass(frozen=True, eq=False)
class Still:
    """A sensor's rests in a window, one a row; `gyro` and `turn_sd` of those that tell the bias."""

    t_s: Array
    accel: Array
    accel_sd: Array  # (n, 1)
    gyro: Array
    turn_sd: Array  # (k, 1)

    @classmethod
    def of(cls, rests: Sequence[Rest]) -> Still:
        still = [x for x in rests if x.turn_sd is not None]
        return cls(
            np.array([x.t_s for x in rests]),
            np.array([x.accel for x in rests]).reshape(-1, 3),
            np.array([x.accel_sd for x in rests])[:, None],
            np.array([x.gyro for x in still]).reshape(-1, 3),
            np.array([x.turn_sd for x in still], float)[:, None],
        )


@dataclass(frozen=True, eq=False)
class Knowledge:
    """What a saved calibration tells of the lasting unknowns: names with their sizes, values, and
    the inverse of the covariance of their increments in that order. It stands in for the beliefs."""

    names: tuple[tuple[str, int], ...]
    values: Mapping[str, Array]
    information: Array


class Problem:
    """The fit of one recording. `solve` returns a `Solution`."""

    def __init__(
        self,
        sensors: Mapping[Role, Samples],
        windows: Sequence[Window],
        state: State,
        *,
        side: int,
        beliefs: Beliefs,
        clocks: Mapping[Role, ClockFit],
        knowledge: Knowledge | None = None,
        slips: Sequence[Slip] = (),
    ) -> None:
        """`slips`: in order of time; what a sensor's last one says holds for the windows that begin after it."""
        self.sensors = sensors
        self.windows = windows
        self.start = state
        self.side = side
        self.beliefs = beliefs
        self.clocks = clocks
        self.knowledge = knowledge
        self.roles = tuple(sensors)
        segments = state.mount
        self.hand_role: Role | None = None
        if "hand" in segments:
            self.hand_role = "hand" if "hand" in sensors else "club"
        self.wrist = "forearm" in segments and self.hand_role is not None
        self.rigid = "hand" in sensors and "club" in sensors and "hand" in segments and "club" in segments

        g = self.lasting = Layout()
        for r in self.roles:
            g.add(f"matrix:{r}", 9)
            g.add(f"accel_bias:{r}", 3)
            g.add(f"accel_matrix:{r}", 6)
            g.add(f"bias:{r}", 3)
        for r in self.roles[1:]:
            g.add(f"clock:{r}", 2)
        for segment in segments:
            g.add(f"mount:{segment}", 3)
        if self.rigid:
            g.add("grip", 3)
        if self.wrist:
            g.add("slip", 1)
            g.add("coupling", 5)
            g.add("lag", 1)
        self.slips = tuple(slips)
        for i in range(len(self.slips)):
            g.add(f"slipped:{i}", 3)
        self.strapping = [{s.role: i for i, s in enumerate(self.slips) if s.t_s <= w.start_s} for w in windows]
        self.passing: list[Layout] = []
        for w in windows:
            layout = Layout()
            for r in self.roles:
                layout.add(f"first:{r}", 3)
                layout.add(f"bias:{r}", 3)
            if self.rigid:
                layout.add("regrip", 3)
            if w.jumps:
                layout.add("jumps", 3 * len(w.jumps))
            self.passing.append(layout)
        self.jumping = [
            {
                r: sorted((i for i, j in enumerate(w.jumps) if j.role == r), key=lambda i: w.jumps[i].t_s)
                for r in sensors
            }
            for w in windows
        ]
        self.legs: dict[tuple[int, Role], Leg] = {}
        self.alone: set[int] = set()  # windows with gaps in which there is but one hollow
        self.nodes = [Nodes.of(w, layout, self.roles) for w, layout in zip(windows, self.passing, strict=True)]
        self.patience = 1.0  # how far from the answer disagreement is still listened to
        # what lies beyond a turn that nobody saw may stand anywhere: it must not teach the rest
        self.believed = np.array([_BROKEN if _broken(w) else 1.0 for w in windows])
        self.trust = self.believed
        swings = np.array([_is_swing(w) for w in windows])
        self.share = np.where(swings, min(1.0, ALIKE / max(1, int(swings.sum()))), 1.0)
        guessed = np.array([any(j.sd > _GUESSED for j in w.jumps) for w in windows]) & swings
        if np.count_nonzero(swings & ~guessed) >= 2:
            self.share = np.where(guessed, _HEARSAY * self.share, self.share)
        self.axial_sd = beliefs.axial
        self.lag_sd = beliefs.axial / _ROLLING
        self.grip_sd = beliefs.grip
        self.regrip_sd = beliefs.regrip

    # ------------------------------------------------------------------ tracks and their Jacobians
    def track(self, state: State, w: int, role: Role) -> Track:
        """A sensor's way through a window, integrated anew."""
        track = self._integrated(state, w, role, state.first[w][role])
        turned, last, _ = self._jumped(state, w, role, track.borders_s)
        return replace(track, attitude=turned[last] @ track.attitude) if len(turned) > 1 else track

    def _integrated(self, state: State, w: int, role: Role, first: Array) -> Track:
        """The same from a given start, without the window's jumps."""
        window, samples = self.windows[w], self.sensors[role]
        offset, drift = state.clock.get(role, (0.0, 0.0))
        start, period = samples.start_s * (1 + drift) + offset, samples.period_s * (1 + drift)
        lo = int(np.clip(round((window.start_s - samples.start_s) / samples.period_s), 0, len(samples) - 8))
        hi = int(np.clip(round((window.end_s - samples.start_s) / samples.period_s), lo + 8, len(samples)))
        return Track.of(
            samples.gyro[lo:hi],
            start + (lo - 0.5) * period,
            period,
            bias=state.bias[role] + state.bias_change[w][role],
            matrix=state.matrix[role],
            first=first,
        )

    def _leg(self, state: State, w: int, role: Role) -> Leg:
        track, t = self._integrated(state, w, role, np.eye(3)), self.nodes[w].times[role]
        attitude = track.at(t)
        by_bias, by_matrix = track.sensitivities(t)
        turned, since = np.zeros((len(t), 3)), np.zeros(len(t))
        if role == "forearm" and self.wrist:
            # counted from the posture that is the middle one of the forearm's roll
            borders = track.borders_s
            total = np.concatenate([np.zeros((1, 3)), np.cumsum(track.raw, axis=0)]) * track.period_s
            axis = self.mounted(state, w, "forearm")[:, 1]
            rolled = np.concatenate([[0.0], np.cumsum(track.gyro @ axis)])
            middle = np.argsort(rolled)[[(len(rolled) - 1) // 2, len(rolled) // 2]]
            turned = np.column_stack([np.interp(t, borders, x) for x in total.T]) - total[middle].mean(axis=0)
            since = t - float(borders[middle].mean())
        return Leg(
            t,
            state.bias[role] + state.bias_change[w][role],
            state.matrix[role],
            state.clock.get(role, np.zeros(2)),
            attitude,
            (attitude @ track.rate(t)[:, :, None])[:, :, 0],
            (attitude @ track.quickening(t)[:, :, None])[:, :, 0],
            by_bias,
            by_matrix.reshape(-1, 3, 9),
            turned,
            since,
        )

    def _jumped(self, state: State, w: int, role: Role, t_s: Array) -> tuple[Array, np.ndarray, list[int]]:
        """The turn (n + 1, 3, 3) that a sensor's n jumps in a window make together after none, one, two … of them;
        how many there were by each time (m,); and which of the window's they are."""
        mine = self.jumping[w].get(role, [])
        at = np.array([self.windows[w].jumps[i].t_s for i in mine])
        # small turns in the level frame, after the guessed stretch: a later one stands to the left
        backwards = chain(np.swapaxes(exp(state.jumps[w][mine]), 1, 2)) if mine else np.eye(3)[None]
        return np.swapaxes(backwards, 1, 2), np.searchsorted(at, t_s, side="right"), mine

    def _bearing(self, state: State, w: int, role: Role, track: Track, t_s: Array) -> Bearing:
        """By a track of this state, at times (m,)."""
        turned, last, mine = self._jumped(state, w, role, t_s)
        attitude, here = track.at(t_s), turned[last]
        by_bias, by_matrix = track.sensitivities(t_s)
        turning = (attitude @ track.rate(t_s)[:, :, None])[:, :, 0]
        by_matrix = by_matrix.reshape(-1, 3, 9)
        return Bearing.of(t_s, attitude, turning, here @ by_bias, here @ by_matrix, turned, last, mine)

    def _under_way(self, state: State, w: int, role: Role) -> Bearing:
        """At the window's nodes: from the last integration, moved to first order by what has changed since; from a
        new one where that is much."""
        bias = state.bias[role] + state.bias_change[w][role]
        matrix, clock = state.matrix[role], state.clock.get(role, np.zeros(2))
        leg = self.legs.get((w, role))
        turn = leg.turn(bias, matrix, clock, self.patience) if leg is not None else None
        if leg is None or turn is None:
            leg = self.legs[w, role] = self._leg(state, w, role)
            turn = np.zeros((len(leg.t_s), 3))
        turned, last, mine = self._jumped(state, w, role, leg.t_s)
        start = turned[last] @ state.first[w][role]
        attitude = start @ exp(turn) @ leg.attitude
        turning = (start @ leg.turning[:, :, None])[:, :, 0]
        return Bearing.of(leg.t_s, attitude, turning, start @ leg.by_bias, start @ leg.by_matrix, turned, last, mine)

    def _spread(self, out: Array, w: int, role: Role, bearing: Bearing, rows: Any, by: Array | None = None) -> None:
        """Writes into `out` (m, k, passing + lasting) what `by` (m, k, 3), a change per left rotation vector of the
        sensor's attitude at the bearing's `rows`, is per unknown. None: that vector itself."""
        p, g = self.passing[w], self.lasting
        n = p.size
        found = bearing.by_unknowns[rows] if by is None else by @ bearing.by_unknowns[rows]
        first, bias, matrix = p[f"first:{role}"], g[f"bias:{role}"], g[f"matrix:{role}"]
        out[:, :, first.start : first.start + 6] = found[:, :, :6]
        out[:, :, n + bias.start : n + bias.stop] = found[:, :, 3:6]
        out[:, :, n + matrix.start : n + matrix.stop] = found[:, :, 6:15]
        if f"clock:{role}" in g:
            clock = g[f"clock:{role}"]
            out[:, :, n + clock.start : n + clock.stop] = found[:, :, 15:17]
        for at, i in enumerate(bearing.jumps):
            base = p["jumps"].start + 3 * i
            out[:, :, base : base + 3] = found[:, :, 17 + 3 * at : 20 + 3 * at]

    def _spread_segment(
        self, out: Array, state: State, w: int, name: str, bearing: Bearing, rows: Any, by: Array | None = None
    ) -> None:
        """The same for a segment, which its sensor's mounting turns too."""
        role, attitude = self.worn_by(name), bearing.attitude[rows]
        self._spread(out, w, role, bearing, rows, by)
        before = attitude if by is None else by @ attitude
        self.by_mounting(out, w, name, role, before, self.turn(state, w, role))

    def segment(
        self, state: State, w: int, name: str, tracks: Mapping[Role, Track], t_s: Array, jacobian: bool = True
    ) -> tuple[Array, Array]:
        """Attitude (m, 3, 3) of a segment and its sensitivity (m, 3, passing + lasting): left rotation vector per
        unknown."""
        role, mounted = self.worn_by(name), self.mounted(state, w, name)
        if not jacobian:
            return tracks[role].at(t_s) @ mounted, np.empty(0)
        bearing = self._bearing(state, w, role, tracks[role], t_s)
        out = np.zeros((len(t_s), 3, self.passing[w].size + self.lasting.size))
        self._spread_segment(out, state, w, name, bearing, slice(None))
        return bearing.attitude @ mounted, out

    def worn_by(self, segment: str) -> Role:
        """The sensor that tells where a segment points."""
        return self.hand_role if segment == "hand" and self.hand_role else segment  # type: ignore[return-value]

    def turn(self, state: State, w: int, role: Role) -> Array:
        """How a sensor has turned (3, 3) on its segment since the poses, as far as its strap slipped before a window."""
        at = self.strapping[w].get(role)
        return np.eye(3) if at is None else exp(state.slipped[at])

    def slid(self, state: State, i: int) -> Array:
        """Rotation vector (3,), sensor coordinates, by which a sensor turned in slip `i`."""
        before = [k for k in range(i) if self.slips[k].role == self.slips[i].role]
        return log(exp(state.slipped[i]) @ exp(state.slipped[before[-1]]).T) if before else state.slipped[i]

    def mounted(self, state: State, w: int, name: str) -> Array:
        """Segment to sensor coordinates (3, 3) in a window, slips included."""
        return self.turn(state, w, self.worn_by(name)) @ state.mount[name]

    def by_mounting(self, jacobian: Array, w: int, name: str, role: Role, before: Array, turn: Array) -> None:
        """Puts into a Jacobian (..., passing + lasting) what depends on how a segment's sensor sits: `before` (..., 3)
        is the change by a left rotation vector of its mounting, slips included."""
        n, g = self.passing[w].size, self.lasting
        m = g[f"mount:{name}"]
        jacobian[..., n + m.start : n + m.stop] = before @ turn
        at = self.strapping[w].get(role)
        if at is not None:
            u = g[f"slipped:{at}"]
            jacobian[..., n + u.start : n + u.stop] = before

    # ----------------------------------------------------------------------------------- residuals
    def rows(self, state: State, w: int) -> tuple[Array, Array, dict[str, Array]]:
        """Whitened residuals (m,), Jacobian (m, passing + lasting), and raw series for the scales."""
        b, window, nodes = self.beliefs, self.windows[w], self.nodes[w]
        p, g = self.passing[w], self.lasting
        n, total = p.size, p.size + g.size
        bearings = {r: self._under_way(state, w, r) for r in self.roles}
        res: list[Array] = []
        jac: list[Array] = []
        series: dict[str, Array] = {}

        def put(residual: Array, jacobian: Array, robust: float | None = 3.0) -> None:
            residual, jacobian = residual.reshape(-1), jacobian.reshape(-1, total)
            if robust is not None:  # Cauchy weights: what disagrees by much counts little
                weight = 1.0 / np.sqrt(1.0 + (residual / (robust * self.patience)) ** 2)
                residual, jacobian = residual * weight, jacobian * weight[:, None]
            res.append(residual)
            jac.append(jacobian)

        def at(slice_: slice) -> slice:
            return slice(n + slice_.start, n + slice_.stop)

        # gravity and bias at rest
        for role in self.roles:
            still = nodes.still[role]
            if not len(still.t_s):
                continue
            rest = slice(nodes.shared, None)
            down = np.swapaxes(bearings[role].attitude[rest], 1, 2)
            gravity = down @ (UP * GRAVITY)
            k = np.eye(3) + state.accel_matrix[role]
            r0 = (still.accel - gravity @ k.T - state.accel_bias[role]) / still.accel_sd
            by = -(k @ down @ cross_matrix(UP * GRAVITY)) / still.accel_sd[:, :, None]
            j0 = np.zeros((len(r0), 3, total))
            self._spread(j0, w, role, bearings[role], rest, by)
            j0[:, :, at(g[f"accel_bias:{role}"])] = -np.eye(3) / still.accel_sd[:, :, None]
            base = at(g[f"accel_matrix:{role}"]).start
            for i, (a, c) in enumerate(_TRIANGLE):
                j0[:, a, base + i] = -gravity[:, c] / still.accel_sd[:, 0]
            put(r0, j0)
            if len(still.gyro):
                raw, sd = still.gyro, still.turn_sd
                rate = raw @ (np.eye(3) + state.matrix[role]).T - state.bias[role] - state.bias_change[w][role]
                j1 = np.zeros((len(raw), 3, total))
                j1[:, :, at(g[f"bias:{role}"])] = j1[:, :, p[f"bias:{role}"]] = -np.eye(3) / sd[:, :, None]
                m0 = at(g[f"matrix:{role}"]).start
                for i in range(3):
                    j1[:, i, m0 + 3 * i : m0 + 3 * i + 3] = raw / sd
                put(rate / sd, j1)

        # the wrist has no axial part but what comes with its bends, and the skin's slip, a share of the roll
        if self.wrist and len(window.wrist_s):
            t = window.wrist_s
            angles, to_angles = self._bend(state, w, bearings, nodes.wrist)
            fl, dv = angles[:, 1], angles[:, 2]
            bends = np.stack([fl, dv, fl**2, fl * dv, dv**2], axis=-1)
            by = state.coupling
            # of (axial, flexion, deviation) in what is left
            share = np.stack(
                [np.ones(len(t)), -(by[0] + 2 * by[2] * fl + by[3] * dv), -(by[1] + by[3] * fl + 2 * by[4] * dv)],
                axis=-1,
            )
            j0 = self._bend_rows(state, w, bearings, nodes.wrist, share[:, None] @ to_angles)
            bias = state.bias["forearm"] + state.bias_change[w]["forearm"]
            axis = self.mounted(state, w, "forearm")[:, 1]
            roll = self.legs[w, "forearm"].roll(axis, bias, state.matrix["forearm"])[nodes.wrist]
            r0 = angles[:, 0] - bends @ by - state.slip * roll
            j0[:, 0, at(g["slip"]).start] = -roll
            j0[:, 0, at(g["coupling"])] = -bends
            # play that goes with the rate of the roll looks like a clock that is off: it must not teach the clocks
            moves = self.hand_role if self.hand_role != self.roles[0] else "forearm"
            ahead = (1 if moves == self.hand_role else -1) * j0[:, 0, at(g[f"clock:{moves}"]).start]
            r0 = r0 - state.lag * ahead
            j0[:, 0, at(g["lag"]).start] = -ahead
            series["axial"] = r0
            series["rolling"] = ahead
            put(*_whitened(r0[:, None], j0, t, self.axial_sd, b.axial_time, b.white))

        # hand and club are one body while gripped
        if self.rigid and len(window.grip_s):
            r0, j0 = self._grip_rows(state, w, bearings, nodes.grip)
            series["grip"] = r0
            put(*_whitened(r0, j0, window.grip_s, self.grip_sd, b.grip_time, b.white))

        for hold, node in zip(window.holds, nodes.holds, strict=True):
            self._hold_rows(state, w, bearings, hold, [node], put, at)

        for turning in window.axes:
            if turning.kind == "roll" and "forearm" in state.mount:
                mount = self.mounted(state, w, "forearm")
                v = turning.direction @ mount  # in segment coordinates; should be y
                v = v * np.sign(v[1])
                # v = mount^T d; mount -> exp(alpha) mount: dv = mount^T (d x alpha)
                j = np.zeros((2, total))
                dv = mount.T @ cross_matrix(turning.direction * np.sign((turning.direction @ mount)[1]))
                self.by_mounting(j, w, "forearm", "forearm", dv[[0, 2]], self.turn(state, w, "forearm"))
                put(v[[0, 2]] / turning.sd, j / turning.sd)

        # what is believed of this window's own unknowns
        believed: list[tuple[Array, slice, float | Array]] = [
            (state.bias_change[w][r], p[f"bias:{r}"], b.bias_change) for r in self.roles
        ]
        if self.rigid:
            believed.append((state.regrip[w], p["regrip"], self.regrip_sd))
        if "jumps" in p:
            believed.append((state.jumps[w].ravel(), p["jumps"], nodes.jump_sd))
        where = np.concatenate([np.arange(x.start, x.stop) for _, x, _ in believed])
        sd = np.concatenate([np.broadcast_to(sd, len(value)) for value, _, sd in believed])
        j0 = np.zeros((len(where), total))
        j0[np.arange(len(where)), where] = 1.0 / sd
        put(np.concatenate([value for value, _, _ in believed]) / sd, j0, None)
        return np.concatenate(res), np.concatenate(jac), series

    def _bend(self, state: State, w: int, bearings: Mapping[Role, Bearing], rows: Any) -> tuple[Array, Array]:
        """Axial part, flexion and deviation (m, 3) of the wrist at nodes, and their change (m, 3, 3) per left rotation
        vector of the hand."""
        f, h = (bearings[self.worn_by(s)].attitude[rows] @ self.mounted(state, w, s) for s in ("forearm", "hand"))
        angles = wrist_angles(f, h, self.side)
        return angles, wrist_jacobian(angles, self.side) @ np.swapaxes(f, 1, 2)

    def _bend_rows(self, state: State, w: int, bearings: Mapping[Role, Bearing], rows: Any, by: Array) -> Array:
        """(m, k, unknowns) of what changes by `by` (m, k, 3) with the hand's turn on the forearm."""
        j = np.zeros((*by.shape[:2], self.passing[w].size + self.lasting.size))
        self._spread_segment(j, state, w, "hand", bearings[self.worn_by("hand")], rows, by)
        self._spread_segment(j, state, w, "forearm", bearings["forearm"], rows, -by)
        return j

    def _grip_rows(
        self, state: State, w: int, bearings: Mapping[Role, Bearing], rows: Any, own: bool = True
    ) -> tuple[Array, Array]:
        """Rotation vector (m, 3), club coordinates, from where the grip puts the hand to the hand."""
        p, g, n = self.passing[w], self.lasting, self.passing[w].size
        h = bearings["hand"].attitude[rows] @ self.mounted(state, w, "hand")
        to_club = np.swapaxes(bearings["club"].attitude[rows] @ self.mounted(state, w, "club"), 1, 2)
        grip = exp(state.regrip[w]) @ state.grip if own else state.grip
        r0 = log(to_club @ h @ grip.T)
        j0 = np.zeros((len(r0), 3, n + g.size))
        self._spread_segment(j0, state, w, "hand", bearings["hand"], rows, to_club)
        self._spread_segment(j0, state, w, "club", bearings["club"], rows, -to_club)
        # c^T h G^T with G -> exp(v) G: right factor exp(-v)
        j0[:, :, n + g["grip"].start : n + g["grip"].stop] = -np.eye(3)
        if own:
            j0[:, :, p["regrip"]] = -np.eye(3)
        return r0, j0

    def _hold_rows(  # type: ignore[no-untyped-def]
        self, state: State, w: int, bearings: Mapping[Role, Bearing], hold: Hold, node: list[int], put, at
    ) -> None:
        b, g = self.beliefs, self.lasting
        total = self.passing[w].size + g.size

        def upright(name: str, axes: Sequence[int], sd: float) -> None:
            """Components of 'up' that should vanish, from the accelerometer over the pose."""
            role: Any = self.hand_role if name == "hand" else name
            if name not in state.mount or role not in hold.accel:
                return
            f = hold.accel[role] - state.accel_bias[role]
            k = np.linalg.inv(np.eye(3) + state.accel_matrix[role])
            up = k @ f
            size = np.linalg.norm(up)
            up = up / size
            mount = self.mounted(state, w, name)
            v = mount.T @ up
            j = np.zeros((3, total))
            self.by_mounting(j, w, name, role, mount.T @ cross_matrix(up), self.turn(state, w, role))
            j[:, at(g[f"accel_bias:{role}"])] = -mount.T @ (np.eye(3) - np.outer(up, up)) @ k / size
            rows = list(axes)
            put(v[rows] / (sd * hold.sd), j[rows] / (sd * hold.sd))

        if hold.name == "hang":
            upright("forearm", (0, 2), b.hang)
            upright("hand", (0, 2), b.hang)
        elif hold.name in ("handshake", "grip_flat"):
            gripping = hold.name == "grip_flat"
            if self.hand_role == "club" and not gripping:
                upright("forearm", (1,), b.level_forearm)
                upright("forearm", (0,), b.thumb_up)
                return
            # of a hand beside a forearm the flat wrist tells that already: twice would count one error as two
            for name in ("forearm",) if self.wrist else ("forearm", "hand"):
                upright(name, (1,), b.level_forearm)
                upright(name, (0,), b.thumb_up)
            if self.wrist:
                angles, to_angles = self._bend(state, w, bearings, node)
                sd = b.flat_wrist * hold.sd
                put(angles[0, 1:] / sd, self._bend_rows(state, w, bearings, node, to_angles[:, 1:]) / sd, None)
            if gripping and self.rigid:
                r0, j0 = self._grip_rows(state, w, bearings, node, own=False)
                put(r0[0] / b.regrip, j0[0] / b.regrip)
        elif hold.name == "address" and self.wrist:  # no more than what keeps a free zero near
            angles, to_angles = self._bend(state, w, bearings, node)
            r0 = angles[0, 1:] - [0.0, b.address_deviation]
            sd = b.at_address * hold.sd
            put(r0 / sd, self._bend_rows(state, w, bearings, node, to_angles[:, 1:]) / sd, None)
            upright("forearm", (0,), b.arm_lean)
            for name, direction in hold.palm.items():
                role: Any = self.hand_role if name == "hand" else name
                mount = self.mounted(state, w, name)
                v = mount.T @ direction
                sd = (b.forearm_palm if name == "forearm" else b.hand_palm) * hold.sd
                by_v = np.array([[v[2], 0.0, -v[0]]]) / (v[0] ** 2 + v[2] ** 2)
                j = np.zeros((1, total))
                self.by_mounting(j, w, name, role, by_v @ mount.T @ cross_matrix(direction), self.turn(state, w, role))
                put(np.array([np.arctan2(-v[2], v[0])]) / sd, j / sd, None)
        elif hold.name == "club_hang":
            upright("club", (1, 2), b.club_hang)
        elif hold.name == "club_square":
            upright("club", (1,), b.club_square)

    def _lasting_prior(self, state: State) -> tuple[Array, Array]:
        """Residual and diagonal of what is believed of the lasting unknowns."""
        b, g = self.beliefs, self.lasting
        r, sd = np.zeros(g.size), np.ones(g.size)
        for role in self.roles:
            sd[g[f"matrix:{role}"]] = np.where(np.eye(3, dtype=bool), b.gyro_scale, b.gyro_cross).ravel()
            r[g[f"matrix:{role}"]] = state.matrix[role].ravel()
            sd[g[f"accel_bias:{role}"]] = b.accel_bias
            r[g[f"accel_bias:{role}"]] = state.accel_bias[role]
            sd[g[f"accel_matrix:{role}"]] = [b.accel_scale] * 3 + [b.accel_cross] * 3
            r[g[f"accel_matrix:{role}"]] = [state.accel_matrix[role][i, j] for i, j in _TRIANGLE]
            sd[g[f"bias:{role}"]] = b.gyro_bias
            r[g[f"bias:{role}"]] = state.bias[role]
        for role in self.roles[1:]:  # see `_clock_prior`
            sd[g[f"clock:{role}"]] = np.inf
        for segment in state.mount:
            r[g[f"mount:{segment}"]] = 0.0
            sd[g[f"mount:{segment}"]] = b.mounting
        if "grip" in g:
            sd[g["grip"]] = b.mounting
        if "slip" in g:
            sd[g["slip"]] = b.slip
            r[g["slip"]] = state.slip - 0.1
            sd[g["coupling"]] = [b.coupling] * 2 + [b.bent_coupling] * 3
            r[g["coupling"]] = state.coupling
            sd[g["lag"]], r[g["lag"]] = self.lag_sd, state.lag
        for i in range(len(self.slips)):  # see `_slip_prior`
            sd[g[f"slipped:{i}"]] = np.inf
        if self.knowledge is not None:  # it holds these beliefs already
            for name, _ in self.knowledge.names:
                sd[g[name]] = np.inf
        return r, sd

    def _off_knowledge(self, state: State, knowledge: Knowledge) -> tuple[np.ndarray, Array]:
        """Where the known unknowns stand among the lasting ones, and how far they are from what is known."""
        now = state.lasting()
        off = []
        for name, _ in knowledge.names:
            kind = name.partition(":")[0]
            if kind in ("mount", "grip"):
                off.append(log(now[name] @ knowledge.values[name].T))
            elif kind == "accel_matrix":
                gap = now[name] - knowledge.values[name]
                off.append(np.array([gap[i, j] for i, j in _TRIANGLE]))
            else:
                off.append((now[name] - knowledge.values[name]).ravel())
        where = np.concatenate([np.arange(self.lasting.size)[self.lasting[n]] for n, _ in knowledge.names])
        return where, np.concatenate(off)

    def _clock_prior(self, state: State, role: Role) -> tuple[Array, Array]:
        """How far this clock may move against the one it was placed by: offset at the middle of what
        they share, and drift."""
        fit = self.clocks[role]
        jac = np.zeros((2, self.lasting.size))
        rows = np.array([[1.0, fit.middle_s], [0.0, 1.0]]) / np.array(
            [[max(fit.sd_s, 1e-5)], [max(fit.sd_drift, 1e-7)]]
        )
        jac[:, self.lasting[f"clock:{role}"]] = rows
        res = rows @ state.clock[role]
        if fit.anchor is not None and fit.anchor in state.clock:
            jac[:, self.lasting[f"clock:{fit.anchor}"]] = -rows
            res = res - rows @ state.clock[fit.anchor]
        return res, jac

    def _slip_prior(self, state: State, i: int) -> tuple[Array, Array]:
        """How far a strap's turn (segment coordinates) is from what is believed of it."""
        slip, mount = self.slips[i], state.mount[self.slips[i].role]
        jac = np.zeros((3, self.lasting.size))
        jac[:, self.lasting[f"slipped:{i}"]] = mount.T / slip.sd[:, None]
        return (mount.T @ state.slipped[i] - slip.turn) / slip.sd, jac

    # ------------------------------------------------------------------------------------- solving
    def solve(self, iterations: int = 8) -> Solution:
        state = self.start
        for i in range(iterations):
            self.patience = (10.0, 3.0)[i] if i < 2 else 1.0
            step, parts, cost, series = self._normal(state, judged=i == 4)
            state = self._step(state, self._within_reach(step), parts)
            if i in (1, 3):  # how large the play and the grip's give are, the data say themselves
                self._rescale(state, series)
                state = self._over_gaps(state)
            moved = np.max(np.abs(step) / np.sqrt(np.diag(parts.covariance)))
            if i > 3 and moved < _SETTLED:
                return Solution(self, state, parts, cost, series)
        _, parts, cost, series = self._normal(state)
        return Solution(self, state, parts, cost, series)

    def _within_reach(self, step: Array) -> Array:
        """The step, or as much of it as turns no mounting further than what is linear about it holds for."""
        turns = [float(np.linalg.norm(step[self.lasting[f"mount:{s}"]])) for s in self.start.mount]
        return step * min(1.0, _FAR / max([*turns, 1e-9]))

    def _over_gaps(self, state: State) -> State:
        """Where a sensor's turn in a gap came out larger than believed, or anything is believed of it,
        the window may rest in a hollow: it is tried again from each start there is, and the lowest taken.
        Where all of them lead to one, it is not tried a second time."""
        for w, window in enumerate(self.windows):
            if not window.jumps or w in self.alone:
                continue
            size = np.linalg.norm(state.jumps[w], axis=1)
            sd = np.array([j.sd for j in window.jumps])
            if not np.any((sd > 8 * DEG) | ((size > 2.5 * sd) & (size > 2 * DEG))):
                continue
            found = [self._settled(state, w, (1.0, 1.0, 1.0))]
            guess, nothing = self.start.jumps[w], np.zeros_like(self.start.jumps[w])
            # a guess stands about where the others place it: patience may lead away from there
            starts = [(guess, (1.0,) * 5), (guess, _PATIENCE)] if np.any(guess) else []
            for jumps, patience in (*starts, (nothing, _PATIENCE)):
                start = _replaced(state, w, self.start.first[w], self.start.bias_change[w], jumps)
                found.append(self._settled(start, w, patience, [cost for _, cost in found]))
            costs = [cost for _, cost in found]
            if _one_hollow(costs):
                self.alone.add(w)
            state = found[int(np.argmin(costs))][0]
        self.patience = 1.0
        return state

    def _settled(
        self, state: State, w: int, patience: Sequence[float], others: Sequence[float] = ()
    ) -> tuple[State, float]:
        """One window fitted by its own unknowns, the lasting ones held, and its cost; no further than to where one of
        the `others` costs came from."""
        n = self.passing[w].size
        still = np.zeros(self.lasting.size)
        for self.patience in patience:
            res, jac, _ = self.rows(state, w)
            cost = float(res @ res)
            if self.patience == 1.0 and any(_one_hollow([cost, other]) for other in others):
                return state, cost
            own = jac[:, :n]
            normal = own.T @ own
            normal += self.nodes[w].free
            step = linalg.cho_solve(linalg.cho_factor(normal, check_finite=False), -(own.T @ res), check_finite=False)
            state = self._moved(state, still, {w: step})
            if self.patience == 1.0 and np.max(np.abs(step)) < 2e-4:
                break
        res, _, _ = self.rows(state, w)
        return state, float(res @ res)

    def _rescale(self, state: State, series: Sequence[dict[str, Array]]) -> None:
        """Play and the grip's give as the middle window shows them, so that one of another kind (a club
        twirled, a sensor hit) does not speak for all."""

        def typical(name: str) -> float | None:
            seen = [s[name] for s in series if name in s and s[name].size > 20]
            # by what is large in it: while all rests, nothing plays
            middles = [float(np.quantile(np.abs(x), 0.9)) / 1.645 for x in seen]
            return float(np.median(middles)) if middles else None

        axial, grip = typical("axial"), typical("grip")
        if axial is not None:
            self.axial_sd = float(np.clip(1.3 * self.beliefs.play_counted * axial, 0.2 * DEG, 12 * DEG))
            rates = [float(np.quantile(np.abs(s["rolling"]), 0.95)) for s in series if len(s.get("rolling", ())) > 20]
            self.lag_sd = self.axial_sd / max(rates, default=_ROLLING)
        if grip is not None:
            self.grip_sd = float(np.clip(1.3 * grip, 0.15 * DEG, 3 * DEG))
        gripped = [w for w, window in enumerate(self.windows) if len(window.grip_s)]
        if self.rigid and gripped:
            # gravity shows two of its three parts; the belief counts as two swings, the median keeps out a new grip
            seen = float(np.median([np.sum(state.regrip[w] ** 2) for w in gripped])) / (2 * np.log(2))
            mixed = (2 * self.beliefs.regrip**2 + len(gripped) * seen) / (2 + len(gripped))
            self.regrip_sd = float(np.clip(np.sqrt(mixed), 0.4 * DEG, 4 * DEG))

    def _judge(self, residuals: Sequence[Array]) -> None:
        """Windows that disagree with themselves far more than the others do are believed less, in what
        they say of the lasting unknowns and in their own uncertainty (Birge's ratio, window by window)."""
        ratio = np.array([float(res @ res) / max(len(res), 1) for res in residuals])
        usual = max(float(np.median(ratio)), 0.05)
        self.trust = self.believed / np.sqrt(np.maximum(1.0, ratio / (_UNLIKE * usual)))

    def _normal(self, state: State, *, judged: bool = False) -> tuple[Array, Parts, float, list[dict[str, Array]]]:
        """Step of the lasting unknowns, what the rest follows from, cost, and series of every window. `judged`: how
        far each window is believed is found anew."""
        r, sd = self._lasting_prior(state)
        a = np.diag(1.0 / sd**2)
        y = -r / sd**2
        cost = float(np.sum((r / sd) ** 2))
        believed = [self._clock_prior(state, role) for role in self.roles[1:]]
        believed += [self._slip_prior(state, i) for i in range(len(self.slips))]
        for res, jac in believed:
            a += jac.T @ jac
            y -= jac.T @ res
            cost += float(res @ res)
        if self.knowledge is not None:
            where, off = self._off_knowledge(state, self.knowledge)
            a[np.ix_(where, where)] += self.knowledge.information
            y[where] -= self.knowledge.information @ off
            cost += float(off @ self.knowledge.information @ off)
        factors, couplings, rights = [], [], []
        series = []
        residuals, squares = [], []
        for w in range(len(self.windows)):
            res, jac, s = self.rows(state, w)
            series.append(s)
            residuals.append(res)
            squares.append((jac.T @ jac, -(jac.T @ res)))
        if judged:
            self._judge(residuals)
        for w, (square, right) in enumerate(squares):
            trust = self.trust[w] ** 2
            cost += self.share[w] * trust * float(residuals[w] @ residuals[w])
            n = self.passing[w].size
            square, right = trust * square, trust * right
            hpp, hpg = square[:n, :n], square[:n, n:]
            hpp += self.nodes[w].free
            factor = linalg.cho_factor(hpp, check_finite=False)
            solved = linalg.cho_solve(factor, np.column_stack([hpg, right[:n]]), check_finite=False)
            a += self.share[w] * (square[n:, n:] - hpg.T @ solved[:, :-1])
            y += self.share[w] * (right[n:] - hpg.T @ solved[:, -1])
            factors.append(factor)
            couplings.append(solved[:, :-1])
            rights.append(solved[:, -1])
        scale = 1.0 / np.sqrt(np.diag(a))
        covariance = np.linalg.inv(a * np.outer(scale, scale)) * np.outer(scale, scale)
        lasting = covariance @ y
        return lasting, Parts(covariance, factors, couplings, rights), cost, series

    def _step(self, state: State, lasting: Array, parts: Parts) -> State:
        """The state moved by a step of the lasting unknowns, and every window by what follows from it."""
        own = {w: parts.rights[w] - parts.couplings[w] @ lasting for w in range(len(self.windows))}
        return self._moved(state, lasting, own)

    def _moved(self, state: State, lasting: Array, steps: Mapping[int, Array]) -> State:
        g = self.lasting
        matrix, accel_bias, accel_matrix, bias = {}, {}, {}, {}
        for r in self.roles:
            matrix[r] = state.matrix[r] + lasting[g[f"matrix:{r}"]].reshape(3, 3)
            accel_bias[r] = state.accel_bias[r] + lasting[g[f"accel_bias:{r}"]]
            k = state.accel_matrix[r].copy()
            for v, (i, j) in zip(lasting[g[f"accel_matrix:{r}"]], _TRIANGLE, strict=True):
                k[i, j] += v
            accel_matrix[r] = k
            bias[r] = state.bias[r] + lasting[g[f"bias:{r}"]]
        clock = {r: state.clock[r] + lasting[g[f"clock:{r}"]] for r in self.roles[1:]}
        mount = {s: exp(lasting[g[f"mount:{s}"]]) @ m for s, m in state.mount.items()}
        grip = exp(lasting[g["grip"]]) @ state.grip if "grip" in g else state.grip
        slip = float(np.clip(state.slip + lasting[g["slip"]][0], -0.2, 0.6)) if "slip" in g else state.slip
        turns = np.array([lasting[g[f"slipped:{i}"]] for i in range(len(self.slips))]).reshape(-1, 3)
        slipped = _composed(turns, state.slipped) if len(turns) else state.slipped
        first, change, regrip, jumps = [], [], [], []
        for w, p in enumerate(self.passing):
            own = steps.get(w)
            if own is None:
                first.append(state.first[w])
                change.append(state.bias_change[w])
                regrip.append(state.regrip[w])
                jumps.append(state.jumps[w])
                continue
            first.append({r: exp(own[p[f"first:{r}"]]) @ state.first[w][r] for r in self.roles})
            change.append({r: state.bias_change[w][r] + own[p[f"bias:{r}"]] for r in self.roles})
            regrip.append(state.regrip[w] + own[p["regrip"]] if "regrip" in p else state.regrip[w])
            jumps.append(_composed(own[p["jumps"]].reshape(-1, 3), state.jumps[w]) if "jumps" in p else state.jumps[w])
        return replace(
            state,
            matrix=matrix,
            accel_bias=accel_bias,
            accel_matrix=accel_matrix,
            bias=bias,
            clock=clock,
            mount=mount,
            grip=grip,
            slip=slip,
            coupling=state.coupling + lasting[g["coupling"]] if "coupling" in g else state.coupling,
            lag=state.lag + float(lasting[g["lag"]][0]) if "lag" in g else state.lag,
            slipped=slipped,
            first=tuple(first),
            bias_change=tuple(change),
            regrip=tuple(regrip),
            jumps=tuple(jumps),
        )


def _one_hollow(costs: Sequence[float]) -> bool:
    return max(costs) < 1.01 * min(costs) + 0.1


def _replaced(state: State, w: int, first: Mapping[Role, Array], change: Mapping[Role, Array], jumps: Array) -> State:
    """The state with one window's own unknowns set."""

    def put(parts: tuple[Any, ...], new: Any) -> tuple[Any, ...]:
        return (*parts[:w], new, *parts[w + 1 :])

    return replace(
        state,
        first=put(state.first, first),
        bias_change=put(state.bias_change, change),
        jumps=put(state.jumps, jumps),
        regrip=put(state.regrip, np.zeros(3)),
    )


def _composed(more: Array, turns: Array) -> Array:
    """Rotation vectors (n, 3) of `turns` followed by `more`."""
    return np.asarray((Rotation.from_rotvec(more) * Rotation.from_rotvec(turns)).as_rotvec(), np.float64)


_WAYS = 8
"""Windows whose tracks are kept: of an hour they would be the most that a measurement holds."""


@dataclass(frozen=True, eq=False)
class Parts:
    """The pieces of the solved normal equations from which covariances are made."""

    covariance: Array  # of the lasting unknowns
    factors: list  # Cholesky of each window's own block
    couplings: list[Array]  # own block^-1 times the coupling to the lasting unknowns
    rights: list[Array]


@dataclass(frozen=True, eq=False)
class Solution:
    problem: Problem
    state: State
    parts: Parts
    cost: float
    series: list[dict[str, Array]]
    ways: dict[int, dict[Role, Track]] = field(default_factory=dict)

    @property
    def surprise(self) -> float:
        """Minus twice the logarithm of how likely the readings are with this answer, but for a constant: also between
        answers that find another play of the wrist."""
        p, b = self.problem, self.problem.beliefs
        play = 0.0
        for share, window in zip(p.share, p.windows, strict=True):
            if p.wrist and len(window.wrist_s):
                news = _of_news(window.wrist_s, p.axial_sd, b.axial_time, b.white)
                play += share * float(np.sum(np.log(news)))
        return self.cost + 2.0 * play

    def tracks(self, w: int) -> dict[Role, Track]:
        if w not in self.ways:
            if len(self.ways) >= _WAYS:
                self.ways.clear()
            self.ways[w] = {r: self.problem.track(self.state, w, r) for r in self.problem.roles}
        return self.ways[w]

    def variance(self, w: int, jacobian: Array) -> Array:
        """Variance (m,) of quantities with the given Jacobian (m, passing + lasting) in window w."""
        n = self.problem.passing[w].size
        own = jacobian[:, :n]
        factor, lower = self.parts.factors[w]
        half = linalg.solve_triangular(factor, own.T, lower=lower, trans=0 if lower else 1, check_finite=False)
        return np.sum(half**2, axis=0) + self.shared_variance(w, jacobian)

    def shared_variance(self, w: int, jacobian: Array) -> Array:
        """The part (m,) of it that comes from the lasting unknowns: one draw for all windows."""
        n = self.problem.passing[w].size
        reduced = jacobian[:, n:] - jacobian[:, :n] @ self.parts.couplings[w]
        return np.asarray(np.einsum("ij,ij->i", reduced @ self.parts.covariance, reduced))

    def covariances(self, w: int, jacobian: Array) -> Array:
        """Covariances (m, k, k) of m sets of k quantities each, by their Jacobian (m, k, passing + lasting)."""
        n, (m, k, _) = self.problem.passing[w].size, jacobian.shape
        own = jacobian[:, :, :n]
        reduced = jacobian[:, :, n:] - own @ self.parts.couplings[w]
        solved = linalg.cho_solve(self.parts.factors[w], own.reshape(m * k, n).T).T.reshape(m, k, n)
        return np.asarray(
            own @ np.swapaxes(solved, 1, 2) + reduced @ self.parts.covariance @ np.swapaxes(reduced, 1, 2)
        )


def _whitened(
    residual: Array, jacobian: Array, t_s: Array, sd: float, time_s: float, white: float
) -> tuple[Array, Array]:
    """Rows (m, k) of slowly varying errors and their Jacobian (m, k, unknowns) made independent: each is told only what the one before it does
    not already say (Ornstein-Uhlenbeck process of standard deviation `sd`, correlation time
    `time_s`). Taken as independent they would count one strap's slip a hundred times."""
    rho = np.exp(-np.diff(t_s) / time_s)[:, None]
    scale = _of_news(t_s, sd, time_s, white)[:, None]
    r = residual.copy()
    r[1:] -= rho * residual[:-1]
    j = jacobian.copy()
    j[1:] -= rho[:, :, None] * jacobian[:-1]
    return r / scale, j / scale[:, :, None]


def _of_news(t_s: Array, sd: float, time_s: float, white: float) -> Array:
    """Standard deviation (m,) of what each instant of a slowly varying error adds to the one before it."""
    rho = np.exp(-np.diff(t_s) / time_s)
    return np.concatenate([[sd], np.sqrt(sd**2 * (1 - rho**2) + white**2)])
