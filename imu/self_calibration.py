"""How the wrist's sensors sit, from the swings alone: for recordings without poses.

A wrist bends about two axes, one fixed in the forearm (flexion), one in the hand (deviation), which
stay at right angles whatever it does. Of two sensors that move long enough, this tells both axes
(joint axes from a kinematic constraint: Laidig, Lehmann, Bégin & Seel 2019, doi:10.1109/EMBC.2019.8857535;
Olsson, Kok, Seel & Halvorsen 2020, doi:10.3390/s20123534). It does not tell at which flexion and
deviation the wrist is straight: that zero is set by a guess at address, and only changes since then
mean anything.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from imu.fit import DEG, wrist_angles
from imu.recording import Array

ADDRESS_DEVIATION = 15.0 * DEG
"""Ulnar deviation put at address (common practice, no source: the club is held low there)."""

_STARTS = 16
_UP_THE_ARM = 1e-2
_PERFECT = 1e-3  # least cost that sensors can give
_RIVAL = 4.0  # times the least cost, up to which other axes are looked at


@dataclass(frozen=True, eq=False)
class Motion:
    """A swing as two sensors saw it: attitudes (n, 3, 3), level, headings free; which of them are at
    address; which before the top."""

    forearm: Array
    hand: Array
    address: int
    top: int


def wrist_mounting(motions: Sequence[Motion], *, side: int) -> tuple[Array, Array] | None:
    """Segment-to-sensor rotations (3, 3) of forearm and hand, or None where the motion does not tell.

    side: +1 right lead arm, -1 left. Forearm and hand X palmar, Y proximal; the zeros are guesses.
    """
    if not motions or sum(len(m.forearm) for m in motions) < 60:
        return None
    rng = np.random.default_rng(0)
    found = []
    for _ in range(_STARTS):
        a, b = (v / np.linalg.norm(v) for v in rng.standard_normal((2, 3)))
        start = np.concatenate([a, b, np.full(len(motions), rng.uniform(-np.pi, np.pi))])
        found.append(least_squares(_off_square, start, args=(motions,), loss="soft_l1", f_scale=0.03, max_nfev=60))
    found.sort(key=lambda f: f.cost)
    # Other axes may stay at right angles nearly as well as the wrist's own: what a wrist does tells them apart.
    least = max(found[0].cost, _PERFECT)
    best, best_cost = None, np.inf
    for i, f in enumerate(found):
        if f.cost > _RIVAL * least:
            break
        if i and any(_same(f.x, g.x) for g in found[:i]):
            continue
        flexion_axis, deviation_axis = (v / np.linalg.norm(v) for v in (f.x[:3], f.x[3:6]))
        frames = _framed(flexion_axis, deviation_axis, f.x[6:], motions, side)
        if frames is None:
            continue
        unlikely, forearm, hand = frames
        cost = unlikely + 0.5 * np.log(max(f.cost, _PERFECT) / least)
        if cost < best_cost:
            best, best_cost = (forearm, hand), cost
    return best


def _same(x: Array, y: Array) -> bool:
    """Whether two answers name the same two axes, up to their signs."""
    return all(
        abs(x[k : k + 3] @ y[k : k + 3]) / np.linalg.norm(x[k : k + 3]) / np.linalg.norm(y[k : k + 3]) > 0.999
        for k in (0, 3)
    )


def _vertical(angle: float) -> Array:
    c, s = np.cos(angle), np.sin(angle)
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])


def _off_square(x: Array, motions: Sequence[Motion]) -> Array:
    """Cosines between the two axes over all instants; and how far the vectors are from unit length."""
    z, w = x[:3], x[3:6]
    z_unit, w_unit = z / np.linalg.norm(z), w / np.linalg.norm(w)
    out = []
    for motion, turn in zip(motions, x[6:], strict=True):
        in_forearm = motion.forearm @ z_unit
        in_hand = (motion.hand @ w_unit) @ _vertical(turn).T
        out.append(np.sum(in_forearm * in_hand, axis=1))
    return np.concatenate([*out, [0.1 * (z @ z - 1.0), 0.1 * (w @ w - 1.0)]])


def _framed(
    z: Array, x: Array, turns: Array, motions: Sequence[Motion], side: int
) -> tuple[float, Array, Array] | None:
    """Full frames about the two axes: zeros by gravity at address, signs by what a swing does; and how unlike a
    wrist in a swing it is with them."""
    up_f = np.mean([m.forearm[m.address].T[:, 2] for m in motions], axis=0)
    up_h = np.mean([m.hand[m.address].T[:, 2] for m in motions], axis=0)
    candidates = []
    for sign_z in (1.0, -1.0):
        for sign_x in (1.0, -1.0):
            forearm, hand = _about(sign_z * z, 2, up_f), _about(sign_x * x, 0, up_h)
            if forearm is None or hand is None:
                return None
            angles = [
                wrist_angles(m.forearm @ forearm, _vertical(t) @ m.hand @ hand, side)
                for m, t in zip(motions, turns, strict=True)
            ]
            # A wrist stays within its range and hinges towards the thumb until the top; where the lead arm
            # is level on the way back, the thumb's side is up (common practice, no source).
            reach = np.mean(
                [np.mean(np.abs(a[:, 0])) + np.mean(np.maximum(np.abs(a[:, 1:]) - 70 * DEG, 0)) for a in angles]
            )
            hinge = np.mean([a[m.top, 2] - a[m.address, 2] for a, m in zip(angles, motions, strict=True)])
            thumb = np.mean([_thumb_up(m, forearm, side) for m in motions])
            candidates.append((reach + 0.5 * (hinge > 0) + 1.0 * (thumb < 0), forearm, hand, angles))
    unlikely, forearm, hand, angles = min(candidates, key=lambda c: c[0])
    # the wrist's zeros: flat in flexion at address, some degrees towards the little finger in deviation
    flexion = np.mean([a[m.address, 1] for a, m in zip(angles, motions, strict=True)])
    deviation = np.mean([a[m.address, 2] for a, m in zip(angles, motions, strict=True)])
    c, s = np.cos(flexion), np.sin(flexion)
    forearm = forearm @ np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
    turn = side * (ADDRESS_DEVIATION - deviation)
    c, s = np.cos(turn), np.sin(turn)
    hand = hand @ np.array([[1.0, 0, 0], [0, c, -s], [0, s, c]])
    return float(unlikely), forearm, hand


def _thumb_up(motion: Motion, forearm: Array, side: int) -> float:
    """Height of the thumb's side of the forearm where the forearm is most nearly level before the top."""
    frames = motion.forearm[motion.address : motion.top + 1] @ forearm
    level = int(np.argmin(np.abs(frames[:, 2, 1])))
    return float(side * frames[level, 2, 2])


def _about(axis: Array, column: int, up: Array) -> Array | None:
    """Frame (3, 3) with `axis` as its column and y as near to `up` as a right angle allows: the arm
    hangs at address, so that up is roughly proximal."""
    y = up - (up @ axis) * axis
    size = np.linalg.norm(y)
    if size < _UP_THE_ARM:
        return None
    y = y / size
    other = np.cross(y, axis) if column == 2 else np.cross(axis, y)
    return np.column_stack([other, y, axis]) if column == 2 else np.column_stack([axis, y, other])
