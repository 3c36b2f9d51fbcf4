"""`cupbow replay PATH`: a recording played as if it were being taken now, through the live path."""

from __future__ import annotations

import argparse
import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from imu.commands import reading

if TYPE_CHECKING:
    from collections.abc import Sequence

    from imu.readers.source import Chunk, Notice, Source
    from imu.recorder import Recorder
    from imu.recording import Handedness, Pose


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("path", type=Path, metavar="PATH", help="a recording: a folder or a file")
    parser.add_argument(
        "--speed", type=_speed, default=1.0, metavar="X", help="times its own pace (1); 'max': as fast as it goes"
    )
    parser.add_argument("--record", type=Path, metavar="FOLDER", help="record it anew into this empty folder")
    reading.add_arguments(parser)


def _speed(text: str) -> float:
    if text == "max":
        return math.inf
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not 0 < value < math.inf:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number above 0, or 'max'")
    return value


def run(args: argparse.Namespace) -> int:
    from imu.readers.virtual import ReplaySource
    from imu.recorder import Recorder

    recording = reading.read(args.path, args)
    source = ReplaySource(recording, speed=args.speed)
    recorder = None
    if args.record:
        recorder = Recorder(args.record, handedness=recording.handedness, club=recording.club, sensors=source.sensors)
    return play(source, handedness=recording.handedness, club=recording.club, recorder=recorder, poses=recording.poses)


def play(
    source: Source,
    *,
    handedness: Handedness,
    club: str | None,
    recorder: Recorder | None,
    poses: Sequence[Pose] = (),
    seconds: float | None = None,
) -> int:
    """Run a source in the terminal until it ends, Ctrl-C, or `seconds` have gone: what happens, and
    how the sensors are doing. Poses are given on the session's clock."""
    import asyncio

    from imu.live import LiveSession
    from imu.readers.source import Chunk

    async def main() -> None:
        session = LiveSession(source, handedness=handedness, club=club)
        if recorder is not None:
            session.record(recorder)
        for pose in poses:
            session.hold(pose.name, pose.start_s, pose.end_s)
        show = _Line(source)

        def heard(item: Chunk | Notice) -> None:
            if isinstance(item, Chunk):
                show.samples(item)
            else:
                show.say(item.text)

        session.listen(heard)
        try:
            async with asyncio.timeout(seconds), source:
                await session.run()
        except TimeoutError:
            pass
        except asyncio.CancelledError:
            show.end()
            raise
        show.end()
        if recorder is not None:
            show.say(recorder.trouble or f"recorded in {recorder.folder}")

    asyncio.run(main())
    return 0


class _Line:
    """One line that is kept up to date on a terminal, and left out where the output is a file."""

    def __init__(self, source: Source) -> None:
        self._source, self._live, self._shown = source, sys.stderr.isatty(), -1.0

    def samples(self, chunk: Chunk) -> None:
        if self._live and chunk.arrival_s - self._shown > 0.2:
            self._shown = chunk.arrival_s
            parts = [
                f"{role} {s.rate_hz or 0:.0f}/s" + (f", {s.lost} lost" if s.lost else "")
                for role, s in self._source.status().items()
            ]
            sys.stderr.write(f"\r\x1b[K{chunk.arrival_s:7.1f} s  {'   '.join(parts)}")
            sys.stderr.flush()

    def say(self, text: str) -> None:
        if self._live:
            sys.stderr.write("\r\x1b[K")
        print(text, flush=True)

    def end(self) -> None:
        if self._live:
            sys.stderr.write("\r\x1b[K")
        for status in self._source.status().values():
            lost = "" if status.lost is None else f", {status.lost} lost"
            print(f"{status.role} ({status.name}): {status.samples} samples{lost}")
