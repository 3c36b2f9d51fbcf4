"""Students, lessons, recordings, swings, what was measured of them, and the journal of changes."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "changes",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("coach", sa.String(length=63), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("what", sa.String(length=200), nullable=False),
        sa.Column("undone_at", sa.DateTime(timezone=True), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_changes")),
    )
    op.create_table(
        "library",
        sa.Column("key", sa.String(length=50), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_library")),
    )
    op.create_table(
        "students",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("coach", sa.String(length=63), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("handedness", sa.String(length=5), nullable=False),
        sa.Column("born_on", sa.Date(), nullable=True),
        sa.Column("guardian", sa.String(length=200), nullable=False),
        sa.Column("consent_on", sa.Date(), nullable=True),
        sa.Column("clubs", sa.JSON(none_as_null=True), nullable=False),
        sa.Column("aims", sa.Text(), nullable=False),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("handedness IN ('right', 'left')", name=op.f("ck_students_handedness")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_students")),
    )
    op.create_index(op.f("ix_students_coach"), "students", ["coach"], unique=False)
    op.create_table(
        "trash",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_trash")),
    )
    op.create_table(
        "changed_rows",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("change_id", sa.Integer(), nullable=False),
        sa.Column("table_name", sa.String(length=30), nullable=False),
        sa.Column("row_id", sa.String(length=32), nullable=False),
        sa.Column("before", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("after", sa.JSON(none_as_null=True), nullable=True),
        sa.ForeignKeyConstraint(["change_id"], ["changes.id"], name=op.f("fk_changed_rows_change_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_changed_rows")),
    )
    op.create_index(op.f("ix_changed_rows_change_id"), "changed_rows", ["change_id"], unique=False)
    op.create_index(op.f("ix_changed_rows_row_id"), "changed_rows", ["row_id"], unique=False)
    op.create_table(
        "lessons",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("student_id", sa.String(length=32), nullable=False),
        sa.Column("kind", sa.String(length=8), nullable=False),
        sa.Column("held_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("place", sa.String(length=200), nullable=False),
        sa.Column("thought", sa.Text(), nullable=False),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("kind IN ('lesson', 'practice')", name=op.f("ck_lessons_kind")),
        sa.ForeignKeyConstraint(["student_id"], ["students.id"], name=op.f("fk_lessons_student_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lessons")),
    )
    op.create_index("ix_lessons_student_id_held_at", "lessons", ["student_id", "held_at"], unique=False)
    op.create_table(
        "recordings",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("lesson_id", sa.String(length=32), nullable=False),
        sa.Column("state", sa.String(length=4), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=True),
        sa.Column("entry", sa.String(length=255), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("handedness", sa.String(length=5), nullable=False),
        sa.Column("club", sa.String(length=100), nullable=False),
        sa.Column("drill", sa.String(length=100), nullable=False),
        sa.Column("options", sa.JSON(none_as_null=True), nullable=False),
        sa.Column("discarded", sa.Text(), nullable=True),
        sa.Column("bytes", sa.BigInteger(), nullable=False),
        sa.Column("added_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("handedness IN ('right', 'left')", name=op.f("ck_recordings_handedness")),
        sa.CheckConstraint("state IN ('open', 'kept')", name=op.f("ck_recordings_state")),
        sa.ForeignKeyConstraint(["lesson_id"], ["lessons.id"], name=op.f("fk_recordings_lesson_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_recordings")),
    )
    op.create_index(op.f("ix_recordings_lesson_id"), "recordings", ["lesson_id"], unique=False)
    op.create_index(op.f("ix_recordings_sha256"), "recordings", ["sha256"], unique=False)
    op.create_table(
        "measurements",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("recording_id", sa.String(length=32), nullable=False),
        sa.Column("stage", sa.String(length=11), nullable=False),
        sa.Column("place", sa.String(length=6), nullable=False),
        sa.Column("code", sa.String(length=50), nullable=False),
        sa.Column("calibration", sa.String(length=100), nullable=False),
        sa.Column("bands", sa.String(length=100), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("head", sa.JSON(none_as_null=True), nullable=False),
        sa.CheckConstraint("place IN ('now', 'before')", name=op.f("ck_measurements_place")),
        sa.CheckConstraint("stage IN ('provisional', 'final')", name=op.f("ck_measurements_stage")),
        sa.ForeignKeyConstraint(["recording_id"], ["recordings.id"], name=op.f("fk_measurements_recording_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_measurements")),
    )
    op.create_index("ix_measurements_recording_id_place", "measurements", ["recording_id", "place"], unique=False)
    op.create_table(
        "swings",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("recording_id", sa.String(length=32), nullable=False),
        sa.Column("number", sa.Integer(), nullable=True),
        sa.Column("at_s", sa.Double(), nullable=True),
        sa.Column("kind", sa.String(length=7), nullable=False),
        sa.Column("ball", sa.Boolean(), nullable=True),
        sa.Column("grade", sa.String(length=4), nullable=False),
        sa.Column("club", sa.String(length=100), nullable=True),
        sa.Column("thought", sa.Text(), nullable=True),
        sa.Column("left_out", sa.Text(), nullable=True),
        sa.Column("start", sa.String(length=8), nullable=True),
        sa.Column("curve", sa.String(length=5), nullable=True),
        sa.Column("strike", sa.String(length=6), nullable=True),
        sa.Column("carry_m", sa.Double(), nullable=True),
        sa.CheckConstraint("curve IN ('left', 'none', 'right')", name=op.f("ck_swings_curve")),
        sa.CheckConstraint("start IN ('left', 'straight', 'right')", name=op.f("ck_swings_start")),
        sa.CheckConstraint(
            "strike IN ('centre', 'heel', 'toe', 'high', 'low', 'thin', 'fat')", name=op.f("ck_swings_strike")
        ),
        sa.CheckConstraint("carry_m >= 0", name=op.f("ck_swings_carry")),
        sa.ForeignKeyConstraint(["recording_id"], ["recordings.id"], name=op.f("fk_swings_recording_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_swings")),
    )
    op.create_index("ix_swings_recording_id_number", "swings", ["recording_id", "number"], unique=False)
    op.create_table(
        "readings",
        sa.Column("measurement_id", sa.String(length=32), nullable=False),
        sa.Column("swing_id", sa.String(length=32), nullable=False),
        sa.Column("document", sa.JSON(none_as_null=True), nullable=False),
        sa.ForeignKeyConstraint(["measurement_id"], ["measurements.id"], name=op.f("fk_readings_measurement_id")),
        sa.ForeignKeyConstraint(["swing_id"], ["swings.id"], name=op.f("fk_readings_swing_id")),
        sa.PrimaryKeyConstraint("measurement_id", "swing_id", name=op.f("pk_readings")),
    )
    op.create_index(op.f("ix_readings_swing_id"), "readings", ["swing_id"], unique=False)
