"""Feedback schedules against the definitions that were published."""

from __future__ import annotations

import pytest

from imu.practice.drill import Feedback
from imu.practice.schedule import SHARES, Told, after, before, half, step


def walk(feedback: Feedback, tries: list[bool | None]) -> list[Told]:
    """What the student is told of each of these tries."""
    out, past = [], []
    for number, held in enumerate(tries, 1):
        out.append(after(feedback, number=number, of=len(tries), past=past, held=held))
        past.append(held)
    return out


def shown(told: list[Told]) -> list[bool]:
    return [t.show for t in told]


# Winstein & Schmidt 1990, J Exp Psychol Learn Mem Cogn 16:677-691 (known from memory): over acquisition half of the
# trials are told, often early and seldom late.
@pytest.mark.parametrize("n", [8, 10, 16, 24, 40, 96])
def test_half_is_half_often_at_first_and_seldom_at_the_end(n):
    told = [k in half(n) for k in range(1, n + 1)]
    assert sum(told) == n // 2
    assert told[0]
    quarters = [sum(told[i * n // 4 : (i + 1) * n // 4]) for i in range(4)]
    assert quarters == sorted(quarters, reverse=True)
    assert quarters[0] > quarters[-1]
    assert quarters[-1] <= n // 4 / 2


# Sherwood 1988, Percept Mot Skills 66:535: qualified only where the error exceeds the bandwidth. Cruz et al. 2018,
# Motricidade 14(2-3):107 (read): told when the relative error exceeded 15 %, nothing within it.
def test_outside_is_told_only_outside_the_band():
    tries = [False, True, True, False, None, True]
    told = walk(Feedback("outside"), tries)
    assert shown(told) == [True, False, False, True, True, False]
    assert all(t.only_outside and t.live for t in told)


def test_outside_is_not_known_beforehand():
    told = before(Feedback("outside"), number=1, of=6, past=[])
    assert not told.show
    assert told.only_outside


def test_every_and_none():
    tries = [True, False, None] * 3
    assert all(shown(walk(Feedback("every"), tries)))
    assert not any(shown(walk(Feedback("none"), tries)))
    assert not any(t.live for t in walk(Feedback("none"), tries))


def test_faded_goes_down_by_what_is_held_and_up_by_what_is_lost():
    assert SHARES == (1.0, 0.5, 0.25)
    assert step([]) == 0
    assert step([True] * 4) == 1
    assert step([True] * 8) == 2
    assert step([True] * 30) == 2
    assert step([False] * 30) == 0
    assert step([True] * 8 + [False] * 4) == 1
    assert step([True] * 8 + [False] * 8) == 0
    assert step([None] * 30) == 0  # unsure tries are no reason for anything
    assert step([True, False] * 10) == 0  # a half held: the step stays


def test_faded_shares_are_kept_exactly():
    told = shown(walk(Feedback("faded"), [True] * 40))
    assert told[:4] == [True] * 4
    assert sum(told[4:8]) == 2
    assert sum(told[8:40]) == 8
    assert all(sum(told[i : i + 4]) == 1 for i in range(8, 40, 4))


def test_a_student_who_loses_it_is_told_every_time():
    assert all(shown(walk(Feedback("faded"), [False] * 20)))


@pytest.mark.parametrize("schedule", ["every", "outside", "faded", "half", "none"])
def test_silent_tries_are_silent_whatever_the_schedule(schedule):
    """Retention is tested without feedback: the field's standard design (Winstein 1991, Phys Ther 71:140)."""
    told = walk(Feedback(schedule, silent_first=3, silent_last=2), [False] * 10)
    for i in (0, 1, 2, 8, 9):
        assert (told[i].live, told[i].show, told[i].silent) == (False, False, True)
    assert not any(t.silent for t in told[3:8])
    if schedule in ("every", "outside", "faded"):
        assert all(shown(told)[3:8])
    if schedule == "half":
        assert sum(shown(told)[3:8]) == 3


def test_the_own_estimate_is_asked_for_also_when_it_is_silent():
    assert all(t.ask for t in walk(Feedback("faded", ask=True, silent_last=2), [True] * 6))
    assert not any(t.ask for t in walk(Feedback("every", ask=False), [True] * 6))


def test_a_session_that_was_cut_goes_on_as_it_would_have():
    """What is told depends on what was done before and on nothing else."""
    tries = [True, True, False, True, True, True, None, True, False, True, True, True]
    feedback = Feedback("faded", silent_last=2)
    whole = walk(feedback, tries)
    for cut in range(len(tries)):
        past = tries[:cut]
        again = after(feedback, number=cut + 1, of=len(tries), past=past, held=tries[cut])
        assert again == whole[cut]
