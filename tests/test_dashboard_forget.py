"""Forgetting a student on the student's page: what is said before, what is left after, and who may."""

from __future__ import annotations

import asyncio
import io
import re
import time
import zipfile
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from dashboard.service import FILED, Service
from imu.errors import CupbowError, UsageError
from imu.library import Library, files, filing, finding
from imu.library import forget as forgetting
from imu.library.finding import Wanted
from imu.library.forget import REACH, SERVER_REACH, find_bytes, forget, spellings, would_go
from imu.library.live import Ledger
from imu.readers.source import SensorInfo
from tests.academy_case import EDDA, TORE, dsn, new_academy, running_server, with_a_student
from tests.library_case import NAME
from tests.synthetic_measurement import measurement as whole_measurement
from tests.test_dashboard_page import CHROMIUM, FLAGS, PHONE, WIDE, Site, served
from tests.test_dashboard_students import checked
from tests.test_library_forget import lived_in

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")


def a_service(place: Path, library: Path | str) -> Service:
    (place / "recordings").mkdir(exist_ok=True)
    return Service(
        place / "recordings",
        cache_dir=place / "cache",
        data_dir=place / "data",
        library=library,
        measurer=lambda path, progress, **_: whole_measurement(5),
    )


def used(service: Service, student_id: str) -> None:
    """A coach's day on the pages: a swing looked at, a letter begun, files brought in and not saved."""
    with service._there() as library:
        recording = finding.swings(library, Wanted(student_id=student_id))[0].recording_id
    entry = service.entry(FILED + recording)
    assert entry is not None
    assert entry.name == NAME
    until = time.monotonic() + 20
    while not hasattr(service.open(entry), "measurement") and time.monotonic() < until:
        time.sleep(0.02)
    assert service._ready, "what was measured is in memory, under the student's name"
    for name in ("ab12.json", "ab12.words.toml"):
        service.letter_file(name).write_text(f'student = "{NAME}"\n', encoding="utf-8")
    service.letter_file("cd34.json").write_text('{"student": "Per Linde"}', encoding="utf-8")
    for text in (NAME, "Per Linde"):
        key = service.uploads.new()
        service.uploads.add(key, f"{text}.csv", [b"t,ax,ay,az,gx,gy,gz\n0,0,0,9.8,0,0,0\n"])


def forgotten(service: Service, student_id: str, typed: str = NAME):
    service.forget(student_id, typed)
    until = time.monotonic() + 30
    while time.monotonic() < until:
        state = service.forgetting(student_id)
        assert state is not None, "what it came to is told"
        if state.over:
            return state
        time.sleep(0.02)
    raise AssertionError("forgetting did not end")


# -- in a browser ----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def browser() -> Iterator[object]:
    if CHROMIUM is None:
        pytest.skip("no chromium on this machine")
    with playwright.sync_playwright() as p:
        running = p.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield running
        running.close()


@pytest.fixture
def lived(tmp_path) -> Iterator[tuple[Site, str, str]]:
    library, juno, per = lived_in(tmp_path / "library", tmp_path)
    library.close()
    service = a_service(tmp_path, tmp_path / "library")
    used(service, juno)
    for site in served(service):
        yield site, juno, per


@pytest.mark.parametrize("size", [WIDE, PHONE], ids=["1280", "390"])
def test_the_page_forgets_a_student_and_no_byte_of_the_name_stays(browser, lived, tmp_path, size):
    site, juno, per = lived
    root, needles = tmp_path / "library", spellings(NAME)
    context = browser.new_context(viewport=size, accept_downloads=True)
    page = context.new_page()
    page.on("pageerror", lambda e: site.errors.append(str(e)))
    page.on("console", lambda m: site.errors.append(m.text) if m.type == "error" else None)
    page.goto(f"{site.address}/students/{juno}")
    page.get_by_role("button", name="Forget this student").click()
    page.wait_for_selector("#forget-goes")
    said = page.inner_text("#forget-goes")
    assert said == ("1 lesson, 2 recordings, 10 swings, 1 try of a drill, 2 letters and 1 upload that wasn’t saved."), (
        "the letter begun on its page, and the one in the library"
    )
    panel = page.inner_text("#forget")
    assert all(words in panel for words in REACH.values()), "what the command says stays out of reach"
    assert not any(words in panel for words in SERVER_REACH.values())
    assert "cupbow export" in panel
    framed = page.locator(".dash-input-container:has(#forget-name)")
    assert framed.bounding_box()["height"] >= 44, "a finger's size, as every input"
    page.focus("#forget-name")
    assert "none" not in framed.evaluate("(box) => getComputedStyle(box).boxShadow"), "the focus is seen"
    checked(page, "forget")

    with page.expect_download() as kept:
        page.click("#forget a[download]")
    assert "juno" not in kept.value.suggested_filename.lower()
    with zipfile.ZipFile(kept.value.path()) as archive:
        assert NAME in archive.read("tables/students.jsonl").decode()
    assert not any((root / "incoming").iterdir()), "the archive leaves nothing in the library"

    page.fill("#forget-name", "Juno")
    page.click("#forget-do")
    playwright.expect(page.locator("#forget-said")).to_contain_text("isn’t the name")
    with Library.open(root) as library:
        assert len(finding.students(library)) == 2, "a wrong name deletes nothing"
    page.fill("#forget-name", f" {NAME} ")
    page.click("#forget-do")
    page.wait_for_selector("#forget-done")
    assert page.inner_text("#forget-done") == f"Forgotten: {said}"
    assert "The name stands nowhere" in page.inner_text("#students-body")
    checked(page, "forgotten")

    for folder in (root, tmp_path / "cache", tmp_path / "data"):
        assert list(find_bytes(folder, needles)) == []
    assert list(find_bytes(root, {juno.encode(), b"Mistyped"})) == []
    assert not site.service._ready
    assert NAME not in str(vars(site.service)), "nor in the server's memory"
    assert [names for _, names in site.service.uploads.waiting()] == [["Per Linde.csv"]]
    assert site.service.letter_file("cd34.json").exists(), "another's letter stays"

    page.get_by_role("link", name="Students", exact=True).last.click()
    page.wait_for_selector("#students-list tbody tr")
    assert page.locator("#students-list tbody tr").count() == 1
    assert NAME not in page.content()
    page.goto(f"{site.address}/students/{per}")
    page.wait_for_selector("#students-swings table.swings")
    page.goto(f"{site.address}/students/{juno}")
    page.wait_for_selector(".fault")
    assert NAME not in page.content()
    assert site.errors == []
    context.close()


# -- what goes wrong on the way --------------------------------------------------------------------


@pytest.fixture
def shelf(tmp_path) -> Iterator[tuple[Service, str]]:
    library, juno, _ = lived_in(tmp_path / "library", tmp_path)
    library.close()
    service = a_service(tmp_path, tmp_path / "library")
    used(service, juno)
    yield service, juno
    service.close()


def test_what_stops_it_before_the_rows_leaves_a_student_to_forget_again(shelf, tmp_path, monkeypatch):
    service, juno = shelf
    real, left = files.remove, [1]

    def once_refused(path: Path) -> None:
        if path.suffix == ".npz" and left:
            left.pop()
            raise PermissionError(13, "Permission denied", str(path))
        real(path)

    monkeypatch.setattr(files, "remove", once_refused)
    state = forgotten(service, juno)
    assert state.done is None
    assert "the student is still in the library" in state.fault
    assert "forget again" in state.fault
    assert not left, "it was really stopped there"
    with service._there() as library:
        assert len(finding.students(library)) == 2
    state = forgotten(service, juno)
    assert state.done is not None
    assert state.done.finished
    assert state.done.left == ()
    assert list(find_bytes(tmp_path / "library", spellings(NAME))) == []


def test_what_stops_it_after_the_rows_is_finished_when_the_library_is_next_opened(shelf, tmp_path, monkeypatch):
    service, juno = shelf
    root, needles = tmp_path / "library", spellings(NAME)

    def full(_library: Library, *_first: str) -> bool:
        raise OSError(28, "No space left on device", str(root))

    with monkeypatch.context() as stopped:
        stopped.setattr(forgetting, "_settled", full)
        state = forgotten(service, juno)
        assert state.done is not None
        assert not state.done.finished
        assert "No space left" in state.done.fault
        assert state.done.gone.swings == 10
        assert list(find_bytes(root, needles)), "the old state is still in the store's files"
    with Library.open(root) as library:
        assert [line.student.name for line in finding.students(library)] == ["Per Linde"]
    assert list(find_bytes(root, needles)) == []


def test_a_folder_that_cannot_go_yet_is_told_and_tried_again(shelf, tmp_path, monkeypatch):
    service, juno = shelf
    real = files.remove

    def refused(path: Path) -> None:
        if path.parent.name == "recordings":
            raise PermissionError(13, "Permission denied", str(path))
        real(path)

    with monkeypatch.context() as stopped:
        stopped.setattr(files, "remove", refused)
        state = forgotten(service, juno)
        assert state.done is not None
        assert not state.done.finished
        assert state.done.undeleted >= 2
        assert any("recordings" in place for place in state.done.left), "the name still stands in them"
    with Library.open(tmp_path / "library"):
        pass
    assert list(find_bytes(tmp_path / "library", spellings(NAME))) == []


def test_a_student_who_is_being_recorded_is_not_forgotten(tmp_path):
    with Library.open(tmp_path / "library") as library:
        juno = filing.add_student(library, name=NAME, handedness="left").id
        sensor = SensorInfo("virtual", rate_hz=100.0, accel_range=160.0, gyro_range=35.0)
        ledger = Ledger(library)
        recorder = ledger.open(student_id=juno, sensors={"forearm": sensor})
        with pytest.raises(UsageError, match="being made now; end it first"):
            forget(library, juno)
        assert finding.student_named(library, NAME).id == juno
        recorder.close()
        ledger.keep(recorder)
        forget(library, juno)
        assert finding.students(library) == []


def test_pages_leave_the_rewriting_to_who_began_it(tmp_path, monkeypatch):
    """Every page opens the library, and would finish a forgetting that it takes for a killed program's."""
    library, juno, _ = lived_in(tmp_path / "library", tmp_path)
    real, begun = forgetting._settled, []

    def watched(opened: Library, *first: str) -> bool:
        begun.append(opened)
        if len(begun) == 1:
            with Library.open(tmp_path / "library"):  # a page, meanwhile
                pass
        return real(opened, *first)

    monkeypatch.setattr(forgetting, "_settled", watched)
    assert not forget(library, juno).waiting
    assert {id(one) for one in begun} == {id(library)}, "the page left it alone"
    library.close()


def test_the_live_page_offers_the_name_no_more_and_holds_nothing_up(shelf, tmp_path):
    """Its room keeps the library open, and who may be chosen in memory."""
    from dashboard.app import create_app
    from dashboard.live_room import Room

    service, juno = shelf
    room = Room(library=lambda: Library.open(tmp_path / "library"))
    apart(room.read_library())
    create_app(service, room)
    assert NAME in str(room._state(own=True))
    state = forgotten(service, juno)
    assert state.done is not None
    assert state.done.finished
    assert NAME not in str(room._state(own=True))
    assert "Per Linde" in str(room._state(own=True))
    assert list(find_bytes(tmp_path / "library", spellings(NAME))) == []
    apart(room.close())


def apart(work) -> None:
    """In a thread of its own: the browser's driver keeps a loop running in this one."""
    with ThreadPoolExecutor(1) as threads:
        threads.submit(asyncio.run, work).result()


def test_the_words_of_the_page_are_those_of_the_command():
    from dashboard.words import FIRST, spoken

    said = {k.removeprefix("reach."): v for k, v in spoken(FIRST).items() if k.startswith("reach.")}
    assert said == REACH | SERVER_REACH


# -- an academy ------------------------------------------------------------------------------------


def test_a_coach_forgets_own_students_only(tmp_path, monkeypatch):
    monkeypatch.setenv("CUPBOW_RECORDINGS", str(tmp_path / "shared"))
    with running_server() as port:
        name = new_academy(port)
        with Library.open(dsn(EDDA, port, name)) as edda:
            juno = with_a_student(edda, tmp_path, "Juno Abara", 1)
            recording = finding.swings(edda, Wanted(student_id=juno))[0].recording_id
        services = {role: a_service(tmp_path, dsn(role, port, name)) for role in (EDDA, TORE)}
        try:
            for attempt in (services[TORE].would_forget, services[TORE].archive_of):
                with pytest.raises(CupbowError) as refused:
                    attempt(juno)
                assert "Abara" not in str(refused.value)
            with pytest.raises(CupbowError, match="no student"):
                services[TORE].forget(juno, "Juno Abara")
            with Library.open(dsn(EDDA, port, name)) as edda:
                assert finding.student_named(edda, "juno").id == juno
                assert edda.folder_of(recording).is_dir()
                assert would_go(edda, [juno]).reach == (*REACH, *SERVER_REACH)
            _, chunks = services[EDDA].archive_of(juno)
            assert "manifest.json" in zipfile.ZipFile(io.BytesIO(b"".join(chunks))).namelist()
            with pytest.raises(CupbowError, match=re.escape("isn’t the name")):
                services[EDDA].forget(juno, "juno abara")
            state = forgotten(services[EDDA], juno, "Juno Abara")
            assert state.done is not None
            assert state.done.finished
            assert state.done.out_of_reach[-1].startswith("rows that the server")
            with Library.open(dsn(EDDA, port, name)) as edda:
                assert finding.students(edda) == []
                assert not edda.folder_of(recording).exists()
        finally:
            for service in services.values():
                service.close()
