"""Causes, effects and candidates in plain words: whole degrees, sides rather than signs, numbers with their doubt."""

from __future__ import annotations

from typing import TYPE_CHECKING

from imu.recording import SIGNS
from imu.wording import MORE, TITLES, capital, event_words, listed

if TYPE_CHECKING:
    from imu.causes import Account, BallLink, Link


_TITLES = {**TITLES, "face_to_forearm": "face to the arm", "face_since_address": "face", "shaft_off_plane": "shaft"}


def subject_words(key: str) -> str:
    """`wrist_flexion@top` → "the wrist at the top"."""
    angle, _, where = key.partition("@")
    title = f"the {_TITLES.get(angle, angle.replace('_', ' '))}"
    if angle == "shaft_past_level":
        return "the swing's length"
    first, dots, second = where.partition("..")
    if dots:
        return f"{title} from {_event(first)} to {_event(second)}"
    return f"{title} at {_event(where)}"


def _event(event: str) -> str:
    return {
        "top": "the top",
        "shaft_level_down": "shaft level on the way down",
        "arm_level_down": "arm level on the way down",
        "shaft_level_back": "shaft level on the way back",
        "arm_level_back": "arm level on the way back",
    }.get(event, event_words(event))


def more_words(key: str, deg: float) -> str:
    """Which way: "more bowed", "more open"; of a change "more towards bowed"."""
    angle, _, where = key.partition("@")
    if ".." in where:
        return f"more towards {SIGNS[angle][0 if deg > 0 else 1]}"
    return MORE[angle][0 if deg > 0 else 1]


def size_words(deg: float, u95: float) -> str:
    """ "7° ± 3"; a doubt is never 0, and tenths are given where whole degrees would hide that something is told."""
    size, doubt = round(abs(deg)), max(round(u95), 1)
    if abs(deg) > u95 and size <= doubt:
        return f"{abs(deg):.1f}° ± {max(u95, 0.1):.1f}"
    return f"{size}° ± {doubt}"


def step_words(cause: str, deg: float) -> str:
    """ "10° more bowed at the top"."""
    where = cause.partition("@")[2]
    first, dots, second = where.partition("..")
    title = "" if cause.startswith("wrist_flexion") else f" ({TITLES[cause.partition('@')[0]]})"
    at = f"from {_event(first)} to {_event(second)}" if dots else f"at {_event(where)}"
    return f"{abs(deg):.0f}° {more_words(cause, deg)}{title} {at}"


def _mending(link: Link) -> float:
    """+1 or -1: the direction of the cause that leads towards its band."""
    return -1.0 if link.cause_out and link.cause_out.deg > 0 else 1.0


def says(link: Link) -> str:
    """One link in a sentence or two, with what it rests on."""
    step = 10.0 * _mending(link)
    cause, effect = step_words(link.rule.cause, step), subject_words(link.rule.effect)
    g, s = link.geometry, link.swings
    parts = []
    if g is not None:
        does = (
            f"makes {effect} {size_words(g.value * step, g.u95 * 10)} {more_words(link.rule.effect, g.value * step)}"
            if g.told
            else f"does nothing sure to {effect} ({_signed(g.value * step)} ± {max(round(g.u95 * 10), 1)})"
        )
        parts.append(f"By geometry, the body held, {cause} {does}.")
    else:
        parts.append(f"Geometry can't say what {cause} does to {effect}: {link.no_geometry}.")
    if s is None:
        parts.append(f"The swings can't tell: {link.slope.reason}.")
    elif link.notes:
        parts.append(f"What the swings say {', '.join(link.notes)}.")
    elif s.told or link.verdict == "geometry and swings apart":
        told = f"{size_words(s.value * step, s.u95 * 10)} {more_words(link.rule.effect, s.value * step)}"
        used = f"{link.slope.swings} swings"
        if link.verdict == "geometry and swings apart":
            parts.append(f"Swing to swing it goes with {told} ({used}): something else moves along.")
        elif link.verdict == "swings alone":
            parts.append(f"Swing to swing it goes with {told} ({used}); what else moves along is not known.")
        else:
            parts.append(f"Swing to swing the same shows: {told} ({used}).")
    else:
        more, n = link.swings_to_tell, link.slope.swings
        would = (
            "more of the same won't, swings that differ more in it on purpose would"
            if more is None
            else f"about {more} would"
            if more > n
            else "were it so, they would most likely have shown it"
        )
        parts.append(f"The {n} swings can't tell yet ({_signed(s.value * step)} ± {round(s.u95 * 10)}); {would}.")
    if link.left_out:
        parts.append("Left out: " + "; ".join(f"{k} ({why})" for why, k in link.left_out.items()) + ".")
    if link.contradicts:
        parts.append(f"This goes against the common saying ({link.rule.says.rstrip('.')}).")
    return " ".join(parts)


def _signed(deg: float) -> str:
    return f"{deg:+.0f}°".replace("-", "−").replace("+0°", "0°").replace("−0°", "0°")


def ball_says(link: BallLink) -> str:
    reading = subject_words(link.rule.reading)
    what = {"start": "start", "curve": "curve", "carry": "carry"}[link.rule.flight]
    if not link.slope.known:
        return f"Whether {reading} shows in the balls' {what} can't be told: {link.slope.reason}."
    deg, half = link.slope.value, link.slope.half_width(link.alpha)
    step = {
        "start": "each step of the start towards the open side",
        "curve": "each step of curve towards the open side",
        "carry": "10 m more carry",
    }[link.rule.flight]
    if link.notes:
        return f"What the balls' {what} says of {reading} {', '.join(link.notes)}."
    if not link.told:
        size = f"{_signed(deg)} ± {max(round(half), 1)} for {step}"
        return f"Whether {reading} shows in the balls' {what} is not told by {link.slope.swings} balls ({size})."
    size = f"{size_words(deg, half)} {more_words(link.rule.reading, deg)}"
    text = f"With {step}, {reading} was {size} ({link.slope.swings} balls)."
    return text + (f" This goes against the common saying ({link.rule.says.rstrip('.')})." if link.contradicts else "")


def out_words(key: str, deg: float) -> str:
    """ "12° past its band, cupped side"."""
    side = SIGNS[key.partition("@")[0]][0 if deg > 0 else 1]
    return f"{abs(deg):.0f}° past its band on the {side} side"


def chain_says(account: Account) -> str:
    """What leads to what, in a few sentences; or why nothing is concluded."""
    if account.refused:
        return f"{capital(account.refused)}."
    out = [k for k in account.bands if (d := account.departure(k)) and d.sure]
    chief = next((x for x in account.concluded if x.explained and x.effect_out and x.effect_out.sure), None)
    if chief is None:
        if not out:
            return "Nothing is surely outside its band, so there is nothing to explain."
        names = listed([subject_words(k) for k in out[:3]])
        many = len(out) > 1
        where = "are surely outside their bands" if many else "is surely outside its band"
        return f"{capital(names)} {where}; what leads to it can't be told."
    assert chief.cause_out
    assert chief.effect_out
    assert chief.explained
    cause, effect = chief.rule.cause, chief.rule.effect
    made, gap = chief.explained, chief.effect_out.deg
    parts = [f"{capital(subject_words(cause))} is {out_words(cause, chief.cause_out.deg)}."]
    that = "That" if chief.verdict == "swings alone" else "By geometry that"
    if made.value * gap > 0:
        share = abs(made.value / gap)
        how = "more than" if share > 1.1 else "all of" if share > 0.9 else "most of" if share > 0.5 else "a part of"
        parts.append(
            f"{that} makes {effect_words(effect, made.value, made.u95)}: {how} the {abs(gap):.0f}° that it is out."
        )
    else:
        parts.append(
            f"{that} makes {effect_words(effect, made.value, made.u95)}: it hides part of what is out there, "
            "and mending it alone would show more."
        )
    parts.append(
        {
            "geometry and swings": "The swings show the same.",
            "geometry alone": "The swings can't tell yet.",
            "swings alone": "The swings show it; geometry can't say.",
            "geometry and swings apart": "The swings say otherwise: something else moves along.",
        }[chief.verdict]
    )
    told = [ball_says(b) for b in account.balls if b.told]
    return " ".join([*parts, *told[:1]])


def effect_words(key: str, deg: float, u95: float) -> str:
    return f"{subject_words(key)} {size_words(deg, u95)} {more_words(key, deg)}"
