"""Hindcasts: their results, and what a job was asked for with."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the table of records, and room for what is said of a job."""
    op.create_table(
        "site_records",
        sa.Column("site_id", sa.Text(), nullable=False),
        sa.Column("bounds", sa.Text(), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("site_version", sa.Integer(), nullable=False),
        sa.Column("model", sa.Text(), nullable=False),
        sa.Column("asked", sa.JSON(), nullable=False),
        sa.Column("data", sa.LargeBinary(), nullable=False),
        sa.Column("page", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_site_records_site_id")),
        sa.PrimaryKeyConstraint("site_id", "bounds", name=op.f("pk_site_records")),
    )
    op.add_column("jobs", sa.Column("asked", sa.JSON(), nullable=True))


def downgrade() -> None:
    """Drop the records, which can be made again, and the jobs that the version before would take for refreshes."""
    op.execute("DELETE FROM jobs WHERE kind = 'hindcast'")
    with op.batch_alter_table("jobs") as table:
        table.drop_column("asked")
    op.drop_table("site_records")
