"""Lessons of the library as sets: calibrations, clubs, days, and what the coach left out."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from imu.cli import main
from imu.compare import compare
from imu.errors import UsageError
from imu.library import Library, filing, finding
from imu.library.sets import chosen_set, lesson_sets
from tests.lessons import lesson
from tests.library_case import recording_folder


@pytest.fixture
def library(tmp_path: Path) -> Iterator[Library]:
    """Juno's two lessons, the second with two clubs, and one other student's."""
    r = np.random.default_rng(3)
    with Library.open(tmp_path / "library") as found:
        juno = filing.add_student(found, name="Juno Abara", handedness="right")
        other = filing.add_student(found, name="Ilse Brandt", handedness="right")
        plan = [
            (juno.id, 3, "7-iron", 0.0, "saved-1"),
            (juno.id, 24, "7-iron", 14.0, "saved-2"),
            (juno.id, 24, "driver", 3.0, "saved-2"),
            (other.id, 24, "7-iron", 40.0, ""),
        ]
        for i, (student, day, club, wrist, calibration) in enumerate(plan):
            folder = recording_folder(tmp_path / f"r{i}", seed=i, handedness="right", club=club, day=day)
            added = filing.add_recording(found, folder, student_id=student)
            m = lesson(r, n=9, wrist=wrist, zero_sd=0.8, club=club)
            filing.store_measurement(found, added.recording.id, m, code="test", calibration=calibration)
        yield found


def juno(library: Library) -> str:
    return finding.student_named(library, "Juno").id


def test_lessons_by_day_and_club_of_one_student_only(library: Library) -> None:
    found = lesson_sets(library, student_id=juno(library))
    assert [(s.day.day, s.club, len(s.filed)) for s in found] == [
        (3, "7-iron", 9),
        (24, "7-iron", 9),
        (24, "driver", 9),
    ]
    pair = compare([found[0].swings, found[1].swings]).pairs[0]
    row = pair.row("wrist_flexion@top")
    assert row.verdict == "changed"
    assert row.estimate is not None
    assert row.estimate.u_zero == pytest.approx(2**0.5 * 0.8, rel=0.01)


def test_two_clubs_of_one_saved_calibration_share_the_zero(library: Library) -> None:
    _, iron, driver = lesson_sets(library, student_id=juno(library))
    row = compare([iron.swings, driver.swings]).pairs[0].row("wrist_flexion@top")
    assert row.estimate is not None
    assert row.estimate.u_zero == pytest.approx(0.0, abs=1e-6)


def test_what_the_coach_left_out_is_out_and_said(library: Library) -> None:
    first = lesson_sets(library, student_id=juno(library))[0]
    filing.leave_out(library, [first.filed[2].line.id], reason="stumbled")
    again = lesson_sets(library, student_id=juno(library))
    pair = compare([again[0].swings, again[1].swings]).pairs[0]
    assert pair.row("wrist_flexion@top").estimate.n_a == 8  # type: ignore[union-attr]
    assert any("stumbled" in str(c) for c in pair.cautions)


def test_a_set_is_named_by_day_identity_and_club(library: Library) -> None:
    sets = lesson_sets(library, student_id=juno(library))
    assert chosen_set(sets, "2026-05-03").parts == sets[0].swings.parts
    assert chosen_set(sets, sets[1].lesson.id[:8] + ":DRIVER", label="D").label == "D"
    for text, message in (
        ("2026-05-24", "several clubs; write 2026-05-24:7-iron"),
        ("2026-05-24:putter", "no swing with that club; there are 7-iron, driver"),
        ("2026-06-01", "there are 2026-05-03, 2026-05-24"),
    ):
        with pytest.raises(UsageError, match=message):
            chosen_set(sets, text)


def test_commands_take_a_students_lessons(
    library: Library, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    where = ["--student", "juno", "--library", str(tmp_path / "library")]
    assert main(["compare", "2026-05-03", "now=2026-05-24:7-iron", *where, "--json", "-"]) == 0
    pair = json.loads(capsys.readouterr().out)["pairs"][0]
    assert (pair["a"], pair["b"]) == ("3 May 2026, 7-iron", "now")
    assert main(["letter", "2026-05-03", "2026-05-24:7-iron", *where, "--coach", "Edda Quill", "--out", "l.html"]) == 0
    assert "Dear Juno Abara," in (tmp_path / "l.html").read_text("utf-8")
    assert main(["compare", "2026-05-03", "2026-07-01", *where]) == 2
    assert "there is no measured lesson" in capsys.readouterr().err
