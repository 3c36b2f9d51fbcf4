"""The progress page: each target over all lessons with one club, time to scale.

Its link says what is shown: `/progress?club=7-iron`.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from dataclasses import dataclass
from datetime import date
from typing import Any
from urllib.parse import parse_qs, urlencode

from dash import Dash, Input, Output, dcc, html

from dashboard import components as ui
from dashboard import ridges
from dashboard.pages import Page
from dashboard.pages.compare import Choice as CompareChoice
from dashboard.pages.compare import waiting
from dashboard.service import Service
from dashboard.sets import Offer, Pending, day_words, lessons, set_of
from dashboard.words import count, say
from imu.compare import (
    CHANGED,
    DEFAULT_TARGETS,
    NOT_YET,
    Pair,
    Summary,
    SwingSet,
    change_words,
    compare,
    headline,
    measure_words,
    summarise,
    tell_words,
)
from imu.errors import CupbowError
from imu.recording import SIGNS

PATH = "/progress"
POLL_MS = 600
MOST = 4
"""So many measures are followed: the first targets."""


@dataclass(frozen=True)
class Followed:
    """A lesson that is followed: its place in days, its set of swings."""

    offer: Offer
    at: float
    swings: SwingSet


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
        club = parse_qs((search or "").lstrip("?")).get("club", [None])[0]
        found = await asyncio.to_thread(view, service, club)
        return found.body, not found.waiting


PAGE = Page(PATH, say("progress.page"), layout, register)


@dataclass(frozen=True)
class View:
    body: list[Any]
    waiting: bool = False


def view(service: Service, club: str | None) -> View:
    dated = [o for o in lessons(service) if o.day]
    by_club = Counter(o.club for o in dated)
    if not dated:
        return View([ui.fault(say("progress.none"), say("progress.none_do"), where=str(service.root))])
    club = club if club is not None and club in by_club else by_club.most_common(1)[0][0]
    chosen = [o for o in dated if o.club == club]
    nav = _clubs(sorted(by_club), club)
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
        return View([nav, waiting(pending[0], sum(p.left for p in pending))], waiting=True)
    kinds = Counter[str]()
    for f in followed:
        kinds += f.swings.kinds()
    if not kinds:
        return View([nav, ui.fault(say("progress.none"), say("progress.none_do"), where=str(service.root))])
    return View([nav, *_followed(followed, unread, kind=kinds.most_common(1)[0][0])])


def _clubs(names: list[str], club: str) -> html.Div:
    links = [
        html.A(
            name or "—",
            href=f"{PATH}?{urlencode({'club': name})}",
            **({"data-go": ""} | (ui.aria(current="true") if name == club else {})),
        )
        for name in names
    ]
    return html.Div(
        html.Nav(links, className="segments", **ui.aria(label=say("progress.club"))), className="sets no-print"
    )


def _followed(followed: list[Followed], unread: list[Offer], *, kind: str) -> list[Any]:
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
            ridges.Day(f.at, f.offer.title, count("progress.lesson_swings", s.n) if s else "", s)
            for f, s in zip(followed, table[key], strict=True)
        ]
        band = bands.get(key)
        drawing = ui.Drawing(
            wide=ridges.progress_svg(days, key=key, band=band, dates=last),
            narrow=ridges.progress_svg(days, key=key, band=band, dates=True, narrow=True),
        )
        rows.append(html.Div([_name(key), drawing], className="follow", **_data(key)))
    legend = html.Div(
        [
            html.Span([html.Span(className="key-day"), say("progress.key_mean")]),
            html.Span([html.Span(className="key-unsure"), say("progress.key_unsure")]),
        ],
        className="legend",
    )
    side = [_since(pair, followed), _stays(pair, table, shown)] if pair else []
    side.append(_days(followed, unread, kind=kind))
    return [
        html.H1(headline(pair) if pair else say("progress.none"), className="say"),
        html.Div(
            [
                html.Section([legend, *rows], className="card follows"),
                html.Div(side, className="side"),
            ],
            className="columns",
        ),
    ]


def _data(key: str) -> dict[str, Any]:
    return {"data-measure": key}


def _name(key: str) -> html.Div:
    words = measure_words(key)
    angle = key.partition("@")[0]
    plus, minus = SIGNS.get(angle, ("", ""))
    notes = [
        html.P(say("progress.up", side=plus), className="note"),
        html.P(say("progress.down", side=minus), className="note"),
    ]
    return html.Div(
        [
            html.Div([html.H2(words[:1].upper() + words[1:]), html.P(say("progress.degrees"), className="note")]),
            html.Div(notes),
        ],
        className="follow-name",
    )


def _since_first(followed: list[Followed], *, kind: str, targets: list[str]) -> Pair | None:
    counted = [f for f in followed if f.swings.kinds()[kind]]
    if len(counted) < 2:
        return None
    try:
        return compare([counted[0].swings, counted[-1].swings], kind=kind, targets=targets).pairs[0]
    except CupbowError:
        return None


def _since(pair: Pair, followed: list[Followed]) -> html.Section:
    rows = []
    for r in pair.targets:
        told = change_words(r) if r.verdict in (CHANGED, NOT_YET) else say("compare.cannot", reason=r.reason)
        more = tell_words(r)
        words = measure_words(r.key)
        rows.append(
            html.Li([html.Strong(words[:1].upper() + words[1:]), f": {told}" + (f" ({more})" if more else "") + "."])
        )
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
    words = measure_words(key)
    sds = [say("progress.spread_item", sd=f"{s.sd:.1f}") if s else "—" for s in table[key]]
    steady = pair.row(key).steadiness
    verdict = steady.verdict if steady else NOT_YET
    said = {"steadier": "progress.steadier", "less steady": "progress.less_steady"}.get(verdict, "progress.same_steady")
    return ui.card(
        say("progress.stays"),
        html.P([html.Strong(words[:1].upper() + words[1:] + ". "), say("progress.spread", list=", ".join(sds))]),
        html.P(say(said), className="note"),
    )


def _days(followed: list[Followed], unread: list[Offer], *, kind: str) -> html.Section:
    rows = [
        html.Li(
            [
                html.A(day_words(f.offer.day, year=True), href=f"/swings/{f.offer.entries[0].key}"),
                " ",
                count("progress.lesson_swings", len(f.swings.entries(kind))),
            ]
        )
        for f in followed
    ]
    rows += [html.Li(say("progress.not_read", title=o.label)) for o in unread]
    return ui.card(say("progress.days"), html.Ul(rows), kind="conclude")
