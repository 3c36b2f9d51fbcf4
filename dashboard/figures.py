"""What the drawings show, as plain data: pure functions from results to figures.

The scripts in `assets/` only place what stands here: numbers, words, verdicts and what is thick or
missing are decided in this file, where tests see them. Everything is JSON: degrees as numbers with
one decimal, text already in words, `None` where nothing can be said.

Places along a swing are given twice for each sample, both from 0 (address) to 9 (finish): `equal`
gives every phase the same width, so that an event stands at its number; `real` is linear in time.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from dashboard.sentence import sided, whole_doubt
from dashboard.words import because, count, group, number, retold, say, within
from imu.measured import Measurement, Swing, SwingTrace, Value, Verdict
from imu.recording import EVENTS, Array

Figure = dict[str, Any]


@dataclass(frozen=True)
class Panel:
    """One trace of the strip: the least span of its scale in degrees, and whether it is tall."""

    name: str
    angle: str
    least_span_deg: float
    tall: bool = False


PANELS = (
    Panel("wrist", "wrist_flexion", 50, tall=True),
    Panel("face", "face_to_forearm", 40),
    Panel("shaft", "shaft_off_plane", 30),
    Panel("hinge", "wrist_deviation", 40),
    Panel("roll", "forearm_roll", 60),
)
"""In the order in which a coach acts on them."""

NUMBERS = (
    "wrist_flexion",
    "face_to_forearm",
    "face_since_address",
    "shaft_off_plane",
    "shaft_past_level",
    "shaft_elevation",
    "wrist_deviation",
    "forearm_roll",
    "face_roll",
)
"""Rows of the tables."""

RIBBON_LIMIT_DEG = 20.0
"""A wider ribbon than this is drawn in full but does not stretch the scale."""

MOST_SAMPLES = 700
"""More samples than pixels only cost time: longer traces are thinned for the drawing."""

# Lengths of the drawn figure in metres: typical adult segments (common practice, no source); only
# directions are measured.
UPPER_ARM_M, FOREARM_M, HAND_M, CLUB_M = 0.30, 0.27, 0.09, 0.95
LEAST_SHARE = 0.5  # the shortest bubble, in heights of its vial


def whole(x: float) -> str:
    """Degrees as a coach reads them: whole, with a true minus."""
    n = math.floor(abs(x) + 0.5)
    return f"\N{MINUS SIGN}{n}" if x < 0 and n else str(n)


def level(value: Value, band: Verdict | None, *, aspect: float) -> Figure:
    """The vial of one reading: places along it from 0 (left) to 1.

    `aspect` is length over height. Marks stand symmetrically; the bubble is as long as the
    uncertainty, but never shorter than half the vial's height: a bubble that was lengthened is
    moved off a mark that the interval does not reach, so that the picture says what the verdict says.
    """
    if band is None:
        low, high, reach = None, None, 45.0
        middle = 0.0
    else:
        low, high = band.low_deg, band.high_deg
        middle, half = (low + high) / 2, (high - low) / 2
        reach = max(2.8 * half, half + 18.0)

    def place(deg: float) -> float:
        return 0.5 + 0.5 * (deg - middle) / reach

    marks = None if low is None or high is None else [place(low), place(high)]
    if value.value_deg is None or value.u95_deg is None:
        return {"state": "none", "marks": marks, "bubble": None, "off": 0}
    verdict = "plain" if band is None else band.verdict
    start, end = place(value.value_deg - value.u95_deg), place(value.value_deg + value.u95_deg)
    least = LEAST_SHARE / aspect
    if end - start < least:
        centre = (start + end) / 2
        start, end = centre - least / 2, centre + least / 2
    off = -1 if start < 0 and end < least else 1 if end > 1 and start > 1 - least else 0
    if marks:
        gap = min(0.12 / aspect, (marks[1] - marks[0]) / 4)
        if verdict == "below" and end > marks[0] - gap:
            start, end = start - (end - marks[0] + gap), marks[0] - gap
        elif verdict == "above" and start < marks[1] + gap:
            start, end = marks[1] + gap, end + (marks[1] + gap - start)
        elif verdict == "inside":
            if end - start > marks[1] - marks[0] - 2 * gap:
                start, end = marks[0] + gap, marks[1] - gap
            elif start < marks[0] + gap:
                start, end = marks[0] + gap, end + (marks[0] + gap - start)
            elif end > marks[1] - gap:
                start, end = start - (end - marks[1] + gap), marks[1] - gap
    if off < 0:
        start, end = 0.0, least * 0.6
    elif off > 0:
        start, end = 1.0 - least * 0.6, 1.0
    bubble = [max(0.0, start), min(1.0, end)]
    return {"state": verdict, "marks": marks, "bubble": [round(b, 4) for b in bubble], "off": off}


def cell(angle: str, value: Value, band: Verdict | None, *, aspect: float) -> Figure:
    """One number: its text, doubt, level, word and the sentence for a screen reader."""
    out: Figure = {
        "value": value.value_deg,
        "u95": value.u95_deg,
        "text": say("value.none") if value.value_deg is None else whole(value.value_deg),
        "doubt": "" if value.u95_deg is None else f"±{whole_doubt(value.u95_deg)}",
        "sided": sided(angle, value),
        "reason": None if value.known else because(value.reason),
        "band": None if band is None else [band.low_deg, band.high_deg],
        "level": None if band is None else level(value, band, aspect=aspect),
        "word": verdict_word(angle, value, band),
        "sure": band is not None and value.known and band.verdict in ("below", "above"),
    }
    out["spoken"] = spoken(angle, value, band)
    return out


def verdict_word(angle: str, value: Value, band: Verdict | None) -> str:
    if not value.known:
        return say("verdict.unread")
    if band is None:
        return say("verdict.none")
    if band.verdict in ("below", "above"):
        return say(f"side_{band.verdict}.{angle}")
    return say(f"verdict.{band.verdict}")


def spoken(angle: str, value: Value, band: Verdict | None) -> str:
    """A reading for the ear: "Wrist 21 degrees cupped, plus or minus 3: cup side of the band"."""
    name = say(f"angle.{angle}")
    if value.value_deg is None:
        return say("value.spoken_none", angle=name, reason=because(value.reason))
    size = math.floor(abs(value.value_deg) + 0.5)
    u95 = whole_doubt(value.u95_deg or 0.0)
    if size == 0:
        reading = say("value.spoken_zero", angle=name, u95=u95)
    else:
        side = say(f"{'plus' if value.value_deg > 0 else 'minus'}.{angle}")
        reading = say("value.spoken", angle=name, size=size, side=side, u95=u95)
    if band is None:
        return say("value.spoken_no_band", reading=reading)
    if band.verdict == "inside":
        return say("value.spoken_in", reading=reading)
    if band.verdict == "unsure":
        return say("value.spoken_unsure", reading=reading)
    return say("value.spoken_out", reading=reading, side=say(f"side_{band.verdict}.{angle}"))


def scales(measurement: Measurement) -> dict[str, list[float]]:
    """The scale of each panel, `[low, high]` in degrees: one for all swings of a recording, so that
    swings can be told apart by eye when one takes the place of another."""
    out = {}
    for panel in PANELS:
        lows, highs = [0.0], [0.0]
        for swing in measurement.swings:
            for value in swing.angles.get(panel.angle, {}).values():
                if value.value_deg is not None:
                    u = min(value.u95_deg or 0.0, RIBBON_LIMIT_DEG)
                    lows.append(value.value_deg - u)
                    highs.append(value.value_deg + u)
            for key, band in swing.bands.items():
                if key.startswith(panel.angle + "@") and ".." not in key:
                    lows.append(band.low_deg)
                    highs.append(band.high_deg)
            if swing.trace is not None and panel.angle in swing.trace.angles_deg and swing.grade != "poor":
                y = _between(swing, swing.trace)[panel.angle]
                if np.isfinite(y).any():
                    lows.append(float(np.nanmin(y)))
                    highs.append(float(np.nanmax(y)))
        low, high = min(lows), max(highs)
        missing = max(0.0, panel.least_span_deg - (high - low))
        low, high = low - missing / 2, high + missing / 2
        margin = 0.06 * (high - low)
        out[panel.name] = [round(low - margin, 1), round(high + margin, 1)]
    return out


def swing_figure(
    swing: Swing, *, handedness: str, scales: Mapping[str, Sequence[float]], bands_name: str = ""
) -> Figure:
    """Everything that the strip, the picture and the numbers of one swing draw."""
    places = _places(swing)
    keep = places["keep"]
    return {
        "swing": swing.index,
        "handed": handedness,
        "words": group("strip")
        | {f"picture_{k}": v for k, v in group("picture").items()}
        | {"numbers_title": say("numbers.title", at="{at}"), "numbers_change": say("numbers.change")},
        "events": [_event(swing, k, places) for k in range(len(EVENTS))],
        "phases": _phases(swing),
        "t": _list(places["t"][keep], 4),
        "equal": _list(places["equal"][keep], 4),
        "real": _list(places["real"][keep], 4),
        "panels": [_panel(swing, panel, scales[panel.name], places) for panel in PANELS],
        "numbers": [_number_row(swing, angle) for angle in NUMBERS],
        "changes": _changes(swing),
        "source": say("strip.corridor", source=bands_name) if swing.bands else say("strip.corridor_none"),
        "pose": _pose(swing, handedness, keep),
    }


def _changes(swing: Swing) -> list[Figure]:
    """Changes of an angle between two events: those that have a band, and what the wrist does from
    the top until the shaft is level. The error of the pose cancels in them."""
    out = []
    for angle in NUMBERS:
        for at, value in swing.changes.get(angle, {}).items():
            band = swing.bands.get(f"{angle}@{at}")
            if band is None and (angle, at) != ("wrist_flexion", "top..shaft_level_down"):
                continue
            first, _, last = at.partition("..")
            a, b = within(say(f"event.{first}")), within(say(f"event.{last}"))
            label = say("numbers.change_label", angle=say(f"angle.{angle}"), a=a, b=b)
            out.append({"key": f"{angle}@{at}", "label": label, "cell": cell(angle, value, band, aspect=3.6)})
    return out


def _event(swing: Swing, k: int, places: Mapping[str, Any]) -> Figure:
    name = EVENTS[k]
    event = swing.events.get(name)
    t = None if event is None else event.t_s
    return {
        "key": name,
        "label": say(f"event.{name}"),
        "at": say(f"at.{name}"),
        "t": None if t is None else round(t - places["start"], 3),
        "real": None if t is None else round(float(places["to_real"](t)), 4),
        "sample": None if t is None else int(np.argmin(np.abs(places["t"][places["keep"]] + places["start"] - t))),
        "reason": None if t is not None or event is None else because(event.reason),
        "spoken": [spoken(p.angle, _value(swing, p.angle, name), _band(swing, p.angle, name)) for p in PANELS],
    }


def _phases(swing: Swing) -> list[Figure]:
    """Seconds from each reached event to the next reached one."""
    reached = _reached(swing)
    return [
        {"from": a, "to": b, "s": round(tb - ta, 3), "text": say("strip.seconds", s=number(tb - ta, 2))}
        for (a, ta), (b, tb) in pairwise(reached)
    ]


def _panel(swing: Swing, panel: Panel, scale: Sequence[float], places: Mapping[str, Any]) -> Figure:
    angle, keep = panel.angle, places["keep"]
    cells = [
        cell(angle, _value(swing, angle, e), _band(swing, angle, e), aspect=4.6 if panel.tall else 3.6) for e in EVENTS
    ]
    y = u = np.full(len(keep), np.nan)
    if swing.trace is not None and angle in swing.trace.angles_deg:
        y = swing.trace.angles_deg[angle][places["inside"]][keep]
        u = swing.trace.u95_deg[angle][places["inside"]][keep]
    if swing.grade == "poor":  # a line would say that there is a reading
        y = u = np.full(len(keep), np.nan)
    equal = places["equal"][keep]
    corridor = corridors(swing, angle)
    return {
        "name": panel.name,
        "angle": angle,
        "label": say(f"angle.{angle}"),
        "plus": say(f"plus.{angle}"),
        "minus": say(f"minus.{angle}"),
        "tall": panel.tall,
        "scale": list(scale),
        "ticks": _ticks(scale, 3 if panel.tall else 1),
        "y": _list(y, 1),
        "u95": _list(u, 1),
        "corridor": corridor,
        "outside": outside(equal, y, u, corridor),
        "missing": _missing(swing, angle, equal, y),
        "cells": cells,
    }


def corridors(swing: Swing, angle: str) -> list[list[list[float]]]:
    """Bands of one angle as strips `[[place, low, high], …]`, joined where events follow each other.

    A lone band becomes a short gate about its event.
    """
    known = [(k, swing.bands[f"{angle}@{e}"]) for k, e in enumerate(EVENTS) if f"{angle}@{e}" in swing.bands]
    runs: list[list[tuple[int, Verdict]]] = []
    for k, band in known:
        if runs and runs[-1][-1][0] == k - 1:
            runs[-1].append((k, band))
        else:
            runs.append([(k, band)])
    out = []
    for run in runs:
        strip = [[float(k), b.low_deg, b.high_deg] for k, b in run]
        first, last = strip[0], strip[-1]
        out.append([[max(first[0] - 0.22, 0.0), *first[1:]], *strip, [min(last[0] + 0.22, 9.0), *last[1:]]])
    return out


def outside(place: Array, y: Array, u95: Array, corridor: list[list[list[float]]]) -> list[list[int]]:
    """Runs of samples `[first, last]` whose whole interval lies outside the corridor."""
    mask = np.zeros(len(place), dtype=bool)
    for strip in corridor:
        at, low, high = np.array(strip).T
        here = (place >= at[0]) & (place <= at[-1])
        with np.errstate(invalid="ignore"):
            past = (y + u95 < np.interp(place, at, low)) | (y - u95 > np.interp(place, at, high))
        mask |= here & past
    return _runs(mask)


def _missing(swing: Swing, angle: str, place: Array, y: Array) -> list[Figure]:
    """Stretches without a line, with the reason that the nearest event gives."""
    out = []
    for first, last in _runs(~np.isfinite(y)):
        if last - first < 3 and last - first < len(y) - 1:
            continue
        middle = (place[first] + place[last]) / 2
        nearest = sorted(range(len(EVENTS)), key=lambda k: abs(k - middle))
        values = [_value(swing, angle, EVENTS[k]) for k in nearest]
        reason = next((retold(v.reason) for v in values if not v.known and v.reason), say("verdict.unread"))
        if swing.grade == "poor" and swing.reasons:
            reason = retold(swing.reasons[0])
        out.append({"first": int(first), "last": int(last), "reason": reason})
    return out


def _number_row(swing: Swing, angle: str) -> Figure:
    return {
        "angle": angle,
        "label": say(f"angle.{angle}"),
        "cells": [cell(angle, _value(swing, angle, e), _band(swing, angle, e), aspect=3.6) for e in EVENTS],
    }


def _pose(swing: Swing, handedness: str, keep: Array) -> Figure:
    """Points of the drawn figure in the target frame (x to the target, z up), in metres from a
    shoulder held still, with a straight arm; from the wrist where no forearm sensor is worn."""
    trace = swing.trace
    if trace is None or not trace.q_to_target:
        return {"segments": [], "samples": 0}
    inside = _places(swing)["inside"]
    q = {segment: values[inside][keep] for segment, values in trace.q_to_target.items()}
    n = len(keep)
    out: Figure = {"segments": sorted(q), "samples": n, "mirrored": handedness == "left"}
    wrist = np.zeros((n, 3))
    if "forearm" in q:
        proximal = _turn(q["forearm"], (0, 1, 0))
        wrist = -(UPPER_ARM_M + FOREARM_M) * proximal
        out["elbow"] = _points(wrist + FOREARM_M * proximal)
    out["wrist"] = _points(wrist)
    knuckles = wrist
    if "hand" in q:
        knuckles = wrist - HAND_M * _turn(q["hand"], (0, 1, 0))
        out["knuckles"] = _points(knuckles)
    if "club" in q:
        s, face = _turn(q["club"], (1, 0, 0)), _turn(q["club"], (0, 1, 0))
        toe = np.cross(s, face) * (-1.0 if handedness == "left" else 1.0)
        head = knuckles + CLUB_M * s
        out["head"] = _points(head)
        out["toe"] = _points(toe)
        out["face"] = _points(face)
    return out


def _turn(q: Array, axis: Sequence[float]) -> Array:
    """A segment's axis in the target frame, (n, 3); NaN where the orientation is not known."""
    w, v = q[:, :1], q[:, 1:]
    a = np.broadcast_to(np.asarray(axis, dtype=float), v.shape)
    c = np.cross(v, a)
    return a + 2 * (w * c + np.cross(v, c))


# -- places along the swing ------------------------------------------------------------------------


def _reached(swing: Swing) -> list[tuple[int, float]]:
    found = [(k, swing.events[e].t_s) for k, e in enumerate(EVENTS) if e in swing.events]
    return [(k, t) for k, t in found if t is not None]


def _places(swing: Swing) -> dict[str, Any]:
    """Samples from the first to the last reached event, and where they stand along the swing."""
    reached = _reached(swing)
    trace_t = swing.trace.t_s if swing.trace is not None else np.zeros(0)
    if not reached:
        reached = [(0, float(trace_t[0])), (9, float(trace_t[-1]))] if len(trace_t) else [(0, 0.0), (9, 1.0)]
    numbers, times = np.array(reached, dtype=float).T
    start, end = times[0], times[-1]
    inside = (trace_t >= start - 1e-9) & (trace_t <= end + 1e-9)
    t = trace_t[inside]

    def to_real(x: float | Array) -> Any:
        return numbers[0] + (np.asarray(x) - start) / max(end - start, 1e-9) * (numbers[-1] - numbers[0])

    keep = np.arange(0, len(t), max(1, math.ceil(len(t) / MOST_SAMPLES)))
    if len(t) and keep[-1] != len(t) - 1:
        keep = np.append(keep, len(t) - 1)
    return {
        "t": t - start,
        "start": float(start),
        "inside": inside,
        "equal": np.interp(t, times, numbers),
        "real": np.asarray(to_real(t), dtype=float),
        "to_real": to_real,
        "keep": keep,
    }


def _between(swing: Swing, trace: SwingTrace) -> dict[str, Array]:
    inside = _places(swing)["inside"]
    return {angle: values[inside] for angle, values in trace.angles_deg.items()}


def _value(swing: Swing, angle: str, event: str) -> Value:
    return swing.angles.get(angle, {}).get(event, Value(None))


def _band(swing: Swing, angle: str, event: str) -> Verdict | None:
    return swing.bands.get(f"{angle}@{event}")


def _ticks(scale: Sequence[float], most: int) -> list[float]:
    """0 and round numbers about it."""
    if most < 2:
        return [0.0]
    span = scale[1] - scale[0]
    step = next(s for s in (5, 10, 20, 40, 50, 100, 200, 500) if span / s <= most + 1.5)
    return [float(k * step) for k in range(math.ceil(scale[0] / step), math.floor(scale[1] / step) + 1)]


def _runs(mask: Array) -> list[list[int]]:
    """First and last index of each stretch where the mask holds."""
    padded = np.concatenate([[0], np.asarray(mask, dtype=int), [0]])
    edges = np.flatnonzero(np.diff(padded))
    return [[int(a), int(b) - 1] for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _list(x: Array, digits: int) -> list[float | None]:
    return [None if not math.isfinite(v) else v for v in np.round(x, digits).tolist()]


def _points(x: Array) -> list[list[float] | None]:
    return [p if all(map(math.isfinite, p)) else None for p in np.round(x, 4).tolist()]


# -- the rail and the means ------------------------------------------------------------------------


def rail_item(swing: Swing, *, href: str, left_out: bool) -> Figure:
    """One swing of the rail: the level of the wrist at the top, or of the first banded reading
    where there is no wrist."""
    value, band = _value(swing, "wrist_flexion", "top"), _band(swing, "wrist_flexion", "top")
    reading = spoken("wrist_flexion", value, band)
    words = say("swing.rail_item", n=swing.index, reading=reading)
    if swing.grade == "poor":
        words = f"{words}; {say('swing.poor')}"
    if left_out:
        words = f"{words}; {say('swing.left_out')}"
    return {
        "swing": swing.index,
        "href": href,
        "level": level(value, band, aspect=36 / 11),
        "spoken": words,
        "left_out": left_out,
    }


def means_figure(measurement: Measurement, *, kind: str, left_out: Mapping[int, str]) -> Figure:
    """Means at each event over the swings of one kind that are neither left out nor poor."""
    alike = [s for s in measurement.swings if s.kind == kind]
    out = [s for s in alike if s.index in left_out]
    poor = [s for s in alike if s.grade == "poor" and s.index not in left_out]
    used = [s for s in alike if s.grade != "poor" and s.index not in left_out]
    counts = [count("set.count", len(used))]
    if out:
        counts.append(count("set.left", len(out)))
    if poor:
        counts.append(count("set.poor", len(poor)))
    return {
        "title": say("set.title", kind=say(f"kind.{kind}")),
        "counts": ", ".join(counts),
        "enough": len(used) > 1,
        "few": say("set.few"),
        "note": say("set.note"),
        "words": group("set"),
        "at": {e: say(f"at.{e}") for e in EVENTS},
        "events": {e: [row for p in PANELS if (row := _mean_row(used, p.angle, e))] for e in EVENTS},
    }


def _mean_row(swings: Sequence[Swing], angle: str, event: str) -> Figure | None:
    values = [v for s in swings if (v := _value(s, angle, event)).value_deg is not None]
    if len(values) < 2:
        return None
    mean, spread, doubt = mean_of(values)
    return {
        "angle": angle,
        "label": say(f"angle.{angle}"),
        "n": len(values),
        "mean": whole(mean),
        "doubt": f"±{whole_doubt(doubt)}",
        "spread": f"{number(spread, 1)}°",
        "mean_deg": round(mean, 3),
        "spread_deg": round(spread, 3),
        "u95_deg": round(doubt, 3),
    }


def mean_of(values: Sequence[Value]) -> tuple[float, float, float]:
    """Mean, standard deviation and expanded uncertainty (95 %) of readings of one calibration, deg.

    What swings share (the zero of the pose) does not shrink with their number: it is added in
    quadrature to the confidence interval of the mean (Student's t). A reading that doesn't tell its
    shared part is taken as wholly shared, which can only overstate the doubt.
    """
    from scipy.special import stdtrit  # type: ignore[import-untyped]

    x = np.array([v.value_deg for v in values], dtype=float)
    shared = [v.u95_deg if v.zero_u95_deg is None else v.zero_u95_deg for v in values]
    common = float(np.median([s for s in shared if s is not None] or [0.0]))
    n = len(x)
    spread = float(x.std(ddof=1))
    interval = float(stdtrit(n - 1, 0.975)) * spread / math.sqrt(n)
    return float(x.mean()), spread, math.hypot(interval, common)
