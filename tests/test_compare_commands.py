"""`cupbow compare` and `cupbow letter` as a coach types them."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from imu.cli import main
from tests.lessons import lesson


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    r = np.random.default_rng(4)
    lesson(r, n=18, bands=True, zero_sd=0.8).write_json(tmp_path / "april.json")
    lesson(r, n=21, bands=True, zero_sd=0.8, wrist=12.0).write_json(tmp_path / "may.json")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "160")
    return tmp_path


def test_compare_two_results(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["compare", "april.json", "24 May=may.json", "--all"]) == 0
    out = capsys.readouterr().out
    assert "april with 24 May, full swings" in out
    assert "One thing has changed: the wrist at the top is flatter." in out
    assert "flatter" in out
    assert "Before you conclude" in out
    assert "Not judged" in out


def test_compare_as_json(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["compare", "april.json", "may.json", "--json", "-", "--targets", "wrist_flexion@top"]) == 0
    data = json.loads(capsys.readouterr().out)
    rows = {r["measure"]: r for r in data["pairs"][0]["rows"]}
    top = rows["wrist_flexion@top"]
    assert (top["n_a"], top["n_b"], top["verdict"]) == (18, 21, "changed")
    assert top["sdc"] == top["sdc_alone"] < abs(top["difference"])
    assert rows["face_to_forearm@top"]["verdict"] is None
    assert main(["compare", "april.json", "may.json", "--json", "out.json"]) == 0
    assert json.loads((folder / "out.json").read_text())["schema"] == "cupbow.compare/1"


def test_parts_of_a_recording_share_the_zero_and_so_do_recordings_said_to(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def zero(*argv: str) -> float:
        assert main(["compare", *argv, "--json", "-"]) == 0
        rows = json.loads(capsys.readouterr().out)["pairs"][0]["rows"]
        return float(next(r["u_zero"] for r in rows if r["measure"] == "wrist_flexion@top"))

    assert zero("april.json#1-9", "april.json#10-17+18") == pytest.approx(0.0, abs=1e-3)
    assert zero("april.json", "may.json") == pytest.approx(2**0.5 * 0.8, rel=0.01)
    assert zero("april.json", "may.json", "--same-calibration") == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize(
    ("argv", "message"),
    [
        (["april.json"], "two or more"),
        (["april.json", "june.json"], "june.json: there is no such file"),
        (["april.json", "broken.json"], "broken.json: line 1 is not JSON"),
        (["april.json", "other.json"], "other.json: is not what"),
        (["april.json", "old.json"], "old.json: measured results have schema"),
        (["april.json", "may.json#1-90"], "has swings 1 to 21, not 22"),
        (["april.json", "may.json#x"], "not a choice of swings"),
        (["april.json", "may.json", "--targets", "elbow@top"], "is not a measure"),
        (["april.json", "may.json", "--kind", "slow"], "no slow swing"),
        (["a=", "may.json"], "names no recording"),
    ],
)
def test_faults_are_one_line(folder: Path, capsys: pytest.CaptureFixture[str], argv: list[str], message: str) -> None:
    (folder / "broken.json").write_text("{")
    (folder / "other.json").write_text('{"schema": "cupbow.measure/1"}')
    (folder / "old.json").write_text('{"schema": "cupbow.measure/0"}')
    assert main(["compare", *argv]) in (2, 3)
    err = capsys.readouterr().err
    assert message in err
    assert len(err.strip().splitlines()) == 1


def test_letter_keeps_the_coachs_words(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    call = ["letter", "12 April=april.json", "today=may.json", "--student", "Juno", "--coach", "Edda Quill"]
    assert main([*call, "--out", "juno.html", "--until", "14 June", "--paper", "letter"]) == 0
    words = folder / "juno.words.toml"
    words.write_text(
        words.read_text("utf-8").replace("At the top, the ruler still touches.", "Flat, like April.", 1), "utf-8"
    )
    assert main([*call, "--out", "juno.html"]) == 0
    html = (folder / "juno.html").read_text("utf-8")
    assert "Flat, like April." in html
    assert "Until next time," in html  # not changed by the coach, so it follows what was asked
    assert "size:A4" in html
    assert main([*call, "--out", "juno.docx"]) == 2
    assert main([*call[:2], *call[3:], "--out", "juno.pdf"]) == 2
    assert not (folder / "juno.pdf").exists()
    capsys.readouterr()


@pytest.mark.parametrize(
    ("setting", "more", "size"),
    [
        ("A4", [], (210 / 25.4 * 72, 297 / 25.4 * 72)),  # ISO 216
        ("Letter", [], (8.5 * 72, 11 * 72)),  # ANSI/ASME Y14.1, size A
        ("Letter", ["--paper", "a4"], (210 / 25.4 * 72, 297 / 25.4 * 72)),  # what is asked for goes first
    ],
)
def test_letter_is_on_the_paper_of_the_settings(
    folder: Path, monkeypatch: pytest.MonkeyPatch, setting: str, more: list[str], size: tuple[float, float]
) -> None:
    info = shutil.which("pdfinfo")
    if not info:
        pytest.skip("poppler's tools are not installed")
    monkeypatch.setenv("XDG_CONFIG_HOME", str(folder / "config"))
    assert main(["settings", f"paper={setting}"]) == 0
    call = ["letter", "12 April=april.json", "today=may.json", "--student", "Juno", "--coach", "Edda Quill"]
    assert main([*call, "--out", "juno.pdf", *more]) == 0
    said = subprocess.run([info, "juno.pdf"], capture_output=True, text=True, check=True).stdout
    found = re.search(r"Page size:\s+([\d.]+) x ([\d.]+)", said)
    assert found
    assert tuple(map(float, found.groups())) == pytest.approx(size, abs=0.5)


@pytest.mark.parametrize(
    ("setting", "more", "said", "unsaid"),
    [
        ("de", [], "Die Zahlen, für Neugierige", "The numbers"),
        ("de", ["--language", "en"], "The numbers, for the curious", "Die Zahlen"),
        ("en", ["--language", "de"], "Die Zahlen, für Neugierige", "The numbers"),
    ],
)
def test_letter_is_in_the_language_of_the_settings_or_the_one_asked_for(
    folder: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    setting: str,
    more: list[str],
    said: str,
    unsaid: str,
) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(folder / "config"))
    assert main(["settings", f"language={setting}"]) == 0
    call = ["letter", "12 April=april.json", "today=may.json", "--student", "Juno", "--coach", "Edda Quill"]
    assert main([*call, "--out", "juno.html", *more]) == 0
    html = (folder / "juno.html").read_text("utf-8")
    assert said in html
    assert unsaid not in html
    # JSON and the terminal are the command's: they stay English.
    capsys.readouterr()
    assert main(["compare", "april.json", "may.json", "--json", "-"]) == 0
    assert "have changed" in capsys.readouterr().out
