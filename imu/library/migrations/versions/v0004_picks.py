"""The one change that a coach picked, with its target band, evidence and plan."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "picks",
        sa.Column("student_id", sa.String(length=32), nullable=False),
        sa.Column("club", sa.String(length=100), nullable=False),
        sa.Column("angle", sa.String(length=30), nullable=False),
        sa.Column("event", sa.String(length=60), nullable=False),
        sa.Column("low_deg", sa.Double(), nullable=False),
        sa.Column("high_deg", sa.Double(), nullable=False),
        sa.Column("today_deg", sa.Double(), nullable=True),
        sa.Column("u95_deg", sa.Double(), nullable=True),
        sa.Column("thought", sa.Text(), nullable=False),
        sa.Column("evidence", sa.JSON(none_as_null=True), nullable=False),
        sa.Column("plan", sa.Text(), nullable=False),
        sa.Column("picked_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("dropped_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.ForeignKeyConstraint(["student_id"], ["students.id"], name=op.f("fk_picks_student_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_picks")),
    )
    op.create_index("ix_picks_student_id_picked_at", "picks", ["student_id", "picked_at"])
    bind = op.get_bind()
    if bind.dialect.name != "postgresql":
        return
    own = "EXISTS (SELECT 1 FROM students parent WHERE parent.id = picks.student_id)"
    op.execute("ALTER TABLE picks ENABLE ROW LEVEL SECURITY")
    op.execute(f"CREATE POLICY own ON picks USING ({own}) WITH CHECK ({own})")
    # Whoever may note tries may pick: coaches that were admitted before this table was there.
    may = bind.execute(
        sa.text(
            "SELECT DISTINCT grantee FROM information_schema.role_table_grants "
            "WHERE table_name = 'tries' AND privilege_type = 'INSERT' AND grantee <> current_user"
        )
    )
    for role in may.scalars().all():
        quoted = bind.dialect.identifier_preparer.quote(role)
        op.execute(f"GRANT SELECT, INSERT, UPDATE, DELETE ON picks TO {quoted}")
