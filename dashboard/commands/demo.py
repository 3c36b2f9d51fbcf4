"""`cupbow demo`: the dashboard over the demo recordings (invented people, simulated swings)."""

from __future__ import annotations

import argparse
from pathlib import Path

import dashboard
from dashboard.commands.serve import add_server_arguments, serve
from imu.errors import CupbowError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_server_arguments(parser)
    parser.add_argument("--live", action="store_true", help="the live page over virtual sensors")


def run(args: argparse.Namespace) -> int:
    if args.live:
        from dashboard.commands.live import serve_recording
        from imu import readers

        latest = max(path.parent for path in demo_recordings().rglob("recording.toml"))
        return serve_recording(readers.read(latest), port=args.port, browser=not args.no_browser)
    return serve(demo_recordings(), port=args.port, browser=not args.no_browser)


def demo_recordings() -> Path:
    """The recordings that come with the source."""
    root = Path(dashboard.__file__).parents[1] / "recordings"
    if not root.is_dir() or not any(root.rglob("recording.toml")):
        raise CupbowError(f"{root}: the demo recordings are not here; get the whole source, or serve a folder of yours")
    return root
