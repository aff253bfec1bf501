"""A lot arrives: give labels, keep the papers, and say so when it is here already."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date

from sqlalchemy import select
from sqlalchemy.orm import joinedload

from tracker.desk.arrival import Arrival, Paper, check_paper
from tracker.desk.intake import KeptDocument, Received, answers_for, kept_paper, take_in
from tracker.desk.pieces import find_lot
from tracker.desk.workspace import Act, Workspace
from tracker.errors import BadRequest
from tracker.records.bulk import by_column
from tracker.records.models import Document, Lot

__all__ = ["KeptDocument", "Received", "add_documents", "receive", "receive_one"]


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
        answers = take_in(act, _with_lines(arrivals))
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
    return take_in(act, [(arrival, line)])[0]


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
        act.add_many(Document, by_column([kept_paper(act, lot.id, paper) for paper in papers]))
        return answers_for(act.session, [lot], already=False)[0]
