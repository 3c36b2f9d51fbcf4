"""Virtual sensors: a recording, measured or simulated, played as if it were being taken now."""

from __future__ import annotations

import asyncio
import math
import time
from collections import deque
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Self

import numpy as np

from imu.errors import UsageError
from imu.readers.source import SILENT_AFTER_S, Chunk, Notice, SensorInfo, SensorStatus, State
from imu.recording import Recording, Role

PACKET_S = 0.025
"""Samples of so long share a packet: five at 200 Hz, as sensors over the air send them."""


@dataclass(frozen=True)
class Outage:
    """A time in which a virtual sensor is away, in seconds since the start: what it would have sent
    is lost."""

    role: Role
    start_s: float
    end_s: float


def chunks_of(recording: Recording, *, packet_s: float = PACKET_S) -> Iterator[Chunk]:
    """A recording as a live source would have given it: in the order of arrival.

    Every sensor's own clock starts at 0 with its first sample. A packet arrives when its last
    sample has been taken.
    """
    streams = recording.streams
    starts = {role: float(s.t_s[0]) for role, s in streams.items() if len(s)}
    edges: list[tuple[float, Role, int, int]] = []
    for role, start in starts.items():
        t = streams[role].t_s - start
        cuts = np.flatnonzero(np.diff(np.floor(t / packet_s + 1e-9)) > 0) + 1
        for i, j in zip([0, *cuts], [*cuts, len(t)], strict=True):
            edges.append((float(t[j - 1]), role, int(i), int(j)))
    for arrival, role, i, j in sorted(edges, key=lambda e: (e[0], e[1], e[2])):
        s = streams[role]
        yield Chunk(
            role=role,
            source=s.source,
            t_s=s.t_s[i:j] - starts[role],
            accel=s.accel[i:j],
            gyro=s.gyro[i:j],
            arrival_s=arrival,
            seq=None,
            lost=None,
            device_time=True,
        )


class ReplaySource:
    """Plays `recording` at `speed` times its pace; `speed=math.inf` as fast as it is taken.

    `loop` starts it again at its end, time going on; up to `skip_s` it is played without a pace, and
    `wait_for`, where it is set, is waited for before it goes on. A `Source`: see `imu.readers.source`.
    """

    def __init__(
        self,
        recording: Recording,
        *,
        speed: float = 1.0,
        packet_s: float = PACKET_S,
        loop: bool = False,
        skip_s: float = 0.0,
        outages: Sequence[Outage] = (),
        clock: Any = time.monotonic,
    ) -> None:
        if not speed > 0:
            raise UsageError(f"speed {speed:g}: must be above 0")
        self.recording, self.speed, self.loop = recording, speed, loop
        self._packet_s, self._outages, self._clock = packet_s, tuple(outages), clock
        self._opened = clock()
        self._skip_s = skip_s
        self.wait_for: Callable[[], Awaitable[None]] | None = None
        self._closed = False
        self._played_s = 0.0  # session time of what has been yielded
        self._counts = dict.fromkeys(recording.streams, 0)
        self._lost = dict.fromkeys(recording.streams, 0)
        self._last: dict[Role, float] = {}
        self._recent: dict[Role, deque[tuple[float, int]]] = {r: deque(maxlen=512) for r in recording.streams}
        self._away: dict[Role, bool] = dict.fromkeys(recording.streams, False)
        self.buzzed: list[tuple[float, Role, tuple[int, ...]]] = []

    @property
    def sensors(self) -> Mapping[Role, SensorInfo]:
        return {
            role: SensorInfo(s.source, s.accel_range, s.gyro_range, _rate(s.t_s), device="virtual sensor")
            for role, s in self.recording.streams.items()
        }

    def now_s(self) -> float:
        if math.isinf(self.speed) or self._played_s < self._skip_s:
            return self._played_s
        return float(self._clock() - self._opened) * self.speed

    def status(self) -> Mapping[Role, SensorStatus]:
        now = self.now_s()
        return {role: self._status(role, now) for role in self.recording.streams}

    def _status(self, role: Role, now: float) -> SensorStatus:
        last = self._last.get(role)
        state: State = "ended" if self._closed else "looking" if last is None else "on"
        if state == "on" and self._away[role]:
            state = "lost"
        recent = sum(n for at, n in self._recent[role] if now - at <= 3.0)
        return SensorStatus(
            role=role,
            name=self.recording.streams[role].source,
            state=state,
            samples=self._counts[role],
            lost=self._lost[role],
            rate_hz=recent / min(3.0, now) if recent and now > 0 else None,
            silent_s=None if last is None else max(0.0, now - last),
        )

    async def buzz(self, role: Role, pattern_ms: Sequence[int]) -> bool:
        """Nothing shakes; what would have is kept in `buzzed`."""
        self.buzzed.append((self.now_s(), role, tuple(pattern_ms)))
        return role in self.recording.streams

    async def __aenter__(self) -> Self:
        self._opened = self._clock()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._closed = True

    async def __aiter__(self) -> AsyncIterator[Chunk | Notice]:
        for role, s in self.recording.streams.items():
            yield Notice("on", role, f"{role} ({s.source}) plays {len(s)} samples of a recording", self.now_s())
        shift = 0.0
        seq = dict.fromkeys(self.recording.streams, 0)
        unsaid = dict.fromkeys(self.recording.streams, 0)  # lost since the last chunk of each sensor
        behind = 0
        while not self._closed:
            longest = 0.0
            for chunk in chunks_of(self.recording, packet_s=self._packet_s):
                at = chunk.arrival_s + shift
                longest = max(longest, float(chunk.t_s[-1]))
                # Without a pace the loop must still let others run.
                behind += 1
                if at >= self._skip_s and self.wait_for is not None:
                    ready, self.wait_for = self.wait_for, None
                    await ready()
                    self._opened = self._clock() - at / self.speed
                if at < self._skip_s:
                    self._opened = self._clock() - at / self.speed
                    await asyncio.sleep(0)
                elif not math.isinf(self.speed):
                    await asyncio.sleep(max(0.0, at / self.speed - (self._clock() - self._opened)))
                elif behind % 64 == 0:
                    await asyncio.sleep(0)
                if self._closed:
                    return
                role, n = chunk.role, len(chunk)
                self._played_s = max(self._played_s, at)
                for notice in self._outages_at(at):
                    yield notice
                first, seq[role] = seq[role], seq[role] + n
                if self._is_away(role, at):
                    unsaid[role] += n
                    self._lost[role] += n
                    continue
                self._counts[role] += n
                self._last[role] = at
                self._recent[role].append((at, n))
                yield Chunk(
                    role=role,
                    source=chunk.source,
                    t_s=chunk.t_s + shift,
                    accel=chunk.accel,
                    gyro=chunk.gyro,
                    arrival_s=at,
                    seq=np.arange(first, first + n, dtype=np.int64),
                    lost=unsaid[role],
                    device_time=True,
                )
                unsaid[role] = 0
            if not self.loop:
                break
            shift += longest + self._packet_s
        self._closed = True
        yield Notice("ended", None, "the recording is at its end", self.now_s())

    def _is_away(self, role: Role, at_s: float) -> bool:
        return any(o.role == role and o.start_s <= at_s < o.end_s for o in self._outages)

    def _outages_at(self, at_s: float) -> Iterator[Notice]:
        for role, was in self._away.items():
            name = self.recording.streams[role].source
            missing = any(o.role == role and o.start_s + SILENT_AFTER_S <= at_s < o.end_s for o in self._outages)
            if missing and not was:
                yield Notice("lost", role, f"{role} ({name}) lost its link; calling it back, the others go on", at_s)
            if was and not missing:
                yield Notice("back", role, f"{role} ({name}) is back", at_s)
            self._away[role] = missing


def _rate(t_s: np.ndarray) -> float | None:
    steps = np.diff(t_s)
    steps = steps[steps > 0]
    return float(1 / np.median(steps)) if len(steps) else None
