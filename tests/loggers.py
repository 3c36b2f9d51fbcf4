"""A known motion, and the ways in which loggers write one down.

The motion's attitude is integrated by `scipy.spatial.transform.Rotation`; gravity in the sensor and
the rate of turn are consistent with each other, as in a real sensor, and owe nothing to the readers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

G = 9.80665
Array = NDArray[np.float64]


@dataclass(frozen=True)
class Motion:
    t: Array
    accel: Array  # m/s^2
    gyro: Array  # rad/s
    gravity: Array  # m/s^2, its share of `accel`


def motion(seconds: float = 12.0, rate: float = 100.0, seed: int = 1, peak: float = 2.5) -> Motion:
    """Rests with turns about changing axes between them, and a bump of acceleration in the middle."""
    rng = np.random.default_rng(seed)
    n = int(seconds * rate)
    t = np.arange(n) / rate
    gyro = np.zeros((n, 3))
    for k, centre in enumerate(np.arange(1.5, seconds - 0.5, 2.0)):
        bump = np.exp(-0.5 * ((t - centre) / 0.18) ** 2)
        gyro[:, (k + seed) % 3] += rng.choice([-1, 1]) * rng.uniform(0.7, 1.0) * peak * bump
    attitude = Rotation.from_rotvec([0.3, -0.2, 0.1])
    gravity = np.empty((n, 3))
    for i in range(n):
        gravity[i] = attitude.inv().apply([0.0, 0.0, G])
        attitude = attitude * Rotation.from_rotvec(gyro[i] / rate)
    linear = rng.normal(0, 0.01, (n, 3))
    middle = np.abs(t - seconds / 2) < 0.3
    linear[middle] += rng.normal(0, 3.0, (int(middle.sum()), 3))
    return Motion(t, gravity + linear, gyro + rng.normal(0, 0.002, (n, 3)), gravity)


def columns(*parts: Array) -> list[Array]:
    """Vectors and scalars to a list of columns."""
    return [c for p in parts for c in ([p] if p.ndim == 1 else list(p.T))]


def rows(cells: list[list[str]], delimiter: str = ",", end: str = "\n") -> str:
    return "".join(delimiter.join(row) + end for row in zip(*cells, strict=True))


def text(values: Array, digits: int = 6, decimal: str = ".") -> list[str]:
    return [f"{v:.{digits}f}".replace(".", decimal) for v in values]


def csv(m: Motion, names: str = "t,ax,ay,az,gx,gy,gz", digits: int = 6) -> str:
    return names + "\n" + rows([text(c, digits) for c in columns(m.t, m.accel, m.gyro)])
