"""Plans: from a pick to days of drills, what may be edited, and which session is due."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest

from imu.practice import plan as plans
from imu.practice.drill import DrillError, Feedback
from imu.practice.journal import Session, Try
from imu.practice.plan import CHECK_TRIES, Pick, PlanError, load, propose, to_toml, write
from tests.practice_case import PICK

ORDER = ("ends", "hold", "slow", "carry", "full")


def proposed(days: int = 7, **more):
    return propose(PICK, days=days, student="Juno", handedness="left", other_club="driver", **more)


@pytest.mark.parametrize("days", [1, 2, 3, 5, 7, 14, 30, 60])
def test_it_runs_from_feeling_the_ends_to_full_speed(days):
    plan = proposed(days)
    kinds = [plan.drill(b.drill).kind for day in plan.days for b in day.blocks if b.purpose == "learn"]
    first = [kinds.index(kind) for kind in ORDER]
    assert first == sorted(first)
    assert 1 <= len(plan.days) <= days
    assert [day.on_day for day in plan.days] == sorted({day.on_day for day in plan.days})
    assert plan.days[-1].on_day == (days if len(plan.days) > 1 else 1)
    assert plan.next_lesson_on == plan.made_on + timedelta(days=days)


def test_each_session_after_the_first_begins_with_what_stayed_and_the_last_ends_on_transfer():
    """Retention and transfer, without feedback: the field's standard design (Winstein 1991, Phys Ther 71:140)."""
    plan = proposed(7)
    for before, day in zip(plan.days, plan.days[1:], strict=False):
        check = day.blocks[0]
        assert (check.purpose, check.tries, check.feedback.schedule) == ("retention", CHECK_TRIES, "none")
        assert check.drill == [b for b in before.blocks if b.purpose == "learn"][-1].drill
    last = plan.days[-1].blocks[-1]
    assert (last.purpose, last.club, last.feedback.schedule) == ("transfer", "driver", "none")
    assert plan.drill(last.drill).kind == "full"


def test_slow_drills_fade_their_feedback_and_full_swings_are_told_outside_only():
    for one in proposed().drills:
        if one.kind in ("hold", "slow", "carry"):
            assert one.feedback.schedule == "faded"
            assert one.feedback.silent_last > 0
        if one.kind == "full":
            assert one.feedback.schedule == "outside"
            assert set(one.channels) == {"board"}  # nothing sounds, whatever the phase


def test_the_pick_is_what_is_practised():
    for one in proposed().drills:
        if one.kind in ("hold", "slow", "full"):
            assert (one.angle, one.event, one.band) == ("wrist_flexion", "top", (-12.0, 12.0))
    change = propose(Pick("wrist_flexion", "top..shaft_level_down", -4, 8), days=4)
    carry = next(d for d in change.drills if d.kind == "carry")
    assert carry.band == (-4, 8)
    assert {d.kind for d in change.drills} == {"ends", "carry", "full"}
    impact = propose(Pick("wrist_flexion", "impact", -4, 8), days=4)
    assert "impact" in next(d for d in impact.drills if d.kind == "slow").stops


def test_what_is_known_only_after_a_swing_has_full_swings_alone_and_says_so():
    plan = propose(Pick("shaft_past_level", "top", -30, 0), days=4)
    assert [d.kind for d in plan.drills] == ["full"]
    assert "only after a swing" in plan.remarks()[0]


def test_a_band_narrower_than_the_reading_is_said():
    narrow = propose(replace(PICK, low_deg=-3, high_deg=3, u95_deg=5.0), days=4)
    assert "at least 10° wide" in narrow.remarks()[0]  # 2 × u95
    assert proposed().remarks() == ()


def test_no_plan_leads_towards_the_end_of_the_range():
    with pytest.raises(DrillError, match="70%"):
        propose(replace(PICK, low_deg=-70, high_deg=-50), days=4)
    with pytest.raises(DrillError, match="own range"):
        propose(replace(PICK, low_deg=-40, high_deg=-20), days=4, own_range={"wrist_flexion": (-45.0, 40.0)})


@pytest.mark.parametrize(
    ("pick", "said"),
    [
        (replace(PICK, angle="elbow"), "'elbow'"),
        (replace(PICK, event="tea"), "'tea'"),
        (replace(PICK, event="impact..top"), "later one"),
        (replace(PICK, low_deg=20.0), "not below"),
    ],
)
def test_a_pick_that_cannot_be_is_refused(pick, said):
    with pytest.raises(PlanError, match=said):
        propose(pick)


def test_days_that_cannot_be_are_refused():
    with pytest.raises(PlanError, match="1 to 60"):
        propose(PICK, days=0)


def test_written_and_read_again_it_is_the_same(tmp_path):
    file = tmp_path / "juno.plan.toml"
    plan = proposed(9, own_range={"wrist_flexion": (-60.0, 52.5)}, student_id="f" * 32, club="7-iron")
    write(plan, file)
    assert load(file) == plan
    assert plans.parse(to_toml(plan)) == plan


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('format = "cupbow.plan/1"', 'format = "cupbow.plan/7"', "this version reads"),
        ('handedness = "left"', 'handedness = "both"', "'both'"),
        ("[pick]", "[picked]", "'picked'"),
        ("purpose = ", "porpoise = ", "'porpoise'"),
        ('drill = "hold-at-the-top"', 'drill = "hold-the-line"', "'hold-the-line'"),
        ('purpose = "learn"', 'purpose = "fun"', "'fun'"),
        ("week_swings = 200", "week_swings = -1", "week_swings"),
        ("repeat_below = 0.4", "repeat_below = 4", "repeat_below"),
        ("made_on = 2", 'made_on = "soon" #', "made_on"),
        ('id = "', 'id = "x', "32 hexadecimal"),
        ("on_day = 1\n", 'on_day = "Monday"\n', "on_day"),
        ("low = -12.0", "low = -71.0", "70%"),
        ("tries = 5", "tries = 500", "tries"),
        ('kind = "hold"', 'kind = "hover"', "'hover'"),
    ],
)
def test_each_fault_of_an_edited_file_is_one_line_that_names_it(tmp_path, old, new, said):
    file, text = tmp_path / "juno.plan.toml", to_toml(proposed())
    assert old in text
    file.write_text(text.replace(old, new))
    with pytest.raises(PlanError) as fault:
        load(file)
    assert "\n" not in str(fault.value)
    assert str(file) in str(fault.value)
    assert said in str(fault.value)


# -- which session is due --------------------------------------------------------------------------
def done(number: int, held: list[bool | None], *, silent: bool = True) -> Session:
    at = datetime(2026, 5, 10 + number, 10, tzinfo=UTC)
    tries = tuple(
        Try(
            f"{number}{i}",
            0,
            "hold-at-the-top",
            "learn",
            i + 1,
            at,
            "wrist_flexion",
            "top",
            0.0,
            4.0,
            h,
            False,
            False,
            silent,
        )
        for i, h in enumerate(held)
    )
    return Session("e" * 32, "a" * 32, "Juno", "", "left", "", number, at, tries)


def test_the_next_session_comes_next_and_what_did_not_stay_comes_again_once():
    plan = proposed(7)
    good, poor = [True] * 4 + [False], [False] * 4 + [True]
    assert plan.due([]).number == 1
    assert plan.due([done(1, good)]).number == 2
    assert plan.due([done(1, poor)]).number == 1
    assert plan.due([done(1, poor), done(1, poor)]).number == 2  # once more, not for ever
    assert plan.due([done(1, good), done(2, poor)]).number == 2
    assert plan.due([done(i, good) for i in range(1, 9)]).number == len(plan.days)  # the last comes again


def test_a_second_session_of_a_day_is_the_same_again():
    plan, good = proposed(7), [True] * 5
    today = done(2, good).began.astimezone().date()
    assert plan.due([done(1, good), done(2, good)], today=today).number == 2
    assert plan.due([done(1, good), done(2, good)], today=today + timedelta(days=1)).number == 3
    assert plan.due([done(1, good)], today=today).number == 2


def test_a_session_without_sure_tries_does_not_count_and_one_without_silent_tries_goes_on():
    plan = proposed(7)
    assert plan.due([done(1, [None, None])]).number == 1
    assert plan.due([done(1, [])]).number == 1
    assert plan.due([done(1, [False] * 5, silent=False)]).number == 2


def test_where_a_block_has_fewer_tries_silent_ones_stay_a_part():
    plan = proposed()
    day = replace(plan.days[0], blocks=(plans.Block("hold-at-the-top", 2),))
    ((_, one),) = plan.blocks_of(day)
    assert one.feedback == replace(plan.drill("hold-at-the-top").feedback, silent_last=0)
    assert isinstance(one.feedback, Feedback)


def test_the_day_it_was_made_is_today_unless_it_is_said():
    assert proposed().made_on == date.today()
    assert proposed(made_on=date(2026, 5, 24)).next_lesson_on == date(2026, 5, 31)
