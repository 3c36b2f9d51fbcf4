"""Measuring recordings of the library: one, and all of them anew after an upgrade."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import Executor
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import select
from sqlalchemy.orm import aliased

from imu.errors import CupbowError
from imu.fingerprint import measuring_code
from imu.library.depot import SAMPLES, fetched
from imu.library.filing import store_measurement
from imu.library.schema import Lesson, MeasuredRecording, Reading, Recording, now
from imu.library.store import Library
from imu.library.work import spread
from imu.measured import Measurement
from imu.recording import Handedness

if TYPE_CHECKING:
    from imu.bands import Bands

SHIPPED_BANDS = "shipped"


def code_version() -> str:
    """What `measurements.code` says of results made now."""
    return measuring_code()


@dataclass(frozen=True)
class Task:
    """All that a process needs to measure one recording, wherever it runs."""

    recording_id: str
    path: str  # or a URL, from which it is fetched
    handedness: str
    club: str
    hints: Mapping[str, Any] = field(default_factory=dict)  # for `imu.readers.read`, where the files don't say
    calibration: str | None = None  # path or URL
    bands: Bands | str | None = None


def measure_task(task: Task, progress: Callable[[float, str], None] | None = None) -> Measurement:
    """Measure a recording as the library knows it: handedness and club as corrected there.

    Raises CupbowError with one line for what the user can mend.
    """
    from imu import readers
    from imu.measuring import measure_recording

    handed: Handedness = "left" if task.handedness == "left" else "right"
    with ExitStack() as copies:
        path = copies.enter_context(fetched(task.path))
        calibration = copies.enter_context(fetched(task.calibration)) if task.calibration else None
        recording = readers.read(path, handed=handed, **task.hints)
        recording = replace(recording, handedness=handed, club=task.club or recording.club)
        return measure_recording(recording, calibration=calibration, bands=task.bands, progress=progress)


def task_for(library: Library, recording: Recording, *, bands: Bands | str | None = None) -> Task:
    inside = (SAMPLES, recording.entry) if recording.entry else (SAMPLES,)
    return Task(
        recording_id=recording.id,
        path=library.depot.address(recording.id, *inside),
        handedness=recording.handedness,
        club=recording.club,
        hints=recording.options,
        calibration=library.depot.calibration(recording.id),
        bands=bands,
    )


def calibration_name(task: Task) -> str:
    """Whose zero the swings share: the saved calibration's by its content, else the recording's own, and
    its own as well where it has poses. What was found of the sensors on a table (TOML) holds no zero."""
    from imu.library.files import content_hash

    if not task.calibration or _has_poses(task):
        return task.recording_id
    with fetched(task.calibration) as calibration:
        if calibration.is_dir() or calibration.suffix == ".toml":
            return task.recording_id
        return f"saved-{content_hash(calibration)[:32]}"


def _has_poses(task: Task) -> bool:
    from imu.readers.manifest import parse

    with fetched(task.path) as path:
        manifest = path / "recording.toml" if path.is_dir() else path.with_name("recording.toml")
        try:
            return bool(parse(manifest.read_text(encoding="utf-8")).poses)
        except (OSError, CupbowError):
            return False


def bands_name(bands: str | None) -> str:
    from imu.library.files import content_hash

    return f"file-{content_hash(Path(bands))[:32]}" if bands else SHIPPED_BANDS


# -- anew ------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Step:
    """One recording of a remeasuring: done, or why not."""

    recording_id: str
    done: int  # so far, this one among them
    total: int
    fault: str | None = None


def outdated(
    library: Library, *, bands: str | None = None, since: datetime | None = None, student_id: str | None = None
) -> list[Recording]:
    """Recordings whose values were not made by this code and these bands, or not since `since`."""
    current = select(MeasuredRecording.recording_id).where(
        MeasuredRecording.place == "now",
        MeasuredRecording.stage == "final",
        MeasuredRecording.code == code_version(),
        MeasuredRecording.bands == bands_name(bands),
    )
    if since is not None:
        current = current.where(MeasuredRecording.made_at >= since)
    query = select(Recording).where(
        Recording.id.not_in(current), Recording.state == "kept", Recording.discarded.is_(None)
    )
    if student_id is not None:
        query = query.join(Lesson).where(Lesson.student_id == student_id)
    with library.read() as session:
        return list(session.scalars(query.order_by(Recording.added_at)))


def remeasure(
    library: Library,
    *,
    jobs: int = 1,
    bands: str | None = None,
    everything: bool = False,
    student_id: str | None = None,
    measure: Callable[[Task], Measurement] | None = None,
    executor: Executor | None = None,
) -> Iterator[Step]:
    """Measure what is outdated (or `everything`), one step a recording.

    Each result is stored as it comes: stopped at any point, the next run goes on where this one
    was. A run over everything remembers when it began until it is done. A recording that cannot
    be measured keeps its values, and is tried again next time. Processes measure (`jobs` of them
    here, or those of an `executor`), this one stores.
    """
    since, started = None, now()
    if everything:
        note = f"remeasuring_since {library.coach}".strip()
        begun = library.note(note)
        since = datetime.fromisoformat(begun) if begun else now()
        library.set_note(note, since.isoformat())
    waiting = outdated(library, bands=bands, since=since, student_id=student_id)
    total, judging = len(waiting), _loaded(bands)
    tasks = (task_for(library, r, bands=judging) for r in waiting)
    work = partial(_results_alone, measure or measure_task)
    for done, (task, result) in enumerate(spread(work, tasks, jobs=jobs, executor=executor), start=1):
        if isinstance(result, Measurement):
            store_measurement(
                library,
                task.recording_id,
                result,
                code=code_version(),
                calibration=calibration_name(task),
                bands=bands_name(bands),
                unless_since=started,
            )
            yield Step(task.recording_id, done, total)
        else:
            yield Step(task.recording_id, done, total, fault=result)
    if everything:
        library.set_note(note, None)


def _loaded(bands: str | None) -> Bands | None:
    """Bands travel with the task: a worker elsewhere has no such file."""
    from imu.bands import load

    return load(bands) if bands else None


def _results_alone(measure: Callable[[Task], Measurement], task: Task) -> Measurement:
    """Without traces: they are most of what would have to be sent back, and are not stored."""
    measured = measure(task)
    return replace(measured, swings=tuple(replace(s, trace=None) for s in measured.swings))


# -- what moved ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Moved:
    """How one angle at one event moved over all swings, in degrees."""

    angle: str
    event: str
    swings: int  # read before and now
    median_deg: float  # of the moves' sizes
    largest_deg: float
    beyond: int  # moved by more than the u95 that the earlier value claimed
    appeared: int = 0  # read now, not before
    vanished: int = 0

    def to_json(self) -> dict[str, Any]:
        return dict(vars(self))


@dataclass
class _Tally:
    """Moves are counted by their size in thousandths of a degree, to which values are stored: as
    exact as a list of them all, and no larger for more swings."""

    moves: Counter[int] = field(default_factory=Counter)
    beyond: int = 0
    appeared: int = 0
    vanished: int = 0

    @property
    def count(self) -> int:
        return self.moves.total()

    def median_deg(self) -> float:
        middle, seen = ((self.count - 1) // 2, self.count // 2), 0
        found: list[int] = []
        for size in sorted(self.moves):
            seen += self.moves[size]
            found += [size] * sum(1 for place in middle[len(found) :] if place < seen)
            if len(found) == 2:
                break
        return sum(found) / 2000 if found else 0.0


def moved(
    library: Library, *, recording_ids: Iterable[str] | None = None, since: datetime | None = None
) -> list[Moved]:
    """What measuring anew changed, from the values before and now; the largest move first.

    `since`: only recordings measured anew since then.
    """
    tallies: dict[tuple[str, str], _Tally] = {}
    with library.read() as session:
        query = select(MeasuredRecording.recording_id, MeasuredRecording.id).where(MeasuredRecording.place == "now")
        if since is not None:
            query = query.where(MeasuredRecording.made_at >= since)
        if recording_ids is not None:
            query = query.where(MeasuredRecording.recording_id.in_(list(recording_ids)))
        for recording_id, now_id in session.execute(query).all():
            before_id = session.scalar(
                select(MeasuredRecording.id).where(
                    MeasuredRecording.recording_id == recording_id, MeasuredRecording.place == "before"
                )
            )
            if before_id is None:
                continue
            before, current = aliased(Reading), aliased(Reading)
            for old, new in session.execute(
                select(before.document, current.document)
                .join(current, current.swing_id == before.swing_id)
                .where(before.measurement_id == before_id, current.measurement_id == now_id)
            ):
                _compare(old, new, tallies)
    out = [
        Moved(
            angle=angle,
            event=event,
            swings=t.count,
            median_deg=round(t.median_deg(), 3),
            largest_deg=max(t.moves, default=0) / 1000,
            beyond=t.beyond,
            appeared=t.appeared,
            vanished=t.vanished,
        )
        for (angle, event), t in tallies.items()
        if t.appeared or t.vanished or any(t.moves)
    ]
    return sorted(out, key=lambda m: (m.beyond, m.largest_deg), reverse=True)


def _compare(before: Mapping[str, Any], current: Mapping[str, Any], tallies: dict[tuple[str, str], _Tally]) -> None:
    for table in ("angles", "changes"):
        for angle in {**before[table], **current[table]}:
            olds, news = before[table].get(angle, {}), current[table].get(angle, {})
            for event in {**olds, **news}:
                old, new = olds.get(event) or {"value": None}, news.get(event) or {"value": None}
                tally = tallies.setdefault((angle, event), _Tally())
                if old["value"] is None or new["value"] is None:
                    tally.appeared += old["value"] is None and new["value"] is not None
                    tally.vanished += old["value"] is not None and new["value"] is None
                    continue
                move = abs(new["value"] - old["value"])
                tally.moves[round(1000 * move)] += 1
                tally.beyond += move > (old.get("u95") or 0.0)
