"""Real recordings with a reference for the orientation, and how far an estimate is from it.

The files are described, with their licences, in the README beside them in the folder `CUPBOW_DATA`.
Errors as the benchmark of Laidig, Caruso, Cereatti & Seel (2021), Data 6(7):72 splits them: the error
rotation in the earth frame has a part about the vertical (heading) and the rest (inclination).
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from scipy.spatial.transform import Rotation

from imu.orientation import FILTERS, filtered, level_start, strapdown

DATA = Path(os.environ.get("CUPBOW_DATA", Path(__file__).parents[3] / "shared" / "data"))
LOGGERS = Path(__file__).parents[1] / "data" / "loggers"

Array = np.ndarray[Any, np.dtype[np.float64]]
Estimate = Callable[[Array, Array, float], Rotation]  # gyro, accel, period -> sensor to earth


@dataclass(frozen=True, eq=False)
class Truthful:
    """One sensor with a reference orientation, sensor to earth; errors count where `use`."""

    period_s: float
    gyro: Array
    accel: Array
    reference: Rotation
    use: np.ndarray[Any, np.dtype[np.bool_]]
    still_s: float  # the recording starts with so long a rest; 0: none


def optical() -> Truthful:
    """A minute of fast rotations with breaks, against cameras (BROAD, trial 9)."""
    import pandas as pd

    table = pd.read_csv(DATA / "broad_trial09_60s.csv")
    t = table["time (s)"].to_numpy()
    q = Rotation.from_quat(table[[f"opt_q{c}" for c in "wxyz"]].to_numpy(), scalar_first=True)
    return Truthful(
        float(np.mean(np.diff(t))),
        table.filter(like="gyr_").to_numpy(),
        table.filter(like="acc_").to_numpy(),
        q,
        table["movement"].to_numpy() == 1,
        9.5,
    )


def wrist() -> tuple[Truthful, Truthful]:
    """Forearm and hand of one arm, with the orientations that the device itself made (no truth)."""
    import pandas as pd

    table = pd.read_csv(DATA / "wrist_forearm_hand_60s.csv").iloc[11:]

    def one(name: str) -> Truthful:
        def columns(kind: str, parts: str) -> Array:
            return table[[f"{name}_{kind}{p}" for p in parts]].to_numpy(float)

        reference = Rotation.from_quat(columns("q", "wxyz"), scalar_first=True)
        return Truthful(
            0.01, columns("gyr_", "xyz"), columns("acc_", "xyz"), reference, np.ones(len(table), np.bool_), 4.5
        )

    return one("forearm"), one("hand")


def logger() -> Truthful:
    """A general logger's export (tests/data/loggers), with the orientation that the device made with its
    magnetometer (no truth)."""
    import pandas as pd

    table = pd.read_csv(LOGGERS / "data_xsens.txt.gz", sep="\t", comment="/", skipinitialspace=True, index_col=False)
    q = table[[f"Quat_{c}" for c in "wxyz"]].to_numpy(float)
    gyro, accel = (table[[f"{k}_{c}" for c in "XYZ"]].to_numpy(float) for k in ("Gyr", "Acc"))
    return Truthful(0.02, gyro, accel, Rotation.from_quat(q, scalar_first=True), np.ones(len(table), np.bool_), 0.0)


def estimates() -> dict[str, Estimate]:
    """Every way to an attitude that needs one sensor alone."""

    def bare(gyro: Array, accel: Array, period_s: float) -> Rotation:
        first = level_start(accel[: round(0.5 / period_s)])
        return Rotation.from_matrix(first @ strapdown(gyro, period_s)[1:])

    def by(name: str) -> Estimate:
        return lambda gyro, accel, period_s: Rotation.from_quat(
            filtered(name, gyro, accel, period_s), scalar_first=True
        )

    return {"strapdown": bare, **{name: by(name) for name in FILTERS}}


def estimated(estimate: Estimate, true: Truthful, *, bias: bool = True) -> Rotation:
    """What a way to an attitude makes of a recording; with `bias`, that of the first rest is taken out."""
    n = round(true.still_s / true.period_s)
    rest = true.gyro[:n].mean(axis=0) if bias and n else np.zeros(3)
    return estimate(true.gyro - rest, true.accel, true.period_s)


def heading_of(error: Rotation) -> Array:
    q = error.as_quat(scalar_first=True)
    turn = 2 * np.arctan2(q[..., 3], q[..., 0])
    return np.asarray((turn + np.pi) % (2 * np.pi) - np.pi)


def inclination_of(error: Rotation) -> Array:
    q = error.as_quat(scalar_first=True)
    return np.asarray(2 * np.arccos(np.clip(np.hypot(q[..., 0], q[..., 3]), 0, 1)))


def errors(estimate: Rotation, true: Truthful) -> dict[str, float]:
    """RMS of inclination, of heading less its mean, and of both, in deg; and by how much the heading
    drifts in a minute (slope of a line through it)."""
    error = estimate * true.reference.inv()
    turn = np.unwrap(heading_of(error))
    mean = float(np.angle(np.mean(np.exp(1j * turn[true.use]))))
    left = (Rotation.from_rotvec([0.0, 0.0, -mean]) * error)[true.use]
    t = true.period_s * np.flatnonzero(true.use)
    rms = {"inclination": inclination_of(left), "heading": heading_of(left), "total": left.magnitude()}
    out = {name: float(np.degrees(np.sqrt(np.mean(x**2)))) for name, x in rms.items()}
    return out | {"drift_per_min": float(np.degrees(np.polyfit(t, turn[true.use], 1)[0] * 60))}


def between(forearm: Rotation, hand: Rotation, true: tuple[Truthful, Truthful]) -> float:
    """RMS angle (deg) between the estimated and the reference hand-in-forearm rotation, after one constant
    turn of the hand about the vertical has been taken out."""
    wanted = true[0].reference.inv() * true[1].reference
    # R_f^T Rz(h) R_h nearest to the reference: Rz(h) nearest to R_f ref R_h^T
    m = (forearm * wanted * hand.inv()).as_matrix().mean(axis=0)
    turn = Rotation.from_rotvec([0.0, 0.0, np.arctan2(m[1, 0] - m[0, 1], m[0, 0] + m[1, 1])])
    left = (forearm.inv() * turn * hand) * wanted.inv()
    return float(np.degrees(np.sqrt(np.mean(left.magnitude() ** 2))))
