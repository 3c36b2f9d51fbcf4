"""The one pipeline: a recording in, measured swings out.

align -> repair -> find swings -> windows -> first guess -> joint fit -> events -> angles -> bands.
Command line, dashboard, live view and library all call `measure_recording`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from threadpoolctl import threadpool_limits

from imu import filtering
from imu.bands import judged
from imu.errors import CupbowError, RecordingError
from imu.fit import DEG, exp
from imu.fitting import Fitted, fit_recording, slip_said
from imu.measured import Measurement, SensorReport, Swing
from imu.posture import wrist_angles
from imu.preparing import Prepared, all_on, exchanged, prepare
from imu.recording import Handedness, Recording, Role
from imu.swing_values import measured_swing

if TYPE_CHECKING:
    from imu.bands import Bands
    from imu.saved_calibration import Calibration

Progress = Callable[[float, str], None]


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
        found = [slip_said(fitted.solution, i) for i in slipped if fitted.solution]
        fitted = fit_recording(prepared, method=method, known_slips=again)
        fitted = replace(fitted, doubts=[*fitted.doubts, *found])
    progress(0.8, "angles")
    warnings = [
        *recording.warnings,
        *fitted.doubts,
        *exchanged(prepared),
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
            if all_on(prepared.sensors, start + pace * (r.takeaway_s - 1.0), start + pace * r.finish_s) == roles
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
