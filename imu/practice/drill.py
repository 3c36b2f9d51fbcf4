"""A drill as data: what to hold or carry, in which band, how often, and when the student is told.

A drills file is TOML (`cupbow.drills/1`) with one `[[drill]]` for each; plans hold drills in the same
shape. Kinds:

    hold   a position held in its band
    ends   both ends felt: cupped, then bowed, as far as is comfortable, and what shaft and face do
    carry  the angle carried from the top to shaft level without losing it: a band for the change
    slow   a slow rehearsal with stops
    full   a full swing, its verdict after

Bands are never put near the end of what a wrist can do: see `comfort`.
"""

from __future__ import annotations

import functools
import json
import math
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from imu.errors import CupbowError
from imu.recording import ANGLES, EVENTS, SIGNS

FORMAT = "cupbow.drills/1"
SHIPPED = Path(__file__).with_name("drills.toml")

KINDS = ("hold", "ends", "carry", "slow", "full")
NOW_ANGLES = ("wrist_flexion", "wrist_deviation", "face_to_forearm", "shaft_elevation")
"""What is known while the student moves: only these can be alerted to."""
SCHEDULES = ("every", "outside", "faded", "half", "none")
CHANNELS = ("board", "tone", "sensor", "phone")
LANGUAGES = ("en", "de")

COMFORT_SHARE = 0.7
"""No cue leads beyond this share of the student's own painless range. A safety margin of ours, no source."""

_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,59}")
_TOLERANCE_SHARE = 0.5  # how far before a comfortable end its band begins, as a share of that end


class DrillError(CupbowError):
    """A drills file, or a drill, that cannot be what it claims to be."""


@dataclass(frozen=True)
class Feedback:
    """When the student is told: see `imu.practice.schedule`."""

    schedule: str = "faded"  # every | outside | faded | half | none
    ask: bool = True  # "say where it was" before the number is shown
    silent_last: int = 0  # so many last tries without feedback: what stays within the session
    silent_first: int = 0  # so many first tries without feedback: what stayed since the last day


@dataclass(frozen=True)
class Drill:
    """One drill. Degrees; `event` is an event, or "event..event" for the change between two.

    `low_deg` and `high_deg` are None only for the kind `ends`, whose bands come from the student's
    own range, and for drills that wait for a plan to set them.
    """

    name: str
    kind: str
    angle: str
    event: str
    title: Mapping[str, str]  # by language
    do: Mapping[str, str]  # what to do, in one or two sentences, by language
    low_deg: float | None = None
    high_deg: float | None = None
    hold_s: float = 2.0  # how long it is held; at each end, at each stop
    within_s: float = 20.0  # a try that takes longer is over
    tries: int = 8
    rest_s: float = 4.0  # between tries
    stops: tuple[str, ...] = ()
    share: float = 0.6  # of the own painless range: how far the ends are felt
    feedback: Feedback = field(default_factory=Feedback)
    channels: tuple[str, ...] = ("board", "tone", "sensor")
    source: str = ""

    @property
    def is_change(self) -> bool:
        return ".." in self.event

    @property
    def band(self) -> tuple[float, float] | None:
        return None if self.low_deg is None or self.high_deg is None else (self.low_deg, self.high_deg)

    @property
    def live(self) -> bool:
        """Whether it is steered by readings of the moment; a full swing is not: no one can steer within it."""
        return self.kind != "full"

    def in_language(self, text: Mapping[str, str], language: str) -> str:
        return text.get(language) or text.get("en") or next(iter(text.values()), "")

    def with_band(self, low_deg: float, high_deg: float) -> Drill:
        made = replace(self, low_deg=low_deg, high_deg=high_deg)
        check(made)
        return made


# -- what a wrist is never asked for ---------------------------------------------------------------
@functools.cache
def outer_limits(angle: str) -> tuple[float, float] | None:
    """The published end of range of a wrist angle, degrees; None for what is no wrist angle.

    Boone & Azen 1979 and the American Academy of Orthopaedic Surgeons, the wider of the two, as
    `imu.bands` has them.
    """
    from imu.bands import shipped

    for limit in shipped().limits:
        if limit.angle == angle:
            return limit.low_deg, limit.high_deg
    return None


def comfort(angle: str, own: tuple[float, float] | None = None) -> tuple[float, float] | None:
    """Between which degrees a cue may lead: 70 % of the student's own painless range, and never more
    than 70 % of the published range. None for what is no wrist angle.

    Without a range of the student's own the published one counts.
    """
    limits = outer_limits(angle)
    if limits is None:
        return None
    low, high = (COMFORT_SHARE * x for x in limits)
    if own is not None:
        low, high = max(low, COMFORT_SHARE * min(own[0], 0.0)), min(high, COMFORT_SHARE * max(own[1], 0.0))
    return low, high


def within_comfort(
    angle: str, band: tuple[float, float], own: tuple[float, float] | None = None
) -> tuple[float, float] | None:
    """The part of a band that lies within comfort; None where nothing of it does."""
    reach = comfort(angle, own)
    if reach is None:
        return band
    low, high = max(band[0], reach[0]), min(band[1], reach[1])
    return (low, high) if high - low >= 1.0 else None


def end_bands(
    angle: str, own: tuple[float, float], *, share: float = 0.6
) -> tuple[tuple[float, float], tuple[float, float]]:
    """The bands in which the lower and the upper end are felt: up to `share` (at most 70 %) of the own
    painless range, and inwards from there."""
    reach = comfort(angle, own)
    if reach is None:
        raise DrillError(f"{angle.replace('_', ' ')} has no ends of range to be felt; choose a wrist angle")
    share = min(share, COMFORT_SHARE)
    low, high = max(reach[0], share * min(own[0], 0.0)), min(reach[1], share * max(own[1], 0.0))
    if high - low < 10.0:
        raise DrillError(
            f"a range of {own[0]:.0f} to {own[1]:.0f} degrees is too small to feel its ends; leave this drill out"
        )
    return (low, low * (1 - _TOLERANCE_SHARE)), (high * (1 - _TOLERANCE_SHARE), high)


# -- files -----------------------------------------------------------------------------------------
def shipped() -> tuple[Drill, ...]:
    """The drills that come with cupbow."""
    return load(SHIPPED)


def load(path: Path | str) -> tuple[Drill, ...]:
    """Drills from a TOML file. Raises DrillError in one line that names file, drill and field."""
    file = Path(path)
    data = read_toml(file, DrillError)
    try:
        if data.get("format") != FORMAT:
            raise DrillError(f'format is {data.get("format")!r}; this version reads format = "{FORMAT}"')
        only(data, "the file", {"format", "drill"})
        return drills_of(data)
    except DrillError as error:
        raise DrillError(f"{file}: {error}") from None


def read_toml(file: Path, fault: type[CupbowError]) -> dict[str, Any]:
    try:
        return tomllib.loads(file.read_text(encoding="utf-8"))
    except tomllib.TOMLDecodeError as error:
        raise fault(f"{file}: is not valid TOML: {error}; mend that line, or name the file that cupbow wrote") from None
    except UnicodeDecodeError:
        raise fault(f"{file}: is not a text in UTF-8; write it as TOML") from None
    except OSError as error:
        raise fault(f"{file}: cannot be read ({error.strerror}); name the file that cupbow wrote") from None


def drills_of(data: Mapping[str, Any]) -> tuple[Drill, ...]:
    """The `[[drill]]` entries of a drills file or a plan."""
    entries = data.get("drill", [])
    if not isinstance(entries, list) or not entries or not all(isinstance(e, dict) for e in entries):
        raise DrillError("drill is to be a list of tables, each headed [[drill]]")
    drills: list[Drill] = []
    for i, entry in enumerate(entries, 1):
        label = f"drill {entry['name']!r}" if isinstance(entry.get("name"), str) else f"drill {i}"
        drill = _drill(entry, label)
        if any(d.name == drill.name for d in drills):
            raise DrillError(f"{label}: there are two of this name; rename one")
        drills.append(drill)
    return tuple(drills)


def check(drill: Drill, *, own: tuple[float, float] | None = None) -> None:
    """Raises DrillError, naming drill and field, for what no drill may be."""
    label = f"drill {drill.name!r}"

    def wrong(text: str) -> DrillError:
        return DrillError(f"{label}: {text}")

    if not _NAME.fullmatch(drill.name):
        raise wrong("name is to be small letters, digits and hyphens, such as hold-at-top")
    if drill.kind not in KINDS:
        raise wrong(f"kind {drill.kind!r} is none of {', '.join(KINDS)}")
    if drill.angle not in ANGLES:
        raise wrong(f"unknown angle {drill.angle!r}; one of {', '.join(ANGLES)}")
    if drill.live and drill.angle not in NOW_ANGLES:
        raise wrong(
            f"angle {drill.angle!r} is known only after a swing; a drill of kind {drill.kind} needs one of {', '.join(NOW_ANGLES)}"
        )
    events = drill.event.split("..")
    for event in events:
        if event not in EVENTS:
            raise wrong(f"unknown event {event!r}; one of {', '.join(EVENTS)}")
    if len(events) > 2 or (len(events) == 2 and EVENTS.index(events[0]) >= EVENTS.index(events[1])):
        raise wrong(f"event {drill.event!r}: a change runs from one event to a later one")
    if drill.kind == "carry" and not drill.is_change:
        raise wrong('event: a carry needs a change, such as "top..shaft_level_down"')
    if drill.kind in ("hold", "ends", "slow") and drill.is_change:
        raise wrong(f'event {drill.event!r}: a drill of kind {drill.kind} needs one event, such as "top"')
    if drill.kind == "ends" and outer_limits(drill.angle) is None:
        raise wrong("angle: only a wrist angle has ends to be felt")
    if (drill.low_deg is None) != (drill.high_deg is None):
        raise wrong("low and high belong together; give both or neither")
    if drill.band is not None:
        low, high = drill.band
        if not (math.isfinite(low) and math.isfinite(high) and low < high):
            raise wrong(f"low {low:g} is not below high {high:g}")
        if not drill.is_change:
            inside, reach = within_comfort(drill.angle, drill.band, own), comfort(drill.angle, own)
            if reach is not None and (inside is None or inside != drill.band):
                whose = "the published" if own is None else "the student's own"
                raise wrong(
                    f"low {low:g} and high {high:g} run past {COMFORT_SHARE:.0%} of {whose} range "
                    f"({reach[0]:.0f} to {reach[1]:.0f}); keep the band within"
                )
    for name, value, least, most in (
        ("hold", drill.hold_s, 0.5, 30.0),
        ("within", drill.within_s, 3.0, 120.0),
        ("rest", drill.rest_s, 0.0, 120.0),
        ("tries", drill.tries, 1, 50),
        ("share", drill.share, 0.2, COMFORT_SHARE),
    ):
        if not least <= value <= most:
            raise wrong(f"{name} = {value:g}: look for {least:g} to {most:g}")
    if drill.within_s < 2 * drill.hold_s:
        raise wrong(f"within = {drill.within_s:g} leaves no time for hold = {drill.hold_s:g}; at least twice as long")
    for stop in drill.stops:
        if stop not in EVENTS:
            raise wrong(f"stops: unknown event {stop!r}; one of {', '.join(EVENTS)}")
    if list(drill.stops) != sorted(set(drill.stops), key=EVENTS.index):
        raise wrong("stops are to be events in the order of the swing, each once")
    if drill.kind == "slow" and drill.event not in drill.stops:
        raise wrong(f"stops: {drill.event!r}, where the angle is looked at, is to be one of them")
    if drill.kind != "slow" and drill.stops:
        raise wrong("stops belong to a drill of kind slow")
    feedback = drill.feedback
    if feedback.schedule not in SCHEDULES:
        raise wrong(f"feedback.schedule {feedback.schedule!r} is none of {', '.join(SCHEDULES)}")
    for name, n in (("last", feedback.silent_last), ("first", feedback.silent_first)):
        if not 0 <= n <= drill.tries:
            raise wrong(f"feedback.{name} = {n}: look for 0 to {drill.tries}, the number of tries")
    for channel in drill.channels:
        if channel not in CHANNELS:
            raise wrong(f"alerts: {channel!r} is none of {', '.join(CHANNELS)}")
    for what, text in (("title", drill.title), ("do", drill.do)):
        if not text or not all(isinstance(t, str) and t.strip() for t in text.values()):
            raise wrong(f"{what} is missing; say it in the student's words")


def to_toml(drills: Sequence[Drill], *, heading: bool = True) -> str:
    """The drills as TOML; reading it back gives the same drills."""
    lines = [f"format = {quoted(FORMAT)}"] if heading else []
    for drill in drills:
        lines += ["", "[[drill]]", f"name = {quoted(drill.name)}", f"kind = {quoted(drill.kind)}"]
        lines += [f"angle = {quoted(drill.angle)}", f"event = {quoted(drill.event)}"]
        lines += [f"title = {_texts(drill.title)}", f"do = {_texts(drill.do)}"]
        if drill.band is not None:
            lines += [f"low = {float(drill.band[0])!r}", f"high = {float(drill.band[1])!r}"]
        lines += [f"hold = {float(drill.hold_s)!r}", f"within = {float(drill.within_s)!r}"]
        lines += [f"tries = {drill.tries}", f"rest = {float(drill.rest_s)!r}"]
        if drill.stops:
            lines.append(f"stops = {_list(drill.stops)}")
        if drill.kind == "ends":
            lines.append(f"share = {float(drill.share)!r}")
        lines += [f"feedback = {feedback_toml(drill.feedback)}", f"alerts = {_list(drill.channels)}"]
        if drill.source:
            lines.append(f"source = {quoted(drill.source)}")
    return "\n".join(lines) + "\n"


def feedback_toml(feedback: Feedback) -> str:
    return (
        f"{{schedule = {quoted(feedback.schedule)}, ask = {'true' if feedback.ask else 'false'}, "
        f"first = {feedback.silent_first}, last = {feedback.silent_last}}}"
    )


def feedback_of(value: Any, label: str) -> Feedback:
    if value is None:
        return Feedback()
    if not isinstance(value, dict):
        raise DrillError(f'{label}: feedback is to be a table, such as {{schedule = "faded", ask = true}}')
    only(value, f"{label}: feedback", {"schedule", "ask", "first", "last"})
    default = Feedback()
    ask = value.get("ask", default.ask)
    if not isinstance(ask, bool):
        raise DrillError(f"{label}: feedback.ask is true or false, not {ask!r}")
    return Feedback(
        schedule=text_of(value, f"{label}: feedback", "schedule", default.schedule),
        ask=ask,
        silent_last=whole_of(value, f"{label}: feedback", "last", 0),
        silent_first=whole_of(value, f"{label}: feedback", "first", 0),
    )


_FIELDS = {
    "name", "kind", "angle", "event", "title", "do", "low", "high", "hold", "within", "tries", "rest", "stops", "share",
    "feedback", "alerts", "source",
}  # fmt: skip


def _drill(entry: Mapping[str, Any], label: str) -> Drill:
    only(entry, label, _FIELDS)
    drill = Drill(
        name=text_of(entry, label, "name"),
        kind=text_of(entry, label, "kind"),
        angle=text_of(entry, label, "angle"),
        event=text_of(entry, label, "event"),
        title=_language_text(entry, label, "title"),
        do=_language_text(entry, label, "do"),
        low_deg=number_of(entry, label, "low") if "low" in entry else None,
        high_deg=number_of(entry, label, "high") if "high" in entry else None,
        hold_s=number_of(entry, label, "hold", Drill.hold_s),
        within_s=number_of(entry, label, "within", Drill.within_s),
        tries=whole_of(entry, label, "tries", Drill.tries),
        rest_s=number_of(entry, label, "rest", Drill.rest_s),
        stops=_names(entry, label, "stops", ()),
        share=number_of(entry, label, "share", Drill.share),
        feedback=feedback_of(entry.get("feedback"), label),
        channels=_names(entry, label, "alerts", ("board", "tone", "sensor")),
        source=text_of(entry, label, "source", ""),
    )
    check(drill)
    return drill


# -- fields of TOML tables, each fault in one line -------------------------------------------------
def only(entry: Mapping[str, Any], label: str, known: set[str]) -> None:
    unknown = sorted(set(entry) - known)
    if unknown:
        raise DrillError(f"{label}: unknown field {unknown[0]!r}; one of {', '.join(sorted(known))}")


def text_of(entry: Mapping[str, Any], label: str, name: str, default: str | None = None) -> str:
    value = entry.get(name, default)
    if not isinstance(value, str) or (default is None and not value.strip()):
        raise DrillError(f"{label}: {name} is to be a text" + ("" if name in entry else "; it is missing"))
    return value


def number_of(entry: Mapping[str, Any], label: str, name: str, default: float | None = None) -> float:
    value = entry.get(name, default)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise DrillError(f"{label}: {name} is to be a number" + ("" if name in entry else "; it is missing"))
    return float(value)


def whole_of(entry: Mapping[str, Any], label: str, name: str, default: int | None = None) -> int:
    value = entry.get(name, default)
    if isinstance(value, bool) or not isinstance(value, int):
        raise DrillError(f"{label}: {name} is to be a whole number" + ("" if name in entry else "; it is missing"))
    return value


def _names(entry: Mapping[str, Any], label: str, name: str, default: tuple[str, ...]) -> tuple[str, ...]:
    value = entry.get(name, list(default))
    if not isinstance(value, list) or not all(isinstance(v, str) for v in value):
        raise DrillError(f"{label}: {name} is to be a list of names")
    if len(set(value)) != len(value):
        raise DrillError(f"{label}: {name} names something twice")
    return tuple(value)


def _language_text(entry: Mapping[str, Any], label: str, name: str) -> dict[str, str]:
    value = entry.get(name)
    if isinstance(value, str) and value.strip():
        return {"en": value}
    if not isinstance(value, dict) or not value:
        raise DrillError(f'{label}: {name} is to be a text, or one for each language ({{en = "…", de = "…"}})')
    for language, text in value.items():
        if language not in LANGUAGES or not isinstance(text, str) or not text.strip():
            raise DrillError(f"{label}: {name}.{language}: give a text for {' or '.join(LANGUAGES)}")
    return dict(value)


def quoted(text: str) -> str:
    """A TOML basic string: JSON's escapes are a subset of TOML's, but for DEL."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _texts(text: Mapping[str, str]) -> str:
    return "{" + ", ".join(f"{language} = {quoted(t)}" for language, t in text.items()) + "}"


def _list(names: Sequence[str]) -> str:
    return f"[{', '.join(quoted(n) for n in names)}]"


def side_words(angle: str) -> tuple[str, str]:
    """What below and above the band are called: ("cupped", "bowed") for the wrist's flexion."""
    high, low = SIGNS[angle]
    return low, high
