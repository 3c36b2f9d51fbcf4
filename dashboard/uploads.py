"""Files on their way to a recording: kept aside, read, corrected, saved.

What is uploaded lies in an inbox (`imu.inbox`) in the user's data folder until it is saved or
discarded; what the user says of it lies beside it, so that nothing typed is lost with the page.
"""

from __future__ import annotations

import json
import math
import re
import threading
import time
from collections import OrderedDict
from collections.abc import Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from imu.errors import CupbowError, UsageError

if TYPE_CHECKING:
    from imu.inbox import Inbox
    from imu.inspection import Inspection
    from imu.readers.hints import Hints
    from imu.recording import Handedness, Pose, Role
    from imu.still_moments import Still

MOST_BYTES = 2 << 30
MOST_FILES = 100
MOST_INBOXES = 12
EMPTY_KEPT_S = 600.0
POINTS = 700
"""Samples of a preview: about as many as it has pixels."""
MOST_OPEN = 2
"""Uploads whose samples stay in memory."""
MANIFEST = "recording.toml"
SAID = ".said.json"
MOST_SAID = 64_000
"""Letters of what is said of one upload."""
LEFT_OUT = "none"
UNIT_HINTS = ("accel_unit", "gyro_unit", "time_unit")
NUMBER_HINTS = ("rate_hz", "accel_sensitivity", "gyro_sensitivity")
Previews = tuple[tuple[Any, Any, Any], ...]
"""For each sensor seconds, acceleration and rate, as `Inspection.preview` gives them."""


@dataclass(frozen=True)
class Draft:
    """An upload as far as it is understood.

    `found` is what the files say; `corrected` the same with the user's word. `fault` is the line of
    what could not be done with the latest word; `found` is then that of the one before. `unused` are
    files in which no sensor was found, `notes` what is said of them.
    """

    key: str
    files: tuple[tuple[str, int], ...]
    said: Mapping[str, Any]
    found: Inspection | None
    corrected: Inspection | None
    previews: Previews
    unused: tuple[str, ...]
    notes: tuple[str, ...]
    fault: str
    busy: float | None
    moments: tuple[Still, ...] | None = None  # still ones, that may have been poses; None: not looked for
    looking: bool = False  # for them
    saving: bool = False

    def roles(self) -> dict[int, Role | None]:
        """What the user says of sensors, by their place in `found`; None: left out."""
        return _roles(self.found, self.said) if self.found else {}


class _Stopped(Exception):
    """The upload was discarded while it was read."""


@dataclass(eq=False)
class _Open:
    inbox: Inbox
    said: dict[str, Any]
    said_at: float = 0.0
    found: Inspection | None = None
    previews: Previews = ()
    corrected: tuple[Any, Inspection] | None = None  # and for what it was made
    unused: tuple[str, ...] = ()
    moments: tuple[Any, tuple[Still, ...]] | None = None  # and for what they were looked for
    looking: Any = None  # for what they are being looked for
    fault: str = ""
    read: Any = None  # what was read last: files and hints
    running: bool = False
    saving: bool = False
    done_bytes: int = 0
    gone: threading.Event = field(default_factory=threading.Event)


class Uploads:
    """Uploads below `place`. Safe to call from several threads."""

    def __init__(self, place: Path, *, most_bytes: int = MOST_BYTES, most_files: int = MOST_FILES) -> None:
        self.place = place
        self.most_bytes, self.most_files = most_bytes, most_files
        self._lock = threading.RLock()
        self.saved: dict[str, Path] = {}
        """Uploads that were saved, by their keys, and where they went."""
        self._open: OrderedDict[str, _Open] = OrderedDict()
        self._pool = ThreadPoolExecutor(max_workers=1, thread_name_prefix="read")

    def new(self) -> str:
        """A fresh inbox's key; empty ones that were left are cleared away."""
        from imu.inbox import Inbox

        waiting = len(self.waiting())
        if waiting >= MOST_INBOXES:
            raise UsageError(f"{waiting} uploads wait to be saved; save or discard one of them first")
        for path in self.place.iterdir() if self.place.is_dir() else ():
            if time.time() - _changed(path) > EMPTY_KEPT_S and not any(path.iterdir()):
                path.rmdir()
        return Inbox.new(self.place).key

    def add(self, key: str, name: str, chunks: Iterable[bytes]) -> str:
        """Takes a file and gives the name that it is kept under.

        A recording's manifest keeps its name, as in a folder or an archive: it brings poses, and says of
        files by the names that lie beside it, no others.
        """
        inbox = self._of(key).inbox
        path = inbox.add(name, chunks)
        if name.replace("\\", "/").rsplit("/", 1)[-1] == MANIFEST:
            path = path.replace(inbox.path / MANIFEST)
        return inbox.name_of(path)

    def remove(self, key: str, name: str) -> None:
        """Takes a file out again."""
        inbox = self._of(key).inbox
        for path in inbox.files:
            if inbox.name_of(path) == name:
                path.unlink(missing_ok=True)
                if path.parent != inbox.path and not any(path.parent.iterdir()):
                    path.parent.rmdir()

    def waiting(self) -> list[tuple[str, list[str]]]:
        """Uploads that are neither saved nor discarded, the latest first: key and names of files."""
        from imu.inbox import Inbox

        if not self.place.is_dir():
            return []
        found = []
        for path in sorted(self.place.iterdir(), key=_changed, reverse=True):
            try:
                inbox = Inbox.again(self.place, path.name)
                names = [inbox.name_of(p) for p in inbox.files]
            except (CupbowError, OSError):
                continue
            if names:
                found.append((path.name, names))
        return found

    def look(self, key: str, said: Mapping[str, Any] | None = None, *, at: float = math.inf) -> Draft:
        """What is understood of an upload; reading starts where files or hints have changed. `at`: when it
        was said, for what is said quickly may arrive in another order."""
        draft = self._of(key)
        with self._lock:
            if said is not None and at >= draft.said_at and dict(said) != draft.said:
                draft.said = self._say(draft.inbox, said)
            if said is not None and at < math.inf:
                draft.said_at = max(at, draft.said_at)
            files = tuple((draft.inbox.name_of(p), p.stat().st_size) for p in draft.inbox.files)
            fault = ""
            try:
                hints = hints_of(draft.said)
            except UsageError as error:
                fault = str(error)
            else:
                if (files, hints) != draft.read and not draft.running and files:
                    draft.running = True
                    self._pool.submit(self._work, draft)
            found = draft.found if files else None
            corrected = None
            try:
                corrected = _corrected(draft, found) if found else None
            except UsageError as error:
                fault = fault or str(error)
            if corrected is not None and not draft.running:
                self._look_for_moments(draft, corrected)
            total = sum(size for _, size in files)
            busy = min(1.0, draft.done_bytes / max(total, 1)) if draft.running else None
            line = plainly(fault or draft.fault, draft.inbox) if files else ""
            unused = draft.unused if files else ()
            notes = (*found.needs, *found.warnings) if found else ()
            notes = tuple(plainly(n, draft.inbox) for n in notes)
            moments = _moments(draft, found) if found else None
            looking = draft.looking is not None
            said_now, seen, saving = dict(draft.said), draft.previews, draft.saving
            return Draft(
                key, files, said_now, found, corrected, seen, unused, notes, line, busy, moments, looking, saving
            )

    def save(self, key: str, folder: Path) -> Path:
        """Makes a recording of an upload, as it is understood and corrected, and empties its inbox."""
        from imu.inspection import save

        draft, shown = self._of(key), self.look(key)
        if shown.fault:
            raise UsageError(shown.fault)
        if shown.busy is not None or shown.corrected is None:
            raise UsageError("the files are still being read; save when that is done")
        with self._lock:
            if draft.saving:
                raise UsageError("this is being saved already")
            draft.saving = True
        try:
            path = save(shown.corrected, folder)
        except CupbowError as error:
            raise CupbowError(plainly(str(error), draft.inbox)) from None
        finally:
            draft.saving = False
        self.saved[key] = path  # before it is no longer here: who asks meanwhile hears one or the other
        self.discard(key)
        return path

    def discard(self, key: str) -> None:
        """Drops an upload and what was said of it."""
        with self._lock:
            draft = self._of(key)
            draft.gone.set()
            self._open.pop(key, None)
        draft.inbox.discard()

    def close(self) -> None:
        """Stops what is being read; uploads stay for the next time."""
        with self._lock:
            for draft in self._open.values():
                draft.gone.set()
        self._pool.shutdown(wait=True, cancel_futures=True)

    def _of(self, key: str) -> _Open:
        from imu.inbox import Inbox

        inbox = Inbox.again(
            self.place, key, most_bytes=self.most_bytes, most_files=self.most_files
        )  # refuses what is no key, or gone
        with self._lock:
            if key not in self._open:
                self._open[key] = _Open(inbox, _said_before(inbox))
            self._open.move_to_end(key)
            idle = [k for k, d in self._open.items() if not (d.running or d.saving)]
            for old in idle[: max(0, len(self._open) - MOST_OPEN)]:
                if old != key:
                    del self._open[old]
            return self._open[key]

    def _look_for_moments(self, draft: _Open, corrected: Inspection) -> None:
        """Begins to look for still moments, once all is said that the files do not, and they mark no poses."""
        wanted = _kind(draft, draft.found) if draft.found else None
        if wanted is None or corrected.to_measure or corrected.needs or (draft.found and draft.found.understood.poses):
            return
        if draft.looking is None and (draft.moments is None or draft.moments[0] != wanted):
            draft.looking = wanted
            self._pool.submit(self._find_moments, draft, wanted, corrected)

    def _find_moments(self, draft: _Open, wanted: Any, corrected: Inspection) -> None:
        from imu.still_moments import still_moments

        found: tuple[Still, ...] = ()
        try:
            if not draft.gone.is_set():
                found = still_moments(corrected.understood.recording())
        except CupbowError:
            pass  # what is wrong with the files is said where they are read
        except Exception:
            found = ()  # the moments are an offer; the upload can do without
        with self._lock:
            draft.moments, draft.looking = (wanted, found), None

    def _say(self, inbox: Inbox, said: Mapping[str, Any]) -> dict[str, Any]:
        from imu.measured import write_whole

        text = json.dumps(dict(said), allow_nan=False)
        if len(text) > MOST_SAID:
            raise UsageError("more is said of these files than can be kept")
        place = inbox.path / SAID
        write_whole(place, lambda tmp: tmp.write_text(text, encoding="utf-8"))
        place.chmod(0o600)
        return dict(said)

    def _work(self, draft: _Open) -> None:
        """Reads until what was read is what is wanted."""
        from imu.inspection import inspect
        from imu.readers.files import open_store

        def progress(count: int) -> None:
            draft.done_bytes += count
            if draft.gone.is_set():
                raise _Stopped

        while True:
            with self._lock:
                files = (
                    tuple((draft.inbox.name_of(p), p.stat().st_size) for p in draft.inbox.files)
                    if not draft.gone.is_set()
                    else ()
                )
                try:
                    hints = hints_of(draft.said)
                except UsageError:
                    hints = draft.read[1] if draft.read else {}
                if not files or (files, hints) == draft.read:
                    draft.running = False
                    return
                draft.done_bytes = 0
            found: Inspection | None = None
            previews: Previews = ()
            unused: tuple[str, ...] = ()
            fault = ""
            try:
                store = open_store(draft.inbox.target)
                unused = tuple(e.name for e in store.entries)
                found = inspect(draft.inbox.target, hints_of=hints, progress=progress)
                previews = tuple(found.preview(i, POINTS) for i in range(len(found.streams)))
                used = {name for s in found.understood.sensors for name in s.files}
                unused = tuple(name for name in unused if name not in used)
            except _Stopped:
                draft.running = False
                return
            except CupbowError as error:
                fault = str(error)
            except Exception as error:
                # One upload that trips the program must not take the page with it.
                fault = " ".join(f"a fault of the program, {type(error).__name__}: {error}".split())
            with self._lock:
                changed = draft.read is None or draft.read[0] != files
                draft.read, draft.fault = (files, hints), fault
                if found is not None or changed:
                    draft.found, draft.previews, draft.unused = found, previews, unused


def hints_of(said: Mapping[str, Any]) -> dict[str, Hints]:
    """The hints of each file, out of what the page sends: `{"files": {name: {"accel_unit": …}}}`."""
    from imu.readers.hints import Hints

    found = {}
    for name, fields in _table(said, "files").items():
        fields = fields if isinstance(fields, Mapping) else {}
        values: dict[str, Any] = {k: str(fields[k]) for k in UNIT_HINTS if fields.get(k)}
        values |= {k: _number(fields[k]) for k in NUMBER_HINTS if fields.get(k) not in (None, "")}
        columns = {str(k): str(v).strip() for k, v in _table(fields, "columns").items() if str(v).strip()}
        for axes in (("ax", "ay", "az"), ("gx", "gy", "gz")):
            if not all(k in columns for k in axes):  # still being typed
                columns = {k: v for k, v in columns.items() if k not in axes}
        try:
            hints = Hints(columns=columns, **values)
        except UsageError as error:
            raise UsageError(f"{name}: {error}") from None
        if hints != Hints():
            found[str(name)] = hints
    return found


def sensor_keys(found: Inspection) -> list[str]:
    """What calls a sensor, also when its place among the others has changed."""
    keys: list[str] = []
    for stream in found.streams:
        n = sum(k == stream.source or k.startswith(f"{stream.source}\n") for k in keys)
        keys.append(f"{stream.source}\n{n + 1}" if n else stream.source)
    return keys


def plainly(line: str, inbox: Inbox) -> str:
    """A line of the readers without the inbox's place, and without options of the command line."""
    from imu.readers.files import safe

    for path in inbox.files if inbox.path.is_dir() else []:
        line = line.replace(safe(path), safe(inbox.name_of(path)))
    for place in (str(inbox.path), safe(inbox.path)):
        line = line.replace(f"{place}/", "").replace(f"{place}: ", "").replace(place, "")
    return re.sub(r"\s*\(--[^)]*\)", "", line)


def _roles(found: Inspection, said: Mapping[str, Any]) -> dict[int, Role | None]:
    given = _table(said, "roles")
    roles: dict[int, Role | None] = {}
    for i, key in enumerate(sensor_keys(found)):
        if role := given.get(key):
            roles[i] = None if role == LEFT_OUT else cast("Role", str(role))
    return roles


def _corrected(draft: _Open, found: Inspection) -> Inspection:
    handed = cast("Handedness | None", str(draft.said.get("handed") or "") or None)
    club = " ".join(str(draft.said.get("club") or "").split())[:60] or None
    roles = _roles(found, draft.said)
    poses = _poses(draft, found)
    made_for = (id(found), roles, handed, club, poses)
    if draft.corrected is None or draft.corrected[0] != made_for:
        draft.corrected = made_for, found.corrected(roles=roles, handed=handed, club=club, poses=poses)
    return draft.corrected[1]


def _kind(draft: _Open, found: Inspection) -> Any:
    """For what still moments are looked for: other sensors or units, and they may be others."""
    return id(found), _roles(found, draft.said), draft.said.get("handed")


def _moments(draft: _Open, found: Inspection) -> tuple[Still, ...] | None:
    return draft.moments[1] if draft.moments is not None and draft.moments[0] == _kind(draft, found) else None


def _poses(draft: _Open, found: Inspection) -> tuple[Pose, ...]:
    """What the user says the still moments were."""
    from imu.recording import POSES
    from imu.still_moments import NO_POSE, named

    said = {str(k): str(v) for k, v in _table(draft.said, "poses").items() if v}
    if unknown := [v for v in said.values() if v not in (*POSES, NO_POSE)]:
        raise UsageError(f"pose {unknown[0][:40]!r} is not known; use {', '.join(POSES)}")
    return named(_moments(draft, found) or (), said)


def _table(said: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    found = said.get(name)
    return found if isinstance(found, Mapping) else {}


def _number(value: Any) -> float:
    try:
        number = float(str(value).replace(",", "."))
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise UsageError(f"{str(value)[:40]!r} is no number")
    return number


def _said_before(inbox: Inbox) -> dict[str, Any]:
    try:
        found = json.loads((inbox.path / SAID).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def _changed(path: Path) -> float:
    try:
        return path.stat().st_mtime
    except OSError:
        return 0.0
