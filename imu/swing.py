"""Finding swings in the motion, and the events of each.

A swing is: from rest, the club turned back by a good part of a right angle and more, a reversal, and
a faster turn that carries it back past where it began. Walking, waggles, putting strokes and picking
up a ball lack one of these. The search needs one sensor (club, else hand, else forearm) and its
gravity only, so that it can run before anything is calibrated.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import ndimage, signal

from imu.calibration import Quiet, level
from imu.fit import DEG
from imu.orientation import strapdown
from imu.recording import Array
from imu.timebase import Samples

REST_RATE = 6.0 * DEG  # below this a swing has not begun, or has ended (design: takeaway, finish)
LEAST_BACK = 60.0 * DEG  # turn of the club from address to top; a putting stroke stays below
LEAST_BACK_ARM = 90.0 * DEG  # seen from arm or hand alone, where much that is no swing turns less
LEAST_THROUGH = 30.0 * DEG
LEAST_PUNCHED = 15.0 * DEG  # at speed: a punched shot is held off
LEAST_DOWN = -0.2  # height of the shaft's direction at address: its head lies below the hands
LEAST_PEAK = 120.0 * DEG  # on the way down; the slowest of rehearsals passes 200 deg/s (common practice, no source)
LEAST_PEAK_ARM = 80.0 * DEG
GENTLE = 600.0 * DEG  # rate up to which picking up, stretching or tapping a shoe can look like a rehearsal
SLOWEST_DOWN = 1.0  # s; a downswing that is longer is a rehearsal, whatever twirls in it
OTHER_POSTURE = 13.0 * DEG  # between the verticals at takeaway; another club or a chip differ by less
MOST_ASTRAY = 40.0 * DEG  # attitude at its nearest to that at address: a swing comes back, those rarely do


@dataclass(frozen=True)
class Rough:
    """A swing found from one sensor, times in s; good to some tens of milliseconds."""

    takeaway_s: float
    top_s: float
    impact_s: float
    finish_s: float
    back_turn: float  # rad
    peak_rate: float  # rad/s


def find(
    samples: Samples, calm: Quiet, *, shaft: Array | None = None, busy: Sequence[tuple[float, float]] = ()
) -> list[Rough]:
    """Swings in one sensor's motion, in order.

    `shaft`: direction grip to head (3,) in the sensor, where a pose has shown it: at address it must
    point down. `busy`: stretches of calibration in which nothing is a swing.
    """
    least_peak = LEAST_PEAK if samples.role == "club" else LEAST_PEAK_ARM
    period = samples.period_s
    speed = np.linalg.norm(samples.gyro - calm.bias, axis=1)
    speed = ndimage.uniform_filter1d(np.nan_to_num(speed), max(1, round(0.03 / period)))
    peaks, _ = signal.find_peaks(speed, height=least_peak, distance=max(1, round(0.5 / period)))
    found: list[Rough] = []
    whole = _Turning.of(samples.gyro - calm.bias, period) if len(samples) < _AT_ONCE else None
    for k in peaks[np.argsort(-speed[peaks])]:
        t = samples.start_s + k * period
        if any(s.takeaway_s - 0.2 <= t <= s.finish_s + 0.1 for s in found):
            continue
        swing = _around(samples, calm, speed, int(k), shaft, whole)
        if swing is None or any(lo < swing.top_s < hi or lo < swing.takeaway_s < hi for lo, hi in busy):
            continue
        if any(swing.takeaway_s < s.finish_s and s.takeaway_s < swing.finish_s for s in found):
            continue
        found.append(swing)
    return sorted(found, key=lambda s: s.takeaway_s)


def begun_alike(swings: Sequence[Rough], sensors: Sequence[Samples]) -> list[Rough]:
    """Without the gentle ones that begin in another posture than any swing at speed, where there are such: who
    rehearses stands at address, who stretches or walks does not."""
    ups = [np.array([_up(s, r.takeaway_s) for s in sensors]) for r in swings]
    at_speed = [r.peak_rate >= GENTLE and r.impact_s - r.top_s < SLOWEST_DOWN for r in swings]
    fast = np.array([up for quick, up in zip(at_speed, ups, strict=True) if quick])
    if len(fast) < 2:
        return list(swings)

    def astray(up: Array) -> float:
        off = np.arccos(np.clip(np.sum(fast * up, axis=2), -1.0, 1.0))  # NaN where a sensor was off
        told = np.isfinite(off)
        squares = np.sum(np.where(told, off, 0.0) ** 2, axis=1) / np.maximum(1, told.sum(axis=1))
        return float(np.sqrt(squares.min()))

    return [r for r, quick, up in zip(swings, at_speed, ups, strict=True) if quick or astray(up) < OTHER_POSTURE]


def _up(samples: Samples, takeaway_s: float) -> Array:
    """Vertical (3,) in a sensor just before a takeaway; NaN where it was off."""
    part = samples.accel[samples.index(takeaway_s - 0.3) : samples.index(takeaway_s) + 1]
    part = part[np.isfinite(part).all(axis=1)]
    if not samples.start_s < takeaway_s < samples.end_s or not len(part):
        return np.full(3, np.nan)
    return np.asarray(part.mean(axis=0) / np.linalg.norm(part.mean(axis=0)), np.float64)


_AT_ONCE = 100_000
"""Samples up to which a recording is integrated as a whole, not anew around every peak: of more it takes much memory."""


@dataclass(frozen=True, eq=False)
class _Turning:
    """Attitudes (n + 1, 3, 3) of a stretch, its start level or not, and turn rates (n, 3) in their frame."""

    attitude: Array
    rate: Array

    @classmethod
    def of(cls, rate: Array, period_s: float) -> _Turning:
        attitude = strapdown(rate, period_s)
        return cls(attitude, (attitude[:-1] @ rate[:, :, None])[:, :, 0])

    def part(self, lo: int, hi: int) -> _Turning:
        return _Turning(self.attitude[lo : hi + 1], self.rate[lo:hi])


def _around(
    samples: Samples, calm: Quiet, speed: Array, peak: int, shaft: Array | None, whole: _Turning | None
) -> Rough | None:
    period = samples.period_s
    lo = max(0, peak - round(7.0 / period))
    hi = min(len(samples), peak + round(5.0 / period))
    local, p = speed[lo:hi], peak - lo
    # nothing swings that was not at rest before: where a recording begins in the middle of a motion, nothing is level
    if hi - lo < round(0.5 / period) or not np.any(local[:p] < REST_RATE):
        return None
    turning = whole.part(lo, hi) if whole else _Turning.of(samples.gyro[lo:hi] - calm.bias, period)
    start, start_s = level(samples, calm, samples.start_s + lo * period, samples.start_s + peak * period)
    at = int(np.clip(round((start_s - samples.start_s) / period) - lo, 0, hi - lo))
    to_level = start @ turning.attitude[at].T
    world = turning.rate @ to_level.T
    smooth = max(1, round(0.02 / period))
    world = ndimage.uniform_filter1d(world, smooth, axis=0)
    # the fast axis at the peak, then the mean axis from the reversal to the peak
    axis = world[max(0, p - 2) : p + 3].mean(axis=0)
    top = None
    for _ in range(3):
        axis = axis / (np.linalg.norm(axis) + 1e-12)
        about = world @ axis
        behind = np.flatnonzero(about[:p] <= 0)
        if not len(behind):
            return None
        top = int(behind[-1]) + 1
        if top >= p:
            return None
        axis = world[top : p + 1].sum(axis=0)
    axis = axis / (np.linalg.norm(axis) + 1e-12)
    about = world @ axis
    assert top is not None
    # the backswing: the last stretch of clearly backward turn before the reversal
    backward = np.flatnonzero(about[:top] < -25 * DEG)
    if not len(backward) or (top - backward[-1]) * period > 2.5:
        return None
    active = int(backward[-1])
    rest = np.flatnonzero(local[:active] < REST_RATE)
    if not len(rest):
        return None
    takeaway = int(rest[-1])
    back_turn = float(-np.sum(about[takeaway:top]) * period)
    backswing_s = (top - takeaway) * period
    if back_turn < (LEAST_BACK if samples.role == "club" else LEAST_BACK_ARM) or not 0.25 < backswing_s < 5.0:
        return None
    # one turn back, not a wandering
    back = world[takeaway:top]
    if np.linalg.norm(back.sum(axis=0)) < 0.45 * np.sum(np.linalg.norm(back, axis=1)):
        return None
    if shaft is not None and (to_level @ turning.attitude[takeaway] @ shaft)[2] > LEAST_DOWN:
        return None
    forward = np.cumsum(about[top:]) * period
    returned = np.flatnonzero(forward >= back_turn)
    if not len(returned):
        return None
    # where the direction comes nearest to the start again
    impact = top + int(returned[0])
    ended = np.flatnonzero(local[impact:] < REST_RATE)
    finish = impact + (int(ended[0]) if len(ended) else len(local) - impact - 1)
    through = float(np.max(np.cumsum(about[impact : finish + 1]) * period, initial=0.0))
    peak_rate = float(local[top : finish + 1].max())
    if through < (LEAST_THROUGH if peak_rate < GENTLE else LEAST_PUNCHED):
        return None
    downswing_s = (impact - top) * period
    if downswing_s > 4.0 or downswing_s < 0.06:
        return None
    if peak_rate < GENTLE:
        margin = round(0.4 * (impact - top))
        again = turning.attitude[max(top, impact - margin) : impact + margin + 1]
        cosine = 0.5 * (np.einsum("ij,nij->n", turning.attitude[takeaway], again).max() - 1.0)
        if cosine < np.cos(MOST_ASTRAY):
            return None
    base = samples.start_s + lo * period
    return Rough(
        base + takeaway * period,
        base + top * period,
        base + impact * period,
        base + finish * period,
        back_turn,
        peak_rate,
    )


# ------------------------------------------------------------------------------------------ events
@dataclass(frozen=True)
class Moment:
    t_s: float | None
    sd_s: float = 0.0
    reason: str | None = None
    marks: tuple[str, ...] = ()


def crossing(t: Array, x: Array, after: float, before: float, *, last: bool = False) -> float | None:
    """First (or last) zero crossing of a sampled curve in a stretch."""
    inside = (t >= after) & (t <= before)
    k = np.flatnonzero((x[:-1] * x[1:] <= 0) & (x[:-1] != x[1:]) & inside[:-1] & inside[1:])
    if not len(k):
        return None
    i = int(k[-1] if last else k[0])
    return float(t[i] - x[i] * (t[i + 1] - t[i]) / (x[i + 1] - x[i]))


def refine_top(t: Array, world_rate: Array, rough: Rough, impact_s: float) -> float:
    """Top of the backswing: where the rate about the downswing's mean axis changes sign, or the
    middle of a pause there. `world_rate` (n, 3) in a level frame."""
    top = rough.top_s
    for _ in range(4):
        inside = (t >= top) & (t <= impact_s)
        if np.count_nonzero(inside) < 3:
            break
        axis = world_rate[inside].sum(axis=0)
        axis /= np.linalg.norm(axis) + 1e-12
        about = world_rate @ axis
        fast = t[inside][int(np.argmax(about[inside]))]
        back = np.flatnonzero((t < fast) & (t > rough.takeaway_s) & (about < -REST_RATE))
        if not len(back):
            break
        i = int(back[-1])
        forth = np.flatnonzero((t > t[i]) & (about > REST_RATE))
        if not len(forth):
            break
        j = int(forth[0])
        if t[j] - t[i] > 0.05:
            new = 0.5 * (t[i] + t[j])
        else:
            new = crossing(t[i : j + 1], about[i : j + 1], t[i], t[j], last=True) or 0.5 * (t[i] + t[j])
        if abs(new - top) < 1e-4:
            return float(new)
        top = float(new)
    return float(top)


_LONG_AGO = 1.0  # s before takeaway; a forward press takes less
_MOVED_ON = 25.0 * DEG  # sway and tremor stay below
_PAUSE = 0.25  # s


def last_still(t: Array, speed: Array, rest_s: float, takeaway_s: float) -> float:
    """The last still moment before a swing: the end of the last rest, but where the club was waggled since, the
    calmest moment just before takeaway, however short that pause was."""
    since = (t > rest_s) & (t < takeaway_s)
    if takeaway_s - rest_s <= _LONG_AGO or speed[since].max(initial=0.0) <= _MOVED_ON:
        return rest_s
    pause = np.flatnonzero((t > takeaway_s - _PAUSE) & (t <= takeaway_s))
    return float(t[pause[speed[pause].argmin()]]) if len(pause) else takeaway_s


def slow_edge(t: Array, speed: Array, *, before: float | None = None, after: float | None = None) -> float | None:
    """Last time before, or first after, at which the rate is under 6 deg/s."""
    under = speed < REST_RATE
    if before is not None:
        k = np.flatnonzero(under & (t <= before))
        if not len(k):
            return None
        i = int(k[-1])
        if i + 1 < len(t) and speed[i + 1] > speed[i]:
            return float(t[i] + (REST_RATE - speed[i]) / (speed[i + 1] - speed[i]) * (t[i + 1] - t[i]))
        return float(t[i])
    k = np.flatnonzero(under & (t >= (after or 0.0)))
    return float(t[k[0]]) if len(k) else None
