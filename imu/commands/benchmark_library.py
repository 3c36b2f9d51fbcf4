"""`cupbow benchmark --swings N …`: what 1,000 swings cost in libraries of so many.

A library of each size is made from a seed (`imu.library.crowd`), and in it are timed

    measure   reading and fitting of sample recordings; the same at every size, so measured once
    store     keeping what measuring gave, beside all that is there already
    compare   the first lesson of students with their latest, read from the store
    students, student, lesson
              what a page asks of the store, for one view
    forget    a tenth of the students at once, and one alone: wholly, with the search through every byte
    export    the whole library to one archive

Each by the clock, and in seconds of work (user and system) of this process and of a database server
on this machine: other programs disturb these less.
"""

from __future__ import annotations

import argparse
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

from imu.errors import CupbowError, UsageError

if TYPE_CHECKING:
    from imu.library import Library
    from imu.measured import Measurement

SCHEMA = "cupbow.benchmark.library/1"
MEASURED = 3  # sample recordings, of a minute each
SAMPLE = 20  # students, and recordings, of a library that are tried


def add_arguments(parser: argparse.ArgumentParser) -> None:
    group = parser.add_argument_group("libraries")
    group.add_argument(
        "--swings",
        nargs="+",
        type=int,
        metavar="N",
        help="make libraries of so many swings, and say what 1,000 swings cost there: measure, compare, page, "
        "forget, export",
    )
    group.add_argument(
        "--where",
        metavar="PLACE",
        help="the folder in which to make them, or the URL of an empty PostgreSQL database (one size only); "
        "default: a temporary folder",
    )


def run(args: argparse.Namespace) -> dict[str, Any]:
    """The report; what was made in a folder is deleted again."""
    from imu.library.crowd import PER_STUDENT

    if min(args.swings) <= PER_STUDENT:
        raise UsageError(f"--swings: give more than {PER_STUDENT}, which one student has")
    server = args.where is not None and "://" in args.where
    if server and len(args.swings) > 1:
        raise UsageError("--where: a database takes one size; give one, or a folder")
    like, measuring = _measure(args.seed)
    sizes = []
    for size in sorted(args.swings):
        with tempfile.TemporaryDirectory(prefix="cupbow-", dir=None if server else args.where) as folder:
            place = args.where if server else str(Path(folder) / "library")
            sizes.append(_size(place, Path(folder), size, args.seed, like, measuring))
            show(sizes[-1])
    return {"schema": SCHEMA, "store": "postgresql" if server else "sqlite", "sizes": sizes}


def _measure(seed: int) -> tuple[Measurement, Cost]:
    """A measured recording to make others like, and what measuring 1,000 swings costs."""
    import imu
    from imu import simulate
    from imu.commands.benchmark import made

    found: list[Measurement] = []
    costs = []
    for k in range(MEASURED + 1):
        with tempfile.TemporaryDirectory() as folder:
            simulate.write(made(60.0, seed + k), folder)
            cost = _once(lambda folder=folder: found.append(imu.measure(folder)))  # type: ignore[misc]
        if not found[-1].swings:
            raise CupbowError("no swing was found in the sample recording; choose another --seed")
        costs.append(cost.times(1000 / len(found[-1].swings)))
    return found[-1], _median(costs[1:])  # the first loads what the others find loaded


def _size(place: str, folder: Path, size: int, seed: int, like: Measurement, measuring: Cost) -> dict[str, Any]:
    from imu.library import Library, finding
    from imu.library.crowd import fill

    with Library.open(place, recordings=folder / "shared") as library:
        if finding.students(library):
            raise UsageError(f"--where {library.address}: holds students; choose an empty database")
        start = time.perf_counter()
        made = fill(library, swings=size, seed=seed, like=like)
        out: dict[str, Any] = {
            "swings": made.swings,
            "students": made.students,
            "recordings": made.recordings,
            "made_s": round(time.perf_counter() - start, 1),
            "store_mb": round(_bytes(library) / 1e6, 1),
        }
        costs = {"measure": measuring, "store": _store(library, like), "compare": _compare(library)}
        views = _views(library)
        archive = folder / "all.zip"
        costs["export"] = _once(lambda: _export(library, archive), library).times(1000 / made.swings)
        out["archive_mb"] = round(archive.stat().st_size / 1e6, 1)
        archive.unlink()
        out["peak_memory_mb"] = round(_peak() / 1e6)  # before the search for a name, which maps the store's file
        forgotten, together, swings = _forget(library)
        costs["forget"] = together.times(1000 / swings)
        out["per_1000_swings"] = {name: cost.to_json() for name, cost in costs.items()}
        out["one_view"] = {name: cost.to_json() for name, cost in views.items()}
        out["one_student_forgotten"] = forgotten.to_json()
    return out


@dataclass(frozen=True)
class Cost:
    """Seconds by the clock, and of work."""

    clock_s: float
    work_s: float

    def times(self, factor: float) -> Cost:
        return Cost(self.clock_s * factor, self.work_s * factor)

    def to_json(self) -> dict[str, float]:
        return {"clock_s": round(self.clock_s, 4), "work_s": round(self.work_s, 4)}


def _once(work: Callable[[], object], library: Library | None = None) -> Cost:
    served, start, began = _served(library), time.perf_counter(), time.process_time()
    work()
    clock, worked = time.perf_counter() - start, time.process_time() - began
    return Cost(clock, worked + _served(library) - served)


def _served(library: Library | None) -> float:
    """Seconds of work that a database server on this machine has done for the connections that are open."""
    from sqlalchemy import text

    if library is None or library.local or library.engine.url.host not in (None, "localhost", "127.0.0.1", "::1"):
        return 0.0
    with library.engine.connect() as connection:
        backends = "SELECT pid FROM pg_stat_activity WHERE datname = current_database()"
        pids = list(connection.scalars(text(backends)))
    done = 0
    for pid in pids:
        with suppress(OSError):  # the server is elsewhere, or no Linux
            fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
            done += int(fields[11]) + int(fields[12]) if fields else 0
    return done / os.sysconf("SC_CLK_TCK")


def _median(each: Iterable[Cost]) -> Cost:
    costs = list(each)
    return Cost(statistics.median(c.clock_s for c in costs), statistics.median(c.work_s for c in costs))


def _peak() -> int:
    import resource  # not on every system

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1 if sys.platform == "darwin" else 1024)


def _bytes(library: Library) -> int:
    from sqlalchemy import text

    if library.local:
        return sum(path.stat().st_size for path in library.root.glob("library.sqlite*"))
    with library.read() as session:
        return int(session.scalar(text("SELECT pg_database_size(current_database())")) or 0)


def _store(library: Library, like: Measurement) -> Cost:
    """For 1,000 swings: keeping measurements of recordings that have one."""
    from sqlalchemy import select

    from imu.library import filing
    from imu.library.crowd import SWINGS
    from imu.library.schema import Recording
    from imu.measured import Event

    many = [like.swings[k % len(like.swings)] for k in range(SWINGS)]
    swings = tuple(
        replace(s, index=k, events={**s.events, "impact": Event(10.0 * k)}, trace=None)
        for k, s in enumerate(many, start=1)
    )
    measured = replace(like, swings=swings)
    with library.read() as session:
        chosen = list(session.scalars(select(Recording.id).order_by(Recording.id).limit(SAMPLE)))
    took = _once(
        lambda: [filing.store_measurement(library, one, measured, code="benchmark") for one in chosen], library
    )
    return took.times(1000 / (SWINGS * len(chosen)))


def _compare(library: Library) -> Cost:
    """For students with 1,000 swings: their first lesson with each club against the latest."""
    from imu.library import comparing
    from imu.library.crowd import CLUBS, PER_STUDENT

    done = 0

    def all_of_them() -> None:
        nonlocal done
        for course in islice(comparing.courses(library), len(CLUBS) * SAMPLE // 4):
            comparing.told(None, None, course)
            done += 1

    took = _once(all_of_them, library)
    return took.times(1000 / (PER_STUDENT * done / len(CLUBS)))


def _views(library: Library) -> dict[str, Cost]:
    """For what one view of a page asks of the store."""
    from imu.library import finding
    from imu.library.finding import Wanted

    first = finding.students(library)[0].student.id
    lesson = finding.lessons(library, student_id=first)[0].lesson.id

    def student() -> None:
        wanted = Wanted(student_id=first)
        finding.measured_swings(library, wanted, limit=200)
        finding.count_swings(library, wanted)
        finding.clubs_of(library, student_id=first)
        finding.lessons(library, student_id=first)

    def one_lesson() -> None:
        finding.recordings(library, lesson_id=lesson)
        finding.measured_swings(library, Wanted(lesson_ids=(lesson,)))
        finding.everyone(library)  # to whom a recording may be moved
        finding.lessons(library, student_id=first)

    views = {"students": lambda: finding.students(library), "student": student, "lesson": one_lesson}
    return {name: _median(_once(view, library) for _ in range(3)) for name, view in views.items()}


def _export(library: Library, archive: Path) -> None:
    from imu.library.archive import export_archive

    export_archive(library, archive)


def _forget(library: Library) -> tuple[Cost, Cost, int]:
    """For one student; for a tenth of all at once, and how many swings these had."""
    from imu.library import finding
    from imu.library.forget import forget, forget_all

    one, *others = [line.student.id for line in finding.students(library)]
    alone = _once(lambda: forget(library, one), library)
    many = others[: max(len(others) // 10, 1)]
    done = []
    together = _once(lambda: done.append(forget_all(library, many)), library)
    return alone, together, done[0].gone.swings


def show(size: dict[str, Any]) -> None:
    """On standard error, since it may take long until the next."""

    def said(costs: dict[str, dict[str, float]]) -> str:
        return ", ".join(f"{name} {c['clock_s']:.3g} ({c['work_s']:.3g})" for name, c in costs.items())

    print(
        f"{size['swings']} swings of {size['students']} students, {size['store_mb']:.0f} MB in the store, "
        f"made in {size['made_s']:.0f} s; seconds by the clock (of work)",
        f"  for 1,000 swings  {said(size['per_1000_swings'])}",
        f"  for one view      {said(size['one_view'])}",
        f"  for one student   {said({'forget': size['one_student_forgotten']})}",
        sep="\n",
        file=sys.stderr,
    )
