"""Tries of drills, "it hurts", and on a shared server each coach sees only their own students."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

# A row is a coach's own when the row that it belongs to is; at the root stands the student. The
# subqueries are themselves subject to the policies of their tables.
BELONGS = {
    "lessons": ("students", "student_id"),
    "recordings": ("lessons", "lesson_id"),
    "swings": ("recordings", "recording_id"),
    "tries": ("lessons", "lesson_id"),
    "measurements": ("recordings", "recording_id"),
    "readings": ("swings", "swing_id"),
    "changed_rows": ("changes", "change_id"),
}


def upgrade() -> None:
    op.add_column("lessons", sa.Column("hurt", sa.Text(), server_default="", nullable=False))
    op.create_table(
        "tries",
        sa.Column("lesson_id", sa.String(length=32), nullable=False),
        sa.Column("swing_id", sa.String(length=32), nullable=True),
        sa.Column("drill", sa.String(length=100), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("angle", sa.String(length=30), nullable=False),
        sa.Column("event", sa.String(length=60), nullable=False),
        sa.Column("value_deg", sa.Double(), nullable=True),
        sa.Column("u95_deg", sa.Double(), nullable=True),
        sa.Column("held", sa.Boolean(), nullable=True),
        sa.Column("shown", sa.Boolean(), nullable=False),
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.ForeignKeyConstraint(["lesson_id"], ["lessons.id"], name=op.f("fk_tries_lesson_id")),
        sa.ForeignKeyConstraint(["swing_id"], ["swings.id"], name=op.f("fk_tries_swing_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tries")),
    )
    op.create_index(op.f("ix_tries_lesson_id"), "tries", ["lesson_id"])
    if op.get_bind().dialect.name != "postgresql":
        return
    for table in ("students", "changes"):
        _guard(table, "coach = current_user")
    for table, (parent, column) in BELONGS.items():
        _guard(table, f"EXISTS (SELECT 1 FROM {parent} parent WHERE parent.id = {table}.{column})")


def _guard(table: str, own: str) -> None:
    op.execute(f"ALTER TABLE {table} ENABLE ROW LEVEL SECURITY")
    op.execute(f"CREATE POLICY own ON {table} USING ({own}) WITH CHECK ({own})")
