"""`python -m tests.bench.filters`: library filters beside the joint fit, on the truth bench and on real data.

With `--write` it also makes `imu/filter_errors.toml`: the interval that held 95 % of the errors of each
method, with the poses held as wrongly as their prior says.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Callable, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from imu.filtering import METHODS
from tests.bench import real
from tests.bench.causes import CAUSES
from tests.bench.recording import Poses, make_recording
from tests.bench.score import Scores, angle_table, score

CELLS = {
    "flex address": ("wrist_flexion", ("address",)),
    "flex levels": (
        "wrist_flexion",
        ("shaft_level_back", "arm_level_back", "arm_level_down", "shaft_level_down"),
    ),
    "flex top": ("wrist_flexion", ("top",)),
    "flex impact": ("wrist_flexion", ("impact",)),
    "dev top": ("wrist_deviation", ("top",)),
    "dev impact": ("wrist_deviation", ("impact",)),
    "face to forearm top": ("face_to_forearm", ("top",)),
    "past level": ("shaft_past_level", ("top",)),
    "off plane levels": (
        "shaft_off_plane",
        ("shaft_level_back", "arm_level_back", "arm_level_down", "shaft_level_down"),
    ),
    "face impact": ("face_since_address", ("impact",)),
}

Task = tuple[int, str, str, tuple[str, ...]]


def run_one(task: Task) -> dict[str, Scores]:
    """One recording measured by every method, by the values alone: uncertainties are not asked for."""
    import imu.readers
    from imu import filtering
    from imu.errors import CupbowError
    from imu.measuring import measure_recording

    filtering.with_bench_u95 = lambda swing, method: swing
    seed, name, poses, methods = task
    cause = CAUSES[name]
    session = replace(cause.session, poses=replace(Poses.named(poses), functional=cause.session.poses.functional))
    made = make_recording(seed=seed, errors=cause.errors, session=session, roles=cause.roles)
    with tempfile.TemporaryDirectory() as folder:
        recording = imu.readers.read(made.write(folder, truth=False))
    out = {}
    for method in methods:
        try:
            out[method] = score(measure_recording(recording, method=method), made.truth.data, recording=seed)
        except CupbowError as error:
            print(f"seed {seed}, {method}: {error}", file=sys.stderr)
    return out


def run(cause: str, poses: str, *, n: int, seed: int, jobs: int, methods: tuple[str, ...]) -> dict[str, Scores]:
    tasks = [(seed + i, cause, poses, methods) for i in range(n)]
    total: dict[str, Scores] = {m: Scores() for m in methods}
    mapped: Callable[..., Any] = map
    if jobs > 1:
        pool = ProcessPoolExecutor(jobs)
        mapped = pool.map
    for scores in mapped(run_one, tasks):
        for method, one in scores.items():
            total[method].add(one)
    return total


def bench_table(total: Mapping[str, Scores]) -> Any:
    """RMSE in degrees: a row a method, a column a cell; of several events all values together."""
    import pandas as pd

    rows = []
    for method, scores in total.items():
        row: dict[str, Any] = {"method": method}
        for column, (angle, events) in CELLS.items():
            e = [
                v["error"]
                for v in scores.values
                if v["angle"] == angle and v["event"] in events and v["error"] is not None
            ]
            row[column] = float(np.sqrt(np.mean(np.square(e)))) if e else float("nan")
        rows.append(row)
    return pd.DataFrame(rows)


def real_table() -> Any:
    """Errors in degrees on real data, the bias of the first rest taken out."""
    import pandas as pd

    seen, logger = real.optical(), real.logger()
    arm = real.wrist()
    rows = []
    for method, estimate in real.estimates().items():
        row: dict[str, Any] = {"method": method}
        by = real.errors(real.estimated(estimate, seen), seen)
        row |= {f"optical {k}": v for k, v in by.items()}
        row["wrist pair"] = real.between(*(real.estimated(estimate, s) for s in arm), arm)
        row["logger inclination"] = real.errors(real.estimated(estimate, logger), logger)["inclination"]
        rows.append(row)
    return pd.DataFrame(rows)


def written(tables: Mapping[str, Mapping[str, Scores]]) -> str:
    """`filter_errors.toml`: of each cell the larger of 1.96 RMSE and the 95th percentile of the errors."""
    lines = [
        "# How far a value by each method may be off: half width in degrees of the interval that held 95 % of",
        "# the errors on the truth bench, poses held once and as wrongly as their prior says. `through_grip`:",
        "# without a hand sensor. Made by `python -m tests.bench.filters --write`; see docs/accuracy.md.",
    ]
    for wearing, total in tables.items():
        for method, scores in total.items():
            if method == "fit":
                continue
            lines += ["", f"[{method}.{wearing}]"]
            table = angle_table(scores)
            for angle, part in table.groupby("angle", sort=False):
                if str(angle).endswith("since address"):
                    continue
                cells = {
                    r.event: max(1.96 * r.rmse, r.p95) for r in part.itertuples() if r.n >= 10 and r.rmse == r.rmse
                }
                inner = ", ".join(f'"{e}" = {max(0.3, x):.1f}' for e, x in cells.items())
                if cells:
                    lines.append(f'"{angle}" = {{ {inner} }}')
    return "\n".join(lines) + "\n"


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.filters", description=__doc__)
    parser.add_argument("--n", type=int, default=20, help="recordings (default 20)")
    parser.add_argument("--seed", type=int, default=1, help="first seed")
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    parser.add_argument("--method", default="all", help=f"{', '.join(METHODS)}; several with commas, or all")
    parser.add_argument("--cause", default="full", help="sensor errors, as python -m tests.bench has them")
    parser.add_argument("--poses", default="zero", help="how the poses are held: zero, single, repeated")
    parser.add_argument("--write", action="store_true", help="make imu/filter_errors.toml")
    args = parser.parse_args(argv)
    methods = METHODS if args.method == "all" else tuple(args.method.split(","))
    unknown = [m for m in methods if m not in METHODS]
    if unknown:
        parser.error(f"no method {unknown[0]!r}; known are {', '.join(METHODS)}")
    given = {"n": args.n, "seed": args.seed, "jobs": args.jobs, "methods": methods}
    if args.write:
        tables = {
            wearing: run(cause, "single", **{**given, "methods": tuple(m for m in methods if m != "fit")})
            for wearing, cause in (("own_hand", "full"), ("through_grip", "forearm+club"))
        }
        import imu

        Path(imu.__file__).with_name("filter_errors.toml").write_text(written(tables), encoding="utf-8")
        return 0
    total = run(args.cause, args.poses, **given)
    print(f"RMSE in degrees, {args.n} recordings of cause {args.cause}, poses {args.poses}")
    print(bench_table(total).to_string(index=False, float_format="%.1f"))
    print("\nReal data, degrees (see tests/bench/real.py)")
    try:
        print(real_table().to_string(index=False, float_format="%.1f"))
    except FileNotFoundError as error:
        print(f"skipped: {error.filename} is not here (set CUPBOW_DATA to its folder)")
    return 0


if __name__ == "__main__":
    sys.exit(main())
