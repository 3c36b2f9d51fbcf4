"""The letter's date stands at its head without being asked for: the day of the later set, else today."""

from __future__ import annotations

import argparse
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import pytest

from imu.cli import main
from imu.commands.letter import _day
from imu.compare import Part, SwingSet
from imu.library import Library, filing
from tests.lessons import lesson as some_lesson
from tests.library_case import measurement, recording_folder

MONTHS = [
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
]


def later(lesson: str) -> SwingSet:
    return SwingSet("now", (Part(measurement(), "a", lesson=lesson),))


def test_a_recordings_day_is_that_of_its_manifest(tmp_path: Path) -> None:
    folder = recording_folder(tmp_path / "one", day=24)
    assert _day(argparse.Namespace(student=None, library=None), later(str(folder))) == date(2026, 5, 24)


def test_a_lessons_day_is_the_librarys(tmp_path: Path) -> None:
    with Library.open(tmp_path / "library") as library:
        juno = filing.add_student(library, name="Juno Abara", handedness="left").id
        lesson = filing.start_lesson(library, juno, held_at=datetime(2026, 5, 24, 12, tzinfo=UTC))
    args = argparse.Namespace(student="Juno", library=str(tmp_path / "library"))
    assert _day(args, later(lesson.id)) == date(2026, 5, 24)


@pytest.mark.parametrize(("given", "printed"), [(None, None), ("at Whitsun", "at Whitsun"), ("", "")])
def test_results_without_a_day_give_todays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, given: str | None, printed: str | None
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    r = np.random.default_rng(4)
    for name in ("april.json", "may.json"):
        some_lesson(r, n=6, bands=True).write_json(Path(name))
    today = date.today()
    said = f"{today.day} {MONTHS[today.month - 1]} {today.year}"
    asked = [] if given is None else ["--date", given]
    call = [
        "letter",
        "before=april.json",
        "now=may.json",
        "--to",
        "Juno",
        "--coach",
        "Edda Quill",
        "--out",
        "juno.html",
    ]
    assert main([*call, *asked]) == 0
    page = Path("juno.html").read_text("utf-8")
    assert (said in page) == (given is None)
    if printed:
        assert printed in page
