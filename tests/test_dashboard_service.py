"""The service: what is measured once is kept, privately, and recordings are never touched."""

from __future__ import annotations

import os
import stat
import threading
import time
from pathlib import Path

import numpy as np
import pytest

from dashboard import bandsets, service
from dashboard.downloads import download
from dashboard.service import Busy, Failed, Ready, Service
from imu.errors import CupbowError
from imu.measured import Measurement
from tests.synthetic_measurement import measurement


class Measurer:
    """Stands in for measuring: counts its calls."""

    def __init__(self, fault: Exception | None = None) -> None:
        self.calls: list[Path] = []
        self.fault = fault

    def __call__(self, path: Path, *, progress) -> Measurement:
        self.calls.append(path)
        progress(0.5, "half")
        if self.fault:
            raise self.fault
        return measurement(4)


def recording(folder: Path, *, club: str = "7-iron") -> Path:
    folder.mkdir(parents=True)
    (folder / "recording.toml").write_text(f'handedness = "left"\nclub = "{club}"\n', encoding="utf-8")
    (folder / "hand.csv").write_text("t,ax\n0,1\n", encoding="utf-8")
    return folder


@pytest.fixture
def root(tmp_path: Path) -> Path:
    recording(tmp_path / "lessons" / "may" / "first")
    recording(tmp_path / "lessons" / "second", club="driver")
    return tmp_path / "lessons"


def make(root: Path, measurer: Measurer, tmp_path: Path) -> Service:
    return Service(root, cache_dir=tmp_path / "cache", data_dir=tmp_path / "data", measurer=measurer)


def settled(one: Service, key: str) -> Ready | Failed:
    entry = one.entry(key)
    assert entry is not None
    deadline = time.monotonic() + 30
    while isinstance(state := one.open(entry), Busy):
        assert time.monotonic() < deadline
        time.sleep(0.01)
    return state


def snapshot(folder: Path) -> dict[str, tuple[bytes, int]]:
    return {str(p): (p.read_bytes(), p.stat().st_mtime_ns) for p in folder.rglob("*") if p.is_file()}


def test_the_tree_of_recordings(root: Path, tmp_path: Path) -> None:
    one = make(root, Measurer(), tmp_path)
    assert [e.key for e in one.recordings()] == ["may/first", "second"]
    assert one.recordings()[1].club == "driver"
    assert one.entry("../cache") is None
    assert one.entry("may") is None
    alone = Service(root / "second", cache_dir=tmp_path / "c", data_dir=tmp_path / "d", measurer=Measurer())
    assert [e.key for e in alone.recordings()] == ["second"]
    with pytest.raises(CupbowError, match="nothing here"):
        Service(root / "nowhere", cache_dir=tmp_path / "c", data_dir=tmp_path / "d")


def test_measured_once_and_kept_across_starts(root: Path, tmp_path: Path) -> None:
    before = snapshot(root)
    first = Measurer()
    one = make(root, first, tmp_path)
    fresh = settled(one, "second")
    assert isinstance(fresh, Ready)
    again = Measurer()
    other = make(root, again, tmp_path)
    kept = settled(other, "second")
    assert isinstance(kept, Ready)
    assert (len(first.calls), len(again.calls)) == (1, 0)
    assert kept.measurement.to_json() == fresh.measurement.to_json()
    for a, b in zip(fresh.measurement.swings, kept.measurement.swings, strict=True):
        assert a.trace is not None
        assert b.trace is not None
        np.testing.assert_array_equal(a.trace.t_s, b.trace.t_s)
        for name in a.trace.angles_deg:
            np.testing.assert_array_equal(a.trace.angles_deg[name], b.trace.angles_deg[name])
            np.testing.assert_array_equal(a.trace.u95_deg[name], b.trace.u95_deg[name])
        for name in a.trace.q_to_target:
            np.testing.assert_array_equal(a.trace.q_to_target[name], b.trace.q_to_target[name])
    assert other.count_measured(other.entry("second")) == 4
    assert other.count_measured(other.entry("may/first")) is None or first.calls  # same content, same result
    assert snapshot(root) == before


def test_another_content_or_code_is_measured_again(root: Path, tmp_path: Path, monkeypatch) -> None:
    measurer = Measurer()
    one = make(root, measurer, tmp_path)
    settled(one, "second")
    (root / "second" / "hand.csv").write_text("t,ax\n0,2\n", encoding="utf-8")
    settled(one, "second")
    assert len(measurer.calls) == 2
    monkeypatch.setattr(service, "code_version", lambda: "another")
    settled(make(root, measurer, tmp_path), "second")
    assert len(measurer.calls) == 3
    assert not [p for p in (tmp_path / "cache").glob("*.npz") if "another" not in p.name and _of(one, p)]


def _of(one: Service, path: Path) -> bool:
    """Whether a kept file belongs to the content that `second` has now."""
    return path.name.startswith(one._hashes.of(one.entry("second").path))


@pytest.mark.skipif(os.name == "nt", reason="POSIX permissions")
def test_only_the_owner_can_read(root: Path, tmp_path: Path) -> None:
    one = make(root, Measurer(), tmp_path)
    settled(one, "second")
    entry = one.entry("second")
    one.leave_out(entry, 2, "phone rang")
    one.save_bands("Mine", [{"angle": "wrist_flexion", "event": "top", "low": -5, "high": 5}])
    for folder in (tmp_path / "cache", tmp_path / "data"):
        assert stat.S_IMODE(folder.stat().st_mode) == 0o700
        files = [p for p in folder.rglob("*") if p.is_file()]
        assert files
        assert {stat.S_IMODE(p.stat().st_mode) for p in files} == {0o600}


def test_a_damaged_cache_is_measured_again(root: Path, tmp_path: Path) -> None:
    settled(make(root, Measurer(), tmp_path), "second")
    for path in (tmp_path / "cache").iterdir():
        path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    measurer = Measurer()
    assert isinstance(settled(make(root, measurer, tmp_path), "second"), Ready)
    assert len(measurer.calls) == 1


def test_one_recording_that_fails_leaves_the_others(root: Path, tmp_path: Path) -> None:
    (root / "second" / "hand.csv").write_text("t,ax\nbroken\n", encoding="utf-8")

    def measure(path: Path, *, progress) -> Measurement:
        if path.name == "second":
            raise CupbowError("second/hand.csv, line 2: not a number; mend the line")
        return measurement(2)

    one = Service(root, cache_dir=tmp_path / "c", data_dir=tmp_path / "d", measurer=measure)
    failed = settled(one, "second")
    assert isinstance(failed, Failed)
    assert failed.message == "second/hand.csv, line 2: not a number; mend the line"
    assert one.failure(one.entry("second")) == failed.message
    assert isinstance(settled(one, "may/first"), Ready)
    assert not list((tmp_path / "c").glob("*second*"))


def test_a_fault_of_the_program_is_one_line(root: Path, tmp_path: Path) -> None:
    failed = settled(make(root, Measurer(ZeroDivisionError("division\nby zero")), tmp_path), "second")
    assert isinstance(failed, Failed)
    assert "\n" not in failed.message
    assert "ZeroDivisionError: division by zero" in failed.message


def test_cancel_stops_and_again_starts(root: Path, tmp_path: Path) -> None:
    running, go_on = threading.Event(), threading.Event()
    calls = []

    def measure(path: Path, *, progress) -> Measurement:
        calls.append(path)
        if len(calls) == 1:
            running.set()
            assert go_on.wait(30)
        progress(0.9, "nearly")
        return measurement(2)

    one = Service(root, cache_dir=tmp_path / "c", data_dir=tmp_path / "d", measurer=measure)
    entry = one.entry("second")
    assert isinstance(one.open(entry), Busy)
    assert running.wait(30)
    one.cancel(entry)
    go_on.set()
    stopped = one.open(entry)
    assert isinstance(stopped, Failed)
    assert stopped.cancelled
    assert one.failure(entry) is None
    assert isinstance(one.open(entry, again=True), Busy)
    assert isinstance(settled(one, "second"), Ready)
    assert len(calls) == 2
    one.close()


def test_left_out_swings_follow_the_content(root: Path, tmp_path: Path) -> None:
    one = make(root, Measurer(), tmp_path)
    (root / "second" / "hand.csv").write_text("t,ax\n0,7\n", encoding="utf-8")
    one.leave_out(one.entry("second"), 3, "topped it")
    (root / "second").rename(root / "renamed")
    other = make(root, Measurer(), tmp_path)
    assert other.left_out(other.entry("renamed")) == {3: "topped it"}
    other.take_back(other.entry("renamed"), 3)
    assert make(root, Measurer(), tmp_path).left_out(other.entry("renamed")) == {}


def test_bands_are_judged_without_measuring_again(root: Path, tmp_path: Path) -> None:
    measurer = Measurer()
    one = make(root, measurer, tmp_path)
    before = settled(one, "second")
    value = before.measurement.swings[0].angles["wrist_flexion"]["top"].value_deg
    low, high = value - 10, value + 10
    one.save_bands("Edda, irons", [{"angle": "wrist_flexion", "event": "top", "low": low, "high": high}])
    after = settled(one, "second")
    assert after.measurement.swings[0].bands["wrist_flexion@top"].verdict == "inside"
    assert list(after.measurement.swings[0].bands) == ["wrist_flexion@top"]
    assert len(measurer.calls) == 1
    assert after.identity != before.identity
    other = make(root, measurer, tmp_path)
    assert other.bands().name == "Edda, irons"
    assert settled(other, "second").measurement.to_json() == after.measurement.to_json()
    other.choose_bands(bandsets.NONE)
    assert settled(other, "second").measurement.swings[0].bands == {}
    with pytest.raises(CupbowError, match="no set of bands"):
        other.choose_bands("../settings")
    assert len(measurer.calls) == 1


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ([{"angle": "wrist_flexion", "event": "top", "low": 5, "high": -5}], "not below"),
        ([{"angle": "wrist_flexion", "event": "noon", "low": -5, "high": 5}], "unknown event"),
        ([{"angle": "wrist_flexion", "event": "top", "low": None, "high": 5}], "number"),
        ([{"angle": "wrist_flexion", "event": "top", "low": -5, "high": 5}] * 2, "two bands"),
        ([{"angle": "wrist_flexion", "event": "top", "low": -95, "high": 5}], "limit"),
    ],
)
def test_bands_that_cannot_be_are_refused_and_nothing_is_kept(root, tmp_path, rows, words) -> None:
    one = make(root, Measurer(), tmp_path)
    with pytest.raises(CupbowError, match=words):
        one.save_bands("Mine", rows)
    assert one.band_sets() == make(root, Measurer(), tmp_path).band_sets()
    assert one.bands().key == bandsets.SHIPPED


def test_least_width_is_twice_the_doubt() -> None:
    found = bandsets.least_widths(measurement(4))
    assert found["wrist_flexion@top"] == 6  # u95 is 3 there
    assert found["wrist_flexion@top..shaft_level_down"] == 4


def test_downloads_are_the_results(root: Path, tmp_path: Path) -> None:
    import io
    import json

    import pandas as pd

    one = make(root, Measurer(), tmp_path)
    ready = settled(one, "may/first")
    results = download(one, "may/first", "results.json")
    assert json.loads(results.body) == ready.measurement.to_json()
    assert results.disposition == 'attachment; filename="first-results.json"'
    numbers = pd.read_csv(io.BytesIO(download(one, "may/first", "numbers.csv").body))
    assert len(numbers) == len(ready.measurement.table())
    traces = ready.measurement.traces()
    parquet = pd.read_parquet(io.BytesIO(download(one, "may/first", "traces.parquet").body))
    pd.testing.assert_frame_equal(parquet, traces)
    csv = pd.read_csv(io.BytesIO(download(one, "may/first", "traces.csv").body))
    np.testing.assert_allclose(csv["wrist_flexion_deg"], traces["wrist_flexion_deg"], rtol=1e-5)
    for key, what in (("may/first", "../secret"), ("../../etc", "results.json")):
        with pytest.raises(CupbowError):
            download(one, key, what)
