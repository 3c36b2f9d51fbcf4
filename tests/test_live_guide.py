"""Setting up: poses held and missed, movements counted, the session told what was held and when."""

from __future__ import annotations

import numpy as np
import pytest

from imu.guide import STEPS, Guide
from imu.readers.source import Chunk

UP = np.array([0.0, 0.0, 9.81])


class Player:
    """Sensors worn by somebody who does as told: feeds a guide, 25 ms at a time."""

    def __init__(self, roles=("forearm", "hand", "club"), seed: int = 0) -> None:
        self.t = 0.0
        self.held: list[tuple[str, float, float]] = []
        self.rng = np.random.default_rng(seed)
        self.guide = Guide(set(roles), lambda name, a, b: self.held.append((name, a, b)))
        self.bias = {role: np.radians(self.rng.uniform(-2, 2, 3)) for role in roles}
        self.up = dict.fromkeys(roles, UP)

    def feed(self, seconds: float, rate=None, only=None) -> None:
        """`rate(t)` in deg/s (3,) for the sensors in `only` (all), else still with a tremor."""
        for _ in range(round(seconds / 0.025)):
            self.t += 0.025
            for role, bias in self.bias.items():
                noise = self.rng.normal(0, np.radians(0.4), (5, 3))
                turn = np.zeros((5, 3))
                if rate is not None and (only is None or role in only):
                    turn = np.radians([rate(self.t - 0.005 * k) for k in range(4, -1, -1)])
                t = self.t - 0.005 * np.arange(4, -1, -1)
                accel = np.tile(self.up[role], (5, 1))
                self.guide.feed(Chunk(role, role, t, accel, bias + noise + turn, self.t))

    def move(self, only=None) -> None:
        self.feed(0.8, lambda t: np.array([0.0, 60.0 * np.sin(8 * t), 40.0]), only)


def sway(hz: float, size: float):
    return lambda t: np.array([0.0, size * np.sin(2 * np.pi * hz * t), 0.0])


def test_everything_held_in_order():
    player = Player()
    for step in STEPS:
        assert player.guide.steps[player.guide.index].key == step.key
        player.move()
        if step.pose is None:
            player.feed(14.0, sway(0.25, 60.0), step.needs)
        player.feed(2.6)
    assert player.guide.finished
    assert [name for name, _, _ in player.held] == [s.pose for s in STEPS if s.pose]
    for _, start, end in player.held:
        assert 1.5 < end - start <= 2.0
    assert player.t < 180  # ready to swing in three minutes


def test_who_moved_and_when_is_said_and_the_pose_taken_again():
    player = Player()
    player.feed(1.0)
    player.feed(0.3, sway(3.0, 40.0), only=("club",))
    state = player.guide.state()
    assert player.held == []
    assert state["moved"]["role"] == "club"
    assert state["moved"]["after_s"] == pytest.approx(1.0, abs=0.4)
    player.feed(3.0)
    assert [h[0] for h in player.held] == ["club_square"]


def test_a_pose_does_not_count_twice_for_standing_still():
    player = Player()
    player.feed(12.0)
    assert len(player.held) == 1
    assert player.guide.state()["waiting"]


def test_another_sensor_may_move():
    player = Player()
    for _ in range(4):  # the hand fidgets while the club stands
        player.feed(0.6, sway(2.0, 50.0), only=("hand", "forearm"))
    assert [h[0] for h in player.held] == ["club_square"]


def test_a_slow_drift_is_no_stillness():
    player = Player(("forearm", "hand"))
    player.feed(0.5)
    player.feed(6.0, lambda t: np.array([20.0, 0.0, 0.0]))
    assert player.held == []


def test_steps_for_the_sensors_that_are_there():
    assert [s.key for s in Guide({"club"}, lambda *_: None).steps] == ["club_square", "club_hang", "grip_flat"]
    assert "club_square" not in [s.key for s in Guide({"forearm", "hand"}, lambda *_: None).steps]


def test_swapped_straps_show_between_hang_and_handshake():
    player = Player(("forearm", "hand"))
    player.move()
    player.feed(2.6)
    player.up = {"forearm": np.array([0.0, 9.81, 0.0]), "hand": UP}  # the hand did not turn with the arm
    player.move()
    player.feed(2.6)
    checks = {c["key"]: c["ok"] for c in player.guide.checks()}
    assert checks == {"quarter_turn": True, "together": False}


def test_skip_and_back():
    player = Player()
    player.guide.skip()
    assert player.guide.index == 1
    player.guide.back()
    assert player.guide.index == 0
    for _ in STEPS:
        player.guide.skip()
    assert player.guide.finished
    assert player.held == []
