"""Indexes for what lists are ordered and filtered by, so that a page need not look at every row."""

import sqlalchemy as sa
from alembic import op

revision: str = "v0007"
down_revision: str | None = "v0006"
branch_labels: str | None = None
depends_on: str | None = None

_INDEXES = (
    ("bench_run", ("weight_db",)),
    ("bench_run", ("supply_v",)),
    ("journal_entry", ("at",)),
    ("journal_entry", ("operator",)),
    ("piece_standing", ("read_key", "piece_id")),
    ("piece_standing", ("settled", "piece_id")),
)


def upgrade() -> None:
    """Create them; no row is changed."""
    for table, columns in _INDEXES:
        op.create_index(op.f(f"ix_{table}_{'_'.join(columns)}"), table, list(columns), unique=False)
    for words in (("test",), ("verdict",), ("test", "verdict")):
        name = "_".join(f"lower_{word}" for word in words)
        op.create_index(op.f(f"ix_bench_run_{name}"), "bench_run", [sa.text(f"lower({word})") for word in words])
    for column in ("date_code", "package", "position"):
        expression = sa.text(f"lower({column})")
        op.create_index(op.f(f"ix_piece_standing_lower_{column}"), "piece_standing", [expression, "piece_id"])
