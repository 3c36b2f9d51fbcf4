"""Alembic's way in: runs the steps on the connection it is given, inside that transaction."""

from alembic import context

from imu.library.schema import Base

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    render_as_batch=True,
    transactional_ddl=True,
    transaction_per_migration=False,
)
context.run_migrations()
