"""Uniform clocks: from the stamps that files carry to samples on one shared clock.

Every sensor samples on its own crystal, so its true sample times are a straight line in the sample
number. What a file stamps is that line seen through ticks, batches or the arrival of packets, and
with samples missing. `uniform` finds the line and the places of the missing samples for one sensor;
`align` finds offset and drift between sensors from the motion that they share.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage, signal

from imu.errors import RecordingError
from imu.recording import Array, Role, Stream

_NOMINAL_CLIP = 0.995  # a sample within 0.5 % of full scale counts as clipped


@dataclass(frozen=True, eq=False)
class Samples:
    """One sensor on a uniform clock.

    Sample k was taken at `start_s + k * period_s` on the clock of the first sensor (after `align`;
    on the sensor's own before). Missing samples are kept as places: `present` is False there and
    the values are NaN. `stamps` says what the stamps were: "device" or "arrival".
    """

    role: Role
    start_s: float
    period_s: float
    gyro: Array  # (n, 3) rad/s
    accel: Array  # (n, 3) m/s^2
    present: np.ndarray  # (n,) bool
    clipped_gyro: np.ndarray  # (n, 3) bool
    clipped_accel: np.ndarray  # (n, 3) bool
    stamps: str
    stamp_sd_s: float  # scatter of the stamps about the line
    own_start_s: float  # stamp of sample 0 on the sensor's own clock
    own_period_s: float

    def __len__(self) -> int:
        return len(self.gyro)

    @property
    def t_s(self) -> Array:
        return np.asarray(self.start_s + self.period_s * np.arange(len(self.gyro)), np.float64)

    @property
    def end_s(self) -> float:
        return self.start_s + self.period_s * (len(self.gyro) - 1)

    @property
    def rate_hz(self) -> float:
        return 1.0 / self.own_period_s

    @property
    def lost(self) -> int:
        return int(np.count_nonzero(~self.present))

    def index(self, t_s: float) -> int:
        """Number of the sample nearest to a time, within the recording."""
        return int(np.clip(round((t_s - self.start_s) / self.period_s), 0, len(self.gyro) - 1))

    def between(self, start_s: float, end_s: float) -> Samples:
        """The samples of a stretch, times as they were; what it says of the sensor's own clock is the whole's."""
        part = slice(self.index(start_s), self.index(end_s) + 1)
        values = {f: getattr(self, f)[part] for f in ("gyro", "accel", "present", "clipped_gyro", "clipped_accel")}
        return replace(self, start_s=self.start_s + part.start * self.period_s, **values)

    def counted_from(self, zero_s: float) -> Samples:
        """With times counted from another zero."""
        return replace(self, start_s=self.start_s - zero_s, own_start_s=self.own_start_s - zero_s)

    def moved(self, offset_s: float, drift: float) -> Samples:
        """On a clock that reads own + offset + drift * own."""
        return replace(
            self,
            start_s=self.own_start_s + offset_s + drift * self.own_start_s,
            period_s=self.own_period_s * (1.0 + drift),
        )


# ------------------------------------------------------------------------------ one sensor's clock
def uniform(stream: Stream) -> Samples:
    """Places a stream's samples on a uniform clock.

    Device and tick stamps scatter on both sides of the line; stamps given on arrival are late and
    never early, so the line runs along their early edge. Lost samples are found as steps of whole
    periods. Raises RecordingError for a stream too short to have a rate.
    """
    stamps = np.asarray(stream.t_s, float)
    if len(stamps) < 10 or stamps[-1] <= stamps[0]:
        raise RecordingError(
            f"{stream.source}: {len(stamps)} samples of the {stream.role} sensor are too few to have a rate; "
            "record at least a few seconds"
        )
    period = _period(stamps)
    late = _is_arrival(stamps, period)
    if late:
        number, start, period = _from_arrivals(stamps)
    else:
        number, start, period = _from_ticks(stamps, period)
    residual = stamps - (start + period * number)

    n = int(number[-1]) + 1
    if n > 20 * len(stamps):
        raise RecordingError(
            f"{stream.source}: the {stream.role} sensor's stamps jump by {n * period:.0f} s in a row of "
            f"{len(stamps)} samples; check the time column and its unit"
        )
    gyro = np.full((n, 3), np.nan)
    accel = np.full((n, 3), np.nan)
    gyro[number] = stream.gyro
    accel[number] = stream.accel
    present = np.zeros(n, bool)
    present[number] = True
    return Samples(
        role=stream.role,
        start_s=start,
        period_s=period,
        gyro=gyro,
        accel=accel,
        present=present,
        clipped_gyro=_clipped(gyro, stream.gyro_range),
        clipped_accel=_clipped(accel, stream.accel_range),
        stamps="arrival" if late else "device",
        stamp_sd_s=float(1.4826 * np.median(np.abs(residual - np.median(residual)))),
        own_start_s=start,
        own_period_s=period,
    )


def _period(stamps: Array) -> float:
    """Sample period, robust to lost bursts: the middle of the mean steps of many short windows,
    since most windows hold no loss."""
    n = len(stamps)
    width = min(64, n - 1)
    steps = (stamps[width:] - stamps[:-width]) / width
    return float(np.median(steps))


def _is_arrival(stamps: Array, period: float) -> bool:
    """Whether stamps bunch (batches share a stamp) or scatter by more than ticks can explain."""
    step = np.diff(stamps)
    together = np.mean(step < 0.25 * period)
    regular = step[(step > 0) & (step < 1.5 * period)]
    if together > 0.05 or len(regular) < 0.5 * len(step):
        return True
    # Ticks of 1 ms scatter by up to 1 ms each way, whatever the rate.
    spread = np.percentile(regular, 90) - np.percentile(regular, 10)
    return bool(spread > max(1.5e-3, 0.1 * period))


# ---- stamps of the device's own clock, perhaps in ticks
def _from_ticks(stamps: Array, period: float) -> tuple[np.ndarray, float, float]:
    """Sample numbers, start and period: whole steps, then least squares without the outliers."""
    step = np.maximum(np.rint(np.diff(stamps) / period), 1)
    number = np.concatenate([[0], np.cumsum(step)]).astype(int)
    slope, start = np.polyfit(number, stamps, 1)
    for _ in range(8):
        residual = stamps - (start + slope * number)
        spread = 1.4826 * np.median(np.abs(residual - np.median(residual))) + 1e-9
        keep = np.abs(residual - np.median(residual)) <= 4 * spread
        new_slope, new_start = np.polyfit(number[keep], stamps[keep], 1)
        settled = abs(new_slope - slope) * number[-1] < 1e-7 and abs(new_start - start) < 1e-7
        slope, start = new_slope, new_start
        if settled:
            break
    return number, float(start), float(slope)


# ---- stamps given on arrival, perhaps a whole packet at once
_MANY = 12  # packets that do not all wait alike
_EARLY = 0.3  # share of a period by which a stamp may seem early before a loss is ruled out


def _from_arrivals(stamps: Array) -> tuple[np.ndarray, float, float]:
    """Sample numbers, start and period from stamps that are late by the radio's wait, never early.

    A packet arrives with its last sample, so packets are placed and samples follow. The period is the
    one at which the earliest arrivals fall into step; then no packet may have come before its last
    sample was taken, which bounds from above how many were lost before it, and the bound is met.
    """
    # rows of a packet share a stamp, or follow each other as fast as the host unpacks them
    for together in (0.2 * _period(stamps), 0.0):
        first = np.concatenate([[0], np.flatnonzero(np.diff(stamps) > together) + 1])
        size = np.diff(np.concatenate([first, [len(stamps)]]))
        arrival = stamps[first]
        usual = int(np.bincount(size).argmax())
        packets = usual > 1 and np.mean(size % usual == 0) > 0.8
        if packets:
            break
    if packets:  # packets that waited for each other came together: part them
        parts = -(-size // usual)
        ends = np.repeat(first + size, parts) - usual * (
            np.repeat(np.cumsum(parts), parts) - 1 - np.arange(int(parts.sum()))
        )
        first = np.concatenate([[0], ends[:-1]])
        size, arrival = ends - first, stamps[first]
    # in units of packets where they have one size, else of samples
    unit = usual if packets else 1
    count = np.arange(len(first)) if packets else np.cumsum(size) - 1
    duration = _step_in_phase(arrival, count)
    base = _early_edge(arrival, duration)
    excess = (arrival - base) / duration - count
    excess -= np.floor(excess[: max(4, len(excess) // 50)].min() + _EARLY)
    reach = max(8, min(len(excess), round(1.5 / duration))) | 1  # odd: the window begins at the packet itself
    # the least of what follows: a loss moves all later packets, a late packet only itself
    ahead = ndimage.minimum_filter1d(excess, reach, origin=-((reach - 1) // 2), mode="nearest")
    lost = np.maximum.accumulate(np.maximum(np.floor(ahead + _EARLY), 0)).astype(int)
    lost = _at_longest_wait(lost, np.diff(arrival, prepend=arrival[0]) / duration)
    place = count + lost - lost[0]
    if packets:
        last = (place + 1) * unit - 1
        number = np.repeat(last - size + 1, size) + np.arange(len(stamps)) - np.repeat(first, size)
    else:
        number = np.repeat(place - size + 1, size) + np.arange(len(stamps)) - np.repeat(first, size)
    end_of_packet = number[np.concatenate([first[1:], [len(stamps)]]) - 1]
    shift = number[0]
    number, end_of_packet = number - shift, end_of_packet - shift
    start, period = _early_line(end_of_packet, arrival, duration / unit)
    for _ in range(3):
        # A loss that was not counted leaves all that follows it late by whole packets; judged against
        # the line, which the longest part of the recording makes, what went before may seem early.
        late = (arrival - start - period * end_of_packet) / (period * unit)
        ahead = ndimage.minimum_filter1d(late, reach, origin=-((reach - 1) // 2), mode="nearest")
        more = np.rint(ahead).astype(int)
        more = np.maximum.accumulate(more - min(0, int(more.min())))
        if not more.any() or (more == more[0]).all():
            break
        more = _at_longest_wait(more, np.diff(arrival, prepend=arrival[0]) / (period * unit))
        end_of_packet = end_of_packet + unit * more
        number = number + np.repeat(unit * more, size)
        number, end_of_packet = number - number[0], end_of_packet - number[0]
        start, period = _early_line(end_of_packet, arrival, period)
    # A loss of which too much was counted leaves all that came before it late, and nothing early; yet of
    # many packets at least one hardly waits.
    late = np.floor((arrival - start - period * end_of_packet) / (period * unit) + _EARLY)
    soon = np.flatnonzero(late < 1)
    head = int(soon[0]) if len(soon) else 0
    if head >= _MANY:
        k = int(first[head])
        latest = number[k] - np.arange(k, 0, -1)
        number[:k] = np.minimum(number[:k] + unit * int(late[:head].min()), latest)
        start, number = start + period * number[0], number - number[0]
    return number, start, period


def _step_in_phase(arrival: Array, count: np.ndarray) -> float:
    """Time per count at which the earliest arrivals are most nearly in step, whatever was lost.

    The phase of an arrival does not change by a loss, so the period is the peak of the spectrum of
    the early arrivals as events (Rayleigh statistic), searched about a robust mean step.
    """
    n = len(arrival)
    # short windows, since a lost burst spoils every window that holds it
    # and not shorter than a radio's connection interval can round away
    mean = (arrival[-1] - arrival[0]) / n
    width = 4 if mean > 0.04 else 16 if mean > 0.02 else 48
    width = min(max(4, round(width * n / (count[-1] + 1))), n - 1)
    steps = np.sort((arrival[width:] - arrival[:-width]) / (count[width:] - count[:-width]))
    guess = float(np.median(steps))
    for _ in range(5):  # the upper tail is losses: judge by what lies as near below as above
        spread = max(guess - steps[int(0.16 * len(steps))], 1e-3 * guess)
        guess = float(np.median(steps[steps < guess + 2 * spread]))
    block = 8 if count[-1] == n - 1 and guess > 0.02 else 16
    blocks = n // block
    if blocks < 8:
        return guess
    cut = arrival[: blocks * block].reshape(blocks, block)
    excess = cut - guess * count[: blocks * block].reshape(blocks, block)
    early = cut[np.arange(blocks), excess.argmin(axis=1)]
    early = early - early[0]
    reach, found = 0.06, guess
    span = min(float(early[-1]), 15.0)
    while True:
        step = 0.2 / span
        beside = round(reach / (found * step))
        first = 1.0 / found - step * beside
        power = _in_step(early[early <= span], first, step, 2 * beside + 1)
        found = 1.0 / (first + step * int(np.argmax(power)))
        if span >= early[-1]:
            return found
        reach, span = 1.5 * found / span, min(float(early[-1]), span * 8)


def _in_step(events: Array, first: float, step: float, count: int) -> Array:
    """|sum exp(2 pi i f t)| over events t (m,), for `count` frequencies f from `first` on, equally spaced.

    Every such turn is that of a coarse grid times that of a fine one, and the sum over events a product of matrices:
    some hundred turns an event are computed instead of thousands.
    """
    fine = max(1, round(np.sqrt(count)))
    coarse = -(-count // fine)
    a = np.exp(2j * np.pi * np.outer(first + step * fine * np.arange(coarse), events))
    b = np.exp(2j * np.pi * step * np.outer(events, np.arange(fine)))
    return np.abs(a @ b).ravel()[:count]


def _early_edge(arrival: Array, duration: float) -> Array:
    """Latest moment, up to whole durations, that no arrival precedes: by stretches of the recording,
    so that a crystal that warms up is followed."""
    n = len(arrival)
    pieces = max(1, min(n // 200, round((arrival[-1] - arrival[0]) / 20.0)))
    bounds = np.linspace(0, n, pieces + 1).astype(int)
    phase, middle = [], []
    for lo, hi in itertools.pairwise(bounds):
        turn = np.exp(2j * np.pi * arrival[lo:hi] / duration)
        # the edge lies where the wrapped phases rise most steeply from none to many
        angle = np.sort(np.angle(turn))
        gaps = np.diff(np.concatenate([angle, [angle[0] + 2 * np.pi]]))
        if gaps.max() > 0.3:
            # where the waits add up to least; the widest gap may lie behind a straggler
            edge = angle[int(np.argmin(2 * np.pi * np.arange(len(angle)) - len(angle) * angle))]
        else:
            histogram, edges = np.histogram(np.angle(turn), bins=48, range=(-np.pi, np.pi))
            smooth = ndimage.uniform_filter1d(histogram.astype(float), 3, mode="wrap")
            rise = np.roll(smooth, -1) - np.roll(smooth, 1)
            edge = edges[int(rise.argmax())]
        phase.append(edge)
        middle.append(float(np.mean(arrival[lo:hi])))
    unwrapped = np.unwrap(phase) * duration / (2 * np.pi)
    return np.interp(arrival, middle, unwrapped)


def _at_longest_wait(lost: np.ndarray, wait: Array) -> np.ndarray:
    """Losses moved to where the wait (in periods) is long enough for them.

    The bound from the packets that follow puts a loss as early as it can be; where the packets before
    it were late themselves, that is too early, and one loss may look like several.
    """
    step = np.diff(lost, prepend=lost[0])
    at = np.flatnonzero(step)
    for group in np.split(at, np.flatnonzero(np.diff(at) > 6) + 1):
        if not len(group):
            continue
        reach = np.arange(int(group[0]), min(int(group[-1]) + 6, len(lost)))
        longest = int(reach[np.argmax(wait[reach])])
        total = int(step[group].sum())
        if wait[longest] > 0.6 + total:
            step[group] = 0
            step[longest] = total
            continue
        for i in group:
            if wait[i] > 0.6 + step[i]:
                continue
            later = np.arange(i, min(i + 6, len(lost)))
            j = int(later[np.argmax(wait[later])])
            if j != i and wait[j] > 0.6 + step[i] + step[j]:
                step[j] += step[i]
                step[i] = 0
    return lost[0] + np.cumsum(step)


def _early_line(number: np.ndarray, arrival: Array, period: float) -> tuple[float, float]:
    """Line along the early edge: through the earliest arrival of every stretch."""
    slope, start = period, float(np.min(arrival - period * number))
    # short stretches: a packet numbered one too high seems early, and in an hour there are hundreds
    pieces = max(8, len(arrival) // 40)
    bounds = np.linspace(0, len(arrival), pieces + 1).astype(int)[:-1]
    piece = np.repeat(np.arange(pieces), np.diff(bounds, append=len(arrival)))
    for _ in range(5):
        residual = arrival - (start + slope * number)
        keep = np.flatnonzero(residual == np.minimum.reduceat(residual, bounds)[piece])
        r = residual[keep]
        keep = keep[np.abs(r - np.median(r)) <= 3 * 1.4826 * np.median(np.abs(r - np.median(r))) + 1e-6]
        if len(keep) < 3:
            break
        slope, start = np.polyfit(number[keep], arrival[keep], 1)
    return float(start), float(slope)


def _clipped(values: Array, full_scale: float | None) -> np.ndarray:
    """Samples at full scale: known from the data sheet, else seen as a value that the extremes of
    an axis repeat exactly."""
    if full_scale is not None:
        with np.errstate(invalid="ignore"):
            return np.abs(values) >= _NOMINAL_CLIP * full_scale
    out = np.zeros(values.shape, bool)
    for axis in range(3):
        v = values[:, axis]
        finite = v[np.isfinite(v)]
        if not len(finite):
            continue
        for extreme in (finite.max(), finite.min()):
            at = v == extreme
            # A true maximum is reached once; a rail is reached again, in neighbouring samples.
            if abs(extreme) > 10 and np.any(at[1:] & at[:-1]) and np.count_nonzero(at) >= 3:
                out[:, axis] |= at
    return out


# --------------------------------------------------------------------------- clocks of the others
@dataclass(frozen=True)
class ClockFit:
    """A sensor's clock against the first sensor's: t_first = t_own + offset_s + drift * t_own."""

    offset_s: float
    drift: float
    anchor: Role | None = None  # the sensor it was placed against
    sd_s: float = 0.0  # of the offset at `middle_s`, against the anchor's clock
    sd_drift: float = 0.0
    middle_s: float = 0.0


def align(sensors: Mapping[Role, Samples]) -> tuple[dict[Role, Samples], dict[Role, ClockFit]]:
    """Puts all sensors on the clock of the first, by the rotation that neighbours share.

    The size of the turn rate finds the offset roughly; then, window by window, the lag at which one
    sensor's rate vector is best explained by a free linear map of the other's (hand and club are one
    body; forearm and hand nearly so), and a line through the lags gives offset and drift. Each rate
    is averaged over the slower sensor's period first, so that both pass the same filter.
    """
    roles = list(sensors)
    first = roles[0]
    fits: dict[Role, ClockFit] = {first: ClockFit(0.0, 0.0)}
    placed: dict[Role, Samples] = {first: sensors[first]}
    # a sensor is best placed against its rigid neighbour, once that neighbour has its place
    order = {"hand": ("club", "forearm"), "club": ("hand", "forearm"), "forearm": ("hand", "club")}
    waiting = [r for r in roles if r != first]
    while waiting:
        role = next((r for r in waiting if order[r][0] in placed), waiting[0])
        waiting.remove(role)
        known: list[Role] = [o for o in order[role] if o in placed]  # type: ignore[misc]
        # one that was off for long tells little of what it did not see
        anchor = next((o for o in known if _shared(placed[o], sensors[role]) > 0.7), known[-1])
        fit = _clock_against(placed[anchor], sensors[role], rigid={role, anchor} == {"hand", "club"})
        fits[role] = fit
        placed[role] = sensors[role].moved(fit.offset_s, fit.drift)
    return {r: placed[r] for r in roles}, fits


class Rates:
    """Turn rate of a sensor as a function of time, averaged over `width_s` so that sensors of unlike
    rate pass the same filter."""

    def __init__(self, samples: Samples, width_s: float = 0.0) -> None:
        known = samples.present & ~samples.clipped_gyro.any(axis=1)
        filled = np.where(known[:, None], samples.gyro, 0.0)
        size = round(width_s / samples.period_s)
        self.start_s, self.period_s = samples.start_s, samples.period_s
        if size > 1:
            weight = ndimage.uniform_filter1d(known.astype(float), size, mode="nearest")
            filled = ndimage.uniform_filter1d(filled, size, axis=0, mode="nearest") / np.maximum(weight, 1e-9)[:, None]
            known = weight > 0.99
            if size % 2 == 0:  # an even window is centred half a sample early
                self.start_s -= 0.5 * samples.period_s
        self.value, self.known = filled, known
        self._step, self._between = np.diff(filled, axis=0), known[1:] & known[:-1]

    def at(self, t_s: Array) -> tuple[Array, np.ndarray]:
        """Rate (m, 3) at times and whether it is known there."""
        if not len(self._step):
            return np.zeros((len(t_s), 3)), np.zeros(len(t_s), bool)
        position = (t_s - self.start_s) / self.period_s
        below = np.clip(position.astype(int), 0, len(self._step) - 1)
        part = position - below
        inside = (position >= 0) & (position <= len(self._step))
        return self.value[below] + np.clip(part, 0, 1)[:, None] * self._step[below], inside & self._between[below]


def _shared(anchor: Samples, other: Samples) -> float:
    """About which share of the longer one's time the two were both on (clocks started within a second
    or so of each other)."""
    whole = max(anchor.end_s - anchor.start_s, other.end_s - other.start_s)
    return (min(anchor.end_s, other.end_s) - max(anchor.start_s, other.start_s)) / max(whole, 1e-9)


_CLOCKS_DIFFER = 5e-5
"""Drift (standard deviation) between two quartz clocks, each within 50 ppm or so."""


def _clock_against(anchor: Samples, other: Samples, *, rigid: bool) -> ClockFit:
    offset = _rough_offset(anchor, other)
    period = max(anchor.period_s, other.period_s)
    shifted = other.moved(offset, 0.0)
    lo, hi = max(anchor.start_s, shifted.start_s), min(anchor.end_s, shifted.end_s)
    if hi - lo < 2.0:
        raise RecordingError(
            f"the {other.role} and {anchor.role} sensors share {max(0.0, hi - lo):.1f} s; record them together"
        )
    length, step = 3.0, 1.5
    a, b = Rates(anchor, period), Rates(shifted, period)
    grid_s = max(min(anchor.period_s, other.period_s), 0.004)
    starts = np.arange(lo + 0.1, max(lo + 0.2, hi - length - 0.1), step)
    # livelier stretches tell more, but those of the whole recording tell the drift
    speed = np.sqrt(ndimage.uniform_filter1d(np.sum(a.value**2, axis=1), max(1, round(length / anchor.period_s))))
    middle = np.clip(np.rint((starts + length / 2 - a.start_s) / a.period_s).astype(int), 0, len(speed) - 1)
    other_speed = np.sqrt(
        ndimage.uniform_filter1d(np.sum(b.value**2, axis=1), max(1, round(length / shifted.period_s)))
    )
    beside = np.clip(np.rint((starts + length / 2 - b.start_s) / b.period_s).astype(int), 0, len(other_speed) - 1)
    # a club that lies still beside a moving hand tells nothing of their clocks
    lively = np.flatnonzero(np.minimum(speed[middle], other_speed[beside]) > 0.15)
    if len(lively) > 150:
        parts = np.array_split(lively, 50)
        lively = np.concatenate([p[np.argsort(-speed[middle[p]])[:3]] for p in parts])
    times, lags, weights = [], [], []
    for s in starts[lively]:
        lag, variance = _lag(a, b, np.arange(s, s + length, grid_s))
        if lag is not None:
            times.append(s + length / 2)
            lags.append(lag)
            weights.append(1.0 / np.sqrt(variance + 1e-8))  # no better than a tenth of a ms
    if len(lags) < 2:
        return ClockFit(offset, 0.0, anchor.role, 0.01, 5e-5, (lo + hi) / 2)
    drift, extra, scatter = _robust_line(np.array(times), np.array(lags), np.array(weights))
    # shifted clock: t_first = t_own + offset, and then t_first += extra + drift * t
    offset += extra + drift * offset
    middle = float(np.mean(times))
    if not rigid:  # a joint between them pulls the lag one way: scatter does not show it
        # nor does a line through the lags of a short recording show the drift better than what clocks are known to
        of_line = (0.002 + scatter / 2) / max(float(np.std(times)), 1.0)
        share = _CLOCKS_DIFFER**2 / (_CLOCKS_DIFFER**2 + of_line**2)
        offset += (1.0 - share) * drift * middle
        sd_drift = max(3e-5, np.sqrt(share) * of_line)
        return ClockFit(offset, share * drift, anchor.role, 0.0004 + scatter / 5, sd_drift, middle)
    sd = 5e-5 + 2 * scatter / np.sqrt(len(times))
    sd_drift = 1e-6 + sd / max(float(np.std(times)), 1.0)
    return ClockFit(offset, drift, anchor.role, sd, min(sd_drift, 5e-5), middle)


def _rough_offset(anchor: Samples, other: Samples) -> float:
    """Lag of the sizes of the turn rates, to 10 ms, by cross-correlation over the whole recording."""
    step = 0.01
    series = []
    for s in (anchor, other):
        t = np.arange(s.start_s, s.end_s, step)
        speed = np.linalg.norm(np.nan_to_num(s.gyro), axis=1)
        # roots keep the swings from drowning all else
        value = np.sqrt(np.interp(t, s.t_s[s.present], speed[s.present]))
        series.append(value - value.mean())
    a, b = series
    correlation = signal.correlate(a, b, mode="full", method="fft")
    lag = (np.arange(len(correlation)) - (len(b) - 1)) * step + anchor.start_s - other.start_s
    # Clocks that were started together are the rule: a far lag must be clearly better.
    near = np.abs(lag) < 0.5
    best = int(np.argmax(correlation))
    if near.any():
        best_near = int(np.flatnonzero(near)[np.argmax(correlation[near])])
        # Motions that the two do not share, as before the first swing, correlate by 0.3 somewhere.
        alike = correlation[best] > 0.5 * np.sqrt((a @ a) * (b @ b))
        if correlation[best_near] > 0.8 * correlation[best] or not alike:
            best = best_near
    return float(lag[best])


def _lag(a: Rates, b: Rates, t: Array) -> tuple[float | None, float]:
    """Lag (s) by which `b` must be moved so that a free linear map of `a` explains it best, and its
    variance; None where it does not settle.

    Gauss-Newton on the lag alone: map and offset are projected out of the rate and of its slope.
    """
    value_a, known_a = a.at(t)
    lag, h = 0.0, 0.002
    for _ in range(6):
        moved, known = b.at(np.concatenate([t - lag, t - lag + h, t - lag - h]))
        (value, ahead, behind), known_b = moved.reshape(3, -1, 3), known.reshape(3, -1).all(axis=0)
        both = known_a & known_b
        count = int(np.count_nonzero(both))
        if count < 60:
            return None, 0.0
        q, _ = np.linalg.qr(np.column_stack([value_a[both], np.ones(count)]))
        y, slope = value[both], (ahead[both] - behind[both]) / (2 * h)
        left = y - q @ (q.T @ y)
        steep = slope - q @ (q.T @ slope)
        power = float(np.sum(steep**2))
        if power < 1e-6:
            return None, 0.0
        # b(t - lag - d) = b - d slope: the move that leaves least
        move = float(np.sum(steep * left)) / power
        lag += float(np.clip(move, -0.02, 0.02))
        if abs(lag) > 0.08:
            return None, 0.0
        if abs(move) < 1e-5:  # a tenth of what a lag is known to
            break
    residual = float(np.sum((left - move * steep) ** 2)) / (3 * count)
    # neighbouring samples err alike: count one in eight
    return lag, 8 * residual / power


def _robust_line(t: Array, y: Array, weight: Array) -> tuple[float, float, float]:
    """Slope, intercept and scatter; the slope held near zero as crystals are (60 ppm).

    It starts from where the lags crowd: those of stretches in which the two did not move together lie
    anywhere, and may be the more.
    """
    middle = np.average(t, weights=weight**2)
    crowd = np.exp(-(((y[:, None] - y[None, :]) / 0.004) ** 2)) @ weight
    slope, level = 0.0, float(y[int(np.argmax(crowd))])
    use = 1.0 / (1.0 + ((y - level) / 0.008) ** 2) ** 2
    for _ in range(10):
        w = weight**2 * use
        r = y - level
        slope = float(np.sum(w * (t - middle) * r) / (np.sum(w * (t - middle) ** 2) + (1.0 / 60e-6) ** 2))
        level = float(np.average(y - slope * (t - middle), weights=w))
        r = y - level - slope * (t - middle)
        scale = max(1.4826 * float(np.median(np.abs(r))), 2e-4)
        use = 1.0 / (1.0 + (r / (2 * scale)) ** 2) ** 2
    return slope, level - slope * middle, float(1.4826 * np.median(np.abs(y - level - slope * (t - middle))))
