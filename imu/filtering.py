"""A recording measured with a library's orientation filter in place of the joint fit.

The clocks, the repair of gaps, the gyro bias from rests, the mountings from the poses and the headings
between the sensors are the same as where the joint fit starts; then each sensor's attitude is the
filter's, and angles and events come out of the same functions. What the fit would find out on top
(scale, clock to a tenth of a millisecond, how the poses agree with the motion) stays unknown. A filter
gives no covariance for that, so the uncertainty of its values is what the truth bench showed for the
same angle and event, pose errors included: `filter_errors.toml`, see docs/accuracy.md.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from functools import lru_cache
from importlib.resources import files

import numpy as np
from scipy.spatial.transform import Rotation

from imu import headings
from imu.errors import UsageError
from imu.fit import Problem, Solution, State
from imu.measured import Swing, SwingTrace, Value
from imu.orientation import FILTERS, Track, filtered, increments
from imu.recording import Array, Role
from imu.repair import Rigid

METHODS = ("fit", "strapdown", *FILTERS)
"""How attitudes are found: by the joint fit; by bare integration from rest, where the fit starts; by a
library filter."""

_RUN_UP_S = 10.0  # of the recording around a window, for filters that find their start themselves


def known_method(name: str) -> str:
    if name not in METHODS:
        raise UsageError(f"orientation method {name!r} is not known; use {', '.join(METHODS)}")
    return name


@dataclass(frozen=True, eq=False)
class FilteredSolution(Solution):
    """The state from which the fit starts, with tracks of another making."""

    made: tuple[dict[Role, Track], ...] = ()

    def tracks(self, w: int) -> dict[Role, Track]:
        return self.made[w]


def solve(problem: Problem, method: str, *, rigid: Rigid | None) -> FilteredSolution:
    """The attitudes of every window by a method other than the fit; the lasting unknowns as at its start."""
    start = problem.solve(iterations=0)
    made = []
    for w, window in enumerate(problem.windows):
        tracks = {r: problem.track(start.state, w, r) for r in problem.roles}
        if method != "strapdown":
            tracks = {r: _by_filter(problem, method, r, track, start.state, w) for r, track in tracks.items()}
        turns = headings.turns(tracks, start.state.mount, window, side=problem.side, rigid=rigid)
        made.append({r: replace(track, attitude=turns[r] @ track.attitude) for r, track in tracks.items()})
    return FilteredSolution(**{f.name: getattr(start, f.name) for f in fields(Solution)}, made=tuple(made))


def _by_filter(problem: Problem, method: str, role: Role, track: Track, state: State, w: int) -> Track:
    """The track with the filter's attitudes, from the same rates and the same start."""
    samples = problem.sensors[role]
    lo = samples.index(track.start_s + 0.5 * track.period_s)
    n = len(track.gyro)
    pad = round(_RUN_UP_S / samples.period_s) if "vqf" in method else 0
    a, b = max(0, lo - pad), min(len(samples), lo + n + pad)
    gyro = samples.gyro[a:b] @ (np.eye(3) + state.matrix[role]).T - state.bias[role] - state.bias_change[w][role]
    unbent = np.linalg.inv(np.eye(3) + state.accel_matrix[role])
    accel = (np.nan_to_num(samples.accel[a:b]) - state.accel_bias[role]) @ unbent.T
    step = Rotation.from_rotvec(increments(track.gyro[:8], track.period_s)[0]).as_matrix()
    first = Rotation.from_matrix(track.attitude[0] @ step).as_quat(scalar_first=True)
    q = filtered(method, gyro, accel, track.period_s, first)[lo - a : lo - a + n]
    ends = Rotation.from_quat(q, scalar_first=True).as_matrix()
    return replace(track, attitude=np.concatenate([(ends[0] @ step.T)[None], ends]))


# --------------------------------------------------------------------------------------- uncertainty
@lru_cache(maxsize=1)
def bench_u95() -> Mapping[str, Mapping[str, Mapping[str, Mapping[str, float]]]]:
    """Method -> "through_grip" or "own_hand" -> angle -> event, or change -> events -> 95 % interval
    (half width, deg) that the truth bench showed."""
    return tomllib.loads(files("imu").joinpath("filter_errors.toml").read_text(encoding="utf-8"))


def with_bench_u95(swing: Swing, method: str) -> Swing:
    """The swing with the bench's uncertainty in place of the fit's, and every value marked `filter`."""

    def widened(value: Value, angle: str, event: str) -> Value:
        if value.value_deg is None:
            return value
        wearing = "through_grip" if "via_grip" in value.marks else "own_hand"
        u95 = bench_u95().get(method, {}).get(wearing, {}).get(angle, {}).get(event)
        if u95 is None:
            return Value(None, None, f"how far {method} errs here is not known: the bench has no such values")
        return Value(value.value_deg, u95, value.reason, (*value.marks, "filter"))

    angles = {a: {e: widened(v, a, e) for e, v in per.items()} for a, per in swing.angles.items()}
    changes = {a: {e: widened(v, f"change of {a}", e) for e, v in per.items()} for a, per in swing.changes.items()}
    key = angles.get("wrist_flexion", {}).get("top")
    poor = key is None or key.u95_deg is None or key.u95_deg > 10.0
    said = (f"measured with {method}, not with the joint fit",)
    return replace(
        swing,
        angles=angles,
        changes=changes,
        grade="poor" if poor or swing.grade == "poor" else "fair",
        stances={},  # their covariance is the fit's
        reasons=(*(r for r in swing.reasons if "known to" not in r), *said),
        trace=None if swing.trace is None else _trace(swing, swing.trace, angles),
    )


def _trace(swing: Swing, trace: SwingTrace, angles: Mapping[str, Mapping[str, Value]]) -> SwingTrace:
    u95: dict[str, Array] = {}
    for name, series in trace.angles_deg.items():
        known = [
            (swing.events[e].t_s, v.u95_deg)
            for e, v in angles.get(name, {}).items()
            if v.u95_deg is not None and swing.events[e].t_s is not None
        ]
        nothing = np.full(len(series), np.nan)
        u95[name] = np.interp(trace.t_s, *np.array(sorted(known), float).T) if known else nothing
    return replace(trace, u95_deg=u95)
