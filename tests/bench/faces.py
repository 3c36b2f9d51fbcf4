"""A device on a table: six faces up and known turns, for calibrating one sensor by itself."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from scipy.spatial.transform import Rotation

from tests.bench.player import SENSORS, Rendered
from tests.bench.recording import device, write_folder
from tests.bench.sensors import Delivered, Errors, G, deliver

# face up -> the turn in the device's axes (deg) that brings the next face up, from z up
_FACES = (("+z", "x", 90), ("+y", "x", 90), ("-z", "x", 90), ("-y", "z", 90), ("-x", "z", 180), ("+x", "z", 0))


@dataclass(frozen=True, eq=False)
class FaceRecording:
    """What the device wrote, and what was done: `holds` are (face up, from, to), `turns` (axis, deg, from, to), in
    seconds from the first sample on the device's clock."""

    sensor: Delivered
    holds: tuple[tuple[str, float, float], ...]
    turns: tuple[tuple[str, float, float, float], ...]

    def write(self, folder: Path | str) -> Path:
        folder = write_folder(folder, sensors=(self.sensor,), handedness="right", club="none")
        facts: dict[str, Any] = {"sensor": self.sensor.facts, "holds": self.holds, "turns": self.turns}
        (folder / "truth.json").write_text(json.dumps(facts, indent=1) + "\n", encoding="utf-8")
        return folder


def make_faces(
    *,
    seed: int,
    role: str,
    errors: Errors,
    hold_s: float = 4.0,
    turns: int = 1,
    placed_deg: float = 0.5,
    tipped: bool = False,
) -> FaceRecording:
    """The device that `make_recording` straps on as `role` with this seed and these errors, laid on each of its six
    faces and turned by `turns` whole turns about each axis, upright. `placed_deg` is how far (standard deviation) a
    face is off level. `tipped`: then it is tipped over four edges, back to where it lay, about y and about z. A case
    whose edges are its axes: the mounting of the session is none of it."""
    rng = np.random.default_rng([seed, 8, SENSORS.index(role)])
    step = 0.005
    q = Rotation.identity()  # device to table
    rates, frames = [], []
    holds: list[tuple[str, float, float]] = []
    spins: list[tuple[str, float, float, float]] = []
    now = 0.0

    def turn(axis: np.ndarray, degrees: float, seconds: float) -> None:
        nonlocal q, now
        n = round(seconds / step)
        u = (np.arange(n) + 1.0) / n
        angle = np.deg2rad(degrees) * u**3 * (10 - 15 * u + 6 * u * u)
        rate = np.deg2rad(degrees) * 30 * u * u * (1 - u) ** 2 / (n * step)
        frames.append((q * Rotation.from_rotvec(angle[:, None] * axis)).as_quat(scalar_first=True))
        rates.append(rate[:, None] * axis)
        q = q * Rotation.from_rotvec(np.deg2rad(degrees) * axis)
        now += n * step

    def still(seconds: float) -> tuple[float, float]:
        nonlocal now
        n = round(seconds / step)
        frames.append(np.tile(q.as_quat(scalar_first=True), (n, 1)))
        rates.append(np.zeros((n, 3)))
        now += n * step
        return now - n * step, now

    def wobble() -> None:
        turn(rng.standard_normal(3) * placed_deg, 1.0, 0.3)

    axes = dict(zip("xyz", np.eye(3), strict=True))
    still(0.5)
    for face, axis, degrees in _FACES:
        start, end = still(hold_s)
        holds.append((face, start + 0.3, end - 0.3))
        if face[0] == "+":
            start = now
            turn(axes[face[1]], 360.0 * turns, 2.5 * turns)
            spins.append((face[1], 360.0 * turns, start, now))
            still(1.0)
        if degrees:
            turn(axes[axis], degrees, 1.2)
            wobble()
    for axis in "yz" * tipped:  # x is up: both are level
        for _ in range(4):
            turn(axes[axis], 90, 1.0)
            wobble()
            still(1.0)
    frame = Rotation.from_quat(np.concatenate(frames), scalar_first=True)
    t = step * np.arange(len(frame), dtype=float)
    up = frame.inv().apply([0.0, 0.0, G])
    rendered = Rendered(t, {}, {role: np.concatenate(rates)}, {role: up}, {})
    sensor = deliver(rendered, role, replace(errors, mounting=False, hand_dies=False), device(seed, role))

    def clock(true_s: float) -> float:
        return float(np.interp(true_s, sensor.true_t, sensor.clock) - sensor.clock[0])

    return FaceRecording(
        sensor,
        tuple((f, clock(a), clock(b)) for f, a, b in holds),
        tuple((x, d, clock(a), clock(b)) for x, d, a, b in spins),
    )
