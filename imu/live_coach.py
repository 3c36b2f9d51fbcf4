"""What a live session says of the wrist and the swing: angles now, and each swing's numbers after it.

Angles now come from `imu.live_angles`. When the motion ends after a swing, the stretch of the recording
round it is measured by `imu.measuring.measure_recording`, with the calibration found so far: the same
that measures the folder later. The numbers are provisional in that later rests and swings may still
sharpen them; `finish` measures the whole recording once more and says what changed by more than its
uncertainty. Fits run in processes of their own, so that the samples never wait.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
import multiprocessing
import os
import time
from collections import deque
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from imu.bands import Bands
from imu.errors import CupbowError
from imu.live import LiveSession
from imu.live_angles import LiveAngles, Model, Reading
from imu.measured import Measurement, Swing
from imu.readers.source import Chunk, Notice
from imu.recording import ANGLES, Recording, Role

if TYPE_CHECKING:
    from imu.saved_calibration import Calibration

SWING_PEAK_DPS = 150.0
"""A movement below is no swing worth measuring; `imu.swing` decides which of the others are."""
REST_DPS = 6.0
REST_S = 0.25
BEFORE_S = 12.0
LEAST_S = 6.0
"""A swing is measured with so much of what came before its finish, at most and at least: its address, and a
rest."""
_RECENT_S = 30.0  # of samples that set a new model's headings
_SLICE_S = 0.002
REFIT_AFTER = (1, 5, 20)
"""Swings after which the calibration is fitted anew: the first shows how the club is held, later ones
sharpen it less and less."""


@dataclass(frozen=True)
class Measured:
    """A swing's numbers, `took_s` after its finish. They are what measuring the recording cut to what
    arrived from `from_s` to `cut_s` on the session's clock gives, with `calibration`; event times count
    from the recording's beginning."""

    swing: Swing
    cut_s: float
    took_s: float
    from_s: float = -math.inf
    calibration: Calibration | None = None
    final: bool = False
    changed: tuple[str, ...] = ()  # "wrist flexion at top" …: what moved by more than its u95


@dataclass
class _Watch:
    """Sees the end of a movement in one sensor."""

    speed: float = 0.0
    peak: float = 0.0
    calm_since_s: float | None = None

    def feed(self, chunk: Chunk) -> bool:
        """Whether a movement fast enough to be a swing has just come to rest."""
        for row in np.degrees(np.linalg.norm(chunk.gyro, axis=1)):
            self.speed += 0.15 * (float(row) - self.speed)
        self.peak = max(self.peak, self.speed)
        # What is left of the gyro's bias must not keep a resting club awake.
        if self.speed > REST_DPS + 4.0:
            self.calm_since_s = None
            return False
        if self.calm_since_s is None:
            self.calm_since_s = chunk.arrival_s
        if self.peak > SWING_PEAK_DPS and chunk.arrival_s - self.calm_since_s >= REST_S:
            self.peak = 0.0
            return True
        return False


@dataclass(eq=False)
class LiveCoach:
    """Listens to a session. `on_swing(measured)` and `on_model(model)` are called on the loop."""

    session: LiveSession
    bands: Bands | None = None
    on_swing: Callable[[Measured], None] = lambda _: None
    on_model: Callable[[Model], None] = lambda _: None
    on_trouble: Callable[[str], None] = lambda _: None
    angles: LiveAngles | None = None
    swings: list[Measured] = field(default_factory=list)  # of the present recording
    calibration: Calibration | None = None  # the best so far, for what comes next
    brought: Calibration | None = None  # what the present recording began with, where it has no poses
    paused: bool = False
    setting_up: bool = False  # movements between poses are no swings

    def __post_init__(self) -> None:
        self._watches: dict[Role, _Watch] = {}
        self._jobs: set[asyncio.Task[Any]] = set()
        # A swing's numbers never wait for a long fit.
        self._pools: dict[str, ProcessPoolExecutor] = {}
        self._last: Measurement | None = None
        self._recent: deque[Chunk] = deque()
        self._waiting: deque[Chunk] | None = None  # what a new model has still to catch up with
        self._stop_listening = self.session.listen(self._hear)

    # -- samples
    def _hear(self, item: Chunk | Notice) -> None:
        if not isinstance(item, Chunk):
            return
        if self.angles is not None:
            self.angles.feed(item)
        if self._waiting is not None:
            self._waiting.append(item)
        self._recent.append(item)
        while item.arrival_s - self._recent[0].arrival_s > _RECENT_S:
            self._recent.popleft()
        ended = self._watches.setdefault(item.role, _Watch()).feed(item)
        if ended and item.role == self._primary() and not self.paused and not self.setting_up:
            self._start(self._measure(item.arrival_s))

    def _primary(self) -> Role:
        kept = self.session.kept
        return next((r for r in ("club", "hand", "forearm") if r in kept), "hand")  # type: ignore[return-value]

    def reading(self) -> Reading | None:
        return self.angles.reading() if self.angles is not None else None

    # -- recordings
    def begin(self, *, keep_calibration: bool) -> None:
        """Another recording has begun. Where the straps stay on, the calibration serves on."""
        self.swings, self._last = [], None
        self.brought = self.calibration if keep_calibration else None
        if not keep_calibration:
            self.calibration, self.angles, self._waiting = None, None, None
            self._recent.clear()

    # -- fits, elsewhere
    def calibrate(self) -> asyncio.Task[None]:
        """Fit what was recorded so far, and follow from there."""
        return self._start(self._calibrate())

    async def _calibrate(self) -> None:
        recording, swings = self.session.recording(), self.swings
        try:
            found = await self._elsewhere("fit", fit_session, recording, self.brought)
        except CupbowError as error:
            self.on_trouble(str(error))
            return
        if found is None:
            self.on_trouble("the poses were not enough to calibrate by; hold them again")
            return
        if swings is not self.swings:  # another recording has begun meanwhile
            return
        model, self.calibration = found
        await self._follow(model)

    def follow(self, model: Model) -> asyncio.Task[None]:
        """Angles from this model on."""
        return self._start(self._follow(model))

    async def _follow(self, model: Model) -> None:
        """What came in the last seconds sets the headings. Samples that come meanwhile do not wait: what was
        followed before goes on until the new model has caught up, a few milliseconds at a time."""
        ranges = {role: info.gyro_range for role, info in self.session.source.sensors.items()}
        angles = LiveAngles(model, gyro_ranges=ranges)
        waiting = self._waiting = deque(self._recent)
        slices = 0
        while waiting and self._waiting is waiting:
            until = time.perf_counter() + _SLICE_S * (1 + slices / 100)  # it catches up with any pace
            while waiting and time.perf_counter() < until:
                angles.feed(waiting.popleft())
                angles.settle()
            slices += 1
            await asyncio.sleep(0)
        if self._waiting is not waiting:  # overtaken by a later model, or by another recording
            return
        self._waiting, self.angles = None, angles
        self.on_model(model)

    async def _measure(self, finish_s: float) -> None:
        asked, swings = time.perf_counter(), self.swings
        calibration = self.calibration
        # Without a calibration only the whole recording, with its poses, can be measured.
        from_s = -math.inf if calibration is None else self._cut_from(finish_s)
        recording = self.session.recording(since_s=from_s, until_s=finish_s)
        offset = self.session.cut_offset_s(from_s)
        try:
            measurement = await self._elsewhere("swing", measure_now, recording, self.bands, calibration)
        except CupbowError as error:
            self.on_trouble(str(error))
            return
        if swings is not self.swings:
            return
        before, self._last = len(self.swings), measurement
        for swing in measurement.swings:
            swing = moved(swing, offset)
            if any(same_swing(known.swing, swing) for known in self.swings):
                continue
            measured = Measured(
                replace(swing, index=len(self.swings) + 1),
                finish_s,
                time.perf_counter() - asked + REST_S,
                from_s=from_s,
                calibration=calibration,
            )
            self.swings.append(measured)
            self.on_swing(measured)
        if any(before < n <= len(self.swings) for n in REFIT_AFTER):
            await self._calibrate()

    def shown(self) -> Measurement | None:
        """The present recording's swings as they were shown, as one measurement."""
        swings = tuple(m.swing for m in self.swings if not m.final)
        return replace(self._last, swings=swings) if self._last is not None and swings else None

    def _cut_from(self, finish_s: float) -> float:
        """From the rest after the swing before, but not further back than `BEFORE_S`."""
        rest = max((m.cut_s for m in self.swings), default=-math.inf) - 0.8 * REST_S
        return max(finish_s - BEFORE_S, min(rest, finish_s - LEAST_S))

    async def finish(
        self, recording: Recording, swings: list[Measured], brought: Calibration | None = None
    ) -> Measurement | None:
        """The final pass over a recording that has ended: its numbers are added to the `swings` that were
        shown, with what changed by more than its uncertainty."""
        if not recording.streams:
            return None
        try:
            measurement: Measurement = await self._elsewhere("fit", measure_now, recording, self.bands, brought)
        except CupbowError as error:
            self.on_trouble(str(error))
            return None
        shown = [m for m in swings if not m.final]
        for swing in measurement.swings:
            before = next((m for m in shown if same_swing(m.swing, swing)), None)
            changed = changes(before.swing, swing) if before else ()
            swings.append(Measured(swing, math.inf, 0.0, calibration=brought, final=True, changed=changed))
        return measurement

    async def close(self) -> None:
        self._stop_listening()
        for job in tuple(self._jobs):
            job.cancel()
        await asyncio.gather(*self._jobs, return_exceptions=True)
        for pool in self._pools.values():
            pool.shutdown(wait=False, cancel_futures=True)
        self._pools = {}

    def warm(self) -> None:
        """Start the processes now: their imports take a second that the first swing should not."""
        for pool in ("swing", "fit"):
            self._start(self._warm(pool))

    async def _warm(self, pool: str) -> None:
        await self._elsewhere(pool, os.getpid)

    def _start(self, work: Any) -> asyncio.Task[None]:
        job: asyncio.Task[None] = asyncio.get_running_loop().create_task(work)
        self._jobs.add(job)
        job.add_done_callback(self._ended)
        return job

    def _ended(self, job: asyncio.Task[None]) -> None:
        self._jobs.discard(job)
        if not job.cancelled() and (error := job.exception()) is not None:
            self.on_trouble(
                f"a swing could not be measured ({type(error).__name__}: {error}); its samples are recorded"
            )

    async def _elsewhere(self, pool: str, work: Callable[..., Any], *args: Any) -> Any:
        if pool not in self._pools:
            context = multiprocessing.get_context("spawn")
            self._pools[pool] = ProcessPoolExecutor(
                1, mp_context=context, initializer=_be_quiet, initargs=(2 if pool == "swing" else 8,)
            )
        return await asyncio.get_running_loop().run_in_executor(self._pools[pool], work, *args)


def _be_quiet(nice: int) -> None:
    """The samples come first: fits take what processor time they leave. Ctrl-C is the parent's."""
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with contextlib.suppress(OSError, AttributeError):
        os.nice(nice)
    import imu.measuring  # noqa: F401


def measure_now(
    recording: Recording, bands: Bands | None = None, calibration: Calibration | None = None
) -> Measurement:
    """`measure_recording`, as a process takes it. Where the poses lie in the recording, they count."""
    from imu.measuring import measure_recording

    return measure_recording(recording, bands=bands, calibration=calibration)


def fit_session(recording: Recording, brought: Calibration | None = None) -> tuple[Model, Calibration] | None:
    """The model to follow the samples by, and the calibration to measure the next swings with."""
    from threadpoolctl import threadpool_limits

    from imu.fitting import fit_recording
    from imu.preparing import prepare
    from imu.saved_calibration import Calibration

    base = float(next(iter(recording.streams.values())).t_s[0])
    with threadpool_limits(limits=1):
        fitted = fit_recording(prepare(recording, brought))
    model = Model.of(fitted, base_s=base)
    if model is None or not model.mount:
        return None
    return model, Calibration.of(fitted, handedness=recording.handedness, club=recording.club)


def fit_model(recording: Recording) -> Model | None:
    found = fit_session(recording)
    return found[0] if found else None


def moved(swing: Swing, seconds: float) -> Swing:
    """The swing with its events so much later; its trace is left behind."""
    events = {k: replace(e, t_s=None if e.t_s is None else e.t_s + seconds) for k, e in swing.events.items()}
    return replace(swing, events=events, trace=None)


def same_swing(a: Swing, b: Swing) -> bool:
    tops = a.events["top"].t_s, b.events["top"].t_s
    return tops[0] is not None and tops[1] is not None and abs(tops[0] - tops[1]) < 0.5


def changes(before: Swing, after: Swing) -> tuple[str, ...]:
    """Which values of a swing moved by more than the uncertainty that was given with them."""
    out = []
    for angle in ANGLES:
        for event, old in before.angles.get(angle, {}).items():
            new = after.angles.get(angle, {}).get(event)
            if new is None or old.value_deg is None or new.value_deg is None or old.u95_deg is None:
                continue
            if abs((new.value_deg - old.value_deg + 180) % 360 - 180) > old.u95_deg:
                out.append(f"{angle} at {event}".replace("_", " "))
    return tuple(out)
