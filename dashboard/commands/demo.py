"""`cupbow demo`: the dashboard over the demo recordings (invented people, simulated swings)."""

from __future__ import annotations

import argparse
from pathlib import Path

import dashboard
from dashboard.commands.serve import add_server_arguments, serve
from imu.errors import CupbowError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_server_arguments(parser)


def run(args: argparse.Namespace) -> int:
    return serve(demo_recordings(), port=args.port, browser=not args.no_browser)


def demo_recordings() -> Path:
    """The recordings that come with the source."""
    root = Path(dashboard.__file__).parents[1] / "recordings"
    if not root.is_dir() or not any(root.rglob("recording.toml")):
        raise CupbowError(f"{root}: the demo recordings are not here; get the whole source, or serve a folder of yours")
    return root
