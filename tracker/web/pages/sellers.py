"""Sellers: counts of what became of their pieces, with intervals. It counts; it does not accuse."""

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from tracker.desk.listing import list_rows
from tracker.desk.sellers import SellerShown, show_seller
from tracker.judgement.sellers import JEFFREYS_SOURCE
from tracker.web import needs, render

router = APIRouter(include_in_schema=False)


@router.get("/sellers")
def sellers(request: Request, workspace: needs.Opened) -> Response:
    """List the sellers."""
    return render.page(request, "sellers", sellers=list_rows(workspace, "sellers").rows, source=JEFFREYS_SOURCE)


# A name may hold a slash.
@router.get("/sellers/{name:path}")
def seller(request: Request, workspace: needs.Opened, name: str) -> Response:
    """Show one seller's record."""
    found: SellerShown = show_seller(workspace, name)
    return render.page(request, "seller", seller=found)
