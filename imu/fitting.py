"""The joint fit set up for a recording: its windows, a first guess of everything, and what straps and contact then say."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from imu import calibration as cal
from imu import filtering, headings, self_calibration, straps, swing
from imu.contact import Expected, contact
from imu.fit import ALIKE, DEG, Axis, Beliefs, Hold, Problem, Slip, Solution, State, Window, log
from imu.orientation import Track
from imu.preparing import WIDE_GAP, Prepared, rested, swing_windows
from imu.recording import Array, Role
from imu.timebase import Samples


def _wrist_times(prepared: Prepared, start: float, end: float, rough: swing.Rough | None) -> Array:
    """Instants at which the wrist's axial part is asked to vanish: dense where it moves fast, none
    while straps wobble after impact."""
    coarse = np.arange(start + 0.05, end - 0.05, 0.1)
    if rough is None:
        return coarse
    fine = np.arange(rough.takeaway_s, rough.finish_s, 0.02)
    t = np.concatenate([coarse[(coarse < rough.takeaway_s) | (coarse > rough.finish_s)], fine])
    t = np.sort(t)
    return t[(t < rough.impact_s - 0.02) | (t > rough.impact_s + 0.4)]


@dataclass(frozen=True, eq=False)
class Fitted:
    prepared: Prepared
    solution: Solution | None
    swing_windows: list[int]  # window of each swing
    face_known: bool
    own_flat: bool
    missing: Mapping[str, str]
    doubts: list[str]
    shocks: list[tuple[float, float] | None]
    undecided: str | None = None  # why the swings do not tell how the wrist's sensors sit
    turned_s: float = np.inf  # from when on the club lies otherwise in the hand, gripped so or by its strap

    @property
    def slips(self) -> Sequence[Slip]:
        return self.solution.problem.slips if self.solution is not None else ()


def fit_recording(
    prepared: Prepared, beliefs: Beliefs | None = None, method: str = "fit", known_slips: Sequence[Slip] = ()
) -> Fitted:
    """The fit of a prepared recording. `known_slips`: slips of straps that another fit found, and how surely; what
    more there is is looked for."""
    sensors, calm, side = prepared.sensors, prepared.calm, prepared.side
    holds, doubts = prepared.holds, list(prepared.doubts)
    stretches = [list(s) for s in cal.stretches(holds)]
    rolls: list[Axis] = []
    guess = prepared.guess
    if "forearm" in sensors:
        long_axis = guess.mount["forearm"][:, 1] if "forearm" in guess.mount else None
        for stretch in stretches:
            nxt = min([r.takeaway_s - 1.0 for r in prepared.rough if r.takeaway_s > stretch[1]] or [np.inf])
            until = min(nxt, stretch[1] + 45.0, sensors["forearm"].end_s)
            found = cal.rolls(sensors["forearm"], calm["forearm"], stretch[0], until, long_axis)
            if found:
                stretch[1] = max(stretch[1], max(a.t_s for a in found) + 2.0)
                rolls += found
    if rolls and "forearm" not in guess.mount:
        rolls = _up_the_arm(prepared, rolls)
        guess = cal.mounting(sensors, holds, side=side, rolls=[a.direction for a in rolls])
    # the axis of several rolls is one draw, not many
    rolls = [replace(a, sd=a.sd * np.sqrt(len(rolls) / 3)) for a in rolls]

    first = max(s.start_s for s in sensors.values())
    last = min(s.end_s for s in sensors.values())
    stretches = [s for s in stretches if min(last, s[1]) - max(first, s[0]) > 1.0]
    bounds = [tuple(s) for s in stretches] + swing_windows(prepared)
    n_cal = len(stretches)
    windows = []
    for i, (lo, hi) in enumerate(bounds):
        lo, hi = max(first, lo), min(last, hi)
        rough = prepared.rough[i - n_cal] if i >= n_cal else None
        resting = [r for role in sensors for r in cal.rests(sensors[role], calm[role], lo, hi)]
        jumps = [j for j in prepared.repaired.jumps if lo < j.t_s < hi]
        grip = np.empty(0)
        wrist = _wrist_times(prepared, lo, hi, rough)
        if rough is None and "hand" not in sensors and "club" in sensors:
            # the club stands in for the hand only while it is gripped
            flat = [h.t_s for h in holds if h.name == "grip_flat" and lo <= h.t_s <= hi]
            wrist = wrist[(wrist > min(flat) - 1.0) & (wrist < max(flat) + 1.0)] if flat else np.empty(0)
        if rough is not None:
            grip = wrist[(wrist > rough.takeaway_s - 0.3) & (wrist < rough.finish_s)]
        windows.append(
            Window(
                lo,
                hi,
                tuple(resting),
                tuple(h for h in holds if i < n_cal and lo <= h.t_s <= hi),
                tuple(a for a in rolls if i < n_cal and lo <= a.t_s <= hi),
                tuple(jumps),
                wrist,
                grip,
            )
        )
    saved = prepared.calibration if prepared.calibration is not None and prepared.calibration.has_mounting else None
    own_flat = saved.own_flat if saved else any(h.name == "grip_flat" for h in holds)
    face_known = saved.face_known if saved else "club" in guess.mount and "face" not in guess.missing
    if not windows:
        return Fitted(prepared, None, [], face_known, own_flat, guess.missing, doubts, [])
    mount = dict(guess.mount)
    taught: list[self_calibration.Worn] = []
    if "hand" not in sensors and {"forearm", "club"} <= set(mount) and own_flat and "hand" not in mount:
        mount["hand"] = np.eye(3)  # the club stands in for the hand; set by the flat grip below
    missing = dict(guess.missing)
    if {"forearm", "hand"} <= set(sensors) and "forearm" in mount and "hand" not in mount:
        beside = _hand_from_flat_poses(prepared, windows, mount["forearm"])
        if beside is not None:
            mount["hand"] = beside
            missing.pop("hand", None)
    if (
        "forearm" in sensors
        and len(sensors) > 1
        and not {"forearm", "hand"} <= set(mount)
        and prepared.calibration is None
    ):
        taught, palm = _from_the_swings(prepared, windows, n_cal)
        if taught:
            # axes taken from the swings are those that their bends show: there is no other to be coupled to
            beliefs = replace(beliefs or Beliefs(), coupling=0.003, bent_coupling=0.01)
            many = np.sqrt(min(len(prepared.rough), ALIKE))  # what is believed of address is one draw for all
            at_address = [
                Hold("address", r.takeaway_s - 0.05, _hanging(prepared, r), many, palm) for r in prepared.rough
            ]
            windows[n_cal:] = [
                replace(w, holds=(*w.holds, h)) for w, h in zip(windows[n_cal:], at_address, strict=True)
            ]
            doubts.append(
                "no poses for the wrist: its axes are taken from the swings, its zero is a guess; only changes within "
                "a swing mean anything"
            )
    starts = []
    for worn in taught:
        as_worn = mount | {"forearm": worn.forearm, "hand": worn.hand}
        start = _first_guess(prepared, windows, as_worn, holds)
        starts.append(replace(start, clock=_set_back(prepared, start.clock, worn.late_s)))
    if not taught:
        starts.append(_first_guess(prepared, windows, mount, holds))
    if prepared.calibration is not None:  # where the biases start, this recording's rests know better
        values = {n: v for n, v in prepared.calibration.values.items() if not n.startswith("bias:")}
        starts = [start.with_lasting(values) for start in starts]

    def problem_of(state: State, slips: Sequence[Slip] = ()) -> Problem:
        return Problem(
            sensors,
            windows,
            replace(state, slipped=np.array([state.mount[s.role] @ s.turn for s in slips]).reshape(-1, 3)),
            side=side,
            beliefs=beliefs or Beliefs(),
            clocks=prepared.clocks,
            knowledge=prepared.calibration.knowledge() if prepared.calibration is not None else None,
            slips=slips,
        )

    undecided: str | None = None
    in_hand: list[tuple[float, float]] = []
    of_swings = [n_cal + k for k in range(len(prepared.rough))]
    if method == "fit":
        tried = sorted((problem_of(start, known_slips).solve() for start in starts), key=lambda s: s.surprise)
        state, solution = starts[0], tried[0]
        if taught:  # from afar: what the wrist plays shows near the answer only
            if len(tried) > 1 and _as_likely(tried[0], tried[1]):
                undecided = _UNDECIDED
            state = solution.state
            solution = problem_of(state, known_slips).solve()
            if solution.problem.axial_sd > _PLAYS:
                loose = {"coupling": Beliefs.coupling, "bent_coupling": Beliefs.bent_coupling, "play_counted": 3.0}
                beliefs = replace(beliefs or Beliefs(), **loose)
                solution = problem_of(state, known_slips).solve()
        if saved is not None and not known_slips:
            solution = straps.worn_anew(solution, lambda slips: problem_of(state, slips).solve())
            known_slips = solution.problem.slips
            if known_slips:
                from imu.saved_calibration import sits_otherwise

                doubts.append(sits_otherwise(known_slips[0].role, solution.state.slipped[0]))
        slips = straps.suspected(solution, prepared.rough, of_swings)
        while slips:
            again = problem_of(state, sorted((*known_slips, *slips), key=lambda slip: slip.t_s)).solve()
            sure = [s for i, s in enumerate(again.problem.slips) if s in slips and straps.borne_out(again, i)]
            if len(sure) == len(slips):
                solution = again
                break
            slips = sure
        in_hand = straps.turned_in_hand(solution, prepared.rough, of_swings)
        doubts += [
            f"from {t:.0f} s on the club lies {np.degrees(turn):.0f}° otherwise in the hand: unless it was gripped so, its "
            "strap has slipped; hold club_square and grip_flat again"
            for t, turn in in_hand
        ]
        doubts += [slip_said(solution, i) for i, s in enumerate(solution.problem.slips) if s not in known_slips]
    else:
        solution = filtering.solve(problem_of(starts[0]), method, rigid=prepared.repaired.rigid)
    return Fitted(
        prepared,
        solution,
        of_swings,
        face_known,
        own_flat,
        missing,
        doubts,
        [_shock(prepared, solution, n_cal + k, rough) for k, rough in enumerate(prepared.rough)],
        undecided,
        min((t for t, _ in in_hand), default=np.inf),
    )


_UNDECIDED = "no poses for the wrist, and the swings leave open which way its sensors sit: hold the wrist flat against a ruler once"


_PLAYS = 1.0 * DEG
"""From this axial play on something is at work that the model has not (skin, bends that turn the hand, packets out of
place), and the swings tell less of the wrist's axes."""


def _as_likely(a: Solution, b: Solution) -> bool:
    """Whether two answers that place the wrist's axes otherwise both explain what was recorded."""
    apart = max(float(np.linalg.norm(log(a.state.mount[s].T @ b.state.mount[s])[1])) for s in ("forearm", "hand"))
    return apart > 8 * DEG and b.surprise - a.surprise < 9.0


def _up_the_arm(prepared: Prepared, rolls: Sequence[Axis]) -> list[Axis]:
    """Of axes of slow rolls, whose sign is open, those that may be the forearm's, turned to point from wrist to elbow:
    up at address, where the lead arm hangs."""
    seen = [a["forearm"] / np.linalg.norm(a["forearm"]) for a in (_hanging(prepared, r) for r in prepared.rough) if a]
    if not seen:
        return []
    up = np.mean(seen, axis=0)
    return [replace(a, direction=a.direction * np.sign(a.direction @ up)) for a in rolls if abs(a.direction @ up) > 0.6]


def _hanging(prepared: Prepared, rough: swing.Rough) -> dict[Role, Array]:
    """Mean specific force (3,) of the forearm's sensor at address, as far as it was recorded."""
    forearm = prepared.sensors["forearm"]
    accel = forearm.accel[forearm.index(rough.takeaway_s - 0.15) : forearm.index(rough.takeaway_s) + 1]
    accel = accel[np.isfinite(accel).all(axis=1)]
    return {"forearm": accel.mean(axis=0)} if len(accel) else {}


def slip_said(solution: Solution, i: int) -> str:
    slip = solution.problem.slips[i]
    return (
        f"the strap of the {slip.role} sensor slipped by "
        f"{np.degrees(np.linalg.norm(solution.problem.slid(solution.state, i))):.0f}° before {slip.t_s:.0f} s; that is "
        "taken out, but fasten the straps and hold the poses again"
    )


def _shock(prepared: Prepared, solution: Solution, w: int, rough: swing.Rough) -> tuple[float, float] | None:
    """First contact in a window and its standard deviation, by sensors on the clocks that the fit found."""
    strikers = []
    for role in ("club", "hand", "forearm"):
        samples = prepared.sensors.get(role)  # type: ignore[call-overload]
        if samples is None:
            continue
        offset, drift = solution.state.clock.get(role, (0.0, 0.0))  # type: ignore[call-overload]
        placed = replace(
            samples, start_s=samples.start_s * (1 + drift) + offset, period_s=samples.period_s * (1 + drift)
        )
        strikers.append((placed, rough.top_s))
    lead = 0.35 * (rough.impact_s - rough.top_s)
    return contact(strikers, rough.impact_s - lead, rough.impact_s + lead, _expected(solution, w, rough))


_LEAN = 12 * DEG
"""How far from its direction at address the shaft may be when the ball is struck: the hands lead by up to some 10 deg
(common practice, no source)."""


def _expected(solution: Solution, w: int, rough: swing.Rough) -> Expected:
    """When contact is to be expected: when the shaft is back where it was at address."""
    tracks, mount = solution.tracks(w), solution.state.mount
    if not ("club" in tracks and "club" in mount):
        return Expected(rough.impact_s, 0.02)
    direction = mount["club"][:, 0]
    then = tracks["club"].at(np.array([rough.takeaway_s]))[0] @ direction
    t = np.arange(rough.top_s, 2 * rough.impact_s - rough.top_s, 0.001)
    t = t[coming_back(t, rough)]
    shaft = tracks["club"].at(t) @ direction
    k = int(np.clip(np.argmax(shaft @ then), 1, len(t) - 2))
    rate = np.linalg.norm(shaft[k + 1] - shaft[k - 1]) / 0.002
    return Expected(float(t[k]), float(np.clip(_LEAN / (rate + 1e-9), 0.004, 0.02)))


def coming_back(t: Array, rough: swing.Rough) -> np.ndarray:
    """Which of some times lie where the club comes back to where it was at address."""
    down = rough.impact_s - rough.top_s
    return np.asarray((t > rough.top_s + 0.3 * down) & (t < rough.impact_s + 0.5 * down))


def _first_guess(
    prepared: Prepared, windows: Sequence[Window], mount: dict[str, Array], holds: Sequence[Hold]
) -> State:
    """Start of the fit: level attitudes from a rest in every window, headings from what the joints
    allow, the grip from the rates of hand and club."""
    sensors, calm, side = prepared.sensors, prepared.calm, prepared.side
    roles = list(sensors)
    rigid = prepared.repaired.rigid
    grip = np.eye(3)
    if rigid is not None and {"hand", "club"} <= set(mount):
        grip = mount["club"].T @ rigid.rotation @ mount["hand"]
    zero3 = np.zeros(3)
    bias = {r: calm[r].bias for r in roles}
    firsts: list[dict[Role, Array]] = []
    changes: list[dict[Role, Array]] = []
    jumps: list[Array] = []
    via_grip = "hand" not in sensors and "hand" in mount
    for window in windows:
        tracks: dict[Role, Track] = {}
        change: dict[Role, Array] = {}
        for r in roles:
            tracks[r], change[r] = _levelled(prepared, window, r)
        changes.append(change)
        if via_grip and not np.any(mount["hand"] != np.eye(3)):
            flat = [h for h in window.holds if h.name == "grip_flat"]
            if flat:
                mount["hand"] = _hand_from_flat_grip(tracks, mount, flat, side, sensors, window)
        yaw = headings.turns(tracks, mount, window, side=side, rigid=rigid)
        tracks = {r: replace(t, attitude=yaw[r] @ t.attitude) for r, t in tracks.items()}
        jumps.append(_across_gaps(prepared, window, tracks, mount))
        firsts.append({r: tracks[r].attitude[0] for r in roles})
    return State(
        matrix={r: np.zeros((3, 3)) for r in roles},
        accel_bias=dict.fromkeys(roles, zero3),
        accel_matrix={r: np.zeros((3, 3)) for r in roles},
        bias=bias,
        clock={r: np.zeros(2) for r in roles[1:]},
        mount=mount,
        grip=grip,
        slip=0.1,
        coupling=np.zeros(5),
        lag=0.0,
        slipped=np.zeros((0, 3)),
        first=tuple(firsts),
        bias_change=tuple(changes),
        regrip=tuple(np.zeros(3) for _ in windows),
        jumps=tuple(jumps),
    )


def _levelled(prepared: Prepared, window: Window, role: Role) -> tuple[Track, Array]:
    """A sensor's track through a window, level by a rest in it, heading free; and how far its gyro bias
    (3,) there is from that of the whole recording."""
    s, calm = prepared.sensors[role], prepared.calm[role]
    still = [x for x in window.rests if x.role == role and x.turn_sd is not None]
    change = np.zeros(3)
    if still and sum(x.length_s for x in still) > 1.0:
        local = np.average([x.gyro for x in still], axis=0, weights=[x.length_s for x in still])
        if np.linalg.norm(local - calm.bias) > 0.3 * DEG:
            change = local - calm.bias
    lo, hi = s.index(window.start_s), max(s.index(window.end_s), s.index(window.start_s) + 8)
    track = Track.of(
        s.gyro[lo:hi],
        s.start_s + (lo - 0.5) * s.period_s,
        s.period_s,
        bias=calm.bias + change,
        matrix=np.zeros((3, 3)),
        first=np.eye(3),
    )
    at_rest, t = cal.level(s, calm, window.start_s, _first_gap(prepared, window, role))
    start = at_rest @ track.at(np.array([t]))[0].T
    return replace(track, attitude=start @ track.attitude), change


def _from_the_swings(
    prepared: Prepared, windows: Sequence[Window], n_cal: int
) -> tuple[list[self_calibration.Worn], dict[str, Array]]:
    """Forearm's and hand's mounting where no pose tells it, by the wrist's two axes."""
    hand: Role = "hand" if "hand" in prepared.sensors else "club"
    pair: tuple[Role, Role] = ("forearm", hand)
    motions = []
    for window, rough in zip(windows[n_cal:], prepared.rough, strict=True):
        tracks = {r: _levelled(prepared, window, r)[0] for r in pair}
        t = window.wrist_s[(window.wrist_s > rough.takeaway_s - 0.1) & (window.wrist_s < rough.finish_s)]
        # what lies between two gaps hangs together, and is level where it holds a rest
        holes = [g for r in pair for g in prepared.repaired.guessed.get(r, ()) if g[2] > WIDE_GAP]
        holes = sorted(g for g in holes if window.start_s < g[1] and g[0] < window.end_s)
        starts = [window.start_s, *(hi for _, hi, _ in holes)]
        ends = [*(lo for lo, _, _ in holes), window.end_s]
        for lo, hi in zip(starts, ends, strict=True):
            part = t[(t > lo) & (t < hi)]
            if len(part) < 15 or (holes and not all(rested(prepared, r, lo, hi) for r in pair)):
                continue
            seen = {r: _level_within(prepared, tracks[r], r, lo, hi) for r in pair}
            forearm, other = (seen[r].at(part) for r in pair)
            top = int(np.argmin(np.abs(part - rough.top_s)))
            address = 0 if part[0] < rough.takeaway_s + 0.1 else None
            before = int(np.searchsorted(part, rough.impact_s))
            turned = _turned(tracks["forearm"], part)
            motions.append(self_calibration.Motion(forearm, other, turned, seen[hand].rate(part), address, top, before))
    fits = [prepared.clocks[r].sd_s for r in pair]
    return (
        self_calibration.wrist_mountings(motions, side=prepared.side, clock_sd_s=max(*fits, 1e-4)),
        self_calibration.palmar(motions),
    )


def _turned(track: Track, t_s: Array) -> Array:
    """Integral (n, 3) of a sensor's turn rate at times, in its own axes, from the middle of what there is of it."""
    total = np.concatenate([np.zeros((1, 3)), np.cumsum(track.gyro, axis=0)]) * track.period_s
    borders = track.start_s + track.period_s * np.arange(len(total))
    out = np.stack([np.interp(t_s, borders, total[:, i]) for i in range(3)], axis=1)
    return np.asarray(out - np.median(out, axis=0))


def _set_back(prepared: Prepared, clock: Mapping[Role, Array], late_s: float) -> dict[Role, Array]:
    """Clocks with hand and club earlier by `late_s` against the forearm."""
    late = np.array([late_s, 0.0])
    if next(iter(prepared.sensors)) == "forearm":
        return {r: c - late for r, c in clock.items()}
    return {r: c + late if r == "forearm" else c for r, c in clock.items()}


def _level_within(prepared: Prepared, track: Track, role: Role, start_s: float, end_s: float) -> Track:
    """The track turned so that it is level at the stillest moment of a stretch."""
    at_rest, t = cal.level(prepared.sensors[role], prepared.calm[role], start_s, end_s)
    return replace(track, attitude=at_rest @ track.at(np.array([t]))[0].T @ track.attitude)


def _first_gap(prepared: Prepared, window: Window, role: Role) -> float:
    """Until when a sensor's attitude hangs together with the start of the window; its end where there
    is no rest before a gap."""
    wide = [j.t_s for j in window.jumps if j.role == role and j.sd > WIDE_GAP]
    if wide and rested(prepared, role, window.start_s, wide[0]):
        return wide[0]
    return window.end_s


def _across_gaps(prepared: Prepared, window: Window, tracks: dict[Role, Track], mount: Mapping[str, Array]) -> Array:
    """First guess (n, 3) of the turns that were lost in gaps: nothing for narrow ones. After a wide one
    the sensor is levelled anew by a rest there, and takes its heading from the others.

    `tracks` are changed to hold what was found, so that the next gap starts from it.
    """
    out = np.zeros((len(window.jumps), 3))
    wide = [i for i, j in enumerate(window.jumps) if j.sd > WIDE_GAP]
    for i in wide:
        jump = window.jumps[i]
        until = min(
            [window.jumps[k].t_s for k in wide if window.jumps[k].role == jump.role and k > i] or [window.end_s]
        )
        samples, calm = prepared.sensors[jump.role], prepared.calm[jump.role]
        if not rested(prepared, jump.role, jump.t_s, until):
            continue
        track = tracks[jump.role]
        at_rest, t = cal.level(samples, calm, jump.t_s, until)
        turn = at_rest @ track.at(np.array([t]))[0].T
        tracks[jump.role] = replace(track, attitude=turn @ track.attitude)
        joined = window.wrist_s if jump.role == "forearm" else window.grip_s
        inside = joined[(joined > jump.t_s) & (joined < until)]
        yaw = headings.after_gap(jump.role, tracks, mount, inside, side=prepared.side, rigid=prepared.repaired.rigid)
        if yaw is None:
            tracks[jump.role] = track
            continue
        whole = yaw @ turn
        borders = track.start_s + track.period_s * np.arange(len(track.attitude))
        attitude = np.where((borders >= jump.t_s)[:, None, None], whole @ track.attitude, track.attitude)
        tracks[jump.role] = replace(track, attitude=attitude)
        out[i] = log(whole)
    return out


def _hand_from_flat_poses(prepared: Prepared, windows: Sequence[Window], forearm: Array) -> Array | None:
    """First guess of the hand's mounting (3, 3) where it never hung but was held flat beside a forearm whose
    mounting is known: that pose shows the thumb's side, and the rest is how the wrist twists least in the swings.
    None where there is no such pose, or no swing to try it on."""
    flat = [h for w in windows for h in w.holds if h.name in ("handshake", "grip_flat") and "hand" in h.accel]
    motions: list[tuple[Array, Array]] = []
    for window in windows:
        t = window.grip_s[:: max(1, len(window.grip_s) // 60)]  # the grip is watched in swings
        if len(t) >= 20 and len(motions) < 4:
            f, h = (_levelled(prepared, window, r)[0].at(t) for r in ("forearm", "hand"))  # type: ignore[arg-type]
            motions.append((f @ forearm, h))
    if not flat or not motions:
        return None
    side = prepared.side
    thumb = side * np.mean([h.accel["hand"] / np.linalg.norm(h.accel["hand"]) for h in flat], axis=0)
    start = np.eye(3)[int(np.argmin(np.abs(thumb)))]
    frame = cal.frame(thumb, 2, start, 1)
    best, best_cost = None, np.inf
    for angle in np.arange(0.0, 2 * np.pi, 15 * DEG):
        c, s = np.cos(angle), np.sin(angle)
        hand = frame @ np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
        cost = sum(headings.untwisted(f, h @ hand, side)[1] for f, h in motions)
        if cost < best_cost:
            best, best_cost = hand, cost
    return best


def _hand_from_flat_grip(
    tracks: Mapping[Role, Track],
    mount: Mapping[str, Array],
    flat: Sequence[Hold],
    side: int,
    sensors: Mapping[Role, Samples],
    window: Window,
) -> Array:
    """Hand coordinates in the club sensor's, from poses in which hand and forearm are in line: the
    forearm is level with the thumb up, so gravity gives one axis and the shaft, which leaves the
    fist in the plane of the thumb, the other."""
    frames = []
    for h in flat:
        up = h.accel["club"] / np.linalg.norm(h.accel["club"])
        s = mount["club"][:, 0]
        # z of the hand is up (right arm) or down (left); y proximal: away from where the shaft points
        z = side * up
        y = -(s - (s @ z) * z)
        y /= np.linalg.norm(y)
        frames.append(np.column_stack([np.cross(y, z), y, z]))
    u, _, vt = np.linalg.svd(np.mean(frames, axis=0))
    return u @ np.diag([1, 1, np.linalg.det(u @ vt)]) @ vt


# ------------------------------------------------------------------------------------------ swings
