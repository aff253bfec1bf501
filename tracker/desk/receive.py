"""A lot arrives: give labels, keep the papers, and say so when it is here already."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date

from sqlalchemy import select
from sqlalchemy.orm import Session, joinedload

from tracker.desk.arrival import Arrival, Paper, check_paper
from tracker.desk.fields import file_name
from tracker.desk.names import close_names
from tracker.desk.pieces import find_lot, lot_label, next_number, piece_label
from tracker.desk.workspace import Act, Workspace
from tracker.errors import BadRequest
from tracker.records.models import Document, Lot, Piece, Seller


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


def receive(workspace: Workspace, arrivals: Sequence[Arrival], *, operator: str | None = None) -> tuple[Received, ...]:
    """Log arriving lots, all in one act or none of them.

    A lot whose seller and order reference (and line) are in the records already is not added again: it comes back with
    `already` set, as long as it names the same part and quantity.

    Parameters
    ----------
    arrivals : sequence of Arrival
        Those without a line are numbered within their order: the first is line 1.

    Raises
    ------
    BadRequest
        When an order reference was received before with another part or quantity.
    """
    with workspace.act(operator, "receive", "") as act:
        answers = tuple(receive_one(act, *arrival) for arrival in _with_lines(arrivals))
        new = [answer for answer in answers if not answer.already]
        if new:
            act.subject = new[0].lot if len(new) == 1 else f"{new[0].lot}..{new[-1].lot}"
            act.body["lots"] = [
                {"lot": one.lot, "pieces": len(one.pieces), "part": one.part, "seller": one.seller, "order": one.order}
                for one in new
            ]
    return answers


def _with_lines(arrivals: Sequence[Arrival]) -> list[tuple[Arrival, int]]:
    """Give every arrival its line: the one it names, else the next within its order in this delivery."""
    counted: dict[tuple[str, str], int] = {}
    numbered = []
    for arrival in arrivals:
        line = arrival.line or 1
        if arrival.order and arrival.line is None:
            key = (arrival.seller.casefold(), arrival.order)
            line = counted[key] = counted.get(key, 0) + 1
        numbered.append((arrival, line))
    return numbered


def receive_one(act: Act, arrival: Arrival, line: int) -> Received:
    """Log one lot inside an act; what is here already under its order and line comes back as it is."""
    notes: list[str] = []
    seller = _seller(act, arrival.seller, notes)
    if arrival.order:
        earlier = _earlier(act, seller, arrival, line)
        if earlier is not None:
            return answer_for(act.session, earlier, already=True)
    lot = act.add(
        Lot(
            label=lot_label(next_number(act.session, Lot)),
            seller_id=seller.id,
            source_kind=arrival.source,
            order_reference=arrival.order,
            order_line=line,
            price=arrival.price,
            currency=arrival.currency,
            claimed_part=arrival.part,
            claimed_maker=arrival.maker,
            claimed_grade=arrival.grade,
            condition=arrival.condition,
            quantity_ordered=arrival.quantity,
            quantity_received=arrival.received,
            arrived_on=arrival.arrived,
            claim_by=arrival.claim_by,
            remark=arrival.remark,
        )
    )
    numbers = range(1, arrival.received + 1)
    act.session.add_all(Piece(label=piece_label(lot.label, k), lot_id=lot.id, number=k) for k in numbers)
    _keep_papers(act, lot, arrival.documents)
    return answer_for(act.session, lot, notes=[*notes, *_oddities(arrival)])


def _seller(act: Act, name: str, notes: list[str]) -> Seller:
    known = {seller.name: seller for seller in act.session.scalars(select(Seller))}
    for seller in known.values():
        if seller.name.casefold() == name.casefold():
            return seller
    for like in close_names(name, known):
        notes.append(f"'{name}' is a new seller; there is also '{like}'. Two spellings keep two records.")
    return act.add(Seller(name=name))


def _earlier(act: Act, seller: Seller, arrival: Arrival, line: int) -> Lot | None:
    """Return the lot in the records that this arrival is, or None when it is new."""
    order = select(Lot).where(Lot.seller_id == seller.id, Lot.order_reference == arrival.order)
    lots = {lot.order_line: lot for lot in act.session.scalars(order.order_by(Lot.order_line))}
    place = f"Row {arrival.row}, order: " if arrival.row else ""
    lot = lots.get(line)
    if lot is None:
        return None
    if lot.entry_id == act.entry_id:
        raise BadRequest(
            f"{place}Line {line} of order {arrival.order} from {seller.name} is in this delivery twice.",
            "Nothing was recorded. Number the lines of an order in the column 'line'.",
        )
    if _same(lot, arrival):
        return lot
    if arrival.line is None and arrival.row is None:
        same = [other for other in lots.values() if _same(other, arrival)]
        if same:
            return same[0]
    raise BadRequest(
        f"{place}Order {arrival.order} (line {line}) from {seller.name} was received before as {lot.label}: "
        f"{lot.quantity_ordered} of {lot.claimed_part}. This says {arrival.quantity} of {arrival.part}.",
        "Nothing was recorded. For a further part of the same order give its line (--line 2); otherwise check the "
        "order reference.",
    )


def _same(lot: Lot, arrival: Arrival) -> bool:
    return lot.claimed_part.casefold() == arrival.part.casefold() and lot.quantity_ordered == arrival.quantity


def _oddities(arrival: Arrival) -> list[str]:
    notes = []
    if arrival.received != arrival.quantity:
        fewer = arrival.quantity - arrival.received
        notes.append(f"{abs(fewer)} {'fewer' if fewer > 0 else 'more'} came than were ordered.")
    if arrival.claim_by is not None and arrival.claim_by < arrival.arrived:
        notes.append(f"The claim window closed on {arrival.claim_by}, before the lot arrived.")
    return notes


def _keep_papers(act: Act, lot: Lot, papers: Sequence[Paper]) -> None:
    for paper in papers:
        kept = act.keep(paper.path)
        name = file_name(paper.called)
        act.add(Document(lot_id=lot.id, kind=paper.kind, name=name, sha256=kept.sha256, size_bytes=kept.size_bytes))


def answer_for(session: Session, lot: Lot, *, already: bool = False, notes: Sequence[str] = ()) -> Received:
    """Return what is said of a lot that has just been received, or was before."""
    session.flush()
    pieces = session.scalars(select(Piece.label).where(Piece.lot_id == lot.id).order_by(Piece.number))
    papers = session.scalars(select(Document).where(Document.lot_id == lot.id).order_by(Document.id))
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
        documents=tuple(KeptDocument(paper.kind, paper.name, paper.sha256) for paper in papers),
        notes=tuple(notes),
    )


@dataclass(frozen=True, slots=True)
class LoggedLot:
    """One lot as its delivery note has it."""

    lot: str
    part: str
    seller: str
    received: int
    claim_by: date | None


def logged_lots(workspace: Workspace, labels: Collection[str]) -> tuple[LoggedLot, ...]:
    """Return those of some lots that are on record, in the order they were logged."""
    query = select(Lot).options(joinedload(Lot.seller)).where(Lot.label.in_(labels)).order_by(Lot.id)
    with workspace.read() as session:
        return tuple(
            LoggedLot(lot.label, lot.claimed_part, lot.seller.name, lot.quantity_received, lot.claim_by)
            for lot in session.scalars(query)
        )


def add_documents(
    workspace: Workspace, lot_label: str, papers: Sequence[Paper], *, operator: str | None = None
) -> Received:
    """Keep further documents of a lot that is here already.

    Raises
    ------
    BadRequest
        When there is no such lot, or a file is missing, empty or no plain file.
    """
    if not papers:
        raise BadRequest("No document is named.", "Write it like invoice=papers/invoice.pdf.")
    for paper in papers:
        check_paper(paper)
    with workspace.act(operator, "document", "") as act:
        lot = find_lot(act.session, lot_label)
        act.subject = lot.label
        _keep_papers(act, lot, papers)
        return answer_for(act.session, lot)
