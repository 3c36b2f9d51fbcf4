"""The only door from the pages to measuring: recordings, measured results, bands, left-out swings.

What was measured is kept in the user's cache folder under the recording's identity (hash of its
content, version of the measuring code, bands), readable by its owner alone; nothing is ever
written among the recordings. What the user decides (bands, swings left out) is kept in the user's
data folder.
"""

from __future__ import annotations

import hashlib
import json
import os
import threading
import tomllib
from collections import OrderedDict
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from dashboard import bandsets
from dashboard.bandsets import ChosenBands
from dashboard.uploads import Uploads
from dashboard.words import say
from imu.errors import CupbowError
from imu.measured import Measurement, SwingTrace, write_whole

if TYPE_CHECKING:
    from imu.library.forget import Forgotten, Going
    from imu.library.store import Library

MANIFEST = "recording.toml"
FILED = "library/"
"""Begins the key of a recording that is filed in the library; its identity follows."""

CACHE_FORMAT = 1
MOST_OPEN = 8
"""Measured recordings kept in memory."""

Progress = Callable[[float, str], None]
Measurer = Callable[..., Measurement]


@dataclass(frozen=True)
class Entry:
    """A recording under the root. `key` is its path below the root, as it stands in links."""

    key: str
    path: Path
    club: str = ""
    recorded_at: str = ""
    title: str = ""  # where the key is no name for people

    @property
    def name(self) -> str:
        return self.title or self.key.rsplit("/", 1)[-1]

    @property
    def folder(self) -> str:
        return self.key.rpartition("/")[0]


@dataclass(frozen=True, eq=False)
class Ready:
    """A measured recording."""

    entry: Entry
    identity: str
    measurement: Measurement

    @cached_property
    def scales(self) -> dict[str, list[float]]:
        """The scales of the strip's panels: one for all swings."""
        from dashboard.figures import scales

        return scales(self.measurement)


@dataclass(frozen=True)
class Busy:
    """A recording that is being measured: how far (0 to 1), and at what."""

    entry: Entry
    fraction: float
    step: str
    queued: bool


@dataclass(frozen=True)
class Failed:
    """A recording that cannot be measured, with the line that says why; `cancelled` by the user."""

    entry: Entry
    message: str
    cancelled: bool = False


State = Ready | Busy | Failed


@dataclass
class Forgetting:
    """A student who is being forgotten: how far (0 to 1), at which of `imu.library.forget.STEPS`; then what
    was done, or the line that says why the student is still there."""

    fraction: float = 0.0
    step: str = ""
    done: Forgotten | None = None
    fault: str = ""

    @property
    def over(self) -> bool:
        return self.done is not None or bool(self.fault)


class _Cancelled(Exception):
    """The user stopped the measuring."""


@dataclass
class _Job:
    entry: Entry
    content: str
    fraction: float = 0.0
    step: str = ""
    started: bool = False
    cancelled: threading.Event = field(default_factory=threading.Event)

    def state(self, entry: Entry) -> Busy:
        return Busy(entry, self.fraction, self.step, not self.started)


class Service:
    """Recordings under `root` (a recording, a file, or a tree of them).

    `measurer` is `imu.measuring.measure` unless told otherwise; `library` is the user's own. Safe to call from several threads.
    """

    def __init__(
        self,
        root: Path | str,
        *,
        cache_dir: Path | str | None = None,
        data_dir: Path | str | None = None,
        measurer: Measurer | None = None,
        library: Path | str | None = None,
    ) -> None:
        given = Path(root).expanduser()
        if not given.exists():
            raise CupbowError(f"{given}: there is nothing here; name a folder that holds recordings")
        given = given.resolve()
        alone = given.is_file() or (given / MANIFEST).is_file()
        self.root = given.parent if alone else given
        self._only = given if alone else None
        self._cache = _owned(Path(cache_dir) if cache_dir else _user_dir("cache"))
        self._data = _owned(Path(data_dir) if data_dir else _user_dir("data"))
        self._band_folder = _owned(self._data / "bands")
        self._measurer = measurer
        self._library = library
        self._lock = threading.RLock()
        self._ready: OrderedDict[str, Ready] = OrderedDict()
        self._failed: dict[str, Failed] = {}  # by content, as the jobs are
        self._jobs: dict[str, _Job] = {}
        self._pool = ThreadPoolExecutor(max_workers=1, thread_name_prefix="measure")
        self._hashes = _Hashes(self._cache / "seen.json")
        self._forgetting: dict[str, Forgetting] = {}  # by the student's identity
        self.when_forgotten: list[Callable[[str], object]] = []
        """Called with the identity, from another thread, once a student is gone."""
        self.uploads = Uploads(self._data / "uploads")

    # -- recordings --------------------------------------------------------------------------------

    def recordings(self) -> list[Entry]:
        """All recordings under the root, in the order of their paths."""
        if self._only is not None:
            return [_entry(self.root, path) for path in (self._only, *self.uploads.saved.values()) if path.exists()]
        found = []
        for folder, folders, files in os.walk(self.root):
            folders[:] = sorted(f for f in folders if not f.startswith("."))
            if MANIFEST in files:
                found.append(_entry(self.root, Path(folder)))
                folders.clear()  # what lies below belongs to this recording
        return sorted(found, key=lambda e: e.key)

    def entry(self, key: str) -> Entry | None:
        """The recording of a link; only what the list (or the library) holds, wherever the link points."""
        if key.startswith(FILED):
            return self._filed(key)
        return next((e for e in self.recordings() if e.key == key), None)

    def save_upload(self, key: str, name: str) -> Entry:
        """Makes a recording under the root of what was uploaded, called `name`."""
        from imu.inspection import safe_name

        name = name.strip()
        if not name or name != safe_name(name):
            proposed = safe_name(name or "recording")
            raise CupbowError(f"{name!r} can't be the name of a folder everywhere; {proposed!r} can")
        return _entry(self.root, self.uploads.save(key, self.root / name))

    def saved_upload(self, key: str) -> Entry | None:
        """What an upload was saved as: a page may ask again before it has heard."""
        path = self.uploads.saved.get(key)
        return None if path is None else _entry(self.root, path)

    def count_measured(self, entry: Entry) -> int | None:
        """How many swings a recording holds, where that is known without measuring."""
        try:
            content = self._content(entry)
        except CupbowError:
            return None
        with self._lock:
            for identity, ready in self._ready.items():
                if identity.startswith(content):
                    return len(ready.measurement.swings)
        for path in self._files(content)[:1]:
            try:
                return len(json.loads(path.read_text(encoding="utf-8"))["measurement"]["swings"])
            except (OSError, ValueError, KeyError):
                return None
        return None

    def failure(self, entry: Entry) -> str | None:
        """Why a recording could not be read, where that was tried."""
        try:
            failed = self._failed.get(self._content(entry))
        except CupbowError as error:
            return str(error)
        return failed.message if failed and not failed.cancelled else None

    # -- measuring ---------------------------------------------------------------------------------

    def open(self, entry: Entry, *, again: bool = False) -> State:
        """What is known of a recording; measuring starts where nothing is.

        A recording that failed, or whose measuring was stopped, stays so until its files change or
        `again` asks.
        """
        try:
            content, bands = self._content(entry), self.bands(entry)
        except CupbowError as error:
            return Failed(entry, str(error))
        identity = f"{content}-{bands.digest}"
        with self._lock:
            if identity in self._ready:
                self._ready.move_to_end(identity)
                return replace(self._ready[identity], entry=entry)
            if again:
                self._failed.pop(content, None)
            if content in self._failed:
                return replace(self._failed[content], entry=entry)
            if content in self._jobs:
                return self._jobs[content].state(entry)
        kept = self._load(entry, content, bands)
        with self._lock:
            if kept is not None:
                return self._keep(kept)
            if content not in self._jobs:
                job = self._jobs[content] = _Job(entry, content)
                self._pool.submit(self._work, job)
            return self._jobs[content].state(entry)

    def cancel(self, entry: Entry) -> None:
        """Stops measuring a recording; what was measured of it is dropped."""
        with self._lock:
            for content, job in list(self._jobs.items()):
                if job.entry.key == entry.key:
                    job.cancelled.set()
                    del self._jobs[content]
                    self._failed[content] = Failed(entry, "", cancelled=True)

    def close(self) -> None:
        """Stops what is being measured and waits for it."""
        with self._lock:
            for job in self._jobs.values():
                job.cancelled.set()
        self._pool.shutdown(wait=True, cancel_futures=True)
        self.uploads.close()

    def _work(self, job: _Job) -> None:
        def progress(fraction: float, step: str = "") -> None:
            job.fraction, job.step = float(fraction), step
            if job.cancelled.is_set():
                raise _Cancelled

        try:
            job.started = True
            progress(0.0)
            if self._measurer is None:
                from imu.measuring import measure
            else:
                measure = self._measurer
            measurement = measure(job.entry.path, progress=progress)
            progress(1.0)
            bands = self.bands(job.entry)
            ready = Ready(job.entry, f"{job.content}-{bands.digest}", bands.judge(measurement))
            self._store(ready, job.content)
            with self._lock:
                self._keep(ready)
        except _Cancelled:
            pass  # the one who cancelled has said so already
        except CupbowError as error:
            self._fail(job, Failed(job.entry, str(error)))
        except Exception as error:
            # One recording that trips the program must not take the others with it.
            what = f"{job.entry.path}: a fault of the program, {type(error).__name__}: {error}"
            self._fail(job, Failed(job.entry, " ".join(what.split())))
        finally:
            with self._lock:
                if self._jobs.get(job.content) is job:
                    del self._jobs[job.content]

    def _fail(self, job: _Job, failed: Failed) -> None:
        with self._lock:
            if not job.cancelled.is_set():
                self._failed[job.content] = failed

    def _keep(self, ready: Ready) -> Ready:
        self._ready[ready.identity] = ready
        self._ready.move_to_end(ready.identity)
        while len(self._ready) > MOST_OPEN:
            self._ready.popitem(last=False)
        return ready

    # -- measured results on disk ------------------------------------------------------------------

    def _content(self, entry: Entry) -> str:
        """Hash of a recording's content and of the code that measures it."""
        return f"{self._hashes.of(entry.path)}-{code_version()}"

    def _files(self, content: str) -> list[Path]:
        return sorted(self._cache.glob(f"{content}-*.json"))

    def _store(self, ready: Ready, content: str) -> None:
        body = {"format": CACHE_FORMAT, "identity": ready.identity, "measurement": ready.measurement.to_json()}
        text = json.dumps(body, allow_nan=False)
        _write_private(self._cache / f"{content}.npz", lambda tmp: _write_traces(tmp, ready.measurement))
        _write_private(self._cache / f"{ready.identity}.json", lambda tmp: tmp.write_text(text, encoding="utf-8"))
        for old in self._cache.glob(f"{content.split('-')[0]}-*"):
            if not old.name.startswith(content):
                old.unlink(missing_ok=True)  # measured by another version of the code

    def _load(self, entry: Entry, content: str, bands: ChosenBands) -> Ready | None:
        """Results kept under these bands; or under others, judged anew."""
        wanted = self._cache / f"{content}-{bands.digest}.json"
        others = [path for path in self._files(content) if path != wanted]
        for path in [*([wanted] if wanted.exists() else []), *others]:
            try:
                body = json.loads(path.read_text(encoding="utf-8"))
                if body["format"] != CACHE_FORMAT:
                    continue
                traces = _read_traces(self._cache / f"{content}.npz")
                measurement = Measurement.from_json(body["measurement"], traces)
            except (OSError, ValueError, KeyError, TypeError, CupbowError):
                continue  # a file that can't be read is as good as none: measured again
            if path != wanted:
                measurement = bands.judge(measurement)
            ready = Ready(entry, f"{content}-{bands.digest}", measurement)
            if path != wanted:
                self._store(ready, content)
            return ready
        return None

    # -- bands -------------------------------------------------------------------------------------

    def bands(self, entry: Entry | None = None) -> ChosenBands:
        """The set in use; for a filed recording with the band of the change that its student works on."""
        chosen = bandsets.load(self._band_folder, bandsets.read_choice(self._data / "settings.json"))
        if entry is None or not entry.key.startswith(FILED):
            return chosen
        from imu.library.picks import current, own_bands
        from imu.library.schema import Recording

        library = self.open_library()
        if library is None:
            return chosen
        with library:
            with library.read() as session:
                recording = session.get(Recording, entry.key.removeprefix(FILED))
                student_id = recording.lesson.student_id if recording else None
            if student_id is None:
                return chosen
            return ChosenBands(chosen.key, own_bands(chosen.bands, current(library, student_id=student_id)))

    def band_sets(self) -> list[tuple[str, str]]:
        """Key and name of every set that can be used."""
        return bandsets.sets(self._band_folder)

    def choose_bands(self, key: str) -> None:
        if key not in dict(self.band_sets()):
            raise CupbowError(f"there is no set of bands {key!r}; choose one of the list")
        with self._lock:
            self._write("settings.json", self._read("settings.json") | {"bands": key})

    def save_bands(self, name: str, rows: Sequence[Mapping[str, Any]]) -> None:
        """Keeps a set under its name, in place of one of the same name, and uses it."""
        bands = bandsets.from_rows(name, rows)
        key = bandsets.key_of(bands.name)
        path = self._band_folder / f"{key}.toml"
        with self._lock:
            bands.write(path)
            path.chmod(0o600)
            self.choose_bands(key)

    # -- library -----------------------------------------------------------------------------------

    def library(self) -> Library | None:
        """The library of students, to be closed after use; None where there is none yet."""
        from imu.library.store import Library, LibraryError

        try:
            return Library.open(self._library, create=False)
        except LibraryError:
            return None

    def open_library(self, *, create: bool = False) -> Library | None:
        """As `library`, but one that is there and cannot be opened says why."""
        from imu.library.store import Library, NoLibrary

        try:
            return Library.open(self._library, create=create)
        except NoLibrary:
            return None

    def _filed(self, key: str) -> Entry | None:
        """A recording of the library under its key."""
        from imu.library.schema import Recording

        library = self.open_library()
        if library is None:
            return None
        with library, library.read() as session:
            recording = session.get(Recording, key.removeprefix(FILED))
            if recording is None:
                return None
            at = recording.recorded_at or recording.added_at
            name = recording.lesson.student.name
            return Entry(key, library.recording_path(recording), recording.club, at.astimezone().isoformat(), name)

    def _filed_swings(self, entry: Entry) -> dict[int, tuple[str, str | None]]:
        """Of a filed recording: number -> identity in the library, and why it is left out."""
        from imu.library.finding import Wanted, swings

        library = self.open_library()
        if library is None:
            return {}
        with library:
            lines = swings(library, Wanted(recording_id=entry.key.removeprefix(FILED)))
        return {line.number: (line.id, line.left_out) for line in lines if line.number is not None}

    # -- forgetting a student ----------------------------------------------------------------------

    def would_forget(self, student_id: str) -> Going:
        """What forgetting a student would delete. Raises CupbowError where there is none for this coach."""
        from imu.library.forget import would_go

        with self._there() as library:
            return would_go(library, [student_id], beside=[self._data])

    def forget(self, student_id: str, typed: str) -> None:
        """Begins to forget a student wholly, where the name typed is the student's; goes on by itself.

        It waits its turn among the recordings to measure, so that nothing of the student is measured
        or kept meanwhile; what is not begun there is dropped.
        """
        from imu.library.forget import confirms

        going = self.would_forget(student_id)
        if not confirms(typed, going.names[0]):
            raise CupbowError(say("forget.not_the_name"))
        with self._lock:
            if any(not one.over for one in self._forgetting.values()):
                raise CupbowError(say("forget.under_way"))
            state = self._forgetting[student_id] = Forgetting()
            for job in self._jobs.values():
                job.cancelled.set()
            self._jobs.clear()
        self._pool.submit(self._forget, student_id, going, state)

    def forgetting(self, student_id: str) -> Forgetting | None:
        """How far forgetting a student is. What it came to is told once, since it may name the student."""
        with self._lock:
            state = self._forgetting.get(student_id)
            if state is not None and state.over:
                del self._forgetting[student_id]
            return state

    def _forget(self, student_id: str, going: Going, state: Forgetting) -> None:
        from imu.library.forget import find_bytes, forget_all, needles_of

        def progress(fraction: float, step: str) -> None:
            state.fraction, state.step = fraction, step

        try:
            needles = needles_of(going.names)
            for key, _ in self.uploads.waiting():
                if any(find_bytes(self.uploads.place / key, needles)):
                    self.uploads.discard(key)
            with self._lock:
                self._ready.clear()
                self._failed.clear()
            self._hashes.clear()
            with self._there() as library:
                done = forget_all(library, [student_id], caches=[self._cache], beside=[self._data], progress=progress)
            for told in self.when_forgotten:
                told(student_id)
            # Uploads went above, where the server holds them too.
            state.done = replace(done, gone=replace(done.gone, uploads=going.uploads))
        except CupbowError as error:
            state.fault = str(error)
        except Exception as error:
            state.fault = " ".join(f"a fault of the program, {type(error).__name__}: {error}".split())

    def _there(self) -> Library:
        """The library, to be closed after use. Raises CupbowError where there is none."""
        library = self.open_library()
        if library is None:
            raise CupbowError(say("students.no_library"))
        return library

    def archive_of(self, student_id: str) -> tuple[int, Iterator[bytes]]:
        """An archive of one student: its bytes' number, and they. It never has a name on the disk."""
        import tempfile

        from imu.library.archive import write_archive
        from imu.library.files import CHUNK, make_part
        from imu.library.schema import Student

        with self._there() as library:
            with library.read() as session:
                if session.get(Student, student_id) is None:
                    raise CupbowError(say("student.unknown"))
            out = tempfile.TemporaryFile(dir=make_part(library.root, "incoming"))  # noqa: SIM115 - read later
            write_archive(library, out, student_id=student_id)
        size = out.tell()
        out.seek(0)

        def chunks() -> Iterator[bytes]:
            with out:
                while piece := out.read(CHUNK):
                    yield piece

        return size, chunks()

    # -- letters -----------------------------------------------------------------------------------

    def letter_file(self, name: str) -> Path:
        """Where the words of a letter are kept: in a folder that its owner alone can read."""
        return _owned(self._data / "letters") / name

    # -- swings left out ---------------------------------------------------------------------------

    def left_out(self, entry: Entry) -> dict[int, str]:
        """Swings that the user left out of means: number -> reason. They belong to the content of
        the recording: moving or renaming it keeps them. Of a filed recording the library knows."""
        if entry.key.startswith(FILED):
            return {n: why for n, (_, why) in self._filed_swings(entry).items() if why is not None}
        kept = self._read("left-out.json").get(self._hashes.of(entry.path), {})
        return {int(k): str(v) for k, v in kept.items()}

    def leave_out(self, entry: Entry, swing: int, reason: str = "") -> None:
        if entry.key.startswith(FILED):
            from imu.library.filing import leave_out

            self._change_filed(entry, swing, lambda library, ids: leave_out(library, ids, reason=reason or "by hand"))
            return
        self._change_left_out(entry, lambda kept: kept.update({str(swing): reason}))

    def take_back(self, entry: Entry, swing: int) -> None:
        if entry.key.startswith(FILED):
            from imu.library.filing import take_back

            self._change_filed(entry, swing, take_back)
            return
        self._change_left_out(entry, lambda kept: kept.pop(str(swing), None))

    def _change_filed(self, entry: Entry, swing: int, change: Callable[[Library, list[str]], None]) -> None:
        known = self._filed_swings(entry)
        library = self.open_library()
        if library is not None:
            with library:
                change(library, [known[swing][0]] if swing in known else [])

    def _change_left_out(self, entry: Entry, change: Callable[[dict[str, str]], object]) -> None:
        with self._lock:
            everything = self._read("left-out.json")
            kept = everything.setdefault(self._hashes.of(entry.path), {})
            change(kept)
            if not kept:
                del everything[self._hashes.of(entry.path)]
            self._write("left-out.json", everything)

    def _read(self, name: str) -> dict[str, Any]:
        try:
            found = json.loads((self._data / name).read_text(encoding="utf-8"))
        except FileNotFoundError:
            return {}
        except (OSError, ValueError):
            raise CupbowError(f"{self._data / name}: cannot be read; mend it, or move it away") from None
        return found if isinstance(found, dict) else {}

    def _write(self, name: str, body: Mapping[str, Any]) -> None:
        text = json.dumps(body, indent=1)
        _write_private(self._data / name, lambda tmp: tmp.write_text(text + "\n", encoding="utf-8"))


def code_version() -> str:
    """The version of the code that measures, by its content, so that a changed line counts."""
    from imu.fingerprint import measuring_code

    return measuring_code()


class _Hashes:
    """Hashes of recordings' content; a file is read again only when its size or time changed."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._lock = threading.Lock()
        try:
            self._seen: dict[str, list[Any]] = json.loads(path.read_text(encoding="utf-8"))
        except (OSError, ValueError):
            self._seen = {}

    def clear(self) -> None:
        """Drop what was seen; the file goes with the rest of the cache."""
        with self._lock:
            self._seen.clear()

    def of(self, recording: Path) -> str:
        with self._lock:
            before = len(self._seen)
            digest, changed = hashlib.sha256(), False
            base = recording if recording.is_dir() else recording.parent
            try:
                for path in _content_files(recording):
                    file_digest, new = self._file(path)
                    changed |= new
                    digest.update(path.relative_to(base).as_posix().encode() + b"\0" + file_digest.encode())
            except OSError as error:
                raise CupbowError(f"{error.filename or recording}: cannot be read ({error.strerror})") from None
            if changed or len(self._seen) != before:
                text = json.dumps(self._seen)
                _write_private(self._path, lambda tmp: tmp.write_text(text, encoding="utf-8"))
            return digest.hexdigest()[:32]

    def _file(self, path: Path) -> tuple[str, bool]:
        stat = path.stat()
        mark = [stat.st_size, stat.st_mtime_ns]
        known = self._seen.get(str(path))
        if known and known[:2] == mark:
            return str(known[2]), False
        with path.open("rb") as data:
            found = hashlib.file_digest(data, "sha256").hexdigest()
        self._seen[str(path)] = [*mark, found]
        return found, True


def _content_files(recording: Path) -> list[Path]:
    if recording.is_file():
        return [recording]
    found = (
        path for path in recording.rglob("*") if not any(p.startswith(".") for p in path.relative_to(recording).parts)
    )
    return sorted(path for path in found if path.is_file())


def _entry(root: Path, path: Path) -> Entry:
    """A recording as its manifest introduces it; a manifest that lies is the reader's business."""
    club = recorded_at = ""
    try:
        manifest = tomllib.loads((path / MANIFEST).read_text(encoding="utf-8")) if path.is_dir() else {}
        club, recorded_at = str(manifest.get("club", "")), str(manifest.get("recorded_at", ""))
    except (OSError, ValueError):
        pass
    return Entry(path.relative_to(root).as_posix(), path, club, recorded_at)


# -- traces on disk: arrays by name, so that a page needs no table library to start -----------------


def _write_traces(path: Path, measurement: Measurement) -> None:
    arrays: dict[str, Any] = {}
    for swing in measurement.swings:
        if swing.trace is None:
            continue
        arrays[f"{swing.index}/t"] = swing.trace.t_s
        for kind, table in (
            ("angle", swing.trace.angles_deg),
            ("u95", swing.trace.u95_deg),
            ("q", swing.trace.q_to_target),
        ):
            arrays |= {f"{swing.index}/{kind}/{name}": values for name, values in table.items()}
    with path.open("wb") as out:
        np.savez(out, **arrays)


def _read_traces(path: Path) -> dict[int, SwingTrace]:
    found: dict[int, dict[str, Any]] = {}
    with np.load(path, allow_pickle=False) as arrays:
        for name in arrays.files:
            index, kind, *rest = name.split("/")
            swing = found.setdefault(int(index), {"t": np.zeros(0), "angle": {}, "u95": {}, "q": {}})
            if rest:
                swing[kind][rest[0]] = arrays[name]
            else:
                swing["t"] = arrays[name]
    return {i: SwingTrace(s["t"], s["angle"], s["u95"], s["q"]) for i, s in found.items()}


def _user_dir(kind: str) -> Path:
    import platformdirs

    if kind == "cache":
        return Path(platformdirs.user_cache_dir("cupbow", appauthor=False)) / "measured"
    return Path(platformdirs.user_data_dir("cupbow", appauthor=False))


def _owned(path: Path) -> Path:
    """A folder that its owner alone can read."""
    try:
        path.mkdir(parents=True, exist_ok=True)
        path.chmod(0o700)
    except OSError as error:
        raise CupbowError(f"{path}: cannot be made ({error.strerror}); make room or free the place") from None
    return path


def _write_private(path: Path, write: Callable[[Path], object]) -> None:
    write_whole(path, write)
    path.chmod(0o600)
