"""What a coach does with the library: add, correct, move, split, merge, leave out, and note ball flights.

Recordings are never altered; what was wrong in them is corrected in the store. Every function is
one change that `Library.undo` takes back.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any, TypeVar

from sqlalchemy import delete, select, update
from sqlalchemy.orm import Session

from imu.errors import RecordingError, UsageError
from imu.library import files
from imu.library.schema import (
    CURVES,
    LESSON_KINDS,
    STARTS,
    STRIKES,
    Entered,
    Lesson,
    MeasuredRecording,
    Reading,
    Recording,
    Student,
    Swing,
    Try,
    decode,
    new_id,
    now,
    table_of,
)
from imu.library.store import CALIBRATION, SAMPLES, Library, saying
from imu.measured import Measurement
from imu.measured import Swing as MeasuredSwing
from imu.recording import Handedness

Row = TypeVar("Row", bound=Entered)

METRES_PER_YARD = 0.9144  # exactly: international yard and pound agreement, 1959
SAME_SWING_S = 1.0
"""How far the impact of a swing may move when measured anew and still be the same swing: no two
swings follow each other within a second."""

# -- students and lessons --------------------------------------------------------------------------

STUDENT_FIELDS = ("name", "handedness", "born_on", "guardian", "consent_on", "clubs", "aims", "notes")
OLDEST = 120  # years: what lies further back is mistyped
LESSON_FIELDS = ("kind", "held_at", "place", "thought", "notes", "hurt")


def add_student(
    library: Library,
    *,
    name: str,
    handedness: Handedness,
    born_on: date | None = None,
    guardian: str = "",
    consent_on: date | None = None,
    clubs: Sequence[str] = (),
    aims: str = "",
    notes: str = "",
) -> Student:
    facts = {"name": name, "handedness": handedness, "born_on": born_on, "consent_on": consent_on}
    name = _sound(facts)["name"]
    student = Student(
        coach=library.coach,
        name=name,
        handedness=handedness,
        born_on=born_on,
        guardian=guardian,
        consent_on=consent_on,
        clubs=list(clubs),
        aims=aims,
        notes=notes,
    )
    with library.write("student added") as session:
        session.add(student)
    return student


def edit_student(library: Library, student_id: str, *, changes: Mapping[str, Any]) -> None:
    """Set some of `STUDENT_FIELDS`."""
    with library.write("student corrected") as session:
        _set(_get(session, Student, student_id), _sound(changes), STUDENT_FIELDS)


def _sound(facts: Mapping[str, Any]) -> dict[str, Any]:
    """What is said of a student, with the spaces of a name as they should be; refuses what cannot be."""
    facts = dict(facts)
    if "name" in facts:
        facts["name"] = " ".join(str(facts["name"]).split())
        if not facts["name"]:
            raise UsageError("a student needs a name, or anything else by which the coach knows them")
    if facts.get("handedness", "right") not in ("right", "left"):
        raise UsageError(f"handedness is right or left, not {facts['handedness']!r}")
    today = now().astimezone().date()
    for name, what in (("born_on", "date of birth"), ("consent_on", "day of consent")):
        day = facts.get(name)
        if day is not None and day > today:
            raise UsageError(f"{what} {day.isoformat()}: lies in the future; give one that was")
        if day is not None and today.year - day.year > OLDEST:
            raise UsageError(f"{what} {day.isoformat()}: lies more than {OLDEST} years back; mend the year")
    return facts


def start_lesson(
    library: Library,
    student_id: str,
    *,
    kind: str = "lesson",
    held_at: datetime | None = None,
    place: str = "",
    thought: str = "",
    notes: str = "",
) -> Lesson:
    if kind not in LESSON_KINDS:
        raise UsageError(f"a session is of kind {' or '.join(LESSON_KINDS)}, not {kind!r}")
    with library.write(f"{kind} started") as session:
        _get(session, Student, student_id)
        lesson = Lesson(
            student_id=student_id, kind=kind, held_at=held_at or now(), place=place, thought=thought, notes=notes
        )
        session.add(lesson)
    return lesson


def edit_lesson(library: Library, lesson_id: str, *, changes: Mapping[str, Any]) -> None:
    """Set some of `LESSON_FIELDS`."""
    with library.write("lesson corrected") as session:
        _set(_get(session, Lesson, lesson_id), changes, LESSON_FIELDS)


# -- recordings ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Added:
    """A recording in the library; `new` is False where it was there already, under `lesson`."""

    recording: Recording
    lesson: Lesson
    new: bool
    warnings: tuple[str, ...] = ()


def manifest_facts(path: Path) -> dict[str, Any]:
    """Handedness, club and time from a recording's `recording.toml`, as far as it has them."""
    manifest = path / "recording.toml" if path.is_dir() else path.with_name("recording.toml")
    if path.is_file() and path.name != "recording.toml":
        return {}
    try:
        data = tomllib.loads(manifest.read_text(encoding="utf-8"))
    except OSError:
        return {}
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise RecordingError(f"{manifest}: is not TOML ({error}); mend that line") from None
    facts = {}
    if data.get("handedness") in ("right", "left"):
        facts["handedness"] = data["handedness"]
    if isinstance(data.get("club"), str):
        facts["club"] = data["club"]
    if isinstance(data.get("recorded_at"), datetime):
        facts["recorded_at"] = data["recorded_at"]
    return facts


def add_recording(
    library: Library,
    path: Path | str,
    *,
    student_id: str,
    lesson_id: str | None = None,
    kind: str = "lesson",
    handedness: Handedness | None = None,
    club: str | None = None,
    recorded_at: datetime | None = None,
    drill: str = "",
    options: Mapping[str, Any] | None = None,
    calibration: Path | str | None = None,
    expected_sha256: str | None = None,
) -> Added:
    """Copy a recording (folder or file) into the library and file it under a student.

    What is not given comes from the manifest, handedness at last from the student. Without a
    lesson it goes to the student's lesson (or practice session) of that day, or starts one. A
    recording that is in the library already stays where it is. A saved calibration is copied with
    it. Nothing is half there: the row
    appears only when the copy is complete and safe on the disk.
    """
    path = Path(path).absolute()
    path = path.parent if path.name == "recording.toml" else path
    _refuse_own_files(library, path)
    facts = manifest_facts(path)
    sha256 = files.content_hash(path)
    if expected_sha256 not in (None, sha256):
        raise RecordingError(f"{path}: changed while it was read; wait until the recorder is done, then add it again")
    if (there := already(library, sha256)) is not None:
        return there
    with saying(library.address), files.incoming(library.root) as place:
        copy = place / "recording"
        size = files.copy_private(path, copy / SAMPLES)
        copied = files.content_hash(copy / SAMPLES if path.is_dir() else copy / SAMPLES / path.name)
        if calibration is not None:
            files.copy_private(Path(calibration), copy / CALIBRATION)
        files.sync_folder(copy)
        if copied != sha256:
            raise RecordingError(
                f"{path}: changed while it was copied; wait until the recorder is done, then add it again"
            )
        with library.placing():
            if (there := already(library, sha256)) is not None:  # another program was quicker
                return there
            recording_id = new_id()
            library.depot.take({recording_id: copy})
            with library.write("recording added") as session:
                student = _get(session, Student, student_id)
                at = recorded_at or facts.get("recorded_at")
                lesson = _lesson_for(session, student, lesson_id=lesson_id, kind=kind, at=at)
                recording = Recording(
                    id=recording_id,
                    lesson_id=lesson.id,
                    sha256=sha256,
                    entry="" if path.is_dir() else path.name,
                    source=str(path),
                    recorded_at=at,
                    handedness=handedness or facts.get("handedness") or student.handedness,
                    club=club if club is not None else facts.get("club", ""),
                    drill=drill,
                    options=dict(options or {}),
                    bytes=size,
                )
                session.add(recording)
                warnings = _hand_warning(recording, student)
    return Added(recording, lesson, True, warnings)


def open_recording(library: Library, *, lesson_id: str, club: str = "", drill: str = "") -> tuple[Recording, Path]:
    """Start a recording that is written as it comes; returns its row and the empty folder to write into.

    Call `keep_recording` when it is complete. One that a crash left open keeps all its files, and
    `finding.left_open` lists it.
    """
    recording_id = new_id()
    with library.placing():
        folder = library.folder_of(recording_id) / SAMPLES
        files.make_part(library.root, "recordings")
        files.make_private(folder)
        files.sync_folder(folder.parent.parent)
        with library.write("recording started") as session:
            lesson = _get(session, Lesson, lesson_id)
            recording = Recording(
                id=recording_id,
                lesson_id=lesson_id,
                state="open",
                recorded_at=now(),
                handedness=lesson.student.handedness,
                club=club,
                drill=drill,
            )
            session.add(recording)
    return recording, folder


def keep_recording(library: Library, recording_id: str) -> Recording:
    """A recording that was written as it came is complete: take its identity from what is there."""
    folder = library.folder_of(recording_id) / SAMPLES
    sha256 = files.content_hash(folder)
    size = sum(p.stat().st_size for p in files.listed(folder))
    if library.depot.remote:
        with saying(library.address):
            library.depot.take({recording_id: folder.parent})
    with library.write(None) as session:
        recording = _get(session, Recording, recording_id)
        recording.state, recording.sha256, recording.bytes = "kept", sha256, size
    if library.depot.remote:
        files.remove(folder.parent)
    return recording


def correct_recording(
    library: Library,
    recording_id: str,
    *,
    club: str | None = None,
    handedness: Handedness | None = None,
    drill: str | None = None,
    recorded_at: datetime | None = None,
) -> None:
    """What the manifest got wrong of the whole recording. Handedness asks for measuring anew."""
    given = {"club": club, "handedness": handedness, "drill": drill, "recorded_at": recorded_at}
    with library.write("recording corrected") as session:
        recording = _get(session, Recording, recording_id)
        _set(recording, {k: v for k, v in given.items() if v is not None}, tuple(given))


def discard_recording(library: Library, recording_id: str, *, reason: str) -> None:
    """A recording that counts for nothing: it stays, hidden, and can be taken back."""
    with library.write("recording discarded") as session:
        _get(session, Recording, recording_id).discarded = _reason(reason)


def take_back_recording(library: Library, recording_id: str) -> None:
    with library.write("recording taken back") as session:
        _get(session, Recording, recording_id).discarded = None


# -- moving, splitting, merging --------------------------------------------------------------------


def move_recordings(
    library: Library, recording_ids: Sequence[str], *, lesson_id: str | None = None, student_id: str | None = None
) -> tuple[str, ...]:
    """File recordings under another lesson, or under another student's lesson of their day.

    Returns what the coach should know: a recording made with the other hand than the student's.
    """
    if (lesson_id is None) == (student_id is None):
        raise UsageError("say where to: a lesson, or a student")
    warnings: tuple[str, ...] = ()
    with library.write("recording moved" if len(recording_ids) == 1 else "recordings moved") as session:
        for recording_id in recording_ids:
            recording = _get(session, Recording, recording_id)
            if lesson_id is not None:
                lesson = _get(session, Lesson, lesson_id)
            else:
                old = recording.lesson
                student = _get(session, Student, student_id or "")
                lesson = _lesson_for(session, student, kind=old.kind, at=recording.recorded_at or old.held_at)
            recording.lesson_id = lesson.id
            warnings += _hand_warning(recording, _get(session, Student, lesson.student_id))
    return warnings


def move_lesson(library: Library, lesson_id: str, *, student_id: str) -> tuple[str, ...]:
    """File a whole lesson under another student."""
    with library.write("lesson moved") as session:
        student = _get(session, Student, student_id)
        _get(session, Lesson, lesson_id).student_id = student.id
        recordings = session.scalars(select(Recording).where(Recording.lesson_id == lesson_id))
        return tuple(line for r in recordings for line in _hand_warning(r, student))


def split_lesson(library: Library, lesson_id: str, *, from_recording: str) -> Lesson:
    """Two lessons out of one: this recording and all later ones of the lesson go to a new one."""
    with library.write("lesson split") as session:
        lesson = _get(session, Lesson, lesson_id)
        ordered = sorted(
            session.scalars(select(Recording).where(Recording.lesson_id == lesson_id)),
            key=lambda r: (r.recorded_at or r.added_at, r.added_at),
        )
        first = next((i for i, r in enumerate(ordered) if r.id == from_recording), None)
        if first is None:
            raise UsageError(f"recording {from_recording[:8]} is not in lesson {lesson_id[:8]}")
        if first == 0:
            raise UsageError(f"recording {from_recording[:8]} is the lesson's first: nothing would stay in it")
        new = Lesson(
            student_id=lesson.student_id,
            kind=lesson.kind,
            held_at=ordered[first].recorded_at or ordered[first].added_at,
            place=lesson.place,
            thought=lesson.thought,
        )
        session.add(new)
        session.flush()
        for recording in ordered[first:]:
            recording.lesson_id = new.id
    return new


def merge_lessons(library: Library, lesson_id: str, *, other: str) -> None:
    """One lesson out of two of the same student: `other` becomes part of `lesson_id`.

    Where the thoughts differ, the other's stays with its swings; notes are put one after the other.
    """
    with library.write("lessons merged") as session:
        keeps, gives = _get(session, Lesson, lesson_id), _get(session, Lesson, other)
        if keeps.id == gives.id:
            raise UsageError("these are the same lesson")
        if keeps.student_id != gives.student_id:
            raise UsageError("these lessons are of two students; move one of them first")
        for recording in session.scalars(select(Recording).where(Recording.lesson_id == other)):
            recording.lesson_id = keeps.id
            if gives.thought and gives.thought != keeps.thought:
                for swing in session.scalars(select(Swing).where(Swing.recording_id == recording.id)):
                    if swing.thought is None:
                        swing.thought = gives.thought
        for drill_try in session.scalars(select(Try).where(Try.lesson_id == other)):
            drill_try.lesson_id = keeps.id
        keeps.hurt = "\n".join(part for part in (keeps.hurt, gives.hurt) if part)
        keeps.notes = "\n".join(part for part in (keeps.notes, gives.notes) if part)
        keeps.held_at = min(keeps.held_at, gives.held_at)
        session.flush()
        session.delete(gives)


# -- swings ----------------------------------------------------------------------------------------


def correct_swings(
    library: Library,
    recording_id: str,
    *,
    first: int = 1,
    last: int | None = None,
    club: str | None = None,
    thought: str | None = None,
) -> int:
    """A club that was changed, or a thought that was given, from swing `first` on; returns how
    many swings it concerns."""
    if club is None and thought is None:
        raise UsageError("say what to correct: the club, or the thought")
    with library.write("swings corrected") as session:
        _get(session, Recording, recording_id)
        query = select(Swing).where(Swing.recording_id == recording_id, Swing.number >= first)
        chosen = list(session.scalars(query if last is None else query.where(Swing.number <= last)))
        if not chosen:
            raise UsageError(f"recording {recording_id[:8]} has no swing from {first} on")
        for swing in chosen:
            swing.club = swing.club if club is None else club
            swing.thought = swing.thought if thought is None else thought
    return len(chosen)


def leave_out(library: Library, swing_ids: Sequence[str], *, reason: str) -> None:
    """Leave swings out of means, and say why."""
    with library.write("swings left out") as session:
        for swing_id in swing_ids:
            _get(session, Swing, swing_id).left_out = _reason(reason)


def take_back(library: Library, swing_ids: Sequence[str]) -> None:
    """Swings that were left out count again."""
    with library.write("swings taken back") as session:
        for swing_id in swing_ids:
            _get(session, Swing, swing_id).left_out = None


@dataclass(frozen=True)
class Outcome:
    """What the ball did. None: not noted. Left and right are the watcher's behind the ball, on
    either hand."""

    start: str | None = None
    curve: str | None = None
    strike: str | None = None
    carry_m: float | None = None


def set_outcome(library: Library, swing_id: str, outcome: Outcome) -> None:
    with library.write("ball flight noted") as session:
        _note_outcome(_get(session, Swing, swing_id), outcome)


def set_outcomes(library: Library, recording_id: str, outcomes: Mapping[int, Outcome]) -> None:
    """Outcomes by the swing's number; all or none of them."""
    with library.write("ball flights noted") as session:
        found = {s.number: s for s in session.scalars(select(Swing).where(Swing.recording_id == recording_id))}
        for number, outcome in outcomes.items():
            if number not in found:
                raise UsageError(f"recording {recording_id[:8]} has no swing {number}")
            _note_outcome(found[number], outcome)


def read_outcomes(path: Path | str, *, yards: bool = False) -> dict[int, Outcome]:
    """Ball flights from a CSV file: a column `swing`, and any of `start` (left, straight, right),
    `curve` (left, none, right), `strike` (centre, heel, toe, high, low, thin, fat), `carry`.

    Carry is in metres, or in yards where the column is called `carry_yd` or `yards` is true and
    it isn't called `carry_m`. Empty cells are not noted.
    """
    import csv

    path = Path(path)
    try:
        lines = path.read_text(encoding="utf-8-sig").splitlines()
    except OSError as error:
        raise UsageError(f"{path}: cannot be read ({error.strerror}); name a CSV of swing, start, curve …") from None
    except UnicodeDecodeError:
        raise UsageError(f"{path}: is not UTF-8 text; save it as CSV (UTF-8)") from None
    delimiter = ";" if lines and lines[0].count(";") > lines[0].count(",") else ","
    rows = csv.reader(lines, delimiter=delimiter)
    header = [name.strip().lower() for name in next(rows, [])]
    if "swing" not in header:
        raise UsageError(f"{path}: line 1: has no column 'swing'; name the columns swing, start, curve, strike, carry")
    known = ("swing", "start", "curve", "strike", "carry", "carry_m", "carry_yd")
    if unknown := [name for name in header if name not in known]:
        raise UsageError(f"{path}: line 1: column {unknown[0]!r} means nothing here; known are {', '.join(known)}")
    out: dict[int, Outcome] = {}
    for line, cells in enumerate(rows, start=2):
        row = {name: cell.strip().lower() for name, cell in zip(header, cells, strict=False) if cell.strip()}
        if not row:
            continue
        number = row.get("swing", "")
        if not number.isdecimal():
            raise UsageError(f"{path}: line {line}: swing {number!r} is not a number")
        if int(number) in out:
            raise UsageError(f"{path}: line {line}: swing {number} is there twice")
        carry = None
        for column in ("carry", "carry_m", "carry_yd"):
            if column in row:
                try:
                    carry = float(row[column].replace(",", "."))
                except ValueError:
                    raise UsageError(f"{path}: line {line}: carry {row[column]!r} is not a number") from None
                if column == "carry_yd" or (column == "carry" and yards):
                    carry *= METRES_PER_YARD
        outcome = Outcome(row.get("start"), row.get("curve"), row.get("strike"), carry)
        if fault := _fault(outcome):
            raise UsageError(f"{path}: line {line}: {fault}")
        out[int(number)] = outcome
    return out


def _note_outcome(swing: Swing, outcome: Outcome) -> None:
    if fault := _fault(outcome):
        raise UsageError(fault)
    swing.start, swing.curve = outcome.start, outcome.curve
    swing.strike, swing.carry_m = outcome.strike, outcome.carry_m


def _fault(outcome: Outcome) -> str | None:
    for name, allowed in (("start", STARTS), ("curve", CURVES), ("strike", STRIKES)):
        value = getattr(outcome, name)
        if value is not None and value not in allowed:
            return f"{name} {value!r} is not one of {', '.join(allowed)}"
    if outcome.carry_m is not None and not 0 <= outcome.carry_m < 500:
        return f"a carry of {outcome.carry_m:.0f} m is not a golf shot"
    return None


def note_try(
    library: Library,
    lesson_id: str,
    *,
    drill: str,
    number: int,
    held: bool | None,
    shown: bool,
    angle: str = "",
    event: str = "",
    value_deg: float | None = None,
    u95_deg: float | None = None,
    at: datetime | None = None,
    swing_id: str | None = None,
    try_id: str | None = None,
) -> str:
    """Note a try of a drill; returns its identity. The same `try_id` twice is once."""
    with library.write("try noted") as session:
        _get(session, Lesson, lesson_id)
        if try_id is not None and session.get(Try, try_id) is not None:
            return try_id
        noted = Try(
            id=try_id or new_id(),
            lesson_id=lesson_id,
            swing_id=swing_id,
            drill=drill,
            number=number,
            at=at or now(),
            angle=angle,
            event=event,
            value_deg=value_deg,
            u95_deg=u95_deg,
            held=held,
            shown=shown,
        )
        session.add(noted)
    return noted.id


# -- what was measured -----------------------------------------------------------------------------


def store_measurement(
    library: Library,
    recording_id: str,
    measurement: Measurement,
    *,
    code: str,
    calibration: str = "",
    bands: str = "",
    stage: str = "final",
    unless_since: datetime | None = None,
) -> str:
    """Keep what measuring a recording gave, and the one before it; returns the measurement's id.

    Swings are told again by the time of impact, so that what the coach said of a swing stays with
    it when newer code finds one more or one less. A swing that is no longer found keeps what was
    said of it, without a number. `unless_since`: where another machine has stored the same
    (code, bands, stage) since then, that stands.
    """
    with library.write(None) as session:
        # On a server the row is held until the end: two that measured the same take turns.
        recording = session.get(Recording, recording_id, with_for_update=True)
        if recording is None:
            raise UsageError(f"there is no recording {recording_id[:8]!r} in this library")
        places = {m.place: m for m in session.scalars(select(MeasuredRecording).filter_by(recording_id=recording_id))}
        last, older = places.get("now"), places.get("before")
        if (
            unless_since is not None
            and last is not None
            and last.made_at >= unless_since
            and (last.code, last.bands, last.stage) == (code, bands, stage)
        ):
            return last.id
        if older is not None:
            session.execute(delete(Reading).where(Reading.measurement_id == older.id))
            session.delete(older)
            session.flush()  # before another takes its place
        if last is not None:
            last.place = "before"
            session.flush()
        kept = MeasuredRecording(
            recording_id=recording.id,
            stage=stage,
            code=code,
            calibration=calibration or recording_id,
            bands=bands,
            head=measurement.to_json()["recording"],
        )
        session.add(kept)
        session.flush()
        matched = _same_swings(
            list(session.scalars(select(Swing).where(Swing.recording_id == recording_id))), measurement.swings
        )
        for swing in session.scalars(select(Swing).where(Swing.recording_id == recording_id)):
            swing.number = None
        for measured, filed in matched:
            filed = filed or Swing(recording_id=recording_id)
            filed.number, filed.at_s = measured.index, moment(measured)
            filed.kind, filed.ball, filed.grade = measured.kind, measured.ball, measured.grade
            session.add(filed)
            session.flush()
            session.add(Reading(measurement_id=kept.id, swing_id=filed.id, document=measured.to_json()))
        session.flush()
        still_read = select(Reading.swing_id).union(select(Try.swing_id).where(Try.swing_id.is_not(None)))
        for lost in session.scalars(
            select(Swing).where(Swing.recording_id == recording_id, Swing.number.is_(None), Swing.id.not_in(still_read))
        ):
            if not lost.said:
                session.delete(lost)
    return kept.id


def drop_measured(session: Session, recording_ids: Sequence[str]) -> None:
    """Delete the swings of recordings and what was measured of them."""
    of_these = select(MeasuredRecording.id).where(MeasuredRecording.recording_id.in_(recording_ids))
    session.execute(delete(Reading).where(Reading.measurement_id.in_(of_these)))
    session.execute(delete(MeasuredRecording).where(MeasuredRecording.recording_id.in_(recording_ids)))
    swing_ids = select(Swing.id).where(Swing.recording_id.in_(recording_ids))
    session.execute(update(Try).where(Try.swing_id.in_(swing_ids)).values(swing_id=None))
    session.execute(delete(Swing).where(Swing.recording_id.in_(recording_ids)))


def moment(swing: MeasuredSwing) -> float | None:
    """When a swing was, on the recording's clock: impact, else top, else the first event reached."""
    for name in ("impact", "top", *swing.events):
        event = swing.events.get(name)
        if event is not None and event.t_s is not None:
            return event.t_s
    return None


def _same_swings(filed: Sequence[Swing], measured: Sequence[MeasuredSwing]) -> list[tuple[MeasuredSwing, Swing | None]]:
    pairs = sorted(
        (abs(at - swing.at_s), i, k)
        for i, one in enumerate(measured)
        if (at := moment(one)) is not None
        for k, swing in enumerate(filed)
        if swing.at_s is not None and abs(at - swing.at_s) <= SAME_SWING_S
    )
    found: dict[int, int] = {}
    taken: set[int] = set()
    for _, i, k in pairs:
        if i not in found and k not in taken:
            found[i] = k
            taken.add(k)
    return [(one, filed[found[i]] if i in found else None) for i, one in enumerate(measured)]


# -- within ----------------------------------------------------------------------------------------


def _get(session: Session, model: type[Row], identity: str) -> Row:
    row = session.get(model, identity)
    if row is None:
        raise UsageError(f"there is no {model.__name__.lower()} {identity[:8]!r} in this library")
    return row


def _set(row: Any, changes: Mapping[str, Any], allowed: Sequence[str]) -> None:
    table = table_of(type(row))
    for name, value in changes.items():
        if name not in allowed:
            raise UsageError(f"{name!r} cannot be set here; known are {', '.join(allowed)}")
        try:
            if not isinstance(value, date):
                decode(table, {name: value})
        except ValueError as error:
            raise UsageError(str(error)) from None
        setattr(row, name, value)


def _reason(text: str) -> str:
    text = " ".join(text.split())
    if not text:
        raise UsageError("say why, so that it is known later")
    return text


def _refuse_own_files(library: Library, path: Path) -> None:
    root, path = library.root.resolve(), path.resolve()
    if path == root or root in path.parents or path in root.parents:
        raise UsageError(f"{path}: lies in the library, or the library in it; choose the recording's own folder")


def already(library: Library, sha256: str) -> Added | None:
    """The recording of this content, and the lesson that it is filed in."""
    with library.read() as session:
        recording = session.scalar(select(Recording).where(Recording.sha256 == sha256))
        return None if recording is None else Added(recording, recording.lesson, False)


def _lesson_for(
    session: Session, student: Student, *, kind: str, at: datetime | None, lesson_id: str | None = None
) -> Lesson:
    if lesson_id is not None:
        lesson = _get(session, Lesson, lesson_id)
        if lesson.student_id != student.id:
            raise UsageError(f"lesson {lesson_id[:8]} is another student's")
        return lesson
    if kind not in LESSON_KINDS:
        raise UsageError(f"a session is of kind {' or '.join(LESSON_KINDS)}, not {kind!r}")
    at = (at or now()).astimezone()
    for lesson in session.scalars(select(Lesson).where(Lesson.student_id == student.id, Lesson.kind == kind)):
        if lesson.held_at.astimezone().date() == at.date():
            return lesson
    lesson = Lesson(student_id=student.id, kind=kind, held_at=at)
    session.add(lesson)
    session.flush()
    return lesson


def _hand_warning(recording: Recording, student: Student) -> tuple[str, ...]:
    if recording.handedness == student.handedness:
        return ()
    return (
        f"recording {recording.id[:8]} was made {recording.handedness}-handed, the student is "
        f"{student.handedness}-handed: correct one of them if it is wrong",
    )
