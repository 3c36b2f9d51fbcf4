"""Uploads, kept out of the way until they are saved as a recording.

    inbox = Inbox.new(root)                       # a folder of its own, for this user alone
    inbox.add("Accelerometer.csv", chunks)        # bounded; the name made safe
    found = imu.inspection.inspect(inbox.target)
    imu.inspection.save(found, "lessons/monday", handed="left", roles={...})
    inbox.discard()

What is uploaded is data: it is never executed nor unpacked, and no name in it chooses a place.
"""

from __future__ import annotations

import os
import re
import secrets
import shutil
import time
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from imu.errors import CupbowError, UsageError
from imu.inspection import free_name, safe_name
from imu.readers.files import safe

MOST_BYTES = 2 << 30
MOST_FILES = 100
DEEPEST = 8
KEPT_S = 24 * 3600.0


@dataclass(frozen=True)
class Inbox:
    """A folder of uploads. `key` finds it again (`Inbox.again`) and cannot be guessed."""

    path: Path
    most_bytes: int = MOST_BYTES
    most_files: int = MOST_FILES

    @classmethod
    def new(cls, root: Path | str, *, most_bytes: int = MOST_BYTES, most_files: int = MOST_FILES) -> Inbox:
        """A fresh inbox below `root`; inboxes left there for over a day are cleared away."""
        root = Path(root)
        try:
            root.mkdir(parents=True, exist_ok=True, mode=0o700)
            _sweep(root)
            path = root / secrets.token_urlsafe(16)
            path.mkdir(mode=0o700)
        except OSError as error:
            raise CupbowError(f"{safe(root)}: uploads cannot be kept there ({error.strerror})") from None
        return cls(path, most_bytes, most_files)

    @classmethod
    def again(cls, root: Path | str, key: str, *, most_bytes: int = MOST_BYTES, most_files: int = MOST_FILES) -> Inbox:
        """The inbox of a key from `new`."""
        path = Path(root) / key
        if not re.fullmatch(r"[A-Za-z0-9_-]{22}", key) or not path.is_dir():
            raise UsageError("these uploads are no longer kept; upload them again")
        return cls(path, most_bytes, most_files)

    @property
    def key(self) -> str:
        return self.path.name

    @property
    def files(self) -> list[Path]:
        """What was uploaded, also in folders; what begins with a dot is our own."""
        inside = ((p, p.relative_to(self.path).parts) for p in self.path.rglob("*"))
        return sorted(p for p, parts in inside if p.is_file() and not any(part.startswith(".") for part in parts))

    def name_of(self, file: Path) -> str:
        """What a file is called within the upload, its folders included."""
        return file.relative_to(self.path).as_posix()

    @property
    def target(self) -> Path:
        """What to inspect: the one file, else the folder of them."""
        files = self.files
        return files[0] if len(files) == 1 else self.path

    def add(self, name: str, chunks: Iterable[bytes]) -> Path:
        """Take a file, into the folders that its name says: some loggers tell sensors apart by folders
        alone. It appears whole or not at all; over the limits it is refused in one line."""
        files = self.files
        if len(files) >= self.most_files:
            raise UsageError(f"{safe(name)}: over {self.most_files} files; upload those of one recording")
        room = self.most_bytes - sum(p.stat().st_size for p in files)
        *folders, last = [part for part in name.replace("\\", "/").split("/") if part not in ("", ".", "..")] or [name]
        if len(folders) > DEEPEST:
            raise UsageError(f"{safe(name)}: lies in over {DEEPEST} folders; upload the folder of the recording itself")
        folder = self.path.joinpath(*(safe_name(part) for part in folders))
        place = folder / free_name(safe_name(last), {p.name for p in files if p.parent == folder})
        part = self.path / f".{secrets.token_hex(8)}"
        try:
            with os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as out:
                for chunk in chunks:
                    room -= len(chunk)
                    if room < 0:
                        raise UsageError(
                            f"{safe(name)}: with it the upload is over {self.most_bytes >> 20} MB, the limit"
                        )
                    out.write(chunk)
            folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            part.replace(place)
        except OSError as error:
            raise CupbowError(f"{safe(name)}: cannot be kept ({error.strerror}); make room") from None
        finally:
            part.unlink(missing_ok=True)
        return place

    def discard(self) -> None:
        shutil.rmtree(self.path, ignore_errors=True)


def _sweep(root: Path) -> None:
    for path in root.iterdir():
        if re.fullmatch(r"[A-Za-z0-9_-]{22}", path.name) and path.is_dir() and not path.is_symlink():
            try:
                old = time.time() - path.stat().st_mtime > KEPT_S
            except OSError:
                continue
            if old:
                shutil.rmtree(path, ignore_errors=True)
