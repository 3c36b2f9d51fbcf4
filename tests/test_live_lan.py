"""Phones on the network: nothing without the code, the code works once, no socket for other pages."""

from __future__ import annotations

import asyncio
import http.client
import json
import re
import ssl
import threading

import pytest

pytest.importorskip("cryptography", reason="the certificate is made with cryptography")

from dashboard.lan import TRIES, Pairing, certificate_for, lan_app
from dashboard.live_room import Room


class Lan:
    """The network's server on loopback, in a thread, with its certificate."""

    def __init__(self, place) -> None:
        self.place = place
        self.ready = threading.Event()
        self.said: list[str] = []
        self.thread = threading.Thread(target=lambda: asyncio.run(self.main()), daemon=True)

    async def main(self) -> None:
        import socket

        import uvicorn

        listening = socket.create_server(("127.0.0.1", 0))
        self.port = listening.getsockname()[1]
        room = Room()
        self.pairing = Pairing(say=self.said.append, address=f"https://127.0.0.1:{self.port}")
        certificate, key = certificate_for("127.0.0.1", self.place)
        self.certificate = certificate
        config = uvicorn.Config(
            lan_app(room, self.pairing), log_level="error", lifespan="off", ssl_certfile=certificate, ssl_keyfile=key
        )
        self.server = uvicorn.Server(config)
        self.ready.set()
        await self.server.serve(sockets=[listening])
        await room.close()

    def __enter__(self) -> Lan:
        self.thread.start()
        assert self.ready.wait(10)
        return self

    def __exit__(self, *_: object) -> None:
        self.server.should_exit = True
        self.thread.join(10)

    def trust(self) -> ssl.SSLContext:
        return ssl.create_default_context(cafile=str(self.certificate))

    def ask(self, method: str, path: str, body: str | None = None, **headers: str):
        link = http.client.HTTPSConnection("127.0.0.1", self.port, context=self.trust(), timeout=10)
        kind = {"content-type": "application/x-www-form-urlencoded"} if body else {}
        link.request(method, path, body, kind | headers)
        answer = link.getresponse()
        return answer.status, answer.read().decode(), dict(answer.getheaders())


@pytest.fixture
def lan(tmp_path):
    with Lan(tmp_path / "network") as served:
        yield served


def test_a_phone_comes_in_by_the_code_once(lan):
    for path in ("/live", "/", "/live/static/live.js", "/live/tokens.css"):
        status, text, _ = lan.ask("GET", path)
        assert status == 401
        assert "code" in text
        assert "board" not in text
    code = lan.pairing.code
    status, _, headers = lan.ask("GET", f"/pair?code={code.lower()}")
    assert (status, headers["location"]) == (303, "/live")
    cookie = headers["set-cookie"]
    for word in ("HttpOnly", "Secure", "SameSite=strict"):
        assert word.lower() in cookie.lower()
    cookie = cookie.split(";")[0]
    status, text, _ = lan.ask("GET", "/live", cookie=cookie)
    assert status == 200
    assert "board" in text
    assert lan.ask("GET", f"/pair?code={code}")[0] == 401  # used
    assert lan.ask("POST", "/pair", f"code={lan.pairing.code}")[0] == 303  # the next one, typed
    assert lan.ask("GET", "/live", cookie="cupbow_pair=guess")[0] == 401


def test_wrong_codes_use_the_code_up(lan):
    code = lan.pairing.code
    for _ in range(TRIES):
        assert lan.ask("POST", "/pair", "code=WRONGONE")[0] == 401
    assert lan.pairing.code != code
    assert lan.ask("POST", "/pair", f"code={code}")[0] == 401
    assert any("wrong codes" in line for line in lan.said)


def test_the_socket_wants_cookie_and_own_page(lan):
    from websockets.exceptions import WebSocketException
    from websockets.sync.client import connect

    own = f"https://127.0.0.1:{lan.port}"
    cookie = lan.ask("GET", f"/pair?code={lan.pairing.code}")[2]["set-cookie"].split(";")[0]

    def knock(origin: str | None, cookie: str | None) -> str | None:
        headers = {"Cookie": cookie} if cookie else {}
        try:
            with connect(
                own.replace("https", "wss") + "/live/stream", ssl=lan.trust(), origin=origin, additional_headers=headers
            ) as link:
                return json.loads(link.recv(timeout=5))["type"]
        except WebSocketException:
            return None

    assert knock(own, cookie) == "room"
    assert knock(own, None) is None
    assert knock("https://evil.example", cookie) is None


def test_recordings_are_not_served_there(lan):
    cookie = lan.ask("GET", f"/pair?code={lan.pairing.code}")[2]["set-cookie"].split(";")[0]
    for path in ("/files/x", "/_dash-layout", "/live/static/../live.py", "/live/fonts/..%2f..%2fapp.py", "/docs"):
        assert lan.ask("GET", path, cookie=cookie)[0] == 404


def test_the_certificate_is_kept_and_made_anew_for_another_address(tmp_path):
    first = certificate_for("192.0.2.7", tmp_path)[0].read_bytes()
    assert certificate_for("192.0.2.7", tmp_path)[0].read_bytes() == first
    assert certificate_for("192.0.2.8", tmp_path)[0].read_bytes() != first
    assert (tmp_path / "key.pem").stat().st_mode & 0o077 == 0


def test_codes_are_drawn_and_readable():
    said: list[str] = []
    codes = {Pairing(say=said.append, address="https://a").code for _ in range(200)}
    assert len(codes) == 200
    assert all(re.fullmatch(r"[A-HJ-NP-Z2-9]{8}", code) for code in codes)
    assert "works once" in said[0]
