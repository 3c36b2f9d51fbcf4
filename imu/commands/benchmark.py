"""`cupbow benchmark`: how fast a whole measurement is, beside library filters on the same streams.

A recording is made (see `imu.simulate`), written as files, and measured in a process of its own,
reading included. In the same run the `ahrs` Madgwick filter and `vqf` filter the same streams. Beside it
stands what a student's practice costs: three swings without poses, measured with a calibration saved
before, of sensors that lose packets and of such that do not.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from imu.commands import benchmark_library
from imu.errors import CupbowError, UsageError

if TYPE_CHECKING:
    from imu.recording import Recording

SCHEMA = "cupbow.benchmark/1"
RATE_HZ = 200.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", metavar="OUT", help="write the numbers as JSON ('-': to standard output, no table)")
    parser.add_argument("--hour", action="store_true", help="measure a recording of an hour too")
    parser.add_argument("--repeats", type=int, default=3, metavar="N", help="the fastest of so many runs counts (3)")
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="of what is made (1)")
    benchmark_library.add_arguments(parser)


def run(args: argparse.Namespace) -> int:
    if args.repeats < 1:
        raise UsageError(f"--repeats {args.repeats}: is at least 1")
    if args.seed < 0:
        raise UsageError(f"--seed {args.seed}: is at least 0")
    if args.swings:
        return _written(args, benchmark_library.run(args) | {"machine": _machine()})
    lengths = [60.0, 3600.0] if args.hour else [60.0]
    results = [_one(seconds, args.seed, args.repeats if seconds < 600 else 1) for seconds in lengths]
    practices = [_practice(loss, args.seed, args.repeats) for loss in (0.0, LOSS)]
    report = {"schema": SCHEMA, "machine": _machine(), "recordings": results, "saved_calibration": practices}
    if args.json != "-":
        for result in results:
            _show(result)
        for practice in practices:
            _show_practice(practice)
    return _written(args, report)


def _written(args: argparse.Namespace, report: dict[str, Any]) -> int:
    if args.json == "-":
        print(json.dumps(report, indent=1))
    elif args.json:
        from imu.measured import write_whole

        write_whole(args.json, lambda tmp: tmp.write_text(json.dumps(report, indent=1) + "\n", encoding="utf-8"))
    return 0


def made(seconds: float, seed: int) -> Recording:
    """A recording of so many seconds: the calibration, then swings. After the first minutes the same
    stretch with a swing every three quarters of a minute comes again and again."""
    import numpy as np

    from imu import simulate
    from imu.recording import Pose, Recording

    rng = np.random.default_rng(seed)
    script = simulate.Script(simulate.Player(handedness="right"), "7-iron", rng)
    script.calibrate()
    pause = 0.0 if seconds < 120 else 36.0
    calibrated = int(script.now * RATE_HZ)
    while script.now < min(seconds, 120.0) + 1:
        script.swing(simulate.SwingPlan(flexion_top=-15 + 3 * rng.standard_normal()))
        script.hold(pause)
    motion = script.motion()
    # clocks that run alike, so that repeating a stretch breaks nothing; everything else as consumer devices are
    errors = simulate.SensorErrors(drift_ppm=0.0, loss=0.0)
    sensed = {r: simulate.sense(motion, r, errors, rng, first=i == 0) for i, r in enumerate(simulate.SEGMENTS)}
    n = int(seconds * RATE_HZ)
    streams = {}
    for role, s in sensed.items():
        have = len(s.stream)
        index = np.arange(n)
        late = index >= have
        index[late] = calibrated + (index[late] - have) % (have - calibrated)
        streams[role] = replace(
            s.stream, t_s=np.arange(n) / RATE_HZ, accel=s.stream.accel[index], gyro=s.stream.gyro[index]
        )
    start = sensed["forearm"].start_s
    poses = tuple(Pose(p.name, p.start_s - start, p.end_s - start) for p in motion.poses)
    return Recording(streams=streams, handedness="right", club="7-iron", poses=poses)


LOSS = 0.05
"""Share of samples that a sensor with a poor connection loses, in packets of five."""


def practised(loss: float, seed: int, swings: int = 3) -> tuple[Recording, Recording]:
    """A lesson (the poses, one swing), and with the same sensors, straps untouched, what was practised after it."""
    import numpy as np

    from imu import simulate
    from imu.recording import Pose, Recording

    rng = np.random.default_rng(seed)
    script = simulate.Script(simulate.Player(handedness="right"), "7-iron", rng)
    script.calibrate()
    for i in range(1 + swings):
        script.swing(simulate.SwingPlan(flexion_top=-15 + 3 * rng.standard_normal()))
        script.hold(2.0)
        if not i:
            cut = script.now - 1.0
    motion = script.motion()
    errors = simulate.SensorErrors(rate_hz=RATE_HZ, loss=loss)
    sensed = [simulate.sense(motion, r, errors, rng, first=i == 0) for i, r in enumerate(simulate.SEGMENTS)]
    start = sensed[0].start_s
    parts: list[Recording] = []
    for after in (False, True):
        streams = {}
        for stream in (s.stream for s in sensed):
            kept = (stream.t_s >= cut) == after
            values = {"t_s": stream.t_s[kept], "accel": stream.accel[kept], "gyro": stream.gyro[kept]}
            streams[stream.role] = replace(stream, **values)
        poses = () if after else tuple(Pose(p.name, p.start_s - start, p.end_s - start) for p in motion.poses)
        parts.append(Recording(streams=streams, handedness="right", club="7-iron", poses=poses))
    return parts[0], parts[1]


_MEASURE = """
import json, resource, sys, time
from imu import readers
from imu.measuring import measure_recording  # imports are not timed
folder, repeats, calibration = sys.argv[1], int(sys.argv[2]), sys.argv[3] if len(sys.argv) > 3 else None
seconds, reading, processor = [], [], []
for _ in range(repeats):
    start, busy = time.perf_counter(), time.process_time()
    recording = readers.read(folder)
    reading.append(time.perf_counter() - start)
    result = measure_recording(recording, calibration=calibration)
    seconds.append(time.perf_counter() - start)
    processor.append(time.process_time() - busy)
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1 if sys.platform == "darwin" else 1024)
print(json.dumps({"seconds": seconds, "reading": reading, "processor": processor, "peak": peak,
                  "swings": len(result.swings)}))
"""


def _measured(folder: str, repeats: int, calibration: str | None = None) -> dict[str, Any]:
    """What measuring the recording in a folder costs a process of its own."""
    command = [sys.executable, "-c", _MEASURE, folder, str(repeats), *([calibration] if calibration else [])]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise CupbowError(f"the measurement failed: {done.stderr.strip().splitlines()[-1:]}")
    return dict(json.loads(done.stdout))


def _practice(loss: float, seed: int, repeats: int) -> dict[str, Any]:
    from pathlib import Path

    from imu import simulate
    from imu.measuring import calibrate

    lesson, practice = practised(loss, seed)
    with tempfile.TemporaryDirectory() as folder:
        saved = Path(folder) / "straps.json"
        calibrate(lesson).save(saved)
        simulate.write(practice, Path(folder) / "practice")
        measured = _measured(str(Path(folder) / "practice"), repeats, str(saved))
    first = next(iter(practice.streams.values())).t_s
    return {
        "duration_s": round(float(first[-1] - first[0]), 1),
        "rate_hz": RATE_HZ,
        "loss": loss,
        "swings": measured["swings"],
        "seconds": round(min(measured["seconds"]), 3),
        "processor_seconds": round(min(measured["processor"]), 3),
        "reading_seconds": round(min(measured["reading"]), 3),
    }


def _one(seconds: float, seed: int, repeats: int) -> dict[str, Any]:
    from imu import simulate

    recording = made(seconds, seed)
    samples = sum(len(s) for s in recording.streams.values())
    with tempfile.TemporaryDirectory() as folder:
        simulate.write(recording, folder)
        measured = _measured(folder, repeats)
    best = min(measured["seconds"])
    madgwick, vqf = _madgwick(recording), min(_vqf(recording) for _ in range(repeats))
    return {
        "duration_s": seconds,
        "sensors": len(recording.streams),
        "rate_hz": RATE_HZ,
        "samples": samples,
        "swings": measured["swings"],
        "measure": {
            "seconds": round(best, 3),
            "all_seconds": [round(s, 3) for s in measured["seconds"]],
            "samples_per_s": round(samples / best),
            "peak_memory_mb": round(measured["peak"] / 1e6),
        },
        "madgwick": {"seconds": round(madgwick, 3), "samples_per_s": round(samples / madgwick)},
        "vqf": {"seconds": round(vqf, 4), "samples_per_s": round(samples / vqf)},
        "ratio_to_madgwick": round(best / madgwick, 3),
        "ratio_to_vqf": round(best / vqf, 1),
    }


def _madgwick(recording: Recording) -> float:
    """Seconds that `ahrs` Madgwick takes for all streams (at most the first minute of each, scaled:
    its time is proportional to the samples)."""
    import time

    from ahrs.filters import Madgwick

    seconds = 0.0
    for stream in recording.streams.values():
        part = slice(0, min(len(stream), int(60 * RATE_HZ)))
        start = time.perf_counter()
        Madgwick(gyr=stream.gyro[part], acc=stream.accel[part], frequency=RATE_HZ)
        seconds += (time.perf_counter() - start) * len(stream) / (part.stop - part.start)
    return seconds


def _vqf(recording: Recording) -> float:
    import time

    import numpy as np
    from vqf import VQF

    seconds = 0.0
    for stream in recording.streams.values():
        gyro, accel = np.ascontiguousarray(stream.gyro), np.ascontiguousarray(stream.accel)
        start = time.perf_counter()
        VQF(1 / RATE_HZ).updateBatch(gyro, accel)
        seconds += time.perf_counter() - start
    return seconds


def _machine() -> dict[str, Any]:
    import os
    import platform

    import numpy as np

    return {
        "system": f"{platform.system()} {platform.machine()}",
        "cores": os.cpu_count(),
        "python": platform.python_version(),
        "numpy": np.__version__,
    }


def _show(result: dict[str, Any]) -> None:
    m = result["measure"]
    print(
        f"{result['duration_s']:.0f} s, {result['sensors']} sensors at {result['rate_hz']:.0f} Hz: "
        f"{result['samples']} samples, {result['swings']} swings"
    )
    print(
        f"  measure, reading included   {m['seconds']:9.3f} s  {m['samples_per_s']:>10} samples/s  peak {m['peak_memory_mb']} MB"
    )
    for name in ("madgwick", "vqf"):
        r = result[name]
        label = {"madgwick": "ahrs Madgwick, filter only", "vqf": "vqf, filter only"}[name]
        print(
            f"  {label:<26}  {r['seconds']:9.3f} s  {r['samples_per_s']:>10} samples/s  measure takes {result['ratio_to_' + name]} ×"
        )


def _show_practice(practice: dict[str, Any]) -> None:
    print(
        f"practice with a saved calibration, {practice['duration_s']:.0f} s at {practice['rate_hz']:.0f} Hz, "
        f"{practice['swings']} swings, {practice['loss']:.0%} of the samples lost"
    )
    print(
        f"  measure, reading included   {practice['seconds']:9.3f} s  processor {practice['processor_seconds']:.3f} s, "
        f"of it reading {practice['reading_seconds']:.3f} s"
    )
