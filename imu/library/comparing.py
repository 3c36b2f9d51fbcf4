"""What has changed for each of many students: their first lesson with a club against the latest."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from datetime import date
from functools import partial
from typing import Any

from imu.compare import SwingSet, compare
from imu.library import finding
from imu.library.sets import lesson_sets
from imu.library.store import Library
from imu.library.work import spread


@dataclass(frozen=True, eq=False)
class Course:
    """A student's first and latest lesson with a club."""

    student_id: str
    name: str
    club: str
    first_on: date
    latest_on: date
    sets: tuple[SwingSet, SwingSet] = field(repr=False)


@dataclass(frozen=True)
class Outcome:
    """What the comparison of a course says, or why there is none."""

    student_id: str
    name: str
    club: str
    first_on: date
    latest_on: date
    says: str = ""
    document: dict[str, Any] | None = field(default=None, repr=False)  # as `imu.compare.Comparison.to_json`
    fault: str | None = None

    def to_json(self) -> dict[str, Any]:
        return {
            "student": self.name,
            "student_id": self.student_id,
            "club": self.club,
            "first_on": self.first_on.isoformat(),
            "latest_on": self.latest_on.isoformat(),
            "says": self.says or None,
            "fault": self.fault,
            "comparison": self.document,
        }


def compare_everyone(
    library: Library,
    *,
    club: str | None = None,
    kind: str | None = None,
    targets: Sequence[str] | None = None,
    jobs: int = 1,
    executor: Executor | None = None,
) -> Iterator[Outcome]:
    """The comparison of every student with two lessons or more with a club, as each is done.

    `jobs` processes here, or an executor for so many at once. The store is read here alone: what
    goes elsewhere holds measured values, no names. A student is read when it is their turn.
    """
    work = partial(told, kind, tuple(targets) if targets else None)
    names: dict[str, str] = {}

    def nameless() -> Iterator[Course]:
        for course in courses(library, club=club):
            names[course.student_id] = course.name
            yield replace(course, name="")

    for course, result in spread(work, nameless(), jobs=jobs, executor=executor):
        outcome = Outcome(course.student_id, "", course.club, course.first_on, course.latest_on)
        if isinstance(result, str):
            outcome = replace(outcome, fault=result)
        else:
            outcome = replace(outcome, says=result[0], document=result[1])
        yield replace(outcome, name=names[course.student_id])


def courses(library: Library, *, club: str | None = None) -> Iterator[Course]:
    """First and latest lesson by student and club, where these are of two days."""
    for line in finding.students(library):
        held: dict[str, list[finding.LessonLine]] = {}
        for lesson in finding.lessons(library, student_id=line.student.id):
            for name in lesson.clubs if lesson.lesson.kind == "lesson" else ():
                if club is None or name == club:
                    held.setdefault(name, []).append(lesson)
        for name, lessons in sorted(held.items()):
            ids = (lessons[-1].lesson.id, lessons[0].lesson.id)  # the latest comes first
            sets = {s.lesson.id: s for s in lesson_sets(library, student_id=line.student.id, club=name, lesson_ids=ids)}
            if len(sets) < 2 or sets[ids[0]].day == sets[ids[1]].day:
                continue
            first, latest = sets[ids[0]], sets[ids[1]]
            yield Course(line.student.id, line.student.name, name, first.day, latest.day, (first.swings, latest.swings))


def told(kind: str | None, targets: tuple[str, ...] | None, course: Course) -> tuple[str, dict[str, Any]]:
    from imu.wording import headline

    comparison = compare(course.sets, kind=kind, targets=targets)
    return headline(comparison.pairs[0]), comparison.to_json()
