"""One device by itself: six faces, known turns, what is recovered, what is refused, and use in a measurement.

The device is simulated by tests/bench (a known map and bias applied to exact motion); consumer errors are
gyro bias ±3 deg/s, scale ±1 %, cross-axis ±0.5 %, accelerometer ±40 mg and as much scale and cross-axis.
"""

from __future__ import annotations

import asyncio
import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

import imu.readers
from imu import sensor_calibration as sc
from imu.cli import main
from imu.commands.calibrate import guided
from imu.errors import CupbowError, RecordingError
from imu.measuring import measure_recording
from imu.readers.virtual import ReplaySource
from imu.recording import Recording
from tests.accuracy import FULL, short
from tests.bench import Errors, make_faces, make_recording
from tests.bench.devices import known_as
from tests.library_case import recording_folder

SEEDS = ((1, "forearm"), (2, "hand"), (4, "club"), (5, "forearm"))


def recorded(made, folder) -> Recording:
    return imu.readers.read(made.write(folder))


@pytest.fixture(scope="module")
def devices(tmp_path_factory):
    """Calibrations of four devices, and what is true of each."""
    out = []
    for seed, role in SEEDS:
        made = make_faces(seed=seed, role=role, errors=Errors.full(), turns=3, tipped=True)
        recording = recorded(made, tmp_path_factory.mktemp("faces"))
        stream = recording.streams[role]
        out.append((sc.calibrate_sensor(stream, device=f"device {seed}", worn=role), known_as(made.sensor.facts)))
    return out


def rms(values) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def test_known_errors_are_recovered(devices):
    """Against the errors as drawn: scale ±1 % (0.58 % rms), bias ±3 deg/s, ±0.39 m/s^2."""
    gyro_scale = rms([np.diag(c.gyro_matrix - t["gyro_matrix"]) for c, t in devices])
    gyro_cross = rms([(c.gyro_matrix - t["gyro_matrix"])[~np.eye(3, dtype=bool)] for c, t in devices])
    assert gyro_scale < 0.0015
    assert gyro_cross < 0.0025
    assert np.degrees(rms([c.gyro_bias - t["gyro_bias"] for c, t in devices])) < 0.03
    assert rms([c.accel_bias - t["accel_bias"] for c, t in devices]) < 0.005
    assert rms([np.diag(c.accel_matrix - t["accel_matrix"]) for c, t in devices]) < 0.0005
    low = np.tril_indices(3, -1)
    assert rms([(c.accel_matrix - t["accel_matrix"])[low] for c, t in devices]) < 0.002


def test_the_stated_uncertainty_holds(devices):
    z = []
    for c, true in devices:
        for name in ("gyro_matrix", "gyro_bias", "accel_bias"):
            z.append((getattr(c, name) - true[name]) / c.sd[name])
        z.append(np.diag(c.accel_matrix - true["accel_matrix"]) / c.sd["accel_matrix"][:3])
    flat = np.abs(np.concatenate([np.ravel(x) for x in z]))
    assert np.mean(flat < 1.96) >= 0.93
    assert np.mean(flat) > 0.1  # and it isn't merely wide


def test_it_is_kept_whole_and_read_back(devices, tmp_path, monkeypatch):
    monkeypatch.setenv(sc.FOLDER_VARIABLE, str(tmp_path))
    one = replace(devices[0][0], device='AA:01 "left"')
    path = one.save()
    assert path.parent == tmp_path
    assert [p.name for p in tmp_path.iterdir()] == [path.name]
    again = sc.load_sensor(path)
    assert (again.device, again.worn, again.made_at) == (one.device, one.worn, one.made_at)
    for name in ("gyro_bias", "gyro_matrix", "accel_bias", "accel_matrix", "covariance"):
        np.testing.assert_array_equal(getattr(again, name), getattr(one, name))


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("cupbow.sensor/1", "cupbow.calibration/1"), "no sensor's calibration"),
        (("gyro_bias_rad_s = [", "gyro_bias_rad_s = [nan, "), "gyro_bias_rad_s is not 3 numbers"),
        (("accel_matrix = [[", "accel_matrix = [[1.0, "), "accel_matrix is not 3 by 3 numbers"),
        (("device = ", "dev = "), "device is missing"),
        (("[", "("), "cannot be read"),
    ],
)
def test_a_damaged_file_is_one_line(devices, tmp_path, change, said):
    path = devices[0][0].save(tmp_path / "one.toml")
    path.write_text(path.read_text().replace(*change, 1))
    with pytest.raises(CupbowError, match="one.toml.*" + said) as fault:
        sc.load_sensor(path)
    assert "\n" not in str(fault.value)


# -- what is refused ---------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def clean(tmp_path_factory):
    """Six faces and single turns by a device at 200 Hz without losses, and when each was."""
    errors = replace(Errors.full(), rates_hz=(200.0,), stamps=("exact",), loss=0.0)
    made = make_faces(seed=7, role="club", errors=errors)
    return made, recorded(made, tmp_path_factory.mktemp("clean")).streams["club"]


def cut(stream, start, end):
    """Without the samples from start to end, later ones moved up."""
    t = stream.t_s - stream.t_s[0]
    keep = (t < start) | (t > end)
    moved = np.where(t > end, stream.t_s - (end - start), stream.t_s)
    return replace(stream, t_s=moved[keep], accel=stream.accel[keep], gyro=stream.gyro[keep])


def shaken(stream, start, end):
    """As if knocked to and fro between start and end."""
    t = stream.t_s - stream.t_s[0]
    at = (t > start) & (t < end)
    gyro = stream.gyro.copy()
    gyro[at] += 0.6 * np.sin(2 * np.pi * 3.0 * t[at])[:, None]
    return replace(stream, gyro=gyro)


def refusal(stream, **more) -> str:
    with pytest.raises(RecordingError) as fault:
        sc.calibrate_sensor(stream, device="d", **more)
    text = str(fault.value)
    assert "\n" not in text
    return text


def test_a_missing_face_is_named(clean):
    made, stream = clean
    hold = next(h for h in made.holds if h[0] == "-y")
    text = refusal(cut(stream, hold[1] - 0.9, hold[2] + 0.9))
    assert "it never lay with -y up; lay it down so and leave it for 2 s" in text
    assert text.startswith("club.csv: ")


def test_a_moved_face_is_named(clean):
    made, stream = clean
    hold = next(h for h in made.holds if h[0] == "-z")
    assert "with -z up it was moved; lay it down so" in refusal(shaken(stream, hold[1] + 0.5, hold[2] + 0.5))


def test_a_wrong_turn_is_named(clean):
    made, stream = clean
    axis, _, start, end = next(s for s in made.turns if s[0] == "y")
    t = stream.t_s - stream.t_s[0]
    slow = ((t > start) & (t < end))[:, None]
    short_by = np.where(slow, stream.gyro * (330.0 / 360.0), stream.gyro)
    assert axis == "y"
    text = refusal(replace(stream, gyro=short_by))
    assert "with +y up it was turned by 32" in text  # 330 by the true rate; this gyro reads 0.7 % less
    assert "whole turns" in text


def test_a_missing_turn_and_a_wrong_count(clean):
    made, stream = clean
    _, _, start, end = next(s for s in made.turns if s[0] == "x")
    assert "it was not turned about x" in refusal(cut(stream, start - 0.1, end + 0.1))
    assert "turned 1 times, not 3" in refusal(stream, turns=3)


def test_a_wrong_unit_is_told(clean):
    _, stream = clean
    text = refusal(replace(stream, accel=1.1 * stream.accel))
    assert "axis x reads 1.1" in text
    assert "unit" in text


# -- use ---------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def lesson(tmp_path_factory):
    """A recording of swings without functional motions, and a folder with its three devices' calibrations."""
    session = short()
    session = replace(session, poses=replace(session.poses, functional=False))
    made = make_recording(seed=3, errors=FULL.errors, session=session)
    recording = recorded(made, tmp_path_factory.mktemp("lesson"))
    folder = tmp_path_factory.mktemp("sensors")
    for role in recording.streams:
        faces = make_faces(seed=3, role=role, errors=FULL.errors, turns=3, tipped=True)
        stream = recorded(faces, tmp_path_factory.mktemp("faces")).streams[role]
        sc.calibrate_sensor(stream, device=f"id-{role}", worn=role).save(folder / f"{role}.toml")
    return recording, folder


def test_a_measurement_uses_it_and_knows_more(lesson):
    recording, folder = lesson
    without, with_it = measure_recording(recording), measure_recording(recording, calibration=folder)
    assert len(without.swings) == len(with_it.swings) == 2
    widths = [
        (
            a.angles["shaft_off_plane"]["shaft_level_down"].u95_deg,
            b.angles["shaft_off_plane"]["shaft_level_down"].u95_deg,
        )
        for a, b in zip(without.swings, with_it.swings, strict=True)
    ]
    assert all(b < a for a, b in widths)


def test_a_device_is_known_by_the_name_the_recording_has(lesson):
    recording, folder = lesson
    # recorded live, with hand and club sensor changed about since the calibration
    live = {"forearm": "Band, board, id-forearm", "hand": "Band, board, id-club", "club": "Band, board, id-other"}
    found = sc.for_recording(folder, replace(recording, extra={"live": live}))
    assert found.roles == ("forearm", "hand")
    np.testing.assert_array_equal(found.values["matrix:hand"], sc.load_sensor(folder / "club.toml").gyro_matrix)
    nobody = {"live": dict.fromkeys(live, "Band, board, id-new")}
    with pytest.raises(CupbowError, match=r"id-forearm.*does not name"):
        sc.for_recording(folder / "forearm.toml", replace(recording, extra=nobody))


def test_in_the_library_it_is_kept_with_the_recording_and_shares_no_zero(lesson, tmp_path):
    from imu.library import Library, filing
    from imu.library.depot import fetched
    from imu.library.measuring import calibration_name, task_for

    _, folder = lesson
    with Library.open(tmp_path / "library") as library:
        student = filing.add_student(library, name="Juno Abara", handedness="left")
        row = filing.add_recording(
            library, recording_folder(tmp_path / "lesson"), student_id=student.id, calibration=folder
        ).recording
        task = task_for(library, row)
        with fetched(task.calibration) as kept:
            assert {p.name for p in kept.iterdir()} == {"forearm.toml", "hand.toml", "club.toml"}
        # two lessons with the same sensors have each their own zero pose
        assert calibration_name(task) == row.id


def test_on_the_command_line(clean, tmp_path, monkeypatch, capsys):
    made, _ = clean
    monkeypatch.setenv(sc.FOLDER_VARIABLE, str(tmp_path / "sensors"))
    folder = made.write(tmp_path / "faces")
    assert main(["calibrate", str(folder)]) == 2
    assert "give --device NAME" in capsys.readouterr().err
    assert main(["calibrate", str(folder / "club.csv"), "--device", "AA:BB:01"]) == 0
    out = capsys.readouterr().out
    assert "gyro scale error" in out
    assert (tmp_path / "sensors" / "aa-bb-01.toml").exists()
    assert "tipped too seldom about y" in out
    assert main(["calibrate", "--list"]) == 0
    assert "AA:BB:01" in capsys.readouterr().out
    assert main(["calibrate", str(folder / "club.csv"), "--device", "x", "--turns", "2"]) == 3
    assert "turned 1 times, not 2" in capsys.readouterr().err


def test_the_guide_ends_when_all_has_been_seen(tmp_path):
    errors = replace(Errors.full(), rates_hz=(100.0,), stamps=("exact",), loss=0.0)
    recording = recorded(make_faces(seed=9, role="club", errors=errors, hold_s=2.7, tipped=True), tmp_path)
    said: list[str] = []
    stream = asyncio.run(guided(ReplaySource(recording, speed=math.inf), said.append, turns=1))
    assert "six faces" in said[0]
    whole = "\n".join(said[1:])
    for what in (
        "+x up: seen",
        "-z up: seen",
        "about y: 1 turn seen",
        "tipped about z: seen",
        "to do: it never lay with",
        "All is there.",
    ):
        assert what in whole
    sc.calibrate_sensor(stream, device="d")
    assert len(stream) <= len(recording.streams["club"])


def test_a_sensor_that_is_near_is_guided_and_saved_by_its_address(tmp_path, monkeypatch, capsys):
    """The command over a source that plays the device; Bluetooth itself has its own tests."""
    from imu.readers import ble

    errors = replace(Errors.full(), rates_hz=(100.0,), stamps=("exact",), loss=0.0)
    made = make_faces(seed=9, role="club", errors=errors, hold_s=2.7, tipped=True)
    recording = recorded(made, tmp_path / "faces")
    near = SimpleNamespace(name="arm-2", address="AA:01", usable=True, remark="", role=None)
    other = SimpleNamespace(name="lamp", address="AA:02", usable=False, remark="cannot be used", role=None)

    async def scan(known):
        return [near, other]

    monkeypatch.setattr(ble, "scan", scan)
    monkeypatch.setattr(ble, "BleSource", lambda assigned: ReplaySource(recording, speed=math.inf))
    monkeypatch.setenv(sc.FOLDER_VARIABLE, str(tmp_path / "sensors"))
    assert main(["calibrate", "--turns", "1"]) == 0
    assert "All is there." in capsys.readouterr().out
    one = sc.load_sensor(tmp_path / "sensors" / "aa-01.toml")
    assert (one.device, one.worn) == ("AA:01", None)
    assert np.degrees(np.abs(one.gyro_bias - known_as(made.sensor.facts)["gyro_bias"])).max() < 0.1
    assert main(["calibrate", "--sensor", "lamp"]) == 3
    assert main(["calibrate", "--sensor", "AA:09"]) == 2
    assert "not near" in capsys.readouterr().err
