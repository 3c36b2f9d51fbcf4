"""The letter home: one page for the student, as HTML with nothing external and as PDF.

One thought, before and after at the event that it is about, what has changed and what can't be said
yet, the drill, the numbers with their uncertainty, and the cautions. Students read sides ("21°
cupped"), not signs. The words are drafts until the coach has changed them; what was changed is kept
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
from imu.wording import capital, comparative, listed, measure_words, side_words, subject, together

WORDS_SCHEMA = "cupbow.words/1"
PAPERS: Mapping[str, str] = {"a4": "A4", "letter": "letter"}
SIZES_PT = (11.6, 11.0, 10.4, 9.8, 9.2)
"""Sizes of type, tried one after the other until a letter fits its page; smaller is hard to read."""

FONTS = Path(__file__).parent / "fonts"
STYLE = Path(__file__).parent / "letter.css"

MOST_NUMBERS = 4
"""A page for a student holds so many numbers; the comparison has them all."""

CAUTION = (
    "clear the space around you before every swing and see that the sensors sit tight. If the wrist hurts, "
    "clicks or tingles, stop, and have it seen. Never push to the end of its range. A measurement is not a "
    "medical opinion."
)
"""Always printed; a coach may add to it, not take it away."""


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
    when: tuple[str, str] = ("before", "today")
    event: str = ""
    pictures: tuple[Picture, ...] = ()
    numbers: tuple[NumberRow, ...] = ()
    foot: str = ""
    title: str = "Letter"
    lang: str = "en"
    cautions: tuple[str, ...] = field(default=())


def draft_letter(
    pair: Pair,
    *,
    student: str,
    coach: str,
    when: tuple[str, str] = ("before", "today"),
    place: str = "",
    date: str = "",
    lesson: str = "",
    until: str = "",
    kept: Edits | None = None,
    change: Change | None = None,
) -> tuple[Letter, Words]:
    """The letter of a comparison, and the drafts of its words (for `save_words`).

    `when` names the two sets for the student ("12 April", "today"); `kept` are words from before;
    student and coach may be empty; with a `change` that was picked, thought and drill are its. Of the numbers the first few are printed, what has changed first.
    Raises CupbowError when nothing of the comparison can be told.
    """
    told = [r for r in pair.targets if r.estimate]
    if not told:
        raise CupbowError("nothing of these sets can be compared, so there is nothing to write home about")
    drafts = _drafts(pair, student=student, coach=coach, until=until, change=change)
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
    worn = {1: "one sensor", 2: "two sensors", 3: "three sensors"}.get(len(sensors), "")
    counts = f"Means of {first.n_a} and {first.n_b} swings" + (f", {worn}" if worn else "")
    letter = Letter(
        words=words,
        place=place,
        date=date,
        lesson=lesson,
        when=when,
        event=about.key.partition("@")[2],
        pictures=pictures,
        numbers=tuple(_number(r) for r in _shown(pair, about if change else None)),
        foot=f"{counts}; ± is the 95 % uncertainty of a mean. Made with cupbow{f' by {coach}' if coach else ''}.",
        title=f"Letter to {student}" if student else "Letter",
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


def _number(row: Row) -> NumberRow:
    e = row.estimate
    assert e is not None

    def reading(mean: float, u: float) -> Reading:
        u95 = COVERAGE * u
        unit = "" if row.unit == "°" else row.unit
        plus = f"{max(round(u95), 1)}" if row.unit == "°" else f"{u95:.2f}{unit}"
        return Reading(f"{side_words(row.key, mean)}, ± {plus}", mean, u95)

    return NumberRow(
        name=capital(measure_words(row.key).replace(", ", " at ", 1) if row.key.endswith(("@top", "@impact"))
                      else measure_words(row.key)),
        before=reading(e.mean_a, e.u_mean_a),
        now=reading(e.mean_b, e.u_mean_b),
        band=row.band,
        verdict=row.verdict or "",
    )  # fmt: skip


def _drafts(pair: Pair, *, student: str, coach: str, until: str, change: Change | None = None) -> Words:
    about = _about([r for r in pair.targets if r.estimate], change)
    thought, picture, steps = _thought(about)
    often = "three times a week, ten minutes"
    weeks, times = Words.weeks, Words.times_a_week
    if change is not None:
        if about.key != change.key or thought == FRAME:
            picture = _where_to(about, change)
        thought, steps = change.thought or thought, change.steps or steps
        weeks, times = change.weeks, change.times_a_week
        often = f"{_TIMES.get(times, f'{times} times')} a week, ten minutes"
    return Words(
        weeks=weeks,
        times_a_week=times,
        greeting=f"Dear {student}," if student else "Hello,",
        thought=thought,
        picture=picture,
        changed=_changed(pair),
        unsaid=_unsaid(pair),
        drill=f"Until {until}: {often}" if until else capital(often),
        steps=steps,
        farewell=f"Until {until}," if until else "Until next time,",
        signature=coach.split()[0] if coach.split() else "Your coach",
    )


FRAME = "One thought for the next weeks."
"""Stands where nobody has said a thought yet."""

_TIMES = {1: "once", 2: "twice", 3: "three times", 4: "four times", 5: "five times", 6: "six times", 7: "seven times"}


def _where_to(about: Row, change: Change) -> str:
    """Where the movement is today, and where it is to be, in sides."""
    to = f"between {side_words(change.key, change.low_deg)} and {side_words(change.key, change.high_deg)}"
    words = subject_words(change.key).removeprefix("the ")
    e = about.estimate
    if about.key == change.key and e is not None:
        u95 = max(round(COVERAGE * e.u_mean_b), 1)
        inside = change.low_deg <= e.mean_b <= change.high_deg
        now = f"now {side_words(change.key, e.mean_b)}, ± {u95}°"
        return f"It is about your {words}: {now}; it is to {'stay' if inside else 'come'} {to}."
    return f"It is about your {words}; it is to be {to}."


def _thought(row: Row) -> tuple[str, str, tuple[str, ...]]:
    """Thought, picture and drill steps for what the letter is about; a frame to write in elsewhere."""
    where = row.key.partition("@")[2].replace("_", " ")
    at = {"top": "At the top", "impact": "At impact", "address": "At address"}.get(
        where, f"When the {where.removesuffix(' down').removesuffix(' back')}"
    )
    if row.angle == "wrist_flexion" and ".." not in row.key and where in ("top", "impact", "address"):
        low, high = row.band or (-10.0, 10.0)
        e = row.estimate
        flat = low <= 0.0 <= high and e is not None
        if flat:
            return (
                f"{at}, the ruler still touches.",
                "That is the whole thought for now. Picture the ruler from setting up, lying along the back of your "
                f"forearm and hand. {at} it should still touch both, with no gap at the wrist.",
                (
                    "Feel both ends. Cup the wrist, gently. Bow it, gently. Find the ruler in between. Six times.",
                    f"Hold {at.lower()}. A slow swing, stop there, hold for three seconds. Twenty times. Look at the "
                    "level only every second try.",
                    "Five in the dark. The same, without looking. Say first where you think it was, then check.",
                ),
            )
    return (
        FRAME,
        f"Here stands, in your coach's words, what to think of: it is about the {measure_words(row.key)}.",
        (
            "Slowly. Ten slow swings with the thought, stopping where it matters.",
            "Half. Ten half swings; look at the level only every second time.",
            "Five in the dark. The same, without looking. Say first where you think it was, then check.",
        ),
    )


def _yours(row: Row) -> str:
    return "your " + subject(row).removeprefix("the ")


def _changed(pair: Pair) -> str:
    rows = pair.changed
    if not rows:
        return "Nothing yet that is more than chance and the sensors together would make."
    text = listed([f"your {said.removeprefix('the ')} is {how}" for said, how in together(rows)])
    amount = "That is" if len(rows) == 1 else "Both are" if len(rows) == 2 else "All are"
    return f"{capital(text)}. {amount} more than chance and the sensors together would make."


def _unsaid(pair: Pair) -> str:
    parts = []
    for r in pair.not_yet[:2]:
        e, tell = r.estimate, r.tell
        if e is None or tell is None:
            continue
        looks = abs(e.difference) > 0.5 * (r.sdc or math.inf)
        text = f"Whether {_yours(r)} is {comparative(r)}" if looks else f"Whether {_yours(r)} has changed"
        if tell.swings:
            after = f"about {tell.swings} more swings will tell"
        elif tell.limit == "zero":
            after = "the zero of the sensors is too uncertain; more swings won't tell"
        elif tell.limit == "lessons":
            after = "it differs too much from lesson to lesson"
        else:
            after = "if it has, then too little to see"
        parts.append(f"{text}: {'it looks that way; ' if looks and tell.swings else ''}{after}.")
    for r in pair.targets:
        if r.estimate is None and len(parts) < 2:
            parts.append(f"{capital(_yours(r))}: not measured this time.")
    return " ".join(parts) or "Nothing that you were looking for."


# -- as a page ---------------------------------------------------------------------------------
def letter_html(letter: Letter, *, paper: str = "a4", embed_fonts: bool = True, size_pt: float = SIZES_PT[0]) -> str:
    """The letter as one HTML file that loads nothing; `size_pt` is that of its running text."""
    if paper not in PAPERS:
        raise UsageError(f"paper {paper!r} is not known: use {' or '.join(PAPERS)}")
    w = letter.words
    esc = _escaped
    top = " · ".join(filter(None, (letter.place, letter.date)))
    steps = "".join(f"<li>{_step(s)}</li>" for s in w.steps)
    ticks = "".join(
        f'<div class="week"><span>week {i + 1}</span><div>{"<i></i>" * w.times_a_week}</div></div>'
        for i in range(w.weeks)
    )
    pictures = "".join(_picture(p) for p in letter.pictures)
    words = (
        f"<p><b>What has changed.</b> {_paragraph(w.changed)}</p>"
        f"<p><b>What we can’t say yet.</b> {_paragraph(w.unsaid)}</p>"
    )
    extra = f" {_paragraph(w.caution)}" if w.caution.strip() else ""
    return f"""<!doctype html>
<html lang="{esc(letter.lang)}">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{esc(letter.title)}</title>
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
<section class="numbers"><h2>The numbers, for the curious</h2>
{_table(letter)}
</section>
<section class="end"><p class="please"><b>Please:</b> {esc(CAUTION)}{extra}</p>
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


def _picture(p: Picture) -> str:
    gap = "no gap under the ruler" if abs(p.flexion_deg) < 2 else (
        "a gap under the ruler" if p.flexion_deg < 0 else "the wrist pushes the ruler off the hand"
    )  # fmt: skip
    side = side_words("wrist_flexion@top", p.flexion_deg)
    plus = max(round(p.u95_deg), 1)
    return (
        f"<figure>{wrist_svg(p.flexion_deg)}<figcaption><b>{_escaped(capital(p.when))}</b><br>{gap}:<br>"
        f"{html.escape(side)}, ± {plus}°</figcaption></figure>"
    )


def _table(letter: Letter) -> str:
    scale = {r.name: _scale(r) for r in letter.numbers}
    first, second = (_escaped(capital(t)) for t in letter.when)
    rows = []
    for r in letter.numbers:
        before = (
            f'<td class="words" data-when="{first}">{_escaped(r.before.words)}</td>'
            f"<td>{level_svg(r.before, r.band, scale[r.name])}</td>"
            if r.before
            else "<td></td><td></td>"
        )
        rows.append(
            f'<tr><th scope="row">{html.escape(r.name)}</th>{before}'
            f'<td class="words" data-when="{second}">{_escaped(r.now.words)}</td>'
            f"<td>{level_svg(r.now, r.band, scale[r.name])}</td><td><b>{html.escape(r.verdict)}</b></td></tr>"
        )
    banded = any(r.band for r in letter.numbers)
    key = (
        "The bubble is as long as the doubt: between the marks is in your band, across a mark is too close to call."
        if banded
        else "The bubble is as long as the doubt."
    )
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
def level_svg(reading: Reading, band: tuple[float, float] | None, ends: tuple[float, float]) -> str:
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
        f'height="{height + 8:.0f}" role="img" aria-label="{html.escape(_level_words(reading, band))}">',
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


def _level_words(reading: Reading, band: tuple[float, float] | None) -> str:
    if band is None:
        return reading.words
    low, high = reading.value - reading.u95, reading.value + reading.u95
    if any(low < edge < high for edge in band):
        return f"{reading.words}: across a mark, too close to call"
    inside = band[0] <= reading.value <= band[1]
    return f"{reading.words}: {'in the band' if inside else 'outside the band'}"


def wrist_svg(flexion_deg: float) -> str:
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
    label = side_words("wrist_flexion@top", flexion_deg)
    return (
        f'<svg class="wrist" viewBox="-130 -200 240 320" role="img" aria-label="Wrist {html.escape(label)}, '
        'ruler along the back of forearm and hand">'
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
