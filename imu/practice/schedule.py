"""Whether the student is told how a try was, and when: feedback schedules.

every    after every try.
outside  only where the try was not in the band (bandwidth feedback: Sherwood 1988, Perceptual and
         Motor Skills 66:535; Cruz et al. 2018, Motricidade 14(2-3):107, doi 10.6063/motricidade.14294:
         told when the error exceeds the band; no word means that it was within).
half     half of the tries, often at first and seldom at the end, fixed beforehand (Winstein & Schmidt
         1990, J Exp Psychol Learn Mem Cogn 16:677: 50 % of the trials, faded; better than every trial
         at a delayed test. Known to us from memory).
faded    every try, then half, then a quarter, by what is held: a step down when three quarters of the
         last eight sure tries were held, a step back up when fewer than two fifths were. The three
         shares follow the faded schedule above; the numbers of the rule are our judgement, no source.
none     never: what is held then, stays.

The benefit is disputed: later meta-analyses found little or none of a reduced frequency (McKay et al.
2022, known from memory), a thesis found evenly spread feedback no worse than faded (Chen, University of
Georgia), and complex tasks gain from feedback in the movement (Sigrist et al. 2013, doi
10.3758/s13423-012-0333-8). So every schedule ends on silent tries, and the next day begins with some:
they show what stayed with this student. Asking for the student's own estimate before the number helped
in one study (n = 52; J Phys Educ).

All of this is a function of what was done before, so that a session that was cut short goes on as it
would have.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from imu.practice.drill import Feedback

SHARES = (1.0, 0.5, 0.25)
WINDOW = 8
FEWEST = 4  # sure tries since the last step, before the next
DOWN, UP = 0.75, 0.4


@dataclass(frozen=True)
class Told:
    """What the student is told of a try.

    `live`: alerts may run while it lasts (of those that are outside the band only, where
    `only_outside`). `show`: the number after it. `ask`: the own estimate before that. `silent`: the
    try measures what stays.
    """

    live: bool
    show: bool
    ask: bool
    silent: bool = False
    only_outside: bool = False


def before(feedback: Feedback, *, number: int, of: int, past: Sequence[bool | None]) -> Told:
    """What a coming try (counted from 1) will have: `past` are the tries before it, held, lost or unsure.

    `show` is what is known of it so far: with the schedule "outside" the try itself decides.
    """
    if is_silent(feedback, number=number, of=of):
        return Told(live=False, show=False, ask=feedback.ask, silent=True)
    name = feedback.schedule
    if name == "none":
        return Told(live=False, show=False, ask=feedback.ask)
    if name == "outside":
        return Told(live=True, show=False, ask=feedback.ask, only_outside=True)
    shown = {
        "every": lambda: True,
        "half": lambda: number in half(of - feedback.silent_first - feedback.silent_last, after=feedback.silent_first),
        "faded": lambda: _faded(past[feedback.silent_first :], number - feedback.silent_first),
    }[name]()
    return Told(live=shown, show=shown, ask=feedback.ask)


def after(feedback: Feedback, *, number: int, of: int, past: Sequence[bool | None], held: bool | None) -> Told:
    """What the student is told once the try is over. An unsure try is told where only those outside
    the band are: silence means that it was in."""
    told = before(feedback, number=number, of=of, past=past)
    if told.only_outside:
        return Told(live=True, show=held is not True, ask=feedback.ask, only_outside=True)
    return told


def is_silent(feedback: Feedback, *, number: int, of: int) -> bool:
    return number <= feedback.silent_first or number > of - feedback.silent_last


def half(n: int, *, after: int = 0) -> frozenset[int]:
    """The tries of `n`, counted from 1 (plus `after`), that are told: half of them, rounded up, in steps from
    every one to one in four."""
    wanted, due = (n + 1) // 2, 0.0
    out: list[int] = []
    for k in range(1, n + 1):
        # The share falls evenly from 1 to 0: its sum over all tries is half of them.
        due += 1 - (k - 0.5) / n
        if len(out) < wanted and due >= len(out) + 0.5:
            out.append(k + after)
    return frozenset(out)


def step(past: Sequence[bool | None]) -> int:
    """Which of `SHARES` counts after these tries: down by what is held, up again by what is lost."""
    at, since = 0, 0
    sure: list[bool] = []
    for held in past:
        if held is None:
            continue
        sure.append(held)
        since += 1
        window = sure[-WINDOW:][-since:]
        if since < FEWEST:
            continue
        share = sum(window) / len(window)
        if share >= DOWN and at < len(SHARES) - 1:
            at, since = at + 1, 0
        elif share < UP and at > 0:
            at, since = at - 1, 0
    return at


def _faded(past: Sequence[bool | None], number: int) -> bool:
    """Told or not: the tries since the share last changed are told as evenly as the share allows."""
    at = step(past)
    since = number
    for k in range(len(past), -1, -1):
        if step(past[:k]) != at:
            break
        since = number - k
    share = SHARES[at]
    return int(since * share + 1 - share) > int((since - 1) * share + 1 - share)
