"""`cupbow compare SET SET …`: what has changed between sets of swings, and what can't be told yet."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from imu.commands import sets, work
from imu.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console

    from imu.compare import Pair, Row
    from imu.library.comparing import Outcome


def add_arguments(parser: argparse.ArgumentParser) -> None:
    sets.add_arguments(parser, none=True)
    parser.add_argument("--all", action="store_true", help="show every measure, not only the targets")
    parser.add_argument("--json", metavar="OUT", help="write the comparison as JSON ('-': to standard output)")
    everyone = parser.add_argument_group("every student of the library")
    everyone.add_argument(
        "--everyone", action="store_true", help="compare the first lesson of every student with the latest, by club"
    )
    everyone.add_argument("--club", metavar="NAME", help="with this club only")
    work.add_arguments(everyone)


def run(args: argparse.Namespace) -> int:
    import json
    from pathlib import Path

    if args.everyone:
        return _everyone(args)
    if not args.sets:
        raise UsageError("name two sets of swings or more, or --everyone")
    from imu.compare import compare
    from imu.measured import write_whole

    wanted = sets.targets(args)
    comparison = compare(sets.swing_sets(args), kind=args.kind, targets=wanted)
    text = json.dumps(comparison.to_json(), indent=1, allow_nan=False, ensure_ascii=False)
    if args.json == "-":
        print(text)
        return 0
    if args.json:
        write_whole(args.json, lambda tmp: Path(tmp).write_text(text + "\n", encoding="utf-8"))
    from imu.commands.table import terminal

    console = terminal()
    for pair in comparison.pairs:
        _show(pair, comparison.kind, console, everything=args.all)
    return 0


def _everyone(args: argparse.Namespace) -> int:
    import json
    import sys
    from pathlib import Path

    from imu.library import Library
    from imu.library.comparing import compare_everyone
    from imu.measured import write_whole

    if args.sets or args.student:
        raise UsageError("--everyone takes no sets and no --student")
    with Library.open(args.library, create=False) as library, work.workers(args) as hands:
        compared = compare_everyone(
            library,
            club=args.club,
            kind=args.kind,
            targets=sets.targets(args),
            jobs=hands.jobs,
            executor=hands.executor,
        )
        outcomes = sorted(compared, key=lambda o: (o.name.casefold(), o.student_id, o.club))
    text = json.dumps([o.to_json() for o in outcomes], indent=1, allow_nan=False, ensure_ascii=False)
    if args.json == "-":
        print(text)
    else:
        if args.json:
            write_whole(args.json, lambda tmp: Path(tmp).write_text(text + "\n", encoding="utf-8"))
        _show_everyone([o for o in outcomes if o.fault is None])
    for o in outcomes:
        if o.fault is not None:
            print(f"cupbow compare: {o.name}, {o.club}: {o.fault}", file=sys.stderr)
    return 3 if any(o.fault for o in outcomes) else 0


def _show_everyone(outcomes: Sequence[Outcome]) -> None:
    from rich import box
    from rich.table import Table
    from rich.text import Text

    from imu.commands.table import terminal
    from imu.settings import load_settings

    if not outcomes:
        print("No student has two lessons with one club yet.")
        return
    settings = load_settings()
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 2, 0, 0), pad_edge=False, show_edge=False)
    for head in ("student", "club", "first", "latest", "what has changed"):
        table.add_column(head)
    for o in outcomes:
        days = (settings.date(o.first_on), settings.date(o.latest_on))
        table.add_row(*(Text(cell) for cell in (o.name, o.club, *days, o.says)))
    terminal().print(table)


def _show(pair: Pair, kind: str, console: Console, *, everything: bool) -> None:
    from rich import box
    from rich.table import Table
    from rich.text import Text

    from imu.compare import CHANGED
    from imu.contrast import NOT_YET
    from imu.wording import change_words, headline, measure_words, side_words, tell_words

    console.print(Text(f"{pair.a.label} with {pair.b.label}, {kind} swings", style="bold"))
    console.print(Text(headline(pair)))
    table = Table(box=box.SIMPLE, pad_edge=False, show_edge=False)
    for name in ("", pair.a.label, pair.b.label, "difference", "too small to tell", "effect", ""):
        table.add_column(Text(name))

    def line(row: Row) -> None:
        e = row.estimate
        if e is None:
            if row.target:
                table.add_row(
                    Text(measure_words(row.key)), "—", "—", "—", "—", "—", Text(f"can't be told: {row.reason}")
                )
            return
        whole = row.unit == "°"

        def number(x: float, *, sign: bool = False) -> str:
            return f"{x:{'+' if sign else ''}.{1 if whole else 2}f}{row.unit}"

        half = row.sdc_alone or 0.0
        says = change_words(row) if row.target else ""
        more = tell_words(row)
        notes = "".join(f"; {n}" for n in row.notes)
        table.add_row(
            Text(measure_words(row.key)),
            f"{side_words(row.key, e.mean_a)} ({e.n_a})",
            f"{side_words(row.key, e.mean_b)} ({e.n_b})",
            f"{number(e.difference, sign=True)} ± {number(half)}",
            f"< {number(row.sdc or 0.0)}" if row.target else "",
            f"{e.effect:+.1f}",
            Text(f"{says}{': ' + more if more else ''}{notes}"),
        )

    for title, verdict in (("Changed", CHANGED), ("Not yet distinguishable", NOT_YET), ("Not compared", None)):
        rows = [r for r in pair.targets if r.verdict == verdict or (verdict is None and r.estimate is None)]
        if rows:
            table.add_row(Text(title, style="bold"))
            for r in rows:
                line(r)
    if everything:
        rest = [r for r in pair.rows if not r.target and r.estimate]
        if rest:
            table.add_row(Text("Not judged", style="bold"))
            for r in rest:
                line(r)
    console.print(table)
    if pair.cautions:
        console.print(Text("Before you conclude", style="bold"))
        for caution in pair.cautions:
            console.print(Text(f"  {caution}"))
    console.print()
