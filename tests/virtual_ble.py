"""Bluetooth without a radio: virtual sensors on bumble's software stack, behind bleak's own calls.

The code under test calls plain `BleakScanner` and `BleakClient`; `World.install` only tells bleak
which back end its platform has. Discovery, GATT, MTU, notifications, writes and drops are real
(ATT, L2CAP and HCI of bumble); the operating systems' own back ends and the air are not.

    World            the link, and the central (this machine's adapter)
    PacedLink        a link with a connection interval and a queue that overflows, as radios have
    VirtualSensor    a board that streams by a layout: it can drop, hang, restart, lie
"""

from __future__ import annotations

import asyncio
import collections
import struct
import time
from collections.abc import Callable, Coroutine
from typing import Any

import bleak
import numpy as np
from bleak import BleakScanner
from bleak.assigned_numbers import gatt_char_props_to_strs
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.client import BaseBleakClient
from bleak.backends.descriptor import BleakGATTDescriptor
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData, BaseBleakScanner
from bleak.backends.service import BleakGATTService, BleakGATTServiceCollection
from bleak.exc import BleakDeviceNotFoundError, BleakError, BleakGATTProtocolError
from bleak.uuids import normalize_uuid_str
from bumble import att, hci, ll
from bumble.att import ATT_INVALID_ATTRIBUTE_LENGTH_ERROR, ATT_Error, Attribute
from bumble.controller import Controller
from bumble.core import UUID, AdvertisingData, BaseBumbleError
from bumble.device import Device, DeviceConfiguration, Peer
from bumble.gatt import (
    GATT_BATTERY_LEVEL_CHARACTERISTIC,
    GATT_BATTERY_SERVICE,
    Characteristic,
    CharacteristicValue,
    Service,
)
from bumble.link import LocalLink
from bumble.transport.common import AsyncPipeSink

OPEN_SERVICE = "8f538384-9a59-4b1e-9f1c-04f8cfa8702e"
OPEN_STREAM = "8f538385-9a59-4b1e-9f1c-04f8cfa8702e"
OPEN_BUZZ = "8f538387-9a59-4b1e-9f1c-04f8cfa8702e"


def uuid_str(uuid: UUID) -> str:
    return normalize_uuid_str(uuid.to_hex_str("-"))


class FixedController(Controller):
    """bumble 0.0.236: LE_Create_Connection_Cancel leaves pending_le_connection set and sends no
    completion event, so a timed-out connect() hangs for ever and blocks every later one."""

    le_acl_data_packet_length = 251  # stock 27: one HCI fragment per 27 bytes

    def on_hci_le_create_connection_cancel_command(self, command: Any) -> Any:
        pending, self.pending_le_connection = self.pending_le_connection, None
        if pending:
            self.send_hci_packet(
                hci.HCI_LE_Connection_Complete_Event(
                    status=hci.HCI_ErrorCode.UNKNOWN_CONNECTION_IDENTIFIER_ERROR,
                    connection_handle=0,
                    role=hci.Role.CENTRAL,
                    peer_address_type=pending.peer_address.address_type,
                    peer_address=pending.peer_address,
                    connection_interval=0,
                    peripheral_latency=0,
                    supervision_timeout=0,
                    central_clock_accuracy=0,
                )
            )
        return super().on_hci_le_create_connection_cancel_command(command)


class PacedLink(LocalLink):
    """LocalLink with a connection interval: ACL PDUs wait for the next event, in order. Past
    `max_queue`, notifications are dropped as firmware with a full queue would."""

    def __init__(self, interval_s: float = 0.015, max_pdus_per_event: int = 6, max_queue: int | None = None):
        super().__init__()
        self.interval, self.budget, self.max_queue = interval_s, max_pdus_per_event, max_queue
        self.queues: dict[tuple, collections.deque] = collections.defaultdict(collections.deque)
        self.armed: set[tuple] = set()
        self.dropped = 0

    def send_acl_data(self, sender_controller, destination_address, transport, data):
        key = (sender_controller.random_address, destination_address)
        queue = self.queues[key]
        if self.max_queue and len(queue) >= self.max_queue and data[2:5] == b"\x04\x00\x1b":
            self.dropped += 1  # L2CAP CID 4 (ATT), opcode 0x1B (Handle Value Notification)
            return
        queue.append((sender_controller, destination_address, transport, data))
        self._arm(key)

    def _arm(self, key):
        if key not in self.armed:
            self.armed.add(key)
            loop = asyncio.get_running_loop()
            loop.call_at((loop.time() // self.interval + 1) * self.interval, self._event, key)

    def _event(self, key):
        self.armed.discard(key)
        queue = self.queues[key]
        for _ in range(min(self.budget, len(queue))):
            super().send_acl_data(*queue.popleft())
        if queue:
            self._arm(key)

    def flush(self, a, b):  # nothing queued survives the connection
        self.queues[a, b].clear()
        self.queues[b, a].clear()

    def send_ll_control_pdu(self, sender_address, receiver_address, packet):
        if isinstance(packet, ll.TerminateInd):
            self.flush(sender_address, receiver_address)
        super().send_ll_control_pdu(sender_address, receiver_address, packet)


class World:
    """One link with this machine's adapter on it. Belongs to one event loop."""

    current: World | None = None

    def __init__(self, link: LocalLink | None = None, central_mtu: int = 517):
        self.link, self.central_mtu = link or LocalLink(), central_mtu
        self.central = self.make_device("central", "C0:00:00:00:00:01")
        self.connect_lock = asyncio.Lock()  # bumble: one pending LE connect at a time
        self.scanners: set[BumbleScanner] = set()
        self.central.on(Device.EVENT_ADVERTISEMENT, lambda adv: [s.on_adv(adv) for s in list(self.scanners)])
        World.current = self

    def make_device(self, name: str, address: str) -> Device:
        # "XX.." without /P = random; LocalLink routes ACL by *random* address, so keep it random.
        config = DeviceConfiguration(name=name, address=hci.Address(address))
        controller = FixedController(name, link=self.link)
        device = Device.from_config_with_hci(config, controller, AsyncPipeSink(controller))
        device.controller = controller
        return device

    @staticmethod
    def install(monkeypatch) -> None:
        monkeypatch.setattr(bleak, "get_platform_client_backend_type", lambda: (BumbleClient, "bumble"))
        monkeypatch.setattr(bleak, "get_platform_scanner_backend_type", lambda: (BumbleScanner, "bumble"))

    async def scan_demand_changed(self) -> None:
        if self.scanners and not self.central.scanning:
            await self.central.start_scanning(filter_duplicates=False, active=False)
        elif not self.scanners and self.central.scanning:
            await self.central.stop_scanning()


class VirtualPeripheral:
    def __init__(
        self,
        world: World,
        name: str,
        address: str,
        services: list[Service],
        max_mtu: int = 247,
        stays_away: bool = False,  # after a drop, until `advertise` is called
    ):
        self.stays_away = stays_away
        self.world, self.address, self.name = world, address, name
        self.device = world.make_device(name, address)
        self.device.add_services(services)
        self.device.gatt_server.max_mtu = max_mtu
        first = bytes(services[0].uuid) if services else b""
        ad = [(AdvertisingData.Type.FLAGS, b"\x06"), (AdvertisingData.Type.COMPLETE_LOCAL_NAME, name.encode()[:29])]
        scan_response = []
        if len(first) == 16:
            kind = AdvertisingData.Type.COMPLETE_LIST_OF_128_BIT_SERVICE_CLASS_UUIDS
            # 31 bytes an advertisement: a long name pushes the service out, as on real boards.
            (ad if 3 + 2 + len(name) + 18 <= 31 else scan_response).append((kind, first))
        self.device.advertising_data = bytes(AdvertisingData(ad))
        self.device.scan_response_data = bytes(AdvertisingData(scan_response)) if scan_response else b""

    async def start(self, interval_ms: float = 30) -> None:
        await self.device.power_on()
        await self.advertise(interval_ms)

    async def advertise(self, interval_ms: float = 30) -> None:
        await self.device.start_advertising(
            auto_restart=not self.stays_away, advertising_interval_min=interval_ms, advertising_interval_max=interval_ms
        )

    async def drop_link(self) -> None:
        """The board itself ends the connection."""
        for connection in list(self.device.connections.values()):
            await connection.disconnect()

    def vanish(self) -> None:
        """Out of range, battery pulled: both ends see the supervision timeout (0x08)."""
        reason = hci.HCI_ErrorCode.CONNECTION_TIMEOUT_ERROR
        me = self.device.controller
        for conn in list(me.le_connections.values()):
            other = self.world.link.find_le_controller(conn.peer_address)
            if back := other.le_connections.get(conn.self_address):
                other.on_le_disconnected(back, reason)
            me.on_le_disconnected(conn, reason)
            getattr(self.world.link, "flush", lambda *_: None)(conn.self_address, conn.peer_address)


class VirtualSensor(VirtualPeripheral):
    """A board that speaks cupbow's open layout, written here a second time from docs/sensors.md,
    so that the decoder is checked by something other than itself.

    Streams `accel` (n, 3) in g and `gyro` (n, 3) in deg/s at `rate` Hz, `per_packet` samples a
    notification, over and over. What it sent and when is in `sent`: sample number → time.
    """

    def __init__(
        self,
        world: World,
        role: str,
        *,
        accel: np.ndarray | None = None,
        gyro: np.ndarray | None = None,
        rate: float = 200.0,
        per_packet: int = 5,
        battery: int = 87,
        name: str | None = None,
        number: int | None = None,
        max_mtu: int = 247,
        stays_away: bool = False,
        start_seq: int = 0,
        start_us: int = 0,
    ):
        accel = np.tile([0.0, 0.0, 1.0], (8, 1)) if accel is None else accel
        gyro = np.zeros_like(accel) if gyro is None else gyro
        counts = np.column_stack([accel * 32768 / 16, gyro * 32768 / 2000])
        self.raw = np.clip(np.round(counts), -32768, 32767).astype("<i2")
        self.rate, self.per_packet, self.battery = rate, per_packet, battery
        self.seq, self.us = start_seq, float(start_us)
        self.k = 0  # samples taken
        self.sent: dict[int, float] = {}
        self.packets = 0
        self.buzzed: list[tuple[float, bytes]] = []
        self.hung = False
        self.skip = 0  # samples to lose before the next packet
        self.mangle: Callable[[bytes], bytes | None] | None = None
        props, perms = Characteristic.Properties, Attribute.Permissions
        self.stream_char = Characteristic(OPEN_STREAM, props.NOTIFY, perms.READABLE, b"")

        def on_buzz(_connection: Any, value: bytes) -> None:
            if len(value) > 20:
                raise ATT_Error(ATT_INVALID_ATTRIBUTE_LENGTH_ERROR)
            self.buzzed.append((time.perf_counter(), bytes(value)))

        buzz = Characteristic(
            OPEN_BUZZ, props.WRITE | props.WRITE_WITHOUT_RESPONSE, perms.WRITEABLE, CharacteristicValue(write=on_buzz)
        )
        self.battery_char = Characteristic(
            GATT_BATTERY_LEVEL_CHARACTERISTIC,
            props.READ | props.NOTIFY,
            perms.READABLE,
            CharacteristicValue(read=lambda _connection: bytes([self.battery])),
        )
        number = {"forearm": 1, "hand": 2, "club": 3}.get(role, 9) if number is None else number
        super().__init__(
            world,
            role if name is None else name,
            f"C{number}:11:22:33:44:5{number}",
            [
                Service(OPEN_SERVICE, [self.stream_char, buzz]),
                Service(GATT_BATTERY_SERVICE, [self.battery_char]),
            ],
            max_mtu=max_mtu,
            stays_away=stays_away,
        )

    def packet(self) -> bytes:
        """The next packet; sample numbers and clock move on."""
        n = self.per_packet
        self.k += self.skip
        self.seq += self.skip
        self.us += self.skip * 1e6 / self.rate
        self.skip = 0
        rows = self.raw[(self.k + np.arange(n)) % len(self.raw)]
        self.k += n
        self.seq += n
        self.us += n * 1e6 / self.rate
        head = struct.pack("<BBHI", 1, n, (self.seq - 1) % 65536, int(self.us) % 2**32)
        return head + rows.tobytes()

    async def stream(self, seconds: float, *, speed: float = 1.0) -> None:
        """Take and send samples for `seconds` of the board's time, at its pace or `speed` times it."""
        start, packets = time.perf_counter(), round(seconds * self.rate / self.per_packet)
        for i in range(packets):
            wait = start + (i + 1) * self.per_packet / self.rate / speed - time.perf_counter()
            await asyncio.sleep(max(0.0, wait))
            await self.send()

    async def send(self) -> None:
        first = self.seq
        data: bytes | None = self.packet()
        if self.mangle:
            data = self.mangle(data or b"")
        if self.hung or data is None:
            return
        now = time.perf_counter()
        if self.subscribed:
            self.packets += 1
            for k in range(first, self.seq):
                self.sent[k] = now
        await self.device.notify_subscribers(self.stream_char, data)

    @property
    def subscribed(self) -> bool:
        """Whether somebody listens: link up and notifications switched on."""
        return any(
            per_char.get(self.stream_char.handle, b"\0\0")[0] & 1
            for per_char in self.device.gatt_server.subscribers.values()
        ) and bool(self.device.connections)

    def restart(self) -> None:
        """The board reboots: numbers and clock begin again."""
        self.seq, self.us = 0, 0.0


class BumbleScanner(BaseBleakScanner):
    def __init__(self, detection_callback, service_uuids, scanning_mode, **kwargs: Any):
        super().__init__(detection_callback, service_uuids)

    def on_adv(self, adv: Any) -> None:
        uuids: list[str] = []
        name, mfg, tx = None, {}, None
        for ad_type, data in adv.data.ad_structures:
            if ad_type in (2, 3):
                uuids += [uuid_str(UUID.from_bytes(data[i : i + 2])) for i in range(0, len(data), 2)]
            elif ad_type in (6, 7):
                uuids += [uuid_str(UUID.from_bytes(data[i : i + 16])) for i in range(0, len(data), 16)]
            elif ad_type in (8, 9):
                name = data.decode("utf8", "replace")
            elif ad_type == 0x0A:
                tx = int.from_bytes(data, "little", signed=True)
            elif ad_type == 0xFF:
                mfg[int.from_bytes(data[:2], "little")] = bytes(data[2:])
        uuids = list(dict.fromkeys(uuids))  # bumble repeats the advertisement as the scan response
        if not self.is_allowed_uuid(uuids):
            return
        address = adv.address.to_string(False)
        ad = AdvertisementData(name, mfg, {}, uuids, tx, adv.rssi, (adv,))
        device = self.create_or_update_device(address, address, name, adv.address, ad)
        self.call_detection_callbacks(device, ad)

    async def start(self) -> None:
        self.seen_devices = {}
        self._world = World.current
        self._world.scanners.add(self)
        await self._world.scan_demand_changed()

    async def stop(self) -> None:
        self._world.scanners.discard(self)
        await self._world.scan_demand_changed()


class BumbleClient(BaseBleakClient):
    def __init__(self, address_or_ble_device, services=None, **kwargs: Any):
        super().__init__(
            address_or_ble_device,
            disconnected_callback=kwargs["disconnected_callback"],
            timeout=kwargs["timeout"],
        )
        self._device = address_or_ble_device if isinstance(address_or_ble_device, BLEDevice) else None
        self._wanted = services
        self._connection, self._peer = None, None
        self._subscriptions: dict[int, Callable] = {}

    @property
    def name(self) -> str:
        return (self._device and self._device.name) or self.address.replace(":", "-")

    @property
    def mtu_size(self) -> int:
        return self._connection.att_mtu if self._connection else 23

    @property
    def is_connected(self) -> bool:
        return self._connection is not None

    async def connect(self, pair: bool, **kwargs: Any) -> None:
        if self.is_connected:
            raise BleakError("Client is already connected")
        self._world = World.current
        timeout = kwargs.get("timeout", self._timeout)
        if self._device is None:
            self._device = await BleakScanner.find_device_by_address(
                self.address, timeout=timeout, backend=BumbleScanner
            )
            if self._device is None:
                raise BleakDeviceNotFoundError(self.address, f"Device {self.address} was not found.")
        async with asyncio.timeout(timeout + 1), self._world.connect_lock:
            try:
                connection = await self._world.central.connect(self._device.details, timeout=timeout)
            except BaseBumbleError as e:
                raise TimeoutError(f"connect {self.address}: {e!r}") from e
        self._connection, self._peer = connection, Peer(connection)
        connection.on(connection.EVENT_DISCONNECTION, lambda reason: self._on_disconnected(connection, reason))
        try:
            if self._world.central_mtu > 23:
                await self._peer.request_mtu(self._world.central_mtu)
            await self._peer.discover_all()
            self.services = self._build_services()
        except BaseException:
            await self.disconnect()
            raise

    def _build_services(self) -> BleakGATTServiceCollection:
        out = BleakGATTServiceCollection()
        for s in self._peer.services:
            if self._wanted and uuid_str(s.uuid) not in self._wanted:
                continue
            service = BleakGATTService(s, s.handle, uuid_str(s.uuid))
            out.add_service(service)
            for c in s.characteristics:
                props = list(gatt_char_props_to_strs(int(c.properties)))
                char = BleakGATTCharacteristic(c, c.handle, uuid_str(c.uuid), props, lambda: self.mtu_size - 3, service)
                out.add_characteristic(char)
                for d in c.descriptors:
                    out.add_descriptor(BleakGATTDescriptor(d, d.handle, uuid_str(d.type), char))
        return out

    def _on_disconnected(self, connection, reason) -> None:
        if self._connection is not connection:
            return
        self._connection, self._peer, self.services = None, None, None
        self._subscriptions.clear()
        if self._disconnected_callback:
            self._disconnected_callback()

    async def disconnect(self) -> None:
        if self._connection is not None:
            await self._connection.disconnect()

    async def pair(self, *args: Any, **kwargs: Any) -> None:
        raise NotImplementedError

    unpair = pair

    async def _call(self, make: Callable[[Any], Coroutine[Any, Any, Any]]) -> Any:
        if self._peer is None:
            raise BleakError("Not connected")
        try:
            return await make(self._peer.gatt_client)
        except att.ATT_Error as e:
            raise BleakGATTProtocolError(e.error_code) from e
        except asyncio.CancelledError:
            if self._connection is None:  # bumble cancels the pending ATT future on link loss
                raise BleakError("disconnected during GATT operation") from None
            raise

    async def read_gatt_char(self, characteristic, *, use_cached=False, **kwargs) -> bytearray:
        return bytearray(await self._call(lambda g: g.read_value(characteristic.handle)))

    async def read_gatt_descriptor(self, descriptor, *, use_cached=False, **kwargs) -> bytearray:
        return bytearray(await self._call(lambda g: g.read_value(descriptor.handle)))

    async def write_gatt_char(self, characteristic, data, response: bool) -> None:
        await self._call(lambda g: g.write_value(characteristic.handle, bytes(data), with_response=response))

    async def write_gatt_descriptor(self, descriptor, data) -> None:
        await self._call(lambda g: g.write_value(descriptor.handle, bytes(data), with_response=True))

    async def start_notify(self, characteristic, callback, **kwargs) -> None:
        if characteristic.handle in self._subscriptions:
            raise BleakError("already notifying")

        def subscriber(value: bytes) -> None:
            callback(bytearray(value))

        self._subscriptions[characteristic.handle] = subscriber
        await self._call(lambda g: g.subscribe(characteristic.obj, subscriber))

    async def stop_notify(self, characteristic) -> None:
        subscriber = self._subscriptions.pop(characteristic.handle, None)
        await self._call(lambda g: g.unsubscribe(characteristic.obj, subscriber))
