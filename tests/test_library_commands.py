"""The library's commands as a coach types them, and the settings of what they show."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime
from pathlib import Path

import platformdirs
import pytest

from imu import cli
from imu.errors import UsageError
from imu.library import measuring
from imu.library.forget import find_bytes, spellings
from imu.settings import Settings, changed, load_settings, save_settings
from tests.library_case import NAME, measurement, recording_folder


@pytest.fixture
def run(tmp_path, monkeypatch, capsys):
    """Runs a command on a library of its own; measuring is replaced by known results."""
    monkeypatch.setenv("CUPBOW_LIBRARY", str(tmp_path / "library"))
    monkeypatch.setenv("CUPBOW_SETTINGS", str(tmp_path / "settings.toml"))
    monkeypatch.setattr(platformdirs, "user_cache_path", lambda *_, **__: tmp_path / "user-cache")
    monkeypatch.setattr(platformdirs, "user_data_path", lambda *_, **__: tmp_path / "user-data")
    monkeypatch.setattr(measuring, "measure_task", lambda task, progress=None: measurement(handedness=task.handedness))

    def go(*words: str, code: int = 0) -> str:
        assert cli.main(list(words)) == code
        out = capsys.readouterr()
        return out.out if code == 0 else out.err

    return go


def test_a_day_of_a_coach(run, tmp_path):
    first = recording_folder(tmp_path / "range" / "a")
    second = recording_folder(tmp_path / "range" / "b", seed=1)
    assert "no library here yet" in run("list", code=3)
    assert "--new" in run("add", str(first), "--student", "Juno", code=2)
    assert "5 swings" in run("add", str(first), "--student", NAME, "--new", "--handed", "left")
    run("student", "Per Linde", "--new", "--handed", "right", "--born", "2015-01-02")
    assert "already filed" in run("add", str(tmp_path / "range"), "--student", "per")
    people = {row["student"]: row for row in json.loads(run("list", "--json"))}
    assert (people[NAME]["swings"], people["Per Linde"]["swings"]) == (5, 5)
    (lesson,) = json.loads(run("list", "per", "--json"))
    rows = json.loads(run("list", "--lesson", lesson["id"], "--json"))
    assert [row["wrist at the top"] for row in rows] == [-21.0] * 5
    recording = rows[0]["recording"]

    run("move", recording, "--to", "juno")
    run("correct", recording, "--swings", "4-", "--club", "8-iron")
    run("correct", recording, "--swings", "1,3", "--leave-out", "phone rang")
    (tmp_path / "shots.csv").write_text("swing,start,carry\n2,left,150\n")
    run("settings", "length=yd")
    run("correct", recording, "--ball", str(tmp_path / "shots.csv"))
    (lesson,) = json.loads(run("list", "juno", "--json"))
    rows = [r for r in json.loads(run("list", "--lesson", lesson["id"], "--json")) if r["recording"] == recording]
    assert [r["club"] for r in rows] == ["7-iron"] * 3 + ["8-iron"] * 2
    assert [r["note"] for r in rows] == ["left out: phone rang", "", "left out: phone rang", "", ""]
    assert rows[1]["ball"] == "left 150 yd"
    for undone in ("ball flights noted", "swings left out", "swings corrected", "recording moved"):
        assert undone in run("undo")
    assert len(json.loads(run("list", "per", "--json"))) == 1

    run("export", str(tmp_path / "all.zip"))
    assert "--yes" in run("forget", "juno", code=2)
    for place in ("user-cache/measured/a.json", "user-data/letters/a.json", "user-data/bands/house.toml"):
        (tmp_path / place).parent.mkdir(parents=True)
        (tmp_path / place).write_text(NAME if "cache" not in place else "her swings")
    out = run("forget", "juno", "--yes")
    assert "Out of reach" in out
    assert not any((tmp_path / "user-cache").iterdir())
    assert list(find_bytes(tmp_path / "user-data", spellings(NAME))) == [
        tmp_path / "user-data" / "bands" / "house.toml"
    ]
    assert not list(find_bytes(tmp_path / "library", spellings(NAME)))
    assert "new: 1 student, 1 lesson, 1 recording, 5 swings" in run("import", str(tmp_path / "all.zip"))
    assert "nothing" in run("import", str(tmp_path / "all.zip"))
    assert json.loads(run("remeasure", "--all", "--jobs", "1", "--json"))["measured"] == 2
    assert "No number moved" in run("remeasure", "--all", "--jobs", "1")
    assert second.exists()


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["list", "nobody"], "no student 'nobody'"),
        (["list", "--lesson", "beef"], "no lesson"),
        (["list", "--lesson", "x"], "not the identity"),
        (["move", "beefbeef", "--to", "juno"], "no recording or lesson"),
        (["move", "beefbeef"], "--into"),
        (["undo", "77"], "no change 77"),
        (["export", "/"], "is a folder"),
        (["coaches", "--admit", "edda"], "library of one's own"),
        (["settings", "paper=A3"], "choose A4 or Letter"),
        (["settings", "colour=red"], "no setting 'colour'"),
        (["add", "/nowhere", "--student", "juno"], "no such file"),
    ],
)
def test_what_goes_wrong_is_one_line(run, words, says):
    run("student", NAME, "--new", "--handed", "left")
    code = 3 if words[0] == "export" else 2
    fault = run(*words, code=code)
    assert says in fault
    assert fault.count("\n") == 1


def test_a_recording_that_cannot_be_read_is_not_filed_and_the_rest_is(run, tmp_path, monkeypatch):
    run("student", NAME, "--new", "--handed", "left")
    monkeypatch.undo()
    monkeypatch.setenv("CUPBOW_LIBRARY", str(tmp_path / "library"))
    bad = recording_folder(tmp_path / "range" / "a")
    (bad / "forearm.csv").write_text("not,numbers\nat,all\n")
    (bad / "club.csv").unlink()
    assert cli.main(["add", str(bad), "--student", "juno"]) == 3
    assert not (tmp_path / "library" / "recordings").exists()


def test_a_real_recording_is_measured_filed_and_gives_the_same_numbers_again(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("CUPBOW_LIBRARY", str(tmp_path / "library"))
    demo = Path(__file__).parents[1] / "recordings" / "2026-05-24_driver"
    assert cli.main(["add", str(demo), "--student", NAME, "--new", "--handed", "left", "--thought", "flat wrist"]) == 0
    assert cli.main(["remeasure", "--all", "--jobs", "2"]) == 0
    assert "measured 1 recording anew\nNo number moved." in capsys.readouterr().out
    assert cli.main(["measure", str(demo), "--json", "-"]) == 0
    measured = json.loads(capsys.readouterr().out)
    cli.main(["list", NAME, "--json"])
    (lesson,) = json.loads(capsys.readouterr().out)
    cli.main(["list", "--lesson", lesson["id"], "--json"])
    filed = [row["wrist at the top"] for row in json.loads(capsys.readouterr().out)]
    assert filed == [swing["angles"]["wrist_flexion"]["top"]["value"] for swing in measured["swings"]]


# -- settings --------------------------------------------------------------------------------------


def test_units_and_dates_as_the_settings_say():
    iso, us = Settings(dates="iso"), Settings(dates="month-day", length="yd", speed="mph", paper="Letter")
    german = Settings(language="de")
    day = date(2026, 5, 24)
    assert (iso.date(day), us.date(day), Settings().date(day)) == ("2026-05-24", "May 24, 2026", "24 May 2026")
    assert german.date(day) == "24.05.2026"
    # 1 yard = 0.9144 m, 1 mile = 1609.344 m: international yard and pound agreement, 1959
    assert us.distance(137.16) == "150 yd"
    assert us.velocity(44.704) == "100 mph"
    assert german.distance(1234.5, 1) == "1.234,5 m"
    assert us.from_length(us.to_length(123.0)) == pytest.approx(123.0)
    assert Settings().paper_mm == (210.0, 297.0)  # ISO 216
    assert us.date(datetime(2026, 5, 24, 12, tzinfo=UTC)) == "May 24, 2026"


def test_settings_are_kept_and_a_wrong_file_is_named(tmp_path: Path):
    path = tmp_path / "deep" / "settings.toml"
    assert load_settings(path) == Settings()
    save_settings(changed(Settings(), {"paper": "Letter"}), path)
    assert load_settings(path).paper == "Letter"
    for content, says in (("paper = ", "not TOML"), ('paper = "A3"', "A4 or Letter"), ("x = 1", "no setting 'x'")):
        path.write_text(content)
        with pytest.raises(UsageError) as caught:
            load_settings(path)
        assert says in str(caught.value)
        assert str(path) in str(caught.value)
