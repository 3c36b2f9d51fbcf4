"""Measured lessons made of numbers alone, with a known truth: what comparisons are tested on.

Nothing here measures anything: a lesson is a mean a measure, a spread from swing to swing, and one
draw of the zero for each calibration, which every swing of it carries.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from imu.measured import Event, Measurement, SensorReport, Swing, SwingTrace, Value, Verdict

K = 1.959964
TIMES = {
    "address": 0.0,
    "takeaway": 0.3,
    "shaft_level_back": 0.62,
    "arm_level_back": 0.85,
    "top": 1.15,
    "arm_level_down": 1.27,
    "shaft_level_down": 1.34,
    "impact": 1.40,
}
WRIST = {
    "address": -15.0,
    "takeaway": -15.0,
    "shaft_level_back": -17.0,
    "arm_level_back": -20.0,
    "top": -23.0,
    "arm_level_down": -15.0,
    "shaft_level_down": -6.0,
    "impact": 3.0,
}
OTHERS = {"face_to_forearm@top": 18.0, "shaft_past_level@top": 9.0}
BANDS = {"wrist_flexion@top": (-10.0, 4.0), "face_to_forearm@top": (-4.0, 8.0), "shaft_past_level@top": (-8.0, 2.0)}


def sensors(rate: float = 200.0) -> tuple[SensorReport, ...]:
    return tuple(
        SensorReport(r, rate, 9000, 0, 0, 0, 0.0, 0.0, (0.1, 0.0, 0.0), False) for r in ("forearm", "hand", "club")
    )


def lesson(
    rng: np.random.Generator,
    *,
    n: int = 12,
    wrist: float = 0.0,
    others: Mapping[str, float] | None = None,
    sd: float = 4.0,
    zero_sd: float = 3.0,
    club: str = "7-iron",
    kind: str = "full",
    bands: bool = False,
    traces: bool = False,
    top_only: float = 0.0,
    split: bool = True,
    marks: tuple[str, ...] = (),
) -> Measurement:
    """`wrist` lifts the true wrist angle everywhere, `top_only` around the top; `others` lift the
    other measures. One calibration: its zero is drawn here."""
    zero = {a: rng.normal(0.0, zero_sd) for a in ("wrist_flexion", "face_to_forearm", "shaft_past_level")}
    u95 = K * float(np.hypot(zero_sd, 0.5))
    zero_u95 = K * zero_sd if split else None
    swings = []
    for i in range(n):
        start = 5.0 + 12.0 * i
        lift, late = rng.normal(0.0, sd), rng.normal(0.0, 0.35 * sd)
        stretch = 1.0 + rng.normal(0.0, 0.02)
        names = list(TIMES)
        wave = np.array([0, 0, 0.3, 0.8, 1.0, 0.6, 0.2, 0.0])
        true = np.array([WRIST[k] for k in names]) + wrist + top_only * wave + lift + late * np.arange(8) / 7
        values = dict(zip(names, true + zero["wrist_flexion"], strict=True))
        angles = {"wrist_flexion": {k: Value(v, u95, None, marks, zero_u95) for k, v in values.items()}}
        for key, mean in OTHERS.items():
            angle, event = key.split("@")
            own = mean + (others or {}).get(key, 0.0) + zero[angle] + rng.normal(0.0, sd)
            angles[angle] = {event: Value(own, u95, None, marks, zero_u95)}
        times = {k: start + stretch * t for k, t in TIMES.items()}
        trace = None
        if traces:
            t = np.arange(start - 0.2, start + 1.7, 0.005)
            y = np.interp(t, list(times.values()), list(values.values()))
            y = np.convolve(np.pad(y, 6, mode="edge"), np.ones(13) / 13, mode="valid")
            trace = SwingTrace(t, {"wrist_flexion": y}, {"wrist_flexion": np.full_like(y, u95)})
        swings.append(
            Swing(
                index=i + 1,
                kind=kind,
                ball=True,
                grade="good",
                reasons=(),
                events={k: Event(v) for k, v in times.items()},
                angles=angles,
                changes={
                    "wrist_flexion": {
                        "top..shaft_level_down": Value(
                            values["shaft_level_down"] - values["top"], 1.2, zero_u95_deg=0.0 if split else None
                        )
                    }
                },
                tempo={"backswing_s": 0.85 * stretch, "downswing_s": 0.25 * stretch, "ratio": 3.4},
                bands={k: Verdict(lo, hi, "coach", "unsure") for k, (lo, hi) in BANDS.items()} if bands else {},
                trace=trace,
            )
        )
    return Measurement("right", club, sensors(), (), tuple(swings))
