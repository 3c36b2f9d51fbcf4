"""The live page: the session's numbers to every screen that looks, and what is tapped there back.

`Hub` turns a session into messages and taps into deeds; `attach` gives it a page and a socket on a
server. Samples are pushed, never asked for: each change goes out at once, at most 60 times a second,
over one WebSocket route that a canvas script draws directly. Routes only serve what the page needs.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from fastapi import FastAPI, WebSocket, WebSocketDisconnect
from fastapi.responses import FileResponse, HTMLResponse, Response
from fastapi.staticfiles import StaticFiles

from imu.bands import Bands, verdict
from imu.guide import Guide
from imu.live import LiveSession
from imu.live_angles import Model, Reading
from imu.live_coach import LiveCoach, Measured
from imu.readers.source import Chunk, Notice
from imu.recording import Role

ASSETS = Path(__file__).parent / "live_assets"
SHARED = Path(__file__).parent / "assets"

FRAME_S = 1 / 60
SETTLE_S = 0.12  # the board changes after so long in the new state,
HYSTERESIS_DEG = 1.0  # this far past the edge,
LEAST_BETWEEN_S = 0.5  # and never more often than twice a second: no flashing
SWING_DPS = 200.0  # between takeaway and finish nothing is said
_SHELF_S = 0.5

WORDS = {"inside": "in", "below": "cup", "above": "bow", "unsure": "edge"}


@dataclass
class Board:
    """The word on the board: a verdict that has lasted, so that it can be read from two metres."""

    low_deg: float
    high_deg: float
    state: str = "none"  # in | cup | bow | edge | none | swing
    _next: str = "none"
    _since_s: float = 0.0
    _changed_s: float = -1e9
    held_s: float = 0.0
    _held_from_s: float | None = None

    def see(self, now_s: float, value: float | None, u95: float | None, *, swinging: bool) -> str:
        raw = "swing" if swinging else self._judge(value, u95)
        if raw != self._next:
            self._next, self._since_s = raw, now_s
        waits = 0.0 if raw in ("none", "swing") else SETTLE_S
        if raw != self.state and now_s - self._since_s >= waits and now_s - self._changed_s >= LEAST_BETWEEN_S:
            self.state, self._changed_s = raw, now_s
        if raw == "in" or (raw == "edge" and self._held_from_s is not None and self.state == "in"):
            self._held_from_s = now_s if self._held_from_s is None else self._held_from_s
            self.held_s = now_s - self._held_from_s
        else:
            self._held_from_s, self.held_s = None, 0.0
        return self.state

    def _judge(self, value: float | None, u95: float | None) -> str:
        if value is None or u95 is None:
            return "none"
        word = WORDS[verdict(low=self.low_deg, high=self.high_deg, value=value, u95=u95)]
        if word != self.state and self.state in WORDS.values():
            # the edge that would be crossed lies a degree further on for what stands already
            wide = {"in": 1, "edge": 0, "cup": 0, "bow": 0}[self.state] * HYSTERESIS_DEG
            again = WORDS[verdict(low=self.low_deg - wide, high=self.high_deg + wide, value=value, u95=u95)]
            if again == self.state:
                return again
        return word


@dataclass(eq=False)
class Hub:
    """Between a session and its screens. `next_recording(what)` opens the next one, if there is a place."""

    session: LiveSession
    coach: LiveCoach
    band: tuple[float, float] = (-10.0, 10.0)
    band_name: str = "wrist now"
    bands: Bands | None = None
    who: Mapping[str, str] = field(default_factory=dict)
    next_recording: Callable[[Mapping[str, Any]], str] | None = None
    guided: bool = True
    sockets: set[_Screen] = field(default_factory=set)
    guide: Guide | None = None
    stats: dict[str, Any] = field(default_factory=lambda: {"updates": 0, "readings": 0})

    def __post_init__(self) -> None:
        self.board = Board(*self.band)
        self._news = asyncio.Event()
        self._tasks: list[asyncio.Task[None]] = []
        self._notices: list[dict[str, Any]] = []
        self._stop = self.session.listen(self._hear)
        self.coach.on_swing = self._swung
        self.coach.on_model = self._modelled
        self.coach.on_trouble = self._troubled
        self._last_chunk_ms = 0.0
        self._last_swing: dict[str, Any] | None = None
        self._calibrating = False

    # -- from the session
    def _hear(self, item: Chunk | Notice) -> None:
        if isinstance(item, Notice):
            self._note(item.kind, item.role, item.text)
            self._send_shelf()
            return
        self._last_chunk_ms = time.time() * 1000
        if self.guide is not None and not self.guide.finished:
            self.guide.feed(item)
            if self.guide.finished:
                self.calibrate()
        self._news.set()

    def _note(self, kind: str, role: Role | None, text: str) -> None:
        note = {"type": "notice", "kind": kind, "role": role, "text": text, "at": round(self.session.source.now_s(), 1)}
        self._notices = [*self._notices[-19:], note]
        self._broadcast(note)

    def _troubled(self, text: str) -> None:
        self._calibrating = False
        self._note("doubtful", None, text)
        self._broadcast(self._state())

    def _modelled(self, model: Model) -> None:
        self._calibrating = False
        known = {name: round(float(sd) * 1.96 * 57.29578, 1) for name, sd in model.sd.items()}
        self._broadcast({"type": "ready", "u95": known})
        self._broadcast(self._state())

    def _swung(self, measured: Measured) -> None:
        self._last_swing = swing_message(measured)
        self._broadcast(self._last_swing)

    # -- to the screens
    def start(self) -> None:
        self._tasks = [asyncio.create_task(self._push()), asyncio.create_task(self._shelve())]

    async def close(self) -> None:
        self._stop()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        for screen in tuple(self.sockets):
            screen.end()

    async def _push(self) -> None:
        last = 0.0
        while True:
            await self._news.wait()
            wait = last + FRAME_S - time.monotonic()
            if wait > 0:
                await asyncio.sleep(wait)
            self._news.clear()
            last = time.monotonic()
            if not self.sockets:
                continue
            if self.guide is not None and not self.guide.finished:
                self._broadcast({"type": "guide", **self.guide.state()})
            reading = None if self.coach.paused else self.coach.reading()
            if reading is not None:
                self._broadcast(self._now(reading))

    async def _shelve(self) -> None:
        while True:
            await asyncio.sleep(_SHELF_S)
            self._send_shelf()
            if self.coach.angles is None:
                self.board.see(self.session.source.now_s(), None, None, swinging=False)

    def _now(self, reading: Reading) -> dict[str, Any]:
        self.stats["readings"] += 1
        wrist = reading.angles["wrist_flexion"]
        swinging = reading.speed_dps > SWING_DPS
        now = self.session.source.now_s()
        state = self.board.see(now, wrist.value_deg, wrist.u95_deg, swinging=swinging)
        out: dict[str, Any] = {
            "type": "now",
            "at": round(reading.arrival_s, 3),
            "ms": round(self._last_chunk_ms, 1),
            "board": state,
            "held": round(self.board.held_s, 1),
            "speed": round(reading.speed_dps),
        }
        for key, name in (("wrist", "wrist_flexion"), ("face", "face_to_forearm"), ("shaft", "shaft_elevation")):
            angle = reading.angles[name]
            out[key] = [_r(angle.value_deg), _r(angle.u95_deg), angle.reason]
        return out

    def _send_shelf(self) -> None:
        self._broadcast(
            {
                "type": "shelf",
                "elapsed": round(self.session.source.now_s() - self.session.started_s),
                "recording": self.session.recorder is not None and self.session.recorder.trouble is None,
                "sensors": [
                    {
                        "role": s.role,
                        "name": s.name,
                        "state": s.state,
                        "rate": None if s.rate_hz is None else round(s.rate_hz),
                        "lost": s.lost,
                        "samples": s.samples,
                        "battery": s.battery_percent,
                        "silent": None if s.silent_s is None else round(s.silent_s, 1),
                    }
                    for s in self.session.source.status().values()
                ],
            }
        )

    def _state(self) -> dict[str, Any]:
        return {
            "type": "session",
            "band": list(self.band),
            "bandName": self.band_name,
            "who": dict(self.who),
            "handedness": self.session.handedness,
            "club": self.session.club,
            "paused": self.coach.paused,
            "ready": self.coach.angles is not None,
            "calibrating": self._calibrating,
            "guide": self.guide is not None and not self.guide.finished,
            "canSwitch": self.next_recording is not None,
            "buzz": list(self.session.source.sensors),
        }

    def _broadcast(self, message: Mapping[str, Any]) -> None:
        if self.sockets:
            text = json.dumps(message, ensure_ascii=False, allow_nan=False)
            for screen in tuple(self.sockets):
                screen.put(str(message["type"]), text)
            if message["type"] == "now":
                self.stats["updates"] += 1

    # -- from the screens
    async def do(self, message: Mapping[str, Any]) -> None:
        """What was tapped. Unknown words are left alone: an old page may still be open."""
        what = message.get("do")
        if what == "pause":
            self.coach.paused = not self.coach.paused
        elif what == "setup":
            self.begin_guide()
        elif what in ("again", "skip", "back") and self.guide is not None:
            {"again": self.guide.again, "skip": self.guide.skip, "back": self.guide.back}[str(what)]()
            if self.guide.finished and not self._calibrating:
                self.calibrate()
            self._broadcast({"type": "guide", **self.guide.state()})
        elif what == "stop_setup":
            self.guide, self.coach.setting_up = None, False
        elif what == "next" and self.next_recording is not None:
            said = self.next_recording(message)
            self._note("on", None, said)
        elif what == "buzz":
            pattern = [int(ms) for ms in list(message.get("pattern", []))[:8] if 0 < int(ms) <= 1000]
            role: Any = message.get("role")
            if pattern and role in self.session.source.sensors:
                await self.session.source.buzz(role, pattern)
            return
        else:
            return
        self._broadcast(self._state())

    def calibrate(self) -> None:
        """The poses are held: work out the calibration, and go live."""
        self.coach.setting_up = False
        self._calibrating = True
        self.coach.calibrate()
        self._broadcast(self._state())

    def begin_guide(self) -> None:
        self.guide = Guide(set(self.session.source.sensors), self.session.hold)
        self.coach.setting_up = True

    def greeting(self) -> Sequence[Mapping[str, Any]]:
        first: list[Mapping[str, Any]] = [self._state(), *self._notices[-5:]]
        if self._last_swing:
            first.append(self._last_swing)
        if self.guide is not None and not self.guide.finished:
            first.append({"type": "guide", **self.guide.state()})
        return first


class _Screen:
    """One socket. What it cannot take in time is replaced by what is newer: a slow phone sees fewer
    pictures, never old ones."""

    def __init__(self) -> None:
        self._waiting: dict[str, str] = {}
        self._ordered: list[str] = []
        self._news = asyncio.Event()
        self._over = False

    def put(self, kind: str, text: str) -> None:
        if kind in ("now", "shelf", "guide", "session"):
            self._waiting[kind] = text
        elif len(self._ordered) < 100:
            self._ordered.append(text)
        self._news.set()

    def end(self) -> None:
        self._over = True
        self._news.set()

    async def next(self) -> list[str]:
        await self._news.wait()
        self._news.clear()
        if self._over:
            raise WebSocketDisconnect
        out = [*self._ordered, *self._waiting.values()]
        self._ordered, self._waiting = [], {}
        return out


def attach(server: FastAPI, hub: Hub) -> None:
    """The page at /live, its socket and files. Who may ask is the server's guard's business, and a
    second time the socket's own: browsers let any page open a socket to any address."""
    server.mount("/live/static", StaticFiles(directory=ASSETS), name="live")

    @server.get("/live", include_in_schema=False)
    async def page() -> Response:
        return HTMLResponse((ASSETS / "live.html").read_text(encoding="utf-8"))

    @server.get("/live/tokens.css", include_in_schema=False)
    async def tokens() -> Response:
        return FileResponse(SHARED / "tokens.css")

    @server.get("/live/fonts/{name}", include_in_schema=False)
    async def font(name: str) -> Response:
        path = (SHARED / "fonts" / name).resolve()
        if path.parent != (SHARED / "fonts").resolve() or not path.is_file():
            return Response(status_code=404)
        return FileResponse(path)

    @server.websocket("/live/stream")
    async def stream(socket: WebSocket) -> None:
        if not same_origin(socket.headers.get("origin"), socket.headers.get("host")):
            await socket.close(1008)
            return
        await socket.accept()
        screen = _Screen()
        hub.sockets.add(screen)
        try:
            for message in hub.greeting():
                await socket.send_text(json.dumps(message, ensure_ascii=False))
            await _both(_send(socket, screen), _receive(socket, hub))
        finally:
            hub.sockets.discard(screen)
            with contextlib.suppress(RuntimeError, WebSocketDisconnect):
                await socket.close()


def live_server(hub: Hub) -> FastAPI:
    """A server of the live page alone, for this machine: the guard of the dashboard stands before it."""
    from fastapi.responses import RedirectResponse

    from dashboard.app import Guard

    server = FastAPI(docs_url=None, redoc_url=None, openapi_url=None)
    server.add_middleware(Guard, pages=())
    attach(server, hub)

    @server.get("/", include_in_schema=False)
    async def home() -> Response:
        return RedirectResponse("/live")

    return server


def same_origin(origin: str | None, host: str | None) -> bool:
    """Whether a page of this very server asks. A socket without an origin is no browser's."""
    from urllib.parse import urlsplit

    return bool(host) and (origin is None or urlsplit(origin).netloc == host)


async def _send(socket: WebSocket, screen: _Screen) -> None:
    while True:
        for text in await screen.next():
            await socket.send_text(text)


async def _receive(socket: WebSocket, hub: Hub) -> None:
    while True:
        text = await socket.receive_text()
        if len(text) > 4096:
            continue
        with contextlib.suppress(ValueError, TypeError):
            message = json.loads(text)
            if isinstance(message, dict):
                await hub.do(message)


async def _both(*work: Any) -> None:
    """Until the first of them ends; a screen that leaves is no fault."""
    tasks = [asyncio.create_task(one) for one in work]
    try:
        await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for task in tasks:
            task.cancel()
        for result in await asyncio.gather(*tasks, return_exceptions=True):
            if isinstance(result, Exception) and not isinstance(result, WebSocketDisconnect | RuntimeError):
                raise result


def swing_message(measured: Measured) -> dict[str, Any]:
    swing = measured.swing
    rows = []
    for angle, event, label in (
        ("wrist_flexion", "top", "Wrist, top"),
        ("wrist_flexion", "shaft_level_down", "Wrist, shaft level down"),
        ("face_to_forearm", "top", "Face to arm, top"),
        ("shaft_past_level", "top", "Past level, top"),
    ):
        value = swing.angles.get(angle, {}).get(event)
        if value is None:
            continue
        band = swing.bands.get(f"{angle}@{event}")
        rows.append(
            {
                "label": label,
                "angle": angle,
                "value": _r(value.value_deg),
                "u95": _r(value.u95_deg),
                "reason": value.reason,
                "band": None if band is None else [band.low_deg, band.high_deg],
                "verdict": None if band is None else band.verdict,
            }
        )
    return {
        "type": "swing",
        "index": swing.index,
        "kind": swing.kind,
        "grade": swing.grade,
        "final": measured.final,
        "took": round(measured.took_s, 2),
        "rows": rows,
    }


def _r(x: float | None) -> float | None:
    return None if x is None else round(float(x), 1)
