"""A lot arrives: check what the seller claims, give labels, keep the papers."""

import os
import stat
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import date
from pathlib import Path

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.desk import fields as typed
from tracker.desk.names import close_names
from tracker.desk.pieces import find_lot, lot_label, next_number, piece_label
from tracker.desk.workspace import Act, Workspace
from tracker.errors import BadRequest
from tracker.records.models import Document, Lot, Piece, Seller

SOURCE_KINDS = ("authorised", "broker", "marketplace", "own-pull", "donor", "unknown")
_SOURCE_ALSO = {
    "authorised-distributor": "authorised",
    "authorized-distributor": "authorised",
    "authorized": "authorised",
}
CONDITIONS = ("new", "old-stock", "pulled", "refurbished", "unknown")
DOCUMENT_KINDS = ("invoice", "certificate", "listing", "packing-list", "letter", "other")
MOST_PIECES = 10_000
"""Pieces in one lot; our own bound, against slips of the finger."""
FIRST_DAY = date(1960, 1, 1)
"""No chip was sold before; integrated circuits came to market in the early 1960s (from memory)."""


@dataclass(frozen=True, slots=True)
class Paper:
    """A document to keep: its kind and where it lies."""

    kind: str
    path: Path


@dataclass(frozen=True, slots=True)
class Arrival:
    """One arriving lot as checked: what the seller claims and what came."""

    seller: str
    part: str
    quantity: int
    received: int
    arrived: date
    source: str = "unknown"
    condition: str = "unknown"
    order: str | None = None
    line: int | None = None
    maker: str | None = None
    grade: str | None = None
    price: str | None = None
    currency: str | None = None
    claim_by: date | None = None
    remark: str | None = None
    documents: tuple[Paper, ...] = ()
    row: int | None = None
    """Its row in a delivery's file, to be named in an error."""


FIELDS = tuple(field.name for field in fields(Arrival) if field.name not in ("documents", "row"))
REQUIRED = ("seller", "part", "quantity")
_WORDS = {
    "part": "claimed part",
    "maker": "claimed maker",
    "grade": "claimed grade",
    "order": "order reference",
    "quantity": "quantity ordered",
    "received": "quantity received",
}
_LIMITS = {"part": 100, "maker": 100, "grade": 60, "remark": 2000}


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


def check_field(name: str, text: str, *, today: date) -> object:
    """Return the value of one field of an arrival, typed as text.

    Raises
    ------
    BadRequest
        When it is not acceptable; the message names the field in plain words.
    """
    if name == "source":
        return typed.one_of(_SOURCE_ALSO.get("-".join(text.lower().split()), text), "source kind", SOURCE_KINDS)
    if name == "condition":
        return typed.one_of(text, "condition", CONDITIONS)
    if name in ("quantity", "received"):
        return typed.whole_number(text, _WORDS[name], 1, MOST_PIECES)
    if name == "line":
        return typed.whole_number(text, "line of the order", 1, 9999)
    if name in ("arrived", "claim_by"):
        return _day(name, text, today)
    if name == "price":
        return typed.money(text, "price")
    if name == "currency":
        return typed.currency(text, "currency")
    return typed.one_line(text, _WORDS.get(name, name), _LIMITS.get(name, 200))


def _day(name: str, text: str, today: date) -> date:
    words = "arrival date" if name == "arrived" else "claim deadline"
    value = typed.day(text, words)
    if value < FIRST_DAY:
        raise BadRequest(f"The {words} is {value}, before any chip was sold.", "Check the year.")
    if name == "arrived" and value > today:
        raise BadRequest(f"The arrival date is {value}, and today is {today}.", "A lot is logged once it is here.")
    return value


def check_arrival(
    values: Mapping[str, str], papers: Sequence[Paper] = (), *, today: date, row: int | None = None
) -> Arrival:
    """Return an arrival from what was typed; empty texts count as not given.

    Raises
    ------
    FieldProblems
        Naming every field that is missing or wrong.
    """
    problems: list[tuple[str, BadRequest]] = []
    good: dict[str, object] = {}
    given = {name: text for name, text in values.items() if text.strip()}
    for name in REQUIRED:
        if name not in given:
            problems.append((name, BadRequest(f"The {_WORDS.get(name, name)} is missing.")))
    for name, text in given.items():
        try:
            good[name] = check_field(name, text, today=today)
        except BadRequest as error:
            problems.append((name, error))
    if "price" in given and "currency" not in given:
        problems.append(("currency", BadRequest("There is a price without a currency.", "Add it, such as EUR.")))
    for paper in papers:
        try:
            _check_paper(paper)
        except BadRequest as error:
            problems.append((paper.kind, error))
    if problems:
        raise FieldProblems(problems)
    good.setdefault("received", good["quantity"])
    good.setdefault("arrived", today)
    return Arrival(**good, documents=tuple(papers), row=row)  # type: ignore[arg-type]


class FieldProblems(BadRequest):
    """Several fields are wrong; `problems` holds each field's name and error."""

    def __init__(self, problems: Sequence[tuple[str, BadRequest]]) -> None:
        self.problems = tuple(problems)
        errors = [error for _, error in problems]
        advice = f"{errors[0].advice} " if len(errors) == 1 else ""
        super().__init__(" ".join(error.what for error in errors), f"{advice}Nothing was recorded.")


def paper(text: str) -> Paper:
    """Return the document named as KIND=PATH.

    Raises
    ------
    BadRequest
        When it is written otherwise or the kind is unknown.
    """
    kind, equals, path = text.partition("=")
    if not equals or not path.strip():
        raise BadRequest(f"The document '{text[:60]}' is not KIND=PATH.", "Write it like invoice=papers/invoice.pdf.")
    return Paper(typed.one_of(kind, "kind of the document", DOCUMENT_KINDS), Path(path).expanduser())


def _check_paper(paper: Paper) -> None:
    try:
        found = paper.path.stat()
    except (OSError, ValueError):
        raise BadRequest(f"There is no file {paper.path}.", "Check its path.") from None
    if not stat.S_ISREG(found.st_mode):
        kind = "a folder" if stat.S_ISDIR(found.st_mode) else "not a plain file"
        raise BadRequest(f"{paper.path} is {kind}.", "Name the file itself.")
    if found.st_size == 0:
        raise BadRequest(f"The file {paper.path} is empty.", "Check that it was saved.")
    if not os.access(paper.path, os.R_OK):
        raise BadRequest(f"The file {paper.path} cannot be read.", "Check its permissions.")


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
        answers = tuple(_receive_one(act, arrival) for arrival in _with_lines(arrivals))
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


def _receive_one(act: Act, numbered: tuple[Arrival, int]) -> Received:
    arrival, line = numbered
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
        name = typed.file_name(paper.path.name)
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
        _check_paper(paper)
    with workspace.act(operator, "document", "") as act:
        lot = find_lot(act.session, lot_label)
        act.subject = lot.label
        _keep_papers(act, lot, papers)
        return answer_for(act.session, lot)
