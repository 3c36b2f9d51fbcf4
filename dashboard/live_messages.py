"""What goes to a live screen: readings, swings, a drill under way, each as JSON, in the user's words.

Where feedback is withheld, the numbers are not in the message at all: nothing on the page can show what
did not come.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Any

from dashboard.words import LANGUAGE, count, retold, say
from imu.bands import verdict
from imu.live_angles import Now, Reading
from imu.live_coach import Measured
from imu.practice.alerts import Cue
from imu.practice.drill import Drill
from imu.practice.journal import Try
from imu.practice.session import Practice

BOARD = {"in": "in", "low": "cup", "high": "bow", "unsure": "edge", "none": "none", "quiet": "swing"}
"""The engine's words for the board → the page's."""

_HIDDEN = ("covered", "swing", "off", "stopped")

REASONS: tuple[tuple[str, str], ...] = (
    (r"(forearm|hand|club) sensor lost", "live.reason_lost"),
    (r"(forearm|hand|club) sensor clipped", "live.reason_clipped"),
    (r"no (forearm|hand|club) sensor(?: in the calibration)?", "live.reason_none"),
    (r"known after the first swing.*", "live.reason_first_swing"),
    (r"finding its bearings.*", "live.reason_bearings"),
)
"""Why an angle is not known now, as `imu.live_angles` says it → the word for it."""

_ROLES = {"forearm": "live.arm", "hand": "live.hand", "club": "live.club"}

_SWING_ROWS = (
    ("wrist_flexion", "top", "live.row_wrist_top"),
    ("wrist_flexion", "shaft_level_down", "live.row_wrist_down"),
    ("face_to_forearm", "top", "live.row_face_top"),
    ("shaft_past_level", "top", "live.row_past_level"),
)


def reason_words(reason: str | None) -> str | None:
    """A reason in the user's language; what has no translation stays as it was said."""
    for pattern, key in REASONS:
        found = re.fullmatch(pattern, reason or "")
        if found:
            return say(key, role=say(_ROLES[found[1]]) if found.groups() else "")
    return retold(reason) if reason else None


def now_message(
    reading: Reading,
    cue: Cue,
    *,
    arrived_ms: float,
    hold: tuple[float, float] | None,
    angle: str,
    judged: tuple[float | None, float | None] | None = None,
) -> dict[str, Any]:
    """A reading with the decision made of it. `hold`: for how long it was held, of how long. `judged`: what
    stands on the board in place of the angle, with its u95."""
    board = BOARD.get(cue.board, cue.board)
    hidden = board in _HIDDEN
    out: dict[str, Any] = {
        "type": "now",
        "ms": round(arrived_ms, 1),
        "board": board,
        "speed": round(reading.speed_dps),
        "hold": None if hold is None or hidden else {"held": round(hold[0], 1), "of": hold[1]},
        "tone": None,
        # for what shakes: it may while the board is off, not while it is covered
        "out": BOARD[cue.state] if cue.state in ("low", "high") and board not in ("covered", "stopped") else None,
    }
    if cue.tone is not None:
        side = "low" if cue.error_deg < 0 else "high"
        out["tone"] = {"side": side, "hz": round(cue.tone.hz, 1), "every": round(1 / cue.tone.pulses_per_s, 4)}
    if hidden:
        return out
    for key, name in (("reading", angle), ("face", "face_to_forearm"), ("shaft", "shaft_elevation")):
        now = reading.angles.get(name, Now(None))
        out[key] = [_r(now.value_deg), _r(now.u95_deg), reason_words(now.reason)]
    if judged is not None:
        out["reading"] = [_r(judged[0]), _r(judged[1]), out["reading"][2]]
    return out


def swing_message(measured: Measured, *, hidden: bool = False) -> dict[str, Any]:
    """A swing's numbers for the panel; `hidden` while a drill withholds them."""
    swing = measured.swing
    out: dict[str, Any] = {
        "type": "swing",
        "index": swing.index,
        "kind": swing.kind,
        "final": measured.final,
        "took": round(measured.took_s, 2),
        "hidden": hidden,
        "rows": [],
    }
    if hidden:
        return out
    for angle, event, label in _SWING_ROWS:
        value = swing.angles.get(angle, {}).get(event)
        if value is None:
            continue
        band = swing.bands.get(f"{angle}@{event}")
        out["rows"].append(
            {
                "label": say(label),
                "angle": angle,
                "value": _r(value.value_deg),
                "u95": _r(value.u95_deg),
                "reason": reason_words(value.reason),
                "band": None if band is None else [band.low_deg, band.high_deg],
                "verdict": None if band is None else band.verdict,
            }
        )
    return out


def changed_words(swing: int, changed: tuple[str, ...]) -> str:
    """What the final pass moved by more than was allowed for."""
    return count("live.changed", len(changed), swing=swing, what=", ".join(changed))


def guide_message(state: Mapping[str, Any]) -> dict[str, Any]:
    """Setting up, in the user's words."""
    steps = [{**step, "title": say(f"live.step_title.{step['key']}")} for step in state["steps"]]
    out = {"type": "guide", **state, "steps": steps}
    if steps:
        key = state["steps"][min(state["index"], len(steps) - 1)]["key"]
        out |= {"title": say(f"live.step_title.{key}"), "text": say(f"live.step_text.{key}")}
        if state["moved"]:
            out["moved"] = {**state["moved"], "tip": say(f"live.step_tip.{key}")}
    out["checks"] = [_check(check) for check in state["checks"]]
    return out


def _check(check: Mapping[str, Any]) -> dict[str, Any]:
    fields = {"deg": round(check["deg"])} if "deg" in check else {}
    text = say(f"live.check_text.{check['key']}_{'ok' if check['ok'] else 'no'}", **fields)
    return {"ok": check["ok"], "what": say(f"live.check.{check['key']}"), "text": text}


# -- a drill under way -----------------------------------------------------------------------------
def practice_message(practice: Practice, *, alone: bool) -> dict[str, Any]:
    """All that the drill panel needs. `alone`: a student's practice from a plan, not a drill of a lesson."""
    state = practice.state()
    out: dict[str, Any] = {"type": "practice", "alone": alone, **state}
    drill, block = practice.drill, practice.block
    out["drills"] = _drills(practice)
    out["tries"] = []
    if drill is not None and block is not None and state["drill"] is not None:
        at = out["block"] - 1
        out["drill"] = {
            **state["drill"],
            "title": drill.in_language(drill.title, LANGUAGE),
            "do": drill.in_language(drill.do, LANGUAGE),
            "feedback": feedback_words(drill, block.tries),
            "where": where_words(state.get("where") or {}),
        }
        band = state["drill"]["band"]
        done = practice.session.of_block(at)
        out["tries"] = [_try(one, band) for one in done] + [None] * max(0, block.tries - len(done))
    if "told" in out and drill is not None:
        out["told"] = {**out["told"], "also": _also(out["told"]["also"], drill)}
    if "summary" in out:
        out["summary"] = [_summary(line) for line in out["summary"]]
    out["remarks"] = [remark_words(text) for text in state["remarks"]]
    out["ask"] = practice.asks
    out["load"] = {**state["load"], "text": load_words(state["load"])}
    return out


REMARKS: tuple[tuple[str, str], ...] = (
    (r"this try does not count: no reading", "live.remark_no_reading"),
    (r"this try does not count: it was not reached in time", "live.remark_late"),
    (r"this try does not count: the swing could not be read", "live.remark_unread"),
    (r".* is left out: the own painless range was not measured", "live.remark_no_range"),
    (r".* is left out: its band lies past .*", "live.remark_past_range"),
    (r".*: its band was cut to 70 % of the own range \((?P<low>\S+) to (?P<high>\S+)\)", "live.remark_cut"),
)
"""Remarks as `imu.practice.session` makes them → the words for them."""


def remark_words(text: str) -> str:
    """A remark in the user's language; what has no translation stays as it was said."""
    for pattern, key in REMARKS:
        if found := re.fullmatch(pattern, text):
            return say(key, **found.groupdict())
    return text


def _drills(practice: Practice) -> list[dict[str, Any]]:
    """The session's drills in their order, with how far each has come."""
    out = []
    for i, ((block, drill), line) in enumerate(zip(practice.blocks, practice.summary(), strict=True)):
        state = "on" if practice.at == i else "done" if i in practice.session.finished_blocks else "to_come"
        held = say("live.n_held", held=line["held"], n=line["tries"])
        out.append(
            {
                "title": drill.in_language(drill.title, LANGUAGE),
                "state": state,
                "count": "" if not line["tries"] else held if line["shown"] else f"{line['tries']} / {block.tries}",
                "purpose": "" if block.purpose == "learn" else say(f"live.purpose.{block.purpose}"),
            }
        )
    return out


def _try(one: Try, band: list[float] | None) -> dict[str, Any]:
    if not one.shown and not one.live:
        return {"shown": False, "word": say("live.try_counted")}
    word = "unsure" if one.held is None else "held" if one.held else "lost"
    side = None
    if one.value_deg is not None and one.u95_deg is not None and band:
        side = verdict(low=band[0], high=band[1], value=one.value_deg, u95=one.u95_deg)
    said = say(f"live.try.{word}")
    if word == "lost" and side in ("below", "above"):
        wrist = say("live.verdict_cup") if side == "below" else say("live.verdict_bow")
        said = wrist if one.angle == "wrist_flexion" else say(f"live.side.{side}")
    return {"shown": True, "word": said, "value": one.value_deg, "u95": one.u95_deg, "verdict": side}


def feedback_words(drill: Drill, tries: int) -> str:
    """How often the student is told, in one line."""
    said = say(f"live.feedback.{drill.feedback.schedule}")
    first, last = drill.feedback.silent_first, drill.feedback.silent_last
    silent = []
    if 0 < first < tries:
        silent.append(count("live.silent_first", first))
    if 0 < last < tries:
        silent.append(count("live.silent_last", last))
    return " ".join([said, *silent])


def where_words(where: Mapping[str, Any]) -> str:
    """Which part of the try it is."""
    if "stop" in where:
        return say("live.stop_of", at=where["at"], of=where["stops"], event=say(f"event.{where['stop']}"))
    if "end" in where:
        return say(f"live.end.{where['end']}")
    if "carry" in where:
        return say(f"live.carry.{where['carry']}")
    return ""


def _also(values: Mapping[str, float | None], drill: Drill) -> list[str]:
    """What was read out beside the drill's own angle, from the lower end to the upper one."""
    out = []
    for name in ("shaft_elevation", "face_to_forearm"):
        change = values.get(f"{name}_change")
        if change is not None and math.isfinite(change):
            side = say(f"live.moved_{'more' if change > 0 else 'less'}.{name}")
            out.append(say(f"live.also.{name}", n=round(abs(change)), side=side))
    return out


def _summary(line: Mapping[str, Any]) -> dict[str, Any]:
    title = line["title"].get(LANGUAGE) or line["title"].get("en") or line["drill"]
    text = say("live.summary", n=line["tries"], held=line["held"], lost=line["lost"], unsure=line["unsure"])
    return {"title": title, "text": text if line["tries"] else say("live.summary_none")}


def load_words(load: Mapping[str, Any]) -> str:
    said = say("live.load", today=load["today"], week=load["week"], most=load["most"])
    return f"{said} {say('live.load_much')}" if load["too_much"] else said


def _r(x: float | None) -> float | None:
    return None if x is None else round(float(x), 1)
