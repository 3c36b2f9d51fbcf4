"""The live page: the session's numbers to every screen that looks, and what is tapped there back.

`Hub` turns a session into messages and taps into deeds; `attach` gives the page, its socket and files to
a server. Samples are pushed, never asked for, over one WebSocket route that a script draws directly.
What is shown, sounds or shakes is decided when a sample arrives (`imu.practice.alerts`); screens are told
at most `MOST_UPDATES` times a second. Who is filed where is `dashboard.live_room`'s business.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import math
import time
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fastapi import FastAPI, WebSocket, WebSocketDisconnect
from fastapi.responses import FileResponse, HTMLResponse, Response
from fastapi.staticfiles import StaticFiles

from dashboard.live_messages import guide_message, now_message, practice_message, swing_message
from dashboard.words import LANGUAGE, catalogue, group, retold, say
from imu.guide import Guide
from imu.live import LiveSession, Together
from imu.live_angles import Model, Now, Reading
from imu.live_coach import LiveCoach, Measured
from imu.practice.alerts import Alerts, Cue, SwingWatch
from imu.practice.drill import CHANNELS, NOW_ANGLES
from imu.practice.runner import Runner
from imu.practice.session import Practice
from imu.readers.source import Chunk, Notice
from imu.recording import Role

if TYPE_CHECKING:
    from dashboard.live_room import Room

ASSETS = Path(__file__).parent / "live_assets"
SHARED = Path(__file__).parent / "assets"

MOST_UPDATES = 80
HOLD_S = 3.0  # what the bar beside the board runs to where no drill says
_TICK_S = 0.1
_SHELF_S = 0.5
_STALE_S = 0.25
_UNKNOWN = Reading(0.0, 0.0, {}, 0.0)


@dataclass(eq=False)
class Hub:
    """Between a session and its screens. `band`: of the wrist on the level where no drill runs."""

    session: LiveSession
    coach: LiveCoach
    band: tuple[float, float] = (-10.0, 10.0)
    screens: set[Screen] = field(default_factory=set)
    guide: Guide | None = None
    runner: Runner | None = None
    alone: bool = False  # a student's own practice from a plan
    cautioned: bool = False  # somebody has read the cautions of this session
    hurt: str | None = None

    def __post_init__(self) -> None:
        self.off: set[str] = {"sensor"}  # channels that were turned off, for all screens
        self._alerts = Alerts(*self.band, channels=self._channels())
        self._watch = SwingWatch()
        self._together = Together(self._gathered)
        self._latest: tuple[Reading, Cue] | None = None
        self._news = asyncio.Event()
        self._tasks: set[asyncio.Task[Any]] = set()
        self._notices: deque[dict[str, Any]] = deque(maxlen=20)
        self._arrived_ms: float | None = None  # of the oldest sample that no screen was told of yet
        self._heard: float | None = None  # the last sample, on the loop's clock
        self._last_swing: Measured | None = None
        self._withheld = False
        self._calibrating = False
        self._decided_ms: deque[float] = deque(maxlen=20_000)
        self._stop = self.session.listen(self._hear)
        self.coach.on_swing = self._swung
        self.coach.on_model = self._modelled
        self.coach.on_trouble = self._troubled

    # -- from the session
    def _hear(self, item: Chunk | Notice) -> None:
        if isinstance(item, Notice):
            self.note(item.text)
            if item.kind in ("lost", "silent", "back", "refused"):
                self._send_shelf()
            return
        if self._arrived_ms is None:
            self._arrived_ms = time.time() * 1000
        self._heard = time.monotonic()
        if self.guide is not None and not self.guide.finished:
            self.guide.feed(item)
            self._news.set()
            if self.guide.finished:
                self.calibrate()
        elif self.runner is None and not self.coach.paused and not self.coach.setting_up:
            self._together.heard(item)

    def _gathered(self, oldest_s: float) -> None:
        reading = self.coach.reading()
        if reading is not None and self.runner is None:
            self._decide(reading)
            self._decided_ms.append((self.session.source.now_s() - oldest_s) * 1000)

    def _decide(self, reading: Reading, *, lost: bool = False) -> None:
        """Without a drill: the wrist against the band."""
        wrist = reading.angles.get("wrist_flexion", Now(None))
        swinging = self._watch.feed(reading.arrival_s, reading.speed_dps)
        lost = lost or (wrist.value_deg is None and "lost" in (wrist.reason or ""))
        cue = self._alerts.feed(
            reading.arrival_s,
            wrist.value_deg,
            wrist.u95_deg,
            phase="swing" if swinging else "idle" if self.hurt is not None else "drill",
            quality="lost" if lost else "ok",
        )
        self._take(reading, cue)
        if "sensor" in cue.buzz_on:
            self._start(self._shake(cue.buzz_ms))

    def _take(self, reading: Reading, cue: Cue) -> None:
        self._latest = reading, cue
        if cue.tick or "phone" in cue.buzz_on:
            buzz = list(cue.buzz_ms) if "phone" in cue.buzz_on else []
            self.broadcast({"type": "signal", "tick": cue.tick, "buzz": buzz, "ms": self._arrived_ms})
        self._news.set()

    async def _shake(self, pattern: Sequence[int]) -> None:
        roles: tuple[Role, ...] = ("hand", "forearm", "club")
        for role in roles:
            if role in self.session.source.sensors and await self.session.source.buzz(role, pattern):
                return

    def note(self, text: str, *, link: str | None = None) -> None:
        """One line of what happened, said in the user's language. A link is for screens of this machine."""
        note = {"type": "notice", "text": retold(text), "link": link}
        self._notices.append(note)
        self.broadcast(note)

    def _troubled(self, text: str) -> None:
        self._calibrating = False
        self.note(text)
        self.tell()

    def _modelled(self, model: Model) -> None:
        first, self._calibrating = self._calibrating, False
        if first and "wrist_flexion" in model.sd:
            self.note(say("live.known_to", u95=round(math.degrees(1.96 * model.sd["wrist_flexion"]))))
        self.tell()

    def _swung(self, measured: Measured) -> None:
        self._last_swing = measured
        if self.runner is not None:
            self._withheld = True  # until the drill says how much of it is told
            self.runner.swung(measured)
        self._show_swing()
        self.on_swing(measured)

    def on_swing(self, measured: Measured) -> None:
        """For who files swings."""

    def show_final(self, measured: Measured) -> None:
        """The last swing once more, as the final pass measured it."""
        self._last_swing = measured
        self._show_swing()

    @property
    def notices(self) -> list[dict[str, Any]]:
        """What was said of late, the newest last."""
        return list(self._notices)

    def _show_swing(self) -> None:
        practice = self.practice
        told = practice.told if practice is not None and practice.stage == "told" else None
        if practice is None or practice.drill is None or practice.drill.kind != "full" or (told and told.show):
            self._withheld = False
        if self._last_swing is not None:
            self.broadcast(swing_message(self._last_swing, hidden=self._withheld))

    # -- a drill
    @property
    def practice(self) -> Practice | None:
        return None if self.runner is None else self.runner.practice

    def start_practice(self, practice: Practice, *, alone: bool) -> None:
        """Run a drill or a plan; what was run before is left as it is."""
        self._leave_runner()
        self.alone = alone
        self.runner = Runner(practice, self.session, self.coach, on_cue=self._cued, on_state=self._practised)
        self.runner.start()
        if self.cautioned:
            practice.do("cautions_read")
        self.tell()
        self._practised()

    def end_practice(self) -> None:
        self._leave_runner()
        self._withheld = False
        self._alerts = Alerts(*self.band, channels=self._channels())
        self.broadcast({"type": "practice", "drill": None, "stage": None})
        self.tell()

    def _leave_runner(self) -> None:
        if self.runner is not None:
            self._start(self.runner.close())
            self.runner = None
        self._latest = None

    def _cued(self, cue: Cue) -> None:
        reading = self.runner.reading if self.runner is not None else None
        fresh = reading is not None and cue.at_s - reading.arrival_s < _STALE_S
        self._take(reading if reading is not None and fresh else _UNKNOWN, cue)

    def _practised(self) -> None:
        practice = self.practice
        if practice is None:
            return
        if practice.stage == "ask" and self._latest is not None:
            # the estimate comes first: what was decided within the try goes to no screen any more
            reading, cue = self._latest
            self._latest = reading, Cue(cue.at_s, "none", "covered")
        self.broadcast(practice_message(practice, alone=self.alone))
        self.tell()
        if practice.stage == "told":
            self._show_swing()
        self.on_practice(practice)

    def on_practice(self, practice: Practice) -> None:
        """For who files tries: something of it has changed."""

    # -- to the screens
    def start(self) -> None:
        for work in (self._push(), self._tick(), self._shelve()):
            self._start(work)

    def follow(self, work: Any) -> None:
        """Have a coroutine run as long as the session does."""
        self._start(work)

    def _start(self, work: Any) -> None:
        task = asyncio.get_running_loop().create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def close(self) -> None:
        self._stop()
        self._together.stop()
        if self.runner is not None:
            await self.runner.close()
        for task in tuple(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    async def _push(self) -> None:
        last = 0.0
        while True:
            await self._news.wait()
            await asyncio.sleep(max(0.0, last + 1 / MOST_UPDATES - time.monotonic()))
            self._news.clear()
            last = time.monotonic()
            arrived, self._arrived_ms = self._arrived_ms, None
            if not self.screens:
                continue
            if self.guide is not None and not self.guide.finished:
                self.broadcast(guide_message(self.guide.state()))
            elif self._latest is not None and not self.coach.paused:
                reading, cue = self._latest
                self.broadcast(self._now(reading, cue, arrived if arrived is not None else time.time() * 1000))

    def _now(self, reading: Reading, cue: Cue, arrived_ms: float) -> dict[str, Any]:
        if self.hurt is not None:
            return now_message(
                _UNKNOWN, Cue(cue.at_s, "none", "stopped"), arrived_ms=arrived_ms, hold=None, angle=self.angle
            )
        practice = self.practice
        drill = practice.drill if practice is not None else None
        hold: tuple[float, float] | None = cue.held_s, HOLD_S
        if practice is not None:
            held = practice.stage == "try" and drill is not None and drill.kind in ("hold", "ends", "slow")
            hold = (cue.held_s, drill.hold_s) if held and drill is not None else None
            if practice.stage == "range" and cue.board == "none":
                return now_message(reading, Cue(cue.at_s, "none", "free"), arrived_ms=arrived_ms, hold=None,
                                   angle=self.angle)  # fmt: skip
        judged = practice.judged if practice is not None and self._carrying else None
        return now_message(reading, cue, arrived_ms=arrived_ms, hold=hold, angle=self.angle, judged=judged)

    @property
    def angle(self) -> str:
        """The one on the board and the level."""
        practice = self.practice
        angle = practice.drill.angle if practice is not None and practice.drill is not None else "wrist_flexion"
        return angle if angle in NOW_ANGLES else "wrist_flexion"

    async def _tick(self) -> None:
        """What sends nothing any more is said; the runner of a drill does that by itself."""
        while True:
            await asyncio.sleep(_TICK_S)
            now = self.session.source.now_s()
            if self.practice is not None and self.practice.stage == "range":
                self.broadcast(practice_message(self.practice, alone=self.alone))  # how far it was bent so far
            silent = self._heard is not None and time.monotonic() - self._heard > _STALE_S
            if silent and self.runner is None and self._latest is not None and not self.coach.paused:
                self._decide(Reading(now, now, {}, 0.0), lost=True)

    async def _shelve(self) -> None:
        while True:
            await asyncio.sleep(_SHELF_S)
            self._send_shelf()

    def _send_shelf(self) -> None:
        recorder = self.session.recorder
        self.broadcast(
            {
                "type": "shelf",
                "elapsed": max(0, round(self.session.source.now_s() - self.session.started_s)),
                "recording": recorder is not None and recorder.trouble is None,
                "sensors": [
                    {
                        "role": s.role,
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

    def state(self) -> dict[str, Any]:
        practice = self.practice
        band: Sequence[float] | None = self.band
        name = say("live.wrist_now")
        if practice is not None:
            drill = practice.drill
            # the band of a change is none of the angle's
            judged = drill is not None and (not drill.is_change or self._carrying)
            band = practice.band_now if judged else None
            name = drill.in_language(drill.title, LANGUAGE) if drill is not None else name
        return {
            "type": "session",
            "open": True,
            "band": None if band is None else list(band),
            "angle": self.angle,
            "change": self._carrying,
            "bandName": name,
            "club": self.session.club,
            "handedness": self.session.handedness,
            "paused": self.coach.paused,
            "ready": self.coach.angles is not None,
            "calibrating": self._calibrating,
            "guide": self.guide is not None and not self.guide.finished,
            "hurt": self.hurt,
            "alone": self.alone,
            "channels": self.channels(),
        }

    @property
    def _carrying(self) -> bool:
        return self.practice is not None and self.practice.where.get("carry") == "down"

    def channels(self) -> dict[str, bool | None]:
        """Which alerts are on; None where the drill has none of that kind."""
        practice = self.practice
        if practice is None or practice.drill is None:
            return {name: name not in self.off for name in CHANNELS}
        off = practice.channels_off
        return {name: name not in off if name in practice.drill.channels else None for name in CHANNELS}

    def _channels(self) -> tuple[str, ...]:
        return tuple(name for name in CHANNELS if name not in self.off)

    def tell(self) -> None:
        """How the session stands, to every screen."""
        self.broadcast(self.state())

    def broadcast(self, message: Mapping[str, Any], *, own: bool = False) -> None:
        """To every screen; `own`: only to those of this machine."""
        if not self.screens:
            return
        text = json.dumps(message, ensure_ascii=False, allow_nan=False)
        others = text if message.get("link") is None else json.dumps({**message, "link": None}, ensure_ascii=False)
        for screen in tuple(self.screens):
            if screen.own or not own:
                screen.put(str(message["type"]), text if screen.own else others)

    # -- from the screens
    def do(self, message: Mapping[str, Any]) -> bool:
        """What was tapped. False for what is unknown here: an old page may still be open."""
        what = message.get("do")
        if what == "pause":
            self.coach.paused = not self.coach.paused
        elif what == "setup":
            self.begin_guide()
        elif what in ("again", "skip", "back"):
            if self.guide is None:
                return True
            {"again": self.guide.again, "skip": self.guide.skip, "back": self.guide.back}[str(what)]()
            if self.guide.finished and not self._calibrating:
                self.calibrate()
            self.broadcast(guide_message(self.guide.state()))
        elif what == "stop_setup":
            self.guide, self.coach.setting_up = None, False
        elif what == "cautions_read":
            self.cautioned = True
            if self.runner is not None:
                self.runner.do("cautions_read")
        elif what == "channel":
            self._turn(str(message.get("name")), bool(message.get("on")))
        elif what == "practice":
            self._practise(message)
        elif what == "hurts":
            self._hurts(str(message.get("text") or "")[:300])
        elif what == "go_on":
            if self.alone:
                return True  # the session has ended
            self.hurt = None
            if self.practice is not None and self.practice.stage == "hurt":
                self.end_practice()
        elif what == "stats":
            late = self.runner.late_ms if self.runner is not None else self._decided_ms
            self.broadcast({"type": "stats", "decided_ms": [round(x, 2) for x in late]})
            late.clear()
            return True
        else:
            return False
        self.tell()
        return True

    def _turn(self, name: str, on: bool) -> None:
        if name not in CHANNELS:
            return
        (self.off.discard if on else self.off.add)(name)
        self._alerts.channels = self._channels()
        if self.runner is not None:
            self.runner.do("channel", name=name, on=on)

    def _practise(self, message: Mapping[str, Any]) -> None:
        if self.runner is None:
            return
        what = str(message.get("what"))
        if what == "close":
            if not self.alone:
                self.end_practice()
        elif what in ("range_done", "range_skip", "begin", "pass", "next", "skip", "stop"):
            self.runner.do(what)
        elif what == "guess":
            self.runner.do("guess", side=message.get("side"), deg=message.get("deg"))

    def _hurts(self, text: str) -> None:
        """Everything stops at once; what to do stands on the page."""
        first = self.hurt is None
        self.hurt = " ".join(part for part in (self.hurt, text) if part)
        if self.runner is not None:
            self.runner.do("hurts", text=text)
        self.on_hurt(self.hurt, first=first)

    def on_hurt(self, text: str, *, first: bool) -> None:
        """For who marks the session."""

    def calibrate(self) -> None:
        """The poses are held: work out the calibration, and go live."""
        self.coach.setting_up = False
        self._calibrating = True
        self.coach.calibrate()
        self.tell()

    async def calibrated(self) -> None:
        """Until the calibration is worked out, or could not be."""
        while self._calibrating:
            await asyncio.sleep(0.02)

    def begin_guide(self) -> None:
        self.guide = Guide(set(self.session.source.sensors), self.session.hold)
        self.coach.setting_up = True

    def greeting(self) -> list[Mapping[str, Any]]:
        first: list[Mapping[str, Any]] = [self.state(), *list(self._notices)[-5:]]
        if self._last_swing is not None:
            first.append(swing_message(self._last_swing, hidden=self._withheld))
        if self.guide is not None and not self.guide.finished:
            first.append(guide_message(self.guide.state()))
        if self.practice is not None:
            first.append(practice_message(self.practice, alone=self.alone))
        return first


class Screen:
    """One socket. What it cannot take in time is replaced by what is newer: a slow phone sees fewer
    pictures, never old ones."""

    def __init__(self, *, own: bool) -> None:
        self.own = own  # of this machine, not a phone on the network
        self._waiting: dict[str, str] = {}
        self._ordered: list[str] = []
        self._news = asyncio.Event()
        self._over = False

    def put(self, kind: str, text: str) -> None:
        if kind in ("now", "shelf", "guide", "session", "practice", "room"):
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
        # what the rest is read by comes first
        first = [text for kind in ("room", "session") if (text := self._waiting.pop(kind, None))]
        out = [*first, *self._ordered, *self._waiting.values()]
        self._ordered, self._waiting = [], {}
        return out


# -- routes ----------------------------------------------------------------------------------------
def attach(server: FastAPI, room: Room, *, own: bool = True, nav: Sequence[tuple[str, str]] = ()) -> None:
    """The page at /live, its socket and files. Who may ask is the server's guard's business, and a
    second time the socket's own: browsers let any page open a socket to any address. `own`: this
    machine's screens, which may see students. `nav`: label and address of the other pages."""
    server.mount("/live/static", StaticFiles(directory=ASSETS), name="live")

    @server.get("/live", include_in_schema=False)
    async def page() -> Response:
        return HTMLResponse(page_text(nav))

    @server.get("/live/tokens.css", include_in_schema=False)
    async def tokens() -> Response:
        return FileResponse(SHARED / "tokens.css")

    @server.get("/live/mark.svg", include_in_schema=False)
    async def mark() -> Response:
        return FileResponse(SHARED / "mark.svg")

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
        screen = Screen(own=own)
        room.enter(screen)
        try:
            await _both(_send(socket, screen), _receive(socket, room, own))
        finally:
            room.leave(screen)
            with contextlib.suppress(RuntimeError, WebSocketDisconnect):
                await socket.close()


def page_text(nav: Sequence[tuple[str, str]]) -> str:
    """The page in the user's language."""
    import html
    import re

    text = (ASSETS / "live.html").read_text(encoding="utf-8")
    links = "".join(f'<a href="{html.escape(to)}">{html.escape(label)}</a>' for label, to in nav)
    here = f'<a href="/live" aria-current="page">{html.escape(say("live.page"))}</a>'
    script = json.dumps(group("live"), ensure_ascii=False).replace("<", "\\u003c")
    filled = {"language": LANGUAGE, "nav": here + links if nav else "", "words": script}
    words = catalogue()
    return re.sub(
        r"\{\{([a-z_.]+)\}\}", lambda m: filled[m[1]] if m[1] in filled else html.escape(words[m[1]], quote=True), text
    )


def live_server(room: Room) -> FastAPI:
    """A server of the live page alone, for this machine: the guard of the dashboard stands before it."""
    from fastapi.responses import RedirectResponse

    from dashboard.app import Guard

    server = FastAPI(docs_url=None, redoc_url=None, openapi_url=None)
    server.add_middleware(Guard, pages=())
    attach(server, room)

    @server.get("/", include_in_schema=False)
    async def home() -> Response:
        return RedirectResponse("/live")

    return server


def same_origin(origin: str | None, host: str | None) -> bool:
    """Whether a page of this very server asks. A socket without an origin is no browser's."""
    from urllib.parse import urlsplit

    return bool(host) and (origin is None or urlsplit(origin).netloc == host)


async def _send(socket: WebSocket, screen: Screen) -> None:
    while True:
        for text in await screen.next():
            await socket.send_text(text)


async def _receive(socket: WebSocket, room: Room, own: bool) -> None:
    while True:
        text = await socket.receive_text()
        if len(text) > 4096:
            continue
        with contextlib.suppress(ValueError, TypeError):
            message = json.loads(text)
            if isinstance(message, dict):
                await room.do(message, own=own)


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
