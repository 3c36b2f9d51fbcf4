"""Orientation of one sensor from its turn rate: strapdown integration, and library filters beside it.

Rotation matrices `R` turn sensor coordinates into the coordinates of a level frame (z up, heading
free). Integration takes samples as means over their period, as sensors deliver them after their
low-pass, and adds the coning term that the change of axis within a sample brings.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from imu.recording import GRAVITY, Array

FILTERS = ("madgwick", "mahony", "ekf", "vqf", "offline_vqf")
"""Library filters that `filtered` knows by name; `strapdown` and the joint fit are our own."""


def increments(gyro: Array, period_s: float) -> Array:
    """Rotation vector (n, 3) of each sample period, from mean rates (n, 3) in rad/s.

    theta_k + theta_k x (theta_k+1 - theta_k-1) / 24: the second term of the Magnus expansion for a
    rate that varies linearly over the sample (coning; Savage 1998, J Guid Control Dyn 21:19-28).
    """
    theta = np.asarray(gyro, float) * period_s
    change = np.empty_like(theta)
    change[1:-1] = theta[2:] - theta[:-2]
    change[0] = change[-1] = 0.0
    return theta + np.cross(theta, change) / 24.0


def chain(steps: Array) -> Array:
    """Running product (n + 1, 3, 3) of rotation matrices (n, 3, 3), from the identity.

    Done in blocks of about sqrt(n), so that the loop is short and each step works on whole arrays.
    """
    n = len(steps)
    if not n:
        return np.eye(3)[None]
    size = max(1, int(np.sqrt(n)))
    blocks = -(-n // size)
    padded = np.broadcast_to(np.eye(3), (blocks * size, 3, 3)).copy()
    padded[:n] = steps
    padded = padded.reshape(blocks, size, 3, 3)
    inner = np.empty((blocks, size + 1, 3, 3))
    inner[:, 0] = np.eye(3)
    for j in range(size):
        inner[:, j + 1] = inner[:, j] @ padded[:, j]
    head = np.empty((blocks, 1, 3, 3))
    head[0, 0] = np.eye(3)
    for i in range(1, blocks):
        head[i, 0] = head[i - 1, 0] @ inner[i - 1, size]
    whole = (head @ inner[:, :size]).reshape(-1, 3, 3)[:n]
    last = head[-1, 0] @ inner[-1, (n - 1) % size + 1]
    return np.concatenate([whole, last[None]])


def strapdown(gyro: Array, period_s: float) -> Array:
    """Attitude (n + 1, 3, 3) at the borders of n samples, relative to the first border."""
    return chain(Rotation.from_rotvec(increments(gyro, period_s)).as_matrix())


def tilt(up: Array) -> Array:
    """The smallest rotation (3, 3) that turns the sensor-frame direction `up` (3,) to level z."""
    z = np.asarray(up, float) / np.linalg.norm(up)
    axis = np.cross(z, [0.0, 0.0, 1.0])
    sine, cosine = np.linalg.norm(axis), z[2]
    if sine < 1e-12:
        return np.eye(3) if cosine > 0 else np.diag([1.0, -1.0, -1.0])
    return Rotation.from_rotvec(axis / sine * np.arctan2(sine, cosine)).as_matrix()


@dataclass(frozen=True, eq=False)
class Track:
    """Attitude of one sensor through a window, with what it depends on.

    Border k lies at `start_s + k * period_s`, between sample k - 1 and sample k. `attitude` turns
    sensor coordinates into those of the window's level frame; `smooth` is the same as integrated,
    without turns that were put in afterwards.
    """

    start_s: float
    period_s: float
    gyro: Array  # (n, 3) corrected rates
    raw: Array  # (n, 3) rates as read
    attitude: Array  # (n + 1, 3, 3)
    smooth: Array  # (n + 1, 3, 3)

    @property
    def end_s(self) -> float:
        return self.start_s + self.period_s * len(self.gyro)

    @property
    def borders_s(self) -> Array:
        return np.asarray(self.start_s + self.period_s * np.arange(len(self.gyro) + 1), np.float64)

    @classmethod
    def of(cls, gyro: Array, start_s: float, period_s: float, *, bias: Array, matrix: Array, first: Array) -> Track:
        """From rates as read (n, 3): the corrected rate is (I + matrix) rate - bias."""
        corrected = gyro @ (np.eye(3) + matrix).T - bias
        attitude = first @ strapdown(corrected, period_s)
        return cls(start_s, period_s, corrected, gyro, attitude, attitude)

    def _place(self, t_s: Array) -> tuple[np.ndarray, Array]:
        position = (np.asarray(t_s, float) - self.start_s) / self.period_s
        k = np.clip(np.floor(position).astype(int), 0, len(self.gyro) - 1)
        return k, position - k

    def rate(self, t_s: Array) -> Array:
        """Corrected rate (m, 3) at times (m,), by the parabola through the sample means."""
        k, u = self._place(t_s)
        now, slope, bend = self._parabola(k)
        v = (np.clip(u, 0, 1) - 0.5)[:, None]
        return now + slope * v + bend * (v**2 - 1.0 / 12.0)

    def quickening(self, t_s: Array) -> Array:
        """Change (m, 3) of the rate, rad/s^2, by the same parabola."""
        k, u = self._place(t_s)
        _, slope, bend = self._parabola(k)
        return (slope + 2 * bend * (np.clip(u, 0, 1) - 0.5)[:, None]) / self.period_s

    def _parabola(self, k: np.ndarray) -> tuple[Array, Array, Array]:
        """Mean, slope and bend such that the means over three neighbouring samples are met."""
        last = len(self.gyro) - 1
        before, now, after = self.gyro[np.maximum(k - 1, 0)], self.gyro[k], self.gyro[np.minimum(k + 1, last)]
        return now, 0.5 * (after - before), 0.5 * (after - 2 * now + before)

    def at(self, t_s: Array) -> Array:
        """Attitude (m, 3, 3) at times (m,)."""
        k, u = self._place(t_s)
        now, slope, bend = self._parabola(k)
        v = (np.clip(u, 0, 1) - 0.5)[:, None]
        part = now * (v + 0.5) + slope * (v**2 - 0.25) / 2 + bend * ((v**3 + 0.125) / 3 - (v + 0.5) / 12.0)
        return self.attitude[k] @ Rotation.from_rotvec(part * self.period_s).as_matrix()

    def just_before(self, t_s: float, shock_s: float) -> Array:
        """Attitude (3, 3) at `t_s` <= `shock_s`, from samples that ended before the shock only: the
        sample that holds the shock mixes the rates of both sides."""
        k = int(np.clip(np.floor((shock_s - self.start_s) / self.period_s), 0, len(self.gyro)))
        k = min(k, int(np.floor((t_s - self.start_s) / self.period_s)) + 1)
        if k < 4 or t_s < self.start_s + k * self.period_s:
            return self.at(np.array([t_s]))[0]
        # mean rates of the last samples -> parabola -> integral over the rest
        a, b, c = self.gyro[k - 3], self.gyro[k - 2], self.gyro[k - 1]
        bend = 0.5 * (c - 2 * b + a)
        slope = 0.5 * (c - a) + bend  # at the centre of the last sample
        u = (t_s - self.start_s) / self.period_s - k
        # integral from v = 1/2 to 1/2 + u of c + slope v + bend (v^2 - 1/12)
        hi, lo = 0.5 + u, 0.5
        turn = c * u + slope * (hi**2 - lo**2) / 2 + bend * ((hi**3 - lo**3) / 3 - u / 12.0)
        return self.attitude[k] @ Rotation.from_rotvec(turn * self.period_s).as_matrix()

    def sensitivities(self, t_s: Array) -> tuple[Array, Array]:
        """The first-order change of the attitude (a left rotation vector) at times (m,): `by_bias` (m, 3, 3), the
        integral of the attitude over time, and `by_matrix` (m, 3, 3, 3), that of attitude times rate. A change of
        bias turns it by -by_bias @ db, one of the rate matrix by sum_jk by_matrix[:, j, k] dM[j, k].
        """
        k, u = self._place(t_s)
        # integrated between the borders asked for only: far fewer than there are samples
        begins, back = np.unique(np.append(0, k), return_inverse=True)
        n = int(begins[-1]) + 1
        middle = 0.5 * (self.smooth[:n] + self.smooth[1 : n + 1]) * self.period_s
        factors = np.column_stack([np.ones(n), self.raw[:n]])
        pieces = (middle[:, :, :, None] * factors[:, None, None, :]).reshape(n, 36)
        before = np.zeros((len(begins), 36))
        np.cumsum(np.add.reduceat(pieces, begins, axis=0)[:-1], axis=0, out=before[1:])
        whole = (before[back[1:]] + np.clip(u, 0, 1)[:, None] * pieces[k]).reshape(-1, 3, 3, 4)
        return whole[..., 0], whole[..., 1:]


def filtered(name: str, gyro: Array, accel: Array, period_s: float, first: Array | None = None) -> Array:
    """Attitude quaternions (n, 4), scalar first, sensor to level frame, at the end of each sample, by a
    library filter without a magnetometer.

    `madgwick`, `mahony`, `ekf` are those of `ahrs`, `vqf` and `offline_vqf` (forwards and backwards
    over the whole) those of `vqf`; gains are the libraries' own, but for Mahony's integral. `gyro`,
    `accel`: (n, 3) in rad/s and m/s^2, +g up at rest. `first`: quaternion (4,) to start from; the
    `vqf` ones take none, and find theirs from the first seconds.
    """
    gyro = np.ascontiguousarray(gyro, float)
    accel = np.ascontiguousarray(accel, float)
    if name not in FILTERS:
        raise ValueError(f"no orientation filter {name!r}; known: {', '.join(FILTERS)}")
    if name == "vqf":
        from vqf import VQF

        return np.asarray(VQF(period_s).updateBatch(gyro, accel)["quat6D"])
    if name == "offline_vqf":
        from vqf import offlineVQF

        return np.asarray(offlineVQF(gyro, accel, None, period_s)["quat6D"])
    import ahrs

    more: dict[str, object] = {"q0": first}
    if name == "ekf":
        more["frame"] = "NED"  # to this filter: the frame in which an accelerometer at rest reads +z
    if name == "mahony":
        # The bias comes from rests. The default integral (0.3) takes swings for bias: on a minute of real
        # motion with optical truth it turned the heading by 26 deg, without it by 1 deg (docs/accuracy.md).
        more["k_I"] = 1e-9
    filters = {"madgwick": ahrs.filters.Madgwick, "mahony": ahrs.filters.Mahony, "ekf": ahrs.filters.EKF}
    return np.asarray(filters[name](gyr=gyro, acc=accel, frequency=1.0 / period_s, **more).Q)


def level_start(accel: Array) -> Array:
    """Attitude (3, 3), heading free, of a sensor at rest that reads `accel` (n, 3) or (3,)."""
    mean = np.asarray(accel, float).reshape(-1, 3).mean(axis=0)
    if not 0.3 * GRAVITY < np.linalg.norm(mean) < 3 * GRAVITY:
        raise ValueError("accelerometer does not read gravity")
    return tilt(mean)
