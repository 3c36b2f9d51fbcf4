"""The compare page: two sets of swings, what has changed between them, and what can't be told yet.

Its link says what is shown:
`/compare?a=…&b=…&by=lessons|clubs|best|thoughts&kind=full&targets=…&angle=…&shape=1`;
`near=…` (a lesson's identity) offers the sets of its student.
"""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any
from urllib.parse import parse_qs, urlencode

from dash import Dash, Input, Output, dcc, html

from dashboard import components as ui
from dashboard import ridges
from dashboard.pages import Page
from dashboard.service import Service
from dashboard.sets import (
    FILED,
    Offer,
    Pending,
    bests,
    clubs,
    counted,
    filed,
    in_library,
    is_best,
    is_club,
    labels_of,
    lesson_id,
    lessons,
    offer,
    own_bests,
    own_clubs,
    set_of,
    thoughts,
)
from dashboard.words import LANGUAGE, because, number, retold, say
from imu.compare import CHANGED, Comparison, Pair, Row, SwingSet, compare
from imu.curves import CurveComparison, compare_curves, span_words
from imu.errors import CupbowError
from imu.recording import ANGLES, KINDS
from imu.wording import change_words, headline, measure_words, side_words, tell_words
from imu.words import capital

PATH = "/compare"
POLL_MS = 500
BY = ("lessons", "clubs", "best", "thoughts")


@dataclass(frozen=True)
class Choice:
    """What a link asks for; None where the page chooses."""

    a: str | None = None
    b: str | None = None
    by: str = "lessons"
    kind: str | None = None
    targets: tuple[str, ...] | None = None
    angle: str = "wrist_flexion"
    shape: bool = False
    near: str | None = None  # a lesson of the student whose sets are offered, where a and b are still to be chosen

    @property
    def student_key(self) -> str:
        """A key that names a lesson of the student whose sets are offered; empty: those under the root."""
        if self.near:
            return f"{FILED}{self.near}"
        return next((f"{FILED}{lesson_id(key)}" for key in (self.a, self.b) if key and in_library(key)), "")

    @classmethod
    def of(cls, search: str | None) -> Choice:
        asked = {k: v[0] for k, v in parse_qs((search or "").lstrip("?")).items()}
        targets = tuple(t for t in asked.get("targets", "").split(",") if t)
        return cls(
            a=asked.get("a"),
            b=asked.get("b"),
            by=asked["by"] if asked.get("by") in BY else "lessons",
            kind=asked["kind"] if asked.get("kind") in KINDS else None,
            targets=targets or None,
            angle=asked["angle"] if asked.get("angle") in ANGLES else "wrist_flexion",
            shape=asked.get("shape") == "1",
            near=asked.get("near"),
        )

    @property
    def link(self) -> str:
        asked = {
            "a": self.a,
            "b": self.b,
            "by": self.by if self.by != "lessons" else None,
            "kind": self.kind,
            "targets": ",".join(self.targets) if self.targets else None,
            "angle": self.angle if self.angle != "wrist_flexion" else None,
            "shape": "1" if self.shape else None,
            "near": self.near if not (self.a and self.b) else None,
        }
        return f"{PATH}?{urlencode({k: v for k, v in asked.items() if v})}"


def layout(service: Service) -> html.Div:
    return html.Div(
        [dcc.Interval(id="compare-poll", interval=POLL_MS, disabled=True), html.Div(id="compare-body")],
        id="compare-page",
    )


def register(app: Dash, service: Service) -> None:
    @app.callback(
        Output("compare-body", "children"),
        Output("compare-poll", "disabled"),
        Input("url", "pathname"),
        Input("url", "search"),
        Input("compare-poll", "n_intervals"),
    )
    async def show(pathname: str, search: str, _polls: int) -> tuple[Any, bool]:
        if not (pathname or "").startswith(PATH):
            return [], True
        found = await asyncio.to_thread(view, service, Choice.of(search))
        return found.body, not found.waiting


PAGE = Page(PATH, say("compare.page"), layout, register)


@dataclass(frozen=True)
class View:
    body: list[Any]
    waiting: bool = False


def view(service: Service, choice: Choice) -> View:
    pool = pool_of(service, choice)
    choice = filled(service, choice, pool)
    a, b = (offer(service, key) if key else None for key in (choice.a, choice.b))
    head = _choosers(service, choice, pool, a, b)
    if choice.by == "thoughts" and not (a and b):
        return View([head, ui.fault(say("change.no_thought"), say("change.no_thought_do"))])
    if choice.a is None or choice.b is None:
        return View([head, ui.fault(say("compare.no_two"), say("compare.no_two_do"))])
    if a is None or b is None:
        return View([head, ui.fault(say("compare.unknown"), say("compare.unknown_do"))])
    if a == b:
        return View([head, ui.fault(say("compare.same"), say("compare.unknown_do"))])
    try:
        comparison = compared(service, choice, a, b)
    except CupbowError as error:
        return View(
            [head, ui.fault(say("compare.cannot_compare"), say("compare.cannot_compare_do"), where=retold(str(error)))]
        )
    if isinstance(comparison, Pending):
        return View([head, waiting(comparison, comparison.left)], waiting=True)
    return View([head, *_compared(choice, (a, b), comparison)])


def compared(service: Service, choice: Choice, a: Offer, b: Offer) -> Comparison | Pending:
    """The two sets compared, or what is still being measured of them. Raises CupbowError."""
    sets = [set_of(service, o, label=label) for o, label in zip((a, b), labels_of(a, b), strict=True)]
    pending = [s for s in sets if isinstance(s, Pending)]
    if pending:
        return replace(pending[0], left=sum(p.left for p in pending))
    ready = [s for s in sets if isinstance(s, SwingSet)]
    return compare(ready, kind=choice.kind, targets=choice.targets)


def waiting(pending: Pending, left: int) -> html.Section:
    name = pending.state.entry.name
    percent = round(100 * min(max(pending.state.fraction, 0.0), 1.0))
    bar = html.Div(
        html.Div(style={"width": f"{percent}%"}),
        className="progress",
        role="progressbar",
        **ui.aria(label=name, valuemin="0", valuemax="100", valuenow=str(percent)),
    )
    return html.Section([html.H1(say("compare.still", name=name, left=left), className="say"), bar], className="card")


# -- choosing --------------------------------------------------------------------------------------
def pool_of(service: Service, choice: Choice) -> list[Offer]:
    by, student = choice.by, choice.student_key
    if student:
        more = {"clubs": own_clubs, "best": own_bests, "thoughts": thoughts}.get(by)
        held = [] if by == "thoughts" else filed(service, student)
        return [*(more(service, student) if more else []), *held]
    if by == "clubs":
        return [*clubs(service), *lessons(service)]
    return [*(bests(service) if by == "best" else []), *lessons(service)]


def filled(service: Service, choice: Choice, pool: Sequence[Offer]) -> Choice:
    """The pair that is meant where a link names none: first and last lesson with one club, the two
    clubs, or the best so far with the last lesson."""
    if choice.a and choice.b:
        return choice
    if choice.by == "thoughts":
        here = [o.key for o in pool if lesson_id(o.key) == lesson_id(choice.student_key)] or [o.key for o in pool]
        return replace(choice, a=here[-2], b=here[-1]) if len(here) > 1 else choice
    taught = [o for o in pool if not (is_club(o.key) or is_best(o.key))]
    most = max(taught, key=lambda o: sum(x.club == o.club for x in taught), default=None)
    same = [o for o in taught if most and o.club == most.club]
    first = same[0].key if len(same) > 1 else None
    last = same[-1].key if same else None
    if choice.by == "clubs":
        both = [o.key for o in pool if is_club(o.key)]
        first, last = (both[0], both[1]) if len(both) > 1 else (None, None)
    elif choice.by == "best" and most:
        first = next((o.key for o in pool if is_best(o.key) and o.club == most.club), None)
    return replace(choice, a=choice.a or first, b=choice.b or last)


def _choosers(service: Service, choice: Choice, pool: Sequence[Offer], a: Offer | None, b: Offer | None) -> html.Div:
    near = lesson_id(choice.student_key) or None
    segments = [
        html.A(
            say(f"compare.{by}"),
            href=Choice(by=by, kind=choice.kind, targets=choice.targets, near=near).link,
            **({"data-go": ""} | (ui.aria(current="true") if by == choice.by else {})),
        )
        for by in BY
        if near or by != "thoughts"  # thoughts are the library's
    ]
    return html.Div(
        [
            _chooser(service, choice, pool, a, "a"),
            html.Span(say("compare.with")),
            _chooser(service, choice, pool, b, "b"),
            html.Nav(segments, className="segments", **ui.aria(label=say("compare.by"))),
        ],
        className="sets no-print",
    )


def _chooser(service: Service, choice: Choice, pool: Sequence[Offer], chosen: Offer | None, side: str) -> html.Details:
    links = []
    for o in pool:
        to = replace(choice, a=o.key) if side == "a" else replace(choice, b=o.key)
        extra = {"data-go": ""} | (ui.aria(current="true") if o == chosen else {})
        words = [html.Span(o.title), html.Span(counted(service, o), className="aside")]
        links.append(html.Li(html.A(words, href=to.link, **extra)))
    mark = html.Span(className=f"mark-{'then' if side == 'a' else 'now'}", **ui.aria(hidden="true"))
    title: list[Any] = [html.Strong(chosen.title if chosen else "—")]
    if chosen:
        title.append(html.Span(counted(service, chosen), className="aside"))
    return html.Details(
        [
            html.Summary([html.Span(title), mark]),
            html.Nav(html.Ul(links), className="chooser-body", **ui.aria(label=say(f"compare.choose_{side}"))),
        ],
        className=f"chooser chooser-{side}",
        # The key makes a new element of a new choice, so that the list folds away.
        key=f"{side}-{chosen.key if chosen else ''}",
    )


# -- what was compared -----------------------------------------------------------------------------
def _compared(choice: Choice, offers: tuple[Offer, Offer], comparison: Comparison) -> list[Any]:
    pair = comparison.pairs[0]
    labels = (pair.a.label, pair.b.label)
    kind = say("compare.kind", kind=say(f"kind.{comparison.kind}"))
    asked = {"a": offers[0].key, "b": offers[1].key, "kind": choice.kind, "targets": ",".join(choice.targets or ())}
    letter = f"/letter?{urlencode({k: v for k, v in asked.items() if v})}"
    parts: list[Any] = [
        html.H1(headline(pair, language=LANGUAGE), className="say"),
        html.Div(
            [html.Span("; ".join(o.label for o in offers)), html.Span("·", className="dot"), html.Span(kind)],
            className="say-under",
        ),
        _shelves(pair, labels),
        html.Div(
            [_curves_card(choice, comparison, pair, labels), _conclude(offers, pair)],
            className="compare-below",
        ),
        html.Div(
            [
                html.Div([html.A(say("compare.letter"), href=letter, className="button")], className="row no-print"),
                _targets(choice, pair),
                _measures(pair),
            ],
            className="compare-more",
        ),
    ]
    return parts


def _shelves(pair: Pair, labels: tuple[str, str]) -> html.Section:
    half = ridges.reach(pair.targets)
    head = html.Div(
        [html.Span(say("compare.each")), html.Span(say("compare.difference"))],
        className="shelf-head",
        **ui.aria(hidden="true"),
    )
    shelves = []
    for title, rows in (
        ("changed", pair.changed),
        ("not_yet", pair.not_yet),
        ("not_compared", [r for r in pair.targets if r.estimate is None]),
    ):
        if rows:
            body = [html.H2(say(f"compare.{title}")), *(_difference(r, labels, half) for r in rows)]
            shelves.append(html.Div(body, className=f"shelf shelf-{title}"))
    return html.Section([head, *shelves], className="card shelves")


def _difference(row: Row, labels: tuple[str, str], half: float) -> html.Div:
    words = measure_words(row.key, language=LANGUAGE)
    name = html.H3(words[:1].upper() + words[1:])
    e = row.estimate
    if e is None:
        return html.Div(
            [name, html.P(say("compare.cannot", reason=because(row.reason)), className="cannot")],
            className="difference",
        )
    told = [
        html.P(change_words(row, language=LANGUAGE), className="told"),
        html.P(say("compare.from_to", a=_sided(row, e.mean_a), b=_sided(row, e.mean_b))),
    ]
    if row.verdict == CHANGED:
        told.append(html.P(say("compare.effect", n=number(abs(e.effect), 1))))
    else:
        told.append(html.P(tell_words(row, language=LANGUAGE)))
    told += [html.P(retold(note)) for note in row.notes]
    data: dict[str, Any] = {"data-measure": row.key, "data-verdict": row.verdict}
    return html.Div(
        [
            name,
            ui.Drawing(wide=ridges.ridge_svg(row, labels)),
            ui.Drawing(wide=ridges.pill_svg(row, half)),
            html.Div(told, className="told-box"),
        ],
        className="difference",
        **data,
    )


def _sided(row: Row, value: float) -> str:
    return side_words(row.key, value, language=LANGUAGE)


def _curves_card(choice: Choice, comparison: Comparison, pair: Pair, labels: tuple[str, str]) -> html.Section:
    have = {
        a
        for s in (pair.a, pair.b)
        for e in s.entries(comparison.kind)
        if e.swing.trace
        for a in e.swing.trace.angles_deg
    }
    tabs = [
        html.A(
            say(f"angle.{angle}"),
            href=replace(choice, angle=angle).link,
            **({"data-go": ""} | (ui.aria(current="true") if angle == choice.angle else {})),
        )
        for angle in ANGLES
        if angle in have
    ]
    title = say("compare.curves", angle=say(f"angle.{choice.angle}"))
    head = html.Div(
        [
            html.H2([title, " ", html.Span(say("compare.mean_spread"), className="aside")], className="card-title"),
            html.Nav(tabs, className="segments", **ui.aria(label=say("compare.angles"))),
        ],
        className="curve-head sets",
    )
    try:
        # Only the curve that is looked at is tested; who looks at all of them looks nine times.
        curves = compare_curves(pair.a, pair.b, choice.angle, kind=comparison.kind)
        shape = compare_curves(pair.a, pair.b, choice.angle, kind=comparison.kind, shape=True)
    except CupbowError as error:
        return html.Section([head, html.P(retold(str(error)), className="note")], className="card curves-card")
    shown = shape if choice.shape else curves
    switch = html.Nav(
        [
            html.A(
                say(f"compare.{word}"),
                href=replace(choice, shape=on).link,
                **({"data-go": ""} | (ui.aria(current="true") if on == choice.shape else {})),
            )
            for word, on in (("level", False), ("shape", True))
        ],
        className="segments",
        **ui.aria(label=say("compare.view")),
    )
    said = " ".join((_where(curves, "compare.curves_differ", "compare.curves_same"), _shape_words(shape)))
    return html.Section(
        [
            head,
            ui.Drawing(
                wide=ridges.curves_svg(shown, labels),
                narrow=ridges.curves_svg(shown, labels, narrow=True),
            ),
            html.P(said, className="note", id="compare-curves-said"),
            html.Div(switch, className="sets"),
        ],
        className="card curves-card",
    )


def _where(curves: CurveComparison, differ: str, same: str) -> str:
    if curves.reason:
        return capital(retold(curves.reason)) + "."
    where = "; ".join(span_words(s, curves.events, language=LANGUAGE) for s in curves.spans)
    return say(differ, where=where) if where else say(same)


def _shape_words(shape: CurveComparison) -> str:
    return "" if shape.reason else _where(shape, "compare.shape_differs", "compare.shape_same")


def _conclude(offers: tuple[Offer, Offer], pair: Pair) -> html.Section:
    items: list[Any] = [html.Li([html.Strong(retold(c.lead)), f" {retold(c.text)}"]) for c in pair.cautions]
    if any(is_best(o.key) for o in offers):
        items.insert(0, html.Li([html.Strong(say("compare.own_best")), " ", say("compare.best_chosen")]))
    return ui.card(say("compare.conclude"), html.Ul(items), kind="conclude")


def _targets(choice: Choice, pair: Pair) -> html.Details:
    judged = [r.key for r in pair.targets]
    others = [r.key for r in pair.rows if not r.target and r.estimate]
    chips = []
    for key in [*judged, *others]:
        on = key in judged
        left = tuple(k for k in judged if k != key) if on else (*judged, key)
        extra = {"data-go": ""} | (ui.aria(current="true") if on else {})
        words = measure_words(key, language=LANGUAGE)
        # The last target can't be taken away: then nothing would be judged.
        chips.append(html.A(words, href=replace(choice, targets=left or (key,)).link, **extra))
    return html.Details(
        [
            html.Summary(html.H2(say("compare.targets"), className="card-title")),
            html.P(say("compare.targets_note", n=len(judged)), className="note"),
            html.Nav(chips, className="chips", **ui.aria(label=say("compare.targets"))),
        ],
        className="card fold no-print",
    )


def _measures(pair: Pair) -> html.Details:
    heads = [say("compare.measure"), pair.a.label, pair.b.label, say("compare.difference").split(" (")[0]]
    heads += [say("compare.interval"), say("compare.effect_head"), say("compare.steadier_head")]
    body = []
    for r in pair.rows:
        e = r.estimate
        if e is None:
            continue
        places = 1 if r.unit == "°" else 2
        unit = r.unit
        s = r.steadiness
        cells = [
            say("compare.value_n", value=_sided(r, e.mean_a), n=e.n_a),
            say("compare.value_n", value=_sided(r, e.mean_b), n=e.n_b),
            f"{number(e.difference, places, sign=True)}{unit}",
            f"{number(r.low or 0.0, places, sign=True)} … {number(r.high or 0.0, places, sign=True)}{unit}",
            number(e.effect, 1, sign=True),
            f"{number(s.ratio, 2)} ({number(s.low, 2)} … {number(s.high, 2)})" if s else "—",
        ]
        body.append(
            html.Tr([html.Th(measure_words(r.key, language=LANGUAGE), scope="row"), *(html.Td(c) for c in cells)])
        )
    table = html.Table(
        [
            html.Caption(say("compare.measures_caption"), className="unseen"),
            html.Thead(html.Tr([html.Th(h, scope="col") for h in heads])),
            html.Tbody(body),
        ]
    )
    return html.Details(
        [
            html.Summary(html.H2(say("compare.measures"), className="card-title")),
            html.Div(
                table, className="measures", tabIndex="0", role="region", **ui.aria(label=say("compare.measures"))
            ),
        ],
        className="card fold",
    )
