"""Angles of wrist, forearm, face and shaft from the orientations of the segments, with the
uncertainty that the joint fit leaves in them.

Signs and definitions are those of docs/signs.md. Segment frames: forearm and hand X palmar,
Y proximal, Z = X x Y; club x = s (grip to head), y = n (face, loft taken out).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.spatial.transform import Rotation

from imu.fit import UP, Solution, cross_matrix, exp
from imu.measured import Stance
from imu.orientation import Track
from imu.posture import POSTURE_ANGLES, face_about_shaft, posture
from imu.recording import Array, Role

_NEEDS = {
    "wrist_flexion": ("forearm", "hand"),
    "wrist_deviation": ("forearm", "hand"),
    "axial": ("forearm", "hand"),
    "face_to_forearm": ("forearm", "club"),
    "face_since_address": ("club",),
    "shaft_elevation": ("club",),
    "shaft_off_plane": ("club",),
}


@dataclass(frozen=True, eq=False)
class Angles:
    """Angles (n,) in rad by name at times `t_s`, and for each the Jacobian (n, unknowns) where it was asked for."""

    t_s: Array
    value: Mapping[str, Array]
    jacobian: Mapping[str, Array]
    segments: Mapping[str, Array]  # (n, 3, 3) segment to level frame of the window
    marks: Mapping[str, tuple[str, ...]]
    turns: Mapping[str, Array]  # (n, 3, unknowns): left rotation vector of each segment per unknown
    club_at_address: tuple[Array, Array] | None  # (1, 3, 3) and its (1, 3, unknowns)

    @cached_property
    def slopes(self) -> Mapping[str, Array]:
        """Rad/s (n,) of every angle."""
        return {name: np.gradient(x, self.t_s) for name, x in self.value.items()}


_NUDGE = 1e-6  # rad, of the difference quotients
_NUDGED = exp(_NUDGE * np.eye(3))  # (3, 3, 3), about each axis


def flat_face(solution: Solution) -> tuple[float, Array] | None:
    """Face about the shaft for a flat wrist in the golfer's own grip, and its Jacobian over the
    lasting unknowns; None where the grip is not known."""
    p, state = solution.problem, solution.state
    if "club" not in state.mount or "hand" not in state.mount:
        return None
    g = p.lasting
    jac = np.zeros(g.size)
    via_grip = p.hand_role == "club"
    grip = state.mount["club"].T @ state.mount["hand"] if via_grip else state.grip

    grips = np.concatenate([grip[None], _NUDGED @ grip])
    zero, *moved = face_about_shaft(np.eye(3)[None], np.swapaxes(grips, 1, 2), -p.side)
    slope = _wrap(np.array(moved) - zero) / _NUDGE
    if via_grip:
        to_club = state.mount["club"].T
        jac[g["mount:hand"]] = slope @ to_club
        jac[g["mount:club"]] = -slope @ to_club
    else:
        jac[g["grip"]] = slope
    return float(zero), jac


def _wrap(x: Array | float) -> Array:
    return (np.asarray(x) + np.pi) % (2 * np.pi) - np.pi


def angles_at(
    solution: Solution,
    w: int,
    t_s: Array,
    address_s: float,
    *,
    face_known: bool,
    own_flat: bool,
    shock_s: float | None = None,
    jacobian: bool = True,
) -> Angles:
    """All angles of a window at times (n,), rotations counted from `address_s`.

    `face_known`: n was fixed by a pose. `own_flat`: the face's zero is that of pose grip_flat; else
    it is marked `zero_frame`. `shock_s`: where a time equals it, attitudes are taken from before.
    """
    p, state = solution.problem, solution.state
    side, n_own = p.side, p.passing[w].size
    tracks = solution.tracks(w)
    t_s = np.asarray(t_s, float)
    n = len(t_s)
    segments, sens = {}, {}
    for name in state.mount:  # the last row is the address, from which rotations count
        segments[name], sens[name] = p.segment(state, w, name, tracks, np.append(t_s, address_s), jacobian)
        if shock_s is not None and np.any(t_s == shock_s):
            before = tracks[p.worn_by(name)].just_before(shock_s, shock_s)
            segments[name][:n][t_s == shock_s] = before @ p.mounted(state, w, name)
    # all that a posture hangs on: the segments, and the club at address
    parts, by_part = dict(segments), dict(sens)
    club0 = segments["club"][n:] if "club" in segments and face_known else None
    if club0 is not None:
        parts["address"], by_part["address"] = np.repeat(club0, n + 1, axis=0), sens["club"][n:]

    def run(parts: Mapping[str, Array]) -> Array:
        """Postures (k, n + 1, angles) of k sets (k, n + 1, 3, 3) at once."""
        whole = [parts[s].reshape(-1, 3, 3) if s in parts else None for s in ("forearm", "hand", "club", "address")]
        return posture(*whole, side=side).reshape(-1, n + 1, len(POSTURE_ANGLES))

    base = run(parts)[0] if parts else np.empty((0, len(POSTURE_ANGLES)))
    jac = np.zeros((len(POSTURE_ANGLES), n + 1, n_own + p.lasting.size)) if jacobian else np.empty((0, 0, 0))
    if jacobian and parts:
        moved = {k: np.repeat(v[None], 3 * len(parts), axis=0) for k, v in parts.items()}
        for i, (k, v) in enumerate(parts.items()):
            moved[k][3 * i : 3 * i + 3] = _NUDGED[:, None] @ v
        slope = np.nan_to_num(_wrap(run(moved) - base) / _NUDGE).reshape(len(parts), 3, n + 1, -1)
        for k, by_axis in zip(parts, slope, strict=True):
            jac += np.moveaxis(np.transpose(by_axis, (1, 2, 0)) @ by_part[k], 1, 0)

    have = set(segments)
    value: dict[str, Array] = {}
    by_unknowns: dict[str, Array] = {}
    marks: dict[str, tuple[str, ...]] = {}
    via = ("via_grip",) if p.hand_role == "club" else ()
    for i, name in enumerate(POSTURE_ANGLES):
        if not set(_NEEDS[name]) <= have or (name.startswith("face") and not face_known):
            continue
        if name in ("face_since_address", "shaft_off_plane") and club0 is None:
            continue
        value[name] = base[:n, i]
        if jacobian:
            by_unknowns[name] = jac[i, :n]
        if name in ("wrist_flexion", "wrist_deviation"):
            guessed = any(hold.name == "address" for hold in p.windows[w].holds)
            marks[name] = (*via, "zero_guessed") if guessed else via
    if "face_to_forearm" in value:
        flat = flat_face(solution)
        if flat is not None:
            value["face_to_forearm"] = _wrap(value["face_to_forearm"] - flat[0])
            if jacobian:
                by_unknowns["face_to_forearm"][:, n_own:] -= flat[1]
        if flat is None or not own_flat:
            marks["face_to_forearm"] = ("zero_frame",)
        value["face_to_forearm"] = _continuous(value["face_to_forearm"])
    rolls: tuple[tuple[str, Role, int, int], ...] = (
        ("forearm_roll", "forearm", 1, side),
        ("face_roll", "club", 0, -side),
    )
    for name, segment, column, sign in rolls:
        if segment not in segments:
            continue
        roll, by = _turn_about(solution, w, segment, tracks[segment], column, t_s, address_s, jacobian)
        if segment == "forearm" and "axial" in value:  # what the skin lost, the hand shows
            axial = POSTURE_ANGLES.index("axial")
            roll = roll + _wrap(value["axial"] - base[n, axial])
            if jacobian:
                by = by + by_unknowns["axial"] - jac[axial, n]
        value[name] = sign * roll
        if jacobian:
            by_unknowns[name] = sign * by
    at_address = None if club0 is None else (club0, by_part["address"])
    whole = {k: v[:n] for k, v in segments.items()}
    return Angles(t_s, value, by_unknowns, whole, marks, {k: v[:n] for k, v in sens.items()}, at_address)


_LEVEL = {
    **dict.fromkeys(("shaft_level_back", "shaft_level_down", "shaft_level_through"), ("club", 0)),
    **dict.fromkeys(("arm_level_back", "arm_level_down"), ("forearm", 1)),
}
"""Events at which a segment's axis is level."""


def when_level(at: Angles, dense: Angles, events: Sequence[str]) -> Angles:
    """The same angles, with Jacobians of what is read when a segment is level: such an event comes later where the
    segment is in truth lower, so an error of its elevation moves all angles by their rates, and its own not at all.

    `events`: the name of the event at each time of `at`; `dense`: the swing around them.
    """
    jacobian = {name: j.copy() for name, j in at.jacobian.items()}
    angles = np.column_stack([dense.value[name] for name in jacobian]) if jacobian else np.empty((len(dense.t_s), 0))
    for i, event in enumerate(events):
        segment, axis = _LEVEL.get(event, ("", 0))
        k = int(np.searchsorted(dense.t_s, at.t_s[i]))
        near = slice(max(k - 3, 0), k + 3)
        t = dense.t_s[near] - dense.t_s[near].mean()
        if segment not in at.segments or len(t) < 3:
            continue
        line = t / (t @ t)  # times readings: the slope of the line through them
        height = np.cross(at.segments[segment][i, :, axis], UP) @ at.turns[segment][i]
        rising, rates = float(line @ dense.segments[segment][near, 2, axis]), line @ np.unwrap(angles[near], axis=0)
        if abs(rising) < 0.3:  # it only just became level: the moment hardly means anything
            continue
        for j, rate in zip(jacobian.values(), rates, strict=True):
            j[i] -= np.nan_to_num(rate) / rising * height
    return replace(at, jacobian=jacobian)


def stances(
    solution: Solution, w: int, at: Angles, rates: Mapping[str, Array], when_sd_s: Array, wobble: Array
) -> list[Stance]:
    """Attitudes of the segments at each time of `at` in the target frame, with their covariance.

    `rates`: segment -> (n, 3) rad/s in the level frame; `when_sd_s`: (n,) how surely each time is
    that of its event; `wobble`: (n,) rad, standard deviation by which each sensor may shake on skin.
    """
    names = list(at.segments)
    matrices, turns = dict(at.segments), dict(at.turns)
    n = len(at.t_s)
    yaw = np.eye(3)
    if at.club_at_address is not None:
        club, sens = at.club_at_address
        yaw = target_yaw(club[0])
        names.append("club_at_address")
        matrices["club_at_address"] = np.repeat(club, n, axis=0)
        turns["club_at_address"] = np.repeat(sens, n, axis=0)
    into = np.kron(np.eye(len(names)), yaw)
    # Nothing tells where north is: turns count from the target line, which the face at address
    # makes (else from the first segment's heading).
    heading = np.zeros(3 * len(names))
    if at.club_at_address is not None:
        face = yaw @ at.club_at_address[0][0, :, 1]
        heading[-3:] = -face[2] / face[0], 0.0, 1.0
    else:
        heading[2] = 1.0
    into -= np.outer(np.tile(UP, len(names)), heading @ into)
    jacobian = into @ np.concatenate([turns[k] for k in names], axis=1)
    covariance = solution.covariances(w, jacobian)
    still = np.zeros((n, 3))
    drift = np.concatenate([rates.get(k, still) for k in names], axis=1) @ into.T * when_sd_s[:, None]
    shaken = np.repeat([k != "club_at_address" for k in names], 3)
    covariance += drift[:, :, None] * drift[:, None, :] + (wobble**2)[:, None, None] * (
        into[:, shaken] @ into[:, shaken].T
    )
    q = {k: Rotation.from_matrix(yaw @ matrices[k]).as_quat(scalar_first=True) for k in names}
    return [Stance({k: v[i] for k, v in q.items()}, covariance[i]) for i in range(n)]


def _continuous(x: Array) -> Array:
    return np.unwrap(x) if len(x) > 1 else x


def _turn_about(
    solution: Solution, w: int, role: Role, track: Track, column: int, t_s: Array, from_s: float, jacobian: bool
) -> tuple[Array, Array]:
    """Integral (n,) of the rate about an axis of a segment, from `from_s`, and its Jacobian."""
    p = solution.problem
    axis = p.mounted(solution.state, w, role)[:, column]
    n_own, g = p.passing[w].size, p.lasting
    borders = track.borders_s

    def integral(x: Array) -> Array:
        total = np.concatenate([np.zeros((1, x.shape[1])), np.cumsum(x, axis=0)]) * track.period_s
        at = np.column_stack([np.interp(np.append(t_s, from_s), borders, column) for column in total.T])
        return at[:-1] - at[-1]

    roll = integral((track.gyro @ axis)[:, None])[:, 0]
    j = np.zeros((len(t_s), n_own + g.size)) if jacobian else np.empty((0, 0))
    if jacobian:
        turned, raw = integral(track.gyro), integral(track.raw)
        by_bias = -np.outer(t_s - from_s, axis)
        j[:, p.passing[w][f"bias:{role}"]] = by_bias
        b, m = g[f"bias:{role}"], g[f"matrix:{role}"]
        j[:, n_own + b.start : n_own + b.stop] = by_bias
        j[:, n_own + m.start : n_own + m.stop] = (axis[None, :, None] * raw[:, None, :]).reshape(len(t_s), 9)
        # axis -> axis + alpha x axis
        p.by_mounting(j, w, role, role, -turned @ cross_matrix(axis), p.turn(solution.state, w, role))
    # what a gap hid counts as far as the fit found it
    for i, jump in enumerate(p.windows[w].jumps):
        if jump.role == role:
            along = track.at(np.array([jump.t_s]))[0] @ axis
            share = (t_s >= jump.t_s).astype(float) - float(from_s >= jump.t_s)
            roll = roll + share * float(along @ solution.state.jumps[w][i])
            if jacobian:
                where = p.passing[w]["jumps"].start + 3 * i
                j[:, where : where + 3] += share[:, None] * along
    return roll, j


def target_yaw(club_at_address: Array) -> Array:
    """Rotation (3, 3) from the window's level frame to the target frame, by the face at address."""
    n = club_at_address[:, 1]
    x = np.array([n[0], n[1], 0.0])
    x /= np.linalg.norm(x)
    return np.stack([x, np.cross(UP, x), UP])
