"""A live session in the library: students, clubs, drills, what was shown and what the final pass gave.

Invented people. The samples are the demo recording's, played as fast as they are taken.
"""

from __future__ import annotations

import asyncio
import math
from dataclasses import replace
from pathlib import Path

import pytest
from sqlalchemy import select

import dashboard
from dashboard.live_room import Room
from imu import readers
from imu.library import Library, filing, finding
from imu.library.live import Ledger, keep_left_open, recording_id
from imu.library.schema import MeasuredRecording, Reading
from imu.live_coach import LiveCoach
from imu.measuring import measure_recording
from imu.readers.virtual import ReplaySource
from imu.recording import Recording

DEMO = Path(dashboard.__file__).parents[1] / "recordings"


@pytest.fixture(scope="module")
def demo() -> Recording:
    """The calibration and three swings of the newest demo recording."""
    whole = readers.read(max(path.parent for path in DEMO.rglob("recording.toml")))
    return until(whole, 58.5)


def until(recording: Recording, seconds: float) -> Recording:
    streams = {}
    for role, s in recording.streams.items():
        n = int(((s.t_s - s.t_s[0]) < seconds).sum())
        streams[role] = replace(s, t_s=s.t_s[:n], accel=s.accel[:n], gyro=s.gyro[:n])
    return replace(recording, streams=streams)


@pytest.fixture(autouse=True)
def _no_processes(monkeypatch):
    async def here(self, pool, work, *args):
        return work(*args)

    monkeypatch.setattr(LiveCoach, "_elsewhere", here)
    monkeypatch.setattr(LiveCoach, "warm", lambda self: None)


@pytest.fixture
def library(tmp_path):
    with Library.open(tmp_path / "library") as opened:
        yield opened


def students(library: Library) -> tuple[str, str]:
    one = filing.add_student(library, name="Juno Abara", handedness="left", clubs=["driver"])
    other = filing.add_student(library, name="Mika Solberg", handedness="right")
    return one.id, other.id


class Stepped(ReplaySource):
    """Stops at certain times until it is let on."""

    def __init__(self, recording: Recording, *stops: float, skip_s: float) -> None:
        super().__init__(recording, speed=math.inf, skip_s=skip_s)
        self.stops = list(stops)
        self.at_stop, self.on = asyncio.Event(), asyncio.Event()

    async def __aiter__(self):
        async for item in super().__aiter__():
            if self.stops and getattr(item, "arrival_s", 0.0) >= self.stops[0]:
                self.stops.pop(0)
                self.at_stop.set()
                await self.on.wait()
                self.on.clear()
            yield item

    async def stop(self) -> None:
        await asyncio.wait_for(self.at_stop.wait(), 60)
        self.at_stop.clear()


async def settled(room: Room) -> None:
    """Until all that was begun is done."""
    while room._work or (room.hub is not None and room.hub.coach._jobs):
        await asyncio.gather(*room._work, *room.hub.coach._jobs, return_exceptions=True)


def session(library: Library, demo: Recording, act, *stops: float, student_id: str | None):
    """Play the demo through a room, and do something at each stop."""

    async def main() -> None:
        room = Room(library=lambda: library)
        await room.read_library()
        skip = max(p.end_s for p in demo.poses) + 1.0
        source = Stepped(demo, *stops, skip_s=skip)
        await room.open(
            source, handedness=demo.handedness, club=demo.club, poses=demo.poses, calibrate_at_s=skip, virtual=True,
            student_id=student_id,
        )  # fmt: skip
        for k in range(len(stops)):
            await source.stop()
            await settled(room)
            await act(room, k)
            source.on.set()
        await asyncio.wait_for(asyncio.shield(room._now.playing), 60)
        await settled(room)
        room._ledger.library = Open(library)
        await room.close()

    asyncio.run(main())


class Open:
    """The test's own library stays open."""

    def __init__(self, library: Library) -> None:
        self._library = library

    def __getattr__(self, name: str):
        return getattr(self._library, name)

    def close(self) -> None:
        pass


def stages(library: Library, recording: str) -> dict[str, int]:
    """Of each measuring that is kept: how many swings."""
    with library.read() as store:
        kept = store.scalars(select(MeasuredRecording).where(MeasuredRecording.recording_id == recording)).all()
        return {m.stage: len(store.scalars(select(Reading).where(Reading.measurement_id == m.id)).all()) for m in kept}


def test_next_club_and_next_student_are_new_recordings_filed_where_they_belong(library, demo):
    juno, mika = students(library)

    async def act(room: Room, k: int) -> None:
        if k == 0:
            # a phone on the network is told nothing of students, and cannot choose one
            own, phone = room._state(True), room._state(False)
            assert sorted(name for _, name, _ in own["students"]) == ["Juno Abara", "Mika Solberg"]
            assert own["student"][1] == "Juno Abara"
            assert (phone["students"], phone["student"]) == (None, None)
            await room.do({"do": "student", "id": mika}, own=False)
            await room.do({"do": "end"}, own=False)
            assert room._now.student.id == juno
            await room.do({"do": "club", "club": "wedge"}, own=True)
        else:
            await room.do({"do": "student", "id": mika}, own=True)

    # after the first swing another club, after the second another student
    session(library, demo, act, 45.0, 53.5, student_id=juno)
    (line,) = finding.lessons(library, student_id=juno)
    first, second = finding.recordings(library, lesson_id=line.lesson.id)
    assert (first.club, second.club) == (demo.club, "wedge")
    assert first.state == second.state == "kept"
    assert [first.handedness, second.handedness] == ["left", "left"]
    # what was shown and what the whole recording gives are both kept
    assert stages(library, first.id) == {"provisional": 1, "final": 1}
    assert stages(library, second.id) == {"provisional": 1, "final": 1}
    # the second has no poses: it is measured with the calibration of the first, kept beside it, with another club
    again = measure_recording(
        readers.read(library.recording_path(second)), calibration=library.calibration_path(second)
    )
    (filed,) = finding.measured_swings(library, finding.Wanted(recording_id=second.id))
    now = again.swings[0].angles["wrist_flexion"]["top"]
    assert filed.measured.angles["wrist_flexion"]["top"].value_deg == pytest.approx(now.value_deg, abs=0.1)
    face = filed.measured.angles["face_to_forearm"]["top"]
    assert face.value_deg is None or "zero_frame" in face.marks, "another club, whose poses were not held"
    (line,) = finding.lessons(library, student_id=mika)
    (third,) = finding.recordings(library, lesson_id=line.lesson.id)
    assert third.handedness == "right"
    assert library.calibration_path(third) is None, "another student's straps are another calibration"
    # what was wrong is moved or discarded afterwards
    filing.move_recordings(library, [second.id], student_id=mika)
    assert finding.lessons(library, student_id=juno)[0].recordings == 1
    filing.discard_recording(library, first.id, reason="the strap was loose")
    assert finding.lessons(library, student_id=juno)[0].recordings == 0


def test_a_drill_of_a_lesson_and_pain_are_filed(library, demo):
    juno, _ = students(library)

    async def act(room: Room, k: int) -> None:
        await room.do({"do": "cautions_read"}, own=True)
        await room.do({"do": "drill", "name": "full-speed"}, own=True)
        practice = room.hub.practice
        assert practice.stage == "ready"
        await room.do({"do": "practice", "what": "begin"}, own=True)
        assert practice.stage == "try"

    said: list = []

    async def later(room: Room, k: int) -> None:
        if k == 0:
            await act(room, k)
            return
        practice = room.hub.practice
        assert practice.stage == "ask", practice.remarks
        assert room.hub.state()["channels"]["tone"] is None
        await room.do({"do": "practice", "what": "guess", "side": "low"}, own=True)
        await room.do({"do": "hurts", "text": "little finger's side"}, own=True)
        assert practice.stage == "hurt"
        # as if what was shown had been ten degrees off
        shown = room.hub.coach.swings[0]
        value = shown.swing.angles["wrist_flexion"]["top"]
        off = {**shown.swing.angles["wrist_flexion"], "top": replace(value, value_deg=value.value_deg + 10.0)}
        swing = replace(shown.swing, angles={**shown.swing.angles, "wrist_flexion": off})
        room.hub.coach.swings[0] = replace(shown, swing=swing)
        await room.do({"do": "go_on"}, own=True)
        assert room.hub.practice is None
        said.append(room.hub)

    session(library, demo, later, 44.8, 53.5, student_id=juno)
    (line,) = finding.lessons(library, student_id=juno)
    (one,) = finding.tries(library, lesson_id=line.lesson.id)
    assert (one.drill, one.number) == ("full-speed", 1)
    rows = finding.recordings(library, lesson_id=line.lesson.id)
    assert [row.drill for row in rows] == ["", "full-speed", ""]
    assert {row.state for row in rows} == {"kept"}
    assert line.lesson.hurt == "little finger's side"
    notes = [note["text"] for note in said[0].notices]
    assert any(note.startswith("Swing 1: one number moved") and "wrist flexion at top" in note for note in notes)
    assert any(note["link"] == f"/students/lesson/{line.lesson.id}" for note in said[0].notices)


def test_a_session_begins_on_the_page_with_the_sensors_that_a_search_found(library, demo, monkeypatch):
    juno, _ = students(library)
    from imu.readers import ble

    device = ble.Found("00:00", "cupbow-hand", -50, ble_layout(), battery_percent=80, role="hand")

    async def scan(layouts, **_):
        return [device]

    monkeypatch.setattr(ble, "scan", scan)
    monkeypatch.setattr(ble, "BleSource", lambda assigned: ReplaySource(until(demo, 1.0), speed=math.inf))

    async def main() -> None:
        room = Room(library=lambda: Open(library))
        await room.do({"do": "begin", "id": juno}, own=True)
        assert "no sensor" in room._state(True)["trouble"]
        await room.do({"do": "search"}, own=True)
        (found,) = room._state(True)["found"]
        assert (found["role"], found["battery"], found["usable"]) == ("hand", 80, True)
        await room.do({"do": "begin", "id": juno, "club": "driver"}, own=False)
        assert room.hub is None, "a phone on the network begins nothing"
        await room.do({"do": "begin", "id": juno, "club": "driver"}, own=True)
        assert room.hub.guide is not None
        assert room.hub.session.handedness == "left"
        await asyncio.wait_for(asyncio.shield(room._now.playing), 60)
        await room.close()

    asyncio.run(main())
    (line,) = finding.lessons(library, student_id=juno)
    (row,) = finding.recordings(library, lesson_id=line.lesson.id)
    assert (row.club, row.state) == ("driver", "kept")


def ble_layout():
    from imu.readers.layout import load_layouts

    return next(one for one in load_layouts() if one.has_clock and one.has_counter)


def test_what_a_killed_program_left_is_kept_and_what_is_being_written_is_left_alone(library, demo):
    juno, _ = students(library)
    source = ReplaySource(demo)
    living, dead, empty = Ledger(library), Ledger(library), Ledger(library)
    recorders = [one.open(student_id=juno, sensors=source.sensors, club="7-iron") for one in (living, dead, empty)]
    from imu.readers.virtual import chunks_of

    for chunk, _ in zip(chunks_of(demo), range(60), strict=False):
        for recorder in recorders[:2]:
            recorder.write(chunk)
    for ledger in (dead, empty):  # as the system lets go of a killed program's locks
        next(iter(ledger._locks.values())).release()
    assert keep_left_open(library) == 1
    rows = {row.id: row.state for row in finding.recordings(library, lesson_id=living.lesson_id(recorders[0]))}
    assert rows == {recording_id(recorders[0]): "open", recording_id(recorders[1]): "kept"}
    recorders[0].close()
    assert living.keep(recorders[0])
    assert finding.left_open(library) == []
