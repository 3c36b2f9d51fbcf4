"""From what a perfect sensor feels to what a consumer device writes: each fault can be switched alone."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.spatial.transform import Rotation

from tests.bench.player import Array, Rendered

G = 9.80665
DPS = np.pi / 180
Mask = NDArray[np.bool_]
Counts = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True)
class Errors:
    """Bounds of the sensor errors; each recording draws within them. Zero switches an error off."""

    mounting: bool = True  # any orientation; else the sensor's axes are the segment's
    rates_hz: tuple[float, ...] = (200.0,)  # each sensor draws one
    average: bool = True  # a sample is the mean over its period, centred on its stamp; else a point
    offset_s: float = 0.0  # clocks differ by up to ± this
    drift_ppm: float = 0.0
    stamps: tuple[str, ...] = ("exact",)  # exact | ticks | batched | arrival: each sensor draws one
    loss: float = 0.0  # share of samples lost, in bursts; drawn up to this
    gyro_bias_dps: float = 0.0
    gyro_scale: float = 0.0
    gyro_cross: float = 0.0
    gyro_drift_dps: float = 0.0  # change of the bias as the device warms, over some ten minutes
    g_sensitivity_dps: float = 0.0  # per g, each axis to each
    accel_bias_mg: float = 0.0
    accel_scale: float = 0.0
    accel_cross: float = 0.0
    gyro_noise_dps: float = 0.0  # standard deviation per sqrt(Hz) of bandwidth (half the rate)
    accel_noise_mg: float = 0.0  # the same
    gyro_range_dps: float | None = None
    accel_range_g: float | None = None
    clip_first: bool = False  # the converter clips before the average, not after
    quantise: bool = False  # 16 bit
    hand_dies: bool = False  # the hand sensor stops half-way

    @classmethod
    def none(cls) -> Errors:
        """Perfect sensors at 200 Hz, mounted anyhow."""
        return cls()

    @classmethod
    def full(cls) -> Errors:
        """What consumer devices do, all of it."""
        return cls(
            rates_hz=(100.0, 200.0, 400.0),
            offset_s=0.15,
            drift_ppm=50.0,
            stamps=("exact", "ticks", "batched", "arrival"),
            loss=0.05,
            gyro_bias_dps=3.0,
            gyro_scale=0.01,
            gyro_cross=0.005,
            accel_bias_mg=40.0,
            accel_scale=0.01,
            accel_cross=0.005,
            gyro_noise_dps=0.007,
            accel_noise_mg=0.12,
            gyro_range_dps=2000.0,
            accel_range_g=16.0,
            quantise=True,
        )

    @classmethod
    def hundred(cls) -> Errors:
        """Everything, all sensors at 100 Hz with batched stamps and 5 % of the samples lost."""
        return replace(cls.full(), rates_hz=(100.0,), stamps=("batched",))


@dataclass(frozen=True, eq=False)
class Delivered:
    """One sensor's file, and what is true of it."""

    role: str
    t: Array  # stamps in s
    accel: Array  # m/s^2
    gyro: Array  # rad/s
    true_t: Array  # true time of each delivered sample
    clock: Array  # reading of the device's own clock at each delivered sample
    facts: dict[str, Any]
    accel_range: float | None
    gyro_range: float | None


def deliver(rendered: Rendered, role: str, errors: Errors, rng: np.random.Generator) -> Delivered:
    """What the device on `role` writes of this motion. Every draw is made whatever is switched on, so
    that two settings of one seed share all that they share."""
    # draws
    rate = float(errors.rates_hz[int(rng.integers(0, 840)) % len(errors.rates_hz)])
    style = errors.stamps[int(rng.integers(0, 840)) % len(errors.stamps)]
    mount = Rotation.random(rng=rng) if errors.mounting else Rotation.identity()
    if not errors.mounting:
        Rotation.random(rng=rng)
    offset = errors.offset_s * rng.uniform(-1, 1)
    drift = errors.drift_ppm * 1e-6 * rng.uniform(-1, 1)
    begin = rng.uniform(0.0, 0.2)
    loss = errors.loss * rng.uniform(0.4, 1.0)
    gyro_map = _map(rng, errors.gyro_scale, errors.gyro_cross)
    accel_map = _map(rng, errors.accel_scale, errors.accel_cross)
    bias = errors.gyro_bias_dps * DPS * rng.uniform(-1, 1, 3)
    warm = errors.gyro_drift_dps * DPS * rng.uniform(-1, 1, 3)
    warm_s = rng.uniform(300, 900)
    accel_bias = errors.accel_bias_mg * 1e-3 * G * rng.uniform(-1, 1, 3)
    g_map = errors.g_sensitivity_dps * DPS / G * rng.uniform(-1, 1, (3, 3))
    sub = np.random.default_rng(rng.integers(0, 2**63))  # draws that depend on the number of samples

    # when samples are taken
    end = rendered.t[-1] - 0.05
    if errors.hand_dies and role == "hand":
        end = 0.5 * end
    period = 1 / rate  # on the device's clock
    count = int(np.floor((end - begin - 0.05) * (1 + drift) / period))
    clock = (begin + 0.05) * (1 + drift) + offset + period * np.arange(count, dtype=float)
    true_t = (clock - offset) / (1 + drift)

    # what is felt then, in the sensor's axes
    felt = np.concatenate([mount.inv().apply(rendered.gyro[role]), mount.inv().apply(rendered.accel[role])], axis=1)
    felt_gyro = felt[:, :3] @ gyro_map.T + felt[:, 3:] @ g_map.T
    felt = np.concatenate([felt_gyro, felt[:, 3:] @ accel_map.T + accel_bias], axis=1)
    change = (1 - np.exp(-rendered.t / warm_s))[:, None] * warm + bias
    felt[:, :3] += change
    gyro_range = errors.gyro_range_dps * DPS if errors.gyro_range_dps else None
    accel_range = errors.accel_range_g * G if errors.accel_range_g else None
    if errors.clip_first:
        felt = _clip(felt, gyro_range, accel_range)
    spline = CubicSpline(rendered.t, felt, axis=0)
    if errors.average:
        area = spline.antiderivative()
        half = 0.5 * period / (1 + drift)
        sample = (area(true_t + half) - area(true_t - half)) / (2 * half)
    else:
        sample = spline(true_t)
    band = np.sqrt(rate / 2)
    sample[:, :3] += errors.gyro_noise_dps * DPS * band * sub.standard_normal((count, 3))
    sample[:, 3:] += errors.accel_noise_mg * 1e-3 * G * band * sub.standard_normal((count, 3))
    sample = _clip(sample, gyro_range, accel_range)
    if errors.quantise:
        for part, full in ((slice(0, 3), gyro_range or 2000 * DPS), (slice(3, 6), accel_range or 16 * G)):
            step = full / 32768
            sample[:, part] = np.round(sample[:, part] / step) * step

    # stamps and loss
    size = int(sub.integers(4, 11)) if style == "batched" else 1
    packet = np.arange(count) // size
    stamp = _stamps(clock, packet, style, sub)
    kept = ~_bursts(packet, loss, sub) if loss > 0 else np.ones(count, bool)
    kept[0] = True
    # the clock that the file shows: the line through its ticks (rounding can lean one way for minutes), or the device's
    slope, at_zero = np.polyfit(true_t, stamp, 1) if style == "ticks" else (1 + drift, offset)
    facts = {
        "rate_hz": rate,
        "file_clock": [float(at_zero), float(slope)],
        "stamps": style,
        "samples": int(kept.sum()),
        "lost": int((~kept).sum()),
        "offset_s": offset,
        "drift_ppm": drift * 1e6,
        "q_sensor_to_segment": mount.as_quat(scalar_first=True).tolist(),
        "gyro_bias_dps": (change[len(change) // 2] / DPS).tolist(),
        "gyro_bias_start_dps": (bias / DPS).tolist(),
        "gyro_matrix": gyro_map.tolist(),
        "g_sensitivity_dps_per_g": (g_map / DPS * G).tolist(),
        "accel_bias_m_s2": accel_bias.tolist(),
        "accel_matrix": accel_map.tolist(),
        "clipped_gyro": 0
        if gyro_range is None
        else int((np.abs(sample[kept, :3]) >= gyro_range * 0.9999).any(1).sum()),
        "clipped_accel": 0
        if accel_range is None
        else int((np.abs(sample[kept, 3:]) >= accel_range * 0.9999).any(1).sum()),
    }
    return Delivered(
        role, stamp[kept], sample[kept, 3:], sample[kept, :3], true_t[kept], clock[kept], facts, accel_range, gyro_range
    )


def _map(rng: np.random.Generator, scale: float, cross: float) -> Array:
    off = rng.uniform(-1, 1, (3, 3))
    np.fill_diagonal(off, 0)
    return np.eye(3) + np.diag(scale * rng.uniform(-1, 1, 3)) + cross * off


def _clip(x: Array, gyro: float | None, accel: float | None) -> Array:
    x = x.copy()
    if gyro is not None:
        x[:, :3] = np.clip(x[:, :3], -gyro, gyro)
    if accel is not None:
        x[:, 3:] = np.clip(x[:, 3:], -accel, accel)
    return x


def _clipped(x: Array, full: float | None) -> int:
    return 0 if full is None else int((np.abs(x) >= 0.9999 * full).any(axis=1).sum())


def _stamps(clock: Array, packet: Counts, style: str, rng: np.random.Generator) -> Array:
    if style == "exact":
        return clock.copy()
    if style == "ticks":
        return np.round(clock, 3)
    # late, never early: the radio's wait, and a hold-up now and then
    packets = packet[-1] + 1
    late = rng.exponential(0.003, packets) + np.where(rng.random(packets) < 0.01, rng.exponential(0.03, packets), 0)
    last = np.append(np.flatnonzero(np.diff(packet)), len(packet) - 1)  # the last sample of each packet
    arrival = np.maximum.accumulate(clock[last] + late)
    return arrival[packet]


def _bursts(packet: Counts, loss: float, rng: np.random.Generator) -> Mask:
    """Samples lost in whole packets: bursts of some ten samples, `loss` of all in the mean."""
    packets = packet[-1] + 1
    size = len(packet) / packets
    mean_run = max(1.0, 10.0 / size)
    leave = 1 / mean_run
    enter = leave * loss / (1 - loss)
    lost = np.zeros(packets, bool)
    i = 0
    while i < packets:
        i += int(rng.geometric(enter))
        run = int(rng.geometric(leave))
        lost[i : i + run] = True
        i += run
    return lost[packet]
