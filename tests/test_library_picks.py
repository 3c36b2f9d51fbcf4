"""The pick in the library: band, plan, letter, undo, archive and forgetting; thoughts as sets; the command."""

from __future__ import annotations

import json
import shutil
import tomllib

import numpy as np
import pytest

from imu.bands import BandsError, load
from imu.cli import main
from imu.compare import compare
from imu.errors import CupbowError, UsageError
from imu.library import Library, filing, finding, picks
from imu.library.archive import export_archive, import_archive
from imu.library.finding import Wanted
from imu.library.forget import forget
from imu.library.outlook import outlook
from imu.library.sets import lesson_sets, thought_sets
from imu.practice.plan import load as load_plan
from imu.report import draft_letter, letter_html
from tests.chain_case import taught
from tests.library_case import recording_folder

NAME = "Juno Abara"
TOP = "wrist_flexion@top"


def filed(library, place, student_id, *, seed, day, n=14, club="7-iron", **settings):
    folder = recording_folder(place / f"r{seed}", seed=seed, handedness="right", club=club, day=day)
    added = filing.add_recording(library, folder, student_id=student_id)
    m = taught(np.random.default_rng(seed), n=n, zero=0.5, attitudes=True, **settings)
    filing.store_measurement(library, added.recording.id, m, code="1")
    return added


@pytest.fixture(scope="module")
def shelf(tmp_path_factory):
    place = tmp_path_factory.mktemp("shelf")
    with Library.open(place / "library") as library:
        juno = filing.add_student(library, name=NAME, handedness="right", clubs=["7-iron", "driver"])
        filing.add_student(library, name="Per Linde", handedness="right")
        filed(library, place, juno.id, seed=1, day=3)
        filed(library, place, juno.id, seed=2, day=17)
    return place


@pytest.fixture
def place(shelf, tmp_path):
    shutil.copytree(shelf / "library", tmp_path / "library")
    return tmp_path


@pytest.fixture
def library(place):
    with Library.open(place / "library") as opened:
        yield opened


@pytest.fixture
def juno(library):
    return finding.student_named(library, NAME)


def picked(library, juno):
    found = outlook(library, juno.id)
    chosen = next(c for c in found.candidates.ranked if c.key == TOP)
    return picks.pick(library, juno.id, chosen, club=found.club, thought="the ruler still touches")


# -- what could be changed ---------------------------------------------------------------------------
def test_the_chain_of_a_student_is_of_the_latest_lesson_and_looks_back_at_the_earlier(library, juno):
    found = outlook(library, juno.id)
    assert found.today.day.day == 17
    assert [s.day.day for s in found.earlier] == [3]
    assert found.account.swings == 14
    assert found.account.recordings == 2
    link = next(x for x in found.account.links if x.rule.cause == TOP and x.rule.effect == "face_to_forearm@top")
    assert link.slope.swings == 28
    assert link.geometry.value == pytest.approx(-0.985, abs=0.01)  # sin 100°
    first = outlook(library, juno.id, lesson_id=found.earlier[0].lesson.id)
    assert first.earlier == ()
    with pytest.raises(CupbowError, match="no measured swing with the putter"):
        outlook(library, juno.id, club="putter")


def test_a_lesson_with_two_clubs_has_a_chain_for_each_and_the_other_is_named(library, juno, place, capsys):
    """More swings with the irons must not hide what the driver did."""
    filed(library, place, juno.id, seed=3, day=17, n=6, club="driver")
    irons, driver = outlook(library, juno.id), outlook(library, juno.id, club="driver")
    assert (irons.club, driver.club) == ("7-iron", "driver")
    assert irons.clubs == driver.clubs == ("7-iron", "driver")
    assert driver.account.swings == 6
    at = ["--library", str(place / "library")]
    assert main(["change", "Juno", *at]) == 0
    assert "Also swung in that lesson: driver (--club)." in capsys.readouterr().out
    assert main(["change", "Juno", *at, "--json", "-"]) == 0
    json.loads(capsys.readouterr().out)
    assert main(["change", "Juno", *at, "--club", "driver"]) == 0
    assert "Also swung" not in capsys.readouterr().out


def test_flights_noted_in_the_library_are_looked_at(library, juno):
    for f in finding.measured_swings(library, Wanted(student_id=juno.id)):
        face = f.measured.angles["face_since_address"]["impact"].value_deg
        filing.set_outcome(library, f.line.id, filing.Outcome(start="right" if face > 6 else "left"))
    start = next(b for b in outlook(library, juno.id).account.balls if b.rule.flight == "start")
    assert start.slope.swings == 28
    assert start.told


# -- the pick ----------------------------------------------------------------------------------------
def test_a_pick_is_the_band_of_the_students_swings_and_comes_with_a_plan(library, juno):
    found = picked(library, juno)
    assert picks.current(library, student_id=juno.id).thought == "the ruler still touches"
    for held in lesson_sets(library, student_id=juno.id):
        for f in held.filed:
            verdict = f.measured.bands[TOP]
            assert (verdict.low_deg, verdict.high_deg, verdict.source) == (found.low_deg, found.high_deg, picks.SOURCE)
    plan = picks.plan_of(found)
    assert (plan.student_id, plan.club) == (juno.id, "7-iron")
    assert (plan.pick.low_deg, plan.pick.high_deg) == (found.low_deg, found.high_deg)
    assert any(block.club == "driver" for day in plan.days for block in day.blocks), "transfer is to another club"
    assert found.evidence["evidence"]
    picks.edit(library, found.id, band=(-12.0, 2.0), thought="flat at the top", days=7)
    now = picks.current(library, student_id=juno.id)
    assert (now.low_deg, now.thought) == (-12.0, "flat at the top")
    assert picks.plan_of(now).pick.high_deg == 2.0
    with pytest.raises(BandsError, match="outer limit"):
        picks.edit(library, found.id, band=(-12.0, 95.0))
    assert picks.current(library, student_id=juno.id).high_deg == 2.0


def test_one_pick_stands_at_a_time_and_each_step_can_be_undone(library, juno):
    first = picked(library, juno)
    second = picked(library, juno)
    assert picks.current(library, student_id=juno.id).id == second.id
    assert [p.dropped_at is None for p in picks.picks(library, student_id=juno.id)] == [True, False]
    assert library.undo().what == "change picked"
    assert picks.current(library, student_id=juno.id).id == first.id
    picks.drop(library, juno.id)
    assert picks.current(library, student_id=juno.id) is None
    with pytest.raises(UsageError, match="no change is picked"):
        picks.drop(library, juno.id)
    library.undo()
    assert picks.current(library, student_id=juno.id).id == first.id


def test_another_club_and_another_student_are_not_held_against_it(library, juno, place):
    filed(library, place, juno.id, seed=9, day=18, club="driver")
    found = outlook(library, juno.id, club="7-iron")
    picks.pick(library, juno.id, found.candidates.ranked[0], club="7-iron", band=(-5.0, 5.0))
    sources = {
        held.club: {f.measured.bands[TOP].source for f in held.filed}
        for held in lesson_sets(library, student_id=juno.id)
    }
    assert sources == {"7-iron": {picks.SOURCE}, "driver": {"coach"}}


def test_the_letter_says_the_thought_and_the_practice(library, juno):
    found = picked(library, juno)
    held = lesson_sets(library, student_id=juno.id)
    pair = compare([s.swings for s in held]).pairs[0]
    letter, drafts = draft_letter(pair, student=NAME, coach="Edda Quill", change=picks.for_letter(found))
    assert drafts.thought == "the ruler still touches"
    plan = picks.plan_of(found)
    titles = [plan.drill(b.drill).title["en"] for day in plan.days for b in day.blocks]
    assert drafts.steps[0].startswith(titles[0])
    assert (drafts.weeks, drafts.times_a_week) == (2, 5)  # ten sessions in two weeks
    text = letter_html(letter, embed_fonts=False)
    assert "the ruler still touches" in text
    assert "Feel both ends" in text


def test_a_thought_that_nobody_put_into_words_is_said_in_the_language_asked_for(library, juno):
    found = outlook(library, juno.id)
    chosen = next(c for c in found.candidates.ranked if c.key == TOP)
    kept = picks.pick(library, juno.id, chosen, club=found.club)
    assert kept.thought == chosen.title, "the store stays English"
    own = picks.for_letter(kept, language="de")
    assert own.thought == f"Handgelenk oben {chosen.deg:.0f}° stärker beugen"
    plan = picks.plan_of(kept)
    titles = [plan.drill(b.drill).title["de"] for day in plan.days for b in day.blocks]
    assert own.steps[0].startswith(titles[0])
    # Shown in German, kept as it is shown, and still nobody's own words.
    picks.edit(library, kept.id, thought=own.thought)
    again = picks.current(library, student_id=juno.id)
    assert picks.thought_words(again, language="en") == chosen.title
    picks.edit(library, kept.id, thought="Das Lineal liegt an.")
    again = picks.current(library, student_id=juno.id)
    assert picks.thought_words(again, language="en") == "Das Lineal liegt an."


def test_a_pick_travels_with_an_archive_and_is_forgotten_with_the_student(library, juno, tmp_path):
    found = picked(library, juno)
    picks.edit(library, found.id, thought=f"{NAME}, flat")
    export_archive(library, tmp_path / "out.zip", student_id=juno.id)
    with Library.open(tmp_path / "other") as other:
        import_archive(other, tmp_path / "out.zip")
        assert picks.current(other, student_id=juno.id).plan == picks.current(library, student_id=juno.id).plan
        assert forget(other, juno.id).left == ()
        assert picks.picks(other, student_id=juno.id) == []
    forget(library, juno.id)
    assert picks.picks(library, student_id=juno.id) == []


# -- before and after a thought ----------------------------------------------------------------------
def test_swings_before_and_after_a_thought_share_their_calibration(library, juno):
    held = lesson_sets(library, student_id=juno.id)
    recording = held[-1].filed[0].line.recording_id
    filing.correct_swings(library, recording, first=9, thought="let it turn")
    (found,) = thought_sets(library, student_id=juno.id)
    assert (found.thought, found.club, found.within) == ("let it turn", "7-iron", True)
    numbers = [[s.index for p in group.parts for s in p.chosen] for group in (found.before, found.after)]
    assert numbers == [list(range(1, 9)), list(range(9, 15))]
    pair = compare([found.before, found.after]).pairs[0]
    assert pair.row(TOP).estimate.u_zero == 0, "the zero is shared and cancels"


def test_a_lessons_thought_that_was_marked_from_a_swing_on_leaves_the_swings_before_without(library, juno):
    held = lesson_sets(library, student_id=juno.id)
    filing.edit_lesson(library, held[-1].lesson.id, changes={"thought": "let it turn"})
    (found,) = thought_sets(library, student_id=juno.id)
    assert not found.within, "a lesson that began with it is compared with the session before"
    filing.correct_swings(library, held[-1].filed[0].line.recording_id, first=6, thought="let it turn")
    (found,) = thought_sets(library, student_id=juno.id)
    assert found.within
    assert sum(len(p.chosen) for p in found.before.parts) == 5


def test_the_commands_take_them_as_sets(place, capsys):
    at = ["--student", "Juno", "--library", str(place / "library")]
    assert main(["compare", *at, "2026-05-17@before", "2026-05-17@after"]) == 2
    assert "no thought has swings before and after it there; there are none yet" in capsys.readouterr().err
    with Library.open(place / "library") as library:
        held = lesson_sets(library, student_id=finding.student_named(library, NAME).id)
        filing.correct_swings(library, held[-1].filed[0].line.recording_id, first=9, thought="let it turn")
    assert main(["compare", *at, "2026-05-17@before", "then=2026-05-17:7-iron@after", "--json", "-"]) == 0
    told = json.loads(capsys.readouterr().out)["pairs"][0]
    assert (told["a"], told["b"]) == ("17 May 2026, 7-iron, before", "then")
    assert {r["n_a"] + r["n_b"] for r in told["rows"] if r["measure"] == TOP} == {14}


# -- the command -------------------------------------------------------------------------------------
def test_the_command_lists_candidates_with_evidence_and_picks_one(place, capsys):
    at = ["--library", str(place / "library")]
    assert main(["change", "Juno", *at, "--json", "-"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["schema"] == "cupbow.change/1"
    assert told["candidates"][0]["evidence"][0]["used"]["swings"] == 28
    assert told["candidates"][0]["number"] == 1
    assert main(["change", "Juno", *at, "--pick", "1", "--thought", "flat", "--band", "-12", "2"]) == 0
    shown = capsys.readouterr().out
    assert "rests on" in shown
    assert "Picked: flat. Its band, -12° to 2°" in shown
    assert main(["plan", "Juno", *at, "--days", "9", "--out", str(place / "juno.plan.toml")]) == 0
    assert load_plan(place / "juno.plan.toml").pick.low_deg == -12.0
    with Library.open(place / "library") as library:
        student = finding.student_named(library, "Juno")
        assert tomllib.loads(picks.current(library, student_id=student.id).plan)["pick"]["high"] == 2.0
    assert main(["change", "Juno", *at, "--bands-out", str(place / "own.toml")]) == 0
    capsys.readouterr()
    assert load(place / "own.toml").for_club("7-iron")[TOP].low_deg == -12.0
    assert main(["change", "Juno", *at, "--drop"]) == 0
    assert main(["undo", *at]) == 0
    assert "pick dropped" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--pick", "9"], "--pick 9: there are"),
        (["--pick", "1", "--drop"], "choose one"),
        (["--thought", "flat"], "write --pick N too"),
        (["--lesson", "2020-01-01"], "there is no lesson of that day"),
        (["--drop"], "no change is picked"),
        (["--bands-out", "x.toml"], "no change is picked"),
        (["--rules", "nowhere.toml"], "nowhere.toml: cannot be read"),
        (["--pick", "1", "--band", "5", "95"], "outer limit"),
        (["--pick", "1", "--band", "5", "2"], "is not below"),
    ],
)
def test_what_is_wrong_is_said_in_one_line_and_nothing_is_picked(place, capsys, words, message):
    assert main(["change", "Juno", "--library", str(place / "library"), *words]) in (2, 3)
    said = capsys.readouterr().err
    assert message in said
    assert said.count("\n") == 1
    with Library.open(place / "library") as library:
        assert picks.picks(library, student_id=finding.student_named(library, "Juno").id) == []


def test_recordings_that_stand_in_no_library_are_looked_at_but_not_picked_for(tmp_path, capsys, monkeypatch):
    """And `compare`, which reads sets the same way, measures recordings too."""
    made = iter(range(10))
    monkeypatch.setattr(
        "imu.measuring.measure_recording",
        lambda *_, **__: taught(np.random.default_rng(next(made)), zero=0.5, attitudes=True),
    )
    early, late = (
        str(recording_folder(tmp_path / f"day-{i}", seed=i, handedness="right", day=i, rows=50)) for i in (1, 2)
    )
    units = ["--gyro-unit", "deg/s", "--accel-unit", "m/s^2"]
    assert main(["change", early, late, *units, "--json", "-"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["set"] == "day-2"
    assert told["recordings"] == 2
    assert told["candidates"]
    assert main(["compare", early, late, *units]) == 0
    assert "day-1 with day-2" in capsys.readouterr().out
    assert main(["change", early, "--pick", "1"]) == 2
    assert "need a student of the library" in capsys.readouterr().err
