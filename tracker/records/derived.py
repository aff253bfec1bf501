"""What follows from the records and is kept beside them, so that lists and recall need not work it out anew.

None of it is evidence: no journal entry speaks of these tables, and they can be emptied and made again from the rows at
any time (`tracker/desk/standing.py`). They point at rows by number without a foreign key, so that they never stand in
the way of what is done to the records.
"""

from sqlalchemy import Boolean, Column, Float, Index, Integer, String, Table, Text, text

from tracker.records.models import Base

PIECE_STANDING = Table(
    "piece_standing",
    Base.metadata,
    Column("piece_id", Integer, primary_key=True, autoincrement=False),
    Column("lot_id", Integer, nullable=False, index=True),
    Column("part_read", String(100)),
    Column("read_key", Text),
    Column("date_code", String(30)),
    Column("package", String(30)),
    Column("disposition", String(12), nullable=False),
    Column("settled", String(12)),
    Column("exemplar", Boolean, nullable=False),
    Column("machine_id", Integer, index=True),
    Column("position", String(60)),
    Column("truth", Boolean),
    Column("lesson", String(16)),
    Column("changed", Integer, nullable=False),
    Column("suspicion", Float),
    Column("reckoned", String(40), index=True),
    Index("ix_piece_standing_suspicion_piece_id", "suspicion", "piece_id"),
    Index("ix_piece_standing_read_key_piece_id", "read_key", "piece_id"),
    Index("ix_piece_standing_settled_piece_id", "settled", "piece_id"),
    Index("ix_piece_standing_lower_date_code", text("lower(date_code)"), "piece_id"),
    Index("ix_piece_standing_lower_package", text("lower(package)"), "piece_id"),
    Index("ix_piece_standing_lower_position", text("lower(position)"), "piece_id"),
    Index("ix_piece_standing_disposition_piece_id", "disposition", "piece_id"),
)
"""How a piece stands. One without a row is open, nothing is known of it, and siblings say nothing of it either.

`read_key` is the part as read, in folded case; `truth` says whether the piece is known not to be genuine; `lesson` is a
mark of what it teaches; `changed` is the journal entry that last changed what is known of it or of its siblings;
`suspicion` was worked out with what `reckoned` names, and is stale where that is not what holds today.
"""

LOT_STANDING = Table(
    "lot_standing",
    Base.metadata,
    Column("lot_id", Integer, primary_key=True, autoincrement=False),
    Column("part_key", Text, nullable=False),
    Column("pieces", Integer, nullable=False),
    *(
        Column(name, Integer, nullable=False)
        for name in ("open", "accepted", "quarantined", "rejected", "returned", "fitted")
    ),
    Column("genuine", Integer, nullable=False),
    Column("not_genuine", Integer, nullable=False),
    Column("known", Integer, nullable=False),
    Column("bad", Integer, nullable=False),
    Column("changed", Integer, nullable=False),
    Column("suspicion", Float),
    Column("reckoned", String(40), index=True),
    Index("ix_lot_standing_suspicion_lot_id", "suspicion", "lot_id"),
)
"""How a lot's pieces stand, as counts; the highest suspicion among them. Every lot has a row.

`genuine` and `not_genuine` count what was settled, `known` and `bad` also what bench and decision together say.
"""

SELLER_STANDING = Table(
    "seller_standing",
    Base.metadata,
    Column("seller_id", Integer, primary_key=True, autoincrement=False),
    Column("name_key", Text, nullable=False, index=True),
)
"""A seller's name in folded case. Every seller has a row."""

STANDING_STATE = Table(
    "standing_state",
    Base.metadata,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("through", Integer, nullable=False),
    Column("taught", Integer, nullable=False),
)
"""None at the beginning, then two rows: the journal entry up to which these tables say what the rows do, and how often
what the workshop has learned from settled pieces has changed; the second row is about the words of markings alone."""

BYTEWISE = Text().with_variant(Text(collation="C"), "postgresql")
"""Text in the order of its bytes, in which what begins alike stands together."""

MARKING_WORD = Table(
    "marking_word",
    Base.metadata,
    Column("word", BYTEWISE, primary_key=True),
    Column("look_id", Integer, primary_key=True, autoincrement=False),
    sqlite_with_rowid=False,
)
"""The words of the marking that a look (a row of `inspection`) read; see `tracker/desk/marking_words.py`."""

WORD_ENDING = Table(
    "word_ending",
    Base.metadata,
    Column("ending", BYTEWISE, primary_key=True),
    Column("word", BYTEWISE, primary_key=True),
    sqlite_with_rowid=False,
)
"""Each word of `marking_word` from each of its signs on: what holds a text has an ending that begins with it."""

DERIVED = (PIECE_STANDING, LOT_STANDING, SELLER_STANDING, STANDING_STATE, MARKING_WORD, WORD_ENDING)
