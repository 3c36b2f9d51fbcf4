"""Measured swings as tables for a terminal: events are the columns, angles the rows."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from imu.errors import UsageError
from imu.recording import ANGLES, EVENTS, SIGNS

if TYPE_CHECKING:
    from imu.measured import Measurement, Swing, Value, Verdict

NAMES = {
    "wrist_flexion": "Wrist",
    "wrist_deviation": "Hinge",
    "forearm_roll": "Forearm roll",
    "face_to_forearm": "Face to forearm",
    "face_since_address": "Face since address",
    "face_roll": "Face roll",
    "shaft_elevation": "Shaft elevation",
    "shaft_past_level": "Shaft past level",
    "shaft_off_plane": "Shaft off plane",
}
HEADS = {
    "address": "address",
    "takeaway": "takeaway",
    "shaft_level_back": "shaft level back",
    "arm_level_back": "arm level back",
    "top": "top",
    "arm_level_down": "arm level down",
    "shaft_level_down": "shaft level down",
    "impact": "impact",
    "shaft_level_through": "shaft level through",
    "finish": "finish",
}
WIDE = 112
"""From this many columns of the terminal on, all events stand side by side; below, in two blocks."""

FEW = 5
"""So many swings are shown in full without being asked for."""

MARKS = {
    "via_grip": "through the grip",
    "zero_frame": "another zero: no flat-wrist pose with the own grip",
    "zero_guessed": "its zero is a guess: no poses; changes since address count",
    "filter": "by a filter, not by the joint fit; ± from the bench",
}


def show(
    measurement: Measurement,
    *,
    title: str = "",
    only: int | None = None,
    everything: bool = False,
    console: Console | None = None,
) -> None:
    """Print a measured recording: its swings in full where they are few (or asked for), then in brief."""
    console = console or terminal()
    swings = measurement.swings
    full = everything or only is not None or len(swings) <= FEW
    if only is not None:
        swings = tuple(s for s in swings if s.index == only)
        if not swings:
            raise UsageError(f"--swing {only}: the recording holds swings 1 to {len(measurement.swings)}")
    lead = "right" if measurement.handedness == "left" else "left"
    what = ", ".join(x for x in (measurement.club, f"{measurement.handedness}-handed (lead wrist: {lead})") if x)
    console.print(Text(f"{title}: {what}" if title else what, style="bold"))
    for sensor in measurement.sensors:
        clip = (
            f", {sensor.clipped_gyro + sensor.clipped_accel} clipped"
            if sensor.clipped_gyro + sensor.clipped_accel
            else ""
        )
        units = ", units inferred" if sensor.units_inferred else ""
        console.print(
            f"  {sensor.role}: {sensor.rate_hz:.0f} Hz, {sensor.samples} samples, {sensor.lost} lost{clip}{units}"
        )
    for line in measurement.warnings:
        console.print(Text(f"  ! {line}"))
    for swing in swings if full else ():
        console.print()
        _swing(console, swing)
    if len(swings) > 1:
        console.print()
        _brief(console, swings)
    console.print()
    if not full:
        console.print("--swing N shows a swing in full, --all every one.")
    console.print(Text("Degrees, ± 95 %. A measurement is not a medical opinion; stop on wrist pain.", style="dim"))


def terminal() -> Console:
    """The console of standard output: colours and its width on a terminal, plain and wide in a pipe."""
    if hasattr(sys.stdout, "reconfigure"):
        sys.stdout.reconfigure(errors="replace")  # a terminal without ± shows ? rather than a fault
    width = None if sys.stdout.isatty() or os.environ.get("COLUMNS") else 120
    return Console(width=width, highlight=False, markup=False, emoji=False)


def _swing(console: Console, swing: Swing) -> None:
    parts = [f"Swing {swing.index}", swing.kind]
    parts.append({True: "ball", False: "no ball", None: "ball or not: unknown"}[swing.ball])
    parts.append(f"quality {swing.grade}")
    console.print(Text(", ".join(parts) + _tempo(swing), style="bold"))
    for reason in swing.reasons:
        console.print(Text(f"  ! {reason}"))
    shown = [a for a in ANGLES if any(v.known for v in swing.angles.get(a, {}).values())]
    blocks: list[Sequence[str]] = [EVENTS] if console.width >= WIDE else [EVENTS[:5], EVENTS[5:]]
    for events in blocks:
        table = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), pad_edge=False, expand=False, show_edge=False)
        table.add_column("", no_wrap=True, min_width=18)
        for event in events:
            table.add_column(HEADS[event], justify="right", vertical="top", min_width=8)
        start = swing.events.get("address")
        origin = start.t_s if start else None
        table.add_row(Text("s from address", style="dim"), *(_when(swing, e, origin) for e in events))
        for angle in shown:
            cells = [_cell(swing, angle, event) for event in events]
            if any(cell.plain for cell in cells):
                label = Text(NAMES[angle])
                label.append(f"\n+ {SIGNS[angle][0]}", style="dim")
                table.add_row(label, *cells)
        console.print(table)
    for line in _changes(swing) + _outside(swing) + _unknown(swing):
        console.print(Text(f"  {line}"))


def _when(swing: Swing, event: str, origin: float | None) -> Text:
    found = swing.events.get(event)
    if found is None or found.t_s is None or origin is None:
        return Text("-", style="dim")
    return Text(f"{found.t_s - origin:.2f}", style="dim")


def _cell(swing: Swing, angle: str, event: str) -> Text:
    value = swing.angles.get(angle, {}).get(event)
    if value is None or not value.known:
        return Text("")
    cell = Text(reading(value))
    verdict = swing.bands.get(f"{angle}@{event}")
    if verdict is not None:
        strong = verdict.verdict in ("below", "above")
        cell.append(f"\n{verdict.verdict}", style="bold reverse" if strong else "dim")
    return cell


def reading(value: Value) -> str:
    if value.value_deg is None:
        return "-"
    number = f"{round(value.value_deg) + 0:d}"
    return number if value.u95_deg is None else f"{number} ±{max(1, round(value.u95_deg))}"


def _tempo(swing: Swing) -> str:
    back, down, ratio = (swing.tempo.get(k) for k in ("backswing_s", "downswing_s", "ratio"))
    if back is None or down is None or ratio is None:
        return ""
    return f"; back {back:.2f} s, down {down:.2f} s, {ratio:.1f} : 1"


def _changes(swing: Swing) -> list[str]:
    parts = []
    for pair, value in swing.changes.get("wrist_flexion", {}).items():
        if not value.known:
            continue
        first, last = (HEADS[e] for e in pair.split(".."))
        verdict = swing.bands.get(f"wrist_flexion@{pair}")
        parts.append(f"{first} to {last} {reading(value)}" + (f" ({verdict.verdict})" if verdict else ""))
    return [f"Wrist, change: {'; '.join(parts)}"] if parts else []


def _outside(swing: Swing) -> list[str]:
    lines = []
    for key, verdict in swing.bands.items():
        if verdict.verdict not in ("below", "above"):
            continue
        angle, _, at = key.partition("@")
        value = (swing.changes if ".." in at else swing.angles)[angle][at]
        where = " to ".join(HEADS[e] for e in at.split(".."))
        lines.append(f"{verdict.verdict}: {NAMES[angle]}, {where}, {_by(value, verdict)}")
    return lines


def _by(value: Value, verdict: Verdict) -> str:
    """How far outside, from the interval's edge to the band's, so that it is no more than is sure."""
    assert value.value_deg is not None
    assert value.u95_deg is not None
    if verdict.verdict == "below":
        by = verdict.low_deg - (value.value_deg + value.u95_deg)
    else:
        by = value.value_deg - value.u95_deg - verdict.high_deg
    return f"by {by:{'.0f' if by >= 1 else '.1f'}}° or more (band {verdict.low_deg:g} to {verdict.high_deg:g})"


def _unknown(swing: Swing) -> list[str]:
    """What cannot be said, and why: angles without any reading, and marks on those shown."""
    why: dict[str, list[str]] = {}
    for angle in ANGLES:
        values = swing.angles.get(angle, {})
        reasons = [v.reason for v in values.values() if v.reason]
        if reasons and not any(v.known for v in values.values()):
            why.setdefault(reasons[0], []).append(NAMES[angle])
    lines = [f"Not known: {', '.join(names)} ({reason})" for reason, names in why.items()]
    for mark, words in MARKS.items():
        names = [NAMES[a] for a in ANGLES if any(mark in v.marks for v in swing.angles.get(a, {}).values())]
        if names:
            lines.append(f"{', '.join(names)}: {words}")
    return lines


def _brief(console: Console, swings: Sequence[Swing]) -> None:
    """One line a swing: what a coach looks at first."""
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 2, 0, 0), pad_edge=False, show_edge=False)
    for name in ("swing", "kind", "quality"):
        table.add_column(name, justify="right" if name == "swing" else "left")
    wanted = [
        ("wrist_flexion", "top", "wrist, top"),
        ("wrist_flexion", "shaft_level_down", "wrist, shaft level down"),
        ("face_to_forearm", "top", "face to forearm, top"),
        ("shaft_past_level", "top", "shaft past level, top"),
    ]
    wanted = [w for w in wanted if any(_known(s, w[0], w[1]) for s in swings)]
    for _, _, head in wanted:
        table.add_column(head, justify="right")
    table.add_column("tempo", justify="right")
    for swing in swings:
        cells = []
        for angle, event, _ in wanted:
            value = swing.angles.get(angle, {}).get(event)
            verdict = swing.bands.get(f"{angle}@{event}")
            text = reading(value) if value else "-"
            strong = verdict is not None and verdict.verdict in ("below", "above")
            cells.append(Text(f"{text} {verdict.verdict}" if verdict else text, style="bold" if strong else ""))
        ratio = swing.tempo.get("ratio")
        table.add_row(str(swing.index), swing.kind, swing.grade, *cells, f"{ratio:.1f} : 1" if ratio else "-")
    console.print(table)


def _known(swing: Swing, angle: str, event: str) -> bool:
    value = swing.angles.get(angle, {}).get(event)
    return value is not None and value.known
