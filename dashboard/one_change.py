"""The chain of causes and the one change on a page: what leads to what, the candidates, and the coach's pick.

A page puts `place` where it is to stand; it is filled once the page is painted, for looking at geometry and swings
takes its time. `register` gives the page its callbacks. Names never stand in a link.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from datetime import date
from html import escape
from typing import Any

from dash import ALL, Dash, Input, Output, State, ctx, dcc, html, no_update
from fastapi.responses import PlainTextResponse, Response

from dashboard import components as ui
from dashboard.service import Service
from dashboard.words import LANGUAGE, count, number, retold, say
from imu.cause_words import ball_says, chain_says, says, subject_words
from imu.causes import Account, Link, explain
from imu.compare import SwingSet
from imu.errors import CupbowError
from imu.library import picks
from imu.library.outlook import Outlook, outlook
from imu.library.schema import Picked, Student
from imu.library.store import Library
from imu.one_change import Candidate, candidates, costs_words, evidence_words, gives_words, overdone_words, rests_words
from imu.practice.drill import comfort
from imu.settings import load_settings
from imu.wording import side_words
from imu.words import capital

PLAN = "/plan-file"
MOST_SHARES = 60
WEEKS = (1, 2, 3)


# -- in a page -----------------------------------------------------------------------------------------
def place(page: str, *, student: str, lesson: str = "", club: str = "", brief: bool = False) -> html.Div:
    """Where it is to stand; `brief`: the card alone, without the chain."""
    asked = {"student": student, "lesson": lesson, "club": club, "brief": brief, "done": 0}
    return html.Div(
        [
            dcc.Store(id=f"{page}-change-asked", data=asked),
            html.Div(
                ui.card(say("change.title"), html.P(say("change.looking"), className="note")), id=f"{page}-change"
            ),
        ],
        className="change-place",
    )


def register(app: Dash, service: Service, page: str) -> None:
    @app.callback(Output(f"{page}-change", "children"), Input(f"{page}-change-asked", "data"))
    async def show(asked: dict[str, Any] | None) -> Any:
        if not asked:
            return no_update
        return await asyncio.to_thread(_guarded, service, page, asked)

    @app.callback(
        Output(f"{page}-change-asked", "data", allow_duplicate=True),
        Input({"type": f"{page}-change-club", "key": ALL}, "n_clicks"),
        State(f"{page}-change-asked", "data"),
        prevent_initial_call=True,
    )
    def with_club(clicks: list[Any], asked: dict[str, Any]) -> Any:
        if not any(clicks) or not ctx.triggered_id or not asked:
            return no_update
        return asked | {"club": str(ctx.triggered_id["key"]), "said": "", "fault": ""}

    @app.callback(
        Output(f"{page}-change-asked", "data"),
        Input({"type": f"{page}-pick", "key": ALL}, "n_clicks"),
        Input({"type": f"{page}-pick-do", "key": ALL}, "n_clicks"),
        State({"type": f"{page}-pick-field", "key": ALL}, "value"),
        State({"type": f"{page}-pick-field", "key": ALL}, "id"),
        State(f"{page}-change-asked", "data"),
        prevent_initial_call=True,
    )
    async def act(picked: list[Any], done: list[Any], values: list[Any], ids: list[Any], asked: dict[str, Any]) -> Any:
        if not any([*picked, *done]) or not ctx.triggered_id or not asked:
            return no_update
        if not ctx.triggered[0]["value"]:
            return no_update  # a button that has just appeared
        typed = {i["key"]: v for i, v in zip(ids, values, strict=True)}
        what = ctx.triggered_id
        said = await asyncio.to_thread(_act, service, asked, what["type"].endswith("-do"), str(what["key"]), typed)
        return asked | {"done": int(asked.get("done", 0)) + 1} | said

    if page == "students":  # once

        @app.server.get(PLAN, include_in_schema=False)
        async def plan_file(pick: str = "") -> Response:
            text = await asyncio.to_thread(_plan_text, service, pick)
            if text is None:
                return PlainTextResponse(say("change.no_plan") + "\n", status_code=404)
            headers = {"Content-Disposition": 'attachment; filename="practice.plan.toml"'}
            return Response(text, media_type="application/toml; charset=utf-8", headers=headers)


def _plan_text(service: Service, pick_id: str) -> str | None:
    library = service.open_library()
    if library is None:
        return None
    with library, library.read() as session:
        found = session.get(Picked, pick_id)
        return found.plan or None if found else None


def _act(service: Service, asked: Mapping[str, Any], do: bool, key: str, typed: Mapping[str, Any]) -> dict[str, Any]:
    """Do what a button says; returns what is to be told of it."""
    try:
        library = service.open_library()
        if library is None:
            raise CupbowError(say("change.gone"))
        with library:
            if not do:
                _pick(service, library, asked, key)
                return {"said": say("change.picked"), "fault": ""}
            if key == "drop":
                picks.drop(library, str(asked["student"]))
                return {"said": say("change.dropped"), "fault": ""}
            standing = picks.current(library, student_id=str(asked["student"]))
            if standing is None:
                raise CupbowError(say("change.gone"))
            low, high = typed.get("low"), typed.get("high")
            if not isinstance(low, int | float) or not isinstance(high, int | float):
                raise CupbowError(say("bands.number"))
            weeks = int(typed.get("weeks") or 2)
            thought = str(typed.get("thought") or "")
            picks.edit(library, standing.id, thought=thought, band=(float(low), float(high)), days=7 * weeks)
            return {"said": say("change.kept"), "fault": ""}
    except CupbowError as error:
        return {"said": "", "fault": retold(str(error))}


def _pick(service: Service, library: Library, asked: Mapping[str, Any], key: str) -> None:
    found = _outlook(library, asked)
    chosen = next((c for c in found.candidates.ranked if c.key == key), None)
    if chosen is None:
        raise CupbowError(say("change.gone"))
    picks.pick(library, str(asked["student"]), chosen, club=found.club, thought=retold(chosen.title))


def _outlook(library: Library, asked: Mapping[str, Any]) -> Outlook:
    return outlook(
        library,
        str(asked["student"]),
        lesson_id=str(asked["lesson"]) or None,
        club=str(asked["club"]) or None,
    )


# -- what is shown -------------------------------------------------------------------------------------
def _guarded(service: Service, page: str, asked: Mapping[str, Any]) -> Any:
    try:
        library = service.open_library()
        if library is None:
            return []
        with library:
            return shown(library, page, asked)
    except CupbowError as error:
        return ui.card(say("change.title"), html.P(retold(str(error)), className="note"))


def shown(library: Library, page: str, asked: Mapping[str, Any]) -> list[Any]:
    student_id = str(asked["student"])
    with library.read() as session:
        student = session.get(Student, student_id)
    standing = picks.current(library, student_id=student_id)
    found = _outlook(library, asked)
    fault, said = str(asked.get("fault") or ""), str(asked.get("said") or "")
    told = (
        html.P(fault or said, className="change-said", role="alert" if fault else "status") if fault or said else None
    )
    if asked.get("brief"):
        return [told, *_brief(found, standing, page, asked)]
    parts: list[Any] = [told, _chain(found, page)]
    if standing is not None and student is not None:
        parts.append(_standing(standing, student, page))
    parts.append(_candidates(found, standing, page))
    return parts


def _brief(found: Outlook, standing: Picked | None, page: str, asked: Mapping[str, Any]) -> list[Any]:
    """The card of the progress page: the pick, else the first candidate."""
    ranked = found.candidates.ranked
    to = f"/students/lesson/{found.today.lesson.id}"
    extra: dict[str, Any] = {"data-go": ""}
    if standing is not None:
        others = html.A(say("change.chain_link"), href=to, className="button", **extra)
        facts = _facts_of(standing.evidence, standing)
        body = [
            _level(standing.key, standing.today_deg, standing.u95_deg, (standing.low_deg, standing.high_deg), None),
            facts,
            html.Div([others], className="row no-print"),
        ]
        return [
            _one_card(_thought(standing), body, note=say("change.since", day=load_settings().date(standing.picked_at)))
        ]
    if not ranked:
        reason = html.P(_sentence(found.candidates.reason), className="note")
        return [ui.card(say("change.title"), reason, html.A(say("change.chain_link"), href=to, **extra))]
    c = ranked[0]
    buttons: list[Any] = [_pick_button(c, page, say("change.make"))]
    if len(ranked) > 1:
        more = count("change.others", len(ranked) - 1)
        buttons.append(html.A(more, href=to, className="button", **extra))
    body = [*_candidate_body(c), html.Div(buttons, className="row no-print")]
    return [_one_card(retold(c.title), body, note=say("change.proposed"))]


def of_folder(sets: Sequence[SwingSet], kind: str) -> html.Div:
    """The card for recordings that stand in no library: proposed, but not to be picked there."""
    *earlier, today = sets
    try:
        found = candidates(explain(today, earlier=earlier, kind=kind))
    except CupbowError as error:
        return html.Div(
            ui.card(say("change.title"), html.P(retold(str(error)), className="note")), className="change-place"
        )
    note = html.P(say("change.file_first"), className="note")
    if not found.ranked:
        reason = html.P(_sentence(found.reason), className="note")
        return html.Div(ui.card(say("change.title"), reason), className="change-place")
    c = found.ranked[0]
    return html.Div(
        _one_card(retold(c.title), [*_candidate_body(c), note], note=say("change.proposed")), className="change-place"
    )


def _one_card(title: str, body: list[Any], *, note: str) -> html.Section:
    return html.Section(
        [
            html.H2(say("change.title"), className="card-title"),
            html.P(title, className="change-thought"),
            html.P(note, className="note"),
            *body,
        ],
        className="card change-card",
    )


def _candidate_body(c: Candidate) -> list[Any]:
    facts = [
        ("gives", gives_words(c, language=LANGUAGE)),
        ("costs", costs_words(c, language=LANGUAGE)),
        ("overdone", overdone_words(c, language=LANGUAGE)),
        ("rests", rests_words(c, language=LANGUAGE)),
    ]
    notes = [html.P(_sentence(note), className="note") for note in c.notes]
    return [_level(c.key, c.today.mean, c.today.u95, (c.low_deg, c.high_deg), c.aim_deg), _facts(facts), *notes]


def _facts_of(evidence: Mapping[str, Any], standing: Picked) -> html.Dl:
    """As it was when it was picked."""
    told = evidence_words(evidence, language=LANGUAGE)
    facts = [(name, told[key]) for name, key in (("gives", "gives"), ("costs", "costs"), ("overdone", "overdone"),
                                                        ("rests", "rests_on")) if told.get(key)]  # fmt: skip
    return _facts(facts)


def _facts(facts: list[tuple[str, str]]) -> html.Dl:
    rows = []
    for name, text in facts:
        rows.append(html.Div([html.Dt(say(f"change.{name}")), html.Dd([html.Div(x) for x in text.split("; ")])]))
    return html.Dl(rows, className="change-facts")


def _pick_button(c: Candidate, page: str, words: str) -> html.Button:
    label = ui.aria(label=f"{words}: {retold(c.title)}")
    return html.Button(words, id={"type": f"{page}-pick", "key": c.key}, type="button", className="strong", **label)


# -- the chain -----------------------------------------------------------------------------------------
def _chain(found: Outlook, page: str) -> html.Section:
    account = found.account
    kind = ", ".join(x for x in (found.club, say(f"kind.{account.kind}")) if x)
    used = say("change.used", n=account.swings, kind=kind, recordings=account.recordings)
    gone = ", ".join(say("change.left_out_item", n=n, why=retold(why)) for why, n in account.left_out.items())
    parts: list[Any] = [
        html.H2(say("change.chain"), className="card-title"),
        _clubs(found, page),
        html.P(chain_says(account, language=LANGUAGE), className="change-say"),
        html.P(used + (" " + say("change.left_out", what=gone) if gone else ""), className="note"),
    ]
    if account.links:
        parts.append(_evidence(account))
    if account.shares:
        parts.append(_each_swing(account))
    return html.Section(parts, className="card change-chain")


def _clubs(found: Outlook, page: str) -> html.Div | None:
    """One chain a club: which, where the lesson had several."""
    if len(found.clubs) < 2:
        return None
    buttons = [
        html.Button(
            club,
            id={"type": f"{page}-change-club", "key": club},
            type="button",
            **ui.aria(pressed="true" if club == found.club else "false"),
        )
        for club in found.clubs
    ]
    return html.Div(buttons, className="segments no-print", role="group", **ui.aria(label=say("change.club")))


def _evidence(account: Account) -> html.Details:
    told = [x for x in account.links if x.explained or x.verdict in ("geometry and swings", "swings alone")]
    rest = [x for x in account.links if x not in told]
    rows = [html.Li(_link(x)) for x in [*told, *rest]]
    rows += [html.Li(html.P(ball_says(b, language=LANGUAGE))) for b in account.balls]
    if not account.balls:
        rows.append(html.Li(html.P(say("change.no_flight"), className="note")))
    return html.Details(
        [html.Summary(html.H3(say("change.evidence", n=len(account.links)))), html.Ul(rows, className="change-links")],
        className="fold change-fold",
    )


def _link(x: Link) -> list[Any]:
    head = f"{capital(_subject(x.rule.cause))} → {_subject(x.rule.effect)}"
    verdict = say(f"change.verdict_{x.verdict.replace(' ', '_')}")
    return [
        html.P([html.Strong(head), " ", html.Span(verdict, className="aside")]),
        html.P(says(x, language=LANGUAGE)),
        html.P(say("change.saying", says=retold(x.rule.says), source=retold(x.rule.source)), className="note"),
    ]


def _each_swing(account: Account) -> html.Details:
    rows = []
    for share in account.shares[:MOST_SHARES]:
        by = "; ".join(
            say("change.made_by", cause=_subject(k), deg=_signed(e.value), u95=max(round(e.u95), 1))
            for k, e in share.by.items()
        )
        rows.append([share.swing, _subject(share.effect), _signed(share.out_deg), by or say("change.made_by_none")])
    heads = [say("change.swing"), say("change.late"), say("change.out"), say("change.by_geometry")]
    return html.Details(
        [html.Summary(html.H3(say("change.each_swing"))), ui.table(say("change.each_swing"), heads, rows)],
        className="fold change-fold",
    )


def _signed(deg: float) -> str:
    return f"{number(deg, sign=True)}°"


def _subject(key: str) -> str:
    return subject_words(key, language=LANGUAGE)


def _sentence(text: str | None) -> str:
    """A reason or note as a sentence of its own."""
    return capital(retold(text or "")) + "."


def _thought(standing: Picked) -> str:
    return picks.thought_words(standing, language=LANGUAGE)


# -- the pick ------------------------------------------------------------------------------------------
def _standing(standing: Picked, student: Student, page: str) -> html.Section:
    """The change that stands, to be put in the coach's own words."""

    def field(key: str, control: Any, label: str, cls: str = "") -> html.Label:
        return html.Label([html.Span(label), control], className=f"field {cls}".strip())

    def own(key: str) -> dict[str, str]:
        return {"type": f"{page}-pick-field", "key": key}

    plan = picks.plan_of(standing)
    days = (plan.next_lesson_on - plan.made_on).days if plan and plan.next_lesson_on else 14
    weeks = dcc.Input(id=own("weeks"), type="number", min=1, max=8, step=1, value=max(round(days / 7), 1))
    form = html.Div(
        [
            field(
                "thought",
                dcc.Input(id=own("thought"), type="text", value=_thought(standing), maxLength=picks.MOST_WORDS),
                say("change.thought"),
                "grow",
            ),
            field("low", dcc.Input(id=own("low"), type="number", step=1, value=standing.low_deg), say("change.low")),
            field(
                "high", dcc.Input(id=own("high"), type="number", step=1, value=standing.high_deg), say("change.high")
            ),
            field("weeks", weeks, say("change.weeks")),
        ],
        className="filters no-print",
    )
    keep = html.Button(say("change.keep"), id={"type": f"{page}-pick-do", "key": "keep"}, type="button")
    drop = html.Button(
        say("change.drop"), id={"type": f"{page}-pick-do", "key": "drop"}, type="button", className="quiet"
    )
    parts: list[Any] = [
        html.H2(say("change.title"), className="card-title"),
        html.P(_thought(standing), className="change-thought"),
        html.P(say("change.since", day=load_settings().date(standing.picked_at)), className="note"),
        _level(standing.key, standing.today_deg, standing.u95_deg, (standing.low_deg, standing.high_deg), None),
        form,
    ]
    buttons: list[Any] = [keep, drop]
    if plan is None:
        parts.append(html.P(say("change.no_plan"), className="note"))
    else:
        if student.needs_consent(date.today()):  # before the file leaves this machine
            parts.append(html.P(say("student.consent"), className="warn"))
        buttons.append(
            html.A(say("change.plan_file"), href=f"{PLAN}?pick={standing.id}", className="button", download="")
        )
    parts.append(html.Div(buttons, className="row no-print"))
    if plan is not None:
        rows = []
        for day in plan.days:
            done = []
            for block, drill in plan.blocks_of(day):
                title = drill.in_language(drill.title, LANGUAGE)
                done.append(say("change.block", n=block.tries, drill=title, purpose=say(f"change.{block.purpose}")))
            rows.append([say("change.day", n=day.on_day), html.Ul([html.Li(x) for x in done])])
        table = ui.table(say("change.plan"), [say("change.when"), say("change.what")], rows)
        parts.append(html.Details([html.Summary(html.H3(say("change.plan"))), table], className="fold change-fold"))
    return html.Section(parts, className="card change-card")


def _candidates(found: Outlook, standing: Picked | None, page: str) -> html.Section:
    ranked = found.candidates.ranked
    parts: list[Any] = [html.H2(say("change.could"), className="card-title")]
    if not ranked:
        parts.append(html.P(_sentence(found.candidates.reason)))
    for n, c in enumerate(ranked, 1):
        chosen = standing is not None and standing.key == c.key
        button = html.P(say("change.stands"), className="note") if chosen else _pick_button(c, page, say("change.make"))
        head = html.H3(f"{n}. {retold(c.title)}", className="change-head")
        parts.append(
            html.Div([head, *_candidate_body(c), html.Div(button, className="row no-print")], className="change-one")
        )
    if found.candidates.passed_over:
        rows = [
            html.Li(say("change.passed", movement=capital(_subject(k)), why=retold(why)))
            for k, why in found.candidates.passed_over.items()
        ]
        fold = html.Details(
            [html.Summary(html.H3(say("change.passed_over"))), html.Ul(rows, className="change-links")],
            className="fold change-fold",
        )
        parts.append(fold)
    parts.append(html.P(say("change.movement_only"), className="note"))
    return html.Section(parts, className="card")


# -- drawn ---------------------------------------------------------------------------------------------
def _level(
    key: str, today: float | None, u95: float | None, band: tuple[float, float], aim: float | None
) -> ui.Drawing | None:
    return None if today is None else ui.Drawing(wide=level_svg(key, today, u95 or 0.0, band, aim))


def level_svg(key: str, today: float, u95: float, band: tuple[float, float], aim: float | None) -> str:
    """The level: the bubble as long as today's doubt, the marks of the band, a dashed ghost where it is to go."""
    width, height, left, right, y = 300.0, 66.0, 14.0, 286.0, 24.0
    angle = key.partition("@")[0]
    edges = [today - u95, today + u95, *band, *([aim] if aim is not None else [])]
    reach = comfort(angle) if ".." not in key else None
    low, high = min(edges), max(edges)
    pad = max(0.15 * (high - low), 3.0)
    low, high = low - pad, high + pad

    def x(value: float) -> float:
        return left + (value - low) / (high - low) * (right - left)

    unsure = any(today - u95 < edge < today + u95 for edge in band)
    half = max((x(today + u95) - x(today - u95)) / 2, 8.0)
    middle = x(today)
    body = [
        f'<rect class="vial" x="2" y="{y - 14}" width="{width - 4:g}" height="28" rx="14" stroke-width="2"/>',
        f'<path class="change-band" d="M{x(band[0]):.1f} {y + 14}V{y - 14}H{x(band[1]):.1f}V{y + 14}Z"/>',
    ]
    if reach is not None and reach[0] > low:
        body.append(f'<path class="change-end" d="M{x(reach[0]):.1f} {y - 12}V{y + 12}"/>')
    if reach is not None and reach[1] < high:
        body.append(f'<path class="change-end" d="M{x(reach[1]):.1f} {y - 12}V{y + 12}"/>')
    if aim is not None:
        body.append(f'<ellipse class="change-ghost" cx="{x(aim):.1f}" cy="{y}" rx="{half:.1f}" ry="10"/>')
        way = 1 if aim > today else -1
        start, end = middle + way * half, x(aim) - way * half
        if (end - start) * way > 8:
            tip = f"M{end - way * 7:.1f} {y - 5}L{end:.1f} {y}L{end - way * 7:.1f} {y + 5}"
            body.append(f'<path class="change-way" d="M{start:.1f} {y}H{end:.1f}{tip}"/>')
    cls = "change-today unsure" if unsure else "change-today"
    body.append(f'<ellipse class="{cls}" cx="{middle:.1f}" cy="{y}" rx="{half:.1f}" ry="10"/>')
    for edge in band:
        body.append(f'<path class="mark" stroke-width="3" d="M{x(edge):.1f} {y - 19}V{y + 19}"/>')
    minus, plus = say(f"minus.{angle}"), say(f"plus.{angle}")
    body.append(f'<text class="note" x="2" y="{height - 4}">{escape(minus)}</text>')
    body.append(f'<text class="note end" x="{width - 2:g}" y="{height - 4}">{escape(plus)}</text>')
    spoken = say(
        "change.level",
        what=_subject(key),
        today=side_words(key, today, language=LANGUAGE),
        u95=max(round(u95), 1),
        low=_signed(band[0]),
        high=_signed(band[1]),
    )
    return (
        f'<svg class="drawing change-level" viewBox="0 0 {width:g} {height:g}" role="img" '
        f'aria-label="{escape(spoken)}">{"".join(body)}</svg>'
    )
