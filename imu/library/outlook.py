"""What could be changed for a student of the library: the chain of causes as of a lesson, and the candidates."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from imu.bands import Bands
from imu.cause_rules import Rules
from imu.causes import Account, Flight, Geometry, explain
from imu.errors import CupbowError
from imu.library import finding
from imu.library.sets import LessonSet, lesson_sets
from imu.library.store import Library
from imu.measured import Swing
from imu.one_change import Candidates, candidates
from imu.words import say

MOST_EARLIER = 12
"""So many sessions before it are looked at: a swing of years ago is another's."""


@dataclass(frozen=True, eq=False)
class Outlook:
    """A student's chain of causes and candidates, as of one lesson."""

    today: LessonSet
    earlier: tuple[LessonSet, ...]
    candidates: Candidates
    clubs: tuple[str, ...] = ()  # all that were swung in that lesson

    @property
    def account(self) -> Account:
        return self.candidates.account

    @property
    def club(self) -> str:
        return self.today.club


def outlook(
    library: Library,
    student_id: str,
    *,
    lesson_id: str | None = None,
    club: str | None = None,
    kind: str | None = None,
    rules: Rules | None = None,
    bands: Bands | None = None,
    geometry: Geometry | None = None,
) -> Outlook:
    """As of a lesson (None: the latest), with the club (None: the one swung most in it); sessions before it with that
    club help to see what goes together; `bands` go before the swings' own. Raises CupbowError where
    nothing was measured."""
    lines = [
        line
        for line in finding.lessons(library, student_id=student_id)
        if line.swings and (club is None or club.strip().casefold() in {c.casefold() for c in line.clubs})
    ]
    at = next((i for i, line in enumerate(lines) if lesson_id in (None, line.lesson.id)), len(lines))
    looked = tuple(line.lesson.id for line in lines[at : at + 1 + MOST_EARLIER])
    held = lesson_sets(library, student_id=student_id, lesson_ids=looked) if looked else []
    if club is not None:
        held = [s for s in held if s.club.casefold() == club.strip().casefold()]
    asked = [s for s in held if lesson_id in (None, s.lesson.id)]
    if not asked:
        raise CupbowError(say("reason.no_measured_with", club=club) if club else say("reason.no_measured"))
    latest = asked[-1].lesson.id
    today = max((s for s in asked if s.lesson.id == latest), key=lambda s: len(s.filed))
    earlier = tuple(s for s in held if s.club == today.club and s.lesson.held_at < today.lesson.held_at)
    account = explain(
        today.swings,
        earlier=[s.swings for s in earlier],
        rules=rules,
        kind=kind,
        bands={k: (b.low_deg, b.high_deg) for k, b in bands.for_club(today.club).items()} if bands else None,
        flights=flights_of((today, *earlier)),
        geometry=geometry,
    )
    clubs = next(line.clubs for line in lines if line.lesson.id == latest)
    return Outlook(today, earlier, candidates(account), tuple(clubs))


def flights_of(held: Sequence[LessonSet]) -> dict[Swing, Flight]:
    """Of the balls whose flight was noted."""
    return {
        f.measured: Flight(f.line.start, f.line.curve, f.line.carry_m)
        for s in held
        for f in s.filed
        if f.line.start or f.line.curve or f.line.carry_m is not None
    }
