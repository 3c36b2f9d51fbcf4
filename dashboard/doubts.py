"""What a swing's reading does not tell, said in lines: pure, from results to words."""

from __future__ import annotations

from collections.abc import Iterable

from dashboard.figures import NUMBERS
from dashboard.sentence import sided
from dashboard.words import because, listed, reasons, say, within
from imu.measured import Measurement, Swing, Value
from imu.recording import EVENTS, ROLES
from imu.words import capital

NEEDS = {
    "hand": ("wrist_flexion", "wrist_deviation"),
    "forearm": ("wrist_flexion", "wrist_deviation", "forearm_roll", "face_to_forearm"),
    "club": (
        "face_to_forearm",
        "face_since_address",
        "face_roll",
        "shaft_elevation",
        "shaft_past_level",
        "shaft_off_plane",
    ),
}
"""What each sensor is needed for."""


def doubts(swing: Swing, measurement: Measurement) -> list[str]:
    """Lines for "Not known", what matters most first; never empty."""
    worn = {sensor.role for sensor in measurement.sensors}
    lines = []
    for role in ROLES:
        lost = [a for a in NEEDS[role] if not any(v.known for v in swing.angles.get(a, {}).values())]
        if role not in worn and lost:
            names = listed([within(say(f"angle.{a}")) for a in lost])
            lines.append(say("unknown.no_sensor", role=say(f"role.{role}"), angles=names))
    lines += _unread(swing, worn)
    lines += [
        say("unknown.edge", angle=say(f"angle.{angle}"), at=say(f"at.{event}"), value=sided(angle, value))
        for angle, event, value in _unsure(swing)
    ]
    lines += _unreached(swing)
    face = swing.angles.get("face_since_address", {}).get("impact", Value(None))
    if face.value_deg is not None and face.u95_deg is not None:
        if abs(face.value_deg) <= face.u95_deg:
            lines.append(say("unknown.square", value=sided("face_since_address", face)))
        lines.append(say("unknown.aim"))
    marks = {mark for per in swing.angles.values() for value in per.values() for mark in value.marks}
    lines += [say(f"unknown.{mark}") for mark in ("via_grip", "zero_frame", "zero_guessed") if mark in marks]
    if any(v.known for v in swing.angles.get("forearm_roll", {}).values()):
        lines.append(say("unknown.roll"))
    alike = [s for s in measurement.swings if s.kind == swing.kind]
    if len(alike) > 1:
        lines.append(say("unknown.habit", n=len(alike)))
    return lines or [say("unknown.nothing")]


def _unread(swing: Swing, worn: Iterable[str]) -> list[str]:
    """Values that are missing although sensor and event are there: one line a reason."""
    if swing.grade == "poor":
        return [say("unknown.values", angles=capital(say("swing.poor")), reason=listed(reasons(swing.reasons)))]
    by_reason: dict[str, list[tuple[str, str]]] = {}
    for angle in NUMBERS:
        per = swing.angles.get(angle, {})
        if angle in ("face_since_address", "shaft_past_level"):
            # These have a meaning at a few events only; elsewhere nothing is missing.
            per = {e: v for e, v in per.items() if e in (("impact",) if angle.startswith("face") else ("top",))}
        for event in EVENTS:
            value = per.get(event)
            reached = event in swing.events and swing.events[event].t_s is not None
            if value is not None and not value.known and reached and value.reason:
                by_reason.setdefault(value.reason, []).append((angle, event))
    absent = [role for role in ROLES if role not in worn]
    lines = []
    for reason, places in by_reason.items():
        angles = list(dict.fromkeys(a for a, _ in places))
        if any(set(angles) <= set(NEEDS[role]) for role in absent):
            continue  # said already: the sensor is not worn
        events = list(dict.fromkeys(e for _, e in places))
        names = listed([say(f"angle.{a}") if n == 0 else within(say(f"angle.{a}")) for n, a in enumerate(angles)])
        if len(events) == 1:
            names = f"{names} {say(f'at.{events[0]}')}"
        lines.append(say("unknown.values", angles=names, reason=because(reason).rstrip(".")))
    return lines


def _unsure(swing: Swing) -> list[tuple[str, str, Value]]:
    found = []
    for key, band in swing.bands.items():
        angle, _, event = key.partition("@")
        if event not in EVENTS:
            continue
        value = swing.angles.get(angle, {}).get(event, Value(None))
        if band.verdict == "unsure" and value.known:
            found.append((angle, event, value))
    return sorted(found, key=lambda f: (NUMBERS.index(f[0]), EVENTS.index(f[1])))


def _unreached(swing: Swing) -> list[str]:
    by_reason: dict[str, list[str]] = {}
    for event in EVENTS:
        found = swing.events.get(event)
        if found is not None and found.t_s is None:
            by_reason.setdefault(because(found.reason), []).append(say(f"event.{event}"))
    return [
        say("unknown.events", events=listed(events), reason=reason.rstrip(".")) for reason, events in by_reason.items()
    ]
