"""Lots taken over from another workshop, and what it found."""

import sqlalchemy as sa
from alembic import op

revision: str = "v0004"
down_revision: str | None = "v0003"
branch_labels: str | None = None
depends_on: str | None = None


def _entry(table: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint(
        ["entry_id"], ["journal_entry.id"], name=op.f(f"fk_{table}_entry_id"), initially="DEFERRED", deferrable=True
    )


def upgrade() -> None:
    """Add the tables."""
    op.create_table(
        "lot_origin",
        sa.Column("lot_id", sa.Integer(), nullable=False),
        sa.Column("workshop", sa.String(length=200), nullable=False),
        sa.Column("workshop_id", sa.String(length=64), nullable=False),
        sa.Column("their_lot", sa.String(length=20), nullable=False),
        sa.Column("bag_sha256", sa.String(length=64), nullable=False),
        sa.Column("head_entry", sa.Integer(), nullable=False),
        sa.Column("head_hash", sa.String(length=64), nullable=False),
        sa.Column("exported_at", sa.String(length=32), nullable=False),
        sa.Column("program", sa.String(length=40), nullable=False),
        sa.Column("signing_key", sa.String(length=32), nullable=True),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("entry_id", sa.Integer(), nullable=False),
        _entry("lot_origin"),
        sa.ForeignKeyConstraint(["lot_id"], ["lot.id"], name=op.f("fk_lot_origin_lot_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lot_origin")),
        sa.UniqueConstraint("lot_id", name=op.f("uq_lot_origin_lot_id")),
    )
    for column in ("bag_sha256", "entry_id", "workshop_id"):
        op.create_index(op.f(f"ix_lot_origin_{column}"), "lot_origin", [column], unique=False)
    op.create_table(
        "foreign_record",
        sa.Column("lot_id", sa.Integer(), nullable=False),
        sa.Column("piece_id", sa.Integer(), nullable=True),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("their_label", sa.String(length=40), nullable=True),
        sa.Column("at", sa.String(length=32), nullable=False),
        sa.Column("operator", sa.String(length=200), nullable=False),
        sa.Column("said", sa.Text(), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("entry_id", sa.Integer(), nullable=False),
        _entry("foreign_record"),
        sa.ForeignKeyConstraint(["lot_id"], ["lot.id"], name=op.f("fk_foreign_record_lot_id")),
        sa.ForeignKeyConstraint(["piece_id"], ["piece.id"], name=op.f("fk_foreign_record_piece_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_foreign_record")),
    )
    for column in ("entry_id", "lot_id", "piece_id"):
        op.create_index(op.f(f"ix_foreign_record_{column}"), "foreign_record", [column], unique=False)
