"""The plan out, the session home: the commands, and the library, where twice is once."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import platformdirs
import pytest

from imu import cli
from imu.errors import UsageError
from imu.library import Library, filing, finding, picks
from imu.library.practice import bring_home, guesses
from imu.library.schema import Picked
from imu.practice import journal
from imu.practice import plan as plans
from imu.practice.drill import Feedback
from imu.practice.journal import read
from imu.practice.session import Practice
from tests.library_case import measurement, recording_folder, swing
from tests.practice_case import STUDENT_ID, Clock, opened, plan_of, ready
from tests.test_practice_session import hold

PICK = ("--angle", "wrist_flexion", "--event", "top", "--low", "-12", "--high", "12")


@pytest.fixture
def library(tmp_path):
    with Library.open(tmp_path / "library", create=True) as opened_library:
        yield opened_library


@pytest.fixture
def run(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("CUPBOW_LIBRARY", str(tmp_path / "shelf"))
    monkeypatch.setenv("CUPBOW_SETTINGS", str(tmp_path / "settings.toml"))
    monkeypatch.setattr(platformdirs, "user_cache_path", lambda *_, **__: tmp_path / "user-cache")
    monkeypatch.setattr(platformdirs, "user_data_path", lambda *_, **__: tmp_path / "user-data")
    monkeypatch.chdir(tmp_path)

    def go(*words: str, code: int = 0) -> str:
        assert cli.main(list(words)) == code
        out = capsys.readouterr()
        return out.out + out.err

    return go


def session_of(folder, *, student_id: str = "", hurt: bool = False):
    plan = replace(plan_of("hold", tries=3, feedback=Feedback("faded", ask=True, silent_last=1)), student_id=student_id)
    body = ready(opened(plan, folder, Clock()))
    body.practice.do("begin")
    for wrist, side in ((0.0, "in"), (-25.0, "in"), (11.0, "in")):
        hold(body, wrist)
        body.practice.do("guess", side=side)
        if hurt and wrist == -25.0:
            body.practice.do("hurts", text="sharp")
            break
        body.practice.do("next")
    return read(body.practice.journal.path)


def test_tries_held_lost_unsure_and_whether_they_were_told(library, tmp_path):
    student = filing.add_student(library, name="Juno Abara", handedness="left")
    session = session_of(tmp_path / "s")
    brought = bring_home(library, session, student_id=student.id)
    assert (brought.new, brought.tries, brought.lesson.id) == (True, 3, session.id)
    (line,) = finding.lessons(library, student_id=student.id)
    assert line.lesson.kind == "practice"
    assert line.lesson.held_at == session.began
    rows = finding.tries(library, lesson_id=session.id)
    assert [(r.drill, r.number, r.held, r.value_deg, r.shown) for r in rows] == [
        ("hold-at-the-top", 1, True, 0.0, True),
        ("hold-at-the-top", 2, False, -25.0, True),
        ("hold-at-the-top", 3, None, 11.0, False),  # the last was silent
    ]
    assert "right in 1 of 2" in line.lesson.notes  # "in" was right once of two sure tries
    assert guesses(session.tries) == (1, 2)


def test_twice_is_once(library, tmp_path):
    student = filing.add_student(library, name="Juno Abara", handedness="left")
    session = session_of(tmp_path / "s")
    first = bring_home(library, session, student_id=student.id)
    again = bring_home(library, session, student_id=student.id)
    assert (first.new, again.new, again.tries) == (True, False, 0)
    assert len(finding.lessons(library, student_id=student.id)) == 1
    assert len(finding.tries(library, lesson_id=session.id)) == 3


def test_cut_short_first_and_whole_later_is_one_session(library, tmp_path):
    student = filing.add_student(library, name="Juno Abara", handedness="left")
    session_of(tmp_path / "s")
    (path,) = (tmp_path / "s").iterdir()
    data = path.read_bytes()
    lines = data.splitlines(keepends=True)
    path.write_bytes(b"".join(lines[:2]) + lines[2][:30])
    part = bring_home(library, read(path), student_id=student.id)
    path.write_bytes(data)
    rest = bring_home(library, read(path), student_id=student.id)
    assert (part.tries, rest.tries, rest.new) == (1, 2, False)
    assert len(finding.tries(library, lesson_id=part.lesson.id)) == 3


def test_pain_is_marked_for_the_coach(library, tmp_path):
    student = filing.add_student(library, name="Juno Abara", handedness="left")
    brought = bring_home(library, session_of(tmp_path / "s", hurt=True), student_id=student.id)
    assert brought.lesson.hurt == "sharp"


def test_it_goes_to_the_student_it_was_planned_for(library, tmp_path):
    juno = filing.add_student(library, name="Juno Abara", handedness="left")
    per = filing.add_student(library, name="Per Linde", handedness="right")
    session = session_of(tmp_path / "s", student_id=juno.id)
    with pytest.raises(UsageError, match="another student than Per Linde"):
        bring_home(library, session, student_id=per.id)
    bring_home(library, session, student_id=juno.id)
    with pytest.raises(UsageError, match="another student"):
        bring_home(library, replace(session, student_id=""), student_id=per.id)
    with pytest.raises(UsageError, match="no student"):
        bring_home(library, session, student_id=STUDENT_ID)


def test_taking_it_in_can_be_undone_and_done_again(library, tmp_path):
    student = filing.add_student(library, name="Juno Abara", handedness="left")
    session = session_of(tmp_path / "s")
    bring_home(library, session, student_id=student.id)
    library.undo(library.changes(1)[0].id)
    assert not finding.lessons(library, student_id=student.id)
    assert bring_home(library, session, student_id=student.id).new


def test_the_students_and_the_lessons_page_show_what_was_done(library, tmp_path):
    from dashboard.pages.students import lesson_figure, student_figure

    student = filing.add_student(library, name="Juno Abara", handedness="left")
    brought = bring_home(library, session_of(tmp_path / "s", hurt=True), student_id=student.id)
    assert finding.tried(library, student_id=student.id) == {brought.lesson.id: (2, 1)}
    (line,) = student_figure(library, student, {})["lessons"]
    assert line["thought"] == "2 tries, 1 held, it hurt"
    figure = lesson_figure(library, brought.lesson)
    (row,) = figure["practice"]["rows"]
    assert row == {
        "drill": "Hold it at the top", "tries": 2, "held": 1, "lost": 1, "unsure": 0, "told": "1 of 2 held", "untold": "",
    }  # fmt: skip
    assert "sharp" in figure["hurt"]
    assert any("Own estimate" in line for line in figure["practice"]["notes"])


# -- the commands ----------------------------------------------------------------------------------
def test_a_plan_out_and_its_session_home(run, tmp_path):
    run("student", "Juno Abara", "--new", "--handed", "left", "--born", "2015-01-02")
    said = run("plan", "juno", *PICK, "--days", "5", "--thought", "Flatter", "--other-club", "driver", "--call", "J")
    assert "consent" in said  # a minor: before the file leaves here
    plan = plans.load("j.plan.toml")
    assert (plan.student, plan.handedness, plan.pick.reason) == ("J", "left", "Flatter")
    assert "Juno" not in (tmp_path / "j.plan.toml").read_text()
    session = session_of(tmp_path / "sessions", student_id=plan.student_id)
    (file,) = (tmp_path / "sessions").iterdir()
    assert "3 tries, 1 held" in run("add", str(file), "--student", "juno")
    assert "already filed" in run("add", str(tmp_path / "sessions"), "--student", "juno")
    (row,) = json.loads(run("list", "juno", "--json").partition("\n!")[0])
    assert (row["id"], row["kind"]) == (session.id[:8], "practice")


def test_what_was_picked_in_the_library_becomes_the_plan(run, tmp_path):
    run("student", "Juno Abara", "--new", "--handed", "left")
    assert "no change is picked" in run("plan", "juno", code=2)
    mine = replace(plan_of("hold"), student="Juno Abara")
    with Library.open(tmp_path / "shelf") as library:
        student = finding.student_named(library, "juno")
        picked = {"angle": "wrist_flexion", "event": "top", "low_deg": -14.0, "high_deg": 8.0, "thought": "Flatter"}
        with library.write("change picked") as store:
            found = Picked(student_id=student.id, today_deg=-25.0, u95_deg=5.0, **picked)
            store.add(found)
        run("plan", "juno")
        made = plans.load("juno-abara.plan.toml")
        assert (made.pick.low_deg, made.pick.today_deg, made.pick.reason) == (-14.0, -25.0, "Flatter")
        assert made.student_id == student.id
        picks.keep_plan(library, found.id, plans.to_toml(mine))  # as the coach edited it
    run("plan", "juno")
    assert plans.load("juno-abara.plan.toml") == mine
    run("plan", "juno", "--days", "3")
    assert plans.load("juno-abara.plan.toml").pick.low_deg == -14.0


def test_where_it_is_today_comes_from_the_last_lesson(run, tmp_path):
    run("student", "Juno", "--new", "--handed", "left")
    with Library.open(tmp_path / "shelf") as library:
        student = finding.student_named(library, "juno")
        added = filing.add_recording(library, recording_folder(tmp_path / "r", rows=3), student_id=student.id)
        swings = [swing(n, top_deg=x) for n, x in enumerate((-20.0, -22.0, -30.0), 1)]
        filing.store_measurement(library, added.recording.id, measurement(*swings), code="1")
    run("plan", "juno", *PICK)
    pick = plans.load("juno.plan.toml").pick
    assert (pick.today_deg, pick.u95_deg) == (-24.0, 3.0)


def test_a_session_that_hurt_is_said_when_it_comes_home(run, tmp_path):
    run("student", "Juno", "--new", "--handed", "left")
    session_of(tmp_path / "sessions", hurt=True)
    assert "it hurt" in run("add", str(tmp_path / "sessions"), "--student", "juno")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("plan", "Juno", "--angle", "wrist_flexion", "--handed", "left"), "--event is missing"),
        (("plan", "Juno", *PICK, "--handed", "left", "--days", "99"), "1 to 60"),
        (("plan", "Juno", *PICK[:4], "--low", "-74", "--high", "-60", "--handed", "left"), "70%"),
        (("plan", "Juno", *PICK[:4], "--low", "12", "--high", "-12", "--handed", "left"), "not below"),
        (("plan", "Juno", "--angle", "elbow", *PICK[2:], "--handed", "left"), "'elbow'"),
        (("practice", "nowhere.toml", "--virtual", "good"), "nowhere.toml"),
        (("practice", "nowhere.toml"), "--virtual good"),
    ],
)
def test_wrong_use_is_one_line(tmp_path, monkeypatch, capsys, words, said):
    monkeypatch.chdir(tmp_path)
    assert cli.main(list(words)) in (2, 3)
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 1
    assert said in lines[0]


def test_after_pain_there_is_no_other_session_that_day(tmp_path, capsys):
    file = tmp_path / "juno.plan.toml"
    plan = plan_of("hold")
    plans.write(plan, file)
    practice = Practice.open(plan, tmp_path / "juno.sessions")
    practice.do("hurts")
    assert cli.main(["practice", str(file), "--virtual", "good"]) == 2
    assert "not again today" in capsys.readouterr().err
    assert len(list((tmp_path / "juno.sessions").iterdir())) == 1


def test_no_half_a_plan_is_left(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert cli.main(["plan", "Juno", *PICK, "--handed", "left", "--out", "nowhere/j.toml"]) == 3
    assert not list(tmp_path.iterdir())


def test_a_virtual_student_practises_on_the_terminal(tmp_path, capsys):
    """A short plan from cautions to the end, sensors and all; as fast as it goes."""
    file = tmp_path / "juno.plan.toml"
    plan = plan_of("hold", tries=2, feedback=Feedback("every", ask=True))
    plan = replace(plan, drills=(replace(plan.drills[0], hold_s=1.0),))
    plans.write(plan, file)
    assert cli.main(["practice", str(file), "--virtual", "low", "--speed", "max"]) == 0
    said = capsys.readouterr().out
    assert said.index("stop on wrist pain") < said.index("try 1")
    assert "too cupped" in said
    assert "2 tries, 0 held, 2 lost" in said
    (path,) = (tmp_path / "juno.sessions").iterdir()
    assert path.name.endswith(journal.SUFFIX)
    session = read(path)
    assert session.ended == "done"
    assert all(t.held is False and math.isfinite(t.value_deg) for t in session.tries)
