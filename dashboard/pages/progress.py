"""The progress page: each target over all lessons with one club, time to scale.

Its link says what is shown: `/progress?club=7-iron`, and `student=…` (an identity) for one of the library, whose
practice sessions, drills and ball flights are then beside the lessons.
"""

from __future__ import annotations

import asyncio
import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any
from urllib.parse import parse_qs, urlencode

from dash import Dash, Input, Output, dcc, html

from dashboard import components as ui
from dashboard import one_change, ridges
from dashboard.pages import Page
from dashboard.pages.compare import Choice as CompareChoice
from dashboard.pages.compare import waiting
from dashboard.service import Service
from dashboard.sets import Offer, Pending, day_words, filed_offer, lessons, set_of
from dashboard.words import LANGUAGE, because, count, number, say
from imu.cause_words import more_words
from imu.compare import CHANGED, DEFAULT_TARGETS, Pair, Summary, SwingSet, compare, summarise
from imu.contrast import COVERAGE, NOT_YET
from imu.errors import CupbowError
from imu.library.finding import students
from imu.wording import change_words, headline, measure_words, tell_words
from imu.words import capital

PATH = "/progress"
POLL_MS = 600
MOST = 4
"""So many measures are followed: the first targets."""


@dataclass(frozen=True)
class Followed:
    """A lesson or practice session that is followed: its place in days, its set of swings."""

    offer: Offer
    at: float
    swings: SwingSet
    practice: bool = False
    untold: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    flights: tuple[tuple[str, str], ...] = ()
    drills: tuple[tuple[str, int, int], ...] = ()  # drill, held, tries


def layout(service: Service) -> html.Div:
    return html.Div(
        [dcc.Interval(id="progress-poll", interval=POLL_MS, disabled=True), html.Div(id="progress-body")],
        id="progress-page",
    )


def register(app: Dash, service: Service) -> None:
    @app.callback(
        Output("progress-body", "children"),
        Output("progress-poll", "disabled"),
        Input("url", "pathname"),
        Input("url", "search"),
        Input("progress-poll", "n_intervals"),
    )
    async def show(pathname: str, search: str, _polls: int) -> tuple[Any, bool]:
        if not (pathname or "").startswith(PATH):
            return [], True
        asked = {k: v[0] for k, v in parse_qs((search or "").lstrip("?")).items()}
        found = await asyncio.to_thread(view, service, asked.get("club"), student=asked.get("student"))
        return found.body, not found.waiting

    one_change.register(app, service, "progress")


PAGE = Page(PATH, say("progress.page"), layout, register)


@dataclass(frozen=True)
class View:
    body: list[Any]
    waiting: bool = False


def view(service: Service, club: str | None, *, student: str | None = None) -> View:
    """A student of the library, or without one the recordings under the root."""
    chooser = _students(service, student)
    head: list[Any] = [chooser] if chooser else []
    return _student_view(service, head, student, club) if student else _folder_view(service, head, club)


def _folder_view(service: Service, head: list[Any], club: str | None) -> View:
    dated = [o for o in lessons(service) if o.day]
    by_club = Counter(o.club for o in dated)
    if not dated:
        return View([*head, ui.fault(say("progress.none"), say("progress.none_do"), where=str(service.root))])
    club = club if club is not None and club in by_club else by_club.most_common(1)[0][0]
    chosen = [o for o in dated if o.club == club]
    head = [*head, _clubs(sorted(by_club), club)]
    followed, pending, unread = [], [], []
    start = date.fromisoformat(chosen[0].day)
    for o in chosen:
        try:
            found = set_of(service, o, label=o.title)
        except CupbowError:
            unread.append(o)
            continue
        if isinstance(found, Pending):
            pending.append(found)
        else:
            followed.append(Followed(o, float((date.fromisoformat(o.day) - start).days), found))
    if pending:
        return View([*head, waiting(pending[0], sum(p.left for p in pending))], waiting=True)
    kinds = Counter[str]()
    for f in followed:
        kinds += f.swings.kinds()
    # As of the last lesson: what was seen before helps to see what goes together.
    card = one_change.of_folder([f.swings for f in followed], kinds.most_common(1)[0][0]) if kinds else None
    return _view(head, followed, unread, where=str(service.root), card=card)


def _student_view(service: Service, head: list[Any], student: str, club: str | None) -> View:
    from imu.library.sets import sessions

    library = service.library()
    unknown = ui.fault(say("progress.no_student"), say("progress.none_do"))
    if library is None:
        return View([*head, unknown])
    with library:
        name = next((line.student.name for line in students(library) if line.student.id == student), None)
        if name is None:
            return View([*head, unknown])
        held = sessions(library, student_id=student)
    by_club = Counter(s.held.club for s in held)
    if not held:
        return View([*head, ui.fault(say("progress.no_measured", name=name), say("progress.none_do"))])
    club = club if club is not None and club in by_club else by_club.most_common(1)[0][0]
    chosen = [s for s in held if s.held.club == club]
    followed = []
    for s in chosen:
        o = filed_offer(s.held)
        drills = Counter(t.drill for t in s.tries)
        kept = Counter(t.drill for t in s.tries if t.held)
        followed.append(
            Followed(
                o,
                float((s.held.day - chosen[0].held.day).days),
                SwingSet(o.title, s.held.swings.parts),
                practice=s.held.practice,
                untold=s.untold,
                flights=s.flights,
                drills=tuple((d, kept[d], n) for d, n in drills.items()),
            )
        )
    card = one_change.place("progress", student=student, club=club, brief=True)
    return _view([*head, _clubs(sorted(by_club), club, student=student)], followed, [], where=name, card=card)


def _view(
    head: list[Any], followed: list[Followed], unread: list[Offer], *, where: str, card: html.Div | None = None
) -> View:
    kinds = Counter[str]()
    for f in followed:
        kinds += f.swings.kinds()
    if not kinds:
        return View([*head, ui.fault(say("progress.none"), say("progress.none_do"), where=where)])
    return View([*head, *_followed(followed, unread, kind=kinds.most_common(1)[0][0], card=card)])


def _students(service: Service, student: str | None) -> html.Details | None:
    """Who can be followed; links carry identities, never names."""
    library = service.library()
    if library is None:
        return None
    with library:
        there = [(line.student.id, line.student.name) for line in students(library)]
    if not there:
        return None
    links = [html.Li(_student_link(say("progress.folder"), PATH, current=student is None))]
    links += [html.Li(_student_link(n, f"{PATH}?{urlencode({'student': i})}", current=i == student)) for i, n in there]
    shown = next((n for i, n in there if i == student), say("progress.folder"))
    return html.Details(
        [
            html.Summary([html.Strong(shown)]),
            html.Nav(html.Ul(links), className="chooser-body", **ui.aria(label=say("progress.students"))),
        ],
        className="chooser no-print",
        key=student or "",
    )


def _student_link(name: str, href: str, *, current: bool) -> html.A:
    return html.A(name, href=href, **({"data-go": ""} | (ui.aria(current="true") if current else {})))


def _clubs(names: list[str], club: str, *, student: str | None = None) -> html.Div:
    links = [
        html.A(
            name or "—",
            href=f"{PATH}?{urlencode({'club': name} | ({'student': student} if student else {}))}",
            **({"data-go": ""} | (ui.aria(current="true") if name == club else {})),
        )
        for name in names
    ]
    nav = html.Nav(links, className="segments", **ui.aria(label=say("progress.club")))
    return html.Div(nav, className="sets no-print")


def _followed(followed: list[Followed], unread: list[Offer], *, kind: str, card: html.Div | None = None) -> list[Any]:
    bands: dict[str, tuple[float, float]] = {}
    for f in followed:
        for e in f.swings.entries(kind):
            bands |= {k: (v.low_deg, v.high_deg) for k, v in e.swing.bands.items()}
    keys = list(bands) or list(DEFAULT_TARGETS)
    table = {key: [summarise(f.swings, key, kind=kind) for f in followed] for key in keys}
    shown = [key for key in keys if any(table[key])][:MOST]
    pair = _since_first(followed, kind=kind, targets=shown)
    rows = []
    for i, key in enumerate(shown):
        last = i == len(shown) - 1
        days = [
            ridges.Day(
                f.at,
                f.offer.title,
                count("progress.lesson_swings", s.n) if s else "",
                s,
                practice=f.practice,
                untold=f.untold.get(key, ()),
            )
            for f, s in zip(followed, table[key], strict=True)
        ]
        band = bands.get(key)
        drawing = ui.Drawing(
            wide=ridges.progress_svg(days, key=key, band=band, dates=last),
            narrow=ridges.progress_svg(days, key=key, band=band, dates=True, narrow=True),
        )
        rows.append(html.Div([_name(key), drawing], className="follow", **_data(key)))
    practised, untold = any(f.practice for f in followed), any(f.untold for f in followed)
    legend = html.Div(
        [
            html.Span([html.Span(className="key-day"), say("progress.key_mean")]),
            html.Span([html.Span(className="key-unsure"), say("progress.key_unsure")]),
            *([html.Span([html.Span(className="key-practice"), say("progress.key_practice")])] if practised else []),
            *([html.Span([html.Span(className="key-untold"), say("progress.key_untold")])] if untold else []),
        ],
        className="legend",
    )
    side: list[Any] = [card] if card else []
    side += [_since(pair, followed), _stays(pair, table, shown)] if pair else []
    if practised:
        side.append(_untold(followed, table, shown))
    side += [_days(followed, unread, kind=kind), *_diary(followed)]
    flown = [f for f in followed if f.flights]
    return [
        html.H1(headline(pair, language=LANGUAGE) if pair else say("progress.none"), className="say"),
        html.Div(
            [
                html.Div(
                    [html.Section([legend, *rows], className="card follows"), *([_flights(flown)] if flown else [])],
                    className="main-column",
                ),
                html.Div(side, className="side"),
            ],
            className="columns",
        ),
    ]


def _data(key: str) -> dict[str, Any]:
    return {"data-measure": key}


def _words(key: str) -> str:
    return capital(measure_words(key, language=LANGUAGE))


def _name(key: str) -> html.Div:
    words = _words(key)
    minus, plus = ridges.ends(key.partition("@")[0])
    notes = [
        html.P(say("progress.up", side=plus), className="note"),
        html.P(say("progress.down", side=minus), className="note"),
    ]
    return html.Div(
        [
            html.Div([html.H2(words), html.P(say("progress.degrees"), className="note")]),
            html.Div(notes),
        ],
        className="follow-name",
    )


def _since_first(followed: list[Followed], *, kind: str, targets: list[str]) -> Pair | None:
    counted = [f for f in followed if f.swings.kinds()[kind] and not f.practice]
    if len(counted) < 2:
        return None
    try:
        return compare([counted[0].swings, counted[-1].swings], kind=kind, targets=targets).pairs[0]
    except CupbowError:
        return None


def _since(pair: Pair, followed: list[Followed]) -> html.Section:
    rows = []
    for r in pair.targets:
        known = r.verdict in (CHANGED, NOT_YET)
        told = change_words(r, language=LANGUAGE) if known else say("compare.cannot", reason=because(r.reason))
        more = tell_words(r, language=LANGUAGE)
        rows.append(html.Li([html.Strong(_words(r.key)), f": {told}" + (f" ({more})" if more else "") + "."]))
    a = next(f for f in followed if f.swings is pair.a)
    b = next(f for f in followed if f.swings is pair.b)
    link = html.A(say("progress.compare"), href=CompareChoice(a=a.offer.key, b=b.offer.key).link, className="button")
    return html.Section(
        [
            html.H2(say("progress.with_first", title=pair.a.label), className="card-title"),
            html.Ul(rows),
            html.Div(link, className="no-print"),
        ],
        className="card conclude",
    )


def _stays(pair: Pair, table: dict[str, list[Summary | None]], shown: list[str]) -> html.Section:
    """Spread from swing to swing, lesson by lesson, of the first measure."""
    key = shown[0]
    sds = [say("progress.spread_item", sd=number(s.sd, 1)) if s else "—" for s in table[key]]
    steady = pair.row(key).steadiness
    verdict = steady.verdict if steady else NOT_YET
    said = {"steadier": "progress.steadier", "less steady": "progress.less_steady"}.get(verdict, "progress.same_steady")
    return ui.card(
        say("progress.stays"),
        html.P([html.Strong(_words(key) + ". "), say("progress.spread", list=", ".join(sds))]),
        html.P(say(said), className="note"),
    )


def _days(followed: list[Followed], unread: list[Offer], *, kind: str) -> html.Section:
    rows = [
        html.Li(
            [
                html.A(day_words(f.offer.day, year=True), href=f"/swings/{f.offer.entries[0].key}")
                if f.offer.entries
                else f.offer.title,
                " ",
                count("progress.lesson_swings", len(f.swings.entries(kind))),
            ]
        )
        for f in followed
    ]
    rows += [html.Li(say("progress.not_read", title=o.label)) for o in unread]
    return ui.card(say("progress.days"), html.Ul(rows), kind="conclude")


def _untold(followed: list[Followed], table: dict[str, list[Summary | None]], shown: list[str]) -> html.Section:
    """What the day's first tries were, before any was shown, against the rest of that day."""
    lines = []
    for key in shown:
        gaps, variance = [], 0.0
        for f, s in zip(followed, table[key], strict=True):
            first = f.untold.get(key)
            if s and first:
                # Both are of one day and one calibration: the zero cancels, the spread stays.
                gaps.append(sum(first) / len(first) - s.mean)
                variance += s.sd**2 * (1 / len(first) + 1 / s.n)
        if not gaps:
            continue
        gap, u95 = sum(gaps) / len(gaps), COVERAGE * math.sqrt(variance) / len(gaps)
        side = more_words(key, gap, language=LANGUAGE)
        more = {"measure": _words(key), "gap": f"{abs(gap):.0f}", "side": side, "n": len(gaps)}
        told = "progress.untold_more" if abs(gap) > u95 else "progress.untold_same"
        lines.append(say(told, u95=f"{max(u95, 1.0):.0f}", **more))
    return ui.card(say("progress.untold_title"), *(html.P(x) for x in lines or [say("progress.untold_none")]))


def _flights(flown: list[Followed]) -> html.Section:
    figures = []
    for f in flown:
        starts = Counter(start for start, _ in f.flights)
        words = say(
            "progress.flights_of", title=f.offer.title, left=starts["left"], right=starts["right"], n=len(f.flights)
        )
        figures.append(html.Figure([ui.Drawing(wide=ridges.flights_svg(f.flights, words)), html.Figcaption(words)]))
    return ui.card(
        say("progress.flights"),
        html.P(say("progress.flights_note"), className="note"),
        html.Div(figures, className="balls"),
    )


def _diary(followed: list[Followed]) -> list[html.Section]:
    from imu.practice.drill import shipped

    titles = {d.name: d.in_language(d.title, LANGUAGE) for d in shipped()}
    lines = [
        say("progress.diary_line", day=f.offer.title, drill=titles.get(drill, drill), held=held, n=n)
        for f in reversed(followed)
        for drill, held, n in f.drills
    ]
    return [ui.card(say("progress.diary"), html.Ul([html.Li(x) for x in lines]), kind="conclude")] if lines else []
