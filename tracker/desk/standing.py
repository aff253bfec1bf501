"""How pieces, lots and sellers stand, and the words of markings, kept beside the records.

They are brought up to date by each act, and made anew at will.

The tables are in `tracker/records/derived.py`. They say what the rows say up to the journal entry `through`; what an
act wrote is added in its own transaction, and whoever finds them behind (new tables, records written in another way)
brings them up first, or works it out from the rows.

Acts never read these tables to decide anything.
"""

from collections.abc import Callable, Iterable, Sequence
from typing import Any, NamedTuple

from sqlalchemy import (
    BindParameter,
    CompoundSelect,
    ScalarSelect,
    Select,
    bindparam,
    delete,
    false,
    func,
    insert,
    literal,
    or_,
    select,
    union_all,
    update,
)
from sqlalchemy.orm import Session, aliased

from tracker.desk.fields import folded
from tracker.desk.marking_words import add_words
from tracker.records.derived import DERIVED, LOT_STANDING, PIECE_STANDING, SELLER_STANDING, STANDING_STATE
from tracker.records.models import (
    BenchRun,
    Decision,
    Document,
    Exemplar,
    Fitting,
    Inspection,
    JournalEntry,
    Lot,
    Photo,
    Piece,
    Seller,
    Settlement,
)

AT_ONCE = 5_000
"""Pieces worked out at a time: a database takes only so many names at once, and memory is bounded; our own
choice (SQLite takes 32,766 since version 3.32, from memory)."""
LISTING = "listing"
COUNTED = ("open", "accepted", "quarantined", "rejected", "returned", "fitted")
Progress = Callable[[int, int], None]
"""Is told how many are done, of how many."""


class State(NamedTuple):
    """Where the tables stand.

    The newest entry, the entry they are brought up to, how often lessons changed, and the entry that those with the
    words of markings are brought up to: they came later than the others.
    """

    head: int
    through: int
    taught: int
    words: int

    @property
    def current(self) -> bool:
        """Whether they say what the rows say."""
        return self.head == self.through == self.words


def state(session: Session) -> State:
    """Return where the tables stand."""
    return State(*session.execute(select(*STATE)).one())


_HEAD = select(func.coalesce(func.max(JournalEntry.id), 0)).scalar_subquery()
_ALL, _WORDS = 1, 2
"""The rows of `standing_state`."""


def _noted(column: str, row: int) -> ScalarSelect[int]:
    at = STANDING_STATE.c
    return select(func.coalesce(func.max(at[column]), 0)).where(at.id == row).scalar_subquery()


STATE = (_HEAD, _noted("through", _ALL), _noted("taught", _ALL), _noted("through", _WORDS))
"""The columns of a `State`, to be asked for along with others."""


def lots_with(session: Session, dispositions: Sequence[str]) -> Select[Any] | None:
    """Return the question for the lots with a piece of one of these dispositions; None where the tables are behind."""
    if not state(session).current:
        return None
    counts = (LOT_STANDING.c[name] for name in dispositions)
    return select(LOT_STANDING.c.lot_id).where(or_(*(count > 0 for count in counts)))


def follow(session: Session, entry: int) -> None:
    """Add what an act wrote, in its transaction; leave it to the next who asks where the tables were behind already."""
    at = state(session)
    if at.through == at.words == entry - 1:
        bring_up(session, at, until=entry)


def bring_up(session: Session, at: State, *, until: int, progress: Progress | None = None) -> None:
    """Add what the entries after `at.through`, up to `until`, wrote; the write lock is held."""
    touched = _touched(session, at.through)
    _sellers(session, at.through)
    lots, taught = set(touched.lots), bool(touched.listings)
    if touched.pieces:
        from tracker.desk.standing_rows import write_pieces

        for done, some in _parts(sorted(touched.pieces)):
            written = write_pieces(session, some, until)
            lots |= written.lots
            taught = taught or written.taught
            if progress is not None:
                progress(done, len(touched.pieces))
    if at.words < at.through:
        add_words(session, at.words, 1)
    elif touched.looks:
        add_words(session, at.through, min(touched.looks))
    for _, some in _parts(sorted(touched.stirred)):
        _stir(session, some, until)
    for _, some in _parts(sorted(lots | touched.stirred)):
        _write_lots(session, some, until)
    _write_state(session, until, at.taught + taught)


def empty(session: Session) -> None:
    """Forget everything; the next who asks has it made anew. The write lock is held."""
    taught = state(session).taught
    for table in DERIVED:
        session.execute(delete(table))
    # What was reckoned before must not be taken for what is reckoned with now.
    _write_state(session, 0, taught + 1)


def _write_state(session: Session, through: int, taught: int) -> None:
    session.execute(delete(STANDING_STATE))
    rows = [{"id": _ALL, "through": through, "taught": taught}, {"id": _WORDS, "through": through, "taught": 0}]
    session.execute(insert(STANDING_STATE), rows)


class _Touched(NamedTuple):
    """What new rows speak of.

    Pieces; lots of whose pieces more may be known beyond looks; new lots; new pictures; the first new look.
    """

    pieces: set[int]
    stirred: set[int]
    lots: set[int]
    listings: set[int]
    looks: set[int]


def _touched(session: Session, after: int) -> _Touched:
    found: dict[str, set[int]] = {name: set() for name in _Touched._fields}
    for kind, number in session.execute(_TOUCHED, {"after": after}):
        if number is not None:
            found[kind].add(number)
    return _Touched(**found)


def _asked() -> CompoundSelect[Any]:
    after: BindParameter[int] = bindparam("after")
    new, old = aliased(Inspection), aliased(Inspection)
    told = union_all(
        *(
            select(table.piece_id).where(table.entry_id > after, table.piece_id.is_not(None))
            for table in (BenchRun, Settlement, Exemplar)
        )
    ).subquery()
    shown = (
        *(
            select(literal("pieces"), table.piece_id).where(table.entry_id > after, table.piece_id.is_not(None))
            for table in (Inspection, BenchRun, Decision, Exemplar, Settlement, Fitting)
        ),
        # A chip in an older photo may now be said to be another piece.
        select(literal("pieces"), old.piece_id)
        .join(new, new.photo_id == old.photo_id)
        .where(new.entry_id > after, old.entry_id <= after),
        select(literal("stirred"), Piece.lot_id).where(Piece.id.in_(select(told.c.piece_id))),
        select(literal("lots"), Lot.id).where(Lot.entry_id > after),
        # '+ 0': by the index of entries, not from the first look on.
        select(literal("looks"), func.min(Inspection.id + 0)).where(Inspection.entry_id > after),
        select(literal("listings"), Photo.lot_id).where(Photo.entry_id > after, Photo.role == LISTING),
        select(literal("listings"), Document.lot_id).where(Document.entry_id > after, Document.kind == LISTING),
    )
    return union_all(*shown)


_TOUCHED = _asked()


def _parts(numbers: Sequence[int]) -> Iterable[tuple[int, Sequence[int]]]:
    for start in range(0, len(numbers), AT_ONCE):
        some = numbers[start : start + AT_ONCE]
        yield start + len(some), some


def _sellers(session: Session, after: int) -> None:
    rows = session.execute(select(Seller.id, Seller.name).where(Seller.entry_id > after)).all()
    if rows:
        session.execute(delete(SELLER_STANDING).where(SELLER_STANDING.c.seller_id.in_([row.id for row in rows])))
        session.execute(insert(SELLER_STANDING), [{"seller_id": row.id, "name_key": folded(row.name)} for row in rows])


def _stir(session: Session, lots: Sequence[int], until: int) -> None:
    """Where something is known beyond looks every piece of the lot has a row, and its suspicion is worked out anew."""
    here = select(PIECE_STANDING.c.piece_id).where(PIECE_STANDING.c.piece_id == Piece.id).exists()
    untouched = select(Piece.id, Piece.lot_id, literal("open"), false(), literal(until)).where(
        Piece.lot_id.in_(lots), ~here
    )
    names = ["piece_id", "lot_id", "disposition", "exemplar", "changed"]
    session.execute(insert(PIECE_STANDING).from_select(names, untouched))
    stale = {"changed": until, "reckoned": None}
    session.execute(update(PIECE_STANDING).where(PIECE_STANDING.c.lot_id.in_(lots)).values(stale))


def _write_lots(session: Session, lots: Sequence[int], until: int) -> None:
    rows = lot_rows(session, lots)
    session.execute(delete(LOT_STANDING).where(LOT_STANDING.c.lot_id.in_(lots)))
    if rows:
        session.execute(insert(LOT_STANDING), [{**row, "changed": until} for row in rows])


def lot_rows(session: Session, lots: Sequence[int]) -> list[dict[str, Any]]:
    """Return what the rows of `lot_standing` say of some lots, from those of their pieces; no suspicion."""
    named = session.execute(select(Lot.id, Lot.claimed_part).where(Lot.id.in_(lots)).order_by(Lot.id)).all()
    of = select(Piece.lot_id, func.count()).where(Piece.lot_id.in_(lots)).group_by(Piece.lot_id)
    numbers: dict[int, int] = dict(session.execute(of).all())
    at = PIECE_STANDING.c
    by = (at.lot_id, at.disposition, at.settled, at.truth)
    counts: dict[int, dict[str, int]] = {lot: {} for lot in lots}
    for lot, disposition, settled, truth, count in session.execute(
        select(*by, func.count()).where(at.lot_id.in_(lots)).group_by(*by)
    ):
        mine = counts[lot]
        for name in (disposition, settled, None if truth is None else "known", "bad" if truth else None):
            if name is not None:
                mine[name] = mine.get(name, 0) + count
    rows: list[dict[str, Any]] = []
    for lot, part in named:
        mine, number = counts[lot], numbers.get(lot, 0)
        decided = sum(mine.get(name, 0) for name in COUNTED if name != "open")
        rows.append(
            {
                "lot_id": lot,
                "part_key": folded(part),
                "pieces": number,
                **{name: mine.get(name, 0) for name in COUNTED},
                "open": number - decided,
                "genuine": mine.get("genuine", 0),
                "not_genuine": mine.get("not-genuine", 0),
                "known": mine.get("known", 0),
                "bad": mine.get("bad", 0),
            }
        )
    return rows
