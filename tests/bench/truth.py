"""True angles and events of a swing, from the body frames that MuJoCo rendered.

Definitions and signs are those of the design: ISB segment axes, R = Ry(slip) · Rz(flexion) ·
Rx(± deviation), club axes s and n. With a bending shaft, s is the chord from grip to head and n the
face of the head; `*_at_grip` repeats them for the frame of the grip, which a sensor below the grip
can feel.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from tests.bench.player import Array, Chain, Rendered

Mask = NDArray[np.bool_]

STILL = np.deg2rad(6.0)  # rad/s, the rate that bounds takeaway and finish
PAUSE = np.deg2rad(2.0)  # rad/s either way: a club this slow at the top pauses


@dataclass(frozen=True, eq=False)
class SwingTruth:
    """Truth of one swing. Times in true seconds, angles in degrees."""

    t: Array  # (n,) fine times of the window
    traces: dict[str, Array]  # angle -> (n,)
    events: dict[str, float | None]
    angles: dict[str, dict[str, float | None]]  # angle -> event -> value
    head_speed: float  # m/s at impact


def flat_zero(chain: Chain) -> float:
    """Angle about s from dorsal to face (opening +) for a flat wrist in the golfer's own grip, rad."""
    frames = chain.pose({})
    return float(_face_to_dorsal(frames["forearm"], frames["club"][:, 0], frames["club"][:, 1], chain.player.mirror))


def _face_to_dorsal(forearm: Array, s: Array, n: Array, mirror: float) -> Array:
    dorsal = -forearm[..., :, 0]
    d = dorsal - np.sum(dorsal * s, -1, keepdims=True) * s
    return mirror * np.arctan2(np.sum(np.cross(d, n) * s, -1), np.sum(d * n, -1))


def swing_truth(
    rendered: Rendered, chain: Chain, *, window: tuple[float, float], still: tuple[float, float], contact: float | None
) -> SwingTruth:
    """`window` bounds the swing, `still` its last still moment, `contact` is the time of the blow (none
    without a ball), all in true seconds."""
    m = chain.player.mirror
    lo, hi = np.searchsorted(rendered.t, window)
    part = slice(max(lo - 1, 0), hi + 1)
    t = rendered.t[part]
    frames = {b: Rotation.from_quat(q[part], scalar_first=True) for b, q in rendered.q.items()}
    matrix = {b: r.as_matrix() for b, r in frames.items()}
    t_address = 0.5 * (still[0] + still[1])

    # wrist: hand in forearm
    wrist = (frames["forearm"].inv() * frames["hand"]).as_euler("YZX")  # intrinsic, so R = Ry Rz Rx
    slip, flexion, deviation = wrist.T
    deviation, slip = -m * deviation, -m * slip  # left arm: minus; the axial part as pronation +

    # club: chord and face of the head; grip frame beside it
    chord = rendered.place["head"][part] - rendered.place["grip"][part]
    s = chord / np.linalg.norm(chord, axis=1, keepdims=True)
    n = matrix["head"][:, :, 1]
    n = n - np.sum(n * s, 1, keepdims=True) * s
    n /= np.linalg.norm(n, axis=1, keepdims=True)
    s_grip, n_grip = matrix["club"][:, :, 0], matrix["club"][:, :, 1]

    def club_angles(s: Array, n: Array) -> dict[str, Array]:
        at = np.array([np.interp(t_address, t, n[:, i]) for i in range(3)])
        s0 = np.array([np.interp(t_address, t, s[:, i]) for i in range(3)])
        heading = np.unwrap(np.arctan2(n[:, 1], n[:, 0]))
        face = -m * (heading - np.interp(t_address, t, heading))
        face = (face + np.pi) % (2 * np.pi) - np.pi
        line = np.array([at[0], at[1], 0.0])
        normal = np.cross(line, s0)
        normal *= np.sign(normal[2]) / np.linalg.norm(normal)
        to_forearm = np.unwrap(_face_to_dorsal(matrix["forearm"], s, n, m)) - flat_zero(chain)
        first = np.interp(t_address, t, to_forearm)
        to_forearm -= 2 * np.pi * np.round(first / (2 * np.pi))
        elevation = np.arcsin(np.clip(s[:, 2], -1, 1))
        return {
            "face_to_forearm": to_forearm,
            "face_since_address": face,
            "shaft_elevation": elevation,
            "shaft_past_level": -elevation,
            "shaft_off_plane": np.arcsin(np.clip(s @ normal, -1, 1)),
        }

    forearm_turn = _turns(frames["forearm"])
    club_turn = _turns(frames["club"])
    head_turn = _turns(frames["head"])
    traces = {
        "wrist_flexion": flexion,
        "wrist_deviation": deviation,
        "forearm_roll": _since(-m * _sum(forearm_turn[:, 1]), t, t_address),
        **club_angles(s, n),
        "face_roll": _since(m * _sum(head_turn[:, 0]), t, t_address),
        "wrist_axial": slip,
        "face_roll_at_grip": _since(m * _sum(club_turn[:, 0]), t, t_address),
        **{f"{k}_at_grip": v for k, v in club_angles(s_grip, n_grip).items()},
    }
    traces = {k: np.rad2deg(v) for k, v in traces.items()}

    speed = np.linalg.norm(np.gradient(rendered.place["head"][part], t, axis=0), axis=1)
    events = _events(t, frames, club_turn, s, still=still, contact=contact, speed=speed)
    angles: dict[str, dict[str, float | None]] = {}
    rose = _rose(traces["shaft_elevation"], t, events)
    for name, values in traces.items():
        angles[name] = {}
        for event, when in events.items():
            if name.startswith("shaft_past_level") and (event != "top" or not rose):
                continue
            angles[name][event] = None if when is None else float(np.interp(when, t, values))
    before = events["impact"] - 0.0005 if events["impact"] is not None else t[-1]
    return SwingTruth(t, traces, events, angles, float(np.interp(before, t, speed)))


def _turns(r: Rotation) -> Array:
    """Small turns from each frame to the next, in body axes: (n - 1, 3) rad."""
    return (r[:-1].inv() * r[1:]).as_rotvec()


def _sum(x: Array) -> Array:
    return np.concatenate([[0.0], np.cumsum(x)])


def _since(x: Array, t: Array, t0: float) -> Array:
    return x - np.interp(t0, t, x)


def _rose(elevation: Array, t: Array, events: dict[str, float | None]) -> bool:
    top, start = events["top"], events["address"]
    if top is None or start is None:
        return False
    return bool((elevation[(t >= start) & (t <= top)] > 0).any())


def _events(
    t: Array,
    frames: dict[str, Rotation],
    club_turn: Array,
    s: Array,
    *,
    still: tuple[float, float],
    contact: float | None,
    speed: Array,
) -> dict[str, float | None]:
    mid = 0.5 * (t[1:] + t[:-1])
    dt = np.diff(t)[:, None]
    rate_world = frames["club"][:-1].apply(club_turn) / dt
    rate = np.linalg.norm(rate_world, axis=1)
    elevation = s[:, 2]
    arm = -frames["forearm"].as_matrix()[:, 2, 1]  # distal axis, upward part

    address = 0.5 * (still[0] + still[1])
    fastest = contact if contact is not None else float(t[np.argmax(np.where(t > still[1], speed, 0))])
    # top: the last time before the strike that the rate about the downswing's mean axis turns positive
    down = (mid > fastest - 0.12 * (fastest - still[1])) & (mid < fastest)
    axis = (rate_world[down] * dt[down]).sum(0)
    for _ in range(3):
        axis /= np.linalg.norm(axis)
        about = rate_world @ axis
        before = np.flatnonzero((mid < fastest) & (about < 0))
        start = before[-1] if len(before) else 0
        down = (np.arange(len(mid)) > start) & (mid < fastest)
        axis = (rate_world[down] * dt[down]).sum(0)
    axis /= np.linalg.norm(axis)
    about = rate_world @ axis
    # the sign change; of a pause, in which the rate is next to nothing for a while, the middle
    turn = np.flatnonzero((mid < fastest) & (mid > still[1]) & (about < 0))
    top = None
    if len(turn):
        top = _crossing(mid, about, turn[-1])
        back = np.flatnonzero((mid < top) & (about < -PAUSE))
        ahead = np.flatnonzero((mid > top) & (about > PAUSE))
        if len(back) and len(ahead):
            top = 0.5 * (_crossing(mid, about + PAUSE, back[-1]) + _crossing(mid, about - PAUSE, ahead[0] - 1))

    takeaway = None
    if top is not None:
        backswing = (mid > still[1] - 0.5) & (mid < top)
        peak = np.argmax(np.where(backswing, rate, 0))
        slow = np.flatnonzero((rate < STILL) & (np.arange(len(mid)) < peak))
        takeaway = _crossing(mid, rate - STILL, slow[-1]) if len(slow) else None

    impact: float | None = contact
    if contact is None and top is not None:
        s0 = np.array([np.interp(address, t, s[:, i]) for i in range(3)])
        angle = np.arccos(np.clip(s @ s0, -1, 1))
        after = np.flatnonzero((t > top) & (t < fastest + 0.5 * (fastest - top)))
        i = int(np.clip(after[np.argmin(angle[after])], 1, len(t) - 2))
        impact = _lowest(t[i - 1 : i + 2], angle[i - 1 : i + 2] ** 2)

    out: dict[str, float | None] = {"address": address, "takeaway": takeaway}
    going_back = (t >= still[1]) & (t <= (top if top is not None else fastest))
    out["shaft_level_back"] = _first(t, elevation, going_back, up=True)
    out["arm_level_back"] = _first(t, arm, going_back, up=True)
    out["top"] = top
    if top is not None and impact is not None:
        going_down = (t >= top) & (t <= impact)
        out["arm_level_down"] = _last(t, arm, going_down)
        out["shaft_level_down"] = _last(t, elevation, going_down)
    else:
        out["arm_level_down"] = out["shaft_level_down"] = None
    out["impact"] = impact
    if impact is not None:
        out["shaft_level_through"] = _first(t, elevation, t > impact, up=True)
        quiet = np.flatnonzero((mid > impact + 0.05) & (rate < STILL))
        out["finish"] = _crossing(mid, rate - STILL, quiet[0] - 1) if len(quiet) else None
    else:
        out["shaft_level_through"] = out["finish"] = None
    return out


def _crossing(t: Array, x: Array, i: int) -> float:
    """Where x passes zero between i and i + 1."""
    if not 0 <= i < len(t) - 1 or x[i] == x[i + 1]:
        return float(t[np.clip(i, 0, len(t) - 1)])
    u = np.clip(x[i] / (x[i] - x[i + 1]), 0, 1)
    return float(t[i] + u * (t[i + 1] - t[i]))


def _first(t: Array, x: Array, where: Mask, *, up: bool) -> float | None:
    sign = np.sign(x) if up else -np.sign(x)
    hits = np.flatnonzero((sign[:-1] < 0) & (sign[1:] >= 0) & where[:-1] & where[1:])
    return _crossing(t, x, hits[0]) if len(hits) else None


def _last(t: Array, x: Array, where: Mask) -> float | None:
    sign = np.sign(x)
    hits = np.flatnonzero((sign[:-1] >= 0) & (sign[1:] < 0) & where[:-1] & where[1:])
    return _crossing(t, x, hits[-1]) if len(hits) else None


def _lowest(t: Array, y: Array) -> float:
    """Lowest point of the parabola through three points."""
    c = np.polyfit(t - t[1], y, 2)
    return float(t[1] - c[1] / (2 * c[0])) if c[0] > 0 else float(t[1])
