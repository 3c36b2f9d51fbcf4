"""Each coach alone in the shared store: attempts on another coach's students by every route there is.

Row-level security is the server's (PostgreSQL documentation, "Row Security Policies"): a coach may use
any program. Edda has a student; Tore tries.
"""

from __future__ import annotations

import codecs
import json
import os
import pwd
import shutil
import stat
import tempfile
import traceback
import zipfile
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import psycopg
import pytest

from imu import cli
from imu.errors import CupbowError
from imu.library import Library, archive, coaches, filing, finding
from imu.library.finding import Wanted
from imu.library.forget import forget
from imu.library.schema import Base, Recording
from tests.academy_case import EDDA, KEEPER, TORE, dsn, new_academy, running_server, with_a_student
from tests.library_case import recording_folder
from tests.test_library import tree

TABLES = sorted(table.name for table in Base.metadata.sorted_tables)


@pytest.fixture(scope="module")
def server() -> Iterator[int]:
    with running_server() as port:
        yield port


class Academy:
    """Edda with Juno and all that can belong to a student, and Tore with nobody."""

    def __init__(self, port: int, place: Path) -> None:
        self.port, self.name, self.place = port, new_academy(port), place
        self.keeper, self.edda, self.tore = (self.open(role) for role in (KEEPER, EDDA, TORE))
        self.juno = with_a_student(self.edda, place, "Juno Abara", 1)
        swings = finding.measured_swings(self.edda, Wanted(student_id=self.juno))
        self.swing, self.recording = swings[0].line.id, swings[0].line.recording_id
        self.lesson = swings[0].line.lesson_id
        self.edda.set_note("remeasuring_since edda", datetime.now(UTC).isoformat())
        self.sql(EDDA, f"INSERT INTO trash VALUES ('{'c' * 32}', 'edda')")

    def url(self, role: str) -> str:
        return dsn(role, self.port, self.name)

    def open(self, role: str) -> Library:
        return Library.open(self.url(role), recordings=self.place / "shared")

    def sql(self, role: str, query: str) -> psycopg.Cursor:
        with psycopg.connect(self.url(role), autocommit=True) as connection:
            return connection.execute(query)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def academy(server: int, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Academy]:
    made = Academy(server, tmp_path_factory.mktemp("academy"))
    before = whole(made)
    yield made
    assert whole(made) == before, "nothing of Edda's was changed by any of the attempts"
    for library in (made.keeper, made.edda, made.tore):
        library.close()


def whole(academy: Academy) -> object:
    """All that is Edda's, in the store and in the folder; without her journal and what is left for deletion, which the tests use."""
    tables = [table for table in TABLES if table not in ("changes", "changed_rows", "trash")]
    with psycopg.connect(academy.url(EDDA)) as own:
        rows = {t: sorted(map(repr, own.execute(f"SELECT * FROM {t}").fetchall())) for t in tables}  # type: ignore[arg-type]
    return rows, tree(academy.edda.folder_of(academy.recording))


# -- straight SQL ----------------------------------------------------------------------------------


def test_every_table_is_guarded_and_shows_another_coach_nothing(academy):
    """A table that is added later and forgotten here fails this."""
    guarded = academy.sql(KEEPER, "SELECT relname FROM pg_class WHERE relrowsecurity AND relkind = 'r'").fetchall()
    assert sorted(name for (name,) in guarded) == TABLES
    for table in TABLES:
        (count,) = academy.sql(EDDA, f"SELECT count(*) FROM {table}").fetchone() or (0,)
        assert count > 0, f"{table} holds something of Edda's"
        assert academy.sql(TORE, f"SELECT * FROM {table}").fetchall() == [], table
        assert academy.sql(TORE, f"SELECT * FROM {table} FOR UPDATE").fetchall() == [], table
        assert academy.sql(TORE, f"DELETE FROM {table}").rowcount == 0, table


@pytest.mark.parametrize(
    "query",
    [
        "COPY students TO STDOUT",
        "SELECT * FROM pg_stats WHERE tablename IN ('students', 'lessons', 'swings')",
        "SELECT most_common_vals::text FROM pg_stats WHERE tablename = 'students'",
        "WITH x AS (SELECT * FROM students) SELECT * FROM x",
        "UPDATE students SET name = 'x' RETURNING name",
        "UPDATE students SET coach = 'tore' RETURNING id",
        "DELETE FROM readings RETURNING document",
        "SELECT * FROM swings s RIGHT JOIN (SELECT 1) y ON true WHERE s.id IS NOT NULL",
        "SELECT query FROM pg_stat_activity WHERE usename = 'edda' AND query LIKE '%student%'",
    ],
)
def test_what_is_read_around_the_tables_is_empty(academy, query):
    with psycopg.connect(academy.url(TORE), autocommit=True) as tore, tore.cursor() as cursor:
        if query.startswith("COPY"):
            with cursor.copy(query) as copied:
                assert b"".join(map(bytes, copied)) == b""
        else:
            assert cursor.execute(query).fetchall() == []


@pytest.mark.parametrize(
    "attempt",
    [
        "SET row_security = off; SELECT * FROM students",  # refused rather than shown
        "SET ROLE keeper",
        "SET ROLE edda",
        "SET SESSION AUTHORIZATION edda",
        "ALTER TABLE students DISABLE ROW LEVEL SECURITY",
        "ALTER TABLE students OWNER TO tore",
        "DROP POLICY own ON students",
        "CREATE POLICY mine ON students USING (true)",
        "GRANT edda TO tore",
        "TRUNCATE students CASCADE",
        "DROP TABLE students CASCADE",
        "COPY students TO PROGRAM 'cat'",
        "SELECT pg_read_file('postgresql.conf')",
        "UPDATE alembic_version SET version_num = '0001'",
        "CREATE TABLE public.mine AS SELECT * FROM students",
        "SELECT * FROM pg_authid",
        # a new row under what is another's, or in another's name
        "INSERT INTO lessons (id, student_id, kind, held_at, place, thought, notes, created_at) "
        "VALUES ('{new}', '{juno}', 'lesson', now(), '', '', '', now())",
        "INSERT INTO tries (id, lesson_id, drill, number, at, angle, event, shown) "
        "VALUES ('{new}', '{lesson}', 'x', 1, now(), '', '', false)",
        "INSERT INTO students (id, coach, name, handedness, guardian, clubs, aims, notes, created_at) "
        "VALUES ('{new}', 'edda', 'x', 'left', '', '[]', '', '', now())",
        "INSERT INTO picks (id, student_id, club, angle, event, low_deg, high_deg, thought, evidence, plan, picked_at) "
        "VALUES ('{new}', '{juno}', '', 'wrist_flexion', 'top', 0, 1, '', '{{}}', '', now())",
        "INSERT INTO trash VALUES ('{recording}', 'edda')",
        "INSERT INTO trash VALUES ('{recording}', '')",
        "INSERT INTO library VALUES ('remeasuring_since edda', 'x')",
        "INSERT INTO library VALUES ('scrub', 'due')",
        "INSERT INTO changes (coach, at, what) VALUES ('edda', now(), 'x')",
    ],
)
def test_what_a_coach_may_not_do_is_refused(academy, attempt):
    attempt = attempt.format(new="b" * 32, juno=academy.juno, lesson=academy.lesson, recording=academy.recording)
    first, _, then = attempt.partition("; ")
    with psycopg.connect(academy.url(TORE), autocommit=True) as tore:
        if then:
            tore.execute(first)  # type: ignore[arg-type]
        with pytest.raises(psycopg.Error):
            tore.execute(then or first)  # type: ignore[arg-type]


def test_own_rows_cannot_lean_on_another_coachs(academy, tmp_path):
    """A foreign key sees every row: a try or reading that names Edda's would keep her from deleting hers."""
    per = with_a_student(academy.tore, tmp_path, "Per Linde", 2)
    (lesson,) = finding.lessons(academy.tore, student_id=per)
    own = finding.swings(academy.tore, Wanted(student_id=per))[0].id
    (measurement_id,) = academy.sql(EDDA, "SELECT id FROM measurements").fetchone() or ("",)
    for attempt in (
        f"UPDATE tries SET swing_id = '{academy.swing}'",
        f"INSERT INTO readings VALUES ('{measurement_id}', '{own}', '{{}}')",
        f"UPDATE readings SET measurement_id = '{measurement_id}'",
        f"UPDATE swings SET recording_id = '{academy.recording}'",
        f"UPDATE recordings SET lesson_id = '{academy.lesson}'",
        f"UPDATE lessons SET student_id = '{academy.juno}'",
    ):
        with pytest.raises(psycopg.errors.InsufficientPrivilege, match="row-level security"):
            academy.sql(TORE, attempt)
    assert lesson.swings == 5
    forget(academy.tore, per)


# -- Python, commands, pages -----------------------------------------------------------------------


def attempts(a: Academy) -> dict[str, Callable[[], object]]:
    t = a.tore
    return {
        "name": lambda: finding.student_named(t, "Juno"),
        "identity": lambda: finding.student_named(t, a.juno),
        "lesson": lambda: finding.lesson_of_id(t, a.lesson),
        "recording": lambda: finding.recording_of_id(t, a.recording),
        "swing": lambda: finding.swing_of_id(t, a.swing),
        "edit": lambda: filing.edit_student(t, a.juno, changes={"name": "mine"}),
        "start": lambda: filing.start_lesson(t, a.juno),
        "file": lambda: filing.add_recording(t, recording_folder(a.place / "more", seed=9), student_id=a.juno),
        "write": lambda: filing.open_recording(t, lesson_id=a.lesson),
        "keep": lambda: filing.keep_recording(t, a.recording),
        "discard": lambda: filing.discard_recording(t, a.recording, reason="mine"),
        "outcome": lambda: filing.set_outcome(t, a.swing, filing.Outcome(start="left")),
        "forget": lambda: forget(t, a.juno),
        "undo": lambda: t.undo(a.edda.changes()[0].id),
        "try": lambda: filing.note_try(t, a.lesson, drill="x", number=1, held=True, shown=True),
    }


def test_functions_find_nothing_of_another_coachs(academy):
    for what, attempt in attempts(academy).items():
        with pytest.raises(CupbowError) as caught:
            attempt()
        said = str(caught.value).replace("'Juno'", "")  # what Tore himself typed may be repeated
        assert "Juno" not in said, what


def test_lists_and_archives_are_empty(academy, tmp_path):
    t = academy.tore
    assert finding.students(t) == finding.lessons(t, student_id=academy.juno) == []
    assert finding.swings(t, Wanted(student_id=academy.juno)) == finding.measured_swings(t, Wanted()) == []
    assert finding.tries(t, lesson_id=academy.lesson) == finding.recordings(t, lesson_id=academy.lesson) == []
    assert finding.recording_with(t, str(sha256(academy))) is None
    assert [c for c in t.changes(1000) if c.id in {c.id for c in academy.edda.changes(1000)}] == []
    archive.export_archive(t, tmp_path / "tore.zip")
    archive.export_archive(t, tmp_path / "juno.zip", student_id=academy.juno)
    for name in ("tore.zip", "juno.zip"):
        with zipfile.ZipFile(tmp_path / name) as exported:
            content = b"".join(map(exported.read, exported.namelist()))
        assert b"Juno" not in content
        assert academy.recording.encode() not in content


def sha256(academy: Academy) -> str | None:
    with academy.edda.read() as session:
        return session.get_one(Recording, academy.recording).sha256


COMMANDS = [
    ["list"],
    ["list", "--json"],
    ["list", "Juno"],
    ["list", "{juno}"],
    ["list", "--lesson", "{lesson}"],
    ["list", "--changes"],
    ["student", "Juno"],
    ["student", "{juno}", "--rename", "mine"],
    ["move", "{recording}", "--split"],
    ["move", "{lesson}", "--into", "{lesson}"],
    ["correct", "{recording}", "--club", "driver"],
    ["undo", "1"],
    ["forget", "{juno}", "--yes"],
    ["export", "{out}", "--student", "{juno}"],
    ["remeasure", "--all", "--jobs", "1"],
    ["remeasure", "--student", "Juno"],
    ["coaches", "--give", "{juno}", "tore"],
    ["coaches", "--admit", "tore"],
    ["compare", "--everyone", "--jobs", "1", "--json", "-"],
    ["compare", "2026-05-03", "2026-05-03", "--student", "Juno"],
]


@pytest.mark.parametrize("words", COMMANDS, ids=" ".join)
def test_commands_show_nothing_of_another_coachs(academy, words, tmp_path, monkeypatch, capsys):
    for variable in ("XDG_DATA_HOME", "XDG_CACHE_HOME", "XDG_CONFIG_HOME"):
        monkeypatch.setenv(variable, str(tmp_path / "user"))
    monkeypatch.setenv("CUPBOW_RECORDINGS", str(academy.place / "shared"))
    monkeypatch.setenv("CUPBOW_LIBRARY", academy.url(TORE))
    known = {"juno": academy.juno, "lesson": academy.lesson, "recording": academy.recording, "out": tmp_path / "o.zip"}
    code = cli.main([word.format(**known) for word in words])
    said = capsys.readouterr()
    assert "Abara" not in said.out + said.err
    assert "keep the flat" not in said.out
    if any("{" in word for word in words) or "Juno" in words:
        assert code != 0, "it says that there is none"
    assert not (tmp_path / "o.zip").exists()
    if words[0] == "compare" and "--everyone" in words:
        assert json.loads(said.out) == []


def test_pages_know_nothing_of_another_coachs(academy, tmp_path, monkeypatch):
    from dashboard.pages import students
    from dashboard.service import FILED, Service

    monkeypatch.setenv("CUPBOW_RECORDINGS", str(academy.place / "shared"))

    def pages(role: str) -> str:
        with academy.open(role) as library:
            ways = ("/students", f"/students/{academy.juno}", f"/students/lesson/{academy.lesson}")
            shown = [str(students.view(library, way)) for way in ways]
            shown.append(str(students.corrected(library, academy.lesson, {"ball": academy.swing, "start": "left"}, 1)))
        service = Service(
            tmp_path, cache_dir=tmp_path / role / "cache", data_dir=tmp_path / role, library=academy.url(role)
        )
        shown.append(str(service.entry(FILED + academy.recording)))
        return "\n".join(shown)

    for sign in ("Juno Abara", academy.swing):
        assert sign in pages(EDDA), "the same pages show Edda hers"
        assert sign not in pages(TORE)
    academy.edda.undo()


# -- archives and what is left for deletion --------------------------------------------------------


def test_an_archive_that_claims_another_coachs_recording_takes_nothing(academy, tmp_path):
    """Whoever knows an identity cannot have its files replaced by importing an archive that holds it."""
    with Library.open(tmp_path / "own") as own:
        student = filing.add_student(own, name="Per Linde", handedness="left").id
        added = filing.add_recording(own, recording_folder(tmp_path / "r", seed=5), student_id=student)
        archive.export_archive(own, tmp_path / "own.zip")
    forged = tmp_path / "forged.zip"
    renamed = (added.recording.id.encode(), academy.recording.encode())
    with zipfile.ZipFile(tmp_path / "own.zip") as honest, zipfile.ZipFile(forged, "w", zipfile.ZIP_DEFLATED) as out:
        import hashlib

        files = {n.replace(added.recording.id, academy.recording): honest.read(n).replace(*renamed)
                 for n in honest.namelist() if n != archive.MANIFEST}  # fmt: skip
        for name, content in files.items():
            out.writestr(name, content)
        listed = {n: {"size": len(c), "sha256": hashlib.sha256(c).hexdigest()} for n, c in files.items()}
        out.writestr(archive.MANIFEST, json.dumps({"format": archive.FORMAT, "files": listed}))
    before = tree(academy.edda.folder_of(academy.recording))
    with pytest.raises(CupbowError, match="nothing was changed"):
        archive.import_archive(academy.tore, forged)
    assert tree(academy.edda.folder_of(academy.recording)) == before
    assert finding.students(academy.tore) == []


def test_nobody_deletes_by_anothers_hand(academy):
    """The keeper's program finishes what is left for deletion: it must not take a coach's word for it."""
    for identity in (academy.recording, academy.juno):
        academy.sql(TORE, f"INSERT INTO trash VALUES ('{identity}', 'tore')")
    academy.edda.reports_of(academy.juno).mkdir(parents=True)
    try:
        academy.open(KEEPER).close()
        assert academy.edda.folder_of(academy.recording).is_dir()
        assert academy.edda.reports_of(academy.juno).is_dir()
    finally:
        academy.sql(TORE, "DELETE FROM trash")
        academy.edda.reports_of(academy.juno).rmdir()


def test_a_former_coach_keeps_nothing_of_a_student_that_was_handed_over(academy, tmp_path):
    per = with_a_student(academy.tore, tmp_path, "Per Linde", 2)
    assert coaches.hand_over(academy.keeper, [per], role=EDDA) == 1
    try:
        for table in TABLES:
            assert "Per" not in repr(academy.sql(TORE, f"SELECT * FROM {table}").fetchall()), table
        assert [c.what for c in academy.tore.changes()] == []
        assert finding.student_named(academy.edda, "Per").id == per
    finally:
        forget(academy.edda, per)


# -- files -----------------------------------------------------------------------------------------


def as_user(name: str, work: Callable[[], None]) -> int:
    """Do something in a process of another user of this machine; its exit code."""
    account = pwd.getpwnam(name)
    for encoding in ("ascii", "latin-1", "idna", "cp437"):  # that user may not be able to read Python's own files
        codecs.lookup(encoding)
    child = os.fork()
    if child == 0:
        code = 1
        try:
            os.setgroups([])
            os.setgid(account.pw_gid)
            os.setuid(account.pw_uid)
            work()
            code = 0
        except BaseException:
            traceback.print_exc()
        finally:
            os._exit(code)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def test_files_in_the_shared_folder_are_each_coachs_own(academy):
    """Two users of one machine share a folder that both may write to."""
    if os.name != "posix" or os.geteuid() != 0:
        pytest.skip("needs root, to be two other users")
    place = Path(tempfile.mkdtemp(prefix="cupbow-shared-"))
    shared, made = place / "shared", place / "made" / "recording"
    for folder in (place, shared, made.parent):
        folder.mkdir(exist_ok=True)
        folder.chmod(0o1777)  # as docs/library.md says: whoever may write may not rename what is another's

    def edda_files() -> None:
        with Library.open(academy.url(EDDA), recordings=shared) as library:
            folder = recording_folder(made, seed=21)
            ida = filing.add_student(library, name="Ida Holm", handedness="left").id
            filing.add_recording(library, folder, student_id=ida)
            shutil.rmtree(folder)

    def tore_tries() -> None:
        with Library.open(academy.url(TORE), recordings=shared) as library:
            per = filing.add_student(library, name="Per Linde", handedness="left").id
            (hers,) = (shared / "recordings").iterdir()
            folder = recording_folder(made, seed=22)
            added = filing.add_recording(library, folder, student_id=per)  # he can work there
            for attempt in (
                lambda: list((hers / "samples").iterdir()),
                lambda: (hers / "samples" / "forearm.csv").read_bytes(),
                lambda: shutil.rmtree(hers),
                lambda: hers.rename(shared / "mine"),
                lambda: (shared / "recordings").rename(shared / "mine"),
                lambda: hers.chmod(0o777),
            ):
                with pytest.raises(PermissionError):
                    attempt()
            library.sweep()
            archive.export_archive(library, made.parent / "tore.zip")
            forget(library, per)
            assert not library.folder_of(added.recording.id).exists()

    try:
        assert as_user("nobody", edda_files) == 0
        (hers,) = (shared / "recordings").iterdir()
        assert stat.S_IMODE(hers.stat().st_mode) == 0o700
        assert as_user("daemon", tore_tries) == 0
        assert len(tree(hers)) == 3
        with Library.open(academy.url(EDDA), recordings=shared) as library:
            forget(library, finding.student_named(library, "Ida").id)
        assert not hers.exists()
    finally:
        shutil.rmtree(place)


def test_a_url_may_leave_the_role_to_the_system(academy, monkeypatch):
    """As with a service file or the system's own user: the role is what the server says it is."""
    from tests.academy_case import SECRET

    monkeypatch.setenv("PGUSER", TORE)
    monkeypatch.setenv("PGPASSWORD", SECRET)
    url = f"postgresql://127.0.0.1:{academy.port}/{academy.name}"
    with Library.open(url, recordings=academy.place / "shared") as library:
        assert library.coach == TORE
        per = filing.add_student(library, name="Per Linde", handedness="left")
        assert per.coach == TORE
        assert [line.student.id for line in finding.students(library)] == [per.id]
        forget(library, per.id)
