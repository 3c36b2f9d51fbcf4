"""Reliability and agreement against the papers that they come from."""

from __future__ import annotations

import numpy as np
import pytest

from imu.errors import UsageError
from imu.reliability import agreement, reliability

# Shrout & Fleiss (1979), Psychol Bull 86:420, table 2: six targets, four judges (typed from memory).
JUDGES = np.array([[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]], dtype=float)
# Weir (2005), J Strength Cond Res 19:231, data set A: eight subjects, two trials (typed from memory).
TRIALS = np.array(
    [[146, 140], [148, 152], [170, 152], [90, 99], [157, 145], [156, 153], [176, 167], [205, 218]], dtype=float
)
# Bland & Altman (1986), Lancet 327:307: first readings of peak expiratory flow with a large and a
# mini meter, seventeen subjects (typed from memory).
LARGE = np.array([494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427], dtype=float)
MINI = np.array([512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451], dtype=float)


def test_icc_of_shrout_and_fleiss() -> None:
    r = reliability(JUDGES)
    found = [round(i.value, 2) for i in (r.icc_1, r.icc_2, r.icc_3, r.icc_1k, r.icc_2k, r.icc_3k)]
    assert found == [0.17, 0.29, 0.71, 0.44, 0.62, 0.91]  # their table 4


def test_icc_and_its_intervals_agree_with_pingouin() -> None:
    pingouin = pytest.importorskip("pingouin")
    import pandas as pd

    table = pd.DataFrame([(i, j, y) for (i, j), y in np.ndenumerate(JUDGES)], columns=["subject", "judge", "y"])
    expected = pingouin.intraclass_corr(table, targets="subject", raters="judge", ratings="y")
    r = reliability(JUDGES)
    for ours, (_, theirs) in zip(
        (r.icc_1, r.icc_2, r.icc_3, r.icc_1k, r.icc_2k, r.icc_3k), expected.iterrows(), strict=True
    ):
        assert ours.value == pytest.approx(theirs["ICC"], abs=1e-6)
        assert (round(ours.low, 2), round(ours.high, 2)) == tuple(map(float, theirs["CI95"]))


def test_sem_and_minimal_detectable_change_of_weir() -> None:
    r = reliability(TRIALS)
    assert [round(i.value, 2) for i in (r.icc_1, r.icc_2, r.icc_3)] == [0.95, 0.95, 0.95]
    assert r.sem == pytest.approx(7.6, abs=0.05)
    assert r.mdc95 == pytest.approx(1.96 * np.sqrt(2) * r.sem)
    assert r.mdc95 == pytest.approx(20.9, abs=0.1)


def test_limits_of_agreement_of_bland_and_altman() -> None:
    a = agreement(LARGE, MINI)
    assert a.bias.value == pytest.approx(-2.1, abs=0.05)
    assert a.sd == pytest.approx(38.8, abs=0.05)
    assert (a.bias.low, a.bias.high) == pytest.approx((-22.0, 17.8), abs=0.1)
    # The paper goes on with the rounded figures -2.1 and 38.8.
    assert (a.lower.value, a.upper.value) == pytest.approx((-79.7, 75.5), abs=0.1)
    assert (a.lower.low, a.lower.high) == pytest.approx((-114.3, -45.1), abs=0.2)
    assert (a.upper.low, a.upper.high) == pytest.approx((40.9, 110.1), abs=0.2)


def test_what_cannot_be_judged_is_refused() -> None:
    with pytest.raises(UsageError, match="two subjects"):
        reliability(np.zeros((1, 4)))
    with pytest.raises(UsageError, match="complete"):
        reliability(np.array([[1.0, np.nan], [2.0, 3.0]]))
    with pytest.raises(UsageError, match="equally long"):
        agreement(LARGE, MINI[:5])
