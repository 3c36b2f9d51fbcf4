"""Measured swings made of numbers, with a known cause behind face and shaft: what the chain of causes is tested on.

Nothing here measures anything. Face and shaft follow from wrist and roll by the slopes given; what the model lacks is
noise. The reading errs by itself (`own`) and by one zero a calibration, which all its swings share.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from scipy.spatial.transform import Rotation

from imu.compare import Part, SwingSet
from imu.library import Library, filing, finding
from imu.measured import Event, Measurement, Stance, Swing, Value, Verdict
from tests.lessons import TIMES, K, sensors
from tests.library_case import recording_folder

MEANS = {
    "wrist_flexion@top": -22.0,
    "wrist_flexion@top..shaft_level_down": 8.0,
    "forearm_roll@shaft_level_down": 45.0,
    "wrist_deviation@top": -15.0,
    "face_to_forearm@top": 18.0,
    "face_to_forearm@shaft_level_down": 10.0,
    "shaft_off_plane@shaft_level_down": 12.0,
    "face_since_address@impact": 6.0,
    "shaft_past_level@top": 4.0,
}
SLOPES = {
    ("wrist_flexion@top", "face_to_forearm@top"): -0.9,
    ("wrist_flexion@top", "face_to_forearm@shaft_level_down"): -0.8,
    ("wrist_flexion@top..shaft_level_down", "face_to_forearm@shaft_level_down"): -0.8,
    ("forearm_roll@shaft_level_down", "shaft_off_plane@shaft_level_down"): 0.5,
}
BANDS = {"wrist_flexion@top": (-10.0, 10.0), "face_to_forearm@top": (-10.0, 10.0)}
SPREAD = {"wrist_flexion@top": 4.0, "wrist_flexion@top..shaft_level_down": 3.0, "forearm_roll@shaft_level_down": 5.0,
          "wrist_deviation@top": 3.0}  # fmt: skip


def taught(
    rng: np.random.Generator,
    *,
    n: int = 16,
    slopes: Mapping[tuple[str, str], float] = SLOPES,
    noise: float = 2.0,
    own: float = 0.0,
    zero: float = 3.0,
    together: float = 0.0,
    shift: Mapping[str, float] | None = None,
    drift: float = 0.0,
    without: Sequence[str] = (),
    grade: str = "good",
    bands: Mapping[str, tuple[float, float]] = BANDS,
    handedness: str = "right",
    attitudes: bool = False,
) -> Measurement:
    """`together` is the correlation of the causes; `drift` lets all measures wander, each its own way; `without` are
    angles that no sensor gave; `shift` moves means."""
    names = list(SPREAD)
    within = np.full((len(names), len(names)), together) + (1 - together) * np.eye(len(names))
    sd = np.array([SPREAD[k] for k in names])
    moves = rng.multivariate_normal(np.zeros(len(names)), within * np.outer(sd, sd), n)
    zeros = {a: rng.normal(0.0, zero) for a in dict.fromkeys(k.partition("@")[0] for k in MEANS)}
    wander = {k: rng.choice([-1.0, 1.0]) * drift for k in MEANS}
    swings = []
    for i in range(n):
        true = {k: MEANS[k] + (shift or {}).get(k, 0.0) + wander[k] * (i - n / 2) for k in MEANS}
        moved = dict(zip(names, moves[i], strict=True))
        for k in names:
            true[k] += moved[k]
        for (cause, effect), slope in slopes.items():
            true[effect] += slope * moved[cause]
        for k in MEANS:
            if k not in SPREAD:
                true[k] += rng.normal(0.0, noise)
        made = _swing(rng, i + 1, true, zeros, own, zero, without, grade, bands)
        swings.append(replace(made, stances=_stances(handedness)) if attitudes else made)
    return Measurement(handedness, "7-iron", sensors(), (), tuple(swings))


def _swing(rng, index, true, zeros, own, zero, without, grade, bands) -> Swing:
    angles: dict[str, dict[str, Value]] = {}
    changes: dict[str, dict[str, Value]] = {}
    errors: dict[str, float] = {}

    def read(angle: str, value: float, *, shared: bool = True, e: float | None = None) -> Value:
        if angle in without:
            return Value(None, None, "no hand sensor")
        err = rng.normal(0.0, own) if e is None else e
        part = zero if shared else 0.0
        spread = own * (1.0 if shared else np.sqrt(2.0))
        return Value(
            value + err + (zeros[angle] if shared else 0.0), K * float(np.hypot(part, spread)), None, (), K * part
        )

    for key, value in true.items():
        angle, _, at = key.partition("@")
        if ".." not in at:
            errors[key] = rng.normal(0.0, own)
            angles.setdefault(angle, {})[at] = read(angle, value, e=errors[key])
    for key, value in true.items():
        angle, _, at = key.partition("@")
        first, dots, second = at.partition("..")
        if dots:
            late = rng.normal(0.0, own)
            start = f"{angle}@{first}"
            angles[angle][second] = read(angle, true[start] + value, e=late)
            changes.setdefault(angle, {})[at] = read(angle, value, shared=False, e=late - errors[start])
    start = 5.0 + 12.0 * index
    return Swing(
        index=index,
        kind="full",
        ball=True,
        grade=grade,
        reasons=() if grade != "poor" else ("clipped",),
        events={k: Event(start + t) for k, t in TIMES.items()},
        angles=angles,
        changes=changes,
        tempo={"backswing_s": 0.85, "downswing_s": 0.25, "ratio": 3.4},
        bands={k: Verdict(lo, hi, "coach", "unsure") for k, (lo, hi) in bands.items()},
    )


FOREARM_SHAFT_DEG = {"top": 100.0, "shaft_level_down": 110.0, "impact": 155.0}


def _stances(handedness: str) -> dict[str, Stance]:
    """A wrist that is flat, the club leaving the fist on the thumb side at so many degrees from the forearm, the face
    along the back of the hand; the arm somewhere in space, the same in every swing."""
    radial = 1.0 if handedness == "left" else -1.0  # X palmar, Y proximal, Z radial on a right arm
    out = {}
    for event, deg in FOREARM_SHAFT_DEG.items():
        forearm = Rotation.from_euler(
            "zyx", [20.0, {"top": 100.0, "shaft_level_down": 40.0}.get(event, 5.0), 60.0], True
        )
        s = np.array([0.0, np.cos(np.radians(deg)), radial * np.sin(np.radians(deg))])
        n = np.array([-1.0, 0.0, 0.0])
        club = forearm * Rotation.from_matrix(np.stack([s, n, np.cross(s, n)], axis=1))
        address = Rotation.from_matrix(np.stack([[0.0, 0.6, -0.8], [1.0, 0.0, 0.0], [0.0, -0.8, -0.6]], axis=1))
        q = {"forearm": forearm, "hand": forearm, "club": club, "club_at_address": address}
        turns = {k: r.as_quat(scalar_first=True) for k, r in q.items()}
        out[event] = Stance(turns, np.eye(12) * np.radians(1.0) ** 2)
    return out


def group(label: str, *measurements: Measurement) -> SwingSet:
    return SwingSet(label, tuple(Part(m, f"{label} {i}", lesson=label) for i, m in enumerate(measurements)))


@dataclass(frozen=True)
class Turned:
    turn: str
    angle: str
    per_10_deg: Value


def geometry(u95: float = 1.0, table: Mapping[tuple[str, str], float] | None = None):
    """Stands in for the what-if model: slopes by (turn, angle), in deg per deg."""
    known = table or {
        ("wrist_flexion", "face_to_forearm"): -0.85,
        ("wrist_flexion", "shaft_off_plane"): -0.3,
        ("wrist_flexion", "shaft_past_level"): 0.05,
        ("wrist_flexion", "face_since_address"): -0.4,
        ("wrist_deviation", "shaft_past_level"): -0.9,
        ("forearm_roll", "shaft_off_plane"): 0.5,
        ("forearm_roll", "face_since_address"): 0.9,
    }

    def effects(measurement: Measurement, swing: Swing, event: str) -> list[Turned]:
        return [Turned(t, a, Value(10 * v, u95)) for (t, a), v in known.items()]

    return effects


def blind(measurement: Measurement, swing: Swing, event: str) -> list[Turned]:
    """A model that knows nothing."""
    return []


def file_lessons(library: Library, place: Path, student: str) -> None:
    """Two lessons of a right-handed student, each ball's start noted: right where the face was more open than usual."""
    for seed, day in ((1, 3), (2, 17)):
        folder = recording_folder(place / f"r{seed}", seed=seed, handedness="right", day=day, rows=3)
        added = filing.add_recording(library, folder, student_id=student)
        m = taught(np.random.default_rng(seed), n=14, zero=0.5, attitudes=True)
        filing.store_measurement(library, added.recording.id, m, code="1")
    for f in finding.measured_swings(library, finding.Wanted(student_id=student)):
        face = f.measured.angles["face_since_address"]["impact"].value_deg
        filing.set_outcome(library, f.line.id, filing.Outcome(start="right" if face > 6 else "left"))
