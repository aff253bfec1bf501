"""What is received, and said of pieces: receive, correct, decide, settle, exemplar, fit, unfit."""

from typing import Annotated, Literal

from fastapi import APIRouter
from pydantic import Field
from starlette.requests import Request
from starlette.responses import Response

from tracker.desk.arrival import FIELDS, MOST_PIECES, check_arrival
from tracker.desk.correct import LONGEST_LINE, MOST_LINES, correct
from tracker.desk.decide import decide, declare_exemplar, sent, settle
from tracker.desk.documents.said import (
    CorrectionDocument,
    DecisionsDocument,
    ExemplarDocument,
    FittingDocument,
    ReceivedDocument,
    SettlementDocument,
    correction_document,
    decisions_document,
    exemplar_document,
    fitting_document,
    received_document,
    settlement_document,
)
from tracker.desk.fitting import fit, unfit
from tracker.desk.receive import receive
from tracker.web import needs
from tracker.web.pages.api.common import Changes, Operator, Sent, Text, Texts, answer, refusals, who

router = APIRouter(tags=["acts"], dependencies=[Changes])
Quantity = Annotated[int, Field(ge=1, le=MOST_PIECES, strict=True)]


class LotArrived(Sent):
    """A lot as it arrived; days are YYYY-MM-DD, the price an amount as text."""

    seller: Text
    part: Text
    quantity: Quantity
    received: Quantity | None = None
    source: Text | None = None
    condition: Text | None = None
    order: Text | None = None
    line: Annotated[int, Field(ge=1, le=9999, strict=True)] | None = None
    maker: Text | None = None
    grade: Text | None = None
    price: Text | None = None
    currency: Text | None = None
    arrived: Text | None = None
    claim_by: Text | None = None
    remark: Text | None = None


@router.post(
    "/lots",
    status_code=201,
    response_model=ReceivedDocument,
    responses={
        200: {"model": ReceivedDocument, "description": "Its order was received before; nothing was added."},
        **refusals(writing=True),
    },
)
def receive_lot(
    request: Request, workspace: needs.Opened, operator: Operator, today: needs.Today, arrived: LotArrived
) -> Response:
    """Log an arriving lot; `Location` names it."""
    typed = {name: str(value) for name in FIELDS if (value := getattr(arrived, name)) is not None}
    found = receive(workspace, [check_arrival(typed, today=today)], operator=who(arrived, operator))[0]
    status = 200 if found.already else 201
    return answer(request, received_document(found), status, location=f"/api/lots/{found.lot}")


Seen = Annotated[
    int | None,
    Field(description="Number of the journal entry the decision rests on; what was said since is told first (409)."),
]


class Correction(Sent):
    """What the marking of a piece reads, top to bottom; no lines give the reading back to the readers."""

    piece: Text
    lines: Annotated[Texts, Field(description=f"At most {MOST_LINES}, of at most {LONGEST_LINE} characters each.")]
    photo: Text | None = Field(None, description="Name or SHA-256 of a photo of its top; else the newest.")
    remark: Text | None = None
    seen: Seen = None


@router.post("/pieces/correct", response_model=CorrectionDocument, responses=refusals(writing=True, since=True))
def correct_piece(
    request: Request, workspace: needs.Opened, operator: Operator, today: needs.Today, said: Correction
) -> Response:
    """Record what a marking reads; part number, date code and what follows from them are judged anew."""
    found = correct(
        workspace,
        said.piece,
        said.lines,
        photo=said.photo,
        remark=said.remark,
        seen=said.seen,
        operator=who(said, operator),
        today=today,
    )
    return answer(request, correction_document(found))


class Decision(Sent):
    """What is to be done with pieces, and why; a carrier, its reference and a day go with a return."""

    pieces: Annotated[Texts, Field(min_length=1, description="Pieces (L0007-03), runs (L0007-01..05), lots (L0007).")]
    decision: Literal["accept", "quarantine", "reject", "return"]
    reason: Text
    carrier: Text | None = None
    tracking: Text | None = None
    sent_on: Text | None = None
    seen: Seen = None


@router.post("/pieces/decide", response_model=DecisionsDocument, responses=refusals(writing=True, since=True))
def decide_pieces(
    request: Request, workspace: needs.Opened, operator: Operator, today: needs.Today, said: Decision
) -> Response:
    """Decide on pieces, all in one act."""
    shipped = sent(said.decision, said.carrier, said.tracking, said.sent_on, today=today)
    found = decide(
        workspace,
        said.pieces,
        said.decision,
        said.reason,
        shipped=shipped,
        seen=said.seen,
        operator=who(said, operator),
    )
    return answer(request, decisions_document(found))


class Settlement(Sent):
    """A truth about a piece that was established elsewhere, or its withdrawal."""

    piece: Text
    truth: Literal["genuine", "not-genuine"]
    grounds: Text
    withdraw: bool = False
    seen: Seen = None


@router.post("/pieces/settle", response_model=SettlementDocument, responses=refusals(writing=True, since=True))
def settle_piece(request: Request, workspace: needs.Opened, operator: Operator, said: Settlement) -> Response:
    """Record what a piece has turned out to be."""
    found = settle(
        workspace,
        said.piece,
        said.truth,
        said.grounds,
        withdraw=said.withdraw,
        seen=said.seen,
        operator=who(said, operator),
    )
    return answer(request, settlement_document(found))


class Exemplar(Sent):
    """A known-good piece, or its withdrawal."""

    piece: Text
    grounds: Text
    withdraw: bool = False
    seen: Seen = None


@router.post("/pieces/exemplar", response_model=ExemplarDocument, responses=refusals(writing=True, since=True))
def exemplar_piece(request: Request, workspace: needs.Opened, operator: Operator, said: Exemplar) -> Response:
    """Declare a known-good piece with which others are compared."""
    found = declare_exemplar(
        workspace, said.piece, said.grounds, withdraw=said.withdraw, seen=said.seen, operator=who(said, operator)
    )
    return answer(request, exemplar_document(found))


class Fitting(Sent):
    """A piece that was put into a machine: its label or name, and the position."""

    piece: Text
    into: Text
    at: Text
    owner: Text | None = None
    anyway: bool = False
    move: bool = False
    reason: Text | None = None
    seen: Seen = None


@router.post("/pieces/fit", response_model=FittingDocument, responses=refusals(writing=True, since=True))
def fit_piece(request: Request, workspace: needs.Opened, operator: Operator, said: Fitting) -> Response:
    """Record that a piece was put into a machine."""
    found = fit(
        workspace,
        said.piece,
        said.into,
        said.at,
        owner=said.owner,
        anyway=said.anyway,
        move=said.move,
        reason=said.reason,
        seen=said.seen,
        operator=who(said, operator),
    )
    return answer(request, fitting_document(found))


class Unfitting(Sent):
    """A piece that was taken out of its machine."""

    piece: Text
    reason: Text | None = None
    seen: Seen = None


@router.post("/pieces/unfit", response_model=FittingDocument, responses=refusals(writing=True, since=True))
def unfit_piece(request: Request, workspace: needs.Opened, operator: Operator, said: Unfitting) -> Response:
    """Record that a piece was taken out of its machine."""
    found = unfit(workspace, said.piece, reason=said.reason, seen=said.seen, operator=who(said, operator))
    return answer(request, fitting_document(found))
