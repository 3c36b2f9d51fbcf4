"""A live session in the library: what is recorded is filed under student, club and drill as it comes.

    ledger = Ledger(library)
    recorder = ledger.open(student_id=…, club="7-iron", drill="", sensors=source.sensors)
    …                                # samples go to the recorder
    recorder.close(); ledger.keep(recorder)
    ledger.store(recorder, measurement, stage="final")

A recording belongs to the student's lesson (or practice session) of the day. Whoever writes one holds
a lock beside it, so that what a killed program left is told from what another is writing now.
"""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from filelock import FileLock, Timeout
from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from imu.errors import CupbowError, UsageError
from imu.library import files, filing, finding
from imu.library.measuring import SHIPPED_BANDS, code_version
from imu.library.schema import Entered, Lesson, Recording, Student, now
from imu.library.schema import Try as FiledTry
from imu.library.store import CALIBRATION, Library
from imu.measured import Measurement
from imu.practice.journal import Try
from imu.readers.source import SensorInfo
from imu.recorder import Recorder
from imu.recording import Handedness, Role
from imu.saved_calibration import Calibration

Row = TypeVar("Row", bound=Entered)

_LOCK = ".writing.lock"
SAVED = "saved.json"


@dataclass(frozen=True)
class Golfer:
    """A student, as far as a live session needs to know."""

    id: str
    name: str
    handedness: Handedness
    clubs: tuple[str, ...]


class Ledger:
    """Files live recordings in a library. Calls take some milliseconds of the disk: use a thread."""

    def __init__(self, library: Library, *, kind: str = "lesson") -> None:
        self.library, self.kind = library, kind
        self._locks: dict[str, FileLock] = {}

    # -- who is there
    def golfers(self) -> list[Golfer]:
        """Everyone, who was seen last first."""
        return [self._golfer(line.student) for line in finding.students(self.library)]

    def golfer(self, student_id: str) -> Golfer:
        with self.library.read() as session:
            return self._golfer(_row(session, Student, student_id))

    def _golfer(self, student: Student) -> Golfer:
        used = finding.clubs_of(self.library, student_id=student.id)
        hand: Handedness = "left" if student.handedness == "left" else "right"
        return Golfer(student.id, student.name, hand, tuple(dict.fromkeys([*student.clubs, *used])))

    # -- recordings
    def open(
        self,
        *,
        student_id: str,
        sensors: Mapping[Role, SensorInfo],
        handedness: Handedness | None = None,
        club: str = "",
        drill: str = "",
        calibration: Calibration | None = None,
    ) -> Recorder:
        """A recorder into the library; without a handedness, the student's. `calibration` is kept beside the samples: with it they are
        measured later, where they hold no poses of their own."""
        golfer = self.golfer(student_id)
        lesson = self.lesson_of_today(student_id)
        row, folder = filing.open_recording(self.library, lesson_id=lesson.id, club=club, drill=drill)
        lock = FileLock(folder.parent / _LOCK, mode=0o600)
        lock.acquire(timeout=0)
        self._locks[row.id] = lock
        if calibration is not None:
            files.make_private(folder.parent / CALIBRATION)
            calibration.save(folder.parent / CALIBRATION / SAVED)
        facts = {"drill": drill} if drill else {}
        hand = handedness or golfer.handedness
        return Recorder(folder, handedness=hand, club=club or None, sensors=sensors, facts=facts)

    def lesson_of_today(self, student_id: str) -> Lesson:
        today = now().astimezone().date()
        for line in finding.lessons(self.library, student_id=student_id):
            if line.lesson.kind == self.kind and line.lesson.held_at.astimezone().date() == today:
                return line.lesson
        return filing.start_lesson(self.library, student_id, kind=self.kind)

    def lesson_id(self, recorder: Recorder) -> str:
        with self.library.read() as session:
            return _row(session, Recording, recording_id(recorder)).lesson_id

    def keep(self, recorder: Recorder) -> bool:
        """The recorder is closed: the recording is complete. False where nothing had come: then it is
        taken away again."""
        identity = recording_id(recorder)
        try:
            if not recorder.rows:
                _drop(self.library, identity)
                return False
            filing.keep_recording(self.library, identity)
            return True
        finally:
            self._free(identity)

    def _free(self, identity: str) -> None:
        lock = self._locks.pop(identity, None)
        if lock is not None:
            lock.release()
            with contextlib.suppress(OSError):
                Path(lock.lock_file).unlink()

    def store(self, recorder: Recorder, measurement: Measurement, *, stage: str) -> None:
        """What measuring gave: `provisional`, swing by swing as it was shown, or `final`. The final
        one takes the place of the provisional one, which is kept beside it."""
        identity = recording_id(recorder)
        with self.library.read() as session:
            row = _row(session, Recording, identity)
        saved = self.library.calibration_path(row)
        name = f"saved-{files.content_hash(saved)[:32]}" if saved else identity
        filing.store_measurement(
            self.library, identity, measurement, code=code_version(), calibration=name, bands=SHIPPED_BANDS, stage=stage
        )

    def note_try(self, recorder: Recorder, one: Try) -> None:
        """A try of a drill was done; noted twice it is there once."""
        filing.note_try(
            self.library,
            self.lesson_id(recorder),
            drill=one.drill,
            number=one.number,
            held=one.held,
            shown=one.shown or one.live,
            angle=one.angle,
            event=one.event,
            value_deg=one.value_deg,
            u95_deg=one.u95_deg,
            at=one.at,
            try_id=one.id,
        )

    def hurt(self, recorder: Recorder, what: str) -> None:
        """ "It hurts" was pressed: the lesson says so, and what."""
        filing.edit_lesson(self.library, self.lesson_id(recorder), changes={"hurt": what})


def _row(session: Session, model: type[Row], identity: str) -> Row:
    row = session.get(model, identity)
    if row is None:
        raise UsageError(f"there is no {model.__name__.lower()} {identity[:8]!r} in this library any more")
    return row


def recording_id(recorder: Recorder) -> str:
    """The library's name of the recording that a ledger's recorder writes."""
    return recorder.folder.parent.name


def being_written(library: Library, identity: str) -> bool:
    """Whether a living program writes this recording."""
    folder = library.folder_of(identity)
    if not folder.is_dir():
        return False
    try:
        with FileLock(folder / _LOCK, mode=0o600).acquire(timeout=0):
            return False
    except Timeout:
        return True
    except OSError:
        return False


def keep_left_open(library: Library) -> int:
    """Complete what a killed program left half-written; what a living one writes stays. Returns how many."""
    kept = 0
    for row in finding.left_open(library):
        lock = FileLock(library.folder_of(row.id) / _LOCK, mode=0o600)
        try:
            lock.acquire(timeout=0)
        except (Timeout, OSError):
            continue
        try:
            try:
                filing.keep_recording(library, row.id)
                kept += 1
            except CupbowError:  # nothing had come
                _drop(library, row.id)
        finally:
            lock.release()
            with contextlib.suppress(OSError):
                Path(lock.lock_file).unlink()
    return kept


def _drop(library: Library, identity: str) -> None:
    """Take away an open recording into which nothing came, and its lesson where that is empty too."""
    with library.write(None) as session:
        lesson_id = _row(session, Recording, identity).lesson_id
        session.execute(delete(Recording).where(Recording.id == identity))
        lesson = _row(session, Lesson, lesson_id)
        used = any(
            session.scalar(select(table.id).where(table.lesson_id == lesson_id).limit(1))
            for table in (Recording, FiledTry)
        )
        if not used and not (lesson.thought or lesson.notes or lesson.hurt):
            session.execute(delete(Lesson).where(Lesson.id == lesson_id))
    files.remove(library.folder_of(identity))
