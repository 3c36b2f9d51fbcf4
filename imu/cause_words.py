"""Causes, effects and candidates in plain words: whole degrees, sides rather than signs, numbers with their doubt. The
words are those of `imu.words`, in the language asked for."""

from __future__ import annotations

from typing import TYPE_CHECKING

from imu import wording
from imu.words import FIRST, count, decimals, listed, retold, say

if TYPE_CHECKING:
    from imu.causes import Account, BallLink, Link


def subject_words(key: str, *, language: str = FIRST, form: str = "the") -> str:
    """`wrist_flexion@top` → "the wrist at the top"; `form`: where it is acted on (`object`), or `your`."""
    angle, _, where = key.partition("@")
    return say(f"chain.{form}.{angle}", language=language, when=_when(where, language))


def _when(where: str, language: str) -> str:
    first, dots, second = where.partition("..")
    if not dots:
        return say(f"chain_at.{first}", language=language)
    ends = (say(f"chain_from.{first}", language=language), say(f"chain_to.{second}", language=language))
    return say("curve.span", language=language, start=ends[0], end=ends[1])


def _way(key: str, deg: float) -> str:
    """A key under `more` and `chain.step` in the words."""
    angle, _, where = key.partition("@")
    return f"{'plus' if deg > 0 else 'minus'}{'_change' if '..' in where else ''}.{angle}"


def more_words(key: str, deg: float, *, language: str = FIRST) -> str:
    """Which way: "more bowed", "more open"; of a change "more towards bowed"."""
    return wording.more_words(_way(key, deg), language=language)


def size_words(deg: float, u95: float, *, language: str = FIRST) -> str:
    """ "7° ± 3"; a doubt is never 0, and tenths are given where whole degrees would hide that something is told."""
    size, doubt = str(round(abs(deg))), str(max(round(u95), 1))
    if abs(deg) > u95 and int(size) <= int(doubt):
        size, doubt = (decimals(f"{x:.1f}", language=language) for x in (abs(deg), max(u95, 0.1)))
    return say("chain.size", language=language, size=size, doubt=doubt)


def step_words(cause: str, deg: float, *, language: str = FIRST) -> str:
    """ "10° more bowed at the top", to stand before what it does."""
    return say(f"chain.step.{_way(cause, deg)}", language=language, **_step(cause, deg, language))


def title_words(cause: str, deg: float, *, language: str = FIRST) -> str:
    """ "Wrist 12° more bowed at the top"."""
    return say(f"choice.title.{_way(cause, deg)}", language=language, **_step(cause, deg, language))


def _step(cause: str, deg: float, language: str) -> dict[str, str]:
    return {"deg": f"{abs(deg):.0f}", "when": _when(cause.partition("@")[2], language)}


def _mending(link: Link) -> float:
    """+1 or -1: the direction of the cause that leads towards its band."""
    return -1.0 if link.cause_out and link.cause_out.deg > 0 else 1.0


def says(link: Link, *, language: str = FIRST) -> str:
    """One link in a sentence or two, with what it rests on."""
    step = 10.0 * _mending(link)
    asked = {
        "step": step_words(link.rule.cause, step, language=language),
        "effect": subject_words(link.rule.effect, language=language, form="object"),
    }
    g, s = link.geometry, link.swings
    parts = []
    if g is None:
        why = retold(link.no_geometry or "", language)
        parts.append(say("link.no_geometry", language=language, why=why, **asked))
    elif g.told:
        parts.append(
            say("link.makes", language=language, **asked, **_sized(link, g.value * step, g.u95 * 10, language))
        )
    else:
        doubt = max(round(g.u95 * 10), 1)
        parts.append(say("link.unsure", language=language, size=_signed(g.value * step), doubt=doubt, **asked))
    n = link.slope.swings
    if s is None:
        parts.append(say("link.no_swings", language=language, why=retold(link.slope.reason or "", language)))
    elif link.notes:
        parts.append(say("link.notes", language=language, notes=", ".join(retold(x, language) for x in link.notes)))
    elif s.told or link.verdict == "geometry and swings apart":
        how = {"geometry and swings apart": "apart", "swings alone": "alone"}.get(link.verdict, "same")
        parts.append(say(f"link.{how}", language=language, n=n, **_sized(link, s.value * step, s.u95 * 10, language)))
    else:
        more = link.swings_to_tell
        how = "differ" if more is None else "later" if more > n else "were_it_so"
        told = {"n": n, "more": more, "size": _signed(s.value * step), "doubt": round(s.u95 * 10)}
        parts.append(say(f"link.{how}", language=language, **told))
    if link.left_out:
        items = [
            say("chain.left_out_item", language=language, n=k, why=retold(why, language))
            for why, k in link.left_out.items()
        ]
        parts.append(say("chain.left_out", language=language, what="; ".join(items)))
    if link.contradicts:
        parts.append(_contradicts(link.rule.says, language))
    return " ".join(parts)


def _sized(link: Link, deg: float, u95: float, language: str) -> dict[str, str]:
    size = size_words(deg, u95, language=language)
    return {"size": size, "more": more_words(link.rule.effect, deg, language=language)}


def _contradicts(saying: str, language: str) -> str:
    return say("chain.contradicts", language=language, says=retold(saying, language).rstrip("."))


def _signed(deg: float) -> str:
    return f"{deg:+.0f}°".replace("-", "−").replace("+0°", "0°").replace("−0°", "0°")


def ball_says(link: BallLink, *, language: str = FIRST) -> str:
    reading, flight = subject_words(link.rule.reading, language=language), link.rule.flight
    if not link.slope.known:
        why = retold(link.slope.reason or "", language)
        return say(f"ball.cannot.{flight}", language=language, reading=reading, why=why)
    deg, half, n = link.slope.value, link.slope.half_width(link.alpha), link.slope.swings
    if link.notes:
        notes = ", ".join(retold(x, language) for x in link.notes)
        return say(f"ball.notes.{flight}", language=language, reading=reading, notes=notes)
    if not link.told:
        size, doubt = _signed(deg), max(round(half), 1)
        return say(f"ball.untold.{flight}", language=language, reading=reading, n=n, size=size, doubt=doubt)
    more = more_words(link.rule.reading, deg, language=language)
    size = size_words(deg, half, language=language)
    text = say(f"ball.told.{flight}", language=language, reading=reading, n=n, size=size, more=more)
    return f"{text} {_contradicts(link.rule.says, language)}" if link.contradicts else text


def chain_says(account: Account, *, language: str = FIRST) -> str:
    """What leads to what, in a few sentences; or why nothing is concluded."""
    if account.refused:
        return say("account.refused", language=language, why=retold(account.refused, language))
    out = [k for k in account.bands if (d := account.departure(k)) and d.sure]
    chief = next((x for x in account.concluded if x.explained and x.effect_out and x.effect_out.sure), None)
    if chief is None:
        if not out:
            return say("account.nothing_out", language=language)
        names = listed([subject_words(k, language=language) for k in out[:3]], language=language)
        return count("account.unexplained", len(out), language=language, what=names)
    assert chief.cause_out
    assert chief.effect_out
    assert chief.explained
    cause, effect = chief.rule.cause, chief.rule.effect
    made, gap, out_deg = chief.explained, chief.effect_out.deg, chief.cause_out.deg
    side = say(f"{'plus' if out_deg > 0 else 'minus'}.{cause.partition('@')[0]}", language=language)
    named = subject_words(cause, language=language)
    parts = [say("account.out", language=language, cause=named, deg=f"{abs(out_deg):.0f}", side=side)]
    share = made.value / gap if gap else 0.0
    how = (
        "hides"
        if share <= 0
        else next(
            k for k, above in (("more_than", 1.1), ("all_of", 0.9), ("most_of", 0.5), ("part_of", 0.0)) if share > above
        )
    )
    parts.append(
        say(
            f"account.{'swings' if chief.verdict == 'swings alone' else 'geometry'}.{how}",
            language=language,
            effect=subject_words(effect, language=language),
            size=size_words(made.value, made.u95, language=language),
            more=more_words(effect, made.value, language=language),
            gap=f"{abs(gap):.0f}",
        )
    )
    parts.append(say(f"account.rests.{chief.verdict}", language=language))
    told = [ball_says(b, language=language) for b in account.balls if b.told]
    return " ".join([*parts, *told[:1]])


def effect_words(key: str, deg: float, u95: float, *, language: str = FIRST) -> str:
    """ "the face at impact 4° ± 1 more closed", as what something gives."""
    return say(
        "chain.effect",
        language=language,
        object=subject_words(key, language=language, form="object"),
        size=size_words(deg, u95, language=language),
        more=more_words(key, deg, language=language),
    )
