"""Straps that slip between swings: seen by the first fit, unknowns of the second.

Two things tell a slip from a player who stands or grips otherwise. What a joint forbids: a wrist has no axial part but
its play, and hand and club are one body. And at address: the sensor that slipped shows gravity elsewhere, those
beside it do not. Of a forearm's strap the swings then tell how it turned about the arm and how it tilted sideways;
a tilt that bends the wrist's zero (about its flexion axis) looks like a wrist held otherwise, and is believed as far
as the player came back to the same address before.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from imu.fit import DEG, Slip, Solution, exp, log
from imu.recording import Array, Role
from imu.swing import Rough

_LEAST_AXIAL = 1.0 * DEG  # of what the first fit leaves, when it has bent everything else to explain a slip
_LEAST_WRIST = 5.0 * DEG
_LEAST_GRIP = 4.0 * DEG  # a player's own grip differs by some 2 deg from swing to swing
_LEAST_FOUND = 2.5 * DEG
_SURE = 5.0  # standard deviations
_WORN_AXIAL = 0.4 * DEG
_WORN_GRIP = 5.0 * DEG  # a grip of another day is no other than that
_WORN = 8.0 * DEG  # how far a strap that is put on anew may sit from where it sat
_ALONG = 0.8  # cosine to the shaft from which a turn is one about it
_TILT = 3.5 * DEG  # how far a strap that slips may tilt
_HABIT = 2.5 * DEG  # how far a wrist at address may have become another while a strap slipped


@dataclass(frozen=True)
class _Seen:
    """What a window shows of how the sensors sit (rad; None or NaN where it shows nothing)."""

    start_s: float
    axial: float  # what is left of it when the fit has explained what it could
    wrist: Array | None  # (3, 3) hand on forearm at address
    grip: Array  # (3,) of the hand on the club, from where the grip puts it, club coordinates
    up: dict[Role, Array]  # (3,) vertical at address, segment coordinates


def suspected(solution: Solution, roughs: Sequence[Rough], swing_windows: Sequence[int]) -> list[Slip]:
    """Slips that a fit without any gives reason to try, in order of time.

    `roughs`: the swings; `swing_windows`: the window of each.
    """
    seen = _all_seen(solution, roughs, swing_windows)
    out: list[Slip] = []
    begin, known = 0, dict.fromkeys(solution.problem.roles, np.eye(3))
    for i in range(1, len(seen)):
        found = _between(solution, seen[begin:i], seen[i:])
        if found is not None:
            known[found.role] = exp(found.turn) @ known[found.role]
            out.append(replace(found, turn=log(known[found.role])))  # since the poses
            begin = i
    return out


def worn_anew(solution: Solution, solve: Callable[[Sequence[Slip]], Solution]) -> Solution:
    """Of a fit that believed a saved calibration: the fit that knows which sensors sit otherwise than then, the
    likeliest first among its slips; itself where none does.

    Where the wrist turns as none can, forearm or hand sit otherwise; where the hand lies otherwise on the club in
    every swing, club or hand. A hand that explains both is enough; else all that may have been put on anew is open.
    """
    p = solution.problem
    twisted = p.wrist and _twist(solution) > _WORN_AXIAL
    grips = [state for w, state in zip(p.windows, solution.state.regrip, strict=True) if len(w.grip_s)]
    regripped = p.rigid and len(grips) > 0 and float(np.linalg.norm(np.median(grips, axis=0))) > _WORN_GRIP
    if not (twisted or regripped):
        return solution

    def anew(*roles: Role) -> Solution:
        return solve([Slip(role, -np.inf, np.zeros(3), np.full(3, _WORN)) for role in roles])

    alone = anew("club" if not twisted else "hand" if regripped else "forearm")
    if not borne_out(alone, 0):
        return solution
    if not twisted or (regripped and _twist(alone) < max(0.4 * _twist(solution), 0.5 * _WORN_AXIAL)):
        return alone
    return anew("forearm", "hand", "club") if regripped else anew("forearm", p.worn_by("hand"))


def _twist(solution: Solution) -> float:
    """By how much a wrist turns about the forearm, in the middle window; rad rms."""
    sizes = [float(np.sqrt(np.mean(s["axial"] ** 2))) for s in solution.series if len(s.get("axial", ())) > 20]
    return float(np.median(sizes)) if sizes else 0.0


def borne_out(solution: Solution, i: int) -> bool:
    """Whether a fit that knows of slip `i` finds one: by more than it can be unsure of. Of a forearm's strap what looks
    like a wrist held otherwise does not count."""
    p = solution.problem
    slip, at = p.slips[i], p.lasting[f"slipped:{i}"]
    mount = solution.state.mount[slip.role]
    turn = mount.T @ p.slid(solution.state, i)
    covariance = mount.T @ solution.parts.covariance[at, at] @ mount
    told = [0, 1, 2]
    if slip.role == "forearm":
        told = [0, 1]
    elif not p.rigid:
        told = [1, 2]
    turn, covariance = turn[told], covariance[np.ix_(told, told)]
    return bool(np.linalg.norm(turn) > _LEAST_FOUND and turn @ np.linalg.solve(covariance, turn) > _SURE**2)


def _all_seen(solution: Solution, roughs: Sequence[Rough], swing_windows: Sequence[int]) -> list[_Seen]:
    p, state = solution.problem, solution.state
    out = []
    for w in np.argsort([x.start_s for x in p.windows]):
        axial = solution.series[w].get("axial", np.empty(0))
        wrist, grip = None, np.full(3, np.nan)
        up: dict[Role, Array] = {}
        if w in swing_windows:
            takeaway = roughs[list(swing_windows).index(w)].takeaway_s
            tracks = solution.tracks(w)
            t = takeaway - np.arange(0.05, 0.5, 0.05)
            if p.wrist:
                f, h = (p.segment(state, w, s, tracks, t, jacobian=False)[0] for s in ("forearm", "hand"))
                wrist = _mean(np.swapaxes(f, 1, 2) @ h)
            if p.rigid:
                grip = state.regrip[w]
            for role, s in p.sensors.items():
                part = s.accel[s.index(takeaway - 0.5) : s.index(takeaway - 0.05) + 1] - state.accel_bias[role]
                part = part[np.isfinite(part).all(axis=1)]
                if role in state.mount and len(part):
                    along = state.mount[role].T @ part.mean(axis=0)
                    up[role] = along / np.linalg.norm(along)
        elif len(axial) <= 20:
            continue
        level = float(np.median(axial)) if len(axial) > 20 else np.nan
        out.append(_Seen(p.windows[w].start_s, level, wrist, grip, up))
    return out


def _between(solution: Solution, before: list[_Seen], after: list[_Seen]) -> Slip | None:
    """The slip between two stretches of windows, if anything speaks for one."""
    p = solution.problem
    at = after[0].start_s - 1e-3
    held = [[s.wrist for s in part if s.wrist is not None] for part in (before, after)]
    a, b = (_mean(part) if part else None for part in held)
    old, new = (np.array([log(r @ a.T) for r in part if a is not None]).reshape(-1, 3) for part in held)
    # what sensor would have turned, and how, to make the wrist at address look so
    by_forearm, by_hand = (np.zeros(3), np.zeros(3)) if a is None or b is None else (log(b @ a.T), log(b.T @ a))
    axial = _step(np.array([[s.axial] for s in before]), np.array([[s.axial] for s in after]))
    twisted = axial.few and axial.at_once and axial.size > max(_LEAST_AXIAL, 3 * axial.unrest)
    grip = _step(np.array([s.grip for s in before]), np.array([s.grip for s in after]))
    if p.rigid and grip.few and grip.at_once and grip.size > max(_LEAST_GRIP, 4 * grip.unrest):
        sd = np.full(3, np.hypot(p.beliefs.regrip, grip.unrest))
        # the hand's strap moves the hand on the forearm as well; a new grip, the hand's vertical but not the club's
        of_hand = -solution.state.grip.T @ grip.by
        alike = 0.75 if twisted else 0.6
        if np.linalg.norm(by_hand - of_hand) < alike * np.linalg.norm(by_hand):
            return Slip("hand", at, of_hand, sd)
        if _turned_on_shaft(before, after, grip, of_hand) is False:
            return Slip("club", at, grip.by, sd)
        return None
    if not p.wrist:
        return None
    wrist = _step(old, new)
    moved = wrist.few > 1 and wrist.at_once and wrist.size > max(_LEAST_WRIST, 2.5 * wrist.unrest)
    if not (twisted or moved):
        return None
    spread = wrist.unrest * np.sqrt(2 / wrist.few) if wrist.few > 1 else 4 * DEG
    by_sensor: Role = "forearm"
    hand = p.worn_by("hand")
    if (
        not p.rigid
        and wrist.few
        and _off(before, after, hand, by_hand) < 0.6 * _off(before, after, by_sensor, by_forearm)
    ):
        by_sensor = hand
    turn, blind = (by_forearm, 2) if by_sensor == "forearm" else (by_hand, 0)
    sd = np.array([10.0, 30.0, 10.0]) * DEG
    # of a difference at address part is the strap's, part the player's
    by_player = float(np.linalg.norm([_HABIT, spread, 0.3 * turn[blind]]))
    share = _TILT**2 / (_TILT**2 + by_player**2)
    sd[blind] = np.sqrt(share) * by_player
    return Slip(by_sensor, at, np.where(np.arange(3) == blind, share * turn, turn), sd)


def turned_in_hand(
    solution: Solution, roughs: Sequence[Rough], swing_windows: Sequence[int]
) -> list[tuple[float, float]]:
    """When the club turned about its shaft in the hand, and by how much in rad: a strap that slipped around the shaft,
    or an open face that was gripped so, which nothing tells apart."""
    if not solution.problem.rigid:
        return []
    seen = _all_seen(solution, roughs, swing_windows)
    out, begin = [], 0
    for i in range(1, len(seen)):
        before, after = seen[begin:i], seen[i:]
        grip = _step(np.array([s.grip for s in before]), np.array([s.grip for s in after]))
        if grip.few and grip.at_once and grip.size > max(_LEAST_GRIP, 4 * grip.unrest):
            if _turned_on_shaft(before, after, grip, -solution.state.grip.T @ grip.by):
                out.append((seen[i].start_s, grip.size))
            begin = i
    return out


def _turned_on_shaft(before: list[_Seen], after: list[_Seen], grip: _Step, of_hand: Array) -> bool | None:
    """Whether the club's sensor turned about the shaft; None where the hand moved on the club, and not the sensor."""
    if _off(before, after, "club", grip.by) > 0.6 * _off(before, after, "hand", of_hand):
        return None
    return bool(abs(grip.by[0]) > _ALONG * grip.size)


@dataclass(frozen=True)
class _Step:
    """By how much rows of readings stand otherwise afterwards."""

    by: Array
    size: float
    unrest: float  # of the rows about their middle
    few: int  # rows on the side that has fewer
    at_once: bool  # from the last row before to the first after


def _step(before: Sequence[Array] | Array, after: Sequence[Array] | Array) -> _Step:
    old, new = (np.asarray(part)[np.isfinite(part).all(axis=1)] for part in (before, after))
    few = min(len(old), len(new))
    if not few:
        return _Step(np.zeros(np.shape(before)[1]), 0.0, np.inf, 0, False)
    by = np.median(new, axis=0) - np.median(old, axis=0)
    about = np.concatenate([old - np.median(old, axis=0), new - np.median(new, axis=0)])
    size, unrest = float(np.linalg.norm(by)), 1.4826 * float(np.median(np.linalg.norm(about, axis=1)))
    return _Step(by, size, unrest, few, bool(np.linalg.norm(new[0] - old[-1]) > 0.6 * size))


def _off(before: list[_Seen], after: list[_Seen], role: Role, turn: Array) -> float:
    """How badly it fits the verticals at address that only this sensor turned: rad."""
    out = 0.0
    for other in {r for s in (*before, *after) for r in s.up}:
        old, new = ([s.up[other] for s in part if other in s.up] for part in (before, after))
        if old and new:
            was = np.mean(old, axis=0)
            then = exp(turn) @ was if other == role else was
            out += float(np.sum((np.mean(new, axis=0) - then) ** 2))
    return float(np.sqrt(out))


def _mean(rotations: Sequence[Array] | Array) -> Array:
    u, _, vt = np.linalg.svd(np.mean(rotations, axis=0))
    return np.asarray(u @ np.diag([1.0, 1.0, np.linalg.det(u @ vt)]) @ vt)
