"""A student who practises, without sensors: readings as they would come, and taps. Nothing here is measured."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from imu.live_angles import Now, Reading
from imu.practice.alerts import Cue
from imu.practice.drill import Drill, Feedback, shipped
from imu.practice.plan import Block, Day, Pick, Plan, propose
from imu.practice.session import Practice
from imu.recording import Recording

PICK = Pick("wrist_flexion", "top", -12.0, 12.0, -24.0, 5.0, "Flatter at the top")
HZ = 50
STUDENT_ID = "0123456789abcdef" * 2


class Clock:
    """The wall's clock, as the test turns it."""

    def __init__(self, at: str = "2026-05-25T10:00:00+00:00") -> None:
        self.at = datetime.fromisoformat(at).astimezone(UTC)

    def __call__(self) -> datetime:
        self.at += timedelta(seconds=1)
        return self.at

    def forward(self, **more: float) -> None:
        self.at += timedelta(**more)


def plan_of(
    kind: str, *, tries: int = 3, feedback: Feedback | None = None, own: tuple[float, float] | None = (-55, 50)
) -> Plan:
    """A plan of one block of one drill."""
    made = propose(PICK, days=7, student="Juno", student_id=STUDENT_ID, handedness="left", plan_id="a" * 32)
    one = replace(made_drill(kind), tries=tries, rest_s=0.0)
    block = Block(one.name, tries, "learn", feedback or Feedback("every", ask=False))
    return replace(made, drills=(one,), days=(Day(1, 1, (block,)),), own_range={"wrist_flexion": own} if own else {})


def until(recording: Recording, seconds: float) -> Recording:
    """What had come after so many seconds."""
    streams = {}
    for role, s in recording.streams.items():
        n = int((s.t_s - s.t_s[0] < seconds).sum())
        streams[role] = replace(s, t_s=s.t_s[:n], accel=s.accel[:n], gyro=s.gyro[:n])
    return replace(recording, streams=streams)


def made_drill(kind: str) -> Drill:
    one = next(d for d in shipped() if d.kind == kind)
    return one if kind in ("ends", "carry") else one.with_band(PICK.low_deg, PICK.high_deg)


class Body:
    """A wrist, a club, and the time; every reading goes to the practice."""

    def __init__(self, practice: Practice) -> None:
        self.practice, self.t = practice, 0.0
        self.cues: list[Cue] = []
        self.each: Callable[[], None] = lambda: None

    def be(
        self,
        wrist: float | None,
        seconds: float,
        *,
        speed: float = 3.0,
        u95: float = 4.0,
        shaft: float | None = 40.0,
        face: float | None = 2.0,
        reason: str = "hand sensor lost",
    ) -> Cue:
        for _ in range(round(seconds * HZ)):
            self.t += 1 / HZ
            flexion = Now(None, None, reason) if wrist is None else Now(wrist, u95)
            angles = {
                "wrist_flexion": flexion,
                "wrist_deviation": flexion,
                "face_to_forearm": Now(None, None, "no club sensor") if face is None else Now(face, 4.0),
                "shaft_elevation": Now(None, None, "no club sensor") if shaft is None else Now(shaft, 2.0),
            }
            self.cues.append(self.practice.feed(Reading(self.t, self.t, angles, speed)))
            self.practice.tick(self.t)
            self.each()
        return self.cues[-1]

    def silence(self, seconds: float) -> None:
        """Nothing comes at all: only time goes on."""
        for _ in range(round(seconds * 10)):
            self.t += 0.1
            cue = self.practice.tick(self.t)
            if cue is not None:
                self.cues.append(cue)

    def go(self, wrist: float, seconds: float = 1.0, **more: float) -> Cue:
        """Move there: fast enough to have left, slow enough to be steered."""
        return self.be(wrist, seconds, speed=90.0, **more)


def ready(practice: Practice) -> Body:
    """Cautions read, and at the first drill."""
    assert practice.do("cautions_read")
    return Body(practice)


def opened(plan: Plan, folder: Path, clock: Clock | None = None) -> Practice:
    return Practice.open(plan, folder, now=clock or Clock())
