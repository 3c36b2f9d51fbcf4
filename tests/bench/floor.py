"""How well an estimator could do that is told everything but what the gyros did not record.

Each gyro is undone with its true bias, matrix, mounting and clock, starts from the true attitude at address, and is
integrated to the true times of the events. What is left is the floor that sampling, noise, clipping and loss allow a
gyro by itself, without the help of a neighbour or of the rest after the swing.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.spatial.transform import Rotation

from tests.bench.player import Array
from tests.bench.recording import BenchRecording
from tests.bench.score import wrapped
from tests.bench.sensors import DPS, Delivered


def floor(made: BenchRecording, *, recording: int) -> Iterator[dict[str, Any]]:
    """Rows like `Scores.values`: errors in degrees of angle and event, with no u95."""
    sensors = {s.role: s for s in made.sensors}
    frames = made.truth.motion.rendered
    m = made.truth.motion.player.mirror
    for number, swing in enumerate(made.truth.swings, 1):
        at = {e: t for e, t in swing.events.items() if t is not None}
        start, events = at["address"], [e for e in at if e != "finish"]
        times = np.array([at[e] for e in events])
        attitude = {}
        for role, sensor in sensors.items():
            if sensor.true_t[-1] < times[-1]:
                continue
            i = int(np.argmin(np.abs(frames.t - start)))
            first = Rotation.from_quat(frames.q[role][i], scalar_first=True)
            attitude[role] = _integrated(sensor, first, frames.t[i], times).as_matrix()
        got: dict[str, Array] = {}
        if {"forearm", "hand"} <= attitude.keys():
            wrist = np.einsum("nji,njk->nik", attitude["forearm"], attitude["hand"])
            got["wrist_flexion"] = np.arcsin(wrist[:, 1, 0])
            got["wrist_deviation"] = -m * np.arctan2(-wrist[:, 1, 2], wrist[:, 1, 1])
        if "club" in attitude:
            s, n = attitude["club"][:, :, 0], attitude["club"][:, :, 1]
            heading = np.arctan2(n[:, 1], n[:, 0])
            got["face_since_address"] = -m * (heading - heading[0])
            plane = np.cross([n[0, 0], n[0, 1], 0.0], s[0])
            plane *= np.sign(plane[2]) / np.linalg.norm(plane)
            got["shaft_off_plane"] = np.arcsin(s @ plane)
        for angle, values in got.items():
            for event, value in zip(events, np.rad2deg(values), strict=True):
                if angle == "face_since_address" and event not in ("address", "takeaway", "impact"):
                    continue
                name = angle if angle.startswith("wrist") else f"{angle}_at_grip"
                error = wrapped(value - swing.angles[name][event])  # type: ignore[operator]
                yield {
                    "recording": recording,
                    "swing": number,
                    "angle": angle,
                    "event": event,
                    "error": error,
                    "u95": None,
                }


def _integrated(sensor: Delivered, first: Rotation, start: float, times: Array) -> Rotation:
    """Attitude of the segment at sorted `times` (n,), from `first` at `start`, all in true seconds."""
    facts = sensor.facts
    mount = Rotation.from_quat(facts["q_sensor_to_segment"], scalar_first=True)
    raw = sensor.gyro - np.asarray(facts["gyro_bias_dps"]) * DPS
    rate = mount.apply(raw @ np.linalg.inv(np.asarray(facts["gyro_matrix"])).T)
    period = 1 / facts["rate_hz"] / (1 + facts["drift_ppm"] * 1e-6)
    near = (sensor.true_t > start - 1.0) & (sensor.true_t < times[-1] + 1.0)
    every = np.arange(sensor.true_t[near][0], sensor.true_t[near][-1], period)  # lost samples by a curve
    rate = PchipInterpolator(sensor.true_t[near], rate[near])(every)
    # the angle turned in a sample's own period is its mean rate times the period
    q, now = first, start
    out = []
    steps = np.append(every + period / 2, np.inf)
    i = int(np.searchsorted(steps, start))
    for t in times:
        while steps[i] < t:
            q = q * Rotation.from_rotvec(rate[i] * (steps[i] - now))
            now, i = steps[i], i + 1
        q = q * Rotation.from_rotvec(rate[i] * (t - now))
        now = t
        out.append(q)
    return Rotation.concatenate(out)
