"""`cupbow calibrate`: what one sensor's scales and biases are, from six faces and known turns on a table."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from imu.commands import reading
from imu.commands.sensors import add_layout_argument, layouts
from imu.errors import CupbowError, UsageError

if TYPE_CHECKING:
    from imu.readers.source import SensorInfo, Source
    from imu.recording import Recording, Role, Stream
    from imu.sensor_calibration import Seen, SensorCalibration

GUIDE = """On a table whose edge is straight, with the sensor switched on for some minutes:
  1. Lay it on each of its six faces and leave it there for 3 s.
  2. With +x, +y and +z up: put one side along the edge, leave it 1 s, turn it by {turns} whole turns in some
     {seconds} s, back to the edge, leave it 1 s.
  3. Tip it over edge by edge, all the way round, about each of its axes; leave it 1 s on each face.
Faces are named by the axis that points up, as the sensor's own marks or its readings show."""

GUIDED_TURNS = 3
"""Turns that the guide asks for: an edge met again to a degree is then a thousandth of what was turned."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "path", type=Path, nargs="?", metavar="PATH", help="a recording of it; without, a sensor that is near is guided"
    )
    parser.add_argument("--sensor", metavar="WHICH", help="the sensor that is near: its address or name")
    parser.add_argument("--device", metavar="NAME", help="what to call the device, where the recording does not say")
    parser.add_argument("--turns", type=int, metavar="N", help="how many whole turns each is to be")
    parser.add_argument("--out", type=Path, metavar="FILE", help="save it here (.toml), not in the user's folder")
    parser.add_argument("--list", action="store_true", help="list the devices that have been calibrated")
    reading.add_arguments(parser)
    add_layout_argument(parser)


def run(args: argparse.Namespace) -> int:
    if args.turns is not None and args.turns < 1:
        raise UsageError(f"--turns {args.turns}: is at least 1")
    if args.out is not None and args.out.suffix != ".toml":
        raise UsageError(f"--out {args.out}: a sensor's calibration is written as .toml")
    if args.list:
        return _list()
    if args.path is None:
        return _live(args)
    if args.role is None:
        worn: Role | None = None
        args.role = None if _has_manifest(args.path) else ["club"]  # any will do: it lies on a table
    else:
        worn = args.role[0] if args.role[0] in reading.ROLES else None  # type: ignore[assignment]
    args.handed = args.handed or "right"
    recording = reading.read(args.path, args)
    if _has_manifest(args.path):
        worn = None
    return _recorded(recording, args, worn)


def _has_manifest(path: Path) -> bool:
    return path.is_dir() and (path / reading.MANIFEST).exists()


def _recorded(recording: Recording, args: argparse.Namespace, worn: Role | None) -> int:
    from imu.sensor_calibration import calibrate_sensor, named

    if len(recording.streams) > 1 and (args.device or args.out):
        raise UsageError(f"{args.path}: holds {len(recording.streams)} sensors; --device and --out are for one")
    if not args.device and not all(named(recording, role) for role in recording.streams):
        raise UsageError(f"{args.path}: does not say which device this is; give --device NAME, one sensor at a time")
    made = []
    for role, stream in recording.streams.items():
        # by its name in the manifest the sensor is known again in the recordings of the same set
        where = role if _has_manifest(args.path) else worn
        device = args.device or named(recording, role) or stream.source
        made.append((stream, calibrate_sensor(stream, device=device, turns=args.turns, worn=where)))
    for stream, one in made:
        show(one, stream, args.out)
    return 0


def show(one: SensorCalibration, stream: Stream, out: Path | None) -> None:
    """Save it, and say what was found and where it went."""
    import numpy as np

    from imu.recording import GRAVITY
    from imu.sensor_calibration import mended, seen

    sd = one.sd
    rows = [
        ("gyro bias", "deg/s", np.degrees(one.gyro_bias), np.degrees(sd["gyro_bias"]), 2),
        ("gyro scale error", "%", -100 * np.diag(one.gyro_matrix), 100 * np.diag(sd["gyro_matrix"]), 2),
        ("accelerometer bias", "mg", 1e3 * one.accel_bias / GRAVITY, 1e3 * sd["accel_bias"] / GRAVITY, 1),
        ("accelerometer scale error", "%", 100 * np.diag(one.accel_matrix), 100 * sd["accel_matrix"][:3], 2),
    ]
    print(f"{one.device}")
    for name, unit, values, spread, digits in rows:
        cells = "   ".join(
            f"{a} {v:+.{digits}f} ± {1.96 * s:.{digits}f}" for a, v, s in zip("xyz", values, spread, strict=True)
        )
        print(f"  {name:<25} {cells}   {unit}")
    untipped = seen(mended(stream)[0]).untipped_axes
    if untipped:
        print(f"  tipped too seldom about {', '.join(untipped)}: cross-axis there stays as data sheets have it")
    path = one.save(out)
    print(f"  saved in {path}; measure with --calibration {path}")


def _list() -> int:
    from imu.sensor_calibration import folder, load_sensor

    files = sorted(folder().glob("*.toml")) if folder().is_dir() else []
    if not files:
        print(f"No device has been calibrated yet ({folder()}).")
    for path in files:
        try:
            one = load_sensor(path)
            print(f"{one.device}   {one.made_at[:10]}   {path}")
        except CupbowError as error:
            print(f"cupbow calibrate: {error}", file=sys.stderr)
    return 0


# -------------------------------------------------------------------------------------------- live
def _live(args: argparse.Namespace) -> int:
    import asyncio

    from imu.readers import ble
    from imu.sensor_calibration import calibrate_sensor

    found = asyncio.run(ble.scan(layouts(args)))
    usable = [one for one in found if one.usable]
    if args.sensor is None and len(usable) != 1:
        names = ", ".join(f"{one.name} ({one.address})" for one in usable) or "none"
        raise UsageError(f"name the sensor with --sensor; near are: {names}")
    key = (args.sensor or usable[0].address).lower()
    chosen = next((one for one in found if key in (one.address.lower(), one.name.lower())), None)
    if chosen is None:
        raise UsageError(f"sensor {args.sensor!r} is not near; switch it on (cupbow sensors lists those that are)")
    if not chosen.usable:
        raise CupbowError(f"sensor {chosen.name} ({chosen.address}) {chosen.remark}")
    print(f"{chosen.name} ({chosen.address})")
    role: Role = chosen.role or "club"  # on a table any will do
    source = ble.BleSource({role: chosen})
    stream = asyncio.run(guided(source, print, turns=args.turns or GUIDED_TURNS))
    one = calibrate_sensor(stream, device=args.device or chosen.address, turns=args.turns, worn=chosen.role)
    show(one, stream, args.out)
    return 0


async def guided(source: Source, say: Callable[[str], None], *, turns: int) -> Stream:
    """Ask for faces, turns and tips, say what has been seen, and give the samples once all is there or
    the source ends."""
    import numpy as np

    from imu.readers.source import Chunk
    from imu.recording import Stream

    say(GUIDE.format(turns=turns, seconds=3 * turns))
    chunks: list[Chunk] = []
    told: set[str] = set()
    looked = -1.0

    def stream() -> Stream:
        info: SensorInfo = source.sensors[chunks[0].role]
        return Stream(
            role=chunks[0].role,
            t_s=np.concatenate([c.t_s for c in chunks]),
            accel=np.concatenate([c.accel for c in chunks]),
            gyro=np.concatenate([c.gyro for c in chunks]),
            source=info.name,
            accel_range=info.accel_range,
            gyro_range=info.gyro_range,
        )

    async with source:
        async for item in source:
            if not isinstance(item, Chunk):
                if item.kind not in ("on", "ended"):
                    say(item.text)
                continue
            chunks.append(item)
            if item.t_s[-1] - chunks[0].t_s[0] < 3.0 or item.t_s[-1] - looked < 1.0:
                continue
            looked = float(item.t_s[-1])
            from imu.sensor_calibration import mended, seen

            now = seen(mended(stream())[0])
            new = _done(now, turns) - told
            told |= new
            left = [*now.faults(turns), *(f"tip it about {a}" for a in now.untipped_axes)]
            if new:
                say(f"{'; '.join(sorted(new))}. " + (f"{len(left)} to do: {left[0]}" if left else "All is there."))
            if not left:
                break  # what completes the list is new, so it has been said
    if not chunks:
        raise CupbowError("the sensor sent nothing; switch it on and try again")
    return stream()


def _done(now: Seen, turns: int) -> set[str]:
    whole = [(x.face[1], x.whole[0]) for x in now.lying if x.whole]
    return (
        {f"{face} up: seen" for face in now.faces}
        | {f"about {axis}: {n} turn{'s' if n > 1 else ''} seen" for axis, n in whole if n == turns}
        | {f"tipped about {axis}: seen" for axis in "xyz" if axis not in now.untipped_axes}
    )
