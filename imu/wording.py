"""Comparisons in plain words: what a measure is called, which side a reading lies on, what changed,
and what would tell. Whole degrees; sides, not signs. The words are those of `imu.words`, in the language asked for.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from imu.recording import ANGLES, EVENTS, TEMPO
from imu.words import FIRST, count, listed, number, retold, say

if TYPE_CHECKING:
    from imu.compare import Pair, Row


def measure_words(key: str, *, language: str = FIRST) -> str:
    """`wrist_flexion@top` → "wrist, top"."""
    angle, _, where = key.partition("@")
    if not _known(key):
        return key.replace("_", " ")
    if angle == "tempo":
        return say(f"measure.tempo.{where}", language=language)
    name = say(f"measure.name.{angle}", language=language)
    first, between, second = where.partition("..")
    if between:
        a, b = (say(f"moment.{e}", language=language) for e in (first, second))
        return say("measure.from_to", language=language, name=name, first=a, second=b)
    if angle == "shaft_past_level":
        return name
    return say("measure.at", language=language, name=name, moment=say(f"moment.{where}", language=language))


def _known(key: str) -> bool:
    """Whether a measure has words: a link or an argument may name anything."""
    angle, _, where = key.partition("@")
    return where in TEMPO if angle == "tempo" else angle in ANGLES and set(where.split("..")) <= {*EVENTS}


def side_words(key: str, value_deg: float, *, language: str = FIRST) -> str:
    """A reading for those who don't read signs: "21° cupped"; whole degrees."""
    angle, _, where = key.partition("@")
    if angle == "tempo":
        if where == "ratio":
            return number(value_deg, 1, language=language)
        return say("reading.seconds", language=language, s=number(value_deg, 2, language=language))
    whole = round(abs(value_deg))
    if whole == 0:
        flat = angle == "wrist_flexion" and ".." not in where
        return say("reading.flat" if flat else "reading.zero", language=language)
    table = ("plus" if value_deg > 0 else "minus") + ("_change" if ".." in where else "")
    return say("reading.sided", language=language, size=whole, side=say(f"{table}.{angle}", language=language))


def comparative(row: Row) -> str:
    """Which way a measure has changed: a key under `more` in the words."""
    e = row.estimate
    assert e is not None
    up = e.difference > 0
    where = row.key.partition("@")[2]
    if row.angle == "tempo":
        return ("higher" if up else "lower") if where == "ratio" else ("slower" if up else "quicker")
    if ".." in where:
        return f"{'plus' if up else 'minus'}_change.{row.angle}"
    same_side = e.mean_a * e.mean_b > 0
    if row.angle == "wrist_flexion" and (same_side or abs(e.mean_b) < 1) and abs(e.mean_b) < abs(e.mean_a):
        return "flatter"
    if row.angle in ("face_to_forearm", "face_since_address") and same_side and abs(e.mean_b) < abs(e.mean_a):
        return "less_open" if e.mean_b > 0 else "less_closed"
    return f"{'plus' if up else 'minus'}.{row.angle}"


def more_words(way: str, *, language: str = FIRST, after: str = "") -> str:
    """A way of changing beside a number ("flatter"); after its subject (`is_more`: "is flatter") or after "whether"
    (`whether_more`)."""
    more = say(f"more.{way}", language=language)
    if not after:
        return more
    return say(f"{after}.{'change' if '_change.' in way else 'level'}", language=language, more=more)


def _amount(row: Row, language: str) -> str:
    size = abs(row.difference or 0.0)
    return f"{number(size, 0 if row.unit == '°' else 2, language=language)}{row.unit}"


def change_words(row: Row, *, language: str = FIRST) -> str:
    """ "12° flatter", "maybe 6° less open", "nothing to see yet", or why not."""
    if row.estimate is None:
        return say("row.cannot", language=language, reason=retold(row.reason or "", language))
    more = more_words(comparative(row), language=language)
    text = say("row.told", language=language, amount=_amount(row, language), more=more)
    if row.changed or row.verdict is None:
        return text
    maybe = abs(row.estimate.difference) > 0.5 * (row.sdc or 0.0)
    return say("row.maybe", language=language, told=text) if maybe else say("row.nothing", language=language)


def verdict_words(verdict: str, *, language: str = FIRST) -> str:
    return say(f"row.verdict.{verdict}", language=language)


def tell_words(row: Row, *, language: str = FIRST) -> str:
    """What would tell."""
    tell = row.tell
    if row.estimate is None or tell is None:
        return ""
    if tell.who in ("later", "each"):
        return count(f"tell.{tell.who}", tell.swings or 0, language=language)
    if tell.limit == "zero":
        return say("tell.zero", language=language, share=f"{row.estimate.zero_u95:.0f}")
    if tell.limit == "lessons":
        return say("tell.lessons", language=language)
    e = row.estimate
    most = max(abs(e.difference - (row.sdc or 0.0)), abs(e.difference + (row.sdc or 0.0)))
    bound = f"{math.ceil(most)}°" if row.unit == "°" else f"{number(most, 2, language=language)}{row.unit}"
    return say("tell.small", language=language, bound=bound)


def headline(pair: Pair, *, language: str = FIRST) -> str:
    """The comparison in a sentence or two."""
    changed, open_ = pair.changed, pair.not_yet
    if not changed and not open_:
        return say("headline.none", language=language)
    if changed:
        n = len(changed)
        what = listed(said_together(changed, language=language), language=language, clauses=True)
        first = say(f"headline.changed.{n if n <= 6 else 'more'}", language=language, n=n, what=what)
    else:
        first = say("headline.unchanged", language=language)
    maybe = [r for r in open_ if r.estimate and abs(r.estimate.difference) > 0.5 * (r.sdc or 0.0)]
    if not maybe:
        return first
    them = listed([subject(r, language=language) for r in maybe], language=language)
    if changed:
        return f"{first} {count('headline.too_early_too', len(maybe), language=language, them=them)}"
    return f"{first} {count('headline.too_early', len(maybe), language=language, them=them)}"


def said_together(rows: Sequence[Row], *, language: str = FIRST, whose: str = "the") -> list[str]:
    """Clauses with subject and comparative; what one angle does at several events is said once."""
    groups: dict[tuple[str, str], list[Row]] = {}
    for r in rows:
        alone = r.key if ".." in r.key or r.angle == "tempo" else ""
        groups.setdefault((r.angle + alone, comparative(r)), []).append(r)
    out = []
    for (_, way), same in groups.items():
        rest = [say(f"moment_at.{r.key.partition('@')[2]}", language=language) for r in same[1:]]
        who = listed([subject(same[0], language=language, whose=whose), *rest], language=language)
        does = more_words(way, language=language, after="is_more")
        out.append(say("headline.part", language=language, subject=who, does=does))
    return out


def subject(row: Row, *, language: str = FIRST, whose: str = "the") -> str:
    """ "the wrist at the top"; `whose`: "your"."""
    angle, _, where = row.key.partition("@")
    if not _known(row.key):
        return row.key.replace("_", " ")
    if angle == "tempo":
        return say(f"measure.{whose}.{where}", language=language)
    if ".." in where:
        when = when_words(where, language=language)
        return say(f"measure.{whose}_change.{angle}", language=language, when=when)
    return say(f"measure.{whose}.{angle}", language=language, when=say(f"moment_at.{where}", language=language))


def when_words(where: str, *, language: str = FIRST) -> str:
    """ "from top to shaft level down"."""
    first, _, second = where.partition("..")
    ends = (say(f"moment_from.{first}", language=language), say(f"moment_to.{second}", language=language))
    return say("curve.span", language=language, start=ends[0], end=ends[1])
