"""The first schema: everything the workshop remembers."""

import sqlalchemy as sa
from alembic import op

revision: str = "v0001"
down_revision: str | None = None
branch_labels: str | None = None
depends_on: str | None = None


def upgrade() -> None:
    """Create all tables."""
    op.create_table(
        "journal_entry",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("at", sa.String(length=32), nullable=False),
        sa.Column("operator", sa.String(length=200), nullable=False),
        sa.Column("act", sa.String(length=40), nullable=False),
        sa.Column("subject", sa.String(length=200), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("previous_hash", sa.String(length=64), nullable=False),
        sa.Column("hash", sa.String(length=64), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_journal_entry")),
        sa.UniqueConstraint("hash", name=op.f("uq_journal_entry_hash")),
    )
    op.create_index(op.f("ix_journal_entry_act"), "journal_entry", ["act"], unique=False)
    op.create_index(op.f("ix_journal_entry_subject"), "journal_entry", ["subject"], unique=False)
    op.create_table(
        "machine",
        sa.Column("label", sa.String(length=20), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("owner_reference", sa.String(length=200), nullable=True),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("entry_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["entry_id"], ["journal_entry.id"], name=op.f("fk_machine_entry_id"), initially="DEFERRED", deferrable=True
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_machine")),
        sa.UniqueConstraint("label", name=op.f("uq_machine_label")),
        sa.UniqueConstraint("name", name=op.f("uq_machine_name")),
    )
    op.create_index(op.f("ix_machine_entry_id"), "machine", ["entry_id"], unique=False)
    op.create_table(
        "seller",
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("entry_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["entry_id"], ["journal_entry.id"], name=op.f("fk_seller_entry_id"), initially="DEFERRED", deferrable=True
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_seller")),
        sa.UniqueConstraint("name", name=op.f("uq_seller_name")),
    )
    op.create_index(op.f("ix_seller_entry_id"), "seller", ["entry_id"], unique=False)
    op.create_table(
        "lot",
        sa.Column("label", sa.String(length=20), nullable=False),
        sa.Column("seller_id", sa.Integer(), nullable=False),
        sa.Column("source_kind", sa.String(length=30), nullable=False),
        sa.Column("order_reference", sa.String(length=200), nullable=True),
        sa.Column("order_line", sa.Integer(), nullable=False),
        sa.Column("price", sa.String(length=30), nullable=True),
        sa.Column("currency", sa.String(length=3), nullable=True),
        sa.Column("claimed_part", sa.String(length=100), nullable=False),
        sa.Column("claimed_maker", sa.String(length=100), nullable=True),
        sa.Column("claimed_grade", sa.String(length=60), nullable=True),
        sa.Column("condition", sa.String(length=20), nullable=False),
        sa.Column("quantity_ordered", sa.Integer(), nullable=False),
        sa.Column("quantity_received", sa.Integer(), nullable=False),
        sa.Column("arrived_on", sa.Date(), nullable=False),
        sa.Column("claim_by", sa.Date(), nullable=True),
        sa.Column("remark", sa.Text(), nullable=True),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("entry_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["entry_id"], ["journal_entry.id"], name=op.f("fk_lot_entry_id"), initially="DEFERRED", deferrable=True
        ),
        sa.ForeignKeyConstraint(["seller_id"], ["seller.id"], name=op.f("fk_lot_seller_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lot")),
        sa.UniqueConstraint("label", name=op.f("uq_lot_label")),
        sa.UniqueConstraint(
            "seller_id", "order_reference", "order_line", name=op.f("uq_lot_seller_id_order_reference_order_line")
        ),
    )
    op.create_index(op.f("ix_lot_arrived_on"), "lot", ["arrived_on"], unique=False)
    op.create_index(op.f("ix_lot_claim_by"), "lot", ["claim_by"], unique=False)
    op.create_index(op.f("ix_lot_claimed_part"), "lot", ["claimed_part"], unique=False)
    op.create_index(op.f("ix_lot_entry_id"), "lot", ["entry_id"], unique=False)
    op.create_index(op.f("ix_lot_seller_id"), "lot", ["seller_id"], unique=False)
    op.create_table(
        "document",
        sa.Column("lot_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=30), nullable=False),
        sa.Column("name", sa.String(length=300), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("size_bytes", sa.BigInteger(), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("entry_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["entry_id"], ["journal_entry.id"], name=op.f("fk_document_entry_id"), initially="DEFERRED", deferrable=True
        ),
        sa.ForeignKeyConstraint(["lot_id"], ["lot.id"], name=op.f("fk_document_lot_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_document")),
    )
    op.create_index(op.f("ix_document_entry_id"), "document", ["entry_id"], unique=False)
    op.create_index(op.f("ix_document_lot_id"), "document", ["lot_id"], unique=False)
    op.create_index(op.f("ix_document_sha256"), "document", ["sha256"], unique=False)
    op.create_table(
        "photo",
        sa.Column("lot_id", sa.Integer(), nullable=False),
        sa.Column("role", sa.String(length=20), nullable=False),
        sa.Column("name", sa.String(length=300), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("size_bytes", sa.BigInteger(), nullable=False),
        sa.Column("width", sa.Integer(), nullable=False),
        sa.Column("height", sa.Integer(), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("entry_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["entry_id"], ["journal_entry.id"], name=op.f("fk_photo_entry_id"), initially="DEFERRED", deferrable=True
        ),
        sa.ForeignKeyConstraint(["lot_id"], ["lot.id"], name=op.f("fk_photo_lot_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_photo")),
    )
    op.create_index(op.f("ix_photo_entry_id"), "photo", ["entry_id"], unique=False)
    op.create_index(op.f("ix_photo_lot_id"), "photo", ["lot_id"], unique=False)
    op.create_index(op.f("ix_photo_sha256"), "photo", ["sha256"], unique=False)
    op.create_table(
        "piece",
        sa.Column("label", sa.String(length=20), nullable=False),
        sa.Column("lot_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("entry_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["entry_id"], ["journal_entry.id"], name=op.f("fk_piece_entry_id"), initially="DEFERRED", deferrable=True
        ),
        sa.ForeignKeyConstraint(["lot_id"], ["lot.id"], name=op.f("fk_piece_lot_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_piece")),
        sa.UniqueConstraint("label", name=op.f("uq_piece_label")),
        sa.UniqueConstraint("lot_id", "number", name=op.f("uq_piece_lot_id_number")),
    )
    op.create_index(op.f("ix_piece_entry_id"), "piece", ["entry_id"], unique=False)
    op.create_index(op.f("ix_piece_lot_id"), "piece", ["lot_id"], unique=False)
    op.create_table(
        "bench_run",
        sa.Column("label", sa.String(length=20), nullable=False),
        sa.Column("piece_id", sa.Integer(), nullable=True),
        sa.Column("machine_id", sa.Integer(), nullable=True),
        sa.Column("test", sa.String(length=20), nullable=False),
        sa.Column("verdict", sa.String(length=12), nullable=False),
        sa.Column("weight_db", sa.Float(), nullable=False),
        sa.Column("rule", sa.Text(), nullable=False),
        sa.Column("supply_v", sa.Float(), nullable=True),
        sa.Column("ambient_c", sa.Float(), nullable=True),
        sa.Column("jig", sa.String(length=200), nullable=True),
        sa.Column("instrument", sa.String(length=200), nullable=True),
        sa.Column("result", sa.Text(), nullable=False),
        sa.Column("remark", sa.Text(), nullable=True),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("entry_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["entry_id"],
            ["journal_entry.id"],
            name=op.f("fk_bench_run_entry_id"),
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.ForeignKeyConstraint(["machine_id"], ["machine.id"], name=op.f("fk_bench_run_machine_id")),
        sa.ForeignKeyConstraint(["piece_id"], ["piece.id"], name=op.f("fk_bench_run_piece_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_bench_run")),
        sa.UniqueConstraint("label", name=op.f("uq_bench_run_label")),
    )
    op.create_index(op.f("ix_bench_run_entry_id"), "bench_run", ["entry_id"], unique=False)
    op.create_index(op.f("ix_bench_run_machine_id"), "bench_run", ["machine_id"], unique=False)
    op.create_index(op.f("ix_bench_run_piece_id"), "bench_run", ["piece_id"], unique=False)
    op.create_table(
        "decision",
        sa.Column("piece_id", sa.Integer(), nullable=False),
        sa.Column("disposition", sa.String(length=12), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("entry_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["entry_id"], ["journal_entry.id"], name=op.f("fk_decision_entry_id"), initially="DEFERRED", deferrable=True
        ),
        sa.ForeignKeyConstraint(["piece_id"], ["piece.id"], name=op.f("fk_decision_piece_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_decision")),
    )
    op.create_index(op.f("ix_decision_entry_id"), "decision", ["entry_id"], unique=False)
    op.create_index(op.f("ix_decision_piece_id"), "decision", ["piece_id"], unique=False)
    op.create_table(
        "exemplar",
        sa.Column("piece_id", sa.Integer(), nullable=False),
        sa.Column("grounds", sa.Text(), nullable=False),
        sa.Column("withdrawn", sa.Boolean(), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("entry_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["entry_id"], ["journal_entry.id"], name=op.f("fk_exemplar_entry_id"), initially="DEFERRED", deferrable=True
        ),
        sa.ForeignKeyConstraint(["piece_id"], ["piece.id"], name=op.f("fk_exemplar_piece_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_exemplar")),
    )
    op.create_index(op.f("ix_exemplar_entry_id"), "exemplar", ["entry_id"], unique=False)
    op.create_index(op.f("ix_exemplar_piece_id"), "exemplar", ["piece_id"], unique=False)
    op.create_table(
        "fitting",
        sa.Column("piece_id", sa.Integer(), nullable=False),
        sa.Column("machine_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.String(length=60), nullable=False),
        sa.Column("fitted", sa.Boolean(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=True),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("entry_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["entry_id"], ["journal_entry.id"], name=op.f("fk_fitting_entry_id"), initially="DEFERRED", deferrable=True
        ),
        sa.ForeignKeyConstraint(["machine_id"], ["machine.id"], name=op.f("fk_fitting_machine_id")),
        sa.ForeignKeyConstraint(["piece_id"], ["piece.id"], name=op.f("fk_fitting_piece_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_fitting")),
    )
    op.create_index(op.f("ix_fitting_entry_id"), "fitting", ["entry_id"], unique=False)
    op.create_index(op.f("ix_fitting_machine_id"), "fitting", ["machine_id"], unique=False)
    op.create_index("ix_fitting_machine_position", "fitting", ["machine_id", "position"], unique=False)
    op.create_index(op.f("ix_fitting_piece_id"), "fitting", ["piece_id"], unique=False)
    op.create_table(
        "inspection",
        sa.Column("photo_id", sa.Integer(), nullable=False),
        sa.Column("piece_id", sa.Integer(), nullable=False),
        sa.Column("part_read", sa.String(length=100), nullable=True),
        sa.Column("marking", sa.Text(), nullable=False),
        sa.Column("date_code", sa.String(length=30), nullable=True),
        sa.Column("date_year", sa.Integer(), nullable=True),
        sa.Column("date_week", sa.Integer(), nullable=True),
        sa.Column("package", sa.String(length=30), nullable=True),
        sa.Column("suspicion", sa.Float(), nullable=False),
        sa.Column("prior_db", sa.Float(), nullable=False),
        sa.Column("document", sa.Text(), nullable=False),
        sa.Column("overlay_sha256", sa.String(length=64), nullable=True),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("entry_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["entry_id"],
            ["journal_entry.id"],
            name=op.f("fk_inspection_entry_id"),
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.ForeignKeyConstraint(["photo_id"], ["photo.id"], name=op.f("fk_inspection_photo_id")),
        sa.ForeignKeyConstraint(["piece_id"], ["piece.id"], name=op.f("fk_inspection_piece_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_inspection")),
    )
    op.create_index(op.f("ix_inspection_date_code"), "inspection", ["date_code"], unique=False)
    op.create_index(op.f("ix_inspection_entry_id"), "inspection", ["entry_id"], unique=False)
    op.create_index(op.f("ix_inspection_part_read"), "inspection", ["part_read"], unique=False)
    op.create_index(op.f("ix_inspection_photo_id"), "inspection", ["photo_id"], unique=False)
    op.create_index(op.f("ix_inspection_piece_id"), "inspection", ["piece_id"], unique=False)
    op.create_table(
        "settlement",
        sa.Column("piece_id", sa.Integer(), nullable=False),
        sa.Column("genuine", sa.Boolean(), nullable=False),
        sa.Column("grounds", sa.Text(), nullable=False),
        sa.Column("withdrawn", sa.Boolean(), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("entry_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["entry_id"],
            ["journal_entry.id"],
            name=op.f("fk_settlement_entry_id"),
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.ForeignKeyConstraint(["piece_id"], ["piece.id"], name=op.f("fk_settlement_piece_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_settlement")),
    )
    op.create_index(op.f("ix_settlement_entry_id"), "settlement", ["entry_id"], unique=False)
    op.create_index(op.f("ix_settlement_piece_id"), "settlement", ["piece_id"], unique=False)
    op.create_table(
        "bench_sample",
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("clock_hz", sa.Float(), nullable=True),
        sa.Column("current_a", sa.Float(), nullable=True),
        sa.Column("current_u_a", sa.Float(), nullable=True),
        sa.Column("voltage_v", sa.Float(), nullable=True),
        sa.Column("time_s", sa.Float(), nullable=True),
        sa.Column("temp_c", sa.Float(), nullable=True),
        sa.Column("ambient_c", sa.Float(), nullable=True),
        sa.Column("passed", sa.Boolean(), nullable=True),
        sa.Column("text", sa.Text(), nullable=True),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("entry_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["entry_id"],
            ["journal_entry.id"],
            name=op.f("fk_bench_sample_entry_id"),
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.ForeignKeyConstraint(["run_id"], ["bench_run.id"], name=op.f("fk_bench_sample_run_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_bench_sample")),
    )
    op.create_index(op.f("ix_bench_sample_entry_id"), "bench_sample", ["entry_id"], unique=False)
    op.create_index(op.f("ix_bench_sample_run_id"), "bench_sample", ["run_id"], unique=False)
    op.create_table(
        "finding",
        sa.Column("inspection_id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(length=60), nullable=False),
        sa.Column("family", sa.String(length=20), nullable=False),
        sa.Column("weight_db", sa.Float(), nullable=False),
        sa.Column("message", sa.Text(), nullable=False),
        sa.Column("value", sa.Float(), nullable=True),
        sa.Column("unit", sa.String(length=20), nullable=True),
        sa.Column("reference", sa.Float(), nullable=True),
        sa.Column("outline", sa.Text(), nullable=True),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("entry_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["entry_id"], ["journal_entry.id"], name=op.f("fk_finding_entry_id"), initially="DEFERRED", deferrable=True
        ),
        sa.ForeignKeyConstraint(["inspection_id"], ["inspection.id"], name=op.f("fk_finding_inspection_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_finding")),
    )
    op.create_index(op.f("ix_finding_code"), "finding", ["code"], unique=False)
    op.create_index(op.f("ix_finding_entry_id"), "finding", ["entry_id"], unique=False)
    op.create_index(op.f("ix_finding_inspection_id"), "finding", ["inspection_id"], unique=False)
