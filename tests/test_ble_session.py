"""Sessions over bleak's own calls, against virtual sensors on a software Bluetooth stack.

Not covered: the operating systems' back ends, and the air.
"""

from __future__ import annotations

import asyncio
import os
import time
from collections.abc import Callable, Coroutine
from typing import Any

import bleak
import numpy as np
import pytest

pytest.importorskip("bumble", reason="the software Bluetooth stack is a test dependency")

from bumble.att import Attribute
from bumble.gatt import Characteristic, Service

from imu.errors import CupbowError, UsageError
from imu.readers.ble import BleSource, assign, scan
from imu.readers.layout import load_layouts
from imu.readers.source import Chunk, Notice
from tests.virtual_ble import OPEN_SERVICE, PacedLink, VirtualPeripheral, VirtualSensor, World

LAYOUTS = load_layouts()
ROLES = ("forearm", "hand", "club")
G = 9.80665


class Heard:
    """What a source gave, by role, while something else goes on."""

    def __init__(self, source: BleSource) -> None:
        self.source = source
        self.chunks: dict[str, list[Chunk]] = {role: [] for role in ROLES}
        self.notices: list[Notice] = []

    async def listen(self) -> None:
        async for item in self.source:
            if isinstance(item, Chunk):
                self.chunks[item.role].append(item)
            else:
                self.notices.append(item)

    def count(self, role: str) -> int:
        return sum(map(len, self.chunks[role]))

    def seqs(self, role: str) -> np.ndarray:
        return np.concatenate([c.seq for c in self.chunks[role]])

    def kinds(self, role: str) -> list[str]:
        return [n.kind for n in self.notices if n.role == role]

    async def until(self, what: Callable[[], object], timeout_s: float = 5.0) -> None:
        async with asyncio.timeout(timeout_s):
            while not what():
                await asyncio.sleep(0.01)


@pytest.fixture
def run(monkeypatch):
    """Runs a coroutine function with a fresh World in a fresh loop."""
    World.install(monkeypatch)

    def runner(body: Callable[[World], Coroutine[Any, Any, None]], link=None, central_mtu: int = 517) -> None:
        async def main() -> None:
            world = World(link() if link else None, central_mtu)
            await world.central.power_on()
            await body(world)

        asyncio.run(asyncio.wait_for(main(), 60 if not os.environ.get("CUPBOW_LONG") else 3000))

    return runner


async def three(world: World, **settings: Any) -> dict[str, VirtualSensor]:
    sensors = {role: VirtualSensor(world, role, **settings) for role in ROLES}
    for sensor in sensors.values():
        await sensor.start()
    return sensors


async def session(sensors: dict[str, VirtualSensor]) -> tuple[BleSource, Heard]:
    assigned, said = assign(await scan(LAYOUTS, seconds=0.3), {})
    assert not said
    assert set(assigned) == set(sensors)
    source = BleSource(assigned)
    return source, Heard(source)


def test_three_sensors_stream_without_loss(run):
    accel = np.array([[0.0, 0.0, 1.0], [0.5, 0.0, 1.0], [0.0, -0.5, 1.0], [0.25, 0.25, 0.5]])
    gyro = np.array([[0.0, 0.0, 0.0], [1000.0, -500.0, 250.0], [-1000.0, 0.0, 0.0], [10.0, 20.0, 30.0]])

    async def body(world: World) -> None:
        sensors = await three(world, accel=accel, gyro=gyro)
        source, heard = await session(sensors)
        async with source:
            task = asyncio.create_task(heard.listen())
            await heard.until(lambda: len(heard.kinds("club")) and all(s.device.connections for s in sensors.values()))
            await asyncio.gather(*(s.stream(2.0) for s in sensors.values()))
            await asyncio.sleep(0.1)
        await task
        for role, sensor in sensors.items():
            assert heard.count(role) == 400 == sensor.k
            np.testing.assert_array_equal(np.diff(heard.seqs(role)), 1)
            assert sum(c.lost for c in heard.chunks[role]) == 0
            sent = np.concatenate([c.accel for c in heard.chunks[role]]) / G
            np.testing.assert_allclose(sent[:4], accel, atol=1e-6)
            turned = np.degrees(np.concatenate([c.gyro for c in heard.chunks[role]]))
            np.testing.assert_allclose(turned[:4], gyro, atol=0.04)
            t = np.concatenate([c.t_s for c in heard.chunks[role]])
            np.testing.assert_allclose(np.diff(t), 0.005, atol=1e-5)
            assert heard.kinds(role) == ["on"]

    run(body)


@pytest.mark.parametrize("how", ["drop", "vanish"])
def test_a_dropped_sensor_comes_back_and_the_gap_is_counted(run, how):
    async def body(world: World) -> None:
        sensors = await three(world, stays_away=True)
        source, heard = await session(sensors)
        async with source:
            task = asyncio.create_task(heard.listen())
            streams = [asyncio.create_task(s.stream(3.0)) for s in sensors.values()]
            await heard.until(lambda: heard.count("hand") > 50)
            if how == "drop":
                await sensors["hand"].drop_link()
            else:
                sensors["hand"].vanish()
            dropped = source.now_s()
            await heard.until(lambda: "lost" in heard.kinds("hand"), 1.0)
            assert source.now_s() - dropped < 1.0
            await asyncio.sleep(0.7)
            assert source.status()["hand"].state == "lost"
            await sensors["hand"].advertise()
            await asyncio.gather(*streams)
            await heard.until(lambda: "back" in heard.kinds("hand"))
            await asyncio.sleep(0.1)
            assert source.status()["hand"].state == "on"
        await task
        for role in ("forearm", "club"):  # the others never noticed
            assert heard.kinds(role) == ["on"]
            assert sum(c.lost for c in heard.chunks[role]) == 0
        seq = heard.seqs("hand")
        assert np.all(np.diff(seq) > 0)  # nothing twice
        lost = sum(c.lost for c in heard.chunks["hand"])
        assert lost == seq[-1] + 1 - len(seq)
        assert lost >= 100
        assert len(seq) == len(sensors["hand"].sent)  # all that was sent while somebody listened has come
        t = np.concatenate([c.t_s for c in heard.chunks["hand"]])
        np.testing.assert_allclose(t - t[0], (seq - seq[0]) * 0.005, atol=2e-3)  # its clock goes on

    run(body)


def test_a_sensor_that_falls_silent_is_named_within_a_second(run):
    async def body(world: World) -> None:
        sensors = await three(world)
        source, heard = await session(sensors)
        async with source:
            task = asyncio.create_task(heard.listen())
            streams = [asyncio.create_task(s.stream(3.0)) for s in sensors.values()]
            await heard.until(lambda: heard.count("club") > 50)
            sensors["club"].hung = True
            hung = source.now_s()
            await heard.until(lambda: "silent" in heard.kinds("club"), 1.5)
            notice = next(n for n in heard.notices if n.kind == "silent")
            assert notice.at_s - hung < 1.0
            assert "club" in notice.text
            assert source.status()["club"].state == "silent"
            sensors["club"].hung = False
            await asyncio.gather(*streams)
            await heard.until(lambda: "back" in heard.kinds("club"))
        await task

    run(body)


def test_a_link_that_is_up_but_stuck_is_set_up_anew(run):
    async def body(world: World) -> None:
        sensor = VirtualSensor(world, "hand")
        await sensor.start()
        source, heard = await session({"hand": sensor})
        async with source:
            task = asyncio.create_task(heard.listen())
            stream = asyncio.create_task(sensor.stream(7.0))
            await heard.until(lambda: heard.count("hand") > 20)
            sensor.hung = True
            sensor.device.on("connection", lambda _: setattr(sensor, "hung", False))  # only a new link mends it
            await heard.until(lambda: "back" in heard.kinds("hand"), 6.0)
            stream.cancel()
        await task
        assert heard.kinds("hand") == ["on", "silent", "lost", "back"]

    run(body)


def test_a_sensor_that_restarts_goes_on_in_time(run):
    async def body(world: World) -> None:
        sensor = VirtualSensor(world, "hand", start_seq=30_000, start_us=900_000_000)
        await sensor.start()
        source, heard = await session({"hand": sensor})
        async with source:
            task = asyncio.create_task(heard.listen())
            await heard.until(lambda: heard.kinds("hand") == ["on"])
            await sensor.stream(0.5)
            sensor.vanish()
            sensor.restart()
            await heard.until(lambda: "lost" in heard.kinds("hand"))
            stream = asyncio.create_task(sensor.stream(1.0))
            await heard.until(lambda: "clock" in heard.kinds("hand"))
            await stream
            await asyncio.sleep(0.05)
        await task
        t = np.concatenate([c.t_s for c in heard.chunks["hand"]])
        assert np.all(np.diff(t) >= 0)
        assert t[-1] - t[0] < 5

    run(body)


def test_loss_on_the_air_is_counted_to_the_sample(run):
    async def body(world: World) -> None:
        sensor = VirtualSensor(world, "hand")
        await sensor.start()
        source, heard = await session({"hand": sensor})
        async with source:
            task = asyncio.create_task(heard.listen())
            await heard.until(lambda: heard.kinds("hand") == ["on"])
            for skipped in (0, 5, 0, 12, 0, 200):
                sensor.skip = skipped
                await sensor.stream(0.1)
            await asyncio.sleep(0.05)
            assert source.status()["hand"].lost == 217
        await task
        assert sum(c.lost for c in heard.chunks["hand"]) == 217
        assert heard.count("hand") == 120

    run(body)


def test_a_crowded_radio_loses_and_says_how_much(run):
    """30 ms interval, 5 packets an event and a queue of 12 cannot carry 200 notifications a second."""

    async def body(world: World) -> None:
        sensors = await three(world, per_packet=1)
        source, heard = await session(sensors)
        async with source:
            task = asyncio.create_task(heard.listen())
            await heard.until(lambda: all(heard.kinds(role) for role in ROLES))
            await asyncio.gather(*(s.stream(2.0) for s in sensors.values()))
            await asyncio.sleep(0.3)
        await task
        assert world.link.dropped > 0
        for role in ROLES:
            seq = heard.seqs(role)
            assert sum(c.lost for c in heard.chunks[role]) == seq[-1] + 1 - len(seq) > 0
            t = np.concatenate([c.t_s for c in heard.chunks[role]])
            np.testing.assert_allclose(t - t[0], seq * 0.005, atol=1e-3)

    run(body, link=lambda: PacedLink(0.03, 5, 12))


def test_a_small_link_cuts_packets_and_says_so(run):
    async def body(world: World) -> None:
        sensor = VirtualSensor(world, "hand", max_mtu=23)
        await sensor.start()
        source, heard = await session({"hand": sensor})
        async with source:
            task = asyncio.create_task(heard.listen())
            await heard.until(lambda: heard.kinds("hand"))
            await sensor.stream(0.5)
            await asyncio.sleep(0.05)
        await task
        assert heard.count("hand") == 20  # one of five in each of 20 packets
        assert source.status()["hand"].lost == 80
        assert [n for n in heard.notices if "MTU" in n.text]

    run(body, central_mtu=23)


def test_malformed_notifications_are_left_out_and_said_once(run):
    async def body(world: World) -> None:
        sensors = await three(world)
        source, heard = await session(sensors)
        async with source:
            task = asyncio.create_task(heard.listen())
            await heard.until(lambda: all(heard.kinds(role) for role in ROLES))
            await sensors["hand"].stream(0.25)
            sensors["hand"].mangle = lambda data: data[: len(data) - 7]
            await asyncio.gather(*(s.stream(0.5) for s in sensors.values()))
            sensors["hand"].mangle = None
            await sensors["hand"].stream(0.25)
            await asyncio.sleep(0.05)
            status = source.status()
        await task
        assert heard.kinds("hand") == ["on", "malformed"]
        assert "hand (hand)" in heard.notices[-1].text
        assert status["hand"].samples + status["hand"].lost == 200
        assert status["forearm"].samples == status["club"].samples == 100

    run(body)


def test_a_device_that_never_speaks_its_layout_is_named(run):
    async def body(world: World) -> None:
        sensor = VirtualSensor(world, "hand")
        await sensor.start()
        sensor.mangle = lambda data: b"\x09" + data[1:]
        source, heard = await session({"hand": sensor})
        async with source:
            task = asyncio.create_task(heard.listen())
            await heard.until(lambda: heard.kinds("hand"))
            await sensor.stream(0.5)
            await asyncio.sleep(0.05)
        await task
        assert heard.count("hand") == 0
        assert "version 9" in heard.notices[-1].text
        assert heard.notices[-1].text.count("\n") == 0

    run(body)


def test_a_wrong_scale_shows_while_still(run):
    async def body(world: World) -> None:
        sensor = VirtualSensor(world, "hand", accel=np.tile([0.0, 0.0, 4.0], (4, 1)))
        await sensor.start()
        source, heard = await session({"hand": sensor})
        async with source:
            task = asyncio.create_task(heard.listen())
            await heard.until(lambda: heard.kinds("hand"))
            await sensor.stream(1.5)
            await asyncio.sleep(0.05)
        await task
        assert heard.kinds("hand") == ["on", "doubtful"]
        assert "4 g while still" in heard.notices[-1].text

    run(body)


def test_vibration_reaches_the_sensor_and_a_sensor_without_it_says_no(run):
    async def body(world: World) -> None:
        sensor = VirtualSensor(world, "hand", stays_away=True)
        await sensor.start()
        source, heard = await session({"hand": sensor})
        async with source:
            task = asyncio.create_task(heard.listen())
            await heard.until(lambda: heard.kinds("hand"))
            assert await source.buzz("hand", (70, 70, 70))
            assert not await source.buzz("club", (70,))
            await heard.until(lambda: sensor.buzzed)
            assert sensor.buzzed[0][1] == bytes([7, 7, 7])
            sensor.vanish()
            await heard.until(lambda: "lost" in heard.kinds("hand"))
            assert not await source.buzz("hand", (70,))
        await task

    run(body)


def test_battery_is_read_watched_and_said_when_low(run):
    async def body(world: World) -> None:
        sensors = {"hand": VirtualSensor(world, "hand", battery=64), "club": VirtualSensor(world, "club", battery=12)}
        for sensor in sensors.values():
            await sensor.start()
        found = await scan(LAYOUTS, seconds=0.3, batteries=True)
        assert {one.name: one.battery_percent for one in found} == {"hand": 64, "club": 12}
        assert "12 %" in next(one for one in found if one.name == "club").remark
        source, heard = await session(sensors)
        async with source:
            task = asyncio.create_task(heard.listen())
            await heard.until(lambda: {"hand", "club"} <= {n.role for n in heard.notices if n.kind == "on"})
            assert "battery" in heard.kinds("club")  # said before the session
            assert "battery" not in heard.kinds("hand")
            sensors["hand"].battery = 19
            await sensors["hand"].device.notify_subscribers(sensors["hand"].battery_char, bytes([19]))
            await heard.until(lambda: "battery" in heard.kinds("hand"))
            assert source.status()["hand"].battery_percent == 19
        await task

    run(body)


def foreign(world: World, name: str, number: int, uuid: str) -> VirtualPeripheral:
    char = Characteristic(
        "0000aaaa-0000-1000-8000-00805f9b34fb", Characteristic.Properties.READ, Attribute.Permissions.READABLE, b"x"
    )
    return VirtualPeripheral(world, name, f"C{number}:22:33:44:55:66", [Service(uuid, [char])])


def test_who_is_near_and_who_cannot_be_used(run):
    async def body(world: World) -> None:
        near = [
            VirtualSensor(world, "hand"),
            foreign(world, "BBC micro:bit", 5, "e95d0753-251d-470a-a062-fa1922dfa9a8"),
            foreign(world, "kettle", 6, "12345678-1234-1234-1234-123456789abc"),
        ]
        for one in near:
            await one.start()
        found = await scan(LAYOUTS, seconds=0.3)
        assert [one.name for one in found] == ["hand", "BBC micro:bit", "kettle"]
        assert [one.usable for one in found] == [True, False, False]
        assert "gyroscope" in found[1].remark
        assert "docs/sensors.md" in found[2].remark
        _, said = assign(found, {"club": "kettle", "forearm": "C9:99:99:99:99:99"})
        assert any(line.startswith("club: kettle") and "no description" in line for line in said)
        assert any(line.startswith("forearm: C9:99:99:99:99:99 is not near") for line in said)
        with pytest.raises(UsageError, match="gyroscope"):
            BleSource({"club": found[1]})

    run(body)


def test_a_device_with_the_right_name_and_other_firmware_is_refused_and_the_rest_goes_on(run):
    async def body(world: World) -> None:
        hand = VirtualSensor(world, "hand")
        other = foreign(world, "club", 7, OPEN_SERVICE)
        await hand.start()
        await other.start()
        source, heard = await session({"hand": hand, "club": other})
        async with source:
            task = asyncio.create_task(heard.listen())
            await heard.until(lambda: heard.kinds("hand") and heard.kinds("club"))
            await hand.stream(0.25)
            await asyncio.sleep(0.05)
            assert source.status()["club"].state == "refused"
        await task
        assert heard.kinds("club") == ["refused"]
        assert "other firmware" in next(n.text for n in heard.notices if n.kind == "refused")
        assert heard.count("hand") == 50

    run(body)


def test_two_sensors_that_claim_one_role(run):
    async def body(world: World) -> None:
        for number, name in ((1, "hand"), (2, "hand 2"), (3, "club")):
            await VirtualSensor(world, "hand", name=name, number=number).start()
        found = await scan(LAYOUTS, seconds=0.3)
        assigned, said = assign(found, {})
        assert set(assigned) == {"hand", "club"}
        assert len(said) == 1
        assert said[0].startswith("hand: ")
        assert "keeps it" in said[0]
        chosen, said = assign(found, {"hand": "hand 2"})
        assert chosen["hand"].name == "hand 2"

    run(body)


def test_no_bluetooth_is_one_line(monkeypatch):
    class Missing:
        @staticmethod
        async def discover(**_: Any) -> None:
            raise FileNotFoundError(2, "No such file or directory")

    monkeypatch.setattr(bleak, "BleakScanner", Missing)
    with pytest.raises(CupbowError) as caught:
        asyncio.run(scan(LAYOUTS, seconds=0.1))
    text = str(caught.value)
    assert text.startswith("Bluetooth cannot be used on this machine")
    assert "cupbow replay" in text


@pytest.mark.skipif(not os.environ.get("CUPBOW_LONG"), reason="ten minutes: set CUPBOW_LONG=1")
@pytest.mark.parametrize("per_packet", [5, 1])
def test_ten_minutes_of_three_sensors_at_200_hz(run, per_packet):
    seconds = float(os.environ.get("CUPBOW_LONG_S", "600"))

    async def body(world: World) -> None:
        sensors = await three(world, per_packet=per_packet)
        source, heard = await session(sensors)
        late: list[float] = []
        async with source:
            task = asyncio.create_task(heard.listen())
            await heard.until(lambda: all(heard.kinds(role) for role in ROLES))
            start = time.process_time()
            await asyncio.gather(*(s.stream(seconds) for s in sensors.values()))
            busy = (time.process_time() - start) / seconds
            await asyncio.sleep(0.2)
            opened = source._opened
        await task
        for role, sensor in sensors.items():
            assert heard.count(role) == round(seconds * 200)
            assert sum(c.lost for c in heard.chunks[role]) == 0
            late += [
                c.arrival_s + opened - sensor.sent[int(c.seq[-1])] for c in heard.chunks[role]
            ]  # perf_counter and monotonic are one clock on Linux
        p = np.percentile(np.array(late) * 1e3, [50, 95, 99])
        print(f"\n{per_packet} a packet: lost 0; notify to callback ms p50/p95/p99 {p.round(2)}; CPU {busy:.0%}")

    run(body)
