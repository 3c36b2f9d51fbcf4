"""`cupbow sensors`: which sensors are near, what they are, and how full their batteries are."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from imu.readers.ble import Found
    from imu.readers.layout import Layout


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--seconds", type=float, default=4.0, metavar="S", help="how long to listen (4)")
    parser.add_argument("--all", action="store_true", help="show devices that no description fits, too")
    parser.add_argument("--quick", action="store_true", help="do not connect to read batteries")
    parser.add_argument("--boards", action="store_true", help="list the boards that are described, and leave")
    parser.add_argument("--json", metavar="OUT", help="write the list as JSON ('-': to standard output)")
    add_layout_argument(parser)


def add_layout_argument(parser: argparse.ArgumentParser) -> None:
    """For every command that talks to sensors."""
    parser.add_argument(
        "--layouts",
        type=Path,
        metavar="FOLDER",
        help="descriptions of your own boards (TOML), beside those that come with cupbow; see docs/sensors.md",
    )


def layouts(args: argparse.Namespace) -> tuple[Layout, ...]:
    from imu.errors import UsageError
    from imu.readers.layout import load_layouts

    if args.layouts is not None and not args.layouts.is_dir():
        raise UsageError(f"--layouts {args.layouts}: is not a folder; name the one that holds your descriptions")
    return load_layouts(*([args.layouts] if args.layouts else []))


def run(args: argparse.Namespace) -> int:
    import asyncio

    from imu.errors import UsageError
    from imu.readers.ble import scan

    if not 0.5 <= args.seconds <= 120:
        raise UsageError(f"--seconds {args.seconds:g}: listen for 0.5 to 120 seconds")
    known = layouts(args)
    if args.boards:
        return _boards(known)
    found = asyncio.run(scan(known, seconds=args.seconds, batteries=not args.quick))
    if args.json:
        _write_json(args.json, [_as_json(one) for one in found if args.all or one.layout])
    if args.json != "-":
        _show(found, everything=args.all)
    return 0


def _show(found: list[Found], *, everything: bool) -> None:
    from rich.console import Console
    from rich.table import Table

    console = Console()
    shown = [one for one in found if everything or one.layout is not None]
    others = len(found) - len(shown)
    if not any(one.usable for one in found):
        console.print("No sensor is near. Switch them on, and hold them within a few metres.")
    if shown:
        table = Table(box=None, pad_edge=False)
        for heading in ("sensor", "address", "what it is", "role", "signal", "battery", "remark"):
            table.add_column(heading, overflow="fold", no_wrap=heading == "address")
        for one in shown:
            table.add_row(
                one.name,
                one.address,
                one.layout.name if one.layout else "unknown",
                one.role or "",
                "" if one.rssi is None else f"{one.rssi} dBm",
                "" if one.battery_percent is None else f"{one.battery_percent} %",
                one.remark,
            )
        console.print(table)
    if others:
        console.print(f"{others} other Bluetooth device{'s' if others > 1 else ''} near (--all shows them).")


def _boards(known: tuple[Layout, ...]) -> int:
    for layout in known:
        rate = "cannot be used: " + layout.refused if layout.refused else f"{layout.rate_hz:g} Hz"
        print(f"{layout.name}: {rate}" + (f"; {layout.warning}" if layout.warning else ""))
        for source in layout.sources:
            print(f"    {source}")
    return 0


def _as_json(one: Found) -> dict[str, Any]:
    return {
        "name": one.name,
        "address": one.address,
        "board": one.layout.name if one.layout else None,
        "usable": one.usable,
        "role": one.role,
        "rssi_dbm": one.rssi,
        "battery_percent": one.battery_percent,
        "remark": one.remark or None,
    }


def _write_json(out: str, data: object) -> None:
    import json

    from imu.measured import write_whole

    text = json.dumps(data, indent=1, ensure_ascii=False) + "\n"
    if out == "-":
        print(text, end="")
    else:
        write_whole(out, lambda path: path.write_text(text, encoding="utf-8"))
