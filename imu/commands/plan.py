"""`cupbow plan STUDENT`: the practice until the next lesson, from a pick, written to one file."""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from imu.errors import UsageError

DAYS = 7

if TYPE_CHECKING:
    from imu.library.schema import Student
    from imu.practice.plan import Pick, Plan


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("student", metavar="STUDENT", help="a student of the library; with --handed anyone")
    pick = parser.add_argument_group("the pick (default: the one last picked for this student in the library)")
    pick.add_argument("--angle", metavar="ANGLE", help="such as wrist_flexion")
    pick.add_argument("--event", metavar="EVENT", help='such as top, or "top..shaft_level_down" for a change')
    pick.add_argument("--low", type=float, metavar="DEG", help="the band to practise, degrees (cupped negative)")
    pick.add_argument("--high", type=float, metavar="DEG")
    pick.add_argument("--today", type=float, metavar="DEG", help="where it is today (default: mean of the last lesson)")
    pick.add_argument("--u95", type=float, metavar="DEG", help="uncertainty of one reading")
    pick.add_argument("--thought", default="", metavar="TEXT", help="the one thought, in the coach's words")
    parser.add_argument("--days", type=int, metavar="N", help="to the next lesson (7)")
    parser.add_argument("--club", default="", help="the club that is practised with")
    parser.add_argument("--other-club", default="", metavar="CLUB", help="for the transfer check at the end")
    parser.add_argument("--call", metavar="NAME", help="how the file calls the student (default: as the library)")
    parser.add_argument("--handed", choices=("right", "left"), help="of a student who is not in the library")
    parser.add_argument("--drills", type=Path, metavar="FILE", help="drills of your own (TOML; default: those shipped)")
    parser.add_argument("--out", "-o", type=Path, metavar="FILE", help="the plan (default: STUDENT.plan.toml)")
    group = parser.add_argument_group("which library")
    group.add_argument("--library", metavar="FOLDER", help="a folder, or a URL (default: as the other commands)")
    group.add_argument("--recordings", metavar="FOLDER", help="with a URL: the folder that the coaches share")


def run(args: argparse.Namespace) -> int:
    from imu.practice import drill as drills
    from imu.practice.plan import MOST_DAYS, propose, write

    asked = _asked(args)
    if args.days is not None and not 1 <= args.days <= MOST_DAYS:
        raise UsageError(f"--days {args.days}: there are 1 to {MOST_DAYS} to the next lesson")
    known = drills.load(args.drills) if args.drills else None
    student: Student | None = None
    kept: Plan | None = None
    if asked is not None and args.handed:
        pick, handedness, name = asked, args.handed, args.student
    else:
        student, pick, kept = _from_library(args, asked)
        handedness, name = student.handedness, student.name
    name = args.call if args.call is not None else name
    plan = kept
    if plan is None or args.days or args.drills or args.club or args.other_club:
        plan = propose(
            pick,
            days=args.days or DAYS,
            student=name,
            student_id=student.id if student is not None else "",
            handedness=handedness,
            club=args.club,
            other_club=args.other_club,
            library=known,
        )
    plan = replace(plan, student=name)
    out = args.out or Path(f"{_file_name(name)}.plan.toml")
    if student is not None and student.needs_consent(date.today()):
        print("! a minor without a guardian's consent on file: ask before this file leaves here", file=sys.stderr)
    write(plan, out)
    _show(plan, out)
    return 0


def _asked(args: argparse.Namespace) -> Pick | None:
    """The pick that the options name, if they do."""
    from imu.practice.plan import Pick

    given = {"--angle": args.angle, "--event": args.event, "--low": args.low, "--high": args.high}
    if all(v is None for v in given.values()):
        return None
    missing = next((name for name, v in given.items() if v is None), None)
    if missing is not None:
        raise UsageError(f"{missing} is missing: a pick is an angle, an event and a band (--low --high)")
    return Pick(args.angle, args.event, args.low, args.high, args.today, args.u95, args.thought)


def _from_library(args: argparse.Namespace, asked: Pick | None) -> tuple[Student, Pick, Plan | None]:
    """The student, the pick, and the plan that the coach keeps with it, if there is one."""
    from imu.library import Library, finding, picks

    with Library.open(args.library, recordings=args.recordings, create=False) as library:
        try:
            student = finding.student_named(library, args.student)
        except UsageError as error:
            raise UsageError(f"{error}; --handed right (or left) makes a plan without the library") from None
        if asked is None:
            found = picks.current(library, student_id=student.id)
            if found is None:
                raise UsageError(
                    f"no change is picked for {student.name}; cupbow change shows what there is, or name it: "
                    "--angle wrist_flexion --event top --low -12 --high 3"
                )
            return student, picks.as_practice(found), picks.plan_of(found)
        if asked.today_deg is None:
            today, u95 = _today(library, student.id, f"{asked.angle}@{asked.event}")
            asked = replace(asked, today_deg=today, u95_deg=u95 if asked.u95_deg is None else asked.u95_deg)
        return student, asked, None


def _today(library: Any, student_id: str, key: str) -> tuple[float | None, float | None]:
    """Mean of the swings that count in the last lesson that has any, and their median uncertainty."""
    import statistics

    from imu.library import finding

    if ".." in key:
        return None, None
    lines = finding.swings(library, finding.Wanted(student_id=student_id, kind="full", counted=True), values=[key])
    lines = [line for line in lines if line.grade != "poor" and line.values[key][0] is not None]
    if not lines:
        return None, None
    last = max(line.held_at for line in lines)
    values = [line.values[key] for line in lines if line.held_at == last]
    mean = statistics.fmean(v for v, _ in values if v is not None)
    known = [u for _, u in values if u is not None]
    return round(mean, 1), round(statistics.median(known), 1) if known else None


def _file_name(name: str) -> str:
    kept = "".join(c if c.isalnum() else "-" for c in name).strip("-").lower()
    return kept or "practice"


def _show(plan: Plan, out: Path) -> None:
    from imu.practice.drill import side_words

    pick = plan.pick
    low, high = side_words(pick.angle)
    where = f"{pick.angle.replace('_', ' ')} at {pick.event.replace('_', ' ')}"
    today = "" if pick.today_deg is None else f", today {pick.today_deg:.0f}°"
    print(f"{where}: {pick.low_deg:.0f} to {pick.high_deg:.0f}° ({low} negative, {high} positive){today}")
    for day in plan.days:
        blocks = []
        for block in day.blocks:
            check = {"retention": ", what stayed", "transfer": ", another club" if block.club else ", transfer"}
            blocks.append(f"{block.tries} × {block.drill}{check.get(block.purpose, '')}")
        print(f"  day {day.on_day}: {'; '.join(blocks)}")
    for line in plan.remarks():
        print(f"! {line}", file=sys.stderr)
    print(f"{out}: written; edit it as you like, then: cupbow practice {out}")
