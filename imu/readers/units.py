"""Units as loggers spell them, and what the numbers themselves say where no unit is given.

Accelerometers show their unit by gravity: a still sensor reads 9.8, 1, 1000 or the sensitivity in
counts. Gyroscopes show it by the accelerometer: while the sensor turns slowly the direction of
gravity turns in the sensor by minus the integrated rate, du/dt = -w x u, which holds for one
scale of the rate only.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np

from imu.recording import GRAVITY, Array

ACCEL_UNITS = {"m/s^2": 1.0, "g": GRAVITY, "mg": GRAVITY / 1000.0}
GYRO_UNITS = {"rad/s": 1.0, "deg/s": math.pi / 180.0, "mdeg/s": math.pi / 180_000.0}
TIME_UNITS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}
COUNTS = "counts"
"""Raw numbers of the converter: they mean something only with a sensitivity."""

_SPELLINGS = {
    "m/s^2": "m/s2 m/s/s ms-2 mps2 mpss m/ss m/sec2 meter/s2 meters/s2 metre/s2 metres/s2 m/sq",
    "g": "g gs g's gee g0 gn gforce gravity standardgravity",
    "mg": "mg millig milli-g",
    "rad/s": "rad/s rads-1 radian/s radians/s rads rps rad/sec",
    "deg/s": "deg/s °/s º/s ˚/s �/s dps degs-1 degree/s degrees/s degs d/s",
    "mdeg/s": "mdeg/s mdps mdegs-1 m°/s millideg/s",
    "s": "s second seconds",
    "ms": "ms msec millisecond milliseconds millis msecs",
    "us": "us µs μs usec microsecond microseconds micros usecs",
    "ns": "ns nsec nanosecond nanoseconds nanos nsecs",
    COUNTS: "counts count lsb raw adc digit digits lsbs",
}
_BY_SPELLING = {spelling: unit for unit, spellings in _SPELLINGS.items() for spelling in spellings.split()}
_IGNORED_IN_UNITS = re.compile(r"[\s·⋅*^()\[\]{}]|\*\*")

_ACCEL_COUNTS_PER_G = (16384.0, 8192.0, 4096.0, 2048.0, 1024.0, 512.0, 256.0)
"""Usual sensitivities of 16-bit and older converters (ranges of 2, 4, 8, 16 g)."""
_GYRO_COUNTS_PER_DPS = (131.072, 114.286, 65.536, 57.143, 32.768, 28.571, 16.384, 14.286)
"""2**15 over the range of 250 to 2000 deg/s, and 1000 over 8.75, 17.5, 35 and 70 mdeg/s."""


def spelled(text: str) -> str | None:
    """The unit that a text such as 'm/(s²)' or '[dps]' means, or None."""
    key = text.strip().lower().replace("²", "2").replace("⁻¹", "-1").replace("⁻²", "-2")
    key = _IGNORED_IN_UNITS.sub("", key).replace("second", "s").replace("sec", "s").strip("\"' ")
    return _BY_SPELLING.get(key) or _BY_SPELLING.get(_IGNORED_IN_UNITS.sub("", text.strip().lower()))


@dataclass(frozen=True)
class Guess:
    """A unit found from the numbers: `scale` takes the file's numbers to SI."""

    unit: str | None
    scale: float
    why: str
    sure: bool = True


def still_windows(vectors: Array, size: int) -> tuple[Array, Array]:
    """Mean (k, 3) and spread (k,) of vectors in windows of `size` samples, one after another."""
    n = len(vectors) // size
    windows = vectors[: n * size].reshape(n, size, 3)
    mean = windows.mean(axis=1)
    spread = np.sqrt(windows.var(axis=1).sum(axis=1))
    return mean, spread


def still_magnitude(accel: Array, gyro: Array | None = None) -> float | None:
    """Magnitude of the accelerometer while the sensor is stillest, in the unit of `accel`.

    Where nothing is still (the spread stays above a fifth of the magnitude) the answer is None.
    """
    if len(accel) < 8:
        return None
    size = int(np.clip(len(accel) // 40, 4, 50))
    mean, spread = still_windows(accel, size)
    if gyro is not None and len(gyro) == len(accel):
        gyro_mean, gyro_spread = still_windows(gyro, size)
        turning = np.sqrt((gyro_mean**2).sum(axis=1)) + gyro_spread
        order = np.argsort(_ranks(spread) + _ranks(turning), kind="stable")
    else:
        order = np.argsort(spread, kind="stable")
    best = order[: max(1, len(order) // 20)]
    magnitude = float(np.median(np.linalg.norm(mean[best], axis=1)))
    noise = float(np.median(spread[best]))
    overall = float(np.median(np.linalg.norm(accel, axis=1)))
    if noise > 0.2 * max(magnitude, overall):
        return None
    return magnitude


def _ranks(x: Array) -> Array:
    out = np.empty(len(x))
    out[np.argsort(x, kind="stable")] = np.arange(len(x))
    return out


def looks_linear(accel: Array, gyro: Array | None = None) -> bool:
    """Whether gravity has been taken out: while still nearly nothing is left of what motion gives."""
    still = still_magnitude(accel, gyro)
    norms = np.linalg.norm(accel, axis=1)
    strong = float(np.quantile(norms, 0.99)) if len(norms) else 0.0
    if still is None or strong == 0:
        return False
    return still < 0.08 * strong and float(np.quantile(norms, 0.05)) < 0.08 * strong


def guess_accel(accel: Array, gyro: Array | None = None) -> Guess:
    """The unit of an accelerometer from its magnitude while still."""
    still = still_magnitude(accel, gyro)
    if still is None:
        still = float(np.median(np.linalg.norm(accel, axis=1))) if len(accel) else 0.0
        how = f"the middle magnitude is {still:.4g}, nothing is still"
        sure, margin = False, 1.6
    else:
        how, sure, margin = f"|a| while still is {still:.4g}", True, 1.15
    for unit, gravity in (("m/s^2", GRAVITY), ("g", 1.0), ("mg", 1000.0)):
        if 1 / margin < still / gravity < margin:
            return Guess(unit, ACCEL_UNITS[unit], how, sure)
    if whole_numbers(accel):
        for counts in _ACCEL_COUNTS_PER_G:
            if 1 / 1.12 < still / counts < 1.12:
                return Guess(
                    COUNTS, GRAVITY / counts, f"{how}: raw counts, near the usual {counts:.0f} counts/g", False
                )
    return Guess(None, math.nan, how, False)


def guess_gyro(t_s: Array, accel: Array, gyro: Array) -> Guess:
    """The unit of a gyroscope from the turning of gravity, else from what is plausible.

    `accel` in any unit, gravity included; `t_s` in seconds; all (n, ...) at the same samples.
    """
    scale, explained = turn_scale(t_s, accel, gyro)
    raw = whole_numbers(gyro)
    if explained > 0.5 and scale != 0:
        size = abs(scale)
        for unit, factor in GYRO_UNITS.items():
            if 1 / 2.5 < size / factor < 2.5 and not (raw and unit == "mdeg/s"):
                return Guess(unit, factor, f"gravity turns by {size / factor:.2f} of the integrated rate in {unit}")
        if raw:
            per_dps = math.pi / 180.0 / size
            counts = min(_GYRO_COUNTS_PER_DPS, key=lambda c: abs(math.log(c / per_dps)))
            if abs(math.log(counts / per_dps)) < 0.12:
                why = f"gravity turns as with {per_dps:.1f} counts per deg/s: raw counts, near the usual {counts:.1f}"
                return Guess(COUNTS, math.pi / 180.0 / counts, why, False)
    norms = np.linalg.norm(gyro, axis=1)
    strong = float(np.quantile(norms, 0.999)) if len(norms) else 0.0
    if raw and strong > 4500:
        return Guess(None, math.nan, f"whole numbers up to {strong:.0f}: raw counts", False)
    if strong > 4500:
        return Guess("mdeg/s", GYRO_UNITS["mdeg/s"], f"rates reach {strong:.4g}, too much for deg/s", False)
    if strong > 75:  # 75 rad/s is 4300 deg/s, beyond any wearable gyroscope
        return Guess("deg/s", GYRO_UNITS["deg/s"], f"rates reach {strong:.4g}, too much for rad/s", strong > 150)
    return Guess(None, math.nan, f"rates stay below {strong:.3g} and gravity hardly turns", False)


def turn_scale(t_s: Array, accel: Array, gyro: Array, limit: int = 60_000) -> tuple[float, float]:
    """The factor k for which gravity in the sensor turns as du/dt = -k w x u, and how much of the
    turning that explains (0 to 1).

    Windows of a fifth of a second in which |a| stays near its usual magnitude are compared; a bias
    of the rate is fitted along. k is negative where the axes of the two sensors disagree.
    """
    n = len(t_s)
    if n < 50:
        return 0.0, 0.0
    if n > limit:  # some stretches from all over are enough
        starts = np.linspace(0, n - limit // 10, 10).astype(int)
        pieces = [
            turn_sums(t_s[i : i + limit // 10], accel[i : i + limit // 10], gyro[i : i + limit // 10]) for i in starts
        ]
    else:
        pieces = [turn_sums(t_s, accel, gyro)]
    xs = np.concatenate([p[0] for p in pieces])
    ys = np.concatenate([p[1] for p in pieces])
    if len(xs) < 6:
        return 0.0, 0.0
    keep = np.ones(len(xs), bool)
    k, explained = 0.0, 0.0
    for _ in range(4):  # trimmed least squares: bumps in |a| that went unseen must not decide
        x, y = xs[keep], ys[keep]
        k = float((x * y).sum() / max((x * x).sum(), 1e-30))
        rest = ((y - k * x) ** 2).sum(axis=1)
        explained = 1.0 - float(rest.sum() / max((y * y).sum(), 1e-30))
        all_rest = ((ys - k * xs) ** 2).sum(axis=1)
        keep = all_rest <= np.quantile(all_rest, 0.85)
    moved = float(np.sqrt((ys[keep] ** 2).sum(axis=1)).max(initial=0.0))
    if moved < 0.04:  # under two degrees: noise could do that
        return 0.0, 0.0
    return k, explained


def turn_sums(t_s: Array, accel: Array, gyro: Array) -> tuple[Array, Array]:
    """Per window: -(sum of w x u dt), and the change of the unit vector u along gravity."""
    none = np.empty((0, 3))
    dt = np.diff(t_s)
    step = float(np.median(dt)) if len(dt) else 0.0
    if step <= 0:
        return none, none
    size = int(np.clip(round(0.2 / step), 4, 400))
    norm = np.linalg.norm(accel, axis=1)
    usual = float(np.median(norm))
    if usual <= 0:
        return none, none
    smooth = _moving_mean(accel, max(1, size // 3))
    length = np.linalg.norm(smooth, axis=1)
    u = smooth / np.maximum(length, 1e-12)[:, None]
    turn = -np.cross(gyro[:-1] + gyro[1:], u[:-1] + u[1:]) / 4.0 * dt[:, None]
    total = np.vstack([np.zeros(3), np.cumsum(turn, axis=0)])
    first = np.arange(0, len(t_s) - size, max(1, size // 2))
    last = first + size
    calm = np.abs(length / usual - 1.0) < 0.12
    bad = np.concatenate([[0], np.cumsum(~calm)])
    ok = (bad[last + 1] - bad[first] == 0) & (t_s[last] - t_s[first] < 3 * size * step)
    return total[last[ok]] - total[first[ok]], u[last[ok]] - u[first[ok]]


def _moving_mean(x: Array, size: int) -> Array:
    if size < 2:
        return x
    from scipy.ndimage import uniform_filter1d

    return uniform_filter1d(x, size, axis=0, mode="nearest")


def whole_numbers(vectors: Array) -> bool:
    """Whether all numbers are integers and large enough to be a converter's counts."""
    part = vectors[:5000]
    return bool(len(part) and np.all(part == np.round(part)) and np.abs(part).max() > 100)
