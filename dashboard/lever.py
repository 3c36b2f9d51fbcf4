"""The lever of the swing page: what if only the wrist, or only the forearm's roll, were otherwise here?

`lever_figure` holds for each event and turn what `imu.whatif` says at some sizes of the turn; the
script in `assets/lever.js` draws straight lines between them, so that the slider answers at once. Everything
that can't be told carries its reason, and then there is nothing to slide.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from dashboard.figures import Figure
from dashboard.words import because, group, retold, say
from imu.measured import Measurement, Swing, Value
from imu.recording import EVENTS
from imu.whatif import SAYINGS, TURNS, Path, forearm_shaft, paths

REACH_DEG = 30
"""How far the lever goes either way."""

TURNS_DEG = tuple(float(x) for x in range(-REACH_DEG, REACH_DEG + 1, 5))
"""Turns for which changes are computed; straight lines between them err by less than 0.1 deg (where a
shaft passes the vertical, by less than 0.5)."""

DOUBT_DEG = (-30.0, -15.0, 15.0, 30.0)
"""Turns for which the doubt is computed; at no turn there is none."""

HOLE = "{n}"
"""Where the script puts the number."""

LINES = {
    "wrist_flexion": (
        "face_to_forearm",
        "face_since_address",
        "shaft_off_plane",
        "shaft_past_level",
        "shaft_elevation",
    ),
    "wrist_deviation": (
        "face_to_forearm",
        "face_since_address",
        "shaft_off_plane",
        "shaft_past_level",
        "shaft_elevation",
    ),
    "forearm_roll": ("face_roll", "face_since_address", "shaft_off_plane", "shaft_past_level", "shaft_elevation"),
}
"""What is said of each turn, in this order. A roll takes forearm and face along together, so that their
angle says nothing: there it is how far the face rolls about the shaft."""

ALWAYS = ("face_to_forearm", "face_roll", "shaft_off_plane")
"""What is missed where it is not told; the others mean something at some events only."""


def lever_figure(measurement: Measurement, swing: Swing) -> Figure:
    """What the lever of one swing may say, for each event and turn."""
    found = {turn: paths(measurement, swing, turn, np.array(TURNS_DEG), np.array(DOUBT_DEG)) for turn in TURNS}
    return {
        "swing": swing.index,
        "words": {k: text for k, text in group("lever").items() if "." not in k},
        "reach": REACH_DEG,
        "turn_deg": list(TURNS_DEG),
        "doubt_deg": _with_none(list(DOUBT_DEG)),
        "turns": [_turn(turn) for turn in TURNS],
        "events": {event: _event(swing, event, {turn: found[turn][event] for turn in TURNS}) for event in EVENTS},
        "at": {event: say(f"at.{event}") for event in EVENTS},
        "does": {
            angle: [
                say(f"lever.does_minus.{angle}", n=HOLE),
                say(f"lever.does_plus.{angle}", n=HOLE),
                say(f"lever.unsure.{angle}", n=HOLE),
            ]
            for angle in dict.fromkeys(a for lines in LINES.values() for a in lines)
        },
    }


def _turn(turn: str) -> Figure:
    return {
        "key": turn,
        "label": say(f"lever.turn.{turn}"),
        "sides": [say(f"minus.{turn}"), say(f"plus.{turn}")],
        "more": [say(f"lever.more_minus.{turn}", n=HOLE), say(f"lever.more_plus.{turn}", n=HOLE)],
    }


def _with_none(doubts: list[float]) -> list[float]:
    """Turns, or their doubts, with that of no turn in the middle."""
    half = len(doubts) // 2
    return [*doubts[:half], 0.0, *doubts[half:]]


def _event(swing: Swing, event: str, found: Mapping[str, Path | str]) -> Figure:
    arm = forearm_shaft(swing, event)
    return {turn: _place(swing, event, turn, path, arm) for turn, path in found.items()}


def _place(swing: Swing, event: str, turn: str, path: Path | str, arm: Value) -> Figure:
    if isinstance(path, str):
        return {"why": say("lever.none", reason=retold(path))}
    own = swing.angles[turn][event]
    band = swing.bands.get(f"{turn}@{event}")
    told = [angle for angle in LINES[turn] if angle in path.change_deg]
    if "shaft_past_level" in told:  # the same turn of the same shaft, said once
        told.remove("shaft_elevation")
    missed = [
        (a, swing.angles.get(a, {}).get(event, Value(None))) for a in LINES[turn] if a in ALWAYS and a not in told
    ]
    sayings = {s.angle: s.sign for s in SAYINGS if s.turn == turn}
    return {
        "why": None,
        "now": own.value_deg,
        "band": None if band is None else [band.low_deg, band.high_deg],
        "axis": np.round(path.axis, 5).tolist(),
        "arm": [arm.value_deg, arm.u95_deg],
        "lines": [
            {
                "angle": angle,
                "saying": sayings.get(angle, 0),
                "change": np.round(path.change_deg[angle], 2).tolist(),
                "u95": _with_none(np.round(path.u95_deg[angle], 2).tolist()),
            }
            for angle in told
        ],
        "missed": [say("lever.missed", angle=say(f"angle.{a}"), reason=because(v.reason)) for a, v in missed],
    }
