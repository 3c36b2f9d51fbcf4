"""When the club met the ball.

A blow is where all sensors at once depart from smooth motion. A first search over the downswing tells
whether anything struck, and about when; then every gyro and accelerometer by itself says how likely
each instant is, whatever of it was lost or clipped, and the instant is what all of them together say.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy import ndimage

from imu.recording import Array
from imu.timebase import Samples


@dataclass(frozen=True)
class Expected:
    """When contact is expected, and the standard deviation of that, in s."""

    t_s: float
    sd_s: float

    def doubt(self, t_s: Array) -> Array:
        """Loss of log-likelihood at times (n,); bounded, since a golfer may do otherwise."""
        return np.minimum(0.5 * ((t_s - self.t_s) / self.sd_s) ** 2, 6.0)


def contact(
    sensors: Sequence[tuple[Samples, float]], start_s: float, end_s: float, expected: Expected
) -> tuple[float, float] | None:
    """First contact within a stretch and its standard deviation, in s; None where nothing struck.

    `sensors`, on one clock, with the time from which each swings freely (the top).
    """
    about = _struck(sensors, start_s, end_s, expected)
    every = [s for s, _ in sensors]
    return (_placed(every, about, expected) if about is not None else None) or _placed(every, expected.t_s, expected)


# ------------------------------------------------------------------------------------ first search
_QUIET = 0.03  # departures below it are noise
_MOST = 3.5
_LEAST = 1.0


def _struck(sensors: Sequence[tuple[Samples, float]], start_s: float, end_s: float, expected: Expected) -> float | None:
    """About when all sensors at once depart from smooth motion; None where nothing struck.

    Each sensor's evidence at an instant is by how much the sample that holds it, or the next, departs
    more than those before; capped, so that no single sensor (a packet put in the wrong place) outvotes
    the others.
    """
    grid = np.arange(start_s, end_s, 2.5e-4)
    evidence, strongest = np.zeros(len(grid)), np.zeros(len(grid))
    for samples, free_s in sensors:
        period = samples.period_s
        lo, hi = samples.index(free_s), samples.index(end_s + 2 * period) + 1
        if hi - lo < 12:
            continue
        t = samples.start_s + period * np.arange(lo, hi)
        strength = _departure(samples, lo, hi, t < start_s)
        # a lost sample's stand-in says nothing of a shock, nor does a step beside it
        unknown = ndimage.binary_dilation(~samples.present[lo:hi], np.ones(3))
        strength[unknown] = 0.0
        before = sliding_window_view(np.append(np.zeros(4), strength), 4).max(axis=1)[:-1]
        here = np.maximum(strength, np.append(strength[1:], 0.0))
        gain = np.log(np.maximum(here, 1e-9) / np.maximum(before, _QUIET))
        gain = np.where((here > 0.5) & ~unknown, np.clip(gain, 0.0, _MOST), 0.0)
        k = np.clip(np.floor((grid - t[0]) / period + 0.5).astype(int), 0, hi - lo - 1)
        evidence += gain[k]
        strongest = np.maximum(strongest, here[k])
    evidence[strongest < 1.0] = 0.0
    if not len(grid) or evidence.max() < _LEAST:
        return None
    evidence -= expected.doubt(grid)
    best = int(evidence.argmax())
    level = np.flatnonzero(evidence < evidence[best] - 0.25)
    lo, hi = level[level < best].max(initial=-1) + 1, level[level > best].min(initial=len(grid)) - 1
    return float(grid[lo] + grid[hi]) / 2


def _departure(samples: Samples, lo: int, hi: int, calm: np.ndarray) -> Array:
    """How far each sample (n,) lies off the parabola through the three before it, in units of what
    the swing does without a blow (`calm` samples)."""
    strength = np.zeros(hi - lo)
    for values, clipped, least in (
        (samples.gyro, samples.clipped_gyro, 1.2),
        (samples.accel, samples.clipped_accel, 25.0),
    ):
        part = np.nan_to_num(values[lo:hi])
        # an axis that comes off its rail departs as well, but says nothing
        rail = clipped[lo:hi]
        free = ~(rail[3:] | rail[2:-1] | rail[1:-2] | rail[:-3])
        jump = np.zeros(hi - lo)
        guess = 3 * part[2:-1] - 3 * part[1:-2] + part[:-3]
        jump[3:] = np.linalg.norm(np.where(free, part[3:] - guess, 0.0), axis=1)
        before = jump[calm]
        floor = max(least, 6.0 * float(np.percentile(before, 90)) if len(before) > 4 else least)
        strength = np.maximum(strength, jump / floor)
    return strength


# ------------------------------------------------------------------------------ within the samples
@dataclass(frozen=True)
class _Blow:
    """One way in which a blow may show in an instrument."""

    size: float  # of the departure, in the instrument's unit
    change_s: float  # in which its course changes
    fade_s: float = 0.03  # in which it dies away
    kick: float = 0.0  # variance of what is over within milliseconds, in squares of the size
    touch: float = 0.0  # how many times larger it is while the ball is on the face

    def covariance(self, since_s: Array) -> Array:
        """Between times (n,) since contact."""
        age = 0.5 * (since_s[:, None] + since_s)
        apart = np.sqrt(3.0) * np.abs(since_s[:, None] - since_s) / self.change_s
        fading = np.exp(-age / self.fade_s) + self.kick * np.exp(-age / _KICK_S)
        rise = np.minimum(since_s / _TOUCH_S, 1.0)
        touching = (since_s > 0) & (since_s < _TOUCH_S)
        course = fading * (1.0 + apart) * np.exp(-apart) * rise[:, None] * rise
        return np.asarray(self.size**2 * (course + self.touch**2 * np.outer(touching, touching)), np.float64)


@dataclass(frozen=True)
class _Feel:
    """How an instrument feels a swing and a blow, in its own unit (rad/s or m/s^2)."""

    parabola: float  # bound of what a parabola may add up to over the stretch
    roughness: tuple[float, ...]  # third derivative of smooth motion, per sqrt(s): any of these
    noise: float  # of a sample, with what else this does not describe
    blows: tuple[_Blow, ...]  # any of these


# Chosen on half the bench's recordings and on made rates that ring at once or slowly (tests/test_contact.py), so that
# what each says fits the true contact. The roughest motion is there since other swings are rougher: without it, what
# swings roughly seems struck as soon as it may be.
_GYRO = _Feel(60.0, (4e4, 2e5, 1e6), 0.04, (_Blow(0.6, 0.01, kick=2.0), _Blow(1.8, 0.01, kick=2.0), _Blow(3.0, 0.005)))
_ACCEL = _Feel(
    600.0,
    (1e5, 1e6, 1e7),
    2.0,
    (
        _Blow(8.0, 0.01, fade_s=0.2, touch=60.0),
        _Blow(40.0, 0.01, fade_s=0.2, touch=60.0),
        _Blow(40.0, 0.003, fade_s=0.2),
        _Blow(160.0, 0.003, fade_s=0.2),
    ),
)
_TOUCH_S = 2e-4  # a ball stays on the face for less than 0.5 ms (common practice, no source)
_KICK_S = 0.003  # in which a kick dies away

_REACH_S = 0.02  # the first search errs by less
_STRAY = 0.05  # chance that what an instrument shows there is none of it (a packet in the wrong place)
_SHARED = 0.6  # instruments feel the same swing: what is rough in it is rough in all of them
_FELT = 20.0  # log-likelihood by which all together must have felt a blow, and that any can give for or against it
_CLOCKS_S = 1.5e-4  # the fit's clocks err by so much


def _placed(sensors: Sequence[Samples], about_s: float, expected: Expected) -> tuple[float, float] | None:
    """Contact near `about_s` and its standard deviation; None where no instrument felt one."""
    coarse = about_s + np.arange(-_REACH_S, _REACH_S + 1e-9, 1e-3)
    tried = [(c, c.gain(coarse, coarse[0])) for s in sensors for c in _instruments(s, coarse[0], coarse[-1])]
    if sum(float(np.clip(g.max(), -_FELT, _FELT)) for _, g in tried) <= _FELT:
        return None
    felt = [(c, g) for c, g in tried if g.max() > 0]
    chance = _together([g for _, g in felt], coarse, expected)
    likely = coarse[chance > 3e-4 * chance.max()]
    fine = np.setdiff1d(np.concatenate([np.round(likely + d, 7) for d in np.arange(-1e-3, 1.01e-3, 2e-4)]), coarse)
    grid = np.concatenate([coarse, fine])
    order = np.argsort(grid)
    grid = grid[order]
    gains = [np.concatenate([g, c.gain(fine, coarse[0])])[order] for c, g in felt]
    chance = _together(gains, grid, expected)
    mean = float(chance @ grid)
    return mean, float(np.sqrt(chance @ (grid - mean) ** 2 + _CLOCKS_S**2))


def _together(gains: Sequence[Array], grid: Array, expected: Expected) -> Array:
    """Chance (n,) of each time of a grid, from the log-likelihoods (n,) of all that felt the blow."""
    width = np.gradient(grid)
    total = -expected.doubt(grid)
    for gain in gains:
        density = np.exp(_SHARED * (gain - gain.max()))
        density /= density @ width
        total += np.log((1.0 - _STRAY) * density + _STRAY / width.sum())
    chance = np.exp(total - total.max()) * width
    return np.asarray(chance / chance.sum(), np.float64)


def _instruments(samples: Samples, lo_s: float, hi_s: float) -> list[_Instrument]:
    """Gyro and accelerometer of a sensor around times between which contact may lie."""
    period = samples.period_s
    first = int(np.ceil((lo_s - max(6 * period, 0.03) - samples.start_s) / period))
    last = int(np.floor((hi_s + max(3 * period, 0.015) - samples.start_s) / period))
    rows = np.arange(max(0, first), min(len(samples) - 1, last) + 1)
    if len(rows) < 6:
        return []
    t = np.asarray(samples.start_s + period * rows, np.float64)
    return [
        _Instrument(
            feel, t, period, np.nan_to_num(x[rows]), samples.present[rows, None] & ~rail[rows] & np.isfinite(x[rows])
        )
        for feel, x, rail in (
            (_GYRO, samples.gyro, samples.clipped_gyro),
            (_ACCEL, samples.accel, samples.clipped_accel),
        )
    ]


@dataclass(frozen=True, eq=False)
class _Instrument:
    """What a gyro or an accelerometer recorded around a blow, and how likely that is.

    Smooth motion is a parabola and what a third derivative of white noise adds to it (a smoothing
    spline: Wahba 1978, J R Stat Soc B 40:364). From contact on each axis departs from it by a jump that
    rings and dies away, of unknown size and course: a Matern process that starts there. A sample is the
    mean over its period, so the struck one shows a share of the jump. The axes are alike, since a
    sensor sits anyhow; what was lost or clipped is left out.
    """

    feel: _Feel
    t_s: Array  # (n,) centres of the samples
    period_s: float
    values: Array  # (n, 3)
    known: np.ndarray  # (n, 3)

    def gain(self, grid: Array, earliest_s: float) -> Array:
        """Log-likelihood (m,) of contact at each time of a grid, over that of no contact. `earliest_s`: before which
        there was none, whatever the grid."""
        feel = self.feel
        # samples that end before any of these times tell the same of all
        struck = self.t_s + 0.5 * self.period_s > earliest_s
        departures = self._departures(grid, self.t_s[struck], earliest_s)
        total = np.zeros((len(feel.roughness), len(feel.blows), len(grid)))
        calm = np.zeros(len(feel.roughness))
        alike: dict[bytes, list[int]] = {}  # axes of which the same samples are known
        for axis, known in enumerate(self.known.T):
            alike.setdefault(known.tobytes(), []).append(axis)
        for axes in alike.values():
            use = self.known[:, axes[0]]
            n = np.count_nonzero(use & ~struck)
            if n < 3 or np.count_nonzero(use & struck) < 3:
                continue
            y = self.values[use][:, axes]
            curve, bend = _smooth(self.t_s[use], feel)
            smooth = curve + np.square(feel.roughness)[:, None, None] * bend
            by_before = np.swapaxes(np.linalg.solve(smooth[:, :n, :n], smooth[:, :n, n:]), 1, 2)
            left, doubt = y[n:] - by_before @ y[:n], smooth[:, n:, n:] - by_before @ smooth[:, :n, n:]
            calm += _log_normal(doubt, left)
            shown = departures[:, :, use[struck]][..., use[struck]]
            total += _log_normal(doubt[:, None, None] + shown, left[:, None, None])
        return np.asarray(_log_mean(total.reshape(-1, len(grid))) - _log_mean(calm), np.float64)

    def _departures(self, grid: Array, t_s: Array, earliest_s: float) -> Array:
        """For each kind of blow, the covariance (blows, m, k, k) of what contact at each time of a grid leaves in the
        samples at `t_s` (k,).

        The course between nodes is taken as a line: taken as steps, a smooth one errs by more than the noise, and
        contact sticks to where the steps fit.
        """
        end = max(0.034, self.t_s[-1] + self.period_s - earliest_s + 4e-3)
        nodes = np.concatenate(
            [
                [0.0, 0.5 * _TOUCH_S, _TOUCH_S],
                np.arange(1e-3, 0.01, 1e-3),
                np.arange(0.01, 0.03, 2e-3),
                np.arange(0.03, end, 3e-3),
            ]
        )
        since = t_s[None, :, None] - grid[:, None, None]
        half = 0.5 * self.period_s
        share = (_below(since + half, nodes) - _below(since - half, nodes)) / self.period_s
        between = np.concatenate([b.covariance(nodes) for b in self.feel.blows], axis=1)
        half_way = (share.reshape(-1, len(nodes)) @ between).reshape(*share.shape[:2], -1, len(nodes))
        return np.asarray(np.moveaxis(half_way, 2, 0) @ np.swapaxes(share, 1, 2), np.float64)


def _below(x: Array, nodes: Array) -> Array:
    """How much each value at sorted nodes (n,) counts in the integral up to x (..., 1) of the lines between them."""
    left = np.clip(x, nodes[:-1], nodes[1:]) - nodes[:-1]  # how far into each stretch
    length = np.diff(nodes)
    rising = left**2 / (2.0 * length)
    out = np.zeros((*x.shape[:-1], len(nodes)))
    out[..., 1:] += rising
    out[..., :-1] += left - rising
    return out


def _smooth(t_s: Array, feel: _Feel) -> tuple[Array, Array]:
    """Covariances (n, n) of smooth motion at sorted times: of parabola and noise, and of what a third derivative of unit
    white noise adds."""
    s = t_s - t_s[0] + 1e-3
    early, apart = np.minimum(s[:, None], s), np.abs(s[:, None] - s)
    powers = (s / s[-1])[:, None] ** np.arange(3)
    curve = feel.parabola**2 * powers @ powers.T + feel.noise**2 * np.eye(len(s))
    return curve, (early**5 / 5 + apart * early**4 / 2 + apart**2 * early**3 / 3) / 4


def _log_normal(covariance: Array, y: Array) -> Array:
    """Log density (...), but for a constant, of independent columns of y (..., k, a) under covariances (..., k, k)."""
    k, a = y.shape[-2:]
    # one factor of [[covariance, y], [y', enough]] holds that of the covariance and what y is in it
    whole = np.zeros((*covariance.shape[:-2], k + a, k + a))
    whole[..., :k, :k], whole[..., k:, :k], whole[..., k:, k:] = covariance, np.swapaxes(y, -1, -2), 1e15 * np.eye(a)
    root = np.linalg.cholesky(whole)
    size = np.log(np.diagonal(root[..., :k, :k], axis1=-2, axis2=-1)).sum(axis=-1)
    return np.asarray(-a * size - 0.5 * np.sum(root[..., k:, :k] ** 2, axis=(-2, -1)), np.float64)


def _log_mean(x: Array) -> Array:
    """Log of the mean of exp(x) over the first axis."""
    most = x.max(axis=0)
    return np.asarray(most + np.log(np.mean(np.exp(x - most), axis=0)), np.float64)
