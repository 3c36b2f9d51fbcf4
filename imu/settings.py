"""How things are shown: language, dates, units, paper. Inside everything stays SI.

Kept in `settings.toml` in the user's configuration folder; what the file does not say is as here.
"""

from __future__ import annotations

import os
import tomllib
from dataclasses import asdict, dataclass, fields, replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

from imu.errors import CupbowError, UsageError

SETTINGS_VARIABLE = "CUPBOW_SETTINGS"

METRES_PER_YARD = 0.9144  # exactly: international yard and pound agreement, 1959
METRES_PER_MILE = 1609.344  # exactly, by the same agreement

CHOICES: dict[str, tuple[str, ...]] = {
    "language": ("en", "de"),
    "dates": ("language", "iso", "day-month", "month-day"),
    "speed": ("m/s", "mph"),
    "length": ("m", "yd"),
    "paper": ("A4", "Letter"),
}
"""What each setting may be."""

_DATES_OF = {"en": "en_GB", "de": "de"}  # 24 May 2026; who writes May 24, 2026 sets month-day
_HEADINGS = {"en": "d MMMM", "de": "d. MMMM"}
_PATTERNS = {"iso": "yyyy-MM-dd", "day-month": "d MMM yyyy", "month-day": "MMM d, yyyy"}
_PAPER_MM = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}  # ISO 216; ANSI/ASME Y14.1 size A


@dataclass(frozen=True)
class Settings:
    language: str = "en"
    dates: str = "language"  # as the language writes them, or one order
    speed: str = "m/s"
    length: str = "m"
    paper: str = "A4"

    def __post_init__(self) -> None:
        for name, allowed in CHOICES.items():
            if getattr(self, name) not in allowed:
                raise UsageError(f"setting {name} is {getattr(self, name)!r}; choose {' or '.join(allowed)}")

    # -- as text -------------------------------------------------------------------------------
    def day(self, day: date, *, year: bool = True) -> str:
        """A day as a heading has it, its month in letters: 24 May 2026, 24. Mai."""
        from babel.dates import format_date

        written = _HEADINGS[self.language] + (" y" if year else "")
        return format_date(day, written, locale=_DATES_OF[self.language])

    def date(self, day: date | datetime) -> str:
        """A day; a moment is given as the day it was on this machine's clock."""
        from babel.dates import format_date

        if isinstance(day, datetime):
            day = day.astimezone().date()
        return format_date(day, _PATTERNS.get(self.dates, "medium"), locale=_DATES_OF[self.language])

    def time(self, moment: datetime) -> str:
        from babel.dates import format_time

        return format_time(moment.astimezone().replace(tzinfo=None), "short", locale=_DATES_OF[self.language])

    def number(self, value: float, digits: int = 0) -> str:
        from babel.numbers import format_decimal

        return format_decimal(value, f"#,##0.{'0' * digits}" if digits else "#,##0", locale=self.language)

    def distance(self, metres: float, digits: int = 0) -> str:
        return f"{self.number(self.to_length(metres), digits)} {self.length}"

    def velocity(self, metres_per_second: float, digits: int = 0) -> str:
        factor = 3600 / METRES_PER_MILE if self.speed == "mph" else 1.0
        return f"{self.number(metres_per_second * factor, digits)} {self.speed}"

    def to_length(self, metres: float) -> float:
        """Metres in the unit chosen."""
        return metres / METRES_PER_YARD if self.length == "yd" else metres

    def from_length(self, length: float) -> float:
        """What was typed in the unit chosen, in metres."""
        return length * METRES_PER_YARD if self.length == "yd" else length

    @property
    def paper_mm(self) -> tuple[float, float]:
        """Width and height of an upright page."""
        return _PAPER_MM[self.paper]


def settings_path() -> Path:
    """`$CUPBOW_SETTINGS`, else `settings.toml` in the user's configuration folder."""
    from platformdirs import user_config_path

    given = os.environ.get(SETTINGS_VARIABLE)
    return Path(given) if given else user_config_path("cupbow", appauthor=False) / "settings.toml"


def load_settings(path: Path | None = None) -> Settings:
    """Raises UsageError, naming file and field, for what is not a setting."""
    path = path or settings_path()
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return Settings()
    except OSError as error:
        raise UsageError(f"{path}: cannot be read ({error.strerror})") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise UsageError(f"{path}: is not TOML ({error}); mend that line, or delete the file") from None
    try:
        return changed(Settings(), data)
    except UsageError as error:
        raise UsageError(f"{path}: {error}") from None


def changed(settings: Settings, changes: dict[str, Any]) -> Settings:
    known = {f.name for f in fields(Settings)}
    for name in changes:
        if name not in known:
            raise UsageError(f"there is no setting {name!r}; known are {', '.join(sorted(known))}")
    return replace(settings, **changes)


def save_settings(settings: Settings, path: Path | None = None) -> Path:
    from imu.measured import write_whole

    path = path or settings_path()
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise CupbowError(
            f"{path.parent}: cannot be made ({error.strerror}); make room there, or let ${SETTINGS_VARIABLE} name a file elsewhere"
        ) from None
    lines = [f'{name} = "{value}"' for name, value in asdict(settings).items()]  # the choices need no escapes
    write_whole(path, lambda tmp: tmp.write_text("\n".join(lines) + "\n", encoding="utf-8"))
    return path
