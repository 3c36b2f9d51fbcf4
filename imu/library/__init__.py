"""The library: students, lessons and practice sessions, recordings, swings.

`Library.open` gives the store; what can be done with it is in the modules beside it:

    filing     add, move, correct, split, merge, leave out, outcomes
    finding    who is there, and what
    remeasure  measure anew after an upgrade, and say what moved
    archive    export and import
    forget     delete a student wholly
"""

from imu.library.store import Library

__all__ = ["Library"]
