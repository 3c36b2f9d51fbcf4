"""`cupbow whatif` as its user sees it: table, JSON, exit codes."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from imu import cli, simulate
from imu.measuring import measure


@pytest.fixture(scope="module")
def lesson(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("recordings") / "lesson"
    session = simulate.Session(swings=(simulate.SwingPlan(flexion_top=-25.0),))
    simulate.write(simulate.simulate(session, seed=8).recording, folder)
    return folder


@pytest.fixture(scope="module")
def kept(lesson: Path) -> Path:
    out = lesson.parent / "lesson.json"
    measure(lesson).write_json(out)
    return out


def whatif(capsys: pytest.CaptureFixture[str], *args: object) -> tuple[int, str, str]:
    code = cli.main(["whatif", *map(str, args)])
    said = capsys.readouterr()
    return code, said.out, said.err


def test_table_and_json_say_the_same(kept: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "out.json"
    code, text, faults = whatif(capsys, kept, "--flexion", 12, "--json", out)
    assert (code, faults) == (0, "")
    found = json.loads(out.read_text())
    assert found["schema"] == "cupbow.whatif/1"
    assert (found["swing"], found["event"]) == (1, "top")
    slope = next(e for e in found["per_10_deg"] if (e["turn"], e["angle"]) == ("wrist_flexion", "face_to_forearm"))
    assert slope["value"] < -slope["u95"] < 0  # bowing closes the face (common practice, no source)
    assert slope["saying"]["agrees"] is True
    assert f"{slope['value']:+.1f} ±{max(0.1, slope['u95']):.1f}" in text
    face = found["turned"]["angles"]["face_to_forearm"]
    assert face["after"]["value"] == pytest.approx(face["before"]["value"] + face["change"]["value"], abs=2e-3)
    assert face["change"]["value"] == pytest.approx(1.2 * slope["value"], rel=0.15)
    assert "with Wrist +12°" in text
    assert f"{face['change']['value']:+.1f}" in text
    assert "not a medical opinion" in text
    assert max(map(len, text.splitlines())) <= 120


def test_a_recording_gives_what_its_results_give(lesson: Path, kept: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, text, _ = whatif(capsys, lesson, "--event", "shaft_level_down", "--json", "-")
    again, kept_text, _ = whatif(capsys, kept, "--event", "shaft_level_down", "--json", "-")
    assert code == again == 0
    a, b = (json.loads(t)["per_10_deg"] for t in (text, kept_text))
    assert any(e["value"] is not None for e in a)
    for x, y in zip(a, b, strict=True):
        assert x["value"] == pytest.approx(y["value"], abs=0.01)
        assert x["u95"] == pytest.approx(y["u95"], abs=0.03)


def test_a_poor_swing_gets_no_numbers(kept: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    data = json.loads(kept.read_text())
    data["swings"][0]["quality"] = {"grade": "poor", "reasons": ["the wrist at the top is known to ±14° only"]}
    poor = tmp_path / "poor.json"
    poor.write_text(json.dumps(data))
    code, text, _ = whatif(capsys, poor, "--flexion", 5)
    assert code == 0
    assert "Nothing can be said" in text
    assert "known to ±14° only" in text
    assert "+5.0" not in text


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (("--event", "halfway"), "not an event"),
        (("--swing", "7"), "--swing 7"),
        (("--flexion", "200"), "at most 90"),
        (("--flexion", "much"), "is not a number"),
    ],
)
def test_wrong_use_is_one_line(kept: Path, args: tuple[str, ...], says: str) -> None:
    command = [sys.executable, "-m", "imu.cli", "whatif", str(kept), *args]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 2
    assert says in done.stderr
    assert done.stderr.count("\n") == 1
    assert done.stdout == ""


def test_a_file_that_is_no_result_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    other = tmp_path / "other.json"
    for text in ('{"schema": "cupbow.measure/1"}', "not json", "[]"):
        other.write_text(text)
        code, _, faults = whatif(capsys, other)
        assert code == 2
        assert "other.json" in faults
        assert faults.count("\n") == 1
