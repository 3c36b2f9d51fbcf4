"""`cupbow measure PATH`: wrist and club at each event of every swing in a recording."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from imu.commands import reading
from imu.errors import CupbowError, UsageError

if TYPE_CHECKING:
    from imu.bands import Bands
    from imu.measured import Measurement

NOTHING_MEASURED = 3


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "path", type=Path, metavar="PATH", help="a recording: a folder or a file; or a folder of recordings"
    )
    parser.add_argument(
        "--json",
        metavar="OUT",
        help="write the results as JSON ('-': to standard output, instead of the table); "
        "with several recordings OUT is a folder and gets one file for each",
    )
    parser.add_argument(
        "--traces",
        type=Path,
        metavar="OUT",
        help="write every sample of every swing, as .parquet or .csv; with several recordings a folder",
    )
    parser.add_argument(
        "--calibration",
        type=Path,
        metavar="FILE",
        help="a saved calibration, for a recording without poses; or what cupbow calibrate made of a sensor, "
        "or a folder of these",
    )
    parser.add_argument(
        "--keep-calibration",
        type=Path,
        metavar="FILE",
        help="save what this recording's poses and motion tell of sensors and straps, for later recordings",
    )
    parser.add_argument(
        "--method",
        default="fit",
        metavar="NAME",
        help="how attitudes are found: fit (the joint fit), or to compare with it "
        "strapdown, madgwick, mahony, ekf, vqf, offline_vqf",
    )
    parser.add_argument("--bands", type=Path, metavar="FILE", help="target bands (TOML) in place of the shipped ones")
    parser.add_argument("--swing", type=int, metavar="N", help="show only this swing, in full")
    parser.add_argument("--all", action="store_true", help="show every swing in full, however many there are")
    reading.add_arguments(parser)


def run(args: argparse.Namespace) -> int:
    paths = reading.recordings_below(args.path)
    if len(paths) == 1:
        return _one(paths[0], args)
    return _several(paths, args)


def _one(path: Path, args: argparse.Namespace) -> int:
    if args.traces and args.traces.suffix not in (".parquet", ".csv"):
        raise UsageError(f"--traces {args.traces}: traces are written as .parquet or .csv; choose one of these endings")
    measurement = measured(path, args)
    if args.keep_calibration:
        from imu.measuring import calibrate

        calibrate(reading.read(path, args), args.calibration).save(args.keep_calibration)
    if args.json == "-":
        import json

        print(json.dumps(measurement.to_json(), indent=1, allow_nan=False))
    elif args.json:
        measurement.write_json(args.json)
    if args.traces:
        measurement.write_traces(args.traces)
    if not measurement.swings:
        print(f"cupbow measure: {no_swing(path, measurement)}", file=sys.stderr)
        return NOTHING_MEASURED
    if args.json != "-":
        from imu.commands.table import show

        show(measurement, title=path.name, only=args.swing, everything=args.all)
    return 0


def _several(paths: list[Path], args: argparse.Namespace) -> int:
    """Each recording in turn; one that cannot be read is named and left, the others are measured."""
    if args.keep_calibration:
        raise UsageError(f"{args.path}: holds {len(paths)} recordings; --keep-calibration needs the one with the poses")
    if args.json == "-":
        raise UsageError(f"{args.path}: holds {len(paths)} recordings; --json needs a folder here, one file for each")
    folders = [Path(out) for out in (args.json, args.traces) if out]
    for folder in folders:
        if folder.exists() and not folder.is_dir():
            raise UsageError(f"{folder}: is a file; with {len(paths)} recordings name a folder")
        folder.mkdir(parents=True, exist_ok=True)
    from imu.commands.table import show

    code = 0
    for path in paths:
        name = "_".join(path.relative_to(args.path).parts)
        try:
            measurement = measured(path, args)
        except CupbowError as error:
            print(f"cupbow measure: {error}", file=sys.stderr)
            code = NOTHING_MEASURED
            continue
        if args.json:
            measurement.write_json(Path(args.json) / f"{name}.json")
        if args.traces:
            measurement.write_traces(args.traces / f"{name}.parquet")
        if measurement.swings:
            show(measurement, title=name, only=args.swing, everything=args.all)
        else:
            print(f"cupbow measure: {no_swing(path, measurement)}", file=sys.stderr)
            code = NOTHING_MEASURED
    return code


def measured(path: Path, args: argparse.Namespace) -> Measurement:
    """Read and measure with the options given, showing progress."""
    from imu.bands import load

    bands: Bands = load(args.bands)  # before the long work, so that a fault in it is told at once
    with reading.progress_bar(path.name) as show:
        show(0.0, "reading")
        recording = reading.read(path, args, reading.bytes_shown(path, show))
        from imu.measuring import measure_recording

        return measure_recording(
            recording, calibration=args.calibration, bands=bands, method=args.method, progress=show
        )


def no_swing(path: Path, measurement: Measurement) -> str:
    """One line for a recording without a swing: what the streams are, and what a swing needs."""
    streams = "; ".join(
        f"{s.role} {s.rate_hz:.0f} Hz, {s.samples} samples, {s.lost} lost"
        + (f", {s.clipped_gyro} clipped" if s.clipped_gyro else "")
        for s in measurement.sensors
    )
    return f"{path}: holds no swing ({streams}); a swing starts and ends in quiet and is recorded whole"
