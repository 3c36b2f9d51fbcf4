"""Comparisons in plain words: what a measure is called, which side a reading lies on, what changed,
and what would tell. Whole degrees; sides, not signs.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from imu.recording import SIGNS

if TYPE_CHECKING:
    from imu.compare import Pair, Row

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
MORE: Mapping[str, tuple[str, str]] = {
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


def comparative(row: Row) -> str:
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
    return MORE[row.angle][0 if up else 1]


def _amount(row: Row) -> str:
    size = abs(row.difference or 0.0)
    return f"{size:.0f}°" if row.unit == "°" else f"{size:.2f}{row.unit}"


def change_words(row: Row) -> str:
    """ "12° flatter", "maybe 6° less open", "nothing to see yet", or why not."""
    if row.estimate is None:
        return f"can't be told: {row.reason}"
    text = f"{_amount(row)} {comparative(row)}"
    if row.changed or row.verdict is None:
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
        share = row.estimate.zero_u95
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
        parts = [f"{said} is {how}" for said, how in together(changed)]
        count = _NUMBERS[len(changed)] if len(changed) < len(_NUMBERS) else f"{len(changed)} things"
        verb = "has" if len(changed) == 1 else "have"
        first = f"{count} {verb} changed: {listed(parts)}."
    else:
        first = "Nothing is known to have changed yet."
    maybe = [r for r in open_ if r.estimate and abs(r.estimate.difference) > 0.5 * (r.sdc or 0.0)]
    if not maybe:
        return first
    them = capital(listed([subject(r) for r in maybe]))
    if changed:
        return f"{first} {them} may have changed too; it is too early to say."
    return f"{first} {them} {'look' if len(maybe) > 1 else 'looks'} different; it is too early to say."


def together(rows: Sequence[Row]) -> list[tuple[str, str]]:
    """Subject and comparative; what one angle does at several events is said once."""
    groups: dict[tuple[str, str], list[Row]] = {}
    for r in rows:
        alone = r.key if ".." in r.key or r.angle == "tempo" else ""
        groups.setdefault((r.angle + alone, comparative(r)), []).append(r)
    out = []
    for (_, how), same in groups.items():
        first = subject(same[0])
        rest = [subject(r).partition(" at ")[2] for r in same[1:]]
        out.append((listed([first, *(f"at {e}" for e in rest)]), how))
    return out


def subject(row: Row) -> str:
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


def listed(parts: Sequence[str]) -> str:
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])}{',' if len(parts) > 2 or ' is ' in parts[0] else ''} and {parts[-1]}"


def capital(text: str) -> str:
    return text[:1].upper() + text[1:]
