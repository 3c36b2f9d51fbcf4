"""`cupbow live`: a live session over sensors that are near, or over a recording played as if live."""

from __future__ import annotations

import argparse
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from imu.commands.record import _assignment
from imu.commands.sensors import add_layout_argument, layouts

if TYPE_CHECKING:
    from fastapi import FastAPI

    from dashboard.live_room import Room


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--replay", type=Path, metavar="PATH", help="play this recording in place of sensors")
    parser.add_argument("--speed", type=float, default=1.0, metavar="X", help="of the replay, times its own pace (1)")
    parser.add_argument("--student", metavar="NAME", help="file the recordings in the library, under this student")
    parser.add_argument(
        "--handed",
        choices=("right", "left"),
        help="the golfer's handedness (with sensors and without a student: needed)",
    )
    parser.add_argument("--club", help="the club, for example 7-iron")
    parser.add_argument(
        "--sensor", action="append", type=_assignment, default=[], metavar="ROLE=WHICH",
        help="which sensor is worn where: forearm, hand or club = its address or name",
    )  # fmt: skip
    parser.add_argument("--record", type=Path, metavar="FOLDER", help="record into numbered folders in here")
    parser.add_argument(
        "--band", nargs=2, type=float, default=(-10.0, 10.0), metavar=("LOW", "HIGH"),
        help="the wrist's band on the level, degrees, cupped negative (-10 10)",
    )  # fmt: skip
    parser.add_argument("--port", type=int, help="port on this machine")
    parser.add_argument("--no-browser", action="store_true", help="do not open a browser")
    parser.add_argument(
        "--lan", action="store_true",
        help="let a phone on the same network in, by a code shown here (docs/live.md)",
    )  # fmt: skip
    add_layout_argument(parser)


def run(args: argparse.Namespace) -> int:
    import asyncio

    from imu.errors import UsageError

    if args.band[0] >= args.band[1]:
        raise UsageError(f"--band {args.band[0]:g} {args.band[1]:g}: the lower edge comes first")
    if not args.speed > 0:
        raise UsageError(f"--speed {args.speed:g}: must be above 0")
    if args.student and args.record:
        raise UsageError("--student files in the library, --record in folders: choose one")
    student = _student(args.student) if args.student else None
    if args.replay:
        from imu import readers

        recording = readers.read(args.replay, handed=args.handed or (student[1] if student else None))

        async def play(room: Room) -> None:
            await room.read_library()
            await room.open_recording(
                recording, speed=args.speed, student_id=student[0] if student else None, folder=args.record
            )

        return serve_live(args, play)
    handedness = args.handed or (student[1] if student else None)
    if not handedness:
        raise UsageError("--handed right or left, or --student: say which golfer wears the sensors")
    from imu.readers.ble import BleSource, assign, scan

    assigned, said = assign(asyncio.run(scan(layouts(args), batteries=True)), dict(args.sensor))
    for line in said:
        print(line)
    for role, one in assigned.items():
        print(f"{role}: {one.name} ({one.address})" + (f": {one.remark}" if one.remark else ""))

    async def listen(room: Room) -> None:
        await room.read_library()
        await room.open(
            BleSource(assigned), handedness=handedness, club=args.club, student_id=student[0] if student else None,
            folder=args.record,
        )  # fmt: skip

    return serve_live(args, listen)


def serve_live(args: argparse.Namespace, begin: Callable[[Room], Awaitable[Any]]) -> int:
    """The live page first, the other pages beside it."""
    from dashboard.commands.serve import serve_room
    from imu.bands import shipped

    closing: list[Callable[[], None]] = []

    def application(room: Room) -> FastAPI:
        from dashboard.app import create_app
        from dashboard.service import Service

        service = Service(getattr(args, "shown", None) or _recordings(args.record))
        closing.append(service.close)
        server: FastAPI = create_app(service, room).server
        return server

    try:
        return serve_room(
            application, port=args.port, browser=not args.no_browser, path="/live", begin=begin, lan=args.lan,
            bands=shipped(), band=tuple(args.band), layouts=lambda: layouts(args),
        )  # fmt: skip
    finally:
        for close in closing:
            close()


def _recordings(record: Path | None) -> Path:
    """What the other pages show beside the library: the folders recorded into, else nothing."""
    import platformdirs

    folder = record or Path(platformdirs.user_cache_dir("cupbow")) / "none"
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def _student(name: str) -> tuple[str, Any]:
    from dashboard.commands.serve import own_library
    from imu.errors import UsageError
    from imu.library import finding

    library = own_library()
    if library is None:
        raise UsageError(f"--student {name}: there is no library yet; enter students on the page, or with cupbow add")
    with library:
        found = finding.student_named(library, name)
        return found.id, found.handedness
