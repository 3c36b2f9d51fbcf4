"""Recordings as files: their identity, copies that only the owner can read, and what is left over.

A file appears in the library whole or not at all: it is copied to `incoming/`, flushed to the
disk, and then moves to its place in one step. Whoever copies holds a lock on their part of
`incoming/`, so that what a killed program left there is known from what another is writing now.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import shutil
import stat
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from filelock import FileLock, Timeout

from imu.errors import RecordingError
from imu.library.schema import new_id

CHUNK = 1 << 20
IGNORED = {".DS_Store", "Thumbs.db", "desktop.ini"}  # put there by file browsers, not by recorders


def listed(path: Path) -> list[Path]:
    """The files of a recording, in the order of their names.

    Links are refused, since a recording must not reach outside itself.
    """
    if path.is_symlink():
        path = path.resolve()
    if path.is_file():
        return [path]
    if not path.is_dir():
        raise RecordingError(f"{path}: there is no such file or folder")
    found = []
    for inner in sorted(path.rglob("*")):
        if inner.name in IGNORED:
            continue
        if inner.is_symlink():
            raise RecordingError(f"{inner}: is a link; put the file itself into the recording's folder")
        if inner.is_file():
            found.append(inner)
        elif not inner.is_dir():
            raise RecordingError(f"{inner}: is neither file nor folder; take it out of the recording's folder")
    if not found:
        raise RecordingError(f"{path}: the folder is empty; choose the folder that holds the sensor files")
    return found


def content_hash(path: Path) -> str:
    """SHA-256 of what a recording holds, 64 hexadecimal digits.

    For a single file its bytes, whatever it is called; for a folder the names (relative) and
    bytes of its files.
    """
    path = path.resolve() if path.is_symlink() else path
    files = listed(path)
    if path.is_file():
        return _file_hash(path)
    whole = hashlib.sha256()
    for file in files:
        whole.update(file.relative_to(path).as_posix().encode() + b"\0" + bytes.fromhex(_file_hash(file)))
    return whole.hexdigest()


def _file_hash(path: Path) -> str:
    try:
        with open(path, "rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError as error:
        raise RecordingError(f"{path}: cannot be read ({error.strerror})") from None


def copy_private(source: Path, target: Path) -> int:
    """Copy a file or folder to `target` (which must not exist), readable by the owner alone and
    flushed to the disk; returns bytes. A single file keeps its name inside the folder `target`."""
    source = source.resolve() if source.is_symlink() else source
    files = listed(source)
    make_private(target)
    total = 0
    for file in files:
        place = target / (file.relative_to(source) if source.is_dir() else file.name)
        make_private(place.parent)
        with open(file, "rb") as reading, open_private(place) as writing:
            shutil.copyfileobj(reading, writing, CHUNK)
            writing.flush()
            os.fsync(writing.fileno())
            total += writing.tell()
    for folder in {target, *(p for p in target.rglob("*") if p.is_dir())}:
        sync_folder(folder)
    return total


def open_private(path: Path):  # type: ignore[no-untyped-def]  # a binary file
    """A new file for writing that nobody but the owner may read."""
    return os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o600), "wb")


def make_private(folder: Path) -> None:
    """Create a folder, and what is missing above it, for the owner alone."""
    missing = [folder, *folder.parents]
    for place in reversed(missing[: next((i for i, p in enumerate(missing) if p.exists()), len(missing))]):
        place.mkdir(mode=0o700, exist_ok=True)


def make_part(root: Path, name: str) -> Path:
    """A folder within the library's root: private, or, where others may write to the root, one in
    which they may put their own (which is private), and take away nobody else's (sticky)."""
    make_private(root)
    folder = root / name
    if not folder.exists():
        folder.mkdir(mode=0o700, exist_ok=True)
        if (mode := stat.S_IMODE(root.stat().st_mode)) & 0o022:
            folder.chmod(mode | stat.S_ISVTX)
    return folder


def sync_folder(folder: Path) -> None:
    """Make a folder's entries (new names, renames) last through a power cut, where the system can."""
    if sys.platform == "win32":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def remove(path: Path) -> None:
    """Delete a file or folder if it is there; a failure raises OSError."""
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)


@contextmanager
def incoming(root: Path) -> Iterator[Path]:
    """A new empty folder under `root/incoming` for this process, gone again at the end."""
    place = make_part(root, "incoming") / new_id()
    lock = FileLock(f"{place}.lock", mode=0o600)
    with lock:
        make_private(place)
        try:
            yield place
        finally:
            remove(place)
            with contextlib.suppress(OSError):
                Path(lock.lock_file).unlink()


def sweep_incoming(root: Path) -> int:
    """Delete what killed programs left in `root/incoming`; what a living one holds stays."""
    folder, gone = root / "incoming", 0
    if not folder.is_dir():
        return 0
    names = {p.name.removesuffix(".lock") for p in folder.iterdir()}
    for name in names:
        lock = FileLock(folder / f"{name}.lock", mode=0o600)
        try:
            with lock.acquire(timeout=0):
                if (folder / name).exists():
                    remove(folder / name)
                    gone += 1
                # The holder of the lock removes its file: one that waits for it would hold a ghost.
                with contextlib.suppress(OSError):
                    Path(lock.lock_file).unlink()
        except (Timeout, PermissionError):  # held, or another's in a shared folder
            continue
    return gone
