"""The live page: who may listen, and the page itself in a browser. What the board says and when is tested
in test_practice_alerts.py, drills on the page in test_live_drills.py."""

from __future__ import annotations

import asyncio
import json
import math
import re
import threading
import time
from pathlib import Path

import numpy as np
import pytest
from fastapi import FastAPI

from dashboard.live import attach, live_server, same_origin
from dashboard.live_room import Room
from imu.live_angles import Now, Reading
from imu.live_coach import LiveCoach
from imu.readers.virtual import Outage, ReplaySource
from imu.recording import Recording, Stream


def recording(seconds: float = 30.0) -> Recording:
    t = np.arange(0, seconds, 0.005)
    accel, gyro = np.tile([0.0, 0.0, 9.81], (len(t), 1)), np.zeros((len(t), 3))
    return Recording(
        streams={r: Stream(r, t, accel, gyro, source=r) for r in ("forearm", "hand", "club")}, handedness="right"
    )


class Wave:
    """Angles that are known: the wrist goes to and fro."""

    def __init__(self) -> None:
        self.t = 0.0

    def feed(self, chunk) -> None:
        self.t = chunk.arrival_s

    def reading(self) -> Reading:
        wrist = Now(25 * math.sin(self.t), 4.0)
        gone = Now(None, None, "club sensor lost")
        angles = {"wrist_flexion": wrist, "wrist_deviation": wrist, "face_to_forearm": gone, "shaft_elevation": gone}
        return Reading(self.t, self.t, angles, 10.0)


# -- who may listen -------------------------------------------------------------------------------
def test_only_its_own_pages_may_open_the_socket():
    assert same_origin("http://127.0.0.1:8050", "127.0.0.1:8050")
    assert same_origin(None, "127.0.0.1:8050")  # no browser
    assert not same_origin("http://evil.example", "127.0.0.1:8050")
    assert not same_origin("http://127.0.0.1:9999", "127.0.0.1:8050")
    assert not same_origin("null", "127.0.0.1:8050")
    assert not same_origin(None, None)


# -- the page -------------------------------------------------------------------------------------
class Served:
    """A live server with a room, in a thread of its own. `begin(room)` opens its session."""

    def __init__(self, begin, *, application=live_server, **room) -> None:
        self.begin, self.application, self.room_with = begin, application, room
        self.ready = threading.Event()
        self.fault: BaseException | None = None
        self.thread = threading.Thread(target=self.run, daemon=True)

    def run(self) -> None:
        try:
            asyncio.run(self.main())
        except BaseException as error:
            self.fault = error
            self.ready.set()
            raise

    async def main(self) -> None:
        import socket

        import uvicorn

        listening = socket.create_server(("127.0.0.1", 0))
        self.address = f"http://127.0.0.1:{listening.getsockname()[1]}/live"
        self.room = room = Room(**self.room_with)
        self.loop = asyncio.get_running_loop()
        config = uvicorn.Config(self.application(room), log_level="error", lifespan="off")
        self.server = uvicorn.Server(config)
        serving = asyncio.create_task(self.server.serve(sockets=[listening]))
        try:
            await self.begin(room)
            self.ready.set()
            await serving
        finally:
            await room.close()

    def ask(self, work):
        """The result of a coroutine on the server's loop."""
        return asyncio.run_coroutine_threadsafe(work, self.loop).result(30)

    def __enter__(self) -> Served:
        self.thread.start()
        assert self.ready.wait(60)
        assert self.fault is None
        return self

    def __exit__(self, *_: object) -> None:
        self.server.should_exit = True
        self.thread.join(30)


@pytest.fixture(autouse=True)
def _no_processes(monkeypatch):
    """Fits run in threads: processes of their own take a second to start."""

    async def here(self, pool, work, *args):
        return await asyncio.to_thread(work, *args)

    monkeypatch.setattr(LiveCoach, "_elsewhere", here)
    monkeypatch.setattr(LiveCoach, "warm", lambda self: None)


def waving(*, guided: bool = False, outages=(), **opened):
    """A session of three virtual sensors at rest, with a wrist that is known to go to and fro."""

    async def begin(room: Room) -> None:
        source = ReplaySource(recording(60.0), outages=outages)
        hub = await room.open(source, handedness="right", club="7-iron", virtual=not guided, **opened)
        if not guided:
            hub.coach.angles = Wave()

    return begin


def bare(room: Room) -> FastAPI:
    """No guard before the route."""
    application = FastAPI()
    attach(application, room)
    return application


def knock(address: str, origin: str | None, host: str | None = None) -> str | None:
    """The first message that the socket gives to a page of this origin, or None where it is refused."""
    from websockets.exceptions import WebSocketException
    from websockets.sync.client import connect

    url = address.replace("http", "ws") + "/stream"
    headers = {"Host": host} if host else None
    try:
        with connect(url, origin=origin, additional_headers=headers, open_timeout=5) as socket:
            return json.loads(socket.recv(timeout=5))["type"]
    except WebSocketException:
        return None


def test_a_foreign_page_is_refused():
    with Served(waving()) as served:
        own = served.address.removesuffix("/live")
        assert knock(served.address, own) == "room"
        assert knock(served.address, "http://evil.example") is None
        assert knock(served.address, own.replace("127.0.0.1", "localhost")) is None


def test_the_route_itself_refuses_where_no_guard_stands_before_it():
    with Served(waving(), application=bare) as served:
        assert knock(served.address, served.address.removesuffix("/live")) == "room"
        assert knock(served.address, "http://evil.example") is None


@pytest.fixture(scope="module")
def chromium():
    sync = pytest.importorskip("playwright.sync_api", reason="browser tests need playwright")
    if not Path("/usr/bin/chromium").exists():
        pytest.skip("browser tests need /usr/bin/chromium")
    flags = "--headless --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking"
    flags += " --disable-component-update --disable-sync"
    with sync.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=flags.split())
        yield browser
        browser.close()


def opened(chromium, address: str, width: int = 1280, height: int = 990):
    page = chromium.new_context(viewport={"width": width, "height": height}).new_page()
    faults: list[str] = []
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on("console", lambda m: faults.append(m.text) if m.type == "error" and "favicon" not in m.text else None)
    page.goto(address)
    return page, faults


AXE = Path(__file__).parent / "vendor" / "axe.min.js"


def serious(page) -> list[str]:
    """What axe-core finds against WCAG, of weight."""
    page.evaluate(AXE.read_text())
    found = page.evaluate("axe.run(document, {resultTypes: ['violations']})")
    return [
        f"{v['id']}: {v['nodes'][0]['html']}" for v in found["violations"] if v["impact"] in ("serious", "critical")
    ]


def test_the_page_asks_for_caution_and_follows_the_wrist(chromium):
    with Served(waving()) as served:
        page, faults = opened(chromium, served.address)
        assert page.locator("#cautions").is_visible()
        assert "Stop when the wrist hurts" in page.locator("#cautions").inner_text()
        page.click("#cautions-ok")
        assert not page.locator("#cautions").is_visible()
        seen = set()
        until = time.monotonic() + 12
        while len(seen) < 4 and time.monotonic() < until:
            seen.add(page.locator("#board").get_attribute("data-state"))
            time.sleep(0.1)
        assert {"in", "cup", "bow", "edge"} <= seen
        assert re.search(r"\d+° (cupped|bowed) ± 4°|On the edge", page.locator("#level").get_attribute("aria-label"))
        assert page.locator("#face-text").inner_text() == "club sensor lost"
        assert page.locator("#shelf li").count() == 3
        page.click("#pause")
        page.wait_for_selector("#board[data-state='none']", timeout=3000)
        page.click("#pause")
        page.wait_for_selector("#board:not([data-state='none'])", timeout=5000)
        assert serious(page) == []
        page.click("#hurts")
        page.wait_for_selector("#hurt[open]")
        assert serious(page) == []
        page.click("#hurt-mistake")
        page.wait_for_selector("#hurt:not([open])", state="attached")
        assert [f for f in faults if "404" not in f] == []


def test_on_a_phone_nothing_is_cut_and_buttons_are_large(chromium):
    with Served(waving()) as served:
        page, _ = opened(chromium, served.address, 390, 790)
        page.click("#cautions-ok")
        page.wait_for_selector("#board:not([data-state='none'])", timeout=8000)
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        for box in page.evaluate(
            "[...document.querySelectorAll('.live-buttons button:not([hidden])')].map(b => b.offsetHeight)"
        ):
            assert box >= 64
        size = page.evaluate("parseFloat(getComputedStyle(document.getElementById('number')).fontSize)")
        assert size >= 100


def test_a_sensor_that_is_lost_is_named_on_the_page(chromium):
    with Served(waving(outages=[Outage("hand", 2.0, 60.0)])) as served:
        page, _ = opened(chromium, served.address)
        page.click("#cautions-ok")
        page.wait_for_selector("#shelf li.away", timeout=10000)
        assert "hand" in page.locator("#shelf li.away").inner_text()
        assert page.locator(".lamp[data-state='lost']").inner_text().strip().endswith("hand")


def test_setting_up_leads_through_the_poses(chromium):
    with Served(waving(guided=True)) as served:
        page, _ = opened(chromium, served.address, 390, 790)
        page.click("#cautions-ok")
        page.wait_for_selector("#guide:not([hidden])", timeout=8000)
        assert page.locator("#rule li").count() == 8
        page.locator("#guide-title", has_text=re.compile("^Club hang$")).wait_for(timeout=8000)
        assert serious(page) == []
        page.click("[data-do=skip]")
        page.locator("#guide-title", has_text=re.compile("^Hang$")).wait_for(timeout=5000)
        # a right-handed golfer's lead arm is the left: the picture is turned
        assert page.locator("#pose path").count() >= 3
        assert page.locator("#pose").evaluate("element => element.style.transform") == "scaleX(-1)"


def test_updates_come_at_thirty_a_second_and_soon(chromium):
    """Loose limits: this machine may be busy. `cupbow benchmark --live` gives the numbers."""
    with Served(waving()) as served:
        page, _ = opened(chromium, served.address)
        page.click("#cautions-ok")
        page.wait_for_selector("#board:not([data-state='none'])", timeout=8000)
        page.evaluate("liveStats.late.length = 0; liveStats.started = performance.now()")
        time.sleep(3)
        late, seconds = page.evaluate("[liveStats.late, (performance.now() - liveStats.started) / 1000]")
        assert len(late) / seconds > 15
        assert float(np.median(late)) < 100


def test_an_empty_room_offers_sensors_or_a_try_without_and_the_other_pages_lead_here(chromium, tmp_path):
    from dashboard.app import PAGES, create_app
    from dashboard.service import Service

    (tmp_path / "recordings").mkdir()
    service = Service(
        tmp_path / "recordings", cache_dir=tmp_path / "c", data_dir=tmp_path / "d", library=tmp_path / "l"
    )

    async def nothing(room: Room) -> None:
        """No session yet."""

    with Served(nothing, application=lambda room: create_app(service, room).server) as served:
        page, _ = opened(chromium, served.address.removesuffix("/live"))
        page.locator("#page-nav a", has_text="Live").click()
        page.wait_for_selector("#start")
        page.click("#cautions-ok")
        assert [a.inner_text() for a in page.locator(".nav a").all()] == ["Live", *(p.label for p in PAGES)]
        assert page.locator("#start-boxes li").count() == 3
        assert page.locator("#search").is_visible()
        assert serious(page) == []
        page.click("#virtual")
        page.wait_for_selector("#shelf li", timeout=20_000)
        assert page.locator("#start").is_hidden()
    service.close()
