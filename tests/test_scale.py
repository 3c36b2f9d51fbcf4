"""Work on many recordings and students: on all cores and on a cluster, whatever dies on the way."""

from __future__ import annotations

import argparse
import json
import os
import signal
import statistics
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import func, select

import imu
from imu import cli, fingerprint
from imu.commands import benchmark_library
from imu.errors import CupbowError, UsageError
from imu.library import Library, archive, crowd, files, filing, finding, measuring, work
from imu.library.comparing import compare_everyone
from imu.library.depot import ObjectDepot, fetched
from imu.library.finding import Wanted
from imu.library.forget import find_bytes, forget, forget_all, holds_any, spellings
from imu.library.schema import MeasuredRecording, Reading, Swing
from imu.measured import Measurement
from tests.academy_case import EDDA, dsn, new_academy, running_server
from tests.lessons import lesson
from tests.library_case import measurement, recording_folder, swing
from tests.test_library import tree
from tests.unlucky import mostly

ROOT = Path(__file__).parents[1]
DEMO = ROOT / "recordings" / "2026-05-24_driver"
KEYS = ["wrist_flexion@top"]
LOG = "CUPBOW_TEST_LOG"  # where stand-ins for measuring note who did what


@pytest.fixture(scope="module")
def server() -> Iterator[int]:
    with running_server() as port:
        yield port


# -- a cluster -------------------------------------------------------------------------------------


class Cluster:
    """A Dask scheduler and workers, each a process of its own; a worker that is killed stays dead."""

    def __init__(self, place: Path, log: Path) -> None:
        self.file, self.log = place / "scheduler.json", log
        environment = os.environ | {LOG: str(log), "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"}
        self._run = lambda *words: subprocess.Popen(
            [sys.executable, "-m", "dask", *words, "--scheduler-file", str(self.file), "--no-dashboard"],
            cwd=place,
            env=environment,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        self.scheduler = self._run("scheduler", "--host", "127.0.0.1", "--port", "0")
        self.workers: list[subprocess.Popen[bytes]] = []

    def add_worker(self) -> None:
        self.workers.append(self._run("worker", "--nthreads", "1", "--no-nanny", "--host", "127.0.0.1"))

    @property
    def address(self) -> str:
        return json.loads(self.file.read_text())["address"]

    def wait(self, count: int) -> None:
        from distributed import Client

        while not self.file.exists():
            time.sleep(0.05)
        with Client(self.address, timeout=60, set_as_default=False) as client:
            client.wait_for_workers(count, timeout=90)

    def close(self) -> None:
        for process in (*self.workers, self.scheduler):
            process.kill()
            process.wait()


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("log") / "log"


@pytest.fixture(scope="module")
def cluster(log: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    fingerprint.measuring_code.cache_clear()  # whoever edits while tests run: workers read the files as they are now
    made = Cluster(tmp_path_factory.mktemp("cluster"), log)
    try:
        for _ in range(2):
            made.add_worker()
        made.wait(2)
        yield made
    finally:
        made.close()


def slowly(task: measuring.Task) -> Measurement:
    """Stands in for measuring: takes a while, and notes which process began and which ended."""
    with open(os.environ[LOG], "a") as out:
        out.write(f"began {os.getpid()} {task.recording_id}\n")
    with fetched(task.path) as path:
        assert (path / "forearm.csv").exists()
    time.sleep(0.25)
    with open(os.environ[LOG], "a") as out:
        out.write(f"ended {os.getpid()} {task.recording_id}\n")
    return measurement(*[swing(i, top_deg=-18.0) for i in range(1, 6)])


@contextmanager
def academy_of(port: int, recordings: str, place: Path, count: int) -> Iterator[Library]:
    """Edda's library on the server, with so many recordings measured by older code."""
    with Library.open(dsn(EDDA, port, new_academy(port)), recordings=recordings) as edda:
        student = filing.add_student(edda, name="Juno Abara", handedness="left").id
        for i in range(count):
            folder = recording_folder(place / f"r{i}", seed=i, rows=3)
            added = filing.add_recording(edda, folder, student_id=student)
            filing.store_measurement(edda, added.recording.id, measurement(), code="older")
        yield edda


def test_a_worker_killed_half_way_loses_nothing_and_doubles_nothing(server, cluster, log, tmp_path):
    url = f"file://{tmp_path}/store"  # an object store as fsspec reaches one
    with academy_of(server, url, tmp_path, 14) as edda, work.cluster(cluster.address) as (executor, jobs):
        assert jobs == 2
        assert not (edda.root / "recordings").exists(), "recordings lie in the store alone"
        steps, killed = [], 0
        for step in measuring.remeasure(edda, measure=slowly, jobs=jobs, executor=executor):
            steps.append(step)
            if len(steps) == 5:
                killed = cluster.workers[0].pid
                cluster.workers[0].send_signal(signal.SIGKILL)
        assert [s.fault for s in steps] == [None] * 14
        assert len({s.recording_id for s in steps}) == 14
        began = [line.split()[1:] for line in log.read_text().splitlines() if line.startswith("began")]
        by = Counter(int(pid) for pid, _ in began)
        assert by[killed] > 0, "the worker that was killed had done some"
        assert len(by) == 2
        again = [identity for identity, n in Counter(i for _, i in began).items() if n > 1]
        assert again, "what it had begun was begun again by the other"
        with edda.read() as session:
            rows = session.execute(
                select(MeasuredRecording.recording_id, MeasuredRecording.place, MeasuredRecording.code)
            ).all()
            assert Counter(place for _, place, _ in rows) == {"now": 14, "before": 14}
            assert {code for _, place, code in rows if place == "now"} == {measuring.code_version()}
            assert session.scalar(select(func.count()).select_from(Swing)) == 14 * 5
            assert session.scalar(select(func.count()).select_from(Reading)) == 2 * 14 * 5
        assert measuring.moved(edda)[0].largest_deg == 3.0
        assert measuring.outdated(edda) == []
    cluster.add_worker()
    cluster.workers.pop(0).wait()
    cluster.wait(2)


def test_commands_give_on_a_cluster_what_they_give_here(server, cluster, tmp_path, monkeypatch, capsys):
    """A recording measured for real by a worker, and everyone compared, beside the same without a cluster."""
    for variable in ("XDG_DATA_HOME", "XDG_CACHE_HOME", "XDG_CONFIG_HOME"):
        monkeypatch.setenv(variable, str(tmp_path / "user"))
    r = np.random.default_rng(5)
    address = dsn(EDDA, server, new_academy(server))
    with Library.open(address, recordings=tmp_path / "shared") as edda:
        juno = filing.add_student(edda, name="Juno Abara", handedness="left").id
        filed = filing.add_recording(edda, DEMO, student_id=juno).recording.id
        for i, day in enumerate((3, 24)):
            folder = recording_folder(tmp_path / f"c{i}", seed=i, handedness="right", club="7-iron", day=day, rows=3)
            ilse = finding.students(edda, query="Ilse")
            student = ilse[0].student.id if ilse else filing.add_student(edda, name="Ilse", handedness="right").id
            added = filing.add_recording(edda, folder, student_id=student)
            made = lesson(r, n=9, wrist=-20.0 + 15.0 * i, zero_sd=0.8, club="7-iron")
            filing.store_measurement(edda, added.recording.id, made, code=measuring.code_version(), bands="shipped")
    monkeypatch.setenv("CUPBOW_LIBRARY", address)
    monkeypatch.setenv("CUPBOW_RECORDINGS", str(tmp_path / "shared"))
    assert cli.main(["remeasure", "--cluster", cluster.address, "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {"measured": 1, "faults": [], "moved": []}
    with Library.open(address, recordings=tmp_path / "shared") as edda:
        there = [m.measured.to_json() for m in finding.measured_swings(edda, Wanted(recording_id=filed))]
    assert there == [type(s).from_json(s.to_json()).to_json() for s in imu.measure(DEMO).swings]  # as kept and read
    everyone = ["compare", "--everyone", "--json", "-"]
    assert cli.main([*everyone, "--cluster", cluster.address]) == 0
    far = json.loads(capsys.readouterr().out)
    assert cli.main([*everyone, "--jobs", "1"]) == 0
    assert far == json.loads(capsys.readouterr().out)
    assert [(o["student"], o["club"], o["first_on"], o["fault"]) for o in far] == [
        ("Ilse", "7-iron", "2026-05-03", None)
    ]
    assert "changed" in far[0]["says"]
    assert cli.main(["compare", "--everyone", "--jobs", "1"]) == 0
    assert "Ilse" in capsys.readouterr().out


def test_workers_with_other_code_and_no_cluster_at_all_are_refused(cluster, monkeypatch):
    monkeypatch.setattr(fingerprint, "DIGITS", 10)  # here alone: workers name their code by twelve
    fingerprint.measuring_code.cache_clear()
    try:
        with pytest.raises(UsageError, match="has other code"), work.cluster(cluster.address):
            pass
    finally:
        monkeypatch.undo()
        fingerprint.measuring_code.cache_clear()
    monkeypatch.setattr(work, "CONNECT_S", 1)
    with pytest.raises(UsageError, match="no scheduler answers"), work.cluster("tcp://127.0.0.1:9"):
        pass
    with pytest.raises(UsageError, match="no scheduler answers"), work.cluster("nonsense://"):
        pass


# -- on one machine --------------------------------------------------------------------------------


@pytest.mark.skipif(os.name == "nt", reason="signals of POSIX")
def test_a_process_that_dies_takes_no_other_task_along():
    tasks = [(i, {3: "dies", 5: "mend", 6: "fault"}.get(i, "")) for i in range(9)]
    results = dict(work.spread(mostly, tasks, jobs=2))
    assert len(results) == 9
    assert [results[t] for t in tasks if not t[1]] == [0, 1, 2, 4, 7, 8]
    assert "stopped twice" in str(results[tasks[3]])
    assert results[tasks[5]] == "forearm.csv line 3 is not a number"
    assert "KeyError" in str(results[tasks[6]])


def test_tasks_are_made_a_few_ahead_only():
    """Memory does not grow with what is still to do."""
    made = 0

    def tasks() -> Iterator[tuple[int, str]]:
        nonlocal made
        for made in range(1, 101):
            yield made, ""

    with ThreadPoolExecutor(2) as threads:
        results = work.spread(mostly, tasks(), jobs=2, executor=threads)
        ahead = [made - done for done, _ in enumerate(results, start=1)]
    assert len(ahead) == 100
    assert max(ahead) <= 4


def test_two_machines_that_measure_the_same_at_once_leave_one_measurement(server, tmp_path):
    with academy_of(server, str(tmp_path / "shared"), tmp_path, 2) as edda:
        url = edda.engine.url.render_as_string(hide_password=False)
        with Library.open(url, recordings=tmp_path / "shared") as other:

            def overtaken(task: measuring.Task) -> Measurement:
                store(other, task.recording_id, -3.0)
                return measurement(swing(1, top_deg=-18.0))

            def store(library: Library, recording_id: str, top_deg: float) -> None:
                made = measurement(swing(1, top_deg=top_deg))
                filing.store_measurement(library, recording_id, made, code=measuring.code_version(), bands="shipped")

            steps = list(measuring.remeasure(edda, measure=overtaken))
            assert [s.fault for s in steps] == [None, None]
            top = ["wrist_flexion@top"]
            assert [s.values[top[0]][0] for s in finding.swings(edda, Wanted(), values=top)] == [-3.0, -3.0]
            assert measuring.moved(edda)[0].largest_deg == 18.0, "what was before is the older code's, not the other's"

            with ThreadPoolExecutor(2) as threads:  # and at the very same time
                list(threads.map(lambda i: store((edda, other)[i % 2], steps[0].recording_id, float(i)), range(12)))
        with edda.read() as session:
            of_it = select(MeasuredRecording.place).where(MeasuredRecording.recording_id == steps[0].recording_id)
            assert sorted(session.scalars(of_it)) == ["before", "now"]
            assert session.scalar(select(func.count()).select_from(Swing).where(Swing.number.is_not(None))) == 2


# -- an object store -------------------------------------------------------------------------------


@pytest.fixture
def stored(tmp_path: Path) -> Iterator[Library]:
    """A library whose recordings lie in an object store in memory."""
    with Library.open(tmp_path / "library") as library:
        library.depot = ObjectDepot(f"memory://{tmp_path.name}")
        yield library


def objects(library: Library) -> list[str]:
    import fsspec

    return sorted(fsspec.filesystem("memory").find(library.depot.address("").removeprefix("memory:/")))


def test_a_library_in_an_object_store_does_what_any_does(stored, tmp_path):
    juno = filing.add_student(stored, name="Juno Abara", handedness="left").id
    folder = recording_folder(tmp_path / "range", rows=5)
    calibration = tmp_path / "saved.json"
    calibration.write_text("{}")
    added = filing.add_recording(stored, folder, student_id=juno, calibration=calibration)
    single = filing.add_recording(stored, folder / "club.csv", student_id=juno, handedness="left")
    assert len(objects(stored)) == 5
    assert not (stored.root / "recordings").exists()
    assert not list((stored.root / "incoming").iterdir())
    seen = []

    def measure(task: measuring.Task) -> Measurement:
        with fetched(task.path) as path:
            seen.append((path.name, tree(path) if path.is_dir() else path.read_bytes()))
        assert not path.exists(), "the copy is gone again"
        return measurement()

    assert [s.fault for s in measuring.remeasure(stored, measure=measure)] == [None, None]
    assert ("samples", tree(folder)) in seen
    assert ("club.csv", (folder / "club.csv").read_bytes()) in seen
    names = {r.id: measuring.calibration_name(measuring.task_for(stored, r)) for r in measuring_of(stored, juno)}
    assert names[added.recording.id].startswith("saved-")
    assert names[single.recording.id] == single.recording.id
    assert tree(stored.recording_path(added.recording)) == tree(folder), "for the pages, from the cache"
    assert stored.calibration_path(added.recording).read_text() == "{}"
    live, place = filing.open_recording(stored, lesson_id=added.lesson.id)
    (place / "forearm.csv").write_text("t,ax\n0,1\n")
    assert filing.keep_recording(stored, live.id).state == "kept"
    assert not stored.folder_of(live.id).exists()
    assert len(objects(stored)) == 6

    archive.export_archive(stored, tmp_path / "all.zip")
    with Library.open(tmp_path / "other") as other:
        archive.import_archive(other, tmp_path / "all.zip")
        assert tree(other.recording_path(added.recording)) == tree(folder)
    done = forget(stored, juno)
    assert objects(stored) == []
    assert not list((stored.root / "cache").iterdir())
    assert done.gone.recordings >= 2
    archive.import_archive(stored, tmp_path / "all.zip")
    assert len(objects(stored)) == 6


def measuring_of(library: Library, student_id: str) -> list:
    return [r for line in finding.lessons(library, student_id=student_id)
            for r in finding.recordings(library, lesson_id=line.lesson.id)]  # fmt: skip


def test_a_store_that_fails_half_way_leaves_nothing(stored, tmp_path, monkeypatch):
    from fsspec.implementations.memory import MemoryFileSystem

    juno = filing.add_student(stored, name="Juno Abara", handedness="left").id
    put, count = MemoryFileSystem.put_file, 0

    def fails(self: MemoryFileSystem, *args: object, **more: object) -> None:
        nonlocal count
        count += 1
        if count == 3:
            raise RuntimeError("503 Slow Down")
        put(self, *args, **more)

    monkeypatch.setattr(MemoryFileSystem, "put_file", fails)
    with pytest.raises(CupbowError, match=r"503 Slow Down; nothing was changed") as caught:
        filing.add_recording(stored, recording_folder(tmp_path / "range", rows=5), student_id=juno)
    assert "\n" not in str(caught.value)
    assert objects(stored) == []
    assert finding.lessons(stored, student_id=juno) == []
    with pytest.raises(CupbowError, match="cannot be reached"), fetched("no-such-protocol://x/y"):
        pass
    with pytest.raises(CupbowError, match="is not in the object store"), fetched("memory://nowhere/x"):
        pass


def test_everyone_is_compared_from_the_first_lesson_to_the_latest(tmp_path):
    r = np.random.default_rng(3)
    with Library.open(tmp_path / "library") as library:
        for s, name in enumerate(("Juno Abara", "Ilse Brandt")):
            student = filing.add_student(library, name=name, handedness="right").id
            plan = [(1, "7-iron", -20.0), (8, "7-iron", 60.0), (22, "7-iron", -20.0 + 18.0 * s), (22, "driver", 0.0)]
            for i, (day, club, wrist) in enumerate(plan):
                folder = recording_folder(
                    tmp_path / f"{s}{i}", seed=10 * s + i, handedness="right", club=club, day=day, rows=3
                )
                added = filing.add_recording(library, folder, student_id=student)
                made = lesson(r, n=9, wrist=wrist, zero_sd=0.8, club=club)
                filing.store_measurement(library, added.recording.id, made, code="1")
        wanted = ("wrist_flexion@top",)
        found = {o.name: o for o in compare_everyone(library, targets=wanted)}
        assert {n: (o.club, o.first_on.day, o.latest_on.day) for n, o in found.items()} == {
            "Juno Abara": ("7-iron", 1, 22),
            "Ilse Brandt": ("7-iron", 1, 22),
        }
        rows = {n: o.document["pairs"][0]["rows"] for n, o in found.items() if o.document}
        verdicts = {n: next(x["verdict"] for x in per if x["measure"] == wanted[0]) for n, per in rows.items()}
        assert verdicts == {"Juno Abara": "not yet distinguishable", "Ilse Brandt": "changed"}
        assert list(compare_everyone(library, club="driver")) == []
        wrong = [o.fault for o in compare_everyone(library, kind="slow")]
        assert len(wrong) == 2
        assert all("no slow swing" in str(fault) for fault in wrong)


# -- big libraries ---------------------------------------------------------------------------------


def rows_of(library: Library) -> dict[str, list[tuple]]:
    """All that a library holds, without when it was put there."""
    from imu.library.schema import Base

    with library.read() as session:
        return {
            table.name: sorted(
                tuple(repr(value) for name, value in row.items() if name not in ("created_at", "added_at", "made_at"))
                for row in session.execute(select(table)).mappings()
            )
            for table in Base.metadata.sorted_tables
        }


def test_a_big_library_is_what_its_seed_says(tmp_path):
    made = []
    for name, seed in (("a", 1), ("b", 1), ("c", 2)):
        with Library.open(tmp_path / name) as library:
            like = measurement(swing(1, top_deg=-12.0), swing(2, top_deg=-12.0))
            fill = crowd.fill(library, swings=60, seed=seed, like=like, swings_each=2)
            assert (fill.students, fill.recordings, fill.swings) == (2, 40, 80)
            assert finding.count_swings(library, Wanted()) == 80
            assert len(list((library.root / "recordings").iterdir())) == 40
            assert measuring.outdated(library) == []
            values = [s.values["wrist_flexion@top"][0] for s in finding.swings(library, Wanted(), values=KEYS)]
            assert np.std(values) == pytest.approx(crowd.SHIFT_DEG, rel=0.3)
            judged = [m.measured.bands["wrist_flexion@top"].verdict for m in finding.measured_swings(library, Wanted())]
            assert len(set(judged)) > 1, "verdicts follow the values"
            made.append(rows_of(library))
            archive.export_archive(library, tmp_path / f"{name}.zip")
    assert made[0] == made[1] != made[2]
    with Library.open(tmp_path / "again") as library:
        archive.import_archive(library, tmp_path / "a.zip")
        assert finding.count_swings(library, Wanted()) == 80


def test_what_a_library_costs_is_measured_on_one_that_is_whole(tmp_path, capsys):
    cost = benchmark_library.Cost(2.0, 1.0)
    size = benchmark_library._size(str(tmp_path / "library"), tmp_path, 1000, 1, measurement(), cost)
    assert (size["swings"], size["students"], size["recordings"]) == (1000, 2, 40)
    costs = size["per_1000_swings"]
    assert set(costs) == {"measure", "store", "compare", "export", "forget"}
    assert all(c["clock_s"] > 0 and c["work_s"] > 0 for c in (*costs.values(), *size["one_view"].values()))
    assert set(size["one_view"]) == {"students", "student", "lesson"}
    benchmark_library.show(size)
    assert "1000 swings of 2 students" in capsys.readouterr().err
    with Library.open(tmp_path / "library") as library:
        assert finding.students(library) == [], "one was forgotten alone, and the other with a tenth of the rest"
    with pytest.raises(UsageError, match="more than 500"):
        benchmark_library.run(argparse.Namespace(swings=[500], where=None, seed=1))


def test_several_students_are_forgotten_at_once_or_none(tmp_path):
    with Library.open(tmp_path / "library") as library:
        crowd.fill(library, swings=120, seed=3, like=measurement(), swings_each=2)
        ids = {line.student.name: line.student.id for line in finding.students(library)}
        first, second, third = sorted(ids)
        with pytest.raises(UsageError, match="no student"):
            forget_all(library, [ids[first], "f" * 32])
        assert len(finding.students(library)) == 3
        done = forget_all(library, [ids[first], ids[third]])
        assert (done.gone.lessons, done.gone.recordings, done.gone.swings, done.left) == (20, 40, 80, ())
        assert [line.student.name for line in finding.students(library)] == [second]
        needles = spellings(first) | spellings(third)
        assert list(find_bytes(library.root, needles)) == []
        assert list(find_bytes(library.root, spellings(second))) != [], "the search finds a name that is there"
        assert len(list((library.root / "recordings").iterdir())) == 20


@given(moves=st.lists(st.integers(0, 5000), min_size=1, max_size=60))
def test_what_moved_is_as_exact_as_a_list_of_all_moves(moves):
    """Against the standard library's median."""
    tally = measuring._Tally()
    for move in moves:
        tally.moves[move] += 1
    assert tally.count == len(moves)
    assert tally.median_deg() == pytest.approx(statistics.median(moves) / 1000, abs=1e-12)


@given(
    hay=st.binary(max_size=300),
    needles=st.sets(st.binary(min_size=1, max_size=9), min_size=1, max_size=8),
    planted=st.booleans(),
    at=st.integers(0, 300),
)
def test_many_needles_in_one_pass_find_what_one_after_the_other_finds(hay, needles, planted, at):
    """Against `in` of bytes; pieces of 64 bytes, so that needles lie across their edges."""
    if planted:
        hay = hay[:at] + max(needles) + hay[at:]
    many = needles | {b"\xff" * 5 + bytes([i, 255 - i]) for i in range(70)}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(files, "CHUNK", 64)
        assert holds_any(hay, many) == any(needle in hay for needle in many)
