"""What stands still and what is posed: rests, gyro bias, poses, and how the sensors are strapped on.

Here the first guess of every mounting is made, from the gravity that each pose shows; the joint fit
(`imu.fit`) refines it with all that moved. Poses that the manifest does not mark are looked for.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy import ndimage

from imu.fit import DEG, Axis, Hold, Rest
from imu.orientation import level_start
from imu.recording import GRAVITY, Array, Pose, Role
from imu.timebase import Samples

STILL_RATE = 4.0 * DEG
STILL_ACCEL = 0.35  # m/s^2
MOST_SHAKE = 1.6  # m/s^2 that a sensor may always shake by, a tremor of half a millimetre, and yet rest
SLOW_RATE = 40.0 * DEG
SLOW_ACCEL = 0.8
REST_ACCEL_SD = 0.05  # m/s^2: sway that passes for still
REST_TURN = 0.5 * DEG  # turn that a still body may make within a rest
SLOW_ACCEL_SD = 0.4
_SPAN = 0.24  # s over which stillness is judged
_LEAST_STILL_S = 2.0  # of a recording, before more shaking is let pass


@dataclass(frozen=True, eq=False)
class Quiet:
    """Stillness of one sensor, sample by sample."""

    bias: Array  # (3,) rad/s
    rate: Array  # (n,) rms turn rate about the sample, bias removed
    accel_sd: Array  # (n,) scatter of the specific force about the sample
    still: np.ndarray  # (n,) bool
    slow: np.ndarray  # (n,) bool
    shake: float = STILL_ACCEL  # m/s^2: scatter of the specific force up to which it passes for still


def quiet(samples: Samples) -> Quiet:
    """Judges stillness and finds the gyro bias from it.

    The quietest moments of the recording give the bias; moments that are still by it give it again.
    """
    size = max(3, round(_SPAN / samples.period_s)) | 1
    gyro, accel = samples.gyro, samples.accel
    mean = ndimage.uniform_filter1d(gyro, size, axis=0, mode="nearest")
    gyro_var = np.maximum(ndimage.uniform_filter1d(gyro**2, size, axis=0, mode="nearest") - mean**2, 0).sum(axis=1)
    level = ndimage.uniform_filter1d(accel, size, axis=0, mode="nearest")
    accel_var = np.maximum(ndimage.uniform_filter1d(accel**2, size, axis=0, mode="nearest") - level**2, 0).sum(axis=1)
    accel_sd = np.sqrt(accel_var)
    calm = np.linalg.norm(mean, axis=1) < 12 * DEG
    shake = STILL_ACCEL
    if np.count_nonzero(calm & (accel_sd < shake)) * samples.period_s < _LEAST_STILL_S and calm.any():
        # who always trembles by half a millimetre is still in between, only its accelerometer is not
        gentle = calm & (gyro_var < STILL_RATE**2)
        if gentle.any():
            shake = float(np.clip(1.3 * np.percentile(accel_sd[gentle], 50), STILL_ACCEL, MOST_SHAKE))
    plausible = calm & (accel_sd < shake)
    bias = np.zeros(3)
    if np.count_nonzero(plausible) > size:
        quietest = plausible & (gyro_var <= np.percentile(gyro_var[plausible], 30))
        bias = np.median(mean[quietest], axis=0)
    for _ in range(2):
        rate = np.sqrt(gyro_var + np.sum((mean - bias) ** 2, axis=1))
        still = (rate < STILL_RATE) & (accel_sd < shake)
        if np.count_nonzero(still) > 2 * size:
            bias = np.median(mean[still], axis=0)
    slow = (rate < SLOW_RATE) & (accel_sd < max(SLOW_ACCEL, 1.2 * shake))
    return Quiet(bias, rate, accel_sd, still, slow, shake)


def runs(mask: np.ndarray, shortest: int) -> list[tuple[int, int]]:
    """Stretches [lo, hi) of True of at least the given length."""
    edge = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    return [(int(lo), int(hi)) for lo, hi in edge.reshape(-1, 2) if hi - lo >= shortest]


def rests(samples: Samples, state: Quiet, start_s: float, end_s: float) -> list[Rest]:
    """Rests of a sensor in a stretch: still ones in pieces up to 1 s, and slow ones of 0.2 s whose
    accelerometer still reads gravity, if roughly."""
    lo, hi = samples.index(start_s), samples.index(end_s) + 1
    out = []
    trim = round(0.5 * _SPAN / samples.period_s)
    noise = 0.02
    # of what is more than sway, the mean over a rest keeps a tenth
    still_sd = REST_ACCEL_SD if state.shake <= STILL_ACCEL else float(np.hypot(REST_ACCEL_SD, 0.1 * state.shake))

    def piece(a: int, b: int, accel_sd: float, turn: float | None) -> None:
        part = samples.present[a:b] & ~samples.clipped_accel[a:b].any(axis=1)
        if np.count_nonzero(part) < 0.5 * (b - a):
            return
        length = (b - a) * samples.period_s
        out.append(
            Rest(
                samples.role,
                samples.start_s + samples.period_s * (a + b - 1) / 2,
                length,
                samples.accel[a:b][part].mean(axis=0),
                samples.gyro[a:b][part].mean(axis=0),
                float(np.hypot(accel_sd, noise)),
                None if turn is None else turn / length,
            )
        )

    used = np.zeros(hi - lo, bool)
    for a, b in runs(state.still[lo:hi], max(3, trim)):
        used[max(0, a - trim) : b + trim] = True
        count = max(1, round((b - a) * samples.period_s / 1.0))
        for c in range(count):
            i, j = a + (b - a) * c // count, a + (b - a) * (c + 1) // count
            piece(lo + i, lo + j, still_sd, REST_TURN)
    width = max(4, round(0.2 / samples.period_s))
    for a, b in runs(state.slow[lo:hi] & ~used, width):
        for i in range(a, b - width + 1, width):
            piece(lo + i, lo + i + width, SLOW_ACCEL_SD, None)
    return out


# ----------------------------------------------------------------------------------------- poses
def held(
    poses: Sequence[Pose], sensors: Mapping[Role, Samples], calm: Mapping[Role, Quiet]
) -> tuple[list[Hold], list[str]]:
    """The poses as readings of gravity, and what is doubtful about them.

    Of each pose the stillest part counts (at least 0.3 s); a pose in which a needed sensor never
    came to rest widens its belief and is said.
    """
    needs: dict[str, tuple[Role, ...]] = {
        "hang": ("forearm", "hand"),
        "handshake": ("forearm", "hand"),
        "grip_flat": ("forearm", "hand", "club"),
        "club_square": ("club",),
        "club_hang": ("club",),
    }
    holds, doubts = [], []
    for pose in poses:
        roles = [r for r in needs[pose.name] if r in sensors]
        if not roles:
            continue
        lead = sensors[roles[0]]
        step = 0.02
        grid = np.arange(pose.start_s, pose.end_s + step / 2, step)
        grid = grid[(grid > lead.start_s) & (grid < lead.end_s)]
        if len(grid) < 10:
            doubts.append(f"pose {pose.name} at {pose.start_s:.1f} s lies outside the recording; it is left out")
            continue
        unrest = np.zeros(len(grid))
        for r in roles:
            i = np.clip(np.rint((grid - sensors[r].start_s) / sensors[r].period_s).astype(int), 0, len(sensors[r]) - 1)
            unrest = np.maximum(
                unrest,
                np.maximum(np.nan_to_num(calm[r].rate[i], nan=9.9) / STILL_RATE, calm[r].accel_sd[i] / calm[r].shake),
            )
        still = runs(unrest < 1.0, 15)
        sd = 1.0
        if still:
            a, b = max(still, key=lambda s: s[1] - s[0])
        else:
            smooth = ndimage.uniform_filter1d(unrest, 15)
            a = int(np.clip(np.argmin(smooth) - 7, 0, len(grid) - 10))
            b = min(a + 15, len(grid))
            sd = 2.0
            doubts.append(f"pose {pose.name} at {pose.start_s:.1f} s was not held still; hold it 2 s without moving")
        lo, hi = grid[a], grid[b - 1]
        accel = {}
        for r, s in sensors.items():
            part = slice(s.index(lo), s.index(hi) + 1)
            ok = s.present[part]
            if np.count_nonzero(ok) >= 3:
                accel[r] = s.accel[part][ok].mean(axis=0)
        holds.append(Hold(pose.name, float((lo + hi) / 2), accel, sd))
    return holds, doubts


def find_poses(sensors: Mapping[Role, Samples], calm: Mapping[Role, Quiet], until_s: float) -> list[Pose]:
    """Hang and handshakes of a recording whose manifest marks none, found from the motion.

    The slow forearm rolls show the forearm's long axis; of the still moments before them, the arm
    hangs where gravity lies along it, and the last ones with the forearm level are handshakes. Without
    rolls nothing is found: a still moment alone does not say which pose it was.
    """
    if "forearm" not in sensors:
        return []
    s, c = sensors["forearm"], calm["forearm"]
    turning = rolls(s, c, s.start_s, until_s, None)
    # several turns about one axis in a row: a single move from pose to pose also has an axis
    alike = [
        [b for b in turning if abs(a.direction @ b.direction) > np.cos(12 * DEG) and abs(a.t_s - b.t_s) < 12.0]
        for a in turning
    ]
    turning = max(alike, key=len, default=[])
    if len(turning) < 3:
        return []
    axis = np.linalg.svd(np.array([a.direction for a in turning]))[2][0]
    begin = min(a.t_s for a in turning)
    other: list[Role] = ["hand"] if "hand" in sensors else []
    still = c.still.copy()
    for r in other:
        at = np.clip(np.rint((s.t_s - sensors[r].start_s) / sensors[r].period_s).astype(int), 0, len(sensors[r]) - 1)
        still &= calm[r].still[at]
    hangs, shakes = [], []
    for lo, hi in runs(still, max(3, round(0.8 / s.period_s))):
        t0, t1 = s.start_s + lo * s.period_s, s.start_s + hi * s.period_s
        if t1 > begin:
            break
        up = np.nanmean(s.accel[lo:hi], axis=0)
        along = abs(up @ axis) / np.linalg.norm(up)
        if along > np.cos(15 * DEG):
            hangs.append(Pose("hang", t0, t1))
        elif along < np.sin(15 * DEG):
            shakes.append(Pose("handshake", t0, t1))
    if not hangs or not shakes:
        return []
    return [hangs[-1], *[p for p in shakes if p.start_s > hangs[-1].start_s][-2:]]


def stretches(holds: Sequence[Hold]) -> list[tuple[float, float]]:
    """Stretches of calibration: poses that follow each other within 40 s."""
    out: list[tuple[float, float]] = []
    for h in sorted(holds, key=lambda h: h.t_s):
        if out and h.t_s - out[-1][1] < 40.0:
            out[-1] = (out[-1][0], h.t_s + 1.5)
        else:
            out.append((h.t_s - 2.0, h.t_s + 1.5))
    return out


@dataclass(frozen=True, eq=False)
class Mounting:
    """First guess of segment -> sensor rotations, and what could not be told."""

    mount: Mapping[str, Array]
    missing: Mapping[str, str] = field(default_factory=dict)  # segment or "face" -> reason


def frame(first: Array, first_axis: int, second: Array, second_axis: int) -> Array:
    """Rotation (3, 3) whose column `first_axis` is `first`, column `second_axis` as near to `second`
    as a right angle allows."""
    a = first / np.linalg.norm(first)
    b = second - (second @ a) * a
    b /= np.linalg.norm(b)
    m = np.empty((3, 3))
    m[:, first_axis], m[:, second_axis] = a, b
    third = 3 - first_axis - second_axis
    # columns in cyclic order: x = y x z, y = z x x, z = x x y
    m[:, third] = np.cross(m[:, (third + 1) % 3], m[:, (third + 2) % 3])
    return m


def mounting(
    sensors: Mapping[Role, Samples], holds: Sequence[Hold], *, side: int, rolls: Sequence[Array] = ()
) -> Mounting:
    """Segment -> sensor rotations from the gravity that the poses show.

    side: +1 for a right lead arm, -1 for a left one. `rolls`: axes (forearm sensor) of slow forearm
    rolls, which stand in for a missing hang.
    """

    def up(role: Role, *names: str) -> Array | None:
        seen = [h.accel[role] / np.linalg.norm(h.accel[role]) for h in holds if h.name in names and role in h.accel]
        return np.mean(seen, axis=0) if seen else None

    mount: dict[str, Array] = {}
    missing: dict[str, str] = {}
    wearer: dict[str, Role] = {"forearm": "forearm"}
    flat: dict[str, tuple[str, ...]] = {"forearm": ("handshake", "grip_flat")}
    if "hand" in sensors:
        wearer["hand"], flat["hand"] = "hand", ("handshake", "grip_flat")
    for segment, role in wearer.items():
        if role not in sensors:
            continue
        along, thumb = up(role, "hang"), up(role, *flat[segment])
        if along is None and segment == "forearm" and len(rolls):
            along = np.mean(rolls, axis=0)
        if thumb is None or along is None:
            missing[segment] = "no handshake or grip_flat pose" if thumb is None else "no hang pose"
            continue
        # Thumb up: z is radial on a right arm, ulnar on a left one. Gravity of the handshake first.
        mount[segment] = frame(side * thumb, 2, along, 1)
    if "club" in sensors:
        down, square = up("club", "club_hang"), up("club", "club_square")
        if down is None:
            missing["club"] = "no club_hang pose"
        else:
            s = -down
            if square is None:
                missing["face"] = "no club_square pose"
                other = np.eye(3)[int(np.argmin(np.abs(s)))]
                mount["club"] = frame(s, 0, other, 1)
            else:
                # n is level and square to the shaft: z x s for a right-handed golfer (side -1)
                mount["club"] = frame(s, 0, -side * np.cross(square, s), 1)
    return Mounting(mount, missing)


def rolls(forearm: Samples, calm: Quiet, start_s: float, end_s: float, long_axis: Array | None) -> list[Axis]:
    """Slow forearm rolls in a stretch: turning to and fro about one axis of the sensor.

    `long_axis` (sensor coordinates), where known, tells rolls from the swing of an arm while walking.
    """
    lo, hi = forearm.index(start_s), forearm.index(end_s)
    moving = calm.rate[lo:hi] > 15 * DEG
    size = max(3, round(0.5 / forearm.period_s))
    moving = ndimage.binary_closing(moving, np.ones(size))
    out = []
    for a, b in runs(np.asarray(moving), round(1.0 / forearm.period_s)):
        rate = forearm.gyro[lo + a : lo + b] - calm.bias
        rate = rate[np.isfinite(rate).all(axis=1)]
        # Split long stretches, since rolls may run into bends without a rest between.
        width = round(2.0 / forearm.period_s)
        for i in range(0, max(1, len(rate) - width // 2), width):
            part = rate[i : i + width]
            path = np.sum(np.linalg.norm(part, axis=1)) * forearm.period_s
            if len(part) < width // 2 or path < 60 * DEG or np.max(np.linalg.norm(part, axis=1)) > 450 * DEG:
                continue
            value, vector = np.linalg.eigh(part.T @ part)
            axis = vector[:, 2]
            if value[2] / value.sum() < 0.95:
                continue
            if abs(np.sum(part @ axis)) * forearm.period_s > 0.75 * path + 30 * DEG:
                continue
            if long_axis is not None:
                axis = axis * np.sign(axis @ long_axis)
                if axis @ long_axis < np.cos(25 * DEG):
                    continue
            t = forearm.start_s + (lo + a + i + len(part) / 2) * forearm.period_s
            out.append(Axis("roll", float(t), "forearm", axis, 2.0 * DEG * np.sqrt(3)))
    return out


def level(samples: Samples, calm: Quiet, start_s: float, end_s: float) -> tuple[Array, float]:
    """Attitude (3, 3), heading free, at the stillest moment of a stretch, and that moment."""
    lo, hi = samples.index(start_s), max(samples.index(end_s), samples.index(start_s) + 2)
    score = calm.rate[lo:hi] / STILL_RATE + calm.accel_sd[lo:hi] / calm.shake
    score = np.where(samples.present[lo:hi] & np.isfinite(score), score, np.inf)
    k = lo + int(np.argmin(score))
    half = round(0.5 * _SPAN / samples.period_s)
    part = samples.accel[max(0, k - half) : k + half + 1]
    part = part[np.isfinite(part).all(axis=1)]
    if not len(part):
        part = np.array([[0.0, 0.0, GRAVITY]])
    return level_start(part), samples.start_s + samples.period_s * k
