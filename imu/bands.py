"""Target bands: what a reading is held against, and the verdict.

A band is a low and a high, in degrees, for one angle at one event, or for the change of an angle
between two events ("top..shaft_level_down"); each names its source. The shipped bands are few and
say that they are starting points. Coaches keep their own in a TOML file (`Bands.write`), for one
student and per club, or take them from a student's own best swings (`from_swings`).

A verdict is `inside`, `below` or `above` only where the whole 95 % interval lies there; else
`unsure`. This is the decision rule of JCGM 106:2012 with guard bands as wide as u95.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from imu.errors import CupbowError
from imu.measured import Measurement, Swing, Value, Verdict, write_whole
from imu.recording import ANGLES, EVENTS

FORMAT = "cupbow.bands/1"
SHIPPED = Path(__file__).with_name("default_bands.toml")
RULES: Mapping[str, tuple[str, ...]] = {
    "zero_frame": ("face_to_forearm",),
    "zero_guessed": ("wrist_flexion", "wrist_deviation", "face_to_forearm"),
}
"""Mark -> angles: a value of these with that mark has another zero, and is held against no band."""


class BandsError(CupbowError):
    """A bands file, or a band, that cannot be what it claims to be."""


@dataclass(frozen=True)
class Band:
    """Low and high in degrees; `at` is an event, or "event..event" for a change between the two.

    `clubs` are the clubs it is meant for; none named: any club.
    """

    angle: str
    at: str
    low_deg: float
    high_deg: float
    source: str
    clubs: tuple[str, ...] = ()

    @property
    def key(self) -> str:
        """The name in results: "<angle>@<event>" or "<angle>@<event>..<event>"."""
        return f"{self.angle}@{self.at}"

    @property
    def is_change(self) -> bool:
        return ".." in self.at

    @property
    def width_deg(self) -> float:
        return self.high_deg - self.low_deg

    def for_club(self, club: str | None) -> bool:
        return not self.clubs or (club is not None and _plain(club) in {_plain(c) for c in self.clubs})


@dataclass(frozen=True)
class Limit:
    """What an angle can be at all: no band lies beyond."""

    angle: str
    low_deg: float
    high_deg: float
    source: str


@dataclass(frozen=True)
class Bands:
    """A set of target bands; `student` names whom they are for, none: anyone."""

    bands: tuple[Band, ...]
    limits: tuple[Limit, ...] = ()
    name: str = ""
    student: str | None = None

    def __post_init__(self) -> None:
        seen: set[tuple[str, str]] = set()
        for band in self.bands:
            _check(band, self.limits)
            for club in band.clubs or ("",):
                if (band.key, _plain(club)) in seen:
                    raise BandsError(f"{band.key} has two bands" + (f" for {club}" if club else "") + "; leave one")
                seen.add((band.key, _plain(club)))

    def for_club(self, club: str | None) -> dict[str, Band]:
        """Key -> band: one that names the club goes before one for any club."""
        chosen: dict[str, Band] = {}
        for band in sorted(self.bands, key=lambda b: bool(b.clubs)):
            if band.for_club(club):
                chosen[band.key] = band
        return chosen

    def with_band(self, band: Band) -> Bands:
        """The same bands with this one put in, in place of one of the same key and clubs."""
        clubs = {_plain(c) for c in band.clubs}
        kept = [b for b in self.bands if b.key != band.key or {_plain(c) for c in b.clubs} != clubs]
        return replace(self, bands=(*kept, band))

    def without(self, key: str, *, club: str | None = None) -> Bands:
        """The same bands less those of this key (for this club, where one is named)."""
        kept = [b for b in self.bands if b.key != key or (club is not None and not (b.clubs and b.for_club(club)))]
        return replace(self, bands=tuple(kept))

    def judge(self, swing: Swing, *, club: str | None = None) -> dict[str, Verdict]:
        """Key -> verdict for every band that this swing can be held against."""
        out = {}
        for key, band in self.for_club(club).items():
            value = (swing.changes if band.is_change else swing.angles).get(band.angle, {}).get(band.at)
            if value is None or not comparable(band.angle, value):
                continue
            word = verdict(low=band.low_deg, high=band.high_deg, value=value.value_deg, u95=value.u95_deg)
            out[key] = Verdict(band.low_deg, band.high_deg, band.source, word)
        return out

    def write(self, path: Path | str) -> None:
        """Write the bands as TOML; the file appears whole or not at all."""
        text = to_toml(self)
        write_whole(path, lambda tmp: tmp.write_text(text, encoding="utf-8"))


def verdict(*, low: float, high: float, value: float | None, u95: float | None) -> str:
    """`below`, `inside` or `above` where the whole interval value ± u95 lies there, else `unsure`.

    Degrees. A value that touches an edge is inside. Nothing read, or no uncertainty: `unsure`.
    """
    if value is None or u95 is None or not (math.isfinite(value) and math.isfinite(u95)):
        return "unsure"
    if value + u95 < low:
        return "below"
    if value - u95 > high:
        return "above"
    return "inside" if low <= value - u95 and value + u95 <= high else "unsure"


def least_width(u95s: Iterable[float | None], *, spread_deg: float = 0.0) -> float | None:
    """The narrowest band, in degrees, that a reading of this uncertainty can be said to lie inside.

    A reading in the middle of a band is surely inside when the band is 2 × u95 wide. With the
    student's own spread from swing to swing (one standard deviation), the width at which 95 % of
    swings about the middle would be surely inside: 2 × (u95 + 1.96 × spread). The median u95 of the
    readings counts; None where there is none.
    """
    import statistics

    known = [u for u in u95s if u is not None and math.isfinite(u)]
    if not known:
        return None
    return 2 * (statistics.median(known) + 1.96 * spread_deg)


def comparable(angle: str, value: Value) -> bool:
    """Whether a value may be held against a band: not where a mark says that its zero is another."""
    return not any(angle in RULES.get(mark, ()) for mark in value.marks)


def judged(swing: Swing, bands: Bands | Path | str | None = None, *, club: str | None = None) -> Swing:
    """The swing with its verdicts; `bands` are a set, a file, or the shipped ones where None."""
    chosen = bands if isinstance(bands, Bands) else load(bands)
    return replace(swing, bands=chosen.judge(swing, club=club))


def judge_again(measurement: Measurement, bands: Bands | Path | str | None = None) -> Measurement:
    """A measurement against other bands, without measuring again."""
    chosen = bands if isinstance(bands, Bands) else load(bands)
    return replace(measurement, swings=tuple(judged(s, chosen, club=measurement.club) for s in measurement.swings))


# -- from a student's own swings -----------------------------------------------------------------
def from_swings(
    measurement: Measurement,
    swings: Sequence[int],
    *,
    keys: Sequence[str] = (
        "wrist_flexion@top",
        "wrist_flexion@shaft_level_down",
        "wrist_flexion@top..shaft_level_down",
    ),
    name: str = "own best swings",
    student: str | None = None,
) -> Bands:
    """Bands around a student's own best swings: for each key, the mean of the swings chosen (indices
    counted from 1) ± the half-width in which 95 % of further such swings are expected.

    The half-width is Student's prediction interval, t · sd · √(1 + 1/n), from the swings themselves:
    with few swings it is wide, and says so in the source. At least three readings are needed, of
    swings of one kind whose quality is not poor. The zero of the wrist is that of this recording's
    calibration: a band taken from one lesson carries that lesson's pose error along.

    Raises BandsError where the swings can't give a band.
    """
    from scipy import stats

    by_index = {s.index: s for s in measurement.swings}
    missing = [i for i in swings if i not in by_index]
    if missing:
        raise BandsError(f"there is no swing {missing[0]}; this recording holds swings 1 to {len(by_index)}")
    chosen = [by_index[i] for i in dict.fromkeys(swings)]
    kinds = sorted({s.kind for s in chosen})
    if len(kinds) > 1:
        raise BandsError(f"the swings chosen are of different kinds ({', '.join(kinds)}); choose swings of one kind")
    usable = [s for s in chosen if s.grade != "poor"]
    club = measurement.club
    bands = []
    for key in keys:
        angle, at = _split(key)
        values = [
            v.value_deg
            for s in usable
            if (v := (s.changes if ".." in at else s.angles).get(angle, {}).get(at)) is not None
            and v.value_deg is not None
            and comparable(angle, v)
        ]
        n = len(values)
        if n < 3:
            continue
        mean = sum(values) / n
        sd = math.sqrt(sum((v - mean) ** 2 for v in values) / (n - 1))
        half = max(0.5, float(stats.t.ppf(0.975, n - 1)) * sd * math.sqrt(1 + 1 / n))  # never an empty band
        how = f"The student's own swings: mean {mean:.1f}, sd {sd:.1f}, n = {n}; holds 95 % of further such swings."
        if n < 10:
            how += " Fewer than 10 swings: the width is uncertain."
        bands.append(Band(angle, at, round(mean - half, 1), round(mean + half, 1), how, (club,) if club else ()))
    if not bands:
        raise BandsError("the swings chosen give no band: at least three with a reading of fair quality are needed")
    return Bands(_within(bands, shipped().limits), shipped().limits, name, student)


def _within(bands: Sequence[Band], limits: Sequence[Limit]) -> tuple[Band, ...]:
    """Bands cut at the outer limits (a wide interval from few swings can run past them)."""
    out = []
    for band in bands:
        for limit in limits:
            if limit.angle == band.angle and not band.is_change:
                low, high = max(band.low_deg, limit.low_deg), min(band.high_deg, limit.high_deg)
                if low < high:
                    band = replace(band, low_deg=low, high_deg=high)
        out.append(band)
    return tuple(out)


# -- files ---------------------------------------------------------------------------------------
def shipped() -> Bands:
    """The bands that come with cupbow."""
    return load(None)


def load(path: Path | str | None) -> Bands:
    """Bands from a TOML file, or the shipped ones where None. Raises BandsError in one line.

    A file without [[limit]] entries takes the shipped outer limits.
    """
    file = SHIPPED if path is None else Path(path)
    try:
        text = file.read_text(encoding="utf-8")
    except UnicodeDecodeError:
        raise BandsError(f"{file}: is not a text in UTF-8; write the bands as TOML") from None
    except OSError as error:
        raise BandsError(f"{file}: cannot be read ({error.strerror}); name a bands file") from None
    try:
        return parse(text)
    except BandsError as error:
        raise BandsError(f"{file}: {error}") from None


def parse(text: str) -> Bands:
    """Bands from TOML text; every fault is one line that names the entry and the field."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise BandsError(f"is not valid TOML: {error}") from None
    unknown = sorted(set(data) - {"format", "name", "student", "band", "limit"})
    if unknown:
        raise BandsError(f"unknown field {unknown[0]!r}; a bands file has format, name, student, [[band]], [[limit]]")
    if data.get("format") != FORMAT:
        raise BandsError(f'format is {data.get("format")!r}; this version reads format = "{FORMAT}"')
    limits = tuple(_limit(entry, f"limit {i}") for i, entry in enumerate(_entries(data, "limit"), 1))
    bands = tuple(_band(entry, f"band {i}") for i, entry in enumerate(_entries(data, "band"), 1))
    own = {limit.angle for limit in limits}
    if SHIPPED.is_file() and own != {limit.angle for limit in _shipped_limits()}:
        limits = (*limits, *(limit for limit in _shipped_limits() if limit.angle not in own))
    name, student = data.get("name", ""), data.get("student")
    if not isinstance(name, str) or not isinstance(student, str | None):
        raise BandsError("name and student are texts")
    return Bands(bands, limits, name, student)


def to_toml(bands: Bands) -> str:
    lines = [f"format = {_quoted(FORMAT)}"]
    if bands.name:
        lines.append(f"name = {_quoted(bands.name)}")
    if bands.student:
        lines.append(f"student = {_quoted(bands.student)}")
    for band in bands.bands:
        where = "change" if band.is_change else "event"
        lines += ["", "[[band]]", f"angle = {_quoted(band.angle)}", f"{where} = {_quoted(band.at)}"]
        lines += [f"low = {float(band.low_deg)!r}", f"high = {float(band.high_deg)!r}"]
        if band.clubs:
            lines.append(f"clubs = [{', '.join(_quoted(c) for c in band.clubs)}]")
        lines.append(f"source = {_quoted(band.source)}")
    for limit in bands.limits:
        lines += ["", "[[limit]]", f"angle = {_quoted(limit.angle)}", f"low = {float(limit.low_deg)!r}"]
        lines += [f"high = {float(limit.high_deg)!r}", f"source = {_quoted(limit.source)}"]
    return "\n".join(lines) + "\n"


def _shipped_limits() -> tuple[Limit, ...]:
    entries = tomllib.loads(SHIPPED.read_text(encoding="utf-8")).get("limit", [])
    return tuple(_limit(entry, "limit") for entry in entries)


def _entries(data: Mapping[str, Any], name: str) -> list[Mapping[str, Any]]:
    entries = data.get(name, [])
    if not isinstance(entries, list) or not all(isinstance(e, dict) for e in entries):
        raise BandsError(f"{name} is to be a list of tables, each headed [[{name}]]")
    return entries


def _band(entry: Mapping[str, Any], label: str) -> Band:
    _known(entry, label, {"angle", "event", "change", "low", "high", "source", "clubs"})
    angle = _text(entry, label, "angle")
    if ("event" in entry) == ("change" in entry):
        raise BandsError(f'{label}: give either event = "top" or change = "top..shaft_level_down"')
    at = _text(entry, label, "event" if "event" in entry else "change")
    if ("change" in entry) != (".." in at):
        raise BandsError(f"{label}: {at!r} is not {'a change (event..event)' if 'change' in entry else 'an event'}")
    clubs = entry.get("clubs", [])
    if not isinstance(clubs, list) or not all(isinstance(c, str) and c for c in clubs):
        raise BandsError(f'{label}: clubs is to be a list of names, such as ["7-iron"]')
    band = Band(
        angle,
        at,
        _number(entry, label, "low"),
        _number(entry, label, "high"),
        _text(entry, label, "source"),
        tuple(clubs),
    )
    try:
        _check(band, ())
    except BandsError as error:
        raise BandsError(f"{label}: {error}") from None
    return band


def _limit(entry: Mapping[str, Any], label: str) -> Limit:
    _known(entry, label, {"angle", "low", "high", "source"})
    angle, low, high = _text(entry, label, "angle"), _number(entry, label, "low"), _number(entry, label, "high")
    if angle not in ANGLES:
        raise BandsError(f"{label}: unknown angle {angle!r}; one of {', '.join(ANGLES)}")
    if low >= high:
        raise BandsError(f"{label}: low {low:g} is not below high {high:g}")
    return Limit(angle, low, high, _text(entry, label, "source"))


def fault(angle: str, at: str, low_deg: float, high_deg: float) -> str | None:
    """What is wrong with an angle, an event (or "event..event") and an interval in degrees; None where nothing is."""
    if angle not in ANGLES:
        return f"unknown angle {angle!r}; one of {', '.join(ANGLES)}"
    events = at.split("..")
    for event in events:
        if event not in EVENTS:
            return f"{angle}: unknown event {event!r}; one of {', '.join(EVENTS)}"
    if len(events) > 2 or (len(events) == 2 and EVENTS.index(events[0]) >= EVENTS.index(events[1])):
        return f"{angle}@{at}: a change runs from one event to a later one"
    if not (math.isfinite(low_deg) and math.isfinite(high_deg) and low_deg < high_deg):
        return f"{angle}@{at}: low {low_deg:g} is not below high {high_deg:g}"
    return None


def _check(band: Band, limits: Sequence[Limit]) -> None:
    wrong = fault(band.angle, band.at, band.low_deg, band.high_deg)
    if wrong:
        raise BandsError(wrong)
    if not band.source.strip():
        raise BandsError(f"{band.key}: a band names its source; write whose judgement it is")
    for limit in limits:
        if limit.angle != band.angle or band.is_change:
            continue
        if band.low_deg < limit.low_deg or band.high_deg > limit.high_deg:
            raise BandsError(
                f"{band.key}: {band.low_deg:g} to {band.high_deg:g} runs past the outer limit "
                f"{limit.low_deg:g} to {limit.high_deg:g} ({limit.source}); keep the band within, or give a [[limit]]"
            )


def _known(entry: Mapping[str, Any], label: str, fields: set[str]) -> None:
    unknown = sorted(set(entry) - fields)
    if unknown:
        raise BandsError(f"{label}: unknown field {unknown[0]!r}; one of {', '.join(sorted(fields))}")


def _text(entry: Mapping[str, Any], label: str, name: str) -> str:
    value = entry.get(name)
    if not isinstance(value, str) or not value.strip():
        raise BandsError(f"{label}: {name} is to be a text" + ("" if name in entry else "; it is missing"))
    return value


def _number(entry: Mapping[str, Any], label: str, name: str) -> float:
    value = entry.get(name)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise BandsError(f"{label}: {name} is to be a number of degrees" + ("" if name in entry else "; it is missing"))
    return float(value)


def _split(key: str) -> tuple[str, str]:
    angle, found, at = key.partition("@")
    if not found:
        raise BandsError(f"{key!r} is not <angle>@<event>")
    return angle, at


def _plain(club: str) -> str:
    return " ".join(club.lower().replace("-", " ").split())


def _quoted(text: str) -> str:
    """A TOML basic string: JSON's escapes are a subset of TOML's, but for DEL."""
    import json

    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
