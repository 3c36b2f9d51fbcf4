"""The store: where it lies, how it is opened, and what one change of it is.

By default a folder that only its owner can read:

    library.sqlite   students, lessons, recordings, swings, and the changes that can be undone
    recordings/      the samples as they came, one folder a recording, never altered
    incoming/        copies under way
    cache/           what can be computed again
    reports/         letters and plans, one folder a student
    backups/         the store as it was before an upgrade of its schema

No file or folder name holds a person's name. An academy gives the URL of a PostgreSQL database
instead; recordings then lie in a folder that its coaches share, or in an object store.
"""

from __future__ import annotations

import logging
import os
import posixpath
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import Any

from filelock import FileLock
from sqlalchemy import Connection, Engine, create_engine, delete, event, inspect, select, text, update
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DatabaseError, IntegrityError, OperationalError, SQLAlchemyError
from sqlalchemy.orm import Session, UOWTransaction, sessionmaker

from imu.errors import CupbowError, UsageError
from imu.library import files
from imu.library.depot import CALIBRATION, SAMPLES, Depot, FolderDepot, ObjectDepot, fetch
from imu.library.schema import (
    JOURNALLED,
    REVISIONS,
    Change,
    ChangedRow,
    Entered,
    Note,
    Recording,
    Student,
    Swing,
    Trash,
    decode,
    encode,
    now,
    table_of,
)

log = logging.getLogger(__name__)  # identities only, never names

STORE = "library.sqlite"
ADDRESS_VARIABLE = "CUPBOW_LIBRARY"
RECORDINGS_VARIABLE = "CUPBOW_RECORDINGS"
PLACING = 0x637562  # any number that nobody else's program takes
WAIT_S = 20  # how long to wait for another program's change


class LibraryError(CupbowError):
    """The library cannot be opened or changed as it is."""


class NoLibrary(LibraryError):
    """There is no library at that place yet."""


@dataclass(frozen=True)
class Done:
    """A change in the journal."""

    id: int
    at: datetime
    what: str
    undone_at: datetime | None


def default_address() -> str:
    """`$CUPBOW_LIBRARY`, else `library` in the user's data folder."""
    from platformdirs import user_data_path

    return os.environ.get(ADDRESS_VARIABLE) or str(user_data_path("cupbow", appauthor=False) / "library")


class Library:
    """An open library. Threads and processes may each hold their own; each change is one
    transaction, and waits for the other's."""

    def __init__(self, *, engine: Engine, address: str, root: Path, depot: Depot | None = None) -> None:
        self.engine = engine
        self.address = address  # for messages; without a password
        self.root = root  # the folder that holds recordings/ and the rest
        self.depot = depot or FolderDepot(root)  # where complete recordings lie
        self._read = sessionmaker(engine, expire_on_commit=False)
        self._write = sessionmaker(engine.execution_options(cupbow_writes=True), expire_on_commit=False)

    # -- opening -------------------------------------------------------------------------------
    @classmethod
    def open(
        cls, address: str | Path | None = None, *, recordings: str | Path | None = None, create: bool = True
    ) -> Library:
        """Open the library at a folder or PostgreSQL URL; None is the user's own.

        Brings an older schema up to date (a copy of the store is kept in `backups/`), refuses one
        from a newer version, and finishes what a killed program left undone. `recordings` is the
        shared folder of recordings beside a database server, or the URL of an object store.
        """
        address = str(address) if address is not None else default_address()
        library = cls._server(address, recordings) if "://" in address else cls._folder(Path(address), create=create)
        with saying(library.address):
            library._upgrade()
            if library.local:
                os.chmod(library.root / STORE, 0o600)
        library.sweep()
        return library

    @classmethod
    def _folder(cls, folder: Path, *, create: bool) -> Library:
        store = folder / STORE
        if not store.exists():
            if not create:
                raise NoLibrary(f"{folder}: there is no library here yet; `cupbow add` starts one")
            if folder.exists() and (not folder.is_dir() or any(p.name != "incoming" for p in folder.iterdir())):
                raise LibraryError(f"{folder}: is not a library (no {STORE} in it); choose a new or empty folder")
        try:
            if not folder.exists():
                files.make_private(folder)
            if os.name == "posix" and folder.stat().st_mode & 0o077:
                folder.chmod(0o700)
            os.close(os.open(store, os.O_RDWR | os.O_CREAT, 0o600))  # SQLite gives its side files the same mode
        except OSError as error:
            raise LibraryError(f"{folder}: cannot be used as a library ({error.strerror}); choose another") from None
        engine = create_engine(f"sqlite:///{store}", connect_args={"timeout": WAIT_S})
        event.listen(engine, "connect", _prepare_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
        return cls(engine=engine, address=str(folder), root=folder)

    @classmethod
    def _server(cls, address: str, recordings: str | Path | None) -> Library:
        try:
            url = make_url(address)
        except ArgumentError:
            raise UsageError(f"--library {address.split('@')[-1]}: is neither a folder nor a database's URL") from None
        if url.get_backend_name() != "postgresql":
            raise UsageError(
                f"--library {url.render_as_string(hide_password=True)}: give a folder, or the URL of a PostgreSQL "
                "database (postgresql://…)"
            )
        url = url.set(drivername="postgresql+psycopg")
        place = str(recordings or os.environ.get(RECORDINGS_VARIABLE) or _default_recordings(url))
        root, depot = (_default_recordings(url), ObjectDepot(place)) if "://" in place else (Path(place), None)
        try:
            engine = create_engine(url, pool_pre_ping=True)
        except ModuleNotFoundError:
            raise UsageError(
                'a library on a server needs the PostgreSQL driver: pip install "cupbow[server]", then try again'
            ) from None
        shown = url.set(drivername="postgresql").render_as_string(hide_password=True)
        return cls(engine=engine, address=shown, root=root, depot=depot)

    def close(self) -> None:
        self.engine.dispose()

    def __enter__(self) -> Library:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def local(self) -> bool:
        """Whether this is a folder of one's own rather than a shared server."""
        return self.engine.dialect.name == "sqlite"

    @cached_property
    def coach(self) -> str:
        """The role on a shared server, empty in a library of one's own."""
        if self.local:
            return ""
        with saying(self.address), self.engine.connect() as connection:  # a URL may leave the role to the system
            return str(connection.scalar(text("SELECT current_user")))

    # -- places --------------------------------------------------------------------------------
    def recording_path(self, recording: Recording) -> Path:
        """What to measure, on this machine: a recording's folder, or the one file in it. One that lies
        in an object store is fetched into the cache."""
        if not self.depot.remote or recording.state == "open":
            return self.folder_of(recording.id) / SAMPLES / recording.entry
        return self._kept(recording.id, SAMPLES) / recording.entry

    def calibration_path(self, recording: Recording) -> Path | None:
        """The saved calibration that a recording was added with, on this machine."""
        address = self.depot.calibration(recording.id)
        if address is None or not self.depot.remote:
            return Path(address) if address else None
        return self._kept(recording.id, CALIBRATION) / posixpath.basename(address)

    def _kept(self, recording_id: str, part: str) -> Path:
        """Part of a recording in an object store, fetched into the cache."""
        kept = self.cache_of(recording_id) / part
        if not kept.exists():
            with saying(self.address), files.incoming(self.root) as place:
                fetch(self.depot.address(recording_id, part), place / part)
                files.make_private(kept.parent)
                if not kept.exists():
                    (place / part).rename(kept)
        return kept

    def folder_of(self, recording_id: str) -> Path:
        """Where a recording's files lie, or are written as they come."""
        return self.root / "recordings" / recording_id

    def cache_of(self, recording_id: str) -> Path:
        """Where things computed from a recording may be kept; deleted with it."""
        return self.root / "cache" / recording_id

    def reports_of(self, student_id: str) -> Path:
        """Where letters and plans of a student are kept; deleted with the student."""
        return self.root / "reports" / student_id

    @contextmanager
    def placing(self, *, wait_s: float = 3 * WAIT_S) -> Iterator[None]:
        """Held while recordings take their place and their rows are written, so that a sweep never
        takes a recording for a leftover, and the same is not filed twice at once."""
        if self.local:
            files.make_private(self.root)
            with saying(self.address), FileLock(self.root / ".placing.lock", timeout=wait_s, mode=0o600):
                yield
            return
        # In the database: a lock file of one user of a shared folder is nobody else's to take.
        with saying(self.address), self.engine.connect() as connection, connection.begin():
            connection.execute(text(f"SET LOCAL lock_timeout = {int(wait_s * 1000)}"))
            connection.execute(text("SELECT pg_advisory_xact_lock(:key, hashtext(current_user))"), {"key": PLACING})
            yield

    # -- transactions --------------------------------------------------------------------------
    @contextmanager
    def read(self) -> Iterator[Session]:
        """One consistent view of the store."""
        with saying(self.address), self._read() as session:
            yield session

    @contextmanager
    def write(self, what: str | None) -> Iterator[Session]:
        """One change, whole or not at all.

        `what` names it in the journal, from which it can be undone; it must hold no names. None
        is for what can be computed again.
        """
        with saying(self.address), self._write() as session:
            journal = None if what is None else _Journal(session)
            with session.begin():
                yield session
                if journal is not None and what is not None:
                    session.flush()
                    journal.enter(what, self.coach)
        self._empty_trash()

    # -- undo ----------------------------------------------------------------------------------
    def changes(self, limit: int = 20) -> list[Done]:
        """The newest changes first."""
        with self.read() as session:
            rows = session.scalars(select(Change).order_by(Change.id.desc()).limit(limit))
            return [Done(c.id, c.at, c.what, c.undone_at) for c in rows]

    def undo(self, number: int | None = None) -> Done:
        """Take a change back: the newest that still stands, or the one of this number.

        Refuses where what it touched has changed again since, and names the change to undo first.
        """
        with self.write(None) as session:
            query = select(Change).where(Change.undone_at.is_(None)).order_by(Change.id.desc())
            change = session.scalar(query.where(Change.id == number) if number is not None else query.limit(1))
            if change is None:
                raise UsageError(
                    "there is nothing to undo" if number is None else f"there is no change {number} to undo"
                )
            rows = list(session.scalars(select(ChangedRow).where(ChangedRow.change_id == change.id)))
            _take_back(session, change, rows, self)
            change.undone_at = now()
            session.execute(delete(ChangedRow).where(ChangedRow.change_id == change.id))
            done = Done(change.id, change.at, change.what, change.undone_at)
        return done

    # -- upkeep --------------------------------------------------------------------------------
    def sweep(self) -> None:
        """Finish what a killed program left: copies under way, recordings without a row, folders
        whose rows are gone, a forgetting whose last traces are still in the store."""
        if self.root.is_dir():
            files.sweep_incoming(self.root)
        if self.local and (self.root / "recordings").is_dir():
            with suppress(LibraryError), self.placing(wait_s=0):  # another may be placing; then the next sweep does it
                with self.read() as session:
                    known = set(session.scalars(select(Recording.id)))
                for folder in (self.root / "recordings").iterdir():
                    if folder.name not in known:
                        log.info("removing the unfinished recording %s", folder.name)
                        files.remove(folder)
        self._empty_trash()
        if self.local and self.note("scrub"):
            from imu.library.forget import scrub

            scrub(self)

    def note(self, key: str) -> str | None:
        with self.read() as session:
            found = session.get(Note, key)
            return found.value if found else None

    def set_note(self, key: str, value: str | None) -> None:
        with self.write(None) as session:
            session.execute(delete(Note).where(Note.key == key))
            if value is not None:
                session.add(Note(key=key, value=value))

    def _empty_trash(self) -> None:
        """Delete the folders whose rows are gone. What cannot be deleted now stays on the list."""
        with self.read() as session:
            waiting = list(session.scalars(select(Trash.id)))
            kept = {name for name in waiting if session.get(Recording, name) or session.get(Student, name)}
        for name in waiting:
            try:
                if name in kept:  # no program writes that: someone would have it deleted by another's hand
                    raise PermissionError(1, "there is a row for it")
                self.depot.remove(name)
                for folder in (self.folder_of(name), self.cache_of(name), self.reports_of(name)):
                    files.remove(folder)
            except OSError as error:
                log.warning("%s cannot be deleted yet (%s)", name, error.strerror)
                continue
            with saying(self.address), self._write.begin() as session:
                session.execute(delete(Trash).where(Trash.id == name))

    # -- schema --------------------------------------------------------------------------------
    def _upgrade(self) -> None:
        with self.engine.connect() as connection:
            found = _revision(connection)
        if found == REVISIONS[-1]:
            return
        if found is not None and found not in REVISIONS:
            raise LibraryError(
                f"{self.address}: this library was last used by a newer cupbow (schema {found}, this one knows up to "
                f"{REVISIONS[-1]}); upgrade cupbow, or let the newer one `export` it and `import` the archive here"
                + self._backup_hint()
            )
        from imu.library.migrate import upgrade

        upgrade(self, found)

    def _backup_hint(self) -> str:
        kept = sorted((self.root / "backups").glob("*.sqlite")) if self.local else []
        return f"; the store from before that upgrade is {kept[-1]}" if kept else ""


def _revision(connection: Connection) -> str | None:
    if not inspect(connection).has_table("alembic_version"):
        if inspect(connection).get_table_names():
            raise LibraryError(
                f"{connection.engine.url.database}: holds tables that are not a library's; choose another"
            )
        return None
    return connection.scalar(text("SELECT version_num FROM alembic_version"))


def _default_recordings(url: URL) -> Path:
    from platformdirs import user_data_path

    return user_data_path("cupbow", appauthor=False) / f"shared-{url.database}"


def _prepare_sqlite(connection: sqlite3.Connection, _: object) -> None:
    connection.isolation_level = None  # transactions begin where _begin_sqlite says, not where the driver thinks
    for setting in (
        f"busy_timeout = {WAIT_S * 1000}",
        "journal_mode = WAL",
        "synchronous = FULL",  # what was said to be stored outlives a power cut
        "foreign_keys = ON",
        "secure_delete = ON",  # deleted names are overwritten, not merely unlinked
    ):
        connection.execute(f"PRAGMA {setting}")


def _begin_sqlite(connection: Connection) -> None:
    writes = connection.get_execution_options().get("cupbow_writes")
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


@contextmanager
def saying(address: str) -> Iterator[None]:
    """Faults of disk and database as one line that says what to do."""
    try:
        yield
    except SQLAlchemyError as error:
        raise _said(address, error) from error
    except OSError as error:
        if isinstance(error, TimeoutError):
            raise LibraryError(
                f"{address}: another program keeps the library busy; try again when it is done"
            ) from None
        what = "the disk is full" if error.errno in (28, 27, 122) else (error.strerror or str(error))
        raise LibraryError(f"{address}: {what}; nothing was changed: make room or mend it, and try again") from error


def _said(address: str, error: SQLAlchemyError) -> LibraryError:
    low = str(getattr(error, "orig", error)).lower()
    if "disk is full" in low or "disk i/o error" in low or "no space left" in low:
        return LibraryError(f"{address}: the disk is full or failing; nothing was changed: make room and try again")
    if "locked" in low or "lock timeout" in low:
        return LibraryError(f"{address}: another program keeps the library busy; try again when it is done")
    if "readonly" in low or "read-only" in low:
        return LibraryError(f"{address}: cannot be written; ask for the right to write there")
    if "not a database" in low or "malformed" in low:
        return LibraryError(
            f"{address}: the store {STORE} is damaged; put back a copy of it (backups/ may hold one), or start a new "
            "library and import your last export"
        )
    if "row-level security" in low or "permission denied" in low or "insufficientprivilege" in low:
        return LibraryError(f"{address}: this coach may not do that; ask whoever keeps the academy's library")
    if isinstance(error, IntegrityError):
        return LibraryError(
            f"{address}: the change does not fit what is stored ({low.splitlines()[0]}); nothing was changed"
        )
    if "connection failed" in low or "connection is bad" in low or "could not connect" in low:
        why = low.splitlines()[0].removeprefix("connection failed: ").removeprefix("connection is bad: ")
        return LibraryError(f"{address}: {why}; check that the server runs, and the host, database and role of the URL")
    if isinstance(error, OperationalError | DatabaseError):
        return LibraryError(f"{address}: {low.splitlines()[0] if low else type(error).__name__}")
    return LibraryError(f"{address}: {type(error).__name__}: {error}")


# -- the journal -----------------------------------------------------------------------------------


class _Journal:
    """What a session changes in journalled tables, row by row, before and after."""

    def __init__(self, session: Session) -> None:
        self.session = session
        self.before: dict[tuple[str, str], dict[str, Any] | None] = {}
        self.after: dict[tuple[str, str], dict[str, Any] | None] = {}
        event.listen(session, "before_flush", self._before_flush)
        event.listen(session, "after_flush", self._after_flush)

    def _before_flush(self, session: Session, _context: UOWTransaction, _instances: object) -> None:
        for row in session.dirty:
            if isinstance(row, Entered) and session.is_modified(row):
                state = inspect(row)
                key = (row.__tablename__, row.id)
                known = self.before.setdefault(key, {})
                if known is None:  # made by this very change
                    continue
                for column in state.mapper.column_attrs:
                    history = state.attrs[column.key].history
                    if history.has_changes():
                        old = history.deleted[0] if history.deleted else None
                        known.setdefault(column.key, encode(old))
        for row in session.deleted:
            if isinstance(row, Entered):
                key = (row.__tablename__, row.id)
                self.before[key] = _image(row) | (self.before.get(key) or {})
                self.after[key] = None

    def _after_flush(self, session: Session, _context: UOWTransaction) -> None:
        for row in session.new:
            if isinstance(row, Entered):
                key = (row.__tablename__, row.id)
                self.before[key] = None
                self.after[key] = _image(row)
        for row in session.dirty:
            if isinstance(row, Entered) and (key := (row.__tablename__, row.id)) in self.before:
                before, image = self.before[key], _image(row)
                self.after[key] = image if before is None else {name: image[name] for name in before}

    def enter(self, what: str, coach: str) -> None:
        keys = [key for key in self.before if self.before[key] != self.after.get(key)]
        if not keys:
            return
        change = Change(what=what, coach=coach)
        self.session.add(change)
        self.session.flush()
        for table, row_id in keys:
            before, after = self.before[table, row_id], self.after.get((table, row_id))
            self.session.add(
                ChangedRow(change_id=change.id, table_name=table, row_id=row_id, before=before, after=after)
            )


def _image(row: Any) -> dict[str, Any]:
    return {c.key: encode(getattr(row, c.key)) for c in inspect(row).mapper.column_attrs}


def _take_back(session: Session, change: Change, rows: list[ChangedRow], library: Library) -> None:
    """Put rows back as they were before a change: parents return first, children go first."""
    tables = {model.__tablename__: table_of(model) for model in JOURNALLED}
    order = list(tables)
    for row in rows:
        table = tables[row.table_name]
        current = session.execute(select(table).where(table.c.id == row.row_id)).mappings().first()
        if not _stands(current, row.after):
            raise LibraryError(_changed_since(session, change, row))
    for row in sorted((r for r in rows if r.after is None), key=lambda r: order.index(r.table_name)):
        table = tables[row.table_name]
        session.execute(table.insert().values(decode(table, row.before or {})))
    for row in rows:
        if row.before is not None and row.after is not None:
            table = tables[row.table_name]
            session.execute(update(table).where(table.c.id == row.row_id).values(decode(table, row.before)))
    for row in rows:
        if row.before is None and row.table_name == "recordings":
            _give_back(session, row, library)
    for row in sorted((r for r in rows if r.before is None), key=lambda r: -order.index(r.table_name)):
        session.execute(delete(tables[row.table_name]).where(tables[row.table_name].c.id == row.row_id))


def _stands(current: Mapping[Any, Any] | None, after: dict[str, Any] | None) -> bool:
    if after is None or current is None:
        return after is None and current is None
    return all(encode(current[name]) == value for name, value in after.items())


def _changed_since(session: Session, change: Change, row: ChangedRow) -> str:
    later = session.scalar(
        select(Change)
        .join(ChangedRow, ChangedRow.change_id == Change.id)
        .where(ChangedRow.row_id == row.row_id, Change.id > change.id, Change.undone_at.is_(None))
        .order_by(Change.id.desc())
    )
    again = f"change {later.id} ({later.what}); undo that first" if later else "something else since; mend it by hand"
    return f"change {change.id} ({change.what}) cannot be undone alone: what it touched was changed again by {again}"


def _give_back(session: Session, row: ChangedRow, library: Library) -> None:
    """Undoing an addition deletes the library's copy, so the original must still be there."""
    from imu.library.filing import drop_measured

    after = row.after or {}
    source = Path(after["source"]) if after.get("source") else None
    try:
        same = source is not None and source.exists() and files.content_hash(source) == after["sha256"]
    except CupbowError:
        same = False
    if not same:
        raise LibraryError(
            f"recording {row.row_id[:8]} cannot be taken out: the library holds its only copy (its original is gone or "
            "was changed); discard it instead"
        )
    if any(s.said for s in session.scalars(select(Swing).where(Swing.recording_id == row.row_id))):
        raise LibraryError(
            f"recording {row.row_id[:8]} cannot be taken out: something was said of its swings since; undo that first, "
            "or discard the recording"
        )
    drop_measured(session, [row.row_id])
    session.add(Trash(id=row.row_id, coach=library.coach))
