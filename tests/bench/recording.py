"""Recordings with known truth: a session of a player, rendered, sensed, and written as a folder."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from scipy.spatial.transform import Rotation

from tests.bench.motion import (
    DEG,
    REST,
    Beliefs,
    PlannedSwing,
    Posture,
    Script,
    address,
    draw_plan,
    idle,
    swing,
    tremor,
    walk,
)
from tests.bench.player import CLUBS, SENSORS, Array, Chain, J, Player, Rendered, draw_player
from tests.bench.sensors import Delivered, Errors, deliver
from tests.bench.truth import SwingTruth, swing_truth

CLUB_NAMES = tuple(CLUBS)


@dataclass(frozen=True, kw_only=True)
class Poses:
    """The calibration part of a recording."""

    held: bool = True  # whether the poses are held at all
    marked: bool = True  # whether the manifest names them
    repeats: int = 2  # of handshake and grip_flat
    error: float = 0.0  # 1: each hold is off by draws from the prior (see `PRIOR_DEG`)
    functional: bool = True  # three slow flexions and three slow forearm rolls
    club_aside: float = 0.5  # chance that the club leans on something until grip_flat, instead of being held
    biased: bool = False  # the errors of one name are the same at every repeat (a bent ruler)

    @classmethod
    def named(cls, name: str) -> Poses:
        return {
            "zero": cls(),
            "single": cls(repeats=1, error=1.0),
            "repeated": cls(repeats=3, error=1.0),
            "unmarked": cls(marked=False),
            "none": cls(held=False, functional=False),
        }[name]


PRIOR_DEG = {
    # standard deviations of how wrong poses are held: flexion and deviation of the wrist, forearm off level,
    # forearm turned about its axis, club off its own pose
    "hang": (5.0, 5.0, 3.0, 5.0, 0.0),
    "handshake": (3.0, 3.0, 3.0, 3.0, 0.0),
    "grip_flat": (3.0, 3.0, 3.0, 3.0, 0.0),
    "club_square": (0.0, 0.0, 0.0, 0.0, 1.5),
    "club_hang": (0.0, 0.0, 0.0, 0.0, 1.0),
}
PRONATION_TILT_DEG = 2.0  # the same, of the axis about which the forearm rolls, off its long axis


@dataclass(frozen=True, kw_only=True)
class Session:
    """What is done in a recording."""

    n_swings: int = 3
    minutes: float | None = None  # the session is spread over this by walking about; none: as it comes
    kinds: tuple[str, ...] = ("full",)  # drawn for each swing
    ball: float = 1.0  # share of full and partial swings with a ball
    poses: Poses = field(default_factory=Poses)
    handedness: str | None = None  # none: drawn
    club: str | None = None  # none: drawn
    idle: bool = False  # the time between swings holds waggles, putting, picking up, slow rehearsals
    beliefs: Beliefs = field(default_factory=Beliefs)


@dataclass(frozen=True, eq=False)
class Motion:
    """A rendered session, before any sensor error."""

    player: Player
    club: str
    rendered: Rendered
    poses: tuple[tuple[str, float, float, dict[str, float]], ...]  # name, from, to (true s), errors in deg
    swings: tuple[SwingTruth, ...]
    planned: tuple[PlannedSwing, ...]
    beliefs: Beliefs  # of this player


@dataclass(frozen=True, eq=False)
class BenchTruth:
    """What is true of a recording. Times `t` are seconds from the first sample of the first sensor, on
    that sensor's own (uniform) clock."""

    data: dict[str, Any]  # truth.json
    swings: tuple[SwingTruth, ...]
    motion: Motion
    start: float  # true time of the first sample of the first sensor
    rate: float  # seconds of the first sensor's clock in a true second

    def t(self, true_s: Array | float) -> Any:
        return (np.asarray(true_s) - self.start) * self.rate

    def table(self, *, hz: float = 500.0) -> Any:
        """Dense truth as a DataFrame: t, swing (0 outside), every angle in degrees within swings, and the
        segment frames in the world, scalar first."""
        import pandas as pd

        r = self.motion.rendered
        end = r.t[-1]
        true = np.arange(0.0, end, 1 / hz)
        if end > 180:  # swings only
            near = np.zeros(len(true), bool)
            for s in self.swings:
                near |= (true > s.t[0]) & (true < s.t[-1])
            true = true[near]
        index = np.zeros(len(true), int)
        columns: dict[str, Any] = {"t": self.t(true), "swing": index}
        for number, s in enumerate(self.swings, 1):
            inside = (true >= s.t[0]) & (true <= s.t[-1])
            index[inside] = number
            for name, values in s.traces.items():
                column = columns.setdefault(f"{name}_deg", np.full(len(true), np.nan))
                column[inside] = np.interp(true[inside], s.t, values)
        for body in ("forearm", "hand", "club", "head"):
            q = _interpolate(r.t, r.q[body], true)
            columns |= {f"{body}_q{c}": q[:, i] for i, c in enumerate("wxyz")}
        return pd.DataFrame(
            {k: v.astype(np.float32) if v.dtype == float and k != "t" else v for k, v in columns.items()}
        )


def _interpolate(t: Array, q: Array, at: Array) -> Array:
    """Orientation between rendered frames (which are milliseconds apart)."""
    i = np.clip(np.searchsorted(t, at, side="right") - 1, 0, len(t) - 2)
    u = (at - t[i]) / (t[i + 1] - t[i])
    a, b = q[i], q[i + 1]
    b = b * np.sign(np.sum(a * b, 1, keepdims=True))
    out = a + u[:, None] * (b - a)
    return out / np.linalg.norm(out, axis=1, keepdims=True)


@dataclass(frozen=True, eq=False)
class BenchRecording:
    truth: BenchTruth
    sensors: tuple[Delivered, ...]
    handedness: str
    club: str
    poses: tuple[tuple[str, float, float], ...]  # as the manifest has them
    extra: dict[str, Any] = field(default_factory=dict)

    def write(self, folder: Path | str, *, truth: bool = True) -> Path:
        """The recording as a folder: recording.toml, a CSV a sensor; truth.json and truth.parquet beside."""
        folder = write_folder(
            folder, sensors=self.sensors, handedness=self.handedness, club=self.club, poses=self.poses
        )
        if truth:
            (folder / "truth.json").write_text(json.dumps(self.truth.data, indent=1) + "\n", encoding="utf-8")
            self.truth.table().to_parquet(folder / "truth.parquet", index=False)
        return folder


def write_folder(
    folder: Path | str,
    *,
    sensors: tuple[Delivered, ...],
    handedness: str,
    club: str,
    poses: tuple[tuple[str, float, float], ...] = (),
) -> Path:
    """recording.toml and a CSV a sensor."""
    import pyarrow
    import pyarrow.csv

    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    lines = [f'handedness = "{handedness}"', f'club = "{club}"', "recorded_at = 2026-05-03T10:12:00+01:00"]
    for s in sensors:
        lines += ["", "[[sensor]]", f'role = "{s.role}"', f'file = "{s.role}.csv"']
        lines += ['accel_unit = "m/s^2"', 'gyro_unit = "rad/s"', 'time_unit = "s"']
        if s.accel_range is not None:
            lines.append(f"accel_range = {s.accel_range:.6f}")
        if s.gyro_range is not None:
            lines.append(f"gyro_range = {s.gyro_range:.6f}")
        names = ["t", "ax", "ay", "az", "gx", "gy", "gz"]
        columns = zip(names, [s.t, *s.accel.T, *s.gyro.T], strict=True)
        with open(folder / f"{s.role}.csv", "wb") as file:
            file.write((",".join(names) + "\n").encode())
            table = pyarrow.table({name: np.round(x, 7) for name, x in columns})
            pyarrow.csv.write_csv(table, file, pyarrow.csv.WriteOptions(include_header=False))
    for name, start, end in poses:
        lines += ["", "[[pose]]", f'name = "{name}"', f"start = {start:.3f}", f"end = {end:.3f}"]
    (folder / "recording.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder


def make_recording(
    *,
    seed: int,
    n_swings: int = 3,
    errors: Errors | None = None,
    session: Session | None = None,
    roles: tuple[str, ...] = ("forearm", "hand", "club"),
) -> BenchRecording:
    """A recording with known truth. The same seed and session are the same motion whatever the errors and
    roles; the first of `roles` owns the clock."""
    session = session or Session(n_swings=n_swings)
    errors = errors or Errors.none()
    motion = _motion(seed, session)
    sensors = tuple(deliver(motion.rendered, role, errors, device(seed, role)) for role in roles)
    first = sensors[0]
    start, rate = float(first.true_t[0]), 1 + first.facts["drift_ppm"] * 1e-6

    def t(true_s: float | None) -> float | None:
        return None if true_s is None else (true_s - start) * rate

    # clocks as the files show them: reading of a sensor's less that of the first sensor's, at its first sample
    zero, first_slope = first.facts["file_clock"]
    facts = {}
    for s in sensors:
        at_zero, slope = s.facts["file_clock"]
        reading, relative = at_zero + slope * start - (zero + first_slope * start), slope / first_slope - 1
        facts[s.role] = {**s.facts, "clock_offset_s": reading, "clock_drift_ppm": relative * 1e6}
    swings = [
        {
            "index": i,
            "kind": p.plan.kind,
            "ball": p.plan.ball,
            "head_speed_m_s": s.head_speed,
            "events": {name: t(when) for name, when in s.events.items()},
            "angles_deg": s.angles,
            "tempo": _tempo(s.events),
        }
        for i, (s, p) in enumerate(zip(motion.swings, motion.planned, strict=True), 1)
    ]
    data = {
        "seed": seed,
        "handedness": motion.player.handedness,
        "club": motion.club,
        "first_role": first.role,
        "errors": asdict(errors),
        "beliefs": asdict(motion.beliefs),
        "poses": [
            {"name": n, "start": t(a), "end": t(b), "errors_deg": e, "marked": session.poses.marked}
            for n, a, b, e in motion.poses
        ],
        "sensors": facts,
        "swings": swings,
        "player": asdict(motion.player),
    }
    marked = tuple((n, float(t(a)), float(t(b))) for n, a, b, _ in motion.poses) if session.poses.marked else ()  # type: ignore[arg-type]
    truth = BenchTruth(data, motion.swings, motion, start, rate)
    return BenchRecording(truth, sensors, motion.player.handedness, motion.club, marked)


def device(seed: int, role: str) -> np.random.Generator:
    """The draws of one device: the same seed and role are the same device in a session and on the bench."""
    return np.random.default_rng([seed, 7, SENSORS.index(role)])


def _tempo(events: dict[str, float | None]) -> dict[str, float | None]:
    a, b, c = (events[k] for k in ("takeaway", "top", "impact"))
    back = None if a is None or b is None else b - a
    down = None if b is None or c is None else c - b
    return {"backswing_s": back, "downswing_s": down, "ratio": back / down if back and down else None}


@lru_cache(maxsize=2)
def _motion(seed: int, session: Session) -> Motion:
    rng = np.random.default_rng([seed, 1])
    handedness = ("right", "left")[int(rng.integers(0, 2))]
    club = CLUB_NAMES[int(rng.integers(0, len(CLUB_NAMES)))]
    handedness = session.handedness or handedness
    club = session.club or club
    beliefs = session.beliefs.drawn(np.random.default_rng([seed, 6]))
    player = draw_player(rng, handedness=handedness, club=club, tilted_axes=beliefs.tilted_axes)
    off = session.poses.error * PRONATION_TILT_DEG * np.random.default_rng([seed, 5]).standard_normal(2)
    player = replace(player, roll_tilt=tuple(np.radians(off)))
    chain = Chain(player)
    script = Script(np.random.default_rng([seed, 2]))
    script.start(REST)
    script.hold(1.0)
    poses: list[tuple[str, float, float, dict[str, float]]] = []
    taken = _calibration(script, chain, session.poses, poses, np.random.default_rng([seed, 3]), beliefs)

    planned: list[PlannedSwing] = []
    r = script.rng
    end = 60.0 * (session.minutes or 0.0)
    for i in range(session.n_swings):
        left = end - script.now - 9.0 * (session.n_swings - i)
        pause = max(0.0, left / (session.n_swings - i)) + r.uniform(1.5, 4.0)
        if session.idle:
            idle(script, chain, pause)
        else:
            _between(script, pause)
        if beliefs.strap_slips_deg and i == session.n_swings // 2:
            script.knot("strap_forearm_y", script.now - 1.0, 0.0)
            script.knot("strap_forearm_y", script.now - 0.6, beliefs.strap_slips_deg * DEG * r.choice([-1, 1]))
        kind, ball = str(r.choice(session.kinds)), bool(r.random() < session.ball)
        planned.append(_one_swing(script, chain, club, kind, ball, beliefs))
    while session.n_swings == 0 and session.idle and script.now < end - 30:
        # slow rehearsals are swings of kind slow, and so have their truth
        idle(script, chain, min(r.uniform(60, 180), end - script.now))
        if script.now < end - 30:
            planned.append(_one_swing(script, chain, club, "slow", False, beliefs))
    script.hold(1.0)
    if script.now < end:
        walk(script, end - script.now)
    tremor(script)
    parts = []
    for times in _pieces(script.grid(slow_hz=250.0), 100_000):
        q, v, a = script.evaluate(times)
        for x in (q, v, a):
            x[:, J["skin"]] = -beliefs.skin_slip * x[:, J["pronation"]]
        parts.append(chain.render(times, q, v, a))
    rendered = Rendered.joined(parts)
    if taken:
        rendered = _stood_aside(rendered, player, taken, np.random.default_rng([seed, 4]))
    truths = tuple(
        swing_truth(rendered, chain, window=p.window, still=p.still, contact=p.impact if p.plan.ball else None)
        for p in planned
    )
    return Motion(player, club, rendered, tuple(poses), truths, tuple(planned), beliefs)


def _stood_aside(r: Rendered, player: Player, taken: tuple[float, float], rng: np.random.Generator) -> Rendered:
    """The same motion, but the club leans on something until it is taken in hand (from, to). On its way it is moved
    smoothly from there to where the hand holds it; its readings on the way are differences of that path."""
    m = player.mirror
    lean, roll = rng.uniform(55, 80) * DEG, rng.uniform(-np.pi, np.pi)
    frame = Rotation.from_euler("YX", [lean, roll]).as_matrix()  # s points down
    mirror, flip = np.diag([1.0, m, 1.0]), np.diag([1.0, 1.0, m])
    rest = Rotation.from_matrix(mirror @ frame @ flip)
    where = mirror @ np.array([rng.uniform(-0.6, 0.6), 0.1, 0.9])
    sensor = np.array([0.18, 0.0, 0.015 * m])

    part = slice(0, int(np.searchsorted(r.t, taken[1])) + 1)
    t = r.t[part]
    u = np.clip((t - taken[0]) / (taken[1] - taken[0]), 0, 1)
    w = (u**4 * (35 - 84 * u + 70 * u * u - 20 * u**3))[:, None]
    held = Rotation.from_quat(r.q["club"][part], scalar_first=True)
    tip = held.inv() * Rotation.from_quat(r.q["head"][part], scalar_first=True)
    way = rest * Rotation.from_rotvec(w * (rest.inv() * held).as_rotvec())
    place = (1 - w) * where + w * (r.place["grip"][part] + held.apply(sensor))
    rate = np.zeros((len(t), 3))
    rate[1:-1] = (way[:-2].inv() * way[2:]).as_rotvec() / (t[2:] - t[:-2])[:, None]
    force = way.inv().apply(np.gradient(np.gradient(place, t, axis=0), t, axis=0) + np.array([0, 0, 9.80665]))
    rate[-1], force[-3:] = r.gyro["club"][part][-1], r.accel["club"][part][-3:]

    def replaced(old: Array, new: Array) -> Array:
        return np.concatenate([new, old[part.stop :]])

    q = {"club": way.as_quat(scalar_first=True), "head": (way * tip).as_quat(scalar_first=True)}
    return replace(
        r,
        q={**r.q, **{k: replaced(r.q[k], v) for k, v in q.items()}},
        gyro={**r.gyro, "club": replaced(r.gyro["club"], rate)},
        accel={**r.accel, "club": replaced(r.accel["club"], force)},
    )


def _pieces(x: Array, size: int) -> list[Array]:
    return [x[i : i + size] for i in range(0, len(x), size)]


def _one_swing(script: Script, chain: Chain, club: str, kind: str, ball: bool, beliefs: Beliefs) -> PlannedSwing:
    r = script.rng
    at = address(chain, r, aim=r.normal(0, 2) * DEG, regrip=beliefs.regrip_deg * DEG)
    at["yaw"] = script.at("yaw")  # where the player happens to face: nothing else knows of it
    script.move(at, r.uniform(1.0, 1.6))
    plan = draw_plan(r, chain.player, club=club, kind=kind, ball=ball)
    return swing(script, chain, plan, at, beliefs)


def _between(script: Script, seconds: float) -> None:
    """Walk off, tee another ball, come back to about the same line."""
    r = script.rng
    if seconds < 1.5:
        script.hold(max(0.1, seconds))
        return
    if seconds < 8:
        walk(script, seconds - 0.8, turn=r.uniform(-30, 30) * DEG)
        script.hold(0.8)
        return
    left = seconds
    while left > 0:
        part = min(left, r.uniform(4, 15))
        if r.random() < 0.6 and part > 2:
            walk(script, part, turn=r.uniform(-120, 120) * DEG)
        else:
            script.hold(part)
        left -= part


def _calibration(
    script: Script,
    chain: Chain,
    poses: Poses,
    out: list[tuple[str, float, float, dict[str, float]]],
    rng: np.random.Generator,
    beliefs: Beliefs,
) -> tuple[float, float] | None:
    """Write the calibration part; return when the club is taken in hand, from and to, if it stood aside."""
    p = chain.player
    taken = None
    aside = rng.random() < poses.club_aside and (poses.held or poses.functional)
    drawn: dict[str, Array] = {}

    def errors(name: str) -> Array:
        e = rng.standard_normal(6)
        if poses.biased:
            e = drawn.setdefault(name, e)
        sd = PRIOR_DEG[name]
        return poses.error * e * np.array([*sd, sd[4]])

    def pose(name: str, posture: Posture, e: Array, seconds: float) -> None:
        script.move(posture, rng.uniform(0.9, 1.4))
        start, end = script.hold(seconds)
        keys = ("flexion", "deviation", "level", "turn", "club_a", "club_b")
        out.append((name, start + 0.2, end - 0.2, dict(zip(keys, e.round(4).tolist(), strict=True))))

    def level(e: Array) -> Posture:
        """Forearm level, thumb up; the upper arm a little forward or back."""
        forward = rng.uniform(-8, 15) * DEG
        return {
            "tilt": forward,
            "swing": 0.0,
            "out": 0.0,
            "humerus": 0.0,
            "elbow": 90 * DEG - forward + e[2] * DEG,
            "pronation": e[3] * DEG,
            "flexion": e[0] * DEG,
            "deviation": e[1] * DEG,
        }

    own = {"grip_x": 0.0, "grip_y": 0.0, "grip_z": 0.0}
    loose = {k: rng.normal(0, 12) * DEG for k in own} if rng.random() < 0.5 else own
    if poses.held:
        e = errors("hang")
        hang = {
            **dict.fromkeys(("out", "humerus", "elbow"), 0.0),
            "tilt": e[2] * DEG,
            "swing": rng.normal(0, 1) * poses.error * 2 * DEG,
            "pronation": e[3] * DEG,
            "flexion": e[0] * DEG,
            "deviation": e[1] * DEG,
        }
        pose("hang", {**hang, **loose}, e, rng.uniform(2.0, 3.0))
        for i in range(poses.repeats):
            if i:
                script.move({"elbow": 45 * DEG, "flexion": -15 * DEG, "deviation": 10 * DEG}, 0.9)
            e = errors("handshake")
            pose("handshake", {**level(e), **loose}, e, rng.uniform(1.6, 2.5))
    if poses.functional:
        posture = {**level(np.zeros(6)), **loose}
        script.move(posture, 1.0)
        script.hold(0.4)
        freq = rng.uniform(0.4, 0.6)
        start, end = script.hold(3 / freq + 0.8)
        script.wave("flexion", freq, rng.uniform(28, 40) * DEG, start, end, ramp=0.6)
        script.wave("deviation", freq, rng.uniform(-5, 5) * DEG, start, end, ramp=0.6, phase=rng.uniform(0, 1))
        script.wave("pronation", freq, rng.uniform(-3, 3) * DEG, start, end, ramp=0.6)
        script.wave("elbow", freq / 2, rng.uniform(-2, 2) * DEG, start, end, ramp=0.6)
        if beliefs.axial_play_deg:
            script.wave("play", freq, beliefs.axial_play_deg * 0.3 * rng.uniform(-1, 1) * DEG, start, end, ramp=0.6)
        script.hold(0.5)
        freq = rng.uniform(0.35, 0.5)
        start, end = script.hold(3 / freq + 0.8)
        script.wave("pronation", freq, rng.uniform(45, 65) * DEG, start, end, ramp=0.6)
        script.wave("flexion", freq, rng.uniform(-4, 4) * DEG, start, end, ramp=0.6)
        script.wave("humerus", freq, rng.uniform(-4, 4) * DEG, start, end, ramp=0.6)
        script.wave("tilt", freq, rng.uniform(-1, 1) * DEG, start, end, ramp=0.6)
        if beliefs.axial_play_deg:
            script.wave("play", freq, beliefs.axial_play_deg * 0.5 * rng.uniform(-1, 1) * DEG, start, end, ramp=0.6)
        script.hold(0.5)
    if aside:
        start = script.now
        script.move({**REST, "elbow": 40 * DEG, "tilt": 25 * DEG}, rng.uniform(1.3, 2.0))
        taken = (start, script.now)
        script.hold(0.3)
    if poses.held:
        for _ in range(poses.repeats):
            script.move({"elbow": 60 * DEG, "flexion": -20 * DEG, "deviation": 15 * DEG}, 0.8)
            e = errors("grip_flat")
            pose("grip_flat", {**level(e), **own}, e, rng.uniform(1.6, 2.5))
        # club soled: leading edge square, no lean
        at = address(chain, rng, aim=0.0)
        e = errors("club_square")
        lean, lie = e[4] * DEG, p.lie + rng.uniform(-2, 2) * DEG
        s = np.array([np.sin(lean), -p.mirror * np.cos(lie), -np.sin(lie)])
        s /= np.linalg.norm(s)
        n = np.array([1.0, 0, 0]) - s[0] * s
        n /= np.linalg.norm(n)
        # the edge itself off square, about the shaft
        n = Rotation.from_rotvec(p.mirror * e[5] * DEG * s).apply(n)
        club = np.column_stack([s, n, np.cross(s, n)])
        at["yaw"] = 0.0
        pose("club_square", {**at, **chain.club_in_hand(at, club)}, e, rng.uniform(1.8, 2.6))
        # the club hangs from its grip between two fingers
        e = errors("club_hang")
        hold = {
            **REST,
            "yaw": 0.0,
            "elbow": rng.uniform(50, 80) * DEG,
            "flexion": rng.uniform(-20, 5) * DEG,
            "pronation": rng.uniform(0, 40) * DEG,
        }
        s = np.array([np.tan(e[4] * DEG), p.mirror * np.tan(e[5] * DEG), -1.0])
        s /= np.linalg.norm(s)
        about = rng.uniform(-np.pi, np.pi)
        n = np.array([np.cos(about), p.mirror * np.sin(about), 0])
        n -= (n @ s) * s
        n /= np.linalg.norm(n)
        club = np.column_stack([s, n, np.cross(s, n)])
        pose("club_hang", {**hold, **chain.club_in_hand(hold, club)}, e, rng.uniform(2.0, 3.0))
        script.move({**REST}, 1.5)
    script.hold(0.5)
    return taken
