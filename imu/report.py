"""The letter home: one page for the student, as HTML with nothing external and as PDF.

One thought, before and after at the event that it is about, what has changed and what can't be said
yet, the drill, the numbers with their uncertainty, and the cautions, which a coach may add to, not take away.
It speaks the language asked for. Students read sides ("21° cupped"), not signs. The words are drafts until the coach has changed them; what was changed is kept
when the letter is made anew, what was not follows the numbers (`Words`).
"""

from __future__ import annotations

import base64
import html
import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any

from imu.cause_words import subject_words
from imu.compare import Pair, Row
from imu.contrast import COVERAGE
from imu.errors import CupbowError, UsageError
from imu.measured import write_whole
from imu.wording import comparative, measure_words, more_words, said_together, side_words, subject, verdict_words
from imu.words import FIRST, capital, count, listed, number, say

WORDS_SCHEMA = "cupbow.words/1"
PAPERS: Mapping[str, str] = {"a4": "A4", "letter": "letter"}
SIZES_PT = (11.6, 11.0, 10.4, 9.8, 9.2)
"""Sizes of type, tried one after the other until a letter fits its page; smaller is hard to read."""

FONTS = Path(__file__).parent / "fonts"
STYLE = Path(__file__).parent / "letter.css"

MOST_NUMBERS = 4
"""A page for a student holds so many numbers; the comparison has them all."""


# -- the words ---------------------------------------------------------------------------------
@dataclass(frozen=True)
class Words:
    """What the coach may change. `steps` are drill steps, "Name. What to do." each."""

    greeting: str = ""
    thought: str = ""
    picture: str = ""
    changed: str = ""
    unsaid: str = ""
    drill: str = ""
    steps: tuple[str, ...] = ()
    weeks: int = 3
    times_a_week: int = 3
    caution: str = ""
    farewell: str = ""
    signature: str = ""

    def merged(self, kept: Edits | None) -> Words:
        """These drafts, with what a coach has changed before put in their place."""
        return self if kept is None else replace(self, **kept.changed())


@dataclass(frozen=True)
class Edits:
    """Words as they stand in a file, beside the drafts that were proposed when it was written."""

    words: Words
    drafts: Words

    def changed(self) -> dict[str, Any]:
        return {
            f.name: getattr(self.words, f.name)
            for f in fields(Words)
            if getattr(self.words, f.name) != getattr(self.drafts, f.name)
        }


def load_words(path: Path | str) -> Edits | None:
    """The words kept in a file, None when there is none yet. Raises CupbowError naming the fault."""
    path = Path(path)
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return None
    except OSError as error:
        raise CupbowError(f"{path}: the words cannot be read ({error.strerror})") from None
    except UnicodeDecodeError:
        raise CupbowError(f"{path}: the words are not UTF-8 text; save the file as UTF-8") from None
    except tomllib.TOMLDecodeError as error:
        raise CupbowError(f"{path}: the words cannot be read ({error}); mend that line") from None
    if data.get("schema") != WORDS_SCHEMA:
        raise CupbowError(f"{path}: is not a file of words for a letter (schema {WORDS_SCHEMA!r} expected)")
    drafts = _words_from(data.get("draft", {}), path, "draft.")
    return Edits(_words_from({k: v for k, v in data.items() if k not in ("schema", "draft")}, path, ""), drafts)


def _words_from(data: Mapping[str, Any], path: Path, where: str) -> Words:
    known = {f.name: f.default for f in fields(Words)}
    values: dict[str, Any] = {}
    for key, value in data.items():
        if key not in known:
            raise CupbowError(f"{path}: field {where}{key} is not known; fields are {', '.join(known)}")
        if isinstance(known[key], tuple):
            if not isinstance(value, list) or not all(isinstance(v, str) for v in value):
                raise CupbowError(f"{path}: field {where}{key} must be a list of texts")
            value = tuple(value)
        elif type(value) is not type(known[key]):
            raise CupbowError(f"{path}: field {where}{key} must be a {type(known[key]).__name__}, not {value!r}")
        if isinstance(value, int) and not 0 <= value <= 8:
            raise CupbowError(f"{path}: field {where}{key} must lie between 0 and 8, not {value}")
        values[key] = value
    return Words(**values)


def save_words(path: Path | str, words: Words, drafts: Words) -> None:
    """Write words and drafts so that a coach can change the words in any editor."""
    lines = [
        "# The words of the letter. Change what stands between the quotation marks; what you change is kept when the",
        "# letter is made anew. The table [draft] at the end says what was proposed: leave it as it is.",
        f"schema = {_toml(WORDS_SCHEMA)}",
        "",
        *(f"{f.name} = {_toml(getattr(words, f.name))}" for f in fields(Words)),
        "",
        "[draft]",
        *(f"{f.name} = {_toml(getattr(drafts, f.name))}" for f in fields(Words)),
        "",
    ]
    write_whole(path, lambda tmp: tmp.write_text("\n".join(lines), encoding="utf-8"))


def _toml(value: str | int | Sequence[str]) -> str:
    if isinstance(value, int):
        return str(value)
    if isinstance(value, str):
        out = value.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n").replace("\t", "\\t")
        return '"' + "".join(c if c >= " " and c != "\x7f" else f"\\u{ord(c):04X}" for c in out) + '"'
    return "[\n" + "".join(f"    {_toml(v)},\n" for v in value) + "]" if value else "[]"


# -- the letter --------------------------------------------------------------------------------
@dataclass(frozen=True)
class Change:
    """The one change that was picked: the measure it is about, its band in degrees, the thought in the coach's words,
    and the practice until the next lesson: drill steps, and how long."""

    key: str
    low_deg: float
    high_deg: float
    thought: str
    steps: tuple[str, ...] = ()
    weeks: int = 2
    times_a_week: int = 3


@dataclass(frozen=True)
class Picture:
    """The wrist against the ruler, once: caption lead ("12 April") and the angle in degrees."""

    when: str
    flexion_deg: float
    u95_deg: float


@dataclass(frozen=True)
class Reading:
    """One number of the table: mean and half-width of its 95 % interval, in words; and its level."""

    words: str
    value: float
    u95: float


@dataclass(frozen=True)
class NumberRow:
    name: str
    before: Reading | None
    now: Reading
    band: tuple[float, float] | None
    verdict: str


@dataclass(frozen=True)
class Letter:
    """All that is printed."""

    words: Words
    place: str = ""
    date: str = ""
    lesson: str = ""
    when: tuple[str, str] = ("", "")
    event: str = ""
    pictures: tuple[Picture, ...] = ()
    numbers: tuple[NumberRow, ...] = ()
    foot: str = ""
    title: str = ""
    lang: str = FIRST
    cautions: tuple[str, ...] = field(default=())


def draft_letter(
    pair: Pair,
    *,
    student: str,
    coach: str,
    when: tuple[str, str] | None = None,
    place: str = "",
    date: str = "",
    lesson: str = "",
    until: str = "",
    kept: Edits | None = None,
    change: Change | None = None,
    language: str = FIRST,
) -> tuple[Letter, Words]:
    """The letter of a comparison, and the drafts of its words (for `save_words`).

    `when` names the two sets for the student ("12 April", "today"); `kept` are words from before;
    student and coach may be empty; with a `change` that was picked, thought and drill are its. Of the numbers the first few are printed, what has changed first.
    Raises CupbowError when nothing of the comparison can be told.
    """
    told = [r for r in pair.targets if r.estimate]
    if not told:
        raise CupbowError(say("reason.nothing_home"))
    when = when or (say("paper.before", language=language), say("paper.today", language=language))
    drafts = _drafts(pair, language, student=student, coach=coach, until=until, change=change)
    words = drafts.merged(kept)
    about = _about(told, change)
    pictures: tuple[Picture, ...] = ()
    if about.angle == "wrist_flexion" and ".." not in about.key and about.estimate:
        e = about.estimate
        pictures = (
            Picture(when[0], e.mean_a, COVERAGE * e.u_mean_a),
            Picture(when[1], e.mean_b, COVERAGE * e.u_mean_b),
        )
    first = told[0].estimate
    assert first is not None
    sensors = {s.role for p in pair.b.parts for s in p.measurement.sensors}
    foot = {"before": first.n_a, "now": first.n_b, "coach": coach}
    if sensors:
        foot["worn"] = say(f"paper.worn.{len(sensors)}", language=language)
    footed = f"paper.foot{'_worn' if sensors else ''}{'_by' if coach else ''}"
    letter = Letter(
        words=words,
        place=place,
        date=date,
        lesson=lesson,
        when=when,
        event=about.key.partition("@")[2],
        pictures=pictures,
        numbers=tuple(_number(r, language) for r in _shown(pair, about if change else None)),
        foot=say(footed, language=language, **foot),
        title=say("paper.title_to" if student else "paper.title", language=language, student=student),
        lang=language,
    )
    return letter, drafts


def _shown(pair: Pair, first: Row | None) -> list[Row]:
    """What has changed first, and what the letter is about among them."""
    rows = [*pair.changed, *pair.not_yet]
    if first is not None and first not in rows[:MOST_NUMBERS]:
        rows = [first, *(r for r in rows if r is not first)]
    return rows[:MOST_NUMBERS]


def _about(told: Sequence[Row], change: Change | None = None) -> Row:
    """The row that the pictures show: that of the change picked, else the wrist at the top, else at another event,
    else the first."""
    picked = next((r for r in told if change and r.key == change.key), None)
    if picked:
        return picked
    wrist = [r for r in told if r.angle == "wrist_flexion" and ".." not in r.key]
    return next((r for r in wrist if r.key.endswith("@top")), (wrist or list(told))[0])


def _number(row: Row, language: str) -> NumberRow:
    e = row.estimate
    assert e is not None

    def reading(mean: float, u: float) -> Reading:
        u95 = COVERAGE * u
        plus = f"{max(round(u95), 1)}" if row.unit == "°" else f"{number(u95, 2, language=language)}{row.unit}"
        side = side_words(row.key, mean, language=language)
        return Reading(say("paper.reading", language=language, side=side, u95=plus), mean, u95)

    return NumberRow(
        name=capital(_name(row, language)),
        before=reading(e.mean_a, e.u_mean_a),
        now=reading(e.mean_b, e.u_mean_b),
        band=row.band,
        verdict=verdict_words(row.verdict, language=language) if row.verdict else "",
    )


def _name(row: Row, language: str) -> str:
    """As the table heads its row: "wrist at top", "wrist, shaft level down"."""
    _, _, where = row.key.partition("@")
    if where not in ("top", "impact") or row.angle == "shaft_past_level":
        return measure_words(row.key, language=language)
    name, at = (say(key, language=language) for key in (f"measure.name.{row.angle}", f"moment_brief.{where}"))
    return say("paper.measure", language=language, name=name, at=at)


def _drafts(pair: Pair, language: str, *, student: str, coach: str, until: str, change: Change | None = None) -> Words:
    about = _about([r for r in pair.targets if r.estimate], change)
    thought, picture, steps = _thought(about, language)
    weeks, times = Words.weeks, Words.times_a_week
    if change is not None:
        if about.key != change.key or thought == say("draft.frame", language=language):
            picture = _where_to(about, change, language)
        thought, steps = change.thought or thought, change.steps or steps
        weeks, times = change.weeks, change.times_a_week
    often = say("draft.often", language=language, times=say(f"draft.times.{times}", language=language))
    return Words(
        weeks=weeks,
        times_a_week=times,
        greeting=say("paper.greeting_to" if student else "paper.greeting", language=language, student=student),
        thought=thought,
        picture=picture,
        changed=_changed(pair, language),
        unsaid=_unsaid(pair, language),
        drill=say("draft.drill_until" if until else "draft.drill", language=language, until=until, often=often),
        steps=steps,
        farewell=say("paper.farewell_until" if until else "paper.farewell", language=language, until=until),
        signature=coach.split()[0] if coach.split() else say("paper.signature", language=language),
    )


def _where_to(about: Row, change: Change, language: str) -> str:
    """Where the movement is today, and where it is to be, in sides."""
    low, high = (side_words(change.key, x, language=language) for x in (change.low_deg, change.high_deg))
    to = {"measure": subject_words(change.key, language=language, form="your"), "low": low, "high": high}
    e = about.estimate
    if about.key != change.key or e is None:
        return say("draft.where", language=language, **to)
    u95 = max(round(COVERAGE * e.u_mean_b), 1)
    how = "stay" if change.low_deg <= e.mean_b <= change.high_deg else "come"
    now = side_words(change.key, e.mean_b, language=language)
    return say(f"draft.where_{how}", language=language, now=now, u95=u95, **to)


def _thought(row: Row, language: str) -> tuple[str, str, tuple[str, ...]]:
    """Thought, picture and drill steps for what the letter is about; a frame to write in elsewhere."""
    where = row.key.partition("@")[2]
    low, high = row.band or (-10.0, 10.0)
    flat = row.angle == "wrist_flexion" and low <= 0.0 <= high and row.estimate is not None
    if flat and where in ("top", "impact", "address"):
        at = say(f"draft.ruler_at.{where}", language=language)
        steps = tuple(say(f"draft.ruler_steps.{i}", language=language, at=at) for i in (1, 2, 3))
        said = (say(f"draft.ruler.{k}", language=language, at=at) for k in ("thought", "picture"))
        return *said, steps  # type: ignore[return-value]
    return (
        say("draft.frame", language=language),
        say("draft.frame_picture", language=language, measure=measure_words(row.key, language=language)),
        tuple(say(f"draft.frame_steps.{i}", language=language) for i in (1, 2, 3)),
    )


def _changed(pair: Pair, language: str) -> str:
    rows = pair.changed
    if not rows:
        return say("draft.changed.none", language=language)
    clauses = said_together(rows, language=language, whose="your")
    what = listed(clauses, language=language, clauses=True)
    return say(f"draft.changed.{len(rows) if len(rows) <= 2 else 'more'}", language=language, what=what)


def _unsaid(pair: Pair, language: str) -> str:
    parts = []
    for r in pair.not_yet[:2]:
        e, tell = r.estimate, r.tell
        if e is None or tell is None:
            continue
        looks = abs(e.difference) > 0.5 * (r.sdc or math.inf)
        said = {"yours": subject(r, language=language, whose="your")}
        if looks:
            said["more"] = more_words(comparative(r), language=language, after="whether_more")
        way = f"draft.unsaid.{'more' if looks else 'any'}"
        if tell.swings:
            parts.append(count(f"{way}_swings", tell.swings, language=language, **said))
        else:
            limit = tell.limit if tell.limit in ("zero", "lessons") else "small"
            parts.append(say(f"{way}_{limit}", language=language, **said))
    for r in pair.targets:
        if r.estimate is None and len(parts) < 2:
            yours = subject(r, language=language, whose="your")
            parts.append(say("draft.unsaid.not_measured", language=language, yours=yours))
    return " ".join(parts) or say("draft.unsaid.none", language=language)


# -- as a page ---------------------------------------------------------------------------------
def letter_html(letter: Letter, *, paper: str = "a4", embed_fonts: bool = True, size_pt: float = SIZES_PT[0]) -> str:
    """The letter as one HTML file that loads nothing; `size_pt` is that of its running text."""
    if paper not in PAPERS:
        raise UsageError(f"paper {paper!r} is not known: use {' or '.join(PAPERS)}")
    w, language = letter.words, letter.lang
    esc = _escaped

    def printed(key: str, **fields: object) -> str:
        return esc(say(f"paper.{key}", language=language, **fields))

    top = " · ".join(filter(None, (letter.place, letter.date)))
    steps = "".join(f"<li>{_step(s)}</li>" for s in w.steps)
    ticks = "".join(
        f'<div class="week"><span>{printed("week", n=i + 1)}</span><div>{"<i></i>" * w.times_a_week}</div></div>'
        for i in range(w.weeks)
    )
    pictures = "".join(_picture(p, language) for p in letter.pictures)
    words = (
        f"<p><b>{printed('changed')}</b> {_paragraph(w.changed)}</p>"
        f"<p><b>{printed('unsaid')}</b> {_paragraph(w.unsaid)}</p>"
    )
    extra = f" {_paragraph(w.caution)}" if w.caution.strip() else ""
    return f"""<!doctype html>
<html lang="{esc(letter.lang)}">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{esc(letter.title) or printed("title")}</title>
<style>
{_fonts() if embed_fonts else ""}{_style(paper, size_pt)}
</style>
</head>
<body>
<main>
<header><span>{esc(top)}</span><span>{esc(letter.lesson)}</span></header>
<p class="greeting">{esc(w.greeting)}</p>
<h1>{esc(w.thought)}</h1>
<p class="lead">{_paragraph(w.picture)}</p>
<section class="beforeafter{"" if pictures else " plain"}">{pictures}<div class="say">{words}</div></section>
<section class="drill"><div><h2>{esc(w.drill)}</h2><ol>{steps}</ol></div><div class="weeks">{ticks}</div></section>
<section class="numbers"><h2>{printed("numbers")}</h2>
{_table(letter)}
</section>
<section class="end"><p class="please"><b>{printed("please")}</b> {printed("caution")}{extra}</p>
<p class="bye">{esc(w.farewell)}<br><em>{esc(w.signature)}</em></p></section>
<footer>{esc(letter.foot)}</footer>
</main>
</body>
</html>
"""


def write_letter(letter: Letter, path: Path | str, *, paper: str = "a4") -> None:
    """HTML or PDF by the name's ending; whole or not at all."""
    path = Path(path)
    if path.suffix.lower() in (".html", ".htm"):
        text = letter_html(letter, paper=paper)
        write_whole(path, lambda tmp: tmp.write_text(text, encoding="utf-8"))
    elif path.suffix.lower() == ".pdf":
        data = letter_pdf(letter, paper=paper)
        write_whole(path, lambda tmp: tmp.write_bytes(data))
    else:
        raise UsageError(f"{path}: a letter is written as .pdf or .html; choose one of these endings")


def letter_pdf(letter: Letter, *, paper: str = "a4") -> bytes:
    import logging

    from weasyprint import HTML  # type: ignore[import-untyped]
    from weasyprint.urls import URLFetcher  # type: ignore[import-untyped]

    logging.getLogger("fontTools").setLevel(logging.ERROR)
    fetcher = URLFetcher(allowed_protocols=["data"])
    pages = [HTML(string=letter_html(letter, paper=paper, size_pt=SIZES_PT[0]), url_fetcher=fetcher).render()]
    for size in SIZES_PT[1:]:
        if len(pages[-1].pages) == 1:
            break
        pages.append(HTML(string=letter_html(letter, paper=paper, size_pt=size), url_fetcher=fetcher).render())
    # What no size brings onto one page reads best on two at full size.
    chosen = pages[-1] if len(pages[-1].pages) == 1 else pages[0]
    pdf = chosen.write_pdf(pdf_tags=True)
    assert isinstance(pdf, bytes)
    return pdf


def _escaped(text: str) -> str:
    """Safe in HTML, with the apostrophes of print."""
    return html.escape(text.replace("'", "’"))


def _paragraph(text: str) -> str:
    return _escaped(text.strip()).replace("\n\n", "</p><p>").replace("\n", "<br>")


def _step(text: str) -> str:
    """ "Name. What to do.": the name in bold."""
    name, dot, rest = text.partition(". ")
    return f"<b>{_escaped(name)}.</b> {_escaped(rest)}" if dot else _escaped(text)


def _picture(p: Picture, language: str) -> str:
    how = "none" if abs(p.flexion_deg) < 2 else "cupped" if p.flexion_deg < 0 else "bowed"
    gap = _escaped(say(f"paper.gap.{how}", language=language))
    side = side_words("wrist_flexion@top", p.flexion_deg, language=language)
    reading = say("paper.reading", language=language, side=side, u95=f"{max(round(p.u95_deg), 1)}°")
    return (
        f"<figure>{wrist_svg(p.flexion_deg, language=language)}<figcaption><b>{_escaped(capital(p.when))}</b><br>"
        f"{gap}:<br>{html.escape(reading)}</figcaption></figure>"
    )


def _table(letter: Letter) -> str:
    scale = {r.name: _scale(r) for r in letter.numbers}
    first, second = (_escaped(capital(t)) for t in letter.when)

    def level(reading: Reading, row: NumberRow) -> str:
        return level_svg(reading, row.band, scale[row.name], language=letter.lang)

    rows = []
    for r in letter.numbers:
        before = (
            f'<td class="words" data-when="{first}">{_escaped(r.before.words)}</td><td>{level(r.before, r)}</td>'
            if r.before
            else "<td></td><td></td>"
        )
        rows.append(
            f'<tr><th scope="row">{html.escape(r.name)}</th>{before}'
            f'<td class="words" data-when="{second}">{_escaped(r.now.words)}</td>'
            f"<td>{level(r.now, r)}</td><td><b>{html.escape(r.verdict)}</b></td></tr>"
        )
    banded = any(r.band for r in letter.numbers)
    key = _escaped(say("paper.key_banded" if banded else "paper.key", language=letter.lang))
    head = "".join(f'<th colspan="2" scope="col">{html.escape(capital(t))}</th>' for t in letter.when)
    return (
        f"<table><thead><tr><td></td>{head}<td></td></tr></thead><tbody>{''.join(rows)}</tbody></table>"
        f'<p class="key">{key}</p>'
    )


def _scale(row: NumberRow) -> tuple[float, float]:
    """Both levels of a row share their ends, which hold both bubbles and the band."""
    edges = [r.value + s * r.u95 for r in (row.before, row.now) if r for s in (-1, 1)]
    edges += list(row.band or ())
    low, high = min(edges), max(edges)
    pad = max(0.15 * (high - low), 0.5 if row.now.words.count("°") else 0.05)
    return low - pad, high + pad


# -- drawings ----------------------------------------------------------------------------------
def level_svg(
    reading: Reading, band: tuple[float, float] | None, ends: tuple[float, float], *, language: str = FIRST
) -> str:
    """The level: a bubble as long as the doubt, in a vial between two marks."""
    width, height, r = 104.0, 22.0, 10.0

    def x(v: float) -> float:
        return 2 + r + (v - ends[0]) / (ends[1] - ends[0]) * (width - 2 * r - 4)

    low, high = reading.value - reading.u95, reading.value + reading.u95
    half = max((x(high) - x(low)) / 2, 5.5)
    centre = x(reading.value)
    across = band is not None and any(low < edge < high for edge in band)
    out = [
        f'<svg class="level" viewBox="0 0 {width + 4:.0f} {height + 8:.0f}" width="{width + 4:.0f}" '
        f'height="{height + 8:.0f}" role="img" aria-label="{html.escape(_level_words(reading, band, language))}">',
        f'<rect x="2" y="5" width="{width}" height="{height - 2}" rx="{r}" fill="#fff" stroke="#000" '
        'stroke-width="1.6"/>',
        f'<path d="M4 17 H{width}" stroke="#bbb" stroke-width="3"/>',
    ]
    ry = 7.2
    if across:
        out.append(
            f'<ellipse cx="{centre:.1f}" cy="15" rx="{half:.1f}" ry="{ry}" fill="#fff" stroke="#000" '
            'stroke-width="1.5"/>'
        )
        out += _stripes(centre, 15.0, half, ry)
    else:
        out.append(f'<ellipse cx="{centre:.1f}" cy="15" rx="{half:.1f}" ry="{ry}" fill="#000"/>')
    for edge in band or ():
        out.append(f'<path d="M{x(edge):.1f} 1 V29" stroke="#000" stroke-width="2.2"/>')
    return "".join(out) + "</svg>"


def _stripes(cx: float, cy: float, rx: float, ry: float) -> list[str]:
    """Slanted lines within an ellipse, as lines: patterns print badly."""
    out = []
    step, slope = 4.2, 1.3  # dx, and dx per dy
    k = -int((rx + slope * ry) / step) - 1
    while k * step <= rx + slope * ry:
        # Points (c + slope * s, s) with c = k * step, inside (X/rx)^2 + (Y/ry)^2 < 1.
        c = k * step
        a = slope**2 / rx**2 + 1 / ry**2
        b = 2 * c * slope / rx**2
        d = b * b - 4 * a * (c**2 / rx**2 - 1)
        if d > 0:
            s0, s1 = (-b - math.sqrt(d)) / (2 * a), (-b + math.sqrt(d)) / (2 * a)
            out.append(
                f'<path d="M{cx + c + slope * s0:.1f} {cy + s0:.1f} L{cx + c + slope * s1:.1f} {cy + s1:.1f}" '
                'stroke="#000" stroke-width="1.7"/>'
            )
        k += 1
    return out


def _level_words(reading: Reading, band: tuple[float, float] | None, language: str) -> str:
    if band is None:
        return reading.words
    low, high = reading.value - reading.u95, reading.value + reading.u95
    inside = "inside" if band[0] <= reading.value <= band[1] else "outside"
    how = "across" if any(low < edge < high for edge in band) else inside
    return say(f"paper.level.{how}", language=language, reading=reading.words)


def wrist_svg(flexion_deg: float, *, language: str = FIRST) -> str:
    """Forearm, hand and club from the thumb side, with the ruler along the back: cup bends to the
    left and opens a gap at the wrist, bow bends to the right and lifts the ruler off the hand."""
    bend = math.radians(max(-70.0, min(70.0, flexion_deg)))
    sin, cos = math.sin(bend), math.cos(bend)

    def turn(px: float, py: float) -> tuple[float, float]:
        """From the straight hand (wrist at 0, 0; y down) to the bent one; bowing turns it right."""
        return px * cos - py * sin, px * sin + py * cos

    def path(points: Sequence[tuple[float, float]], *, bent: bool = True, close: bool = True) -> str:
        at = [turn(*p) if bent else p for p in points]
        return "M" + " L".join(f"{a:.1f} {b:.1f}" for a, b in at) + ("Z" if close else "")

    def curve(*pairs: tuple[float, float]) -> str:
        """Smooth closed outline through the points (Catmull–Rom as Béziers), turned with the hand."""
        at = [turn(*p) for p in pairs]
        n = len(at)
        d = [f"M{at[0][0]:.1f} {at[0][1]:.1f}"]
        for i in range(n):
            p0, p1, p2, p3 = at[i - 1], at[i], at[(i + 1) % n], at[(i + 2) % n]
            c1 = (p1[0] + (p2[0] - p0[0]) / 6, p1[1] + (p2[1] - p0[1]) / 6)
            c2 = (p2[0] - (p3[0] - p1[0]) / 6, p2[1] - (p3[1] - p1[1]) / 6)
            d.append(f"C{c1[0]:.1f} {c1[1]:.1f} {c2[0]:.1f} {c2[1]:.1f} {p2[0]:.1f} {p2[1]:.1f}")
        return " ".join(d) + "Z"

    back = -24.0
    arm_end, wrist = (back, 118.0), (back, 0.0)
    knuckle = turn(back, -62.0)
    cupped = knuckle[0] < back
    # The ruler rests on the two points that stand out furthest.
    first, second = (arm_end, knuckle) if cupped else (arm_end, wrist)
    length = math.hypot(second[0] - first[0], second[1] - first[1])
    ux, uy = (second[0] - first[0]) / length, (second[1] - first[1]) / length
    nx, ny = uy, -ux  # away from the hand, to the left
    if nx > 0:
        nx, ny = -nx, -ny
    start, end = (first[0] - 4 * ux, first[1] - 4 * uy), (first[0] + 226 * ux, first[1] + 226 * uy)
    ruler = [start, end, (end[0] + 22 * nx, end[1] + 22 * ny), (start[0] + 22 * nx, start[1] + 22 * ny)]
    marks = []
    for i in range(1, 28):
        t = -4 + i * 8.2
        px, py, tick = first[0] + t * ux, first[1] + t * uy, 11.0 if i % 5 == 0 else 6.0
        marks.append(f"M{px:.1f} {py:.1f} l{tick * nx:.1f} {tick * ny:.1f}")
    if cupped:
        gap = [arm_end, wrist, knuckle]
    else:
        along = (knuckle[0] - wrist[0]) * ux + (knuckle[1] - wrist[1]) * uy
        gap = [wrist, knuckle, (wrist[0] + along * ux, wrist[1] + along * uy)]
    fist = curve(
        (back, 4),
        (back - 1, -34),
        (back + 2, -66),
        (0, -82),
        (28, -78),
        (40, -56),
        (36, -30),
        (26, -8),
        (24, 4),
        (0, 8),
    )
    thumb = curve((-8, -8), (-10, -40), (0, -56), (12, -46), (14, -8))
    fingers = path([(24, -60), (38, -58)], close=False) + path([(24, -42), (38, -38)], close=False)
    side = side_words("wrist_flexion@top", flexion_deg, language=language)
    label = say("paper.wrist", language=language, side=side)
    return (
        f'<svg class="wrist" viewBox="-130 -200 240 320" role="img" aria-label="{html.escape(label)}">'
        '<g fill="none" stroke="#000" stroke-linejoin="round" stroke-linecap="round">'
        f'<path d="{path([(6, -78), (-14, -186)], close=False)}" stroke-width="7"/>'
        f'<path d="{path(gap, bent=False)}" fill="#000" stroke="none"/>'
        f'<path d="M{back} 118 L{back} 0 M30 118 L24 0" stroke-width="3.6"/>'
        f'<path d="{fist}" fill="#fff" stroke-width="3.6"/>'
        f'<path d="{thumb}" fill="#fff" stroke-width="3.2"/><path d="{fingers}" stroke-width="3"/>'
        f'<path d="{path(ruler, bent=False)}" fill="#fff" stroke-width="2.6"/>'
        f'<path d="{" ".join(marks)}" stroke-width="1.8"/>'
        "</g></svg>"
    )


# -- type and print ----------------------------------------------------------------------------
def _style(paper: str, size_pt: float) -> str:
    sheet = STYLE.read_text(encoding="utf-8")
    return sheet.replace("size:PAPER", f"size:{PAPERS[paper]}").replace("font-size:SIZE", f"font-size:{size_pt}pt")


_FACES = (
    ("Literata", "literata-latin-wght-normal.woff2", "200 900", "normal"),
    ("Literata", "literata-latin-wght-italic.woff2", "200 900", "italic"),
    ("Atkinson Hyperlegible Next", "atkinson-hyperlegible-next-latin-wght-normal.woff2", "200 800", "normal"),
)


def _fonts() -> str:
    """The faces as data; without the files the letter falls back on the reader's own serif."""
    out = []
    for family, name, weights, style in _FACES:
        file = FONTS / name
        if file.is_file():
            data = base64.b64encode(file.read_bytes()).decode("ascii")
            out.append(
                f'@font-face{{font-family:"{family}";font-weight:{weights};font-style:{style};'
                f'src:url(data:font/woff2;base64,{data}) format("woff2")}}\n'
            )
    return "".join(out)
