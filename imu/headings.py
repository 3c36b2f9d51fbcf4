"""How the sensors' headings lie to each other. Gravity does not tell; the joints do: the wrist hardly
twists, and hand and club are one body while the club is gripped."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from imu.fit import DEG, Window, wrist_angles
from imu.orientation import Track
from imu.recording import Array, Role
from imu.repair import Rigid


def turns(
    tracks: Mapping[Role, Track], mount: Mapping[str, Array], window: Window, *, side: int, rigid: Rigid | None
) -> dict[Role, Array]:
    """For each sensor the turn about the vertical (3, 3) that brings it into the forearm's heading, as
    far as the window shows it; the identity where nothing does.

    `mount`: segment -> (3, 3) segment to sensor. Without a hand sensor the club stands in for it, once
    `mount` holds the hand in the club sensor's coordinates. side: +1 right lead arm, -1 left.
    """
    yaw: dict[Role, Array] = {r: np.eye(3) for r in tracks}
    via_grip = "hand" not in tracks
    if "forearm" in mount and "hand" in mount and not (via_grip and np.all(mount["hand"] == np.eye(3))):
        role: Role = "club" if via_grip else "hand"
        yaw[role] = _least_twist(tracks["forearm"], tracks[role], mount, window, side)
    if rigid is not None and {"hand", "club"} <= set(tracks):
        t = window.grip_s
        if not len(t):
            t = np.array([h.t_s for h in window.holds if h.name == "grip_flat"])
        if len(t):
            hand = yaw["hand"] @ tracks["hand"].at(t)
            yaw["club"] = _turn(hand @ rigid.rotation.T, tracks["club"].at(t))
    return yaw


def after_gap(
    role: Role,
    tracks: Mapping[Role, Track],
    mount: Mapping[str, Array],
    t_s: Array,
    *,
    side: int,
    rigid: Rigid | None,
) -> Array | None:
    """The turn about the vertical (3, 3) that brings one sensor's track, levelled anew after a gap,
    into the heading of the others at times (m,); None where nothing shows it."""
    if not len(t_s):
        return None
    if role in ("hand", "club") and rigid is not None and {"hand", "club"} <= set(tracks):
        other: Role = "club" if role == "hand" else "hand"
        turn = rigid.rotation if role == "hand" else rigid.rotation.T
        return _turn(tracks[other].at(t_s) @ turn, tracks[role].at(t_s))
    if {"forearm", "hand"} <= set(mount) and {"forearm", "hand"} <= set(tracks) and role != "club":
        f, h = tracks["forearm"].at(t_s) @ mount["forearm"], tracks["hand"].at(t_s) @ mount["hand"]
        turn = _about_vertical(untwisted(f, h, side)[0])
        return turn if role == "hand" else turn.T
    return None


def _about_vertical(angle: float) -> Array:
    c, s = np.cos(angle), np.sin(angle)
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])


def _turn(want: Array, have: Array) -> Array:
    """The turn about the vertical (3, 3) that brings `have` (n, 3, 3) nearest to `want`."""
    m = np.einsum("nij,nkj->ik", want, have)
    return _about_vertical(np.arctan2(m[1, 0] - m[0, 1], m[0, 0] + m[1, 1]))


def _least_twist(forearm: Track, hand: Track, mount: Mapping[str, Array], window: Window, side: int) -> Array:
    """The hand's turn about the vertical (3, 3) at which the wrist is least twisted."""
    t = window.wrist_s
    return _about_vertical(untwisted(forearm.at(t) @ mount["forearm"], hand.at(t) @ mount["hand"], side)[0])


def untwisted(f: Array, h: Array, side: int) -> tuple[float, float]:
    """The angle about the vertical by which the hands `h` (n, 3, 3) must turn for the wrist on the
    forearms `f` to be least twisted; and how twisted it stays, or past its range, in rad."""
    # every entry of f^T Z(angle) h is a constant, a cosine and a sine: no product of matrices for each angle tried
    fx, fy = (np.swapaxes(f, 1, 2)[:, :, i, None] for i in (0, 1))
    hx, hy = h[:, None, 0], h[:, None, 1]
    cosine, sine = fx * hx + fy * hy, fy * hx - fx * hy
    constant = f[:, 2, :, None] * h[:, None, 2]
    best, best_cost = 0.0, np.inf
    for reach, step in ((np.pi, 6 * DEG), (6 * DEG, 1 * DEG)):
        angles = (best + np.arange(-reach, reach, step))[:, None, None, None]
        w = wrist_angles(np.eye(3), constant + np.cos(angles) * cosine + np.sin(angles) * sine, side)
        cost = np.mean(np.minimum(np.abs(w[..., 0]), 60 * DEG), axis=1)
        # a wrist past its range of motion (AAOS 80/70, 30/20 deg) is no wrist
        past = np.maximum(np.abs(w[..., 1]) - 75 * DEG, 0) + np.maximum(np.abs(w[..., 2]) - 45 * DEG, 0)
        cost += np.mean(past, axis=1)
        if cost.min() < best_cost:
            best, best_cost = float(angles.ravel()[cost.argmin()]), float(cost.min())
    return best, best_cost
