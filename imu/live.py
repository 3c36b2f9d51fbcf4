"""A live session: whatever the source, its samples are recorded, kept, and handed on.

    async with source:
        session = LiveSession(source, handedness="right")
        session.record(Recorder(folder, handedness="right", sensors=source.sensors))
        await session.run()

Listeners are called for every chunk and notice, on the event loop; what takes time belongs in a
thread. `session.recording()` is what the folder would give if it were read at that instant, to the
last bit, so that measuring now and measuring the file later are one computation.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from imu.readers.source import Chunk, Notice, Source
from imu.recorder import Recorder, rounded
from imu.recording import ROLES, Array, Handedness, Pose, Recording, Role, Stream

_SETTLE_S = 1.0

Listener = Callable[[Chunk | Notice], None]


class Kept:
    """The samples of one sensor so far, in arrays that grow."""

    def __init__(self) -> None:
        self.n = 0
        self._rows = np.empty((4096, 8))  # t, accel, gyro, arrival

    def add(self, chunk: Chunk) -> None:
        n, m = self.n, len(chunk)
        if n + m > len(self._rows):
            grown = np.empty((2 * (n + m), 8))
            grown[:n] = self._rows[:n]
            self._rows = grown
        rows = self._rows[n : n + m]
        rows[:, 0], rows[:, 1:4], rows[:, 4:7], rows[:, 7] = chunk.t_s, chunk.accel, chunk.gyro, chunk.arrival_s
        self.n = n + m

    @property
    def t_s(self) -> Array:
        return self._rows[: self.n, 0]

    @property
    def accel(self) -> Array:
        return self._rows[: self.n, 1:4]

    @property
    def gyro(self) -> Array:
        return self._rows[: self.n, 4:7]

    @property
    def arrival_s(self) -> Array:
        return self._rows[: self.n, 7]

    def between(self, since_s: float, until_s: float) -> slice:
        """The samples that arrived from one time to another on the session's clock, both included."""
        start = int(np.searchsorted(self.arrival_s, since_s, side="left"))
        return slice(start, int(np.searchsorted(self.arrival_s, until_s, side="right")))

    def since(self, arrival_s: float) -> slice:
        """The samples that arrived after a time on the session's clock."""
        return slice(int(np.searchsorted(self.arrival_s, arrival_s, side="right")), self.n)


@dataclass(frozen=True)
class HeldPose:
    """A calibration pose on the session's clock."""

    name: str
    start_s: float
    end_s: float


class LiveSession:
    """Takes a source's samples: keeps them, records them, tells listeners."""

    def __init__(self, source: Source, *, handedness: Handedness, club: str | None = None) -> None:
        self.source, self.handedness, self.club = source, handedness, club
        self.kept: dict[Role, Kept] = {}
        self.poses: list[HeldPose] = []
        self.recorder: Recorder | None = None
        self.started_s = 0.0  # session time from which the present recording runs
        self._listeners: list[Listener] = []
        self._trouble_said: str | None = None

    # -- what listens
    def listen(self, listener: Listener) -> Callable[[], None]:
        """Have every chunk and notice told; returns what ends it."""
        self._listeners.append(listener)
        return lambda: self._listeners.remove(listener) if listener in self._listeners else None

    # -- recordings
    def record(self, recorder: Recorder | None) -> Recorder | None:
        """Record into another folder from now on (the next club, the next student), or nowhere.

        What was open is completed and returned. The samples kept in memory start anew; poses that
        were held go with the old recording unless `keep_poses` hands them on.
        """
        before, self.recorder = self.recorder, recorder
        if before is not None:
            before.close()
        self.kept, self.poses = {}, []
        self.started_s = self.source.now_s()
        if recorder is not None:
            self.handedness, self.club = recorder.handedness, recorder.club
        return before

    def hold(self, name: str, start_s: float, end_s: float) -> None:
        """A calibration pose was held, on the session's clock."""
        self.poses.append(HeldPose(name, start_s, end_s))
        if self.recorder is not None:
            self.recorder.pose(name, start_s, end_s)

    def retake(self, name: str) -> None:
        """The last pose of this name is not to count."""
        for held in reversed(self.poses):
            if held.name == name:
                self.poses.remove(held)
                if self.recorder is not None:
                    self.recorder.forget_pose(held.name, held.start_s)
                return

    def recording(self, *, since_s: float = -math.inf, until_s: float = math.inf) -> Recording:
        """What has come from `since_s` up to `until_s` on the session's clock, as a recording.

        Equal, to the last bit, to reading the folder cut there. A cut at the beginning leaves the
        poses out: a calibration stands for them.
        """
        streams: dict[Role, Stream] = {}
        infos = self.source.sensors
        for role in sorted(self.kept, key=ROLES.index):
            kept = self.kept[role]
            part = kept.between(since_s, until_s)
            if part.start >= part.stop:
                continue
            info = infos.get(role)
            streams[role] = Stream(
                role=role,
                t_s=kept.t_s[part].copy(),
                accel=kept.accel[part].copy(),
                gyro=kept.gyro[part].copy(),
                source=f"{role}.csv",
                accel_range=_written(info.accel_range if info else None),
                gyro_range=_written(info.gyro_range if info else None),
            )
        return Recording(
            streams=streams,
            handedness=self.handedness,
            club=self.club,
            poses=() if math.isfinite(since_s) else self._own_poses(streams),
            path=self.recorder.folder if self.recorder else None,
        )

    def cut_offset_s(self, since_s: float) -> float:
        """By how much a recording cut there begins later, on the clock on which its events are told."""
        first = next((r for r in ROLES if r in self.kept), None)
        if first is None or not math.isfinite(since_s):
            return 0.0
        kept = self.kept[first]
        part = kept.between(since_s, math.inf)
        return float(kept.t_s[part.start] - kept.t_s[0]) if part.start < kept.n else 0.0

    def _own_poses(self, streams: Mapping[Role, Stream]) -> tuple[Pose, ...]:
        if not streams:
            return ()
        first = next(iter(streams))
        kept = self.kept[first]
        # The packet that came first fixes where the sensor's clock lies on the session's.
        packet = int(np.searchsorted(kept.arrival_s, kept.arrival_s[0], side="right"))
        shift = float(kept.arrival_s[0] - kept.t_s[packet - 1] + kept.t_s[0])
        end = float(streams[first].t_s[-1] - streams[first].t_s[0])
        out = []
        for held in self.poses:
            start_s, end_s = (round(max(0.0, x - shift), 3) for x in (held.start_s, held.end_s))
            if start_s < end:
                out.append(Pose(held.name, start_s, end_s))
        return tuple(out)

    def last(self, seconds: float) -> list[Chunk]:
        """What arrived over the last `seconds`, as it came."""
        out = []
        for role, kept in self.kept.items():
            part = kept.since(self.source.now_s() - seconds)
            arrivals = kept.arrival_s[part]
            edges = np.flatnonzero(np.diff(arrivals)) + 1
            for i, j in zip([0, *edges], [*edges, len(arrivals)], strict=True):
                if j > i:
                    k = slice(part.start + i, part.start + j)
                    chunk = Chunk(role, role, kept.t_s[k], kept.accel[k], kept.gyro[k], float(arrivals[i]))
                    out.append(chunk)
        return sorted(out, key=lambda chunk: chunk.arrival_s)

    # -- the run
    async def run(self) -> None:
        """Until the source ends or is closed. The recording is completed whatever happens."""
        settling = asyncio.create_task(self._settle())
        try:
            async for item in self.source:
                self._take(item)
        finally:
            settling.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await settling
            if self.recorder is not None:
                await asyncio.to_thread(self.recorder.close)

    def _take(self, item: Chunk | Notice) -> None:
        if isinstance(item, Chunk):
            item = rounded(item)
            if self.recorder is not None:
                self.recorder.write(item)
                if self.recorder.trouble and self.recorder.trouble != self._trouble_said:
                    self._trouble_said = self.recorder.trouble
                    self._tell(Notice("doubtful", None, self.recorder.trouble, item.arrival_s))
            self.kept.setdefault(item.role, Kept()).add(item)
        elif self.recorder is not None:
            self.recorder.note(item)
        self._tell(item)

    def _tell(self, item: Chunk | Notice) -> None:
        for listener in tuple(self._listeners):
            listener(item)

    async def _settle(self) -> None:
        while True:
            await asyncio.sleep(_SETTLE_S)
            if self.recorder is not None:
                await asyncio.to_thread(self.recorder.settle)


class Together:
    """Calls `ready(oldest_s)` once every sensor that is there has sent, or a moment after the first did:
    packets often come together, and one decision serves them all. `oldest_s` is the arrival of the
    oldest sample that has waited. On the event loop."""

    WAIT_S = 0.004
    FRESH_S = 0.25

    def __init__(self, ready: Callable[[float], None]) -> None:
        self.seen: dict[Role, float] = {}  # when each sensor last sent
        self._ready = ready
        self._sent: set[Role] = set()
        self._oldest_s = 0.0
        self._timer: asyncio.TimerHandle | None = None

    def heard(self, chunk: Chunk) -> None:
        self.seen[chunk.role] = chunk.arrival_s
        if not self._sent:
            self._oldest_s = chunk.arrival_s
        self._sent.add(chunk.role)
        if all(role in self._sent for role, at in self.seen.items() if chunk.arrival_s - at < self.FRESH_S):
            self._go()
        elif self._timer is None:
            self._timer = asyncio.get_running_loop().call_later(self.WAIT_S, self._go)

    def _go(self) -> None:
        self.stop()
        self._sent.clear()
        self._ready(self._oldest_s)

    def stop(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None


def _written(full_scale: float | None) -> float | None:
    return None if full_scale is None else float(f"{full_scale:.6f}")
