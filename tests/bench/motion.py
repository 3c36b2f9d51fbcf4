"""What a player does in a recording: joint angles with exact first and second derivatives.

Each joint runs through knots joined by quintic Hermite pieces (angle, rate and acceleration match
at every knot); waves (tremor, waggles, steps, vibration after impact) are added on top.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, fields, replace
from itertools import pairwise

import numpy as np

from tests.bench.player import JOINTS, Array, Chain, J, Player

DEG = np.pi / 180
Posture = dict[str, float]  # joint -> rad (m for the slides)
Wave = Callable[[Array], tuple[Array, Array, Array]]  # times -> value, rate, acceleration


@dataclass(frozen=True)
class SwingPlan:
    """How one swing is meant; angles in rad. Truth is taken from the body frames, never from here."""

    kind: str  # full | partial | slow
    ball: bool
    head_speed: float  # m/s wanted at impact
    flexion_top: float
    flexion_impact: float  # change since address
    cock_top: float  # deviation at the top (radial -)
    roll_top: float  # roll of the arm since address
    swing_top: float  # turn of the arm in its plane
    face_impact: float  # wanted face since address, open +
    release_s: float  # before impact: the wrist starts to uncock
    backswing_s: float
    pause_s: float
    still_s: float  # at address
    waggles: int
    speed_lost: float  # part of the clubhead's speed lost at impact


@dataclass
class PlannedSwing:
    plan: SwingPlan
    window: tuple[float, float]  # from the start of the address to rest afterwards
    still: tuple[float, float]  # the last still moment before the swing
    top: float  # near this time
    impact: float  # contact, where there is a ball


@dataclass(frozen=True, kw_only=True)
class Beliefs:
    """Facts of bodies and clubs that an estimator may not count on. Zero switches each off."""

    axial_play_deg: float = 0.0
    tilted_axes: bool = False
    grip_slip_deg: float = 0.0  # about the shaft, within a swing
    regrip_deg: float = 0.0  # each swing takes the club a little otherwise, up to this about each axis
    shaft_bend: float = 0.0  # 1: as a shaft of ordinary stiffness
    skin_slip: float = 0.0  # part of the forearm's pronation that the sensor does not follow
    strap_wobble: float = 0.0  # 1: about a degree, dying away after impact
    turf: float = 0.0  # share of swings with a ball in which the club also strikes the ground, just after it
    strap_slips_deg: float = 0.0  # the forearm sensor turns on the arm by this, once, between two swings
    each_their_own: bool = False  # every player draws how much of each there is, up to what is given

    def drawn(self, rng: np.random.Generator) -> Beliefs:
        """One player's."""
        if not self.each_their_own:
            return self
        own = {f.name: getattr(self, f.name) * rng.uniform() for f in fields(self) if f.type == "float"}
        return replace(self, **own, tilted_axes=self.tilted_axes and rng.uniform() < 0.5)


def wave(freq: float, amp: float, phase: float, start: float, end: float, ramp: float) -> Wave:
    """A sine that fades in and out smoothly over `ramp` seconds at either end."""
    w = 2 * np.pi * freq

    def f(t: Array) -> tuple[Array, Array, Array]:
        e0, e1, e2 = _smooth((t - start) / ramp, ramp)
        f0, f1, f2 = _smooth((end - t) / ramp, ramp)
        f1 = -f1
        g0, g1, g2 = e0 * f0, e1 * f0 + e0 * f1, e2 * f0 + 2 * e1 * f1 + e0 * f2
        s, c = np.sin(w * (t - start) + phase), np.cos(w * (t - start) + phase)
        x, v, a = amp * s, amp * w * c, -amp * w * w * s
        return g0 * x, g1 * x + g0 * v, g2 * x + 2 * g1 * v + g0 * a

    return f


def ringing(start: float, contact: float, step: float, decay: float, freq: float, swing: float, phase: float) -> Wave:
    """What a blow leaves: a rate that drops by `step` within `contact` seconds and comes back with time
    constant `decay`, and a dying vibration of rate `swing` at `freq`."""
    w, k = 2 * np.pi * freq, 1 / decay

    def f(t: Array) -> tuple[Array, Array, Array]:
        u = np.maximum(t - start, 0.0)
        e0, e1, e2 = _smooth(u / contact, contact)
        d = np.exp(-k * u)
        x = -step * u * d
        v = -step * (1 - k * u) * d
        a = -step * (k * k * u - 2 * k) * d
        amp = swing / w
        s0, c0 = np.sin(w * u + phase), np.cos(w * u + phase)
        offset = np.sin(phase)
        x = x + amp * d * (s0 - offset)
        v = v + amp * (d * w * c0 - k * d * (s0 - offset))
        a = a + amp * (-d * w * w * s0 - 2 * k * d * w * c0 + k * k * d * (s0 - offset))
        return e0 * x, e1 * x + e0 * v, e2 * x + 2 * e1 * v + e0 * a

    return f


def _smooth(u: Array, scale: float) -> tuple[Array, Array, Array]:
    """Quintic step from 0 to 1 with its derivatives by time, where u = time / scale."""
    u = np.clip(u, 0.0, 1.0)
    e = u**3 * (10 - 15 * u + 6 * u * u)
    d = 30 * u * u * (1 - u) ** 2 / scale
    dd = 60 * u * (1 - u) * (1 - 2 * u) / scale**2
    return e, d, dd


@dataclass
class Script:
    """The knots and waves of a recording, written from its start to its end."""

    rng: np.random.Generator
    now: float = 0.0
    knots: dict[str, list[tuple[float, float, float, float]]] = field(default_factory=dict)
    waves: list[tuple[str, float, float, Wave]] = field(default_factory=list)
    fast: list[tuple[float, float, float]] = field(default_factory=list)  # from, to, Hz

    def at(self, joint: str) -> float:
        return self.knots[joint][-1][1] if joint in self.knots else 0.0

    def posture(self) -> Posture:
        return {j: k[-1][1] for j, k in self.knots.items()}

    def knot(self, joint: str, t: float, x: float, v: float = 0.0, a: float = 0.0) -> None:
        self.knots.setdefault(joint, [(0.0, 0.0, 0.0, 0.0)]).append((t, float(x), v, a))

    def start(self, posture: Posture) -> None:
        for joint, x in posture.items():
            self.knots[joint] = [(0.0, float(x), 0.0, 0.0)]

    def move(self, posture: Posture, seconds: float) -> None:
        """Go to a posture smoothly; joints not named stay."""
        for joint, x in posture.items():
            if x != self.at(joint) or (joint in self.knots and self.knots[joint][-1][0] > self.now):
                if joint not in self.knots or self.knots[joint][-1][0] < self.now:
                    self.knot(joint, self.now, self.at(joint))
                self.knot(joint, self.now + seconds, x)
        self.now += seconds

    def hold(self, seconds: float) -> tuple[float, float]:
        start = self.now
        self.now += seconds
        return start, self.now

    def wave(
        self, joint: str, freq: float, amp: float, start: float, end: float, *, ramp: float, phase: float = 0.0
    ) -> None:
        self.waves.append((joint, start, end, wave(freq, amp, phase, start, end, ramp)))

    # -- evaluation ------------------------------------------------------------------------------
    def grid(self, *, slow_hz: float) -> Array:
        """Times that render the motion: `slow_hz`, and finer where it is fast."""
        edges: list[tuple[float, float, float]] = []
        cuts = sorted({0.0, self.now, *(x for a, b, _ in self.fast for x in (a, b) if 0 < x < self.now)})
        for a, b in pairwise(cuts):
            mid = 0.5 * (a + b)
            hz = max([slow_hz, *(h for x, y, h in self.fast if x <= mid <= y)])
            edges.append((a, b, hz))
        parts = [np.linspace(a, b, max(2, int(np.ceil((b - a) * hz)) + 1))[:-1] for a, b, hz in edges]
        return np.concatenate([*parts, [self.now]])

    def evaluate(self, t: Array) -> tuple[Array, Array, Array]:
        """Joint angles, rates and accelerations at sorted times, (n, len(JOINTS)) each."""
        out = np.zeros((3, len(t), len(JOINTS)))
        for joint, knots in self.knots.items():
            x, v, a = _hermite(np.array(knots), t)
            i = J[joint]
            out[0, :, i], out[1, :, i], out[2, :, i] = x, v, a
        for joint, start, end, f in self.waves:
            lo, hi = np.searchsorted(t, [start, end])
            if hi > lo:
                x, v, a = f(t[lo:hi])
                i = J[joint]
                out[0, lo:hi, i] += x
                out[1, lo:hi, i] += v
                out[2, lo:hi, i] += a
        return out[0], out[1], out[2]


def _hermite(knots: Array, t: Array) -> tuple[Array, Array, Array]:
    """Quintic Hermite pieces through (time, value, rate, acceleration) rows; constant outside."""
    if len(knots) == 1:
        return np.full_like(t, knots[0, 1]), np.zeros_like(t), np.zeros_like(t)
    k = knots
    h = np.diff(k[:, 0])
    if (h <= 0).any():
        raise ValueError(f"knots out of order near {k[:-1][h <= 0, 0]} s")
    x0, v0, a0 = k[:-1, 1], k[:-1, 2], k[:-1, 3]
    x1, v1, a1 = k[1:, 1], k[1:, 2], k[1:, 3]
    d = x1 - x0
    c3 = (20 * d - (8 * v1 + 12 * v0) * h - (3 * a0 - a1) * h**2) / (2 * h**3)
    c4 = (-30 * d + (14 * v1 + 16 * v0) * h + (3 * a0 - 2 * a1) * h**2) / (2 * h**4)
    c5 = (12 * d - 6 * (v1 + v0) * h + (a1 - a0) * h**2) / (2 * h**5)
    i = np.clip(np.searchsorted(k[:, 0], t, side="right") - 1, 0, len(h) - 1)
    u = np.clip(t - k[i, 0], 0.0, h[i])
    c0, c1, c2, c3, c4, c5 = x0[i], v0[i], a0[i] / 2, c3[i], c4[i], c5[i]
    x = c0 + u * (c1 + u * (c2 + u * (c3 + u * (c4 + u * c5))))
    v = c1 + u * (2 * c2 + u * (3 * c3 + u * (4 * c4 + u * 5 * c5)))
    a = 2 * c2 + u * (6 * c3 + u * (12 * c4 + u * 20 * c5))
    outside = (t < k[0, 0]) | (t > k[-1, 0])
    v[outside] = 0.0
    a[outside] = 0.0
    return x, v, a


# -- what players do ---------------------------------------------------------------------------------

REST: Posture = {
    "tilt": 4 * DEG,
    "swing": -3 * DEG,
    "out": 0.0,
    "humerus": 5 * DEG,
    "elbow": 22 * DEG,
    "pronation": 10 * DEG,
    "play": 0.0,
    "flexion": -8 * DEG,
    "deviation": 8 * DEG,
    "grip_x": 0.0,
    "grip_y": 0.0,
    "grip_z": 0.0,
    **dict.fromkeys(("lead_a", "droop_a", "lead_b", "droop_b", "twist"), 0.0),
}
UPRIGHT: Posture = {**REST, "place_x": 0.0, "place_y": 0.0, "place_z": 0.0}

# clubhead speed of full swings, m/s: slow amateurs to the tour (driver 50.5 m/s, USGA/R&A distance report 2016; the
# rest common practice, no source)
SPEEDS = {
    "wedge": (25, 36),
    "9-iron": (28, 38),
    "7-iron": (30, 40),
    "5-iron": (32, 43),
    "hybrid": (33, 45),
    "3-wood": (34, 47),
    "driver": (36, 50),
}


def draw_plan(
    rng: np.random.Generator, player: Player, *, club: str, kind: str = "full", ball: bool = True
) -> SwingPlan:
    speed = rng.uniform(*SPEEDS[club])
    size, slow = 1.0, 1.0
    if kind == "partial":
        size = rng.uniform(0.5, 0.75)
        speed *= size
    if kind == "slow":
        slow = rng.uniform(2.5, 4.0)
        speed /= slow * 2
        size = rng.uniform(0.7, 1.0)
    return SwingPlan(
        kind=kind,
        ball=ball and kind != "slow",
        head_speed=speed,
        flexion_top=rng.uniform(-30, 20) * DEG,
        flexion_impact=rng.uniform(0, 22) * DEG,
        cock_top=rng.uniform(-28, -14) * DEG * (0.4 + 0.6 * size),
        roll_top=rng.uniform(72, 108) * DEG * (0.3 + 0.7 * size),
        swing_top=rng.uniform(125, 166) * DEG * size,
        face_impact=rng.normal(0, 3) * DEG,
        release_s=rng.uniform(0.08, 0.17) * slow,
        backswing_s=rng.uniform(0.72, 0.98) * player.tempo * slow * (0.7 + 0.3 * size),
        pause_s=float(rng.choice([0.0, 0.0, 0.0, rng.uniform(0.0, 0.12)])),
        still_s=float(rng.choice([rng.uniform(0.35, 0.6), rng.uniform(0.6, 1.2), rng.uniform(1.2, 2.5)])),
        waggles=int(rng.integers(0, 4)),
        speed_lost=rng.uniform(0.15, 0.28),
    )


def _soled(chain: Chain, posture: Posture, *, aim: float) -> Posture:
    """Raise and turn the arm so that the club is soled at its lie and the face looks at
    `aim` (rad, open +), horizontally."""
    p = chain.player

    def residual(frames: dict[str, Array]) -> list[float]:
        s, n = frames["club"][:, 0], frames["club"][:, 1]
        return [np.arcsin(-s[2]) - p.lie, np.arctan2(-p.mirror * n[1], n[0]) - aim]

    return chain.solve(posture, {"tilt": 8 * DEG, "humerus": p.grip_strength * 0.7}, residual)


def address(chain: Chain, rng: np.random.Generator, *, aim: float, regrip: float = 0.0) -> Posture:
    """A posture over the ball: club soled, face at `aim`; `regrip` rad bounds how the grip differs."""
    p = chain.player
    posture = {
        **REST,
        **{k: rng.uniform(-1, 1) * regrip for k in ("grip_x", "grip_y", "grip_z")},
        "deviation": p.address_deviation + rng.uniform(-2, 2) * DEG,
        "swing": -rng.uniform(0, 8) * DEG,
        "elbow": rng.uniform(2, 8) * DEG,
        "pronation": rng.uniform(-15, 10) * DEG,
        "flexion": -rng.uniform(5, 22) * DEG,
    }
    return _soled(chain, posture, aim=aim)


def swing(script: Script, chain: Chain, plan: SwingPlan, at: Posture, beliefs: Beliefs) -> PlannedSwing:
    """A swing from the address posture `at`, which the script must hold now, to rest."""
    rng, p = script.rng, chain.player
    slow = 1.0 if plan.kind != "slow" else max(1.0, plan.backswing_s / 0.9)

    # still at address, then takeaway
    waggle(script, plan.waggles, at)
    still = script.hold(plan.still_s)
    t0 = script.now

    share = rng.uniform(0.35, 0.6)  # of the roll that is pronation
    size = plan.swing_top / (140 * DEG)
    top = {
        **at,
        "tilt": at["tilt"] + rng.uniform(18, 36) * DEG * size,
        "swing": plan.swing_top,
        "out": at["out"] + rng.uniform(-4, 6) * DEG,
        "elbow": at["elbow"] + rng.uniform(0, 24) * DEG * size,
        "humerus": at["humerus"] + (1 - share) * plan.roll_top,
        "pronation": at["pronation"] + share * plan.roll_top,
        "flexion": plan.flexion_top,
        "deviation": plan.cock_top,
        "place_x": script.at("place_x") - rng.uniform(0.02, 0.10) * size,
        "place_y": script.at("place_y") - rng.uniform(0.05, 0.16) * size,
        "place_z": script.at("place_z") - rng.uniform(0.02, 0.08) * size,
    }
    impact = {
        **at,
        "tilt": at["tilt"] + rng.uniform(0, 6) * DEG,
        "swing": at["swing"] - rng.uniform(3, 10) * DEG,
        "elbow": rng.uniform(0, 6) * DEG,
        "flexion": at["flexion"] + plan.flexion_impact,
        "deviation": at["deviation"] + rng.uniform(-4, 4) * DEG,
        "place_x": script.at("place_x") + rng.uniform(0.0, 0.06),
        "place_y": script.at("place_y") + rng.uniform(-0.02, 0.05),
        "place_z": script.at("place_z") + rng.uniform(0.0, 0.05),
    }
    start = chain.pose(at)["club"][:, 1]

    def face(frames: dict[str, Array]) -> list[float]:
        n = frames["club"][:, 1]
        return [p.mirror * (np.arctan2(start[1], start[0]) - np.arctan2(n[1], n[0])) - plan.face_impact]

    impact = chain.solve(impact, {"pronation": at["pronation"]}, face)

    # rates at impact: the same mixture for everyone, scaled to the speed wanted
    mix = {"swing": -13.5, "humerus": -5.0, "pronation": -12.0, "deviation": 6.0, "flexion": rng.uniform(-5, 2)}
    mix["place_x"] = 0.5
    mix = {k: v * rng.uniform(0.85, 1.15) for k, v in mix.items()}
    scale = plan.head_speed / chain.head_speed(impact, mix)
    rate = {k: v * scale for k, v in mix.items()}
    reach = top["swing"] - impact["swing"]
    down = rng.uniform(1.55, 1.95) * reach / -rate["swing"]
    down = float(np.clip(down, 0.195, 0.34)) if plan.kind != "slow" else float(np.clip(down, 0.4, 2.5))

    tt = t0 + plan.backswing_s + rng.uniform(0, 0.03)
    pause = plan.pause_s if plan.pause_s > 0.02 else 0.0
    ti = tt + pause + down
    release = min(plan.release_s, 0.85 * down)
    brake = 1.0 * slow

    def run(joint: str, *knots: tuple[float, float, float, float]) -> None:
        if script.knots.get(joint) and script.knots[joint][-1][0] >= t0:
            script.knots[joint] = [k for k in script.knots[joint] if k[0] < t0]
        script.knot(joint, t0, at.get(joint, script.at(joint)))
        reached, *then = knots
        if pause and reached[0] < tt + pause - 0.01:
            then = [(tt + pause, reached[1], 0.0, 0.0), *(k for k in then if k[0] > tt + pause + 0.01)]
        for k in (reached, *then):
            script.knot(joint, *k)

    r = rate
    fin = {  # relative to address where it is a turn
        "tilt": at["tilt"] + rng.uniform(15, 30) * DEG * size,
        "swing": -rng.uniform(115, 145) * DEG * min(1.0, size * 1.1),
        "elbow": rng.uniform(40, 85) * DEG * size,
        "humerus": impact["humerus"] - rng.uniform(30, 50) * DEG * size,
        "pronation": impact["pronation"] - rng.uniform(35, 60) * DEG * size,
        "flexion": rng.uniform(-40, -15) * DEG * size,
        "deviation": -rng.uniform(5, 18) * DEG * size,
    }
    tf = ti + rng.uniform(0.55, 0.8) * brake * (0.6 + 0.4 * size)
    h1 = 0.13 * brake
    # the arm
    s1 = impact["swing"] + r["swing"] * h1 * 0.72
    s2 = min(fin["swing"], s1 + 0.42 * r["swing"] * (tf - ti - h1) * 0.42)
    run(
        "swing",
        (tt, top["swing"], 0.0, 0.0 if pause else -rng.uniform(1.5, 3.0) * reach / down**2),
        (ti, impact["swing"], r["swing"], 0),
        (ti + h1, s1, 0.42 * r["swing"], 0),
        (tf, s2, 0, 0),
    )
    # the roll: kept through transition, let go late
    roll_at = ti - rng.uniform(0.45, 0.7) * down
    for joint, keep in (("humerus", rng.uniform(0.85, 1.0)), ("pronation", rng.uniform(0.85, 1.1))):
        kept = impact[joint] + keep * (top[joint] - impact[joint])
        x1 = impact[joint] + r[joint] * 0.09 * brake * 0.7
        run(
            joint,
            (tt + rng.uniform(-0.05, 0.0) * slow, top[joint], 0, 0),
            (max(roll_at, tt + 0.02), kept, 0, 0),
            (ti, impact[joint], r[joint], 0),
            (ti + 0.09 * brake, x1, 0.4 * r[joint], 0),
            (tf, min(fin[joint], x1 - 0.02), 0, 0),
        )
    # the wrist: cock, lag, release; braked soon after impact
    lag = min(rng.uniform(0.0, 0.07) * slow, down - release - 0.01) if down - release > 0.015 else 0.0
    peak_at, let_go, stop = tt + max(lag, 0.0), ti - release, 0.03 * brake
    d = r["deviation"]
    run(
        "deviation",
        (peak_at, top["deviation"] - rng.uniform(0, 4) * DEG, 0, 0),
        *([(let_go, top["deviation"], 0.0, 0.0)] if let_go > peak_at + 0.03 else []),
        (ti, impact["deviation"], d, -d / stop),
        (ti + stop, impact["deviation"] + 0.5 * d * stop, 0, -d / stop),
        (ti + 0.3 * brake, fin["deviation"], 0, 0),
        (tf, fin["deviation"] + 3 * DEG, 0, 0),
    )
    bow, part = rng.uniform(-12, 12) * DEG, rng.uniform(0, 0.5)
    f1 = impact["flexion"] + r["flexion"] * 0.04 * brake - 4 * DEG
    run(
        "flexion",
        (tt, top["flexion"], 0, 0),
        (tt + 0.55 * (ti - tt), top["flexion"] + part * (impact["flexion"] - top["flexion"]) + bow, 0, 0),
        (ti, impact["flexion"], r["flexion"], 0),
        (ti + 0.1 * brake, f1, 0, 0),
        (tf, fin["flexion"], 0, 0),
    )
    for joint in ("tilt", "elbow"):
        run(joint, (tt, top[joint], 0, 0), (ti + 0.02, impact[joint], 0, 0), (tf, fin[joint], 0, 0))
    run("out", (tt, top["out"], 0, 0), (ti, impact["out"], 0, 0), (tf, at["out"], 0, 0))
    for joint in ("place_x", "place_y", "place_z"):
        run(joint, (tt - 0.03, top[joint], 0, 0), (ti, impact[joint], r.get(joint, 0.0), 0),
            (tf, impact[joint] + rng.uniform(0.0, 0.08), 0, 0))  # fmt: skip

    _unshared(script, beliefs, run=run, tt=tt, ti=ti, tf=tf, down=down, swing_speed=plan.head_speed)
    if plan.ball:
        _blow(script, plan, beliefs, ti)
        if rng.random() < beliefs.turf:
            _divot(script, plan, ti + rng.uniform(0.001, 0.006))
    script.fast += [(t0 - 0.1, tf + 0.1, 2000.0 if plan.kind != "slow" else 1000.0)]
    if plan.ball:
        script.fast += [(ti - 0.003, ti + 0.012, 8000.0), (ti + 0.012, ti + 0.06, 4000.0)]
    script.now = tf
    script.hold(rng.uniform(0.5, 1.6))
    end = script.now
    script.move(UPRIGHT, rng.uniform(1.0, 1.8))
    return PlannedSwing(plan, (still[0], end), still, tt + 0.5 * pause, ti)


def _unshared(
    script: Script,
    beliefs: Beliefs,
    *,
    run: Callable[..., None],
    tt: float,
    ti: float,
    tf: float,
    down: float,
    swing_speed: float,
) -> None:
    """Play of the wrist, slip of the grip, bend and twist of the shaft, as the swing loads them."""
    rng = script.rng
    if beliefs.axial_play_deg:
        a = beliefs.axial_play_deg * DEG
        u = rng.uniform(0.3, 1, 4) * rng.choice([-1, 1], 4)
        run("play", (tt, a * u[0], 0, 0), (ti - 0.3 * down, a * u[1], 0, 0), (ti, a * u[2], 0, 0),
            (ti + 0.12, a * u[3], 0, 0), (tf, a * u[0] * 0.5, 0, 0))  # fmt: skip
    if beliefs.grip_slip_deg:
        a = beliefs.grip_slip_deg * DEG
        u = rng.uniform(0.3, 1, 2) * rng.choice([-1, 1], 2)
        g = script.at("grip_x")
        run("grip_x", (tt, g + 0.2 * a * u[0], 0, 0), (ti - 0.01, g + 0.4 * a * u[0], 0, 0),
            (ti + 0.05, g + a * u[1], 0, 0), (tf, g + a * u[1], 0, 0))  # fmt: skip
    if beliefs.shaft_bend:
        k = beliefs.shaft_bend * (swing_speed / 42.0) ** 2
        for joint, part in (("a", 0.12), ("b", 0.88)):
            lag, lead, droop = rng.uniform(2, 5) * DEG, rng.uniform(-1, 3) * DEG, rng.uniform(0.5, 2.5) * DEG
            run(f"lead_{joint}", (tt, 0, 0, 0), (ti - 0.6 * down, -k * part * lag, 0, 0), (ti, k * part * lead, 0, 0),
                (ti + 0.08, 0, 0, 0))  # fmt: skip
            run(f"droop_{joint}", (tt, 0, 0, 0), (ti, -k * part * droop, 0, 0), (ti + 0.08, 0, 0, 0))
        run("twist", (tt, 0, 0, 0), (ti, k * rng.uniform(-1.5, 1.5) * DEG, 0, 0), (ti + 0.08, 0, 0, 0))


def _blow(script: Script, plan: SwingPlan, beliefs: Beliefs, ti: float) -> None:
    """First contact with the ball at `ti`: the head loses speed within half a millisecond; the hands
    feel it through the shaft; everything rings and dies away."""
    rng = script.rng
    hit = plan.head_speed * plan.speed_lost  # m/s lost by the head
    contact = rng.uniform(0.5, 0.9) * 1e-3

    def ring(joint: str, step: float, *, decay: float, freq: float, swing: float) -> None:
        f = ringing(ti, contact, step, decay, freq, swing, rng.uniform(-0.5, 0.5))
        script.waves.append((joint, ti, ti + 12 * decay, f))

    # rad/s: a head that loses 9 m/s a metre away turns the grip some 4 rad/s slower for a moment
    ring("deviation", 0.25 * hit, decay=0.02, freq=rng.uniform(28, 45), swing=0.10 * hit)
    ring("flexion", rng.uniform(-0.12, 0.12) * hit, decay=0.02, freq=rng.uniform(25, 45), swing=0.08 * hit)
    ring("pronation", rng.uniform(-0.25, 0.25) * hit, decay=0.02, freq=rng.uniform(30, 60), swing=0.15 * hit)
    ring("swing", -0.04 * hit, decay=0.025, freq=rng.uniform(18, 30), swing=0.03 * hit)
    if beliefs.shaft_bend:
        ring("lead_b", 0.5 * hit, decay=0.025, freq=rng.uniform(35, 60), swing=0.5 * hit)
        ring("lead_a", 0.06 * hit, decay=0.025, freq=rng.uniform(35, 60), swing=0.06 * hit)
        ring("twist", rng.uniform(-0.8, 0.8) * hit, decay=0.02, freq=rng.uniform(60, 110), swing=0.5 * hit)
    if beliefs.strap_wobble:
        for sensor, size in (("forearm", 0.7), ("hand", 1.0), ("club", 0.4)):
            for c in "xyz":
                amp = beliefs.strap_wobble * size * rng.uniform(0.3, 1.5) * DEG
                freq = rng.uniform(14, 38)
                ring(f"strap_{sensor}_{c}", 0.0, decay=rng.uniform(0.03, 0.07), freq=freq, swing=amp * 2 * np.pi * freq)


def _divot(script: Script, plan: SwingPlan, at: float) -> None:
    """The ground takes more speed than the ball, over a longer time."""
    rng = script.rng
    drag = plan.head_speed * rng.uniform(0.1, 0.35)
    contact = rng.uniform(3.0, 8.0) * 1e-3
    for joint, part in (("deviation", 0.3), ("flexion", rng.uniform(-0.2, 0.2)), ("pronation", rng.uniform(-0.3, 0.3))):
        f = ringing(
            at, contact, part * drag, 0.025, rng.uniform(30, 60), abs(part) * 0.3 * drag, rng.uniform(-0.5, 0.5)
        )
        script.waves.append((joint, at, at + 0.3, f))


def waggle(script: Script, count: int, at: Posture) -> None:
    rng = script.rng
    if not count:
        return
    freq = rng.uniform(1.2, 2.2)
    start, end = script.hold(count / freq + 0.3)
    for joint, amp in (("deviation", 6), ("flexion", 5), ("pronation", 5), ("swing", 2.5)):
        script.wave(joint, freq, rng.uniform(0.3, 1.2) * amp * DEG, start, end, ramp=0.3, phase=rng.uniform(0, 0.6))
    script.hold(0.15)


def walk(script: Script, seconds: float, *, turn: float = 0.0) -> None:
    """Walk about, club in hand, turning by `turn` rad in all."""
    rng = script.rng
    start, end = script.now, script.now + seconds
    step = rng.uniform(1.6, 2.0)
    ramp = min(0.8, seconds / 3)
    script.wave("swing", step / 2, rng.uniform(6, 16) * DEG, start, end, ramp=ramp)
    script.wave("elbow", step / 2, rng.uniform(2, 7) * DEG, start, end, ramp=ramp, phase=0.6)
    script.wave("pronation", step / 2, rng.uniform(2, 6) * DEG, start, end, ramp=ramp, phase=1.6)
    script.wave("flexion", step / 2, rng.uniform(2, 6) * DEG, start, end, ramp=ramp, phase=2.2)
    script.wave("deviation", step, rng.uniform(1, 4) * DEG, start, end, ramp=ramp)
    script.wave("place_z", step, rng.uniform(0.015, 0.03), start, end, ramp=ramp)
    script.wave("place_z", step * 3, rng.uniform(0.0005, 0.0015), start, end, ramp=ramp)
    script.wave("place_x", step / 2, rng.uniform(0.01, 0.02), start, end, ramp=ramp)
    script.wave("yaw", step / 2, rng.uniform(2, 6) * DEG, start, end, ramp=ramp)
    script.move({"yaw": script.at("yaw") + turn}, seconds)


def tremor(script: Script) -> None:
    """Nobody is ever quite still: slow sway and a tremor of hundredths of a degree, all the time."""
    rng = script.rng
    for joint in ("swing", "tilt", "pronation", "flexion", "deviation", "yaw"):
        for freq, amp in ((rng.uniform(0.15, 0.4), 0.12), (rng.uniform(0.6, 1.4), 0.03), (rng.uniform(6, 10), 0.004)):
            a = amp * rng.uniform(0.4, 1.2) * DEG
            script.wave(joint, freq, a, -10.0, script.now + 10.0, ramp=1.0, phase=rng.uniform(0, 6))
    for joint in ("place_x", "place_y"):
        script.wave(joint, rng.uniform(0.2, 0.4), rng.uniform(0.001, 0.003), -10.0, script.now + 10.0, ramp=1.0)


# -- what else players do: none of it is a swing ---------------------------------------------------------


def knock(script: Script, joints: tuple[str, ...], size: float, at: float) -> None:
    """A tap of the club on something: rates of some `size` rad/s for a few hundredths of a second."""
    rng = script.rng
    for joint in joints:
        f = ringing(at, 0.002, size * rng.uniform(-1, 1), 0.015, rng.uniform(25, 60), size * rng.uniform(0.3, 1), 0.0)
        script.waves.append((joint, at, at + 0.2, f))
    script.fast.append((at - 0.02, at + 0.2, 2000.0))


def fiddle(script: Script, chain: Chain) -> None:
    """Stand to the ball, waggle, and step away."""
    at = address(chain, script.rng, aim=0.0)
    script.move({**at, "yaw": script.at("yaw")}, 1.3)
    waggle(script, int(script.rng.integers(1, 6)), at)
    script.hold(script.rng.uniform(0.3, 2.0))
    script.move(UPRIGHT, 1.2)


def look_back(script: Script, chain: Chain) -> None:
    """Take the club back slowly to look at it, and put it down again the same way."""
    rng = script.rng
    at = address(chain, rng, aim=0.0)
    script.move({**at, "yaw": script.at("yaw")}, 1.3)
    script.hold(rng.uniform(0.4, 1.0))
    part = rng.uniform(0.35, 1.0)
    back = {
        "swing": 130 * DEG * part,
        "humerus": at["humerus"] + 45 * DEG * part,
        "pronation": at["pronation"] + 40 * DEG * part,
        "deviation": at["deviation"] + (-18 * DEG - at["deviation"]) * part,
        "tilt": at["tilt"] + 20 * DEG * part,
    }
    script.move(back, rng.uniform(1.5, 3.0))
    script.hold(rng.uniform(0.8, 2.0))
    script.move({k: at[k] for k in back}, rng.uniform(1.6, 3.0))
    script.hold(0.5)
    script.move(UPRIGHT, 1.2)


def putt(script: Script, chain: Chain) -> None:
    """A putting stroke: a short rocking of the shoulders, wrists quiet."""
    rng = script.rng
    at = address(chain, rng, aim=0.0)
    script.move({**at, "yaw": script.at("yaw")}, 1.3)
    script.hold(rng.uniform(0.6, 2.0))
    reach = rng.uniform(7, 24) * DEG
    script.move({"swing": at["swing"] + reach}, rng.uniform(0.6, 0.85))
    through = rng.uniform(0.6, 0.8)
    knock(script, ("deviation", "flexion"), rng.uniform(0.05, 0.4), script.now + 0.45 * through)
    script.move({"swing": at["swing"] - 1.1 * reach}, through)
    script.hold(rng.uniform(0.5, 1.2))
    script.move(UPRIGHT, 1.2)


def pick_up(script: Script) -> None:
    """Bend for a ball, the club in the lead hand as a stick, and rise."""
    rng = script.rng
    bent = {
        "place_z": -rng.uniform(0.45, 0.7),
        "place_x": rng.uniform(-0.1, 0.2),
        "tilt": rng.uniform(20, 60) * DEG,
        "elbow": rng.uniform(10, 50) * DEG,
        "pronation": rng.uniform(-30, 50) * DEG,
        "flexion": rng.uniform(-40, 10) * DEG,
        "deviation": rng.uniform(-10, 25) * DEG,
    }
    script.move(bent, rng.uniform(0.9, 1.6))
    script.hold(rng.uniform(0.1, 0.8))
    script.move(UPRIGHT, rng.uniform(0.9, 1.6))


def twirl(script: Script) -> None:
    """Turn the club in the fingers, and catch it."""
    rng = script.rng
    script.move({"elbow": 60 * DEG, "grip_z": 25 * DEG}, 0.8)
    script.move({"grip_x": rng.choice([-1, 1]) * 2 * np.pi}, rng.uniform(0.5, 1.2))
    script.hold(0.2)
    # a whole turn is no turn: carry on from zero
    script.knot("grip_x", script.now, script.at("grip_x"))
    script.knot("grip_x", script.now + 0.8, 0.0)
    script.now += 0.8
    script.move(UPRIGHT, 1.0)


def tap(script: Script) -> None:
    """Knock dirt off the clubhead."""
    rng = script.rng
    script.move({"elbow": 35 * DEG, "deviation": 0.0}, 0.7)
    for _ in range(int(rng.integers(2, 5))):
        script.move({"elbow": 48 * DEG, "deviation": -12 * DEG}, 0.3)
        script.move({"elbow": 35 * DEG, "deviation": 5 * DEG}, 0.18)
        knock(script, ("deviation", "flexion", "elbow"), rng.uniform(0.5, 2.5), script.now)
        script.hold(0.12)
    script.move(UPRIGHT, 1.0)


def idle(script: Script, chain: Chain, seconds: float) -> None:
    """All of these, in any order, for about this long."""
    rng = script.rng
    end = script.now + seconds
    while script.now < end - 8:
        choice = rng.random()
        if choice < 0.35:
            walk(script, rng.uniform(3, 10), turn=rng.uniform(-120, 120) * DEG)
        elif choice < 0.5:
            fiddle(script, chain)
        elif choice < 0.6:
            look_back(script, chain)
        elif choice < 0.72:
            putt(script, chain)
        elif choice < 0.84:
            pick_up(script)
        elif choice < 0.9:
            twirl(script)
        elif choice < 0.95:
            tap(script)
        script.hold(rng.uniform(0.3, 3.0))
    if end - script.now > 2.0:
        walk(script, end - script.now)
