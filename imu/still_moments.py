"""Still moments of a recording, for someone who was there to say which poses they were.

A manifest marks poses, and slow forearm rolls after them give some away (`imu.calibration.find_poses`);
of any other still moment only who was there knows what was held.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from imu import calibration as cal
from imu.recording import Pose, Recording

SHORTEST_S = 0.8
MOST = 24
NO_POSE = "none"


@dataclass(frozen=True)
class Still:
    """A stretch in which all sensors were still, in seconds as poses are given."""

    start_s: float
    end_s: float
    pose: str | None = None  # what the motion shows it to be

    @property
    def key(self) -> str:
        """Calls it among the others of the recording."""
        return f"{self.start_s:.2f}"


def still_moments(recording: Recording) -> tuple[Still, ...]:
    """The longest still stretches, in their order; poses that are marked are disregarded."""
    from imu.preparing import prepare

    prepared = prepare(replace(recording, poses=()))
    first = prepared.sensors[recording.first_role]
    still = prepared.calm[recording.first_role].still.copy()
    for role, samples in prepared.sensors.items():
        at = np.rint((first.t_s - samples.start_s) / samples.period_s).astype(int)
        on = (at >= 0) & (at < len(samples))
        still &= on & prepared.calm[role].still[np.clip(at, 0, len(samples) - 1)]
    found = [
        (max(0.0, first.start_s + lo * first.period_s), first.start_s + (hi - 1) * first.period_s)
        for lo, hi in cal.runs(still, max(3, round(SHORTEST_S / first.period_s)))
    ]
    longest = sorted(sorted(found, key=lambda run: run[0] - run[1])[:MOST])
    held_at = [(hold.t_s, hold.name) for hold in prepared.holds]
    return tuple(
        Still(round(lo, 3), round(hi, 3), next((name for t, name in held_at if lo <= t <= hi), None))
        for lo, hi in longest
    )


def named(moments: tuple[Still, ...], said: Mapping[str, str]) -> tuple[Pose, ...]:
    """The poses that were named, by the moments' keys, with those that the motion shows and nobody denied
    (`NO_POSE`). Empty where nothing was said: then measuring looks for itself."""
    if not any(said.get(one.key) for one in moments):
        return ()
    poses = ((one, said.get(one.key) or one.pose or NO_POSE) for one in moments)
    return tuple(Pose(name, one.start_s, one.end_s) for one, name in poses if name != NO_POSE)
