"""Readings of a marking that a person corrected."""

import sqlalchemy as sa
from alembic import op

revision: str = "v0005"
down_revision: str | None = "v0004"
branch_labels: str | None = None
depends_on: str | None = None


def upgrade() -> None:
    """Add the table."""
    op.create_table(
        "reading_correction",
        sa.Column("photo_id", sa.Integer(), nullable=False),
        sa.Column("piece_id", sa.Integer(), nullable=False),
        sa.Column("chip", sa.Integer(), nullable=False),
        sa.Column("lines", sa.Text(), nullable=False),
        sa.Column("remark", sa.Text(), nullable=True),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("entry_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["entry_id"],
            ["journal_entry.id"],
            name=op.f("fk_reading_correction_entry_id"),
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.ForeignKeyConstraint(["photo_id"], ["photo.id"], name=op.f("fk_reading_correction_photo_id")),
        sa.ForeignKeyConstraint(["piece_id"], ["piece.id"], name=op.f("fk_reading_correction_piece_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reading_correction")),
    )
    for column in ("entry_id", "photo_id", "piece_id"):
        op.create_index(op.f(f"ix_reading_correction_{column}"), "reading_correction", [column], unique=False)
