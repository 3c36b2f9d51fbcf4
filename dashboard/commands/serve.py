"""`cupbow serve [PATH]`: the dashboard over the recordings at PATH, for this machine alone."""

from __future__ import annotations

import argparse
import socket
import sys
import threading
import webbrowser
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from imu.errors import CupbowError, UsageError

if TYPE_CHECKING:
    from fastapi import FastAPI

    from dashboard.live_room import Room
    from imu.library import Library

HOST = "127.0.0.1"
PORT = 8050
TRIES = 20


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("path", nargs="?", default=".", help="a recording, or a folder of recordings (default: here)")
    add_server_arguments(parser)


def add_server_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--port", type=int, help=f"port on this machine (default: {PORT}, or the next that is free)")
    parser.add_argument("--no-browser", action="store_true", help="do not open a browser")


def run(args: argparse.Namespace) -> int:
    return serve(Path(args.path), port=args.port, browser=not args.no_browser)


def serve(root: Path, *, port: int | None, browser: bool) -> int:
    """Serves until Ctrl-C; exit code 0."""
    from dashboard.service import Service

    service: list[Service] = []

    def application(room: Room) -> FastAPI:
        from dashboard.app import create_app

        service.append(Service(root))
        server: FastAPI = create_app(service[0], room).server
        return server

    try:
        return serve_room(application, port=port, browser=browser)
    finally:
        for one in service:
            one.close()


def serve_room(
    application: Callable[[Room], FastAPI],
    *,
    port: int | None,
    browser: bool,
    path: str = "/",
    begin: Callable[[Room], Awaitable[Any]] | None = None,
    lan: bool = False,
    library: Callable[[], Library | None] | None = None,
    **room: Any,
) -> int:
    """Serve an application with a live room until Ctrl-C; exit code 0. `begin` opens the room's session
    once the server is there; `room`: what else it is made with. When the server stops, what was recorded
    is completed and measured."""
    import asyncio

    # The socket comes first: who gets the address may come at once and waits those moments that
    # the imports below take.
    listening = _listen(port)
    address = f"http://{HOST}:{listening.getsockname()[1]}{path}"

    async def main() -> None:
        import contextlib

        import uvicorn

        from dashboard.live_room import Room
        from imu.bands import shipped

        room.setdefault("bands", shipped())
        held = Room(library=library or own_library, say_line=lambda line: print(line, file=sys.stderr), **room)
        app = application(held)
        print(f"cupbow: {address} (Ctrl-C stops)", flush=True)
        if browser:
            threading.Thread(target=webbrowser.open, args=(address,), daemon=True).start()
        server = uvicorn.Server(uvicorn.Config(app, log_level="warning", lifespan="off", ws_max_size=1 << 20))
        with contextlib.ExitStack() as stack:
            servers = [server.serve(sockets=[listening])]
            if lan:
                from dashboard.lan import lan_servers

                servers += stack.enter_context(lan_servers(held))
            serving = [asyncio.create_task(one) for one in servers]
            try:
                if begin is not None:
                    await begin(held)
                await asyncio.wait(serving, return_when=asyncio.FIRST_COMPLETED)
            finally:
                await held.close()
                for task in serving:
                    task.cancel()
                await asyncio.gather(*serving, return_exceptions=True)

    try:
        asyncio.run(main())
    except KeyboardInterrupt:
        print()  # uvicorn has shut down already, and raises again
    finally:
        listening.close()
    return 0


def own_library() -> Library | None:
    """The user's library; None where there is none yet."""
    from imu.library import Library
    from imu.library.store import NoLibrary

    try:
        return Library.open(create=False)
    except NoLibrary:
        return None


def _listen(port: int | None) -> socket.socket:
    """A listening socket on the loopback interface: at the port wanted, else at the first free one."""
    if port is not None and not 0 <= port <= 65535:
        raise UsageError(f"--port {port}: a port is a number from 0 to 65535")
    wanted = range(PORT, PORT + TRIES) if port is None else (port,)
    for number in wanted:
        listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        if sys.platform != "win32":
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listening.bind((HOST, number))
        except OSError:
            listening.close()
            continue
        listening.listen(128)
        return listening
    raise CupbowError(f"port {wanted[0]} is taken on this machine; choose another with --port")
