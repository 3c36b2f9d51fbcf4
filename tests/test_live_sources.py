"""One contract for every source of samples: files, sensors over Bluetooth, virtual sensors, replay.

And one truth for all: the motion below is written in closed form, so that units, axes and times
are checked against something that no reader computed.
"""

from __future__ import annotations

import asyncio
import itertools
import math
from pathlib import Path

import numpy as np
import pytest

from imu import readers
from imu.live import LiveSession
from imu.readers.source import Chunk, Notice, SensorInfo
from imu.readers.virtual import Outage, ReplaySource, chunks_of
from imu.recorder import Recorder
from imu.recording import GRAVITY, ROLES, Recording, Stream

RATE = 200.0


def motion(t: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """A sensor that rocks about its y axis, g up: accelerometer in g, gyroscope in deg/s."""
    swing = 0.8 * np.sin(2 * np.pi * 0.5 * t)
    rate = 0.8 * 2 * np.pi * 0.5 * np.cos(2 * np.pi * 0.5 * t)
    accel = np.column_stack([-np.sin(swing), np.zeros_like(t), np.cos(swing)])
    gyro = np.column_stack([np.zeros_like(t), np.degrees(rate), np.zeros_like(t)])
    return accel, gyro


def recording(seconds: float = 3.0, roles=("forearm", "hand")) -> Recording:
    t = np.arange(0, seconds, 1 / RATE)
    accel, gyro = motion(t)
    streams = {
        role: Stream(role, t + 5.0 * k, accel * GRAVITY, np.radians(gyro), source=f"{role}.csv")
        for k, role in enumerate(roles)
    }
    return Recording(streams=streams, handedness="right")


def gather(source, *, play=None) -> list[Chunk | Notice]:
    """Everything that a source gives; `play` makes its sensors send."""

    async def main() -> list[Chunk | Notice]:
        out: list[Chunk | Notice] = []

        async def listen() -> None:
            async for item in source:
                out.append(item)

        async with source:
            task = asyncio.create_task(listen())
            await (play(source, out) if play else task)
        await task
        return out

    return asyncio.run(main())


# -- the sources ----------------------------------------------------------------------------------
def from_csv(tmp_path: Path, _monkeypatch) -> list[Chunk | Notice]:
    folder = tmp_path / "lesson"
    folder.mkdir()
    t = np.arange(0, 3, 1 / RATE)
    accel, gyro = motion(t)
    for role in ("forearm", "hand"):
        table = np.column_stack([t, accel, gyro])
        np.savetxt(folder / f"{role}.csv", table, delimiter=",", header="t,ax,ay,az,gx,gy,gz", comments="", fmt="%.6f")
    sensors = "".join(
        f'[[sensor]]\nrole = "{role}"\nfile = "{role}.csv"\naccel_unit = "g"\ngyro_unit = "deg/s"\ntime_unit = "s"\n'
        for role in ("forearm", "hand")
    )
    (folder / "recording.toml").write_text('handedness = "right"\n' + sensors)
    return list(chunks_of(readers.read(folder)))


def from_replay(tmp_path: Path, _monkeypatch) -> list[Chunk | Notice]:
    return gather(ReplaySource(recording(), speed=math.inf))


def from_virtual(tmp_path: Path, _monkeypatch) -> list[Chunk | Notice]:
    return gather(ReplaySource(recording(), speed=20, outages=[Outage("hand", 1.0, 2.0)]))


def from_ble(tmp_path: Path, monkeypatch) -> list[Chunk | Notice]:
    pytest.importorskip("bumble", reason="the software Bluetooth stack is a test dependency")
    from imu.readers.ble import BleSource, assign, scan
    from imu.readers.layout import load_layouts
    from tests.virtual_ble import VirtualSensor, World

    World.install(monkeypatch)
    accel, gyro = motion(np.arange(0, 4, 1 / RATE))  # two whole swings: it repeats without a seam
    out: list[Chunk | Notice] = []

    async def main() -> None:
        world = World()
        await world.central.power_on()
        sensors = [VirtualSensor(world, role, accel=accel, gyro=gyro) for role in ("forearm", "hand")]
        for sensor in sensors:
            await sensor.start()
        assigned, _ = assign(await scan(load_layouts(), seconds=0.3), {})
        source = BleSource(assigned)

        async def listen() -> None:
            async for item in source:
                out.append(item)

        async with source:
            task = asyncio.create_task(listen())
            while not all(s.subscribed for s in sensors):
                await asyncio.sleep(0.01)
            await sensors[0].stream(0.5)
            await asyncio.gather(*(s.stream(1.5) for s in sensors))
            sensors[1].vanish()
            await asyncio.gather(*(s.stream(1.0) for s in sensors))
            await asyncio.sleep(0.1)
        await task

    asyncio.run(asyncio.wait_for(main(), 30))
    return out


@pytest.mark.parametrize("give", [from_csv, from_ble, from_virtual, from_replay])
def test_the_contract_of_every_source(give, tmp_path, monkeypatch):
    items = give(tmp_path, monkeypatch)
    chunks = [item for item in items if isinstance(item, Chunk)]
    notices = [item for item in items if not isinstance(item, Chunk)]
    assert chunks
    for notice in notices:
        assert "\n" not in notice.text
        assert notice.role is None or notice.text.startswith(f"{notice.role} (")
    arrivals = [c.arrival_s for c in chunks]
    assert all(b >= a - 1e-9 for a, b in itertools.pairwise(arrivals))
    for role in {c.role for c in chunks}:
        assert role in ROLES
        mine = [c for c in chunks if c.role == role]
        for c in mine:
            n = len(c)
            assert n > 0
            assert c.t_s.shape == (n,)
            assert c.accel.shape == c.gyro.shape == (n, 3)
            assert c.t_s.dtype == c.accel.dtype == c.gyro.dtype == np.float64
            assert c.seq is None or c.seq.shape == (n,)
            assert c.source
        t = np.concatenate([c.t_s for c in mine])
        accel = np.concatenate([c.accel for c in mine])
        gyro = np.concatenate([c.gyro for c in mine])
        for values in (t, accel, gyro):
            assert np.isfinite(values).all()
        assert np.all(np.diff(t) >= 0)
        # Times in seconds: the motion's own half hertz, not a multiple of it.
        step = np.median(np.diff(t))
        assert step == pytest.approx(1 / RATE, rel=0.01)
        # SI, both: 1 g is 9.8 m/s^2; the fastest turn is 0.8 π rad/s, about y and no other axis.
        np.testing.assert_allclose(np.linalg.norm(accel, axis=1), GRAVITY, rtol=2e-3)
        assert np.abs(gyro[:, 1]).max() == pytest.approx(0.8 * np.pi, rel=5e-3)
        assert np.abs(gyro[:, [0, 2]]).max() < 2e-3
        # Signs: (up)' = -ω × up, which a turned accelerometer or gyroscope axis breaks.
        up = accel / np.linalg.norm(accel, axis=1, keepdims=True)
        even = np.abs(np.diff(t) - 1 / RATE) < 1e-4
        change = np.diff(up, axis=0)[even] * RATE
        middle = ((up[1:] + up[:-1]) / 2)[even]
        turn = ((gyro[1:] + gyro[:-1]) / 2)[even]
        np.testing.assert_allclose(change, -np.cross(turn, middle), atol=0.15)  # 1/2048 g × 200 Hz
        assert up[:, 2].min() > 0.6
        if mine[0].seq is not None:
            seq = np.concatenate([c.seq for c in mine])
            assert np.all(np.diff(seq) > 0)
            holes = int(seq[-1] - seq[0] + 1 - len(seq))
            assert holes == sum(c.lost for c in mine[1:])
            np.testing.assert_allclose(t - t[0], (seq - seq[0]) / RATE, atol=2e-3)


# -- replay ---------------------------------------------------------------------------------------
def test_replay_gives_every_sample_of_the_recording_unchanged():
    original = recording()
    chunks = [c for c in gather(ReplaySource(original, speed=math.inf)) if isinstance(c, Chunk)]
    for role, stream in original.streams.items():
        mine = [c for c in chunks if c.role == role]
        np.testing.assert_array_equal(np.concatenate([c.accel for c in mine]), stream.accel)
        np.testing.assert_array_equal(np.concatenate([c.gyro for c in mine]), stream.gyro)
        np.testing.assert_allclose(np.concatenate([c.t_s for c in mine]), stream.t_s - stream.t_s[0])


@pytest.mark.parametrize("speed", [1.0, 4.0])
def test_replay_keeps_its_pace(speed):
    import time

    start = time.perf_counter()
    gather(ReplaySource(recording(1.0), speed=speed))
    assert 1 / speed * 0.9 < time.perf_counter() - start < 1 / speed + 1.5


def test_an_outage_of_a_virtual_sensor_is_named_and_counted():
    source = ReplaySource(recording(4.0), speed=math.inf, outages=[Outage("hand", 1.0, 3.0)])
    items = gather(source)
    kinds = [i.kind for i in items if isinstance(i, Notice) and i.role == "hand"]
    assert kinds == ["on", "lost", "back"]
    lost = next(i for i in items if isinstance(i, Notice) and i.kind == "lost")
    assert 1.0 < lost.at_s < 2.0
    assert sum(c.lost for c in items if isinstance(c, Chunk) and c.role == "hand") == pytest.approx(400, abs=5)
    assert sum(c.lost for c in items if isinstance(c, Chunk) and c.role == "forearm") == 0


def test_a_loop_goes_on_in_time():
    source = ReplaySource(recording(0.5), speed=math.inf, loop=True)
    times: list[float] = []

    async def main() -> None:
        async with source:
            async for item in source:
                if isinstance(item, Chunk) and item.role == "hand":
                    times.extend(item.t_s)
                    if len(times) > 350:
                        return

    asyncio.run(main())
    assert np.all(np.diff(times) > 0)


# -- recording what comes -------------------------------------------------------------------------
def live(folder: Path, source, *, hold=()) -> tuple[LiveSession, Recorder]:
    """A whole session, recorded; returns it and its recorder."""

    async def main() -> tuple[LiveSession, Recorder]:
        async with source:
            session = LiveSession(source, handedness="left", club="7-iron")
            recorder = Recorder(folder, handedness="left", club="7-iron", sensors=source.sensors)
            session.record(recorder)
            await session.run()
            for held in hold:
                session.hold(*held)
            return session, recorder

    return asyncio.run(main())


def same(a: Recording, b: Recording) -> None:
    assert list(a.streams) == list(b.streams)
    assert (a.handedness, a.club, a.poses) == (b.handedness, b.club, b.poses)
    for role, s in a.streams.items():
        o = b.streams[role]
        np.testing.assert_array_equal(s.t_s, o.t_s)
        np.testing.assert_array_equal(s.accel, o.accel)
        np.testing.assert_array_equal(s.gyro, o.gyro)
        assert (s.accel_range, s.gyro_range) == (o.accel_range, o.gyro_range)


def test_what_is_in_memory_is_what_the_folder_gives_to_the_last_bit(tmp_path):
    rng = np.random.default_rng(3)
    original = recording(3.0, roles=("forearm", "hand", "club"))
    noisy = {
        role: Stream(
            role,
            s.t_s,
            s.accel + rng.normal(0, 0.1, s.accel.shape),
            s.gyro * np.pi,
            source=s.source,
            gyro_range=34.9065850398,
            accel_range=156.9,
        )
        for role, s in original.streams.items()
    }
    source = ReplaySource(Recording(streams=noisy, handedness="left"), speed=math.inf)
    session, recorder = live(tmp_path / "r", source, hold=[("hang", 0.5, 1.5), ("handshake", 2.0, 2.6)])
    assert recorder.trouble is None
    folder = readers.read(tmp_path / "r")
    same(session.recording(), folder)
    assert [p.name for p in folder.poses] == ["hang", "handshake"]
    assert len(folder.streams["club"]) == 600


def test_the_recording_cut_at_an_instant_is_the_folder_cut_there(tmp_path):
    source = ReplaySource(recording(3.0), speed=math.inf)
    session, _ = live(tmp_path / "r", source)
    cut = session.recording(until_s=1.7)
    for role in cut.streams:  # cut the files by what had arrived
        file = tmp_path / "r" / f"{role}.csv"
        lines = file.read_text().splitlines()
        kept = [lines[0], *(line for line in lines[1:] if float(line.split(",")[7]) <= 1.7)]
        file.write_text("\n".join(kept) + "\n")
    same(cut, readers.read(tmp_path / "r"))


def test_a_late_sensor_and_a_gap_are_in_the_manifest(tmp_path):
    source = ReplaySource(recording(4.0), speed=math.inf, outages=[Outage("hand", 0.0, 1.0), Outage("hand", 2.0, 3.0)])
    live(tmp_path / "r", source)
    back = readers.read(tmp_path / "r")
    gaps = back.extra["live"]["gap"]
    assert [g["role"] for g in gaps] == ["hand"]
    assert gaps[0]["lost"] == pytest.approx(200, abs=5)
    assert gaps[0]["end"] - gaps[0]["start"] == pytest.approx(1.0, abs=0.05)
    assert back.extra["live"]["complete"] is True
    assert any("lost its link" in n["text"] for n in back.extra["live"]["notice"])


def test_the_next_club_is_another_recording(tmp_path):
    async def main() -> None:
        source = ReplaySource(recording(2.0), speed=math.inf)
        session = LiveSession(source, handedness="right")
        session.record(Recorder(tmp_path / "a", handedness="right", club="7-iron", sensors=source.sensors))
        switched = False

        def switch(item) -> None:
            nonlocal switched
            if isinstance(item, Chunk) and item.arrival_s > 1.0 and not switched:
                switched = True
                next_one = Recorder(tmp_path / "b", handedness="right", club="driver", sensors=source.sensors)
                assert session.record(next_one).folder == tmp_path / "a"

        session.listen(switch)
        async with source:
            await session.run()

    asyncio.run(main())
    a, b = readers.read(tmp_path / "a"), readers.read(tmp_path / "b")
    assert (a.club, b.club) == ("7-iron", "driver")
    assert len(a.streams["hand"]) + len(b.streams["hand"]) == 400
    assert abs(len(a.streams["hand"]) - 200) <= 5


def test_a_folder_with_something_in_it_is_left_alone(tmp_path):
    (tmp_path / "x.csv").write_text("mine")
    with pytest.raises(Exception, match="is not empty"):
        Recorder(tmp_path, handedness="right", sensors={})
    assert (tmp_path / "x.csv").read_text() == "mine"


def test_an_empty_session_leaves_nothing_behind(tmp_path):
    recorder = Recorder(tmp_path / "r", handedness="right", sensors={})
    recorder.close()
    assert list(tmp_path.iterdir()) == []


def test_a_full_disk_is_said_once_and_the_session_goes_on(tmp_path):
    source = ReplaySource(recording(1.0), speed=math.inf)
    said: list[Notice] = []
    heard: list[Chunk] = []

    async def main() -> None:
        session = LiveSession(source, handedness="right")
        recorder = Recorder(tmp_path / "r", handedness="right", sensors=source.sensors)
        session.record(recorder)
        session.listen(lambda item: (heard if isinstance(item, Chunk) else said).append(item))

        def fill(item) -> None:
            if isinstance(item, Chunk) and item.arrival_s > 0.5:
                for file in recorder._files.values():
                    file.close()
                full = {role: Path("/dev/full").open("ab", buffering=0) for role in recorder._files}  # noqa: SIM115
                recorder._files.update(full)

        session.listen(fill)
        async with source:
            await session.run()

    if not Path("/dev/full").exists():
        pytest.skip("this system has no /dev/full")
    asyncio.run(main())
    assert [n.kind for n in said if "cannot be written" in n.text] == ["doubtful"]
    assert sum(len(c) for c in heard) == 400


def test_odd_texts_survive_the_manifest(tmp_path):
    odd = 'a "7" \\ iron\nünder \x7f'
    recorder = Recorder(
        tmp_path / "r", handedness="right", club=odd, sensors={"hand": SensorInfo(name=odd)}, facts={"drill": odd}
    )
    for chunk in chunks_of(recording(1.0, roles=("hand",))):
        recorder.write(chunk)
    recorder.close()
    back = readers.read(tmp_path / "r")
    assert back.club == odd
    assert back.extra["drill"] == odd
