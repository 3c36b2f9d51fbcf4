"""Angles now against the truth of rendered swings (MuJoCo), and a swing's numbers against measuring
the recording that was cut when they were given."""

from __future__ import annotations

import asyncio
import math

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

pytest.importorskip("mujoco", reason="the truth is rendered by MuJoCo, a test dependency")

from imu import readers
from imu.kinematics import POSTURE_ANGLES, posture
from imu.live import LiveSession
from imu.live_angles import LIVE_ANGLES, LiveAngles, _Clock
from imu.live_coach import LiveCoach, Measured, fit_model
from imu.measuring import measure_recording
from imu.readers.virtual import ReplaySource, chunks_of
from imu.recorder import Recorder
from imu.recording import Recording, Stream
from tests.bench.causes import CAUSES
from tests.bench.recording import _interpolate, make_recording


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """cause → (recording, its truth); made once."""
    made = {}

    def get(cause: str, seed: int = 3):
        if (cause, seed) not in made:
            c = CAUSES[cause]
            one = make_recording(seed=seed, errors=c.errors, session=c.session, roles=c.roles)
            folder = one.write(tmp_path_factory.mktemp(cause.replace("+", "_")), truth=False)
            made[cause, seed] = readers.read(folder), one.truth
        return made[cause, seed]

    return get


def before(recording: Recording, seconds: float) -> Recording:
    """What had come after so many seconds."""
    from dataclasses import replace

    streams = {}
    for role, s in recording.streams.items():
        n = int(np.searchsorted(s.t_s - s.t_s[0], seconds))
        streams[role] = replace(s, t_s=s.t_s[:n], accel=s.accel[:n], gyro=s.gyro[:n])
    return replace(recording, streams=streams)


def follow(recording: Recording, *, calibrated_by: float):
    """Readings at 30 Hz of a session calibrated by its first seconds: times, speeds, values, u95."""
    from dataclasses import replace

    model = fit_model(before(recording, calibrated_by))
    live = LiveAngles(model, gyro_ranges={r: s.gyro_range for r, s in recording.streams.items()})
    starts = {role: float(s.t_s[0]) for role, s in recording.streams.items()}
    rows, last = [], -1.0
    for chunk in chunks_of(recording):
        live.feed(replace(chunk, t_s=chunk.t_s + starts[chunk.role]))
        if chunk.arrival_s - last > 1 / 30:
            last = chunk.arrival_s
            reading = live.reading()
            if reading is not None:
                angles = [reading.angles[a] for a in LIVE_ANGLES]
                rows.append(
                    [reading.t_s, reading.speed_dps, *[a.value_deg for a in angles], *[a.u95_deg for a in angles]]
                )
    return np.array(rows, float)


def true_angles(truth, t: np.ndarray, side: int) -> np.ndarray:
    r = truth.motion.rendered
    true_s = np.clip(t / truth.rate + truth.start, r.t[0], r.t[-1] - 1e-3)
    f, h, c = (
        Rotation.from_quat(_interpolate(r.t, r.q[body], true_s), scalar_first=True).as_matrix()
        for body in ("forearm", "hand", "club")
    )
    return np.degrees(posture(f, h, c, None, side=side))


def errors(recording, truth, *, calibrated_by: float):
    rows = follow(recording, calibrated_by=calibrated_by)
    side = 1 if recording.handedness == "left" else -1
    true = true_angles(truth, rows[:, 0], side)
    n = len(LIVE_ANGLES)
    out = {}
    for i, name in enumerate(LIVE_ANGLES):
        e = (rows[:, 2 + i] - true[:, POSTURE_ANGLES.index(name)] + 180) % 360 - 180
        out[name] = e, rows[:, 2 + n + i]
    return rows, out


def poses_end(recording) -> float:
    return max(p.end_s for p in recording.poses) + 1.0


@pytest.mark.parametrize(("cause", "limit"), [("clean", 1.0), ("clocks", 1.2)])
def test_the_wrist_now_is_the_wrist(bench, cause, limit):
    recording, truth = bench(cause)
    start = poses_end(recording)
    rows, error = errors(recording, truth, calibrated_by=start)
    slow = (rows[:, 0] > start) & (rows[:, 1] < 120)
    assert np.count_nonzero(slow) > 300
    for name in ("wrist_flexion", "wrist_deviation"):
        e, u95 = error[name]
        known = slow & np.isfinite(e)
        assert np.count_nonzero(known) > 0.9 * np.count_nonzero(slow), name
        assert np.sqrt(np.mean(e[known] ** 2)) < limit, name
        assert np.mean(np.abs(e[known]) <= u95[known]) > 0.95, name


def test_what_is_not_known_is_said():
    t = np.arange(0, 3, 0.005)
    still = np.tile([0.0, 0.0, 9.81], (len(t), 1))
    stream = Stream("club", t, still, np.zeros((len(t), 3)), source="club")
    recording = Recording(streams={"club": stream}, handedness="right")
    assert fit_model(recording) is None


def test_a_lost_sensor_blanks_what_depends_on_it_and_nothing_else(bench):
    recording, _ = bench("clean")
    start = poses_end(recording)
    live = LiveAngles(fit_model(before(recording, start)))
    for chunk in chunks_of(recording):
        if chunk.arrival_s > start + 1:
            break
        if chunk.role != "hand" or chunk.arrival_s < start:
            from dataclasses import replace

            live.feed(replace(chunk, t_s=chunk.t_s + float(recording.streams[chunk.role].t_s[0])))
            live.settle()
    angles = live.reading().angles
    assert angles["wrist_flexion"].value_deg is None
    assert "hand sensor lost" in angles["wrist_flexion"].reason
    assert angles["shaft_elevation"].value_deg is not None or "known" in angles["shaft_elevation"].reason


@pytest.mark.parametrize("lost_at", [None, 400])
def test_arrival_stamps_become_the_sensors_own_times(lost_at):
    """Times against the line on which the samples were taken; a loss is found within half a second."""
    rng = np.random.default_rng(2)
    n = np.arange(1200)
    if lost_at:
        n = n[(n < lost_at) | (n >= lost_at + 6)]
    true = n * 0.005
    arrival = np.maximum.accumulate(true + 0.008 + rng.exponential(0.008, len(n)))
    clock = _Clock(period_s=0.005, late=True)
    t, missing = clock.place(arrival, None)
    late = t - true
    settled = slice(100, 390)
    assert np.abs(late[settled] - np.median(late[settled])).max() < 0.005
    if lost_at:
        assert 4 <= missing.sum() <= 7
        assert np.flatnonzero(missing)[0] - lost_at < 120
        assert abs(np.median(late[-300:]) - np.median(late[settled])) < 0.008
    else:
        assert missing.sum() == 0


# -- after a swing --------------------------------------------------------------------------------
def cut(folder, from_s: float, until_s: float) -> None:
    """Cut the files of a recording to what had arrived from one time until another."""
    for file in folder.glob("*.csv"):
        head, *lines = file.read_text().splitlines()
        kept = [line for line in lines if from_s <= float(line.split(",")[7]) <= until_s]
        file.write_text("\n".join([head, *kept]) + "\n")
    if math.isfinite(from_s):  # the poses lie before: the calibration stands for them
        manifest = folder / "recording.toml"
        head, poses, tail = manifest.read_text().partition("\n[[pose]]")
        manifest.write_text(head + "\n[live]" + tail.partition("\n[live]")[2] if poses else head)


def played(recording: Recording, folder, *, poses_s: float | None) -> tuple[list[Measured], LiveCoach, LiveSession]:
    """A recording through a live session, calibrated when `poses_s` have been played, or not at all."""
    told: list[Measured] = []

    async def main() -> tuple[LiveCoach, LiveSession]:
        source = ReplaySource(recording, speed=math.inf)
        session = LiveSession(source, handedness=recording.handedness, club=recording.club)
        session.record(Recorder(folder, handedness=recording.handedness, club=recording.club, sensors=source.sensors))
        for pose in recording.poses:
            session.hold(pose.name, pose.start_s, pose.end_s)
        coach = LiveCoach(session, on_swing=told.append)
        coach._elsewhere = here  # type: ignore[method-assign]
        coach.setting_up = poses_s is not None
        try:
            async with source:
                run = asyncio.create_task(session.run())
                while coach.setting_up and not run.done():
                    await asyncio.sleep(0)
                    if source.now_s() >= (poses_s or 0.0):
                        coach.setting_up = False
                        await coach.calibrate()
                await run
                while coach._jobs:
                    await asyncio.gather(*coach._jobs, return_exceptions=True)
            await coach.finish(session.recording(), coach.swings)
        finally:
            await coach.close()
        return coach, session

    async def here(pool, work, *args):
        """The process's work, done here: these tests are of the numbers, not of the pools."""
        return work(*args)

    return told, *asyncio.run(main())


@pytest.mark.parametrize("calibrated", [False, True])
def test_a_provisional_value_is_what_measuring_the_recording_cut_there_gives(bench, tmp_path, calibrated):
    recording, _ = bench("clean")
    told, coach, _ = played(recording, tmp_path / "r", poses_s=poses_end(recording) if calibrated else None)
    assert told
    first = told[0]
    assert math.isfinite(first.from_s) is calibrated
    cut(tmp_path / "r", first.from_s, first.cut_s)
    again = measure_recording(readers.read(tmp_path / "r"), calibration=first.calibration)
    assert len(again.swings) == 1
    there, shown = again.swings[0].to_json(), first.swing.to_json()
    offsets = {
        round(shown["events"][name]["t"] - event["t"], 3)
        for name, event in there.pop("events").items()
        if event["t"] is not None
    }
    assert len(offsets) == 1, "all events are later by what was cut away before"
    del shown["events"]
    assert there == shown
    # the final pass measures the whole recording, finds the same swings, and keeps what was shown
    final = [m for m in coach.swings if m.final]
    assert [m.swing.index for m in final] == list(range(1, len(final) + 1))
    assert [m for m in coach.swings if not m.final] == told
