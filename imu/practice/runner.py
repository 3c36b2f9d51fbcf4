"""A practice session over a live one: readings in as they come, cues out at once.

The decision is made when samples arrive, not when a screen is next drawn: what sounds and shakes does not
wait for pictures. Sensors' packets often come together: one is decided on once all sensors have sent, or
after `GATHER_S`. `late_ms` keeps how long each decision took from the arrival of the oldest sample that it
answers.
"""

from __future__ import annotations

import asyncio
import math
from collections import deque
from collections.abc import Callable
from typing import Any

from imu.live import LiveSession, Together
from imu.live_angles import Model, Reading
from imu.live_coach import LiveCoach, Measured
from imu.practice.alerts import STALE_S, Cue
from imu.practice.session import Practice
from imu.readers.source import Chunk, Notice
from imu.recording import Role

TICK_S = 0.1
_KEPT = 20_000
_SHAKERS: tuple[Role, ...] = ("hand", "forearm", "club")


class Runner:
    """Listens to a session after its coach does; `on_cue(cue)` is called for every decision, `on_state()`
    whenever what a screen should show has changed. Both on the event loop.

    Create it after the coach. `swung` is to be told of measured swings; who owns `coach.on_swing` calls it.
    """

    def __init__(
        self,
        practice: Practice,
        session: LiveSession,
        coach: LiveCoach,
        *,
        on_cue: Callable[[Cue], None] = lambda _: None,
        on_state: Callable[[], None] = lambda: None,
    ) -> None:
        self.practice, self.session, self.coach = practice, session, coach
        self.on_cue, self.on_state = on_cue, on_state
        self.late_ms: deque[float] = deque(maxlen=_KEPT)
        self.reading: Reading | None = None  # the newest
        self._stop = session.listen(self._hear)
        self._ticking: asyncio.Task[None] | None = None
        self._shaking: set[asyncio.Task[bool]] = set()
        self._model: Model | None = None
        self._together = Together(lambda oldest_s: self._decide(oldest_s))
        self._heard = -math.inf  # on the loop's clock
        self._shown: tuple[Any, ...] = ()

    def start(self) -> None:
        self._ticking = asyncio.get_running_loop().create_task(self._tick())

    async def close(self) -> None:
        self._stop()
        self._together.stop()
        for task in (*self._shaking, *([self._ticking] if self._ticking else [])):
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)

    def do(self, what: str, **fields: Any) -> bool:
        """A tap, as `Practice.do`; screens are told."""
        done = self.practice.do(what, **fields)
        self._changed()
        return done

    def swung(self, measured: Measured) -> None:
        if not measured.final:
            self.practice.swing(measured.swing)
            self._changed()

    # -- inside
    def _hear(self, item: Chunk | Notice) -> None:
        if not isinstance(item, Chunk) or self.coach.angles is None or self.coach.paused or self.coach.setting_up:
            return
        self._heard = asyncio.get_running_loop().time()
        self._together.heard(item)

    def _decide(self, oldest_s: float) -> None:
        angles = self.coach.angles
        reading = self.coach.reading()
        if reading is None or angles is None:
            return
        self.reading = reading
        if angles.model is not self._model:
            self._model = angles.model
            self.practice.shared_u95 = {name: math.degrees(1.96 * sd) for name, sd in self._model.sd.items()}
        self._out(self.practice.feed(reading))
        self.late_ms.append((self.session.source.now_s() - oldest_s) * 1000)

    async def _tick(self) -> None:
        while True:
            await asyncio.sleep(TICK_S)
            cue = self.practice.tick(self._now_s())
            if cue is not None:
                self._out(cue)
            else:
                self._changed()

    def _now_s(self) -> float:
        """The session's clock; samples that have just come are not stale because a replay lags behind it."""
        now = self.session.source.now_s()
        if asyncio.get_running_loop().time() - self._heard < STALE_S and self._together.seen:
            now = min(now, max(self._together.seen.values()) + 0.9 * STALE_S)
        return now

    def _out(self, cue: Cue) -> None:
        self.on_cue(cue)
        if "sensor" in cue.buzz_on:
            task = asyncio.get_running_loop().create_task(self._shake(cue.buzz_ms))
            self._shaking.add(task)
            task.add_done_callback(self._shaking.discard)
        self._changed()

    async def _shake(self, pattern_ms: tuple[int, ...]) -> bool:
        """The first sensor that can: that on the hand is felt best."""
        for role in _SHAKERS:
            if role in self.session.source.sensors and await self.session.source.buzz(role, pattern_ms):
                return True
        return False

    def _changed(self) -> None:
        p = self.practice
        shown = (p.stage, p.block, p.number, p.told, len(p.remarks), len(p.session.swings), p.journal.trouble, p.where)
        if shown != self._shown:
            self._shown = shown
            self.on_state()
