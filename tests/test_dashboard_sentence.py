"""The sentence about a swing never says more than verdicts and intervals do."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dashboard.sentence import sentence, sided, whole_doubt
from imu.bands import verdict
from imu.measured import Event, Swing, Value, Verdict
from imu.recording import EVENTS

WRIST = ("top", "arm_level_down", "shaft_level_down")


def swing(
    readings: dict[str, tuple[float | None, float | None]],
    bands: dict[str, tuple[float, float]],
    *,
    grade: str = "good",
    changes: dict[str, tuple[float, float]] | None = None,
) -> Swing:
    """A swing of a few readings "angle@event" -> (value, u95), judged by the rule of `imu.bands`."""
    angles: dict[str, dict[str, Value]] = {}
    for key, (value, u95) in readings.items():
        angle, event = key.split("@")
        angles.setdefault(angle, {})[event] = Value(value, u95, None if value is not None else "no hand sensor")
    moved: dict[str, dict[str, Value]] = {}
    for key, (value, u95) in (changes or {}).items():
        angle, at = key.split("@")
        moved.setdefault(angle, {})[at] = Value(value, u95)
    verdicts = {}
    for key, (low, high) in bands.items():
        angle, at = key.split("@")
        found = (moved if ".." in at else angles).get(angle, {}).get(at, Value(None))
        verdicts[key] = Verdict(low, high, "", verdict(low=low, high=high, value=found.value_deg, u95=found.u95_deg))
    return Swing(
        1,
        "full",
        True,
        grade,
        ("the hand sensor slipped",) if grade == "poor" else (),
        {e: Event(float(k)) for k, e in enumerate(EVENTS)},
        angles,
        moved,
        {},
        verdicts,
    )


def test_out_at_the_top_and_back_later() -> None:
    """The case of the drawn page: 21 cupped ± 3 against −10 is past the edge by 8, not by 11."""
    said = sentence(
        swing(
            {"wrist_flexion@top": (-21, 3), "wrist_flexion@shaft_level_down": (1, 4)},
            {"wrist_flexion@top": (-10, 4), "wrist_flexion@shaft_level_down": (-6, 11)},
        )
    )
    assert said.headline == (
        "Too cupped at the top, by 8° or more. In its band again when the shaft is level on the way down."
    )
    assert said.also == ""


@pytest.mark.parametrize(
    ("value", "u95", "words"),
    [
        (-21.0, 3.0, "Too cupped at the top, by 8° or more."),
        (-13.4, 3.0, "Too cupped at the top."),  # past the edge by less than a degree
        (-14.9, 3.0, "Too cupped at the top, by 1° or more."),  # 1.9 is never rounded up
        (12.0, 2.0, "Too bowed at the top, by 6° or more."),
        (-9.0, 3.0, "Wrist 9° ± 3 cupped at the top: too close to the edge of its band to say."),
        (-2.0, 3.0, "Wrist in its band at the top."),
    ],
)
def test_one_reading(value: float, u95: float, words: str) -> None:
    assert str(sentence(swing({"wrist_flexion@top": (value, u95)}, {"wrist_flexion@top": (-10, 4)}))) == words


@pytest.mark.parametrize(
    ("later", "words"),
    [
        ([(-25, 3), (-20, 3)], "Still outside when the shaft is level on the way down."),
        ([(-9, 4), (-20, 3)], "Still outside when the shaft is level on the way down."),
        ([(0, 3), (-20, 3)], "In its band again when the arm is level on the way down. Outside once more when the "),
        (
            [(-9, 4), (-8, 4)],
            "Whether it is back in its band when the arm is level on the way down, the reading cannot",
        ),
        ([(None, None), (0, 3)], "In its band again when the shaft is level on the way down."),
    ],
)
def test_what_follows(later: list[tuple[float | None, float | None]], words: str) -> None:
    readings = dict(zip([f"wrist_flexion@{e}" for e in WRIST], [(-30.0, 3.0), *later], strict=True))
    assert words in sentence(swing(readings, dict.fromkeys(readings, (-10, 4)))).headline


def test_the_wrist_leads_and_others_follow() -> None:
    said = sentence(
        swing(
            {"face_to_forearm@top": (40, 3), "wrist_flexion@top": (-15, 3), "shaft_off_plane@top": (0, 2)},
            {"face_to_forearm@top": (-10, 10), "wrist_flexion@top": (-10, 4), "shaft_off_plane@top": (-5, 5)},
            changes={"wrist_flexion@top..shaft_level_down": (-12, 2)},
        )
    )
    assert said.headline == "Too cupped at the top, by 2° or more."
    assert said.also == "Also outside: face to arm at the top (open side)."


def test_a_change_that_is_surely_out_is_named() -> None:
    said = sentence(
        swing(
            {"wrist_flexion@top": (0, 3)},
            {"wrist_flexion@top": (-10, 10), "wrist_flexion@top..shaft_level_down": (-5, 15)},
            changes={"wrist_flexion@top..shaft_level_down": (-12, 2)},
        )
    )
    assert str(said) == ("Wrist in its band at the top. Also outside: wrist from top to shaft level down (cup side).")
    assert "All" not in str(said)


def test_nothing_out_counts_only_what_is_sure() -> None:
    readings = {"wrist_flexion@top": (0.0, 3.0), "face_to_forearm@top": (9.0, 3.0), "shaft_off_plane@top": (0.0, 1.0)}
    said = sentence(swing(readings, dict.fromkeys(readings, (-10, 10))))
    assert str(said) == (
        "Wrist in its band at the top. 2 of 3 readings that have a band are surely inside it, none surely outside."
    )


def test_a_poor_reading_gets_no_judgement() -> None:
    poor = swing({"wrist_flexion@top": (-40, 3)}, {"wrist_flexion@top": (-10, 4)}, grade="poor")
    assert str(sentence(poor)) == "This swing cannot be judged: the hand sensor slipped."


def test_without_reading_or_band() -> None:
    none = swing({"wrist_flexion@top": (None, None)}, {"wrist_flexion@top": (-10, 4)})
    assert str(sentence(none)) == "Nothing that has a band could be read: no hand sensor."
    assert str(sentence(swing({"wrist_flexion@top": (None, None)}, {}))) == (
        "The wrist at the top could not be read: no hand sensor."
    )
    assert str(sentence(swing({"wrist_flexion@top": (-21.4, 2.6)}, {}))) == (
        "Wrist 21° ± 3 cupped at the top. There is no band to hold it against."
    )


readings = st.dictionaries(
    st.sampled_from([f"{a}@{e}" for a in ("wrist_flexion", "face_to_forearm", "forearm_roll") for e in WRIST]),
    st.one_of(
        st.just((None, None)),
        st.tuples(st.floats(-80, 80), st.floats(0.1, 30)),
    ),
    min_size=1,
)


@settings(max_examples=300, deadline=None)
@given(readings=readings, low=st.floats(-40, 20), width=st.floats(0.5, 40))
def test_no_claim_beyond_the_intervals(readings: dict, low: float, width: float) -> None:
    """Whatever the readings: "too …" needs a whole interval past an edge, by at least what is said."""
    one = swing(readings, dict.fromkeys(readings, (low, low + width)))
    text = str(sentence(one))
    gaps = {}
    for key, (value, u95) in readings.items():
        if value is not None:
            gaps[key] = max(low - (value + u95), (value - u95) - (low + width))
    out = {key: gap for key, gap in gaps.items() if gap > 0}
    assert bool(re.search(r"\b[Tt]oo (cupped|bowed|open|closed|pronated|supinated)", text) or "far" in text) == bool(
        out
    )
    said = re.search(r"by (\d+)° or more", text)
    if said:
        assert int(said[1]) <= max(out.values())
        assert int(said[1]) >= 1
    counted = re.search(r"(\d+) of (\d+) readings|All (\d+) readings", text)
    if counted:
        sure = sum(
            value is not None and low <= value - u95 and value + u95 <= low + width for value, u95 in readings.values()
        )
        assert int(counted[1] or counted[3]) == sure
        assert not out


@given(st.floats(0, 60))
def test_a_doubt_is_never_shown_as_nothing(u95: float) -> None:
    assert whole_doubt(u95) >= 1
    assert abs(whole_doubt(u95) - u95) <= 1


@pytest.mark.parametrize(
    ("value", "words"),
    [(-20.5, "21° ± 3 cupped"), (0.4, "0° ± 3"), (-0.4, "0° ± 3"), (7.5, "8° ± 3 bowed")],
)
def test_sides_are_the_same_on_either_arm(value: float, words: str) -> None:
    assert sided("wrist_flexion", Value(value, 3.0)) == words
