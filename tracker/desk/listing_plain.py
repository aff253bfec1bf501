"""Rows of lists worked out from the records alone, each time anew: of some pieces, or of all there are.

Lists take theirs from what is kept beside the records (`tracker/desk/listing_page.py`). This is the plain way: what a
page of a few pieces needs, what tests hold the others against, and what is left where nothing can be kept.
"""

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Protocol

from sqlalchemy import func, select
from sqlalchemy.orm import Session, joinedload

from tracker.desk.decide import settled
from tracker.desk.pieces import dispositions, seats, standings
from tracker.desk.rows import LotRow, MachineRow, PieceRow, Row, RunRow, SellerRow
from tracker.records.models import BenchRun, JournalEntry, Lot, Machine, Piece, Seller

if TYPE_CHECKING:
    from tracker.desk.assess import Judged
    from tracker.desk.learned import Learned


def _lots(session: Session) -> list[Row]:
    query = select(Piece).options(joinedload(Piece.lot).joinedload(Lot.seller)).order_by(Piece.id)
    lots = select(Lot).options(joinedload(Lot.seller)).order_by(Lot.id)
    by_lot: dict[str, list[PieceRow]] = {}
    for row in piece_rows(session, session.scalars(query).all()):
        by_lot.setdefault(row.lot, []).append(row)
    return [lot_row(lot, by_lot.get(lot.label, [])) for lot in session.scalars(lots)]


class Stands(Protocol):
    """A piece's row of any kind that says how it stands."""

    @property
    def disposition(self) -> str:
        """What was decided."""

    @property
    def suspicion(self) -> float | None:
        """0 to 1, where anything is known."""


def lot_row(lot: Lot, pieces: Sequence[Stands]) -> LotRow:
    """Return the row of one lot from the rows of its pieces."""
    count = Counter(piece.disposition for piece in pieces)
    return LotRow(
        lot=lot.label,
        seller=lot.seller.name,
        source=lot.source_kind,
        order=lot.order_reference,
        line=lot.order_line,
        part=lot.claimed_part,
        maker=lot.claimed_maker,
        grade=lot.claimed_grade,
        condition=lot.condition,
        ordered=lot.quantity_ordered,
        received=lot.quantity_received,
        price=lot.price,
        currency=lot.currency,
        arrived=lot.arrived_on,
        claim_by=lot.claim_by,
        open=count["open"],
        accepted=count["accepted"],
        quarantined=count["quarantined"],
        rejected=count["rejected"],
        returned=count["returned"],
        fitted=count["fitted"],
        suspicion=max((piece.suspicion for piece in pieces if piece.suspicion is not None), default=None),
    )


def piece_rows(
    session: Session, pieces: Sequence[Piece], known: "Learned | None" = None, found: "Judged | None" = None
) -> list[PieceRow]:
    """Return the rows of some pieces, in their order.

    Parameters
    ----------
    known : Learned, optional
        What the workshop has learned, where it is at hand.
    found : Judged, optional
        What is on record and how suspicious each piece is, where that is at hand.
    """
    from tracker.desk.assess import judged

    found = found or judged(session, {piece.id: piece.lot_id for piece in pieces}, known, only_known=True)
    sitting = seats(session, pieces)
    now = standings(session, pieces, sitting)
    rows = []
    for piece in pieces:
        mine, sits = found.records[piece.id], sitting.get(piece.id)
        seen, truth = mine.top, mine.settlement
        rows.append(
            PieceRow(
                piece=piece.label,
                lot=piece.lot.label,
                seller=piece.lot.seller.name,
                part=piece.lot.claimed_part,
                part_read=seen.part_read if seen else None,
                date_code=seen.date_code if seen else None,
                package=seen.package if seen else None,
                suspicion=found.suspicion(piece.id, piece.lot_id),
                disposition=now[piece.id],
                settled=None if truth is None else "genuine" if truth.genuine else "not-genuine",
                exemplar=mine.exemplar is not None,
                machine=sits.machine.label if sits else None,
                position=sits.position if sits else None,
                arrived=piece.lot.arrived_on,
            )
        )
    return rows


def _pieces(session: Session) -> list[Row]:
    query = select(Piece).options(joinedload(Piece.lot).joinedload(Lot.seller)).order_by(Piece.id)
    return [*piece_rows(session, session.scalars(query).all())]


def _sellers(session: Session) -> list[Row]:
    from tracker.desk.sellers import records

    record = records(session)
    now, truth = dispositions(session), settled(session)
    lots: dict[int, list[Lot]] = {}
    for lot in session.scalars(select(Lot)):
        lots.setdefault(lot.seller_id, []).append(lot)
    pieces: dict[int, list[int]] = {}
    for piece_id, lot_seller in session.execute(select(Piece.id, Lot.seller_id).join(Lot)):
        pieces.setdefault(lot_seller, []).append(piece_id)
    rows: list[Row] = []
    for seller in session.scalars(select(Seller).order_by(Seller.id)):
        mine = pieces.get(seller.id, [])
        count = Counter(now[number] for number in mine)
        known = record.get(seller.id)
        arrivals = [lot.arrived_on for lot in lots.get(seller.id, [])]
        rows.append(
            SellerRow(
                seller=seller.name,
                lots=len(arrivals),
                pieces=len(mine),
                genuine=sum(truth.get(number) is True for number in mine),
                not_genuine=sum(truth.get(number) is False for number in mine),
                accepted=count["accepted"],
                rejected=count["rejected"],
                returned=count["returned"],
                fitted=count["fitted"],
                first_arrival=min(arrivals, default=None),
                last_arrival=max(arrivals, default=None),
                known_lots=known.lots if known else 0,
                bad_lots=known.bad if known else 0,
                share_low=known.low if known else None,
                share_high=known.high if known else None,
            )
        )
    return rows


def _machines(session: Session) -> list[Row]:
    held = Counter(sits.machine.id for sits in seats(session).values())
    query = select(Machine, JournalEntry.at).join(JournalEntry, JournalEntry.id == Machine.entry_id)
    return [
        MachineRow(machine.label, machine.name, machine.owner_reference, held[machine.id], at)
        for machine, at in session.execute(query.order_by(Machine.id))
    ]


def _runs(session: Session) -> list[Row]:
    query = (
        select(BenchRun, Piece.label, Machine.label, JournalEntry.at, JournalEntry.operator)
        .outerjoin(Piece, Piece.id == BenchRun.piece_id)
        .outerjoin(Machine, Machine.id == BenchRun.machine_id)
        .join(JournalEntry, JournalEntry.id == BenchRun.entry_id)
        .order_by(func.length(BenchRun.label), BenchRun.label)
    )
    return [
        RunRow(run.label, run.test, piece, machine, run.verdict, run.weight_db, run.supply_v, at, operator)
        for run, piece, machine, at, operator in session.execute(query)
    ]


PLAIN: Mapping[str, Callable[[Session], list[Row]]] = {
    "lots": _lots,
    "pieces": _pieces,
    "sellers": _sellers,
    "machines": _machines,
    "runs": _runs,
}
"""All rows of a list, in order of number."""
