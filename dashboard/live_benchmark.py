"""How long the live path takes: decoding, angles, and from a sample's arrival to the screen.

The server runs as a process of its own with three virtual sensors of 200 Hz, real calibration and
real angles; the page runs in a headless Chromium and counts what it has drawn. "On the screen" is
when the script has drawn; the browser shows it with its next frame, up to 16 ms later at 60 Hz.
"""

from __future__ import annotations

import os
import shutil
import signal
import struct
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

from imu.errors import CupbowError, UsageError

FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]

_DECIDED = """async () => {
  liveStats.decided = null;
  liveStats.tell({ do: "stats" });
  while (!liveStats.decided) await new Promise((done) => setTimeout(done, 20));
  return liveStats.decided;
}"""
"""How long the decisions took since this was last asked."""


def measure_live(*, seconds: float = 15.0, seed: int = 1, chromium: str | None = None) -> dict[str, Any]:
    """Everything, as numbers. The page is None where there is no browser."""
    from imu import simulate
    from imu.commands.benchmark import made

    if not 3 <= seconds <= 600:
        raise UsageError(f"--seconds {seconds:g}: look for 3 to 600 seconds")
    recording = made(60.0 + seconds, seed)
    found = chromium or shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary) / "recording"
        simulate.write(recording, folder)
        return {
            "decode": decode_cost(),
            "angles": angle_cost(recording),
            "page": page_cost(folder, seconds=seconds, chromium=found) if found else None,
        }


def decode_cost(*, packets: int = 4000, samples: int = 5) -> dict[str, float]:
    """Microseconds for a notification of the open layout, from bytes to SI."""
    from imu.readers.layout import Decoder, load_layouts

    layout = next(one for one in load_layouts() if one.has_clock and one.has_counter)
    decoder = Decoder(layout, role="hand", source="benchmark")
    body = np.zeros((samples, 6), "<i2").tobytes()
    payloads = [
        struct.pack("<BBHI", 1, samples, (k * samples + samples - 1) % 65536, k * samples * 5000 % 2**32) + body
        for k in range(packets)
    ]
    start = time.perf_counter()
    for k, payload in enumerate(payloads):
        decoder.decode(payload, k * samples * 0.005)
    each = (time.perf_counter() - start) / packets * 1e6
    return {"us_per_packet": round(each, 1), "us_per_sample": round(each / samples, 2), "samples_per_packet": samples}


def angle_cost(recording: Any) -> dict[str, float]:
    """Microseconds a packet costs with a reading at each 60th of a second."""
    from imu.live_angles import LiveAngles
    from imu.live_coach import fit_model
    from imu.readers.virtual import chunks_of

    model = fit_model(recording)
    if model is None:
        raise CupbowError("the recording that was made could not be calibrated by")
    live, read, chunks = LiveAngles(model), 0.0, list(chunks_of(recording))
    start = time.perf_counter()
    for chunk in chunks:
        live.feed(chunk)
        if chunk.arrival_s - read >= 1 / 60:
            read = chunk.arrival_s
            live.reading()
    return {"us_per_chunk": round((time.perf_counter() - start) / len(chunks) * 1e6, 1)}


def page_cost(folder: Path, *, seconds: float, chromium: str) -> dict[str, Any] | None:
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        return None
    command = [sys.executable, "-m", "dashboard.command", "live", "--replay", str(folder), "--no-browser"]
    command += ["--band", "5", "25"]  # the wrist at address lies below: there is something to be heard
    server = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    try:
        assert server.stdout is not None
        line = server.stdout.readline()
        if "http" not in line:
            raise CupbowError("the live server did not start; run cupbow live --debug to see why")
        address = line.split()[1]
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=chromium, args=FLAGS)
            page = browser.new_page(viewport={"width": 1280, "height": 990})
            page.goto(address)
            page.click("#cautions-ok")
            page.click("#tone")
            # Measured from the first reading on: before it the calibration is being worked out.
            page.locator("#board:not([data-state='none'])").wait_for(timeout=120_000)
            page.evaluate(_DECIDED)
            page.evaluate(
                "liveStats.tones.log.length = 0; liveStats.late.length = 0; liveStats.started = performance.now(); 0"
            )
            cpu, start = (_cpu(server.pid), _cpu_of_browser()), time.monotonic()
            time.sleep(seconds)
            took = time.monotonic() - start
            busy = _cpu(server.pid), _cpu_of_browser()
            late, ran, shelf, sounds = page.evaluate(
                "[liveStats.late, (performance.now() - liveStats.started) / 1000, liveStats.page.shelf, "
                "liveStats.tones.log]"
            )
            decided = page.evaluate(_DECIDED)
            browser.close()
    finally:
        server.send_signal(signal.SIGINT)
        try:
            server.wait(10)
        except subprocess.TimeoutExpired:
            server.kill()
    if not late:
        raise CupbowError("the page drew nothing; run cupbow live --replay on a recording to see why")
    return {
        "seconds": round(took, 1),
        "samples": sum(s["samples"] for s in shelf),
        "lost": sum(s["lost"] or 0 for s in shelf),
        "updates_per_s": round(len(late) / ran, 1),
        "sample_to_decision_ms": _spread(decided),
        "sample_to_screen_ms": _spread(late),
        # from the arrival of the sample that it follows until the pulse was handed to the sound card's clock,
        # and until it would be heard; without a loudspeaker the browser's own sink keeps that clock
        "sample_to_sound_set_ms": _spread([s["set"] - s["arrived"] for s in sounds if s["kind"] == "pulse"]),
        "sample_to_sound_ms": _spread([s["starts"] - s["arrived"] for s in sounds if s["kind"] == "pulse"]),
        "server_cpu": _share(cpu[0], busy[0], took),
        "browser_cpu": _share(cpu[1], busy[1], took),
    }


def _spread(values: list[float]) -> dict[str, float | int | None]:
    """Percentiles in milliseconds, and of how many; none of none."""
    if not values:
        return {"n": 0, "p50": None, "p95": None, "p99": None}
    p50, p95, p99 = np.percentile(np.array(values, float), [50, 95, 99])
    return {"n": len(values), "p50": round(float(p50), 1), "p95": round(float(p95), 1), "p99": round(float(p99), 1)}


def _share(before: float | None, after: float | None, seconds: float) -> float | None:
    return None if before is None or after is None else round((after - before) / seconds, 3)


def _cpu(pid: int) -> float | None:
    """Seconds of processor time a process has used, where the system tells (Linux)."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    except (OSError, ValueError, IndexError, AttributeError):
        return None


def _cpu_of_browser() -> float | None:
    """Of every process below this one that is a browser's."""
    parents: dict[int, int] = {}
    names: dict[int, str] = {}
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            name, _, rest = stat.read_text().partition("(")[2].rpartition(")")
        except OSError:
            continue
        pid = int(stat.parent.name)
        parents[pid], names[pid] = int(rest.split()[1]), name
    mine = [pid for pid in parents if "chrom" in names[pid] and _below(pid, os.getpid(), parents)]
    found = [used for pid in mine if (used := _cpu(pid)) is not None]
    return sum(found) if found else None


def _below(pid: int, ancestor: int, parents: dict[int, int]) -> bool:
    while pid > 1:
        pid = parents.get(pid, 0)
        if pid == ancestor:
            return True
    return False
