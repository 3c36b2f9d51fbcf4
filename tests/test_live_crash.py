"""A live recording is whole at every instant: killed at any moment, cut at any byte."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from imu import readers
from imu.readers.virtual import chunks_of
from imu.recorder import Recorder
from imu.recording import Recording, Stream

WRITER = """
import asyncio, sys
import numpy as np
from imu.live import LiveSession
from imu.readers.source import Chunk
from imu.readers.virtual import ReplaySource
from imu.recorder import Recorder
from imu.recording import Recording, Stream

t = np.arange(0, 60, 0.005)
k = np.arange(len(t))
accel = np.column_stack([k * 1e-3, -k * 1e-3, 0 * k + 9.8])
streams = {
    role: Stream(role, t, accel, np.column_stack([k, k, -k]) * 1e-3, source=role)
    for role in ("forearm", "hand", "club")
}

async def main():
    source = ReplaySource(Recording(streams=streams, handedness="right"), speed=1.0)
    session = LiveSession(source, handedness="right")
    session.record(Recorder(sys.argv[1], handedness="right", sensors=source.sensors))
    total = dict.fromkeys(streams, 0)
    def said(item):
        if isinstance(item, Chunk):
            total[item.role] += len(item)
            print(item.role, total[item.role], flush=True)
    session.listen(said)
    async with source:
        await session.run()

asyncio.run(main())
"""


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="this system has no kill -9")
@pytest.mark.parametrize("after_s", [0.4, 1.13, 2.27])
def test_a_session_killed_in_the_middle_keeps_everything_that_had_come(tmp_path, after_s):
    folder = tmp_path / "r"
    process = subprocess.Popen([sys.executable, "-c", WRITER, str(folder)], stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        first = process.stdout.readline()  # the clock starts when it plays
        time.sleep(after_s)
    finally:
        process.kill()
    rest = process.communicate(timeout=20)[0]
    assert process.returncode == -signal.SIGKILL
    said = {"forearm": 0, "hand": 0, "club": 0}
    for line in (first + rest).splitlines():
        role, count = line.split()
        said[role] = int(count)
    assert said["club"] >= 0.5 * after_s * 200
    back = readers.read(folder)
    assert back.extra["live"]["complete"] is False
    for role, stream in back.streams.items():
        k = np.arange(len(stream))
        assert said[role] <= len(stream) <= said[role] + 10  # what was told of had been written before
        np.testing.assert_allclose(stream.t_s, k * 0.005, atol=1e-9)
        np.testing.assert_allclose(stream.accel[:, 1], -k * 1e-3, atol=1e-9)
        np.testing.assert_allclose(stream.gyro[:, 2], -k * 1e-3, atol=1e-9)
    assert set(back.streams) == {role for role, n in said.items() if n}


def test_a_file_cut_at_any_byte_gives_no_wrong_number(tmp_path):
    """As a power failure may leave it."""
    t = np.arange(0, 0.5, 0.005)
    k = np.arange(len(t))
    accel = np.column_stack([k * 0.0123457, -k * 0.0123457, 0 * k + 9.806651])
    gyro = np.column_stack([-k, k, -k]) * 0.0123457
    original = Recording(streams={"hand": Stream("hand", t, accel, gyro, source="x")}, handedness="right")
    recorder = Recorder(tmp_path / "r", handedness="right", sensors={})
    for chunk in chunks_of(original):
        recorder.write(chunk)
    recorder.close()
    file: Path = tmp_path / "r" / "hand.csv"
    whole = file.read_bytes()
    lines = whole.split(b"\n")
    tail = len(lines[-2]) + len(lines[-3]) + 4
    seen = set()
    for length in range(len(whole) - tail, len(whole) + 1):
        file.write_bytes(whole[:length])
        stream = readers.read(tmp_path / "r").streams["hand"]
        n = len(stream)
        seen.add(n)
        np.testing.assert_allclose(stream.t_s, t[:n], atol=1e-9, err_msg=f"cut at {length}")
        np.testing.assert_allclose(stream.accel, accel[:n], atol=1e-6, err_msg=f"cut at {length}")
        np.testing.assert_allclose(stream.gyro, gyro[:n], atol=1e-6, err_msg=f"cut at {length}")
    assert {98, 99, 100} <= seen
