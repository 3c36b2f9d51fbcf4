"""Traces of two sets of swings, aligned by events, and where they differ.

Between two events every swing is stretched to the same length (phases equal), so that a point of
the curves means the same moment in each. Where the mean curves differ is said by statistical
parametric mapping (Friston et al. 2007; Pataky 2010, doi:10.1016/j.jbiomech.2010.03.008; library
spm1d): a random field keeps the whole curve's error at 5 %, which point-by-point tests do not.
The calibrations' zeros lift a whole curve at once; they are added to the standard error, with which
the field's threshold, which rests on the swings' own smoothness, errs to the careful side. The
`shape` (each curve less its value at the first event) never held a zero.
"""

from __future__ import annotations

import math
import warnings
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from imu.compare import Entry, SwingSet, zero_u95
from imu.contrast import COVERAGE, FEW
from imu.errors import CupbowError
from imu.recording import ANGLES, EVENTS, Array
from imu.words import FIRST, say

POINTS = 20
"""Points a phase."""

SHARE = 0.8
"""An event that fewer of a set's swings reached is not used to align."""


@dataclass(frozen=True)
class Span:
    """A stretch over which the curves differ, in events: 2.5 is half-way between the third event
    of the comparison and the next; `sign` is that of the second set less the first."""

    start: float
    end: float
    sign: int


@dataclass(frozen=True, eq=False)
class CurveComparison:
    """Mean and spread of one angle through the swing, of two sets.

    `position` (q,) counts the events: 0 at the first of `events`, 1 at the next. Means and spreads
    (standard deviations) are (q,) in degrees. `t` (q,) is the difference over its standard error,
    `threshold` the value beyond which it stands out of a random field; both None where too few
    swings allow a test (`reason`).
    """

    angle: str
    shape: bool
    events: tuple[str, ...]
    position: Array
    mean_a: Array
    mean_b: Array
    sd_a: Array
    sd_b: Array
    n_a: int
    n_b: int
    zero_u_deg: float
    t: Array | None
    threshold: float | None
    spans: tuple[Span, ...]
    reason: str | None
    left_out: Counter[str]


def aligned(entries: Sequence[Entry], angle: str, events: Sequence[str]) -> tuple[Array, tuple[int, ...], Counter[str]]:
    """Curves (n, q) of the swings that have the trace and all the events, phases equal; which
    entries these are; and why the others are not there."""
    rows, used = [], []
    left: Counter[str] = Counter()
    share = np.linspace(0.0, 1.0, POINTS, endpoint=False)
    for i, e in enumerate(entries):
        trace = e.swing.trace
        times = [e.swing.events[name].t_s if name in e.swing.events else None for name in events]
        if trace is None or angle not in trace.angles_deg:
            left[say("reason.no_trace")] += 1
            continue
        if any(t is None for t in times):
            left[say("reason.event_missed")] += 1
            continue
        marks = np.array(times, dtype=float)
        if (np.diff(marks) <= 0).any():
            left[say("reason.out_of_order")] += 1
            continue
        at = np.append((marks[:-1, None] + share * np.diff(marks)[:, None]).ravel(), marks[-1])
        y = np.interp(at, trace.t_s, trace.angles_deg[angle])  # NaN wherever a neighbour is
        if not np.isfinite(y).all():
            left[say("reason.gap")] += 1
            continue
        rows.append(y)
        used.append(i)
    q = POINTS * (len(events) - 1) + 1
    return (np.array(rows) if rows else np.empty((0, q))), tuple(used), left


def common_events(sets: Sequence[Sequence[Entry]], *, first: str = "address", last: str = "impact") -> tuple[str, ...]:
    """Events from first to last that most swings of every set reached."""
    within = EVENTS[EVENTS.index(first) : EVENTS.index(last) + 1]

    def reached(entries: Sequence[Entry], name: str) -> float:
        return float(np.mean([name in e.swing.events and e.swing.events[name].t_s is not None for e in entries]))

    return tuple(name for name in within if all(s and reached(s, name) >= SHARE for s in sets))


def compare_curves(
    a: SwingSet,
    b: SwingSet,
    angle: str,
    *,
    kind: str = "full",
    shape: bool = False,
    first: str = "address",
    last: str = "impact",
    alpha: float = 0.05,
) -> CurveComparison:
    """One angle through the swing, second set against first; several angles looked at together
    divide `alpha` among them. Raises CupbowError when the curves can't be laid over each other."""
    if angle not in ANGLES:
        raise CupbowError(f"angle {angle!r} is not known: use {', '.join(ANGLES)}")
    groups = (a.entries(kind), b.entries(kind))
    events = common_events(groups, first=first, last=last)
    if len(events) < 2:
        raise CupbowError(say("reason.few_events", a=a.label, b=b.label))
    curves, entries = [], []
    left: Counter[str] = Counter()
    for group in groups:
        y, used, why = aligned(group, angle, events)
        curves.append(y - y[:, :1] if shape else y)
        entries.append([group[i] for i in used])
        left += why
    for whole, y in zip((a, b), curves, strict=True):
        if len(y) == 0:
            why_not = left.most_common(1)[0][0] if left else say("reason.no_swings")
            raise CupbowError(say("reason.no_trace_of", label=whole.label, angle=angle, why=why_not))
    zero_u = 0.0 if shape else _zero_of_difference(entries, angle)
    t, threshold, reason = None, None, None
    if min(len(y) for y in curves) < FEW:
        reason = say("reason.no_test_few", n=FEW)
    elif any(len({e.lesson for e in group}) > 1 for group in entries):
        # The field knows of swings only, and would take lessons that differ for many swings that do.
        reason = say("reason.no_test_lessons")
    else:
        t, threshold = field_test(curves[0], curves[1], zero_u=zero_u, alpha=alpha)
    position = np.arange(curves[0].shape[1]) / POINTS
    return CurveComparison(
        angle=angle,
        shape=shape,
        events=events,
        position=position,
        mean_a=curves[0].mean(axis=0),
        mean_b=curves[1].mean(axis=0),
        sd_a=_sd(curves[0]),
        sd_b=_sd(curves[1]),
        n_a=len(curves[0]),
        n_b=len(curves[1]),
        zero_u_deg=zero_u,
        t=t,
        threshold=threshold,
        spans=() if t is None or threshold is None else spans(position, t, threshold),
        reason=reason,
        left_out=left,
    )


def field_test(a: Array, b: Array, *, zero_u: float = 0.0, alpha: float = 0.05) -> tuple[Array, float]:
    """Welch's t along curves (n, q), second less first, and its two-sided random-field threshold.

    `zero_u` is the standard uncertainty of a constant that the difference may carry. Points at which
    all curves agree exactly (the first of a shape) are left out of the field; t is 0 there.
    """
    import spm1d  # type: ignore[import-untyped]

    va, vb = a.var(axis=0, ddof=1), b.var(axis=0, ddof=1)
    alive = (va + vb) > 1e-12
    if alive.sum() < 3:
        return np.zeros(a.shape[1]), math.inf
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # spm1d speaks of its own internals
        field = spm1d.stats.ttest2(b[:, alive], a[:, alive], equal_var=False)
        threshold = float(field.inference(alpha, two_tailed=True).zstar)
    t = np.zeros(a.shape[1])
    # With a zero the swings' own degrees of freedom are kept: fewer than the difference has.
    t[alive] = (b.mean(axis=0) - a.mean(axis=0))[alive] / np.sqrt(va / len(a) + vb / len(b) + zero_u**2)[alive]
    return t, threshold


def spans(position: Array, t: Array, threshold: float) -> tuple[Span, ...]:
    """Stretches with |t| beyond the threshold, their ends interpolated."""
    out: list[Span] = []
    for sign in (1, -1):
        y = sign * t - threshold
        over = np.flatnonzero(y > 0)
        if len(over) == 0:
            continue
        for run in np.split(over, np.flatnonzero(np.diff(over) > 1) + 1):
            i, j = int(run[0]), int(run[-1])
            start = position[i] if i == 0 else np.interp(0.0, [y[i - 1], y[i]], [position[i - 1], position[i]])
            end = position[j] if j == len(y) - 1 else np.interp(0.0, [y[j + 1], y[j]], [position[j + 1], position[j]])
            out.append(Span(float(start), float(end), sign))
    return tuple(sorted(out, key=lambda s: s.start))


def span_words(span: Span, events: Sequence[str], *, language: str = FIRST) -> str:
    """ "from arm level back to just past top"."""
    start, end = (_place(x, events) for x in (span.start, span.end))
    if start == end:
        return _place_words("at", *start, language)
    ends = (_place_words("from", *start, language), _place_words("to", *end, language))
    return say("curve.span", language=language, start=ends[0], end=ends[1])


def _place(x: float, events: Sequence[str]) -> tuple[str, str]:
    """The nearest event, and whether a place is before or after it, or on it."""
    nearest = round(x)
    off = "" if abs(x - nearest) < 0.15 else "after" if x > nearest else "before"
    return events[nearest], off


def _place_words(where: str, event: str, off: str, language: str) -> str:
    if off:
        return say(f"curve.{where}_{off}", language=language, moment=say(f"moment_beside.{event}", language=language))
    return say(f"moment_{'brief' if where == 'at' else where}.{event}", language=language)


def _sd(y: Array) -> Array:
    return y.std(axis=0, ddof=1) if len(y) > 1 else np.full(y.shape[1], math.nan)


def _zero_of_difference(entries: Sequence[Sequence[Entry]], angle: str) -> float:
    """Standard uncertainty that the zeros leave in the difference of two plain means."""
    weight: dict[str, float] = {}
    zero: dict[str, float] = {}
    for sign, group in zip((-1.0, 1.0), entries, strict=True):
        for e in group:
            weight[e.calibration] = weight.get(e.calibration, 0.0) + sign / len(group)
            for event, v in e.swing.angles.get(angle, {}).items():
                if v.known:
                    u = zero_u95(v, f"{angle}@{event}") / COVERAGE
                    zero[e.calibration] = max(zero.get(e.calibration, 0.0), u)
    return math.sqrt(sum((w * zero.get(c, 0.0)) ** 2 for c, w in weight.items()))
