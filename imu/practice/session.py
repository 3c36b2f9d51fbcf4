"""A practice session: which try it is, what is shown of it, and what is written down.

`Practice` runs a plan's session over readings of any live source (`runner` ties it to one). It is fed
readings, measured swings and what the student taps; it answers with cues and with `state()`, all that
a screen needs. What was done goes to the journal as it is done.

"It hurts" is always there: it ends the session, says what to do, and marks it for the coach.
"""

from __future__ import annotations

import math
import uuid
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from imu.bands import verdict
from imu.practice import drill as drills
from imu.practice import schedule
from imu.practice.alerts import STALE_S, Alerts, Cue, Phase, Quality, SwingWatch
from imu.practice.drill import Drill, DrillError
from imu.practice.journal import SIDES, Journal, Load, Session, Try, load_of, sessions_in, try_line, unfinished
from imu.practice.plan import Block, Plan
from imu.practice.tries import Carry, Ends, Full, Hold, RangeWatch, Result, Sample, Slow, Work

if TYPE_CHECKING:
    from imu.live_angles import Now, Reading
    from imu.measured import Swing

Stage = Literal["cautions", "range", "ready", "try", "ask", "told", "hurt", "done"]
"""cautions: shown before the first swing; range: the own painless range is measured; ready: the drill is
explained; try; ask: "say where it was"; told: how it was, or only that it counts; hurt; done."""

_SWING_GAP_S = 1.0  # of silence within a swing: longer, and the sensors are lost
_SILENCE_S = 6.0  # without a reading for so long, a try is given up and does not count


@dataclass(frozen=True)
class Told:
    """What the student is told after a try. Numbers only where `show`."""

    show: bool
    held: bool | None
    word: str = ""  # below, inside, above, unsure
    value_deg: float | None = None
    u95_deg: float | None = None
    by_deg: float | None = None  # "by so much or more": from the interval's edge to the band's
    guess: str | None = None
    also: Mapping[str, float] = field(default_factory=dict)


class Practice:
    """A session under way. Times `t_s` are the source's; `now` is the wall's, for the journal."""

    def __init__(
        self,
        plan: Plan,
        journal: Journal,
        session: Session,
        *,
        past: Sequence[Session] = (),
        now: Callable[[], datetime] | None = None,
    ) -> None:
        self.plan, self.journal, self.session = plan, journal, session
        self.past = tuple(s for s in past if s.id != session.id)
        self.stage: Stage = "cautions"
        self.told: Told | None = None
        self.remarks: list[str] = []
        self.shared_u95: Mapping[str, float] = {}  # of each angle, what all readings share: `Model.sd`, expanded
        self.cue: Cue | None = None
        self.judged: tuple[float | None, float | None] = (None, None)  # what it stands on: an angle, or its change
        self.channels_off: set[str] = set()
        self._now = now or (lambda: datetime.now(UTC))
        self._day = plan.days[min(max(session.day, 1), len(plan.days)) - 1]
        self._blocks = list(plan.blocks_of(self._day))
        self._own: dict[str, tuple[float, float]] = {**plan.own_range, **_shown_before(self.past), **session.own_range}
        self._range = RangeWatch()
        self._alerts: Alerts | None = None
        self._watch = SwingWatch()
        self._work: Work | None = None
        self._band: tuple[float, float] | None = None
        self._plan_told: schedule.Told | None = None
        self._pending: tuple[Result, str] | None = None
        self._t_s = 0.0
        self._began_s: float | None = None
        self._stage_s = 0.0
        self._lost_s = 0.0
        self._last_t_s: float | None = None
        self._block = self._first_open()
        if session.tries or session.own_range:
            self.journal.add({"is": "on", "at": self._stamp()})
        if session.hurt is not None:
            self.stage = "hurt"
        elif self._block is None:
            self._finish("done")

    # -- opening
    @classmethod
    def open(cls, plan: Plan, folder: Path | str, *, now: Callable[[], datetime] | None = None) -> Practice:
        """Today's session of a plan: one that was cut short goes on, else the next one begins."""
        moment = (now or (lambda: datetime.now(UTC)))()
        past = [s for s in sessions_in(folder) if s.plan_id == plan.id]
        cut = unfinished(folder, plan)
        today = moment.astimezone().date()
        for path, session in cut:
            if session.began.astimezone().date() == today and path == cut[-1][0]:
                return cls(plan, Journal(path), session, past=past, now=now)
            Journal(path).add({"is": "end", "why": "cut", "at": moment.isoformat()})
        journal, session = Journal.begin(
            folder, plan, day=plan.due(past, today=today).number, began=moment.astimezone()
        )
        return cls(plan, journal, session, past=past, now=now)

    # -- what is known of it
    @property
    def block(self) -> Block | None:
        return None if self._block is None else self._blocks[self._block][0]

    @property
    def drill(self) -> Drill | None:
        return None if self._block is None else self._blocks[self._block][1]

    @property
    def blocks(self) -> tuple[tuple[Block, Drill], ...]:
        """The session's blocks in their order, each with its drill."""
        return tuple(self._blocks)

    @property
    def at(self) -> int | None:
        """Which of `blocks` is on; None when all are done."""
        return self._block

    @property
    def number(self) -> int:
        """Of the try that is on, or comes next; counts from 1 within its block."""
        return 1 if self._block is None else len(self.done_of(self._block)) + 1

    def done_of(self, block: int) -> tuple[Try, ...]:
        """The tries of a block; none of another drill that stood there before the plan was edited."""
        return tuple(t for t in self.session.of_block(block) if t.drill == self._blocks[block][1].name)

    def to_come(self) -> tuple[Drill, ...]:
        """The drills of the blocks that are not done yet, with the tries that are left."""
        return tuple(
            replace(drill, tries=max(1, block.tries - len(self.done_of(i))))
            for i, (block, drill) in enumerate(self._blocks)
            if i not in self.session.finished_blocks and len(self.done_of(i)) < block.tries
        )

    @property
    def where(self) -> dict[str, Any]:
        """Where in the try it is: the stop, the end, or the part of the carry."""
        return dict(self._work.where) if self._work is not None else {}

    @property
    def band_now(self) -> tuple[float, float] | None:
        """What readings are judged against now: of both ends, the one that is on."""
        return None if self._alerts is None else (self._alerts.low_deg, self._alerts.high_deg)

    @property
    def asks(self) -> bool:
        """Whether the try that is on ends with the student's own estimate."""
        return self._plan_told is not None and self._plan_told.ask

    @property
    def load(self) -> Load:
        return load_of([*self.past, self.session], now=self._now(), week_most=self.plan.week_swings)

    @property
    def hurt_before(self) -> str | None:
        """What was said when it hurt in the last session, if it did: to be asked about before going on."""
        last = max(self.past, key=lambda s: s.began, default=None)
        return last.hurt if last is not None else None

    def state(self) -> dict[str, Any]:
        """All that a screen needs, as JSON."""
        block, drill, load = self.block, self.drill, self.load
        told = self._plan_told
        out: dict[str, Any] = {
            "stage": self.stage,
            "session": self.session.id,
            "day": self._day.number,
            "days": len(self.plan.days),
            "student": self.plan.student,
            "thought": self.plan.thought,
            "block": None if self._block is None else self._block + 1,
            "blocks": len(self._blocks),
            "load": {"today": load.today, "week": load.week, "most": load.week_most, "too_much": load.too_much},
            "hurt": self.session.hurt,
            "hurt_before": self.hurt_before,
            "remarks": list(self.remarks),
            "trouble": self.journal.trouble,
            "drill": None,
        }
        if drill is not None and block is not None:
            low, high = drills.side_words(drill.angle)
            out["drill"] = {
                "name": drill.name,
                "kind": drill.kind,
                "title": dict(drill.title),
                "do": dict(drill.do),
                "angle": drill.angle,
                "event": drill.event,
                "band": list(self._band or drill.band or ()) or None,
                "sides": [low, high],
                "hold_s": drill.hold_s,
                "channels": [c for c in drill.channels if c not in self.channels_off],
                "purpose": block.purpose,
                "club": block.club or self.plan.club,
                "schedule": drill.feedback.schedule,
            }
            out |= {
                "number": min(self.number, block.tries),
                "of": block.tries,
                "where": self.where,
            }
            out["covered"] = self.stage == "try" and not (told is not None and told.live and drill.live)
            out["silent"] = bool(told and told.silent)
        if self.stage == "range":
            out["range"] = {"low": _r(self._range.low), "high": _r(self._range.high), "enough": self._range.enough}
        if self.told is not None and self.stage == "told":
            t = self.told
            out["told"] = {
                "show": t.show,
                "held": t.held if t.show else None,
                "word": t.word if t.show else "",
                "value": _r(t.value_deg) if t.show else None,
                "u95": _r(t.u95_deg) if t.show else None,
                "by": _r(t.by_deg) if t.show else None,
                "guess": t.guess,
                "also": {k: _r(v) for k, v in t.also.items()} if t.show else {},
            }
        if self.stage == "done":
            out["summary"] = self.summary()
        return out

    def summary(self) -> list[dict[str, Any]]:
        """What was done, block by block: tries, held, lost, unsure, and whether they were silent."""
        out = []
        for i, (block, drill) in enumerate(self._blocks):
            tries = self.done_of(i)
            out.append(
                {
                    "drill": drill.name,
                    "title": dict(drill.title),
                    "purpose": block.purpose,
                    "tries": len(tries),
                    "held": sum(t.held is True for t in tries),
                    "lost": sum(t.held is False for t in tries),
                    "unsure": sum(t.held is None for t in tries),
                    "shown": sum(t.shown or t.live for t in tries),
                }
            )
        return out

    # -- what is tapped
    def do(self, what: str, **fields: Any) -> bool:
        """A tap: cautions_read, range_done, range_skip, begin, guess (side, deg), pass, next, skip,
        channel (name, on), hurts (text), stop. False where it has no place in this stage."""
        if what == "hurts":
            return self.hurts(str(fields.get("text") or ""))
        if what == "stop" and self.stage not in ("done", "hurt"):
            self._finish("stopped")
            return True
        if what == "channel":
            name = str(fields.get("name"))
            if name not in drills.CHANNELS:
                return False
            (self.channels_off.discard if fields.get("on") else self.channels_off.add)(name)
            if self._alerts is not None and self.drill is not None:
                self._alerts.channels = self._channels(self.drill)
            return True
        if what == "cautions_read" and self.stage == "cautions":
            if self._range_angle() is not None:
                self._to("range")
            else:
                self._prepare()
            return True
        if what in ("range_done", "range_skip") and self.stage == "range":
            return self._range_over(skipped=what == "range_skip")
        if what == "begin" and self.stage == "ready":
            self._begin_try()
            return True
        if what in ("guess", "pass") and self.stage == "ask":
            side, deg = fields.get("side"), fields.get("deg")
            known = isinstance(deg, int | float) and not isinstance(deg, bool) and abs(deg) < 180
            self._settle(side if side in SIDES else None, float(deg) if known and deg is not None else None)
            return True
        if what == "next" and self.stage == "told":
            self._next()
            return True
        if what == "skip" and self.stage in ("ready", "try", "ask", "told"):
            self._close_block()
            return True
        return False

    def hurts(self, text: str = "") -> bool:
        """It hurts: everything stops, and the session is marked for the coach. At any time, also after."""
        said = " ".join(text.split())[:300]
        stamp = self._stamp()
        self.journal.add({"is": "hurt", "what": said, "at": stamp})
        before = self.session.hurt
        self.session = replace(self.session, hurt=" ".join(p for p in (before, said) if p))
        if self.session.ended is None:
            self.journal.add({"is": "end", "why": "hurt", "at": stamp})
            self.session = replace(self.session, ended="hurt")
        self._work, self._alerts, self._pending = None, None, None
        self._to("hurt")
        return True

    # -- readings
    def feed(self, reading: Reading, *, at_s: float | None = None) -> Cue:
        """The decision for a reading; the try goes on with it. `at_s` is when it arrived, else the
        reading's own."""
        t = reading.arrival_s if at_s is None else at_s
        self._t_s = max(self._t_s, t)
        self._rest(t)
        swinging = self._watch.feed(t, reading.speed_dps)
        drill = self.drill
        angle = self._range_angle() if self.stage == "range" else drill.angle if drill is not None else None
        now: Now | None = reading.angles.get(angle) if angle is not None else None
        quality: Quality = "ok"
        if now is not None and now.value_deg is None:
            reason = now.reason or ""
            quality = "clipped" if "clipped" in reason else "lost" if "lost" in reason else "stale"
        value, u95 = (now.value_deg, now.u95_deg) if now is not None else (None, None)
        shaft, face = (reading.angles.get(a) for a in ("shaft_elevation", "face_to_forearm"))
        sample = Sample(
            t, value, u95, reading.speed_dps, shaft.value_deg if shaft else None, face.value_deg if face else None
        )
        return self._see(sample, swinging, quality)

    def tick(self, now_s: float) -> Cue | None:
        """Time has gone on: rests end, and what sends nothing any more is said. Call it ten times a second."""
        self._t_s = max(self._t_s, now_s)
        self._rest(now_s)
        if self._last_t_s is not None and now_s - self._last_t_s > STALE_S:
            swinging = self._watch.swinging and now_s - self._last_t_s < _SWING_GAP_S
            return self._see(Sample(now_s, None, None, 0.0, None, None), swinging, "lost", heard=False)
        return None

    def swing(self, swing: Swing) -> None:
        """A swing was measured. In a try of full swings it is the try; in any case it counts as load."""
        if swing.kind == "full":
            stamp = self._now()
            self.journal.add({"is": "swing", "at": stamp.isoformat()})
            self.session = replace(self.session, swings=(*self.session.swings, stamp))
        drill = self.drill
        if self.stage == "try" and isinstance(self._work, Full) and drill is not None and self._band is not None:
            if swing.kind != "full":
                return
            result = self._work.measured(swing, drill, self._band)
            if result is None:
                self._void("the swing could not be read")
            else:
                self._over(result)

    # -- inside
    def _rest(self, now_s: float) -> None:
        """After a try, once the rest is over, the next one begins."""
        if self.stage == "told" and self.drill is not None and now_s - self._stage_s >= self.drill.rest_s:
            self._next()

    def _see(self, sample: Sample, swinging: bool, quality: Quality, *, heard: bool = True) -> Cue:
        step = 0.0 if self._last_t_s is None else sample.t_s - self._last_t_s
        if heard:
            self._last_t_s = sample.t_s
        if self.stage == "range":
            self._range.see(sample.t_s, sample.value, sample.speed_dps)
        work, alerts = self._work, self._alerts
        if alerts is None:
            self.cue = Cue(sample.t_s, "quiet" if swinging else "none", "quiet" if swinging else "none")
            return self.cue
        value, u95 = work.before(sample) if work is not None else (sample.value, sample.u95)
        phase: Phase = "idle"
        if swinging:
            phase = "swing"
        elif self.stage == "try" and work is not None and work.cues:
            told = self._plan_told
            phase = "drill" if told is not None and told.live else "covered"
        self.judged = value, u95
        cue = alerts.feed(sample.t_s, value, u95, phase=phase, quality=quality)
        if self._plan_told is not None and self._plan_told.only_outside and cue.board in ("in", "unsure", "none"):
            cue = replace(cue, board="covered")
        self.cue = cue
        if self.stage == "try" and work is not None:
            self._go_on(work, sample, cue, step, swinging, heard)
        return cue

    def _go_on(self, work: Work, sample: Sample, cue: Cue, step: float, swinging: bool, heard: bool) -> None:
        """The try goes on with a sample: it is over, too late, or cannot be read."""
        if isinstance(work, Full):
            return  # a measured swing ends it
        assert self.drill is not None
        if sample.value is None:
            self._lost_s += step if heard else 0.0
            silent = self._lost_s if heard else sample.t_s - (self._last_t_s or sample.t_s)
            if silent > _SILENCE_S:
                self._void("no reading")
            return
        self._lost_s = 0.0
        if swinging:
            return
        if self._began_s is None:
            self._began_s = sample.t_s
        result = work.see(sample, cue)
        if result is None and sample.t_s - self._began_s > self.drill.within_s:
            result = work.late()
            if result is None:
                self._void("it was not reached in time")
        if result is not None:
            self._over(result)

    def _range_over(self, *, skipped: bool) -> bool:
        if not skipped:
            if not self._range.enough:
                return False
            angle = self._range_angle()
            assert angle is not None
            assert self._range.low is not None
            assert self._range.high is not None
            low, high = round(self._range.low, 1), round(self._range.high, 1)
            self.journal.add({"is": "range", "angle": angle, "low": low, "high": high, "at": self._stamp()})
            self._own[angle] = (low, high)
            self.session = replace(self.session, own_range={**self.session.own_range, angle: (low, high)})
        self._prepare()
        return True

    def _range_angle(self) -> str | None:
        """The wrist angle whose own painless range is needed and not known yet."""
        for _, d in self._blocks:
            if d.live and d.angle not in self._own and not d.is_change and drills.outer_limits(d.angle) is not None:
                return d.angle
        return None

    def _first_open(self) -> int | None:
        for i, (block, _) in enumerate(self._blocks):
            if i not in self.session.finished_blocks and len(self.done_of(i)) < block.tries:
                return i
        return None

    def _prepare(self) -> None:
        """Make the next block ready: its band within comfort, its alerts. What cannot be done is said, and
        left out."""
        while self._block is not None:
            drill = self._blocks[self._block][1]
            try:
                self._band = self._band_for(drill)
            except DrillError as error:
                self._leave_out(str(error))
                continue
            self._watch = SwingWatch.for_kind(drill.kind)
            self._alerts = Alerts(*self._band, channels=self._channels(drill))
            self._work = None
            self._to("ready")
            return
        self._finish("done")

    def _band_for(self, drill: Drill) -> tuple[float, float]:
        own = self._own.get(drill.angle)
        if drill.kind == "ends":
            if own is None:
                raise DrillError(f"{drill.name} is left out: the own painless range was not measured")
            return drills.end_bands(drill.angle, own, share=drill.share)[0]
        assert drill.band is not None
        if drill.is_change:
            return drill.band
        inside = drills.within_comfort(drill.angle, drill.band, own)
        if inside is None:
            raise DrillError(f"{drill.name} is left out: its band lies past 70 % of the own range; tell the coach")
        if inside != drill.band:
            remark = f"{drill.name}: its band was cut to 70 % of the own range ({inside[0]:.0f} to {inside[1]:.0f})"
            if remark not in self.remarks:
                self.remarks.append(remark)
        return inside

    def _leave_out(self, why: str) -> None:
        assert self._block is not None
        self.remarks.append(why)
        self.journal.add({"is": "block", "block": self._block, "why": why, "at": self._stamp()})
        self.session = replace(self.session, finished_blocks=self.session.finished_blocks | {self._block})
        self._block = self._first_open()

    def _channels(self, drill: Drill) -> tuple[str, ...]:
        return tuple(c for c in drill.channels if c not in self.channels_off)

    def _begin_try(self) -> None:
        drill, block = self.drill, self.block
        assert drill is not None
        assert block is not None
        assert self._band is not None
        assert self._block is not None
        assert self._alerts is not None
        past = [t.held for t in self.done_of(self._block)]
        self._plan_told = schedule.before(drill.feedback, number=self.number, of=block.tries, past=past)
        self._alerts.band(*self._band)  # what was held before does not count
        if drill.kind == "hold":
            self._work = Hold(drill, self._band, live=self._plan_told.live)
        elif drill.kind == "ends":
            self._work = Ends(
                drill, drills.end_bands(drill.angle, self._own[drill.angle], share=drill.share), self._alerts.band
            )
        elif drill.kind == "slow":
            self._work = Slow(drill, self._band)
        elif drill.kind == "carry":
            self._work = Carry(drill, self._band, self.shared_u95.get(drill.angle))
        else:
            self._work = Full()
        self.told, self._pending, self._lost_s = None, None, 0.0
        self._began_s = None  # from the first reading on
        self._to("try")

    def _void(self, why: str) -> None:
        self.journal.add({"is": "void", "block": self._block, "why": why, "at": self._stamp()})
        self._work = None
        self.remarks = [*self.remarks[-9:], f"this try does not count: {why}"]
        self._to("ready")

    def _over(self, result: Result) -> None:
        self._pending = result, self._stamp()
        self._work = None
        if self._plan_told is not None and self._plan_told.ask:
            self._to("ask")
        else:
            self._settle(None, None)

    def _settle(self, guess: str | None, guess_deg: float | None) -> None:
        """The try is over and, where it was asked for, the estimate given: it goes to the journal."""
        drill, block = self.drill, self.block
        assert self._pending is not None
        assert drill is not None
        assert block is not None
        assert self._block is not None
        result, at = self._pending
        past = [t.held for t in self.done_of(self._block)]
        told = schedule.after(drill.feedback, number=self.number, of=block.tries, past=past, held=result.held)
        number = sum(t.drill == drill.name for t in self.session.tries) + 1
        done = Try(
            id=uuid.uuid5(uuid.UUID(self.session.id), f"try {len(self.session.tries) + 1}").hex,
            block=self._block,
            drill=drill.name,
            purpose=block.purpose,
            number=number,
            at=datetime.fromisoformat(at),
            angle=drill.angle,
            event=drill.event,
            value_deg=_r(result.value_deg),
            u95_deg=_r(result.u95_deg),
            held=result.held,
            live=told.live and drill.live,
            shown=told.show,
            silent=told.silent,
            guess=guess,
            guess_deg=guess_deg,
            club=block.club,
            also={k: round(v, 1) for k, v in result.also.items()},
        )
        self.journal.add(try_line(done))
        self.session = replace(self.session, tries=(*self.session.tries, done))
        self.told = self._words(result, told.show, guess)
        self._pending = None
        self._to("told")

    def _words(self, result: Result, show: bool, guess: str | None) -> Told:
        word, by = "", None
        if result.value_deg is not None and result.u95_deg is not None and self._band is not None:
            low, high = self._band
            word = verdict(low=low, high=high, value=result.value_deg, u95=result.u95_deg)
            if word == "below":
                by = low - (result.value_deg + result.u95_deg)
            elif word == "above":
                by = (result.value_deg - result.u95_deg) - high
        return Told(show, result.held, word, result.value_deg, result.u95_deg, by, guess, result.also)

    def _next(self) -> None:
        block = self.block
        assert self._block is not None
        assert block is not None
        if self.number > block.tries:
            self._close_block()
        else:
            self._begin_try()

    def _close_block(self) -> None:
        assert self._block is not None
        self.journal.add({"is": "block", "block": self._block, "at": self._stamp()})
        self.session = replace(self.session, finished_blocks=self.session.finished_blocks | {self._block})
        self._work, self._pending, self.told = None, None, None
        self._block = self._first_open()
        if self._block is None:
            self._finish("done")
        else:
            self._prepare()

    def _finish(self, why: str) -> None:
        if self.session.ended is None:
            self.journal.add({"is": "end", "why": why, "at": self._stamp()})
            self.session = replace(self.session, ended=why)
        self._work, self._alerts, self._pending = None, None, None
        self._to("done")

    def _to(self, stage: Stage) -> None:
        self.stage, self._stage_s = stage, self._t_s

    def _stamp(self) -> str:
        return self._now().isoformat()


def _r(x: float | None) -> float | None:
    return None if x is None or not math.isfinite(x) else round(float(x), 1)


def _shown_before(past: Sequence[Session]) -> dict[str, tuple[float, float]]:
    """The own painless range as it was last shown; after pain it is to be shown anew."""
    own: dict[str, tuple[float, float]] = {}
    for session in sorted(past, key=lambda s: s.began):
        own |= session.own_range
        if session.hurt is not None:
            own = {}
    return own
