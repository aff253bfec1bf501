"""The words of markings and how they end, kept beside the records so that a part of one is found by an index."""

import sqlalchemy as sa
from alembic import op

revision: str = "v0008"
down_revision: str | None = "v0007"
branch_labels: str | None = None
depends_on: str | None = None

_BYTEWISE = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")


def upgrade() -> None:
    """Create the tables, empty: the first who asks for what is kept fills them from the rows."""
    op.create_table(
        "marking_word",
        sa.Column("word", _BYTEWISE, nullable=False),
        sa.Column("look_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.PrimaryKeyConstraint("word", "look_id", name=op.f("pk_marking_word")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "word_ending",
        sa.Column("ending", _BYTEWISE, nullable=False),
        sa.Column("word", _BYTEWISE, nullable=False),
        sa.PrimaryKeyConstraint("ending", "word", name=op.f("pk_word_ending")),
        sqlite_with_rowid=False,
    )
