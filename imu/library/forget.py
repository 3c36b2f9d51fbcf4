"""Deleting a student wholly, and proving it by looking for the name in every byte that is left."""

from __future__ import annotations

import json
import mmap
import os
import sqlite3
import unicodedata
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from filelock import FileLock
from sqlalchemy import delete, func, or_, select
from sqlalchemy.orm import Session

from imu.errors import CupbowError, UsageError
from imu.library import files
from imu.library.filing import drop_measured
from imu.library.schema import Change, ChangedRow, Entered, Lesson, Note, Picked, Recording, Student, Swing, Trash, Try
from imu.library.store import STORE, Library, LibraryError, saying

REACH = {
    "sent": "archives, letters, plans and pictures that were exported, printed or sent",
    "folders": "the folders from which recordings were added",
    "nickname": "what calls the student by another name, such as a letter to a nickname",
    "backups": "backups and snapshots that the machine or a service made of the library's folder",
    "disk": "parts of the disk that were freed, until they are written over",
}
"""What no program here can reach, by a key for those who say it in other words."""
SERVER_REACH = {
    "server": "the database server's own logs, write-ahead log, replicas and dumps: ask whoever runs it",
    "vacuum": "rows that the server has marked as deleted, until its next VACUUM",
}

FEW, WORD = 4, 4  # up to so many needles, one search after the other is quicker
COMMON = frozenset(b"0123456789.,-+e \"'\x00")  # what a store is full of
SHORTEST, TOLD_BY = 6, 48  # of what was said: at least so many letters tell, and so many bytes are enough
MANY = 5000  # of so much some trace is likely to stay: then the store is rewritten without a search before
DUE = "scrub"
SAID: Mapping[type[Entered], tuple[str, ...]] = {
    Student: ("name", "guardian", "aims", "notes"),
    Lesson: ("place", "thought", "notes", "hurt"),
    Recording: ("source", "discarded"),
    Swing: ("thought", "left_out"),
    Picked: ("thought", "plan"),
}
"""What coaches say in words, and columns that hold it."""

MIX = np.uint32(2654435761)  # Knuth, The Art of Computer Programming vol. 3, 6.4: multiplicative hashing

LETTERS, UPLOADS = "letters", "uploads"
"""What a folder of letters, or of files that were not saved yet, is called, wherever it lies."""

SCRUBBING = ".scrub.lock"

STEPS = ("files", "rows", "store", "search")
"""What forgetting does, in this order; `progress` is told as it comes to each."""

Progress = Callable[[float, str], object]


@dataclass(frozen=True)
class Going:
    """What forgetting would delete. Recordings and swings count also where they were discarded or left out."""

    names: tuple[str, ...]
    lessons: int
    practices: int
    recordings: int
    swings: int
    tries: int
    letters: int
    uploads: int  # brought in, not saved yet, and naming a student
    reach: tuple[str, ...] = ()  # keys of what stays out of reach


@dataclass(frozen=True)
class Forgotten:
    """What was deleted, where the name still stands, and what no program here can reach."""

    gone: Going
    left: tuple[str, ...] = ()  # where the name was still found: other people's notes, a namesake
    waiting: bool = False  # another program has the store open: its last traces go when that closes
    undeleted: int = 0  # folders that could not be deleted, and are tried again when the library is opened
    fault: str = ""  # what stopped it once the rows were gone; the rest is done when the library is next opened

    @property
    def finished(self) -> bool:
        return not (self.waiting or self.undeleted or self.fault)

    @property
    def out_of_reach(self) -> tuple[str, ...]:
        return tuple((REACH | SERVER_REACH)[key] for key in self.gone.reach)


def would_go(library: Library, student_ids: Sequence[str], *, beside: Sequence[Path] = ()) -> Going:
    """What `forget_all` would delete of these students. Raises UsageError where one is not here."""
    names = _names(library, student_ids)
    with library.read() as session:

        def counted(model: type, *where: object) -> int:
            return session.scalar(select(func.count()).select_from(model).where(*where)) or 0  # type: ignore[arg-type]

        lessons = select(Lesson.id).where(Lesson.student_id.in_(student_ids))
        recordings = select(Recording.id).where(Recording.lesson_id.in_(lessons))
        kept = counted(Lesson, Lesson.student_id.in_(student_ids), Lesson.kind == "lesson")
        practices = counted(Lesson, Lesson.student_id.in_(student_ids), Lesson.kind != "lesson")
        going = Going(
            names=tuple(names),
            lessons=kept,
            practices=practices,
            recordings=counted(Recording, Recording.lesson_id.in_(lessons)),
            swings=counted(Swing, Swing.recording_id.in_(recordings)),
            tries=counted(Try, Try.lesson_id.in_(lessons)),
            letters=0,
            uploads=0,
            reach=(*REACH, *(() if library.local else SERVER_REACH)),
        )
    letters, uploads = _owned_beside(library, beside, needles_of(names))
    reports = (library.reports_of(student_id) for student_id in student_ids)
    kept_letters = sum(1 for folder in reports if folder.is_dir() for path in folder.rglob("*") if path.is_file())
    return replace(going, letters=len(letters) + kept_letters, uploads=len(uploads))


def forget(library: Library, student_id: str, *, caches: Sequence[Path] = (), beside: Sequence[Path] = ()) -> Forgotten:
    """As `forget_all`, of one student."""
    return forget_all(library, [student_id], caches=caches, beside=beside)


def forget_all(
    library: Library,
    student_ids: Sequence[str],
    *,
    caches: Sequence[Path] = (),
    beside: Sequence[Path] = (),
    progress: Progress = lambda _fraction, _step: None,
) -> Forgotten:
    """Delete students with lessons, recordings, measured values, reports, caches and journal: all or none.

    Rewriting the store and searching every byte that is left takes as long for one as for many.
    `caches` are folders outside the library that can be computed again: they go wholly, since they
    hold the student's measured swings without saying whose they are. `beside` are folders of the
    same user that are searched too: letters and unsaved uploads there that name the student go, and
    where else the name stands is said.

    This cannot be undone. What lies outside the store goes first and the rows after it, so that
    whatever stops it can be run again: until the rows are gone the student is there to be
    forgotten, and from then on what is left to clean is finished when the library is next opened.
    A fault before that is raised; one after it is told in the result.
    """
    going = would_go(library, student_ids, beside=beside)
    _not_being_recorded(library, student_ids)
    needles = needles_of(going.names)
    progress(0.0, STEPS[0])
    with _begun(library):
        for folder in caches:
            for inside in folder.iterdir() if folder.is_dir() else ():
                files.remove(inside)
        for found in _owned_beside(library, beside, needles):
            for parts in found.values():
                for path in parts:
                    files.remove(path)
    progress(0.1, STEPS[1])
    fault, waiting = "", False
    clean: tuple[Path, ...] = ()
    with _scrubbing(library, wait_s=60):
        traces: set[bytes] = set()
        try:
            traces = _delete_rows(library, student_ids)
        except CupbowError as error:
            if _still_here(library, student_ids):
                raise
            fault = str(error)
        progress(0.2, STEPS[2])
        if library.local:
            try:
                files.sweep_incoming(library.root)
                if fault or not _settled(library):
                    waiting = not fault
                elif len(traces) > MANY or holds_file(library.root / STORE, needles | traces):
                    progress(0.3, STEPS[2])
                    waiting = not _rewrite(library)
                else:
                    library.set_note(DUE, None)
                    clean = (library.root / STORE,)
            except (CupbowError, OSError) as error:
                fault = fault or _told(error)
    progress(0.7, STEPS[3])
    left: tuple[str, ...] = ()
    undeleted = 0
    try:
        undeleted = _undeleted(library)
        elsewhere = (str(path) for folder in beside for path in find_bytes(folder, needles, without=library.root))
        left = (*_left(library, going.names, needles, clean), *elsewhere)
    except (CupbowError, OSError) as error:
        fault = fault or _told(error)
    progress(1.0, STEPS[3])
    return Forgotten(going, left, waiting, undeleted, fault)


def confirms(typed: str, name: str) -> bool:
    """Whether what was typed is the name, however spaces and accents were entered."""
    return unicodedata.normalize("NFC", " ".join(typed.split())) == unicodedata.normalize("NFC", " ".join(name.split()))


def _names(library: Library, student_ids: Sequence[str]) -> list[str]:
    with library.read() as session:
        names = []
        for student_id in student_ids:
            student = session.get(Student, student_id)
            if student is None:
                raise UsageError(f"there is no student {student_id[:8]!r} in this library")
            names.append(student.name)
    return names


def _not_being_recorded(library: Library, student_ids: Sequence[str]) -> None:
    """A recording that another program writes would be taken from under it, and come back."""
    from imu.library.live import being_written

    with library.read() as session:
        lessons = select(Lesson.id).where(Lesson.student_id.in_(student_ids))
        where = Recording.lesson_id.in_(lessons) & (Recording.state == "open")
        if any(being_written(library, identity) for identity in session.scalars(select(Recording.id).where(where))):
            raise UsageError("a recording of this student is being made now; end it first, then forget")


@contextmanager
def _begun(library: Library) -> Iterator[None]:
    """Faults while the student is still in the store."""
    try:
        yield
    except OSError as error:
        raise LibraryError(
            f"{error.filename or library.address}: cannot be deleted ({error.strerror}); the student is still in the "
            "library: mend it, then forget again"
        ) from error


def _told(error: Exception) -> str:
    if isinstance(error, OSError):
        return f"{error.filename or 'the disk'}: {error.strerror or error}"
    return str(error)


def _still_here(library: Library, student_ids: Sequence[str]) -> bool:
    try:
        with library.read() as session:
            return any(session.get(Student, student_id) is not None for student_id in student_ids)
    except CupbowError:
        return True


def _undeleted(library: Library) -> int:
    with library.read() as session:
        return session.scalar(select(func.count()).select_from(Trash)) or 0


def _delete_rows(library: Library, student_ids: Sequence[str]) -> set[bytes]:
    """Everything in the store that is these students', in one change. Returns what would tell that any of
    it was left: their identities, and what was said of them and of nobody else."""
    with library.placing(), library.write(None) as session:
        identities = {i for student_id in student_ids for i in identities_of(session, student_id)}
        said = set(_said(session, identities)) if library.local else set()
        said |= {text for image in forget_changes(session, identities) for text in _texts(image)}
        for student_id in student_ids:
            lesson_ids = list(session.scalars(select(Lesson.id).where(Lesson.student_id == student_id)))
            recording_ids = list(session.scalars(select(Recording.id).where(Recording.lesson_id.in_(lesson_ids))))
            session.execute(delete(Try).where(Try.lesson_id.in_(lesson_ids)))
            session.execute(delete(Picked).where(Picked.student_id == student_id))
            drop_measured(session, recording_ids)
            session.execute(delete(Recording).where(Recording.id.in_(recording_ids)))
            session.execute(delete(Lesson).where(Lesson.id.in_(lesson_ids)))
            session.execute(delete(Student).where(Student.id == student_id))
            session.add_all(Trash(id=identity, coach=library.coach) for identity in (*recording_ids, student_id))
        if library.local:  # in the same change, so that a program killed after it still cleans up
            session.merge(Note(key=DUE, value="due"))
            session.flush()
            said -= set(_said(session))
    written = {form for text in said for form in (text.encode(), json.dumps(text)[1:-1].encode())}
    return {identity.encode() for identity in identities} | {form[:TOLD_BY] for form in written}


def _said(session: Session, of: set[str] | None = None) -> Iterator[str]:
    """What is said in words, of everyone or in rows of these identities."""
    for model, columns in SAID.items():
        named = [getattr(model, column) for column in columns]
        for row in session.execute(select(model.id, *named).where(or_(*(c.is_not(None) for c in named)))):
            if of is None or row[0] in of:
                yield from _texts(dict(zip(columns, row[1:], strict=True)))


def _texts(image: Mapping[str, Any]) -> Iterator[str]:
    known = {column for columns in SAID.values() for column in columns}
    for name, value in image.items():
        if name in known and isinstance(value, str) and len(value) >= SHORTEST:
            yield value


def identities_of(session: Session, student_id: str) -> set[str]:
    """A student's own identity and those of all that belongs to the student."""
    lessons = select(Lesson.id).where(Lesson.student_id == student_id)
    recordings = select(Recording.id).where(Recording.lesson_id.in_(lessons))
    swings = select(Swing.id).where(Swing.recording_id.in_(recordings))
    tries = select(Try.id).where(Try.lesson_id.in_(lessons))
    picks = select(Picked.id).where(Picked.student_id == student_id)
    return {student_id, *(i for query in (lessons, recordings, swings, tries, picks) for i in session.scalars(query))}


def forget_changes(session: Session, identities: set[str]) -> list[dict[str, Any]]:
    """Take every change out of the journal that touches the student, also one that touches others
    too: what it held of the student would come back with its undoing. Returns what they held."""
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
    images = [image for row in rows if row.change_id in touched for image in (row.before, row.after) if image]
    session.execute(delete(ChangedRow).where(ChangedRow.change_id.in_(touched)))
    session.execute(delete(Change).where(Change.id.in_(touched)))
    return images


def _mentioned(row: ChangedRow) -> set[str]:
    images = (row.before or {}, row.after or {})
    return {row.row_id} | {value for image in images for key, value in image.items() if key.endswith("_id")}


@contextmanager
def _scrubbing(library: Library, *, wait_s: float) -> Iterator[None]:
    """Held while the store is rewritten: one that opens the library meanwhile leaves it to who began."""
    if not library.local:
        yield
        return
    with saying(library.address), FileLock(library.root / SCRUBBING, timeout=wait_s, mode=0o600):
        yield


def scrub(library: Library) -> bool:
    """Finish what a forgetting that was stopped has left in the store's files: whose name to look for
    nobody knows any more, so the store is rewritten. False where another program is at it, or keeps the
    old state alive."""
    try:
        with FileLock(library.root / SCRUBBING, timeout=0, mode=0o600):
            return _rewrite(library)
    except OSError:  # a timeout is one
        return False


def _rewrite(library: Library) -> bool:
    """Make deleted text leave the store's files wherever it may be: rewrite the store, and settle it.
    False where another program keeps the old state alive."""
    if not _settled(library, "VACUUM"):
        return False
    library.set_note(DUE, None)
    return True


def _settled(library: Library, *first: str) -> bool:
    """Empty the store's log, so that what was deleted, and written over in doing so (`secure_delete`),
    stands in no older page of it; and delete the copies from before upgrades. False where another
    program keeps the old state alive.

    Only the pages of a row's own are written over for certain: where rows were moved within a page or
    to its neighbour, a copy can stay in its gap. That is why the store is searched after this.
    """
    files.remove(library.root / "backups")
    library.engine.dispose()
    try:
        with closing(sqlite3.connect(library.root / STORE, isolation_level=None)) as store:
            store.execute("PRAGMA busy_timeout = 2000")
            store.execute("PRAGMA secure_delete = ON")
            for statement in first:
                store.execute(statement)
            busy, _, _ = store.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    except sqlite3.OperationalError:
        return False
    return not busy


def needles_of(names: Sequence[str]) -> set[bytes]:
    """All that is looked for to find any of the names."""
    return {spelt for name in names for spelt in spellings(name)}


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


def find_bytes(
    root: Path, needles: set[bytes], *, without: Path | None = None, passing: Sequence[Path] = ()
) -> Iterator[Path]:
    """Files under a folder that hold any of the needles in their bytes or in their name; not those
    below the folder `without`, nor those of `passing`."""
    for path in _below(root, without and without.resolve()):
        if path in passing:
            continue
        if any(needle in path.name.encode(errors="surrogateescape") for needle in needles):
            yield path
            continue
        if not path.is_file() or path.is_symlink() or path.stat().st_size == 0:
            continue
        with suppress(PermissionError, FileNotFoundError):  # another coach's, or another program's that came and went
            if holds_file(path, needles):
                yield path


def holds_file(path: Path, needles: set[bytes]) -> bool:
    """Whether any of the needles stands in a file that is not empty."""
    with (
        open(path, "rb") as stream,
        mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ) as content,
    ):
        return holds_any(content, needles)


def _below(root: Path, without: Path | None) -> Iterator[Path]:
    for place, folders, names in os.walk(root):
        here = Path(place)
        if without is not None:
            folders[:] = [name for name in folders if (here / name).resolve() != without]
        folders.sort()
        yield from sorted(here / name for name in (*folders, *names))


def holds_any(content: mmap.mmap | bytes, needles: set[bytes]) -> bool:
    """Whether any of the needles stands in the content. Many are looked for in one pass."""
    many = {needle for needle in needles if len(needle) >= WORD} if len(needles) > FEW else set()
    if any(content.find(needle) >= 0 for needle in needles - many):
        return True
    return bool(many) and _holds_any_of_many(content, many)


def _holds_any_of_many(content: mmap.mmap | bytes, needles: set[bytes]) -> bool:
    """Every place is looked up by the four bytes there, hashed; only where these are the rarest word of a
    needle is more compared."""
    by: dict[bytes, list[tuple[int, bytes]]] = {}
    for needle in needles:
        at = min(range(len(needle) - WORD + 1), key=lambda k: sum(c in COMMON for c in needle[k : k + WORD]))
        by.setdefault(needle[at : at + WORD], []).append((at, needle))
    rare = np.array([int.from_bytes(word, "little") for word in by], np.uint32)
    marked = np.zeros(1 << 16, bool)
    marked[rare * MIX >> np.uint32(16)] = True
    for start in range(0, len(content), files.CHUNK):
        for shift in range(WORD):  # words of four bytes from each of four places are those from every place
            part = content[start + shift : start + shift + files.CHUNK]
            words = np.frombuffer(part, "<u4", count=len(part) // WORD)
            likely = np.flatnonzero(marked[words * MIX >> np.uint32(16)])
            for hit in likely[np.isin(words[likely], rare)] if len(likely) else ():
                place = start + shift + WORD * int(hit)
                for at, needle in by[content[place : place + WORD]]:
                    if place >= at and content[place - at : place - at + len(needle)] == needle:
                        return True
    return False


def _owned_beside(
    library: Library, folders: Sequence[Path], needles: set[bytes]
) -> tuple[dict[Path, list[Path]], dict[Path, list[Path]]]:
    """Letters and unsaved uploads in these folders that name a student: what each is, and its files."""
    letters: dict[Path, list[Path]] = {}
    uploads: dict[Path, list[Path]] = {}
    for folder in folders:
        for path in list(find_bytes(folder, needles, without=library.root)) if folder.is_dir() else ():
            parts = path.relative_to(folder).parts
            if LETTERS in parts and path.is_file():  # with the other files of the same letter
                stem = path.name.split(".")[0]
                letters[path.parent / stem] = sorted(path.parent.glob(f"{stem}.*"))
            elif UPLOADS in parts[:-1]:
                upload = folder.joinpath(*parts[: parts.index(UPLOADS) + 2])
                uploads[upload] = [upload]
    return letters, uploads


def _left(library: Library, names: Sequence[str], needles: set[bytes], clean: Sequence[Path] = ()) -> Iterator[str]:
    """Where a name still stands: rows of others first, then any file not explained by them and not
    found `clean` before."""
    rows = list(_rows_naming(library, names))
    yield from rows
    for folder in ("recordings", "cache", "reports", "logs", "incoming") if rows else ("",):
        for path in (
            find_bytes(library.root / folder, needles, passing=clean) if (library.root / folder).is_dir() else ()
        ):
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
