"""The swing page: one recording, one swing, all that was read of it.

Its link says what is shown: `/swings/<recording>?swing=14&at=top&view=real`. The server answers to
recording and swing; place and view are the browser's own.
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from typing import Any
from urllib.parse import parse_qs, quote, unquote

from dash import Dash, Input, Output, State, dcc, html, no_update

from dashboard import bandsets
from dashboard import components as ui
from dashboard.doubts import doubts
from dashboard.figures import NUMBERS, means_figure, rail_item, swing_figure
from dashboard.lever import lever_figure
from dashboard.pages import Page
from dashboard.sentence import sentence
from dashboard.service import FILED, Busy, Entry, Failed, Ready, Service
from dashboard.words import count, group, listed, number, reasons, retold, say, within
from imu.errors import CupbowError
from imu.measured import Measurement, Swing
from imu.recording import EVENTS
from imu.settings import load_settings

PATH = "/swings"
POLL_MS = 400


@dataclass(frozen=True)
class Choice:
    """What a link asks for; `swing` is None where the first is meant."""

    recording: str | None
    swing: int | None

    @classmethod
    def of(cls, pathname: str | None, search: str | None) -> Choice:
        rest = (pathname or "").removeprefix(PATH).strip("/")
        number = parse_qs((search or "").lstrip("?")).get("swing", [""])[0]
        return cls(unquote(rest) or None, int(number) if number.isascii() and number.isdigit() else None)


def link(entry: Entry, swing: int | None = None) -> str:
    return f"{PATH}/{quote(entry.key)}" + (f"?swing={swing}" if swing is not None else "")


def layout(service: Service) -> html.Div:
    return html.Div(
        [
            dcc.Interval(id="swing-poll", interval=POLL_MS, disabled=True),
            dcc.Store(id="swing-changed", data=0),
            dcc.Store(id="swing-shown"),
            html.Div(id="swing-chooser"),
            html.Div(id="swing-body"),
            # Stays in place when its content changes: who edits does not find it shut.
            html.Details(
                [html.Summary(html.H2(say("bands.title"), className="card-title")), html.Div(id="swing-bands")],
                id="swing-bands-card",
                className="card fold no-print",
                hidden=True,
            ),
        ],
        id="swing-page",
    )


def register(app: Dash, service: Service) -> None:
    """Callbacks. Each works in a thread: the event loop stays free for what streams."""

    @app.callback(
        Output("swing-chooser", "children"),
        Output("swing-body", "children"),
        Output("swing-bands", "children"),
        Output("swing-bands-card", "hidden"),
        Output("swing-poll", "disabled"),
        Output("page-who", "children"),
        Output("swing-shown", "data"),
        Input("url", "pathname"),
        Input("url", "search"),
        Input("swing-changed", "data"),
        Input("swing-poll", "n_intervals"),
        State("swing-shown", "data"),
    )
    async def show(pathname: str, search: str, _changed: int, _polls: int, shown: str | None) -> tuple[Any, ...]:
        if not (pathname in ("/", "") or (pathname or "").startswith(PATH)):
            return (no_update, no_update, no_update, no_update, True, no_update, no_update)
        found = await asyncio.to_thread(view, service, Choice.of(pathname, search))
        # What is being typed into the form of bands outlives a change of swing.
        bands = no_update if found.shown and found.shown == shown else found.bands
        return found.chooser, found.body, bands, found.bands is None, not found.waiting, found.who, found.shown

    @app.callback(
        Output("swing-changed", "data", allow_duplicate=True),
        Output("swing-band-editor", "fault"),
        Input("swing-band-editor", "asks"),
        State("swing-band-editor", "ask"),
        State("swing-changed", "data"),
        prevent_initial_call=True,
    )
    async def edit_bands(asks: int | None, ask: dict[str, Any] | None, changed: int) -> tuple[Any, Any]:
        if not asks or not ask:
            return no_update, no_update
        try:
            if "choose" in ask:
                await asyncio.to_thread(service.choose_bands, ask["choose"])
            else:
                await asyncio.to_thread(service.save_bands, ask["save"], ask["rows"])
        except CupbowError as error:
            return no_update, retold(str(error))
        return changed + 1, ""

    @app.callback(
        Output("swing-changed", "data", allow_duplicate=True),
        Input({"swing-do": "leave-out"}, "n_clicks"),
        State("url", "pathname"),
        State("url", "search"),
        State("swing-changed", "data"),
        prevent_initial_call=True,
    )
    async def leave_out(clicks: int | None, pathname: str, search: str, changed: int) -> Any:
        if not clicks:
            return no_update
        await asyncio.to_thread(_toggle, service, Choice.of(pathname, search))
        return changed + 1

    @app.callback(
        Output("swing-changed", "data", allow_duplicate=True),
        Input({"swing-do": "cancel"}, "n_clicks"),
        State("url", "pathname"),
        State("swing-changed", "data"),
        prevent_initial_call=True,
    )
    async def cancel(clicks: int | None, pathname: str, changed: int) -> Any:
        entry = _entry(service, Choice.of(pathname, ""))
        if not clicks or entry is None:
            return no_update
        await asyncio.to_thread(service.cancel, entry)
        return changed + 1

    @app.callback(
        Output("swing-changed", "data", allow_duplicate=True),
        Input({"swing-do": "again"}, "n_clicks"),
        State("url", "pathname"),
        State("swing-changed", "data"),
        prevent_initial_call=True,
    )
    async def again(clicks: int | None, pathname: str, changed: int) -> Any:
        entry = _entry(service, Choice.of(pathname, ""))
        if not clicks or entry is None:
            return no_update
        await asyncio.to_thread(lambda: service.open(entry, again=True))
        return changed + 1


PAGE = Page(PATH, say("page.swings"), layout, register)


# -- what is shown ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class View:
    """What a link shows: parts of the page; whether to ask again soon; what the bands belong to."""

    body: Any
    chooser: Any = None
    bands: Any = None
    who: str = ""
    shown: str = ""
    waiting: bool = False


def view(service: Service, choice: Choice) -> View:
    entries = service.recordings()
    entry = _entry(service, choice, entries)
    if not entries and entry is None:
        go: dict[str, Any] = {"data-go": ""}
        bring = html.Div(html.A(say("add.bring"), href="/add", className="button", **go))
        return View(ui.fault(say("recording.empty"), say("recording.empty_do"), where=str(service.root), action=bring))
    chooser = _chooser(service, entries, entry)
    if entry is None:
        missing = ui.fault(say("recording.unknown", name=choice.recording or ""), say("recording.unknown_do"))
        return View(missing, chooser)
    state = service.open(entry)
    if isinstance(state, Busy):
        return View(_waiting(state), chooser, waiting=True)
    if isinstance(state, Failed):
        return View(_failed(state), chooser)
    who = say(f"app.{state.measurement.handedness}_lead")
    return View(_measured(service, state, choice), chooser, _bands(service, state), who, state.identity)


def _entry(service: Service, choice: Choice, entries: list[Entry] | None = None) -> Entry | None:
    """The recording of a link; without one, the first that is there."""
    entries = service.recordings() if entries is None else entries
    if choice.recording is None:
        return entries[0] if entries else None
    if choice.recording.startswith(FILED):
        return service.entry(choice.recording)
    return next((e for e in entries if e.key == choice.recording), None)


def _toggle(service: Service, choice: Choice) -> None:
    entry = _entry(service, choice)
    state = service.open(entry) if entry else None
    if not isinstance(state, Ready) or not state.measurement.swings:
        return
    swing = _swing(state.measurement, choice)
    if swing is None:
        return
    if swing.index in service.left_out(state.entry):
        service.take_back(state.entry, swing.index)
    else:
        service.leave_out(state.entry, swing.index)


def _swing(measurement: Measurement, choice: Choice) -> Swing | None:
    if choice.swing is None:
        return measurement.swings[0]
    return next((s for s in measurement.swings if s.index == choice.swing), None)


def _chooser(service: Service, entries: list[Entry], current: Entry | None) -> html.Details:
    folders: dict[str, list[Entry]] = {}
    for entry in entries:
        folders.setdefault(entry.folder, []).append(entry)
    parts: list[Any] = []
    for folder, inside in folders.items():
        if folder:
            parts.append(html.H3(folder.replace("/", " / ")))
        parts.append(html.Ul([html.Li(_choice_link(service, e, e == current)) for e in inside]))
    title = current.name if current else say("recording.choose")
    return html.Details(
        [
            html.Summary([html.Strong(title), html.Span(_about(current) if current else "", className="aside")]),
            html.Nav(parts, className="chooser-body", **ui.aria(label=say("recording.here", root=service.root.name))),
        ],
        className="chooser no-print",
        # A list of one is no choice; without a choice the list is what the page is about.
        open=current is None,
    )


def _choice_link(service: Service, entry: Entry, current: bool) -> html.A:
    n = service.count_measured(entry)
    if n is not None:
        state = count("recording.swings", n)
    else:
        state = say("recording.failed") if service.failure(entry) else say("recording.not_measured")
    extra = {"data-go": ""} | (ui.aria(current="page") if current else {})
    parts = (entry.name, _about(entry), state)
    words = [html.Span(t, className="aside" if k else "") for k, t in enumerate(parts)]
    return html.A(words, href=link(entry), **extra)


def _about(entry: Entry) -> str:
    return ", ".join(part for part in (_day(entry.recorded_at), entry.club) if part)


def _day(stamp: str) -> str:
    from datetime import datetime

    try:
        when = datetime.fromisoformat(stamp)
    except ValueError:
        return ""
    return load_settings().day(when.date())


def _waiting(state: Busy) -> html.Section:
    percent = round(100 * min(max(state.fraction, 0.0), 1.0))
    name = say("recording.measuring", name=state.entry.name)
    bar = html.Div(
        html.Div(style={"width": f"{percent}%"}),
        className="progress",
        role="progressbar",
        **ui.aria(label=name, valuemin="0", valuemax="100", valuenow=str(percent)),
    )
    step = say("recording.queued") if state.queued else f"{percent} % {retold(state.step)}"
    return html.Section(
        [
            html.H1(name, className="say"),
            bar,
            html.P(step, className="note"),
            html.Div(html.Button(say("recording.cancel"), id={"swing-do": "cancel"}, type="button")),
        ],
        className="card waiting",
    )


def _failed(state: Failed) -> html.Section:
    retry = html.Div(html.Button(say("recording.again"), id={"swing-do": "again"}, type="button"))
    if state.cancelled:
        return ui.fault(say("recording.cancelled"), say("recording.unreadable_do"), action=retry)
    return ui.fault(
        say("recording.unreadable"), say("recording.unreadable_do"), where=retold(state.message), action=retry
    )


def _measured(service: Service, state: Ready, choice: Choice) -> list[Any]:
    measurement = state.measurement
    if not measurement.swings:
        return [
            ui.fault(say("recording.no_swing"), say("recording.no_swing_do")),
            html.Div([_recording_card(measurement, open=True)], className="below"),
        ]
    left_out = service.left_out(state.entry)
    swing = _swing(measurement, choice)
    rail = ui.Rail(
        id="swing-rail",
        items=[rail_item(s, href=link(state.entry, s.index), left_out=s.index in left_out) for s in measurement.swings],
        current=swing.index if swing else None,
        words={"rail": say("swing.rail"), "previous": say("swing.previous"), "next": say("swing.next")},
    )
    if swing is None:
        numbers = listed([str(s.index) for s in measurement.swings])
        return [
            rail,
            ui.fault(say("recording.no_swing_number", n=choice.swing, all=numbers), say("recording.unknown_do")),
        ]
    figure = swing_figure(
        swing, handedness=measurement.handedness, scales=state.scales, bands_name=service.bands().name
    )
    said = sentence(swing)
    out = swing.index in left_out
    heading = f"{said.headline}\n{state.entry.name}, {_place(swing, measurement)}"
    main = html.Div(
        [
            ui.Strip(id="swing-strip", figure=figure, heading=heading, file=f"{state.entry.name}-swing-{swing.index}"),
            html.Div(
                [
                    ui.Means(id="swing-means", figure=means_figure(measurement, kind=swing.kind, left_out=left_out)),
                    _recording_card(measurement),
                ],
                className="pair",
            ),
            _take_away(state.entry),
        ],
        className="main-column",
    )
    side = html.Div(
        [
            ui.Picture(id="swing-picture"),
            ui.Lever(id="swing-lever", figure=lever_figure(measurement, swing)),
            ui.Numbers(id="swing-numbers"),
            ui.card(say("unknown.title"), html.Ul([html.Li(t) for t in doubts(swing, measurement)]), kind="unknown"),
        ],
        className="side",
    )
    return [
        rail,
        html.H1(said.headline, className="say", id="swing-say"),
        html.P(said.also, className="say-more") if said.also else None,
        _under(swing, measurement, out),
        html.Div([main, side], className="columns"),
    ]


def _place(swing: Swing, measurement: Measurement) -> str:
    return say("swing.of", n=swing.index, m=len(measurement.swings))


def _under(swing: Swing, measurement: Measurement, out: bool) -> html.Div:
    grade = say(f"grade.{swing.grade}")
    if swing.reasons:
        grade = say("swing.with_reasons", grade=grade, reasons="; ".join(reasons(swing.reasons)))
    parts = [_place(swing, measurement), say(f"kind.{swing.kind}"), measurement.club]
    if swing.ball is not None:
        parts.append(say("swing.ball") if swing.ball else say("swing.no_ball"))
    parts.append(say("swing.quality", grade=grade))
    tempo = swing.tempo
    back, down, ratio = (tempo.get(k) for k in ("backswing_s", "downswing_s", "ratio"))
    if back is not None and down is not None and ratio is not None:
        parts.append(say("swing.tempo", back=number(back, 2), down=number(down, 2), ratio=number(ratio, 1)))
    button = html.Button(
        say("swing.take_back") if out else say("swing.leave_out"),
        id={"swing-do": "leave-out"},
        type="button",
        className="quiet no-print",
        **ui.aria(pressed="true" if out else "false"),
    )
    words = html.Span(". ".join(p[0].upper() + p[1:] for p in parts if p) + ".")
    flag = html.Strong(say("swing.is_left_out")) if out else None
    return html.Div([e for e in (words, flag, button) if e is not None], className="say-under")


def _take_away(entry: Entry) -> html.Section:
    base = f"/files/{quote(entry.key)}"
    files = [
        ("download.csv", f"{base}?what=numbers.csv"),
        ("download.json", f"{base}?what=results.json"),
        ("download.parquet", f"{base}?what=traces.parquet"),
        ("download.traces_csv", f"{base}?what=traces.csv"),
    ]
    links = [html.A(say(key), href=href, download="", className="button") for key, href in files]
    buttons = []
    for kind in ("png", "svg", "print"):
        extra: dict[str, Any] = {"data-take": kind}
        buttons.append(html.Button(say(f"download.{kind}"), type="button", **extra))
    return ui.card(say("download.title"), html.Div([*links, *buttons], className="takings"), kind="take-away no-print")


def _recording_card(measurement: Measurement, *, open: bool = False) -> html.Details:
    none = say("recording.none")
    rows = []
    for s in measurement.sensors:
        bias = none if s.gyro_bias_dps is None else number(max(abs(b) for b in s.gyro_bias_dps), 1)
        rows.append(
            [
                say(f"role.{s.role}"),
                say("recording.rate_value", hz=f"{s.rate_hz:.0f}"),
                str(s.lost),
                str(s.clipped_gyro + s.clipped_accel),
                none if s.clock_offset_s is None else say("recording.clock_value", ms=f"{1000 * s.clock_offset_s:.0f}"),
                bias if bias == none else say("recording.bias_value", dps=bias),
            ]
        )
    heads = [say(f"recording.{k}") for k in ("sensor", "rate", "lost", "clipped", "clock", "bias")]
    parts: list[Any] = [ui.table(say("recording.sensors"), heads, rows)]
    if measurement.warnings:
        parts.append(html.Ul([html.Li(w) for w in reasons(measurement.warnings)], className="warnings"))
    worrying = open or bool(measurement.warnings)
    return ui.fold(say("recording.title"), *parts, open=worrying, kind="recording")


def _bands(service: Service, state: Ready) -> ui.BandEditor:
    chosen = service.bands()
    changes = dict.fromkeys(at for s in state.measurement.swings for per in s.changes.values() for at in per)
    changes |= dict.fromkeys(b.at for b in chosen.bands.bands if b.is_change)
    figure = {
        "key": chosen.key,
        "name": chosen.name,
        "rows": bandsets.rows(chosen.bands),
        "sets": [list(s) for s in service.band_sets()],
        "least": bandsets.least_widths(state.measurement),
        "angles": [[a, say(f"angle.{a}")] for a in NUMBERS],
        "events": [[e, say(f"event.{e}")] for e in EVENTS] + [[c, _change_name(c)] for c in changes],
        "words": group("bands"),
    }
    return ui.BandEditor(id="swing-band-editor", figure=figure)


def _change_name(at: str) -> str:
    first, _, last = at.partition("..")
    return say("bands.change", a=say(f"event.{first}"), b=within(say(f"event.{last}")))
