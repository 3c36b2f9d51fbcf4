"""The dashboard: the shell around the pages, and what may reach it.

`create_app(service)` gives a Dash application on FastAPI; its `server` is the ASGI application.
"""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

from dash import Dash, Input, Output, dcc, html
from fastapi import FastAPI
from fastapi.responses import HTMLResponse, PlainTextResponse, Response
from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from dashboard import components as ui
from dashboard.downloads import download
from dashboard.pages import Page, add, compare, letter, progress, students, swing
from dashboard.service import Service
from dashboard.words import LANGUAGE, say
from imu.errors import CupbowError

if TYPE_CHECKING:
    from dashboard.live_room import Room

PAGES: tuple[Page, ...] = (swing.PAGE, compare.PAGE, progress.PAGE, letter.PAGE, students.PAGE, add.PAGE)
"""In the order of the navigation; the first is shown at `/`."""

ASSETS = Path(__file__).parent / "assets"

INDEX = """<!DOCTYPE html>
<html lang="__LANGUAGE__">
<head>
{%metas%}
<title>{%title%}</title>
{%favicon%}
{%css%}
</head>
<body>
{%app_entry%}
{%config%}
{%scripts%}
{%renderer%}
</body>
</html>""".replace("__LANGUAGE__", LANGUAGE)

POLICY = (
    "default-src 'self'; script-src 'self' 'unsafe-inline'; style-src 'self' 'unsafe-inline'; "
    "img-src 'self' data: blob:; font-src 'self' data:; connect-src 'self' data:; worker-src 'self' blob:; "
    "object-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
)
"""The browser itself refuses whatever would leave the machine."""


def create_app(service: Service, room: Room | None = None) -> Dash:
    """The whole application over one service. With a room it has the live page too, in the same server."""
    app = Dash(
        "dashboard",
        backend="fastapi",
        assets_folder=str(ASSETS),
        index_string=INDEX,
        title=say("app.title"),
        update_title="",
        meta_tags=[{"name": "viewport", "content": "width=device-width, initial-scale=1"}],
        suppress_callback_exceptions=True,
        add_log_handler=False,
    )
    live = room is not None
    app.layout = _shell(service, live=live)
    for page in PAGES:
        page.register(app, service)

    @app.callback(Output("page-nav", "children"), Input("url", "pathname"))
    def navigation(pathname: str) -> list[Any]:
        return _links(pathname, live=live)

    server: FastAPI = app.server
    server.add_middleware(Guard, pages=tuple(page.path for page in PAGES))
    if room is not None:
        from dashboard.live import attach

        service.when_forgotten.append(room.forget)
        attach(server, room, nav=[(page.label, page.path) for page in PAGES])

    @server.get("/files/{key:path}", include_in_schema=False)
    async def files(key: str, what: str = "results.json") -> Response:
        try:
            found = await asyncio.to_thread(download, service, key, what)
        except CupbowError as error:
            return PlainTextResponse(str(error) + "\n", status_code=404)
        return Response(found.body, media_type=found.media_type, headers={"Content-Disposition": found.disposition})

    @server.get("/{rest:path}", include_in_schema=False)
    async def missing(rest: str) -> Response:
        link = f'<a href="{PAGES[0].path}">{say("page.missing_do")}</a>'
        body = (
            f'<!DOCTYPE html><html lang="{LANGUAGE}"><title>{say("app.title")}</title><p>{say("page.missing")} {link}'
        )
        return HTMLResponse(body, status_code=404)

    return app


def _shell(service: Service, *, live: bool) -> html.Div:
    return html.Div(
        [
            dcc.Location(id="url", refresh=False),
            html.A(say("app.skip"), href="#main", className="skip"),
            html.Header(
                html.Div(
                    [
                        ui.brand(),
                        html.Nav(
                            _links("/", live=live), id="page-nav", className="nav", **ui.aria(label=say("app.pages"))
                        ),
                        html.Div(id="page-who", className="who"),
                    ],
                    className="head-in",
                ),
                className="head",
            ),
            html.Main([page.layout(service) for page in PAGES], id="main", className="page", tabIndex="-1"),
            html.Footer(say("app.caution"), className="foot"),
        ]
    )


def _links(pathname: str, *, live: bool) -> list[Any]:
    here = next((p for p in PAGES if (pathname or "").startswith(p.path)), PAGES[0])
    links = [html.A(p.label, href=p.path, **(ui.aria(current="page") if p is here else {})) for p in PAGES]
    return [html.A(say("live.page"), href="/live"), *links] if live else links


# -- who may ask -----------------------------------------------------------------------------------

LOCAL = frozenset({"localhost", "127.0.0.1", "[::1]"})


class Guard:
    """Lets in only pages of this server, asked for by a local name, and gives links their page.

    A foreign page in the same browser could otherwise reach the loopback interface: by a name that
    it points here (Host), or by sending forms or opening sockets (Origin).
    """

    def __init__(self, app: ASGIApp, *, pages: tuple[str, ...]) -> None:
        self.app = app
        self.pages = pages

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] not in ("http", "websocket"):
            await self.app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        host, origin = headers.get("host", ""), headers.get("origin")
        if _name(host) not in LOCAL or (origin is not None and urlsplit(origin).netloc != host):
            await self._refuse(scope, receive, send)
            return
        if scope["type"] == "http" and any(scope["path"] == p or scope["path"].startswith(p + "/") for p in self.pages):
            # Every link of a page is the one document; its script reads the rest from the address.
            scope = {**scope, "path": "/", "raw_path": b"/"}

        async def with_policy(message: Message) -> None:
            if message["type"] == "http.response.start":
                out = MutableHeaders(scope=message)
                out["Content-Security-Policy"] = POLICY
                out["X-Content-Type-Options"] = "nosniff"
                out["Referrer-Policy"] = "no-referrer"
            await send(message)

        await self.app(scope, receive, with_policy)

    async def _refuse(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008})
            return
        answer = PlainTextResponse("Open the dashboard by its own local address.\n", status_code=403)
        await answer(scope, receive, send)


def _name(host: str) -> str:
    """The host without its port."""
    return host.rsplit(":", 1)[0] if not host.endswith("]") else host
