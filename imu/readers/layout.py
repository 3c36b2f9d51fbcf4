"""Sensors described as data: one TOML file a device model, and the decoder that follows it.

`devices/*.toml` hold what a board sends and how it is set up; `docs/sensors.md` tells how to write
one for another board. A `Decoder` turns the notifications of one sensor into SI chunks: it unwraps
counter and clock, counts what was lost, and refuses what does not fit the layout.
"""

from __future__ import annotations

import math
import struct
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

import numpy as np

from imu.errors import CupbowError
from imu.readers.source import Chunk, Notice
from imu.recording import GRAVITY, Array, Role

FORMAT = "cupbow.device/1"

BATTERY_LEVEL = "00002a19-0000-1000-8000-00805f9b34fb"
"""Battery Level characteristic (Bluetooth SIG assigned number 0x2A19): one byte, per cent."""

_ACCEL_UNITS = {"g": GRAVITY, "mg": GRAVITY / 1000, "m/s^2": 1.0}
_GYRO_UNITS = {"deg/s": math.pi / 180, "mdeg/s": math.pi / 180_000, "rad/s": 1.0}
_CLOCK_UNITS = {"s": 1.0, "ms": 1e-3, "us": 1e-6}
_TYPES = {"u8": "u1", "i8": "i1", "u16": "u2", "i16": "i2", "u32": "u4", "i32": "i4", "f32": "f4"}
_AXES = ("ax", "ay", "az", "gx", "gy", "gz")


class MalformedPacket(ValueError):
    """A notification that does not fit the layout; the message says how."""


@dataclass(frozen=True)
class Write:
    """Bytes written to a characteristic when a connection is set up."""

    characteristic: str
    data: bytes
    response: bool


@dataclass(frozen=True)
class Vibration:
    """How a sensor is made to vibrate.

    `level`: one byte switches it, as the Alert Level characteristic does (Bluetooth SIG 0x2A06:
    0 off, 2 high); the pattern is timed here. `pattern`: the sensor takes the durations, one byte
    each in units of 10 ms, on first, and times them itself.
    """

    characteristic: str
    kind: str  # level | pattern
    response: bool


@dataclass(frozen=True, eq=False)
class Layout:
    """One device model. Scales turn raw numbers into SI (m/s^2, rad/s)."""

    name: str
    path: Path
    sources: tuple[str, ...]
    names: tuple[str, ...]  # patterns of advertised names
    services: tuple[str, ...]  # advertised services
    refused: str | None = None  # why this model is not enough
    warning: str | None = None  # what this model cannot do
    service: str = ""
    characteristic: str = ""
    rate_hz: float = 0.0
    header: np.dtype[np.void] = field(default_factory=lambda: np.dtype([]))
    constants: Mapping[str, int] = field(default_factory=dict)  # header fields that must hold a value
    sample: np.dtype[np.void] = field(default_factory=lambda: np.dtype([]))
    samples: int | None = None  # a packet; None: as many as fit, or as the header's `count` says
    accel_scale: float = 0.0
    gyro_scale: float = 0.0
    accel_range: float | None = None
    gyro_range: float | None = None
    counts: str = "samples"  # what `seq` counts: samples | packets
    stamps: str = "last"  # the sample that `time` belongs to: first | last
    clock_unit_s: float = 1.0
    setup: tuple[Write, ...] = ()
    battery: str | None = None
    vibration: Vibration | None = None

    def recognises(self, name: str | None, services: Iterable[str]) -> bool:
        return bool(set(self.services).intersection(services)) or any(fnmatchcase(name or "", p) for p in self.names)

    @property
    def header_format(self) -> str:
        """The header as `struct` writes it."""
        fields = [self.header[name] for name in self.header.names or ()]
        order = ">" if any(kind.byteorder == ">" for kind in fields) else "<"
        return order + "".join(kind.char for kind in fields)

    @property
    def has_counter(self) -> bool:
        return "seq" in (self.header.names or ())

    @property
    def has_clock(self) -> bool:
        return "time" in (self.header.names or ())


def load_layouts(*folders: Path) -> tuple[Layout, ...]:
    """The layouts that come with cupbow, and before them those of `folders` (so that one's own
    description of a board wins)."""
    places = (*folders, Path(__file__).parent / "devices")
    return tuple(load_layout(path) for place in places for path in sorted(place.glob("*.toml")))


def load_layout(path: Path) -> Layout:
    """Read one description; what is wrong in it is said with file and field."""
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise CupbowError(f"{path}: cannot be read ({error.strerror})") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise CupbowError(f"{path}: is not TOML ({error})") from None
    return _Fields(path, data).layout()


def uuid(text: str) -> str:
    """The long lower-case form of a UUID; four digits are a Bluetooth SIG number."""
    text = str(text).strip().lower()
    return f"0000{text}-0000-1000-8000-00805f9b34fb" if len(text) == 4 else text


class _Fields:
    """Reads a description and names the field that is wrong."""

    def __init__(self, path: Path, data: Mapping[str, Any]) -> None:
        self.path, self.data = path, data

    def wrong(self, key: str, what: str) -> CupbowError:
        return CupbowError(f"{self.path.name}: {key}: {what}; docs/sensors.md describes the fields")

    def get(self, key: str, kind: type | tuple[type, ...], default: Any = ...) -> Any:
        node: Any = self.data
        for part in key.split("."):
            node = node.get(part, ...) if isinstance(node, Mapping) else ...
        if node is ...:
            if default is ...:
                raise self.wrong(key, "is missing")
            return default
        if not isinstance(node, kind) or (isinstance(node, bool) and kind is not bool):
            raise self.wrong(key, f"cannot be {node!r}")
        return node

    def choice(self, key: str, among: Iterable[str], default: Any = ...) -> str:
        value = self.get(key, str, default)
        if value not in (among := tuple(among)):
            raise self.wrong(key, f"is {value!r}, must be one of {', '.join(among)}")
        return value

    def uuid(self, key: str, default: Any = ...) -> str:
        value = self.get(key, str, default)
        try:
            return self.as_uuid(value)
        except ValueError:
            raise self.wrong(key, f"{value!r} is no UUID (4 digits, or 8-4-4-4-12)") from None

    @staticmethod
    def as_uuid(text: Any) -> str:
        from uuid import UUID

        return str(UUID(uuid(text)))

    def layout(self) -> Layout:
        if (found := self.get("format", str)) != FORMAT:
            raise self.wrong("format", f"is {found!r}, this version reads {FORMAT!r}")
        try:
            services = tuple(self.as_uuid(u) for u in self.get("advertised.services", list, []))
        except ValueError as error:
            raise self.wrong("advertised.services", str(error)) from None
        common: dict[str, Any] = {
            "name": self.get("name", str),
            "path": self.path,
            "sources": tuple(self.get("sources", list)),
            "names": tuple(self.get("advertised.names", list, [])),
            "services": services,
            "refused": self.get("refused", str, None),
            "warning": self.get("warning", str, None),
        }
        if not common["names"] and not services:
            raise self.wrong("advertised", "needs names or services to recognise the device by")
        if common["refused"]:
            return Layout(**common)
        order = {"little": "<", "big": ">"}[self.choice("packet.byte_order", ("little", "big"), "little")]
        header, constants = self.record("packet.header", order, [])
        sample, _ = self.record("packet.sample", order)
        if missing := [axis for axis in _AXES if axis not in (sample.names or ())]:
            raise self.wrong("packet.sample", f"lacks {', '.join(missing)}: a swing needs accelerometer and gyroscope")
        samples = self.get("packet.samples", (int, str), 1)
        if isinstance(samples, str):
            if samples not in ("count", "fill"):
                raise self.wrong("packet.samples", f"is {samples!r}, must be a number, 'count' or 'fill'")
            if (samples == "count") != ("count" in (header.names or ())):
                raise self.wrong("packet.samples", "'count' and a header field of that name go together")
            samples = None
        elif samples < 1:
            raise self.wrong("packet.samples", "must be at least 1")
        names = header.names or ()
        return Layout(
            **common,
            service=self.uuid("stream.service"),
            characteristic=self.uuid("stream.characteristic"),
            rate_hz=self.positive("stream.rate_hz"),
            header=header,
            constants=constants,
            sample=sample,
            samples=samples,
            **self.scale("accel", _ACCEL_UNITS),
            **self.scale("gyro", _GYRO_UNITS),
            counts=self.choice("counter.counts", ("samples", "packets")) if "seq" in names else "samples",
            stamps=self.choice("clock.stamps", ("first", "last")) if "time" in names else "last",
            clock_unit_s=_CLOCK_UNITS[self.choice("clock.unit", _CLOCK_UNITS)] if "time" in names else 1.0,
            setup=self.writes(),
            battery=None
            if self.get("battery", dict, None) is None
            else self.uuid("battery.characteristic", BATTERY_LEVEL),
            vibration=self.vibration(),
        )

    def positive(self, key: str) -> float:
        value = float(self.get(key, (int, float)))
        if not value > 0 or not math.isfinite(value):
            raise self.wrong(key, f"is {value}, must be above 0")
        return value

    def record(self, key: str, order: str, default: Any = ...) -> tuple[np.dtype[np.void], dict[str, int]]:
        """`["seq:u16", "-:u8", "version:u8=1"]` as a packed record; `-` is skipped."""
        fields: list[tuple[str, str]] = []
        constants: dict[str, int] = {}
        for i, item in enumerate(self.get(key, list, default)):
            name, _, kind = str(item).partition(":")
            kind, _, constant = kind.partition("=")
            if kind not in _TYPES or not name:
                raise self.wrong(key, f"{item!r} is not name:type, type one of {', '.join(_TYPES)}")
            if name in (known for known, _ in fields):
                raise self.wrong(key, f"names {name!r} twice")
            if constant:
                constants[name] = int(constant, 0)
            if name in ("seq", "time") and not kind.startswith("u"):
                raise self.wrong(key, f"{name!r} must be unsigned, so that its wrap is known")
            fields.append((f"-{i}" if name == "-" else name, order + _TYPES[kind]))
        return np.dtype(fields), constants

    def scale(self, what: str, units: Mapping[str, float]) -> dict[str, Any]:
        unit = units[self.choice(f"{what}.unit", units)]
        scale = float(self.get(f"{what}.scale", (int, float)))
        if scale == 0 or not math.isfinite(scale):
            raise self.wrong(f"{what}.scale", f"is {scale}, must not be 0")
        full = self.get(f"{what}.range", (int, float), None)
        return {f"{what}_scale": scale * unit, f"{what}_range": None if full is None else float(full) * unit}

    def writes(self) -> tuple[Write, ...]:
        out = []
        for i, entry in enumerate(self.get("setup", list, []), start=1):
            one = _Fields(self.path, {f"setup {i}": entry})
            text = one.get(f"setup {i}.write", str)
            try:
                data = bytes.fromhex(text)
            except ValueError:
                raise self.wrong(f"setup {i}.write", f"{text!r} is not bytes in hexadecimal") from None
            response = one.get(f"setup {i}.response", bool, True)
            out.append(Write(one.uuid(f"setup {i}.characteristic"), data, response))
        return tuple(out)

    def vibration(self) -> Vibration | None:
        if self.get("vibration", dict, None) is None:
            return None
        return Vibration(
            self.uuid("vibration.characteristic"),
            self.choice("vibration.kind", ("level", "pattern")),
            self.get("vibration.response", bool, False),
        )


_SLACK_S = 2.0
"""How far a counter or clock may run ahead of the arrivals: the packet before may have been late
by so much. Beyond it the sensor has started anew."""


class Decoder:
    """Notifications of one sensor → chunks.

    Lives as long as the session, over reconnections, so that counter and clock go on. Arrivals
    resolve how often a counter has wrapped; they are late, never early.
    """

    def __init__(self, layout: Layout, *, role: Role, source: str) -> None:
        self.layout, self.role, self.source = layout, role, source
        self.lost = 0
        self._arrival: float | None = None  # of the last packet
        self._seq = -1  # of the last sample
        self._raw_seq = 0
        self._t = -math.inf  # of the last sample that came
        self._stamp = 0.0  # of the sample that the last packet's `time` belongs to
        self._end = 0.0  # of the last sample that the last packet held when it was sent
        self._raw_time = 0
        self._sent = 0  # samples of the last packet
        self._period_s = 1 / layout.rate_hz
        self._head = struct.Struct(layout.header_format)
        self._names = layout.header.names or ()
        self._scales = np.repeat([layout.accel_scale, layout.gyro_scale], 3)
        kinds = {layout.sample[name] for name in layout.sample.names or ()}
        self._whole = all(kind.kind in "iu" for kind in kinds)
        self._width = len(layout.sample.names or ())
        order = list(layout.sample.names or ())
        self._columns = [order.index(axis) for axis in _AXES] if len(kinds) == 1 else None

    def decode(self, payload: bytes | bytearray, arrival_s: float) -> tuple[Chunk | None, list[Notice]]:
        """One notification. `MalformedPacket` where it does not fit; no chunk where it is one that
        came before."""
        layout = self.layout
        head = layout.header.itemsize
        body = len(payload) - head
        step = layout.sample.itemsize
        if body < step:
            raise MalformedPacket(f"of {len(payload)} bytes, the layout wants at least {head + step}")
        fields = dict(zip(self._names, self._head.unpack_from(payload), strict=True))
        for name, value in layout.constants.items():
            if fields[name] != value:
                raise MalformedPacket(f"with {name} {fields[name]}, the layout wants {value}")
        present = body // step
        sent = fields.get("count", layout.samples or present)
        if body > sent * step or (body % step and present >= sent):
            raise MalformedPacket(f"of {len(payload)} bytes, the layout wants {head + sent * step}")
        notices: list[Notice] = []
        if present < sent:
            notices.append(
                self._notice(
                    "malformed",
                    arrival_s,
                    f"sent {sent} samples a packet, {present} fit through the link: "
                    "set fewer samples a packet, or a larger MTU",
                )
            )
        n = min(present, sent)
        values = self._values(payload, head, n)
        if not (self._whole or np.isfinite(values).all()):
            raise MalformedPacket("with numbers that are not finite")

        first = self._arrival is None
        forward: int | None = None  # from the last sample before to the last sample of this packet
        restarted = False
        if layout.has_counter:
            forward, restarted = self._count(int(fields["seq"]), sent, arrival_s)
            if forward == 0:
                return None, [*notices, self._notice("malformed", arrival_s, "sent a packet twice; kept once")]
        before = self._end
        t, jumped = self._times(fields, forward, sent, arrival_s, restarted)
        if layout.has_clock and forward is None:
            forward = sent if first else max(sent, round((t[-1] - before) / self._period_s))
        seq = lost = None
        if forward is not None:
            self._seq += forward
            seq = np.arange(self._seq - sent + 1, self._seq - sent + 1 + n, dtype=np.int64)
            lost = max(forward - sent, 0)
            self.lost += lost + (sent - n)
        if restarted or jumped:
            what = "started anew" if restarted else "has a clock that jumped"
            notices.append(self._notice("clock", arrival_s, f"{what}; its time goes on from the arrival"))
        self._arrival, self._sent, self._end = arrival_s, sent, float(t[-1])
        t = np.maximum(t[:n], self._t)
        self._t = float(t[-1])
        chunk = Chunk(
            role=self.role,
            source=self.source,
            t_s=t,
            accel=values[:, :3],
            gyro=values[:, 3:],
            arrival_s=arrival_s,
            seq=seq,
            lost=lost,
            device_time=layout.has_clock,
        )
        return chunk, notices

    def _values(self, payload: bytes | bytearray, head: int, n: int) -> Array:
        """(n, 6) accelerometer and gyroscope in SI."""
        if self._columns is not None:  # one view of the whole packet costs a fifth of six columns
            raw = np.frombuffer(payload, self.layout.sample["ax"], n * self._width, head).reshape(n, self._width)
            return raw[:, self._columns] * self._scales
        raw = np.frombuffer(payload, self.layout.sample, n, head)
        return np.column_stack([raw[axis] for axis in _AXES]) * self._scales

    def _count(self, raw: int, sent: int, arrival_s: float) -> tuple[int, bool]:
        """Samples from the last one before to the last one of this packet, and whether the sensor
        started anew (then the count is guessed from the arrivals)."""
        wrap = 1 << (8 * self.layout.header["seq"].itemsize)
        per = sent if self.layout.counts == "packets" else 1
        before, self._raw_seq = self._raw_seq, raw
        if self._arrival is None:
            return sent, False
        step = (raw - before) % wrap
        expected = (arrival_s - self._arrival) / self._period_s / per
        if expected >= wrap / 2:  # so long that it may have wrapped unseen
            step += wrap * max(0, round((expected - step) / wrap))
        elif step > expected + min(wrap / 2, _SLACK_S / self._period_s / per + 1):
            return max(sent, round(expected * per)), True
        return step * per, False

    def _times(
        self, fields: Mapping[str, int], forward: int | None, sent: int, arrival_s: float, restarted: bool
    ) -> tuple[np.ndarray, bool]:
        """Times of the samples that were sent, and whether the sensor's clock jumped."""
        layout = self.layout
        if not layout.has_clock:
            return np.full(sent, max(arrival_s, self._t)), False
        raw = int(fields["time"])
        wrap = (1 << (8 * layout.header["time"].itemsize)) * layout.clock_unit_s
        before, self._raw_time = self._raw_time, raw
        by_last = layout.stamps == "last"
        if self._arrival is None:  # the packet's last sample is taken to be as old as the packet
            t = arrival_s - np.arange(sent - 1, -1, -1) * self._period_s
            self._stamp = float(t[-1 if by_last else 0])
            return t, False
        elapsed = arrival_s - self._arrival
        ticks = ((raw - before) * layout.clock_unit_s) % wrap
        if elapsed >= wrap / 2:
            ticks += wrap * max(0, round((elapsed - ticks) / wrap))
        steps = None  # samples from stamp to stamp
        if forward is not None:
            steps = forward if by_last else forward - sent + self._sent
        jumped = restarted or ticks > elapsed + _SLACK_S
        if steps and not jumped:  # counter and clock must tell the same story
            jumped = abs(ticks - steps * self._period_s) > 0.1 + 0.25 * ticks
        if jumped:
            ticks = max(steps or sent, round(elapsed / self._period_s)) * self._period_s
        elif ticks > 0 and (steps or (elapsed < 1 and ticks < 1.5 * self._sent * self._period_s)):
            # The real period, a little at a time: boards are off their nominal rate by per cents.
            self._period_s += 0.05 * (ticks / (steps or self._sent) - self._period_s)
        self._stamp += ticks
        if by_last:  # between two stamps that are exact the samples lie evenly
            step = ticks / steps if steps and not jumped else self._period_s
            return self._stamp - np.arange(sent - 1, -1, -1) * step, jumped
        return self._stamp + np.arange(sent) * self._period_s, jumped

    def _notice(self, kind: Any, at_s: float, text: str) -> Notice:
        return Notice(kind, self.role, f"{self.role} ({self.source}) {text}", at_s)
