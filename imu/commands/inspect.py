"""`cupbow inspect PATH`: what the readers understood, what is doubtful, and a manifest to correct."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from imu.commands import reading
from imu.errors import UsageError

if TYPE_CHECKING:
    from imu.inspection import Inspection

NEEDS_A_HINT = 3


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("path", type=Path, metavar="PATH", help="a recording folder, a zip of one, or a data file")
    parser.add_argument("--json", metavar="OUT", help="write what was understood as JSON ('-': to standard output)")
    parser.add_argument(
        "--write",
        nargs="?",
        const="",
        metavar="FOLDER",
        help="write recording.toml: into PATH where that is a folder, else with the data into the new FOLDER",
    )
    reading.add_arguments(parser)


def run(args: argparse.Namespace) -> int:
    from imu.inspection import inspect
    from imu.readers.hints import Hints

    said = reading.said(args)
    roles, handed = said.pop("roles"), said.pop("handed")
    said["rate_hz"] = said.pop("rate")
    said["columns"] = said["columns"] or {}
    with reading.progress_bar(args.path.name) as show:
        progress = reading.bytes_shown(args.path, show)
        found = inspect(args.path, hints=Hints(**said), roles=roles, handed=handed, progress=progress)
    if args.json == "-":
        import json

        print(json.dumps(found.to_json(), indent=1, allow_nan=False))
    elif args.json:
        import json

        from imu.measured import write_whole

        text = json.dumps(found.to_json(), indent=1, allow_nan=False) + "\n"
        write_whole(args.json, lambda tmp: tmp.write_text(text, encoding="utf-8"))
    if args.json != "-":
        _show(found)
    if args.write is not None:
        _write(found, args)
    for line in found.needs:
        print(f"cupbow inspect: {line}", file=sys.stderr)
    return NEEDS_A_HINT if found.needs or not found.streams else 0


def _write(found: Inspection, args: argparse.Namespace) -> None:
    from imu.inspection import save
    from imu.measured import write_whole

    if args.path.is_dir() and not args.write:
        manifest = args.path / reading.MANIFEST
        if manifest.exists():
            raise UsageError(f"{manifest}: is there already and was left as it is; move it away first")
        text = found.manifest()
        write_whole(manifest, lambda tmp: tmp.write_text(text, encoding="utf-8"))
        place = manifest
    elif not args.write:
        raise UsageError("--write: name the folder that the recording is to become, such as --write lesson-1")
    else:
        place = save(found, args.write)
    print(f"{place}: written; correct it where it is wrong", file=sys.stderr)


def _show(found: Inspection) -> None:
    from rich.console import Console
    from rich.markup import escape
    from rich.table import Table

    console = Console(highlight=False)
    for s in found.streams:
        table = Table(
            title=escape(s.label),
            title_justify="left",
            title_style="bold",
            show_header=False,
            box=None,
            padding=(0, 2, 0, 0),
        )
        table.add_column(style="dim", no_wrap=True)
        table.add_column(overflow="fold")
        role = str(s.role or "not said")
        if s.looks_like and s.looks_like != s.role:
            role += f" (moves like the {s.looks_like})"
        still = "not seen" if s.gravity_still_m_s2 is None else f"{s.gravity_still_m_s2:.3f} m/s²"
        left_out = f"{s.dropped_rows:,}" + (f"; {s.reordered_rows:,} put in order" if s.reordered_rows else "")
        fastest = f"{s.peak_gyro_dps:.0f} deg/s" + (f", {s.clipped_gyro} samples clipped" if s.clipped_gyro else "")
        gaps = f"{s.gaps}, the longest {s.longest_gap_s:.3g} s" if s.gaps else "none"
        rows = [
            ("role", role),
            ("file", s.source),
            ("samples", f"{s.samples:,} in {s.seconds:.1f} s, {s.rate_hz:.4g} Hz"),
            ("units", f"{s.accel_unit}, {s.gyro_unit}, time {s.time_unit}"),
            ("gravity while still", still if s.has_gravity else "taken out of these numbers"),
            ("gaps", gaps),
            ("rows left out", left_out),
            ("fastest", fastest),
        ]
        rows += [("understood", n) for n in s.notes] + [("doubtful", d) for d in s.doubts]
        last = ""
        for name, text in rows:
            table.add_row("" if name == last else name, escape(text))
            last = name
        console.print(table)
        console.print()
    for line in found.warnings:
        console.print(f"note: {line}", markup=False)
    if found.streams and not found.needs and not found.to_measure:
        console.print("Everything needed is there: cupbow measure takes it with the same options.")
    elif found.streams and not found.needs:
        console.print("To measure it, say also what no file says:")
        for line in found.to_measure:
            console.print(f"  {line}", markup=False)
