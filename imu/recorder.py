"""A live session on disk: a normal recording folder that is whole at every instant.

Samples go to one CSV a sensor, appended line by line as they come; `recording.toml` appears whole
and is replaced whole. A program that is killed at any byte loses at most what had not arrived:
what was written before reads as any recording does.
"""

from __future__ import annotations

import json
import os
import threading
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import BinaryIO

import numpy as np

from imu.errors import CupbowError, RecordingError
from imu.measured import write_whole
from imu.readers.source import Chunk, Notice, SensorInfo
from imu.recording import ROLES, Handedness, Pose, Role

MANIFEST = "recording.toml"
DIGITS = 6
"""Decimals in the files: microseconds, µm/s^2 and µrad/s are finer than any sensor."""

_HEADER = "t,ax,ay,az,gx,gy,gz,arrival,seq\n"
_LINE = ",".join(["%.6f"] * 8) + ",%d\n"
_GAP_S = 0.25
_MOST_GAPS = 500


@dataclass(frozen=True)
class Gap:
    """Samples that never came: between two stamps of a sensor."""

    role: Role
    start_s: float
    end_s: float
    lost: int | None


def refuse_taken(folder: Path) -> None:
    """Raises RecordingError where a recording cannot begin, since something is there already."""
    if folder.exists() and not folder.is_dir():
        raise RecordingError(f"{folder}: is a file; name a folder that is empty, or one to be made")
    if folder.is_dir() and any(folder.iterdir()):
        raise RecordingError(f"{folder}: is not empty; a recording needs a folder of its own")


class Recorder:
    """Writes what a source gives to `folder`, which must be empty or not there.

    Poses are given on the session's clock and written on the clock of the first sensor, as
    recordings have them. A disk that is full is said once by `trouble`; the session goes on.
    """

    def __init__(
        self,
        folder: Path | str,
        *,
        handedness: Handedness,
        sensors: Mapping[Role, SensorInfo],
        club: str | None = None,
        recorded_at: datetime | None = None,
        facts: Mapping[str, str] | None = None,
    ) -> None:
        self.folder = Path(folder)
        self.handedness, self.club = handedness, club
        self.recorded_at = recorded_at or datetime.now().astimezone().replace(microsecond=0)
        self.facts = dict(facts or {})  # e.g. drill; kept in the manifest, of no meaning to measuring
        self.trouble: str | None = None
        self.gaps: list[Gap] = []
        self.notices: list[Notice] = []
        self._sensors = dict(sensors)
        self._files: dict[Role, BinaryIO] = {}
        self._last: dict[Role, tuple[float, float]] = {}  # stamp, arrival
        self._first: dict[Role, tuple[float, float]] = {}
        self._starts: dict[Role, float] = {}  # stamp of the first sample
        self._rows: dict[Role, int] = {}
        self._poses: list[tuple[str, float, float]] = []
        self._stale = False  # the manifest says less than is known
        self._closed = False
        self._lock = threading.Lock()
        try:
            refuse_taken(self.folder)
            self.folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise RecordingError(f"{self.folder}: cannot be made ({error.strerror}); choose another place") from None

    @property
    def rows(self) -> Mapping[Role, int]:
        return dict(self._rows)

    @property
    def poses(self) -> tuple[Pose, ...]:
        """As the manifest has them."""
        first = self._first_role()
        if first is None:
            return ()
        stamp, arrival = self._first[first]
        # The first sensor's stamps run at the session's pace; its first packet fixes where.
        shift = arrival - stamp + self._starts[first]
        return tuple(
            Pose(name, round(max(0.0, a - shift), 3), round(max(0.0, b - shift), 3)) for name, a, b in self._poses
        )

    def write(self, chunk: Chunk) -> None:
        """Append a chunk; returns when the system has it."""
        if self._closed or len(chunk) == 0:
            return
        role = chunk.role
        new = role not in self._files
        try:
            if new:
                self._files[role] = (self.folder / f"{role}.csv").open("ab", buffering=0)
                self._files[role].write(_HEADER.encode())
                self._first[role] = (float(chunk.t_s[-1]), chunk.arrival_s)
                self._starts[role] = float(chunk.t_s[0])
                self._rows[role] = 0
            _write_all(self._files[role], _lines(chunk))
        except OSError as error:
            self._fault(error)
            return
        self._rows[role] += len(chunk)
        self._mark_gap(chunk)
        self._last[role] = (float(chunk.t_s[-1]), chunk.arrival_s)
        if new:
            self._write_manifest()

    def pose(self, name: str, start_s: float, end_s: float) -> None:
        """A calibration pose was held, on the session's clock. One of the same name and start is
        replaced."""
        self._poses = [p for p in self._poses if p[:2] != (name, start_s)]
        self._poses.append((name, start_s, end_s))
        self._write_manifest()

    def forget_pose(self, name: str, start_s: float) -> None:
        """A pose is to be taken again."""
        self._poses = [p for p in self._poses if p[:2] != (name, start_s)]
        self._write_manifest()

    def note(self, notice: Notice) -> None:
        if notice.kind not in ("on", "ended"):
            self.notices.append(notice)
            self._stale = True

    def settle(self) -> None:
        """Bring the manifest up to date and ask the disk to keep what it has: once a second is
        enough, and away from the event loop, since a disk may take its time."""
        try:
            for file in list(self._files.values()):
                if not file.closed:
                    os.fsync(file.fileno())
        except OSError as error:
            self._fault(error)
        if self._stale and not self._closed:
            self._write_manifest()

    def close(self) -> None:
        """Complete the recording. A folder into which nothing came is taken away again."""
        if self._closed:
            return
        self.settle()
        self._closed = True
        for file in self._files.values():
            file.close()
        if self._files:
            self._write_manifest()
        else:
            try:
                self.folder.rmdir()
            except OSError:
                return

    # -- inside
    def _first_role(self) -> Role | None:
        return next((role for role in _ordered(self._files)), None)

    def _mark_gap(self, chunk: Chunk) -> None:
        before = self._last.get(chunk.role)
        if before is None:
            return
        start, end = before[0], float(chunk.t_s[0])
        if end - start > _GAP_S and len(self.gaps) < _MOST_GAPS:
            self.gaps.append(Gap(chunk.role, start, end, chunk.lost))
            self._stale = True

    def _fault(self, error: OSError) -> None:
        if self.trouble is None:
            self.trouble = (
                f"{self.folder}: cannot be written any more ({error.strerror}); what came before is kept, "
                "make room and start a new recording"
            )

    def _write_manifest(self) -> None:
        # `settle` may run in another thread: whoever writes last must know the most.
        with self._lock:
            self._stale = False
            if not self._files:
                return
            try:
                write_whole(self.folder / MANIFEST, lambda path: path.write_text(self._manifest(), encoding="utf-8"))
            except CupbowError as error:
                self.trouble = self.trouble or str(error)

    def _manifest(self) -> str:
        lines = [f"handedness = {_text(self.handedness)}"]
        if self.club:
            lines.append(f"club = {_text(self.club)}")
        lines.append(f"recorded_at = {self.recorded_at.isoformat()}")
        lines += [f"{key} = {_text(value)}" for key, value in self.facts.items()]
        for role in _ordered(self._files):
            info = self._sensors.get(role)
            lines += [
                "",
                "[[sensor]]",
                f"role = {_text(role)}",
                f"file = {_text(role + '.csv')}",
                "columns = {" + ", ".join(f'{c} = "{c}"' for c in ("t", "ax", "ay", "az", "gx", "gy", "gz")) + "}",
                'accel_unit = "m/s^2"',
                'gyro_unit = "rad/s"',
                'time_unit = "s"',
            ]
            if info and info.accel_range:
                lines.append(f"accel_range = {info.accel_range:.6f}")
            if info and info.gyro_range:
                lines.append(f"gyro_range = {info.gyro_range:.6f}")
        for pose in self.poses:
            lines += [
                "",
                "[[pose]]",
                f"name = {_text(pose.name)}",
                f"start = {pose.start_s:.3f}",
                f"end = {pose.end_s:.3f}",
            ]
        lines += ["", "[live]", f"complete = {'true' if self._closed else 'false'}"]
        for role in _ordered(self._files):
            info = self._sensors.get(role)
            if info:
                about = ", ".join(filter(None, (info.name, info.device, info.address)))
                lines.append(f"{role} = {_text(about)}")
        for gap in self.gaps:
            lines += ["", "[[live.gap]]", f"role = {_text(gap.role)}", f"start = {gap.start_s:.3f}"]
            lines.append(f"end = {gap.end_s:.3f}")
            if gap.lost is not None:
                lines.append(f"lost = {gap.lost}")
        for notice in self.notices[-_MOST_GAPS:]:
            lines += ["", "[[live.notice]]", f"at = {notice.at_s:.3f}", f"text = {_text(notice.text)}"]
        return "\n".join(lines) + "\n"


def rounded(chunk: Chunk) -> Chunk:
    """A chunk as its file will give it back, to the last bit: what is measured live and what is
    measured from the folder are the same numbers."""
    return replace(
        chunk,
        t_s=np.round(chunk.t_s, DIGITS),
        accel=np.round(chunk.accel, DIGITS) + 0.0,
        gyro=np.round(chunk.gyro, DIGITS) + 0.0,
        arrival_s=round(chunk.arrival_s, DIGITS),
    )


def _lines(chunk: Chunk) -> bytes:
    n = len(chunk)
    seq = chunk.seq if chunk.seq is not None else np.full(n, -1)
    arrival = np.full(n, chunk.arrival_s)
    table = np.column_stack([chunk.t_s, chunk.accel, chunk.gyro, arrival]).tolist()
    return "".join(_LINE % (*row, number) for row, number in zip(table, seq.tolist(), strict=True)).encode()


def _write_all(file: BinaryIO, data: bytes) -> None:
    """Whole lines in one call to the system; what it leaves is written after."""
    done = file.write(data)
    while done < len(data):
        done += file.write(data[done:])


def _ordered(files: Mapping[Role, object]) -> list[Role]:
    return sorted(files, key=ROLES.index)


def _text(value: str) -> str:
    # JSON's escapes are TOML's too, but for DEL, which TOML wants escaped.
    return json.dumps(str(value), ensure_ascii=False).replace("\x7f", "\\u007f")
