"""A practice plan: from a pick to days of drills until the next lesson, in one file.

`propose` makes one, a coach edits it (TOML, `cupbow.plan/1`), the student runs it. Order: both ends are
felt, the position is held, rehearsed slowly, carried through the transition, then swung at full speed.
What of that rests on literature, and what does not:

- feedback in the movement suits complex tasks, and simple ones suffer from it (Sigrist et al. 2013, doi
  10.3758/s13423-012-0333-8): slow drills have it and fade it; full swings have a verdict after;
- practice over several days with faded feedback still told a week later (Aoyagi et al. 2019, doi
  10.1589/jpts.31.687: 20 tries on each of 4 days, n = 46);
- each session ends on silent tries and the next begins with five: retention. The last has another club
  where there is one: transfer. How learning is told from performance is the field's standard design
  (Winstein 1991, Physical Therapy 71:140);
- the order of the drills, the numbers of tries, and when a session is repeated (fewer than two fifths
  of the silent tries held) are our judgement, no source.
"""

from __future__ import annotations

import math
import tomllib
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from imu import bands
from imu.errors import CupbowError
from imu.practice import drill as drills
from imu.practice.drill import Drill, DrillError, Feedback
from imu.recording import EVENTS, Handedness

if TYPE_CHECKING:
    from imu.practice.journal import Session

FORMAT = "cupbow.plan/1"
PURPOSES = ("learn", "retention", "transfer")
MOST_DAYS = 60  # to the next lesson
CHECK_TRIES = 5
REPEAT_BELOW = 0.4
WEEK_SWINGS = 200
"""More balls than this in a week went with more injuries: Gosheger et al. 2003 (Am J Sports Med 31:438),
known to us from memory only."""

_SHARE_OF_DAYS = 5 / 7
_STAGES = ("hold", "slow", "carry", "full")


class PlanError(CupbowError):
    """A plan, or its file, that cannot be what it claims to be."""


@dataclass(frozen=True)
class Pick:
    """The one change: an angle at an event (or "event..event" for a change), where it is to be and
    where it is today (degrees; None: not known)."""

    angle: str
    event: str
    low_deg: float
    high_deg: float
    today_deg: float | None = None
    u95_deg: float | None = None
    reason: str = ""


@dataclass(frozen=True)
class Block:
    """Some tries of one drill. `feedback` None: the drill's own."""

    drill: str
    tries: int
    purpose: str = "learn"
    feedback: Feedback | None = None
    club: str = ""


@dataclass(frozen=True)
class Day:
    """One session of practice, proposed for so many days after the plan was made."""

    number: int
    on_day: int
    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class Plan:
    """What a student practises until the next lesson."""

    id: str
    student: str  # as the coach calls them in this file
    handedness: Handedness
    pick: Pick
    drills: tuple[Drill, ...]
    days: tuple[Day, ...]
    made_on: date
    next_lesson_on: date | None = None
    student_id: str = ""  # in the coach's library: brings sessions home
    club: str = ""
    thought: str = ""
    repeat_below: float = REPEAT_BELOW
    week_swings: int = WEEK_SWINGS
    own_range: Mapping[str, tuple[float, float]] = field(default_factory=dict)  # painless, measured, degrees

    def drill(self, name: str) -> Drill:
        return next(d for d in self.drills if d.name == name)

    def blocks_of(self, day: Day) -> tuple[tuple[Block, Drill], ...]:
        """Each block with its drill as it is done in it."""
        out = []
        for block in day.blocks:
            one = self.drill(block.drill)
            feedback = block.feedback or _fitting(one.feedback, block.tries)
            out.append((block, replace(one, tries=block.tries, feedback=feedback)))
        return tuple(out)

    def due(self, done: Sequence[Session], *, today: date | None = None) -> Day:
        """The session that comes next after those done: the next one, or the last one again where what was
        to stay did not. A session is repeated once; after the last the last comes again. Who has practised
        `today` already has that session again: what stays shows after a night."""
        at, repeated = 0, False
        for session in sorted(done, key=lambda s: s.began):
            if not any(t.held is not None for t in session.tries):
                continue
            if today is not None and session.began.astimezone().date() >= today:
                break
            share = session.silent_share
            if share is not None and share < self.repeat_below and not repeated:
                repeated = True
                continue
            at, repeated = at + 1, False
        return self.days[min(at, len(self.days) - 1)]

    def remarks(self) -> tuple[str, ...]:
        """What a coach should know of this plan, one line each."""
        from imu.bands import least_width

        out = []
        width, needed = self.pick.high_deg - self.pick.low_deg, least_width([self.pick.u95_deg])
        if needed is not None and width < needed:
            out.append(
                f"the band is {width:.0f}° wide, the reading ± {self.pick.u95_deg:.0f}°: many tries will be unsure; "
                f"at least {math.ceil(needed)}° wide, it can tell"
            )
        if self.pick.angle not in drills.NOW_ANGLES:
            name = self.pick.angle.replace("_", " ")
            out.append(
                f"{name} is known only after a swing: the plan has full swings with a verdict after, no slow drills"
            )
        return tuple(out)


def propose(
    pick: Pick,
    *,
    days: int = 7,
    student: str = "",
    student_id: str = "",
    handedness: Handedness = "right",
    club: str = "",
    other_club: str = "",
    made_on: date | None = None,
    library: Sequence[Drill] | None = None,
    own_range: Mapping[str, tuple[float, float]] | None = None,
    plan_id: str | None = None,
) -> Plan:
    """Drills over `days` to the next lesson. A proposal: every part of it can be edited.

    Raises DrillError or PlanError where the pick asks what no drill may: a wrist band past comfort.
    """
    _check_pick(pick, "the pick")
    if not 1 <= days <= MOST_DAYS:
        raise PlanError(f"{days} days to the next lesson: look for 1 to {MOST_DAYS}")
    known = drills.shipped() if library is None else tuple(library)
    own = dict(own_range or {})
    chosen = _drills_for(pick, known, own)
    by_kind = {d.kind: d for d in chosen}
    stages = [by_kind[kind] for kind in _STAGES if kind in by_kind]
    sessions = max(1, min(days, round(days * _SHARE_OF_DAYS)))
    made = made_on or date.today()
    out = []
    last: Drill | None = None
    for k in range(sessions):
        first, end = (
            k * len(stages) // sessions,
            max((k + 1) * len(stages) // sessions, k * len(stages) // sessions + 1),
        )
        today = stages[first:end]
        blocks = []
        if last is not None:
            blocks.append(
                Block(last.name, CHECK_TRIES, "retention", Feedback("none", ask=True, silent_first=CHECK_TRIES))
            )
        if "ends" in by_kind and k <= sessions // 2:
            blocks.append(Block(by_kind["ends"].name, 4 if k == 0 else 2))
        blocks += [Block(d.name, d.tries) for d in today]
        if k == sessions - 1 and "full" in by_kind:
            silent = Feedback("none", ask=True, silent_first=CHECK_TRIES)
            blocks.append(Block(by_kind["full"].name, CHECK_TRIES, "transfer", silent, other_club))
        on_day = 1 if sessions == 1 else 1 + round(k * (days - 1) / (sessions - 1))
        out.append(Day(k + 1, on_day, tuple(blocks)))
        last = today[-1]
    return Plan(
        id=plan_id or uuid.uuid4().hex,
        student=student,
        student_id=student_id,
        handedness=handedness,
        pick=pick,
        drills=chosen,
        days=tuple(out),
        made_on=made,
        next_lesson_on=made + timedelta(days=days),
        club=club,
        thought=pick.reason,
        own_range=own,
    )


def _drills_for(pick: Pick, known: Sequence[Drill], own: Mapping[str, tuple[float, float]]) -> tuple[Drill, ...]:
    """The drills of a plan with the pick's angle, event and band put in."""
    out: list[Drill] = []
    source = "the coach's pick" + (f": {pick.reason}" if pick.reason else "")
    change = ".." in pick.event
    for kind in drills.KINDS:
        one = next((d for d in known if d.kind == kind), None)
        if one is None:
            continue
        if kind != "full" and pick.angle not in drills.NOW_ANGLES:
            continue
        if kind == "ends":
            if drills.outer_limits(pick.angle) is None:
                continue
            event = pick.event.split("..")[0]
            out.append(replace(one, angle=pick.angle, event=event))
        elif kind == "carry":
            # A change that was picked has its own band; else the wrist is to keep what it has.
            if change:
                out.append(_aimed(one, pick, source))
            elif pick.angle == one.angle:
                out.append(one)
        elif kind == "full":
            out.append(_aimed(one, pick, source))
        elif not change:
            if pick.event in ("address", "takeaway", "finish") and kind == "slow":
                continue
            aimed = _aimed(one, pick, source)
            if kind == "slow":
                stops = sorted({*one.stops, pick.event}, key=EVENTS.index)
                aimed = replace(aimed, stops=tuple(stops))
            out.append(aimed)
    if not any(d.kind in _STAGES for d in out):
        raise PlanError("none of the drills fits the pick; add a drill of kind full")
    for one in out:
        drills.check(one, own=own.get(one.angle))
    return tuple(out)


def _aimed(one: Drill, pick: Pick, source: str) -> Drill:
    return replace(one, angle=pick.angle, event=pick.event, low_deg=pick.low_deg, high_deg=pick.high_deg, source=source)


def _fitting(feedback: Feedback, tries: int) -> Feedback:
    """A drill's feedback where a block has fewer tries than the drill: silent tries stay a part of them."""
    return replace(
        feedback,
        silent_first=min(feedback.silent_first, tries),
        silent_last=min(feedback.silent_last, max(0, tries // 3)),
    )


# -- files -----------------------------------------------------------------------------------------
def write(plan: Plan, path: Path | str) -> None:
    """The plan as TOML; the file appears whole or not at all."""
    from imu.measured import write_whole

    text = to_toml(plan)
    write_whole(path, lambda tmp: tmp.write_text(text, encoding="utf-8"))


def load(path: Path | str) -> Plan:
    """A plan from its file. Raises PlanError in one line that names file, part and field."""
    file = Path(path)
    data = drills.read_toml(file, PlanError)
    try:
        return _plan(data)
    except (DrillError, PlanError) as error:
        raise PlanError(f"{file}: {error}") from None


def parse(text: str) -> Plan:
    """A plan from its text. Raises PlanError in one line that names part and field."""
    try:
        return _plan(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise PlanError(f"the plan is not TOML: {error}") from None
    except DrillError as error:
        raise PlanError(str(error)) from None


def to_toml(plan: Plan) -> str:
    q = drills.quoted
    lines = [
        "# A practice plan of cupbow: every line may be edited. Run it with: cupbow practice THIS-FILE",
        f"format = {q(FORMAT)}",
        f"id = {q(plan.id)}",
        f"student = {q(plan.student)}",
        f"student_id = {q(plan.student_id)}",
        f"handedness = {q(plan.handedness)}",
        f"club = {q(plan.club)}",
        f"made_on = {plan.made_on.isoformat()}",
    ]
    if plan.next_lesson_on:
        lines.append(f"next_lesson_on = {plan.next_lesson_on.isoformat()}")
    lines += [
        f"thought = {q(plan.thought)}",
        f"repeat_below = {float(plan.repeat_below)!r}  # share of silent tries held, under which a session comes again",
        f"week_swings = {plan.week_swings}  # more in a week are warned of",
        "",
        "[pick]",
        f"angle = {q(plan.pick.angle)}",
        f"event = {q(plan.pick.event)}",
        f"low = {float(plan.pick.low_deg)!r}",
        f"high = {float(plan.pick.high_deg)!r}",
    ]
    if plan.pick.today_deg is not None:
        lines.append(f"today = {float(plan.pick.today_deg)!r}")
    if plan.pick.u95_deg is not None:
        lines.append(f"u95 = {float(plan.pick.u95_deg)!r}")
    lines.append(f"reason = {q(plan.pick.reason)}")
    for angle, (low, high) in plan.own_range.items():
        lines += ["", "[[own_range]]", f"angle = {q(angle)}", f"low = {float(low)!r}", f"high = {float(high)!r}"]
    lines.append(drills.to_toml(plan.drills, heading=False).rstrip("\n"))
    for day in plan.days:
        lines += ["", "[[day]]", f"on_day = {day.on_day}"]
        for block in day.blocks:
            lines += [
                "[[day.block]]",
                f"drill = {q(block.drill)}",
                f"tries = {block.tries}",
                f"purpose = {q(block.purpose)}",
            ]
            if block.feedback is not None:
                lines.append(f"feedback = {drills.feedback_toml(block.feedback)}")
            if block.club:
                lines.append(f"club = {q(block.club)}")
    return "\n".join(lines) + "\n"


_FIELDS = {
    "format", "id", "student", "student_id", "handedness", "club", "made_on", "next_lesson_on", "thought",
    "repeat_below", "week_swings", "pick", "own_range", "drill", "day",
}  # fmt: skip


def _plan(data: Mapping[str, Any]) -> Plan:
    if data.get("format") != FORMAT:
        raise PlanError(f'format is {data.get("format")!r}; this version reads format = "{FORMAT}"')
    drills.only(data, "the plan", _FIELDS)
    handedness = drills.text_of(data, "the plan", "handedness")
    if handedness not in ("right", "left"):
        raise PlanError(f"handedness {handedness!r} is not right or left")
    identity = drills.text_of(data, "the plan", "id")
    student_id = drills.text_of(data, "the plan", "student_id", "")
    for name, value in (("id", identity), ("student_id", student_id)):
        if (value or name == "id") and not (len(value) == 32 and set(value) <= set("0123456789abcdef")):
            raise PlanError(f"{name} {value!r} is not 32 hexadecimal digits; leave it as it was written")
    repeat = drills.number_of(data, "the plan", "repeat_below", REPEAT_BELOW)
    if not 0 <= repeat <= 1:
        raise PlanError(f"repeat_below = {repeat:g} is a share from 0 to 1")
    week = drills.whole_of(data, "the plan", "week_swings", WEEK_SWINGS)
    if not 1 <= week <= 2000:
        raise PlanError(f"week_swings = {week}: look for 1 to 2000")
    own = {}
    for i, entry in enumerate(_tables(data, "own_range", least=0), 1):
        label = f"own_range {i}"
        drills.only(entry, label, {"angle", "low", "high"})
        angle = drills.text_of(entry, label, "angle")
        low, high = drills.number_of(entry, label, "low"), drills.number_of(entry, label, "high")
        if not low < high:
            raise PlanError(f"{label}: low {low:g} is not below high {high:g}")
        own[angle] = (low, high)
    known = drills.drills_of(data)
    for one in known:
        drills.check(one, own=own.get(one.angle))
        if one.kind != "ends" and one.band is None:
            raise PlanError(f"drill {one.name!r}: low and high are missing")
    pick = data.get("pick")
    if not isinstance(pick, dict):
        raise PlanError("[pick] is missing: which angle, at which event, in which band")
    days = tuple(_day(entry, i, {d.name: d for d in known}) for i, entry in enumerate(_tables(data, "day"), 1))
    return Plan(
        id=identity,
        student=drills.text_of(data, "the plan", "student", ""),
        student_id=student_id,
        handedness="left" if handedness == "left" else "right",
        pick=_pick(pick),
        drills=known,
        days=days,
        made_on=_date(data, "made_on") or date.today(),
        next_lesson_on=_date(data, "next_lesson_on"),
        club=drills.text_of(data, "the plan", "club", ""),
        thought=drills.text_of(data, "the plan", "thought", ""),
        repeat_below=repeat,
        week_swings=week,
        own_range=own,
    )


def _pick(entry: Mapping[str, Any]) -> Pick:
    drills.only(entry, "pick", {"angle", "event", "low", "high", "today", "u95", "reason"})
    pick = Pick(
        drills.text_of(entry, "pick", "angle"),
        drills.text_of(entry, "pick", "event"),
        drills.number_of(entry, "pick", "low"),
        drills.number_of(entry, "pick", "high"),
        drills.number_of(entry, "pick", "today") if "today" in entry else None,
        drills.number_of(entry, "pick", "u95") if "u95" in entry else None,
        drills.text_of(entry, "pick", "reason", ""),
    )
    _check_pick(pick, "pick")
    return pick


def _check_pick(pick: Pick, label: str) -> None:
    wrong = bands.fault(pick.angle, pick.event, pick.low_deg, pick.high_deg)
    if wrong:
        raise PlanError(f"{label}: {wrong}")


def _day(entry: Mapping[str, Any], number: int, known: Mapping[str, Drill]) -> Day:
    label = f"day {number}"
    drills.only(entry, label, {"on_day", "block"})
    blocks = []
    for i, one in enumerate(_tables(entry, "block", label=f"{label}: "), 1):
        where = f"{label}: block {i}"
        drills.only(one, where, {"drill", "tries", "purpose", "feedback", "club"})
        name = drills.text_of(one, where, "drill")
        if name not in known:
            raise PlanError(f"{where}: there is no drill {name!r} in this plan; one of {', '.join(known)}")
        tries = drills.whole_of(one, where, "tries", known[name].tries)
        purpose = drills.text_of(one, where, "purpose", "learn")
        if purpose not in PURPOSES:
            raise PlanError(f"{where}: purpose {purpose!r} is none of {', '.join(PURPOSES)}")
        feedback = drills.feedback_of(one["feedback"], where) if "feedback" in one else None
        try:
            done = feedback or _fitting(known[name].feedback, tries)
            drills.check(replace(known[name], tries=tries, feedback=done))
        except DrillError as error:
            raise PlanError(f"{where}: {error}") from None
        blocks.append(Block(name, tries, purpose, feedback, drills.text_of(one, where, "club", "")))
    return Day(number, drills.whole_of(entry, label, "on_day", number), tuple(blocks))


def _tables(data: Mapping[str, Any], name: str, *, least: int = 1, label: str = "") -> list[dict[str, Any]]:
    entries = data.get(name, [])
    if not isinstance(entries, list) or not all(isinstance(e, dict) for e in entries) or len(entries) < least:
        raise PlanError(f"{label}{name} is to be a list of tables, each headed [[{name}]]")
    return entries


def _date(data: Mapping[str, Any], name: str) -> date | None:
    value = data.get(name)
    if value is None:
        return None
    if not isinstance(value, date):
        raise PlanError(f"{name} = {value!r} is not a day, such as 2026-05-24")
    return value
