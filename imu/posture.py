"""Angles of wrist, face and shaft from the attitudes of forearm, hand and club: plain geometry.

Signs and definitions are those of docs/signs.md. Segment frames: forearm and hand X palmar,
Y proximal, Z = X x Y; club x = s (grip to head), y = n (face, loft taken out). Nothing but numpy is
imported here: pages load this at once.
"""

from __future__ import annotations

import numpy as np

from imu.recording import Array

POSTURE_ANGLES = (
    "wrist_flexion",
    "wrist_deviation",
    "axial",
    "face_to_forearm",
    "face_since_address",
    "shaft_elevation",
    "shaft_off_plane",
)


def wrist_angles(forearm: Array, hand: Array, side: int) -> Array:
    """(n, 3): axial part, flexion, ulnar deviation in rad, of the hand on the forearm.

    `forearm`, `hand`: (n, 3, 3) segment to any common frame. R = Ry(axial) Rz(flexion)
    Rx(side * deviation), side +1 for a right arm, -1 for a left one (Wu et al. 2005).
    """
    q = np.swapaxes(forearm, -1, -2) @ hand
    # R = Ry Rz Rx: R10 = sin z; R11 = cz cx, R12 = -cz sx; R00 = cy cz, R20 = -sy cz
    flexion = np.arcsin(np.clip(q[..., 1, 0], -1.0, 1.0))
    axial = np.arctan2(-q[..., 2, 0], q[..., 0, 0])
    deviation = side * np.arctan2(-q[..., 1, 2], q[..., 1, 1])
    return np.stack([axial, flexion, deviation], axis=-1)


def face_about_shaft(forearm: Array, club: Array, golfer: int) -> Array:
    """Angle (n,) in rad about s from the dorsal direction of the forearm to n, + open."""
    s, n = club[..., :, 0], club[..., :, 1]
    dorsal = -forearm[..., :, 0]
    d = dorsal - np.sum(dorsal * s, axis=-1, keepdims=True) * s
    return golfer * np.arctan2(np.sum(np.cross(d, n) * s, axis=-1), np.sum(d * n, axis=-1))


def posture(
    forearm: Array | None, hand: Array | None, club: Array | None, address: Array | None, *, side: int
) -> Array:
    """(n, 7) of `POSTURE_ANGLES` in rad, NaN where a segment is missing.

    `forearm`, `hand`, `club`: (n, 3, 3) segment to level frame; `address`: (n, 3, 3) the club at
    address. side: +1 right lead arm (left-handed golfer), -1 left.
    """
    known = [a for a in (forearm, hand, club) if a is not None]
    if not known:
        return np.empty((0, len(POSTURE_ANGLES)))
    n = len(known[0])
    out = np.full((n, len(POSTURE_ANGLES)), np.nan)
    bone = forearm
    if forearm is not None and hand is not None:
        w = wrist_angles(forearm, hand, side)
        out[:, 0], out[:, 1], out[:, 2] = w[:, 1], w[:, 2], w[:, 0]
        # the axial part is the skin's: the bone stands where the hand says
        c, s_ = np.cos(w[:, 0]), np.sin(w[:, 0])
        turn = np.zeros((n, 3, 3))
        turn[:, 0, 0], turn[:, 0, 2], turn[:, 1, 1], turn[:, 2, 0], turn[:, 2, 2] = c, s_, 1.0, -s_, c
        bone = forearm @ turn
    if bone is not None and club is not None:
        out[:, 3] = face_about_shaft(bone, club, -side)
    if club is not None:
        out[:, 5] = np.arcsin(np.clip(club[:, 2, 0], -1, 1))
        if address is not None:
            now, then = club[:, :2, 1], address[:, :2, 1]
            turned = np.arctan2(then[:, 0] * now[:, 1] - then[:, 1] * now[:, 0], np.sum(then * now, axis=1))
            out[:, 4] = side * turned  # open is clockwise from above for a right-handed golfer
            target = np.column_stack([then / np.linalg.norm(then, axis=1, keepdims=True), np.zeros(n)])
            normal = np.cross(target, address[:, :, 0])
            normal *= np.sign(normal[:, 2:]) / np.linalg.norm(normal, axis=1, keepdims=True)
            out[:, 6] = np.arcsin(np.clip(np.sum(club[:, :, 0] * normal, axis=1), -1, 1))
    return out
