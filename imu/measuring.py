"""The one pipeline: a recording in, measured swings out.

align -> repair -> find swings -> windows -> first guess -> joint fit -> events -> angles -> bands.
Command line, dashboard, live view and library all call `measure_recording`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage
from scipy.spatial.transform import Rotation
from threadpoolctl import threadpool_limits

from imu import calibration as cal
from imu import filtering, headings, kinematics, self_calibration, straps, swing
from imu.bands import judged
from imu.contact import Expected, contact
from imu.errors import CupbowError, RecordingError
from imu.fit import ALIKE, DEG, LOST_TURN, Axis, Beliefs, Hold, Problem, Slip, Solution, State, Window, exp, log
from imu.measured import Event, Measurement, SensorReport, Stance, Swing, SwingTrace, Value
from imu.orientation import Track
from imu.posture import wrist_angles
from imu.recording import ANGLES, EVENTS, Array, Handedness, Recording, Role
from imu.repair import Repaired, Rigid, held_together, repair, rigid_map
from imu.timebase import ClockFit, Samples, align, uniform

if TYPE_CHECKING:
    from imu.bands import Bands
    from imu.saved_calibration import Calibration

Progress = Callable[[float, str], None]

CHANGES = (("address", "top"), ("address", "impact"), ("top", "shaft_level_down"), ("shaft_level_down", "impact"))
"""Changes between events that are reported: the pose error cancels in them."""


def measure(
    path: Path | str,
    *,
    handed: Handedness | None = None,
    roles: Role | Mapping[str, Role] | None = None,
    calibration: Calibration | Path | str | None = None,
    bands: Bands | Path | str | None = None,
    method: str = "fit",
    progress: Progress | None = None,
) -> Measurement:
    """Measures a recording folder or file.

    `handed`, `roles`: for files without a manifest. `calibration`: a saved one (or its file): all of
    it serves a recording without poses, its sensors' part also one that has its own. `bands`: target
    bands, else the shipped ones. `method`: the joint fit, or to compare with it another of
    `imu.filtering.METHODS`. Raises CupbowError with one line for what the user can mend.
    """
    from imu import readers

    recording = readers.read(path, handed=handed, roles=roles)
    return measure_recording(recording, calibration=calibration, bands=bands, method=method, progress=progress)


@dataclass(frozen=True, eq=False)
class Prepared:
    """A recording on one clock, repaired, with what stood still and what swung."""

    sensors: dict[Role, Samples]
    clocks: Mapping[Role, ClockFit]
    calm: Mapping[Role, cal.Quiet]
    repaired: Repaired
    primary: Role
    rough: list[swing.Rough]
    side: int  # +1 right lead arm, -1 left
    holds: list[Hold]
    doubts: list[str]
    guess: cal.Mounting
    calibration: Calibration | None = None  # what of a saved one serves this recording
    aside: Mapping[tuple[Role, ...], list[swing.Rough]] = field(default_factory=dict)  # swings with a sensor off


def prepare(recording: Recording, calibration: Calibration | None = None) -> Prepared:
    """Aligned, repaired, searched for rests, poses and swings. Of a saved calibration the mounting
    serves where the recording has no poses of its own."""
    streams = recording.streams
    if not streams:
        raise RecordingError(f"{recording.path}: no sensor data; name at least one [[sensor]] with its file")
    if calibration is not None:
        calibration = _serving(recording, calibration)
    single = {r: uniform(s) for r, s in streams.items()}
    # all times count from the first sample of the first sensor, on its clock made uniform
    base = single[recording.first_role].start_s
    aligned, clocks = align({r: s.counted_from(base) for r, s in single.items()})
    repaired = repair(aligned)
    sensors = repaired.sensors
    calm = {r: cal.quiet(s) for r, s in sensors.items()}
    primary: Role = next(r for r in ("club", "hand", "forearm") if r in sensors)  # type: ignore[misc]
    side = 1 if recording.handedness == "left" else -1
    poses = recording.poses
    found: list[str] = []
    known = calibration is not None and calibration.has_mounting
    if not poses and not known:
        firsts = swing.find(sensors[primary], calm[primary])
        quick = [r.takeaway_s for r in firsts if r.peak_rate > 500 * DEG]
        until = quick[0] if quick else sensors[primary].end_s
        poses = tuple(cal.find_poses(sensors, calm, until))
        if poses:
            found = ["poses found from the motion: " + ", ".join(f"{p.name} at {p.start_s:.1f} s" for p in poses)]
    holds, doubts = cal.held(poses, sensors, calm)
    doubts = found + doubts
    guess = cal.mounting(sensors, holds, side=side)
    if calibration is not None and known:
        lacks = {r: f"the saved calibration has no {r} sensor" for r in sensors if r not in calibration.mount}
        guess = cal.Mounting(calibration.mount, lacks | dict(calibration.missing or {}))
        if not calibration.mount:
            doubts.append("of the saved calibration nothing fits what is worn here; hold the poses again")
    shaft = guess.mount["club"][:, 0] if "club" in guess.mount else None
    busy = [(lo, hi - 1.5) for lo, hi in cal.stretches(holds)]
    if found:  # the slow bends and rolls after poses that nobody marked look like rehearsals
        end = min(until - 1.0, poses[-1].end_s + _FUNCTIONAL_S)
        turns = cal.rolls(sensors["forearm"], calm["forearm"], poses[-1].end_s, end, None)
        busy += [(poses[0].start_s, min(end, max(a.t_s for a in turns) + 6.0))] if turns else []
    rough = swing.find(sensors[primary], calm[primary], shaft=shaft if primary == "club" else None, busy=busy)
    # what the primary missed, off or blind, the next sensor saw
    blind = [(lo, hi) for lo, hi, sd in repaired.guessed.get(primary, ()) if sd > _WIDE_GAP]
    for role in ("hand", "forearm"):
        if role not in sensors or role == primary:
            continue
        for r in swing.find(sensors[role], calm[role], busy=busy):  # type: ignore[index]
            unseen = not _on(sensors[primary], r.takeaway_s - 1.0, r.finish_s) or any(
                r.takeaway_s < hi and lo < r.finish_s for lo, hi in blind
            )
            rivals = [x for x in rough if x.takeaway_s < r.finish_s and r.takeaway_s < x.finish_s]
            if not unseen and (rivals or not _hidden(sensors, repaired.rigid, r, shaft)):
                continue
            if not any(abs(x.top_s - r.top_s) < 0.15 for x in rivals):
                rough = [x for x in rough if x not in rivals] + [r]
        break
    if repaired.rigid is not None:
        hand, club = sensors["hand"], sensors["club"]
        held = [held_together(repaired.rigid, hand, club, r.takeaway_s, r.finish_s) for r in rough]
        if np.mean(held or [True]) >= 0.5:  # else the sensors sit otherwise than they are named
            rough = [r for r, together in zip(rough, held, strict=True) if together]
    rough = sorted(swing.begun_alike(rough, list(sensors.values())), key=lambda r: r.takeaway_s)
    aside: dict[tuple[Role, ...], list[swing.Rough]] = {}
    for r in list(rough):
        on = _all_on(sensors, r.takeaway_s - 1.0, r.finish_s)
        if len(on) < len(sensors):
            rough.remove(r)
            if on:
                aside.setdefault(on, []).append(r)
    for role, s in sensors.items():
        off = [r for on, swings in aside.items() if role not in on for r in swings]
        if off:
            doubts.append(
                f"the {role} sensor was on from {max(0.0, s.start_s):.0f} to {s.end_s:.0f} s only; "
                f"{len(off)} {'swing is' if len(off) == 1 else 'swings are'} measured without it"
            )
    return Prepared(
        sensors=sensors,
        clocks=clocks,
        calm=calm,
        repaired=repaired,
        primary=primary,
        rough=rough,
        side=side,
        holds=holds,
        doubts=doubts,
        guess=guess,
        calibration=calibration,
        aside=aside,
    )


_FUNCTIONAL_S = 30.0
"""The functional motions come within this after the last pose of the forearm."""


def _hidden(sensors: Mapping[Role, Samples], rigid: Rigid | None, r: swing.Rough, shaft: Array | None) -> bool:
    """Whether a turn that the hand saw is a swing that the club's sensor hides, by a packet out of place: at speed, hand
    and club as one body, the club's head down before it."""
    if rigid is None or shaft is None or r.peak_rate < swing.GENTLE:
        return False
    club = sensors["club"]
    before = club.accel[club.index(r.takeaway_s - 0.2) : club.index(r.takeaway_s) + 1].mean(axis=0)
    return bool(before @ shaft / np.linalg.norm(before) < swing.LEAST_DOWN)


def _on(samples: Samples, start_s: float, end_s: float) -> bool:
    """Whether a sensor was on all the while (lost samples do not count as off), but for the last half second."""
    return samples.start_s < start_s and samples.end_s > end_s - 0.5


def _all_on(sensors: Mapping[Role, Samples], start_s: float, end_s: float) -> tuple[Role, ...]:
    return tuple(role for role, s in sensors.items() if _on(s, start_s, end_s))


def _serving(recording: Recording, calibration: Calibration) -> Calibration | None:
    """The part of a saved calibration that this recording can use. Raises CupbowError where the two
    cannot belong together."""
    if not set(calibration.roles) & set(recording.streams):
        raise CupbowError(
            f"{recording.path}: the saved calibration knows {', '.join(calibration.roles)}, the recording has "
            f"{', '.join(recording.streams)}; use the one made with these sensors"
        )
    if recording.poses:
        calibration = calibration.sensors_part()
    elif calibration.has_mounting and calibration.handedness != recording.handedness:
        raise CupbowError(
            f"{recording.path}: the golfer is {recording.handedness}-handed, the saved calibration was made "
            f"with a {calibration.handedness}-handed one; hold the poses again"
        )
    elif calibration.club and recording.club and calibration.club != recording.club:
        # another shaft, with its sensor strapped on anew and its own place in the hand
        gone = {"mount:club", "grip", *(("mount:hand",) if calibration.via_grip else ())}
        why = f"the saved calibration was made with another club ({calibration.club}); hold club_square and club_hang"
        calibration = replace(
            calibration.only([n for n, _ in calibration.names if n not in gone]),
            missing=dict(calibration.missing or {}) | {"club": why},
            face_known=False,
            own_flat=False,
        )
    calibration = calibration.worn(tuple(recording.streams))
    return calibration if calibration.names else None


def _exchanged(prepared: Prepared) -> list[str]:
    """Whether the sensors were put on in each other's place: hand and club turn as one body in a swing,
    the forearm does not turn with either."""
    sensors = prepared.sensors
    if len(sensors) < 3 or not prepared.rough:
        return []
    spans = [(r.takeaway_s, r.finish_s) for r in prepared.rough]
    bodies = {r: _within(s, spans) for r, s in sensors.items()}

    def unlike(a: Role, b: Role) -> float:
        found = rigid_map(bodies[a], bodies[b])
        return found.relative_error if found is not None and found.agreement > 0.5 else 1.0

    if unlike("hand", "club") < 0.1:
        return []
    for stranger, (a, b) in {"hand": ("forearm", "club"), "club": ("forearm", "hand")}.items():
        if unlike(a, b) < 0.05:  # type: ignore[arg-type]
            return [
                f"the sensors named {a} and {b} turn as one body in the swings, {stranger} does not: the sensors of "
                f"{stranger} and forearm look exchanged; check the roles, and hold the poses again"
            ]
    return []


def _within(samples: Samples, spans: Sequence[tuple[float, float]]) -> Samples:
    inside = np.zeros(len(samples), bool)
    for lo, hi in spans:
        inside[samples.index(lo) : samples.index(hi) + 1] = True
    return replace(samples, present=samples.present & inside)


_HOLDS_DIFFER = 2.77 * 3.0 * DEG
"""Two holds of a wrist against a ruler, each within 3 deg, differ by less in 95 of 100 (Weir 2005,
doi:10.1519/15184.1: 1.96 sqrt 2)."""


def _poses_that_disagree(fitted: Fitted) -> list[str]:
    """Flat wrists that cannot all have been flat."""
    solution = fitted.solution
    if solution is None or not solution.problem.wrist:
        return []
    seen = []
    for w, window in enumerate(solution.problem.windows):
        tracks = solution.tracks(w)
        gripped = solution.problem.hand_role == "club"
        for hold in window.holds:
            if hold.name == "grip_flat" or (hold.name == "handshake" and not gripped):
                t = np.array([hold.t_s])
                f, _ = solution.problem.segment(solution.state, w, "forearm", tracks, t, jacobian=False)
                h, _ = solution.problem.segment(solution.state, w, "hand", tracks, t, jacobian=False)
                seen.append((hold, wrist_angles(f, h, solution.problem.side)[0, 1:]))
    out = []
    for i, what in enumerate(("flexion", "deviation")):
        if len(seen) < 2:
            break
        order = sorted(seen, key=lambda s: s[1][i])
        (low, a), (high, b) = order[0], order[-1]
        if b[i] - a[i] > _HOLDS_DIFFER:
            out.append(
                f"{low.name} at {low.t_s:.0f} s and {high.name} at {high.t_s:.0f} s differ by "
                f"{np.degrees(b[i] - a[i]):.0f}° in wrist {what}: one of them was not flat; hold them again, with the ruler"
            )
    return out


def _strap_doubts(fitted: Fitted, calibration: Calibration | None, recording: Recording) -> list[str]:
    """Whether the straps sit as they did when the saved calibration was made, as far as the
    recording's own poses tell."""
    if calibration is None or not recording.poses or fitted.solution is None or not fitted.solution.state.mount:
        return []
    if calibration.handedness != recording.handedness:
        return []
    from imu.saved_calibration import Calibration, strapped_otherwise

    return strapped_otherwise(calibration, Calibration.of(fitted, handedness=recording.handedness))


# ----------------------------------------------------------------------------------------- windows
def swing_windows(prepared: Prepared) -> list[tuple[float, float]]:
    """Stretch of every swing with rests on both sides, as far as there are any within reach."""
    first = max(s.start_s for s in prepared.sensors.values())
    last = min(s.end_s for s in prepared.sensors.values())
    out = []
    for r in prepared.rough:
        start, end = r.takeaway_s - 2.0, r.finish_s + 1.5
        while r.takeaway_s - start < 8.0 and not _rested(prepared, prepared.primary, start, r.takeaway_s):
            start -= 1.0
        while end - r.finish_s < 6.0 and not _rested(prepared, prepared.primary, r.finish_s, end):
            end += 1.0
        out.append((max(first, start), min(last, end)))
    return out


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


def measure_recording(
    recording: Recording,
    *,
    calibration: Calibration | Path | str | None = None,
    bands: Bands | Path | str | None = None,
    method: str = "fit",
    progress: Progress | None = None,
) -> Measurement:
    """Measures a recording that has been read: every swing in it, with events, angles and bands."""
    progress = progress or (lambda share, what: None)
    # Matrices here are small: more threads than one cost more than they bring.
    with threadpool_limits(limits=1):
        return _measured(recording, _loaded(calibration, recording), bands, filtering.known_method(method), progress)


def calibrate(recording: Recording, calibration: Calibration | Path | str | None = None) -> Calibration:
    """The calibration that a recording with poses holds, to be saved for those that follow while the
    straps stay on. `calibration`: an earlier one whose sensors' part is to be kept and sharpened.
    Raises CupbowError where the poses are missing."""
    from imu.saved_calibration import Calibration

    with threadpool_limits(limits=1):
        fitted = fit_recording(prepare(recording, _loaded(calibration, recording)))
    try:
        return Calibration.of(fitted, handedness=recording.handedness, club=recording.club)
    except CupbowError as error:
        raise RecordingError(f"{recording.path}: {error}") from None


def _loaded(calibration: Calibration | Path | str | None, recording: Recording) -> Calibration | None:
    if isinstance(calibration, str | Path) and (Path(calibration).suffix == ".toml" or Path(calibration).is_dir()):
        from imu.sensor_calibration import for_recording

        return for_recording(calibration, recording)
    if isinstance(calibration, str | Path):
        from imu.saved_calibration import load_calibration

        return load_calibration(calibration)
    return calibration


def _measured(
    recording: Recording,
    calibration: Calibration | None,
    bands: Bands | Path | str | None,
    method: str,
    progress: Progress,
) -> Measurement:
    prepared = prepare(recording, calibration)
    progress(0.3, "fitting")
    fitted = fit_recording(prepared, method=method)
    slipped = _slips_of_one_body(fitted)
    if slipped:
        prepared = prepare(_turned_back(recording, fitted, slipped), calibration)
        again = [s for s in fitted.slips if not np.isfinite(s.t_s)]  # put on anew since a saved calibration
        again += [replace(fitted.slips[i], turn=np.zeros(3)) for i in slipped]
        found = [_slip_said(fitted.solution, i) for i in slipped if fitted.solution]
        fitted = fit_recording(prepared, method=method, known_slips=again)
        fitted = replace(fitted, doubts=[*fitted.doubts, *found])
    progress(0.8, "angles")
    warnings = [
        *recording.warnings,
        *fitted.doubts,
        *_exchanged(prepared),
        *_poses_that_disagree(fitted),
        *(_strap_doubts(fitted, calibration, recording) if method == "fit" else []),
    ]
    swings = _swings_of(fitted)
    swings += _while_some_were_off(prepared, fitted, recording, method)
    swings = [replace(s, index=i) for i, s in enumerate(sorted(swings, key=_top_of), start=1)]
    if _turn_the_other_way(fitted):
        other = "left" if recording.handedness == "right" else "right"
        said = (
            f"the swings turn as a {other}-handed golfer's do, and every sign depends on it: check the handedness, "
            "and that the accelerometers show +1 g on the axis that points up"
        )
        warnings.append(said)
        swings = [replace(s, grade="poor", reasons=(*s.reasons, said)) for s in swings]
    if method != "fit":
        swings = [filtering.with_bench_u95(s, method) for s in swings]
        warnings.append(
            f"attitudes by {method}; ± is what it showed on the bench, for the joint fit leave --method out"
        )
    swings = [judged(s, bands, club=recording.club) for s in swings]
    return Measurement(
        handedness=recording.handedness,
        club=recording.club,
        sensors=tuple(_report(recording, prepared, fitted, r) for r in prepared.sensors),
        warnings=tuple(warnings),
        swings=tuple(swings),
    )


def _slips_of_one_body(fitted: Fitted) -> list[int]:
    """Slips of hand or club where both are worn: what one of the two lost was filled by the other as if neither had."""
    if fitted.prepared.repaired.rigid is None:
        return []
    return [i for i, s in enumerate(fitted.slips) if s.role != "forearm" and np.isfinite(s.t_s)]


def _turned_back(recording: Recording, fitted: Fitted, which: Sequence[int]) -> Recording:
    """The recording as if the sensors that slipped had not: what they felt since is turned into their old axes."""
    assert fitted.solution is not None
    streams = dict(recording.streams)
    for i in which:
        slip, s = fitted.slips[i], streams[fitted.slips[i].role]
        own = [k for k in which if fitted.slips[k].role == slip.role]
        until = next((fitted.slips[k].t_s for k in own if k > i), np.inf)
        t = s.t_s - s.t_s[0] + fitted.prepared.sensors[slip.role].start_s
        since = (t >= slip.t_s) & (t < until)
        back = exp(fitted.solution.state.slipped[i])  # x @ R is R^T x
        streams[slip.role] = replace(
            s,
            gyro=np.where(since[:, None], s.gyro @ back, s.gyro),
            accel=np.where(since[:, None], s.accel @ back, s.accel),
        )
    return replace(recording, streams=streams)


def _turn_the_other_way(fitted: Fitted) -> bool:
    """Whether the downswings turn about the vertical as those of a golfer of the other hand: seen from above a
    right-handed one turns counter-clockwise towards the target."""
    if fitted.solution is None or not fitted.swing_windows:
        return False
    wrong = []
    for w, rough in zip(fitted.swing_windows, fitted.prepared.rough, strict=True):
        track = fitted.solution.tracks(w)[fitted.prepared.primary]
        t = np.linspace(rough.top_s, rough.impact_s, 60)
        rate = np.einsum("nij,nj->ni", track.at(t), track.rate(t))[:, 2]
        turn = -fitted.prepared.side * float(np.mean(rate)) * (rough.impact_s - rough.top_s)
        wrong.append(np.sign(turn) if abs(turn) > 40 * DEG else 0.0)
    return sum(wrong) <= -max(1, len(wrong) // 2)


def _swings_of(fitted: Fitted) -> list[Swing]:
    return [
        measured_swing(fitted, w, rough, index)
        for index, (w, rough) in enumerate(zip(fitted.swing_windows, fitted.prepared.rough, strict=True), start=1)
    ]


def _top_of(measured: Swing) -> float:
    top = measured.events["top"].t_s
    assert top is not None
    return top


def _while_some_were_off(prepared: Prepared, fitted: Fitted, recording: Recording, method: str) -> list[Swing]:
    """The swings during which a sensor was off: measured by the recording without it.

    Its own poses calibrate that as well; where they lack the flat grip by which the club stands in for
    the hand, what the swings of all sensors taught does.
    """
    from imu.saved_calibration import Calibration

    out: list[Swing] = []
    for roles in prepared.aside:
        streams = {r: s for r, s in recording.streams.items() if r in roles}
        poses, calibration = recording.poses, prepared.calibration
        taught = prepared.rough and fitted.solution is not None and fitted.solution.state.mount
        if taught and not any(p.name == "grip_flat" for p in poses):
            poses, calibration = (), Calibration.of(fitted, handedness=recording.handedness, club=recording.club)
        # times there count on the clock of the first sensor that was on
        lead = prepared.sensors[next(iter(streams))]
        start, pace = lead.start_s, lead.period_s / lead.own_period_s
        there = tuple(replace(p, start_s=(p.start_s - start) / pace, end_s=(p.end_s - start) / pace) for p in poses)
        again = prepare(replace(recording, streams=streams, poses=there), calibration)
        mine = [
            r
            for r in again.rough
            if _all_on(prepared.sensors, start + pace * (r.takeaway_s - 1.0), start + pace * r.finish_s) == roles
        ]
        found = _swings_of(fit_recording(replace(again, rough=mine, aside={}), method=method))
        out += [_on_clock(s, start, pace) for s in found]
    return out


def _on_clock(measured: Swing, start_s: float, pace: float) -> Swing:
    """The swing with its times put on another clock."""
    if start_s == 0.0 and pace == 1.0:
        return measured
    events = {
        name: event if event.t_s is None else replace(event, t_s=start_s + pace * event.t_s)
        for name, event in measured.events.items()
    }
    trace = measured.trace
    return replace(
        measured, events=events, trace=None if trace is None else replace(trace, t_s=start_s + pace * trace.t_s)
    )


def _report(recording: Recording, prepared: Prepared, fitted: Fitted, role: Role) -> SensorReport:
    samples = prepared.sensors[role]
    first = recording.first_role
    offset = drift = 0.0
    if role != first:
        # our fit says t_first = t_own + ...; the report says how far the sensor's clock is ahead
        fit = prepared.clocks[role]
        extra = fitted.solution.state.clock.get(role, np.zeros(2)) if fitted.solution else np.zeros(2)
        drift = -(fit.drift + extra[1])
        offset = -(fit.offset_s + extra[0])
    bias = fitted.solution.state.bias[role] if fitted.solution else prepared.calm[role].bias
    stream = recording.streams[role]
    return SensorReport(
        role=role,
        rate_hz=samples.rate_hz,
        samples=len(stream),
        lost=samples.lost,
        clipped_gyro=int(np.count_nonzero(samples.clipped_gyro.any(axis=1))),
        clipped_accel=int(np.count_nonzero(samples.clipped_accel.any(axis=1))),
        clock_offset_s=offset,
        clock_drift_ppm=drift * 1e6,
        gyro_bias_dps=tuple(np.degrees(bias)),
        units_inferred=stream.units_inferred,
    )


# --------------------------------------------------------------------------------------------- fit
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
        doubts += [_slip_said(solution, i) for i, s in enumerate(solution.problem.slips) if s not in known_slips]
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


def _slip_said(solution: Solution, i: int) -> str:
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
    t = t[_coming_back(t, rough)]
    shaft = tracks["club"].at(t) @ direction
    k = int(np.clip(np.argmax(shaft @ then), 1, len(t) - 2))
    rate = np.linalg.norm(shaft[k + 1] - shaft[k - 1]) / 0.002
    return Expected(float(t[k]), float(np.clip(_LEAN / (rate + 1e-9), 0.004, 0.02)))


def _coming_back(t: Array, rough: swing.Rough) -> np.ndarray:
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
        holes = [g for r in pair for g in prepared.repaired.guessed.get(r, ()) if g[2] > _WIDE_GAP]
        holes = sorted(g for g in holes if window.start_s < g[1] and g[0] < window.end_s)
        starts = [window.start_s, *(hi for _, hi, _ in holes)]
        ends = [*(lo for lo, _, _ in holes), window.end_s]
        for lo, hi in zip(starts, ends, strict=True):
            part = t[(t > lo) & (t < hi)]
            if len(part) < 15 or (holes and not all(_rested(prepared, r, lo, hi) for r in pair)):
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


_WIDE_GAP = 8 * DEG


def _first_gap(prepared: Prepared, window: Window, role: Role) -> float:
    """Until when a sensor's attitude hangs together with the start of the window; its end where there
    is no rest before a gap."""
    wide = [j.t_s for j in window.jumps if j.role == role and j.sd > _WIDE_GAP]
    if wide and _rested(prepared, role, window.start_s, wide[0]):
        return wide[0]
    return window.end_s


def _rested(prepared: Prepared, role: Role, start_s: float, end_s: float) -> bool:
    samples, still = prepared.sensors[role], prepared.calm[role].still
    lo, hi = samples.index(start_s), samples.index(end_s)
    return bool(np.count_nonzero(still[lo:hi]) * samples.period_s > 0.2)


def _across_gaps(prepared: Prepared, window: Window, tracks: dict[Role, Track], mount: Mapping[str, Array]) -> Array:
    """First guess (n, 3) of the turns that were lost in gaps: nothing for narrow ones. After a wide one
    the sensor is levelled anew by a rest there, and takes its heading from the others.

    `tracks` are changed to hold what was found, so that the next gap starts from it.
    """
    out = np.zeros((len(window.jumps), 3))
    wide = [i for i, j in enumerate(window.jumps) if j.sd > _WIDE_GAP]
    for i in wide:
        jump = window.jumps[i]
        until = min(
            [window.jumps[k].t_s for k in wide if window.jumps[k].role == jump.role and k > i] or [window.end_s]
        )
        samples, calm = prepared.sensors[jump.role], prepared.calm[jump.role]
        if not _rested(prepared, jump.role, jump.t_s, until):
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
    for name in ANGLES:
        source = "shaft_elevation" if name == "shaft_past_level" else name
        per: dict[str, Value] = {}
        for event in EVENTS:
            per[event] = _value(fitted, name, source, event, moments, at, sigmas, zeros, place, dense, rough)
        if name == "shaft_past_level":
            per = {"top": per["top"]}
        if solution.problem.believed[w] < 1.0:  # one turn of several that may be: so wide an interval holds but one
            unseen = {e for e, t in known if _turned_unseen(window, name, address, t)}
            per = {
                e: Value(None, None, _LOST_TURN) if e in unseen or _known_to_deg(v) > _LOST_U95_DEG else v
                for e, v in per.items()
            }
        values[name] = per
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
    tempo = _tempo(moments)
    grade, reasons = _grade(fitted, w, values, moments)
    # axes that were guessed are wrong throughout, or not at all
    guessed = any("zero_guessed" in v.marks for v in values["wrist_flexion"].values())
    fault = _BENT_TOO_FAR if _no_wrist(dense, sd) else None
    if guessed:
        fault = fitted.undecided or fault or (_TWISTED if _twisted(solution, w) else None)
    if fault:
        grade, reasons = "poor", [*reasons, fault]
        for name in _REACH:
            nothing = Value(None, None, fault)
            values[name] = {e: nothing if guessed else _within_reach(name, v) for e, v in values[name].items()}
            if guessed and name in changes:
                changes[name] = dict.fromkeys(changes[name], nothing)
    trace = _trace(fitted, w, dense, sd, address, moments, rough)
    stances = _stances(solution, w, at, dense, known, moments)
    peak = rough.peak_rate
    kind = _kind(rough, moments, dense, peak)
    return Swing(
        index=index,
        kind=kind,
        ball=None if shock is None and _shock_hidden(fitted, rough) else shock is not None,
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
            near = _coming_back(t, rough)
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
