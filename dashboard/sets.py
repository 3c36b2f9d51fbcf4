"""Sets of swings that pages compare and follow: by lesson, by club, and the best so far.

What lies under the root is grouped by day and club; a day is a lesson. Each recording has its own
calibration. Keys stand in links: a lesson's is that of its first recording, `club:7-iron` is every
lesson with a club, `best:7-iron` the swings that no band calls out, `lesson:<identity>:<club>` a lesson of
the library, `thought:<identity>:<number>:before:<club>` its swings before a thought was given (or after),
`own-club:<identity>:<club>` all lessons with a club of the student whose lesson it is, `own-best:` the best of them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING

from dashboard.service import Busy, Entry, Failed, Ready, Service
from dashboard.words import count, say
from imu.compare import Part, SwingSet
from imu.errors import CupbowError, UsageError
from imu.settings import load_settings

if TYPE_CHECKING:
    from collections.abc import Callable

    from imu.library.sets import LessonSet, ThoughtSets
    from imu.library.store import Library
    from imu.measured import Measurement

CLUB = "club:"
FILED = "lesson:"
BEST = "best:"
THOUGHT = "thought:"
OWN_CLUB = "own-club:"
OWN_BEST = "own-best:"


@dataclass(frozen=True)
class Offer:
    """A set that can be chosen. `day` is empty where the recordings don't say it."""

    key: str
    title: str
    club: str
    day: str
    entries: tuple[Entry, ...]
    swings: SwingSet | None = None  # measured already, from the library
    practice: bool = False

    @property
    def label(self) -> str:
        """How the set is called in sentences."""
        return ", ".join(part for part in (self.title, self.club if self.club != self.title else "") if part)


@dataclass(frozen=True)
class Pending:
    """Recordings of a set that are still being measured: one of them, and how many are left."""

    state: Busy
    left: int


def day_words(stamp: str, *, year: bool = False) -> str:
    """ "24 May" as the user's language writes it, empty for what is no date."""
    try:
        when = datetime.fromisoformat(stamp)
    except ValueError:
        return ""
    return load_settings().day(when.date(), year=year)


def day_of(entry: Entry) -> str:
    try:
        return datetime.fromisoformat(entry.recorded_at).date().isoformat()
    except ValueError:
        return ""


def lessons(service: Service) -> list[Offer]:
    """Lessons by club, the earliest first; recordings without a day come last, each alone."""
    groups: dict[tuple[str, ...], list[Entry]] = {}
    for entry in service.recordings():
        day = day_of(entry)
        groups.setdefault((day, entry.club, entry.folder) if day else ("", entry.key), []).append(entry)
    years = {key[0][:4] for key in groups if key[0]}
    offers = []
    for key, entries in groups.items():
        title = day_words(key[0], year=len(years) > 1) if key[0] else entries[0].name
        offers.append(Offer(entries[0].key, title, entries[0].club, key[0], tuple(entries)))
    return sorted(offers, key=lambda o: (not o.day, o.day, o.club, o.key))


def clubs(service: Service) -> list[Offer]:
    """All lessons with each club."""
    by: dict[str, list[Entry]] = {}
    for entry in service.recordings():
        if entry.club:
            by.setdefault(entry.club, []).append(entry)
    return [Offer(CLUB + club, club, club, "", tuple(entries)) for club, entries in sorted(by.items())]


def bests(service: Service) -> list[Offer]:
    """Of each club the swings that no band calls out."""
    return [Offer(BEST + o.club, say("compare.own_best"), o.club, "", o.entries) for o in clubs(service)]


def in_library(key: str | None) -> bool:
    """Whether a key is of a student of the library; a lesson's identity is in it."""
    return bool(key) and str(key).startswith((FILED, THOUGHT, OWN_CLUB, OWN_BEST))


def is_club(key: str) -> bool:
    return key.startswith((CLUB, OWN_CLUB))


def is_best(key: str) -> bool:
    return key.startswith((BEST, OWN_BEST))


def lesson_id(key: str) -> str:
    return key.split(":")[1] if in_library(key) else ""


def filed(service: Service, key: str) -> list[Offer]:
    """The lessons of the student whose lesson this key names, the earliest first."""
    from imu.library.sets import lesson_sets

    return _of_student(
        service, key, lambda library, student: [filed_offer(s) for s in lesson_sets(library, student_id=student)]
    )


def own_clubs(service: Service, key: str) -> list[Offer]:
    """All lessons with each club of the student whose lesson this key names; practice is set beside them by itself."""
    return _by_club(service, key, OWN_CLUB)


def own_bests(service: Service, key: str) -> list[Offer]:
    """Of each club the student's swings that no band calls out."""
    return _by_club(service, key, OWN_BEST)


def _by_club(service: Service, key: str, kind: str) -> list[Offer]:
    parts: dict[str, list[Part]] = {}
    for o in filed(service, key):
        if o.swings is not None and not o.practice:
            parts.setdefault(o.club, []).extend(o.swings.parts)
    out = []
    for club, those in sorted(parts.items()):
        title = say("compare.own_best") if kind == OWN_BEST else club or "—"
        chosen = tuple(_uncalled(p) for p in those) if kind == OWN_BEST else tuple(those)
        out.append(Offer(f"{kind}{lesson_id(key)}:{club}", title, club, "", (), SwingSet(title, chosen)))
    return out


def _uncalled(part: Part) -> Part:
    return replace(part, swings=_best_of(part.measurement))


def _best_of(measurement: Measurement) -> tuple[int, ...]:
    """Swings that no band calls out."""
    return tuple(
        s.index for s in measurement.swings if not any(v.verdict in ("below", "above") for v in s.bands.values())
    )


def thoughts(service: Service, key: str) -> list[Offer]:
    """Before and after each thought of the student whose lesson this key names, the earliest first."""
    from imu.library.sets import thought_sets

    return _of_student(
        service,
        key,
        lambda library, student: [
            o for t in thought_sets(library, student_id=student) for o in (_thought(t, "before"), _thought(t, "after"))
        ],
    )


def _thought(found: ThoughtSets, side: str) -> Offer:
    day = found.lesson.held_at.astimezone().date().isoformat()
    thought = found.thought if len(found.thought) <= 48 else found.thought[:47].rstrip() + "…"
    title = say(f"change.{side}", thought=thought, day=day_words(day))
    swings = found.before if side == "before" else found.after
    return Offer(f"{THOUGHT}{found.lesson.id}:{found.number}:{side}:{found.club}", title, found.club, day, (), swings)


def _of_student(service: Service, key: str, found: Callable[[Library, str], list[Offer]]) -> list[Offer]:
    from imu.library import finding

    library = service.library()
    if library is None:
        return []
    with library:
        try:
            lesson = finding.lesson_of_id(library, lesson_id(key))
        except UsageError:
            return []
        return found(library, lesson.student_id)


def filed_offer(held: LessonSet) -> Offer:
    day = held.day.isoformat()
    title = day_words(day, year=True)
    if held.practice:
        title = say("progress.practice_of", day=title)
    return Offer(f"{FILED}{held.lesson.id}:{held.club}", title, held.club, day, (), held.swings, held.practice)


def offer(service: Service, key: str) -> Offer | None:
    for kind, offered in ((FILED, filed), (THOUGHT, thoughts), (OWN_CLUB, own_clubs), (OWN_BEST, own_bests)):
        if key.startswith(kind):
            return next((o for o in offered(service, key) if o.key == key), None)
    pool = bests if key.startswith(BEST) else clubs if key.startswith(CLUB) else lessons
    return next((o for o in pool(service) if o.key == key), None)


def set_of(service: Service, offered: Offer, *, label: str = "") -> SwingSet | Pending:
    """The swings of a set, measured; called `label`, else by its own. Raises CupbowError when none of its recordings can be read."""
    if offered.swings is not None:
        if is_best(offered.key) and not any(part.chosen for part in offered.swings.parts):
            raise CupbowError(say("compare.no_best", club=offered.club))
        return SwingSet(label or offered.label, offered.swings.parts)
    parts, waiting, failed = [], [], []
    for entry in offered.entries:
        state = service.open(entry)
        if isinstance(state, Busy):
            waiting.append(state)
        elif isinstance(state, Failed):
            failed.append(state)
        else:
            parts.append(_part(service, state, best=offered.key.startswith(BEST)))
    if waiting:
        return Pending(next((w for w in waiting if not w.queued), waiting[0]), len(waiting))
    if not parts:
        raise CupbowError(failed[0].message if failed else say("compare.no_swings", label=offered.label))
    if offered.key.startswith(BEST) and not any(part.chosen for part in parts):
        raise CupbowError(say("compare.no_best", club=offered.club))
    return SwingSet(label or offered.label, tuple(parts))


def labels_of(a: Offer, b: Offer) -> tuple[str, str]:
    """As short as tells them apart."""
    return (a.title, b.title) if a.title != b.title else (a.label, b.label)


def _part(service: Service, ready: Ready, *, best: bool) -> Part:
    chosen = _best_of(ready.measurement) if best else tuple(s.index for s in ready.measurement.swings)
    return Part(
        ready.measurement,
        ready.entry.key,
        lesson=day_of(ready.entry) or ready.entry.key,
        swings=chosen,
        club=ready.entry.club or None,
        left_out=service.left_out(ready.entry),
    )


def counted(service: Service, offered: Offer) -> str:
    """ "7-iron, 18 swings", as far as is known without measuring."""
    if offered.swings is not None:
        n = sum(len(p.chosen) for p in offered.swings.parts)
        return ", ".join(part for part in (offered.club, count("recording.swings", n)) if part)
    known = [service.count_measured(e) for e in offered.entries]
    n = sum(k for k in known if k is not None)
    swings = count("recording.swings", n) if all(k is not None for k in known) else say("recording.not_measured")
    return ", ".join(part for part in (offered.club, swings) if part)
