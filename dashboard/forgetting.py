"""Forgetting a student wholly, at the end of the student's page: what goes, what stays, and how far it is.

It is what `cupbow forget` does (`imu.library.forget`); `dashboard.service` runs it beside the pages.
"""

from __future__ import annotations

import asyncio
import shlex
from typing import Any

from dash import Dash, Input, Output, State, dcc, html, no_update
from fastapi.responses import PlainTextResponse, Response, StreamingResponse

from dashboard import components as ui
from dashboard.service import Forgetting, Service
from dashboard.words import count, listed, say
from imu.errors import CupbowError
from imu.library.forget import Forgotten, Going

ARCHIVES = "/archives"
POLL_MS = 400
COUNTED = {
    "forget.lessons": "lessons",
    "forget.practices": "practices",
    "forget.recordings": "recordings",
    "forget.swings": "swings",
    "forget.tries": "tries",
    "forget.letters": "letters",
    "forget.uploads": "uploads",
}
ALWAYS = ("lessons", "recordings", "swings", "letters")
"""Said also where there is none."""


def place() -> html.Section:
    """Where it stands on the student's page; what would go is counted when it is asked for."""
    button = html.Button(say("forget.open"), id="forget-look", type="button", className="quiet")
    return html.Section(button, id="forget", className="forget no-print")


def poll() -> dcc.Interval:
    return dcc.Interval(id="forget-poll", interval=POLL_MS, disabled=True)


def register(app: Dash, service: Service, *, page: str, body: str) -> None:
    """Callbacks for the students' pages below `page`, whose content is in the element `body`."""

    def identity(pathname: str | None) -> str:
        return (pathname or "").removeprefix(page).strip("/")

    @app.callback(
        Output("forget", "children"),
        Input("forget-look", "n_clicks"),
        State("url", "pathname"),
        prevent_initial_call=True,
    )
    async def look(clicks: int | None, pathname: str) -> Any:
        return await asyncio.to_thread(_panel, service, identity(pathname), page) if clicks else no_update

    @app.callback(
        Output(body, "children", allow_duplicate=True),
        Output("forget-said", "children"),
        Output("forget-poll", "disabled", allow_duplicate=True),
        Input("forget-do", "n_clicks"),
        State("forget-name", "value"),
        State("url", "pathname"),
        prevent_initial_call=True,
    )
    async def do(clicks: int | None, typed: str | None, pathname: str) -> Any:
        if not clicks:
            return no_update, no_update, no_update
        try:
            await asyncio.to_thread(service.forget, identity(pathname), typed or "")
        except CupbowError as error:
            return no_update, str(error), no_update
        return view(Forgetting(), identity(pathname), page), no_update, False

    @app.callback(
        Output(body, "children", allow_duplicate=True),
        Output("forget-poll", "disabled", allow_duplicate=True),
        Input("forget-poll", "n_intervals"),
        State("url", "pathname"),
        prevent_initial_call=True,
    )
    async def watch(_polls: int, pathname: str) -> Any:
        state = service.forgetting(identity(pathname)) if (pathname or "").startswith(page) else None
        if state is None:
            return no_update, True
        return view(state, identity(pathname), page), state.over

    @app.server.get(ARCHIVES + "/{student_id}", include_in_schema=False)
    async def archive(student_id: str) -> Response:
        try:
            size, chunks = await asyncio.to_thread(service.archive_of, student_id)
        except CupbowError as error:
            return PlainTextResponse(str(error) + "\n", status_code=404)
        name = f"student-{student_id[:8]}.zip"
        headers = {"Content-Disposition": f'attachment; filename="{name}"', "Content-Length": str(size)}
        return StreamingResponse(chunks, media_type="application/zip", headers=headers)


# -- what is shown -------------------------------------------------------------------------------------


def _panel(service: Service, student_id: str, page: str) -> Any:
    """What would go, what can't be reached, and the confirmation."""
    try:
        going = service.would_forget(student_id)
    except CupbowError as error:
        return ui.fault(say("forget.failed"), say("forget.failed_do"), where=str(error), action=_to(page))
    (name,) = going.names
    command = f"cupbow export FILE.zip --student {shlex.quote(name)}"
    return ui.card(
        say("forget.title", name=name),
        html.H3(say("forget.goes")),
        html.P(say("forget.goes_list", list=counted(going)), id="forget-goes"),
        html.P(say("forget.goes_too")),
        html.H3(say("forget.stays")),
        _reach(going),
        html.H3(say("forget.keep")),
        html.P(html.A(say("forget.keep_do"), href=f"{ARCHIVES}/{student_id}", className="button", download="")),
        html.P(say("forget.keep_note", command=command), className="note"),
        html.Label(
            [
                html.Span(say("forget.type", name=name)),
                dcc.Input(id="forget-name", type="text", value="", autoComplete="off", maxLength=200),
            ],
            className="field",
        ),
        html.P("", id="forget-said", role="alert"),
        html.Div(html.Button(say("forget.do"), id="forget-do", type="button", className="strong")),
        kind="forget-panel",
    )


def view(state: Forgetting, student_id: str, page: str) -> list[Any]:
    """How far it is; or what was done; or why it was not."""
    if state.fault:
        action = _to(f"{page}/{student_id}", say("forget.again"))
        return [ui.fault(say("forget.failed"), say("forget.failed_do"), where=state.fault, action=action)]
    if state.done is not None:
        return _done(state.done, page)
    percent = round(100 * state.fraction)
    said = say("forget.running", step=say(f"forget_step.{state.step or 'waits'}"))
    bar = html.Div(
        html.Div(style={"width": f"{percent}%"}),
        className="progress",
        role="progressbar",
        **ui.aria(label=said, valuemin="0", valuemax="100", valuenow=str(percent)),
    )
    note = html.P(say("forget.running_note"), className="note")
    return [html.Section([html.H1(said, className="say"), bar, note], className="waiting")]


def _done(done: Forgotten, page: str) -> list[Any]:
    parts: list[Any] = [html.H1(say("forget.done", list=counted(done.gone)), className="say", id="forget-done")]
    if done.fault:
        parts.append(ui.fault(say("forget.unfinished", fault=done.fault), say("forget.unfinished_do")))
    if done.waiting:
        parts.append(html.P(say("forget.waiting"), className="warn"))
    if done.undeleted:
        parts.append(html.P(count("forget.undeleted", done.undeleted), className="warn"))
    if done.left:
        left = html.Ul([html.Li(one) for one in done.left], className="plain-list")
        parts.append(ui.card(say("forget.left"), left, html.P(say("forget.left_do"), className="note")))
    elif done.finished:
        parts.append(html.P(say("forget.done_clean")))
    parts += [ui.card(say("forget.stays"), _reach(done.gone)), html.P(_to(page))]
    return [html.Div(parts, className="library")]


def counted(going: Going) -> str:
    """3 lessons, 5 recordings and 15 swings."""
    numbers = {words: getattr(going, name) for words, name in COUNTED.items()}
    return listed([count(words, n) for words, n in numbers.items() if n or COUNTED[words] in ALWAYS])


def _reach(going: Going) -> html.Ul:
    return html.Ul([html.Li(say(f"reach.{key}")) for key in going.reach], className="plain-list")


def _to(href: str, words: str = "") -> html.A:
    extra: dict[str, Any] = {"data-go": ""}
    return html.A(words or say("students.page"), href=href, className="button", **extra)
