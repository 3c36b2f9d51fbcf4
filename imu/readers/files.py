"""Files as they lie on disk: plain, gzip or zip, opened with bounds and never unpacked to disk.

A path becomes a `Store`: a folder, an archive, or one file. Its entries are opened by the name that
was listed, so that no name in a manifest or an archive can reach outside.
"""

from __future__ import annotations

import gzip
import io
import os
import stat
import zipfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any, BinaryIO, cast

from imu.errors import RecordingError

MANIFEST = "recording.toml"
MAX_ENTRIES = 2000
MAX_UNPACKED = 8 << 30  # bytes of one packed file, unpacked
MAX_RATIO = 100  # unpacked over packed; sensor text reaches some 4 to 20
RATIO_COUNTS_FROM = 32 << 20  # bytes; a small file may well be very regular

_FOREIGN = (
    (b"\x89HDF", "an HDF5 file"),
    (b"MATLAB 5.0", "a MATLAB file"),
    (b"BZh", "a bzip2 file"),
    (b"\xfd7zXZ", "an xz file"),
    (b"7z\xbc\xaf", "a 7z archive"),
    (b"\x28\xb5\x2f\xfd", "a zstd file"),
    (b"\xd0\xcf\x11\xe0", "an old spreadsheet"),
    (b"%PDF", "a PDF"),
    (b"SQLite format", "a database"),
    (b"\x93NUMPY", "a NumPy file"),
    (b"Rar!", "a rar archive"),
)


def safe(name: object) -> str:
    """A name as it may be printed: control characters and line ends out, not too long."""
    text = "".join(c if c.isprintable() else "?" for c in str(name))
    return text if len(text) <= 120 else f"{text[:80]}…{text[-30:]}"


@dataclass(frozen=True)
class Entry:
    """One data file: `name` for messages and matching, `size` in bytes as stored."""

    name: str
    size: int
    opener: Callable[[], BinaryIO]

    @contextmanager
    def open(self) -> Iterator[BinaryIO]:
        """The bytes, gunzipped where needed; whatever goes wrong with them is one line."""
        try:
            with self.opener() as raw:
                magic = raw.read(4) if raw.seekable() else b""
                raw.seek(0)
                if magic[:2] == b"\x1f\x8b":
                    with gzip.GzipFile(fileobj=raw) as unzipped:
                        yield cast(BinaryIO, Bounded(unzipped, self.name, self.size))
                else:
                    yield raw
        except (EOFError, zlib.error, gzip.BadGzipFile, zipfile.BadZipFile, NotImplementedError) as error:
            raise RecordingError(
                f"{safe(self.name)}: the packed file is damaged ({error}); pack or copy it again"
            ) from None
        except RuntimeError as error:
            if "password" in str(error) or "encrypted" in str(error):
                raise RecordingError(f"{safe(self.name)}: is locked with a password; unpack it first") from None
            raise
        except OSError as error:
            raise RecordingError(f"{safe(self.name)}: cannot be read ({error.strerror or error})") from None

    def head(self, size: int) -> bytes:
        with self.open() as stream:
            return stream.read(size)


class Bounded(io.RawIOBase):
    """Unpacked bytes that stop with an error where a small file grows without measure."""

    def __init__(self, stream: io.BufferedIOBase | BinaryIO, name: str, packed: int) -> None:
        self._stream, self._name, self._packed, self._count = stream, name, max(packed, 1), 0

    def readable(self) -> bool:
        return True

    def read(self, size: int = -1) -> bytes:
        if size is None or size < 0:
            size = MAX_UNPACKED
        data = self._stream.read(size)
        self._count += len(data)
        grown = self._count > RATIO_COUNTS_FROM and self._count > MAX_RATIO * self._packed
        if self._count > MAX_UNPACKED or grown:
            raise RecordingError(
                f"{safe(self._name)}: unpacks to over {self._count >> 20} MB from {self._packed} bytes; "
                "this is no sensor recording, so it was left"
            )
        return data

    def readinto(self, buffer: memoryview) -> int:  # type: ignore[override]
        data = self.read(len(buffer))
        buffer[: len(data)] = data
        return len(data)


@dataclass(frozen=True)
class Store:
    """The data files of a recording, and its manifest's text where it has one."""

    path: Path
    entries: tuple[Entry, ...]
    manifest: str | None
    single: bool  # one file by itself, not a folder or archive

    def entry(self, name: str) -> Entry | None:
        """The entry that a manifest names, also where the file was packed since (NAME.gz)."""
        wanted = str(PurePosixPath(name.replace("\\", "/")))
        for candidate in (wanted, f"{wanted}.gz"):
            for entry in self.entries:
                if entry.name == candidate:
                    return entry
        return None


def open_store(path: Path | str) -> Store:
    path = Path(path)
    if "\0" in str(path):
        raise RecordingError(f"{safe(path)}: is no file name")
    try:
        mode = path.stat().st_mode
    except OSError as error:
        reason = "does not exist" if isinstance(error, FileNotFoundError) else f"cannot be opened ({error.strerror})"
        raise RecordingError(f"{safe(path)}: {reason}; give a recording folder or a data file") from None
    if stat.S_ISDIR(mode):
        return _folder(path)
    if not stat.S_ISREG(mode):
        raise RecordingError(f"{safe(path)}: is neither a file nor a folder")
    if path.name == MANIFEST:
        return _folder(path.parent)
    with _plain(path, path.name).open() as stream:
        magic = stream.read(4)
    if magic == b"PK\x03\x04":
        return _archive(path)
    return Store(path, (_plain(path, path.name),), None, single=True)


def foreign(head: bytes) -> str | None:
    """What a file is that is known not to be delimited text."""
    return next((what for magic, what in _FOREIGN if head.startswith(magic)), None)


def _plain(path: Path, name: str) -> Entry:
    def opener() -> BinaryIO:
        # A pipe or device put in the place of the file would wait for ever.
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            os.close(handle)
            raise RecordingError(f"{safe(name)}: is not a regular file")
        return os.fdopen(handle, "rb")

    return Entry(name, path.stat().st_size, opener)


def _folder(path: Path) -> Store:
    root = path.resolve()
    entries: list[Entry] = []
    manifest = None
    for folder, folders, names in os.walk(root):
        folders[:] = sorted(f for f in folders if not f.startswith("."))
        for name in sorted(names):
            file = Path(folder) / name
            inside = file.relative_to(root).as_posix()
            if name.startswith("."):
                continue
            try:
                if not file.resolve().is_relative_to(root) or not file.is_file():
                    continue  # a link that leads out of the recording, a pipe, a dangling link
                if inside == MANIFEST:
                    manifest = _manifest_text(_plain(file, inside))
                    continue
                entries.append(_plain(file, inside))
            except OSError:
                continue
            if len(entries) > MAX_ENTRIES:
                raise RecordingError(f"{safe(path)}: holds over {MAX_ENTRIES} files; give the folder of one recording")
    return Store(path, tuple(entries), manifest, single=False)


def _archive(path: Path) -> Store:
    try:
        with zipfile.ZipFile(path) as archive:
            infos = [i for i in archive.infolist() if not i.is_dir()]
    except (zipfile.BadZipFile, OSError, NotImplementedError, ValueError) as error:
        raise RecordingError(f"{safe(path)}: the archive is damaged ({error}); pack or copy it again") from None
    names = [i.filename for i in infos]
    if "[Content_Types].xml" in names:
        raise RecordingError(f"{safe(path)}: is a spreadsheet; save its sheet as CSV and give that")
    if len(infos) > MAX_ENTRIES:
        raise RecordingError(f"{safe(path)}: holds {len(infos)} files, more than the {MAX_ENTRIES} that are read")
    infos = [
        i
        for i in infos
        if not any(part.startswith((".", "__MACOSX")) for part in PurePosixPath(i.filename.replace("\\", "/")).parts)
        or ".." in i.filename
    ]
    # A folder packed whole has one folder around everything.
    parts = [PurePosixPath(i.filename.replace("\\", "/")).parts for i in infos]
    around = parts[0][0] if parts and all(len(p) > 1 and p[0] == parts[0][0] for p in parts) else None
    entries: list[Entry] = []
    manifest = None
    for info, part in zip(infos, parts, strict=True):
        name = "/".join(part[1:] if around else part)

        def opener(info: zipfile.ZipInfo = info, name: str = name) -> BinaryIO:
            if info.file_size > MAX_UNPACKED:
                raise RecordingError(f"{safe(name)}: says it unpacks to {info.file_size >> 20} MB; it was left")
            archive = zipfile.ZipFile(path)
            try:
                member = archive.open(info)
            finally:
                archive.close()  # the member keeps the file open by itself
            return cast(
                BinaryIO, io.BufferedReader(_Member(Bounded(cast(BinaryIO, member), name, info.compress_size), member))
            )

        entry = Entry(name, info.compress_size, opener)
        if name == MANIFEST:
            manifest = _manifest_text(entry)
        else:
            entries.append(entry)
    return Store(path, tuple(entries), manifest, single=False)


class _Member(io.RawIOBase):
    """A zip member, counted as it unpacks, that can be rewound."""

    def __init__(self, bounded: Bounded, member: Any) -> None:
        self._bounded, self._member = bounded, member

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = 0) -> int:
        return self._member.seek(offset, whence)

    def readinto(self, buffer: memoryview) -> int:  # type: ignore[override]
        return self._bounded.readinto(buffer)

    def close(self) -> None:
        if not self.closed:
            self._member.close()
        super().close()


def _manifest_text(entry: Entry) -> str:
    data = entry.head((1 << 20) + 1)
    if len(data) > 1 << 20:
        raise RecordingError(f"{MANIFEST}: is over 1 MB long, which no manifest is")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise RecordingError(f"{MANIFEST} line {line}: is not UTF-8 text; save it as UTF-8") from None
