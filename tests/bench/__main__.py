"""`python -m tests.bench`: the accuracy table over seeded recordings with known truth."""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
import traceback
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

from tests.bench.causes import CAUSES, GROUPS, Cause
from tests.bench.floor import floor
from tests.bench.recording import Poses, make_recording
from tests.bench.score import Scores, angle_table, clock_table, event_table, goal_table, overall_coverage, score


def run_one(task: tuple[int, Cause, str | None]) -> tuple[Scores, str | None]:
    """Make, write, read and measure one recording."""
    import imu.readers
    from imu.errors import CupbowError
    from imu.measuring import measure_recording

    seed, cause, keep = task
    made = make_recording(seed=seed, errors=cause.errors, session=cause.session, roles=cause.roles)
    with tempfile.TemporaryDirectory() as temporary:
        folder = made.write(Path(keep) / f"{seed}" if keep else temporary, truth=keep is not None)
        started = time.perf_counter()
        try:
            measurement = measure_recording(imu.readers.read(folder))
        except CupbowError as error:
            return _failed(made.truth.data, seed), f"seed {seed}: {error}"
        except Exception:
            return _failed(made.truth.data, seed), f"seed {seed}: {_where()}"
        seconds = time.perf_counter() - started
    return score(measurement, made.truth.data, recording=seed, seconds=seconds), None


def run_floor(task: tuple[int, Cause]) -> Scores:
    seed, cause = task
    made = make_recording(seed=seed, errors=cause.errors, session=cause.session, roles=cause.roles)
    return Scores(values=list(floor(made, recording=seed)))


def _where() -> str:
    """The fault at hand in a line: what, and the last places that it passed."""
    kind, error, trace = sys.exc_info()
    places = [f"{Path(f.filename).name}:{f.lineno}" for f in traceback.extract_tb(trace)[-3:]]
    return f"{getattr(kind, '__name__', kind)}: {error} ({' > '.join(places)})"


def _failed(truth: dict[str, Any], seed: int) -> Scores:
    n, slow = len(truth["swings"]), sum(s["kind"] == "slow" for s in truth["swings"])
    row = {"recording": seed, "swings": n, "missed": n - slow, "missed_slow": slow, "false": 0, "wrong_kind": 0}
    return Scores(recordings=[row | {"seconds": float("nan"), "warnings": 0}])


def _mapped(work: Callable[[Any], Any], tasks: list[Any], jobs: int) -> list[Any]:
    if jobs == 1:
        return [work(t) for t in tasks]
    with ProcessPoolExecutor(jobs) as pool:
        return list(pool.map(work, tasks))


def run_cause(cause: Cause, *, n: int, seed: int, jobs: int, keep: str | None = None) -> tuple[Scores, list[str]]:
    tasks = [(seed + i, cause, keep) for i in range(n)]
    total, faults = Scores(), []
    results = _mapped(run_one, tasks, jobs)
    for scores, fault in results:
        total.add(scores)
        if fault:
            faults.append(fault)
    return total, faults


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("--n", type=int, default=20, help="recordings a cause (default 20)")
    parser.add_argument("--seed", type=int, default=1, help="first seed")
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    parser.add_argument(
        "--cause", default="full", help=f"a cause, several with commas, a group ({', '.join(GROUPS)}), or list"
    )
    parser.add_argument(
        "--poses", choices=("zero", "single", "repeated", "unmarked", "none"), help="how the poses are held"
    )
    parser.add_argument("--swings", type=int, help="swings a recording")
    parser.add_argument("--json", metavar="OUT", help="write every table here")
    parser.add_argument("--keep", metavar="FOLDER", help="keep the recordings, with their truth, in this folder")
    parser.add_argument("--floor", action="store_true", help="instead of measuring: what gyros told the truth could do")
    args = parser.parse_args(argv)  # fmt: skip
    if args.cause == "list":
        print("\n".join(f"{name:20} {cause.what}" for name, cause in CAUSES.items()))
        return 0
    names = [c for part in args.cause.split(",") for c in GROUPS.get(part, (part,))]
    unknown = [c for c in names if c not in CAUSES]
    if unknown:
        print(f"no cause {unknown[0]!r}; --cause list shows them", file=sys.stderr)
        return 2

    out: dict[str, Any] = {}
    summary: list[dict[str, Any]] = []
    for name in names:
        cause = CAUSES[name]
        session = cause.session
        if args.poses:
            session = replace(session, poses=replace(Poses.named(args.poses), functional=session.poses.functional))
        if args.swings is not None:
            session = replace(session, n_swings=args.swings)
        if args.floor:
            total = Scores()
            for scores in _mapped(
                run_floor, [(args.seed + i, replace(cause, session=session)) for i in range(args.n)], args.jobs
            ):
                total.add(scores)
            table = angle_table(total)
            print(f"\n== floor of {name}: {cause.what} ({args.n} recordings)")
            print(table[["angle", "event", "n", "rmse", "median", "p95"]].to_string(index=False, float_format="%.2f"))
            out[name] = json.loads(table.to_json(orient="records"))
            continue
        keep = str(Path(args.keep) / name) if args.keep else None
        scores, faults = run_cause(replace(cause, session=session), n=args.n, seed=args.seed, jobs=args.jobs, keep=keep)
        for fault in faults:
            print(fault, file=sys.stderr)
        tables = {
            "angles": angle_table(scores),
            "events": event_table(scores),
            "clocks": clock_table(scores),
            "goals": goal_table(scores),
        }
        seconds = [r["seconds"] for r in scores.recordings if r["seconds"] == r["seconds"]]
        middle = sorted(seconds)[len(seconds) // 2] if seconds else None
        print(f"\n== {name}: {cause.what} ({args.n} recordings, median {middle or 0:.2f} s each, {len(faults)} failed)")
        if len(names) == 1:
            for key in ("angles", "events", "clocks"):
                print(tables[key].to_string(index=False, float_format="%.2f"), "\n")
        print(tables["goals"].to_string(index=False, float_format="%.2f"))
        out[name] = {
            "what": cause.what,
            "recordings": scores.recordings,
            "failed": faults,
            "median_seconds": middle,
            "coverage": overall_coverage(scores),
            **{k: json.loads(t.to_json(orient="records")) for k, t in tables.items()},
        }
        summary.append(_summary(name, tables["angles"], scores))
    if len(names) > 1 and not args.floor:
        import pandas as pd

        print("\nRMSE in degrees by cause")
        print(pd.DataFrame(summary).to_string(index=False, float_format="%.2f"))
    if args.json:
        Path(args.json).write_text(json.dumps(out, indent=1) + "\n", encoding="utf-8")
    return 0


def _summary(name: str, angles: Any, scores: Scores) -> dict[str, Any]:
    """One line a cause: the cells that matter most."""
    cells = {
        "flex addr": ("wrist_flexion", "address"),
        "flex top": ("wrist_flexion", "top"),
        "flex sld": ("wrist_flexion", "shaft_level_down"),
        "flex imp": ("wrist_flexion", "impact"),
        "Δflex top": ("wrist_flexion since address", "top"),
        "dev top": ("wrist_deviation", "top"),
        "dev sld": ("wrist_deviation", "shaft_level_down"),
        "dev imp": ("wrist_deviation", "impact"),
        "f2f top": ("face_to_forearm", "top"),
        "past": ("shaft_past_level", "top"),
        "off sld": ("shaft_off_plane", "shaft_level_down"),
        "face imp": ("face_since_address", "impact"),
    }
    row: dict[str, Any] = {"cause": name}
    by = {} if angles.empty or "rmse" not in angles else {(r.angle, r.event): r.rmse for r in angles.itertuples()}
    row |= {short: by.get(cell, float("nan")) for short, cell in cells.items()}
    cover = overall_coverage(scores)
    row["cover %"] = cover.get("cover", float("nan"))
    row["missed"] = sum(r["missed"] for r in scores.recordings)
    row["false"] = sum(r["false"] for r in scores.recordings)
    return row


if __name__ == "__main__":
    sys.exit(main())
