"""Device descriptions and the decoder: bytes written here by hand, from each board's documentation."""

from __future__ import annotations

import math
import struct
from pathlib import Path

import numpy as np
import pytest

from imu.errors import CupbowError
from imu.readers.layout import Decoder, Layout, MalformedPacket, load_layout, load_layouts, uuid

G = 9.80665
LAYOUTS = {layout.name: layout for layout in load_layouts()}
OPEN = LAYOUTS["cupbow open layout 1"]


def open_packet(seq: int, time_us: int, samples: np.ndarray) -> bytes:
    head = struct.pack("<BBHI", 1, len(samples), seq % 65536, time_us % 2**32)
    return head + np.asarray(samples, "<i2").tobytes()


def still(n: int) -> np.ndarray:
    return np.tile([0, 0, 2048, 0, 0, 0], (n, 1))


def run(decoder: Decoder, packets: list[tuple[bytes, float]]):
    chunks, notices = [], []
    for payload, at in packets:
        chunk, said = decoder.decode(payload, at)
        notices += said
        if chunk is not None:
            chunks.append(chunk)
    return chunks, notices


def test_every_description_names_its_source_and_is_complete():
    assert len(LAYOUTS) >= 4
    for layout in LAYOUTS.values():
        assert layout.sources, layout.path
        assert layout.refused or (layout.rate_hz > 0 and layout.gyro_range and layout.accel_range)


# Numbers of the boards' own documentation, see `sources` in each description.
@pytest.mark.parametrize(
    ("name", "payload", "accel_g", "gyro_dps"),
    [
        # 6Q10 g with the axes turned round, 11Q5 deg/s, 12Q4 µT
        ("Nordic Thingy:52", struct.pack("<9h", -1024, 512, 0, 32, -3200, 16, 1, 2, 3), (1, -0.5, 0), (1, -100, 0.5)),
        # gyro first, 500/65536 deg/s; accelerometer 16/32768 g
        (
            "TI CC2650 SensorTag",
            struct.pack("<9h", 131, -262, 0, 2048, 0, -4096, 9, 9, 9),
            (1, 0, -2),
            (0.9995, -1.9989, 0),
        ),
        (
            "cupbow open layout 1",
            open_packet(0, 0, np.array([[2048, 0, -32768, 16384, 0, -8192]])),
            (1, 0, -16),
            (1000, 0, -500),
        ),
    ],
)
def test_a_documented_payload_becomes_si(name, payload, accel_g, gyro_dps):
    chunk, said = Decoder(LAYOUTS[name], role="hand", source="x").decode(payload, 1.0)
    assert not said
    np.testing.assert_allclose(chunk.accel[0], np.array(accel_g) * G, rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(np.degrees(chunk.gyro[0]), gyro_dps, atol=1e-3)


def test_a_board_without_gyroscope_is_refused_by_its_description():
    layout = LAYOUTS["BBC micro:bit"]
    assert layout.recognises("BBC micro:bit [zuvat]", [])
    assert "gyroscope" in layout.refused


def test_counter_and_clock_go_on_over_their_wraps():
    n, total = 5, 40_000
    start_seq, start_us = 65_500, 2**32 - 30_000_000  # both wrap within the run
    packets = []
    for k in range(0, total, n):
        last = k + n - 1
        packets.append((open_packet(start_seq + last, start_us + last * 5000, still(n)), 10 + last * 0.005))
    chunks, notices = run(Decoder(OPEN, role="hand", source="x"), packets)
    assert not notices
    seq = np.concatenate([c.seq for c in chunks])
    np.testing.assert_array_equal(np.diff(seq), 1)
    t = np.concatenate([c.t_s for c in chunks])
    np.testing.assert_allclose(np.diff(t), 0.005, atol=1e-6)
    assert sum(c.lost for c in chunks) == 0


@pytest.mark.parametrize("gap_s", [0.05, 1.0, 200.0, 400.0, 5000.0])  # 328 s wrap the counter, 4295 s the clock
def test_a_gap_is_counted_exactly_however_often_the_counter_wrapped(gap_s):
    decoder = Decoder(OPEN, role="hand", source="x")
    lost = round(gap_s * 200)
    run(decoder, [(open_packet(i * 5 + 4, (i * 5 + 4) * 5000, still(5)), (i * 5 + 4) * 0.005) for i in range(40)])
    last = 199 + lost + 5
    chunk, notices = decoder.decode(open_packet(last, last * 5000, still(5)), last * 0.005 + 0.03)
    assert not notices
    assert chunk.lost == lost
    assert chunk.seq[-1] == last
    assert chunk.t_s[-1] == pytest.approx(last * 0.005, abs=1e-3)


def test_a_late_packet_and_the_burst_behind_it_are_no_loss():
    rng = np.random.default_rng(1)
    packets, at = [], 0.0
    for i in range(400):
        at = max(at, i * 0.025 + (1.5 if i == 100 else rng.exponential(0.01)))
        packets.append((open_packet(i * 5 + 4, i * 25_000, still(5)), at))
    chunks, notices = run(Decoder(OPEN, role="hand", source="x"), packets)
    assert not notices
    assert sum(c.lost for c in chunks) == 0
    np.testing.assert_allclose(np.diff(np.concatenate([c.t_s for c in chunks])), 0.005, atol=1e-6)


def test_a_board_off_its_nominal_rate_keeps_its_own_clock():
    """208 Hz where the description says 200: times follow the sensor's clock, not the description."""
    step = 1e6 / 208
    packets = [(open_packet(i * 10 + 9, round((i * 10 + 9) * step), still(10)), (i * 10 + 9) / 208) for i in range(300)]
    chunks, notices = run(Decoder(OPEN, role="hand", source="x"), packets)
    t = np.concatenate([c.t_s for c in chunks])[20:]
    assert not notices
    np.testing.assert_allclose(np.diff(t), 1 / 208, atol=2e-6)


@pytest.mark.parametrize("board", ["restarts", "clock jumps ahead", "clock jumps back"])
def test_a_clock_that_jumps_is_said_and_time_goes_on(board):
    decoder = Decoder(OPEN, role="club", source="c1")
    run(decoder, [(open_packet(i * 5 + 4, (i * 5 + 4) * 5000, still(5)), (i * 5 + 4) * 0.005) for i in range(400)])
    seq, us = {"restarts": (4, 20_000), "clock jumps ahead": (2004, 900_000_000), "clock jumps back": (2004, 100)}[
        board
    ]
    chunk, notices = decoder.decode(open_packet(seq, us, still(5)), 2004 * 0.005 + (3.0 if board == "restarts" else 0))
    assert [n.kind for n in notices] == ["clock"]
    assert "club (c1)" in notices[0].text
    expected = 2004 * 0.005 + (3.0 if board == "restarts" else 0)
    assert chunk.t_s[-1] == pytest.approx(expected, abs=0.05)
    after, more = decoder.decode(open_packet(seq + 5, us + 25_000, still(5)), expected + 0.025)
    assert not more
    assert after.t_s[0] > chunk.t_s[-1]
    assert after.lost == 0


def test_a_packet_that_comes_twice_is_kept_once():
    decoder = Decoder(OPEN, role="hand", source="x")
    packet = open_packet(4, 0, still(5))
    assert decoder.decode(packet, 0.0)[0] is not None
    chunk, notices = decoder.decode(packet, 0.01)
    assert chunk is None
    assert notices[0].kind == "malformed"


def test_samples_cut_off_by_the_link_are_counted_and_the_rest_kept():
    decoder = Decoder(OPEN, role="hand", source="x")
    packet = open_packet(9, 45_000, np.arange(60).reshape(10, 6))
    chunk, notices = decoder.decode(packet[:20], 1.0)  # MTU 23
    assert len(chunk) == 1
    np.testing.assert_allclose(chunk.accel[0] / G * 2048, [0, 1, 2])
    assert decoder.lost == 9
    assert "MTU" in notices[0].text
    chunk, _ = decoder.decode(open_packet(19, 95_000, still(10))[:20], 1.05)
    assert list(chunk.seq) == [10]


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"\x01",
        open_packet(0, 0, still(1))[:-1],
        open_packet(0, 0, still(2)) + b"\0",
        b"\x02" + open_packet(0, 0, still(1))[1:],
    ],
)
def test_what_does_not_fit_is_refused_and_does_no_harm(payload):
    decoder = Decoder(OPEN, role="hand", source="x")
    decoder.decode(open_packet(4, 0, still(5)), 0.0)
    with pytest.raises(MalformedPacket, match="layout wants"):
        decoder.decode(payload, 0.02)
    chunk, notices = decoder.decode(open_packet(9, 25_000, still(5)), 0.025)
    assert (chunk.lost, notices) == (0, [])


def test_arrivals_are_the_time_where_a_board_sends_none():
    decoder = Decoder(LAYOUTS["Nordic Thingy:52"], role="hand", source="x")
    chunks, _ = run(decoder, [(struct.pack("<9h", *[0] * 9), at) for at in (1.0, 1.005, 1.004)])
    assert [c.t_s[0] for c in chunks] == [1.0, 1.005, 1.005]  # never back
    assert all(c.seq is None and c.lost is None and not c.device_time for c in chunks)


OTHER_BOARD = """
format = "cupbow.device/1"
name = "another board"
sources = ["its data sheet"]
[advertised]
names = ["Other*"]
[stream]
service = "180D"
characteristic = "0000abcd-0000-1000-8000-00805f9b34fb"
rate_hz = 100
[packet]
byte_order = "big"
header = ["n:u8", "seq:u8", "time:u32"]
sample = ["gx:f32", "gy:f32", "gz:f32", "-:u8", "ax:i16", "ay:i16", "az:i16"]
samples = "fill"
[counter]
counts = "packets"
[clock]
unit = "ms"
stamps = "first"
[accel]
unit = "mg"
scale = 1
[gyro]
unit = "rad/s"
scale = 1
[vibration]
characteristic = "2A06"
kind = "level"
"""


def described(tmp_path: Path, text: str) -> Layout:
    path = tmp_path / "other.toml"
    path.write_text(text)
    return load_layout(path)


def test_another_board_needs_no_programming(tmp_path):
    layout = described(tmp_path, OTHER_BOARD)
    assert layout.vibration.characteristic == uuid("2a06") == "00002a06-0000-1000-8000-00805f9b34fb"
    decoder = Decoder(layout, role="club", source="x")

    def packet(i):
        body = b"".join(struct.pack(">fffBhhh", i, -1.5, 0.25, 7, 1000, -500, 0) for _ in range(3))
        return struct.pack(">BBI", 0, i % 256, 30 * i) + body

    sent = [i for i in range(600) if i not in (300, 301)]
    chunks, notices = run(decoder, [(packet(i), i * 0.03 + 0.02) for i in sent])
    assert not notices
    np.testing.assert_allclose(chunks[7].gyro[0], [7, -1.5, 0.25])
    np.testing.assert_allclose(chunks[7].accel[0], [G, -G / 2, 0])
    assert sum(c.lost for c in chunks) == 6
    t = np.concatenate([c.t_s for c in chunks])
    assert t[-1] - t[0] == pytest.approx(599 * 0.03 + 0.02, abs=1e-3)
    assert np.all(np.diff(t) > 0)


@pytest.mark.parametrize(
    ("old", "new", "field"),
    [
        ("rate_hz = 100", "rate_hz = 0", "stream.rate_hz"),
        ('"gz:f32", ', "", "packet.sample"),
        ('"seq:u8"', '"seq:i8"', "packet.header"),
        ('"seq:u8"', '"seq:u9"', "packet.header"),
        ('unit = "mg"', 'unit = "lb"', "accel.unit"),
        ('stamps = "first"', 'stamps = "middle"', "clock.stamps"),
        ('service = "180D"', 'service = "heart"', "stream.service"),
        ('samples = "fill"', 'samples = "count"', "packet.samples"),
        ("scale = 1", "scale = true", "accel.scale"),
        ('format = "cupbow.device/1"', 'format = "cupbow.device/9"', "format"),
        ('names = ["Other*"]', "", "advertised"),
        ("[stream]", "[steam]", "stream.service"),
        ('kind = "level"', 'kind = "drum"', "vibration.kind"),
    ],
)
def test_a_wrong_description_is_said_with_file_and_field(tmp_path, old, new, field):
    assert old in OTHER_BOARD
    with pytest.raises(CupbowError) as caught:
        described(tmp_path, OTHER_BOARD.replace(old, new, 1))
    assert str(caught.value).startswith(f"other.toml: {field}: ")


def test_a_description_that_is_no_toml(tmp_path):
    with pytest.raises(CupbowError, match=r"other\.toml: is not TOML"):
        described(tmp_path, "format = ")


def test_scales_hold_the_full_range():
    for layout in LAYOUTS.values():
        if layout.refused:
            continue
        full = 32768 * abs(layout.gyro_scale)
        assert layout.gyro_range <= full * 1.001, layout.name
        assert math.isclose(layout.gyro_range, full, rel_tol=0.002) or "clip" in (layout.warning or "")
