"""Forgetting a student leaves no byte of the name anywhere under the library."""

from __future__ import annotations

import random
import shutil
import sqlite3
import unicodedata
from contextlib import closing
from pathlib import Path

import pytest

from imu.errors import UsageError
from imu.library import Library, archive, files, filing, finding
from imu.library import forget as forgetting
from imu.library.filing import Outcome
from imu.library.finding import Wanted
from imu.library.forget import find_bytes, forget, holds_any, spellings
from tests.library_case import NAME, measurement, recording_folder
from tests.test_library import first_schema


def lived_in(root: Path, tmp_path: Path) -> tuple[Library, str, str]:
    """A library in which a name has come everywhere a name can come."""
    library = Library.open(root)
    juno = filing.add_student(library, name="Mistyped " + NAME, handedness="left", notes=f"{NAME} is shy " * 400).id
    per = filing.add_student(library, name="Per Linde", handedness="left", notes="tall").id
    filing.edit_student(library, juno, changes={"name": NAME, "guardian": f"Edda ({NAME})"})
    for i, owner in enumerate((juno, juno, per)):
        folder = recording_folder(
            tmp_path / f"{NAME}-{i}" if owner == juno else tmp_path / "per", seed=i, rows=50, day=3 + i
        )
        if owner == juno:
            (folder / f"{NAME}.txt").write_text(f"of {NAME}", encoding="utf-16")
            (folder / "other.txt").write_text(unicodedata.normalize("NFD", NAME))
        added = filing.add_recording(library, folder, student_id=owner)
        filing.store_measurement(library, added.recording.id, measurement(), code="1")
        filing.store_measurement(library, added.recording.id, measurement(), code="2")
        (library.cache_of(added.recording.id)).mkdir(parents=True)
        (library.cache_of(added.recording.id) / "traces.json").write_text(f'"{NAME if owner == juno else "Per Linde"}"')
    lessons = [line.lesson.id for line in finding.lessons(library, student_id=juno)]
    for lesson in lessons:
        filing.edit_lesson(library, lesson, changes={"thought": f"{NAME}: flat wrist", "notes": f"with {NAME}"})
    swing = finding.swings(library, Wanted(student_id=juno))[0]
    filing.correct_swings(library, swing.recording_id, thought=f"as {NAME} does")
    filing.leave_out(library, [swing.id], reason=f"{NAME} coughed")
    filing.set_outcome(library, swing.id, Outcome(start="left"))
    filing.note_try(library, lessons[0], drill="hold", number=1, held=True, shown=True, swing_id=swing.id)
    filing.merge_lessons(library, lessons[0], other=lessons[1])  # the other one lives on in the journal only
    # One of Per's lessons came to Juno and went back: the journal ties them together.
    of_per = finding.lessons(library, student_id=per)[0].lesson.id
    filing.move_lesson(library, of_per, student_id=juno)
    filing.move_lesson(library, of_per, student_id=per)
    filing.edit_lesson(library, of_per, changes={"notes": "good tempo"})
    library.reports_of(juno).mkdir(parents=True)
    (library.reports_of(juno) / "letter.html").write_text(f"<p>Dear {NAME}</p>")
    # Copies that a killed program left on the way.
    dead = library.root / "incoming" / ("0" * 32)
    dead.mkdir(parents=True)
    (dead / "letter.txt").write_text(NAME)
    (library.root / "backups").mkdir()
    with (
        sqlite3.connect(root / "library.sqlite") as store,
        sqlite3.connect(library.root / "backups" / "b.sqlite") as copy,
    ):
        store.backup(copy)
    return library, juno, per


def test_no_byte_of_the_name_is_left_and_others_keep_all(tmp_path):
    library, juno, per = lived_in(tmp_path / "library", tmp_path)
    needles = spellings(NAME)
    assert len(list(find_bytes(library.root, needles))) >= 8, "the search finds it where it was put"
    done = forget(library, juno)
    assert (done.gone.lessons, done.gone.recordings, done.gone.swings) == (1, 2, 10)
    assert (done.left, done.waiting) == ((), False)
    assert "exported" in done.out_of_reach[0]
    assert list(find_bytes(library.root, needles)) == []
    assert list(find_bytes(library.root, {juno.encode(), b"Mistyped"})) == []
    (line,) = finding.students(library)
    assert (line.student.id, line.swings, line.student.notes) == (per, 5, "tall")
    assert (library.cache_of(finding.swings(library, Wanted(student_id=per))[0].recording_id) / "traces.json").exists()
    assert library.undo().what == "lesson corrected", "what is Per's alone can still be undone"
    with pytest.raises(UsageError):
        forget(library, juno)
    library.close()


def test_each_way_of_writing_a_name_is_looked_for(tmp_path):
    forms = (NAME, NAME.upper(), NAME.lower(), unicodedata.normalize("NFD", NAME))
    for i, form in enumerate(forms):
        for k, encoding in enumerate(("utf-8", "utf-16-le", "utf-16-be")):
            (tmp_path / f"{i}-{k}").write_bytes(b"\x00\xff" * 3000 + form.encode(encoding) + b"\x01")
    (tmp_path / "json").write_text('{"name": "Juno \\u00c1bar\\u00e0-\\u00d8degaard"}')
    (tmp_path / "url").write_text("/?q=Juno%20%C3%81bar%C3%A0-%C3%98degaard")
    (tmp_path / "innocent").write_text("Juno Abara")
    found = {p.name for p in find_bytes(tmp_path, spellings(NAME))}
    assert found == {p.name for p in tmp_path.iterdir()} - {"innocent"}


def test_where_the_name_still_stands_is_said(tmp_path):
    with Library.open(tmp_path / "library") as library:
        juno = filing.add_student(library, name="Sam Lee", handedness="left").id
        per = filing.add_student(library, name="Per Linde", handedness="left", notes="plays with Sam Lee").id
        namesake = filing.add_student(library, name="Sam Lee", handedness="right").id
        done = forget(library, juno)
        assert set(done.left[:2]) == {f"notes of student {per[:8]}", f"name of student {namesake[:8]}"}


def test_another_program_that_reads_delays_the_last_traces_only(tmp_path):
    library, juno, _ = lived_in(tmp_path / "library", tmp_path)
    reader = sqlite3.connect(library.root / "library.sqlite", isolation_level=None)
    reader.execute("BEGIN")
    reader.execute("SELECT count(*) FROM students").fetchone()
    done = forget(library, juno)
    assert done.waiting
    library.close()
    reader.close()
    with Library.open(library.root):
        pass
    assert list(find_bytes(library.root, spellings(NAME))) == []


def test_forgetting_in_a_library_that_began_with_the_first_schema(tmp_path):
    folder = first_schema(tmp_path / "old")
    store = sqlite3.connect(folder / "library.sqlite")
    ids = [row[0] for row in store.execute("SELECT id FROM recordings")]
    store.close()
    for identity in ids:
        recording_folder(folder / "recordings" / identity / "samples", rows=2)
    with Library.open(folder) as library:
        assert (folder / "backups").is_dir()
        forget(library, finding.student_named(library, NAME).id)
        assert finding.student_named(library, "per").name == "Per Linde"
    assert list(find_bytes(folder, spellings(NAME))) == []


def test_an_archive_of_the_forgotten_brings_them_back_whole(tmp_path):
    library, juno, _ = lived_in(tmp_path / "library", tmp_path)
    archive.export_archive(library, tmp_path / "juno.zip", student_id=juno)
    with_juno = finding.students(library)
    forget(library, juno)
    archive.import_archive(library, tmp_path / "juno.zip")
    assert [(line.student.id, line.swings) for line in finding.students(library)] == [
        (line.student.id, line.swings) for line in with_juno
    ]
    assert finding.swings(library, Wanted(student_id=juno, counted=False))[0].left_out == f"{NAME} coughed"
    library.close()
    shutil.rmtree(tmp_path / "library")


def test_logs_hold_no_names(tmp_path, caplog):
    with caplog.at_level("DEBUG"):
        library, juno, _ = lived_in(tmp_path / "library", tmp_path)
        (library.root / "recordings" / ("f" * 32)).mkdir()
        library.sweep()
        forget(library, juno)
        library.close()
        assert files.sweep_incoming(library.root) == 0
    assert "removing the unfinished recording" in caplog.text
    assert "Juno" not in caplog.text


def test_what_was_left_between_rows_is_found_and_the_store_rewritten(tmp_path, monkeypatch):
    """A copy of a row in the gap of a page is no row: only the search of every byte sees it."""
    library, juno, _ = lived_in(tmp_path / "library", tmp_path)
    with closing(sqlite3.connect(library.root / "library.sqlite", isolation_level=None)) as store:
        store.execute("PRAGMA secure_delete = OFF")
        columns = [row[1] for row in store.execute("PRAGMA table_info(students)")]
        copied = ", ".join("'x'" if name == "id" else name for name in columns)
        store.execute(f"INSERT INTO students ({', '.join(columns)}) SELECT {copied} FROM students WHERE id = ?", [juno])
        store.execute("DELETE FROM students WHERE id = 'x'")
    rewritten = []
    real = forgetting._rewrite
    monkeypatch.setattr(forgetting, "_rewrite", lambda opened: rewritten.append(1) or real(opened))
    done = forget(library, juno)
    assert rewritten, "the store's free space still named the student"
    assert done.finished
    assert list(find_bytes(library.root, spellings(NAME))) == []
    library.close()


def test_in_a_library_full_of_changes_nobody_leaves_a_name_or_an_identity(tmp_path):
    """Rows that grow and shrink are moved about in their pages, and leave copies there."""
    rng = random.Random(7)
    with Library.open(tmp_path / "library") as library:
        known = {}
        for i in range(40):
            name = f"Zweig{i:03d} Ambros"
            known[filing.add_student(library, name=name, handedness="left", aims=f"{name} wants").id] = name
        for _ in range(80):
            one = rng.choice(list(known))
            filing.edit_student(library, one, changes={"notes": f"{known[one]} is shy. " * rng.randint(0, 150)})
        for one in rng.sample(list(known), 8):
            assert forget(library, one).finished
            needles = spellings(known[one]) | {one.encode(), known[one].split()[0].encode()}
            assert list(find_bytes(library.root, needles)) == []
        assert len(finding.students(library)) == 32


def test_words_that_others_said_too_are_not_looked_for(tmp_path):
    with Library.open(tmp_path / "library") as library:
        ada, per = (
            filing.add_student(library, name=name, handedness="left", aims="a flatter wrist at the top").id
            for name in ("Ada Holm", "Per Linde")
        )
        with library.write(None) as session:
            found = forgetting._said(session, {ada})
            assert set(found) == {"Ada Holm", "a flatter wrist at the top"}
        traces = forgetting._delete_rows(library, [ada])
        assert b"Ada Holm" in traces
        assert b"a flatter wrist at the top" not in traces
        assert ada.encode() in traces
        assert per.encode() not in traces


@pytest.mark.parametrize("many", [2, 40])
def test_a_needle_is_found_wherever_it_stands(many):
    """At every shift of the words that are looked up, and across the pieces that are read; against `in`."""
    rng = random.Random(many)
    needles = {f"needle{i:03d}".encode() for i in range(many)}
    for place in [
        0,
        1,
        2,
        3,
        4,
        5,
        files.CHUNK - 5,
        files.CHUNK - 3,
        files.CHUNK,
        files.CHUNK + 1,
        2 * files.CHUNK - 9,
    ]:
        hay = bytearray(rng.choices(b"0123456789.,-e ", k=2 * files.CHUNK))
        assert not holds_any(bytes(hay), needles)
        needle = rng.choice(sorted(needles))
        hay[place : place + len(needle)] = needle
        del hay[2 * files.CHUNK :]
        assert holds_any(bytes(hay), needles) == (needle in hay)
