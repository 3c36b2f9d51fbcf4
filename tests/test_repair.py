"""Clocks and gaps on made streams whose truth is known to the sample: a rigid pair turned by one motion
(scipy's rotations), with losses, packets out of place, and arrivals late by the radio's wait."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from imu.fit import Beliefs, Jump, Problem, State, Window
from imu.recording import Stream
from imu.repair import repair
from imu.timebase import Samples, uniform

TURN = Rotation.from_euler("xyz", [40, -25, 70], degrees=True).as_matrix()


def motion(t: np.ndarray) -> np.ndarray:
    """Rates (n, 3) in rad/s of something swung now and then."""
    lively = 0.3 + 12 * np.exp(-((((t % 6.0) - 3.0) / 0.4) ** 2))
    return lively[:, None] * np.column_stack([np.sin(5 * t), np.cos(3.3 * t + 1), np.sin(4.1 * t + 2)])


def samples(role: str, rate: float, gyro: np.ndarray, *, stamps: str = "arrival") -> Samples:
    n = len(gyro)
    return Samples(
        role=role,  # type: ignore[arg-type]
        start_s=0.0,
        period_s=1 / rate,
        gyro=gyro,
        accel=np.tile([0.0, 0.0, 9.81], (n, 1)),
        present=np.ones(n, bool),
        clipped_gyro=np.zeros((n, 3), bool),
        clipped_accel=np.zeros((n, 3), bool),
        stamps=stamps,
        stamp_sd_s=0.001,
        own_start_s=0.0,
        own_period_s=1 / rate,
    )


def pair(seconds: float = 18.0, rate: float = 200.0) -> tuple[Samples, Samples]:
    t = np.arange(0, seconds, 1 / rate)
    rng = np.random.default_rng(1)
    hand = motion(t) + 0.01 * rng.standard_normal((len(t), 3))
    club = motion(t) @ TURN.T + 0.01 * rng.standard_normal((len(t), 3))
    return samples("hand", rate, hand), samples("club", rate, club)


def lose(s: Samples, lo: int, hi: int) -> None:
    s.gyro[lo:hi], s.accel[lo:hi], s.present[lo:hi] = np.nan, np.nan, False


@pytest.mark.parametrize("shift", [6, -5])
def test_a_packet_out_of_place_beside_a_loss_is_put_back(shift):
    hand, club = pair()
    true = club.gyro.copy()
    at, size = 590, 30  # in the first swing
    lose(club, at - 10, at)
    lose(club, at + size, at + size + 10)
    packet = true[at : at + size]
    club.gyro[at : at + size], club.present[at : at + size] = np.nan, False
    club.gyro[at + shift : at + shift + size], club.present[at + shift : at + shift + size] = packet, True
    mended = repair({"hand": hand, "club": club}).sensors["club"]
    np.testing.assert_allclose(mended.gyro[at - 10 : at + size + 10], true[at - 10 : at + size + 10], atol=0.4)
    assert mended.present[at : at + size].all()


def test_device_stamps_are_left_where_they_are():
    hand, club = pair()
    lose(club, 590, 600)
    before = club.present.copy()
    mended = repair({"hand": hand, "club": samples("club", 200, club.gyro, stamps="device")}).sensors["club"]
    assert before[:590].all()
    np.testing.assert_array_equal(mended.gyro[:590], club.gyro[:590])


def test_what_one_lost_while_the_other_clipped_is_filled_by_both():
    """The club lost 0.25 s of the downswing; within it one axis of the hand was at its rail."""
    hand, club = pair()
    true = club.gyro.copy()
    lose(club, 575, 625)
    rail = 0.9 * np.abs(hand.gyro[590:610]).max()
    clipped = np.abs(hand.gyro) >= rail
    hand.gyro[clipped] = np.sign(hand.gyro[clipped]) * rail
    hand.clipped_gyro[clipped] = True
    assert hand.clipped_gyro[575:625].any()
    mended = repair({"hand": hand, "club": club})
    off = np.linalg.norm(mended.sensors["club"].gyro[575:625] - true[575:625], axis=1)
    assert np.median(off) < 0.5
    assert off.max() < 0.35 * np.linalg.norm(true[575:625], axis=1).max()


def arrivals(lost: list[tuple[int, int]], *, batch: int = 8, rate: float = 100.0, seconds: float = 60.0, seed: int = 0):
    """A stream whose packets of `batch` come late by a jittering wait, without those in `lost`; and the true
    number of each sample."""
    rng = np.random.default_rng(seed)
    n = int(seconds * rate) // batch * batch
    number = np.arange(n)
    end = (number // batch + 1) * batch / rate
    wait = np.repeat(0.015 + rng.exponential(0.02, n // batch), batch)
    there = np.ones(n, bool)
    for lo, hi in lost:
        there[lo * batch : hi * batch] = False
    gyro = motion(number / rate)
    stamps = np.maximum.accumulate((end + wait)[there])
    stream = Stream("hand", stamps, np.tile([0, 0, 9.81], (int(there.sum()), 1)), gyro[there], "made")
    return stream, number[there]


@pytest.mark.parametrize("seed", range(6))
def test_every_lost_packet_is_counted(seed):
    """Numbers hold to the sample wherever packets have arrived for a while since the loss."""
    rng = np.random.default_rng(seed)
    starts = np.sort(rng.choice(np.arange(40, 700, 30), 5, replace=False))
    stream, true = arrivals([(int(a), int(a) + int(rng.integers(1, 5))) for a in starts], seed=seed)
    got = np.flatnonzero(uniform(stream).present)
    off = (got - got[0]) - (true - true[0])
    assert np.mean(off == 0) > 0.97
    assert off[-1] == 0


@pytest.mark.parametrize("gap_first", [True, False])
def test_packets_without_a_rigid_neighbour_go_where_the_rate_has_no_step(gap_first):
    """Packets of seven, two of them lost in the swing some packets apart; the radio held up what came between, and both
    losses were counted at the one end."""
    hand, _ = pair()
    truth = hand.gyro.copy()
    forearm = samples("forearm", 200.0, truth.copy())
    for at in (70, 140, 210):  # losses elsewhere tell the packet's size
        lose(forearm, at, at + 7)
    first, second = 574, 602  # rows of the two packets that were lost
    between = truth[first + 7 : second].copy()
    lose(forearm, first, second + 7)
    at = first + 14 if gap_first else first
    forearm.gyro[at : at + len(between)] = between
    forearm.accel[at : at + len(between)] = [0.0, 0.0, 9.81]
    forearm.present[at : at + len(between)] = True
    mended = repair({"forearm": forearm}).sensors["forearm"]
    lost = np.flatnonzero(~mended.present)
    assert [k for k in lost if k > 300] == [*range(first, first + 7), *range(second, second + 7)]
    np.testing.assert_allclose(mended.gyro[first + 7 : second], between)


def test_a_club_that_lies_aside_does_not_fill_what_the_hand_lost():
    hand, club = pair()
    t = hand.t_s
    aside = t > 13.2
    club.gyro[aside] = 0.0
    moving = aside & (t < 14.6)
    hand.gyro[moving] = np.outer(3.0 * np.sin(np.pi * (t[moving] - 13.2) / 1.4), [0.0, 0.6, 0.8])
    hand.gyro[t >= 14.6] = 0.0
    true = hand.gyro.copy()
    lo, hi = np.searchsorted(t, [14.2, 14.6])  # the last of the move, some 30 deg, and then it rests
    lose(hand, lo, hi)
    lose(hand, lo - 50, lo - 20)
    mended = repair({"hand": hand, "club": club})
    (sd,) = [g[2] for g in mended.guessed["hand"] if g[0] < 14.4 < g[1]]
    off = np.linalg.norm(np.sum(mended.sensors["hand"].gyro[lo:hi] - true[lo:hi], axis=0)) * hand.period_s
    assert off < 3 * sd


def test_a_swing_with_a_turn_that_was_guessed_teaches_the_others_little():
    """Lasting unknowns bent to a wrong guess agree with it, and every swing is off with them."""
    still = np.zeros((2000, 3))
    stamps = np.arange(2000) / 200.0
    club = uniform(Stream("club", stamps, still + np.array([0.0, 0.0, 9.81]), still, source="club.csv"))

    def shares(*jumps: float) -> np.ndarray:
        windows = [
            Window(2.0 * i, 2.0 * i + 1.5, jumps=(Jump("club", 2.0 * i + 1.0, np.radians(sd)),) if sd else ())
            for i, sd in enumerate(jumps)
        ]
        none = {"club": np.zeros(3)}
        state = State(
            matrix={"club": np.zeros((3, 3))},
            accel_bias=none,
            accel_matrix={"club": np.zeros((3, 3))},
            bias=none,
            clock={},
            lag={},
            mount={},
            grip=np.eye(3),
            slip=0.1,
            coupling=np.zeros(5),
            slipped=np.zeros((0, 3)),
            first=tuple({"club": np.eye(3)} for _ in windows),
            bias_change=tuple(none for _ in windows),
            regrip=tuple(np.zeros(3) for _ in windows),
            jumps=tuple(np.zeros((len(w.jumps), 3)) for w in windows),
        )
        problem = Problem({"club": club}, windows, state, side=-1, beliefs=Beliefs(), clocks={})
        return problem.share

    np.testing.assert_allclose(shares(0, 25, 0), [1.0, 0.1, 1.0])
    np.testing.assert_allclose(shares(0, 2, 0), [1.0, 1.0, 1.0])
    np.testing.assert_allclose(shares(25, 25, 0), [1.0, 1.0, 1.0])  # nobody else to learn from
