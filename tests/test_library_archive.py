"""Archives: everything goes out and comes back, twice is once, and hostile ones are refused whole."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import stat
import struct
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from imu.errors import CupbowError
from imu.library import Library, filing, finding
from imu.library.archive import ArchiveError, export_archive, import_archive
from imu.library.filing import Outcome
from imu.library.finding import Wanted
from tests.library_case import NAME, measurement, recording_folder, swing
from tests.test_library import state, tree


def fill(tmp_path: Path) -> Library:
    library = Library.open(tmp_path / "full")
    juno = filing.add_student(library, name=NAME, handedness="left", notes="=1+1 is not a formula").id
    per = filing.add_student(library, name="Per Linde", handedness="left").id
    for i, owner in enumerate((juno, juno, per)):
        folder = recording_folder(tmp_path / "range" / str(i), seed=i, rows=30)
        added = filing.add_recording(library, folder, student_id=owner)
        filing.store_measurement(library, added.recording.id, measurement(), code="1", bands="shipped")
    one = finding.swings(library, Wanted(student_id=juno))[0]
    filing.correct_swings(library, one.recording_id, first=3, club="-8-iron")
    filing.set_outcome(library, one.id, Outcome("left", "none", "toe", 120.5))
    filing.note_try(library, one.lesson_id, drill="hold", number=1, held=None, shown=True, swing_id=one.id)
    return library


@pytest.fixture
def full(tmp_path: Path):
    library = fill(tmp_path)
    yield library
    library.close()


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A sound archive, to be spoiled."""
    place = tmp_path_factory.mktemp("good")
    with fill(place) as library:
        export_archive(library, place / "good.zip")
    return place / "good.zip"


def without_source(rows: dict[str, list]) -> dict[str, list]:
    return {
        name: [tuple(v for v in r if "/range/" not in str(v) and v != "") for r in table]
        for name, table in rows.items()
    }


def test_everything_comes_back_in_another_library_and_twice_is_once(full, tmp_path):
    file = tmp_path / "all.zip"
    done = export_archive(full, file)
    assert (done.students, done.recordings, done.bytes) == (2, 3, file.stat().st_size)
    assert stat.S_IMODE(file.stat().st_mode) & 0o077 == 0
    with Library.open(tmp_path / "other") as other:
        first = import_archive(other, file)
        assert first.added == {
            "students": 2, "lessons": 2, "recordings": 3, "swings": 15, "tries": 1, "measurements": 3, "readings": 15
        }  # fmt: skip
        assert without_source(state(other)) == without_source(state(full))
        assert tree(other.root / "recordings") == tree(full.root / "recordings")
        before = state(other)
        again = import_archive(other, file)
        assert again.nothing_new
        assert not again.kept
        assert state(other) == before
        export_archive(other, tmp_path / "again.zip")
        assert (tmp_path / "again.zip").read_bytes() == file.read_bytes(), "the same content is the same archive"
        assert all(not p.stat().st_mode & 0o077 for p in other.root.rglob("*"))


def test_what_was_corrected_here_stays_and_is_counted(full, tmp_path):
    export_archive(full, tmp_path / "all.zip")
    juno = finding.student_named(full, "juno")
    filing.edit_student(full, juno.id, changes={"aims": "draw"})
    result = import_archive(full, tmp_path / "all.zip")
    assert result.nothing_new
    assert result.kept == {"students": 1}
    assert finding.student_named(full, "juno").aims == "draw"


def test_the_same_recording_under_another_identity_is_not_doubled(full, tmp_path):
    export_archive(full, tmp_path / "all.zip")
    with Library.open(tmp_path / "other") as other:
        mine = filing.add_student(other, name="Juno", handedness="left").id
        added = filing.add_recording(other, tmp_path / "range" / "0", student_id=mine)
        filing.store_measurement(other, added.recording.id, measurement(swing(1)), code="2")
        result = import_archive(other, tmp_path / "all.zip")
        assert result.added["recordings"] == 2
        assert result.kept["recordings"] == 1
        assert len(finding.swings(other, Wanted())) == 11
        assert [t.swing_id for line in finding.students(other) for lesson in
                finding.lessons(other, student_id=line.student.id)
                for t in finding.tries(other, lesson_id=lesson.lesson.id)] == [None]  # fmt: skip


def test_one_student_goes_out_alone(full, tmp_path):
    juno = finding.student_named(full, "juno")
    export_archive(full, tmp_path / "juno.zip", student_id=juno.id)
    content = b"".join(
        zipfile.ZipFile(tmp_path / "juno.zip").read(n) for n in zipfile.ZipFile(tmp_path / "juno.zip").namelist()
    )
    assert b"Per Linde" not in content
    assert str(tmp_path).encode() not in content, "no path of this machine goes out"
    with Library.open(tmp_path / "other") as other:
        import_archive(other, tmp_path / "juno.zip")
        assert [line.student.name for line in finding.students(other)] == [NAME]
        assert finding.count_swings(other, Wanted()) == 10


def test_the_spreadsheet_is_for_people_and_runs_no_formula(full, tmp_path):
    export_archive(full, tmp_path / "all.zip")
    table = list(csv.DictReader(io.StringIO(zipfile.ZipFile(tmp_path / "all.zip").read("swings.csv").decode())))
    assert len(table) == 15
    one = next(row for row in table if row["start"])
    assert (one["start"], one["carry_m"], one["wrist_flexion@top_value_deg"]) == ("left", "120.5", "-21.0")
    assert {row["club"] for row in table} == {"7-iron", "'-8-iron"}


# -- hostile archives ------------------------------------------------------------------------------


def rebuilt(source: Path, target: Path, change: Callable[[dict[str, bytes]], None], *, honest: bool = True) -> Path:
    """An archive with changed content and a manifest that fits it."""
    with zipfile.ZipFile(source) as archive:
        content = {name: archive.read(name) for name in archive.namelist()}
    change(content)
    if honest:
        manifest = json.loads(content["manifest.json"])
        manifest["files"] = {
            name: {"size": len(data), "sha256": hashlib.sha256(data).hexdigest()}
            for name, data in content.items()
            if name != "manifest.json"
        }
        content["manifest.json"] = json.dumps(manifest).encode()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in content.items():
            info = zipfile.ZipInfo(name)
            info.filename = name  # as it is, also where ZipInfo would mend it
            info.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(info, data)
    return target


def lines(content: dict[str, bytes], table: str) -> list[dict]:
    return [json.loads(line) for line in content[f"tables/{table}.jsonl"].splitlines()]


def put(content: dict[str, bytes], table: str, rows: list[dict]) -> None:
    content[f"tables/{table}.jsonl"] = b"".join(json.dumps(row).encode() + b"\n" for row in rows)


def with_row(table: str, **columns: object) -> Callable[[dict[str, bytes]], None]:
    def change(content: dict[str, bytes]) -> None:
        rows = lines(content, table)
        rows[0] |= columns
        put(content, table, rows)

    return change


def with_file(name: str, data: bytes = b"x") -> Callable[[dict[str, bytes]], None]:
    return lambda content: content.update({name: data})


def without(name: str) -> Callable[[dict[str, bytes]], None]:
    return lambda content: content.pop(name) and None


def twice(content: dict[str, bytes]) -> None:
    rows = lines(content, "students")
    put(content, "students", [*rows, rows[0]])


def other_samples(content: dict[str, bytes]) -> None:
    name = next(n for n in content if n.endswith("club.csv"))
    content[name] += b"9,0,0,9.8,0,0,0\n"


def no_samples(content: dict[str, bytes]) -> None:
    identity = lines(content, "recordings")[0]["id"]
    for name in [n for n in content if identity in n]:
        del content[name]


def bomb(content: dict[str, bytes]) -> None:
    content["tables/students.jsonl"] += b"\n" * (120 << 20)


def newer(content: dict[str, bytes]) -> None:
    content["manifest.json"] = content["manifest.json"].replace(b"cupbow.library/1", b"cupbow.library/9")


def same_but_for_case(content: dict[str, bytes]) -> None:
    name = next(n for n in content if n.endswith("club.csv"))
    content[name.replace("club.csv", "CLUB.csv")] = b"x"


IDENTITY = "a" * 32
HOSTILE = {
    "a name that climbs out": ("is not a name", with_file("recordings/../../../evil.txt")),
    "a name that climbs out below samples": (
        "is not a name",
        with_file(f"recordings/{IDENTITY}/samples/../../../../evil.txt"),
    ),
    "an absolute name": ("is not a name", with_file("/tmp/evil.txt")),
    "a drive's name": ("is not a name", with_file("C:/evil.txt")),
    "backslashes": ("is not a name", with_file(f"recordings\\{IDENTITY}\\samples\\x")),
    "a foreign file": ("does not belong", with_file("library.sqlite")),
    "a file beside the samples": ("does not belong", with_file(f"recordings/{IDENTITY}/x.csv")),
    "samples of nobody": ("belongs to no recording", with_file(f"recordings/{IDENTITY}/samples/x.csv")),
    "a control character": ("is not a name", with_file(f"recordings/{IDENTITY}/samples/x\n.csv")),
    "two names for one file": ("is in it twice", same_but_for_case),
    "a row that is no table": ("line 1: a row is not a table", with_file("tables/students.jsonl", b"[1, 2]\n")),
    "a row that is no JSON": ("line 1", with_file("tables/students.jsonl", b"{\n")),
    "a row nested without end": ("line 1", with_file("tables/students.jsonl", b"[" * 200_000 + b"\n")),
    "a row of bytes": ("line 1", with_file("tables/students.jsonl", b"\xff\xfe\n")),
    "an identity that is a path": (
        "id is not an identity",
        with_row("recordings", id="../../../../tmp/evil/aaaaaaaaaaa"),
    ),
    "an entry that is a path": ("is not a file's name", with_row("recordings", entry="../../../etc/passwd")),
    "a column that is not there": ("no column 'is_admin'", with_row("students", is_admin=True)),
    "a number for a name": ("name is int", with_row("students", name=5)),
    "a name that is too long": ("longer than 200", with_row("students", name="x" * 5000)),
    "a zero character": ("zero character", with_row("students", name="x\0y")),
    "a third hand": ("does not fit", with_row("students", handedness="both")),
    "a date that is none": ("yesterday", with_row("students", born_on="yesterday")),
    "a time without a zone": ("no time zone", with_row("lessons", held_at="2026-05-03T10:00:00")),
    "a number beyond all": ("not a finite number", with_row("swings", carry_m=float("inf"))),
    "a lesson of nobody": ("is of nothing", with_row("lessons", student_id=IDENTITY)),
    "a value that is no swing": ("not a measured swing", with_row("readings", document={"index": 1})),
    "the same row twice": ("there twice", twice),
    "other samples than were filed": ("not the ones it was filed with", other_samples),
    "no samples at all": ("samples are not in the archive", no_samples),
    "a bomb": ("would unpack to", bomb),
    "a newer format": ("upgrade cupbow", newer),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_archive_is_refused_in_one_line_and_nothing_is_taken(good, tmp_path, name):
    says, change = HOSTILE[name]
    assert says in refused(tmp_path, rebuilt(good, tmp_path / "bad.zip", change))


def refused(tmp_path: Path, bad: Path) -> str:
    outside = {p for p in tmp_path.rglob("*") if "other" not in p.parts}
    with Library.open(tmp_path / "other") as other:
        with pytest.raises(CupbowError) as caught:
            import_archive(other, bad)
        assert str(bad) in str(caught.value) or "does not fit" in str(caught.value)
        assert finding.students(other) == []
        assert not (other.root / "recordings").exists() or not any((other.root / "recordings").iterdir())
        assert not any((other.root / "incoming").iterdir())
    assert {p for p in tmp_path.rglob("*") if "other" not in p.parts} == outside
    assert not Path("/tmp/evil.txt").exists()
    return str(caught.value)


def test_archives_that_lie_about_themselves(good, tmp_path):
    # damaged on the way: one byte of what is packed, here and there, which what unpacks it may see first, or the sum
    with zipfile.ZipFile(good) as archive:
        info = max(archive.infolist(), key=lambda i: i.compress_size)
    name, extra = struct.unpack_from("<HH", good.read_bytes(), info.header_offset + 26)  # APPNOTE 4.3.7
    begins = info.header_offset + 30 + name + extra
    for at in range(begins, begins + info.compress_size - 8, info.compress_size // 20):  # its last bits may be filling
        data = bytearray(good.read_bytes())
        data[at] ^= 0xFF
        (tmp_path / "damaged.zip").write_bytes(data)
        refused(tmp_path, tmp_path / "damaged.zip")
    (tmp_path / "cut.zip").write_bytes(good.read_bytes()[:-50])
    assert "not a whole ZIP" in refused(tmp_path, tmp_path / "cut.zip")
    (tmp_path / "text.zip").write_text("no archive")
    refused(tmp_path, tmp_path / "text.zip")
    rebuilt(good, tmp_path / "unlisted.zip", without("swings.csv"), honest=False)
    assert "lists" in refused(tmp_path, tmp_path / "unlisted.zip")
    rebuilt(good, tmp_path / "swapped.zip", with_file("swings.csv", b"y" * 10), honest=False)
    refused(tmp_path, tmp_path / "swapped.zip")
    # a link instead of a file
    link = tmp_path / "link.zip"
    rebuilt(good, link, lambda content: None)
    with zipfile.ZipFile(link, "a") as archive:
        info = zipfile.ZipInfo(f"recordings/{IDENTITY}/samples/x.csv")
        info.external_attr = (stat.S_IFLNK | 0o777) << 16
        archive.writestr(info, "/etc/passwd")
    assert "link" in refused(tmp_path, link)
    # the same name twice
    double = tmp_path / "double.zip"
    rebuilt(good, double, lambda content: None)
    with zipfile.ZipFile(double, "a") as archive, pytest.warns(UserWarning, match="Duplicate"):
        archive.writestr("tables/students.jsonl", b"")
    assert "twice" in refused(tmp_path, double)
    # a size that is smaller than what comes out
    lying = tmp_path / "lying.zip"
    whole = bytearray(good.read_bytes())
    at = whole.rfind(b"PK\x01\x02")
    size = struct.unpack_from("<I", whole, at + 24)[0]
    struct.pack_into("<I", whole, at + 24, max(size // 2, 1))
    lying.write_bytes(whole)
    refused(tmp_path, lying)


def test_an_import_that_is_cut_short_by_the_store_takes_nothing(full, tmp_path, monkeypatch):
    export_archive(full, tmp_path / "all.zip")
    from imu.library import archive

    def fails(*_: object) -> None:
        raise ArchiveError("stopped")

    monkeypatch.setattr(archive, "_insert", fails)
    with Library.open(tmp_path / "other") as other:
        with pytest.raises(ArchiveError, match="stopped"):
            import_archive(other, tmp_path / "all.zip")
        assert not list((other.root / "recordings").glob("*"))
        monkeypatch.undo()
        take = other.depot.take

        def takes_and_fails(copies: dict[str, Path]) -> None:
            take(copies)
            assert len(list((other.root / "recordings").iterdir())) == len(copies) > 0
            raise ArchiveError("stopped after the files were there")

        monkeypatch.setattr(other.depot, "take", takes_and_fails)
        with pytest.raises(ArchiveError, match="after the files"):
            import_archive(other, tmp_path / "all.zip")
        assert not list((other.root / "recordings").iterdir())
        assert finding.students(other) == []
