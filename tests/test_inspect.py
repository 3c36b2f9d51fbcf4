"""`inspect`: what was understood, what is doubtful, and a manifest that measures the same."""

from __future__ import annotations

import json
import os
import stat
import time
from pathlib import Path

import numpy as np
import pytest

from imu.cli import main
from imu.errors import UsageError
from imu.inbox import KEPT_S, Inbox
from imu.inspection import cadence, clipped, inspect, safe_name, save
from imu.readers import read
from tests.loggers import G, columns, csv, motion, rows, text

M = motion(seed=3)


def test_json_of_a_bare_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "log.csv"
    path.write_text(
        "Time (ms),AccX,AccY,AccZ,GyrX,GyrY,GyrZ\n" + rows([text(c) for c in columns(M.t * 1e3, M.accel / G, M.gyro)])
    )
    assert main(["inspect", str(path), "--json", "-"]) == 0
    out = json.loads(capsys.readouterr().out)
    assert out["needs"] == []
    (s,) = out["streams"]
    wanted = "role source rate_hz samples dropped_rows accel_unit gyro_unit time_unit gravity_still_m_s2 has_gravity"
    assert set(wanted.split()) | {"clipped_gyro", "notes"} <= set(s)
    assert s["role"] is None
    assert (s["accel_unit"], s["gyro_unit"], s["time_unit"]) == ("g", "rad/s", "ms")
    assert s["rate_hz"] == pytest.approx(100, rel=1e-3)
    assert s["gravity_still_m_s2"] == pytest.approx(9.80665, rel=5e-3)
    assert any("--handed" in line for line in out["to_measure"])


def test_a_needed_hint_is_one_line_and_exit_3(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "log.csv"
    path.write_text("ax,ay,az,gx,gy,gz\n" + rows([text(c) for c in columns(M.accel, M.gyro)]))
    assert main(["inspect", str(path), "--json", str(tmp_path / "out.json")]) == 3
    err = capsys.readouterr().err.strip()
    assert err.count("\n") == 0
    assert "--rate" in err
    assert json.loads((tmp_path / "out.json").read_text())["needs"] == [err.removeprefix("cupbow inspect: ")]
    assert main(["inspect", str(path), "--rate", "100"]) == 0


def test_a_written_manifest_reads_back_to_the_same(tmp_path: Path) -> None:
    folder = tmp_path / "lesson"
    folder.mkdir()
    other = motion(seed=4)
    names = "stamp " + " ".join(f"{d}:{q}{x}" for d in ("left", "right") for q in ("acc", "gyr") for x in "xyz")
    (folder / 'odd "name".csv').write_text(
        names.replace(" ", ",") + "\n" + rows([text(c) for c in columns(M.t, M.accel, M.gyro, other.accel, other.gyro)])
    )
    roles = {"left": "hand", "right": "forearm"}
    straight = read(folder, handed="left", roles=roles)  # type: ignore[arg-type]
    found = inspect(folder, handed="left", roles=roles)  # type: ignore[arg-type]
    (folder / "recording.toml").write_text(found.manifest())
    again = read(folder)
    assert again.handedness == "left"
    assert set(again.streams) == set(straight.streams) == {"hand", "forearm"}
    for role, s in straight.streams.items():
        np.testing.assert_array_equal(again.streams[role].t_s, s.t_s)
        np.testing.assert_array_equal(again.streams[role].accel, s.accel)
        np.testing.assert_array_equal(again.streams[role].gyro, s.gyro)


def test_write_leaves_a_manifest_that_is_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "hand.csv").write_text(csv(M))
    assert main(["inspect", str(tmp_path), "--handed", "right", "--write"]) == 0
    written = (tmp_path / "recording.toml").read_text()
    assert 'role = "hand"' in written
    assert main(["inspect", str(tmp_path), "--handed", "left", "--write"]) == 2
    assert (tmp_path / "recording.toml").read_text() == written
    assert "is there already" in capsys.readouterr().err


def test_save_makes_a_recording_or_nothing(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text(csv(M))
    found = inspect(path)
    with pytest.raises(UsageError, match=r"--role"):
        save(found, tmp_path / "new" / "lesson")
    assert not (tmp_path / "new" / "lesson").exists()
    assert list(tmp_path.iterdir()) == [path]
    place = save(found, tmp_path / "new" / "lesson", handed="left", roles={"log": "club"}, club="wedge")
    recording = read(place)
    assert (recording.handedness, recording.club, list(recording.streams)) == ("left", "wedge", ["club"])
    assert (place / "log.csv").read_bytes() == path.read_bytes()
    with pytest.raises(UsageError, match="there already"):
        save(found, place, handed="left", roles={"log": "club"})


@pytest.mark.parametrize(
    ("name", "kept"),
    [
        ("../../etc/passwd", "passwd"),
        ("C:\\temp\\a.csv", "a.csv"),
        ("a\x00b\n.csv", "a_b_.csv"),
        ("...", "data_file.csv"),
        ("con.csv", "data_con.csv"),
        ("recording.toml", "data_recording.toml"),
        (".hidden", "hidden"),
        ("x" * 300 + ".csv", "x" * 96 + ".csv"),
        ("Müller 1.csv", "Müller 1.csv"),
    ],
)
def test_names_of_uploads_are_made_safe(name: str, kept: str) -> None:
    assert safe_name(name) == kept


def test_doubts(tmp_path: Path) -> None:
    def doubts(m_accel: np.ndarray, m_gyro: np.ndarray, t: np.ndarray = M.t) -> str:
        (tmp_path / "hand.csv").write_text(
            "t,ax,ay,az,gx (rad/s),gy (rad/s),gz (rad/s)\n" + rows([text(c) for c in columns(t, m_accel, m_gyro)])
        )
        return " ".join(inspect(tmp_path / "hand.csv").streams[0].doubts)

    assert doubts(M.accel, M.gyro) == ""
    assert "y reversed" in doubts(M.accel, M.gyro * [1, -1, 1])
    assert "off gravity" in doubts(M.accel * 1.08, M.gyro)
    assert "slow for a swing" in doubts(M.accel[::3], M.gyro[::3], M.t[::3])
    held = np.repeat(M.gyro[::2], 2, axis=0)
    assert "its own rate is below" in doubts(M.accel, held)


def test_which_sensor_moves_like_which_role(tmp_path: Path) -> None:
    """Hand and club turn as one body, the club's sensor farther from the wrist; the forearm turns
    less. Roles are told from that, and a wrong name is doubted."""
    club = motion(seed=6, peak=12.0)
    forearm = motion(seed=9, peak=5.0)
    hand_accel = club.gravity + 0.3 * np.abs(club.gyro) ** 2
    club_accel = club.gravity + 0.9 * np.abs(club.gyro) ** 2
    for name, m_t, accel, gyro in (
        ("a", club.t, hand_accel, club.gyro),
        ("b", club.t, club_accel, club.gyro * 1.001),
        ("c", forearm.t, forearm.accel, forearm.gyro),
    ):
        (tmp_path / f"{name}.csv").write_text(
            "t,ax,ay,az,gx,gy,gz\n" + rows([text(c) for c in columns(m_t, accel, gyro)])
        )
    found = inspect(tmp_path)
    assert {s.label: s.looks_like for s in found.streams} == {"a": "hand", "b": "club", "c": "forearm"}
    assert all(s.role is None for s in found.streams)
    named = inspect(tmp_path, roles={"a": "club", "b": "hand", "c": "forearm"})
    assert sum("moves like" in d for s in named.streams for d in s.doubts) == 2


def test_cadence_and_clipping() -> None:
    t = np.delete(np.arange(1000) / 200.0, np.arange(400, 440))
    rate, gaps, longest = cadence(t)
    assert (rate, gaps, longest) == (pytest.approx(200), 1, pytest.approx(0.205))
    rate, gaps, _ = cadence(np.floor(np.arange(1000) / 4) * 0.02)
    assert (rate, gaps) == (pytest.approx(200, rel=0.01), 0)
    gyro = np.zeros((100, 3))
    gyro[:, 0] = np.linspace(0, 45, 100)
    limit = np.radians(2000)
    assert clipped(np.minimum(gyro, limit), None, (limit,)) == int((gyro[:, 0] >= limit).sum())
    assert clipped(gyro, None, (limit,)) == 0
    assert clipped(np.minimum(gyro, 20.0), 20.0, ()) == int((gyro[:, 0] >= 19.95).sum())


def test_preview_keeps_the_peaks(tmp_path: Path) -> None:
    (tmp_path / "hand.csv").write_text(csv(M))
    t, accel, rate = inspect(tmp_path / "hand.csv").preview(0, points=100)
    assert len(t) == len(accel) == len(rate) <= 110
    assert np.linalg.norm(rate, axis=1).max() == pytest.approx(
        np.degrees(np.linalg.norm(M.gyro, axis=1).max()), rel=1e-4
    )


def test_uploads_are_bounded_and_kept_out_of_the_way(tmp_path: Path) -> None:
    inbox = Inbox.new(tmp_path / "in", most_bytes=200_000, most_files=3)
    assert stat.S_IMODE(inbox.path.stat().st_mode) == 0o700
    data = csv(M).encode()
    first = inbox.add("../../hand.csv", [data[:100], data[100:]])
    assert first == inbox.path / "hand.csv"
    assert stat.S_IMODE(first.stat().st_mode) & 0o111 == 0
    assert inbox.target == first
    assert inbox.add("HAND.CSV", [b"x"]).name == "HAND-2.CSV"
    with pytest.raises(UsageError, match="limit"):
        inbox.add("big.csv", (b"0" * 65_536 for _ in range(1 << 30)))
    assert len(list(inbox.path.iterdir())) == 2  # nothing half is left
    inbox.add("c.csv", [b"1"])
    with pytest.raises(UsageError, match="over 3 files"):
        inbox.add("d.csv", [b"1"])
    again = Inbox.again(tmp_path / "in", inbox.key)
    assert inspect(again.target).streams[0].role == "hand"
    for key in ("..", "", "nope", inbox.key + "/.."):
        with pytest.raises(UsageError, match="no longer kept"):
            Inbox.again(tmp_path / "in", key)
    old = time.time() - KEPT_S - 60
    os.utime(inbox.path, (old, old))
    other = Inbox.new(tmp_path / "in")
    assert not inbox.path.exists()
    other.discard()
    assert list((tmp_path / "in").iterdir()) == []
