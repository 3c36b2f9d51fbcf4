"""A practice session: tries of each kind, what is told, pain, and a file that may be cut anywhere."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from imu.errors import RecordingError
from imu.measured import Event, Swing, Value
from imu.practice import journal
from imu.practice.drill import Feedback
from imu.practice.journal import Journal, read, sessions_in
from imu.practice.plan import Block, Day
from imu.practice.session import Practice
from imu.practice.tries import RangeWatch, change_u95
from tests.practice_case import Body, Clock, opened, plan_of, ready


@pytest.fixture
def clock():
    return Clock()


def begun(kind, folder, clock=None, **more) -> Body:
    body = ready(opened(plan_of(kind, **more), folder, clock))
    assert body.practice.do("begin")
    return body


def hold(body: Body, wrist: float, seconds: float = 5.0) -> None:
    """Address, then to the position, and held."""
    body.be(-15.0, 0.5)
    body.go(wrist)
    body.be(wrist, seconds)


# -- before the first swing ------------------------------------------------------------------------
def test_nothing_begins_before_the_cautions_are_read(tmp_path):
    practice = opened(plan_of("hold"), tmp_path)
    body = Body(practice)
    for what in ("begin", "next", "skip", "guess", "range_done"):
        assert not practice.do(what)
    hold(body, 0.0)
    assert practice.stage == "cautions"
    assert not practice.session.tries
    assert all(c.tone is None and not c.buzz_ms for c in body.cues)


def test_the_own_painless_range_is_measured_first_and_kept(tmp_path, clock):
    practice = opened(plan_of("ends", own=None), tmp_path, clock)
    body = ready(practice)
    assert practice.stage == "range"
    body.be(-3.0, 1.0)
    assert not practice.do("range_done")  # nothing was bent yet
    body.be(-62.0, 0.1)  # a tremble is not an end
    body.be(-50.0, 0.6)
    body.be(44.0, 0.6)
    assert practice.do("range_done")
    assert read(practice.journal.path).own_range == {"wrist_flexion": (-50.0, 44.0)}
    low, high = practice.state()["drill"]["band"]
    assert 0.7 * -50.0 <= low < high < 0
    again = opened(practice.plan, tmp_path, clock)  # cut here: it need not be shown again
    assert again.do("cautions_read")
    assert again.stage == "ready"


def test_the_range_need_not_be_shown_every_day_but_after_pain_it_is(tmp_path, clock):
    practice = opened(plan_of("ends", own=None, tries=1), tmp_path, clock)
    body = ready(practice)
    body.be(-50.0, 0.6)
    body.be(44.0, 0.6)
    practice.do("range_done")
    practice.do("stop")
    clock.forward(days=1)
    second = opened(practice.plan, tmp_path, clock)
    second.do("cautions_read")
    assert second.stage == "ready"
    second.do("hurts")
    clock.forward(days=1)
    third = opened(practice.plan, tmp_path, clock)
    third.do("cautions_read")
    assert third.stage == "range"


def test_without_an_own_range_ends_are_left_out_and_the_rest_goes_on(tmp_path):
    plan = plan_of("ends", own=None)
    other = plan_of("hold")
    plan = replace(
        plan, drills=(*plan.drills, *other.drills), days=(Day(1, 1, (plan.days[0].blocks[0], other.days[0].blocks[0])),)
    )
    practice = opened(plan, tmp_path)
    ready(practice)
    assert practice.do("range_skip")
    assert practice.drill.kind == "hold"
    assert "left out" in practice.remarks[0]


@pytest.mark.parametrize(
    ("own", "band", "said"),
    [((-15.0, 40.0), [-10.5, 12.0], "cut to 70 %"), ((-40.0, 8.0), [-12.0, 5.6], "cut to 70 %")],
)
def test_a_band_past_the_own_range_is_cut_and_said(tmp_path, own, band, said):
    practice = opened(plan_of("hold", own=None), tmp_path)
    body = ready(practice)
    body.be(own[0], 0.6)
    body.be(own[1], 0.6)
    assert practice.do("range_done")
    assert said in practice.remarks[0]
    assert practice.state()["drill"]["band"] == band


def test_a_band_wholly_past_the_own_range_is_left_out_and_said(tmp_path):
    plan = plan_of("hold", own=None)
    plan = replace(plan, drills=(plan.drills[0].with_band(15.0, 30.0),))
    practice = opened(plan, tmp_path)
    body = ready(practice)
    body.be(-40.0, 0.6)
    body.be(20.0, 0.6)  # 70 % of 20 is 14
    assert practice.do("range_done")
    assert practice.stage == "done"
    assert "left out" in practice.remarks[0]


def test_the_range_counts_what_was_held_for_a_third_of_a_second():
    watch = RangeWatch()
    for i in range(100):
        watch.see(i * 0.02, 30.0 if i % 20 else 70.0, 20.0)
    assert watch.high == 30.0
    assert not watch.enough


# -- holding ---------------------------------------------------------------------------------------
def test_held_lost_and_unsure(tmp_path):
    body = begun("hold", tmp_path, tries=3)
    for wrist in (0.0, -25.0, 11.0):
        hold(body, wrist)
    tries = body.practice.session.tries
    assert [t.held for t in tries] == [True, False, None]
    assert [t.value_deg for t in tries] == [0.0, -25.0, 11.0]
    assert body.practice.stage == "done"
    assert read(body.practice.journal.path).tries == tries
    assert body.practice.summary()[0] == {
        "drill": "hold-at-the-top", "title": dict(body.practice.plan.drills[0].title), "purpose": "learn",
        "tries": 3, "held": 1, "lost": 1, "unsure": 1, "shown": 3,
    }  # fmt: skip


def test_what_was_held_before_the_try_does_not_count(tmp_path):
    body = begun("hold", tmp_path)
    body.be(0.0, 6.0)  # never left
    assert body.practice.stage == "try"
    body.go(0.0)
    body.be(0.0, 1.9)
    assert body.practice.stage == "try"  # not yet two seconds
    body.be(0.0, 0.3)
    assert len(body.practice.session.tries) == 1


def test_standing_at_address_is_not_the_position_at_the_top(tmp_path):
    body = begun("hold", tmp_path, tries=1)
    body.go(-25.0, shaft=-48.0)
    body.be(-25.0, 8.0, shaft=-48.0)  # out of the band, and long: but the club hangs
    assert body.practice.stage == "try"
    assert all(c.tone is None and not c.buzz_ms for c in body.cues)
    body.go(0.0, shaft=20.0)
    body.be(0.0, 3.0, shaft=20.0)
    assert [t.held for t in body.practice.session.tries] == [True]


def test_cues_come_while_it_is_told_and_none_while_it_is_not(tmp_path):
    body = begun("hold", tmp_path / "a", tries=1)
    hold(body, -25.0)
    assert any(c.tone and c.buzz_ms == () for c in body.cues)
    assert any(c.buzz_ms for c in body.cues)
    silent = begun("hold", tmp_path / "b", tries=1, feedback=Feedback("none", ask=False))
    hold(silent, -25.0)
    assert silent.practice.session.tries[0].held is False
    assert all(c.tone is None and not c.buzz_ms and not c.tick for c in silent.cues)
    assert {c.board for c in silent.cues} <= {"covered", "none"}  # none: once it is over
    assert silent.practice.session.tries[0].shown is silent.practice.session.tries[0].live is False


def test_outside_only_covers_the_board_while_it_is_in(tmp_path):
    body = begun("hold", tmp_path, tries=2, feedback=Feedback("outside", ask=False))
    hold(body, 0.0)
    assert "in" not in {c.board for c in body.cues}
    hold(body, -25.0)
    assert "low" in {c.board for c in body.cues}
    assert [t.shown for t in body.practice.session.tries] == [False, True]


def test_say_where_it_was_before_the_number_is_shown(tmp_path):
    body = begun("hold", tmp_path, tries=1, feedback=Feedback("every", ask=True))
    hold(body, -25.0)
    practice = body.practice
    assert practice.stage == "ask"
    assert "told" not in practice.state()
    assert not practice.session.tries  # nothing is written before
    assert practice.do("guess", side="in", deg=3)
    told = practice.state()["told"]
    assert (told["value"], told["u95"], told["word"], told["guess"]) == (-25.0, 4.0, "below", "in")
    assert told["by"] == 9.0  # from -25 + 4 to -12
    assert practice.session.tries[0].guess == "in"
    assert practice.session.tries[0].guess_deg == 3.0


def test_a_silent_try_tells_no_number_in_the_state(tmp_path):
    body = begun("hold", tmp_path, tries=2, feedback=Feedback("every", ask=True, silent_first=2))
    hold(body, -25.0)
    body.practice.do("pass")
    state = body.practice.state()
    assert state["stage"] == "told"
    assert (state["told"]["value"], state["told"]["held"], state["told"]["show"]) == (None, None, False)
    assert body.practice.session.tries[0].silent


# -- the other kinds -------------------------------------------------------------------------------
def test_both_ends_are_felt_inside_and_shaft_and_face_are_read_out(tmp_path):
    body = begun("ends", tmp_path, tries=1)
    assert body.practice.where == {"end": "low"}
    body.be(-24.0, 2.5, shaft=20.0, face=15.0)
    assert body.practice.where == {"end": "high"}
    body.be(22.0, 2.5, shaft=26.0, face=-12.0)
    (one,) = body.practice.session.tries
    assert one.held
    assert one.also == {"shaft_elevation_change": 6.0, "face_to_forearm_change": -27.0, "low": -24.0, "high": 22.0}


def test_no_cue_leads_past_seventy_percent_of_the_own_range(tmp_path):
    """A wrist at every angle: what is called for is never beyond."""
    body = begun("ends", tmp_path, tries=1, own=(-50.0, 40.0))
    for wrist in range(-60, 61, 2):
        body.be(float(wrist), 0.6, u95=1.0)
        cue = body.cues[-1]
        if cue.state == "high":  # "more cupped" is called for: there is room before 70 %
            assert wrist > -35.0
        if cue.state == "low":
            assert wrist < 28.0
        if wrist < -35.0 - 1.0:
            assert cue.state == "low"  # too far: back
    assert body.practice.plan.own_range["wrist_flexion"] == (-50.0, 40.0)


def test_ends_that_are_not_reached_are_lost(tmp_path):
    body = begun("ends", tmp_path, tries=1)
    body.be(0.0, 31.0)
    assert [t.held for t in body.practice.session.tries] == [False]


def test_slow_with_stops_counts_at_its_event_and_wants_the_shaft_level(tmp_path):
    body = begun("slow", tmp_path, tries=1)
    assert body.practice.where["stop"] == "shaft_level_back"
    body.go(-30.0)
    body.be(-30.0, 1.5, shaft=55.0)  # stopped, but the shaft is not level
    assert body.practice.where["stop"] == "shaft_level_back"
    body.go(-30.0, 0.3, shaft=4.0)
    body.be(-30.0, 0.9, shaft=4.0)
    assert all(c.tone is None for c in body.cues)  # the band is the top's
    body.be(-30.0, 0.2, shaft=4.0)
    assert body.practice.where["stop"] == "top"
    body.go(2.0)
    body.be(2.0, 1.5)
    assert body.practice.where["stop"] == "shaft_level_down"
    body.go(-30.0)
    body.be(-30.0, 1.5, shaft=-5.0)
    (one,) = body.practice.session.tries
    assert (one.held, one.value_deg) == (True, 2.0)


@pytest.mark.parametrize(("end", "held"), [(0.0, True), (-25.0, False), (30.0, False)])
def test_carrying_counts_the_change_from_the_top_to_shaft_level(tmp_path, end, held):
    body = ready(opened(plan_of("carry", tries=1), tmp_path))
    body.practice.shared_u95 = {"wrist_flexion": 3.9}
    body.practice.do("begin")
    body.go(-5.0, shaft=10.0)
    body.be(-5.0, 1.5, shaft=5.0)
    assert body.practice.where == {"carry": "down"}
    for share in range(1, 51):  # the shaft comes up, then down to level
        wrist = -5.0 + (end + 5.0) * share / 50
        body.be(wrist, 0.04, speed=90.0, shaft=60.0 - 56.0 * share / 50 if share > 5 else 35.0)
    (one,) = body.practice.session.tries
    assert one.value_deg == pytest.approx(end + 5.0, abs=3.0)
    assert one.held is held
    assert one.u95_deg < 2.0  # what both readings share has cancelled


def test_carrying_without_a_club_sensor_ends_at_the_next_stop(tmp_path):
    body = begun("carry", tmp_path, tries=1)
    body.go(-5.0, shaft=None)
    body.be(-5.0, 1.5, shaft=None)
    body.go(0.0, shaft=None)
    body.be(0.0, 1.0, shaft=None)
    assert [t.value_deg for t in body.practice.session.tries] == [5.0]


def test_the_uncertainty_of_a_change():
    """JCGM 100, 5.2: of fully correlated parts nothing is left in a difference; of independent ones the squares add."""
    assert change_u95(5.0, 5.0, 5.0) == 0.0
    assert change_u95(3.0, 4.0, None) == 5.0
    assert change_u95(5.0, 5.0, 4.0) == pytest.approx(18**0.5)


def swing(flexion: float, *, kind: str = "full", grade: str = "good") -> Swing:
    return Swing(
        index=1, kind=kind, ball=True, grade=grade, reasons=(), events={"top": Event(1.0)},
        angles={"wrist_flexion": {"top": Value(flexion, 4.0)}}, changes={}, tempo={}, bands={},
    )  # fmt: skip


def test_full_swings_are_told_after_and_nothing_sounds_within(tmp_path):
    body = begun("full", tmp_path, tries=3)
    for flexion in (0.0, -30.0, 11.0):
        body.cues.clear()
        body.be(-15.0, 1.0)
        body.be(-30.0, 1.2, speed=900.0)
        body.be(-30.0, 0.3, speed=2.0)  # a pause at the top
        body.be(20.0, 0.3, speed=2400.0)
        body.be(20.0, 0.4, speed=3.0)
        within = body.cues[55:]
        assert {(c.state, c.tone, c.buzz_ms, c.tick) for c in within} == {("quiet", None, (), False)}
        body.be(10.0, 1.0)
        body.practice.swing(swing(flexion))
        body.be(10.0, 0.1)
    assert [t.held for t in body.practice.session.tries] == [True, False, None]
    assert all(c.tone is None and not c.buzz_ms for c in body.cues)


def test_a_swing_in_the_midst_of_a_slow_drill_is_quiet_too(tmp_path):
    body = begun("hold", tmp_path)
    body.be(-25.0, 1.0)
    body.be(-25.0, 1.0, speed=1500.0)
    assert body.cues[-1].state == "quiet"
    assert body.cues[-1].tone is None


def test_swings_that_cannot_be_read_do_not_count_and_rehearsals_are_no_load(tmp_path):
    body = begun("full", tmp_path, tries=1)
    body.practice.swing(swing(0.0, kind="slow"))
    assert body.practice.load.today == 0
    body.practice.swing(swing(0.0, grade="poor"))
    assert not body.practice.session.tries
    assert body.practice.stage == "ready"
    assert "does not count" in body.practice.remarks[-1]
    assert body.practice.load.today == 1


# -- sensors ---------------------------------------------------------------------------------------
def test_a_lost_sensor_shakes_once_stops_the_try_and_it_does_not_count(tmp_path):
    body = begun("hold", tmp_path)
    body.be(0.0, 1.0)
    body.be(None, 7.0)
    assert [c.buzz_ms for c in body.cues if len(c.buzz_ms) == 5] == [(300, 100, 100, 100, 300)]
    assert body.practice.stage == "ready"
    assert not body.practice.session.tries
    assert body.practice.do("begin")
    hold(body, 0.0)
    assert [t.held for t in body.practice.session.tries] == [True]


def test_when_nothing_comes_at_all_it_is_said_within_a_second(tmp_path):
    body = begun("hold", tmp_path)
    body.be(0.0, 1.0)
    at = body.t
    body.silence(1.0)
    gone = next(c for c in body.cues if c.state == "none" and c.at_s > at)
    assert gone.at_s - at < 1.0
    body.silence(7.0)
    assert body.practice.stage == "ready"


def test_sensors_that_fall_silent_in_a_swing_are_lost_all_the_same(tmp_path):
    body = begun("hold", tmp_path)
    body.be(0.0, 1.0)
    body.be(0.0, 0.3, speed=1500.0)
    body.silence(0.8)
    assert body.cues[-1].state == "quiet"
    body.silence(1.0)
    assert body.cues[-1].state == "none"
    assert any(len(c.buzz_ms) == 5 for c in body.cues)


def test_a_short_gap_is_forgiven(tmp_path):
    body = begun("hold", tmp_path)
    hold(body, 0.0, 1.0)
    body.be(None, 0.5)
    body.be(0.0, 3.0)
    assert [t.held for t in body.practice.session.tries] == [True]


# -- pain ------------------------------------------------------------------------------------------
@pytest.mark.parametrize("stage", ["cautions", "range", "ready", "try", "ask", "told", "done"])
def test_it_hurts_stops_everything_at_any_time(tmp_path, stage):
    own = None if stage == "range" else (-55.0, 50.0)
    practice = opened(
        plan_of("hold", own=own, tries=1, feedback=Feedback("every", ask=stage in ("ask", "told"))), tmp_path
    )
    body = Body(practice)
    if stage != "cautions":
        practice.do("cautions_read")
    if stage in ("try", "ask", "told", "done"):
        practice.do("begin")
    if stage in ("ask", "told", "done"):
        hold(body, 0.0)
    if stage == "told":
        practice.do("guess", side="in")
    assert practice.stage == stage
    body.cues.clear()
    assert practice.do("hurts", text="  sharp,\n little finger's side ")
    assert practice.stage == "hurt"
    for what in ("begin", "next", "cautions_read", "skip", "stop"):
        assert not practice.do(what)
    hold(body, -25.0)
    assert all(c.tone is None and not c.buzz_ms for c in body.cues)
    kept = read(practice.journal.path)
    assert kept.hurt == "sharp, little finger's side"
    assert kept.ended in ("hurt", "done")


def test_after_pain_the_session_does_not_go_on_and_the_next_asks(tmp_path, clock):
    body = begun("hold", tmp_path, clock)
    body.practice.do("hurts")
    again = opened(body.practice.plan, tmp_path, clock)
    assert again.session.id != body.practice.session.id
    assert again.state()["hurt_before"] == ""
    assert again.stage == "cautions"
    fresh = opened(plan_of("hold"), tmp_path / "other", clock)
    assert fresh.state()["hurt_before"] is None


# -- load ------------------------------------------------------------------------------------------
def test_swings_of_today_and_of_seven_days(tmp_path, clock):
    plan = replace(plan_of("full", tries=2, feedback=Feedback("every", ask=False)), week_swings=5)
    for days in (8, 2, 0):
        clock.at = Clock().at
        clock.forward(days=-days)
        body = ready(opened(plan, tmp_path, clock))
        body.practice.do("begin")
        for _ in range(2):
            body.practice.swing(swing(0.0))
            body.be(0.0, 0.1)
    load = body.practice.load
    assert (load.today, load.week, load.too_much) == (2, 4, False)
    body.practice.swing(swing(0.0))
    body.practice.swing(swing(0.0))
    assert body.practice.load.too_much
    assert body.practice.state()["load"]["most"] == 5


# -- the file --------------------------------------------------------------------------------------
def whole_session(folder, clock) -> Practice:
    body = begun("hold", folder, clock, tries=3, feedback=Feedback("faded", ask=True, silent_last=1))
    for wrist, side in ((0.0, "in"), (-25.0, "low"), (11.0, "in")):
        hold(body, wrist)
        assert body.practice.do("guess", side=side)
        body.practice.do("next")
    assert body.practice.stage == "done"
    return body.practice


def test_a_session_that_was_cut_at_any_byte_goes_on_or_begins_anew(tmp_path, clock):
    practice = whole_session(tmp_path / "whole", clock)
    data = practice.journal.path.read_bytes()
    lines = data.splitlines(keepends=True)
    ends = [sum(len(x) for x in lines[:i]) for i in range(len(lines) + 1)]
    # every byte of the first, a try's and the last line; every seventh of the rest
    cuts = sorted(
        {
            *range(0, ends[2], 7),
            *range(ends[1], ends[2]),
            *range(ends[-2], ends[-1] + 1),
            *ends,
            *range(ends[2], ends[-2], 7),
        }
    )
    whole = read(practice.journal.path)
    for cut in cuts:
        folder = tmp_path / f"cut{cut}"
        folder.mkdir()
        path = folder / practice.journal.path.name
        path.write_bytes(data[:cut])
        again = opened(practice.plan, folder, Clock(clock.at.isoformat()))
        kept = sum(e <= cut or data[:cut] == data[: e - 1] for e in ends[1:])  # a line counts without its newline
        if kept == 0:
            assert again.session.id != whole.id  # it was cut before it began: a new one
        elif kept == len(lines):
            assert again.session.id != whole.id  # it was over
        else:
            assert again.session.id == whole.id
            done = again.session.tries
            assert done == whole.tries[: len(done)]
            assert len(done) == sum(b'"try"' in x for x in lines[:kept])
            if len(done) < 3:
                assert again.stage == "cautions"
                assert again.do("cautions_read")
                assert again.number == len(done) + 1
            again.do("stop")
            after = read(again.journal.path)
            assert after.tries[: len(done)] == done
            assert after.ended in ("stopped", "done")
        assert path.read_bytes()[:cut] == data[:cut]  # what was written is never altered


def test_a_session_that_was_cut_gives_the_same_tries_once_it_is_finished(tmp_path, clock):
    practice = whole_session(tmp_path / "whole", clock)
    data = practice.journal.path.read_bytes()
    lines = data.splitlines(keepends=True)
    folder = tmp_path / "cut"
    folder.mkdir()
    (folder / practice.journal.path.name).write_bytes(b"".join(lines[:2]) + lines[2][:40])
    body = ready(opened(practice.plan, folder, Clock(clock.at.isoformat())))
    body.practice.do("begin")
    for wrist, side in ((-25.0, "low"), (11.0, "in")):
        hold(body, wrist)
        body.practice.do("guess", side=side)
        body.practice.do("next")
    after = read(body.practice.journal.path)
    whole = read(practice.journal.path)

    def essence(session):
        return [(t.id, t.number, t.held, t.value_deg, t.shown, t.silent, t.guess) for t in session.tries]

    assert essence(after) == essence(whole)
    assert after.unread == 1
    assert after.ended == "done"


def test_a_cut_session_of_another_day_is_ended_and_a_new_one_begins(tmp_path, clock):
    body = begun("hold", tmp_path, clock)
    hold(body, 0.0)
    clock.forward(days=1)
    again = opened(body.practice.plan, tmp_path, clock)
    assert again.session.id != body.practice.session.id
    assert read(body.practice.journal.path).ended == "cut"
    assert len(sessions_in(tmp_path)) == 2


def test_a_plan_that_was_edited_in_between_takes_no_tries_of_another_drill(tmp_path, clock):
    body = begun("hold", tmp_path, clock)
    hold(body, 0.0)
    other = replace(plan_of("slow"), id=body.practice.plan.id)
    again = opened(other, tmp_path, clock)
    assert again.session.id == body.practice.session.id
    assert again.number == 1


def test_a_disk_that_is_full_is_said_and_practice_goes_on(tmp_path, monkeypatch):
    body = begun("hold", tmp_path)

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(journal.os, "fsync", full)
    hold(body, 0.0)
    assert "No space left" in body.practice.state()["trouble"]
    assert [t.held for t in body.practice.session.tries] == [True]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "is not the file of a practice session"),
        ("hello\n", "is not the file of a practice session"),
        ('{"schema": "cupbow.practice/9"}\n', "is not the file of a practice session"),
        ('{"schema": "cupbow.practice/1", "id": "short"}\n', "first line"),
        ("HEAD" + '{"is": "try", "id": "x"}\n', "entry 2"),
        ("HEAD" + '{"is": "swing"}\n', "entry 2"),
    ],
)
def test_a_file_that_is_no_session_is_refused_in_one_line(tmp_path, text, said):
    journal_, _ = Journal.begin(tmp_path / "good", plan_of("hold"), day=1, began=Clock()())
    head = journal_.path.read_text()
    file = tmp_path / f"bad{journal.SUFFIX}"
    file.write_text(text.replace("HEAD", head))
    with pytest.raises(RecordingError) as fault:
        read(file)
    assert said in str(fault.value)
    assert str(file) in str(fault.value)
    with pytest.raises(RecordingError, match="cannot be read"):
        read(tmp_path / "nowhere")


def test_state_is_json_at_every_stage(tmp_path):
    practice = opened(plan_of("hold", own=None, tries=1, feedback=Feedback("every", ask=True)), tmp_path)
    body, seen = Body(practice), set()

    def look() -> None:
        seen.add(practice.stage)
        json.dumps(practice.state(), allow_nan=False)

    look()
    practice.do("cautions_read")
    look()
    body.be(-50.0, 0.6)
    body.be(44.0, 0.6)
    practice.do("range_done")
    look()
    practice.do("begin")
    body.each = look
    hold(body, 0.0)
    practice.do("guess", side="in")
    look()
    practice.do("next")
    look()
    assert seen == {"cautions", "range", "ready", "try", "ask", "told", "done"}


def test_blocks_can_be_skipped_and_channels_turned_off(tmp_path):
    plan = plan_of("hold")
    plan = replace(plan, days=(Day(1, 1, (plan.days[0].blocks[0], Block("hold-at-the-top", 2))),))
    body = ready(opened(plan, tmp_path))
    practice = body.practice
    assert practice.do("channel", name="tone", on=False)
    assert not practice.do("channel", name="siren", on=False)
    assert practice.state()["drill"]["channels"] == ["board", "sensor", "phone"]
    practice.do("begin")
    hold(body, -25.0)
    assert all(c.tone is None for c in body.cues)
    assert practice.do("skip")
    assert practice.state()["block"] == 2
    assert practice.do("skip")
    assert practice.stage == "done"
