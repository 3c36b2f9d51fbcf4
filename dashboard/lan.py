"""A phone on the same network may look at the live page, if the coach says so with `--lan`.

Only the live page is served there, never recordings or students. A phone is let in by a code that is
shown on this machine, works once, and is replaced after a few wrong tries; it then carries a cookie
that lasts as long as the session. The connection is encrypted with a certificate of this machine's
own (browsers ask once whether to trust it), without which a phone may not keep its screen awake.
"""

from __future__ import annotations

import contextlib
import datetime
import hmac
import ipaddress
import secrets
import socket
import sys
from collections.abc import Coroutine, Iterator
from http.cookies import SimpleCookie
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs

from fastapi import FastAPI
from starlette.datastructures import Headers
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from dashboard.live import attach, same_origin
from dashboard.live_room import Room
from dashboard.words import LANGUAGE, say
from imu.errors import CupbowError

PORT = 8443
COOKIE = "cupbow_pair"
TRIES = 5
_LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ23456789"  # none that read like another

FORM = """<!DOCTYPE html><html lang="LANGUAGE"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1"><title>TITLE</title>
<style>body{font:1.25rem/1.4 system-ui,sans-serif;margin:2rem;max-width:24rem}input,button{font:inherit;font-weight:700;
width:100%;min-height:64px;border:3px solid #000;border-radius:8px;margin:.5rem 0;text-align:center}button{background:#000;color:#fff}
</style></head><body><h1>HEAD</h1><p>WHAT</p>
<form method="post" action="/pair"><label for="code">LABEL</label>
<input id="code" name="code" autocomplete="off" autocapitalize="characters" maxlength="12" required>
<button>BUTTON</button></form></body></html>"""


def _form(what: str) -> str:
    words = {
        "LANGUAGE": LANGUAGE,
        "TITLE": say("pairing.title"),
        "HEAD": say("pairing.head"),
        "WHAT": what,
        "LABEL": say("pairing.label"),
        "BUTTON": say("pairing.button"),
    }
    page = FORM
    for name, text in words.items():
        page = page.replace(name, text)
    return page


class Pairing:
    """Codes that work once, and the phones that were let in."""

    def __init__(self, *, say: Any = print, address: str = "") -> None:
        self._say, self.address = say, address
        self._phones: set[str] = set()
        self._wrong = 0
        self.code = ""
        self.renew()

    def renew(self) -> None:
        self.code = "".join(secrets.choice(_LETTERS) for _ in range(8))
        self._wrong = 0
        self._say(f"cupbow: phone on this network: {self.address}/pair?code={self.code} (works once)")
        with contextlib.suppress(ImportError):
            import segno

            if sys.stdout.isatty():
                segno.make(f"{self.address}/pair?code={self.code}").terminal(compact=True)

    def enter(self, code: str) -> str | None:
        """A cookie for a phone that knows the code; None, and after `TRIES` another code, otherwise."""
        given = "".join(c for c in code.upper() if c.isalnum())
        if hmac.compare_digest(given.encode(), self.code.encode()):
            phone = secrets.token_urlsafe(32)
            self._phones.add(phone)
            self.renew()
            return phone
        self._wrong += 1
        if self._wrong >= TRIES:
            self._say(f"cupbow: {TRIES} wrong codes; the code is another one now")
            self.renew()
        return None

    def knows(self, cookie: str | None) -> bool:
        return cookie is not None and any(hmac.compare_digest(cookie.encode(), p.encode()) for p in self._phones)


class PairGuard:
    """Nothing of the page without the cookie; no socket for pages of others."""

    def __init__(self, app: ASGIApp, *, pairing: Pairing) -> None:
        self.app, self.pairing = app, pairing

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] not in ("http", "websocket"):
            await self.app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        if not same_origin(headers.get("origin"), headers.get("host")):
            await self._refuse(scope, receive, send, 403)
            return
        if scope["type"] == "http" and scope["path"] == "/pair":
            await self._pair(scope, receive, send)
            return
        cookies: SimpleCookie = SimpleCookie()
        with contextlib.suppress(Exception):
            cookies.load(headers.get("cookie", ""))
        mine = cookies.get(COOKIE)
        if not self.pairing.knows(mine.value if mine else None):
            await self._refuse(scope, receive, send, 401)
            return
        await self.app(scope, receive, send)

    async def _pair(self, scope: Scope, receive: Receive, send: Send) -> None:
        request = Request(scope, receive)
        if request.method == "POST":
            body = b""
            async for part in request.stream():
                body += part
                if len(body) > 1024:
                    break
            code = parse_qs(body.decode("utf-8", "replace")).get("code", [""])[0]
        else:
            code = request.query_params.get("code", "")
        phone = self.pairing.enter(code[:32]) if code else None
        if phone is None:
            what = say("pairing.wrong") if code else say("pairing.ask")
            await HTMLResponse(_form(what), 401 if code else 200)(scope, receive, send)
            return
        answer = RedirectResponse("/live", status_code=303)
        answer.set_cookie(COOKIE, phone, secure=True, httponly=True, samesite="strict", path="/")
        await answer(scope, receive, send)

    async def _refuse(self, scope: Scope, receive: Receive, send: Send, status: int) -> None:
        if scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008})
            return
        page = _form(say("pairing.ask"))
        await (HTMLResponse(page, status) if status == 401 else Response(status_code=status))(scope, receive, send)


def lan_app(room: Room, pairing: Pairing) -> FastAPI:
    """The live page alone, behind the pairing."""
    server = FastAPI(docs_url=None, redoc_url=None, openapi_url=None)
    server.add_middleware(PairGuard, pairing=pairing)
    attach(server, room, own=False)

    @server.get("/", include_in_schema=False)
    async def home() -> Response:
        return RedirectResponse("/live")

    return server


@contextlib.contextmanager
def lan_servers(room: Room) -> Iterator[list[Coroutine[Any, Any, None]]]:
    """What to run beside the local server: one that phones on the same network reach."""
    import uvicorn

    address = own_address()
    if address is None:
        raise CupbowError("--lan: this machine is on no network; join one, or a phone's hotspot, and start again")
    certificate, key = certificate_for(address, folder())
    try:
        listening = socket.create_server((address, PORT))
    except OSError:
        listening = socket.create_server((address, 0))
    url = f"https://{address}:{listening.getsockname()[1]}"
    server = uvicorn.Server(
        uvicorn.Config(
            lan_app(room, Pairing(address=url)),
            log_level="error",
            lifespan="off",
            ssl_certfile=str(certificate),
            ssl_keyfile=str(key),
            ws_max_size=1 << 16,
        )
    )
    try:
        yield [server.serve(sockets=[listening])]
    finally:
        listening.close()


def own_address() -> str | None:
    """This machine's address on its network. Nothing is sent: choosing a route is enough."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # TEST-NET-1, RFC 5737
            found = probe.getsockname()[0]
        except OSError:
            return None
    return None if ipaddress.ip_address(found).is_loopback else str(found)


def folder() -> Path:
    import platformdirs

    return Path(platformdirs.user_data_dir("cupbow")) / "network"


def certificate_for(address: str, place: Path) -> tuple[Path, Path]:
    """Certificate and key of this machine, made when there is none for this address or it has run out.

    Kept, so that a phone asks once and not at every session.
    """
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.x509.oid import NameOID

    from imu.measured import write_whole

    certificate, key = place / "certificate.pem", place / "key.pem"
    now = datetime.datetime.now(datetime.UTC)
    ip = ipaddress.ip_address(address)
    with contextlib.suppress(OSError, ValueError, x509.ExtensionNotFound):
        known = x509.load_pem_x509_certificate(certificate.read_bytes())
        names = known.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
        fits = ip in names.get_values_for_type(x509.IPAddress)
        if fits and known.not_valid_after_utc > now + datetime.timedelta(days=7) and key.exists():
            return certificate, key
    place.mkdir(parents=True, exist_ok=True)
    place.chmod(0o700)
    private = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "cupbow on this network")])
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(private.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - datetime.timedelta(hours=1))
        .not_valid_after(now + datetime.timedelta(days=365))
        .add_extension(x509.SubjectAlternativeName([x509.IPAddress(ip)]), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .sign(private, hashes.SHA256())
    )
    secret = private.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )

    def write_secret(path: Path) -> None:
        path.write_bytes(secret)

    write_whole(key, write_secret)
    key.chmod(0o600)
    write_whole(certificate, lambda path: path.write_bytes(made.public_bytes(serialization.Encoding.PEM)))
    return certificate, key
