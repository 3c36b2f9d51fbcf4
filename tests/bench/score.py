"""Measured against true: errors, coverage and clocks over many recordings, as tables."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    import pandas as pd

    from imu.measured import Measurement

MATCH_S = 0.3  # a measured swing is the true one whose impact (else top) is this near
RELATIVE = ("wrist_flexion", "wrist_deviation")  # also scored as changes since address
BY_DEFINITION = {
    *((angle, "address") for angle in ("forearm_roll", "face_roll", "face_since_address", "shaft_off_plane")),
    *(("shaft_elevation", f"shaft_level_{way}") for way in ("back", "down", "through")),
}
"""Zero whatever was measured: no interval could miss them, so none counts as having held them."""


@dataclass
class Scores:
    """Rows of many recordings: one a value, one an event, one a clock, one a recording."""

    values: list[dict[str, Any]] = field(default_factory=list)
    events: list[dict[str, Any]] = field(default_factory=list)
    clocks: list[dict[str, Any]] = field(default_factory=list)
    recordings: list[dict[str, Any]] = field(default_factory=list)

    def add(self, other: Scores) -> None:
        for name in ("values", "events", "clocks", "recordings"):
            getattr(self, name).extend(getattr(other, name))


def wrapped(deg: float) -> float:
    """An angle's error, at most half a turn."""
    return (deg + 180.0) % 360.0 - 180.0


def match(
    measurement: Measurement, truth: Mapping[str, Any]
) -> tuple[list[tuple[Any, Mapping[str, Any]]], list[Any], int]:
    """Pairs (measured, true) by nearest impact; swings missed; swings that never were."""

    def when(events: Mapping[str, Any], get: Callable[[Any], float | None]) -> float | None:
        for name in ("impact", "top", "takeaway"):
            t = get(events[name]) if name in events else None
            if t is not None:
                return t
        return None

    true_times = [when(s["events"], lambda x: x) for s in truth["swings"]]
    measured = [(s, when(s.events, lambda e: e.t_s)) for s in measurement.swings]
    distances = sorted(
        (abs(t - u), i, j)
        for i, (_, t) in enumerate(measured)
        for j, u in enumerate(true_times)
        if t is not None and u is not None and abs(t - u) <= MATCH_S
    )
    pairs: dict[int, int] = {}
    for _, i, j in distances:
        if i not in pairs and j not in pairs.values():
            pairs[i] = j
    found = [(measured[i][0], truth["swings"][j]) for i, j in sorted(pairs.items())]
    missed = [s for j, s in enumerate(truth["swings"]) if j not in pairs.values()]
    return found, missed, len(measured) - len(pairs)


def score(
    measurement: Measurement, truth: Mapping[str, Any], *, recording: int, seconds: float = float("nan")
) -> Scores:
    """Compare one measured recording with its truth.json."""
    out = Scores()
    pairs, missed, false = match(measurement, truth)
    owners = {truth["first_role"], "club" if "club" in truth["sensors"] else truth["first_role"]}
    device = all(truth["sensors"][role]["stamps"] in ("exact", "ticks") for role in owners)
    for swing, true in pairs:
        key = {"recording": recording, "swing": true["index"], "kind": true["kind"]}
        for name, t in true["events"].items():
            got = swing.events[name].t_s if name in swing.events else None
            out.events.append(
                {
                    **key,
                    "event": name,
                    "true": t,
                    "device": device,
                    "error_s": None if got is None or t is None else got - t,
                }
            )
        for angle, event, value, u95, reason, marks, known in [
            *_compared(swing, true["angles_deg"]),
            # when the first sample was is left open by stamps on arrival, and so is when anything else was
            *(_contact_told(swing, true) if device else ()),
        ]:
            error = None if value is None else wrapped(value - known)
            row = {"angle": angle, "event": event, "true": known, "value": value, "error": error, "u95": u95}
            out.values.append({**key, **row, "reason": reason, "marks": marks, "grade": swing.grade})
    times = [s["events"]["impact"] for s in truth["swings"] if s["events"]["impact"] is not None]
    for sensor in measurement.sensors:
        facts = truth["sensors"][sensor.role]
        if sensor.role == truth["first_role"]:
            continue
        for t in times:
            true_offset = facts["clock_offset_s"] + facts["clock_drift_ppm"] * 1e-6 * t
            got_offset = (
                None
                if sensor.clock_offset_s is None
                else sensor.clock_offset_s + (sensor.clock_drift_ppm or 0.0) * 1e-6 * t
            )
            out.clocks.append(
                {"recording": recording, "role": sensor.role, "stamps": facts["stamps"],
                 "error_s": None if got_offset is None else got_offset - true_offset}
            )  # fmt: skip
    out.recordings.append(
        {
            "recording": recording,
            "swings": len(truth["swings"]),
            "missed": sum(s["kind"] != "slow" for s in missed),
            "missed_slow": sum(s["kind"] == "slow" for s in missed),
            "false": false,
            "wrong_kind": sum(s.kind != t["kind"] for s, t in pairs),
            "seconds": seconds,
            "warnings": len(measurement.warnings),
        }
    )
    return out


Compared = tuple[str, str, float | None, float | None, str | None, str, float]


def _compared(swing: Any, truth: Mapping[str, Mapping[str, float | None]]) -> Iterator[Compared]:
    """angle, event, measured, u95, reason, marks, true: of the angles, of the wrist since address, of the
    changes that were reported."""
    for angle, per in swing.angles.items():
        for event, value in per.items():
            known = truth.get(angle, {}).get(event)
            if known is not None:
                yield angle, event, value.value_deg, value.u95_deg, value.reason, ",".join(value.marks), known
    for angle in RELATIVE:
        per, true = swing.angles.get(angle, {}), truth[angle]
        base = per["address"].value_deg if "address" in per else None
        for event, value in per.items():
            known, start = true.get(event), true["address"]
            if event == "address" or None in (base, value.value_deg, known, start):
                continue
            yield f"{angle} since address", event, value.value_deg - base, None, None, "", known - start  # type: ignore[operator]
    for angle, per in swing.changes.items():
        for span, value in per.items():
            before, after = (truth.get(angle, {}).get(event) for event in span.split(".."))
            if before is not None and after is not None:
                change = after - before
                yield f"change of {angle}", span, value.value_deg, value.u95_deg, value.reason, "", change


def _contact_told(swing: Any, truth: Mapping[str, Any]) -> Iterator[Compared]:
    """The face at impact, of swings that have it, had the moment of contact been told: what remains is the attitude's."""
    t, known = truth["events"].get("impact"), truth["angles_deg"]["face_since_address"].get("impact")
    face = swing.angles.get("face_since_address", {}).get("impact")
    trace = swing.trace
    if None in (t, known, face, trace) or face.value_deg is None:
        return
    told = float(np.interp(t, trace.t_s, trace.angles_deg["face_since_address"]))
    yield "face_since_address, contact told", "impact", told, None, None, "", known


# -- tables --------------------------------------------------------------------------------------------


def angle_table(scores: Scores) -> pd.DataFrame:
    """One row an angle and event: n, nulls, RMSE, bias, median and 95th percentile of |error|, coverage of
    u95 in per cent with its standard error clustered by recording, median u95; degrees."""
    import pandas as pd

    if not scores.values:
        return pd.DataFrame()
    table = pd.DataFrame(scores.values)
    rows = []
    for (angle, event), part in table.groupby(["angle", "event"], sort=False):
        known = part[part["error"].notna()]
        e = known["error"].to_numpy(float)
        row: dict[str, Any] = {"angle": angle, "event": event, "n": len(e), "null": len(part) - len(e)}
        if len(e):
            size = np.abs(e)
            row |= {
                "rmse": np.sqrt(np.mean(e**2)),
                "bias": e.mean(),
                "median": np.median(size),
                "p95": np.percentile(size, 95),
            }
            row |= _coverage(known)
        rows.append(row)
    return pd.DataFrame(rows)


def _coverage(known: pd.DataFrame) -> dict[str, float]:
    judged = known[known["u95"].notna()]
    if judged.empty:
        return {"cover": np.nan, "cover_se": np.nan, "u95": np.nan}
    hit = (judged["error"].abs() <= judged["u95"]).astype(float)
    share = hit.mean()
    by = (hit - share).groupby(judged["recording"]).sum()  # recordings are independent, their swings are not
    se = float(np.sqrt((by**2).sum()) / len(hit))
    return {"cover": 100 * share, "cover_se": 100 * se, "u95": float(judged["u95"].median())}


def overall_coverage(scores: Scores) -> dict[str, float]:
    import pandas as pd

    if not scores.values:
        return {}
    rows = [v for v in scores.values if v["error"] is not None and (v["angle"], v["event"]) not in BY_DEFINITION]
    return _coverage(pd.DataFrame(rows)) if rows else {}


def event_table(scores: Scores, *, device: bool = False) -> pd.DataFrame:
    """One row an event: n, not found, RMSE, median, p95 in ms; with `device`, only of recordings whose first sensor and
    club have device stamps (exact or ticks), where there are any."""
    import pandas as pd

    if device and any(e["device"] for e in scores.events):
        scores = Scores(events=[e for e in scores.events if e["device"]])

    if not scores.events:
        return pd.DataFrame()
    rows = []
    for event, part in pd.DataFrame(scores.events).groupby("event", sort=False):
        part = part[part["true"].notna()]
        e = 1e3 * part["error_s"].dropna().to_numpy(float)
        row: dict[str, Any] = {"event": event, "n": len(e), "null": len(part) - len(e)}
        if len(e):
            row |= {
                "rmse_ms": np.sqrt(np.mean(e**2)),
                "bias_ms": e.mean(),
                "median_ms": np.median(np.abs(e)),
                "p95_ms": np.percentile(np.abs(e), 95),
            }
        rows.append(row)
    return pd.DataFrame(rows)


def clock_table(scores: Scores) -> pd.DataFrame:
    """Offset errors at impact by sensor and kind of stamp, ms."""
    import pandas as pd

    if not scores.clocks:
        return pd.DataFrame()
    table = pd.DataFrame(scores.clocks)
    rows = []
    for key, part in [("all", table), *table.groupby("role"), *table.groupby("stamps")]:
        e = 1e3 * np.abs(part["error_s"].dropna().to_numpy(float))
        row: dict[str, Any] = {"clocks": key, "n": len(e), "null": len(part) - len(e)}
        if len(e):
            row |= {"median_ms": np.median(e), "p95_ms": np.percentile(e, 95), "max_ms": e.max()}
        rows.append(row)
    return pd.DataFrame(rows)


LEVELS = ("shaft_level_back", "arm_level_back", "arm_level_down", "shaft_level_down")
WRIST = ("address", *LEVELS, "top")


@dataclass(frozen=True)
class Goal:
    what: str
    cells: tuple[tuple[str, str], ...]  # each cell by itself
    limit: float  # deg rmse


GOALS = (
    Goal("wrist flexion, address to shaft level", tuple(("wrist_flexion", e) for e in WRIST), 0.5),
    Goal("wrist deviation, the same", tuple(("wrist_deviation", e) for e in WRIST), 0.8),
    Goal("both at impact", (("wrist_flexion", "impact"), ("wrist_deviation", "impact")), 1.0),
    Goal("face_to_forearm at the top", (("face_to_forearm", "top"),), 0.6),
    Goal("shaft_off_plane at the levels", tuple(("shaft_off_plane", e) for e in LEVELS), 1.0),
    Goal("shaft_past_level", (("shaft_past_level", "top"),), 0.8),
    Goal("face_since_address at impact", (("face_since_address", "impact"),), 1.5),
)


def goal_table(scores: Scores) -> pd.DataFrame:
    """The goals: worst cell's RMSE against the limit, and clocks, swings and event times."""
    import pandas as pd

    rows: list[dict[str, Any]] = []
    angles = angle_table(scores)
    got = {} if angles.empty else {(r.angle, r.event): r for r in angles.itertuples()}
    for goal in GOALS:
        cells = [(getattr(got[c], "rmse", np.nan), c[1]) for c in goal.cells if c in got and got[c].n]
        worst = max(cells, default=(np.nan, ""))
        rows.append({"goal": goal.what, "limit": goal.limit, "got": worst[0], "unit": "deg", "worst": worst[1]})
    clocks = clock_table(scores)
    if not clocks.empty and "median_ms" in clocks:
        rows.append({"goal": "clocks, median", "limit": 0.2, "got": clocks["median_ms"][0], "unit": "ms"})
        rows.append({"goal": "clocks, p95", "limit": 1.0, "got": clocks["p95_ms"][0], "unit": "ms"})
    events = event_table(scores, device=True)
    if not events.empty and "rmse_ms" in events:
        by = events.set_index("event")["rmse_ms"]
        for event, limit in (("impact", 2.0), ("top", 8.0), *((e, 8.0) for e in LEVELS), ("takeaway", 40.0)):
            rows.append({"goal": f"time of {event}", "limit": limit, "got": by.get(event, np.nan), "unit": "ms rms"})
    records = pd.DataFrame(scores.recordings)
    if not records.empty:
        rows.append(
            {
                "goal": "swings missed",
                "limit": 0,
                "got": records["missed"].sum(),
                "unit": f"of {records['swings'].sum()}",
            }
        )
        rows.append(
            {"goal": "false swings", "limit": 0, "got": records["false"].sum(), "unit": f"in {len(records)} recordings"}
        )
    for row in rows:
        row["met"] = bool(row["got"] <= row["limit"])
    cover = overall_coverage(scores)
    if cover:
        rows.append({"goal": "u95 covers 93 to 97 %", "limit": 93, "got": cover["cover"], "unit": f"% ± {cover['cover_se']:.1f}",
                     "met": 93 <= cover["cover"] <= 97})  # fmt: skip
        judged = angles[angles["cover"].notna()] if "cover" in angles else angles[:0]
        judged = judged[[cell not in BY_DEFINITION for cell in zip(judged["angle"], judged["event"], strict=True)]]
        if not judged.empty:
            least = judged.sort_values("cover").iloc[0]
            rows.append({"goal": "u95 covers, worst cell", "limit": 88, "got": least["cover"], "unit": "%",
                         "worst": f"{least['angle']} {least['event']}", "met": least["cover"] >= 88})  # fmt: skip
    table = pd.DataFrame(rows)
    return table
