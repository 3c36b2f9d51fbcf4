"""The difference of two samples of swings, and what it is worth.

The model is hierarchical: swings within calibrations within lessons. A reading is the set's mean,
plus the lesson's own level where a set holds several lessons, plus the zero that was drawn once for
its calibration and that all swings of that calibration share, plus what differs from swing to swing.
More swings shrink only the last part; a calibration that both sets share cancels. The size of the
zero is known beforehand (JCGM 100:2008), that of the swing-to-swing part is estimated from the
swings, and both meet in one generalised least-squares contrast whose degrees of freedom follow Welch
and Satterthwaite (JCGM 100:2008, G.4).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from statistics import NormalDist
from typing import Any

import numpy as np
import scipy  # its parts load when asked for: `scipy.stats` takes a second that pages need not wait

from imu.errors import CupbowError
from imu.recording import Array
from imu.words import say

COVERAGE = NormalDist().inv_cdf(0.975)
"""Expanded over standard uncertainty, 95 % coverage."""

NOT_YET = "not yet distinguishable"

POWER = 0.8
"""How surely the swings that "would tell" would tell, were the difference as it looks now."""

MOST_MORE = 60
"""More swings than this are not asked for: it is said that more won't tell."""

FEW = 5
OUTLIER = 3.5  # modified z-score, Iglewicz & Hoaglin 1993, How to Detect and Handle Outliers
RESOLUTION = 1e-3 / math.sqrt(12.0)  # results are kept to a thousandth of a degree


@dataclass(frozen=True, eq=False)
class Sample:
    """Readings of one measure in one set.

    `values` (n,), with the calibration and lesson of each; `zero_u` maps each calibration to the
    standard uncertainty of its zero, in the unit of the values.
    """

    values: Array
    calibrations: tuple[str, ...]
    lessons: tuple[str, ...]
    zero_u: Mapping[str, float]

    @classmethod
    def plain(cls, values: Sequence[float] | Array, *, calibration: str = "", zero_u: float = 0.0) -> Sample:
        """All swings from one calibration."""
        y = np.asarray(values, dtype=float)
        return cls(y, (calibration,) * len(y), (calibration,) * len(y), {calibration: zero_u})

    def without(self, rows: Iterable[int]) -> Sample:
        out = set(rows)
        keep = [i for i in range(len(self.values)) if i not in out]
        return Sample(
            self.values[keep],
            tuple(self.calibrations[i] for i in keep),
            tuple(self.lessons[i] for i in keep),
            self.zero_u,
        )

    def centred(self) -> Array:
        """Values less the median of their calibration."""
        out = self.values.copy()
        for c in set(self.calibrations):
            rows = [i for i, x in enumerate(self.calibrations) if x == c]
            out[rows] -= np.median(out[rows])
        return out

    def outliers(self) -> list[int]:
        """Rows whose modified z-score exceeds 3.5 (Iglewicz & Hoaglin 1993); none among fewer than 5."""
        if len(self.values) < FEW:
            return []
        off = np.abs(self.centred())
        mad = float(np.median(off))
        return [int(i) for i in np.flatnonzero(0.6745 * off > OUTLIER * max(mad, RESOLUTION))]


@dataclass(frozen=True, eq=False)
class _Layout:
    """Cells (set, calibration) of two samples: what the contrast needs to know of the swings."""

    sets: Array  # (k,) 0 or 1
    counts: Array  # (k,)
    means: Array  # (k,)
    shared_zero: Array  # (k, k) covariance of the zeros
    same_lesson: Array  # (k, k) 1 where two cells come from one lesson
    var: tuple[float, float]  # swing to swing, per set
    dof: tuple[int, int]
    extra: Array  # (k, k) covariance beyond zeros and swings: lessons that differ
    extra_dof: float

    def contrast(self, counts: Array | None = None) -> tuple[Array, Array, Array]:
        """Weights (2, k) that give the two means, and the covariances (k, k) of swings and zeros."""
        n = self.counts if counts is None else counts
        swings = np.diag(np.where(self.sets == 0, self.var[0], self.var[1]) / n)
        design = np.stack([self.sets == 0, self.sets == 1], axis=1).astype(float)
        solved = np.linalg.solve(swings + self.shared_zero + self.extra, design)
        return np.linalg.solve(design.T @ solved, solved.T), swings, self.shared_zero

    def uncertainty(self, counts: Array | None = None) -> tuple[float, float, float, float, Array]:
        """Of the difference: u of swings, zeros and lessons, Welch–Satterthwaite dof, weights (k,)."""
        n = self.counts if counts is None else counts
        weights, _, zeros = self.contrast(n)
        w = weights[1] - weights[0]
        parts = [float(np.sum(w[self.sets == s] ** 2 * self.var[s] / n[self.sets == s])) for s in (0, 1)]
        more = n.sum() - self.counts.sum()
        dofs = [self.dof[s] + (more if counts is not None and np.any((n > self.counts) & (self.sets == s)) else 0)
                for s in (0, 1)]  # fmt: skip
        lessons = float(w @ self.extra @ w)
        zero = float(w @ zeros @ w)
        total = sum(parts) + zero + lessons
        below = sum(p * p / d for p, d in zip(parts, dofs, strict=True)) + lessons**2 / self.extra_dof
        dof = total * total / below if below > 0 else math.inf
        return math.sqrt(sum(parts)), math.sqrt(max(zero, 0.0)), math.sqrt(lessons), dof, w


def _layout(a: Sample, b: Sample) -> _Layout:
    sets, counts, means, cals, lessons = [], [], [], [], []
    ss, dof = [0.0, 0.0], [0, 0]
    for s, sample in enumerate((a, b)):
        for c in dict.fromkeys(sample.calibrations):
            rows = [i for i, x in enumerate(sample.calibrations) if x == c]
            y = sample.values[rows]
            sets.append(s)
            counts.append(len(y))
            means.append(y.mean())
            cals.append(c)
            lessons.append(sample.lessons[rows[0]])
            ss[s] += float(((y - y.mean()) ** 2).sum())
            dof[s] += len(y) - 1
    zero = {**a.zero_u, **b.zero_u}
    for c in a.zero_u.keys() & b.zero_u.keys():
        zero[c] = max(a.zero_u[c], b.zero_u[c])
    k = len(sets)
    same_cal = np.array([[cals[i] == cals[j] for j in range(k)] for i in range(k)])
    same_lesson = np.array([[lessons[i] == lessons[j] for j in range(k)] for i in range(k)])
    u = np.array([zero[c] for c in cals])
    # One set without a repeat borrows the spread of the other.
    pooled = sum(ss) / max(sum(dof), 1)
    var = tuple(max(ss[s] / dof[s] if dof[s] else pooled, RESOLUTION**2) for s in (0, 1))
    return _with_lessons(
        _Layout(
            sets=np.array(sets),
            counts=np.array(counts, dtype=float),
            means=np.array(means),
            shared_zero=np.where(same_cal, np.outer(u, u), 0.0),
            same_lesson=same_lesson.astype(float),
            var=(var[0], var[1]),
            dof=(dof[0] or sum(dof) or 1, dof[1] or sum(dof) or 1),
            extra=np.zeros((k, k)),
            extra_dof=math.inf,
        )
    )


def _with_lessons(layout: _Layout) -> _Layout:
    """Adds what lessons (or calibrations of one lesson) differ beyond zeros and swings.

    Method of moments (DerSimonian & Laird 1986, doi:10.1016/0197-2456(86)90046-2, for any
    covariance): a level that both sets share within a lesson, and one of each cell. A few lessons
    may agree by luck, which would make the interval too narrow; half the standard error that the
    moment estimate has among lessons that don't differ is therefore added.
    """
    free = len(layout.sets) - 2
    if free < 1:
        return layout
    design = np.stack([layout.sets == 0, layout.sets == 1], axis=1).astype(float)
    across = layout.same_lesson[layout.sets == 0][:, layout.sets == 1].any()
    several = any((layout.same_lesson[layout.sets == s][:, layout.sets == s] == 0).any() for s in (0, 1))
    cells = np.eye(len(layout.sets))
    # Of cells that share lessons, only what the lessons' own levels leave tells how they differ.
    dof = len(layout.sets) - int(np.linalg.matrix_rank(np.hstack([design, layout.same_lesson]))) if across else free
    dof = max(dof, 1)
    levels = (layout.same_lesson, cells) if across else (layout.same_lesson,) if several else (cells,)
    out = layout
    for level in levels:
        weights, swings, zeros = out.contrast()
        inverse = np.linalg.inv(swings + zeros + out.extra)
        residual = layout.means - design @ (weights @ layout.means)
        projector = inverse - inverse @ design @ weights
        per_unit = float(np.trace(projector @ level))
        if per_unit > 1e-6 * float(np.trace(projector)):
            tau2 = max((float(residual @ inverse @ residual) - free) / per_unit, 0.0)
            if several and level is levels[-1]:
                tau2 += 0.5 * math.sqrt(2.0 * free) / per_unit
            if tau2 > 0:
                out = replace(out, extra=out.extra + tau2 * level, extra_dof=float(dof))
    return out


@dataclass(frozen=True, eq=False)
class Estimate:
    """The difference of two sets (second less first) in the unit of the readings.

    `u` is its standard uncertainty with `dof` degrees of freedom, made of `u_swings`, which more
    swings shrink, and of `u_zero` and `u_lessons`, which they don't.
    """

    mean_a: float
    mean_b: float
    u_mean_a: float
    u_mean_b: float
    sd_a: float
    sd_b: float
    sd: float  # pooled, swing to swing within calibrations
    n_a: int
    n_b: int
    u_swings: float
    u_zero: float
    u_lessons: float
    dof: float
    layout: _Layout

    @property
    def difference(self) -> float:
        return self.mean_b - self.mean_a

    @property
    def u(self) -> float:
        return math.sqrt(self.u_swings**2 + self.u_zero**2 + self.u_lessons**2)

    @property
    def zero_u95(self) -> float:
        """What the zeros alone make of a difference, 95 % coverage."""
        return COVERAGE * self.u_zero

    @property
    def p(self) -> float:
        """Two-sided, of this difference looked at alone."""
        return float(2 * scipy.stats.t.sf(abs(self.difference) / self.u, self.dof))

    def half_width(self, alpha: float = 0.05) -> float:
        """Of the (1 − alpha) interval: the smallest detectable change."""
        return float(scipy.stats.t.isf(alpha / 2, self.dof)) * self.u

    def detectable(self, alpha: float = 0.05, power: float = POWER) -> float:
        """The true change that would be called changed with the given probability."""
        return float(scipy.stats.t.isf(alpha / 2, self.dof) + scipy.stats.t.isf(1 - power, self.dof)) * self.u

    @property
    def effect(self) -> float:
        """Hedges' g: the difference over the pooled swing-to-swing spread, corrected for few swings
        (Hedges 1981, doi:10.3102/10769986006002107)."""
        return self.difference / self.sd * (1 - 3 / (4 * (self.n_a + self.n_b - 2) - 1)) if self.sd > 0 else math.nan

    def tell(self, alpha: float = 0.05) -> Tell:
        """How many more swings would tell, were the difference as it looks now."""
        need = abs(self.difference)
        last = [int(np.flatnonzero(self.layout.sets == s)[-1]) for s in (0, 1)]

        def detectable(more: float, cells: Sequence[int]) -> float:
            counts = self.layout.counts.copy()
            counts[list(cells)] += more
            swings, zero, lessons, dof, _ = self.layout.uncertainty(counts)
            factor = float(scipy.stats.t.isf(alpha / 2, dof) + scipy.stats.t.isf(1 - POWER, dof))
            return factor * math.sqrt(swings**2 + zero**2 + lessons**2)

        for who, cells in (("later", last[1:]), ("each", last)):
            if detectable(MOST_MORE, cells) <= need:
                low, high = 0, MOST_MORE
                while high - low > 1:
                    mid = (low + high) // 2
                    low, high = (low, mid) if detectable(mid, cells) <= need else (mid, high)
                return Tell(who, high)
        shared = math.hypot(self.u_zero, self.u_lessons) * float(
            scipy.stats.norm.isf(alpha / 2) + scipy.stats.norm.isf(1 - POWER)
        )
        if self.u_lessons > self.u_zero and shared > 0.5 * need:
            return Tell("never", limit="lessons")
        return Tell("never", limit="zero" if self.u_zero > 0 and shared > 0.5 * need else "small")


@dataclass(frozen=True)
class Tell:
    """What would tell: `swings` more in the `later` set or in `each`; or `never`, for the `zero` (or
    the spread between `lessons`) is larger than the difference, or the difference is too `small`."""

    who: str
    swings: int | None = None
    limit: str | None = None

    def to_json(self) -> dict[str, Any]:
        return {"who": self.who, "swings": self.swings, "limit": self.limit}


def estimate(a: Sample, b: Sample) -> Estimate:
    """The difference b − a of two samples, with its uncertainty.

    With one calibration each and no zero it is Welch's test. Raises CupbowError when neither set
    repeats: without two swings from one calibration nobody knows the spread.
    """
    if len(a.values) == 0 or len(b.values) == 0:
        raise CupbowError(say("reason.no_reading"))
    layout = _layout(a, b)
    dofs = [len(s.values) - len(set(s.calibrations)) for s in (a, b)]
    if sum(dofs) < 1:
        raise CupbowError(say("reason.too_few_spread"))
    swings, zero, lessons, dof, _ = layout.uncertainty()
    weights, cov_swings, cov_zeros = layout.contrast()
    means = weights @ layout.means
    cov = weights @ (cov_swings + cov_zeros + layout.extra) @ weights.T
    pooled = sum(v * d for v, d in zip(layout.var, dofs, strict=True)) / sum(dofs)
    return Estimate(
        mean_a=float(means[0]),
        mean_b=float(means[1]),
        u_mean_a=math.sqrt(cov[0, 0]),
        u_mean_b=math.sqrt(cov[1, 1]),
        sd_a=math.sqrt(layout.var[0]) if dofs[0] else math.nan,
        sd_b=math.sqrt(layout.var[1]) if dofs[1] else math.nan,
        sd=math.sqrt(pooled),
        n_a=len(a.values),
        n_b=len(b.values),
        u_swings=swings,
        u_zero=zero,
        u_lessons=lessons,
        dof=dof,
        layout=layout,
    )


def joint_alpha(correlation: Array, alpha: float = 0.05) -> float:
    """The level at which each of m tests is judged so that, with nothing changed, any of them comes
    out significant with probability `alpha`.

    `correlation` (m, m) is that of the m differences. By quasi-random integration; one test
    gives `alpha`, independent ones Šidák's level.
    """
    m = len(correlation)
    if m <= 1:
        return alpha
    values, vectors = np.linalg.eigh(correlation)
    root = vectors * np.sqrt(np.clip(values, 0.0, None))
    draws = _normal_draws(m) @ root.T
    least = 1 - (1 - alpha) ** (1 / m)
    found = 2 * float(scipy.stats.norm.sf(np.quantile(np.abs(draws).max(axis=1), 1 - alpha)))
    return min(max(found, least), alpha)


@lru_cache(maxsize=16)
def _normal_draws(m: int) -> Array:
    """Low-discrepancy, with a fixed seed: a verdict does not depend on the throw of dice."""
    engine = scipy.stats.qmc.MultivariateNormalQMC(np.zeros(m), rng=np.random.default_rng(20260101))
    return np.asarray(engine.random(2**14))


# -- spread ----
@dataclass(frozen=True, eq=False)
class Steadiness:
    """Spread from swing to swing, second set over first, with its 95 % interval from F; judged by
    Brown and Forsythe's test (1974), which outliers and skew disturb less."""

    sd_a: float
    sd_b: float
    ratio: float
    low: float
    high: float
    p: float

    @property
    def verdict(self) -> str:
        if self.p >= 0.05:
            return NOT_YET
        return "steadier" if self.ratio < 1 else "less steady"


def steadiness(a: Sample, b: Sample) -> Steadiness | None:
    """None below five swings a set, where a spread says nothing."""
    if min(len(a.values), len(b.values)) < FEW:
        return None
    ca, cb = a.centred(), b.centred()
    if max(np.ptp(ca), np.ptp(cb)) <= 2 * RESOLUTION:
        return None
    da, db = (len(s.values) - len(set(s.calibrations)) for s in (a, b))
    if min(da, db) < 1:
        return None
    e = estimate(a, b)
    ratio = e.sd_b / e.sd_a
    f_low, f_high = scipy.stats.f.ppf([0.025, 0.975], db, da)
    return Steadiness(
        e.sd_a,
        e.sd_b,
        ratio,
        float(ratio / math.sqrt(f_high)),
        float(ratio / math.sqrt(f_low)),
        float(scipy.stats.levene(ca, cb, center="median").pvalue),
    )
