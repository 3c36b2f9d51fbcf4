"""The one change that a coach picked for a student of the library.

One pick stands at a time; picking another, or dropping it, ends it. Its target band goes before the others for the
student's own swings with that club.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from sqlalchemy import ColumnElement, select

from imu.bands import Band, Bands, shipped
from imu.cause_words import title_words
from imu.errors import CupbowError, UsageError
from imu.library.schema import Picked, Student, now
from imu.library.store import Library
from imu.measured import Swing
from imu.settings import CHOICES
from imu.words import FIRST

if TYPE_CHECKING:
    from imu.one_change import Candidate
    from imu.practice.plan import Pick, Plan
    from imu.report import Change

MOST_WORDS = 400
NEXT_LESSON_DAYS = 14
MOST_STEPS = 4
"""A page for a student holds so many drills."""
SOURCE = "The one change that the coach picked."


def pick(
    library: Library,
    student_id: str,
    chosen: Candidate,
    *,
    club: str = "",
    thought: str = "",
    band: tuple[float, float] | None = None,
    days: int = NEXT_LESSON_DAYS,
) -> Picked:
    """Make a candidate the one change, with a plan of practice for `days`; the one before it ends.

    `thought` where it is not to be the candidate's title; `band` where it is not to be the candidate's. Raises BandsError for one that cannot be.
    """
    low, high = band or (chosen.low_deg, chosen.high_deg)
    _check(chosen.angle, chosen.event, low, high)
    with library.write("change picked") as session:
        student = session.get(Student, student_id)
        if student is None:
            raise UsageError(f"there is no student {student_id[:8]!r}")
        for old in session.scalars(select(Picked).where(_standing(student_id))):
            old.dropped_at = now()
        made = Picked(
            student_id=student_id,
            club=club,
            angle=chosen.angle,
            event=chosen.event,
            low_deg=low,
            high_deg=high,
            today_deg=chosen.today.mean,
            u95_deg=chosen.u95_deg,
            thought=(thought.strip() or chosen.title)[:MOST_WORDS],
            evidence=chosen.to_json(),
        )
        made.plan = _planned(made, student, days)
        session.add(made)
    return made


def drop(library: Library, student_id: str) -> None:
    """No change stands any longer. Raises UsageError where none did."""
    with library.write("pick dropped") as session:
        standing = list(session.scalars(select(Picked).where(_standing(student_id))))
        if not standing:
            raise UsageError("no change is picked, so there is none to drop")
        for old in standing:
            old.dropped_at = now()


def edit(
    library: Library,
    pick_id: str,
    *,
    thought: str | None = None,
    band: tuple[float, float] | None = None,
    days: int = NEXT_LESSON_DAYS,
) -> None:
    """Change the coach's words or the band of a pick; the plan is proposed anew. Raises BandsError for a band that
    cannot be one."""
    with library.write("pick changed") as session:
        found = session.get(Picked, pick_id)
        student = session.get(Student, found.student_id) if found else None
        if found is None or student is None:
            raise UsageError(f"there is no pick {pick_id[:8]!r}")
        if thought is not None:
            found.thought = thought.strip()[:MOST_WORDS]
        if band is not None:
            _check(found.angle, found.event, *band)
            found.low_deg, found.high_deg = band
        found.plan = _planned(found, student, days)


def keep_plan(library: Library, pick_id: str, text: str) -> None:
    """Keep a plan of the coach's own (`cupbow.plan/1`) with a pick."""
    with library.write("plan kept") as session:
        found = session.get(Picked, pick_id)
        if found is None:
            raise UsageError(f"there is no pick {pick_id[:8]!r}")
        found.plan = text


def plan_of(found: Picked) -> Plan | None:
    """The practice until the next lesson; None where no drill fits the pick."""
    from imu.practice.plan import parse

    return parse(found.plan) if found.plan else None


def thought_words(found: Picked, *, language: str = FIRST) -> str:
    """The thought: in the coach's words, or, as long as nobody gave it any, the candidate's title in a language."""
    way = found.evidence.get("costs", {}).get("deg")
    if way is None:
        return found.thought
    titles = {each: title_words(found.key, way, language=each) for each in {FIRST, language, *CHOICES["language"]}}
    return titles[language] if found.thought in titles.values() else found.thought


def for_letter(found: Picked | None, *, language: str = FIRST) -> Change | None:
    """What the letter home says of a pick: thought and drill."""
    from imu.report import Change

    if found is None:
        return None
    plan = plan_of(found)
    steps: list[str] = []
    sessions, days = 3, 7
    if plan is not None:
        done = dict.fromkeys(block.drill for day in plan.days for block in day.blocks)
        drills = [plan.drill(name) for name in done][:MOST_STEPS]
        steps = [f"{d.in_language(d.title, language)}. {d.in_language(d.do, language)}" for d in drills]
        sessions, days = len(plan.days), max(day.on_day for day in plan.days)
    weeks = max(round(days / 7), 1)
    times = min(max(round(sessions / weeks), 1), 7)
    thought = thought_words(found, language=language)
    return Change(found.key, found.low_deg, found.high_deg, thought, tuple(steps), min(weeks, 8), times)


def _planned(found: Picked, student: Student, days: int) -> str:
    from imu.practice.plan import propose, to_toml

    others = [c for c in student.clubs if c.casefold() != found.club.casefold()]
    try:
        plan = propose(
            as_practice(found),
            days=days,
            student=student.name,
            student_id=student.id,
            handedness="left" if student.handedness == "left" else "right",
            club=found.club,
            other_club=others[0] if others else "",
        )
    except CupbowError:
        return ""
    return to_toml(plan)


def _check(angle: str, event: str, low: float, high: float) -> None:
    Bands((Band(angle, event, low, high, SOURCE),), shipped().limits)


def current(library: Library, *, student_id: str) -> Picked | None:
    with library.read() as session:
        return session.scalar(select(Picked).where(_standing(student_id)).order_by(Picked.picked_at.desc()).limit(1))


def picks(library: Library, *, student_id: str) -> list[Picked]:
    """All that were ever picked, the latest first."""
    with library.read() as session:
        query = select(Picked).where(Picked.student_id == student_id).order_by(Picked.picked_at.desc())
        return list(session.scalars(query))


def _standing(student_id: str) -> ColumnElement[bool]:
    return (Picked.student_id == student_id) & Picked.dropped_at.is_(None)


def as_practice(found: Picked) -> Pick:
    """As `imu.practice.plan.propose` takes it."""
    from imu.practice.plan import Pick

    return Pick(found.angle, found.event, found.low_deg, found.high_deg, found.today_deg, found.u95_deg, found.thought)


def band_of(found: Picked) -> Band:
    return Band(found.angle, found.event, found.low_deg, found.high_deg, SOURCE, (found.club,) if found.club else ())


def own_bands(base: Bands, found: Picked | None) -> Bands:
    """The student's own set: the set in use, with the pick's band put in."""
    return base if found is None else base.with_band(band_of(found))


def held_against(swing: Swing, found: Picked | None, *, club: str) -> Swing:
    """The swing with the pick's band among its verdicts."""
    if found is None:
        return swing
    verdicts = Bands((band_of(found),)).judge(swing, club=club or None)
    return replace(swing, bands={**swing.bands, **verdicts}) if verdicts else swing
