"""`cupbow benchmark`: as `imu.commands.benchmark`, and with --live how soon a sample is on the screen."""

from __future__ import annotations

import argparse
import json
from typing import Any

from imu.commands import benchmark as measuring

SCHEMA = "cupbow.benchmark.live/1"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    measuring.add_arguments(parser)
    parser.add_argument("--live", action="store_true", help="the live path: three virtual sensors, a page in a browser")
    parser.add_argument("--seconds", type=float, default=15.0, metavar="S", help="how long --live looks (15)")
    parser.add_argument("--chromium", metavar="PATH", help="the browser for --live (else the one that is found)")


def run(args: argparse.Namespace) -> int:
    if not args.live:
        return measuring.run(args)
    from dashboard.live_benchmark import measure_live

    report = {"schema": SCHEMA, **measure_live(seconds=args.seconds, seed=args.seed, chromium=args.chromium)}
    text = json.dumps(report, indent=1) + "\n"
    if args.json == "-":
        print(text, end="")
        return 0
    if args.json:
        from imu.measured import write_whole

        write_whole(args.json, lambda tmp: tmp.write_text(text, encoding="utf-8"))
    _show(report)
    return 0


def _show(report: dict[str, Any]) -> None:
    decode, page = report["decode"], report["page"]
    print(f"decoding: {decode['us_per_packet']:.0f} µs a packet of {decode['samples_per_packet']}, "
          f"{decode['us_per_sample']:.1f} µs a sample")  # fmt: skip
    print(f"angles now: {report['angles']['us_per_chunk']:.0f} µs a packet, with a reading at each of 60 Hz")
    if page is None:
        print("page: no browser was found (name one with --chromium)")
        return
    print(f"samples: {page['samples']} received, {page['lost']} lost")
    print(f"{page['updates_per_s']:.0f} updates a second")
    for key, label in (
        ("sample_to_decision_ms", "decision"),
        ("sample_to_screen_ms", "screen"),
        ("sample_to_sound_set_ms", "sound set"),
        ("sample_to_sound_ms", "sound"),
    ):
        late = page[key]
        if late["n"]:
            print(
                f"sample → {label:9}  p50 {late['p50']:.1f}, p95 {late['p95']:.1f}, p99 {late['p99']:.1f} ms  ({late['n']})"
            )
    if page["server_cpu"] is not None:
        print(f"processor: server {page['server_cpu']:.0%} of a core, browser {page['browser_cpu']:.0%}")
