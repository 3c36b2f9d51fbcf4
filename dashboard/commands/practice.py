"""`cupbow practice PLAN`: today's session of a plan on the live page, over the student's own sensors.

The page alone is served: no other student's, no library. The session is a file beside the plan, for the
coach; with `--record` the samples are kept as well.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from imu.commands import practice as terminal
from imu.commands.record import _assignment
from imu.commands.sensors import add_layout_argument, layouts

if TYPE_CHECKING:
    from dashboard.live import Hub
    from dashboard.live_room import Room
    from imu.practice.acting import Acted


def add_arguments(parser: argparse.ArgumentParser) -> None:
    terminal.add_arguments(parser)
    parser.add_argument(
        "--sensor", action="append", type=_assignment, default=[], metavar="ROLE=WHICH",
        help="which sensor is worn where: forearm, hand or club = its address or name",
    )  # fmt: skip
    parser.add_argument(
        "--record", type=Path, metavar="FOLDER", help="record the samples into numbered folders in here"
    )
    parser.add_argument("--port", type=int, help="port on this machine")
    parser.add_argument("--no-browser", action="store_true", help="do not open a browser")
    parser.add_argument(
        "--lan", action="store_true",
        help="let your phone on the same network in, by a code shown here (docs/live.md)",
    )  # fmt: skip
    add_layout_argument(parser)


def run(args: argparse.Namespace) -> int:
    if args.text:
        return terminal.run(args)
    if args.virtual:
        practice, acted = terminal.opened(args)
    else:
        practice, acted = terminal.open_session(args), None
    if practice.stage == "done":
        print("This session is done already.")
        return 0

    if acted is None:
        source, club = _sensors(args), practice.plan.club or None

        async def begin(room: Room) -> Any:
            return await room.open(
                source, handedness=practice.plan.handedness, club=club, folder=args.record, practice=practice
            )
    else:
        from imu.readers.virtual import ReplaySource

        played = ReplaySource(acted.recording, speed=args.speed, skip_s=acted.calibrated_s, outages=acted.outages)

        async def begin(room: Room) -> Any:
            hub = await room.open(
                played, handedness=acted.recording.handedness, club=acted.recording.club, folder=args.record,
                poses=acted.recording.poses, calibrate_at_s=acted.calibrated_s, virtual=True, practice=practice,
                after_cautions=True,
            )  # fmt: skip
            hub.follow(_taps(hub, acted))

    from dashboard.commands.serve import serve_room
    from dashboard.live import live_server

    try:
        return serve_room(
            live_server, port=args.port, browser=not args.no_browser, path="/live", begin=begin, lan=args.lan,
            library=_none, kind="practice",
        )  # fmt: skip
    finally:
        terminal.told(practice)


async def _taps(hub: Hub, acted: Acted) -> None:
    """The virtual student taps too; who looks on may tap before."""
    import asyncio

    from imu.practice.acting import Student

    student = Student(acted)
    while hub.practice is not None:
        await asyncio.sleep(0.1)
        tapped = student.tap(hub.practice.state(), hub.session.source.now_s()) if hub.cautioned else None
        if tapped is not None and hub.runner is not None:
            what, fields = tapped
            if what == "hurts":
                hub.do({"do": "hurts", **fields})
            else:
                hub.runner.do(what, **fields)


def _none() -> None:
    """A student's page shows no library."""


def _sensors(args: argparse.Namespace) -> Any:
    import asyncio

    from imu.errors import UsageError
    from imu.readers.ble import BleSource, assign, scan

    assigned, said = assign(asyncio.run(scan(layouts(args), batteries=True)), dict(args.sensor))
    for line in said:
        print(line)
    if not assigned:
        raise UsageError("no sensor with a role is near; switch them on, or name one, as in --sensor forearm=ADDRESS")
    for role, one in assigned.items():
        print(f"{role}: {one.name} ({one.address})" + (f": {one.remark}" if one.remark else ""))
    return BleSource(assigned)
