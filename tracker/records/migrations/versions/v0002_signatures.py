"""Who signed a journal entry, and the signature; entries written before have none."""

import sqlalchemy as sa
from alembic import op

revision: str = "v0002"
down_revision: str | None = "v0001"
branch_labels: str | None = None
depends_on: str | None = None


def upgrade() -> None:
    """Add both columns."""
    op.add_column("journal_entry", sa.Column("signing_key", sa.String(length=32), nullable=True))
    op.add_column("journal_entry", sa.Column("signature", sa.String(length=128), nullable=True))
    op.create_index(op.f("ix_journal_entry_signing_key"), "journal_entry", ["signing_key"], unique=False)
