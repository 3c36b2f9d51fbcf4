"""The pages in German, in a process of their own: the language is chosen when the program starts.

`python -m tests.german_site FOLDER` prints where it listens and what is there, one line of JSON, and serves until it is
ended. The recordings are made of numbers alone.
"""

from __future__ import annotations

import json
import os
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from imu.library import Library, filing, finding, picks
from imu.library.outlook import outlook
from imu.measured import Measurement, Value
from tests.chain_case import file_lessons
from tests.lessons import lesson
from tests.synthetic_measurement import measurement as swings_of

STUDENT = "Juno Abara"
LESSONS = {
    "april": ("2026-04-12", "Eisen 7", 18, 0.0, 0.0),
    "mai": ("2026-05-03", "Eisen 7", 12, 6.0, -3.0),
    "ende-mai": ("2026-05-24", "Eisen 7", 21, 14.0, -1.0),
    "driver": ("2026-04-12", "Driver", 4, -3.0, 0.0),
    "schwuenge": ("2026-06-01", "Wedge", 22, 0.0, 0.0),
}
WARNINGS = (
    "the hand sensor sits 12° otherwise than in the saved calibration: its strap has slipped or was put on anew; "
    "hold the poses again",
    "poses found from the motion: hang at 3.2 s, grip_flat at 14.0 s",
)


def measure(path: Path, *, progress: object) -> Measurement:
    """Stands in for measuring, by the recording's name."""
    if path.name == "schwuenge":
        return _with_reasons(swings_of(22))
    _, club, n, wrist, shaft = LESSONS[path.name]
    others = {"shaft_past_level@top": shaft, "face_to_forearm@top": 0.3 * shaft}
    r = np.random.default_rng(sum(map(ord, path.name)))
    return lesson(r, n=n, wrist=wrist, zero_sd=1.0, club=club, traces=True, others=others)


def _with_reasons(m: Measurement) -> Measurement:
    """Every missing value says what measuring says of one."""
    said = {
        "only near address and impact": "the face's heading means aim only near address and impact",
        "only at the top": "the shaft never rose above level",
        "the forearm sensor clipped": "the forearm sensor lost or clipped its samples here",
        "club sensor clipped at impact": "the club sensor lost or clipped its samples here",
        "finish was not reached": "the recording ends before the swing does",
        "the club was not followed that far": "the recording ends before the swing does",
    }

    def value(v: Value) -> Value:
        return v if v.reason is None else replace(v, reason=said[v.reason])

    swings = []
    for s in m.swings:
        tables = {
            name: {a: {e: value(v) for e, v in per.items()} for a, per in getattr(s, name).items()}
            for name in ("angles", "changes")
        }
        events = {k: e if e.reason is None else replace(e, reason=said[e.reason]) for k, e in s.events.items()}
        reasons = ("the wrist at the top is known to ±12° only",) if s.grade == "poor" else s.reasons
        swings.append(replace(s, events=events, reasons=reasons, **tables))
    return replace(m, swings=tuple(swings), warnings=WARNINGS)


def _library(place: Path) -> str:
    """A student with two lessons, the second with balls noted and a change picked; returns the second's identity."""
    with Library.open(place / "library") as library:
        juno = filing.add_student(library, name=STUDENT, handedness="right", clubs=["Eisen 7", "Driver"]).id
        file_lessons(library, place, juno)
        found = outlook(library, juno)
        picks.pick(library, juno, found.candidates.ranked[0], club=found.club)
        return json.dumps({"student": juno, "lesson": finding.lessons(library, student_id=juno)[0].lesson.id})


def main(place: Path) -> None:
    (place / "settings.toml").write_text('language = "de"\n', encoding="utf-8")
    os.environ["CUPBOW_SETTINGS"] = str(place / "settings.toml")
    import socket

    import uvicorn

    from dashboard.app import create_app
    from dashboard.service import Ready, Service

    for name, (day, club, *_) in LESSONS.items():
        (place / "aufnahmen" / name).mkdir(parents=True)
        text = f'handedness = "right"\nclub = "{club}"\nrecorded_at = {day}T10:00:00+02:00\n# {name}\n'
        (place / "aufnahmen" / name / "recording.toml").write_text(text, encoding="utf-8")
    there = json.loads(_library(place))
    service = Service(
        place / "aufnahmen", cache_dir=place / "cache", data_dir=place / "data", library=place / "library",
        measurer=measure,
    )  # fmt: skip
    until = time.monotonic() + 60
    while not all(isinstance(service.open(e), Ready) for e in service.recordings()) and time.monotonic() < until:
        time.sleep(0.05)
    listening = socket.socket()
    listening.bind(("127.0.0.1", 0))
    listening.listen()
    there["address"] = f"http://127.0.0.1:{listening.getsockname()[1]}"
    print(json.dumps(there), flush=True)
    uvicorn.Server(uvicorn.Config(create_app(service).server, log_level="warning", lifespan="off")).run([listening])


if __name__ == "__main__":
    main(Path(sys.argv[1]))
