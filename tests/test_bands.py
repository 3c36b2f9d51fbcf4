"""Target bands: verdicts, files, and bands from a student's own swings."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from imu import bands as b
from imu.measured import Event, Measurement, Swing, Value
from imu.recording import EVENTS


def swing(
    index: int = 1,
    *,
    flexion: float | None = 0.0,
    u95: float | None = 2.0,
    kind: str = "full",
    grade: str = "good",
    face: Value | None = None,
    change: Value | None = None,
) -> Swing:
    return Swing(
        index=index,
        kind=kind,
        ball=True,
        grade=grade,
        reasons=(),
        events={e: Event(float(i)) for i, e in enumerate(EVENTS)},
        angles={"wrist_flexion": {"top": Value(flexion, u95)}, "face_to_forearm": {"top": face or Value(0.0, 1.0)}},
        changes={"wrist_flexion": {"top..shaft_level_down": change or Value(4.0, 1.0)}},
        tempo={},
        bands={},
    )


def measurement(*swings: Swing, club: str | None = "7-iron") -> Measurement:
    return Measurement("left", club, (), (), swings)


# -- verdict -------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("value", "u95", "word"),
    [
        (0, 2, "inside"),
        (-8, 2, "inside"),  # the interval ends on the edge
        (-9, 2, "unsure"),
        (-11, 2, "unsure"),
        (-12, 2, "unsure"),
        (-12.01, 2, "below"),
        (12.01, 2, "above"),
        (0, 11, "unsure"),  # the interval is wider than the band
        (None, None, "unsure"),
        (0, None, "unsure"),
        (float("nan"), 1, "unsure"),
    ],
)
def test_verdict(value: float | None, u95: float | None, word: str) -> None:
    assert b.verdict(low=-10, high=10, value=value, u95=u95) == word


@given(
    low=st.floats(-80, 60),
    width=st.floats(1, 100),
    value=st.floats(-120, 120),
    u95=st.floats(0, 60),
    truth=st.floats(-1, 1),
)
def test_a_sure_verdict_holds_for_every_angle_in_the_interval(
    low: float, width: float, value: float, u95: float, truth: float
) -> None:
    """JCGM 106:2012, guarded acceptance: what is called inside or outside is so wherever in the
    interval the true angle lies."""
    high, angle = low + width, value + truth * u95
    word = b.verdict(low=low, high=high, value=value, u95=u95)
    if word == "inside":
        assert low - 1e-9 <= angle <= high + 1e-9
    elif word == "below":
        assert angle < low + 1e-9
    elif word == "above":
        assert angle > high - 1e-9
    else:
        assert value - u95 <= high
        assert value + u95 >= low


def test_least_width_is_the_edge_of_what_can_be_resolved() -> None:
    width = b.least_width([3.0, None, 5.0, 4.0])
    assert width == 8.0
    assert b.verdict(low=-width / 2, high=width / 2, value=0, u95=4) == "inside"
    assert b.verdict(low=-width / 2 + 0.01, high=width / 2, value=0, u95=4) == "unsure"
    assert b.least_width([None]) is None


def test_least_width_with_spread_keeps_95_percent_of_swings_surely_inside() -> None:
    width = b.least_width([2.0], spread_deg=4.0)
    assert width is not None
    surely_inside = stats.norm.cdf(width / 2 - 2.0, scale=4.0) - stats.norm.cdf(-(width / 2 - 2.0), scale=4.0)
    assert surely_inside == pytest.approx(0.95, abs=1e-3)


# -- judging swings ------------------------------------------------------------------------------
def test_shipped_bands_judge_events_and_changes() -> None:
    out = b.judged(swing(flexion=-25, change=Value(-9.0, 1.0)))
    assert out.bands["wrist_flexion@top"].verdict == "below"
    assert out.bands["wrist_flexion@top..shaft_level_down"].verdict == "below"
    assert out.bands["face_to_forearm@top"].verdict == "inside"
    assert "no source" in out.bands["wrist_flexion@top"].source


def test_every_shipped_band_says_what_it_is_and_lies_within_published_range() -> None:
    """Boone & Azen 1979, J Bone Joint Surg 61A:756, and AAOS, as a handbook's table gives them
    (read second-hand): flexion 76/80, extension 75/70, radial 22/20, ulnar 36/30."""
    shipped = b.shipped()
    published = {"wrist_flexion": (-75, 80), "wrist_deviation": (-22, 36)}
    assert {x.angle: (x.low_deg, x.high_deg) for x in shipped.limits} == published
    assert all("second-hand" in x.source for x in shipped.limits)
    assert 0 < len(shipped.bands) <= 8
    for band in shipped.bands:
        assert "Common practice, no source" in band.source
        if band.angle in published and not band.is_change:
            assert published[band.angle][0] < band.low_deg < band.high_deg < published[band.angle][1]


def test_a_face_with_another_zero_is_never_banded() -> None:
    out = b.judged(swing(face=Value(0.0, 1.0, None, ("zero_frame",))))
    assert "face_to_forearm@top" not in out.bands
    assert "wrist_flexion@top" in out.bands


def test_nothing_read_is_unsure() -> None:
    out = b.judged(swing(flexion=None, u95=None))
    assert out.bands["wrist_flexion@top"].verdict == "unsure"


def test_a_band_for_the_club_goes_before_one_for_any() -> None:
    every = b.Band("wrist_flexion", "top", -5, 5, "coach")
    driver = b.Band("wrist_flexion", "top", -20, -10, "coach", ("Driver",))
    for order in ((every, driver), (driver, every)):
        bands = b.Bands(order)
        assert b.judged(swing(flexion=-15), bands, club="driver").bands["wrist_flexion@top"].verdict == "inside"
        assert b.judged(swing(flexion=-15), bands, club="7-iron").bands["wrist_flexion@top"].verdict == "below"
        assert b.judged(swing(flexion=-15), bands, club=None).bands["wrist_flexion@top"].verdict == "below"


def test_editing_replaces_and_removes() -> None:
    bands = b.Bands((b.Band("wrist_flexion", "top", -5, 5, "coach"),))
    wider = bands.with_band(b.Band("wrist_flexion", "top", -8, 8, "coach"))
    assert [x.low_deg for x in wider.bands] == [-8]
    both = wider.with_band(b.Band("wrist_flexion", "top", -9, 9, "coach", ("driver",)))
    assert len(both.bands) == 2
    assert [x.clubs for x in both.without("wrist_flexion@top", club="driver").bands] == [()]
    assert both.without("wrist_flexion@top").bands == ()


# -- files ---------------------------------------------------------------------------------------
names = st.text(st.characters(codec="utf-8", exclude_characters="\r"), min_size=1, max_size=20).filter(str.strip)


@given(name=names, source=names, low=st.floats(-70, 0), width=st.floats(0.01, 70), club=names)
def test_written_bands_read_back_the_same(name: str, source: str, low: float, width: float, club: str) -> None:
    bands = b.Bands(
        (
            b.Band("wrist_flexion", "top", low, low + width, source, (club,)),
            b.Band("wrist_flexion", "top..shaft_level_down", low, low + width, source),
        ),
        b.shipped().limits,
        name,
        "Juno Abara",
    )
    assert b.parse(b.to_toml(bands)) == bands


def test_writing_leaves_a_whole_file(tmp_path) -> None:
    path = tmp_path / "mine.toml"
    b.shipped().write(path)
    assert b.load(path) == b.shipped()
    assert [p.name for p in tmp_path.iterdir()] == ["mine.toml"]


ENTRY = '[[band]]\nangle = "wrist_flexion"\nevent = "top"\nlow = -5\nhigh = 5\nsource = "coach"\n'


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (("format =", "forma ="), "unknown field 'forma'"),
        (("bands/1", "bands/9"), "cupbow.bands/1"),
        (("wrist_flexion", "wrist"), "band 1: unknown angle 'wrist'"),
        (('"top"', '"apex"'), "band 1: wrist_flexion: unknown event 'apex'"),
        (("low = -5", "low = 15"), "low 15 is not below high 5"),
        (("low = -5", 'low = "a"'), "band 1: low is to be a number"),
        (("low = -5\n", ""), "band 1: low is to be a number of degrees; it is missing"),
        (("low = -5", "low = nan"), "band 1: low is to be a number"),
        (("low = -5", "low = true"), "band 1: low is to be a number"),
        (("low = -5", "low = -90"), "outer limit -75 to 80"),
        (('"coach"', '" "'), "band 1: source is to be a text"),
        (("event =", "evnt ="), "band 1: unknown field 'evnt'"),
        (('event = "top"', 'change = "top"'), "is not a change"),
        (('event = "top"', 'change = "impact..top"'), "to a later one"),
        (('event = "top"', 'event = "top"\nchange = "top..impact"'), "give either"),
        (('source = "coach"', 'source = "coach"\nclubs = "driver"'), "clubs is to be a list"),
        (("[[band]]", "[band]"), "[[band]]"),
        (("low = -5", "low == -5"), "is not valid TOML"),
        (("low = -5", "low = -5\nlow = -6"), "is not valid TOML"),
    ],
)
def test_a_fault_is_one_line_that_names_file_and_field(tmp_path, change: tuple[str, str], says: str) -> None:
    text = f'format = "{b.FORMAT}"\n' + ENTRY
    assert change[0] in text
    path = tmp_path / "mine.toml"
    path.write_text(text.replace(change[0], change[1], 1), encoding="utf-8")
    with pytest.raises(b.BandsError) as caught:
        b.load(path)
    line = str(caught.value)
    assert says in line
    assert str(path) in line
    assert "\n" not in line


def test_two_bands_for_one_thing_are_refused() -> None:
    with pytest.raises(b.BandsError, match="wrist_flexion@top has two bands"):
        b.parse(f'format = "{b.FORMAT}"\n' + ENTRY + ENTRY)


def test_a_missing_or_binary_file_is_one_line(tmp_path) -> None:
    with pytest.raises(b.BandsError, match="cannot be read"):
        b.load(tmp_path / "none.toml")
    (tmp_path / "raw.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(b.BandsError, match="not a text"):
        b.load(tmp_path / "raw.toml")


def test_a_file_can_widen_a_limit() -> None:
    wide = '[[limit]]\nangle = "wrist_flexion"\nlow = -95\nhigh = 90\nsource = "measured on this student"\n'
    bands = b.parse(f'format = "{b.FORMAT}"\n' + ENTRY.replace("low = -5", "low = -90") + wide)
    assert bands.bands[0].low_deg == -90
    assert {x.angle for x in bands.limits} == {"wrist_flexion", "wrist_deviation"}


# -- from a student's own swings -----------------------------------------------------------------
def test_own_band_holds_95_percent_of_further_swings() -> None:
    """Prediction interval of a normal sample: over many students, the band taken from n swings holds
    95 % of their next swings (e.g. Hahn & Meeker 1991, Statistical Intervals; from memory)."""
    import numpy as np

    rng = np.random.default_rng(7)
    for n in (4, 12):
        held = 0
        for _ in range(1000):
            x = rng.normal(-12, 4, n + 1)
            own = b.from_swings(
                measurement(*[swing(i + 1, flexion=float(v)) for i, v in enumerate(x[:n])]),
                range(1, n + 1),
                keys=("wrist_flexion@top",),
            )
            held += own.bands[0].low_deg <= x[n] <= own.bands[0].high_deg
        assert held / 1000 == pytest.approx(0.95, abs=0.025)


def test_own_band_is_for_its_club_and_tells_how_many_swings() -> None:
    own = b.from_swings(measurement(*[swing(i, flexion=f) for i, f in ((1, -9.0), (2, -11.0), (3, -10.0))]), [1, 2, 3])
    band = {x.key: x for x in own.bands}["wrist_flexion@top"]
    assert "n = 3" in band.source
    assert "Fewer than 10" in band.source
    assert band.clubs == ("7-iron",)
    assert band.low_deg == pytest.approx(-10 - 4.303 * (4 / 3) ** 0.5, abs=0.06)  # t(0.975, 2) = 4.303, any table


def test_own_band_refuses_what_cannot_give_one() -> None:
    with pytest.raises(b.BandsError, match="no swing 7"):
        b.from_swings(measurement(swing()), [7])
    with pytest.raises(b.BandsError, match="at least three"):
        b.from_swings(measurement(swing(1), swing(2)), [1, 2])
    with pytest.raises(b.BandsError, match="different kinds"):
        b.from_swings(measurement(swing(1), swing(2), swing(3, kind="slow")), [1, 2, 3])
    poor = [swing(i, grade="poor") for i in (1, 2, 3)]
    with pytest.raises(b.BandsError, match="at least three"):
        b.from_swings(measurement(*poor), [1, 2, 3])


def test_own_band_leaves_out_faces_with_another_zero() -> None:
    framed = [swing(i, face=Value(5.0, 1.0, None, ("zero_frame",))) for i in (1, 2, 3, 4)]
    with pytest.raises(b.BandsError, match="no band"):
        b.from_swings(measurement(*framed), [1, 2, 3, 4], keys=("face_to_forearm@top",))


def test_judging_again_changes_verdicts_only() -> None:
    before = measurement(b.judged(swing(flexion=-15)))
    after = b.judge_again(before, b.Bands((b.Band("wrist_flexion", "top", -20, -10, "coach"),)))
    assert after.swings[0].bands["wrist_flexion@top"].verdict == "inside"
    assert replace(after.swings[0], bands={}).to_json() == replace(before.swings[0], bands={}).to_json()
