"""The part of an uncertainty that all swings of a calibration share survives being kept as data."""

from __future__ import annotations

import pytest

from imu.measured import Value


@pytest.mark.parametrize(
    "value",
    [
        Value(-21.25, 4.5, zero_u95_deg=4.125),
        Value(-21.25, 4.5, None, ("via_grip",), 0.0),
        Value(None, None, "hand sensor slipped"),
        Value(3.0, 1.0),
    ],
)
def test_value_round_trips_with_and_without_its_zero(value: Value) -> None:
    data = value.to_json()
    assert Value.from_json(data) == value
    assert ("u95_zero" in data) == (value.zero_u95_deg is not None)


def test_results_kept_before_the_split_still_load() -> None:
    assert Value.from_json({"value": 1.0, "u95": 2.0}).zero_u95_deg is None
