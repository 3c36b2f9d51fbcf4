"""The letter page: the letter home as it will be printed, and its words to change.

Its link says which letter: `/letter?a=…&b=…&kind=…&targets=…`, sets as on the compare page. Names and
words never stand in a link; they are kept in the user's data folder, readable by its owner alone.
"""

from __future__ import annotations

import asyncio
import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from dash import Dash, Input, Output, State, dcc, html, no_update
from fastapi.responses import PlainTextResponse, Response

from dashboard import components as ui
from dashboard.pages import Page
from dashboard.pages.compare import Choice, compared, filled, pool_of, waiting
from dashboard.service import Service
from dashboard.sets import Offer, Pending, day_words, in_library, lesson_id, offer
from dashboard.words import LANGUAGE, retold, say
from imu.compare import Comparison
from imu.errors import CupbowError, UsageError
from imu.measured import write_whole
from imu.report import PAPERS, Change, Letter, Words, draft_letter, letter_html, letter_pdf, load_words, save_words

PATH = "/letter"
FILE = "/letter-file"
POLL_MS = 500

DETAILS = ("student", "coach", "place", "until")
LONG = ("picture", "changed", "unsaid", "steps", "caution")
NUMBERS = ("weeks", "times_a_week")
FIELDS = (*DETAILS, *(f.name for f in fields(Words)))
MOST = 2000
"""Letters of one field."""


def layout(service: Service) -> html.Div:
    return html.Div(
        [
            dcc.Interval(id="letter-poll", interval=POLL_MS, disabled=True),
            dcc.Store(id="letter-saved", data=0),
            html.Div(id="letter-body"),
        ],
        id="letter-page",
    )


def register(app: Dash, service: Service) -> None:
    @app.callback(
        Output("letter-body", "children"),
        Output("letter-poll", "disabled"),
        Input("url", "pathname"),
        Input("url", "search"),
        Input("letter-saved", "data"),
        Input("letter-poll", "n_intervals"),
    )
    async def show(pathname: str, search: str, saved: int, _polls: int) -> tuple[Any, bool]:
        if not _here(pathname):
            return [], True
        found = await asyncio.to_thread(view, service, Choice.of(search), saved=bool(saved))
        return found.body, not found.waiting

    @app.callback(
        Output("letter-saved", "data"),
        Output("letter-fault", "children"),
        Input("letter-keep", "n_clicks"),
        State("url", "search"),
        State("letter-saved", "data"),
        *(State(f"letter-{name}", "value") for name in FIELDS),
        prevent_initial_call=True,
    )
    async def keep(clicks: int | None, search: str, saved: int, *values: Any) -> tuple[Any, Any]:
        if not clicks:
            return no_update, no_update
        try:
            typed = dict(zip(FIELDS, values, strict=True))
            await asyncio.to_thread(_keep, service, Choice.of(search), typed)
        except CupbowError as error:
            return no_update, retold(str(error))
        return saved + 1, ""

    @app.server.get(FILE, include_in_schema=False)
    async def file(
        a: str = "", b: str = "", kind: str = "", targets: str = "", paper: str = "a4", kept_as: str = "pdf"
    ) -> Response:
        asked = {"a": a, "b": b, "kind": kind, "targets": targets}
        try:
            written = await asyncio.to_thread(_written, service, Choice.of(urlencode(asked)))
            if paper not in PAPERS:
                raise CupbowError(f"paper {paper!r} is not known")
            if kept_as == "html":
                body: bytes | str = letter_html(written.letter, paper=paper)
                media = "text/html; charset=utf-8"
            else:
                body = await asyncio.to_thread(letter_pdf, written.letter, paper=paper)
                media = "application/pdf"
        except CupbowError as error:
            return PlainTextResponse(retold(str(error)) + "\n", status_code=404)
        name = f"letter.{'html' if kept_as == 'html' else 'pdf'}"
        return Response(body, media_type=media, headers={"Content-Disposition": f'attachment; filename="{name}"'})


PAGE = Page(PATH, say("letter.page"), layout, register)


def _here(pathname: str | None) -> bool:
    return (pathname or "").rstrip("/") == PATH


# -- which letter ----------------------------------------------------------------------------------
@dataclass(frozen=True)
class View:
    body: list[Any]
    waiting: bool = False


@dataclass(frozen=True)
class Written:
    """A letter with its words' drafts, the details typed in, and where its words are kept."""

    letter: Letter
    drafts: Words
    details: dict[str, str]
    words_file: Path
    details_file: Path


def _sets(service: Service, choice: Choice) -> tuple[Choice, Offer, Offer]:
    choice = filled(service, choice, pool_of(service, choice))
    a, b = (offer(service, key) if key else None for key in (choice.a, choice.b))
    if a is None or b is None:
        raise CupbowError(say("compare.no_two") if not (choice.a and choice.b) else say("compare.unknown"))
    return choice, a, b


def _written(service: Service, choice: Choice, comparison: Comparison | None = None) -> Written:
    choice, a, b = _sets(service, choice)
    found = comparison or compared(service, choice, a, b)
    if isinstance(found, Pending):
        raise CupbowError(say("compare.still", name=found.state.entry.name, left=found.left))
    name = hashlib.sha256(f"{a.key}\n{b.key}".encode()).hexdigest()[:20]
    words_file = service.letter_file(f"{name}.words.toml")
    details_file = service.letter_file(f"{name}.json")
    details = _details(details_file)
    pair = found.pairs[0]
    letter, drafts = draft_letter(
        pair,
        student=details["student"],
        coach=details["coach"],
        when=(a.title, b.title) if a.title != b.title else (a.label, b.label),
        place=details["place"],
        date=day_words(b.day, year=True) if b.day else "",
        lesson=b.club,
        until=details["until"],
        kept=load_words(words_file),
        change=_picked(service, b),
        language=LANGUAGE,
    )
    return Written(letter, drafts, details, words_file, details_file)


def _picked(service: Service, later: Offer) -> Change | None:
    """The change that stands for the student whose lesson this is."""
    from imu.library import finding, picks

    library = service.library() if in_library(later.key) else None
    if library is None:
        return None
    with library:
        try:
            lesson = finding.lesson_of_id(library, lesson_id(later.key))
        except UsageError:
            return None
        return picks.for_letter(picks.current(library, student_id=lesson.student_id), language=LANGUAGE)


def _details(path: Path) -> dict[str, str]:
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        found = {}
    return {name: str(found.get(name, "")) for name in DETAILS}


def _keep(service: Service, choice: Choice, typed: Mapping[str, Any]) -> None:
    """Keeps what was typed; what still reads as it was proposed goes on following the numbers."""
    before = _written(service, choice)
    details = {name: _text(typed[name]) for name in DETAILS}
    old = before.letter.words
    values: dict[str, Any] = {}
    for f in fields(Words):
        raw = typed[f.name]
        if f.name in NUMBERS:
            number = old_number = getattr(old, f.name)
            number = int(raw) if isinstance(raw, (int, float)) and 0 <= raw <= 8 else old_number
            values[f.name] = number
        elif f.name == "steps":
            values[f.name] = tuple(line.strip() for line in _text(raw).splitlines() if line.strip())
        else:
            values[f.name] = _text(raw)
    _private(before.details_file, lambda tmp: tmp.write_text(json.dumps(details), encoding="utf-8"))
    # A draft that names the student has to follow a change of name: only what differs is an edit.
    edits = {name: value for name, value in values.items() if value != getattr(old, name)}
    after = _written(service, choice)
    words = replace(after.letter.words, **edits)
    save_words(before.words_file, words, after.drafts)
    before.words_file.chmod(0o600)


def _private(path: Path, write: Any) -> None:
    write_whole(path, write)
    path.chmod(0o600)


def _text(value: Any) -> str:
    return str(value or "").strip()[:MOST]


# -- what is shown ---------------------------------------------------------------------------------
def view(service: Service, choice: Choice, *, saved: bool = False) -> View:
    try:
        choice, a, b = _sets(service, choice)
        found = compared(service, choice, a, b)
        if isinstance(found, Pending):
            return View([waiting(found, found.left)], waiting=True)
        written = _written(service, choice, found)
    except CupbowError as error:
        return View(
            [ui.fault(say("compare.cannot_compare"), say("compare.cannot_compare_do"), where=retold(str(error)))]
        )
    asked = {"a": choice.a, "b": choice.b, "kind": choice.kind, "targets": ",".join(choice.targets or ())}
    to = {k: v for k, v in asked.items() if v}
    downloads = [
        html.A(say(f"letter.{word}"), href=f"{FILE}?{urlencode(to | more)}", className="button", download=name)
        for word, more, name in (
            ("pdf", {"paper": "a4"}, "letter.pdf"),
            ("pdf_letter", {"paper": "letter"}, "letter.pdf"),
            ("html", {"kept_as": "html"}, "letter.html"),
        )
    ]
    form = html.Section(
        [
            html.Div([_field(written, name) for name in DETAILS], className="pairs"),
            *(_field(written, f.name) for f in fields(Words) if f.name not in NUMBERS),
            html.Div([_field(written, name) for name in NUMBERS], className="pairs"),
            html.Div(
                [
                    html.Button(say("letter.keep"), id="letter-keep", type="button", className="strong"),
                    html.Span(say("letter.kept") if saved else "", role="status"),
                ],
                className="row",
            ),
            html.P("", id="letter-fault", role="alert"),
        ],
        className="card letter-form no-print",
    )
    page = letter_html(written.letter)
    return View(
        [
            html.H1(say("letter.intro"), className="say"),
            html.Div([html.Span(f"{a.label}; {b.label}"), html.Span(say("letter.say"))], className="say-under"),
            html.Div(
                [
                    form,
                    html.Div(
                        [
                            html.Div(downloads, className="row no-print letter-downloads"),
                            ui.Preview(id="letter-preview", page=page, label=say("letter.preview")),
                        ],
                        className="main-column",
                    ),
                ],
                className="letter-columns",
            ),
        ]
    )


def _field(written: Written, name: str) -> html.Label:
    words = written.letter.words
    value: Any = written.details[name] if name in DETAILS else getattr(words, name)
    identity = f"letter-{name}"
    if name in NUMBERS:
        control: Any = dcc.Input(id=identity, type="number", min=0, max=8, step=1, value=value)
    elif name in LONG:
        text = "\n".join(value) if name == "steps" else value
        rows = max(2, sum(1 + len(line) // 44 for line in text.splitlines()))
        control = dcc.Textarea(id=identity, value=text, rows=rows, maxLength=MOST)
    else:
        control = dcc.Input(id=identity, type="text", value=value, maxLength=200, autoComplete="off")
    return html.Label([say(f"letter.{name}"), control])
