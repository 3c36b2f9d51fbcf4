"""`cupbow serve [PATH]`: the dashboard over the recordings at PATH, for this machine alone."""

from __future__ import annotations

import argparse
import socket
import sys
import threading
import webbrowser
from pathlib import Path

from imu.errors import CupbowError, UsageError

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
    # The socket comes first: who gets the address may come at once and waits those moments that
    # the imports below take.
    listening = _listen(port)
    address = f"http://{HOST}:{listening.getsockname()[1]}/"
    try:
        from dashboard.service import Service

        service = Service(root)
        print(f"cupbow: {address} (Ctrl-C stops)", flush=True)
        if browser:
            threading.Thread(target=webbrowser.open, args=(address,), daemon=True).start()
        import uvicorn

        from dashboard.app import create_app

        app = create_app(service)
        config = uvicorn.Config(app.server, log_level="warning", lifespan="off", ws_max_size=1 << 20)
        try:
            uvicorn.Server(config).run(sockets=[listening])
        except KeyboardInterrupt:
            print()  # uvicorn has shut down already, and raises again
        finally:
            service.close()
    finally:
        listening.close()
    return 0


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
