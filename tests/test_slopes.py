"""Slopes from swing to swing: against statsmodels, a published correction of reading error, and simulated rates."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from imu.slopes import DRIFT_FROM, MOST_ALIKE, Sightings, slopes

NAMES = ("a", "b", "c")


def drawn(
    rng,
    *,
    per=(14, 12),
    beta=(-0.9, 0.0, 0.4),
    error=0.0,
    together=0.4,
    noise=2.0,
    between=0.0,
    drift=0.0,
    spread=4.0,
    known_error=True,
) -> Sightings:
    """`error` is the standard deviation of reading each cause; `between` that of the slopes between groups."""
    k = len(beta)
    groups = tuple(f"g{i}" for i, n in enumerate(per) for _ in range(n))
    within = (np.full((k, k), together) + (1 - together) * np.eye(k)) * spread**2
    x = rng.multivariate_normal(np.zeros(k), within, len(groups))
    level, own, place = [], [], []
    for n in per:
        level += [rng.normal(0.0, 10.0)] * n
        own += [rng.normal(0.0, between, k)] * n
        place += list(range(n))
    y = (x * (np.array(beta) + np.array(own))).sum(axis=1) + rng.normal(0.0, noise, len(groups))
    read = x + rng.normal(0.0, error, x.shape) + 0.5 * np.array(level)[:, None] + drift * np.array(place)[:, None]
    out = y + np.array(level) + drift * np.array(place)
    given = np.eye(k) * error**2 if known_error else np.zeros((k, k))
    return Sightings(out, read, NAMES[:k], groups, given, np.zeros(k))


@pytest.mark.parametrize("per", [(26,), (15, 12)])
def test_without_error_of_reading_it_is_least_squares_with_a_dummy_a_group(per, monkeypatch):
    """The same estimates, standard errors and intervals as statsmodels' OLS, levels and drifts written out."""
    monkeypatch.setattr("imu.slopes._between_groups", lambda *_: 0.0)
    seen = drawn(np.random.default_rng(3), per=per)
    columns = [seen.causes]
    for g in dict.fromkeys(seen.groups):
        inside = np.array([name == g for name in seen.groups], dtype=float)
        columns += [inside[:, None], (inside * np.cumsum(inside))[:, None]]
    model = sm.OLS(seen.effect, np.column_stack(columns)).fit()
    found = slopes(seen)
    np.testing.assert_allclose([s.value for s in found], model.params[:3], rtol=1e-9)
    np.testing.assert_allclose([s.u for s in found], model.bse[:3], rtol=1e-9)
    np.testing.assert_allclose([s.half_width() for s in found], np.diff(model.conf_int()[:3])[:, 0] / 2, rtol=1e-9)
    assert {s.dof for s in found} == {model.df_resid}
    assert min(seen.groups.count(g) for g in set(seen.groups)) >= DRIFT_FROM


def test_error_of_reading_is_taken_out_as_published(monkeypatch):
    """Corn yield and soil nitrogen, n = 11, error variance of the nitrogen 57: slope 0.4232 (standard error 0.1745)
    where least squares gives 0.3440. Fuller 1987, Measurement Error Models, example 1.2.1; data, results from memory,
    the least-squares slope recomputed from them agrees."""
    nitrogen = np.array([70, 97, 53, 64, 95, 64, 50, 70, 94, 69, 51], dtype=float)
    corn = np.array([86, 115, 90, 86, 110, 91, 99, 96, 99, 104, 96], dtype=float)

    def fitted(error):
        return slopes(Sightings(corn, nitrogen[:, None], ("n",), ("field",) * 11, np.array([[error]]), np.zeros(1)))[0]

    monkeypatch.setattr("imu.slopes.DRIFT_FROM", 99)  # the sites are in no order
    plain, mended = fitted(0.0), fitted(57.0)
    assert plain.value == pytest.approx(0.3440, abs=5e-4)
    assert mended.value == pytest.approx(0.4232, abs=5e-4)
    assert mended.u == pytest.approx(0.1745, abs=0.006)


def test_what_is_no_cause_is_claimed_at_no_more_than_five_in_a_hundred():
    """Also where it moves with a true cause that is read with error, which least squares would lend to it."""
    rng = np.random.default_rng(11)
    runs, clean, told, lent = 300, 0, 0, 0
    for _ in range(runs):
        clean += slopes(drawn(rng, per=(16, 14), beta=(-0.9, 0.0), together=0.7))[1].told()
        seen = drawn(rng, per=(16, 14), beta=(-0.9, 0.0), together=0.7, error=2.2, noise=1.0)
        told += slopes(seen)[1].told()
        bare = Sightings(seen.effect, seen.causes, seen.names, seen.groups, np.zeros((2, 2)), np.zeros(2))
        lent += slopes(bare)[1].told()
    # 300 draws at 5 %: 15 ± 7.4 (95 %).
    assert clean <= 23
    assert told <= 23
    assert lent > 45, "least squares is fooled here: the test can tell"


def test_a_true_slope_is_found_unbiased_and_inside_its_interval():
    rng = np.random.default_rng(5)
    runs = [slopes(drawn(rng, per=(20, 20), error=1.5))[0] for _ in range(200)]
    known = [s for s in runs if s.known]
    assert len(known) > 190
    assert np.median([s.value for s in known]) == pytest.approx(-0.9, abs=0.05)
    assert np.mean([abs(s.value + 0.9) <= s.half_width() for s in known]) >= 0.93
    assert np.mean([s.told() for s in known]) > 0.9
    least_squares = [slopes(drawn(rng, per=(20, 20), error=1.5, known_error=False))[0].value for _ in range(200)]
    assert np.median(least_squares) > -0.8, "without the correction the slope is too small: the test can tell"


def test_levels_and_drift_that_both_readings_share_feign_nothing():
    rng = np.random.default_rng(2)
    told = sum(slopes(drawn(rng, beta=(0.0, 0.0), drift=0.8))[0].told() for _ in range(200))
    assert told <= 20  # 200 draws at 5 %: 10 ± 6


def test_slopes_that_differ_between_recordings_widen_the_interval():
    rng = np.random.default_rng(9)
    same = np.median([slopes(drawn(rng, per=(12,) * 5))[0].u for _ in range(60)])
    differ = np.median([slopes(drawn(rng, per=(12,) * 5, between=0.8))[0].u for _ in range(60)])
    assert differ > 2 * same


def test_what_cannot_be_told_says_why_and_does_not_stop_the_others():
    rng = np.random.default_rng(4)
    few = slopes(drawn(rng, per=(6,)))
    assert {s.reason for s in few} == {"too few swings"}
    seen = drawn(rng)
    steady = seen.causes.copy()
    steady[:, 1] = 7.0
    found = slopes(Sightings(seen.effect, steady, seen.names, seen.groups, seen.error, seen.shared))
    assert found[1].reason == "it hardly varies from swing to swing"
    assert found[0].known
    blurred = slopes(Sightings(seen.effect, seen.causes, seen.names, seen.groups, np.diag([0, 14.0, 0]), seen.shared))
    assert "the reading itself by 3.7" in (blurred[1].reason or "")
    assert blurred[0].known
    alike = seen.causes.copy()
    alike[:, 1] = alike[:, 0] + 0.01 * rng.normal(size=len(alike))
    twins = slopes(Sightings(seen.effect, alike, seen.names, seen.groups, seen.error, seen.shared))
    assert [s.known for s in twins] == [False, False, True]
    assert MOST_ALIKE < 1e3


def test_errors_that_cause_and_effect_may_share_widen_the_interval_by_what_they_could_feign():
    seen = drawn(np.random.default_rng(1), beta=(-0.9,), together=0.0)
    plain = slopes(seen)[0]
    shared = slopes(Sightings(seen.effect, seen.causes, seen.names, seen.groups, seen.error, np.array([2.0])))[0]
    assert shared.half_width() - plain.half_width() == pytest.approx(2.0 / plain.sd**2)


def test_the_swings_said_to_tell_do_tell():
    rng = np.random.default_rng(21)
    need = [
        s.swings_to_tell(-0.5) for _ in range(40) if (s := slopes(drawn(rng, per=(14,), beta=(-0.5, 0.0)))[0]).known
    ]
    n = int(np.median([x for x in need if x]))
    told = np.mean([slopes(drawn(rng, per=(n,), beta=(-0.5, 0.0)))[0].told() for _ in range(300)])
    assert 0.65 < told < 0.95, f"{n} swings told in {told:.0%}; 80 % is meant"
    small = slopes(drawn(rng, per=(14,), beta=(-0.5, 0.0)))[0]
    assert small.swings_to_tell(1e-3) is None
