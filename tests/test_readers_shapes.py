"""The shapes in which phones, boards, suites and public data sets keep one and the same motion.

The shapes follow openly documented exports and data sets (described, not named); the numbers are
the motion of `tests.loggers`.
"""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import numpy as np
import pytest

from imu.inspection import inspect
from imu.readers import channels, folders
from tests.loggers import G, columns, motion, rows, text

M = motion(seconds=14, rate=100.0, seed=1)
D = 180 / np.pi
N = len(M.t)
LINEAR = M.accel - M.gravity
ZERO, ONE = np.zeros(N), np.ones(N)
MAGNETIC = np.random.default_rng(1).normal([20.0, -5.0, 40.0], 0.3, (N, 3))
EPOCH_NS = 1_777_800_000_000_000_000
NS = [f"{EPOCH_NS + round(t * 1e9)}" for t in M.t]
MS = [f"{round(t * 1e3)}" for t in M.t]
COUNT = [str(i) for i in range(N)]


def table(header: str, *cells: object, delimiter: str = ",", end: str = "\n", digits: int = 6) -> str:
    out: list[list[str]] = []
    for c in cells:
        out += [c] if isinstance(c, list) else [text(v, digits) for v in columns(np.asarray(c))]
    return header + rows(out, delimiter, end)


def zipped(**files: str) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            archive.writestr(name.replace("__", "/") + ".csv", content)
    return out.getvalue()


def xyz(pattern: str, order: str = "xyz", sep: str = ",") -> str:
    return sep.join(pattern.replace("@", c).replace("^", c.upper()) for c in order)


def events(*kinds: tuple[str, np.ndarray]) -> str:
    """A row for each quantity as it comes, rows of other kinds and lengths between them."""
    out = "% log of an application\n% ACCE;AppTime(s);SensorTime(s);Acc_X(m/s^2);Acc_Y(m/s^2);Acc_Z(m/s^2);Accuracy\n"
    for i, t in enumerate(M.t):
        for kind, v in kinds:
            stamp = f"{t:.3f}"
            out += f"{kind};{stamp};{stamp};{v[i, 0]:.6f};{v[i, 1]:.6f};{v[i, 2]:.6f};3\n"
        if i % 5 == 0:
            out += f"PRES;{t:.3f};{t:.3f};950.1;0\nAHRS;{t:.3f};{t:.3f};1;2;3;0.1;0.2;0.3;3\n"
    return out


SHAPES: dict[str, tuple[str, str | bytes]] = {
    "a phone's zip, a file a quantity, with notes beside": (
        "zip",
        zipped(
            Accelerometer=table(f'"Time (s)",{xyz(chr(34) + "^ (m/s^2)" + chr(34))}\n', M.t, M.accel),
            Gyroscope=table(f'"Time (s)",{xyz(chr(34) + "^ (rad/s)" + chr(34))}\n', M.t, M.gyro),
            meta__device='"property","value"\n"version","1.1"\n',
        ),
    ),
    "a phone's zip, z before x, total and linear acceleration": (
        "zip",
        zipped(
            Accelerometer=table("time,seconds_elapsed,z,y,x\n", NS, M.t, LINEAR[:, ::-1]),
            TotalAcceleration=table("time,seconds_elapsed,z,y,x\n", NS, M.t, M.accel[:, ::-1]),
            Gravity=table("time,seconds_elapsed,z,y,x\n", NS, M.t, M.gravity[:, ::-1]),
            Gyroscope=table("time,seconds_elapsed,z,y,x\n", NS, M.t, M.gyro[:, ::-1]),
            Magnetometer=table("time,seconds_elapsed,z,y,x\n", NS, M.t, MAGNETIC),
            Orientation=table("time,seconds_elapsed,qz,qy,qx,qw\n", NS, M.t, MAGNETIC, ONE),
        ),
    ),
    "g-force and omega, a comma too many": (
        "csv",
        table("time,gFx,gFy,gFz,wx,wy,wz,\n", M.t, M.accel / G, M.gyro, end=",\n"),
    ),
    "everything in one, semicolons, time last": (
        "csv",
        table(
            "sep=;\n"
            + ";".join(
                [
                    xyz("ACCELEROMETER ^ (m/s²)", sep=";"),
                    xyz("GRAVITY ^ (m/s²)", sep=";"),
                    xyz("LINEAR ACCELERATION ^ (m/s²)", sep=";"),
                    xyz("GYROSCOPE ^ (rad/s)", sep=";"),
                    "LIGHT (lux);Time since start in ms \n",
                ]
            ),
            *(M.accel, M.gravity, LINEAR, M.gyro, ZERO, MS),
            delimiter=";",
        ),
    ),
    "user acceleration and gravity pointing down, in g": (
        "csv",
        table(
            f"Time,{xyz('attitude_@(radians)')},{xyz('rotation_rate_@(radians/s)')},{xyz('gravity_@(G)')},{xyz('user_acc_@(G)')}\n",
            *(M.t, M.gyro, M.gyro, -M.gravity / G, -LINEAR / G),
            digits=7,
        ),
    ),
    "a research suite: comments, packet counter, rate above": (
        "txt",
        table(
            "// Start Time: Unknown\n// Update Rate: 100.0Hz\nPacketCounter\tSampleTimeFine\t"
            f"{xyz('Acc_^', sep=chr(9))}\t{xyz('FreeAcc_^', sep=chr(9))}\t{xyz('Gyr_^', sep=chr(9))}\tRoll\n",
            *([str((65_000 + i) % 65_536) for i in range(N)], [""] * N, M.accel, LINEAR, M.gyro, ZERO),
            delimiter="\t",
        ),
    ),
    "a strap's export: tag above, 32-bit microseconds, deg/s": (
        "csv",
        table(
            f"sep=,\nDeviceTag:,hand\nOutputRate:,100Hz\n\nPacketCounter,SampleTimeFine,{xyz('FreeAcc_^')},{xyz('Acc_^')},{xyz('Gyr_^')}\n",
            *(COUNT, [str((4_293_000_000 + i * 10_000) % 2**32) for i in range(N)], LINEAR, M.accel, M.gyro * D),
        ),
    ),
    "device names before, calibrated, two accelerometers, a row of units": (
        "csv",
        table(
            '"sep=\t"\nUnit_8A3C_Timestamp_Unix_CAL\t'
            + "\t".join(xyz(f"Unit_8A3C_{q}_^_CAL", sep="\t") for q in ("Accel_LN", "Accel_WR", "Gyro", "Mag"))
            + "\t\nms\t"
            + "\t".join(["m/(s^2)"] * 6 + ["deg/s"] * 3 + ["local_flux"] * 3)
            + "\t\n",
            *(text(M.t * 1e3 + 1_777_800_000_000, 3), M.accel, M.accel * 1.02, M.gyro * D, MAGNETIC),
            delimiter="\t",
            end="\t\n",
        ),
    ),
    "names with quantity only in the unit, a file a quantity": (
        "zip",
        zipped(
            D1_Accelerometer_100Hz=table(f"epoc (ms),elapsed (s),{xyz('@-axis (g)')}\n", MS, M.t, M.accel / G),
            D1_Gyroscope_100Hz=table(f"epoc (ms),elapsed (s),{xyz('@-axis (deg/s)')}\n", MS, M.t, M.gyro * D),
        ),
    ),
    "a medical logger: ten lines above, month before day": (
        "csv",
        table(
            "------ Data File Created By Logger at 100 Hz  Filter Normal ------\nSerial Number: T1\nStart Time 10:12:00\n"
            "Start Date 5/3/2026\nEpoch Period (hh:mm:ss) 00:00:00\nMode = 12\n-----------\n"
            f"Timestamp,{xyz('Accelerometer ^')},Temperature,{xyz('Gyroscope ^')}\n",
            *([f"5/3/2026 10:12:{t:010.7f}" for t in M.t], M.accel / G, ONE * 25, M.gyro * D),
        ),
    ),
    "no header, date and time, g and deg/s": (
        "csv",
        table("", [f"2026-05-03 10:12:{t:06.3f}" for t in M.t], M.accel / G, M.gyro * D),
    ),
    "a time column before each channel": (
        "csv",
        table(
            ",".join(f'X[s],"Sensor 1: {q}.{c} 1 [{u}]"' for q, u in (("ACC", "g"), ("GYRO", "deg/s")) for c in "XYZ")
            + "\n",
            *(x for v in (M.accel / G, M.gyro * D) for c in v.T for x in (M.t, c)),
        ),
    ),
    "units after an underscore": (
        "csv",
        table(f"time_s,{xyz('a@_m/s/s')},{xyz('g@_deg/s')},{xyz('m@_Gauss')}\n", M.t, M.accel, M.gyro * D, MAGNETIC),
    ),
    "a board's card: date and time of day apart, mg": (
        "txt",
        table(
            f"rtcDate,rtcTime,{xyz('a^')},{xyz('g^')},imu_degC,output_Hz,\n",
            *(
                ["05/03/2026"] * N,
                [f"10:12:{t:05.2f}" for t in M.t],
                M.accel / G * 1000,
                M.gyro * D,
                ONE * 22,
                ONE * 100,
            ),
            end=",\n",
        ),
    ),
    "a serial monitor": (
        "txt",
        "".join(
            f"10:12:{t:06.3f} -> " + ",".join(f"{v:.5f}" for v in (*a, *g)) + "\n"
            for t, a, g in zip(M.t, M.accel / G, M.gyro * D, strict=True)
        ),
    ),
    "robot middleware: linear_acceleration that holds gravity": (
        "csv",
        table(
            "%time,field.header.seq,field.header.frame_id,field.orientation.x,field.orientation.y,field.orientation.z,"
            f"{xyz('field.angular_velocity.@')},field.angular_velocity_covariance0,{xyz('field.linear_acceleration.@')}\n",
            *(NS, COUNT, ["imu"] * N, MAGNETIC, M.gyro, ZERO, M.accel),
        ),
    ),
    "a flying benchmark: w_RS_S and a_RS_S": (
        "csv",
        table(f"#timestamp [ns],{xyz('w_RS_S_@ [rad s^-1]')},{xyz('a_RS_S_@ [m s^-2]')}\n", NS, M.gyro, M.accel),
    ),
    "a row for each quantity, other rows between": (
        "txt",
        events(("ACCE", M.accel), ("GYRO", M.gyro), ("MAGN", MAGNETIC)),
    ),
    "an activity data set: blanks, no header, two accelerometers in a row": (
        "dat",
        table(
            "", M.t, ["1"] * N, ["NaN"] * N, ONE * 30.0, M.accel, M.accel * 1.01, M.gyro, MAGNETIC, ONE, delimiter=" "
        ),
    ),
    "names under a sensor's name": (
        "csv",
        table("time,Left hand,,,,,\ns,ax,ay,az,gx,gy,gz\n", M.t, M.accel, M.gyro),
    ),
    "accelerometer and gyroscope in rows of their own": (
        "csv",
        "time,ax,ay,az,gx,gy,gz\n"
        + "".join(
            f"{t:.3f},{a[0]:.6f},{a[1]:.6f},{a[2]:.6f},,,\n{t:.3f},,,,{g[0]:.6f},{g[1]:.6f},{g[2]:.6f}\n"
            for t, a, g in zip(M.t, M.accel, M.gyro, strict=True)
        ),
    ),
    "whole numbers of mg and mdps": (
        "csv",
        table("timestamp,AccX,AccY,AccZ,GyroX,GyroY,GyroZ\n", MS, M.accel / G * 1000, M.gyro * D * 1000, digits=0),
    ),
    "a measuring suite: X_Value after an end of header": (
        "lvm",
        table(
            "Measurement\nWriter_Version\t2\nSeparator\tTab\n***End_of_Header***\t\n\t\nX_Value\tAcc X\tAcc Y\tAcc Z\tGyro X\tGyro Y\tGyro Z\n",
            *(M.t, M.accel, M.gyro),
            delimiter="\t",
        ),
    ),
    "a spreadsheet in German": (
        "csv",
        table("Zeit;ax;ay;az;gx;gy;gz\n", M.t, M.accel, M.gyro, delimiter=";").replace(".", ","),
    ),
    "ids first, a time for each quantity in one row": (
        "csv",
        table(
            f"Record Id,Session Id,Acc Timestamp,{xyz('Acc^')},Gyro Timestamp,{xyz('Gyro^')}\n",
            *(["9"] * N, ["82"] * N, [str(139_305_566_376_090 + round(t * 1e9)) for t in M.t], M.accel),
            *([str(139_305_566_376_090 + round(t * 1e9)) for t in M.t], M.gyro),
        ),
    ),
    "names in one format string": (
        "txt",
        table(
            '# Data format: "%int(ChipTimeUS),'
            + ",".join(f"%float(Raw{q}{c})" for q in ("Gyro", "Compass", "Accel") for c in "XYZ")
            + '"\n',
            *([str(round(t * 1e6) + 90_198) for t in M.t], M.gyro, MAGNETIC, M.accel / G),
        ),
    ),
}


@pytest.mark.parametrize("shape", SHAPES)
def test_a_shape_is_read_without_a_hint(shape: str, tmp_path: Path) -> None:
    ending, content = SHAPES[shape]
    path = tmp_path / f"export.{ending}"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    understood = folders.understand(path)
    assert understood.needs == []
    (s,) = understood.sensors
    assert s.needs == []
    assert s.has_gravity
    assert len(s.t_s) >= N - 2
    start = round((M.t[-1] - s.t_s[-1] + s.t_s[0]) * 100) / 100  # a sample may be lost at an end
    t = s.t_s - s.t_s[0] + max(start, 0.0)
    for got, want, tolerance in ((s.accel, M.accel, 0.006), (s.gyro, M.gyro, 0.0006)):
        near = np.stack([np.interp(t, M.t, want[:, k]) for k in range(3)], axis=1)
        assert np.abs(got - near).max() < tolerance
    rate = (len(s.t_s) - 1) / (s.t_s[-1] - s.t_s[0])
    assert rate == pytest.approx(100, rel=0.002)


@pytest.mark.parametrize(
    ("content", "hint"),
    [
        (table("ax,ay,az,gx,gy,gz\n", M.accel, M.gyro), "--rate"),
        (table(",rotationRate.x,rotationRate.y,rotationRate.z,ax,ay,az\n", COUNT, M.gyro, M.accel), "--rate"),
        (table("time,ax,ay,az\n", M.t, M.accel), "gyroscope"),
        (table("when,p,q,r\n", M.t, M.accel), "--columns"),
        (table("t,ax,ay,az,gx,gy,gz\n", M.t, np.round(M.accel * 77), M.gyro * D * 40, digits=0), "--accel-sensitivity"),
    ],
)
def test_what_cannot_be_told_is_one_line_with_its_hint(content: str, hint: str, tmp_path: Path) -> None:
    path = tmp_path / "export.csv"
    path.write_text(content)
    needs = inspect(path).needs
    assert hint in needs[0]


@pytest.mark.parametrize(
    ("name", "quantity", "axis", "unit"),
    [
        *(
            (n, "accel", 0, None)
            for n in [
                "ax",
                "AccX",
                "AcX",
                "aacx",
                "acc_x",
                "acceleration.x",
                "accelX",
                "ACC_X",
                "Ax",
                "accel-x",
                "total_acc_x",
            ]
        ),
        *(
            (n, "gyro", 2, None)
            for n in [
                "gz",
                "GyZ",
                "GYROZ",
                "gyr_z",
                "gyro.z",
                "wz",
                "omega_z",
                "angular_velocity_z",
                "AsZ",
                "gyroZ",
                "Gz",
            ]
        ),
        ("Acceleration y (m/s²)", "accel", 1, "m/s^2"),
        ("Accelerometer Y [m s^-2]", "accel", 1, "m/s^2"),
        ("Forearm Accel Y (mG)", "accel", 1, "mg"),
        ("accelerationIncludingGravity.y", "accel", 1, None),
        ("gy_deg/s", "gyro", 1, "deg/s"),
        ("Gyro Y [mdps]", "gyro", 1, "mdeg/s"),
        ("Rate of turn Y", "gyro", 1, None),
        ("motionRotationRateY(rad/s)", "gyro", 1, "rad/s"),
        ("y-axis (°/s)", "gyro", 1, "deg/s"),
        ("y-axis (g)", "accel", 1, "g"),
        ("Linear Acceleration y (m/s^2)", "linear", 1, "m/s^2"),
        ("FreeAcc_Y", "linear", 1, None),
        ("userAcceleration.y", "linear", 1, None),
        ("GRAVITY Y (m/s²)", "gravity", 1, "m/s^2"),
        ("Magnetometer Y (uT)", "other", None, None),
        ("Quat_Y", "other", None, None),
        ("qy", "other", None, None),
        ("Roll", "other", None, None),
        ("Temperature", "other", None, None),
        ("Time since start in ms", "time", None, "ms"),
        ("Gyro Timestamp", "time", None, None),
        ("SampleTimeFine", "time", None, None),
        ("timestamp_us", "time", None, "us"),
        ("X[s]", "time", None, "s"),
        ("PacketCounter", "counter", None, None),
        ("DeviceName", "label", None, None),
    ],
)
def test_what_a_column_name_says(name: str, quantity: str, axis: int | None, unit: str | None) -> None:
    channel = channels.parse(0, name)
    assert channel.quantity == quantity
    assert channel.unit == unit or quantity == "other"
    if quantity != "other":
        assert channel.axis == axis
