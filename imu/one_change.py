"""The one change: candidates for what to work on, each with what it would give, cost and risk.

A candidate is a movement (wrist, hinge, forearm roll at an event, or a change between two) and how far it is to
go: into its own band, or, where it has none or lies inside, as far as it takes to bring face or shaft into theirs.
What it gives is the effect to expect of `imu.causes`; what it costs is the way from today beside the student's own
spread; its risk is how near it comes to the end of range and where face or shaft would leave their bands on the other
side. They are ranked by the degrees that face and shaft surely come nearer to their bands, for each of the student's
own spreads of cost. The coach picks.

Titles, reasons and notes can be said in any language (`imu.words.retold`). Advice on movement alone. No candidate leads beyond comfort (`imu.practice.drill.comfort`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from imu.bands import Band, Limit, least_width, shipped
from imu.cause_words import effect_words, more_words, size_words, subject_words, title_words
from imu.causes import APART, BOTH, NEITHER, SWINGS, Account, Link
from imu.compare import Summary
from imu.practice.drill import comfort
from imu.practice.plan import Pick
from imu.wording import side_words
from imu.words import FIRST, Told, joined, listed, retold, say, told

MOST_STEP_DEG = 15.0
"""No candidate goes further at once. Our judgement, no source."""

LEAST_STEP_DEG = 2.0
"""Less than this nobody feels. Our judgement, no source."""

LEAST_EFFECT = 0.2
"""Degree per degree: what does less is no way to mend face or shaft. Our judgement, no source."""

SHARE_OF_RANGE = 0.1
"""A target band is a tenth of the joint's range at least. Our judgement after bandwidths of 10 % in
Sherwood 1988, Percept Mot Skills 66:535 (from memory)."""

NARROWEST_DEG = 6.0
NEAR_END_DEG = 15.0
"""Nearer to where a cue may lead than this is said. Our judgement, no source."""


@dataclass(frozen=True)
class Gain:
    """What the change would do to one effect: degrees (signed) with u95, and whether that leads towards its band."""

    effect: str
    deg: float
    u95: float
    rests: str
    today: Summary | None
    band: tuple[float, float] | None
    mends: float  # degrees nearer to its band; negative: further away; 0 without a band

    @property
    def surely_mends(self) -> float:
        return math.copysign(max(abs(self.mends) - self.u95, 0.0), self.mends)

    def to_json(self) -> dict[str, Any]:
        return {
            "effect": self.effect,
            "deg": round(self.deg, 2),
            "u95": round(self.u95, 2),
            "rests_on": self.rests,
            "nearer_to_band_deg": round(self.mends, 2) if self.band else None,
        }


@dataclass(frozen=True, eq=False)
class Candidate:
    """One change to choose. `deg` is the way from today's mean to `aim_deg`; `low_deg`…`high_deg` the target band."""

    key: str
    today: Summary
    u95_deg: float  # of one reading
    aim_deg: float
    low_deg: float
    high_deg: float
    why: str
    gains: tuple[Gain, ...]
    links: tuple[Link, ...]
    room_deg: float | None  # from the far edge of the band to where no cue may lead; none: no wrist angle
    overdone_deg: float | None  # where an effect leaves its band on the other side
    overdone_effect: str | None
    notes: tuple[str, ...] = ()

    @property
    def angle(self) -> str:
        return self.key.partition("@")[0]

    @property
    def event(self) -> str:
        return self.key.partition("@")[2]

    @property
    def deg(self) -> float:
        return self.aim_deg - self.today.mean

    @property
    def spreads(self) -> float:
        """The way in the student's own spreads from swing to swing, at least one."""
        return max(abs(self.deg) / self.today.sd, 1.0) if self.today.sd > 0 else 1.0

    @property
    def worth(self) -> float:
        """Degrees that face and shaft surely come nearer to their bands, for each spread of cost."""
        return sum(g.surely_mends for g in self.gains) / self.spreads

    @property
    def pick(self) -> Pick:
        """As practice takes it."""
        return Pick(self.angle, self.event, self.low_deg, self.high_deg, self.today.mean, self.u95_deg, self.title)

    @property
    def title(self) -> str:
        """ "Wrist 12° more bowed at the top"; to be said in any language (`retold`)."""
        return Told.by(title_words, self.key, self.deg)

    def band(self, source: str, clubs: tuple[str, ...] = ()) -> Band:
        return Band(self.angle, self.event, self.low_deg, self.high_deg, source, clubs)

    def to_json(self) -> dict[str, Any]:
        return {
            "measure": self.key,
            "title": self.title,
            "today_deg": round(self.today.mean, 2),
            "today_u95": round(self.today.u95, 2),
            "aim_deg": self.aim_deg,
            "band": [self.low_deg, self.high_deg],
            "why": self.why,
            "would_give": [g.to_json() for g in self.gains],
            "costs": {
                "deg": round(self.deg, 2),
                "sd_deg": round(self.today.sd, 2),
                "spreads": round(self.spreads, 2),
            },
            "risk": {
                "room_deg": None if self.room_deg is None else round(self.room_deg, 2),
                "overdone_beyond_deg": None if self.overdone_deg is None else round(self.overdone_deg, 2),
                "overdone_effect": self.overdone_effect,
            },
            "worth": round(self.worth, 3),
            "says": {"gives": gives_words(self), "costs": costs_words(self), "overdone": overdone_words(self),
                     "rests_on": rests_words(self)},
            "evidence": [link.to_json() for link in self.links],
            "notes": list(self.notes),
        }  # fmt: skip


@dataclass(frozen=True, eq=False)
class Candidates:
    """Ranked; where there is none, `reason` says why. `passed_over` maps movements to why they are no candidates."""

    account: Account
    ranked: tuple[Candidate, ...]
    passed_over: Mapping[str, str]
    reason: str | None = None

    def to_json(self) -> dict[str, Any]:
        return self.account.to_json() | {
            "candidates": [{"number": i, **c.to_json()} for i, c in enumerate(self.ranked, 1)],
            "passed_over": dict(self.passed_over),
            "no_candidate": self.reason,
        }


def candidates(account: Account, *, own_range: Mapping[str, tuple[float, float]] | None = None) -> Candidates:
    """What could be changed, the most for the least first.

    `own_range` is the student's own painless range of wrist angles, degrees, where it was measured.
    """
    if account.refused:
        return Candidates(account, (), {}, account.refused)
    limits = {x.angle: x for x in shipped().limits}
    found: list[Candidate] = []
    passed: dict[str, str] = {}
    for key in dict.fromkeys(link.rule.cause for link in account.links):
        one = _candidate(account, key, limits, own_range or {})
        if isinstance(one, str):
            passed[key] = one
        else:
            found.append(one)
    ranked = tuple(sorted(found, key=lambda c: (-round(c.worth, 6), c.spreads, c.key)))
    reason = None
    if not ranked:
        out = [k for k in account.bands if (d := account.departure(k)) and d.sure]
        reason = told("choice.no_movement", what=_subjects(out[:3])) if out else told("choice.nothing_out")
    return Candidates(account, ranked, passed, reason)


def _candidate(
    account: Account, key: str, limits: Mapping[str, Limit], own_range: Mapping[str, tuple[float, float]]
) -> Candidate | str:
    links = tuple(x for x in account.links if x.rule.cause == key)
    today = account.readings.get(key)
    if today is None:
        why = links[0].no_geometry or links[0].slope.reason or "not measured"
        return told("choice.few_readings", why=Told.by(retold, why))
    known = [x for x in links if x.best is not None]
    angle = key.partition("@")[0]
    out = account.departure(key)
    band = out.band if out else None
    if out and out.sure:
        deg, why = _into(today, out.band), told("choice.why_itself", movement=Told.by(subject_words, key))
    else:
        asked = _asked(known, band, today)
        if asked is None:
            return _why_not(links, known, banded=out is not None)
        deg, link = asked
        why = told("choice.why_effect", effect=Told.by(subject_words, link.rule.effect))
    first_step = abs(deg) > MOST_STEP_DEG
    deg = math.copysign(min(abs(deg), MOST_STEP_DEG), deg)
    if out and out.sure and band and band[0] <= today.mean + deg <= band[1]:
        low, high = band
    else:
        low, high = _band_around(today.mean + deg, account.u95s.get(key), limits.get(angle))
    reach = comfort(angle, own_range.get(angle)) if ".." not in key else None
    room = None
    if reach is not None:
        low, high = max(low, reach[0]), min(high, reach[1])
        aim = min(max(today.mean + deg, reach[0]), reach[1])
        if high - low < NARROWEST_DEG / 2 or abs(aim - today.mean) < LEAST_STEP_DEG or (aim - today.mean) * deg < 0:
            return told("choice.end_of_range")
        deg = aim - today.mean
        room = reach[1] - high if deg > 0 else low - reach[0]
    if abs(deg) < LEAST_STEP_DEG:
        return told("choice.near", deg=f"{LEAST_STEP_DEG:.0f}")
    gains = tuple(_gain(x, deg, today) for x in known)
    beyond, effect = _overdone(known, today, deg)
    if beyond is not None and reach is not None and not reach[0] <= beyond <= reach[1]:
        beyond = effect = None  # the wrist ends before that
    notes = _notes(account, key, low, high, room, known)
    if sum(g.surely_mends for g in gains) < 0:
        notes = (*notes, told("choice.further"))
    if first_step:
        notes = (told("choice.first_step", deg=f"{MOST_STEP_DEG:.0f}"), *notes)
    u95 = account.u95s.get(key, today.u95)
    return Candidate(
        key, today, u95, round(today.mean + deg, 1), low, high, why, gains, links, room, beyond, effect, notes
    )


def _into(today: Summary, band: tuple[float, float]) -> float:
    """The way to where a mean like today's would surely lie inside; to the middle where the doubt is wider."""
    low, high = band
    inside = min(today.u95, (high - low) / 2)
    return (low + inside if today.mean < low else high - inside) - today.mean


def _asked(known: list[Link], own: tuple[float, float] | None, today: Summary) -> tuple[float, Link] | None:
    """How far it takes to bring the effect that is furthest out into its band; within the cause's own band."""
    asked = [
        x
        for x in known
        if x.effect and x.effect_out and x.effect_out.sure and x.verdict != APART and x.best
        if abs(x.best.value) >= LEAST_EFFECT
    ]
    if not asked:
        return None
    link = max(asked, key=lambda x: abs(x.effect_out.deg) if x.effect_out else 0.0)
    assert link.best is not None
    assert link.effect is not None
    assert link.effect_out is not None
    deg = _into(link.effect, link.effect_out.band) / link.best.value
    if own is not None:  # what is right already is not to be made wrong
        deg = min(max(today.mean + deg, own[0]), own[1]) - today.mean
    return deg, link


def _why_not(links: tuple[Link, ...], known: list[Link], *, banded: bool) -> str:
    if not known:
        whys = {x.no_geometry or x.slope.reason for x in links if x.verdict == NEITHER}
        said = tuple(sorted(filter(None, whys))) or (told("choice.no_sure_effect"),)
        return told("choice.untold", why=Told.by(joined, said, "; "))
    return told("choice.inside" if banded else "choice.no_band")


def _subjects(keys: Sequence[str]) -> Told:
    return Told.by(_listed_subjects, tuple(keys))


def _listed_subjects(keys: Sequence[str], *, language: str) -> str:
    return listed([subject_words(k, language=language) for k in keys], language=language)


def _band_around(aim: float, u95: float | None, limit: Limit | None) -> tuple[float, float]:
    """As wide as a reading can tell, and as learning asks."""
    width = max(
        NARROWEST_DEG, least_width([u95]) or 0.0, SHARE_OF_RANGE * (limit.high_deg - limit.low_deg) if limit else 0.0
    )
    return float(math.floor(aim - width / 2)), float(math.ceil(aim + width / 2))


def _gain(link: Link, deg: float, today: Summary) -> Gain:
    best = link.best
    assert best is not None
    change = best.value * deg
    u95 = abs(best.u95 * deg)
    band = link.effect_out.band if link.effect_out else None
    mends = 0.0
    if band and link.effect:
        before, after = _gap(link.effect.mean, band), _gap(link.effect.mean + change, band)
        mends = before - after
    rests = {BOTH: "geometry and swings", SWINGS: "swings alone"}.get(link.verdict, "geometry alone")
    if link.verdict == APART:
        rests = APART
    return Gain(link.rule.effect, change, u95, rests, link.effect, band, mends)


def _gap(value: float, band: tuple[float, float]) -> float:
    return abs(value - min(max(value, band[0]), band[1]))


def _overdone(known: list[Link], today: Summary, deg: float) -> tuple[float | None, str | None]:
    """The value of the movement at which the first effect leaves its band by going too far in this direction."""
    first: tuple[float, str] | None = None
    for x in known:
        if x.best is None or x.effect is None or x.effect_out is None:
            continue
        change = x.best.value * deg
        edge = x.effect_out.band[1] if change > 0 else x.effect_out.band[0]
        way = (edge - x.effect.mean) / x.best.value
        if way * deg <= 0:
            continue  # it is beyond that edge already
        if first is None or abs(way) < abs(first[0] - today.mean):
            first = (today.mean + way, x.rule.effect)
    return first if first else (None, None)


def _notes(
    account: Account, key: str, low: float, high: float, room: float | None, known: list[Link]
) -> tuple[str, ...]:
    notes = []
    needed = least_width([account.u95s.get(key)])
    if needed is not None and high - low < needed:
        notes.append(told("choice.narrow", deg=math.ceil(needed)))
    if room is not None and room < NEAR_END_DEG:
        notes.append(told("choice.near_end"))
    if any(x.verdict == APART for x in known):
        notes.append(told("choice.apart"))
    against = [x.rule.effect for x in known if x.contradicts]
    if against:
        notes.append(told("choice.against", effects=_subjects(against)))
    return tuple(notes)


# -- in words ----------------------------------------------------------------------------------------
def gives_words(c: Candidate, *, language: str = FIRST) -> str:
    """What comes nearer to its band first; what gets worse is said too."""
    return _gives(c.gains, language)


def costs_words(c: Candidate, *, language: str = FIRST) -> str:
    return _costs(c.deg, c.today.u95, c.today.sd, language)


def overdone_words(c: Candidate, *, language: str = FIRST) -> str:
    worse = next((g for g in c.gains if g.effect == c.overdone_effect), None)
    return _overdone_words(c.key, c.overdone_deg, worse, c.room_deg, language)


def rests_words(c: Candidate, *, language: str = FIRST) -> str:
    geometry = max((x.geometry_swings for x in c.links), default=0)
    return _rests(geometry, max((x.slope.swings for x in c.links if x.verdict in (BOTH, SWINGS)), default=0), language)


def evidence_words(evidence: Mapping[str, Any], *, language: str = FIRST) -> dict[str, str]:
    """What `Candidate.to_json` holds under `says`, in a language: made anew from its numbers."""
    if language == FIRST or not evidence.get("says"):
        return dict(evidence.get("says") or {})
    gains = [
        Gain(g["effect"], g["deg"], g["u95"], g["rests_on"], None, None if near is None else (0.0, 0.0), near or 0.0)
        for g in evidence["would_give"]
        for near in (g["nearer_to_band_deg"],)
    ]
    costs, risk, links = evidence["costs"], evidence["risk"], evidence["evidence"]
    worse = next((g for g in gains if g.effect == risk["overdone_effect"]), None)
    shown = max((x["used"]["swings"] for x in links if x["verdict"] in (BOTH, SWINGS)), default=0)
    geometry = max((x["geometry"]["swings"] for x in links if x["geometry"]), default=0)
    return {
        "gives": _gives(gains, language),
        "costs": _costs(costs["deg"], evidence["today_u95"], costs["sd_deg"], language),
        "overdone": _overdone_words(
            evidence["measure"], risk["overdone_beyond_deg"], worse, risk["room_deg"], language
        ),
        "rests_on": _rests(geometry, shown, language),
    }


def _gives(gains: Sequence[Gain], language: str) -> str:
    shown = sorted(gains, key=lambda g: -abs(g.mends) if g.band else -0.01 * abs(g.deg))
    sure = [g for g in shown if abs(g.deg) > g.u95]
    if not sure:
        return say("choice.gives_none", language=language)
    parts = []
    for g in sure[:3]:
        effect = effect_words(g.effect, g.deg, g.u95, language=language)
        parts.append(say("choice.worse", language=language, effect=effect) if g.mends < -0.5 else effect)
    return "; ".join(parts)


def _costs(deg: float, u95: float, sd: float, language: str) -> str:
    return say("choice.costs", language=language, size=size_words(deg, u95, language=language), sd=f"{sd:.0f}")


def _overdone_words(key: str, beyond: float | None, worse: Gain | None, room: float | None, language: str) -> str:
    parts = []
    if beyond is not None and worse is not None:
        parts.append(
            say(
                "choice.overdone",
                language=language,
                side=side_words(key, beyond, language=language),
                effect=subject_words(worse.effect, language=language),
                more=more_words(worse.effect, worse.deg, language=language),
            )
        )
    if room is not None and room < NEAR_END_DEG:
        parts.append(say("choice.room", language=language, deg=f"{room:.0f}"))
    return "; ".join(parts) or say("choice.overdone_unknown", language=language)


def _rests(geometry: int, swings: int, language: str) -> str:
    parts = []
    if geometry:
        parts.append(say("choice.rests_geometry", language=language, n=geometry))
    if swings:
        parts.append(say("choice.rests_swings", language=language, n=swings))
    elif geometry:
        parts.append(say("choice.rests_untold", language=language))
    return "; ".join(parts) or say("choice.rests_nothing", language=language)
