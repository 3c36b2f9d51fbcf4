"""`cupbow record FOLDER`: record the sensors that are near, on the terminal, until Ctrl-C."""

from __future__ import annotations

import argparse
from pathlib import Path

from imu.commands.sensors import add_layout_argument, layouts

ROLES = ("forearm", "hand", "club")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("folder", type=Path, metavar="FOLDER", help="an empty folder, or one to be made")
    parser.add_argument("--handed", choices=("right", "left"), required=True, help="the golfer's handedness")
    parser.add_argument("--club", help="the club, for example 7-iron")
    parser.add_argument(
        "--sensor",
        action="append",
        type=_assignment,
        default=[],
        metavar="ROLE=WHICH",
        help="which sensor is worn where: forearm, hand or club = its address or name; "
        "may be left out for sensors whose own name says it",
    )
    parser.add_argument("--seconds", type=float, metavar="S", help="end by itself after so long")
    add_layout_argument(parser)


def _assignment(text: str) -> tuple[str, str]:
    role, _, which = text.partition("=")
    if role not in ROLES or not which:
        raise argparse.ArgumentTypeError(f"{text!r} is not ROLE=WHICH, with role {', '.join(ROLES)}")
    return role, which


def run(args: argparse.Namespace) -> int:
    import asyncio

    from imu.cli import CAUTIONS
    from imu.commands.replay import play
    from imu.errors import UsageError
    from imu.readers.ble import BleSource, assign, scan
    from imu.recorder import Recorder, refuse_taken

    known = layouts(args)
    if args.seconds is not None and args.seconds <= 0:
        raise UsageError(f"--seconds {args.seconds:g}: is above 0")
    refuse_taken(args.folder)  # before the search, which takes its time
    found = asyncio.run(scan(known, batteries=True))
    assigned, said = assign(found, dict(args.sensor))
    for line in said:
        print(line)
    if not assigned:
        raise UsageError(
            "no sensor with a role is near; name one, as in --sensor forearm=ADDRESS (cupbow sensors lists them)"
        )
    for role, one in assigned.items():
        battery = "" if one.battery_percent is None else f", battery {one.battery_percent} %"
        print(f"{role}: {one.name} ({one.address}){battery}" + (f": {one.remark}" if one.remark else ""))
    print(CAUTIONS)
    source = BleSource(assigned)
    recorder = Recorder(args.folder, handedness=args.handed, club=args.club, sensors=source.sensors)
    try:
        return play(source, handedness=args.handed, club=args.club, recorder=recorder, seconds=args.seconds)
    except KeyboardInterrupt:  # the way to end a recording
        print(recorder.trouble or f"recorded in {recorder.folder}")
        return 0
