"""`cupbow practice PLAN`: today's session of a plan, on the terminal over a recording or a virtual student."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from imu.commands.replay import _speed
from imu.errors import UsageError

if TYPE_CHECKING:
    from imu.practice.acting import Acted
    from imu.practice.session import Practice

ACTS = ("good", "low", "high", "unsure", "lost", "hurts")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("plan", type=Path, metavar="PLAN", help="the plan's file, as `cupbow plan` wrote it")
    parser.add_argument(
        "--virtual", choices=ACTS, metavar="ACT",
        help=f"a virtual student in place of sensors: {', '.join(ACTS)}",
    )  # fmt: skip
    parser.add_argument(
        "--sessions", type=Path, metavar="FOLDER", help="where sessions are kept (default: beside the plan)"
    )
    parser.add_argument("--text", action="store_true", help="on the terminal, without a page")
    parser.add_argument(
        "--speed", type=_speed, default=1.0, metavar="X", help="of the virtual student, times its own (1); or max"
    )


def run(args: argparse.Namespace) -> int:
    """On the terminal. With the pages installed, `dashboard.commands.practice` stands in its place."""
    if not args.virtual:
        raise UsageError("on the terminal a session needs a virtual student: --virtual good")
    return in_terminal(args)


def in_terminal(args: argparse.Namespace) -> int:
    import asyncio

    from imu.practice.acting import Student
    from imu.practice.terminal import practise
    from imu.readers.virtual import ReplaySource
    from imu.settings import load_settings

    practice, acted = opened(args)
    if practice.stage == "done":
        print("This session is done already.")
        return 0
    source = ReplaySource(acted.recording, speed=args.speed, skip_s=acted.calibrated_s, outages=acted.outages)
    try:
        asyncio.run(
            practise(
                practice,
                source,
                handedness=practice.plan.handedness,
                poses=acted.recording.poses,
                student=Student(acted),
                language=load_settings().language,
            )
        )
    except KeyboardInterrupt:
        print()
    told(practice)
    return 0


def opened(args: argparse.Namespace) -> tuple[Practice, Acted]:
    """Today's session, and a virtual student who acts its blocks."""
    from imu.practice.acting import act

    practice = open_session(args)
    blocks = [(one, args.virtual) for one in practice.to_come()]
    return practice, act(blocks, handedness=practice.plan.handedness)


def open_session(args: argparse.Namespace) -> Practice:
    from datetime import date

    from imu.practice import plan as plans
    from imu.practice.journal import sessions_in
    from imu.practice.session import Practice

    plan = plans.load(args.plan)
    folder = args.sessions or folder_beside(args.plan)
    if any(s.hurt is not None and s.began.astimezone().date() == date.today() for s in sessions_in(folder)):
        raise UsageError(
            "it hurt in today's session: let it rest, and see someone licensed to treat it; not again today"
        )
    return Practice.open(plan, folder)


def folder_beside(plan: Path) -> Path:
    name = plan.name.removesuffix(".toml").removesuffix(".plan")
    return plan.with_name(f"{name}.sessions")


def told(practice: Practice) -> None:
    print(f"{practice.journal.path}: the session, for the coach (cupbow add FILE --student NAME)", file=sys.stderr)
