"""A calibration saved from one recording serves the next: judged by MuJoCo's truth, and by what must be refused."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

import imu.readers
from imu.commands import measure as measure_command
from imu.errors import CupbowError, RecordingError
from imu.measuring import calibrate, measure_recording
from imu.recording import Recording
from imu.saved_calibration import load_calibration
from tests.bench import Poses, Session, make_recording
from tests.bench.score import score

SESSION = Session(n_swings=3, poses=Poses.named("zero"), handedness="right", club="7-iron")


def cut(recording: Recording, lo_s: float, hi_s: float) -> Recording:
    """What was recorded between two instants of the first sensor's stamps, without the poses after them."""
    base = recording.streams[recording.first_role].t_s[0]
    streams = {}
    for role, s in recording.streams.items():
        part = (s.t_s >= base + lo_s) & (s.t_s < base + hi_s)
        streams[role] = replace(s, t_s=s.t_s[part], accel=s.accel[part], gyro=s.gyro[part])
    poses = tuple(p for p in recording.poses if p.end_s < hi_s and p.start_s > lo_s)
    return replace(recording, streams=streams, poses=poses)


@pytest.fixture(scope="module")
def lesson(tmp_path_factory):
    """A recording, its truth, and the instant at which the first swing has ended."""
    made = make_recording(seed=31, session=SESSION)
    recording = imu.readers.read(made.write(tmp_path_factory.mktemp("lesson")))
    truth = made.truth.data
    return recording, truth, truth["swings"][0]["events"]["finish"] + 1.0


@pytest.fixture(scope="module")
def saved(lesson, tmp_path_factory):
    recording, _, split = lesson
    path = tmp_path_factory.mktemp("saved") / "straps.json"
    calibrate(cut(recording, 0.0, split)).save(path)
    return path


def test_swings_after_it_are_as_right_as_with_the_poses(lesson, saved):
    recording, truth, split = lesson
    later = cut(recording, split, np.inf)
    assert later.poses == ()
    measured = measure_recording(later, calibration=saved)
    # the cut recording counts from its own first sample
    base = recording.streams[recording.first_role].t_s
    shift = float(base[base >= base[0] + split][0] - base[0])
    swings = [s | {"events": {k: v and v - shift for k, v in s["events"].items()}} for s in truth["swings"][1:]]
    scores = score(measured, truth | {"swings": swings}, recording=31, seconds=0.0)
    key = [v for v in scores.values if v["angle"] == "wrist_flexion"]
    errors = [v["error"] for v in key if v["event"] in ("address", "top", "shaft_level_down")]
    assert len(errors) == 6
    # the pose error is zero here, so the flat wrist of the poses is the truth (design of the bench)
    assert np.sqrt(np.mean(np.square(errors))) < 1.0
    within = [abs(v["error"]) <= v["u95"] for v in scores.values if v["u95"] is not None and v["u95"] == v["u95"]]
    assert len(within) > 60
    assert np.mean(within) > 0.85
    bare = measure_recording(later)
    assert "zero_guessed" in bare.swings[0].angles["wrist_flexion"]["top"].marks


@pytest.mark.parametrize("role", ["forearm", "hand", "club"])
def test_a_strap_that_was_put_on_anew_since_is_said_and_believed_no_more(lesson, saved, role):
    recording, truth, split = lesson
    later = cut(recording, split, np.inf)
    s = later.streams[role]
    turn = Rotation.from_rotvec(np.radians([5.0, -6.0, 5.0])).as_matrix()
    anew = replace(s, accel=s.accel @ turn, gyro=s.gyro @ turn)
    measured = measure_recording(replace(later, streams={**later.streams, role: anew}), calibration=saved)
    said = [w for w in measured.warnings if "otherwise than in the saved calibration" in w]
    assert len(said) == 1
    assert f"the {role} sensor sits" in said[0]
    for swing, true in zip(measured.swings, truth["swings"][1:], strict=True):
        assert swing.grade != "good"
        for angle in ("wrist_flexion", "wrist_deviation", "shaft_elevation"):
            got = swing.angles[angle]["top"]
            assert abs(got.value_deg - true["angles_deg"][angle]["top"]) < got.u95_deg


def test_recording_that_begins_in_the_middle_of_a_swing_still_gives_the_next(lesson, saved):
    """Started late, nothing before the club's first speed shows what is level: that swing is passed over."""
    recording, truth, _ = lesson
    begin = truth["swings"][1]["events"]["top"] + 0.1
    later = cut(recording, begin, np.inf)
    base = recording.streams[recording.first_role].t_s
    shift = float(base[base >= base[0] + begin][0] - base[0])
    swings = measure_recording(later, calibration=saved).swings
    assert [round(s.events["top"].t_s, 1) for s in swings] == [round(truth["swings"][2]["events"]["top"] - shift, 1)]


def test_its_uncertainty_holds_the_zero_of_the_poses(lesson, saved):
    """One flat wrist against a ruler errs by 3 deg a pose: no saving makes it less."""
    recording, _, split = lesson
    whole = measure_recording(recording).swings[1].angles["wrist_flexion"]["top"].u95_deg
    later = measure_recording(cut(recording, split, np.inf), calibration=saved)
    u95 = later.swings[0].angles["wrist_flexion"]["top"].u95_deg
    assert u95 == pytest.approx(whole, rel=0.25)
    assert u95 > 1.0


def test_file_keeps_every_number(lesson, saved):
    recording, _, split = lesson
    first = calibrate(cut(recording, 0.0, split))
    again = load_calibration(saved)
    assert [n for n, _ in again.names] == [n for n, _ in first.names]
    for name, value in first.values.items():
        if name in again.values:
            np.testing.assert_allclose(again.values[name], value, atol=1e-9)
    np.testing.assert_allclose(again.covariance, first.covariance, rtol=1e-9)
    assert again.sensors_part().mount == {}
    assert {"forearm", "hand", "club"} == set(again.mount)


def test_turned_strap_is_found_by_new_poses(lesson, saved):
    """The same recording with its forearm sensor turned by 25 deg about its own z: the poses show it."""
    recording, _, split = lesson
    first = cut(recording, 0.0, split)
    assert [w for w in measure_recording(first, calibration=saved).warnings if "strap" in w] == []
    a = np.radians(25)
    turn = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1]])
    s = first.streams["forearm"]
    moved = replace(s, accel=s.accel @ turn.T, gyro=s.gyro @ turn.T)
    turned = replace(first, streams=dict(first.streams) | {"forearm": moved})
    warnings = measure_recording(turned, calibration=saved).warnings
    assert any("the forearm sensor sits 2" in w and "strap" in w for w in warnings)
    assert not any("the hand sensor sits" in w for w in warnings)


def test_other_club_keeps_the_wrist_and_gives_up_the_face(lesson, saved):
    recording, _, split = lesson
    later = replace(cut(recording, split, np.inf), club="driver")
    swing = measure_recording(later, calibration=saved).swings[0]
    assert swing.angles["wrist_flexion"]["top"].value_deg is not None
    face = swing.angles["face_to_forearm"]["top"]
    assert face.value_deg is None
    assert "another club (7-iron)" in (face.reason or "")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (None, "no such calibration"),
        ("{", "cannot be read as a calibration"),
        ("[]", "is no calibration"),
        ('{"schema": "cupbow.calibration/1"}', "is damaged at"),
    ],
)
def test_bad_file_gets_one_line(tmp_path, lesson, text, says):
    path = tmp_path / "c.json"
    if text is not None:
        path.write_text(text, encoding="utf-8")
    with pytest.raises(CupbowError, match=says) as caught:
        measure_recording(lesson[0], calibration=path)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_damaged_numbers_are_refused(tmp_path, saved):
    document = json.loads(saved.read_text(encoding="utf-8"))
    document["covariance"][0][0] = -1.0
    path = tmp_path / "c.json"
    path.write_text(json.dumps(document), encoding="utf-8")
    with pytest.raises(CupbowError, match="covariance"):
        load_calibration(path)


def test_wrong_hand_is_refused(lesson, saved):
    recording, _, split = lesson
    later = replace(cut(recording, split, np.inf), handedness="left")
    with pytest.raises(CupbowError, match="left-handed, the saved calibration was made with a right-handed"):
        measure_recording(later, calibration=saved)


def test_recording_without_poses_makes_none(lesson):
    recording, _, split = lesson
    with pytest.raises(RecordingError, match="no poses to calibrate by"):
        calibrate(cut(recording, split, np.inf))


def test_command_saves_and_uses_it(tmp_path, lesson, capsys):
    from imu.cli import main

    made = tmp_path / "lesson"
    made.mkdir()
    make_recording(seed=31, session=replace(SESSION, n_swings=1)).write(made)
    assert main(["measure", str(made), "--keep-calibration", str(tmp_path / "straps.json")]) == 0
    assert load_calibration(tmp_path / "straps.json").has_mounting
    assert main(["measure", str(made), "--calibration", str(tmp_path / "straps.json"), "--json", "-"]) == 0
    capsys.readouterr()
    assert (
        main(["measure", str(made), "--calibration", str(tmp_path / "none.json")]) == measure_command.NOTHING_MEASURED
    )
    assert "no such calibration" in capsys.readouterr().err
