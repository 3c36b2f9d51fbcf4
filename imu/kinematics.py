"""Angles of wrist, forearm, face and shaft from the orientations of the segments, with the
uncertainty that the joint fit leaves in them.

Signs and definitions are those of docs/signs.md. Segment frames: forearm and hand X palmar,
Y proximal, Z = X x Y; club x = s (grip to head), y = n (face, loft taken out).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial.transform import Rotation

from imu.fit import UP, Solution, cross_matrix, exp
from imu.measured import Stance
from imu.orientation import Track
from imu.posture import POSTURE_ANGLES, face_about_shaft, posture, wrist_angles
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
    """Angles (n,) in rad by name at times `t_s`, and for each the Jacobian (n, unknowns)."""

    t_s: Array
    value: Mapping[str, Array]
    jacobian: Mapping[str, Array]
    segments: Mapping[str, Array]  # (n, 3, 3) segment to level frame of the window
    marks: Mapping[str, tuple[str, ...]]
    turns: Mapping[str, Array]  # (n, 3, unknowns): left rotation vector of each segment per unknown
    club_at_address: tuple[Array, Array] | None  # (1, 3, 3) and its (1, 3, unknowns)


def _turned(r: Array, axis: int, eps: float) -> Array:
    v = np.zeros(3)
    v[axis] = eps
    return exp(v) @ r


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

    def value(grip: Array) -> float:
        return float(face_about_shaft(np.eye(3)[None], grip.T[None], -p.side)[0])

    zero, eps = value(grip), 1e-6
    slope = np.array([_wrap(value(_turned(grip, a, eps)) - zero) / eps for a in range(3)])
    if via_grip:
        to_club = state.mount["club"].T
        jac[g["mount:hand"]] = slope @ to_club
        jac[g["mount:club"]] = -slope @ to_club
    else:
        jac[g["grip"]] = slope
    return zero, jac


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
) -> Angles:
    """All angles of a window at times (n,), rotations counted from `address_s`.

    `face_known`: n was fixed by a pose. `own_flat`: the face's zero is that of pose grip_flat; else
    it is marked `zero_frame`. `shock_s`: where a time equals it, attitudes are taken from before.
    """
    p, state = solution.problem, solution.state
    side, n_own = p.side, p.passing[w].size
    tracks = solution.tracks(w)
    t_s = np.asarray(t_s, float)
    segments, sens = {}, {}
    for name in state.mount:
        segments[name], sens[name] = p.segment(state, w, name, tracks, t_s)
        if shock_s is not None and np.any(t_s == shock_s):
            role: Role = p.hand_role if name == "hand" and p.hand_role else name  # type: ignore[assignment]
            at = t_s == shock_s
            segments[name][at] = tracks[role].just_before(shock_s, shock_s) @ p.mounted(state, w, name)
    club0 = sens0 = None
    if "club" in segments and face_known:
        club0, sens0 = p.segment(state, w, "club", tracks, np.array([address_s]))

    n = len(t_s)
    f, h, c = (segments.get(k) for k in ("forearm", "hand", "club"))

    def run(f: Array | None, h: Array | None, c: Array | None, c0: Array | None) -> Array:
        return posture(f, h, c, None if c0 is None else np.broadcast_to(c0, (n, 3, 3)), side=side)

    base = run(f, h, c, club0)
    jac = np.zeros((len(POSTURE_ANGLES), n, n_own + p.lasting.size))
    eps = 1e-6
    for name in segments:
        for axis in range(3):
            moved = {k: (_turned(v, axis, eps) if k == name else v) for k, v in segments.items()}
            slope = _wrap(run(moved.get("forearm"), moved.get("hand"), moved.get("club"), club0) - base) / eps
            slope = np.nan_to_num(slope)
            jac += slope.T[:, :, None] * sens[name][None, :, axis, :]
    if club0 is not None and sens0 is not None:
        for axis in range(3):
            slope = np.nan_to_num(_wrap(run(f, h, c, _turned(club0, axis, eps)) - base) / eps)
            jac += slope.T[:, :, None] * sens0[None, :, axis, :]

    have = set(segments)
    value: dict[str, Array] = {}
    jacobian: dict[str, Array] = {}
    marks: dict[str, tuple[str, ...]] = {}
    via = ("via_grip",) if p.hand_role == "club" else ()
    for i, name in enumerate(POSTURE_ANGLES):
        if not set(_NEEDS[name]) <= have or (name.startswith("face") and not face_known):
            continue
        if name in ("face_since_address", "shaft_off_plane") and club0 is None:
            continue
        value[name], jacobian[name] = base[:, i], jac[i]
        if name in ("wrist_flexion", "wrist_deviation"):
            guessed = any(hold.name == "address" for hold in p.windows[w].holds)
            marks[name] = (*via, "zero_guessed") if guessed else via
    if "face_to_forearm" in value:
        flat = flat_face(solution)
        if flat is not None:
            value["face_to_forearm"] = _wrap(value["face_to_forearm"] - flat[0])
            jacobian["face_to_forearm"] = jacobian["face_to_forearm"].copy()
            jacobian["face_to_forearm"][:, n_own:] -= flat[1]
        if flat is None or not own_flat:
            marks["face_to_forearm"] = ("zero_frame",)
        value["face_to_forearm"] = _continuous(value["face_to_forearm"])
    if "forearm" in segments:
        roll, j = _turn_about(solution, w, "forearm", tracks["forearm"], 1, t_s, address_s)
        if "axial" in value:  # what the skin lost, the hand shows
            a0 = angles_axial(solution, w, tracks, address_s)
            roll, j = roll + _wrap(value["axial"] - a0[0]), j + jacobian["axial"] - a0[1]
        value["forearm_roll"], jacobian["forearm_roll"] = side * roll, side * j
    if "club" in segments:
        roll, j = _turn_about(solution, w, "club", tracks["club"], 0, t_s, address_s)
        value["face_roll"], jacobian["face_roll"] = -side * roll, -side * j
    address = None if club0 is None or sens0 is None else (club0, sens0)
    return Angles(t_s, value, jacobian, segments, marks, sens, address)


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
    for i, event in enumerate(events):
        segment, axis = _LEVEL.get(event, ("", 0))
        k = int(np.searchsorted(dense.t_s, at.t_s[i]))
        near = slice(max(k - 3, 0), k + 3)
        t = dense.t_s[near] - at.t_s[i]
        if segment not in at.segments or len(t) < 3:
            continue
        height = np.cross(at.segments[segment][i, :, axis], UP) @ at.turns[segment][i]
        rising = float(np.polyfit(t, dense.segments[segment][near, 2, axis], 1)[0])
        if abs(rising) < 0.3:  # it only just became level: the moment hardly means anything
            continue
        for name, j in jacobian.items():
            rate = float(np.polyfit(t, np.unwrap(dense.value[name][near]), 1)[0])
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
    out = []
    for i in range(n):
        covariance = solution.covariance(w, into @ np.concatenate([turns[k][i] for k in names]))
        drift = into @ np.concatenate([rates[k][i] if k in rates else np.zeros(3) for k in names]) * when_sd_s[i]
        shake = np.repeat([0.0 if k == "club_at_address" else wobble[i] ** 2 for k in names], 3)
        covariance += np.outer(drift, drift) + into @ np.diag(shake) @ into.T
        q = {k: Rotation.from_matrix(yaw @ matrices[k][i]).as_quat(scalar_first=True) for k in names}
        out.append(Stance(q, covariance))
    return out


def _continuous(x: Array) -> Array:
    return np.unwrap(x) if len(x) > 1 else x


def angles_axial(solution: Solution, w: int, tracks: Mapping[Role, Track], t_s: float) -> tuple[float, Array]:
    from imu.fit import wrist_jacobian

    p, state = solution.problem, solution.state
    t = np.array([t_s])
    f, jf = p.segment(state, w, "forearm", tracks, t)
    h, jh = p.segment(state, w, "hand", tracks, t)
    angles = wrist_angles(f, h, p.side)
    j = wrist_jacobian(angles, p.side) @ np.swapaxes(f, 1, 2) @ (jh - jf)
    return float(angles[0, 0]), j[0, 0]


def _turn_about(
    solution: Solution, w: int, segment: Role, track: Track, column: int, t_s: Array, from_s: float
) -> tuple[Array, Array]:
    """Integral (n,) of the rate about an axis of a segment, from `from_s`, and its Jacobian."""
    p = solution.problem
    axis = p.mounted(solution.state, w, segment)[:, column]
    n_own, g = p.passing[w].size, p.lasting
    borders = track.start_s + track.period_s * np.arange(len(track.gyro) + 1)

    def integral(x: Array) -> Array:
        total = np.concatenate([np.zeros((1, x.shape[1])), np.cumsum(x, axis=0)]) * track.period_s
        at = np.column_stack([np.interp(t_s, borders, total[:, i]) for i in range(x.shape[1])])
        return at - np.array([np.interp(from_s, borders, total[:, i]) for i in range(x.shape[1])])

    turned, raw = integral(track.gyro), integral(track.raw)
    j = np.zeros((len(t_s), n_own + g.size))
    role = segment
    by_bias = -np.outer(t_s - from_s, axis)
    j[:, p.passing[w][f"bias:{role}"]] = by_bias
    b, m = g[f"bias:{role}"], g[f"matrix:{role}"]
    j[:, n_own + b.start : n_own + b.stop] = by_bias
    j[:, n_own + m.start : n_own + m.stop] = (axis[None, :, None] * raw[:, None, :]).reshape(len(t_s), 9)
    # axis -> axis + alpha x axis
    p.by_mounting(j, w, segment, role, -turned @ cross_matrix(axis), p.turn(solution.state, w, role))
    roll = turned @ axis
    # what a gap hid counts as far as the fit found it
    for i, jump in enumerate(p.windows[w].jumps):
        if jump.role == role:
            along = track.at(np.array([jump.t_s]))[0] @ axis
            share = (t_s >= jump.t_s).astype(float) - float(from_s >= jump.t_s)
            roll = roll + share * float(along @ solution.state.jumps[w][i])
            where = p.passing[w]["jumps"].start + 3 * i
            j[:, where : where + 3] += share[:, None] * along
    return roll, j


def target_yaw(club_at_address: Array) -> Array:
    """Rotation (3, 3) from the window's level frame to the target frame, by the face at address."""
    n = club_at_address[:, 1]
    x = np.array([n[0], n[1], 0.0])
    x /= np.linalg.norm(x)
    return np.stack([x, np.cross(UP, x), UP])
