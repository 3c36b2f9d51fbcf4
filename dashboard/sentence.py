"""One sentence in plain words about a swing, made from verdicts and intervals.

Rules, so that no doubt gets lost on the way to words:

1. "Too cupped" is said only where the verdict is sure: the whole 95 % interval lies past an edge.
   "By 8° or more" runs from the near end of the interval to the edge of the band, rounded down.
2. The first angle in `ORDER` that is surely out leads; within it the largest sure distance. What
   comes after it in the swing follows: back in its band, still out, or not to be told.
3. Other angles that are surely out are named after it, each where it is farthest out.
4. Where nothing is surely out, the wrist at the top leads, and the readings are counted. A reading
   on an edge is never counted as in or out.
5. A swing whose reading is poor gets its reason and no judgement.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from dashboard.words import because, listed, reasons, say, within
from imu.measured import Swing, Value, Verdict
from imu.recording import EVENTS

ORDER = (
    "wrist_flexion",
    "face_to_forearm",
    "face_since_address",
    "shaft_past_level",
    "shaft_off_plane",
    "shaft_elevation",
    "wrist_deviation",
    "forearm_roll",
    "face_roll",
)
"""What a coach acts on first."""


@dataclass(frozen=True)
class Sentence:
    """`headline` is the sentence; `also` names further departures, empty where there are none."""

    headline: str
    also: str = ""

    def __str__(self) -> str:
        return f"{self.headline} {self.also}".strip()


@dataclass(frozen=True)
class _Reading:
    angle: str
    event: str
    value: Value
    band: Verdict

    @property
    def verdict(self) -> str:
        """The verdict, but `unread` where there is no value to judge."""
        return self.band.verdict if self.value.known else "unread"

    @property
    def out(self) -> bool:
        return self.verdict in ("below", "above")

    @property
    def sure_distance_deg(self) -> float:
        """From the near end of the interval to the edge that it has passed; never negative."""
        value, u95 = self.value.value_deg or 0.0, self.value.u95_deg or 0.0
        gap = self.band.low_deg - (value + u95) if self.verdict == "below" else (value - u95) - self.band.high_deg
        return max(gap, 0.0)


def sentence(swing: Swing) -> Sentence:
    """What a coach should know first about this swing."""
    if swing.grade == "poor":
        return Sentence(say("sentence.poor", reason=listed(reasons(swing.reasons)) or say("value.reason")))
    readings, changes = _readings(swing), _changes_out(swing)
    if not readings:
        return Sentence(_without_bands(swing), _also(changes))
    out = [r for r in readings if r.out]
    if not out:
        return Sentence(_nothing_out(readings, changes), _also(changes))
    lead = _worst([r for r in out if r.angle == out[0].angle])
    others = [_worst([r for r in out if r.angle == a]) for a in dict.fromkeys(r.angle for r in out) if a != lead.angle]
    items = [
        say(
            "sentence.also_item",
            angle=within(say(f"angle.{r.angle}")),
            at=say(f"at.{r.event}"),
            side=say(f"side_{r.verdict}.{r.angle}"),
        )
        for r in others
    ]
    return Sentence(f"{_departure(lead)} {_afterwards(lead, readings)}".strip(), _also([*items, *changes]))


def _also(items: list[str]) -> str:
    return say("sentence.also", items=listed(items)) if items else ""


def _changes_out(swing: Swing) -> list[str]:
    """Changes between two events that are surely outside their bands, in words."""
    found = []
    for key, band in swing.bands.items():
        angle, _, at = key.partition("@")
        first, dots, last = at.partition("..")
        value = swing.changes.get(angle, {}).get(at, Value(None))
        if dots and value.known and band.verdict in ("below", "above"):
            found.append(
                say(
                    "sentence.change_item",
                    angle=within(say(f"angle.{angle}")),
                    a=within(say(f"event.{first}")),
                    b=within(say(f"event.{last}")),
                    side=say(f"side_{band.verdict}.{angle}"),
                )
            )
    return found


def sided(angle: str, value: Value) -> str:
    """A reading in words: `21° ± 3 cupped`; the reason where there is none."""
    if value.value_deg is None:
        return because(value.reason)
    size = math.floor(abs(value.value_deg) + 0.5)
    side = say(f"{'plus' if value.value_deg > 0 else 'minus'}.{angle}") if size else ""
    doubt = "" if value.u95_deg is None else say("value.doubt", u95=whole_doubt(value.u95_deg))
    return say("value.sided", size=size, doubt=doubt, side=side).strip()


def whole_doubt(u95_deg: float) -> int:
    """An uncertainty in whole degrees, never 0: that would claim too much."""
    return max(1, math.floor(u95_deg + 0.5))


def _readings(swing: Swing) -> list[_Reading]:
    """What has a band, in the order in which it is acted on, then in the order of events."""
    found = []
    for key, band in swing.bands.items():
        angle, _, event = key.partition("@")
        if event not in EVENTS:
            continue  # a change between two events: see _changes
        found.append(_Reading(angle, event, swing.angles.get(angle, {}).get(event, Value(None)), band))
    return sorted(found, key=lambda r: (ORDER.index(r.angle), EVENTS.index(r.event)))


def _worst(readings: list[_Reading]) -> _Reading:
    return max(readings, key=lambda r: r.sure_distance_deg)  # the earliest of equals


def _departure(r: _Reading) -> str:
    departure = say(f"sentence.{r.verdict}.{r.angle}", at=say(f"at.{r.event}"))
    n = math.floor(r.sure_distance_deg)
    return say("sentence.by", departure=departure, n=n) if n >= 1 else say("sentence.plain", departure=departure)


def _afterwards(lead: _Reading, readings: list[_Reading]) -> str:
    """What becomes of the same angle later in the swing."""
    later = [
        r
        for r in readings
        if r.angle == lead.angle and EVENTS.index(r.event) > EVENTS.index(lead.event) and r.verdict != "unread"
    ]
    if not later:
        return ""
    back = next((r for r in later if r.verdict == "inside"), None)
    if back:
        again = say("sentence.again", at=say(f"at.{back.event}"))
        lost = next((r for r in later if r.out and EVENTS.index(r.event) > EVENTS.index(back.event)), None)
        return f"{again} {say('sentence.out_again', at=say(f'at.{lost.event}'))}" if lost else again
    if later[-1].out:
        return say("sentence.still", at=say(f"at.{later[-1].event}"))
    unsure = next(r for r in later if r.verdict == "unsure")
    return say("sentence.unclear_later", at=say(f"at.{unsure.event}"))


def _nothing_out(readings: list[_Reading], changes: list[str]) -> str:
    read = [r for r in readings if r.verdict != "unread"]
    if not read:
        return say("sentence.none_read", reason=because(readings[0].value.reason))
    lead = next((r for r in read if (r.angle, r.event) == ("wrist_flexion", "top")), read[0])
    names = {"angle": say(f"angle.{lead.angle}"), "at": say(f"at.{lead.event}")}
    if lead.verdict == "inside":
        first = say("sentence.in_top", **names)
    else:
        first = say("sentence.edge", value=sided(lead.angle, lead.value), **names)
    inside = sum(r.verdict == "inside" for r in read)
    if len(read) == 1:
        return first
    if changes:
        return first  # "all inside" would be wrong: what is out follows
    if inside == len(read):
        return f"{first} {say('sentence.all_in', n=inside)}"
    return f"{first} {say('sentence.some_in', n=inside, m=len(read))}"


def _without_bands(swing: Swing) -> str:
    wrist = swing.angles.get("wrist_flexion", {}).get("top", Value(None))
    if wrist.known:
        return say(
            "sentence.no_band",
            angle=say("angle.wrist_flexion"),
            value=sided("wrist_flexion", wrist),
            at=say("at.top"),
        )
    return say("sentence.no_band_unread", reason=because(wrist.reason))
