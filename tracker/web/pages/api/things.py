"""One lot, piece, machine or run: what `lotproof show` prints under --json."""

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from tracker.desk.documents.lot import LotDocument
from tracker.desk.documents.shown import MachineDocument, PieceDocument, RunDocument, shown_document
from tracker.desk.showing import show
from tracker.web import needs
from tracker.web.pages.api.common import LotLabel, MachineLabel, PieceLabel, RunLabel, answer, refusals

router = APIRouter(tags=["one thing"], responses=refusals(of_one=True))


@router.get("/lots/{lot}", response_model=LotDocument)
def lot(request: Request, workspace: needs.Opened, lot: LotLabel, today: needs.Today) -> Response:
    """Show a lot."""
    return answer(request, shown_document(show(workspace, lot, today=today)))


@router.get("/pieces/{piece}", response_model=PieceDocument)
def piece(request: Request, workspace: needs.Opened, piece: PieceLabel) -> Response:
    """Show a piece, with how its suspicion adds up."""
    return answer(request, shown_document(show(workspace, piece)))


@router.get("/machines/{machine}", response_model=MachineDocument)
def machine(request: Request, workspace: needs.Opened, machine: MachineLabel) -> Response:
    """Show a machine."""
    return answer(request, shown_document(show(workspace, machine)))


@router.get("/runs/{run}", response_model=RunDocument)
def run(request: Request, workspace: needs.Opened, run: RunLabel) -> Response:
    """Show a bench run, with its readings."""
    return answer(request, shown_document(show(workspace, run)))
