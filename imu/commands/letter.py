"""`cupbow letter BEFORE NOW`: the letter home, as PDF or HTML, with the coach's words kept."""

from __future__ import annotations

import argparse
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from imu.commands import sets
from imu.errors import UsageError
from imu.settings import CHOICES

if TYPE_CHECKING:
    from imu.compare import SwingSet
    from imu.report import Change


def add_arguments(parser: argparse.ArgumentParser) -> None:
    sets.add_arguments(parser)
    parser.add_argument("--to", metavar="NAME", help="whom the letter is to (default: --student)")
    parser.add_argument("--coach", required=True, metavar="NAME", help="who signs it")
    parser.add_argument("--out", "-o", type=Path, required=True, metavar="OUT", help="the letter: .pdf or .html")
    parser.add_argument(
        "--words",
        type=Path,
        metavar="FILE",
        help="the words of the letter (TOML), written for you to change; what you changed is kept "
        "(default: beside OUT, ending in .words.toml)",
    )
    parser.add_argument("--paper", choices=("a4", "letter"), help="A4 or US Letter (default: that of the settings)")
    parser.add_argument("--language", choices=CHOICES["language"], help="of the letter (default: that of the settings)")
    parser.add_argument("--place", default="", help="where the lesson was")
    parser.add_argument("--date", help="its date, as it is to be printed (default: the later set's day, else today)")
    parser.add_argument("--lesson", default="", help='what stands at the right of the head, "lesson 3, 7-iron"')
    parser.add_argument("--until", default="", help="until when the drill is for, as it is to be printed")


def run(args: argparse.Namespace) -> int:
    if args.out.suffix.lower() not in (".pdf", ".html", ".htm"):
        raise UsageError(f"{args.out}: a letter is written as .pdf or .html; choose one of these endings")
    if not (args.to or args.student):
        raise UsageError("whom is the letter to? Write --student NAME, or --to NAME")
    if len(args.sets) != 2:
        raise UsageError(f"a letter compares two sets of swings, before and now; {len(args.sets)} given")
    from imu.compare import compare
    from imu.report import draft_letter, load_words, save_words, write_letter
    from imu.settings import load_settings

    place = args.words or args.out.with_suffix(".words.toml")
    settings = load_settings()
    language = args.language or settings.language
    settings = replace(settings, language=language)
    kept = load_words(place)  # before the long work, so that a fault in it is told at once
    wanted = sets.targets(args)
    comparison = compare(sets.swing_sets(args), kind=args.kind, targets=wanted)
    pair = comparison.pairs[0]
    letter, drafts = draft_letter(
        pair,
        student=args.to or args.student,
        coach=args.coach,
        when=(pair.a.label, pair.b.label),
        place=args.place,
        date=settings.day(_day(args, pair.b)) if args.date is None else args.date,
        lesson=args.lesson,
        until=args.until,
        kept=kept,
        change=_picked(args, language),
        language=language,
    )
    write_letter(letter, args.out, paper=args.paper or settings.paper.lower())
    save_words(place, letter.words, drafts)
    print(f"{args.out}: the letter; its words are in {place}: change them and run this again")
    return 0


def _day(args: argparse.Namespace, later: SwingSet) -> date:
    """When the later set was swung: the last lesson's or recording's day, else today."""
    from imu.library import Library, finding
    from imu.library.filing import manifest_facts
    from imu.library.store import NoLibrary

    last = later.lessons[-1]
    when = None
    if Path(last).exists():
        when = manifest_facts(Path(last)).get("recorded_at")
    elif args.student:
        try:
            with Library.open(args.library, create=False) as library:
                when = finding.lesson_of_id(library, last).held_at.astimezone()
        except (NoLibrary, UsageError):
            when = None
    return when.date() if when else date.today()


def _picked(args: argparse.Namespace, language: str) -> Change | None:
    """The change that stands for a student of the library."""
    if not args.student:
        return None
    from imu.library import Library, finding, picks
    from imu.library.store import NoLibrary

    try:
        with Library.open(args.library, create=False) as library:
            student = finding.student_named(library, args.student)
            return picks.for_letter(picks.current(library, student_id=student.id), language=language)
    except (NoLibrary, UsageError):
        return None  # sets that are files, for a student who is in no library
