"""How the wrist's sensors sit, from the swings alone: for recordings without poses.

A wrist bends about two axes, one fixed in the forearm (flexion), one in the hand (deviation), which
stay at right angles whatever it does. Of two sensors that move long enough, this tells both axes
(joint axes from a kinematic constraint: Laidig, Lehmann, Bégin & Seel 2019, doi:10.1109/EMBC.2019.8857535;
Olsson, Kok, Seel & Halvorsen 2020, doi:10.3390/s20123534). But bends are small, and while they are, any two
axes across the arm stay at right angles nearly as well: with flexion and deviation exchanged or mixed. So
how a golfer stands has its say too: at address the arm hangs and the back of the wrist faces the target, and
the target lies where the elbow points, seen from the hand, once the arm is up (common practice, no source). It
does not tell at which flexion and deviation the wrist is straight: that zero is a guess, and only
changes since address mean anything.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from imu.fit import DEG, Beliefs
from imu.recording import Array

_BACK_TO_TARGET = {"forearm": Beliefs.forearm_palm, "hand": Beliefs.hand_palm}
_TO_THE_THUMB = {"forearm": 8.0 * DEG, "hand": -10.0 * DEG}
"""How far off plumb forearm and hand are at address, to the thumb's side (common practice, no source: the arm reaches
forward a little, and the hands are held low)."""
_TILT = 12.0 * DEG  # standard deviation of that, and of leaning to the palm's side
_PLAY = 5.0 * DEG  # 1.2 deg, were instants 0.02 s apart independent; they are not for 0.4 s
_SLIP = 0.1  # share of the roll that the forearm's skin loses, by and large
_STARTS = 6
_MOST = 8  # motions looked at
_RIVAL = 12.0  # half a chi-square above the best up to which other answers are kept
_ALIKE = 10.0 * DEG


@dataclass(frozen=True, eq=False)
class Motion:
    """A swing, or a part of it, as two sensors saw it: attitudes (n, 3, 3), level, headings free; the integral of the
    forearm's turn rate (n, 3), rad, and the hand's rate (n, 3), rad/s, each in its sensor's axes; which instant is at
    address (None: not in this part), which the top, and how many there are before impact."""

    forearm: Array
    hand: Array
    forearm_turn: Array
    hand_rate: Array
    address: int | None
    top: int
    before: int


@dataclass(frozen=True, eq=False)
class Worn:
    """Segment-to-sensor rotations (3, 3) of forearm and hand; how late the hand's clock is in s; and how unlikely that
    is (half a chi-square)."""

    forearm: Array
    hand: Array
    late_s: float
    cost: float


def palmar(motions: Sequence[Motion]) -> dict[str, Array]:
    """Where the palm's side of forearm and hand looks: a direction (3,) in each sensor's axes, as far as how a golfer
    stands tells it."""
    out = {}
    for name in ("forearm", "hand"):
        seen = []
        for motion in motions:
            if motion.address is None:
                continue
            attitude = getattr(motion, name)
            elbow = attitude @ attitude[motion.address].T[:, 2]  # what is up at address, while the arm hangs
            target = _lifted(elbow[motion.address : motion.top + 1])
            if name == "forearm":  # a hand that has hinged points elsewhere
                down = _lifted(elbow[motion.top : motion.before])
                # whoever takes the club away in a loop comes down from behind all the same
                target = down if target is None or (down is not None and target @ down < 0) else target
            if target is not None:
                seen.append(-attitude[motion.address].T @ target)
        if seen:
            out[name] = _middle(seen)
    return out


def _lifted(up: Array) -> Array | None:
    """Horizontal direction (3,) of what of (n, 3) is most nearly level; None where nothing is."""
    size = np.hypot(up[:, 0], up[:, 1])
    if len(up) < 5 or size.max() < 0.5:
        return None
    k = int(np.argmax(size))
    return np.array([*up[k, :2] / size[k], 0.0])


def _middle(directions: Sequence[Array]) -> Array:
    """The mean of the directions that lie with most of the others."""
    d = np.array(directions)
    away = np.median(np.arccos(np.clip(d @ d.T, -1, 1)), axis=1)
    mean = d[d @ d[int(np.argmin(away))] > 0.5].mean(axis=0)
    return np.asarray(mean / np.linalg.norm(mean))


def wrist_mountings(motions: Sequence[Motion], *, side: int, clock_sd_s: float = 1e-3) -> list[Worn]:
    """Ways in which the sensors may be worn, the likeliest first; none where the motion does not tell.

    side: +1 right lead arm, -1 left. clock_sd_s: how far the two clocks may be apart. Forearm and hand X palmar,
    Y proximal; the zeros are guesses.
    """
    palm = palmar(motions)
    if len(palm) < 2:
        return []
    up = {n: _middle([getattr(m, n)[m.address].T[:, 2] for m in motions if m.address is not None]) for n in palm}
    motions = motions[:: -(-len(motions) // _MOST)]
    stance = _Stance(palm, up, side)
    steps = np.arange(0, 360, 30) * DEG
    frames = {n: [_exp(about * up[n]) @ stance.frame(n) for about in steps] for n in palm}
    starts = []
    for forearm in frames["forearm"]:  # the turn about the arm is what the bends tell least
        tried = []
        for hand in frames["hand"]:
            x = np.concatenate([np.zeros(8), [_heading(m.forearm @ forearm, m.hand @ hand) for m in motions]])
            tried.append((float(np.sum(_unlike_a_wrist(x, forearm, hand, motions, stance, clock_sd_s) ** 2)), hand, x))
        cost, hand, x = min(tried, key=lambda t: t[0])
        starts.append((cost, forearm, hand, x))
    found = []
    for _, forearm, hand, x in sorted(starts, key=lambda start: start[0])[:_STARTS]:
        args = (forearm, hand, motions, stance, clock_sd_s)
        answer = least_squares(_unlike_a_wrist, x, args=args, max_nfev=60)
        x = answer.x
        found.append(Worn(forearm @ _exp(x[:3]), hand @ _exp(x[3:6]), clock_sd_s * float(x[6]), float(answer.cost)))
    found.sort(key=lambda f: f.cost)
    out: list[Worn] = []
    for f in found:
        if f.cost < found[0].cost + _RIVAL and not any(_alike(f, g) for g in out):
            out.append(f)
    return out


def _alike(a: Worn, b: Worn) -> bool:
    pairs = ((a.forearm, b.forearm), (a.hand, b.hand))
    return all(Rotation.from_matrix(x.T @ y).magnitude() < _ALIKE for x, y in pairs)


@dataclass(frozen=True, eq=False)
class _Stance:
    """What the golfer's stance says: of forearm and hand, where the palm's side looks and what is up at address, (3,)
    in each sensor's axes."""

    palm: Mapping[str, Array]
    up: Mapping[str, Array]
    side: int

    def frame(self, name: str) -> Array:
        """Segment to sensor (3, 3) as the stance alone has it."""
        y = self.up[name]
        x = self.palm[name] - (self.palm[name] @ y) * y
        x /= np.linalg.norm(x)
        return np.column_stack([x, y, np.cross(x, y)]) @ _exp([-self.side * _TO_THE_THUMB[name], 0.0, 0.0])

    def residuals(self, name: str, mount: Array) -> Array:
        """(3,) how far from it a mounting (3, 3) is, in standard deviations."""
        palm, up = mount.T @ self.palm[name], mount.T @ self.up[name]
        turned = np.arctan2(-palm[2], palm[0]) / _BACK_TO_TARGET[name]
        leant, reached = np.arctan2(up[0], up[1]), np.arctan2(self.side * up[2], up[1])
        return np.array([turned, leant / _TILT, (reached - _TO_THE_THUMB[name]) / _TILT])


def _unlike_a_wrist(
    x: Array, forearm: Array, hand: Array, motions: Sequence[Motion], stance: _Stance, clock_sd_s: float
) -> Array:
    """Axial turns of the hand over all instants, and what the stance and the clocks say, in standard deviations. `x`:
    turns of the two mountings (3 + 3), the hand's lateness and the skin's slip in standard deviations, and the hand's
    heading in each motion."""
    forearm, hand = forearm @ _exp(x[:3]), hand @ _exp(x[3:6])
    out = [stance.residuals("forearm", forearm), stance.residuals("hand", hand), x[6:8]]
    slip = _SLIP + Beliefs.slip * x[7]
    for motion, turn in zip(motions, x[8:], strict=True):
        flexion_axis = motion.forearm @ forearm[:, 2]
        axis = hand[:, 0] + clock_sd_s * x[6] * np.cross(motion.hand_rate, hand[:, 0])  # where it is so much later
        deviation_axis = np.einsum("nij,nj->ni", motion.hand, axis) @ _exp([0.0, 0.0, turn]).T
        axial = -np.arcsin(np.clip(np.sum(flexion_axis * deviation_axis, axis=1), -1, 1))
        axial = (axial - slip * motion.forearm_turn @ forearm[:, 1]) / _PLAY
        out.append(np.sign(axial) * np.sqrt(np.log1p(axial**2)))  # what is off by much counts little (Cauchy)
    return np.concatenate(out)


def _exp(v: Sequence[float] | Array) -> Array:
    return np.asarray(Rotation.from_rotvec(v).as_matrix())


def _heading(want: Array, have: Array) -> float:
    """The angle about the vertical that brings `have` (n, 3, 3) nearest to `want`."""
    m = np.einsum("nij,nkj->ik", want, have)
    return float(np.arctan2(m[1, 0] - m[0, 1], m[0, 0] + m[1, 1]))
