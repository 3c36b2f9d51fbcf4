"""One archive in open formats: a ZIP of JSON lines, a CSV for spreadsheets, and the recordings as they came.

    manifest.json        format, and each file's size and SHA-256
    tables/NAME.jsonl    one row a line: students, lessons, recordings, swings, measurements, readings
    swings.csv           the same swings, for people
    recordings/ID/…      samples as they came

What is read back may have been made by anyone. Nothing of it is trusted: names that lead out of
the archive, links, doubles, files that unpack to more than they say or than is reasonable, rows
that do not fit. It is unpacked and checked aside first, and takes its place whole or not at all.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
import shutil
import stat
import unicodedata
import zipfile
import zlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import IO, Any

from sqlalchemy import Select, Table, select
from sqlalchemy.orm import Session

from imu.errors import CupbowError
from imu.library import files, finding
from imu.library.depot import fetched
from imu.library.schema import (
    ARCHIVED,
    IDENTITY,
    Base,
    Lesson,
    MeasuredRecording,
    Picked,
    Reading,
    Recording,
    Student,
    Swing,
    Try,
    decode,
    encode,
    table_of,
)
from imu.library.store import CALIBRATION, SAMPLES, Library
from imu.measured import write_whole

FORMAT = "cupbow.library/1"
MANIFEST = "manifest.json"
SPREADSHEET = "swings.csv"
LARGEST_MANIFEST = 64 << 20
LARGEST_LINE = 16 << 20
MOST_FILES = 500_000
LARGEST_RATIO = 200  # sensor text packs 3 to 10 times; more than this is made to fill disks
NOT_ARCHIVED = {"recordings": ("source",)}  # where it lay on this machine is nobody else's business


class ArchiveError(CupbowError):
    """An archive that is not what it claims to be; nothing of it was taken."""


# -- writing ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Exported:
    students: int
    recordings: int
    bytes: int


def export_archive(library: Library, path: Path | str, *, student_id: str | None = None) -> Exported:
    """Write everyone, or one student, to one archive that only its owner can read.

    The same library gives the same archive. Raises CupbowError where it cannot be written.
    """
    path = Path(path)
    if path.is_dir():
        raise ArchiveError(f"{path}: is a folder; name the archive's file, such as {path / 'library.zip'}")
    counts: dict[str, int] = {}
    write_whole(path, lambda place: counts.update(write_archive(library, place, student_id=student_id)))
    path.chmod(0o600)
    return Exported(counts["students"], counts["recordings"], path.stat().st_size)


def write_archive(library: Library, out: Path | IO[bytes], *, student_id: str | None = None) -> dict[str, int]:
    """As `export_archive`, to a file that is open, or to a path without care for what is there; how many
    `students` and `recordings` it holds."""
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as archive:
        return _write_archive(library, archive, student_id)


def _write_archive(library: Library, archive: zipfile.ZipFile, student_id: str | None) -> dict[str, int]:
    listed: dict[str, dict[str, Any]] = {}
    counts: dict[str, int] = {}
    recording_ids: list[str] = []
    with library.read() as session:  # one view: what is changed meanwhile is in the next archive
        for model in ARCHIVED:
            name = f"tables/{model.__tablename__}.jsonl"
            with _entry(archive, name, listed) as out:
                for row in _rows(session, model, student_id):
                    data = _row_json(row)
                    if isinstance(row, Recording):
                        recording_ids.append(row.id)
                    out.write(json.dumps(data, ensure_ascii=False, sort_keys=True).encode() + b"\n")
                    counts[model.__tablename__] = counts.get(model.__tablename__, 0) + 1
    with _entry(archive, SPREADSHEET, listed) as out:
        for lines in _spreadsheet(library, student_id):
            out.write(lines.encode())
    for recording_id in recording_ids:
        with fetched(library.depot.address(recording_id)) as folder:
            if not folder.is_dir():
                raise ArchiveError(f"{folder}: the recording's samples are gone; put them back, or undo what filed it")
            for file in files.listed(folder):
                with (
                    _entry(archive, f"recordings/{recording_id}/{file.relative_to(folder).as_posix()}", listed) as out,
                    open(file, "rb") as samples,
                ):
                    shutil.copyfileobj(samples, out, files.CHUNK)
    manifest = {"format": FORMAT, "files": listed}
    with _entry(archive, MANIFEST, {}) as out:
        out.write(json.dumps(manifest, indent=1, sort_keys=True).encode())
    return {"students": counts.get("students", 0), "recordings": len(recording_ids)}


class _Counted(io.RawIOBase):
    """A stream that keeps size and hash of what goes through."""

    def __init__(self, below: IO[bytes]) -> None:
        self.below, self.size, self.hash = below, 0, hashlib.sha256()

    def write(self, data: Any) -> int:
        self.size += len(data)
        self.hash.update(data)
        return self.below.write(data)


class _entry:
    """A file in the archive, noted in `listed` with size and hash when it is complete."""

    def __init__(self, archive: zipfile.ZipFile, name: str, listed: dict[str, dict[str, Any]]) -> None:
        info = zipfile.ZipInfo(name, date_time=(1980, 1, 1, 0, 0, 0))  # the same content gives the same bytes
        info.compress_type = zipfile.ZIP_DEFLATED
        info.external_attr = (stat.S_IFREG | 0o600) << 16
        self.stream = archive.open(info, "w", force_zip64=True)
        self.counted, self.name, self.listed = _Counted(self.stream), name, listed

    def __enter__(self) -> _Counted:
        return self.counted

    def __exit__(self, *_: object) -> None:
        self.stream.close()
        self.listed[self.name] = {"size": self.counted.size, "sha256": self.counted.hash.hexdigest()}


def _rows(session: Session, model: type[Base], student_id: str | None) -> Iterator[Any]:
    query = _with_student(select(model).execution_options(yield_per=200), model)
    if student_id is not None:
        query = query.where(Student.id == student_id)
    if model not in (Student, Lesson, Try, Picked):  # one still being written is in the next archive
        query = query.where(Recording.state == "kept")
    return iter(session.scalars(query.order_by(*table_of(model).primary_key.columns)))


def _with_student(query: Select[Any], model: type[Base]) -> Select[Any]:
    if model is Picked:
        return query.join(Student, Student.id == Picked.student_id)
    if model is Reading:
        query = query.join(Swing, Swing.id == Reading.swing_id)
    if model in (Reading, Swing):
        query = query.join(Recording, Recording.id == Swing.recording_id)
    if model is MeasuredRecording:
        query = query.join(Recording, Recording.id == MeasuredRecording.recording_id)
    if model is Try:
        query = query.join(Lesson, Lesson.id == Try.lesson_id)
    elif model not in (Student, Lesson):
        query = query.join(Lesson, Lesson.id == Recording.lesson_id)
    return query if model is Student else query.join(Student, Student.id == Lesson.student_id)


def _row_json(row: Any) -> dict[str, Any]:
    table = table_of(type(row))
    skipped = (*NOT_ARCHIVED.get(table.name, ()), "coach")
    return {c.name: encode(getattr(row, c.name)) for c in table.columns if c.name not in skipped}


def _spreadsheet(library: Library, student_id: str | None) -> Iterator[str]:
    """Its lines, a student's at a time."""
    keys = ("wrist_flexion@top", "wrist_flexion@impact", "face_to_forearm@top", "shaft_off_plane@shaft_level_down")
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\n")
    table.writerow(
        ["student", "held_at", "recording", "swing", "kind", "club", "grade", "thought", "left_out"]
        + ["start", "curve", "strike", "carry_m"]
        + [f"{key}_{part}_deg" for key in keys for part in ("value", "u95")]
    )
    for line in finding.students(library):
        if student_id not in (None, line.student.id):
            continue
        for swing in finding.swings(library, finding.Wanted(student_id=line.student.id), values=keys):
            table.writerow(
                [_cell(line.student.name), swing.held_at.isoformat(), swing.recording_id, swing.number, swing.kind]
                + [_cell(swing.club), swing.grade, _cell(swing.thought), _cell(swing.left_out or "")]
                + [swing.start, swing.curve, swing.strike, swing.carry_m]
                + [part for key in keys for part in swing.values[key]]
            )
        yield out.getvalue()
        out.seek(0)
        out.truncate()
    yield out.getvalue()  # of nobody: the heads alone


def _cell(text: str) -> str:
    """Text that no spreadsheet takes for a formula (OWASP, CSV injection)."""
    return f"'{text}" if text[:1] in ("=", "+", "-", "@", "\t", "\r") else text


# -- reading ---------------------------------------------------------------------------------------


@dataclass
class Imported:
    """What came in, and what stayed as it is here although the archive has it otherwise."""

    added: dict[str, int] = field(default_factory=dict)
    kept: dict[str, int] = field(default_factory=dict)
    there: int = 0  # rows that were the same already

    @property
    def nothing_new(self) -> bool:
        return not self.added


def import_archive(library: Library, path: Path | str) -> Imported:
    """Take an archive into the library; what is there already stays, so that twice is once.

    A row that differs from the one here stays as it is here and is counted. Raises ArchiveError,
    one line that names the file in the archive, where it is not sound; nothing is taken then.
    """
    path = Path(path)
    try:
        with zipfile.ZipFile(path) as archive, files.incoming(library.root) as place:
            return _take_in(library, archive, path, place)
    except (zipfile.BadZipFile, zlib.error) as error:
        raise ArchiveError(f"{path}: is not a whole ZIP archive ({error}); fetch or export it again") from None
    except OSError as error:
        raise ArchiveError(f"{path}: {error.strerror or error}; nothing was taken") from None
    except (RecursionError, MemoryError, NotImplementedError, RuntimeError, EOFError) as error:
        raise ArchiveError(f"{path}: cannot be unpacked ({type(error).__name__}); nothing was taken") from None


def _take_in(library: Library, archive: zipfile.ZipFile, path: Path, place: Path) -> Imported:
    entries = _sound_entries(archive, path)
    listed = _manifest(archive, entries, path)
    for name, info in entries.items():
        if name != MANIFEST:
            _unpack(archive, info, place / "unpacked" / name, listed[name], path)
    rows = _sound_rows(place / "unpacked", path)
    return _file(library, rows, place / "unpacked", path)


def _sound_entries(archive: zipfile.ZipFile, path: Path) -> dict[str, zipfile.ZipInfo]:
    infos = archive.infolist()
    if len(infos) > MOST_FILES:
        raise ArchiveError(f"{path}: holds {len(infos)} files, more than {MOST_FILES}; nothing was taken")
    whole = path.stat().st_size
    entries: dict[str, zipfile.ZipInfo] = {}
    seen: set[str] = set()
    total = packed = 0
    for info in infos:
        name = info.filename
        if info.is_dir() and not info.file_size:
            continue
        _sound_name(name, path)
        # Two names that some file system takes for one would overwrite each other.
        key = unicodedata.normalize("NFC", name).casefold()
        if key in seen:
            raise ArchiveError(f"{path}: {name!r} is in it twice; nothing was taken")
        seen.add(key)
        kind = stat.S_IFMT(info.external_attr >> 16)
        if kind not in (0, stat.S_IFREG):
            raise ArchiveError(f"{path}: {name!r} is a link or device, not a file; nothing was taken")
        if info.flag_bits & 0x1:
            raise ArchiveError(f"{path}: {name!r} is encrypted; export it again without a password")
        if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            raise ArchiveError(f"{path}: {name!r} is packed by a method that is not used here; nothing was taken")
        total += info.file_size
        packed += info.compress_size
        entries[name] = info
    if packed > whole or total > LARGEST_RATIO * whole + (1 << 20):
        raise ArchiveError(f"{path}: would unpack to {total >> 20} MB from {whole >> 10} kB; nothing was taken")
    if total > (free := shutil.disk_usage(_existing(path.parent)).free):
        raise ArchiveError(f"{path}: needs {total >> 20} MB, and {free >> 20} MB are free; make room and try again")
    return entries


def _existing(folder: Path) -> Path:
    return folder if folder.exists() else _existing(folder.parent)


def _sound_name(name: str, path: Path) -> None:
    parts = PurePosixPath(name).parts
    wrong = (
        not parts
        or name.startswith("/")
        or "\\" in name
        or ":" in name
        or len(name) > 1000
        or any(ord(c) < 32 for c in name)
        or any(part in ("..", ".") or part != part.rstrip(" .") or len(part) > 255 for part in name.split("/"))
        or "" in name.split("/")
    )
    if wrong:
        raise ArchiveError(f"{path}: {name[:80]!r} is not a name that an archive of a library has; nothing was taken")
    tables = {f"tables/{model.__tablename__}.jsonl" for model in ARCHIVED}
    of_recording = len(parts) >= 4 and parts[0] == "recordings" and parts[2] in (SAMPLES, CALIBRATION)
    if name not in (MANIFEST, SPREADSHEET, *tables) and not (of_recording and IDENTITY.fullmatch(parts[1])):
        raise ArchiveError(f"{path}: {name[:80]!r} does not belong into an archive of a library; nothing was taken")


def _manifest(archive: zipfile.ZipFile, entries: Mapping[str, zipfile.ZipInfo], path: Path) -> dict[str, Any]:
    if MANIFEST not in entries:
        raise ArchiveError(f"{path}: has no {MANIFEST}; choose an archive that `cupbow export` wrote")
    if entries[MANIFEST].file_size > LARGEST_MANIFEST:
        raise ArchiveError(f"{path}: {MANIFEST} is too large; nothing was taken")
    try:
        data = json.loads(archive.read(entries[MANIFEST]))
    except (UnicodeDecodeError, json.JSONDecodeError) as error:
        raise ArchiveError(f"{path}: {MANIFEST} is not JSON ({error}); nothing was taken") from None
    if not isinstance(data, dict) or not str(data.get("format", "")).startswith("cupbow.library/"):
        raise ArchiveError(f"{path}: {MANIFEST} is not of a library; choose an archive that `cupbow export` wrote")
    if data["format"] != FORMAT:
        raise ArchiveError(f"{path}: has format {data['format']!r}, this version reads {FORMAT!r}; upgrade cupbow")
    listed = data.get("files")
    if not isinstance(listed, dict) or set(listed) != set(entries) - {MANIFEST}:
        raise ArchiveError(f"{path}: holds other files than its {MANIFEST} lists; nothing was taken")
    for name, facts in listed.items():
        if not isinstance(facts, dict) or facts.get("size") != entries[name].file_size:
            raise ArchiveError(f"{path}: {name!r} is not as long as its {MANIFEST} says; nothing was taken")
    return listed


def _unpack(
    archive: zipfile.ZipFile, info: zipfile.ZipInfo, target: Path, facts: Mapping[str, Any], path: Path
) -> None:
    files.make_private(target.parent)
    digest, size = hashlib.sha256(), 0
    with archive.open(info) as packed, files.open_private(target) as out:
        while chunk := packed.read(files.CHUNK):
            size += len(chunk)
            if size > info.file_size:
                raise ArchiveError(f"{path}: {info.filename!r} unpacks to more than it says; nothing was taken")
            digest.update(chunk)
            out.write(chunk)
        out.flush()
        os.fsync(out.fileno())
    if digest.hexdigest() != facts.get("sha256"):
        raise ArchiveError(f"{path}: {info.filename!r} is damaged (its SHA-256 differs); nothing was taken")


class _Reread:
    """Rows that were found sound, read again when they are wanted: of a big library too many to hold."""

    def __init__(self, file: Path, table: Table, path: Path) -> None:
        self.file, self.table, self.path = file, table, path

    def __iter__(self) -> Iterator[dict[str, Any]]:
        return (decode(self.table, json.loads(line)) for line in _lines(self.file, self.path))


Rows = dict[str, "list[dict[str, Any]] | _Reread"]
LARGE = ("readings",)
AT_ONCE = 500  # so many of them are in memory while they are stored


def _sound_rows(unpacked: Path, path: Path) -> Rows:
    """Every row checked by itself, and that what it belongs to is in the archive too."""
    rows: Rows = {}
    known: dict[str, set[str]] = {}
    for model in ARCHIVED:
        table = table_of(model)
        name = f"tables/{table.name}.jsonl"
        required = {
            c.name for c in table.columns if not c.nullable and c.default is None and c.name not in ("coach",)
        } | {c.name for c in table.primary_key}
        kept: list[dict[str, Any]] = []
        rows[table.name] = _Reread(unpacked / name, table, path) if table.name in LARGE else kept
        identities: set[tuple[str, ...]] = set()
        for number, line in enumerate(_lines(unpacked / name, path), start=1):
            where = f"{path}: {name}: line {number}"
            try:
                data = json.loads(line)
                row = decode(table, data)
            except (ValueError, RecursionError) as error:
                raise ArchiveError(f"{where}: {error}; nothing was taken") from None
            if missing := sorted(required - set(row)):
                raise ArchiveError(f"{where}: {missing[0]} is missing; nothing was taken")
            for forbidden in (*NOT_ARCHIVED.get(table.name, ()), "coach"):
                row.pop(forbidden, None)
            identity = tuple(row[c.name] for c in table.primary_key)
            if identity in identities:
                raise ArchiveError(f"{where}: this row is there twice; nothing was taken")
            identities.add(identity)
            for key in table.foreign_keys:
                if row.get(key.parent.name) is None and key.parent.nullable:
                    continue
                if row[key.parent.name] not in known.get(key.column.table.name, set()):
                    raise ArchiveError(f"{where}: {key.parent.name} is of nothing in this archive; nothing was taken")
            _sound_meaning(table.name, row, unpacked, where)
            if table.name not in LARGE:
                kept.append(row)
        known[table.name] = {identity[0] for identity in identities}
    there = {p.name for p in (unpacked / "recordings").iterdir()} if (unpacked / "recordings").is_dir() else set()
    if stray := there - known["recordings"]:
        raise ArchiveError(f"{path}: recordings/{min(stray)} belongs to no recording; nothing was taken")
    return rows


def _sound_meaning(table: str, row: Mapping[str, Any], unpacked: Path, where: str) -> None:
    if table == "recordings":
        samples = unpacked / "recordings" / row["id"] / SAMPLES
        entry = row.get("entry") or ""
        if "/" in entry or "\\" in entry or entry in ("..", "."):
            raise ArchiveError(f"{where}: entry {entry[:80]!r} is not a file's name; nothing was taken")
        if row.get("state") != "kept":
            return
        if not samples.is_dir() or not (samples / entry).exists():
            raise ArchiveError(f"{where}: the recording's samples are not in the archive; nothing was taken")
        if files.content_hash(samples / entry) != row.get("sha256"):
            raise ArchiveError(
                f"{where}: the recording's samples are not the ones it was filed with; nothing was taken"
            )
    if table == "readings":
        from imu.measured import Swing as MeasuredSwing

        try:
            MeasuredSwing.from_json(row["document"])
        except (KeyError, TypeError, AttributeError, ValueError) as error:
            raise ArchiveError(f"{where}: is not a measured swing ({error!r}); nothing was taken") from None


def _lines(file: Path, path: Path) -> Iterator[bytes]:
    if not file.is_file():
        return
    with open(file, "rb") as stream:
        while line := stream.readline(LARGEST_LINE + 1):
            if len(line) > LARGEST_LINE:
                raise ArchiveError(f"{path}: {file.name} has a line that is too long; nothing was taken")
            yield line


def _file(library: Library, rows: Rows, unpacked: Path, path: Path) -> Imported:
    """Rows and recordings take their place: folders first, then all rows in one change."""
    result = Imported()
    with library.placing():
        with library.read() as session:
            renamed = _same_recordings(session, rows)
            here = set(session.scalars(select(Recording.id)))
            read_here = set(session.scalars(select(Swing.recording_id).distinct()))
        copies: dict[str, Path] = {}
        for row in rows["recordings"]:
            identity = row["id"]
            source = unpacked / "recordings" / identity
            if identity in renamed or identity in here or not source.is_dir():
                continue
            for folder in (source, *(p for p in source.rglob("*") if p.is_dir())):
                files.sync_folder(folder)
            copies[identity] = source
        moved = False
        try:
            with library.write("archive imported") as session:
                for model in ARCHIVED:
                    _insert(session, library, model, rows[model.__tablename__], renamed, read_here, result)
                # Rows first: one that is here, also another coach's that is not to be seen, is refused by its
                # identity before any file is touched. What lies in the place now is a leftover.
                moved = True
                library.depot.take(copies)
        except BaseException:
            for identity in copies if moved else ():
                library.depot.remove(identity)
            raise
    return result


def _same_recordings(session: Session, rows: Rows) -> dict[str, str]:
    """Recordings of the archive that are here under another identity, by their content."""
    hashes = {row["sha256"]: row["id"] for row in rows["recordings"] if row.get("sha256")}
    found = {}
    wanted = list(hashes)
    for start in range(0, len(wanted), 500):
        query = select(Recording.sha256, Recording.id).where(Recording.sha256.in_(wanted[start : start + 500]))
        for sha256, identity in session.execute(query).tuples():
            if sha256 is not None and hashes[sha256] != identity:
                found[hashes[sha256]] = identity
    return found


def _insert(
    session: Session,
    library: Library,
    model: type[Base],
    rows: Iterable[dict[str, Any]],
    renamed: Mapping[str, str],
    read_here: set[str],
    result: Imported,
) -> None:
    table = table_of(model)
    name = table.name
    held: list[Base] = []
    for row in rows:
        if _belongs_to_renamed(name, row, renamed, session):
            result.kept[name] = result.kept.get(name, 0) + 1
            continue
        existing = session.get(model, tuple(row[c.name] for c in table.primary_key))
        # A recording that was measured here has its own swings: another run's would double them.
        if existing is None and name in ("measurements", "swings") and row["recording_id"] in read_here:
            result.kept[name] = result.kept.get(name, 0) + 1
            continue
        if existing is None:
            values = dict(row)
            if name == "students":
                values["coach"] = library.coach
            held.append(made := model(**values))
            session.add(made)
            if name in LARGE and len(held) == AT_ONCE:
                session.flush()
                for made in held:
                    session.expunge(made)
                held.clear()
            result.added[name] = result.added.get(name, 0) + 1
        elif all(encode(getattr(existing, column)) == encode(value) for column, value in row.items()):
            result.there += 1
        else:
            result.kept[name] = result.kept.get(name, 0) + 1
    session.flush()


def _belongs_to_renamed(name: str, row: dict[str, Any], renamed: Mapping[str, str], session: Session) -> bool:
    if name == "recordings":
        return row["id"] in renamed
    if name in ("swings", "measurements"):
        return row["recording_id"] in renamed
    if name == "tries" and row.get("swing_id") is not None and session.get(Swing, row["swing_id"]) is None:
        row["swing_id"] = None  # the swing is here under another identity: the try stands by itself
    # A reading whose swing or measurement was not taken has nothing to stand on.
    return name == "readings" and (
        session.get(Swing, row["swing_id"]) is None or session.get(MeasuredRecording, row["measurement_id"]) is None
    )
