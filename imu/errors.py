"""What the user can mend, said in one line."""

from __future__ import annotations


class CupbowError(Exception):
    """A fault in the input that the user can mend.

    The message is one line that names the file, line, sensor or field and says what to do.
    Commands print it to standard error and leave with `exit_code`; nothing else is printed.
    """

    exit_code = 3

    def __init__(self, message: str) -> None:
        super().__init__(" ".join(str(message).split()))


class UsageError(CupbowError):
    """The command or call was used wrongly (exit code 2)."""

    exit_code = 2


class RecordingError(CupbowError):
    """A recording or manifest that cannot be read as what it claims to be."""
