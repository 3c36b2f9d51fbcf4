"""Any dialect reads back to the same samples, and nothing that is not sensor data does harm."""

from __future__ import annotations

import gzip
import io
import itertools
import os
import zipfile
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from imu.errors import CupbowError
from imu.inspection import inspect
from imu.readers import folders, read
from tests.loggers import G, Motion, columns, csv, motion, rows, text

MOTIONS = {100.0: motion(rate=100.0, seed=1), 200.0: motion(rate=200.0, seed=2)}
START = 1_777_800_000.25  # s since 1970

FUZZ = int(os.environ.get("CUPBOW_FUZZ", "0"))
"""Examples for each property, freshly drawn; unset, few and the same ones every time."""


def bounded(examples: int) -> settings:
    return settings(
        max_examples=FUZZ or examples, derandomize=not FUZZ, deadline=None, suppress_health_check=list(HealthCheck)
    )


ACCEL = {"m/s^2": (1.0, 5), "g": (1 / G, 6), "mg": (1000 / G, 3)}
GYRO = {"rad/s": (1.0, 6), "deg/s": (180 / np.pi, 4), "mdeg/s": (180_000 / np.pi, 1)}
NAMES = (
    ("t", "ax ay az", "gx gy gz"),
    ("time", "acc_x acc_y acc_z", "gyr_x gyr_y gyr_z"),
    ("Timestamp", "Accelerometer X|Accelerometer Y|Accelerometer Z", "Gyroscope X|Gyroscope Y|Gyroscope Z"),
    ("elapsed", "AccX AccY AccZ", "AsX AsY AsZ"),
    (
        "Time",
        "Acceleration x|Acceleration y|Acceleration z",
        "Angular velocity x|Angular velocity y|Angular velocity z",
    ),
    ("timestamp", "accelX accelY accelZ", "rotationRateX rotationRateY rotationRateZ"),
    ("ts", "hand.acc.x hand.acc.y hand.acc.z", "hand.gyro.x hand.gyro.y hand.gyro.z"),
    ("epoch", "gFx gFy gFz", "wx wy wz"),
)


def _split(names: str) -> list[str]:
    return names.split("|") if "|" in names else names.split()


@dataclass(frozen=True)
class Written:
    """How a file is written; every combination must read back."""

    rate: float
    names: tuple[str, str, str]
    delimiter: str
    decimal: str
    end: str
    encoding: str
    time: str
    accel_unit: str
    gyro_unit: str
    units_in: str
    preamble: int
    quoted: bool
    extra: int
    trailing: bool
    bad_rows: bool
    cut: bool


def stamps(m: Motion, how: str, decimal: str) -> list[str]:
    if how in ("s", "ms", "us", "ns"):
        return text(
            m.t * {"s": 1, "ms": 1e3, "us": 1e6, "ns": 1e9}[how], {"s": 6, "ms": 3, "us": 0, "ns": 0}[how], decimal
        )
    if how.startswith("epoch"):
        unit, digits = {"epoch_s": (1, 4), "epoch_ms": (1000, 0), "epoch_us": (10**6, 0), "epoch_ns": (10**9, 0)}[how]
        return text((m.t + START) * unit, digits, decimal)
    moments = [datetime.fromtimestamp(START, UTC) + timedelta(seconds=float(t)) for t in m.t]
    if how == "iso":
        return [f"{x:%Y-%m-%dT%H:%M:%S}.{x.microsecond:06d}Z" for x in moments]
    if how == "iso_zone":
        return [f"{x:%Y-%m-%d %H:%M:%S}.{x.microsecond // 1000:03d}+00:00" for x in moments]
    if how == "local":
        return [f"{x:%Y/%m/%d %H:%M:%S}.{x.microsecond // 1000:03d}" for x in moments]
    if how == "dotted":
        return [f"{x:%d.%m.%Y %H:%M:%S}.{x.microsecond // 1000:03d}" for x in moments]
    return [f"{x:%H:%M:%S}.{x.microsecond // 1000:03d}" for x in moments]


def write(w: Written) -> bytes:
    m = MOTIONS[w.rate]
    (sa, da), (sg, dg) = ACCEL[w.accel_unit], GYRO[w.gyro_unit]
    names = [w.names[0], *_split(w.names[1]), *_split(w.names[2])]
    cells = [stamps(m, w.time, w.decimal)]
    cells += [text(c * sa, da, w.decimal) for c in columns(m.accel)] + [
        text(c * sg, dg, w.decimal) for c in columns(m.gyro)
    ]
    unit_cells = [w.time if w.time in ("s", "ms", "us", "ns") else "", *[w.accel_unit] * 3, *[w.gyro_unit] * 3]
    if w.units_in == "header":
        names = [f"{n} ({u})" if u else n for n, u in zip(names, unit_cells, strict=True)]
    rng = np.random.default_rng(0)
    for k in range(w.extra):
        names.append(("temperature", "mag_x")[k])
        unit_cells.append("")
        cells.append(text(rng.normal(25, 1, len(m.t)), 2, w.decimal))
    if w.quoted:
        names = [f'"{n}"' for n in names]
        cells = [[f'"{c}"' for c in column] for column in cells]
    lines = [f"# made by a logger, line {k + 1}" for k in range(w.preamble)]
    lines.append(w.delimiter.join(names))
    if w.units_in == "row":
        lines.append(w.delimiter.join(unit_cells))
    head = "".join(line + w.end for line in lines)
    end = w.delimiter + w.end if w.trailing else w.end
    if w.trailing:
        head = head.replace(w.end, end)
    body = rows(cells, w.delimiter, end)
    out = body.split(w.end)
    if w.bad_rows:  # a row without numbers, one with a hole, one said twice
        hole = w.delimiter.join(["---"] * len(cells)) + (w.delimiter if w.trailing else "")
        out.insert(300, hole)
        out.insert(200, out[199])
    whole = head + w.end.join(out)
    if w.cut:
        whole = whole[: -len(out[-2]) // 2 - len(w.end)]
    return whole.encode(w.encoding)


TIMES = [
    "s",
    "ms",
    "us",
    "ns",
    "epoch_s",
    "epoch_ms",
    "epoch_us",
    "epoch_ns",
    "iso",
    "iso_zone",
    "local",
    "dotted",
    "day",
]
dialects = st.builds(
    Written,
    rate=st.sampled_from([100.0, 200.0]),
    names=st.sampled_from(NAMES),
    delimiter=st.sampled_from([",", ";", "\t", "|"]),
    decimal=st.sampled_from([".", ","]),
    end=st.sampled_from(["\n", "\r\n"]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "latin-1"]),
    time=st.sampled_from(
        [
            "s",
            "ms",
            "us",
            "ns",
            "epoch_s",
            "epoch_ms",
            "epoch_us",
            "epoch_ns",
            "iso",
            "iso_zone",
            "local",
            "dotted",
            "day",
        ]
    ),
    accel_unit=st.sampled_from(list(ACCEL)),
    gyro_unit=st.sampled_from(list(GYRO)),
    units_in=st.sampled_from(["header", "row", "nowhere"]),
    preamble=st.integers(0, 3),
    quoted=st.booleans(),
    extra=st.integers(0, 2),
    trailing=st.booleans(),
    bad_rows=st.booleans(),
    cut=st.booleans(),
).map(lambda w: w if w.delimiter != w.decimal or w.quoted else Written(**{**w.__dict__, "decimal": "."}))


@bounded(150)
@given(w=dialects)
def test_every_dialect_reads_back_to_the_same_samples(w: Written, tmp_path_factory: pytest.TempPathFactory) -> None:
    path = tmp_path_factory.mktemp("d") / "log.csv"
    path.write_bytes(write(w))
    m = MOTIONS[w.rate]
    s = read(path, roles="hand", handed="right").streams["hand"]
    n = len(m.t) - w.cut
    assert len(s) == n
    assert s.dropped_rows == 2 * w.bad_rows + w.cut
    resolution = {"us": 1e-6, "s": 1e-6}.get(w.time, 0.0006)
    np.testing.assert_allclose(s.t_s - s.t_s[0], m.t[:n] - m.t[0], atol=2 * resolution)
    np.testing.assert_allclose(s.accel, m.accel[:n], atol=G * 1e-5)
    np.testing.assert_allclose(s.gyro, m.gyro[:n], atol=2e-6)
    assert s.accel_unit == w.accel_unit
    assert s.gyro_unit == w.gyro_unit
    assert s.units_inferred == (w.units_in == "nowhere")
    path.unlink()


@pytest.mark.parametrize("packing", ["plain", "gz", "zip", "folder in a zip", "parquet"])
def test_the_same_samples_however_they_are_packed(tmp_path: Path, packing: str) -> None:
    m = MOTIONS[100.0]
    data = csv(m)
    path = tmp_path / "hand.csv"
    if packing == "plain":
        path.write_text(data)
    elif packing == "gz":
        path = tmp_path / "hand.csv.gz"
        path.write_bytes(gzip.compress(data.encode()))
    elif packing == "parquet":
        import pandas as pd

        path = tmp_path / "hand.parquet"
        pd.read_csv(io.StringIO(data)).to_parquet(path)
    else:
        path = tmp_path / "lesson.zip"
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("lesson/hand.csv" if "folder" in packing else "hand.csv", data)
            if "folder" in packing:
                archive.writestr(
                    "lesson/recording.toml", 'handedness = "left"\n[[sensor]]\nrole = "club"\nfile = "hand.csv"\n'
                )
    recording = read(path, handed=None if "folder" in packing else "right")
    assert list(recording.streams) == (["club"] if "folder" in packing else ["hand"])
    (s,) = recording.streams.values()
    np.testing.assert_allclose(s.accel, m.accel, atol=1e-6)
    np.testing.assert_allclose(s.t_s, m.t, atol=1e-6)


def test_blanks_between_columns(tmp_path: Path) -> None:
    m = MOTIONS[100.0]
    lines = rows([text(c, 5) for c in columns(m.t, m.accel, m.gyro)], "   ")
    (tmp_path / "hand.txt").write_text(
        "  time  ax   ay az gx  gy gz\n" + "".join(f"  {x}\n" for x in lines.splitlines())
    )
    s = read(tmp_path / "hand.txt", handed="right").streams["hand"]
    np.testing.assert_allclose(s.gyro, m.gyro, atol=1e-5)


def test_no_header_at_all(tmp_path: Path) -> None:
    m = MOTIONS[100.0]
    (tmp_path / "hand.csv").write_text(csv(m).partition("\n")[2])
    s = read(tmp_path / "hand.csv", handed="right").streams["hand"]
    np.testing.assert_allclose(s.accel, m.accel, atol=1e-6)
    np.testing.assert_allclose(s.gyro, m.gyro, atol=1e-6)
    assert s.units_inferred


def test_no_header_and_the_gyroscope_first(tmp_path: Path) -> None:
    m = MOTIONS[100.0]
    (tmp_path / "hand.csv").write_text(rows([text(c) for c in columns(m.t * 1000, m.gyro, m.accel / G)]))
    s = read(tmp_path / "hand.csv", handed="right").streams["hand"]
    np.testing.assert_allclose(s.accel, m.accel, atol=2e-5)
    np.testing.assert_allclose(s.gyro, m.gyro, atol=1e-6)


def test_raw_counts_of_usual_sensitivities(tmp_path: Path) -> None:
    """16384 counts/g and 131 counts per deg/s: 2**15 over 2 g and 250 deg/s."""
    m = MOTIONS[200.0]
    counts = [np.round(m.accel / G * 16384), np.round(np.degrees(m.gyro) * 131.072)]
    (tmp_path / "hand.csv").write_text(
        "millis,ax,ay,az,gx,gy,gz\n" + rows([text(c, 0) for c in columns(m.t * 1000, *counts)])
    )
    recording = read(tmp_path / "hand.csv", handed="right")
    s = recording.streams["hand"]
    assert (s.accel_unit, s.gyro_unit) == ("counts", "counts")
    np.testing.assert_allclose(s.accel, m.accel, atol=0.01)
    np.testing.assert_allclose(s.gyro, m.gyro, atol=0.01)
    assert sum("doubtful" in n for n in s.notes) >= 2
    told = read(tmp_path / "hand.csv", handed="right", accel_sensitivity=8192, gyro_sensitivity=65.536).streams["hand"]
    np.testing.assert_allclose(told.accel, 2 * m.accel, atol=0.02)
    np.testing.assert_allclose(told.gyro, 2 * m.gyro, atol=0.02)


def test_one_wide_file_with_a_prefix_for_each_sensor(tmp_path: Path) -> None:
    a, b = motion(seed=3), motion(seed=4)
    names = ["time"] + [
        f"{p}_{q}_{x}" for p, q in itertools.product(("forearm", "club"), ("acc", "gyr")) for x in "xyz"
    ]
    (tmp_path / "all.csv").write_text(
        ",".join(names) + "\n" + rows([text(c) for c in columns(a.t, a.accel, a.gyro, b.accel, b.gyro)])
    )
    streams = read(tmp_path / "all.csv", handed="right").streams
    assert list(streams) == ["forearm", "club"]
    np.testing.assert_allclose(streams["forearm"].gyro, a.gyro, atol=1e-6)
    np.testing.assert_allclose(streams["club"].accel, b.accel, atol=1e-6)


def test_one_file_with_a_sensor_column(tmp_path: Path) -> None:
    parts = {"dev-1": motion(seed=5), "dev-2": motion(seed=6)}
    body = []
    for i in range(len(parts["dev-1"].t)):
        for name, m in parts.items():
            body.append(f"{name},{m.t[i]:.3f}," + ",".join(f"{v:.6f}" for v in (*m.accel[i], *m.gyro[i])))
    (tmp_path / "all.csv").write_text("device,time,ax,ay,az,gx,gy,gz\n" + "\n".join(body) + "\n")
    with pytest.raises(CupbowError, match=r"dev-1.*dev-2.*--role dev-1=hand --role dev-2=hand"):
        read(tmp_path / "all.csv", handed="right")
    streams = read(tmp_path / "all.csv", handed="right", roles={"dev-2": "hand", "dev-1": "forearm"}).streams
    np.testing.assert_allclose(streams["hand"].gyro, parts["dev-2"].gyro, atol=1e-6)
    np.testing.assert_allclose(streams["forearm"].accel, parts["dev-1"].accel, atol=1e-6)


def test_a_row_for_each_quantity(tmp_path: Path) -> None:
    m = MOTIONS[100.0]
    body = "".join(
        f"{t * 1e9:.0f},{kind},{v[0]:.6f},{v[1]:.6f},{v[2]:.6f}\n"
        for i, t in enumerate(m.t)
        for kind, v in (("accelerometer", m.accel[i]), ("gyroscope", m.gyro[i]), ("magnetic_field", m.accel[i]))
    )
    (tmp_path / "hand.csv").write_text("timestamp_ns,sensor,x,y,z\n" + body)
    s = read(tmp_path / "hand.csv", handed="right").streams["hand"]
    np.testing.assert_allclose(s.accel, m.accel, atol=1e-6)
    np.testing.assert_allclose(s.gyro, m.gyro, atol=1e-6)


def test_a_file_for_each_quantity_at_times_of_its_own(tmp_path: Path) -> None:
    m, later = motion(rate=100.0, seed=7), 0.0041
    accel = csv(m, "time,x,y,z,u,v,w")
    (tmp_path / "Accelerometer.csv").write_text(accel.replace("time,x,y,z,u,v,w", "time,x,y,z,u,v,w"))
    lines = rows([text(c) for c in columns(m.t, m.accel)])
    keep = [x for i, x in enumerate(lines.splitlines()) if not 500 <= i < 530]  # 0.3 s without acceleration
    (tmp_path / "Accelerometer.csv").write_text("time,x,y,z\n" + "\n".join(keep) + "\n")
    (tmp_path / "Gyroscope.csv").write_text("time,x,y,z\n" + rows([text(c) for c in columns(m.t + later, m.gyro)]))
    s = read(tmp_path, handed="right", roles="hand").streams["hand"]
    assert any("straight lines" in n for n in s.notes)
    gap = (s.t_s > m.t[499]) & (s.t_s < m.t[530])
    assert not gap.any()  # nothing is made up where the accelerometer was silent
    assert s.dropped_rows == 31 + 1  # in the gap, and after the accelerometer's end
    want = np.stack([np.interp(s.t_s, m.t, m.accel[:, k]) for k in range(3)], axis=1)
    np.testing.assert_allclose(s.accel, want, atol=1e-5)
    rate = np.stack([np.interp(s.t_s - later, m.t, m.gyro[:, k]) for k in range(3)], axis=1)
    np.testing.assert_allclose(s.gyro, rate, atol=1e-5)


def test_gravity_in_a_file_beside_linear_acceleration(tmp_path: Path) -> None:
    m = MOTIONS[100.0]
    for name, v in (("Accelerometer", m.accel - m.gravity), ("Gravity", m.gravity), ("Gyroscope", m.gyro)):
        (tmp_path / f"{name}.csv").write_text("time,z,y,x\n" + rows([text(c) for c in columns(m.t, v[:, ::-1])]))
    s = read(tmp_path, handed="left", roles="hand").streams["hand"]
    assert s.has_gravity
    np.testing.assert_allclose(s.accel, m.accel, atol=1e-5)


def test_linear_acceleration_is_recognised(tmp_path: Path) -> None:
    m = MOTIONS[100.0]
    bare = Motion(m.t, m.accel - m.gravity, m.gyro, m.gravity)
    for name in (
        "linear_x,linear_y,linear_z",
        "ax,ay,az",
        "User Acceleration X (g),User Acceleration Y (g),User Acceleration Z (g)",
    ):
        (tmp_path / "hand.csv").write_text(csv(bare, f"t,{name},gx (rad/s),gy (rad/s),gz (rad/s)"))
        s = read(tmp_path / "hand.csv", handed="right").streams["hand"]
        assert not s.has_gravity, name
        (report,) = inspect(tmp_path / "hand.csv").streams
        assert any("without gravity" in d for d in report.doubts)
        assert report.gravity_still_m_s2 is None


# -- fuzz ---------------------------------------------------------------------------------------
def _only_one_clear_line(path: Path) -> None:
    for look in (lambda: read(path, roles="hand", handed="right"), lambda: inspect(path)):
        fault = ""
        try:
            look()
        except CupbowError as error:
            fault = str(error)
        assert "\n" not in fault
        assert not fault or 10 < len(fault) < 700


@bounded(120)
@given(data=st.binary(max_size=3000), ending=st.sampled_from(["csv", "zip", "gz", "parquet", "txt"]))
def test_random_bytes_give_one_clear_line(data: bytes, ending: str, tmp_path_factory: pytest.TempPathFactory) -> None:
    path = tmp_path_factory.getbasetemp() / f"fuzz.{ending}"
    path.write_bytes(data)
    _only_one_clear_line(path)


_SEEDS = [
    csv(MOTIONS[100.0]).encode()[:6000],
    write(
        Written(100.0, NAMES[2], ";", ",", "\r\n", "utf-16", "iso", "g", "deg/s", "row", 2, True, 1, True, True, True)
    )[:6000],
    gzip.compress(csv(MOTIONS[100.0]).encode()[:6000]),
]


@bounded(150)
@given(
    which=st.integers(0, len(_SEEDS) - 1),
    edits=st.lists(st.tuples(st.floats(0, 1), st.binary(max_size=12), st.integers(0, 60)), max_size=6),
    end=st.floats(0.01, 1),
)
def test_damaged_files_give_samples_or_one_clear_line(
    which: int, edits: list[tuple[float, bytes, int]], end: float, tmp_path_factory: pytest.TempPathFactory
) -> None:
    data = _SEEDS[which][: int(len(_SEEDS[which]) * end)]
    for place, new, gone in edits:
        at = int(place * len(data))
        data = data[:at] + new + data[at + gone :]
    path = tmp_path_factory.getbasetemp() / "damaged.csv"
    path.write_bytes(data)
    _only_one_clear_line(path)


@bounded(150)
@given(content=st.text(alphabet='0123456789.,;:-+eE \t\n"#|()xyzagT/nN', max_size=1500))
def test_text_of_the_right_letters_gives_samples_or_one_clear_line(
    content: str, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.getbasetemp() / "letters.csv"
    path.write_text(content)
    _only_one_clear_line(path)


def test_fuzzed_manifests_give_one_clear_line(tmp_path: Path) -> None:
    (tmp_path / "hand.csv").write_text(csv(MOTIONS[100.0]))
    good = (
        'handedness = "right"\nclub = "iron"\nrecorded_at = 2026-05-03T10:12:00Z\n'
        '[[sensor]]\nrole = "hand"\nfile = "hand.csv"\naccel_unit = "m/s^2"\naccel_range = 156.9\n'
        '[[pose]]\nname = "hang"\nstart = 1.0\nend = 2.0\n'
    )
    rng = np.random.default_rng(5)
    values = [
        "1",
        "-1",
        "true",
        '"x"',
        "[]",
        "{}",
        "nan",
        "inf",
        "[[1]]",
        "1979-05-27",
        '"\\u0000"',
        '"../../x"',
        "1e400",
    ]
    faults = 0
    for _ in range(300):
        lines = good.splitlines()
        i = rng.integers(len(lines))
        if "=" in lines[i] and rng.random() < 0.8:
            lines[i] = lines[i].split("=")[0] + "= " + values[rng.integers(len(values))]
        else:
            del lines[i]
        (tmp_path / "recording.toml").write_text("\n".join(lines))
        fault = ""
        try:
            folders.understand(tmp_path)
        except CupbowError as error:
            fault = str(error)
        assert "\n" not in fault
        faults += bool(fault)
    assert faults > 100
