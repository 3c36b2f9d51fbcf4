"""The page that makes recordings of files: drop, see what was understood and why, correct, save.

Its link says which upload: `/add?upload=<key>`. Files come by a route of their own, since callbacks
take whole messages into memory; everything else is asked by the component's `ask`.
"""

from __future__ import annotations

import asyncio
import json
import math
import time
from collections.abc import AsyncIterator, Iterator, Mapping
from pathlib import PurePosixPath
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qs

from dash import Dash, Input, Output, State, ctx, dcc, html, no_update
from fastapi import Request
from fastapi.responses import JSONResponse, Response
from starlette.requests import ClientDisconnect

from dashboard.components import _Drawn
from dashboard.pages import Page
from dashboard.pages.swing import link
from dashboard.service import Service
from dashboard.uploads import LEFT_OUT, Draft, sensor_keys
from dashboard.words import count, decimals, group, grouped, listed, number, reasons, retold, say
from imu.errors import CupbowError
from imu.recording import POSES, ROLES

if TYPE_CHECKING:
    from imu.inspection import StreamReport

PATH = "/add"
ROUTE = "/uploads"
POLL_MS = 300
PATIENCE_S = 0.4
"""What takes no longer shows no bar."""

ACCEL_UNITS = ("m/s^2", "g", "mg", "counts")
GYRO_UNITS = ("rad/s", "deg/s", "mdeg/s", "counts")
TIME_UNITS = ("s", "ms", "us", "ns")
UNIT_WORDS = {"m/s^2": "m/s²", "deg/s": "°/s", "mdeg/s": "m°/s", "us": "µs"}


class AddFiles(_Drawn):
    """Uploads, preview and corrections. `figure` travels as text; each `asks` more, `ask` holds what
    is wanted: `{"look" | "save" | "discard" | "remove": key, …}`."""

    _type = "AddFiles"
    _prop_names = ["id", "figure", "ask", "asks"]  # noqa: RUF012
    available_properties = _prop_names

    def __init__(
        self,
        id: str | None = None,
        figure: str | None = None,
        ask: dict[str, Any] | None = None,
        asks: int | None = None,
    ) -> None:
        super().__init__(id=id, figure=figure, ask=ask, asks=asks)


def layout(service: Service) -> html.Div:
    return html.Div(
        [dcc.Interval(id="add-poll", interval=POLL_MS, disabled=True), html.Div(id="add-body")], id="add-page"
    )


def register(app: Dash, service: Service) -> None:
    """Callbacks and the route that takes files; what works on files does so in a thread."""

    @app.callback(
        Output("add-body", "children"),
        Output("add-poll", "disabled", allow_duplicate=True),
        Input("url", "pathname"),
        Input("url", "search"),
        prevent_initial_call="initial_duplicate",
    )
    async def show(pathname: str, search: str) -> Any:
        if not _ours(pathname):
            return [], True
        key = parse_qs((search or "").lstrip("?")).get("upload", [""])[0]
        found = await asyncio.to_thread(answer, service, {"look": key} if key else {})
        return AddFiles(id="add-files", figure=_text(found)), not found["more"]

    @app.callback(
        Output("add-files", "figure"),
        Output("add-poll", "disabled"),
        Input("add-files", "asks"),
        Input("add-poll", "n_intervals"),
        State("add-files", "ask"),
        prevent_initial_call=True,
    )
    async def work(asks: int | None, _polls: int, ask: dict[str, Any] | None) -> Any:
        if not asks or not ask:
            return no_update, no_update
        if ctx.triggered_id == "add-poll":
            key = next((str(ask[verb]) for verb in ("look", "remove", "save") if ask.get(verb)), "")
            ask = {"look": key} if key else {}
        found = await asyncio.to_thread(answer, service, ask)
        return _text(found), not found["more"]

    server = app.server

    @server.post(ROUTE, include_in_schema=False)
    async def begin(request: Request) -> Response:
        if (refused := _foreign(request)) is not None:
            return refused
        try:
            return JSONResponse({"key": await asyncio.to_thread(service.uploads.new)})
        except CupbowError as error:
            return JSONResponse({"fault": str(error)}, status_code=400)

    @server.post(ROUTE + "/{key}/save", include_in_schema=False)
    async def keep(request: Request, key: str) -> Response:
        if (refused := _foreign(request)) is not None:
            return refused
        try:
            body = json.loads(await request.body())
        except ValueError:
            body = None
        if not isinstance(body, dict):
            return JSONResponse({"fault": "what is to be saved cannot be read"}, status_code=400)
        asked = {"save": key, "said": body.get("said"), "name": body.get("name"), "at": body.get("at")}
        found = await asyncio.to_thread(answer, service, asked)
        return JSONResponse({"saved": found.get("saved", ""), "fault": found.get("fault") or found.get("gone", "")})

    @server.put(ROUTE + "/{key}", include_in_schema=False)
    async def take(request: Request, key: str, name: str = "") -> Response:
        if (refused := _foreign(request)) is not None:
            return refused
        length = request.headers.get("content-length", "")
        if length.isdigit() and int(length) > service.uploads.most_bytes:
            return JSONResponse(
                {"fault": say("add.too_large", name=name, size=_size(service.uploads.most_bytes))}, status_code=413
            )
        chunks = _chunks(request.stream(), asyncio.get_running_loop())
        try:
            kept = await asyncio.to_thread(service.uploads.add, key, name or "data.csv", chunks)
        except ClientDisconnect:
            return JSONResponse({"fault": say("add.stopped", name=name)}, status_code=400)
        except CupbowError as error:
            return JSONResponse({"fault": str(error)}, status_code=400)
        return JSONResponse({"name": kept})


PAGE = Page(PATH, say("add.page"), layout, register)


def _ours(pathname: str | None) -> bool:
    return (pathname or "").rstrip("/") == PATH


def _foreign(request: Request) -> Response | None:
    """Files are taken from this server's own page only: one that says so, and is not another's."""
    if request.headers.get("origin") == f"{request.url.scheme}://{request.headers.get('host')}":
        return None
    return JSONResponse({"fault": "files are taken from the dashboard's own page only"}, status_code=403)


def _chunks(stream: AsyncIterator[bytes], loop: asyncio.AbstractEventLoop) -> Iterator[bytes]:
    """What the event loop receives, for a thread that writes it down: never more than a piece in memory."""

    async def following() -> bytes | None:
        return await anext(stream, None)

    while (chunk := asyncio.run_coroutine_threadsafe(following(), loop).result()) is not None:
        yield chunk


def _text(figure: Mapping[str, Any]) -> str:
    return json.dumps(figure, separators=(",", ":"), allow_nan=False)


# -- what is shown ---------------------------------------------------------------------------------


def answer(service: Service, ask: Mapping[str, Any]) -> dict[str, Any]:
    """What the page shows after `ask`; what could not be done is said in it, and nothing is lost."""
    fault = ""
    try:
        if ask.get("discard"):
            service.uploads.discard(str(ask["discard"]))
            return _start(service)
        key = str(ask.get("look") or ask.get("remove") or ask.get("save") or "")
        if not key:
            return _start(service)
        if (entry := service.saved_upload(key)) is not None:
            return _start(service) | {"saved": link(entry)}
        if ask.get("remove"):
            service.uploads.remove(key, str(ask.get("file", "")))
        said = ask.get("said")
        at = ask.get("at")
        draft = service.uploads.look(
            key, said if isinstance(said, Mapping) else None, at=float(at) if isinstance(at, int | float) else math.inf
        )
        until = time.monotonic() + PATIENCE_S
        while draft.busy is not None and time.monotonic() < until:
            time.sleep(0.02)
            draft = service.uploads.look(key)
    except CupbowError as error:
        if (entry := service.saved_upload(str(ask.get("look") or ask.get("save") or ""))) is not None:
            return _start(service) | {"saved": link(entry)}
        return _start(service, gone=str(error))
    if ask.get("save"):
        try:
            entry = service.save_upload(key, str(ask.get("name", "")))
            return _start(service) | {"saved": link(entry)}
        except CupbowError as error:
            fault = str(error)
    return _understood(service, draft, fault)


def _common(service: Service) -> dict[str, Any]:
    words = group("add") | {f"role_{role}": say(f"role.{role}") for role in ROLES}
    most, files = service.uploads.most_bytes, service.uploads.most_files
    limit = {
        "bytes": most,
        "size": _size(most),
        "files": files,
        "text": say("add.limit", size=_size(most), files=files),
    }
    return {"words": words, "limit": limit, "key": "", "busy": False, "more": False}


def _start(service: Service, gone: str = "") -> dict[str, Any]:
    """Nothing brought in yet; uploads from before that wait to be saved."""
    waiting = [
        {
            "key": key,
            "text": say(f"add.waiting_files.{'one' if len(names) == 1 else 'many'}", first=names[0], n=len(names) - 1),
        }
        for key, names in service.uploads.waiting()
    ]
    return _common(service) | {"sentence": say("add.empty"), "waiting": waiting, "gone": gone}


def _understood(service: Service, draft: Draft, fault: str) -> dict[str, Any]:
    found, busy = draft.found, draft.busy is not None
    sensors = _sensors(draft) if found else []
    missing = _missing(draft, sensors)
    return _common(service) | {
        "key": draft.key,
        "busy": busy,
        "more": busy or draft.looking or draft.saving,
        "poses": _posed(draft),
        "done": round(100 * (draft.busy or 0.0)),
        "files": [{"name": name, "size": _size(size)} for name, size in draft.files],
        "said": dict(draft.said),
        "fault": retold(fault or draft.fault),
        "unread": bool(draft.fault) and not sensors,
        "sensors": sensors,
        "unused": list(draft.unused),
        "notes": reasons(draft.notes),
        "options": {
            "accel_unit": _options(ACCEL_UNITS),
            "gyro_unit": _options(GYRO_UNITS),
            "time_unit": _options(TIME_UNITS),
        },
        "missing": missing,
        "sentence": say("add.reading") if busy and not sensors else _sentence(draft, sensors, missing),
        "handed": (found and found.understood.handedness) or "",
        "club": (found and found.understood.club) or "",
        "name": _name(service, draft),
        "place": say("add.place", place=service.root),
        "manifest": draft.corrected.manifest() if draft.corrected and sensors else "",
    }


def _posed(draft: Draft) -> dict[str, Any]:
    """Still moments, each with what it may have been; or the poses that the files mark."""
    words = group("poses")
    marked = draft.found.understood.poses if draft.found else ()
    names = {name: say(f"live.step_title.{name}") for name in POSES}
    if marked:
        lines = [say("poses.at", name=names[p.name], a=number(p.start_s, 1), b=number(p.end_s, 1)) for p in marked]
        return {"words": words, "looking": False, "marked": lines, "moments": []}
    # Drawn where the sensors' times begin, which is the first one's that is used.
    roles = draft.roles()
    kept = [i for i in range(len(draft.previews)) if not (i in roles and roles[i] is None)]
    starts = draft.found.understood.times() if draft.found and kept else []
    shift = float(starts[kept[0]][0]) if starts and len(starts[kept[0]]) else 0.0
    said = draft.said.get("poses")
    said = said if isinstance(said, Mapping) else {}
    return {
        "words": words,
        "looking": draft.looking,
        "marked": [],
        "moments": [
            {
                "key": one.key,
                "at": [round(shift + one.start_s, 2), round(shift + one.end_s, 2)],
                "label": say("poses.moment", n=n, a=number(one.start_s, 1), b=number(one.end_s, 1)),
                "said": str(said.get(one.key) or ""),
                "options": [
                    ["", say("poses.found", name=names[one.pose]) if one.pose else say("poses.not_said")],
                    *names.items(),
                    *([["none", say("poses.none")]] if one.pose else []),
                ],
            }
            for n, one in enumerate(draft.moments or (), start=1)
        ],
    }


def _sensors(draft: Draft) -> list[dict[str, Any]]:
    assert draft.found is not None
    roles = draft.roles()
    corrected = iter(draft.corrected.streams if draft.corrected else ())
    starts = draft.found.understood.times()
    shown = []
    for i, (key, read) in enumerate(zip(sensor_keys(draft.found), draft.found.streams, strict=True)):
        sensor = draft.found.understood.sensors[i]
        left_out = i in roles and roles[i] is None
        report = read if left_out else next(corrected, read)
        shown.append(
            {
                "key": key,
                "label": report.label,
                "source": report.source,
                "files": list(sensor.files),
                "siblings": sum(s.files == sensor.files for s in draft.found.understood.sensors),
                "role": LEFT_OUT if left_out else report.role or "",
                "looks_like": report.looks_like or "",
                "units": {
                    "accel_unit": _unit(report.accel_unit),
                    "gyro_unit": _unit(report.gyro_unit),
                    "time_unit": _unit(report.time_unit),
                },
                "counts": {"accel": report.accel_unit == "counts", "gyro": report.gyro_unit == "counts"},
                "rate_hz": sensor.rate_hz,
                "sensitivity": {"accel": sensor.accel_sensitivity, "gyro": sensor.gyro_sensitivity},
                "facts": _facts(report, known=not sensor.needs),
                "needs": len(sensor.needs),
                "doubts": [] if left_out else reasons(report.doubts),
                "why": reasons(report.notes),
                "plot": _plot(draft, i, float(starts[i][0]) if len(starts[i]) else 0.0),
            }
        )
    return shown


def _facts(r: StreamReport, *, known: bool) -> list[list[str]]:
    gaps = say("add.gaps_value", n=r.gaps, s=decimals(f"{r.longest_gap_s:.2g}")) if r.gaps else say("add.gaps_none")
    facts = [
        [
            say("add.rate"),
            say("add.rate_value", hz=decimals(f"{r.rate_hz:.4g}"), n=grouped(r.samples), s=number(r.seconds, 1)),
        ],
        [say("add.gaps"), gaps],
        [say("add.lost"), grouped(r.dropped_rows)],
    ]
    if known:
        still = r.gravity_still_m_s2
        seen = say("add.gravity_unseen") if still is None else say("add.gravity_value", value=number(still, 2))
        facts.append([say("add.gravity"), seen if r.has_gravity else say("add.gravity_out")])
        facts.append([say("add.fastest"), say("add.fastest_value", dps=f"{r.peak_gyro_dps:.0f}")])
        if clipped := r.clipped_gyro + r.clipped_accel:
            facts.append([say("add.clipped"), say("add.clipped_value", n=grouped(clipped))])
    return facts


def _plot(draft: Draft, index: int, start: float) -> dict[str, Any]:
    """Sizes of acceleration and rate, which need no knowledge of how the sensor was mounted."""
    import numpy as np

    assert draft.found is not None
    t, accel, gyro = draft.previews[index]
    a, g = np.linalg.norm(accel, axis=1), np.linalg.norm(gyro, axis=1)
    needs = draft.found.understood.sensors[index].needs
    known = {quantity: not any(quantity in need for need in needs) for quantity in ("accelerometer", "gyroscope")}
    if not known["gyroscope"]:
        g = np.radians(g)  # as in the file
    return {
        "t": np.round(t + start, 3).tolist(),
        "accel": _rounded(a),
        "gyro": _rounded(g),
        "known": [known["accelerometer"], known["gyroscope"]],
        "gravity": known["accelerometer"] and draft.found.streams[index].has_gravity,
    }


def _rounded(values: Any) -> list[float]:
    return [float(f"{v:.4g}") for v in values]


def _missing(draft: Draft, sensors: list[dict[str, Any]]) -> list[str]:
    """What stands between the upload and a recording, in words for a sentence."""
    if draft.found is None or draft.corrected is None or not sensors:
        return []
    used = [s for s in sensors if s["role"] != LEFT_OUT]
    missing = [say("add.need_unit", label=s["label"]) for s in used if s["needs"]]
    if unsaid := [s["label"] for s in used if not s["role"]]:
        missing.append(say("add.need_role", labels=listed(unsaid)))
    for role in ROLES:
        if (n := sum(s["role"] == role for s in used)) > 1:
            missing.append(say("add.need_one", role=say(f"role.{role}"), n=n))
    if not used:
        missing.append(say("add.need_any"))
    if draft.corrected.understood.handedness is None:
        missing.append(say("add.need_hand"))
    return missing


def _sentence(draft: Draft, sensors: list[dict[str, Any]], missing: list[str]) -> str:
    if not draft.files:
        return say("add.empty")
    if not sensors:
        return say("add.sensors_none")
    read = count("add.sensors", len(sensors))
    if missing:
        return f"{read} {say('add.needed', list='; '.join(missing))}"
    doubts = sum(len(s["doubts"]) for s in sensors)
    check = count("add.check_doubts", doubts) if doubts else say("add.check")
    return f"{read} {check}"


def _name(service: Service, draft: Draft) -> str:
    """A name to begin with: the file's, or the day's, and free."""
    from imu.inspection import free_name, safe_name

    when = draft.found.understood.recorded_at or draft.found.understood.started_at() if draft.found else None
    if when is not None and when.year > 2000:
        name = f"{when:%Y-%m-%d}"
    elif len(draft.files) == 1:
        name = PurePosixPath(draft.files[0][0]).name.split(".")[0]
    else:
        name = say("add.recording").split()[-1].lower()
    taken = {p.name for p in service.root.iterdir()} if service.root.is_dir() else set()
    return free_name(safe_name(name), taken)


def _size(size: int) -> str:
    if size >= 1 << 30:
        return decimals(f"{size / (1 << 30):.2g} GB")
    return f"{number(size / 1e6, 1)} MB" if size >= 100_000 else f"{max(1, round(size / 1e3))} kB"


def _unit(unit: str) -> str:
    if unit in ("counts", "iso", "samples"):
        return say(f"add.{unit}")
    if unit == "unknown" or not unit:
        return say("add.found_none")
    return UNIT_WORDS.get(unit, unit)


def _options(names: tuple[str, ...]) -> list[list[str]]:
    return [[name, _unit(name)] for name in names]
