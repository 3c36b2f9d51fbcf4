"""A recording measured by a library filter instead of the joint fit: same events, honest uncertainty, marks."""

from __future__ import annotations

import json

import numpy as np
import pytest

import imu
from imu.cli import main
from imu.errors import UsageError
from imu.filtering import METHODS, bench_u95
from imu.measured import Measurement
from imu.recording import ANGLES
from tests.accuracy import FULL, short
from tests.bench import make_recording
from tests.bench.score import match, wrapped


@pytest.fixture(scope="module")
def case(tmp_path_factory):
    """A recording with true angles, its folder, and what each of three methods made of it."""
    made = make_recording(seed=2, errors=FULL.errors, session=short())
    folder = made.write(tmp_path_factory.mktemp("filtered"), truth=False)
    return made, folder, {m: imu.measure(folder, method=m) for m in ("fit", "madgwick", "vqf")}


def errors(measurement: Measurement, made, angle: str, event: str) -> list[float]:
    pairs, missed, false = match(measurement, made.truth.data)
    assert not missed
    assert not false
    found = [(s.angles[angle][event].value_deg, t["angles_deg"][angle][event]) for s, t in pairs]
    return [wrapped(a - b) for a, b in found if a is not None]


def test_every_swing_is_found_whichever_way_attitudes_are(case):
    _, _, by = case
    for name in ("madgwick", "vqf"):
        for a, b in zip(by["fit"].swings, by[name].swings, strict=True):
            assert a.kind == b.kind
            assert a.events["top"].t_s == pytest.approx(b.events["top"].t_s, abs=0.03)
            assert a.events["impact"].t_s == pytest.approx(b.events["impact"].t_s, abs=0.01)


@pytest.mark.parametrize("name", ["madgwick", "vqf"])
def test_values_are_marked_and_lie_within_their_interval(case, name):
    made, _, by = case
    held, all_ = 0, 0
    for angle in ("wrist_flexion", "wrist_deviation", "face_to_forearm", "shaft_elevation"):
        for event in ("address", "arm_level_back", "top", "shaft_level_down"):
            error = errors(by[name], made, angle, event)
            u95 = bench_u95()[name]["own_hand"][angle][event]
            held += sum(abs(e) <= u95 for e in error)
            all_ += len(error)
    assert all_ >= 28
    assert held >= 0.85 * all_
    for swing in by[name].swings:
        values = [v for a in ANGLES for v in swing.angles[a].values() if v.known]
        assert values
        assert all("filter" in v.marks and v.u95_deg > 0 for v in values)
        assert swing.grade != "good"
        assert swing.stances == {}
        assert any(name in r for r in swing.reasons)
        trace = swing.trace
        assert np.nanmin(trace.u95_deg["wrist_flexion"]) >= 1.0
    assert any(name in w for w in by[name].warnings)


def test_the_joint_fit_is_nearer_to_the_truth(case):
    made, _, by = case
    size = {
        m: np.sqrt(np.mean([e**2 for event in ("arm_level_back", "top", "shaft_level_down", "impact")
                            for e in errors(by[m], made, "wrist_flexion", event)]))
        for m in by
    }  # fmt: skip
    assert size["fit"] < 0.5 * min(size["madgwick"], size["vqf"])


def test_filters_say_less_than_the_fit_of_the_same_value(case):
    _, _, by = case
    fit, vqf = (by[m].swings[0].angles["wrist_flexion"]["top"] for m in ("fit", "vqf"))
    assert vqf.u95_deg > fit.u95_deg
    assert by["fit"].swings[0].angles["wrist_flexion"]["top"].marks == ()


def test_the_table_of_the_bench_is_whole():
    """For each method and angle of design an interval at the events that matter, through the grip as well."""
    table = bench_u95()
    assert set(table) == set(METHODS) - {"fit"}
    for by_wearing in table.values():
        for wearing in ("own_hand", "through_grip"):
            cells = by_wearing[wearing]
            for angle in ("wrist_flexion", "wrist_deviation", "face_to_forearm"):
                assert {"address", "top", "shaft_level_down", "impact"} <= set(cells[angle])
                assert all(0 < u95 < 180 for u95 in cells[angle].values())
            assert "address..top" in cells["change of wrist_flexion"]


def test_an_unknown_method_is_one_line(case, capsys):
    _, folder, _ = case
    with pytest.raises(UsageError, match=r"'kalman' is not known; use fit, strapdown, madgwick"):
        imu.measure(folder, method="kalman")
    assert main(["measure", str(folder), "--method", "kalman"]) == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_on_the_command_line(case, tmp_path, capsys):
    _, folder, _ = case
    assert main(["measure", str(folder), "--method", "vqf", "--json", str(tmp_path / "out.json")]) == 0
    shown = capsys.readouterr().out
    assert "by a filter, not by the joint fit" in " ".join(shown.split())
    top = json.loads((tmp_path / "out.json").read_text())["swings"][0]["angles"]["wrist_flexion"]["top"]
    assert top["marks"] == ["filter"]
