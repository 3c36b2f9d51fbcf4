"""Bringing a store's schema up to date, with a copy of the store as it was."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from pathlib import Path

from alembic.config import Config
from alembic.runtime.environment import EnvironmentContext
from alembic.script import ScriptDirectory
from filelock import FileLock
from sqlalchemy import Connection, inspect, text

from imu.library import files
from imu.library.schema import REVISIONS
from imu.library.store import STORE, WAIT_S, Library

MIGRATIONS = Path(__file__).with_name("migrations")
SERVER_LOCK = 0x637562  # any number that nobody else's program takes


def scripts() -> ScriptDirectory:
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    return ScriptDirectory.from_config(config)


def upgrade(library: Library, found: str | None) -> None:
    """Run what lies between revision `found` (None: an empty store) and the newest.

    One transaction: a program killed on the way leaves the store as it was.
    """
    if library.local:
        with FileLock(library.root / ".upgrade.lock", timeout=3 * WAIT_S, mode=0o600):
            if found is not None:
                _keep_copy(library.root, found)
            _run(library)
    else:
        _run(library)


def _run(library: Library) -> None:
    with library.engine.execution_options(cupbow_writes=True).connect() as connection, connection.begin():
        if not library.local:
            connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": SERVER_LOCK})
        if _at(connection) != REVISIONS[-1]:  # another program may have been quicker
            steps(connection, to=REVISIONS[-1])


def _at(connection: Connection) -> str | None:
    if not inspect(connection).has_table("alembic_version"):
        return None
    return connection.scalar(text("SELECT version_num FROM alembic_version"))


def steps(connection: Connection, *, to: str) -> None:
    """Upgrade within the caller's transaction to revision `to`."""
    directory = scripts()
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    config.attributes["connection"] = connection
    with EnvironmentContext(
        config, directory, fn=lambda at, _context: directory._upgrade_revs(to, at), destination_rev=to
    ):
        directory.run_env()


def _keep_copy(root: Path, revision: str) -> None:
    folder = root / "backups"
    files.make_private(folder)
    copy = folder / f"before-upgrade-from-{revision}.sqlite"
    files.remove(copy)
    os.close(os.open(copy, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600))
    with closing(sqlite3.connect(root / STORE)) as store, closing(sqlite3.connect(copy)) as target:
        store.backup(target)
