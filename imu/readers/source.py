"""What every live source yields: chunks of samples in SI, and notices of one line.

A source is anything that samples come from while they are being taken: sensors over Bluetooth
(`imu.readers.ble`), virtual sensors and recordings played again (`imu.readers.virtual`). All pass
one contract, written out in `Chunk`, so that what listens need not know which one it has:

    async with source:
        async for item in source:      # Chunk | Notice, until the source ends or is closed
            ...
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping, Sequence
from dataclasses import dataclass
from types import TracebackType
from typing import Literal, Protocol, Self

import numpy as np
from numpy.typing import NDArray

from imu.recording import Array, Role

SILENT_AFTER_S = 0.6
"""A sensor that has sent nothing for so long is named; the promise to the user is one second."""

LOW_BATTERY_PERCENT = 20

State = Literal["looking", "on", "silent", "lost", "refused", "ended"]


@dataclass(frozen=True, eq=False)
class Chunk:
    """Samples of one sensor that reached us together.

    `t_s` never decreases, within a chunk and from one chunk of a sensor to its next. It is the
    sensor's own clock, unwrapped, where the sensor sends one (`device_time`), set so that the
    first packet lies at its arrival; else it is the arrival, the same for all samples of a chunk.
    `seq` counts the samples of this sensor, lost ones included; `lost` are those missing directly
    before this chunk. Both are None where the sensor sends nothing that tells.
    """

    role: Role
    source: str  # the sensor's name, for messages
    t_s: Array  # (n,) seconds
    accel: Array  # (n, 3) specific force, m/s^2 (+g up at rest)
    gyro: Array  # (n, 3) rad/s
    arrival_s: float  # on the session's clock, seconds since the source was opened
    seq: NDArray[np.int64] | None = None
    lost: int | None = None
    device_time: bool = False

    def __len__(self) -> int:
        return len(self.t_s)


@dataclass(frozen=True)
class Notice:
    """Something that the user should know of, in one line that names the sensor."""

    kind: Literal["on", "silent", "lost", "back", "battery", "malformed", "clock", "doubtful", "refused", "ended"]
    role: Role | None
    text: str
    at_s: float  # on the session's clock


@dataclass(frozen=True)
class SensorInfo:
    """What a source knows of a sensor before its first sample."""

    name: str
    accel_range: float | None = None  # m/s^2
    gyro_range: float | None = None  # rad/s
    rate_hz: float | None = None  # nominal
    device: str | None = None  # the layout's name
    address: str | None = None


@dataclass(frozen=True)
class SensorStatus:
    """How a sensor is doing now."""

    role: Role
    name: str
    state: State
    samples: int = 0
    lost: int | None = None  # None: this sensor sends nothing that tells
    malformed: int = 0
    rate_hz: float | None = None  # as it arrives, over the last seconds
    battery_percent: int | None = None
    silent_s: float | None = None  # since the last sample


class Source(Protocol):
    """See the module's text. Closing is leaving the `async with`; iteration then ends."""

    @property
    def sensors(self) -> Mapping[Role, SensorInfo]: ...

    def now_s(self) -> float:
        """The session's clock: seconds since the source was opened."""
        ...

    def status(self) -> Mapping[Role, SensorStatus]: ...

    async def buzz(self, role: Role, pattern_ms: Sequence[int]) -> bool:
        """Vibrate: milliseconds on, off, on…; False where the sensor cannot, or is not there."""
        ...

    def __aiter__(self) -> AsyncIterator[Chunk | Notice]: ...

    async def __aenter__(self) -> Self: ...

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None: ...
