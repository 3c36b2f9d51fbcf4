"""An academy's library on a PostgreSQL server: who may use it.

Whoever creates the library keeps it and sees everything. A coach is a role of the database
server; row-level security (PostgreSQL, chapter "Row Security Policies") shows each of them their
own students and all that belongs to these, whatever program they use.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from sqlalchemy import text, update

from imu.errors import UsageError
from imu.library.forget import forget_changes, identities_of
from imu.library.schema import Base, Student
from imu.library.store import Library

ROLE = re.compile(r"[a-z_][a-z0-9_]{0,62}")


def admit(library: Library, role: str) -> None:
    """Let an existing role of the server use the library as a coach."""
    role = _role(library, role)
    _keeper_only(library)
    with library.write(None) as session:
        quoted = session.connection().dialect.identifier_preparer.quote(role)
        for table in Base.metadata.sorted_tables:
            session.execute(text(f"GRANT SELECT, INSERT, UPDATE, DELETE ON {table.name} TO {quoted}"))
        session.execute(text(f"GRANT SELECT ON alembic_version TO {quoted}"))
        for table_name in ("changes", "changed_rows"):
            session.execute(text(f"GRANT USAGE ON SEQUENCE {table_name}_id_seq TO {quoted}"))


def dismiss(library: Library, role: str) -> None:
    """Take the library away from a role; the students stay, and can be handed to another coach."""
    role = _role(library, role)
    _keeper_only(library)
    with library.write(None) as session:
        quoted = session.connection().dialect.identifier_preparer.quote(role)
        for table in (*(t.name for t in Base.metadata.sorted_tables), "alembic_version"):
            session.execute(text(f"REVOKE ALL ON {table} FROM {quoted}"))
        for table_name in ("changes", "changed_rows"):
            session.execute(text(f"REVOKE ALL ON SEQUENCE {table_name}_id_seq FROM {quoted}"))


def hand_over(library: Library, student_ids: Sequence[str], *, role: str) -> int:
    """Give students to another coach; only the keeper of the library may. Returns how many.

    The former coach's journal forgets them: what it holds of them could be read there still.
    """
    role = _role(library, role)
    _keeper_only(library)
    if role != library.coach and role not in admitted(library):
        raise UsageError(f"{role} may not use this library yet, and would never see the student: --admit {role} first")
    with library.write(None) as session:
        done = session.connection().execute(
            update(Student.__table__).where(Student.id.in_(student_ids)).values(coach=role)  # type: ignore[arg-type]
        )
        if done.rowcount:
            for student_id in student_ids:
                forget_changes(session, identities_of(session, student_id))
        return done.rowcount


def admitted(library: Library) -> list[str]:
    """The roles that may use the library."""
    with library.read() as session:
        found = session.scalars(
            text(
                "SELECT DISTINCT grantee FROM information_schema.role_table_grants "
                "WHERE table_name = 'students' AND privilege_type = 'SELECT' AND grantee <> current_user"
            )
        )
        return sorted(found)


def keeps(library: Library) -> bool:
    """Whether the one who is here keeps the library: on a server who made it, else whose folder it is."""
    if library.local:
        return True
    with library.read() as session:
        owner = session.scalar(text("SELECT pg_has_role(relowner, 'USAGE') FROM pg_class WHERE relname = 'students'"))
        return bool(owner)


def _keeper_only(library: Library) -> None:
    """The server only warns of a grant that one may not give, and would change nothing."""
    if not keeps(library):
        raise UsageError(f"{library.coach} is a coach here: only the keeper of the library admits, dismisses and gives")


def _role(library: Library, role: str) -> str:
    if library.local:
        raise UsageError(f"{library.address}: is a library of one's own; coaches share one on a PostgreSQL server")
    if not ROLE.fullmatch(role):
        raise UsageError(f"{role!r} is not the name of a role (small letters, digits, underscore)")
    with library.read() as session:
        if session.scalar(text("SELECT 1 FROM pg_roles WHERE rolname = :role"), {"role": role}) is None:
            raise UsageError(f"the server has no role {role!r}; create it there first (CREATE ROLE … LOGIN)")
    return role
