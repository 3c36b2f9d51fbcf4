"""`cupbow settings`: language, dates, units and paper."""

from __future__ import annotations

import argparse

from imu.errors import UsageError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "changes",
        nargs="*",
        metavar="NAME=VALUE",
        help="language=en|de, dates=language|iso|day-month|month-day, speed=m/s|mph, length=m|yd, paper=A4|Letter",
    )


def run(args: argparse.Namespace) -> int:
    from dataclasses import asdict

    from imu.settings import changed, load_settings, save_settings, settings_path

    settings = load_settings()
    given = {}
    for text in args.changes:
        name, found, value = text.partition("=")
        if not found:
            raise UsageError(f"{text!r} is not NAME=VALUE, such as length=yd")
        given[name.strip()] = value.strip()
    if given:
        settings = changed(settings, given)
        save_settings(settings)
    print(settings_path())
    for name, value in asdict(settings).items():
        print(f"  {name} = {value}")
    return 0
