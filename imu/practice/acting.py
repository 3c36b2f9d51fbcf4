"""Virtual students: motions that act out each drill, for tests and for a first look without sensors.

`act` writes a recording: the calibration, the range shown, then each block of a session as one who does
it well, off to either side, on the edge of the band, with a sensor that is lost, or until it hurts.
`Student` taps as that student would. `imu.readers.virtual` plays the recording.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy import optimize

from imu import simulate
from imu.practice import drill as drills
from imu.practice.drill import Drill
from imu.readers.virtual import Outage
from imu.recording import Handedness, Pose, Recording

ACTS = ("good", "low", "high", "unsure", "lost", "hurts")
RANGE_DEG = (-55.0, 50.0)
OFF_DEG = 14.0  # past the edge of the band
DEG = np.pi / 180

_TOP = {"swing": 165.0, "tilt": 40.0, "roll": 85.0, "deviation": -14.0}  # degrees; any top will do
_JOINT = {"wrist_flexion": "flexion", "wrist_deviation": "deviation"}


@dataclass(frozen=True)
class Part:
    """Some tries of a drill, acted from `start_s` to `end_s` of the recording's own time."""

    drill: str  # "" for the range
    act: str
    start_s: float
    end_s: float
    hurts_s: float | None = None


@dataclass(frozen=True, eq=False)
class Acted:
    """A recording, what is acted in it when, and when a sensor is away."""

    recording: Recording
    parts: tuple[Part, ...]
    outages: tuple[Outage, ...] = ()
    calibrated_s: float = 0.0  # the calibration is over

    def at(self, t_s: float) -> Part | None:
        return next((p for p in self.parts if p.start_s <= t_s < p.end_s), None)


def act(
    blocks: Sequence[tuple[Drill, str]],
    *,
    handedness: Handedness = "right",
    own: tuple[float, float] = RANGE_DEG,
    shown_range: bool = True,
    spare: int = 1,
    seed: int = 1,
) -> Acted:
    """A recording in which each drill is acted as its act says, as many times as it has tries and `spare`
    times more. The same seed gives the same samples."""
    rng = np.random.default_rng(seed)
    script = simulate.Script(simulate.Player(handedness=handedness), "7-iron", rng)
    script.calibrate()
    calibrated = script.now
    script.hold(1.0)
    parts: list[Part] = []
    outages: list[Outage] = []
    if shown_range:
        start = script.now
        _bend(script, own)
        parts.append(Part("", "good", start, script.now))
    for one, how in blocks:
        start, hurts = script.now, None
        for k in range(one.tries + spare):
            began = script.now
            held = _TRIES[one.kind](script, one, "good" if how in ("lost", "hurts") else how, own)
            if k == 1 and how == "lost":
                outages.append(Outage("hand", held, script.now))
            if k == 1 and how == "hurts":
                hurts = began + 1.0
        parts.append(Part(one.name, how, start, script.now, hurts))
    script.hold(2.0)
    motion = script.motion()
    errors = simulate.SensorErrors(drift_ppm=0.0, loss=0.0, start_s=0.0)
    sensed = {r: simulate.sense(motion, r, errors, rng, first=True) for r in simulate.SEGMENTS}
    shift = sensed["forearm"].start_s
    return Acted(
        recording=Recording(
            streams={r: s.stream for r, s in sensed.items()},
            handedness=handedness,
            club="7-iron",
            poses=tuple(Pose(p.name, p.start_s - shift, p.end_s - shift) for p in motion.poses),
        ),
        parts=tuple(Part(p.drill, p.act, p.start_s - shift, p.end_s - shift, _less(p.hurts_s, shift)) for p in parts),
        outages=tuple(Outage(o.role, o.start_s - shift, o.end_s - shift) for o in outages),
        calibrated_s=calibrated - shift,
    )


def _less(x: float | None, shift: float) -> float | None:
    return None if x is None else x - shift


@dataclass(eq=False)
class Student:
    """Taps as the student of a recording would: `tap(state, t_s)` with what a screen was sent."""

    acted: Acted
    _guess: Mapping[str, str] = field(default_factory=lambda: {"low": "low", "high": "high"})

    def tap(self, state: Mapping[str, Any], t_s: float) -> tuple[str, dict[str, Any]] | None:
        part, stage = self.acted.at(t_s), state["stage"]
        if stage == "cautions":
            return "cautions_read", {}
        if stage == "range":
            shown = next((p for p in self.acted.parts if not p.drill), None)
            if shown is None or (t_s >= shown.end_s and not state["range"]["enough"]):
                return "range_skip", {}
            return ("range_done", {}) if t_s >= shown.end_s - 0.3 else None
        if stage in ("done", "hurt") or state["drill"] is None:
            return None
        if part is not None and part.hurts_s is not None and t_s >= part.hurts_s:
            return "hurts", {"text": "on the little finger's side"}
        name = state["drill"]["name"]
        if part is not None and part.drill == name:
            if stage == "ready":
                return "begin", {}
            if stage == "ask":
                return "guess", {"side": self._guess.get(part.act, "in")}
            return None
        later = any(p.drill == name and p.start_s > t_s for p in self.acted.parts)
        return None if later else ("skip", {})


# -- motions ---------------------------------------------------------------------------------------
def _wrist(one: Drill, how: str, own: tuple[float, float]) -> float:
    """The angle at which it is held, degrees."""
    assert one.band is not None
    band = drills.within_comfort(one.angle, one.band, own) or one.band if not one.is_change else one.band
    low, high = band
    return {"good": (low + high) / 2, "low": low - OFF_DEG, "high": high + OFF_DEG, "unsure": high}[how]


def _posture(script: simulate.Script, share: float, wrist: Mapping[str, float]) -> dict[str, float]:
    """On the way from address to the top: 0 to 1."""
    there = {joint: x * DEG for joint, x in _TOP.items()}
    at = {
        j: script.address[j] + share * (there[j] - script.address[j]) if j in there else x
        for j, x in script.address.items()
    }
    return {**at, **{joint: x * DEG for joint, x in wrist.items()}}


def _level(script: simulate.Script, wrist: Mapping[str, float]) -> float:
    """The share of the way at which the shaft is first level."""
    shares = np.linspace(0.05, 0.9, 40)
    heights = [script.shaft_elevation(_posture(script, float(u), wrist)) for u in shares]
    k = next((i for i in range(1, len(shares)) if heights[i - 1] < 0 <= heights[i]), None)
    if k is None:
        raise ValueError("the shaft is never level on this way")
    return float(
        optimize.brentq(lambda u: script.shaft_elevation(_posture(script, u, wrist)), shares[k - 1], shares[k])
    )


def _joint(one: Drill) -> str:
    if one.angle not in _JOINT:
        raise ValueError(f"no one acts out {one.angle}; a wrist angle can be acted")
    return _JOINT[one.angle]


def _bend(script: simulate.Script, own: tuple[float, float]) -> None:
    for x in (own[0], own[1], 0.0):
        script.move({"flexion": x * DEG}, 1.4)
        script.hold(0.7)
    script.move(script.rest, 1.0)


def _hold(script: simulate.Script, one: Drill, how: str, own: tuple[float, float]) -> float:
    wrist = {_joint(one): _wrist(one, how, own)}
    script.move(_posture(script, 0.6, wrist), 1.8)
    held = script.now
    script.hold((one.hold_s if how == "good" else 2 * one.hold_s) + 1.6)
    script.move(script.rest, 1.8)
    script.hold(0.4)
    return held


def _ends(script: simulate.Script, one: Drill, how: str, own: tuple[float, float]) -> float:
    bands = drills.end_bands(one.angle, own, share=one.share)
    joint, held = _joint(one), 0.0
    at = script.rest
    for k, (low, high) in enumerate(bands):
        middle = {"good": (low + high) / 2, "low": low - OFF_DEG / 2, "high": high + OFF_DEG / 2, "unsure": high}[how]
        at = _posture(script, 0.6, {joint: middle})
        script.move(at, 1.8)
        held = script.now if k == 0 else held
        script.hold(one.hold_s + 1.2)
    script.move(script.rest, 1.8)
    script.hold(0.4)
    return held


def _slow(script: simulate.Script, one: Drill, how: str, own: tuple[float, float]) -> float:
    wrist = {_joint(one): _wrist(one, how, own)}
    level, held = _level(script, wrist), 0.0
    for stop in one.stops:
        share = 1.0 if stop in ("top", "arm_level_back", "arm_level_down") else level if "shaft_level" in stop else 0.15
        script.move(_posture(script, share, wrist), 2.2)
        held = script.now if stop == one.event else held
        script.hold(one.hold_s + 0.9)
    script.move(script.rest, 1.6)
    script.hold(0.4)
    return held


def _carry(script: simulate.Script, one: Drill, how: str, own: tuple[float, float]) -> float:
    joint, start = _joint(one), -8.0
    script.move(_posture(script, 1.0, {joint: start}), 2.6)
    held = script.now
    script.hold(one.hold_s + 0.9)
    end = {joint: start + _wrist(one, how, own)}
    script.move(_posture(script, _level(script, end) * 0.94, end), 2.6)
    script.hold(0.8)
    script.move(script.rest, 1.2)
    script.hold(0.4)
    return held


def _full(script: simulate.Script, one: Drill, how: str, own: tuple[float, float]) -> float:
    flexion = _wrist(one, how, own) if one.angle == "wrist_flexion" and one.event == "top" else -12.0
    script.swing(simulate.SwingPlan(flexion_top=flexion, flexion_shaft_level=flexion))
    script.hold(3.0)
    return script.now - 6.0


_TRIES = {"hold": _hold, "ends": _ends, "slow": _slow, "carry": _carry, "full": _full}
