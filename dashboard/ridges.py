"""Drawings of comparisons and of progress, as SVG text: pure functions of what was compared.

Cup is left or down, bow is right or up. Two hues carry data, `now` and `then`; whether a difference
is told is place, weight, stripe and word.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

import numpy as np

from dashboard.words import LANGUAGE, retold, say
from dashboard.words import number as written
from imu.compare import Row, Summary
from imu.contrast import COVERAGE, NOT_YET
from imu.curves import CurveComparison, span_words
from imu.recording import ANGLES, Array
from imu.wording import verdict_words
from imu.words import decimals

Band = tuple[float, float] | None
LETTER = 8.2
"""Width of a letter at an axis's end, at the phone's larger size."""


def ticks(low: float, high: float, most: int) -> list[float]:
    """Round numbers within, at most so many."""
    span = max(high - low, 1e-6)
    raw = span / max(most, 1)
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(m * power for m in (1, 2, 5, 10) if m * power >= raw * 0.999)
    first = math.ceil(low / step - 1e-9)
    return [k * step for k in range(first, math.floor(high / step + 1e-9) + 1)]


def number(x: float) -> str:
    """With a real minus; decimals only where the ticks need them."""
    text = f"{x:g}" if abs(x - round(x)) < 1e-9 or abs(x) < 10 else f"{x:.0f}"
    return "0" if float(text) == 0 else decimals(text.replace("-", "−"), language=LANGUAGE)


@dataclass(frozen=True)
class _Axis:
    low: float
    high: float
    left: float
    right: float

    def __call__(self, value: float) -> float:
        return self.left + (value - self.low) / (self.high - self.low) * (self.right - self.left)

    def kept(self, value: float) -> float:
        return self(min(max(value, self.low), self.high))


def _svg(width: float, height: float, label: str, body: Sequence[str], kind: str) -> str:
    return (
        f'<svg class="drawing {kind}" viewBox="0 0 {width:g} {height:g}" role="img" aria-label="{escape(label)}">'
        f"{''.join(body)}</svg>"
    )


def _hatched(x0: float, y0: float, x1: float, y1: float, cls: str, gap: float = 9.0) -> str:
    """Slanted lines within a box, as lines: they print, and need no pattern."""
    d, height = [], y1 - y0
    start = math.floor((x0 - height) / gap) * gap
    k = start
    while k < x1:
        a, b = max(k, x0), min(k + height, x1)
        if b > a:
            d.append(f"M{a:.1f} {y1 - (a - k):.1f}L{b:.1f} {y1 - (b - k):.1f}")
        k += gap
    return f'<path class="{cls}" d="{"".join(d)}"/>'


def density(values: Array, at: Array) -> Array:
    """Gaussian kernel density with Scott's bandwidth; flat readings get half a degree."""
    sd = float(values.std(ddof=1)) if len(values) > 1 else 0.0
    width = max(sd * len(values) ** -0.2, 0.5 if sd > 0.5 else 0.25 * max(sd, 0.05))
    z = (at[:, None] - values[None, :]) / width
    return np.exp(-0.5 * z * z).sum(axis=1) / (len(values) * width * math.sqrt(2 * math.pi))


def ends(angle: str) -> tuple[str, str]:
    """What lies towards minus and towards plus; empty for what is no angle."""
    return (say(f"minus.{angle}"), say(f"plus.{angle}")) if angle in ANGLES else ("", "")


def ridge_svg(row: Row, labels: tuple[str, str]) -> str:
    """Each swing, its spread and mean: the earlier set above the line, the later one below."""
    width, height, middle, top = 400.0, 106.0, 44.0, 38.0
    a, b = (np.array([v for _, v in values]) for values in (row.values_a, row.values_b))
    e = row.estimate
    if e is None or len(a) == 0 or len(b) == 0:
        return ""
    edges = [*a, *b, e.mean_a - COVERAGE * e.u_mean_a, e.mean_b + COVERAGE * e.u_mean_b]
    low, high = float(min(edges)), float(max(edges))
    pad = 0.12 * max(high - low, 1.0 if row.unit == "°" else 0.1)
    # A band far away is not drawn up to its far edge: the swings have to stay readable.
    for edge in row.band or ():
        if low - 1.2 * (high - low) < edge < high + 1.2 * (high - low):
            low, high = min(low, edge - pad), max(high, edge + pad)
    x = _Axis(low - pad, high + pad, 4, width - 4)
    grid = np.linspace(x.low, x.high, 90)
    rows = [density(a, grid), density(b, grid)]
    scale = (top - 5) / max(float(r.max()) for r in rows)
    out = []
    if row.band:
        x0, x1 = x.kept(row.band[0]), x.kept(row.band[1])
        if x1 > x0:
            out.append(_hatched(x0, middle - top, x1, middle + top, "hatch"))
        for edge in row.band:
            if x.low < edge < x.high:
                out.append(f'<path class="corridor-edge" d="M{x(edge):.1f} {middle - top} V{middle + top}"/>')
    for name, sign, curve, values, mean, u in (
        ("then", -1, rows[0], a, e.mean_a, e.u_mean_a),
        ("now", 1, rows[1], b, e.mean_b, e.u_mean_b),
    ):
        keep = curve * scale > 0.3
        xs, ys = [x(g) for g in grid[keep]], middle + sign * curve[keep] * scale
        if len(xs) > 1:
            path = "M" + "L".join(f"{p:.1f} {q:.1f}" for p, q in zip(xs, ys, strict=True))
            out.append(f'<path class="ridge-{name}" d="{path}L{xs[-1]:.1f} {middle}L{xs[0]:.1f} {middle}Z"/>')
        bars = "".join(f"M{x(v):.1f} {middle}v{sign * 7}" for v in values)
        out.append(f'<path class="swing-{name}" d="{bars}"/>')
        y = middle + sign * 15
        half = COVERAGE * u
        out.append(f'<path class="mean-{name}" d="M{x.kept(mean - half):.1f} {y}H{x.kept(mean + half):.1f}"/>')
        out.append(f'<circle class="middle-{name}" cx="{x(mean):.1f}" cy="{y}" r="6"/>')
    out.append(f'<path class="axis" d="M2 {middle}H{width - 2}"/>')
    less, more = ("", "") if row.angle == "tempo" else ends(row.angle)
    for t in ticks(x.low, x.high, 5):
        if 14 + LETTER * len(less) < x(t) < width - 14 - LETTER * len(more):
            out.append(f'<text class="tick mid" x="{x(t):.1f}" y="{height - 6}">{number(t)}</text>')
    if less or more:
        out.append(f'<text class="tick" x="2" y="{height - 6}">{escape(less)}</text>')
        out.append(f'<text class="tick end" x="{width - 2}" y="{height - 6}">{escape(more)}</text>')
    unit = row.unit.strip()
    label = say(
        "compare.ridge",
        a=labels[0],
        mean_a=f"{written(e.mean_a, 1)}{unit}",
        b=labels[1],
        mean_b=f"{written(e.mean_b, 1)}{unit}",
    )
    return _svg(width, height, label, out, "ridge")


def reach(rows: Sequence[Row]) -> float:
    """Half the width of an axis that shows the differences of all rows in degrees."""
    most = 10.0
    for r in rows:
        if r.estimate and r.unit == "°" and r.sdc is not None:
            most = max(most, abs(r.estimate.difference) + 1.02 * r.sdc)
    return most * 1.08


def pill_svg(row: Row, half: float) -> str:
    """The difference with its interval, against the fog: what is too small to tell."""
    e, sdc = row.estimate, row.sdc
    if e is None or sdc is None:
        return ""
    if row.unit != "°":
        half = (abs(e.difference) + 1.02 * sdc) * 1.08
    width, height, middle, tall = 220.0, 106.0, 44.0, 36.0
    x = _Axis(-half, half, 4, width - 4)
    out = []
    f0, f1 = x(-sdc), x(sdc)
    dots = []
    y = middle - tall + 5
    k = 0
    while y < middle + tall - 1:
        p = f0 + (4 if k % 2 else 7.5)
        while p < f1 - 2:
            dots.append(f"M{p:.1f} {y:.1f}h.01")
            p += 7
        y += 6
        k += 1
    out.append(f'<path class="fog" d="{"".join(dots)}"/>')
    out.append(f'<path class="fog-edge" d="M{f0:.1f} {middle - tall}v{2 * tall}M{f1:.1f} {middle - tall}v{2 * tall}"/>')
    out.append(f'<path class="axis" d="M{x(0):.1f} {middle - tall - 2}V{middle + tall + 2}"/>')
    # Within the fog the interval touches zero: both have the same half-width.
    shown = (x.kept(e.difference - sdc), x.kept(e.difference + sdc))
    unsure = row.verdict == NOT_YET
    centre = x(e.difference)
    body = f'x="{shown[0]:.1f}" y="{middle - 10}" width="{shown[1] - shown[0]:.1f}" height="20" rx="10"'
    if unsure:
        out.append(f'<rect class="pill unsure" {body}/>')
        out.append(_hatched(shown[0] + 6, middle - 8, shown[1] - 6, middle + 8, "pill-stripe", 7))
        out.append(f'<path class="pill-middle unsure" d="M{centre:.1f} {middle - 12}v24"/>')
    else:
        out.append(f'<rect class="pill" {body}/>')
        out.append(f'<path class="pill-middle" d="M{centre:.1f} {middle - 9}v18"/>')
    for t in ticks(-0.85 * half, 0.85 * half, 4):
        text = f"+{number(t)}" if t > 0 else number(t)
        out.append(f'<text class="tick mid" x="{x(t):.1f}" y="{height - 6}">{text}</text>')
    unit = row.unit.strip()
    d, least = (f"{written(x, 1, sign=s)}{unit}" for x, s in ((e.difference, True), (sdc, False)))
    label = say("compare.pill", d=d, sdc=least, verdict=verdict_words(row.verdict or NOT_YET, language=LANGUAGE))
    return _svg(width, height, label, out, "pill-drawing")


def curves_svg(c: CurveComparison, labels: tuple[str, str], *, narrow: bool = False) -> str:
    """Mean and spread of two sets through the swing, phases equal, with where they differ."""
    width, height, left, bottom, top = (420.0, 236.0, 40.0, 0.0, 14.0) if narrow else (800.0, 300.0, 62.0, 62.0, 14.0)
    names = [say(f"event.{event}") for event in c.events]
    if narrow:  # the names aslant: below it the longest, left of it the first
        bottom = 24.0 + LETTER * 0.62 * max(map(len, names))
        height, left = height + bottom, max(left, LETTER * 0.79 * len(names[0]))
    sd_a, sd_b = (np.nan_to_num(s) for s in (c.sd_a, c.sd_b))
    low = float(min((c.mean_a - sd_a).min(), (c.mean_b - sd_b).min()))
    high = float(max((c.mean_a + sd_a).max(), (c.mean_b + sd_b).max()))
    pad = max(0.06 * (high - low), 1.0)
    room = 34.0
    y = _Axis(low - pad, high + pad, height - bottom - room, top)
    x = _Axis(0, float(len(c.events) - 1), left + 8, width - (20 if narrow else 44))
    out = []
    for k, words in enumerate(names):
        out.append(f'<path class="event-line" d="M{x(k):.1f} {top}V{height - bottom}"/>')
        if narrow:
            at = f'transform="translate({x(k) + 4:.1f} {height - bottom + 14}) rotate(-38)"'
            out.append(f'<text class="tick end" {at}>{escape(words)}</text>')  # up to its line: none leaves the drawing
        else:
            lines = _two_lines(words)
            for i, line in enumerate(lines):
                out.append(
                    f'<text class="tick mid" x="{x(k):.1f}" y="{height - bottom + 20 + 15 * i}">{escape(line)}</text>'
                )
    for t in ticks(y.low, y.high, 5):
        out.append(f'<text class="tick end" x="{left - 6}" y="{y(t) + 4.5:.1f}">{number(t)}</text>')
    if y.low < 0 < y.high:
        out.append(f'<path class="zero" d="M{left} {y(0):.1f}H{width - 10}"/>')

    def points(values: Array) -> list[str]:
        return [f"{x(p):.1f} {y(v):.1f}" for p, v in zip(c.position, values, strict=True)]

    for name, mean, sd in (("then", c.mean_a, sd_a), ("now", c.mean_b, sd_b)):
        around = points(mean + sd) + points(mean - sd)[::-1]
        out.append(f'<path class="spread-{name}" d="M{"L".join(around)}Z"/>')
    for name, mean in (("then", c.mean_a), ("now", c.mean_b)):
        out.append(f'<path class="curve-{name}" d="M{"L".join(points(mean))}"/>')
    base = height - bottom - 10
    for span in c.spans:
        a, b = x(span.start), max(x(span.end), x(span.start) + 6)
        out.append(f'<path class="bracket" d="M{a:.1f} {base - 9}V{base}H{b:.1f}V{base - 9}"/>')
        if b - a > 96:
            words = say("compare.differs")
            out.append(f'<text class="strong mid halo" x="{(a + b) / 2:.1f}" y="{base - 6}">{words}</text>')
    where = "; ".join(span_words(s, c.events, language=LANGUAGE) for s in c.spans)
    same = retold(c.reason) if c.reason else say("compare.curves_same")
    label = say("compare.curves_differ", where=where) if c.spans else same
    return _svg(width, height, label, out, "curves")


def _two_lines(words: str) -> list[str]:
    head, _, tail = words.rpartition(" ")
    return [head, tail] if head and len(words) > 10 else [words]


# -- progress ----------------------------------------------------------------------------------
@dataclass(frozen=True)
class Day:
    """A lesson on the time axis: place in days since the first, what it is called, its summary."""

    at: float
    title: str
    under: str
    summary: Summary | None
    practice: bool = False
    untold: tuple[float, ...] = ()  # the day's first tries, before any was shown


def progress_svg(days: Sequence[Day], *, key: str, band: Band, narrow: bool = False, dates: bool = False) -> str:
    """One measure over lessons, time to scale: every swing, the mean as a bubble as tall as its
    doubt, and the band."""
    angle = key.partition("@")[0]
    width = 360.0 if narrow else 780.0
    height, left, right, top = 190.0, 44.0, (46.0 if narrow else 60.0), 8.0
    bottom = 52.0 if dates else 10.0
    height += bottom
    known = [d.summary for d in days if d.summary]
    edges = (
        [v for d in days for v in d.untold]
        + [v for s in known for _, v in s.values]
        + [m for s in known for m in (s.mean - s.u95, s.mean + s.u95)]
    )
    low, high = min(edges), max(edges)
    for edge in band or ():
        if low - 1.2 * (high - low) < edge < high + 1.2 * (high - low):
            low, high = min(low, edge), max(high, edge)
    pad = 0.07 * max(high - low, 1.0)
    y = _Axis(low - pad, high + pad, height - bottom, top)
    span = max(d.at for d in days) - min(d.at for d in days)
    x = _Axis(0.0, span or 1.0, left + 34, width - right - 10)
    first = min(d.at for d in days)
    out = []
    if band:
        y0, y1 = y.kept(band[1]), y.kept(band[0])
        if y1 > y0:
            out.append(_hatched(left, y0, width - 6, y1, "hatch"))
        for edge in band:
            if y.low < edge < y.high:
                out.append(f'<path class="corridor-edge" d="M{left} {y(edge):.1f}H{width - 6}"/>')
    for t in ticks(y.low, y.high, 5):
        out.append(f'<text class="tick end" x="{left - 8}" y="{y(t) + 4.5:.1f}">{number(t)}</text>')
    last_text = -math.inf
    for d in days:
        at = x(d.at - first) if span else (left + width - right) / 2
        if not d.practice:
            out.append(f'<path class="event-line" d="M{at:.1f} {top}V{height - bottom}"/>')
        if dates:
            out.append(f'<path class="axis" d="M{at:.1f} {height - bottom}v7"/>')
            if not d.practice and at - last_text > (70 if narrow else 84):
                out.append(f'<text class="strong mid" x="{at:.1f}" y="{height - bottom + 24}">{escape(d.title)}</text>')
                out.append(f'<text class="tick mid" x="{at:.1f}" y="{height - bottom + 42}">{escape(d.under)}</text>')
                last_text = at
        if d.untold:
            middle = y(float(np.mean(d.untold)))
            out.append(f'<path class="untold" d="M{at + 12:.1f} {middle - 9:.1f}l9 9l-9 9l-9 -9z"/>')
            out.append(f'<circle class="untold-dot" cx="{at + 12:.1f}" cy="{middle:.1f}" r="2.4"/>')
        if d.summary is None and d.untold:
            continue
        if d.summary is None:
            out.append(f'<text class="tick mid" x="{at:.1f}" y="{(top + height - bottom) / 2:.1f}">—</text>')
            continue
        s = d.summary
        if d.practice:
            out.append(f'<path class="practice-bar" d="M{at:.1f} {y(s.mean + s.u95):.1f}V{y(s.mean - s.u95):.1f}"/>')
            out.append(f'<circle class="practice" cx="{at:.1f}" cy="{y(s.mean):.1f}" r="5.5"/>')
            continue
        for i, (_, v) in enumerate(s.values):
            # Side by side in the order they were made, so that no dot hides another.
            out.append(
                f'<circle class="swing-dot" cx="{at - 17 + 7 * ((i * 0.618) % 1 - 0.5):.1f}" cy="{y(v):.1f}" r="2.6"/>'
            )
        y0, y1 = y(s.mean + s.u95), y(s.mean - s.u95)
        if y1 - y0 < 14:
            y0, y1 = (y0 + y1) / 2 - 7, (y0 + y1) / 2 + 7
        unsure = band is not None and any(s.mean - s.u95 < edge < s.mean + s.u95 for edge in band)
        body = f'x="{at - 9:.1f}" y="{y0:.1f}" width="18" height="{y1 - y0:.1f}" rx="9"'
        out.append(f'<rect class="day{" unsure" if unsure else ""}" {body}/>')
        if unsure:
            out.append(_hatched(at - 7, y0 + 4, at + 7, y1 - 4, "day-stripe", 6))
        whole = round(s.mean) if s.mean >= 0.5 or s.mean <= -0.5 else 0
        text = number(float(whole)) if angle != "tempo" else written(s.mean, 2)
        out.append(f'<text class="strong halo" x="{at + 14:.1f}" y="{(y0 + y1) / 2 + 5:.1f}">{text}</text>')
    if dates:
        out.append(f'<path class="axis" d="M{left} {height - bottom}H{width - 6}"/>')
    said = "; ".join(
        f"{d.title}: {d.summary.mean:.0f} ± {d.summary.u95:.0f}" if d.summary else f"{d.title}: —" for d in days
    )
    return _svg(width, height, said, out, "progress-drawing")


SIDE = {"left": -1.0, "straight": 0.0, "none": 0.0, "right": 1.0}


def flights_svg(flights: Sequence[tuple[str, str]], label: str) -> str:
    """Ball flights from above, target up: where each started and which way it curved, as typed in."""
    width, height = 120.0, 128.0
    foot, tip = (width / 2, height - 8), 12.0
    out = [f'<path class="to-target" d="M{foot[0]} {foot[1] - 6}V6m-4 6l4 -6l4 6"/>']
    for i, (start, curve) in enumerate(flights):
        # What was typed is a side, not an angle: a little fanned out, so that each is seen.
        fan = 5.0 * ((i * 0.618) % 1 - 0.5)
        reach = foot[0] + 26 * SIDE[start] + fan
        end = reach + 16 * SIDE[curve]
        bend = (foot[0] + (reach - foot[0]) * 0.75, height * 0.42)
        y = tip + 10 * ((i * 0.381) % 1)
        out.append(f'<path class="flight" d="M{foot[0]} {foot[1]}Q{bend[0]:.1f} {bend[1]:.1f} {end:.1f} {y:.1f}"/>')
        out.append(f'<circle class="flight-end" cx="{end:.1f}" cy="{y:.1f}" r="2.6"/>')
    out.append(f'<circle class="ball" cx="{foot[0]}" cy="{foot[1]}" r="4"/>')
    return _svg(width, height, label, out, "flights")
