"""The joint fit's inside: derivatives against finite differences, and what is moved to first order against what is
integrated anew. Motion, mountings and gaps are drawn from a seed; the differences need no truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from imu.fit import DEG, Beliefs, Hold, Jump, Problem, Rest, State, Window
from imu.recording import Role
from imu.timebase import ClockFit, Samples

ROLES: tuple[Role, ...] = ("forearm", "hand", "club")


def _samples(role: Role, rate_hz: float, worn: np.ndarray, rng: np.random.Generator) -> Samples:
    """Six seconds of one body's motion, to and fro at up to some 500 deg/s, felt by a sensor that is `worn` so."""
    n = round(6 * rate_hz)
    t = np.arange(n)[:, None] / rate_hz
    waves = [
        np.array(a) * np.sin(2 * np.pi * f * t + p) for f, a, p in ((0.3, (3, -2, 4), 0.1), (1.1, (-2, 4, 1), 2.0))
    ]
    no = np.zeros((n, 3), bool)
    gyro, accel = np.sum(waves, axis=0) @ worn, rng.normal(0, 1, (n, 3))
    return Samples(role, 0.0, 1 / rate_hz, gyro, accel, ~no[:, 0], no, no, "device", 0.0, 0.0, 1 / rate_hz)  # type: ignore[arg-type]


def _turn(rng: np.random.Generator) -> np.ndarray:
    return np.asarray(Rotation.random(rng=rng).as_matrix())


@pytest.fixture(scope="module")
def problem() -> Problem:
    """One window with rests, a flat grip, the wrist and the grip watched, and gaps in two sensors."""
    rng = np.random.default_rng(11)
    worn = {r: _turn(rng) for r in ROLES}
    sensors = {r: _samples(r, hz, worn[r], rng) for r, hz in zip(ROLES, (100.0, 200.0, 400.0), strict=True)}
    start, grip = _turn(rng), _turn(rng)
    bent = Rotation.from_euler("zx", [20, -10], degrees=True).as_matrix()
    rests = tuple(
        Rest(r, t, 0.5, rng.normal(0, 5, 3), rng.normal(0, 0.02, 3), 0.05, turn)  # type: ignore[arg-type]
        for r in ROLES
        for t, turn in ((0.6, 0.01), (4.9, None))
    )
    hold = Hold("grip_flat", 1.1, {r: rng.normal(0, 5, 3) for r in ROLES})  # type: ignore[misc]
    jumps = (Jump("hand", 1.7, 3 * DEG), Jump("forearm", 2.6, 2 * DEG), Jump("hand", 3.1, 2 * DEG))
    wrist = np.arange(0.3, 5.5, 0.11)
    window = Window(0.1, 5.8, rests, (hold,), (), jumps, wrist, wrist[10:30])
    small = lambda *shape: 0.01 * rng.standard_normal(shape)  # noqa: E731
    state = State(
        matrix={r: small(3, 3) for r in ROLES},
        accel_bias={r: 10 * small(3) for r in ROLES},
        accel_matrix={r: np.tril(small(3, 3)) for r in ROLES},
        bias={r: small(3) for r in ROLES},
        clock={r: np.array([1e-3, 1e-5]) for r in ROLES[1:]},
        mount={"forearm": worn["forearm"].T, "hand": worn["hand"].T @ bent, "club": worn["club"].T @ bent @ grip.T},
        grip=grip,
        slip=0.1,
        lag=0.0,
        coupling=small(5),
        slipped=np.zeros((0, 3)),
        first=({r: start @ worn[r] for r in ROLES},),
        bias_change=({r: small(3) for r in ROLES},),
        regrip=(small(3),),
        jumps=(10 * small(3, 3),),
    )
    clocks = {r: ClockFit(0.0, 0.0, "forearm", 1e-3, 1e-5, 3.0) for r in ROLES}
    return Problem(sensors, [window], state, side=1, beliefs=Beliefs(), clocks=clocks)


def _moved(problem: Problem, state: State, step: np.ndarray) -> State:
    n = problem.passing[0].size
    return problem._moved(state, step[n:], {0: step[:n]})


@pytest.mark.parametrize("role", ROLES)
def test_derivatives_are_those_of_integrating_anew(problem: Problem, role: Role) -> None:
    """Every unknown that turns a sensor a little up and down, each time integrated from the samples."""
    problem.legs.clear()
    bearing = problem._under_way(problem.start, 0, role)
    n = problem.passing[0].size
    said = np.zeros((*bearing.attitude.shape[:2], n + problem.lasting.size))
    problem._spread(said, 0, role, bearing, slice(None))
    drifts = [n + problem.lasting[f"clock:{r}"].start + 1 for r in ROLES[1:]]
    turned = 0
    for unknown in range(n + problem.lasting.size):
        if unknown in drifts:  # of a drift the fit leaves out that it lengthens the samples, parts in a million
            continue
        h = 1e-5
        ends = []
        for sign in (1, -1):
            step = np.zeros(n + problem.lasting.size)
            step[unknown] = sign * h
            problem.legs.clear()
            ends.append(problem._under_way(_moved(problem, problem.start, step), 0, role).attitude)
        slope = Rotation.from_matrix(ends[0] @ np.swapaxes(ends[1], 1, 2)).as_rotvec() / (2 * h)
        turned += bool(slope.any())
        assert np.abs(slope - said[:, :, unknown]).max() < 0.005 * np.abs(slope).max() + 1e-6, unknown
    jumps = 3 * sum(j.role == role for j in problem.windows[0].jumps)
    assert turned == 3 + 3 + 3 + 9 + jumps + (role != "forearm")


def test_what_is_moved_to_first_order_is_where_integration_puts_it(problem: Problem) -> None:
    """A step as the fit makes: bias by 0.02 deg/s, scale by 0.02 %, clock by a millisecond."""
    rng = np.random.default_rng(5)
    n = problem.passing[0].size
    step = 1e-3 * rng.standard_normal(n + problem.lasting.size)
    for role in ROLES:
        own, bias = problem.passing[0][f"bias:{role}"], problem.lasting[f"bias:{role}"]
        matrix = problem.lasting[f"matrix:{role}"]
        step[own] = step[n + bias.start : n + bias.stop] = 0.01 * DEG
        step[n + matrix.start : n + matrix.stop] *= 0.2
        if role in ROLES[1:]:
            clock = problem.lasting[f"clock:{role}"]
            step[n + clock.start : n + clock.stop] = 9e-4, 1e-6
    problem.legs.clear()
    problem.rows(problem.start, 0)
    integrated = dict(problem.legs)
    state = _moved(problem, problem.start, step)
    near = {r: problem._under_way(state, 0, r).attitude for r in ROLES}
    assert problem.legs == integrated  # nothing was integrated for it
    problem.legs.clear()
    for role in ROLES:
        anew = problem._under_way(state, 0, role).attitude
        exact = problem.track(state, 0, role).at(problem.nodes[0].times[role])
        np.testing.assert_allclose(anew, exact, atol=1e-9)
        off = Rotation.from_matrix(near[role] @ np.swapaxes(exact, 1, 2)).magnitude()
        assert np.degrees(off).max() < 0.003, role


def test_a_large_step_is_integrated_anew(problem: Problem) -> None:
    problem.legs.clear()
    problem.rows(problem.start, 0)
    before = dict(problem.legs)
    state = replace(problem.start, bias=dict(problem.start.bias) | {"hand": problem.start.bias["hand"] + 1.0 * DEG})
    problem.rows(state, 0)
    assert problem.legs[0, "hand"] is not before[0, "hand"]
    assert problem.legs[0, "club"] is before[0, "club"]
