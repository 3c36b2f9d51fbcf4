"""The room a live session is held in: who is there, what is recorded where, and how it begins and ends.

A server has one room. It is empty until a session is opened, from the command line or on the page, and
may be so again. Recordings go to a `Place`: the library, under student, club and drill, or numbered
folders. The next student or club is a new recording; the one before is measured once more in full,
which replaces the numbers that were shown, and says what changed by more than its uncertainty.
"""

from __future__ import annotations

import asyncio
import contextlib
import tempfile
import uuid
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from dashboard.live import Hub, Screen
from dashboard.live_messages import changed_words
from dashboard.words import LANGUAGE, count, say
from imu.errors import CupbowError
from imu.live import LiveSession
from imu.live_coach import LiveCoach, Measured
from imu.measured import Measurement
from imu.practice import drill as drills
from imu.practice.session import Practice
from imu.readers.source import Chunk, SensorInfo, Source
from imu.readers.virtual import ReplaySource
from imu.recorder import Recorder
from imu.recording import Handedness, Pose, Recording, Role

if TYPE_CHECKING:
    from imu.bands import Bands
    from imu.library import Library
    from imu.library.live import Golfer, Ledger
    from imu.readers.layout import Layout
    from imu.saved_calibration import Calibration

CLUBS = ("driver", "5-wood", "5-iron", "7-iron", "9-iron", "wedge")
"""Offered beside the student's own; any other can be typed."""


class Place(Protocol):
    """Where recordings go: `imu.library.live.Ledger`, or `Folders`."""

    def open(
        self,
        *,
        student_id: str,
        sensors: Mapping[Role, SensorInfo],
        handedness: Handedness,
        club: str = "",
        drill: str = "",
        calibration: Calibration | None = None,
    ) -> Recorder: ...

    def keep(self, recorder: Recorder) -> bool: ...

    def store(self, recorder: Recorder, measurement: Measurement, *, stage: str) -> None: ...


class Folders:
    """Numbered recording folders in one place: the next club is the next number. What was measured
    stands beside each as JSON, and the calibration that it began with, if any."""

    def __init__(self, root: Path) -> None:
        self.root = root

    def open(
        self,
        *,
        student_id: str,
        sensors: Mapping[Role, SensorInfo],
        handedness: Handedness,
        club: str = "",
        drill: str = "",
        calibration: Calibration | None = None,
    ) -> Recorder:
        del student_id
        taken = [int(p.name) for p in self.root.glob("[0-9]*") if p.name.isdigit()] if self.root.is_dir() else []
        folder = self.root / f"{max(taken, default=0) + 1:03d}"
        facts = {"drill": drill} if drill else {}
        made = Recorder(folder, handedness=handedness, club=club or None, sensors=sensors, facts=facts)
        if calibration is not None:
            calibration.save(self._beside(made, "calibration"))
        return made

    def keep(self, recorder: Recorder) -> bool:
        if not recorder.rows:
            self._beside(recorder, "calibration").unlink(missing_ok=True)
        return bool(recorder.rows)

    def store(self, recorder: Recorder, measurement: Measurement, *, stage: str) -> None:
        import json

        from imu.measured import write_whole

        text = json.dumps(measurement.to_json(), indent=1, allow_nan=False) + "\n"
        write_whole(self._beside(recorder, stage), lambda path: path.write_text(text, encoding="utf-8"))

    def _beside(self, recorder: Recorder, what: str) -> Path:
        return recorder.folder.with_name(f"{recorder.folder.name}-{what}.json")


@dataclass(eq=False)
class _Open:
    """What goes with the session that is open."""

    hub: Hub
    source: Source
    virtual: bool
    playing: asyncio.Task[None] | None = None
    student: Golfer | None = None
    lesson: str | None = None  # its page, where the recording is filed


class Room:
    """One live session at a time. `library` opens the user's own, or gives None where there is none;
    without it (`library=None`) students are neither shown nor filed under."""

    def __init__(
        self,
        *,
        library: Callable[[], Library | None] | None = None,
        bands: Bands | None = None,
        band: tuple[float, float] = (-10.0, 10.0),
        layouts: Callable[[], Sequence[Layout]] | None = None,
        kind: str = "lesson",
        say_line: Callable[[str], None] = lambda _: None,
    ) -> None:
        self.bands, self.band, self._kind = bands, band, kind
        self._open_library, self._layouts, self._say = library, layouts, say_line
        self._ledger: Ledger | None = None
        self._place: Place | None = None
        self._now: _Open | None = None
        self._screens: set[Screen] = set()
        self._golfers: list[Golfer] = []
        self._found: list[Any] | None = None  # sensors that a search found
        self._searching = self._opening = False
        self._trouble = ""
        self._noted: set[str] = set()  # tries that are filed
        self._lock = asyncio.Lock()  # one change of recording at a time
        self._storing = asyncio.Lock()  # results of one recording in their order
        self._work: set[asyncio.Task[Any]] = set()
        self._temporary: tempfile.TemporaryDirectory[str] | None = None
        self._loop: asyncio.AbstractEventLoop | None = None  # that of the screens

    @property
    def hub(self) -> Hub | None:
        return self._now.hub if self._now else None

    # -- screens
    def enter(self, screen: Screen) -> None:
        import json

        self._loop = asyncio.get_running_loop()
        self._screens.add(screen)
        hub = self.hub
        for message in [self._state(screen.own), *(hub.greeting() if hub else [_EMPTY])]:
            if message.get("link") is not None and not screen.own:
                message = {**message, "link": None}
            screen.put(str(message["type"]), json.dumps(message, ensure_ascii=False))
        if hub is not None:
            hub.screens.add(screen)
        elif screen.own and self._ledger is None and self._open_library is not None:
            self._start(self._look())

    async def _look(self) -> None:
        """Who may be chosen, for a page that was opened on an empty room."""
        try:
            await self.read_library()
        except CupbowError as error:
            self._complain(str(error))
        self._tell()

    def leave(self, screen: Screen) -> None:
        self._screens.discard(screen)
        if self.hub is not None:
            self.hub.screens.discard(screen)

    def forget(self, student_id: str) -> None:
        """A student is gone from the library: no list offers the name any more. From any thread."""
        self._golfers = [golfer for golfer in self._golfers if golfer.id != student_id]
        if self._now is not None and self._now.student is not None and self._now.student.id == student_id:
            self._now.student = self._now.lesson = None
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._tell)

    def _tell(self) -> None:
        import json

        for screen in tuple(self._screens):
            screen.put("room", json.dumps(self._state(screen.own), ensure_ascii=False))

    def _state(self, own: bool) -> dict[str, Any]:
        """Who and what may be chosen. A phone on the network is told nothing of students."""
        now = self._now
        student = now.student if now else None
        clubs = list(dict.fromkeys([*(student.clubs if student else ()), *CLUBS]))
        out: dict[str, Any] = {
            "type": "room",
            "open": now is not None,
            "own": own,
            "recording": now is not None and now.hub.session.recorder is not None,
            "lesson": now.lesson if now is not None and own else None,
            "canRecord": self._place is not None or self._ledger is not None,
            "clubs": clubs,
            "club": now.hub.session.club if now else None,
            "student": None,
            "students": None,
            "drills": [],
            "found": None,
            "searching": self._searching,
            "trouble": self._trouble,
        }
        if own:
            out["student"] = None if student is None else [student.id, student.name, student.handedness]
            out["students"] = None if self._ledger is None else [[g.id, g.name, g.handedness] for g in self._golfers]
            out["drills"] = [[d.name, d.in_language(d.title, LANGUAGE)] for d in drills.shipped()]
            out["found"] = None if self._found is None else [_found(one) for one in self._found]
        return out

    # -- what is tapped
    async def do(self, message: Mapping[str, Any], *, own: bool) -> None:
        what = message.get("do")
        hub = self.hub
        if what in ("search", "virtual", "begin", "student", "end", "drill") and not own:
            return
        try:
            if what == "search":
                await self._search()
            elif what in ("virtual", "begin"):
                await self._begin(message, virtual=what == "virtual")
            elif hub is None:
                return
            elif what == "student":
                await self.switch(student_id=str(message.get("id") or ""))
            elif what == "club":
                club = " ".join(str(message.get("club") or "").split())[:100]
                if club:
                    await self.switch(club=club)
            elif what == "next":
                await self.switch()
            elif what == "end":
                await self.end_recording()
            elif what == "drill":
                await self.start_drill(str(message.get("name") or ""))
            else:
                drilled = hub.practice is not None
                hub.do(message)
                if not drilled or hub.practice is not None:
                    return
                await self._next_recording()
        except CupbowError as error:
            self._complain(str(error))
        self._tell()

    def _complain(self, text: str) -> None:
        self._trouble = text
        if self.hub is not None:
            self.hub.note(text)

    # -- opening
    async def read_library(self) -> None:
        """Who is there. Called once before the first session, and when the page is opened on an empty room."""
        if self._open_library is None:
            return

        def look() -> tuple[Ledger | None, list[Golfer]]:
            from imu.library.live import Ledger, keep_left_open

            assert self._open_library is not None
            if self._ledger is None:
                library = self._open_library()
                if library is None:
                    return None, []
                keep_left_open(library)
                ledger = Ledger(library, kind=self._kind)
            else:
                ledger = self._ledger
            return ledger, ledger.golfers()

        self._ledger, self._golfers = await asyncio.to_thread(look)

    async def open(
        self,
        source: Source,
        *,
        handedness: Handedness,
        club: str | None = None,
        student_id: str | None = None,
        folder: Path | None = None,
        poses: Sequence[Pose] = (),
        calibrate_at_s: float | None = None,
        virtual: bool = False,
        practice: Practice | None = None,
        after_cautions: bool = False,
    ) -> Hub:
        """Begin a session over a source, and record it: in the library for a student, else in numbered
        folders, else nowhere. `poses` are taken as held; without them the guide asks for them, unless
        `calibrate_at_s` says that they come by themselves. `after_cautions`: nothing is played before
        they have been read."""
        if self._now is not None or self._opening:
            raise CupbowError(say("live.open_already"))
        self._opening = True
        try:
            await source.__aenter__()
        finally:
            self._opening = False
        session = LiveSession(source, handedness=handedness, club=club)
        coach = LiveCoach(session, bands=self.bands)
        hub = Hub(session, coach, band=self.band)
        hub.on_swing = self._swung  # type: ignore[method-assign]
        hub.on_practice = self._practised  # type: ignore[method-assign]
        hub.on_hurt = self._hurt  # type: ignore[method-assign]
        if folder is not None:
            self._place = Folders(folder)
        elif student_id is not None:
            self._place = self._ledger
        self._trouble = ""
        coach.warm()
        hub.start()
        self._now = _Open(hub, source, virtual)
        hub.screens.update(self._screens)
        if self._place is not None and (student_id is not None or folder is not None):
            await self.switch(student_id=student_id, club=club or "", first=True)
        for pose in poses:
            session.hold(pose.name, pose.start_s, pose.end_s)
        if poses:
            self._calibrate_after(hub, calibrate_at_s or 0.0)
        elif calibrate_at_s is None and not virtual:
            hub.begin_guide()
        if practice is not None:
            hub.start_practice(practice, alone=True)
        # Only now: what comes before there is a place for it would not be recorded.
        self._now.playing = asyncio.create_task(self._play(hub, after_cautions=after_cautions))
        hub.tell()
        self._tell()
        return hub

    async def _play(self, hub: Hub, *, after_cautions: bool) -> None:
        while after_cautions and not hub.cautioned:
            await asyncio.sleep(0.05)
        await hub.session.run()
        await self.end_recording()  # the source has come to its end

    def _calibrate_after(self, hub: Hub, seconds: float) -> None:
        hub.coach.setting_up = True
        if isinstance(source := hub.session.source, ReplaySource):
            source.wait_for = hub.calibrated

        def look(item: object) -> None:
            # the last chunk before a source that is played at no pace goes on at its own
            if isinstance(item, Chunk) and item.arrival_s >= seconds - 0.2:
                stop()
                hub.coach.setting_up = False
                hub.calibrate()

        stop = hub.session.listen(look)

    async def _search(self) -> None:
        """Which sensors are near."""
        from imu.readers.ble import scan
        from imu.readers.layout import load_layouts

        if self._searching:
            return
        self._searching, self._found, self._trouble = True, None, ""
        self._tell()
        try:
            await self.read_library()
            known = self._layouts() if self._layouts is not None else load_layouts()
            self._found = await scan(known, batteries=True)
        except CupbowError as error:
            self._trouble = str(error)
        finally:
            self._searching = False

    async def _begin(self, message: Mapping[str, Any], *, virtual: bool) -> None:
        student = str(message.get("id") or "") or None
        hand: Handedness = "left" if message.get("hand") == "left" else "right"
        club = " ".join(str(message.get("club") or "").split())[:100] or None
        if virtual:
            await self.open_recording(await asyncio.to_thread(_demo_recording))
            return
        from imu.readers.ble import BleSource, assign

        assigned, said = assign(self._found or [], {})
        if not assigned:
            raise CupbowError("; ".join(said) or say("live.nothing_near"))
        if student is not None and self._ledger is not None:
            hand = (await asyncio.to_thread(self._ledger.golfer, student)).handedness
        await self.open(BleSource(assigned), handedness=hand, club=club, student_id=student)

    async def open_recording(
        self,
        recording: Recording,
        *,
        speed: float = 1.0,
        student_id: str | None = None,
        folder: Path | None = None,
        practice: Practice | None = None,
    ) -> Hub:
        """A recording played as if it were being taken now: its poses are taken as held, and played
        through at once."""
        skip = max((p.end_s for p in recording.poses), default=0.0) + (1.0 if recording.poses else 0.0)
        return await self.open(
            ReplaySource(recording, speed=speed, skip_s=skip),
            handedness=recording.handedness,
            club=recording.club,
            student_id=student_id,
            folder=folder,
            poses=recording.poses,
            calibrate_at_s=skip,
            virtual=True,
            practice=practice,
        )

    # -- recordings, one after the other
    async def switch(self, *, student_id: str | None = None, club: str | None = None, first: bool = False) -> None:
        """The next recording: of another student, with another club, or just the next. Where the straps
        stay on, the calibration serves on."""
        async with self._lock:
            now = self._now
            if now is None or (self._place is None and student_id is None):
                return
            session, coach = now.hub.session, now.hub.coach
            if student_id is not None and self._place is None:
                self._place = self._ledger
            if self._place is None:
                return
            golfer = now.student
            if student_id and self._ledger is not None and self._place is self._ledger:
                golfer = await asyncio.to_thread(self._ledger.golfer, student_id)
            other = not first and golfer is not None and (now.student is None or golfer.id != now.student.id)
            keep = not first and not other
            club = club if club is not None else "" if other else session.club or ""
            practice = now.hub.practice
            recorder = await asyncio.to_thread(
                self._place.open,
                student_id=golfer.id if golfer else "",
                sensors=session.source.sensors,
                handedness=golfer.handedness if golfer else session.handedness,
                club=club,
                drill=practice.drill.name if practice is not None and practice.drill is not None else "",
                calibration=coach.calibration if keep else None,
            )
            self._leave(now.hub, recorder, keep_calibration=keep)
            now.student, now.lesson = golfer, await self._link(recorder)
            if other:
                now.hub.hurt = None
                if now.hub.runner is not None:
                    now.hub.end_practice()
                if not now.virtual:
                    now.hub.begin_guide()
            if not first:
                now.hub.note(say("live.recording_goes_on", club=club or say("live.no_club")))
            now.hub.tell()

    async def end_recording(self) -> None:
        """What was recorded is complete; the angles go on, and nothing is written any more."""
        async with self._lock:
            if self._now is not None and self._now.hub.session.recorder is not None:
                self._leave(self._now.hub, None, keep_calibration=True)
                self._now.hub.tell()
                self._tell()

    def _leave(self, hub: Hub, recorder: Recorder | None, *, keep_calibration: bool) -> None:
        session, coach = hub.session, hub.coach
        recording = session.recording() if session.recorder is not None else None
        swings, brought = coach.swings, coach.brought
        before = session.record(recorder)
        coach.begin(keep_calibration=keep_calibration)
        if before is not None and recording is not None:
            self._start(self._complete(hub, before, recording, swings, brought))

    async def _complete(
        self, hub: Hub, recorder: Recorder, recording: Recording, swings: list[Measured], brought: Calibration | None
    ) -> None:
        """The final pass over a recording that has ended; shown and final values are both kept."""
        place = self._place
        assert place is not None
        try:
            if not await asyncio.to_thread(place.keep, recorder):
                return
            link = await self._link(recorder)
            shown = sum(not m.final for m in swings)
            final = await hub.coach.finish(recording, swings, brought)
            if final is None:
                hub.note(say("live.kept_unmeasured", where=self._where(recorder)), link=link)
                return
            async with self._storing:
                await asyncio.to_thread(place.store, recorder, final, stage="final")
        except CupbowError as error:
            hub.note(str(error))
            return
        hub.note(count("live.kept", len(final.swings), where=self._where(recorder)), link=link)
        if shown != len(final.swings):
            hub.note(say("live.found_otherwise", shown=shown, n=len(final.swings)))
        for one in swings:
            if one.final and one.changed:
                hub.note(changed_words(one.swing.index, one.changed))
        last = next((m for m in reversed(swings) if m.final), None)
        if last is not None and hub.session.recorder is None:
            hub.show_final(last)
        self._say(recorder.trouble or count("live.kept", len(final.swings), where=self._where(recorder)))

    def _where(self, recorder: Recorder) -> str:
        return say("live.the_library") if self._place is self._ledger else str(recorder.folder)

    async def _link(self, recorder: Recorder) -> str | None:
        if self._ledger is None or self._place is not self._ledger:
            return None
        return f"/students/lesson/{await asyncio.to_thread(self._ledger.lesson_id, recorder)}"

    def _swung(self, measured: Measured) -> None:
        now = self._now
        if now is None or measured.final or self._place is None:
            return
        recorder, shown = now.hub.session.recorder, now.hub.coach.shown()
        if recorder is not None and shown is not None:
            self._start(self._store(recorder, shown))

    async def _store(self, recorder: Recorder, measurement: Measurement) -> None:
        place = self._place
        async with self._storing:
            if place is not None and self._now is not None and self._now.hub.session.recorder is recorder:
                try:
                    await asyncio.to_thread(place.store, recorder, measurement, stage="provisional")
                except CupbowError as error:
                    self._now.hub.note(str(error))

    # -- drills in a lesson
    async def start_drill(self, name: str) -> None:
        """One of the drills that come with cupbow, for who is there now."""
        now = self._now
        drill = next((d for d in drills.shipped() if d.name == name), None)
        if now is None or drill is None or now.hub.alone:
            return
        if now.hub.runner is not None:
            now.hub.end_practice()
        now.hub.hurt = None
        plan = one_drill(drill, handedness=now.hub.session.handedness, club=now.hub.session.club or "")
        practice = await asyncio.to_thread(Practice.open, plan, self._journals())
        now.hub.start_practice(practice, alone=False)
        await self._next_recording()

    async def _next_recording(self) -> None:
        """A drill is a recording of its own, filed under its name; so is what follows it."""
        if self._now is not None and self._now.hub.session.recorder is not None:
            await self.switch()

    def _journals(self) -> Path:
        """A lesson's drills are filed try by try; their journals are of use only while it lasts."""
        if self._temporary is None:
            self._temporary = tempfile.TemporaryDirectory(prefix="cupbow-")
        return Path(self._temporary.name)

    def _practised(self, practice: Practice) -> None:
        now = self._now
        if now is None or now.hub.alone or self._ledger is None or self._place is not self._ledger:
            return
        recorder = now.hub.session.recorder
        new = [t for t in practice.session.tries if t.id not in self._noted]
        if recorder is None or not new:
            return
        self._noted.update(t.id for t in new)
        ledger = self._ledger

        async def note() -> None:
            async with self._storing:
                for one in new:
                    try:
                        await asyncio.to_thread(ledger.note_try, recorder, one)
                    except CupbowError as error:
                        now.hub.note(str(error))

        self._start(note())

    def _hurt(self, text: str, *, first: bool) -> None:
        now = self._now
        if now is None or self._ledger is None or self._place is not self._ledger:
            return
        recorder, ledger = now.hub.session.recorder, self._ledger
        if recorder is None:
            return

        async def mark() -> None:
            async with self._storing:
                try:
                    await asyncio.to_thread(ledger.hurt, recorder, text or say("live.hurt_unsaid"))
                except CupbowError as error:
                    now.hub.note(str(error))

        self._start(mark())

    # -- ending
    async def close(self) -> None:
        """The session is over: the recording is completed, measured in full, and filed."""
        now = self._now
        if now is not None:
            async with self._lock:
                if now.hub.session.recorder is not None:
                    self._leave(now.hub, None, keep_calibration=True)
            while self._work:
                await asyncio.gather(*tuple(self._work), return_exceptions=True)
            if now.playing is not None:
                now.playing.cancel()
                await asyncio.gather(now.playing, return_exceptions=True)
            await now.source.__aexit__(None, None, None)
            await now.hub.close()
            await now.hub.coach.close()
            self._now = None
        for screen in tuple(self._screens):
            screen.end()
        if self._ledger is not None:
            self._ledger.library.close()
        if self._temporary is not None:
            with contextlib.suppress(OSError):
                self._temporary.cleanup()

    def _start(self, work: Any) -> None:
        task = asyncio.get_running_loop().create_task(work)
        self._work.add(task)
        task.add_done_callback(self._work.discard)


_EMPTY: Mapping[str, Any] = {"type": "session", "open": False, "band": None, "angle": "wrist_flexion", "bandName": "",
                             "paused": False, "ready": False, "calibrating": False, "guide": False, "hurt": None,
                             "channels": {}, "club": None}  # fmt: skip


def one_drill(drill: drills.Drill, *, handedness: Handedness, club: str) -> Any:
    """A plan of one drill, for a lesson."""
    from imu.practice.plan import Block, Day, Pick, Plan

    low, high = drill.band or (-10.0, 10.0)
    return Plan(
        id=uuid.uuid4().hex,
        student="",
        student_id="",
        handedness=handedness,
        pick=Pick(drill.angle, drill.event, low, high, None, None, ""),
        drills=(drill,),
        days=(Day(1, 1, (Block(drill.name, drill.tries),)),),
        made_on=date.today(),
        club=club,
    )


def _found(one: Any) -> dict[str, Any]:
    return {
        "name": one.name,
        "role": one.role,
        "battery": one.battery_percent,
        "usable": one.usable,
        "remark": one.remark,
    }


def _demo_recording() -> Recording:
    """The newest demo recording; where the source is not there, one that is made."""
    from dashboard.commands.demo import demo_recordings
    from imu import readers

    try:
        latest = max(path.parent for path in demo_recordings().rglob("recording.toml"))
        return readers.read(latest)
    except CupbowError:
        from imu.commands.benchmark import made

        return made(110.0, 1)
