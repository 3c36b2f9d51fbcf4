"""What if only the wrist, or only the forearm's roll, were otherwise at one event of a swing?

The rest of the body is held: a turn of the wrist moves hand and club on the forearm, a roll moves
forearm, hand and club about the forearm's long axis. Forward kinematics with the student's own
geometry (attitudes of forearm, hand, club at the event: wrist, grip, lie, forearm in space) gives
what becomes of face and shaft; the covariance of these attitudes, which the fit leaves, gives the
doubt. It is geometry, no forecast: a body seldom changes one joint alone.

Turns and angles carry the signs of docs/signs.md; degrees at this edge.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any

import numpy as np

from imu.errors import UsageError
from imu.measured import Measurement, Stance, Swing, Value
from imu.posture import POSTURE_ANGLES, posture, wrist_angles
from imu.recording import EVENTS, Array

TURNS = ("wrist_flexion", "wrist_deviation", "forearm_roll")
"""What can be turned, named as the angle that it changes one for one."""

OUTCOMES = (
    "face_to_forearm",
    "face_since_address",
    "face_roll",
    "shaft_off_plane",
    "shaft_past_level",
    "shaft_elevation",
)
"""What a turn is asked for. `face_roll` is how much of the turn goes about the shaft; the forearm's
roll leaves `face_to_forearm` as it is, since both go together."""

MOST_DEG = 90.0
"""No joint here turns further from where it is."""

_NEAR_SQUARE = ("address", "takeaway", "impact")  # where a heading of the face means aim
_K95 = 1.96


@dataclass(frozen=True)
class Saying:
    """What is commonly said: a positive turn moves the angle this way (+1 or -1)."""

    turn: str
    angle: str
    sign: int
    source: str = "common practice, no source"


SAYINGS = (
    Saying("wrist_flexion", "face_to_forearm", -1),  # bowing closes, cupping opens
    Saying("wrist_flexion", "face_roll", -1),
    Saying("wrist_flexion", "face_since_address", -1),
    Saying("wrist_flexion", "shaft_off_plane", -1),  # bowing shallows, cupping steepens
    Saying("wrist_deviation", "shaft_past_level", -1),  # more hinge, longer swing
    Saying("forearm_roll", "face_roll", +1),  # pronation of the lead forearm opens
    Saying("forearm_roll", "face_since_address", +1),
)


@dataclass(frozen=True)
class Effect:
    """What 10 degrees of one turn do to one angle, from where the swing is."""

    turn: str
    angle: str
    per_10_deg: Value
    saying: Saying | None = None

    @property
    def sign(self) -> int:
        """+1 or -1 where the whole interval lies on that side, else 0."""
        return _sure_sign(self.per_10_deg)

    @property
    def agrees(self) -> bool | None:
        """Whether the geometry follows the common saying; None: no saying, or not sure enough."""
        return None if self.saying is None or self.sign == 0 else self.sign == self.saying.sign

    def to_json(self) -> dict[str, Any]:
        out = {"turn": self.turn, "angle": self.angle, **self.per_10_deg.to_json()}
        if self.saying is not None:
            out["saying"] = {"sign": self.saying.sign, "source": self.saying.source, "agrees": self.agrees}
        return out

    def of(self, turn_deg: float) -> Value:
        """Effect of a small turn, in proportion; `turned` computes a large one."""
        v = self.per_10_deg
        if v.value_deg is None or v.u95_deg is None:
            return v
        return replace(v, value_deg=v.value_deg * turn_deg / 10, u95_deg=v.u95_deg * abs(turn_deg) / 10)


@dataclass(frozen=True, eq=False)
class Turned:
    """A swing at one event with some joints turned.

    `before`, `change`, `after` map `TURNS` and `OUTCOMES` to values in deg; the u95 of a change is
    that of the student's geometry. `q_to_target`: new attitudes as in `SwingTrace`, for a picture.
    `reason`: why nothing can be said, and then all is null.
    """

    swing: int
    event: str
    turn_deg: Mapping[str, float]
    before: Mapping[str, Value]
    change: Mapping[str, Value]
    after: Mapping[str, Value]
    forearm_shaft: Value  # angle at the wrist between elbow and club head; 180: in one line
    q_to_target: Mapping[str, Array] = field(default_factory=dict)
    reason: str | None = None

    def to_json(self) -> dict[str, Any]:
        return {
            "turn_deg": dict(self.turn_deg),
            "reason": self.reason,
            "forearm_shaft": self.forearm_shaft.to_json(),
            "angles": {
                k: {"before": self.before[k].to_json(), "change": c.to_json(), "after": self.after[k].to_json()}
                for k, c in self.change.items()
            },
            "q_to_target": {k: [round(float(x), 6) for x in q] for k, q in self.q_to_target.items()},
        }


def effects(measurement: Measurement, swing: Swing, event: str) -> list[Effect]:
    """What 10 degrees of each turn do to each angle at an event: `TURNS` x `OUTCOMES`, in this order.

    Null with a reason where sensors, pose, event or quality don't allow it.
    """
    reasons = {turn: why_not(swing, event, turn) for turn in TURNS}
    slopes = np.empty((2, len(TURNS), len(OUTCOMES)))
    if None in reasons.values():
        found = _propagated([swing.stances[event]], partial(_slopes, side=_side(measurement)))
        slopes = np.stack(found).reshape(slopes.shape)
    sayings = {(s.turn, s.angle): s for s in SAYINGS}
    out = []
    for k, turn in enumerate(TURNS):
        reason = reasons[turn]
        changes = {} if reason else _values(*slopes[:, k], marks=_marks(swing, event, turn))
        for angle in OUTCOMES:
            why = reason or _why_no_angle(swing, event, angle)
            value = Value(None, None, why) if why else changes[angle]
            out.append(Effect(turn, angle, value, sayings.get((turn, angle))))
    return out


def turned(
    measurement: Measurement,
    swing: Swing,
    event: str,
    *,
    wrist_flexion_deg: float = 0.0,
    wrist_deviation_deg: float = 0.0,
    forearm_roll_deg: float = 0.0,
) -> Turned:
    """The swing at an event with the wrist flexed (+ bowed), deviated (+ ulnar) and the forearm
    rolled (+ pronated) by so much more, one after the other."""
    asked = dict(zip(TURNS, (wrist_flexion_deg, wrist_deviation_deg, forearm_roll_deg), strict=True))
    for turn, deg in asked.items():
        if not abs(deg) <= MOST_DEG:
            raise UsageError(f"{turn} by {deg:g} deg: turns of at most {MOST_DEG:g} deg can be asked for")
    used = [t for t in TURNS if asked[t]] or ["forearm_roll"]
    reason = next((why for t in used if (why := why_not(swing, event, t))), None)
    names = (*TURNS, *OUTCOMES)
    before = {k: swing.angles.get(k, {}).get(event, Value(None, None, "not measured")) for k in names}
    if reason:
        none = {k: Value(None, None, reason) for k in names}
        return Turned(swing.index, event, asked, before, none, none, Value(None, None, reason), {}, reason)
    side, stance = _side(measurement), swing.stances[event]
    by = np.radians([asked[t] for t in TURNS])
    marks = tuple(dict.fromkeys(m for t in used for m in _marks(swing, event, t)))
    found = _values(*(x[0] for x in _propagated([stance], partial(_change, side=side, by=by))), marks=marks)
    change: dict[str, Value] = {}
    for k in names:
        why = before[k].reason if k in TURNS and not before[k].known else _why_no_angle(swing, event, k)
        change[k] = Value(None, None, why) if why else Value(asked[k], 0.0) if k in TURNS else found[k]
    after = {k: _sum(before[k], change[k]) for k in names}
    new = _turn(_bodies([stance], np.zeros((1, 3 * len(stance.q_to_target)))), side, by)[0]
    from scipy.spatial.transform import Rotation

    q = {k: Rotation.from_matrix(m[0]).as_quat(scalar_first=True) for k, m in new.items() if k != "club_at_address"}
    return Turned(swing.index, event, asked, before, change, after, forearm_shaft(swing, event), q)


@dataclass(frozen=True, eq=False)
class Path:
    """What turns of one joint do at one event: for each angle of `OUTCOMES` that is known there the
    change by turns of `turn_deg` (m,), and its u95 by turns of `doubt_deg` (k,), all in deg. `axis`:
    (3,) unit vector in the target frame about which a positive turn carries hand and club, by the
    right hand."""

    turn_deg: Array
    change_deg: Mapping[str, Array]
    doubt_deg: Array
    u95_deg: Mapping[str, Array]
    axis: Array


def paths(
    measurement: Measurement, swing: Swing, turn: str, turn_deg: Array, doubt_deg: Array
) -> dict[str, Path | str]:
    """For each event what turns of one joint do there, or why nothing can be said; all at once, since a
    page wants all. The doubt costs fifty times the change, and is wanted at fewer turns."""
    out: dict[str, Path | str] = {e: why_not(swing, e, turn) or "" for e in EVENTS}
    known = [e for e, why in out.items() if not why]
    if not known:
        return out
    stances = [swing.stances[e] for e in known]
    of = partial(_path, side=_side(measurement), turn=turn)
    still = np.zeros((1, len(stances[0].covariance)))
    change = of(_bodies(stances, still), turns=np.radians(turn_deg))
    u95 = _propagated(stances, partial(of, turns=np.radians(doubt_deg)))[1]
    change, u95 = (np.degrees(x).reshape(len(known), -1, len(OUTCOMES)) for x in (change, u95))
    axes = _axes(stances, _side(measurement), turn)
    for i, event in enumerate(known):
        told = [k for k, angle in enumerate(OUTCOMES) if _why_no_angle(swing, event, angle) is None]
        out[event] = Path(
            turn_deg,
            {OUTCOMES[k]: change[i, :, k] for k in told},
            doubt_deg,
            {OUTCOMES[k]: u95[i, :, k] for k in told},
            axes[i],
        )
    return out


def _axes(stances: Sequence[Stance], side: int, turn: str) -> Array:
    """(n, 3) in the target frame: what a positive turn goes about, by the right hand."""

    def attitude(segment: str) -> Array:
        return _matrix(np.stack([stance.q_to_target[segment] for stance in stances]))

    forearm = attitude("forearm")
    if turn == "forearm_roll":
        return side * forearm[:, :, 1]
    hand = attitude("hand")
    if turn == "wrist_deviation":
        return side * hand[:, :, 0]
    flexion = np.cross(hand[:, :, 0], forearm[:, :, 1])  # square to both: the floating axis
    return flexion / np.linalg.norm(flexion, axis=1, keepdims=True)


def forearm_shaft(swing: Swing, event: str) -> Value:
    """Angle at the wrist between elbow and club head at an event: 180 where they are in line, 90 where
    the club stands square to the forearm."""
    why = why_not(swing, event, "forearm_roll")
    if why:
        return Value(None, None, why)

    def between(body: _Body) -> Array:
        return np.arccos(np.clip(np.sum(body["forearm"][:, :, 1] * body["club"][:, :, 0], axis=1), -1, 1))[:, None]

    value, u95 = np.degrees(_propagated([swing.stances[event]], between))
    return Value(float(value[0, 0]), float(u95[0, 0]))


def why_not(swing: Swing, event: str, turn: str) -> str | None:
    """Why nothing can be said of a turn at an event; None where it can."""
    if event not in EVENTS:
        raise UsageError(f"{event!r} is not an event; use one of {', '.join(EVENTS)}")
    if turn not in TURNS:
        raise UsageError(f"{turn!r} cannot be turned; use one of {', '.join(TURNS)}")
    if swing.grade == "poor":
        return "; ".join(("the quality of this swing is poor", *swing.reasons))
    at = swing.events.get(event)
    if at is None or at.t_s is None:
        return (at.reason if at else None) or "the event was not reached"
    own = swing.angles.get(turn, {}).get(event)
    if own is not None and not own.known:
        return own.reason or "the joint was not measured here"
    shaft = swing.angles.get("shaft_elevation", {}).get(event)
    if shaft is not None and not shaft.known:
        return shaft.reason or "the shaft was not measured here"
    if event not in swing.stances:
        return "these results hold no attitudes; measure the recording again"
    have = swing.stances[event].q_to_target
    need = ("forearm", "club") if turn == "forearm_roll" else ("forearm", "hand", "club")
    missing = [n for n in need if n not in have]
    return f"the {missing[0]} was not measured" if missing else None


def _why_no_angle(swing: Swing, event: str, angle: str) -> str | None:
    own = swing.angles.get(angle, {}).get(event)
    if angle == "shaft_past_level" and event != "top":
        return "only at the top"
    if angle == "face_since_address" and event not in _NEAR_SQUARE:
        return "the face's heading means aim only near address and impact"
    if own is None:
        return "not measured"
    return None if own.known else own.reason or "not measured here"


def _sum(before: Value, change: Value) -> Value:
    if before.value_deg is None or change.value_deg is None:
        return Value(None, None, before.reason or change.reason)
    u95 = (before.u95_deg or 0.0) + (change.u95_deg or 0.0)  # both come from the same errors, and may add
    return Value(before.value_deg + change.value_deg, u95, None, before.marks)


def _sure_sign(value: Value) -> int:
    if value.value_deg is None or value.u95_deg is None or abs(value.value_deg) <= value.u95_deg:
        return 0
    return 1 if value.value_deg > 0 else -1


def _side(measurement: Measurement) -> int:
    """+1: the lead arm is the right one."""
    return 1 if measurement.handedness == "left" else -1


# -- forward kinematics ------------------------------------------------------------------------------

_Body = Mapping[str, Array]  # segment -> (n, 3, 3) to the target frame


def _bodies(stances: Sequence[Stance], turns: Array) -> dict[str, Array]:
    """Attitudes of the segments of each stance, each with small turns (n, 3 k) about the target frame's
    axes: (stances * n, 3, 3)."""
    out = {}
    for i, segment in enumerate(stances[0].q_to_target):
        here = _matrix(np.stack([stance.q_to_target[segment] for stance in stances]))
        out[segment] = (_small_turn(turns[:, 3 * i : 3 * i + 3]) @ here[:, None]).reshape(-1, 3, 3)
    return out


# Few lines each: the library's rotations take longer to load than a page may.
def _matrix(q: Array) -> Array:
    """(n, 3, 3) of unit quaternions (n, 4)."""
    w, v = q[:, :1, None], q[:, 1:]
    return (w * w - np.sum(v * v, axis=1)[:, None, None]) * np.eye(3) + 2 * (
        v[:, :, None] * v[:, None] + w * _crossed(v)
    )


def _crossed(v: Array) -> Array:
    """[v]x for (n, 3)."""
    out = np.zeros((len(v), 3, 3))
    out[:, 2, 1], out[:, 0, 2], out[:, 1, 0] = v.T
    return out - np.swapaxes(out, 1, 2)


def _small_turn(v: Array) -> Array:
    """(n, 3, 3) of rotation vectors (n, 3) so small that the third order vanishes."""
    crossed = _crossed(v)
    return np.eye(3) + crossed + 0.5 * crossed @ crossed


def _about(axis: int, angle: Array) -> Array:
    """(n, 3, 3): turns about one of the axes 0, 1, 2."""
    out = np.zeros((len(angle), 3, 3))
    j, k = (axis + 1) % 3, (axis + 2) % 3
    out[:, axis, axis] = 1.0
    out[:, j, j] = out[:, k, k] = np.cos(angle)
    out[:, k, j] = np.sin(angle)
    out[:, j, k] = -out[:, k, j]
    return out


def _turn(body: _Body, side: int, by: Array) -> tuple[dict[str, Array], Array]:
    """The body with flexion, deviation, roll turned by so much ((3,) or (n, 3), rad), and by how much
    the club has turned about its own shaft, opening + (n,)."""
    forearm, club = body["forearm"], body["club"]
    n = len(forearm)
    hand = body.get("hand")
    flex, deviate, roll = np.broadcast_to(by, (n, 3)).T
    new = dict(body)
    if hand is None:
        spin = np.zeros(n)
        slip = wrist = np.broadcast_to(np.eye(3), (n, 3, 3))
        held = np.swapaxes(forearm, 1, 2) @ club
    else:
        axial, flexion, deviation = wrist_angles(forearm, hand, side).T
        slip = _about(1, axial)  # the skin's, on the forearm's side
        wrist = _about(2, flexion + flex) @ _about(0, side * (deviation + deviate))
        held = np.swapaxes(hand, 1, 2) @ club
        # a turn about a fixed axis goes about the shaft by the cosine between the two
        before = _about(0, side * deviation) @ held
        spin = flex * before[:, 2, 0] + side * deviate * held[:, 0, 0]
    bone = forearm @ slip @ _about(1, side * roll)
    new["club"] = bone @ wrist @ held
    if hand is not None:
        new["hand"] = bone @ wrist
    new["forearm"] = bone @ np.swapaxes(slip, 1, 2)
    spin = spin + side * roll * np.sum(bone[:, :, 1] * new["club"][:, :, 0], axis=1)
    return new, -side * spin


def _angles(body: _Body, side: int) -> Array:
    return posture(body["forearm"], body.get("hand"), body["club"], body.get("club_at_address"), side=side)


def _change(body: _Body, side: int, by: Array, times: int = 1) -> Array:
    """(n * times, len(OUTCOMES)) in rad: angles after the turn less before, each body so many times on
    end; NaN where they are not known."""
    before = np.repeat(_angles(body, side), times, axis=0)
    new, spin = _turn({k: np.repeat(r, times, axis=0) for k, r in body.items()}, side, by)
    gap = (_angles(new, side) - before + np.pi) % (2 * np.pi) - np.pi  # the short way round
    by_name = dict(zip(POSTURE_ANGLES, gap.T, strict=True))
    by_name["face_roll"] = spin
    by_name["shaft_past_level"] = -by_name["shaft_elevation"]
    return np.column_stack([by_name[k] for k in OUTCOMES])


def _slopes(body: _Body, *, side: int) -> Array:
    """(n, turns x outcomes): changes per 10 degrees of each turn, from where the body is."""
    steps = 1e-3 * np.eye(3)
    return np.concatenate(
        [(_change(body, side, s) - _change(body, side, -s)) / 2e-3 * np.radians(10) for s in steps], axis=1
    )


def _path(body: _Body, *, side: int, turn: str, turns: Array) -> Array:
    """(n, m x outcomes): changes by m turns (rad) of one joint."""
    n = len(body["forearm"])
    by = np.tile(turns, n)[:, None] * (np.array(TURNS) == turn)
    return _change(body, side, by, len(turns)).reshape(n, -1)


def _marks(swing: Swing, event: str, turn: str) -> tuple[str, ...]:
    """How the joint itself was read. Another zero of the face doesn't matter to how far it moves."""
    own = swing.angles.get(turn, {}).get(event)
    return own.marks if own else ()


def _values(row: Array, u95: Array, *, marks: tuple[str, ...]) -> dict[str, Value]:
    return {
        k: Value(float(v), float(u), None, marks) if np.isfinite(v) else Value(None, None, "not measured")
        for k, v, u in zip(OUTCOMES, np.degrees(row), np.degrees(u95), strict=True)
    }


def _propagated(stances: Sequence[Stance], f: Callable[[_Body], Array]) -> tuple[Array, Array]:
    """Values (stances, m) of a function of attitudes, and their expanded uncertainty (95 %), by the law
    of propagation (JCGM 100, 5.2) with differences. All stances have the same segments."""
    size, eps = len(stances[0].covariance), 1e-5
    steps = np.concatenate([np.zeros((1, size)), eps * np.eye(size)])
    found = f(_bodies(stances, steps)).reshape(len(stances), len(steps), -1)
    jacobian = (found[:, 1:] - found[:, :1]) / eps
    covariance = np.stack([stance.covariance for stance in stances])
    variance = np.sum(jacobian * (covariance @ jacobian), axis=1)
    return found[:, 0], _K95 * np.sqrt(np.maximum(variance, 0.0))
