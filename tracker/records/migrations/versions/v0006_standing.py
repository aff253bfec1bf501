"""How pieces, lots and sellers stand, kept beside the records so that lists need not work it out anew."""

import sqlalchemy as sa
from alembic import op

revision: str = "v0006"
down_revision: str | None = "v0005"
branch_labels: str | None = None
depends_on: str | None = None


def upgrade() -> None:
    """Create the tables, empty: the first who lists something fills them from the rows."""
    op.create_table(
        "piece_standing",
        sa.Column("piece_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("lot_id", sa.Integer(), nullable=False),
        sa.Column("part_read", sa.String(length=100), nullable=True),
        sa.Column("read_key", sa.Text(), nullable=True),
        sa.Column("date_code", sa.String(length=30), nullable=True),
        sa.Column("package", sa.String(length=30), nullable=True),
        sa.Column("disposition", sa.String(length=12), nullable=False),
        sa.Column("settled", sa.String(length=12), nullable=True),
        sa.Column("exemplar", sa.Boolean(), nullable=False),
        sa.Column("machine_id", sa.Integer(), nullable=True),
        sa.Column("position", sa.String(length=60), nullable=True),
        sa.Column("truth", sa.Boolean(), nullable=True),
        sa.Column("lesson", sa.String(length=16), nullable=True),
        sa.Column("changed", sa.Integer(), nullable=False),
        sa.Column("suspicion", sa.Float(), nullable=True),
        sa.Column("reckoned", sa.String(length=40), nullable=True),
        sa.PrimaryKeyConstraint("piece_id", name=op.f("pk_piece_standing")),
    )
    op.create_index(
        op.f("ix_piece_standing_disposition_piece_id"), "piece_standing", ["disposition", "piece_id"], unique=False
    )
    op.create_index(op.f("ix_piece_standing_lot_id"), "piece_standing", ["lot_id"], unique=False)
    op.create_index(op.f("ix_piece_standing_machine_id"), "piece_standing", ["machine_id"], unique=False)
    op.create_index(op.f("ix_piece_standing_reckoned"), "piece_standing", ["reckoned"], unique=False)
    op.create_index(
        op.f("ix_piece_standing_suspicion_piece_id"), "piece_standing", ["suspicion", "piece_id"], unique=False
    )
    op.create_table(
        "lot_standing",
        sa.Column("lot_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("part_key", sa.Text(), nullable=False),
        sa.Column("pieces", sa.Integer(), nullable=False),
        sa.Column("open", sa.Integer(), nullable=False),
        sa.Column("accepted", sa.Integer(), nullable=False),
        sa.Column("quarantined", sa.Integer(), nullable=False),
        sa.Column("rejected", sa.Integer(), nullable=False),
        sa.Column("returned", sa.Integer(), nullable=False),
        sa.Column("fitted", sa.Integer(), nullable=False),
        sa.Column("genuine", sa.Integer(), nullable=False),
        sa.Column("not_genuine", sa.Integer(), nullable=False),
        sa.Column("known", sa.Integer(), nullable=False),
        sa.Column("bad", sa.Integer(), nullable=False),
        sa.Column("changed", sa.Integer(), nullable=False),
        sa.Column("suspicion", sa.Float(), nullable=True),
        sa.Column("reckoned", sa.String(length=40), nullable=True),
        sa.PrimaryKeyConstraint("lot_id", name=op.f("pk_lot_standing")),
    )
    op.create_index(op.f("ix_lot_standing_reckoned"), "lot_standing", ["reckoned"], unique=False)
    op.create_index(op.f("ix_lot_standing_suspicion_lot_id"), "lot_standing", ["suspicion", "lot_id"], unique=False)
    op.create_table(
        "seller_standing",
        sa.Column("seller_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("name_key", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("seller_id", name=op.f("pk_seller_standing")),
    )
    op.create_index(op.f("ix_seller_standing_name_key"), "seller_standing", ["name_key"], unique=False)
    op.create_table(
        "standing_state",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("through", sa.Integer(), nullable=False),
        sa.Column("taught", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_standing_state")),
    )
    op.create_index(op.f("ix_inspection_upper_date_code"), "inspection", [sa.text("upper(date_code)")], unique=False)
    op.create_index(op.f("ix_inspection_date_year_date_week"), "inspection", ["date_year", "date_week"], unique=False)
