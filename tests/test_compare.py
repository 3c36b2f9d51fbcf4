"""Comparisons against reference libraries, published worked examples, and lessons with a known truth."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.meta_analysis import combine_effects
from statsmodels.stats.weightstats import CompareMeans, DescrStatsW

from imu import compare as cmp
from imu.compare import CHANGED, NOT_COMPARED, Part, SwingSet, compare
from imu.contrast import COVERAGE, NOT_YET, Sample, estimate, joint_alpha, steadiness
from imu.errors import CupbowError, UsageError
from imu.measured import Measurement, Swing, Value
from imu.wording import change_words, headline, side_words
from tests.lessons import K, lesson, sensors

# Student (1908), "The probable error of a mean", Biometrika 6:1-25: extra hours of sleep with two
# drugs, ten patients (typed from memory; R ships them as `sleep`, where Welch's test of the two
# groups gives t = -1.8608, df = 17.776, p = 0.07939, 95 % interval -3.3654832 to 0.2054832).
SLEEP_1 = (0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0)
SLEEP_2 = (1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4)


def rng(seed: int = 7) -> np.random.Generator:
    return np.random.default_rng(seed)


def pair(a: Measurement, b: Measurement, **options: object) -> cmp.Pair:
    return compare([SwingSet.of("A", a), SwingSet.of("B", b)], **options).pairs[0]  # type: ignore[arg-type]


# -- the estimate, against libraries and published numbers ----------------------------------------
def test_students_sleep_data() -> None:
    e = estimate(Sample.plain(SLEEP_2, calibration="2"), Sample.plain(SLEEP_1, calibration="1"))
    assert e.difference / e.u == pytest.approx(-1.8608, abs=1e-4)
    assert e.dof == pytest.approx(17.776, abs=1e-3)
    assert e.p == pytest.approx(0.07939, abs=1e-5)
    assert e.difference - e.half_width() == pytest.approx(-3.3654832, abs=1e-6)
    assert e.difference + e.half_width() == pytest.approx(0.2054832, abs=1e-6)


@pytest.mark.parametrize(("n", "m"), [(2, 2), (3, 20), (12, 15)])
def test_without_zero_it_is_welch(n: int, m: int) -> None:
    r = rng(n + m)
    a, b = r.normal(-20, 3, n), r.normal(-12, 6, m)
    e = estimate(Sample.plain(a, calibration="a"), Sample.plain(b, calibration="b"))
    expected = stats.ttest_ind(b, a, equal_var=False)
    assert e.p == pytest.approx(expected.pvalue, rel=1e-9)
    low, high = CompareMeans(DescrStatsW(b), DescrStatsW(a)).tconfint_diff(usevar="unequal")
    assert (e.difference - e.half_width(), e.difference + e.half_width()) == pytest.approx((low, high), rel=1e-9)


def test_effect_size_is_hedges_g() -> None:
    pingouin = pytest.importorskip("pingouin")
    a, b = rng(1).normal(-20, 4, 9), rng(2).normal(-14, 5, 14)
    e = estimate(Sample.plain(a, calibration="a"), Sample.plain(b, calibration="b"))
    assert e.effect == pytest.approx(pingouin.compute_effsize(b, a, eftype="hedges"), rel=1e-3)


def test_zero_of_single_poses_alone_makes_about_eight_degrees() -> None:
    """1.96·√2·3° = 8.3° (minimal detectable change, Weir 2005): what many steady swings end at."""
    a = Sample.plain(rng(1).normal(0, 0.01, 500), calibration="a", zero_u=3.0)
    b = Sample.plain(rng(2).normal(0, 0.01, 500), calibration="b", zero_u=3.0)
    assert estimate(a, b).half_width() == pytest.approx(1.96 * math.sqrt(2) * 3.0, abs=0.01)


def test_a_shared_calibration_cancels_and_repeated_poses_average() -> None:
    y, z = rng(1).normal(0, 4, 10), rng(2).normal(0, 4, 10)
    shared = estimate(Sample.plain(y, calibration="c", zero_u=3.0), Sample.plain(z, calibration="c", zero_u=3.0))
    assert shared.u_zero == pytest.approx(0.0, abs=1e-9)
    assert shared.p == pytest.approx(stats.ttest_ind(z, y, equal_var=False).pvalue, rel=1e-6)
    cals = tuple(f"c{i // 10}" for i in range(40))
    four = Sample(rng(3).normal(0, 0.01, 40), cals, ("l",) * 40, dict.fromkeys(cals, 3.0))
    one = Sample.plain(rng(4).normal(0, 0.01, 40), calibration="other", zero_u=0.0)
    assert estimate(one, four).u_zero == pytest.approx(3.0 / math.sqrt(4), rel=1e-3)


def test_lessons_that_differ_among_themselves_agree_with_random_effects_meta_analysis() -> None:
    """The moment estimate (DerSimonian & Laird 1986), before the half standard error is added for
    few lessons, is the one of statsmodels."""
    means, n, sd, zero = (-20.0, -8.0, -17.0, -11.0, -25.0), 12, 4.0, 1.0
    rows, cals = [], []
    for i, m in enumerate(means):
        y = rng(i).normal(0, 1, n)
        rows.append((y - y.mean()) / y.std(ddof=1) * sd + m)
        cals += [f"c{i}"] * n
    many = Sample(np.concatenate(rows), tuple(cals), tuple(cals), dict.fromkeys(cals, zero))
    still = Sample.plain([0.0, 1e-4, -1e-4] * 50, calibration="still")
    e = estimate(still, many)
    v = np.full(5, sd**2 / n + zero**2)
    expected = combine_effects(np.array(means), v, method_re="dl")
    added = 0.5 * math.sqrt(2 * 4) / ((1 / v).sum() - (1 / v**2).sum() / (1 / v).sum())
    tau2 = e.layout.extra[1, 1]
    assert tau2 - added == pytest.approx(expected.tau2, rel=1e-3)
    assert e.mean_b == pytest.approx(expected.mean_effect_re, rel=1e-6)
    assert e.u_lessons > e.u_zero


def test_joint_level_runs_from_one_test_to_sidak() -> None:
    assert joint_alpha(np.eye(1)) == 0.05
    assert joint_alpha(np.eye(5)) == pytest.approx(1 - 0.95 ** (1 / 5), rel=0.01)
    assert joint_alpha(np.full((5, 5), 1.0)) == pytest.approx(0.05, rel=0.01)
    half = np.full((4, 4), 0.5) + 0.5 * np.eye(4)
    # Dunnett (1955), J Am Stat Assoc 50:1096, two-sided, four treatments, infinite degrees of
    # freedom: 2.44 (typed from memory; scipy's multivariate normal agrees).
    z = float(stats.norm.isf(joint_alpha(half) / 2))
    assert z == pytest.approx(2.44, abs=0.01)
    inside = stats.multivariate_normal(cov=half).cdf(np.full(4, z), lower_limit=np.full(4, -z))
    assert inside == pytest.approx(0.95, abs=0.003)


# -- simulated lessons with a known truth ---------------------------------------------------------
def upper_bound(hits: int, n: int) -> float:
    """One-sided 99.9 % lower confidence limit of a rate: a rate that exceeds 5 % shows itself."""
    return float(stats.beta.ppf(0.001, hits, n - hits + 1)) if hits else 0.0


def simulated(
    r: np.random.Generator,
    *,
    n: int,
    sd: float,
    zero: float,
    day: float,
    lessons: int,
    cals: int,
    name: str,
    mean: float,
) -> Sample:
    values, c, les = [], [], []
    for i in range(lessons):
        level = mean + r.normal(0, day)
        for j in range(cals):
            values.append(level + r.normal(0, zero) + r.normal(0, sd, n))
            c += [f"{name}{i}.{j}"] * n
            les += [f"{name}{i}"] * n
    return Sample(np.concatenate(values), tuple(c), tuple(les), dict.fromkeys(c, zero))


@pytest.mark.parametrize(
    ("n", "zero", "day", "lessons", "cals", "reps"),
    [
        (12, 3.0, 0.0, 1, 1, 2000),  # two lessons, single poses
        (3, 3.0, 0.0, 1, 1, 2000),  # few swings
        (8, 0.0, 0.0, 1, 1, 2000),  # no zero at all
        (6, 3.0, 0.0, 1, 2, 1000),  # two calibrations a lesson
        (8, 3.0, 0.0, 3, 1, 1000),  # sets of three lessons
        (8, 3.0, 3.0, 3, 1, 1000),  # and the student varies from day to day
    ],
)
def test_no_change_is_called_changed_in_at_most_five_percent(
    n: int, zero: float, day: float, lessons: int, cals: int, reps: int
) -> None:
    r, hits = rng(n * 100 + lessons), 0
    for _ in range(reps):
        a, b = (
            simulated(r, n=n, sd=4.0, zero=zero, day=day, lessons=lessons, cals=cals, name=x, mean=-20.0) for x in "ab"
        )
        e = estimate(a, b)
        hits += abs(e.difference) > e.half_width()
    assert upper_bound(hits, reps) <= 0.05, f"{hits} of {reps}"
    assert hits > 0.004 * reps, "a test that never says changed says nothing"


def test_two_clubs_over_the_same_lessons_are_held_to_the_same_rate() -> None:
    """The day's level and its zero are shared and cancel; how the clubs differ varies by 2° a day."""
    r, reps, hits = rng(17), 1000, 0
    for _ in range(reps):
        values: dict[str, list[float]] = {"a": [], "b": []}
        cals = tuple(f"day {i}" for i in range(3) for _ in range(8))
        for _day in range(3):
            shared = r.normal(0, 5) + r.normal(0, 3)
            for club in values:
                values[club] += list(shared + r.normal(0, 2) + r.normal(0, 4, 8))
        a, b = (Sample(np.array(v), cals, cals, dict.fromkeys(cals, 3.0)) for v in values.values())
        e = estimate(a, b)
        hits += abs(e.difference) > e.half_width()
    assert upper_bound(hits, reps) <= 0.05, f"{hits} of {reps}"
    assert e.half_width() < 12.0  # neither the day's five degrees nor the zero's three are in it


@pytest.mark.parametrize(("n", "zero"), [(12, 3.0), (8, 0.0), (20, 1.5)])
def test_a_change_is_called_changed_at_the_stated_rate(n: int, zero: float) -> None:
    """`detectable()` is the change that is found in 80 % of cases."""
    r, reps, hits = rng(n), 2000, 0
    truth = math.sqrt(2 * (16.0 / n + zero**2))
    dof = (2 * (16.0 / n + zero**2)) ** 2 / (2 * (16.0 / n) ** 2 / (n - 1))
    change = float(stats.t.isf(0.025, dof) + stats.t.isf(0.2, dof)) * truth
    stated = []
    for _ in range(reps):
        a = simulated(r, n=n, sd=4.0, zero=zero, day=0, lessons=1, cals=1, name="a", mean=-20.0)
        b = simulated(r, n=n, sd=4.0, zero=zero, day=0, lessons=1, cals=1, name="b", mean=-20.0 + change)
        e = estimate(a, b)
        hits += abs(e.difference) > e.half_width()
        stated.append(e.detectable())
    assert np.median(stated) == pytest.approx(change, rel=0.04)
    assert hits / reps == pytest.approx(0.80, abs=0.03)


def test_whole_comparisons_with_no_change_rarely_say_that_anything_changed() -> None:
    r, reps, hits = rng(11), 400, 0
    for _ in range(reps):
        p = pair(lesson(r, n=8), lesson(r, n=8))
        hits += bool(p.changed)
    assert upper_bound(hits, reps) <= 0.05, f"{hits} of {reps}"
    assert hits >= 3


def test_change_within_a_swing_is_found_where_the_level_is_not() -> None:
    """Five degrees at the top: under the fog of two zeros, well beyond that of a change within."""
    r, level, within = rng(5), 0, 0
    for _ in range(40):
        p = pair(lesson(r, sd=2.0), lesson(r, sd=2.0, top_only=6.0))
        level += p.row("wrist_flexion@top").verdict == CHANGED
        within += p.row("wrist_flexion@top..shaft_level_down").verdict == CHANGED
    assert within > 33
    assert level < 20


def test_swings_that_would_tell_do_tell() -> None:
    """With as many more swings as were asked for, 80 % of such differences are found."""
    r = rng(21)
    a, b = (r.normal(0, 1, 8) for _ in range(2))
    a, b = (a - a.mean()) / a.std(ddof=1) * 4.0, (b - b.mean()) / b.std(ddof=1) * 4.0 + 4.0
    e = estimate(Sample.plain(a, calibration="c"), Sample.plain(b, calibration="c"))
    assert abs(e.difference) < e.half_width()
    tell = e.tell()
    assert tell.who in ("later", "each")
    assert tell.swings
    n_a, n_b = 8 + (tell.swings if tell.who == "each" else 0), 8 + tell.swings
    found = np.mean(
        [stats.ttest_ind(r.normal(4, 4, n_b), r.normal(0, 4, n_a), equal_var=False).pvalue < 0.05 for _ in range(1500)]
    )
    assert found == pytest.approx(0.8, abs=0.04)


def test_more_swings_do_not_help_against_the_zero() -> None:
    a = Sample.plain(rng(1).normal(-20, 3, 15), calibration="a", zero_u=3.0)
    b = Sample.plain(rng(2).normal(-14, 3, 15), calibration="b", zero_u=3.0)
    tell = estimate(a, b).tell()
    assert (tell.who, tell.limit) == ("never", "zero")


# -- what a comparison takes, leaves out and says -------------------------------------------------
def test_a_big_change_is_changed_and_said() -> None:
    p = pair(lesson(rng(1), zero_sd=1.0), lesson(rng(2), zero_sd=1.0, wrist=12.0))
    row = p.row("wrist_flexion@top")
    assert row.verdict == CHANGED
    assert change_words(row).endswith("flatter")
    assert "has changed" in headline(p) or "have changed" in headline(p)
    assert "flatter" in headline(p)
    assert row.sdc is not None
    assert row.sdc_alone is not None
    assert row.sdc >= row.sdc_alone  # five targets are looked at


def test_fog_of_one_target_is_that_of_one_test() -> None:
    p = pair(lesson(rng(1)), lesson(rng(2)), targets=["wrist_flexion@top"])
    row = p.row("wrist_flexion@top")
    assert row.sdc == row.sdc_alone
    assert p.row("wrist_flexion@impact").verdict is None  # looked at, not judged


def test_kinds_are_never_mixed() -> None:
    full, slow = lesson(rng(1), n=9), lesson(rng(2), n=6, kind="slow", wrist=40.0)
    both = Measurement(
        "right", "7-iron", sensors(), (), (*full.swings, *(replace(s, index=s.index + 9) for s in slow.swings))
    )
    p = pair(both, lesson(rng(3)))
    assert p.row("wrist_flexion@top").estimate.n_a == 9  # type: ignore[union-attr]
    assert any("kinds are never mixed" in str(c) for c in p.cautions)
    with pytest.raises(CupbowError, match="no kind of swing in common"):
        pair(full, slow)
    with pytest.raises(CupbowError, match="no slow swing"):
        pair(full, slow, kind="slow")


def test_poor_swings_and_missing_readings_are_left_out_and_counted() -> None:
    m = lesson(rng(1), n=10)
    poor = replace(m.swings[7], grade="poor", reasons=("hand sensor slipped",))
    blind = replace(
        m.swings[2], angles={**m.swings[2].angles, "face_to_forearm": {"top": Value(None, None, "club clipped")}}
    )
    m = replace(m, swings=(*m.swings[:2], blind, *m.swings[3:7], poor, *m.swings[8:]))
    p = pair(m, lesson(rng(2)))
    assert p.row("wrist_flexion@top").estimate.n_a == 9  # type: ignore[union-attr]
    assert p.row("face_to_forearm@top").estimate.n_a == 8  # type: ignore[union-attr]
    said = " ".join(map(str, p.cautions))
    assert "1 swing (8) of A: hand sensor slipped" in said
    assert "club clipped" in said


def test_one_wild_swing_neither_makes_nor_hides_a_verdict_silently() -> None:
    m = lesson(rng(1), n=9, zero_sd=0.1, sd=1.0)
    s = m.swings[3]
    wild = replace(
        s,
        angles={**s.angles, "wrist_flexion": {**s.angles["wrist_flexion"], "top": Value(70.0, 2.0, zero_u95_deg=0.2)}},
    )
    p = pair(
        replace(m, swings=(*m.swings[:3], wild, *m.swings[4:])), lesson(rng(2), n=9, wrist=4.0, zero_sd=0.1, sd=1.0)
    )
    row = p.row("wrist_flexion@top")
    assert row.outliers == ("first 4",)
    assert row.verdict == NOT_YET
    assert "would be changed without" in row.notes[0]
    assert any("swing 4 of A" in str(c) for c in p.cautions)


def test_outliers_after_iglewicz_and_hoaglin() -> None:
    """Their modified z-score, written out, on ten invented readings with two far ones."""
    y = np.array([2.1, 2.6, 2.4, 2.5, 2.3, 2.1, 2.3, 2.6, 8.2, 8.3])
    z = 0.6745 * np.abs(y - np.median(y)) / np.median(np.abs(y - np.median(y)))
    assert Sample.plain(y).outliers() == list(np.flatnonzero(z > 3.5)) == [8, 9]


def test_another_zero_is_never_compared_with_the_usual_one() -> None:
    p = pair(lesson(rng(1), marks=("zero_frame",)), lesson(rng(2)))
    row = p.row("face_to_forearm@top")
    assert row.verdict == NOT_COMPARED
    assert "zeros are of different kinds" in (row.reason or "")


def test_clubs_sensors_and_handedness() -> None:
    a, b = lesson(rng(1)), lesson(rng(2), club="driver")
    b = replace(b, sensors=sensors(400.0))
    said = " ".join(map(str, pair(a, b).cautions))
    assert "Different clubs: 7-iron and driver" in said
    assert "Different sensors:" in said
    with pytest.raises(CupbowError, match="one golfer's swings"):
        pair(a, replace(b, handedness="left"))


def test_before_and_after_within_one_lesson_share_the_zero() -> None:
    m = lesson(rng(1), n=20)
    before = SwingSet("before", (Part(m, "c", swings=tuple(range(1, 11))),))
    after = SwingSet("after", (Part(m, "c", swings=tuple(range(11, 21))),))
    p = compare([before, after]).pairs[0]
    assert p.row("wrist_flexion@top").estimate.u_zero == pytest.approx(0, abs=1e-6)  # type: ignore[union-attr]
    assert any("Same calibration" in str(c) for c in p.cautions)


def test_an_unsplit_uncertainty_counts_as_shared_but_not_within_a_swing() -> None:
    p = pair(lesson(rng(1), split=False), lesson(rng(2), split=False))
    level, within = p.row("wrist_flexion@top").estimate, p.row("wrist_flexion@top..shaft_level_down").estimate
    assert level is not None
    assert within is not None
    assert level.u_zero == pytest.approx(math.sqrt(2) * math.hypot(3.0, 0.5), rel=0.01)
    assert within.u_zero == 0.0


def test_single_swings_are_not_compared() -> None:
    p = pair(lesson(rng(1), n=1), lesson(rng(2), n=1))
    assert p.row("wrist_flexion@top").verdict == NOT_COMPARED
    assert any("Few swings" in str(c) for c in p.cautions)
    assert headline(p) == "Nothing here can be compared."


def test_summary_of_one_set_is_the_t_interval_with_the_zero() -> None:
    m = lesson(rng(1), n=9, zero_sd=0.0)
    s = cmp.summarise(SwingSet.of("A", m), "wrist_flexion@top")
    assert s is not None
    y = np.array([v for _, v in s.values])
    sem = y.std(ddof=1) / 3
    # Of the reading's own uncertainty nothing is shared here, so that Student's interval remains.
    assert (s.mean - s.u95, s.mean + s.u95) == pytest.approx(stats.t.interval(0.95, 8, y.mean(), sem), rel=1e-6)
    wide = cmp.summarise(SwingSet.of("A", lesson(rng(1), n=400, sd=0.5)), "wrist_flexion@top")
    assert wide is not None
    assert wide.u95 == pytest.approx(1.96 * 3.0, rel=0.01)
    assert cmp.summarise(SwingSet.of("A", lesson(rng(1), n=1)), "wrist_flexion@top") is None


def test_three_sets_share_the_error_rate() -> None:
    c = compare([SwingSet.of(x, lesson(rng(i))) for i, x in enumerate("ABC")], targets=["wrist_flexion@top"])
    assert [p.b.label for p in c.pairs] == ["B", "C"]
    assert all(p.row("wrist_flexion@top").alpha == 0.025 for p in c.pairs)


def test_bands_name_the_targets() -> None:
    p = pair(lesson(rng(1), bands=True), lesson(rng(2), bands=True))
    assert {r.key for r in p.targets} == {"wrist_flexion@top", "face_to_forearm@top", "shaft_past_level@top"}
    assert p.row("wrist_flexion@top").band == (-10.0, 4.0)


def test_steadiness_against_scipy() -> None:
    a, b = rng(1).normal(0, 6, 20), rng(2).normal(0, 2, 18)
    s = steadiness(Sample.plain(a, calibration="a"), Sample.plain(b, calibration="b"))
    assert s is not None
    assert s.verdict == "steadier"
    assert s.p == pytest.approx(stats.levene(a, b, center="median").pvalue)
    f = b.var(ddof=1) / a.var(ddof=1)
    assert s.ratio == pytest.approx(math.sqrt(f))
    assert s.low == pytest.approx(math.sqrt(f / stats.f.ppf(0.975, 17, 19)))
    assert steadiness(Sample.plain(a[:4]), Sample.plain(b)) is None


def test_drift_during_a_lesson_is_said() -> None:
    m = lesson(rng(1), n=14, sd=1.0)

    def moved(s: Swing) -> Swing:
        v = s.angles["wrist_flexion"]["top"]
        assert v.value_deg is not None
        return replace(s, angles={**s.angles, "wrist_flexion": {**s.angles["wrist_flexion"],
                       "top": replace(v, value_deg=v.value_deg + 1.5 * s.index)}})  # fmt: skip

    p = pair(replace(m, swings=tuple(map(moved, m.swings))), lesson(rng(2)))
    assert any("Still moving" in str(c) and "wrist, top" in str(c) for c in p.cautions)


def test_wrong_use_is_one_clear_line() -> None:
    a = SwingSet.of("A", lesson(rng(1)))
    with pytest.raises(UsageError, match="two or more"):
        compare([a])
    with pytest.raises(UsageError, match="same label"):
        compare([a, a])
    with pytest.raises(UsageError, match="kind"):
        compare([a, SwingSet.of("B", lesson(rng(2)))], kind="half")


def test_comparison_as_json_has_no_nan_and_keeps_its_numbers() -> None:
    c = compare([SwingSet.of("A", lesson(rng(1))), SwingSet.of("B", lesson(rng(2), n=2, wrist=30.0))])
    data = json.loads(json.dumps(c.to_json(), allow_nan=False))
    assert data["schema"] == "cupbow.compare/1"
    row = next(r for r in data["pairs"][0]["rows"] if r["measure"] == "wrist_flexion@top")
    assert row["difference"] == pytest.approx(row["mean_b"] - row["mean_a"], abs=0.002)
    assert row["low"] < row["difference"] < row["high"]


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        ("wrist_flexion@top", -21.2, "21° cupped"),
        ("wrist_flexion@top", 3.6, "4° bowed"),
        ("wrist_flexion@top", 0.3, "flat"),
        ("face_to_forearm@top", 12.0, "12° open"),
        ("shaft_past_level@top", -6.0, "6° short of level"),
        ("wrist_flexion@top..impact", 9.0, "9° towards bowed"),
        ("tempo@ratio", 3.41, "3.4"),
    ],
)
def test_sides_not_signs(key: str, value: float, words: str) -> None:
    assert side_words(key, value) == words


def test_coverage_factor() -> None:
    assert pytest.approx(K) == COVERAGE
