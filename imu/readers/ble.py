"""Sensors over Bluetooth Low Energy: who is near, and a session with two or three at once.

`scan` lists what is near and what it is. `BleSource` keeps the session: it connects, sets each
sensor up as its layout says, decodes, watches link, silence and battery, and calls a sensor back
after a drop, while the others go on. It is a `Source`: see `imu.readers.source`.

Everything goes through bleak's public calls. What its documentation and real stacks ask for: a new
client for each connection (after a drop an old one may deliver everything twice), a callback that
only stamps and queues, and one search or connection being set up at a time.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
import time
from collections import deque
from collections.abc import AsyncIterator, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from imu.errors import CupbowError, UsageError
from imu.readers.layout import Decoder, Layout, MalformedPacket
from imu.readers.source import LOW_BATTERY_PERCENT, SILENT_AFTER_S, Chunk, Notice, SensorInfo, SensorStatus, State
from imu.recording import GRAVITY, ROLES, Role

if TYPE_CHECKING:
    from bleak import BleakClient
    from bleak.backends.device import BLEDevice

_CONNECT_S = 8.0
_SEARCH_S = 4.0
_WATCH_S = 0.1
_STUCK_S = 3.0
"""A link that is up and silent for so long is dropped and set up anew."""
_BATTERY_S = 60.0
_RATE_WINDOW_S = 3.0
_SAID_AGAIN_S = 5.0


# -- who is near ---------------------------------------------------------------------------------
@dataclass(frozen=True)
class Found:
    """A Bluetooth device that is near. `layout` is None where no description fits it."""

    address: str
    name: str
    rssi: int | None  # dBm
    layout: Layout | None
    device: BLEDevice | None = field(repr=False, default=None)
    battery_percent: int | None = None
    role: Role | None = None  # from its name

    @property
    def usable(self) -> bool:
        return self.layout is not None and self.layout.refused is None

    @property
    def remark(self) -> str:
        """Why it cannot be used, or what to mind; empty where there is nothing."""
        if self.layout is None:
            return "no description fits it; docs/sensors.md tells how to write one"
        if self.layout.refused:
            return f"cannot be used: {self.layout.refused}"
        if self.battery_percent is not None and self.battery_percent <= LOW_BATTERY_PERCENT:
            return f"battery low, {self.battery_percent} %: charge it before the session"
        return self.layout.warning or ""


async def scan(layouts: Sequence[Layout], *, seconds: float = 4.0, batteries: bool = False) -> list[Found]:
    """Devices near, usable ones first, then by strength. With `batteries` each usable one is
    connected to for a moment to read its battery."""
    from bleak import BleakScanner

    with _bluetooth():
        seen = await BleakScanner.discover(timeout=seconds, return_adv=True)
    found = []
    for device, adv in seen.values():
        name = adv.local_name or device.name or ""
        services = [uuid.lower() for uuid in adv.service_uuids]
        layout = next((one for one in layouts if one.recognises(name, services)), None)
        found.append(Found(device.address, name or "unnamed", adv.rssi, layout, device, role=_role_in(name)))
    if batteries:
        found = list(await asyncio.gather(*(_with_battery(one) if one.usable else _same(one) for one in found)))
    return sorted(found, key=lambda one: (not one.usable, one.layout is None, -(one.rssi or -999), one.address))


def assign(found: Sequence[Found], wanted: Mapping[Role, str]) -> tuple[dict[Role, Found], list[str]]:
    """Which sensor wears which role, and what to say of it.

    `wanted` maps roles to addresses or names and comes first; a role left over goes to the sensor
    whose own name speaks of it. Where two claim one role the stronger keeps it.
    """
    taken: dict[Role, Found] = {}
    said: list[str] = []
    for role, key in wanted.items():
        match = next((one for one in found if key.lower() in (one.address.lower(), one.name.lower())), None)
        if match is None:
            said.append(f"{role}: {key} is not near; switch it on, or name another (cupbow sensors lists them)")
        elif not match.usable:
            said.append(f"{role}: {match.name} ({match.address}) {match.remark}")
        elif other := next((r for r, one in taken.items() if one.address == match.address), None):
            said.append(f"{role}: {match.name} ({match.address}) is the {other} already; name another sensor")
        else:
            taken[role] = match
    used = {one.address for one in taken.values()}
    for one in found:
        if one.role is None or not one.usable or one.address in used:
            continue
        if one.role in taken:
            keeper = taken[one.role]
            said.append(
                f"{one.role}: {one.name} ({one.address}) claims it too; {keeper.name} ({keeper.address}) keeps it, "
                "rename or switch off one"
            )
        elif one.role not in wanted:
            taken[one.role] = one
            used.add(one.address)
    return {role: taken[role] for role in ROLES if role in taken}, said


def _role_in(name: str) -> Role | None:
    from imu.readers.channels import role_in

    return role_in(name)


async def _same(one: Found) -> Found:
    return one


async def _with_battery(one: Found) -> Found:
    from bleak import BleakClient

    uuid = one.layout.battery if one.layout else None
    if uuid is None:
        return one
    try:
        async with asyncio.timeout(_CONNECT_S), BleakClient(one.device or one.address) as client:
            return replace(one, battery_percent=int((await client.read_gatt_char(uuid))[0]))
    except Exception:  # not answering is no reason to hide that it is there
        return one


@contextlib.contextmanager
def _bluetooth() -> Any:
    """No usable Bluetooth on this machine, in one line whatever the system calls it."""
    from bleak.exc import BleakError

    try:
        yield
    except (BleakError, OSError, ImportError) as error:
        what = " ".join(str(error.args[0] if error.args else error).split()) or type(error).__name__
        if isinstance(error, FileNotFoundError):  # Linux without D-Bus
            what = "the system's Bluetooth service is not running"
        raise CupbowError(
            f"Bluetooth cannot be used on this machine ({what}): switch it on, or work without sensors "
            "(cupbow replay PATH, cupbow demo --live)"
        ) from None


# -- a session -----------------------------------------------------------------------------------
@dataclass(eq=False)
class _Sensor:
    """One sensor of a session, and all that is known of it."""

    role: Role
    found: Found
    layout: Layout
    decoder: Decoder
    state: State = "looking"
    client: BleakClient | None = None
    samples: int = 0
    malformed: int = 0
    battery: int | None = None
    connected_s: float = -math.inf  # when it was last set up
    last_arrival_s: float | None = None
    away_since_s: float | None = None  # silent or lost: since when
    fell: asyncio.Event = field(default_factory=asyncio.Event)
    arrivals: deque[tuple[float, int]] = field(default_factory=lambda: deque(maxlen=4096))
    said: dict[str, float] = field(default_factory=dict)
    low_said: bool = False
    rest_checked: bool = False
    buzzing: asyncio.Lock = field(default_factory=asyncio.Lock)

    @property
    def label(self) -> str:
        return f"{self.role} ({self.found.name})"


class BleSource:
    """A session with the sensors of `assigned` (from `assign`).

    Opening starts the connections and returns at once; what happens comes as notices. `ready`
    waits for the first samples. `clock` gives seconds and never runs back.
    """

    def __init__(self, assigned: Mapping[Role, Found], *, clock: Any = time.monotonic) -> None:
        if not assigned:
            raise UsageError(
                "no sensor has a role; name one, as in --sensor forearm=ADDRESS (cupbow sensors lists them)"
            )
        self._clock, self._opened = clock, clock()
        self._sensors: dict[Role, _Sensor] = {}
        for role in sorted(assigned, key=ROLES.index):
            found = assigned[role]
            if found.layout is None or found.layout.refused:
                raise UsageError(f"{role}: {found.name} ({found.address}) {found.remark}")
            decoder = Decoder(found.layout, role=role, source=found.name)
            self._sensors[role] = _Sensor(role, found, found.layout, decoder, battery=found.battery_percent)
        self._queue: asyncio.Queue[tuple[_Sensor, float, bytes] | Notice | None] = asyncio.Queue()
        self._tasks: list[asyncio.Task[None]] = []
        self._radio = asyncio.Lock()  # one search or connection being set up at a time
        self._closing = False

    # -- what a Source has
    @property
    def sensors(self) -> Mapping[Role, SensorInfo]:
        return {
            role: SensorInfo(
                name=s.found.name,
                accel_range=s.layout.accel_range,
                gyro_range=s.layout.gyro_range,
                rate_hz=s.layout.rate_hz,
                device=s.layout.name,
                address=s.found.address,
            )
            for role, s in self._sensors.items()
        }

    def now_s(self) -> float:
        return float(self._clock() - self._opened)

    def status(self) -> Mapping[Role, SensorStatus]:
        now = self.now_s()
        return {role: self._status(sensor, now) for role, sensor in self._sensors.items()}

    async def ready(self, timeout_s: float) -> bool:
        """Whether every sensor has sent something within `timeout_s`."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(timeout_s):
                while any(s.last_arrival_s is None for s in self._sensors.values()):
                    await asyncio.sleep(0.02)
        return all(s.last_arrival_s is not None for s in self._sensors.values())

    async def buzz(self, role: Role, pattern_ms: Sequence[int]) -> bool:
        sensor = self._sensors.get(role)
        if sensor is None or sensor.layout.vibration is None or sensor.client is None:
            return False
        how = sensor.layout.vibration
        try:
            async with sensor.buzzing:  # two patterns at once would be felt as a third
                if how.kind == "pattern":
                    data = bytes(min(255, max(1, round(ms / 10))) for ms in pattern_ms)
                    await sensor.client.write_gatt_char(how.characteristic, data, response=how.response)
                    return True
                for i, ms in enumerate(pattern_ms):
                    level = b"\x02" if i % 2 == 0 else b"\x00"
                    await sensor.client.write_gatt_char(how.characteristic, level, response=how.response)
                    await asyncio.sleep(ms / 1000)
                await sensor.client.write_gatt_char(how.characteristic, b"\x00", response=how.response)
                return True
        except Exception as error:  # a buzz that fails must not end a session
            self._say("doubtful", sensor, f"did not take the vibration ({_short(error)})", hush=True)
            return False

    async def __aenter__(self) -> Self:
        self._opened = self._clock()
        for sensor in self._sensors.values():
            self._tasks.append(asyncio.create_task(self._keep(sensor), name=f"keep {sensor.role}"))
        self._tasks.append(asyncio.create_task(self._watch(), name="watch"))
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._closing = True
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        clients = [s.client for s in self._sensors.values() if s.client is not None]
        await asyncio.gather(*(_quietly(client.disconnect(), 2.0) for client in clients))
        for sensor in self._sensors.values():
            sensor.state, sensor.client = "ended", None
        self._queue.put_nowait(None)

    async def __aiter__(self) -> AsyncIterator[Chunk | Notice]:
        while (item := await self._queue.get()) is not None:
            if isinstance(item, Notice):
                yield item
            else:
                for out in self._decoded(*item):
                    yield out

    # -- notifications
    def _decoded(self, sensor: _Sensor, arrival_s: float, payload: bytes) -> Iterable[Chunk | Notice]:
        try:
            chunk, notices = sensor.decoder.decode(payload, arrival_s)
        except MalformedPacket as error:
            sensor.malformed += 1
            text = f"sent a notification {error}; left out, {sensor.malformed} so far"
            if sensor.samples == 0 and sensor.malformed >= 5:
                text = f"does not speak the layout {sensor.layout.name} ({error}); choose another device or description"
            return self._once(sensor, "malformed", text)
        out: list[Chunk | Notice] = []
        for notice in notices:
            out += self._once(sensor, notice.kind, notice.text.removeprefix(f"{sensor.label} "))
        if chunk is None:
            return out
        sensor.samples += len(chunk)
        sensor.arrivals.append((arrival_s, len(chunk)))
        if not sensor.rest_checked and sensor.samples >= sensor.layout.rate_hz:
            out += self._plausible(sensor, chunk)
        return [*out, chunk]

    def _plausible(self, sensor: _Sensor, chunk: Chunk) -> Iterable[Notice]:
        """A layout whose scale is wrong shows as soon as the sensor is still: it must read 1 g."""
        import numpy as np

        if np.abs(chunk.gyro).max() > 0.2:
            return []
        sensor.rest_checked = True
        g = float(np.linalg.norm(chunk.accel, axis=1).mean()) / GRAVITY
        if 0.8 < g < 1.2:
            return []
        text = f"reads {g:.2g} g while still, not 1: the layout {sensor.layout.name} may be the wrong one"
        return self._once(sensor, "doubtful", text)

    # -- one sensor
    async def _keep(self, sensor: _Sensor) -> None:
        """Connect, and connect again, for as long as the session lasts."""
        from bleak.exc import BleakError

        device = sensor.found.device
        pause = 0.0
        while not self._closing:
            await asyncio.sleep(pause)
            try:
                client = await self._connect(sensor, device)
            except _Refused as error:
                sensor.state = "refused"
                self._say("refused", sensor, str(error))
                return
            except (BleakError, OSError, TimeoutError, EOFError, AssertionError) as error:
                pause = min(5.0, pause * 2 or 0.25)
                if sensor.samples == 0:
                    self._say("lost", sensor, f"does not answer ({_short(error)}); calling it again", hush=True)
                device = None  # look for it again: it may have another address object now
                continue
            except Exception as error:
                # A fault in a driver must not end the session of the other sensors.
                pause = 5.0
                self._say("doubtful", sensor, f"could not be set up ({_short(error)}); trying again", hush=True)
                device = None
                continue
            pause, device = 0.0, sensor.found.device
            await sensor.fell.wait()
            sensor.client, sensor.state = None, "lost"
            if sensor.away_since_s is None:
                sensor.away_since_s = sensor.last_arrival_s or self.now_s()
            self._say("lost", sensor, "lost its link; calling it back, the others go on")
            await _quietly(client.disconnect(), 2.0)

    async def _connect(self, sensor: _Sensor, device: BLEDevice | None) -> BleakClient:
        from bleak import BleakClient, BleakScanner
        from bleak.exc import BleakError

        fell = sensor.fell = asyncio.Event()
        async with self._radio:
            if device is None:
                device = await BleakScanner.find_device_by_address(sensor.found.address, timeout=_SEARCH_S)
                if device is None:
                    raise BleakError("not found")
            client = BleakClient(device, disconnected_callback=lambda _: fell.set(), timeout=_CONNECT_S)
            async with asyncio.timeout(_CONNECT_S + 2):
                await client.connect()
        try:
            async with asyncio.timeout(_CONNECT_S):
                await self._set_up(sensor, client)
        except BaseException:
            await _quietly(client.disconnect(), 2.0)
            raise
        return client

    async def _set_up(self, sensor: _Sensor, client: BleakClient) -> None:
        layout = sensor.layout
        stream = client.services.get_characteristic(layout.characteristic)
        if stream is None or "notify" not in stream.properties:
            raise _Refused(
                f"has no notifying characteristic {layout.characteristic}: it is not a {layout.name}, "
                "or runs other firmware; choose another device or description"
            )
        if layout.battery and (char := client.services.get_characteristic(layout.battery)) is not None:
            with contextlib.suppress(Exception):
                self._battery(sensor, await client.read_gatt_char(char))
                if "notify" in char.properties:
                    await client.start_notify(char, lambda _, data: self._battery(sensor, data))
        for write in layout.setup:
            if client.services.get_characteristic(write.characteristic) is None:
                raise _Refused(
                    f"has no characteristic {write.characteristic} to be set up by: it is not a {layout.name}, "
                    "or runs other firmware; choose another device or description"
                )
            await client.write_gatt_char(write.characteristic, write.data, response=write.response)
        put, clock, opened = self._queue.put_nowait, self._clock, self._opened

        def arrived(_: object, data: bytearray) -> None:
            if sensor.client is client:  # else a connection that was given up still speaks
                now = clock() - opened
                self._arrived(sensor, now)
                put((sensor, now, bytes(data)))

        sensor.client = client
        await client.start_notify(stream, arrived)
        sensor.connected_s = self.now_s()
        if sensor.state == "looking":
            sensor.state = "on"
        if sensor.samples == 0 and sensor.away_since_s is None:
            battery = "" if sensor.battery is None else f", battery {sensor.battery} %"
            self._say("on", sensor, f"is connected{battery}")

    def _arrived(self, sensor: _Sensor, now: float) -> None:
        if sensor.away_since_s is not None:
            gone = now - sensor.away_since_s
            sensor.away_since_s = None
            self._say("back", sensor, f"is back after {gone:.1f} s")
        sensor.state = "on"
        sensor.last_arrival_s = now

    def _battery(self, sensor: _Sensor, data: bytes | bytearray) -> None:
        if not data or not 0 <= data[0] <= 100:
            return
        sensor.battery = int(data[0])
        if sensor.battery <= LOW_BATTERY_PERCENT and not sensor.low_said:
            sensor.low_said = True
            self._say("battery", sensor, f"has {sensor.battery} % battery left; charge it before the next session")
        elif sensor.battery > LOW_BATTERY_PERCENT + 5:
            sensor.low_said = False

    # -- all sensors
    async def _watch(self) -> None:
        polled = self.now_s()
        while True:
            await asyncio.sleep(_WATCH_S)
            now = self.now_s()
            for sensor in self._sensors.values():
                if sensor.client is None:
                    continue
                since = max(sensor.last_arrival_s or 0.0, sensor.connected_s)
                if now - since > SILENT_AFTER_S and sensor.state == "on":
                    sensor.state, sensor.away_since_s = "silent", since
                    self._say("silent", sensor, f"has sent nothing for {now - since:.1f} s; its link is up")
                elif now - since > _STUCK_S:
                    sensor.fell.set()
            if now - polled > _BATTERY_S:
                polled = now
                for sensor in self._sensors.values():
                    await self._poll_battery(sensor)

    async def _poll_battery(self, sensor: _Sensor) -> None:
        if sensor.client is not None and sensor.layout.battery:
            with contextlib.suppress(Exception):
                async with asyncio.timeout(1.0):
                    self._battery(sensor, await sensor.client.read_gatt_char(sensor.layout.battery))

    def _status(self, sensor: _Sensor, now: float) -> SensorStatus:
        window = min(_RATE_WINDOW_S, now - max(0.0, sensor.connected_s)) or _RATE_WINDOW_S
        recent = sum(n for at, n in sensor.arrivals if now - at <= window)
        return SensorStatus(
            role=sensor.role,
            name=sensor.found.name,
            state=sensor.state,
            samples=sensor.samples,
            lost=sensor.decoder.lost if sensor.layout.has_counter or sensor.layout.has_clock else None,
            malformed=sensor.malformed,
            rate_hz=recent / window if recent else None,
            battery_percent=sensor.battery,
            silent_s=None if sensor.last_arrival_s is None else max(0.0, now - sensor.last_arrival_s),
        )

    def _say(self, kind: Any, sensor: _Sensor, text: str, *, hush: bool = False) -> None:
        if not hush:
            self._queue.put_nowait(Notice(kind, sensor.role, f"{sensor.label} {text}", self.now_s()))
        else:
            for notice in self._once(sensor, kind, text):
                self._queue.put_nowait(notice)

    def _once(self, sensor: _Sensor, kind: Any, text: str) -> list[Notice]:
        """The same kind of trouble is said again only after a while: a thousand lines hide one."""
        now = self.now_s()
        if now - sensor.said.get(kind, -math.inf) < _SAID_AGAIN_S:
            return []
        sensor.said[kind] = now
        return [Notice(kind, sensor.role, f"{sensor.label} {text}", now)]


class _Refused(Exception):
    """A device that cannot be what it was taken for; calling it again would not help."""


async def _quietly(waiting: Any, timeout_s: float) -> None:
    with contextlib.suppress(Exception):
        async with asyncio.timeout(timeout_s):
            await waiting


def _short(error: BaseException) -> str:
    return " ".join(str(error).split())[:120] or type(error).__name__
