"""Measured results made from plausible curves, for states of a page that a recording seldom shows.

The numbers are invented: smooth curves through the events, in the exact types that measuring
returns. Nothing here tells how well measuring works.
"""

from __future__ import annotations

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.spatial.transform import Rotation

from imu.measured import Event, Measurement, SensorReport, Swing, SwingTrace, Value, Verdict
from imu.recording import ANGLES, EVENTS

PHASES_S = (0.0, 0.18, 0.27, 0.16, 0.31, 0.11, 0.09, 0.06, 0.05, 0.38)  # seconds before each event

CURVES = {
    "wrist_flexion": (-15, -14, -13, -17, -21, -10, 1, 6, -9, -24),
    "wrist_deviation": (14, 11, -6, -17, -24, -27, -14, 10, 6, -12),
    "forearm_roll": (0, 6, 34, 52, 64, 58, 30, -12, -64, -92),
    "face_to_forearm": (4, 5, 8, 12, 17, 9, 3, 3, 6, 2),
    "face_since_address": (0, 3, 60, 88, 80, 85, 62, 2, -60, -80),
    "face_roll": (0, 2, 40, 60, 75, 66, 40, 1, -55, -80),
    "shaft_elevation": (-52, -50, 0, 55, -6, 42, 0, -50, 0, 30),
    "shaft_off_plane": (0, 0, -2, 3, 4, 6, 4, 1, -3, -8),
}
U95 = {
    "wrist_flexion": (3, 3, 3, 3, 3, 4, 4, 5, 7, 8),
    "wrist_deviation": (3, 3, 4, 4, 5, 5, 5, 6, 8, 9),
    "forearm_roll": (4, 4, 6, 8, 9, 9, 9, 9, 11, 12),
    "face_to_forearm": (3, 3, 3, 4, 4, 4, 4, 4, 6, 8),
    "face_since_address": (1, 1, 3, 3, 3, 3, 3, 4, 6, 8),
    "face_roll": (1, 1, 2, 3, 3, 3, 3, 4, 5, 6),
    "shaft_elevation": (1, 1, 1, 2, 2, 2, 2, 2, 3, 4),
    "shaft_off_plane": (1, 1, 2, 2, 3, 3, 3, 3, 4, 5),
}
BANDS = {
    "wrist_flexion@shaft_level_back": (-20, 0),
    "wrist_flexion@arm_level_back": (-15, 3),
    "wrist_flexion@top": (-10, 4),
    "wrist_flexion@arm_level_down": (-8, 6),
    "wrist_flexion@shaft_level_down": (-6, 11),
    "face_to_forearm@top": (-5, 12),
    "shaft_past_level@top": (-15, 2),
}
NEAR_SQUARE = ("address", "takeaway", "impact")  # where a horizontal face angle means something
ARM_DEG = (0, 0, 45, 90, 125, 90, 40, -5, -50, -140)
CLUB_DEG = (0, 0, 90, 165, 276, 200, 90, 0, -90, -240)


def verdict(value: Value, low: float, high: float) -> str:
    if value.value_deg is None or value.u95_deg is None:
        return "unsure"
    lower, upper = value.value_deg - value.u95_deg, value.value_deg + value.u95_deg
    if lower >= low and upper <= high:
        return "inside"
    return "below" if upper < low else "above" if lower > high else "unsure"


def swing(
    index: int = 1,
    *,
    shift_deg: float = 0.0,
    grade: str = "good",
    kind: str = "full",
    without: tuple[str, ...] = (),
    unreached: tuple[str, ...] = (),
    clipped_after: str | None = None,
    bands: dict[str, tuple[float, float]] | None = None,
    left_handed: bool = False,
    rate_hz: float = 200.0,
) -> Swing:
    """One swing; `shift_deg` moves the wrist, `without` names sensors that were not worn."""
    times = 4.0 + 11.0 * index + np.cumsum(PHASES_S)
    t = np.arange(times[0] - 0.1, times[-1] + 0.1, 1 / rate_hz)
    events = {
        name: Event(None, "the club was not followed that far") if name in unreached else Event(float(s))
        for name, s in zip(EVENTS, times, strict=True)
    }
    needs = {"wrist": {"forearm", "hand"}, "forearm": {"forearm"}, "face": {"club"}, "shaft": {"club"}}
    lost_from = times[EVENTS.index(clipped_after)] if clipped_after else np.inf

    def curve(table: tuple[float, ...]) -> np.ndarray:
        return PchipInterpolator(times, table)(np.clip(t, times[0], times[-1]))

    angles: dict[str, dict[str, Value]] = {}
    traces: dict[str, np.ndarray] = {}
    u95: dict[str, np.ndarray] = {}
    for angle in ANGLES:
        missing = needs[angle.split("_")[0]] & set(without)
        per: dict[str, Value] = {}
        if angle == "shaft_past_level":
            source, spread = "shaft_elevation", "shaft_elevation"
        else:
            source = spread = angle
        y = curve(CURVES[source]) + (shift_deg if angle == "wrist_flexion" else 0.0)
        u = curve(U95[spread])
        if angle.startswith(("face", "shaft")) and np.isfinite(lost_from):
            y = np.where(t > lost_from, np.nan, y)
        if missing:
            y, u = np.full_like(t, np.nan), np.full_like(t, np.nan)
        for k, event in enumerate(EVENTS):
            if event in unreached:
                per[event] = Value(None, None, f"{event} was not reached")
            elif missing:
                per[event] = Value(None, None, f"no {sorted(missing)[0]} sensor")
            elif angle.startswith(("face", "shaft")) and times[k] > lost_from:
                per[event] = Value(None, None, "club sensor clipped at impact")
            elif angle == "face_since_address" and event not in NEAR_SQUARE:
                per[event] = Value(None, None, "only near address and impact")
            elif angle == "shaft_past_level":
                per[event] = Value(6.0, 2.0) if event == "top" else Value(None, None, "only at the top")
            else:
                per[event] = Value(
                    float(CURVES[angle][k]) + (shift_deg if angle == "wrist_flexion" else 0.0), float(U95[angle][k])
                )
        angles[angle] = per
        if angle != "shaft_past_level":
            traces[angle], u95[angle] = y, np.where(np.isfinite(y), u, np.nan)
    if grade == "poor":
        angles = {a: {e: Value(None, None, "the forearm sensor clipped") for e in per} for a, per in angles.items()}

    verdicts = {
        key: Verdict(
            low, high, "invented for this test", verdict(angles[key.split("@")[0]][key.split("@")[1]], low, high)
        )
        for key, (low, high) in (BANDS if bands is None else bands).items()
    }
    changes = {"wrist_flexion": {"top..shaft_level_down": Value(22.0, 2.0)}}
    return Swing(
        index=index,
        kind=kind,
        ball=True,
        grade=grade,
        reasons=() if grade == "good" else ("the forearm sensor clipped in the downswing",),
        events=events,
        angles=angles,
        changes=changes,
        tempo={"backswing_s": 0.74, "downswing_s": 0.26, "ratio": 2.85},
        bands=verdicts,
        trace=SwingTrace(
            t,
            traces,
            u95,
            _pose(
                curve(ARM_DEG),
                curve(CLUB_DEG),
                curve(CURVES["wrist_flexion"]),
                curve(CURVES["forearm_roll"]),
                left_handed,
                without,
            ),
        ),
    )


def _pose(arm_deg, club_deg, flexion_deg, roll_deg, left_handed, without) -> dict[str, np.ndarray]:
    """Forearm, hand and club in a tilted plane about a still shoulder."""
    side = 1.0 if left_handed else -1.0  # the backswing leaves the target
    down, away = np.array([0.0, 0.5 * side * -1, -np.sqrt(0.75)]), np.array([side * -1.0 * -1, 0.0, 0.0])
    down = np.array([0.0, -0.5 if not left_handed else 0.5, -np.sqrt(0.75)])
    away = np.array([-1.0, 0.0, 0.0])

    def along(deg: np.ndarray) -> np.ndarray:
        r = np.radians(deg)[:, None]
        return np.cos(r) * down + np.sin(r) * away

    normal = np.cross(down, away)
    arm, club = along(arm_deg), along(club_deg)
    # Forearm: Y towards the elbow, X palmar: away from the target at address, turned by the roll.
    y = -arm
    x0 = np.cross(normal, y)
    forearm = Rotation.from_matrix(np.stack([x0, y, np.cross(x0, y)], axis=2))
    turn = Rotation.from_rotvec(np.radians(roll_deg)[:, None] * np.array([0.0, 1.0, 0.0]))
    forearm = forearm * turn
    hand = forearm * Rotation.from_rotvec(np.radians(flexion_deg)[:, None] * np.array([0.0, 0.0, 1.0]))
    n = np.cross(normal, club)
    grip = Rotation.from_matrix(np.stack([club, n, np.cross(club, n)], axis=2))
    q = {"forearm": forearm, "hand": hand, "club": grip}
    return {k: v.as_quat(scalar_first=True) for k, v in q.items() if k not in without}


def sensor(role: str) -> SensorReport:
    return SensorReport(role, 200.0, 52000, 12, 0, 31 if role == "club" else 0, 0.0123, 14.0, (0.4, -0.2, 0.1), False)


def measurement(n: int = 22, *, handedness: str = "left", without: tuple[str, ...] = ()) -> Measurement:
    """A set of swings of every kind: out, in and unsure at the top, a poor one, a rehearsal."""
    rng = np.random.default_rng(7)
    shifts = np.round(rng.normal(6, 6, n), 1)
    if n >= 14:
        shifts[13] = 0.0
    swings = []
    for i in range(1, n + 1):
        swings.append(
            swing(
                i,
                shift_deg=float(shifts[i - 1]),
                grade="poor" if i == 8 else "fair" if i == 5 else "good",
                kind="slow" if i == 3 else "full",
                clipped_after="impact" if i in (14, 15) else None,
                unreached=("finish",) if i == 16 else (),
                without=without,
                left_handed=handedness == "left",
            )
        )
    return Measurement(
        handedness=handedness,
        club="7-iron",
        sensors=tuple(sensor(r) for r in ("forearm", "hand", "club") if r not in without),
        warnings=("club: 31 samples at the limit of the accelerometer",),
        swings=tuple(swings),
    )
