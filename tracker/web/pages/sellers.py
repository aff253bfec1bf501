"""Sellers: counts of what became of their pieces, with intervals. It counts; it does not accuse."""

from typing import Annotated

from fastapi import APIRouter, Query
from starlette.requests import Request
from starlette.responses import Response

from tracker.desk.listing import list_rows
from tracker.desk.sellers import SellerShown, show_seller
from tracker.judgement.sellers import JEFFREYS_SOURCE
from tracker.web import needs, render

router = APIRouter(include_in_schema=False)
PAGE = 100
"""Sellers shown at once; our own choice."""


@router.get("/sellers")
def sellers(
    request: Request, workspace: needs.Opened, after: Annotated[str | None, Query(max_length=200)] = None
) -> Response:
    """List the sellers, page by page."""
    found = list_rows(workspace, "sellers", limit=PAGE, after=after or None)
    return render.page(request, "sellers", found=found, sellers=found.rows, source=JEFFREYS_SOURCE)


# A name may hold a slash.
@router.get("/sellers/{name:path}")
def seller(request: Request, workspace: needs.Opened, name: str) -> Response:
    """Show one seller's record."""
    found: SellerShown = show_seller(workspace, name)
    return render.page(request, "seller", seller=found)
