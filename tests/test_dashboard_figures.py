"""What the drawings show agrees with the results that they are made from."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.spatial.transform import Rotation

import dashboard
from dashboard.doubts import doubts
from dashboard.figures import (
    CLUB_M,
    PANELS,
    corridors,
    level,
    mean_of,
    means_figure,
    outside,
    rail_item,
    scales,
    swing_figure,
    whole,
)
from dashboard.words import FIRST, catalogue, say, spoken
from imu.bands import verdict
from imu.measured import Value, Verdict
from imu.recording import ANGLES, EVENTS
from tests.synthetic_measurement import measurement, swing


def figure(one=None, handedness: str = "right"):
    one = one or swing(14)
    whole_set = measurement(2, handedness=handedness)
    return swing_figure(one, handedness=handedness, scales=scales(whole_set))


# -- the level -------------------------------------------------------------------------------------


@settings(max_examples=400, deadline=None)
@given(
    value=st.floats(-90, 90),
    u95=st.floats(0.05, 40),
    low=st.floats(-40, 30),
    width=st.floats(0.5, 60),
    aspect=st.floats(2.5, 6),
)
def test_the_bubble_says_what_the_verdict_says(value, u95, low, width, aspect) -> None:
    """Between the marks means in, past one means out, across one means unsure; always in the vial."""
    word = verdict(low=low, high=low + width, value=value, u95=u95)
    drawn = level(Value(value, u95), Verdict(low, low + width, "", word), aspect=aspect)
    (a, b), (start, end) = drawn["marks"], drawn["bubble"]
    assert 0 <= start < end <= 1
    assert a < b
    if word == "below":
        assert end < a
    elif word == "above":
        assert start > b
    elif word == "inside":
        assert a < start
        assert end < b
    else:
        assert start <= a + 1e-3 <= end + 2e-3 or start <= b + 1e-3 <= end + 2e-3


def test_the_bubble_is_as_long_as_the_doubt() -> None:
    band = Verdict(-10, 10, "", "inside")
    one, two = (level(Value(0.0, u), band, aspect=5)["bubble"] for u in (4.0, 8.0))
    assert two[1] - two[0] == pytest.approx(2 * (one[1] - one[0]), rel=1e-3)
    assert level(Value(0.0, 0.01), band, aspect=5)["bubble"] == pytest.approx([0.45, 0.55])  # half a height


def test_cup_is_left_and_off_the_scale_is_said() -> None:
    band = Verdict(-10, 10, "", "below")
    left = level(Value(-20.0, 3.0), band, aspect=5)
    assert left["bubble"][1] < left["marks"][0]
    assert left["off"] == 0
    assert level(Value(-80.0, 3.0), band, aspect=5)["off"] == -1
    assert level(Value(80.0, 3.0), Verdict(-10, 10, "", "above"), aspect=5)["off"] == 1
    assert level(Value(None, None, "clipped"), band, aspect=5) == {
        "state": "none",
        "marks": left["marks"],
        "bubble": None,
        "off": 0,
    }


# -- the strip -------------------------------------------------------------------------------------


def test_events_stand_at_their_numbers_and_in_real_time() -> None:
    one = swing(3)
    drawn = figure(one)
    address, finish = one.events["address"].t_s, one.events["finish"].t_s
    for k, (name, event) in enumerate(zip(EVENTS, drawn["events"], strict=True)):
        t = one.events[name].t_s
        assert event["t"] == pytest.approx(t - address, abs=1e-3)
        assert drawn["equal"][event["sample"]] == pytest.approx(k, abs=0.2)
        assert event["real"] == pytest.approx(9 * (t - address) / (finish - address), abs=1e-3)
    assert [p["text"] for p in drawn["phases"]][:2] == ["0.18 s", "0.27 s"]
    assert drawn["t"][0] >= 0
    assert drawn["t"][-1] <= finish - address + 1e-6


def test_numbers_are_those_of_the_results() -> None:
    one = swing(14, shift_deg=-3.3)
    drawn = figure(one)
    for panel in drawn["panels"]:
        for event, cell in zip(EVENTS, panel["cells"], strict=True):
            value = one.angles[panel["angle"]][event]
            assert cell["value"] == value.value_deg
            assert int(cell["text"].replace("\N{MINUS SIGN}", "-")) == pytest.approx(value.value_deg, abs=0.5)
    rows = {row["angle"]: row for row in drawn["numbers"]}
    assert set(rows) == set(ANGLES)


def test_thick_is_where_the_whole_interval_is_outside() -> None:
    place = np.linspace(0, 9, 91)
    y = np.full(91, -20.0)
    u95 = np.where(place < 5, 3.0, 12.0)  # from place 5 on the interval reaches into the band
    corridor = [[[3.0, -10.0, 10.0], [7.0, -10.0, 10.0]]]
    (run,) = outside(place, y, u95, corridor)
    assert place[run[0]] == pytest.approx(3.0)
    assert place[run[1]] == pytest.approx(4.9)
    assert outside(place, np.full(91, np.nan), u95, corridor) == []
    assert outside(place, y, u95, []) == []


def test_a_corridor_joins_only_events_that_follow_each_other() -> None:
    one = swing(
        1,
        bands={"wrist_flexion@top": (-10, 4), "wrist_flexion@arm_level_down": (-8, 6), "wrist_flexion@finish": (0, 9)},
    )
    first, lone = corridors(one, "wrist_flexion")
    assert [p[0] for p in first] == pytest.approx([3.78, 4.0, 5.0, 5.22])
    assert [p[1:] for p in first[1:3]] == [[-10, 4], [-8, 6]]
    assert [p[0] for p in lone] == pytest.approx([8.78, 9.0, 9.0])
    assert corridors(one, "forearm_roll") == []


def test_missing_parts_are_framed_with_their_reason() -> None:
    drawn = figure(swing(14, clipped_after="impact"))
    face = next(p for p in drawn["panels"] if p["name"] == "face")
    (gap,) = face["missing"]
    assert gap["reason"] == "club sensor clipped at impact"
    assert drawn["equal"][gap["first"]] == pytest.approx(7, abs=0.3)
    assert all(v is None for v in face["y"][gap["first"] : gap["last"] + 1])
    assert face["cells"][8]["text"] == "—"
    assert face["cells"][8]["reason"] == "club sensor clipped at impact"


def test_a_poor_swing_shows_no_line() -> None:
    drawn = figure(swing(8, grade="poor"))
    assert all(v is None for p in drawn["panels"] for v in p["y"])
    assert drawn["panels"][0]["cells"][4]["level"]["state"] == "none"
    assert drawn["panels"][0]["cells"][4]["word"] == "no reading"


def test_an_event_that_was_not_reached_has_no_place() -> None:
    drawn = figure(swing(16, unreached=("finish",)))
    last = drawn["events"][-1]
    assert last["t"] is last["sample"] is last["real"] is None
    assert "not followed" in last["reason"]
    assert json.loads(json.dumps(drawn)) == drawn


@pytest.mark.parametrize("handedness", ["right", "left"])
def test_the_picture_has_the_directions_that_were_measured(handedness: str) -> None:
    """Against scipy: forearm Y towards the elbow, hand Y towards the wrist, club x from grip to head."""
    one = swing(2, left_handed=handedness == "left")
    drawn = figure(one, handedness)
    trace = one.trace
    i = drawn["events"][4]["sample"]
    n = int(np.argmin(np.abs(trace.t_s - one.events["top"].t_s)))
    for name, segment, axis, ends in (
        ("forearm", "forearm", (0, 1, 0), ("wrist", "elbow")),
        ("hand", "hand", (0, 1, 0), ("knuckles", "wrist")),
        ("club", "club", (1, 0, 0), ("knuckles", "head")),
    ):
        expected = Rotation.from_quat(trace.q_to_target[segment][n], scalar_first=True).apply(axis)
        a, b = (np.array(drawn["pose"][end][i]) for end in ends)
        assert (b - a) / np.linalg.norm(b - a) == pytest.approx(expected, abs=2e-3), name
    assert np.linalg.norm(np.array(drawn["pose"]["head"][i]) - drawn["pose"]["knuckles"][i]) == pytest.approx(
        CLUB_M, abs=1e-3
    )


def test_only_what_wears_a_sensor_is_drawn() -> None:
    assert "head" not in figure(swing(1, without=("club",)))["pose"]
    assert "elbow" not in figure(swing(1, without=("forearm",)))["pose"]


def test_one_scale_for_all_swings_holds_every_number() -> None:
    several = measurement(10)
    found = scales(several)
    for panel in PANELS:
        low, high = found[panel.name]
        values = [v.value_deg for s in several.swings for v in s.angles[panel.angle].values() if v.known]
        assert low < min(values)
        assert max(values) < high
        assert high - low >= panel.least_span_deg


@pytest.mark.parametrize(("x", "text"), [(-21.4, "−21"), (-0.3, "0"), (0.5, "1"), (-20.5, "−21"), (17.2, "17")])
def test_whole_degrees_with_a_true_minus(x: float, text: str) -> None:
    assert whole(x) == text


def test_spoken_reading() -> None:
    cell = figure(swing(14))["panels"][0]["cells"][4]
    assert cell["spoken"] == "Wrist 21 degrees cupped, plus or minus 3: cup side of the band"


def test_the_rail_names_what_is_left_out() -> None:
    item = rail_item(swing(8, grade="poor"), href="?swing=8", left_out=True)
    assert item["level"]["state"] == "none"
    assert item["spoken"].endswith("poor reading; left out")


# -- means -----------------------------------------------------------------------------------------


def test_mean_and_its_doubt_against_scipy() -> None:
    """The spread shrinks with the number of swings, the shared zero does not."""
    x = [-21.0, -17.5, -19.0, -23.5, -18.0]
    mean, spread, doubt = mean_of([Value(v, 4.0, zero_u95_deg=3.0) for v in x])
    low, high = stats.t.interval(0.95, len(x) - 1, loc=np.mean(x), scale=stats.sem(x))
    assert mean == pytest.approx(np.mean(x))
    assert spread == pytest.approx(np.std(x, ddof=1))
    assert doubt == pytest.approx(math.hypot((high - low) / 2, 3.0))
    many = mean_of([Value(v, 4.0, zero_u95_deg=3.0) for v in x * 400])[2]
    assert many == pytest.approx(3.0, abs=0.02)
    assert mean_of([Value(v, 4.0) for v in x * 400])[2] == pytest.approx(4.0, abs=0.02)  # not split: all shared


def test_kinds_are_not_mixed_and_left_out_swings_are_counted() -> None:
    several = measurement(22)  # swing 3 is a rehearsal, swing 8 poor
    shown = means_figure(several, kind="full", left_out={14: ""})
    assert shown["counts"] == "19 swings, 1 left out, 1 too poor to read"
    (wrist,) = [r for r in shown["events"]["top"] if r["angle"] == "wrist_flexion"]
    used = [s for s in several.swings if s.kind == "full" and s.grade != "poor" and s.index != 14]
    assert wrist["n"] == len(used) == 19
    assert wrist["mean_deg"] == pytest.approx(
        np.mean([s.angles["wrist_flexion"]["top"].value_deg for s in used]), abs=1e-3
    )
    assert not means_figure(several, kind="slow", left_out={})["enough"]


# -- what is not known -----------------------------------------------------------------------------


def test_not_known_names_sensors_edges_and_events() -> None:
    without = measurement(4, without=("hand",))
    lines = doubts(without.swings[0], without)
    assert lines[0] == "No hand sensor: wrist and hinge cannot be read."
    assert sum("hand sensor" in line for line in lines) == 1  # once, not at every event
    several = measurement(22)
    lines = doubts(several.swings[13], several)
    assert "Wrist when the arm is level going back, 17° ± 3 cupped: crosses the edge of its band." in lines
    assert "Face to target at impact, 2° ± 4 open: could be open or closed." in lines
    assert any("club sensor clipped at impact" in line for line in lines)
    assert any(line.startswith("Finish: not reached") for line in doubts(several.swings[15], several))


# -- words -----------------------------------------------------------------------------------------


def test_every_word_that_is_asked_for_exists() -> None:
    root = Path(dashboard.__file__).parent
    for path in root.rglob("*.py"):
        for key in re.findall(r'\bsay\(\s*"([^"]+)"', path.read_text(encoding="utf-8")):
            assert key in catalogue(), f"{path.name} asks for {key}"
        for key in re.findall(r'\bcount\(\s*"([^"]+)"', path.read_text(encoding="utf-8")):
            assert f"{key}.one" in catalogue(), f"{path.name} counts {key}"
            assert f"{key}.many" in catalogue(), f"{path.name} counts {key}"
    for name in EVENTS:
        assert say(f"event.{name}")
        assert say(f"at.{name}")
    for name in ANGLES:
        for table in ("angle", "plus", "minus", "side_above", "side_below", "sentence.above", "sentence.below"):
            assert f"{table}.{name}" in catalogue()


def test_no_word_is_left_over() -> None:
    root = Path(dashboard.__file__).parent
    python = "".join(p.read_text(encoding="utf-8") for p in root.rglob("*.py"))
    scripts = "".join(p.read_text(encoding="utf-8") for p in root.rglob("*.js"))
    pages = "".join(p.read_text(encoding="utf-8") for p in root.rglob("*.html"))
    tables = set(re.findall(r'f"([a-z_.]+)\.\{', python)) | {
        "sentence.above",
        "sentence.below",
        "side_above",
        "side_below",
    }
    left = []
    for key in spoken(FIRST):
        table, _, leaf = key.rpartition(".")
        asked = (
            f'"{key}"' in python
            or f"'{key}'" in python
            or table in tables
            or (leaf in ("one", "many") and f'"{table}"' in python)
            or f"{{{{{key}}}}}" in pages
        )
        in_script = re.search(rf"\b(?:w|words)\.(?:{table}_)?{leaf}\b", scripts) or f'"{leaf}"' in scripts
        in_script = in_script or f"{leaf}:" in scripts  # names of views, keys of an object there
        in_script = in_script or f'"{table.rpartition(".")[2]}.{leaf}"' in scripts  # w["found.one"]
        if not (asked or in_script):
            left.append(key)
    assert not left


def test_a_missing_field_is_a_fault() -> None:
    with pytest.raises(KeyError):
        say("sentence.by", n=3)
    with pytest.raises(KeyError):
        say("sentence.nothing_like_it")
