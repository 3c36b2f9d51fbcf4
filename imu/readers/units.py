"""Units as loggers spell them, and what the numbers themselves say where no unit is given.

Accelerometers show their unit by gravity: a still sensor reads 9.8, 1, 1000 or the sensitivity in
counts. Gyroscopes show it by the accelerometer: from one calm moment to the next, gravity must
have turned in the sensor by what the rates add up to, which holds for one unit only.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

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


def looks_linear(accel: Array, unit: str | None) -> bool:
    """Whether gravity has been taken out: in the stillest moments less than 0.3 g is left, or, in
    a unit that is not known, less than half of what the smallest of them shows of gravity."""
    if len(accel) < 8:
        return False
    mean, spread = still_windows(accel, int(np.clip(len(accel) // 40, 4, 50)))
    still = np.argsort(spread, kind="stable")[: max(1, len(spread) // 10)]
    left = float(np.median(np.linalg.norm(mean[still], axis=1)))
    return left * ACCEL_UNITS.get(unit or "", GRAVITY / 1.6) < 0.3 * GRAVITY


def guess_accel(accel: Array, gyro: Array | None = None) -> Guess:
    """The unit of an accelerometer from its magnitude while still."""
    still = still_magnitude(accel, gyro)
    if still is None:
        still = float(np.median(np.linalg.norm(accel, axis=1))) if len(accel) else 0.0
        how = f"the middle magnitude is {still:.4g}, nothing is still"
        sure, margin = False, 1.6
    else:
        how, sure, margin = f"|a| while still is {still:.4g}", True, 1.15
    references = (("m/s^2", GRAVITY), ("g", 1.0), ("mg", 1000.0))
    for unit, gravity in references:
        if 1 / margin < still / gravity < margin:
            return Guess(unit, ACCEL_UNITS[unit], how, sure)
    if whole_numbers(accel):
        for counts in _ACCEL_COUNTS_PER_G:
            if 1 / 1.12 < still / counts < 1.12:
                return Guess(
                    COUNTS, GRAVITY / counts, f"{how}: raw counts, near the usual {counts:.0f} counts/g", False
                )
    else:
        for unit, gravity in references:  # badly calibrated, but the units lie ten times apart
            if 1 / 1.9 < still / gravity < 1.9:
                return Guess(unit, ACCEL_UNITS[unit], f"{how}, {abs(still / gravity - 1):.0%} off gravity", False)
    return Guess(None, math.nan, how, False)


def guess_gyro(t_s: Array, accel: Array, gyro: Array) -> Guess:
    """The unit of a gyroscope from the turning of gravity, else from what is plausible.

    `accel` in any unit; where it holds no gravity give none (n = 0). `t_s` in seconds.
    """
    raw = whole_numbers(gyro)
    counted = {c: math.pi / 180.0 / c for c in _GYRO_COUNTS_PER_DPS} if raw else {}
    scales: dict[str | float, float] = {**dict(GYRO_UNITS.items()), **dict(counted.items())}
    impossible: set[str] = set()
    for looser in (1.0, 2.5, 6.0, 12.0) if len(accel) else ():  # where rests are few, slow turning has to do
        turns = GravityTurns.between_rests(t_s, accel, gyro, looser=looser)
        if turns is None:
            continue
        off = dict(zip(scales, turns.residuals(np.array(list(scales.values()))), strict=True))
        best = min(off, key=lambda k: off[k])
        others = min(off[k] for k in GYRO_UNITS if k != best)
        pairs = len(turns.steps)
        within, ratio = (4, 0.2) if pairs < 2 else (12, 0.4) if pairs < 5 else (15, 0.5)
        if off[best] < math.radians(within) and off[best] < ratio * others:
            how = f"it agrees with the turning of gravity between rests to {math.degrees(off[best]):.1f} deg"
            if isinstance(best, str):
                return Guess(best, scales[best], how)
            return Guess(COUNTS, scales[best], f"{how}, taken as raw counts of {best:.1f} per deg/s", False)
        impossible = {unit for unit, factor in GYRO_UNITS.items() if turns.too_slow(factor)} or impossible
    if impossible == {"deg/s", "mdeg/s"} and not raw:
        return Guess("rad/s", 1.0, "gravity turns much farther than these rates could turn it in deg/s")
    norms = np.linalg.norm(gyro, axis=1)
    strong = float(np.quantile(norms, 0.999)) if len(norms) else 0.0
    if raw:
        return Guess(None, math.nan, f"whole numbers up to {strong:.0f}: raw counts", False)
    if strong > 4500:
        return Guess("mdeg/s", GYRO_UNITS["mdeg/s"], f"rates reach {strong:.4g}, too much for deg/s", False)
    if strong > 75:  # 75 rad/s is 4300 deg/s, beyond any wearable gyroscope
        return Guess("deg/s", GYRO_UNITS["deg/s"], f"rates reach {strong:.4g}, too much for rad/s", strong > 150)
    return Guess(None, math.nan, f"rates stay below {strong:.3g} and gravity hardly turns between rests", False)


def mirrored(t_s: Array, accel: Array, gyro: Array) -> str | None:
    """A line for the user where gravity turns as if the gyroscope's axes were a mirror image of
    the accelerometer's, or some were changed; None where they agree or nothing can be said.

    `gyro` in rad/s. The sign of the whole accelerometer cannot be seen: gravity turned round turns
    the same way.
    """
    turns = GravityTurns.between_rests(t_s, accel, gyro)
    if turns is None or len(turns.steps) < 3:
        return None
    ways = {"x y z": np.eye(3), "reversed": -np.eye(3)}
    for i, name in enumerate("xyz"):
        flip = np.eye(3)
        flip[i, i] = -1
        ways[f"{name} reversed"], ways[f"all but {name} reversed"] = flip, -flip
    ways |= {"x and y changed": -np.eye(3)[[1, 0, 2]], "y and z changed": -np.eye(3)[[0, 2, 1]]}
    ways |= {"x and z changed": -np.eye(3)[[2, 1, 0]]}
    off = {}
    for way, matrix in ways.items():
        steps = tuple(s @ matrix.T for s in turns.steps)
        off[way] = float(GravityTurns(turns.before, turns.after, steps).residuals(np.ones(1), quantile=0.8)[0])
    best = min(off, key=lambda w: off[w])
    if best == "x y z" or off["x y z"] < math.radians(20) or off[best] > 0.3 * off["x y z"]:
        return None
    return (
        f"gravity turns with the gyroscope only with its axes {best} ({math.degrees(off[best]):.0f} deg off instead of "
        f"{math.degrees(off['x y z']):.0f}): check names, order and signs of the columns"
    )


@dataclass(frozen=True, eq=False)
class GravityTurns:
    """Pairs of moments in which the accelerometer showed gravity alone, and the steps of turning
    between them, by which a gyroscope is compared with the accelerometer."""

    before: Array  # (p, 3) unit vectors
    after: Array  # (p, 3)
    steps: tuple[Array, ...]  # p arrays (m, 3): rate times time, in the gyroscope's unit times s

    @classmethod
    def between_rests(
        cls, t_s: Array, accel: Array, gyro: Array, *, looser: float = 1.0, most: int = 40
    ) -> GravityTurns | None:
        """None where gravity was not seen to turn by 12 deg or more between two calm moments."""
        if len(t_s) < 50:
            return None
        step = (t_s[-1] - t_s[0]) / (len(t_s) - 1)
        if step <= 0:
            return None
        size = int(np.clip(round(0.12 / step), 4, 200))
        mean, spread = still_windows(accel, size)
        gyro_mean, gyro_spread = still_windows(gyro, size)
        magnitude = np.linalg.norm(mean, axis=1)
        quiet = spread <= max(float(np.quantile(spread, 0.05)) * 2.5, 1e-12)
        usual = float(np.median(magnitude[quiet]))
        if usual <= 0:
            return None
        stillest = np.argsort(gyro_spread, kind="stable")[: max(1, len(gyro_spread) // 20)]
        rate = gyro - np.median(gyro_mean[stillest], axis=0)
        direction = mean / np.maximum(magnitude, 1e-12)[:, None]
        calm = (spread < 0.03 * looser * usual) & (np.abs(magnitude / usual - 1) < 0.03 * looser)
        pairs = _turned_pairs(np.flatnonzero(calm), direction, longest=15.0 / (size * step))
        if not pairs:
            return None
        pairs = [pairs[i] for i in np.unique(np.linspace(0, len(pairs) - 1, most).astype(int))]
        half = size // 2
        steps = []
        for a, b in pairs:
            i, j = a * size + half, b * size + half
            dt = np.diff(t_s[i : j + 1])
            steps.append(0.5 * (rate[i:j] + rate[i + 1 : j + 1]) * np.minimum(dt, 20 * step)[:, None])
        return cls(direction[[a for a, _ in pairs]], direction[[b for _, b in pairs]], tuple(steps))

    def too_slow(self, scale: float) -> bool:
        """Whether rates times `scale` cannot have turned gravity as far as it turned, whichever way
        they went."""
        turned = np.arccos(np.clip((self.before * self.after).sum(axis=1), -1, 1))
        most = np.array([np.linalg.norm(s, axis=1).sum() for s in self.steps]) * scale
        far = turned > math.radians(20)
        return bool(far.sum() >= 3 and (most[far] < 0.35 * turned[far]).mean() > 0.8)

    def residuals(self, scales: Array, *, quantile: float = 0.5) -> Array:
        """Angle (rad) between gravity as turned by the gyroscope times each scale, and as the
        accelerometer shows it afterwards: the median of all pairs, or another quantile."""
        out = np.empty((len(self.steps), len(scales)))
        for p, steps in enumerate(self.steps):
            q = _turns(steps[None, :, :] * scales[:, None, None])
            while q.shape[1] > 1:
                if q.shape[1] % 2:
                    q = np.concatenate([q, np.broadcast_to([1.0, 0, 0, 0], (len(q), 1, 4))], axis=1)
                q = _product(q[:, 0::2], q[:, 1::2])
            w, v = q[:, 0, 0], -q[:, 0, 1:]  # the world turns the other way in the sensor
            u = np.broadcast_to(self.before[p], v.shape)
            turned = u + 2 * np.cross(v, np.cross(v, u) + w[:, None] * u)
            out[p] = np.arccos(np.clip(turned @ self.after[p], -1, 1))
        return np.quantile(out, quantile, axis=0)


def _turned_pairs(places: NDArray[np.integer], direction: Array, *, longest: float) -> list[tuple[int, int]]:
    """Neighbouring calm windows (at most `longest` windows apart) between which gravity turned by
    12 deg or more."""
    pairs: list[tuple[int, int]] = []
    last: int | None = None
    for p in places.tolist():
        if last is None or p - last > longest:
            last = p
            continue
        cosine = float(direction[p] @ direction[last])
        if cosine < 0.978:
            pairs.append((last, p))
        if cosine < 0.978 or cosine > 0.99:
            last = p
    return pairs


def _turns(vectors: Array) -> Array:
    """Rotation vectors (..., 3) to quaternions (..., 4), scalar first."""
    angle = np.linalg.norm(vectors, axis=-1, keepdims=True)
    return np.concatenate([np.cos(angle / 2), vectors * 0.5 * np.sinc(angle / (2 * np.pi))], axis=-1)


def _product(a: Array, b: Array) -> Array:
    w = a[..., 0] * b[..., 0] - (a[..., 1:] * b[..., 1:]).sum(axis=-1)
    v = a[..., :1] * b[..., 1:] + b[..., :1] * a[..., 1:] + np.cross(a[..., 1:], b[..., 1:])
    return np.concatenate([w[..., None], v], axis=-1)


def whole_numbers(vectors: Array) -> bool:
    """Whether all numbers are integers and large enough to be a converter's counts."""
    part = vectors[:5000]
    return bool(len(part) and np.all(part == np.round(part)) and np.abs(part).max() > 100)
