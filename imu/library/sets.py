"""A student's swings as sets to compare and to follow: lesson by lesson, club by club."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

from sqlalchemy import select

from imu.compare import Part, SwingSet
from imu.errors import UsageError
from imu.library.finding import FiledSwing, Wanted, lessons, measured_swings, tries
from imu.library.picks import current, held_against
from imu.library.schema import Lesson, MeasuredRecording, Recording, Try
from imu.library.store import Library
from imu.measured import Measurement, SensorReport


@dataclass(frozen=True, eq=False)
class LessonSet:
    """What was swung in one lesson or practice session with one club."""

    lesson: Lesson
    club: str
    swings: SwingSet
    filed: tuple[FiledSwing, ...]

    @property
    def day(self) -> date:
        return self.lesson.held_at.astimezone().date()

    @property
    def practice(self) -> bool:
        return self.lesson.kind == "practice"


def lesson_sets(
    library: Library, *, student_id: str, club: str | None = None, lesson_ids: tuple[str, ...] | None = None
) -> list[LessonSet]:
    """Every lesson and practice session of a student (or those named) by club, the earliest first. Swings that the
    coach left out are marked as such; recordings that share a saved calibration share the zero. The band of
    the change that was picked is among the swings' own."""
    picked = current(library, student_id=student_id)
    filed = [
        replace(f, measured=held_against(f.measured, picked, club=f.line.club))
        for f in measured_swings(library, Wanted(student_id=student_id, club=club, lesson_ids=lesson_ids))
    ]
    by: dict[tuple[str, str], list[FiledSwing]] = {}
    for swing in filed:
        by.setdefault((swing.line.lesson_id, swing.line.club), []).append(swing)
    heads = _heads(library, {f.line.recording_id for f in filed})
    known = {line.lesson.id: line.lesson for line in lessons(library, student_id=student_id)}
    out = []
    for (lesson_id, name), swings in by.items():
        lesson = known[lesson_id]
        day = lesson.held_at.astimezone().date()
        label = f"{day.day} {day:%B %Y}" + (", practice" if lesson.kind == "practice" else "")
        label += f", {name}" if name else ""
        out.append(LessonSet(lesson, name, SwingSet(label, _parts(swings, heads)), tuple(swings)))
    return sorted(out, key=lambda s: (s.lesson.held_at, s.lesson.id, s.club))


@dataclass(frozen=True, eq=False)
class ThoughtSets:
    """Swings before and after a thought was given: of one lesson where it was given during it, else of the session
    before and of the lesson that began with it."""

    thought: str
    lesson: Lesson  # in which it was given
    club: str
    number: int  # counts the thoughts of this lesson and club from 1
    before: SwingSet
    after: SwingSet

    @property
    def within(self) -> bool:
        """Whether both are of one lesson: then they share its calibrations, and the zero cancels."""
        return set(self.before.lessons) == set(self.after.lessons)


def thought_sets(library: Library, *, student_id: str, held: Sequence[LessonSet] | None = None) -> list[ThoughtSets]:
    """Every thought of a student that has swings before and after it, the earliest first."""
    held = held if held is not None else lesson_sets(library, student_id=student_id)
    heads = _heads(library, {f.line.recording_id for s in held for f in s.filed})
    out = []
    for i, session in enumerate(held):
        given = [f.line.own_thought for f in session.filed]
        # Where the lesson's thought was marked from a swing on, the swings before had not heard it.
        own = session.lesson.thought if session.lesson.thought not in given else ""
        heard = [mark or own for mark in given]
        number = 0
        for thought in dict.fromkeys(h for h in heard if h):
            first = heard.index(thought)
            after = [f for f, h in zip(session.filed, heard, strict=True) if h == thought]
            before = list(session.filed[:first])
            if not before:
                earlier = next((s for s in reversed(held[:i]) if s.club == session.club), None)
                if earlier is None or _last_thought(earlier) == thought:
                    continue
                before = list(earlier.filed)
            number += 1
            label = session.swings.label
            out.append(
                ThoughtSets(
                    thought,
                    session.lesson,
                    session.club,
                    number,
                    SwingSet(f"{label}, before", _parts(before, heads)),
                    SwingSet(f"{label}, after", _parts(after, heads)),
                )
            )
    return out


def _last_thought(session: LessonSet) -> str:
    return session.filed[-1].line.thought if session.filed else ""


def chosen_thought(given: Sequence[ThoughtSets], text: str, side: str, *, label: str = "") -> SwingSet:
    """The swings before or after the (last) thought given in a lesson, named by day or identity, with `:club` where it
    has several. Raises UsageError naming what there is."""
    which, _, club = text.partition(":")
    which = which.strip().lower()
    found = [
        t
        for t in given
        if (
            t.lesson.held_at.astimezone().date().isoformat() == which
            or (len(which) >= 4 and t.lesson.id.startswith(which))
        )
        and club.strip().casefold() in ("", t.club.casefold())
    ]
    if not found:
        days = ", ".join(dict.fromkeys(t.lesson.held_at.astimezone().date().isoformat() for t in given)) or "none yet"
        raise UsageError(f"{text}@{side}: no thought has swings before and after it there; there are {days}")
    chosen = found[-1].before if side == "before" else found[-1].after
    return SwingSet(label or chosen.label, chosen.parts)


def chosen_set(sets: Sequence[LessonSet], text: str, *, label: str = "") -> SwingSet:
    """The set that a person names: a day (2026-05-24), a lesson's identity, or its beginning, with
    `:club` where the lesson has several. Raises UsageError naming what there is."""
    which, _, club = text.partition(":")
    which = which.strip().lower()
    found = [s for s in sets if s.day.isoformat() == which or (len(which) >= 4 and s.lesson.id.startswith(which))]
    if not found:
        days = ", ".join(dict.fromkeys(s.day.isoformat() for s in sets)) or "none yet"
        raise UsageError(f"{text}: there is no measured lesson of that day or identity; there are {days}")
    clubs = list(dict.fromkeys(s.club for s in found))
    if club:
        found = [s for s in found if s.club.casefold() == club.strip().casefold()]
        if not found:
            raise UsageError(f"{text}: no swing with that club; there are {', '.join(c or 'unnamed' for c in clubs)}")
    elif len(clubs) > 1:
        raise UsageError(f"{text}: holds several clubs; write {which}:{clubs[0] or 'CLUB'} ({', '.join(clubs)})")
    parts = tuple(p for s in found for p in s.swings.parts)
    return SwingSet(label or found[0].swings.label, parts)


def _heads(library: Library, recording_ids: set[str]) -> dict[str, tuple[str, tuple[SensorReport, ...]]]:
    """Handedness and sensors of each recording."""
    with library.read() as session:
        rows = session.execute(
            select(MeasuredRecording.recording_id, Recording.handedness, MeasuredRecording.head)
            .join(Recording, Recording.id == MeasuredRecording.recording_id)
            .where(MeasuredRecording.place == "now", MeasuredRecording.recording_id.in_(recording_ids))
        )
        return {
            key: (hand, tuple(SensorReport.from_json(s) for s in head.get("sensors", ()))) for key, hand, head in rows
        }


def _parts(swings: Sequence[FiledSwing], heads: dict[str, tuple[str, tuple[SensorReport, ...]]]) -> tuple[Part, ...]:
    by: dict[str, list[FiledSwing]] = {}
    for swing in swings:
        by.setdefault(swing.line.recording_id, []).append(swing)
    parts = []
    for recording_id, inside in by.items():
        handedness, sensors = heads[recording_id]
        line = inside[0].line
        measurement = Measurement(handedness, line.club or None, sensors, (), tuple(f.measured for f in inside))
        left_out = {f.measured.index: f.line.left_out for f in inside if f.line.left_out is not None}
        parts.append(Part(measurement, inside[0].calibration, lesson=line.lesson_id, left_out=left_out))
    return tuple(parts)


# -- following a student ---------------------------------------------------------------------------

FIRST = 5
"""So many tries at the start of a day, before any was shown, tell what stays without feedback."""


@dataclass(frozen=True, eq=False)
class Session:
    """One lesson or practice session with one club, for following a student.

    `untold` maps a measure to what it was in the day's first tries, before the student was shown
    any; `flights` are (start, curve) of the balls whose flight was noted; `tries` those of drills.
    """

    held: LessonSet
    untold: dict[str, tuple[float, ...]]
    flights: tuple[tuple[str, str], ...]
    tries: tuple[Try, ...]


def sessions(library: Library, *, student_id: str, club: str | None = None) -> list[Session]:
    """All of a student's sessions, the earliest first."""
    out, told = [], set()
    for held in lesson_sets(library, student_id=student_id, club=club):
        noted = tuple(tries(library, lesson_id=held.lesson.id))
        # Two sessions of one day are one day: only the first tries of it had been told nothing.
        untold = {} if held.day in told else _untold(noted)
        told |= {held.day} if noted else set()
        flights = tuple((f.line.start, f.line.curve or "none") for f in held.filed if f.line.start)
        out.append(Session(held, untold, flights, noted))
    return out


def _untold(noted: Sequence[Try]) -> dict[str, tuple[float, ...]]:
    out: dict[str, tuple[float, ...]] = {}
    for t in sorted(noted, key=lambda t: t.at)[:FIRST]:
        if t.shown:
            break
        if t.value_deg is not None and t.angle and t.event:
            key = f"{t.angle}@{t.event}"
            out[key] = (*out.get(key, ()), t.value_deg)
    return out
