"""`cupbow measure` and `cupbow benchmark` as their user sees them: output, files, exit codes."""

from __future__ import annotations

import io
import json
import os
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from rich.console import Console

from imu import simulate
from imu.commands import benchmark, table
from imu.measured import Measurement, Value
from imu.recording import ANGLES, EVENTS
from tests.synthetic_measurement import measurement

DATA = Path(os.environ.get("CUPBOW_DATA", Path(__file__).parents[1] / ".." / "shared" / "data"))


def cupbow(*args: object, **env: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "dashboard.command", *map(str, args)]
    environment = {k: v for k, v in os.environ.items() if k not in ("COLUMNS", "CUPBOW_DEBUG")} | env
    return subprocess.run(command, capture_output=True, text=True, timeout=300, check=False, env=environment)


@pytest.fixture(scope="module")
def lesson(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A recording with one cupped swing of a left-handed player."""
    folder = tmp_path_factory.mktemp("recordings") / "lesson"
    session = simulate.Session(swings=(simulate.SwingPlan(flexion_top=-32.0, flexion_shaft_level=-25.0),))
    simulate.write(simulate.simulate(session, seed=8).recording, folder)
    return folder


@pytest.fixture(scope="module")
def quiet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A recording with its poses and no swing."""
    folder = tmp_path_factory.mktemp("recordings") / "quiet"
    simulate.write(simulate.simulate(simulate.Session(swings=()), seed=8).recording, folder)
    return folder


def test_table_json_and_traces(lesson: Path, tmp_path: Path) -> None:
    out, traces = tmp_path / "out.json", tmp_path / "traces.parquet"
    before = {p: p.read_bytes() for p in lesson.iterdir()}
    done = cupbow("measure", lesson, "--json", out, "--traces", traces)
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    assert "Swing 1, full, ball" in done.stdout
    assert "below: Wrist, top, by" in done.stdout
    assert "\x1b" not in done.stdout  # plain in a pipe
    assert max(map(len, done.stdout.splitlines())) <= 120

    data = json.loads(out.read_text())
    assert data["schema"] == "cupbow.measure/1"
    assert set(data["recording"]) == {"handedness", "club", "sensors", "warnings"}
    assert data["recording"]["handedness"] == "left"
    swing = data["swings"][0]
    assert {"index", "kind", "ball", "quality", "events", "angles", "changes", "tempo", "bands"} <= set(swing)
    assert list(swing["events"]) == list(EVENTS)
    assert set(swing["angles"]) == set(ANGLES)
    assert swing["bands"]["wrist_flexion@top"]["verdict"] == "below"
    assert swing["angles"]["wrist_flexion"]["top"]["value"] == pytest.approx(-32, abs=5)

    dense = pd.read_parquet(traces)
    assert {"swing", "t", "wrist_flexion_deg", "wrist_flexion_u95_deg"} <= set(dense)
    near_top = dense.iloc[(dense.t - swing["events"]["top"]["t"]).abs().argsort()[:1]]
    value = swing["angles"]["wrist_flexion"]["top"]["value"]
    assert near_top.wrist_flexion_deg.iloc[0] == pytest.approx(value, abs=0.5)
    assert {p: p.read_bytes() for p in lesson.iterdir()} == before  # recordings are never altered
    assert {p.name for p in tmp_path.iterdir()} == {"out.json", "traces.parquet"}


def test_json_to_standard_output_is_nothing_but_json(lesson: Path) -> None:
    done = cupbow("measure", lesson, "--json", "-")
    assert done.returncode == 0
    assert Measurement.from_json(json.loads(done.stdout)).swings[0].kind == "full"


def test_a_coachs_own_bands_are_used(lesson: Path, tmp_path: Path) -> None:
    bands = tmp_path / "mine.toml"
    bands.write_text(
        'format = "cupbow.bands/1"\n[[band]]\nangle = "wrist_flexion"\nevent = "top"\nlow = -50\nhigh = -10\nsource = "Edda"\n'
    )
    done = cupbow("measure", lesson, "--json", "-", "--bands", bands)
    assert json.loads(done.stdout)["swings"][0]["bands"] == {
        "wrist_flexion@top": {"low": -50.0, "high": -10.0, "source": "Edda", "verdict": "inside"}
    }
    bands.write_text(bands.read_text().replace("-50", '"x"'))
    done = cupbow("measure", lesson, "--bands", bands)
    assert done.returncode == 3
    assert done.stderr == f"cupbow measure: {bands}: band 1: low is to be a number of degrees\n"


def test_a_recording_without_a_swing_says_so_with_the_streams_quality(quiet: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.json"
    done = cupbow("measure", quiet, "--json", out)
    assert done.returncode == 3
    assert done.stdout == ""
    assert done.stderr.count("\n") == 1
    assert f"{quiet}: holds no swing (forearm 200 Hz, " in done.stderr
    assert "hand 200 Hz" in done.stderr
    assert "lost" in done.stderr
    data = json.loads(out.read_text())
    assert data["swings"] == []
    assert [s["role"] for s in data["recording"]["sensors"]] == ["forearm", "hand", "club"]


@pytest.mark.parametrize(
    ("name", "options"),
    [
        ("wrist_forearm_hand_60s.csv", ["--handed", "left"]),
        ("xio_sensor_data_20s.csv", ["--handed", "right", "--role", "forearm"]),
        ("broad_trial09_60s.csv", ["--handed", "right", "--role", "hand"]),
    ],
)
def test_real_recordings_without_a_swing(name: str, options: list[str], tmp_path: Path) -> None:
    """Real IMU data (two sensors across a wrist; a logger's export; the BROAD benchmark, trial 9)."""
    if not (DATA / name).exists():
        pytest.skip(f"real recording {name} is not here (folder CUPBOW_DATA)")
    out = tmp_path / "out.json"
    done = cupbow("measure", DATA / name, *options, "--json", out)
    assert done.returncode == 3, done.stdout + done.stderr
    assert "holds no swing" in done.stderr
    assert " Hz, " in done.stderr
    assert done.stderr.count("\n") == 1
    assert json.loads(out.read_text())["swings"] == []


def test_a_folder_of_recordings_is_measured_one_by_one(lesson: Path, tmp_path: Path) -> None:
    folder = tmp_path / "season"
    for name in ("a", "c/inner"):
        shutil.copytree(lesson, folder / name)
    shutil.copytree(lesson, folder / "b")
    (folder / "b" / "hand.csv.gz").unlink()
    out = tmp_path / "json"
    done = cupbow("measure", folder, "--json", out)
    assert done.returncode == 3  # one could not be read ...
    assert done.stderr.count("\n") == 1
    assert "hand.csv.gz" in done.stderr
    assert {p.name for p in out.iterdir()} == {"a.json", "c_inner.json"}  # ... the others were measured
    assert done.stdout.count("Swing 1, full") == 2
    done = cupbow("measure", folder, "--json", "-")
    assert done.returncode == 2
    assert "holds 3 recordings" in done.stderr


@pytest.mark.parametrize(
    ("args", "code", "says"),
    [
        (["nowhere"], 2, "there is no such file or folder"),
        (["LESSON", "--traces", "out.xlsx"], 2, ".parquet or .csv"),
        (["LESSON", "--json", "no/such/folder/out.json"], 3, "cannot be written"),
        (["LESSON", "--role", "elbow"], 2, "use forearm, hand or club"),
        (["LESSON", "--swing", "9"], 2, "swings 1 to 1"),
        (["LESSON", "--handed", "both"], 2, "--handed"),
        (["LESSON", "--bands", "none.toml"], 3, "none.toml: cannot be read"),
        ([], 2, "PATH"),
    ],
)
def test_wrong_use_is_one_line(args: list[str], code: int, says: str, lesson: Path) -> None:
    done = cupbow("measure", *(lesson if a == "LESSON" else a for a in args))
    assert done.returncode == code
    assert says in done.stderr
    assert done.stderr.startswith("cupbow measure: ")
    assert done.stderr.count("\n") == 1


def test_a_terminal_without_unicode_is_no_fault(lesson: Path) -> None:
    done = cupbow("measure", lesson, PYTHONIOENCODING="ascii", PYTHONUTF8="0")
    assert done.returncode == 0, done.stderr
    assert "Swing 1" in done.stdout


# -- the table -------------------------------------------------------------------------------------
def shown(m: Measurement, width: int, **options: object) -> list[str]:
    text = io.StringIO()
    table.show(m, console=Console(file=text, width=width, highlight=False, markup=False), **options)  # type: ignore[arg-type]
    return text.getvalue().splitlines()


@pytest.mark.parametrize("width", [80, 120])
def test_every_known_number_is_in_the_table(width: int) -> None:
    m = measurement()
    swing = m.swings[0]
    lines = shown(m, width, only=swing.index)
    assert max(map(len, lines)) <= width
    text = "\n".join(lines)
    for per in swing.angles.values():
        for value in per.values():
            if value.value_deg is not None:
                assert table.reading(value) in text
    for head in ("address", "takeaway", "impact", "finish"):  # none is cut
        assert head in text
    assert "…" not in text


def test_what_is_not_known_is_said_once_with_its_reason() -> None:
    m = measurement()
    missing = dict.fromkeys(EVENTS, Value(None, None, "no hand sensor"))
    angles = {**m.swings[0].angles, "wrist_flexion": missing, "wrist_deviation": missing}
    swing = replace(m.swings[0], angles=angles, bands={})
    text = "\n".join(shown(replace(m, swings=(swing,)), 120))
    assert text.count("no hand sensor") == 1
    assert "Not known: Wrist, Hinge (no hand sensor)" in text


def test_many_swings_are_shown_in_brief_unless_asked_for() -> None:
    m = measurement()
    assert len(m.swings) > table.FEW
    brief, full = ("\n".join(shown(m, 120, everything=e)) for e in (False, True))
    assert "s from address" not in brief
    assert full.count("s from address") == len(m.swings)


def test_how_far_outside_is_no_more_than_is_sure() -> None:
    m = measurement()
    for swing in m.swings:
        for line in table._outside(swing):
            by = float(line.split(" by ")[1].split("°")[0])
            low, high = line.split("(band ")[1].rstrip(")").split(" to ")
            angle = next(a for a, name in table.NAMES.items() if f" {name}," in line)
            events = [
                e for e in swing.angles[angle] if f"{angle}@{e}" in swing.bands and f", {table.HEADS[e]}, by" in line
            ]
            value = swing.angles[angle][events[0]]
            assert value.value_deg is not None
            assert value.u95_deg is not None
            outside = max(float(low) - value.value_deg, value.value_deg - float(high))
            assert by <= outside - value.u95_deg + 0.51


# -- speed -----------------------------------------------------------------------------------------
def test_the_recording_of_the_benchmark_is_what_it_says() -> None:
    made = benchmark.made(60.0, seed=1)
    assert [len(s) for s in made.streams.values()] == [12000] * 3
    assert made.streams["club"].t_s[-1] == pytest.approx(59.995)
    assert {p.name for p in made.poses} == {"hang", "handshake", "club_square", "club_hang", "grip_flat"}


def test_what_is_practised_in_the_benchmark_is_what_it_says() -> None:
    lesson, practice = benchmark.practised(0.05, seed=1)
    assert {p.name for p in lesson.poses} == {"hang", "handshake", "club_square", "club_hang", "grip_flat"}
    assert practice.poses == ()
    for role, stream in practice.streams.items():
        assert stream.t_s[0] > lesson.streams[role].t_s[-1]
        step = np.diff(stream.t_s) * benchmark.RATE_HZ
        assert (np.sum(np.rint(step)) - len(step)) / np.sum(step) == pytest.approx(0.05, abs=0.02)


def test_benchmark_prints_numbers_that_belong_together(tmp_path: Path) -> None:
    out = tmp_path / "speed.json"
    done = cupbow("benchmark", "--repeats", 1, "--json", out)
    assert done.returncode == 0, done.stderr
    result = json.loads(out.read_text())["recordings"][0]
    assert result["samples"] == 36000
    assert result["swings"] >= 2
    m = result["measure"]
    assert m["samples_per_s"] == pytest.approx(36000 / m["seconds"], rel=0.01)
    assert m["peak_memory_mb"] > 50
    assert result["ratio_to_madgwick"] == pytest.approx(m["seconds"] / result["madgwick"]["seconds"], rel=0.02)
    assert "ahrs Madgwick" in done.stdout
    for practice in json.loads(out.read_text())["saved_calibration"]:
        assert practice["swings"] == 3
        assert 0 < practice["reading_seconds"] < practice["seconds"]
    assert "practice with a saved calibration" in done.stdout
