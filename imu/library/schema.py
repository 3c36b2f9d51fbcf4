"""What the library holds, as tables.

A student has lessons (a practice session is one of kind `practice`), a lesson has recordings, a
recording has swings. Raw samples stay in their folders, results of measuring are documents of
`cupbow.measure/1`. Every row of the coach's own has a random identity that stays the same in
every copy of the library, so that an archive can be read twice and nothing doubles.

Lengths are metres; instants are kept in UTC.
"""

from __future__ import annotations

import re
import uuid
from collections.abc import Mapping
from datetime import UTC, date, datetime
from typing import Any

from sqlalchemy import (
    JSON,
    BigInteger,
    CheckConstraint,
    Date,
    DateTime,
    ForeignKey,
    Index,
    MetaData,
    String,
    Table,
    Text,
)
from sqlalchemy.engine import Dialect
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column, relationship
from sqlalchemy.types import TypeDecorator

REVISIONS = ("0001", "0002", "0003", "0004")
"""Every schema that was ever released, oldest first; the last is the one described here."""

LESSON_KINDS = ("lesson", "practice")
STARTS = ("left", "straight", "right")
CURVES = ("left", "none", "right")
STRIKES = ("centre", "heel", "toe", "high", "low", "thin", "fat")
"""Where the ball met the face (heel, toe, high, low), or what the ground had of it (thin, fat)."""

IDENTITY = re.compile(r"[0-9a-f]{32}")


def new_id() -> str:
    return uuid.uuid4().hex


def now() -> datetime:
    return datetime.now(UTC)


class Instant(TypeDecorator[datetime]):
    """A moment, stored in UTC; SQLite, which knows no zones, gives it back in UTC all the same."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        if value.tzinfo is None:
            value = value.astimezone()  # a time without a zone is the clock on this machine's wall
        return value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is not None and value.tzinfo is None:
            return value.replace(tzinfo=UTC)
        return value


Document = JSON(none_as_null=True)


def _one_of(column: str, allowed: tuple[str, ...], name: str) -> CheckConstraint:
    return CheckConstraint(f"{column} IN ({', '.join(repr(a) for a in allowed)})", name=name)


class Base(DeclarativeBase):
    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_N_name)s",
            "fk": "fk_%(table_name)s_%(column_0_N_name)s",
            "pk": "pk_%(table_name)s",
            "ck": "ck_%(table_name)s_%(constraint_name)s",
        }
    )
    type_annotation_map = {datetime: Instant(), date: Date(), dict[str, Any]: Document, list[str]: Document}  # noqa: RUF012


class Entered(Base):
    """What the coach enters or corrects: every change of it goes to the journal."""

    __abstract__ = True

    id: Mapped[str] = mapped_column(String(32), primary_key=True, default=new_id)


class Student(Entered):
    __tablename__ = "students"
    __table_args__ = (_one_of("handedness", ("right", "left"), "handedness"),)

    coach: Mapped[str] = mapped_column(String(63), default="", index=True)  # the role on a shared server; else empty
    name: Mapped[str] = mapped_column(String(200))
    handedness: Mapped[str] = mapped_column(String(5))
    born_on: Mapped[date | None]
    guardian: Mapped[str] = mapped_column(String(200), default="")  # who consented, where the student is a minor
    consent_on: Mapped[date | None]
    clubs: Mapped[list[str]] = mapped_column(default=list)
    aims: Mapped[str] = mapped_column(Text, default="")
    notes: Mapped[str] = mapped_column(Text, default="")
    created_at: Mapped[datetime] = mapped_column(default=now)

    def age_on(self, day: date) -> int | None:
        if self.born_on is None:
            return None
        return day.year - self.born_on.year - ((day.month, day.day) < (self.born_on.month, self.born_on.day))

    def needs_consent(self, day: date, *, of_age: int = 18) -> bool:
        """A minor without a guardian's consent on file. Of age at 18 unless local law says otherwise."""
        age = self.age_on(day)
        return age is not None and age < of_age and self.consent_on is None


class Lesson(Entered):
    __tablename__ = "lessons"
    __table_args__ = (
        _one_of("kind", LESSON_KINDS, "kind"),
        Index("ix_lessons_student_id_held_at", "student_id", "held_at"),
    )

    student_id: Mapped[str] = mapped_column(ForeignKey("students.id"))
    kind: Mapped[str] = mapped_column(String(8), default="lesson")
    held_at: Mapped[datetime] = mapped_column(default=now)
    place: Mapped[str] = mapped_column(String(200), default="")
    thought: Mapped[str] = mapped_column(Text, default="")  # the one thought given
    notes: Mapped[str] = mapped_column(Text, default="")
    hurt: Mapped[str] = mapped_column(Text, default="", server_default="")  # "it hurts" was pressed: what was said
    created_at: Mapped[datetime] = mapped_column(default=now)

    student: Mapped[Student] = relationship()


class Recording(Entered):
    """A folder of samples as they came; its identity is also the folder's name."""

    __tablename__ = "recordings"
    __table_args__ = (
        _one_of("state", ("open", "kept"), "state"),
        _one_of("handedness", ("right", "left"), "handedness"),
    )

    lesson_id: Mapped[str] = mapped_column(ForeignKey("lessons.id"), index=True)
    state: Mapped[str] = mapped_column(String(4), default="kept")  # open: still being written
    sha256: Mapped[str | None] = mapped_column(String(64), index=True)  # of the samples as they came; none while open
    entry: Mapped[str] = mapped_column(
        String(255), default=""
    )  # the file to measure, where it is not the folder itself
    source: Mapped[str] = mapped_column(Text, default="")  # where it was copied from, on this machine
    recorded_at: Mapped[datetime | None]
    handedness: Mapped[str] = mapped_column(String(5))  # the golfer's, corrected here where the manifest is wrong
    club: Mapped[str] = mapped_column(String(100), default="")
    drill: Mapped[str] = mapped_column(String(100), default="")
    options: Mapped[dict[str, Any]] = mapped_column(default=dict)  # what measuring needs beside the files
    discarded: Mapped[str | None] = mapped_column(Text)  # why it counts for nothing; none: it counts
    bytes: Mapped[int] = mapped_column(BigInteger, default=0)
    added_at: Mapped[datetime] = mapped_column(default=now)

    lesson: Mapped[Lesson] = relationship()


class Swing(Entered):
    """A swing of a recording. What the coach says of it stands here; what was measured stands in
    `readings` and is made anew after an upgrade."""

    __tablename__ = "swings"
    __table_args__ = (
        Index("ix_swings_recording_id_number", "recording_id", "number"),
        _one_of("start", STARTS, "start"),
        _one_of("curve", CURVES, "curve"),
        _one_of("strike", STRIKES, "strike"),
        CheckConstraint("carry_m >= 0", name="carry"),
    )

    recording_id: Mapped[str] = mapped_column(ForeignKey("recordings.id"))
    number: Mapped[int | None]  # counts from 1; none: the newest measuring no longer finds it
    at_s: Mapped[
        float | None
    ]  # impact, else top, on the recording's clock: it tells the swing again when measured anew
    kind: Mapped[str] = mapped_column(String(7), default="full")
    ball: Mapped[bool | None]
    grade: Mapped[str] = mapped_column(String(4), default="")
    club: Mapped[str | None] = mapped_column(String(100))  # corrected; none: the recording's
    thought: Mapped[str | None] = mapped_column(Text)  # none: the lesson's
    left_out: Mapped[str | None] = mapped_column(Text)  # why it is left out of means; none: it counts
    start: Mapped[str | None] = mapped_column(String(8))
    curve: Mapped[str | None] = mapped_column(String(5))
    strike: Mapped[str | None] = mapped_column(String(6))
    carry_m: Mapped[float | None]

    recording: Mapped[Recording] = relationship()

    @property
    def said(self) -> bool:
        """Whether the coach said anything of this swing that would be lost with it."""
        return any(
            v is not None
            for v in (self.club, self.thought, self.left_out, self.start, self.curve, self.strike, self.carry_m)
        )


class Try(Entered):
    """One try of a drill, in a lesson or practice session."""

    __tablename__ = "tries"

    lesson_id: Mapped[str] = mapped_column(ForeignKey("lessons.id"), index=True)
    swing_id: Mapped[str | None] = mapped_column(ForeignKey("swings.id"))  # where the try was a swing
    drill: Mapped[str] = mapped_column(String(100))
    number: Mapped[int]  # counts from 1 within the drill
    at: Mapped[datetime] = mapped_column(default=now)
    angle: Mapped[str] = mapped_column(String(30), default="")
    event: Mapped[str] = mapped_column(String(60), default="")  # or "event..event" for a change
    value_deg: Mapped[float | None]
    u95_deg: Mapped[float | None]
    held: Mapped[bool | None]  # none: unsure
    shown: Mapped[bool] = mapped_column(default=False)  # whether the student saw how it was


class Picked(Entered):
    """The one change that a coach picked for a student, with its target band and its evidence as it was then."""

    __tablename__ = "picks"
    __table_args__ = (Index("ix_picks_student_id_picked_at", "student_id", "picked_at"),)

    student_id: Mapped[str] = mapped_column(ForeignKey("students.id"))
    club: Mapped[str] = mapped_column(String(100), default="")
    angle: Mapped[str] = mapped_column(String(30))
    event: Mapped[str] = mapped_column(String(60))  # or "event..event" for a change
    low_deg: Mapped[float]
    high_deg: Mapped[float]
    today_deg: Mapped[float | None]
    u95_deg: Mapped[float | None]  # of one reading
    thought: Mapped[str] = mapped_column(Text, default="")  # in the coach's words
    evidence: Mapped[dict[str, Any]] = mapped_column(default=dict)  # a candidate of cupbow.change/1
    plan: Mapped[str] = mapped_column(Text, default="")  # cupbow.plan/1, as the coach edited it; none: not proposed
    picked_at: Mapped[datetime] = mapped_column(default=now)
    dropped_at: Mapped[datetime | None]  # no longer the one change

    @property
    def key(self) -> str:
        return f"{self.angle}@{self.event}"


class MeasuredRecording(Base):
    """One measuring of a recording: by which code, calibration and bands."""

    __tablename__ = "measurements"
    __table_args__ = (
        _one_of("stage", ("provisional", "final"), "stage"),
        _one_of("place", ("now", "before"), "place"),
        Index("ix_measurements_recording_id_place", "recording_id", "place", unique=True),
    )

    id: Mapped[str] = mapped_column(String(32), primary_key=True, default=new_id)
    recording_id: Mapped[str] = mapped_column(ForeignKey("recordings.id"))
    stage: Mapped[str] = mapped_column(String(11), default="final")
    place: Mapped[str] = mapped_column(String(6), default="now")  # before: the one that this one took the place of
    code: Mapped[str] = mapped_column(String(50))
    calibration: Mapped[str] = mapped_column(String(100), default="")
    bands: Mapped[str] = mapped_column(String(100), default="")
    made_at: Mapped[datetime] = mapped_column(default=now)
    head: Mapped[dict[str, Any]]  # "recording" of cupbow.measure/1: sensors, warnings


class Reading(Base):
    """One swing as measured: an element of "swings" of cupbow.measure/1."""

    __tablename__ = "readings"

    measurement_id: Mapped[str] = mapped_column(ForeignKey("measurements.id"), primary_key=True)
    swing_id: Mapped[str] = mapped_column(ForeignKey("swings.id"), primary_key=True, index=True)
    document: Mapped[dict[str, Any]]


class Change(Base):
    """Something the coach did, so that it can be undone."""

    __tablename__ = "changes"

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=True)
    coach: Mapped[str] = mapped_column(String(63), default="")
    at: Mapped[datetime] = mapped_column(default=now)
    what: Mapped[str] = mapped_column(String(200))  # never a name
    undone_at: Mapped[datetime | None]


class ChangedRow(Base):
    """A row before and after a change; for an update only the columns that changed."""

    __tablename__ = "changed_rows"

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=True)
    change_id: Mapped[int] = mapped_column(ForeignKey("changes.id"), index=True)
    table_name: Mapped[str] = mapped_column(String(30))
    row_id: Mapped[str] = mapped_column(String(32), index=True)
    before: Mapped[dict[str, Any] | None] = mapped_column(Document)
    after: Mapped[dict[str, Any] | None] = mapped_column(Document)


class Trash(Base):
    """Folders whose rows are gone and that still have to be deleted, also after a crash."""

    __tablename__ = "trash"

    id: Mapped[str] = mapped_column(String(32), primary_key=True)
    coach: Mapped[str] = mapped_column(String(63), default="", server_default="")  # as that of students


class Note(Base):
    """What the library remembers of itself; on a shared server a key ends in the name of the coach."""

    __tablename__ = "library"

    key: Mapped[str] = mapped_column(String(50), primary_key=True)
    value: Mapped[str] = mapped_column(Text)


JOURNALLED: tuple[type[Entered], ...] = (Student, Lesson, Recording, Swing, Try, Picked)
"""Tables whose every change can be undone, parents first."""

ARCHIVED: tuple[type[Base], ...] = (*JOURNALLED, MeasuredRecording, Reading)
"""What an archive carries, parents first."""

# -- rows as plain data ----------------------------------------------------------------------------


def table_of(model: type[Base]) -> Table:
    table = model.__table__
    assert isinstance(table, Table)
    return table


def encode(value: Any) -> Any:
    """A column's value as JSON knows it."""
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat()
    if isinstance(value, date):
        return value.isoformat()
    return value


def decode(table: Table, row: Mapped[Any] | Mapping[str, Any]) -> dict[str, Any]:
    """The reverse of `encode` for a row's columns.

    Raises ValueError, with the column's name, for a value that the column cannot hold.
    """
    if not isinstance(row, Mapping):
        raise ValueError("a row is not a table of columns and values")
    out = {}
    for name, value in row.items():
        if not isinstance(name, str) or name not in table.c:
            raise ValueError(f"there is no column {str(name)[:40]!r}")
        out[name] = _decode_value(table.c[name], value)
    return out


def _decode_value(column: Any, value: Any) -> Any:
    if value is None:
        if not column.nullable:
            raise ValueError(f"{column.name} is missing")
        return None
    kind, name = column.type, column.name
    if isinstance(kind, Instant):
        moment = datetime.fromisoformat(_text(name, value, 40))
        if moment.tzinfo is None:
            raise ValueError(f"{name} has no time zone")
        return moment
    if isinstance(kind, Date):
        return date.fromisoformat(_text(name, value, 40))
    if isinstance(kind, JSON):
        if not isinstance(value, dict | list):
            raise ValueError(f"{name} is not a table or list")
        return value
    if isinstance(kind, String):
        text = _text(name, value, kind.length or 1_000_000)
        if (column.primary_key or column.foreign_keys) and not IDENTITY.fullmatch(text):
            raise ValueError(f"{name} is not an identity (32 hexadecimal digits)")
        return text
    expected = kind.python_type
    if expected is float and isinstance(value, int) and not isinstance(value, bool):
        value = float(value)
    if type(value) is not expected:
        raise ValueError(f"{name} is {type(value).__name__}, not {expected.__name__}")
    if expected is float and not abs(value) < 1e12:
        raise ValueError(f"{name} is not a finite number")
    if expected is int and not abs(value) < 2**53:
        raise ValueError(f"{name} is too large")
    return value


def _text(name: str, value: Any, longest: int) -> str:
    if not isinstance(value, str):
        raise ValueError(f"{name} is {type(value).__name__}, not text")
    if len(value) > longest:
        raise ValueError(f"{name} is longer than {longest} characters")
    if "\x00" in value:
        raise ValueError(f"{name} holds a zero character")
    return value
