"""What has changed between sets of swings, and what cannot be told yet.

The model is hierarchical: swings within calibrations within lessons. A reading is the set's mean,
plus the lesson's own level where a set holds several lessons, plus the zero that was drawn once for
its calibration and that all swings of that calibration share, plus what differs from swing to swing.
More swings shrink only the last part; a calibration that both sets share cancels; a change between
two events of one swing never held the zero. The size of the zero is known beforehand (the shared
part of each reading's uncertainty, JCGM 100:2008), that of the swing-to-swing part is estimated from
the swings, and both meet in one generalised least-squares contrast whose degrees of freedom follow
Welch and Satterthwaite (JCGM 100:2008, G.4).

A difference is `changed` when it exceeds the smallest detectable change, which is the half-width
of its 95 % interval. Several targets looked at together are judged together: their joint error stays
at 5 % (single-step maximum test, Hothorn, Bretz & Westfall 2008, doi:10.1002/bimj.200810425), so
each further target widens the fog a little. Measures that are not targets get an interval, no verdict.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
from scipy import stats

from imu.errors import CupbowError, UsageError
from imu.measured import Measurement, Swing, Value
from imu.recording import ANGLES, EVENTS, KINDS, SIGNS, Array

SCHEMA = "cupbow.compare/1"

COVERAGE = float(stats.norm.ppf(0.975))
"""Expanded over standard uncertainty, 95 % coverage."""

CHANGED = "changed"
NOT_YET = "not yet distinguishable"
NOT_COMPARED = "not compared"

DEFAULT_TARGETS = (
    "wrist_flexion@top",
    "wrist_flexion@impact",
    "wrist_flexion@top..shaft_level_down",
    "face_to_forearm@top",
    "shaft_past_level@top",
)
"""Judged when neither the caller nor the swings' bands name targets."""

TEMPO = ("backswing_s", "downswing_s", "ratio")

POWER = 0.8
"""How surely the swings that "would tell" would tell, were the difference as it looks now."""

MOST_MORE = 60
"""More swings than this are not asked for: it is said that more won't tell."""

FEW = 5
OUTLIER = 3.5  # modified z-score, Iglewicz & Hoaglin 1993, How to Detect and Handle Outliers
RESOLUTION = 1e-3 / math.sqrt(12.0)  # results are kept to a thousandth of a degree


# -- sets of swings ----------------------------------------------------------------------------
@dataclass(frozen=True, eq=False)
class Part:
    """Swings of one measured recording that belong to a set.

    `calibration` names the draw of the zero: parts with the same name share it. `lesson` defaults
    to it. `swings` are indices (from 1), all when None.
    """

    measurement: Measurement
    calibration: str
    lesson: str | None = None
    swings: tuple[int, ...] | None = None
    club: str | None = None  # where the recording does not say
    left_out: Mapping[int, str] = field(default_factory=dict)  # by the coach: swing -> why

    @property
    def chosen(self) -> tuple[Swing, ...]:
        return tuple(s for s in self.taken if s.index not in self.left_out)

    @property
    def taken(self) -> tuple[Swing, ...]:
        """Those that belong to the set, the left-out ones among them."""
        if self.swings is None:
            return self.measurement.swings
        return tuple(s for s in self.measurement.swings if s.index in self.swings)

    @property
    def club_name(self) -> str | None:
        return self.club or self.measurement.club


@dataclass(frozen=True, eq=False)
class SwingSet:
    """Swings that are looked at together, under one label ("Lesson 3, 24 May")."""

    label: str
    parts: tuple[Part, ...]

    @classmethod
    def of(cls, label: str, measurement: Measurement, *, calibration: str | None = None) -> SwingSet:
        """A set that is one recording with its own calibration."""
        return cls(label, (Part(measurement, calibration or label),))

    @property
    def clubs(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(p.club_name or "club not named" for p in self.parts if p.chosen))

    @property
    def calibrations(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(p.calibration for p in self.parts if p.chosen))

    @property
    def lessons(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(p.lesson or p.calibration for p in self.parts if p.chosen))

    def entries(self, kind: str) -> tuple[Entry, ...]:
        """The swings of one kind that are good enough to count, each with where it comes from."""
        many = len([p for p in self.parts if p.chosen]) > 1
        return tuple(
            Entry(s, p.calibration, p.lesson or p.calibration, f"{p.calibration} {s.index}" if many else str(s.index))
            for p in self.parts
            for s in p.chosen
            if s.kind == kind and s.grade != "poor"
        )

    def kinds(self) -> Counter[str]:
        return Counter(s.kind for p in self.parts for s in p.chosen if s.grade != "poor")


@dataclass(frozen=True, eq=False)
class Entry:
    swing: Swing
    calibration: str
    lesson: str
    name: str  # the swing's number, with its calibration where a set has several


# -- one measure, two sets: numbers ------------------------------------------------------------
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
                out = replace(out, extra=out.extra + tau2 * level, extra_dof=float(free))
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
    def p(self) -> float:
        """Two-sided, of this difference looked at alone."""
        return float(2 * stats.t.sf(abs(self.difference) / self.u, self.dof))

    def half_width(self, alpha: float = 0.05) -> float:
        """Of the (1 − alpha) interval: the smallest detectable change."""
        return float(stats.t.isf(alpha / 2, self.dof)) * self.u

    def detectable(self, alpha: float = 0.05, power: float = POWER) -> float:
        """The true change that would be called changed with the given probability."""
        return float(stats.t.isf(alpha / 2, self.dof) + stats.t.isf(1 - power, self.dof)) * self.u

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
            factor = float(stats.t.isf(alpha / 2, dof) + stats.t.isf(1 - POWER, dof))
            return factor * math.sqrt(swings**2 + zero**2 + lessons**2)

        for who, cells in (("later", last[1:]), ("each", last)):
            if detectable(MOST_MORE, cells) <= need:
                low, high = 0, MOST_MORE
                while high - low > 1:
                    mid = (low + high) // 2
                    low, high = (low, mid) if detectable(mid, cells) <= need else (mid, high)
                return Tell(who, high)
        shared = math.hypot(self.u_zero, self.u_lessons) * float(stats.norm.isf(alpha / 2) + stats.norm.isf(1 - POWER))
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
        raise CupbowError("a set holds no reading of this measure: nothing to compare")
    layout = _layout(a, b)
    dofs = [len(s.values) - len(set(s.calibrations)) for s in (a, b)]
    if sum(dofs) < 1:
        raise CupbowError("too few swings to know their spread: two of one calibration at least")
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


@dataclass(frozen=True, eq=False)
class Summary:
    """One measure of one set: mean with the half-width of its 95 % interval (zeros and all), and the
    spread from swing to swing (standard deviation, NaN for single swings)."""

    label: str
    key: str
    mean: float
    u95: float
    sd: float
    values: tuple[tuple[str, float], ...]

    @property
    def n(self) -> int:
        return len(self.values)


def summarise(group: SwingSet, key: str, *, kind: str = "full") -> Summary | None:
    """None where fewer than two readings of one calibration are there."""
    r = _readings(group, kind, key)
    # Laid beside a set that stands still and has no zero, the difference is the mean.
    still = Sample.plain([0.0, 0.0], calibration=" ")
    if len(r.sample.values) - len(set(r.sample.calibrations)) < 1:
        return None
    e = estimate(still, r.sample)
    named = tuple(zip(r.names, map(float, r.sample.values), strict=True))
    return Summary(group.label, key, e.mean_b, e.half_width(), e.sd_b, named)


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
    found = 2 * float(stats.norm.sf(np.quantile(np.abs(draws).max(axis=1), 1 - alpha)))
    return min(max(found, least), alpha)


@lru_cache(maxsize=16)
def _normal_draws(m: int) -> Array:
    """Low-discrepancy, with a fixed seed: a verdict does not depend on the throw of dice."""
    engine = stats.qmc.MultivariateNormalQMC(np.zeros(m), rng=np.random.default_rng(20260101))
    return np.asarray(engine.random(2**14))


# -- one measure, two sets: what is shown ------------------------------------------------------
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
    f_low, f_high = stats.f.ppf([0.025, 0.975], db, da)
    return Steadiness(
        e.sd_a,
        e.sd_b,
        ratio,
        float(ratio / math.sqrt(f_high)),
        float(ratio / math.sqrt(f_low)),
        float(stats.levene(ca, cb, center="median").pvalue),
    )


@dataclass(frozen=True, eq=False)
class Row:
    """One measure of two sets.

    `key` is `angle@event`, `angle@event..event` or `tempo@name`; numbers in degrees (tempo: seconds,
    or none). `sdc` is the smallest detectable change that the verdict rests on, `sdc_alone` that
    of this measure looked at alone (its half-width makes `low`…`high`, the plain 95 % interval).
    """

    key: str
    target: bool
    verdict: str | None
    reason: str | None = None
    estimate: Estimate | None = None
    alpha: float = 0.05
    samples: tuple[Sample, Sample] | None = None
    values_a: tuple[tuple[str, float], ...] = ()
    values_b: tuple[tuple[str, float], ...] = ()
    left_out: Mapping[str, int] = field(default_factory=dict)  # reason -> how many, both sets
    outliers: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    band: tuple[float, float] | None = None

    @property
    def angle(self) -> str:
        return self.key.partition("@")[0]

    @property
    def unit(self) -> str:
        return "°" if self.angle != "tempo" else "" if self.key.endswith("ratio") else " s"

    @property
    def sdc(self) -> float | None:
        return self.estimate.half_width(self.alpha) if self.estimate else None

    @property
    def sdc_alone(self) -> float | None:
        return self.estimate.half_width() if self.estimate else None

    @property
    def difference(self) -> float | None:
        return self.estimate.difference if self.estimate else None

    @property
    def low(self) -> float | None:
        return self.estimate.difference - self.estimate.half_width() if self.estimate else None

    @property
    def high(self) -> float | None:
        return self.estimate.difference + self.estimate.half_width() if self.estimate else None

    @cached_property
    def steadiness(self) -> Steadiness | None:
        return steadiness(*self.samples) if self.samples and self.estimate else None

    @cached_property
    def tell(self) -> Tell | None:
        return self.estimate.tell(self.alpha) if self.estimate and self.verdict == NOT_YET else None

    def to_json(self) -> dict[str, Any]:
        e, digits = self.estimate, 3 if self.angle != "tempo" else 4
        out: dict[str, Any] = {"measure": self.key, "target": self.target, "verdict": self.verdict}
        if self.reason:
            out["reason"] = self.reason
        if e:
            numbers = {
                "mean_a": e.mean_a, "mean_a_u95": COVERAGE * e.u_mean_a, "sd_a": e.sd_a,
                "mean_b": e.mean_b, "mean_b_u95": COVERAGE * e.u_mean_b, "sd_b": e.sd_b,
                "difference": e.difference, "low": self.low, "high": self.high, "effect_g": e.effect, "p": e.p,
                "dof": e.dof, "sdc": self.sdc, "sdc_alone": self.sdc_alone, "detectable": e.detectable(self.alpha),
                "u_swings": e.u_swings, "u_zero": e.u_zero, "u_lessons": e.u_lessons,
            }  # fmt: skip
            out |= {"n_a": e.n_a, "n_b": e.n_b}
            out |= {k: _json_number(k, v, digits)
                    for k, v in numbers.items()}  # fmt: skip
            out["says"] = change_words(self)
        if self.tell:
            out["more_swings"] = {**self.tell.to_json(), "says": tell_words(self)}
        if self.steadiness:
            s = self.steadiness
            out["steadiness"] = {"ratio": round(s.ratio, 3), "low": round(s.low, 3), "high": round(s.high, 3),
                                 "p": round(s.p, 6), "verdict": s.verdict}  # fmt: skip
        if self.left_out:
            out["left_out"] = dict(self.left_out)
        if self.outliers:
            out["outliers"] = list(self.outliers)
        if self.notes:
            out["notes"] = list(self.notes)
        return out


def _json_number(key: str, value: float | None, digits: int) -> float | None:
    if value is None or not math.isfinite(value):
        return None
    return float(f"{value:.3g}") if key == "p" else round(value, digits)


@dataclass(frozen=True)
class Caution:
    """Something to know before concluding: a lead word and a sentence."""

    lead: str
    text: str

    def __str__(self) -> str:
        return f"{self.lead} {self.text}"


@dataclass(frozen=True, eq=False)
class Pair:
    """One set against the reference: rows of every measure, targets first."""

    a: SwingSet
    b: SwingSet
    rows: tuple[Row, ...]
    cautions: tuple[Caution, ...]

    @property
    def targets(self) -> tuple[Row, ...]:
        return tuple(r for r in self.rows if r.target)

    @property
    def changed(self) -> tuple[Row, ...]:
        return tuple(r for r in self.targets if r.verdict == CHANGED)

    @property
    def not_yet(self) -> tuple[Row, ...]:
        return tuple(r for r in self.targets if r.verdict == NOT_YET)

    def row(self, key: str) -> Row:
        return next(r for r in self.rows if r.key == key)

    def to_json(self) -> dict[str, Any]:
        return {
            "a": self.a.label,
            "b": self.b.label,
            "says": headline(self),
            "rows": [r.to_json() for r in self.rows],
            "cautions": [str(c) for c in self.cautions],
        }


@dataclass(frozen=True, eq=False)
class Comparison:
    """Two or more sets of swings of one kind; each is compared with the reference."""

    kind: str
    reference: SwingSet
    pairs: tuple[Pair, ...]

    def to_json(self) -> dict[str, Any]:
        return {
            "schema": SCHEMA,
            "kind": self.kind,
            "reference": self.reference.label,
            "pairs": [p.to_json() for p in self.pairs],
        }


def compare(
    sets: Sequence[SwingSet],
    *,
    kind: str | None = None,
    targets: Sequence[str] | None = None,
    alpha: float = 0.05,
) -> Comparison:
    """Compare sets of swings, each with the first.

    `kind` is full, partial or slow; when None, the one that most swings share; kinds are never
    mixed. `targets` are the measures that get a verdict (`wrist_flexion@top`,
    `wrist_flexion@top..shaft_level_down`, `tempo@ratio`, …): when None, those for which the swings carry
    bands, else DEFAULT_TARGETS. With nothing changed, a comparison calls any target changed with
    a probability of at most `alpha`.

    Raises UsageError for wrong arguments, CupbowError when the sets have no kind in common or are
    of golfers of different handedness.
    """
    if len(sets) < 2:
        raise UsageError("one set of swings was given: name two or more to compare")
    if len({s.label for s in sets}) < len(sets):
        raise UsageError("two sets have the same label: give each its own")
    if kind is not None and kind not in KINDS:
        raise UsageError(f"kind {kind!r} is not known: use {', '.join(KINDS)}")
    _same_handedness(sets)
    kind = kind or _common_kind(sets)
    for s in sets:
        if not s.entries(kind):
            raise CupbowError(f"{s.label}: no {kind} swing that is good enough to count; choose another kind or set")
    if targets is None:
        found = dict.fromkeys(k for s in sets for e in s.entries(kind) for k in e.swing.bands)
        targets = tuple(found) or DEFAULT_TARGETS
    pairs = [_pair(sets[0], other, kind, tuple(targets), alpha / (len(sets) - 1)) for other in sets[1:]]
    return Comparison(kind, sets[0], tuple(pairs))


def _same_handedness(sets: Sequence[SwingSet]) -> None:
    hands = {p.measurement.handedness for s in sets for p in s.parts}
    if len(hands) > 1:
        raise CupbowError("the sets hold right-handed and left-handed swings: compare one golfer's swings only")


def _common_kind(sets: Sequence[SwingSet]) -> str:
    common = [k for k in KINDS if all(s.kinds()[k] for s in sets)]
    if not common:
        have = "; ".join(f"{s.label}: {', '.join(s.kinds()) or 'none good enough'}" for s in sets)
        raise CupbowError(f"the sets have no kind of swing in common ({have}): kinds are never mixed")
    return max(common, key=lambda k: min(s.kinds()[k] for s in sets))


# -- gathering ---------------------------------------------------------------------------------
@dataclass(frozen=True, eq=False)
class _Readings:
    sample: Sample
    names: tuple[str, ...]
    left_out: Counter[str]
    own_zero: bool  # the zero is the other one: never compared with the usual one
    via_grip: bool


def _value(swing: Swing, key: str) -> Value | None:
    angle, _, where = key.partition("@")
    if angle == "tempo":
        got = swing.tempo.get(where)
        return Value(got, 0.0, zero_u95_deg=0.0) if got is not None else Value(None, reason="not timed")
    table = swing.changes if ".." in where else swing.angles
    return table.get(angle, {}).get(where)


def _zero_u95(value: Value, key: str) -> float:
    """The shared part; where it was not split, all of it counts as shared, unless it cancels."""
    if value.zero_u95_deg is not None:
        return value.zero_u95_deg
    return 0.0 if ".." in key else (value.u95_deg or 0.0)


def _readings(group: SwingSet, kind: str, key: str) -> _Readings:
    usable: list[tuple[Entry, Value]] = []
    left: Counter[str] = Counter()
    for entry in group.entries(kind):
        v = _value(entry.swing, key)
        if v is None or v.value_deg is None:
            left[(v.reason if v and v.reason else "not measured")] += 1
        elif v.u95_deg is None:
            left["no uncertainty"] += 1
        else:
            usable.append((entry, v))
    own = Counter("zero_frame" in v.marks for _, v in usable)
    other_zero = own[True] > own[False]
    if own[True] and own[False]:
        left["another zero"] += own[not other_zero]
        usable = [(e, v) for e, v in usable if ("zero_frame" in v.marks) == other_zero]
    zero: dict[str, float] = {}
    for e, v in usable:
        zero[e.calibration] = max(zero.get(e.calibration, 0.0), _zero_u95(v, key) / COVERAGE)
    sample = Sample(
        np.array([v.value_deg for _, v in usable], dtype=float),
        tuple(e.calibration for e, _ in usable),
        tuple(e.lesson for e, _ in usable),
        zero,
    )
    return _Readings(
        sample,
        tuple(e.name for e, _ in usable),
        left,
        other_zero,
        any("via_grip" in v.marks for _, v in usable),
    )


def _keys(entries: Iterable[Entry]) -> list[str]:
    have = {f"{a}@{e}" for x in entries for t in (x.swing.angles, x.swing.changes) for a, per in t.items() for e in per}
    order = [f"{a}@{e}" for a in ANGLES for e in EVENTS]
    known = [k for k in order if k in have]
    return known + sorted(have - set(known)) + [f"tempo@{t}" for t in TEMPO]


def _pair(a: SwingSet, b: SwingSet, kind: str, targets: tuple[str, ...], alpha: float) -> Pair:
    entries = (*a.entries(kind), *b.entries(kind))
    keys = [*dict.fromkeys(targets), *(k for k in _keys(entries) if k not in targets)]
    read = {k: (_readings(a, kind, k), _readings(b, kind, k)) for k in keys}
    rows = {k: _bare_row(k, *read[k], target=k in targets) for k in keys}
    for k in targets:
        bands = [x.swing.bands[k] for x in entries if k in x.swing.bands]
        if bands:
            rows[k] = replace(rows[k], band=(bands[-1].low_deg, bands[-1].high_deg))
    judged = [k for k in targets if rows[k].estimate]
    level = joint_alpha(_correlation([(k, rows[k], *read[k]) for k in judged]), alpha)
    for k in judged:
        rows[k] = _judged(replace(rows[k], alpha=level), read[k][0].sample, read[k][1].sample)
    ordered = tuple(rows.values())
    return Pair(a, b, ordered, tuple(_cautions(a, b, kind, ordered, read)))


def _bare_row(key: str, a: _Readings, b: _Readings, *, target: bool) -> Row:
    row = Row(
        key,
        target,
        None,
        values_a=tuple(zip(a.names, map(float, a.sample.values), strict=True)),
        values_b=tuple(zip(b.names, map(float, b.sample.values), strict=True)),
        left_out=a.left_out + b.left_out,
    )
    why = None
    if not row.values_a or not row.values_b:
        reasons = (a if not row.values_a else b).left_out
        why = reasons.most_common(1)[0][0] if reasons else "not measured"
    elif a.own_zero != b.own_zero:
        why = "the zeros are of different kinds: one set has no flat-wrist grip pose"
    else:
        try:
            return replace(
                row,
                estimate=estimate(a.sample, b.sample),
                samples=(a.sample, b.sample),
                outliers=tuple(
                    f"{which} {r.names[i]}" for which, r in (("first", a), ("second", b)) for i in r.sample.outliers()
                ),
            )
        except CupbowError as error:
            why = str(error)
    return replace(row, verdict=NOT_COMPARED if target else None, reason=why)


def _judged(row: Row, a: Sample, b: Sample) -> Row:
    """The verdict, which has to hold with and without the swings far off the others."""

    def beyond(e: Estimate) -> bool:
        return abs(e.difference) > e.half_width(row.alpha)

    assert row.estimate is not None
    changed = beyond(row.estimate)
    if row.outliers:
        try:
            without = beyond(estimate(a.without(a.outliers()), b.without(b.outliers())))
        except CupbowError:
            without = changed
        if without != changed:
            far = "the swing far off the others" if len(row.outliers) == 1 else "the swings far off the others"
            note = f"rests on {far}" if changed else f"would be changed without {far}"
            return replace(row, verdict=NOT_YET, notes=(*row.notes, note))
    return replace(row, verdict=CHANGED if changed else NOT_YET)


def _correlation(judged: Sequence[tuple[str, Row, _Readings, _Readings]]) -> Array:
    """Of the differences: swings move measures together, and so does a zero that they share."""
    m = len(judged)
    weights, zeros, other = [], [], np.zeros(m)
    for i, (_, row, a, b) in enumerate(judged):
        assert row.estimate is not None
        layout = row.estimate.layout
        w = layout.uncertainty()[4]
        per_swing: dict[tuple[int, str], float] = {}
        per_zero: dict[str, float] = {}
        cell = 0
        for s, r in enumerate((a, b)):
            for c in dict.fromkeys(r.sample.calibrations):
                at = [j for j, x in enumerate(r.sample.calibrations) if x == c]
                y = r.sample.values[at]
                scale = w[cell] / len(at) * math.sqrt(len(at) / max(len(at) - 1, 1))
                per_swing |= {(s, r.names[j]): scale * float(r.sample.values[j] - y.mean()) for j in at}
                per_zero[c] = per_zero.get(c, 0.0) + w[cell] * r.sample.zero_u.get(c, 0.0)
                cell += 1
        weights.append(per_swing)
        zeros.append(per_zero)
        other[i] = row.estimate.u_lessons**2
    cov = np.diag(other)
    for i in range(m):
        for j in range(m):
            cov[i, j] += sum(v * weights[j].get(k, 0.0) for k, v in weights[i].items())
            same = i == j or (judged[i][1].angle == judged[j][1].angle and ".." not in judged[i][0] + judged[j][0])
            if same:
                cov[i, j] += sum(v * zeros[j].get(k, 0.0) for k, v in zeros[i].items())
    sd = np.sqrt(np.clip(np.diag(cov), 1e-12, None))
    out = cov / np.outer(sd, sd)
    np.fill_diagonal(out, 1.0)
    return out


# -- what to know before concluding ------------------------------------------------------------
def _cautions(
    a: SwingSet, b: SwingSet, kind: str, rows: Sequence[Row], read: Mapping[str, tuple[_Readings, _Readings]]
) -> Iterable[Caution]:
    targets = [r for r in rows if r.target]
    if set(a.clubs) != set(b.clubs):
        yield Caution("Different clubs:", f"{', '.join(a.clubs)} and {', '.join(b.clubs)}. A club changes the swing.")
    elif len(a.clubs) > 1:
        yield Caution("Several clubs", f"in each set: {', '.join(a.clubs)}.")
    worn = [_sensors(s) for s in (a, b)]
    if worn[0] != worn[1]:
        yield Caution("Different sensors:", f"{worn[0]}, then {worn[1]}.")
    if any(read[r.key][0].via_grip != read[r.key][1].via_grip for r in targets):
        yield Caution("Through the grip", "in one set only: there the club stood in for the hand sensor.")
    shared = set(a.calibrations) & set(b.calibrations)
    zero = max((r.estimate.u_zero for r in targets if r.estimate), default=0.0)
    if shared and set(a.calibrations) == set(b.calibrations):
        yield Caution("Same calibration:", "the zero is shared and cancels in the difference.")
    elif zero > 0:
        yield Caution(
            "Set up anew between the sets:",
            f"the zeros alone make up to ±{COVERAGE * zero:.0f}° of a difference. More swings don't shrink that; "
            "holding the setting-up poses two or three times does, and changes within a swing don't carry it.",
        )
    for s in (a, b):
        poor = Counter(
            (w.reasons[0] if w.reasons else "poor quality") for p in s.parts for w in p.chosen if w.grade == "poor"
        )
        other = Counter(w.kind for p in s.parts for w in p.chosen if w.grade != "poor" and w.kind != kind)
        if poor:
            which = [str(w.index) for p in s.parts for w in p.chosen if w.grade == "poor"]
            why = "; ".join(f"{r} ({n})" if n > 1 else r for r, n in poor.items())
            yield Caution("Left out:", f"{_swings(len(which))} ({', '.join(which)}) of {s.label}: {why}.")
        aside = {w.index: p.left_out[w.index] for p in s.parts for w in p.taken if w.index in p.left_out}
        if aside:
            why = "; ".join(dict.fromkeys(reason for reason in aside.values() if reason))
            numbers = ", ".join(map(str, aside))
            yield Caution(
                "Left out by you:", f"{_swings(len(aside))} ({numbers}) of {s.label}{f': {why}' if why else ''}."
            )
        if other:
            kinds = ", ".join(f"{n} {k}" for k, n in other.items())
            yield Caution("Left out:", f"{kinds} of {s.label}: kinds are never mixed, {kind} swings are compared.")
        n = len(s.entries(kind))
        if n < FEW:
            yield Caution("Few swings:", f"{n} of {s.label}. Intervals are wide, and outliers can't be seen.")
    for r in targets:
        gone = sum(r.left_out.values())
        if gone and r.estimate:
            why = max(r.left_out, key=lambda k: r.left_out[k])
            yield Caution("Left out", f"of {measure_words(r.key)}: {_swings(gone)}, {why}.")
        if r.outliers:
            far = ", ".join(f"{n} of {a.label if w == 'first' else b.label}" for w, n in (o.split(" ", 1)
                            for o in r.outliers))  # fmt: skip
            tail = f"; the verdict {r.notes[-1]}" if r.notes else "; the verdict is the same without"
            yield Caution("Far off the others", f"in {measure_words(r.key)}: swing {far}{tail}.")
    balls = [{e.swing.ball for e in s.entries(kind)} - {None} for s in (a, b)]
    if balls[0] and balls[1] and balls[0] != balls[1]:
        yield Caution("With and without a ball:", "impact is the shock in one and the return to address in the other.")
    for s, side in ((a, 0), (b, 1)):
        drifting = [r.key for r in targets if r.estimate and _drifts(read[r.key][side].sample)]
        if drifting:
            names = ", ".join(measure_words(k) for k in drifting)
            yield Caution("Still moving:", f"during {s.label}, {names} kept drifting; its mean is of no one swing.")
    if len(a.lessons) == 1 and len(b.lessons) == 1 and a.lessons != b.lessons:
        yield Caution("One lesson each:", "how much the swing varies from day to day is not in these intervals.")


def _drifts(sample: Sample) -> bool:
    if len(sample.values) < 2 * FEW or len(set(sample.calibrations)) > 1:
        return False
    return bool(stats.kendalltau(np.arange(len(sample.values)), sample.values).pvalue < 0.01)


def _sensors(group: SwingSet) -> str:
    found = {(s.role, round(s.rate_hz / 10) * 10) for p in group.parts if p.chosen for s in p.measurement.sensors}
    return ", ".join(f"{role} {rate} Hz" for role, rate in sorted(found)) or "not named"


def _swings(n: int) -> str:
    return "1 swing" if n == 1 else f"{n} swings"


# -- words -------------------------------------------------------------------------------------
TITLES: Mapping[str, str] = {
    "wrist_flexion": "wrist",
    "wrist_deviation": "wrist hinge",
    "forearm_roll": "forearm roll",
    "face_to_forearm": "face to arm",
    "face_since_address": "face since address",
    "face_roll": "face roll",
    "shaft_elevation": "shaft height",
    "shaft_past_level": "shaft past level",
    "shaft_off_plane": "shaft off plane",
    "tempo": "tempo",
}
_TEMPO_TITLES = {"backswing_s": "backswing time", "downswing_s": "downswing time", "ratio": "tempo, back to down"}
_MORE: Mapping[str, tuple[str, str]] = {
    "wrist_flexion": ("more bowed", "more cupped"),
    "wrist_deviation": ("less hinged", "more hinged"),
    "forearm_roll": ("more pronated", "more supinated"),
    "face_to_forearm": ("more open", "more closed"),
    "face_since_address": ("more open", "more closed"),
    "face_roll": ("more opening", "more closing"),
    "shaft_elevation": ("higher", "lower"),
    "shaft_past_level": ("longer", "shorter"),
    "shaft_off_plane": ("steeper", "shallower"),
}


def event_words(event: str) -> str:
    return event.replace("_", " ")


def measure_words(key: str) -> str:
    """`wrist_flexion@top` → "wrist, top"."""
    angle, _, where = key.partition("@")
    if angle == "tempo":
        return _TEMPO_TITLES.get(where, where)
    title = TITLES.get(angle, angle.replace("_", " "))
    first, between, second = where.partition("..")
    if between:
        return f"{title}, {event_words(first)} to {event_words(second)}"
    if angle == "shaft_past_level":
        return title
    return f"{title}, {event_words(where)}"


def side_words(key: str, value_deg: float) -> str:
    """A reading for those who don't read signs: "21° cupped"; whole degrees."""
    angle, _, where = key.partition("@")
    if angle == "tempo":
        return f"{value_deg:.1f}" if where == "ratio" else f"{value_deg:.2f} s"
    whole = round(abs(value_deg))
    if whole == 0:
        return "flat" if angle == "wrist_flexion" and ".." not in where else "0°"
    side = SIGNS[angle][0 if value_deg > 0 else 1]
    return f"{whole}° towards {side}" if ".." in where and angle == "wrist_flexion" else f"{whole}° {side}"


def _comparative(row: Row) -> str:
    e = row.estimate
    assert e is not None
    up = e.difference > 0
    where = row.key.partition("@")[2]
    if row.angle == "tempo":
        return ("higher" if up else "lower") if where == "ratio" else ("slower" if up else "quicker")
    if ".." in where:
        side = SIGNS[row.angle][0 if up else 1]
        return f"more towards {side}"
    same_side = e.mean_a * e.mean_b > 0
    if row.angle == "wrist_flexion" and (same_side or abs(e.mean_b) < 1) and abs(e.mean_b) < abs(e.mean_a):
        return "flatter"
    if row.angle in ("face_to_forearm", "face_since_address") and same_side and abs(e.mean_b) < abs(e.mean_a):
        return f"less {SIGNS[row.angle][0 if e.mean_b > 0 else 1]}"
    return _MORE[row.angle][0 if up else 1]


def _amount(row: Row) -> str:
    size = abs(row.difference or 0.0)
    return f"{size:.0f}°" if row.unit == "°" else f"{size:.2f}{row.unit}"


def change_words(row: Row) -> str:
    """ "12° flatter", "maybe 6° less open", "nothing to see yet", or why not."""
    if row.estimate is None:
        return f"can't be told: {row.reason}"
    text = f"{_amount(row)} {_comparative(row)}"
    if row.verdict == CHANGED or row.verdict is None:
        return text
    return f"maybe {text}" if abs(row.estimate.difference) > 0.5 * (row.sdc or 0.0) else "nothing to see yet"


def tell_words(row: Row) -> str:
    """What would tell."""
    tell = row.tell
    if row.estimate is None or tell is None:
        return ""
    if tell.who == "later":
        return f"{tell.swings} more {'swing' if tell.swings == 1 else 'swings'} now would tell"
    if tell.who == "each":
        return f"{tell.swings} more {'swing' if tell.swings == 1 else 'swings'} each would tell"
    if tell.limit == "zero":
        share = COVERAGE * row.estimate.u_zero
        return f"more swings won't tell: the zeros alone make ±{share:.0f}°"
    if tell.limit == "lessons":
        return "more swings won't tell: the lessons differ among themselves; more lessons would"
    e = row.estimate
    most = max(abs(e.difference - (row.sdc or 0.0)), abs(e.difference + (row.sdc or 0.0)))
    bound = f"{math.ceil(most)}°" if row.unit == "°" else f"{most:.2f}{row.unit}"
    return f"if anything changed, then by less than {bound}; more swings won't tell soon"


_NUMBERS = ("Nothing", "One thing", "Two things", "Three things", "Four things", "Five things", "Six things")


def headline(pair: Pair) -> str:
    """The comparison in a sentence or two."""
    changed, open_ = pair.changed, pair.not_yet
    if not changed and not open_:
        return "Nothing here can be compared."
    if changed:
        parts = [f"{said} is {how}" for said, how in _together(changed)]
        count = _NUMBERS[len(changed)] if len(changed) < len(_NUMBERS) else f"{len(changed)} things"
        verb = "has" if len(changed) == 1 else "have"
        first = f"{count} {verb} changed: {_listed(parts)}."
    else:
        first = "Nothing is known to have changed yet."
    maybe = [r for r in open_ if r.estimate and abs(r.estimate.difference) > 0.5 * (r.sdc or 0.0)]
    if not maybe:
        return first
    them = _capital(_listed([_subject(r) for r in maybe]))
    if changed:
        return f"{first} {them} may have changed too; it is too early to say."
    return f"{first} {them} {'look' if len(maybe) > 1 else 'looks'} different; it is too early to say."


def _together(rows: Sequence[Row]) -> list[tuple[str, str]]:
    """Subject and comparative; what one angle does at several events is said once."""
    groups: dict[tuple[str, str], list[Row]] = {}
    for r in rows:
        alone = r.key if ".." in r.key or r.angle == "tempo" else ""
        groups.setdefault((r.angle + alone, _comparative(r)), []).append(r)
    out = []
    for (_, how), same in groups.items():
        first = _subject(same[0])
        rest = [_subject(r).partition(" at ")[2] for r in same[1:]]
        out.append((_listed([first, *(f"at {e}" for e in rest)]), how))
    return out


def _subject(row: Row) -> str:
    angle, _, where = row.key.partition("@")
    if angle == "tempo":
        return f"the {_TEMPO_TITLES.get(where, where)}"
    if angle == "shaft_past_level":
        return "the swing"
    first, between, second = where.partition("..")
    title = TITLES.get(angle, angle.replace("_", " "))
    if between:
        return f"the {title} from {event_words(first)} to {event_words(second)}"
    at = "the top" if where == "top" else event_words(where)
    return f"the {title} at {at}"


def _listed(parts: Sequence[str]) -> str:
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])}{',' if len(parts) > 2 or ' is ' in parts[0] else ''} and {parts[-1]}"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
