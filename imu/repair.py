"""Lost and clipped turn rates rebuilt: from the rigid neighbour where there is one, else by a curve
through what surrounds them, and in either case with how far the guess can be off.

Hand and club turn as one body while the club is gripped, so what one sensor lost the other saw. A
stretch that nothing measured is filled all the same, so that integration can go on, but it is
marked: the joint fit gives it an unknown small turn, and where the guess is wide no angle is
reported.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from scipy import ndimage
from scipy.interpolate import CubicSpline

from imu.calibration import runs
from imu.fit import DEG, Jump
from imu.recording import Array, Role
from imu.timebase import Rates, Samples


@dataclass(frozen=True, eq=False)
class Rigid:
    """How the club's rate follows from the hand's: rate_club = matrix @ rate_hand + offset."""

    matrix: Array  # (3, 3), free: holds both sensors' scales
    offset: Array
    rotation: Array  # (3, 3) the rotation nearest to it, hand sensor to club sensor
    relative_error: float  # rms of what is left, as a share of the rate, where they agree
    agreement: float  # share of the fast instants at which they do


@dataclass(frozen=True, eq=False)
class Repaired:
    sensors: dict[Role, Samples]  # without NaN in `gyro`
    jumps: tuple[Jump, ...]
    guessed: Mapping[Role, list[tuple[float, float, float]]]  # start, end, sd of the turn in rad
    rigid: Rigid | None


def rigid_map(hand: Samples, club: Samples) -> Rigid | None:
    """The map of rates from hand to club over all that moves fast, or None where they never agree."""
    period = max(hand.period_s, club.period_s)
    lo, hi = max(hand.start_s, club.start_s), min(hand.end_s, club.end_s)
    t = np.arange(lo, hi, period)
    a, known_a = Rates(hand, period).at(t)
    b, known_b = Rates(club, period).at(t)
    speed = np.minimum(np.linalg.norm(a, axis=1), np.linalg.norm(b, axis=1))
    use = np.flatnonzero(known_a & known_b & (speed > 1.5))
    if len(use) < 60:
        return None
    if len(use) > 20000:
        use = use[np.argsort(-speed[use])[:20000]]
    a, b, speed = a[use], b[use], speed[use]
    weight = np.ones(len(use))
    rotation = np.eye(3)
    for _ in range(12):
        u, _, vt = np.linalg.svd((b * weight[:, None]).T @ a)
        rotation = u @ np.diag([1, 1, np.linalg.det(u @ vt)]) @ vt
        left = np.linalg.norm(b - a @ rotation.T, axis=1) / (0.04 * speed + 0.1)
        weight = 1.0 / (1.0 + left**2)
    # free map, held near the rotation
    agree = weight > 0.2
    if np.count_nonzero(agree) < 40 or np.mean(agree) < 0.1:
        return None
    x = np.column_stack([a[agree], np.ones(np.count_nonzero(agree))])
    w = (weight[agree] / speed[agree])[:, None]
    hold = np.diag([1e-2] * 3 + [1e-1]) * np.sum(w**2 * speed[agree][:, None] ** 2) * 1e-2
    prior = np.vstack([rotation.T, np.zeros((1, 3))])
    solution = np.linalg.solve((x * w).T @ (x * w) + hold, (x * w).T @ (b[agree] * w) + hold @ prior)
    matrix, offset = solution[:3].T, solution[3]
    left = np.linalg.norm(b[agree] - a[agree] @ matrix.T - offset, axis=1) / speed[agree]
    return Rigid(matrix, offset, rotation, float(np.sqrt(np.mean(left**2))), float(np.mean(agree)))


def held_together(rigid: Rigid, hand: Samples, club: Samples, start_s: float, end_s: float) -> bool:
    """Whether hand and club turned as one body in a stretch, as far as both were seen: a club that is
    twirled, carried or put away moves in the fingers."""
    period = max(hand.period_s, club.period_s)
    t = np.arange(start_s, end_s, period)
    near = start_s - 0.1, end_s + 0.1
    a, known_a = Rates(hand.between(*near), period).at(t)
    b, known_b = Rates(club.between(*near), period).at(t)
    size = np.linalg.norm(b, axis=1)
    use = known_a & known_b & (size > 1.5)
    if np.count_nonzero(use) < 20:
        return True
    left = np.linalg.norm(b[use] - a[use] @ rigid.matrix.T - rigid.offset, axis=1)
    return bool(np.median(left / size[use]) < 0.3)


def repair(sensors: Mapping[Role, Samples]) -> Repaired:
    """Fills what is lost or clipped in every sensor's turn rate.

    First everything that the rigid neighbour saw; then, by curves, what clipped in a sensor while its
    neighbour was lost or clipped too; last what was lost, by the neighbour's rates made whole.
    """
    rigid = rigid_map(sensors["hand"], sensors["club"]) if {"hand", "club"} <= set(sensors) else None
    sensors = _seamless(sensors, alone=[r for r in sensors if rigid is None or r == "forearm"])
    if rigid is not None:
        placed = _packets_in_place(sensors, rigid)
        if any(placed[r] is not sensors[r] for r in placed):
            rigid = rigid_map(placed["hand"], placed["club"])
        sensors = placed
    patients = {r: _Patient(s) for r, s in sensors.items() if (~s.present | s.clipped_gyro.any(axis=1)).any()}
    if rigid is not None:
        for role, patient in patients.items():
            _by_twin(role, patient, sensors, rigid)
    for role, patient in patients.items():
        _by_curve(role, patient, sensors, only_clipped=rigid is not None)
    if rigid is not None:
        for role, patient in patients.items():
            _by_twin(role, patient, sensors, rigid, others=patients)
        for role, patient in patients.items():
            _by_curve(role, patient, sensors)
    out: dict[Role, Samples] = {}
    jumps: list[Jump] = []
    guessed: dict[Role, list[tuple[float, float, float]]] = {}
    for role, samples in sensors.items():
        if role not in patients:
            out[role] = samples
            continue
        guesses = sorted(patients[role].guesses)
        accel = samples.accel.copy()
        holes = ~np.isfinite(accel).all(axis=1)
        if holes.any() and not holes.all():
            k = np.arange(len(accel))
            for axis in range(3):
                accel[holes, axis] = np.interp(k[holes], k[~holes], accel[~holes, axis])
        out[role] = replace(samples, gyro=patients[role].gyro, accel=accel)
        guessed[role] = guesses
        jumps += _merged(role, guesses)
    return Repaired(out, tuple(jumps), guessed, rigid)


def _packets_in_place(sensors: Mapping[Role, Samples], rigid: Rigid) -> dict[Role, Samples]:
    """Moves what was put in the wrong place beside a loss.

    Of stamps on arrival only the sum of what two neighbouring gaps lost is sure; a packet between them
    may stand some samples early or late. Where hand and club move together, the rate of the one says
    where the other's packet belongs.
    """
    out = dict(sensors)
    inverse = np.asarray(np.linalg.inv(rigid.matrix), np.float64)
    pairs: tuple[tuple[Role, Role, Array, Array], ...] = (
        ("club", "hand", rigid.matrix, rigid.offset),
        ("hand", "club", inverse, -inverse @ rigid.offset),
    )
    for role, beside, matrix, offset in pairs:
        if out[role].stamps == "arrival":
            out[role] = _settled(out[role], out[beside], matrix, offset)
    return out


_PACKET_S = 0.4  # longest stretch beside a gap that is tried elsewhere
_WORTH = 25.0  # gain in log-likelihood for which it is moved


def _settled(samples: Samples, twin: Samples, matrix: Array, offset: Array) -> Samples:
    """Each stretch between gaps may have its first samples moved back into the gap before it, or its
    last ones on into the gap after it, by as much as the gap is long."""
    width = max(samples.period_s, twin.period_s)
    rates = Rates(twin, width)
    period = samples.period_s
    reach = max(3, round(_PACKET_S / period))
    usable = samples.present & ~samples.clipped_gyro.any(axis=1)
    smooth, known = Rates(samples, width).at(np.asarray(samples.start_s + period * np.arange(len(samples)), np.float64))
    own = np.where(known[:, None], smooth, samples.gyro)

    seen, there = rates.at(np.asarray(samples.start_s + period * np.arange(len(samples)), np.float64))
    predicted = seen @ matrix.T + offset
    scale = (0.15 + 0.04 * np.linalg.norm(predicted, axis=1)) ** 2

    def misfit(rows: np.ndarray, shift: int) -> Array:
        """How badly each sample fits the twin when put elsewhere, bounded; NaN where nothing tells."""
        to = rows + shift
        error = np.sum((own[rows] - predicted[to]) ** 2, axis=1) / scale[to]
        return np.where(there[to] & usable[rows], np.minimum(error, 9.0), np.nan)

    moves: list[tuple[int, int, int]] = []
    stretches = runs(samples.present, 1)
    free = 0  # first place not taken
    for i, (lo, hi) in enumerate(stretches):
        before = lo - free if i else 0
        after = stretches[i + 1][0] - hi if i + 1 < len(stretches) else 0
        start = lo
        if before:
            rows = np.arange(lo, min(hi, lo + reach))
            here = misfit(rows, 0)
            best = (_WORTH, 0, 0)  # gain, samples, places
            for shift in range(-min(before, reach), 0) if np.nansum(here) > _WORTH else ():
                gain = np.cumsum(np.nan_to_num(here - misfit(rows, shift)))
                if gain.max() > best[0]:  # and the longest that is as good
                    best = (float(gain.max()), int(np.flatnonzero(gain >= 0.95 * gain.max())[-1]) + 1, shift)
            if best[1]:
                start = lo + best[1]
                moves.append((lo, start, best[2]))
        free = hi
        if after and start < hi:
            rows = np.arange(max(start, hi - reach), hi)
            here = misfit(rows, 0)
            best = (_WORTH, 0, 0)
            for shift in range(1, min(after, reach) + 1) if np.nansum(here) > _WORTH else ():
                gain = np.cumsum(np.nan_to_num(here - misfit(rows, shift))[::-1])
                if gain.max() > best[0]:  # and the longest that is as good
                    best = (float(gain.max()), int(np.flatnonzero(gain >= 0.95 * gain.max())[-1]) + 1, shift)
            if best[1]:
                moves.append((hi - best[1], hi, best[2]))
                free = hi + best[2]
    return _moved(samples, moves)


def _moved(samples: Samples, moves: Sequence[tuple[int, int, int]]) -> Samples:
    """Rows [lo, hi) of each move put so many places on; the places they leave are lost ones."""
    if not moves:
        return samples
    present = samples.present.copy()
    fields = {name: getattr(samples, name).copy() for name in ("gyro", "accel", "clipped_gyro", "clipped_accel")}
    for lo, hi, _ in moves:
        present[lo:hi] = False
        fields["gyro"][lo:hi], fields["accel"][lo:hi] = np.nan, np.nan
        fields["clipped_gyro"][lo:hi], fields["clipped_accel"][lo:hi] = False, False
    for lo, hi, shift in moves:
        present[lo + shift : hi + shift] = True
        for name, value in fields.items():
            value[lo + shift : hi + shift] = getattr(samples, name)[lo:hi]
    return replace(samples, present=present, **fields)


_KINK = 0.6
"""rad/s: a step between neighbouring samples from which it may be a loss that nobody counted there."""


def _seamless(sensors: Mapping[Role, Samples], alone: Sequence[Role]) -> dict[Role, Samples]:
    """Moves packets beside a loss to where the rate goes on without a step, of sensors that have no rigid neighbour.

    Packets that the radio held up arrive together, and what was lost among them may have been lost at any of their
    borders. At the right one the rate jumps, as motion does at no other place but a blow, which every sensor feels.
    """
    out = dict(sensors)
    for role in alone:
        if out[role].stamps == "arrival":
            others = [s for r, s in sensors.items() if r != role]
            out[role] = _moved(out[role], _by_seams(out[role], others))
    return out


def _by_seams(samples: Samples, others: Sequence[Samples]) -> list[tuple[int, int, int]]:
    gaps = runs(~samples.present, 1)
    if not gaps:
        return []
    unit = _packet([hi - lo for lo, hi in gaps])
    reach = round(_PACKET_S / samples.period_s)
    step, doubtful = _steps(samples)
    felt = [(other, _steps(other)[1]) for other in others]
    for k in np.flatnonzero(doubtful):  # a blow
        t = samples.start_s + samples.period_s * (k - 0.5)
        doubtful[k] = not any(np.any(jump[o.index(t - 0.012) : o.index(t + 0.012) + 2]) for o, jump in felt)
    moves: list[tuple[int, int, int]] = []
    free = 0
    for i, (lo, hi) in enumerate(gaps):
        end = min(hi + reach, gaps[i + 1][0] if i + 1 < len(gaps) else len(samples))
        start = max(lo - reach, free)
        after = [int(k) for k in np.flatnonzero(doubtful[hi + 3 : end - 2]) + hi + 3]
        before = [int(k) for k in np.flatnonzero(doubtful[start + 3 : lo - 2]) + start + 3]
        free = hi
        for kinks, back in ((_peaks(after, step), True), (_peaks(before, step), False)):
            if kinks and not (lo == 0 or hi == len(samples)):
                found = _spread(samples, lo, hi, kinks, unit, back)
                if found:
                    moves += found
                    doubtful[kinks] = False
                    free = max(hi, max(b + s for _, b, s in found))
                    break
    return moves


def _packet(lost: Sequence[int]) -> int:
    """Samples of a packet, as the sizes of the gaps tell: the largest that divides nearly all."""
    sizes = np.array(lost)
    return max((u for u in range(1, int(sizes.max()) + 1) if np.mean(sizes % u == 0) > 0.85), default=1)


def _peaks(kinks: Sequence[int], step: Array) -> list[int]:
    """One place a step, the largest three."""
    out: list[int] = []
    for k in sorted(kinks, key=lambda k: -step[k]):
        if all(abs(k - other) > 2 for other in out):
            out.append(k)
    return sorted(out[:3])


def _steps(samples: Samples) -> tuple[Array, np.ndarray]:
    """How far each sample (n,) is from going on smoothly from the one before it, in rad/s, and whether that is more
    than is usual around it.

    Third differences: a step of one leaves two of it, smooth motion next to nothing.
    """
    x = samples.gyro
    size = np.zeros(len(x))
    with np.errstate(invalid="ignore"):
        third = x[3:] - 3 * x[2:-1] + 3 * x[1:-2] - x[:-3]
    size[2:-1] = np.nan_to_num(np.linalg.norm(third, axis=1)) / 2
    clipped = samples.clipped_gyro.any(axis=1)
    if clipped.any():
        size[ndimage.binary_dilation(clipped, np.ones(7))] = 0.0
    reach = max(7, round(0.075 / samples.period_s))
    jumps = size > _KINK
    for k in np.flatnonzero(jumps):
        jumps[k] = size[k] > 8 * np.median(size[max(0, k - reach) : k + reach + 1])
    return size, jumps


def _spread(
    samples: Samples, lo: int, hi: int, kinks: Sequence[int], unit: int, back: bool
) -> list[tuple[int, int, int]]:
    """What was lost in [lo, hi) spread over that gap and the steps beside it, so that the rate is smoothest; empty
    where it is best left. `back`: the steps come after the gap, and what lies between moves back."""
    lost = (hi - lo) // unit
    if lost > 12 or lost < 1:
        return []
    seams = [(lo, hi)] + [(k, k) for k in kinks] if back else [(k, k) for k in kinks] + [(lo, hi)]
    home = 0 if back else len(seams) - 1
    best, found = np.inf, None
    for parts in itertools.product(range(lost + 1), repeat=len(seams) - 1):
        rest = lost - sum(parts)
        if rest < 0:
            continue
        shares = (rest, *parts) if back else (*parts, rest)
        rough = sum(_roughness(samples, a, b, unit * n) for (a, b), n in zip(seams, shares, strict=True)) + 0.02 * sum(
            n > 0 for n in shares
        )
        if rough < best:
            best, found = rough, shares
    as_it_is = sum(_roughness(samples, a, b, b - a) for a, b in seams)
    if found is None or found[home] == lost or best > 0.4 * as_it_is or as_it_is - best < 0.5 * _KINK:
        return []
    # where hardly anything moved, a gap may be closed and nobody would see that it was wrong
    slope = 0.25 * (samples.gyro[lo - 1] - samples.gyro[lo - 3] + samples.gyro[hi + 2] - samples.gyro[hi])
    missed = float(np.linalg.norm(slope)) * unit * (lost - found[home])
    if missed < max(_KINK, 5 * _roughness(samples, lo, hi, unit * found[home])):
        return []
    moves, shift = [], -(hi - lo) if back else 0
    for share, (_, begin), (end, _) in zip(found, seams, seams[1:], strict=False):
        shift += unit * share
        if shift:
            moves.append((begin, end, shift))
    return moves


def _roughness(samples: Samples, end: int, begin: int, lost: int) -> float:
    """How far a cubic misses the three samples up to `end` and the three from `begin` on, with so many lost between;
    rad/s."""
    y = np.concatenate([samples.gyro[end - 3 : end], samples.gyro[begin : begin + 3]])
    if len(y) < 6 or not np.isfinite(y).all():
        return 0.0
    x = np.array([-3, -2, -1, lost, lost + 1, lost + 2], float) / (3 + lost)
    q, _ = np.linalg.qr(np.vander(x, 4))
    return float(np.linalg.norm(y - q @ (q.T @ y)))


class _Patient:
    """A sensor's rates while they are mended: which rows still lack an axis, and what was guessed."""

    def __init__(self, samples: Samples) -> None:
        self.samples = samples
        self.gyro = samples.gyro.copy()
        self.need = ~samples.present[:, None] | samples.clipped_gyro
        self.raw: np.ndarray = np.asarray(~self.need.any(axis=1))  # rows measured whole
        self.open: np.ndarray = ~self.raw  # rows still to fill
        self.guesses: list[tuple[float, float, float]] = []

    def stretches(self) -> list[tuple[int, int]]:
        """Open stretches; some samples apart they are one, since nothing is learnt between them."""
        return _joined(runs(self.open, 1), 2)

    def around(self, lo: int, hi: int, known: np.ndarray) -> np.ndarray:
        reach = max(6, min(60, 3 * (hi - lo)))
        rows = np.arange(max(0, lo - reach), min(len(self.gyro), hi + reach))
        return rows[known[rows]]

    def fill(self, rows: np.ndarray, seen: Array, sd: float) -> None:
        """Takes `seen` (m, 3) where an axis is missing; a clipped one was at least at its rail."""
        holes = self.need[rows]
        value = np.where(holes, seen, self.gyro[rows])
        clipped = self.samples.clipped_gyro[rows] & self.samples.present[rows, None]
        rail = np.abs(np.where(clipped, self.samples.gyro[rows], 0.0))
        value = np.where(clipped & (np.abs(value) < rail), np.sign(self.samples.gyro[rows]) * rail, value)
        self.gyro[rows] = value
        self.open[rows] = False
        period, start = self.samples.period_s, self.samples.start_s
        holed = rows[holes.any(axis=1)]
        if len(holed):
            self.guesses.append(
                (float(start + (holed[0] - 0.5) * period), float(start + (holed[-1] + 0.5) * period), float(sd))
            )

    def time(self, rows: np.ndarray) -> Array:
        return np.asarray(self.samples.start_s + self.samples.period_s * rows, np.float64)


def _by_twin(
    role: Role,
    patient: _Patient,
    sensors: Mapping[Role, Samples],
    rigid: Rigid,
    others: Mapping[Role, _Patient] | None = None,
) -> None:
    """Fills what the rigid neighbour saw while both moved together. `others`: the neighbour's rates
    as mended so far count as seen, with their own doubt."""
    if role not in ("hand", "club") or not patient.open.any():
        return
    samples = patient.samples
    beside: Role = "club" if role == "hand" else "hand"
    twin = sensors[beside]
    matrix, offset = rigid.matrix, rigid.offset
    if role == "hand":
        matrix = np.asarray(np.linalg.inv(rigid.matrix), np.float64)
        offset = -matrix @ rigid.offset
    mended = others.get(beside) if others is not None else None
    if others is not None and mended is None:
        return
    rates = Rates(twin)
    for lo, hi in patient.stretches():
        around = patient.around(lo, hi, patient.raw)
        if not len(around) or float(np.sqrt(np.mean(np.sum(patient.gyro[around] ** 2, axis=1)))) < 0.3:
            continue
        rows = np.arange(lo, hi)
        t = patient.time(rows)
        apart = _apart(patient, around[around < lo], around[around >= hi], rates, matrix, offset)
        if apart is None:
            continue
        if mended is not None:
            position = (t - twin.start_s) / twin.period_s
            below = np.clip(np.floor(position).astype(int), 0, len(twin) - 2)
            part = np.clip(position - below, 0, 1)[:, None]
            seen = ((1 - part) * mended.gyro[below] + part * mended.gyro[below + 1]) @ matrix.T + offset
            # of what the neighbour lost as well, its curve knows no more than one here would
            known = ~(mended.open[below] | mended.open[below + 1]) & (twin.present[below] | twin.present[below + 1])
            known &= (position >= 0) & (position <= len(twin) - 1)
        else:
            seen, known = _from_twin(samples, twin, rows, t, matrix, offset, patient.gyro)
        for a, b in runs(known, 1):
            part_rows = rows[a:b]
            holes = patient.need[part_rows]
            turned = float(np.sum(np.linalg.norm(np.where(holes, seen[a:b], 0.0), axis=1))) * samples.period_s
            sd = apart * turned + 0.03 * DEG
            if mended is not None:
                inside = [g[2] for g in mended.guesses if g[1] > t[a] and g[0] < t[b - 1]]
                sd = float(np.hypot(sd, np.linalg.norm(inside))) if inside else sd
            patient.fill(part_rows, seen[a:b], sd)


def _apart(
    patient: _Patient, before: np.ndarray, after: np.ndarray, rates: Rates, matrix: Array, offset: Array
) -> float | None:
    """By what share of their turn the pair differed just before and after: the hundredth that a firm grip gives, more
    where the club was taken otherwise. None where it was not in this hand."""
    shares, lasting = [], [0.01]
    for rows in (before, after):
        va, ka = rates.at(patient.time(rows))
        own = patient.gyro[rows][ka]
        left = own - (va[ka] @ matrix.T + offset)
        size = np.linalg.norm(own, axis=1) + 0.3
        shares.append(np.linalg.norm(left, axis=1) / size)
        if len(own) > 2:  # of a pair that rests on one side of the gap, the other side tells
            # straps that shake after a blow go to and fro: what lasts is the grip
            lasting.append(float(np.linalg.norm(left.sum(axis=0)) / size.sum()))
    share = np.concatenate(shares)
    if len(share) < 4:
        return 0.01
    return max(lasting) if np.quantile(share, 0.9) <= 0.3 and np.median(share) <= 0.1 else None


def _by_curve(role: Role, patient: _Patient, sensors: Mapping[Role, Samples], *, only_clipped: bool = False) -> None:
    """Fills what is open by curves. `only_clipped`: stretches of which the sensor lost no sample."""
    if not patient.open.any():
        return
    samples = patient.samples
    beside = sensors.get("hand", sensors.get("club")) if role == "forearm" else None
    other = Rates(beside) if beside is not None else None
    full_scale = np.nanmax(np.abs(samples.gyro)) if np.isfinite(samples.gyro).any() else 0.0
    for lo, hi in patient.stretches():
        rows = np.arange(lo, hi)
        if only_clipped and role != "forearm" and not samples.present[rows].all():
            continue
        around = patient.around(lo, hi, ~patient.open)
        spread = float(np.mean(np.ptp(patient.gyro[around], axis=0))) if len(around) else 1.0
        length = (hi - lo) * samples.period_s
        # A curve errs by a share of what the rate does around it, more for a longer stretch.
        share = min(0.5, 0.03 + 0.5 * (length / 0.08) ** 2) * (0.5 if other is not None else 1.0)
        sd = share * length * spread + 0.03 * DEG
        if samples.clipped_gyro[rows].any():
            sd += 0.1 * length * full_scale
        patient.fill(rows, _curve(patient, rows, around, other), sd)


def _merged(role: Role, guesses: list[tuple[float, float, float]]) -> list[Jump]:
    """One unknown turn for guesses that follow each other within a tenth of a second; none where the
    guess is surer than the rest of the fit."""
    out: list[Jump] = []
    for _, end, sd in guesses:
        if sd < 0.15 * DEG:
            continue
        if out and end - out[-1].t_s < 0.1:
            out[-1] = Jump(role, end, float(np.hypot(out[-1].sd, sd)))
        else:
            out.append(Jump(role, end, sd))
    return out


def _joined(stretches: list[tuple[int, int]], gap: int) -> list[tuple[int, int]]:
    out: list[tuple[int, int]] = []
    for lo, hi in stretches:
        if out and lo - out[-1][1] <= gap:
            out[-1] = (out[-1][0], hi)
        else:
            out.append((lo, hi))
    return out


def _from_twin(
    samples: Samples, twin: Samples, rows: np.ndarray, t: Array, matrix: Array, offset: Array, gyro: Array
) -> tuple[Array, np.ndarray]:
    """Rates (m, 3) by way of the rigid neighbour and where every missing axis is known.

    Where the neighbour itself clips, its remaining axes and this sensor's make the rate together, as
    long as they span all three directions.
    """
    position = (t - twin.start_s) / twin.period_s
    below = np.clip(np.floor(position).astype(int), 0, len(twin) - 2)
    part = np.clip(position - below, 0, 1)[:, None]
    values = (1 - part) * np.nan_to_num(twin.gyro[below]) + part * np.nan_to_num(twin.gyro[below + 1])
    lost = ~(twin.present[below] & twin.present[below + 1])
    railed = twin.clipped_gyro[below] | twin.clipped_gyro[below + 1]
    known = (~lost) & (~railed.any(axis=1)) & (position >= 0) & (position <= len(twin) - 1)
    seen = values @ matrix.T + offset
    inverse = np.linalg.inv(matrix)
    for i in np.flatnonzero(~known & ~lost):
        own = samples.present[rows[i]] & ~samples.clipped_gyro[rows[i]]
        a = np.vstack([np.eye(3)[own], inverse[~railed[i]]])
        y = np.concatenate([gyro[rows[i]][own], (values[i] + inverse @ offset)[~railed[i]]])
        if len(a) >= 3 and np.linalg.cond(a) < 6:
            seen[i] = np.linalg.lstsq(a, y, rcond=None)[0]
            known[i] = True
    return seen, known


def _curve(patient: _Patient, rows: np.ndarray, around: np.ndarray, other: Rates | None) -> Array:
    """Rates (m, 3) by a cubic through the neighbours, of what a free map of the next sensor leaves."""
    gyro = patient.gyro
    if len(around) < 4:
        filled = gyro[around].mean(axis=0) if len(around) else np.zeros(3)
        return np.broadcast_to(filled, (len(rows), 3)).copy()
    base_around, base_rows = np.zeros((len(around), 3)), np.zeros((len(rows), 3))
    if other is not None:
        va, ka = other.at(patient.time(around))
        vr, kr = other.at(patient.time(rows))
        if ka.all() and kr.all():
            u, _, vt = np.linalg.svd(gyro[around].T @ va)
            turn = u @ np.diag([1, 1, np.linalg.det(u @ vt)]) @ vt
            base_around, base_rows = va @ turn.T, vr @ turn.T
    near = around[np.argsort(np.minimum(np.abs(around - rows[0]), np.abs(around - rows[-1])), kind="stable")[:10]]
    near = np.sort(near)
    pick = np.searchsorted(around, near)
    left = gyro[near] - base_around[pick]
    if rows[0] < near[0] or rows[-1] > near[-1]:  # at an end: hold, do not extrapolate
        edge = left[0] if rows[0] < near[0] else left[-1]
        return base_rows + edge
    return base_rows + _spline(tuple(near - rows[0]), len(rows)) @ left


@lru_cache(maxsize=512)
def _spline(knots: tuple[int, ...], count: int) -> Array:
    """(count, knots) by which values at `knots` make those at 0, 1, … of the cubic through them: packets are lost in
    few sizes, and each size has its weights once."""
    return np.asarray(CubicSpline(knots, np.eye(len(knots)))(np.arange(count)), np.float64)
