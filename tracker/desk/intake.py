"""Lots into the records, however many: what is known is asked once for all, and each table is written at one go."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.desk.arrival import Arrival, Paper
from tracker.desk.fields import file_name
from tracker.desk.names import close_names
from tracker.desk.pieces import lot_label, next_number, piece_label
from tracker.desk.workspace import Act
from tracker.errors import BadRequest
from tracker.records.bulk import by_column
from tracker.records.models import Document, Lot, Piece, Seller

_AT_ONCE = 500
"""Values in one question; SQLite takes 999 in its older versions (from memory)."""


@dataclass(frozen=True, slots=True)
class KeptDocument:
    """One document now kept as evidence."""

    kind: str
    name: str
    sha256: str


@dataclass(frozen=True, slots=True)
class Received:
    """One lot as it stands in the records.

    `already` is True when this order reference had been received before and nothing was added.
    """

    lot: str
    pieces: tuple[str, ...]
    already: bool
    seller: str
    source: str
    part: str
    order: str | None
    line: int
    quantity_ordered: int
    arrived: date
    claim_by: date | None
    documents: tuple[KeptDocument, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(slots=True)
class _Coming:
    """One arrival on its way into the records: `earlier` is the lot it already is, else it gets `label` and `id`."""

    arrival: Arrival
    line: int
    seller: Seller
    notes: list[str]
    earlier: Lot | None = None
    label: str = ""
    id: int = 0
    pieces: tuple[str, ...] = ()
    documents: tuple[KeptDocument, ...] = ()


def take_in(act: Act, arrivals: Sequence[tuple[Arrival, int]]) -> tuple[Received, ...]:
    """Log lots inside an act, each with its line; what is here already under its order and line comes back as it is.

    Raises
    ------
    BadRequest
        When an order reference was received before with another part or quantity, or is there twice.
    """
    coming = _with_sellers(act, arrivals)
    _find_earlier(act.session, coming)
    new = [one for one in coming if one.earlier is None]
    _write_lots(act, new)
    _write_pieces(act, new)
    papers = [row for one in new if one.arrival.documents for row in _keep(act, one)]
    act.add_many(Document, by_column(papers))
    again = [one.earlier for one in coming if one.earlier is not None]
    answers = dict(zip((lot.id for lot in again), answers_for(act.session, again, already=True), strict=True))
    return tuple(_answer(one) if one.earlier is None else answers[one.earlier.id] for one in coming)


def _with_sellers(act: Act, arrivals: Sequence[tuple[Arrival, int]]) -> list[_Coming]:
    """Find each arrival's seller, in any case of letters; new ones are added, with a note where another is alike."""
    names = list(act.session.scalars(select(Seller).order_by(Seller.id)))
    known = {seller.name: seller for seller in names}
    folded: dict[str, Seller] = {}
    for seller in names:
        folded.setdefault(seller.name.casefold(), seller)
    coming = []
    for arrival, line in arrivals:
        notes: list[str] = []
        found = folded.get(arrival.seller.casefold())
        if found is None:
            for like in close_names(arrival.seller, known):
                notes.append(
                    f"'{arrival.seller}' is a new seller; there is also '{like}'. Two spellings keep two records."
                )
            found = known[arrival.seller] = folded[arrival.seller.casefold()] = Seller(name=arrival.seller)
            act.session.add(found)
        coming.append(_Coming(arrival, line, found, notes))
    act.session.flush()
    return coming


def _find_earlier(session: Session, coming: Sequence[_Coming]) -> None:
    """Find the lots in the records that these arrivals are, by seller, order and line."""
    lines: dict[tuple[int, str], dict[int, Lot]] = {}
    orders = list(dict.fromkeys(one.arrival.order for one in coming if one.arrival.order))
    for some in _in_parts(orders):
        query = select(Lot).where(Lot.order_reference.in_(some)).order_by(Lot.order_line)
        for lot in session.scalars(query):
            lines.setdefault((lot.seller_id, str(lot.order_reference)), {})[lot.order_line] = lot
    given: set[tuple[int, str, int]] = set()
    for one in coming:
        if not one.arrival.order:
            continue
        key = (one.seller.id, one.arrival.order)
        if (*key, one.line) in given:
            raise BadRequest(
                f"{_place(one)}Line {one.line} of order {one.arrival.order} from {one.seller.name} is in this delivery "
                "twice.",
                "Nothing was recorded. Number the lines of an order in the column 'line'.",
            )
        one.earlier = _earlier(one, lines.get(key, {}))
        if one.earlier is None:
            given.add((*key, one.line))


def _place(one: _Coming) -> str:
    return f"Row {one.arrival.row}, order: " if one.arrival.row else ""


def _earlier(one: _Coming, lots: dict[int, Lot]) -> Lot | None:
    """Return the one of an order's lots that this arrival is, or None when it is new."""
    arrival, lot = one.arrival, lots.get(one.line)
    if lot is None or _same(lot, arrival):
        return lot
    if arrival.line is None and arrival.row is None:
        same = [other for other in lots.values() if _same(other, arrival)]
        if same:
            return same[0]
    raise BadRequest(
        f"{_place(one)}Order {arrival.order} (line {one.line}) from {one.seller.name} was received before as "
        f"{lot.label}: {lot.quantity_ordered} of {lot.claimed_part}. This says {arrival.quantity} of {arrival.part}.",
        "Nothing was recorded. For a further part of the same order give its line (--line 2); otherwise check the "
        "order reference.",
    )


def _same(lot: Lot, arrival: Arrival) -> bool:
    return lot.claimed_part.casefold() == arrival.part.casefold() and lot.quantity_ordered == arrival.quantity


def _write_lots(act: Act, new: Sequence[_Coming]) -> None:
    if not new:
        return
    first = next_number(act.session, Lot)
    for number, one in enumerate(new, start=first):
        one.label = lot_label(number)
    act.add_many(Lot, by_column([_lot(one) for one in new]))
    found = act.session.execute(select(Lot.label, Lot.id).where(Lot.entry_id == act.entry_id))
    ids = {row.label: row.id for row in found}
    for one in new:
        one.id = ids[one.label]


def _lot(one: _Coming) -> dict[str, Any]:
    arrival = one.arrival
    return {
        "label": one.label,
        "seller_id": one.seller.id,
        "source_kind": arrival.source,
        "order_reference": arrival.order,
        "order_line": one.line,
        "price": arrival.price,
        "currency": arrival.currency,
        "claimed_part": arrival.part,
        "claimed_maker": arrival.maker,
        "claimed_grade": arrival.grade,
        "condition": arrival.condition,
        "quantity_ordered": arrival.quantity,
        "quantity_received": arrival.received,
        "arrived_on": arrival.arrived,
        "claim_by": arrival.claim_by,
        "remark": arrival.remark,
    }


def _write_pieces(act: Act, new: Sequence[_Coming]) -> None:
    for one in new:
        one.pieces = tuple(piece_label(one.label, number) for number in range(1, one.arrival.received + 1))
    columns: dict[str, list[Any]] = {
        "label": [label for one in new for label in one.pieces],
        "lot_id": [one.id for one in new for _ in one.pieces],
        "number": [number for one in new for number in range(1, len(one.pieces) + 1)],
    }
    act.add_many(Piece, columns)


def _keep(act: Act, one: _Coming) -> list[dict[str, Any]]:
    rows = [kept_paper(act, one.id, paper) for paper in one.arrival.documents]
    one.documents = tuple(KeptDocument(str(row["kind"]), str(row["name"]), str(row["sha256"])) for row in rows)
    return rows


def kept_paper(act: Act, lot_id: int, paper: Paper) -> dict[str, Any]:
    """Keep a lot's paper as evidence; return the row that says so."""
    kept = act.keep(paper.path)
    name = file_name(paper.called)
    return {"lot_id": lot_id, "kind": paper.kind, "name": name, "sha256": kept.sha256, "size_bytes": kept.size_bytes}


def _answer(one: _Coming) -> Received:
    arrival = one.arrival
    return Received(
        lot=one.label,
        pieces=one.pieces,
        already=False,
        seller=one.seller.name,
        source=arrival.source,
        part=arrival.part,
        order=arrival.order,
        line=one.line,
        quantity_ordered=arrival.quantity,
        arrived=arrival.arrived,
        claim_by=arrival.claim_by,
        documents=one.documents,
        notes=(*one.notes, *_oddities(arrival)),
    )


def _oddities(arrival: Arrival) -> list[str]:
    notes = []
    if arrival.received != arrival.quantity:
        fewer = arrival.quantity - arrival.received
        notes.append(f"{abs(fewer)} {'fewer' if fewer > 0 else 'more'} came than were ordered.")
    if arrival.claim_by is not None and arrival.claim_by < arrival.arrived:
        notes.append(f"The claim window closed on {arrival.claim_by}, before the lot arrived.")
    return notes


def answers_for(session: Session, lots: Sequence[Lot], *, already: bool) -> list[Received]:
    """Return what is said of lots that are in the records."""
    pieces: dict[int, list[str]] = {lot.id: [] for lot in lots}
    papers: dict[int, list[KeptDocument]] = {lot.id: [] for lot in lots}
    for some in _in_parts(list(pieces)):
        of_lots = select(Piece.lot_id, Piece.label).where(Piece.lot_id.in_(some)).order_by(Piece.lot_id, Piece.number)
        for lot_id, label in session.execute(of_lots):
            pieces[lot_id].append(label)
        for paper in session.scalars(select(Document).where(Document.lot_id.in_(some)).order_by(Document.id)):
            papers[paper.lot_id].append(KeptDocument(paper.kind, paper.name, paper.sha256))
    return [_on_record(lot, pieces[lot.id], papers[lot.id], already) for lot in lots]


def _on_record(lot: Lot, pieces: Iterable[str], papers: Iterable[KeptDocument], already: bool) -> Received:
    return Received(
        lot=lot.label,
        pieces=tuple(pieces),
        already=already,
        seller=lot.seller.name,
        source=lot.source_kind,
        part=lot.claimed_part,
        order=lot.order_reference,
        line=lot.order_line,
        quantity_ordered=lot.quantity_ordered,
        arrived=lot.arrived_on,
        claim_by=lot.claim_by,
        documents=tuple(papers),
    )


def _in_parts(values: Sequence[object]) -> Iterator[Sequence[object]]:
    return (values[first : first + _AT_ONCE] for first in range(0, len(values), _AT_ONCE))
