"""The page that takes files in, in a browser: what is dropped becomes a recording that reads back to
the same motion, and nothing else comes of it.

The motion is integrated by scipy (`tests.loggers`); what was saved is read by `imu.readers.read`.
"""

from __future__ import annotations

import http.client
import json
import re
import socket
import time
import zipfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from dashboard.service import Service
from dashboard.uploads import MOST_INBOXES, MOST_SAID, Uploads
from imu.errors import CupbowError, UsageError
from imu.measured import Measurement
from imu.readers import read
from imu.recording import Recording
from tests.loggers import G, Motion, columns, csv, motion, rows, text
from tests.synthetic_measurement import measurement
from tests.test_dashboard_page import AXE, CHROMIUM, PHONE, Site, at_both, browser, keep, page, served

assert browser
assert page  # fixtures
needs_chromium = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")
MOST = 600_000
M, OTHER, THIRD = motion(seed=3), motion(seed=4), motion(seed=5)


def measure(path: Path, *, progress) -> Measurement:
    """Stands in for measuring, of what can be read."""
    read(path)
    return measurement(3, handedness="left")


@pytest.fixture(scope="module")
def site(tmp_path_factory) -> Iterator[Site]:
    places = tmp_path_factory.mktemp("kept")
    service = Service(
        tmp_path_factory.mktemp("recordings"), cache_dir=places / "c", data_dir=places / "d", measurer=measure
    )
    service.uploads.most_bytes = MOST
    for found in served(service):
        found.irons = service.bands().key
        yield found


def table(m: Motion, head: str, *, time_scale: float = 1.0, accel: float = 1.0, gyro: float = 1.0) -> bytes:
    """A file of the motion in units of its own, as a logger writes it."""
    cells = [text(c) for c in columns(m.t * time_scale, m.accel * accel, m.gyro * gyro)]
    return (head + "\n" + rows(cells)).encode()


THREE = {
    "dev-a.csv": table(M, "Time (ms),AccX,AccY,AccZ,GyrX,GyrY,GyrZ", time_scale=1e3, accel=1 / G),
    "dev-b.csv": table(OTHER, "t,ax,ay,az,gx,gy,gz", gyro=180 / np.pi),
    "dev-c.csv": table(THIRD, "time;ax;ay;az;gx;gy;gz".replace(";", ","), accel=1e3 / G),
}


def payload(files: dict[str, bytes]) -> list[dict[str, object]]:
    return [{"name": name, "mimeType": "text/csv", "buffer": body} for name, body in files.items()]


def brought(page, site: Site, files: dict[str, bytes]) -> None:
    page.goto(f"{site.address}/add")
    page.wait_for_selector(".drop")
    page.set_input_files("input[type=file]", payload(files))


def same(recording: Recording, role: str, m: Motion) -> None:
    stream = recording.streams[role]
    assert stream.accel == pytest.approx(m.accel, abs=2e-4)
    assert stream.gyro == pytest.approx(m.gyro, abs=2e-4)
    assert np.diff(stream.t_s) == pytest.approx(np.diff(m.t), abs=1e-5)


def uploads(site: Site) -> list[str]:
    return [key for key, _ in site.service.uploads.waiting()]


# -- from files to a recording -----------------------------------------------------------------------


@needs_chromium
@at_both
def test_files_become_a_recording_that_reads_back_to_the_same(page, site: Site) -> None:
    brought(page, site, THREE)
    page.wait_for_selector('h1:has-text("3 sensors read. Still needed: the place of dev-a, dev-b and dev-c")')
    read_as = page.locator(".sensor").evaluate_all(
        "all => all.map(s => [...s.querySelectorAll('.written select')].map(x => x.selectedOptions[0].textContent))"
    )
    assert read_as == [
        ["as read: g", "as read: rad/s", "as read: ms"],
        ["as read: m/s²", "as read: °/s", "as read: s"],
        ["as read: mg", "as read: rad/s", "as read: s"],
    ]
    most = np.linalg.norm(M.accel, axis=1).max(), np.degrees(np.linalg.norm(M.gyro, axis=1).max())
    said = page.locator(".plot svg").first.get_attribute("aria-label")
    a, g = (float(x) for x in re.search(r"up to (\d+) m/s², rate of turn up to (\d+) °/s", said).groups())
    assert g == pytest.approx(most[1], abs=1)
    assert 9 < a < most[0] + 1  # of each stretch the sample that turns fastest is drawn
    assert page.locator(".plot path.seen").first.get_attribute("d").count("L") > 300
    assert page.locator(".facts", has_text="Gravity while still").first.inner_text().count("9.8") == 1
    assert page.evaluate("document.documentElement.scrollWidth") <= page.viewport_size["width"]
    if page.viewport_size == PHONE:
        small = page.locator("#add-page button, #add-page select, #add-page .button").evaluate_all(
            "all => all.map(e => [e.textContent, e.getBoundingClientRect().height]).filter(x => x[1] < 44)"
        )
        assert small == []

    save = page.get_by_role("button", name="Save and open")
    for sensor, role in (("dev-a", "hand"), ("dev-b", "forearm"), ("dev-c", "forearm")):
        page.get_by_label(f"Worn on: {sensor}").select_option(role)
    page.wait_for_selector('.missing:has-text("one sensor for the forearm, not 2")')
    assert save.is_disabled()
    page.get_by_label("Worn on: dev-c").select_option("club")
    page.get_by_role("button", name="Left-handed").click()
    page.get_by_label("Club").fill("old mashie")
    name = f"heath {page.viewport_size['width']}"
    page.get_by_label("Name").fill(name)
    page.wait_for_selector('h1:has-text("then save")')
    keep(page, f"add-{page.viewport_size['width']}")
    save.click()
    page.wait_for_url(f"**/swings/heath%20{page.viewport_size['width']}")
    page.wait_for_selector('.rail, .fault, [role="progressbar"]')
    page.wait_for_selector(".strip-slider")
    recording = read(site.service.root / name)
    assert (recording.handedness, recording.club) == ("left", "old mashie")
    same(recording, "hand", M)
    same(recording, "forearm", OTHER)
    same(recording, "club", THIRD)
    for file, body in THREE.items():
        assert (site.service.root / name / file).read_bytes() == body  # as they came
    assert uploads(site) == []


MANIFEST_OF_TWO = """handedness = "left"
club = "old mashie"
[[sensor]]
role = "hand"
file = "{a}"
[[sensor]]
role = "club"
file = "{b}"
[[pose]]
name = "handshake"
start = 1.0
end = 2.5
"""


def dropped(page, site: Site, *folders: Path) -> None:
    """Drags folders from the system's file browser onto the page, as the browser's own protocol has it."""
    page.goto(f"{site.address}/add")
    box = page.wait_for_selector(".drop").bounding_box()
    at = {"x": box["x"] + box["width"] / 2, "y": box["y"] + 30}
    data = {"items": [], "files": [str(folder) for folder in folders], "dragOperationsMask": 1}
    browser = page.context.new_cdp_session(page)
    for kind in ("dragEnter", "dragOver", "drop"):
        browser.send("Input.dispatchDragEvent", {"type": kind, **at, "data": data})


def laid(root: Path, files: dict[str, bytes]) -> Path:
    for name, body in files.items():
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_bytes(body)
    return root


@needs_chromium
@at_both
@pytest.mark.parametrize(
    ("a", "b", "manifest", "named"),
    [
        ("lesson/a.csv", "lesson/b.csv", "lesson/recording.toml", ("a.csv", "b.csv")),
        ("a.csv", "b.csv", "about/recording.toml", ("a.csv", "b.csv")),
        ("lesson/one/data.csv", "lesson/two/data.csv", "lesson/recording.toml", ("one/data.csv", "two/data.csv")),
    ],
    ids=["all in a sub-folder", "the manifest in a sub-folder", "a folder a sensor"],
)
def test_a_folder_dropped_becomes_the_recording_that_it_is(
    page, site: Site, tmp_path: Path, a: str, b: str, manifest: str, named: tuple[str, str]
) -> None:
    text_of = MANIFEST_OF_TWO.format(a=named[0], b=named[1]).encode()
    hidden = {".DS_Store": b"not ours", ".trash/c.csv": csv(THIRD).encode()}
    folder = laid(tmp_path / "dropped", {a: csv(M).encode(), b: csv(OTHER).encode(), manifest: text_of} | hidden)
    dropped(page, site, folder)
    page.wait_for_selector('h1:has-text("2 sensors read"):has-text("then save")')
    chips = page.locator(".files .chip-name").all_inner_texts()
    assert sorted(chips) == sorted([*named, "recording.toml"])
    name = f"{tmp_path.name} {page.viewport_size['width']}"
    page.get_by_label("Name").fill(name)
    page.get_by_role("button", name="Save and open").click()
    page.wait_for_url("**/swings/**")
    recording = read(site.service.root / name)
    same(recording, "hand", M)
    same(recording, "club", OTHER)
    assert (recording.handedness, recording.club) == ("left", "old mashie")
    assert [(p.name, p.start_s, p.end_s) for p in recording.poses] == [("handshake", 1.0, 2.5)]


@needs_chromium
def test_folders_tell_sensors_apart_and_several_recordings_are_not_mixed(page, site: Site, tmp_path: Path) -> None:
    root = laid(tmp_path, {"hand/data.csv": csv(M).encode(), "club/data.csv": csv(OTHER).encode()})
    dropped(page, site, root / "hand", root / "club")
    page.wait_for_selector('h1:has-text("Still needed: the golfer’s handedness.")')
    said = page.locator(".sensor").evaluate_all("all => all.map(s => s.querySelector('select').value)")
    assert sorted(said) == ["club", "hand"], "the folders' names say where each was worn"
    page.get_by_role("button", name="Take out hand/data.csv").click()
    page.wait_for_selector('h1:has-text("1 sensor read")')
    site.service.uploads.discard(page.url.rpartition("=")[2])

    for day in ("may-3", "may-24"):
        text_of = MANIFEST_OF_TWO.format(a="a.csv", b="b.csv").encode()
        files = {"a.csv": csv(M).encode(), "b.csv": csv(OTHER).encode(), "recording.toml": text_of}
        laid(tmp_path / "season" / day, files)
    before = len(uploads(site))
    dropped(page, site, tmp_path / "season")
    fault = page.wait_for_selector(".fault").inner_text()
    assert "several recordings" in fault
    assert len(uploads(site)) == before, "nothing of them was taken"


@needs_chromium
def test_a_drop_with_the_mouse_and_the_rest_by_keyboard(page, site: Site) -> None:
    page.goto(f"{site.address}/add")
    page.wait_for_selector(".drop")
    page.evaluate(
        """body => { const data = new DataTransfer(); data.items.add(new File([body], "hand.csv"));
        document.querySelector(".card.drop").dispatchEvent(new DragEvent("drop", {dataTransfer: data, bubbles: true, cancelable: true})); }""",
        csv(M),
    )
    page.wait_for_selector('h1:has-text("1 sensor read. Still needed: the golfer’s handedness.")')
    page.locator("h1").click()  # the keyboard begins where the page does

    def tab_to(what: str) -> None:
        for _ in range(40):
            page.keyboard.press("Tab")
            if page.evaluate(f"document.activeElement.matches({json.dumps(what)})"):
                return
        raise AssertionError(f"no way by keyboard to {what}")

    tab_to('select[aria-label="Worn on: hand"]')
    assert page.evaluate("document.activeElement.value") == "hand"  # by the file's name
    page.keyboard.press("ArrowUp")  # one up: forearm
    tab_to(".segments button:last-child")
    page.keyboard.press("Enter")
    page.wait_for_selector('h1:has-text("then save")')
    tab_to('input[maxlength="100"]')
    page.keyboard.press("Control+a")
    page.keyboard.type("by keys")
    page.keyboard.press("Enter")
    page.wait_for_url("**/swings/by%20keys")
    recording = read(site.service.root / "by keys")
    assert recording.handedness == "right"
    same(recording, "forearm", M)


# -- correcting ---------------------------------------------------------------------------------------


@needs_chromium
def test_a_wrong_unit_is_one_box_and_nothing_is_lost(page, site: Site) -> None:
    brought(page, site, {k: THREE[k] for k in ("dev-a.csv", "dev-b.csv")})
    page.wait_for_selector(".sensor")
    page.get_by_label("Worn on: dev-a").select_option("hand")
    page.get_by_label("Acceleration in").first.select_option("mg")
    box = page.wait_for_selector(".fault")
    assert "accel_unit 'mg' gives 0.001 g while still, which would be right in g" in box.inner_text()
    assert "/uploads/" not in box.inner_text()  # no place of this machine
    assert page.locator(".fault").count() == 1
    assert page.locator(".sensor").count() == 2
    page.reload()  # what was said is kept with the files
    page.wait_for_selector(".fault")
    assert page.get_by_label("Acceleration in").first.input_value() == "mg"
    page.get_by_label("Acceleration in").first.select_option("")
    page.wait_for_selector(".fault", state="detached")
    assert page.get_by_label("Worn on: dev-a").input_value() == "hand"
    page.get_by_label("Worn on: dev-b").select_option("none")
    page.get_by_role("button", name="Right-handed").click()
    page.get_by_label("Name").fill("../out")
    page.wait_for_selector('h1:has-text("then save")')
    page.get_by_role("button", name="Save and open").click()
    page.wait_for_selector(".fault:has-text(\"'out' can\")")
    assert page.get_by_label("Name").input_value() == "../out"
    (site.service.root / "taken").mkdir()
    page.get_by_label("Name").fill("taken")
    page.get_by_role("button", name="Save and open").click()
    page.wait_for_selector('.fault:has-text("is there already")')
    page.get_by_label("Name").fill("one of two")
    page.get_by_role("button", name="Save and open").click()
    page.wait_for_url("**/swings/one%20of%20two")
    recording = read(site.service.root / "one of two")
    assert set(recording.streams) == {"hand"}
    same(recording, "hand", M)
    (site.service.root / "taken").rmdir()


@needs_chromium
def test_what_no_file_says_is_asked_and_answered_by_menus(page, site: Site) -> None:
    bare = "p,q,r,u,v,w\n" + rows([text(c) for c in columns(M.accel, np.degrees(M.gyro))])
    brought(page, site, {"club.csv": bare.encode()})
    page.wait_for_selector('h1:has-text("No sensor could be read yet.")')
    page.wait_for_selector(".warnings:has-text('club.csv')")
    assert "--" not in page.locator("#add-page").inner_text()  # the page has no options of a command
    for name, column in zip(("acceleration", "rate of turn"), ("pqr", "uvw"), strict=True):
        for axis, k in zip("xyz", column, strict=True):
            page.get_by_label(f"{name} {axis}").fill(k)
    page.get_by_label("rate of turn z").blur()
    page.get_by_label("Samples a second").fill("100")
    page.get_by_label("Samples a second").press("Enter")
    page.wait_for_selector(".sensor")
    page.wait_for_selector('.facts:has-text("100 Hz, 1,200 samples in 12.0 s")')
    assert page.get_by_label("Worn on: club").input_value() == "club"
    page.get_by_role("button", name="Left-handed").click()
    page.wait_for_selector('h1:has-text("then save")')
    page.get_by_label("Name").fill("bare")
    page.get_by_role("button", name="Save and open").click()
    page.wait_for_url("**/swings/bare")
    same(read(site.service.root / "bare"), "club", M)


@needs_chromium
def test_hostile_files_give_one_line_and_run_nothing(page, site: Site) -> None:
    evil = '<img src=x onerror="document.title=1>7"> $(touch x).csv'
    noise = np.random.default_rng(2).bytes(20_000)
    brought(page, site, {evil: noise})
    box = page.wait_for_selector(".fault")
    assert len(box.inner_text().splitlines()) <= 6
    assert "Traceback" not in box.inner_text()
    assert page.locator("#add-page img").count() == 0
    (key,) = uploads(site)
    inbox = site.service.uploads._of(key).inbox.path
    assert all(re.fullmatch(r"[\w .()+-]+", p.name) for p in inbox.iterdir())
    page.set_input_files("input[type=file]", payload({"hand.csv": csv(M).encode()}))
    page.wait_for_selector(".sensor")  # the good file is read beside the bad one
    page.locator(".chips button").first.click()
    page.wait_for_selector(".chips li >> nth=1", state="detached")
    page.get_by_role("button", name="Start over").click()
    page.get_by_role("button", name="Discard for good?").click()
    page.wait_for_selector(".drop")
    assert uploads(site) == []
    assert not inbox.exists()


@needs_chromium
def test_too_much_is_refused_before_it_is_sent_and_the_rest_stays(page, site: Site) -> None:
    brought(page, site, {"hand.csv": csv(M).encode()})
    page.wait_for_selector(".sensor")
    page.set_input_files("input[type=file]", payload({"huge.csv": b"0" * (MOST + 1)}))
    page.wait_for_selector('.fault:has-text("huge.csv: with it the upload is over 0.6 MB")')
    assert page.locator(".sensor").count() == 1
    page.goto(f"{site.address}/add")  # away, and back by the list of what waits
    page.get_by_role("link", name="Go on hand.csv").click()
    page.wait_for_selector(".sensor")
    site.service.uploads.discard(uploads(site)[0])
    page.reload()
    page.wait_for_selector('.fault:has-text("no longer kept")')


# -- access --------------------------------------------------------------------------------------------


@needs_chromium
@at_both
def test_axe_finds_nothing_serious(page, site: Site) -> None:
    def serious() -> list[tuple[str, list[str]]]:
        page.evaluate(AXE.read_text(encoding="utf-8"))
        found = page.evaluate("axe.run(document, {resultTypes: ['violations']})")["violations"]
        return [(v["id"], [n["html"][:160] for n in v["nodes"][:3]]) for v in found if v["impact"] != "minor"]

    page.goto(f"{site.address}/add")
    page.wait_for_selector(".drop")
    assert serious() == []
    page.set_input_files("input[type=file]", payload({"dev-a.csv": THREE["dev-a.csv"], "notes.csv": b"a,b\n1,2\n"}))
    page.wait_for_selector(".sensor")
    page.get_by_label("Acceleration in").first.select_option("mg")
    page.wait_for_selector(".fault")
    for summary in page.locator("#add-page summary").all():
        summary.click()
    assert serious() == []
    for key in uploads(site):
        site.service.uploads.discard(key)


# -- the route -------------------------------------------------------------------------------------------


def asked(site: Site, method: str, path: str, body: bytes = b"", **headers: str) -> tuple[int, dict[str, str]]:
    host, port = site.address.removeprefix("http://").split(":")
    connection = http.client.HTTPConnection(host, int(port), timeout=20)
    connection.request(method, path, body or None, headers)
    answer = connection.getresponse()
    content = answer.read().decode()
    return answer.status, json.loads(content) if content.startswith("{") else {"fault": content}


def test_files_are_taken_from_the_own_page_only(site: Site) -> None:
    own = {"Origin": site.address}
    assert asked(site, "POST", "/uploads")[0] == 403  # no page at all
    assert asked(site, "POST", "/uploads", Origin="https://evil.example")[0] == 403
    assert asked(site, "POST", "/uploads", Origin="null")[0] == 403
    status, found = asked(site, "POST", "/uploads", **own)
    assert status == 200
    place = f"/uploads/{found['key']}"
    assert asked(site, "PUT", f"{place}?name=a.csv", b"1,2\n", Origin="http://127.0.0.1:1")[0] == 403
    assert asked(site, "PUT", "/uploads/" + "x" * 22, b"1", **own)[0] == 400
    assert asked(site, "PUT", "/uploads/..%2F..%2Fetc", b"1", **own)[0] in (400, 404, 405)
    assert uploads(site) == []
    status, kept = asked(site, "PUT", f"{place}?name=..%2F..%2Frecording.toml", b"1,2\n", **own)
    assert (status, kept) == (200, {"name": "recording.toml"})
    site.service.uploads.discard(found["key"])


def test_the_size_is_bounded_whatever_the_sender_says(site: Site) -> None:
    own = {"Origin": site.address}
    key = asked(site, "POST", "/uploads", **own)[1]["key"]
    inbox = site.service.uploads._of(key).inbox
    host, port = site.address.removeprefix("http://").split(":")
    with socket.create_connection((host, int(port)), timeout=20) as raw:  # says it is too large: refused unread
        raw.sendall(
            f"PUT /uploads/{key}?name=a.csv HTTP/1.1\r\nHost: {host}:{port}\r\nOrigin: {site.address}\r\n"
            f"Content-Length: {MOST + 1}\r\n\r\n".encode()
        )
        assert raw.recv(64).startswith(b"HTTP/1.1 413")
    with socket.create_connection((host, int(port)), timeout=20) as raw:  # says nothing, and sends on
        raw.sendall(
            f"PUT /uploads/{key}?name=b.csv HTTP/1.1\r\nHost: {host}:{port}\r\nOrigin: {site.address}\r\n"
            "Transfer-Encoding: chunked\r\n\r\n".encode()
        )
        piece = b"10000\r\n" + b"7" * 0x10000 + b"\r\n"
        try:
            for _ in range(MOST // 0x10000 + 3):
                raw.sendall(piece)
        except OSError:
            pass  # shut in our face
        assert raw.recv(64).startswith(b"HTTP/1.1 400")
    with socket.create_connection((host, int(port)), timeout=20) as raw:  # breaks off half way
        raw.sendall(
            f"PUT /uploads/{key}?name=c.csv HTTP/1.1\r\nHost: {host}:{port}\r\nOrigin: {site.address}\r\n"
            "Content-Length: 1000\r\n\r\n1,2,3\n".encode()
        )
    until = time.monotonic() + 20
    while list(inbox.path.iterdir()) and time.monotonic() < until:
        time.sleep(0.05)
    assert list(inbox.path.iterdir()) == []  # nothing half-written
    site.service.uploads.discard(key)


# -- what keeps the files -----------------------------------------------------------------------------------


def looked(kept: Uploads, key: str, said: dict[str, object] | None = None):
    found = kept.look(key, said)
    until = time.monotonic() + 30
    while found.busy is not None and time.monotonic() < until:
        time.sleep(0.02)
        found = kept.look(key)
    return found


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[Uploads]:
    found = Uploads(tmp_path / "uploads")
    yield found
    found.close()


def test_hints_are_for_one_file_and_outlive_the_program(kept: Uploads, tmp_path: Path) -> None:
    key = kept.new()
    raw = [(M, 4000.0, 20.0), (OTHER, 3000.0, 12.0)]  # counts of no usual sensitivity
    for name, (m, per_g, per_dps) in zip("ab", raw, strict=True):
        cells = [text(m.t, 4), *(text(c, 0) for c in columns(m.accel / G * per_g, np.degrees(m.gyro) * per_dps))]
        kept.add(key, f"{name}.csv", [("t,ax,ay,az,gx,gy,gz\n" + rows(cells)).encode()])
    said = {
        "files": {
            f"{name}.csv": {
                "accel_unit": "counts",
                "accel_sensitivity": str(a),
                "gyro_sensitivity": f"{g}".replace(".", ","),
            }
            for name, (_, a, g) in zip("ab", raw, strict=True)
        },
        "roles": {"a.csv": "hand", "b.csv": "forearm"},
        "handed": "right",
    }
    assert looked(kept, key, said).fault == ""
    kept.close()
    again = Uploads(tmp_path / "uploads")
    found = looked(again, key)
    assert found.said == said
    assert found.corrected is not None
    assert (found.corrected.needs, found.corrected.to_measure) == ((), ())
    recording = read(again.save(key, tmp_path / "saved"))
    for role, (m, per_g, per_dps) in zip(("hand", "forearm"), raw, strict=True):
        assert recording.streams[role].accel == pytest.approx(m.accel, abs=0.51 * G / per_g)
        assert recording.streams[role].gyro == pytest.approx(m.gyro, abs=0.51 * np.pi / 180 / per_dps)
    assert again.waiting() == []
    again.close()


def test_a_sensor_of_a_shared_file_can_be_left_out(kept: Uploads, tmp_path: Path) -> None:
    names = "stamp," + ",".join(f"{d}:{q}{x}" for d in ("left", "right") for q in ("acc", "gyr") for x in "xyz")
    wide = names + "\n" + rows([text(c) for c in columns(M.t, M.accel, M.gyro, OTHER.accel, OTHER.gyro)])
    with zipfile.ZipFile(tmp_path / "export.zip", "w") as archive:
        archive.writestr("day/both.csv", wide)
    key = kept.new()
    kept.add(key, "export.zip", [(tmp_path / "export.zip").read_bytes()])
    first = looked(kept, key)
    assert first.found is not None
    a, b = (s.source for s in first.found.streams)
    found = looked(kept, key, {"roles": {a: "none", b: "club"}, "handed": "left"})
    assert found.corrected is not None
    assert found.corrected.to_measure == ()
    recording = read(kept.save(key, tmp_path / "saved"))
    assert set(recording.streams) == {"club"}
    same(recording, "club", OTHER)


def test_a_manifest_among_the_files_brings_its_poses_and_may_be_corrected(kept: Uploads, tmp_path: Path) -> None:
    toml = """handedness = "left"\nclub = "spoon"\n[[sensor]]\nrole = "forearm"\nfile = "one.csv"
    [[sensor]]\nrole = "hand"\nfile = "two.csv"\n[[pose]]\nname = "hang"\nstart = 1.0\nend = 2.5\n"""
    key = kept.new()
    for name, body in (("one.csv", csv(M)), ("two.csv", csv(OTHER)), ("lesson/recording.toml", toml)):
        kept.add(key, name, [body.encode()])
    found = looked(kept, key, {"handed": "right", "roles": {"two.csv": "club"}})
    assert found.fault == ""
    recording = read(kept.save(key, tmp_path / "saved"))
    assert (recording.handedness, recording.club) == ("right", "spoon")
    assert [(p.name, p.start_s, p.end_s) for p in recording.poses] == [("hang", 1.0, 2.5)]
    same(recording, "forearm", M)
    same(recording, "club", OTHER)
    key = kept.new()  # what the manifest names elsewhere is not there
    kept.add(key, "recording.toml", [toml.replace("one.csv", "../saved/one.csv").encode()])
    kept.add(key, "two.csv", [csv(OTHER).encode()])
    assert "leads out of the recording" in looked(kept, key).fault


@pytest.mark.parametrize(
    "said",
    [
        {"files": {"hand.csv": {"accel_unit": "furlongs"}}},
        {"files": {"hand.csv": {"rate_hz": "fast"}}},
        {"files": {"hand.csv": {"rate_hz": -5}}},
        {"files": {"hand.csv": {"columns": {"ax": "nowhere", "ay": "1", "az": "2"}}}},
        {"files": {"hand.csv": {"columns": {"elbow": "1"}}}},
        {"roles": {"hand.csv": "elbow"}},
        {"handed": "both"},
    ],
)
def test_nonsense_is_one_line_and_keeps_what_was_read(kept: Uploads, said: dict[str, object]) -> None:
    key = kept.new()
    kept.add(key, "hand.csv", [csv(M).encode()])
    assert looked(kept, key).fault == ""
    found = looked(kept, key, said)
    assert found.fault
    assert "\n" not in found.fault
    assert found.found is not None
    with pytest.raises(CupbowError):
        kept.save(key, kept.place.parent / "saved")
    assert looked(kept, key, {}).fault == ""
    with pytest.raises(UsageError, match="more is said"):
        kept.look(key, {"club": "x" * MOST_SAID})
    for odd in ({"files": 7, "roles": [1]}, {"files": {"hand.csv": "g"}}, {"club": ["a"]}):
        assert looked(kept, key, odd).found is not None


def test_uploads_that_wait_are_bounded(kept: Uploads) -> None:
    for _ in range(MOST_INBOXES):
        kept.add(kept.new(), "a.csv", [b"1"])
    with pytest.raises(UsageError, match="save or discard"):
        kept.new()
    kept.discard(kept.waiting()[0][0])
    kept.new()


def test_a_recording_saved_beside_a_single_one_can_be_opened(tmp_path: Path) -> None:
    only = tmp_path / "only"
    only.mkdir()
    (only / "recording.toml").write_text('handedness = "left"\n')
    service = Service(only, cache_dir=tmp_path / "c", data_dir=tmp_path / "d", measurer=measure)
    key = service.uploads.new()
    service.uploads.add(key, "hand.csv", [csv(M).encode()])
    looked(service.uploads, key, {"handed": "left"})
    entry = service.save_upload(key, "next to it")
    assert service.entry(entry.key) == entry
    assert [e.key for e in service.recordings()] == ["only", "next to it"]
    service.close()
