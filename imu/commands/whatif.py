"""`cupbow whatif PATH`: what face and shaft would do if only the wrist or the forearm's roll were otherwise."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from imu.commands import reading
from imu.errors import UsageError

if TYPE_CHECKING:
    from rich.table import Table

    from imu.measured import Measurement, Swing, Value
    from imu.whatif import Effect, Turned

SCHEMA = "cupbow.whatif/1"
TURNS = {"wrist_flexion": "10° bowed", "wrist_deviation": "10° ulnar", "forearm_roll": "10° pronated"}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "path", type=Path, metavar="PATH", help="a recording, or the JSON that `cupbow measure` wrote of one"
    )
    parser.add_argument("--swing", type=int, metavar="N", help="the swing (else the first whose quality allows it)")
    parser.add_argument("--event", default="top", metavar="EVENT", help="where in the swing (else the top)")
    asked = parser.add_argument_group("a turn in degrees, the rest of the body held")
    asked.add_argument("--flexion", type=float, default=0.0, metavar="D", help="the wrist, + bowed, - cupped")
    asked.add_argument(
        "--deviation", type=float, default=0.0, metavar="D", help="the wrist, + ulnar, - radial (hinged)"
    )
    asked.add_argument("--roll", type=float, default=0.0, metavar="D", help="the forearm, + pronated, - supinated")
    parser.add_argument("--json", metavar="OUT", help="write all of it as JSON ('-': to standard output, no table)")
    parser.add_argument(
        "--calibration", type=Path, metavar="FILE", help="a saved calibration, where there are no poses"
    )
    reading.add_arguments(parser)


def run(args: argparse.Namespace) -> int:
    from imu.whatif import effects, turned

    measurement = _measured(args)
    if not measurement.swings:
        from imu.commands.measure import NOTHING_MEASURED, no_swing

        print(f"cupbow whatif: {no_swing(args.path, measurement)}", file=sys.stderr)
        return NOTHING_MEASURED
    swing = _chosen(measurement, args.swing)
    found = effects(measurement, swing, args.event)
    turn = {"wrist_flexion_deg": args.flexion, "wrist_deviation_deg": args.deviation, "forearm_roll_deg": args.roll}
    asked = turned(measurement, swing, args.event, **turn) if any(turn.values()) else None
    if args.json:
        _write(args.json, _document(measurement, swing, args.event, found, asked))
    if args.json != "-":
        _show(measurement, swing, args.event, found, asked, title=args.path.name)
    return 0


def _measured(args: argparse.Namespace) -> Measurement:
    if args.path.suffix == ".json" and args.path.is_file():
        import json

        from imu.measured import Measurement

        try:
            return Measurement.load(args.path)
        except (json.JSONDecodeError, UnicodeDecodeError, KeyError, TypeError, AttributeError):
            raise UsageError(
                f"{args.path}: is not what `cupbow measure --json` writes; name that, or a recording"
            ) from None
    from imu.measuring import measure_recording

    paths = reading.recordings_below(args.path)
    if len(paths) > 1:
        raise UsageError(f"{args.path}: holds {len(paths)} recordings; name one of them, such as {paths[0]}")
    with reading.progress_bar(args.path.name) as show:
        show(0.0, "reading")
        recording = reading.read(paths[0], args, reading.bytes_shown(paths[0], show))
        return measure_recording(recording, calibration=args.calibration, progress=show)


def _chosen(measurement: Measurement, number: int | None) -> Swing:
    if number is None:
        return next((s for s in measurement.swings if s.grade != "poor"), measurement.swings[0])
    for swing in measurement.swings:
        if swing.index == number:
            return swing
    raise UsageError(f"--swing {number}: the recording holds swings 1 to {len(measurement.swings)}")


def _document(
    measurement: Measurement, swing: Swing, event: str, found: list[Effect], asked: Turned | None
) -> dict[str, Any]:
    from imu.whatif import forearm_shaft

    return {
        "schema": SCHEMA,
        "handedness": measurement.handedness,
        "club": measurement.club,
        "swing": swing.index,
        "event": event,
        "forearm_shaft": forearm_shaft(swing, event).to_json(),
        "per_10_deg": [effect.to_json() for effect in found],
        "turned": None if asked is None else asked.to_json(),
    }


def _write(out: str, document: dict[str, Any]) -> None:
    import json

    text = json.dumps(document, indent=1, allow_nan=False) + "\n"
    if out == "-":
        sys.stdout.write(text)
        return
    from imu.measured import write_whole

    write_whole(out, lambda tmp: tmp.write_text(text, encoding="utf-8"))


# -- for the terminal --------------------------------------------------------------------------------


def _show(
    measurement: Measurement, swing: Swing, event: str, found: list[Effect], asked: Turned | None, *, title: str
) -> None:
    from rich.text import Text

    from imu.commands.table import HEADS, terminal
    from imu.whatif import forearm_shaft

    console = terminal()
    head = f"{title}, swing {swing.index} of {len(measurement.swings)}, {HEADS[event]}"
    arm = forearm_shaft(swing, event)
    if arm.known:
        head += f": forearm and shaft make {_plain(arm)}°"
    console.print(Text(head, style="bold"))
    if all(not e.per_10_deg.known for e in found):
        reasons = dict.fromkeys(e.per_10_deg.reason or "" for e in found)
        console.print(Text(f"  Nothing can be said: {next(iter(reasons))}."))
    else:
        console.print()
        console.print(_sensitivities(found))
        for line in _notes(found):
            console.print(Text(f"  {line}"))
    if asked is not None:
        console.print()
        console.print(_asked(asked) if asked.reason is None else Text(f"  The turn can't be told: {asked.reason}."))
    console.print()
    console.print(
        Text("Degrees, ± 95 % from this swing's own geometry. Only the joint named turns, the rest of the body is "
        "held: no forecast.\nA measurement is not a medical opinion; stop on wrist pain.", style="dim")
    )  # fmt: skip


def _table(*heads: str) -> Table:
    from rich import box
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, padding=(0, 2, 0, 0), pad_edge=False, show_edge=False)
    for k, name in enumerate(heads):
        table.add_column(name, justify="right" if k else "left", no_wrap=not k)
    return table


def _sensitivities(found: list[Effect]) -> Table:
    from imu.commands.table import NAMES
    from imu.recording import SIGNS

    table = _table("what each does", *TURNS.values())
    by = {(e.turn, e.angle): e for e in found}
    for angle in dict.fromkeys(e.angle for e in found):
        cells = [_signed(by[turn, angle]) for turn in TURNS]
        if any(cells):
            table.add_row(f"{NAMES[angle]} (+ {SIGNS[angle][0]})", *cells)
    return table


def _signed(effect: Effect) -> str:
    value = effect.per_10_deg
    if value.value_deg is None or value.u95_deg is None:
        return ""
    if value.u95_deg < 1e-6 and abs(value.value_deg) < 1e-6:
        return "0"  # by what the angle is, not by measuring
    return f"{_pair(value)}{' !' if effect.agrees is False else '' if effect.sign else ' ?'}"


def _pair(value: Value) -> str:
    assert value.value_deg is not None
    assert value.u95_deg is not None
    return f"{value.value_deg:+.1f} ±{max(0.1, value.u95_deg):.1f}"


def _plain(value: Value) -> str:
    assert value.value_deg is not None
    return f"{value.value_deg:.0f} ±{max(1, round(value.u95_deg or 0)):d}"


def _notes(found: list[Effect]) -> list[str]:
    from imu.commands.table import NAMES
    from imu.recording import SIGNS

    lines = []
    if any(_signed(e).endswith("?") for e in found):
        lines.append("? the doubt holds either sign")
    for effect in found:
        if effect.agrees is False and effect.saying is not None:
            plus, minus = SIGNS[effect.angle]
            commonly, here = (plus, minus) if effect.saying.sign > 0 else (minus, plus)
            lines.append(
                f"! {TURNS[effect.turn][4:]} is commonly said to make it {commonly}; here it makes it {here} "
                f"({NAMES[effect.angle]}; the saying: {effect.saying.source})"
            )
    missing: dict[str, list[str]] = {}
    for effect in found:
        if not effect.per_10_deg.known and effect.per_10_deg.reason:
            names = missing.setdefault(effect.per_10_deg.reason, [])
            names += [] if NAMES[effect.angle] in names else [NAMES[effect.angle]]
    return lines + [f"not told: {', '.join(names)} ({reason})" for reason, names in missing.items()]


def _asked(asked: Turned) -> Table:
    from imu.commands.table import NAMES

    turn = ", ".join(f"{NAMES[k]} {v:+g}°" for k, v in asked.turn_deg.items() if v)
    table = _table(f"with {turn}", "now", "change", "then")
    for angle, change in asked.change.items():
        before, after = asked.before[angle], asked.after[angle]
        if change.value_deg is None or change.u95_deg is None or (angle in TURNS and not asked.turn_deg[angle]):
            continue
        moved = _pair(change) if change.u95_deg >= 1e-6 else f"{change.value_deg + 0.0:+.1f}"
        table.add_row(NAMES[angle], _plain(before), moved, _plain(after))
    return table
