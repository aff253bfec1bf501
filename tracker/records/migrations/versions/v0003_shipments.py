"""How a piece went back to its seller: carrier, reference, day."""

import sqlalchemy as sa
from alembic import op

revision: str = "v0003"
down_revision: str | None = "v0002"
branch_labels: str | None = None
depends_on: str | None = None


def upgrade() -> None:
    """Create the table."""
    op.create_table(
        "shipment",
        sa.Column("piece_id", sa.Integer(), nullable=False),
        sa.Column("carrier", sa.String(length=100), nullable=False),
        sa.Column("reference", sa.String(length=200), nullable=False),
        sa.Column("sent_on", sa.Date(), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("entry_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["entry_id"], ["journal_entry.id"], name=op.f("fk_shipment_entry_id"), initially="DEFERRED", deferrable=True
        ),
        sa.ForeignKeyConstraint(["piece_id"], ["piece.id"], name=op.f("fk_shipment_piece_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_shipment")),
    )
    op.create_index(op.f("ix_shipment_entry_id"), "shipment", ["entry_id"], unique=False)
    op.create_index(op.f("ix_shipment_piece_id"), "shipment", ["piece_id"], unique=False)
