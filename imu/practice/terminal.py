"""A practice session on the terminal, over a recording that is played as if it were taken now."""

from __future__ import annotations

import asyncio
import math
import sys
import threading
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from imu.errors import UsageError
from imu.practice.acting import Student
from imu.practice.alerts import Cue
from imu.practice.runner import Runner
from imu.practice.session import Practice

if TYPE_CHECKING:
    from imu.readers.virtual import ReplaySource

CAUTIONS = (
    "Before the first swing: clear the space around you, fasten the sensors so that nothing can fly off, and "
    "stop on wrist pain (h). A measurement is not a medical opinion."
)
HURT = (
    "Stop. Put the club down and let it rest; practice is over for today. See someone licensed to treat it, soon if it "
    "is sharp, on the little finger's side or in the heel of the hand, clicks, tingles, swells or is there tomorrow. "
    "Your coach will see that it hurt."
)
KEYS = {
    "": ("next", {}),
    "h": ("hurts", {}),
    "c": ("guess", {"side": "low"}),
    "i": ("guess", {"side": "in"}),
    "b": ("guess", {"side": "high"}),
    "s": ("skip", {}),
    "q": ("stop", {}),
}  # fmt: skip
_ENTER = {"cautions": "cautions_read", "range": "range_done", "ready": "begin", "ask": "pass", "told": "next"}


async def practise(
    practice: Practice,
    source: ReplaySource,
    *,
    handedness: Any,
    poses: Any,
    student: Student | None = None,
    language: str = "en",
    write: Callable[[str], None] = print,
) -> None:
    """Until the recording or the session ends. `student` taps; without one, keys and Enter do."""
    from imu.live import LiveSession
    from imu.live_coach import LiveCoach
    from imu.readers.source import Chunk

    session = LiveSession(source, handedness=handedness)
    coach = LiveCoach(session)
    screen = Screen(practice, language=language, write=write)
    runner = Runner(practice, session, coach, on_cue=screen.cue, on_state=screen.state)
    coach.on_swing = runner.swung
    coach.on_trouble = write
    for pose in poses:
        session.hold(pose.name, pose.start_s, pose.end_s)
    coach.setting_up = True

    async def calibrated() -> None:
        coach.setting_up = False
        await coach.calibrate()
        if coach.angles is None:
            raise UsageError("the poses of this recording are not enough to calibrate by; choose another")

    source.wait_for = calibrated  # the poses are over: what is played waits for the calibration

    def follow(item: object) -> None:
        if isinstance(item, Chunk) and student is not None and coach.angles is not None:
            tap = student.tap(practice.state(), item.arrival_s)
            if tap is not None:
                runner.do(tap[0], **tap[1])

    session.listen(follow)
    loop = asyncio.get_running_loop()
    if student is None:
        threading.Thread(target=_keys, args=(loop, practice, runner), daemon=True).start()
    screen.state()
    try:
        async with source:
            runner.start()
            playing = asyncio.create_task(session.run())
            while not playing.done() and practice.stage not in ("done", "hurt"):
                await asyncio.sleep(0.05)
            playing.cancel()
            (ended,) = await asyncio.gather(playing, return_exceptions=True)
            if isinstance(ended, Exception):
                raise ended
    finally:
        await runner.close()
        await coach.close()
    screen.end()


def _keys(loop: asyncio.AbstractEventLoop, practice: Practice, runner: Runner) -> None:
    """Lines from the terminal, as taps. What means nothing in this stage does nothing."""
    for line in sys.stdin:
        key = line.strip().lower()[:1]
        what, fields = KEYS.get(key, ("", {}))
        if key == "":
            what = _ENTER.get(practice.stage, "")
        if what:
            loop.call_soon_threadsafe(lambda what=what, fields=fields: runner.do(what, **fields))  # type: ignore[misc]


class Screen:
    """What a session says, line by line; a word only when it changes."""

    def __init__(self, practice: Practice, *, language: str, write: Callable[[str], None]) -> None:
        self.practice, self.language, self._write = practice, language, write
        self._said: tuple[Any, ...] = ()
        self._board = ""

    def cue(self, cue: Cue) -> None:
        if self.practice.stage != "try" or cue.board == self._board or cue.board in ("off", "covered"):
            return
        self._board = cue.board
        drill = self.practice.drill
        low, high = _sides(self.practice.state()) if drill is not None else ("low", "high")
        words = {"in": "in", "low": f"too {low}", "high": f"too {high}", "unsure": "on the edge", "none": "no reading"}
        if cue.board in words:
            sound = f"  ♪ {cue.tone.hz:.0f} Hz" if cue.tone else ""
            shake = f"  ~ {'-'.join(map(str, cue.buzz_ms))}" if cue.buzz_ms else ""
            self._write(f"    {words[cue.board]}{sound}{shake}")

    def state(self) -> None:
        state = self.practice.state()
        key = (state["stage"], state["block"], state.get("number"), str(state.get("where")), len(state["remarks"]))
        if key == self._said:
            return
        before, self._said = self._said, key
        if before and len(state["remarks"]) > before[4]:
            self._write(f"  ! {state['remarks'][-1]}")
        for line in self._lines(state, before):
            self._write(line)

    def _lines(self, state: Mapping[str, Any], before: tuple[Any, ...]) -> list[str]:
        stage = state["stage"]
        if stage == "cautions":
            out = [CAUTIONS]
            if state["hurt_before"] is not None:
                out.append("Last time it hurt. Don't go on before someone licensed has said that you may.")
            return [*out, _load(state["load"]), "Enter: I have read this"]
        if stage == "range":
            return ["Bend the wrist slowly both ways, only as far as it is comfortable. Enter when done."]
        drill = state["drill"]
        if stage == "ready":
            do = drill["do"].get(self.language) or drill["do"]["en"]
            title = drill["title"].get(self.language) or drill["title"]["en"]
            return [f"{title} ({state['block']} of {state['blocks']}): {do}", "Enter: begin"]
        if stage == "try":
            self._board = ""
            where = state["where"]
            if before and before[0] == "try" and where:
                return [f"    {_where(where, drill)}"]
            swing = "swing first, say where it was" if state["covered"] else "go"
            return [f"  try {state['number']} of {state['of']}: {swing}"]
        if stage == "ask":
            low, high = _sides(state)
            return [f"  where was it? c {low}, i in, b {high} (Enter: no idea)"]
        if stage == "told":
            return [f"  {_told(state)}"]
        return []

    def end(self) -> None:
        state = self.practice.state()
        if state["stage"] == "hurt":
            self._write(HURT)
        for line in self.practice.summary():
            if line["tries"]:
                title = line["title"].get(self.language) or line["title"]["en"]
                parts = [f"{line['held']} held", f"{line['lost']} lost"]
                parts += [f"{line['unsure']} unsure"] if line["unsure"] else []
                self._write(f"{title}: {line['tries']} tries, {', '.join(parts)}, {line['shown']} with feedback")
        self._write(_load(state["load"]))
        if state["trouble"]:
            self._write(f"! {state['trouble']}")


def _sides(state: Mapping[str, Any]) -> tuple[str, str]:
    low, high = state["drill"]["sides"]
    return low, high


def _load(load: Mapping[str, Any]) -> str:
    more = "; that is more than" if load["too_much"] else "; more than"
    return (
        f"Full swings today {load['today']}, in seven days {load['week']}{more} {load['most']} in a week went with more "
        "injuries (Gosheger 2003, known from memory)."
    )


def _where(where: Mapping[str, Any], drill: Mapping[str, Any]) -> str:
    if "stop" in where:
        return f"next stop: {str(where['stop']).replace('_', ' ')}"
    if "end" in where:
        return f"now {drill['sides'][0 if where['end'] == 'low' else 1]}"
    return "set it at the top" if where.get("carry") == "set" else "now bring it down slowly"


def _told(state: Mapping[str, Any]) -> str:
    told, (low, high) = state["told"], _sides(state)
    if not told["show"]:
        return "noted"
    if told["also"]:
        shaft, face = told["also"].get("shaft_elevation_change"), told["also"].get("face_to_forearm_change")
        parts = [f"shaft {shaft:+.0f}°"] if shaft is not None else []
        parts += [f"face {face:+.0f}°"] if face is not None else []
        return "between the ends: " + (", ".join(parts) or "nothing else was read")
    if told["value"] is None or not math.isfinite(told["value"]):
        return "held" if told["held"] else "not reached in time"
    side = high if told["value"] > 0 else low
    number = f"{abs(told['value']):.0f}° {side} ± {told['u95']:.0f}"
    if told["by"] is not None:
        return f"{number}: too {low if told['word'] == 'below' else high}, by {told['by']:.0f}° or more"
    return f"{number}: " + ("in the band" if told["held"] else "on the edge: can't be told")
