"""The one change that a coach picked for a student of the library.

One pick stands at a time; picking another, or dropping it, ends it. Its target band goes before the others for the
student's own swings with that club.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from sqlalchemy import ColumnElement, select

from imu.bands import Band, Bands, shipped
from imu.errors import UsageError
from imu.library.schema import Picked, Student, now
from imu.library.store import Library
from imu.measured import Swing

if TYPE_CHECKING:
    from imu.one_change import Candidate
    from imu.practice.plan import Pick

MOST_WORDS = 400
SOURCE = "The one change that the coach picked."


def pick(library: Library, student_id: str, chosen: Candidate, *, club: str = "", thought: str = "") -> Picked:
    """Make a candidate the one change; the one before it ends."""
    with library.write("change picked") as session:
        if session.get(Student, student_id) is None:
            raise UsageError(f"there is no student {student_id[:8]!r}")
        for old in session.scalars(select(Picked).where(_standing(student_id))):
            old.dropped_at = now()
        made = Picked(
            student_id=student_id,
            club=club,
            angle=chosen.angle,
            event=chosen.event,
            low_deg=chosen.low_deg,
            high_deg=chosen.high_deg,
            today_deg=chosen.today.mean,
            u95_deg=chosen.u95_deg,
            thought=(thought.strip() or chosen.title)[:MOST_WORDS],
            evidence=chosen.to_json(),
            plan="",
        )
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
    plan: str | None = None,
) -> None:
    """Change what the coach says of a pick. Raises BandsError for a band that cannot be one."""
    with library.write("pick changed") as session:
        found = session.get(Picked, pick_id)
        if found is None:
            raise UsageError(f"there is no pick {pick_id[:8]!r}")
        if thought is not None:
            found.thought = thought.strip()[:MOST_WORDS]
        if band is not None:
            Bands((Band(found.angle, found.event, *band, SOURCE),), shipped().limits)
            found.low_deg, found.high_deg = band
        if plan is not None:
            found.plan = plan


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
