"""Uniform clocks: from the stamps that files carry to samples on one shared clock.

Every sensor samples on its own crystal, so its true sample times are a straight line in the sample
number. What a file stamps is that line seen through ticks, batches or the arrival of packets, and
with samples missing. `uniform` finds the line and the places of the missing samples for one sensor;
`align` finds offset and drift between sensors from the motion that they share.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage, signal

from imu.errors import RecordingError
from imu.recording import Array, Role, Stream

_NOMINAL_CLIP = 0.995  # a sample within 0.5 % of full scale counts as clipped


@dataclass(frozen=True, eq=False)
class Samples:
    """One sensor on a uniform clock.

    Sample k was taken at `start_s + k * period_s` on the clock of the first sensor (after `align`;
    on the sensor's own before). Missing samples are kept as places: `present` is False there and
    the values are NaN. `stamps` says what the stamps were: "device" or "arrival".
    """

    role: Role
    start_s: float
    period_s: float
    gyro: Array  # (n, 3) rad/s
    accel: Array  # (n, 3) m/s^2
    present: np.ndarray  # (n,) bool
    clipped_gyro: np.ndarray  # (n, 3) bool
    clipped_accel: np.ndarray  # (n, 3) bool
    stamps: str
    stamp_sd_s: float  # scatter of the stamps about the line
    own_start_s: float  # stamp of sample 0 on the sensor's own clock
    own_period_s: float

    def __len__(self) -> int:
        return len(self.gyro)

    @property
    def t_s(self) -> Array:
        return self.start_s + self.period_s * np.arange(len(self.gyro))

    @property
    def end_s(self) -> float:
        return self.start_s + self.period_s * (len(self.gyro) - 1)

    @property
    def rate_hz(self) -> float:
        return 1.0 / self.own_period_s

    @property
    def lost(self) -> int:
        return int(np.count_nonzero(~self.present))

    def index(self, t_s: float) -> int:
        """Number of the sample nearest to a time, within the recording."""
        return int(np.clip(round((t_s - self.start_s) / self.period_s), 0, len(self.gyro) - 1))

    def moved(self, offset_s: float, drift: float) -> Samples:
        """On a clock that reads own + offset + drift * own."""
        return replace(
            self,
            start_s=self.own_start_s + offset_s + drift * self.own_start_s,
            period_s=self.own_period_s * (1.0 + drift),
        )


# ------------------------------------------------------------------------------ one sensor's clock
def uniform(stream: Stream) -> Samples:
    """Places a stream's samples on a uniform clock.

    Device and tick stamps scatter on both sides of the line; stamps given on arrival are late and
    never early, so the line runs along their early edge. Lost samples are found as steps of whole
    periods. Raises RecordingError for a stream too short to have a rate.
    """
    stamps = np.asarray(stream.t_s, float)
    if len(stamps) < 10 or stamps[-1] <= stamps[0]:
        raise RecordingError(
            f"{stream.source}: {len(stamps)} samples of the {stream.role} sensor are too few to have a rate; "
            "record at least a few seconds"
        )
    period = _period(stamps)
    late = _is_arrival(stamps, period)
    number = _numbers(stamps, period, late)
    start, period = _line(number, stamps, late)
    if late:  # a better period shows better where samples are missing
        number = _numbers(stamps, period, late)
        start, period = _line(number, stamps, late)
    residual = stamps - (start + period * number)

    n = int(number[-1]) + 1
    if n > 20 * len(stamps):
        raise RecordingError(
            f"{stream.source}: the {stream.role} sensor's stamps jump by {n * period:.0f} s in a row of "
            f"{len(stamps)} samples; check the time column and its unit"
        )
    gyro = np.full((n, 3), np.nan)
    accel = np.full((n, 3), np.nan)
    gyro[number] = stream.gyro
    accel[number] = stream.accel
    present = np.zeros(n, bool)
    present[number] = True
    return Samples(
        role=stream.role,
        start_s=start,
        period_s=period,
        gyro=gyro,
        accel=accel,
        present=present,
        clipped_gyro=_clipped(gyro, stream.gyro_range),
        clipped_accel=_clipped(accel, stream.accel_range),
        stamps="arrival" if late else "device",
        stamp_sd_s=float(1.4826 * np.median(np.abs(residual - np.median(residual)))),
        own_start_s=start,
        own_period_s=period,
    )


def _period(stamps: Array) -> float:
    """Sample period, robust to lost bursts and batches: the middle of the mean steps of many short
    windows, since most windows hold no loss."""
    n = len(stamps)
    width = min(64, n - 1)
    steps = (stamps[width:] - stamps[:-width]) / width
    if n <= 4 * width:
        return float(np.median(steps))
    period = float(np.median(steps))
    # Losses only lengthen a window: the early half of the distribution is nearer the truth.
    whole = steps[np.abs(steps - period) < 0.02 * period]
    return float(np.median(whole)) if len(whole) > 10 else period


def _is_arrival(stamps: Array, period: float) -> bool:
    """Whether stamps bunch (batches share a stamp) or scatter by more than ticks can explain."""
    step = np.diff(stamps)
    together = np.mean(step < 0.25 * period)
    regular = step[(step > 0) & (step < 1.5 * period)]
    if together > 0.05 or len(regular) < 0.5 * len(step):
        return True
    # Ticks of 1 ms scatter by up to 1 ms each way, whatever the rate.
    spread = np.percentile(regular, 90) - np.percentile(regular, 10)
    return bool(spread > max(1.5e-3, 0.1 * period))


def _numbers(stamps: Array, period: float, late: bool) -> np.ndarray:
    """Sample number of each stamp, counting the lost."""
    if not late:
        # Two passes: whole steps first, then the sum kept true against rounding of near-half steps.
        step = np.maximum(np.rint(np.diff(stamps) / period), 1)
        return np.concatenate([[0], np.cumsum(step)]).astype(int)
    n = len(stamps)
    reach = int(np.clip(round(0.25 / period), 12, 100))
    excess = stamps - period * np.arange(n)
    # A loss lifts the early edge of all that follows by whole periods; lateness alone does not.
    edge = ndimage.minimum_filter1d(excess, reach, mode="nearest")
    behind = edge[np.clip(np.arange(n - 1) - reach // 2, 0, n - 1)]
    ahead = edge[np.clip(np.arange(n - 1) + 1 + reach // 2, 0, n - 1)]
    wait = np.diff(stamps)
    candidate = np.flatnonzero((wait > 1.5 * period) & (ahead - behind > 0.6 * period))
    lost_before = np.zeros(n, int)
    for group in np.split(candidate, np.flatnonzero(np.diff(candidate) > reach) + 1):
        if not len(group):
            continue
        lo = max(0, int(group[0]) - reach + 1)
        local = excess[lo : int(group[-1]) + 1 + reach].copy()
        for c in group[np.argsort(-wait[group], kind="stable")]:  # the loss lies at the longest wait
            first = int(c) - lo + 1
            step = local[first : first + reach].min() - local[max(0, first - reach) : first].min()
            count = int(np.rint(step / period))
            if count > 0:
                lost_before[int(c) + 1] = count
                local[first:] -= count * period
    return np.arange(n) + np.cumsum(lost_before)


def _line(number: np.ndarray, stamps: Array, late: bool) -> tuple[float, float]:
    """Start and period: least squares with outliers left out, or along the early edge."""
    slope, start = np.polyfit(number, stamps, 1)
    for _ in range(8):
        residual = stamps - (start + slope * number)
        if late:
            # The earliest stamp of each stretch of the recording touches the line.
            pieces = max(8, min(200, len(stamps) // 64))
            bounds = np.linspace(0, len(stamps), pieces + 1).astype(int)
            keep = np.array([lo + int(np.argmin(residual[lo:hi])) for lo, hi in zip(bounds, bounds[1:], strict=False) if hi > lo])
            r = residual[keep]
            good = np.abs(r - np.median(r)) <= 3 * 1.4826 * np.median(np.abs(r - np.median(r))) + 1e-6
            keep = keep[good]
        else:
            spread = 1.4826 * np.median(np.abs(residual - np.median(residual))) + 1e-9
            keep = np.flatnonzero(np.abs(residual - np.median(residual)) <= 4 * spread)
        if len(keep) < 3:
            break
        new_slope, new_start = np.polyfit(number[keep], stamps[keep], 1)
        settled = abs(new_slope - slope) * number[-1] < 1e-7 and abs(new_start - start) < 1e-7
        slope, start = new_slope, new_start
        if settled:
            break
    return float(start), float(slope)


def _clipped(values: Array, full_scale: float | None) -> np.ndarray:
    """Samples at full scale: known from the data sheet, else seen as a value that the extremes of
    an axis repeat exactly."""
    if full_scale is not None:
        with np.errstate(invalid="ignore"):
            return np.abs(values) >= _NOMINAL_CLIP * full_scale
    out = np.zeros(values.shape, bool)
    for axis in range(3):
        v = values[:, axis]
        finite = v[np.isfinite(v)]
        if not len(finite):
            continue
        for extreme in (finite.max(), finite.min()):
            at = v == extreme
            # A true maximum is reached once; a rail is reached again, in neighbouring samples.
            if abs(extreme) > 10 and np.any(at[1:] & at[:-1]) and np.count_nonzero(at) >= 3:
                out[:, axis] |= at
    return out


# --------------------------------------------------------------------------- clocks of the others
@dataclass(frozen=True)
class ClockFit:
    """A sensor's clock against the first sensor's: t_first = t_own + offset_s + drift * t_own."""

    offset_s: float
    drift: float
    sd_s: float  # scatter of the single windows about the line: how far the pair can be trusted


def align(sensors: Mapping[Role, Samples]) -> tuple[dict[Role, Samples], dict[Role, ClockFit]]:
    """Puts all sensors on the clock of the first, by the rotation that neighbours share.

    The size of the turn rate finds the offset roughly; then, window by window, the lag at which one
    sensor's rate vector is best explained by a free linear map of the other's (hand and club are one
    body; forearm and hand nearly so), and a line through the lags gives offset and drift. Each rate
    is averaged over the slower sensor's period first, so that both pass the same filter.
    """
    roles = list(sensors)
    first = roles[0]
    fits: dict[Role, ClockFit] = {first: ClockFit(0.0, 0.0, 0.0)}
    placed: dict[Role, Samples] = {first: sensors[first]}
    # a sensor is best placed against its rigid neighbour, once that neighbour has its place
    order = {"hand": ("club", "forearm"), "club": ("hand", "forearm"), "forearm": ("hand", "club")}
    waiting = [r for r in roles if r != first]
    while waiting:
        role = next((r for r in waiting if order[r][0] in placed), waiting[0])
        waiting.remove(role)
        anchor = next(placed[o] for o in order[role] if o in placed)
        fit = _clock_against(anchor, sensors[role])
        fits[role] = fit
        placed[role] = sensors[role].moved(fit.offset_s, fit.drift)
    return {r: placed[r] for r in roles}, fits


def rates_at(samples: Samples, t_s: Array, width_s: float = 0.0) -> tuple[Array, np.ndarray]:
    """Turn rate (m, 3) at given times and whether it is known there, averaged over `width_s`."""
    gyro = samples.gyro
    known = samples.present & ~samples.clipped_gyro.any(axis=1)
    size = round(width_s / samples.period_s)
    filled = np.where(known[:, None], gyro, 0.0)
    if size > 1:
        weight = ndimage.uniform_filter1d(known.astype(float), size, mode="nearest")
        filled = ndimage.uniform_filter1d(filled, size, axis=0, mode="nearest") / np.maximum(weight, 1e-9)[:, None]
        known = weight > 0.99
        shift = 0.5 * samples.period_s if size % 2 == 0 else 0.0  # an even window is centred half a sample early
    else:
        shift = 0.0
    position = (t_s - samples.start_s + shift) / samples.period_s
    inside = (position >= 0) & (position <= len(gyro) - 1)
    position = np.clip(position, 0, len(gyro) - 1)
    below = np.minimum(position.astype(int), max(len(gyro) - 2, 0))
    part = (position - below)[:, None]
    value = (1 - part) * filled[below] + part * filled[below + 1]
    return value, inside & known[below] & known[below + 1]


def _clock_against(anchor: Samples, other: Samples) -> ClockFit:
    offset = _rough_offset(anchor, other)
    period = max(anchor.period_s, other.period_s)
    shifted = other.moved(offset, 0.0)
    lo, hi = max(anchor.start_s, shifted.start_s), min(anchor.end_s, shifted.end_s)
    if hi - lo < 2.0:
        raise RecordingError(
            f"the {other.role} and {anchor.role} sensors share {max(0.0, hi - lo):.1f} s; record them together"
        )
    length, step = 3.0, 1.5
    starts = np.arange(lo + 0.1, max(lo + 0.2, hi - length - 0.1), step)
    grid_s = min(anchor.period_s, 0.005)
    speed = [_rms_rate(anchor, s, s + length) for s in starts]
    lively = [s for s, v in sorted(zip(starts, speed, strict=True), key=lambda p: -p[1])[:60] if v > 0.15]
    times, lags, weights = [], [], []
    for s in lively:
        t = np.arange(s, s + length, grid_s)
        a, known = rates_at(anchor, t, period)
        lag, curvature, residual = _best_lag(a, known, shifted, t, period)
        if lag is not None and curvature > 0:
            times.append(s + length / 2)
            lags.append(lag)
            # variance of a lag: residual variance over curvature, but no better than a tenth of a ms
            weights.append(1.0 / np.sqrt(residual / curvature + 1e-8))
    if len(lags) < 2:
        return ClockFit(offset, 0.0, 0.01)
    drift, extra, sd = _robust_line(np.array(times), np.array(lags), np.array(weights))
    # shifted clock: t_first = t_own + offset, and then t_first += extra + drift * t
    return ClockFit(offset + extra + drift * offset, drift, sd)


def _rough_offset(anchor: Samples, other: Samples) -> float:
    """Lag of the sizes of the turn rates, to 10 ms, by cross-correlation over the whole recording."""
    step = 0.01
    series = []
    for s in (anchor, other):
        t = np.arange(s.start_s, s.end_s, step)
        speed = np.linalg.norm(np.nan_to_num(s.gyro), axis=1)
        # roots keep the swings from drowning all else
        value = np.sqrt(np.interp(t, s.t_s[s.present], speed[s.present]))
        series.append(value - value.mean())
    a, b = series
    correlation = signal.correlate(a, b, mode="full", method="fft")
    lag = (np.arange(len(correlation)) - (len(b) - 1)) * step + anchor.start_s - other.start_s
    # Clocks that were started together are the rule: a far lag must be clearly better.
    near = np.abs(lag) < 0.5
    best = int(np.argmax(correlation))
    if near.any():
        best_near = int(np.flatnonzero(near)[np.argmax(correlation[near])])
        if correlation[best_near] > 0.8 * correlation[best]:
            best = best_near
    return float(lag[best])


def _rms_rate(samples: Samples, lo: float, hi: float) -> float:
    part = samples.gyro[samples.index(lo) : samples.index(hi)]
    part = part[np.isfinite(part).all(axis=1)]
    return float(np.sqrt(np.mean(np.sum(part**2, axis=1)))) if len(part) > 10 else 0.0


def _best_lag(
    a: Array, known: np.ndarray, other: Samples, t: Array, period: float
) -> tuple[float | None, float, float]:
    """Lag (s) of `other` that a free 3x3 map of `a` explains best; curvature and residual of it."""
    centre, reach, step = 0.0, 0.06, 0.003
    for _ in range(2):
        lags = centre + np.arange(-reach, reach + step / 2, step)
        # a positive lag: what the other's clock calls t happened at t + lag on the anchor's
        stacked = [rates_at(other, t - lag, period) for lag in lags]
        both = known & np.logical_and.reduce([k for _, k in stacked])
        if np.count_nonzero(both) < 100:
            return None, 0.0, 0.0
        x = np.column_stack([a[both], np.ones(np.count_nonzero(both))])
        q, _ = np.linalg.qr(x)
        cost = np.array([np.sum(b[both] ** 2) - np.sum((q.T @ b[both]) ** 2) for b, _ in stacked])
        best = int(np.argmin(cost))
        if best in (0, len(lags) - 1):
            return None, 0.0, 0.0
        second = cost[best - 1] - 2 * cost[best] + cost[best + 1]
        if second <= 0:
            return None, 0.0, 0.0
        centre = float(lags[best] + 0.5 * step * (cost[best - 1] - cost[best + 1]) / second)
        curvature, residual = second / step**2, cost[best] / max(1, np.count_nonzero(both))
        reach, step = 0.003, 0.0005
    return centre, float(curvature), float(residual)


def _robust_line(t: Array, y: Array, weight: Array) -> tuple[float, float, float]:
    """Slope, intercept and scatter; the slope held near zero as crystals are (60 ppm)."""
    middle = np.average(t, weights=weight**2)
    use = np.ones(len(t))
    slope, level = 0.0, float(np.median(y))
    for _ in range(10):
        w = weight**2 * use
        r = y - level
        slope = float(np.sum(w * (t - middle) * r) / (np.sum(w * (t - middle) ** 2) + (1.0 / 60e-6) ** 2))
        level = float(np.average(y - slope * (t - middle), weights=w))
        r = y - level - slope * (t - middle)
        scale = max(1.4826 * float(np.median(np.abs(r))), 2e-4)
        use = 1.0 / (1.0 + (r / (2 * scale)) ** 2) ** 2
    return slope, level - slope * middle, float(1.4826 * np.median(np.abs(y - level - slope * (t - middle))))
