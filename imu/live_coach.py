"""What a live session says of the wrist and the swing: angles now, and each swing's numbers after it.

Angles now come from `imu.live_angles`. When the motion ends after a swing, the recording as it is at
that instant is measured by `imu.measuring.measure_recording`, the same that measures the folder later:
the numbers are provisional only in that later rests and swings may still sharpen them. Both fits run
in a process of their own, so that the samples never wait.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
import multiprocessing
import os
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field

import numpy as np

from imu.bands import Bands
from imu.errors import CupbowError
from imu.live import LiveSession
from imu.live_angles import LiveAngles, Model, Reading
from imu.measured import Measurement, Swing
from imu.readers.source import Chunk, Notice
from imu.recording import ANGLES, Recording, Role

SWING_PEAK_DPS = 150.0
"""A movement below is no swing worth measuring; `imu.swing` decides which of the others are."""
REST_DPS = 6.0
REST_S = 0.25


@dataclass(frozen=True)
class Measured:
    """A swing's numbers, measured at `cut_s` on the session's clock, `took_s` after its finish."""

    swing: Swing
    cut_s: float
    took_s: float
    final: bool = False
    changed: tuple[str, ...] = ()  # "wrist_flexion at top" …: what moved by more than its u95


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
    swings: list[Measured] = field(default_factory=list)
    paused: bool = False
    setting_up: bool = False  # movements between poses are no swings

    def __post_init__(self) -> None:
        self._watches: dict[Role, _Watch] = {}
        self._jobs: set[asyncio.Task[None]] = set()
        self._pool: ProcessPoolExecutor | None = None
        self._busy = asyncio.Lock()
        self._stop_listening = self.session.listen(self._hear)

    # -- samples
    def _hear(self, item: Chunk | Notice) -> None:
        if not isinstance(item, Chunk):
            return
        if self.angles is not None:
            self.angles.feed(item)
        ended = self._watches.setdefault(item.role, _Watch()).feed(item)
        if ended and item.role == self._primary() and not self.paused and not self.setting_up:
            self._start(self._measure(item.arrival_s))

    def _primary(self) -> Role:
        kept = self.session.kept
        return next((r for r in ("club", "hand", "forearm") if r in kept), "hand")  # type: ignore[return-value]

    def reading(self) -> Reading | None:
        return self.angles.reading() if self.angles is not None else None

    # -- fits, elsewhere
    def calibrate(self) -> asyncio.Task[None]:
        """Fit what was recorded so far, and follow from there."""
        return self._start(self._calibrate())

    async def _calibrate(self) -> None:
        recording = self.session.recording()
        try:
            async with self._busy:
                model = await self._elsewhere(fit_model, recording)
        except CupbowError as error:
            self.on_trouble(str(error))
            return
        if model is None:
            self.on_trouble("the poses were not enough to calibrate by; hold them again")
            return
        self.follow(model)

    def follow(self, model: Model) -> None:
        """Angles from this model on; what came in the last seconds sets the headings."""
        ranges = {role: info.gyro_range for role, info in self.session.source.sensors.items()}
        angles = LiveAngles(model, gyro_ranges=ranges)
        for chunk in self.session.last(30.0):
            angles.feed(chunk)
            angles.settle()
        self.angles = angles
        self.on_model(model)

    async def _measure(self, finish_s: float) -> None:
        asked = time.perf_counter()
        recording = self.session.recording(until_s=finish_s)
        try:
            async with self._busy:
                measurement = await self._elsewhere(measure_now, recording, self.bands)
        except CupbowError as error:
            self.on_trouble(str(error))
            return
        known = len(self.swings)
        for swing in measurement.swings[known:]:
            measured = Measured(swing, finish_s, time.perf_counter() - asked + REST_S)
            self.swings.append(measured)
            self.on_swing(measured)
        if len(measurement.swings) > known and known % 5 == 0:
            await self._calibrate()  # the first swing shows how the club is held, later ones sharpen it

    async def finish(self) -> Measurement | None:
        """The final pass over the whole recording: replaces the provisional numbers, and says which
        changed by more than their uncertainty."""
        recording = self.session.recording()
        if not recording.streams:
            return None
        try:
            async with self._busy:
                measurement = await self._elsewhere(measure_now, recording, self.bands)
        except CupbowError as error:
            self.on_trouble(str(error))
            return None
        for i, swing in enumerate(measurement.swings):
            before = next((m for m in self.swings if not m.final and same_swing(m.swing, swing)), None)
            changed = changes(before.swing, swing) if before else ()
            self.swings.append(Measured(swing, math.inf, 0.0, final=True, changed=changed))
            if changed:
                self.on_trouble(f"swing {i + 1}: {', '.join(changed)} changed by more than its uncertainty")
        return measurement

    async def close(self) -> None:
        self._stop_listening()
        for job in tuple(self._jobs):
            job.cancel()
        await asyncio.gather(*self._jobs, return_exceptions=True)
        if self._pool is not None:
            self._pool.shutdown(wait=False, cancel_futures=True)
            self._pool = None

    def warm(self) -> None:
        """Start the process now: its imports take a second that the first swing should not."""
        self._start(self._warm())

    async def _warm(self) -> None:
        await self._elsewhere(os.getpid)

    def _start(self, work: object) -> asyncio.Task[None]:
        job: asyncio.Task[None] = asyncio.get_running_loop().create_task(work)  # type: ignore[arg-type]
        self._jobs.add(job)
        job.add_done_callback(self._ended)
        return job

    def _ended(self, job: asyncio.Task[None]) -> None:
        self._jobs.discard(job)
        if not job.cancelled() and (error := job.exception()) is not None:
            self.on_trouble(
                f"a swing could not be measured ({type(error).__name__}: {error}); its samples are recorded"
            )

    async def _elsewhere(self, work, *args):  # type: ignore[no-untyped-def]
        if self._pool is None:
            context = multiprocessing.get_context("spawn")
            self._pool = ProcessPoolExecutor(1, mp_context=context, initializer=_be_quiet)
        return await asyncio.get_running_loop().run_in_executor(self._pool, work, *args)


def _be_quiet() -> None:
    """The samples come first: fits take what processor time they leave. Ctrl-C is the parent's."""
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with contextlib.suppress(OSError, AttributeError):
        os.nice(5)
    import imu.measuring  # noqa: F401


def measure_now(recording: Recording, bands: Bands | None = None) -> Measurement:
    from imu.measuring import measure_recording

    return measure_recording(recording, bands=bands)


def fit_model(recording: Recording) -> Model | None:
    from imu.measuring import fit_recording, prepare

    base = float(next(iter(recording.streams.values())).t_s[0])
    return Model.of(fit_recording(prepare(recording)), base_s=base)


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
