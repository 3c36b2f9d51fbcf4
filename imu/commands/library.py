"""Commands on the library: who and what is in it, filing and correcting, archives, upkeep.

Each command is one object with `add_arguments` and `run`, as `imu.cli` asks.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from imu.commands import reading, work
from imu.errors import CupbowError, UsageError

if TYPE_CHECKING:
    from imu.library import Library
    from imu.library.forget import Going
    from imu.library.schema import Lesson, Student

NOT_ALL = 3  # something could not be read or measured; the rest was done
SESSION_SUFFIX = ".practice.jsonl"  # imu.practice.journal has it too, but imports more
TOP, SHOWN = "wrist_flexion@top", 8  # the value that lists show, and how many digits of an identity


@dataclass(frozen=True)
class Entry:
    """A command of this module."""

    arguments: Callable[[argparse.ArgumentParser], None]
    act: Callable[[Library, argparse.Namespace], int]
    creates: bool = False  # whether it may start a new library

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        self.arguments(parser)
        group = parser.add_argument_group("which library")
        group.add_argument(
            "--library",
            metavar="FOLDER",
            help="a folder, or the URL of an academy's PostgreSQL database (default: $CUPBOW_LIBRARY, "
            "else in the user's data folder)",
        )
        group.add_argument(
            "--recordings",
            metavar="PLACE",
            help="with a URL: the folder of recordings that the coaches share, or the URL of an object store",
        )

    def run(self, args: argparse.Namespace) -> int:
        from imu.library import Library

        with Library.open(args.library, recordings=args.recordings, create=self.creates) as library:
            return self.act(library, args)


# -- students --------------------------------------------------------------------------------------


def _student_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("who", metavar="NAME", help="the student")
    parser.add_argument("--new", action="store_true", help="enter a new student")
    parser.add_argument("--rename", metavar="NAME", help="correct the name")
    parser.add_argument("--handed", choices=("right", "left"), help="the golfer's handedness")
    parser.add_argument("--born", type=_day, metavar="DATE", help="date of birth, such as 2012-03-04")
    parser.add_argument("--guardian", metavar="NAME", help="who consented for a minor")
    parser.add_argument("--consent", type=_day, metavar="DATE", help="when the guardian consented")
    parser.add_argument("--clubs", metavar="LIST", help="clubs, with commas between")
    parser.add_argument("--aims", metavar="TEXT", help="what the student wants")
    parser.add_argument("--notes", metavar="TEXT", help="anything else")


def _student(library: Library, args: argparse.Namespace) -> int:
    from imu.library import filing, finding

    given = {
        "name": args.rename,
        "handedness": args.handed,
        "born_on": args.born,
        "guardian": args.guardian,
        "consent_on": args.consent,
        "clubs": None if args.clubs is None else [c.strip() for c in args.clubs.split(",") if c.strip()],
        "aims": args.aims,
        "notes": args.notes,
    }
    changes = {name: value for name, value in given.items() if value is not None}
    if args.new:
        if args.handed is None:
            raise UsageError("a new student needs --handed right or --handed left")
        changes |= {"name": args.who}
        _say_namesake(library, args.who)
        student = filing.add_student(library, **changes)
    else:
        student = finding.student_named(library, args.who)
        if changes:
            filing.edit_student(library, student.id, changes=changes)
            student = finding.student_named(library, student.id)
    _show_student(student)
    return 0


def _say_namesake(library: Library, name: str) -> None:
    """There may be two of a name; more often one is entered twice."""
    from imu.library import finding

    for other in finding.everyone(library):
        if finding.folded(other.name) == finding.folded(name):
            print(
                f"! another student is called {other.name} ({other.id[:SHOWN]}): `cupbow undo` takes this one back",
                file=sys.stderr,
            )


def _show_student(student: Student) -> None:
    from imu.settings import load_settings

    settings, today = load_settings(), date.today()
    lead = "right" if student.handedness == "left" else "left"
    print(f"{student.name}  {student.handedness}-handed, lead wrist: {lead}  ({student.id[:SHOWN]})")
    if student.born_on:
        print(f"  born {settings.date(student.born_on)}, {student.age_on(today)} years old")
    if student.consent_on:
        print(f"  guardian's consent: {student.guardian or 'given'}, {settings.date(student.consent_on)}")
    elif student.needs_consent(today):
        print("  ! a minor without a guardian's consent on file (--guardian NAME --consent DATE)")
    for label, text in (("clubs", ", ".join(student.clubs)), ("aims", student.aims), ("notes", student.notes)):
        if text:
            print(f"  {label}: {text}")


# -- adding ----------------------------------------------------------------------------------------


def _add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "paths", nargs="+", type=Path, metavar="PATH", help="recordings, folders of recordings, or practice sessions"
    )
    parser.add_argument("--student", required=True, metavar="NAME", help="whose they are")
    parser.add_argument("--new", action="store_true", help="enter the student too (with --handed)")
    parser.add_argument("--lesson", metavar="ID", help="file into this lesson (default: the student's of that day)")
    parser.add_argument("--practice", action="store_true", help="a practice session, not a lesson")
    parser.add_argument("--club", metavar="NAME", help="the club, where the recording doesn't say or is wrong")
    parser.add_argument("--thought", metavar="TEXT", help="the one thought given in this lesson")
    parser.add_argument("--calibration", type=Path, metavar="FILE", help="a saved calibration, kept with the recording")
    parser.add_argument("--no-measure", action="store_true", help="file now, measure later (cupbow remeasure)")
    reading.add_arguments(parser)


def _add(library: Library, args: argparse.Namespace) -> int:
    from imu.library import filing, finding

    if args.new:
        if args.handed is None:
            raise UsageError("a new student needs --handed right or --handed left")
        _say_namesake(library, args.student)
        student = filing.add_student(library, name=args.student, handedness=args.handed)
    else:
        try:
            student = finding.student_named(library, args.student)
        except UsageError as error:
            raise UsageError(f"{error}; --new --handed left (or right) enters a new student") from None
    if student.needs_consent(date.today()):
        print("! a minor without a guardian's consent on file: ask for it before recording", file=sys.stderr)
    lesson = finding.lesson_of_id(library, args.lesson).id if args.lesson else None
    code = 0
    for path in (p for given in args.paths for p in _sessions_in(given) or reading.recordings_below(given)):
        try:
            if path.name.endswith(SESSION_SUFFIX):
                _add_session(library, path, student)
            else:
                _add_one(library, path, student, lesson, args)
        except CupbowError as error:
            if isinstance(error, UsageError):
                raise
            print(f"cupbow add: {error}", file=sys.stderr)
            code = NOT_ALL
    return code


def _sessions_in(path: Path) -> list[Path]:
    """The practice sessions that a path names: itself, or those of a folder of sessions."""
    if path.name.endswith(SESSION_SUFFIX):
        return [path]
    return sorted(path.glob(f"*{SESSION_SUFFIX}")) if path.is_dir() else []


def _add_session(library: Library, path: Path, student: Student) -> None:
    from imu.library.practice import bring_home
    from imu.practice import journal

    session = journal.read(path)
    brought = bring_home(library, session, student_id=student.id)
    held = sum(t.held is True for t in session.tries)
    short = brought.lesson.id[:SHOWN]
    if brought.new:
        tries = _tries(len(session.tries))
        print(f"{path}: practice session filed ({short}), {tries}, {held} held")
    else:
        more = f", {_tries(brought.tries)} added" if brought.tries else ""
        print(f"{path}: already filed here ({short}){more}")
    if session.hurt is not None:
        print(
            f"! it hurt in this session{': ' + session.hurt if session.hurt else ''}; ask before going on",
            file=sys.stderr,
        )
    if session.unread:
        print(f"! {path}: {_count(session.unread, 'line')} cut off and left out", file=sys.stderr)


def _add_one(library: Library, path: Path, student: Student, lesson: str | None, args: argparse.Namespace) -> None:
    """Measure, then file: what cannot be read is not filed."""
    from imu.library import files, filing, measuring

    hints = {name: value for name, value in reading.said(args).items() if value is not None and name != "handed"}
    sha256 = files.content_hash(path.absolute())
    there = filing.already(library, sha256)
    if there is None and not args.no_measure:
        facts = filing.manifest_facts(path)
        handedness = args.handed or facts.get("handedness") or student.handedness
        with reading.progress_bar(path.name) as show:
            show(0.0, "measuring")
            task = measuring.Task(
                recording_id="",
                path=str(path),
                handedness=handedness,
                club=args.club or "",
                hints=hints,
                calibration=str(args.calibration) if args.calibration else None,
            )
            measured = measuring.measure_task(task, progress=show)
    added = there or filing.add_recording(
        library,
        path,
        student_id=student.id,
        lesson_id=lesson,
        kind="practice" if args.practice else "lesson",
        handedness=args.handed,
        club=args.club,
        options=hints,
        calibration=args.calibration,
        expected_sha256=sha256,
    )
    short = added.recording.id[:SHOWN]
    if not added.new:
        owner = _owner(library, added.lesson)
        where = (
            "already filed here" if owner.id == student.id else f"already filed under {owner.name}: move it if wrong"
        )
        print(f"{path}: {where} ({short})")
        return
    for line in added.warnings:
        print(f"! {line}", file=sys.stderr)
    if args.thought is not None and args.thought != added.lesson.thought:
        filing.edit_lesson(library, added.lesson.id, changes={"thought": args.thought})
    if args.no_measure:
        print(f"{path}: filed ({short}), not measured yet")
        return
    task = measuring.task_for(library, added.recording)
    filing.store_measurement(
        library,
        added.recording.id,
        measured,
        code=measuring.code_version(),
        calibration=measuring.calibration_name(task),
        bands=measuring.bands_name(None),
    )
    for line in measured.warnings:
        print(f"! {line}", file=sys.stderr)
    print(f"{path}: filed ({short}), {_count(len(measured.swings), 'swing')}")


def _owner(library: Library, lesson: Lesson) -> Student:
    from imu.library import finding

    return finding.student_named(library, lesson.student_id)


# -- listing ---------------------------------------------------------------------------------------


def _list_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("who", nargs="?", metavar="NAME", help="a student, whose lessons are listed")
    parser.add_argument("--lesson", metavar="ID", help="the recordings and swings of a lesson")
    parser.add_argument("--changes", action="store_true", help="what was done lately, and can be undone")
    parser.add_argument("--json", action="store_true", help="as JSON on standard output")


def _list(library: Library, args: argparse.Namespace) -> int:
    if args.changes:
        return _list_changes(library, args)
    if args.lesson:
        return _list_lesson(library, args)
    if args.who:
        return _list_student(library, args)
    from imu.library import finding
    from imu.settings import load_settings

    settings = load_settings()
    lines = finding.students(library)
    _table(
        args,
        ("id", "student", "hand", "lessons", "practice", "swings", "last"),
        [
            (
                line.student.id[:SHOWN],
                line.student.name,
                line.student.handedness,
                line.lessons,
                line.practices,
                line.swings,
                _shown_day(settings, line.last_at, args),
            )
            for line in lines
        ],
        empty="No students yet. `cupbow add PATH --student NAME --new --handed left` files the first recording.",
    )
    for recording in finding.left_open(library):
        print(f"! recording {recording.id[:SHOWN]} is being written, or was cut short", file=sys.stderr)
    return 0


def _list_student(library: Library, args: argparse.Namespace) -> int:
    from imu.library import finding
    from imu.settings import load_settings

    settings = load_settings()
    student = finding.student_named(library, args.who)
    if not args.json:
        _show_student(student)
    _table(
        args,
        ("id", "date", "kind", "recordings", "swings", "left out", "clubs", "thought"),
        [
            (
                line.lesson.id[:SHOWN],
                _shown_day(settings, line.lesson.held_at, args),
                line.lesson.kind,
                line.recordings,
                line.swings,
                line.left_out,
                ", ".join(line.clubs),
                line.lesson.thought,
            )
            for line in finding.lessons(library, student_id=student.id)
        ],
        empty="No lessons yet.",
    )
    return 0


def _list_lesson(library: Library, args: argparse.Namespace) -> int:
    from imu.library import finding
    from imu.settings import load_settings

    settings = load_settings()
    lesson = finding.lesson_of_id(library, args.lesson)
    rows: list[tuple[Any, ...]] = []
    for recording in finding.recordings(library, lesson_id=lesson.id):
        swings = finding.swings(library, finding.Wanted(recording_id=recording.id), values=[TOP])
        note = "discarded: " + recording.discarded if recording.discarded is not None else ""
        if recording.state == "open":
            note = "being written, or cut short"
        if not swings:
            rows.append((recording.id[:SHOWN], None, "", recording.club, None, None, "", note or "no swings measured"))
        for s in swings:
            value, u95 = s.values[TOP] if args.json else map(_whole, s.values[TOP])
            flight = " ".join(x for x in (s.start, s.curve and f"curve {s.curve}", s.strike) if x)
            if s.carry_m is not None:
                flight += f" {settings.distance(s.carry_m)}"
            why = f"left out: {s.left_out}" if s.left_out is not None else note
            rows.append((recording.id[:SHOWN], s.number, s.kind, s.club, value, u95, flight.strip(), why))
    _table(
        args,
        ("recording", "swing", "kind", "club", "wrist at the top", "±", "ball", "note"),
        rows,
        empty="No recordings in this lesson.",
    )
    return 0


def _list_changes(library: Library, args: argparse.Namespace) -> int:
    from imu.settings import load_settings

    settings = load_settings()

    def at(moment: datetime) -> str:
        if args.json:
            return moment.astimezone().isoformat(timespec="minutes")
        return f"{settings.date(moment)}, {settings.time(moment)}"

    rows = [(c.id, at(c.at), c.what, "undone" if c.undone_at else "") for c in library.changes(50)]
    _table(args, ("change", "when", "what", ""), rows, empty="Nothing was done yet.")
    return 0


# -- moving and correcting -------------------------------------------------------------------------


def _move_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("what", nargs="+", metavar="ID", help="recordings, or lessons")
    parser.add_argument("--to", metavar="NAME", help="the student under whom they belong")
    parser.add_argument("--into", metavar="ID", help="the lesson into which they belong (a whole lesson: merged)")
    parser.add_argument(
        "--split", action="store_true", help="begin a new lesson with this recording and the later ones of its lesson"
    )


def _move(library: Library, args: argparse.Namespace) -> int:
    from imu.library import filing, finding

    if sum((args.to is not None, args.into is not None, args.split)) != 1:
        raise UsageError("say where to: --to STUDENT, --into LESSON, or --split")
    things = [_recording_or_lesson(library, what) for what in args.what]
    recordings = [thing for thing in things if hasattr(thing, "lesson_id")]
    lessons = [thing for thing in things if not hasattr(thing, "lesson_id")]
    warnings: list[str] = []
    if args.split:
        if len(recordings) != 1 or lessons:
            raise UsageError("--split takes one recording: the first of the new lesson")
        new = filing.split_lesson(library, recordings[0].lesson_id, from_recording=recordings[0].id)
        print(f"new lesson {new.id[:SHOWN]}")
        return 0
    if args.to is not None:
        student = finding.student_named(library, args.to)
        if recordings:
            warnings += filing.move_recordings(library, [r.id for r in recordings], student_id=student.id)
        for lesson in lessons:
            warnings += filing.move_lesson(library, lesson.id, student_id=student.id)
        print(f"moved to {student.name}")
    else:
        target = finding.lesson_of_id(library, args.into)
        if recordings:
            warnings += filing.move_recordings(library, [r.id for r in recordings], lesson_id=target.id)
        for lesson in lessons:
            filing.merge_lessons(library, target.id, other=lesson.id)
        print(f"moved into lesson {target.id[:SHOWN]}")
    for line in warnings:
        print(f"! {line}", file=sys.stderr)
    return 0


def _recording_or_lesson(library: Library, identity: str) -> Any:
    from imu.library import finding

    try:
        return finding.recording_of_id(library, identity)
    except UsageError as first:
        try:
            return finding.lesson_of_id(library, identity)
        except UsageError:
            if "more than one" in str(first) or "is not the identity" in str(first):
                raise first from None
            raise UsageError(f"there is no recording or lesson {identity!r}; `cupbow list` shows them") from None


def _correct_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("recording", metavar="ID", help="a recording")
    parser.add_argument(
        "--swings", metavar="WHICH", help="only these: 12- (from 12 on), 3-5, or 3,7 (default: the whole recording)"
    )
    parser.add_argument("--club", metavar="NAME", help="the club was another")
    parser.add_argument("--handed", choices=("right", "left"), help="the golfer's handedness was another")
    parser.add_argument("--thought", metavar="TEXT", help="the thought given from there on")
    parser.add_argument("--leave-out", metavar="WHY", help="leave these swings (or the whole recording) out of means")
    parser.add_argument("--take-back", action="store_true", help="let these swings (or the recording) count again")
    parser.add_argument(
        "--ball", type=Path, metavar="CSV", help="what the balls did: swing, start, curve, strike, carry"
    )


def _correct(library: Library, args: argparse.Namespace) -> int:
    from imu.library import filing, finding
    from imu.settings import load_settings

    recording = finding.recording_of_id(library, args.recording)
    swings = finding.swings(library, finding.Wanted(recording_id=recording.id))
    chosen = _which(args.swings, [s.number for s in swings if s.number is not None]) if args.swings else None
    done = False
    if args.club is not None or args.thought is not None:
        done = True
        if chosen is None and args.thought is None:
            filing.correct_recording(library, recording.id, club=args.club)
        else:
            for first, last in _runs(chosen or [s.number for s in swings if s.number is not None]):
                filing.correct_swings(
                    library, recording.id, first=first, last=last, club=args.club, thought=args.thought
                )
    if args.handed is not None:
        done = True
        filing.correct_recording(library, recording.id, handedness=args.handed)
        print("the values are of the other hand: `cupbow remeasure --all` makes them anew")
    if args.leave_out is not None or args.take_back:
        done = True
        ids = [s.id for s in swings if chosen is not None and s.number in chosen]
        if args.leave_out is not None and chosen is None:
            filing.discard_recording(library, recording.id, reason=args.leave_out)
        elif args.leave_out is not None:
            filing.leave_out(library, ids, reason=args.leave_out)
        elif chosen is None:
            filing.take_back_recording(library, recording.id)
        else:
            filing.take_back(library, ids)
    if args.ball is not None:
        done = True
        outcomes = filing.read_outcomes(args.ball, yards=load_settings().length == "yd")
        filing.set_outcomes(library, recording.id, outcomes)
        print(f"{_count(len(outcomes), 'ball flight')} noted")
    if not done:
        raise UsageError("say what to correct: --club, --handed, --thought, --leave-out, --take-back or --ball")
    print("corrected; `cupbow undo` takes it back")
    return 0


def _which(text: str, there: Sequence[int]) -> list[int]:
    """`12-`, `3-5`, `3,7`, of the swings that are there."""
    chosen: set[int] = set()
    for part in text.split(","):
        first, dash, last = part.strip().partition("-")
        if not first.isdecimal() or (last and not last.isdecimal()):
            raise UsageError(f"--swings {text!r}: give 12- (from 12 on), 3-5, or 3,7")
        end = int(last) if last else (max(there, default=0) if dash else int(first))
        found = {n for n in there if int(first) <= n <= end}
        if found and end > max(there):
            raise UsageError(f"--swings {text}: the recording has swings {min(there)} to {max(there)}")
        if not found:
            raise UsageError(f"--swings {text}: the recording has no swing {part.strip()}")
        chosen |= found
    return sorted(chosen)


def _runs(numbers: Sequence[int]) -> Iterator[tuple[int, int]]:
    """Unbroken runs of numbers: first and last of each."""
    first = last = None
    for number in numbers:
        if last is not None and number != last + 1:
            yield first, last  # type: ignore[misc]  # both are set
            first = number
        first, last = number if first is None else first, number
    if first is not None and last is not None:
        yield first, last


def _undo_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("change", nargs="?", type=int, metavar="N", help="this change (default: the newest)")


def _undo(library: Library, args: argparse.Namespace) -> int:
    done = library.undo(args.change)
    print(f"undone: change {done.id}, {done.what}")
    return 0


# -- forgetting ------------------------------------------------------------------------------------


def _forget_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("who", nargs="+", metavar="NAME", help="the student, or several, which takes hardly longer")
    parser.add_argument("--yes", action="store_true", help="don't ask")


def _forget(library: Library, args: argparse.Namespace) -> int:
    from platformdirs import user_cache_path, user_data_path

    from imu.library import finding
    from imu.library.forget import confirms, forget_all, would_go

    caches, beside = [user_cache_path("cupbow", appauthor=False)], [user_data_path("cupbow", appauthor=False)]
    chosen = {student.id: student.name for student in (finding.student_named(library, who) for who in args.who)}
    if not args.yes:
        if not sys.stdin.isatty():
            raise UsageError("this deletes the student for good: say --yes")
        for identity, name in chosen.items():
            print(f"{name}: {_going(would_go(library, [identity], beside=beside))}")
        print("This cannot be undone. `cupbow export FILE.zip --student NAME` keeps a copy first.")
        for name in chosen.values():
            if not confirms(input(f"Type the name to delete all of it ({name}): "), name):
                print("Nothing was deleted.")
                return 1
    done = forget_all(library, list(chosen), caches=caches, beside=beside)
    print(f"forgotten: {_going(done.gone)}, journal, caches")
    for place in done.left:
        print(f"! the name still stands in {place}", file=sys.stderr)
    if done.waiting:
        print("! another program has the library open: last traces go when it is next opened alone", file=sys.stderr)
    if done.undeleted:
        folders = _count(done.undeleted, "folder")
        print(f"! {folders} cannot be deleted yet: tried again whenever the library is opened", file=sys.stderr)
    if done.fault:
        print(f"! stopped on the way ({done.fault}): the rest goes when the library is next opened", file=sys.stderr)
    print("Out of reach from here:")
    for place in done.out_of_reach:
        print(f"  - {place}")
    return 0 if done.finished else NOT_ALL


def _going(going: Going) -> str:
    """What forgetting deletes, in words."""
    practices = [_count(going.practices, "practice session")] if going.practices else []
    tries = [_tries(going.tries)] if going.tries else []
    uploads = [_count(going.uploads, "upload")] if going.uploads else []
    parts = [_count(going.lessons, "lesson"), *practices, _count(going.recordings, "recording")]
    parts += [_count(going.swings, "swing"), *tries, _count(going.letters, "letter"), *uploads]
    return ", ".join(parts)


# -- archives --------------------------------------------------------------------------------------


def _export_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", type=Path, metavar="FILE.zip", help="the archive to write")
    parser.add_argument("--student", metavar="NAME", help="only this student (default: everyone)")


def _export(library: Library, args: argparse.Namespace) -> int:
    from imu.library import finding
    from imu.library.archive import export_archive

    student = finding.student_named(library, args.student).id if args.student else None
    done = export_archive(library, args.file, student_id=student)
    print(
        f"{args.file}: {_count(done.students, 'student')}, {_count(done.recordings, 'recording')}, "
        f"{done.bytes / 1e6:.1f} MB. It holds personal data: keep it as you keep the library."
    )
    return 0


def _import_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", type=Path, metavar="FILE.zip", help="an archive that `cupbow export` wrote")


def _import(library: Library, args: argparse.Namespace) -> int:
    from imu.library.archive import import_archive

    done = import_archive(library, args.file)
    shown = [name for name in ("students", "lessons", "recordings", "swings", "tries") if done.added.get(name)]
    counted = [_count(done.added[name], {"tries": "try"}.get(name, name.removesuffix("s"))) for name in shown]
    print("new: " + (", ".join(counted) if shown else "nothing, all was here"))
    if done.kept:
        print("kept as here: " + ", ".join(f"{count} {name}" for name, count in done.kept.items()))
    return 0


# -- measuring anew --------------------------------------------------------------------------------


def _remeasure_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--all", action="store_true", help="everything, not only what an older version measured")
    parser.add_argument("--student", metavar="NAME", help="only this student")
    parser.add_argument("--bands", type=Path, metavar="FILE", help="target bands (TOML) in place of the shipped ones")
    parser.add_argument("--json", action="store_true", help="what moved, as JSON on standard output")
    work.add_arguments(parser)


def _remeasure(library: Library, args: argparse.Namespace) -> int:
    from imu.library import finding, measuring
    from imu.library.schema import now

    if args.bands is not None:
        from imu.bands import load

        load(args.bands)  # before the long work, so that a fault in it is told at once
    student = finding.student_named(library, args.student).id if args.student else None
    begun, done, faults = now(), 0, []
    stopped = False
    try:
        with work.workers(args) as hands, _counting() as show:
            for step in measuring.remeasure(
                library,
                jobs=hands.jobs,
                executor=hands.executor,
                bands=str(args.bands) if args.bands else None,
                everything=args.all,
                student_id=student,
            ):
                show(step.done, step.total)
                done = step.done
                if step.fault:
                    faults.append(f"recording {step.recording_id[:SHOWN]}: {step.fault}")
    except KeyboardInterrupt:
        stopped = True
    moved = measuring.moved(library, since=begun)
    if args.json:
        import json

        print(json.dumps({"measured": done - len(faults), "faults": faults, "moved": [m.to_json() for m in moved]}))
    else:
        print(f"measured {_count(done - len(faults), 'recording')} anew")
        _say_moved(args, moved)
    for line in faults:
        print(f"cupbow remeasure: {line}", file=sys.stderr)
    if stopped:
        print("cupbow remeasure: stopped; the same command goes on from here", file=sys.stderr)
        return 130
    return NOT_ALL if faults else 0


def _say_moved(args: argparse.Namespace, moved: Sequence[Any]) -> None:
    shown = [m for m in moved if m.beyond or m.appeared or m.vanished or round(m.largest_deg, 1)]
    _table(
        args,
        ("angle", "at", "swings", "median", "largest", "beyond ±", "new", "gone"),
        [
            (
                m.angle,
                m.event,
                m.swings,
                round(m.median_deg, 1),
                round(m.largest_deg, 1),
                m.beyond,
                m.appeared,
                m.vanished,
            )
            for m in shown
        ],
        empty="No number moved by a tenth of a degree." if moved else "No number moved.",
    )
    if shown and len(shown) < len(moved):
        print(f"{len(moved) - len(shown)} more moved by less than a tenth of a degree.")
    beyond = sum(m.beyond for m in moved)
    if moved and not beyond:
        print("No number moved by more than the uncertainty that it claimed.")


@contextmanager
def _counting() -> Iterator[Callable[[int, int], None]]:
    with reading.progress_bar("measuring") as show:
        yield lambda done, total: show(done / total, f"{done} of {total}")


# -- an academy ------------------------------------------------------------------------------------


def _coaches_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--admit", metavar="ROLE", help="let a role of the server use the library")
    parser.add_argument("--dismiss", metavar="ROLE", help="take the library away from a role")
    parser.add_argument("--give", nargs=2, metavar=("STUDENT", "ROLE"), help="give a student to another coach")


def _coaches(library: Library, args: argparse.Namespace) -> int:
    from imu.library import coaches, finding

    if args.admit:
        coaches.admit(library, args.admit)
    if args.dismiss:
        coaches.dismiss(library, args.dismiss)
    if args.give:
        student = finding.student_named(library, args.give[0])
        coaches.hand_over(library, [student.id], role=args.give[1])
        print(f"{student.name}: now a student of {args.give[1]}")
    if library.local:
        print("This library is one's own. Coaches share one on a PostgreSQL server: --library postgresql://…")
        return 0
    if not coaches.keeps(library):
        print(f"you are {library.coach}, a coach of this library; its keeper knows who else is")
        return 0
    print("coaches: " + (", ".join(coaches.admitted(library)) or "none yet (--admit ROLE)"))
    return 0


# -- within ----------------------------------------------------------------------------------------


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not a date such as 2012-03-04") from None


def _shown_day(settings: Any, at: datetime | None, args: argparse.Namespace) -> str | None:
    if at is None:
        return None
    return at.isoformat() if args.json else str(settings.date(at))


def _whole(degrees: float | None) -> int | None:
    return None if degrees is None else round(degrees)


def _tries(n: int) -> str:
    return "1 try" if n == 1 else f"{n} tries"


def _count(n: int, what: str) -> str:
    return f"{n} {what}" if n == 1 else f"{n} tries" if what == "try" else f"{n} {what}s"


def _table(args: argparse.Namespace, heads: Sequence[str], rows: Sequence[Sequence[Any]], *, empty: str) -> None:
    if args.json:
        import json

        print(json.dumps([dict(zip(heads, row, strict=True)) for row in rows], ensure_ascii=False, indent=1))
        return
    if not rows:
        print(empty)
        return
    from rich import box
    from rich.table import Table
    from rich.text import Text

    from imu.commands.table import terminal

    table = Table(box=box.SIMPLE_HEAD, padding=(0, 2, 0, 0), pad_edge=False, show_edge=False)
    for k, head in enumerate(heads):
        number = any(isinstance(row[k], int | float) for row in rows)
        table.add_column(head, justify="right" if number else "left", no_wrap=head == "id")
    for row in rows:
        table.add_row(
            *(Text("" if cell is None else f"{cell:g}" if isinstance(cell, float) else str(cell)) for cell in row)
        )
    terminal().print(table)


ADD = Entry(_add_arguments, _add, creates=True)
STUDENT = Entry(_student_arguments, _student, creates=True)
LIST = Entry(_list_arguments, _list)
MOVE = Entry(_move_arguments, _move)
CORRECT = Entry(_correct_arguments, _correct)
UNDO = Entry(_undo_arguments, _undo)
FORGET = Entry(_forget_arguments, _forget)
EXPORT = Entry(_export_arguments, _export)
IMPORT = Entry(_import_arguments, _import, creates=True)
REMEASURE = Entry(_remeasure_arguments, _remeasure)
COACHES = Entry(_coaches_arguments, _coaches, creates=True)
