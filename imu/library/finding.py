"""Who and what is in the library: students by name, lessons, swings with the values asked for."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, TypeVar

from sqlalchemy import ColumnElement, Float, Select, and_, case, cast, func, or_, select
from sqlalchemy.orm import Session

from imu.errors import UsageError
from imu.library.schema import Entered, Lesson, MeasuredRecording, Reading, Recording, Student, Swing, Try
from imu.library.store import Library
from imu.measured import Swing as MeasuredSwing

Row = TypeVar("Row", bound=Entered)


def folded(text: str) -> str:
    """Text as it is searched: without case and accents."""
    plain = unicodedata.normalize("NFKD", text.casefold())
    return " ".join("".join(c for c in plain if not unicodedata.combining(c)).split())


def matches(query: str, *texts: str) -> bool:
    """Whether every word of the query begins a word of the texts."""
    words = folded(" ".join(texts)).replace("-", " ").split()
    return all(any(word.startswith(asked) for word in words) for asked in folded(query).replace("-", " ").split())


# -- one of them, as a person would name it --------------------------------------------------------


def student_named(library: Library, who: str) -> Student:
    """The one student of this name, beginning of a name, or identity.

    Raises UsageError, naming the nearest, where there is none or more than one.
    """
    with library.read() as session:
        everyone = list(session.scalars(select(Student)))
    found = [s for s in everyone if folded(s.name) == folded(who)]
    found = found or [s for s in everyone if matches(who, s.name)]
    found = found or [s for s in everyone if len(who) >= 4 and s.id.startswith(who.lower())]
    if len(found) == 1:
        return found[0]
    if found:
        several = ", ".join(f"{s.name} ({s.id[:8]})" for s in found[:5])
        raise UsageError(f"{who!r} may be {several}; write more of the name, or the identity in brackets")
    import difflib

    near = difflib.get_close_matches(folded(who), [folded(s.name) for s in everyone], n=1)
    hint = next((f"; did you mean {s.name!r}?" for s in everyone if near and folded(s.name) == near[0]), "")
    raise UsageError(f"there is no student {who!r} in this library{hint}")


def lesson_of_id(library: Library, prefix: str) -> Lesson:
    return _one(library, Lesson, prefix)


def recording_of_id(library: Library, prefix: str) -> Recording:
    return _one(library, Recording, prefix)


def swing_of_id(library: Library, prefix: str) -> Swing:
    return _one(library, Swing, prefix)


def _one(library: Library, model: type[Row], prefix: str) -> Row:
    what = model.__name__.lower()
    prefix = prefix.strip().lower()
    if len(prefix) < 4 or not all(c in "0123456789abcdef" for c in prefix):
        raise UsageError(f"{prefix!r} is not the identity of a {what}; `cupbow list` shows them (at least 4 digits)")
    with library.read() as session:
        found = list(session.scalars(select(model).where(model.id.startswith(prefix)).limit(2)))
    if len(found) == 1:
        return found[0]
    raise UsageError(f"there is no {what} {prefix!r}" if not found else f"{prefix!r} begins more than one {what}")


def recording_with(library: Library, sha256: str) -> Recording | None:
    """The recording of this content, wherever it is filed."""
    with library.read() as session:
        return session.scalar(select(Recording).where(Recording.sha256 == sha256))


def left_open(library: Library) -> list[Recording]:
    """Recordings that were being written: now, or when a program stopped."""
    with library.read() as session:
        return list(session.scalars(select(Recording).where(Recording.state == "open").order_by(Recording.added_at)))


# -- lists -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class StudentLine:
    student: Student
    lessons: int
    practices: int
    swings: int
    last_at: datetime | None


@dataclass(frozen=True)
class LessonLine:
    lesson: Lesson
    recordings: int
    swings: int
    left_out: int
    clubs: tuple[str, ...]


@dataclass(frozen=True)
class SwingLine:
    """A swing in a list, with the readings asked for."""

    id: str
    recording_id: str
    lesson_id: str
    held_at: datetime
    number: int | None
    kind: str
    ball: bool | None
    grade: str
    club: str
    thought: str
    own_thought: str  # given for this swing rather than for the lesson
    left_out: str | None
    start: str | None
    curve: str | None
    strike: str | None
    carry_m: float | None
    values: dict[str, tuple[float | None, float | None]]  # "angle@event" -> value and u95 in degrees


_COUNTS = and_(Swing.number.is_not(None), Recording.discarded.is_(None))


def students(library: Library, *, query: str = "") -> list[StudentLine]:
    """Everyone (or those whose name, aims or clubs fit the query), the latest lesson first."""
    with library.read() as session:
        everyone = list(session.scalars(select(Student)))
        met = {
            (student, kind): (count, last)
            for student, kind, count, last in session.execute(
                select(Lesson.student_id, Lesson.kind, func.count(), func.max(Lesson.held_at)).group_by(
                    Lesson.student_id, Lesson.kind
                )
            )
        }
        swings = _pairs(
            session,
            select(Lesson.student_id, func.count())
            .join(Recording, Recording.lesson_id == Lesson.id)
            .join(Swing, Swing.recording_id == Recording.id)
            .where(_COUNTS)
            .group_by(Lesson.student_id),
        )
    lines = []
    for s in everyone:
        if query and not matches(query, s.name, s.aims, *s.clubs):
            continue
        lessons, practices = met.get((s.id, "lesson"), (0, None)), met.get((s.id, "practice"), (0, None))
        last = max((at for at in (lessons[1], practices[1]) if at is not None), default=None)
        lines.append(StudentLine(s, lessons[0], practices[0], swings.get(s.id, 0), last))
    lines.sort(key=lambda line: folded(line.student.name))
    lines.sort(key=lambda line: line.last_at.timestamp() if line.last_at else 0.0, reverse=True)
    return lines


def _pairs(session: Session, query: Select[str, int]) -> dict[str, int]:
    return {row[0]: row[1] for row in session.execute(query)}


def everyone(library: Library) -> list[Student]:
    """Students by name, without what they did: quick in a big library too."""
    with library.read() as session:
        return sorted(session.scalars(select(Student)), key=lambda s: folded(s.name))


def lessons(library: Library, *, student_id: str, query: str = "") -> list[LessonLine]:
    """A student's lessons and practice sessions, the latest first."""
    with library.read() as session:
        rows = list(
            session.scalars(select(Lesson).where(Lesson.student_id == student_id).order_by(Lesson.held_at.desc()))
        )
        recordings = _pairs(
            session,
            select(Recording.lesson_id, func.count())
            .join(Lesson)
            .where(Lesson.student_id == student_id, Recording.discarded.is_(None))
            .group_by(Recording.lesson_id),
        )
        club = func.coalesce(Swing.club, Recording.club)
        swings: dict[str, list[tuple[str, int, int]]] = {}
        for lesson, name, count, out in session.execute(
            select(Recording.lesson_id, club, func.count(), func.count(Swing.left_out))
            .select_from(Swing)
            .join(Recording)
            .join(Lesson)
            .where(Lesson.student_id == student_id, _COUNTS)
            .group_by(Recording.lesson_id, club)
        ):
            swings.setdefault(lesson, []).append((name, count, out))
    lines = []
    for row in rows:
        per = swings.get(row.id, [])
        clubs = tuple(sorted(name for name, _, _ in per if name))
        if query and not matches(query, row.thought, row.notes, row.place, row.kind, *clubs):
            continue
        lines.append(
            LessonLine(row, recordings.get(row.id, 0), sum(n for _, n, _ in per), sum(o for _, _, o in per), clubs)
        )
    return lines


def recordings(library: Library, *, lesson_id: str) -> list[Recording]:
    """A lesson's recordings in the order they were made, discarded ones among them."""
    with library.read() as session:
        rows = session.scalars(select(Recording).where(Recording.lesson_id == lesson_id))
        return sorted(rows, key=lambda r: (r.recorded_at or r.added_at, r.added_at))


def tries(library: Library, *, lesson_id: str) -> list[Try]:
    """What was done of drills in a lesson or practice session, in order."""
    with library.read() as session:
        return list(session.scalars(select(Try).where(Try.lesson_id == lesson_id).order_by(Try.at, Try.number)))


def tried(library: Library, *, student_id: str) -> dict[str, tuple[int, int]]:
    """Lesson -> tries of drills in it, and how many of them were held."""
    held = func.sum(case((Try.held.is_(True), 1), else_=0))
    query = (
        select(Try.lesson_id, func.count(), held)
        .join(Lesson, Lesson.id == Try.lesson_id)
        .where(Lesson.student_id == student_id)
        .group_by(Try.lesson_id)
    )
    with library.read() as session:
        return {lesson: (n, int(kept)) for lesson, n, kept in session.execute(query)}


@dataclass(frozen=True)
class Wanted:
    """Which swings; what is None does not matter."""

    student_id: str | None = None
    lesson_ids: tuple[str, ...] | None = None
    recording_id: str | None = None
    club: str | None = None
    kind: str | None = None
    grade: str | None = None
    start: str | None = None
    counted: bool | None = None  # True: without those left out; False: only those
    text: str = ""  # in thought, club, or why left out


def swings(
    library: Library, wanted: Wanted, *, values: Sequence[str] = (), limit: int | None = None, offset: int = 0
) -> list[SwingLine]:
    """Swings, the latest lesson first and in their order within it; `values` are "angle@event"."""
    columns: list[ColumnElement[Any]] = []
    for key in values:
        angle, _, event = key.partition("@")
        for part in ("value", "u95"):
            columns.append(cast(Reading.document[("angles", angle, event, part)].as_string(), Float))
    query = (
        _chosen(select(Swing, Recording, Lesson, *columns), wanted)
        .outerjoin(
            MeasuredRecording,
            and_(MeasuredRecording.recording_id == Recording.id, MeasuredRecording.place == "now"),
        )
        .outerjoin(Reading, and_(Reading.measurement_id == MeasuredRecording.id, Reading.swing_id == Swing.id))
        .order_by(
            Lesson.held_at.desc(),
            Lesson.id,
            func.coalesce(Recording.recorded_at, Recording.added_at),
            Recording.added_at,
            Swing.number,
        )
        .limit(limit)
        .offset(offset)
    )
    with library.read() as session:
        out = []
        for swing, recording, lesson, *found in session.execute(query):
            pairs = zip(found[::2], found[1::2], strict=True)
            out.append(_line(swing, recording, lesson, dict(zip(values, pairs, strict=True))))
        return out


def count_swings(library: Library, wanted: Wanted) -> int:
    with library.read() as session:
        return session.scalar(_chosen(select(func.count(Swing.id)), wanted)) or 0


def clubs_of(library: Library, *, student_id: str) -> list[str]:
    """Clubs that a student's swings were made with."""
    club = func.coalesce(Swing.club, Recording.club)
    query = select(club).select_from(Swing).join(Recording).join(Lesson).where(Lesson.student_id == student_id, _COUNTS)
    with library.read() as session:
        return sorted(name for name in session.scalars(query.distinct()) if name)


def _chosen(query: Select[Any], wanted: Wanted) -> Select[Any]:
    club = func.coalesce(Swing.club, Recording.club)
    thought = func.coalesce(Swing.thought, Lesson.thought)
    query = query.select_from(Swing).join(Recording).join(Lesson).where(_COUNTS)
    for value, column in (
        (wanted.student_id, Lesson.student_id),
        (wanted.recording_id, Swing.recording_id),
        (wanted.club, club),
        (wanted.kind, Swing.kind),
        (wanted.grade, Swing.grade),
        (wanted.start, Swing.start),
    ):
        if value is not None:
            query = query.where(column == value)
    if wanted.lesson_ids is not None:
        query = query.where(Recording.lesson_id.in_(wanted.lesson_ids))
    if wanted.counted is not None:
        query = query.where(Swing.left_out.is_(None) if wanted.counted else Swing.left_out.is_not(None))
    for word in wanted.text.split():
        query = query.where(
            or_(*(c.icontains(word, autoescape=True) for c in (club, thought, func.coalesce(Swing.left_out, ""))))
        )
    return query


def _line(swing: Swing, recording: Recording, lesson: Lesson, values: dict[str, Any]) -> SwingLine:
    return SwingLine(
        id=swing.id,
        recording_id=recording.id,
        lesson_id=lesson.id,
        held_at=lesson.held_at,
        number=swing.number,
        kind=swing.kind,
        ball=swing.ball,
        grade=swing.grade,
        club=recording.club if swing.club is None else swing.club,
        thought=lesson.thought if swing.thought is None else swing.thought,
        own_thought=swing.thought or "",
        left_out=swing.left_out,
        start=swing.start,
        curve=swing.curve,
        strike=swing.strike,
        carry_m=swing.carry_m,
        values=values,
    )


# -- measured swings -------------------------------------------------------------------------------


@dataclass(frozen=True)
class FiledSwing:
    """A swing as measured, and where it stands: swings within calibrations within lessons."""

    line: SwingLine
    calibration: str
    measured: MeasuredSwing


def measured_swings(library: Library, wanted: Wanted, *, limit: int | None = None, offset: int = 0) -> list[FiledSwing]:
    """Swings with all that was measured of them (no traces), in the order of `swings`."""
    lines = swings(library, wanted, limit=limit, offset=offset)
    found: dict[str, tuple[str, dict[str, Any]]] = {}
    with library.read() as session:
        for start in range(0, len(lines), 500):
            query = (
                select(Reading.swing_id, MeasuredRecording.calibration, Reading.document)
                .join(MeasuredRecording, MeasuredRecording.id == Reading.measurement_id)
                .where(
                    MeasuredRecording.place == "now",
                    Reading.swing_id.in_([line.id for line in lines[start : start + 500]]),
                )
            )
            for swing_id, calibration, document in session.execute(query):
                found[swing_id] = (calibration, document)
    return [
        FiledSwing(line, found[line.id][0], MeasuredSwing.from_json(found[line.id][1]))
        for line in lines
        if line.id in found
    ]


def measurement_of(session: Session, recording_id: str, *, place: str = "now") -> MeasuredRecording | None:
    return session.scalar(
        select(MeasuredRecording).where(
            MeasuredRecording.recording_id == recording_id, MeasuredRecording.place == place
        )
    )
