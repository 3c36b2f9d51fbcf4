"""A practice session comes home: its file into the library, once however often it is taken in.

The session's identity is the lesson's, and each try keeps its own: a file that is brought again, or brought
first when it was cut short and then whole, adds only what was not there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from imu.errors import UsageError
from imu.library.schema import IDENTITY, Lesson, Student, Try
from imu.library.store import Library
from imu.practice.journal import Session
from imu.practice.journal import Try as Done

HURT = "pressed, nothing said"


@dataclass(frozen=True)
class Brought:
    """What a session added; `new` is False where the session was there already."""

    lesson: Lesson
    new: bool
    tries: int


def bring_home(library: Library, session: Session, *, student_id: str) -> Brought:
    """File a practice session under a student. Raises UsageError where it is another student's."""
    for one in session.tries:
        if not IDENTITY.fullmatch(one.id):
            raise UsageError(
                f"session {session.id[:8]}: try {one.number} of {one.drill} has no identity; take the file as written"
            )
    with library.write("practice session brought home") as store:
        student = store.get(Student, student_id)
        if student is None:
            raise UsageError(f"there is no student {student_id[:8]!r}")
        if session.student_id and session.student_id != student.id:
            raise UsageError(f"session {session.id[:8]} was planned for another student than {student.name}")
        lesson = store.get(Lesson, session.id)
        new = lesson is None
        if lesson is None:
            lesson = Lesson(
                id=session.id, student_id=student.id, kind="practice", held_at=session.began, notes=notes_of(session)
            )
            store.add(lesson)
        elif lesson.student_id != student.id:
            raise UsageError(f"session {session.id[:8]} is filed under another student; move it if that is wrong")
        hurt = None if session.hurt is None else session.hurt or HURT
        if hurt and lesson.hurt != hurt:
            lesson.hurt = hurt
        store.flush()
        added = 0
        for one in session.tries:
            if store.get(Try, one.id) is None:
                store.add(_filed(one, lesson.id))
                added += 1
    return Brought(lesson, new, added)


def _filed(one: Done, lesson_id: str) -> Try:
    return Try(
        id=one.id,
        lesson_id=lesson_id,
        drill=one.drill,
        number=one.number,
        at=one.at,
        angle=one.angle,
        event=one.event,
        value_deg=one.value_deg,
        u95_deg=one.u95_deg,
        held=one.held,
        shown=one.shown or one.live,
    )


def notes_of(session: Session) -> str:
    """What the tries' rows have no place for, in words: swings, own estimates, own range, how it ended."""
    parts = []
    if session.swings:
        parts.append(f"Full swings: {len(session.swings)}.")
    right, asked = guesses(session.tries)
    if asked:
        parts.append(f"Own estimate, before being told: right in {right} of {asked}.")
    for angle, (low, high) in session.own_range.items():
        parts.append(f"Own painless range, {angle.replace('_', ' ')}: {low:.0f} to {high:.0f}°.")
    if session.ended == "stopped":
        parts.append("Stopped before the end.")
    elif session.ended in (None, "cut"):
        parts.append("Cut short.")
    return "\n".join(parts)


def guesses(tries: Sequence[Done]) -> tuple[int, int]:
    """How often the own estimate of the side was right, of the sure tries with one and a known band's side.

    Only in or out can be compared: a try that was lost is right where the estimate was not "in".
    """
    asked = [t for t in tries if t.guess is not None and t.held is not None]
    return sum((t.guess == "in") == t.held for t in asked), len(asked)
