"""`python -m tests.bench.devices`: what the bench calibration of the sensors buys.

Each sensor of a recording is also laid on its faces and turned (`make_faces` draws the same device); the
recording is measured without and with what that told.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np

from tests.bench.causes import CAUSES
from tests.bench.faces import make_faces
from tests.bench.filters import bench_table
from tests.bench.recording import make_recording
from tests.bench.score import Scores, overall_coverage, score

TURNS = 3


def known_as(facts: dict[str, Any]) -> dict[str, Any]:
    """The device's true maps as a calibration can know them: its axes are named by the accelerometer, whose
    map is the lower triangle of its LQ factors; what that turns goes to the gyro."""
    accel, gyro = np.array(facts["accel_matrix"]), np.array(facts["gyro_matrix"])
    q, r = np.linalg.qr(accel.T)
    sign = np.diag(np.sign(np.diag(r)))
    matrix = (q @ sign).T @ np.linalg.inv(gyro)
    return {
        "gyro_matrix": matrix - np.eye(3),
        "gyro_bias": matrix @ np.radians(facts["gyro_bias_start_dps"]),
        "accel_matrix": (sign @ r).T - np.eye(3),
        "accel_bias": np.array(facts["accel_bias_m_s2"]),
    }


LEFT = {
    # deg/s, %, mg: what a calibration leaves of a device's errors, and its true error
    "gyro bias, deg/s": ("gyro_bias", slice(None), 180 / np.pi),
    "gyro scale, %": ("gyro_matrix", np.eye(3, dtype=bool), 100.0),
    "gyro cross-axis, %": ("gyro_matrix", ~np.eye(3, dtype=bool), 100.0),
    "accelerometer bias, mg": ("accel_bias", slice(None), 1e3 / 9.80665),
    "accelerometer scale, %": ("accel_matrix", np.eye(3, dtype=bool), 100.0),
    "accelerometer cross-axis, %": ("accel_matrix", np.tri(3, k=-1, dtype=bool), 100.0),
}


def run_one(task: tuple[int, str]) -> tuple[dict[str, Scores], list[tuple[Any, dict[str, Any]]]]:
    import imu.readers
    from imu.measuring import measure_recording
    from imu.sensor_calibration import calibrate_sensor

    seed, name = task
    cause = CAUSES[name]
    made = make_recording(seed=seed, errors=cause.errors, session=cause.session, roles=cause.roles)
    devices = []
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        recording = imu.readers.read(made.write(folder / "lesson", truth=False))
        for role in cause.roles:
            faces = make_faces(seed=seed, role=role, errors=cause.errors, turns=TURNS, tipped=True)
            stream = next(iter(imu.readers.read(faces.write(folder / role)).streams.values()))
            one = calibrate_sensor(stream, device=role, worn=role)  # type: ignore[arg-type]
            devices.append((one, known_as(faces.sensor.facts)))
            one.save(folder / "sensors" / f"{role}.toml")
        scores = {
            label: score(measure_recording(recording, calibration=known), made.truth.data, recording=seed)
            for label, known in (("without", None), ("with", folder / "sensors"))
        }
    return scores, devices


def device_table(devices: list[tuple[Any, dict[str, Any]]]) -> Any:
    """rms of what the devices' errors were, of what the calibration leaves of them."""
    import pandas as pd

    def rms(values: list[Any]) -> float:
        return float(np.sqrt(np.mean(np.square(values))))

    rows = []
    for label, (name, part, unit) in LEFT.items():
        rows.append(
            {
                "of a device": label,
                "drawn": unit * rms([true[name][part] for _, true in devices]),
                "left": unit * rms([(getattr(one, name) - true[name])[part] for one, true in devices]),
            }
        )
    return pd.DataFrame(rows)


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.devices", description=__doc__)
    parser.add_argument("--n", type=int, default=20, help="recordings (default 20)")
    parser.add_argument("--seed", type=int, default=1, help="first seed")
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    parser.add_argument("--cause", default="full,no_functional", help="causes, with commas")
    args = parser.parse_args(argv)
    for name in args.cause.split(","):
        tasks = [(args.seed + i, name) for i in range(args.n)]
        total = {"without": Scores(), "with": Scores()}
        if args.jobs > 1:
            with ProcessPoolExecutor(args.jobs) as pool:
                results = list(pool.map(run_one, tasks))
        else:
            results = [run_one(t) for t in tasks]
        devices: list[tuple[Any, dict[str, Any]]] = []
        for scores, of in results:
            devices += of
            for label, one in scores.items():
                total[label].add(one)
        table = bench_table(total).rename(columns={"method": "calibration"})
        table["cover %"] = [overall_coverage(s)["cover"] for s in total.values()]
        table["median u95"] = [overall_coverage(s)["u95"] for s in total.values()]
        print(f"{len(devices)} devices, {TURNS} turns an axis, tipped: rms")
        print(device_table(devices).to_string(index=False, float_format="%.3f"), "\n")
        print(f"RMSE in degrees, {args.n} recordings of cause {name}: {CAUSES[name].what}")
        print(table.to_string(index=False, float_format="%.2f"), "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
