"""Setting up before the first swing: which pose comes next, whether it was held, what to do.

The guide listens to the samples, says "hold still… got it" or who moved and when, and hands each pose
that was held to the session, which records it. It decides nothing of the calibration itself: that is
the fit's, over the poses it collected. Order, and why: club_square stands before club_hang (the face
is found by the one, the shaft by the other), the ruler's poses give the wrist's zero, two handshakes
show how well it repeats, slow bends and rolls give clocks, axes and skin slip.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from imu.readers.source import Chunk
from imu.recording import Array, Role

HOLD_S = 2.0
LIMIT_DPS = 4.0  # as imu.calibration counts stillness
_LEAVE_DPS = 25.0  # a new pose begins with a movement
_SPAN_S = 0.25
_STRIP_S = 2.0
_CYCLES = 3
_SLOWEST_DPS = 12.0


@dataclass(frozen=True)
class Step:
    """One step: a pose to be held, or a slow motion to be made. What is said of it is the screen's."""

    key: str
    pose: str | None  # the manifest's name; None for motions
    needs: tuple[Role, ...]  # sensors that must hold still, or that make the motion


STEPS: tuple[Step, ...] = (
    Step("club_square", "club_square", ("club",)),
    Step("club_hang", "club_hang", ("club",)),
    Step("hang", "hang", ("forearm", "hand")),
    Step("handshake", "handshake", ("forearm", "hand")),
    Step("handshake_2", "handshake", ("forearm", "hand")),
    Step("bends", None, ("hand",)),
    Step("rolls", None, ("forearm",)),
    Step("grip_flat", "grip_flat", ("forearm", "hand", "club")),
)


@dataclass
class _Motion:
    """Of one sensor: how much it turns, over the last moments."""

    mean: Array = field(default_factory=lambda: np.zeros(3))
    seen: int = 0
    recent: deque[tuple[float, Array]] = field(default_factory=lambda: deque(maxlen=400))
    rate_dps: float = 0.0
    up: Array = field(default_factory=lambda: np.zeros(3))


class Guide:
    """Walks through `STEPS` for the sensors that are there.

    `hold(name, start_s, end_s)` is called, on the session's clock, for every pose that was held.
    """

    def __init__(self, roles: set[Role], hold: Callable[[str, float, float], None]) -> None:
        self.steps = tuple(s for s in STEPS if set(s.needs) & roles)
        self.done: list[bool] = [False] * len(self.steps)
        self.index = 0
        self.finished = not self.steps
        self._roles, self._hold = roles, hold
        self._motion: dict[Role, _Motion] = {role: _Motion() for role in roles}
        self._ups: dict[str, dict[Role, Array]] = {}  # gravity in each pose, as each sensor saw it
        self._now_s = 0.0
        self._since_s: float | None = None  # still since
        self._left = True  # has moved since the last pose
        self._strip: deque[tuple[float, float]] = deque()
        self._turned: list[Array] = []
        self.moved: dict[str, Any] | None = None
        self.turns = 0
        self._begin(0)

    # -- what the user does
    def again(self) -> None:
        """Take this step anew."""
        self._begin(self.index)

    def skip(self) -> None:
        self._advance()

    def back(self) -> None:
        self.finished = False
        self._begin(max(0, self.index - 1))

    # -- samples in
    def feed(self, chunk: Chunk) -> None:
        if self.finished or chunk.role not in self._motion:
            return
        self._now_s = max(self._now_s, chunk.arrival_s)
        motion = self._motion[chunk.role]
        rates = np.degrees(chunk.gyro)
        for rate in rates:
            motion.recent.append((chunk.arrival_s, rate))
        while motion.recent and chunk.arrival_s - motion.recent[0][0] > _SPAN_S:
            motion.recent.popleft()
        window = np.array([r for _, r in motion.recent])
        mean, spread = window.mean(axis=0), float(np.sqrt(window.var(axis=0).sum()))
        if spread < LIMIT_DPS and np.linalg.norm(mean) < 12:  # what a sensor reads at rest is its bias
            share = 1 / min(motion.seen + 1, 40)
            motion.mean = motion.mean + share * (mean - motion.mean)
            motion.seen += 1
        motion.rate_dps = math.hypot(spread, float(np.linalg.norm(mean - motion.mean)))
        motion.up = chunk.accel.mean(axis=0)
        step = self.steps[self.index]
        if step.pose is None:
            self._turning(step, chunk)
        elif chunk.role in step.needs:
            self._holding(step)

    def _holding(self, step: Step) -> None:
        now = self._now_s
        worn = [role for role in step.needs if role in self._roles]
        worst = max(worn, key=lambda role: self._motion[role].rate_dps)
        rate = self._motion[worst].rate_dps
        self._strip.append((now, rate))
        while now - self._strip[0][0] > _STRIP_S:
            self._strip.popleft()
        if not self._left:
            self._left = rate > _LEAVE_DPS
            return
        if rate > LIMIT_DPS:
            if self._since_s is not None and now - self._since_s > 0.4:
                self.moved = {"role": worst, "after_s": round(now - self._since_s, 1)}
            self._since_s = None
            return
        if self._since_s is None:
            self._since_s = now
        if now - self._since_s >= HOLD_S:
            self.moved = None
            # the first moments still settle
            self._hold(str(step.pose), self._since_s + 0.2, now)
            self._ups[step.key] = {role: self._motion[role].up.copy() for role in worn}
            self._advance()

    def _turning(self, step: Step, chunk: Chunk) -> None:
        role = step.needs[0] if step.needs[0] in self._roles else next(iter(self._roles))
        if chunk.role != role:
            return
        motion = self._motion[role]
        self._strip.append((self._now_s, motion.rate_dps))
        while self._now_s - self._strip[0][0] > _STRIP_S:
            self._strip.popleft()
        self._turned.append(np.degrees(chunk.gyro).mean(axis=0) - motion.mean)
        turned = np.array(self._turned)
        if len(turned) < 20:
            return
        axis = np.linalg.svd(turned[-400:], full_matrices=False)[2][0]
        along = turned @ axis
        sign = np.sign(along) * (np.abs(along) > _SLOWEST_DPS)
        sign = sign[sign != 0]
        self.turns = int(np.count_nonzero(np.diff(sign))) if len(sign) else 0
        if self.turns >= 2 * _CYCLES - 1 and motion.rate_dps < 2 * LIMIT_DPS:
            self._advance()

    def _advance(self) -> None:
        self.done[self.index] = True
        if self.index + 1 >= len(self.steps):
            self.finished = True
            return
        self._begin(self.index + 1)

    def _begin(self, index: int) -> None:
        self.index = index
        self.moved, self.turns, self._since_s = None, 0, None
        self._left = index == 0  # the first pose may have been taken already
        self._strip.clear()
        self._turned.clear()

    # -- what is shown
    def checks(self) -> list[dict[str, str | bool | float]]:
        """What the poses that were held say of each other: `quarter_turn` (degrees between hang and
        handshake) and `together` (arm and hand turned alike)."""
        out: list[dict[str, str | bool | float]] = []
        hang, shake = self._ups.get("hang"), self._ups.get("handshake")
        if hang and shake:
            turned = {role: _angle_deg(hang[role], shake[role]) for role in hang if role in shake}
            if "forearm" in turned:
                near = abs(turned["forearm"] - 90) < 25
                out.append({"key": "quarter_turn", "ok": near, "deg": turned["forearm"]})
            if {"forearm", "hand"} <= set(turned):
                same = abs(turned["forearm"] - turned["hand"]) < 30
                out.append({"key": "together", "ok": same})
        return out

    def state(self) -> dict[str, Any]:
        step = self.steps[min(self.index, len(self.steps) - 1)] if self.steps else None
        held = 0.0 if self._since_s is None else min(HOLD_S, self._now_s - self._since_s)
        return {
            "finished": self.finished,
            "index": self.index,
            "steps": [{"key": s.key, "done": d} for s, d in zip(self.steps, self.done, strict=True)],
            "motion": bool(step and step.pose is None),
            "held_s": round(held, 2),
            "hold_s": HOLD_S,
            "turns": self.turns,
            "turns_wanted": 2 * _CYCLES,
            "moved": self.moved,
            "waiting": not self._left,
            "limit_dps": LIMIT_DPS,
            "strip": [[round(t - self._now_s, 2), round(min(r, 99.0), 1)] for t, r in list(self._strip)[::2]],
            "checks": self.checks(),
        }


def _angle_deg(a: Array, b: Array) -> float:
    cosine = float(a @ b) / (float(np.linalg.norm(a) * np.linalg.norm(b)) + 1e-12)
    return math.degrees(math.acos(max(-1.0, min(1.0, cosine))))
