"""Where recordings lie: in a folder, or in an object store by its URL (read and written through fsspec).

    recordings/ID/samples/…       the files as they came
    recordings/ID/calibration/…   the saved calibration that it was added with, if any

Beside an object store each machine has a folder of its own for what is under way.
"""

from __future__ import annotations

import posixpath
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Protocol

from imu.errors import RecordingError, UsageError
from imu.library import files

SAMPLES = "samples"
CALIBRATION = "calibration"


class Depot(Protocol):
    """Recordings by their identity."""

    @property
    def remote(self) -> bool:
        """Whether a recording has to be fetched before it can be read."""

    def take(self, copies: Mapping[str, Path]) -> None:
        """Complete copies take their places by identity; what a killed program left there goes."""

    def address(self, recording_id: str, *inside: str) -> str:
        """What `fetched` takes, on any machine that reaches the depot."""

    def calibration(self, recording_id: str) -> str | None:
        """Address of the saved calibration that a recording was added with; of several sensors' their folder."""

    def remove(self, recording_id: str) -> None:
        """Delete a recording if it is there; OSError where that fails."""


class FolderDepot:
    """Recordings in a folder: one's own, or one that coaches share."""

    remote = False

    def __init__(self, root: Path) -> None:
        self.root, self.place = root, root / "recordings"

    def take(self, copies: Mapping[str, Path]) -> None:
        files.make_part(self.root, self.place.name)
        for recording_id, copy in copies.items():
            files.remove(self.place / recording_id)
            copy.rename(self.place / recording_id)
        files.sync_folder(self.place)

    def address(self, recording_id: str, *inside: str) -> str:
        return str(self.place.joinpath(recording_id, *inside))

    def calibration(self, recording_id: str) -> str | None:
        folder = self.place / recording_id / CALIBRATION
        there = sorted(folder.iterdir()) if folder.is_dir() else []
        return str(there[0] if len(there) == 1 else folder) if there else None

    def remove(self, recording_id: str) -> None:
        files.remove(self.place / recording_id)


class ObjectDepot:
    """Recordings in an object store. An object appears whole; a recording counts once its row is written."""

    remote = True

    def __init__(self, url: str) -> None:
        self.url = url.rstrip("/")

    def take(self, copies: Mapping[str, Path]) -> None:
        for recording_id, copy in copies.items():
            self.remove(recording_id)
            try:
                with _store(self.address(recording_id)) as (store, target):
                    for file in files.listed(copy):
                        key = posixpath.join(target, file.relative_to(copy).as_posix())
                        store.makedirs(posixpath.dirname(key), exist_ok=True)
                        store.put_file(str(file), key)
            except BaseException:
                self.remove(recording_id)
                raise

    def address(self, recording_id: str, *inside: str) -> str:
        return posixpath.join(self.url, "recordings", recording_id, *inside)

    def calibration(self, recording_id: str) -> str | None:
        folder = self.address(recording_id, CALIBRATION)
        with _store(folder) as (store, place):
            there = sorted(store.ls(place, detail=False)) if store.exists(place) else []
        if not there:
            return None
        return posixpath.join(folder, posixpath.basename(there[0])) if len(there) == 1 else folder

    def remove(self, recording_id: str) -> None:
        with _store(self.address(recording_id)) as (store, target):
            if store.exists(target):
                store.rm(target, recursive=True)


@contextmanager
def fetched(address: str) -> Iterator[Path]:
    """A file or folder of a depot on this machine: in its place, or a copy that is gone afterwards."""
    if "://" not in address:
        yield Path(address)
        return
    with tempfile.TemporaryDirectory(prefix="cupbow-") as folder:
        target = Path(folder) / posixpath.basename(address.rstrip("/"))
        fetch(address, target)
        yield target


def fetch(address: str, target: Path) -> None:
    """Copy a file or folder from an object store to `target`, which must not exist, for the owner alone."""
    with _store(address) as (store, source):
        if not store.exists(source):
            raise RecordingError(f"{address}: is not in the object store; put it back, or undo what filed it")
        if not store.isdir(source):
            store.get_file(source, str(target))
            return
        files.make_private(target)
        for key in store.find(source):
            place = target / Path(*posixpath.relpath(key, source).split("/"))
            if target not in place.parents or ".." in place.parts:
                raise RecordingError(f"{address}: holds {key!r}, which leads outside; take it out there")
            files.make_private(place.parent)
            store.get_file(key, str(place))


@contextmanager
def _store(url: str) -> Iterator[tuple[Any, str]]:
    """The file system behind a URL, and the path within it; faults as OSError with a line to show."""
    try:
        from fsspec.core import url_to_fs
    except ModuleNotFoundError:
        raise UsageError('recordings at a URL need fsspec: pip install "cupbow[cluster]", then try again') from None
    try:
        store, path = url_to_fs(url)
    except (ImportError, ValueError) as error:  # an unknown protocol, or one whose package is missing
        raise UsageError(f"{url}: cannot be reached ({str(error).splitlines()[0]})") from None
    try:
        store.invalidate_cache()  # another machine may have put something there since
        yield store, path
    except OSError:
        raise
    except Exception as error:
        if type(error).__module__.startswith("imu."):
            raise
        said = (str(error).splitlines() or [""])[0][:160]
        raise OSError(0, f"the object store at {url} says {type(error).__name__}: {said}") from error
