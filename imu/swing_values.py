"""One swing of a fitted recording: its events, every angle there with its uncertainty or why there is none, its grade."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial

import numpy as np
from scipy import ndimage
from scipy.spatial.transform import Rotation

from imu import calibration as cal
from imu import kinematics, swing
from imu.fit import DEG, LOST_TURN, Solution, Window
from imu.fitting import Fitted, coming_back
from imu.measured import Event, Stance, Swing, SwingTrace, Value
from imu.recording import ANGLES, EVENTS, Array

CHANGES = (("address", "top"), ("address", "impact"), ("top", "shaft_level_down"), ("shaft_level_down", "impact"))
"""Changes between events that are reported: the pose error cancels in them."""


def measured_swing(fitted: Fitted, w: int, rough: swing.Rough, index: int) -> Swing:
    prepared, solution = fitted.prepared, fitted.solution
    assert solution is not None
    moments = _events(fitted, w, rough, index)
    address = moments["address"].t_s
    assert address is not None
    shock = fitted.shocks[index - 1]
    impact = moments["impact"]
    shock_s = impact.t_s if shock is not None else None

    step = min(s.period_s for s in prepared.sensors.values())
    window = solution.problem.windows[w]
    finish = moments["finish"].t_s or rough.finish_s
    lo, hi = max(window.start_s + 0.01, address - 0.2), min(window.end_s - 0.01, finish + 0.2)
    grid = np.arange(lo, hi, step)
    angles_at = partial(
        kinematics.angles_at, solution, w, address_s=address, face_known=fitted.face_known, own_flat=fitted.own_flat
    )
    dense = angles_at(grid, jacobian=False)
    # how surely an angle is known changes slowly: every sixth instant tells it
    sparse = angles_at(np.append(grid[:-1:6], grid[-1]))
    sd = {k: np.interp(grid, sparse.t_s, x) for k, x in _deviations(solution, w, sparse).items()}
    known = [(e, m.t_s) for e, m in moments.items() if m.t_s is not None]
    at = angles_at(np.array([t for _, t in known]), shock_s=shock_s)
    at = kinematics.when_level(at, dense, [e for e, _ in known])
    place = {e: i for i, (e, _) in enumerate(known)}
    values: dict[str, dict[str, Value]] = {}
    sigmas = _deviations(solution, w, at)
    zeros = {k: np.sqrt(np.maximum(solution.shared_variance(w, j), 0)) for k, j in at.jacobian.items()}
    twists = {e: _twist_there(solution, w, t) for e, t in known}
    for name in ANGLES:
        source = "shaft_elevation" if name == "shaft_past_level" else name
        per: dict[str, Value] = {}
        for event in EVENTS:
            odd = twists.get(event, 0.0) if name in _ACROSS_WRIST else 0.0
            per[event] = _value(fitted, name, source, event, moments, at, sigmas, zeros, place, dense, rough, odd)
        if name == "shaft_past_level":
            per = {"top": per["top"]}
        if solution.problem.believed[w] < 1.0:  # one turn of several that may be: so wide an interval holds but one
            unseen = {e for e, t in known if _turned_unseen(window, name, address, t)}
            per = {
                e: Value(None, None, _LOST_TURN) if e in unseen or _known_to_deg(v) > _LOST_U95_DEG else v
                for e, v in per.items()
            }
        values[name] = per
    changes = _changes(fitted, w, rough, moments, at, dense, values, place, twists)
    tempo = _tempo(moments)
    grade, reasons = _grade(fitted, w, values, moments)
    guessed = any("zero_guessed" in v.marks for v in values["wrist_flexion"].values())
    fault = _BENT_TOO_FAR if _no_wrist(dense, sd) else None
    if guessed:
        fault = fitted.undecided or fault or (_TWISTED if _twisted(solution, w) else None)
    if fault:
        grade, reasons = "poor", [*reasons, fault]
        # axes that were guessed, or of a wrist that plays as none does, are wrong throughout
        throughout = guessed or solution.problem.axial_sd > _TWIST
        for name in (*_REACH, "face_to_forearm", "forearm_roll") if throughout else _REACH:
            nothing = Value(None, None, fault)
            values[name] = {e: nothing if throughout else _within_reach(name, v) for e, v in values[name].items()}
            if throughout and name in changes:
                changes[name] = dict.fromkeys(changes[name], nothing)
    elif any(twists.values()) and grade != "poor":
        grade, reasons = "fair", [*reasons, _TWISTED]
    trace = _trace(fitted, w, dense, sd, address, moments, rough)
    stances = _stances(solution, w, at, dense, known, moments)
    peak = rough.peak_rate
    kind = _kind(rough, moments, dense, peak)
    # a blow may lie in what was lost, and where a turn is missing nobody knows where to look for it
    hidden = _shock_hidden(fitted, rough) or solution.problem.believed[w] < 1.0
    return Swing(
        index=index,
        kind=kind,
        ball=True if shock is not None else None if hidden else False,
        grade=grade,
        reasons=tuple(reasons),
        events={e: Event(m.t_s, m.reason, m.marks) for e, m in moments.items()},
        angles=values,
        changes=changes,
        tempo=tempo,
        bands={},
        trace=trace,
        stances=stances,
    )


def _changes(
    fitted: Fitted,
    w: int,
    rough: swing.Rough,
    moments: Mapping[str, swing.Moment],
    at: kinematics.Angles,
    dense: kinematics.Angles,
    values: Mapping[str, Mapping[str, Value]],
    place: Mapping[str, int],
    twists: Mapping[str, float],
) -> dict[str, dict[str, Value]]:
    """Changes of wrist, roll and face between events, with what is uncertain about both but the same left out."""
    solution = fitted.solution
    assert solution is not None
    changes: dict[str, dict[str, Value]] = {}
    for name in ("wrist_flexion", "wrist_deviation", "forearm_roll", "face_to_forearm"):
        per = {}
        for a, b in CHANGES:
            va, vb = values[name][a], values[name][b]
            if va.value_deg is None or vb.value_deg is None:
                per[f"{a}..{b}"] = Value(None, None, va.reason or vb.reason)
                continue
            j = at.jacobian[name][[place[b]]] - at.jacobian[name][[place[a]]]
            s = np.sqrt(
                float(solution.variance(w, j)[0])
                + _extra(dense, name, moments[a], rough) ** 2
                + _extra(dense, name, moments[b], rough) ** 2
                + _bone_or_skin(fitted, name, b) ** 2
                + twists[a] ** 2
                + twists[b] ** 2
                + _shaft_twist(name, a, rough) ** 2
                + _shaft_twist(name, b, rough) ** 2
            )
            zero = min(s, float(np.sqrt(max(0.0, solution.shared_variance(w, j)[0]))))
            if "zero_guessed" in va.marks and name in _ACROSS:
                across = at.value[_ACROSS[name]][[place[a], place[b]]]
                tilt = _AXES_TILT * float(abs(across[1] - across[0]))
                s, zero = float(np.hypot(s, tilt)), float(np.hypot(zero, tilt))
            difference = at.value[name][place[b]] - at.value[name][place[a]]
            marks = tuple(m for m in va.marks if m not in ("zero_frame", "zero_guessed"))
            per[f"{a}..{b}"] = Value(
                float(np.degrees(difference)),
                float(np.degrees(1.96 * s)),
                None,
                marks,
                float(np.degrees(1.96 * zero)),
            )
        changes[name] = per
    return changes


def _known_to_deg(value: Value) -> float:
    """Half width in degrees to which a value is known, but for its zero where that is a guess."""
    u95 = value.u95_deg or 0.0
    guess = (value.zero_u95_deg or 0.0) if "zero_guessed" in value.marks else 0.0
    return float(np.sqrt(max(0.0, u95**2 - guess**2)))


_LOST_TURN = "a sensor lost a whole turn in this swing"


_LOST_U95_DEG = 10.0


_ACROSS = {"wrist_flexion": "wrist_deviation", "wrist_deviation": "wrist_flexion"}


_AXES_TILT = 4 * DEG
"""How far the axes about which a wrist bends may lie from those of its anatomy (standard deviation; common practice,
no source): of what it bends about the other one, as much seems to be bent about this one."""


_REACH = {"wrist_flexion": 95 * DEG, "wrist_deviation": 65 * DEG}
"""No wrist bends further: active range some 75 and 35 deg (Boone & Azen 1979, J Bone Joint Surg 61A:756), passive
more, and a zero that is off."""


_BENT_TOO_FAR = "the wrist reads as far as none can bend: a sensor lost a turn, or is not worn as said"


_TWISTED = "hand and forearm turn here as no wrist lets them: a sensor lost a turn, or its strap slipped"


_TWIST = 4 * DEG


def _twisted(solution: Solution, w: int) -> bool:
    """Whether the hand turned about the forearm in a swing by more than a wrist plays."""
    axial = solution.series[w].get("axial", np.empty(0))
    return len(axial) > 0 and float(np.quantile(np.abs(axial), 0.9)) > _TWIST


_ACROSS_WRIST = ("wrist_flexion", "wrist_deviation", "face_to_forearm", "forearm_roll")


def _twist_there(solution: Solution, w: int, t_s: float) -> float:
    """By how much hand and forearm stand twisted in rad near an instant, where that is far more than in the rest of the
    recording: what stands in for a lost packet there is wrong, and the wrist's other angles by about as much."""
    axial = np.abs(solution.series[w].get("axial", np.empty(0)))
    near = np.abs(solution.problem.windows[w].wrist_s[: len(axial)] - t_s) < 0.06
    most = float(axial[near].max(initial=0.0))
    return most if most > max(_TWIST, 4.0 * solution.problem.axial_sd) else 0.0


def _no_wrist(dense: kinematics.Angles, sd: Mapping[str, Array]) -> bool:
    """Whether a trace leaves what a wrist can do, by more than its own doubt, for over 20 ms in all."""
    for name, reach in _REACH.items():
        if name in dense.value:
            beyond = np.abs(dense.value[name]) - 1.96 * sd[name] > reach
            if np.count_nonzero(beyond) * float(np.median(np.diff(dense.t_s))) > 0.02:
                return True
    return False


def _within_reach(name: str, value: Value) -> Value:
    known = value.value_deg is not None and value.u95_deg is not None
    if known and np.radians(abs(value.value_deg or 0.0) - (value.u95_deg or 0.0)) > _REACH[name]:
        return Value(None, None, _BENT_TOO_FAR)
    return value


def _stances(
    solution: Solution,
    w: int,
    at: kinematics.Angles,
    dense: kinematics.Angles,
    known: Sequence[tuple[str, float]],
    moments: Mapping[str, swing.Moment],
) -> dict[str, Stance]:
    """Attitudes at every reached event; their covariance has room for when the event was, too."""
    if not at.segments:
        return {}
    near = np.clip(np.searchsorted(dense.t_s, at.t_s), 1, len(dense.t_s) - 2)
    rates = {
        k: Rotation.from_matrix(r[near + 1] @ np.swapaxes(r[near - 1], 1, 2)).as_rotvec()
        / (dense.t_s[near + 1] - dense.t_s[near - 1])[:, None]
        for k, r in dense.segments.items()
    }
    when = np.array([moments[e].sd_s for e, _ in known])
    wobble = np.array([_wobble(t, moments) for _, t in known])
    found = kinematics.stances(solution, w, at, rates, when, wobble)
    return {e: stance for (e, _), stance in zip(known, found, strict=True)}


def _wobble(t_s: float, moments: Mapping[str, swing.Moment]) -> float:
    """Standard deviation in rad by which straps may shake so long after the blow."""
    impact = moments["impact"]
    if impact.t_s is None or impact.marks or not impact.t_s + 1e-9 < t_s < impact.t_s + 0.4:
        return 0.0
    return float(3.0 * DEG * np.exp(-(t_s - impact.t_s) / 0.12))


def _deviations(solution: Solution, w: int, angles: kinematics.Angles) -> dict[str, Array]:
    """Standard deviation (n,) of every angle."""
    names = list(angles.value)
    if not names:
        return {}
    variance = solution.variance(w, np.concatenate([angles.jacobian[k] for k in names]))
    return dict(zip(names, np.sqrt(np.maximum(variance, 0)).reshape(len(names), -1), strict=True))


def _shock_hidden(fitted: Fitted, rough: swing.Rough) -> bool:
    """Whether the moment of a shock was lost in every sensor that would feel it."""
    for role in ("club", "hand"):
        s = fitted.prepared.sensors.get(role)  # type: ignore[call-overload]
        if s is not None:
            part = s.present[s.index(rough.impact_s - 0.05) : s.index(rough.impact_s + 0.05)]
            if part.all():
                return False
    return True


def _events(fitted: Fitted, w: int, rough: swing.Rough, index: int) -> dict[str, swing.Moment]:
    prepared, solution = fitted.prepared, fitted.solution
    assert solution is not None
    primary = prepared.primary
    marks = () if primary == "club" else (f"from_{primary}",)
    tracks = solution.tracks(w)
    track = tracks[primary]
    step = max(min(s.period_s for s in prepared.sensors.values()), 0.002)
    lo, hi = track.start_s + 0.02, track.end_s - 0.02
    t = np.arange(lo, hi, step)
    rate = track.rate(t)
    world = np.einsum("nij,nj->ni", track.at(t), rate)
    world = ndimage.uniform_filter1d(world, max(1, round(0.01 / step)), axis=0)
    # means over 40 ms: noise and tremor do not end a rest
    smooth = np.linalg.norm(ndimage.uniform_filter1d(rate, max(1, round(0.04 / step)), axis=0), axis=1)
    shock = fitted.shocks[index - 1]

    out: dict[str, swing.Moment] = {}
    takeaway = swing.slow_edge(t, smooth, before=rough.takeaway_s + 0.15)
    if takeaway is None:
        takeaway = rough.takeaway_s
    calm = prepared.calm[primary]
    samples = prepared.sensors[primary]
    a, b = samples.index(takeaway - 6.0), samples.index(takeaway) + 1
    still = cal.runs(calm.still[a:b], 1)
    if still:
        address = samples.start_s + samples.period_s * (a + still[-1][1] - 1)
        address = max(min(address, takeaway), track.start_s + 0.05)
    else:
        address = takeaway
    address = swing.last_still(t, smooth, address, takeaway)
    top_guess = rough
    club = "club" in solution.state.mount and "club" in tracks
    shaft = tracks["club"].at(t) @ solution.problem.mounted(solution.state, w, "club")[:, 0] if club else None
    forearm = (
        tracks["forearm"].at(t) @ solution.problem.mounted(solution.state, w, "forearm")[:, 1]
        if "forearm" in solution.state.mount
        else None
    )

    if shock is not None:
        impact = swing.Moment(shock[0], shock[1])
    else:
        direction = shaft if shaft is not None else forearm
        if direction is not None:
            then = direction[int(np.argmin(np.abs(t - address)))]
            near = coming_back(t, rough)
            k = int(np.argmax(direction[near] @ then))
            impact = swing.Moment(float(t[near][k]), 0.004, None, ("no_ball", *(() if club else ("from_forearm",))))
        else:
            impact = swing.Moment(rough.impact_s, 0.02, None, ("no_ball", *marks))
    impact_s = impact.t_s
    assert impact_s is not None
    top = swing.refine_top(t, world, top_guess, impact_s)
    out["address"] = swing.Moment(address)
    out["takeaway"] = swing.Moment(takeaway, 0.02, None, marks)

    def level_time(direction: Array | None, after: float, before: float, last: bool, what: str) -> swing.Moment:
        if direction is None:
            return swing.Moment(None, 0.0, f"no {what} sensor with its pose")
        found = swing.crossing(t, direction[:, 2], after, before, last=last)
        if found is None:
            return swing.Moment(None, 0.0, f"the {what} was never level there")
        return swing.Moment(found, 0.002)

    out["shaft_level_back"] = level_time(shaft, takeaway, top, False, "shaft")
    out["arm_level_back"] = level_time(forearm, takeaway, top + 0.02, False, "forearm")
    out["top"] = swing.Moment(top, 0.003, None, marks)
    out["arm_level_down"] = level_time(forearm, top, impact_s, False, "forearm")
    out["shaft_level_down"] = level_time(shaft, top, impact_s, True, "shaft")
    out["impact"] = impact
    finish = swing.slow_edge(t, smooth, after=impact_s + 0.05)
    out["shaft_level_through"] = level_time(shaft, impact_s, finish or float(t[-1]), False, "shaft")
    out["finish"] = (
        swing.Moment(finish, 0.02, None, marks)
        if finish is not None
        else swing.Moment(None, 0.0, "the recording ends before the swing does")
    )
    return {e: out[e] for e in EVENTS}


def _extra(dense: kinematics.Angles, name: str, moment: swing.Moment, rough: swing.Rough) -> float:
    """What the fit's covariance does not hold: when the event was, times how fast the angle went."""
    if moment.t_s is None or not moment.sd_s or name not in dense.value:
        return 0.0
    return float(abs(np.interp(moment.t_s, dense.t_s, dense.slopes[name])) * moment.sd_s)


def _value(
    fitted: Fitted,
    name: str,
    source: str,
    event: str,
    moments: Mapping[str, swing.Moment],
    at: kinematics.Angles,
    sigmas: Mapping[str, Array],
    zeros: Mapping[str, Array],
    place: Mapping[str, int],
    dense: kinematics.Angles,
    rough: swing.Rough,
    twist: float,
) -> Value:
    moment = moments[event]
    if source not in at.value:
        return Value(None, None, _why_missing(fitted, name))
    if moment.t_s is None:
        return Value(None, None, moment.reason)
    if name == "face_since_address" and event not in ("address", "takeaway", "impact"):
        return Value(None, None, "the face's heading means aim only near address and impact")
    i = place[event]
    value, s = float(at.value[source][i]), float(sigmas[source][i])
    # 0.1 deg for what no term holds: the instant of address, quantisation, sway
    s = float(np.sqrt(s**2 + _extra(dense, source, moment, rough) ** 2 + (0.1 * DEG) ** 2))
    s = float(np.hypot(s, _wobble(moment.t_s, moments)))
    s = float(np.hypot(s, _bone_or_skin(fitted, name, event)))
    s = float(np.hypot(s, np.hypot(twist, _shaft_twist(name, event, rough))))
    if source == "shaft_elevation" and event.startswith("shaft_level"):  # which is when it is none
        s = 0.1 * DEG
    lost = _guessed_there(fitted, name, moment.t_s)
    if lost:
        return Value(None, None, lost)
    if name == "shaft_past_level":
        back = moments["shaft_level_back"].t_s
        if event != "top" or back is None:
            return Value(None, None, "the shaft never rose above level")
        value = -value
    u95, zero = 1.96 * s, 1.96 * min(s, float(zeros[source][i]))
    if not u95 < _NOTHING_KNOWN:
        return Value(None, None, "what was recorded does not tell it")
    return Value(
        float(np.degrees(value)), float(np.degrees(u95)), None, at.marks.get(source, ()), float(np.degrees(zero))
    )


def _bone_or_skin(fitted: Fitted, name: str, event: str) -> float:
    """Standard deviation in rad by which the hand's turn about the forearm may be the wrist's own: these angles take
    for the skin's what neither its slip nor the wrist's bends explain."""
    if name not in ("face_to_forearm", "forearm_roll") or (name == "forearm_roll" and event == "address"):
        return 0.0
    assert fitted.solution is not None
    problem = fitted.solution.problem
    return problem.axial_sd if problem.wrist else 0.0


_SHAFT_TWIST = {"shaft_level_down": 0.6, "impact": 0.9}
"""Standard deviation in deg by which the head may be turned against the grip at 40 rad/s (common practice, no source:
a degree or two)."""


def _shaft_twist(name: str, event: str, rough: swing.Rough) -> float:
    """The same of what a sensor at the grip does not feel of the face: the load that twists a shaft grows with the
    square of its rate."""
    if name not in ("face_to_forearm", "face_since_address", "face_roll"):
        return 0.0
    return _SHAFT_TWIST.get(event, 0.0) * DEG * (rough.peak_rate / 40.0) ** 2


_NOTHING_KNOWN = 90 * DEG
"""From this half width on an interval says nothing of an angle."""


def _why_missing(fitted: Fitted, name: str) -> str:
    need = {
        "wrist_flexion": ("forearm", "hand"),
        "wrist_deviation": ("forearm", "hand"),
        "forearm_roll": ("forearm",),
        "face_to_forearm": ("forearm", "club", "face"),
        "face_since_address": ("club", "face"),
        "face_roll": ("club",),
        "shaft_elevation": ("club",),
        "shaft_past_level": ("club",),
        "shaft_off_plane": ("club", "face"),
    }[name]
    for part in need:
        if part in fitted.missing:
            return fitted.missing[part]
        if part in ("forearm", "club", "hand") and part not in fitted.prepared.sensors:
            if part == "hand" and "club" in fitted.prepared.sensors:
                return "no hand sensor, and no grip_flat pose for the club to stand in"
            return f"no {part} sensor"
    return "not calibrated"


def _guessed_there(fitted: Fitted, name: str, t_s: float) -> str | None:
    roles = {
        "wrist_flexion": ("forearm", "hand"),
        "wrist_deviation": ("forearm", "hand"),
        "forearm_roll": ("forearm",),
        "face_to_forearm": ("forearm", "club"),
    }.get(name, ("club",))
    if "hand" not in fitted.prepared.sensors:  # the club stands in for it
        roles = tuple("club" if r == "hand" else r for r in roles)
    for role in roles:
        for lo, hi, s in fitted.prepared.repaired.guessed.get(role, ()):  # type: ignore[call-overload]
            if lo - 0.002 <= t_s <= hi + 0.002 and s > 2.5 * DEG:
                return f"the {role} sensor lost or clipped its samples here"
    return None


def _turned_unseen(window: Window, name: str, address_s: float, t_s: float) -> bool:
    """Whether an angle is a roll that a sensor's wholly lost turn is part of. It is summed up along the way: where the
    turn ended is found from the others, not how it went."""
    role = {"forearm_roll": "forearm", "face_roll": "club"}.get(name)
    return any(j.role == role and j.sd > LOST_TURN and address_s < j.t_s <= t_s for j in window.jumps)


def _tempo(moments: Mapping[str, swing.Moment]) -> dict[str, float | None]:
    takeaway, top, impact = (moments[e].t_s for e in ("takeaway", "top", "impact"))
    if takeaway is None or top is None or impact is None:
        return {"backswing_s": None, "downswing_s": None, "ratio": None}
    return {
        "backswing_s": top - takeaway,
        "downswing_s": impact - top,
        "ratio": (top - takeaway) / (impact - top) if impact > top else None,
    }


def _kind(rough: swing.Rough, moments: Mapping[str, swing.Moment], dense: kinematics.Angles, peak: float) -> str:
    down = (moments["impact"].t_s or 0) - (moments["top"].t_s or 0)
    if peak < 500 * DEG and down > 0.45:
        return "slow"
    if moments["arm_level_back"].t_s is None and "forearm" in dense.segments:
        return "partial"
    if rough.back_turn < 150 * DEG:
        return "partial"
    return "full"


def _grade(
    fitted: Fitted, w: int, values: Mapping[str, Mapping[str, Value]], moments: Mapping[str, swing.Moment]
) -> tuple[str, list[str]]:
    reasons = []
    worst = 0
    key = values["wrist_flexion"]["top"]
    if key.value_deg is None and "hand" in fitted.prepared.sensors and "forearm" in fitted.prepared.sensors:
        reasons.append(f"no wrist reading at the top: {key.reason}")
        worst = 2
    elif "zero_guessed" in key.marks:
        reasons.append("no poses for the wrist: only its changes within the swing mean anything")
        worst = 1
    elif key.u95_deg is not None and key.u95_deg > 10:
        reasons.append(f"the wrist at the top is known to ±{key.u95_deg:.0f}° only")
        worst = 2
    elif key.u95_deg is not None and key.u95_deg > 7:
        reasons.append(f"the wrist at the top is known to ±{key.u95_deg:.0f}° only")
        worst = max(worst, 1)
    assert fitted.solution is not None
    problem = fitted.solution.problem
    if problem.believed[w] < 1.0:
        reasons.append(_LOST_TURN)
        # found again where the others place it, and known to some degrees, it is no reason to pass over a swing
        found = problem.trust[w] > 0.7 * problem.believed[w] and key.u95_deg is not None and _known_to_deg(key) <= 7
        worst = max(worst, 1 if found else 2)
    elif problem.trust[w] < 0.7:
        reasons.append("the sensors disagree in this swing more than in the others")
        worst = max(worst, 1)
    posed = [h for window in problem.windows for h in window.holds if h.name in ("handshake", "grip_flat")]
    if posed and all(h.sd > 1.0 for h in posed):
        reasons.append("no pose of the wrist was held still")
        worst = max(worst, 1)
    if {r.role for r in problem.windows[w].rests} != set(problem.roles):
        reasons.append("a sensor never came to rest around this swing")
        worst = 2
    if problem.windows[w].start_s >= fitted.turned_s:
        reasons.append("the club lies otherwise in the hand than before: gripped so, or its strap has slipped")
        worst = max(worst, 1)
    if problem.strapping[w]:
        reasons.append("a strap had slipped since the poses")
        worst = max(worst, 1)
    return ("good", "fair", "poor")[worst], reasons


def _trace(
    fitted: Fitted,
    w: int,
    dense: kinematics.Angles,
    sd: Mapping[str, Array],
    address: float,
    moments: Mapping[str, swing.Moment],
    rough: swing.Rough,
) -> SwingTrace:
    angles = {k: np.degrees(v) for k, v in dense.value.items() if k in ANGLES}
    u95 = {k: np.degrees(1.96 * sd[k]) for k in angles}
    segments = dict(dense.segments)
    yaw = np.eye(3)
    if "club" in segments and fitted.face_known:
        yaw = kinematics.target_yaw(segments["club"][int(np.argmin(np.abs(dense.t_s - address)))])
    q = {k: Rotation.from_matrix(yaw @ v).as_quat(scalar_first=True) for k, v in segments.items()}
    return SwingTrace(dense.t_s, angles, u95, q)
