"""Sets of target bands that the user keeps: the shipped one, none, and their own.

A set is a bands file of `imu.bands` in the user's data folder; one of them is in use. Editing works
on rows as a form has them.
"""

from __future__ import annotations

import hashlib
import json
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from dashboard.words import FIRST, catalogue, retold, say
from imu import bands as target
from imu.errors import CupbowError
from imu.measured import Measurement

SHIPPED, NONE = "shipped", "none"
MOST_ROWS = 200


@dataclass(frozen=True)
class ChosenBands:
    """The set in use. `key` is its place in the list of sets, `digest` tells its content."""

    key: str
    bands: target.Bands

    @property
    def digest(self) -> str:
        return hashlib.sha256(target.to_toml(self.bands).encode()).hexdigest()[:12]

    @property
    def name(self) -> str:
        return say("bands.shipped") if self.bands.name == target.shipped().name else self.bands.name or self.key

    def judge(self, measurement: Measurement) -> Measurement:
        return target.judge_again(measurement, self.bands)


def load(folder: Path, key: str) -> ChosenBands:
    """The set of this key; the shipped one where it is gone."""
    if key == NONE:
        return ChosenBands(NONE, target.Bands((), name=say("bands.none")))
    path = folder / f"{key}.toml"
    if key != SHIPPED and path.is_file():
        return ChosenBands(key, target.load(path))
    return ChosenBands(SHIPPED, target.shipped())


def sets(folder: Path) -> list[tuple[str, str]]:
    """Key and name of every set, the shipped one first."""
    own = []
    for path in sorted(folder.glob("*.toml")):
        try:
            own.append((path.stem, target.load(path).name or path.stem))
        except CupbowError:
            continue  # said when it is chosen; the others stay
    return [(SHIPPED, say("bands.shipped")), *own, (NONE, say("bands.none"))]


def key_of(name: str) -> str:
    """A file's name for a set's name: letters, digits and hyphens, never one with a meaning of its own."""
    plain = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:50]
    digest = hashlib.sha256(name.encode()).hexdigest()[:8]
    return f"{plain}-{digest}" if plain else digest


def from_rows(name: str, rows: Sequence[Mapping[str, Any]]) -> target.Bands:
    """A set from what a form holds. Raises `imu.bands.BandsError` with one line."""
    if not name.strip() or len(name) > 60:
        raise CupbowError(say("bands.name_needed"))
    if len(rows) > MOST_ROWS:
        raise CupbowError(say("bands.too_many", n=MOST_ROWS))
    found = []
    for row in rows:
        low, high = row.get("low"), row.get("high")
        if not all(isinstance(x, int | float) and not isinstance(x, bool) and math.isfinite(x) for x in (low, high)):
            raise CupbowError(say("bands.number"))
        source = _stored(str(row.get("source") or "").strip()) or catalogue(FIRST)["source.own"]
        clubs = tuple(str(c) for c in row.get("clubs") or ())
        found.append(target.Band(str(row["angle"]), str(row["event"]), float(low), float(high), source, clubs))  # type: ignore[arg-type]
    return target.Bands(tuple(found), target.shipped().limits, name.strip())


def _stored(source: str) -> str:
    """As it is kept: what was shown in the user's language and not changed goes back to the words it came from."""
    known = {say(key): text for key, text in catalogue(FIRST).items() if key.startswith("source.")}
    return known.get(source, source)


def rows(bands: target.Bands) -> list[dict[str, Any]]:
    """What a form shows of a set."""
    return [
        {
            "angle": b.angle,
            "event": b.at,
            "low": b.low_deg,
            "high": b.high_deg,
            "source": retold(b.source),
            "clubs": list(b.clubs),
        }
        for b in bands.bands
    ]


def least_widths(measurement: Measurement) -> dict[str, int]:
    """The narrowest band that these readings can be said to lie in, whole degrees, by key."""
    u95s: dict[str, list[float | None]] = {}
    for swing in measurement.swings:
        if swing.grade == "poor":
            continue
        for table in (swing.angles, swing.changes):
            for angle, per in table.items():
                for at, value in per.items():
                    u95s.setdefault(f"{angle}@{at}", []).append(value.u95_deg if value.known else None)
    found = {key: target.least_width(values) for key, values in u95s.items()}
    return {key: math.ceil(width - 1e-9) for key, width in found.items() if width is not None}


def read_choice(path: Path) -> str:
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return SHIPPED
    return str(found.get("bands", SHIPPED)) if isinstance(found, dict) else SHIPPED
