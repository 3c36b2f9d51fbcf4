"""What has changed between sets of swings, and what cannot be told yet.

The statistics of one measure are in `imu.contrast`: swings within calibrations within lessons, and a
zero that all swings of a calibration share. A change between two events of one swing never held it.

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
from functools import cached_property
from typing import Any

import numpy as np
import scipy  # its parts load when asked for: `scipy.stats` takes a second that pages need not wait

from imu.contrast import (
    COVERAGE,
    FEW,
    NOT_YET,
    Estimate,
    Sample,
    Steadiness,
    Tell,
    estimate,
    joint_alpha,
    steadiness,
)
from imu.errors import CupbowError, UsageError
from imu.measured import Measurement, Swing, Value
from imu.recording import ANGLES, EVENTS, KINDS, TEMPO, Array
from imu.wording import change_words, headline, measure_words, tell_words
from imu.words import Told, count, joined, retold, say, told

SCHEMA = "cupbow.compare/1"

CHANGED = "changed"
NOT_COMPARED = "not compared"

DEFAULT_TARGETS = (
    "wrist_flexion@top",
    "wrist_flexion@impact",
    "wrist_flexion@top..shaft_level_down",
    "face_to_forearm@top",
    "shaft_past_level@top",
)
"""Judged when neither the caller nor the swings' bands name targets."""


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
        return tuple(dict.fromkeys(p.club_name or told("caution.no_club") for p in self.parts if p.chosen))

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


# -- one measure, two sets: what is shown ------------------------------------------------------
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
    def changed(self) -> bool:
        return self.verdict == CHANGED

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
    """Something to know before concluding: a lead word and a sentence, to be said in any language (`retold`)."""

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
        raise UsageError(say("reason.same_label"))
    if kind is not None and kind not in KINDS:
        raise UsageError(f"kind {kind!r} is not known: use {', '.join(KINDS)}")
    _same_handedness(sets)
    kind = kind or _common_kind(sets)
    for s in sets:
        if not s.entries(kind):
            raise CupbowError(say("reason.no_kind", label=s.label, kind=kind))
    if targets is None:
        found = dict.fromkeys(k for s in sets for e in s.entries(kind) for k in e.swing.bands)
        targets = tuple(found) or DEFAULT_TARGETS
    pairs = [_pair(sets[0], other, kind, tuple(targets), alpha / (len(sets) - 1)) for other in sets[1:]]
    return Comparison(kind, sets[0], tuple(pairs))


def _same_handedness(sets: Sequence[SwingSet]) -> None:
    hands = {p.measurement.handedness for s in sets for p in s.parts}
    if len(hands) > 1:
        raise CupbowError(say("reason.handedness"))


def _common_kind(sets: Sequence[SwingSet]) -> str:
    common = [k for k in KINDS if all(s.kinds()[k] for s in sets)]
    if not common:
        have = "; ".join(f"{s.label}: {', '.join(s.kinds()) or 'none good enough'}" for s in sets)
        raise CupbowError(say("reason.no_common", have=have))
    return max(common, key=lambda k: min(s.kinds()[k] for s in sets))


# -- gathering ---------------------------------------------------------------------------------
@dataclass(frozen=True, eq=False)
class _Readings:
    sample: Sample
    names: tuple[str, ...]
    left_out: Counter[str]
    own_zero: bool  # the zero is the other one: never compared with the usual one
    via_grip: bool


def reading_of(swing: Swing, key: str) -> Value | None:
    """A swing's reading of `angle@event`, `angle@event..event` or `tempo@name`; None where results hold none."""
    angle, _, where = key.partition("@")
    if angle == "tempo":
        got = swing.tempo.get(where)
        return Value(got, 0.0, zero_u95_deg=0.0) if got is not None else Value(None, reason=say("reason.not_timed"))
    table = swing.changes if ".." in where else swing.angles
    return table.get(angle, {}).get(where)


def zero_u95(value: Value, key: str) -> float:
    """The shared part; where it was not split, all of it counts as shared, unless it cancels."""
    if value.zero_u95_deg is not None:
        return value.zero_u95_deg
    return 0.0 if ".." in key else (value.u95_deg or 0.0)


def _readings(group: SwingSet, kind: str, key: str) -> _Readings:
    usable: list[tuple[Entry, Value]] = []
    left: Counter[str] = Counter()
    for entry in group.entries(kind):
        v = reading_of(entry.swing, key)
        if v is None or v.value_deg is None:
            left[(v.reason if v and v.reason else say("reason.not_measured"))] += 1
        elif v.u95_deg is None:
            left[say("reason.no_uncertainty")] += 1
        else:
            usable.append((entry, v))
    own = Counter("zero_frame" in v.marks for _, v in usable)
    other_zero = own[True] > own[False]
    if own[True] and own[False]:
        left[say("reason.another_zero")] += own[not other_zero]
        usable = [(e, v) for e, v in usable if ("zero_frame" in v.marks) == other_zero]
    zero: dict[str, float] = {}
    for e, v in usable:
        zero[e.calibration] = max(zero.get(e.calibration, 0.0), zero_u95(v, key) / COVERAGE)
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
        why = reasons.most_common(1)[0][0] if reasons else say("reason.not_measured")
    elif a.own_zero != b.own_zero:
        why = say("reason.zeros_differ")
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
            note = Told.by(count, f"row.note.{'rests' if changed else 'would'}", len(row.outliers))
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


# -- one set ------------------------------------------------------------------------------------
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


# -- what to know before concluding ------------------------------------------------------------
def _cautions(
    a: SwingSet, b: SwingSet, kind: str, rows: Sequence[Row], read: Mapping[str, tuple[_Readings, _Readings]]
) -> Iterable[Caution]:
    targets = [r for r in rows if r.target]
    if set(a.clubs) != set(b.clubs):
        yield _caution("clubs", a=_all(a.clubs), b=_all(b.clubs))
    elif len(a.clubs) > 1:
        yield _caution("several_clubs", clubs=_all(a.clubs))
    worn = [_sensors(s) for s in (a, b)]
    if worn[0] != worn[1]:
        yield _caution("sensors", a=worn[0], b=worn[1])
    if any(read[r.key][0].via_grip != read[r.key][1].via_grip for r in targets):
        yield _caution("grip")
    shared = set(a.calibrations) & set(b.calibrations)
    zero = max((r.estimate.u_zero for r in targets if r.estimate), default=0.0)
    if shared and set(a.calibrations) == set(b.calibrations):
        yield _caution("same_calibration")
    elif zero > 0:
        yield _caution("set_up_anew", u95=f"{COVERAGE * zero:.0f}")
    for s in (a, b):
        poor = Counter(
            (w.reasons[0] if w.reasons else say("reason.poor_quality"))
            for p in s.parts
            for w in p.chosen
            if w.grade == "poor"
        )
        other = Counter(w.kind for p in s.parts for w in p.chosen if w.grade != "poor" and w.kind != kind)
        if poor:
            which = [str(w.index) for p in s.parts for w in p.chosen if w.grade == "poor"]
            why = [told("caution.times", why=Told.by(retold, r), n=n) if n > 1 else r for r, n in poor.items()]
            yield _caution("poor", swings=_swings(len(which)), which=_all(which), label=s.label, why=_all(why, "; "))
        aside = {w.index: p.left_out[w.index] for p in s.parts for w in p.taken if w.index in p.left_out}
        if aside:
            said = {"swings": _swings(len(aside)), "which": ", ".join(map(str, aside)), "label": s.label}
            own = _all([Told.by(retold, why) for why in dict.fromkeys(aside.values()) if why], "; ")
            yield _caution("by_you", "text_why", why=own, **said) if own else _caution("by_you", **said)
        if other:
            kinds = _all([told(f"caution.kinds.of.{k}", n=n) for k, n in other.items()])
            yield _caution("kinds", kinds=kinds, label=s.label, kind=told(f"caution.kinds.kind.{kind}"))
        n = len(s.entries(kind))
        if n < FEW:
            yield _caution("few", n=n, label=s.label)
    for r in targets:
        gone = sum(r.left_out.values())
        if gone and r.estimate:
            why_most = max(r.left_out, key=lambda k: r.left_out[k])
            yield _caution("unread", measure=_measure(r.key), swings=_swings(gone), why=Told.by(retold, why_most))
        if r.outliers:
            named = [(n, a.label if w == "first" else b.label) for w, n in (o.split(" ", 1) for o in r.outliers)]
            far = _all([told("caution.far_off.swing", n=n, label=label) for n, label in named])
            if r.notes:
                yield _caution("far_off", measure=_measure(r.key), far=far, note=r.notes[-1])
            else:
                yield _caution("far_off", "text_same", measure=_measure(r.key), far=far)
    balls = [{e.swing.ball for e in s.entries(kind)} - {None} for s in (a, b)]
    if balls[0] and balls[1] and balls[0] != balls[1]:
        yield _caution("ball")
    for s, side in ((a, 0), (b, 1)):
        drifting = [r.key for r in targets if r.estimate and _drifts(read[r.key][side].sample)]
        if drifting:
            yield _caution("moving", label=s.label, measures=_all([_measure(k) for k in drifting]))
    if len(a.lessons) == 1 and len(b.lessons) == 1 and a.lessons != b.lessons:
        yield _caution("one_lesson")


def _caution(name: str, text: str = "text", **fields: object) -> Caution:
    return Caution(told(f"caution.{name}.lead"), told(f"caution.{name}.{text}", **fields))


def _measure(key: str) -> Told:
    return Told.by(measure_words, key)


def _all(items: Sequence[str], separator: str = ", ") -> Told:
    return Told.by(joined, tuple(items), separator)


def _drifts(sample: Sample) -> bool:
    if len(sample.values) < 2 * FEW or len(set(sample.calibrations)) > 1:
        return False
    return bool(scipy.stats.kendalltau(np.arange(len(sample.values)), sample.values).pvalue < 0.01)


def _sensors(group: SwingSet) -> Told:
    found = {(s.role, round(s.rate_hz / 10) * 10) for p in group.parts if p.chosen for s in p.measurement.sensors}
    named = [told("caution.sensor", role=told(f"role.{role}"), hz=rate) for role, rate in sorted(found)]
    return _all(named or [told("caution.no_sensors")])


def _swings(n: int) -> Told:
    return Told.by(count, "caution.swings", n)
