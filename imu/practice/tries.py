"""A try under way, of each kind of drill: fed sample by sample, it says when it is over and how it was."""

from __future__ import annotations

import math
import statistics
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from imu.bands import verdict
from imu.practice.alerts import Cue
from imu.practice.drill import Drill
from imu.recording import EVENTS

if TYPE_CHECKING:
    from imu.measured import Swing

STILL_DPS = 20.0
MOVED_DPS = 40.0
STEADY_DEG = 6.0
LEVEL_DEG = 25.0  # as far as a shaft may be from level where a stop wants it level
LOWERED_DEG = -30.0  # a shaft below this hangs, or stands at address: it is not in the swing
_RAISED = EVENTS[EVENTS.index("shaft_level_back") : EVENTS.index("impact")]
RISEN_DEG = 30.0  # a shaft that is to come down to level has been above this before


@dataclass(frozen=True)
class Result:
    held: bool | None
    value_deg: float | None = None
    u95_deg: float | None = None
    also: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Sample:
    t_s: float
    value: float | None
    u95: float | None
    speed_dps: float
    shaft: float | None
    face: float | None


class Work:
    """A try under way. `before` says what the alerts are to be fed; `see` looks at the sample with the
    cue it gave, and returns the result once there is one."""

    cues = True  # whether this part of the try is steered at all
    where: Mapping[str, Any] = {}  # what a screen says of it: the stop, the end

    def before(self, sample: Sample) -> tuple[float | None, float | None]:
        return sample.value, sample.u95

    def see(self, sample: Sample, cue: Cue) -> Result | None:
        raise NotImplementedError

    def late(self) -> Result | None:
        """The time is over. None: nothing was read, and the try does not count."""
        return None


class Recent:
    """The readings of the last moments."""

    def __init__(self, seconds: float) -> None:
        self.seconds = seconds
        self._kept: deque[Sample] = deque()
        self._from_s: float | None = None
        self.moved = False

    def add(self, sample: Sample) -> None:
        if sample.speed_dps > MOVED_DPS:
            self.moved = True
        if sample.value is None:
            self.clear()
            return
        if self._from_s is None:
            self._from_s = sample.t_s
        self._kept.append(sample)
        while sample.t_s - self._kept[0].t_s > self.seconds:
            self._kept.popleft()

    def clear(self) -> None:
        self._kept.clear()
        self._from_s = None

    @property
    def whole(self) -> bool:
        return self._from_s is not None and bool(self._kept) and self._kept[-1].t_s - self._from_s >= self.seconds

    @property
    def steady(self) -> bool:
        values = [s.value for s in self._kept if s.value is not None]
        return self.whole and max(values) - min(values) <= STEADY_DEG and self.still

    @property
    def still(self) -> bool:
        return self.whole and max(s.speed_dps for s in self._kept) < STILL_DPS

    def median(self, name: str = "value") -> float | None:
        values = [v for s in self._kept if (v := getattr(s, name)) is not None]
        return float(statistics.median(values)) if values else None


def elsewhere(sample: Sample, event: str) -> bool:
    """Whether the club, where it wears a sensor, shows that this event's position is not taken."""
    return event.split("..")[0] in _RAISED and sample.shaft is not None and sample.shaft < LOWERED_DEG


def against(band: tuple[float, float], value: float, u95: float) -> Result:
    """Held, lost or unsure: the verdict of the whole interval."""
    word = verdict(low=band[0], high=band[1], value=value, u95=u95)
    return Result({"inside": True, "unsure": None}.get(word, False), value, u95)


def judged(recent: Recent, band: tuple[float, float]) -> Result | None:
    value, u95 = recent.median(), recent.median("u95")
    return None if value is None or u95 is None else against(band, value, u95)


class Hold(Work):
    """Held in the band for so long. Who holds it still elsewhere for twice as long has shown where it
    was. Without alerts it counts wherever it is held still for so long."""

    def __init__(self, drill: Drill, band: tuple[float, float], *, live: bool) -> None:
        self._band, self._live = band, live
        self._hold_s, self._event = drill.hold_s, drill.event
        self._elsewhere = False
        self._recent = Recent(drill.hold_s)
        self._still_since_s: float | None = None
        self._shown: Result | None = None  # where it was last held still

    @property
    def cues(self) -> bool:  # type: ignore[override]
        return not self._elsewhere

    def before(self, sample: Sample) -> tuple[float | None, float | None]:
        self._elsewhere = elsewhere(sample, self._event)
        return sample.value, sample.u95

    def see(self, sample: Sample, cue: Cue) -> Result | None:
        self._recent.add(sample)
        if self._elsewhere:
            self._recent.clear()
        if not self._recent.moved:
            return None  # the last try's position is left first
        if not self._recent.steady:
            self._still_since_s = None
            return None
        if self._still_since_s is None:
            self._still_since_s = sample.t_s
        self._shown = judged(self._recent, self._band)
        if not self._live or cue.held_s >= self._hold_s:
            return self._shown
        return self._shown if sample.t_s - self._still_since_s >= self._hold_s else None

    def late(self) -> Result | None:
        return self._shown


class Ends(Work):
    """The lower end, then the upper one; what shaft and face do between them is read out."""

    def __init__(
        self,
        drill: Drill,
        bands: tuple[tuple[float, float], tuple[float, float]],
        switch: Callable[[float, float], None],
    ) -> None:
        self._drill, self._bands, self._switch = drill, bands, switch
        self._found: list[tuple[float | None, ...]] = []
        self._recent = Recent(drill.hold_s)
        self._read = False
        switch(*bands[0])

    @property
    def where(self) -> Mapping[str, Any]:  # type: ignore[override]
        return {"end": "low" if not self._found else "high"}

    def see(self, sample: Sample, cue: Cue) -> Result | None:
        self._recent.add(sample)
        self._read = self._read or sample.value is not None
        if cue.held_s < self._drill.hold_s or not self._recent.whole:
            return None
        self._found.append(tuple(self._recent.median(name) for name in ("value", "shaft", "face")))
        self._recent.clear()
        if len(self._found) == 1:
            self._switch(*self._bands[1])
            return None
        also: dict[str, float] = {}
        (low, shaft_low, face_low), (high, shaft_high, face_high) = self._found
        for name, a, b in (("shaft_elevation", shaft_low, shaft_high), ("face_to_forearm", face_low, face_high)):
            if a is not None and b is not None and name != self._drill.angle:
                also[f"{name}_change"] = b - a
        if low is not None and high is not None:
            also |= {"low": low, "high": high}
        return Result(True, None, None, also)

    def late(self) -> Result | None:
        return Result(False) if self._read else None


class Slow(Work):
    """Stops in their order; the angle counts at the stop of the drill's event."""

    def __init__(self, drill: Drill, band: tuple[float, float]) -> None:
        self._drill, self._band = drill, band
        self._recent = Recent(drill.hold_s)
        self._at = 0
        self._result: Result | None = None

    @property
    def where(self) -> Mapping[str, Any]:  # type: ignore[override]
        return {"stop": self._drill.stops[min(self._at, len(self._drill.stops) - 1)], "stops": len(self._drill.stops),
                "at": self._at + 1}  # fmt: skip

    @property
    def cues(self) -> bool:  # type: ignore[override]
        return self._at < len(self._drill.stops) and self._drill.stops[self._at] == self._drill.event

    def see(self, sample: Sample, cue: Cue) -> Result | None:
        self._recent.add(sample)
        if not (self._recent.moved and self._recent.still):
            return None
        stop, shaft = self._drill.stops[self._at], self._recent.median("shaft")
        if elsewhere(sample, stop):
            return None
        if stop.startswith("shaft_level") and shaft is not None and abs(shaft) > LEVEL_DEG:
            return None  # not there yet
        if stop == self._drill.event:
            self._result = judged(self._recent, self._band)
            if self._result is None:
                return None
        self._at += 1
        self._recent = Recent(self._drill.hold_s)
        return self._result if self._at == len(self._drill.stops) else None

    def late(self) -> Result | None:
        return self._result


class Carry(Work):
    """From a stop at the top to shaft level: the change counts, not where it began."""

    def __init__(self, drill: Drill, band: tuple[float, float], shared_u95: float | None) -> None:
        self._drill, self._band, self._shared = drill, band, shared_u95
        self._recent = Recent(drill.hold_s)
        self._start: tuple[float, float] | None = None
        self._left = self._risen = False
        self._last: tuple[float, float] | None = None

    @property
    def where(self) -> Mapping[str, Any]:  # type: ignore[override]
        return {"carry": "set" if self._start is None else "down"}

    @property
    def cues(self) -> bool:  # type: ignore[override]
        return self._start is not None

    def before(self, sample: Sample) -> tuple[float | None, float | None]:
        if self._start is None or sample.value is None or sample.u95 is None:
            return sample.value, sample.u95
        change = sample.value - self._start[0]
        self._last = change, change_u95(self._start[1], sample.u95, self._shared)
        return self._last

    def see(self, sample: Sample, cue: Cue) -> Result | None:
        self._recent.add(sample)
        if self._start is None:
            if self._recent.moved and self._recent.still and not elsewhere(sample, self._drill.event):
                value, u95 = self._recent.median(), self._recent.median("u95")
                if value is not None and u95 is not None:
                    self._start = value, u95
                    self._recent = Recent(0.5)
            return None
        self._left = self._left or sample.speed_dps > MOVED_DPS
        if sample.shaft is not None:
            self._risen = self._risen or sample.shaft > RISEN_DEG
            there = self._left and self._risen and sample.shaft <= 8.0
        else:
            there = self._left and self._recent.still
        return self._end() if there else None

    def _end(self) -> Result | None:
        if self._last is None:
            return None
        return against(self._band, *self._last)

    def late(self) -> Result | None:
        return None


class Full(Work):
    """A full swing: its measured value counts, and comes after it."""

    cues = False

    def see(self, sample: Sample, cue: Cue) -> Result | None:
        return None

    def measured(self, swing: Swing, drill: Drill, band: tuple[float, float]) -> Result | None:
        value = (swing.changes if drill.is_change else swing.angles).get(drill.angle, {}).get(drill.event)
        if value is None or value.value_deg is None or value.u95_deg is None or swing.grade == "poor":
            return None
        return against(band, value.value_deg, value.u95_deg)


def change_u95(a: float, b: float, shared: float | None) -> float:
    """Expanded uncertainty of the change between two readings of one calibration: what they share (the
    pose's zero) cancels. Without knowing what they share, nothing cancels."""
    s = 0.0 if shared is None else shared
    return math.sqrt(max(a * a - s * s, 0.0) + max(b * b - s * s, 0.0))


class RangeWatch:
    """The student's own painless range, as far as they bend slowly: an end counts once it was held for a
    third of a second. Degrees."""

    HOLD_S = 0.3
    FASTEST_DPS = 150.0

    def __init__(self) -> None:
        self.low: float | None = None
        self.high: float | None = None
        self._recent: deque[tuple[float, float]] = deque()

    def see(self, t_s: float, value: float | None, speed_dps: float) -> None:
        if value is None or speed_dps > self.FASTEST_DPS:
            self._recent.clear()
            return
        self._recent.append((t_s, value))
        if t_s - self._recent[0][0] < self.HOLD_S:
            return
        inner_high, inner_low = min(v for _, v in self._recent), max(v for _, v in self._recent)
        self.high = inner_high if self.high is None else max(self.high, inner_high)
        self.low = inner_low if self.low is None else min(self.low, inner_low)
        while t_s - self._recent[0][0] >= self.HOLD_S:
            self._recent.popleft()

    @property
    def enough(self) -> bool:
        return self.low is not None and self.high is not None and self.low < -5.0 and self.high > 5.0
