"""`cupbow live`: the live page over sensors that are near, or over a recording played as if live."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from imu.commands.record import _assignment
from imu.commands.sensors import add_layout_argument, layouts

if TYPE_CHECKING:
    from imu.readers.source import Source
    from imu.recorder import Recorder
    from imu.recording import Handedness, Recording


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--replay", type=Path, metavar="PATH", help="play this recording in place of sensors")
    parser.add_argument("--speed", type=float, default=1.0, metavar="X", help="of the replay, times its own pace (1)")
    parser.add_argument("--handed", choices=("right", "left"), help="the golfer's handedness (with sensors: needed)")
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
    if args.replay:
        from imu import readers

        recording = readers.read(args.replay, handed=args.handed)
        return serve_recording(
            recording, speed=args.speed, record=args.record, band=tuple(args.band), port=args.port,
            browser=not args.no_browser, lan=args.lan,
        )  # fmt: skip
    if not args.handed:
        raise UsageError("--handed right or left: say which golfer wears the sensors")
    from imu.readers.ble import BleSource, assign, scan

    assigned, said = assign(asyncio.run(scan(layouts(args), batteries=True)), dict(args.sensor))
    for line in said:
        print(line)
    for role, one in assigned.items():
        print(f"{role}: {one.name} ({one.address})" + (f": {one.remark}" if one.remark else ""))
    source = BleSource(assigned)
    return _serve(
        source, handedness=args.handed, club=args.club, record=args.record, band=tuple(args.band), port=args.port,
        browser=not args.no_browser, lan=args.lan,
    )  # fmt: skip


def serve_recording(
    recording: Recording,
    *,
    speed: float = 1.0,
    record: Path | None = None,
    band: tuple[float, float] = (-10.0, 10.0),
    port: int | None = None,
    browser: bool = True,
    lan: bool = False,
    who: Mapping[str, str] | None = None,
) -> int:
    """The live page over a recording: its poses are taken as held, and played through at once."""
    from imu.readers.virtual import ReplaySource

    skip = max((p.end_s for p in recording.poses), default=0.0) + (1.0 if recording.poses else 0.0)
    source = ReplaySource(recording, speed=speed, skip_s=skip)
    return _serve(
        source, handedness=recording.handedness, club=recording.club, record=record, band=band, port=port,
        browser=browser, lan=lan, poses=recording.poses, calibrate_at_s=skip, who=who,
    )  # fmt: skip


def _serve(
    source: Source,
    *,
    handedness: Handedness,
    club: str | None,
    record: Path | None,
    band: tuple[float, float],
    port: int | None,
    browser: bool,
    lan: bool,
    poses: Any = (),
    calibrate_at_s: float | None = None,
    who: Mapping[str, str] | None = None,
) -> int:
    import asyncio
    import contextlib
    import threading
    import webbrowser

    import uvicorn

    from dashboard.commands.serve import HOST, _listen
    from dashboard.live import Hub, live_server
    from imu.bands import shipped
    from imu.live import LiveSession
    from imu.live_coach import LiveCoach
    from imu.readers.source import Chunk

    listening = _listen(port)
    address = f"http://{HOST}:{listening.getsockname()[1]}/live"
    folders = Folders(record, handedness=handedness, source=source) if record else None

    async def main() -> None:
        session = LiveSession(source, handedness=handedness, club=club)
        coach = LiveCoach(session, bands=shipped())
        hub = Hub(session, coach, band=band, bands=shipped(), who=who or {})
        if folders is not None:
            session.record(folders.next(club))

            def switch(message: Mapping[str, Any]) -> str:
                recorder = folders.next(str(message.get("club") or session.club or "") or None)
                before = session.record(recorder)
                coach.swings.clear()
                return f"recording in {recorder.folder}" + (f"; {before.folder} is complete" if before else "")

            hub.next_recording = switch
        for pose in poses:
            session.hold(pose.name, pose.start_s, pose.end_s)
        asked = False

        def calibrate_then(item: object) -> None:
            nonlocal asked
            if not asked and isinstance(item, Chunk) and item.arrival_s >= (calibrate_at_s or 0.0):
                asked = True
                coach.setting_up = False
                hub.calibrate()

        if poses:
            coach.setting_up = True
            session.listen(calibrate_then)
        elif calibrate_at_s is None:
            hub.begin_guide()
        server = uvicorn.Server(
            uvicorn.Config(live_server(hub), log_level="warning", lifespan="off", ws_max_size=1 << 16)
        )
        print(f"cupbow: {address} (Ctrl-C stops)", flush=True)
        if browser:
            threading.Thread(target=webbrowser.open, args=(address,), daemon=True).start()
        with contextlib.ExitStack() as stack:
            servers = [server.serve(sockets=[listening])]
            if lan:
                from dashboard.lan import lan_servers

                servers += stack.enter_context(lan_servers(hub))
            coach.warm()
            hub.start()
            async with source:
                playing = asyncio.create_task(session.run())
                serving = [asyncio.create_task(one) for one in servers]
                try:
                    await asyncio.wait(serving, return_when=asyncio.FIRST_COMPLETED)
                finally:
                    playing.cancel()
                    for task in serving:
                        task.cancel()
                    await asyncio.gather(playing, *serving, return_exceptions=True)
                    await hub.close()
                    await coach.close()

    try:
        asyncio.run(main())
    except KeyboardInterrupt:
        print()
    finally:
        listening.close()
        if folders is not None:
            for recorder in folders.made:
                recorder.close()
                print(recorder.trouble or f"recorded in {recorder.folder}", file=sys.stderr)
    return 0


class Folders:
    """Numbered recording folders in one place: the next club is the next number."""

    def __init__(self, root: Path, *, handedness: Handedness, source: Source) -> None:
        self.root, self.handedness, self.source = root, handedness, source
        self.made: list[Recorder] = []

    def next(self, club: str | None) -> Recorder:
        from imu.recorder import Recorder

        taken = [int(p.name) for p in self.root.glob("[0-9]*") if p.name.isdigit()] if self.root.is_dir() else []
        folder = self.root / f"{max(taken, default=0) + 1:03d}"
        recorder = Recorder(folder, handedness=self.handedness, club=club, sensors=self.source.sensors)
        self.made.append(recorder)
        return recorder
