"""Lists: what `lotproof list` prints under --json."""

from typing import Annotated

from fastapi import APIRouter, Query
from starlette.requests import Request
from starlette.responses import Response

from tracker.desk.documents.lists import (
    LotsDocument,
    MachinesDocument,
    PiecesDocument,
    RunsDocument,
    SellersDocument,
    list_document,
)
from tracker.desk.listing_ask import Asked, filters_of, listed
from tracker.web import needs
from tracker.web.pages.api.common import LONGEST, answer, refusals

router = APIRouter(tags=["lists"], responses=refusals(of_one=True))


def _only(what: str) -> object:
    return Query(description=what, max_length=LONGEST)


Lot = Annotated[str | None, _only("Only of this lot.")]
Seller = Annotated[str | None, _only("Only from this seller.")]
Source = Annotated[str | None, _only("Only from this kind of seller.")]
Part = Annotated[str | None, _only("Only with this text in the claimed part or the part as read.")]
Disposition = Annotated[str | None, _only("Only of this disposition.")]
Machine = Annotated[str | None, _only("Only of this machine.")]
Name = Annotated[str | None, _only("Only with this text in the machine's name.")]
Test = Annotated[str | None, _only("Only of this bench test.")]
Verdict = Annotated[str | None, _only("Only of this verdict.")]
Since = Annotated[str | None, _only("Only what arrived, was added or was measured on this day or later.")]
Suspicion = Annotated[str | None, _only("Only with at least this suspicion: 0.3 or '30 %'.")]
Sort = Annotated[str | None, _only("Sort by this column; rows without a value come last.")]
Reverse = Annotated[bool, Query(description="Largest or latest first.")]
Limit = Annotated[int | None, Query(ge=1, le=1_000_000, description="At most this many.")]
After = Annotated[str | None, _only("Go on after this row, as `next` of the page before names it.")]


@router.get("/lots", response_model=LotsDocument)
def lots(
    request: Request,
    workspace: needs.Opened,
    lot: Lot = None,
    seller: Seller = None,
    source: Source = None,
    part: Part = None,
    since: Since = None,
    min_suspicion: Suspicion = None,
    sort: Sort = None,
    reverse: Reverse = False,
    limit: Limit = None,
    after: After = None,
) -> Response:
    """List lots."""
    asked = Asked(lot=lot, seller=seller, source=source, part=part, since=since, min_suspicion=min_suspicion)
    return _answer(request, workspace, "lots", asked, sort, reverse, limit, after)


@router.get("/pieces", response_model=PiecesDocument)
def pieces(
    request: Request,
    workspace: needs.Opened,
    lot: Lot = None,
    seller: Seller = None,
    part: Part = None,
    disposition: Disposition = None,
    machine: Machine = None,
    since: Since = None,
    min_suspicion: Suspicion = None,
    sort: Sort = None,
    reverse: Reverse = False,
    limit: Limit = None,
    after: After = None,
) -> Response:
    """List pieces."""
    asked = Asked(
        lot=lot,
        seller=seller,
        part=part,
        disposition=disposition,
        machine=machine,
        since=since,
        min_suspicion=min_suspicion,
    )
    return _answer(request, workspace, "pieces", asked, sort, reverse, limit, after)


@router.get("/sellers", response_model=SellersDocument)
def sellers(
    request: Request,
    workspace: needs.Opened,
    seller: Seller = None,
    since: Since = None,
    sort: Sort = None,
    reverse: Reverse = False,
    limit: Limit = None,
    after: After = None,
) -> Response:
    """List sellers, with their records."""
    return _answer(request, workspace, "sellers", Asked(seller=seller, since=since), sort, reverse, limit, after)


@router.get("/machines", response_model=MachinesDocument)
def machines(
    request: Request,
    workspace: needs.Opened,
    machine: Machine = None,
    name: Name = None,
    since: Since = None,
    sort: Sort = None,
    reverse: Reverse = False,
    limit: Limit = None,
    after: After = None,
) -> Response:
    """List machines."""
    return _answer(
        request, workspace, "machines", Asked(machine=machine, name=name, since=since), sort, reverse, limit, after
    )


@router.get("/runs", response_model=RunsDocument)
def runs(
    request: Request,
    workspace: needs.Opened,
    machine: Machine = None,
    test: Test = None,
    verdict: Verdict = None,
    since: Since = None,
    sort: Sort = None,
    reverse: Reverse = False,
    limit: Limit = None,
    after: After = None,
) -> Response:
    """List bench runs."""
    asked = Asked(machine=machine, test=test, verdict=verdict, since=since)
    return _answer(request, workspace, "runs", asked, sort, reverse, limit, after)


def _answer(
    request: Request,
    workspace: needs.Opened,
    what: str,
    asked: Asked,
    sort: str | None,
    reverse: bool,
    limit: int | None,
    after: str | None,
) -> Response:
    found = listed(workspace, what, filters_of(asked), sort=sort, reverse=reverse, limit=limit, after=after)
    return answer(request, list_document(found))
