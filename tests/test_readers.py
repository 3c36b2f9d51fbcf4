"""Reading recordings: manifests, clocks, order of rows, hints, and files that are up to no good."""

from __future__ import annotations

import os
import subprocess
import sys
import time
import zipfile
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from imu.errors import CupbowError, RecordingError, UsageError
from imu.readers import files, read
from imu.recording import GRAVITY
from tests.loggers import G, columns, csv, motion, rows, text

M = motion(seconds=12, rate=100.0, seed=1)

MANIFEST = """\
handedness = "left"
club = "short iron"
recorded_at = 2026-05-03T10:12:00+01:00
weather = "windy"
[[sensor]]
role = "forearm"
file = "a.csv"
accel_unit = "m/s^2"
gyro_unit = "rad/s"
time_unit = "s"
accel_range = 156.9
[[sensor]]
role = "club"
file = "b.csv"
[[pose]]
name = "hang"
start = 1.0
end = 3.0
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "a.csv").write_text(csv(M))
    (tmp_path / "b.csv").write_text(csv(motion(seed=2), "time (s),accX,accY,accZ,gyrX,gyrY,gyrZ"))
    (tmp_path / "recording.toml").write_text(MANIFEST)
    return tmp_path


def one(tmp_path: Path, content: str, **hints: object):  # type: ignore[no-untyped-def]
    path = tmp_path / "hand.csv"
    path.write_text(content)
    return read(path, handed="right", **hints).streams["hand"]  # type: ignore[arg-type]


def body(t: np.ndarray, digits: int = 6, m=M) -> list[str]:  # type: ignore[no-untyped-def]
    cells = [text(t, digits), *(text(c) for c in columns(m.accel, m.gyro))]
    return rows(cells).splitlines()


HEADER = "time,ax,ay,az,gx,gy,gz\n"


# -- manifests ------------------------------------------------------------------------------------
def test_a_recording_folder(folder: Path) -> None:
    recording = read(folder)
    assert recording.handedness == "left"
    assert recording.club == "short iron"
    assert recording.recorded_at == datetime.fromisoformat("2026-05-03T10:12:00+01:00")
    assert list(recording.streams) == ["forearm", "club"]
    assert recording.first_role == "forearm"
    assert [(p.name, p.start_s, p.end_s) for p in recording.poses] == [("hang", 1.0, 3.0)]
    assert recording.extra == {"weather": "windy"}
    forearm, club = recording.streams["forearm"], recording.streams["club"]
    assert forearm.accel_range == pytest.approx(156.9)
    assert not forearm.units_inferred
    assert club.units_inferred
    np.testing.assert_allclose(forearm.accel, M.accel, atol=1e-6)
    assert read(folder / "recording.toml").handedness == "left"
    assert read(folder, handed="right").handedness == "right"


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('file = "a.csv"', 'file = "missing.csv"', ["missing.csv", "forearm"]),
        ('file = "a.csv"', "", ["file", "missing"]),
        ('file = "a.csv"', "file = 3", ["file", "3"]),
        ('file = "a.csv"', 'file = "../a.csv"', ["../a.csv", "leads out"]),
        ('file = "a.csv"', 'file = "/etc/passwd"', ["/etc/passwd", "leads out"]),
        ('role = "forearm"', 'role = "elbow"', ["elbow", "forearm"]),
        ('role = "forearm"', 'role = "club"', ["club", "2 times"]),
        ('role = "forearm"', "", ["role", "missing"]),
        ('role = "forearm"', "role = [1]", ["role"]),
        ('accel_unit = "m/s^2"', 'accel_unit = "furlong"', ["accel_unit", "furlong", "m/s^2"]),
        ('accel_unit = "m/s^2"', "accel_unit = 9.8", ["accel_unit", "9.8"]),
        ('accel_unit = "m/s^2"', 'acel_unit = "g"', ["acel_unit", "accel_unit"]),
        ('accel_unit = "m/s^2"', 'accel_unit = "g"', ["a.csv", "accel_unit", "m/s^2"]),
        ('gyro_unit = "rad/s"', 'gyro_unit = "deg/s"', ["a.csv", "gyro_unit", "rad/s"]),
        ('gyro_unit = "rad/s"', 'gyro_unit = "rpm"', ["gyro_unit", "rpm"]),
        ('time_unit = "s"', 'time_unit = "weeks"', ["time_unit", "weeks"]),
        ('time_unit = "s"', 'time_unit = "us"', ["a.csv", "time_unit", "us"]),
        ("accel_range = 156.9", "accel_range = -1", ["accel_range", "-1"]),
        ("accel_range = 156.9", 'accel_range = "big"', ["accel_range", "big"]),
        ("accel_range = 156.9", 'columns = {t = "t", ax = "nix"}', ["nix", "a.csv"]),
        ("accel_range = 156.9", 'columns = {tt = "t"}', ["tt"]),
        ('handedness = "left"', 'handedness = "both"', ["handedness", "both"]),
        ('handedness = "left"', "handedness = true", ["handedness"]),
        ('handedness = "left"', "", ["--handed"]),
        ("recorded_at = 2026-05-03T10:12:00+01:00", 'recorded_at = "May"', ["recorded_at", "May"]),
        ('club = "short iron"', "club = 7", ["club", "7"]),
        ('name = "hang"', 'name = "lotus"', ["lotus", "hang"]),
        ("start = 1.0", "start = 9.0", ["hang", "9"]),
        ("start = 1.0", "", ["start"]),
        ("end = 3.0", 'end = "late"', ["end", "late"]),
        ("end = 3.0", "end = nan", ["end"]),
        ('club = "short iron"', "club = short iron", ["TOML", "line 2"]),
        ("[[sensor]]", "[[sensors]]", ["[[sensor]]"]),
    ],
)
def test_a_manifest_that_lies_gets_one_clear_line(folder: Path, old: str, new: str, said: list[str]) -> None:
    manifest = MANIFEST.replace(old, new) if old == "[[sensor]]" else MANIFEST.replace(old, new, 1)
    (folder / "recording.toml").write_text(manifest)
    with pytest.raises(CupbowError) as fault:
        read(folder)
    line = str(fault.value)
    assert "\n" not in line
    for word in said:
        assert word in line, line


def test_manifest_for_apart_files_devices_and_rates(tmp_path: Path) -> None:
    (tmp_path / "acc.csv").write_text("time,x,y,z\n" + rows([text(c) for c in columns(M.t, M.accel)]))
    (tmp_path / "gyr.csv").write_text("time,x,y,z\n" + rows([text(c) for c in columns(M.t, M.gyro)]))
    (tmp_path / "two.csv").write_text(
        "device,ax,ay,az,gx,gy,gz\n"
        + "".join(
            f"{d}," + ",".join(f"{v:.6f}" for v in (*M.accel[i], *M.gyro[i])) + "\n"
            for i in range(len(M.t))
            for d in "pq"
        )
    )
    (tmp_path / "recording.toml").write_text(
        'handedness = "right"\n[[sensor]]\nrole = "forearm"\nfile = ["acc.csv", "gyr.csv"]\n'
        '[[sensor]]\nrole = "hand"\nfile = "two.csv"\ndevice = "q"\nrate = 100\n'
        '[[sensor]]\nrole = "club"\nfile = "two.csv"\ndevice = "p"\nrate = 100\n'
    )
    streams = read(tmp_path).streams
    assert list(streams) == ["forearm", "hand", "club"]
    for s in streams.values():
        np.testing.assert_allclose(s.t_s, M.t, atol=1e-6)
        np.testing.assert_allclose(s.gyro, M.gyro, atol=1e-6)
    (tmp_path / "recording.toml").write_text((tmp_path / "recording.toml").read_text().replace('device = "q"\n', ""))
    with pytest.raises(RecordingError, match=r"two\.csv.*2 sensors.*device"):
        read(tmp_path)


# -- clocks ---------------------------------------------------------------------------------------
@pytest.mark.parametrize(("unit", "scale", "start"), [("us", 1e6, 2**32 - 5_000_000), ("ms", 1e3, 2**32 - 5_000)])
def test_a_32_bit_counter_runs_over(tmp_path: Path, unit: str, scale: float, start: int) -> None:
    ticks = (start + np.round(M.t * scale)) % 2**32
    s = one(tmp_path, f"t_{unit},ax,ay,az,gx,gy,gz\n" + "\n".join(body(ticks, 0)) + "\n")
    np.testing.assert_allclose(np.diff(s.t_s), np.diff(M.t), atol=1e-6)
    assert any("ran over once" in n for n in s.notes)
    assert s.reordered_rows == 0


def test_a_32_bit_counter_in_seconds_and_a_packet_counter_run_over(tmp_path: Path) -> None:
    s = one(tmp_path, HEADER + "\n".join(body((4290.0 + M.t) % (2**32 / 1e6))) + "\n")
    np.testing.assert_allclose(np.diff(s.t_s), np.diff(M.t), atol=1e-6)
    counter = (65_500 + np.arange(len(M.t))) % 65_536
    s = one(tmp_path, "PacketCounter,ax,ay,az,gx,gy,gz\n" + "\n".join(body(counter, 0)) + "\n", rate=100.0)
    np.testing.assert_allclose(np.diff(s.t_s), np.diff(M.t), atol=1e-9)


def test_midnight(tmp_path: Path) -> None:
    seconds = (86_395.0 + M.t) % 86_400
    clock = [f"{int(x) // 3600:02d}:{int(x) // 60 % 60:02d}:{x % 60:06.3f}" for x in seconds + 1e-9]
    lines = [f"{c},{b.partition(',')[2]}" for c, b in zip(clock, body(M.t), strict=True)]
    s = one(tmp_path, HEADER + "\n".join(lines) + "\n")
    np.testing.assert_allclose(s.t_s, M.t, atol=1e-6)
    assert any("midnight" in n for n in s.notes)


def test_a_clock_that_was_set_back(tmp_path: Path) -> None:
    t = M.t + 100.0
    t[600:] -= 42.0
    s = one(tmp_path, HEADER + "\n".join(body(t)) + "\n")
    assert len(s) == len(t)
    np.testing.assert_allclose(np.diff(s.t_s), 0.01, atol=1e-6)
    assert any("set back by 42" in n and "row 601" in n for n in s.notes)
    np.testing.assert_allclose(s.gyro, M.gyro, atol=1e-6)  # in the order in which they were written


def test_rows_out_of_order_twice_and_cut(tmp_path: Path) -> None:
    lines = body(M.t)
    lines[300], lines[303] = lines[303], lines[300]
    lines.insert(500, lines[499])
    lines.insert(700, "NaN,1,2,3,4,5,6")
    lines.insert(800, "8.0,---,,inf,NaN,0,0")
    lines.insert(900, "# restarted")
    lines.append(lines[-1][:20])
    s = one(tmp_path, HEADER + "\n".join(lines))
    assert len(s) == len(M.t)
    assert s.reordered_rows == 3
    assert s.dropped_rows == 5
    np.testing.assert_allclose(s.t_s, M.t, atol=1e-6)
    np.testing.assert_allclose(s.gyro, M.gyro, atol=1e-6)


def test_batches_that_share_a_stamp_stay_whole(tmp_path: Path) -> None:
    batched = np.floor(np.arange(len(M.t)) / 5) * 0.05
    s = one(tmp_path, HEADER + "\n".join(body(batched)) + "\n")
    assert len(s) == len(M.t)
    assert s.dropped_rows == 0
    np.testing.assert_allclose(s.gyro, M.gyro, atol=1e-6)


def test_absolute_stamps_keep_the_relation_of_sensors(tmp_path: Path) -> None:
    start = 1_777_800_000.125
    for name, offset in (("forearm", 0.0), ("club", -0.75)):
        ticks = np.round((start + offset + M.t) * 1e3)
        (tmp_path / f"{name}.csv").write_text("timestamp,ax,ay,az,gx,gy,gz\n" + "\n".join(body(ticks, 0)) + "\n")
    recording = read(tmp_path, handed="right")
    assert recording.recorded_at == datetime.fromtimestamp(start, UTC)
    by_role = recording.streams
    assert by_role[recording.first_role].t_s[0] == 0.0
    shift = by_role["club"].t_s[0] - by_role["forearm"].t_s[0]
    assert shift == pytest.approx(-0.75, abs=1e-6)
    np.testing.assert_allclose(np.diff(by_role["club"].t_s), 0.01, atol=1e-6)


def test_stamps_of_their_own_are_kept_as_they_are(tmp_path: Path) -> None:
    s = one(tmp_path, HEADER + "\n".join(body(M.t + 81_234.5)) + "\n")
    np.testing.assert_allclose(s.t_s, M.t + 81_234.5, atol=1e-6)


# -- hints ----------------------------------------------------------------------------------------
def test_a_file_that_needs_a_hint_says_which(tmp_path: Path) -> None:
    bare = "ax,ay,az,gx,gy,gz\n" + rows([text(c) for c in columns(M.accel, M.gyro)])
    with pytest.raises(UsageError, match=r"hand\.csv: has no time column; give the sampling rate in Hz \(--rate 200\)"):
        one(tmp_path, bare)
    np.testing.assert_allclose(one(tmp_path, bare, rate=100.0).t_s, M.t, atol=1e-9)
    still = motion(peak=0.0)
    quiet = csv(still)
    with pytest.raises(UsageError, match=r"--gyro-unit"):
        one(tmp_path, quiet)
    assert one(tmp_path, quiet, gyro_unit="rad/s").gyro_unit == "rad/s"
    with pytest.raises(UsageError, match=r"--columns"):
        one(tmp_path, "when,p,q,r,u,v,w\n" + csv(M).partition("\n")[2])
    named = {"t": "when", "ax": "p", "ay": "q", "az": "r", "gx": "u", "gy": "v", "gz": 7}
    s = one(tmp_path, "when,p,q,r,u,v,w\n" + csv(M).partition("\n")[2], columns=named)
    np.testing.assert_allclose(s.accel, M.accel, atol=1e-6)
    path = tmp_path / "log.csv"
    path.write_text(csv(M))
    with pytest.raises(UsageError, match=r"--role"):
        read(path, handed="right")
    with pytest.raises(UsageError, match=r"--handed"):
        read(path, roles="hand")
    assert list(read(path, roles="club", handed="left").streams) == ["club"]


@pytest.mark.parametrize(
    "wrong",
    [{"accel_unit": "stone"}, {"rate": -1.0}, {"columns": {"qq": "a"}}, {"roles": "foot"}, {"handed": "both"}],
)
def test_a_wrong_hint_is_wrong_use(tmp_path: Path, wrong: dict[str, object]) -> None:
    (tmp_path / "hand.csv").write_text(csv(M))
    with pytest.raises(UsageError):
        read(tmp_path / "hand.csv", **{"handed": "right", **wrong})  # type: ignore[arg-type]


def test_a_phone_interface_with_the_other_sign(tmp_path: Path) -> None:
    """Core Motion gives gravity and user acceleration in g with the sign of minus the specific force
    (its documentation: a phone lying face up reads z = -1; from memory)."""
    linear = M.accel - M.gravity
    names = ["rotationRate", "userAcceleration", "gravity"]
    header = "timestamp," + ",".join(f"{n}.{x}" for n in names for x in "xyz")
    data = columns(M.t, M.gyro, -linear / G, -M.gravity / G)
    s = one(tmp_path, header + "\n" + rows([text(c, 7) for c in data]))
    np.testing.assert_allclose(s.accel, M.accel, atol=1e-5)
    assert s.has_gravity


# -- harm -----------------------------------------------------------------------------------------
def test_a_zip_bomb_is_left(tmp_path: Path) -> None:
    bomb = tmp_path / "bomb.zip"
    with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive, archive.open("a.csv", "w") as f:
        f.write(csv(M).encode())
        block = b"0,0,0,9.8,0,0,0\n" * 65_536
        for _ in range(120):
            f.write(block)
    began = time.monotonic()
    with pytest.raises(RecordingError, match=r"a\.csv: unpacks to over"):
        read(bomb, roles="hand", handed="right")
    assert time.monotonic() - began < 30
    with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as archive:
        for i in range(files.MAX_ENTRIES + 1):
            archive.writestr(f"{i}.csv", "")
    with pytest.raises(RecordingError, match="holds"):
        read(bomb)


def test_memory_stays_bounded_with_a_line_that_never_ends(tmp_path: Path) -> None:
    path = tmp_path / "line.csv"
    path.write_bytes(csv(M).encode() + b"1," * (24 << 20))
    with pytest.raises(RecordingError, match=r"line\.csv: has a line"):
        read(path, roles="hand", handed="right")
    path.write_bytes(b"7" * (2 << 20))
    with pytest.raises(RecordingError, match=r"line\.csv"):
        read(path, roles="hand", handed="right")


def test_hostile_names_reach_nothing_outside(tmp_path: Path) -> None:
    outside = tmp_path / "outside.csv"
    outside.write_text(csv(M))
    inside = tmp_path / "rec"
    inside.mkdir()
    (inside / "link.csv").symlink_to(outside)
    (inside / "hand.csv").write_text(csv(motion(seed=4)))
    os.mkfifo(inside / "pipe.csv")
    (inside / "x\x1b[31m\ny.csv").write_text("no\x00thing")
    s = read(inside, handed="right").streams["hand"]
    np.testing.assert_allclose(s.gyro, motion(seed=4).gyro, atol=1e-6)
    (inside / "recording.toml").write_text('handedness="right"\n[[sensor]]\nrole="hand"\nfile="link.csv"\n')
    with pytest.raises(RecordingError, match=r"link\.csv"):
        read(inside)
    archive = tmp_path / "evil.zip"
    with zipfile.ZipFile(archive, "w") as z:
        z.writestr("../../evil/hand.csv", csv(M))
    before = set(tmp_path.parent.iterdir())
    assert list(read(archive, handed="right").streams) == ["hand"]
    assert set(tmp_path.parent.iterdir()) == before
    with pytest.raises(RecordingError, match="neither a file nor a folder"):
        read(inside / "pipe.csv")
    with pytest.raises(CupbowError, match="is no file name"):
        read("a\0b")


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "is empty"),
        (b"\x89HDF\r\n\x1a\n" + b"\0" * 100, "HDF5"),
        (b"MATLAB 5.0 MAT-file, made by something", "MATLAB"),
        (b"PK\x03\x04" + b"\0" * 60, "damaged"),
        (b"PAR1" + b"\0" * 60, "Parquet"),
        (b"\x1f\x8b\x08" + b"\0" * 60, "damaged"),
        (b"hello\nworld\n", "no rows of numbers"),
        (b'{"accelerometer": [1, 2, 3]}\n', "no rows of numbers"),
        (b"t,ax,ay,az,gx,gy,gz\n", "no rows of numbers"),
    ],
)
def test_what_is_no_recording_says_so_in_one_line(tmp_path: Path, content: bytes, said: str) -> None:
    path = tmp_path / "hand.csv"
    path.write_bytes(content)
    with pytest.raises(RecordingError, match=said):
        read(path, handed="right")


def test_a_locked_archive(tmp_path: Path) -> None:
    path = tmp_path / "locked.zip"
    with zipfile.ZipFile(path, "w") as z:
        z.writestr("hand.csv", csv(M))
    data = bytearray(path.read_bytes())
    data[6] |= 1  # the flag for encryption, in the local and the central header
    data[data.rindex(b"PK\x01\x02") + 8] |= 1
    path.write_bytes(data)
    with pytest.raises(CupbowError, match="password"):
        read(path, handed="right")


def test_reading_loads_no_analysis_and_no_pandas(tmp_path: Path) -> None:
    (tmp_path / "hand.csv").write_text(csv(M))
    code = (
        "import sys; from imu.readers import read; "
        f"read({str(tmp_path / 'hand.csv')!r}, handed='right', accel_unit='m/s^2', gyro_unit='rad/s'); "
        "print([m for m in sys.modules if m == 'pandas' or m.split('.')[:2] in "
        "[['imu', x] for x in ('measure', 'swing', 'calibration', 'orientation', 'kinematics', 'timebase')]])"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"


def test_gravity_constant_is_the_standard_one() -> None:
    assert GRAVITY == G == 9.80665  # CGPM 1901


def test_stamps_that_are_an_accident(tmp_path: Path) -> None:
    """One far ahead, one far behind, three behind: left out, and nothing else is moved."""
    t = M.t + 50.0
    wrong = {200: 99_999.0, 400: 0.0, 700: 1.0, 701: 1.0, 702: 1.01}
    for i, value in wrong.items():
        t[i] = value
    s = one(tmp_path, HEADER + "\n".join(body(t)) + "\n")
    good = np.setdiff1d(np.arange(len(t)), list(wrong))
    np.testing.assert_allclose(s.t_s, M.t[good] + 50.0, atol=1e-6)
    np.testing.assert_allclose(s.gyro, M.gyro[good], atol=1e-6)
    assert s.dropped_rows == len(wrong)


def test_a_header_that_names_the_wrong_time_unit(tmp_path: Path) -> None:
    s = one(tmp_path, "time (s),ax,ay,az,gx,gy,gz\n" + "\n".join(body(M.t * 1e3, 0)) + "\n")
    np.testing.assert_allclose(s.t_s, M.t, atol=1e-6)
    assert any("doubtful" in n and "says s" in n for n in s.notes)


def test_an_8_bit_counter_runs_over_often(tmp_path: Path) -> None:
    s = one(tmp_path, "counter,ax,ay,az,gx,gy,gz\n" + "\n".join(body(np.arange(len(M.t)) % 256, 0)) + "\n", rate=100.0)
    np.testing.assert_allclose(s.t_s, M.t, atol=1e-9)


def test_the_wrong_column_for_time_is_refused(tmp_path: Path) -> None:
    noise = np.random.default_rng(0).permutation(len(M.t)) * 0.01
    with pytest.raises(CupbowError, match=r"hand\.csv.*time"):
        one(tmp_path, HEADER + "\n".join(body(noise)) + "\n")


def test_an_accelerometer_far_off_gravity_still_shows_its_unit(tmp_path: Path) -> None:
    """Boards as they come read 0.83 g at rest; the units lie ten times apart."""
    s = one(tmp_path, "t,ax,ay,az,gx,gy,gz\n" + rows([text(c) for c in columns(M.t, M.accel / G * 0.83, M.gyro)]))
    assert s.accel_unit == "g"
    np.testing.assert_allclose(s.accel, M.accel * 0.83, atol=1e-4)
    assert any("doubtful" in n and "17% off gravity" in n for n in s.notes)


def test_whole_milliseconds_near_1000_hz_are_no_counter(tmp_path: Path) -> None:
    """Stamps of 0, 1, 1, 2, 4 … ms: some shared, some skipped."""
    fast = motion(seconds=8, rate=1000.0, seed=2)
    stamps = np.floor(fast.t * 1000 + np.random.default_rng(1).uniform(0, 1.5, len(fast.t)))
    stamps = np.maximum.accumulate(stamps)
    s = one(tmp_path, HEADER + "\n".join(body(stamps, 0, fast)) + "\n")
    assert s.time_unit == "ms"
    assert (len(s) - 1) / (s.t_s[-1] - s.t_s[0]) == pytest.approx(1000, rel=0.01)
