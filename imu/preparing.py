"""A recording made ready for the fit: clocks aligned, gaps filled, swings and poses found, mountings guessed; and what is
doubtful about it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from imu import calibration as cal
from imu import swing
from imu.errors import CupbowError, RecordingError
from imu.fit import DEG, Hold
from imu.recording import Array, Recording, Role
from imu.repair import Repaired, Rigid, held_together, repair, rigid_map
from imu.timebase import ClockFit, Samples, align, uniform

if TYPE_CHECKING:
    from imu.saved_calibration import Calibration


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
    blind = [(lo, hi) for lo, hi, sd in repaired.guessed.get(primary, ()) if sd > WIDE_GAP]
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
        on = all_on(sensors, r.takeaway_s - 1.0, r.finish_s)
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


def all_on(sensors: Mapping[Role, Samples], start_s: float, end_s: float) -> tuple[Role, ...]:
    """The sensors that recorded during nearly all of a stretch."""
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


def exchanged(prepared: Prepared) -> list[str]:
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


def swing_windows(prepared: Prepared) -> list[tuple[float, float]]:
    """Stretch of every swing with rests on both sides, as far as there are any within reach."""
    first = max(s.start_s for s in prepared.sensors.values())
    last = min(s.end_s for s in prepared.sensors.values())
    out = []
    for r in prepared.rough:
        start, end = r.takeaway_s - 2.0, r.finish_s + 1.5
        while r.takeaway_s - start < 8.0 and not rested(prepared, prepared.primary, start, r.takeaway_s):
            start -= 1.0
        while end - r.finish_s < 6.0 and not rested(prepared, prepared.primary, r.finish_s, end):
            end += 1.0
        out.append((max(first, start), min(last, end)))
    return out


WIDE_GAP = 8 * DEG
"""A turn in a gap that is known worse than this says nothing of where the sensor points beyond it."""


def rested(prepared: Prepared, role: Role, start_s: float, end_s: float) -> bool:
    """Whether a sensor lay still for a fifth of a second in all within a stretch."""
    samples, still = prepared.sensors[role], prepared.calm[role].still
    lo, hi = samples.index(start_s), samples.index(end_s)
    return bool(np.count_nonzero(still[lo:hi]) * samples.period_s > 0.2)
