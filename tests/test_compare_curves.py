"""Curves aligned by events and tested along their length, against spm1d and its bundled data sets."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import spm1d

from imu.compare import Part, SwingSet
from imu.contrast import Sample, estimate
from imu.curves import POINTS, Span, aligned, compare_curves, field_test, span_words, spans
from imu.errors import CupbowError
from imu.measured import Event
from tests.lessons import TIMES, lesson

BUNDLED = [spm1d.data.uv1d.t2.PlantarArchAngle, spm1d.data.uv1d.t2.SimulatedTwoLocalMax]


@pytest.mark.parametrize("dataset", BUNDLED)
def test_field_test_is_that_of_the_library(dataset: type) -> None:
    """Caravaggi et al. 2010 (doi:10.1111/j.1469-7580.2010.01261.x) and a simulated set."""
    a, b = dataset().get_data()
    t, threshold = field_test(a, b)
    field = spm1d.stats.ttest2(b, a, equal_var=False)
    inference = field.inference(0.05, two_tailed=True)
    assert t == pytest.approx(field.z, rel=1e-9)
    assert threshold == pytest.approx(inference.zstar)
    ours = spans(np.arange(len(t), dtype=float), t, threshold)
    theirs = sorted(c.endpoints for c in inference.clusters)
    assert len(ours) == len(theirs) > 0
    for mine, (start, end) in zip(ours, theirs, strict=True):
        assert (mine.start, mine.end) == pytest.approx((start, end), abs=0.02)


@pytest.mark.parametrize("dataset", [spm1d.data.uv0d.t2.ColumbiaPlacebo, spm1d.data.uv0d.t2.RSFlavor])
def test_bundled_examples_with_published_statistics(dataset: type) -> None:
    """Two-sample examples that ship with the published t (the page is named in `dataset().www`); the
    groups are equally large, so that t with pooled and with separate variances is the same."""
    d = dataset()
    a, b = (np.ravel(y) for y in d.get_data())
    assert len(a) == len(b)
    e = estimate(Sample.plain(b, calibration="b"), Sample.plain(a, calibration="a"))
    assert abs(e.difference) / e.u == pytest.approx(d.get_expected_test_stat(), rel=1e-4)
    assert float(spm1d.stats.ttest2(a, b).z) == pytest.approx(d.get_expected_test_stat(), rel=1e-4)


def test_phases_become_equal_and_values_stay() -> None:
    m = lesson(np.random.default_rng(1), n=4, traces=True)
    events = tuple(TIMES)
    entries = SwingSet.of("A", m).entries("full")
    curves, used, left = aligned(entries, "wrist_flexion", events)
    assert curves.shape == (4, POINTS * (len(events) - 1) + 1)
    assert used == (0, 1, 2, 3)
    assert not left
    for curve, entry in zip(curves, entries, strict=True):
        trace = entry.swing.trace
        assert trace is not None
        for i, e in enumerate(events):
            at = np.interp(entry.swing.events[e].t_s or 0.0, trace.t_s, trace.angles_deg["wrist_flexion"])
            assert curve[i * POINTS] == pytest.approx(at, abs=1e-9)


def test_a_difference_at_the_top_is_found_there_and_not_at_address() -> None:
    r = np.random.default_rng(3)
    a, b = lesson(r, traces=True, zero_sd=0.3, sd=2.0), lesson(r, traces=True, zero_sd=0.3, sd=2.0, top_only=12.0)
    c = compare_curves(SwingSet.of("A", a), SwingSet.of("B", b), "wrist_flexion")
    top = c.events.index("top")
    assert any(s.start < top < s.end and s.sign == 1 for s in c.spans)
    assert all(s.start > 1.0 for s in c.spans)
    assert c.mean_b[top * POINTS] - c.mean_a[top * POINTS] == pytest.approx(12.0, abs=2.5)


def test_the_zero_lifts_no_curve_into_significance_but_shape_is_seen_through_it() -> None:
    """No change at all, zeros of 3°: without the zero in the test nearly every pair would differ."""
    r, level, shape, blind = np.random.default_rng(4), 0, 0, 0
    reps = 40
    for _ in range(reps):
        a, b = (SwingSet.of(x, lesson(r, n=10, traces=True, sd=2.0)) for x in "AB")
        c = compare_curves(a, b, "wrist_flexion")
        assert c.t is not None
        level += bool(c.spans)
        shape += bool(compare_curves(a, b, "wrist_flexion", shape=True).spans)
        curves = [aligned(s.entries("full"), "wrist_flexion", c.events)[0] for s in (a, b)]
        t, threshold = field_test(*curves)
        blind += bool((np.abs(t) > threshold).any())
    assert blind > 0.4 * reps
    assert level <= 7  # 5 % of 40 is 2; more than 7 has a chance of 0.1 %
    assert shape <= 7
    changed = compare_curves(
        SwingSet.of("A", lesson(r, n=10, traces=True, sd=2.0)),
        SwingSet.of("B", lesson(r, n=10, traces=True, sd=2.0, top_only=8.0)),
        "wrist_flexion",
        shape=True,
    )
    assert changed.spans


def test_one_calibration_cancels_along_the_curve() -> None:
    m = lesson(np.random.default_rng(5), n=12, traces=True)
    halves = [
        SwingSet(x, (Part(m, "c", swings=s),)) for x, s in (("A", tuple(range(1, 7))), ("B", tuple(range(7, 13))))
    ]
    assert compare_curves(*halves, "wrist_flexion").zero_u_deg == pytest.approx(0.0, abs=1e-12)


def test_gaps_and_unreached_events_are_left_out_and_counted() -> None:
    m = lesson(np.random.default_rng(6), n=12, traces=True)
    gap = replace(m.swings[0])
    assert gap.trace is not None
    y = gap.trace.angles_deg["wrist_flexion"].copy()
    y[100:140] = np.nan
    gap = replace(gap, trace=replace(gap.trace, angles_deg={"wrist_flexion": y}))
    lost = replace(m.swings[1], events={**m.swings[1].events, "top": Event(None, "not reached")})
    bare = replace(m.swings[2], trace=None)
    a = SwingSet.of("A", replace(m, swings=(gap, lost, bare, *m.swings[3:])))
    c = compare_curves(a, SwingSet.of("B", lesson(np.random.default_rng(7), n=6, traces=True)), "wrist_flexion")
    assert (c.n_a, c.n_b) == (9, 6)
    assert c.left_out == {"a gap in the trace": 1, "an event was not reached": 1, "no trace": 1}


def test_few_swings_get_means_without_a_test_and_no_traces_a_clear_line() -> None:
    r = np.random.default_rng(8)
    few, many = SwingSet.of("A", lesson(r, n=3, traces=True)), SwingSet.of("B", lesson(r, traces=True))
    c = compare_curves(few, many, "wrist_flexion")
    assert c.t is None
    assert "fewer than 5" in (c.reason or "")
    with pytest.raises(CupbowError, match=r"C: no trace of wrist_flexion .*no trace"):
        compare_curves(many, SwingSet.of("C", lesson(r)), "wrist_flexion")
    with pytest.raises(CupbowError, match="not known"):
        compare_curves(few, many, "elbow")


def test_several_lessons_in_a_set_get_means_without_a_test() -> None:
    r = np.random.default_rng(9)
    parts = tuple(Part(lesson(r, traces=True), f"c{i}") for i in range(2))
    c = compare_curves(SwingSet("A", parts), SwingSet.of("B", lesson(r, traces=True)), "wrist_flexion")
    assert (c.n_a, c.t, c.spans) == (24, None, ())
    assert "several lessons" in (c.reason or "")


def test_spans_are_said_in_events() -> None:
    events = ("address", "takeaway", "top", "impact")
    assert span_words(Span(1.6, 2.1, 1), events) == "from just before top to top"
    assert span_words(Span(1.95, 2.05, 1), events) == "at top"
