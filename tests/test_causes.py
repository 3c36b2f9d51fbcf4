"""The chain of causes: known causes found, known non-causes not claimed, evidence shown, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest

from imu.cause_rules import BallRule, Rule, Rules, RulesError, load_rules
from imu.causes import APART, BOTH, GEOMETRY, NEITHER, SWINGS, Flight, explain
from imu.errors import CupbowError
from tests.chain_case import SLOPES, blind, geometry, group, taught

TOP, LOST, ROLL = "wrist_flexion@top", "wrist_flexion@top..shaft_level_down", "forearm_roll@shaft_level_down"
FACE, FACE_DOWN, PLANE = "face_to_forearm@top", "face_to_forearm@shaft_level_down", "shaft_off_plane@shaft_level_down"


def link(account, cause, effect):
    return next(x for x in account.links if (x.rule.cause, x.rule.effect) == (cause, effect))


def two_lessons(rng, **settings):
    return group("today", taught(rng, n=18, **settings)), [group("before", taught(rng, n=16, **settings))]


# -- true and false causes ---------------------------------------------------------------------------
@pytest.mark.parametrize(
    "settings",
    [{}, {"own": 1.0}, {"own": 1.2, "together": 0.5}, {"drift": 0.4}],
    ids=["clean", "read with error", "causes that move together", "drifting lesson"],
)
def test_known_causes_are_found_and_the_rest_is_claimed_in_one_account_of_twenty_at_most(settings):
    """By the swings alone, eleven questions at once. Simulated; the rate is what `explain` promises."""
    rng = np.random.default_rng(7)
    runs, false, found = 40, 0, 0
    for _ in range(runs):
        today, earlier = two_lessons(rng, **settings)
        account = explain(today, earlier=earlier, geometry=blind)
        told = {(x.rule.cause, x.rule.effect) for x in account.links if x.verdict == SWINGS}
        false += bool(told - set(SLOPES))
        found += (TOP, FACE) in told
    assert false <= 5  # 40 draws at 5 %: 2 ± 2.7 (95 %)
    assert found >= 0.75 * runs


def test_geometry_and_swings_agree_and_the_chain_is_told_with_its_evidence():
    today, earlier = two_lessons(np.random.default_rng(1), zero=0.5)
    account = explain(today, earlier=earlier, geometry=geometry())
    found = link(account, TOP, FACE)
    assert found.verdict == BOTH
    assert found.geometry.value == pytest.approx(-0.85)
    assert found.geometry_swings == 12, "twelve of the 18 are looked at"
    assert found.swings.value == pytest.approx(-0.9, abs=found.swings.u95)
    assert found.slope.swings == 34
    assert found.slope.groups == 2
    # 22 degrees cupped against a band from -10: 12 out, times -0.85, makes about 10 of face.
    assert found.explained.value == pytest.approx(-0.85 * found.cause_out.deg)
    assert found.explained.value == pytest.approx(10.0, abs=2.0)
    said = account.to_json()
    assert said["says"].startswith("The wrist at the top is 1")
    assert "cupped side" in said["says"]
    assert "By geometry that makes the face to the arm at the top" in said["says"]
    assert "The swings show the same." in said["says"]
    first = next(x for x in said["links"] if (x["cause"], x["effect"]) == (TOP, FACE))
    assert first["used"] == {"swings": 34, "recordings": 2} | {
        k: first["used"][k] for k in ("cause_sd_deg", "true_share")
    }
    assert first["common_saying"]["source"]
    assert not first["common_saying"]["contradicted"]


def test_where_the_swings_say_otherwise_than_geometry_both_are_told():
    rng = np.random.default_rng(3)
    today, earlier = two_lessons(rng, slopes={(TOP, FACE): 1.2}, noise=1.0)
    found = link(explain(today, earlier=earlier, geometry=geometry()), TOP, FACE)
    assert found.verdict == APART
    assert "something else moves along" in found.to_json()["says"]


def test_swings_that_would_have_shown_what_geometry_says_and_do_not_say_so():
    today, earlier = two_lessons(np.random.default_rng(4), slopes={}, noise=1.0)
    found = link(explain(today, earlier=earlier, geometry=geometry()), TOP, FACE)
    assert not found.swings.told
    assert found.verdict == APART


def test_a_saying_that_the_geometry_contradicts_is_said_to_be():
    today, earlier = two_lessons(np.random.default_rng(3), slopes={(TOP, PLANE): 0.4})
    steepens = geometry(table={("wrist_flexion", "shaft_off_plane"): 0.4})
    found = link(explain(today, earlier=earlier, geometry=steepens), TOP, PLANE)
    assert found.verdict in (GEOMETRY, BOTH)
    assert found.contradicts
    assert "goes against the common saying" in found.to_json()["says"]


def test_each_swing_is_described_by_what_its_own_departure_makes():
    bands = {TOP: (-10.0, 10.0), FACE: (-10.0, 10.0)}
    today, _ = two_lessons(np.random.default_rng(1), zero=0.5)
    account = explain(today, bands=bands, geometry=geometry())
    assert account.shares
    for share in account.shares:
        assert share.effect == FACE
        swing = today.parts[0].measurement.swings[int(share.swing) - 1]
        top = swing.angles["wrist_flexion"]["top"]
        if top.value_deg + top.u95_deg < -10:
            assert share.by[TOP].value == pytest.approx(-0.85 * (top.value_deg + 10))
        else:
            assert not share.by


# -- what is not concluded ---------------------------------------------------------------------------
def test_one_swing_leads_to_no_conclusion():
    account = explain(group("today", taught(np.random.default_rng(1), n=1)), geometry=geometry())
    assert account.refused == "one swing leads to no conclusion"
    assert account.links == ()
    assert account.to_json()["says"] == "One swing leads to no conclusion."


def test_poor_swings_lead_to_none_and_are_counted():
    rng = np.random.default_rng(1)
    account = explain(group("today", taught(rng, n=9, grade="poor")), geometry=geometry())
    assert account.refused == "no swing is good enough to conclude from"
    assert account.left_out == {"poor quality": 9}
    mixed = explain(group("today", taught(rng, n=12), taught(rng, n=5, grade="poor")), geometry=geometry())
    assert mixed.swings == 12
    assert mixed.left_out == {"poor quality": 5}
    with pytest.raises(CupbowError, match="there is no swing"):
        explain(group("today"), geometry=geometry())


def test_geometry_in_one_swing_alone_is_no_conclusion():
    m = taught(np.random.default_rng(1), n=9)
    lone = m.swings[3]

    def one(measurement, swing, event):
        return geometry()(measurement, swing, event) if swing is lone else []

    found = link(explain(group("today", m), geometry=one), TOP, FACE)
    assert found.geometry is None
    assert found.no_geometry == "only one swing has it"


def test_where_a_reading_does_not_split_its_doubt_the_change_within_the_swing_tells_its_own_part():
    from dataclasses import replace

    from imu.causes import _own_u95

    swing = taught(np.random.default_rng(1), n=1, own=1.0, zero=3.0).swings[0]
    split = _own_u95(swing, TOP)
    assert split == pytest.approx(1.96, abs=0.01)

    def bare(table):
        return {a: {at: replace(v, zero_u95_deg=None) for at, v in per.items()} for a, per in table.items()}

    whole = replace(swing, angles=bare(swing.angles), changes=bare(swing.changes))
    assert _own_u95(whole, TOP) == pytest.approx(split, rel=1e-6)
    assert _own_u95(whole, LOST) == pytest.approx(split * 2**0.5, rel=1e-6)
    assert _own_u95(whole, ROLL) == 0.0


def test_few_swings_say_how_many_would_do():
    account = explain(group("today", taught(np.random.default_rng(1), n=5)), geometry=geometry())
    found = link(account, TOP, FACE)
    assert found.swings is None
    assert "too few swings: 5; from about 8 on they can tell" in found.to_json()["says"]
    assert found.verdict == GEOMETRY, "geometry needs no repetition"


def test_swings_that_cannot_tell_yet_say_how_many_would():
    weak = geometry(table={("wrist_flexion", "face_since_address"): -0.8})
    today, _ = two_lessons(np.random.default_rng(6), noise=4.0)
    found = link(explain(today, geometry=weak), TOP, "face_since_address@impact")
    assert found.verdict == GEOMETRY
    assert 18 < found.swings_to_tell <= 200
    assert f"about {found.swings_to_tell} would" in found.to_json()["says"]


def test_what_no_sensor_gave_is_named_and_not_guessed():
    today, earlier = two_lessons(np.random.default_rng(2), without=("wrist_flexion", "wrist_deviation"))

    def no_hand(measurement, swing, event):
        return [t for t in geometry()(measurement, swing, event) if t.turn == "forearm_roll"]

    account = explain(today, earlier=earlier, geometry=no_hand)
    found = link(account, TOP, FACE)
    assert found.verdict == NEITHER
    assert found.slope.reason == "no hand sensor"
    assert found.cause is None
    assert link(account, ROLL, PLANE).verdict == BOTH, "what was measured is still told"


def test_what_rests_on_a_swing_far_off_the_others_is_not_told():
    rng = np.random.default_rng(4)
    m = taught(rng, n=18, slopes={}, noise=1.0)
    far = m.swings[9]
    for angle, by in (("wrist_flexion", 45.0), ("face_to_forearm", -45.0)):
        v = far.angles[angle]["top"]
        far.angles[angle]["top"] = type(v)(v.value_deg + by, v.u95_deg, None, (), v.zero_u95_deg)
    found = link(explain(group("today", m), geometry=blind), TOP, FACE)
    assert found.slope.told(found.alpha), "by itself the far swing would tell"
    assert found.verdict == NEITHER
    assert "rests on swings far off the others" in found.to_json()["says"]


# -- the ball ----------------------------------------------------------------------------------------
def flown(rng, handedness, *, linked=True):
    m = taught(rng, n=24, handedness=handedness, noise=3.0)
    flights = {}
    open_side = "right" if handedness == "right" else "left"
    other = "left" if handedness == "right" else "right"
    for s in m.swings:
        face = s.angles["face_since_address"]["impact"].value_deg if linked else rng.normal(6, 3)
        flights[s] = Flight(start=open_side if face > 8 else other if face < 4 else "straight", curve="none")
    return group("today", m), flights


@pytest.mark.parametrize("handedness", ["right", "left"])
def test_the_ball_starts_where_the_face_points_on_either_hand(handedness):
    """Common practice and Wood 2018: an open face starts the ball to the open side, a left-hander's left."""
    today, flights = flown(np.random.default_rng(8), handedness)
    account = explain(today, flights=flights, geometry=geometry())
    start = next(b for b in account.balls if (b.rule.reading, b.rule.flight) == ("face_since_address@impact", "start"))
    assert start.told
    assert start.slope.value > 0
    assert not start.contradicts
    assert "more open (24 balls)" in start.to_json()["says"]
    curve = next(b for b in account.balls if b.rule.flight == "curve")
    assert curve.slope.reason == "all balls flew alike"


def test_flights_that_have_nothing_to_do_with_the_face_are_not_linked():
    rng = np.random.default_rng(2)
    told = 0
    for _ in range(60):
        today, flights = flown(rng, "right", linked=False)
        told += any(b.told for b in explain(today, flights=flights, geometry=blind).balls)
    assert told <= 6


def test_without_flights_nothing_is_said_of_the_ball():
    today, _ = two_lessons(np.random.default_rng(8))
    assert explain(today, geometry=geometry()).balls == ()


# -- rules -------------------------------------------------------------------------------------------
def test_the_shipped_rules_name_their_source_and_are_followed_one_by_one(tmp_path):
    rules = load_rules()
    assert all(r.source and r.says for r in (*rules.rules, *rules.balls))
    assert all(
        "no source" in r.source or "eometry" in r.source or "doi" in r.source for r in (*rules.rules, *rules.balls)
    )
    own = Rules((Rule(TOP, FACE, "against", "so it is said", "Common practice, no source."),))
    account = explain(group("today", taught(np.random.default_rng(1))), rules=own, geometry=geometry())
    assert [(x.rule.cause, x.rule.effect) for x in account.links] == [(TOP, FACE)]
    assert isinstance(rules.balls[0], BallRule)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (('cause = "wrist_flexion@top"', 'cause = "wrist_bend@top"'), "cause 'wrist_bend@top' is not angle@event"),
        (('cause = "wrist_flexion@top"', 'cause = "shaft_elevation@top"'), "is not a movement"),
        (('effect = "face_to_forearm@top"', 'effect = "wrist_flexion@impact"'), "is not face or shaft"),
        (('effect = "face_to_forearm@top"', 'effect = "face_to_forearm@address"'), "comes after its effect"),
        (('turns = "against"', 'turns = "maybe"'), "turns is 'maybe'"),
        (('source = "Geometry', 'sauce = "Geometry'), "unknown field 'sauce'"),
        (('format = "cupbow.causes/1"', 'format = "2"'), "format is '2'"),
        (('flight = "start"', 'flight = "height"'), "flight 'height' is not known"),
        (("[[rule]]", "[[rule"), "is not TOML"),
    ],
)
def test_a_faulty_rules_file_is_refused_in_one_line(tmp_path, change, message):
    from imu.cause_rules import SHIPPED

    text = SHIPPED.read_text(encoding="utf-8").replace(*change, 1)
    (tmp_path / "rules.toml").write_text(text, encoding="utf-8")
    with pytest.raises(RulesError, match=message) as fault:
        load_rules(tmp_path / "rules.toml")
    assert "rules.toml" in str(fault.value)
    assert "\n" not in str(fault.value)
