"""One data file to parts: samples of one sensor, cleaned, in the units that the file has.

Here it is decided which columns are read; `imu.readers.sensors` joins the parts of all files.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import PurePosixPath
from typing import Any

import numpy as np
from numpy.typing import NDArray

from imu.errors import RecordingError, UsageError
from imu.readers import channels, delimited, stamps, units
from imu.readers.channels import Channel
from imu.readers.delimited import Loaded, Progress, Want
from imu.readers.dialect import HEAD_BYTES, MISSING, Dialect, is_number, sniff
from imu.readers.files import Entry, safe
from imu.readers.hints import COLUMNS, Hints
from imu.recording import Array


@dataclass
class Part:
    """Accelerometer, gyroscope or both of one sensor at their stamps, numbers as in the file.

    `t_s` is in seconds after `origin_s`, which is 0 unless the stamps are absolute ("epoch":
    since 1970; "local": the same without a zone; "day": since midnight).
    """

    device: str
    source: str
    t_s: Array
    accel: Array | None
    gyro: Array | None
    linear: bool
    gravity_only: bool
    accel_unit: str | None
    gyro_unit: str | None
    time_unit: str
    origin_s: float
    clock: str  # "epoch", "local" (date and time without a zone), "day" or "own"
    tally: stamps.Tally
    notes: list[str] = field(default_factory=list)
    doubts: list[str] = field(default_factory=list)
    inferred: bool = False
    columns: dict[str, str | int] = field(default_factory=dict)  # as understood, for a manifest
    rate_hz: float | None = None  # where it stands in for a time column
    accel_sensitivity: float | None = None  # as said: counts per g
    gyro_sensitivity: float | None = None  # as said: counts per deg/s


@dataclass(frozen=True)
class Triple:
    """Three columns x, y, z of one quantity."""

    quantity: str
    device: str
    columns: tuple[int, int, int]
    unit: str | None
    rank: int
    turned: bool


def read_table(entry: Entry, hints: Hints, needs: list[str], progress: Progress | None = None) -> list[Part]:
    """The parts that a file holds; what only the user can say is added to `needs`."""
    head = entry.head(HEAD_BYTES + 1)
    if head[:4] == b"PAR1":
        from imu.readers import parquet

        source: delimited.Source = parquet.open_table(entry)
    else:
        dialect = sniff(head[:HEAD_BYTES], entry.name, whole=len(head) <= HEAD_BYTES)
        source = delimited.Source(entry, dialect)
    return _Reader(entry, source, hints, needs, progress).parts()


class _Reader:
    def __init__(
        self, entry: Entry, source: delimited.Source, hints: Hints, needs: list[str], progress: Progress | None
    ) -> None:
        self.entry, self.source, self.hints, self.needs, self.progress = entry, source, hints, needs, progress
        self.dialect: Dialect = source.dialect
        self.name = safe(entry.name)
        self.notes = [self.dialect.describe()] if self.dialect.delimiter else []
        self.doubts: list[str] = []
        self.inferred = False
        self.channels = self._channels()

    # -- which columns ------------------------------------------------------------------------
    def _channels(self) -> list[Channel]:
        d = self.dialect
        names = d.names or ("",) * d.columns
        found = [channels.parse(i, n, u) for i, (n, u) in enumerate(zip(names, d.unit_cells, strict=True))]
        if not d.names:
            found = self._by_position()
        return self._named_by_hint(found) if self.hints.columns else found

    def _named_by_hint(self, found: list[Channel]) -> list[Channel]:
        given = set(self.hints.columns)
        replaced = {"t": ("time", "counter"), "ax": ("accel", "linear", "gravity", "vector"), "gx": ("gyro", "vector")}
        gone = {quantity for key in given & replaced.keys() for quantity in replaced[key]}
        out = [Channel(c.column, c.name, "other") if c.quantity in gone else c for c in found]
        by_name = {c.name.strip().lower(): c for c in reversed(found)}
        for key, name in self.hints.columns.items():
            if isinstance(name, int) or (name.isdigit() and name not in by_name):
                place = int(name) - 1
                if not 0 <= place < len(found):
                    raise UsageError(f"{self.name}: columns: {key} = {name}, but there are {len(found)} columns")
                column = found[place]
            elif name.strip().lower() in by_name:
                column = by_name[name.strip().lower()]
            else:
                have = ", ".join(safe(c.name) for c in found if c.name)[:200]
                raise UsageError(
                    f"{self.name}: columns: {key} = {name!r} is not there; the file has {have or 'no header'}"
                )
            quantity = "time" if key == "t" else "accel" if key[0] == "a" else "gyro"
            axis = None if key == "t" else "xyz".index(key[1])
            known = {"time": units.TIME_UNITS, "accel": units.ACCEL_UNITS, "gyro": units.GYRO_UNITS}[quantity]
            unit = column.unit if column.unit in known else None
            if quantity == "accel" and column.quantity == "linear":
                quantity = "linear"
            out[column.column] = Channel(column.column, column.name, quantity, axis, unit, named=True)  # type: ignore[arg-type]
        for x, y, z in (("ax", "ay", "az"), ("gx", "gy", "gz")):
            if 0 < len(given & {x, y, z}) < 3:
                raise UsageError(f"{self.name}: columns: {x}, {y} and {z} are given together or not at all")
        return out

    def _by_position(self) -> list[Channel]:
        """Without a header: time increases, the accelerometer's magnitude is steady, the
        gyroscope is near zero when still."""
        d = self.dialect
        cells = np.array([[_number(c, d.decimal) for c in row] for row in d.sample])
        out = [Channel(i, f"column {i + 1}", "other") for i in range(d.columns)]
        if len(cells) < 10:
            return out
        texts = [i for i in range(d.columns) if np.isnan(cells[:, i]).mean() > 0.5]
        numeric = [i for i in range(d.columns) if i not in texts]
        kinds = False
        for i in texts:
            filled = [r[i] for r in d.sample if r[i] not in MISSING]
            if filled and stamps.looks_like_time(filled[0]):
                out[i] = Channel(i, f"column {i + 1}", "time")
            elif filled and len(set(filled)) <= 16:
                out[i] = Channel(i, f"column {i + 1}", "label")
                kinds |= {"accel", "gyro"} <= {_kind_of(f) for f in filled}
        steps = np.diff(cells[:, numeric], axis=0)
        grows = ((steps >= 0).mean(axis=0) > 0.99) & ((steps > 0).mean(axis=0) > 0.15)
        rising = [i for i, up in zip(numeric, grows, strict=True) if up]
        for i in rising[:2]:
            out[i] = Channel(i, f"column {i + 1}", "time")
            numeric.remove(i)
        if kinds and len(numeric) >= 3:  # a row holds one quantity, and says which
            for axis, column in enumerate(numeric[:3]):
                out[column] = Channel(column, f"column {column + 1}", "vector", axis)
            return out
        accel, gyro = _unnamed(cells, numeric)
        if accel:
            for quantity, place in (("accel", accel), ("gyro", gyro)):
                for axis, column in enumerate(place):
                    out[column] = Channel(column, f"column {column + 1}", quantity, axis)  # type: ignore[arg-type]
            self.inferred = True
            self.doubts.append(
                f"no header: columns {accel[0] + 1} to {accel[2] + 1} taken as accelerometer (they show gravity while still)"
                + (f", {gyro[0] + 1} to {gyro[2] + 1} as gyroscope" if gyro else "")
            )
        return out

    def _triples(self) -> list[Triple]:
        groups: dict[tuple[str, str, str], dict[int, Channel]] = {}
        out: list[Triple] = []
        for c in self.channels:
            if c.axis is None or c.quantity not in ("accel", "gyro", "linear", "gravity", "vector"):
                continue
            pattern = re.sub(
                r"(?i)[xyz](?![a-z])(?!.*(?<![a-z])[xyz](?![a-z]))|(?<=[a-z])[XYZ](?=\W|_|\d|$)", "@", c.name
            )
            key = (c.quantity, c.device, "" if c.named else pattern)
            axes = groups.setdefault(key, {})
            axes.setdefault(c.axis, c)
            if len(axes) == 3:
                x, y, z = axes[0], axes[1], axes[2]
                out.append(Triple(c.quantity, c.device, (x.column, y.column, z.column), x.unit, x.rank, x.turned))
                groups.pop(key)
        leftovers: dict[tuple[str, str], dict[int, Channel]] = {}
        have = {(t.quantity, t.device) for t in out}
        for (quantity, device, _), axes in groups.items():  # names that differ by more than the axis
            if (quantity, device) not in have:
                leftovers.setdefault((quantity, device), {}).update(axes)
        for (quantity, device), axes in leftovers.items():
            if len(axes) == 3:
                x = axes[0]
                out.append(
                    Triple(quantity, device, (x.column, axes[1].column, axes[2].column), x.unit, x.rank, x.turned)
                )
        return out

    def _time_for(self, t: Triple) -> Channel | None:
        columns, device = t.columns, t.device
        times = [c for c in self.channels if c.quantity in ("time", "counter") and self._usable(c)]
        own = [c for c in times if device and c.device == device]
        near = own or [c for c in times if not _other_device(c.device, device)] or times
        if not near:
            return self._rising_column()
        same_name = [c for c in near if c.name and sum(n.name == c.name for n in near) > 1]
        if same_name:  # a time column before each quantity
            left = [c for c in same_name if c.column < columns[0]]
            return max(left, key=lambda c: c.column) if left else same_name[0]

        def score(c: Channel) -> tuple[float, int]:
            named = _kind_of(c.name)  # "gyroTimestamp": the time of this quantity alone
            own = 0.5 if named and named == t.quantity else -1.0 if named in ("accel", "gyro") else 0.0
            return self._time_score(c) + own, -c.column

        return max(near, key=score, default=None)

    def _rising_column(self) -> Channel | None:
        """A column of no known name whose numbers only grow is taken for the time."""
        for c in self.channels:
            if c.quantity == "other" and c.axis is None:
                cells = [_number(r[c.column], self.dialect.decimal) for r in self.dialect.sample]
                steps = np.diff(cells)
                if len(steps) > 8 and np.isfinite(steps).all() and (steps > 0).all():
                    counts = bool(np.all(steps == 1.0))
                    if not counts and stamps.guess_time_unit(np.array(cells)).unit is None:
                        continue
                    if not counts:
                        self.doubts.append(f"column {safe(c.name)!r} taken as time: its numbers only grow")
                    return Channel(c.column, c.name, "counter" if counts else "time", None, c.unit)
        return None

    def _usable(self, channel: Channel) -> bool:
        cells = {r[channel.column] for r in self.dialect.sample} - MISSING
        return len(cells) > 1 or len(self.dialect.sample) < 3

    def _time_score(self, channel: Channel) -> float:
        cells = [r[channel.column] for r in self.dialect.sample if r[channel.column] not in MISSING]
        if not cells:
            return -1.0
        numbers = np.array([_number(c, self.dialect.decimal) for c in cells])
        score = 3.0 if channel.quantity == "time" else 0.0
        score += 2.0 * len(set(cells)) / len(cells)
        if np.isfinite(numbers).mean() > 0.8:
            finite = numbers[np.isfinite(numbers)]
            score += 1.0 + float((np.diff(finite) >= 0).mean()) if len(finite) > 1 else 0.0
            score += 0.4 if channel.unit else 0.0
            if len(finite) > 3 and channel.quantity == "time" and not channel.unit:
                guess = stamps.guess_time_unit(finite)
                score += 0.6 if guess.unit and "1970" in guess.why else 0.3 if guess.unit else -2.0
        elif stamps.looks_like_time(cells[0]):
            score += 1.5
        else:
            score -= 4.0
        return score

    # -- reading ------------------------------------------------------------------------------
    def parts(self) -> list[Part]:
        triples = self._triples()
        labels = self._labels()
        if not triples:
            self._explain_no_triples()
            return []
        if len(triples) == 1 and any(self._says_quantity(r[c.column] for r in self.dialect.sample) for c in labels):
            triples = [replace(triples[0], quantity="vector")]  # whatever its name, each row says what it holds
        chosen = _choose(triples)
        wants: list[Want] = [Want("label", (c.column,)) for c in labels]
        time_of: dict[Triple, Channel | None] = {}
        places: dict[object, int] = {}
        for t in (t for group in chosen for t in group.values()):
            places[t] = len(wants)
            wants.append(Want("vector", t.columns))
            time = time_of[t] = self._time_for(t)
            if time and time not in places:
                places[time] = len(wants)
                wants.append(Want("number" if self._is_numeric(time) else "time", (time.column,)))
        loaded = self.source.load(wants, self.progress)
        out: list[Part] = []
        for mask, device, kind in self._label_groups(labels, loaded):
            for group in chosen:
                out += self._group_parts(group, kind, device, mask, loaded, places, time_of)
        for part in out[:1]:
            part.tally.cut += loaded.cut_rows
        return out

    def _explain_no_triples(self) -> None:
        if self.dialect.names:
            have = ", ".join(safe(n) for n in self.dialect.names if n)[:160]
            self.needs.append(
                f"{self.name}: no columns for x, y and z of an accelerometer or gyroscope were found among {have}; "
                "name them with columns (--columns t=… ax=… ay=… az=… gx=… gy=… gz=…)"
            )
        else:
            self.needs.append(
                f"{self.name}: has no header and its {self.dialect.columns} columns cannot be told apart; "
                "give their positions (--columns t=1 ax=2 ay=3 az=4 gx=5 gy=6 gz=7)"
            )

    def _labels(self) -> list[Channel]:
        out = []
        for c in self.channels:
            cells = [r[c.column] for r in self.dialect.sample if r[c.column] not in MISSING]
            if not cells or stamps.looks_like_time(cells[0]):
                continue
            words = not is_number(cells[0], self.dialect.decimal)
            few = len(set(cells)) <= 16
            if (c.quantity == "label" and few and (words or len(set(cells)) > 1 or "id" in c.name.lower())) or (
                c.quantity in ("other", "counter")
                and words
                and few
                and any(_kind_of(x) or channels.role_in(x) for x in set(cells))
            ):
                out.append(c)
        return out[:2]

    @staticmethod
    def _says_quantity(cells: Iterable[str]) -> bool:
        return {"accel", "gyro"} <= {_kind_of(c) for c in cells}

    def _is_numeric(self, channel: Channel) -> bool:
        cells = [r[channel.column] for r in self.dialect.sample if r[channel.column] not in MISSING]
        return sum(is_number(c, self.dialect.decimal) for c in cells) > 0.5 * len(cells) or not cells

    def _label_groups(self, labels: list[Channel], loaded: Loaded) -> list[tuple[Array | None, str, str | None]]:
        """(rows, device, quantity) for every combination that the label columns hold."""
        if not labels:
            return [(None, "", None)]
        codes = [loaded.arrays[i] for i in range(len(labels))]
        groups: list[tuple[Array | None, str, str | None]] = []
        combined = codes[0].astype(int) * 1000 + (codes[1] if len(codes) > 1 else 0)
        for value in np.unique(combined):
            mask = combined == value
            device, kind = [], None
            for channel, code in zip(labels, codes, strict=True):
                first = int(code[int(np.argmax(mask))])
                text = loaded.labels[channel.column][first] if first >= 0 else ""
                quantity = _kind_of(text)
                if quantity or self._says_quantity(loaded.labels[channel.column]):
                    kind = quantity or "other"
                elif text:
                    device.append(text)
            if not device and kind is None:
                self.doubts.append(f"{int(mask.sum())} rows name no sensor and were left out")
                continue
            if kind == "other":
                continue
            groups.append((mask, " ".join(device), kind))
        if len(groups) == 1 and len(np.unique(combined)) == 1:
            return [(None, groups[0][1], groups[0][2])]
        return groups

    def _group_parts(
        self,
        group: dict[str, Triple],
        kind: str | None,
        label: str,
        mask: Array | None,
        loaded: Loaded,
        places: dict[object, int],
        time_of: dict[Triple, Channel | None],
    ) -> list[Part]:
        def rows(key: object) -> Array:
            array = loaded.arrays[places[key]]
            return array if mask is None else array[mask]

        accel_t, gyro_t, vector = group.get("accel"), group.get("gyro"), group.get("vector")
        linear, quantity = False, ""
        accel: Array | None = None
        if vector is not None and accel_t is None and gyro_t is None:
            quantity = (
                kind
                or _kind_of(PurePosixPath(self.entry.name).stem)
                or self._kind_in_preamble()
                or self._kind_by_numbers(rows(vector))
            )
            if quantity == "other":
                return []
            linear = quantity == "linear"
            if quantity == "gyro":
                gyro_t = vector
            else:
                accel_t = vector
        gravity_t = group.get("gravity")
        if accel_t is None and "linear" in group:
            accel_t, linear = group["linear"], True
        if accel_t is not None:
            accel = rows(accel_t)
            if gravity_t is not None:
                head = accel[:40_000][np.isfinite(accel[:40_000]).all(axis=1)]
                linear = linear or units.looks_linear(head, accel_t.unit)
            if linear and gravity_t is not None:
                accel, linear = accel + rows(gravity_t), False
                self.notes.append("acceleration is the sum of the columns for linear acceleration and gravity")
        if kind == "linear" and accel_t is not None:
            linear = True
        if accel_t is None and gyro_t is None:
            return []
        if (
            not linear
            and accel_t is not None
            and _kind_of(PurePosixPath(self.entry.name).stem) == "linear"
            and gyro_t is None
        ):
            linear = True
        if accel is not None and accel_t is not None and accel_t.turned:
            accel = -accel
            self.notes.append(
                "names of a phone interface that gives minus the specific force: signs of acceleration turned"
            )
        gyro = rows(gyro_t) if gyro_t is not None else None
        label = label or self._name_in_preamble()
        named = next((t.device for t in (accel_t, gyro_t) if t is not None), "")
        device = " ".join(dict.fromkeys(f"{label} {named}".split()))
        accel_time = time_of.get(accel_t) if accel_t else None
        gyro_time = time_of.get(gyro_t) if gyro_t else None
        together = accel is not None and gyro is not None and accel_time == gyro_time
        if together and accel is not None and gyro is not None:
            a_ok, g_ok = _finite(accel), _finite(gyro)
            both = int((a_ok & g_ok).sum())
            if both < 0.5 * min(int(a_ok.sum()), int(g_ok.sum())):
                together = False  # rows of one alternate with rows of the other
        columns = self._columns_used(accel_t, gyro_t, accel_time or gyro_time)

        def part(a: Array | None, g: Array | None, time: Channel | None, own: Any = None) -> Part | None:
            if a is None and g is None:
                return None
            stamps_ = rows(time) if time else None
            if own is not None:
                a, g = None if a is None else a[own], None if g is None else g[own]
                stamps_ = None if stamps_ is None else stamps_[own]
            return self._part(device, time, stamps_, a, g, linear, quantity, accel_t, gyro_t, columns, loaded)

        if together:
            made = [part(accel, gyro, accel_time)]
        elif accel is not None and gyro is not None and accel_time == gyro_time:
            a_ok, g_ok = _finite(accel), _finite(gyro)
            made = [part(accel, None, accel_time, ~g_ok | a_ok), part(None, gyro, gyro_time, ~a_ok | g_ok)]
        else:
            made = [part(accel, None, accel_time), part(None, gyro, gyro_time)]
        return [p for p in made if p is not None]

    def _columns_used(self, accel: Triple | None, gyro: Triple | None, time: Channel | None) -> dict[str, str | int]:
        out: dict[str, str | int] = {}
        names = [c.name for c in self.channels]
        for key in COLUMNS:
            triple = accel if key[0] == "a" else gyro
            column = (
                (time.column if time else None)
                if key == "t"
                else triple.columns["xyz".index(key[1])]
                if triple
                else None
            )
            if column is not None:
                named = bool(self.dialect.names) and names.count(names[column]) == 1 and names[column]
                out[key] = names[column] if named else column + 1
        return out

    def _name_in_preamble(self) -> str:
        """A line above the numbers that names one place on the body, such as 'DeviceTag: forearm'."""
        cells = {c.strip() for line in self.dialect.preamble for c in re.split(r"[,;:\t=]", line)}
        roles = {c for c in cells if 0 < len(c) < 40 and channels.role_in(c)}
        return roles.pop() if len(roles) == 1 else ""

    def _kind_in_preamble(self) -> str | None:
        kinds = {k for line in self.dialect.preamble for k in [_kind_of(line)] if k in ("accel", "gyro", "linear")}
        return kinds.pop() if len(kinds) == 1 else None

    def _kind_by_numbers(self, vectors: Array) -> str:
        good = vectors[np.isfinite(vectors).all(axis=1)][:20000]
        guess = units.guess_accel(good) if len(good) > 8 else None
        self.inferred = True
        if guess and guess.unit and guess.sure:
            self.doubts.append(f"columns x, y, z taken as accelerometer: {guess.why}")
            return "accel"
        self.doubts.append("columns x, y, z taken as gyroscope: they show no gravity")
        return "gyro"

    def _part(
        self,
        device: str,
        time: Channel | None,
        raw: Array | None,
        accel: Array | None,
        gyro: Array | None,
        linear: bool,
        quantity: str,
        accel_t: Triple | None,
        gyro_t: Triple | None,
        columns: dict[str, str | int],
        loaded: Loaded,
    ) -> Part | None:
        tally = stamps.Tally()
        vectors = [v for v in (accel, gyro) if v is not None]
        ok = _finite(vectors[0])
        for v in vectors[1:]:
            ok &= _finite(v)
        notes = list(self.notes)
        rate = self.hints.rate_hz or self._rate_in_preamble(notes)
        t, unit, scale, clock, rate_used = self._stamps(time, raw, len(ok), rate, notes, loaded)
        doubts = list(self.doubts)
        if t is None:
            return None
        ok &= np.isfinite(t)
        tally.missing = int(len(ok) - ok.sum())
        if not ok.all():
            t, accel, gyro = t[ok], None if accel is None else accel[ok], None if gyro is None else gyro[ok]
        if not len(t):
            raise RecordingError(f"{self.name}: holds no usable sample: all {len(ok)} rows lack a number")
        t = stamps.unwrap(t, scale, tally, day=clock == "day", whole=unit != "iso")
        t = stamps.counted_back(t, tally)
        t, keep = stamps.mend_steps(t, scale, tally, self.name)
        if keep is not None:
            t, accel, gyro = t[keep], None if accel is None else accel[keep], None if gyro is None else gyro[keep]
        t, accel, gyro = stamps.in_order(t, accel, gyro, tally)
        origin = 0.0
        if clock != "own":
            origin = float(t[0]) * scale
            t = (t - t[0]) * scale
        elif scale != 1.0:
            t = t * scale
        notes += tally.notes
        return Part(
            device=device,
            source=self.entry.name,
            t_s=t,
            accel=accel,
            gyro=gyro,
            linear=linear,
            gravity_only=accel_t is not None and quantity == "gravity",
            accel_unit=self.hints.accel_unit or _unit_of(accel_t, units.ACCEL_UNITS),
            gyro_unit=self.hints.gyro_unit or _unit_of(gyro_t, units.GYRO_UNITS),
            time_unit=unit,
            origin_s=origin,
            clock=clock,
            tally=tally,
            notes=notes,
            doubts=doubts,
            inferred=self.inferred,
            columns=columns,
            rate_hz=rate if rate_used else None,
            accel_sensitivity=self.hints.accel_sensitivity,
            gyro_sensitivity=self.hints.gyro_sensitivity,
        )

    def _rate_in_preamble(self, notes: list[str]) -> float | None:
        rate = re.compile(r"(?:rate|frequency|freq|fs|odr)\b[^0-9\n]{0,24}(\d+(?:\.\d+)?)", re.IGNORECASE)
        for line in self.dialect.preamble:
            match = rate.search(line)
            if match and 5 <= float(match[1]) <= 10_000:
                return float(match[1])
        match = re.search(r"(\d+(?:\.\d+)?)\s?Hz", PurePosixPath(self.entry.name).name)
        return float(match[1]) if match and 5 <= float(match[1]) <= 10_000 else None

    def _stamps(
        self, time: Channel | None, raw: Array | None, rows: int, rate: float | None, notes: list[str], loaded: Loaded
    ) -> tuple[Array | None, str, float, str, bool]:
        """(stamps, their unit, seconds per unit, clock, whether the rate gave them)."""
        need = f"{self.name}: {{}}; give the sampling rate in Hz (--rate 200)"
        if time is None or raw is None:
            if rate is None:
                self.needs.append(need.format("has no time column"))
                return None, "", 1.0, "own", False
            notes.append(f"no time column: rows counted at {rate:g} Hz")
            return np.arange(rows) / rate, "s", 1.0, "own", True
        if not self._is_numeric(time):
            clock = loaded.clock
            stamps.require_time(raw, f"{self.name}: column {safe(time.name)!r}")
            notes.append(f"time from {safe(time.name)!r}: {'time of day' if clock == 'day' else 'date and time'}")
            return raw, "iso", 1.0, clock, False
        finite = raw[:20_000][np.isfinite(raw[:20_000])]
        stamps.require_time(raw, f"{self.name}: column {safe(time.name)!r}")
        unit = self.hints.time_unit if self.hints.time_unit != "iso" else None
        guess = stamps.guess_time_unit(finite)
        if unit and guess.unit and guess.unit != unit and not stamps.plausible(finite, units.TIME_UNITS[unit]):
            raise RecordingError(
                f"{self.name}: time_unit {unit!r} does not fit column {safe(time.name)!r}: {guess.why}; "
                "correct time_unit, or leave it out to have it inferred"
            )
        if unit is None and time.unit and time.quantity == "time":
            unit = time.unit
            if guess.unit and guess.unit != unit and not stamps.plausible(finite, units.TIME_UNITS[unit]):
                unit = guess.unit  # "time (s)" over a column of milliseconds
                self.doubts.append(f"column {safe(time.name)!r} says {time.unit}, but {guess.why}")
        if (unit is None and time.quantity == "counter") or (unit is None and guess.unit is None):
            if rate is None:
                what = (
                    f"column {safe(time.name)!r} counts samples"
                    if "count" in guess.why or time.quantity == "counter"
                    else (f"the unit of column {safe(time.name)!r} cannot be told ({guess.why})")
                )
                self.needs.append(
                    need.format(what) if "counts" in what else f"{self.name}: {what}; give it (--time-unit ms)"
                )
                return None, "", 1.0, "own", False
            notes.append(f"column {safe(time.name)!r} counts samples at {rate:g} Hz")
            return raw, "samples", 1.0 / rate, "own", True
        if unit is None and guess.unit:
            unit = guess.unit
            notes.append(f"time unit {unit}: {guess.why}")
        assert unit is not None
        scale = units.TIME_UNITS[unit]
        return raw, unit, scale, "epoch" if stamps.is_epoch(finite[:1000] * scale) else "own", False


def _finite(vectors: Array) -> NDArray[np.bool_]:
    """Rows without a missing number, axis by axis to spare memory."""
    ok = np.isfinite(vectors[:, 0])
    for axis in (1, 2):
        ok &= np.isfinite(vectors[:, axis])
    return ok


def _unit_of(triple: Triple | None, known: Mapping[str, float]) -> str | None:
    return triple.unit if triple is not None and (triple.unit in known or triple.unit == units.COUNTS) else None


def _unnamed(cells: Array, numeric: list[int]) -> tuple[list[int], list[int]]:
    """Which three columns are an accelerometer and which a gyroscope, by their numbers alone: the
    first three of steady magnitude near gravity's, and three beside them that rest near zero."""
    moving = [i for i in numeric if np.ptp(cells[:, i][np.isfinite(cells[:, i])]) > 0]
    steady: dict[int, float] = {}  # first column -> spread of the magnitude over its mean
    for first in moving:
        if first + 1 not in moving or first + 2 not in moving:
            continue
        vectors = cells[:, first : first + 3]
        vectors = vectors[np.isfinite(vectors).all(axis=1)]
        if len(vectors) < 9:
            continue
        guess = units.guess_accel(vectors)
        if (guess.unit is not None and guess.sure) or guess.unit == units.COUNTS:
            norm = np.linalg.norm(vectors, axis=1)
            steady[first] = float(norm.std() / norm.mean())
    if not steady:
        return [], []
    # Of two accelerometers side by side every window of three is steady: the first one counts.
    best = min(steady.values())
    accel = next(i for i in sorted(steady) if steady[i] < max(1.5 * best, 0.02))

    def rests_near_zero(first: int) -> float:
        vectors = cells[:, first : first + 3]
        norm = np.linalg.norm(vectors[np.isfinite(vectors).all(axis=1)], axis=1)
        return float(np.quantile(norm, 0.2) / max(np.quantile(norm, 0.95), 1e-12)) if len(norm) else 1.0

    beside = [accel + 3 * k for k in (1, -1, 2, -2, 3, -3)]
    beside = [
        g for g in beside if all(c in moving for c in range(g, g + 3)) and steady.get(g, 1.0) > max(3 * best, 0.05)
    ]
    gyro = next((g for g in beside if rests_near_zero(g) < 0.6), beside[0] if beside else None)
    return [accel, accel + 1, accel + 2], [] if gyro is None else [gyro, gyro + 1, gyro + 2]


def _number(cell: str, decimal: str) -> float:
    if not is_number(cell, decimal):
        return np.nan
    return float(cell.replace(",", ".").replace("−", "-"))


def _other_device(theirs: str, ours: str) -> bool:
    """Whether a time column names another sensor: one that shares no word with ours, but a word
    that speaks of a body part or a number."""
    if not theirs or not ours or theirs == ours:
        return False
    return bool(channels.role_in(theirs)) and channels.role_in(theirs) != channels.role_in(ours)


_KIND_WORDS = (
    (
        "other",
        r"magn|orient|quat|baro|location|gps|attitude|euler|temperature|pressure|light|pedometer|annotation|metadata",
    ),
    ("linear", r"linear|user.?acc|free.?acc|without.?g"),
    ("gyro", r"gyr|angular|rotation.?rate|omega"),
    ("accel", r"acc"),
    ("gravity", r"gravity"),
)


def _kind_of(text: str) -> str | None:
    """The quantity that a file name, or a cell that names it, speaks of."""
    low = text.lower()
    if re.fullmatch(r"(acc?|gyr?|mag|a|g|m)", low):
        return {"a": "accel", "g": "gyro", "m": "other"}[low[0]]
    found = [kind for kind, pattern in _KIND_WORDS if re.search(pattern, low)]
    if {"gyro", "accel"} <= set(found) and "linear" not in found:
        return None  # a file that says it holds both
    return found[0] if found else None


def _choose(triples: list[Triple]) -> list[dict[str, Triple]]:
    """One triple for each quantity of each sensor."""
    devices: dict[str, dict[str, Triple]] = {}
    for t in triples:
        group = devices.setdefault(t.device, {})
        if t.quantity not in group or t.rank < group[t.quantity].rank:
            group[t.quantity] = t
    groups = list(devices.values())
    accels = [g for g in groups if {"accel", "linear"} & g.keys() and "gyro" not in g]
    gyros = [g for g in groups if "gyro" in g and not {"accel", "linear"} & g.keys()]
    full = [g for g in groups if "gyro" in g and {"accel", "linear"} & g.keys()]
    if len(accels) == 1 and len(gyros) == 1 and not full:
        return [accels[0] | gyros[0]]
    if len(full) >= 1 and any(not g for g in groups):
        groups = full
    with_vector = [g for g in groups if "vector" in g and len(g) == 1]
    if full and with_vector:
        groups = [g for g in groups if g not in with_vector]
    return [g for g in groups if {"accel", "linear", "gyro", "vector"} & g.keys()]
