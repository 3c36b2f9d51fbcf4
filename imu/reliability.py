"""How well a measurement repeats, and how well two ways of measuring agree.

For a coach's own check of the sensors: set up several times, measure the same swings or holds, and
learn what difference between two readings means anything. The names are the field's: intraclass
correlation (ICC), standard error of measurement (SEM), minimal detectable change (MDC), limits of
agreement.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy  # its parts load when asked for: `scipy.stats` takes a second that pages need not wait

from imu.errors import UsageError
from imu.recording import Array


@dataclass(frozen=True)
class Interval:
    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Reliability:
    """Of a table of n subjects (swings, holds, golfers), each measured k times.

    ICC forms after Shrout & Fleiss (1979, doi:10.1037/0033-2909.86.2.420), with 95 % intervals
    after McGraw & Wong (1996, doi:10.1037/1082-989X.1.1.30): `icc_1` one-way, `icc_2` two-way random
    (absolute agreement), `icc_3` two-way mixed (consistency), each of a single measurement, and
    `_k` of the mean of k. `sem` is the square root of the two-way error mean square and `mdc95`
    1.96·√2·SEM (Weir 2005, doi:10.1519/15184.1), both in the unit of the readings.
    """

    icc_1: Interval
    icc_2: Interval
    icc_3: Interval
    icc_1k: Interval
    icc_2k: Interval
    icc_3k: Interval
    sem: float
    mdc95: float
    subjects: int
    repeats: int


def reliability(table: Array) -> Reliability:
    """`table` (n, k): n subjects, k measurements of each; complete. Raises UsageError."""
    y = np.asarray(table, dtype=float)
    if y.ndim != 2 or min(y.shape) < 2:
        raise UsageError("reliability needs a table of two subjects and two repeats at least")
    if not np.isfinite(y).all():
        raise UsageError("reliability needs a complete table: leave out subjects with missing readings")
    n, k = y.shape
    rows, cols = y.mean(axis=1), y.mean(axis=0)
    grand = y.mean()
    between = k * float(((rows - grand) ** 2).sum()) / (n - 1)
    judges = n * float(((cols - grand) ** 2).sum()) / (k - 1)
    within = float(((y - rows[:, None]) ** 2).sum()) / (n * (k - 1))
    error = float(((y - rows[:, None] - cols[None, :] + grand) ** 2).sum()) / ((n - 1) * (k - 1))

    one = (between - within) / (between + (k - 1) * within)
    two = (between - error) / (between + (k - 1) * error + k * (judges - error) / n)
    three = (between - error) / (between + (k - 1) * error)

    def f_limits(ratio: float, dof: int) -> tuple[float, float]:
        low = ratio / scipy.stats.f.ppf(0.975, n - 1, dof)
        high = ratio * scipy.stats.f.ppf(0.975, dof, n - 1)
        return float((low - 1) / (low + k - 1)), float((high - 1) / (high + k - 1))

    def averaged(single: Interval) -> Interval:
        """Spearman–Brown: of the mean of k."""
        return Interval(*(k * v / (1 + (k - 1) * v) for v in (single.value, single.low, single.high)))

    with np.errstate(divide="ignore", invalid="ignore"):
        icc_1 = Interval(one, *f_limits(between / within if within else math.inf, n * (k - 1)))
        icc_3 = Interval(three, *f_limits(between / error if error else math.inf, (n - 1) * (k - 1)))
        a = k * two / (n * (1 - two))
        b = 1 + k * two * (n - 1) / (n * (1 - two))
        dof = (a * judges + b * error) ** 2 / ((a * judges) ** 2 / (k - 1) + (b * error) ** 2 / ((n - 1) * (k - 1)))
        f_low, f_high = scipy.stats.f.ppf(0.975, n - 1, dof), scipy.stats.f.ppf(0.975, dof, n - 1)
        spread = k * judges + (k * n - k - n) * error
        icc_2 = Interval(
            two,
            float(n * (between - f_low * error) / (f_low * spread + n * between)),
            float(n * (f_high * between - error) / (spread + n * f_high * between)),
        )
    sem = math.sqrt(error)
    return Reliability(
        icc_1,
        icc_2,
        icc_3,
        averaged(icc_1),
        averaged(icc_2),
        averaged(icc_3),
        sem=sem,
        mdc95=1.96 * math.sqrt(2.0) * sem,
        subjects=n,
        repeats=k,
    )


@dataclass(frozen=True)
class Agreement:
    """Bland & Altman (1986, doi:10.1016/S0140-6736(86)90837-8): mean of the differences (first less
    second), their spread, and the limits within which 95 % of differences lie, each with its 95 %
    interval (standard error of a limit √(3/n)·s, as there)."""

    bias: Interval
    sd: float
    lower: Interval
    upper: Interval
    n: int


def agreement(first: Array, second: Array) -> Agreement:
    """Of two ways of measuring the same things; (n,) each. Raises UsageError."""
    a, b = np.asarray(first, dtype=float), np.asarray(second, dtype=float)
    if a.shape != b.shape or a.ndim != 1 or len(a) < 3:
        raise UsageError("agreement needs two equally long lists of three readings at least")
    d = a - b
    n, bias, sd = len(d), float(d.mean()), float(d.std(ddof=1))
    t = float(scipy.stats.t.ppf(0.975, n - 1))
    se_bias, se_limit = sd / math.sqrt(n), math.sqrt(3.0 / n) * sd

    def around(value: float, se: float) -> Interval:
        return Interval(value, value - t * se, value + t * se)

    # Two standard deviations, as in the paper.
    return Agreement(around(bias, se_bias), sd, around(bias - 2 * sd, se_limit), around(bias + 2 * sd, se_limit), n)
