"""`cupbow change STUDENT`: what leads to what, what could be changed, and the pick of the coach."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from imu.commands import reading
from imu.errors import UsageError

if TYPE_CHECKING:
    from rich.console import Console

    from imu.bands import Bands
    from imu.cause_rules import Rules
    from imu.library import Library
    from imu.library.outlook import Outlook
    from imu.library.schema import Student
    from imu.one_change import Candidate, Candidates


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "who",
        nargs="+",
        metavar="STUDENT",
        help="a student of the library; or recordings (or what `measure --json` wrote of them), the latest last",
    )
    parser.add_argument("--lesson", metavar="DAY", help="as of this lesson: its day or identity (default: the latest)")
    parser.add_argument("--club", metavar="CLUB", help="with this club (default: the one swung most)")
    parser.add_argument("--kind", choices=("full", "partial", "slow"), help="the kind of swing; kinds are never mixed")
    parser.add_argument("--bands", type=Path, metavar="FILE", help="target bands (TOML) in place of the swings' own")
    parser.add_argument("--rules", type=Path, metavar="FILE", help="rules of cause and effect (TOML) of your own")
    parser.add_argument("--all", action="store_true", help="show what every rule came to, told or not")
    parser.add_argument("--json", metavar="OUT", help="write it all as JSON ('-': to standard output)")
    pick = parser.add_argument_group("pick")
    pick.add_argument("--pick", type=int, metavar="N", help="make candidate N the one change; the one before it ends")
    pick.add_argument("--thought", default="", metavar="TEXT", help="the one thought, in your words")
    pick.add_argument(
        "--band", nargs=2, type=float, metavar=("LOW", "HIGH"), help="its target band, where not as proposed"
    )
    pick.add_argument("--days", type=int, default=14, metavar="N", help="to the next lesson, for the practice (14)")
    pick.add_argument("--drop", action="store_true", help="no change stands any longer")
    pick.add_argument(
        "--bands-out", type=Path, metavar="FILE", help="write the student's own band set, the pick's band in it (TOML)"
    )
    group = parser.add_argument_group("which library")
    group.add_argument("--library", metavar="FOLDER", help="a folder, or a URL (default: as the other commands)")
    group.add_argument("--recordings", metavar="FOLDER", help="with a URL: the folder that the coaches share")
    reading.add_arguments(parser)
    parser.set_defaults(same_calibration=False, calibration=None, method="fit")


def run(args: argparse.Namespace) -> int:
    if args.drop and args.pick is not None:
        raise UsageError("--pick and --drop at once: choose one")
    from imu.practice.plan import MOST_DAYS

    if not 1 <= args.days <= MOST_DAYS:
        raise UsageError(f"--days {args.days}: there are 1 to {MOST_DAYS} to the next lesson")
    if args.pick is None and (args.thought or args.band):
        raise UsageError("--thought and --band belong to a pick: write --pick N too")
    from imu.bands import load
    from imu.cause_rules import load_rules
    from imu.library import Library, finding, picks
    from imu.library.outlook import outlook

    rules = load_rules(args.rules)  # before the long work, so that a fault in a file is told at once
    bands = load(args.bands) if args.bands else None
    if any(Path(text.partition("#")[0]).exists() for text in args.who):
        _told(_of_files(args, rules), args)
        return 0
    with Library.open(args.library, recordings=args.recordings, create=False) as library:
        student = finding.student_named(library, " ".join(args.who))
        if args.drop:
            picks.drop(library, student.id)
            print("Dropped. `cupbow undo` takes it back.")
            return 0
        found = outlook(
            library,
            student.id,
            lesson_id=_lesson(library, student, args.lesson),
            club=args.club,
            kind=args.kind,
            rules=rules,
            bands=bands,
        )
        _told(found.candidates, args)
        others = [club for club in found.clubs if club != found.club]
        if others and args.club is None and args.json is None:
            print(f"Also swung in that lesson: {', '.join(others)} (--club).")
        if args.pick is not None:
            _pick(library, student, found, args)
        if args.bands_out is not None:
            _write_bands(library, student, bands, args.bands_out)
    return 0


def _of_files(args: argparse.Namespace, rules: Rules) -> Candidates:
    """The chain of recordings that stand in no library: the last is today's."""
    if args.pick is not None or args.drop or args.bands_out or args.lesson or args.club:
        raise UsageError("--pick, --drop, --bands-out, --lesson and --club need a student of the library: `cupbow add`")
    from imu.causes import explain
    from imu.commands import sets
    from imu.one_change import candidates

    args.sets, args.student = args.who, None
    *earlier, today = sets.swing_sets(args)
    return candidates(explain(today, earlier=earlier, rules=rules, kind=args.kind))


def _lesson(library: Library, student: Student, text: str | None) -> str | None:
    if text is None:
        return None
    from imu.library import finding

    lessons = [line.lesson for line in finding.lessons(library, student_id=student.id)]
    asked = text.strip().lower()
    for lesson in lessons:
        if lesson.held_at.astimezone().date().isoformat() == asked or (len(asked) >= 4 and lesson.id.startswith(asked)):
            return lesson.id
    days = ", ".join(dict.fromkeys(x.held_at.astimezone().date().isoformat() for x in lessons)) or "none yet"
    raise UsageError(f"--lesson {text}: there is no lesson of that day or identity; there are {days}")


def _pick(library: Library, student: Student, found: Outlook, args: argparse.Namespace) -> None:
    from imu.library import picks

    chosen = _chosen(found, args.pick)
    band = (args.band[0], args.band[1]) if args.band else None
    made = picks.pick(library, student.id, chosen, club=found.club, thought=args.thought, band=band, days=args.days)
    if args.json != "-":
        low, high = made.low_deg, made.high_deg
        print(f"Picked: {made.thought.rstrip('.')}. Its band, {low:.0f}° to {high:.0f}°, is among the student's own.")
        print("`cupbow plan` writes the practice until the next lesson; `cupbow undo` takes the pick back.")


def _chosen(found: Outlook, number: int) -> Candidate:
    ranked = found.candidates.ranked
    if not 1 <= number <= len(ranked):
        there = f"there are {len(ranked)}" if ranked else f"there is none: {found.candidates.reason}"
        raise UsageError(f"--pick {number}: {there}")
    return ranked[number - 1]


def _write_bands(library: Library, student: Student, base: Bands | None, path: Path) -> None:
    from imu.bands import shipped
    from imu.library import picks

    standing = picks.current(library, student_id=student.id)
    if standing is None:
        raise UsageError("--bands-out: no change is picked, so the student has no bands of their own")
    picks.own_bands(base or shipped(), standing).write(path)


def _told(found: Candidates, args: argparse.Namespace) -> None:
    import json

    from imu.measured import write_whole

    text = json.dumps(found.to_json(), indent=1, allow_nan=False, ensure_ascii=False)
    if args.json == "-":
        print(text)
        return
    if args.json:
        write_whole(args.json, lambda tmp: Path(tmp).write_text(text + "\n", encoding="utf-8"))
    from imu.commands.table import terminal

    _show(found, terminal(), everything=args.all)


def _show(candidates: Candidates, console: Console, *, everything: bool) -> None:
    from imu.cause_words import ball_says, chain_says, says
    from imu.causes import NEITHER
    from imu.one_change import costs_words, gives_words, overdone_words, rests_words

    account = candidates.account
    console.print(f"{account.label}: {account.swings} {account.kind} swings", style="bold", highlight=False)
    if account.left_out:
        gone = ", ".join(f"{n} {why}" for why, n in account.left_out.items())
        console.print(f"Left out: {gone}.", highlight=False)
    console.print(chain_says(account), highlight=False, soft_wrap=False)
    shown = [x for x in account.links if everything or x.explained]
    for x in shown:
        if everything or x.verdict != NEITHER:
            console.print(f"  · {says(x)}", highlight=False)
    for ball in account.balls:
        if everything or ball.told:
            console.print(f"  · {ball_says(ball)}", highlight=False)
    console.print()
    for number, c in enumerate(candidates.ranked, 1):
        console.print(f"{number}. {c.title}", style="bold", highlight=False)
        for name, text in (
            ("would give", gives_words(c)),
            ("costs", costs_words(c)),
            ("overdone", overdone_words(c)),
            ("rests on", rests_words(c)),
            ("band", f"{c.low_deg:.0f}° to {c.high_deg:.0f}°"),
            *(("note", note) for note in c.notes),
        ):
            console.print(f"   {name:10} {text}", highlight=False)
    if candidates.reason:
        console.print(f"No candidate: {candidates.reason}.", highlight=False)
    if everything:
        for key, why in candidates.passed_over.items():
            console.print(f"   no candidate: {key}: {why}", highlight=False)
    console.print()
    console.print(
        "It advises on movement only. Stop on wrist pain; a measurement is not a medical opinion.", style="dim"
    )
