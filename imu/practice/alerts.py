"""What is shown, sounds and shakes: one decision for each reading, without memory of anything else.

`Alerts` is fed readings as they come and answers with a `Cue`. The word (`state`) changes only when
the reading has been elsewhere for 120 ms, with 1° of hysteresis, and at most twice a second, so that
nothing flashes and an edge does not chatter. Sound follows the reading itself: silent in the band,
silent where the uncertainty reaches across an edge, silent without a reading. Between takeaway and
finish nothing shows, sounds or shakes: no one can steer within a swing.

Low and high are the two sides of the band: cupped and bowed for the wrist's flexion.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass, field
from typing import Literal

from imu.errors import UsageError
from imu.practice.drill import CHANNELS

State = Literal["in", "low", "high", "unsure", "none", "quiet"]
Phase = Literal["drill", "swing", "covered", "idle"]
"""drill: cues go out; swing: between takeaway and finish; covered: the student swings first and is
told later, or not; idle: no try is running."""
Quality = Literal["ok", "stale", "clipped", "lost"]

SETTLE_S = 0.12
HYSTERESIS_DEG = 1.0
LEAST_BETWEEN_S = 0.5
STALE_S = 0.25

BUZZ_LOW_MS = (220,)
BUZZ_HIGH_MS = (70, 70, 70)  # on, off, on
BUZZ_HELD_MS = (30,)
BUZZ_LOST_MS = (300, 100, 100, 100, 300)


@dataclass(frozen=True)
class Tone:
    """What sounds now: pulses of a pitch."""

    hz: float
    pulses_per_s: float


@dataclass(frozen=True)
class Tones:
    """How the error is heard. Low side: low pulses, falling with the error; high side: high, rising.
    Pulses quicken too, so that pitch is not the only cue. The loudness stays as it is."""

    low_hz: tuple[float, float] = (440.0, 247.0)  # at the band's edge, and at `span_deg` or more
    high_hz: tuple[float, float] = (784.0, 1397.0)
    pulses_per_s: tuple[float, float] = (2.5, 9.0)
    span_deg: float = 20.0
    pulse_s: float = 0.06
    tick_hz: float = 1047.0
    tick_s: float = 0.03

    def at(self, error_deg: float) -> Tone | None:
        """For an error from the band's edge: negative on the low side, positive on the high one, 0 silent."""
        if not error_deg or not math.isfinite(error_deg):
            return None
        near, far = self.low_hz if error_deg < 0 else self.high_hz
        share = min(abs(error_deg) / self.span_deg, 1.0)
        slow, quick = self.pulses_per_s
        return Tone(near * (far / near) ** share, slow + (quick - slow) * share)


@dataclass(frozen=True)
class Cue:
    """What is to be shown, to sound and to shake from now on.

    `state` is the settled word; `board` what the board shows: the word, "covered", or "off" where that
    channel is off. `error_deg` runs from the interval's edge to the band's: negative on the low side,
    0 in the band or unsure. `tick` and `buzz_ms` are for once, now; `buzz_on` says who shakes.
    """

    at_s: float
    state: State
    board: str
    error_deg: float = 0.0
    tone: Tone | None = None
    tick: bool = False
    buzz_ms: tuple[int, ...] = ()
    buzz_on: tuple[str, ...] = ()
    held_s: float = 0.0  # for how long it has been in the band without a break
    changed: bool = False


@dataclass(eq=False)
class Alerts:
    """The state machine. Feed it in the order of time; it never looks at a clock."""

    low_deg: float
    high_deg: float
    channels: Collection[str] = ("board", "tone", "sensor")
    tones: Tones = field(default_factory=Tones)
    state: State = "none"

    def __post_init__(self) -> None:
        if not self.low_deg < self.high_deg:
            raise UsageError(f"a band from {self.low_deg:g} to {self.high_deg:g}: the lower edge comes first")
        unknown = sorted(set(self.channels) - set(CHANNELS))
        if unknown:
            raise UsageError(f"{unknown[0]!r} is no alert; known are {', '.join(CHANNELS)}")
        self._next: State = self.state
        self._since_s = -math.inf
        self._changed_s = -math.inf
        self._held_from_s: float | None = None

    def band(self, low_deg: float, high_deg: float) -> None:
        """Another band from now on: a word of the old one does not stand for it."""
        if not low_deg < high_deg:
            raise UsageError(f"a band from {low_deg:g} to {high_deg:g}: the lower edge comes first")
        if (low_deg, high_deg) != (self.low_deg, self.high_deg):
            self.low_deg, self.high_deg = low_deg, high_deg
            self.state, self._next, self._since_s = "none", "none", -math.inf
        self._held_from_s = None

    def feed(
        self,
        t_s: float,
        value_deg: float | None,
        u95_deg: float | None,
        *,
        phase: Phase = "drill",
        quality: Quality = "ok",
    ) -> Cue:
        """The decision for one reading at `t_s`, seconds on any one clock."""
        known = (
            quality == "ok"
            and value_deg is not None
            and u95_deg is not None
            and math.isfinite(value_deg)
            and math.isfinite(u95_deg)
        )
        raw: State
        if phase == "swing":
            raw = "quiet"
        elif not known:
            raw = "none"
        else:
            assert value_deg is not None
            assert u95_deg is not None
            raw = self._judge(value_deg, u95_deg)
        if raw != self._next:
            self._next, self._since_s = raw, t_s
        before = self.state
        if raw == "quiet":
            self.state = raw  # a swing has begun: at once, whatever was shown
        elif raw != self.state:
            waited = raw == "none" or t_s - self._since_s >= SETTLE_S
            if waited and t_s - self._changed_s >= LEAST_BETWEEN_S:
                self.state = raw
        changed = self.state != before
        if changed:
            self._changed_s = t_s
        held_s = self._hold(t_s, raw)
        return self._cue(t_s, value_deg, u95_deg, before, changed, known, held_s, phase, quality)

    def _judge(self, value: float, u95: float) -> State:
        """The verdict of the whole interval; what stands holds on for a degree past its edge."""
        bottom, top = value - u95, value + u95
        if self.state == "low" and top < self.low_deg + HYSTERESIS_DEG:
            return "low"
        if self.state == "high" and bottom > self.high_deg - HYSTERESIS_DEG:
            return "high"
        if self.state == "in" and bottom >= self.low_deg - HYSTERESIS_DEG and top <= self.high_deg + HYSTERESIS_DEG:
            return "in"
        if top < self.low_deg:
            return "low"
        if bottom > self.high_deg:
            return "high"
        return "in" if bottom >= self.low_deg and top <= self.high_deg else "unsure"

    def _hold(self, t_s: float, raw: State) -> float:
        if raw == "in" or (raw == "unsure" and self.state == "in" and self._held_from_s is not None):
            self._held_from_s = t_s if self._held_from_s is None else self._held_from_s
            return t_s - self._held_from_s
        self._held_from_s = None
        return 0.0

    def _cue(
        self,
        t_s: float,
        value: float | None,
        u95: float | None,
        before: State,
        changed: bool,
        known: bool,
        held_s: float,
        phase: Phase,
        quality: Quality,
    ) -> Cue:
        speaks = phase == "drill"
        error = 0.0
        if known and phase != "swing" and value is not None and u95 is not None:
            if value + u95 < self.low_deg:
                error = value + u95 - self.low_deg
            elif value - u95 > self.high_deg:
                error = value - u95 - self.high_deg
        sounds = speaks and "tone" in self.channels and known and self.state == ("low" if error < 0 else "high")
        entered = changed and self.state == "in"
        buzz: tuple[int, ...] = ()
        if changed and speaks:
            buzz = {"low": BUZZ_LOW_MS, "high": BUZZ_HIGH_MS, "in": BUZZ_HELD_MS}.get(self.state, ())
            if self.state == "none" and quality == "lost":
                buzz = BUZZ_LOST_MS
        on = tuple(c for c in ("sensor", "phone") if buzz and c in self.channels)
        return Cue(
            at_s=t_s,
            state=self.state,
            board="off" if "board" not in self.channels else self.state if speaks or phase == "swing" else "covered",
            error_deg=error,
            tone=self.tones.at(error) if sounds else None,
            tick=entered and speaks and "tone" in self.channels,
            buzz_ms=buzz if on else (),
            buzz_on=on,
            held_s=held_s,
            changed=changed,
        )


@dataclass(eq=False)
class SwingWatch:
    """Tells, sample by sample, whether a swing is under way: from when the fastest sensor leaves
    `starts_dps` until it has been below `ends_dps` for `calm_s`. A pause at the top is shorter.

    For full swings the first movement counts (the takeaway's own threshold, 6 deg/s, is crossed by
    any tremble; a waggle is silent too). In slow drills only what is too fast to be steered is.
    """

    starts_dps: float = 200.0
    ends_dps: float = 15.0
    calm_s: float = 0.6
    swinging: bool = False
    _calm_from_s: float | None = None

    @classmethod
    def for_kind(cls, kind: str) -> SwingWatch:
        return cls(starts_dps=25.0) if kind == "full" else cls()

    def feed(self, t_s: float, speed_dps: float) -> bool:
        if not self.swinging:
            if speed_dps > self.starts_dps:
                self.swinging, self._calm_from_s = True, None
        elif speed_dps > self.ends_dps:
            self._calm_from_s = None
        elif self._calm_from_s is None:
            self._calm_from_s = t_s
        elif t_s - self._calm_from_s >= self.calm_s:
            self.swinging = False
        return self.swinging
