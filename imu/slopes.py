"""How one reading goes along with others from swing to swing, with the error of reading taken out.

Within each group (a recording, a calibration) levels and a steady drift are taken away first: a zero that all its
swings share, or a student who changes during a lesson, then says nothing. What is left is fitted by least squares with
all causes at once. A cause that is read with error looks weaker than it is, and lends what it loses to others that
move with it; where the error is known it is taken out (Fuller 1987, Measurement Error Models, section 2.2, with his
covariance). Without error this is ordinary least squares with a dummy a group.

How much slopes differ between groups beyond chance is added by moments (DerSimonian & Laird 1986,
doi:10.1016/0197-2456(86)90046-2). What is not measured, and moves with a cause, is not in any of this.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy  # its parts load when asked for: `scipy.stats` takes a second that pages need not wait

from imu.contrast import POWER
from imu.recording import Array
from imu.words import say

MOST_SWINGS = 200
"""More swings than this are not asked for: it is said that more of the same won't tell."""

DRIFT_FROM = 6
"""Groups of so many swings or more lose a straight drift too: fewer could not spare it."""

LEAST_FREE = 5
"""Degrees of freedom below which no interval is given: it would be as wide as the page."""

LEAST_TRUE = 0.5
"""A cause whose swing-to-swing variance is less than half true, the rest being error of reading, tells nothing."""

FEW_GROUPS = 4
"""How much slopes differ has the degrees of freedom of so many groups at least: with two or three an interval of
Student's would be endless, and nothing could be told. Slopes that truly differ between few are then told too often."""

MOST_ALIKE = 10.0
"""Variance inflation from which on causes can't be told apart (Kutner et al., Applied Linear Statistical Models)."""

TOO_FEW = say("reason.too_few")


@dataclass(frozen=True, eq=False)
class Sightings:
    """Readings of n swings: `effect` (n,), `causes` (n, k) in the order of `names`.

    `groups` names each swing's recording, swings of one group being in their order. `error` (k, k) is the covariance
    of the causes' own errors of reading, `shared` (k,) the most that an error of a cause may go together with one
    of the effect (a covariance, both resting on one sensor); zero where they share none.
    """

    effect: Array
    causes: Array
    names: tuple[str, ...]
    groups: tuple[str, ...]
    error: Array
    shared: Array

    def without(self, rows: Sequence[int]) -> Sightings:
        keep = np.setdiff1d(np.arange(len(self.effect)), np.asarray(rows, dtype=int))
        groups = tuple(self.groups[i] for i in keep)
        return Sightings(self.effect[keep], self.causes[keep], self.names, groups, self.error, self.shared)


@dataclass(frozen=True)
class Slope:
    """What the effect does for each unit of one cause, the others held; `reason` says why it can't be told.

    `u` is the standard uncertainty with `dof` degrees of freedom; `bound` is what errors that cause and effect may
    share could feign; `true_share` the part of the cause's spread that is no error of reading.
    """

    name: str
    value: float = math.nan
    u: float = math.nan
    dof: float = math.nan
    bound: float = 0.0
    sd: float = math.nan  # of the cause, swing to swing within groups, as read
    true_share: float = math.nan
    swings: int = 0
    groups: int = 0
    fitted: int = 0  # what the fit has to find besides this slope
    reason: str | None = None

    @property
    def known(self) -> bool:
        return self.reason is None

    def half_width(self, alpha: float = 0.05) -> float:
        return float(scipy.stats.t.isf(alpha / 2, self.dof)) * self.u + self.bound

    def told(self, alpha: float = 0.05) -> bool:
        """Whether the interval leaves out zero."""
        return self.known and abs(self.value) > self.half_width(alpha)

    def swings_to_tell(self, size: float, alpha: float = 0.05) -> int | None:
        """How many such swings would tell a slope of this size (80 %); None: more than MOST_SWINGS."""
        need = abs(size) - self.bound
        if not self.known or not need > 0:
            return None
        alone = self.u * math.sqrt(self.swings)
        for n in range(max(self.swings, 1), MOST_SWINGS + 1):
            dof = n - self.fitted
            if dof >= LEAST_FREE:
                factor = float(scipy.stats.t.isf(alpha / 2, dof) + scipy.stats.t.isf(1 - POWER, dof))
                if factor * alone / math.sqrt(n) <= need:
                    return n
        return None


def slopes(seen: Sightings) -> tuple[Slope, ...]:
    """One a cause, in their order. Causes that can't be told say why; they don't stop the others."""
    n, k = seen.causes.shape
    levels = _levels(seen.groups)
    free = n - int(np.linalg.matrix_rank(levels)) if n else 0
    if free - k < LEAST_FREE:
        return tuple(_not(seen, j, TOO_FEW) for j in range(k))
    x, y = _rest(seen.causes, levels), _rest(seen.effect[:, None], levels)[:, 0]
    spread = (x**2).sum(axis=0) / free
    out: dict[int, Slope] = {}
    for j in range(k):
        true = 1 - seen.error[j, j] / spread[j] if spread[j] > 1e-12 else 0.0
        if true < LEAST_TRUE:
            varies = say("reason.hardly_varies") if spread[j] <= 1e-12 else (
                say("reason.varies", spread=f"{math.sqrt(spread[j]):.1f}", error=f"{math.sqrt(seen.error[j, j]):.1f}")
            )  # fmt: skip
            out[j] = _not(seen, j, varies, sd=math.sqrt(spread[j]), true=true)
    use = [j for j in range(k) if j not in out]
    alike = _alike(x[:, use])
    for i, j in enumerate(use):
        if alike[i] > MOST_ALIKE:
            out[j] = _not(seen, j, say("reason.together"), sd=math.sqrt(spread[j]))
    use = [j for j in use if j not in out]
    if use:
        out |= dict(zip(use, _fitted(seen, x[:, use], y, use, free), strict=True))
    return tuple(out[j] for j in range(k))


def _not(seen: Sightings, j: int, reason: str, *, sd: float = math.nan, true: float = math.nan) -> Slope:
    return Slope(
        seen.names[j], sd=sd, true_share=true, swings=len(seen.effect), groups=len(set(seen.groups)), reason=reason
    )


def _fitted(seen: Sightings, x: Array, y: Array, use: list[int], free: int) -> list[Slope]:
    error = seen.error[np.ix_(use, use)]
    moments = x.T @ x / free
    true = moments - error
    if np.linalg.eigvalsh(np.linalg.solve(moments, true)).min() < LEAST_TRUE / 2:
        return [_not(seen, j, say("reason.together_error")) for j in use]
    inverse = np.linalg.inv(true)
    beta = inverse @ (x.T @ y / free)
    dof = free - len(use)
    residual = y - x @ beta
    left = float(residual @ residual) / dof
    lent = error @ beta
    covariance = inverse @ (moments * left + np.outer(lent, lent)) @ inverse / free
    bound = np.abs(inverse) @ seen.shared[use]
    names = list(dict.fromkeys(seen.groups))
    out = []
    for i, j in enumerate(use):
        u2, own = float(covariance[i, i]), float(dof)
        more = _between_groups(seen.groups, names, x, residual + x[:, i] * beta[i], i, left)
        if more > 0:
            own = (u2 + more) ** 2 / (u2**2 / dof + more**2 / max(len(names) - 1, FEW_GROUPS))
        out.append(
            Slope(
                seen.names[j],
                value=float(beta[i]),
                u=math.sqrt(u2 + more),
                dof=own,
                bound=float(bound[i]),
                sd=math.sqrt(float(moments[i, i])),
                true_share=float(true[i, i] / moments[i, i]),
                swings=len(y),
                groups=len(names),
                fitted=len(y) - dof,
            )
        )
    return out


def _between_groups(groups: tuple[str, ...], names: list[str], x: Array, own: Array, i: int, left: float) -> float:
    """What slopes that differ between groups add to the variance of their mean. `own` (n,) is the effect less what
    the other causes make of it."""
    others = np.delete(x, i, axis=1)
    alone = _rest(x[:, [i]], others)[:, 0] if others.shape[1] else x[:, i]
    weights, values = [], []
    for g in names:
        rows = [r for r, name in enumerate(groups) if name == g]
        weight = float(alone[rows] @ alone[rows])
        if weight > 1e-9 and len(rows) > 2:
            weights.append(weight)
            values.append(float(alone[rows] @ own[rows]) / weight)
    if len(weights) < 2 or left <= 0:
        return 0.0
    w, b = np.array(weights), np.array(values)
    q = float((w * (b - (w * b).sum() / w.sum()) ** 2).sum()) / left
    spare = w.sum() - (w**2).sum() / w.sum()
    tau2 = max((q - (len(w) - 1)) * left / spare, 0.0)
    return tau2 * float((w**2).sum()) / float(w.sum()) ** 2


def _levels(groups: tuple[str, ...]) -> Array:
    """A level a group, and a straight drift for those that can spare it."""
    columns = []
    for g in dict.fromkeys(groups):
        inside = np.array([name == g for name in groups], dtype=float)
        columns.append(inside)
        if inside.sum() >= DRIFT_FROM:
            place = np.cumsum(inside) * inside
            columns.append(np.where(inside > 0, place - place[inside > 0].mean(), 0.0))
    return np.column_stack(columns) if columns else np.zeros((0, 0))


def _rest(values: Array, levels: Array) -> Array:
    """What `levels` leave of `values`."""
    return values - levels @ np.linalg.lstsq(levels, values, rcond=None)[0]


def _alike(x: Array) -> list[float]:
    """Variance inflation of each column: how much the others hold of it."""
    if x.shape[1] < 2:
        return [1.0] * x.shape[1]
    out = []
    for j in range(x.shape[1]):
        left = _rest(x[:, [j]], np.delete(x, j, axis=1))[:, 0]
        out.append(float((x[:, j] ** 2).sum() / max((left**2).sum(), 1e-30)))
    return out
