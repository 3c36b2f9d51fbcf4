"""`cupbow demo`: the dashboard over the demo recordings (invented people, simulated swings)."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

import dashboard
from dashboard.commands.serve import add_server_arguments, serve
from imu.errors import CupbowError

if TYPE_CHECKING:
    from dashboard.live_room import Room


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_server_arguments(parser)
    parser.add_argument("--live", action="store_true", help="the live page over virtual sensors")


def run(args: argparse.Namespace) -> int:
    if args.live:
        return live(args)
    return serve(demo_recordings(), port=args.port, browser=not args.no_browser)


def live(args: argparse.Namespace) -> int:
    """The newest demo recording as virtual sensors, the dashboard over the others beside it."""
    from dashboard.commands.live import serve_live
    from imu import readers

    root = demo_recordings()
    latest = max(path.parent for path in root.rglob("recording.toml"))

    async def play(room: Room) -> None:
        await room.open_recording(readers.read(latest))

    return serve_live(
        argparse.Namespace(
            record=None,
            shown=root,
            port=args.port,
            no_browser=args.no_browser,
            lan=False,
            band=(-10.0, 10.0),
            layouts=None,
        ),
        play,
    )


def demo_recordings() -> Path:
    """The recordings that come with the source."""
    root = Path(dashboard.__file__).parents[1] / "recordings"
    if not root.is_dir() or not any(root.rglob("recording.toml")):
        raise CupbowError(f"{root}: the demo recordings are not here; get the whole source, or serve a folder of yours")
    return root
