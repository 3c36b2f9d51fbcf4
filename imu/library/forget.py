"""Deleting a student wholly, and proving it by looking for the name in every byte that is left."""

from __future__ import annotations

import json
import mmap
import sqlite3
import unicodedata
from collections.abc import Iterator, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from imu.errors import UsageError
from imu.library import files
from imu.library.filing import drop_measured
from imu.library.schema import Change, ChangedRow, Lesson, Note, Picked, Recording, Student, Swing, Trash, Try
from imu.library.store import STORE, Library

OUT_OF_REACH = (
    "archives, letters, plans and pictures that were exported, printed or sent",
    "the folders from which recordings were added",
    "what calls the student by another name, such as a letter to a nickname",
    "backups and snapshots that the machine or a service made of the library's folder",
    "parts of the disk that were freed, until they are written over",
)
SERVER_OUT_OF_REACH = (
    "the database server's own logs, write-ahead log, replicas and dumps: ask whoever runs it",
    "rows that the server has marked as deleted, until its next VACUUM",
)


FEW, PREFIX = 20, 4  # up to so many needles, one search after the other is quicker
MIX = np.uint32(2654435761)  # Knuth, The Art of Computer Programming vol. 3, 6.4: multiplicative hashing

LETTERS = "letters"
"""What a folder of letters is called, wherever it lies."""


@dataclass(frozen=True)
class Forgotten:
    """What was deleted, where the name still stands, and what no program here can reach."""

    lessons: int
    recordings: int
    swings: int
    left: tuple[str, ...] = ()  # where the name was still found: other people's notes, a namesake
    waiting: bool = False  # another program has the store open: its last traces go when that closes
    out_of_reach: tuple[str, ...] = field(default=OUT_OF_REACH)


def forget(library: Library, student_id: str, *, caches: Sequence[Path] = (), beside: Sequence[Path] = ()) -> Forgotten:
    """As `forget_all`, of one student."""
    return forget_all(library, [student_id], caches=caches, beside=beside)


def forget_all(
    library: Library, student_ids: Sequence[str], *, caches: Sequence[Path] = (), beside: Sequence[Path] = ()
) -> Forgotten:
    """Delete students with lessons, recordings, measured values, reports, caches and journal: all or none.

    Rewriting the store and searching every byte that is left takes as long for one as for many.
    `caches` are folders outside the library that can be computed again: they go wholly, since they
    hold the student's measured swings without saying whose they are. `beside` are folders of the
    same user that are searched too: letters there that name the student go, and where else the
    name stands is said.

    This cannot be undone. A program killed on the way has deleted the student or not; what is
    left to clean is finished when the library is next opened.
    """
    with library.read() as session:
        names = []
        for student_id in student_ids:
            student = session.get(Student, student_id)
            if student is None:
                raise UsageError(f"there is no student {student_id[:8]!r} in this library")
            names.append(student.name)
    lessons = recordings = swings = 0
    with library.placing(), library.write(None) as session:
        forget_changes(session, {i for student_id in student_ids for i in identities_of(session, student_id)})
        for student_id in student_ids:
            lesson_ids = list(session.scalars(select(Lesson.id).where(Lesson.student_id == student_id)))
            recording_ids = list(session.scalars(select(Recording.id).where(Recording.lesson_id.in_(lesson_ids))))
            counted = select(func.count()).select_from(Swing).where(Swing.recording_id.in_(recording_ids))
            swings += session.scalar(counted) or 0
            lessons, recordings = lessons + len(lesson_ids), recordings + len(recording_ids)
            session.execute(delete(Try).where(Try.lesson_id.in_(lesson_ids)))
            session.execute(delete(Picked).where(Picked.student_id == student_id))
            drop_measured(session, recording_ids)
            session.execute(delete(Recording).where(Recording.id.in_(recording_ids)))
            session.execute(delete(Lesson).where(Lesson.id.in_(lesson_ids)))
            session.execute(delete(Student).where(Student.id == student_id))
            session.add_all(Trash(id=identity, coach=library.coach) for identity in (*recording_ids, student_id))
        if library.local:  # in the same change, so that a program killed after it still cleans up
            session.merge(Note(key="scrub", value="due"))
    for folder in caches:
        for inside in folder.iterdir() if folder.is_dir() else ():
            files.remove(inside)
    needles = {spelt for name in names for spelt in spellings(name)}
    elsewhere = tuple(_beside(library, beside, needles))
    waiting = False
    if library.local:
        files.sweep_incoming(library.root)
        waiting = not scrub(library)
    return Forgotten(
        lessons=lessons,
        recordings=recordings,
        swings=swings,
        left=(*_left(library, names, needles), *elsewhere),
        waiting=waiting,
        out_of_reach=OUT_OF_REACH if library.local else OUT_OF_REACH + SERVER_OUT_OF_REACH,
    )


def identities_of(session: Session, student_id: str) -> set[str]:
    """A student's own identity and those of all that belongs to the student."""
    lessons = select(Lesson.id).where(Lesson.student_id == student_id)
    recordings = select(Recording.id).where(Recording.lesson_id.in_(lessons))
    swings = select(Swing.id).where(Swing.recording_id.in_(recordings))
    tries = select(Try.id).where(Try.lesson_id.in_(lessons))
    picks = select(Picked.id).where(Picked.student_id == student_id)
    return {student_id, *(i for query in (lessons, recordings, swings, tries, picks) for i in session.scalars(query))}


def forget_changes(session: Session, identities: set[str]) -> None:
    """Take every change out of the journal that touches the student, also one that touches others
    too: what it held of the student would come back with its undoing."""
    rows = list(session.scalars(select(ChangedRow)))
    deleted = {row.row_id for row in rows if row.after is None}
    touched: set[int] = set()
    known = -1
    while known < len(touched):  # a lesson merged away lives on in the journal, and so does what was said of it
        known = len(touched)
        for row in rows:
            if _mentioned(row) & identities:
                touched.add(row.change_id)
                if row.row_id in deleted:
                    identities = identities | {row.row_id}
    session.execute(delete(ChangedRow).where(ChangedRow.change_id.in_(touched)))
    session.execute(delete(Change).where(Change.id.in_(touched)))


def _mentioned(row: ChangedRow) -> set[str]:
    images = (row.before or {}, row.after or {})
    return {row.row_id} | {value for image in images for key, value in image.items() if key.endswith("_id")}


def scrub(library: Library) -> bool:
    """Make deleted text leave the store's files: rewrite the store, empty its log, and delete the
    copies from before upgrades. False where another program keeps the old state alive."""
    files.remove(library.root / "backups")
    library.engine.dispose()
    try:
        with closing(sqlite3.connect(library.root / STORE, isolation_level=None)) as store:
            store.execute("PRAGMA busy_timeout = 2000")
            store.execute("PRAGMA secure_delete = ON")
            store.execute("VACUUM")
            busy, _, _ = store.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    except sqlite3.OperationalError:
        return False
    if busy:
        return False
    library.set_note("scrub", None)
    return True


def spellings(name: str) -> set[bytes]:
    """The bytes that a name may be: composed or not, UTF-8 or UTF-16, as JSON or URLs write it."""
    from urllib.parse import quote, quote_plus

    texts = {form for kind in ("NFC", "NFD") for form in _cases(unicodedata.normalize(kind, name))}
    found = set()
    for text in texts:
        found |= {text.encode(), text.encode("utf-16-le"), text.encode("utf-16-be")}
        found |= {json.dumps(text)[1:-1].encode(), quote(text).encode(), quote_plus(text).encode()}
    return found


def _cases(text: str) -> set[str]:
    return {text, text.lower(), text.upper(), text.title()}


def find_bytes(root: Path, needles: set[bytes]) -> Iterator[Path]:
    """Files under a folder that hold any of the needles in their bytes or in their name."""
    for path in sorted(root.rglob("*")):
        if any(needle in path.name.encode(errors="surrogateescape") for needle in needles):
            yield path
            continue
        if not path.is_file() or path.is_symlink() or path.stat().st_size == 0:
            continue
        with (
            suppress(PermissionError, FileNotFoundError),  # another coach's, or another program's that came and went
            open(path, "rb") as stream,
            mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ) as content,
        ):
            if holds_any(content, needles):
                yield path


def holds_any(content: mmap.mmap | bytes, needles: set[bytes]) -> bool:
    """Whether any of the needles stands in the content. Many are looked for in one pass."""
    many = {needle for needle in needles if len(needle) >= PREFIX} if len(needles) > FEW else set()
    if any(content.find(needle) >= 0 for needle in needles - many):
        return True
    return bool(many) and _holds_any_of_many(content, many)


def _holds_any_of_many(content: mmap.mmap | bytes, needles: set[bytes]) -> bool:
    """Every place is looked up by its first four bytes, hashed; only where these begin a needle is more compared."""
    by: dict[bytes, list[bytes]] = {}
    for needle in needles:
        by.setdefault(needle[:PREFIX], []).append(needle)
    prefixes = np.array([int.from_bytes(prefix, "little") for prefix in by], np.uint32)
    marked = np.zeros(1 << 16, bool)
    marked[prefixes * MIX >> np.uint32(16)] = True
    for start in range(0, len(content), files.CHUNK):
        part = np.frombuffer(content[start : start + files.CHUNK + PREFIX - 1], np.uint8).astype(np.uint32)
        if len(part) < PREFIX:
            break
        word = part[:-3] | part[1:-2] << 8 | part[2:-1] << 16 | part[3:] << 24
        likely = np.flatnonzero(marked[word * MIX >> np.uint32(16)])
        for at in likely[np.isin(word[likely], prefixes)]:
            place = start + int(at)
            if any(content[place : place + len(n)] == n for n in by[content[place : place + PREFIX]]):
                return True
    return False


def _beside(library: Library, folders: Sequence[Path], needles: set[bytes]) -> Iterator[str]:
    own = library.root.resolve()
    for folder in folders:
        for path in list(find_bytes(folder, needles)) if folder.is_dir() else ():
            if own == path.resolve() or own in path.resolve().parents:
                continue
            if LETTERS in path.relative_to(folder).parts:  # with the other files of the same letter
                for part in path.parent.glob(f"{path.name.split('.')[0]}.*"):
                    files.remove(part)
            else:
                yield str(path)


def _left(library: Library, names: Sequence[str], needles: set[bytes]) -> Iterator[str]:
    """Where a name still stands: rows of others first, then any file not explained by them."""
    rows = list(_rows_naming(library, names))
    yield from rows
    for folder in ("recordings", "cache", "reports", "logs", "incoming") if rows else ("",):
        for path in find_bytes(library.root / folder, needles) if (library.root / folder).is_dir() else ():
            yield str(path)


def _rows_naming(library: Library, names: Sequence[str]) -> Iterator[str]:
    from imu.library.finding import folded

    wanted = [folded(name) for name in names]

    def named(text: str) -> bool:
        there = folded(text)
        return any(asked in there for asked in wanted)

    with library.read() as session:
        for student in session.scalars(select(Student)):
            for column in ("name", "guardian", "aims", "notes"):
                if named(getattr(student, column)):
                    yield f"{column} of student {student.id[:8]}"
        for lesson in session.scalars(select(Lesson)):
            for column in ("place", "thought", "notes", "hurt"):
                if named(getattr(lesson, column)):
                    yield f"{column} of lesson {lesson.id[:8]}"
        for recording in session.scalars(select(Recording)):
            for column in ("source", "entry", "drill", "discarded"):
                if named(getattr(recording, column) or ""):
                    yield f"{column} of recording {recording.id[:8]}"
        for swing in session.scalars(select(Swing).where(Swing.thought.is_not(None) | Swing.left_out.is_not(None))):
            if named(f"{swing.thought or ''}\n{swing.left_out or ''}"):
                yield f"thought of swing {swing.id[:8]}"
        for pick in session.scalars(select(Picked)):
            if named(f"{pick.thought}\n{pick.plan}"):
                yield f"thought or plan of pick {pick.id[:8]}"
        for row in session.scalars(select(ChangedRow)):
            if named(json.dumps([row.before, row.after], ensure_ascii=False)):
                yield f"change {row.change_id} in the journal"
