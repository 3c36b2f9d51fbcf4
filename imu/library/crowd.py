"""Big libraries from a seed, for measuring what they cost: invented students with years of lessons.

What was measured is not measured here: the values of a few measured swings come again and again,
each shifted by chance. Sizes are as in life: a student has ten lessons of two recordings with 25
swings each. Samples are a few lines a recording; what depends on their size has to be scaled.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import insert
from sqlalchemy.orm import Session

from imu.bands import verdict
from imu.library import files
from imu.library.depot import SAMPLES
from imu.library.measuring import SHIPPED_BANDS, code_version
from imu.library.schema import Lesson, MeasuredRecording, Reading, Recording, Student, Swing
from imu.library.store import Library
from imu.measured import Measurement

LESSONS, RECORDINGS, SWINGS = 10, 2, 25
PER_STUDENT = LESSONS * RECORDINGS * SWINGS
CLUBS = ("7-iron", "driver")
FIRST_DAY = datetime(2024, 4, 1, 10, tzinfo=UTC)
SHIFT_DEG = 4.0  # standard deviation from swing to swing
GIVEN = ("Ada", "Bela", "Cleo", "Dario", "Enno", "Fina", "Gesa", "Henk", "Ilse", "Jaro", "Kaja", "Levin")
FAMILY = ("Ambros", "Brandt", "Cassel", "Dorn", "Ebers", "Falk", "Grote", "Holm", "Isaksen", "Jessen", "Kern", "Linde")


@dataclass(frozen=True)
class Made:
    students: int
    recordings: int
    swings: int


def fill(library: Library, *, swings: int, seed: int, like: Measurement, swings_each: int = SWINGS) -> Made:
    """Add students until there are at least so many swings; `like` gives the values to shift.

    `swings_each`: swings a recording, for libraries of many small recordings.
    """
    rng = np.random.default_rng(seed)
    templates = [swing.to_json() for swing in like.swings]
    head = like.to_json()["recording"]
    per_student = LESSONS * RECORDINGS * swings_each
    students = -(-swings // per_student)
    for k in range(students):
        with library.write(None) as session:
            _student(session, library, rng, k, templates=templates, head=head, swings_each=swings_each)
    return Made(students, students * LESSONS * RECORDINGS, students * per_student)


def _student(
    session: Session,
    library: Library,
    rng: np.random.Generator,
    k: int,
    *,
    templates: Sequence[dict[str, Any]],
    head: dict[str, Any],
    swings_each: int,
) -> None:
    student = _identity(rng)
    name = f"{GIVEN[k % len(GIVEN)]} {FAMILY[k // len(GIVEN) % len(FAMILY)]} {k:05d}"
    rows: dict[type, list[dict[str, Any]]] = {
        Student: [{"id": student, "coach": library.coach, "name": name, "handedness": head["handedness"]}]
    }
    copies: dict[str, Path] = {}
    with files.incoming(library.root) as place:
        for i in range(LESSONS):
            lesson = _identity(rng)
            held_at = FIRST_DAY + timedelta(days=30 * i + int(rng.integers(20)), minutes=k % 400)
            row = {"id": lesson, "student_id": student, "kind": "lesson", "held_at": held_at, "thought": "flat wrist"}
            rows.setdefault(Lesson, []).append(row)
            for j in range(RECORDINGS):
                recording, measurement = _identity(rng), _identity(rng)
                copies[recording] = place / recording
                size = _samples(place / recording / SAMPLES, recording)
                rows.setdefault(Recording, []).append(
                    {
                        "id": recording,
                        "lesson_id": lesson,
                        "sha256": files.content_hash(place / recording / SAMPLES),
                        "recorded_at": held_at + timedelta(minutes=20 * j),
                        "handedness": head["handedness"],
                        "club": CLUBS[j % len(CLUBS)],
                        "bytes": size,
                    }
                )
                rows.setdefault(MeasuredRecording, []).append(
                    {
                        "id": measurement,
                        "recording_id": recording,
                        "code": code_version(),
                        "calibration": recording,
                        "bands": SHIPPED_BANDS,
                        "head": head,
                    }
                )
                for number, document in enumerate(_shifted(rng, templates, swings_each), start=1):
                    swing = _identity(rng)
                    rows.setdefault(Swing, []).append(
                        {
                            "id": swing,
                            "recording_id": recording,
                            "number": number,
                            "at_s": 10.0 * number,
                            "kind": document["kind"],
                            "ball": document["ball"],
                            "grade": document["quality"]["grade"],
                        }
                    )
                    rows.setdefault(Reading, []).append(
                        {"measurement_id": measurement, "swing_id": swing, "document": document}
                    )
        library.depot.take(copies)
    for model, many in rows.items():
        session.execute(insert(model), many)


def _samples(folder: Path, recording: str) -> int:
    files.make_private(folder)
    text = f"# {recording}\nt,ax,ay,az,gx,gy,gz\n" + "".join(f"{i / 100:.2f},0,0,9.81,0,0,0\n" for i in range(20))
    (folder / "forearm.csv").write_text(text, encoding="utf-8")
    return len(text)


def _shifted(rng: np.random.Generator, templates: Sequence[dict[str, Any]], count: int) -> Iterator[dict[str, Any]]:
    """Documents of swings like the templates, every angle shifted; verdicts follow."""
    for k in range(count):
        document = json.loads(json.dumps(templates[k % len(templates)]))
        document["index"] = k + 1
        for table in ("angles", "changes"):
            for angle, per in document[table].items():
                for event, value in per.items():
                    if value["value"] is None:
                        continue
                    value["value"] = round(value["value"] + SHIFT_DEG * rng.standard_normal(), 3)
                    band = document["bands"].get(f"{angle}@{event}")
                    if band is not None:
                        band["verdict"] = verdict(
                            low=band["low"], high=band["high"], value=value["value"], u95=value["u95"]
                        )
        yield document


def _identity(rng: np.random.Generator) -> str:
    return rng.bytes(16).hex()
