"""Work that goes wrong in every way, in a module that a new process imports quickly."""

from __future__ import annotations

import os
import signal

from imu.errors import CupbowError


def mostly(task: tuple[int, str]) -> int:
    number, what = task
    if what == "dies":
        os.kill(os.getpid(), signal.SIGKILL)
    if what == "mend":
        raise CupbowError("forearm.csv line 3 is not a number")
    if what == "fault":
        raise KeyError("x")
    return number
