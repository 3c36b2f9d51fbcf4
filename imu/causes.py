"""Which early departure leads to which later one, how surely, and resting on what.

Rules (`default_causes.toml`, or a coach's own) name what is asked: a movement that may lead to something on face or
shaft, and what of face or shaft may show in the ball's flight. Each is answered twice:

- by geometry: what turning only the wrist or the forearm does, in this student's own geometry (`imu.whatif`);
- by the student's own swings: whether the two go together from swing to swing, all causes at once, levels and drift of
  each recording and the error of reading taken out (`imu.slopes`).

All intervals of one account hold together: with nothing behind any of them, one account in twenty claims anything.
Poor swings are left out; one swing, or what no sensor worn can show, leads to no conclusion. What moves along and is
not measured stays unknown: swings show what goes together, geometry what a turn alone would do.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Protocol

import numpy as np

from imu.cause_rules import BallRule, Rule, Rules, load_rules
from imu.cause_words import ball_says, chain_says, says
from imu.compare import Summary, SwingSet, reading_of, summarise
from imu.contrast import COVERAGE, Sample
from imu.errors import CupbowError
from imu.measured import Measurement, Swing, Value
from imu.recording import KINDS, Array
from imu.slopes import LEAST_FREE, TOO_FEW, Sightings, Slope, slopes
from imu.words import say

SCHEMA = "cupbow.change/1"

MOST_LOOKED = 12
"""So many swings are looked at for the geometry of a set: it hardly differs from swing to swing."""

BOTH, GEOMETRY, SWINGS, APART, NEITHER = (
    "geometry and swings",
    "geometry alone",
    "swings alone",
    "geometry and swings apart",
    "not told",
)
"""What a link rests on. `geometry alone`: the swings can't tell; `apart`: what they say and what
geometry says can't both be."""


# -- what is concluded -------------------------------------------------------------------------------
class Turn(Protocol):
    """What 10 degrees of one turn do to one angle."""

    @property
    def turn(self) -> str: ...
    @property
    def angle(self) -> str: ...
    @property
    def per_10_deg(self) -> Value: ...


class Geometry(Protocol):
    """`imu.whatif.effects`, or what stands in for it."""

    def __call__(self, measurement: Measurement, swing: Swing, event: str) -> Sequence[Turn]: ...


@dataclass(frozen=True)
class Flight:
    """Of one ball as noted; sides as seen by the golfer."""

    start: str | None = None
    curve: str | None = None
    carry_m: float | None = None


@dataclass(frozen=True)
class Effect:
    """Degrees for each degree, with the half-width of the 95 % interval."""

    value: float
    u95: float

    def __post_init__(self) -> None:
        assert math.isfinite(self.value)
        assert self.u95 >= 0

    @property
    def told(self) -> bool:
        return abs(self.value) > self.u95

    def to_json(self) -> dict[str, float]:
        return {"deg_per_10_deg": round(10 * self.value, 2), "u95": round(10 * self.u95, 2)}


@dataclass(frozen=True)
class Departure:
    """How far a mean lies outside its band: signed degrees to the nearest edge, 0 inside; `sure` where its whole
    interval lies outside."""

    deg: float
    sure: bool
    band: tuple[float, float]


@dataclass(frozen=True, eq=False)
class Link:
    """One rule answered. `half_width` of the swings' interval holds together with the account's others."""

    rule: Rule
    cause: Summary | None
    effect: Summary | None
    cause_out: Departure | None
    effect_out: Departure | None
    geometry: Effect | None
    geometry_swings: int
    no_geometry: str | None
    slope: Slope
    alpha: float
    left_out: Mapping[str, int]
    notes: tuple[str, ...] = ()

    @property
    def swings(self) -> Effect | None:
        """What the student's own swings say, where they can tell an interval at all."""
        return Effect(self.slope.value, self.slope.half_width(self.alpha)) if self.slope.known else None

    @property
    def verdict(self) -> str:
        g, s = self.geometry, self.swings
        geometry, swings = g is not None and g.told, s is not None and s.told and not self.notes
        if g and s and geometry and not self.notes and abs(g.value - s.value) > g.u95 + s.u95:
            return APART
        if swings:
            return BOTH if geometry else SWINGS
        return GEOMETRY if geometry else NEITHER

    @property
    def best(self) -> Effect | None:
        """The effect to expect of a change: geometry's, the body held; the swings' where no geometry is told."""
        if self.geometry and self.geometry.told:
            return self.geometry
        return self.swings if self.verdict == SWINGS else None

    @property
    def contradicts(self) -> bool:
        """Whether what is told goes against the common saying."""
        best = self.best
        return bool(best and best.told and self.rule.sign and best.value * self.rule.sign < 0)

    @property
    def explained(self) -> Effect | None:
        """Degrees of the effect that the cause's departure makes, where the cause is surely out."""
        if self.best is None or self.cause is None or self.cause_out is None or not self.cause_out.sure:
            return None
        out = self.cause_out.deg
        return Effect(self.best.value * out, math.hypot(self.best.u95 * out, self.best.value * self.cause.u95))

    @property
    def swings_to_tell(self) -> int | None:
        """How many swings in all would tell what geometry says (else what it looks like now)."""
        size = self.geometry.value if self.geometry else self.slope.value
        return self.slope.swings_to_tell(size, self.alpha) if self.slope.known else None

    def to_json(self) -> dict[str, Any]:
        s = self.slope
        out: dict[str, Any] = {
            "cause": self.rule.cause,
            "effect": self.rule.effect,
            "verdict": self.verdict,
            "says": says(self),
            "common_saying": {"text": self.rule.says, "source": self.rule.source, "contradicted": self.contradicts},
            "geometry": self.geometry.to_json() | {"swings": self.geometry_swings} if self.geometry else None,
            "swings": self.swings.to_json() if self.swings else None,
            "used": {"swings": s.swings, "recordings": s.groups},
            "cause_today": _summary_json(self.cause, self.cause_out),
            "effect_today": _summary_json(self.effect, self.effect_out),
        }
        if self.no_geometry:
            out["no_geometry"] = self.no_geometry
        if s.reason:
            out["no_swings"] = s.reason
        elif self.swings and not self.swings.told:
            out["swings_to_tell"] = self.swings_to_tell
        if s.known and math.isfinite(s.true_share):
            out["used"]["cause_sd_deg"] = round(s.sd, 2)
            out["used"]["true_share"] = round(s.true_share, 3)
        if self.left_out:
            out["left_out"] = dict(self.left_out)
        if self.explained:
            out["explained_deg"] = {"value": round(self.explained.value, 2), "u95": round(self.explained.u95, 2)}
        if self.notes:
            out["notes"] = list(self.notes)
        return out


@dataclass(frozen=True, eq=False)
class BallLink:
    """What a ball's flight and a reading have to do with each other: the reading's degrees for each step of flight
    (left, straight, right; none, curved; 10 m), towards the open side."""

    rule: BallRule
    slope: Slope
    alpha: float
    left_out: Mapping[str, int]
    notes: tuple[str, ...] = ()

    @property
    def told(self) -> bool:
        return self.slope.told(self.alpha) and not self.notes

    @property
    def contradicts(self) -> bool:
        return bool(self.told and self.rule.sign and self.slope.value * self.rule.sign < 0)

    def to_json(self) -> dict[str, Any]:
        s = self.slope
        out: dict[str, Any] = {
            "reading": self.rule.reading,
            "flight": self.rule.flight,
            "told": self.told,
            "says": ball_says(self),
            "common_saying": {"text": self.rule.says, "source": self.rule.source, "contradicted": self.contradicts},
            "used": {"balls": s.swings, "recordings": s.groups},
        }
        if s.known:
            out |= {"deg_per_step": round(s.value, 2), "u95": round(s.half_width(self.alpha), 2)}
        else:
            out["reason"] = s.reason
        if self.left_out:
            out["left_out"] = dict(self.left_out)
        if self.notes:
            out["notes"] = list(self.notes)
        return out


@dataclass(frozen=True, eq=False)
class Share:
    """Of one swing: how far an effect is out of its band, and how much of it each cause's departure makes by the
    set's geometry. A description of this swing, not a conclusion about the student."""

    swing: str
    effect: str
    out_deg: float
    by: Mapping[str, Effect]

    def to_json(self) -> dict[str, Any]:
        by = {k: {"deg": round(e.value, 2), "u95": round(e.u95, 2)} for k, e in self.by.items()}
        return {"swing": self.swing, "effect": self.effect, "out_deg": round(self.out_deg, 2), "by": by}


@dataclass(frozen=True, eq=False)
class Account:
    """The chain of causes of one set of swings. `refused` says why nothing at all can be concluded."""

    label: str
    kind: str
    swings: int
    recordings: int
    links: tuple[Link, ...]
    balls: tuple[BallLink, ...]
    shares: tuple[Share, ...]
    left_out: Mapping[str, int]
    readings: Mapping[str, Summary]
    bands: Mapping[str, tuple[float, float]]
    u95s: Mapping[str, float]  # of one reading, the median
    refused: str | None = None

    @property
    def concluded(self) -> tuple[Link, ...]:
        """Links told, those that explain a departure first, the largest first."""
        told = [x for x in self.links if x.verdict in (BOTH, GEOMETRY, SWINGS, APART) and x.best]
        return tuple(sorted(told, key=lambda x: -abs(x.explained.value) if x.explained else 0.0))

    def departure(self, key: str) -> Departure | None:
        return departure(self.readings.get(key), self.bands.get(key))

    def to_json(self) -> dict[str, Any]:
        return {
            "schema": SCHEMA,
            "set": self.label,
            "kind": self.kind,
            "swings": self.swings,
            "recordings": self.recordings,
            "left_out": dict(self.left_out),
            "refused": self.refused,
            "says": chain_says(self),
            "links": [x.to_json() for x in self.links],
            "ball": [x.to_json() for x in self.balls],
            "each_swing": [x.to_json() for x in self.shares],
        }


def _summary_json(s: Summary | None, out: Departure | None) -> dict[str, Any] | None:
    if s is None:
        return None
    found: dict[str, Any] = {"mean_deg": round(s.mean, 2), "u95": round(s.u95, 2), "sd_deg": round(s.sd, 2), "n": s.n}
    if out:
        found |= {"band": list(out.band), "out_deg": round(out.deg, 2), "surely_out": out.sure}
    return found


def departure(summary: Summary | None, band: tuple[float, float] | None) -> Departure | None:
    if summary is None or band is None:
        return None
    low, high = band
    deg = summary.mean - min(max(summary.mean, low), high)
    sure = summary.mean + summary.u95 < low or summary.mean - summary.u95 > high
    return Departure(deg, sure, band)


# -- the account -------------------------------------------------------------------------------------
@dataclass(frozen=True, eq=False)
class _Row:
    """A swing that counts, and where it stands."""

    measurement: Measurement
    swing: Swing
    group: str
    name: str


def explain(
    today: SwingSet,
    *,
    earlier: Sequence[SwingSet] = (),
    rules: Rules | None = None,
    kind: str | None = None,
    bands: Mapping[str, tuple[float, float]] | None = None,
    flights: Mapping[Swing, Flight] | None = None,
    geometry: Geometry | None = None,
    alpha: float = 0.05,
) -> Account:
    """What leads to what in a set of swings.

    Means, departures and geometry are of `today`; `earlier` sets of the same student and club help to see what goes
    together (only within each recording, so that sets of different level don't feign it). `bands` (deg) where the
    swings' own don't serve; `flights` of the balls that were noted. Raises CupbowError for a set without swings.
    """
    rules = rules or load_rules()
    found = today.kinds()
    kind = kind or max(KINDS, key=lambda k: found[k])
    rows = _rows(today, kind)
    everything = [*_rows(today, kind, "0:"), *(r for i, s in enumerate(earlier, 1) for r in _rows(s, kind, f"{i}:"))]
    left = _left_out(today, kind)
    if not rows and not left:
        raise CupbowError(say("reason.no_swing_in", label=today.label))
    own = {k: (v.low_deg, v.high_deg) for r in rows for k, v in r.swing.bands.items()}
    own |= bands or {}
    keys = dict.fromkeys((*rules.causes, *rules.effects, *own))
    summaries = {k: s for k in keys if (s := summarise(today, k, kind=kind)) is not None}
    u95s = {k: u for k in keys if (u := _median_u95(rows, k)) is not None}
    refused = None
    if len(rows) < 2:
        refused = say("reason.one_swing") if rows else say("reason.none_good")
    account = Account(
        today.label,
        kind,
        len(rows),
        len({r.group for r in everything}),
        (),
        (),
        (),
        left,
        summaries,
        own,
        u95s,
        refused,
    )
    if refused:
        return account
    looked = _Looked(geometry)
    turns = _geometry(rows, rules, looked)
    seen = [x for effect in rules.effects for x in _sighted(everything, rules, effect)]
    balls = [_ball(everything, b, flights or {}) for b in rules.balls] if flights else []
    tests = sum(s.known for _, s, _, _ in seen) + sum(s.known for _, s, _, _ in balls)
    level = alpha / max(tests, 1)
    links = []
    for rule, slope, gone, without in seen:
        effect, n, why = turns[rule]
        links.append(
            Link(
                rule,
                summaries.get(rule.cause),
                summaries.get(rule.effect),
                account.departure(rule.cause),
                account.departure(rule.effect),
                effect,
                n,
                why,
                slope,
                level,
                gone,
                _rests_on_few(slope, without, level),
            )
        )
    flown = [BallLink(b, s, level, gone, _rests_on_few(s, without, level)) for b, s, gone, without in balls]
    return replace(account, links=tuple(links), balls=tuple(flown), shares=tuple(_shares(rows, turns, own)))


def _rows(group: SwingSet, kind: str, prefix: str = "") -> list[_Row]:
    many = len([p for p in group.parts if p.chosen]) > 1
    return [
        _Row(p.measurement, s, f"{prefix}{i}", f"{p.calibration[:8]} {s.index}" if many else str(s.index))
        for i, p in enumerate(group.parts)
        for s in p.chosen
        if s.kind == kind and s.grade != "poor"
    ]


def _left_out(group: SwingSet, kind: str) -> dict[str, int]:
    gone: Counter[str] = Counter()
    for p in group.parts:
        for s in p.taken:
            if s.index in p.left_out:
                gone[say("reason.by_you")] += 1
            elif s.grade == "poor":
                gone[say("reason.poor_quality")] += 1
            elif s.kind != kind:
                gone[say(f"reason.kind_{s.kind}")] += 1
    return dict(gone)


def _median_u95(rows: Sequence[_Row], key: str) -> float | None:
    known = [v.u95_deg for r in rows if (v := _known(r.swing, key)) and v.u95_deg is not None]
    return float(np.median(known)) if known else None


def _known(swing: Swing, key: str) -> Value | None:
    v = reading_of(swing, key)
    return v if v is not None and v.value_deg is not None and v.u95_deg is not None else None


# -- by the swings -----------------------------------------------------------------------------------
_Seen = tuple[Any, Slope, Mapping[str, int], Slope | None]  # rule, slope, left out, slope without what is far off


def _sighted(rows: Sequence[_Row], rules: Rules, effect: str) -> list[_Seen]:
    """All rules of one effect, their causes fitted together."""
    asked = [r for r in rules.rules if r.effect == effect]
    have = [r for r in rows if _known(r.swing, effect)]
    out: list[_Seen] = []
    use: list[Rule] = []
    for rule in asked:
        read = [r for r in have if _known(r.swing, rule.cause)]
        if 2 * len(read) <= len(have) or not read:
            missing = rule.cause if have else effect
            out.append((rule, Slope(rule.cause, reason=_why(rows, missing)), {}, None))
        else:
            use.append(rule)
    causes = [r.cause for r in use]
    whole = [r for r in have if all(_known(r.swing, c) for c in causes)]
    gone: Counter[str] = Counter()
    for r in rows:
        lacks = next((k for k in (effect, *causes) if not _known(r.swing, k)), None)
        if lacks:
            v = reading_of(r.swing, lacks)
            gone[(v.reason if v and v.reason else say("reason.not_measured"))] += 1
    if not use:
        return out
    seen = _sightings(whole, causes, effect)
    found = slopes(seen)
    far = _far_off(seen)
    again = slopes(seen.without(far)) if far else None
    for j, rule in enumerate(use):
        slope = found[j]
        if slope.reason == TOO_FEW:
            slope = replace(slope, reason=_too_few(len(whole), len(causes), seen.groups))
        out.append((rule, slope, dict(gone), again[j] if again else None))
    order = {r: i for i, r in enumerate(asked)}
    return sorted(out, key=lambda x: order[x[0]])


def _why(rows: Sequence[_Row], key: str) -> str:
    none = say("reason.not_measured")
    reasons = Counter((v.reason if (v := reading_of(r.swing, key)) and v.reason else none) for r in rows)
    return reasons.most_common(1)[0][0] if reasons else none


def _too_few(n: int, causes: int, groups: Sequence[str]) -> str:
    least = causes + LEAST_FREE + 2 * max(len(set(groups)), 1)
    return say("reason.too_few_of", n=n, least=least)


def _sightings(rows: Sequence[_Row], causes: Sequence[str], effect: str) -> Sightings:
    x = np.array([[_degrees(r.swing, c) for c in causes] for r in rows], dtype=float).reshape(len(rows), len(causes))
    y = np.array([_degrees(r.swing, effect) for r in rows], dtype=float)
    error = _reading_error(rows, causes)
    own = math.sqrt(_own_variance(rows, effect))
    via = any("via_grip" in v.marks for r in rows for c in causes if (v := _known(r.swing, c)))
    shared = np.array(
        [
            own * math.sqrt(error[j, j]) if _sensors(c, via) & _sensors(effect, via) else 0.0
            for j, c in enumerate(causes)
        ]
    )
    return Sightings(y, x, tuple(causes), tuple(r.group for r in rows), error, shared)


def _degrees(swing: Swing, key: str) -> float:
    v = _known(swing, key)
    assert v is not None
    assert v.value_deg is not None
    return v.value_deg


_WORN: Mapping[str, frozenset[str]] = {
    "wrist_flexion": frozenset({"forearm", "hand"}),
    "wrist_deviation": frozenset({"forearm", "hand"}),
    "forearm_roll": frozenset({"forearm"}),
    "face_to_forearm": frozenset({"forearm", "club"}),
}


def _sensors(key: str, via_grip: bool) -> frozenset[str]:
    worn = _WORN.get(key.partition("@")[0], frozenset({"club"}))
    return frozenset("club" if via_grip and w == "hand" else w for w in worn)


def _own_variance(rows: Sequence[_Row], key: str) -> float:
    """Mean variance of what each reading errs by itself, deg²."""
    own = [x for r in rows if (x := _own_u95(r.swing, key)) is not None]
    return float(np.mean(np.square(own))) / COVERAGE**2 if own else 0.0


def _own_u95(swing: Swing, key: str) -> float | None:
    """What a reading errs by itself, without what all swings share. Where the reading doesn't split the two, a change
    within the swing, which never held the zero, tells: half its variance is either end's. Nothing known: none."""
    v = _known(swing, key)
    if v is None or v.u95_deg is None:
        return None
    if v.zero_u95_deg is not None:
        return math.sqrt(max(v.u95_deg**2 - v.zero_u95_deg**2, 0.0))
    angle, _, where = key.partition("@")
    if ".." in where:
        return v.u95_deg
    if angle not in _TOLD_BY_CHANGES:
        return 0.0
    changes = swing.changes.get(angle, {})
    found = [c.u95_deg for at, c in changes.items() if where in at.split("..") and c.u95_deg is not None]
    return min(found) / math.sqrt(2.0) if found else 0.0


_TOLD_BY_CHANGES = ("wrist_flexion", "wrist_deviation", "face_to_forearm")
"""Not the forearm's roll: its scale, which all swings share, stays in its changes."""


def _reading_error(rows: Sequence[_Row], causes: Sequence[str]) -> Array:
    """Covariance of the causes' own errors. An angle at an event and its change from there err together: with variances
    a (first event), b (second), c (change) the covariance of first and change is (b − a − c) / 2."""
    error = np.diag([_own_variance(rows, c) for c in causes])
    for i, change in enumerate(causes):
        angle, _, where = change.partition("@")
        first, dots, second = where.partition("..")
        if not dots:
            continue
        b = _own_variance(rows, f"{angle}@{second}")
        for j, level in enumerate(causes):
            if level == f"{angle}@{first}":
                most = 0.95 * math.sqrt(error[i, i] * error[j, j])
                error[i, j] = error[j, i] = float(np.clip((b - error[j, j] - error[i, i]) / 2, -most, most))
    return error


def _far_off(seen: Sightings) -> list[int]:
    """Swings far off the others in effect or any cause (Iglewicz & Hoaglin 1993)."""
    columns = [seen.effect, *seen.causes.T]
    zero = dict.fromkeys(seen.groups, 0.0)
    return sorted({i for c in columns for i in Sample(c, seen.groups, seen.groups, zero).outliers()})


def _rests_on_few(slope: Slope, without: Slope | None, alpha: float) -> tuple[str, ...]:
    if slope.told(alpha) and without is not None and not without.told(alpha):
        return (say("reason.far_off"),)
    return ()


def _ball(rows: Sequence[_Row], rule: BallRule, flights: Mapping[Swing, Flight]) -> _Seen:
    """The reading as it goes with the flight: a flight is noted without error of reading."""
    use, scores, not_noted = [], [], say("reason.flight_not_noted")
    gone: Counter[str] = Counter()
    for r in rows:
        score = _score(flights.get(r.swing), rule.flight, r.measurement.handedness)
        if score is None:
            gone[not_noted] += 1
        elif _known(r.swing, rule.reading) is None:
            gone[_why([r], rule.reading)] += 1
        else:
            use.append(r)
            scores.append(score)
    if not use:
        why = _why(rows, rule.reading) if len(gone) == 1 and not_noted not in gone else say("reason.no_flight")
        return rule, Slope(rule.flight, reason=why), gone, None
    y = np.array([_degrees(r.swing, rule.reading) for r in use])
    x = np.array(scores)[:, None]
    seen = Sightings(y, x, (rule.flight,), tuple(r.group for r in use), np.zeros((1, 1)), np.zeros(1))
    slope = slopes(seen)[0]
    if slope.reason == TOO_FEW:
        slope = replace(slope, reason=_too_few(len(use), 1, seen.groups))
    elif slope.reason:
        slope = replace(slope, reason=say("reason.flew_alike"))
    far = Sample(y, seen.groups, seen.groups, dict.fromkeys(seen.groups, 0.0)).outliers()
    return rule, slope, gone, slopes(seen.without(far))[0] if far else None


def _score(flight: Flight | None, what: str, handedness: str) -> float | None:
    """Steps towards the open side (a right-hander's right), or tens of metres."""
    if flight is None:
        return None
    if what == "carry":
        return None if flight.carry_m is None else flight.carry_m / 10
    side = flight.start if what == "start" else flight.curve
    if side is None:
        return None
    return {"left": -1.0, "right": 1.0}.get(side, 0.0) * (1 if handedness == "right" else -1)


# -- by geometry -------------------------------------------------------------------------------------
class _Looked:
    """What turns do at the events asked for, each swing looked at once."""

    def __init__(self, geometry: Geometry | None) -> None:
        if geometry is None:
            from imu.whatif import effects

            geometry = effects
        self._geometry = geometry
        self._seen: dict[tuple[Swing, str], dict[tuple[str, str], Value]] = {}

    def turn(self, row: _Row, rule: Rule) -> Value:
        """What 10 degrees of the cause, left so until then, do to the effect in this swing."""
        angle, _, event = rule.effect.partition("@")
        at = (row.swing, event)
        if at not in self._seen:
            found = self._geometry(row.measurement, row.swing, event)
            self._seen[at] = {(t.turn, t.angle): t.per_10_deg for t in found}
        return self._seen[at].get((rule.cause.partition("@")[0], angle), Value(None, None, say("reason.not_geometry")))


def _geometry(rows: Sequence[_Row], rules: Rules, looked: _Looked) -> dict[Rule, tuple[Effect | None, int, str | None]]:
    """Degree per degree, mean over the swings (`MOST_LOOKED` of them, spread out); from how many; or why not."""
    rows = [rows[i] for i in np.unique(np.linspace(0, len(rows) - 1, MOST_LOOKED).round().astype(int))]
    out: dict[Rule, tuple[Effect | None, int, str | None]] = {}
    for rule in rules.rules:
        values, doubts = [], []
        reasons: Counter[str] = Counter()
        for r in rows:
            turn = looked.turn(r, rule)
            if turn.value_deg is None or turn.u95_deg is None:
                reasons[turn.reason or say("reason.not_measured")] += 1
            else:
                values.append(turn.value_deg / 10)
                doubts.append(turn.u95_deg / 10)
        if len(values) < 2:
            why = say("reason.one_has_it") if values else reasons.most_common(1)[0][0]
            out[rule] = (None, len(values), why)
            continue
        # The student's geometry is one draw a calibration: its doubt does not shrink with swings.
        spread = float(np.std(values, ddof=1)) / math.sqrt(len(values))
        doubt = math.hypot(float(np.mean(doubts)), COVERAGE * spread)
        out[rule] = (Effect(float(np.mean(values)), doubt), len(values), None)
    return out


def _shares(
    rows: Sequence[_Row],
    turns: Mapping[Rule, tuple[Effect | None, int, str | None]],
    bands: Mapping[str, tuple[float, float]],
) -> list[Share]:
    out = []
    for r in rows:
        for effect in dict.fromkeys(rule.effect for rule in turns):
            own = _known(r.swing, effect)
            out_deg = _beyond(own, bands[effect]) if own and effect in bands else 0.0
            if not out_deg:
                continue
            by = {}
            for rule, (turn, _, _) in turns.items():
                cause = _known(r.swing, rule.cause) if rule.effect == effect else None
                beyond = _beyond(cause, bands[rule.cause]) if cause and rule.cause in bands else 0.0
                if beyond and cause and turn:
                    doubt = math.hypot(turn.u95 * beyond, turn.value * (cause.u95_deg or 0.0))
                    by[rule.cause] = Effect(turn.value * beyond, doubt)
            out.append(Share(r.name, effect, out_deg, by))
    return out


def _beyond(value: Value, band: tuple[float, float]) -> float:
    """Signed degrees outside the band, where the whole interval lies there; else 0."""
    assert value.value_deg is not None
    assert value.u95_deg is not None
    low, high = band
    if value.value_deg + value.u95_deg < low:
        return value.value_deg - low
    if value.value_deg - value.u95_deg > high:
        return value.value_deg - high
    return 0.0
