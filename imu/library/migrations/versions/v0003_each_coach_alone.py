"""A recording has one measurement now and one before; on a shared server, what is left for deletion
and what the library remembers is each coach's own too, and nothing can lean on another coach's rows."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

NEWER = """
    SELECT older.id FROM measurements older WHERE EXISTS (
        SELECT 1 FROM measurements newer WHERE newer.recording_id = older.recording_id AND newer.place = older.place
        AND (newer.made_at > older.made_at OR (newer.made_at = older.made_at AND newer.id > older.id)))
"""
MINE = {
    "trash": "coach = current_user",
    "library": "right(key, length(current_user) + 1) = ' ' || current_user",  # notes end in the coach's name
}


def upgrade() -> None:
    # Two machines that measured anew at once may have left two: the later counts.
    op.execute(f"DELETE FROM readings WHERE measurement_id IN ({NEWER})")
    op.execute(f"DELETE FROM measurements WHERE id IN ({NEWER})")
    op.drop_index("ix_measurements_recording_id_place", table_name="measurements")
    op.create_index("ix_measurements_recording_id_place", "measurements", ["recording_id", "place"], unique=True)
    op.add_column("trash", sa.Column("coach", sa.String(length=63), server_default="", nullable=False))
    if op.get_bind().dialect.name != "postgresql":
        return
    for table, own in MINE.items():
        op.execute(f"ALTER TABLE {table} ENABLE ROW LEVEL SECURITY")
        op.execute(f"CREATE POLICY own ON {table} USING ({own}) WITH CHECK ({own})")
    # A foreign key sees every row: without this a coach could tie up what is another's.
    lesson = "EXISTS (SELECT 1 FROM lessons parent WHERE parent.id = tries.lesson_id)"
    swing = "EXISTS (SELECT 1 FROM swings parent WHERE parent.id = {}.swing_id)"
    measurement = "EXISTS (SELECT 1 FROM measurements parent WHERE parent.id = readings.measurement_id)"
    op.execute(f"ALTER POLICY own ON tries WITH CHECK ({lesson} AND (swing_id IS NULL OR {swing.format('tries')}))")
    op.execute(f"ALTER POLICY own ON readings WITH CHECK ({swing.format('readings')} AND {measurement})")
