"""Time columns: from how loggers write time to seconds, and rows put into the order of time.

Stamps are kept as the file has them; making clocks uniform is the business of `imu.timebase`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from imu.errors import RecordingError
from imu.readers import units
from imu.readers.dialect import MISSING, TIME_LIKE
from imu.recording import Array

_EPOCH_S = (9.4e8, 4.2e9)  # 1999 to 2103
_MODULI = (2.0**32, 2.0**24, 2.0**16, 2.0**8)
MAX_STEPS = 20
"""A clock that was set back more often is no clock."""

_TICKS = 1000
"""With fewer values the steps between stamps are ticks."""

_DAY = re.compile(r"^(\d{1,2}):(\d{2})(?::(\d{2}))?(?:[.,:](\d+))?\s*([AaPp][Mm])?$")


def text_to_seconds(cells: Any) -> tuple[Array, str]:
    """Seconds since 1970 of texts (n,), and the clock: "epoch", "local" where no zone is named,
    or "day" for seconds since midnight. What is no time becomes NaN. Resolution: 0.25 us."""
    import pandas as pd

    series = pd.Series(cells, dtype=object)
    first = next((c for c in series if isinstance(c, str) and c.strip() not in MISSING), "")
    if first != first.strip():
        series, first = series.str.strip(), first.strip()
    if not first:
        return np.full(len(series), np.nan), "local"
    if _DAY.match(first):
        if re.fullmatch(r"\d{1,2}:\d{2}:\d{2}(\.\d+)?", first):
            return np.asarray(pd.to_timedelta(series, errors="coerce").dt.total_seconds(), float), "day"
        return np.array([_of_day(c) for c in series]), "day"
    # What differs from ISO 8601 in the first cell is changed in all.
    for pattern, way in (
        (r"^(\d{4}[-/.]\d{1,2}[-/.]\d{1,2})[T _]+(\d{1,2})-(\d{2})-(\d{2})[_.,:]?(\d*)", r"\1T\2:\3:\4.\g<5>0"),
        (r"^(\d{4})[/.](\d{1,2})[/.](\d{1,2})", r"\1-\2-\3"),
        (r"(:\d{2}:\d{2})[,:](\d+)", r"\1.\2"),
        (r"\s*(?:UTC|GMT)$", "+00:00"),
    ):
        if re.search(pattern, first):
            series, first = series.str.replace(pattern, way, regex=True), re.sub(pattern, way, first)
    try:
        parsed = pd.to_datetime(series, format="ISO8601", utc=True, errors="coerce")
        if parsed.isna().mean() > 0.5:
            parsed = _other_dates(series, first)
    except (ValueError, OverflowError, TypeError):
        return np.full(len(series), np.nan), "local"
    nanos = parsed.dt.as_unit("ns").astype("int64").to_numpy()
    out = nanos / 1e9
    out[parsed.isna().to_numpy()] = np.nan
    return out, "epoch" if re.search(r"\d\s?(Z|[+-]\d{2}:?\d{2})$", first) else "local"


def _other_dates(cells: Any, first: str) -> Any:
    """Dates that are not ISO 8601, by the format of the first one; day before month where a dot
    divides them or a number above 12 says so."""
    import pandas as pd
    from pandas.tseries.api import guess_datetime_format

    day_first = bool(re.match(r"^\d{1,2}\.", first)) or any(
        int(m[1]) > 12 for c in cells[:20000:50] if isinstance(c, str) and (m := re.match(r"^(\d{1,2})[/.-]", c))
    )
    # The guess does not know every fraction of a second, so it is made without.
    fraction = re.search(r":\d{2}(\.\d+)", first)
    whole = first.replace(fraction[1], "", 1) if fraction else first
    layout = guess_datetime_format(whole, dayfirst=day_first)
    if layout is None:
        return pd.to_datetime(cells[:0], utc=True, errors="coerce").reindex(cells.index)
    with_fraction = layout.replace("%S", "%S.%f") if fraction else layout
    parsed = pd.to_datetime(cells, format=with_fraction, utc=True, errors="coerce")
    if fraction and parsed.isna().any():  # full seconds are often written without one
        parsed = parsed.fillna(pd.to_datetime(cells[parsed.isna()], format=layout, utc=True, errors="coerce"))
    return parsed


def _of_day(cell: object) -> float:
    match = _DAY.match(cell) if isinstance(cell, str) else None
    if not match:
        return np.nan
    hours, minutes, seconds, fraction, half = match.groups()
    h = int(hours) % 12 + (12 if half[0] in "Pp" else 0) if half else int(hours)
    return h * 3600.0 + int(minutes) * 60.0 + int(seconds or 0) + (float(f"0.{fraction}") if fraction else 0.0)


def guess_time_unit(raw: Array) -> units.Guess:
    """The unit of numeric stamps, from their size (seconds since 1970) or the step between them."""
    finite = raw[np.isfinite(raw)]
    if len(finite) < 3:
        return units.Guess(None, np.nan, "too few stamps", False)
    middle = float(np.median(finite))
    for unit, scale in units.TIME_UNITS.items():
        # 1.08e9 is a date in s, and 18 minutes since power-up in us: the step between rows tells which
        dated = _EPOCH_S[0] < middle * scale < _EPOCH_S[1] and (unit == "s" or middle > 1e11)
        if dated and plausible(finite, scale):
            return units.Guess(unit, scale, f"stamps of {middle:.0f} are {unit} since 1970")
    steps = np.diff(finite)
    one_by_one = float(np.isclose(steps, 1.0, atol=1e-9).mean())
    if not (steps > 0).any():
        return units.Guess(None, np.nan, "the stamps never increase", False)
    step = usual_step(finite)
    if np.all(finite[:2000] == np.round(finite[:2000])) and abs(step - 1.0) < 1e-9 and one_by_one > 0.9:
        return units.Guess(None, np.nan, "the stamps count samples", False)
    for unit, scale in units.TIME_UNITS.items():
        if 2e-4 <= step * scale < 0.2:
            return units.Guess(
                unit, scale, f"a step of {step:.6g} between rows is {1 / (step * scale):.4g} Hz in {unit}"
            )
    return units.Guess(None, np.nan, f"a step of {step:.6g} between rows fits no unit", False)


def plausible(raw: Array, unit_s: float) -> bool:
    """Whether stamps in this unit come at a rate that a sensor can have, 1 to 10,000 a second."""
    return len(raw) < 4 or not np.ptp(raw) or 1e-4 <= usual_step(raw) * unit_s <= 1.0


def usual_step(raw: Array) -> float:
    """The step between rows, in the file's unit: the middle of the mean steps of many short stretches.

    Rows of a batch share a stamp or follow each other by next to nothing, so single steps tell nothing.
    """
    width = min(64, len(raw) - 1)
    step = float(np.median((raw[width:] - raw[:-width]) / width))
    return step if step > 0 else float(np.ptp(raw)) / len(raw)


def looks_like_time(cell: str) -> bool:
    return bool(TIME_LIKE.match(cell))


def is_epoch(seconds: Array) -> bool:
    finite = seconds[np.isfinite(seconds)]
    return bool(len(finite)) and _EPOCH_S[0] < float(np.median(finite)) < _EPOCH_S[1]


def when(epoch_s: float, clock: str) -> datetime | None:
    """The date and time of an absolute stamp; without a zone where the file names none."""
    if clock not in ("epoch", "local"):
        return None
    return datetime(1970, 1, 1, tzinfo=UTC if clock == "epoch" else None) + timedelta(seconds=epoch_s)


@dataclass
class Tally:
    """What was done to the rows of one sensor."""

    missing: int = 0  # NaN, inf, empty, unreadable
    cut: int = 0  # rows with too few or too many cells
    duplicates: int = 0
    reordered: int = 0
    notes: list[str] = field(default_factory=list)
    doubts: list[str] = field(default_factory=list)

    @property
    def dropped(self) -> int:
        return self.missing + self.cut + self.duplicates


def unwrap(t: Array, unit_s: float, tally: Tally, *, day: bool = False, whole: bool = True) -> Array:
    """Undo the overflow of a counter: 8, 16, 24 or 32 bits, in ticks of the file's unit, or of
    1 us or 1 ms where the stamps were divided since."""
    if never_back(t):
        return t
    steps = np.diff(t)
    back = np.flatnonzero(steps < 0)
    usual = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
    if usual <= 0:
        return t
    moduli = {m * scale for m in _MODULI for scale in (1.0, 1e-6 / unit_s, 1e-3 / unit_s)} if whole else set()
    if day:
        moduli.add(86400.0)
    for modulus in sorted(moduli, reverse=True):
        if modulus < 50 * usual or float(np.max(t)) >= modulus * 1.0001 or float(np.min(t)) < 0:
            continue
        jumps = steps[back]
        wraps = back[(jumps + modulus > 0) & (jumps + modulus < 50 * usual) & (jumps < -0.5 * modulus)]
        if len(wraps):
            turns = np.zeros(len(t))
            turns[wraps + 1] = modulus
            t = t + np.cumsum(turns)
            times = "once" if len(wraps) == 1 else f"{len(wraps)} times"
            what = "the time of day passed midnight" if modulus == 86400.0 else "the time counter ran over"
            tally.notes.append(f"{what} {times} and was continued")
            return t
    return t


def counted_back(t: Array, tally: Tally) -> Array:
    """Stamps that a host counted back from when a packet arrived, as what they were made from: the rows of a packet
    share its arrival. Other stamps are returned as they are.

    Within a packet such stamps step by exactly one period; from packet to packet they jump by what the radio was late,
    to and fro, so that packets seem to overlap although their rows are in order.
    """
    if len(t) < 100:
        return t
    steps = np.diff(t)
    quarter, period, three = np.percentile(steps, [25, 50, 75])
    values = np.unique(np.round(steps[:20_000], 9))
    tick = float(np.diff(values).min()) if 1 < len(values) < _TICKS else 0.0
    tolerance = max(1.5 * (three - quarter), 1.2 * tick, 0.05 * period)
    if period <= 0 or tolerance > 0.6 * period:
        return t
    border = np.abs(steps - period) > tolerance
    # A clock's own stamps miss whole periods, or all by the same part of one; waits go to and fro.
    odd = steps[border] - np.rint(steps[border] / period) * period
    if np.mean(border) < 0.03 or min(np.mean(odd > tolerance), np.mean(odd < -tolerance)) < 0.1:
        return t
    last = np.append(np.flatnonzero(border), len(t) - 1)
    size = np.diff(last, prepend=-1)
    usual = int(np.bincount(size).argmax())
    if usual < 2 or np.sum(size[size % usual == 0]) < 0.7 * len(t):
        return t
    # packets that happened to be equally late are one run: parted from its end
    back = np.repeat(last, size) - np.arange(len(t))
    arrival = t[np.arange(len(t)) + back % usual]
    tally.notes.append(f"time was counted back from the arrival of packets of {usual} rows; the arrivals were taken")
    return np.maximum.accumulate(arrival)


def mend_steps(t: Array, unit_s: float, tally: Tally, name: str) -> tuple[Array, NDArray[np.bool_] | None]:
    """Join the stretches where the clock was set back, and find rows whose stamp is an accident.

    Rows that merely come late are left for `in_order`. Returns the stamps, and which rows to keep
    where that is not all.
    """
    if never_back(t):
        return t, None
    steps = np.diff(t)
    usual = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
    far = 100 * usual
    back = np.flatnonzero(steps < 0)
    highest = np.maximum.accumulate(t)
    # A row that comes a little late, with the next in order again: the usual case, and no step.
    late = (t[np.minimum(back + 2, len(t) - 1)] >= highest[back]) & (highest[back] - t[back + 1] < far)
    back = back[~late]
    if not len(back):
        return t, None
    t = t.copy()
    keep = np.ones(len(t), bool)
    mended = 0
    for i in back.tolist():
        if t[i + 1] >= t[i] or not keep[i]:
            continue  # mended by an earlier shift
        if i and t[i + 1] >= t[i - 1] and t[i] - t[i - 1] > far:
            keep[i] = False  # one stamp far ahead, and then on as before
            t[i] = t[i - 1]
            continue
        top = float(t[max(0, i - 199) : i + 1].max())
        above = t[i + 1 : i + 51] > top
        if above.any() and t[i + 1 + int(np.argmax(above))] - top < far:
            if top - t[i + 1] >= far:  # some stamps far behind, and then on as before
                keep[i + 1 : i + 1 + int(np.argmax(above))] = False
            continue
        if len(t) - (i + 1) < 3:
            continue
        shift = top - float(t[i + 1]) + usual
        mended += 1
        if mended > MAX_STEPS:
            raise RecordingError(
                f"{name}: the time goes back over {MAX_STEPS} times; is it the right column? (--columns t=NAME …)"
            )
        tally.notes.append(
            f"the clock was set back by {shift * unit_s:.4g} s at row {i + 2}; what follows was moved up"
        )
        t[i + 1 :] += shift
    lost = int((~keep).sum())
    if not lost:
        return t, None
    tally.missing += lost
    tally.notes.append(f"{lost} rows with a stamp far from their neighbours' were left out")
    return t, keep


def never_back(t: Array) -> bool:
    return bool((t[1:] >= t[:-1]).all())


def in_order(
    t: Array, accel: Array | None, gyro: Array | None, tally: Tally
) -> tuple[Array, Array | None, Array | None]:
    """Rows sorted by time, and rows that repeat another one left out; both are counted.

    Rows that share a stamp but not the numbers came in one batch and stay. Where that is usual,
    equal numbers may well be two samples, and stay too.
    """
    if not never_back(t):
        tally.reordered = int((t < np.maximum.accumulate(t)).sum())
        order = np.argsort(t, kind="stable")
        t = t[order]
        accel = None if accel is None else accel[order]
        gyro = None if gyro is None else gyro[order]
    same = np.flatnonzero(t[1:] == t[:-1])
    if len(same):
        equal = np.ones(len(same), bool)
        for v in (accel, gyro):
            if v is not None:
                equal &= (v[same] == v[same + 1]).all(axis=1)
        batched = int((~equal).sum())
        if equal.any() and batched < 0.05 * len(t):
            keep = np.ones(len(t), bool)
            keep[same[equal] + 1] = False
            tally.duplicates = int(equal.sum())
            t = t[keep]
            accel = None if accel is None else accel[keep]
            gyro = None if gyro is None else gyro[keep]
    return t, accel, gyro


def require_time(t: Array, name: str) -> None:
    if len(t) and not np.isfinite(t).any():
        raise RecordingError(f"{name}: the time column holds no time")
