"""Small invented recordings and results to fill a library with. Nothing here is measured."""

from __future__ import annotations

from pathlib import Path

from imu.measured import Event, Measurement, SensorReport, Swing, Value, Verdict

NAME = "Juno Ábarà-Ødegaard"  # accents, so that every spelling of a name is looked for


def recording_folder(
    place: Path, *, seed: int = 0, handedness: str = "left", club: str = "7-iron", day: int = 3, rows: int = 200
) -> Path:
    """A recording as a logger leaves it: a manifest and two files of samples."""
    place.mkdir(parents=True)
    (place / "recording.toml").write_text(
        f'handedness = "{handedness}"\nclub = "{club}"\nrecorded_at = 2026-05-{day:02d}T10:{seed % 60:02d}:00+01:00\n'
        '[[sensor]]\nrole = "forearm"\nfile = "forearm.csv"\n[[sensor]]\nrole = "club"\nfile = "club.csv"\n'
    )
    for role in ("forearm", "club"):
        lines = [f"{i / 100:.2f},0,0,{9.8 + seed * 1e-3 + len(role) * 1e-4:.4f},0,0,0" for i in range(rows)]
        (place / f"{role}.csv").write_text("t,ax,ay,az,gx,gy,gz\n" + "\n".join(lines) + "\n")
    return place


def swing(index: int, *, top_deg: float = -21.0, at_s: float | None = None, club_face: bool = True) -> Swing:
    at = 10.0 * index if at_s is None else at_s
    values = {"address": Value(-15.0, 3.0), "top": Value(top_deg, 3.0), "impact": Value(1.0, 4.0)}
    face = Value(17.0, 4.0) if club_face else Value(None, None, "no club sensor")
    return Swing(
        index=index,
        kind="full",
        ball=True,
        grade="good",
        reasons=(),
        events={"address": Event(at - 1.5), "top": Event(at - 0.3), "impact": Event(at)},
        angles={"wrist_flexion": values, "face_to_forearm": {"top": face}},
        changes={"wrist_flexion": {"top..impact": Value(22.0, 1.5)}},
        tempo={"backswing_s": 0.9, "downswing_s": 0.3, "ratio": 3.0},
        bands={"wrist_flexion@top": Verdict(-10.0, 4.0, "house", "below")},
    )


def measurement(*swings: Swing, handedness: str = "left", club: str = "7-iron") -> Measurement:
    sensor = SensorReport("forearm", 100.0, 200, 0, 0, 0, 0.0, 0.0, (0.1, 0.0, 0.0), False)
    return Measurement(handedness, club, (sensor,), (), swings or tuple(swing(i) for i in range(1, 6)))
