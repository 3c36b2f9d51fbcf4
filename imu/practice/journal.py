"""The file of a practice session: one JSON object a line, appended as it is done (`cupbow.practice/1`).

Each line is on the disk before the next try begins. A file that was cut at any byte is read up to its
last whole line, and written on from there. It is what goes home to the coach.
"""

from __future__ import annotations

import json
import os
import uuid
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from imu.errors import RecordingError
from imu.practice.plan import WEEK_SWINGS, Plan

SCHEMA = "cupbow.practice/1"
SUFFIX = ".practice.jsonl"
SIDES = ("low", "in", "high")


@dataclass(frozen=True)
class Try:
    """A try as it was done. `held`: None where the uncertainty reaches across an edge."""

    id: str
    block: int
    drill: str
    purpose: str
    number: int  # counts from 1 within its drill, over the whole session
    at: datetime
    angle: str
    event: str
    value_deg: float | None
    u95_deg: float | None
    held: bool | None
    live: bool  # alerts ran while it lasted
    shown: bool  # the number was shown after it
    silent: bool  # it measures what stays
    guess: str | None = None  # low, in or high: the student's own estimate
    guess_deg: float | None = None
    club: str = ""
    also: Mapping[str, float] = field(default_factory=dict)  # what else was read out, degrees


@dataclass(frozen=True)
class Session:
    """A session as its file has it."""

    id: str
    plan_id: str
    student: str
    student_id: str
    handedness: str
    club: str
    day: int
    began: datetime
    tries: tuple[Try, ...] = ()
    swings: tuple[datetime, ...] = ()
    hurt: str | None = None  # what was said when it hurt; None: it did not
    ended: str | None = None  # done, stopped, hurt; None: it was cut short, or goes on
    own_range: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    finished_blocks: frozenset[int] = frozenset()
    unread: int = 0  # lines that could not be read

    @property
    def silent_share(self) -> float | None:
        """Of the sure tries that measure what stays, the share held; None without one."""
        sure = [t.held for t in self.tries if t.silent and t.held is not None]
        return sum(sure) / len(sure) if sure else None

    def of_block(self, block: int) -> tuple[Try, ...]:
        return tuple(t for t in self.tries if t.block == block)


class Journal:
    """The session's file, appended line by line."""

    def __init__(self, path: Path | str) -> None:
        self.path = Path(path)
        self.trouble: str | None = None

    @classmethod
    def begin(cls, folder: Path | str, plan: Plan, *, day: int, began: datetime) -> tuple[Journal, Session]:
        """A new session's file in a folder, which is made."""
        identity = uuid.uuid4().hex
        folder = Path(folder)
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise RecordingError(f"{folder}: cannot be made ({error.strerror}); choose another place") from None
        journal = cls(folder / f"{began:%Y-%m-%d}-{identity[:8]}{SUFFIX}")
        head = {
            "schema": SCHEMA,
            "id": identity,
            "plan": plan.id,
            "student": plan.student,
            "student_id": plan.student_id,
            "handedness": plan.handedness,
            "club": plan.club,
            "day": day,
            "began": began.isoformat(),
        }
        journal.add(head)
        if journal.trouble:
            raise RecordingError(journal.trouble)
        return journal, _head(head, str(journal.path))

    def add(self, line: Mapping[str, Any]) -> None:
        """One line, on the disk when this returns. A disk that is full is said once; practice goes on."""
        data = json.dumps(line, ensure_ascii=False, allow_nan=False).encode() + b"\n"
        try:
            with self.path.open("ab", buffering=0) as file:
                if file.tell() > 0 and not _ends_whole(self.path):
                    data = b"\n" + data  # what was cut off stays as it is, on a line of its own
                done = file.write(data)
                while done < len(data):
                    done += file.write(data[done:])
                os.fsync(file.fileno())
        except OSError as error:
            self.trouble = self.trouble or f"{self.path}: cannot be written any more ({error.strerror}); make room"


def _ends_whole(path: Path) -> bool:
    with path.open("rb") as file:
        file.seek(-1, os.SEEK_END)
        return file.read(1) == b"\n"


def read(path: Path | str) -> Session:
    """A session from its file, up to where it was cut. Raises RecordingError in one line."""
    file = Path(path)
    try:
        lines = file.read_bytes().split(b"\n")
    except OSError as error:
        raise RecordingError(f"{file}: cannot be read ({error.strerror}); name the session's file") from None
    found: list[dict[str, Any]] = []
    unread = 0
    for raw in lines:
        if not raw.strip():
            continue
        try:
            line = json.loads(raw)
        except ValueError:  # not JSON, or not UTF-8: a line that was cut
            unread += 1
            continue
        if isinstance(line, dict):
            found.append(line)
    if not found or found[0].get("schema") != SCHEMA:
        raise RecordingError(f"{file}: is not the file of a practice session ({SCHEMA}), or was cut before it began")
    session = _head(found[0], str(file))
    tries: dict[str, Try] = {}
    swings: list[datetime] = []
    own: dict[str, tuple[float, float]] = {}
    finished: set[int] = set()
    hurt, ended = None, None
    for n, line in enumerate(found[1:], 2):
        try:
            what = line.get("is")
            if what == "try":
                one = _try(line)
                tries[one.id] = one
            elif what == "swing":
                swings.append(datetime.fromisoformat(line["at"]))
            elif what == "range":
                own[str(line["angle"])] = (float(line["low"]), float(line["high"]))
            elif what == "block":
                finished.add(int(line["block"]))
            elif what == "hurt":
                hurt = " ".join(part for part in (hurt, str(line.get("what", ""))) if part)
            elif what == "end":
                ended = str(line.get("why", "done"))
            elif what == "on":
                ended = None
        except (KeyError, TypeError, ValueError) as error:
            raise RecordingError(
                f"{file}: entry {n}: {error!r} is wrong or missing; take the file as it was written"
            ) from None
    return replace(
        session,
        tries=tuple(tries.values()),
        swings=tuple(swings),
        hurt=hurt,
        ended=ended,
        own_range=own,
        finished_blocks=frozenset(finished),
        unread=unread,
    )


def sessions_in(folder: Path | str) -> list[Session]:
    """The sessions in a folder, in the order of time; files that were cut before they began are left out."""
    out = []
    for path in sorted(Path(folder).glob(f"*{SUFFIX}")):
        try:
            out.append(read(path))
        except RecordingError:
            continue
    return sorted(out, key=lambda s: s.began)


def unfinished(folder: Path | str, plan: Plan) -> list[tuple[Path, Session]]:
    """The sessions of a plan that were cut short, in the order of time."""
    out = []
    for path in Path(folder).glob(f"*{SUFFIX}"):
        try:
            session = read(path)
        except RecordingError:
            continue
        if session.plan_id == plan.id and session.ended is None and session.hurt is None:
            out.append((path, session))
    return sorted(out, key=lambda one: one[1].began)


def is_session_file(path: Path | str) -> bool:
    return str(path).endswith(SUFFIX)


def _head(head: Mapping[str, Any], where: str) -> Session:
    try:
        identity = str(head["id"])
        if len(identity) != 32 or not set(identity) <= set("0123456789abcdef"):
            raise ValueError("id is not 32 hexadecimal digits")
        return Session(
            id=identity,
            plan_id=str(head["plan"]),
            student=str(head.get("student", "")),
            student_id=str(head.get("student_id", "")),
            handedness=str(head["handedness"]),
            club=str(head.get("club", "")),
            day=int(head["day"]),
            began=datetime.fromisoformat(head["began"]),
        )
    except (KeyError, TypeError, ValueError) as error:
        raise RecordingError(f"{where}: its first line is not that of a practice session ({error})") from None


def _try(line: Mapping[str, Any]) -> Try:
    held = line["held"]
    if held is not None and not isinstance(held, bool):
        raise ValueError("held")
    value, u95 = (None if line[k] is None else float(line[k]) for k in ("value", "u95"))
    for x in (value, u95):
        if x is not None and not abs(x) < 1e4:
            raise ValueError("value")
    at = datetime.fromisoformat(line["at"])
    if at.tzinfo is None:
        raise ValueError("at")
    return Try(
        id=str(line["id"]),
        block=int(line["block"]),
        drill=str(line["drill"])[:100],
        purpose=str(line["purpose"]),
        number=int(line["number"]),
        at=at,
        angle=str(line["angle"]),
        event=str(line["event"]),
        value_deg=value,
        u95_deg=u95,
        held=held,
        live=bool(line["live"]),
        shown=bool(line["shown"]),
        silent=bool(line["silent"]),
        guess=line.get("guess") if line.get("guess") in SIDES else None,
        guess_deg=None if line.get("guess_deg") is None else float(line["guess_deg"]),
        club=str(line.get("club", "")),
        also={str(k): float(v) for k, v in dict(line.get("also", {})).items()},
    )


# -- how much was swung ----------------------------------------------------------------------------
@dataclass(frozen=True)
class Load:
    """Full swings today and over the last seven days, and from where on a week is warned of."""

    today: int
    week: int
    week_most: int = WEEK_SWINGS

    @property
    def too_much(self) -> bool:
        return self.week > self.week_most


def load_of(sessions: Iterable[Session], *, now: datetime, week_most: int = WEEK_SWINGS) -> Load:
    """Counted from what cupbow saw: swings without sensors are not in it."""
    today = now.astimezone().date()
    days = [(today - at.astimezone().date()).days for s in sessions for at in s.swings]
    return Load(sum(d == 0 for d in days), sum(0 <= d < 7 for d in days), week_most)


def try_line(one: Try) -> dict[str, Any]:
    return {
        "is": "try",
        "id": one.id,
        "block": one.block,
        "drill": one.drill,
        "purpose": one.purpose,
        "number": one.number,
        "at": one.at.isoformat(),
        "angle": one.angle,
        "event": one.event,
        "value": one.value_deg,
        "u95": one.u95_deg,
        "held": one.held,
        "live": one.live,
        "shown": one.shown,
        "silent": one.silent,
        "guess": one.guess,
        "guess_deg": one.guess_deg,
        "club": one.club,
        "also": dict(one.also),
    }
